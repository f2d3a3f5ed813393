"""The hollow that a foot left in foam: rim and block go, the sole's own surface stays.

    Scan of a block -> hollow.cut_out -> Scan of the sole -> footscan.finding.cleaning.sketch

The wall of the hollow *is* the surface of the sole, so no point moves and nothing is mirrored;
only the winding may turn, since foam faces the foot.

Terms
    rim      the block's flat top around the hollow
    depth    distance below the rim
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.finding.floor import TOLERANCE, best_plane
from footscan.scan import Array, BoolArray, Scan

__all__ = ["Rim", "couch_behind", "cut_out", "find_rim"]

RIM_SHARE = 0.05  # of all points: less is no rim
BEYOND_SHARE = 0.02  # points that may lie above the rim: crumbs and noise
DEEPEST = 0.16  # of the size: a hollow is not deeper than that, a leg on a floor is
EDGE = 2.5  # tolerances below the rim at which the wall begins: foam crumbles there
CELL = 0.02  # of the size, for telling the hollow from the block's outer walls
ROUND_SHARE = 0.9  # of the directions from its middle in which a hollow has its rim
POINTS_ASKED = 16000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rim:
    """The plane of the rim and the hollow below it, in the scan's unit.

    Attributes
    ----------
    normal : ndarray, shape (3,)
        Unit, into the hollow.
    offset : float
        ``normal @ p == offset`` on the rim.
    plan : ndarray, shape (3, 2)
        Two directions along the rim, as columns.
    low, cell, grid
        Cells in plan that the hollow covers.
    """

    normal: Array
    offset: float
    plan: Array
    low: Array
    cell: float
    grid: BoolArray

    def holds(self, points: Array, least: float) -> BoolArray:
        """Return which points lie in the hollow, at least `least` below the rim."""
        at = np.floor((points @ self.plan - self.low) / self.cell).astype(np.int64)
        valid = ((at >= 0) & (at < self.grid.shape)).all(axis=1)
        at = np.clip(at, 0, np.array(self.grid.shape) - 1)
        return valid & self.grid[at[:, 0], at[:, 1]] & (points @ self.normal > self.offset + least)


def find_rim(points: Array) -> Rim | None:
    """Return the rim round a hollow, None where the points show none.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Any unit.
    """
    if len(points) > POINTS_ASKED:
        points = points[np.random.default_rng(0).choice(len(points), POINTS_ASKED, replace=False)]
    size = _size(points)
    left, rng = points, np.random.default_rng(0)
    for _ in range(3):
        plane = best_plane(left, TOLERANCE * size, rng)
        if plane is None:
            return None
        rim = _rim_on(points, *plane, size)
        if rim is not None:
            return rim
        left = left[np.abs(left @ plane[0] - plane[1]) > TOLERANCE * size]
        if len(left) < 200:
            return None
    return None


def cut_out(scan: Scan, rim: Rim) -> Scan:
    """Return the hollow alone as a scan of the sole, same points, same unit."""
    keep = rim.holds(scan.vertices, EDGE * TOLERANCE * _size(scan.vertices))
    return scan.part(keep)


def couch_behind(scan: Scan, rim: Rim) -> bool:
    """Return whether the file's winding has the rim face the hollow: then it is no foam.

    Foam faces away from its hollow; a couch behind a sole that juts out faces the same way as
    the sole. Bare points cannot tell and count as foam.
    """
    if not len(scan.faces):
        return False
    faces = scan.faces[:: max(1, len(scan.faces) // 100_000)]
    a, b, c = (scan.vertices[faces[:, i]] for i in range(3))
    area = np.cross(b - a, c - a)
    near = np.abs((a + b + c) / 3 @ rim.normal - rim.offset) < TOLERANCE * _size(scan.vertices)
    return bool((area[near] @ rim.normal).sum() > 0)


def _size(points: Array) -> float:
    """Return the length of the diagonal, whichever way the block lies."""
    return 2 * float(np.percentile(np.linalg.norm(points - points.mean(axis=0), axis=1), 99))


def _rim_on(points: Array, normal: Array, offset: float, size: float) -> Rim | None:
    """Return the rim on a plane if a hollow lies on one side of it and the plane all round."""
    tolerance = TOLERANCE * size
    depth = points @ normal - offset
    near = np.abs(depth) <= tolerance
    if near.mean() < RIM_SHARE or near.all():
        return None
    if np.median(depth[~near]) < 0:
        normal, offset, depth = -normal, -offset, -depth
    if (depth < -3 * tolerance).mean() > BEYOND_SHARE:
        return None
    plan = np.linalg.svd(normal[None])[2][1:].T
    cell = CELL * size
    flat = points @ plan
    low = flat.min(axis=0) - cell
    at = np.floor((flat - low) / cell).astype(np.int64)
    below = np.zeros(tuple(at.max(axis=0) + 2), dtype=bool)
    deep = depth > EDGE * tolerance
    below[at[deep, 0], at[deep, 1]] = True
    seen = np.zeros_like(below)
    seen[at[near, 0], at[near, 1]] = True
    below = ndimage.binary_closing(np.pad(below, 1), iterations=1)[1:-1, 1:-1]
    grid = _inner_piece(below, seen)
    if grid is None:
        return None
    own = deep & grid[at[:, 0], at[:, 1]]
    if np.percentile(depth[own], 98) > DEEPEST * size:
        return None
    return Rim(normal=normal, offset=offset, plan=plan, low=low, cell=cell, grid=grid)


def _inner_piece(below: BoolArray, rim: BoolArray) -> BoolArray | None:
    """Return the largest piece of `below` that has the rim all round it, filled."""
    label, count = ndimage.label(below)
    sizes = np.bincount(label.ravel())[1:]
    for number in np.argsort(sizes)[::-1][: min(count, 3)] + 1:
        piece = ndimage.binary_fill_holes(label == number)
        if piece.sum() < 60:  # a foot covers 25 by 10 cells, less at the rim of a shallow hollow
            return None
        if _share_round(piece, rim & ~piece) >= ROUND_SHARE:
            return ndimage.binary_dilation(piece, iterations=1)
    return None


def _share_round(piece: BoolArray, rim: BoolArray) -> float:
    """Return the share of directions from the piece's middle in which rim lies beyond it."""
    middle = np.argwhere(piece).mean(axis=0)
    sectors = 36
    reach = []
    for cells in (piece, rim):
        away = np.argwhere(cells) - middle
        sector = ((np.arctan2(away[:, 1], away[:, 0]) / (2 * np.pi) % 1) * sectors).astype(int)
        farthest = np.zeros(sectors)
        np.maximum.at(farthest, np.minimum(sector, sectors - 1), np.hypot(*away.T))
        reach.append(farthest)
    return float((reach[1] > reach[0]).mean())
