"""One stroke or two: where the line runs that stands for the pen's way around the foot.

    crests beside a ring, path along them -> two_strokes -> place, distance, which was taken

Two strokes side by side have three causes. The foot moved between two rounds: the strokes cross,
and their middle has the foot's size. The hand went over the line again: the same. Or the pen was
held differently, and one stroke runs outside the other for a long way: then the inner one is
taken, since a pen that leans away draws outside the foot as far as it likes, but under it only as
far as the foot is round (common practice, no source). All of their distance counts as doubt.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.outline.closed import runs
from footscan.outline.line import PER_MM, Flat
from footscan.scan import Array

__all__ = ["crest_middle", "stroke", "two_strokes"]

DOUBLE_MM = (0.9, 4.5)  # two strokes so far apart are two
SECOND_CREST = 0.45  # of the usual crest: a second stroke has that
ALONG_MM, ALONG_SHARE = 8.0, 0.6  # a second stroke runs along, a crossing letter does not
NESTED_MM, NESTED_APART_MM = 40.0, 1.8  # so long, and so far outside: not the same way again
MOVED = 0.5  # of the distances' squares, what a foot that moved as a whole leaves unexplained


def crest_middle(crest: Array, path: NDArray[np.int_], across: float, reach: float) -> Array:
    """Return the crest's middle about a path, mm from the ring's own place."""
    rows = np.arange(len(path))
    at = np.clip(path, 1, crest.shape[1] - 2)
    a, b, c = crest[rows, at - 1], crest[rows, at], crest[rows, at + 1]
    bend = a - 2 * b + c
    shift = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0.0)
    return np.asarray((at + np.clip(shift, -0.5, 0.5)) * across - reach)


def two_strokes(
    crest: Array, shift: Array, usual: float, offsets: Array, outward: Array, step: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return the line's place, how far two strokes are apart, and where the inner one was taken.

    Parameters
    ----------
    crest : ndarray, shape (n, m)
        Ridge beside the ring, one row a place, one column an offset.
    shift : ndarray, shape (n,)
        Middle of the stroke that is followed, mm along the normal.
    usual : float
        Crest of the usual line.
    offsets : ndarray, shape (m,)
        mm along the normal.
    outward : ndarray, shape (n, 2)
        The normals, away from the foot.
    step : float
        mm from place to place.

    Returns
    -------
    place, apart : ndarray, shape (n,)
        mm; `apart` is 0 where there is one stroke.
    inner : ndarray of bool, shape (n,)
    """
    peak = np.zeros(crest.shape, dtype=bool)
    peak[:, 1:-1] = (crest[:, 1:-1] > crest[:, :-2]) & (crest[:, 1:-1] >= crest[:, 2:])
    peak &= crest > SECOND_CREST * usual
    away = np.abs(offsets[None, :] - shift[:, None])
    peak &= (away > DOUBLE_MM[0]) & (away < DOUBLE_MM[1])
    any_peak = peak.any(axis=1)
    nearest = np.where(peak, away, np.inf).argmin(axis=1)
    other = np.where(any_peak, offsets[nearest], shift)
    along = ndimage.uniform_filter1d(any_peak.astype(float), int(ALONG_MM / step), mode="wrap")
    both = any_peak & (along > ALONG_SHARE)
    apart = np.where(both, np.abs(other - shift), 0.0)
    inner = np.zeros(len(shift), dtype=bool)
    if not _moved(apart, outward):
        # small breaks, where a stroke was not told from its neighbour, do not end a run
        whole = ndimage.binary_closing(np.tile(both, 3), np.ones(2 * int(6.0 / step) + 1))
        for first, length in runs(np.asarray(whole[len(both) : 2 * len(both)])):
            at = np.arange(first, first + length) % len(both)
            there = apart[at][both[at]]
            if length * step >= NESTED_MM and np.median(there) >= NESTED_APART_MM:
                inner[at] = both[at]
    place = np.where(both, (shift + other) / 2, shift)
    return np.where(inner, np.minimum(shift, other), place), apart, inner


def _moved(apart: Array, outward: Array) -> bool:
    """Return whether distances are those of one outline drawn again after the foot had moved.

    Moved by d they are |d . n| along the normals n; of a stroke around the other they are alike
    all the way.
    """
    total = float(np.sum(apart**2))
    if total == 0.0:
        return False
    turn = np.radians(np.arange(0.0, 180.0, 5.0))
    shape = np.abs(outward @ np.stack([np.cos(turn), np.sin(turn)]))
    shape[shape < 0.2] = 0.0  # so near to each other two strokes are one
    size = (shape.T @ apart) / np.sum(shape**2, axis=0)
    left = np.sum((apart[:, None] - size * shape) ** 2, axis=0)
    alike = float(np.sum((apart - apart.mean()) ** 2))
    return bool(left.min() < MOVED * alike)


def stroke(flat: Flat, ring: Array, normal: Array, seen: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the darkness of the line's crest and the width of the stroke, mm."""
    offsets = np.arange(-1.5, 1.5 + 1e-9, 0.125)
    places = ring[seen][:, None] + offsets[None, :, None] * PER_MM * normal[seen][:, None]
    profile = ndimage.map_coordinates(flat.dark, np.moveaxis(places, 2, 0), order=1)
    mean = np.median(profile, axis=0)
    peak = float(mean.max())
    width = float(np.maximum(mean, 0).sum() * 0.125 / max(peak, 1e-6))
    return peak, width
