"""Normals that point away from the foot, whatever the file said.

    Scan -> outward.normals_as_wound, outward.point_normals -> finding.cleaning, finding.hollow

A file's winding cannot be trusted, and a wrong normal turns a right sole into a left one. So the
sign is read off the geometry: closed by flat lids, a surface holds a volume, and its normals
point out of it. That is true of a whole foot, of one whose leg is cut, and of a sole seen from
below alone, which is a bowl; for a cavity it gives the normals of the foot that made it.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph

from footscan.foot import area_vectors, vertex_normals
from footscan.scan import Array, IntArray

__all__ = [
    "chained",
    "extent",
    "holds_volume",
    "normals_as_wound",
    "point_normals",
    "winding_is_outward",
]

OPEN_SHARE = 0.08  # a surface whose area vectors cancel better than this is as good as closed
FACES_ASKED = 50_000  # a sum's sign wants no more
SHEET_SHARE = 0.5  # length of the mean normal of a sheet; a foot cut at 25 mm has 0.4
NEIGHBOURS, CHAIN = 16, 10
ALIKE, OFF_PLANE = 0.7, 0.4  # cosine of neighbours' normals; sine of the way to one off the plane
SEEDS = 500  # points that stand for the local body
LOCAL_SHARE = 0.22  # of the extent: how far the local body reaches
BLOCK = 2048  # points at a time, so that memory does not grow with them


def extent(points: Array) -> float:
    """Return the diagonal of the box that holds 98 % of the points along each axis."""
    low, high = np.percentile(points, [1, 99], axis=0)
    return float(np.linalg.norm(high - low))


def normals_as_wound(vertices: Array, faces: IntArray, chosen: IntArray) -> Array:
    """Return unit normals of chosen vertices, out or in as the faces are wound.

    Parameters
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Any unit; wound alike, either way round.
    chosen : ndarray, shape (k,)
        Indices; the work is that of the faces around them.
    """
    wanted = np.zeros(len(vertices), dtype=bool)
    wanted[chosen] = True
    around = faces[wanted[faces[:, 0]] | wanted[faces[:, 1]] | wanted[faces[:, 2]]]
    return vertex_normals(vertices, around)[chosen]


def winding_is_outward(
    vertices: Array, faces: IntArray, floor: tuple[Array, float] | None = None
) -> bool:
    """Return whether the winding's normals point out of the volume that the surface holds."""
    if len(faces) > FACES_ASKED:  # drawn: a stride may meet one kind of a grid's faces only
        faces = faces[np.random.default_rng(0).integers(0, len(faces), FACES_ASKED)]
    corners = [np.ascontiguousarray(faces[:, i]) for i in range(3)]
    area = np.stack(area_vectors(vertices, corners), axis=1)
    centre = (vertices[corners[0]] + vertices[corners[1]] + vertices[corners[2]]) / 3
    if floor is not None:
        away = np.abs(centre @ floor[0] - floor[1]) > 0.006 * extent(centre)
        if away.any():
            area, centre = area[away], centre[away]
    return holds_volume(area, centre)


def holds_volume(area: Array, centre: Array) -> bool:
    """Return whether area vectors at their centres point out of the volume that they hold.

    An open surface is thought closed by lids square to the sum of its area vectors: the flux of
    the place vector across that direction is twice the volume, and lids add nothing to it.
    """
    total = area.sum(axis=0)
    size = float(np.linalg.norm(total))
    place = centre - np.average(centre, axis=0, weights=np.linalg.norm(area, axis=1) + 1e-300)
    if size > OPEN_SHARE * np.linalg.norm(area, axis=1).sum():
        along = total / size
        place = place - np.outer(place @ along, along)
    return bool(np.einsum("ij,ij->", area, place) >= 0)


def point_normals(points: Array, given: Array | None = None) -> Array:
    """Return outward unit normals of bare points, shape (n, 3), by local planes.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Any unit.
    given : ndarray, shape (n, 3), or None
        Normals that the file gave: they tell which normals agree with each other.
    """
    _, index = spatial.cKDTree(points).query(points, k=NEIGHBOURS)
    patch = points[index]
    patch = patch - patch.mean(axis=1, keepdims=True)
    _, vectors = np.linalg.eigh(patch.transpose(0, 2, 1) @ patch)
    normals = vectors[:, :, 0]
    if given is not None:
        normals = _turned(normals, np.einsum("ij,ij->i", normals, given))
        return normals if holds_volume(normals, points) else -normals
    normals = _turned(normals, np.einsum("ij,ij->i", normals, points - _local_centre(points)))
    axis = np.linalg.eigh(normals.T @ normals)[1][:, 2]
    if _is_double(points, axis):
        return normals
    sheets, label = chained(points, normals, index[:, 1:CHAIN])
    for number in range(label.max() + 1):
        own = label == number
        if not holds_volume(sheets[own], points[own]):
            sheets[own] *= -1
    # few points between toes break the chain: then the sheet falls apart in two directions
    return sheets if np.linalg.norm(sheets.mean(axis=0)) > SHEET_SHARE else normals


