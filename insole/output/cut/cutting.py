"""Files for cutters: DXF and SVG at 1:1 in millimetres, and the same files read back.

    insole.parts (worn Parts) -> draw -> write_dxf, write_svg -> read_back_* -> insole.output.folder

Layers, in the order in which a machine should work
    NOTE      for people, not for the machine: titles, what faces up, a 100 mm ruler
    PEN       side and heel-to-toe arrow where nothing may be cut in: the skin side, thin sheet
    ENGRAVE   the part's marks in single strokes; grid and axis lines
    GRIND     lines of equal thickness of a part that is ground from a flat blank
    CUT       closed rings; holes before the outline round them, or the part drops out first

Faces
    foot   the sheet lies with the face towards the foot up: parts are seen from above
    shoe   the face towards the shoe is up: parts are seen from below, outlines swapped over

Sheets are drawn toes up, the left foot's parts first. Text is never mirrored, nothing is scaled.
"""

from __future__ import annotations

import io
import itertools
import re
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal
from xml.sax.saxutils import quoteattr

import numpy as np

from footscan.scan import Array
from insole.errors import OutputError, PlanError
from insole.output.print.printing import shelves, write_whole
from insole.parts import engraving
from insole.parts.part import Mark, Part

__all__ = [
    "LAYERS",
    "Face",
    "Layer",
    "Sheet",
    "Stroke",
    "cut_rings",
    "draw",
    "dxf_rings",
    "in_order",
    "lettering",
    "part_strokes",
    "read_back_dxf",
    "read_back_svg",
    "ruler",
    "same_shape",
    "save_dxf",
    "save_svg",
    "side_words",
    "svg_rings",
    "wanted_shape",
    "write_dxf",
    "write_svg",
]

Face = Literal["foot", "shoe"]

GAP = 12.0  # mm between parts on a sheet, room for the title under each
MARGIN = 10.0  # mm round the sheet
SHEET_WIDTH = 420.0  # mm before a new row of parts starts: the long side of A3
THIN = 0.005  # mm that a ring may change when points that add nothing are dropped
SHORT = 0.01  # mm: a stroke shorter than this is a dot that a machine stops for
TITLE = 3.0  # mm, letter height of titles
LABEL = (6.0, 4.0)  # mm, largest and smallest letters of a label of our own in full words
SHORT_LABEL = (6.0, 3.0)  # mm, of one in short words
TINY_LABEL = (2.5, 2.0)  # mm, where nothing larger fits: better than a piece that says nothing
CELL = 0.5  # mm: step at which room for a label is looked for
CLEAR = 0.6  # mm kept between a label and what it must not touch
SHORT_NAMES = {
    "arch-pad": "PAD", "metatarsal-pad": "META", "heel-shim": "HEEL",
    "forefoot-shim": "FORE", "under-shoe-shim": "UNDER",
}  # fmt: skip
ARROW = 19.2  # grid units: 3.2 letter heights
LEVEL_AT = (0.4, 0.6, 0.2, 0.8, 0.1, 0.9)  # shares of a grind line tried for its number
RULER = 100.0  # mm
UNDER = "under"  # lines of equal height of an underside that is not flat
FIXED = ("grid", "pad", "crest")  # lines that a label must not hide; others give way to it
SAME = 1e-3  # share by which area and length of a ring may read back different
STRAY = 0.005  # mm that a ring may stray, as mean over its length


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A layer's colour, as AutoCAD Color Index number and as RGB, and what it is for.

    The lightness of the colours differs by at least 15 in CIE L*, so that they can be told
    apart on a grey print and without colour vision.
    """

    index: int
    rgb: tuple[int, int, int]
    about: str


LAYERS = {
    "NOTE": Layer(index=9, rgb=(205, 205, 205), about="for people, not for the machine"),
    "PEN": Layer(index=40, rgb=(228, 145, 20), about="draw with a pen, or leave out"),
    "ENGRAVE": Layer(index=12, rgb=(200, 70, 45), about="engrave in single strokes"),
    "GRIND": Layer(index=98, rgb=(0, 80, 45), about="lines of equal thickness for grinding"),
    "CUT": Layer(index=178, rgb=(40, 10, 90), about="cut through; holes before outlines"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """One polyline on the sheet: layer, label of its part, points (n, 2) mm, closed or open."""

    layer: str
    part: str
    points: Array
    closed: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """What goes into one file, in the order of work; y up, lower left corner at the origin."""

    strokes: tuple[Stroke, ...]
    width: float
    height: float


# ------------------------------------------------------------------ writing


def write_dxf(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = ""
) -> None:
    """Write the parts as one DXF R2010 sheet in mm: closed polylines and strokes, no text.

    Parameters
    ----------
    path : Path
        File to write, ``.dxf``.
    parts : sequence of Part
        Worn parts.
    kerf : float
        Width that the tool takes away, mm; outlines move out and holes in by half of it.
    face : str
        Which face lies up, see the module's terms.
    note : str
        For the sheet's title: case and version.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    """
    save_dxf(path, draw(parts, kerf=kerf, face=face, note=note))


