"""Sections of a mesh, and the tape girth round one.

    vertices, faces, plane -> section -> segments
    vertices, faces, plane -> girth   -> mm

Any frame, mm; the section's normal must not be vertical for a girth.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage, spatial

from footscan.scan import Array, IntArray

__all__ = ["girth", "section"]

GIRTH_BINS = 720
GIRTH_OFFSETS_MM = (-1.0, -0.5, 0.0, 0.5, 1.0)  # sections averaged to one girth
GIRTH_WINDOW_MM = 7.0  # local quadratic along the section: no shrinking, noise averaged


def section(vertices: Array, faces: IntArray, point: Array, normal: Array) -> Array:
    """Return the segments in which a plane cuts a mesh, shape (k, 2, 3), mm.

    Vertices exactly on the plane count as above it, so that no segment is found twice.
    """
    height = (vertices - point) @ normal
    above = height >= 0
    count = above[faces].sum(axis=1)
    cut = faces[(count > 0) & (count < 3)]
    if len(cut) == 0:
        return np.zeros((0, 2, 3))
    up = above[cut]
    lonely = np.where(up.sum(axis=1) == 1, up.argmax(axis=1), (~up).argmax(axis=1))
    row = np.arange(len(cut))
    apex = cut[row, lonely]
    ends = []
    for step in (1, 2):
        other = cut[row, (lonely + step) % 3]
        share = height[apex] / (height[apex] - height[other])
        ends.append(vertices[apex] + share[:, None] * (vertices[other] - vertices[apex]))
    return np.stack(ends, axis=1)


def girth(vertices: Array, faces: IntArray, point: Array, normal: Array) -> float:
    """Return the tape girth of a section: perimeter of its convex hull, mm.

    Sections a millimetre to both sides are averaged by direction from the centre and smoothed
    by a local quadratic over 7 mm, so that noise does not lengthen the hull.

    Raises
    ------
    ValueError
        The plane does not cut the foot all round: more than 12 degrees are open.
    """
    normal = normal / np.linalg.norm(normal)
    across = np.cross([0.0, 0, 1], normal)
    across /= np.linalg.norm(across)
    up = np.cross(normal, across)
    points = []
    for offset in GIRTH_OFFSETS_MM:
        cut = section(vertices, faces, point + offset * normal, normal)
        for share in np.linspace(0, 1, 6):
            points.append(cut[:, 0] * (1 - share) + cut[:, 1] * share)
    cloud = np.concatenate(points) - point
    if len(cloud) < 60:
        raise ValueError("the section is empty")
    plan = np.stack([cloud @ across, cloud @ up], axis=1)
    plan = _main_component(plan)
    outline = _smooth_outline(plan)
    hull = spatial.ConvexHull(outline)
    return float(hull.area)  # of a hull in the plane, `area` is the perimeter


def _main_component(plan: Array) -> Array:
    """Return the points of the section's largest connected piece."""
    cell = 2.0
    low = plan.min(axis=0) - cell
    index = ((plan - low) / cell).astype(int)
    grid = np.zeros(index.max(axis=0) + 2, dtype=bool)
    grid[index[:, 0], index[:, 1]] = True
    label, count = ndimage.label(ndimage.binary_dilation(grid, iterations=1), np.ones((3, 3)))
    if count <= 1:
        return plan
    own = label[index[:, 0], index[:, 1]]
    return plan[own == np.bincount(own)[1:].argmax() + 1]


def _smooth_outline(plan: Array) -> Array:
    """Return a smooth closed outline around the centre of `plan`, shape (720, 2)."""
    low, high = plan.min(axis=0), plan.max(axis=0)
    centre = (low + high) / 2
    offset = plan - centre
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    reach = np.hypot(offset[:, 0], offset[:, 1])
    bins = ((angle + np.pi) / (2 * np.pi) * GIRTH_BINS).astype(int) % GIRTH_BINS
    count = np.bincount(bins, minlength=GIRTH_BINS)
    total = np.bincount(bins, reach, minlength=GIRTH_BINS)
    seen = count > 0
    gaps = np.diff(np.flatnonzero(np.concatenate([seen, seen])))
    if seen.sum() < 30 or gaps.max() > GIRTH_BINS * 12 / 360:
        raise ValueError("the section is open")
    at = (np.arange(GIRTH_BINS) + 0.5) / GIRTH_BINS * 2 * np.pi - np.pi
    mean_angle = np.bincount(bins, angle, minlength=GIRTH_BINS)[seen] / count[seen]
    radius = np.interp(at, mean_angle, total[seen] / count[seen], period=2 * np.pi)
    outline = centre + radius[:, None] * np.stack([np.cos(at), np.sin(at)], axis=1)
    return _along_smoothed(outline)


def _along_smoothed(outline: Array) -> Array:
    """Return the closed outline under a local quadratic over a fixed length of arc."""
    closed = np.vstack([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    step = 0.5
    count = max(40, int(arc[-1] / step))
    at = np.linspace(0, arc[-1], count, endpoint=False)
    even = np.stack([np.interp(at, arc, closed[:, k]) for k in range(2)], axis=1)
    window = int(GIRTH_WINDOW_MM / (arc[-1] / count)) | 1
    half = max(window, 5) // 2
    offset = np.arange(-half, half + 1)
    # weights of a local quadratic's value at its middle; scipy.signal has them, and takes 0.3 s
    weights = np.linalg.pinv(offset[:, None] ** np.arange(3.0))[0]
    return ndimage.correlate1d(even, weights, axis=0, mode="wrap")
