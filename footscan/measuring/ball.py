"""Ball of the foot: metatarsal heads, from the foot's own shape.

    Cloud, mesh -> ball_border.border_points -> heads

A head is placed by several marks of its neighbourhood, each of which moves with the ball:

    borders    beside the heads: the two border points and the arc that heads form between them
    bumps      the lowest places of an unloaded ball, under the first and the fifth head
    front      ahead of the heads: where the sole leaves the ball pad
    webs       ahead of the heads: where toes part, where a gap is seen

Each mark says where the head is, by a distance that is a share of foot length. They are averaged
by their variances, so that no single one (a border without a clear peak, toes that touch)
decides, and marks behind and ahead balance when a ball lies farther forward than usual. The
variances follow smoothly from what was seen: no mark comes or goes at once.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.foot import SoleMap, face_normals, sampled, sole_map
from footscan.scan import Array, IntArray, whole

__all__ = [
    "HEADS",
    "JOINT_AHEAD",
    "Head",
    "heads",
    "heads_from_borders",
]

HEADS = ("mth1", "mth2", "mth3", "mth4", "mth5")
# Joint centres of body models lie ahead of the heads as placed here by this share of foot length,
# with a standard deviation of 2 mm (CALC from 50 feet made with an open parametric body model; as
# one length for all feet it would be 2.8 mm). Our heads agree with the truncated foot length of
# adults, heel to first joint: about 73 % of foot length (McPoil et al. 2008, Foot 18:220; value
# from memory).
JOINT_AHEAD = 0.055

# ------------------------------------------------------------------------------- heads
# Centre of the first and fifth head against their border points, share of ball breadth: inwards
# by half the head and the skin beside it, and slightly ahead. CALC from the joint centres of an
# open parametric body model (inwards 13 to 15 % and 9 to 11 %) and from specimens.
HEAD1_INSET, HEAD1_AHEAD = 0.140, 0.025
HEAD5_INSET, HEAD5_AHEAD = 0.111, 0.035
# The second to fourth head across the foot, between head 1 (0) and head 5 (1); same source.
HEAD_SHARES = {"mth2": 0.34, "mth3": 0.575, "mth4": 0.795}
# How far ahead of the first head the second and third lie, share of ball breadth: the second is
# the foremost, the third about level with the first. The fourth lies this share of the way back
# from the third to the fifth.
HEAD2_AHEAD, HEAD3_AHEAD, HEAD4_BACK = 0.063, 0.015, 0.41
# Distance of each mark from its head, share of foot length, and its standard deviation, mm.
# Bumps (ahead is +) and front: CALC from specimens. Webs: CALC from body-model feet, whose toes
# are apart, less 13.5 mm; scans of closed toes do not show where the toes part.
BUMP_BACK = (0.014, 0.014)
BUMP_ZONE = (-0.12, 0.06)  # searched about the head, share of length
FRONT_AHEAD = {"mth1": 0.068, "mth2": 0.050, "mth3": 0.042, "mth4": 0.044, "mth5": 0.055}
WEB_AHEAD = {"mth1": 0.100, "mth2": 0.089, "mth3": 0.087, "mth4": 0.086, "mth5": 0.090}
BORDER_SD, BUMP_SD, FRONT_SD, WEB_SD = 1.8, 3.0, 6.0, 0.9
FRONT_RISE_MM = 2.0  # the sole leaves the pad where it rises by this much
WIDE_DEG = 80.0  # walls of the gaps between toes belong to the map that shows them
# Thinner than the second between two toes: the toes part. Bare points are closed over at less.
GAP_MM = (12.0, 8.0)
TAPER_MM = 2.5  # from the first to the second of these within a gap between toes
WEB_NEAR = 0.09  # a web farther ahead of the pad's front than this is a seam of closed toes
SEAM_WORST_MM = 5.0  # a seam anywhere makes the other webs this uncertain at most
OUTLIER = 3.0  # standard deviations at which a mark counts half
FLAT_MM = 0.3  # heights this close to the lowest are one bump


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Head:
    """A metatarsal head in plan.

    Attributes
    ----------
    xy : ndarray, shape (2,)
        Foot frame, mm.
    sd : float
        Standard deviation along the foot, mm: of the marks and of their disagreement.
    marks : tuple of str
        The marks that placed it.
    """

    xy: Array
    sd: float
    marks: tuple[str, ...]


def heads_from_borders(tibiale: Array, fibulare: Array) -> dict[str, Array]:
    """Return the five metatarsal heads in plan, z = 0, from the two border points alone."""
    breadth = float(tibiale[1] - fibulare[1])
    first = tibiale + breadth * np.array([HEAD1_AHEAD, -HEAD1_INSET, 0.0])
    fifth = fibulare + breadth * np.array([HEAD5_AHEAD, HEAD5_INSET, 0.0])
    return _arc(first, fifth, breadth)


def heads(
    vertices: Array,
    faces: IntArray,
    sole: SoleMap,
    length: float,
    borders: tuple[Array, Array],
) -> dict[str, Head]:
    """Return the five metatarsal heads in plan.

    Parameters
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Foot frame, mm, outward winding.
    sole : SoleMap
        Of that mesh.
    length : float
        Foot length, mm.
    borders : tuple of ndarray
        From :func:`border_points`.
    """
    tibiale, fibulare = borders
    beside = heads_from_borders(tibiale, fibulare)
    places = {name: [("borders", at[0], BORDER_SD)] for name, at in beside.items()}
    breadth = float(tibiale[1] - fibulare[1])
    for name, (x, sd) in _from_bumps(sole, beside, breadth, length).items():
        places[name].append(("bumps", x, sd))
    fore = _Forefoot.of(vertices, faces, beside, length)
    for name, x in fore.fronts().items():
        places[name].append(("front", x - FRONT_AHEAD[name] * length, FRONT_SD))
    for name, (x, sd) in fore.webs().items():
        places[name].append(("webs", x - WEB_AHEAD[name] * length, sd))
    return {name: _averaged(beside[name], found) for name, found in places.items()}


def _arc(first: Array, fifth: Array, breadth: float) -> dict[str, Array]:
    """Return the five heads in plan, z = 0, on the arc ahead of the line from first to fifth."""
    ahead = {"mth2": HEAD2_AHEAD * breadth, "mth3": HEAD3_AHEAD * breadth}
    ahead["mth4"] = ahead["mth3"] + HEAD4_BACK * (fifth[0] - first[0] - ahead["mth3"])
    found = {"mth1": first, "mth5": fifth}
    for name, share in HEAD_SHARES.items():
        across = first[1] + share * (fifth[1] - first[1])
        found[name] = np.array([first[0] + ahead[name], across, 0.0])
    return {name: found[name] * np.array([1.0, 1.0, 0.0]) for name in HEADS}


def _from_bumps(
    sole: SoleMap, beside: Mapping[str, Array], breadth: float, length: float
) -> dict[str, tuple[float, float]]:
    """Return x and standard deviation of the heads from the ball's two lowest places, mm.

    Empty on a loaded ball, where the ground has pressed the bumps flat.
    """
    seen = np.isfinite(sole.z)
    weight = ndimage.gaussian_filter(seen.astype(float), 5.0 / sole.cell)
    height = ndimage.gaussian_filter(np.where(seen, sole.z, 0.0), 5.0 / sole.cell)
    height = np.where(weight > 0.6, height / np.maximum(weight, 0.1), np.inf)
    x, y = np.meshgrid(sole.x, sole.y, indexing="ij")
    middle = beside["mth3"][1]
    lowest, spread = [], []
    for sign, head in ((+1, beside["mth1"]), (-1, beside["mth5"])):
        rear, end = (head[0] + share * length for share in BUMP_ZONE)
        zone = (sign * (y - middle) > 0.08 * breadth) & (x > rear) & (x < end)
        zone &= np.isfinite(height)
        if not zone.any():
            return {}
        near = zone & (height <= height[zone].min() + FLAT_MM)
        if x[near].max() > end - 2 * sole.cell:  # falling on towards a flexed toe: no bump
            return {}
        lowest.append(np.array([x[near].mean(), head[1], 0.0]))
        spread.append(float(np.ptp(x[near])))
    ends = [low + np.array([b * length, 0, 0]) for low, b in zip(lowest, BUMP_BACK, strict=True)]
    arc = _arc(ends[0], ends[1], breadth)
    shares = {"mth1": 0.0, **HEAD_SHARES, "mth5": 1.0}
    result = {}
    for name, at in arc.items():
        long = (1 - shares[name]) * spread[0] + shares[name] * spread[1]
        result[name] = (float(at[0]), float(np.hypot(BUMP_SD, long / 4)))
    return result


def _averaged(beside: Array, found: list[tuple[str, float, float]]) -> Head:
    """Return the head at the weighted mean of the marks, across the foot where `beside` is."""
    x = np.array([place for _, place, _ in found])
    sd = np.array([sd for _, _, sd in found])
    weight = 1 / sd**2
    for _ in range(3):
        mean = float(weight @ x / weight.sum())
        # a mark that took something else for its feature must not drag the head along
        weight = 1 / (sd**2 * (1 + ((x - mean) / (OUTLIER * sd)) ** 2))
    own = 1 / np.sqrt(weight.sum())
    apart = np.sqrt(float(weight @ (x - mean) ** 2 / weight.sum()) / max(len(x) - 1, 1))
    return Head(
        xy=np.array([mean, beside[1]]),
        sd=float(np.hypot(own, apart)),
        marks=tuple(name for name, _, _ in found),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Forefoot:
    """Sole heights and thickness of ball and toes on a grid, with the heads' places beside."""

    under: SoleMap
    thick: Array
    heads: Mapping[str, Array]
    length: float

    @classmethod
    def of(
        cls, vertices: Array, faces: IntArray, beside: Mapping[str, Array], length: float
    ) -> _Forefoot:
        """Return the maps of the part ahead of the midfoot."""
        low = (vertices[:, 0] > 0.5 * length) & (vertices[:, 2] < 70.0)
        part = faces[whole(low, faces)]
        under = sole_map(vertices, part, smooth_mm=1.0, limit_deg=WIDE_DEG)
        up = face_normals(vertices, part)[:, 2] > 0
        start, shape = (under.x[0], under.y[0]), under.z.shape
        top, bottom = np.full(under.z.size, -np.inf), np.full(under.z.size, np.inf)
        open_top = np.zeros(shape, dtype=bool)
        for roof in (False, True):
            points = sampled(vertices, part[up == roof], under.cell / 2)
            index = [np.round((points[:, k] - start[k]) / under.cell).astype(int) for k in range(2)]
            inside = (index[0] >= 0) & (index[0] < shape[0])
            inside &= (index[1] >= 0) & (index[1] < shape[1])
            flat, height = (index[0] * shape[1] + index[1])[inside], points[inside, 2]
            np.maximum.at(top, flat, height)
            np.minimum.at(bottom, flat, height)
            if roof:  # where a scan was cut off below the top of the foot, nothing is thin
                open_top = np.isfinite(top).reshape(shape)
                open_top.flat[flat] = False
        thick = np.where(np.isfinite(top), top - bottom, 0.0).reshape(shape)
        thick[ndimage.binary_opening(open_top, np.ones((3, 3)))] = np.inf
        return cls(under=under, thick=thick, heads=beside, length=length)

    def fronts(self) -> dict[str, float]:
        """Return x where the sole leaves the ball pad ahead of each head; absent if it never."""
        return {
            name: front
            for name, at in self.heads.items()
            if (front := self._front(float(at[0]), float(at[1]))) is not None
        }

    def webs(self) -> dict[str, tuple[float, float]]:
        """Return x and standard deviation of where the toes part beside each head, mm.

        Toes that stand apart show the line of all four webs. Where only some do, those that are
        seen say less: the more so, the longer the longest seam between the others.
        """
        pairs = list(itertools.pairwise(HEADS))
        gaps = [self._gap(self.heads[a], self.heads[b]) for a, b in pairs]
        longest = max(SEAM_WORST_MM if gap is None else gap[1] for gap in gaps)
        result = {}
        for name in HEADS:
            beside = [gap for gap, pair in zip(gaps, pairs, strict=True) if name in pair]
            known = [gap for gap in beside if gap is not None]
            if len(known) == len(beside):
                web, seam = np.mean(known, axis=0)
                sd = np.sqrt(WEB_SD**2 + seam**2 + min(longest, SEAM_WORST_MM) ** 2)
                result[name] = (float(web), float(sd))
        return result

    def _front(self, x: float, y: float) -> float | None:
        """Return x where the sole along a strip at `y` has risen by 2 mm, None if nowhere."""
        rows = np.flatnonzero(np.abs(self.under.y - y) <= 3.0)
        if len(rows) == 0:
            return None
        strip = self.under.z[:, rows]
        seen = np.isfinite(strip).sum(axis=1) >= 2
        height = np.where(seen, np.nanmedian(np.where(seen[:, None], strip, 0.0), axis=1), np.nan)
        along = self.under.x
        pad = np.flatnonzero(seen & (np.abs(along - x) <= 0.09 * self.length))
        if len(pad) < 5:
            return None
        lowest = int(pad[np.argmin(height[pad])])
        rise = height[lowest:] - height[lowest]
        high = np.flatnonzero(~(rise < FRONT_RISE_MM))
        end = lowest + int(high[0]) if len(high) else len(along)
        if end >= len(along) or along[end] > x + 0.16 * self.length:
            return None
        return float(along[end])

    def _gap(self, first: Array, second: Array) -> tuple[float, float] | None:
        """Return x of the rear end of the gap between two toes, and the length of a seam, mm."""
        middle = (first + second) / 2
        columns = np.abs(self.under.y - middle[1]) <= 0.45 * abs(first[1] - second[1])
        if not columns.any():
            return None
        thinnest = self.thick[:, columns].min(axis=1)
        along = self.under.x
        pad = np.abs(along - middle[0]) <= 5.0
        if not pad.any() or not GAP_MM[0] <= np.median(thinnest[pad]) < np.inf:
            return None  # the top of the foot was not seen
        toes = along > middle[0] - 0.03 * self.length
        levels = [np.flatnonzero(toes & (thinnest < gap)) for gap in GAP_MM]
        front = self._front(float(middle[0]), float(middle[1]))
        if len(levels[-1]) == 0 or front is None:
            return None
        start, web = (float(along[at[0]]) for at in levels)
        # toes that touch thin out slowly along their seam, or part only near their tips
        far = max(0.0, web - front - WEB_NEAR * self.length)
        return web, far + max(0.0, web - start - TAPER_MM)
