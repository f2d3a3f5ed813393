"""The parts of a plan: to look at, to check, to write one by one, or the whole folder.

    Plan -> build -> BuiltParts (left, right) -> FootParts -> BuiltPart -> .stl .3mf .step .dxf .svg
    Plan -> make -> the folder that ``solewright make`` writes

Worn frame: the part as it is worn, seen from above, +x forward, z = 0 towards the shoe, mm. On a
right part the big-toe side is at +y, on a left part at -y.
"""

from __future__ import annotations

import difflib
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from insole import workflow
from insole.errors import OutputError, PlanError, RefusedError

if TYPE_CHECKING:
    from footscan.scan import Array, IntArray
    from insole.output.folder import Settings
    from insole.parts.form import FormWish
    from insole.parts.materials import Materials
    from insole.parts.part import Part
    from insole.planning.plan import Plan

__all__ = ["BuiltPart", "BuiltParts", "FootParts", "build", "make", "thick_edges"]

SIZES_MM = (40.0, 2000.0)  # of a printer's bed or a sheet
MOST_KERF_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BuiltPart:
    """One solid, as it is worn.

    Attributes
    ----------
    part : Part
        All that is known of it.
    case, version
        Of the plan.
    plan_id : str
        12 hex digits that change whenever the plan does.
    """

    part: Part
    case: str
    version: int
    plan_id: str

    @property
    def name(self) -> str:
        """``"base"``, ``"arch-pad"``, ``"forefoot-shim"`` and so on."""
        return self.part.name

    @property
    def side(self) -> Literal["left", "right"]:
        """The foot it is for."""
        return "left" if self.part.side.value == "left" else "right"

    @property
    def label(self) -> str:
        """Side and name, as in file names."""
        return self.part.label

    @property
    def material(self) -> str:
        """Word of the material table."""
        return self.part.material

    @property
    def vertices(self) -> Array:
        """Corners, shape (n, 3), worn frame, mm."""
        return self.part.vertices

    @property
    def faces(self) -> IntArray:
        """Triangles, shape (m, 3), seen from outside counter-clockwise."""
        return self.part.faces

    @property
    def outline(self) -> Array:
        """Cut line, shape (k, 2), counter-clockwise, worn frame, mm."""
        return self.part.outline

    @property
    def volume(self) -> float:
        """Volume with letters and grooves cut, mm3."""
        return self.part.volume - float(self.part.facts.get("engraved_volume", 0.0))

    def write(self, path: str | Path, *, materials: str | Path | Materials | None = None) -> Path:
        """Write the part, read it back, and return the path.

        Parameters
        ----------
        path : path
            ``.stl`` or ``.3mf`` for the printer, ``.step`` for CAD, ``.dxf`` or ``.svg`` for the
            cutter; mm. What is there is replaced, once the new file has been read back.
        materials : path or Materials, optional
            The workshop's own table; its calibration bar scales ``.stl`` and ``.3mf``.

        Raises
        ------
        insole.OutputError
            The suffix is none of these, the file cannot be written or does not read back the same.
        insole.PartError
            The part has no exact solid for STEP.
        """
        path = Path(path)
        writer = _WRITERS.get(path.suffix.lower())
        if writer is None:
            raise OutputError(f"{path.name}: a part is written as {', '.join(_WRITERS)}; end it so")
        entry = _materials(materials).get(self.material)
        scale = (1.0, 1.0, 1.0) if entry is None else entry.scale
        try:
            with tempfile.TemporaryDirectory(prefix=".part-", dir=path.parent) as folder:
                made = Path(folder) / path.name
                writer(made, self, scale)
                os.replace(made, path)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise OutputError(f"{path} cannot be written: {reason}") from None
        return path


