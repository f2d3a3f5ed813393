"""Plans: made of measured feet, compared over shoes, read from and written to files.

Request -> plan_feet -> Plan, MeasuredFoot (left, right)
Plan    -> save_plan -> a file -> read_plan -> Plan
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.files import why
from footscan.results import MeasuredFoot
from insole.partner import Partner
from insole.workflow.measuring import measure_feet
from insole.workflow.request import Request, Shots

if TYPE_CHECKING:
    from insole.planning.fit import FitResult
    from insole.record.plan import Plan

__all__ = [
    "check_answers",
    "fit_shoes",
    "picture_step",
    "plan_feet",
    "plan_measured",
    "read_plan",
    "save_plan",
]

LARGEST_PLAN = 20_000_000  # bytes; a plan is a few hundred kB


def plan_feet(
    request: Request, partner: Partner | None = None
) -> tuple[Plan, tuple[MeasuredFoot, ...]]:
    """Return the plan that `request` asks for, and the measured feet, left first.

    A partner measures and plans the second foot.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence and an exit code: unusable input, or refused for safety or limits.
    """
    found: list[MeasuredFoot] = []

    def feet() -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
        pair = measure_feet(request.scans, partner)
        found.extend(foot for foot in pair if foot is not None)
        return pair

    return plan_measured(request, feet, partner), tuple(found)


def plan_measured(
    request: Request,
    feet: Callable[[], tuple[MeasuredFoot | None, MeasuredFoot | None]],
    partner: Partner | None = None,
) -> Plan:
    """Return the plan that `request` asks for, of the feet that `feet` gives, left first.

    Answers, limits, shoe and hand measures are read before the feet are asked for: what refuses
    a plan anyway is not measured for first.

    Raises
    ------
    footscan.errors.FootscanError
        As for :func:`plan_feet`.
    """
    from insole.planning import planner
    from insole.record import by_hand, limits
    from insole.shoe import shoe

    check_answers(request)  # a stop comes before any work
    own = limits.load(request.limits) if request.limits is not None else None
    bed = shoe.load(request.shoe) if request.shoe is not None else None
    hand = by_hand.read(request.by_hand) if request.by_hand is not None else None
    left, right = feet()
    return planner.plan(
        left,
        right,
        bed,
        request.wishes,
        terms=request.terms,
        limits=own,
        hand=hand,
        partner=partner,
    )


def check_answers(request: Request) -> None:
    """Refuse what is asked for where its answers stop it.

    Raises
    ------
    insole.errors.RefusedError
        A stop answer without a clinician's word.
    """
    from insole.record import questions

    if request.terms is not None:
        questions.decide(request.terms.answers, request.terms.clinician)


def fit_shoes(
    scans: Sequence[Shots], shoes: Sequence[Path], own_limits: Path | None = None
) -> list[FitResult]:
    """Return the shoes ranked for the feet in `scans`, best first."""
    from insole.planning import fit
    from insole.record import limits
    from insole.shoe import shoe

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()

    beds = [shoe.load(path) for path in shoes]
    left, right = measure_feet(scans)
    return fit.rank(left, right, beds, bounds)


def picture_step(old: Plan, new: Plan, out: Path) -> Path | None:
    """Write the support before and after as a picture beside the new plan; None if it stays.

    Raises
    ------
    insole.errors.OutputError
        The picture cannot be written.
    """
    from insole.output.pictures.old_and_new import write_old_and_new
    from insole.output.settings import folder_name

    path = out / f"{folder_name(new)}-against-v{old.version}.png"
    return path if write_old_and_new(path, old, new) else None


def read_plan(path: Path, *, edited: bool = False) -> Plan:
    """Return the plan in a file that ``plan`` or ``make`` wrote.

    `edited` takes one that was changed by hand since, and has every paper say so.

    Raises
    ------
    insole.errors.PlanError
        The file is missing, too large, not a plan, or was changed since it was written.
    """
    from footscan.files import TooLargeError, read_bounded
    from insole.errors import PlanError
    from insole.record.plan import from_json

    try:
        text = read_bounded(path, LARGEST_PLAN).decode()
    except TooLargeError:
        raise PlanError(
            f"{path.name} is too large to be a plan; give the plan.json itself"
        ) from None
    except (OSError, UnicodeDecodeError):
        raise PlanError(f"{path} cannot be read; give a plan.json that solewright wrote") from None
    return from_json(text, edited=edited)


def save_plan(plan: Plan, out: Path) -> Path:
    """Write the plan record into folder `out` and return its path; all or nothing.

    Raises
    ------
    insole.errors.InsoleError
        The folder cannot be written, or holds another plan under that name.
    """
    from footscan.files import sweep, write_whole
    from insole.errors import InsoleError
    from insole.output.settings import folder_name
    from insole.record.plan import to_json

    sweep(out)
    path = out / f"{folder_name(plan)}-plan.json"
    data = to_json(plan).encode()
    try:
        if path.exists():
            if path.read_bytes() == data:
                return path
            raise InsoleError(
                f"{path} holds another plan; give this one a new version, or another folder"
            ).asking("version", "out")
        out.mkdir(parents=True, exist_ok=True)
        write_whole(path, data)
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{path} cannot be written: {reason}; choose another folder").asking(
            "out"
        ) from None
    return path
