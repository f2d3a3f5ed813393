"""After the ride: what the rider said, the one step that follows, the next plan.

    Plan + what was said -> propose -> Trial (with a step, or why there is none)
                         -> log_trial -> the same, kept in a log;  Bench.follow -> the next Plan

The six red flags are asked after every ride; one that was not asked gives no step, a yes stops.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypedDict, Unpack

from pydantic import ValidationError

from insole.errors import PlanError, RefusedError
from insole.record.limits import of_plan
from insole.trials import entry
from insole.trials import trial as trials
from insole.trials.picks import PICKS, picked
from insole.trials.red_flags import FLAGS
from insole.workflow import riding

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.trials.entry import Said, Trial
    from insole.trials.steps import Step

__all__ = ["Heard", "log_trial", "picks", "propose", "read_log", "step_in"]


class Heard(TypedDict, total=False):
    """What was said of a ride; without an answer the trial stays open.

    felt
        Picks from the list (:func:`picks`), or ``"3 mm back"``.
    said
        What the rider said, in plain words.
    flags
        Red flags as asked, ``{"pain": "no"}``; ids in ``insole.RED_FLAGS``.
    no_red_flags
        All six were asked, and answered no.
    answer
        ``"better"``, ``"same"`` or ``"worse"``.
    side, place
        Which foot, and where it is felt if the words do not say.
    clinician
        A clinician's word, ``"NAME, YYYY-MM-DD"``: wanted for a step after a stop.
    corrects, because
        This stands in the place of trial N, and what was wrong with that.
    """

    felt: Sequence[str]
    said: str
    flags: Mapping[str, str]
    no_red_flags: bool
    answer: Literal["better", "same", "worse"] | None
    side: Literal["left", "right", "both"]
    place: str
    clinician: str
    corrects: int | None
    because: str


def propose(plan: Plan, *, on: str, earlier: Sequence[Trial] = (), **heard: Unpack[Heard]) -> Trial:
    """Return the trial with the one step that follows from it; nothing is written.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    on : str
        Day of the ride, ``YYYY-MM-DD``.
    earlier : sequence of Trial
        The case's log so far, oldest first.
    **heard : Heard
        See :class:`Heard`.

    Returns
    -------
    Trial
        ``.words`` (sentences), ``.step`` (or None), ``.stopped`` (why not to ride on).

    Raises
    ------
    insole.PlanError
        Something cannot be used, or the log is another case's.
    insole.RefusedError
        An earlier plan's trial has not been answered yet.
    """
    return trials.judge(plan, _said(on, heard), earlier, limits=of_plan(plan))


def log_trial(plan: Plan, log: str | Path, *, on: str, **heard: Unpack[Heard]) -> Trial:
    """Log what the rider said of a plan, and return the trial with the step that follows.

    Parameters
    ----------
    plan, on, heard
        As for :func:`propose`.
    log : path
        A ``.json`` file, or the folder of a case or of cases, which then keeps the plan as well.

    Raises
    ------
    footscan.FootscanError
        As for :func:`propose`, or the log is damaged or cannot be written; it is then as it was.
    """
    return riding.log_trial(plan, _said(on, heard), Path(log))


def read_log(log: str | Path) -> list[Trial]:
    """Return the trials in a log file or in the folder of a case, oldest first.

    Raises
    ------
    insole.InsoleError
        There is no such log, or it is damaged.
    """
    return riding.read_log(Path(log))


def picks() -> dict[str, str]:
    """Return what may be picked as felt, with what each says of the plan.

    Examples
    --------
    >>> picks()["too high"]
    'the arch support is felt as too much'
    """
    return {name: picked(name).text for name in PICKS}


def step_in(plan: Plan, trial: Trial) -> Step:
    """Return the step that a trial of this plan proposes.

    Raises
    ------
    insole.RefusedError
        The trial is a stop.
    insole.PlanError
        It is another plan's, or proposes no step.
    """
    from insole.record.plan import fingerprint

    if trial.stopped:
        raise RefusedError("; ".join(trial.words) or "the trial is a stop: no next plan follows")
    if (trial.case, trial.plan) != (plan.case, plan.version) or (
        trial.fingerprint != fingerprint(plan)
    ):
        raise PlanError(
            f"trial {trial.number} is of plan {trial.plan} of {trial.case!r} as it was then; give "
            "the plan that was ridden"
        )
    if trial.step is None:
        why = "; ".join(trial.words) or "nothing asks for a change"
        raise PlanError(f"trial {trial.number} proposes no step: {why}")
    return trial.step


def _said(on: str, heard: Mapping[str, Any]) -> Said:
    """Return the record of what was said."""
    if unknown := sorted(set(heard) - set(Heard.__annotations__)):
        raise PlanError(
            f"there is nothing called {unknown[0]!r} to log; it is one of "
            f"{', '.join(Heard.__annotations__)}"
        )
    felt = heard.get("felt") or ()
    if isinstance(felt, str):
        raise PlanError("felt wants a list of picks; see insole.picks()")
    flags = {flag.id: "no" for flag in FLAGS} if heard.get("no_red_flags") else {}
    flags |= {str(name): str(answer) for name, answer in (heard.get("flags") or {}).items()}
    if (str(heard.get("said") or "").strip() or felt) and heard.get("answer") is None:
        raise PlanError("say how it was as well: answer='better', 'same' or 'worse'")
    try:
        return entry.Said(
            text=heard.get("said") or "",
            side=heard.get("side") or "both",
            place=heard.get("place") or "",
            answer=heard.get("answer"),
            date=on,
            clinician=heard.get("clinician") or "",
            flags=flags,
            felt=list(felt),
            corrects=heard.get("corrects"),
            because=heard.get("because") or "",
        )
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        name = {"text": "said", "date": "on"}.get(name, name)
        raise PlanError(f"{name}: {first['msg'].lower()}, not {first['input']!r}") from None
