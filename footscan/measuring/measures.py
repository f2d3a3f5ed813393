"""Measures of a foot: lengths, breadths, girths, arch and footprint.

    Foot + landmarks -> measures.measure -> dict of Measure

Every measure carries unit, standard deviation and method, or the reason why it cannot be had.

Terms
    tape girth   convex perimeter of a section: what a tape measure reads
    footprint    cells of the sole map below a stated contact height
    toeless      without the toes: cut where the footprint narrows ahead of the ball
    sole drop    height of the heel's contact above that of the ball's, on the scan's own floor
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from footscan.foot import Foot
from footscan.measuring import below
from footscan.measuring.deviations import SD, in_mm
from footscan.measuring.footprint import (
    arch_measures,
    hallux_line_angle,
    heel_lean_angle,
    no_forefoot_angle,
)
from footscan.measuring.heel import heel_breadths
from footscan.measuring.landmarks import SD_MM
from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.measuring.pose import CONTACT_RADIUS_MM, CONTACT_REGION_MM
from footscan.measuring.tape import girth, section
from footscan.measuring.toes import toe_height_1, toe_height_5
from footscan.results import Landmark, Measure
from footscan.scan import Array, Kind, Load

__all__ = ["ball_girth", "by_hand_words", "girth", "load_state", "measure", "section"]

# A sole closed by a plane adds its corners to the tape. On specimens (18 shapes, noise up to
# 0.3 mm) the ball girth read 4.7 mm large, root mean square 4.8: kept, since its error has one
# sign and a size that this deviation covers, so that a later comparison calls it close by
# itself. The instep girth read 15 to 26 mm large, for there the arch is filled: no measure.
FILLED_BALL_GIRTH_SD = 5.0
AXIS_MARKS = ("heel_centre", "mth2")  # the long axis came from these, found on the surface
LENGTHS = ("foot_length", "heel_to_ball_length", "outside_ball_length", "truncated_length")
# Heel and toes bulge beyond what is seen from below: hollows read 1 mm long (CALC from specimens).
# What is short because a border was not seen up to where it stands upright: ``measuring.below``.
ENDS_FROM_BELOW_MM = 1.5
_BALL_BORDERS = ("medial border", "lateral border")
FROM_BELOW = {
    "foot_length": ("heel", "toes"),
    "heel_to_ball_length": ("heel", "medial border"),
    "outside_ball_length": ("heel", "lateral border"),
    "truncated_length": ("heel",),
    "foot_breadth": _BALL_BORDERS,
    "foot_breadth_diagonal": _BALL_BORDERS,
    "heel_breadth": ("heel, medial", "heel, lateral"),
    "heel_breadth_max": ("heel, medial", "heel, lateral"),
}
ONLY_SOLE = "only the sole was scanned, not the top of the foot"
# What is read from which landmarks, so that a place set by hand shows in method and deviation.
_BALL = ("metatarsale_tibiale", "metatarsale_fibulare")
READ_FROM = {
    "foot_length": ("pternion", "acropodion"),
    "heel_to_ball_length": ("pternion", "metatarsale_tibiale"),
    "outside_ball_length": ("pternion", "metatarsale_fibulare"),
    "truncated_length": ("pternion", "mth1"),
    "foot_breadth": _BALL,
    "foot_breadth_diagonal": _BALL,
    "ball_girth": _BALL,
    "ball_line_angle": _BALL,
    "hallux_angle": ("metatarsale_tibiale",),
    "instep_height": ("instep",),
    "arch_height_index": ("instep", "mth1", "pternion"),
    "arch_apex_height": ("arch_apex",),
    "navicular_height": ("navicular",),
    "sole_drop": ("mth1", "mth5"),
}


def measure(
    foot: Foot,
    cloud: Cloud,
    landmarks: Mapping[str, Landmark],
    *,
    arch_reason: str = "",
    filled: bool = False,
    ground: str = "",
) -> dict[str, Measure]:
    """Return the measures of `foot` by their names in the JSON contract.

    Parameters
    ----------
    foot : Foot
        Foot frame, mm.
    cloud : Cloud
        Over ``foot.vertices``.
    landmarks : mapping of str to Landmark
        From :func:`measuring.landmarks.find`, overrides applied; what is read from a landmark set
        by hand says so and takes its deviation.
    arch_reason : str
        Why the sole's heights cannot be trusted (a filled sole); empty if they can.
    filled : bool
        A plane stands in for the sole: the ball girth is kept with a deviation that covers it,
        the instep girth is not.
    ground : str
        What the ground was taken from, as in :class:`footscan.measuring.pose.Settled`.
    """
    place = {name: mark.xyz for name, mark in landmarks.items()}
    rear = float(place["pternion"][0])
    result = _plan_measures(place, rear)
    result["hallux_angle"] = hallux_line_angle(foot, cloud, place)
    result["heel_angle"] = heel_lean_angle(foot, cloud)
    result["forefoot_angle"] = Measure(unit="deg", reason=no_forefoot_angle(foot))
    result["sole_drop"] = _sole_drop(foot, cloud, place, ground, arch_reason)
    result |= heel_breadths(foot, cloud)
    result |= _tops(foot, cloud, place, rear, filled)
    result |= arch_measures(foot, place, arch_reason)
    if foot.kind in (Kind.SOLE, Kind.IMPRESSION):
        result |= _from_below(result, foot)
    else:
        result |= _on_flat_borders(result, landmarks)
    return dict(sorted(_said_by_hand(result, landmarks).items()))


def _from_below(found: Mapping[str, Measure], foot: Foot) -> dict[str, Measure]:
    """Return the measures of a sole or a hollow with the deviation of borders not seen in full."""
    seen, result = below.seen_to(foot), {}
    words = "borders seen from below only"
    for name, borders in FROM_BELOW.items():
        old = found[name]
        if old.value is None:
            continue
        # the whole shortfall is the 95 % band: the border lies somewhere within it
        parts = [old.sd or 0.0, below.shortfall(*(seen[border] for border in borders)) / 2]
        if name in LENGTHS:
            parts.append(ENDS_FROM_BELOW_MM)
        if name in ("heel_to_ball_length", "outside_ball_length"):
            parts.append(below.place_sd(seen[borders[1]]))
        sd = round(float(np.linalg.norm(parts)), 2)
        result[name] = replace(old, sd=sd, method=f"{old.method}; {words}")
    return result


def _on_flat_borders(
    found: Mapping[str, Measure], landmarks: Mapping[str, Landmark]
) -> dict[str, Measure]:
    """Return the measures along the foot with the deviations of border points and first head."""
    extra = {}
    for name in _BALL:
        own = SD_MM[name]
        extra[name] = float(np.sqrt(max(landmarks[name].sd ** 2 - own**2, 0.0)))
    both = float(np.hypot(extra[_BALL[0]], extra[_BALL[1]]))
    breadth = found["foot_breadth"].value or 1.0
    extra["mth1"] = float(np.sqrt(max(landmarks["mth1"].sd ** 2 - SD_MM["mth1"] ** 2, 0.0)))
    along = {
        "heel_to_ball_length": extra["metatarsale_tibiale"],
        "outside_ball_length": extra["metatarsale_fibulare"],
        "truncated_length": extra["mth1"],
        "ball_line_angle": float(np.degrees(np.arctan2(both, breadth))),
    }
    return {
        name: replace(found[name], sd=round(float(np.hypot(found[name].sd or 0.0, more)), 3))
        for name, more in along.items()
        if more > 0 and found[name].value is not None
    }


def ball_girth(foot: Foot, place: Mapping[str, Array]) -> float:
    """Return the tape girth in the vertical plane through both ball points, mm."""
    tibiale, fibulare = place["metatarsale_tibiale"], place["metatarsale_fibulare"]
    along = (tibiale - fibulare) * np.array([1.0, 1.0, 0.0])
    return girth(foot.vertices, foot.faces, tibiale, np.cross(along, [0.0, 0, 1]))


def load_state(load: str, kind: str) -> Load:
    """Return the load state to reckon with: a foot in the air carries nothing, said or not."""
    if load == Load.UNKNOWN and kind == Kind.HANGING:
        return Load.NONE
    return Load(load)


def by_hand_words(landmarks: Mapping[str, Landmark]) -> dict[str, str]:
    """Return a sentence for every landmark set by hand, with how far it was moved, mm."""
    words = {}
    for name, mark in sorted(landmarks.items()):
        if not mark.by_hand or mark.automatic is None:
            continue
        step = mark.xyz - mark.automatic
        parts = [
            f"{abs(v):.1f} mm {ways[0] if v > 0 else ways[1]}"
            for v, ways in zip(
                step, (("forward", "back"), ("medial", "lateral"), ("up", "down")), strict=True
            )
            if abs(v) >= 0.05
        ]
        where = f" ({', '.join(parts)})" if parts else ""
        text = (
            f"{name.replace('_', ' ')} was set {mark.method}, {np.linalg.norm(step):.1f} mm from "
            f"where the scan shows it{where}"
        )
        if name in AXIS_MARKS:
            text += "; the foot's axis stays as found on the scan"
        words[name] = text
    return words


def _plan_measures(place: Mapping[str, Array], rear: float) -> dict[str, Measure]:
    """Return the lengths and breadths between landmarks, and the turn of the ball line."""
    tibiale, fibulare = place["metatarsale_tibiale"], place["metatarsale_fibulare"]
    along, across = (float(v) for v in (tibiale - fibulare)[:2])
    return {
        "foot_length": in_mm("foot_length", place["acropodion"][0] - rear, "local fits along x"),
        "heel_to_ball_length": in_mm("heel_to_ball_length", tibiale[0] - rear, "along x"),
        "outside_ball_length": in_mm("outside_ball_length", fibulare[0] - rear, "along x"),
        "foot_breadth": in_mm("foot_breadth", across, "across, between borders"),
        "foot_breadth_diagonal": in_mm(
            "foot_breadth_diagonal",
            float(np.hypot(along, across)),
            "in plan, between border points",
        ),
        "truncated_length": in_mm("truncated_length", place["mth1"][0] - rear, "to the first head"),
        "ball_line_angle": Measure(
            value=float(np.degrees(np.arctan2(along, across))),
            unit="deg",
            sd=SD["ball_line_angle"],
            method="from the perpendicular of the axis",
        ),
    }


def _said_by_hand(
    found: dict[str, Measure], landmarks: Mapping[str, Landmark]
) -> dict[str, Measure]:
    """Return the measures; those read from a landmark set by hand say so in method and sd."""
    result = dict(found)
    for name, marks in READ_FROM.items():
        hand = [m for m in marks if m in landmarks and landmarks[m].by_hand]
        old = found[name]
        if not hand or old.value is None:
            continue
        own = [landmarks[m].sd for m in hand]
        others = [landmarks[m].sd for m in marks if m in landmarks and m not in hand]
        sd = old.sd
        if name in LENGTHS:
            sd = float(np.hypot.reduce([*own, *others]))
        elif name == "arch_height_index":
            parts = [result[n] for n in ("instep_height", "truncated_length")]
            sd = old.value * float(np.hypot.reduce([(m.sd or 0) / (m.value or 1) for m in parts]))
        elif old.unit == "mm":  # what is left of an automatic one counts on
            sd = float(np.hypot.reduce(own if len(marks) == 1 else [*own, old.sd or 0.0]))
        words = " and ".join(m.replace("_", " ") for m in hand)
        sd = None if sd is None else round(sd, 4)
        result[name] = replace(
            old, sd=sd, by_hand=True, method=f"{old.method}; {words} set by hand"
        )
    return result


def _sole_drop(
    foot: Foot, cloud: Cloud, place: Mapping[str, Array], ground: str, arch_reason: str
) -> Measure:
    """Return how much higher the heel's contact lies than the mean of both ball contacts."""
    reason = arch_reason
    if not reason and ground != "floor":
        reason = "the ground was laid through the foot's own heel and ball, which makes this zero"
    if reason:
        return Measure(unit="mm", reason=reason)
    points = cloud.points
    low = points[:, 2] <= 0.15 * foot.length
    down, contacts = np.array([0.0, 0.0, -1.0]), []
    zones = [(points[:, 0] > 0.02 * foot.length) & (points[:, 0] < 0.30 * foot.length)]
    zones += [
        np.hypot(*(points - place[head])[:, :2].T) <= CONTACT_REGION_MM for head in ("mth1", "mth5")
    ]
    for zone in zones:
        if (low & zone).sum() < 6:
            return Measure(unit="mm", reason="heel and ball were not both seen from below")
        contacts.append(float(smooth_extreme(cloud, down, low & zone, CONTACT_RADIUS_MM)[2]))
    drop = contacts[0] - (contacts[1] + contacts[2]) / 2
    return in_mm("sole_drop", drop, "heel's lowest skin less the ball's above the scan's floor")


