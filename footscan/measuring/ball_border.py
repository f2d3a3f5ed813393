"""Border points of the ball: the most medial and the most lateral place of its borders in plan.

    Cloud -> border_points, spread

The whole border within a window is weighed, place by place: by how far it bulges beyond the chord
from the heel's to the toes' side, by how parallel to the axis it runs (a peak does; a straight
big toe has none), and weakly by where the ball usually lies. The point is the mean under these
weights, refined by a local fit where they name one place. No place is chosen over another, so
that two that are almost as good share the point, and their distance is its uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.scan import Array

__all__ = ["BALL_TOP_MM", "WINDOW", "border_points", "chord", "profile", "spread"]

BALL_TOP_MM = 45.0  # the ball's borders lie below this height
WINDOW = {+1: (0.60, 0.85), -1: (0.52, 0.75)}  # searched, share of length; +1 medial
FADE = 0.7  # mm of bulge per mm beyond the window
# Usual place, and how far off costs half a millimetre of bulge: this weighs one peak against
# another (ball and base of the little toe). Means: ANSUR II 2012. The lateral place goes with the
# medial point, which is surer: at a fixed share it held the point back when the ball moved. And it
# is held closer to it: on a flat lateral border the side of the little toe, 22 to 27 mm ahead, was
# taken for the ball when that moved back.
USUAL = {+1: (0.740, 0.070), -1: (0.637, 0.050)}
CHORD_ENDS = ((0.12, 0.25), (0.86, 0.97))  # heel's and toes' side, share of length
STATION_MM, SLAB_MM = 2.0, 3.0  # the border is read every 2 mm, from 3 mm to both sides
BORDER_SMOOTH_MM = 6.0  # standard deviation of the border's smoothing
PEAK_MM = 1.5  # a peak is worth as much as a place that bulges this much more
LEVEL_SLOPE = 0.04  # a border that leaves the axis by this much per mm is hardly a peak
# A place that is lower by this much counts 1/e: noise and a turn of the axis do as much.
ALIKE_MM = 0.1
CLEAR_MM = 4.5  # weights closer together name one place, which a local fit then refines
BORDER_RADIUS_MM = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """A border in plan: stations, their weights, and where the weights lie."""

    x: Array
    weight: Array
    shape: Array  # weights without the usual place

    @property
    def middle(self) -> float:
        return float(self.weight @ self.x)

    @property
    def spread(self) -> float:
        return float(np.sqrt(self.shape @ (self.x - self.middle) ** 2))


def border_points(cloud: Cloud, length: float) -> tuple[Array, Array]:
    """Return metatarsale tibiale and fibulare, foot frame, mm.

    Parameters
    ----------
    cloud : Cloud
        Foot frame (x from the pternion), mm.
    length : float
        Foot length, mm.

    Raises
    ------
    ValueError
        The ball is not in the scan.
    """
    medial = _border_point(cloud, length, +1, USUAL[+1][0])
    return medial, _border_point(cloud, length, -1, _beside(medial, length))


def _beside(medial: Array, length: float) -> float:
    """Return the usual share of length of the lateral point, beside a medial one found there."""
    return USUAL[-1][0] + float(medial[0]) / length - USUAL[+1][0]


def spread(cloud: Cloud, length: float, sign: int) -> float:
    """Return how far the places spread that might as well be the border point, mm.

    The standard deviation along the foot, about the point, of the weights by shape alone, on the
    medial (+1) or lateral (-1) border: 1 to 2 mm at a clear peak, nearly a third of its length on
    a plateau.
    """
    usual = USUAL[+1][0]
    if sign < 0:
        usual = _beside(_border_point(cloud, length, +1, usual), length)
    return _weighed(cloud.points, length, sign, usual).spread


def _weighed(points: Array, length: float, sign: int, usual: float) -> _Weighed:
    """Return the border with the weights of its places, which sum to 1."""
    low, high = (share * length for share in WINDOW[sign])
    x, reach = profile(points, length, sign)
    level = np.gradient(reach, STATION_MM) / LEVEL_SLOPE
    score = reach - chord(points, length, sign) * x + PEAK_MM * np.exp(-0.5 * level**2)
    score -= FADE * (np.maximum(low - x, 0.0) + np.maximum(x - high, 0.0))
    likely = score - 0.5 * ((x / length - usual) / USUAL[sign][1]) ** 2
    weight, shape = (np.exp((s - s.max()) / ALIKE_MM) for s in (likely, score))
    return _Weighed(x, weight / weight.sum(), shape / shape.sum())


def _border_point(cloud: Cloud, length: float, sign: int, usual: float) -> Array:
    """Return the ball's border point on the medial (+1) or lateral (-1) side."""
    found = _weighed(cloud.points, length, sign, usual)
    middle = found.middle
    outward = np.array([0.0, sign, 0.0])
    points = cloud.points
    near = (np.abs(points[:, 0] - middle) <= 8.0) & (points[:, 2] <= BALL_TOP_MM)
    if not near.any():
        raise ValueError("the ball of the foot is not seen")
    bound = np.array([[middle - 6.0, -np.inf, -np.inf], [middle + 6.0, np.inf, BALL_TOP_MM]])
    peak = smooth_extreme(cloud, outward, near, BORDER_RADIUS_MM, bound)
    clear = 1.0 / (1.0 + (found.spread / CLEAR_MM) ** 6)
    x = middle + clear * (peak[0] - middle)
    bound = np.array([[x, -np.inf, -np.inf], [x, np.inf, BALL_TOP_MM]])
    return smooth_extreme(cloud, outward, near, BORDER_RADIUS_MM, bound)


def profile(points: Array, length: float, sign: int) -> tuple[Array, Array]:
    """Return stations x and the smoothed reach of the border towards `sign`, mm.

    Raises
    ------
    ValueError
        Less than a third of the border is in the scan.
    """
    low, high = (w * length for w in WINDOW[sign])
    margin = 2.5 * BORDER_SMOOTH_MM
    x = np.arange(low - margin, high + margin, STATION_MM)
    part = (points[:, 2] <= BALL_TOP_MM) & (np.abs(points[:, 0] - (low + high) / 2) < length / 4)
    chosen = points[part]
    chosen = chosen[np.argsort(chosen[:, 0], kind="stable")]
    start, stop = (np.searchsorted(chosen[:, 0], x + side) for side in (-SLAB_MM, SLAB_MM))
    reach = np.full(len(x), np.nan)
    for i, (a, b) in enumerate(zip(start, stop, strict=True)):
        if b - a >= 4:
            most = min(4, max(1, (b - a) // 8))  # a mean of the farthest few: noise reads long
            reach[i] = np.partition(sign * chosen[a:b, 1], -most)[-most:].mean()
    seen = np.isfinite(reach)
    if seen.sum() < len(x) / 3:
        raise ValueError("the ball of the foot is not seen")
    reach = np.interp(x, x[seen], reach[seen])
    return x, ndimage.gaussian_filter1d(reach, BORDER_SMOOTH_MM / STATION_MM)


def chord(points: Array, length: float, sign: int) -> float:
    """Return the outward slope of the chord from the heel's to the toes' side, 0 if unseen."""
    low = points[points[:, 2] <= BALL_TOP_MM]
    ends = []
    for start, stop in CHORD_ENDS:
        part = low[(low[:, 0] >= start * length) & (low[:, 0] <= stop * length)]
        if len(part) < 6:
            return 0.0
        ends.append(part[np.argsort(sign * part[:, 1])[-5:], :2].mean(axis=0))
    along = ends[1] - ends[0]
    return float(sign * along[1] / along[0])
