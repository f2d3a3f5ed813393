"""Words on a cut part: side, face, part, heights, each where there is room."""

from __future__ import annotations

import itertools
import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.output.cut.layers import Face, seen
from insole.output.cut.lettering import ARROW, PITCH, lettering
from insole.parts import engraving
from insole.parts.facts import LayerFacts, WedgeFacts
from insole.parts.part import Mark, Part

__all__ = [
    "TITLE",
    "UNDER",
    "Level",
    "extent_of",
    "level_numbers",
    "mark_lines",
    "own_label",
    "side_words",
    "title_lines",
]

TITLE = 3.0  # mm, letter height of titles
UNDER = "under"  # lines of equal height of an underside that is not flat

LABEL = (6.0, 4.0)  # mm, largest and smallest letters of a label of our own in full words
SHORT_LABEL = (6.0, 3.0)  # mm, of one in short words
TINY_LABEL = (2.5, 2.0)  # mm, where nothing larger fits: better than a piece that says nothing
CELL = 0.5  # mm: step at which room for a label is looked for
CLEAR = 0.6  # mm kept between a label and what it must not touch
SHORT_NAMES = {
    "arch-pad": "PAD",
    "metatarsal-pad": "META",
    "heel-shim": "HEEL",
    "forefoot-shim": "FORE",
    "under-shoe-shim": "UNDER",
}
LEVEL_AT = (0.4, 0.65, 0.25, 0.8, 0.5, 0.12, 0.9, 0.33, 0.72)  # shares of a grind line tried
LEVEL_SIZES = (2.5, 2.0, 1.6)  # mm, figures in it


def title_lines(part: Part, outline: Array, face: Face) -> list[Array]:
    """Return the lines of text under a part: side, name, face, material and what to know."""
    facts = part.facts
    words = [f"{part.side.value} {part.name}", f"{_face_words(part, face)} up", part.material]
    words += [f"{facts.thickness:g} mm"] if facts.thickness is not None else []
    words += [facts.words] if facts.words else []
    if isinstance(facts, WedgeFacts):
        words.append(f"thick edge {facts.thick_edge:.1f} mm")
    low, high = outline.min(axis=0), outline.max(axis=0)
    room = max(float(high[0] - low[0]), 70.0)
    lines: list[Array] = []
    for k, row in enumerate(textwrap.wrap(", ".join(words), int(room / (PITCH * TITLE / 6)))):
        at = (float(low[0]), float(low[1]) - (1.7 * k + 2.0) * TITLE)
        lines += lettering(row, TITLE, at, centred=False)
    return lines


def _face_words(part: Part, face: Face) -> str:
    """Return what the face is called on the part itself."""
    if part.name == "under-shoe-shim":  # it lies between sole and cleat
        return "sole side" if face == "foot" else "cleat side"
    return f"{face} side"


def level_numbers(part: Part, whole: Any, face: Face) -> list[Level]:
    """Return the thickness on each grind line, mm, where it can be read and means no other line.

    The number stands in the line, turned with it, and the line is broken for it; it keeps clear of
    all other lines of equal height, in smaller figures where they are close.
    """
    import shapely

    word = "grind" if face == "foot" else UNDER
    lines = [shapely.LineString(seen(line, face)) for line in part.lines.get(word, ())]
    levels = part.facts.levels.get(word, ())
    inner, taken = whole.buffer(-0.4), shapely.Polygon()
    tree = shapely.STRtree(lines)
    found: list[Level] = []
    for k, (level, path) in enumerate(zip(levels, lines, strict=False)):
        shares = LEVEL_AT[k % len(LEVEL_AT) :] + LEVEL_AT[: k % len(LEVEL_AT)]
        for size, share in itertools.product(LEVEL_SIZES, shares):
            text, box = _in_line(f"{level:.1f}", path, share * path.length, size)
            near = [i for i in tree.query(box.buffer(0.25), predicate="intersects") if i != k]
            own = path.intersection(box)
            apart = 2.1 * size if found else 0.0  # figures one after another are no one number
            if (
                not near
                and inner.contains(box)
                and box.disjoint(taken)
                and own.geom_type == "LineString"
                and own.length < 1.2 * PITCH / 6.0 * 3.6 * size
                and (not found or box.distance(found[-1].box) > apart)
            ):
                found.append(Level(k, [line for line in text if len(line) > 1], box))
                taken = taken.union(box.buffer(0.5))
                break
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """A number in a grind line: the line's place in the part's list, strokes, and their box."""

    line: int
    strokes: list[Array]
    box: Any


