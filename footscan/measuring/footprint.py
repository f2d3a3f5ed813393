"""The footprint and the sole from below: arch index, heel lean, toes' gap, arch."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import ndimage

from footscan.foot import Foot, SoleMap
from footscan.measuring.deviations import SD, in_mm
from footscan.measuring.landmarks import heel_sides
from footscan.measuring.local_fit import Cloud
from footscan.measuring.toes import big_toe_side
from footscan.results import Measure
from footscan.scan import Array, Kind, Load

__all__ = [
    "arch_measures",
    "footprint_indices",
    "hallux_line_angle",
    "heel_lean_angle",
    "no_forefoot_angle",
]

CONTACT_MM = 1.5  # footprint height for loaded feet: skin deforms by about this much
FOOTPRINT = ("arch_index", "chippaux_smirak", "staheli")
# Heights over which the heel's middle line is read, shares of length: 14 to 42 mm of 260 mm.
HEEL_LEAN, HEEL_LEAN_SLAB = (0.054, 0.162), 0.0115
HEEL_LEAN_BEHIND = 0.16  # share of length: skin behind it leans as the heel does


def footprint_indices(sole: SoleMap, length: float, contact_mm: float) -> dict[str, float]:
    """Return ``arch_index``, ``chippaux_smirak`` (percent) and ``staheli`` of the footprint.

    The toeless footprint is cut into equal thirds along x; the arch index is the middle third's
    share of its area. Chippaux-Smirak is the narrowest midfoot breadth over the widest forefoot
    breadth; Staheli the narrowest midfoot over the widest heel breadth.

    References
    ----------
    .. [1] Murley, Menz, Landorf (2009), J Foot Ankle Res 2:22 (thirds, toes left out).
    .. [2] Ann Rehabil Med 2023;47:222 (Chippaux-Smirak and Staheli indices).
    """
    printed = np.isfinite(sole.z) & (sole.z <= contact_mm)
    printed = ndimage.binary_opening(printed, iterations=1)
    breadth = printed.sum(axis=1) * sole.cell
    x = sole.x
    end = _toe_gap(x, breadth, length)
    foot = (breadth > 0) & (x <= end)
    if foot.sum() < 0.4 * length / sole.cell:
        raise ValueError("the footprint is incomplete")
    first, last = x[foot].min(), x[foot].max()
    third = (last - first) / 3
    areas = [
        breadth[(x >= first + k * third) & (x < first + (k + 1) * third + 1e-9)].sum()
        for k in range(3)
    ]
    heel = breadth[(x >= first) & (x <= first + third)].max()
    fore = breadth[(x >= first + 2 * third) & (x <= last)].max()
    mid = breadth[(x >= first + third) & (x <= first + 2 * third)].min()
    return {
        "arch_index": float(areas[1] / sum(areas)),
        "chippaux_smirak": float(100 * mid / fore),
        "staheli": float(mid / heel),
    }


def arch_measures(foot: Foot, place: Mapping[str, Array], arch_reason: str) -> dict[str, Measure]:
    """Return the measures that need the sole seen from below."""
    units = {
        "arch_apex_height": "mm",
        "navicular_height": "mm",
        "arch_index": "",
        "chippaux_smirak": "%",
        "staheli": "",
    }
    if "arch_apex" not in place and not arch_reason:
        arch_reason = "the arch was not seen from below"
    navicular = Measure(unit="mm", reason="the medial side above the arch was not seen")
    if "navicular" in place and foot.kind not in (Kind.SOLE, Kind.IMPRESSION):
        height, how = place["navicular"][2], "estimate from the medial side above the arch"
        navicular = in_mm("navicular_height", height, how)
    if arch_reason:
        blank = {name: Measure(unit=unit, reason=arch_reason) for name, unit in units.items()}
        return blank | {"navicular_height": navicular}
    result = {
        "arch_apex_height": in_mm(
            "arch_apex_height",
            place["arch_apex"][2],
            "sole map on the 25 % line, 30-65 % of length",
        ),
        "navicular_height": navicular,
    }
    return result | _footprint(foot, units)


def _footprint(foot: Foot, units: Mapping[str, str]) -> dict[str, Measure]:
    """Return the footprint's indices; only a foot that carries load makes a footprint."""
    stated = foot.load in (Load.SEATED, Load.HALF, Load.FULL)
    if not stated and (foot.load is Load.NONE or foot.kind is not Kind.STANDING):
        carries = foot.load is Load.NONE or foot.kind is Kind.HANGING
        reason = (
            "an unloaded foot makes no footprint"
            if carries
            else "whether the foot carried load is not known; state it"
        )
        return {name: Measure(unit=units[name], reason=reason) for name in FOOTPRINT}
    try:
        indices = footprint_indices(foot.sole, foot.length, CONTACT_MM)
    except ValueError as error:
        reason = f"{error} at {CONTACT_MM:g} mm"
        return {name: Measure(unit=units[name], reason=reason) for name in FOOTPRINT}
    how = f"static footprint at {CONTACT_MM:g} mm"
    return {
        name: Measure(value=indices[name], unit=units[name], sd=SD[name], method=how)
        for name in FOOTPRINT
    }


