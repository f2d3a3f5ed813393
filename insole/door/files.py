"""Files that a bench keeps: plans, shoes, answers.

path -> read_plan, read_shoe, read_answers;  new_shoe, question_sheet -> path
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from insole.workflow import plans

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.shoe.shoe import Shoe

__all__ = ["new_shoe", "question_sheet", "read_answers", "read_plan", "read_shoe", "shoe_library"]


def read_plan(path: str | Path, *, edited: bool = False) -> Plan:
    """Return the plan in a file that ``plan.write``, ``solewright plan`` or ``make`` wrote.

    `edited` takes one that was changed by hand since, and has every paper say so.

    Raises
    ------
    insole.PlanError
        The file is missing, too large, or not a plan.
    """
    return plans.read_plan(Path(path), edited=edited)


def read_shoe(path: str | Path) -> Shoe:
    """Return the shoe in a shoe file; lengths mm, angles degrees.

    Raises
    ------
    insole.PlanError
        The file cannot be read, or a key, unit or value is wrong: which, in one sentence.
    """
    from insole.shoe.shoe import load

    return load(path)


def shoe_library(folder: str | Path) -> tuple[list[Path], list[str]]:
    """Return the shoe files in a folder, and a sentence for each that cannot be used.

    Raises
    ------
    insole.PlanError
        There is no such folder.
    """
    from insole.shoe import file as shoe_file

    return shoe_file.library(Path(folder))


def new_shoe(
    path: str | Path, name: str, figures: Mapping[str, object], beside: Sequence[str | Path] = ()
) -> Shoe:
    """Write a new shoe file and return the shoe.

    Parameters
    ----------
    path : path
        Ends in ``.toml``; a file that is there is kept, and refused.
    name : str
        The workshop's own name for shoe and size.
    figures : mapping
        By key of the shoe file, such as ``{"inside.length": 278, "bed.drop": 14}``; mm, degrees.
    beside : sequence of path
        Files that the figures name (a scan of the bed, a traced outline): copied beside it.

    Raises
    ------
    insole.InsoleError
        A figure cannot be used, or the file cannot be written.
    """
    from insole.shoe import file as shoe_file

    return shoe_file.write_new(Path(path), name, figures, [Path(one) for one in beside])


def question_sheet(path: str | Path) -> Path:
    """Write the questions before parts as one page (PDF) to fill in, and return its path.

    Raises
    ------
    insole.InsoleError
        The file cannot be written.
    """
    from insole.output.papers import question_sheet as sheet

    sheet.write_sheet(Path(path))
    return Path(path)


def read_answers(path: str | Path) -> tuple[dict[str, str], str]:
    """Return the answers by question, and a clinician's word, from an answers file or filled page.

    Raises
    ------
    insole.PlanError
        The file cannot be read, or holds a question or answer that does not exist.
    """
    from insole.output.papers import question_sheet as sheet
    from insole.record.questions import read

    path = Path(path)
    return sheet.read_sheet(path) if path.suffix.lower() == ".pdf" else read(path)
