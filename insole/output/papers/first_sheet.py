"""The first page in pictures: every part small, and which file to take for which machine.

    Making, Settings, folder -> write_first_sheet -> READ-ME-FIRST.pdf, A4

Left foot in the left column. A file's name stands in one line, in letters as small as it takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np

from insole.output.ink import BLACK, GREY, MM, ORANGE, drawn, fonts, stroke, wrapped, write
from insole.output.made import size_words, way_words
from insole.output.phrases import capital, passed_line, words
from insole.output.pictures.part_view import part_view
from insole.output.readme import Making
from insole.output.settings import Settings
from insole.output.takes import Take, takes
from insole.parts.part import Part
from insole.record.plan import fingerprint

__all__ = ["fitting_size", "write_first_sheet"]

WIDE, HIGH, EDGE = 210.0, 297.0, 11.0
TOP, FOOT = 257.0, 20.0  # of the cards
APART = 6.0  # between the columns
PICTURE = (27.0, 31.0)  # mm, room for a part
PIXEL = 0.7  # mm of the part
NAME, TEXT, FILE = 3.4, 2.5, 2.9  # mm, sizes of letters
LEAST = 1.6  # mm, of a file's name that is very long
SHOWN = 4  # files a part at the most


def write_first_sheet(path: str | Path, making: Making, settings: Settings, folder: Path) -> None:
    """Write the page; same folder, same bytes.

    Parameters
    ----------
    path : path-like
        PDF to write, replaced as a whole or not at all.
    making : Making
        What is made from which files.
    settings : Settings
        Machines of the workshop.
    folder : Path
        Where the files stand.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    plan = making.plan
    fonts()
    columns = [
        [part for part in making.parts if part.side.value == foot.side] for foot in plan.feet
    ]
    rows = list(zip_longest(*columns))
    found = {part.label: takes(making, settings, folder, part)[:SHOWN] for part in making.parts}
    room = (WIDE - 2 * EDGE - APART * (len(columns) - 1)) / len(columns)
    with drawn(path, f"First page, {plan.case}, plan {plan.version}", (WIDE, HIGH)) as canvas:
        y, number = TOP, 0
        for row in rows:
            high = max(_height(part, found[part.label], room) for part in row if part is not None)
            if number == 0 or y - high < FOOT:
                if number:
                    canvas.showPage()
                number += 1
                canvas.scale(MM, MM)
                y = _head(canvas, making, [foot.side for foot in plan.feet], room, number)
            for k, part in enumerate(row):
                if part is not None:
                    _card(canvas, part, found[part.label], EDGE + k * (room + APART), y, room)
            y -= high
            line = np.array([(EDGE, y + 2.0), (WIDE - EDGE, y + 2.0)])
            stroke(canvas, line, GREY, 0.15, close=False)
        canvas.showPage()


def fitting_size(text: str, room: float, most: float = FILE) -> float:
    """Return the size of letters, mm, at which a text fits a line of `room` mm unbroken."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    wide = stringWidth(text, fonts()[1], 100.0) / 100.0
    return max(min(most, room / wide), LEAST) if wide > 0 else most


def _head(canvas: Any, making: Making, sides: Sequence[str], room: float, number: int) -> float:
    """Draw title, what was passed on purpose and the sides; return where the cards begin."""
    plan = making.plan
    title = f"{plan.case}, version {plan.version}: what to make from which file"
    write(canvas, EDGE, 283.0, title, fitting_size(title, WIDE - 2 * EDGE, 5.4), bold=True)
    rows = (
        f"Plan {fingerprint(plan)}, page {number}. Bold: make the part from this file; the others "
        "hold the same part once more. All lengths mm; papers at 100 %, measure the ruler.",
        "Read READ-ME-FIRST.txt for order, layers, glue and cautions, then work by the bench page. "
        "Parts are seen from above, toes up. Foot pain calls for clinical advice.",
    )
    lines = [line for row in rows for line in wrapped(row, TEXT, WIDE - 2 * EDGE)]
    lines += [
        line
        for over in plan.overrides
        for line in wrapped(passed_line(over), TEXT, WIDE - 2 * EDGE)
    ]
    for k, line in enumerate(lines):
        write(canvas, EDGE, 278.5 - 3.0 * k, line, TEXT)
    top = min(TOP, 274.5 - 3.0 * len(lines))
    for k, side in enumerate(sides):
        write(canvas, EDGE + k * (room + APART), top + 1.0, side.upper(), 5.0, bold=True)
    return top


def _said(part: Part, room: float) -> list[str]:
    text = [part.material, capital(way_words(part)), capital(size_words(part))]
    return [line for row in filter(None, text) for line in wrapped(row, TEXT, room)][:8]


def _height(part: Part, files: Sequence[Take], room: float) -> float:
    beside = 6.0 + 3.1 * len(_said(part, room - PICTURE[0] - 3.0))
    return max(PICTURE[1] + 2.0, beside) + 7.0 * len(files) + 4.0


def _card(
    canvas: Any, part: Part, files: Sequence[Take], x: float, top: float, room: float
) -> None:
    """Draw a part with its words at the right and its files below."""
    from reportlab.lib.utils import ImageReader

    view = part_view(part, "above", pixel=PIXEL)
    tall, wide = view.shape
    scale = min(PICTURE[0] / wide, PICTURE[1] / tall, 0.45 * PIXEL)
    canvas.drawImage(
        ImageReader(_picture(view)),
        x + (PICTURE[0] - scale * wide) / 2,
        top - 2.0 - scale * tall,
        scale * wide,
        scale * tall,
    )
    beside = x + PICTURE[0] + 3.0
    name = f"{part.side.value.upper()} {words(part.name)}"
    write(canvas, beside, top - 4.0, name, NAME, bold=True)
    said = _said(part, room - PICTURE[0] - 3.0)
    for k, line in enumerate(said):
        write(canvas, beside, top - 8.5 - 3.1 * k, line, TEXT)
    y = top - max(PICTURE[1] + 2.0, 6.0 + 3.1 * len(said)) - 3.5
    for take in files:
        write(canvas, x, y, f"{take.machine}:", 2.2, colour=ORANGE if take.made else GREY)
        size = fitting_size(take.file, room)
        write(canvas, x, y - 3.2, take.file, size, bold=take.made, colour=BLACK)
        y -= 7.0


def _picture(view: Any) -> Any:
    from PIL import Image

    return Image.fromarray((255 * view).round().astype(np.uint8))
