"""Measured feet with known truth, for tests of planning and parts.

Two independent sources: :func:`analytic` builds a foot from plain formulas written here (sole
height, plan outline), :func:`specimen` asks :mod:`specimen.made_up` for one. Landmarks come
from the construction itself with a stated standard deviation, so no test of planning hangs on
landmark finding.

Partial scans are cut from a whole foot: :func:`sole_only` keeps what a scanner below a glass
plate sees, :func:`impression` presses the foot into a block of foam, :func:`leg_cut` keeps the
lowest part.

All feet are in the foot frame (mm): +x forward, +y medial, z = 0 the ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import interpolate, sparse, spatial

from footscan.arch import arch_apex
from footscan.foot import Foot, face_normals, sole_map, vertex_normals
from footscan.results import Landmark, Measure, MeasuredFoot, ScanFacts, ScanReport, Verdict
from footscan.scan import Array, IntArray, Kind, Load, Scan, Side, Unit

LANDMARK_SD = 1.5
# plan outline: share of the length, then edges as shares of the ball breadth
MEDIAL = (
    (0.0, 0.0),
    (0.03, 0.20),
    (0.12, 0.31),
    (0.25, 0.32),
    (0.45, 0.35),
    (0.60, 0.43),
    (0.73, 0.50),
    (0.85, 0.46),
    (0.95, 0.38),
    (0.985, 0.28),
    (1.0, 0.15),
)
LATERAL = (
    (0.0, 0.0),
    (0.03, -0.20),
    (0.12, -0.31),
    (0.25, -0.34),
    (0.45, -0.40),
    (0.63, -0.50),
    (0.75, -0.46),
    (0.87, -0.28),
    (0.95, -0.08),
    (0.985, 0.04),
    (1.0, 0.15),
)
ARCH_AT, ARCH_REAR, ARCH_FRONT = 0.45, 0.20, 0.70  # shares of the length
ARCH_LATERAL = 0.62  # share of the width from the medial edge at which the arch is down
HEADS = {
    "mth1": (0.73, 0.36),
    "mth2": (0.745, 0.16),
    "mth3": (0.725, -0.03),
    "mth4": (0.69, -0.21),
    "mth5": (0.635, -0.37),
}


def analytic(
    *,
    length: float = 260.0,
    breadth: float = 98.0,
    arch: float = 14.0,
    arch_at: float = ARCH_AT,
    side: Side | str = Side.RIGHT,
    load: Load | str = Load.HALF,
    kind: Kind | str = Kind.STANDING,
    verdict: Verdict = Verdict.MAKING,
    landmark_sd: float = LANDMARK_SD,
    spots: tuple[tuple[float, float, float, float], ...] = (),
) -> MeasuredFoot:
    """Return a foot whose arch line has its top `arch` mm above the ground at `arch_at`.

    The truth before the 15 mm smoothing of the arch definition: height `arch` at
    x = `arch_at` x `length`. The smoothing lowers it by about 2 %.

    Parameters
    ----------
    length, breadth, arch : float
        Foot length, ball breadth and arch height on the arch line, mm.
    arch_at : float
        Share of the length at which the arch is highest.
    spots : tuple of (x, y, height, radius)
        Gaussian bumps added to the sole (creases, noise), mm.
    """
    built = _analytic_mesh(length, breadth, arch, arch_at, spots)
    vertices, faces, points = built
    return measured(
        vertices,
        faces,
        points,
        length=length,
        breadth=breadth,
        side=Side(side),
        load=Load(load),
        kind=Kind(kind),
        verdict=verdict,
        landmark_sd=landmark_sd,
        name="analytic",
    )


def analytic_sole(
    x: Array,
    y: Array,
    *,
    length: float = 260.0,
    breadth: float = 98.0,
    arch: float = 14.0,
    arch_at: float = ARCH_AT,
) -> Array:
    """Return the height of the analytic sole without its rounded border, mm."""
    medial, lateral = _edges(np.asarray(x, dtype=float) / length)
    t = (medial * breadth - np.asarray(y)) / np.maximum((medial - lateral) * breadth, 1e-6)
    u = np.asarray(x, dtype=float) / length
    reach = np.where(u < arch_at, arch_at - ARCH_REAR, ARCH_FRONT - arch_at)
    along = np.cos(np.pi / 2 * np.clip((u - arch_at) / reach, -1, 1)) ** 2
    across = np.cos(np.pi / 2 * np.clip(t / ARCH_LATERAL, 0, 1)) ** 2
    return arch * along * across / np.cos(np.pi / 2 * 0.25 / ARCH_LATERAL) ** 2


def specimen(
    shape: Any = None, *, landmark_sd: float = LANDMARK_SD, **changes: Any
) -> MeasuredFoot:
    """Return a measured foot of :mod:`footscan.specimen.made_up`; landmarks are its truth."""
    from footscan.specimen import made_up as made

    return measured_specimen(made.build(shape or made.Shape(**changes)), landmark_sd=landmark_sd)


def measured(
    vertices: Array,
    faces: IntArray,
    points: Mapping[str, Array],
    *,
    length: float,
    breadth: float,
    side: Side = Side.RIGHT,
    load: Load = Load.HALF,
    kind: Kind = Kind.STANDING,
    verdict: Verdict = Verdict.MAKING,
    landmark_sd: float = LANDMARK_SD,
    name: str = "made",
) -> MeasuredFoot:
    """Return the record of a mesh that is in the foot frame already.

    ``arch_apex`` is added to the landmarks with the project's own definition of it, when the
    arch can be seen.
    """
    sole = sole_map(vertices, faces)
    pose = np.diag([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0, 1.0])
    foot = Foot(
        vertices=vertices,
        faces=faces,
        side=side,
        kind=kind,
        load=load,
        pose=pose,
        length=length,
        sole=sole,
    )
    marks = {
        key: Landmark(xyz=np.asarray(p, dtype=float), sd=landmark_sd, method="construction")
        for key, p in points.items()
    }
    measures = {
        "foot_length": Measure(value=length, sd=0.5, method="construction"),
        "foot_breadth": Measure(value=breadth, sd=0.5, method="construction"),
    }
    try:
        apex = arch_apex(sole, length)
    except ValueError:
        measures["arch_apex_height"] = Measure(reason="the arch is not seen from below")
    else:
        marks["arch_apex"] = Landmark(
            xyz=np.array([apex.x, apex.y, apex.z]), sd=landmark_sd, method="highest on arch line"
        )
        measures["arch_apex_height"] = Measure(value=apex.z, sd=0.5, method="arch line")
    facts = ScanFacts(
        file=f"{name}-{side}.ply",
        sha256=name.ljust(64, "0"),
        unit=Unit.MM,
        mm_per_unit=1.0,
        unit_evidence="made in mm",
        side=str(side),
        side_confidence=1.0,
        side_evidence="made",
        kind=str(kind),
        load=str(load),
        points=len(vertices),
        faces=len(faces),
        scale_verified=True,
    )
    return MeasuredFoot(
        facts=facts,
        foot=foot,
        report=ScanReport(verdict=verdict, findings=()),
        landmarks=marks,
        measures=measures,
        sizes={},
    )


def _edges(u: Array) -> tuple[Array, Array]:
    """Return medial and lateral edge as shares of the breadth at shares `u` of the length."""
    curves = []
    for table in (MEDIAL, LATERAL):
        at, value = np.array(table).T
        # interpolated over the square root of the distance from the heel: round at the heel end
        curves.append(interpolate.PchipInterpolator(np.sqrt(at), value)(np.sqrt(np.clip(u, 0, 1))))
    return curves[0], curves[1]


@lru_cache(maxsize=32)
def _analytic_mesh(
    length: float,
    breadth: float,
    arch: float,
    arch_at: float,
    spots: tuple[tuple[float, float, float, float], ...],
) -> tuple[Array, IntArray, dict[str, Array]]:
    """Return vertices, faces and true landmarks of the analytic foot."""
    u = np.concatenate(
        [np.linspace(0, 0.08, 24) ** 1.0, np.linspace(0.09, 0.95, 140), np.linspace(0.955, 1.0, 16)]
    )
    t = np.linspace(0, 1, 61)
    medial, lateral = (edge * breadth for edge in _edges(u))
    x = np.repeat(u[:, None] * length, len(t), axis=1)
    y = medial[:, None] - t[None, :] * (medial - lateral)[:, None]
    z = _bottom(x, y, length, breadth, arch, arch_at, spots)
    top = np.interp(
        u, [0, 0.02, 0.2, 0.35, 0.5, 0.7, 0.8, 0.95, 1.0], [18, 45, 85, 85, 66, 40, 32, 24, 12]
    )
    bow = np.sqrt(np.clip(1 - (2 * t - 1) ** 2, 0, 1))
    z_top = np.maximum(z[:, :1], z[:, -1:]) * 0 + z + (np.maximum(top[:, None] - z, 2.0)) * bow
    vertices, faces = _shell(x, y, z, z_top)
    return vertices, faces, _true_points(length, breadth, arch, arch_at)


def _bottom(
    x: Array,
    y: Array,
    length: float,
    breadth: float,
    arch: float,
    arch_at: float,
    spots: tuple[tuple[float, float, float, float], ...],
) -> Array:
    """Return sole heights with a rounded border of 7 mm and any bumps."""
    u = np.linspace(0, 1, 800)
    medial, lateral = (edge * breadth for edge in _edges(u))
    ring = np.concatenate(
        [np.column_stack([u * length, medial]), np.column_stack([u * length, lateral])]
    )
    inside, _ = spatial.cKDTree(ring).query(np.column_stack([x.ravel(), y.ravel()]))
    inside = inside.reshape(x.shape)
    round_off = 7.0 - np.sqrt(np.clip(49.0 - np.clip(7.0 - inside, 0, 7) ** 2, 0, None))
    z = analytic_sole(x, y, length=length, breadth=breadth, arch=arch, arch_at=arch_at) + round_off
    for sx, sy, height, radius in spots:
        z = z + height * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / (2 * radius**2))
    return z


def _shell(x: Array, y: Array, z: Array, z_top: Array) -> tuple[Array, IntArray]:
    """Return a closed mesh between the bottom and the top sheet (they share their rim)."""
    n, m = x.shape
    bottom = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    upper = np.column_stack([x.ravel(), y.ravel(), z_top.ravel()])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a, b, c, d = (
        k.ravel() for k in (i * m + j, (i + 1) * m + j, (i + 1) * m + j + 1, i * m + j + 1)
    )
    quads = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    faces = np.concatenate([quads, quads[:, ::-1] + n * m])  # y falls with j: bottom looks down
    vertices = np.concatenate([bottom, upper])
    _, keep, index = np.unique(
        np.round(vertices, 6), axis=0, return_index=True, return_inverse=True
    )
    faces = index.ravel()[faces]
    flat = (
        (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 0] == faces[:, 2])
    )
    return vertices[keep], faces[~flat].astype(np.int64)


def _true_points(length: float, breadth: float, arch: float, arch_at: float) -> dict[str, Array]:
    """Return the landmarks of the construction, foot frame, mm."""
    medial, lateral = _edges(np.array([0.73, 0.63, 0.47]))
    points = {
        "pternion": np.array([0.0, 0.0, 12.0]),
        "acropodion": np.array([length, 0.15 * breadth, 10.0]),
        "heel_centre": np.array([0.12 * length, 0.0, 0.0]),
        "metatarsale_tibiale": np.array([0.73 * length, medial[0] * breadth, 12.0]),
        "metatarsale_fibulare": np.array([0.63 * length, lateral[1] * breadth, 10.0]),
        "navicular": np.array([0.47 * length, medial[2] * breadth, 24.0 + arch]),
        "instep": np.array([0.5 * length, 0.0, 66.0]),
    }
    for name, (u, v) in HEADS.items():
        points[name] = np.array([u * length, v * breadth, 0.0])
    return points


def measured_specimen(built: Any, *, landmark_sd: float = LANDMARK_SD) -> MeasuredFoot:
    """Return the measured foot of a built specimen (see :func:`specimen`).

    The navicular and the instep are not in a specimen's truth; they are put where anatomy has
    them (navicular: medial border at the arch apex, 20 mm above it).
    """
    truth, shape = built.truth, built.shape
    points = {key: np.asarray(p, float) for key, p in truth.landmarks.items() if key != "arch_apex"}
    apex = np.asarray(truth.landmarks["arch_apex"], dtype=float)
    points.setdefault("navicular", apex + np.array([0.01 * shape.length, 14.0, 20.0]))
    points.setdefault("instep", np.array([0.5 * shape.length, 0.0, 66.0 * shape.instep]))
    return measured(
        np.asarray(built.vertices, dtype=float),
        built.faces,
        points,
        length=shape.length,
        breadth=shape.breadth,
        side=shape.side,
        load=shape.load,
        kind=Kind.HANGING if shape.load is Load.NONE else Kind.STANDING,
        landmark_sd=landmark_sd,
        name="specimen",
    )


def worn(specimen: Any) -> tuple[Array, IntArray]:
    """Return the mesh of a specimen as the side that it really is, upright, mm."""
    vertices, faces = np.array(specimen.vertices, dtype=float), np.array(specimen.faces)
    if specimen.shape.side is Side.LEFT:  # a specimen's own frame mirrors a left foot
        return vertices * np.array([1.0, -1.0, 1.0]), faces[:, ::-1].copy()
    return vertices, faces


def sole_only(
    specimen: Any,
    *,
    limit_deg: float = 75.0,
    top: float = 40.0,
    noise: float = 0.0,
    seed: int = 0,
) -> Scan:
    """Return the foot as seen from below only: an open sheet.

    Parameters
    ----------
    specimen : Specimen, or (vertices, faces)
        A specimen, or a mesh of an upright foot (z up, its true side).
    limit_deg : float
        Largest angle between skin and straight down that the scanner still sees.
    top : float
        Height above the lowest point beyond which nothing is seen, mm.
    noise : float
        Standard deviation along the normal, mm.
    """
    vertices, faces = worn(specimen) if hasattr(specimen, "shape") else specimen
    down = face_normals(vertices, faces)[:, 2] < -np.cos(np.radians(limit_deg))
    low = (vertices[faces, 2] < vertices[:, 2].min() + top).all(axis=1)
    faces = _without_crumbs(faces[down & low], len(vertices))
    return _noisy(vertices, faces, noise, seed)


def leg_cut(specimen: Any, height: float) -> Scan:
    """Return the foot with everything higher than `height` above its lowest point gone."""
    vertices, faces = worn(specimen) if hasattr(specimen, "shape") else specimen
    low = (vertices[faces, 2] < vertices[:, 2].min() + height).all(axis=1)
    return _noisy(vertices, faces[low], 0.0, 0)


def impression(
    specimen: Any,
    *,
    depth: float = 35.0,
    rim: float = 45.0,
    noise: float = 0.0,
    cell: float = 1.5,
    block: float = 0.0,
    seed: int = 0,
) -> Scan:
    """Return a block of foam that the foot was pressed into, scanned from above.

    The foam gives way straight down: over each cell its top is the lowest skin that passed
    there, never higher than the block's own top. Normals point out of the foam.

    Parameters
    ----------
    depth : float
        How deep the foot went in, mm.
    rim : float
        How far the block reaches beyond the foot, mm.
    block : float
        Height of the block's outer walls that the scan shows, mm; 0 for none.
    """
    vertices, faces = worn(specimen) if hasattr(specimen, "shape") else specimen
    skin = _dense(vertices - [0, 0, vertices[:, 2].min()], faces, 0.7 * cell, depth)
    low = np.floor((skin[:, :2].min(axis=0) - rim) / cell)
    size = tuple(np.ceil((skin[:, :2].max(axis=0) + rim) / cell - low).astype(int) + 1)
    at = np.round(skin[:, :2] / cell - low).astype(int)
    top = np.full(size, float(depth))
    np.minimum.at(top, (at[:, 0], at[:, 1]), skin[:, 2])
    x, y = np.meshgrid(
        *((np.arange(n) + start) * cell for n, start in zip(size, low, strict=True)), indexing="ij"
    )
    grid = np.stack([x, y, top], axis=-1)
    if block:
        grid = np.pad(grid, ((1, 1), (1, 1), (0, 0)), mode="edge")
        edge = np.ones(grid.shape[:2], dtype=bool)
        edge[1:-1, 1:-1] = False
        grid[edge, 2] = depth - block
    index = np.arange(grid[..., 0].size).reshape(grid.shape[:2])
    a, b, c, d = (
        k.ravel() for k in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return _noisy(grid.reshape(-1, 3), faces, noise, seed)


def turned(scan: Scan, seed: int | None, *, factor: float = 1.0, points: bool = False) -> Scan:
    """Return `scan` turned and moved anyhow (by `seed`), its coordinates times `factor`.

    With `points` the faces are dropped and the points shuffled.
    """
    rng = np.random.default_rng(seed)
    turn = spatial.transform.Rotation.from_quat(rng.standard_normal(4)).as_matrix()
    vertices = (scan.vertices @ turn.T + rng.uniform(-400, 400, 3)) * factor
    if points:
        return Scan(vertices=vertices[rng.permutation(len(vertices))], faces=[])
    return Scan(vertices=vertices, faces=scan.faces)


def _without_crumbs(faces: IntArray, count: int) -> IntArray:
    """Return the faces of pieces that hold at least a hundredth of them: toes come loose."""
    edges = np.concatenate([faces[:, :2], faces[:, 1:]])
    graph = sparse.coo_matrix((np.ones(len(edges)), edges.T), shape=(count, count))
    label = sparse.csgraph.connected_components(graph, directed=False)[1][faces[:, 0]]
    return faces[np.bincount(label)[label] >= 0.01 * len(faces)]


def _noisy(vertices: Array, faces: IntArray, noise: float, seed: int) -> Scan:
    """Return the scan of the vertices that faces use, moved along their normals by noise."""
    used, number = np.unique(faces, return_inverse=True)
    vertices, faces = vertices[used], number.reshape(-1, 3)
    error = noise * np.random.default_rng(seed).standard_normal(len(vertices))
    return Scan(vertices=vertices + vertex_normals(vertices, faces) * error[:, None], faces=faces)


def _dense(vertices: Array, faces: IntArray, spacing: float, depth: float) -> Array:
    """Return points on the skin below `depth`, so close that no cell of `spacing` is missed."""
    faces = faces[(vertices[faces, 2] < depth).any(axis=1)]
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    edge = max(float(np.linalg.norm(q - p, axis=1).max()) for p, q in ((a, b), (b, c), (c, a)))
    steps = int(np.ceil(edge / spacing))
    u, v = (k.ravel() / steps for k in np.mgrid[0 : steps + 1, 0 : steps + 1])
    u, v = u[u + v <= 1 + 1e-9], v[u + v <= 1 + 1e-9]
    return np.concatenate([a + s * (b - a) + t * (c - a) for s, t in zip(u, v, strict=True)])