def _girth_or_reason(name: str, compute: Callable[[], float], method: str) -> Measure:
    try:
        return in_mm(name, compute(), method)
    except ValueError as error:
        return Measure(unit="mm", reason=f"{error}; the foot was not seen all round there")


def _tops(
    foot: Foot, cloud: Cloud, place: Mapping[str, Array], rear: float, filled: bool
) -> dict[str, Measure]:
    """Return what needs the top of the foot: girths, instep, toes, and the arch height index.

    The index is dorsum height at half the length over truncated length (Williams & McClay 2000).
    """
    names = ("ball_girth", "instep_girth", "instep_height", "toe_height_1", "toe_height_5")
    if foot.kind in (Kind.SOLE, Kind.IMPRESSION):
        blank = {name: Measure(unit="mm", reason=ONLY_SOLE) for name in names}
        return blank | {"arch_height_index": Measure(unit="", reason=ONLY_SOLE)}
    found = {**_girths(foot, place, filled), **_toe_heights(foot, cloud, place)}
    if "instep" not in place:
        reason = "the scan ends below the top of the foot at half its length"
        return found | {
            "instep_height": Measure(unit="mm", reason=reason),
            "arch_height_index": Measure(unit="", reason=reason),
        }
    height = float(place["instep"][2])
    return found | {
        "instep_height": in_mm("instep_height", height, "top of the foot at 50 % of length"),
        "arch_height_index": Measure(
            value=height / (float(place["mth1"][0]) - rear),
            unit="",
            sd=SD["arch_height_index"],
            method="instep height over truncated length",
        ),
    }


