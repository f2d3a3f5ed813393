"""Landmarks of a foot in the foot frame.

    measuring.pose -> Foot -> landmarks.find -> measuring.measures, insole.planning

Terms
    metatarsale tibiale / fibulare   most medial / most lateral point of the ball, on the border
    metatarsal heads (mth1..mth5)    centres of the heads in plan; z is the skin below them
    ball line                        from tibiale to fibulare
    heel centre                      middle of the heel's breadth at ``HEEL_STATION``

The ball's points and heads come from :mod:`measuring.ball`; the rest from local smooth fits.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from footscan.arch import arch_apex
from footscan.errors import LandmarkError
from footscan.foot import HEEL_STATION, Foot
from footscan.measuring import ball, ball_border, below, rims
from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.results import BY_EYE, BY_HAND, Landmark
from footscan.scan import Array, Kind

__all__ = ["find", "heel_middle", "heel_sides", "override"]

HEEL_TOP_MM = 40.0  # heel breadths are read below this height (Lee 2014)
SCAN_END_MM = 4.0  # an instep this close below the scan's end was cut off there
TOP_RIM_MM = 5.0  # beside an open rim the highest skin seen is not the top of the foot
NAVICULAR_ZONE = (0.40, 0.50)  # share of length
NAVICULAR_TOP_MM = 60.0
# Standard deviations in plan, mm, along the worse axis (tests/benchmarks/landmark_study.py, good
# scans): the larger of the root mean square error on specimens and the scatter between scans of
# one foot, rounded up. Heads: of the scatter about joint centres that an artist placed in
# body-model feet; those lie farther forward by ``ball.JOINT_AHEAD_MM``, which is not in here. The
# navicular is an estimate from the outside.
SD_MM = {
    "pternion": 0.5,
    "acropodion": 0.7,
    "heel_centre": 0.2,
    "metatarsale_tibiale": 0.6,
    "metatarsale_fibulare": 0.6,
    "mth1": 3.0,
    "mth2": 3.0,
    "mth3": 3.0,
    "mth4": 3.0,
    "mth5": 4.0,
    "arch_apex": 2.0,
    "navicular": 8.0,
    "instep": 0.5,
}

# How far a border point moves between scans, share of the spread of its weights (CALC from eight
# scans each of body-model feet, tests/benchmarks/stability_study.py): the lateral border is flat.
OF_SPREAD = {+1: 0.40, -1: 1.00}
# The medial ball point of 95 % of adults, share of length (ANSUR II 2012, 6068 feet). One found
# outside may be a bulge beside the ball: the 95 % band then reaches back to where it usually lies.
USUAL_BALL = (0.711, 0.769)
HOLE_MM = 4.0  # a hole so wide across a border hides where it is farthest out
HOLE_NEAR_MM = np.array([20.0, 8.0, 14.0])  # so near a border point: along, across, up
# The border that each landmark lies on, where a foot was seen from below only.
FROM_BELOW = {
    "pternion": "heel",
    "acropodion": "toes",
    "metatarsale_tibiale": "medial border",
    "metatarsale_fibulare": "lateral border",
}


def heel_middle(cloud: Cloud, length: float) -> tuple[Array, float]:
    """Return the heel centre on the ground, shape (3,), and the heel's breadth there, mm."""
    medial, lateral = heel_sides(cloud, HEEL_STATION * length)
    middle = np.array([HEEL_STATION * length, (medial[1] + lateral[1]) / 2, 0.0])
    return middle, float(medial[1] - lateral[1])


def heel_sides(cloud: Cloud, x: float, half: float = 6.0) -> tuple[Array, Array]:
    """Return the heel's medial and lateral point at station `x`, below 40 mm.

    The extreme is looked for in y at the station itself: a fit over a slab around `x` would
    follow a heel that widens forward.
    """
    points = cloud.points
    slab = (np.abs(points[:, 0] - x) <= half) & (points[:, 2] <= HEEL_TOP_MM)
    if slab.sum() < 6:
        raise ValueError("the heel is not seen")
    bound = np.array([[x, -np.inf, -np.inf], [x, np.inf, HEEL_TOP_MM]])
    medial = smooth_extreme(cloud, np.array([0.0, 1, 0]), slab, 8.0, bound)
    lateral = smooth_extreme(cloud, np.array([0.0, -1, 0]), slab, 8.0, bound)
    return medial, lateral


