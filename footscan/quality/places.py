"""Where on the foot a finding lies, for pins: found again on the cleaned surface.

    MeasuredFoot -> places -> {(code, region): point}

Only findings that have one place are in it; noise all over, spacing or scale have none.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage, sparse
from scipy.sparse import csgraph

from footscan.foot import Foot, vertex_normals
from footscan.quality import sole as soles
from footscan.quality.maps import maps
from footscan.quality.mesh import HOLE_LEAST, LEG_RIM_MM, SOLE_FACING
from footscan.quality.shape import RIM_TOP_MM
from footscan.quality.view import open_sole
from footscan.results import Finding, MeasuredFoot
from footscan.scan import Array, BoolArray, IntArray

__all__ = ["places"]

BANDS = {"arch-seen": soles.ARCH, "heel-seen": soles.HEEL, "ball-seen": soles.BALL}
MARKS = {"arch-unbelievable": "arch_apex", "toe-lifted": "acropodion"}
CUTS = {"toes-cut": (1.0, 0.0), "heel-cut": (-1.0, 0.0)}  # the way in which an end reaches
BORDERS = {"medial border": (0.0, 1.0), "lateral border": (0.0, -1.0)}


def places(measured: MeasuredFoot) -> dict[tuple[str, str], Array]:
    """Return the place of each finding that has one, by its code and region.

    Returns
    -------
    dict of (str, str) to ndarray, shape (3,)
        Foot frame, mm: the middle of a hole or of what was not seen, the middle of a cut rim,
        the noisiest cell of the sole.
    """
    found: dict[tuple[str, str], Array] = {}
    for finding in measured.report.findings:
        at = _place(measured, finding)
        if at is not None:
            found[finding.code, finding.region] = at
    return found


def _place(measured: MeasuredFoot, finding: Finding) -> Array | None:
    foot, code = measured.foot, finding.code
    if code in BANDS:
        return _unseen(foot, *BANDS[code])
    if code == "sole-hole":
        zones = {name: (low, high) for name, low, high in soles.HOLES}
        return _hole(foot, *zones[finding.region]) if finding.region in zones else None
    if code == "skin-hole":
        return _skin_hole(foot)
    if code in CUTS or code == "border-cut":
        return _cut(foot, CUTS.get(code) or BORDERS.get(finding.region))
    if code == "noise" and finding.region != "sole":
        return _noisiest(measured, finding.region)
    mark = measured.landmarks.get(MARKS.get(code, ""))
    return None if mark is None else mark.xyz


def _unseen(foot: Foot, low: float, high: float) -> Array | None:
    """Return the middle of the largest piece between two stations that was not seen."""
    sole = open_sole(foot)
    gap = soles.plan_filled(foot) & ~ndimage.binary_closing(np.isfinite(sole.z))
    return _deepest(foot, gap, low, high)


def _hole(foot: Foot, low: float, high: float) -> Array | None:
    """Return the middle of the largest hole in the sole between two stations."""
    seen = ndimage.binary_closing(np.isfinite(open_sole(foot).z))
    return _deepest(foot, ndimage.binary_fill_holes(seen) & ~seen, low, high)


def _deepest(foot: Foot, gap: BoolArray, low: float, high: float) -> Array | None:
    """Return the cell farthest inside a gap, at the height of what was seen around it."""
    sole = open_sole(foot)
    inside = (sole.x > low * foot.length) & (sole.x <= high * foot.length)
    deep = ndimage.distance_transform_edt(gap) * inside[:, None]
    if not deep.max() > 0:
        return None
    i, j = np.unravel_index(int(deep.argmax()), deep.shape)
    around = np.hypot(*np.ogrid[-i : len(sole.x) - i, -j : len(sole.y) - j]) <= deep.max() + 3
    heights = sole.z[around & np.isfinite(sole.z)]
    z = float(np.median(heights)) if len(heights) else 0.0
    return np.array([sole.x[i], sole.y[j], z])


def _rims(foot: Foot) -> IntArray:
    """Return the edges of one face only."""
    edges = np.sort(foot.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    rows, times = np.unique(edges, axis=0, return_counts=True)
    rim: IntArray = rows[times == 1]
    return rim


def _skin_hole(foot: Foot) -> Array | None:
    """Return the middle of the largest rim that is neither sole nor leg."""
    rim = _rims(foot)
    graph = sparse.coo_matrix(
        (np.ones(len(rim), dtype=bool), (rim[:, 0], rim[:, 1])), shape=(len(foot.vertices),) * 2
    )
    label = csgraph.connected_components(graph, directed=False)[1][rim[:, 0]]
    names, number = np.unique(label, return_counts=True)
    top, down = foot.vertices[:, 2].max(), vertex_normals(foot.vertices, foot.faces)[:, 2]
    best: tuple[float, Array | None] = (0.0, None)
    for name in names[number >= HOLE_LEAST]:
        own = np.unique(rim[label == name])
        loop = foot.vertices[own]
        if loop[:, 2].max() > top - LEG_RIM_MM or down[own].mean() < SOLE_FACING:
            continue
        middle = loop.mean(axis=0)
        size = float(np.median(np.linalg.norm(loop - middle, axis=1)))
        best = max(best, (size, middle), key=lambda one: one[0])
    return best[1]


def _cut(foot: Foot, way: tuple[float, float] | None) -> Array | None:
    """Return the middle of the open rim that reaches farthest one way."""
    rim = np.unique(_rims(foot))
    points = foot.vertices[rim]
    points = points[points[:, 2] < RIM_TOP_MM]
    if way is None or not len(points):
        return None
    reach = points[:, :2] @ np.array(way)
    there = points[reach > reach.max() - 5.0]
    middle = there.mean(axis=0)
    at: Array = there[int(np.linalg.norm(there - middle, axis=1).argmin())]
    return at


def _noisiest(measured: MeasuredFoot, region: str) -> Array | None:
    """Return the noisiest cell of the sole in a region."""
    bands = {"heel": soles.HEEL, "arch": soles.ARCH, "ball": soles.BALL}
    if region not in bands:
        return None
    seen, (low, high) = maps(measured), bands[region]
    share = seen.x / measured.foot.length
    noise = np.where(((share > low) & (share <= high))[:, None], seen.sole_noise, np.nan)
    if not np.isfinite(noise).any():
        return None
    i, j = np.unravel_index(int(np.nanargmax(noise)), noise.shape)
    z = float(measured.foot.sole.height(seen.x[i], seen.y[j]))
    return np.array([seen.x[i], seen.y[j], z if np.isfinite(z) else 0.0])
