"""The arch line and the apex of the arch: one function for feet, specimens and pads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.foot import ARCH_WINDOW, SoleMap
from footscan.scan import Array

__all__ = ["ArchApex", "arch_apex", "arch_line"]

ARCH_INSET = 0.25  # share of local plantar width, from the medial edge
ARCH_SMOOTH_MM = 15.0
PLATEAU_DROP_MM = 0.15  # a stretch this close to the top counts as plateau


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchApex:
    """The arch apex: place and height in the foot frame, mm.

    Attributes
    ----------
    x, y, z : float
        Place in plan and height above the ground.
    plateau : float
        Length along x over which the smoothed line stays within 0.15 mm of the top.
    seen : float
        Share of the arch line's window that the map covers, 0 to 1.
    """

    x: float
    y: float
    z: float
    plateau: float
    seen: float


def arch_line(sole: SoleMap, length: float) -> tuple[Array, Array, Array]:
    """Return x, y and height of the arch line inside the apex window, mm.

    Heights are NaN where the map is empty. Edges of the map are taken as a running median over
    15 mm and its mean over as much, so that neither a ragged rim nor the cells move the line.
    """
    lateral, medial = sole.edges()
    inside = (sole.x >= 0.2 * length) & (sole.x <= 0.75 * length)
    window = max(3, round(ARCH_SMOOTH_MM / sole.cell) | 1)
    medial, lateral = (
        _running_mean(_running_median(np.where(inside, edge, np.nan), window), window)
        for edge in (medial, lateral)
    )
    y = medial - ARCH_INSET * (medial - lateral)
    keep = (sole.x >= ARCH_WINDOW[0] * length) & (sole.x <= ARCH_WINDOW[1] * length)
    x, y = sole.x[keep], y[keep]
    return x, y, sole.height(x, y)


def arch_apex(sole: SoleMap, length: float) -> ArchApex:
    """Return the arch apex of a sole map.

    Parameters
    ----------
    sole : SoleMap
        Foot frame, mm.
    length : float
        Foot length, mm; sets the window of 30 to 65 %.

    Raises
    ------
    ValueError
        The map shows less than a third of the window.
    """
    x, y, z = arch_line(sole, length)
    seen = float(np.isfinite(z).mean()) if len(z) else 0.0
    if seen < 1 / 3:
        raise ValueError("the arch is not seen from below")
    sigma = ARCH_SMOOTH_MM / sole.cell / np.sqrt(12)  # same variance as a 15 mm moving mean
    smooth = _smoothed_line(z, sigma)
    top = int(np.nanargmax(smooth))
    flat = smooth >= smooth[top] - PLATEAU_DROP_MM
    first, last = top, top
    while first > 0 and flat[first - 1]:
        first -= 1
    while last < len(flat) - 1 and flat[last + 1]:
        last += 1
    plateau = float(x[last] - x[first])
    at = (first + last) // 2 if plateau > 10.0 else top
    return ArchApex(x=float(x[at]), y=float(y[at]), z=float(smooth[at]), plateau=plateau, seen=seen)


def _smoothed_line(z: Array, sigma: float) -> Array:
    """Return a locally linear Gaussian smooth of `z`, NaN kept; unbiased at the ends."""
    seen = np.isfinite(z)
    t = np.arange(len(z), dtype=float)
    kernel = np.exp(-0.5 * ((t[:, None] - t[None, :]) / sigma) ** 2) * seen[None, :]
    value = np.where(seen, z, 0.0)
    d = t[None, :] - t[:, None]
    s0, s1, s2 = kernel.sum(1), (kernel * d).sum(1), (kernel * d * d).sum(1)
    v0, v1 = kernel @ value, (kernel * d) @ value
    smooth = (s2 * v0 - s1 * v1) / np.maximum(s0 * s2 - s1 * s1, 1e-12)
    return np.where(seen, smooth, np.nan)


def _running_median(values: Array, window: int) -> Array:
    """Return the running median over `window` samples, ignoring NaN."""
    half = window // 2
    padded = np.pad(values, half, constant_values=np.nan)
    view = np.lib.stride_tricks.sliding_window_view(padded, window)
    result = np.full(len(values), np.nan)
    some = np.isfinite(view).any(axis=1)
    result[some] = np.nanmedian(view[some], axis=1)
    return result


def _running_mean(values: Array, window: int) -> Array:
    """Return the running mean over `window` samples, ignoring NaN, which stays."""
    seen = np.isfinite(values)
    total = ndimage.uniform_filter1d(np.where(seen, values, 0.0), window, mode="constant")
    weight = ndimage.uniform_filter1d(seen.astype(float), window, mode="constant")
    return np.where(seen, total / np.maximum(weight, 1e-9), np.nan)
