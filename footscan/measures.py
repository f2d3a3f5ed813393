"""Measures of a foot: lengths, breadths, girths, arch and footprint.

    Foot + landmarks -> measures.measure -> dict of Measure

Every measure carries unit, standard deviation and method, or the reason why it cannot be had.

Terms
    tape girth   convex perimeter of a section: what a tape measure reads
    footprint    cells of the sole map below a stated contact height
    toeless      without the toes: cut where the footprint narrows ahead of the ball
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import ndimage, signal, spatial

from footscan.foot import Foot, SoleMap
from footscan.landmarks import HEEL_TOP_MM, heel_middle, heel_sides
from footscan.local_fit import Cloud, smooth_extreme
from footscan.results import Landmark, Measure
from footscan.scan import Array, IntArray, Kind, Load

__all__ = ["ball_girth", "footprint_indices", "girth", "measure", "section"]

GIRTH_BINS = 720
GIRTH_OFFSETS_MM = (-1.0, -0.5, 0.0, 0.5, 1.0)  # sections averaged to one girth
GIRTH_WINDOW_MM = 7.0  # local quadratic along the section: no shrinking, noise averaged
CONTACT_MM = 1.5  # footprint height for loaded feet: skin deforms by about this much
CONTACT_HANGING_MM = 4.0  # an unloaded foot: what about half body weight would press flat, CP
# Standard deviations, mm unless said (tests/benchmarks/landmark_study.py, noise up to 0.3 mm,
# 10 000 points and more): the larger of the root mean square error on specimens and the scatter
# between scans of one open foot, rounded up; truncated length as the first head. They hold for
# one pose of the foot: how it stood is not in here. The navicular is an estimate.
SD = {
    "foot_length": 0.5,
    "heel_to_ball_length": 2.0,
    "outside_ball_length": 1.5,
    "foot_breadth": 0.2,
    "foot_breadth_diagonal": 0.4,
    "ball_girth": 0.8,
    "instep_girth": 0.3,
    "instep_height": 0.2,
    "heel_breadth": 0.2,
    "heel_breadth_max": 0.2,
    "truncated_length": 5.0,
    "arch_height_index": 0.009,
    "arch_apex_height": 0.3,
    "navicular_height": 6.0,
    "ball_line_angle": 1.5,
    "hallux_angle": 0.6,
    "heel_angle": 0.4,
    "arch_index": 0.01,
    "chippaux_smirak": 2.0,
    "staheli": 0.03,
}


def measure(
    foot: Foot, cloud: Cloud, landmarks: Mapping[str, Landmark], *, arch_reason: str = ""
) -> dict[str, Measure]:
    """Return the measures of `foot` by their names in the JSON contract.

    Parameters
    ----------
    foot : Foot
        Foot frame, mm.
    cloud : Cloud
        Over ``foot.vertices``.
    landmarks : mapping of str to Landmark
        From :func:`footscan.landmarks.find`, overrides applied.
    arch_reason : str
        Why the sole's heights cannot be trusted (a filled sole); empty if they can.
    """
    place = {name: mark.xyz for name, mark in landmarks.items()}
    tibiale, fibulare = place["metatarsale_tibiale"], place["metatarsale_fibulare"]
    rear = float(place["pternion"][0])
    result = {
        "foot_length": _mm("foot_length", place["acropodion"][0] - rear, "local fits along x"),
        "heel_to_ball_length": _mm("heel_to_ball_length", tibiale[0] - rear, "along x"),
        "outside_ball_length": _mm("outside_ball_length", fibulare[0] - rear, "along x"),
        "foot_breadth": _mm("foot_breadth", tibiale[1] - fibulare[1], "across, between borders"),
        "foot_breadth_diagonal": _mm(
            "foot_breadth_diagonal",
            float(np.hypot(*(tibiale - fibulare)[:2])),
            "in plan, between border points",
        ),
        "truncated_length": _mm("truncated_length", place["mth1"][0] - rear, "to the first head"),
        "ball_line_angle": Measure(
            value=float(np.degrees(np.arctan2(tibiale[0] - fibulare[0], tibiale[1] - fibulare[1]))),
            unit="deg",
            sd=SD["ball_line_angle"],
            method="from the perpendicular of the axis",
        ),
        "hallux_angle": _hallux_angle(foot, cloud, place),
        "heel_angle": _heel_angle(foot, cloud),
        "forefoot_angle": Measure(unit="deg", reason=_no_forefoot_angle(foot)),
    }
    result |= _heel_breadths(foot, cloud)
    result |= _tops(foot, place, rear)
    result["ball_girth"] = _girth_or_reason(
        "ball_girth",
        lambda: ball_girth(foot, place),
        "tape girth, vertical plane through both ball points",
    )
    result["instep_girth"] = _girth_or_reason(
        "instep_girth",
        lambda: girth(
            foot.vertices, foot.faces, np.array([0.5 * foot.length, 0, 0]), np.array([1.0, 0, 0])
        ),
        "tape girth, vertical plane across the foot at 50 % of length",
    )
    result |= _arch(foot, place, arch_reason)
    return dict(sorted(result.items()))


def section(vertices: Array, faces: IntArray, point: Array, normal: Array) -> Array:
    """Return the segments in which a plane cuts a mesh, shape (k, 2, 3), mm.

    Vertices exactly on the plane count as above it, so that no segment is found twice.
    """
    height = (vertices - point) @ normal
    above = height >= 0
    count = above[faces].sum(axis=1)
    cut = faces[(count > 0) & (count < 3)]
    if len(cut) == 0:
        return np.zeros((0, 2, 3))
    up = above[cut]
    lonely = np.where(up.sum(axis=1) == 1, up.argmax(axis=1), (~up).argmax(axis=1))
    row = np.arange(len(cut))
    apex = cut[row, lonely]
    ends = []
    for step in (1, 2):
        other = cut[row, (lonely + step) % 3]
        share = height[apex] / (height[apex] - height[other])
        ends.append(vertices[apex] + share[:, None] * (vertices[other] - vertices[apex]))
    return np.stack(ends, axis=1)


def girth(vertices: Array, faces: IntArray, point: Array, normal: Array) -> float:
    """Return the tape girth of a section: perimeter of its convex hull, mm.

    Sections a millimetre to both sides are averaged by direction from the centre and smoothed
    by a local quadratic over 7 mm, so that noise does not lengthen the hull.

    Raises
    ------
    ValueError
        The plane does not cut the foot all round: more than 12 degrees are open.
    """
    normal = normal / np.linalg.norm(normal)
    across = np.cross([0.0, 0, 1], normal)
    across /= np.linalg.norm(across)
    up = np.cross(normal, across)
    points = []
    for offset in GIRTH_OFFSETS_MM:
        cut = section(vertices, faces, point + offset * normal, normal)
        for share in np.linspace(0, 1, 6):
            points.append(cut[:, 0] * (1 - share) + cut[:, 1] * share)
    cloud = np.concatenate(points) - point
    if len(cloud) < 60:
        raise ValueError("the section is empty")
    plan = np.stack([cloud @ across, cloud @ up], axis=1)
    plan = _main_component(plan)
    outline = _smooth_outline(plan)
    hull = spatial.ConvexHull(outline)
    return float(hull.area)  # of a hull in the plane, `area` is the perimeter


def ball_girth(foot: Foot, place: Mapping[str, Array]) -> float:
    """Return the tape girth in the vertical plane through both ball points, mm."""
    tibiale, fibulare = place["metatarsale_tibiale"], place["metatarsale_fibulare"]
    along = (tibiale - fibulare) * np.array([1.0, 1.0, 0.0])
    return girth(foot.vertices, foot.faces, tibiale, np.cross(along, [0.0, 0, 1]))


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


def _mm(name: str, value: float, method: str) -> Measure:
    return Measure(value=float(value), unit="mm", sd=SD[name], method=method)


def _girth_or_reason(name: str, compute, method: str) -> Measure:  # type: ignore[no-untyped-def]
    try:
        return _mm(name, compute(), method)
    except ValueError as error:
        return Measure(unit="mm", reason=f"{error}; the foot was not seen all round there")


def _main_component(plan: Array) -> Array:
    """Return the points of the section's largest connected piece."""
    cell = 2.0
    low = plan.min(axis=0) - cell
    index = ((plan - low) / cell).astype(int)
    grid = np.zeros(index.max(axis=0) + 2, dtype=bool)
    grid[index[:, 0], index[:, 1]] = True
    label, count = ndimage.label(ndimage.binary_dilation(grid, iterations=1), np.ones((3, 3)))
    if count <= 1:
        return plan
    own = label[index[:, 0], index[:, 1]]
    return plan[own == np.bincount(own)[1:].argmax() + 1]


