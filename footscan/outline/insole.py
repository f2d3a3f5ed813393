"""The outline of a stock insole that was drawn around on a sheet, for the shoe file.

    path -> trace_insole -> InsoleOutline -> csv, stations

Frame: mm, x from the heel to the toes along heel's and ball's middle, y to the left as seen from
above: what a shoe file's ``[outline]`` wants. Nothing is mirrored; the side is stated, since
insoles of either side are too much alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from footscan.outline import marks, photo, trace
from footscan.scan import Array, Side

__all__ = ["InsoleOutline", "trace_insole"]

WORK_SD_MM = 0.5  # of the work on the picture; as for feet
BALL_SPAN, HEEL_SPAN = (0.55, 0.85), (0.10, 0.25)  # shares of the length
CSV_STEP_MM = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InsoleOutline:
    """The outline of a stock insole.

    Attributes
    ----------
    file : str
        The photo.
    side : Side
        As stated.
    ring : ndarray, shape (n, 2)
        mm, see the module's text; counter-clockwise.
    length, ball_width, heel_width : float
        Stations, mm.
    sd : float
        Standard deviation of each, mm; of the length, for the others it is less.
    paper : str
        In words.
    """

    file: str
    side: Side
    ring: Array = field(repr=False)
    length: float
    ball_width: float
    heel_width: float
    sd: float
    paper: str

    def csv(self) -> str:
        """Return x, y rows for a shoe file, 2 mm apart."""
        step = max(1, round(CSV_STEP_MM / (marks.STATION_MM / 2)))
        rows = [f"{x:.2f},{y:.2f}" for x, y in self.ring[::step].tolist()]
        return "\n".join(["x,y", *rows]) + "\n"


def trace_insole(
    path: str | Path, side: Side, paper: str | None = None, barrel: float | None = None
) -> InsoleOutline:
    """Return the outline of an insole that somebody drew around.

    Parameters
    ----------
    path : str or Path
        The photograph; the insole itself is off the sheet.
    side : Side
        Which shoe it is from.
    paper, barrel : str or None, float or None
        As in :class:`footscan.outline.trace.Asked`.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The photograph cannot be used.
    """
    asked = trace.Asked(paper=paper, side=side, barrel=barrel)
    picture = photo.read(path)
    sheet, _, drawn = trace.outline_of(picture, paper)
    ring = marks.neutral(marks.forward(marks.foot_ring(drawn.ring, asked.allowance), picture.name))
    (x, left), (_, right) = marks.edges(ring)
    length = float(np.ptp(ring[:, 0]))
    widths = []
    for low, high in (BALL_SPAN, HEEL_SPAN):
        inside = (x > low * length) & (x < high * length)
        widths.append(float((left - right)[inside].max()))
    sd = math.hypot(WORK_SD_MM, sheet.paper.scale_sd * length, 2 * asked.allowance_sd)
    return InsoleOutline(
        file=picture.name,
        side=side,
        ring=ring,
        length=length,
        ball_width=widths[0],
        heel_width=widths[1],
        sd=round(sd, 2),
        paper=sheet.paper.words,
    )
