"""The sole that a plan keeps: seated, lowered, smooth, and finite everywhere on the base.

    Seating -> sole_grid -> HeightGrid (FootPlan.sole) -> insole.parts.form

A scan's sole ends where the flanks turn upright, and may have holes. Holes are bridged; beyond
the border the sole goes on upward, at 45 degrees where it ends and steeper with distance, so
that heel and medial wall continue as they began. All of it is then low-passed like a pad.

Terms
    seen      places of the bed above which the scan shows the sole
    border    seen places beside unseen ones
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.planning.seating import Seating
from insole.planning.support.ceilings import low_pass
from insole.record.limits import Limits
from insole.record.values import HeightGrid

__all__ = ["MARGIN_MM", "continued", "sole_grid"]

MARGIN_MM = 15.0  # around the base's box: what a form takes beyond the base, and some more
STEP = 3  # mm between stored nodes: under the cut-off wavelength a third of it holds everything
WALL_MM = 15.0  # above the highest place of the border: higher than any rim of a footbed
STEEPER_MM = 8.0  # over which the continued flank gets one more in slope, 45 to 63 degrees and on
RIBS_MM = 4.0  # standard deviation of the smoothing along the continued flanks
AT_ONCE = 128  # places handled together: small enough for the processor's cache


def sole_grid(seating: Seating, limits: Limits) -> HeightGrid | None:
    """Return the seated sole above the bed frame's z = 0, mm, on a grid 3 mm apart.

    Parameters
    ----------
    seating : Seating
        Foot on the bed, lowered, with the wedges' roll.
    limits : Limits
        ``feel.cutoff`` is the shortest wavelength kept.

    Returns
    -------
    HeightGrid or None
        Covers the base's box and 15 mm around it, finite, rounded to 0.01 mm; None when the
        scan shows no sole above the base.
    """
    low = np.floor(seating.base.min(axis=0) - MARGIN_MM)
    count = np.ceil((seating.base.max(axis=0) + MARGIN_MM - low) / STEP).astype(int) + 1
    x, y = (low[k] + np.arange((count[k] - 1) * STEP + 1.0) for k in range(2))
    z = seating.sole.height(*np.meshgrid(x, y, indexing="ij"))
    if not np.isfinite(z).any():
        return None
    smooth = low_pass(continued(z), limits.value("feel.cutoff"))
    kept = np.round(smooth[::STEP, ::STEP], 2) + 0.0
    return HeightGrid(x0=float(low[0]), y0=float(low[1]), step=float(STEP), z=kept.tolist())


def continued(z: Array) -> Array:
    """Return heights with holes bridged and flanks continued: finite everywhere."""
    z = np.ascontiguousarray(z, dtype=float)
    return _remembered(z.tobytes(), z.shape).copy()


@lru_cache(maxsize=6)
def _remembered(data: bytes, shape: tuple[int, ...]) -> Array:
    """Return :func:`continued` of a sole: planned again with another wish, it is the same one."""
    return _continued(_bridged(np.frombuffer(data).reshape(shape)))


def _bridged(z: Array) -> Array:
    """Return heights with holes inside the sole filled from their rims, linearly."""
    from scipy.interpolate import griddata

    seen = np.isfinite(z)
    holes = ndimage.binary_fill_holes(seen) & ~seen
    if not holes.any():
        return z
    rim = ndimage.binary_dilation(holes, iterations=2) & seen
    out = z.copy()
    out[holes] = griddata(np.argwhere(rim), z[rim], np.argwhere(holes), method="linear")
    return out


def _continued(z: Array) -> Array:
    """Return heights that go on beyond the border: the lowest of walls rising from its places.

    The lowest of many rising walls has no cliff, whatever the border's form.
    """
    seen = np.isfinite(z)
    if seen.all():
        return z
    border = seen & ~ndimage.binary_erosion(seen, border_value=1)
    feet, heights = np.argwhere(border).astype(float), z[border]
    coarse = z[::2, ::2].copy()  # the walls are smooth: every other node, and lines between
    unseen = ~np.isfinite(coarse)
    places = 2.0 * np.argwhere(unseen)
    found = np.zeros(len(places))
    for start in range(0, len(places), AT_ONCE):
        part = places[start : start + AT_ONCE]
        away = np.hypot(part[:, :1] - feet[None, :, 0], part[:, 1:] - feet[None, :, 1])
        walls = heights + away + away**2 / (2.0 * STEEPER_MM)
        found[start : start + AT_ONCE] = walls.min(axis=1)
    coarse[unseen] = np.minimum(found, heights.max() + WALL_MM)
    at = np.meshgrid(*(np.arange(n) / 2.0 for n in z.shape), indexing="ij")
    out = np.where(seen, z, ndimage.map_coordinates(coarse, at, order=1, mode="nearest"))
    # the scan's last places are uneven, and walls copy them as ribs
    return np.where(seen, out, ndimage.gaussian_filter(out, RIBS_MM, mode="nearest"))
