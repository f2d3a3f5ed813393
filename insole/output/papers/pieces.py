"""The pieces at full size on paper, for scissors, glue and a grinder: no cutter is needed.

    MadeParts -> pieces_on_paper -> write_pieces -> PDF, A4; what is drawn fits Letter as well

Pads, shims and layers lie foot side up with their labels, the edge of the next layer and the lines
of equal height to grind by. Bases and contoured beds are on the template. The printed pieces of a
parted bed have pages of their own, to be told apart by. What is ground has its underside on further
pages, seen from below, with the same lines: that face stays while the top is ground away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.output.cut.cutting import part_strokes
from insole.output.cut.labels import UNDER, extent_of
from insole.output.cut.layers import CutLayer, Face, Stroke
from insole.output.ink import (
    BLACK,
    BLUE,
    GREY,
    MM,
    ORANGE,
    Colour,
    drawn,
    stroke,
    wrapped,
    write,
)
from insole.output.made import MadeParts, size_words
from insole.output.phrases import passed_line
from insole.output.print.plates import shelves
from insole.parts.contour import CONTOUR
from insole.parts.facts import LayerFacts, joint_of
from insole.parts.part import Part
from insole.record.plan import Plan, fingerprint

__all__ = ["pieces_on_paper", "undersides", "write_pieces"]

PAGE = (210.0, 297.0)  # mm; what is drawn lies inside Letter's height
LEFT, BOTTOM = 12.0, 34.0
ROOM = (186.0, 200.0)  # mm for pieces
GAP, CAPTION = 7.0, 8.0
RULER = 100.0
NOT_HERE = ("base", CONTOUR)
LOOK: dict[CutLayer, tuple[Colour, float]] = {
    CutLayer.CUT: (BLACK, 0.35),
    CutLayer.GRIND: (BLUE, 0.18),
    CutLayer.ENGRAVE: (GREY, 0.25),
    CutLayer.PEN: (ORANGE, 0.25),
}


def pieces_on_paper(made: MadeParts) -> list[Part]:
    """Return what is cut by a template of its own: pads, shims, layers, left foot first."""
    parted = [part for part in made.worn if joint_of(part.facts) is not None]
    found = [
        part
        for part in (*made.pieces, *parted)
        if part.name not in NOT_HERE
        and _size(part)[0] <= ROOM[0]
        and _size(part)[1] <= ROOM[1] - CAPTION
    ]
    return sorted(found, key=lambda part: part.side.value)


def undersides(made: MadeParts) -> list[Part]:
    """Return the parts that are ground, with their lines of equal height on the underside."""
    found = []
    for part in made.worn:
        ground = part.way is not None and part.way.how in ("grind", "layers")
        lines = part.lines.get("grind", ())
        if not ground or not lines or _size(part)[1] > ROOM[1] - CAPTION:
            continue
        levels = {UNDER: part.facts.levels.get("grind", ())}
        facts = replace(part.facts, levels=levels)
        # letters would hide lines: side and arrow are put where there is room
        found.append(replace(part, lines={UNDER: lines}, marks=(), facts=facts))
    return found


def write_pieces(
    path: str | Path, plan: Plan, pieces: Sequence[Part], below: Sequence[Part] = ()
) -> None:
    """Write the pieces at full size as a PDF, a foot's on pages of its own; same plan, same bytes.

    Parameters
    ----------
    below : sequence of Part
        What :func:`undersides` returns.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    with drawn(path, f"Pieces, {plan.case}, plan {plan.version}", PAGE) as canvas:
        for side in dict.fromkeys(part.side.value for part in pieces):
            mine = [part for part in pieces if part.side.value == side]
            for some in (
                [part for part in mine if joint_of(part.facts) is None],
                [part for part in mine if joint_of(part.facts) is not None],
            ):
                for page in _pages(some):
                    canvas.scale(MM, MM)
                    _draw_page(canvas, plan, side, page)
                    canvas.showPage()
            for page in _pages([part for part in below if part.side.value == side]):
                canvas.scale(MM, MM)
                _draw_page(canvas, plan, side, page, "shoe")
                canvas.showPage()


def _size(part: Part) -> tuple[float, float]:
    """Return width and height of a piece with the toes up, mm."""
    long, wide = np.ptp(part.outline, axis=0)
    return float(wide), float(long)


def _pages(pieces: Sequence[Part]) -> list[list[tuple[Part, tuple[float, float]]]]:
    """Return the pieces of each page with the lower left corner of their boxes, page mm."""
    pages: list[list[tuple[Part, tuple[float, float]]]] = []
    rest = list(pieces)
    while rest:
        count = next(n for n in range(len(rest), 0, -1) if n == 1 or _laid(rest[:n])[1])
        corners, _ = _laid(rest[:count])
        pages.append(list(zip(rest[:count], corners, strict=True)))
        rest = rest[count:]
    return pages


