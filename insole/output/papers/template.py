"""The placement template: both feet at full size on paper, face up and face down.

    Plan, Parts -> write_template -> PDF, A4 or Letter

Each page shows one foot seen from one side, toes up, with a 100 mm check ruler across and along.
A foot longer than the page runs over several tiles, which overlap by 10 mm and carry register
crosses on a common join line.

Lengths on a page are millimetres: the canvas is scaled once per page, so that a drawn
millimetre is one on paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import OutputError
from insole.output.ink import (
    BLACK,
    BLUE,
    GREY,
    MM,
    ORANGE,
    PALE,
    Colour,
    drawn,
    stroke,
    wrapped,
    write,
)
from insole.output.papers.template_extras import draw_extras, extra_callouts, extra_rows
from insole.output.papers.template_lines import (
    draw_ball,
    draw_centreline,
    draw_dowels,
    draw_grid,
    draw_hatch,
    draw_joins,
    draw_metatarsal,
    draw_names,
    draw_pad,
    draw_rulers,
    draw_thick_edge,
    draw_wedge,
)
from insole.output.papers.tiles import (
    FACES,
    MARGIN,
    PAPERS,
    RULER_BAND,
    Drawing,
    Sheet,
    drawing_of,
    sheets,
)
from insole.output.phrases import passed_line
from insole.output.places import (
    ball_ends,
    crest_point,
    metatarsal_crest,
    metatarsal_words,
    spread,
    taper_words,
    tender_spots,
    turn_words,
)
from insole.parts.part import Part
from insole.planning.dowels import PAD_DEPTH_MM, SOCKET_MM, base_depth
from insole.record.plan import Plan
from insole.record.planned_parts import WedgePlace, WedgePlan

__all__ = ["write_template"]


NOTCH_WORDS = "big-toe side; notches of different parts need not line up"
NOTICE = (
    "Print at 100 % (actual size, no fit to page). Before cutting, measure both rulers: each must"
    " be 100 mm. Copy crest and shim lines before trimming. Cut on the middle of the line."
)
BELOW_NOTICE = (
    "UNDERSIDE, outline only: lines to place parts by are on the page seen from above. Print at"
    " 100 %, both rulers 100 mm. Cut on the middle of the line."
)
TILES_NOTICE = "At each join cut one tile only, the other one lies under it."


def write_template(path: str | Path, plan: Plan, parts: Sequence[Part], paper: str = "a4") -> None:
    """Write the 1:1 placement template of `plan` as a PDF; same plan, same bytes.

    Parameters
    ----------
    path : path-like
        File to write; replaced as a whole or not at all.
    plan : Plan
        Every length in mm, bed frame.
    parts : sequence of Part
        Worn parts; an outline found here (by side and name) is drawn instead of the plan's.
    paper : {"a4", "letter"}
        Sheet, upright.

    Raises
    ------
    ValueError
        `paper` is not one of :data:`PAPERS`.
    insole.errors.OutputError
        The plan has no foot, the foot is wider than the sheet, or the file cannot be written.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, got {paper!r}")
    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no template to draw: plan one first")
    width, height = PAPERS[paper]
    title = f"Placement template, {plan.case}, plan {plan.version}"
    with drawn(path, title, PAPERS[paper]) as canvas:
        canvas.setCreator(" ".join(plan.tool.get(key, "") for key in ("name", "version")).strip())
        for foot in plan.feet:
            drawing = drawing_of(plan, foot, parts)
            for face in FACES:
                for sheet in sheets(drawing, face, width, height):
                    canvas.scale(MM, MM)
                    _draw_page(canvas, drawing, sheet)
                    canvas.showPage()


