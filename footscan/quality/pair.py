"""Two feet of one rider, or two scans of one foot, as evidence for each other.

    MeasuredFoot (left), MeasuredFoot (right) -> pair_findings    -> findings about the pair
    MeasuredFoot (now), MeasuredFoot (before) -> earlier_findings -> findings about the new scan

What one scan cannot show, two can: a mirrored scan and a wrong scale. A wrong scale changes every
length alike; feet that differ do so in some measures more than in others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from footscan.quality.limits import grade
from footscan.results import Finding, MeasuredFoot, Severity
from footscan.scan import Array

__all__ = ["earlier_findings", "pair_findings"]

SIZES = (
    "foot_length",
    "heel_to_ball_length",
    "outside_ball_length",
    "foot_breadth",
    "heel_breadth_max",
    "ball_girth",
)
LEAST_SIZES = 4
SPREAD = 3.0  # percent: what scanning and finding the landmarks adds to equal ratios


def pair_findings(left: MeasuredFoot, right: MeasuredFoot) -> tuple[Finding, ...]:
    """Return what a left and a right foot say of each other; empty if nothing.

    Codes: ``pair-same-side`` (one of them is mirrored, or the same foot was taken twice),
    ``pair-scale`` (every size differs alike), ``pair-length`` (lengths differ unusually),
    ``pair-load`` (scanned in different load states).

    Parameters
    ----------
    left, right : MeasuredFoot
        As they were meant to be.
    """
    if left.foot.side is right.foot.side:
        return (
            _finding(
                "pair-same-side",
                f"Both scans show a {left.foot.side.value} foot.",
                "One scan is mirrored or the same foot was taken twice; check both and scan again.",
                Severity.AGAIN,
            ),
        )
    found = []
    for foot in (left, right):
        if any(f.code == "side-contradicted" for f in foot.report.findings):
            found.append(
                _finding(
                    "pair-same-side",
                    f"The scan given as the {foot.foot.side.value} foot looks like the other one.",
                    "One scan is mirrored or the feet were exchanged; check both and scan again.",
                    Severity.AGAIN,
                )
            )
    sizes = _scale(left, right, "pair-scale", "The left foot", "the right")
    sizes += _length(left, right)
    if left.facts.scale_verified and right.facts.scale_verified:  # then that is how the feet are
        sizes = [replace(finding, severity=Severity.NOTE) for finding in sizes]
    found += sizes
    if left.foot.load is not right.foot.load:
        found.append(
            _finding(
                "pair-load",
                f"The left foot was scanned with load {left.foot.load.value}, the right with "
                f"{right.foot.load.value}.",
                "Scan both alike; a loaded foot is longer and its arch lower.",
                Severity.NOTE,
            )
        )
    return tuple(found)


def earlier_findings(now: MeasuredFoot, before: MeasuredFoot) -> tuple[Finding, ...]:
    """Return what an earlier scan of the same foot says of a new one; empty if nothing.

    Codes: ``earlier-side`` (the new scan shows the other side) and ``earlier-scale`` (every size
    changed alike).

    Parameters
    ----------
    now, before : MeasuredFoot
        Two scans of one foot of an adult.
    """
    if now.foot.side is not before.foot.side:
        return (
            _finding(
                "earlier-side",
                f"This scan shows a {now.foot.side.value} foot, the earlier one a "
                f"{before.foot.side.value} foot.",
                "One of them is mirrored or is the other foot; check both.",
                Severity.AGAIN,
            ),
        )
    return tuple(_scale(now, before, "earlier-scale", "This scan", "the earlier one"))


def _finding(code: str, text: str, advice: str, severity: Severity) -> Finding:
    return Finding(code=code, severity=severity, text=text, advice=advice, region="scan")


def _scale(
    one: MeasuredFoot, other: MeasuredFoot, code: str, name: str, than: str
) -> list[Finding]:
    """Return a finding where every size differs by about the same factor."""
    ratios = _ratios(one, other)
    if len(ratios) < LEAST_SIZES:
        return []
    middle = float(np.median(ratios))
    spread = float(np.ptp(ratios))
    # a foot that is larger in nature is not so in every measure by the same share
    if spread > SPREAD or (np.sign(ratios) != np.sign(middle)).any():
        return []
    words = "larger" if middle > 0 else "smaller"
    return grade(
        code,
        abs(middle),
        f"{name} is {words} than {than} by {abs(middle):.1f} % in every size alike.",
        "Check the scale of both scans with a length measured by hand.",
        "scan",
    )


def _ratios(one: MeasuredFoot, other: MeasuredFoot) -> Array:
    """Return by how much each size of `one` is larger than that of `other`, percent."""
    ratios = []
    for name in SIZES:
        a, b = one.measures.get(name), other.measures.get(name)
        if a is None or b is None or not a.value or not b.value:
            continue
        ratios.append(100 * float(np.log(a.value / b.value)))
    return np.array(ratios)


def _length(left: MeasuredFoot, right: MeasuredFoot) -> list[Finding]:
    a, b = left.measures["foot_length"].value, right.measures["foot_length"].value
    if not a or not b:
        return []
    longer = "left" if a > b else "right"
    return grade(
        "pair-length",
        abs(a - b),
        f"The {longer} foot is {abs(a - b):.0f} mm longer than the other.",
        "Measure both by hand: such feet are rare, a wrong scale or a clipped scan is not.",
        "scan",
    )
