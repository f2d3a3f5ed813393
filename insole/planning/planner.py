"""From measured feet, shoe and wishes to the plan that parts and papers are made from.

    MeasuredFoot (left, right) + Shoe + PlanWishes + answers -> plan -> Plan

Order, for each foot: lay foot and base out in plan, plan the wedges, seat the foot with their
roll, then fill the gap that is left; cleat, thickness and saddle last. Nothing here reads a
clock or a file: the same feet, shoe and wishes give the same plan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import insole
from footscan.measuring.measures import by_hand_words
from footscan.results import MeasuredFoot
from footscan.scan import Side
from insole.errors import PlanError
from insole.planning import (
    by_hand,
    checks,
    dowels,
    easing,
    seating,
    tender,
    thickness,
    wedge_rules,
    wedging,
)
from insole.planning import cleat as cleats
from insole.planning.changes import describe_change
from insole.planning.contact import effect, pressing
from insole.planning.contact.doubts import shim_notes
from insole.planning.memory import Memory
from insole.planning.outline import Layout, lay_out
from insole.planning.remarks import fit_notes, kit_doubt, limit_notes, without_figures
from insole.planning.sole import sole_grid
from insole.planning.support import contour
from insole.planning.support import pad as support
from insole.planning.support.ceilings import ball_line
from insole.planning.support.metatarsal import plan_metatarsal
from insole.planning.wishes import FootWish, PlanWishes
from insole.record import questions
from insole.record.by_hand import ByHand, HandFoot
from insole.record.least import sd_shown
from insole.record.limits import Limits, default_limits
from insole.record.plan import (
    BasePlan,
    FootPlan,
    Note,
    NoteLevel,
    Override,
    Plan,
    Quantity,
    WedgePlace,
    WedgePlan,
)
from insole.shoe.shoe import Shoe

__all__ = ["FootWish", "Memory", "PlanWishes", "describe_change", "plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What both feet share."""

    shoe: Shoe | None
    wishes: PlanWishes
    overrides: Sequence[Override]
    limits: Limits
    without_arch: bool
    memory: Memory
    hand: ByHand


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """One planned foot with what the pair is compared by."""

    plan: FootPlan
    wedges: wedge_rules.WedgeResult
    saddle: Quantity = field(default_factory=lambda: Quantity(value=None))

    def noted(self, notes: Sequence[Note]) -> _Side:
        """Return the same foot with `notes` ahead of its own."""
        first = [note for note in self.plan.notes if note.code == "effect"]
        own = [*first, *notes, *(note for note in self.plan.notes if note.code != "effect")]
        return replace(self, plan=self.plan.model_copy(update={"notes": own}))


def plan(
    left: MeasuredFoot | None,
    right: MeasuredFoot | None,
    shoe: Shoe | None = None,
    wishes: PlanWishes | None = None,
    *,
    answers: Mapping[str, str] | None = None,
    clinician: str = "",
    overrides: Sequence[Override] = (),
    limits: Limits | None = None,
    without_arch: bool = False,
    sources: Mapping[str, Any] | None = None,
    memory: Memory | None = None,
    hand: ByHand | None = None,
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
    answers, clinician : mapping of str to str, str
        Answers to the stop and advise questions; a clinician's word with its date.
    overrides : sequence of Override
        Limits passed on purpose, printed on every paper.
    limits : Limits or None
        None takes the default ones.
    without_arch : bool
        Plan shims and a flat base only, for scans that show no arch.
    sources : mapping or None
        Names of the files planned from and what was stated of the scans, kept in the plan.
    memory : Memory or None
        Keeps what later plans of the same feet need again; None plans anew.

    hand : ByHand or None
        What was measured by hand: stands beside the scan, and contradictions are notes; a length
        judges the scan's scale where nothing else did.

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
    wishes = (wishes or PlanWishes()).cleaned()
    limits, hand = limits or default_limits(), hand or ByHand()
    memory = memory or Memory()
    left = left and _held(left, hand.left, memory)
    right = right and _held(right, hand.right, memory)
    asked, question_notes = questions.decide(answers or {}, clinician)
    checks.check_overrides(overrides, limits)
    job = _Job(
        shoe=shoe,
        wishes=wishes,
        overrides=overrides,
        limits=limits,
        without_arch=without_arch,
        memory=memory,
        hand=hand,
    )
    sides = {
        side: _remembered(measured, side, job)
        for side, measured in ((Side.LEFT, left), (Side.RIGHT, right))
        if measured is not None
    }
    if shoe is not None:
        for side, fitted in fit_notes(left, right, shoe, limits).items():
            sides[side] = sides[side].noted(fitted)
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
        sources=dict(sources or {}),
        limits={own.name: own.value for own in limits.by_workshop},
        wishes=wishes.record(),
        answers=asked,
        clinician=clinician.strip(),
        left=sides[Side.LEFT].plan if left is not None else None,
        right=sides[Side.RIGHT].plan if right is not None else None,
        overrides=list(overrides),
        notes=notes,
        cautions=list(questions.CAUTIONS),
    )


