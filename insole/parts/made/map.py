"""Deviation of a made part's top from its plan, cell by cell, and the places that stand out.

    Placed -> over_top -> TopMap -> patches -> Patch, for insole.parts.made.check

Frame: the planned part's, mm. Signs: scan minus plan along the plan's normal, + is too much
material. Places are measured from the part's own rear end and from its medial edge there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage

from footscan.scan import Array, BoolArray, IntArray, Side
from insole.parts.made.datums import Face, Held, Placed, faces_of
from insole.parts.made.planned import Planned

__all__ = ["Patch", "TopMap", "over_top", "patches"]

CELL_MM = 1.0
AVERAGED_MM = 1.0  # standard deviation of the window that averages the points, against noise
MARGIN_MM = 1.5  # of the top along the rim that is left to the rim
REACH_MM = 6.0  # a point farther off is no part of this top
LEAST_WEIGHT = 0.25  # of the window that must hold points: else a cell was not seen
PATCH_MM2 = 9.0  # a smaller spot is neither felt nor ground away
PLACE_SD_MM = 0.04  # of height over the whole part; from tests/benchmarks/made_part_study.py
MOST_PATCHES = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TopMap:
    """Deviation over the top.

    Attributes
    ----------
    x, y : ndarray
        Middles of the cells along and across, mm.
    on_top : ndarray, shape (len(x), len(y))
        Which cells the compared top has.
    deviation : ndarray, shape (len(x), len(y))
        Scan minus plan, averaged, mm; NaN outside the top and where nothing was seen.
    weight : ndarray, shape (len(x), len(y))
        Points in the averaging window.
    noise : float
        Standard deviation of single points around the averaged surface, mm.
    """

    x: Array
    y: Array
    on_top: BoolArray
    deviation: Array
    weight: Array
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A connected place of the top with too much or too little material.

    Attributes
    ----------
    amount : float
        Largest averaged deviation in it, mm; + too much.
    uncertainty : float
        95 % band of `amount`, mm.
    length, width : float
        Extent along and across the part, mm.
    from_rear, from_medial : float
        Its middle from the part's rear end and from its medial edge, mm.
    beyond : bool
        Whether it is beyond the tolerance.
    """

    amount: float
    uncertainty: float
    length: float
    width: float
    from_rear: float
    from_medial: float
    beyond: bool


def over_top(held: Placed) -> TopMap:
    """Return the deviation over the top of a placed part; its outermost 1.5 mm are left out."""
    both = held.held is Held.UNDER
    own, index = faces_of(held.points, held.normals, held.planned, Face.TOP, both=both)
    points = held.points[own]
    near, normals = held.planned.points[index[own]], held.planned.normals[index[own]]
    off = np.einsum("ij,ij->i", points - near, normals)
    inner = shapely.Polygon(held.planned.rim).buffer(-MARGIN_MM)
    keep = (np.abs(off) <= REACH_MM) & shapely.contains_xy(inner, *near[:, :2].T)
    off, at = off[keep], near[keep, :2]
    low, high = held.planned.rim.min(axis=0), held.planned.rim.max(axis=0)
    x, y = (np.arange(a + CELL_MM / 2, b, CELL_MM) for a, b in zip(low, high, strict=True))
    top = held.planned.points[held.planned.top][:, :2]
    on_top = np.zeros((len(x), len(y)), dtype=bool)
    on_top[_cells(top[shapely.contains_xy(inner, *top.T)], low, on_top.shape)] = True
    on_top = ndimage.binary_closing(on_top) | on_top  # cells that the samples missed
    cell = _cells(at, low, on_top.shape)
    mean, weight = _averaged(cell, off, on_top)
    stray = np.abs(off - mean[cell])
    noise = 1.4826 * float(np.median(stray)) if len(stray) else 0.0
    fine = stray <= 4 * noise + 0.3
    mean, weight = _averaged((cell[0][fine], cell[1][fine]), off[fine], on_top)
    return TopMap(x=x, y=y, on_top=on_top, deviation=mean, weight=weight, noise=noise)


def _cells(points: Array, low: Array, shape: tuple[int, ...]) -> tuple[IntArray, IntArray]:
    index = np.floor((points - low) / CELL_MM).astype(int)
    return np.clip(index[:, 0], 0, shape[0] - 1), np.clip(index[:, 1], 0, shape[1] - 1)