def _laid(pieces: Sequence[Part]) -> tuple[list[tuple[float, float]], bool]:
    boxes = [(max(_size(part)[0], 44.0), _size(part)[1] + CAPTION) for part in pieces]
    corners, used = shelves(boxes, ROOM[0], GAP)
    placed = [
        (LEFT + x, BOTTOM + ROOM[1] - y - box[1])
        for (x, y), box in zip(corners, boxes, strict=True)
    ]
    return placed, used[0] <= ROOM[0] and used[1] <= ROOM[1]


def _draw_page(
    canvas: Any,
    plan: Plan,
    side: str,
    page: Sequence[tuple[Part, tuple[float, float]]],
    face: Face = "foot",
) -> None:
    top = BOTTOM + ROOM[1] + 14.0
    what = "pieces" if face == "foot" else "undersides to grind by,"
    write(canvas, LEFT, top + 10.0, f"{side.upper()} – {what} at full size", 6.0, bold=True)
    ground = any(part.lines.get("grind") for part, _ in page)
    stacked = len(page) > 1  # the next layer, or what lies on a base
    blue = " Blue: lines of equal height above the underside, mm, to grind by." if ground else ""
    rows = (
        f"SEEN FROM ABOVE – foot side up. {plan.case}, plan {plan.version} ({fingerprint(plan)})."
        " Print at 100 %, measure the ruler.",
        "Glue the paper to the sheet, cut on the middle of the black line." + blue,
        ("Grey: where the next layer or part lies; glue it there. " if stacked else "")
        + "Arrow: to the toes. Dust: extraction and a mask.",
    )
    if any(joint_of(part.facts) is not None for part, _ in page):
        rows = (
            rows[0],
            "Printed pieces of one bed: nothing is cut here. Lay each on its outline, foot side up:"
            " side, keys and arrow must agree.",
            "Glue them on the template, which shows the whole bed; READ-ME-FIRST.txt says how.",
        )
    if face == "shoe":
        rows = (
            f"SEEN FROM BELOW – shoe side up. {plan.case}, plan {plan.version} "
            f"({fingerprint(plan)}). Print at 100 %, measure the ruler.",
            "Tape it under the blank or the glued layers: that face stays while the top is ground; "
            "take it off afterwards. Arrow: to the toes.",
            "On each blue line the part is ground to that thickness, mm; measure with a calliper. "
            "Dust: extraction and a mask.",
        )
    for k, row in enumerate(rows):
        write(canvas, LEFT, top + 5.0 - 4.0 * k, row, 2.6)
    passed = [line for over in plan.overrides for line in wrapped(passed_line(over), 2.6, ROOM[0])]
    for k, row in enumerate(reversed(passed)):
        write(canvas, LEFT, top + 18.0 + 3.4 * k, row, 2.6, bold=True)
    for part, corner in page:
        _draw(canvas, part, corner, face)
    line = np.array([(LEFT, 22.0), (LEFT + RULER, 22.0)])
    stroke(canvas, line, BLACK, 0.25, close=False)
    for k in range(11):
        x, tall = LEFT + 10.0 * k, 4.0 if k in (0, 10) else 2.0
        stroke(canvas, np.array([(x, 22.0), (x, 22.0 + tall)]), BLACK, 0.25, close=False)
    write(canvas, LEFT + RULER + 3.0, 22.0, "100 mm", 2.6)
    write(canvas, LEFT, 14.0, "Foot pain calls for clinical advice.", 2.6, colour=GREY)


def _draw(canvas: Any, part: Part, corner: tuple[float, float], face: Face) -> None:
    """Draw a piece in its box, its caption below."""
    strokes: list[Stroke] = part_strokes(part, title=False, face=face)
    low = np.array(extent_of([one.points for one in strokes if one.layer == CutLayer.CUT])[:2])
    place: Array = np.array([corner[0], corner[1] + CAPTION]) - low
    for one in strokes:
        colour, weight = LOOK[one.layer]
        stroke(canvas, one.points + place, colour, weight, close=one.closed)
    below = ", underside" if face == "shoe" else ""
    write(canvas, corner[0], corner[1] + 3.6, _name(part) + below, 2.4, bold=True)
    what = size_words(part) if face == "shoe" else _what(part)
    write(canvas, corner[0], corner[1] + 0.8, what, 2.2)


def _name(part: Part) -> str:
    return f"{part.side.value.upper()} {part.name.replace('-', ' ')}"


def _what(part: Part) -> str:
    """Return sheet and height of a piece."""
    facts = part.facts
    if isinstance(facts, LayerFacts):
        return f"{facts.thickness:g} mm {part.material}, {facts.layer} of {facts.layers} from below"
    if (joint := joint_of(facts)) is not None:
        return f"printed; joint {joint.station:.0f} mm from the rear edge"
    sheet = f"{part.way.sheets[0]:g} mm {part.material}" if part.way and part.way.sheets else ""
    return ", ".join(filter(None, (sheet, size_words(part))))
