"""Where a made part is held against its plan from: underside or table, and rim.

    PartScan, Laid -> placed -> Placed -> insole.parts.made.check

A best fit of all surfaces would share an error out: a crest 0.5 mm too high would read 0.4 mm too
high and its surroundings 0.1 mm too low, a top shifted on its outline would hardly show. So a part
is held as it is held at the bench: height and tilt from its underside, or from the table it lies
on; place and turn from its rim in plan. What was not seen is made up for by the top, and said.

Frame: the planned part's, mm.

Terms
    station  3 mm of the rim in plan
    stand    how far the scanned rim stands out beyond the planned one there, mm
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import spatial

from footscan.scan import Array, BoolArray, IntArray
from insole.parts.made.laying import Laid, moved, plane_step, thinned
from insole.parts.made.planned import Planned
from insole.parts.made.scan import PartScan

__all__ = ["Face", "Held", "Placed", "faces_of", "placed"]

ROUNDS = 25
STATION_MM = 3.0
RIM_REACH_MM = 6.0  # the scanned rim is sought so far on both sides of the planned one
RIM_SEEN = 0.6  # share of stations: with fewer the rim does not say where the part is
UNDER_SEEN = 0.3  # share of the underside: with less it does not say how high the part lies
FLAT_MM, FLAT_SHARE = 0.1, 0.5  # an underside that lies flat on a table
TABLE_TILT_DEG, TABLE_OFF_MM = 4.0, 2.0  # as laid: a table farther off is not under the part
NEAR_MM = 1.5
DRAW_MM = 1.2  # spacing of the points that are drawn for the fit
SWITCH_MM = 4.0  # a point is given to the face it looks along if that is no farther off
STEEP = 0.35
LAYER_CELL_MM = 3.0  # bare points: in cells of this size the two layers of a sheet are told apart
LAYERS_MM, LAYERS_SHARE = 0.8, 0.6  # if so far apart: mm, and share of the planned thickness
LEVEL = 0.9  # and the plan is as level as this there (z of its normal)
SOFT_MM = 0.15
RIM_PULL = 10.0  # weight of the rim as a whole over the top's, where both say the place
SLOPE = 0.1  # root mean square slope of a top that says where it is itself
SHIFT_MM = 1.0  # smaller shifts of the top on the rim are not told from an uneven rim
SHIFT_GAIN = 0.75  # and it must bring the top's misfit down to this share


class Held(StrEnum):
    """What a part's height and tilt were taken from."""

    UNDER = "underside"
    TABLE = "table"
    TOP = "top"


