"""What a maker asks of the parts beside the plan, and what the tools at hand can do.

Settings -> Finish -> insole.parts.build -> Parts
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from insole.errors import PlanError
from insole.record.limits import Limits, default_limits, of_plan
from insole.record.plan import Plan

__all__ = ["USUAL_NOZZLE_MM", "BevelWish", "Finish", "VentWish", "bevel_wish", "vent_wish"]

USUAL_NOZZLE_MM = 0.4  # of a filament printer; common practice, no source
_TWO = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:@\s*(\d+(?:\.\d+)?)\s*)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class BevelWish:
    """A bevel along the underside's edge: width in plan, mm, and degrees from the underside."""

    width: float
    angle: float

    @property
    def height(self) -> float:
        """How far up the edge it reaches, mm."""
        return self.width * math.tan(math.radians(self.angle))


@dataclass(frozen=True, slots=True, kw_only=True)
class VentWish:
    """Ventilation holes: diameter and distance from middle to middle, mm."""

    diameter: float
    spacing: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """What parts are made like.

    Attributes
    ----------
    bevel : BevelWish or None
        Of bases.
    vents : VentWish or None
        In bases and contoured beds.
    nozzles : mapping
        Nozzle of the printer that prints a material, mm, by the material's word; ``""`` any other.
    limits : Limits
        Those that the plan was made with, see :meth:`of`.
    """

    bevel: BevelWish | None = None
    vents: VentWish | None = None
    nozzles: Mapping[str, float] = field(default_factory=dict)
    limits: Limits = field(default_factory=default_limits)

    def of(self, plan: Plan) -> Finish:
        """Return the same by the limits of a plan: a workshop may have its own."""
        return replace(self, limits=of_plan(plan))

    def nozzle(self, material: str) -> float:
        """Return the nozzle that prints a material, mm."""
        return self.nozzles.get(material, self.nozzles.get("", USUAL_NOZZLE_MM))


def bevel_wish(text: str | None) -> BevelWish | None:
    """Return a bevel from a text like ``2`` or ``2@30``: mm, and degrees.

    Raises
    ------
    PlanError
        It is no such text, or out of bounds.

    Examples
    --------
    >>> bevel_wish("1@45")
    BevelWish(width=1.0, angle=45.0)
    >>> bevel_wish("20")
    Traceback (most recent call last):
    insole.errors.PlanError: a bevel cannot be 20 mm wide; give 0.5 to 8 mm
    """
    if text is None:
        return None
    width, angle = _two(text, "a bevel is WIDTH or WIDTH@DEGREES, such as 1 or 2@30")
    limits = default_limits()
    angle = limits.value("bevel.angle") if angle is None else angle
    _within("a bevel", f"{width:g} mm wide", width, ("bevel.width_least", "bevel.width_most"), "mm")
    _within(
        "a bevel",
        f"{angle:g} degrees steep",
        angle,
        ("bevel.angle_least", "bevel.angle_most"),
        "degrees",
    )
    return BevelWish(width=width, angle=angle)


def vent_wish(text: str | None) -> VentWish | None:
    """Return holes from a text like ``3`` or ``3@12``: diameter and distance, mm.

    Raises
    ------
    PlanError
        It is no such text, or out of bounds.

    Examples
    --------
    >>> vent_wish("2.5@10")
    VentWish(diameter=2.5, spacing=10.0)
    >>> vent_wish("3@4")
    Traceback (most recent call last):
    insole.errors.PlanError: holes of 3 mm cannot stand 4 mm apart; give 7.5 to 40 mm
    """
    if text is None:
        return None
    diameter, spacing = _two(text, "holes are DIAMETER or DIAMETER@DISTANCE, such as 3 or 3@12")
    limits = default_limits()
    _within(
        "ventilation holes",
        f"{diameter:g} mm wide",
        diameter,
        ("vents.diameter_least", "vents.diameter_most"),
        "mm",
    )
    least = max(limits.value("vents.spacing_least"), limits.value("vents.apart") * diameter)
    most = limits.value("vents.spacing_most")
    spacing = max(limits.value("vents.spacing"), least) if spacing is None else spacing
    if not least <= spacing <= most:
        raise PlanError(
            f"holes of {diameter:g} mm cannot stand {spacing:g} mm apart; give {least:g} to "
            f"{most:g} mm"
        )
    return VentWish(diameter=diameter, spacing=spacing)


def _two(text: str, words: str) -> tuple[float, float | None]:
    found = _TWO.fullmatch(text)
    if found is None:
        raise PlanError(f"{words}; got {text[:40]!r}")
    return float(found[1]), float(found[2]) if found[2] else None


def _within(what: str, has: str, value: float, names: tuple[str, str], unit: str) -> None:
    limits = default_limits()
    low, high = (limits.value(name) for name in names)
    if not low <= value <= high:
        raise PlanError(f"{what} cannot be {has}; give {low:g} to {high:g} {unit}")
