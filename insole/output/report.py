"""The plan page: what was measured, planned, left out, and why, for a person to read.

    Plan, Parts, Materials -> write_plan_page -> PDF, A4

± is one standard deviation everywhere on it.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from insole.errors import OutputError
from insole.output.flow import MAIN_CAUTION, MARGIN, PAGE, WIDE, build, gap, head, paragraph, table
from insole.output.phrases import (
    COVERAGE,
    all_notes,
    amount,
    answers,
    behind,
    capital,
    change,
    flat_words,
    load_words,
    override,
    paper,
    sentence,
    shift_words,
    signed,
    words,
    yaw_words,
)
from insole.output.template import MM, fonts, save_bytes, taper_words, tender_spots, turn_words
from insole.parts.material_file import default_materials
from insole.parts.materials import Materials, amount as amount_of
from insole.parts.part import Part
from insole.planning.plan import ContactCase, FootPlan, Plan, Quantity, fingerprint

__all__ = ["write_plan_page"]


def write_plan_page(
    path: str | Path,
    plan: Plan,
    parts: Sequence[Part] = (),
    materials: Materials | None = None,
) -> None:
    """Write the plan for a person to read: scans, measures, shoe, parts, reasons, what is missing.

    Parameters
    ----------
    path : path-like
        PDF to write, A4; replaced as a whole or not at all.
    plan : Plan
        Measures are given ± one standard deviation.
    parts : sequence of Part
        Worn parts; listed with volume and mass.
    materials : Materials, optional
        What they are made of; None takes the default table.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot, or the file cannot be written.
    """
    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no page to write: plan one first")
    fonts()
    story = [
        *_plan_head(plan),
        _placement_image(plan),
        *_planned_section(plan),
        *_part_section(parts, materials or default_materials()),
        *_contact_section(plan),
        *_measure_section(plan),
        *_missing_section(plan),
        *_shoe_section(plan),
        *_note_section(plan),
        *_caution_section(plan),
    ]
    save_bytes(path, build(story, plan, f"Plan, {plan.case}, plan {plan.version}"))


# ---- plan page ---------------------------------------------------------------------------


def _plan_head(plan: Plan) -> list[Any]:
    """Return title, tool, and the scans with load and verdict."""
    tool = " ".join(plan.tool.get(key, "") for key in ("name", "version"))
    date = escape(plan.date) if plan.date else "date: ______________"
    head = table(
        [[paragraph(f"<b>Plan</b> · {escape(plan.case)} · plan {plan.version}", 16.0),
          paragraph(f"{date}<br/>{escape(tool)} · {fingerprint(plan)}", 8.0, align="right")]],
        [120.0, 70.0], lines=False, pad=0.0,
    )  # fmt: skip
    rows = [[paragraph(f"<b>{name}</b>") for name in ("foot", "scan", "load", "verdict", "arch lowered")]]
    for foot in plan.feet:
        rows.append([
            paragraph(f"<b>{foot.side.upper()}</b>"),
            paragraph(f"{escape(foot.scan_file)} <font size='6.5'>{foot.scan_sha256[:12]}</font>"),
            paragraph(escape(load_words(foot.load))),
            paragraph(escape(foot.verdict)),
            paragraph(f"{foot.seating.lowered:.1f} mm, gap known to ± {foot.seating.band:.1f} mm"),
        ])  # fmt: skip
    for side in ("left", "right"):
        if getattr(plan, side) is None:
            rows.append([paragraph(f"<b>{side.upper()}</b>"), paragraph("not planned"), "", "", ""])
    return [head, gap(2), table(rows, [16.0, 64.0, 38.0, 34.0, 38.0], pad=0.8), gap(2)]


def _placement_image(plan: Plan) -> Any:
    """Return the placement picture as an image across the page."""
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image

    from insole.output.pictures import placement_png

    data = placement_png(plan, dpi=170)
    wide, high = ImageReader(io.BytesIO(data)).getSize()
    scale = min((PAGE[0] - 2 * MARGIN) * MM / wide, 150.0 * MM / high)
    return Image(io.BytesIO(data), width=wide * scale, height=high * scale)


def _planned_section(plan: Plan) -> list[Any]:
    """Return what is made and why: a row a topic, a column a foot."""
    half = (PAGE[0] - 2 * MARGIN) / 2
    rows: list[list[Any]] = [[paragraph(f"<b>{side}</b>", 10.0) for side in ("LEFT", "RIGHT")]]
    for topic in (_pad_words, _shim_words, _base_words, _cleat_words, _seating_words):
        cells = [[] if foot is None else topic(foot) for foot in (plan.left, plan.right)]
        if topic is _pad_words:
            cells = [cell or ["Not planned."] for cell in cells]
        if any(cells):
            rows.append([[paragraph(line) for line in cell] for cell in cells])
    table = table(rows, [half, half], pad=0.7)
    table.splitInRow = 1
    return [*head("What was planned, and why"), table]


def _part_section(parts: Sequence[Part], materials: Materials) -> list[Any]:
    """Return a table of the parts with material, volume and estimated mass."""
    if not parts:
        return []
    rows = [[paragraph(f"<b>{head}</b>") for head in ("Part", "Material", "Volume and mass")]]
    for part in parts:
        material = materials.find(part.material)
        rows.append([
            paragraph(escape(f"{part.side.value.upper()} {words(part.name)}")),
            paragraph(escape(f"{material.name}: {material.words}")),
            paragraph(escape(str(amount(part, material)))),
        ])  # fmt: skip
    wide = PAGE[0] - 2 * MARGIN
    return [
        *head("Parts and what they take"),
        table(rows, [0.25 * wide, 0.4 * wide, 0.35 * wide], pad=0.5),
        paragraph("Masses are estimates from density, walls and infill of the material table."),
    ]


def _base_words(foot: FootPlan) -> list[str]:
    """Return the base's thickness, where its outline came from, and rims."""
    base = foot.base
    words = f"<b>Base</b> {base.thickness:.1f} mm, {escape(base.source)}"
    if base.trim_allowance:
        words += f", trim allowance {base.trim_allowance:.1f} mm"
    if base.heel_cup:
        words += f", heel rim {base.heel_cup:.1f} mm"
    return [f"{words}; {escape(base.material)}."]


