"""The face of a shoe's bed: heights measured on three lines, or a whole surface.

    BedHeights (contour gauge) | BedSurface (insole.shoe.bed_scan) -> Shoe.bed_height

Shares of the bed are those of :mod:`insole.shoe.shoe`; heights are mm above the bed's own
midline at the ball.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from footscan.scan import Array
from insole.record.tables import Table

__all__ = ["BALL_AT", "HEEL_AT", "STATIONS", "BedHeights", "BedSurface", "ramp", "read_surface"]

STATIONS = ("heel", "25 %", "45 %", "60 %", "ball")
HEEL_AT = 0.12  # middle of the heel seat as a share of the inside length, common practice
BALL_AT = 0.72  # 0.74 of a foot that is some 10 mm shorter than the shoe inside
LEAST_NODES, MOST_NODES = 9, 200  # of a stored surface, each way
LOW_MM, HIGH_MM = -40.0, 90.0  # no bed has lower or higher places


@dataclass(frozen=True, slots=True, kw_only=True)
class BedHeights:
    """Heights of the bed on three lines at heel, 25, 45, 60 % and ball, mm, any one datum."""

    medial: tuple[float, ...]
    midline: tuple[float, ...]
    lateral: tuple[float, ...]
    heel_at: float = HEEL_AT
    ball_at: float = BALL_AT

    def height(self, x: Array, y: Array, toe_spring: float) -> Array:
        """Return heights at shares (x, y), shape (n,) each, within the bed.

        Monotone cubic (PCHIP) along each line, then across: through every measured height, and
        never beyond two neighbours. Level behind the heel seat, toe spring ahead of the ball.
        """
        at = [0.0, self.heel_at, 0.25, 0.45, 0.60, self.ball_at, 1.0]
        lines = []
        for line in (self.lateral, self.midline, self.medial):
            own = np.array(line) - self.midline[-1]
            lines.append(_monotone(at, [own[0], *own, own[-1] + toe_spring], x))
        return _across(np.stack(lines), y)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BedSurface:
    """A bed's whole face on a grid of shares.

    Attributes
    ----------
    heights : ndarray, shape (nx, ny)
        mm above the midline at the ball; rows evenly from x_share 0 to 1, columns evenly from
        y_share -1 (lateral border) to +1 (medial border).
    ball_span : float
        mm from border to border at the ball station.
    origin : str
        Where it came from and how it was levelled, in words.
    """

    heights: Array
    ball_span: float
    origin: str

    def height(self, x: ArrayLike, y: ArrayLike) -> Array:
        """Return heights at shares (x, y), bicubic between nodes; held at the bed's edge."""
        from scipy.interpolate import RectBivariateSpline

        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        nx, ny = self.heights.shape
        nodes = np.linspace(0.0, 1.0, nx), np.linspace(-1.0, 1.0, ny)
        spline = RectBivariateSpline(*nodes, self.heights, s=0)
        return np.asarray(spline.ev(np.clip(x, 0.0, 1.0), np.clip(y, -1.0, 1.0)), dtype=float)

    @property
    def drop(self) -> float:
        """Height of the midline at the heel seat above that at the ball, mm."""
        heel, ball = self.height([HEEL_AT, BALL_AT], 0.0)
        return round(float(heel - ball), 2)

    @property
    def toe_spring(self) -> float:
        """Height of the midline at the front end above that at the ball, mm."""
        ball, front = self.height([BALL_AT, 1.0], 0.0)
        return round(float(front - ball), 2)

    @property
    def ball_tilt(self) -> float:
        """Tilt from border to border at the ball, degrees, + medial side up."""
        lateral, medial = self.height(BALL_AT, [-1.0, 1.0])
        return math.degrees(math.atan2(medial - lateral, self.ball_span))

    def record(self) -> dict[str, Any]:
        """Return plain data that :func:`read_surface` reads back."""
        return {
            "origin": self.origin,
            "ball_span": self.ball_span,
            "heights": [[float(z) for z in row] for row in self.heights],
        }


def read_surface(table: Table) -> BedSurface:
    """Return the surface that a plan's record of a shoe holds.

    Raises
    ------
    insole.errors.PlanError
        A key is missing, or the heights are not a grid of plausible numbers.
    """
    rows = table.get("heights")
    must = (
        f"{LEAST_NODES} to {MOST_NODES} rows of as many numbers each, "
        f"{LOW_MM:g} to {HIGH_MM:g} mm, as a plan stores them"
    )
    good = isinstance(rows, Sequence) and not isinstance(rows, str)
    try:
        heights = np.asarray(rows if good else [], dtype=float)
    except (TypeError, ValueError, OverflowError):
        raise table.fail("heights", must) from None
    sizes = heights.shape
    good = len(sizes) == 2 and all(LEAST_NODES <= n <= MOST_NODES for n in sizes)
    if not good or not ((heights >= LOW_MM) & (heights <= HIGH_MM)).all():
        raise table.fail("heights", must)
    heights.setflags(write=False)
    return BedSurface(
        heights=heights, ball_span=table.need("ball_span", 40, 150), origin=table.text("origin")
    )


def ramp(x: Array, drop: float, toe_spring: float) -> Array:
    """Return the bed of which only the drop is known: heel seat to ball, level across."""
    return _monotone([0.0, HEEL_AT, BALL_AT, 1.0], [drop, drop, 0.0, toe_spring], x)


def _monotone(at: Sequence[float], heights: Sequence[float], x: Array) -> Array:
    from scipy.interpolate import PchipInterpolator

    with np.errstate(over="ignore"):  # heights that differ by less than any real ones
        return np.asarray(PchipInterpolator(at, heights)(x), dtype=float)


def _across(lines: Array, y: Array) -> Array:
    """Return PCHIP across three lines (shape (3, n)) at y_share -1, 0, +1, one y per column."""
    from scipy.interpolate import PchipInterpolator

    with np.errstate(over="ignore"):
        curve = PchipInterpolator([-1.0, 0.0, 1.0], lines, axis=0)
    piece = (y >= 0).astype(int)
    column = np.arange(y.size)
    t = y - np.where(piece == 1, 0.0, -1.0)
    c = curve.c[:, piece, column]
    return np.asarray(((c[0] * t + c[1]) * t + c[2]) * t + c[3], dtype=float)
