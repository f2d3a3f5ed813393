"""What a support does: the first thing that a plan says of a foot.

    PadPlan or ContourPlan + ContactPlan -> effect -> EffectPlan (figures and one line)

Figures come from the spring model of :mod:`planning.contact.pressing`: a comparison of one bed with
another, never a clinical figure. A support that does next to nothing says so, with what would
change it.
"""

from __future__ import annotations

from collections.abc import Sequence

from insole.record.limits import Limits
from insole.record.planned_contact import ContactCase, ContactPlan, EffectCase, EffectPlan
from insole.record.planned_parts import ContourPlan, PadPlan, WedgePlan
from insole.record.values import Note, NoteLevel

__all__ = ["ball_peaks", "effect", "shim_cost"]

BALL_PEAK = 1.2  # times the peak without the support: said from here on; common practice, no source

FELT_SHARE = 0.01  # of the load that the midfoot carries more: common practice, no source
FELT_CM2 = 3.0  # of contact more: common practice, no source
SHIM_CM2 = 2.0  # of contact that a shim may take away unsaid; common practice, no source


def effect(
    pad: PadPlan | None, contour: ContourPlan | None, contact: ContactPlan, limits: Limits
) -> EffectPlan | None:
    """Return what a foot's support does; None where there is none.

    Parameters
    ----------
    pad, contour
        At most one of the two.
    contact : ContactPlan
        Without and with it.
    """
    made = pad or contour
    if made is None:
        return None
    gap, left = made.gap_at_crest.value or 0.0, made.residual_gap.value or 0.0
    reached = max(gap - left, 0.0) / gap if gap > 0 else 0.0
    cases = [_case(case) for case in contact.cases if case.before and case.after]
    little = bool(cases) and all(_little(case) for case in cases)
    binds = _first(pad.binding) if pad is not None else ""
    found = EffectPlan(
        wished=made.support_level,
        reached=reached,
        binds=binds,
        snug=made.snug,
        cases=cases,
        little=little,
        words="",
    )
    words = _words(found, limits, bed=pad is None)
    return found.model_copy(update={"reached": round(reached, 3), "words": words})


def shim_cost(
    with_shims: ContactPlan, without: ContactPlan, wedges: Sequence[WedgePlan], limits: Limits
) -> list[Note]:
    """Return a warning per load under which shims take contact away from the support alone."""
    notes = []
    for case, bare in zip(with_shims.cases, without.cases, strict=True):
        if case.after is None or bare.after is None:
            continue
        lost = bare.after.area - case.after.area
        if lost < SHIM_CM2 or lost < 0.02 * bare.after.area:
            continue
        step = limits.value("wedge.step")
        smaller = [
            f"{wedge.place.value} {max(abs(wedge.net) - step, 0.0):g}° in place of "
            f"{abs(wedge.net):g}°"
            for wedge in wedges
        ]
        short = f"model, {case.case}: the shim takes {lost:.0f} cm² of contact; feel if it is even"
        text = (
            f"{case.case}: in the model the shim takes {lost:.0f} cm² of contact away "
            f"({bare.after.area:.0f} without it, {case.after.area:.0f} with it); the smaller step "
            f"is {', '.join(smaller)}"
        )
        code = f"shim-contact-{case.case}"
        notes.append(Note(code=code, level=NoteLevel.WARN, text=text, short=short))
    return notes


def ball_peaks(does: EffectPlan | None, dome: bool = False) -> list[Note]:
    """Return a warning per load under which the support raises the model's peak at the ball.

    Parameters
    ----------
    does : EffectPlan or None
        With its figures.
    dome : bool
        Whether a metatarsal pad lies there: the peak may then be on it.
    """
    where = "forefoot, metatarsal pad included," if dome else "ball"
    return [
        Note(
            code=f"ball-peak-{case.case}",
            level=NoteLevel.WARN,
            short=(
                f"model, {case.case}: peak at the ball {case.ball_peak[0]:.0f} → "
                f"{case.ball_peak[1]:.0f} kPa; ask for a hot spot"
            ),
            text=(
                f"{case.case}: in the model the peak at the {where} rises from "
                f"{case.ball_peak[0]:.0f} to {case.ball_peak[1]:.0f} kPa; ask "
                "the rider for a hot spot there, and take it back"
            ),
        )
        for case in (does.cases if does else ())
        if case.ball_peak[1] > BALL_PEAK * case.ball_peak[0]
    ]


def _case(case: ContactCase) -> EffectCase:
    before, after = case.before, case.after
    if before is None or after is None:
        raise ValueError(f"the {case.case} case has no figures")
    return EffectCase(
        case=case.case,
        area=(before.area, after.area),
        midfoot_area=(before.areas.get("midfoot", 0.0), after.areas.get("midfoot", 0.0)),
        midfoot_share=(before.share["midfoot"], after.share["midfoot"]),
        heel_peak=(before.peak["heel"], after.peak["heel"]),
        ball_peak=(before.peak["forefoot"], after.peak["forefoot"]),
        toe_share=(before.share.get("big toe"), after.share.get("big toe")),
    )


def _little(case: EffectCase) -> bool:
    more = case.midfoot_share[1] - case.midfoot_share[0]
    return more < FELT_SHARE and case.area[1] - case.area[0] < FELT_CM2


def _first(binding: Sequence[str]) -> str:
    return binding[0] if binding else ""


def _words(found: EffectPlan, limits: Limits, *, bed: bool) -> str:
    """Return the line that a plan begins with; `bed` says that it is a contoured bed's."""
    wished, reached = found.wished, found.reached
    fills = f"fills {100 * reached:.0f} % of the gap at the crest ({100 * wished:.0f} % aimed at)"
    if not found.cases:
        return f"{fills}; the contact model gives no figures for it"
    parts = []
    for case in found.cases:
        shares = [f"{100 * share:.0f}" for share in case.midfoot_share]
        areas = [f"{area:.0f}" for area in case.area]
        parts.append(
            f"{case.case}: midfoot {shares[0]} → {shares[1]} % of the load, contact "
            f"{areas[0]} → {areas[1]} cm²"
        )
    text = f"{fills}; {'; '.join(parts)}"
    if not found.little:
        return text
    change = []
    if wished + limits.value("support.step") <= limits.value("support.warn_above") + 1e-9:
        change.append(f"a higher level ({100 * (wished + limits.value('support.step')):.0f} %)")
    if not bed:
        change.append("a contoured bed")
        if reached < wished - 0.05 and found.binds:
            change.append(f"what holds it: {found.binds}")
    change.append("or no support at all, if the rider does not miss it")
    return f"does next to nothing: {text}; what would change it: {', '.join(change)}"