def save_dxf(path: Path, sheet: Sheet) -> None:
    """Write a drawn sheet as DXF R2010 in mm."""
    with _fixed_metadata() as ezdxf:
        doc = ezdxf.new("R2010", units=ezdxf.units.MM)
        for name, layer in LAYERS.items():
            entry = doc.layers.add(name, color=layer.index, true_color=ezdxf.rgb2int(layer.rgb))
            entry.description = layer.about
        doc.layers.get("NOTE").dxf.plot = 0
        space = doc.modelspace()
        for stroke in sheet.strokes:
            space.add_lwpolyline(
                np.round(stroke.points, 5).tolist(),
                close=stroke.closed,
                dxfattribs={"layer": stroke.layer},
            )
        extents = _box([stroke.points for stroke in sheet.strokes])
        space.reset_extents((*extents[:2], 0), (*extents[2:], 0))
        space.reset_limits((0, 0), (sheet.width, sheet.height))
        doc.set_modelspace_vport(sheet.height, (sheet.width / 2, sheet.height / 2))
        # the library walks a set of names here: their order would change from run to run
        doc.classes.add_required_classes(doc.dxfversion)
        doc.classes.classes = dict(sorted(doc.classes.classes.items()))
        text = io.StringIO()
        doc.write(text)
    write_whole(path, doc.encode(text.getvalue()))


def write_svg(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = ""
) -> None:
    """Write the sheet of :func:`write_dxf` as SVG, 1:1 in mm, a group per layer."""
    save_svg(path, draw(parts, kerf=kerf, face=face, note=note))


def save_svg(path: Path, sheet: Sheet) -> None:
    """Write a drawn sheet as SVG, 1:1 in mm."""
    size = f"{sheet.width:.3f}", f"{sheet.height:.3f}"
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg" version="1.1"',
        f'width="{size[0]}mm" height="{size[1]}mm" viewBox="0 0 {size[0]} {size[1]}">',
    ]
    for name, layer in LAYERS.items():
        shade = "#{:02x}{:02x}{:02x}".format(*layer.rgb)
        rows.append(f'<g id="{name}" fill="none" stroke="{shade}" stroke-width="0.1">')
        rows.append(f"<desc>{layer.about}</desc>")
        for stroke in sheet.strokes:
            if stroke.layer == name:
                line = " ".join(f"{x:.4f},{sheet.height - y:.4f}" for x, y in stroke.points)
                end = " Z" if stroke.closed else ""
                rows.append(f'<path class={quoteattr(stroke.part)} d="M {line}{end}"/>')
        rows.append("</g>")
    rows.append("</svg>\n")
    write_whole(path, "\n".join(rows).encode())


