"""What a written file shows, in lines that can be read, compared with tolerance and diffed.

    file -> lines_of -> "kind where | numbers | words";  approved, present lines -> differences

Nothing here depends on the order of strokes, on counts of triangles or on the last digits.
"""

from __future__ import annotations

import json
import re
import zipfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import ezdxf
import numpy as np
import shapely
import trimesh
from ezdxf import path as ezpath
from PIL import Image
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tests.papers import MM, pdfium

__all__ = ["differences", "lines_of"]

CELLS, SMALL_CELLS = 48, 10  # of a picture, and of one on a page, along and across
GRID_MM = 12.0  # between the places where a solid's heights are read
SMALL_MM, NEAR_MM = 12.0, 1.37  # a stroke of a letter, and how far the next one lies at most
PLACE_MM = 0.02
CELL = 0.15  # of 255
SEAL_MM = 3.0  # along the line: a seal's digits are not equally wide
SHARE = {"path": 2e-3, "volume": 1e-3, "area": 1e-3, "value": 1e-3}  # of the last number itself
LEAST = {"volume": 0.01, "area": 0.02, "value": 1e-3}  # cm³, cm², as written
SEALS = re.compile(r"\b(?=[0-9a-f]*\d)[0-9a-f]{6,64}\b")  # they follow the last digit of any figure
FIGURE = re.compile(r"\d+\.(\d+)")


def lines_of(path: Path) -> list[str]:
    """Return what a file shows, sorted, rounded to 0.01 mm."""
    return sorted(_KINDS[path.suffix](path))


def _line(head: str, numbers: Iterable[float], words: str = "") -> str:
    # rounded twice: -0.0 is 0.0, and figures near a half are not decided by their last digit
    told = " ".join(f"{round(float(n), 2) + 0.0:.2f}".removesuffix(".00") for n in numbers)
    return f"{head} | {told} | {SEALS.sub('#', ' '.join(words.split()))}"


# ------------------------------------------------------------------ comparing


def differences(approved: Iterable[str], present: Iterable[str]) -> list[str]:
    """Return what differs: `- what was approved` and `+ what is there now`."""
    old, new = _grouped(approved), _grouped(present)
    found = []
    for key in sorted({*old, *new}):
        there = np.array([numbers for _, numbers, _ in new.get(key, [])])
        left = np.ones(len(there), dtype=bool)
        for line, numbers, most in old.get(key, []):
            off = np.abs(there - numbers) if left.any() else there[:0]
            near = np.flatnonzero(left & (off <= most).all(axis=1)) if len(off) else []
            if len(near):
                left[near[off[near].sum(axis=1).argmin()]] = False
            else:
                found.append(f"- {line}")
        found += [
            f"+ {line}" for (line, _, _), on in zip(new.get(key, []), left, strict=True) if on
        ]
    return found


Told = tuple[str, np.ndarray, np.ndarray]


def _grouped(lines: Iterable[str]) -> dict[tuple[str, str, int], list[Told]]:
    """Return lines by their words, each with its numbers and how far they may be off."""
    found = defaultdict(list)
    for line in lines:
        head, told, words = line.split(" | ", 2)
        numbers = [float(n) for n in told.split()]
        kind = head.split()[0]
        allowed = [CELL if kind == "cell" else LEAST.get(kind, PLACE_MM)] * len(numbers)
        if kind in SHARE and numbers:
            allowed[-1] = max(allowed[-1], SHARE[kind] * abs(numbers[-1]))
        if kind == "text" and "#" in words:
            allowed = [SEAL_MM, PLACE_MM, SEAL_MM, PLACE_MM]
        for figure in FIGURE.finditer(words):
            numbers.append(float(figure[0]))
            allowed.append(1.01 * 10.0 ** -len(figure[1]))
        key = head, FIGURE.sub("~", words), len(numbers)
        found[key].append((line, np.array(numbers), np.array(allowed) + 0.0051))
    return found


# ------------------------------------------------------------------ papers


