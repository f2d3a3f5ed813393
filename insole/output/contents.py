"""What stands in a folder: every file with who writes it and who reads it back."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.output.cut import checked, nesting, sheets, written
from insole.output.made import MadeParts, made_parts
from insole.output.print import printing, threemf
from insole.output.print.plates import fits, lay_out
from insole.output.settings import Settings, folder_name
from insole.parts.contour import BEDS
from insole.parts.facts import DowelFacts
from insole.parts.form_upper import FORMS
from insole.parts.part import Part
from insole.record.materials import Materials
from insole.record.plan import Plan, fingerprint

__all__ = [
    "Item",
    "bed_for",
    "bed_of",
    "has_mesh",
    "items",
    "may_print",
    "plate_files",
    "scale_for",
]

DOWELS = "dowels"
SHAPED = (*BEDS, "arch-pad", "metatarsal-pad")  # tops that a mill can make


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


def items(
    plan: Plan, parts: Sequence[Part], settings: Settings, made: MadeParts | None = None
) -> list[Item]:
    """Return everything that is written for a plan but STEP files, readme and manifest.

    File names end in case and version, so that a file alone still tells what it belongs to. What
    the workshop has no machine for is left out.
    """
    tag = folder_name(plan)
    made = made or made_parts(plan, parts, settings)
    flat = [part for part in made.worn if not isinstance(part.facts, DowelFacts)]
    cut = [
        *_cut_items(flat, settings, tag),
        *_part_items(made.pieces, settings, tag),
        *_sheet_items(made.pieces, settings, tag),
    ]
    return [
        *_print_items(plan, made.parts, settings, tag),
        *(cut if settings.cuts else []),
        *paper_items(plan, made, settings, tag),
    ]


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
                bed=bed_of(mine, settings),
                scale=scale,
            ),
            check=partial(threemf.read_back_3mf, parts=mine, scale=scale),
        )
    for part in parts:
        if not has_mesh(part, settings):
            continue
        scale = scale_for(part, settings)
        yield Item(
            path=f"print/{part.label}-{tag}.stl",
            write=partial(printing.write_stl, part=part, scale=scale),
            check=_one(printing.read_back_stl, part=part, scale=scale),
        )


def _plates(parts: Sequence[Part], settings: Settings) -> Iterator[tuple[str, list[Part]]]:
    """Yield what goes into one 3MF file, with its name.

    A material's parts go together; dowels are small and alike, and each form is alone. A plate
    of a single base is named for it, and the material's word need not say base again. What nobody
    prints, such as foam, is in none.
    """
    if not settings.prints:
        return
    able = [part for part in parts if may_print(part, settings.materials)]
    worn = [part for part in able if part.name not in FORMS]
    for material in sorted({part.material for part in worn}):
        mine = [part for part in worn if part.material == material and part.name != DOWELS]
        if mine:
            plain = material.removeprefix("base-")
            if plain != material:
                plates = lay_out(mine, bed_for(mine, settings))
                plain = plain if all(plate.name.endswith("-base") for plate in plates) else material
            yield plain, mine
        if dowels := [part for part in worn if part.material == material and part.name == DOWELS]:
            yield f"{DOWELS}-{material}", dowels
    for part in able:
        if part.name in FORMS:
            yield f"{part.name}-{part.side.value}", [part]


def may_print(part: Part, materials: Materials) -> bool:
    """Return whether a part's material is printed at all."""
    material = materials.get(part.material)
    return material is None or material.process != "cut"


def has_mesh(part: Part, settings: Settings) -> bool:
    """Return whether a part gets an STL: it is printed or milled, here or elsewhere, or may be.

    Nobody wants one of what is only cut, such as a cover, nor of anything that is cut in a
    workshop without a printer or a mill.
    """
    if part.way is None or part.way.how in ("print", "mill"):
        return True
    if part.name in SHAPED and (settings.prints or settings.mills):
        return True  # a foam pad is milled, or printed of its kin
    return settings.prints and may_print(part, settings.materials)