class _fixed_metadata:
    """Give ezdxf without its clock and random ids, and set it back."""

    def __enter__(self) -> Any:
        import ezdxf
        import ezdxf.units

        self._options: Any = vars(ezdxf)["options"]
        self._before = self._options.write_fixed_meta_data_for_testing
        self._options.write_fixed_meta_data_for_testing = True
        return ezdxf

    def __exit__(self, *error: object) -> None:
        self._options.write_fixed_meta_data_for_testing = self._before


# ------------------------------------------------------------------ drawing


def draw(parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = "") -> Sheet:
    """Return the sheet: toes up, each part in its own place, left foot's parts first.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    ValueError
        A part is not worn.
    """
    drawn = [_Drawn.of(part, kerf, face) for part in _left_first(parts)]
    sizes = [item.size for item in drawn]
    corners, used = shelves(sizes, max(SHEET_WIDTH, *(size[0] for size in sizes)), GAP)
    strokes = _ruler(note, face)
    right = max(float(stroke.points[:, 0].max()) for stroke in strokes)
    width = max(used[0] + MARGIN, right) + MARGIN
    height = used[1] + 2 * GAP + 3 * TITLE + 2 * MARGIN
    for item, (x, top) in zip(drawn, corners, strict=True):
        # rows are counted from the top, so that the first part is where reading starts
        place = np.array([MARGIN + x, height - MARGIN - top - item.size[1]])
        strokes += [replace(stroke, points=stroke.points + place) for stroke in item.strokes]
    return Sheet(strokes=in_order(strokes), width=float(width), height=float(height))


def in_order(strokes: Sequence[Stroke]) -> tuple[Stroke, ...]:
    """Return the strokes in the order of work of the layers, without dots and repeats."""
    order = list(LAYERS)
    clean = sorted(_without_repeats(strokes), key=lambda stroke: order.index(stroke.layer))
    return tuple(clean)


def _left_first(parts: Sequence[Part]) -> list[Part]:
    if not parts:
        raise ValueError("parts must not be empty")
    return sorted(parts, key=lambda part: part.side.value)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawn:
    """A part's strokes with the lower left corner of their box at the origin."""

    strokes: list[Stroke]
    size: tuple[float, float]

    @classmethod
    def of(cls, part: Part, kerf: float, face: Face) -> _Drawn:
        strokes = part_strokes(part, kerf=kerf, face=face)
        box = _box([stroke.points for stroke in strokes])
        low = np.array(box[:2])
        moved = [replace(stroke, points=stroke.points - low) for stroke in strokes]
        return cls(strokes=moved, size=(box[2] - box[0], box[3] - box[1]))


def _seen(points: Array, face: Face) -> Array:
    """Return plan points as they lie on the sheet, toes up: turned, and swapped over for shoe."""
    points = np.asarray(points, dtype=float)
    return np.column_stack([points[:, 1] * (-1.0 if face == "foot" else 1.0), points[:, 0]])


def cut_rings(part: Part, kerf: float = 0.0, face: Face = "foot") -> list[Array]:
    """Return the rings to cut, toes up: holes first and outline last, mm.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    ValueError
        The part is not worn.
    """
    import shapely

    if not part.worn:
        raise ValueError(f"{part.label} is not worn yet: pass it through as_worn first")
    if not 0.0 <= kerf < 10.0:
        raise PlanError(f"a kerf of {kerf:g} mm cannot be cut; give 0 to 10 mm")
    shape = shapely.Polygon(part.outline, part.holes)
    grown = _grown(shape, kerf)
    if grown.geom_type != "Polygon" or len(grown.interiors) != len(part.holes):
        raise PlanError(f"a kerf of {kerf:g} mm closes a hole of {part.label}; use a finer tool")
    grown = shapely.remove_repeated_points(grown.simplify(THIN), THIN)
    rings = [_seen(np.array(r.coords)[:-1], face) for r in (*grown.interiors, grown.exterior)]
    shapes = shapely.orient_polygons(shapely.Polygon(rings[-1], rings[:-1]))
    return [np.array(ring.coords)[:-1] for ring in (*shapes.interiors, shapes.exterior)]


