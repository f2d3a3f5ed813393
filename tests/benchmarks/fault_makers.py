"""How each fault is put into a scan: one function per fault, strength as an argument.

    Specimen, a good scanner, strength -> Faulty (scan in mm with its rough pose)

A fault of the foot itself (toes, squeezing) bends the specimen before it is scanned; one of the
scan changes the mesh in the foot frame of a right foot, before the pose is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, sparse, spatial
from scipy.sparse import csgraph
from scipy.spatial.transform import Rotation

from footscan.finding.matching import Match
from footscan.foot import face_normals, vertex_normals
from footscan.quality.view import cast
from footscan.scan import Array, IntArray, Load, Scan, Side
from footscan.specimen.made_up import Specimen
from footscan.specimen.scanner import ScannerSpec, scanner_pose, to_scanner
from footscan.specimen.scanner import scan as scanned

NOISE_MM = (0.0, 0.22)
POINTS = (9_000, 40_000)
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


def _in_foot(
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


def _added(parts: list[tuple[Array, IntArray]]) -> tuple[Array, IntArray]:
    start = np.cumsum([0] + [len(v) for v, _ in parts[:-1]])
    return (
        np.concatenate([v for v, _ in parts]),
        np.concatenate([f + s for (_, f), s in zip(parts, start, strict=True)]),
    )


def _kept(vertices: Array, faces: IntArray, keep: Array) -> tuple[Array, IntArray]:
    faces = faces[keep[faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(vertices), -1)
    number[used] = np.arange(len(used))
    return vertices[used], number[faces]


def _bent(specimen: Specimen, move: Callable[[Array], Array]) -> Specimen:
    return replace(specimen, vertices=move(np.array(specimen.vertices, dtype=float)))


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
        return _kept(vertices, faces, ~hidden)

    return _in_foot(specimen, spec, rng, change)


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

    return _in_foot(specimen, spec, rng, change)


def cut_low(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Nothing higher than this above the lowest point is in the scan."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        return _largest(vertices, faces[(vertices[faces, 2] <= strength).all(axis=1)])

    return _in_foot(specimen, spec, rng, change)


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
        return _added([(vertices, faces), (disc, floor)])

    return _in_foot(specimen, spec, rng, change)


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

    return _in_foot(specimen, spec, rng, change)


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
            return _kept(vertices, faces, ~near)

        return _in_foot(specimen, spec, rng, change)

    return put


def top_hole(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    length = specimen.truth.measures["foot_length"]

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        up = vertex_normals(vertices, faces)[:, 2] > 0.5
        ridge = up & (np.abs(vertices[:, 0] - 0.58 * length) < 5.0)
        centre = vertices[ridge][vertices[ridge, 2].argmax()]
        return _kept(vertices, faces, np.linalg.norm(vertices - centre, axis=1) > strength / 2)

    return _in_foot(specimen, spec, rng, change)


def clipped(side: float) -> Callable[..., Faulty]:
    """Return a field that ends beside the foot: medial for +1, lateral for -1."""

    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        slant = np.radians(rng.uniform(-8, 8))

        def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
            reach = side * (vertices[:, 1] * np.cos(slant) + vertices[:, 0] * np.sin(slant))
            foot = vertices[:, 2] < 60
            return _kept(vertices, faces, reach < reach[foot].max() - strength)

        return _in_foot(specimen, spec, rng, change)

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
    return _kept(np.column_stack([grid, height(grid)]), faces, keep)


def mat(specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator) -> Faulty:
    """A soft mat that bulges round the foot, as wide as `strength`, hanging on it."""
    wave = rng.uniform(0, 6, 2)

    def height(plan: Array) -> Array:
        return 2.0 + 1.2 * np.sin(plan[:, 0] / 23 + wave[0]) + np.cos(plan[:, 1] / 17 + wave[1])

    sheet = _floor_sheet(specimen, strength, height, under=False)
    return _in_foot(specimen, spec, rng, lambda v, f: _added([(v, f), sheet]))


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
    return _in_foot(specimen, spec, rng, lambda v, f: _added([(v, f), sheet]))


def plate(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The far face of a glass plate, `strength` below the sole, seen in place of a floor."""
    sheet = _floor_sheet(specimen, 50.0, lambda plan: np.full(len(plan), -strength), under=True)
    return _in_foot(specimen, spec, rng, lambda v, f: _added([(v, f), sheet]))


