"""What is drawn on a template: grid, centreline, shims, pad, joints, names, joins and rulers.

    Drawing, Sheet -> draw_... -> canvas

No white patch behind a word may wipe out a line that is cut or placed by.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.output.ink import (
    BLACK,
    BLUE,
    GREY,
    MIDDLE,
    ORANGE,
    PALE,
    fitted,
    fonts,
    ring_path,
    stroke,
    write,
)
from insole.output.papers.tiles import FACES, MARGIN, RULER, RULER_BAND, Drawing, Sheet
from insole.output.places import (
    PLACE_PART,
    ball_ends,
    ball_lines,
    crest_point,
    metatarsal_crest,
    wedge_lines,
)
from insole.parts.cover import COVER
from insole.planning.dowels import SOCKET_MM
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace, WedgePlan

__all__ = [
    "draw_ball",
    "draw_centreline",
    "draw_dowels",
    "draw_grid",
    "draw_hatch",
    "draw_joins",
    "draw_metatarsal",
    "draw_names",
    "draw_pad",
    "draw_rulers",
    "draw_thick_edge",
    "draw_wedge",
]

HATCH = 8.0  # mm between the lines that mark an underside
NAME_WIDE = 36.0  # mm kept for the names at the heel


def draw_grid(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw the grid that a pad is placed by inside the base; every fifth line darker."""
    base = drawing.foot.base
    if drawing.foot.pad is None and drawing.foot.metatarsal is None:
        return
    canvas.saveState()
    canvas.clipPath(ring_path(canvas, sheet.at(drawing.rings["base"])), stroke=0, fill=0)
    low, high = drawing.low[1], drawing.high[1]
    reach = math.ceil(max(-low, high) / base.grid_step)
    for k in range(-reach, reach + 1):
        line = [(base.grid_from, k * base.grid_step), (base.grid_to, k * base.grid_step)]
        stroke(canvas, sheet.at(line), PALE, 0.1 if k % 5 else 0.25, close=False)
    for k in range(int((base.grid_to - base.grid_from) / base.grid_step + 1e-9) + 1):
        x = base.grid_from + k * base.grid_step
        stroke(canvas, sheet.at([(x, low), (x, high)]), PALE, 0.1 if k % 5 else 0.25, close=False)
    for rule in drawing.grid:  # what the base itself carries
        stroke(canvas, sheet.at(rule), MIDDLE, 0.12, close=False)
    canvas.restoreState()