def part_strokes(
    part: Part, *, kerf: float = 0.0, face: Face = "foot", title: bool = True
) -> list[Stroke]:
    """Return all strokes of a part toes up, rings last, where its own frame puts them, mm.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    ValueError
        The part is not worn.
    """
    named, strokes = _drawn_once(part, kerf, face)
    return [*named, *strokes] if title else list(strokes)


@lru_cache(maxsize=64)
def _drawn_once(
    part: Part, kerf: float, face: Face
) -> tuple[tuple[Stroke, ...], tuple[Stroke, ...]]:
    """Return title and strokes of a part, kept: it goes into several files, alone and with others.

    A part is frozen, and its hash is that of the object itself.
    """
    rings = cut_rings(part, kerf, face)
    words = _title(part, rings[-1], face)
    named = [Stroke(layer="NOTE", part=part.label, points=w, closed=False) for w in words]
    return tuple(named), tuple(_strokes(part, rings, face))


def wanted_shape(part: Part, *, kerf: float = 0.0, face: Face = "foot") -> Any:
    """Return the region that the cutter's path must enclose, as a shapely polygon, toes up, mm."""
    import shapely

    holed = shapely.Polygon(_seen(part.outline, face), [_seen(h, face) for h in part.holes])
    return _grown(holed, kerf)


def _grown(shape: Any, kerf: float) -> Any:
    """Return a shape moved out by half the kerf; mitred: the tool rounds off no sharp corner."""
    return shape.buffer(kerf / 2, join_style="mitre", mitre_limit=3.0) if kerf else shape


def _strokes(part: Part, rings: list[Array], face: Face) -> Iterator[Stroke]:
    """Yield all strokes of a part but its title, as they lie on the sheet."""
    import shapely

    def stroke(layer: str, points: Array, closed: bool = False) -> Stroke:
        return Stroke(layer=layer, part=part.label, points=points, closed=closed)

    whole = shapely.Polygon(rings[-1], rings[:-1])
    levels = _levels(part, whole, face)
    busy = [_seen(line, face) for word in FIXED for line in part.lines.get(word, ())]
    label = _own_label(part, whole, face, levels, busy if face == "foot" else [])
    halo = shapely.union_all([shapely.LineString(line).buffer(1.2) for line in label])
    yield from (stroke("PEN", line) for line in label)
    for number in levels:  # a number that a label had to be written over goes as a whole
        if shapely.MultiLineString(number).disjoint(halo):
            yield from (stroke("GRIND", line) for line in number)
    for word, lines in part.lines.items():
        # lines belong to the face that carries the pad or is ground; a curved underside has its own
        if (word == UNDER) != (face == "shoe"):
            continue
        layer = "GRIND" if word in ("grind", UNDER) else "ENGRAVE"
        for line in lines:
            for points, closed in _broken(_seen(line, face), halo):
                yield stroke(layer, points, closed)
    yield from (stroke("ENGRAVE", line) for line in _marks(part, face))
    yield from (stroke("CUT", ring, True) for ring in rings)


def _broken(line: Array, halo: Any) -> Iterator[tuple[Array, bool]]:
    """Yield the pieces of a line that leave the letters free, and whether each is closed."""
    import shapely

    path = shapely.LineString(line)
    pieces = [path] if path.disjoint(halo) else shapely.get_parts(path.difference(halo))
    for piece in pieces:
        points = shapely.get_coordinates(piece)
        closed = len(points) > 3 and bool(np.allclose(points[0], points[-1], atol=1e-6))
        yield (points[:-1] if closed else points), closed


