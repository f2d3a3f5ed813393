"""What was planned for one foot and why, in sentences for the plan page.

Plan, FootPlan, Materials -> topics -> lines of markup: pad, shims, base, cleat, seating
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape

from insole.output.phrases import (
    COVERAGE,
    amount,
    behind,
    capital,
    change,
    paper,
    sentence,
    shift_words,
    spread_words,
    yaw_words,
)
from insole.output.places import (
    PLACE_PART,
    eased_words,
    taper_words,
    tender_spots,
    tender_words,
    turn_words,
    with_wedges,
)
from insole.parts.contour import REAR
from insole.parts.part import Part
from insole.planning.wedge_rules import tilt
from insole.record.least import counts
from insole.record.materials import Materials
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace, WedgePlan

__all__ = ["topics"]


def topics(
    plan: Plan, foot: FootPlan, materials: Materials, made: Mapping[str, Part] | None = None
) -> list[list[str]]:
    """Return lines of markup topic by topic, the same topics for every foot.

    `made` are the parts as they are made, by label: what each is of is theirs to say, and the
    plan's only while there are none.
    """
    foot = _as_made(foot, made or {})
    return [
        _pad(plan, foot, materials),
        _shims(foot, materials),
        _base(foot, materials),
        _cleat(foot),
        _seating(foot),
    ]


def _as_made(foot: FootPlan, made: Mapping[str, Part]) -> FootPlan:
    """Return a foot's plan with the materials of its parts as they are made."""
    changed: dict[str, Any] = {}
    for field, name in (
        ("pad", "arch-pad"),
        ("metatarsal", "metatarsal-pad"),
        ("base", "base"),
        ("contour", "contoured-bed"),
    ):
        part, planned = made.get(f"{foot.side}-{name}"), getattr(foot, field)
        if part is None and field == "contour":
            part = made.get(f"{foot.side}-{REAR}")
        if part is not None and planned is not None:
            changed[field] = planned.model_copy(update={"material": part.material})
    wedges = []
    for wedge in foot.wedges:
        part = made.get(f"{foot.side}-{PLACE_PART[wedge.place]}")
        wedges.append(
            wedge if part is None else wedge.model_copy(update={"material": part.material})
        )
    return foot.model_copy(update={**changed, "wedges": type(foot.wedges)(wedges)})


def _made_of(key: str, materials: Materials) -> str:
    """Return a material in words; its key where the table has none."""
    return escape(materials.entries[key].words if key in materials.entries else key)


def _listed(reasons: Sequence[str]) -> list[str]:
    return [f"– {escape(paper(reason))}" for reason in reasons]


def _pad(plan: Plan, foot: FootPlan, materials: Materials) -> list[str]:
    """Return a pad's size, place, gap, reasons and binding rules."""
    pad = foot.pad
    spots = [
        f"<b>Tender spot</b>, {x:g} mm from the rear edge, {abs(y):g} mm"
        f" {'medial' if y >= 0 else 'lateral'} of the centreline:"
        f" {escape(paper(tender_words(foot, k)))}."
        for k, (x, y) in enumerate(tender_spots(plan, foot.side))
    ]
    if foot.contour is not None:
        return [*_effect(foot), *_contour(plan, foot, materials), *spots]
    spots = [*_metatarsal(foot, materials), *spots]
    if pad is None:
        return [f"<b>No arch pad.</b> {escape(sentence(paper(foot.no_pad_because)))}", *spots]
    source = "from the kit" if pad.source == "kit" else "made from the scan"
    stands = pad.medial_height if pad.medial_height is not None else pad.medial_edge
    if stands is not None and stands > pad.edge + 0.05:
        source += f", medial side standing up to {stands:.1f} mm high"
    lines = [
        *_effect(foot),
        f"<b>Arch pad: {escape(pad.name)}</b> ({source}, {_made_of(pad.material, materials)}),"
        f" {pad.crest.height:.1f} mm high at its crest, {pad.crest.from_rear:.1f} mm from the"
        f" base's rear edge and {pad.crest.from_medial:.1f} mm from its medial edge;"
        f" {turn_words(pad.turn)}; edges end at {pad.rear_edge:.1f} and {pad.front_edge:.1f} mm.",
        f"{_meant(plan, foot)} to fill {100 * pad.support_level:.0f} % of a gap of"
        f" {amount(pad.gap_at_crest)};"
        f" left open at the crest: {amount(pad.residual_gap)}.",
        *_listed(pad.reasons),
    ]
    if pad.binding:
        lines.append(f"<b>What bound it:</b> {escape(paper('; '.join(pad.binding)))}.")
    lines += [escape(sentence(paper(step))) for step in (pad.step_up, pad.step_down) if step]
    if any(abs(step) > 0.05 for step in pad.shift):
        lines.append(f"Moved by hand: {shift_words(pad.shift)}.")
    return [*lines, *spots]


