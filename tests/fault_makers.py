"""How each fault is put into a scan: one function per fault, strength as an argument.

    Specimen, a good scanner, strength -> Faulty (scan in mm with its rough pose)

A fault of the foot itself (toes, squeezing) bends the specimen before it is scanned; one of the
scan changes the mesh in the foot frame of a right foot, before the pose is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph
from scipy.spatial.transform import Rotation

from footscan.finding.matching import Match
from footscan.foot import face_normals, vertex_normals
from footscan.scan import Array, IntArray, Load, Scan, Side
from footscan.specimen.made_up import Specimen
from footscan.specimen.scanner import ScannerSpec, scanner_pose, to_scanner
from footscan.specimen.scanner import scan as scanned

NOISE_MM = (0.0, 0.22)
POINTS = (12_000, 40_000)  # under 3 mm apart on the widest foot
LEG_MM = (75.0, 150.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Faulty:
    """A scan in mm with its rough pose, and what is said beside it."""

    scan: Scan
    match: Match
    load: Load
    hand_length: float | None = None


def base_spec(rng: np.random.Generator, *, fine: bool = False) -> ScannerSpec:
    """Return a good scanner: any pose, little noise, dense enough, at times a floor."""
    low, high = np.log(POINTS)
    return ScannerSpec(
        points=int(np.exp(rng.uniform(max(low, np.log(14_000)) if fine else low, high))),
        noise=float(rng.uniform(*NOISE_MM)),
        turn_deg=None,
        shift=None,
        leg_height=float(rng.uniform(*LEG_MM)),
    )


def good_scan(
    specimen: Specimen, spec: ScannerSpec, rng: np.random.Generator, load: Load | None = None
) -> Faulty:
    """Return the scan of `specimen` in mm, with its pose turned a few degrees off."""
    seed = int(rng.integers(2**31))
    pose = scanner_pose(specimen.shape.side, spec, np.random.default_rng(seed))
    scan = scanned(specimen, spec, np.random.default_rng(seed)).scaled(spec.unit.mm)
    return Faulty(scan=scan, match=_match(specimen, pose, rng), load=load or specimen.shape.load)


def _match(specimen: Specimen, pose: Array, rng: np.random.Generator) -> Match:
    """Return a rough pose, about 3 degrees and 3 mm off, as the matching gives."""
    side = specimen.shape.side
    flip = np.diag([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
    off = Rotation.from_rotvec(np.radians(rng.normal(0, 1.5, 3))).as_matrix()
    length = specimen.truth.measures["foot_length"]
    return Match(
        rotation=off @ (pose[:3, :3] @ flip).T,
        origin=pose[:3, 3] + rng.normal(0, 2.0, 3),
        scale=length * float(rng.uniform(0.98, 1.02)),
        side=side,
        cost=0.01,
    )


def in_foot(
    specimen: Specimen,
    spec: ScannerSpec,
    rng: np.random.Generator,
    change: Callable[[Array, IntArray], tuple[Array, IntArray]],
) -> Faulty:
    """Return a good scan whose mesh was changed in the foot frame of a right foot."""
    pose = scanner_pose(specimen.shape.side, spec, rng)
    plain = replace(spec, turn_deg=(0.0, 0.0, 0.0), shift=(0.0, 0.0, 0.0))
    own = scanned(specimen, plain, rng)
    vertices, faces = own.vertices.copy(), own.faces.copy()
    if specimen.shape.side is Side.LEFT:
        vertices, faces = vertices * [1.0, -1.0, 1.0], faces[:, ::-1]
    vertices, faces = change(vertices, faces)
    if specimen.shape.side is Side.LEFT:
        faces = faces[:, ::-1]
    scan = Scan(vertices=to_scanner(vertices, pose), faces=faces)
    return Faulty(scan=scan, match=_match(specimen, pose, rng), load=specimen.shape.load)


def added(parts: list[tuple[Array, IntArray]]) -> tuple[Array, IntArray]:
    start = np.cumsum([0] + [len(v) for v, _ in parts[:-1]])
    return (
        np.concatenate([v for v, _ in parts]),
        np.concatenate([f + s for (_, f), s in zip(parts, start, strict=True)]),
    )


def kept_faces(vertices: Array, faces: IntArray, keep: Array) -> tuple[Array, IntArray]:
    faces = faces[keep[faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(vertices), -1)
    number[used] = np.arange(len(used))
    return vertices[used], number[faces]


# --- scanner settings -------------------------------------------------------------------------


def setting(**fixed: str) -> Callable[..., Faulty]:
    """Return a fault that one setting of the made-up scanner gives: ``name="type"``."""
    ((name, kind),) = fixed.items()

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        value = int(strength) if kind == "int" else float(strength)
        return good_scan(specimen, replace(spec, **{name: value}), rng)

    return put


def filled(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    return good_scan(specimen, replace(spec, sole="filled", noise=strength), rng)


def missing(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Nothing that faces down is seen over this share of the length, from the heel on."""
    length = specimen.truth.measures["foot_length"]

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        down = vertex_normals(vertices, faces)[:, 2] < -0.35
        hidden = down & (vertices[:, 2] < 0.16 * length) & (vertices[:, 0] < strength * length)
        return kept_faces(vertices, faces, ~hidden)

    return in_foot(specimen, spec, rng, change)


