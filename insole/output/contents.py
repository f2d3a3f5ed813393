"""What stands in a folder: every file with who writes it and who reads it back."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from insole.errors import OutputError, RefusedError
from insole.output import readme
from insole.output.cut import checked, nesting, sheets, written
from insole.output.print import printing, threemf
from insole.output.print.plates import lay_out
from insole.output.settings import Settings, folder_name
from insole.parts import laminations
from insole.parts.form_upper import FORM
from insole.parts.materials import check_use
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.materials import Materials
from insole.record.plan import Plan, fingerprint

__all__ = [
    "Item", "as_made", "bed_for", "items", "layers_of", "pieces_of", "plate_files", "scale_for",
    "without_forms",
]  # fmt: skip

DOWELS = "dowels"


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


def items(plan: Plan, parts: Sequence[Part], settings: Settings) -> list[Item]:
    """Return everything that is written for a plan but STEP files, readme and manifest.

    File names end in case and version, so that a file alone still tells what it belongs to.
    """
    tag = folder_name(plan)
    worn = without_forms(parts)
    pieces = pieces_of(parts, settings, plan)
    return [
        *_print_items(plan, parts, settings, tag),
        *_cut_items([part for part in worn if "print_only" not in part.facts], settings, tag),
        *_part_items(pieces, settings, tag),
        *_sheet_items(pieces, settings, tag),
        *_paper_items(plan, worn, settings, tag, [part for part in parts if part.name == FORM]),
    ]


def without_forms(parts: Sequence[Part]) -> list[Part]:
    """Return what is worn: a form is neither cut nor drawn on papers, and has no exact solid."""
    return [part for part in parts if part.name != FORM]


def as_made(parts: Sequence[Part], settings: Settings, plan: Plan) -> list[Part]:
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


def layers_of(parts: Sequence[Part], settings: Settings, plan: Plan) -> dict[str, list[Part]]:
    """Return the layers of each part that is built up, by its label, if wished."""
    if not settings.layers:
        return {}
    coarse = plan.limits.get("wedge.lamination", laminations.COARSE_MM)
    fine = min(laminations.FINE_MM, coarse)
    tag = folder_name(plan)
    return {
        part.label: laminations.layers(part, coarse, fine, tag=tag)
        for part in as_made(parts, settings, plan)
        if part.name in laminations.LAYERED and not readme.only_printed(part, settings.materials)
    }


def pieces_of(parts: Sequence[Part], settings: Settings, plan: Plan) -> list[Part]:
    """Return what is cut from sheet one by one: layers in place of what is built up."""
    made = as_made(without_forms(parts), settings, plan)
    layers = layers_of(parts, settings, plan)
    found: list[Part] = []
    for part in made:
        if not readme.only_printed(part, settings.materials):
            found += layers.get(part.label, [part])
    return found


def _print_items(plan: Plan, parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    title, plan_id = f"{plan.case}, version {plan.version}", fingerprint(plan)
    for name, mine in _plates(parts, settings):
        scale = scale_for(mine[0], settings)
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
        scale = scale_for(part, settings)
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
    worn = without_forms(parts)
    for material in sorted({part.material for part in worn}):
        mine = [part for part in worn if part.material == material and part.name != DOWELS]
        if mine:
            plates = lay_out(mine, bed_for(mine[0], settings))
            alone = all(plate.name.endswith("-base") for plate in plates)
            yield material.removeprefix("base-" if alone else ""), mine
        if dowels := [part for part in worn if part.material == material and part.name == DOWELS]:
            yield f"{DOWELS}-{material}", dowels
    for part in parts:
        if part.name == FORM:
            yield f"{FORM}-{part.side.value}", [part]


def plate_files(parts: Sequence[Part], settings: Settings, tag: str) -> dict[str, str]:
    """Return the 3MF file that holds each part, by its label."""
    found: dict[str, str] = {}
    for name, mine in _plates(parts, settings):
        for plate in lay_out(mine, bed_for(mine[0], settings)):
            stem = f"{plate.name}-{name}" if plate.name else name
            found |= {part.label: f"print/{stem}-{tag}.3mf" for part in plate.parts}
    return found


def bed_for(part: Part, settings: Settings) -> tuple[float, float]:
    """Return the bed's room for parts of a material, before they are scaled."""
    x, y, _ = scale_for(part, settings)
    return settings.bed[0] / x, settings.bed[1] / y


def scale_for(part: Part, settings: Settings) -> printing.Scale:
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