def find(foot: Foot, cloud: Cloud | None = None) -> dict[str, Landmark]:
    """Return the landmarks of `foot`.

    Parameters
    ----------
    foot : Foot
        Foot frame, mm.
    cloud : Cloud, optional
        Over ``foot.vertices``, where the caller has it already.

    Returns
    -------
    dict of str to Landmark
        ``arch_apex`` only where the arch was seen from below, ``navicular`` and ``instep``
        only where the top of the foot was.

    Raises
    ------
    footscan.errors.LandmarkError
        Heel or ball is not in the scan.
    """
    cloud = cloud or Cloud.of(foot.vertices)
    name = "heel_centre"
    try:
        middle, _ = heel_middle(cloud, foot.length)
        name = "ball"
        tibiale, fibulare = borders = ball_border.border_points(cloud, foot.length)
    except ValueError as error:
        raise LandmarkError(name, f"{error}; scan the whole foot again") from None
    found = {
        "pternion": (_heel_end(cloud, foot.length), "local fit of the rear of the heel"),
        "acropodion": (_toe_end(cloud, foot.length), "local fit of the foremost toe"),
        "heel_centre": (middle, f"middle of the breadth at {100 * HEEL_STATION:g} % of length"),
        "metatarsale_tibiale": (tibiale, "local fit of the medial border"),
        "metatarsale_fibulare": (fibulare, "local fit of the lateral border"),
    }
    if foot.kind not in (Kind.SOLE, Kind.IMPRESSION):
        navicular = _navicular(foot, cloud)
        if navicular is not None:
            found["navicular"] = (navicular, "estimate from the medial side above the arch")
        instep = _instep(foot, cloud)
        if instep is not None:
            found["instep"] = (instep, "top of the foot at 50 % of length")
    landmarks = {
        name: Landmark(xyz=_frozen(xyz), sd=SD_MM[name], method=method)
        for name, (xyz, method) in found.items()
    }
    unusual = _unusual(tibiale, foot.length)
    for name, sign in (("metatarsale_tibiale", +1), ("metatarsale_fibulare", -1)):
        flat = ball_border.spread(cloud, foot.length, sign)
        sd = float(np.hypot(_on_border(SD_MM[name], flat, sign), unusual))
        landmarks[name] = replace(landmarks[name], sd=round(sd, 2))
    if foot.kind not in (Kind.SOLE, Kind.IMPRESSION):
        landmarks |= _beside_holes(landmarks, foot)
    else:
        landmarks |= _from_below(landmarks, foot)
    heads = ball.heads(foot.vertices, foot.faces, foot.sole, foot.length, borders)
    for name, head in heads.items():
        landmarks[name] = Landmark(
            xyz=_frozen(_on_skin(foot, head.xy)),
            sd=float(np.hypot(max(head.sd, SD_MM[name]), unusual)),
            method="by " + ", ".join(head.marks),
        )
    apex = _apex(foot)
    if apex is not None:
        landmarks["arch_apex"] = apex
    return landmarks


def _unusual(tibiale: Array, length: float) -> float:
    """Return the deviation, mm, that a ball outside of where people have it adds to its points."""
    share = float(tibiale[0]) / length
    beyond = max(USUAL_BALL[0] - share, share - USUAL_BALL[1], 0.0)
    return beyond * length / 2


def _on_border(sd: float, flat: float, sign: int) -> float:
    """Return the deviation of a border point whose place spreads by `flat` mm along the border."""
    return round(float(np.hypot(sd, OF_SPREAD[sign] * flat)), 2)


def _beside_holes(found: Mapping[str, Landmark], foot: Foot) -> dict[str, Landmark]:
    """Return the border points with the deviation that a hole in the ball's border leaves.

    Within a hole nothing tells where the border is farthest out: the point may lie at its far
    end, which is then the end of the 95 % band.
    """
    open_rims, result = rims.holes(foot, ball_border.BALL_TOP_MM, HOLE_MM), {}
    for name in ("metatarsale_tibiale", "metatarsale_fibulare"):
        far = max((_reach(rim - found[name].xyz) for rim in open_rims), default=0.0)
        if far > 0:
            sd = float(np.hypot(found[name].sd, far / 2))
            result[name] = replace(found[name], sd=round(sd, 2))
    return result


def _reach(off: Array) -> float:
    """Return how far along the foot a rim reaches about a border point, 0 if it leaves it be.

    Only a hole that goes across the border, from below the point to above it, hides its place;
    one under the sole or between the toes does not.
    """
    off = off[(np.abs(off) < HOLE_NEAR_MM).all(axis=1)]
    if len(off) < 4 or not off[:, 2].min() < 0 < off[:, 2].max():
        return 0.0
    return float(np.abs(off[:, 0]).max())


def _from_below(found: Mapping[str, Landmark], foot: Foot) -> dict[str, Landmark]:
    """Return the landmarks on borders with the deviation of a border not seen in full."""
    seen, result = below.seen_to(foot), {}
    for name, border in FROM_BELOW.items():
        degrees = seen[border]
        parts = [found[name].sd, below.shortfall(degrees) / 2]
        if name.startswith("metatarsale"):
            parts.append(below.place_sd(degrees))
        result[name] = replace(found[name], sd=round(float(np.linalg.norm(parts)), 2))
    return result


