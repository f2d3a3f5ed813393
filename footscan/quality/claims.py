"""The scan against what is said and known beside it: load, scale, side, usual proportions.

    measures, Evidence -> quality.claims -> footscan.quality.findings

Scale and mirroring cannot be seen in one foot alone: they need second evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from footscan.measuring.pose import FLAT_SHARE, Settled
from footscan.quality.limits import Evidence, grade, limits, note
from footscan.quality.sole import is_filled
from footscan.results import Finding, Landmark, Measure, Severity
from footscan.scan import Kind, Load

__all__ = [
    "among_strays",
    "ball_line",
    "ball_unsure",
    "loading",
    "proportions",
    "scale",
    "side",
    "unusual_sole",
]

SCALE_MM = 3.0  # a hand-measured length is trusted to this, whatever the share
# 1 and 99 % bands of ANSUR II (2012), men and women, widened by what measuring adds
PROPORTIONS = (
    (
        "proportion-ball",
        "heel_to_ball_length",
        "foot_length",
        0.69,
        0.79,
        "ball length over foot length",
    ),
    ("proportion-breadth", "foot_breadth", "foot_length", 0.32, 0.45, "breadth over foot length"),
    (
        "proportion-heel",
        "heel_breadth_max",
        "foot_length",
        0.21,
        0.335,
        "heel breadth over foot length",
    ),
    ("proportion-girth", "ball_girth", "foot_breadth", 2.25, 2.72, "ball girth over breadth"),
)
# The ball's line, its lateral end and the fifth head. Lateral ball points lie at 58 to 70 % of
# length, lines turn by 10 to 25 degrees (values from memory; no open table has them); made-up,
# model and real feet here 0.59 to 0.70 and 10 to 21 degrees.
BALL_LINE_DEG = (5.0, 28.0)
LATERAL_BALL = (0.57, 0.70)
FIFTH_HEAD = (0.57, 0.705)
# Deviations beyond which the ball's points are to be felt before a cleat is set by them: the
# cleat's slots reach about 10 mm to both sides; common practice, no source
UNSURE_MM = {"outside_ball_length": 3.0, "heel_to_ball_length": 2.5, "truncated_length": 4.5}
BALL_PLACE = {
    "outside_ball_length": "its lateral border",
    "heel_to_ball_length": "its medial border",
    "truncated_length": "the first head",
}
LENGTH_MM = (198.0, 323.0)  # smallest and largest adult of ANSUR II (2012)


def loading(settled: Settled, evidence: Evidence) -> list[Finding]:
    """Return a note where the load state is unknown, or where the contacts deny it."""
    if evidence.load is Load.UNKNOWN:
        return [
            note(
                "load-unknown",
                "How the foot was loaded is not known.",
                "Say which: none, seated, half or full; arch heights depend on it.",
            )
        ]
    if is_filled(settled):
        return []  # a plane tells nothing of the load
    flat = settled.flat_share >= FLAT_SHARE
    if evidence.load is Load.NONE and flat:
        words = "be unloaded, but heel and ball are pressed flat"
    elif evidence.load in (Load.HALF, Load.FULL) and not flat:
        words = f"carry {evidence.load.value} load, but heel and ball are round"
    else:
        return []
    return [
        Finding(
            code="load-contradicted",
            severity=Severity.NOTE,
            region="sole",
            value=round(settled.flat_share, 2),
            limit=FLAT_SHARE,
            text=f"The scan was said to {words}.",
            advice="Check the load state that you gave.",
        )
    ]


def scale(measures: Mapping[str, Measure], evidence: Evidence) -> list[Finding]:
    """Return findings about the scale, which one scan alone cannot show."""
    length = measures["foot_length"].value
    if evidence.card_off is not None:
        found = _by_card(evidence.card_off, evidence.card_words)
        return found + ([] if evidence.hand_length is None else _by_hand(length, evidence))
    if evidence.hand_length is None or length is None:
        return _unverified(evidence)
    return _by_hand(length, evidence)


def _by_card(off: float, words: str) -> list[Finding]:
    """Return a finding where the scale card in the scan says another scale than was used."""
    weight = limits()["scale"].weigh(abs(off))
    if weight is None:
        return []
    return [
        Finding(
            code="card-scale",
            severity=weight[0],
            region="scan",
            text=f"{words[:1].upper()}{words[1:]}: the scale that was used is {abs(off):.1f} % too "
            f"{'large' if off > 0 else 'small'}.",
            advice="State the scale that the card shows; check before that the printed card's "
            "bars are 100 mm.",
            value=round(off, 2),
            limit=weight[1],
            unit="%",
        )
    ]


def _by_hand(length: float | None, evidence: Evidence) -> list[Finding]:
    """Return a finding where the foot was measured by hand as another length."""
    if length is None or evidence.hand_length is None:
        return []
    off = abs(length - evidence.hand_length)
    share = 100 * off / evidence.hand_length
    allowed = limits()["scale"]
    if share > allowed.measuring:
        severity, value, limit, unit = Severity.AGAIN, share, allowed.measuring, "%"
    elif share > allowed.making:
        severity, value, limit, unit = Severity.MEASURING, share, allowed.making, "%"
    elif off > SCALE_MM:  # of a long foot
        severity, value, limit, unit = Severity.MEASURING, off, SCALE_MM, "mm"
    else:
        return []
    return [
        Finding(
            code="scale",
            severity=severity,
            region="scan",
            text=f"The scan's foot is {length:.0f} mm long, by hand {evidence.hand_length:.0f} mm: "
            f"{share:.1f} % apart.",
            advice="Measure again by hand; if it holds, the scanner's scale is off: scan again.",
            value=round(value, 2),
            limit=limit,
            unit=unit,
        )
    ]


def _unverified(evidence: Evidence) -> list[Finding]:
    """Return a finding where neither a hand nor a scanner's log vouches for the scale."""
    if evidence.scale_vouched:
        return []
    advice = "Measure the foot by hand and state its length."
    card = f"{evidence.card_words}." if evidence.card_words else ""
    why = " ".join(filter(None, (card, evidence.scale_words)))
    words = f"The scale is unverified: {why or 'one scan alone cannot show it.'}"
    if not evidence.hand_held:
        return [note("scale-unverified", words, advice)]
    words += " Scanners moved by hand drift in scale."
    return [
        Finding(
            code="scale-unverified",
            severity=Severity.MEASURING,
            text=words,
            advice=advice,
            region="scan",
        )
    ]


