"""What the fitter wants of a pad, and a pad as shaped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from footscan.scan import Array
from insole.planning.support import kit as kits

__all__ = ["PadWish", "Shaped", "move_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PadWish:
    """What the fitter wants of a pad.

    Attributes
    ----------
    level : float or None
        Support level, pad top over gap; None takes the first trial's.
    source : str
        ``"scan"`` for a one-off pad, ``"kit"`` for the best one of `kit`.
    shift : (float, float)
        Moved by hand: mm forward, mm medial.
    turn : float
        Turned by hand, degrees about +z (+ turns the front medially).
    tender : tuple of (x, y)
        Tender spots, bed frame, mm.
    relief : float or None
        Depth of the relief over tender spots, mm; None takes the limits' own.
    medial_edge : float or None
        Height of the medial side, mm, where the shoe's wall stands off; None lets it stand as
        high as the rules allow.
    kit : Kit or None
        None takes the default kit.
    """

    level: float | None = None
    source: str = "scan"
    shift: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    tender: tuple[tuple[float, float], ...] = ()
    relief: float | None = None
    medial_edge: float | None = None
    kit: kits.Kit | None = None


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


def move_words(forward: float, medial: float, turn: float = 0.0) -> str:
    """Return a move in words.

    Examples
    --------
    >>> move_words(3.0, -2.0)
    '3 mm forward, 2 mm lateral'
    >>> move_words(0.0, 0.0, 5.0)
    'turned 5° (front medially)'
    """
    words = []
    for value, ahead, back in ((forward, "forward", "rearward"), (medial, "medial", "lateral")):
        if abs(value) >= 0.05:
            words.append(f"{round(abs(value), 1):g} mm {ahead if value > 0 else back}")
    if abs(turn) >= 0.05:
        side = "medially" if turn > 0 else "laterally"
        words.append(f"turned {round(abs(turn), 1):g}° (front {side})")
    return ", ".join(words) or "not moved"
