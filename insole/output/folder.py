"""The output folder of one plan version: written whole, read back, then put in its place.

    Plan, worn Parts -> write -> OUT/<case>-v<version>/ -> the bench

    print/     3MF plates by material, STL of each part; forms for moulding, if wished
    solid/     STEP of each part
    cut/       DXF and SVG of each foot, foot side up and shoe side up; cut/sheet-... sheets of
               stock with the parts of one material and thickness; cut/parts/ one part each
    paper/     1:1 template, section gauges, bench page, report with pictures, plan page (PDF)
    pictures/  where pad and shims go (PNG)
    plan.json, READ-ME-FIRST.txt and .pdf (parts in pictures), manifest.json (last)

Everything is made in a hidden folder beside the final one, which appears in one step. Whatever
goes wrong, no half folder is left; what a killed run left behind is swept by the next. A version
is never changed: the same content is kept as it is, other content is refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from footscan import files
from footscan.files import why
from insole import readback
from insole.errors import OutputError
from insole.output.contents import (
    Item,
    items,
    may_print,
    plate_files,
    scale_for,
)
from insole.output.cut import nesting
from insole.output.first_page import making_of, written_page
from insole.output.long_parts import fits_printer, need_words, needed_bed, ways_out
from insole.output.made import MadeParts, Run, kind_of, made_parts, recorded, to_buy
from insole.output.papers.first_sheet import write_first_sheet
from insole.output.papers.pages import read_back
from insole.output.print import printing, step
from insole.output.publishing import (
    MANIFEST,
    PLAN,
    README,
    check_folder,
    files_in,
    making_room,
    publish,
    sha256_of,
)
from insole.output.rack import with_rack
from insole.output.readme import Making
from insole.output.settings import FolderError, Settings, folder_name
from insole.partner import Asked, Partner
from insole.parts.cover import COVER
from insole.parts.facts import DowelFacts
from insole.parts.form_upper import why_not
from insole.parts.materials import of_part
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.plan import Plan, fingerprint, from_json, to_json

BESIDE = ("paper/", "pictures/")  # written by a partner beside files for printers and cutters,
NOT_BESIDE = "paper/pieces-"  # but for this one: it shows the lines that cut files are made of
READ_HERE, READ_BESIDE = ("cut-left", "cut-sheets"), ("cut-right", "paper")
FIRST_SHEET = "READ-ME-FIRST.pdf"  # the first page in pictures

__all__ = ["FolderError", "Settings", "folder_name", "write"]


def write(
    plan: Plan,
    parts: Sequence[Part],
    out: Path,
    *,
    settings: Settings | None = None,
    worker: step.StepWorker | None = None,
    writers: Sequence[Item] | None = None,
    partner: Partner | None = None,
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
    partner : Partner, optional
        Writes papers and pictures while this process writes files for printers and cutters.
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
    settings, partner = settings or Settings(), partner or Partner(wanted=False)
    made = made_parts(plan, parts, settings)
    run = Run(plan, made, settings, say, notes=dict(made.notes))
    labels = [part.label for part in parts]
    if len(set(labels)) != len(labels):
        raise ValueError(f"parts must have labels of their own, got {labels}")
    least = of_plan(plan).value("wedge.least_hardness")
    for part in made.parts:
        of_part(part, run.settings.materials, least_wedge=least)
    final = Path(out) / folder_name(plan)
    try:
        with making_room(Path(out), final.name) as making, ExitStack() as stack:
            # nobody writes into a folder that goes because something failed
            stack.push(lambda kind, *_: partner.close() if kind is not None else None)
            jobs = _steps(run, making)
            if jobs:
                worker = worker or step.StepWorker()
                stack.callback(worker.close)  # before the folder goes, should anything fail
                worker.submit(jobs)
            _note_large(run)
            if writers is None:
                _note_sheets(run)
            _note_forms(run)
            _note_vents(run)
            _write_plan(run, making)
            if writers is None:
                others = partner.ask(_write_beside, making, plan, settings, made)
                _write_items(making, _wanted(plan, settings, made, beside=False))
                others.result()
            else:
                _write_items(making, writers)
            read = _no_check if writers is not None else partial(readback.check, name=final.name)
            _finish(run, making, partner, worker if jobs else None, read)
            publish(making, final, say)
    except OSError as error:
        reason = why(error)
        raise FolderError(
            f"{final} cannot be written: {reason}; make room there or choose another folder"
        ).asking("out") from None
    return final


# ------------------------------------------------------------------ what is written


def _wanted(plan: Plan, settings: Settings, made: MadeParts, *, beside: bool) -> list[Item]:
    """Return what a partner writes, or everything else."""
    return [
        item
        for item in items(plan, made.parts, settings, made)
        if (item.path.startswith(BESIDE) and not item.path.startswith(NOT_BESIDE)) == beside
    ]


def _write_beside(making: Path, plan: Plan, settings: Settings, made: MadeParts) -> None:
    """Write and read back the partner's half."""
    _write_items(making, _wanted(plan, settings, made, beside=True))


