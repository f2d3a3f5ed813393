"""What is shown of trials and cases."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.trials.cases import Case
    from insole.trials.entry import Trial

__all__ = ["case", "loose_plans", "trial", "trials", "understood_words"]


def trial(record: Trial, options: Sequence[str] = ()) -> str:
    """Return one logged trial as text, with the command of these arguments that plans its step."""
    still = "stopped" if record.stopped else "not answered yet"
    answer = (record.answer or still) if record.ridden else "no ride"
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
    if typed := _to_answer(record):
        rows.append(f"  to type: {typed}")
    if options:
        named = [word for word in options if "." in word and not word.startswith("-")]
        there = all(Path(word).exists() for word in named if Path(word).suffix[1:].isalpha())
        where = "" if there else ", in the folder of the scans and files named"
        rows += [f"  to plan it{where}:", f"    {shlex.join(['solewright', *options])}"]
    return "\n".join(rows)


def _to_answer(record: Trial) -> str:
    """Return the options that answer a trial, or log it again where something was left open."""
    from insole.trials.red_flags import not_asked, unread

    if record.stopped and (record.health or record.stopped[0].startswith("no clinician's")):
        return '--clinician "NAME, YYYY-MM-DD", by itself, once a clinician was asked'
    if not record.ridden:
        return ""
    if record.answer is None:
        wanted = (
            "--felt or --said, --no-red-flags or --flag NAME=yes|no, --better, --same or --worse"
        )
        return "" if record.stopped else wanted
    again = f"--corrects {record.number} --because TEXT"
    if record.as_said:
        return ""
    if not record.stopped and record.step is None and not_asked(record.flags):
        return f"{again}, and --no-red-flags, or --flag NAME=yes|no for each"
    strange = not record.felt and unread(record.said)
    if strange and record.step is None and not record.health:
        return f"{again}, and --felt PICK (--words prints the list)"
    return ""


def _flags(record: Trial) -> str:
    """Return the red flags of a trial in words; what was not asked is said so."""
    from insole.trials.red_flags import FLAGS

    said = {
        word: [f.id for f in FLAGS if record.flags.get(f.id, "not asked") == word]
        for word in ("yes", "no", "not asked")
    }
    return "; ".join(f"{word}: {', '.join(ids)}" for word, ids in said.items() if ids)


def trials(records: Sequence[Trial]) -> str:
    """Return a log of trials as text, oldest first; a corrected one says what stands for it."""
    from insole.record.questions import SHORT_CAUTION

    by = {one.corrects: one.number for one in records if one.corrects is not None}
    rows = []
    for one in records:
        head, *more = trial(one).splitlines()
        if one is not records[-1]:  # what was to type then was typed, or is no longer asked
            more = [row for row in more if not row.startswith("  to type: ")]
        rows.append(f"{head}; replaced by trial {by[one.number]}" if one.number in by else head)
        rows += more
    return "\n".join([*rows, "", SHORT_CAUTION]) if records else "no trial is logged"


def loose_plans(plans: Sequence[Plan], kept: Sequence[Case]) -> list[str]:
    """Return a line on plans in a folder that no case keeps; nothing when all are kept."""
    known = {(case.name, version) for case in kept for version in case.versions()}
    open_ones = [f"{p.case} v{p.version}" for p in plans if (p.case, p.version) not in known]
    if not open_ones:
        return []
    return [
        f"plans that no case keeps: {', '.join(open_ones)}; --keep puts those of a named case "
        "into theirs"
    ]


def case(found: Case) -> str:
    """Return what a case holds, on one line and one for each trial."""
    opened = f", opened {found.opened}" if found.opened else ""
    plans = ", ".join(str(number) for number in found.versions()) or "none"
    trials = found.trials()
    rows = [f"{found.name}{opened}: plans {plans}; {len(trials)} trials"]
    by = {one.corrects: one.number for one in trials if one.corrects is not None}
    for one in trials:
        then = one.step.words if one.step else "stopped" if one.stopped else "no step"
        then = then if one.ridden else f"a clinician's word: {one.clinician}"
        if one.number in by:
            then = f"corrected by trial {by[one.number]}"
        rows.append(f"  trial {one.number}, {one.date}, plan {one.plan}: {then}")
    return "\n".join(rows)


def understood_words() -> list[str]:
    """Return what may be picked with --felt, the red flags, and short words that --said takes."""
    from insole.trials.picks import OBSERVATIONS, PICKS, SLIPS, picked
    from insole.trials.red_flags import FLAGS

    meanings = {name: picked(name).text for name in PICKS}
    meanings[SLIPS] += "; a red flag, and stops"
    meanings |= {
        f"N mm {way}": f"the rider wants the pad N mm {way}"
        for way in ("forward", "back", "in", "out")
    }
    return [
        "to pick with --felt:",
        *(f"  {name:26} {text}" for name, text in meanings.items()),
        "red flags, to answer with --flag NAME=yes or no:",
        *(f"  {flag.id:26} {flag.text}" for flag in FLAGS),
        "to write into --said:",
        *(f"  {o.id:26} {o.text}" for o in OBSERVATIONS),
    ]
