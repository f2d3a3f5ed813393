"""From a plan to its parts: built in memory, or the whole folder as the bench gets it.

Plan -> build -> BuiltParts
Plan -> make -> the folder that ``solewright make`` writes
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from insole.door.parts import BuiltPart, BuiltParts, FootParts, materials_of
from insole.errors import PlanError, RefusedError
from insole.partner import Partner
from insole.workflow import keeping, making

if TYPE_CHECKING:
    from insole.parts.form_upper import FormWish
    from insole.record.materials import Materials
    from insole.record.plan import Plan

__all__ = ["build", "make", "thick_edges"]

SIZES_MM = (40.0, 2000.0)  # of a printer's bed or a sheet
MOST_KERF_MM = 5.0
MOST_COVER_MM = 20.0


def build(
    plan: Plan,
    *,
    side: Literal["left", "right"] | None = None,
    form: bool = False,
    form_cover: float | None = None,
    form_relief: float | None = None,
) -> BuiltParts:
    """Return the parts of a plan as solids, after the checks that come before making.

    Parameters
    ----------
    plan : Plan
    side : str, optional
        One foot only: half the time.
    form, form_cover, form_relief
        Forms to mould a footbed over as well; cover to be glued on and relief at tender spots, mm.

    Raises
    ------
    insole.RefusedError
        A stop answer without a clinician's word.
    insole.PartError
        A part cannot be made as a closed solid.
    insole.PlanError
        Forms are asked for and the plan keeps no sole, or the foot is not planned.
    """
    from insole.output.settings import Settings
    from insole.planning import sound
    from insole.record.plan import fingerprint
    from insole.record.questions import decide

    sound.check(plan)
    decide(plan.answers, plan.clinician)  # a plan on file is no way around a stop
    asked, own = plan, fingerprint(plan)
    if side is not None:
        if side not in ("left", "right") or getattr(plan, side) is None:
            raise PlanError(f"the plan has no {side} foot")
        asked = plan.model_copy(update={{"left": "right", "right": "left"}[side]: None})
    doubts: list[str] = []
    settings = Settings(form=_form(form, form_cover, form_relief))
    parts = [
        BuiltPart(part=part, case=plan.case, version=plan.version, plan_id=own)
        for part in making.checked_parts(asked, settings, doubts.append)
    ]
    feet: dict[str, FootParts] = {
        foot.side: FootParts(
            foot.side,
            [one for one in parts if one.side == foot.side],
            {"arch-pad": foot.no_pad_because} if foot.no_pad_because else {},
        )
        for foot in asked.feet
    }
    return BuiltParts(feet=feet, doubts=tuple(doubts))


def make(
    plan: Plan,
    out: str | Path = "parts",
    *,
    thick_edges_checked: bool = False,
    bed: tuple[float, float] | None = None,
    kerf: float | None = None,
    sheet: tuple[float, float] | None = None,
    step: bool = False,
    layers: bool = False,
    materials: str | Path | Materials | None = None,
    material: Mapping[str, str] | None = None,
    stock: str | Path | None = None,
    dxf: Literal["R2010", "R12"] = "R2010",
    cover_pattern: float | None = None,
    laser_colours: bool = False,
    form: bool = False,
    form_cover: float | None = None,
    form_relief: float | None = None,
    long_parts: Literal["two-pieces", "three-quarter", "whole"] | None = None,
    glue_gap: float | None = None,
    bevel: str | None = None,
    vents: str | None = None,
    no_stock: bool = False,
    say: Callable[[str], None] = lambda sentence: None,
) -> Path:
    """Write parts, templates and papers, read them back, and return the new folder.

    The same files, byte for byte, as ``solewright make`` writes for the same plan and options.

    Parameters
    ----------
    plan : Plan
        As planned, or from :func:`insole.read_plan`.
    out : path
        Folder in which ``<case>-v<version>`` is made; the plan of a named case is kept there too,
        or in the case next to it that keeps this plan already.
    thick_edges_checked : bool
        The sentences of :func:`thick_edges` were read and are right; needed when there are wedges.
    bed, sheet : (float, float), optional
        Printer's bed, sheets of stock, mm; above what the stock says. Without either 220 x 220
        and 600 x 400.
    kerf : float, optional
        Width that the cutter takes away, mm, 0 to 5; above what the stock says, else 0.
    step : bool
        STEP files as well (some seconds more).
    layers : bool
        Cut pads and inside shims as layers to glue.
    materials : path or Materials, optional
        The workshop's own materials and calibration bars.
    material : mapping, optional
        Material by kind of part, such as ``{"pad": "final-eva"}``.
    stock : path, optional
        What stands in the workshop: sheets, printers, blocks, cutter; ``stock.toml`` in
        ``~/.solewright`` when left out.
    dxf : str
        Version of DXF files.
    cover_pattern : float, optional
        Covers are cut too, so many mm larger all round, 0 to 20.
    laser_colours : bool
        Pure red, blue and black in cut files.
    form, form_cover, form_relief
        Forms to mould a footbed over; cover and relief in mm.
    long_parts, glue_gap
        What becomes of a full-length bed that fits no printer; gap in its joint, mm.
    bevel, vents : str, optional
        Bevel of bases as ``"MM@DEGREES"``, ventilation holes as ``"DIAMETER@DISTANCE"``, mm.
    no_stock : bool
        The workshop's own stock list is left aside.
    say : callable
        Gets one sentence at a time for the person waiting.

    Raises
    ------
    insole.RefusedError
        Thick edges that nobody checked, or a stop answer without a clinician's word.
    insole.InsoleError
        A part is not valid, a file does not read back the same, the folder holds another plan or
        cannot be written; nothing is left behind.
    """
    from insole.output.settings import Settings
    from insole.record.workshop import own_file

    edges = making.thick_edges(plan)
    if edges and not thick_edges_checked:
        raise RefusedError(
            f"check the thick edges ({'; '.join(edges)}), and if they are right make again with "
            "thick_edges_checked=True; nothing was made"
        )
    if kerf is not None and not 0.0 <= kerf <= MOST_KERF_MM:
        raise PlanError(f"kerf wants 0 to {MOST_KERF_MM:g} mm, not {kerf!r}")
    typed: dict[str, Any] = {
        name: _size(name, size)
        for name, size in (("bed", bed), ("sheet", sheet))
        if size is not None
    }
    if kerf is not None:
        typed["kerf"] = float(kerf)
    settings = Settings(
        **typed,
        step=step,
        layers=layers,
        materials=materials_of(materials),
        form=_form(form, form_cover, form_relief),
        dxf=dxf,
        laser_colours=laser_colours,
        cover_pattern=cover_pattern,
    )
    if cover_pattern is not None and not 0.0 <= cover_pattern <= MOST_COVER_MM:
        raise PlanError(f"cover_pattern wants 0 to {MOST_COVER_MM:g} mm, not {cover_pattern!r}")
    if dxf not in ("R2010", "R12"):
        raise PlanError(f"dxf wants 'R2010' or 'R12', not {dxf!r}")
    if stock is None and not no_stock:
        stock = own_file("stock")
    settings = settings.with_stock(stock, material or {}, typed=typed).with_finish(
        long_parts=long_parts, glue_gap=glue_gap, bevel=bevel, vents=vents
    )
    home = keeping.case_home(plan, Path(out))
    keeping.refuse_stopped(plan, home)
    keeping.refuse_other_plan(plan, home)
    with Partner(making.LOADED_TO_BUILD) as partner:
        folder = making.make(plan, Path(out), settings=settings, partner=partner, say=say)
    keeping.keep_plan(plan, home)
    return folder


def thick_edges(plan: Plan) -> list[str]:
    """Return each wedge in words, with its thick side: to be looked at before parts are made."""
    return making.thick_edges(plan)


def _size(name: str, size: Sequence[float]) -> tuple[float, float]:
    low, high = SIZES_MM
    try:
        width, depth = (float(one) for one in size)
    except (TypeError, ValueError):
        width = depth = 0.0
    if not (low <= width <= high and low <= depth <= high):
        raise PlanError(f"{name} wants two sizes in mm, {low:g} to {high:g} each, not {size!r}")
    return width, depth


def _form(wanted: bool, cover: float | None, relief: float | None) -> FormWish | None:
    from insole.parts.form_upper import FormWish

    if not wanted:
        if cover is not None or relief is not None:
            name = "form_cover" if cover is not None else "form_relief"
            raise PlanError(f"{name} says how a form is made; give form=True as well")
        return None
    usual = FormWish()
    return replace(
        usual,
        cover=usual.cover if cover is None else float(cover),
        relief=usual.relief if relief is None else float(relief),
    )
