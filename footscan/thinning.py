"""A scan brought down to what a page can draw.

    vertices, faces -> thinned -> fewer of both, nowhere farther from the scan than a cell

For looking at only: nothing is measured on what comes out. open3d is loaded inside, since it is
heavy and wants system libraries that a bare machine may lack; without them points are left out
evenly and a dense mesh is shown as points.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from footscan.scan import Array, IntArray

__all__ = ["load_open3d", "thinned"]

GROWTH = 1.25  # of the cell, until few enough are left


def load_open3d() -> Any:
    """Return the module open3d, with the USB library that its import wants loaded first.

    Raises
    ------
    ImportError, OSError
        A system library is missing (libgl1, libgomp1 or libusb-1.0-0 on Debian).
    """
    import ctypes

    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass  # not needed where open3d finds its own
    import open3d

    return open3d


def thinned(
    vertices: Array, faces: IntArray, *, most_faces: int, most_points: int
) -> tuple[Array, IntArray]:
    """Return a mesh of at most `most_faces` faces, or a cloud of at most `most_points` points.

    What is small enough already comes back as it is.

    Parameters
    ----------
    vertices : ndarray, shape (n, 3)
        Any unit.
    faces : ndarray of int, shape (m, 3)
        None for a cloud.
    """
    few = len(faces) <= most_faces if len(faces) else len(vertices) <= most_points
    if few:
        return vertices, faces
    try:
        o3d = load_open3d()
    except (ImportError, OSError):
        return vertices[:: -(-len(vertices) // most_points)], np.zeros((0, 3), dtype=np.int64)
    points = o3d.utility.Vector3dVector(np.ascontiguousarray(vertices, dtype=np.float64))
    if not len(faces):
        cloud = o3d.geometry.PointCloud(points)
        cell = _skin_cell(vertices, most_points)
        while len((less := cloud.voxel_down_sample(cell)).points) > most_points:
            cell *= GROWTH
        return np.asarray(less.points), faces
    mesh = o3d.geometry.TriangleMesh(
        points, o3d.utility.Vector3iVector(np.ascontiguousarray(faces, dtype=np.int32))
    )
    cell = (2.0 * mesh.get_surface_area() / most_faces) ** 0.5  # two triangles a square cell
    while len((less := mesh.simplify_vertex_clustering(cell)).triangles) > most_faces:
        cell *= GROWTH
    return np.asarray(less.vertices), np.asarray(less.triangles, dtype=np.int64)


def _skin_cell(points: Array, most: int) -> float:
    """Return the cell that leaves about `most` points of a skin as large as its box's sides."""
    a, b, c = np.maximum(np.ptp(points, axis=0), 1e-9)
    return float(((a * b + b * c + c * a) / most) ** 0.5)