class Face(StrEnum):
    """Which face of the plan a scanned point belongs to."""

    TOP = "top"
    UNDER = "under"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A scanned part held against its plan.

    Attributes
    ----------
    planned : Planned
    points : ndarray, shape (n, 3)
        Scanned points in the part's frame, mm.
    normals : ndarray, shape (n, 3), or None
        Outward.
    held : Held
        What height and tilt come from.
    by_rim : bool
        Whether place and turn come from the rim; else from the top.
    rim : ndarray, shape (m, 2)
        Middle of each station, mm.
    stand : ndarray, shape (m,)
        How far the scanned rim stands out there against its own middle value, mm; NaN unseen.
    under_seen : float
        Share of the underside that was seen.
    shift : (float, float) or None
        Shift of the top on the rim along +x and +y, mm; None where the top does not say it, or
        it is less than 1 mm.
    """

    planned: Planned
    points: Array
    normals: Array | None
    held: Held
    by_rim: bool
    rim: Array
    stand: Array
    under_seen: float
    shift: tuple[float, float] | None


def placed(scan: PartScan, laid: Laid) -> Placed:
    """Return the part held by its underside or table and by its rim, as far as they were seen.

    Parameters
    ----------
    scan : PartScan
        mm, scanner frame.
    laid : Laid
        Its pose on the plan, good to about a millimetre.
    """
    planned, pose = laid.planned, laid.pose
    points = moved(scan.points, pose)
    normals = _outward(points, scan.normals, pose, planned)
    table = _table_in(scan, pose) if scan.table is not None else None
    under_seen = _under_seen(points, normals, planned)
    held = Held.UNDER if under_seen >= UNDER_SEEN else Held.TOP
    if held is Held.TOP and table is not None and _lies_flat(planned, table):
        held = Held.TABLE
    fit = _Fit(planned, held, table)
    pose = fit.pose(points, normals)
    points = moved(points, pose)
    normals = None if normals is None else normals @ pose[:3, :3].T
    stand = fit.rim.stands(points)
    return Placed(
        planned=planned,
        points=points,
        normals=normals,
        held=held,
        by_rim=fit.by_rim,
        rim=fit.rim.at,
        stand=stand,
        under_seen=under_seen,
        shift=_top_shift(points, normals, planned, held) if fit.by_rim else None,
    )


def faces_of(
    points: Array, normals: Array | None, planned: Planned, face: Face, *, both: bool = True
) -> tuple[BoolArray, IntArray]:
    """Return which points belong to the top or to the underside, and their nearest samples.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        In the part's frame, mm.
    normals : ndarray, shape (n, 3), or None
        Outward: parts the two sides of a thin sheet. Without them the layers of points do, and
        where there is one layer the nearer face.
    both : bool
        Whether top and underside were both seen; else every point near the top is of the top,
        and layers are not looked for.

    Returns
    -------
    own : ndarray, shape (n,)
    index : ndarray, shape (n,)
        Into the samples of the whole plan; the nearest on that face.
    """
    ours = planned.top if face is Face.TOP else planned.under
    others = ~(ours | planned.under) if not both and face is Face.TOP else ~ours
    wanted = np.flatnonzero(ours)
    if not len(wanted):
        return np.zeros(len(points), dtype=bool), np.zeros(len(points), dtype=np.int64)
    distance, index = spatial.cKDTree(planned.points[wanted]).query(points)
    other = np.full(len(points), np.inf)
    if others.any():
        other, _ = spatial.cKDTree(planned.points[others]).query(points)
    own: BoolArray = distance <= other
    if normals is not None:
        along = normals[:, 2] if face is Face.TOP else -normals[:, 2]
        own = (own & (along > -STEEP)) | ((along > STEEP) & (distance <= SWITCH_MM))
    elif both:
        upper = _layers(points, planned)
        flat = (upper != 0) & (np.abs(planned.normals[wanted[index], 2]) > LEVEL)
        own = np.where(flat, (upper > 0) if face is Face.TOP else (upper < 0), own)
    return own, wanted[index]


def _layers(points: Array, planned: Planned) -> IntArray:
    """Return 1 for points of the upper layer, -1 of the lower one, 0 where there is but one."""
    top, under = planned.points[planned.top], planned.points[planned.under]
    if not len(top) or not len(under):
        return np.zeros(len(points), dtype=np.int64)
    upper, lower = (
        one[spatial.cKDTree(one[:, :2]).query(points[:, :2])[1], 2] for one in (top, under)
    )
    height = points[:, 2] - (upper + lower) / 2
    cell = np.floor((points[:, :2] - points[:, :2].min(axis=0)) / LAYER_CELL_MM).astype(int)
    size = cell.max(axis=0) + 1
    number = cell[:, 0] * size[1] + cell[:, 1]
    high, low = np.full(size.prod(), -np.inf), np.full(size.prod(), np.inf)
    np.maximum.at(high, number, height)
    np.minimum.at(low, number, height)
    apart, above = (high[number] - low[number]), 2 * height > high[number] + low[number]
    # one layer alone spreads by its noise, a few tenths of a millimetre
    two = apart > np.maximum(LAYERS_MM, LAYERS_SHARE * (upper - lower))
    return np.where(two, np.where(above, 1, -1), 0)


def _outward(points: Array, normals: Array | None, pose: Array, planned: Planned) -> Array | None:
    """Return the scan's normals in the part's frame, all turned about if most point inward."""
    if normals is None:
        return None
    turned = normals @ pose[:3, :3].T
    distance, index = spatial.cKDTree(planned.points).query(points)
    near = distance <= NEAR_MM
    agree = np.einsum("ij,ij->i", turned[near], planned.normals[index[near]])
    return -turned if agree.sum() < 0 else turned


def _table_in(scan: PartScan, pose: Array) -> tuple[Array, float] | None:
    """Return the table's normal and offset in the part's frame."""
    if scan.table is None:
        return None
    normal = pose[:3, :3] @ scan.table.normal
    return normal, float(scan.table.offset + normal @ pose[:3, 3])


def _lies_flat(planned: Planned, table: tuple[Array, float]) -> bool:
    """Return whether the part lies with a flat underside on the table."""
    normal, offset = table
    if normal[2] < np.cos(np.radians(TABLE_TILT_DEG)):
        return False
    under = planned.points[planned.under]
    flat = under[:, 2] <= FLAT_MM
    if not len(under) or flat.mean() < FLAT_SHARE:
        return False
    return bool(abs(np.median(under[flat] @ normal - offset)) <= TABLE_OFF_MM)


def _under_seen(points: Array, normals: Array | None, planned: Planned) -> float:
    """Return the share of the underside that has points of its own."""
    under = planned.points[planned.under]
    own, _ = faces_of(points, normals, planned, Face.UNDER, both=False)
    if not len(under) or not own.any():
        return 0.0
    under = under[thinned(under, 2.0)]
    distance, _ = spatial.cKDTree(points[own]).query(under)
    return float((distance <= 2.0).mean())


class _Rim:
    """The planned rim, cut into stations, and where a scan's rim stands."""

    def __init__(self, ring: Array) -> None:
        closed = np.vstack([ring, ring[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
        count = max(8, int(along[-1] / STATION_MM))
        at = (np.arange(8 * count) + 0.5) * along[-1] / (8 * count)
        self.points = np.column_stack([np.interp(at, along, closed[:, k]) for k in range(2)])
        side = np.minimum(np.searchsorted(along, at) - 1, len(ring) - 1)
        way = (closed[side + 1] - closed[side]) / np.diff(along)[side][:, None]
        self.normals = np.column_stack([way[:, 1], -way[:, 0]])  # counter-clockwise: outward
        self.station = np.arange(8 * count) // 8
        self.count = count
        self.at = self.points[4::8]
        mean = np.add.reduceat(self.normals, np.arange(0, 8 * count, 8))
        self.way = mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
        self.tree = spatial.cKDTree(self.points)

    def edge(self, points: Array) -> Array:
        """Return how far the scan's rim is outside the planned one per station, mm; NaN unseen."""
        distance, index = self.tree.query(points[:, :2], distance_upper_bound=2 * RIM_REACH_MM)
        hit = np.isfinite(distance)
        index = index[hit]
        out = np.einsum("ij,ij->i", points[hit, :2] - self.points[index], self.normals[index])
        near = np.abs(out) <= RIM_REACH_MM
        out, station = out[near], self.station[index[near]]
        order = np.lexsort((-out, station))
        out, station = out[order], station[order]
        first = np.searchsorted(station, np.arange(self.count))
        second = first + 1  # the outermost point may be a stray
        found = np.full(self.count, np.nan)
        there = second < np.searchsorted(station, np.arange(self.count), side="right")
        found[there] = out[second[there]]
        found[found < -0.9 * RIM_REACH_MM] = np.nan
        return found

    def stands(self, points: Array) -> Array:
        """Return :meth:`edge` less its own median, which noise and spacing of the scan make."""
        edge = self.edge(points)
        return edge - np.nanmedian(edge) if np.isfinite(edge).any() else edge


class _Fit:
    """Small rigid moves from the faces that hold the part."""

    def __init__(self, planned: Planned, held: Held, table: tuple[Array, float] | None) -> None:
        self.planned, self.held, self.table = planned, held, table
        self.rim = _Rim(planned.rim)
        self.by_rim = False

    def pose(self, points: Array, normals: Array | None) -> Array:
        """Return the pose that holds the scan, shape (4, 4); starts at identity."""
        seen = np.isfinite(self.rim.edge(points)).mean()
        self.by_rim = bool(seen >= RIM_SEEN)
        drawn = thinned(points, DRAW_MM)
        some, facing = points[drawn], None if normals is None else normals[drawn]
        both = self.held is Held.UNDER
        own_top, _ = faces_of(some, facing, self.planned, Face.TOP, both=both)
        own_under, _ = faces_of(some, facing, self.planned, Face.UNDER)
        near_rim = self.rim.tree.query(points[:, :2])[0] <= 2 * RIM_REACH_MM
        pose = np.eye(4)
        for _ in range(ROUNDS):
            rows = []
            if self.held is Held.UNDER:
                rows.append(self._along(some[own_under], pose, Face.UNDER))
            if self.held is Held.TABLE:
                rows.append(self._table(pose))
            if self.held is Held.TOP or not self.by_rim:
                rows.append(self._along(some[own_top], pose, Face.TOP))
            pull = 1.0 if self.held is not Held.TOP else RIM_PULL
            if self.by_rim:
                rows.append(self._rim(moved(points[near_rim], pose), pull))
            if self.held is not Held.TOP and not self.by_rim:
                rows[0] = (*rows[0][:3], rows[0][3] * RIM_PULL)
            step, size = plane_step(*(np.concatenate(one) for one in zip(*rows, strict=True)))
            pose = step @ pose
            if size < 2e-3:
                break
        return pose

    def _along(self, points: Array, pose: Array, face: Face) -> tuple[Array, Array, Array, Array]:
        """Return rows of a face: points, gaps along the plan's normals, normals, weights."""
        samples = np.flatnonzero(self.planned.top if face is Face.TOP else self.planned.under)
        now = moved(points, pose)
        near = self.planned.points[samples]
        _, index = spatial.cKDTree(near).query(now)
        normals = self.planned.normals[samples[index]]
        gap = np.einsum("ij,ij->i", near[index] - now, normals)
        scale = max(1.4826 * float(np.median(np.abs(gap))), SOFT_MM)
        weight = 1 / (1 + (gap / (2 * scale)) ** 2)
        return now, gap, normals, weight / np.sqrt(len(now))

    def _table(self, pose: Array) -> tuple[Array, Array, Array, Array]:
        """Return rows that bring the table under the flat of the underside."""
        assert self.table is not None
        normal = pose[:3, :3] @ self.table[0]
        offset = self.table[1] + normal @ pose[:3, 3]
        under = self.planned.points[self.planned.under]
        under = under[under[:, 2] <= FLAT_MM]
        under = under[thinned(under, 4.0)]
        height = (offset - under[:, :2] @ normal[:2]) / normal[2]
        up = np.tile([0.0, 0.0, 1.0], (len(under), 1))
        now = np.column_stack([under[:, :2], height])
        return now, -height, up, np.full(len(now), 1 / np.sqrt(len(now)))

    def _rim(self, points: Array, pull: float) -> tuple[Array, Array, Array, Array]:
        """Return rows that bring the scan's rim onto the planned one."""
        stand = self.rim.stands(points)
        seen = np.isfinite(stand)
        stand = stand[seen]
        scale = max(1.4826 * float(np.median(np.abs(stand))), SOFT_MM)
        weight = pull / (1 + (stand / (2 * scale)) ** 2) / np.sqrt(max(1, len(stand)))
        flat = np.zeros((len(stand), 1))
        at = np.hstack([self.rim.at[seen], flat])
        return at, -stand, np.hstack([self.rim.way[seen], flat]), weight


def _top_shift(
    points: Array, normals: Array | None, planned: Planned, held: Held
) -> tuple[float, float] | None:
    """Return how far the top alone is shifted on the rim, mm; None if not told, or under 1 mm."""
    own, _ = faces_of(points, normals, planned, Face.TOP, both=held is Held.UNDER)
    some = points[own]
    if len(some) < 100:
        return None
    some = some[thinned(some, DRAW_MM)]
    samples, facing = planned.points[planned.top], planned.normals[planned.top]
    tree = spatial.cKDTree(samples)
    shift, before = np.zeros(3), np.nan
    for _ in range(ROUNDS):
        now = some - shift
        distance, index = tree.query(now)
        near = distance <= RIM_REACH_MM
        n = facing[index[near]]
        gap = np.einsum("ij,ij->i", now[near] - samples[index[near]], n)
        if np.sqrt((n[:, :2] ** 2).mean(axis=0)).min() < SLOPE:
            return None
        rms = float(np.sqrt(np.mean(np.minimum(np.abs(gap), 2.0) ** 2)))
        before = rms if np.isnan(before) else before
        scale = max(1.4826 * float(np.median(np.abs(gap))), SOFT_MM)
        weight = 1 / (1 + (gap / (2 * scale)) ** 2)
        step, *_ = np.linalg.lstsq(n * weight[:, None], gap * weight, rcond=1e-4)
        shift = shift + step
        if np.linalg.norm(step) < 1e-3:
            break
    if np.hypot(*shift[:2]) < SHIFT_MM or rms > SHIFT_GAIN * before:
        return None
    return float(shift[0]), float(shift[1])
