"""What the scan check looks at: the settled foot, the raw scan beside it, and lines through it.

    Settled, Cleaned, Scan -> View -> footscan.quality.sole, quality.surface, quality.shape

Terms
    raw       the scan as it was read, in the foot frame: floor, strays and other bodies included
    cast      parallel lines along one axis, and where each meets the surface
    rim edge  an edge that belongs to one face only
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from footscan.finding import outward
from footscan.finding.cleaning import Cleaned
from footscan.foot import Foot, SoleMap, face_normals
from footscan.measuring.pose import Settled
from footscan.scan import Array, BoolArray, IntArray, Scan, whole

__all__ = [
    "Edges",
    "Hits",
    "View",
    "cast",
    "open_sole",
    "shadow",
    "spans",
    "upright",
    "view",
    "whole",
]

SOLE_CELL_MM = 1.0
SEEN_LIMIT_DEG = 88.0  # steep walls are surface too: only what no face covers was not seen
SHADOW_TOP = 0.22  # of the length: ankles higher up may overhang the heel
SOLE_TOP = 0.3  # of the length: what faces down higher up is leg
NEAR_SOLE_MM = 3.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hits:
    """Where lines along one axis meet the surface, by line and then by height.

    Attributes
    ----------
    line : ndarray, shape (k, 2)
        Grid indices of the line.
    height : ndarray, shape (k,)
        Along the axis, mm.
    facing : ndarray, shape (k,)
        Component of the unit normal along the axis, -1 to 1.
    """

    line: IntArray
    height: Array
    facing: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Edges of the cleaned mesh.

    Attributes
    ----------
    rim : ndarray, shape (k, 2)
        Edges of one face only.
    turned : int
        Edges that both their faces run through in the same sense: one of them is inside out.
    shared : int
        Edges of two faces.
    """

    rim: IntArray
    turned: int
    shared: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """Everything that the findings are drawn from; foot frame, mm.

    Attributes
    ----------
    settled, cleaned : Settled, Cleaned
        The posed foot, and what cleaning took away.
    scan : Scan or None
        The scan as read.
    points, faces : ndarray, shapes (n, 3) and (m, 3)
        The raw scan, wound outward; without one, the cleaned surface.
    near : ndarray, shape (k, 3)
        Raw points on the sole.
    sole : SoleMap
        Height of everything that faces down, however steep.
    edges : Edges
        Of the cleaned mesh.
    """

    settled: Settled
    cleaned: Cleaned
    scan: Scan | None
    points: Array
    faces: IntArray
    near: Array
    sole: SoleMap
    edges: Edges

    @property
    def foot(self) -> Foot:
        """The foot itself."""
        return self.settled.foot


def view(settled: Settled, cleaned: Cleaned, scan: Scan | None) -> View:
    """Return the view of a settled foot; `scan` in mm, as it was cleaned."""
    foot = settled.foot
    turn, shift = foot.pose[:3, :3], foot.pose[:3, 3]
    if scan is None:
        points, faces = cleaned.vertices @ turn.T + shift, cleaned.faces
    else:
        points, faces = scan.vertices @ turn.T + shift, scan.faces
    ground = None if cleaned.floor is None else (np.array([0.0, 0.0, 1.0]), 0.0)
    if len(faces) and not outward.winding_is_outward(points, faces, ground):
        faces = faces[:, ::-1]
    return View(
        settled=settled,
        cleaned=cleaned,
        scan=scan,
        points=points,
        faces=faces,
        near=_on_sole(foot, cleaned.raw @ turn.T + shift),
        sole=open_sole(foot),
        edges=_edges(foot.faces, len(foot.vertices)),
    )


def open_sole(foot: Foot) -> SoleMap:
    """Return the lowest surface that faces down at all, per millimetre; empty where none does."""
    return _plans(foot)[0]


def shadow(foot: Foot) -> BoolArray:
    """Return the foot's shadow on the cells of :func:`open_sole`, whichever way its skin faces."""
    return _plans(foot)[1]


@lru_cache(maxsize=2)
def upright(foot: Foot) -> tuple[Array, Hits]:
    """Return line (0, 0) in plan, and where upright lines 1 mm apart meet the foot."""
    faces = foot.faces[whole(foot.vertices[:, 2] < SOLE_TOP * foot.length, foot.faces)]
    low = np.floor(foot.vertices[:, :2].min(axis=0)) - 2.0
    return low, cast(foot.vertices, faces, 2, low, SOLE_CELL_MM)


