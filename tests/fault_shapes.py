"""Faults of the mesh and of the foot itself, put into a scan; see fault_makers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation

from footscan.foot import face_normals, vertex_normals
from footscan.quality.view import cast
from footscan.scan import Array, IntArray, Load
from footscan.specimen.made_up import Specimen
from footscan.specimen.scanner import ScannerSpec
from tests.fault_makers import Faulty, good_scan, in_foot, kept_faces


def _bent(specimen: Specimen, move: Callable[[Array], Array]) -> Specimen:
    return replace(specimen, vertices=move(np.array(specimen.vertices, dtype=float)))


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

    return in_foot(specimen, replace(spec, noise=min(spec.noise, 0.03)), rng, change)


def inside_out(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    dense = replace(spec, points=int(strength))
    return in_foot(specimen, dense, rng, lambda v, f: (v, f[:, ::-1]))


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

    return in_foot(specimen, spec, rng, change)


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

    return in_foot(specimen, spec, rng, change)


def doubled(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        more = rng.choice(len(faces), int(strength / 100 * len(faces)), replace=False)
        return vertices, np.concatenate([faces, faces[more]])

    return in_foot(specimen, spec, rng, change)


def not_finite(
    specimen: Specimen, spec: ScannerSpec, strength: float, rng: np.random.Generator
) -> Faulty:
    """Points without a place, in one patch on the instep and above, as reading drops them."""

    def change(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
        order = np.argsort(-vertices[:, 2])
        keep = np.ones(len(vertices), dtype=bool)
        keep[order[: int(strength / 100 * len(vertices))]] = False
        return kept_faces(vertices, faces, keep)

    made = in_foot(specimen, spec, rng, change)
    lost = int(strength / 100 * (spec.points or len(specimen.vertices)))
    return replace(made, scan=replace(made.scan, dropped=lost))


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
    vertices, faces = kept_faces(vertices, faces, vertices[:, 2] < top)
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
