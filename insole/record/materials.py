"""The table of materials: density, hardness, what each is for, how it is printed or cut.

    materials.toml -> Materials (insole.record.material_file) -> planning, parts, papers

A plan names a material by a word (``wedge-tpu``); what may go where is decided when parts are made
(:mod:`insole.parts.materials`).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from insole.errors import PlanError

__all__ = ["BAR_MM", "CHLORINE", "PLA", "PLACES", "PRIMED", "Figure", "Material", "Materials"]

BAR_MM = (100.0, 100.0, 20.0)  # the calibration bar between its calliper faces: x, y, step in z
PLACES = ("pad", "wedge", "base", "contour", "cover", "form", "under-shoe")
# whole words, wherever digits, dashes or underscores join them to others
PLA = re.compile(r"(?<![a-z])(r|c|ht)?pla(?![a-z])|polylact", re.IGNORECASE)
CHLORINE = re.compile(r"neoprene|(?<![a-z])pvc(?![a-z])|chlor", re.IGNORECASE)
# plastics to which contact cement holds only over a primer: common practice, no source
PRIMED = re.compile(
    r"(?<![a-z])(tpu|tpe|pp|pa ?\d*|pom)(?![a-z])|polyprop|polyamid|nylon", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A value with its unit, its range where it varies, and where it comes from."""

    value: float
    unit: str
    source: str
    low: float
    high: float

    def __str__(self) -> str:
        """Return value or range with the unit."""
        if self.high > self.low:
            return f"{self.low:g} to {self.high:g} {self.unit}"
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """One material.

    Attributes
    ----------
    name : str
        The word by which parts name it.
    words, kind : str
        What it is; the plastic, foam or metal itself.
    places : tuple of str
        What it may be used for.
    process : str
        ``"print"``, ``"cut"`` or ``"both"``.
    density : Figure
        g/cm3 of the solid, or of the foam as bought.
    hardness : Figure or None
        Shore A or Shore D.
    infill, wall : Figure or None
        Share of the inside that is filled and thickness of the solid skin, mm, when printed.
    advice, fixing : str
        How to make a part of it, and how to fix the part.
    cautions : tuple of str
        What to mind; what its kind asks for is added by the table.
    measured : (float, float, float) or None
        The workshop's calibration bar as measured, mm.
    by_workshop : bool
        Whether the workshop's own file set any of this.
    """

    name: str
    words: str
    kind: str
    places: tuple[str, ...]
    process: str
    density: Figure
    hardness: Figure | None = None
    infill: Figure | None = None
    wall: Figure | None = None
    advice: str
    fixing: str
    cautions: tuple[str, ...] = ()
    measured: tuple[float, float, float] | None = None
    by_workshop: bool = False

    @property
    def scale(self) -> tuple[float, float, float]:
        """Factors on x, y, z of print files that make the printed part come out right."""
        if self.measured is None:
            return (1.0, 1.0, 1.0)
        x, y, z = (wanted / got for wanted, got in zip(BAR_MM, self.measured, strict=True))
        return (round(x, 6), round(y, 6), round(z, 6))

    def is_kind(self, pattern: re.Pattern[str]) -> bool:
        """Return whether name, kind or words name a kind."""
        return any(pattern.search(text) for text in (self.name, self.kind, self.words))


@dataclass(frozen=True, slots=True, kw_only=True)
class Materials(Mapping[str, Material]):
    """All materials by their word; a read-only mapping."""

    entries: Mapping[str, Material]

    def __getitem__(self, name: str) -> Material:
        """Return one material.

        Raises
        ------
        KeyError
            There is none of that name; :meth:`find` says so in a sentence.
        """
        return self.entries[name]

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names, in the order of the file."""
        return iter(self.entries)

    def __len__(self) -> int:
        """Return how many materials there are."""
        return len(self.entries)

    def find(self, name: str, what: str = "") -> Material:
        """Return one material by its word.

        Raises
        ------
        PlanError
            There is none; names the nearest and how to add one.
        """
        if name in self.entries:
            return self.entries[name]
        near = difflib.get_close_matches(name, self.entries, n=1)
        hint = f"the nearest is '{near[0]}'" if near else f"choose one of {', '.join(self.entries)}"
        raise PlanError(
            f"there is no material called '{name}'{f' ({what})' if what else ''}; {hint}, or add "
            "it to the workshop's file of materials"
        ).asking("materials")