def _held(measured: MeasuredFoot, hand: HandFoot, memory: Memory) -> MeasuredFoot:
    """Return the foot with its scale held against the hand; the same one as long as both are."""
    return memory.kept("held", (measured,), (repr(hand),), lambda: by_hand.held(measured, hand))


def _remembered(measured: MeasuredFoot, side: Side, job: _Job) -> _Side:
    """Return the plan of one foot, made anew only where something of it changed."""
    own = replace(
        job.wishes,
        both=job.wishes.of(side),
        left=FootWish(),
        right=FootWish(),
        kit=None,
        case="",
        date="",
        version=1,
    )
    overrides = tuple(over.model_dump_json() for over in job.overrides)
    return job.memory.kept(
        "foot",
        (measured, job.shoe, job.limits, job.wishes.kit),
        (side, own, job.without_arch, overrides, repr(job.hand.of(side.value))),
        lambda: _plan_side(measured, side, job),
    )


def _plan_side(measured: MeasuredFoot, side: Side, job: _Job) -> _Side:
    """Return the plan of one foot."""
    checks.check_scan(measured, side, job.without_arch)
    wish, limits, shoe = job.wishes.of(side), job.limits, job.shoe
    same, kept = (measured, shoe, limits), job.memory.kept
    layout = kept("layout", same, (side,), lambda: lay_out(measured, shoe, limits))
    level = kept(
        "level", same, (side,), lambda: seating.seat(measured, layout, shoe, limits=limits)
    )
    wedges = wedging.plan_wedges(
        landmarks=level.landmarks,
        landmark_sd=level.landmark_sd,
        outline=layout.base,
        length=measured.foot.length,
        shoe=shoe,
        limits=limits,
        overrides=job.overrides,
        wishes=wedge_rules.Wishes(forefoot=wish.forefoot, heel=wish.heel, under=wish.under),
        confirm_zero=job.wishes.confirm_zero,
        side=side.value,
    )
    checks.check_rim(wedges.wedges, limits)
    seated = level
    if wedges.roll:
        seated = kept(
            "seated",
            same,
            (side, wedges.roll),
            lambda: seating.seat(measured, layout, shoe, limits=limits, roll=wedges.roll),
        )
    cleat, cleat_notes = cleats.plan_cleat(
        landmarks=level.landmarks,
        shoe=shoe,
        limits=limits,
        offset=wish.cleat_offset,
        yaw=wish.cleat_yaw,
        before=wish.cleat_before,
    )

    def tried(support_level: float | None) -> easing.Tried:
        wanted = replace(wish, support_level=support_level)
        shaped = _support(seated, measured, wanted, wedges.wedges, job)
        pressed = pressing.compare(
            level,
            shaped.pad,
            wedges.wedges,
            cleat,
            limits=limits,
            contour=shaped.contour,
            body_mass=job.wishes.body_mass,
            ankle=wish.ankle,
            metatarsal=shaped.metatarsal,
        )
        if job.without_arch:
            return shaped, without_figures(pressed[0], measured), ()
        return shaped, *pressed

    if wish.support_level is None:
        pad, contact, contact_notes = easing.eased(tried, limits)
    else:
        pad, contact, contact_notes = tried(wish.support_level)
    does = effect.effect(pad.pad, pad.contour, contact, limits)
    inside = [w for w in wedges.wedges if w.place is not WedgePlace.UNDER]
    cost: list[Note] = []
    alone = does  # of the support without shims, whose tilt is not its doing
    if inside:
        flat = pad
        if pad.contour is not None:  # the same bed with no wedge built in
            level_kept = replace(wish, support_level=pad.contour.support_level)
            flat = _support(level, measured, level_kept, (), job)
        bare, _ = pressing.compare(
            level,
            flat.pad,
            (),
            cleat,
            limits=limits,
            body_mass=job.wishes.body_mass,
            ankle=wish.ankle,
            metatarsal=flat.metatarsal,
            contour=flat.contour,
        )
        cost = effect.shim_cost(contact, bare, inside, limits)
        alone = effect.effect(flat.pad, flat.contour, bare, limits)
    base = _base(seated, layout, limits)
    dowel_notes: Sequence[Note] = ()
    if job.wishes.dowels:
        base, dowel_notes = dowels.placed(
            base, pad.pad, wedges.wedges, level.landmarks.get("arch_apex")
        )
    apart = [w for w in wedges.wedges if pad.contour is None or w.place is WedgePlace.UNDER]
    rows, thick_notes = thickness.rows(
        seated,
        pad.pad,
        apart,
        shoe=shoe,
        limits=limits,
        overrides=job.overrides,
        contour=pad.contour,
        side=side.value,
        metatarsal=pad.metatarsal,
    )
    saddle, saddle_notes = thickness.saddle(
        rows, wedges.wedges, cleat, before=wish.cleat_before, shoe=shoe, limits=limits
    )
    left_over = shim_notes(apart, limits=limits, body_mass=job.wishes.body_mass)
    hand = job.hand.of(side.value)
    moved = [
        Note(code=f"by-hand-{name}", text=text)
        for name, text in by_hand_words(measured.landmarks).items()
    ]
    first = (
        []
        if alone is None
        else [
            Note(
                code="effect",
                level=NoteLevel.WARN if alone.little else NoteLevel.INFO,
                text=f"the support {alone.words}",
            )
        ]
    )
    peaks = effect.ball_peaks(does, pad.metatarsal is not None)
    notes = (
        *first,
        *kit_doubt(pad.pad, alone),
        *cost,
        *peaks,
        *moved,
        *by_hand.notes(measured, hand, wedges.wedges),
        *seated.notes,
        *wedges.notes,
        *left_over,
        *pad.notes,
        *cleat_notes,
        *thick_notes,
        *saddle_notes,
        *contact_notes,
        *dowel_notes,
    )
    record = FootPlan(
        side=side.value,
        scan_file=measured.facts.file,
        scan_sha256=measured.facts.sha256,
        verdict=str(measured.report.verdict.value),
        load=str(seated.load.value),
        measures=_measures(measured) | by_hand.beside(hand),
        foot_outline=_ring(layout.foot),
        landmarks={name: _point(p) for name, p in level.landmarks.items()},
        landmark_sd={name: round(sd, 3) for name, sd in level.landmark_sd.items()},
        seating=seated.record(),
        sole=sole_grid(seated, limits),
        base=base,
        pad=pad.pad,
        no_pad_because=pad.because,
        contour=pad.contour,
        metatarsal=pad.metatarsal,
        wedges=apart,
        no_wedge_because=dict(wedges.because),
        cleat=cleat,
        thickness=rows,
        saddle_change=saddle,
        contact=contact,
        effect=alone,
        notes=list(notes),
    )
    relief = wish.relief or limits.value("keepout.tender_relief")
    record = tender.noted(record, wish.tender or (), relief)
    return _Side(plan=record, wedges=wedges, saddle=saddle)


