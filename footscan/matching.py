"""Coarse pose: which way up, which way forward and which side, in one joint decision.

    footscan.cleaning.isolate -> matching.match -> footscan.pose.refine

A template foot (points with outward normals, made by :mod:`footscan.specimen`) is laid into the
scan from many starting orientations, once as a right and once as a left foot, and refined by
closest points under a similarity transform. The best pose counts, and the gap to the best pose
of the other side says how sure the side is. Up, forward and side are never guessed one by one:
a wrong up would silently flip the side.

Only template points look for partners in the scan, so a leg, a stand or stray points beside the
foot do not matter. Everything here is free of scale: the template has length 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from scipy import spatial

from footscan.scan import Array, Side

__all__ = ["Match", "length_of", "match", "template"]

NORMAL_WEIGHT = 0.12  # a normal that is 90 degrees off counts like 0.17 foot lengths
STARTS = 160  # orientations tried; neighbours are then about 35 degrees apart
COARSE_POINTS, FINE_POINTS = 64, 350
COARSE_ROUNDS, FINE_ROUNDS = 8, 22
KEEP = 12  # poses per side that are refined
TRIM = 0.85  # share of template points that must find a partner; the rest may be missing
CORE = 0.6  # share of the template that even a poor scan of a foot shows
CELLS = 36  # the scan is thinned to cells of this share of its extent: evenly, unlike its mesh
SCALE_STARTS = (1.0, 0.8)  # foot length over the scan's longest extent: without and with a leg


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """A template laid into the scan.

    Attributes
    ----------
    rotation : ndarray, shape (3, 3)
        Rows are the foot's forward, left-hand and up direction in the scanner frame (proper).
    origin : ndarray, shape (3,)
        The template's origin (pternion on the ground) in scanner coordinates.
    scale : float
        Foot length, scan units.
    side : Side
        Side of the template that matched.
    cost : float
        Root mean square misfit, share of foot length, normals included.
    core : float
        The same over the best-fitting 60 % of the template: how foot-like what was seen is,
        though a sole or the toes may be missing.
    """

    rotation: Array
    origin: Array
    scale: float
    side: Side
    cost: float
    core: float = 0.0


@lru_cache(maxsize=1)
def template() -> tuple[Array, Array]:
    """Return points and outward normals of the template right foot, length 1, foot frame."""
    with resources.files("footscan").joinpath("data/template.npz").open("rb") as stream:
        data = np.load(stream)
        return data["points"].astype(float), data["normals"].astype(float)


def match(
    points: Array, normals: Array, *, side: Side | None = None, up: Array | None = None
) -> list[Match]:
    """Return the best match per side, best first.

    Parameters
    ----------
    points, normals : ndarray, shape (n, 3)
        Scan points with outward normals, any unit, floor removed as far as it is known.
    side : Side, optional
        Try this side only.
    up : ndarray, shape (3,), optional
        Known up direction (from a floor): orientations more than 40 degrees off are not tried.
    """
    extent = _extent(points)
    points, normals = _even(points, normals, extent / CELLS)
    centre = np.median(points, axis=0)
    scan = _Target((points - centre) / extent, normals)
    sides = [side] if side else [Side.RIGHT, Side.LEFT]
    found = []
    for this in sides:
        best = _best_of_side(scan, this, up)
        found.append(
            Match(
                rotation=best.rotation.T,
                origin=best.shift * extent + centre,
                scale=best.scale * extent,
                side=this,
                cost=best.cost,
                core=_core(scan, best, this),
            )
        )
    return sorted(found, key=lambda m: m.cost)


class _Target:
    """Scan points as a search tree over place and weighted normal."""

    def __init__(self, points: Array, normals: Array) -> None:
        self.points = points
        self.normals = normals
        self.tree = spatial.cKDTree(np.hstack([points, NORMAL_WEIGHT * normals]))

    def nearest(self, points: Array, normals: Array, scale: Array | float) -> tuple[Array, Array]:
        """Return distances and partners of (c, m, 3) placed template points."""
        feature = np.concatenate([points, NORMAL_WEIGHT * normals], axis=2)
        distance, index = self.tree.query(feature.reshape(-1, 6), workers=-1)
        shape = points.shape[:2]
        return distance.reshape(shape), index.reshape(shape)


@dataclass(slots=True, eq=False)
class _Placed:
    rotation: Array
    shift: Array
    scale: float
    cost: float


def _best_of_side(scan: _Target, side: Side, up: Array | None) -> _Placed:
    """Return the best placement of the template as a foot of `side`."""
    points, normals = template()
    if side is Side.LEFT:  # a left foot is the mirror image: the template is reflected
        flip = np.array([1.0, -1.0, 1.0])
        points, normals = points * flip, normals * flip
    rotations = _starts(up)
    few = _thinned(len(points), COARSE_POINTS)
    scales = np.repeat(SCALE_STARTS, len(rotations))
    state = _place(
        scan,
        points[few],
        normals[few],
        np.tile(rotations, (len(SCALE_STARTS), 1, 1)),
        scales,
        COARSE_ROUNDS,
    )
    order = np.argsort(state[3], kind="stable")[:KEEP]
    many = _thinned(len(points), FINE_POINTS)
    fine = _place(
        scan,
        points[many],
        normals[many],
        state[0][order],
        state[2][order],
        FINE_ROUNDS,
        state[1][order],
    )
    top = int(np.argmin(fine[3]))
    return _Placed(fine[0][top], fine[1][top], float(fine[2][top]), float(fine[3][top]))


def _core(scan: _Target, placed: _Placed, side: Side) -> float:
    """Return the misfit of the best-fitting part of the placed template."""
    points, normals = template()
    if side is Side.LEFT:
        flip = np.array([1.0, -1.0, 1.0])
        points, normals = points * flip, normals * flip
    laid = points @ placed.rotation.T * placed.scale + placed.shift
    distance, _ = scan.nearest(laid[None], (normals @ placed.rotation.T)[None], placed.scale)
    best = np.sort(distance[0])[: int(CORE * len(points))]
    return float(np.sqrt((best**2).mean()) / placed.scale)


def _place(
    scan: _Target,
    points: Array,
    normals: Array,
    rotations: Array,
    scales: Array,
    rounds: int,
    shifts: Array | None = None,
) -> tuple[Array, Array, Array, Array]:
    """Return rotations, shifts, scales and costs after closest-point rounds, all at once."""
    rotation, scale = rotations.copy(), np.array(scales, dtype=float)
    if shifts is None:
        middle = np.median(points, axis=0)
        shifts = -np.einsum("cij,j->ci", rotation, middle) * scale[:, None]
    shift = shifts.copy()
    keep = int(TRIM * len(points))
    for step in range(rounds + 1):
        placed = np.einsum("cij,mj->cmi", rotation, points) * scale[:, None, None] + shift[:, None]
        turned = np.einsum("cij,mj->cmi", rotation, normals)
        distance, index = scan.nearest(placed, turned, scale)
        limit = np.partition(distance, keep - 1, axis=1)[:, keep - 1 : keep]
        weight = (distance <= limit).astype(float)
        cost = np.sqrt((weight * distance**2).sum(1) / weight.sum(1)) / scale
        if step == rounds:
            break
        partner = scan.points[index]
        rotation, shift, scale = _similarity(points, partner, weight, scale)
    return rotation, shift, scale, cost


def _similarity(
    source: Array, target: Array, weight: Array, scale: Array
) -> tuple[Array, Array, Array]:
    """Return the weighted similarity from (m, 3) `source` to (c, m, 3) `target`, per candidate.

    References
    ----------
    .. [1] Umeyama (1991), IEEE TPAMI 13(4), 376-380 (value from memory).
    """
    total = weight.sum(axis=1)
    mean_s = weight @ source / total[:, None]
    mean_t = np.einsum("cm,cmi->ci", weight, target) / total[:, None]
    s = source[None] - mean_s[:, None]
    t = target - mean_t[:, None]
    covariance = np.einsum("cm,cmi,cmj->cij", weight, t, s)
    u, d, vt = np.linalg.svd(covariance)
    sign = np.sign(np.linalg.det(u) * np.linalg.det(vt))
    d[:, 2] *= sign
    u[:, :, 2] *= sign[:, None]
    rotation = u @ vt
    spread = np.einsum("cm,cmi->c", weight, s**2)
    wanted = d.sum(axis=1) / spread
    # the scale follows slowly and within bounds, or a bad start would shrink into a corner
    new = np.clip(wanted, scale * 0.97, scale * 1.03)
    new = np.clip(new, 0.45, 1.1)
    shift = mean_t - new[:, None] * np.einsum("cij,cj->ci", rotation, mean_s)
    return rotation, shift, new


def _starts(up: Array | None) -> Array:
    """Return start rotations (template to scan), evenly spread, (c, 3, 3)."""
    if up is None:
        return _even_rotations(STARTS)
    turns = spatial.transform.Rotation.from_rotvec(
        np.outer(np.linspace(0, 2 * np.pi, 24, endpoint=False), [0.0, 0, 1])
    )
    tilt, _ = spatial.transform.Rotation.align_vectors([up], [[0.0, 0, 1]])
    return (tilt * turns).as_matrix()


def _even_rotations(count: int) -> Array:
    """Return `count` evenly spread rotations.

    References
    ----------
    .. [1] Alexa (2022), Super-Fibonacci spirals, CVPR (value from memory).
    """
    s = np.arange(count) + 0.5
    r, q = np.sqrt(s / count), np.sqrt(1 - s / count)
    a, b = 2 * np.pi * s / np.sqrt(2), 2 * np.pi * s / 1.533751168755204288118041
    quaternions = np.stack([r * np.sin(a), r * np.cos(a), q * np.sin(b), q * np.cos(b)], axis=1)
    return spatial.transform.Rotation.from_quat(quaternions).as_matrix()


def _even(points: Array, normals: Array, cell: float) -> tuple[Array, Array]:
    """Return points and normals averaged over cells: every patch of skin counts alike.

    Skin that faces different ways within a cell (between toes) stays apart by its main axis.
    """
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (normals[np.arange(len(normals)), axis] > 0)
    key = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    span = key.max(axis=0) + 1
    flat = ((key[:, 0] * span[1] + key[:, 1]) * span[2] + key[:, 2]) * 6 + facing
    _, number = np.unique(flat, return_inverse=True)
    count = np.bincount(number)
    mean = [np.bincount(number, values) / count for values in np.hstack([points, normals]).T]
    normals = np.stack(mean[3:], axis=1)
    size = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.stack(mean[:3], axis=1), normals / np.maximum(size, 1e-12)


def _thinned(count: int, wanted: int) -> Array:
    """Return at most `wanted` indices, a fixed random draw: strides would follow file order."""
    if count <= wanted:
        return np.arange(count)
    return np.sort(np.random.default_rng(0).choice(count, wanted, replace=False))


def _extent(points: Array) -> float:
    """Return the longest extent over 13 directions, robust against single strays."""
    axes = np.array([[x, y, z] for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1)], float)
    axes = axes[13 + 1 :]
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    reach = points @ axes.T
    low, high = np.percentile(reach, [0.2, 99.8], axis=0)
    return float((high - low).max())


def length_of(points: Array, match: Match) -> float:
    """Return the foot's extent along the matched forward direction, scan units.

    Read off the points themselves: the template's own scale may be off for an unusual foot.
    Points far above the ground are leg and do not count.
    """
    local = (points - match.origin) @ match.rotation.T / match.scale
    foot = (local[:, 2] < 0.30) & (np.abs(local[:, 1]) < 0.45) & (np.abs(local[:, 0] - 0.5) < 0.85)
    low, high = np.percentile(local[foot, 0], [0.1, 99.9])
    return float((high - low) * match.scale)