class FootParts(Mapping[str, BuiltPart]):
    """The parts of one foot, by name; a part that the plan does not have is an error that says so.

    ``base``, ``pad``, ``bed`` (contoured), ``dowels``, ``forefoot_shim``, ``heel_shim``,
    ``under_shoe_shim`` are the usual ones; ``parts["arch-pad"]`` finds any by name.
    """

    def __init__(self, side: str, parts: Sequence[BuiltPart], why: Mapping[str, str]) -> None:
        self.side, self._parts, self._why = side, {one.name: one for one in parts}, dict(why)

    def __getitem__(self, name: str) -> BuiltPart:
        """Return a part by name.

        Raises
        ------
        KeyError
            The plan has none of that name.
        """
        return self._parts[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._parts)

    def __len__(self) -> int:
        return len(self._parts)

    def part(self, name: str) -> BuiltPart:
        """Return a part by name.

        Raises
        ------
        insole.PlanError
            The plan has none of that name; says why, or which there are.
        """
        if name in self._parts:
            return self._parts[name]
        because = self._why.get(name, "")
        near = difflib.get_close_matches(name, self._parts, n=1)
        hint = (
            because
            or (f"did you mean {near[0]!r}?" if near else "")
            or (f"it has {', '.join(self._parts) or 'no part'}")
        )
        raise PlanError(f"the plan has no {name} for the {self.side} foot: {hint}")

    @property
    def base(self) -> BuiltPart:
        """The footbed blank."""
        return self.part("base")

    @property
    def pad(self) -> BuiltPart:
        """The arch pad."""
        return self.part("arch-pad")

    @property
    def bed(self) -> BuiltPart:
        """The contoured bed in one piece."""
        return self.part("contoured-bed")

    @property
    def dowels(self) -> BuiltPart:
        """The dowels that place the pad."""
        return self.part("dowels")

    @property
    def forefoot_shim(self) -> BuiltPart:
        """The wedge inside at the forefoot."""
        return self.part("forefoot-shim")

    @property
    def heel_shim(self) -> BuiltPart:
        """The wedge inside at the heel."""
        return self.part("heel-shim")

    @property
    def under_shoe_shim(self) -> BuiltPart:
        """The wedge under the shoe."""
        return self.part("under-shoe-shim")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BuiltParts:
    """The parts of a plan, foot by foot.

    Attributes
    ----------
    feet : mapping
        Parts per side, ``"left"`` first.
    doubts : tuple of str
        What the checks before making found doubtful, a sentence each.
    """

    feet: Mapping[str, FootParts]
    doubts: tuple[str, ...]

    def __iter__(self) -> Iterator[BuiltPart]:
        for foot in self.feet.values():
            yield from foot.values()

    @property
    def left(self) -> FootParts:
        """The left foot's parts; :class:`insole.PlanError` where none are planned."""
        return self._of("left")

    @property
    def right(self) -> FootParts:
        """The right foot's parts; :class:`insole.PlanError` where none are planned."""
        return self._of("right")

    def _of(self, side: str) -> FootParts:
        if side not in self.feet:
            raise PlanError(f"the plan has no {side} foot; it plans {', '.join(self.feet)} only")
        return self.feet[side]


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
    from insole.output.folder import Settings
    from insole.planning.plan import fingerprint
    from insole.planning.questions import decide

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
        for part in workflow.checked_parts(asked, settings, doubts.append)
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
    bed: tuple[float, float] = (220.0, 220.0),
    kerf: float = 0.0,
    sheet: tuple[float, float] = (600.0, 400.0),
    step: bool = False,
    layers: bool = False,
    materials: str | Path | Materials | None = None,
    form: bool = False,
    form_cover: float | None = None,
    form_relief: float | None = None,
    say: Callable[[str], None] = lambda sentence: None,
) -> Path:
    """Write parts, templates and papers, read them back, and return the new folder.

    The same files, byte for byte, as ``solewright make`` writes for the same plan and options.

    Parameters
    ----------
    plan : Plan
        As planned, or from :func:`insole.read_plan`.
    out : path
        Folder in which ``<case>-v<version>`` is made; the plan of a named case is kept there too.
    thick_edges_checked : bool
        The sentences of :func:`thick_edges` were read and are right; needed when there are wedges.
    bed, sheet : (float, float)
        Printer's bed, sheets of stock, mm.
    kerf : float
        Width that the cutter takes away, mm, 0 to 5.
    step : bool
        STEP files as well (some seconds more).
    layers : bool
        Cut pads and inside shims as layers to glue.
    materials : path or Materials, optional
        The workshop's own materials and calibration bars.
    form, form_cover, form_relief
        Forms to mould a footbed over; cover and relief in mm.
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
    from insole.output.folder import Settings

    edges = workflow.thick_edges(plan)
    if edges and not thick_edges_checked:
        raise RefusedError(
            f"check the thick edges ({'; '.join(edges)}), and if they are right make again with "
            "thick_edges_checked=True; nothing was made"
        )
    if not 0.0 <= kerf <= MOST_KERF_MM:
        raise PlanError(f"kerf wants 0 to {MOST_KERF_MM:g} mm, not {kerf!r}")
    settings: Settings = Settings(
        bed=_size("bed", bed), kerf=float(kerf), sheet=_size("sheet", sheet), step=step,
        layers=layers, materials=_materials(materials),
        form=_form(form, form_cover, form_relief),
    )  # fmt: skip
    home = Path(out)
    workflow.refuse_other_plan(plan, home)
    folder = workflow.make(plan, home, settings=settings, say=say)
    workflow.keep_plan(plan, home)
    return folder


def thick_edges(plan: Plan) -> list[str]:
    """Return each wedge in words, with its thick side: to be looked at before parts are made."""
    return workflow.thick_edges(plan)


def _size(name: str, size: Sequence[float]) -> tuple[float, float]:
    low, high = SIZES_MM
    try:
        width, depth = (float(one) for one in size)
    except (TypeError, ValueError):
        width = depth = 0.0
    if not (low <= width <= high and low <= depth <= high):
        raise PlanError(f"{name} wants two sizes in mm, {low:g} to {high:g} each, not {size!r}")
    return width, depth


def _materials(given: str | Path | Materials | None) -> Materials:
    from insole.parts import material_file as table

    if isinstance(given, str | Path):
        return table.load(given)
    return table.default_materials() if given is None else given


def _form(wanted: bool, cover: float | None, relief: float | None) -> FormWish | None:
    from insole.parts.form import FormWish

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


# ---- single files ------------------------------------------------------------------------


def _stl(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.printing import read_back_stl, write_stl

    write_stl(path, one.part, scale)
    read_back_stl(path, one.part, scale)


def _3mf(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.printing import read_back_3mf, write_3mf

    title = f"{one.case} v{one.version}"
    written = write_3mf(path, [one.part], title=title, plan_id=one.plan_id, scale=scale)
    read_back_3mf(written, [one.part], scale)


def _step(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.printing import read_back_step, write_step

    write_step(path, one.part)
    read_back_step(path, one.part)


def _dxf(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.cutting import read_back_dxf, write_dxf

    write_dxf(path, [one.part], note=f"{one.case} v{one.version}")
    read_back_dxf(path, [one.part])


def _svg(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.cutting import read_back_svg, write_svg

    write_svg(path, [one.part], note=f"{one.case} v{one.version}")
    read_back_svg(path, [one.part])


_WRITERS: dict[str, Callable[[Path, BuiltPart, Any], None]] = {
    ".stl": _stl, ".3mf": _3mf, ".step": _step, ".dxf": _dxf, ".svg": _svg,
}  # fmt: skip
