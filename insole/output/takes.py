"""Which file to take for which machine of the workshop, part by part.

Making, Settings, folder -> takes -> the first page
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from insole.output.contents import bed_of, may_print
from insole.output.long_parts import larger_words
from insole.output.readme import Making
from insole.output.settings import Settings
from insole.parts.contour import BEDS, CONTOUR
from insole.parts.facts import joint_of
from insole.parts.form_upper import FORMS
from insole.parts.part import Part

__all__ = ["Take", "takes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """A machine or tool, in words, and the file for it, inside the folder; what is first is best.

    `made` says whether the part is made from it here: all others hold the same part once more.
    """

    machine: str
    file: str
    made: bool = False


def takes(making: Making, settings: Settings, folder: Path, part: Part) -> list[Take]:
    """Return the files of a part by machine, the one to make it from first.

    Parameters
    ----------
    making : Making
        What is made from which files.
    settings : Settings
        Machines of the workshop.
    folder : Path
        The folder as it stands: only files that are there are named.
    part : Part
        Worn, as it is made.
    """
    able = [
        *_printed(making, settings, part),
        *_milled(making, settings, part),
        *_cut(making, part),
        *_by_hand(making, part),
        Take(machine="CAD", file=f"solid/{part.label}-{making.tag}.step"),
    ]
    there = [take for take in able if (folder / take.file).is_file()]
    return sorted(there, key=lambda take: not take.made)


def _printed(making: Making, settings: Settings, part: Part) -> list[Take]:
    if not may_print(part, making.materials):
        return []
    here = making.printed(part) and settings.prints
    stl = f"print/{part.label}-{making.tag}.stl"
    found = []
    if (plate := making.plates.get(part.label)) is not None:
        larger = larger_words(part, settings)
        machine = f"no printer here, it needs {larger}" if larger else _printer(settings, part)
        found.append(Take(machine=machine, file=plate, made=here))
    words = "other slicing programs" if found else "a printer elsewhere"
    return [*found, Take(machine=words, file=stl, made=making.printed(part) and not found)]


def _printer(settings: Settings, part: Part) -> str:
    """Return the printer that a part's plate is laid out for, in words."""
    bed = bed_of([part], settings)
    size = f"{bed[0]:g} x {bed[1]:g} mm"
    known = settings.stock.printers_of(part.material) if settings.stock is not None else []
    name = next((printer.name for printer in known if printer.bed == bed), "")
    return f"printer {name}, {size}" if name and name != "printer" else f"printer {size}"


def _milled(making: Making, settings: Settings, part: Part) -> list[Take]:
    way = part.way.how if part.way is not None else ""
    if (
        part.name in FORMS
        or part.name not in (*BEDS, "arch-pad")
        or joint_of(part.facts) is not None
    ):
        return []
    if way != "mill" and not (settings.stock is not None and settings.stock.blocks):
        return []
    stl = f"print/{part.label}-{making.tag}.stl"
    return [Take(machine="mill", file=stl, made=way == "mill")]


def _cut(making: Making, part: Part) -> list[Take]:
    if not making.cuts or making.printed(part):
        return []
    found = making.sheets_of(part)
    kind = "grinder" if part.way is not None and part.way.how == "grind" else ""
    machine = " and ".join(filter(None, ("cutter", kind)))
    single = f"cut/parts/{part.label}-{making.tag}.dxf"
    made = part.way is not None and part.way.how != "mill"
    return [
        *[Take(machine=machine, file=file, made=made) for file in found],
        Take(machine="cutter, this part alone", file=single, made=made and not found),
    ]


def _by_hand(making: Making, part: Part) -> list[Take]:
    """Return the paper that scissors or a knife follow."""
    printed = making.printed(part)
    sheet = part.label in making.larger and part.facts.thickness  # a flat part that fits no printer
    if printed and joint_of(part.facts) is None and not sheet:
        return []
    if joint_of(part.facts) is not None:
        words = "lay the two pieces on it to glue"
        return [Take(machine=words, file=f"paper/template-a4-{making.tag}.pdf")]
    whole = part.name in ("base", CONTOUR, "cover")
    paper = "template-a4" if whole else "pieces"
    made = not making.cuts and not printed and not (part.way is not None and part.way.how == "mill")
    tool = f"knife, {sheet:g} mm sheet" if printed and sheet else "knife"
    return [Take(machine=tool, file=f"paper/{paper}-{making.tag}.pdf", made=made)]