def override(
    landmarks: Mapping[str, Landmark],
    by_hand: Mapping[str, Array],
    foot: Foot,
    by_eye: Collection[str] = (),
) -> dict[str, Landmark]:
    """Return `landmarks` with those in `by_hand` (foot frame, mm) set, the automatic ones kept.

    One that was felt for is known to 1 mm; those in `by_eye` are no surer than where the scan
    shows them.

    Raises
    ------
    footscan.errors.LandmarkError
        The name is unknown or the point lies more than 15 mm off the foot.
    """
    result = dict(landmarks)
    cloud = Cloud.of(foot.vertices)
    for name, xyz in by_hand.items():
        if name not in landmarks:
            known = ", ".join(sorted(landmarks))
            raise LandmarkError(name, f"there is no landmark {name!r}; choose one of {known}")
        point = np.asarray(xyz, dtype=float)
        if cloud.tree.query(point)[0] > 15.0:
            raise LandmarkError(
                name, f"the point given for {name} lies more than 15 mm off the foot; give it anew"
            )
        eye = name in by_eye
        result[name] = Landmark(
            xyz=_frozen(point),
            sd=max(1.0, landmarks[name].sd) if eye else 1.0,
            method=BY_EYE if eye else BY_HAND,
            automatic=landmarks[name].xyz,
        )
    return result


def _heel_end(cloud: Cloud, length: float) -> Array:
    """Return the pternion; above 60 mm the calf may reach farther back than the heel."""
    points = cloud.points
    inside = (points[:, 0] < 0.3 * length) & (points[:, 2] <= 60.0)
    return smooth_extreme(cloud, np.array([-1.0, 0, 0]), inside, 8.0)


def _toe_end(cloud: Cloud, length: float) -> Array:
    """Return the foremost toe point."""
    return smooth_extreme(cloud, np.array([1.0, 0, 0]), cloud.points[:, 0] > 0.8 * length, 6.0)


def _navicular(foot: Foot, cloud: Cloud) -> Array | None:
    """Return the most medial point above the arch: a wide estimate of the tuberosity.

    None where the scan ends in that zone: the tuberosity may lie above its end.
    """
    points, (low, high) = cloud.points, NAVICULAR_ZONE
    rim = foot.vertices[np.unique(rims.edges(foot))]
    within = (rim[:, 0] > low * foot.length) & (rim[:, 0] < high * foot.length)
    within &= (rim[:, 1] > 0) & (rim[:, 2] > 20.0) & (rim[:, 2] < NAVICULAR_TOP_MM)
    if within.any() and np.ptp(rim[within, 0]) > 0.5 * (high - low) * foot.length:
        return None
    x, z = points[:, 0] / foot.length, points[:, 2]
    inside = (x > low) & (x < high) & (z > 20.0) & (z < NAVICULAR_TOP_MM)
    if inside.sum() < 6:
        inside = (x > 0.35) & (x < 0.55)
    return smooth_extreme(cloud, np.array([0.0, 1, 0]), inside, 8.0)


def _instep(foot: Foot, cloud: Cloud) -> Array | None:
    """Return the top of the foot at half its length, None where the scan ends below it."""
    points = cloud.points
    half = 0.5 * foot.length
    slab = np.abs(points[:, 0] - half) <= 5.0
    if slab.sum() < 6:
        raise LandmarkError("instep", "the instep is not seen; scan the top of the foot as well")
    bound = np.array([[half, -np.inf, -np.inf], [half, np.inf, np.inf]])
    top = smooth_extreme(cloud, np.array([0.0, 0, 1]), slab, 10.0, bound)
    ended = top[2] >= points[:, 2].max() - SCAN_END_MM or rims.ends_near(foot, top, TOP_RIM_MM)
    return None if ended else top


def _on_skin(foot: Foot, head: Array) -> Array:
    """Return `head` with z set to the sole below it; 0 where the map is empty."""
    z = float(foot.sole.height(head[0], head[1]))
    return np.array([head[0], head[1], z if np.isfinite(z) else 0.0])


def _apex(foot: Foot) -> Landmark | None:
    """Return the arch apex, None where the arch was not seen from below."""
    try:
        apex = arch_apex(foot.sole, foot.length)
    except ValueError:
        return None
    sd = SD_MM["arch_apex"] + apex.plateau / np.sqrt(12)
    return Landmark(
        xyz=_frozen(np.array([apex.x, apex.y, apex.z])),
        sd=float(sd),
        method="highest point of the sole map along the 25 % line",
    )


def _frozen(xyz: Array) -> Array:
    point = np.array(xyz, dtype=float)
    point.setflags(write=False)
    return point
