"""Cut files as a machine gets them: DXF and SVG -> layers of polylines, mm, y up.

Both are read here from their text: group codes of a DXF, paths of an SVG.
"""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from insole.errors import OutputError
from insole.readback.letters import Points, Shape

__all__ = ["Drawing", "read_drawing", "same_drawing"]


CHORDS, SPAN = 24, 0.7  # chords in each so many radians of an arc: 0.005 mm on the largest


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What a cut file holds: its strokes by layer, in the file's order."""

    name: str
    layers: dict[str, list[Shape]]


def read_drawing(path: Path) -> Drawing:
    """Return the polylines of a DXF or SVG file.

    Raises
    ------
    OutputError
        The file holds anything else, or is not in millimetres.
    """
    layers: dict[str, list[Shape]] = {}
    try:
        found = _dxf(path) if path.suffix == ".dxf" else _svg(path)
        for layer, shape in found:
            layers.setdefault(layer, []).append(shape)
    except (ValueError, IndexError, UnicodeDecodeError):
        raise OutputError(f"{path.name} cannot be read as a drawing") from None
    return Drawing(name=path.name, layers=layers)


def same_drawing(one: Drawing, other: Drawing, *, within: float = 2e-3) -> bool:
    """Return whether two drawings hold the same strokes, wherever their origin is."""
    if one.layers.keys() != other.layers.keys():
        return False
    pairs = []
    for layer, shapes in one.layers.items():
        others = other.layers[layer]
        if len(shapes) != len(others):
            return False
        pairs += list(zip(shapes, others, strict=True))
    if any(len(a.points) != len(b.points) or a.closed != b.closed for a, b in pairs):
        return False
    if not pairs:
        return True
    apart = np.vstack([a.points for a, _ in pairs]) - np.vstack([b.points for _, b in pairs])
    return bool(np.abs(apart - apart[0]).max() <= within)


def _dxf(path: Path) -> Iterator[tuple[str, Shape]]:
    """Yield layer and polyline of each entity of a DXF, arcs as short chords."""
    text = path.read_text(encoding="utf-8")
    lines = text.split("\n")
    version = re.search(r"\$ACADVER\s*\n\s*1\s*\n\s*(\w+)", text)
    old = version is not None and version[1] == "AC1009"  # knows no unit
    unit = re.search(r"\$INSUNITS\s*\n\s*70\s*\n\s*(\d+)", text)
    if not old and (unit is None or unit[1] != "4"):
        raise OutputError(f"{path.name} is not in millimetres")
    stripped = [line.strip() for line in lines]
    pairs = list(zip(stripped[0::2], stripped[1::2], strict=False))
    start = next(k for k in range(1, len(pairs)) if pairs[k] == ("2", "ENTITIES"))
    things: list[list[tuple[str, str]]] = []
    for code, value in pairs[start + 1 :]:
        if (code, value) == ("0", "ENDSEC"):
            break
        if code == "0":
            things.append([])
        things[-1].append((code, value))
    kinds = ("POLYLINE", "VERTEX", "SEQEND") if old else ("LWPOLYLINE",)
    layer, closed, rows = "", False, list[list[float]]()
    for thing in things:
        kind = thing[0][1]
        if kind not in kinds:
            raise OutputError(f"{path.name} holds a {kind.lower()}, not only polylines")
        if any(code == "230" and float(value) < 0 for code, value in thing):
            raise OutputError(f"{path.name} holds a stroke that is seen from behind")
        if kind in ("LWPOLYLINE", "POLYLINE"):
            known = dict(thing)
            layer, closed, rows = known.get("8", ""), bool(int(known.get("70", "0")) & 1), []
        if kind in ("LWPOLYLINE", "VERTEX"):
            for code, value in thing:
                if code == "10":
                    rows.append([float(value), 0.0, 0.0])
                elif code in ("20", "42"):
                    rows[-1][1 if code == "20" else 2] = float(value)
        if kind in ("LWPOLYLINE", "SEQEND"):
            yield layer, Shape(_flat(rows, closed), closed)


def _flat(rows: list[list[float]], closed: bool) -> Points:
    """Return vertices with bulges as points, each arc in short chords."""
    found = []
    for k, (x, y, bulge) in enumerate(rows):
        found.append([x, y])
        if not bulge or (k + 1 == len(rows) and not closed):
            continue
        ahead = rows[(k + 1) % len(rows)]
        start, end = complex(x, y), complex(ahead[0], ahead[1])
        turn = 4.0 * math.atan(bulge)
        centre = (start + end) / 2 + (end - start) * 1j / (2.0 * math.tan(turn / 2.0))
        count = CHORDS * math.ceil(abs(turn) / SPAN)
        for step in range(1, count):
            spot = centre + (start - centre) * cmath.exp(1j * turn * step / count)
            found.append([spot.real, spot.imag])
    return np.array(found, dtype=float).reshape(-1, 2)


def _svg(path: Path) -> Iterator[tuple[str, Shape]]:
    """Yield layer and polyline of each path of an SVG, y turned up."""
    from lxml import etree

    parser = etree.XMLParser(resolve_entities=False, no_network=True)
    try:
        root = etree.fromstring(path.read_bytes(), parser)
    except etree.XMLSyntaxError:
        raise OutputError(f"{path.name} cannot be read as SVG") from None
    size = [float(value) for value in root.get("viewBox", "").split()]
    sides = (root.get("width", ""), root.get("height", ""))
    if len(size) != 4 or [f"{v:.3f}mm" for v in size[2:]] != list(sides):
        raise OutputError(f"{path.name} is not drawn 1:1 in millimetres")
    for element in root.iter():
        if any(name in element.attrib for name in ("transform", "style", "display")):
            raise OutputError(f"{path.name} moves or hides a part of the drawing")
        kind = etree.QName(element).localname
        if kind not in ("svg", "g", "desc", "path"):
            raise OutputError(f"{path.name} holds a {kind}, not only paths")
        if kind == "path":
            line = element.get("d", "")
            closed = line.rstrip().endswith("Z")
            group = element.getparent().get("id", "")
            yield group, Shape(_flat(_path(path.name, line, size[3]), closed), closed)


def _path(file: str, line: str, high: float) -> list[list[float]]:
    """Return the moves, lines and arcs of an SVG path as vertices with bulges, y turned up."""
    rows: list[list[float]] = []
    for word, rest in re.findall(r"([A-Za-z])([^A-Za-z]*)", line):
        numbers = [float(n) for n in re.findall(r"-?[\d.]+(?:e-?\d+)?", rest)]
        if word in ("M", "L") and numbers:
            rows += [[x, high - y, 0.0] for x, y in zip(numbers[::2], numbers[1::2], strict=True)]
        elif word == "A" and len(numbers) == 7 and rows:
            radius, _, _, wide, way, x, y = numbers
            y = high - y
            half = math.hypot(x - rows[-1][0], y - rows[-1][1]) / 2.0
            turn = 2.0 * math.asin(min(half / radius, 1.0))
            turn = 2.0 * math.pi - turn if wide else turn
            rows[-1][2] = math.tan(turn / 4.0) * (-1.0 if way else 1.0)
            rows.append([x, y, 0.0])
        elif word != "Z":
            raise OutputError(f"{file} holds curves that are neither lines nor arcs")
    if line.rstrip().endswith("Z") and len(rows) > 1 and rows[0][:2] == rows[-1][:2]:
        rows.pop()
    return rows
