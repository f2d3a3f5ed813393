"""From measured feet, shoe and wishes to the plan that parts and papers are made from.

    MeasuredFoot (left, right) + Shoe + PlanWishes + answers -> plan -> Plan

Order, for each foot: lay foot and base out in plan, plan the wedges, seat the foot with their
roll, then fill the gap that is left; cleat, thickness and saddle last. Nothing here reads a
clock or a file: the same feet, shoe and wishes give the same plan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any

from footscan.errors import ScanQualityError
from footscan.measuring.measures import by_hand_words
from footscan.results import MeasuredFoot, Verdict
from footscan.scan import Side
from insole.errors import PlanError
from insole.planning import cleat as cleats
from insole.planning import dowels, easing, fit, seating, thickness, wedging
from insole.planning.changes import describe_change
from insole.planning.contact import effect, pressing
from insole.planning.outline import Layout, lay_out
from insole.planning.sole import sole_grid
from insole.planning.support import contour
from insole.planning.support import pad as support
from insole.planning.support.ceilings import ball_line
from insole.planning.support.kit import Kit
from insole.record import questions
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
from insole.version import __version__

__all__ = ["FootWish", "PlanWishes", "describe_change", "plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FootWish:
    """What the fitter wants for one foot; None is no wish, which is not a wish of zero.

    Attributes
    ----------
    support_level : float or None
        Pad top over gap, 1 = touches.
    pad : bool or None
        False: no pad is wanted.
    pad_source : str or None
        ``"scan"`` (one-off, the default) or ``"kit"``.
    shift : (float, float) or None
        Pad moved by hand: mm forward, mm medial.
    turn : float or None
        Pad turned by hand, degrees, + front medially.
    tender : tuple of (x, y) or None
        Tender spots: mm from the base's rear edge, mm medial of its centreline.
    forefoot, heel, under : float or None
        Wedge wishes, degrees, + medial side up.
    cleat_offset, cleat_yaw : float or None
        Pedal axle ahead of MTH1, mm; degrees, + front medially.
    cleat_before : float or None
        Where the axle was as ridden, mm ahead of MTH1; without it the saddle change counts
        the stack alone.
    medial_edge : float or None
        Height of the pad's medial side, mm, where the shoe's wall stands off; None lets it stand
        as high as the rules allow.
    relief : float or None
        Depth of the relief over tender spots, mm.
    contoured : str or None
        ``"three-quarter"`` or ``"full"``: a contoured bed in one piece in place of base, pad
        and inside shims.
    cup, metatarsal : float or None
        Depth of its heel cup, height of a metatarsal pad on it, mm.
    contour_material : str or None
        What it is made of, a word of the material table; its least thickness follows.
    ankle : float or None
        Angle of the sole against its bed held while pedalling, degrees, + toes up; None lets
        the contact model balance it.
    """

    support_level: float | None = None
    pad: bool | None = None
    pad_source: str | None = None
    shift: tuple[float, float] | None = None
    turn: float | None = None
    tender: tuple[tuple[float, float], ...] | None = None
    medial_edge: float | None = None
    relief: float | None = None
    contoured: str | None = None
    cup: float | None = None
    metatarsal: float | None = None
    contour_material: str | None = None
    forefoot: float | None = None
    heel: float | None = None
    under: float | None = None
    cleat_offset: float | None = None
    cleat_yaw: float | None = None
    cleat_before: float | None = None
    ankle: float | None = None

    def over(self, other: FootWish) -> FootWish:
        """Return `other` with this foot's own wishes put in its place."""
        own = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(other, **{name: value for name, value in own.items() if value is not None})


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWishes:
    """What the fitter wants: for both feet, and what differs for one of them.

    Attributes
    ----------
    both, left, right : FootWish
        Common wishes, and each foot's own ones, which win.
    case : str
        The case's pseudonym.
    date : str
        As typed, or empty to be written by hand.
    version : int
        Number of the plan within its case.
    kit : Kit or None
        Pads to pick from; None takes the default kit.
    confirm_zero : bool
        The fitter confirms wedge wishes of zero that undo the shoe's cant.
    body_mass : float or None
        kg, for the contact model; None takes a nominal one, which the plan says.
    dowels : bool
        Pads are placed on their bases by dowels, to go back into the same place twice.
    """

    both: FootWish = FootWish()
    left: FootWish = FootWish()
    right: FootWish = FootWish()
    case: str = "case"
    date: str = ""
    version: int = 1
    kit: Kit | None = None
    confirm_zero: bool = False
    body_mass: float | None = None
    dowels: bool = False

    def of(self, side: Side) -> FootWish:
        """Return the wishes for one foot."""
        return (self.left if side is Side.LEFT else self.right).over(self.both)

    def record(self) -> dict[str, Any]:
        """Return the wishes as plain data for the plan: only what was wished."""
        record: dict[str, Any] = {}
        for name in ("both", "left", "right"):
            own = asdict(getattr(self, name))
            wished = {k: _listed(v) for k, v in own.items() if v is not None}
            if wished:
                record[name] = wished
        if self.kit is not None:
            record["kit"] = self.kit.name
        if self.confirm_zero:
            record["confirm_zero"] = True
        if self.body_mass is not None:
            record["body_mass"] = self.body_mass
        if self.dowels:
            record["dowels"] = True
        return record


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What both feet share."""

    shoe: Shoe | None
    wishes: PlanWishes
    overrides: Sequence[Override]
    limits: Limits
    without_arch: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """One planned foot with what the pair is compared by."""

    plan: FootPlan
    wedges: wedging.WedgeResult
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
    limits, wishes = limits or default_limits(), wishes or PlanWishes()
    asked, question_notes = questions.decide(answers or {}, clinician)
    _check_overrides(overrides, limits)
    job = _Job(shoe=shoe, wishes=wishes, overrides=overrides, limits=limits,
               without_arch=without_arch)  # fmt: skip
    sides = {
        side: _plan_side(measured, side, job)
        for side, measured in ((Side.LEFT, left), (Side.RIGHT, right))
        if measured is not None
    }
    if shoe is not None:
        for side, fitted in fit_notes(left, right, shoe, limits).items():
            sides[side] = sides[side].noted(fitted)
    notes = [*question_notes, *_pair_notes(sides, limits), *_limit_notes(limits)]
    return Plan(
        tool={"name": "solewright", "version": __version__},
        case=wishes.case, version=wishes.version, date=wishes.date,
        shoe=shoe.record() if shoe else None, shoe_name=shoe.name if shoe else "",
        sources=dict(sources or {}), limits={own.name: own.value for own in limits.by_workshop},
        wishes=wishes.record(), answers=asked, clinician=clinician.strip(),
        left=sides[Side.LEFT].plan if left is not None else None,
        right=sides[Side.RIGHT].plan if right is not None else None,
        overrides=list(overrides), notes=notes, cautions=list(questions.CAUTIONS),
    )  # fmt: skip


def _plan_side(measured: MeasuredFoot, side: Side, job: _Job) -> _Side:
    """Return the plan of one foot."""
    _check_scan(measured, side, job.without_arch)
    wish, limits, shoe = job.wishes.of(side), job.limits, job.shoe
    layout = lay_out(measured, shoe, limits)
    level = seating.seat(measured, layout, shoe, limits=limits)
    wedges = wedging.plan_wedges(
        landmarks=level.landmarks, landmark_sd=level.landmark_sd, outline=layout.base,
        length=measured.foot.length, shoe=shoe, limits=limits, overrides=job.overrides,
        wishes=wedging.Wishes(forefoot=wish.forefoot, heel=wish.heel, under=wish.under),
        confirm_zero=job.wishes.confirm_zero, side=side.value,
    )  # fmt: skip
    _check_rim(wedges.wedges, limits)
    seated = level
    if wedges.roll:
        seated = seating.seat(measured, layout, shoe, limits=limits, roll=wedges.roll)
    cleat, cleat_notes = cleats.plan_cleat(
        landmarks=level.landmarks, shoe=shoe, limits=limits, offset=wish.cleat_offset,
        yaw=wish.cleat_yaw, before=wish.cleat_before,
    )  # fmt: skip

    def tried(support_level: float | None) -> easing.Tried:
        wanted = replace(wish, support_level=support_level)
        shaped = _support(seated, measured, wanted, wedges.wedges, job)
        pressed = pressing.compare(
            level, shaped.pad, wedges.wedges, cleat, limits=limits, contour=shaped.contour,
            body_mass=job.wishes.body_mass, ankle=wish.ankle,
        )  # fmt: skip
        return shaped, *pressed

    if wish.support_level is None:
        pad, contact, contact_notes = easing.eased(tried, limits)
    else:
        pad, contact, contact_notes = tried(wish.support_level)
    does = effect.effect(pad.pad, pad.contour, contact, limits)
    inside = [w for w in wedges.wedges if w.place is not WedgePlace.UNDER]
    cost: list[Note] = []
    if inside and pad.contour is None:
        bare, _ = pressing.compare(
            level, pad.pad, (), cleat, limits=limits, body_mass=job.wishes.body_mass,
            ankle=wish.ankle,
        )  # fmt: skip
        cost = effect.shim_cost(contact, bare, inside, limits)
    base = _base(seated, layout, limits)
    dowel_notes: Sequence[Note] = ()
    if job.wishes.dowels:
        base, dowel_notes = dowels.placed(
            base, pad.pad, wedges.wedges, level.landmarks.get("arch_apex")
        )
    apart = [w for w in wedges.wedges if pad.contour is None or w.place is WedgePlace.UNDER]
    rows, thick_notes = thickness.rows(
        seated, pad.pad, apart, shoe=shoe, limits=limits, overrides=job.overrides,
        contour=pad.contour, side=side.value,
    )  # fmt: skip
    saddle, saddle_notes = thickness.saddle(
        rows, wedges.wedges, cleat, before=wish.cleat_before, shoe=shoe, limits=limits
    )
    left_over = pressing.shim_notes(
        apart, limits=limits, body_mass=job.wishes.body_mass
    )
    by_hand = [
        Note(code=f"by-hand-{name}", text=text)
        for name, text in by_hand_words(measured.landmarks).items()
    ]
    first = [] if does is None else [
        Note(code="effect", level=NoteLevel.WARN if does.little else NoteLevel.INFO,
             text=f"the support {does.words}")
    ]  # fmt: skip
    notes = (*first, *cost, *effect.ball_peaks(does), *by_hand, *seated.notes, *wedges.notes,
             *left_over, *pad.notes, *cleat_notes, *thick_notes, *saddle_notes, *contact_notes,
             *dowel_notes)  # fmt: skip
    record = FootPlan(
        side=side.value, scan_file=measured.facts.file, scan_sha256=measured.facts.sha256,
        verdict=str(measured.report.verdict.value), load=str(seated.load.value),
        measures=_measures(measured), foot_outline=_ring(layout.foot),
        landmarks={name: _point(p) for name, p in level.landmarks.items()},
        landmark_sd={name: round(sd, 3) for name, sd in level.landmark_sd.items()},
        seating=seated.record(), sole=sole_grid(seated, limits), base=base,
        pad=pad.pad, no_pad_because=pad.because, contour=pad.contour,
        wedges=apart,
        no_wedge_because=dict(wedges.because), cleat=cleat, thickness=rows,
        saddle_change=saddle, contact=contact, effect=does, notes=list(notes),
    )  # fmt: skip
    return _Side(plan=record, wedges=wedges, saddle=saddle)


def _check_scan(measured: MeasuredFoot, side: Side, without_arch: bool) -> None:
    """Refuse a scan that is not fit for making, or of the other foot."""
    if measured.foot.side is not side:
        raise PlanError(
            f"the scan {measured.facts.file} given for the {side} foot shows a "
            f"{measured.foot.side} foot; swap the scans or state the side"
        )
    report = measured.report
    if report.verdict is Verdict.MAKING or (report.verdict is Verdict.MEASURING and without_arch):
        return
    why = "; ".join(_clause(f.text) for f in report.deciding) or "see its findings"
    advice = next((_clause(f.advice) for f in report.deciding if f.advice), "scan it again")
    if report.verdict is Verdict.MEASURING:
        said, choice = "is fit for measuring only", (
            ", or plan without the arch (--without-arch: shims and a flat base only)"
        )
    else:
        said, choice = "must be taken again", ""
    raise ScanQualityError(
        f"{measured.facts.file} {said} and nothing was made: {why}; {advice}{choice}", report
    )


def _check_rim(wedges: Sequence[WedgePlan], limits: Limits) -> None:
    """Refuse a heel shim on a base with a heel rim: they want the same place."""
    rim = limits.value("base.heel_cup")
    if rim > 0 and any(wedge.place is WedgePlace.HEEL for wedge in wedges):
        raise PlanError(
            f"a wedge inside the heel does not lie inside a heel rim of {rim:g} mm; set "
            "base.heel_cup to 0 in the limits file, or wedge under the shoe"
        )


def _clause(sentence: str) -> str:
    """Return a sentence as a clause of a longer one."""
    text = sentence.strip().rstrip(".")
    return text[:1].lower() + text[1:]


def _check_overrides(overrides: Sequence[Override], limits: Limits) -> None:
    for override in overrides:
        if override.limit not in limits:
            raise PlanError(f"there is no limit called '{override.limit}' to override")
        for name in ("who", "why", "when"):
            if not getattr(override, name).strip():
                raise PlanError(
                    f"the override of {override.limit} does not say {name}; record who, "
                    "why and when"
                )


def _support(
    seated: seating.Seating, measured: MeasuredFoot, wish: FootWish,
    wedges: Sequence[WedgePlan], job: _Job,
) -> support.PadResult:
    """Return the pad or the contoured bed of one foot, or why there is none."""
    if wish.contoured is not None and not job.without_arch:
        made, notes = contour.plan_contour(
            seated, measured, limits=job.limits, wedges=wedges, overrides=job.overrides,
            wish=contour.ContourWish(
                length=wish.contoured, level=wish.support_level, cup=wish.cup,
                tender=wish.tender or (), relief=wish.relief, metatarsal=wish.metatarsal,
                material=wish.contour_material or "base-pp",
            ),
        )  # fmt: skip
        because = "the contoured bed carries the arch in one piece"
        return support.PadResult(pad=None, because=because, contour=made, notes=notes)
    return _pad(seated, wish, wedges, job)


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
        level=wish.support_level, source=wish.pad_source or "scan",
        shift=wish.shift or (0.0, 0.0), turn=wish.turn or 0.0, tender=wish.tender or (),
        kit=job.wishes.kit, medial_edge=wish.medial_edge, relief=wish.relief,
    )  # fmt: skip
    return support.plan_pad(seated, wish=pad_wish, limits=job.limits, wedges=wedges,
                            overrides=job.overrides)  # fmt: skip


def _base(seated: seating.Seating, layout: Layout, limits: Limits) -> BasePlan:
    """Return the footbed blank."""
    medial, lateral, _ = ball_line(seated)
    start = seated.station + limits.value("base.grid_from") * seated.foot_length
    stop = min(medial[0], lateral[0]) - limits.value("base.grid_before_ball")
    return BasePlan(
        outline=_ring(layout.base), thickness=limits.value("base.thickness"),
        source=layout.source, trim_allowance=layout.trim,
        heel_cup=limits.value("base.heel_cup"), grid_step=limits.value("base.grid_step"),
        grid_from=round(start, 3), grid_to=round(max(float(stop), start), 3),
    )  # fmt: skip


def _pair_notes(sides: Mapping[Side, _Side], limits: Limits) -> list[Note]:
    """Return what left and right together ask to say."""
    if len(sides) < 2:
        return []
    left, right = sides[Side.LEFT], sides[Side.RIGHT]
    return [
        *wedging.check_pair(left.wedges, right.wedges, limits),
        *cleats.check_saddles(left.saddle, right.saddle, limits),
    ]


def _listed(value: Any) -> Any:
    """Return a wish as JSON gives it back, tuples as lists: a plan reads back as it was."""
    return [_listed(v) for v in value] if isinstance(value, tuple) else value


def fit_notes(
    left: MeasuredFoot | None, right: MeasuredFoot | None, shoe: Shoe, limits: Limits
) -> dict[Side, list[Note]]:
    """Return per foot what the shoe's room says: tight places as warnings, the others in one."""
    (result,) = fit.rank(left, right, [shoe], limits)
    found = {}
    for foot in result.feet:
        tight = [s for s in foot.stations if s.word == "tight"]
        notes = [
            Note(code=f"fit-{s.station.replace(' ', '-')}", level=NoteLevel.WARN,
                 text=f"shoe: {s.text}")
            for s in tight
        ]  # fmt: skip
        words = [
            f"{word} at {', '.join(foot.words(word))}"
            for word in ("snug", "loose", "not known") if foot.words(word)
        ]  # fmt: skip
        found[foot.side] = [*notes, Note(code="fit", text=f"shoe: {'; '.join(words)}")]
    return found


def _limit_notes(limits: Limits) -> list[Note]:
    """Return one note on the limits that are the workshop's own."""
    usual = default_limits()
    own = [f"{x.name} {x} (usual {usual[x.name]}): {x.reason}" for x in limits.by_workshop]
    text = f"planned with limits of the workshop: {'; '.join(own)}"
    return [Note(code="own-limits", level=NoteLevel.WARN, text=text)] if own else []


def _measures(measured: MeasuredFoot) -> dict[str, Quantity]:
    return {
        name: Quantity(
            value=None if m.value is None else round(float(m.value), 4),
            unit=m.unit,
            sd=None if m.sd is None else round(float(m.sd), 4),
            reason=m.reason,
        )
        for name, m in measured.measures.items()
    }


def _ring(ring: Any) -> list[tuple[float, float]]:
    return [(round(float(x), 3), round(float(y), 3)) for x, y in ring]


def _point(point: Any) -> tuple[float, float, float]:
    x, y, z = (round(float(v), 3) + 0.0 for v in point)
    return x, y, z
