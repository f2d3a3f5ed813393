"""Words and tables for the command line; no computing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from footscan.results import Measure, MeasuredFoot
    from insole.planning.fit import FitResult
    from insole.planning.plan import FootPlan, PadPlan, Plan

__all__ = ["fit", "fit_records", "measures", "plan", "verdict"]

NAMES = {
    "foot_length": "foot length",
    "heel_to_ball_length": "heel to ball",
    "outside_ball_length": "heel to ball, lateral",
    "foot_breadth": "breadth",
    "foot_breadth_diagonal": "breadth, diagonal",
    "ball_girth": "ball girth",
    "instep_girth": "instep girth",
    "instep_height": "instep height",
    "heel_breadth": "heel breadth, 16 %",
    "heel_breadth_max": "heel breadth, largest",
    "truncated_length": "heel to first head",
    "arch_apex_height": "arch apex height",
    "navicular_height": "navicular height",
    "arch_height_index": "arch height index",
    "arch_index": "arch index, static",
    "chippaux_smirak": "Chippaux-Smirak",
    "staheli": "Staheli",
    "ball_line_angle": "ball line angle",
    "hallux_angle": "hallux angle",
    "heel_angle": "heel angle",
    "forefoot_angle": "forefoot angle",
}


def verdict(foot: MeasuredFoot) -> str:
    """Return a scan's verdict and findings as text."""
    facts = foot.facts
    sure = f"{100 * facts.side_confidence:.0f} %"
    rows = [
        f"{facts.file}: {foot.report.verdict.value.upper()}",
        f"  {facts.side} foot ({sure}), {facts.kind}, load {facts.load}; {facts.unit_evidence}",
    ]
    deciding = set(foot.report.deciding)
    for finding in foot.report.findings:
        sign = "*" if finding in deciding else "-"
        against = f" (limit {finding.limit:g})" if finding.limit is not None else ""
        rows.append(f"  {sign} {finding.text}{against} {finding.advice}")
    return "\n".join(rows)


def measures(feet: Sequence[MeasuredFoot]) -> str:
    """Return the measures of one or more feet, a column each, with standard deviations."""
    width = 24
    head = f"{'':24}" + "".join(f"{_head(foot):>{width}}" for foot in feet)
    rows = [head]
    for name, words in NAMES.items():
        cells = [_cell(foot.measures[name]) for foot in feet]
        rows.append(f"{words:24}" + "".join(f"{cell:>{width}}" for cell in cells))
    rows += [
        f"{'size ' + key:24}" + "".join(f"{foot.sizes.get(key, '–')!s:>{width}}" for foot in feet)
        for key in ("mondopoint", "eu", "uk", "us_men", "us_women")
    ]
    reasons = {
        f"{foot.facts.side} {NAMES[name]}: {m.reason}"
        for foot in feet
        for name, m in foot.measures.items()
        if m.value is None
    }
    rows += ["", "± is one standard deviation.", *sorted(reasons)]
    rows += [
        str(foot.sizes[key])
        for foot in feet[:1]
        for key in ("formula", "reason")
        if key in foot.sizes
    ]
    if len(feet) == 2 and feet[0].facts.side != feet[1].facts.side:
        rows += ["", *_differences(*feet)]
    return "\n".join(rows)


def plan(record: Plan) -> str:
    """Return a plan as a short text: what is made for each foot, notes, caution."""
    shoe = record.shoe_name or "no shoe: flat bed, for trial only"
    rows = [f"Plan {record.case} v{record.version} – {shoe}"]
    for foot in record.feet:
        rows += ["", *_foot(foot)]
    if record.notes:
        rows += ["", *(f"{note.level.value}: {note.text}" for note in record.notes)]
    from insole.planning.questions import SHORT_CAUTION

    return "\n".join([*rows, "", SHORT_CAUTION])


def fit(ranked: Sequence[FitResult]) -> str:
    """Return ranked shoes as text."""
    rows = []
    for number, result in enumerate(ranked, start=1):
        rows.append(f"{number}. {result.shoe.name}")
        rows += [f"   {reason}" for reason in result.reasons]
    return "\n".join(rows)


def fit_records(ranked: Sequence[FitResult]) -> list[dict[str, Any]]:
    """Return ranked shoes as plain data, lengths in mm; an absent bound is None."""
    return [
        {
            "shoe": result.shoe.name,
            "place": result.place,
            "fits": result.fits,
            "score": result.score,
            "reasons": list(result.reasons),
            "feet": [_finite(asdict(foot)) for foot in result.feet],
        }
        for result in ranked
    ]


def _finite(value: Any) -> Any:
    """Return plain data with None for a bound that is not there: JSON knows no infinity."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _head(foot: MeasuredFoot) -> str:
    return f"{foot.facts.side} ({foot.facts.load} load)"


def _cell(measure: Measure) -> str:
    if measure.value is None:
        return "cannot be had"
    digits = 1 if measure.unit in ("mm", "deg", "%") else 3
    unit = {"deg": "°", "": ""}.get(measure.unit, f" {measure.unit}")
    sd = f" ± {measure.sd:.{digits}f}" if measure.sd is not None else ""
    return f"{measure.value:.{digits}f}{sd}{unit}"


def _differences(first: MeasuredFoot, second: MeasuredFoot) -> list[str]:
    """Return the differences between two feet that exceed their 95 % uncertainty."""
    rows = []
    for name, words in NAMES.items():
        a, b = first.measures[name], second.measures[name]
        if a.value is None or b.value is None or a.sd is None or b.sd is None:
            continue
        band = 1.96 * (a.sd**2 + b.sd**2) ** 0.5
        if abs(a.value - b.value) > band:
            more = first if a.value > b.value else second
            rows.append(
                f"  {words}: {more.facts.side} larger by {abs(a.value - b.value):.1f}"
                f" {a.unit} (beyond ±{band:.1f})"
            )
    return (
        ["Left and right differ by more than their uncertainty:", *rows]
        if rows
        else ["Left and right do not differ by more than their uncertainty."]
    )


def _filled(pad: PadPlan) -> str:
    """Return how much of the gap a pad fills at its crest, in words."""
    gap = pad.gap_at_crest
    if not gap.value:
        return "how much it fills is not known"
    share = 100 * pad.crest.height / gap.value
    return f"fills {share:.0f} % of {gap.value:.1f} ± {gap.sd or 0:.1f} mm at its crest"


def _foot(foot: FootPlan) -> list[str]:
    """Return one foot's plan as rows."""
    rows = [f"{foot.side.upper()} foot ({foot.scan_file}, {foot.verdict})"]
    if foot.pad is not None:
        crest = foot.pad.crest
        rows.append(
            f"  arch pad: crest {crest.height:.1f} mm high, {crest.from_rear:.0f} mm from the "
            f"base's rear edge, {crest.from_medial:.0f} mm from its medial edge; wished to fill "
            f"{100 * foot.pad.support_level:.0f} % of the gap, {_filled(foot.pad)}"
        )
        rows += [f"    decided by {reason}" for reason in foot.pad.binding]
    else:
        rows.append(f"  no arch pad: {foot.no_pad_because}")
    for wedge in foot.wedges:
        rows.append(
            f"  {wedge.place.value}: {wedge.words}, {wedge.thick_edge:.1f} mm at the thick edge"
        )
    rows += [f"  no wedge {place}: {why}" for place, why in foot.no_wedge_because.items()]
    if foot.saddle_change is not None and foot.saddle_change.value is not None:
        rows.append(f"  saddle: {foot.saddle_change.value:+.1f} mm")
    rows += [f"  {note.level.value}: {note.text}" for note in foot.notes]
    return rows
