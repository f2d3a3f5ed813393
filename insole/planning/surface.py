"""The largest surface a hand would like to feel under a ceiling.

    ceiling on a grid -> pad_surface -> surface: never above, slopes and radii kept

Everything here is built from lower and upper envelopes (infimal and supremal convolutions).
They keep order: where no ceiling is lowered, no surface is lowered, so that more support never
makes a pad lower anywhere. No smoothing filter is needed, and none could promise that.

Terms
    ceiling   mm above the base that the top may not pass; where there may be no pad it is the
              edge, the thickness that counts as nothing
    cone      how far the top may rise with distance from any point of the ceiling
    slope     of a face by the way it falls: medial faces may be steeper than all others
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array
from insole.planning.limits import Limits

__all__ = ["Feel", "feel_of", "pad_surface"]

KERNEL_MM = 6.0  # reach of one round of the cone; directions are then true to 0.4 %
FOOT_RADIUS_MM = 4.0  # hollow at the foot of a slope, so that it runs out without a crease
MARGIN_DEG = 0.5  # kept free for the grid's directions


@dataclass(frozen=True, slots=True, kw_only=True)
class Feel:
    """What the fingertip asks of a surface: slopes in degrees, radius and edge in mm."""

    slope: float
    slope_medial: float
    crest_radius: float
    edge: float


def feel_of(limits: Limits) -> Feel:
    """Return the feel that the planning limits ask for."""
    return Feel(
        slope=limits.value("feel.slope"), slope_medial=limits.value("feel.slope_medial"),
        crest_radius=limits.value("feel.crest_radius"), edge=limits.value("feel.edge"),
    )  # fmt: skip


def pad_surface(ceiling: Array, feel: Feel, *, cell: float = 1.0) -> Array:
    """Return the highest surface under `ceiling` that keeps slopes and crest radius.

    A ceiling below the edge counts as the edge. Lower envelope of the ceiling with cones (slope
    limit), softened where slopes run out into the edge, then the union of all balls of the
    crest radius that fit below (no convex curve is tighter). Nowhere above the ceiling, and
    monotone in it.

    Parameters
    ----------
    ceiling : ndarray, shape (nx, ny)
        mm; axis 0 along the bed, axis 1 across with +y medial.
    cell : float
        Grid spacing, mm.

    Returns
    -------
    ndarray, shape (nx, ny)
        mm, at least the edge.
    """
    ceiling = np.maximum(np.asarray(ceiling, dtype=float), feel.edge)
    soft = _under(_cone_envelope(ceiling, feel, cell), FOOT_RADIUS_MM, cell)
    return _opened(soft, feel, cell)


def _cone_envelope(ceiling: Array, feel: Feel, cell: float) -> Array:
    """Return the lower envelope of the ceiling with direction-dependent cones."""
    reach = max(2, round(KERNEL_MM / cell))
    out = ceiling
    offsets = [
        (i, j) for i in range(-reach, reach + 1) for j in range(-reach, reach + 1)
        if (i or j) and i * i + j * j <= reach * reach and math.gcd(i, j) == 1
    ]  # fmt: skip
    rise = [(i, j, _gauge(i * cell, j * cell, feel)) for i, j in offsets]
    # single grid steps carry the long way, primitive directions carry the shape
    for _ in range(200):
        before = out
        out = _least(out, rise, reach)
        if np.array_equal(out, before) or float(np.max(before - out)) < 1e-9:
            break
    return out


def _gauge(dx: float, dy: float, feel: Feel) -> float:
    """Return how far the top may rise over (dx, dy); going lateral it may rise faster.

    The face between a medial low point and a higher one lateral of it falls medially: that is
    the medial wall. Elliptic between the directions, so that the gauge is convex.
    """
    plain = math.tan(math.radians(feel.slope - MARGIN_DEG))
    medial = math.tan(math.radians(feel.slope_medial - MARGIN_DEG))
    return math.hypot(dx * plain, dy * (medial if dy < 0 else plain))


def _opened(z: Array, feel: Feel, cell: float) -> Array:
    """Return the union of all balls of the crest radius below `z` (grey opening).

    Only the cap of the ball that is as steep as the steepest slope can touch.
    """
    steep = math.radians(max(feel.slope, feel.slope_medial) + 3.0)
    reach = math.ceil(feel.crest_radius * math.sin(steep) / cell)
    at = cell * np.arange(-reach, reach + 1)
    square = at[:, None] ** 2 + at[None, :] ** 2
    cap = square <= (feel.crest_radius * math.sin(steep)) ** 2
    ball = np.sqrt(np.where(cap, feel.crest_radius**2 - square, 0.0)) - feel.crest_radius
    drops = [(int(i) - reach, int(j) - reach, -float(ball[i, j])) for i, j in np.argwhere(cap)]
    return -_least(-_least(z, drops, reach), drops, reach)


def _least(z: Array, rises: list[tuple[int, int, float]], reach: int) -> Array:
    """Return, per node, the least of `z` + rise over neighbours (di, dj, rise), border repeated."""
    padded = np.pad(z, reach, mode="edge")
    out = z.copy()
    n, m = z.shape
    for i, j, rise in rises:
        np.minimum(
            out, padded[reach - i : reach - i + n, reach - j : reach - j + m] + rise, out=out
        )
    return out


def _under(z: Array, radius: float, cell: float) -> Array:
    """Return the lower envelope of `z` with upward paraboloids of `radius`, axis by axis."""
    for axis in (0, 1):
        line = np.moveaxis(z, axis, 0)
        at = cell * np.arange(len(line))
        bowl = (at[:, None] - at[None, :]) ** 2 / (2.0 * radius)
        reach = math.sqrt(2.0 * radius * max(float(np.ptp(line)), 1e-9)) / cell
        half = min(len(line), int(reach) + 2)
        out = np.full(line.shape, np.inf)
        for k in range(-half + 1, half):
            lo, hi = max(0, -k), min(len(line), len(line) - k)
            height = bowl[0, abs(k)]
            np.minimum(out[lo:hi], line[lo + k : hi + k] + height, out=out[lo:hi])
        z = np.moveaxis(out, 0, axis)
    return z
