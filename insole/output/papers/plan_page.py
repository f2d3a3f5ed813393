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
from insole.output.ink import MM, fonts, save_bytes
from insole.output.made import size_words, way_words
from insole.output.papers.flow import MAIN_CAUTION, WIDE, build, gap, head, paragraph, table
from insole.output.papers.plan_measures import measure_section, missing_section, room_section
from insole.output.papers.reasons import topics
from insole.output.phrases import (
    COVERAGE,
    all_notes,
    answers,
    capital,
    flat_words,
    load_words,
    override,
    paper,
    sentence,
    signed,
    words,
)
from insole.parts import materials as stock
from insole.parts.part import Part
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.plan import Plan, fingerprint
from insole.record.planned_contact import ContactCase

__all__ = ["write_plan_page"]

# notes that a section or table of the page says already
SAID = frozenset({"not-asked", "cleat-mark", "fit"})


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
    known = materials or default_materials()
    story = [
        *_plan_head(plan),
        _placement_image(plan),
        *_planned_section(plan, known, parts),
        *_part_section(parts, known),
        *_contact_section(plan),
        *measure_section(plan),
        *missing_section(plan),
        *room_section(plan),
        *_shoe_section(plan),
        *_note_section(plan),
        *_caution_section(plan),
    ]
    save_bytes(path, build(story, plan, f"Plan, {plan.case}, plan {plan.version}"))


def _plan_head(plan: Plan) -> list[Any]:
    """Return title, tool, and the scans with load and verdict."""
    tool = " ".join(plan.tool.get(key, "") for key in ("name", "version"))
    date = escape(plan.date) if plan.date else "date: ______________"
    top = table(
        [
            [
                paragraph(f"<b>Plan</b> · {escape(plan.case)} · plan {plan.version}", 16.0),
                paragraph(f"{date}<br/>{escape(tool)} · {fingerprint(plan)}", 8.4, align="right"),
            ]
        ],
        [120.0, 70.0],
        lines=False,
        pad=0.0,
    )
    names = ("foot", "scan", "load", "verdict", "arch lowered, gap")
    rows = [[paragraph(f"<b>{name}</b>") for name in names]]
    for foot in plan.feet:
        # the record holds a band of 95 %; paper says one standard deviation everywhere
        known = f"gap known to ± {foot.seating.band / COVERAGE:.1f} mm"
        rows.append(
            [
                paragraph(f"<b>{foot.side.upper()}</b>"),
                paragraph(
                    f"{escape(foot.scan_file)} <font size='7.5'>{foot.scan_sha256[:12]}</font>"
                ),
                paragraph(escape(load_words(foot.load))),
                paragraph(escape(foot.verdict)),
                paragraph(f"{foot.seating.lowered:.1f} mm, {known}"),
            ]
        )
    for side in ("left", "right"):
        if getattr(plan, side) is None:
            rows.append([paragraph(f"<b>{side.upper()}</b>"), paragraph("not planned"), "", "", ""])
    said = paragraph("± is one standard deviation throughout.", 8.0)
    shown = table(rows, [16.0, 58.0, 34.0, 28.0, 54.0], pad=0.8)
    return [top, gap(2), shown, gap(0.6), said, gap(1)]


def _placement_image(plan: Plan) -> Any:
    """Return the placement picture as an image across the page."""
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image

    from insole.output.pictures.plan_view import placement_png

    data = placement_png(plan)
    wide, high = ImageReader(io.BytesIO(data)).getSize()
    scale = min(WIDE * MM / wide, 150.0 * MM / high)
    return Image(io.BytesIO(data), width=wide * scale, height=high * scale)


def _planned_section(plan: Plan, materials: Materials, parts: Sequence[Part]) -> list[Any]:
    """Return what is made and why: a row a topic, a column a foot."""
    rows: list[list[Any]] = [[paragraph(f"<b>{side}</b>", 10.0) for side in ("LEFT", "RIGHT")]]
    made = {part.label: part for part in parts}
    feet = [
        None if foot is None else topics(plan, foot, materials, made)
        for foot in (plan.left, plan.right)
    ]
    some = next(foot for foot in feet if foot is not None)
    for k in range(len(some)):
        absent = ["Not planned."] if k == 0 else []
        cells = [absent if foot is None else foot[k] for foot in feet]
        if any(cells):
            rows.append([[paragraph(line) for line in cell] for cell in cells])
    return [*head("What was planned, and why"), table(rows, [WIDE / 2] * 2, pad=0.7, repeat=1)]


