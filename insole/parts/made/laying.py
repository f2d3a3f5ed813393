"""A scan of a part laid on the planned part: rigid, no change of size, any pose to start from.

    points (mm), Planned -> lay -> Laid (pose, how well it fits) -> insole.parts.seating_made

Frame: poses take scan points (mm) into the planned part's frame.

Steps
    1. from 48 starts (flat side up or down, a turn every 15 degrees) closest points of a thin
       draw, worst seventh left out; the best starts go on,
    2. closest points under distances along the plan's normals, far ones weighted down,
    3. for thin sheets: the same from one thickness above and below, since the top of a sheet
       fits its underside almost as well and stays there,
    4. how well it fits is read both ways: from the scan, and from the plan's top.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import spatial
from scipy.spatial.transform import Rotation

from footscan.scan import Array, BoolArray, IntArray
from insole.parts.made.planned import SPACING_MM, Planned

__all__ = ["Laid", "lay", "moved", "plane_step", "thinned"]

TURNS = 24
DRAWN = 350  # points of the first search
SEARCH_ROUNDS = 25
KEPT = 8  # poses that are refined
SAME_MM = 3.0  # poses nearer to each other end in the same one
KEPT_SHARE = 0.86  # of the points, in the search
COARSE_MM, FINE_MM = 2.5, 1.5
TRIED, REFINED = 600, 2500  # points that tell the best of the poses, and that refine them
FINALISTS = 3
REFINE_ROUNDS = 30
REACH_MM = (8.0, 3.0)  # first and last
CAP_MM = 2.0  # a point farther off counts as this far: it is something else
SOFT_MM = 0.15  # least scale of the weights: noise of a good scanner


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """A scan on a plan.

    Attributes
    ----------
    planned : Planned
        What it was laid on.
    pose : ndarray, shape (4, 4)
        Scan (mm) to the part's frame; a rotation and a shift.
    misfit : float
        Root mean square of the distances both ways, each at most 2 mm, mm.
    """

    planned: Planned
    pose: Array
    misfit: float


def moved(points: Array, pose: Array) -> Array:
    """Return points, shape (n, 3), under a pose, shape (4, 4)."""
    return np.asarray(points @ pose[:3, :3].T + pose[:3, 3])


def thinned(points: Array, cell: float) -> IntArray:
    """Return the numbers of one point per cube of `cell` mm, in rising order."""
    index = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    size = index.max(axis=0) + 1
    code = (index[:, 0] * size[1] + index[:, 1]) * size[2] + index[:, 2]
    return np.sort(np.unique(code, return_index=True)[1])


def lay(points: Array, planned: Planned) -> Laid:
    """Return the best pose of a scan on a planned part.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Points of the part alone, mm, any pose; n at least 100.
    planned : Planned
        The part, or its mirror image.

    Returns
    -------
    Laid
        Whether it fits at all is for the caller to judge by `misfit`.

    Notes
    -----
    No randomness beyond a fixed seed: the same scan gives the same pose.
    """
    rng = np.random.default_rng(0)
    even = points[thinned(points, COARSE_MM)]
    few = even[rng.choice(len(even), min(DRAWN, len(even)), replace=False)]
    poses = _searched(few, planned.points[thinned(planned.points, COARSE_MM)])
    whole = points[thinned(points, FINE_MM)]
    fine = whole[rng.choice(len(whole), min(REFINED, len(whole)), replace=False)]
    judge = _Judge(planned, whole)
    thickness = _thickness(planned)
    tried = []
    for start in poses:
        for lift in (0.0, -thickness, thickness):
            pose = start.copy()
            pose[2, 3] += lift
            tried.append(judge.refined(fine[:TRIED], pose))
    tried.sort(key=lambda one: one[0])
    found = [judge.refined(fine, pose) for _, pose in tried[:FINALISTS]]
    misfit, pose = min(found, key=lambda one: one[0])
    return Laid(planned=planned, pose=pose, misfit=misfit)


def plane_step(points: Array, gap: Array, normals: Array, weight: Array) -> tuple[Array, float]:
    """Return the small rigid move that closes gaps along normals, and its size.

    Parameters
    ----------
    points, normals : ndarray, shape (n, 3)
        Where, and along which unit directions.
    gap : ndarray, shape (n,)
        What is to be moved along each normal, mm.
    weight : ndarray, shape (n,)
        Factors on the rows.

    Returns
    -------
    pose : ndarray, shape (4, 4)
    size : float
        Shift in mm plus turn times 100 mm.
    """
    middle = points.mean(axis=0)
    design = np.hstack([np.cross(points - middle, normals), normals]) * weight[:, None]
    # turns in units of 1/50 mm, so that neither half of the unknowns is cut off as too small
    scale = np.array([0.02, 0.02, 0.02, 1.0, 1.0, 1.0])
    move, *_ = np.linalg.lstsq(design * scale, gap * weight, rcond=1e-4)
    move = move * scale
    turn = Rotation.from_rotvec(move[:3]).as_matrix()
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, middle + move[3:] - turn @ middle
    return pose, float(np.linalg.norm(move[:3]) * 100 + np.linalg.norm(move[3:]))


def _searched(points: Array, onto: Array) -> list[Array]:
    """Return the best poses of a few points on even points of the plan."""
    tree = spatial.cKDTree(onto)
    turn, shift = _starts(points, onto)
    for _ in range(SEARCH_ROUNDS):
        now = np.einsum("kij,nj->kni", turn, points) + shift[:, None]
        distance, index = tree.query(now.reshape(-1, 3))
        distance, target = distance.reshape(len(turn), -1), onto[index].reshape(now.shape)
        limit = np.quantile(distance, KEPT_SHARE, axis=1)[:, None]
        weight = (distance <= limit).astype(float)
        turn, shift = _best_rigid(points, target, weight)
    cost = np.sqrt((np.minimum(distance, 2 * CAP_MM) ** 2).mean(axis=1))
    poses: list[Array] = []
    for k in np.argsort(cost, kind="stable"):
        pose = np.eye(4)
        pose[:3, :3], pose[:3, 3] = turn[k], shift[k]
        # many starts end alike: only poses that differ are worth a refinement
        if all(_apart(points, pose, other) > SAME_MM for other in poses):
            poses.append(pose)
        if len(poses) == KEPT:
            break
    return poses


def _apart(points: Array, one: Array, other: Array) -> float:
    """Return how far two poses put points apart, root mean square, mm."""
    apart = moved(points, one) - moved(points, other)
    return float(np.sqrt((apart**2).sum(axis=1).mean()))


def _starts(points: Array, onto: Array) -> tuple[Array, Array]:
    """Return turns, shape (48, 3, 3), and shifts that lay flat on flat, middle on middle."""
    own, other = _axes(points), _axes(onto)
    turns = []
    for up in (1.0, -1.0):
        flat = np.diag([1.0, up, up])
        for angle in np.linspace(0, 2 * np.pi, TURNS, endpoint=False):
            turns.append(other @ Rotation.from_euler("z", angle).as_matrix() @ flat @ own.T)
    turn = np.array(turns)
    return turn, _middle(onto, other) - turn @ _middle(points, own)


def _axes(points: Array) -> Array:
    """Return the main axes as columns, right-handed, the thinnest last."""
    _, vectors = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    axes = vectors[:, ::-1]
    return np.asarray(axes * np.array([1.0, 1.0, np.sign(np.linalg.det(axes))]))


def _middle(points: Array, axes: Array) -> Array:
    """Return the middle of the box along the axes: unlike the mean, the same with a side unseen."""
    along = points @ axes
    return np.asarray(axes @ ((along.min(axis=0) + along.max(axis=0)) / 2))


def _best_rigid(points: Array, target: Array, weight: Array) -> tuple[Array, Array]:
    """Return least-squares rigid moves, one per row of `target`, shape (k, n, 3)."""
    share = weight / weight.sum(axis=1, keepdims=True)
    from_, to = share @ points, np.einsum("kn,kni->ki", share, target)
    cross = np.einsum("kn,kni,nj->kij", share, target, points)
    cross -= np.einsum("ki,kj->kij", to, from_)
    u, _, vt = np.linalg.svd(cross)
    u[:, :, 2] *= np.sign(np.linalg.det(u @ vt))[:, None]
    turn = u @ vt
    return turn, to - np.einsum("kij,kj->ki", turn, from_)


class _Judge:
    """Refines poses on one plan and says how well they fit."""

    def __init__(self, planned: Planned, scan: Array) -> None:
        self.points, self.normals = planned.points, planned.normals
        self.tree = spatial.cKDTree(self.points)
        top = np.flatnonzero(planned.top)
        top = top[thinned(self.points[top], FINE_MM)]
        self.top, self.top_normals = self.points[top], self.normals[top]
        self.scan = scan
        nearest = spatial.cKDTree(scan).query(scan, k=2)[0][:, 1]
        self.spacing = 2.0 * float(np.median(nearest))

    def refined(self, points: Array, pose: Array) -> tuple[float, Array]:
        """Return misfit and pose after closest points along normals."""
        reach, last = REACH_MM
        for _ in range(REFINE_ROUNDS):
            now = moved(points, pose)
            distance, index = self.tree.query(now)
            near: BoolArray = distance <= reach
            if near.sum() < 50:
                break
            normals = self.normals[index[near]]
            gap = np.einsum("ij,ij->i", self.points[index[near]] - now[near], normals)
            scale = max(1.4826 * float(np.median(np.abs(gap))), SOFT_MM)
            weight = 1 / (1 + (gap / (2 * scale)) ** 2)
            step, size = plane_step(now[near], gap, normals, weight)
            pose = step @ pose
            reach = max(last, 0.8 * reach)
            if size < 2e-3 and reach <= last:
                break
        return self.misfit(points, pose), pose

    def misfit(self, points: Array, pose: Array) -> float:
        """Return the root mean square of capped distances, scan to plan and plan's top to scan."""
        now = moved(points, pose)
        _, index = self.tree.query(now)
        there = _off(now - self.points[index], self.normals[index], SPACING_MM)
        own = moved(self.scan, pose)
        _, index = spatial.cKDTree(own).query(self.top)
        back = _off(own[index] - self.top, self.top_normals, self.spacing)
        return float(np.sqrt(((there**2).mean() + (back**2).mean()) / 2))


def _off(apart: Array, normals: Array, spacing: float) -> Array:
    """Return how far surfaces are apart: along the normal, and sideways beyond the spacing, mm."""
    along = np.einsum("ij,ij->i", apart, normals)
    side = np.linalg.norm(apart - along[:, None] * normals, axis=1)
    return np.minimum(np.hypot(along, np.maximum(side - spacing, 0.0)), CAP_MM)


def _thickness(planned: Planned) -> float:
    """Return the middle height of the top over the underside, mm."""
    top, under = planned.points[planned.top], planned.points[planned.under]
    if not len(top) or not len(under):
        return float(np.ptp(planned.points[:, 2]))
    _, index = spatial.cKDTree(under[:, :2]).query(top[:, :2])
    return float(np.median(top[:, 2] - under[index, 2]))
