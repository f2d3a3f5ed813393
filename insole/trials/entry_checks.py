"""What may be logged as a trial: clean lines, a date, the right log, an order that holds.

Said + Plan + log -> cleaned, around, check, refuse_unanswered -> or one sentence why not
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from footscan import typed
from insole.errors import PlanError, RefusedError
from insole.record.plan import Plan
from insole.record.questions import named_and_dated
from insole.trials.entry import Said, Trial, in_force
from insole.trials.picks import PLACES

__all__ = ["around", "check", "cleaned", "refuse_unanswered"]

LONGEST = 2000  # letters of free text: what is longer is not a sentence of a rider


def cleaned(said: Said) -> Said:
    """Return what is logged as clean lines."""
    try:
        return said.model_copy(
            update={
                "text": typed.words(said.text, "what was said", LONGEST),
                "clinician": typed.line(said.clinician, "the clinician's word"),
                "because": typed.words(said.because, "what was wrong with the trial"),
                "felt": [typed.line(pick, "a pick") for pick in said.felt],
            }
        )
    except ValueError as error:
        raise PlanError(str(error)) from None


def around(said: Said, log: Sequence[Trial]) -> tuple[list[Trial], list[Trial]]:
    """Return the trials that hold before and after the entry; after it only for a correction."""
    if said.corrects is None:
        return in_force(log), []
    if not 1 <= said.corrects <= len(log):
        raise PlanError(
            f"there is no trial {said.corrects} to correct; the log holds {len(log)} of them"
        )
    if not said.because.strip():
        raise PlanError(
            f'say what was wrong with trial {said.corrects}, such as "typed for the other rider"'
        ).asking("because")
    holding = in_force(log)
    at = next((k for k, one in enumerate(holding) if one.number == said.corrects), None)
    if at is None:
        raise PlanError(
            f"trial {said.corrects} was corrected already; correct the entry that stands for it"
        )
    return holding[:at], holding[at + 1 :]


def check(
    plan: Plan,
    said: Said,
    earlier: Sequence[Trial],
    later: Sequence[Trial],
    log: Sequence[Trial],
) -> None:
    """Refuse what cannot be logged of this plan in this log, in one sentence.

    `earlier` and `later` are those around it, see :func:`around`.

    Raises
    ------
    insole.errors.PlanError
        Date, place, side, case or order cannot be; says which.
    """
    if said.because.strip() and said.corrects is None:
        raise PlanError(
            "what was wrong is said of an earlier trial; say which trial is corrected"
        ).asking("corrects")
    corrected = next((t for t in log if t.number == said.corrects), None)
    if corrected is not None and (corrected.case, corrected.plan) != (plan.case, plan.version):
        raise PlanError(
            f"trial {corrected.number} is of plan {corrected.plan} of {corrected.case!r}; correct "
            "it with that plan"
        )
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", said.date) or not _is_date(said.date):
        raise PlanError(f"{said.date!r} is not a date; give it as YYYY-MM-DD")
    if earlier and earlier[-1].case != plan.case:
        raise PlanError(
            f"this log is of the case {earlier[-1].case!r}, the plan of {plan.case!r}; give each "
            "case a log of its own"
        )
    if earlier and said.date < earlier[-1].date and not said.is_word_only:
        raise PlanError(
            f"{said.date} lies before the log's last trial of {earlier[-1].date}; trials are "
            "logged in their order: if that date is a slip, log trial "
            f"{earlier[-1].number} anew as its correction"
        ).asking("corrects", "because")
    if later and said.date > later[0].date:
        raise PlanError(
            f"{said.date} lies after trial {later[0].number} of {later[0].date}, which followed; "
            "give the day of the ride that is corrected"
        ).asking("on")
    if earlier and plan.version < earlier[-1].plan:
        raise PlanError(
            f"plan {plan.version} is older than plan {earlier[-1].plan}, the last one on trial; "
            "plan it anew under a new version to try it again"
        )
    if said.place and said.place not in PLACES:
        raise PlanError(f"there is no place {said.place!r}; give one of {', '.join(PLACES)}")
    planned = [foot.side for foot in plan.feet]
    if said.side != "both" and said.side not in planned:
        raise PlanError(f"the {said.side} foot is not in this plan; it plans {planned[0]} only")
    if said.clinician and not named_and_dated(said.clinician):
        raise PlanError("a clinician's word needs name and date: 'NAME, YYYY-MM-DD'")


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def refuse_unanswered(plan: Plan, earlier: Sequence[Trial]) -> None:
    """Refuse another plan's trial while the last one is open."""
    if not earlier:
        return
    last = earlier[-1]
    if not last.ridden:
        refuse_unanswered(plan, earlier[:-1])
    elif last.answer is None and not last.stopped and last.plan != plan.version:
        raise RefusedError(
            f"the trial of plan {last.plan} from {last.date} has not been answered; log what the "
            f"rider said of it before plan {plan.version} is tried"
        )