def _girths(foot: Foot, place: Mapping[str, Array], filled: bool) -> dict[str, Measure]:
    """Return the tape girths; on a filled sole what is left of them."""
    half = np.array([0.5 * foot.length, 0, 0])
    ball = _girth_or_reason(
        "ball_girth",
        lambda: ball_girth(foot, place),
        "tape girth, vertical plane through both ball points",
    )
    if filled:
        if ball.value is not None:
            words = f"{ball.method}; round a sole closed by a plane, which reads some 5 mm large"
            ball = replace(ball, sd=FILLED_BALL_GIRTH_SD, method=words)
        reason = "the arch is closed by a flat plane, and a tape round it reads 15 to 25 mm large"
        return {"ball_girth": ball, "instep_girth": Measure(unit="mm", reason=reason)}
    instep = _girth_or_reason(
        "instep_girth",
        lambda: girth(foot.vertices, foot.faces, half, np.array([1.0, 0, 0])),
        "tape girth, vertical plane across the foot at 50 % of length",
    )
    return {"ball_girth": ball, "instep_girth": instep}


def _toe_heights(foot: Foot, cloud: Cloud, place: Mapping[str, Array]) -> dict[str, Measure]:
    """Return the heights of the first and fifth toe."""
    fibulare = place["metatarsale_fibulare"]
    breadth = float(place["metatarsale_tibiale"][1] - fibulare[1])
    rows = {
        "toe_height_1": (
            lambda: toe_height_1(cloud, foot.length, breadth),
            "highest skin of the big toe from its tip back over 10 % of length",
        ),
        "toe_height_5": (
            lambda: toe_height_5(cloud, fibulare, foot.length, breadth),
            "highest skin of the fifth toe from its tip back over 5 % of length",
        ),
    }
    result = {}
    for name, (compute, method) in rows.items():
        try:
            result[name] = in_mm(name, compute(), method)
        except ValueError as error:
            result[name] = Measure(unit="mm", reason=str(error))
    return result