def _pdf(path: Path) -> Iterator[str]:
    for number, page in enumerate(pdfium.PdfDocument(path.read_bytes()), 1):
        text, pictures = page.get_textpage(), 0
        yield _line(f"page {number}", np.array(page.get_size()) * MM)
        for thing in page.get_objects(max_depth=8):
            if thing.type == pdfium.raw.FPDF_PAGEOBJ_PATH:
                yield _line(f"path {number} {_colours(thing)}", _path(thing))
                continue
            box = np.array(thing.get_bounds()) * MM
            if thing.type == pdfium.raw.FPDF_PAGEOBJ_TEXT:
                words = _text(thing, text)
                if words.strip():
                    yield _line(f"text {number} {_colours(thing, filled=True)}", box, words)
            elif thing.type == pdfium.raw.FPDF_PAGEOBJ_IMAGE:
                yield _line(f"image {number}", box)
                pictures += 1
                head = f"cell {number} {pictures}"
                yield from _cells(head, thing.get_bitmap().to_pil(), SMALL_CELLS)


def _text(thing: Any, page: Any) -> str:
    from ctypes import POINTER, c_ushort, cast, create_string_buffer

    raw = pdfium.raw
    size = raw.FPDFTextObj_GetText(thing.raw, page.raw, None, 0)
    data = create_string_buffer(size)
    raw.FPDFTextObj_GetText(thing.raw, page.raw, cast(data, POINTER(c_ushort)), size)
    return data.raw.decode("utf-16-le").rstrip("\0")


def _colours(thing: Any, *, filled: bool = False) -> str:
    """Return fill and stroke of an object as hexadecimal words; a dash where there is none."""
    from ctypes import byref, c_float, c_int, c_uint

    raw, found = pdfium.raw, []
    fill, stroke = c_int(), c_int()
    if not filled:
        raw.FPDFPath_GetDrawMode(thing.raw, byref(fill), byref(stroke))
    for on, ask in (
        (filled or fill.value, raw.FPDFPageObj_GetFillColor),
        (stroke.value, raw.FPDFPageObj_GetStrokeColor),
    ):
        parts = [c_uint() for _ in range(4)]
        ask(thing.raw, *map(byref, parts))
        found.append("".join(f"{p.value:02x}" for p in parts[:3]) if on else "-")
    width = c_float()
    raw.FPDFPageObj_GetStrokeWidth(thing.raw, byref(width))
    return " ".join([*found, f"{width.value:.3f}"] if stroke.value else found)


def _path(thing: Any) -> list[float]:
    """Return a path's box and its length along its points, mm; no mitres, no width."""
    from ctypes import byref, c_float

    raw, at, total, points = pdfium.raw, None, 0.0, []
    matrix = thing.get_matrix()
    for k in range(raw.FPDFPath_CountSegments(thing.raw)):
        segment = raw.FPDFPath_GetPathSegment(thing.raw, k)
        x, y = c_float(), c_float()
        raw.FPDFPathSegment_GetPoint(segment, byref(x), byref(y))
        here = np.array(matrix.on_point(x.value, y.value)) * MM
        if at is not None and raw.FPDFPathSegment_GetType(segment) != raw.FPDF_SEGMENT_MOVETO:
            total += float(np.hypot(*(here - at)))
        points.append(at := here)
    return [*np.min(points, axis=0), *np.max(points, axis=0), total]


def _png(path: Path) -> Iterator[str]:
    picture = Image.open(path)
    yield _line("pixels", picture.size)
    yield from _cells("cell", picture, CELLS)


def _cells(head: str, picture: Any, count: int) -> Iterator[str]:
    """Yield the mean colours of a picture's cells, a row each."""
    shown = np.asarray(picture.convert("RGB"), dtype=float)
    for axis in (0, 1):
        cells = min(count, shown.shape[axis])
        starts = np.linspace(0, shown.shape[axis], cells, endpoint=False).astype(int)
        sizes = np.diff(starts, append=shown.shape[axis])
        shown = np.add.reduceat(shown, starts, axis) / sizes.reshape(-1, *[1] * (2 - axis))
    for k, row in enumerate(shown):
        told = " ".join(f"{n:.1f}".removesuffix(".0") for n in row.ravel())
        yield f"{head} {k:02d} | {told} | "


