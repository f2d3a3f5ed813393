"""A surface through bare points (screened Poisson), cut back to where points were.

Only scans without faces come here. open3d is loaded inside, since it is heavy and needs a system
library that a bare machine may lack; ``libusb_package`` brings it along.
"""

from __future__ import annotations

import numpy as np
from scipy import spatial

from footscan.errors import PoseError, ScanReadError
from footscan.finding import strays
from footscan.scan import Array, BoolArray, IntArray, compacted

__all__ = ["surface_from_points"]

CELL_MM = 1.0
OWN_CELLS = 1.5  # a scanned point this near to a kept cell's mean belongs to it
FEWEST = 100
REACH_CELLS = 3.5  # surface farther than this from any point was not seen
RIM_CELLS = 1.2  # at an open rim the surface ends this near to a point
PEELED = 8
TOES = 0.8  # share of length
DEPTH = 8  # about 1.2 mm cells on a foot


def surface_from_points(
    points: Array, rotation: Array, origin: Array, scale: float
) -> tuple[Array, IntArray, Array, int]:
    """Return vertices, outward faces, the points without strays, and the number of strays.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Points of the foot, mm.
    rotation, origin, scale
        Rough pose (:class:`footscan.finding.matching.Match`), used to turn normals outward.

    Raises
    ------
    footscan.errors.ScanReadError
        open3d cannot be loaded on this machine.
    footscan.errors.PoseError
        Hardly any point belongs to a skin.
    """
    o3d = load_open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud = cloud.voxel_down_sample(CELL_MM)
    cells = np.asarray(cloud.points)
    skin = strays.belongs(cells)
    if skin.sum() < FEWEST:
        raise PoseError("hardly any points of the scan lie on a skin; scan again")
    cloud = cloud.select_by_index(np.flatnonzero(skin))
    away, _ = spatial.cKDTree(cells[skin]).query(points)
    points = points[away <= OWN_CELLS * CELL_MM]
    spacing = float(np.median(cloud.compute_nearest_neighbor_distance()))
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(20))
    own = np.asarray(cloud.points)
    normals = _outward(own, np.array(cloud.normals), rotation, origin, scale)
    cloud.normals = o3d.utility.Vector3dVector(normals)
    mesh, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(
        cloud, depth=DEPTH, n_threads=1
    )
    vertices = np.asarray(mesh.vertices)
    faces = np.asarray(mesh.triangles).astype(np.int64)
    distance, _ = spatial.cKDTree(own).query(vertices)
    near = distance <= REACH_CELLS * max(spacing, CELL_MM)
    # about the toes alone: elsewhere a rim's gaps between points are as likely chance
    toes = (vertices - origin) @ rotation[0] > TOES * scale
    bare = toes & (distance > RIM_CELLS * max(spacing, CELL_MM))
    faces = _peeled(faces[near[faces].all(axis=1)], bare)
    return (*compacted(vertices, faces), points, int((~skin).sum()))


def _peeled(faces: IntArray, bare: BoolArray) -> IntArray:
    """Return the faces without those that lead from an open rim out to where no points are.

    A surface bridges what lies between points; past the last of them, as beside a toe's tip, it
    would only go on by itself, and the foot read 2 mm long.
    """
    for _ in range(PEELED):
        ends = np.sort(np.concatenate([faces[:, :2], faces[:, 1:], faces[:, [2, 0]]]), axis=1)
        edge = ends @ np.array([len(bare), 1])
        _, index, count = np.unique(edge, return_inverse=True, return_counts=True)
        open_edge = (count[index] == 1) & bare[ends].any(axis=1)
        gone = open_edge.reshape(3, -1).any(axis=0)
        if not gone.any():
            break
        faces = faces[~gone]
    return faces


def load_open3d():  # type: ignore[no-untyped-def]
    """Return the open3d module, with the USB library that its import wants loaded first.

    Raises
    ------
    footscan.errors.ScanReadError
        The import fails; says which system package is missing.
    """
    import ctypes

    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass  # not needed where open3d finds its own
    try:
        import open3d
    except (ImportError, OSError) as error:
        missing = str(error).split(":")[0]
        raise ScanReadError(
            f"bare points need open3d, which cannot load here for want of {missing}; install the "
            "system package that holds it (libgl1, libgomp1 or libusb-1.0-0 on Debian), or give "
            "a scan with faces"
        ) from None
    return open3d


def _outward(points: Array, normals: Array, rotation: Array, origin: Array, scale: float) -> Array:
    """Return normals turned to agree with the matched template's own."""
    from footscan.finding.matching import template

    own, template_normals = template()
    sides = []
    for flip in (np.array([1.0, 1, 1]), np.array([1.0, -1, 1])):
        placed = (own * flip * scale) @ rotation + origin
        distance, index = spatial.cKDTree(placed).query(points)
        turned = (template_normals * flip) @ rotation
        sides.append((np.median(distance), turned[index]))
    wanted = min(sides, key=lambda pair: pair[0])[1]
    agree = np.einsum("ij,ij->i", normals, wanted)
    normals = normals * np.where(agree < 0, -1.0, 1.0)[:, None]
    return _settled_signs(points, normals, agree)


def _settled_signs(points: Array, normals: Array, agree: Array, rounds: int = 4) -> Array:
    """Return normals whose unsure signs follow the neighbours (between toes, at rims)."""
    _, index = spatial.cKDTree(points).query(points, k=12)
    weight = np.clip(np.abs(agree), 0.05, 1.0)
    for _ in range(rounds):
        vote = np.einsum("nki,ni->nk", normals[index], normals) * weight[index]
        flip = (vote.sum(axis=1) < 0) & (weight < 0.5)
        normals = np.where(flip[:, None], -normals, normals)
    return normals
