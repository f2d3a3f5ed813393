"""Trials: what the rider said is logged, and the step that follows is put into words to type."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.trials.cases import Case
    from insole.trials.entry import Said, Trial

__all__ = ["log_trial", "read_log"]


def log_trial(plan: Plan, said: Said, log: Path, today: date | None = None) -> Trial:
    """Log what the rider said of a plan, and return the trial with the step that follows.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    said : Said
        Words, side, answer and date.
    log : Path
        A file that ends in .json, or the folder of a case or of cases, where the plan is kept as
        well; they are made when they are not there.
    today : date or None
        A ride, or a clinician's word, of a later day is refused: a slip of the pen would hold up
        every later entry. None takes any date.

    Raises
    ------
    footscan.errors.FootscanError
        What was said cannot be logged, or the log is damaged; the log is then as it was.
    """
    from insole.record.limits import of_plan
    from insole.record.questions import dated, refuse_ahead
    from insole.trials import cases, trial

    if today is not None:
        refuse_ahead(dated(said.clinician), today, "the clinician's word")
        refuse_ahead(said.date, today, "the ride")
    a_case = log.is_dir() or log.suffix.lower() != ".json"
    if a_case and not (log / "case.json").exists() and log.name != plan.case:
        log = log / plan.case  # a folder of cases
    fresh = a_case and not (log / "case.json").exists()
    earlier = [] if fresh else cases.read_log(log)
    found = trial.judge(plan, said, earlier, limits=of_plan(plan))
    if a_case:
        case = (
            cases.create(log.parent, log.name, opened=said.date)
            if fresh
            else (cases.open_case(log))
        )
        case.add_plan(plan)
    cases.append_log(log, found, earlier)
    return found


def read_log(log: Path) -> list[Trial]:
    """Return the trials in a log file, a case, or a folder that holds one case, oldest first.

    Raises
    ------
    insole.errors.InsoleError
        There is no such log, there are several, or it is damaged.
    """
    from insole.errors import InsoleError
    from insole.trials import cases

    if not log.exists():
        raise InsoleError(f"there is no trial log at {log}; check the path")
    if log.is_dir() and not (log / "case.json").exists():
        return _only_case(log).trials()
    return cases.read_log(log)


def _only_case(home: Path) -> Case:
    """Return the one case in a folder of cases: a log is one rider's."""
    from insole.errors import InsoleError
    from insole.trials import cases

    found = cases.cases(home)
    if len(found) != 1:
        names = ", ".join(str(home / case.name) for case in found)
        raise InsoleError(
            f"{home} holds {len(found)} cases; give one of {names}"
            if found
            else f"{home} holds no case; give the folder that plan or make wrote into, or a log's "
            "file"
        )
    return found[0]