@lru_cache(maxsize=2)
def _plans(foot: Foot) -> tuple[SoleMap, BoolArray]:
    """Return the open sole and the shadow; both from one set of upright lines."""
    low, hits = upright(foot)
    shape = tuple(np.ceil(foot.vertices[:, :2].max(axis=0) - low).astype(int) + 3)
    down = hits.facing < -np.cos(np.radians(SEEN_LIMIT_DEG))
    z = np.full(shape, np.inf)
    np.minimum.at(z, (hits.line[down, 0], hits.line[down, 1]), hits.height[down])
    x, y = (low[k] + SOLE_CELL_MM * np.arange(shape[k]) for k in range(2))
    over = np.zeros(shape, dtype=bool)
    under = hits.height < SHADOW_TOP * foot.length
    over[hits.line[under, 0], hits.line[under, 1]] = True
    sole = SoleMap(x=x, y=y, z=np.where(np.isfinite(z), z, np.nan), cell=SOLE_CELL_MM)
    return sole, over


def cast(vertices: Array, faces: IntArray, axis: int, low: Array, step: float) -> Hits:
    """Return where lines along `axis`, `step` apart, meet the faces.

    Parameters
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Any frame, mm.
    axis : int
        0, 1 or 2: x, y or z.
    low : ndarray, shape (2,)
        Place of line (0, 0) along the other two axes, in their order.
    step : float
        Distance of the lines, mm.
    """
    plan = [k for k in range(3) if k != axis]
    flat = ((vertices[:, plan] - low) / step)[faces]
    least, most = spans(flat)
    first = np.ceil(least).astype(np.int64)
    count = np.floor(most).astype(np.int64) - first + 1
    some = np.flatnonzero((count[:, 0] > 0) & (count[:, 1] > 0))
    number = count[some, 0] * count[some, 1]
    face = np.repeat(some, number)
    rank = np.arange(len(face)) - np.repeat(np.cumsum(number) - number, number)
    line = first[face] + np.stack([rank // count[face, 1], rank % count[face, 1]], axis=1)
    a, b, c = (flat[face, k] for k in range(3))
    ab, ac, ap = b - a, c - a, line - a
    area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    safe = np.where(area == 0, 1.0, area)
    v = (ap[:, 0] * ac[:, 1] - ap[:, 1] * ac[:, 0]) / safe
    w = (ab[:, 0] * ap[:, 1] - ab[:, 1] * ap[:, 0]) / safe
    inside = (area != 0) & (v >= 0) & (w >= 0) & (v + w <= 1)
    face, line, v, w = face[inside], line[inside], v[inside], w[inside]
    level = vertices[faces[face], axis]
    height = level[:, 0] + v * (level[:, 1] - level[:, 0]) + w * (level[:, 2] - level[:, 0])
    met, own = np.unique(face, return_inverse=True)
    facing = face_normals(vertices, faces[met])[own, axis]
    order = np.lexsort((height, line[:, 1], line[:, 0]))
    return Hits(line=line[order], height=height[order], facing=facing[order])


def spans(corners: Array) -> tuple[Array, Array]:
    """Return the lowest and the highest corner coordinates of faces; corners are axis 1."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]  # far quicker than along a short axis
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _on_sole(foot: Foot, points: Array) -> Array:
    """Return the points within 3 mm of the sole map between heel and ball."""
    x = points[:, 0] / foot.length
    inside = points[(x > 0.08) & (x < 0.78) & (points[:, 2] < SOLE_TOP * foot.length)]
    height = foot.sole.height(inside[:, 0], inside[:, 1])
    return inside[np.abs(inside[:, 2] - height) < NEAR_SOLE_MM]


def _edges(faces: IntArray, count: int) -> Edges:
    """Return rim and turned edges; one sort serves both. A face with a corner twice has none."""
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    start = faces.ravel()
    stop = faces[:, [1, 2, 0]].ravel()
    low, high = np.minimum(start, stop), np.maximum(start, stop)
    key = low * np.int64(count) + high
    order = np.argsort(key, kind="stable")
    key = key[order]
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    number = np.diff(np.r_[first, len(key)])
    sense = np.where(start < stop, 1, -1)[order]
    lone, pair = first[number == 1], first[number == 2]
    chosen = order[lone]
    return Edges(
        rim=np.stack([low[chosen], high[chosen]], axis=1),
        turned=int((sense[pair] == sense[pair + 1]).sum()),
        shared=len(pair),
    )
