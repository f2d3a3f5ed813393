"""How a workshop wants its files."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from footscan.typed import is_reserved
from insole.errors import InsoleError, PlanError
from insole.parts.finish import BevelWish, Finish, VentWish, bevel_wish, vent_wish
from insole.parts.form_upper import FormWish
from insole.record import stock as stocks
from insole.record.limits import default_limits
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.plan import Plan
from insole.record.stock import Stock

__all__ = ["FolderError", "Settings", "folder_name"]


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
    chosen : mapping
        Material by kind of part (``stock.KINDS``), in place of the plan's.
    stock : Stock or None
        What stands in the workshop; None: sheets as they are sold, one printer.
    dxf : str
        Version of DXF files, ``"R2010"`` or ``"R12"``.
    cover_pattern : float or None
        Covers are cut too, so many mm larger all round.
    laser_colours : bool
        Pure red, blue and black in cut files, as laser programs map them by habit.
    long_parts : str
        What becomes of a bed that fits no printer, one of ``stock.LONG_PARTS``; empty: it is said.
    glue_gap : float
        In the joint of a bed in two pieces, mm.
    bevel : BevelWish or None
        Along the underside's edge of bases.
    vents : VentWish or None
        Ventilation holes in bases and contoured beds.
    """

    bed: tuple[float, float] = (220.0, 220.0)
    kerf: float = 0.0
    sheet: tuple[float, float] = (600.0, 400.0)
    papers: tuple[str, ...] = ("a4", "letter")
    step: bool = False
    layers: bool = False
    materials: Materials = field(default_factory=default_materials)
    form: FormWish | None = None
    chosen: Mapping[str, str] = field(default_factory=dict)
    stock: Stock | None = None
    dxf: str = "R2010"
    laser_colours: bool = False
    cover_pattern: float | None = None
    long_parts: str = ""
    glue_gap: float = default_limits().value("joint.gap")
    bevel: BevelWish | None = None
    vents: VentWish | None = None

    def with_finish(
        self,
        *,
        long_parts: str | None = None,
        glue_gap: float | None = None,
        bevel: str | None = None,
        vents: str | None = None,
    ) -> Settings:
        """Return the settings with how parts are finished; what is left out is as the stock says.

        Raises
        ------
        PlanError
            A value is out of bounds or is none; says what to give.
        """
        low, high = (default_limits().value(f"joint.gap_{end}") for end in ("least", "most"))
        if glue_gap is not None and not low <= glue_gap <= high:
            raise PlanError(
                f"a glue gap of {glue_gap:g} mm is not possible; give {low:g} to {high:g}"
            )
        if long_parts and long_parts not in stocks.LONG_PARTS:
            raise PlanError(
                f"long parts are made {', '.join(stocks.LONG_PARTS)}, not {long_parts!r}"
            )
        own = self.stock
        usual = own.glue_gap if own is not None and own.glue_gap is not None else self.glue_gap
        return replace(
            self,
            long_parts=long_parts or (own.long_parts if own is not None else "") or self.long_parts,
            glue_gap=usual if glue_gap is None else float(glue_gap),
            bevel=bevel_wish(bevel) or self.bevel,
            vents=vent_wish(vents) or self.vents,
        )

    @property
    def finish(self) -> Finish:
        """What is asked of the parts beside the plan, and with which nozzles they are printed."""
        nozzles: dict[str, float] = {}
        if self.stock is not None and self.stock.printers:
            for material in self.materials.values():
                if able := self.stock.printers_of(material.name):
                    nozzles[material.name] = able[0].nozzle
        return Finish(bevel=self.bevel, vents=self.vents, nozzles=nozzles)

    def beds_of(self, material: str) -> list[tuple[float, float]]:
        """Return the beds that print a material, the largest first, mm."""
        found = self.stock.printers_of(material) if self.stock is not None else []
        return [printer.bed for printer in found] or [self.bed]

    @property
    def wished(self) -> dict[str, Any]:
        """The wishes of this time as data, for the manifest."""
        found: dict[str, Any] = {}
        if self.long_parts:
            found |= {"long_parts": self.long_parts, "glue_gap": self.glue_gap}
        if self.bevel is not None:
            found["bevel"] = {"width": self.bevel.width, "angle": self.bevel.angle}
        if self.vents is not None:
            found["vents"] = {"diameter": self.vents.diameter, "spacing": self.vents.spacing}
        if self.cover_pattern is not None:
            found["cover_pattern"] = self.cover_pattern
        return found

    def with_stock(
        self,
        file: str | Path | None,
        chosen: Sequence[str] | Mapping[str, str] = (),
        *,
        typed: Collection[str] = (),
    ) -> Settings:
        """Return the settings with a workshop's stock and the materials chosen for this time.

        Parameters
        ----------
        file : path or None
            Stock file.
        chosen : sequence of str or mapping
            ``KIND=NAME``, or names by kind; before the stock's own.
        typed : collection of str
            Which of ``bed``, ``kerf`` and ``sheet`` were given for this time: they go before the
            stock's.

        Raises
        ------
        PlanError
            The file cannot be used, or a kind or material is not known.
        """
        stock = stocks.read(file) if file is not None else None
        words = [f"{k}={v}" for k, v in chosen.items()] if isinstance(chosen, Mapping) else chosen
        names = {**(stock.parts if stock is not None else {}), **stocks.chosen(words)}
        for kind, name in names.items():
            self.materials.find(name, f"for {kind}")
        kerf = self.kerf
        if stock is not None and stock.kerf is not None and "kerf" not in typed:
            kerf = stock.kerf
        if stock is not None and "sheet" in typed:
            racks = tuple(replace(rack, size=self.sheet) for rack in stock.racks)
            stock = replace(stock, racks=racks)
        if stock is not None and "bed" in typed:
            printers = tuple(replace(one, bed=self.bed) for one in stock.printers)
            stock = replace(stock, printers=printers)
        return replace(self, stock=stock, chosen=names, kerf=kerf)

    def bed_of(self, material: str) -> tuple[float, float]:
        """Return the bed that prints a material, mm."""
        return (self.stock.bed(material) if self.stock is not None else None) or self.bed

    @property
    def prints(self) -> bool:
        """Whether the workshop has a printer, as far as it said."""
        return self.stock is None or bool(self.stock.printers)

    @property
    def mills(self) -> bool:
        """Whether it may have a mill: it said nothing, or has blocks."""
        return self.stock is None or bool(self.stock.blocks)

    @property
    def cuts(self) -> bool:
        """Whether it has a cutter that reads files, as far as it said."""
        return self.stock is None or self.stock.kerf is not None


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
