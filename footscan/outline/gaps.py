"""Which gaps of a drawn line can be bridged: it depends on what is read there.

    Contour + ring looking forward -> bearable, or OutlineError

Along the waist the border is nearly straight and carries no measure; around the heel it is an arc
that goes on as its ends bend; at the ball the breadth is read; and at the toes nobody can guess
how far the missing one reaches. Made-up feet with gaps cut into their outlines, largest errors of
length and breadth: toes 14 mm 0.4, 20 mm 2.1, 26 mm 3.3; ball 26 mm 1.4, 32 mm 2.0, 40 mm 3.0;
heel 32 mm 0.8, 48 mm 2.4; waist 48 mm 0.5 (`tests/benchmarks/gap_study.py`).
"""

from __future__ import annotations

import numpy as np

from footscan.outline.closed import runs
from footscan.outline.contour import STEP_MM, Contour
from footscan.outline.errors import OutlineError
from footscan.scan import Array

__all__ = ["bearable", "place_of"]

TOES, BALL, HEEL = 0.93, 0.60, 0.08  # share of the length: ahead of, ahead of, behind
LIMIT_MM = {"toes": 18.0, "ball": 32.0, "heel": 32.0, "waist": 44.0}
WORDS = {
    "toes": "at the foremost toes, where the length is read",
    "ball": "beside the ball and the toes, where the breadth is read",
    "heel": "around the heel, where the length is read",
    "waist": "between heel and ball",
}


def place_of(share: Array) -> str:
    """Return where a gap lies, by the shares of the foot's length that it runs over."""
    if float(share.max()) > TOES:
        return "toes"
    if float(share.min()) < HEEL:
        return "heel"
    return "ball" if float(share.max()) > BALL else "waist"


def bearable(drawn: Contour, ahead: Array, ring: Array, name: str) -> None:
    """Refuse a gap that is longer than what can be bridged where it lies.

    Parameters
    ----------
    drawn : Contour
        The line, sheet's frame.
    ahead : ndarray, shape (n, 2)
        The foot's outline with its toes along +x and its heel at 0, mm.
    ring : ndarray, shape (n, 2)
        The same points in the sheet's frame.
    name : str
        Of the photograph.

    Raises
    ------
    footscan.outline.errors.OutlineError
        ``open-outline``.
    """
    rows = np.column_stack([ring, np.ones(len(ring))])
    way, *_ = np.linalg.lstsq(rows, ahead[:, 0], rcond=None)
    share = (drawn.ring @ way[:2] + way[2]) / float(np.ptp(ahead[:, 0]))
    for first, length in runs(~drawn.seen):
        at = np.arange(first, first + length) % len(share)
        place, long = place_of(share[at]), length * STEP_MM
        if long > LIMIT_MM[place]:
            raise OutlineError(
                "open-outline",
                f"{name}: the outline is open over {long:.0f} mm {WORDS[place]}; at most "
                f"{LIMIT_MM[place]:.0f} mm can be bridged there; draw the missing part and "
                "photograph it again",
            )
