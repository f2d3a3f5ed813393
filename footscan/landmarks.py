"""Landmarks of a foot in the foot frame.

    footscan.pose -> Foot -> landmarks.find -> footscan.measures, insole.planning

Terms
    metatarsale tibiale / fibulare   most medial / most lateral point of the ball, on the border
    metatarsal heads (mth1..mth5)    centres of the heads in plan; z is the skin below them
    ball line                        from tibiale to fibulare
    heel centre                      middle of the heel's breadth at 16 % of foot length

Steps: border points by local smooth fits; the first and fifth head lie a share of the ball's
breadth inside them; the second to fourth head lie on the arc that metatarsal heads form
ahead of the line between those two. Proportions enter as shares of this foot's own breadth and
ball line, never of its length alone, so that a ball that sits far forward is found there.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from footscan.errors import LandmarkError
from footscan.foot import Foot, arch_apex
from footscan.local_fit import Cloud, smooth_extreme
from footscan.results import Landmark
from footscan.scan import Array

__all__ = ["ball_points", "find", "heads_from_borders", "heel_middle", "override"]

BALL_TOP_MM = 45.0  # the ball's borders lie below this height
HEEL_TOP_MM = 40.0  # heel breadths are read below this height (Lee 2014)
HEEL_STATION = 0.16  # share of length, Lee 2014, J Foot Ankle Res 7:44
MEDIAL_WINDOW = (0.62, 0.83)  # where the medial ball point is searched, share of length
LATERAL_WINDOW = (0.53, 0.70)
# Where they are searched when the border has no peak of its own (a straight big toe): mean place
# (ANSUR II 2012, 0.735 and 0.637 of length) and two and a half standard deviations.
MEDIAL_USUAL, LATERAL_USUAL = (0.70, 0.77), (0.60, 0.67)
END_SHARE = 0.015  # a top this close to the window's end is the border running on, not a peak
# Centre of the first and fifth head against their border points, share of ball breadth: inwards
# by half the head and the skin beside it, and slightly ahead. CALC from the joint centres of an
# open parametric body model (inwards 13 to 15 % and 9 to 10 %).
HEAD1_INSET, HEAD1_AHEAD = 0.145, 0.025
HEAD5_INSET, HEAD5_AHEAD = 0.100, 0.035
# The second to fourth head across the foot, between head 1 (0) and head 5 (1); same source.
HEAD_SHARES = {"mth2": 0.34, "mth3": 0.575, "mth4": 0.795}
# How far ahead of the first head the second and third lie, share of ball breadth: the second is
# the foremost, the third about level with the first. The fourth lies this share of the way back
# from the third to the fifth.
HEAD2_AHEAD, HEAD3_AHEAD, HEAD4_BACK = 0.055, 0.015, 0.38
# Standard deviations in plan, mm, along the worse axis (tests/benchmarks/landmark_study.py, noise
# up to 0.3 mm, 10 000 points and more): the larger of the root mean square error on specimens and
# the scatter between scans of one open foot, rounded up. Heads: root mean square of the error on
# specimens and of the scatter about joint centres that an artist placed in body-model feet; those
# centres lie farther forward by 4 to 7 mm (heads 2 to 4), 9 to 11 (first) and 18 (fifth), which is
# not in here. The navicular is an estimate from the outside.
SD_MM = {
    "pternion": 0.3,
    "acropodion": 0.5,
    "heel_centre": 0.2,
    "metatarsale_tibiale": 2.0,
    "metatarsale_fibulare": 1.5,
    "mth1": 5.0,
    "mth2": 4.0,
    "mth3": 4.0,
    "mth4": 3.5,
    "mth5": 4.5,
    "arch_apex": 2.0,
    "navicular": 8.0,
    "instep": 0.5,
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


def ball_points(cloud: Cloud, length: float) -> tuple[Array, Array]:
    """Return metatarsale tibiale and fibulare, foot frame, mm.

    Raises
    ------
    ValueError
        The ball is not in the scan.
    """
    tibiale = _border_point(cloud, length, +1.0, MEDIAL_WINDOW, MEDIAL_USUAL)
    fibulare = _border_point(cloud, length, -1.0, LATERAL_WINDOW, LATERAL_USUAL)
    return tibiale, fibulare


def heads_from_borders(tibiale: Array, fibulare: Array) -> dict[str, Array]:
    """Return the five metatarsal heads in plan, z = 0, from the two border points."""
    breadth = float(tibiale[1] - fibulare[1])
    first = tibiale + breadth * np.array([HEAD1_AHEAD, -HEAD1_INSET, 0.0])
    fifth = fibulare + breadth * np.array([HEAD5_AHEAD, HEAD5_INSET, 0.0])
    ahead = {"mth2": HEAD2_AHEAD * breadth, "mth3": HEAD3_AHEAD * breadth}
    ahead["mth4"] = ahead["mth3"] + HEAD4_BACK * (fifth[0] - first[0] - ahead["mth3"])
    heads = {"mth1": first, "mth5": fifth}
    for name, share in HEAD_SHARES.items():
        across = first[1] + share * (fifth[1] - first[1])
        heads[name] = np.array([first[0] + ahead[name], across, 0.0])
    return {name: head * np.array([1.0, 1.0, 0.0]) for name, head in sorted(heads.items())}


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
        ``arch_apex`` only where the arch was seen from below.

    Raises
    ------
    footscan.errors.LandmarkError
        Heel or ball is not in the scan.
    """
    cloud = cloud or Cloud.of(foot.vertices)
    try:
        middle, _ = heel_middle(cloud, foot.length)
        tibiale, fibulare = ball_points(cloud, foot.length)
    except ValueError as error:
        raise LandmarkError("ball", f"{error}; scan the whole foot again") from None
    found = {
        "pternion": (_heel_end(cloud, foot.length), "local fit of the rear of the heel"),
        "acropodion": (_toe_end(cloud, foot.length), "local fit of the foremost toe"),
        "heel_centre": (middle, "middle of the breadth at 16 % of length"),
        "metatarsale_tibiale": (tibiale, "local fit of the medial border"),
        "metatarsale_fibulare": (fibulare, "local fit of the lateral border"),
        "navicular": (_navicular(foot, cloud), "estimate from the medial side above the arch"),
        "instep": (_instep(foot, cloud), "top of the foot at 50 % of length"),
    }
    for name, head in heads_from_borders(tibiale, fibulare).items():
        found[name] = (_on_skin(foot, head), "inside the borders of the ball, on the heads' arc")
    landmarks = {
        name: Landmark(xyz=_frozen(xyz), sd=SD_MM[name], method=method)
        for name, (xyz, method) in found.items()
    }
    apex = _apex(foot)
    if apex is not None:
        landmarks["arch_apex"] = apex
    return landmarks