def _support(
    seated: seating.Seating,
    measured: MeasuredFoot,
    wish: FootWish,
    wedges: Sequence[WedgePlan],
    job: _Job,
) -> support.PadResult:
    """Return the pads or the contoured bed of one foot, or why there is none."""
    if wish.contoured is not None and not job.without_arch:
        made, notes = contour.plan_contour(
            seated,
            measured,
            limits=job.limits,
            wedges=wedges,
            overrides=job.overrides,
            memory=job.memory,
            wish=contour.ContourWish(
                length=wish.contoured,
                level=wish.support_level,
                cup=wish.cup,
                tender=wish.tender or (),
                relief=wish.relief,
                metatarsal=wish.metatarsal,
                metatarsal_behind=wish.metatarsal_behind,
                material=wish.contour_material or "base-pp",
            ),
        )
        because = "the contoured bed carries the arch in one piece"
        return support.PadResult(pad=None, because=because, contour=made, notes=notes)
    pads = _pad(seated, wish, wedges, job)
    if wish.metatarsal is None:
        if wish.metatarsal_behind is not None:
            raise PlanError(
                "a place behind the heads is wished for a metatarsal pad, but no height; give "
                "--metatarsal MM"
            )
        return pads
    dome, notes = plan_metatarsal(
        seated,
        wish.metatarsal,
        behind=wish.metatarsal_behind,
        limits=job.limits,
        pad=pads.pad,
        wedges=wedges,
    )
    return replace(pads, metatarsal=dome, notes=(*pads.notes, *notes))


