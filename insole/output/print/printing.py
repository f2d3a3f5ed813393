"""STL files, and what all files for printers share; 3MF and STEP have modules of their own.

    worn Part -> write_stl -> read_back_stl -> insole.output.contents

Terms
    worn frame   the part as it is worn, seen from above, +x forward, z = 0 towards the shoe, mm
    plate        what is printed in one go: one 3MF file

Nothing here mirrors anything: a left part comes in as it is worn. On a plate a part is turned
about z and moved, and the place is baked into its coordinates, so no file holds a transform.
No file holds a clock: the same parts give the same bytes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from footscan.files import write_whole
from footscan.scan import Array, IntArray
from insole.errors import OutputError
from insole.output.print.plates import check_worn
from insole.parts.part import Part

__all__ = ["Solid", "read_back_stl", "stl_bytes", "stl_corners", "volume_of", "write_stl"]

Scale = tuple[float, float, float]  # factors along x, y, z
AS_IT_IS: Scale = (1.0, 1.0, 1.0)
STL_ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("unused", "<u2")])
FLOAT = 1e-3  # mm: float32 and four decimals stay well inside it


# ------------------------------------------------------------------ writing


def write_stl(path: Path, part: Part, scale: Scale = AS_IT_IS) -> None:
    """Write a worn part as binary STL in its own frame, mm, scaled against shrinkage.

    STL has no unit: the header names part, side and unit. It does not start with ``solid``,
    which some readers take for the text form.
    """
    check_worn([part])
    header = f"Solewright {part.side.value} {part.name}, unit mm, seen from above +x forward"
    if scale != AS_IT_IS:
        header = f"Solewright {part.side.value} {part.name}, unit mm, scaled for print"
    write_whole(path, stl_bytes(header, part.vertices * np.array(scale), part.faces))


def stl_bytes(header: str, vertices: Array, faces: IntArray) -> bytes:
    """Return a mesh as binary STL: 80 bytes of words, then its triangles with their normals."""
    corners = vertices[faces]
    sides = np.diff(corners, axis=1)
    normals = np.cross(sides[:, 0], sides[:, 1])
    long = np.sqrt((normals * normals) @ np.ones(3))
    long[long > 0] **= -1
    rows = np.zeros(len(faces), dtype=STL_ROW)
    rows["normal"], rows["corners"] = normals * long[:, None], corners
    words = header.encode("ascii", "replace").ljust(80)[:80]
    return words + np.uint32(len(faces)).astype("<u4").tobytes() + rows.tobytes()


# ------------------------------------------------------------------ reading back

Solid = tuple[Array, IntArray]


def volume_of(vertices: Array, faces: IntArray) -> float:
    """Return the volume that a closed surface encloses, mm3; negative when inside out."""
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0


def read_back_stl(path: Path, part: Part, scale: Scale = AS_IT_IS) -> float:
    """Return the volume in an STL file before scaling, mm3, after comparing it with its part.

    Raises
    ------
    OutputError
        Any triangle differs, or the header does not name part, side and unit.
    """
    data = path.read_bytes()
    words = f"{part.side.value} {part.name}, unit mm".encode()
    if data[:5] == b"solid" or words not in data[:80]:
        raise OutputError(f"{path.name} does not say part, side and unit in its header")
    corners, found = part.vertices[part.faces], stl_corners(data) / np.array(scale)
    if found.shape != corners.shape or np.abs(found - corners).max() > FLOAT:
        raise OutputError(f"{path.name} reads back with another shape or mirrored")
    solid = found.reshape(-1, 3), np.arange(3 * len(found)).reshape(-1, 3)
    return mesh_volume(path, part, solid, 1e-4)


def stl_corners(data: bytes) -> Array:
    """Return the triangles in a binary STL file, shape (n, 3, 3), mm; none of one cut short."""
    (count,) = np.frombuffer(data[80:84].ljust(4, b"\0"), dtype="<u4")
    if len(data) != 84 + int(count) * STL_ROW.itemsize:
        return np.zeros((0, 3, 3))
    rows = np.frombuffer(data, dtype=STL_ROW, offset=84)
    return np.asarray(rows["corners"], dtype=np.float64)


def mesh_volume(
    path: Path, part: Part, solid: Solid, within: float, wanted: float | None = None
) -> float:
    """Return the solid's volume; refuse one that differs from the part's."""
    wanted = volume_of(part.vertices, part.faces) if wanted is None else wanted
    found = volume_of(*solid)
    if abs(found - wanted) > within * wanted:
        raise OutputError(
            f"{path.name}: {part.label} reads back with {found:.1f} mm³, it should have "
            f"{wanted:.1f} mm³"
        )
    return found