def _cleat_words(foot: FootPlan) -> list[str]:
    """Return the cleat's place and the saddle change."""
    lines = []
    if foot.cleat is not None:
        cleat = foot.cleat
        lines.append(
            f"<b>Cleat</b> axle {behind(cleat.from_ball_mark)} MTH1, {behind(cleat.from_mth5)}"
            f" MTH5, {yaw_words(cleat.yaw)}; {_float_words(cleat.float_range)}."
        )
        lines += [f"– {escape(note)}" for note in cleat.notes]
    if foot.saddle_change is not None:
        change = foot.saddle_change
        words = amount(change, sign=True) if change.value is not None else "not known"
        lines.append(f"<b>Saddle</b> {words}. {escape(sentence(change.reason))}")
    return lines


def _seating_words(foot: FootPlan) -> list[str]:
    """Return how the foot was placed in the shoe."""
    seating = foot.seating
    roll = signed(seating.roll, 1)
    words = f"<b>Seating</b> arch lowered {seating.lowered:.1f} mm, roll {roll}°."
    return [words, *(f"– {escape(note)}" for note in seating.notes)]


def _pad_words(foot: FootPlan) -> list[str]:
    """Return a pad's size, place, gap, reasons and binding rules."""
    pad = foot.pad
    if pad is None:
        return [f"<b>No arch pad.</b> {escape(sentence(foot.no_pad_because))}"]
    source = "from the kit" if pad.source == "kit" else "made from the scan"
    lines = [
        f"<b>Arch pad: {escape(pad.name)}</b> ({source}, {escape(pad.material)}),"
        f" {pad.crest.height:.1f} mm high at its crest, {pad.crest.from_rear:.1f} mm from the"
        f" base's rear edge and {pad.crest.from_medial:.1f} mm from its medial edge;"
        f" {turn_words(pad.turn)}; edges end at {pad.rear_edge:.1f} and {pad.front_edge:.1f} mm.",
        f"Wished to fill {100 * pad.support_level:.0f} % of a gap of {amount(pad.gap_at_crest)};"
        f" left open at the crest: {amount(pad.residual_gap)}.",
    ]
    lines += [f"– {escape(reason)}" for reason in pad.reasons]
    if pad.binding:
        lines.append(f"<b>What bound it:</b> {escape('; '.join(pad.binding))}.")
    lines += [escape(sentence(step)) for step in (pad.step_up, pad.step_down) if step]
    if any(abs(step) > 0.05 for step in pad.shift):
        lines.append(f"Moved by hand: {shift_words(pad.shift)}.")
    return lines


