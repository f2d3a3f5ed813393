"""What the fitter wants of a contoured bed, and what none can have."""

from __future__ import annotations

import math
from dataclasses import dataclass

from insole.errors import PlanError
from insole.record.limits import Limits

__all__ = ["LENGTHS", "ContourWish", "check"]

LENGTHS = ("three-quarter", "full")


@dataclass(frozen=True, slots=True, kw_only=True)
class ContourWish:
    """What the fitter wants of a contoured bed.

    Attributes
    ----------
    length : str
        ``"three-quarter"`` (ends behind the ball line) or ``"full"``.
    level : float or None
        Support level under the arch; None takes the first trial's.
    cup : float or None
        Depth of the heel cup, mm; None takes the limits' own.
    tender : tuple of (x, y)
        Tender spots, bed frame, mm: each gets a relief.
    relief : float or None
        Depth of those reliefs, mm.
    metatarsal, metatarsal_behind : float or None
        Height of a metatarsal pad, mm; None: none. Its crest behind the heads, mm; None takes
        the limits' own.
    material : str
        Word of the material table.
    """

    length: str
    level: float | None = None
    cup: float | None = None
    tender: tuple[tuple[float, float], ...] = ()
    relief: float | None = None
    metatarsal: float | None = None
    metatarsal_behind: float | None = None
    material: str = "base-pp"


def check(wish: ContourWish, limits: Limits) -> None:
    """Refuse a wish that no contoured bed can have.

    Raises
    ------
    insole.errors.PlanError
        Length, cup or relief is out of range; says which, and the range.
    """
    if wish.length not in LENGTHS:
        raise PlanError(f"a contoured bed is {' or '.join(LENGTHS)}, not {wish.length!r}")
    bounds = {
        "cup": ("a heel cup", limits.value("contour.cup_least"), limits.value("contour.cup_most")),
        "relief": ("a relief", 0.5, 3.0),
    }
    for name, (what, low, high) in bounds.items():
        value = getattr(wish, name)
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            raise PlanError(f"{what} cannot be {value:g} mm; give {low:g} to {high:g} mm")