def chained(points: Array, normals: Array, near: IntArray) -> tuple[Array, IntArray]:
    """Return normals that agree from neighbour to neighbour, and the sheet of each point.

    Neighbours agree along a sheet alone: not with what lies off their plane, as the next toe or
    the other side of a thin one. Which way round a sheet's normals point, the caller says.

    Parameters
    ----------
    points, normals : ndarray, shape (n, 3)
        Unit normals, either way round.
    near : ndarray, shape (n, k)
        Indices of each point's neighbours.

    References
    ----------
    .. [1] Hoppe et al. (1992), SIGGRAPH 26(2), 71-78: smallest tree over 1 - abs(cos) (value from
       memory); the way off the plane is added here.
    """
    start, stop = np.repeat(np.arange(len(points)), near.shape[1]), near.ravel()
    way = points[stop] - points[start]
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-300)[:, None]
    alike = np.abs(np.einsum("ij,ij->i", normals[start], normals[stop]))
    off = np.maximum(*(np.abs(np.einsum("ij,ij->i", normals[k], way)) for k in (start, stop)))
    joined = (alike > ALIKE) & (off < OFF_PLANE)
    start, stop, turn = start[joined], stop[joined], (1.0001 - alike + off)[joined]
    graph = sparse.coo_matrix((turn, (start, stop)), shape=(len(points),) * 2).tocsr()
    tree = csgraph.minimum_spanning_tree(graph.maximum(graph.T))
    label = csgraph.connected_components(tree, directed=False)[1]
    before = np.arange(len(points))
    for root in np.unique(label, return_index=True)[1]:
        order, previous = csgraph.breadth_first_order(tree, root, directed=False)
        before[order[1:]] = previous[order[1:]]
    sign = np.where(np.einsum("ij,ij->i", normals, normals[before]) < 0, -1.0, 1.0)
    while (before != before[before]).any():  # twice as far towards the roots with each round
        sign, before = sign * sign[before], before[before]
    return normals * sign[:, None], label


def _turned(normals: Array, agree: Array) -> Array:
    return normals * np.where(agree < 0, -1.0, 1.0)[:, None]


def _is_double(points: Array, axis: Array) -> bool:
    """Return whether a line along `axis` meets the surface twice in a quarter of the plan."""
    plan = np.linalg.svd(axis[None])[2][1:].T
    cell = 0.03 * extent(points)
    index = np.floor((points @ plan) / cell).astype(np.int64)
    index -= index.min(axis=0)
    _, number = np.unique(index[:, 0] * (index[:, 1].max() + 1) + index[:, 1], return_inverse=True)
    height = points @ axis
    order = np.lexsort((height, number))
    step = np.diff(height[order])
    step[np.diff(number[order]) != 0] = 0.0
    widest = np.zeros(number.max() + 1)
    np.maximum.at(widest, number[order][1:], step)
    return bool((widest > 1.5 * cell).mean() > 0.25)


def _local_centre(points: Array) -> Array:
    """Return the centre of the points near each point: within a quarter of the extent.

    Where points are dense, between toes, the nearest quarter of all of them is nearer than that.
    """
    seeds = points[:: max(1, len(points) // SEEDS)]
    most = max(1, len(seeds) // 4)
    middle = points.mean(axis=0)
    own, other = (part.astype(np.float32) for part in (points - middle, seeds - middle))
    far = (LOCAL_SHARE * extent(points)) ** 2
    result = np.zeros_like(points)
    for start in range(0, len(points), BLOCK):
        part = own[start : start + BLOCK]
        away = -2.0 * (part @ other.T)
        away += (part**2).sum(axis=1)[:, None] + (other**2).sum(axis=1)
        limit = np.partition(away, most - 1, axis=1)[:, most - 1]
        near = (away <= np.minimum(limit, far)[:, None]).astype(np.float32)
        centre = (near @ other) / np.maximum(near.sum(axis=1), 1.0)[:, None]
        result[start : start + BLOCK] = centre + middle
    return result
