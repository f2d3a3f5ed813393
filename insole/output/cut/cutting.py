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

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError
from insole.output.cut.labels import (
    TITLE,
    UNDER,
    extent_of,
    level_numbers,
    mark_lines,
    own_label,
    title_lines,
)
from insole.output.cut.layers import LAYERS, CutLayer, Face, Sheet, Stroke, seen
from insole.output.cut.lettering import lettering
from insole.output.print.plates import shelves
from insole.parts.curves import thinned
from insole.parts.part import Part

__all__ = ["cut_rings", "draw", "in_order", "left_first", "part_strokes", "ruler", "wanted_shape"]

GAP = 12.0  # mm between parts on a sheet, room for the title under each
MARGIN = 10.0  # mm round the sheet
SHEET_WIDTH = 420.0  # mm before a new row of parts starts: the long side of A3
THIN = 0.005  # mm that a ring may change when points that add nothing are dropped
SHORT = 0.05  # mm: a stroke shorter than this is a dot that a machine stops for
RULER = 100.0  # mm
BESIDE_CUT = 0.3  # mm beside a line to cut in which nothing is engraved
TWICE = 0.04  # mm: lines as near as that are one
MERGED = 0.5  # mm: shorter ones are crossings
FIXED = ("grid", "pad", "crest")  # lines that a label must not hide; others give way to it


def draw(parts: Sequence[Part], *, kerf: float = 0.0, face: Face = "foot", note: str = "") -> Sheet:
    """Return the sheet: toes up, each part in its own place, left foot's parts first.

    Raises
    ------
    PlanError
        The kerf is negative or closes a hole.
    ValueError
        A part is not worn.
    """
    return _drawn(tuple(parts), kerf, face, note)


@lru_cache(maxsize=4)
def _drawn(parts: tuple[Part, ...], kerf: float, face: Face, note: str) -> Sheet:
    """Return the sheet, kept: it is written as DXF and as SVG."""
    drawn = [_Drawn.of(part, kerf, face) for part in left_first(parts)]
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


def left_first(parts: Sequence[Part]) -> list[Part]:
    """Return worn parts, the left foot's first."""
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
        box = extent_of([stroke.points for stroke in strokes])
        low = np.array(box[:2])
        moved = [replace(stroke, points=stroke.points - low) for stroke in strokes]
        return cls(strokes=moved, size=(box[2] - box[0], box[3] - box[1]))


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
    rings = [seen(np.array(r.coords)[:-1], face) for r in (*grown.interiors, grown.exterior)]
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
    words = title_lines(part, rings[-1], face)
    named = [Stroke(layer=CutLayer.NOTE, part=part.label, points=w, closed=False) for w in words]
    return tuple(named), tuple(_strokes(part, rings, face))


def wanted_shape(part: Part, *, kerf: float = 0.0, face: Face = "foot") -> Any:
    """Return the region that the cutter's path must enclose, as a shapely polygon, toes up, mm."""
    import shapely

    holed = shapely.Polygon(seen(part.outline, face), [seen(h, face) for h in part.holes])
    return _grown(holed, kerf)


def _grown(shape: Any, kerf: float) -> Any:
    """Return a shape moved out by half the kerf; mitred: the tool rounds off no sharp corner."""
    return shape.buffer(kerf / 2, join_style="mitre", mitre_limit=3.0) if kerf else shape


def _strokes(part: Part, rings: list[Array], face: Face) -> Iterator[Stroke]:
    """Yield all strokes of a part but its title, as they lie on the sheet."""
    import shapely

    def stroke(layer: CutLayer, points: Array, closed: bool = False) -> Stroke:
        return Stroke(layer=layer, part=part.label, points=points, closed=closed)

    whole = shapely.Polygon(rings[-1], rings[:-1])
    levels = level_numbers(part, whole, face)
    busy = [seen(line, face) for word in FIXED for line in part.lines.get(word, ())]
    numbers = [level.strokes for level in levels]
    label = own_label(part, whole, face, numbers, busy if face == "foot" else [])
    halo = shapely.union_all([shapely.LineString(line).buffer(1.2) for line in label])
    yield from (stroke(CutLayer.PEN, line) for line in label)
    # a number that a label had to be written over goes as a whole
    kept = {n.line: n for n in levels if shapely.MultiLineString(n.strokes).disjoint(halo)}
    for level in kept.values():
        yield from (stroke(CutLayer.GRIND, line) for line in level.strokes)
    apart = halo.union(whole.boundary.buffer(BESIDE_CUT))
    drawn: list[Any] = []
    for word, lines in part.lines.items():
        # lines belong to the face that carries the pad or is ground; a curved underside has its own
        if (word == UNDER) != (face == "shoe"):
            continue
        ground = word in ("grind", UNDER)
        for k, line in enumerate(lines):
            away = apart
            if ground:
                away = halo.union(kept[k].box) if k in kept else halo
            for points, closed in _broken(seen(line, face), away):
                if ground:
                    yield stroke(CutLayer.GRIND, points, closed)
                    continue
                path = shapely.LineString(points)
                yield from (stroke(CutLayer.ENGRAVE, piece) for piece in _new(path, drawn, closed))
                drawn.append(path.buffer(TWICE))
    yield from (stroke(CutLayer.ENGRAVE, line) for line in mark_lines(part, face))
    yield from (stroke(CutLayer.CUT, ring, True) for ring in rings)


def _new(path: Any, drawn: Sequence[Any], closed: bool) -> Iterator[Array]:
    """Yield what of a line was not engraved before; a crossing is no repeat."""
    import shapely

    if closed:
        path = shapely.LineString([*path.coords, path.coords[0]])
    before = np.array(drawn, dtype=object)
    near = before[shapely.intersects(path, before)] if drawn else before
    again = shapely.get_parts(path.intersection(shapely.union_all(near)))
    twice = [piece.buffer(1e-4) for piece in again if piece.length > MERGED]
    rest = path.difference(shapely.union_all(twice)) if twice else path
    for piece in shapely.get_parts(shapely.line_merge(rest) if twice else rest):
        if piece.length >= MERGED:
            yield shapely.get_coordinates(piece)


def _broken(line: Array, halo: Any) -> Iterator[tuple[Array, bool]]:
    """Yield the pieces of a line that leave the letters free, and whether each is closed."""
    import shapely

    path = shapely.LineString(line)
    pieces = [path] if path.disjoint(halo) else shapely.get_parts(path.difference(halo))
    for piece in pieces:
        points = shapely.get_coordinates(piece)
        closed = len(points) > 3 and bool(np.allclose(points[0], points[-1], atol=1e-6))
        yield (points[:-1] if closed else points), closed


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
    return [Stroke(layer=CutLayer.NOTE, part="", points=line, closed=False) for line in lines]


def _without_repeats(strokes: Sequence[Stroke]) -> Iterator[Stroke]:
    """Yield the strokes that are longer than a dot and not drawn before, either way round."""
    seen: set[tuple[str, bytes]] = set()
    for stroke in strokes:
        steps = np.linalg.norm(np.diff(stroke.points, axis=0), axis=1)
        if steps.sum() < SHORT:
            continue
        points = thinned(stroke.points, closed=stroke.closed)
        rounded = np.round(points, 3) + 0.0
        keys = {(stroke.layer, rounded.tobytes()), (stroke.layer, rounded[::-1].tobytes())}
        if keys & seen:
            continue
        seen |= keys
        yield Stroke(layer=stroke.layer, part=stroke.part, points=points, closed=stroke.closed)