def _meant(plan: Plan, foot: FootPlan) -> str:
    """Return whether a support level was wished, or taken and why."""
    if any("support_level" in plan.wishes.get(whose, {}) for whose in ("both", foot.side)):
        return "Wished"
    eased = eased_words(foot)
    return f"Planned without a wish ({eased})" if eased else "Planned without a wish"


def _effect(foot: FootPlan) -> list[str]:
    """Return what the support does, first of all."""
    if foot.effect is None:
        return []
    snug = ""
    if foot.effect.snug is not None:
        snug = f" {100 * foot.effect.snug:.0f} % of its area lies within 1 mm of the wish."
    words = escape(paper(foot.effect.words))
    if made := with_wedges(foot):
        words += f", without the wedge; with it the midfoot has {made}"
    return [
        f"<b>The support {words}.</b>{snug} Figures of a spring model: a comparison of beds,"
        " never a clinical figure."
    ]


def _metatarsal(foot: FootPlan, materials: Materials) -> list[str]:
    """Return size, place and reasons of a metatarsal pad, if there is one."""
    dome = foot.metatarsal
    if dome is None:
        return []
    return [
        f"<b>Metatarsal pad</b>, wished by the fitter ({_made_of(dome.material, materials)}),"
        f" {dome.height:.1f} mm high at its crest, {dome.crest.from_rear:.1f} mm from the base's"
        f" rear edge and {dome.crest.from_medial:.1f} mm from its medial edge; edge"
        f" {dome.edge:.1f} mm, ends at {dome.rear_edge:.1f} and {dome.front_edge:.1f} mm;"
        f" {turn_words(dome.turn)}.",
        *_listed(dome.reasons),
    ]


def _contour(plan: Plan, foot: FootPlan, materials: Materials) -> list[str]:
    """Return size, crest, gap and reasons of a contoured bed."""
    made = foot.contour
    assert made is not None
    lines = [
        f"<b>{capital(made.name)}</b> in one piece ({_made_of(made.material, materials)}):"
        f" {made.crest.height:.1f} mm thick at the crest, {made.crest.from_rear:.1f} mm from the"
        f" rear edge and {made.crest.from_medial:.1f} mm from the base's medial edge; heel cup"
        f" {made.cup:g} mm deep, plate {made.plate:g} mm, cover {made.cover:g} mm; front end at"
        f" {made.front_edge:.1f} mm.",
        f"{_meant(plan, foot)} to fill {100 * made.support_level:.0f} % of a gap of"
        f" {amount(made.gap_at_crest)};"
        f" left open at the crest: {amount(made.residual_gap)}.",
        *_listed(made.reasons),
    ]
    lines += [f"<b>Built in {wedge.place.value}: {wedge.words}.</b>" for wedge in made.posting]
    if made.metatarsal:
        lines.append(f"Metatarsal pad {made.metatarsal:g} mm high behind heads 2 to 4.")
    return lines


