"""The support surface: the highest top that follows the sole under every rule's ceiling.

    ceiling and gap on a grid -> follow -> top: never above, felt only where the foot leads it

A support is felt where it stops following the foot, not where it is steep. So the rules of feel
are rules of the *residual gap* (sole above top): it changes by no more than a slope, and the top
is nowhere rounder than the sole it faces by more than a curvature. Both hold for the clearance
``lift = top - gap`` (never positive), which is made from lower and upper envelopes (infimal and
supremal convolutions). They keep order: where no ceiling is lowered, no top is lowered, so that
more support never makes a part lower anywhere. No smoothing filter could promise that.

Terms
    ceiling   mm above the base that the top may not pass
    lift      top less gap, mm: how far the top lies below the sole, negative
    cap       a ceiling that is not faded by the residual's slope, since the foot leaves the part
              there anyway: the flange, the navicular, a medial edge that runs out
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.record.limits import Limits

__all__ = ["FREE", "Feel", "feel_of", "follow", "lower_of", "without_edges", "without_ridges"]

FREE = 1e3  # mm: no ceiling here
KERNEL_MM = 6.0  # reach of one round of the cone; directions are then true to 0.4 %
CAP_ROUND_MM = 3.0  # least radius of a convex edge that the foot may touch; common practice
SETTLED_MM = 1e-9
BALL_MM = 5.0  # a third is lost between nodes of 1 and 2 mm where flanks are steep: 3 mm are left
RIDGE_MM = 1.2  # standard deviation: two run-outs of 25 degrees then meet in 3 mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Feel:
    """What a foot asks of a support.

    Attributes
    ----------
    residual : float
        Largest change of the residual gap, mm per mm of way.
    hump : float
        The top may be more convex than the sole it faces by 1 / `hump`, mm.
    run_out, run_out_medial : float
        Slopes against the bed where the sole is not followed, degrees.
    edge : float
        Thickness that counts as nothing, mm.
    """

    residual: float
    hump: float
    run_out: float
    run_out_medial: float
    edge: float


def feel_of(limits: Limits) -> Feel:
    """Return the feel that the planning limits ask for."""
    return Feel(
        residual=limits.value("feel.residual"),
        hump=limits.value("feel.hump"),
        run_out=limits.value("feel.slope"),
        run_out_medial=limits.value("feel.slope_medial"),
        edge=limits.value("feel.edge"),
    )


def follow(ceiling: Array, gap: Array, feel: Feel, *, cell: float = 1.0) -> Array:
    """Return the highest top under `ceiling` that keeps residual slope and humps.

    Lower envelope of the lift with cones of the residual's slope, then the union of all
    paraboloids of the hump's curvature that fit below it (a grey opening). Nowhere above the
    ceiling, and monotone in it.

    Parameters
    ----------
    ceiling : ndarray, shape (nx, ny)
        mm; axis 0 along the bed, axis 1 across. ``FREE`` where nothing bounds the top.
    gap : ndarray, shape (nx, ny)
        Clearance between sole and bed, mm; finite.
    cell : float
        Grid spacing, mm.

    Returns
    -------
    ndarray, shape (nx, ny)
        mm; may lie below the edge, or below zero, outside of the part.
    """
    lift = np.asarray(ceiling, dtype=float) - gap
    lift = _cone_envelope(lift, feel.residual, cell)
    return np.asarray(np.minimum(_opened(lift, feel.hump, cell) + gap, ceiling))


def lower_of(top: Array, cap: Array, radius: float = CAP_ROUND_MM) -> Array:
    """Return the lower of `top` and `cap`, rounded where they meet; monotone in both.

    Below the sharp edge by at most a quarter of `radius`, so never above either. A smooth
    minimum whose largest curvature for two planes at right angles is about 1 / `radius`.
    """
    near = np.clip(1.0 - np.abs(top - cap) / radius, 0.0, None)
    return np.asarray(np.minimum(top, cap) - near**2 * radius / 4.0)


def without_ridges(top: Array, *, cell: float = 1.0) -> Array:
    """Return `top` with its ridges rounded; nowhere above it, and monotone in it.

    Where run-outs and caps meet they leave ridges. Stored every 2 mm, a sharp one that runs
    askew to the nodes comes back as a row of beads: up to 0.03 mm, 5 to 6 mm apart, a ripple
    under a fingertip. Hollows stay as they are, since a ceiling may be there.
    """
    return np.minimum(top, ndimage.gaussian_filter(top, RIDGE_MM / cell, mode="nearest"))


def without_edges(top: Array, *, cell: float = 1.0) -> Array:
    """Return `top` with no convex edge sharper than a ball; nowhere above it, and monotone in it.

    All that balls reach which lie below the top (a grey opening). Where a steep flank meets a
    level rim the rounding of :func:`lower_of` ends sharply: it knows heights and not the way to
    the surface.
    """
    reach = math.floor(BALL_MM / cell)
    at = cell * np.arange(-reach, reach + 1)
    square = at[:, None] ** 2 + at[None, :] ** 2
    ball = np.sqrt(np.clip(BALL_MM**2 - square, 0.0, None))
    return np.asarray(
        ndimage.grey_opening(
            top, footprint=square <= BALL_MM**2, structure=ball - BALL_MM, mode="nearest"
        )
    )


def _cone_envelope(z: Array, slope: float, cell: float) -> Array:
    """Return the lower envelope of `z` with upward cones of `slope`."""
    reach = max(2, round(KERNEL_MM / cell))
    offsets = [
        (i, j)
        for i in range(-reach, reach + 1)
        for j in range(-reach, reach + 1)
        if (i or j) and i * i + j * j <= reach * reach and math.gcd(i, j) == 1
    ]
    rises: dict[float, list[tuple[int, int]]] = {}
    for i, j in offsets:
        if i >= 0 and j >= 0:  # its mirror images rise as much
            rises.setdefault(slope * cell * math.hypot(i, j), []).append((i, j))
    # single grid steps carry the long way, primitive directions carry the shape
    z = z.copy()
    n, m = z.shape
    i0, i1, j0, j1 = 0, n, 0, m  # where the last round may have an effect: nowhere else is looked
    for _ in range(200):
        rows = np.clip(np.arange(i0 - reach, i1 + reach), 0, n - 1)  # the border repeated
        columns = np.clip(np.arange(j0 - reach, j1 + reach), 0, m - 1)
        lower = _least(z[np.ix_(rows, columns)], rises, reach)
        fell = z[i0:i1, j0:j1] - lower
        z[i0:i1, j0:j1] = lower
        if float(np.max(fell)) < SETTLED_MM:
            break
        along, across = (np.flatnonzero(fell.any(axis=axis)) for axis in (1, 0))
        i0, i1 = max(0, i0 + int(along[0]) - reach), min(n, i0 + int(along[-1]) + reach + 1)
        j0, j1 = max(0, j0 + int(across[0]) - reach), min(m, j0 + int(across[-1]) + reach + 1)
    return z


def _least(padded: Array, rises: dict[float, list[tuple[int, int]]], reach: int) -> Array:
    """Return, per node, the least of `padded` + rise over neighbours (±di, ±dj), borders left off.

    The least of what rises as much is found before it is raised: the same numbers, half the work.
    """
    n, m = padded.shape[0] - 2 * reach, padded.shape[1] - 2 * reach
    lines = [  # the lower of what lies i farther along either way, still as wide as padded
        np.minimum(padded[reach - i : reach - i + n], padded[reach + i : reach + i + n])
        for i in range(reach + 1)
    ]
    out = padded[reach : reach + n, reach : reach + m].copy()
    least = np.zeros_like(out)
    for rise, those in rises.items():
        least.fill(np.inf)
        for i, j in those:
            np.minimum(least, lines[i][:, reach - j : reach - j + m], out=least)
            if j:
                np.minimum(least, lines[i][:, reach + j : reach + j + m], out=least)
        least += rise
        np.minimum(out, least, out=out)
    return out


def _opened(z: Array, radius: float, cell: float) -> Array:
    """Return the union of all downward paraboloids of `radius` below `z`."""
    return -_under(-_under(z, radius, cell), radius, cell)


def _under(z: Array, radius: float, cell: float) -> Array:
    """Return the lower envelope of `z` with upward paraboloids of `radius`, axis by axis."""
    for axis in (0, 1):
        line = np.moveaxis(z, axis, 0)
        bound = line[np.abs(line) < FREE / 2]
        span = float(np.ptp(bound)) if bound.size else 0.0
        reach = min(len(line), int(math.sqrt(2.0 * radius * max(span, 1e-9)) / cell) + 2)
        out = line.copy()
        for k in range(1, reach):
            rise = (k * cell) ** 2 / (2.0 * radius)
            np.minimum(out[k:], line[:-k] + rise, out=out[k:])
            np.minimum(out[:-k], line[k:] + rise, out=out[:-k])
        z = np.moveaxis(out, 0, axis)
    return z
