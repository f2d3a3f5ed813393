"""What is shown of scans and measured feet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from footscan.checking.pairs import EXCEEDS_SD, Difference, cautions, differences, with_unit
from footscan.foot import HEEL_STATION
from footscan.measuring.measures import by_hand_words, load_state
from footscan.measuring.sizes import GROWTH_TO_HALF, half_load_length
from footscan.results import Severity, Verdict
from footscan.scan import Load, Side
from insole.cli.typed import advice
from insole.record.least import LEAST, clear, sd_shown, stepped

if TYPE_CHECKING:
    from footscan.checking.shots import Combined
    from footscan.results import Finding, Measure, MeasuredFoot

__all__ = ["check_table", "hand", "measures", "to_do", "verdict"]

WORDS_WIDE, CELL_WIDE = 24, 24
UNITS = {"deg": "°", "": ""}  # behind a number; any other unit stands apart from it
SIZES = {
    "mondopoint": "size Mondopoint, mm",
    "eu": "size EU",
    "uk": "size UK",
    "us_men": "size US men",
    "us_women": "size US women",
}
NAMES = {
    "foot_length": "foot length",
    "heel_to_ball_length": "heel to ball",
    "outside_ball_length": "heel to ball, lateral",
    "foot_breadth": "breadth",
    "foot_breadth_diagonal": "breadth, diagonal",
    "ball_girth": "ball girth",
    "instep_girth": "instep girth",
    "instep_height": "instep height",
    "toe_height_1": "big toe height",
    "toe_height_5": "fifth toe height",
    "heel_breadth": f"heel breadth, {100 * HEEL_STATION:g} %",
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
    "sole_drop": "sole drop",
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
        rows.append(f"  {sign} {finding.text}{_against(finding)} {advice(finding)}")
    return "\n".join(rows)


def _against(finding: Finding) -> str:
    """Return value and limit of a finding with their unit, in brackets; nothing without them."""
    if finding.value is None or finding.limit is None:
        return ""
    unit = UNITS.get(finding.unit, f" {finding.unit}")
    return f" ({finding.value:.4g}{unit}, limit {finding.limit:.4g}{unit})"


def check_table(rows: Sequence[tuple[str, MeasuredFoot | None]]) -> str:
    """Return one line per foot: scan, side, kind, verdict and the codes that decided it.

    Parameters
    ----------
    rows : sequence of (str, MeasuredFoot or None)
        Name of the scan and its foot; None where it could not be used.
    """
    cells = [("scan", "side", "kind", "verdict", "decided by")]
    for name, foot in rows:
        if foot is None:
            cells.append((name, "–", "–", "CANNOT BE USED", "see the message"))
            continue
        codes = ", ".join(dict.fromkeys(finding.code for finding in foot.report.deciding)) or "–"
        verdict_words = foot.report.verdict.value.upper()
        cells.append((name, foot.facts.side, foot.facts.kind, verdict_words, codes))
    wide = [max(len(row[k]) for row in cells) for k in range(4)]
    return "\n".join(
        "  ".join([*(f"{cell:{w}}" for cell, w in zip(row, wide, strict=False)), row[4]])
        for row in cells
    )


def to_do(rows: Sequence[tuple[str, MeasuredFoot | None]], pair: Sequence[Finding]) -> str:
    """Return what decided against scans and what to do, a line each; empty if nothing did.

    Parameters
    ----------
    rows : sequence of (str, MeasuredFoot or None)
        As for :func:`check_table`.
    pair : sequence of Finding
        What both feet show of each other; said once.
    """
    lines = [f"the pair: {finding.text} {advice(finding)}" for finding in pair]
    for name, foot in rows:
        if foot is not None:
            lines += [
                f"{name}, {foot.facts.side}: {finding.text} {advice(finding)}"
                for finding in foot.report.deciding
                if finding not in pair
            ]
    return "\n".join(lines)


def measures(feet: Sequence[MeasuredFoot], repeated: Combined | None = None) -> str:
    """Return the measures of one or more feet, a column each, with standard deviations.

    Parameters
    ----------
    feet : sequence of MeasuredFoot
        A column each.
    repeated : Combined, optional
        The same feet taken as shots of one foot: adds mean and spread.
    """
    rows = [_row("", [_head(foot) for foot in feet])]
    names = dict.fromkeys([*NAMES, *(name for foot in feet for name in foot.measures)])
    for name in names:
        cells = [
            _cell(foot.measures[name], foot.facts.scale_verified) if name in foot.measures else "–"
            for foot in feet
        ]
        rows.append(_row(_words(name), cells))
    rows += [
        _row(words, [_size(foot.sizes.get(key)) for foot in feet]) for key, words in SIZES.items()
    ]
    expected, source = _expected(feet)
    rows[2:2] = expected  # below the length as scanned
    if any(foot.report.verdict is not Verdict.MAKING for foot in feet):
        rows[1:1] = [_row("verdict", [foot.report.verdict.value.upper() for foot in feet])]
    rows += ["", "± is one standard deviation.", *_unverified(feet), *source, *_reasons(feet)]
    rows += _not_for_making(feet)
    rows += _said_of_sizes(feet)
    for foot in feet:
        rows += [f"{foot.facts.side} {text}." for text in by_hand_words(foot.landmarks).values()]
    if repeated is not None:
        rows += ["", *_repeated(repeated)]
    elif len(feet) == 2 and feet[0].facts.side != feet[1].facts.side:
        rows += ["", *_differences(*feet)]
    return "\n".join(rows)


def hand(feet: Sequence[MeasuredFoot]) -> str:
    """Return where scan and hand contradict each other, a line each."""
    rows = [
        f"{foot.facts.side}: {found.text} {advice(found)}"
        for foot in feet
        for found in foot.report.findings
        if found.code.startswith("hand-")
    ]
    return "\n".join(rows or ["By hand: no contradiction with the scan."])


def _head(foot: MeasuredFoot) -> str:
    return f"{foot.facts.side} ({foot.facts.load} load)"


def _size(value: Any) -> str:
    """Return a size as shoes carry it: on half sizes; Mondopoint is on its own grid already."""
    if value is None:
        return "–"
    return f"{stepped(value, 'size'):g}" if isinstance(value, float | int) else str(value)


def _cell(measure: Measure, scale_verified: bool) -> str:
    if measure.value is None:
        return "cannot be had"
    digits = 1 if measure.unit in ("mm", "deg", "%") else 3
    unit = UNITS.get(measure.unit, f" {measure.unit}")
    sd = ""
    if measure.sd is not None:
        shown = sd_shown(measure.sd, measure.unit, scale_verified=scale_verified)
        sd = f" ± {shown:.{digits}f}"
    return f"{round(measure.value, digits) + 0.0:.{digits}f}{sd}{unit}"  # never -0.0


def _unverified(feet: Sequence[MeasuredFoot]) -> list[str]:
    """Return what holds while no second evidence speaks for the scale."""
    if all(foot.facts.scale_verified for foot in feet):
        return []
    drifts = any(
        f.code == "scale-unverified" and f.severity is Severity.MEASURING
        for foot in feet
        for f in foot.report.findings
    )
    # what telephones' scans are off by: common practice, no source
    beside = (
        " Beside the deviations, scanners moved by hand may be off in scale by 1 or 2 %: 3 to 5 mm "
        "of a foot's length."
        if drifts
        else ""
    )
    return [
        f"The scale is not verified: no length is said closer than {LEAST['length']:g} mm; a "
        "length by hand (--foot-length), a scanner check (--scanner-log) or the printed card "
        f"(--card) verifies it.{beside}"
    ]


def _not_for_making(feet: Sequence[MeasuredFoot]) -> list[str]:
    """Return what speaks against a scan whose figures stand in the table, a line each foot."""
    return [
        f"{foot.facts.side}, {foot.facts.file}: {foot.report.verdict.value}: "
        + " ".join(finding.text for finding in foot.report.deciding)
        + " The deviations above do not cover what was not seen."
        for foot in feet
        if foot.report.verdict is Verdict.AGAIN
    ]


def _row(words: str, cells: Sequence[str]) -> str:
    return f"{words:{WORDS_WIDE}}" + "".join(f"{cell:>{CELL_WIDE}}" for cell in cells)


def _words(name: str) -> str:
    return NAMES.get(name, name.replace("_", " "))


def _reasons(feet: Sequence[MeasuredFoot]) -> list[str]:
    """Return why what is missing is missing; both feet in one row where the reason is the same."""
    sides: dict[tuple[str, str], list[str]] = {}
    for foot in feet:
        for name, measure in foot.measures.items():
            if measure.value is None:
                mine = sides.setdefault((_words(name), measure.reason), [])
                if foot.facts.side not in mine:
                    mine.append(foot.facts.side)
    return sorted(
        f"{' and '.join(found)} {name}: {reason}" for (name, reason), found in sides.items()
    )


def _said_of_sizes(feet: Sequence[MeasuredFoot]) -> list[str]:
    """Return formulas, and why a foot has no adult size."""
    rows = [str(foot.sizes["formula"]) for foot in feet if "formula" in foot.sizes]
    rows += [
        f"{foot.facts.side}: only the Mondopoint size, {foot.sizes['reason']}"
        for foot in feet
        if "reason" in foot.sizes
    ]
    return list(dict.fromkeys(rows))


def _expected(feet: Sequence[MeasuredFoot]) -> tuple[list[str], list[str]]:
    """Return the row of lengths expected on both feet, and what it is; none if none hangs."""
    cells = []
    for foot in feet:
        length, load = foot.measures["foot_length"], load_state(foot.facts.load, foot.facts.kind)
        if load is not Load.NONE or length.value is None:
            cells.append("as measured")
            continue
        value, sd = half_load_length(length.value, load)
        cells.append(f"{value:.1f} ± {math.hypot(length.sd or 0.0, sd):.1f} mm")
    if all(cell == "as measured" for cell in cells):
        return [], []
    source = (
        f"Length on both feet: expected, not measured; a foot in the air gains "
        f"{100 * GROWTH_TO_HALF:.2f} % (Xiong et al. 2009). Sizes are of the length as scanned."
    )
    return [_row("  on both feet", cells)], [source]


def _repeated(shots: Combined) -> list[str]:
    """Return mean and spread of several shots of one foot."""
    n = len(shots.files)
    rows = [_row(f"{shots.side} foot, {n} shots", ["mean ± its sd", "sd of one shot"])]
    for name in _in_order(shots.measures):
        found = shots.measures[name]
        if found.mean is None:
            continue
        digits = 2 if found.unit in ("mm", "deg", "%") else 4
        mean, unit = f"{found.mean:.{digits}f}", UNITS.get(found.unit, f" {found.unit}")
        few = f" ({found.n} of {n})" if found.n < n else ""
        if found.sd is None or found.sd_mean is None:
            rows.append(_row(_words(name), [mean + unit, f"one shot only{few}"]))
            continue
        cells = [f"{mean} ± {found.sd_mean:.{digits}f}{unit}", f"{found.sd:.{digits}f}{unit}{few}"]
        rows.append(_row(_words(name), cells))
    rows += [odd.sentence + "." for odd in shots.odd]
    if n > 2 and not shots.odd:
        rows.append("No shot stands out.")
    return [*rows, *shots.notes]


def _in_order(names: Iterable[str]) -> list[str]:
    """Return names of measures in the order of the table."""
    place = {name: number for number, name in enumerate(NAMES)}
    return sorted(names, key=lambda name: place.get(name, len(place)))


def _apart(found: Difference, left: MeasuredFoot, right: MeasuredFoot) -> str:
    """Return a difference that may be said, with deviations as shown; nothing for another."""
    if found.difference is None:
        return ""
    sds = [
        sd_shown(
            foot.measures[found.measure].sd or 0.0,
            found.unit,
            scale_verified=foot.facts.scale_verified,
        )
        for foot in (left, right)
    ]
    sd = math.hypot(*sds)
    if not clear(found.difference, sd, found.unit, times=EXCEEDS_SD):
        return ""
    larger = "left" if found.difference > 0 else "right"
    said = (
        f"{_words(found.measure)}: {larger} larger by "
        f"{with_unit(abs(found.difference), found.unit)} (beyond ± "
        f"{with_unit(EXCEEDS_SD * sd, found.unit)})"
    )
    return said if found.comparable else f"{said}; the feet were not scanned alike"


def _differences(first: MeasuredFoot, second: MeasuredFoot) -> list[str]:
    """Return what differs between two feet, and why it may not be the feet."""
    left, right = sorted((first, second), key=lambda foot: foot.foot.side is not Side.LEFT)
    doubts = list(cautions(left, right))
    found = {d.measure: said for d in differences(left, right) if (said := _apart(d, left, right))}
    rows = [f"  {found[name]}" for name in _in_order(found)]
    if not rows:
        return [
            *doubts,
            f"Left and right do not differ by more than {EXCEEDS_SD:g} standard deviations.",
        ]
    return [
        *doubts,
        f"Left and right differ by more than {EXCEEDS_SD:g} standard deviations:",
        *rows,
    ]