def strays(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    count = int(strength / 100 * (spec.points or len(specimen.vertices)))
    return good_scan(specimen, replace(spec, strays=count), rng)


def cloud_strays(box: float | None) -> Callable[..., Faulty]:
    """Return strays among bare points, even in a box so much wider than the foot, or clustered."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        dense = max(spec.points or 0, 20_000)
        made = good_scan(specimen, replace(spec, points=dense, faces=False), rng)
        points = made.scan.vertices
        count = int(strength / (100 - strength) * len(points))
        low, high = points.min(axis=0), points.max(axis=0)
        if box is None:
            middle = rng.uniform(low - 60, high + 60, (max(1, count // 150), 3))
            lone = middle[rng.integers(len(middle), size=count)] + rng.normal(0, 8, (count, 3))
        else:
            lone = rng.uniform(low - box, high + box, (count, 3))
        vertices = rng.permutation(np.concatenate([points, lone]))
        return replace(made, scan=replace(made.scan, vertices=vertices))

    return put


def from_below(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Only skin no steeper than this against straight down is seen, up to 45 mm."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        down = face_normals(vertices, faces)[:, 2] < -np.cos(np.radians(strength))
        low = (vertices[faces, 2] < vertices[:, 2].min() + 45.0).all(axis=1)
        return _largest(vertices, faces[down & low])

    return in_foot(specimen, spec, rng, change)


def cut_low(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Nothing higher than this above the lowest point is in the scan."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        return _largest(vertices, faces[(vertices[faces, 2] <= strength).all(axis=1)])

    return in_foot(specimen, spec, rng, change)


def patch(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """A round patch of the floor lies under the arch, wound either way round."""
    length = specimen.truth.measures["foot_length"]

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        step = np.arange(-strength / 2, strength / 2 + 1.5, 3.0)
        x, y = (k.ravel() for k in np.meshgrid(step, step, indexing="ij"))
        disc = np.stack([x + 0.45 * length, y + 0.05 * length, 0 * x], axis=1)
        disc[:, 2] = vertices[:, 2].min() + 0.1 * rng.standard_normal(len(disc))
        n = len(step)
        index = np.arange(n * n).reshape(n, n)
        a, b, c, d = (
            k.ravel() for k in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
        )
        floor = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
        if rng.random() < 0.5:
            floor = floor[:, ::-1]
        return added([(vertices, faces), (disc, floor)])

    return in_foot(specimen, spec, rng, change)


def smoothed(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Every point drawn towards its neighbours' mean, many times over."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        ends = np.unique(np.sort(ends, axis=1), axis=0)
        links = sparse.coo_matrix(
            (np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(vertices),) * 2
        ).tocsr()
        links = links + links.T
        count = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1)[:, None]
        for _ in range(int(strength)):
            vertices = vertices + 0.5 * (links @ vertices / count - vertices)
        return vertices, faces

    return in_foot(specimen, spec, rng, change)


def _largest(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the largest piece of a mesh that fell apart."""
    ends = np.concatenate([faces[:, :2], faces[:, 1:]])
    graph = sparse.coo_matrix(
        (np.ones(len(ends), dtype=bool), (ends[:, 0], ends[:, 1])), shape=(len(vertices),) * 2
    )
    label = csgraph.connected_components(graph, directed=False)[1][faces[:, 0]]
    faces = faces[label == np.bincount(label).argmax()]
    used, number = np.unique(faces, return_inverse=True)
    return vertices[used], number.reshape(-1, 3)


def hole(at: tuple[float, float]) -> Callable[..., Faulty]:
    """Return a hole in the sole, at shares of length and of half the breadth (medial +)."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        length = specimen.truth.measures["foot_length"]

        def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
            down = vertex_normals(vertices, faces)[:, 2] < -0.2
            x = vertices[:, 0] - at[0] * length
            strip = down & (np.abs(x) < 4.0) & (vertices[:, 2] < 0.2 * length)
            y = vertices[strip, 1]
            centre = (y.max() + y.min()) / 2 + at[1] * (y.max() - y.min()) / 2
            near = down & (np.hypot(x, vertices[:, 1] - centre) < strength / 2)
            return kept_faces(vertices, faces, ~near)

        return in_foot(specimen, spec, rng, change)

    return put


def top_hole(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    length = specimen.truth.measures["foot_length"]

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        up = vertex_normals(vertices, faces)[:, 2] > 0.5
        ridge = up & (np.abs(vertices[:, 0] - 0.58 * length) < 5.0)
        centre = vertices[ridge][vertices[ridge, 2].argmax()]
        return kept_faces(vertices, faces, np.linalg.norm(vertices - centre, axis=1) > strength / 2)

    return in_foot(specimen, spec, rng, change)


def clipped(side: float) -> Callable[..., Faulty]:
    """Return a field that ends beside the foot: medial for +1, lateral for -1."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        slant = np.radians(rng.uniform(-8, 8))

        def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
            reach = side * (vertices[:, 1] * np.cos(slant) + vertices[:, 0] * np.sin(slant))
            foot = vertices[:, 2] < 60
            return kept_faces(vertices, faces, reach < reach[foot].max() - strength)

        return in_foot(specimen, spec, rng, change)

    return put


# --- floors and what lies beside the foot -----------------------------------------------------


def _floor_sheet(
    specimen: Specimen, margin: float, height: Callable[[Array], Array], *, under: bool
) -> tuple[Array, IntArray]:
    """Return a sheet around (or below) the foot, 3 mm between points, at `height` of its plan."""
    skin = specimen.vertices
    low, high = skin[:, :2].min(axis=0) - margin, skin[:, :2].max(axis=0) + margin
    x, y = (np.arange(low[k], high[k], 3.0) for k in range(2))
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    index = np.arange(len(grid)).reshape(len(x), len(y))
    a, b, c, d = (
        i.ravel() for i in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    away = spatial.cKDTree(skin[skin[:, 2] < 40][:, :2]).query(grid)[0]
    keep = (away < margin) & (under | (away > 2.5))
    return kept_faces(np.column_stack([grid, height(grid)]), faces, keep)


def mat(specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator) -> Faulty:
    """A soft mat that bulges round the foot, as wide as `strength`, hanging on it."""
    wave = rng.uniform(0, 6, 2)

    def height(plan: Array) -> Array:
        return 2.0 + 1.2 * np.sin(plan[:, 0] / 23 + wave[0]) + np.cos(plan[:, 1] / 17 + wave[1])

    sheet = _floor_sheet(specimen, strength, height, under=False)
    return in_foot(specimen, spec, rng, lambda v, f: added([(v, f), sheet]))


def tilted(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """A flat floor that is not the foot's: tilted about a random axis in plan."""
    way = rng.uniform(0, 2 * np.pi)
    slope = np.tan(np.radians(strength)) * np.array([np.cos(way), np.sin(way)])
    middle = specimen.vertices[:, :2].mean(axis=0)
    low = ((specimen.vertices[:, :2] - middle) @ slope)[specimen.vertices[:, 2] < 5].max()

    def height(plan: Array) -> Array:
        return (plan - middle) @ slope - low

    sheet = _floor_sheet(specimen, 60.0, height, under=True)
    return in_foot(specimen, spec, rng, lambda v, f: added([(v, f), sheet]))


def plate(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The far face of a glass plate, `strength` below the sole, seen in place of a floor."""
    sheet = _floor_sheet(specimen, 50.0, lambda plan: np.full(len(plan), -strength), under=True)
    return in_foot(specimen, spec, rng, lambda v, f: added([(v, f), sheet]))


def second_foot(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        other = vertices * [1.0, -1.0, 1.0]
        other[:, 1] += vertices[:, 1].max() - other[:, 1].min() + strength
        return added([(vertices, faces), (other, faces[:, ::-1])])

    return in_foot(specimen, spec, rng, change)


# --- skin seen twice, waves, noise ------------------------------------------------------------


def two_copies(move: Callable[[Array, float, np.random.Generator], Array]) -> Callable[..., Faulty]:
    """Return the foot scanned twice, the second copy moved."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        again = scanned(
            specimen, replace(spec, turn_deg=(0.0, 0.0, 0.0), shift=(0.0, 0.0, 0.0)), rng
        )
        second, mesh = again.vertices.copy(), again.faces.copy()
        if specimen.shape.side is Side.LEFT:
            second, mesh = second * [1.0, -1.0, 1.0], mesh[:, ::-1]
        moved = move(second, strength, rng)
        return in_foot(specimen, spec, rng, lambda v, f: added([(v, f), (moved, mesh)]))

    return put


def lifted(points: Array, strength: float, rng: np.random.Generator) -> Array:
    return points + np.array([0.0, 0.0, strength * rng.choice([-1.0, 1.0])])


def sideways(points: Array, strength: float, rng: np.random.Generator) -> Array:
    return points + np.array([0.0, strength * rng.choice([-1.0, 1.0]), 0.0])


def rotated(points: Array, strength: float, rng: np.random.Generator) -> Array:
    turn = Rotation.from_euler("z", strength * rng.choice([-1.0, 1.0]), degrees=True).as_matrix()
    middle = np.array([np.median(points[:, 0]), 0.0, 0.0])
    return (points - middle) @ turn.T + middle


def coarse_double(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The forward half twice, 0.7 mm apart, at `strength` points over the whole foot."""
    coarse = replace(spec, points=int(strength), ghost=0.7, noise=min(spec.noise, 0.1))
    return good_scan(specimen, coarse, rng)


def mirror_overlay(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The foot and its mirror image about the long axis, turned against it by `strength`."""
    turn = Rotation.from_euler("z", strength, degrees=True).as_matrix()

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        middle = np.array([0.0, np.median(vertices[:, 1]), 0.0])
        image = (vertices - middle) * [1.0, -1.0, 1.0] @ turn.T + middle
        return added([(vertices, faces), (image, faces[:, ::-1])])

    return in_foot(specimen, spec, rng, change)


def wavy(wavelength: float) -> Callable[..., Faulty]:
    """Return ripples of a wavelength, `strength` mm of amplitude, in any direction of the plan."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        way, phase = rng.uniform(0, np.pi), rng.uniform(0, 6)
        along = np.array([np.cos(way), np.sin(way)])

        def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
            wave = np.sin(2 * np.pi * (vertices[:, :2] @ along) / wavelength + phase)
            return vertices + vertex_normals(vertices, faces) * (strength * wave)[:, None], faces

        fine = replace(spec, points=max(spec.points or 0, int(14_000 * (10 / wavelength))))
        return in_foot(specimen, fine, rng, change)

    return put


# --- mesh defects -----------------------------------------------------------------------------


# --- the foot itself --------------------------------------------------------------------------
