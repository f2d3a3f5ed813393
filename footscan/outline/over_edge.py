"""Whether the drawn line goes on over the sheet's edge where the outline was only bridged.

Flat, crests, ring of the outline, where it was seen -> goes_over
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.outline.closed import runs
from footscan.outline.line import PER_MM, Flat
from footscan.scan import Array

__all__ = ["goes_over"]

STRIP_MM = 5.0  # along the sheet's edge; the outermost millimetres are not read
OWN_MM, NEAR_MM = 2.0, 5.0  # the outline's own line; how near to a gap's end another one begins
LEAST_GAP_MM = 8.0


def goes_over(
    flat: Flat, crest: NDArray[np.bool_], ring: Array, seen: NDArray[np.bool_], step: float
) -> bool:
    """Return whether lines run from both ends of a gap to the edge of the sheet.

    Toes drawn over the edge leave such a gap: closed across the sheet, the foot is too short.

    Parameters
    ----------
    flat : Flat
    crest : ndarray of bool
        Where lines are, in the flattened sheet's cells.
    ring : ndarray, shape (n, 2)
        The outline, sheet's frame, mm, evenly spaced by `step`.
    seen : ndarray of bool, shape (n,)
        Where it was seen, and not bridged.
    step : float
        mm.
    """
    gaps = [run for run in runs(~seen) if run[1] * step >= LEAST_GAP_MM]
    if not gaps or not seen.any():
        return False
    rows, columns = (np.round(a).astype(int) for a in flat.to_cells(ring[seen]))
    away = np.ones_like(crest)
    away[np.clip(rows, 0, len(crest) - 1), np.clip(columns, 0, len(crest[0]) - 1)] = False
    others = crest & (ndimage.distance_transform_edt(away) > OWN_MM * PER_MM)
    label, _ = ndimage.label(others, np.ones((3, 3)))
    strip = round(STRIP_MM * PER_MM)
    sides = (label[:strip], label[-strip:], label[:, :strip], label[:, -strip:])
    leaving = np.setdiff1d(np.concatenate([np.unique(side) for side in sides]), [0])
    if not len(leaving):
        return False
    far = ndimage.distance_transform_edt(~np.isin(label, leaving)) / PER_MM
    beside = max(1, round(NEAR_MM / step))
    for first, length in gaps:
        ends = (
            np.arange(first - beside, first + beside) % len(ring),
            np.arange(first + length - beside, first + length + beside) % len(ring),
        )
        near = [
            ndimage.map_coordinates(far, flat.to_cells(ring[at]), order=0, mode="nearest").min()
            for at in ends
        ]
        if max(near) <= NEAR_MM:
            return True
    return False
