"""A made-up scanner: what a scanner would deliver of a specimen, with the usual faults.

    footscan.specimen.made_up.Specimen + ScannerSpec -> Scan (scanner frame, file units) -> file

Every fault is asked for by name; the default scanner is perfect. Faults are placed in the foot
frame and by chance only through the generator that is passed in, so that the same call gives
the same scan.

Terms
    hole     a round patch (seen in the direction of the skin's normal) with nothing in it
    stray    a lone point that belongs to nothing
    island   a small separate surface beside the foot
    ghost    a second, thinner layer of skin, as movement or refraction leaves it
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from footscan.foot import vertex_normals
from footscan.scan import Array, IntArray, Scan, Side, Unit

if TYPE_CHECKING:
    from footscan.specimen.made_up import Specimen

__all__ = ["Hole", "ScannerSpec", "scan", "scanner_pose", "to_scanner", "write_scan"]

FLOOR_SPACING_MM = 3.0
SHADOW_MM = 1.5  # the floor is not seen nearer than this to the foot
ISLAND_RADIUS_MM = 9.0
STRAY_MM = 3.0  # nearer to the skin a stray would be noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A round gap in the skin.

    Attributes
    ----------
    at : str or tuple of float
        Landmark below which the gap lies, or its (x, y, z) in the foot frame, mm.
    diameter : float
        mm, measured straight across.
    """

    at: str | tuple[float, float, float]
    diameter: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannerSpec:
    """How a specimen is scanned; lengths in mm whatever the unit of the file.

    Attributes
    ----------
    points : int or None
        Number of foot points aimed at; None keeps those of the specimen.
    noise : float
        Standard deviation along the normal.
    unit : Unit
        Unit of the coordinates that come out.
    turn_deg : tuple of float or None
        Turns about x, y, z in this order; None for any direction at all.
    shift : tuple of float or None
        Translation after the turn; None draws one up to 0.5 m.
    faces : bool
        Deliver a mesh, or bare points.
    floor : float
        How far the floor is seen around the foot; 0 for none.
    floor_under : bool
        The floor is seen below the foot as well (a glass plate), else only around it.
    strays, islands : int
        Lone points up to 60 mm off the skin; separate blobs beside the foot.
    holes : tuple of Hole
        Gaps in the skin.
    ghost : float
        Distance of a second layer of skin over the forward half; 0 for none.
    sole : str
        ``"seen"``, ``"filled"`` (closed by a plane) or ``"missing"``.
    cut_toes, cut_heel : float
        How much of the length is missing in front and behind.
    leg_height : float or None
        Everything above is missing.
    """

    points: int | None = None
    noise: float = 0.0
    unit: Unit = Unit.MM
    turn_deg: tuple[float, float, float] | None = (0.0, 0.0, 0.0)
    shift: tuple[float, float, float] | None = (0.0, 0.0, 0.0)
    faces: bool = True
    floor: float = 0.0
    floor_under: bool = False
    strays: int = 0
    islands: int = 0
    holes: tuple[Hole, ...] = field(default=())
    ghost: float = 0.0
    sole: str = "seen"
    cut_toes: float = 0.0
    cut_heel: float = 0.0
    leg_height: float | None = None

    def __post_init__(self) -> None:
        if self.sole not in ("seen", "filled", "missing"):
            raise ValueError(f'sole must be "seen", "filled" or "missing", got {self.sole!r}')
        for name in ("noise", "floor", "strays", "islands", "ghost", "cut_toes", "cut_heel"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} must not be negative, got {getattr(self, name)}")
        if self.points is not None and self.points < 50:
            raise ValueError(f"points must be at least 50, got {self.points}")


def scan(specimen: Specimen, spec: ScannerSpec, rng: np.random.Generator) -> Scan:
    """Return what the scanner delivers of `specimen`, in the unit of the file.

    Parameters
    ----------
    specimen : Specimen
        Foot frame of a right foot; mirrored here when its side is left.
    spec : ScannerSpec
        The scanner and its faults.
    rng : numpy.random.Generator
        Source of chance: noise, strays, islands and a drawn pose.
    """
    pose = scanner_pose(specimen.shape.side, spec, rng)
    vertices, faces, made_up = _seen(specimen, spec)
    error = spec.noise * np.where(made_up, 0.0, rng.standard_normal(len(vertices)))
    vertices = vertices + vertex_normals(vertices, faces) * error[:, None]
    parts = [(vertices, faces)]
    if spec.ghost > 0:
        parts.append(_ghost(vertices, faces, spec, rng))
    if spec.floor > 0:
        parts.append(_floor(specimen, spec, rng))
    parts += [_island(specimen, rng) for _ in range(spec.islands)]
    if spec.strays:
        parts.append((_strays(vertices, spec.strays, rng), np.zeros((0, 3), dtype=np.int64)))
    vertices, faces = _joined(parts)
    if not spec.faces:
        vertices, faces = vertices[rng.permutation(len(vertices))], faces[:0]
    if specimen.shape.side is Side.LEFT:
        faces = faces[:, ::-1]
    return Scan(vertices=to_scanner(vertices, pose) / spec.unit.mm, faces=faces)


