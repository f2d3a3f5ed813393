"""Values that a plan can have: what nobody could have planned is not made into a part.

    Plan, from a file or fresh -> check -> insole.workflow.making.make

A plan is text, and text can be changed: by hand, by a slip, by a damaged disk. The bounds here
are wider than any limit of planning; they tell a plan from no plan, not a good one from a bad one.
All of them are common practice, no source, but where another is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from footscan import typed
from insole.errors import PlanError
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import BasePlan, PadPlan, WedgePlan
from insole.record.values import HeightGrid

__all__ = ["check"]

LENGTH = (120.0, 420.0)  # mm of a base: feet of 145 to 365 mm, and room
WIDTH = (40.0, 170.0)  # mm
THICKNESS = (0.3, 12.0)  # mm of a base
CUP = (0.0, 40.0)  # mm
PAD = (0.1, 30.0)  # mm: an arch is some 30 mm high where it is highest
EDGE = (0.05, 6.0)  # mm of a thin edge
DEGREES = 10.0  # an extreme of research (Gardner 2016), as for wishes
THICK_EDGE = (0.1, 25.0)  # mm: ten degrees across a forefoot
TAPER = (0.0, 120.0)  # mm
STRAY = 6.0  # mm that a pad may reach over its base: what is trimmed off
CREST = 0.6  # mm between a crest's height and the surface there
ACROSS = 1.5  # mm between a crest's place from both edges
RISE = 0.6  # mm between a thick edge and what angle and width give
HEADS = 4.0  # mm between a cleat's places from both heads: it may be turned
BED = (-60.0, 60.0)  # mm: heights of beds and soles, from the bed frame's zero


def check(plan: Plan) -> None:
    """Refuse a plan with values that no plan could have.

    Raises
    ------
    insole.errors.PlanError
        Names the value, and what it could be.
    """
    values = plan.model_dump(mode="python")
    _finite(values, "")
    if wrong := typed.strange(values):
        raise PlanError(f"the plan {wrong}; plan again")
    try:
        typed.label(plan.case, "the case's name")
    except ValueError as error:
        raise PlanError(str(error)) from None
    if not plan.feet:
        raise PlanError("the plan has no foot; plan one first")
    for side in ("left", "right"):
        foot: FootPlan | None = getattr(plan, side)
        if foot is None:
            continue
        if foot.side != side:
            raise PlanError(
                f"the plan's {side} foot is called {foot.side}: feet were exchanged; plan it again"
            )
        for sentence in _foot(foot):
            raise PlanError(f"{side} foot: {sentence}; no plan can have that, plan again")


def _finite(value: Any, place: str) -> None:
    """Refuse numbers that are none, wherever they are."""
    if isinstance(value, float) and not math.isfinite(value):
        raise PlanError(f"{place.lstrip('.')} is {value}, not a number; plan again")
    if isinstance(value, dict):
        for key, entry in value.items():
            _finite(entry, f"{place}.{key}")
    elif isinstance(value, list | tuple):
        for entry in value:
            _finite(entry, place)


def _within(words: str, value: float, span: tuple[float, float], unit: str = "mm") -> Iterator[str]:
    if not span[0] <= value <= span[1]:
        yield f"{words} is {value:g} {unit}, outside {span[0]:g} to {span[1]:g} {unit}"


def _foot(foot: FootPlan) -> Iterator[str]:
    yield from _base(foot.base)
    if foot.pad is not None:
        yield from _pad(foot.pad, foot.base)
    if foot.contour is not None:
        bed = foot.contour
        yield from _ring("the contoured bed", bed.outline)
        yield from _heights("the contoured bed's top", bed.top, BED)
        yield from _heights("the contoured bed's underside", bed.bottom, BED)
        yield from _within("the contoured bed's crest", bed.crest.height, (0.1, 45.0))
        yield from _within("the contoured bed's plate", bed.plate, THICKNESS)
        yield from _within("the contoured bed's cup", bed.cup, CUP)
        for wedge in bed.posting:
            yield from _angle(wedge)
    for wedge in foot.wedges:
        yield from _wedge(wedge)
    yield from _cleat(foot)


def _ring(words: str, outline: Sequence[tuple[float, float]]) -> Iterator[str]:
    import shapely

    if len(outline) < 4 or not shapely.Polygon(outline).is_valid:
        yield f"the outline of {words} crosses itself or has no area"


def _base(base: BasePlan) -> Iterator[str]:
    yield from _ring("the base", base.outline)
    x, y = zip(*base.outline, strict=True)
    yield from _within("the base's length", max(x) - min(x), LENGTH)
    yield from _within("the base's width", max(y) - min(y), WIDTH)
    yield from _within("the base's thickness", base.thickness, THICKNESS)
    yield from _within("the heel cup", base.heel_cup, CUP)
    yield from _within("the trim allowance", base.trim_allowance, (0.0, 20.0))


def _heights(words: str, grid: HeightGrid, span: tuple[float, float]) -> Iterator[str]:
    widths = {len(row) for row in grid.z}
    if len(grid.z) < 4 or len(widths) != 1 or widths.pop() < 4 or not grid.step > 0:
        yield f"{words} has no even grid of heights"
        return
    low, high = min(map(min, grid.z)), max(map(max, grid.z))
    if low < span[0] or high > span[1]:
        yield f"{words} reaches from {low:g} to {high:g} mm, outside {span[0]:g} to {span[1]:g} mm"


def _pad(pad: PadPlan, base: BasePlan) -> Iterator[str]:
    import shapely

    yield from _ring("the arch pad", pad.outline)
    yield from _heights("the arch pad's top", pad.top, (-PAD[1], PAD[1]))
    yield from _within("the arch pad's crest", pad.crest.height, PAD)
    yield from _within("the arch pad's edge", pad.edge, EDGE)
    if not shapely.Polygon(base.outline).buffer(STRAY).covers(shapely.Polygon(pad.outline)):
        yield "the arch pad does not lie on its base"
    crest, grid = pad.crest, pad.top
    if crest.y is None or len(grid.z) < 4:
        return
    i = min(max(round((crest.from_rear - grid.x0) / grid.step), 0), len(grid.z) - 1)
    j = min(max(round((crest.y - grid.y0) / grid.step), 0), len(grid.z[0]) - 1)
    slack = CREST + 0.6 * grid.step  # the nearest node, on a slope
    if abs(grid.z[i][j] - crest.height) > slack:
        yield (
            f"the arch pad's crest is {crest.height:g} mm high, its surface there "
            f"{grid.z[i][j]:g} mm"
        )
    row = shapely.Polygon(base.outline).intersection(
        shapely.LineString([(crest.from_rear, -300.0), (crest.from_rear, 300.0)])
    )
    if not row.is_empty and abs(row.bounds[3] - crest.y - crest.from_medial) > ACROSS:
        yield (
            f"the arch pad's crest is {crest.from_medial:g} mm from the medial edge by its number "
            f"and {row.bounds[3] - crest.y:.1f} mm by its place"
        )


def _angle(wedge: WedgePlan) -> Iterator[str]:
    if not 0 < abs(wedge.net) <= DEGREES:
        yield f"a wedge {wedge.place} of {wedge.net:g} degrees, at the most {DEGREES:g} can be made"
    thick = "big-toe side" if wedge.net > 0 else "little-toe side"
    if wedge.thick_side != thick:
        yield f"the wedge {wedge.place} of {wedge.net:+g} degrees is thick on the {thick}"


def _wedge(wedge: WedgePlan) -> Iterator[str]:
    words = f"the wedge {wedge.place}"
    yield from _angle(wedge)
    yield from _ring(words, wedge.outline)
    yield from _within(f"{words}, its thick edge,", wedge.thick_edge, THICK_EDGE)
    yield from _within(f"{words}, its thin edge,", wedge.edge, EDGE)
    for name, value in (("rear", wedge.taper_rear), ("front", wedge.taper_front)):
        yield from _within(f"{words}, its {name} taper,", value, TAPER)
    if wedge.full_to <= wedge.full_from:
        yield f"{words} has no length at full height"
    rise = wedge.width * math.tan(math.radians(abs(wedge.net)))
    if abs(wedge.thick_edge - wedge.edge - rise) > RISE:
        yield (
            f"{words} is {wedge.thick_edge:g} mm thick, but {abs(wedge.net):g} degrees over "
            f"{wedge.width:g} mm make {wedge.edge + rise:.1f} mm"
        )


def _cleat(foot: FootPlan) -> Iterator[str]:
    cleat, marks = foot.cleat, foot.landmarks
    if cleat is None:
        return
    yield from _within("the cleat's place from MTH1", cleat.from_ball_mark, (-60.0, 40.0))
    yield from _within("the cleat's turn", cleat.yaw, (-30.0, 30.0), "degrees")
    if "mth1" in marks and "mth5" in marks:
        apart = marks["mth1"][0] - marks["mth5"][0]
        if abs(cleat.from_mth5 - cleat.from_ball_mark - apart) > HEADS:
            yield (
                f"the cleat lies {cleat.from_ball_mark:g} mm from MTH1 and {cleat.from_mth5:g} mm "
                f"from MTH5, which are {apart:.0f} mm apart along the foot"
            )
