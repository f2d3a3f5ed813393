"""Stray points among bare points: told by density and by distance from the skin, not by share.

    points (any unit) -> strays.belongs -> which are skin, floor or another body

Skin is a sheet: around a point of it the neighbours lie near, and near one plane. Strays fill a
room: their neighbours are far, or lie all around, or all to one side. However many strays there
are, and in whatever box around the foot, they make no sheet.

Terms
    reach   distance to the eighth neighbour; the usual one is that of most points, the foot's
    core    points whose neighbours lie in a plane with them, and hang together with many alike
    fringe  points beside the core that bend or fold: toes of a coarse cloud, rims, webs
"""

from __future__ import annotations

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph

from footscan.finding.floor import TOLERANCE, best_plane
from footscan.finding.outward import extent
from footscan.scan import Array, BoolArray, IntArray

__all__ = ["belongs"]

NEIGHBOURS = 8
FLAT = 0.24  # offset and thickness over reach: a ball of eight points has more, skin less
FOLDED = 0.5  # in the fringe, offset over reach: a point beside a sheet has more
NOISES = 6.0  # offsets beyond so many of the usual ones are no noise of skin
EVEN = 1.6  # reaches up to this many usual ones are those of an even skin
ROUGH = 2.5  # bent no more than this many times as the most, points are skin all the same
JOIN = 1.3  # points this many reaches apart, the smaller of both, hang together
COARSER = 5.0  # of the usual reach: skin is nowhere so much coarser than elsewhere
LEAST_SHARE = 0.02  # of the largest sheet: less is a few strays that happen to lie flat
FLOOR_SHARE = 0.25  # of the points on one plane: more than a sole has
OFF_FLOOR = 40.0  # percentile: beside a floor, strays may be half of the rest
PLANE_POINTS = 4000
HOPS = 2  # from the core into the fringe
# Fewer points over a foot are 5 mm apart: toes bend too much to be sheets, and such a scan is sent
# back for its spacing.
FEW = 3000


def belongs(points: Array) -> BoolArray:
    """Return which bare points belong to a sheet: the foot's skin, a floor, another body.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Any unit, about evenly dense over the foot.
    """
    if len(points) < FEW:
        return np.ones(len(points), dtype=bool)
    tree = spatial.cKDTree(points)
    distance, index = tree.query(points, k=NEIGHBOURS + 1)
    reach = distance[:, -1]
    usual = _usual(points, reach)
    offset, thickness = _shape(points, index[:, 1:])
    noise = 1.4826 * float(np.median(offset))
    bent, even = np.hypot(offset, thickness), reach <= EVEN * usual
    # where points are sparse, strays lie flat by chance: there a plane must fit as closely as
    # amid the usual ones
    flat = bent <= FLAT * np.where(even, reach, usual)
    flat |= even & (bent <= ROUGH * float(np.median(bent)))
    flat &= (offset <= max(NOISES * noise, 0.3 * usual)) & (reach <= COARSER * usual)
    core = _in_sheets(index, distance, flat, reach)
    fringe = ~core & even & (offset <= FOLDED * np.maximum(reach, 1e-12))
    return _grown(index, distance, core, fringe, JOIN * usual)


def _usual(points: Array, reach: Array) -> float:
    """Return the usual reach off a floor, which may have been scanned more finely than the foot."""
    rng, tolerance = np.random.default_rng(0), TOLERANCE * extent(points)
    some = points[rng.permutation(len(points))[:PLANE_POINTS]]
    plane = best_plane(some, tolerance, rng)
    if plane is None:
        return float(np.median(reach))
    off = np.abs(points @ plane[0] - plane[1]) > 2 * tolerance
    if off.mean() > 1 - FLOOR_SHARE or off.sum() < NEIGHBOURS:
        return float(np.median(reach))
    return float(np.percentile(reach[off], OFF_FLOOR))


def _shape(points: Array, index: IntArray) -> tuple[Array, Array]:
    """Return each point's distance from its neighbours' plane, and their scatter about it."""
    near = points[index]
    middle = near.mean(axis=1)
    local = near - middle[:, None]
    values, vectors = np.linalg.eigh(local.transpose(0, 2, 1) @ local / index.shape[1])
    offset = np.abs(np.einsum("ni,ni->n", points - middle, vectors[:, :, 0]))
    return offset, np.sqrt(np.maximum(values[:, 0], 0.0))


def _in_sheets(index: IntArray, distance: Array, flat: BoolArray, reach: Array) -> BoolArray:
    """Return which flat points hang together with many others, neighbour to neighbour."""
    core = np.zeros(len(flat), dtype=bool)
    if not flat.any():
        return core
    one, other, apart = (
        np.repeat(np.arange(len(flat)), NEIGHBOURS),
        index[:, 1:].ravel(),
        distance[:, 1:],
    )
    near = apart.ravel() <= JOIN * np.minimum(reach[one], reach[other])
    near &= flat[one] & flat[other]
    graph = sparse.coo_matrix(
        (np.ones(near.sum(), dtype=bool), (one[near], other[near])), shape=(len(flat),) * 2
    )
    label = csgraph.connected_components(graph, directed=False)[1]
    size = np.bincount(label)
    core[flat] = size[label[flat]] >= LEAST_SHARE * size.max()
    return core


def _grown(
    index: IntArray, distance: Array, core: BoolArray, fringe: BoolArray, join: float
) -> BoolArray:
    """Return the core with the points of the fringe that lie a few steps from it."""
    kept = core.copy()
    for _ in range(HOPS):
        beside = (kept[index] & (distance <= join))[:, 1:].sum(axis=1) >= 2
        kept |= fringe & beside
    return kept
