"""Words and tables for the command line; no computing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from footscan.checking.pairs import EXCEEDS_SD, cautions, differences
from footscan.measuring.measures import by_hand_words, load_state
from footscan.measuring.sizes import GROWTH_TO_HALF, half_load_length
from footscan.scan import Load, Side

if TYPE_CHECKING:
    from footscan.checking.shots import Combined
    from footscan.results import Finding, Measure, MeasuredFoot
    from insole.planning.fit import FitResult
    from insole.record.plan import ContactCase, ContactFigures, ContactPlan, FootPlan, PadPlan, Plan
    from insole.trials.cases import Case
    from insole.trials.trial import Trial

__all__ = ["case", "check_table", "fit", "fit_records", "measures", "plan", "to_do", "trial",
           "trials", "verdict"]  # fmt: skip

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
        against = f" (limit {finding.limit:g})" if finding.limit is not None else ""
        rows.append(f"  {sign} {finding.text}{against} {finding.advice}")
    return "\n".join(rows)


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
    lines = [f"the pair: {finding.text} {finding.advice}" for finding in pair]
    for name, foot in rows:
        if foot is not None:
            lines += [
                f"{name}, {foot.facts.side}: {finding.text} {finding.advice}"
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
        cells = [_cell(foot.measures[name]) if name in foot.measures else "–" for foot in feet]
        rows.append(_row(_words(name), cells))
    rows += [
        _row(words, [f"{foot.sizes.get(key, '–')!s}" for foot in feet])
        for key, words in SIZES.items()
    ]
    expected, source = _expected(feet)
    rows[2:2] = expected  # below the length as scanned
    rows += ["", "± is one standard deviation.", *source, *_reasons(feet)]
    rows += _said_of_sizes(feet)
    for foot in feet:
        rows += [f"{foot.facts.side} {text}." for text in by_hand_words(foot.landmarks).values()]
    if repeated is not None:
        rows += ["", *_repeated(repeated)]
    elif len(feet) == 2 and feet[0].facts.side != feet[1].facts.side:
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
    from insole.record.questions import SHORT_CAUTION

    return "\n".join([*rows, "", SHORT_CAUTION])


def trial(record: Trial, command: str = "") -> str:
    """Return one logged trial as text, with the command that plans its step."""
    answer = record.answer or ("stopped" if record.stopped else "not answered yet")
    side = "both feet" if record.side == "both" else f"{record.side} foot"
    rows = [f"Trial {record.number}, {record.date}: plan {record.plan}, {side}, {answer}"]
    if record.said:
        rows.append(f'  the rider said: "{record.said}"')
    if record.corrects is not None:
        rows.append(f"  in the place of trial {record.corrects}: {record.because}")
    rows += [f"  picked: {pick}" for pick in record.felt]
    rows += [f"  understood: {text}" for text in record.understood]
    if record.answer is not None:
        rows.append(f"  red flags: {_flags(record)}")
    if record.clinician:
        rows.append(f"  clinician's word: {record.clinician}")
    rows += [f"  {words}" for words in record.words]
    if command:
        rows += ["  to plan it, in the folder of the scans and files named:", f"    {command}"]
    return "\n".join(rows)


def _flags(record: Trial) -> str:
    """Return the red flags of a trial in words; what was not asked is said so."""
    from insole.trials.red_flags import FLAGS

    said = {word: [f.id for f in FLAGS if record.flags.get(f.id, "not asked") == word]
            for word in ("yes", "no", "not asked")}  # fmt: skip
    return "; ".join(f"{word}: {', '.join(ids)}" for word, ids in said.items() if ids)


def trials(records: Sequence[Trial]) -> str:
    """Return a log of trials as text, oldest first."""
    from insole.record.questions import SHORT_CAUTION

    return "\n".join([*map(trial, records), "", SHORT_CAUTION]) if records else "no trial is logged"


def fit(ranked: Sequence[FitResult]) -> str:
    """Return ranked shoes as text; when none fits, that comes first."""
    from insole.planning.fit import none_fits

    rows = [words[0].upper() + words[1:]] if (words := none_fits(ranked)) else []
    for result in ranked:
        rows.append(f"{result.place}. {result.shoe.name}: {result.verdict}")
        rows += [f"   {reason}" for reason in result.reasons]
    return "\n".join(rows)


def fit_records(ranked: Sequence[FitResult]) -> list[dict[str, Any]]:
    """Return ranked shoes as plain data, lengths in mm; an absent bound is None."""
    return [
        {
            "shoe": result.shoe.name,
            "place": result.place,
            "fits": result.fits,
            "known": result.known,
            "verdict": result.verdict,
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
    unit = UNITS.get(measure.unit, f" {measure.unit}")
    sd = f" ± {measure.sd:.{digits}f}" if measure.sd is not None else ""
    return f"{round(measure.value, digits) + 0.0:.{digits}f}{sd}{unit}"  # never -0.0


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


def _differences(first: MeasuredFoot, second: MeasuredFoot) -> list[str]:
    """Return what differs between two feet, and why it may not be the feet."""
    left, right = sorted((first, second), key=lambda foot: foot.foot.side is not Side.LEFT)
    doubts = list(cautions(left, right))
    found = {d.measure: d for d in differences(left, right) if d.exceeds}
    rows = [f"  {found[name].sentence}" for name in _in_order(found)]
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


def _filled(pad: PadPlan) -> str:
    """Return how much of the gap a pad fills at its crest, in words."""
    gap = pad.gap_at_crest
    if not gap.value:
        return "how much it fills is not known"
    share = 100 * pad.crest.height / gap.value
    return f"fills {share:.0f} % of {gap.value:.1f} ± {gap.sd or 0:.1f} mm at its crest"


def _foot(foot: FootPlan) -> list[str]:
    """Return one foot's plan as rows."""
    from insole.planning.thickness import asked

    rows = [f"{foot.side.upper()} foot ({foot.scan_file}, {foot.verdict})"]
    if foot.effect is not None:
        rows.append(f"  the support {foot.effect.words}")
    if foot.contour is not None:
        made = foot.contour
        rows.append(
            f"  {made.name}: {made.crest.height:.1f} mm thick at the crest, "
            f"{made.crest.from_rear:.0f} mm from the rear edge, {made.crest.from_medial:.0f} mm "
            f"from the medial edge; heel cup {made.cup:g} mm, plate {made.plate:g} mm"
        )
        rows += [f"    built in {wedge.place.value}: {wedge.words}" for wedge in made.posting]
    elif foot.pad is not None:
        crest = foot.pad.crest
        rows.append(
            f"  arch pad: crest {crest.height:.1f} mm high, {crest.from_rear:.0f} mm from the "
            f"base's rear edge, {crest.from_medial:.0f} mm from its medial edge; wished to fill "
            f"{100 * foot.pad.support_level:.0f} % of the gap, {_filled(foot.pad)}"
        )
        rows += [f"    decided by {reason}" for reason in foot.pad.binding]
    else:
        rows.append(f"  no arch pad: {foot.no_pad_because}")
    if foot.metatarsal is not None:
        dome = foot.metatarsal
        rows.append(
            f"  metatarsal pad: {dome.height:.1f} mm high, crest {dome.crest.from_rear:.0f} mm "
            f"from the base's rear edge, {dome.crest.from_medial:.0f} mm from its medial edge, "
            f"{dome.behind:g} mm behind heads 2 to 4"
        )
    for wedge in foot.wedges:
        rows.append(
            f"  {asked(wedge)}, thick on the {wedge.thick_side}, {wedge.thick_edge:.1f} mm at the "
            "thick edge"
        )
    rows += [
        f"  no wedge {place}: {why}"
        for place, why in foot.no_wedge_because.items()
        if not why.startswith("no wish")  # what nobody wished is no news
    ]
    if foot.saddle_change is not None and foot.saddle_change.value is not None:
        rows.append(f"  saddle: {foot.saddle_change.value:+.1f} mm")
    if foot.contact is not None:
        rows += _contact(foot.contact)
    rows += [f"  {note.level.value}: {note.text}" for note in foot.notes]
    return rows


