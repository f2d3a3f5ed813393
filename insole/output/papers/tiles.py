"""One foot on sheets of paper at full size: what is drawn, and where each tile lies on its page.

    Plan, FootPlan, Parts -> drawing_of -> Drawing -> sheets -> Sheet (one a tile)

A left foot's plan is mirrored here with the project's one mirror; outlines of parts that are
there replace those of the plan, since they are what is cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from footscan.measuring.pose import mirror
from footscan.scan import Array
from insole.errors import OutputError
from insole.output.places import PLACE_PART, tender_spots
from insole.parts.cover import COVER
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace

__all__ = [
    "FACES",
    "LINE_MARGIN",
    "MARGIN",
    "OVERLAP",
    "PAPERS",
    "RULER",
    "RULER_BAND",
    "Drawing",
    "Sheet",
    "bed_places",
    "drawing_of",
    "ruler_lines",
    "sheets",
]

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 8.0  # mm without words, what a desk printer may leave unprinted
LINE_MARGIN = 6.0  # mm without lines: one sheet instead of two for a common size
OVERLAP = 10.0  # mm that two tiles share
RULER = 100.0
RULER_BAND = 9.0  # mm kept at the left and at the bottom for the rulers
SIDE_GAP = 9.0  # mm beside the foot for the words along the thick edge
RULE_MIN = 8.0  # mm: shorter lines of a base's grid are its ticks
COLUMN_MIN = 44.0  # mm: below this the words beside the foot cannot be read
FACES = {
    "above": ("SEEN FROM ABOVE", "foot side up"),
    "below": ("SEEN FROM BELOW", "shoe side up"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """One foot with its outlines in the bed frame, mm; ``low`` and ``high`` bound them all."""

    plan: Plan
    foot: FootPlan
    rings: dict[str, Array]
    grid: tuple[Array, ...]
    slots: tuple[Array, ...]  # bolt slots of a shim under the shoe
    spots: tuple[Array, ...]  # rings around the tender spots
    notch: Array | None  # where the base's notch is cut into the medial edge
    low: Array
    high: Array
    parts: tuple[Part, ...] = ()  # of this foot


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """Where one tile lies on its page, page mm from the lower left corner."""

    face: str
    number: int
    count: int
    start: float  # bed x at the lower end of the drawing zone
    zone: tuple[float, float, float, float]  # left, bottom, right, top
    axis: float  # page x of the centreline
    across: float  # +1: medial lies to the right on this page
    page: tuple[float, float]
    ruler: float  # page x of the zero of the ruler across

    def at(self, points: Array | Sequence[Any]) -> Array:
        """Return page positions of bed-frame `points`, shape (..., 2)."""
        points = np.asarray(points, dtype=float)
        x, y = points[..., 0], points[..., 1]
        return np.stack([self.axis + self.across * y, self.zone[1] + x - self.start], axis=-1)

    @property
    def joins(self) -> list[tuple[float, int]]:
        """Bed x of the join lines on this tile, and the neighbour's number."""
        step = self.zone[3] - self.zone[1] - OVERLAP
        found = []
        if self.number > 1:
            found.append((self.start + OVERLAP / 2, self.number - 1))
        if self.number < self.count:
            found.append((self.start + step + OVERLAP / 2, self.number + 1))
        return found

    def shows(self, x: float, reach: float) -> bool:
        """Return whether the drawing zone holds bed `x` with `reach` mm before and behind."""
        y = self.zone[1] + x - self.start
        return self.zone[1] <= y - reach and y + reach <= self.zone[3]

    def owns(self, x: float) -> bool:
        """Return whether bed `x` lies on this tile rather than on a neighbour."""
        low = self.start + (OVERLAP / 2 if self.number > 1 else -math.inf)
        last = self.number == self.count
        step = self.zone[3] - self.zone[1] - OVERLAP
        return low <= x < (math.inf if last else self.start + step + OVERLAP / 2)


def ruler_lines() -> tuple[float, float]:
    """Return where to measure the rulers, mm: above the lower edge, and from the left edge.

    There a line across the page meets no tick of the ruler but the two long ones at its ends.
    """
    return MARGIN + 2.0 + 3.3, MARGIN + 2.0 + 3.3