def _write_items(making: Path, wanted: Sequence[Item]) -> None:
    """Write and read back each item."""
    for item in wanted:
        path = making / item.path
        path.parent.mkdir(parents=True, exist_ok=True)
        item.check(item.write(path) or [path])


def _note_large(run: Run) -> None:
    """Note which parts are larger than the bed."""
    for part in run.made.parts:
        if not run.settings.prints or not may_print(part, run.settings.materials):
            continue
        if fits_printer(part.vertices, part.material, run.settings):
            continue
        cure = f"{need_words(part, run.settings)}: {ways_out(part, run.settings)}"
        run.notes[f"print: {part.label}"] = cure


def _note_sheets(run: Run) -> None:
    """Note the sheets of stock to lay out, what is to buy, and which parts are on no sheet."""
    settings = run.settings
    nested = nesting.nest(
        run.made.pieces, size=settings.sheet, kerf=settings.kerf, stock=settings.stock
    )
    run.sheets = [sheet.words for sheet in nested.sheets]
    run.nested = nested.sheets
    for part in run.made.worn:
        material = settings.materials.find(part.material)
        stock = settings.stock  # who has no sheet wants none, and who has no printer is told below
        racks = stock is None or (stock.racks and stock.bed(part.material) is not None)
        if material.process == "print" and racks and not isinstance(part.facts, DowelFacts):
            run.notes[f"cut: {part.label}"] = (
                f"{part.label} is printed from {material.words.split(',')[0]}: no sheet; for sheet "
                f"stock choose a sheet material for the {kind_of(part)}"
            )
    for label, reason in nested.left_out.items():
        run.notes[f"cut: {label}"] = reason
    run.notes |= to_buy(run.made, nested.sheets, settings)
    run.notes |= with_rack(run.plan, run.made, settings)


def _note_vents(run: Run) -> None:
    """Note which parts got no hole although holes were asked for."""
    for part in run.made.parts:
        if part.facts.vents is not None and not part.facts.vents.places:
            run.notes[f"vents: {part.label}"] = (
                f"{part.label} has no room for ventilation holes outside heel, ball, arch crest "
                "and what is glued on: it was made without; smaller ones closer together may fit"
            )


def _note_forms(run: Run) -> None:
    """Note which feet get no form although forms were asked for."""
    if run.settings.form is not None:
        for foot in run.plan.feet:
            if reason := why_not(foot):
                run.notes[f"form: {foot.side}"] = reason


def _steps(run: Run, making: Path) -> list[tuple[Part, Path]]:
    """Return the STEP files to write."""
    if not run.settings.step:
        return []
    tag = folder_name(run.plan)
    (making / "solid").mkdir()
    return [
        (part, making / "solid" / f"{part.label}-{tag}.step")
        for part in run.made.parts
        if part.name != COVER
    ]