def scanner_pose(side: Side, spec: ScannerSpec, rng: np.random.Generator) -> Array:
    """Return the 4 by 4 matrix from the foot frame to scanner mm; mirrors a left foot.

    It is drawn first in :func:`scan`: a generator in the same state gives the same pose.
    """
    if spec.turn_deg is None:
        turn = Rotation.from_quat(rng.standard_normal(4)).as_matrix()
    else:
        turn = Rotation.from_euler("xyz", spec.turn_deg, degrees=True).as_matrix()
    shift = rng.uniform(-500, 500, 3) if spec.shift is None else np.asarray(spec.shift, dtype=float)
    pose = np.eye(4)
    pose[:3, :3] = turn @ np.diag([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
    pose[:3, 3] = shift
    return pose


def to_scanner(points: Array, pose: Array) -> Array:
    """Return foot-frame `points`, shape (n, 3), in scanner mm."""
    return np.asarray(points) @ pose[:3, :3].T + pose[:3, 3]


def write_scan(scanned: Scan, path: str | Path) -> Path:
    """Write a scan as PLY (binary), STL (binary), OBJ or XYZ by the name's ending.

    The same scan gives the same bytes.

    Raises
    ------
    ValueError
        The ending is none of these, or bare points are to become an STL file.
    """
    import trimesh

    path = Path(path)
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("ply", "stl", "obj", "xyz"):
        raise ValueError(
            f"cannot write {path.name}: use a name that ends in .ply, .stl, .obj or .xyz"
        )
    if kind == "stl" and not len(scanned.faces):
        raise ValueError(f"cannot write {path.name}: STL holds no bare points, use .ply or .xyz")
    if kind == "xyz":
        text = "\n".join(
            " ".join(f"{c:.5g}" if abs(c) < 1 else f"{c:.4f}" for c in p) for p in scanned.vertices
        )
        path.write_bytes((text + "\n").encode("ascii"))
        return path
    if len(scanned.faces):
        data = trimesh.Trimesh(scanned.vertices, scanned.faces, process=False).export(
            file_type=kind
        )
    else:
        data = trimesh.PointCloud(scanned.vertices).export(file_type=kind)
    path.write_bytes(data.encode("ascii") if isinstance(data, str) else bytes(data))
    return path


def _seen(specimen: Specimen, spec: ScannerSpec) -> tuple[Array, IntArray, NDArray[np.bool_]]:
    """Return the skin that is seen, still in place, and which vertices a filled sole made up."""
    vertices, faces = _sampled(specimen.vertices, specimen.faces, spec.points)
    length = specimen.truth.measures["foot_length"]
    keep = np.ones(len(vertices), dtype=bool)
    made_up = ~keep
    if spec.sole != "seen":
        hidden = _sole_vertices(vertices, faces, length)
        if spec.sole == "missing":
            keep &= ~hidden
        else:
            vertices[hidden, 2], made_up = 0.0, hidden
    keep &= (vertices[:, 0] >= spec.cut_heel) & (vertices[:, 0] <= length - spec.cut_toes)
    if spec.leg_height is not None:
        keep &= vertices[:, 2] <= spec.leg_height
    for hole in spec.holes:
        at = specimen.truth.landmarks[hole.at] if isinstance(hole.at, str) else hole.at
        keep &= np.linalg.norm(vertices - np.asarray(at), axis=1) > hole.diameter / 2
    vertices, faces, kept = _kept(vertices, faces, keep)
    return vertices, faces, made_up[kept]


def _sampled(vertices: Array, faces: IntArray, points: int | None) -> tuple[Array, IntArray]:
    """Return the mesh with about `points` vertices, evenly spread as scanners deliver them."""
    import trimesh

    if points is None:
        return np.array(vertices), np.array(faces)
    while len(vertices) < points:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    low, high = 0.2, 30.0
    for _ in range(24):
        cell = np.sqrt(low * high)
        count = len(np.unique(_clusters(vertices, faces, cell)))
        low, high = (cell, high) if count > points else (low, cell)
        if abs(count - points) <= 0.01 * points:
            break
    return _merged(vertices, faces, _clusters(vertices, faces, cell))


def _clusters(vertices: Array, faces: IntArray, cell: float) -> IntArray:
    """Return a label per vertex: same cube, same facing, so that no toe sticks to the next."""
    normals = vertex_normals(vertices, faces)
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] > 0)
    cube = np.floor((vertices - vertices.min(axis=0)) / cell).astype(np.int64)
    size = cube.max(axis=0) + 1
    return ((cube[:, 0] * size[1] + cube[:, 1]) * size[2] + cube[:, 2]) * 6 + facing