def _contact(contact: ContactPlan) -> list[str]:
    """Return how the sole rests without and with the parts, as rows."""
    mass = contact.body_mass
    rows = [
        f"  contact in a spring model, without -> with the parts (body mass {mass.value:g} kg, "
        f"{mass.reason}); compares beds, no clinical figure"
    ]
    for case in contact.cases:
        rows += _contact_case(case)
    return rows


def _lean(before: ContactFigures, after: ContactFigures) -> str:
    """Return how the sole tips on its bed until it balances, in words."""
    words = []
    for k, names in enumerate((("toes up", "toes down"), ("medial side up", "medial side down"))):
        was, now = before.tilt[k], after.tilt[k]
        words.append(f"{abs(was):.1f}° {names[was < 0]} -> {abs(now):.1f}° {names[now < 0]}")
    return "the free sole tips until it balances: " + ", ".join(words)


def _contact_case(case: ContactCase) -> list[str]:
    before, after = case.before, case.after
    if before is None or after is None:
        return [f"    {case.case}, {case.load:.0f} N: no figures, {case.reason}"]
    held = "" if case.ankle is None else f", sole held at {case.ankle:+g}°"
    parts = ", ".join(
        f"{name} {100 * before.share[name]:.0f} -> {100 * value:.0f} % "
        f"({before.peak[name]:.0f} -> {after.peak[name]:.0f})"
        for name, value in after.share.items()
    )
    return [
        f"    {case.case}, {case.load:.0f} N{held}: area {before.area:.0f} -> {after.area:.0f} cm²",
        f"      share of the load (peak, kPa): {parts}",
        *([f"      {_lean(before, after)}"] if case.ankle is None else []),
        *(f"      {note}" for note in case.notes),
    ]


def loose_plans(plans: Sequence[Plan], kept: Sequence[Case]) -> list[str]:
    """Return a line on plans in a folder that no case keeps; nothing when all are kept."""
    known = {(case.name, version) for case in kept for version in case.versions()}
    open_ones = [f"{p.case} v{p.version}" for p in plans if (p.case, p.version) not in known]
    if not open_ones:
        return []
    return [f"plans that no case keeps: {', '.join(open_ones)}; --keep puts those of a named case "
            "into theirs"]  # fmt: skip


def case(found: Case) -> str:
    """Return what a case holds, on one line and one for each trial."""
    opened = f", opened {found.opened}" if found.opened else ""
    plans = ", ".join(str(number) for number in found.versions()) or "none"
    trials = found.trials()
    rows = [f"{found.name}{opened}: plans {plans}; {len(trials)} trials"]
    for one in trials:
        then = one.step.words if one.step else "no step"
        rows.append(f"  trial {one.number}, {one.date}, plan {one.plan}: {then}")
    return "\n".join(rows)