def _toe_gap(x: Array, breadth: Array, length: float) -> float:
    """Return x where the toes begin: the narrowest footprint ahead of the ball."""
    zone = np.flatnonzero((x >= 0.74 * length) & (x <= 0.90 * length))
    if len(zone) == 0:
        return float(x[-1])
    smooth = ndimage.uniform_filter1d(breadth.astype(float), 5)
    return float(x[zone[int(np.argmin(smooth[zone]))]])


def hallux_line_angle(foot: Foot, cloud: Cloud, place: Mapping[str, Array]) -> Measure:
    """Return the angle of the big toe's inner side against the foot's inner side, valgus +."""
    ball = place["metatarsale_tibiale"]
    try:
        toe = big_toe_side(cloud, foot.length)
        heel, _ = heel_sides(cloud, 0.18 * foot.length)
    except ValueError as error:
        return Measure(unit="deg", reason=str(error))
    along, side = (ball - heel)[:2], (toe - ball)[:2]
    turn = along[0] * side[1] - along[1] * side[0]
    angle = -np.degrees(np.arctan2(turn, along @ side))
    return Measure(
        value=float(angle),
        unit="deg",
        sd=SD["hallux_angle"],
        method="heel side to ball against ball to big toe side, + is valgus",
    )


def heel_lean_angle(foot: Foot, cloud: Cloud) -> Measure:
    """Return the lean of the heel seen from behind, + is everted top (medial), as posture."""
    heights, middles = [], []
    points, low = cloud.points, cloud.points[:, 0] < HEEL_LEAN_BEHIND * foot.length
    # shares of length: a heel scaled is the same heel
    for z in np.linspace(*HEEL_LEAN, 8) * foot.length:
        slab = low & (np.abs(points[:, 2] - z) <= HEEL_LEAN_SLAB * foot.length)
        if slab.sum() < 8:
            continue
        y = points[slab, 1]
        lateral, medial = np.percentile(y, [2, 98])
        heights.append(z)
        middles.append((lateral + medial) / 2)
    if len(heights) < 5:
        return Measure(unit="deg", reason="the back of the heel is not seen")
    slope = np.polyfit(heights, middles, 1)[0]
    return Measure(
        value=float(np.degrees(np.arctan(slope))),
        unit="deg",
        sd=SD["heel_angle"],
        method="middle line of the heel at 5 to 16 % of length in height, + leans medially up",
    )


def no_forefoot_angle(foot: Foot) -> str:
    """Return why the forefoot's angle cannot be read from this scan."""
    if foot.kind is Kind.HANGING:
        return "the foot was levelled by its own heel and ball, which sets this angle to zero"
    return "the ground flattens the forefoot of a loaded foot"