def side(evidence: Evidence) -> list[Finding]:
    """Return a finding where the scan speaks against the stated side."""
    if not evidence.side_contradicted:
        return []
    return [
        Finding(
            code="side-contradicted",
            severity=Severity.AGAIN,
            region="scan",
            value=round(evidence.side_ratio, 2),
            limit=limits()["side"].making,
            text="The scan looks like the other foot than the side that was stated.",
            advice="Check the side, and whether the scanner mirrored the scan.",
        )
    ]


def proportions(measures: Mapping[str, Measure]) -> list[Finding]:
    """Return notes where length or proportions lie outside what adults show (ANSUR II 2012).

    Squeezing along one axis shows only where it leaves these bands: about a seventh for a mean
    foot. Less than that is a usual foot of another shape.
    """
    found = []
    length = _value(measures, "foot_length")
    if length and not LENGTH_MM[0] <= length <= LENGTH_MM[1]:
        found.append(
            Finding(
                code="length-unusual",
                severity=Severity.NOTE,
                region="scan",
                value=round(length, 1),
                limit=LENGTH_MM[length > LENGTH_MM[1]],
                unit="mm",
                text=f"The foot is {length:.0f} mm long; adults have {LENGTH_MM[0]:.0f} to "
                f"{LENGTH_MM[1]:.0f} mm.",
                advice="A child's foot is shorter; else check the unit and the scale.",
            )
        )
    apex = _value(measures, "arch_apex_height")
    if length and apex is not None:
        found += grade(
            "arch-unbelievable",
            100 * apex / length,
            f"The arch is {apex:.0f} mm high, {100 * apex / length:.0f} % of the foot's length.",
            "Look at the scan: is the whole sole in it, and nothing else? Scan again.",
            "arch",
        )
    for code, name, base, low, high, words in PROPORTIONS:
        value, whole = _value(measures, name), _value(measures, base)
        if value is None or not whole or low <= value / whole <= high:
            continue
        share = value / whole
        found.append(
            Finding(
                code=code,
                severity=Severity.NOTE,
                region="scan",
                value=round(share, 3),
                limit=low if share < low else high,
                text=f"An unusual foot or scale: {words} is {share:.2f} ({low:g} to {high:g}).",
                advice="Check the scan and the landmarks by eye; uncertainties may be larger.",
            )
        )
    return found