def drawing_of(plan: Plan, foot: FootPlan, parts: Sequence[Part]) -> Drawing:
    """Return the outlines of a foot, those of its parts first, all in the bed frame."""
    rings = {"base": np.array(foot.base.outline), "foot": np.array(foot.foot_outline)}
    if foot.contour is not None:
        rings["base"] = np.array(foot.contour.outline)  # it takes the place of the base
    if foot.pad is not None:
        rings["arch-pad"] = np.array(foot.pad.outline)
    if foot.metatarsal is not None:
        rings["metatarsal-pad"] = np.array(foot.metatarsal.outline)
    for wedge in foot.wedges:
        rings[PLACE_PART[wedge.place]] = np.array(wedge.outline)
    grid: tuple[Array, ...] = ()
    slots: tuple[Array, ...] = ()
    notch = None
    mine = tuple(part for part in parts if part.side.value == foot.side)
    for part in mine:
        if part.name in rings or part.name == COVER:
            rings[part.name] = bed_places(part.outline, foot.side)
            if part.name == "base":
                # its ticks would crowd the scale of the centreline
                rules = (bed_places(line, foot.side) for line in part.lines.get("grid", ()))
                grid = tuple(rule for rule in rules if np.ptp(rule, axis=0).max() > RULE_MIN)
                at = part.facts.notch
                notch = None if at is None else bed_places(at, foot.side)
            elif part.name == PLACE_PART[WedgePlace.UNDER]:
                slots = tuple(bed_places(hole, foot.side) for hole in part.holes)
    every = np.concatenate([ring for name, ring in rings.items() if name != "foot"])
    return Drawing(
        plan=plan,
        foot=foot,
        rings=rings,
        grid=grid,
        slots=slots,
        notch=notch,
        spots=_spot_rings(plan, foot.side),
        low=every.min(axis=0),
        high=every.max(axis=0),
        parts=mine,
    )


def _spot_rings(plan: Plan, side: str) -> tuple[Array, ...]:
    """Return a ring of the radius that is kept free around each tender spot, bed frame, mm."""
    radius = of_plan(plan).value("keepout.tender_radius")
    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    turn = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return tuple(np.array(spot) + turn for spot in tender_spots(plan, side))


def bed_places(worn: Any, side: str) -> Array:
    """Return plan positions of a worn part in the bed frame, shape (..., 2)."""
    points = np.asarray(worn, dtype=float)[..., :2]
    return mirror(points) if side == "left" else points


def sheets(drawing: Drawing, face: str, width: float, height: float) -> Iterable[Sheet]:
    """Yield the tiles on which `drawing` fits at full size, heel first."""
    across = (1.0 if drawing.foot.side == "left" else -1.0) * (1.0 if face == "above" else -1.0)
    ends = sorted((across * drawing.low[1], across * drawing.high[1]))
    left, bottom, top = MARGIN + RULER_BAND, MARGIN + RULER_BAND, height - LINE_MARGIN
    corner = width - MARGIN - RULER - 1.0
    right = left + ends[1] - ends[0] + 2 * SIDE_GAP
    if width - MARGIN - right < COLUMN_MIN:
        raise OutputError(
            f"the {drawing.foot.side} outline is {ends[1] - ends[0]:.0f} mm wide, too wide for"
            " the sheet: check the base outline or cut from the DXF file instead"
        )
    need = drawing.high[0] - drawing.low[0] + 1.0
    axis, zero = left + SIDE_GAP - ends[0], left
    # a ruler beside the heel instead of below it saves the second tile of a common size
    rear = np.concatenate([ring for name, ring in drawing.rings.items() if name != "foot"])
    rear = rear[rear[:, 0] < drawing.low[0] + RULER_BAND + MARGIN - LINE_MARGIN]
    if axis + (across * rear[:, 1]).max() + 3.0 < corner and need <= top - LINE_MARGIN:
        bottom, zero = LINE_MARGIN, corner
    elif need <= top - LINE_MARGIN:
        moved = _beside_ruler(drawing, across)
        if moved + (across * rear[:, 1]).max() + 3.0 < corner:
            left, bottom, zero, axis = LINE_MARGIN, LINE_MARGIN, corner, moved
            right = axis + ends[1] + SIDE_GAP
    room = top - bottom
    count = 1 if need <= room else math.ceil((need - OVERLAP) / (room - OVERLAP))
    first = drawing.low[0] - 0.5
    for k in range(count):
        yield Sheet(
            face=face,
            number=k + 1,
            count=count,
            start=first + k * (room - OVERLAP),
            zone=(left, bottom, right, top),
            axis=axis,
            across=across,
            page=(width, height),
            ruler=zero,
        )


def _beside_ruler(drawing: Drawing, across: float) -> float:
    """Return the page x of the centreline with the foot as far left as the ruler along allows.

    The ruler stands beside the narrow heel; ahead of it the foot may reach the printable edge.
    """
    points = np.concatenate([ring for name, ring in drawing.rings.items() if name != "foot"])
    up = LINE_MARGIN + points[:, 0] - drawing.low[0] + 0.5
    beside = up < MARGIN + RULER_BAND + RULER + 4.0
    thick_left = any(
        wedge.place is not WedgePlace.UNDER and (wedge.net > 0) == (across < 0)
        for wedge in drawing.foot.wedges
    )
    room = np.where(beside, MARGIN + RULER_BAND + 1.5, LINE_MARGIN + 1.0) + 5.0 * thick_left
    return float((room - across * points[:, 1]).max())
