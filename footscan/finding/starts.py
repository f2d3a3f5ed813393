"""Even orientations to start a match from, and points thinned to even cells."""

from __future__ import annotations

import numpy as np
from scipy import spatial

from footscan.scan import Array, IntArray

__all__ = ["even_points", "extent_of", "orientations", "thinned"]

STARTS = 128  # orientations tried; neighbours are then about 38 degrees apart


def orientations(ups: list[Array]) -> Array:
    """Return start rotations (template to scan), (c, 3, 3): about `ups`, or any if none."""
    if not ups:
        return _even_rotations(STARTS)
    turns = spatial.transform.Rotation.from_rotvec(
        np.outer(np.linspace(0, 2 * np.pi, 24, endpoint=False), [0.0, 0, 1])
    )
    tilts = [spatial.transform.Rotation.align_vectors([up], [[0.0, 0, 1]])[0] for up in ups]
    return np.concatenate([(tilt * turns).as_matrix() for tilt in tilts])


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


def even_points(points: Array, normals: Array, cell: float) -> tuple[Array, Array]:
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


def thinned(count: int, wanted: int) -> IntArray:
    """Return at most `wanted` indices, a fixed random draw: strides would follow file order."""
    if count <= wanted:
        return np.arange(count, dtype=np.int64)
    return np.sort(np.random.default_rng(0).choice(count, wanted, replace=False))


def extent_of(points: Array) -> float:
    """Return the longest extent over 13 directions, robust against single strays."""
    axes = np.array([[x, y, z] for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1)], float)
    axes = axes[13 + 1 :]
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    reach = points @ axes.T
    low, high = np.percentile(reach, [0.2, 99.8], axis=0)
    return float((high - low).max())
