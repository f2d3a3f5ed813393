"""How far up the borders of a sole were seen, and what that leaves unknown.

    Foot (a sole seen from below) -> below.seen_to -> measuring.measures, landmarks, quality.shape

A foot bulges beyond what a scanner below it sees. The skin turns up along every border, from flat
to upright; where it is seen only to some slope, the border lies farther out than the scan's rim,
the more so the less was seen.

Terms
    seen to    the angle between straight down and the steepest skin that was seen along a border,
               degrees: 90 means that the border itself was seen
    shortfall  how much farther out the border may lie: R (1 - sin seen to), that of a round
               border of radius R
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from footscan.foot import Foot, vertex_normals
from footscan.measuring.local_fit import Cloud
from footscan.scan import Array

__all__ = ["BORDERS", "place_sd", "seen_to", "shortfall"]

# region: way out in plan (x forward, y medial), stations along the other axis as shares of length
BORDERS = {
    "heel": ((-1.0, 0.0), (-0.07, 0.07)),
    "toes": ((1.0, 0.0), (-0.07, 0.07)),
    "medial border": ((0.0, 1.0), (0.62, 0.80)),
    "lateral border": ((0.0, -1.0), (0.55, 0.75)),
    "heel, medial": ((0.0, 1.0), (0.09, 0.24)),
    "heel, lateral": ((0.0, -1.0), (0.09, 0.24)),
}
# Radius of a border, mm: breadths and lengths of soles of six feet, seen to 45 to 80 degrees, were
# short by 10 to 25 mm x (1 - sin) a border (CALC); the larger one is taken.
RADIUS_MM = 25.0
STRIP_MM, DEPTH_MM, TOP_MM = 6.0, 2.5, 60.0
NEIGHBOURS = 8  # normals are averaged over so many points, against noise
STEEPEST = 80.0  # percentile: single faces tip
FEW = 3
# A border point lies where the border is farthest out: of a rim below the border that is another
# place along the foot. In mm at upright skin, and per (1 - sin); CALC from the same feet.
PLACE_MM, PLACE_PER_MM = 3.0, 45.0


@lru_cache(maxsize=2)
def seen_to(foot: Foot) -> Mapping[str, float]:
    """Return how steep the skin was seen along each border, degrees from straight down."""
    points = foot.vertices
    normals = vertex_normals(points, foot.faces)
    low = points[:, 2] <= TOP_MM
    points, normals = points[low], normals[low]
    _, index = Cloud.of(points).tree.query(points, k=min(NEIGHBOURS, len(points)))
    mean = normals[index.reshape(len(points), -1)].mean(axis=1)
    size = np.maximum(np.linalg.norm(mean, axis=1), 1e-9)
    angle = np.degrees(np.arccos(np.clip(-mean[:, 2] / size, -1, 1)))
    return MappingProxyType(
        {
            name: _along(points, angle, np.array(way), shares, foot.length)
            for name, (way, shares) in BORDERS.items()
        }
    )


def shortfall(*degrees: float) -> float:
    """Return how much farther out the borders may lie in all, mm.

    Examples
    --------
    >>> round(shortfall(90.0, 60.0), 2)
    3.35
    """
    return float(sum(RADIUS_MM * (1 - np.sin(np.radians(min(d, 90.0)))) for d in degrees))


def place_sd(degrees: float) -> float:
    """Return the standard deviation of a border point's place along the foot, mm."""
    return PLACE_MM + PLACE_PER_MM * float(1 - np.sin(np.radians(min(degrees, 90.0))))


def _along(
    points: Array, angle: Array, way: Array, shares: tuple[float, float], length: float
) -> float:
    """Return the steepest slope seen along a border: the median over its strips."""
    reach = points[:, :2] @ way
    across = points[:, 1] if way[0] else points[:, 0]
    low, high = (share * length for share in shares)
    if way[0]:  # about where heel or toes reach farthest
        end = reach >= reach.max() - DEPTH_MM
        middle = float(np.median(across[end]))
        low, high = low + middle, high + middle
    found = []
    for start in np.arange(low, high, STRIP_MM):
        strip = (across >= start) & (across < start + STRIP_MM)
        strip &= reach > 0.6 * reach.max() if way[0] > 0 else reach > -np.inf
        if strip.sum() < FEW:
            continue
        there = strip & (reach >= reach[strip].max() - DEPTH_MM)
        found.append(float(np.percentile(np.minimum(angle[there], 90.0), STEEPEST)))
    return float(np.median(found)) if found else 0.0