def _pad(
    seated: seating.Seating, wish: FootWish, wedges: Sequence[WedgePlan], job: _Job
) -> support.PadResult:
    """Return the pad of one foot, or why there is none."""
    if job.without_arch:
        because = "planned without the arch: this scan is used for shims and a flat base only"
        return support.PadResult(pad=None, because=because)
    if wish.pad is False:
        return support.PadResult(pad=None, because="no pad was wished")
    pad_wish = support.PadWish(
        level=wish.support_level,
        source=wish.pad_source or "scan",
        shift=wish.shift or (0.0, 0.0),
        turn=wish.turn or 0.0,
        tender=wish.tender or (),
        kit=job.wishes.kit,
        medial_edge=wish.medial_edge,
        relief=wish.relief,
    )
    return support.plan_pad(
        seated,
        wish=pad_wish,
        limits=job.limits,
        wedges=wedges,
        overrides=job.overrides,
        memory=job.memory,
    )


def _base(seated: seating.Seating, layout: Layout, limits: Limits) -> BasePlan:
    """Return the footbed blank."""
    medial, lateral, _ = ball_line(seated)
    start = seated.station + limits.value("base.grid_from") * seated.foot_length
    stop = min(medial[0], lateral[0]) - limits.value("base.grid_before_ball")
    return BasePlan(
        outline=_ring(layout.base),
        thickness=limits.value("base.thickness"),
        source=layout.source,
        trim_allowance=layout.trim,
        heel_cup=limits.value("base.heel_cup"),
        grid_step=limits.value("base.grid_step"),
        grid_from=round(start, 3),
        grid_to=round(max(float(stop), start), 3),
    )


def _pair_notes(sides: Mapping[Side, _Side], limits: Limits) -> list[Note]:
    """Return what left and right together ask to say."""
    if len(sides) < 2:
        return []
    left, right = sides[Side.LEFT], sides[Side.RIGHT]
    return [
        *wedge_rules.check_pair(left.wedges, right.wedges, limits),
        *cleats.check_saddles(left.saddle, right.saddle, limits),
    ]


def _measures(measured: MeasuredFoot) -> dict[str, Quantity]:
    """Return the measures; no length is known closer than its step while the scale is not."""
    verified = measured.facts.scale_verified
    return {
        name: Quantity(
            value=None if m.value is None else round(float(m.value), 4),
            unit=m.unit,
            sd=None
            if m.sd is None
            else round(sd_shown(float(m.sd), m.unit, scale_verified=verified), 4),
            reason=m.reason,
        )
        for name, m in measured.measures.items()
    }


def _ring(ring: Any) -> list[tuple[float, float]]:
    return [(round(float(x), 3), round(float(y), 3)) for x, y in ring]


def _point(point: Any) -> tuple[float, float, float]:
    x, y, z = (round(float(v), 3) + 0.0 for v in point)
    return x, y, z
