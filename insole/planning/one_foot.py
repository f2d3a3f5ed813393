"""One foot planned: wedges, seat, support, contact, thickness and saddle, with their notes.

    MeasuredFoot + Job -> planned_foot -> PlannedFoot

Order: lay foot and base out in plan, plan the wedges, seat the foot with their roll, then fill the
gap that is left; cleat, thickness and saddle last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from footscan.measuring.measures import by_hand_words
from footscan.results import MeasuredFoot
from footscan.scan import Side
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
from insole.planning.contact import effect, pressing
from insole.planning.contact.doubts import shim_notes
from insole.planning.job import Job
from insole.planning.outline import Layout, lay_out
from insole.planning.remarks import kit_doubt, without_figures
from insole.planning.sole import sole_grid
from insole.planning.support.ceilings import ball_line
from insole.planning.wished_support import supported
from insole.planning.wishes import FootWish
from insole.record.least import sd_shown
from insole.record.limits import Limits
from insole.record.plan import FootPlan
from insole.record.planned_parts import BasePlan, WedgePlace
from insole.record.values import Note, NoteLevel, Quantity

__all__ = ["PlannedFoot", "planned_foot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFoot:
    """One planned foot with what the pair is compared by."""

    plan: FootPlan
    wedges: wedge_rules.WedgeResult
    saddle: Quantity = field(default_factory=lambda: Quantity(value=None))

    def noted(self, notes: Sequence[Note]) -> PlannedFoot:
        """Return the same foot with `notes` ahead of its own."""
        first = [note for note in self.plan.notes if note.code == "effect"]
        own = [*first, *notes, *(note for note in self.plan.notes if note.code != "effect")]
        return replace(self, plan=self.plan.model_copy(update={"notes": own}))


def planned_foot(measured: MeasuredFoot, side: Side, job: Job) -> PlannedFoot:
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


def _plan_side(measured: MeasuredFoot, side: Side, job: Job) -> PlannedFoot:
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
        shaped = supported(seated, measured, wanted, wedges.wedges, job)
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
            flat = supported(level, measured, level_kept, (), job)
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
    return PlannedFoot(plan=record, wedges=wedges, saddle=saddle)


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
