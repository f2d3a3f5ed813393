"""The output folder of one plan version: written whole, read back, then put in its place.

    Plan, worn Parts -> write -> OUT/<case>-v<version>/ -> the bench

    print/     3MF plates by material, STL of each part; forms for moulding, if wished
    solid/     STEP of each part
    cut/       DXF and SVG of each foot, foot side up and shoe side up; cut/sheet-... sheets of
               stock with the parts of one material and thickness; cut/parts/ one part each
    paper/     1:1 template, section gauges, bench page, report with pictures, plan page (PDF)
    pictures/  where pad and shims go (PNG)
    plan.json, READ-ME-FIRST.txt, manifest.json (last)

Everything is made in a hidden folder beside the final one, which appears in one step. Whatever
goes wrong, no half folder is left; what a killed run left behind is swept by the next. A version
is never changed: the same content is kept as it is, other content is refused.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import IO, Any

from footscan import files
from insole import readback
from insole.errors import InsoleError, OutputError, RefusedError
from insole.output import readme
from insole.output.cut import checked, nesting, sheets, written
from insole.output.phrases import capital
from insole.output.print import printing, step, threemf
from insole.output.print.plates import lay_out
from insole.parts import laminations
from insole.parts.form import form_words
from insole.parts.form_upper import FORM, FormWish, why_not
from insole.parts.materials import amount, check_use, of_part
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.material_file import default_materials
from insole.record.materials import Material, Materials
from insole.record.plan import Plan, fingerprint, from_json, to_json

__all__ = ["FolderError", "Item", "Settings", "check_folder", "folder_name", "items", "write"]

CLINICAL = "Foot pain calls for clinical advice."
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # names of Windows
MANIFEST, README, PLAN = "manifest.json", "READ-ME-FIRST.txt", "plan.json"
MAKING = ".making-"
DOWELS = "dowels"


class FolderError(InsoleError):
    """The folder cannot be written, or its version exists with other content."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a workshop wants its files.

    Attributes
    ----------
    bed : (float, float)
        Size of the printer's bed, mm.
    kerf : float
        Width that the cutter takes away, mm.
    sheet : (float, float)
        Size of the sheets of stock on which parts are nested, mm.
    papers : tuple of str
        Sizes of the 1:1 template.
    step : bool
        Whether STEP files are wanted: the CAD kernel alone takes seconds.
    layers : bool
        Pads and inside shims are built up from sheet; else they are ground from one blank.
    materials : Materials
        What parts are made of; what a workshop measured there scales its print files.
    form : FormWish or None
        Whether forms for moulding are wanted, and how.
    """

    bed: tuple[float, float] = (220.0, 220.0)
    kerf: float = 0.0
    sheet: tuple[float, float] = (600.0, 400.0)
    papers: tuple[str, ...] = ("a4", "letter")
    step: bool = False
    layers: bool = False
    materials: Materials = field(default_factory=default_materials)
    form: FormWish | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing to write.

    Attributes
    ----------
    path : str
        Inside the folder, with forward slashes.
    write : callable
        Gets the full path; returns the files it wrote when they are others than that one.
    check : callable
        Gets the files written, reads them back and raises OutputError when they are not right.
    """

    path: str
    write: Callable[[Path], Sequence[Path] | None]
    check: Callable[[Sequence[Path]], object]


@dataclass(slots=True)
class _Run:
    """What one call of :func:`write` is about."""

    plan: Plan
    parts: Sequence[Part]
    settings: Settings
    say: Callable[[str], None]
    notes: dict[str, str] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)
    nested: tuple[nesting.NestedSheet, ...] = ()


def folder_name(plan: Plan) -> str:
    """Return the name of the plan version's folder, allowed on every system.

    Examples
    --------
    >>> from tests.plans import sample_plan
    >>> folder_name(sample_plan(case="Rider 7/b"))
    'Rider-7-b-v1'
    """
    name = re.sub(r"[^\w.-]+", "-", plan.case).strip(".-") or "case"
    return f"{'case-' if RESERVED.fullmatch(name) else ''}{name}-v{plan.version}"