def draw_centreline(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw the base's centreline with a mark every 10 mm from the rear edge, and the arrow."""
    length = float(drawing.rings["base"][:, 0].max())
    stroke(
        canvas, sheet.at([(0.0, 0.0), (length, 0.0)]), GREY, 0.15, dash=(6, 1, 1, 1), close=False
    )
    tip = _arrow_tip(drawing.foot)
    named = [(box[0], box[2]) for box, _ in _name_places(drawing, sheet)]
    for x in range(10, int(length), 10):
        half = 2.0 if x % 50 == 0 else 1.0
        stroke(canvas, sheet.at([(x, -half), (x, half)]), GREY, 0.15, close=False)
        hidden = any(low - 2.0 < x < high + 2.0 for low, high in [*named, (tip - 19.0, tip + 4.0)])
        if x % 50 == 0 and sheet.shows(x, 2.0) and not hidden:
            px, py = sheet.at((x, 0.0))
            write(
                canvas,
                px + 2.6,
                py - 0.9 + _clear_of_ball(drawing.foot, x),
                f"{x}",
                2.5,
                colour=GREY,
            )
    if sheet.shows(tip - 7.0, 12.0):
        _draw_arrow(canvas, sheet, tip)


def _clear_of_ball(foot: FootPlan, x: float) -> float:
    """Return how far to move a number at bed `x` along the centreline, away from the ball line."""
    ends = ball_ends(foot)
    if ends is None:
        return 0.0
    order = ends[ends[:, 1].argsort()]
    off = x - float(np.interp(0.0, order[:, 1], order[:, 0]))
    return math.copysign(2.6, off) if abs(off) < 3.0 else 0.0


def _arrow_tip(foot: FootPlan) -> float:
    """Return bed x of the arrow's tip: its words end behind the grid and the pad."""
    ends = [foot.base.grid_from, foot.pad.rear_edge] if foot.pad is not None else []
    return min([74.0, *(end - 5.5 for end in ends)])


def _draw_arrow(canvas: Any, sheet: Sheet, at: float) -> None:
    """Draw the arrow from heel to toes on the centreline, its tip at bed x `at`."""
    wing = np.array([2.6, 0.0])
    tail, neck, tip = sheet.at([(at - 14.0, 0.0), (at - 6.0, 0.0), (at, 0.0)])
    stroke(canvas, np.array([tail, neck]), BLACK, 1.2, close=False)
    head = np.array([neck - wing, tip, neck + wing])
    stroke(canvas, head, BLACK, 0.2, fill=BLACK)
    write(canvas, tail[0], tail[1] - 4.0, "HEEL", 2.8, bold=True, align="middle", knock=True)
    write(canvas, tip[0], tip[1] + 1.2, "TOES", 2.8, bold=True, align="middle", knock=True)


def draw_wedge(canvas: Any, drawing: Drawing, wedge: WedgePlan, sheet: Sheet) -> None:
    """Draw a shim: its outline, the ends of the full ramp, the thick edge as a band."""
    full, band = wedge_lines(wedge)
    under = wedge.place is WedgePlace.UNDER
    outline = sheet.at(drawing.rings[PLACE_PART[wedge.place]])
    stroke(canvas, outline, ORANGE, 0.3, dash=(4, 1, 0.6, 1) if under else (2, 1.2))
    for slot in drawing.slots if under else ():
        stroke(canvas, sheet.at(slot), ORANGE, 0.25)
    for line in [] if under else full:
        stroke(canvas, sheet.at(line), ORANGE, 0.35, close=False)
    stroke(canvas, sheet.at(band), ORANGE, 0.1, fill=ORANGE)


def draw_thick_edge(
    canvas: Any, drawing: Drawing, wedge: WedgePlan, sheet: Sheet, leaders: list[Array]
) -> None:
    """Write the thick edge's height along it, where no line passes through the words."""
    from reportlab.pdfbase.pdfmetrics import stringWidth
    from shapely import LineString, Polygon, box, union_all

    _, ring = wedge_lines(wedge)
    band, under = sheet.at(ring), wedge.place is WedgePlace.UNDER
    middle = (band.min(axis=0) + band.max(axis=0)) / 2
    outward = math.copysign(1.0, middle[0] - sheet.axis)
    words, size = f"THICK EDGE {wedge.thick_edge:.1f} mm", 2.4 if under else 2.8
    half = stringWidth(words, fonts()[1], size) / 2 + 0.6
    lines = [LineString(leader) for leader in leaders]
    if under:  # inside the base, where the ball line and the joints are drawn
        lines += _inner_lines(drawing, sheet)
    drawn = union_all(lines)
    outer = Polygon(sheet.at(drawing.rings.get(COVER, drawing.rings["base"])))

    def strip(y: float) -> tuple[float, float]:
        # beside base and cover; under the shoe inside the band, which lies within the base
        row = outer.intersection(box(-500.0, y - half, 500.0, y + half))
        beside = band if under else np.array(row.bounds).reshape(2, 2)
        near, far = (beside[:, 0].min(), beside[:, 0].max())[:: int(outward)]
        towards, start = (-outward, near) if under else (outward, far)
        low, high = sorted((start + towards * 0.9, start + towards * 3.9))
        return low, high

    def clear(y: float) -> bool:
        low, high = strip(y)
        return not drawn.intersects(box(low, y - half, high, y + half))

    low_y, high_y = sheet.zone[1] + half, sheet.zone[3] - half
    places = [float(middle[1]) + shift for shift in sorted(np.arange(-40.0, 40.1, 1.0), key=abs)]
    y = next((y for y in places if low_y <= y <= high_y and clear(y)), float(middle[1]))
    canvas.saveState()
    canvas.translate(strip(y)[1] - 0.5, y)
    canvas.rotate(90)
    write(canvas, 0, 0, words, size, bold=True, align="middle", colour=ORANGE)
    canvas.restoreState()


def _inner_lines(drawing: Drawing, sheet: Sheet) -> list[Any]:
    """Return what is drawn at the ball, page mm: its line, the joints, bolt slots."""
    from shapely import LinearRing, LineString, Point

    foot = drawing.foot
    ends = ball_ends(foot)
    found: list[Any] = [LineString(sheet.at(ends))] if ends is not None else []
    found += [
        Point(sheet.at(foot.landmarks[f"mth{k}"][:2])).buffer(3.0)
        for k in range(1, 6)
        if f"mth{k}" in foot.landmarks
    ]
    found += [LinearRing(sheet.at(slot)) for slot in drawing.slots]
    found += [
        LinearRing(sheet.at(ring))
        for name, ring in drawing.rings.items()
        if name == PLACE_PART[WedgePlace.UNDER]
    ]
    return found


def draw_pad(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw the pad's outline and its crest, tied to the medial edge by a dimension line."""
    from shapely import LineString, Polygon

    pad = drawing.foot.pad
    if pad is None:
        return
    stroke(canvas, sheet.at(drawing.rings["arch-pad"]), BLUE, 0.5)
    crest = crest_point(drawing.foot)
    x, y = crest
    for line in ([(x - 7, y), (x + 7, y)], [(x, y - 7), (x, y + 7)]):
        stroke(canvas, sheet.at(line), BLUE, 0.25, close=False)
    px, py = sheet.at(crest)
    canvas.setStrokeColorRGB(*BLUE)
    canvas.circle(px, py, 2.0, stroke=1, fill=0)
    edge = y + pad.crest.from_medial
    stroke(canvas, sheet.at([(x, y + 7), (x, edge)]), BLUE, 0.12, dash=(1, 0.8), close=False)
    stroke(canvas, sheet.at([(x, 0.0), (x, y - 7)]), BLUE, 0.12, dash=(1, 0.8), close=False)
    if not sheet.shows(x, 2.0):
        return
    across = LineString([(x, y), (x, edge)]).intersection(Polygon(drawing.rings["arch-pad"]))
    inner = edge if across.is_empty else min(edge, float(across.bounds[3]))
    mx, my = sheet.at((x, (y + 7 + inner) / 2))  # between the cross and the pad's own edge
    write(canvas, mx, my + 0.7, f"{pad.crest.from_medial:.1f}", 2.5, align="middle", colour=BLUE)


def draw_metatarsal(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw the metatarsal pad's outline, its crest and its axis, where it is placed on the base."""
    dome = drawing.foot.metatarsal
    if dome is None:
        return
    stroke(canvas, sheet.at(drawing.rings["metatarsal-pad"]), BLUE, 0.5, dash=(3, 0.8))
    crest, turn = metatarsal_crest(drawing.foot), math.radians(dome.turn)
    along = 5.0 * np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    for way in (along, across):
        stroke(canvas, sheet.at([crest - way, crest + way]), BLUE, 0.25, close=False)


def draw_dowels(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw the holes for dowels with their centres, numbered as in the words beside the foot."""
    for k, (x, y) in enumerate(drawing.foot.base.dowels, 1):
        if not sheet.shows(x, 3.0):
            continue
        px, py = sheet.at((x, y))
        canvas.setLineWidth(0.25)
        canvas.setStrokeColorRGB(*BLACK)
        canvas.circle(px, py, SOCKET_MM / 2, stroke=1, fill=0)
        for line in ([(x - 3.5, y), (x + 3.5, y)], [(x, y - 3.5), (x, y + 3.5)]):
            stroke(canvas, sheet.at(line), BLACK, 0.15, close=False)
        write(canvas, px + 2.4, py + 1.0, f"{k}", 2.5, bold=True)


def draw_hatch(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Hatch the inside of the base: the underside is not taken for the foot side."""
    from shapely import LineString, Polygon, get_parts

    base = Polygon(sheet.at(drawing.rings["base"])).buffer(-1.0)
    for (low, left, high, right), _ in _name_places(drawing, sheet):
        box = sheet.at([(low, left), (low, right), (high, right), (high, left)])
        base = base.difference(Polygon(box))
    x0, y0, x1, y1 = base.bounds
    for at in np.arange(x0 - (y1 - y0), x1, HATCH):
        line = LineString([(at, y0), (at + y1 - y0, y1)]).intersection(base)
        for piece in get_parts(line):
            if piece.geom_type == "LineString" and piece.length > 0.5:
                stroke(canvas, np.array(piece.coords), PALE, 0.12, close=False)


def draw_ball(canvas: Any, foot: FootPlan, sheet: Sheet) -> None:
    """Draw the ball line and the numbered metatarsal heads."""
    ends = ball_ends(foot)
    if ends is not None:
        stroke(canvas, sheet.at(ends), BLACK, 0.25, dash=(5, 1.2, 1, 1.2), close=False)
    for k in range(1, 6):
        if f"mth{k}" in foot.landmarks and sheet.shows(foot.landmarks[f"mth{k}"][0], 2.5):
            px, py = sheet.at(foot.landmarks[f"mth{k}"][:2])
            canvas.setLineWidth(0.25)
            canvas.setStrokeColorRGB(*BLACK)
            canvas.setFillColorRGB(1, 1, 1)
            canvas.circle(px, py, 2.3, stroke=1, fill=1)
            write(canvas, px, py - 1.05, f"{k}", 2.9, bold=True, align="middle")


def draw_names(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Write side and face inside the outline, so that they stay on the cut template."""
    side, face = drawing.foot.side.upper(), FACES[sheet.face][1]
    for (low, left, high, right), size in _name_places(drawing, sheet):
        if not sheet.shows((low + high) / 2, (high - low) / 2):
            continue
        px, py = sheet.at(((low + high) / 2, (left + right) / 2))
        py += (high - low) / 2 - size
        write(canvas, px, py, side, size, bold=True, align="middle", knock=True)
        write(canvas, px, py - 4.2, face, 3.0, bold=True, align="middle", knock=True)
        if size > 6:
            words = f"{drawing.plan.case} · plan {drawing.plan.version}"
            words = fitted(words, 2.4, NAME_WIDE)
            write(canvas, px, py - 8.0, words, 2.4, align="middle", knock=True)


@lru_cache(maxsize=1)  # asked for by axis, hatching and names of each sheet
def _name_places(
    drawing: Drawing, sheet: Sheet
) -> list[tuple[tuple[float, float, float, float], float]]:
    """Return boxes (x, y, x, y in the bed frame) and letter sizes of the names.

    Each lies inside the base as near as can be to where it is looked for, and covers no line but
    the centreline; a name that finds no such place is left out, the other one stays.
    """
    from shapely import LinearRing, Polygon, box, union_all
    from shapely.prepared import prep

    base = Polygon(drawing.rings["base"]).buffer(0)
    length = float(drawing.rings["base"][:, 0].max())
    inner = [ring for name, ring in drawing.rings.items() if name not in ("base", "foot")]
    lines = [LinearRing(ring) for ring in inner]
    lines += [LinearRing(ring) for ring in (*drawing.spots, *drawing.slots)]
    lines += ball_lines(drawing.foot)
    for wedge in drawing.foot.wedges:
        full, band = wedge_lines(wedge)
        lines += [Polygon(band), *(LinearRing([*line, line[0]]) for line in full)]
    lines += [box(x - 3.0, -500.0, x + 3.0, 500.0) for x, _ in sheet.joins]
    tip = _arrow_tip(drawing.foot)
    taken = union_all([*lines, box(tip - 20.0, -6.0, tip + 5.0, 6.0)]).buffer(0.6)
    found = []
    sizes = ((0.105 * length, 7.0, 16.5, NAME_WIDE), (0.9 * length, 5.0, 10.5, 24.0))
    for x, size, high, wide in sizes:
        free = prep(base.buffer(-1.5).difference(taken))
        spots = [(x + dx, dy) for dx in range(-40, 41, 2) for dy in range(-30, 31, 2)]
        spots.sort(key=lambda at: (at[0] - x) ** 2 + at[1] ** 2)
        boxes = ((a - high / 2, b - wide / 2, a + high / 2, b + wide / 2) for a, b in spots)
        place = next((one for one in boxes if free.contains(box(*one))), None)
        if place is not None:
            found.append((place, size))
    return found


def draw_joins(canvas: Any, sheet: Sheet) -> None:
    """Draw the join line, its register crosses and the end of the drawing on each tile."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    left, bottom, right, top = sheet.zone
    for x, neighbour in sheet.joins:
        y = float(sheet.at((x, 0.0))[1])
        stroke(canvas, np.array([(left, y), (right, y)]), BLACK, 0.2, dash=(3, 1.5), close=False)
        for px in (left + 4.0, right - 4.0):
            canvas.setLineWidth(0.2)
            canvas.circle(px, y, 2.0, stroke=1, fill=0)
            stroke(canvas, np.array([(px, y - 3.5), (px, y + 3.5)]), BLACK, 0.2, close=False)
        edge = top if neighbour > sheet.number else bottom
        stroke(canvas, np.array([(left, edge), (right, edge)]), PALE, 0.15, close=False)
        words = f"cut here, lay on tile {neighbour} cross on cross"
        if neighbour < sheet.number:  # one of two tiles is cut, or they do not overlap
            words = f"do not cut: tile {neighbour} lies on here, cross on cross"
        shift = -3.4 if neighbour > sheet.number else 1.4  # on the side that is kept
        wide = stringWidth(words, fonts()[0], 2.4) + 1.0
        canvas.setFillColorRGB(1, 1, 1)  # no line passes through the words
        canvas.rect((left + right - wide) / 2, y + shift - 0.7, wide, 2.9, stroke=0, fill=1)
        write(canvas, (left + right) / 2, y + shift, words, 2.4, align="middle")


def draw_rulers(canvas: Any, sheet: Sheet) -> None:
    """Draw a 100 mm ruler across and one along; the end ticks are exactly 100 mm apart."""
    x0, y0 = sheet.ruler, MARGIN + 2.0
    canvas.setLineWidth(0.15)
    canvas.setStrokeColorRGB(*BLACK)
    for turned in (False, True):
        canvas.saveState()
        if turned:
            canvas.translate(MARGIN + 2.0, MARGIN + RULER_BAND)
            canvas.transform(0, 1, 1, 0, 0, 0)  # along and across swapped, ticks stay inward
        else:
            canvas.translate(x0, y0)
        canvas.line(0, 0, RULER, 0)
        for k in range(0, 101, 5):
            tall = 5.0 if k in (0, 100) else 3.0 if k % 10 == 0 else 1.6
            canvas.line(k, 0, k, tall)
        canvas.restoreState()
    for k, words, align, shift in (
        (0, "0", "start", 0.7),
        (50, "50", "start", 0.7),
        (100, "100 mm", "end", -0.7),
    ):
        write(canvas, x0 + k + shift, y0 + 3.5, words, 2.3, align=align)
        canvas.saveState()
        canvas.translate(MARGIN + 2.0 + 5.3, MARGIN + RULER_BAND + k + shift)
        canvas.rotate(90)
        write(canvas, 0, 0, words, 2.3, align=align)
        canvas.restoreState()