def _title(part: Part, outline: Array, face: Face) -> list[Array]:
    """Return the lines of text under a part: side, name, face, material and what to know."""
    facts = part.facts
    words = [f"{part.side.value} {part.name}", f"{_face_words(part, face)} up", part.material]
    words += [f"{facts['thickness']:g} mm" for _ in "x" if "thickness" in facts]
    words += [f"{facts['words']}" for _ in "x" if "words" in facts]
    words += [f"thick edge {facts['thick_edge']:.1f} mm" for _ in "x" if "thick_edge" in facts]
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


def _levels(part: Part, whole: Any, face: Face) -> list[list[Array]]:
    """Return the thickness beside each grind line, mm, where it can be read on the part."""
    import shapely

    numbers: list[list[Array]] = []
    taken = shapely.MultiPoint()
    word = "grind" if face == "foot" else UNDER
    levels = part.facts.get(f"{word}_levels", ())
    for level, line in zip(levels, part.lines.get(word, ()), strict=False):
        path = shapely.LineString(_seen(line, face))
        for share, aside in itertools.product(LEVEL_AT, (4.5, -4.5)):
            at = path.interpolate(share, normalized=True)
            text = lettering(f"{level:.1f}", 2.5, (at.x + aside, at.y))
            box = shapely.MultiPoint(np.concatenate(text)).envelope.buffer(0.5)
            if whole.contains(box) and box.disjoint(taken):
                numbers.append([line for line in text if len(line) > 1])  # an 8 has a dot
                taken = taken.union(box)
                break
    return numbers


def _engraved(part: Part, face: Face) -> list[Mark]:
    """Return the part's marks on a face, without those that did not fit into it."""
    left_out = part.facts.get("paper_only", ())
    return [mark for mark in part.marks if mark.face == face and mark.text not in left_out]


def _marks(part: Part, face: Face) -> list[Array]:
    """Return the strokes of the part's own marks on this face, readable with it up."""
    lines: list[Array] = []
    for mark in _engraved(part, face):
        (at,) = _seen(np.array([[mark.x, mark.y]]), face)
        turn = 90.0 + mark.turn if face == "foot" else 90.0 - mark.turn
        arrow = mark.text == engraving.ARROW  # no longer than the one that was fitted in
        size = mark.size * (engraving.ARROW_LENGTH * 6.0 / ARROW if arrow else 1.0)
        lines += lettering(mark.text, size, (at[0], at[1]), turn=turn)
    return lines


def _own_label(
    part: Part, whole: Any, face: Face, levels: list[list[Array]], fixed: list[Array]
) -> list[Array]:
    """Return side, name, face and heel-to-toe arrow for a face whose marks do not tell the side.

    A blank that says nothing ends in the wrong shoe. The label looks for room that is free of
    numbers and fixed lines, in full words before short ones; where there is none it is written
    over the numbers, then over the lines, and last in tiny letters.
    """
    if any(mark.text.lower() == part.side.value for mark in _engraved(part, face)):
        return []
    numbers = list(itertools.chain.from_iterable(levels))
    rooms = [_Room.beside(part, whole, lines) for lines in ([*numbers, *fixed], fixed, [])]
    full, short = _label_rows(part, face)
    spans = [*((rows, LABEL) for rows in full), *((rows, SHORT_LABEL) for rows in short)]
    tries = [(room, rows, span) for room in rooms for rows, span in spans]
    tries += [(rooms[-1], rows, TINY_LABEL) for rows in short]
    for room, rows, (most, least) in tries:
        for size in np.arange(most, least - 0.01, -0.5):
            for form in ("beside", "above", "along"):
                label = room.put(_label_block(rows, float(size), form))
                if label:
                    return label
    return []