def _smooth_outline(plan: Array) -> Array:
    """Return a smooth closed outline around the centre of `plan`, shape (720, 2)."""
    low, high = plan.min(axis=0), plan.max(axis=0)
    centre = (low + high) / 2
    offset = plan - centre
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    reach = np.hypot(offset[:, 0], offset[:, 1])
    bins = ((angle + np.pi) / (2 * np.pi) * GIRTH_BINS).astype(int) % GIRTH_BINS
    count = np.bincount(bins, minlength=GIRTH_BINS)
    total = np.bincount(bins, reach, minlength=GIRTH_BINS)
    seen = count > 0
    gaps = np.diff(np.flatnonzero(np.concatenate([seen, seen])))
    if seen.sum() < 30 or gaps.max() > GIRTH_BINS * 12 / 360:
        raise ValueError("the section is open")
    at = (np.arange(GIRTH_BINS) + 0.5) / GIRTH_BINS * 2 * np.pi - np.pi
    mean_angle = np.bincount(bins, angle, minlength=GIRTH_BINS)[seen] / count[seen]
    radius = np.interp(at, mean_angle, total[seen] / count[seen], period=2 * np.pi)
    outline = centre + radius[:, None] * np.stack([np.cos(at), np.sin(at)], axis=1)
    return _along_smoothed(outline)


