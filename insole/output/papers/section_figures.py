"""The report's sections through the crest: sole, pad, shims, base and bed, across and along.

    FootPlan (sole, pad, shims, base), shoe -> sections -> flowables, mm

Across is seen from behind, with the same hand at the same side as on the maps; along with the heel
at the left. Nothing is stretched: heights are drawn in the scale of lengths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.scan import Array
from insole.output.ink import BLACK, BLUE, GREY, ORANGE, ring_path, stroke, write
from insole.output.papers.flow import WIDE, drawn
from insole.output.papers.report_figures import COLUMN, SMALL, above_bed
from insole.output.phrases import spread_words
from insole.output.pictures.turn import Turn
from insole.output.places import crest_point
from insole.planning.ramp import inside_height
from insole.planning.seating import planned_bed
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace
from insole.record.rings import edges_at

__all__ = ["Cut", "cut_through", "key", "sections"]

ALONG = 0.62  # scale of sections along, less for a long base
ACROSS = 0.78
ABOVE = 32.0  # mm over the bed's lowest place that a section shows
LEAST = 22.0  # mm that it is high at the least: the upright scale needs them
PAD_FILL, SHIM_FILL = (0.62, 0.80, 0.92), (0.96, 0.78, 0.58)
BASE_FILL, OPEN_FILL = (0.80, 0.80, 0.78), (1.0, 0.97, 0.80)


def sections(plan: Plan) -> list[Any]:
    """Return the sections across, side by side, then those along, one below the other."""
    shown = [foot for foot in plan.feet if foot.sole is not None and _through(foot) is not None]
    if not shown:
        return []
    high = ACROSS * ABOVE + 24.0

    def across(canvas: Any) -> None:
        for foot in shown:
            _across(canvas, plan, foot, 0.0 if foot.side == "left" else COLUMN, high)

    pictures = [drawn(WIDE, high, across)]
    for foot in shown:
        pictures.append(_along_picture(plan, foot))
    return pictures


def key(canvas: Any) -> None:
    """Draw what the colours of a section mean, in one line."""
    x = 4.0
    for colour, words in (
        (OPEN_FILL, "left open"),
        (PAD_FILL, "pad or bed"),
        (SHIM_FILL, "shim"),
        (BASE_FILL, "base"),
    ):
        canvas.setFillColorRGB(*colour)
        canvas.setStrokeColorRGB(*BLACK)
        canvas.setLineWidth(0.15)
        canvas.rect(x, 1.0, 5.0, 2.6, stroke=1, fill=1)
        write(canvas, x + 6.5, 1.4, words, SMALL)
        x += 25.0
    for weight, words in ((0.6, "sole of the foot"), (0.35, "bed of the shoe, under the base")):
        stroke(canvas, np.array([(x, 2.3), (x + 5.0, 2.3)]), BLACK, weight, close=False)
        write(canvas, x + 6.5, 1.4, words, SMALL)
        x += 33.0


def _through(foot: FootPlan) -> Array | None:
    """Return the place through which sections run: the crest, else the foot's arch apex."""
    if foot.pad is not None:
        return crest_point(foot)
    if foot.contour is not None:
        return np.array([foot.contour.crest.from_rear, foot.contour.crest.y or 0.0])
    apex = foot.landmarks.get("arch_apex")
    return None if apex is None else np.array(apex[:2])


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Heights along one line through a foot's stack, mm above the bed frame's z = 0."""

    at: Array
    bed: Array
    shim: Array
    pad: Array
    sole: Array


def cut_through(plan: Plan, foot: FootPlan, x: Array, y: Array) -> Cut:
    """Return the stack along `x` or along `y`: one of them has one value only."""
    from shapely import Polygon, contains_xy

    gx, gy = np.meshgrid(x, y, indexing="ij")
    bed = planned_bed(plan, foot, x, y)
    shim = inside_height(foot.wedges, gx, gy)
    pad = np.zeros_like(bed) if foot.pad is None else PadTop(foot.pad).inside(gx, gy)
    if foot.metatarsal is not None:
        pad = np.maximum(pad, PadTop(foot.metatarsal).inside(gx, gy))
    if foot.contour is not None:
        pad = np.clip(ContourShape(foot.contour).inside(gx, gy) - foot.contour.plate, 0.0, None)
    sole = bed + above_bed(plan, foot, x, y)
    sole = np.where(contains_xy(Polygon(foot.foot_outline), gx, gy), sole, np.nan)
    return Cut(
        at=(x if len(x) > 1 else y),
        bed=bed.ravel(),
        shim=shim.ravel(),
        pad=pad.ravel(),
        sole=sole.ravel(),
    )


def _across(canvas: Any, plan: Plan, foot: FootPlan, left: float, high: float) -> None:
    """Draw a section across at the crest, seen from behind."""
    point = _through(foot)
    if point is None:
        return
    lateral, medial = (float(e[0]) for e in edges_at(np.asarray(foot.base.outline), point[:1]))
    y = np.arange(lateral, medial + 0.25, 0.5)
    cut = cut_through(plan, foot, point[:1], y)
    turn = Turn(foot.side)
    flip = float(turn(np.array([[0.0, 1.0]]))[0][0])
    middle = left + COLUMN / 2 - flip * ACROSS * (lateral + medial) / 2
    floor = float(cut.bed.min()) - foot.base.thickness
    low = 14.0

    def page(at: Array, z: Array) -> Array:
        return np.column_stack([middle + flip * ACROSS * at, low + ACROSS * (z - floor)])

    _stack(canvas, foot, cut, page, floor + ABOVE)
    title = f"{foot.side.upper()} across, {point[0]:.0f} mm from the rear edge ({_where(foot)})"
    write(canvas, left + COLUMN / 2, high - 3.2, title, 2.9, bold=True, align="middle")
    for edge, words in ((lateral, "little-toe side"), (medial, "big-toe side")):
        at = page(np.array([edge]), np.array([floor]))[0]
        align = "end" if at[0] > left + COLUMN / 2 else "start"
        write(canvas, float(at[0]), low - 3.6, words, SMALL, align=align, colour=GREY)
    _rise(canvas, left + 5.0, low, ACROSS)
    if foot.pad is not None:
        _crest_line(canvas, cut, float(point[1]), page, high - 7.3)
    for k, line in enumerate(_figures(foot)):
        write(canvas, left + COLUMN / 2, low - 7.6 - 3.4 * k, line, SMALL, align="middle")


def _along_picture(plan: Plan, foot: FootPlan) -> Any:
    """Return a section along through the crest, heel at the left."""
    point = _through(foot)
    base = np.asarray(foot.base.outline)
    x = np.arange(1.0, float(base[:, 0].max()), 1.0)
    cut = cut_through(plan, foot, x, np.zeros(1) if point is None else point[1:])
    scale = min(ALONG, (WIDE - 10.0) / float(base[:, 0].max()))
    floor = float(cut.bed.min()) - foot.base.thickness
    highest = np.fmax(cut.sole, cut.bed + cut.shim + cut.pad)
    rise = float(np.clip(highest.max() - floor, LEAST, ABOVE))
    low, high = 7.0, 7.0 + scale * rise + 8.5
    left = (WIDE - scale * float(base[:, 0].max())) / 2 + 2.0

    def page(at: Array, z: Array) -> Array:
        return np.column_stack([left + scale * at, low + scale * (z - floor)])

    def paint(canvas: Any) -> None:
        _stack(canvas, foot, cut, page, floor + ABOVE)
        title = f"{foot.side.upper()} along, through the {_where(foot)}"
        write(canvas, left, high - 3.0, title, 2.9, bold=True)
        _stations(canvas, foot, page, floor, high)
        _rise(canvas, left - 5.0, low, scale)

    return drawn(WIDE, high, paint)


def _where(foot: FootPlan) -> str:
    """Return what both sections run through."""
    return "arch apex" if foot.pad is None and foot.contour is None else "crest"


def _stations(canvas: Any, foot: FootPlan, page: Any, floor: float, high: float) -> None:
    """Write mm from the rear edge below a section along, and name heel centre, crest and ball."""
    length = float(np.max(foot.base.outline, axis=0)[0])
    for x in np.arange(0.0, length, 50.0):
        at = page(np.array([x]), np.array([floor]))[0]
        canvas.setStrokeColorRGB(*BLACK)
        canvas.setLineWidth(0.15)
        canvas.line(at[0], at[1] - 0.6, at[0], at[1] - 1.8)
        words = f"{x:g} mm from rear" if x == 0 else f"{x:g}"
        write(canvas, at[0], at[1] - 5.0, words, SMALL, align="start" if x == 0 else "middle")
    found = {"heel centre": foot.landmarks.get("heel_centre"), "ball": foot.landmarks.get("mth1")}
    places = {name: mark[0] for name, mark in found.items() if mark is not None}
    if (made := foot.pad or foot.contour) is not None:
        places["crest"] = made.crest.from_rear
    for name, x in places.items():
        at = page(np.array([x]), np.array([floor]))[0]
        line = np.array([(at[0], at[1]), (at[0], high - 7.2)])
        stroke(canvas, line, GREY, 0.15, close=False, dash=(1.0, 0.8))
        words = "joint of the big toe" if name == "ball" else name
        write(canvas, at[0], high - 6.6, words, SMALL, align="middle", colour=GREY)


def _stack(canvas: Any, foot: FootPlan, cut: Cut, page: Any, top: float) -> None:
    """Fill base, shim, pad and what is left open; draw bed and sole."""
    at, bed = cut.at, cut.bed
    on_shim, on_pad = bed + cut.shim, bed + cut.shim + cut.pad
    sole = np.minimum(np.maximum(cut.sole, on_pad), top)
    seen = np.isfinite(sole) & (cut.sole < top)
    for span in _runs(seen):
        _fill(canvas, page, at[span], on_pad[span], sole[span], OPEN_FILL)
    _fill(canvas, page, at, bed - foot.base.thickness, bed, BASE_FILL)
    for low, high, colour in ((bed, on_shim, SHIM_FILL), (on_shim, on_pad, PAD_FILL)):
        for span in _runs(high - low > 0.02):
            _fill(canvas, page, at[span], low[span], high[span], colour)
            edge = BLUE if colour is PAD_FILL else ORANGE
            stroke(canvas, page(at[span], high[span]), edge, 0.3, close=False)
    for line, weight in ((bed - foot.base.thickness, 0.35), (bed, 0.2)):
        stroke(canvas, page(at, line), BLACK, weight, close=False)
    for span in _runs(seen):
        stroke(canvas, page(at[span], sole[span]), BLACK, 0.6, close=False)


def _runs(mask: NDArray[np.bool_]) -> list[slice]:
    """Return where a mask holds, run by run, of two nodes or more."""
    labels, _ = ndimage.label(mask)
    return [run[0] for run in ndimage.find_objects(labels) if run[0].stop - run[0].start > 1]


def _fill(canvas: Any, page: Any, at: Array, low: Array, high: Array, colour: Any) -> None:
    ring = np.vstack([page(at, low), page(at, high)[::-1]])
    canvas.setFillColorRGB(*colour)
    canvas.drawPath(ring_path(canvas, ring), stroke=0, fill=1)


def _crest_line(canvas: Any, cut: Cut, y: float, page: Any, high: float) -> None:
    """Draw a line up from the crest to its name."""
    k = int(np.argmin(np.abs(cut.at - y)))
    foot_of_it = page(cut.at[k : k + 1], cut.bed[k : k + 1])[0]
    line = np.array([foot_of_it, (foot_of_it[0], high)])
    stroke(canvas, line, GREY, 0.15, close=False, dash=(1.0, 0.8))
    write(canvas, float(foot_of_it[0]), high + 0.5, "crest", SMALL, align="middle", colour=GREY)


def _rise(canvas: Any, x: float, low: float, scale: float) -> None:
    """Draw an upright scale of 20 mm."""
    canvas.setStrokeColorRGB(*BLACK)
    canvas.setLineWidth(0.15)
    canvas.line(x, low, x, low + 20 * scale)
    for z in (0, 10, 20):
        canvas.line(x - 0.8, low + z * scale, x, low + z * scale)
    write(canvas, x - 1.2, low + 20 * scale - 0.9, "20", SMALL, align="end")
    write(canvas, x - 1.2, low - 0.9, "0", SMALL, align="end")


def _figures(foot: FootPlan) -> list[str]:
    """Return the mm of what a section shows, in two lines."""
    base = f"base {foot.base.thickness:.1f} mm"
    inside = [w for w in foot.wedges if w.place is not WedgePlace.UNDER]
    shims = [
        f"shim {w.place.value.split()[-1]} {w.thick_edge:.1f} mm at its thick edge" for w in inside
    ]
    pad, bed = foot.pad, foot.contour
    if bed is not None:
        thick = (
            f"contoured bed {bed.crest.height:.1f} mm thick at the crest, plate {bed.plate:g} mm"
        )
        return [thick, ", ".join(shims)]
    if pad is None:
        return [", ".join(["no pad", base]), ", ".join(shims)]
    gap, left = pad.gap_at_crest, pad.residual_gap
    filled = f"pad {pad.crest.height:.1f} mm"
    if gap.value is not None and left.value is not None:
        filled = (
            f"gap {gap.value:.1f}{spread_words(gap.sd)} mm = pad {pad.crest.height:.1f} mm"
            f" + left open {round(gap.value, 1) - round(pad.crest.height, 1):.1f}"
            f"{spread_words(left.sd)} mm"
        )
    return [filled, ", ".join([base, *shims])]
