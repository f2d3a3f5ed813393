"""The parts of a plan: to look at, and to write one by one.

    BuiltParts (left, right) -> FootParts -> BuiltPart -> .stl .3mf .step .dxf .svg

Worn frame: the part as it is worn, seen from above, +x forward, z = 0 towards the shoe, mm. On a
right part the big-toe side is at +y, on a left part at -y.
"""

from __future__ import annotations

import difflib
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from footscan.files import why
from insole.errors import OutputError, PlanError

if TYPE_CHECKING:
    from footscan.scan import Array, IntArray
    from insole.parts.part import Part
    from insole.record.materials import Materials

__all__ = ["BuiltPart", "BuiltParts", "FootParts", "materials_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
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

    def __repr__(self) -> str:
        size = f"{self.material}, {self.volume / 1000:.1f} cm3"
        return f"<{self.label} of {self.case} v{self.version}: {size}>"

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
        return self.part.volume - self.part.facts.engraved.volume

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
        entry = materials_of(materials).get(self.material)
        scale = (1.0, 1.0, 1.0) if entry is None else entry.scale
        try:
            with tempfile.TemporaryDirectory(prefix=".part-", dir=path.parent) as folder:
                made = Path(folder) / path.name
                writer(made, self, scale)
                os.replace(made, path)
        except OSError as error:
            reason = why(error)
            raise OutputError(f"{path} cannot be written: {reason}") from None
        return path


class FootParts(Mapping[str, BuiltPart]):
    """The parts of one foot, by name; a part that the plan does not have is an error that says so.

    ``base``, ``pad``, ``metatarsal``, ``bed`` (contoured), ``dowels``, ``forefoot_shim``,
    ``heel_shim``, ``under_shoe_shim`` are the usual ones; ``parts["arch-pad"]`` finds any by name.
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

    def __repr__(self) -> str:
        return f"<{self.side} foot: {', '.join(self._parts) or 'no parts'}>"

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
    def metatarsal(self) -> BuiltPart:
        """The metatarsal pad, where it is a part of its own."""
        return self.part("metatarsal-pad")

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


def materials_of(given: str | Path | Materials | None) -> Materials:
    """Return the material table: the usual one, or changed by a workshop's own file."""
    from insole.record import material_file as table

    if isinstance(given, str | Path):
        return table.load(given)
    return table.default_materials() if given is None else given


# ---- single files ------------------------------------------------------------------------


def _stl(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.print.printing import read_back_stl, write_stl

    write_stl(path, one.part, scale)
    read_back_stl(path, one.part, scale)


def _3mf(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.print.threemf import read_back_3mf, write_3mf

    title = f"{one.case} v{one.version}"
    written = write_3mf(path, [one.part], title=title, plan_id=one.plan_id, scale=scale)
    read_back_3mf(written, [one.part], scale)


def _step(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.print.step import read_back_step, write_step

    write_step(path, one.part)
    read_back_step(path, one.part)


def _dxf(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.cut.checked import read_back_dxf
    from insole.output.cut.written import write_dxf

    write_dxf(path, [one.part], note=f"{one.case} v{one.version}")
    read_back_dxf(path, [one.part])


def _svg(path: Path, one: BuiltPart, scale: Any) -> None:
    from insole.output.cut.checked import read_back_svg
    from insole.output.cut.written import write_svg

    write_svg(path, [one.part], note=f"{one.case} v{one.version}")
    read_back_svg(path, [one.part])


_WRITERS: dict[str, Callable[[Path, BuiltPart, Any], None]] = {
    ".stl": _stl,
    ".3mf": _3mf,
    ".step": _step,
    ".dxf": _dxf,
    ".svg": _svg,
}