def _along_smoothed(outline: Array) -> Array:
    """Return the closed outline under a local quadratic over a fixed length of arc."""
    closed = np.vstack([outline, outline[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    step = 0.5
    count = max(40, int(arc[-1] / step))
    at = np.linspace(0, arc[-1], count, endpoint=False)
    even = np.stack([np.interp(at, arc, closed[:, k]) for k in range(2)], axis=1)
    window = int(GIRTH_WINDOW_MM / (arc[-1] / count)) | 1
    return signal.savgol_filter(even, max(window, 5), 2, axis=0, mode="wrap")


def _heel_breadths(foot: Foot, cloud: Cloud) -> dict[str, Measure]:
    """Return the heel breadth at 16 % of length and the largest over 10 to 25 %."""
    try:
        _, at_station = heel_middle(cloud, foot.length)
        widest = 0.0
        for share in np.arange(0.10, 0.2501, 0.015):
            medial, lateral = heel_sides(cloud, share * foot.length)
            widest = max(widest, float(medial[1] - lateral[1]))
    except ValueError as error:
        reason = f"{error}; scan the heel again"
        return {name: Measure(reason=reason) for name in ("heel_breadth", "heel_breadth_max")}
    below = f"below {HEEL_TOP_MM:g} mm"
    return {
        "heel_breadth": _mm("heel_breadth", at_station, f"at 16 % of length, {below}"),
        "heel_breadth_max": _mm("heel_breadth_max", widest, f"largest at 10-25 %, {below}"),
    }


def _tops(foot: Foot, place: Mapping[str, Array], rear: float) -> dict[str, Measure]:
    """Return instep height and arch height index (Williams & McClay 2000)."""
    if foot.kind in (Kind.SOLE, Kind.IMPRESSION):
        reason = "only the sole was scanned"
        return {
            "instep_height": Measure(reason=reason),
            "arch_height_index": Measure(unit="", reason=reason),
        }
    height = float(place["instep"][2])
    truncated = float(place["mth1"][0]) - rear
    return {
        "instep_height": _mm("instep_height", height, "top of the foot at 50 % of length"),
        "arch_height_index": Measure(
            value=height / truncated,
            unit="",
            sd=SD["arch_height_index"],
            method="instep height over truncated length",
        ),
    }


def _arch(foot: Foot, place: Mapping[str, Array], arch_reason: str) -> dict[str, Measure]:
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
    navicular = Measure(
        value=float(place["navicular"][2]),
        unit="mm",
        sd=SD["navicular_height"],
        method="estimate from the medial side above the arch",
    )
    if arch_reason:
        blank = {name: Measure(unit=unit, reason=arch_reason) for name, unit in units.items()}
        return blank | {"navicular_height": navicular}
    result = {
        "arch_apex_height": _mm(
            "arch_apex_height",
            place["arch_apex"][2],
            "sole map on the 25 % line, 30-65 % of length",
        ),
        "navicular_height": navicular,
    }
    loaded = foot.kind is Kind.STANDING or foot.load in (Load.SEATED, Load.HALF, Load.FULL)
    contact = CONTACT_MM if loaded else CONTACT_HANGING_MM
    try:
        indices = footprint_indices(foot.sole, foot.length, contact)
    except ValueError as error:
        indices = {}
        reason = f"{error} at {contact:g} mm"
    for name in ("arch_index", "chippaux_smirak", "staheli"):
        result[name] = (
            Measure(
                value=indices[name],
                unit=units[name],
                sd=SD[name],
                method=f"static footprint at {contact:g} mm",
            )
            if indices
            else Measure(unit=units[name], reason=reason)
        )
    return result


def _toe_gap(x: Array, breadth: Array, length: float) -> float:
    """Return x where the toes begin: the narrowest footprint ahead of the ball."""
    zone = np.flatnonzero((x >= 0.74 * length) & (x <= 0.90 * length))
    if len(zone) == 0:
        return float(x[-1])
    smooth = ndimage.uniform_filter1d(breadth.astype(float), 5)
    return float(x[zone[int(np.argmin(smooth[zone]))]])


def _hallux_angle(foot: Foot, cloud: Cloud, place: Mapping[str, Array]) -> Measure:
    """Return the angle of the big toe's inner side against the foot's inner side, valgus +."""
    points = cloud.points
    x = points[:, 0] / foot.length
    low = points[:, 2] <= 45.0
    inside = low & (x > 0.87) & (x < 0.96)
    if inside.sum() < 12:
        return Measure(unit="deg", reason="the big toe is not seen")
    toe = smooth_extreme(cloud, np.array([0.0, 1, 0]), inside, 6.0)
    ball = place["metatarsale_tibiale"]
    try:
        heel, _ = heel_sides(cloud, 0.18 * foot.length)
    except ValueError:
        return Measure(unit="deg", reason="the heel is not seen")
    along, side = (ball - heel)[:2], (toe - ball)[:2]
    turn = along[0] * side[1] - along[1] * side[0]
    angle = -np.degrees(np.arctan2(turn, along @ side))
    return Measure(
        value=float(angle),
        unit="deg",
        sd=SD["hallux_angle"],
        method="heel side to ball against ball to big toe side, + is valgus",
    )


def _heel_angle(foot: Foot, cloud: Cloud) -> Measure:
    """Return the lean of the heel seen from behind, + is everted top (medial), as posture."""
    heights, middles = [], []
    points = cloud.points
    for z in np.arange(14.0, 46.0, 4.0):
        slab = (np.abs(points[:, 2] - z) <= 3.0) & (points[:, 0] < 0.16 * foot.length)
        if slab.sum() < 8:
            continue
        y = points[slab, 1]
        low, high = np.percentile(y, [2, 98])
        heights.append(z)
        middles.append((low + high) / 2)
    if len(heights) < 5:
        return Measure(unit="deg", reason="the back of the heel is not seen")
    slope = np.polyfit(heights, middles, 1)[0]
    return Measure(
        value=float(np.degrees(np.arctan(slope))),
        unit="deg",
        sd=SD["heel_angle"],
        method="middle line of the heel from 14 to 46 mm height, + leans medially going up",
    )


def _no_forefoot_angle(foot: Foot) -> str:
    if foot.kind is Kind.HANGING:
        return "the foot was levelled by its own heel and ball, which sets this angle to zero"
    return "the ground flattens the forefoot of a loaded foot"