def write(
    plan: Plan,
    parts: Sequence[Part],
    out: Path,
    *,
    settings: Settings | None = None,
    worker: step.StepWorker | None = None,
    writers: Sequence[Item] | None = None,
    say: Callable[[str], None] = lambda sentence: None,
) -> Path:
    """Write everything for a plan into ``out/<case>-v<version>/`` and return that folder.

    Parameters
    ----------
    plan : Plan
        The plan.
    parts : sequence of Part
        Its parts, worn.
    out : Path
        Where the folder goes; made if the folder above it is there.
    settings : Settings, optional
        Bed, kerf, paper sizes, materials.
    worker : StepWorker, optional
        Already loading, not used before; without one, one is started here.
    writers : sequence of Item, optional
        What to write instead of :func:`items`.
    say : callable, optional
        Gets sentences for the user: what is left out, that a version is kept as it is.

    Raises
    ------
    FolderError
        The place cannot be written, or the version exists with other content.
    PlanError, RefusedError
        A part names a material that is not known, or one that must not be used there.
    OutputError
        A file does not read back the same; nothing is left behind.
    """
    run = _Run(plan, parts, settings or Settings(), say)
    labels = [part.label for part in parts]
    if len(set(labels)) != len(labels):
        raise ValueError(f"parts must have labels of their own, got {labels}")
    least = of_plan(plan).value("wedge.least_hardness")
    for part in parts:
        of_part(part, run.settings.materials, least_wedge=least)
    final = Path(out) / folder_name(plan)
    try:
        with _room(Path(out), final.name) as making, ExitStack() as stack:
            jobs = _steps(run, making)
            if jobs:
                worker = worker or step.StepWorker()
                stack.callback(worker.close)  # before the folder goes, should anything fail
                worker.submit(jobs)
            _note_large(run)
            if writers is None:
                _note_sheets(run)
            _note_forms(run)
            _write_items(making, items(plan, parts, run.settings) if writers is None else writers)
            if jobs and worker is not None:
                _finish_steps(run, making, worker)
            _write_papers(run, making)
            if writers is None:
                readback.check(making, name=final.name)
            _publish(making, final, say)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FolderError(
            f"{final} cannot be written: {reason}; make room there or choose another --out"
        ) from None
    return final


