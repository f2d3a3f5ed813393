"""Read cut files back and compare their outlines with what was wanted."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import OutputError
from insole.output.cut.cutting import left_first, wanted_shape
from insole.output.cut.layers import LAYERS, CutLayer, Face
from insole.parts.part import Part

__all__ = ["dxf_rings", "read_back_dxf", "read_back_svg", "same_shape", "svg_rings"]

SAME = 1e-3  # share by which area and length of a ring may read back different
STRAY = 0.0145  # mm that a ring may stray, as mean over its length: two thirds of an arc's most
MOST = 0.05  # mm that it may stray anywhere: 0.02 of the arcs, and crumbs at a corner
PIECES = 64  # chords in place of an arc


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
    old = doc.dxfversion == "AC1009"  # knows no unit
    if not old and (doc.header["$INSUNITS"] != units.MM or doc.header["$MEASUREMENT"] != 1):
        raise OutputError(f"{path.name} reads back in another unit than millimetres")
    entities: list[Any] = list(doc.modelspace())
    kinds, layers = {e.dxftype() for e in entities}, {e.dxf.layer for e in entities}
    if kinds != {"POLYLINE" if old else "LWPOLYLINE"} or not layers <= LAYERS.keys():
        raise OutputError(
            f"{path.name} holds more than polylines on the layers {', '.join(LAYERS)}"
        )
    cut = [e for e in entities if e.dxf.layer == CutLayer.CUT]
    if not all(e.is_closed if old else e.closed for e in cut):
        raise OutputError(f"{path.name} has an open line on the layer {CutLayer.CUT}")
    return [_chords(_bulged(e, old)) for e in cut]


def _bulged(entity: Any, old: bool) -> Array:
    """Return the vertices of a polyline with their bulges, shape (n, 3)."""
    if not old:
        return np.array(entity.get_points("xyb"))
    return np.array([(*v.dxf.location.vec2, v.dxf.get("bulge", 0.0)) for v in entity.vertices])


def _chords(rows: Array) -> Array:
    """Return a closed line of arcs and straight pieces as points, shape (n, 2)."""
    found = []
    for (x, y, bulge), (to_x, to_y, _) in zip(rows, np.roll(rows, -1, axis=0), strict=True):
        start, chord = np.array([x, y]), np.array([to_x - x, to_y - y])
        if not bulge:
            found.append(start[None])
            continue
        turn, aside = 4.0 * np.arctan(bulge), np.array([-chord[1], chord[0]])
        centre = start + chord / 2 + aside / (2.0 * np.tan(turn / 2.0))
        at = np.linspace(0.0, turn, PIECES, endpoint=False)
        c, s = np.cos(at), np.sin(at)
        arm = start - centre
        found.append(centre + np.column_stack([arm[0] * c - arm[1] * s, arm[0] * s + arm[1] * c]))
    return np.vstack(found)


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
    lines = [p.get("d", "") for p in root.findall(f"{space}g[@id='{CutLayer.CUT}']/{space}path")]
    if not all(line.endswith("Z") for line in lines):
        raise OutputError(f"{path.name} has an open line in the group {CutLayer.CUT}")
    return [_chords(_svg_rows(line) * [1.0, -1.0, -1.0]) for line in lines]


def _svg_rows(line: str) -> Array:
    """Return a closed path of moves, lines and arcs as vertices with bulges, y down."""
    words = line.split()
    rows: list[list[float]] = []
    k = 0
    while k < len(words) and words[k] != "Z":
        if words[k] in ("M", "L"):
            rows.append([*map(float, words[k + 1].split(",")), 0.0])
            k += 2
            continue
        radius = float(words[k + 1].split(",")[0])
        wide, way = words[k + 3].split(",")
        end = [float(n) for n in words[k + 4].split(",")]
        long = float(np.hypot(end[0] - rows[-1][0], end[1] - rows[-1][1]))
        turn = 2.0 * np.arcsin(min(long / (2.0 * radius), 1.0))
        turn = 2.0 * np.pi - turn if wide == "1" else turn
        rows[-1][2] = float(np.tan(turn / 4.0)) * (1.0 if way == "1" else -1.0)
        rows.append([*end, 0.0])
        k += 5
    return np.array(rows[:-1] if rows[-1][:2] == rows[0][:2] else rows)


def _compared(
    path: Path, rings: list[Array], parts: Sequence[Part], kerf: float, face: Face
) -> dict[str, float]:
    """Return the area of each part from its rings; refuse rings that are not the parts'."""
    import shapely

    areas, shapes, k = {}, [], 0
    for part in left_first(parts):
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
        Area or length differ by more than 0.1 %, the area by more than the arcs account for, or the
        shapes do not lie on one another.
    """
    for what in ("area", "length"):
        found, want = float(getattr(shape, what)), float(getattr(wanted, what))
        slack = max(SAME * want, STRAY * wanted.length if what == "area" else 0.0)
        if not shape.is_valid or abs(found - want) > slack:
            raise OutputError(
                f"{path.name}: {label} reads back with {what} {found:.1f}, "
                f"it should be {want:.1f} (mm)"
            )
    if (
        not _near(shape.boundary, wanted.boundary)
        or shape.symmetric_difference(wanted).area > STRAY * wanted.length
    ):
        raise OutputError(f"{path.name}: {label} reads back with another shape or mirrored")


def _near(one: Any, other: Any) -> bool:
    """Return whether no vertex of either line lies farther than ``MOST`` from the other line."""
    import shapely

    for line, points in ((one, other), (other, one)):
        shapely.prepare(line)
        vertices = shapely.points(shapely.get_coordinates(points))
        if not shapely.dwithin(line, vertices, MOST).all():
            return False
    return True