def ball_line(
    measures: Mapping[str, Measure], landmarks: Mapping[str, Landmark] | None = None
) -> list[Finding]:
    """Return a finding where ball line or fifth head lie as they hardly do on any foot.

    Pad, wedge and cleat are placed by them, and on a flat border they are the least sure of all:
    no part is made by such a line, unless the ball points were felt for and set by hand.
    """
    length, outside = _value(measures, "foot_length"), _value(measures, "outside_ball_length")
    line, marks = _value(measures, "ball_line_angle"), landmarks or {}
    rows = [
        (
            line,
            BALL_LINE_DEG,
            "°",
            "the ball line's turn against the perpendicular of the foot's axis",
            "metatarsale_tibiale",
        )
    ]
    if length and outside is not None:
        rows.append(
            (
                outside / length,
                LATERAL_BALL,
                "",
                "the lateral ball point's share of foot length",
                "metatarsale_fibulare",
            )
        )
    if length and "mth5" in marks:
        share = float(marks["mth5"].xyz[0]) / length
        rows.append((share, FIFTH_HEAD, "", "the fifth head's share of foot length", "mth5"))
    for value, (low, high), unit, words, mark in rows:
        if value is None or low <= value <= high:
            continue
        # a deviation of its own does not excuse it: that says only how well the place is known
        felt = any(one in marks and marks[one].felt for one in ("metatarsale_fibulare", mark))
        return [
            Finding(
                code="ball-line",
                severity=Severity.NOTE if felt else Severity.MEASURING,
                region="ball",
                value=round(value, 3),
                limit=low if value < low else high,
                unit="deg" if unit else "",
                text=f"An unusual ball: {words} is {value:.3g}{unit} ({low:g} to {high:g}).",
                advice="Check first and fifth head with a finger and set the ball points by hand "
                "before pad, wedge or cleat are placed by them.",
            )
        ]
    return []


def ball_unsure(measures: Mapping[str, Measure]) -> list[Finding]:
    """Return a note where ball points or the first head may lie far from where they were found.

    On a flat border, beside a hole, on coarse points or where the marks of a head disagree.
    """
    sds = {name: measures[name].sd or 0.0 for name in UNSURE_MM if name in measures}
    name = max(sds, key=lambda n: sds[n] / UNSURE_MM[n], default="")
    if not name or sds[name] <= UNSURE_MM[name]:
        return []
    return [
        Finding(
            code="ball-unsure",
            severity=Severity.NOTE,
            region="ball",
            value=round(sds[name], 1),
            limit=UNSURE_MM[name],
            unit="mm standard deviation",
            text=f"The ball is placed to ± {2 * sds[name]:.0f} mm only (95 %): {BALL_PLACE[name]} "
            "has no one clear place in this scan.",
            advice="Check first and fifth head with a finger, and set them by hand, before a cleat "
            "is set by them.",
        )
    ]


def among_strays(found: Sequence[Finding]) -> list[Finding]:
    """Return a finding where a foot of unusual size or proportions stands among stray points.

    Each alone is a note; together they say that strays may have been taken for foot.
    """
    loose = sum(f.value or 0.0 for f in found if f.code in ("strays", "other-bodies"))
    unusual = [f for f in found if f.code.startswith("proportion-") or f.code == "length-unusual"]
    if not unusual:
        return []
    return grade(
        "strays-proportion",
        loose,
        f"{loose:.0f} % of the points belong to nothing or to other things, and the foot is an "
        "unusual one: strays may have been taken for foot.",
        "Remove the stray points, or scan again with the room around the foot free.",
        "scan",
    )


def unusual_sole(found: Sequence[Finding], kind: Kind) -> list[Finding]:
    """Return a finding where a sole alone has several proportions that few people have.

    A foot cut low is taken for a sole seen from below: its borders are missing, and lengths and
    breadths are those of what is left.
    """
    if kind is not Kind.SOLE:
        return []
    unusual = sum(f.code.startswith("proportion-") for f in found)
    return grade(
        "sole-proportion",
        unusual,
        f"Only the sole was scanned, and {unusual} of its proportions are outside people's range: "
        "parts of it may be missing.",
        "Scan the whole foot, from the sides as well.",
        "scan",
    )


def _value(measures: Mapping[str, Measure], name: str) -> float | None:
    return measures[name].value if name in measures else None
