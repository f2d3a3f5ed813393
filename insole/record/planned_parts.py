"""The parts of a plan as records: base, pads, contoured bed, wedges.

    values -> planned_parts -> plan.FootPlan -> insole.parts

Each holds the outline and surface that its solid is built from, and how they were chosen, in the
bed frame of :mod:`insole.record.plan`, mm and degrees.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from pydantic import Field

from insole.record.values import HeightGrid, Quantity, Record

__all__ = [
    "BasePlan",
    "ContourPlan",
    "Crest",
    "MetatarsalPlan",
    "PadPlan",
    "WedgePlace",
    "WedgePlan",
]


class Crest(Record):
    """Where the crest of a pad lies, measured as a person at the bench would."""

    from_rear: float = Field(description="mm from the base's rear edge along its centreline")
    from_medial: float = Field(description="mm from the base's medial edge, across")
    height: float = Field(description="mm above the face the pad lies on")
    y: float | None = Field(default=None, description="mm medial of the base's centreline")


class PadPlan(Record):
    """An arch pad: outline and surface in the bed frame, and how it was chosen.

    The pad's solid lies between z = 0 and ``top`` inside ``outline``; its edge is never thinner
    than ``edge``.
    """

    name: str
    source: Literal["kit", "scan"]
    outline: list[tuple[float, float]] = Field(description="closed ring, no repeated last point")
    top: HeightGrid
    edge: float
    medial_edge: float | None = Field(
        default=None, description="mm; height wished of the medial side; none: as rules allow"
    )
    medial_height: float | None = Field(
        default=None, description="mm; how high the medial side stands at the most"
    )
    rim_radius: float = Field(
        default=0.0, description="mm; rounding of the standing side towards the foot"
    )
    crest: Crest
    turn: float = Field(description="degrees about +z, + turns the front medially")
    shift: tuple[float, float] = Field(
        default=(0.0, 0.0), description="moved by hand: forward, medial, mm"
    )
    support_level: float = Field(description="wished pad top over gap, 1 = touches")
    front_edge: float = Field(description="mm from the base's rear edge to the front end")
    rear_edge: float
    binding: list[str] = Field(description="which rule decided shape or place, in words")
    gap_at_crest: Quantity
    residual_gap: Quantity
    snug: float | None = Field(
        default=None, description="share of its area that lies within 1 mm of the wish"
    )
    step_up: str = ""
    step_down: str = ""
    material: str = "trial-eva"
    reasons: list[str] = Field(default=[])


class MetatarsalPlan(Record):
    """A metatarsal pad on a base: outline and surface in the bed frame.

    The solid lies between z = 0 and ``top`` inside ``outline``; its edge is ``edge`` thick.
    """

    height: float = Field(description="mm at the crest")
    behind: float = Field(description="mm that the crest lies behind the line of heads 2 to 4")
    outline: list[tuple[float, float]] = Field(description="closed ring, no repeated last point")
    top: HeightGrid
    edge: float
    crest: Crest
    turn: float = Field(description="degrees about +z of its axis, + turns the front medially")
    front_edge: float = Field(description="mm from the base's rear edge to the front end")
    rear_edge: float
    material: str = "trial-eva"
    reasons: list[str] = Field(default=[])

    @property
    def rim_radius(self) -> float:
        """No side of it stands, so none is rounded, mm."""
        return 0.0


class WedgePlace(StrEnum):
    """Where a wedge sits; angles of different places are never added into one number."""

    FOREFOOT = "inside forefoot"
    HEEL = "inside heel"
    UNDER = "under the shoe"


class WedgePlan(Record):
    """A wedge shim: a ramp across the bed with tapers at its ends, in the bed frame.

    Full angle from ``full_from`` to ``full_to`` along x, tapering to nothing over ``taper_rear``
    behind and ``taper_front`` ahead. The thin edge is ``edge`` thick.
    """

    place: WedgePlace
    wish: float = Field(description="degrees wished, signed")
    cant_kept: float = Field(description="degrees the shoe keeps at this place, signed")
    net: float = Field(description="degrees made, signed, after rounding toward zero")
    remainder: float = Field(description="degrees left by rounding, signed")
    thick_side: Literal["big-toe side", "little-toe side"]
    width: float = Field(description="mm across the bed at the widest station of the ramp")
    thick_edge: float = Field(description="mm at the thick edge, thin edge included")
    edge: float
    full_from: float
    full_to: float
    taper_rear: float
    taper_front: float
    outline: list[tuple[float, float]]
    material: str = "wedge-tpu"
    contour_step: float = Field(default=0.5, description="mm of height between grind contours")
    reasons: list[str] = Field(default=[])

    @property
    def words(self) -> str:
        """The wedge in words: angle, trade word, thick side."""
        kind = "varus" if self.net > 0 else "valgus"
        return f"{abs(self.net):g}° {kind}, thick on the {self.thick_side}"


class ContourPlan(Record):
    """A contoured bed in one piece: outline, underside and top in the bed frame.

    The solid lies between ``bottom`` and ``top``, both heights above the bed frame's z = 0,
    inside ``outline``. It takes the place of base, pad and inside shims.
    """

    length: Literal["three-quarter", "full"]
    outline: list[tuple[float, float]]
    top: HeightGrid
    bottom: HeightGrid
    plate: float = Field(description="least thickness behind the front, mm")
    edge: float = Field(description="thickness at the front end, mm")
    cover: float = Field(description="cover that the foot's seat allows for, mm")
    cup: float = Field(description="depth of the heel cup, mm")
    support_level: float
    crest: Crest = Field(description="its height is the thickness there")
    gap_at_crest: Quantity
    residual_gap: Quantity
    snug: float | None = None
    front_edge: float
    forefoot: float = Field(default=0.0, description="thickness of its flat forefoot, mm; 0: none")
    posting: list[WedgePlan] = Field(default=[], description="wedges built in")
    metatarsal: float | None = None
    material: str = "base-pp"
    reasons: list[str] = Field(default=[])

    @property
    def name(self) -> str:
        """The part in the words of the trade."""
        return f"contoured bed, {self.length.replace('full', 'full length')}"


class BasePlan(Record):
    """The footbed blank: outline in the bed frame, thickness, placement grid."""

    outline: list[tuple[float, float]]
    thickness: float
    source: str = Field(description="where the outline came from, in words")
    trim_allowance: float = 0.0
    heel_cup: float = Field(default=0.0, description="height of the heel rim above the base, mm")
    grid_step: float = 3.0
    grid_from: float = Field(description="x where the placement grid starts; none under the heel")
    grid_to: float = Field(description="x where it ends; none under the ball")
    dowels: list[tuple[float, float]] = Field(
        default=[], description="centres of the sockets that place the pad, mm; none: no dowels"
    )
    material: str = "base-pp"
