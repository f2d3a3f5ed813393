"""Closed series: the cheapest path all the way round, smoothing, runs of flags."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.scan import Array

__all__ = ["cheapest", "runs", "smoothed"]


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