def _merged(vertices: Array, faces: IntArray, labels: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh with each cluster drawn together in its vertex nearest the middle."""
    _, group, count = np.unique(labels, return_inverse=True, return_counts=True)
    middle = np.stack([np.bincount(group, vertices[:, k]) / count for k in range(3)], axis=1)
    away = ((vertices - middle[group]) ** 2).sum(axis=1)
    order = np.lexsort((away, group))
    chosen = order[np.r_[True, np.diff(group[order]) > 0]]
    faces = group[faces]
    whole = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    faces = faces[whole]
    _, first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    faces = faces[np.sort(first)]
    return _kept(vertices[chosen], faces, np.ones(len(chosen), dtype=bool))[:2]


def _sole_vertices(vertices: Array, faces: IntArray, length: float) -> NDArray[np.bool_]:
    """Return which vertices a scanner that looks from above cannot see."""
    down = vertex_normals(vertices, faces)[:, 2] < -0.35
    return down & (vertices[:, 2] < 0.16 * length)


def _kept(
    vertices: Array, faces: IntArray, keep: NDArray[np.bool_]
) -> tuple[Array, IntArray, IntArray]:
    """Return the mesh of the vertices kept that still have a face, and their old indices."""
    faces = faces[keep[faces].all(axis=1)]
    used = np.unique(faces)
    new = np.full(len(vertices), -1)
    new[used] = np.arange(len(used))
    return vertices[used], new[faces], used


def _ghost(
    vertices: Array, faces: IntArray, spec: ScannerSpec, rng: np.random.Generator
) -> tuple[Array, IntArray]:
    """Return a second layer over the forward half, set off along the normals."""
    away = vertex_normals(vertices, faces) * (
        spec.ghost + 0.1 * rng.standard_normal(len(vertices))[:, None]
    )
    middle = np.median(vertices[:, 0])
    return _kept(vertices + away, faces, vertices[:, 0] > middle)[:2]


def _floor(
    specimen: Specimen, spec: ScannerSpec, rng: np.random.Generator
) -> tuple[Array, IntArray]:
    """Return the floor around the foot, as a mesh with noise."""
    from scipy.spatial import cKDTree

    skin = specimen.vertices
    low, high = skin[:, :2].min(axis=0) - spec.floor, skin[:, :2].max(axis=0) + spec.floor
    x, y = (np.arange(low[i], high[i], FLOOR_SPACING_MM) for i in range(2))
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, spec.noise * rng.standard_normal(len(grid))])
    index = np.arange(len(grid)).reshape(len(x), len(y))
    a, b, c, d = (
        i.ravel() for i in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    keep = np.ones(len(grid), dtype=bool)
    if not spec.floor_under:
        above = skin[skin[:, 2] < 60][:, :2]
        keep = cKDTree(above).query(grid)[0] > FLOOR_SPACING_MM / 2 + SHADOW_MM
    return _kept(points, faces, keep)[:2]


def _island(specimen: Specimen, rng: np.random.Generator) -> tuple[Array, IntArray]:
    """Return a small blob beside the foot."""
    import trimesh

    blob = trimesh.creation.icosphere(
        subdivisions=2, radius=ISLAND_RADIUS_MM * rng.uniform(0.6, 1.3)
    )
    skin = specimen.vertices
    side = rng.choice([-1.0, 1.0])
    edge = skin[:, 1].max() if side > 0 else skin[:, 1].min()
    centre = [
        rng.uniform(0.1, 0.9) * skin[:, 0].max(),
        edge + side * rng.uniform(25, 60),
        rng.uniform(20, 60),
    ]
    return np.asarray(blob.vertices) + centre, np.asarray(blob.faces).astype(np.int64)


def _strays(vertices: Array, count: int, rng: np.random.Generator) -> Array:
    """Return lone points 3 to 60 mm off the skin, above the ground."""
    from scipy.spatial import cKDTree

    skin, found = cKDTree(vertices), np.zeros((0, 3))
    while len(found) < count:
        near = vertices[rng.integers(len(vertices), size=2 * count)]
        way = rng.standard_normal((len(near), 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        points = near + way * rng.uniform(STRAY_MM, 60, (len(near), 1))
        points = points[(points[:, 2] > 0) & (skin.query(points)[0] > STRAY_MM)]
        found = np.concatenate([found, points])
    return found[:count]


def _joined(parts: Sequence[tuple[Array, IntArray]]) -> tuple[Array, IntArray]:
    """Return the parts as one mesh."""
    starts = np.cumsum([0] + [len(v) for v, _ in parts[:-1]])
    faces = [f + start for (_, f), start in zip(parts, starts, strict=True)]
    return np.concatenate([v for v, _ in parts]), np.concatenate(faces)
