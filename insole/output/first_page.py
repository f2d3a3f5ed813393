"""The page to read first: what to make, from which file, in which order."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path

from insole.output import readme
from insole.output.contents import may_print, plate_files
from insole.output.cut.layers import CutLayer
from insole.output.gluing import face_rows
from insole.output.long_parts import glue_rows, larger_words
from insole.output.made import Run, size_words, way_words
from insole.output.phrases import capital
from insole.output.print import printing, threemf
from insole.output.settings import folder_name
from insole.parts.form import form_words
from insole.parts.form_upper import FORMS
from insole.parts.materials import amount
from insole.parts.part import Part
from insole.record.materials import Material, Materials
from insole.record.plan import fingerprint

__all__ = ["making_of", "written_page"]

CLINICAL = "Foot pain calls for clinical advice."
FACES = "Tape, primer and glue: on which faces"
PIECES = (
    "the pieces to cut from sheet at full size with lines to grind by, on the face that is ground "
    "and on the one that stays, "
)
GAUGES = "section gauges to cut from card and hold to a printed, ground or moulded part, "
ONLY_IF = {"pieces": PIECES, "section-gauges": GAUGES}  # in the folder
ABOUT = {
    "print": "3MF: one file per material and plate, parts named. STL: one part each.",
    "solid": "STEP: solids for CAD, without letters and grooves.",
    "cut": "DXF and SVG 1:1, one sheet per foot, in two views: foot side up (seen from above: "
    "cut, grind, placement lines) and shoe side up (seen from below: the letters). Layers: "
    f"{', '.join(reversed(CutLayer))}, see below. cut/sheet-...: sheets of stock, foot side up, "
    "parts of one material and thickness close together and turned. cut/parts: each part alone. "
    "Cut each part from one of these files only.",
    "paper": f"The bench page to work from, the 1:1 template, {PIECES}{GAUGES}the report with "
    "pictures for the rider and parts to tick off, the whole plan.",
    "pictures": "Where pad and shims go.",
}
LINE_ROWS = (
    f"{CutLayer.CUT}: cut through; holes before outlines.",
    f"{CutLayer.GRIND}: do not burn; lines of equal height above the underside, mm, to grind by; "
    "of a contoured bed above the lowest place of its underside, the underside's own on the shoe "
    "side.",
    f"{CutLayer.ENGRAVE}: shallow, in single strokes.",
    f"{CutLayer.PEN}: draw: side, part and the arrow to the toes.",
    f"{CutLayer.NOTE}: switch off; titles and the ruler, for people.",
)
BENCH = (
    "Compare LEFT and RIGHT, arrow and thick edge on each part with the bench page before gluing.",
    "PLA never goes into a shoe.",
    "No foam with chlorine (neoprene, PVC) under a laser; keep dust and fumes out of your lungs.",
)
UNDER_SHOE = (
    "Under the shoe: firm solid plastic at 100 % infill, or metal; never PLA, EVA or cork. Bolts "
    "longer by the shim, the maker's torque, ten clip-ins and releases on a stand before riding."
)


def written_page(run: Run, page: readme.Making, making: Path) -> str:
    """Return the text of the first file that a maker opens; `making` is the folder so far."""
    plan = run.plan
    cautions = list(plan.cautions)
    if not any("clinical advice" in caution for caution in cautions):
        cautions.insert(0, CLINICAL)
    kerf = f"a kerf of {run.settings.kerf:g} mm" if run.settings.kerf else "no kerf"
    bench = [*BENCH, *[UNDER_SHOE for part in run.made.parts if part.name == "under-shoe-shim"][:1]]
    rows = [
        f"{plan.case}, version {plan.version} (plan {fingerprint(plan)})",
        "",
        "All files are in millimetres; an STL holds no unit: read it as mm.",
        "Print papers at 100 %, without fitting to the page, and measure the 100 mm ruler first.",
        *([f"Outlines in cut/ allow for {kerf}."] if (making / "cut").is_dir() else []),
        *_block("Parts", [_part_row(part, run.settings.materials) for part in page.parts]),
        *_block("What to make each part from", readme.routes(page)),
        *_block("Order of work", readme.order(page)),
        *_block("Glue the two pieces of a bed", glue_rows(run.made.parts)),
        *_block("Glue the layers", readme.glue_rows(page)),
        *_block(FACES, face_rows(run.made.parts, run.settings.materials, page.cover)),
        *_block("Printing", readme.print_rows(page)),
        *_block("Materials", _material_rows(run, page.parts)),
        *_block("Form for moulding", _form_rows(run)),
        *_block(
            "Folders",
            [f"{name}/  {_about(name, making)}" for name in ABOUT if (making / name).is_dir()],
        ),
        *_block("Lines in the cut files", _line_rows(run) if (making / "cut").is_dir() else ()),
        *_block("Sheets to cut", run.sheets if run.settings.cuts else ()),
        *_block("Mind", list(run.notes.values())),
        *_block(
            "Limits passed on purpose",
            [f"{o.limit}: {o.why} ({o.who}, {o.when})" for o in plan.overrides],
        ),
        *_block("At the bench", bench),
        *_block("Cautions", cautions),
    ]
    return "\n".join(rows) + "\n"


def _line_rows(run: Run) -> tuple[str, ...]:
    """Return what each layer is for, and its colour where a laser program goes by colours."""
    if not run.settings.laser_colours:
        return LINE_ROWS
    colours = "red is CUT, blue ENGRAVE, black PEN, green GRIND, grey NOTE"
    return (*LINE_ROWS, f"Colours, the same in DXF and SVG: {colours}.")


def making_of(run: Run) -> readme.Making:
    """Return what is made from which files."""
    plan, able = run.plan, [p for p in run.made.parts if may_print(p, run.settings.materials)]
    larger = {part.label: larger_words(part, run.settings) for part in able}
    return readme.Making(
        plan=plan,
        parts=run.made.parts,
        materials=run.settings.materials,
        layers=run.made.layers if run.nested else {},
        sheets=run.nested,
        plates=plate_files(run.made.parts, run.settings, folder_name(plan)),
        cuts=run.settings.cuts,
        cover=run.settings.chosen.get("cover", ""),
        larger={label: words for label, words in larger.items() if words},
        mills=run.settings.mills,
        prints=run.settings.prints,
        paper=next(iter(run.settings.papers), "a4"),
        stocked=run.settings.stock is not None,
        tag=folder_name(plan),
    )


def _about(name: str, making: Path) -> str:
    """Return what a folder holds, in words."""
    if name == "print" and not any((making / name).glob("*.3mf")):
        return "STL: one part each, for a mill, or for a printer elsewhere."
    words = ABOUT[name]
    for stem, about in ONLY_IF.items():
        if name == "paper" and not any((making / name).glob(f"{stem}-*.pdf")):
            words = words.replace(about, "")
    return words


def _block(title: str, rows: Sequence[str]) -> list[str]:
    """Return a titled list, wrapped; nothing for no rows."""
    if not rows:
        return []
    wrapped = [
        textwrap.fill(
            row,
            96,
            initial_indent="  ",
            subsequent_indent="      ",
            break_on_hyphens=False,
            break_long_words=False,
        )
        for row in rows  # a file's name in two pieces is nobody's file
    ]
    return ["", title, *wrapped]


def _material_rows(run: Run, parts: Sequence[Part]) -> list[str]:
    """Return what each material used is, how it is worked and fixed, and what to mind."""
    used = sorted({part.material for part in parts})
    rows = [_material_row(run.settings.materials.find(name)) for name in used]
    rows.append(
        "Masses are estimates from density and infill; printed walls and infill as the material "
        "table says. What is called common practice has no published source."
    )
    return rows


def _material_row(material: Material) -> str:
    """Return one material in words, the source of each value beside it."""
    words = [f"{material.name}: {material.words}", f"to {_PROCESS[material.process]}"]
    words.append(f"density {material.density} ({material.density.source})")
    if material.hardness is not None:
        words.append(f"hardness {material.hardness} ({material.hardness.source})")
    infill = material.infill
    if material.process != "cut" and infill is not None:
        share = f"{100 * infill.low:.0f}"
        share += f" to {100 * infill.high:.0f}" if infill.high > infill.low else ""
        words.append(f"infill {share} % ({infill.source})")
    text = f"{', '.join(words)}. Make: {material.advice}. Fix: {material.fixing}."
    if material.cautions:
        text += f" Mind: {'; '.join(material.cautions)}."
    if material.scale != printing.AS_IT_IS:
        text += (
            f" {threemf.scale_words(material.scale)}, in 3MF and STL only: print them at 100 %, "
            "lying as in the file."
        )
    return text


_PROCESS = {"print": "print", "cut": "cut, grind or mill", "both": "print or cut"}


def _form_rows(run: Run) -> list[str]:
    """Return how to mould over the forms; nothing without one."""
    forms = [part for part in run.made.parts if part.name in FORMS]
    if not forms:
        return []
    least = min(forms, key=lambda part: len(part.facts.engraved.on_top))  # letters on the shelf
    return [*form_words(least), f"{capital(readme.MOULDED)}."]


def _part_row(part: Part, materials: Materials) -> str:
    """Return material, size, way and mass of a part, as it is made."""
    words = [f"{part.label}: {part.material}", size_words(part), way_words(part)]
    if by_hand := part.facts.engraved.paper_only:
        words.append(f"write on by hand: {', '.join(by_hand)}")
    words.append(str(amount(part, materials.find(part.material))))
    return ", ".join(filter(None, words))