def _draw_page(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw one tile: the foot inside its zone, rulers, joins and the words beside it."""
    canvas.saveState()
    left, bottom, right, top = sheet.zone
    clip = canvas.beginPath()
    clip.rect(left, bottom, right - left, top - bottom)
    canvas.clipPath(clip, stroke=0, fill=0)
    if sheet.face == "above":
        _draw_placement(canvas, drawing, sheet)
    else:  # nothing is placed by a page that shows the underside: only what is cut and read
        draw_hatch(canvas, drawing, sheet)
        draw_centreline(canvas, drawing, sheet)
        stroke(canvas, sheet.at(drawing.rings["base"]), BLACK, 0.35)
        draw_extras(canvas, drawing, sheet)
    draw_names(canvas, drawing, sheet)
    canvas.restoreState()
    draw_joins(canvas, sheet)
    draw_rulers(canvas, sheet)
    leaders = _draw_column(canvas, drawing, sheet)
    for wedge in drawing.foot.wedges if sheet.face == "above" else ():
        if sheet.owns((wedge.full_from + wedge.full_to) / 2):
            draw_thick_edge(canvas, drawing, wedge, sheet, leaders)


def _draw_placement(canvas: Any, drawing: Drawing, sheet: Sheet) -> None:
    """Draw what parts are placed by, and the outline to cut."""
    draw_grid(canvas, drawing, sheet)
    draw_centreline(canvas, drawing, sheet)
    for wedge in drawing.foot.wedges:
        draw_wedge(canvas, drawing, wedge, sheet)
    stroke(canvas, sheet.at(drawing.rings["foot"]), GREY, 0.2, dash=(0.5, 1.2))
    draw_pad(canvas, drawing, sheet)
    draw_metatarsal(canvas, drawing, sheet)
    draw_dowels(canvas, drawing, sheet)
    stroke(canvas, sheet.at(drawing.rings["base"]), BLACK, 0.35)
    draw_ball(canvas, drawing.foot, sheet)
    for ring in drawing.spots:
        stroke(canvas, sheet.at(ring), BLACK, 0.4, dash=(1.4, 0.9))
    draw_extras(canvas, drawing, sheet)


def _draw_column(canvas: Any, drawing: Drawing, sheet: Sheet) -> list[Array]:
    """Write title, instruction, callouts and the key beside the foot; return the leaders."""
    left, right = sheet.zone[2] + 2.0, sheet.page[0] - MARGIN
    top = _draw_title(canvas, drawing, sheet, left, right)
    blocks = []
    for target, title, words in _callouts(drawing, sheet) if sheet.face == "above" else ():
        if sheet.owns(float(target[0])):
            lines = wrapped(title, 2.8, right - left - 3, bold=True)
            body = wrapped(words, 2.7, right - left - 3)
            blocks.append((sheet.at(target), lines, body))
    blocks.sort(key=lambda block: -block[0][1])
    sizes = [3.4 * (len(lines) + len(body)) + 2.2 for _, lines, body in blocks]
    key, bottom = _key_rows(drawing, sheet), MARGIN + RULER_BAND + 2.0
    if top - bottom - sum(sizes) > 3.8 * len(key) + 4.0:  # numbers before the key
        _draw_key(canvas, key, left, bottom)
        bottom += 3.8 * len(key) + 2.0
    tops = spread([float(block[0][1]) + 1.5 for block in blocks], sizes, top, bottom)
    leaders = []
    for (point, lines, body), y in zip(blocks, tops, strict=True):
        elbow = np.array([left + 1.0, y - 2.0])
        leader = np.array([point, elbow, (elbow[0] + 1.4, elbow[1])])
        leaders.append(leader)
        stroke(canvas, leader, GREY, 0.12, close=False)
        canvas.setFillColorRGB(*GREY)
        canvas.circle(point[0], point[1], 0.5, stroke=0, fill=1)
        for k, line in enumerate(lines + body):
            write(canvas, left + 3, y - 3.0 - 3.4 * k, line, 2.7, bold=k < len(lines))
    return leaders


def _draw_title(canvas: Any, drawing: Drawing, sheet: Sheet, left: float, right: float) -> float:
    """Write side, view and instruction; return the y below them."""
    plan, y = drawing.plan, sheet.page[1] - MARGIN
    write(canvas, left, y - 9.5, drawing.foot.side.upper(), 12.5, bold=True)
    y -= 16.0
    view, face = FACES[sheet.face]
    pages = f"tile {sheet.number} of {sheet.count}" if sheet.count > 1 else "one page, full size"
    shoe = f"shoe: {plan.shoe_name}" if plan.shoe_name else "no shoe given: trial only"
    for words, size, bold in (
        (view, 4.2, True),
        (f"– {face}", 4.2, True),
        (f"{plan.case} · plan {plan.version} · {pages}", 2.8, True),
        (shoe, 2.7, False),
        (NOTICE if sheet.face == "above" else BELOW_NOTICE, 2.7, False),
        *([(TILES_NOTICE, 2.7, True)] if sheet.count > 1 else []),
        *((passed_line(over), 2.5, False) for over in plan.overrides),
    ):
        for line in wrapped(words, size, right - left, bold=bold):
            write(canvas, left, y, line, size, bold=bold)
            y -= size * 1.3
        y -= 0.6
    return y


def _key_rows(
    drawing: Drawing, sheet: Sheet
) -> list[tuple[str, Colour, float, tuple[float, ...] | None]]:
    """Return words, colour, weight and dashes of the lines that this foot uses, lowest first."""
    foot = drawing.foot
    border = "base: cut here" if foot.contour is None else "contoured bed: its border"
    if sheet.face == "below":
        return [*extra_rows(drawing, "below"), (border, BLACK, 0.35, None)]
    places = {wedge.place for wedge in foot.wedges}
    rows = [
        (
            f"placement grid {foot.base.grid_step:g} mm",
            PALE,
            0.3,
            None,
            foot.pad is not None or foot.metatarsal is not None,
        ),
        ("outline of the foot", GREY, 0.2, (0.5, 1.2), True),
        ("tender spot", BLACK, 0.4, (1.4, 0.9), bool(drawing.spots)),
        ("ball line", BLACK, 0.25, (5, 1.2, 1, 1.2), ball_ends(foot) is not None),
        ("shim under the shoe", ORANGE, 0.3, (4, 1, 0.6, 1), WedgePlace.UNDER in places),
        ("shim, tapered out", ORANGE, 0.3, (2, 1.2), bool(places - {WedgePlace.UNDER})),
        ("shim, full ramp", ORANGE, 0.35, None, bool(places - {WedgePlace.UNDER})),
        ("metatarsal pad edge", BLUE, 0.5, (3, 0.8), foot.metatarsal is not None),
        ("pad edge", BLUE, 0.5, None, foot.pad is not None),
        (border, BLACK, 0.35, None, True),
    ]
    shown = [(words, colour, weight, dash) for words, colour, weight, dash, show in rows if show]
    return [*extra_rows(drawing, "above"), *shown]


def _draw_key(canvas: Any, rows: list[Any], left: float, bottom: float) -> None:
    """Draw a sample of each line with its name."""
    for k, (words, colour, weight, dash) in enumerate(rows):
        y = bottom + 3.8 * k
        line = np.array([(left, y + 0.9), (left + 12.0, y + 0.9)])
        stroke(canvas, line, colour, weight, dash=dash, close=False)
        write(canvas, left + 14.0, y, words, 2.6)


def _callouts(drawing: Drawing, sheet: Sheet) -> list[tuple[Array, str, str]]:
    """Return what the words beside the foot point at: target in the bed frame, title, text."""
    foot, found = drawing.foot, []
    ends = ball_ends(foot)
    if ends is not None:
        heads = [
            f"MTH{k} {foot.landmarks[f'mth{k}'][0]:.0f}"
            for k in (1, 5)
            if f"mth{k}" in foot.landmarks
        ]
        words = f"{' mm, '.join(heads)} mm from rear edge" if heads else "across the foot"
        near, far = ends if sheet.across * (ends[0, 1] - ends[1, 1]) > 0 else ends[::-1]
        found.append((near + 0.06 * (far - near), "Ball line", words))
    if foot.contour is not None:
        made = foot.contour
        words = (
            f"{made.crest.from_rear:.1f} mm from rear edge, {made.crest.from_medial:.1f} mm from"
            f" the base's medial edge; heel cup {made.cup:g} mm"
        )
        place = np.array([made.crest.from_rear, made.crest.y or 0.0])
        title = f"{made.name[0].upper()}{made.name[1:]}, {made.crest.height:.1f} mm at its crest"
        found.append((place, title, words))
    if foot.pad is not None:
        pad, crest = foot.pad, crest_point(foot)
        words = (
            f"{pad.name}; {pad.crest.from_rear:.1f} mm from rear edge, {pad.crest.from_medial:.1f}"
            f" mm from medial edge; {turn_words(pad.turn)}"
        )
        found.append((crest, f"Pad crest, {pad.crest.height:.1f} mm high", words))
        ring = drawing.rings["arch-pad"]
        front, rear = ring[ring[:, 0].argmax()], ring[ring[:, 0].argmin()]
        found.append((front, "Pad, front edge", f"{pad.front_edge:.1f} mm from rear edge"))
        found.append((rear, "Pad, rear edge", f"{pad.rear_edge:.1f} mm from rear edge"))
    if foot.metatarsal is not None:
        title = f"Metatarsal pad, {foot.metatarsal.height:.1f} mm high"
        found.append((metatarsal_crest(foot), title, metatarsal_words(foot)))
    if foot.base.dowels:
        places = ", ".join(
            f"{k}: {x:g} from rear, {abs(y):g} to {'big' if y >= 0 else 'little'} toe"
            for k, (x, y) in enumerate(foot.base.dowels, 1)
        )
        words = (
            f"{places} (mm); pad {PAD_DEPTH_MM:.1f} mm deep, base"
            f" {base_depth(foot.base.thickness):.1f} mm"
        )
        found.append((np.array(foot.base.dowels[0]), f"Dowels, drill {SOCKET_MM:g} mm", words))
    if drawing.notch is not None:
        found.append((drawing.notch, "Notch", NOTCH_WORDS))
    for x, y in tender_spots(drawing.plan, foot.side):
        side = f"{abs(y):g} mm towards the {'big' if y > 0 else 'little'} toe"
        words = f"{x:g} mm from rear edge, {side if y else 'on the centreline'}"
        found.append((np.array([x, y]), "Tender spot", words))
    wedges = [_wedge_callout(wedge, sheet) for wedge in foot.wedges]
    return [*found, *wedges, *extra_callouts(drawing)]


def _wedge_callout(wedge: WedgePlan, sheet: Sheet) -> tuple[Array, str, str]:
    """Return what is said of a shim, and where."""
    where = (
        f"full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm from rear edge, {taper_words(wedge)}"
    )
    if wedge.place is WedgePlace.UNDER:
        where = "placed by its bolt slots under the cleat, not from the base's edge"
    words = (
        f"{wedge.words}; {wedge.thick_edge:.1f} mm there, {wedge.edge:.1f} mm at the thin edge;"
        f" {where}"
    )
    x = wedge.full_to - 2.0 if wedge.taper_front == 0 else wedge.full_to + 4.0
    ring = np.array(wedge.outline)
    close = ring[np.abs(ring[:, 0] - x) < 12.0] if len(ring) else ring
    y = (sheet.across * (close if len(close) else ring)[:, 1]).max() - 8.0
    return np.array([x, sheet.across * y]), f"Shim {wedge.place}", words