def _shims(foot: FootPlan, materials: Materials) -> list[str]:
    """Return each shim's sum (wish, shoe, rounding) and shape, and why there is none elsewhere."""
    lines = []
    for wedge in foot.wedges:
        lines.append(f"<b>Shim {wedge.place}: {wedge.words}.</b>")
        if not any(reason.startswith("wish") for reason in wedge.reasons):
            lines[-1] += (
                f" Wish {tilt(wedge.wish)}, the shoe keeps {tilt(wedge.cant_kept)},"
                f" {tilt(wedge.remainder)} left by rounding."
            )
        lines += [
            f"{wedge.thick_edge:.1f} mm at the thick edge, {wedge.edge:.1f} mm at the thin one,"
            f" {wedge.width:.0f} mm wide; {_where(wedge)}; {_made_of(wedge.material, materials)}.",
            *_listed(wedge.reasons),
        ]
    without: dict[str, list[str]] = {}
    for place, why in foot.no_wedge_because.items():
        if why.startswith("no wish"):  # what nobody wished is no news
            continue
        without.setdefault(why, []).append(place)
    for why, places in without.items():
        lines.append(f"<b>No shim {escape(', '.join(places))}:</b> {escape(paper(why))}.")
    return lines


def _where(wedge: WedgePlan) -> str:
    if wedge.place is WedgePlace.UNDER:
        return "placed by its bolt slots under the cleat"
    return (
        f"full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm from the rear edge,"
        f" {taper_words(wedge)}"
    )


def _base(foot: FootPlan, materials: Materials) -> list[str]:
    """Return the base's thickness, where its outline came from, and rims."""
    base = foot.base
    if foot.contour is not None:
        return []  # the bed takes its place
    text = f"<b>Base</b> {base.thickness:.1f} mm, {escape(base.source)}"
    if base.trim_allowance:
        text += f", trim allowance {base.trim_allowance:.1f} mm"
    if base.heel_cup:
        text += f", heel rim {base.heel_cup:.1f} mm"
    if base.dowels:
        text += f", {len(base.dowels)} sockets for dowels that place the pad"
    return [f"{text}; {_made_of(base.material, materials)}."]


def _cleat(foot: FootPlan) -> list[str]:
    """Return the cleat's place and the saddle change."""
    lines = []
    cleat = foot.cleat
    if cleat is not None:
        free = "float not given" if cleat.float_range is None else f"float {cleat.float_range:g}°"
        sd = spread_words(foot.landmark_sd.get("mth1"))
        marked = (
            ""
            if cleat.from_mark is None
            else (f"axle {behind(cleat.from_mark)} {escape(cleat.mark)}: ")
        )
        joint = f" (joint known to{sd} mm)" if sd else ""
        lines.append(
            f"<b>Cleat</b> {marked}{behind(cleat.from_ball_mark)} MTH1{joint},"
            f" {behind(cleat.from_mth5)} MTH5; {yaw_words(cleat.yaw)}; {free}."
        )
        if cleat.back is not None and counts(cleat.back, "cleat"):
            way = "back" if cleat.back >= 0 else "forward"
            lines.append(f"Moves {abs(cleat.back):.1f} mm {way} from where it was ridden.")
        lines += _listed([note for note in cleat.notes if not note.startswith("axle ")])
    found = foot.saddle_change
    if found is not None:
        said = "not known" if found.value is None else change(found.value, found.sd)
        lines.append(f"<b>Saddle</b> {said}. {escape(sentence(paper(found.reason)))}")
    return lines


def _seating(foot: FootPlan) -> list[str]:
    """Return how the foot was placed in the shoe."""
    seating = foot.seating
    roll = f", rolled {tilt(seating.roll)} by the shim" if abs(seating.roll) >= 0.05 else ""
    lowered = f"arch lowered {seating.lowered:.1f} mm"
    if seating.lowered < 0.05:
        lowered = "arch as scanned"
    text = f"<b>Seating</b> {lowered}{roll}; gap known to ± {seating.band / COVERAGE:.1f} mm."
    said = {note.text for note in foot.notes}  # these stand among the notes
    return [text, *_listed([note for note in seating.notes if note not in said])]