def _shim_words(foot: FootPlan) -> list[str]:
    """Return each shim's sum (wish, shoe, rounding) and shape, and why there is none elsewhere."""
    lines = []
    for wedge in foot.wedges:
        lines += [
            f"<b>Shim {wedge.place}: {'−' if wedge.net < 0 else '+'}{wedge.words}.</b> Wish"
            f" {signed(wedge.wish)}°, the shoe keeps {signed(wedge.cant_kept)}°,"
            f" {signed(wedge.remainder)}° left by rounding.",
            f"{wedge.thick_edge:.1f} mm at the thick edge, {wedge.edge:.1f} mm at the thin one,"
            f" {wedge.width:.0f} mm wide; full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm from"
            f" the rear edge, {taper_words(wedge)}; {escape(wedge.material)}.",
            *(f"– {escape(reason)}" for reason in wedge.reasons),
        ]
    for place, why in foot.no_wedge_because.items():
        lines.append(f"<b>No shim {escape(place)}.</b> {escape(sentence(why))}")
    return lines


def _contact_section(plan: Plan) -> list[Any]:
    """Return contact without and with the parts, standing and pedalling, left beside right."""
    feet = [(foot, foot.contact) for foot in plan.feet if foot.contact is not None]
    if not feet:
        return []
    heads = [f"<b>{foot.side.upper()}</b> {what}" for foot, _ in feet for what in
             ("share of load, %", "peak, kPa")]  # fmt: skip
    rows = [[paragraph("<b>load case, region</b>"), *(paragraph(head) for head in heads)]]
    spans = []
    for name in ("standing", "pedalling"):
        spans += [("SPAN", (k, len(rows)), (k + 1, len(rows))) for k in range(1, len(heads), 2)]
        cases = [next((c for c in contact.cases if c.case == name), None) for _, contact in feet]
        rows += _contact_rows(name, cases)
    wide, first = PAGE[0] - 2 * MARGIN, 38.0
    table = table(rows, [first, *[(wide - first) / len(heads)] * len(heads)], pad=0.35)
    table.setStyle(spans)
    mass = feet[0][1].body_mass
    said = dict.fromkeys(note for _, contact in feet for note in contact.notes)
    said |= dict.fromkeys(
        f"{foot.side} foot, {case.case}: {words}"
        for foot, contact in feet
        for case in contact.cases
        for words in (*case.notes, *([case.reason] if case.reason else []))
    )
    head = f"Body mass {mass.value:g} kg ({escape(mass.reason)}). "
    lines = head + " ".join(escape(sentence(words)) for words in said)
    return [*head("Contact without → with the parts"), table, paragraph(lines, 7.4)]


def _contact_rows(name: str, cases: list[ContactCase | None]) -> list[list[Any]]:
    """Return the rows of one load case: area first, then a row a region."""
    loads = {f"{case.load:.0f} N" for case in cases if case is not None}
    top: list[Any] = [paragraph(f"<b>{capital(name)}</b>, {', '.join(loads)}")]
    regions: dict[str, None] = {}
    for case in cases:
        if case is None or case.before is None or case.after is None:
            top += [paragraph("not worked out, see below"), ""]
            continue
        area = f"contact area {case.before.area:.0f} → {case.after.area:.0f} cm²"
        area += "" if case.ankle is None else f", sole held at {signed(case.ankle) or 0}°"
        top += [paragraph(area), ""]
        regions |= dict.fromkeys(case.after.share)
    rows = [top]
    for region in regions:
        row: list[Any] = [paragraph(region, 8.0)]
        for case in cases:
            if case is None or case.before is None or case.after is None:
                row += ["", ""]
                continue
            was, now = case.before, case.after
            row.append(paragraph(f"{100 * was.share[region]:.0f} → {100 * now.share[region]:.0f}", 8.0))
            row.append(paragraph(f"{was.peak[region]:.0f} → {now.peak[region]:.0f}", 8.0))
        rows.append(row)
    return rows


