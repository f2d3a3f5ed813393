"""The plane that a foot stands on: found, told from a flat sole, and taken away.

    points -> floor.find -> Floor -> floor.belongs, floor.refined -> footscan.finding.cleaning

Terms
    shadow   the foot's outline seen along the floor's normal
    floor    a plane with the foot on one side that reaches out beyond the foot's shadow; a flat
             sole does not, and stays
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.finding.outward import extent
from footscan.scan import Array, BoolArray

__all__ = ["TOLERANCE", "Floor", "belongs", "best_plane", "find", "refined"]

TRIALS = 400
TOLERANCE = 0.004  # share of the scan's extent: about 1 mm on a foot
LEAST_SHARE = 0.06  # fewer points than this on a plane are not a floor
OUTSIDE_SHARE = 0.2  # share of the plane's points beyond the shadow


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Floor:
    """The plane that the foot stands on, scanner frame.

    Attributes
    ----------
    normal : ndarray, shape (3,)
        Unit, towards the foot.
    offset : float
        ``normal @ p == offset`` on the plane.
    """

    normal: Array
    offset: float

    def height(self, points: Array) -> Array:
        """Return heights above the plane."""
        return points @ self.normal - self.offset

    def scaled(self, factor: float) -> Floor:
        """Return the plane in other units."""
        return Floor(normal=self.normal, offset=self.offset * factor)


def find(points: Array, normals: Array | None = None) -> Floor | None:
    """Return the floor, None where no plane reaches out beyond what stands on it.

    `normals` are those of a mesh; bare points have none to trust.
    """
    rng = np.random.default_rng(0)
    sample = points[rng.choice(len(points), min(len(points), 4000), replace=False)]
    tolerance = TOLERANCE * extent(points)
    left = sample
    for _ in range(3):
        plane = best_plane(left, tolerance, rng)
        if plane is None:
            return None
        normal, offset = plane
        height = points @ normal - offset
        near = np.abs(height) <= tolerance
        if near.mean() < LEAST_SHARE:
            return None
        if np.median(height[~near]) < 0 if (~near).any() else False:
            normal, offset, height = -normal, -offset, -height
        floor = Floor(normal=normal, offset=offset)
        facing = None if normals is None else float((normals[near] @ normal).mean())
        if _is_floor(points, floor, tolerance, facing):
            return floor
        left = left[np.abs(left @ plane[0] - plane[1]) > tolerance]
        if len(left) < 200:
            return None
    return None


def best_plane(
    points: Array, tolerance: float, rng: np.random.Generator
) -> tuple[Array, float] | None:
    """Return the plane with most points near it, refined by least squares."""
    triplets = rng.integers(0, len(points), size=(TRIALS, 3))
    a, b, c = (points[triplets[:, i]] for i in range(3))
    normals = np.cross(b - a, c - a)
    size = np.linalg.norm(normals, axis=1)
    # a triplet with a repeated point has no normal and would count every point as near
    good = size > 1e-3 * extent(points) ** 2
    if not good.any():
        return None
    normals = normals[good] / size[good, None]
    offsets = np.einsum("ij,ij->i", normals, a[good])
    off = points @ normals.T
    off -= offsets  # in place: a large array for each step would cost most of the time
    votes = np.count_nonzero(np.abs(off, out=off) <= tolerance, axis=0)
    best = int(votes.argmax())
    normal, offset = normals[best], offsets[best]
    for _ in range(3):
        near = points[np.abs(points @ normal - offset) <= tolerance]
        centre = near.mean(axis=0)
        _, _, vt = np.linalg.svd(near - centre, full_matrices=False)
        normal, offset = vt[2], float(vt[2] @ centre)
    return normal, offset


def _is_floor(points: Array, floor: Floor, tolerance: float, facing: float | None = None) -> bool:
    """Return whether the plane carries the rest and reaches out beyond its shadow.

    `facing` is the mean of the plane's own normals against `normal`. A flat side of an open shell
    faces away from the rest and has some of it behind; a floor wound the wrong way round has
    nothing behind.
    """
    height = points @ floor.normal - floor.offset
    near = np.abs(height) <= tolerance
    above = height > 3 * tolerance
    behind = (height[~near] < 0).mean() if (~near).any() else 0.0
    if above.sum() < 100 or behind > 0.05:
        return False
    if facing is not None and facing < -0.5 and behind > 0.01:
        return False
    outside = ~_in_shadow(points[near], points[above], floor.normal, 6 * tolerance)
    return bool(outside.mean() >= OUTSIDE_SHARE)


def _in_shadow(query: Array, casting: Array, normal: Array, grow: float) -> BoolArray:
    """Return which `query` points lie in the filled plan outline of `casting`, grown."""
    helper = np.eye(3)[np.argmin(np.abs(normal))]
    u = np.cross(helper, normal)
    u /= np.linalg.norm(u)
    plan = np.stack([u, np.cross(normal, u)], axis=1)
    foot, asked = casting @ plan, query @ plan
    cell = max(grow / 2, 1e-9)
    low = foot.min(axis=0) - 6 * cell
    size = np.ceil((foot.max(axis=0) - low) / cell).astype(int) + 8
    if size.prod() > 4_000_000:
        cell *= np.sqrt(size.prod() / 4_000_000)
        size = np.ceil((foot.max(axis=0) - low) / cell).astype(int) + 8
    grid = np.zeros(tuple(size), dtype=bool)
    index = ((foot - low) / cell).astype(int)
    grid[index[:, 0], index[:, 1]] = True
    grid = ndimage.binary_closing(grid, iterations=4, border_value=0)
    grid = ndimage.binary_fill_holes(grid)
    grid = ndimage.binary_dilation(grid, iterations=2)
    at = np.floor((asked - low) / cell).astype(int)
    valid = ((at >= 0) & (at < size)).all(axis=1)
    at = np.clip(at, 0, size - 1)
    return valid & grid[at[:, 0], at[:, 1]]


def belongs(points: Array, normals: Array, floor: Floor, tolerance: float) -> BoolArray:
    """Return which points belong to the floor or lie below it.

    Near the plane, the sole faces down and the floor faces up; beyond the foot's shadow
    everything near the plane is floor.
    """
    height = floor.height(points)
    near = np.abs(height) <= 1.5 * tolerance
    up = normals @ floor.normal > 0.2
    foot = height > 3 * tolerance
    outside = np.zeros(len(points), dtype=bool)
    if foot.any():
        outside[near] = ~_in_shadow(points[near], points[foot], floor.normal, 2 * tolerance)
    return (near & (up | outside)) | (height < -1.5 * tolerance)


def refined(floor: Floor, vertices: Array, normals: Array) -> Floor:
    """Return the floor refitted to its own upward-facing points, mm."""
    normal, offset = floor.normal, floor.offset
    for tolerance in (2.0, 1.0, 1.0):
        near = (np.abs(vertices @ normal - offset) <= tolerance) & (normals @ normal > 0.5)
        if near.sum() < 50:
            return floor
        points = vertices[near]
        centre = points.mean(axis=0)
        _, vectors = np.linalg.eigh(np.cov((points - centre).T))
        new = vectors[:, 0] * np.sign(vectors[:, 0] @ normal)
        normal, offset = new, float(new @ centre)
    return Floor(normal=normal, offset=offset)
