"""Coverage and noise over the foot, as maps for pictures.

    MeasuredFoot -> maps -> ScanMaps

Two sheets. Below: the sole in plan, cells of 8 mm. Around: the whole foot unrolled, stations of
8 mm along it and sectors of 10 degrees about its middle, 0 medial, 90 up, 180 lateral, 270 down.

Terms
    coverage   share of the cells of a region in which any surface was seen
    noise      robust scatter of points against local quadrics, one standard deviation, mm
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.foot import Foot, sampled
from footscan.quality.sole import ARCH, BALL, HEEL, plan_filled, seen_share
from footscan.quality.surface import Patches, patches, spacing_mm
from footscan.quality.view import open_sole
from footscan.results import MeasuredFoot
from footscan.scan import Array, BoolArray

__all__ = ["CELL_MM", "SECTOR_DEG", "ScanMaps", "maps"]

CELL_MM = 8.0
SECTOR_DEG = 10.0
SAMPLE_MM = 2.0
TOP_MM = 75.0  # the leg is not foot
PATCHES = 4000
LEAST_PATCHES = 2
# sectors (degrees) and stations (shares of length) of the regions around
AROUND = {
    "medial border": ((-40.0, 40.0), (0.10, 0.75)),
    "lateral border": ((140.0, 220.0), (0.10, 0.70)),
    "dorsum": ((40.0, 140.0), (0.50, 0.80)),
    "toes": ((-180.0, 180.0), (0.82, 0.95)),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScanMaps:
    """Where the foot was seen, and how noisily.

    Attributes
    ----------
    coverage : mapping of str to float
        Share seen, 0 to 1, of ``heel``, ``arch``, ``ball`` (from below), ``toes``,
        ``medial border``, ``lateral border`` and ``dorsum``.
    x, y : ndarray, shapes (nx,) and (ny,)
        Middles of the cells below, foot frame, mm.
    sole_seen : ndarray, shape (nx, ny)
        Share of each cell of the sole's plan that was seen; NaN beside the sole.
    sole_noise : ndarray, shape (nx, ny)
        mm; NaN where there are too few points.
    station, sector : ndarray, shapes (ns,) and (na,)
        Middles of the cells around: mm along the foot, degrees.
    seen : ndarray of bool, shape (ns, na)
        Whether any surface was seen.
    noise : ndarray, shape (ns, na)
        mm; NaN where there are too few points.
    """

    coverage: Mapping[str, float]
    x: Array
    y: Array
    sole_seen: Array
    sole_noise: Array
    station: Array
    sector: Array
    seen: BoolArray
    noise: Array


def maps(measured: MeasuredFoot) -> ScanMaps:
    """Return coverage and noise maps of a measured foot.

    Noise is that of the cleaned surface. Scans denser than 1.1 mm were averaged to that spacing
    while cleaning, so that their maps read less noise than single points have.
    """
    foot = measured.foot
    x, y, sole_seen = _sole_seen(foot)
    sole_fits = _fits(foot.vertices[_faces_down(foot)])
    station, sector, seen, middle = _around(foot)
    fits = _fits(foot.vertices[foot.vertices[:, 2] < TOP_MM])
    return ScanMaps(
        coverage=_coverage(foot, station, sector, seen),
        x=x,
        y=y,
        sole_seen=sole_seen,
        sole_noise=_per_cell(
            np.floor((sole_fits.at[:, :2] - [x[0], y[0]]) / CELL_MM + 0.5),
            sole_fits.noise,
            sole_seen.shape,
        ),
        station=station,
        sector=sector,
        seen=seen,
        noise=_per_cell(_place(fits.at, station, middle), fits.noise, seen.shape),
    )


def _fits(points: Array) -> Patches:
    if len(points) < 200:
        return patches(points, 1.0)
    return patches(points, spacing_mm(points), PATCHES)


def _faces_down(foot: Foot) -> BoolArray:
    """Return which vertices lie on the sole."""
    height = foot.sole.height(foot.vertices[:, 0], foot.vertices[:, 1])
    return np.abs(foot.vertices[:, 2] - height) < 3.0


def _sole_seen(foot: Foot) -> tuple[Array, Array, Array]:
    """Return cell middles and the share seen of the sole's plan per cell."""
    sole = open_sole(foot)
    seen, plan = np.isfinite(sole.z), plan_filled(foot)
    size = round(CELL_MM / sole.cell)
    short = [(-n) % size for n in seen.shape]
    blocks = [
        np.pad(one, [(0, n) for n in short])
        .reshape((seen.shape[0] + short[0]) // size, size, (seen.shape[1] + short[1]) // size, size)
        .sum(axis=(1, 3))
        for one in (seen, plan)
    ]
    # a cell of which the plan holds less than a tenth is border
    share = np.where(blocks[1] > 0.1 * size**2, blocks[0] / np.maximum(blocks[1], 1), np.nan)
    x, y = (
        start + (size * np.arange(n) + (size - 1) / 2) * sole.cell
        for start, n in zip((sole.x[0], sole.y[0]), share.shape, strict=True)
    )
    return x, y, share


def _around(foot: Foot) -> tuple[Array, Array, BoolArray, Array]:
    """Return stations, sectors, where surface was seen, and the middle (y, z) per station."""
    low = foot.faces[(foot.vertices[foot.faces, 2] < TOP_MM).all(axis=1)]
    points = sampled(foot.vertices, low, SAMPLE_MM)
    number = max(1, int(np.ceil(foot.length / CELL_MM)))
    station = CELL_MM * (np.arange(number, dtype=np.float64) + 0.5)
    sector = SECTOR_DEG * (np.arange(round(360 / SECTOR_DEG), dtype=np.float64) + 0.5)
    row = np.floor(points[:, 0] / CELL_MM).astype(int)
    middle = np.zeros((number, 2))
    for k in range(number):
        own = points[row == k, 1:]
        if len(own):
            middle[k] = (own.min(axis=0) + own.max(axis=0)) / 2
    place = _place(points, station, middle).astype(int)
    inside = (place[:, 0] >= 0) & (place[:, 0] < number)
    seen = np.zeros((number, len(sector)), dtype=bool)
    seen[place[inside, 0], place[inside, 1]] = True
    return station, sector, seen, middle


def _place(points: Array, station: Array, middle: Array) -> Array:
    """Return station and sector of points, as whole numbers."""
    row = np.floor(points[:, 0] / CELL_MM)
    at = middle[np.clip(row.astype(int), 0, len(station) - 1)]
    angle = np.degrees(np.arctan2(points[:, 2] - at[:, 1], points[:, 1] - at[:, 0])) % 360
    return np.stack([row, np.minimum(np.floor(angle / SECTOR_DEG), 360 / SECTOR_DEG - 1)], axis=1)


def _per_cell(place: Array, value: Array, shape: tuple[int, ...]) -> Array:
    """Return the median value per cell, NaN where fewer than two patches lie in it."""
    place = place.astype(np.int64)
    inside = ((place >= 0) & (place < np.array(shape))).all(axis=1)
    key = place[inside, 0] * shape[1] + place[inside, 1]
    number = np.arange(shape[0] * shape[1])
    count = np.bincount(key, minlength=len(number))
    result = np.full(len(number), np.nan)
    some = number[count >= LEAST_PATCHES]
    if len(some):
        result[some] = ndimage.median(value[inside], key, some)
    return result.reshape(shape)


def _coverage(foot: Foot, station: Array, sector: Array, seen: BoolArray) -> dict[str, float]:
    """Return the share seen per region."""
    shares = {
        name: seen_share(foot, *zone)
        for name, zone in (("heel", HEEL), ("arch", ARCH), ("ball", BALL))
    }
    for name, ((first, last), (low, high)) in AROUND.items():
        turned = (sector - first) % 360 < last - first
        rows = (station > low * foot.length) & (station < high * foot.length)
        shares[name] = float(seen[np.ix_(rows, turned)].mean())
    return shares