def check_folder(folder: Path) -> list[str]:
    """Return what differs between a written folder and its manifest, one sentence each."""
    try:
        manifest = json.loads((folder / MANIFEST).read_bytes())
        wanted = {entry["path"]: entry["sha256"] for entry in manifest["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        return [f"{folder.name} has no readable {MANIFEST}"]
    found = {name: _sha256(folder / name) for name in _files(folder) if name != MANIFEST}
    missing = [f"{name} is missing" for name in wanted if name not in found]
    extra = [f"{name} was added" for name in found if name not in wanted]
    changed = [f"{n} was changed" for n in wanted if n in found and found[n] != wanted[n]]
    return missing + extra + changed


# ------------------------------------------------------------------ what is written


def items(plan: Plan, parts: Sequence[Part], settings: Settings) -> list[Item]:
    """Return everything that is written for a plan but STEP files, readme and manifest.

    File names end in case and version, so that a file alone still tells what it belongs to.
    """
    tag = folder_name(plan)
    worn = _without_forms(parts)
    pieces = _pieces(parts, settings, plan)
    return [
        *_print_items(plan, parts, settings, tag),
        *_cut_items([part for part in worn if "print_only" not in part.facts], settings, tag),
        *_part_items(pieces, settings, tag),
        *_sheet_items(pieces, settings, tag),
        *_paper_items(plan, worn, settings, tag, [part for part in parts if part.name == FORM]),
    ]


def _without_forms(parts: Sequence[Part]) -> list[Part]:
    """Return what is worn: a form is neither cut nor drawn on papers, and has no exact solid."""
    return [part for part in parts if part.name != FORM]


def _as_made(parts: Sequence[Part], settings: Settings, plan: Plan) -> list[Part]:
    """Return the parts with what they are made of: a shim built up from sheet needs sheet."""
    if not settings.layers:
        return list(parts)
    least = of_plan(plan).value("wedge.least_hardness")
    return [
        replace(part, material=_sheet_wedge(settings.materials, least) or part.material)
        if part.name in laminations.LAYERED and part.name not in readme.PADS
        and readme.only_printed(part, settings.materials) else part
        for part in parts
    ]  # fmt: skip


def _sheet_wedge(materials: Materials, least: float) -> str:
    """Return the first material of the table that is sheet and may be a wedge; or nothing."""
    for material in materials.values():
        if material.process != "print":
            try:
                check_use(material, "wedge", material.name, least_wedge=least)
            except RefusedError:
                continue
            return material.name
    return ""


def _layers(parts: Sequence[Part], settings: Settings, plan: Plan) -> dict[str, list[Part]]:
    """Return the layers of each part that is built up, by its label, if wished."""
    if not settings.layers:
        return {}
    coarse = plan.limits.get("wedge.lamination", laminations.COARSE_MM)
    fine = min(laminations.FINE_MM, coarse)
    tag = folder_name(plan)
    return {
        part.label: laminations.layers(part, coarse, fine, tag=tag)
        for part in _as_made(parts, settings, plan)
        if part.name in laminations.LAYERED and not readme.only_printed(part, settings.materials)
    }


def _pieces(parts: Sequence[Part], settings: Settings, plan: Plan) -> list[Part]:
    """Return what is cut from sheet one by one: layers in place of what is built up."""
    made = _as_made(_without_forms(parts), settings, plan)
    layers = _layers(parts, settings, plan)
    found: list[Part] = []
    for part in made:
        if not readme.only_printed(part, settings.materials):
            found += layers.get(part.label, [part])
    return found


def _print_items(plan: Plan, parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    title, plan_id = f"{plan.case}, version {plan.version}", fingerprint(plan)
    for name, mine in _plates(parts, settings):
        scale = _scale(mine[0], settings)
        yield Item(
            path=f"print/{name}-{tag}.3mf",
            write=partial(
                threemf.write_3mf,
                parts=mine,
                title=f"{title}, {mine[0].material}",
                plan_id=plan_id,
                bed=settings.bed,
                scale=scale,
            ),
            check=partial(threemf.read_back_3mf, parts=mine, scale=scale),
        )
    for part in parts:
        scale = _scale(part, settings)
        yield Item(
            path=f"print/{part.label}-{tag}.stl",
            write=partial(printing.write_stl, part=part, scale=scale),
            check=_one(printing.read_back_stl, part=part, scale=scale),
        )


def _plates(parts: Sequence[Part], settings: Settings) -> Iterator[tuple[str, list[Part]]]:
    """Yield what goes into one 3MF file, with its name.

    A material's parts go together; dowels are small and alike, and each form is alone. A plate
    of a single base is named for it, and the material's word need not say base again.
    """
    worn = _without_forms(parts)
    for material in sorted({part.material for part in worn}):
        mine = [part for part in worn if part.material == material and part.name != DOWELS]
        if mine:
            plates = lay_out(mine, _bed(mine[0], settings))
            alone = all(plate.name.endswith("-base") for plate in plates)
            yield material.removeprefix("base-" if alone else ""), mine
        if dowels := [part for part in worn if part.material == material and part.name == DOWELS]:
            yield f"{DOWELS}-{material}", dowels
    for part in parts:
        if part.name == FORM:
            yield f"{FORM}-{part.side.value}", [part]


def _plate_files(parts: Sequence[Part], settings: Settings, tag: str) -> dict[str, str]:
    """Return the 3MF file that holds each part, by its label."""
    found: dict[str, str] = {}
    for name, mine in _plates(parts, settings):
        for plate in lay_out(mine, _bed(mine[0], settings)):
            stem = f"{plate.name}-{name}" if plate.name else name
            found |= {part.label: f"print/{stem}-{tag}.3mf" for part in plate.parts}
    return found


def _bed(part: Part, settings: Settings) -> tuple[float, float]:
    """Return the bed's room for parts of a material, before they are scaled."""
    x, y, _ = _scale(part, settings)
    return settings.bed[0] / x, settings.bed[1] / y


def _scale(part: Part, settings: Settings) -> printing.Scale:
    """Return the factors against shrinkage; a word that the table does not know has none."""
    material = settings.materials.get(part.material)
    return printing.AS_IT_IS if material is None else material.scale


def _cut_items(parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    both = (
        (".dxf", written.write_dxf, checked.read_back_dxf),
        (".svg", written.write_svg, checked.read_back_svg),
    )
    for side in sorted({part.side for part in parts}):
        mine = [part for part in parts if part.side is side]
        for face in ("foot", "shoe"):
            for suffix, writer, reader in both:
                how: dict[str, Any] = {"parts": mine, "kerf": settings.kerf, "face": face}
                yield Item(
                    path=f"cut/{side.value}-{face}-side-up-{tag}{suffix}",
                    write=partial(writer, note=tag, **how),
                    check=_one(reader, **how),
                )


def _part_items(parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    for part in parts:
        how: dict[str, Any] = {"parts": [part], "kerf": settings.kerf}
        yield Item(
            path=f"cut/parts/{part.label}-{tag}.dxf",
            write=partial(written.write_dxf, note=tag, **how),
            check=_one(checked.read_back_dxf, **how),
        )


def _sheet_items(parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    for sheet in nesting.nest(parts, size=settings.sheet, kerf=settings.kerf).sheets:
        for suffix in (".dxf", ".svg"):
            yield Item(
                path=f"cut/{sheet.name}-{tag}{suffix}",
                write=partial(sheets.write, sheet=sheet, kerf=settings.kerf, note=tag),
                check=_one(sheets.read_back, sheet=sheet, kerf=settings.kerf),
            )


def _paper_items(
    plan: Plan, parts: Sequence[Part], settings: Settings, tag: str, forms: Sequence[Part] = ()
) -> Iterator[Item]:
    from insole.output.papers import bench, gauges, template
    from insole.output.papers import plan_page as report
    from insole.output.papers import report as rider
    from insole.output.pictures import plan_view as pictures

    papers: dict[str, Callable[[Path], None]] = {
        f"paper/template-{paper}-{tag}.pdf": partial(
            template.write_template, plan=plan, parts=parts, paper=paper
        )
        for paper in settings.papers
    }
    papers[f"paper/bench-page-{tag}.pdf"] = partial(
        bench.write_bench_page, plan=plan, parts=[*parts, *forms]
    )
    papers[f"paper/plan-{tag}.pdf"] = partial(
        report.write_plan_page, plan=plan, parts=parts, materials=settings.materials
    )
    papers[f"paper/report-{tag}.pdf"] = partial(
        rider.write_report, plan=plan, parts=parts, materials=settings.materials
    )
    if gauges.has_gauges(plan):
        papers[f"paper/section-gauges-{tag}.pdf"] = partial(gauges.write_gauges, plan=plan)
    papers[f"pictures/placement-{tag}.png"] = partial(pictures.write_placement, plan=plan)
    for path, writer in papers.items():
        yield Item(path=path, write=writer, check=_whole)


def _on_paper(path: Path) -> None:
    """Refuse a page that would be printed blank, or a template of another size."""
    from insole.output.papers import pages

    pages.read_back(path, rulers=path.name.startswith("template-"))


def _one(reader: Callable[..., object], **how: Any) -> Callable[[Sequence[Path]], object]:
    """Return a check of the single file that a writer wrote."""
    return lambda paths: reader(paths[0], **how)


# how a file of a kind starts and ends
ENDS = {
    ".pdf": (b"%PDF-", b"%%EOF"),
    ".png": (b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"),
}


def _whole(paths: Sequence[Path]) -> None:
    """Refuse a file that is cut short or not of its kind."""
    for path in paths:
        data = path.read_bytes()
        start, end = ENDS[path.suffix]
        if not data.startswith(start) or not data.rstrip().endswith(end):
            raise OutputError(f"{path.name} does not read back as a whole {path.suffix[1:]} file")
        if path.suffix == ".pdf":
            _on_paper(path)


def _write_items(making: Path, wanted: Sequence[Item]) -> None:
    """Write and read back each item."""
    for item in wanted:
        path = making / item.path
        path.parent.mkdir(parents=True, exist_ok=True)
        item.check(item.write(path) or [path])


def _note_large(run: _Run) -> None:
    """Note which parts are larger than the bed."""
    room = run.settings.bed
    for part in run.parts:
        x, y, _ = _scale(part, run.settings)
        plate = lay_out([part], _bed(part, run.settings))[0]
        if not plate.fits:
            cure = "cut it from sheet" if part.name != FORM else "cut it across in the slicer"
            run.notes[f"print: {part.label}"] = (
                f"{part.label} needs a printer bed of {plate.size[0] * x:.0f} x "
                f"{plate.size[1] * y:.0f} mm, yours is {room[0]:g} x {room[1]:g} mm: {cure} or "
                "use a larger printer"
            )


def _note_sheets(run: _Run) -> None:
    """Note the sheets of stock to lay out, and which parts are on none."""
    cut = _pieces(run.parts, run.settings, run.plan)
    nested = nesting.nest(cut, size=run.settings.sheet, kerf=run.settings.kerf)
    run.sheets = [sheet.words for sheet in nested.sheets]
    run.nested = nested.sheets
    _note_printed(run)
    for label, reason in nested.left_out.items():
        run.notes[f"cut: {label}"] = reason


def _note_printed(run: _Run) -> None:
    """Note which parts are on no sheet as their material is printed, or are of sheet instead."""
    made = _as_made(_without_forms(run.parts), run.settings, run.plan)
    for part, now in zip(_without_forms(run.parts), made, strict=True):
        if now.material != part.material:
            run.notes[f"cut: {part.label}"] = (
                f"{part.label} is built up from {now.material} sheet, as {part.material} is "
                "printed only"
            )
        elif "print_only" not in part.facts and readme.only_printed(part, run.settings.materials):
            words = run.settings.materials.find(part.material).words.split(",")[0]
            run.notes[f"cut: {part.label}"] = (
                f"{part.label} is printed from {words}: no sheet; for sheet stock name a sheet "
                "material"
            )


def _note_forms(run: _Run) -> None:
    """Note which feet get no form although forms were asked for."""
    if run.settings.form is not None:
        for foot in run.plan.feet:
            if reason := why_not(foot):
                run.notes[f"form: {foot.side}"] = reason


def _steps(run: _Run, making: Path) -> list[tuple[Part, Path]]:
    """Return the STEP files to write."""
    if not run.settings.step:
        return []
    tag = folder_name(run.plan)
    (making / "solid").mkdir()
    worn = _without_forms(run.parts)
    return [(part, making / "solid" / f"{part.label}-{tag}.step") for part in worn]


def _finish_steps(run: _Run, making: Path, worker: step.StepWorker) -> None:
    """Wait for the STEP files; where there can be none, say why."""
    try:
        for label, reason in worker.finish().items():
            name = label.replace("-", " ")
            run.notes[f"solid: {label}"] = f"no STEP for the {name}: use the STL ({reason})"
    except step.StepUnavailable as error:
        run.notes["solid"] = str(error)
    solid = making / "solid"
    if not any(solid.iterdir()):
        solid.rmdir()


def _write_papers(run: _Run, making: Path) -> None:
    """Write plan, readme and, last of all, the manifest."""
    files.write_whole(making / PLAN, to_json(run.plan).encode())
    if from_json((making / PLAN).read_bytes()) != run.plan:
        raise OutputError(f"{PLAN} does not read back as the plan that was written")
    files.write_whole(making / README, _readme(run, making).encode())
    for sentence in (*run.notes.values(), *run.sheets):
        run.say(sentence)
    files.write_whole(making / MANIFEST, _manifest(run, making).encode())
    if faults := check_folder(making):
        raise OutputError(f"the folder does not read back as written: {faults[0]}")


def _manifest(run: _Run, making: Path) -> str:
    """Return the manifest's text: what was made from what, and the hash of every file."""
    plan, settings = run.plan, run.settings
    record = {
        "tool": plan.tool,
        "case": plan.case,
        "version": plan.version,
        "plan": fingerprint(plan),
        "scans": [
            {"side": foot.side, "file": foot.scan_file, "sha256": foot.scan_sha256}
            for foot in plan.feet
        ],
        "settings": {
            "unit": "mm",
            "bed": list(settings.bed),
            "kerf": settings.kerf,
            "sheet": list(settings.sheet),
            "papers": list(settings.papers),
            **_scales(run),
        },
        "notes": dict(sorted(run.notes.items())),
        "files": [
            {
                "path": name,
                "bytes": (making / name).stat().st_size,
                "sha256": _sha256(making / name),
            }
            for name in _files(making)
        ],
    }
    return json.dumps(record, indent=1, ensure_ascii=False) + "\n"


def _scales(run: _Run) -> dict[str, dict[str, list[float]]]:
    """Return the factors of the materials whose print files were scaled; nothing without any."""
    factors = {part.material: _scale(part, run.settings) for part in run.parts}
    scaled = {name: list(f) for name, f in sorted(factors.items()) if f != printing.AS_IT_IS}
    return {"scaled": scaled} if scaled else {}


def _files(folder: Path) -> list[str]:
    """Return the files in a folder, sorted, with forward slashes."""
    found = (p for p in folder.rglob("*") if p.is_file())
    return sorted(p.relative_to(folder).as_posix() for p in found)


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# ------------------------------------------------------------------ readme

ABOUT = {
    "print": "3MF: one file per material and plate, parts named. STL: one part each.",
    "solid": "STEP: solids for CAD, without letters and grooves.",
    "cut": "DXF and SVG 1:1, one sheet per foot, in two views: foot side up (seen from above: "
    "cut, grind, placement lines) and shoe side up (seen from below: the letters). Layers: CUT, "
    "GRIND, ENGRAVE, PEN, NOTE, see below. cut/sheet-...: sheets of stock, foot side up, parts of "
    "one material and thickness close together and turned. cut/parts: each part alone. Cut each "
    "part from one of these files only.",
    "paper": "The bench page to work from, the 1:1 template, section gauges to cut from card "
    "and hold to a ground or moulded part, the report with pictures for the "
    "rider and parts to tick off, the whole plan.",
    "pictures": "Where pad and shims go.",
}
BENCH = (
    "Compare LEFT and RIGHT, arrow and thick edge on each part with the bench page before gluing.",
    "Flat side down on the printer. PLA never goes into a shoe.",
    "No foam with chlorine (neoprene, PVC) under a laser; keep dust and fumes out of your lungs.",
)
UNDER_SHOE = (
    "Under the shoe: firm solid plastic at 100 % infill, or metal; never PLA, EVA or cork. Bolts "
    "longer by the shim, the maker's torque, ten clip-ins and releases on a stand before riding."
)


def _readme(run: _Run, making: Path) -> str:
    """Return the text of the first file that a maker opens."""
    plan = run.plan
    cautions = list(plan.cautions)
    if not any("clinical advice" in caution for caution in cautions):
        cautions.insert(0, CLINICAL)
    kerf = f"a kerf of {run.settings.kerf:g} mm" if run.settings.kerf else "no kerf"
    made_ = readme.Making(
        plan=plan,
        parts=_as_made(run.parts, run.settings, plan),
        materials=run.settings.materials,
        layers=_layers(run.parts, run.settings, plan) if run.nested else {},
        sheets=run.nested,
        plates=_plate_files(run.parts, run.settings, folder_name(plan)),
        tag=folder_name(plan),
    )
    bench = [*BENCH, *[UNDER_SHOE for part in run.parts if part.name == "under-shoe-shim"][:1]]
    rows = [
        f"{plan.case}, version {plan.version} (plan {fingerprint(plan)})",
        "",
        "All files are in millimetres; an STL holds no unit: read it as mm.",
        "Print papers at 100 %, without fitting to the page, and measure the 100 mm ruler first.",
        f"Outlines in cut/ allow for {kerf}.",
        *_block("Parts", [_part_row(part, run.settings.materials) for part in made_.parts]),
        *_block("What to make each part from", readme.routes(made_)),
        *_block("Order of work", readme.order(made_)),
        *_block("Glue the layers", readme.glue_rows(made_)),
        *_block("Printing", readme.print_rows(made_)),
        *_block("Materials", _material_rows(run, made_.parts)),
        *_block("Form for moulding", _form_rows(run)),
        *_block(
            "Folders",
            [f"{name}/  {text}" for name, text in ABOUT.items() if (making / name).is_dir()],
        ),
        *_block("Lines in the cut files", readme.LINE_ROWS if (making / "cut").is_dir() else ()),
        *_block("Sheets to cut", run.sheets),
        *_block("Mind", list(run.notes.values())),
        *_block(
            "Limits passed on purpose",
            [f"{o.limit}: {o.why} ({o.who}, {o.when})" for o in plan.overrides],
        ),
        *_block("At the bench", bench),
        *_block("Cautions", cautions),
    ]
    return "\n".join(rows) + "\n"


def _block(title: str, rows: Sequence[str]) -> list[str]:
    """Return a titled list, wrapped; nothing for no rows."""
    if not rows:
        return []
    wrapped = [
        textwrap.fill(row, 96, initial_indent="  ", subsequent_indent="      ") for row in rows
    ]
    return ["", title, *wrapped]


def _material_rows(run: _Run, parts: Sequence[Part]) -> list[str]:
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


def _form_rows(run: _Run) -> list[str]:
    """Return how to mould over the forms; nothing without one."""
    forms = [part for part in run.parts if part.name == FORM]
    return [*form_words(forms[0]), f"{capital(readme.MOULDED)}."] if forms else []


def _part_row(part: Part, materials: Materials) -> str:
    facts: Mapping[str, Any] = part.facts
    words = [f"{part.label}: {part.material}"]
    if "thickness" in facts:
        words.append(f"{facts['thickness']:g} mm thick")
    if "height" in facts:
        words.append(f"{facts['height']:.1f} mm high")
    if "words" in facts:
        words.append(str(facts["words"]))
    if "thick_edge" in facts:
        planned = facts.get("thick_edge_planned", facts["thick_edge"])  # as the papers say it
        words.append(f"thick edge {planned:.1f} mm")
    if facts.get("paper_only"):
        words.append(f"write on by hand: {', '.join(facts['paper_only'])}")
    words.append(str(amount(part, materials.find(part.material))))
    return ", ".join(words)


# ------------------------------------------------------------------ whole or not at all


@contextmanager
def _room(out: Path, name: str) -> Iterator[Path]:
    """Give an empty hidden folder in `out`; what is still there afterwards is removed."""
    made = _open_out(out)
    _sweep(out)
    making = out / f"{MAKING}{name}-{secrets.token_hex(4)}"
    lock = making.with_name(f"{making.name}.lock")
    handle = _hold(lock)
    try:
        making.mkdir()
        yield making
    finally:
        shutil.rmtree(making, ignore_errors=True)
        handle.close()
        lock.unlink(missing_ok=True)
        if made and not any(out.iterdir()):
            out.rmdir()


def _open_out(out: Path) -> bool:
    """Make the folder `out` if need be; return whether it was made."""
    if out.is_dir():
        return False
    if out.exists():
        raise FolderError(f"{out} is a file; choose a folder with --out")
    if not out.parent.is_dir():
        raise FolderError(f"there is no folder {out.parent}; make it or choose another --out")
    out.mkdir()
    return True


def _sweep(out: Path) -> None:
    """Remove what runs left behind that are no longer alive: nobody holds their lock."""
    for lock in out.glob(f"{MAKING}*.lock"):
        handle = lock.open("ab")
        if _locked(handle):
            shutil.rmtree(lock.with_suffix(""), ignore_errors=True)
            handle.close()
            lock.unlink(missing_ok=True)
        handle.close()
    for stray in out.glob(f"{MAKING}*"):
        if stray.is_dir() and not stray.with_name(f"{stray.name}.lock").exists():
            shutil.rmtree(stray, ignore_errors=True)


def _hold(lock: Path) -> IO[bytes]:
    """Return the open and locked file; taken anew if another run swept it in between."""
    for _ in range(5):
        handle = lock.open("ab")
        _locked(handle)  # where the file system knows no locks, nobody sweeps either
        if lock.exists() and lock.stat().st_ino == os.fstat(handle.fileno()).st_ino:
            return handle
        handle.close()
    return lock.open("ab")


def _locked(handle: IO[bytes]) -> bool:
    """Return whether this process now holds the lock on an open file."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _publish(making: Path, final: Path, say: Callable[[str], None]) -> None:
    """Put the finished folder in its place, unless the version is there already."""
    if not final.exists():
        _sync(making)
        try:
            _move(making, final)
        except FileExistsError:
            pass  # another run was faster: compare with what it wrote
        else:
            _sync_folder(final.parent)
            return
    same = (final / MANIFEST).is_file() and _sha256(final / MANIFEST) == _sha256(making / MANIFEST)
    if same and not check_folder(final):
        say(f"{final.name} is there with the same content and is kept as it is")
        return
    raise FolderError(
        f"{final} exists with other content; give the plan a new version (--version N) or choose "
        "another --out"
    )


def _move(making: Path, final: Path) -> None:
    """Rename; on Windows a virus scanner may still have a new file open for a moment."""
    for wait in (0.1, 0.3, 1.0, None):
        try:
            os.rename(making, final)
            return
        except PermissionError:
            if wait is None or sys.platform != "win32" or final.exists():
                raise
            time.sleep(wait)
        except OSError as error:
            if final.exists():
                raise FileExistsError(*error.args) from None
            raise


def _sync(folder: Path) -> None:
    """Have every file and folder on the disk, not only in memory."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("r+b") as file:
                os.fsync(file.fileno())
        else:
            _sync_folder(path)
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    if sys.platform != "win32":  # Windows opens no folders; its rename is in the journal
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
