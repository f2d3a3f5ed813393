"""What is known beside a photograph of an outline: paper, side, pen, load, values by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from footscan.outline.errors import OutlineError
from footscan.outline.typed import Typed
from footscan.scan import Load, Side

__all__ = ["BARREL_MM", "NOTHING", "Asked"]

BARREL_MM = 7.0  # of a pencil; common practice, no source
BARREL_RANGE_MM = (0.0, 20.0)  # 0: the line itself is the edge
LEAN_SD_MM = 0.5  # of a pen held upright; common practice, no source
BARREL_SD_MM = 0.7  # of half a barrel that nobody measured: pens have 6 to 10 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is known beside the photo.

    Attributes
    ----------
    paper : str or None
        Key of :data:`footscan.outline.paper.PAPERS`; None tells A4 from Letter.
    side : Side or None
        None: told from the shape, or asked for.
    barrel : float or None
        Diameter of the pen, mm; None takes a pencil's, with a wider band.
    load : Load
        How the rider stood.
    typed : Typed
        Values by hand.
    """

    paper: str | None = None
    side: Side | None = None
    barrel: float | None = None
    load: Load = Load.UNKNOWN
    typed: Typed = field(default_factory=Typed)

    def __post_init__(self) -> None:
        low, high = BARREL_RANGE_MM
        if self.barrel is not None and not low <= self.barrel <= high:
            raise OutlineError(
                "typed", f"the pen's barrel must have {low:g} to {high:g} mm, got {self.barrel:g}"
            )

    @property
    def allowance(self) -> float:
        """How far the line lies outside the foot, mm."""
        return (BARREL_MM if self.barrel is None else self.barrel) / 2

    @property
    def allowance_sd(self) -> float:
        """Standard deviation of the allowance, mm."""
        return math.hypot(LEAN_SD_MM, BARREL_SD_MM if self.barrel is None else 0.0)


NOTHING = Asked()
