"""A surface through bare points: local averages of points with normals, cut back to where they are.

    points -> cells, strays gone -> outward normals -> distances on a grid -> vertices, faces

Nothing is solved for the foot as a whole. About each place the points nearby say how far it lies
off the skin, each by its own plane; the surface lies where they agree on zero. What points say at
a place depends on nothing farther away than a few millimetres, so that a sole, a border or a
section is what its own points make it, and a leg or a floor elsewhere changes nothing.

Terms
    cell   points are averaged over cells of this size first: noise and doubled layers shrink
    reach  distance to the fourth neighbour that most points have: what the grid follows
    gap    a place with hardly any point near; a kernel twice as wide spans it
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, spatial

from footscan.errors import PoseError
from footscan.finding import outward, strays
from footscan.finding.matching import Match, template
from footscan.scan import Array, BoolArray, IntArray, compacted, whole

__all__ = ["averaged_cells", "surface_from_points"]

CELL_MM = 1.5  # as fine as meshes are kept
FEWEST = 100
NEIGHBOURS, CHAIN = 16, 12  # whose plane gives a point's normal, and with which that agrees
REACH_CELLS = 3.5  # surface farther than this from any point was not seen
RIM_CELLS = 1.2  # at an open rim the surface ends this near to a point
PEELED = 8
TOES = 0.8  # share of length
STEP_MM = 1.5  # of the grid, at least
STEP_REACHES = 0.8  # and as wide as points need to meet in it
SIGMA = 1.0  # steps; half the weight of a place lies within 1.5 of them
LEAST_WEIGHT = 0.06  # of the usual: with less, few points are near and the wide kernel helps
GAP_WEIGHT = 0.05  # of the wide kernel beside the narrow one
MOST_PLACES = 12_000_000  # of the grid: a foot has a tenth
CHANNELS = 8


def averaged_cells(points: Array, cell: float) -> tuple[Array, IntArray]:
    """Return the mean point of each cell, and each point's cell, as its number."""
    key = np.floor(points / cell).astype(np.int64)
    key -= key.min(axis=0)
    span = key.max(axis=0) + 1
    flat = (key[:, 0] * span[1] + key[:, 1]) * span[2] + key[:, 2]
    _, number = np.unique(flat, return_inverse=True)
    count = np.bincount(number)
    mean = np.stack([np.bincount(number, points[:, k]) / count for k in range(3)], axis=1)
    return mean, number


def surface_from_points(points: Array, match: Match) -> tuple[Array, IntArray, Array, int]:
    """Return vertices, outward faces, the points without strays, and the number of strays.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Points of the foot, mm.
    match : Match
        Rough pose, used to turn normals outward.

    Raises
    ------
    footscan.errors.PoseError
        Hardly any point belongs to a skin.
    """
    cells, number = averaged_cells(points, CELL_MM)
    skin = strays.belongs(cells)
    if skin.sum() < FEWEST:
        raise PoseError("hardly any points of the scan lie on a skin; scan again")
    own, points = cells[skin], points[skin[number]]
    tree = spatial.cKDTree(own)
    distance, index = tree.query(own, k=NEIGHBOURS)
    normals = _outward(own, _planes(own, index), index, match)
    reach = float(np.percentile(distance[:, 4], 75))
    vertices, faces = _zero(own, normals, max(STEP_MM, STEP_REACHES * reach))
    spacing = max(float(np.median(distance[:, 1])), 1.0)
    away, _ = tree.query(vertices, distance_upper_bound=REACH_CELLS * spacing)
    # about the toes alone: elsewhere a rim's gaps between points are as likely chance
    toes = (vertices - match.origin) @ match.rotation[0] > TOES * match.scale
    faces = _peeled(faces[whole(away < np.inf, faces)], toes & (away > RIM_CELLS * spacing))
    return (*compacted(vertices, faces), points, int((~skin).sum()))


def _peeled(faces: IntArray, bare: BoolArray) -> IntArray:
    """Return the faces without those that lead from an open rim out to where no points are.

    A surface bridges what lies between points; past the last of them, as beside a toe's tip, it
    would only go on by itself, and the foot read 2 mm long.
    """
    # an edge that leads to a bare point has all its faces among those that touch one
    touched = bare[faces].any(axis=1)
    whole_faces, faces = faces[~touched], faces[touched]
    for _ in range(PEELED):
        ends = np.sort(np.concatenate([faces[:, :2], faces[:, 1:], faces[:, [2, 0]]]), axis=1)
        edge = ends @ np.array([len(bare), 1])
        _, index, count = np.unique(edge, return_inverse=True, return_counts=True)
        open_edge = (count[index] == 1) & bare[ends].any(axis=1)
        gone = open_edge.reshape(3, -1).any(axis=0)
        if not gone.any():
            break
        faces = faces[~gone]
    return np.concatenate([whole_faces, faces])


# ---- normals -----------------------------------------------------------------------------


def _planes(points: Array, index: IntArray) -> Array:
    """Return the normals of the planes through each point's neighbours, either way round."""
    patch = points[index]
    patch = patch - patch.mean(axis=1, keepdims=True)
    vectors: Array = np.linalg.eigh(patch.transpose(0, 2, 1) @ patch)[1]
    return vectors[:, :, 0]