def _in_line(text: str, path: Any, at: float, size: float) -> tuple[list[Array], Any]:
    """Return a number centred on a line at a place along it, turned with it, and its box."""
    import shapely
    from shapely import affinity

    wide = (PITCH * len(text) - (PITCH - 4.0)) * size / 6.0
    ends = [path.interpolate(min(max(at + step * wide, 0.0), path.length)) for step in (-0.5, 0.5)]
    middle = path.interpolate(at)
    turn = float(np.degrees(np.arctan2(ends[1].y - ends[0].y, ends[1].x - ends[0].x)))
    turn = (turn + 45.0) % 180.0 - 45.0  # from left to right, or from below upwards
    box = shapely.box(-wide / 2 - 0.4, -size / 2 - 0.2, wide / 2 + 0.4, size / 2 + 0.2)
    box = affinity.translate(affinity.rotate(box, turn, origin=(0, 0)), middle.x, middle.y)
    return lettering(text, size, (middle.x, middle.y), turn=turn), box


def _engraved(part: Part, face: Face) -> list[Mark]:
    """Return the part's marks on a face, without those that did not fit into it."""
    left_out = part.facts.engraved.paper_only
    return [mark for mark in part.marks if mark.face == face and mark.text not in left_out]


def mark_lines(part: Part, face: Face) -> list[Array]:
    """Return the strokes of the part's own marks on this face, readable with it up.

    Room was found for the printed letters; single strokes keep their pitch and may run longer, so
    a text of narrow letters is written smaller: else it ran over the edge.
    """
    lines: list[Array] = []
    for mark in _engraved(part, face):
        (at,) = seen(np.array([[mark.x, mark.y]]), face)
        turn = 90.0 + mark.turn if face == "foot" else 90.0 - mark.turn
        drawn, fitted = _length(lettering(mark.text, mark.size, (0.0, 0.0))), _fitted(mark)
        size = mark.size * min(1.0, fitted / drawn if drawn else 1.0)
        lines += lettering(mark.text, size, (at[0], at[1]), turn=turn)
    return lines


def _length(lines: Sequence[Array]) -> float:
    """Return how long a line of text along x is, mm."""
    return float(np.ptp(np.vstack(lines)[:, 0])) if lines else 0.0


def _fitted(mark: Mark) -> float:
    """Return how long the mark is that room was found for, mm."""
    low, _, high, _ = engraving.mark_shape(replace(mark, x=0.0, y=0.0, turn=0.0)).bounds
    return float(high - low)


def own_label(
    part: Part, whole: Any, face: Face, levels: Sequence[Sequence[Array]], fixed: list[Array]
) -> list[Array]:
    """Return side, name, face and heel-to-toe arrow for a face whose marks do not tell the side.

    A blank that says nothing ends in the wrong shoe. The label looks for room that is free of
    numbers and fixed lines, in full words before short ones; where there is none it is written
    over the numbers, then over the lines, and last in tiny letters.
    """
    if any(mark.text.lower() == part.side.value for mark in _engraved(part, face)):
        return []
    numbers = list(itertools.chain.from_iterable(levels))
    full, short = _label_rows(part, face)
    spans = [*((rows, LABEL) for rows in full), *((rows, SHORT_LABEL) for rows in short)]
    tiny = [(rows, TINY_LABEL) for rows in short]
    for busy, tries in (
        ([*numbers, *fixed], spans),
        (fixed, spans),
        ([], [*spans, *tiny]),
    ):
        room = _Room.beside(part, whole, busy)  # dear, and the first mostly has a place
        for rows, (most, least) in tries:
            for size in np.arange(most, least - 0.01, -0.5):
                for form in ("beside", "above", "along"):
                    label = room.put(_label_block(rows, float(size), form))
                    if label:
                        return label
    return []


def _label_rows(part: Part, face: Face) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """Return what a label may say: in full words, and in short ones, the best first."""
    told = part.facts.label if isinstance(part.facts, LayerFacts) else None
    if told is not None:  # side, name and number of a layer, case: alike, layers are mixed up
        whole, tag = told
        parted = whole.rsplit(" ", 1)
        return [], [(whole, tag), (whole,), tuple(parted), tuple(whole.split())]
    side, faced = part.side.value.upper(), f"{_face_words(part, face)}"
    short = side_words(part).split(" ", 1)[1]
    rows: list[tuple[str, ...]] = [(f"{side} {short}", faced), (f"{side[0]} {short}", faced)]
    if part.name == "under-shoe-shim":  # turned over it tilts the other way: the face is a must
        rows.append((side[0], short, *faced.split()))
    else:
        rows += [(f"{side} {short}",), (f"{side[0]} {short}",), (side[0], *short.split())]
    return [(side, part.name.replace("-", " "), faced)], rows


