"""How a workshop wants its files."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from footscan.typed import is_reserved
from insole.errors import InsoleError
from insole.output.cut import nesting
from insole.parts.form_upper import FormWish
from insole.parts.part import Part
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.plan import Plan

__all__ = ["FolderError", "Run", "Settings", "folder_name"]


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


def folder_name(plan: Plan) -> str:
    """Return the name of the plan version's folder, allowed on every system.

    Examples
    --------
    >>> from tests.plans import sample_plan
    >>> folder_name(sample_plan(case="Rider 7/b"))
    'Rider-7-b-v1'
    """
    name = re.sub(r"[^\w.-]+", "-", plan.case).strip(".-") or "case"
    return f"{'case-' if is_reserved(name) else ''}{name}-v{plan.version}"


@dataclass(slots=True)
class Run:
    """What one call of :func:`write` is about."""

    plan: Plan
    parts: Sequence[Part]
    settings: Settings
    say: Callable[[str], None]
    notes: dict[str, str] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)
    nested: tuple[nesting.NestedSheet, ...] = ()
