"""The outline of a shoe's bed as it was traced: points in the shoe file, a CSV or a DXF drawing.

[outline] of a shoe file -> read_outline -> ring in the bed frame
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import numpy as np

from footscan.files import TooLargeError, read_bounded
from footscan.foot import HEEL_STATION
from footscan.scan import Array
from insole.record.tables import MAX_BYTES, Table

__all__ = ["OUTLINE_LENGTH_MM", "in_bed_frame", "read_outline"]

Ring = Array  # shape (n, 2), closed without repeating the first point, mm

OUTLINE_LENGTH_MM = 8.0  # a traced outline may differ from the inside length by this much
SETTLED_MM = 1e-3


def read_outline(table: Table, length: float, folder: Path | None) -> Ring | None:
    """Return the bed's outline in the bed frame, or None when the file has none."""
    points, file = table.get("points"), table.get("file")
    side = table.choice("side", ["left", "right"])
    if points is None and file is None:
        if side is not None:
            raise table.fail("points", "given, or outline.file, when outline.side is stated")
        return None
    if points is not None and file is not None:
        raise table.fail("file", "left out when outline.points is given")
    if side is None:
        raise table.fail("side", '"left" or "right": the shoe that was traced, seen from above')
    if points is not None:
        ring = np.array(table.pairs("points", points, 8, 5000, 1000.0))
    else:
        ring = _outline_file(table, file, folder)
    return _as_bed(table, ring, side, length)


def _outline_file(table: Table, file: Any, folder: Path | None) -> Ring:
    if not isinstance(file, str) or Path(file).name != file:
        raise table.fail("file", "the plain name of a .csv or .dxf file beside the shoe file")
    path = (folder or Path()) / file
    kind = path.suffix.lower()
    if kind not in (".csv", ".dxf"):
        raise table.fail("file", "the plain name of a .csv or .dxf file beside the shoe file")
    if folder is None or not path.is_file():
        raise table.fail("file", "there: no such file beside the shoe file")
    try:
        data = read_bounded(path, 20 * MAX_BYTES)
    except TooLargeError:
        raise table.fail("file", "smaller than 20 MB") from None
    except OSError:
        raise table.fail("file", "a file that can be read") from None
    return _from_csv(table, data) if kind == ".csv" else _from_dxf(table, path)


def _from_csv(table: Table, data: bytes) -> Ring:
    """Return x, y rows; a first line of words is skipped, any other bad row is named."""
    rows: list[list[float]] = []
    lines = data.decode("utf-8-sig", errors="replace").splitlines()
    for number, line in enumerate(lines, 1):
        cells = line.replace(";", " ").replace(",", " ").split()
        if not cells or line.lstrip().startswith("#"):
            continue
        try:
            rows.append([float(c) for c in cells])
        except ValueError:
            if rows:
                raise table.fail("file", f"rows of x, y in mm: line {number} is not") from None
    if any(len(r) != 2 for r in rows):
        raise table.fail("file", "rows of exactly two numbers, x and y in mm, decimal points")
    return np.array(table.pairs("file", rows, 8, 100_000, 1000.0))


def _from_dxf(table: Table, path: Path) -> Ring:
    """Return the largest closed curve of a drawing, flattened to 0.05 mm, in mm."""
    from ezdxf import path as curves
    from ezdxf.enums import InsertUnits
    from ezdxf.filemanagement import readfile
    from ezdxf.lldxf.const import DXFError
    from ezdxf.units import conversion_factor

    logging.getLogger("ezdxf").setLevel(logging.CRITICAL)  # its own remarks help nobody here
    try:
        drawing = readfile(path)
    except (
        OSError,
        DXFError,
        ValueError,
        LookupError,
        TypeError,
        AttributeError,
        ArithmeticError,
        StopIteration,
        RecursionError,
    ):  # what the library lets through from a damaged file
        raise table.fail("file", "a readable DXF drawing") from None
    factor = 1.0
    # A drawing without a unit is taken as mm; its length is held against the shoe's below.
    if drawing.units != InsertUnits.Unitless:
        factor = conversion_factor(InsertUnits(drawing.units), InsertUnits.Millimeters)
    rings = []
    for entity in drawing.modelspace().query("LWPOLYLINE POLYLINE SPLINE ELLIPSE"):
        curve = curves.make_path(entity)
        flat = np.array([p.vec2 for p in curve.flattening(0.05 / factor)], dtype=float) * factor
        if len(flat) > 3 and np.hypot(*(flat[0] - flat[-1])) < 0.01:
            rings.append(flat[:-1])
    if not rings:
        raise table.fail("file", "a drawing with one closed polyline or spline: the bed's outline")
    return max(rings, key=lambda r: float(np.ptp(r[:, 0])))


def _as_bed(table: Table, ring: Ring, side: str, length: float) -> Ring:
    """Return `ring` moved into the bed frame: rear end at x = 0, heel centred on y = 0."""
    from shapely.geometry import Polygon

    from footscan.measuring.pose import mirror_ring

    key = "points" if table.has("points") else "file"
    shape = Polygon(ring)
    if not shape.is_valid or shape.area < 1.0:
        raise table.fail(key, "one outline that does not cross itself")
    ring = np.asarray(shape.exterior.coords)[:-1]
    ring = ring if shape.exterior.is_ccw else ring[::-1]
    ring = mirror_ring(ring) if side == "left" else np.ascontiguousarray(ring)
    span = np.ptp(ring, axis=0)
    if abs(span[0] - length) > OUTLINE_LENGTH_MM:
        must = f"drawn in mm, x from heel to toes, {length:g} ± {OUTLINE_LENGTH_MM:g} mm long"
        raise table.fail(key, f"{must} (inside.length); it is {span[0]:.0f} mm long")
    ring = in_bed_frame(ring)
    ring.setflags(write=False)
    return ring


def in_bed_frame(ring: Ring) -> Ring:
    """Return `ring` with its rear end at x = 0 and the middle of its heel on y = 0.

    A ring that lies so to a thousandth of a millimetre stays as it is, so that a stored outline
    does not creep each time it is read.
    """
    from shapely.geometry import LineString, Polygon

    ring = ring - [ring[:, 0].min(), 0.0]
    at = HEEL_STATION * float(np.ptp(ring[:, 0]))
    cut = Polygon(ring).intersection(LineString([(at, -999.0), (at, 999.0)]))
    aside = (cut.bounds[1] + cut.bounds[3]) / 2
    return ring - [0.0, aside] if abs(aside) > SETTLED_MM else ring
