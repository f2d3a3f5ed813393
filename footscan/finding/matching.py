"""Coarse pose: which way up, which way forward and which side, in one joint decision.

    footscan.finding.cleaning.isolate -> matching.match -> footscan.measuring.pose.refine

A template foot (points with outward normals, made by :mod:`specimen.made_up`) is laid into the
scan from many starting orientations, once as a right and once as a left foot, and refined by
closest points under a similarity transform. The best pose counts, and the gap to the best pose
of the other side says how sure the side is. Up, forward and side are never guessed one by one:
a wrong up would silently flip the side.

Only template points look for partners in the scan, so a leg, a stand or stray points beside the
foot do not matter. Everything here is free of scale: the template has length 1.

Terms
    view    the part of the template that a scan may show: the whole foot, its lowest part, or
            the sole alone. A scan whose normals do not cancel is an open sheet, and their mean
            says where its opening faces: views of the lower foot are tried there
    back    the misfit seen from the scan: how far its own points lie from the whole template.
            It is fair between views, as a scan that shows less has less to explain
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy import spatial

from footscan.cores import search_workers
from footscan.finding.starts import even_points, extent_of, orientations, thinned
from footscan.scan import Array, Side

__all__ = ["Match", "length_of", "match", "template"]

NORMAL_WEIGHT = 0.12  # a normal that is 90 degrees off counts like 0.17 foot lengths
COARSE_POINTS, FINE_POINTS = 52, 350
KEEP = 12  # poses per side that are refined
TRIM = 0.85  # share of template points that must find a partner; the rest may be missing
CORE = 0.6  # share of the template that even a poor scan of a foot shows
CELLS = 36  # the scan is thinned to cells of this share of its extent: evenly, unlike its mesh
SCALE_STARTS = (1.0, 0.8)  # foot length over the scan's longest extent: without and with a leg
# Parts of the template: largest angle to straight down (degrees) and largest height (share of
# length). Soles through glass show 60 to 80 degrees, foam has walls, legs are cut anywhere.
VIEWS = {"sole": (65.0, 0.16), "walls": (88.0, 0.16), "low": (180.0, 0.105), "cut": (180.0, 0.20)}
OF_A_SHEET = ("sole", "walls")  # all that a sole alone or an impression can show
SHEET = 0.12  # length of the mean normal: a foot with its leg has 0.05, cut at 60 mm up to 0.18
ONE_WAY = 0.2  # from here on the mean normal's direction is that of the opening
NO_WHOLE = 0.62  # and beyond this there is no whole foot: a foot cut at 25 mm has up to 0.7
VIEW_KEEP = 4  # poses per view and side that are refined; the opening fixes two of three turns
SEEN_HEIGHT = 0.33  # the template ends there; what is higher is leg
BACK_TRIM, BACK_POINTS = 0.9, 600


class _Sample(NamedTuple):
    """Points of the template, shape (m, 3), with their outward normals."""

    points: Array
    normals: Array


class _Tries(NamedTuple):
    """Poses to begin with: rotations (c, 3, 3), scales (c,), shifts (c, 3) or None: the middle."""

    rotations: Array
    scales: Array
    shifts: Array | None = None


class _Rounds(NamedTuple):
    """How many; after round ``leave[0]`` only the best ``leave[1]`` go on.

    But for the last, a partner may be `near` farther than the nearest.
    """

    number: int
    leave: tuple[int, int]
    near: float = 0.0


COARSE, FINE = _Rounds(8, (2, 80), 0.5), _Rounds(22, (7, 4))


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
        though a sole or the toes may be missing. For a part of the foot, the worse of this and
        its counterpart seen from the scan.
    view : str
        ``"whole"``, or the part of the template that fits best: ``"cut"``, ``"low"``,
        ``"walls"`` or ``"sole"``.
    """

    rotation: Array
    origin: Array
    scale: float
    side: Side
    cost: float
    core: float = 0.0
    view: str = "whole"


@lru_cache(maxsize=1)
def template() -> tuple[Array, Array]:
    """Return points and outward normals of the template right foot, length 1, foot frame."""
    with resources.files("footscan").joinpath("data/template.npz").open("rb") as stream:
        data = np.load(stream)
        return data["points"].astype(float), data["normals"].astype(float)