def _part_section(parts: Sequence[Part], materials: Materials) -> list[Any]:
    """Return a table of the parts with material, volume and estimated mass."""
    if not parts:
        return []
    heads = ("Part", "Size", "Material, and how it is made", "Volume and mass")
    rows = [[paragraph(f"<b>{name}</b>") for name in heads]]
    for part in parts:
        material = materials.find(part.material)
        made = f"{capital(material.words)} ({material.name})"
        rows.append(
            [
                paragraph(escape(f"{part.side.value.upper()} {words(part.name)}")),
                paragraph(escape(capital(size_words(part)))),
                paragraph(escape(", ".join(filter(None, (made, way_words(part)))))),
                paragraph(escape(str(stock.amount(part, material)))),
            ]
        )
    return [
        *head("Parts and what they take"),
        table(rows, [share * WIDE for share in (0.18, 0.27, 0.31, 0.24)], pad=0.5, repeat=1),
        paragraph("Masses are estimates from density, walls and infill of the material table."),
    ]


def _contact_section(plan: Plan) -> list[Any]:
    """Return contact without and with the parts, standing and pedalling, left beside right."""
    feet = [(foot, foot.contact) for foot in plan.feet if foot.contact is not None]
    if not feet:
        return []
    heads = [
        f"<b>{foot.side.upper()}</b> {what}"
        for foot, _ in feet
        for what in ("share of load, %", "peak, kPa")
    ]
    rows = [[paragraph("<b>load case, region</b>"), *(paragraph(name) for name in heads)]]
    spans = []
    for name in ("standing", "pedalling"):
        spans += [("SPAN", (k, len(rows)), (k + 1, len(rows))) for k in range(1, len(heads), 2)]
        cases = [next((c for c in contact.cases if c.case == name), None) for _, contact in feet]
        rows += _contact_rows(name, cases)
    first = 34.0
    columns = [first, *[(WIDE - first) / len(heads)] * len(heads)]
    shown = table(rows, columns, pad=0.35, repeat=1)
    shown.setStyle(spans)
    mass = feet[0][1].body_mass
    said = dict.fromkeys(note for _, contact in feet for note in contact.notes)
    said |= dict.fromkeys(
        f"{foot.side} foot, {case.case}: {note}"
        for foot, contact in feet
        for case in contact.cases
        for note in (*case.notes, *([case.reason] if case.reason else []))
    )
    lines = f"Body mass {mass.value:g} kg ({escape(mass.reason)}). "
    lines += " ".join(escape(sentence(paper(note))) for note in said)
    return [*head("Contact without → with the parts", 80.0), shown, paragraph(lines, 8.0)]


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
        row: list[Any] = [paragraph(region, 8.4)]
        for case in cases:
            if case is None or case.before is None or case.after is None:
                row += ["", ""]
                continue
            was, now = case.before, case.after
            share = f"{100 * was.share[region]:.0f} → {100 * now.share[region]:.0f}"
            row.append(paragraph(share, 8.4))
            row.append(paragraph(f"{was.peak[region]:.0f} → {now.peak[region]:.0f}", 8.4))
        rows.append(row)
    return rows


def _shoe_section(plan: Plan) -> list[Any]:
    """Return the shoe as it was read, the fitter's wishes and what the plan was made from."""
    if plan.shoe is None:
        shoe = "No shoe given: a plain flat bed; parts are for a trial only."
    else:
        known = {key: value for key, value in plan.shoe.items() if key != "name"}
        shoe = "; ".join(flat_words(known)) + ". Lengths in mm, angles in degrees."
    wishes = "; ".join(flat_words(plan.wishes)) or "none stated, which is not a wish of zero"
    name = f"<b>{escape(plan.shoe_name)}</b>: " if plan.shoe_name else ""
    lines = [
        name + escape(shoe),
        f"<b>Wishes</b> (lengths in mm, angles in degrees, levels as shares of the gap):"
        f" {escape(wishes)}.",
    ]
    sources = "; ".join(" ".join(said.split()) for said in flat_words(plan.sources))
    if sources:
        lines.append(f"<b>Planned from</b> {escape(sources)}.")
    return [*head("Shoe and wishes"), *(paragraph(line) for line in lines)]


def _note_section(plan: Plan) -> list[Any]:
    """Return the notes, gravest first."""
    notes = all_notes(plan, without=SAID)
    if not notes:
        return []
    lines = [paragraph(f"<b>{capital(who)}</b> {escape(text)}.") for who, text in notes]
    return [*head("Notes"), *lines]


def _caution_section(plan: Plan) -> list[Any]:
    """Return answers, clinician, overrides and cautions."""
    lines = []
    for answer, name in (
        ("yes", "Answered yes"),
        ("not asked", "Not asked (which is not a no)"),
        ("no", "Answered no"),
    ):
        found = answers(plan, answer)
        if found:
            lines.append(f"<b>{name}:</b> {escape('; '.join(found))}.")
    if plan.clinician:
        lines.append(f"<b>Clinician's word:</b> {escape(plan.clinician)}.")
    lines += [override(over) for over in plan.overrides]
    cautions = list(dict.fromkeys([MAIN_CAUTION, *plan.cautions]))
    lines += [f"<b>{escape(cautions[0])}</b> {escape(' '.join(cautions[1:]))}"]
    return [*head("Questions and cautions"), *(paragraph(line) for line in lines)]
