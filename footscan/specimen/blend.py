"""Soft solids: distances to simple bodies, and joints between them without an edge.

Each function maps coordinate grids (mm) to a grid of distances, negative inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, ndimage

from footscan.scan import Array

__all__ = [
    "Chain",
    "Grid",
    "capsules",
    "curve",
    "distance",
    "ellipsoid",
    "sigmoid",
    "smooth_max",
    "smooth_min",
    "smoothstep",
]

Grid = NDArray[np.floating[Any]]
Chain = list[tuple[Array, float]]  # centres and radii of a chain of round cones


def curve(points: Sequence[tuple[float, float]], at: Grid, soft: float) -> Grid:
    """Return a smooth curve near `points` (argument, value), evaluated at `at`.

    The monotone curve through the points, constant beyond them, is blurred by `soft` (standard
    deviation, unit of the argument): it has no corner and does not overshoot.
    """
    knots = np.array(points)
    first, last = knots[0, 0], knots[-1, 0]
    fine = np.linspace(first - 4 * soft, last + 4 * soft, 601)
    values = interpolate.PchipInterpolator(*knots.T)(np.clip(fine, first, last))
    values = ndimage.gaussian_filter1d(values, soft / (fine[1] - fine[0]), mode="nearest")
    result: Grid = np.interp(at, fine, values).astype(np.float32)
    return result


def capsules(x: Grid, y: Grid, z: Grid, chain: Chain, blend: float) -> Grid:
    """Return the distance to a chain of round cones, joined softly."""
    total: Grid | None = None
    for (a, ra), (b, rb) in pairwise(chain):
        d = [float(q - p) for p, q in zip(a, b, strict=True)]
        size = d[0] ** 2 + d[1] ** 2 + d[2] ** 2
        px, py, pz = x - float(a[0]), y - float(a[1]), z - float(a[2])
        t = np.clip((px * d[0] + py * d[1] + pz * d[2]) / size, 0, 1)
        gap = np.sqrt((px - t * d[0]) ** 2 + (py - t * d[1]) ** 2 + (pz - t * d[2]) ** 2)
        cone = gap - (float(ra) + t * float(rb - ra))
        total = cone if total is None else smooth_min(total, cone, blend)
    if total is None:
        raise ValueError("a chain needs at least two centres")
    return total


def ellipsoid(x: Grid, y: Grid, z: Grid, centre: Sequence[float], axes: Sequence[float]) -> Grid:
    """Return about the distance to an ellipsoid."""
    u = [(a - float(c)) / float(r) for a, c, r in zip((x, y, z), centre, axes, strict=True)]
    near = np.sqrt(u[0] ** 2 + u[1] ** 2 + u[2] ** 2)
    v = [a / float(r) for a, r in zip(u, axes, strict=True)]
    slope = np.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
    result: Grid = near * (near - 1) / np.maximum(slope, 1e-6)
    return result


def distance(level: Grid, cell: float) -> Grid:
    """Return `level` divided by its slope: about a distance near its zero."""
    slope = np.zeros_like(level)
    for axis in range(3):
        slope += np.gradient(level, cell, axis=axis) ** 2
    return level / np.maximum(np.sqrt(slope), 4e-3)


def smooth_min(a: Grid, b: Grid, reach: float) -> Grid:
    """Return the smooth minimum; `a` and `b` differing by more than `reach` are untouched."""
    near = np.maximum(reach - np.abs(a - b), 0) / reach
    return np.minimum(a, b) - near**3 * np.float32(reach / 6)


def smooth_max(a: Grid, b: Grid, reach: float) -> Grid:
    """Return the smooth maximum."""
    return -smooth_min(-a, -b, reach)


def smoothstep(t: Grid) -> Grid:
    """Return 0 below 0, 1 above 1, smooth between (quintic)."""
    t = np.clip(t, 0, 1)
    return t * t * t * (t * (t * 6 - 15) + 10)


def sigmoid(t: Grid) -> Grid:
    """Return the logistic function."""
    return 1 / (1 + np.exp(-np.clip(t, -40, 40)))