def _finish_steps(run: Run, making: Path, worker: step.StepWorker) -> None:
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


def _write_plan(run: Run, making: Path) -> None:
    """Write the plan, and the manifest without its list of files: what files are held against."""
    files.write_whole(making / PLAN, to_json(run.plan).encode())
    if from_json((making / PLAN).read_bytes()) != run.plan:
        raise OutputError(f"{PLAN} does not read back as the plan that was written")
    files.write_whole(making / MANIFEST, _manifest(run, making, ()).encode())


def _finish(
    run: Run,
    making: Path,
    partner: Partner,
    worker: step.StepWorker | None,
    read: Callable[..., None],
) -> None:
    """Write the first pages and, last of all, the whole manifest; have everything read meanwhile.

    First pages name the STEP files. While these are still made, whatever stands is read.
    """
    pictured = None if worker else _write_first_pages(run, making, partner)
    others = partner.ask(read, making, of=READ_BESIDE)
    read(making, of=READ_HERE)
    if worker is not None:
        _finish_steps(run, making, worker)
    if pictured is None:
        pictured = _write_first_pages(run, making, partner)
    pictured.result()
    read(making, of=("print",))
    others.result()
    _write_manifest(run, making)
    read(making, of=("whole",))


def _no_check(making: Path, *, of: Collection[str]) -> None:
    """Read nothing: others than the plan's files were asked for."""


def _write_first_pages(run: Run, making: Path, partner: Partner) -> Asked[None]:
    """Write the first page; it is drawn in pictures by the partner."""
    page = making_of(run)
    pictured = partner.ask(_write_first_sheet, page, run.settings, making)
    files.write_whole(making / README, written_page(run, page, making).encode())
    for sentence in (*run.notes.values(), *run.sheets):
        run.say(sentence)
    return pictured


def _write_manifest(run: Run, making: Path) -> None:
    """Write the manifest with the hash of every other file, and hold the folder against it."""
    names = [name for name in files_in(making) if name != MANIFEST]
    files.write_whole(making / MANIFEST, _manifest(run, making, names).encode())
    if faults := check_folder(making):
        raise OutputError(f"the folder does not read back as written: {faults[0]}")


def _write_first_sheet(page: Making, settings: Settings, making: Path) -> None:
    """Write and read back the first page in pictures."""
    write_first_sheet(making / FIRST_SHEET, page, settings, making)
    read_back(making / FIRST_SHEET)


def _manifest(run: Run, making: Path, names: Sequence[str]) -> str:
    """Return the manifest's text: what was made from what, and the hash of each file named."""
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
            "prints": settings.prints,
            **({"wished": settings.wished} if settings.wished else {}),
            **_scales(run),
        },
        **_large(run),
        "parts": {
            part.label: recorded(part, settings.materials)
            for part in sorted(run.made.parts, key=lambda part: part.label)
        },
        "notes": dict(sorted(run.notes.items())),
        "files": [
            {
                "path": name,
                "bytes": (making / name).stat().st_size,
                "sha256": sha256_of(making / name),
            }
            for name in names
        ],
    }
    return json.dumps(record, indent=1, ensure_ascii=False) + "\n"


def _large(run: Run) -> dict[str, dict[str, list[float]]]:
    """Return the plates that fit no printer here, with length, width and turned square, mm."""
    plates = plate_files(run.made.parts, run.settings, folder_name(run.plan))
    found = {
        plates[part.label]: list(needed_bed(part, run.settings))
        for part in run.made.parts
        if part.label in plates and not fits_printer(part.vertices, part.material, run.settings)
    }
    return {"larger": found} if found else {}


def _scales(run: Run) -> dict[str, dict[str, list[float]]]:
    """Return the factors of the materials whose print files were scaled; nothing without any."""
    factors = {part.material: scale_for(part, run.settings) for part in run.made.parts}
    scaled = {name: list(f) for name, f in sorted(factors.items()) if f != printing.AS_IT_IS}
    return {"scaled": scaled} if scaled else {}
