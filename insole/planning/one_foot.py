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
from insole.planning.support.keepouts import ball_line
from insole.planning.support.pad import PadResult
from insole.planning.wished_support import supported
from insole.planning.wishes import FootWish
from insole.record.least import sd_shown
from insole.record.limits import Limits
from insole.record.plan import CleatPlan, FootPlan, ThicknessRow
from insole.record.planned_contact import ContactPlan, EffectPlan
from insole.record.planned_parts import BasePlan, WedgePlace, WedgePlan
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Laid:
    """A foot in its shoe before anything is put under the arch.

    `level` is its seat on the bed, `seated` the one with the roll of the wedges.
    """

    measured: MeasuredFoot
    side: Side
    job: Job
    layout: Layout
    level: seating.Seating
    seated: seating.Seating
    wedges: wedge_rules.WedgeResult
    cleat: CleatPlan | None
    cleat_notes: Sequence[Note]

    @property
    def wish(self) -> FootWish:
        """What is wished of this foot."""
        return self.job.wishes.of(self.side)


def _plan_side(measured: MeasuredFoot, side: Side, job: Job) -> PlannedFoot:
    """Return the plan of one foot."""
    checks.check_scan(measured, side, job.without_arch)
    laid = _laid(measured, side, job)
    limits, seated, wedges = job.limits, laid.seated, laid.wedges
    pad, contact, contact_notes = _carried(laid)
    does = effect.effect(pad.pad, pad.contour, contact, limits)
    alone, cost = _alone(laid, pad, contact, does)
    base = _base(seated, laid.layout, limits)
    dowel_notes: Sequence[Note] = ()
    if job.wishes.dowels:
        apex = laid.level.landmarks.get("arch_apex")
        base, dowel_notes = dowels.placed(base, pad.pad, wedges.wedges, apex)
    apart = [w for w in wedges.wedges if pad.contour is None or w.place is WedgePlace.UNDER]
    rows, saddle, thick_notes = _thickness(laid, pad, apart)
    notes = (
        *_effect_note(alone),
        *kit_doubt(pad.pad, alone),
        *cost,
        *effect.ball_peaks(does, pad.metatarsal is not None),
        *_hand_notes(laid),
        *seated.notes,
        *wedges.notes,
        *shim_notes(apart, limits=limits, body_mass=job.wishes.body_mass),
        *pad.notes,
        *laid.cleat_notes,
        *thick_notes,
        *contact_notes,
        *dowel_notes,
    )
    record = FootPlan(
        **_scanned(laid),
        base=base,
        pad=pad.pad,
        no_pad_because=pad.because,
        contour=pad.contour,
        metatarsal=pad.metatarsal,
        wedges=apart,
        no_wedge_because=dict(wedges.because),
        cleat=laid.cleat,
        thickness=rows,
        saddle_change=saddle,
        contact=contact,
        effect=alone,
        notes=list(notes),
    )
    wish = laid.wish.support
    relief = wish.relief or limits.value("keepout.tender_relief")
    record = tender.noted(record, wish.spots, relief, behind=wish.behind, limits=limits)
    return PlannedFoot(plan=record, wedges=wedges, saddle=saddle)


def _laid(measured: MeasuredFoot, side: Side, job: Job) -> _Laid:
    """Return the foot laid out, seated with the roll of its wedges, and its cleat."""
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
        wishes=wish.wedges,
        confirm_zero=job.wishes.confirm_zero,
        side=side.value,
        built_in=wish.support.contoured is not None,
    )
    if wish.support.contoured is None:  # a bed lies on no base and has no rim
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
        wish=wish.cleat,
    )
    return _Laid(
        measured=measured,
        side=side,
        job=job,
        layout=layout,
        level=level,
        seated=seated,
        wedges=wedges,
        cleat=cleat,
        cleat_notes=cleat_notes,
    )


