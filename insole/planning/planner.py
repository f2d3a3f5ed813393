"""From measured feet, shoe and wishes to the plan that parts and papers are made from.

    MeasuredFoot (left, right) + Shoe + PlanWishes + Terms -> plan -> Plan

Questions and overrides first, then each foot by itself (:mod:`insole.planning.one_foot`), then what
the pair asks to say. Nothing here reads a clock or a file: the same feet, shoe and wishes give the
same plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import insole
from footscan.results import MeasuredFoot
from footscan.scan import Side
from insole.partner import Partner
from insole.planning import by_hand, checks, dowels, wedge_rules
from insole.planning import cleat as cleats
from insole.planning.changes import describe_change
from insole.planning.job import Job
from insole.planning.memory import Memory
from insole.planning.one_foot import PlannedFoot, planned_foot
from insole.planning.remarks import fit_notes, limit_notes
from insole.planning.wishes import FootWish, PlanWishes, Terms
from insole.record import questions
from insole.record.by_hand import ByHand, HandFoot
from insole.record.limits import Limits, default_limits
from insole.record.plan import Plan
from insole.record.values import Note
from insole.shoe.shoe import Shoe

__all__ = ["FootWish", "Memory", "PlanWishes", "Terms", "describe_change", "plan"]


def plan(
    left: MeasuredFoot | None,
    right: MeasuredFoot | None,
    shoe: Shoe | None = None,
    wishes: PlanWishes | None = None,
    *,
    terms: Terms | None = None,
    limits: Limits | None = None,
    memory: Memory | None = None,
    hand: ByHand | None = None,
    partner: Partner | None = None,
) -> Plan:
    """Return the plan for one or two feet.

    Parameters
    ----------
    left, right : MeasuredFoot or None
        At least one.
    shoe : Shoe or None
        None: a flat bed sized to the foot, and the plan says "trial only".
    wishes : PlanWishes or None
        None plans a first trial: pads from the scan, no wedges.
    terms : Terms or None
        Answers, overrides, what was stated; None: none of them.
    limits : Limits or None
        None takes the default ones.
    memory : Memory or None
        Keeps what later plans of the same feet need again; None plans anew.
    hand : ByHand or None
        What was measured by hand: stands beside the scan, and contradictions are notes; a length
        judges the scan's scale where nothing else did.
    partner : Partner or None
        A second process that plans the right foot; what it planned is not in `memory`.

    Raises
    ------
    ScanQualityError
        A scan is not fit for making; carries its report.
    PlanError
        A wish, landmark or override is unusable.
    RefusedError
        A stop answer without a clinician's word, or a limit passed without an override.
    """
    if left is None and right is None:
        raise ValueError("plan needs at least one foot")
    wishes, terms = (wishes or PlanWishes()).cleaned(), terms or Terms()
    limits, hand = limits or default_limits(), hand or ByHand()
    memory = memory or Memory()
    if wishes.dowels:
        there = ((Side.LEFT, left), (Side.RIGHT, right))
        supports = [wishes.of(side).support for side, foot in there if foot is not None]
        limits = dowels.thick_enough(limits, supports)
    left = left and _held(left, hand.left, memory)
    right = right and _held(right, hand.right, memory)
    asked, question_notes = questions.decide(terms.answers, terms.clinician)
    checks.check_overrides(terms.overrides, limits)
    job = Job(
        shoe=shoe,
        wishes=wishes,
        overrides=terms.overrides,
        limits=limits,
        without_arch=terms.without_arch,
        memory=memory,
        hand=hand,
    )
    sides = _planned(left, right, job, partner)
    if left is not None and right is not None:  # after what is wrong with one of them alone
        checks.check_pair(left, right)
    notes = [
        *question_notes,
        *by_hand.leg_note(job.hand.leg_length),
        *_pair_notes(sides, limits),
        *limit_notes(limits),
    ]
    return Plan(
        tool={"name": "solewright", "version": insole.__version__},
        case=wishes.case,
        version=wishes.version,
        date=wishes.date,
        shoe=shoe.record() if shoe else None,
        shoe_name=shoe.name if shoe else "",
        sources=dict(terms.sources),
        limits={own.name: own.value for own in limits.by_workshop},
        wishes=wishes.record(),
        answers=asked,
        clinician=terms.clinician.strip(),
        left=sides[Side.LEFT].plan if left is not None else None,
        right=sides[Side.RIGHT].plan if right is not None else None,
        overrides=list(terms.overrides),
        notes=notes,
        cautions=list(questions.CAUTIONS),
    )


def _planned(
    left: MeasuredFoot | None, right: MeasuredFoot | None, job: Job, partner: Partner | None
) -> dict[Side, PlannedFoot]:
    """Return each foot that there is, planned, with how it fits the shoe ahead of its notes."""
    if left is not None and right is not None and partner is not None and partner.there:
        other = partner.ask(planned_foot, right, Side.RIGHT, replace(job, memory=Memory()))
        sides = {Side.LEFT: planned_foot(left, Side.LEFT, job), Side.RIGHT: other.result()}
    else:
        sides = {
            side: planned_foot(measured, side, job)
            for side, measured in ((Side.LEFT, left), (Side.RIGHT, right))
            if measured is not None
        }
    if job.shoe is not None:
        for side, fitted in fit_notes(left, right, job.shoe, job.limits).items():
            sides[side] = sides[side].noted(fitted)
    return sides


def _held(measured: MeasuredFoot, hand: HandFoot, memory: Memory) -> MeasuredFoot:
    """Return the foot with its scale held against the hand; the same one as long as both are."""
    return memory.kept("held", (measured,), (repr(hand),), lambda: by_hand.held(measured, hand))


def _pair_notes(sides: Mapping[Side, PlannedFoot], limits: Limits) -> list[Note]:
    """Return what left and right together ask to say."""
    if len(sides) < 2:
        return []
    left, right = sides[Side.LEFT], sides[Side.RIGHT]
    return [
        *wedge_rules.check_pair(left.wedges, right.wedges, limits),
        *cleats.check_saddles(left.saddle, right.saddle, limits),
    ]