def plate_files(parts: Sequence[Part], settings: Settings, tag: str) -> dict[str, str]:
    """Return the 3MF file that holds each part, by its label."""
    found: dict[str, str] = {}
    for name, mine in _plates(parts, settings):
        for plate in lay_out(mine, bed_for(mine, settings)):
            stem = f"{plate.name}-{name}" if plate.name else name
            found |= {part.label: f"print/{stem}-{tag}.3mf" for part in plate.parts}
    return found


def bed_of(parts: Sequence[Part], settings: Settings) -> tuple[float, float]:
    """Return the bed that parts of one material are laid out on: the one that most of them fit."""
    x, y, _ = scale_for(parts[0], settings)
    beds = settings.beds_of(parts[0].material)
    if len(beds) == 1:
        return beds[0]
    factors = np.array([x, y])
    return max(beds, key=lambda bed: sum(fits(p.vertices[:, :2] * factors, bed) for p in parts))


def bed_for(parts: Sequence[Part], settings: Settings) -> tuple[float, float]:
    """Return that bed's room for parts of a material, before they are scaled."""
    x, y, _ = scale_for(parts[0], settings)
    bed = bed_of(parts, settings)
    return bed[0] / x, bed[1] / y


def scale_for(part: Part, settings: Settings) -> printing.Scale:
    """Return the factors against shrinkage; a word that the table does not know has none."""
    material = settings.materials.get(part.material)
    return printing.AS_IT_IS if material is None else material.scale


def _style(settings: Settings) -> written.Style:
    return written.Style(dxf=settings.dxf, laser=settings.laser_colours)


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
                    write=partial(writer, note=tag, style=_style(settings), **how),
                    check=_one(reader, **how),
                )


def _part_items(parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    for part in parts:
        how: dict[str, Any] = {"parts": [part], "kerf": settings.kerf}
        yield Item(
            path=f"cut/parts/{part.label}-{tag}.dxf",
            write=partial(written.write_dxf, note=tag, style=_style(settings), **how),
            check=_one(checked.read_back_dxf, **how),
        )


def _sheet_items(parts: Sequence[Part], settings: Settings, tag: str) -> Iterator[Item]:
    nested = nesting.nest(parts, size=settings.sheet, kerf=settings.kerf, stock=settings.stock)
    for sheet in nested.sheets:
        for suffix in (".dxf", ".svg"):
            yield Item(
                path=f"cut/{sheet.name}-{tag}{suffix}",
                write=partial(
                    sheets.write, sheet=sheet, kerf=settings.kerf, note=tag, style=_style(settings)
                ),
                check=_one(sheets.read_back, sheet=sheet, kerf=settings.kerf),
            )


def paper_items(plan: Plan, made: MadeParts, settings: Settings, tag: str) -> Iterator[Item]:
    from insole.output.papers import bench, gauges, pieces, template
    from insole.output.papers import plan_page as report
    from insole.output.papers import report as rider
    from insole.output.pictures import plan_view as pictures

    parts, table = made.parts, settings.materials
    papers: dict[str, Callable[[Path], None]] = {
        f"paper/template-{paper}-{tag}.pdf": partial(
            template.write_template, plan=plan, parts=made.worn, paper=paper
        )
        for paper in settings.papers
    }
    papers[f"paper/bench-page-{tag}.pdf"] = partial(bench.write_bench_page, plan=plan, parts=parts)
    papers[f"paper/plan-{tag}.pdf"] = partial(
        report.write_plan_page, plan=plan, parts=parts, materials=table
    )
    papers[f"paper/report-{tag}.pdf"] = partial(
        rider.write_report, plan=plan, parts=parts, materials=table
    )
    if cut := pieces.pieces_on_paper(made):
        papers[f"paper/pieces-{tag}.pdf"] = partial(
            pieces.write_pieces, plan=plan, pieces=cut, below=pieces.undersides(made)
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
