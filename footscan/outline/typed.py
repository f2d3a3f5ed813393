"""What was measured by hand beside an outline, and where it contradicts the outline.

    Typed + measures of the outline -> findings

Proportions: ANSUR II 2012 (Gordon et al. 2014; men and women, computed from the public tables),
1 and 99 %, widened by what tape and outline are uncertain by.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass

from footscan.outline.errors import OutlineError
from footscan.results import Finding, Measure, Severity

__all__ = ["HAND_SD", "RANGES", "Typed", "contradictions", "finding"]

TAPE_SD = 3.0  # of a girth taken at home, mm; common practice, no source
RULE_SD = 2.0  # of a length against a wall or an arch height by ruler, mm; likewise
HAND_SD = {
    "foot_length": RULE_SD,
    "ball_girth": TAPE_SD,
    "instep_girth": TAPE_SD,
    "arch_height": RULE_SD,
}
RANGES = {
    "foot_length": (145.0, 365.0, "mm"),
    "ball_girth": (130.0, 350.0, "mm"),
    "instep_girth": (130.0, 350.0, "mm"),
    "arch_height": (2.0, 40.0, "mm"),
    "arch_at": (40.0, 250.0, "mm"),
    "age": (5.0, 110.0, "years"),
    "body_mass": (15.0, 250.0, "kg"),
    "forefoot_tilt": (-25.0, 25.0, "degrees"),
}
GIRTH_PER_BREADTH = (2.306, 2.634)
GIRTH_PER_LENGTH = (0.828, 1.033)
ARCH_WINDOW = (0.30, 0.65)  # where an arch is highest, share of the length (as in scans)
GROWING = 18.0  # years


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """Values by hand; None is not measured.

    Attributes
    ----------
    foot_length, ball_girth, instep_girth : float or None
        mm; the girths by tape.
    arch_height, arch_at : float or None
        Ground to skin under the inner arch by ruler, standing, and the place of the ruler from
        the back of the heel, mm.
    age, body_mass : float or None
        Years, kg.
    forefoot_tilt : float or None
        Degrees by goniometer, foot unloaded, + medial side up (varus).
    """

    foot_length: float | None = None
    ball_girth: float | None = None
    instep_girth: float | None = None
    arch_height: float | None = None
    arch_at: float | None = None
    age: float | None = None
    body_mass: float | None = None
    forefoot_tilt: float | None = None

    def __post_init__(self) -> None:
        for name, (low, high, unit) in RANGES.items():
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                raise OutlineError(
                    "typed",
                    f"{name.replace('_', ' ')} must lie in {low:g} to {high:g} {unit}, "
                    f"got {value:g}; measure it again",
                )
        if (self.arch_height is None) != (self.arch_at is None):
            raise OutlineError(
                "typed",
                "an arch height by ruler needs its place: give both, the height and the "
                "ruler's distance from the back of the heel",
            )

    def record(self) -> dict[str, float]:
        """Return what was measured, by name."""
        return {name: value for name, value in asdict(self).items() if value is not None}

    def measures(self) -> dict[str, Measure]:
        """Return the girths as measures; an outline itself shows none."""
        found = {}
        for name in ("ball_girth", "instep_girth"):
            value = getattr(self, name)
            found[name] = (
                Measure(value=value, sd=TAPE_SD, method="by hand, tape", by_hand=True)
                if value is not None
                else Measure(reason="an outline shows no girth; measure it with a tape")
            )
        return found


def contradictions(typed: Typed, measures: Mapping[str, Measure]) -> list[Finding]:
    """Return what of the typed values cannot be of the foot in the outline."""
    length, breadth = measures["foot_length"], measures["foot_breadth"]
    assert length.value is not None
    assert breadth.value is not None
    found: list[Finding] = []
    if typed.foot_length is not None:
        found += _length(typed.foot_length, length)
    if typed.ball_girth is not None:
        found += _girth(typed.ball_girth, length, breadth)
    if typed.instep_girth is not None and typed.ball_girth is not None:
        ratio = typed.instep_girth / typed.ball_girth
        if not 0.85 < ratio < 1.25:  # common practice, no source
            found.append(
                finding(
                    "girths-apart",
                    Severity.NOTE,
                    f"the instep girth {typed.instep_girth:.0f} mm and the ball girth "
                    f"{typed.ball_girth:.0f} mm are far apart",
                    "measure both again",
                    ratio,
                )
            )
    if typed.arch_at is not None:
        share = typed.arch_at / length.value
        if not ARCH_WINDOW[0] <= share <= ARCH_WINDOW[1]:
            found.append(
                finding(
                    "arch-place",
                    Severity.MEASURING,
                    f"the arch height was taken {typed.arch_at:.0f} mm from the heel, at "
                    f"{100 * share:.0f} % of the length; an arch is highest at 30 to 65 %",
                    "measure it again at the highest place of the inner arch",
                    share,
                )
            )
    if typed.age is not None and typed.age < GROWING:
        found.append(
            finding(
                "growing",
                Severity.NOTE,
                f"a rider of {typed.age:.0f} years may still grow",
                "measure again before each season",
                typed.age,
                GROWING,
            )
        )
    return found


def finding(
    code: str,
    severity: Severity,
    text: str,
    advice: str,
    value: float | None = None,
    limit: float | None = None,
) -> Finding:
    """Return a finding about an outline: text and advice are clauses, the value has 3 decimals."""
    return Finding(
        code=code,
        severity=severity,
        text=text,
        advice=advice,
        region="scan",
        value=None if value is None else round(value, 3),
        limit=limit,
    )


def _length(typed: float, length: Measure) -> list[Finding]:
    assert length.value is not None
    apart = length.value - typed
    limit = 2.5 * math.hypot(length.sd or 0.0, RULE_SD)
    if abs(apart) <= limit:
        return []
    return [
        finding(
            "length-contradicts",
            Severity.AGAIN,
            f"the outline is {length.value:.0f} mm long and the foot was measured as {typed:.0f} "
            f"mm, {abs(apart):.0f} mm apart",
            "check which paper was used, and measure the foot again",
            apart,
            round(limit, 1),
        )
    ]


def _girth(girth: float, length: Measure, breadth: Measure) -> list[Finding]:
    """Return findings about a ball girth; a tape around two borders is twice their distance."""
    assert length.value is not None
    assert breadth.value is not None
    least = 2.0 * (breadth.value - 2.0 * (breadth.sd or 0.0)) - 2.0 * TAPE_SD
    if girth < least:
        return [
            finding(
                "girth-impossible",
                Severity.AGAIN,
                f"a ball girth of {girth:.0f} mm cannot be: the outline is {breadth.value:.0f} mm "
                f"broad and {length.value:.0f} mm long, and a tape around it is at least twice as "
                "long as it is broad",
                "measure the girth around the ball again, tape closed, in mm",
                girth,
                round(least, 1),
            )
        ]
    found = []
    for measure, words, (low, high) in (
        (breadth, "breadth", GIRTH_PER_BREADTH),
        (length, "length", GIRTH_PER_LENGTH),
    ):
        assert measure.value is not None
        ratio = girth / measure.value
        spread = 2.0 * ratio * math.hypot(TAPE_SD / girth, (measure.sd or 0.0) / measure.value)
        if not low - spread <= ratio <= high + spread:
            found.append(
                finding(
                    f"girth-against-{words}",
                    Severity.MEASURING,
                    f"the ball girth {girth:.0f} mm is {ratio:.2f} of the outline's {words} "
                    f"{measure.value:.0f} mm; 98 of 100 feet have {low:.2f} to {high:.2f}",
                    "measure the girth again, and check that the outline was drawn with the pen "
                    "upright",
                    ratio,
                    round(high if ratio > high else low, 3),
                )
            )
    return found