def _outward(points: Array, normals: Array, index: IntArray, match: Match) -> Array:
    """Return normals that agree along each sheet of skin and, by most of it, with the template's.

    Point by point the template cannot say: beside a toe that is held otherwise than its own, the
    nearest place of it lies on the toe's other side.
    """
    own, template_normals = template()
    sides = []
    for flip in (np.array([1.0, 1, 1]), np.array([1.0, -1, 1])):
        placed = (own * flip * match.scale) @ match.rotation + match.origin
        distance, nearest = spatial.cKDTree(placed).query(points)
        turned = (template_normals * flip) @ match.rotation
        sides.append((np.median(distance), turned[nearest]))
    wanted = min(sides, key=lambda pair: pair[0])[1]
    sheets, label = outward.chained(points, normals, index[:, 1:CHAIN])
    vote = np.bincount(label, np.einsum("ij,ij->i", sheets, wanted))
    return sheets * np.where(vote < 0, -1.0, 1.0)[label, None]


# ---- the surface -------------------------------------------------------------------------


def _zero(points: Array, normals: Array, step: float) -> tuple[Array, IntArray]:
    """Return the surface on which points with normals agree, sampled about `step` apart.

    References
    ----------
    .. [1] Lorensen & Cline (1987), SIGGRAPH 21(4), 163-169: marching cubes, in the form of
       Lewiner et al. (2003) that scikit-image has (values from memory).
    """
    from skimage.measure import marching_cubes

    extent = np.ptp(points, axis=0)
    step = max(step, float((extent + 10 * step).prod() / MOST_PLACES) ** (1 / 3))
    low = points.min(axis=0) - 5 * step
    shape = tuple(int(n) for n in np.ceil(extent / step) + 11)
    local = points - low
    sums, usual = _spread(local, normals, step, shape)
    seen = sums[0] > LEAST_WEIGHT * usual
    wide_shape = tuple(n // 2 + 2 for n in shape)
    wide, wide_usual = _spread(local, normals, 2 * step, wide_shape)
    # per place of the narrow grid, so that both kernels weigh alike amid even points
    wide *= usual / wide_usual
    thin = np.flatnonzero(
        (sums[0] < 4 * LEAST_WEIGHT * usual).ravel()
        & _doubled(wide[0] > LEAST_WEIGHT * usual, shape).ravel()
    )
    at = np.stack(np.unravel_index(thin, shape)) / 2.0
    flat = sums.reshape(CHANNELS, -1)
    share = GAP_WEIGHT * (1 - flat[0, thin] / (4 * LEAST_WEIGHT * usual))
    for own, other in zip(flat, wide, strict=True):
        own[thin] += share * ndimage.map_coordinates(other, at, order=1, mode="nearest")
    seen.ravel()[thin] = flat[0, thin] > GAP_WEIGHT * LEAST_WEIGHT * usual
    chosen = np.flatnonzero(seen)
    off = np.full(shape, step, dtype=np.float32)
    places: Array = np.stack(np.unravel_index(chosen, shape), axis=1).astype(np.float64) * step
    off.ravel()[chosen] = _distances(flat[:, chosen].astype(float), places)
    vertices, faces, _, _ = marching_cubes(off, 0.0, mask=seen, allow_degenerate=False)
    return vertices * step + low, faces.astype(np.int64)


def _spread(
    local: Array, normals: Array, step: float, shape: tuple[int, ...]
) -> tuple[NDArray[np.float32], float]:
    """Return sums over points under a Gaussian at each place of a grid, and the usual weight.

    Channels: weight, normal (3), place along the own normal, place (3). Points enter by their
    exact places; the grid only weighs them.
    """
    base = np.floor(local / step).astype(np.int64)
    part = local / step - base
    count, places = len(local), int(np.prod(shape))
    lowest = (base[:, 0] * shape[1] + base[:, 1]) * shape[2] + base[:, 2]
    keys, weights = np.zeros((8, count), dtype=np.int64), np.zeros((8, count))
    for row, corner in enumerate(np.ndindex(2, 2, 2)):
        keys[row] = lowest + ((corner[0] * shape[1] + corner[1]) * shape[2] + corner[2])
        share = [part[:, k] if corner[k] else 1 - part[:, k] for k in range(3)]
        weights[row] = share[0] * share[1] * share[2]
    at = keys.ravel()
    values = [np.ones(count), *normals.T, np.einsum("ij,ij->i", local, normals), *local.T]
    sums = np.zeros((CHANNELS, places), dtype=np.float32)
    for channel, value in zip(sums, values, strict=True):
        channel[:] = np.bincount(at, (weights * value).ravel(), minlength=places)
    used = sums[0] > 0
    grid = sums.reshape(CHANNELS, *shape)
    for channel in grid:
        ndimage.gaussian_filter(channel, SIGMA, output=channel, mode="constant", truncate=3.0)
    return grid, float(np.median(sums[0, used]))


def _doubled(mask: BoolArray, shape: tuple[int, ...]) -> BoolArray:
    """Return a mask of the wide grid on the narrow one."""
    fine = mask.repeat(2, axis=0).repeat(2, axis=1).repeat(2, axis=2)
    return fine[tuple(slice(n) for n in shape)]


def _distances(sums: Array, places: Array) -> Array:
    """Return how far places lie off the skin, mm, + outside.

    On a round skin each point's own plane says too much by half the sagitta of the kernel, and
    the mean plane through the points too little by as much: their mean is right to second order.
    Where sheets meet that face each other there is no mean plane, and only the own ones count.
    """
    weight, total, along, middle = sums[0], sums[1:4].T, sums[4], sums[5:8].T
    size = np.linalg.norm(total, axis=1)
    agree = size / weight
    own = (np.einsum("ij,ij->i", places, total) - along) / weight / np.maximum(agree, 0.3)
    mean = np.einsum("ij,ij->i", places - middle / weight[:, None], total)
    mean /= np.maximum(size, 1e-12)
    trust = 0.5 * np.clip(2 * agree - 1, 0.0, 1.0)
    result: Array = (1 - trust) * own + trust * mean
    return result
