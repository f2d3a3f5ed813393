"""What is kept: plans in the store of cases, answers in a file; nothing is ever replaced."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.files import why

if TYPE_CHECKING:
    from insole.record.plan import Plan

__all__ = [
    "case_home",
    "keep_answers",
    "keep_plan",
    "refuse_other_plan",
    "refuse_stopped",
    "word_after_stop",
]

NO_NAME = "case"  # of a plan whose case was not named


def keep_answers(
    path: Path, answers: Mapping[str, str], clinician: str, *, case: str = "", day: str = ""
) -> str:
    """Write an answers file, and return why no parts can be made with it, or nothing.

    `case` and `day` say of whom they are and when they were asked.

    Raises
    ------
    insole.errors.InsoleError
        The file is there already or cannot be written.
    """
    from footscan.files import sweep, write_whole
    from insole.errors import InsoleError, RefusedError
    from insole.record import questions

    text = questions.as_toml(answers, clinician, case=case, day=day)
    sweep(path.parent)
    if path.exists():
        raise InsoleError(f"{path} is there already and is kept; choose another name")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode())
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{path} cannot be written: {reason}; choose another file").asking(
            "out"
        ) from None
    try:
        questions.decide(answers, clinician)
    except RefusedError as error:
        return str(error)
    return ""


def case_home(plan: Plan, out: Path) -> Path:
    """Return the folder of cases that a plan made into `out` is kept in.

    The one next to `out` that keeps this very plan already, else `out` itself: a trial of what
    was made finds the case either way.
    """
    from insole.trials import cases

    if not _named(plan):
        return out
    found = cases.home_of(out / "made" / "plan.json", plan.case, plan)
    return out if found is None else found.parent


def keep_plan(plan: Plan, home: Path) -> Path | None:
    """Keep a plan of a named case in the store `home` and return its path; None if it has no name.

    Raises
    ------
    insole.errors.InsoleError
        The case keeps another plan under that version.
    """
    from insole.trials import cases

    if not _named(plan):
        return None
    return cases.keep(home, plan)


def refuse_other_plan(plan: Plan, home: Path) -> None:
    """Refuse what :func:`keep_plan` would refuse, before the work is done.

    Raises
    ------
    insole.errors.InsoleError
        The case keeps another plan under that version.
    """
    from insole.trials import cases

    if _named(plan):
        cases.refuse_other(home, plan)


def refuse_stopped(plan: Plan, *places: Path) -> None:
    """Refuse a plan of a case whose last stop waits for a clinician's word.

    A word in the plan itself counts when it is not older than the stop.

    Parameters
    ----------
    plan : Plan
        To be kept or made.
    *places : Path
        Folders of cases, and files of plans of that case.

    Raises
    ------
    insole.errors.RefusedError
        A stop is open.
    """
    from insole.errors import RefusedError
    from insole.record.questions import dated
    from insole.trials import cases
    from insole.trials.entry import in_force
    from insole.trials.trial import open_stop, quoted

    if not _named(plan):
        return
    found = []
    for place in places:
        beside = place if place.suffix == ".json" else place / "made" / "plan.json"
        found.append(cases.home_of(beside, plan.case))
    # one rider's trials may lie in two folders of where the work goes on
    found += [one.parent for one in Path().glob(f"*/{plan.case}/case.json")]
    for home in dict.fromkeys(one.resolve() for one in found if one is not None):
        stop = open_stop(in_force(cases.open_case(home).trials()))
        if stop is not None and dated(plan.clinician) < stop.date:
            raise RefusedError(
                f"trial {stop.number} of {plan.case!r} stopped at {quoted(stop.stopped)} on "
                f"{stop.date} ({_near(home)}): nothing is planned or made for this rider until a "
                "clinician's word of that day or later is recorded, with name and date"
            ).asking("clinician")


def word_after_stop(case: str, *places: Path) -> str:
    """Return the clinician's word that ended a case's last stop, for the papers of its next plans.

    Parameters
    ----------
    case : str
        Its name.
    *places : Path
        Folders of cases, and files of plans of that case.
    """
    from insole.trials import cases
    from insole.trials.entry import in_force
    from insole.trials.trial import last_stop

    if case == NO_NAME or not cases.can_name(case):
        return ""
    beside = [one if one.suffix == ".json" else one / "made" / "plan.json" for one in places]
    for home in filter(None, (cases.home_of(one, case) for one in beside)):
        if word := last_stop(in_force(cases.open_case(home).trials()))[1]:
            return word
    return ""


def _named(plan: Plan) -> bool:
    """Return whether a plan belongs to a case that a folder can keep."""
    from insole.trials import cases

    return plan.case != NO_NAME and cases.can_name(plan.case)


def _near(folder: Path) -> str:
    """Return a folder as seen from here."""
    here = Path().resolve()
    return str(folder.relative_to(here)) if folder.is_relative_to(here) else folder.name
