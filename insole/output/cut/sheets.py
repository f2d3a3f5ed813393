"""Files of nested sheets: drawn, written as DXF and SVG, read back and measured.

    NestedSheet -> draw -> write -> read_back -> insole.output.folder

The lower margin of a sheet carries a ruler and what the sheet is, on the layer for people. Reading
back trusts nothing that was packed: distances are measured between the paths in the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.output.cut import checked, cutting, labels, lettering, written
from insole.output.cut.layers import CutLayer, Sheet, Stroke
from insole.output.cut.nesting import MARGIN, NestedSheet, Placed, clearance

__all__ = ["draw", "read_back", "write"]

SLACK = 0.02  # mm by which a path read back may come nearer: rounding in packing and in the file
LEAST_TITLE = 1.5  # mm, letter height below which fewer words are said
BESIDE_RULER = 7.0  # mm: its last tick is no part of a word
NOTE = 2.0  # mm, letters over a part that is too small for a label of its own


def draw(sheet: NestedSheet, *, kerf: float = 0.0, note: str = "") -> Sheet:
    """Return the sheet's strokes: its edge and ruler for people, then every part's own."""
    return _drawn(sheet, kerf, note)


@lru_cache(maxsize=4)
def _drawn(sheet: NestedSheet, kerf: float, note: str) -> Sheet:
    """Return the sheet's strokes, kept: they are written as DXF and as SVG."""
    strokes = _frame(sheet, note)
    for placed in sheet.placed:
        mine = cutting.part_strokes(placed.part, kerf=kerf, title=False)
        strokes += [replace(stroke, points=placed.at(stroke.points)) for stroke in mine]
        strokes += _side_note(placed, mine)
    return Sheet(strokes=cutting.in_order(strokes), width=sheet.size[0], height=sheet.size[1])


def write(
    path: Path,
    sheet: NestedSheet,
    *,
    kerf: float = 0.0,
    note: str = "",
    style: written.Style = written.PLAIN,
) -> None:
    """Write the sheet as DXF or SVG, as the name ends; 1:1 in mm, lower left corner at 0, 0."""
    save = written.save_dxf if path.suffix == ".dxf" else written.save_svg
    save(path, draw(sheet, kerf=kerf, note=note), style)


def read_back(path: Path, sheet: NestedSheet, *, kerf: float = 0.0) -> None:
    """Compare the paths in a written DXF or SVG with the parts, and measure the room between.

    Raises
    ------
    OutputError
        The file is not sound, a path is missing, in another place, of another shape or mirrored,
        nearer to another than the clearance, or over the margin of the sheet.
    """
    import shapely

    if path.suffix == ".dxf":
        rings = checked.dxf_rings(path)
    else:
        rings = [ring + np.array([0.0, sheet.size[1]]) for ring in checked.svg_rings(path)]
    shapes, k = [], 0
    for placed in sheet.placed:
        *holes, outline = rings[k : k + len(placed.part.holes) + 1] or [np.zeros((0, 2))]
        if len(holes) != len(placed.part.holes) or not len(outline):
            raise OutputError(f"{path.name} reads back without all rings of {placed.part.label}")
        k += len(holes) + 1
        shapes.append(shapely.Polygon(outline, holes))
        wanted = shapely.transform(cutting.wanted_shape(placed.part, kerf=kerf), placed.at)
        checked.same_shape(path, placed.part.label, shapes[-1], wanted)
    if k != len(rings):
        raise OutputError(f"{path.name} reads back with rings that belong to no part")
    _check_room(path, sheet, shapes, clearance(kerf))


def _check_room(path: Path, sheet: NestedSheet, shapes: list[Any], least: float) -> None:
    import shapely

    tree = shapely.STRtree(shapes)
    pairs = tree.query(shapes, predicate="dwithin", distance=least - SLACK)
    near = pairs[:, pairs[0] < pairs[1]]
    if near.size:
        first, second = (sheet.placed[i].part.label for i in near[:, 0])
        raise OutputError(
            f"{path.name}: {first} and {second} read back nearer than {least:g} mm to each other"
        )
    edge = shapely.box(*[MARGIN - SLACK] * 2, *(n - MARGIN + SLACK for n in sheet.size))
    for placed, shape in zip(sheet.placed, shapes, strict=True):
        if not edge.covers(shape):
            raise OutputError(
                f"{path.name}: {placed.part.label} reads back over the margin of the sheet"
            )


def _frame(sheet: NestedSheet, note: str) -> list[Stroke]:
    """Return the sheet's edge, and in its lower margin a ruler and what the sheet is."""
    wide, high = sheet.size
    edge = np.array([(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)])
    lines = []
    for words, left in _titles(sheet, note):
        size = min(labels.TITLE, 6.0 * (wide - MARGIN - left) / (lettering.PITCH * len(words)))
        if size >= LEAST_TITLE:
            break
    if left > MARGIN:
        lines = cutting.ruler(MARGIN, 3.0)
    lines += lettering.lettering(words, size, (left, 3.0), centred=False)
    strokes = [Stroke(layer=CutLayer.NOTE, part="", points=line, closed=False) for line in lines]
    return [Stroke(layer=CutLayer.NOTE, part="", points=edge, closed=True), *strokes]


def _titles(sheet: NestedSheet, note: str) -> Iterator[tuple[str, float]]:
    """Yield what a sheet may say of itself, and from where on, mm; the fullest first.

    A narrow sheet goes without the ruler, a very narrow one without its material, none without
    its case and face.
    """
    words = f"{sheet.material} {sheet.thickness:g} mm, sheet {sheet.number} of {sheet.count}"
    if sheet.size[0] >= 2 * MARGIN + cutting.RULER:
        whole = f"{note} {words}, foot side up, ruler {cutting.RULER:g} mm"
        yield whole.strip(), MARGIN + cutting.RULER + BESIDE_RULER
    yield f"{note} {words}, foot side up".strip(), MARGIN
    yield f"{note} foot side up".strip(), MARGIN


def _side_note(placed: Placed, strokes: Sequence[Stroke]) -> list[Stroke]:
    """Return the side as a note over a part that is too small for a label of its own."""
    import shapely

    part = placed.part
    told = any(mark.face == "foot" and mark.text.lower() == part.side.value for mark in part.marks)
    if told or any(stroke.layer == CutLayer.PEN for stroke in strokes):
        return []
    shape = shapely.transform(cutting.wanted_shape(part), placed.at)
    at = shape.representative_point()
    words = labels.side_words(part)
    return [
        Stroke(layer=CutLayer.NOTE, part=part.label, points=line, closed=False)
        for line in lettering.lettering(words, NOTE, (at.x, at.y))
    ]