def match(
    points: Array,
    normals: Array,
    *,
    side: Side | None = None,
    up: Array | None = None,
    sole: bool = False,
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
    sole : bool
        The scan shows the sole alone (a sheet): no other view is tried.
    """
    extent = extent_of(points)
    points, normals = even_points(points, normals, extent / CELLS)
    centre = np.median(points, axis=0)
    scan = _Target((points - centre) / extent, normals)
    views = _views(normals, up, sole)
    found = []
    for this in [side] if side else [Side.RIGHT, Side.LEFT]:
        best = min(
            (_best_of_view(scan, this, view, ups, fair=len(views) > 1) for view, ups in views),
            key=lambda placed: placed.cost,
        )
        found.append(
            Match(
                rotation=best.rotation.T,
                origin=best.shift * extent + centre,
                scale=best.scale * extent,
                side=this,
                cost=best.cost,
                core=best.core,
                view=best.view,
            )
        )
    return sorted(found, key=lambda m: m.cost)


def _views(normals: Array, up: Array | None, sole: bool) -> list[tuple[str, list[Array]]]:
    """Return the views to try and the up directions that each starts from (none: all)."""
    mean = normals.mean(axis=0)
    open_share = float(np.linalg.norm(mean))
    opening = -mean / max(open_share, 1e-12)
    if sole:
        return [(view, [opening]) for view in OF_A_SHEET]
    views: list[tuple[str, list[Array]]] = []
    if open_share < NO_WHOLE:
        # a foot opens at its leg, or below where the sole was not seen
        turned = [opening, -opening] if open_share > ONE_WAY else []
        views.append(("whole", turned if up is None else [up]))
    if open_share > SHEET and (up is None or up @ opening > 0.5):
        views += [(view, [opening]) for view in VIEWS]
    return views or [("whole", [] if up is None else [up])]


class _Target:
    """Scan points as a search tree over place and weighted normal."""

    def __init__(self, points: Array, normals: Array) -> None:
        self.points = points
        self.normals = normals
        self.tree = spatial.cKDTree(np.hstack([points, NORMAL_WEIGHT * normals]))

    def nearest(self, points: Array, normals: Array, near: float = 0.0) -> tuple[Array, Array]:
        """Return distances and partners of (c, m, 3) placed template points.

        With `near` a partner may be farther by that share: quicker, for rough rounds.
        """
        feature = np.concatenate([points, NORMAL_WEIGHT * normals], axis=2)
        # each point is asked by itself: more cores give the same answers
        distance, index = self.tree.query(
            feature.reshape(-1, 6), eps=near, workers=search_workers()
        )
        shape = points.shape[:2]
        return distance.reshape(shape), index.reshape(shape)


@dataclass(slots=True, eq=False)
class _Placed:
    rotation: Array
    shift: Array
    scale: float
    cost: float
    core: float
    view: str


@lru_cache(maxsize=2)
def _template_of(side: Side) -> tuple[Array, Array]:
    """Return the template as a foot of `side`; a left foot is the mirror image."""
    flip = np.array([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
    points, normals = template()
    return points * flip, normals * flip


@lru_cache(maxsize=16)
def _part(side: Side, view: str) -> tuple[Array, Array]:
    """Return the part of the template that a view shows."""
    points, normals = _template_of(side)
    if view == "whole":
        return points, normals
    angle, height = VIEWS[view]
    seen = (-normals[:, 2] > np.cos(np.radians(angle))) & (points[:, 2] < height)
    return points[seen], normals[seen]


@lru_cache(maxsize=2)
def _tree_of(side: Side) -> spatial.cKDTree:
    points, normals = _template_of(side)
    return spatial.cKDTree(np.hstack([points, NORMAL_WEIGHT * normals]))


def _best_of_view(scan: _Target, side: Side, view: str, ups: list[Array], *, fair: bool) -> _Placed:
    """Return the best placement of a part of the template as a foot of `side`.

    With `fair` the cost also counts how the scan's own points fit, so that views compare.
    """
    points, normals = _part(side, view)
    whole = view == "whole"
    rotations = orientations(ups)
    few = thinned(len(points), COARSE_POINTS)
    sizes = SCALE_STARTS if whole else SCALE_STARTS[:1]
    tries = _Tries(np.tile(rotations, (len(sizes), 1, 1)), np.repeat(sizes, len(rotations)))
    state = _place(scan, _Sample(points[few], normals[few]), tries, COARSE)
    order = np.argsort(state[3], kind="stable")[: KEEP if whole else VIEW_KEEP]
    many = thinned(len(points), FINE_POINTS)
    best = _Tries(state[0][order], state[2][order], state[1][order])
    fine = _place(scan, _Sample(points[many], normals[many]), best, FINE)
    top = int(np.argmin(fine[3]))
    placed = fine[0][top], fine[1][top], float(fine[2][top])
    cost, core = float(fine[3][top]), _core(scan, *placed, _Sample(points, normals))
    if fair:
        back, back_core = _back(scan, *placed, side)
        cost = float(np.hypot(cost, back) / np.sqrt(2))
        core = core if whole else max(core, back_core)
    return _Placed(*placed, cost, core, view)


def _core(scan: _Target, rotation: Array, shift: Array, scale: float, sample: _Sample) -> float:
    """Return the misfit of the best-fitting part of the placed template."""
    laid = sample.points @ rotation.T * scale + shift
    distance, _ = scan.nearest(laid[None], (sample.normals @ rotation.T)[None])
    return _root_mean_square(distance[0], CORE) / scale


def _back(
    scan: _Target, rotation: Array, shift: Array, scale: float, side: Side
) -> tuple[float, float]:
    """Return the misfit of the scan's points, and of the best-fitting of them; leg left out."""
    local = (scan.points - shift) @ rotation / scale
    foot = np.flatnonzero(local[:, 2] < SEEN_HEIGHT)
    if len(foot) < 20:
        return 1.0, 1.0
    foot = foot[thinned(len(foot), BACK_POINTS)]
    turned = scan.normals[foot] @ rotation
    distance, _ = _tree_of(side).query(np.hstack([local[foot], NORMAL_WEIGHT * turned]))
    return _root_mean_square(distance, BACK_TRIM), _root_mean_square(distance, CORE)


def _root_mean_square(distance: Array, share: float) -> float:
    """Return the root mean square of the smallest `share` of distances."""
    best = np.sort(distance)[: max(1, int(share * len(distance)))]
    return float(np.sqrt((best**2).mean()))


def _place(
    scan: _Target, sample: _Sample, tries: _Tries, rounds: _Rounds
) -> tuple[Array, Array, Array, Array]:
    """Return rotations, shifts, scales and costs after closest-point rounds, all at once."""
    points, normals = sample
    rotation, scale = tries.rotations.copy(), np.array(tries.scales, dtype=float)
    shifts, leave = tries.shifts, rounds.leave
    if shifts is None:
        middle = np.median(points, axis=0)
        shifts = -np.einsum("cij,j->ci", rotation, middle) * scale[:, None]
    shift = shifts.copy()
    keep = int(TRIM * len(points))
    for step in range(rounds.number + 1):
        placed = np.einsum("cij,mj->cmi", rotation, points) * scale[:, None, None] + shift[:, None]
        turned = np.einsum("cij,mj->cmi", rotation, normals)
        distance, index = scan.nearest(
            placed, turned, 0.0 if step == rounds.number else rounds.near
        )
        limit = np.partition(distance, keep - 1, axis=1)[:, keep - 1 : keep]
        weight = (distance <= limit).astype(float)
        cost = np.sqrt((weight * distance**2).sum(1) / weight.sum(1)) / scale
        if step == rounds.number:
            break
        if step == leave[0] > 0 and len(cost) > leave[1]:
            best = np.argsort(cost, kind="stable")[: leave[1]]
            rotation, shift, scale = rotation[best], shift[best], scale[best]
            weight, index = weight[best], index[best]
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


def length_of(points: Array, match: Match) -> float:
    """Return the foot's extent along the matched forward direction, scan units.

    Read off the points themselves: the template's own scale may be off for an unusual foot.
    Points far above the ground are leg and do not count.
    """
    local = (points - match.origin) @ match.rotation.T / match.scale
    foot = (local[:, 2] < 0.30) & (np.abs(local[:, 1]) < 0.45) & (np.abs(local[:, 0] - 0.5) < 0.85)
    low, high = np.percentile(local[foot, 0], [0.1, 99.9])
    return float((high - low) * match.scale)