def override(
    landmarks: Mapping[str, Landmark], by_hand: Mapping[str, Array], foot: Foot
) -> dict[str, Landmark]:
    """Return `landmarks` with those in `by_hand` (foot frame, mm) set, the automatic ones kept.

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
        result[name] = Landmark(
            xyz=_frozen(point), sd=1.0, method="by hand", automatic=landmarks[name].xyz
        )
    return result


def _border_point(
    cloud: Cloud,
    length: float,
    sign: float,
    window: tuple[float, float],
    usual: tuple[float, float],
) -> Array:
    """Return the ball's border point on the medial (+1) or lateral (-1) side."""
    points = cloud.points
    low, high = window[0] * length, window[1] * length
    inside = (points[:, 0] >= low) & (points[:, 0] <= high) & (points[:, 2] <= BALL_TOP_MM)
    if inside.sum() < 12:
        raise ValueError("the ball of the foot is not seen")
    direction = np.array([0.0, sign, 0.0])
    found = smooth_extreme(cloud, direction, inside, 10.0)
    if low + END_SHARE * length < found[0] < high - END_SHARE * length:
        return found
    # the border runs on past the window (a toe that points outward): take the bulge against
    # the line from the heel's side to the toe's side instead, where a ball usually lies
    tilted = _bulge_direction(points, length, sign)
    low, high = usual[0] * length, usual[1] * length
    narrow = inside & (points[:, 0] >= low) & (points[:, 0] <= high)
    inside = narrow if narrow.any() else inside
    bound = np.array([[low, -np.inf, -np.inf], [high, np.inf, BALL_TOP_MM]])
    return smooth_extreme(cloud, tilted, inside, 10.0, bound)


def _bulge_direction(points: Array, length: float, sign: float) -> Array:
    """Return the unit normal, in plan, of the line from the heel's side to the toe's side."""
    low = points[points[:, 2] <= BALL_TOP_MM]
    ends = []
    for start, stop in ((0.12, 0.25), (0.86, 0.97)):
        part = low[(low[:, 0] >= start * length) & (low[:, 0] <= stop * length)]
        if len(part) < 6:
            return np.array([0.0, sign, 0.0])
        ends.append(part[np.argsort(sign * part[:, 1])[-5:], :2].mean(axis=0))
    along = ends[1] - ends[0]
    normal = sign * np.array([-along[1], along[0], 0.0])
    return normal / np.linalg.norm(normal)


def _heel_end(cloud: Cloud, length: float) -> Array:
    """Return the pternion; above 60 mm the calf may reach farther back than the heel."""
    points = cloud.points
    inside = (points[:, 0] < 0.3 * length) & (points[:, 2] <= 60.0)
    return smooth_extreme(cloud, np.array([-1.0, 0, 0]), inside, 8.0)


def _toe_end(cloud: Cloud, length: float) -> Array:
    """Return the foremost toe point."""
    return smooth_extreme(cloud, np.array([1.0, 0, 0]), cloud.points[:, 0] > 0.8 * length, 6.0)


def _navicular(foot: Foot, cloud: Cloud) -> Array:
    """Return the most medial point above the arch: a wide estimate of the tuberosity."""
    points = cloud.points
    x, z = points[:, 0] / foot.length, points[:, 2]
    inside = (x > 0.40) & (x < 0.50) & (z > 20.0) & (z < 60.0)
    if inside.sum() < 6:
        inside = (x > 0.35) & (x < 0.55)
    return smooth_extreme(cloud, np.array([0.0, 1, 0]), inside, 8.0)


def _instep(foot: Foot, cloud: Cloud) -> Array:
    """Return the top of the foot at half its length."""
    points = cloud.points
    half = 0.5 * foot.length
    slab = np.abs(points[:, 0] - half) <= 5.0
    if slab.sum() < 6:
        raise LandmarkError("instep", "the instep is not seen; scan the top of the foot as well")
    bound = np.array([[half, -np.inf, -np.inf], [half, np.inf, np.inf]])
    return smooth_extreme(cloud, np.array([0.0, 0, 1]), slab, 10.0, bound)


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
