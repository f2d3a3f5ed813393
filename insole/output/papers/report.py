"""The report: what was seen and made, in pictures and plain words, and the parts to tick off.

    Plan, Parts, Materials -> write_report -> PDF, A4: for the rider, then the workshop traveller

Left stands at the left on every page. ± is one standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from insole.errors import OutputError
from insole.output.ink import fonts, save_bytes
from insole.output.papers import pressure_figures, report_figures, section_figures
from insole.output.papers.bench import STOP_WORDS
from insole.output.papers.bench_notes import bench_words
from insole.output.papers.flow import MAIN_CAUTION, WIDE, build, drawn, gap, head, paragraph, table
from insole.output.papers.report_measures import measures_section
from insole.output.papers.traveller import traveller
from insole.output.phrases import (
    capital,
    change,
    override,
    paper,
    sentence,
    spread_words,
    yaw_words,
)
from insole.output.places import tender_spots, tender_words, with_wedges
from insole.parts.part import Part
from insole.record.least import counts
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.questions import AT_A_STOP, WHEN_LOOSE
from insole.record.values import NoteLevel

__all__ = ["write_report"]

FIRST_RIDES = (
    "On a stand first: 5 to 10 min easy, 5 min steady in the saddle, 1 min standing. Then one ride"
    " of at most 1 h, easy and near home. One change at a time; look at it again after 3 to 5 rides"
    " or 2 weeks. Three steps without a clear gain for you: back to what you had."
)
TELL = (
    "Tell your fitter: is the contact even, or is there a lump, and where? Does the heel slip? Are"
    " the toes free? How do the knees run?"
)
BY_EYE = "Shape and heights are those of the scan, seated on the bed and lowered to half load."
SECTION_WORDS = (
    "Across: seen from behind. Heights in the scale of lengths, nothing is stretched. Where the"
    " sole would sink in, it is drawn touching. The base lifts foot, pad and shims alike, so it is"
    " drawn under the surface that gaps are counted from; the cover is left out."
)


def write_report(
    path: str | Path,
    plan: Plan,
    parts: Sequence[Part] = (),
    materials: Materials | None = None,
) -> None:
    """Write the report with pictures for the rider, and the workshop traveller.

    Parameters
    ----------
    path, plan, parts, materials
        As for :func:`insole.output.papers.plan_page.write_plan_page`; of an older plan without
        sole or pressure maps the page says what is missing.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot, or the file cannot be written.
    """
    from reportlab.platypus import PageBreak

    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no report to write: plan one first")
    fonts()
    inside = [*_sections(plan), *_pressures(plan)]
    story = [
        *_title(plan),
        *_soles(plan),
        *_done(plan),
        *measures_section(plan),
        *([PageBreak(), *inside] if inside else []),
        PageBreak(),
        *_parts(plan, parts, materials or default_materials()),
        *_watch(plan),
        *_sign_off(),
    ]
    save_bytes(path, build(story, plan, f"Report, {plan.case}, plan {plan.version}"))


def _title(plan: Plan) -> list[Any]:
    """Return the name of the page, case, shoe and date."""
    date = escape(plan.date) if plan.date else "date: ______________"
    shoe = escape(plan.shoe_name) if plan.shoe_name else "no shoe given"
    return [
        table(
            [
                [
                    paragraph(f"<b>Your feet and what was made</b> · {escape(plan.case)}", 14.0),
                    paragraph(f"{date}<br/>{shoe}", 8.4, align="right"),
                ]
            ],
            [135.0, 55.0],
            lines=False,
            pad=0.0,
        )
    ]


def _soles(plan: Plan) -> list[Any]:
    """Return the height maps, seen from above."""
    lines = ["Seen from above, as you see your own feet. " + BY_EYE]
    if missing := [foot.side for foot in plan.feet if foot.sole is None]:
        feet = " and ".join(missing)
        lines = [f"<b>{feet.capitalize()} foot:</b> {report_figures.NO_SOLE}"]
        if len(missing) < len(plan.feet):
            lines.append(BY_EYE)
    return [gap(1), report_figures.sole_maps(plan), *(paragraph(line, 7.6) for line in lines)]


# ---- what was done -----------------------------------------------------------------------


def _done(plan: Plan) -> list[Any]:
    """Return in plain words what was made, a column a foot."""
    cells = []
    for side in ("left", "right"):
        foot = getattr(plan, side)
        lines = ["Not planned."] if foot is None else _foot_words(plan, foot)
        cells.append(
            [paragraph(f"<b>{side.upper()}</b>", 9.6), *(paragraph(line, 8.4) for line in lines)]
        )
    return [*head("What was made", 20.0), table([cells], [WIDE / 2] * 2, pad=0.5)]


def _foot_words(plan: Plan, foot: FootPlan) -> list[str]:
    """Return sentences on base, pad, shims, cleat and saddle, as markup."""
    base = f"<b>Base</b> {foot.base.thickness:.1f} mm thick, under pad and cover."
    lines = [_pad_words(foot)] if foot.contour is not None else [base, _pad_words(foot)]
    if foot.metatarsal is not None:
        lines.append(
            f"<b>Metatarsal pad</b>, as wished, {foot.metatarsal.height:.1f} mm high, behind the"
            " heads of the second to fourth toe's bones. Take it out if it is felt as a lump, or"
            " with tingling or pain."
        )
    for k, (x, y) in enumerate(tender_spots(plan, foot.side)):
        side = "big" if y > 0 else "little"
        lines.append(
            f"<b>Tender spot</b>, {x:g} mm from the rear edge,"
            f" {abs(y):g} mm towards the {side} toe: {escape(paper(tender_words(foot, k)))}."
        )
    built = foot.contour.posting if foot.contour is not None else []
    lines += [_wedge_words(wedge, built_in=wedge in built) for wedge in foot.tilts] or [
        "<b>No wedge.</b>"
    ]
    if foot.cleat is not None:
        lines.append(_cleat_words(foot))
    saddle = foot.saddle_change
    if saddle is not None and saddle.value is not None:
        lines.append(f"<b>Saddle:</b> {change(saddle.value, saddle.sd)}.")
    return lines


def _pad_words(foot: FootPlan) -> str:
    pad = foot.pad
    if foot.contour is not None:
        made = foot.contour
        return (
            f"<b>{capital(made.name)}</b> in one piece, {made.crest.height:.1f} mm thick under the"
            f" arch, heel cup {made.cup:g} mm deep.{_effect(foot)}"
        )
    if pad is None:
        return f"<b>No arch pad.</b> {escape(sentence(paper(foot.no_pad_because)))}"
    kind = f"{escape(pad.name)}, of the kit" if pad.source == "kit" else "made from the scan"
    text = f"<b>Arch pad</b> ({kind}), {pad.crest.height:.1f} mm high at its crest."
    room, left = pad.gap_at_crest.value, pad.residual_gap
    if room and left.value is not None:
        text += (
            f" It fills {100 * pad.crest.height / room:.0f} % of the room under the arch there;"
            f" {max(left.value, 0.0):.1f}{spread_words(left.sd)} mm stay open."
        )
    return text + _effect(foot)


def _effect(foot: FootPlan) -> str:
    """Return what the support does while pedalling, in one sentence."""
    if foot.effect is None:
        return ""
    case = next((c for c in foot.effect.cases if c.case == "pedalling"), None)
    if case is None:
        return ""
    shares = " instead of ".join(f"{100 * s:.0f} %" for s in reversed(case.midfoot_share))
    areas = " instead of ".join(f"{a:.0f} cm²" for a in reversed(case.area))
    little = " In the model that is next to nothing." if foot.effect.little else ""
    made = with_wedges(foot)
    alone, wedged = (" without the wedge", f" With the wedge it is {made}.") if made else ("", "")
    return (
        f" In a spring model, pedalling{alone}, the middle of the foot carries {shares} of the"
        f" load and {areas} are in contact.{wedged}{little}"
    )


def _wedge_words(wedge: WedgePlan, *, built_in: bool) -> str:
    where = {
        WedgePlace.FOREFOOT: "under the ball of the foot",
        WedgePlace.HEEL: "under the heel",
        WedgePlace.UNDER: "between shoe and cleat",
    }[wedge.place]
    return (
        f"<b>Wedge</b> {where}{', built into the bed' * built_in}, {abs(wedge.net):g}°:"
        f" {wedge.thick_edge:.1f} mm thick at the {wedge.thick_side}."
    )


def _cleat_words(foot: FootPlan) -> str:
    """Return where the cleat goes; one decimal, as it is set with a rule."""
    cleat = foot.cleat
    if cleat is None:
        return ""
    at = cleat.from_ball_mark
    place = (
        "level with"
        if not counts(at, "cleat")
        else (f"{abs(at):.1f} mm {'ahead of' if at > 0 else 'behind'}")
    )
    text = f"<b>Cleat:</b> pedal axle {place} the joint of the big toe, {yaw_words(cleat.yaw)}"
    if cleat.back is not None and counts(cleat.back, "cleat"):
        way = "back" if cleat.back > 0 else "forward"
        text += f"; {abs(cleat.back):.1f} mm {way} from where it was"
    return f"{text}."


# ---- sections and pressure ---------------------------------------------------------------


def _sections(plan: Plan) -> list[Any]:
    pictures = section_figures.sections(plan)
    if not pictures:  # said where the sole itself would be
        return []
    return [
        *head("Cut through the crest: foot, pad and shoe"),
        drawn(WIDE, 5.2, section_figures.key),
        *pictures,
        paragraph(SECTION_WORDS, 7.6),
    ]


def _pressures(plan: Plan) -> list[Any]:
    """Return maps and shares without and with the parts, and what they are not."""
    shares = pressure_figures.share_table(plan)
    if shares is None:
        return []
    maps = pressure_figures.pressure_maps(plan)
    shown = paragraph(pressure_figures.NO_MAPS, 8.4) if maps is None else maps
    return [
        *head("How the sole rests, without and with the parts", 60.0),
        shown,
        gap(1.5),
        shares,
        *(paragraph(line, 8.0) for line in _contact_warnings(plan)),
        paragraph(pressure_figures.MODEL, 7.6),
    ]


def _contact_warnings(plan: Plan) -> list[str]:
    """Return what the model gives cause to ask about, by foot."""
    return [
        f"<b>{foot.side.upper()}</b> {bench_words(note)}."
        for foot in plan.feet
        for note in foot.notes
        if note.code.startswith("contact-") and note.level is not NoteLevel.INFO
    ]


# ---- workshop, and what to watch ---------------------------------------------------------


def _parts(plan: Plan, parts: Sequence[Part], materials: Materials) -> list[Any]:
    shown = traveller(plan, parts, materials)
    if shown is None:
        return []
    return [*head(f"Workshop: parts of {escape(plan.case)}, to tick off"), shown]


def _watch(plan: Plan) -> list[Any]:
    """Return first rides, stop words and cautions."""
    lines = [
        f"<b>First rides.</b> {FIRST_RIDES}",
        f"<b>Stop and {AT_A_STOP}, at:</b> {STOP_WORDS}."
        f" At slipping, or a pedal that does not let go: {WHEN_LOOSE}.",
        TELL,
        *[override(over) for over in plan.overrides],
    ]
    count = sum(note.level is not NoteLevel.INFO for foot in plan.feet for note in foot.notes)
    if count:
        lines.append(
            f"The bench page has {count} point{'s' * (count > 1)} to mind: your fitter"
            " goes through them with you."
        )
    others = [text for text in dict.fromkeys(plan.cautions) if text != MAIN_CAUTION]
    lines.append(f"<b>{MAIN_CAUTION}</b> {escape(' '.join(others))}")
    return [*head("What to watch", 40.0), *(paragraph(line, 8.4) for line in lines)]


def _sign_off() -> list[Any]:
    names = [paragraph(f"{who} ____________________", 9.0) for who in ("fitter", "maker", "rider")]
    names.append(paragraph("date ______________", 9.0))
    return [gap(3), table([names], [50.0, 50.0, 50.0, 40.0], lines=False, pad=1.2)]
