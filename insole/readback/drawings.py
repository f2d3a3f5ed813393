"""Cut files as a machine gets them: DXF and SVG -> layers of polylines, mm, y up.

Both are read here from their text: group codes of a DXF, paths of an SVG.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from insole.errors import OutputError
from insole.readback.letters import Shape

__all__ = ["Drawing", "read_drawing", "same_drawing"]


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
    """Yield layer and polyline of each entity of a DXF."""
    text = path.read_text(encoding="utf-8")
    lines = text.split("\n")
    unit = re.search(r"\$INSUNITS\s*\n\s*70\s*\n\s*(\d+)", text)
    if unit is None or unit[1] != "4":
        raise OutputError(f"{path.name} is not in millimetres")
    codes = [line.strip() for line in lines[0::2]]
    values = [line.strip() for line in lines[1::2]]
    start = next(
        k for k in range(len(values) - 1)
        if codes[k] == "2" and values[k] == "ENTITIES" and codes[k - 1] == "0"
    )  # fmt: skip
    k, end = start + 1, len(values)
    while k < end and values[k] != "ENDSEC":
        if values[k] != "LWPOLYLINE" or codes[k] != "0":
            raise OutputError(f"{path.name} holds a {values[k].lower()}, not only polylines")
        layer, closed = "", False
        x: list[float] = []
        y: list[float] = []
        k += 1
        while codes[k] != "0":
            code = codes[k]
            if code == "10":
                x.append(float(values[k]))
            elif code == "20":
                y.append(float(values[k]))
            elif code == "8":
                layer = values[k]
            elif code == "70":
                closed = bool(int(values[k]) & 1)
            elif code == "42" and float(values[k]):
                raise OutputError(f"{path.name} holds arcs, not only straight strokes")
            elif code == "230" and float(values[k]) < 0:
                raise OutputError(f"{path.name} holds a stroke that is seen from behind")
            k += 1
        yield layer, Shape(np.column_stack([x, y]), closed)


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
            numbers = np.array(re.findall(r"-?[\d.]+(?:e-?\d+)?", line), dtype=float)
            points = numbers.reshape(-1, 2) * [1.0, -1.0] + [0.0, size[3]]
            group = element.getparent().get("id", "")
            yield group, Shape(points, line.rstrip().endswith("Z"))