def _averaged(
    cell: tuple[IntArray, IntArray], off: Array, on_top: BoolArray
) -> tuple[Array, Array]:
    """Return means in a Gaussian window, NaN where it is too empty, and its points."""
    count, total = np.zeros(on_top.shape), np.zeros(on_top.shape)
    np.add.at(count, cell, 1.0)
    np.add.at(total, cell, off)
    sigma = AVERAGED_MM / CELL_MM
    points = ndimage.gaussian_filter(count, sigma, mode="constant", truncate=3)
    mean = ndimage.gaussian_filter(total, sigma, mode="constant", truncate=3)
    mean = mean / np.maximum(points, 1e-9)
    filled = ndimage.gaussian_filter(
        (ndimage.binary_dilation(count > 0) & on_top).astype(float), sigma, mode="constant"
    )
    own = ndimage.gaussian_filter(on_top.astype(float), sigma, mode="constant")
    seen = on_top & (filled > LEAST_WEIGHT * np.maximum(own, 1e-9)) & (points > 0.02)
    window = 4 * np.pi * sigma**2  # of a Gaussian: as many equal cells
    return np.where(seen, mean, np.nan), points * window


def patches(top: TopMap, target: Planned, tolerance: float) -> tuple[Patch, ...]:
    """Return the places beyond the tolerance, largest first, and the highest and lowest one.

    Parameters
    ----------
    top : TopMap
        With at least one seen cell.
    target : Planned
        Whose rim places are measured from.
    tolerance : float
        mm; spots of less than 9 mm2 beyond it are left out.
    """
    measure = _Measure(top, target)
    deviation, value = top.deviation, np.nan_to_num(top.deviation)
    found = []
    for sign in (1.0, -1.0):
        labels, count = ndimage.label(sign * value > tolerance)
        for number in range(1, count + 1):
            mask = labels == number
            if mask.sum() * CELL_MM**2 >= PATCH_MM2:
                found.append(
                    (float(np.abs(value[mask]).sum()), measure.patch(mask, sign, beyond=True))
                )
    found.sort(key=lambda one: -one[0])
    worst = [patch for _, patch in found[:MOST_PATCHES]]
    for sign in (1.0, -1.0):
        most = float(np.nanmax(sign * deviation))
        if not any(patch.amount * sign > 0 for patch in worst) and most > 0:
            labels, _ = ndimage.label(sign * value > 0.7 * most)
            at = np.unravel_index(np.nanargmax(sign * deviation), deviation.shape)
            worst.append(measure.patch(labels == labels[at], sign, beyond=False))
    return tuple(worst)


class _Measure:
    """Measures patches of one map."""

    def __init__(self, top: TopMap, target: Planned) -> None:
        self.top, self.target, self.shape = top, target, shapely.Polygon(target.rim)

    def patch(self, mask: BoolArray, sign: float, *, beyond: bool) -> Patch:
        """Return the patch on the cells of a mask."""
        i, j = np.nonzero(mask)
        inside = sign * self.top.deviation[i, j]
        amount = float(np.nanpercentile(inside, 95))
        points = float(np.nanmedian(self.top.weight[i, j]))
        spread = float(np.hypot(self.top.noise / np.sqrt(max(points, 1.0)), PLACE_SD_MM))
        share = np.abs(inside) / np.abs(inside).sum()
        middle = float(share @ self.top.x[i]), float(share @ self.top.y[j])
        rear, medial = self._from_edges(*middle)
        return Patch(
            amount=sign * amount,
            uncertainty=1.96 * spread,
            length=float((np.ptp(i) + 1) * CELL_MM),
            width=float((np.ptp(j) + 1) * CELL_MM),
            from_rear=rear,
            from_medial=medial,
            beyond=beyond,
        )

    def _from_edges(self, x: float, y: float) -> tuple[float, float]:
        low, high = self.target.rim[:, 1].min() - 1, self.target.rim[:, 1].max() + 1
        cut = self.shape.intersection(shapely.LineString([(x, low), (x, high)]))
        ends = cut.bounds if not cut.is_empty else (x, low, x, high)
        medial = ends[3] - y if self.target.side is Side.RIGHT else y - ends[1]
        return x - float(self.target.rim[:, 0].min()), float(medial)
