"""A made-up scanner: what a scanner would deliver of a specimen, with the usual faults.

    footscan.specimen.Specimen + ScannerSpec -> Scan (scanner frame, file units) -> file

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
from scipy.spatial.transform import Rotation

from footscan.foot import vertex_normals
from footscan.scan import Array, IntArray, Scan, Side, Unit

if TYPE_CHECKING:
    from footscan.specimen import Specimen

__all__ = ["Hole", "ScannerSpec", "scan", "scanner_pose", "to_scanner", "write_scan"]

FLOOR_SPACING_MM = 3.0
SHADOW_MM = 1.5  # the floor is not seen nearer than this to the foot
ISLAND_RADIUS_MM = 9.0


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
    vertices, faces = _seen(specimen, spec)
    vertices = vertices + vertex_normals(vertices, faces) * (
        rng.standard_normal(len(vertices))[:, None] * spec.noise
    )
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
        raise ValueError(f"cannot write {path.name}: use a name that ends in .ply, .stl, .obj or .xyz")
    if kind == "stl" and not len(scanned.faces):
        raise ValueError(f"cannot write {path.name}: STL holds no bare points, use .ply or .xyz")
    if kind == "xyz":
        text = "\n".join(" ".join(f"{c:.5g}" if abs(c) < 1 else f"{c:.4f}" for c in p) for p in scanned.vertices)
        path.write_bytes((text + "\n").encode("ascii"))
        return path
    if len(scanned.faces):
        shape = trimesh.Trimesh(scanned.vertices, scanned.faces, process=False)
    else:
        shape = trimesh.PointCloud(scanned.vertices)
    data = shape.export(file_type=kind)
    path.write_bytes(data.encode("ascii") if isinstance(data, str) else data)
    return path


def _seen(specimen: Specimen, spec: ScannerSpec) -> tuple[Array, IntArray]:
    """Return the part of the skin that is seen, at the density asked for, still in place."""
    vertices, faces = _thinned(specimen.vertices, specimen.faces, spec.points)
    length = specimen.truth.measures["foot_length"]
    keep = np.ones(len(vertices), dtype=bool)
    if spec.sole != "seen":
        keep &= ~_sole_vertices(vertices, faces, length)
    keep &= (vertices[:, 0] >= spec.cut_heel) & (vertices[:, 0] <= length - spec.cut_toes)
    if spec.leg_height is not None:
        keep &= vertices[:, 2] <= spec.leg_height
    for hole in spec.holes:
        at = specimen.truth.landmarks[hole.at] if isinstance(hole.at, str) else hole.at
        keep &= np.linalg.norm(vertices - np.asarray(at), axis=1) > hole.diameter / 2
    vertices, faces = _kept(vertices, faces, keep)
    if spec.sole == "filled":
        vertices, faces = _filled(vertices, faces)
    return vertices, faces


def _thinned(vertices: Array, faces: IntArray, points: int | None) -> tuple[Array, IntArray]:
    """Return the mesh with about `points` vertices."""
    if points is None or points >= len(vertices):
        return np.array(vertices), np.array(faces)
    import open3d

    mesh = open3d.geometry.TriangleMesh(
        open3d.utility.Vector3dVector(vertices), open3d.utility.Vector3iVector(faces)
    )
    wanted = int(len(faces) * points / len(vertices))
    mesh = mesh.simplify_quadric_decimation(wanted, boundary_weight=3.0)
    return np.asarray(mesh.vertices), np.asarray(mesh.triangles).astype(np.int64)


def _sole_vertices(vertices: Array, faces: IntArray, length: float) -> Array:
    """Return which vertices a scanner that looks from above cannot see."""
    down = vertex_normals(vertices, faces)[:, 2] < -0.35
    return down & (vertices[:, 2] < 0.16 * length)


def _kept(vertices: Array, faces: IntArray, keep: Array) -> tuple[Array, IntArray]:
    """Return the mesh without the vertices not kept, nor those left without a face."""
    faces = faces[keep[faces].all(axis=1)]
    used = np.unique(faces)
    new = np.full(len(vertices), -1)
    new[used] = np.arange(len(used))
    return vertices[used], new[faces]


def _filled(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh with its lower rim drawn down to the ground and closed by a plane."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    pairs = {(int(a), int(b)) for a, b in edges}
    rim = [(a, b) for a, b in sorted(pairs) if (b, a) not in pairs]
    rim = [(a, b) for a, b in rim if vertices[a, 2] < 60 and vertices[b, 2] < 60]
    ends = sorted({i for edge in rim for i in edge})
    lower = {i: len(vertices) + k for k, i in enumerate(ends)}
    middle = len(vertices) + len(ends)
    ground = vertices[ends] * [1, 1, 0]
    walls = [t for a, b in rim for t in ((b, a, lower[a]), (b, lower[a], lower[b]))]
    plane = [(lower[b], lower[a], middle) for a, b in rim]
    points = np.concatenate([vertices, ground, [ground.mean(axis=0)]])
    return points, np.concatenate([faces, np.array(walls + plane, dtype=np.int64)])


def _ghost(
    vertices: Array, faces: IntArray, spec: ScannerSpec, rng: np.random.Generator
) -> tuple[Array, IntArray]:
    """Return a second layer over the forward half, set off along the normals."""
    away = vertex_normals(vertices, faces) * (spec.ghost + 0.1 * rng.standard_normal(len(vertices))[:, None])
    middle = np.median(vertices[:, 0])
    return _kept(vertices + away, faces, vertices[:, 0] > middle)


def _floor(specimen: Specimen, spec: ScannerSpec, rng: np.random.Generator) -> tuple[Array, IntArray]:
    """Return the floor around the foot, as a mesh with noise."""
    from scipy.spatial import cKDTree

    skin = specimen.vertices
    low, high = skin[:, :2].min(axis=0) - spec.floor, skin[:, :2].max(axis=0) + spec.floor
    x, y = (np.arange(low[i], high[i], FLOOR_SPACING_MM) for i in range(2))
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    points = np.column_stack([grid, spec.noise * rng.standard_normal(len(grid))])
    index = np.arange(len(grid)).reshape(len(x), len(y))
    a, b, c, d = (i.ravel() for i in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    keep = np.ones(len(grid), dtype=bool)
    if not spec.floor_under:
        above = skin[skin[:, 2] < 60][:, :2]
        keep = cKDTree(above).query(grid)[0] > FLOOR_SPACING_MM / 2 + SHADOW_MM
    return _kept(points, faces, keep)


def _island(specimen: Specimen, rng: np.random.Generator) -> tuple[Array, IntArray]:
    """Return a small blob beside the foot."""
    import trimesh

    blob = trimesh.creation.icosphere(subdivisions=2, radius=ISLAND_RADIUS_MM * rng.uniform(0.6, 1.3))
    skin = specimen.vertices
    side = rng.choice([-1.0, 1.0])
    edge = skin[:, 1].max() if side > 0 else skin[:, 1].min()
    centre = [rng.uniform(0.1, 0.9) * skin[:, 0].max(), edge + side * rng.uniform(25, 60), rng.uniform(20, 60)]
    return np.asarray(blob.vertices) + centre, np.asarray(blob.faces).astype(np.int64)


def _strays(vertices: Array, count: int, rng: np.random.Generator) -> Array:
    """Return lone points 3 to 60 mm off the skin, above the ground."""
    near = vertices[rng.integers(len(vertices), size=count)]
    way = rng.standard_normal((count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    points = near + way * rng.uniform(3, 60, (count, 1))
    points[:, 2] = np.abs(points[:, 2])
    return points


def _joined(parts: Sequence[tuple[Array, IntArray]]) -> tuple[Array, IntArray]:
    """Return the parts as one mesh."""
    starts = np.cumsum([0] + [len(v) for v, _ in parts[:-1]])
    faces = [f + start for (_, f), start in zip(parts, starts, strict=True)]
    return np.concatenate([v for v, _ in parts]), np.concatenate(faces)
