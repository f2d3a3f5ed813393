"""The workshop traveller: each part with its look, its words and boxes to tick.

Parts, Plan, Materials -> traveller -> table, left parts beside right ones
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from footscan.scan import Side
from insole.output.ink import GREY, ORANGE, write
from insole.output.made import size_words, way_words
from insole.output.papers.flow import WIDE, drawn, paragraph, table
from insole.output.papers.shades import Box, image
from insole.output.phrases import capital, words
from insole.output.pictures.part_view import part_view
from insole.parts.facts import DowelFacts, WedgeFacts
from insole.parts.form_upper import FORMS
from insole.parts.materials import amount
from insole.parts.part import Part
from insole.record.materials import Materials
from insole.record.plan import Plan

__all__ = ["traveller"]

VIEWS = 41.0  # mm, both views of a part beside each other
HIGH = (25.0, 40.0)  # mm, least and most height of the views
ROOM = 170.0  # mm that all rows together may take
APART = 5.0  # between them: room for both thick edges
CAPTION = 3.6
PIXEL = 0.7  # mm of the part
LARGEST = 0.45  # scale of a view


def traveller(plan: Plan, parts: Sequence[Part], materials: Materials) -> Any | None:
    """Return the table of the parts to make; None without parts."""
    if not parts:
        return None
    sides = [foot.side for foot in plan.feet]
    rows = _rows(parts, sides)
    high = float(np.clip(ROOM / len(rows) - 2.0, *HIGH))
    heads = [paragraph(f"<b>{side.upper()}</b>", 10.5) for side in sides]
    cards = [
        [[] if part is None else _card(plan, part, materials, high) for part in row] for row in rows
    ]
    return table([heads, *cards], [WIDE / len(sides)] * len(sides), pad=0.6, repeat=1)


def _rows(parts: Sequence[Part], sides: Sequence[str]) -> list[tuple[Part | None, ...]]:
    """Return the parts in rows, a column a side: first those that every side has."""
    mine = [[part for part in parts if part.side.value == side] for side in sides]
    names = [[part.name for part in column] for column in mine]
    shared = [name for name in names[0] if all(name in column for column in names)]
    ordered = [
        [column[own.index(name)] for name in shared]
        + [part for part in column if part.name not in shared]
        for column, own in zip(mine, names, strict=True)
    ]
    return list(zip_longest(*ordered))


def _card(plan: Plan, part: Part, materials: Materials, high: float) -> Any:
    """Return one part: both faces at the left, words at the right."""
    room = WIDE / len(plan.feet) - VIEWS - 3.0
    lines = [f"<b>{part.side.value.upper()} {escape(words(part.name))}</b>"]
    lines += [escape(line) for line in _said(plan, part, materials)]
    cell = [paragraph(line, 9.6 if k == 0 else 8.2) for k, line in enumerate(lines)]
    boxes = paragraph(
        "☐\N{NO-BREAK SPACE}made ☐\N{NO-BREAK SPACE}checked ☐\N{NO-BREAK SPACE}fitted", 8.2
    )
    return table([[_views(part, high), [*cell, boxes]]], [VIEWS, room], lines=False, pad=0.0)


def _views(part: Part, most: float) -> Any:
    """Return the part from above and from below in one scale, named by the face that is seen."""
    shown = [part_view(part, face, pixel=PIXEL) for face in ("above", "below")]
    tall, wide = shown[0].shape
    half, room = (VIEWS - 2.0 - APART) / 2, most - CAPTION
    broad = half - 3.0 if _thick_side(part) else half  # its thick edge is marked beside it
    scale = min(LARGEST * PIXEL, broad / wide, room / tall)  # page mm to a pixel
    high = max(scale * tall, 8.0) + CAPTION

    def paint(canvas: Any) -> None:
        for k, (view, name) in enumerate(zip(shown, _faces(part), strict=True)):
            middle = half / 2 + k * (half + APART)
            rows, columns = view.shape
            pixels = np.repeat((255 * view).round().astype(np.uint8)[:, :, None], 3, axis=2)
            left, size = middle - scale * columns / 2, (scale * columns, scale * rows)
            image(canvas, pixels, Box(left, CAPTION, *size))
            if side := _thick_side(part):
                at = middle + side * (1 - 2 * k) * (scale * columns / 2 + 0.9)
                canvas.setFillColorRGB(*ORANGE)
                canvas.rect(
                    at - 0.5,
                    CAPTION + 0.15 * scale * rows,
                    1.2,
                    0.7 * scale * rows,
                    stroke=0,
                    fill=1,
                )
            write(canvas, middle, 0.6, name, 2.6, align="middle", colour=GREY)

    return drawn(VIEWS - 2.0, high, paint)


def _thick_side(part: Part) -> float:
    """Return where the thick edge lies when seen from above: 1 right on the page, -1 left."""
    if not isinstance(part.facts, WedgeFacts):
        return 0.0
    medial = 1.0 if part.side is Side.LEFT else -1.0
    return medial if part.facts.thick_side == "big-toe side" else -medial


def _faces(part: Part) -> tuple[str, str]:
    """Return the names of the upper and the lower face."""
    if isinstance(part.facts, DowelFacts):
        return "from above", "from below"
    if part.name == "under-shoe-shim":
        return "shoe side", "cleat side"
    return "foot side", "shoe side"


def _said(plan: Plan, part: Part, materials: Materials) -> list[str]:
    """Return material, size, thick edge and which face lies up."""
    facts = part.facts
    above, below = ("shoe", "cleat") if part.name == "under-shoe-shim" else ("foot", "shoe")
    known = materials.entries.get(part.material)
    named = capital(known.words if known is not None else words(part.material))
    lines = [", ".join(filter(None, (f"{named} ({part.material})", way_words(part))))]
    foot = getattr(plan, part.side.value)
    kit = foot is not None and foot.pad is not None and foot.pad.source == "kit"
    if part.name == "arch-pad" and kit:
        lines.append(f"From the kit: {foot.pad.name}; or made from the file")
    lines.append(capital(size_words(part)))
    lines += ["Thick edge: orange"] if isinstance(facts, WedgeFacts) else []
    if known is not None:
        lines.append(str(amount(part, known)))
    cut = facts.engraved.texts
    if part.name in FORMS:
        lines.append("Lies plantar side up; the moulded bed replaces base and pad")
    elif part.way is not None and part.way.how == "layers":
        lines.append(f"Layer 1 to the {below}, each arrow to the toes")
    elif cut:
        lines.append(f"Lettered face to the {below}, the other one to the {above}")
    elif not isinstance(facts, DowelFacts):
        lines.append(f"The face drawn left to the {above}, the other one to the {below}")
    if facts.notch is not None:
        lines.append("Notch on the big-toe side")
    if by_hand := facts.engraved.paper_only:
        lines.append(f"Write on by hand: {', '.join(by_hand)}")
    return lines
