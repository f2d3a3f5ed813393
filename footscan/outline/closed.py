"""Closed series: the cheapest path all the way round, smoothing, runs of flags, gaps bridged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.scan import Array

__all__ = ["bridged", "cheapest", "runs", "smoothed"]

LEAST_GAP, MARGIN, BESIDE = 4, 2, 16  # points: a gap, what is taken off its ends, what is beside
STEEPEST = 0.5  # cosine between the chord of a gap and the line beside it


def cheapest(cost: Array) -> NDArray[np.int_]:
    """Return the cheapest closed path through `cost`, one column a row, steps of one at most.

    Two laps are walked and the middle of them taken, so that where it starts does not matter.
    """
    rows, columns = cost.shape
    turn = rows // 2
    order = np.r_[np.arange(turn, rows), np.arange(rows), np.arange(turn)]
    total = np.zeros(columns)
    came = np.zeros((len(order), columns), dtype=np.int8)
    step = 0.15
    for k, row in enumerate(order):
        ahead = np.full((3, columns), np.inf)
        ahead[0, 1:], ahead[1], ahead[2, :-1] = total[:-1] + step, total, total[1:] + step
        choice = np.argmin(ahead, axis=0)
        came[k] = choice - 1
        total = ahead[choice, np.arange(columns)] + cost[row]
    path = np.zeros(len(order), dtype=int)
    path[-1] = int(np.argmin(total))
    for k in range(len(order) - 1, 0, -1):
        path[k - 1] = path[k] + came[k, path[k]]
    start = rows - turn
    return path[start : start + rows]


def smoothed(value: Array, seen: NDArray[np.bool_], sigma: float) -> Array:
    """Return a closed series smoothed; where nothing was seen, what its ends agree on."""
    weight = np.where(seen, 1.0, 0.0)
    if seen.any() and not seen.all():
        index = np.arange(len(value))
        value = np.interp(index, index[seen], value[seen], period=len(value))
        weight = np.where(seen, 1.0, 0.3)
    total = ndimage.gaussian_filter1d(weight, sigma, mode="wrap")
    return ndimage.gaussian_filter1d(value * weight, sigma, mode="wrap") / np.maximum(total, 1e-9)


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return start and length of the runs in a closed series of flags."""
    if flags.all():
        return [(0, len(flags))]
    start = int(np.flatnonzero(~flags)[0])
    rolled = np.roll(flags, -start)
    turns = np.flatnonzero(np.diff(np.r_[False, rolled, False].astype(int))).reshape(-1, 2)
    return [((int(a) + start) % len(flags), int(b - a)) for a, b in turns]


def bridged(ring: Array, seen: NDArray[np.bool_]) -> Array:
    """Return a closed ring whose unseen runs go on from one end to the other as both ends bend.

    Cubic between the ends of a gap, with the directions of a parabola through what is seen beside
    them; straight where the ends do not point at each other, as between two toes.

    Parameters
    ----------
    ring : ndarray, shape (n, 2)
        Evenly spaced.
    seen : ndarray of bool, shape (n,)
        Where the line was seen.
    """
    ring, count = ring.copy(), len(ring)
    source = ring.copy()
    for first, length in runs(~seen):
        if length < LEAST_GAP or length > count // 3:
            continue
        low, high = first - MARGIN, first + length - 1 + MARGIN
        ends = source[low % count], source[high % count]
        chord = ends[1] - ends[0]
        size = float(np.linalg.norm(chord))
        ways = [_way(source, low, -1), _way(source, high, +1)]
        if min(float(way @ chord) for way in ways) < STEEPEST * size:
            ways = [chord / max(size, 1e-9)] * 2
        t = np.linspace(0.0, 1.0, high - low + 1)[:, None]
        curve = (
            (2 * t**3 - 3 * t**2 + 1) * ends[0]
            + (t**3 - 2 * t**2 + t) * size * ways[0]
            + (3 * t**2 - 2 * t**3) * ends[1]
            + (t**3 - t**2) * size * ways[1]
        )
        ring[np.arange(low, high + 1) % count] = curve
    return ring


def _way(ring: Array, at: int, sign: int) -> Array:
    """Return the ring's direction at an end of a gap, from what lies beside it."""
    k = np.arange(BESIDE + 1)
    near = ring[(at + sign * k) % len(ring)]
    slope = np.polyfit(k, near, 2)[1] * sign
    return slope / max(float(np.linalg.norm(slope)), 1e-9)