# ------------------------------------------------------------------ cut files


def _dxf(path: Path) -> Iterator[str]:
    strokes = defaultdict(list)  # letters and ticks: told by the word, which a reader knows
    for entity in ezdxf.readfile(path).modelspace():
        head = f"path {entity.dxf.layer} {entity.dxftype()}"
        try:
            drawn = ezpath.make_path(entity)
        except TypeError:  # words and points
            yield _line(f"thing {head}", list(entity.dxf.insert)[:2], entity.dxf.get("text", ""))
            continue
        points = np.array([(p.x, p.y) for p in drawn.flattening(0.02)])
        steps = np.hypot(*np.diff(points, axis=0).T)
        row = [*points.min(axis=0), *points.max(axis=0), steps.sum()]
        small = max(row[2] - row[0], row[3] - row[1]) < SMALL_MM
        strokes[head].append(row) if small else (yield _line(head, row))
    for head, rows in strokes.items():
        for row in _words(np.array(rows)):
            yield _line(head, row)


def _words(rows: np.ndarray) -> Iterator[list[float]]:
    """Yield box and length of strokes that lie together, as those of a word do."""
    tree = shapely.STRtree(shapely.box(*rows[:, :4].T))
    near = tree.query(shapely.box(*(rows[:, :4] + [-NEAR_MM, -NEAR_MM, NEAR_MM, NEAR_MM]).T))
    count = len(rows)
    _, group = connected_components(coo_array((np.ones(near.shape[1]), near), (count, count)))
    for k in range(max(group, default=-1) + 1):
        mine = rows[group == k]
        yield [*mine[:, :2].min(axis=0), *mine[:, 2:4].max(axis=0), mine[:, 4].sum()]


# ------------------------------------------------------------------ solids


def _stl(path: Path) -> Iterator[str]:
    yield from _solid(path.stem, trimesh.load_mesh(path))


def _3mf(path: Path) -> Iterator[str]:
    with zipfile.ZipFile(path) as bundle:
        root = ElementTree.fromstring(bundle.read("3D/3dmodel.model"))
    for thing in root.iter():
        name = thing.tag.rpartition("}")[2]
        if name == "metadata":
            yield _line(f"metadata {thing.get('name')}", (), thing.text or "")
        elif name == "item":
            turn = (float(n) for n in (thing.get("transform") or "").split())
            yield _line(f"item {thing.get('objectid')}", turn)
        elif name == "object":
            at = [[float(v.get(a, "nan")) for a in "xyz"] for v in thing.iter() if _is(v, "vertex")]
            if at:
                box = np.array([np.min(at, axis=0), np.max(at, axis=0)])
                yield _line(f"object {thing.get('id')}", box.ravel(), thing.get("name") or "")


def _is(thing: Any, name: str) -> bool:
    return str(thing.tag).rpartition("}")[2] == name


def _solid(name: str, mesh: Any) -> Iterator[str]:
    """Tell a solid by its box, its volume and its heights from above and from below."""
    low, high = mesh.bounds
    yield _line("bounds", [*low, *high], name)
    yield _line("volume", [mesh.volume / 1e3])
    yield _line("area", [mesh.area / 1e2])
    # off the middle, where an edge that lies along an axis would decide
    x = np.arange(low[0] + GRID_MM / 2 + 0.13, high[0], GRID_MM)
    y = np.arange(low[1] + GRID_MM / 2 + 0.17, high[1], GRID_MM)
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    z = _heights(mesh.triangles, at)
    for k in range(len(x)):
        column = z[k * len(y) : (k + 1) * len(y)]
        told = " ".join("-" if np.isnan(a) else f"{a:.2f}/{b:.2f}" for a, b in column)
        yield f"heights {k:02d} |  | {told}"