def _carried(laid: _Laid) -> easing.Tried:
    """Return what carries the foot, its contact and what that asks to say, at the level planned."""
    job, wish, wedges = laid.job, laid.wish.support, laid.wedges.wedges

    def tried(level: float | None) -> easing.Tried:
        wanted = replace(wish, level=level)
        shaped = supported(laid.seated, laid.measured, wanted, wedges, job)
        pressed = _pressed(laid, shaped, wedges)
        if job.without_arch:
            return shaped, without_figures(pressed[0], laid.measured), ()
        return shaped, *pressed

    if wish.level is None:
        return easing.eased(tried, job.limits)
    return tried(wish.level)


def _pressed(
    laid: _Laid, shaped: PadResult, wedges: Sequence[WedgePlan]
) -> tuple[ContactPlan, Sequence[Note]]:
    """Return the sole's contact without and with a support and wedges."""
    return pressing.compare(
        laid.level,
        shaped.pad,
        wedges,
        laid.cleat,
        limits=laid.job.limits,
        contour=shaped.contour,
        body_mass=laid.job.wishes.body_mass,
        ankle=laid.wish.ankle,
        metatarsal=shaped.metatarsal,
    )


def _alone(
    laid: _Laid, pad: PadResult, contact: ContactPlan, does: EffectPlan | None
) -> tuple[EffectPlan | None, list[Note]]:
    """Return the effect of the support without shims, whose tilt is not its doing; their cost."""
    limits = laid.job.limits
    inside = [w for w in laid.wedges.wedges if w.place is not WedgePlace.UNDER]
    if not inside:
        return does, []
    flat = pad
    if pad.contour is not None:  # the same bed with no wedge built in
        level_kept = replace(laid.wish.support, level=pad.contour.support_level)
        flat = supported(laid.level, laid.measured, level_kept, (), laid.job)
    bare, _ = _pressed(laid, flat, ())
    cost = effect.shim_cost(contact, bare, inside, limits)
    return effect.effect(flat.pad, flat.contour, bare, limits), cost


def _thickness(
    laid: _Laid, pad: PadResult, apart: Sequence[WedgePlan]
) -> tuple[list[ThicknessRow], Quantity, list[Note]]:
    """Return thickness before and after, the saddle's change, and what both ask to say."""
    job, limits = laid.job, laid.job.limits
    rows, thick_notes = thickness.rows(
        laid.seated,
        pad.pad,
        apart,
        shoe=job.shoe,
        limits=limits,
        overrides=job.overrides,
        contour=pad.contour,
        side=laid.side.value,
        metatarsal=pad.metatarsal,
    )
    saddle, saddle_notes = thickness.saddle(
        rows,
        laid.wedges.wedges,
        laid.cleat,
        before=laid.wish.cleat.before,
        shoe=job.shoe,
        limits=limits,
    )
    return rows, saddle, [*thick_notes, *saddle_notes]


def _effect_note(alone: EffectPlan | None) -> list[Note]:
    """Return what the support does as the first note of a foot."""
    if alone is None:
        return []
    level = NoteLevel.WARN if alone.little else NoteLevel.INFO
    return [Note(code="effect", level=level, text=f"the support {alone.words}")]


def _hand_notes(laid: _Laid) -> list[Note]:
    """Return what was set or measured by hand, and what contradicts the scan."""
    moved = by_hand_words(laid.measured.landmarks)
    return [
        *(Note(code=f"by-hand-{name}", text=text) for name, text in moved.items()),
        *by_hand.notes(laid.measured, laid.job.hand.of(laid.side.value), laid.wedges.wedges),
    ]


def _scanned(laid: _Laid) -> dict[str, Any]:
    """Return the fields of a planned foot that come from scan and seat."""
    measured, level, hand = laid.measured, laid.level, laid.job.hand.of(laid.side.value)
    return {
        "side": laid.side.value,
        "scan_file": measured.facts.file,
        "scan_sha256": measured.facts.sha256,
        "verdict": str(measured.report.verdict.value),
        "load": str(laid.seated.load.value),
        "measures": _measures(measured) | by_hand.beside(hand),
        "foot_outline": _ring(laid.layout.foot),
        "landmarks": {name: _point(p) for name, p in level.landmarks.items()},
        "landmark_sd": {name: round(sd, 3) for name, sd in level.landmark_sd.items()},
        "seating": laid.seated.record(),
        "sole": sole_grid(laid.seated, laid.job.limits),
    }


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
