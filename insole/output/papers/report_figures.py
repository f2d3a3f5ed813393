"""The report's maps of the sole: heights above the bed, with what is planned where.

    FootPlan (sole, pad, shims, base), shoe -> sole_maps -> flowable, mm

Seen from above, as riders see their own feet: toes up, the left foot at the left, big toes inward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.output.ink import BLACK, GREY, MIDDLE, ORANGE, ring_path, stroke, wrapped, write
from insole.output.papers.flow import WIDE, drawn
from insole.output.papers.shades import HEIGHTS, Box, Scale, coloured, image, legend
from insole.output.phrases import spread_words
from insole.output.pictures.turn import Turn
from insole.output.places import (
    ball_lines,
    crest_point,
    metatarsal_crest,
    spread,
    tender_spots,
    tender_words,
)
from insole.planning.seating import planned_bed
from insole.planning.support.tops import spline_of
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace

__all__ = ["COLUMN", "NO_SOLE", "SMALL", "Place", "above_bed", "sole_maps"]

NO_SOLE = (
    "No heights of the sole: the plan was made by an earlier version, or the scan shows no sole."
    " Plan again from the scan for them."
)
SMALL = 2.6  # mm, letters: more than 7 points
NAME = 4.2
COLUMN = WIDE / 2
SCALE = 0.5  # of the maps
NOTES = 37.0  # mm beside a map, less beside a broad one
CELL = 0.5  # mm of the foot that a pixel shows
CONTOUR = 2.0
WHITE = (1.0, 1.0, 1.0)
MARKED = ("Arch pad", "Shim")  # notes whose line ends in a dot; a symbol stands at other places


@dataclass(frozen=True, slots=True)
class Place:
    """From a foot's bed frame to the page: where its origin lies, and how large it is drawn."""

    turn: Turn
    x: float
    y: float
    scale: float

    def __call__(self, points: Any) -> Array:
        """Return page mm, shape (n, 2)."""
        across, up = self.turn(points)
        return np.column_stack([self.x + self.scale * across, self.y + self.scale * up])


