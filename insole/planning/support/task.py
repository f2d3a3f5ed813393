"""A pad that is being planned, and a pad as shaped: what is handed on between the steps.

Room + Seating + SupportWish -> PadTask -> insole.planning.support.shaping -> Shaped
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from footscan.scan import Array
from insole.planning.memory import Memory
from insole.planning.seating import Seating
from insole.planning.support.kit import Kit
from insole.planning.support.space import Room
from insole.planning.support.wish import SupportWish
from insole.record.limits import Limits

__all__ = ["PadTask", "Shaped"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shaped:
    """A pad as shaped, before it becomes a plan.

    Attributes
    ----------
    surface : ndarray, shape (nx, ny)
        Top on the room's grid, mm.
    name : str
        What the pad is called.
    turn : float
        Degrees about +z.
    crest : (float, float)
        Where its crest lies.
    area : shapely.Polygon
        Where it lies.
    walls : shapely geometry or None
        Lines of a one-off pad's border that stand; a kit pad has the sides it has.
    reasons : tuple of str
        How it came about.
    """

    surface: Array
    name: str
    turn: float
    crest: tuple[float, float]
    area: Any
    walls: Any = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PadTask:
    """A pad that is being planned: its room, whose foot, what is wished, within which limits.

    `kit` are the pads to pick from; None takes the default kit.
    """

    space: Room
    seating: Seating
    wish: SupportWish
    level: float
    limits: Limits
    memory: Memory
    kit: Kit | None = None
