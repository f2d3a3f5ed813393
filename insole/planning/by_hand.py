"""Hand-measured values beside the scan: where the two contradict each other, it is a finding.

    MeasuredFoot + HandFoot -> findings -> Finding       (check, measure)
    the same + wedges       -> notes    -> Note          (plan)
    the same                -> held     -> MeasuredFoot, its scale judged by the hand's length
    HandFoot                -> beside   -> Quantity, for the table of measures

Nothing is planned from a hand measure, and no wedge comes out of a tilt: a tilt is a reason to
look again. A length by hand verifies the scan's scale, or speaks against it, by the same rule as
one that is typed. Deviations of hand and tape are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from footscan.quality import claims
from footscan.quality.findings import verdict
from footscan.quality.limits import Evidence
from footscan.results import Finding, Measure, MeasuredFoot, ScanReport, Severity
from insole.planning.wedge_rules import tilt as tilted
from insole.record.by_hand import HandFoot
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import Note, NoteLevel, Quantity

__all__ = ["HAND_SD", "beside", "findings", "held", "leg_note", "notes"]

# standard deviation by hand, mm and degrees; common practice, no source
HAND_SD = {
    "foot_length": 1.0,
    "foot_breadth": 1.0,
    "ball_girth": 2.0,
    "instep_girth": 2.5,
    "forefoot_tilt": 2.0,
}
TELLS_SD = 2.0  # a difference beyond two of its deviations is a contradiction


def held(measured: MeasuredFoot, hand: HandFoot) -> MeasuredFoot:
    """Return the foot with its scale judged by the length of the hand, where nothing else did.

    A scale that a typed length or a scanner check has judged stays as it was judged.
    """
    length, found = hand.lengths.get("foot_length"), measured.report.findings
    rest = [finding for finding in found if finding.code != "scale-unverified"]
    if length is None or len(rest) == len(found):
        return measured
    off = claims.scale(measured.measures, Evidence(hand_length=length))
    report = ScanReport(verdict=verdict([*rest, *off]), findings=(*rest, *off))
    return replace(measured, report=report, facts=replace(measured.facts, scale_verified=not off))


def findings(measured: MeasuredFoot, hand: HandFoot) -> list[Finding]:
    """Return where scan and hand contradict each other, each with both figures."""
    found = []
    judged = any(finding.code == "scale" for finding in measured.report.findings)
    pairs = [
        (name, name, value, "mm")
        for name, value in hand.lengths.items()
        if not (judged and name == "foot_length")
    ]
    if hand.forefoot_tilt is not None:
        pairs.append(("forefoot_tilt", "forefoot_angle", hand.forefoot_tilt, "°"))
    for name, measure, value, unit in pairs:
        scan = measured.measures.get(measure, Measure())
        if scan.value is None:
            continue
        band = TELLS_SD * math.hypot(HAND_SD[name], scan.sd or 0.0)
        apart = value - scan.value
        if abs(apart) <= band + 1e-9:
            continue
        gap = "" if unit == "°" else " "
        found.append(
            Finding(
                code=f"hand-{name.replace('_', '-')}",
                severity=Severity.NOTE,
                value=round(apart, 2),
                limit=round(band, 2),
                text=f"{name.replace('_', ' ').capitalize()} is {value:.1f}{gap}{unit} by hand and "
                f"{scan.value:.1f}{gap}{unit} in the scan: {abs(apart):.1f}{gap}{unit} "
                f"{'more' if apart > 0 else 'less'} by hand, beyond ± {band:.1f}{gap}{unit}.",
                advice=ADVICE.get(
                    name, "Measure again by hand, then check the scan's scale and load."
                ),
            )
        )
    return found


ADVICE = {
    "forefoot_tilt": "Measure again with the foot unloaded: the scan's own tilt is the doubtful "
    "one where the foot was relaxed.",
}


def notes(measured: MeasuredFoot, hand: HandFoot, wedges: Sequence[WedgePlan]) -> list[Note]:
    """Return contradictions with the scan and with the wedges that were wished."""
    found = [
        Note(code=finding.code, level=NoteLevel.WARN, text=f"{finding.text} {finding.advice}")
        for finding in findings(measured, hand)
    ]
    forefoot = [w for w in wedges if w.place in (WedgePlace.FOREFOOT, WedgePlace.UNDER) and w.net]
    tilt, band = hand.forefoot_tilt, TELLS_SD * HAND_SD["forefoot_tilt"]
    for wedge in forefoot:
        if tilt is not None and abs(tilt) > band and tilt * wedge.net < 0:
            found.append(
                Note(
                    code="hand-tilt-wedge",
                    level=NoteLevel.WARN,
                    text=(
                        f"the forefoot tilts {tilted(tilt)} by hand, and the shim "
                        f"{wedge.place.value} is "
                        f"{wedge.words}: the other way; measure again before it is made"
                    ),
                )
            )
        if hand.hallux == "stiff" and wedge.net > 0:
            found.append(
                Note(
                    code="hand-hallux",
                    level=NoteLevel.WARN,
                    text=(
                        f"the big toe is stiff by hand, and the shim {wedge.place.value} is "
                        f"{wedge.words}, which loads it: leave it out, or ask a clinician"
                    ),
                )
            )
    return found


def leg_note(remark: str) -> list[Note]:
    """Return what was remarked of the legs' length, as it was found."""
    if not remark:
        return []
    return [
        Note(
            code="hand-leg-length",
            level=NoteLevel.WARN,
            text=(
                f"leg length, remarked by hand: {remark}; stack on one side for leg length is a "
                "clinician's matter"
            ),
        )
    ]


def beside(hand: HandFoot) -> dict[str, Quantity]:
    """Return the hand's values for the table of measures."""
    found = {
        f"{name}_by_hand": Quantity(value=value, sd=HAND_SD[name], reason="by hand")
        for name, value in hand.lengths.items()
    }
    if hand.forefoot_tilt is not None:
        found["forefoot_tilt_by_hand"] = Quantity(
            value=hand.forefoot_tilt, unit="deg", sd=HAND_SD["forefoot_tilt"], reason="by hand"
        )
    return found