def _measure_section(plan: Plan) -> list[Any]:
    """Return the table of measures that could be had, left against right."""
    names = list(dict.fromkeys(name for foot in plan.feet for name in foot.measures))
    rows = [[paragraph(f"<b>{head}</b>") for head in ("measure", "left", "right", "left − right")]]
    for name in names:
        pair = [foot.measures.get(name) if foot else None for foot in (plan.left, plan.right)]
        if all(item is None or item.value is None for item in pair):
            continue
        cells = ["–" if q is None or q.value is None else amount(q) for q in pair]
        rows.append([paragraph(words(name)), *(paragraph(cell) for cell in cells), paragraph(_difference(*pair))])
    table = table(rows, [70.0, 40.0, 40.0, 40.0], pad=0.35)
    table.repeatRows = 1
    return [*head("Measures, ± one standard deviation"), table]


def _difference(left: Quantity | None, right: Quantity | None) -> str:
    """Return left minus right with its standard deviation, or nothing."""
    if left is None or right is None or left.value is None or right.value is None:
        return ""
    sd = None
    if left.sd is not None and right.sd is not None:
        sd = (left.sd**2 + right.sd**2) ** 0.5
    return amount(Quantity(value=left.value - right.value, unit=left.unit, sd=sd), sign=True)


def _missing_section(plan: Plan) -> list[Any]:
    """Return what could not be measured, each with its reason."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for foot in plan.feet:
        for name, item in foot.measures.items():
            if item.value is None:
                reasons.setdefault((name, item.reason or "no reason given"), []).append(foot.side)
    if not reasons:
        return []
    lines = [
        paragraph(f"<b>{words(name)}</b> ({' and '.join(sides)}): {escape(why)}.")
        for (name, why), sides in reasons.items()
    ]
    return [*head("Not measurable from these scans, and why"), *lines]


def _shoe_section(plan: Plan) -> list[Any]:
    """Return the shoe as it was read, and the fitter's wishes."""
    if plan.shoe is None:
        shoe = "No shoe given: a plain flat bed; parts are for a trial only."
    else:
        known = {key: value for key, value in plan.shoe.items() if key != "name"}
        shoe = "; ".join(flat_words(known)) + ". Lengths in mm, angles in degrees."
    wishes = "; ".join(flat_words(plan.wishes)) or "none stated, which is not a wish of zero"
    name = f"<b>{escape(plan.shoe_name)}</b>: " if plan.shoe_name else ""
    return [
        *head("Shoe and wishes"),
        paragraph(name + escape(shoe)),
        paragraph(
            f"<b>Wishes</b> (lengths in mm, angles in degrees, levels as shares of the gap):"
            f" {escape(wishes)}."
        ),
    ]


def _note_section(plan: Plan) -> list[Any]:
    """Return the notes, gravest first."""
    notes = all_notes(plan, without={"not-asked"})  # the questions have their own section
    if not notes:
        return []
    lines = [paragraph(f"<b>{capital(head)}</b> {escape(text)}.") for head, text in notes]
    return [*head("Notes"), *lines]


def _caution_section(plan: Plan) -> list[Any]:
    """Return answers, clinician, overrides and cautions."""
    lines = []
    for answer, head in (("yes", "Answered yes"), ("not asked", "Not asked (which is not a no)"),
                         ("no", "Answered no")):  # fmt: skip
        found = answers(plan, answer)
        if found:
            lines.append(f"<b>{head}:</b> {escape('; '.join(found))}.")
    if plan.clinician:
        lines.append(f"<b>Clinician's word:</b> {escape(plan.clinician)}.")
    for over in plan.overrides:
        lines.append(
            f"<b>Limit passed on purpose:</b> {escape(over.limit)}. By {escape(over.who)},"
            f" {escape(over.when)}: {escape(over.why)}."
        )
    cautions = list(dict.fromkeys([MAIN_CAUTION, *plan.cautions]))
    lines += [f"<b>{escape(cautions[0])}</b> {escape(' '.join(cautions[1:]))}"]
    return [*head("Questions and cautions"), *(paragraph(line) for line in lines)]