def _label_rows(part: Part, face: Face) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """Return what a label may say: in full words, and in short ones, the best first."""
    told = part.facts.get("label")
    if told is not None:  # side, name and number of a layer, case: alike, layers are mixed up
        whole, tag = (str(word) for word in told)
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
    >>> from tests.insole.test_nesting import star
    >>> side_words(replace(star([25.0] * 60, 1), name="arch-pad-layer-2", facts={"layers": 8}))
    'L PAD 2/8'
    """
    layer = re.match(r"(.+)-layer-0*(\w+)$", part.name)
    name = layer[1] if layer else part.name
    words = f"{part.side.value[0]} {SHORT_NAMES.get(name, name.replace('-', ' '))}".upper()
    if layer is None:
        return words
    of = f"/{part.facts['layers']}" if "layers" in part.facts else ""
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
    box = _box(lines)
    if form == "beside":
        at = (box[0] - 0.6 * (size + head), (box[1] + box[3]) / 2)
    else:
        at = ((box[0] + box[2]) / 2, box[3] + 0.6 * size + ARROW / 12.0 * head)
    lines += lettering(">", head, at, turn=90.0)
    box = _box(lines)
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
        box = _box(label)
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


def _box(lines: Sequence[Array]) -> tuple[float, float, float, float]:
    points = np.concatenate(lines)
    return (*points.min(axis=0).tolist(), *points.max(axis=0).tolist())


def ruler(x0: float, y: float) -> list[Array]:
    """Return the lines of a 100 mm ruler along x from (x0, y), a tick each 10 mm."""
    lines = [np.array([(x0, y), (x0 + RULER, y)])]
    lines += [
        np.array([(x0 + x, y), (x0 + x, y + (3.0 if x % 50 == 0 else 1.5))])
        for x in range(0, int(RULER) + 1, 10)
    ]
    return lines


def _ruler(note: str, face: Face) -> list[Stroke]:
    """Return a 100 mm ruler with what the sheet is, at the lower left corner."""
    seen = "seen from above, foot side up" if face == "foot" else "seen from below, shoe side up"
    lines = ruler(MARGIN, MARGIN + 2 * TITLE)
    text = f"{note} {seen}, ruler 100 mm".strip()
    lines += lettering(text, TITLE, (MARGIN, MARGIN), centred=False)
    return [Stroke(layer="NOTE", part="", points=line, closed=False) for line in lines]


def _without_repeats(strokes: Sequence[Stroke]) -> Iterator[Stroke]:
    """Yield the strokes that are longer than a dot and not drawn before, either way round."""
    seen: set[tuple[str, bytes]] = set()
    for stroke in strokes:
        steps = np.linalg.norm(np.diff(stroke.points, axis=0), axis=1)
        if steps.sum() < SHORT:
            continue
        points = stroke.points[np.concatenate([[True], steps > 1e-6])]
        rounded = np.round(points, 3) + 0.0
        keys = {(stroke.layer, rounded.tobytes()), (stroke.layer, rounded[::-1].tobytes())}
        if keys & seen:
            continue
        seen |= keys
        yield Stroke(layer=stroke.layer, part=stroke.part, points=points, closed=stroke.closed)


# ------------------------------------------------------------------ letters

# Single-stroke capitals of our own on a grid 4 wide and 6 high; two digits a point, x then y.
GLYPHS = {
    "A": "0004264440 0242", "B": "00063645443303 3342413000", "C": "4536160501103041",
    "D": "00062644422000", "E": "46060040 0333", "F": "460600 0333",
    "G": "45361605011030414323", "H": "0006 4046 0343", "I": "1030 2026 1636",
    "J": "0110304146", "K": "0006 460340", "L": "060040", "M": "0006234640", "N": "00064046",
    "O": "103041453616050110", "P": "00063645443303", "Q": "103041453616050110 2240",
    "R": "00063645443303 2340", "S": "453616050413334241301001", "T": "0646 2620",
    "U": "060110304146", "V": "062046", "W": "0610233046", "X": "0046 0640", "Y": "062346 2320",
    "Z": "06460040", "0": "103041453616050110 1234", "1": "152620 1030", "2": "05163645440040",
    "3": "051636454433 13334241301001", "4": "30360242", "5": "460603334241301001",
    "6": "453616050110304142331302", "7": "064610", "8": "133342413010010213040516364544 33",
    "9": "011030414536160504133344", "-": "1333", "\u2013": "0343", "+": "0343 2125", ".": "2021",
    ",": "2110", ":": "2122 2425", "/": "0046", "(": "36252130", ")": "16252110",
    "°": "1526352415", "<": "350331", ">": "154311", "=": "0242 0444", "\u00d7": "1234 1432",
    "±": "0444 2226 0141", "%": "0046 0616150506 3141403031", "_": "0040", "'": "2625",
    "→": "0343 254321", "·": "2223",
}  # fmt: skip
UNKNOWN = "0006464000"  # an empty box: something stood here that these letters cannot write
PITCH = 5.6  # grid units from letter to letter


def lettering(
    text: str, size: float, at: tuple[float, float], *, turn: float = 0.0, centred: bool = True
) -> list[Array]:
    """Return a line of text as single strokes, shape (n, 2) each, mm.

    Capitals only; accents are dropped and a letter not known becomes an empty box. The text
    ``">"`` alone is an arrow.

    Parameters
    ----------
    text : str
        What to write.
    size : float
        Letter height, mm.
    at : (float, float)
        Centre, or the left end of the base line when not `centred`, mm.
    turn : float
        Degrees about +z of the reading direction.

    Examples
    --------
    >>> [line.tolist() for line in lettering("L", 6.0, (0, 0), centred=False)]
    [[[0.0, 6.0], [0.0, 0.0], [4.0, 0.0]]]
    """
    if text == ">":
        lines = [np.array([(0.0, 3.0), (ARROW, 3.0)])]
        lines.append(np.array([(ARROW - 5.0, 6.0), (ARROW, 3.0), (ARROW - 5.0, 0.0)]))
        width = ARROW
    else:
        plain = unicodedata.normalize("NFKD", text.upper().replace("°", "\0"))
        letters = [c for c in plain if not unicodedata.combining(c)]
        width = PITCH * len(letters) - (PITCH - 4.0)
        lines = []
        for k, letter in enumerate(letters):
            code = GLYPHS.get(letter.replace("\0", "°"), "" if letter.isspace() else UNKNOWN)
            for digits in code.split():
                grid = np.array([float(digit) for digit in digits]).reshape(-1, 2)
                lines.append(grid + np.array([k * PITCH, 0.0]))
    middle = np.array([width / 2, 3.0]) if centred else np.zeros(2)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    spin = np.array([[c, s], [-s, c]]) * (size / 6.0)
    return [(line - middle) @ spin + np.asarray(at) for line in lines]


# ------------------------------------------------------------------ reading back


def read_back_dxf(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot"
) -> dict[str, float]:
    """Return the area of each part in the DXF file, mm2, after comparing it with the part.

    Raises
    ------
    OutputError
        The audit finds anything, the unit is not mm, a layer is not ours, or a ring is missing,
        open, of another area or length (0.1 %), mirrored, or runs into another part.
    """
    return _compared(path, dxf_rings(path), parts, kerf, face)


def dxf_rings(path: Path) -> list[Array]:
    """Return the rings of the layer CUT in the file's order; refuse a file that is not sound.

    Raises
    ------
    OutputError
        The audit finds anything, the unit is not mm, a layer is not ours, or a ring is open.
    """
    from ezdxf import units
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError

    try:
        doc = readfile(path)
    except (DXFError, OSError, UnicodeDecodeError) as error:
        raise OutputError(f"{path.name} does not read back as DXF: {error}") from None
    audit = doc.audit()
    if audit.errors or audit.fixes:
        raise OutputError(f"{path.name} reads back with faults: {audit.errors or audit.fixes}")
    if doc.header["$INSUNITS"] != units.MM or doc.header["$MEASUREMENT"] != 1:
        raise OutputError(f"{path.name} reads back in another unit than millimetres")
    entities: list[Any] = list(doc.modelspace())
    kinds, layers = {e.dxftype() for e in entities}, {e.dxf.layer for e in entities}
    if kinds != {"LWPOLYLINE"} or not layers <= LAYERS.keys():
        raise OutputError(f"{path.name} holds more than polylines on the layers {list(LAYERS)}")
    cut = [e for e in entities if e.dxf.layer == "CUT"]
    if not all(e.closed for e in cut):
        raise OutputError(f"{path.name} has an open line on the layer CUT")
    return [np.array(e.get_points("xy")) for e in cut]


def read_back_svg(
    path: Path, parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot"
) -> dict[str, float]:
    """Return the area of each part in the SVG file, mm2, after comparing it with the part.

    Raises
    ------
    OutputError
        As :func:`read_back_dxf`.
    """
    return _compared(path, svg_rings(path), parts, kerf, face)


def svg_rings(path: Path) -> list[Array]:
    """Return the rings of the group CUT in the file's order, y up; lower edge at y = -height.

    Raises
    ------
    OutputError
        The file is not SVG, not 1:1 in mm, or a ring is open.
    """
    from xml.etree import ElementTree

    space = "{http://www.w3.org/2000/svg}"
    try:
        root = ElementTree.parse(path).getroot()
    except ElementTree.ParseError as error:
        raise OutputError(f"{path.name} does not read back as SVG: {error}") from None
    view = root.get("viewBox", "").split()
    if [f"{v}mm" for v in view[2:]] != [root.get("width"), root.get("height")]:
        raise OutputError(f"{path.name} is not drawn 1:1 in millimetres")
    lines = [p.get("d", "") for p in root.findall(f"{space}g[@id='CUT']/{space}path")]
    if not all(line.endswith("Z") for line in lines):
        raise OutputError(f"{path.name} has an open line in the group CUT")
    rings = [
        np.array([[float(n) for n in pair.split(",")] for pair in line.strip("MZ ").split()])
        for line in lines
    ]
    return [ring * [1, -1] for ring in rings]


def _compared(
    path: Path, rings: list[Array], parts: Sequence[Part], kerf: float, face: Face
) -> dict[str, float]:
    """Return the area of each part from its rings; refuse rings that are not the parts'."""
    import shapely

    areas, shapes, k = {}, [], 0
    for part in _left_first(parts):
        n = len(part.holes) + 1
        if len(rings) < k + n:
            raise OutputError(f"{path.name} reads back without all rings of {part.label}")
        *holes, outline = rings[k : k + n]
        shape = shapely.Polygon(outline, holes)
        wanted = wanted_shape(part, kerf=kerf, face=face)
        shift = shapely.get_coordinates(shape.centroid) - shapely.get_coordinates(wanted.centroid)
        placed = shapely.transform(wanted, lambda points, by=shift: points + by)
        same_shape(path, part.label, shape, placed)
        areas[part.label] = float(shape.area)
        shapes.append(shape)
        k += n
    if k != len(rings):
        raise OutputError(f"{path.name} reads back with rings that belong to no part")
    hits = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    if hits.shape[1] != len(shapes):
        raise OutputError(f"{path.name} reads back with parts that run into each other")
    return areas


def same_shape(path: Path, label: str, shape: Any, wanted: Any) -> None:
    """Refuse a polygon read back that is not the one wanted, in the same place.

    Raises
    ------
    OutputError
        Area or length differ by more than 0.1 %, or the shapes do not lie on one another.
    """
    for what in ("area", "length"):
        found, want = float(getattr(shape, what)), float(getattr(wanted, what))
        if not shape.is_valid or abs(found - want) > SAME * want:
            raise OutputError(
                f"{path.name}: {label} reads back with {what} {found:.1f}, "
                f"it should be {want:.1f} (mm)"
            )
    if shape.symmetric_difference(wanted).area > STRAY * wanted.length:
        raise OutputError(f"{path.name}: {label} reads back with another shape or mirrored")
