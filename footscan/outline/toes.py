"""Toes that a rough region lost: lines that were widened to close a gap close a toe's neck as well.

    region, lines, how far they were widened -> with_toes -> region and what lines enclose there

Cut off along a chord, the foremost toe would be missing in the length. So the ends of lines that
look at each other over a gap are joined by thin pieces, and what is then enclosed is added.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

__all__ = ["with_toes"]

TOE_CELLS = 6  # half of what a toe is broader than; bands between strokes are narrower
SPECK_CELLS = 8  # shorter lines have no ends


def with_toes(
    region: NDArray[np.bool_], lines: NDArray[np.bool_], reach: float
) -> NDArray[np.bool_]:
    """Return a region with what is enclosed beside it by lines and their joined ends.

    Parameters
    ----------
    region, lines : ndarray of bool, one shape
        The region that lines close around once they are widened; the lines, letters left aside.
    reach : float
        By how many cells to each side they were widened.
    """
    joined = lines | _joints(lines, 2.0 * reach + 2.0)
    whole = ndimage.binary_fill_holes(joined | region)
    added = whole & ~region
    core = ndimage.distance_transform_edt(added) > TOE_CELLS
    whole = region | (added & (ndimage.distance_transform_edt(~core) <= TOE_CELLS + 1))
    label, _ = ndimage.label(whole)
    return np.asarray(label == label[tuple(np.argwhere(region)[0])])


def _joints(lines: NDArray[np.bool_], longest: float) -> NDArray[np.bool_]:
    """Return straight pieces between ends of lines that are each other's nearest."""
    from skimage.morphology import skeletonize

    thin = skeletonize(lines)
    label, count = ndimage.label(thin, np.ones((3, 3)))
    sizes = np.bincount(label.ravel(), minlength=count + 1)
    around = ndimage.convolve(thin.astype(np.int8), np.ones((3, 3), np.int8), mode="constant")
    ends = np.argwhere(thin & (around == 2) & (sizes[label] > SPECK_CELLS)).astype(float)
    drawn = np.zeros_like(lines)
    if len(ends) < 2:
        return drawn
    away, other = cKDTree(ends).query(ends, k=2)
    for k, (far, mate) in enumerate(zip(away[:, 1], other[:, 1], strict=True)):
        if far <= longest and other[mate, 1] == k and k < mate:
            t = np.linspace(0.0, 1.0, int(2 * far) + 2)[:, None]
            at = np.round(ends[k] + t * (ends[mate] - ends[k])).astype(int)
            drawn[at[:, 0], at[:, 1]] = True
    return ndimage.binary_dilation(drawn)
