"""The heel's breadths, and what a scan that ends below its widest place leaves of them.

Foot, Cloud -> heel_breadths -> Measures
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from footscan.foot import HEEL_STATION, Foot
from footscan.measuring.deviations import in_mm
from footscan.measuring.landmarks import HEEL_TOP_MM, heel_middle, heel_sides
from footscan.measuring.local_fit import Cloud
from footscan.results import Measure
from footscan.scan import Kind

__all__ = ["heel_breadths"]

HEEL_SLAB_MM = 6.0  # of a station, and below the end of a scan where a breadth is not sure
WIDENS = 0.2  # mm of a heel's breadth per mm of height, between 20 and 40 mm: shared feet, sd


def heel_breadths(foot: Foot, cloud: Cloud) -> dict[str, Measure]:
    """Return the heel breadth at its station and the largest over 10 to 25 %."""
    try:
        _, at_station = heel_middle(cloud, foot.length)
        widest, at = 0.0, 0.0
        for share in np.linspace(0.10, 0.25, 8):
            medial, lateral = heel_sides(cloud, share * foot.length)
            if (breadth := float(medial[1] - lateral[1])) > widest:
                widest, at = breadth, share * foot.length
        cut = [_cut_by(cloud, x) for x in (HEEL_STATION * foot.length, at)]
        if max(cut) > 0 and foot.kind not in (Kind.SOLE, Kind.IMPRESSION):
            up = HEEL_TOP_MM - max(cut)
            raise ValueError(f"the scan ends {up:.0f} mm up, where the heel is widest")
    except ValueError as error:
        reason = f"{error}; scan the heel again"
        return {name: Measure(reason=reason) for name in ("heel_breadth", "heel_breadth_max")}
    below = f"below {HEEL_TOP_MM:g} mm"
    found = {
        "heel_breadth": in_mm(
            "heel_breadth", at_station, f"at {100 * HEEL_STATION:g} % of length, {below}"
        ),
        "heel_breadth_max": in_mm("heel_breadth_max", widest, f"largest at 10-25 %, {below}"),
    }
    return {
        name: replace(m, sd=float(np.hypot(m.sd or 0.0, WIDENS * short)))
        for (name, m), short in zip(found.items(), cut, strict=True)
    }


def _cut_by(cloud: Cloud, x: float) -> float:
    """Return how far below 40 mm the heel ends at a station, mm; 0 where that cuts no breadth.

    A heel that is widest where the scan ends may well be wider above. Soles end there by nature:
    theirs is less sure by what a heel still widens.
    """
    points = cloud.points[np.abs(cloud.points[:, 0] - x) <= HEEL_SLAB_MM]
    top = float(points[:, 2].max(initial=0.0))
    widest = max(float(side[2]) for side in heel_sides(cloud, x))
    return max(HEEL_TOP_MM - top, 0.0) if widest > top - HEEL_SLAB_MM else 0.0