def second_foot(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        other = vertices * [1.0, -1.0, 1.0]
        other[:, 1] += vertices[:, 1].max() - other[:, 1].min() + strength
        return _added([(vertices, faces), (other, faces[:, ::-1])])

    return _in_foot(specimen, spec, rng, change)


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
        return _in_foot(specimen, spec, rng, lambda v, f: _added([(v, f), (moved, mesh)]))

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
        return _added([(vertices, faces), (image, faces[:, ::-1])])

    return _in_foot(specimen, spec, rng, change)


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
        return _in_foot(specimen, fine, rng, change)

    return put


# --- mesh defects -----------------------------------------------------------------------------


def reduced(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The mesh brought down to `strength` faces by quadric error, as programs do."""
    from footscan.thinning import load_open3d

    o3d = load_open3d()

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        mesh = o3d.geometry.TriangleMesh(
            o3d.utility.Vector3dVector(vertices),
            o3d.utility.Vector3iVector(np.ascontiguousarray(faces, dtype=np.int32)),
        )
        mesh = mesh.simplify_quadric_decimation(int(strength))
        return np.asarray(mesh.vertices).copy(), np.asarray(mesh.triangles).astype(np.int64)

    return _in_foot(specimen, replace(spec, noise=min(spec.noise, 0.03)), rng, change)


def inside_out(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    dense = replace(spec, points=int(strength))
    return _in_foot(specimen, dense, rng, lambda v, f: (v, f[:, ::-1]))


def mixed(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Faces of a patch below the arch look inwards; `strength` is its diameter."""
    length = specimen.truth.measures["foot_length"]

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        down = face_normals(vertices, faces)[:, 2] < -0.7
        middle = vertices[faces].mean(axis=1)
        strip = down & (np.abs(middle[:, 0] - 0.46 * length) < 4.0) & (middle[:, 2] < 45)
        centre = np.array([0.46 * length, np.median(middle[strip, 1])])
        patch = down & (np.hypot(*(middle[:, :2] - centre).T) < strength / 2)
        faces = np.array(faces)
        faces[patch] = faces[patch][:, ::-1]
        return vertices, faces

    return _in_foot(specimen, spec, rng, change)


def folded(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Folds in the sole: `strength` patches of 14 mm twisted about their normal by 150 degrees."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        down = np.flatnonzero(vertex_normals(vertices, faces)[:, 2] < -0.8)
        vertices = np.array(vertices)
        turn = Rotation.from_euler("z", 150, degrees=True).as_matrix()
        for at in rng.choice(down, int(strength), replace=False):
            middle = vertices[at].copy()
            near = np.linalg.norm(vertices - middle, axis=1) < 7.0
            vertices[near] = (vertices[near] - middle) @ turn.T + middle + [0.0, 0.0, 0.2]
        return vertices, faces

    return _in_foot(specimen, spec, rng, change)


def doubled(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        more = rng.choice(len(faces), int(strength / 100 * len(faces)), replace=False)
        return vertices, np.concatenate([faces, faces[more]])

    return _in_foot(specimen, spec, rng, change)


def not_finite(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Points without a place, in one patch on the instep and above, as reading drops them."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        order = np.argsort(-vertices[:, 2])
        keep = np.ones(len(vertices), dtype=bool)
        keep[order[: int(strength / 100 * len(vertices))]] = False
        return _kept(vertices, faces, keep)

    made = _in_foot(specimen, spec, rng, change)
    lost = int(strength / 100 * (spec.points or len(specimen.vertices)))
    return replace(made, scan=replace(made.scan, dropped=lost))


# --- the foot itself --------------------------------------------------------------------------


def toe_up(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The big toe turned up about its base joint."""
    length = specimen.truth.measures["foot_length"]
    head = np.array(specimen.truth.landmarks["mth1"])
    first = np.array(specimen.truth.landmarks["metatarsale_tibiale"])
    lean = np.tan(np.radians(specimen.shape.hallux_deg))

    def move(points: Array) -> Array:
        edge = first[1] - 0.27 * 0.37 * length - lean * (points[:, 0] - head[0])
        medial = np.clip((points[:, 1] - edge) / 3.0 + 0.5, 0, 1)
        bend = np.clip((points[:, 0] - head[0]) / 22.0, 0, 1)
        angle = np.radians(strength) * medial * (3 * bend**2 - 2 * bend**3)
        x, z = points[:, 0] - head[0] - 4.0, points[:, 2] - 12.0
        turned = points.copy()
        turned[:, 0] = head[0] + 4.0 + x * np.cos(angle) - z * np.sin(angle)
        turned[:, 2] = 12.0 + x * np.sin(angle) + z * np.cos(angle)
        return np.where((points[:, :1] > head[0]), turned, points)

    return good_scan(_bent(specimen, move), spec, rng)


def curled(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """All toes clawed: raised at the base by half of `strength`, bent down at the knuckle."""
    length = specimen.truth.measures["foot_length"]
    standing = specimen.shape.load is not Load.NONE

    def turned(points: Array, at: float, height: float, degrees: float) -> Array:
        bend = np.clip((points[:, 0] - at) / 12.0, 0, 1)
        angle = np.radians(degrees) * (3 * bend**2 - 2 * bend**3)
        x, z = points[:, 0] - at, points[:, 2] - height
        moved = points.copy()
        moved[:, 0] = at + x * np.cos(angle) - z * np.sin(angle)
        moved[:, 2] = height + x * np.sin(angle) + z * np.cos(angle)
        return np.where(points[:, :1] > at, moved, points)

    def move(points: Array) -> Array:
        points = turned(points, 0.87 * length, 10.0, -1.5 * strength)
        if standing:
            points = turned(points, 0.775 * length, 8.0, strength)
            tips = points[:, 0] > 0.775 * length
            points[tips, 2] = np.maximum(points[tips, 2], 0.0)
        return points

    return good_scan(_bent(specimen, move), spec, rng)


def sock(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """The clefts closed over `strength` mm, as knit spans them and smoothing fills them."""
    from skimage.measure import marching_cubes

    cell, pad = 1.6, int(np.ceil(strength / 1.6)) + 3
    low = specimen.vertices.min(axis=0) - [0.413, 0.377, 0.0]  # no line along a row of vertices
    hits = cast(specimen.vertices, specimen.faces, 2, low[:2], cell)
    shape = np.ceil((specimen.vertices.max(axis=0) - low) / cell).astype(int) + 2
    solid = np.zeros(tuple(shape + 2 * pad), dtype=bool)
    levels = np.arange(shape[2]) * cell + low[2]
    starts = np.flatnonzero(np.r_[True, (np.diff(hits.line, axis=0) != 0).any(axis=1)])
    for one in np.split(np.arange(len(hits.height)), starts[1:]):
        i, j = hits.line[one[0]] + pad
        inside = ((hits.height[one][None, :] > levels[:, None]) & (hits.facing[one] > 0)).sum(1)
        inside -= ((hits.height[one][None, :] > levels[:, None]) & (hits.facing[one] < 0)).sum(1)
        inside += int((hits.facing[one] < 0).sum() > (hits.facing[one] > 0).sum())  # open leg
        solid[i, j, pad : pad + shape[2]] = inside > 0
    grown = ndimage.distance_transform_edt(~solid) * cell - strength
    closed = ndimage.distance_transform_edt(grown > 0) - ndimage.distance_transform_edt(grown <= 0)
    field = ndimage.gaussian_filter(closed * cell + strength, 0.8)
    vertices, faces, _, _ = marching_cubes(field, 0.0)
    vertices = (vertices - pad) * cell + low
    faces = faces.astype(np.int64)
    if face_normals(vertices, faces)[vertices[faces][:, :, 2].min(axis=1).argmin(), 2] > 0:
        faces = faces[:, ::-1]
    if specimen.shape.load is not Load.NONE:
        vertices[:, 2] = np.maximum(vertices[:, 2], 0.0)
    top = specimen.vertices[:, 2].max() - 3.0
    vertices, faces = _kept(vertices, faces, vertices[:, 2] < top)
    return good_scan(
        replace(specimen, vertices=vertices, faces=faces),
        replace(spec, points=None, leg_height=None),
        rng,
    )


def squeezed(axis: int) -> Callable[..., Faulty]:
    def put(
        specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
    ) -> Faulty:
        factor = np.ones(3)
        factor[axis] = 1 - strength / 100
        return good_scan(_bent(specimen, lambda points: points * factor), spec, rng)

    return put


def scaled(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Too large by `strength` percent, with the true length known by hand to 1 mm."""
    made = good_scan(specimen, spec, rng)
    factor = 1 + strength / 100 * rng.choice([-1.0, 1.0])
    by_hand = specimen.truth.measures["foot_length"] + float(rng.uniform(-1, 1))
    match = replace(made.match, origin=made.match.origin * factor, scale=made.match.scale * factor)
    return replace(made, scan=made.scan.scaled(factor), match=match, hand_length=by_hand)


def load_denied(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    hangs = specimen.shape.load is Load.NONE
    return good_scan(specimen, spec, rng, Load.HALF if hangs else Load.NONE)