def _heights(triangles: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the lowest and the highest height of a mesh at places, mm; NaN beside it."""
    found = np.full((len(at), 2), np.nan)
    flat = triangles[:, :, :2]
    boxes = shapely.box(*flat.min(axis=1).T, *flat.max(axis=1).T)
    tree = shapely.STRtree(boxes)
    place, face = tree.query(shapely.points(at))
    a, b, c = (triangles[face, k] for k in range(3))
    p = at[place]
    whole = _cross((b - a)[:, :2], (c - a)[:, :2])
    with np.errstate(divide="ignore", invalid="ignore"):
        s = _cross(p - a[:, :2], (c - a)[:, :2]) / whole
        t = _cross((b - a)[:, :2], p - a[:, :2]) / whole
        inside = (np.abs(whole) > 1e-9) & (s >= 0) & (t >= 0) & (s + t <= 1)
        z = (a + s[:, None] * (b - a) + t[:, None] * (c - a))[:, 2]
    np.fmin.at(found[:, 0], place[inside], z[inside])
    np.fmax.at(found[:, 1], place[inside], z[inside])
    return found


def _cross(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]


def _step(path: Path) -> Iterator[str]:
    from cadquery import importers

    solid = importers.importStep(str(path))
    box = solid.val().BoundingBox()
    name = re.search(r"PRODUCT\('([^']*)'", path.read_text(encoding="utf-8"))
    yield _line("bounds", [box.xmin, box.ymin, box.zmin, box.xmax, box.ymax, box.zmax], path.stem)
    yield _line("product", (), name[1] if name else "none")
    yield _line("volume", [solid.val().Volume() / 1e3])
    kinds = Counter(face.geomType() for face in solid.faces().vals())
    for kind, count in kinds.items():
        areas = sum(face.Area() for face in solid.faces().vals() if face.geomType() == kind)
        yield _line("area", [count, areas / 1e2], kind)


# ------------------------------------------------------------------ records


def _txt(path: Path) -> Iterator[str]:
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines()):
        yield _line(f"line {number:03d}", (), line)


def _json(path: Path) -> Iterator[str]:
    yield from _told("", json.loads(path.read_text(encoding="utf-8")))


def _told(where: str, value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _told(f"{where}.{name}", one)
    elif isinstance(value, list) and len(value) > 4 and _numbers(value):
        rows = np.array(value, dtype=float).reshape(len(value), -1)
        if rows.shape[1] == 2:  # an outline, which may have more corners or fewer
            steps = np.diff(rows, axis=0, append=rows[:1])
            box = [*rows.min(axis=0), *rows.max(axis=0)]
            yield _line(f"array {where}", [*box, np.hypot(*steps.T).sum()])
            yield _line(f"array {where} area", [_cross(rows, rows + steps).sum() / 200])
        else:  # a table of heights
            yield _line(f"array {where}", [*rows.shape, np.nanmin(rows), np.nanmax(rows)])
            for axis in (0, 1):
                means = np.nanmean(rows, axis=axis)
                yield _line(f"array {where} means {axis}", means[:: 1 + len(means) // 16])
    elif isinstance(value, list):
        for k, one in enumerate(value):
            yield from _told(f"{where}.{k}", one)
    elif isinstance(value, bool) or not isinstance(value, int | float):
        yield _line(f"word {where}", (), str(value))
    elif "bytes" not in where:
        yield f"value {where} | {value:.6g} | "


def _numbers(value: list[Any]) -> bool:
    try:
        return np.array(value, dtype=float).ndim in (1, 2)
    except (TypeError, ValueError):
        return False


_KINDS: dict[str, Callable[[Path], Iterator[str]]] = {
    ".pdf": _pdf,
    ".png": _png,
    ".dxf": _dxf,
    ".stl": _stl,
    ".step": _step,
    ".3mf": _3mf,
    ".txt": _txt,
    ".json": _json,
}