def side_words(part: Part) -> str:
    """Return side and part in short words, and for one of several layers its number.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from tests.insole.test_nesting import star
    >>> layer = LayerFacts(layer=2, layers=8, thickness=1.0, underside=1.0, step_error=1.0)
    >>> side_words(replace(star([25.0] * 60, 1), name="arch-pad-layer-2", facts=layer))
    'L PAD 2/8'
    """
    layer = re.match(r"(.+)-layer-0*(\w+)$", part.name)
    name = layer[1] if layer else part.name
    words = f"{part.side.value[0]} {SHORT_NAMES.get(name, name.replace('-', ' '))}".upper()
    if layer is None:
        return words
    count = part.facts.layers if isinstance(part.facts, LayerFacts) else 0
    of = f"/{count}" if count else ""
    return f"{words} {layer[2].upper()}{of}"


def _label_block(rows: Sequence[str], size: float, form: str) -> list[Array]:
    """Return rows of text with an arrow to the toes, centred on the origin.

    The arrow stands beside the words or above them, or the words run along it to the toes.
    """
    turn = 90.0 if form == "along" else 0.0
    head = size if size > TINY_LABEL[0] else 0.5 * size  # an arrow as long as it can be seen
    lines: list[Array] = []
    for k, row in enumerate(rows):
        off = ((len(rows) - 1) / 2 - k) * 1.7 * size
        row_lines = lettering(row, size, (-off, 0.0) if turn else (0.0, off), turn=turn)
        lines += [line for line in row_lines if len(line) > 1]  # an 8 has a dot
    box = extent_of(lines)
    if form == "beside":
        at = (box[0] - 0.6 * (size + head), (box[1] + box[3]) / 2)
    else:
        at = ((box[0] + box[2]) / 2, box[3] + 0.6 * size + ARROW / 12.0 * head)
    lines += lettering(">", head, at, turn=90.0)
    box = extent_of(lines)
    middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    return [line - middle for line in lines]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Room:
    """Where a label may stand: free cells of a raster, and the place nearest to which it goes."""

    free: Any  # (n, m) bool
    low: Array
    wish: Array

    @classmethod
    def beside(cls, part: Part, whole: Any, busy: Sequence[Array]) -> _Room:
        """Return the room of a part that is CLEAR of its border and 1 mm of busy lines."""
        import shapely

        lines = shapely.union_all([shapely.LineString(line).buffer(1.0 - CLEAR) for line in busy])
        region = whole.difference(lines.envelope if "grid" in part.lines and busy else lines)
        inner = region.buffer(-CLEAR)
        if inner.is_empty:
            return cls(free=np.zeros((0, 0), dtype=bool), low=np.zeros(2), wish=np.zeros(2))
        x0, y0, x1, y1 = inner.bounds
        x, y = (np.arange(a + CELL / 2, b, CELL) for a, b in ((x0, x1), (y0, y1)))
        shapely.prepare(inner)
        free = shapely.contains_xy(inner, *np.meshgrid(x, y, indexing="ij"))
        circle = shapely.maximum_inscribed_circle(inner, CELL)
        low = np.array([x0 + CELL / 2, y0 + CELL / 2])
        return cls(free=free, low=low, wish=shapely.get_coordinates(circle)[0])

    def put(self, label: list[Array]) -> list[Array]:
        """Return the label moved to where its box is free, or nothing."""
        box = extent_of(label)
        cells = np.ceil(np.array([box[2] - box[0], box[3] - box[1]]) / CELL).astype(int) + 1
        rows, columns = self.free.shape
        if (cells > (rows, columns)).any():
            return []
        table = np.zeros((rows + 1, columns + 1), dtype=np.int64)
        table[1:, 1:] = np.cumsum(np.cumsum(~self.free, axis=0), axis=1)
        w, h = cells
        taken = table[w:, h:] - table[:-w, h:] - table[w:, :-h] + table[:-w, :-h]
        i, j = np.nonzero(taken == 0)
        if not len(i):
            return []
        centres = self.low + CELL * (np.column_stack([i, j]) + (cells - 1) / 2)
        best = centres[int(((centres - self.wish) ** 2).sum(axis=1).argmin())]
        return [line + best for line in label]


def extent_of(lines: Sequence[Array]) -> tuple[float, float, float, float]:
    """Return lowest x and y, then highest x and y of lines."""
    points = np.concatenate(lines)
    return (*points.min(axis=0).tolist(), *points.max(axis=0).tolist())