def above_bed(plan: Plan, foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the sole's height above the bed at the nodes, mm, shape (nx, ny).

    Above a flat bed where no shoe is known.

    Raises
    ------
    ValueError
        The plan keeps no sole.
    """
    if foot.sole is None:
        raise ValueError("the plan keeps no sole")
    return np.asarray(spline_of(foot.sole)(x, y)) - planned_bed(plan, foot, x, y)


# ---- from above --------------------------------------------------------------------------


def sole_maps(plan: Plan) -> Any:
    """Return the height maps of the planned feet, each in its own column, with one legend."""
    high = max(float(np.max(foot.base.outline, axis=0)[0]) for foot in plan.feet) * SCALE
    maps = {foot.side: _heights(plan, foot) for foot in plan.feet}
    tops = [float(np.nanpercentile(z, 95.0)) for _, _, z in maps.values() if np.isfinite(z).any()]
    top = float(np.clip(2 * np.ceil(max(tops, default=10.0) / 2), 8.0, 30.0))
    below = 13.0 if tops else 7.0

    def paint(canvas: Any) -> None:
        for foot in plan.feet:
            _sole_map(canvas, plan, foot, maps[foot.side], top, below + 1.0, high)
        for side, left in (("left", 0.0), ("right", COLUMN)):
            if getattr(plan, side) is None:
                words = f"{side} foot: not planned"
                write(
                    canvas,
                    left + COLUMN / 2,
                    below + high / 2,
                    words,
                    3.2,
                    align="middle",
                    colour=GREY,
                )
        if tops:
            bed = "above the shoe's bed" if plan.shoe is not None else "above a flat bed"
            words = f"height of the sole {bed}, mm; a line each {CONTOUR:g} mm"
            step = 2.0 if top <= 16 else 4.0
            legend(canvas, (62.0, 4.2), 66.0, Scale(top, HEIGHTS, step, words))
        _scale_bar(canvas, 2.0, 4.2, SCALE)

    return drawn(WIDE, high + below + 7.5, paint)


def _heights(plan: Plan, foot: FootPlan) -> tuple[Array, Array, Array]:
    """Return nodes and heights above the bed within the foot's outline, NaN elsewhere."""
    from shapely import Polygon, contains_xy

    ring = np.asarray(foot.foot_outline)
    low, high = ring.min(axis=0), ring.max(axis=0)
    x, y = (np.arange(low[k] - 1.0, high[k] + 1.0 + CELL, CELL) for k in range(2))
    if foot.sole is None:
        return x, y, np.full((len(x), len(y)), np.nan)
    z = np.maximum(above_bed(plan, foot, x, y), 0.0)
    inside = contains_xy(Polygon(ring).buffer(CELL), *np.meshgrid(x, y, indexing="ij"))
    return x, y, np.where(inside, z, np.nan)


def _sole_map(
    canvas: Any,
    plan: Plan,
    foot: FootPlan,
    found: tuple[Array, Array, Array],
    top: float,
    low: float,
    high: float,
) -> None:
    """Draw one foot from above with what is planned for it, and notes at its outer side."""
    turn = Turn(foot.side)
    base = np.asarray(foot.base.outline)
    # lateral border of the base beside the notes, so that the big toes look at each other
    notes = _notes_room(foot)
    out = notes + 2.0 - SCALE * float(base[:, 1].min())
    middle = out if foot.side == "left" else WIDE - out
    place = Place(turn, middle, low, SCALE)
    stroke(canvas, place(base), MIDDLE, 0.25, fill=(0.95, 0.95, 0.94))
    _paint_heights(canvas, place, foot, found, top)
    for wedge in foot.tilts:
        dash = (2.0, 0.7, 0.5, 0.7) if wedge.place is WedgePlace.UNDER else (2.0, 0.9)
        stroke(canvas, place(wedge.outline), WHITE, 0.75)
        stroke(canvas, place(wedge.outline), ORANGE, 0.4, dash=dash)
    if foot.pad is not None:
        for colour, weight in ((WHITE, 0.9), (BLACK, 0.45)):
            stroke(canvas, place(foot.pad.outline), colour, weight)
    if foot.metatarsal is not None:
        for colour, weight in ((WHITE, 0.9), (BLACK, 0.45)):
            stroke(canvas, place(foot.metatarsal.outline), colour, weight)
    _landmarks(canvas, plan, foot, place)
    if foot.pad is not None:
        _cross(canvas, place([crest_point(foot)])[0], 3.0)
    _notes(canvas, plan, foot, place, low + high, notes)
    write(canvas, middle, low + high + 1.8, foot.side.upper(), NAME, bold=True, align="middle")


def _paint_heights(
    canvas: Any, place: Place, foot: FootPlan, found: tuple[Array, Array, Array], top: float
) -> None:
    """Draw heights in colour inside the foot's outline, with contour lines."""
    x, y, z = found
    ring = place(foot.foot_outline)
    if np.isfinite(z).any():
        filled = np.where(np.isfinite(z), z, top)
        across = place.turn(np.column_stack([np.zeros_like(y), y]))[0]
        order = np.argsort(across)
        pixels = coloured(filled[::-1][:, order], top, HEIGHTS)
        low = place.x + place.scale * (float(across.min()) - CELL / 2)
        size = place.scale * CELL
        near = place.y + place.scale * (float(x[0]) - CELL / 2)
        box = Box(low, near, size * len(y), size * len(x))
        image(canvas, pixels, box, clip=ring_path(canvas, ring))
        _contours(canvas, place, found, top)
    stroke(canvas, ring, BLACK, 0.3)


def _contours(canvas: Any, place: Place, found: tuple[Array, Array, Array], top: float) -> None:
    """Draw a line each 2 mm of height as smooth paths; each fifth is thicker."""
    from skimage import measure

    x, y, z = found
    coarse = 2  # every other node is enough for a line
    heights, x, y = z[::coarse, ::coarse], x[::coarse], y[::coarse]
    for level in np.arange(CONTOUR, top + 1e-6, CONTOUR):
        tone = HEIGHTS[-1] / 255.0 if level < 0.55 * top else HEIGHTS[0] / 255.0
        weight = 0.3 if level % (5 * CONTOUR) < 1e-6 else 0.14
        for line in measure.find_contours(heights, level):
            if len(line) > 8:
                at = np.column_stack(
                    [
                        np.interp(line[:, 0], np.arange(len(x)), x),
                        np.interp(line[:, 1], np.arange(len(y)), y),
                    ]
                )[:: 2 if len(line) > 40 else 1]
                stroke(canvas, place(at), tuple(tone), weight, close=False)


def _landmarks(canvas: Any, plan: Plan, foot: FootPlan, place: Place) -> None:
    """Draw ball line and heads, heel centre, arch apex and tender spots."""
    for shape in ball_lines(foot)[:1]:
        if shape.geom_type == "LineString":
            for colour, weight in ((WHITE, 0.8), (BLACK, 0.3)):
                stroke(
                    canvas,
                    place(shape.coords),
                    colour,
                    weight,
                    close=False,
                    dash=(2.0, 0.8) if weight < 0.5 else None,
                )
    for name, at in foot.landmarks.items():
        px, py = map(float, place([at[:2]])[0])
        if name in ("mth1", "mth2", "mth3", "mth4", "mth5"):
            _disc(canvas, px, py, 1.9)
            write(canvas, px, py - 0.95, name[-1], SMALL, align="middle")
        elif name == "heel_centre":
            _disc(canvas, px, py, 1.1)
        elif name == "arch_apex":
            diamond = np.array([(px, py + 1.7), (px + 1.7, py), (px, py - 1.7), (px - 1.7, py)])
            stroke(canvas, diamond, BLACK, 0.3, fill=WHITE)
    radius = place.scale * of_plan(plan).value("keepout.tender_radius")
    for spot in tender_spots(plan, foot.side):
        px, py = map(float, place([spot])[0])
        for colour, weight, dash in ((WHITE, 1.0, []), (BLACK, 0.5, [1.2, 0.7])):
            canvas.setStrokeColorRGB(*colour)
            canvas.setLineWidth(weight)
            canvas.setDash(dash, 0)
            canvas.circle(px, py, radius, stroke=1, fill=0)
        canvas.setDash([], 0)


def _disc(canvas: Any, x: float, y: float, radius: float) -> None:
    canvas.setStrokeColorRGB(*BLACK)
    canvas.setFillColorRGB(1, 1, 1)
    canvas.setLineWidth(0.25)
    canvas.circle(x, y, radius, stroke=1, fill=1)


def _cross(canvas: Any, at: Array, reach: float) -> None:
    x, y = map(float, at)
    for colour, weight in ((WHITE, 1.2), (BLACK, 0.5)):
        for ends in ([(x - reach, y), (x + reach, y)], [(x, y - reach), (x, y + reach)]):
            stroke(canvas, np.array(ends), colour, weight, close=False)


def _scale_bar(canvas: Any, x: float, y: float, scale: float) -> None:
    """Draw a bar of 50 mm in the scale of a map, its upper left corner near (x, y)."""
    for k in range(5):
        canvas.setFillColorRGB(*(BLACK if k % 2 == 0 else WHITE))
        canvas.setStrokeColorRGB(*BLACK)
        canvas.setLineWidth(0.15)
        canvas.rect(x + 10 * k * scale, y, 10 * scale, 1.6, stroke=1, fill=1)
    write(canvas, x, y - 3.3, "0", SMALL, align="start")
    write(canvas, x + 50 * scale, y - 3.3, "50 mm", SMALL, align="middle")
    write(canvas, x, y + 2.8, f"scale 1 : {1 / scale:g}", SMALL)


def _notes_room(foot: FootPlan) -> float:
    """Return how wide notes may be, so that a broad base stays in its own column."""
    return min(NOTES, COLUMN - 3.5 - SCALE * float(np.ptp(np.asarray(foot.base.outline)[:, 1])))


def _notes(canvas: Any, plan: Plan, foot: FootPlan, place: Place, top: float, room: float) -> None:
    """Write what lies where beside the map, each with a line to it."""
    notes = sorted(_note_list(plan, foot), key=lambda note: -float(note[0][0]))
    lines = [wrapped(words, SMALL, room - 3.0) for _, _, words in notes]
    sizes = [3.6 + 3.15 * len(block) + 1.6 for block in lines]
    points = place([at for at, _, _ in notes]) if notes else np.zeros((0, 2))
    tops = spread((points[:, 1] + 1.2).tolist(), sizes, top, place.y)
    left = foot.side == "left"
    edge = room - 2.0 if left else WIDE - room + 2.0
    for (_, title, _), block, at, y in zip(notes, lines, points, tops, strict=True):
        align = "end" if left else "start"
        write(canvas, edge, y - 2.8, title, 2.9, bold=True, align=align)
        for k, line in enumerate(block):
            write(canvas, edge, y - 6.1 - 3.15 * k, line, SMALL, align=align)
        start = np.array([edge + (0.8 if left else -0.8), y - 1.8])
        away = start - at
        end = at if title.startswith(MARKED) else at + 2.0 * away / np.hypot(*away)
        for colour, weight in ((WHITE, 0.5), (GREY, 0.18)):
            stroke(canvas, np.array([start, end]), colour, weight, close=False)
        if title.startswith(MARKED):
            canvas.setFillColorRGB(*BLACK)
            canvas.circle(float(at[0]), float(at[1]), 0.45, stroke=0, fill=1)


def _note_list(plan: Plan, foot: FootPlan) -> list[tuple[Array, str, str]]:
    """Return place, title and words of what a map points at."""
    notes: list[tuple[Array, str, str]] = []
    marks, pad = foot.landmarks, foot.pad
    if "arch_apex" in marks:
        at = np.array(marks["arch_apex"][:2])
        sd = spread_words(foot.landmark_sd.get("arch_apex"))
        notes.append((at, "Arch apex ◇", f"{at[0]:.0f}{sd} mm from the rear edge"))
    if pad is not None:
        ring = np.asarray(pad.outline)
        front = ring[np.argmin(ring[:, 1] - 0.35 * ring[:, 0])]  # outer front corner, or near it
        crest = f"crest +: {pad.crest.height:.1f} mm high, {pad.crest.from_rear:.0f} mm from rear"
        notes.append((front, "Arch pad", crest))
    if foot.metatarsal is not None:
        dome = foot.metatarsal
        words = f"{dome.height:.1f} mm high, {dome.crest.from_rear:.0f} mm from rear"
        notes.append((metatarsal_crest(foot), "Metatarsal pad", words))
    built = foot.contour.posting if foot.contour is not None else []
    for wedge in foot.tilts:
        ring = np.asarray(wedge.outline)
        at = ring[np.argmin(ring[:, 1])]
        words = f"{wedge.words}, {wedge.thick_edge:.1f} mm there"
        title = "Wedge built in" if wedge in built else f"Shim {wedge.place.value}"
        notes.append((at, title, words))
    if "heel_centre" in marks:
        notes.append((np.array(marks["heel_centre"][:2]), "Heel centre ○", ""))
    if "mth5" in marks:
        words = "1 at the big toe to 5 at the little toe"
        notes.append((np.array(marks["mth5"][:2]), "Metatarsal heads", words))
    for k, spot in enumerate(tender_spots(plan, foot.side)):
        words = tender_words(foot, k).partition(",")[0]
        words = f"{words}, {spot[0]:g} mm from the rear edge"
        notes.append((np.array(spot), "Tender spot", words))
    return notes
