"""What a workshop has: sheets in the rack, printers, blocks, the cutter, and what it makes of what.

    stock.toml -> read -> Stock -> insole.output: thicknesses, beds, kerf, what is to buy

The file holds what there is and nothing else; lengths are millimetres:

    [[sheet]]
    material = "trial-eva"
    thickness = [3, 5, 10]
    size = [600, 400]

    [[printer]]
    name = "the small one"
    bed = [220, 220]
    nozzle = 0.4
    materials = ["wedge-tpu", "base-pp"]     # left out: all that are printed

    [[block]]
    material = "final-eva"
    size = [320, 130, 45]

    [cutter]
    kerf = 0.15

    [parts]                                  # kind of part = word of the material table
    pad = "trial-eva"
    shim = "wedge-eva"

    [layers]
    least_area = 4.0                         # cm2; a smaller piece is no layer
    least_width = 10

    [long_parts]
    how = "two-pieces"                       # or "three-quarter", "whole": beds that fit no printer
    glue_gap = 0.2
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from insole.errors import PlanError
from insole.record.limits import parsed

__all__ = ["KINDS", "LONG_PARTS", "Printer", "Rack", "Stock", "chosen", "read", "sold", "stack_for"]

# kinds of parts that a material can be chosen for, with the parts' names
KINDS: dict[str, tuple[str, ...]] = {
    "base": ("base",),
    "pad": ("arch-pad",),
    "metatarsal": ("metatarsal-pad",),
    "shim": ("forefoot-shim", "heel-shim"),
    "under": ("under-shoe-shim",),
    "bed": ("contoured-bed", "bed-rear-piece", "bed-front-piece"),
    "form": ("form", "form-rear-piece", "form-front-piece"),
    "cover": ("cover",),
}
# what may become of a full-length bed that fits no printer
LONG_PARTS = ("two-pieces", "three-quarter", "whole")
# thicknesses in which foam and sheet are sold, mm: common practice, no source
SOLD_MM = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0)
THICKEST = 60.0
UNIT = 0.1  # mm: stacks are worked out in whole tenths
LEAST_AREA_CM2 = 4.0  # a smaller piece cannot be held, glued and ground: common practice, no source
LEAST_WIDTH_MM = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rack:
    """Sheets of one material and size; thicknesses and size in mm."""

    material: str
    thicknesses: tuple[float, ...]
    size: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """A printer: bed and nozzle in mm, and what it prints; no materials means all."""

    name: str
    bed: tuple[float, float]
    nozzle: float = 0.4
    materials: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What stands in the workshop.

    Attributes
    ----------
    racks : tuple of Rack
        Sheets.
    printers : tuple of Printer
        None: nothing is printed here.
    blocks : mapping
        Sizes of the blocks of a material, mm.
    kerf : float or None
        What the cutter takes away, mm; None: there is no cutter but a knife.
    parts : mapping
        Material by kind of part.
    least_area, least_width : float
        Of a layer, cm2 and mm.
    long_parts : str
        One of ``LONG_PARTS``, or empty: nothing was chosen.
    glue_gap : float or None
        In the joint of a bed in two pieces, mm.
    """

    racks: tuple[Rack, ...] = ()
    printers: tuple[Printer, ...] = ()
    blocks: Mapping[str, tuple[tuple[float, float, float], ...]] = field(default_factory=dict)
    kerf: float | None = None
    parts: Mapping[str, str] = field(default_factory=dict)
    least_area: float = LEAST_AREA_CM2
    least_width: float = LEAST_WIDTH_MM
    long_parts: str = ""
    glue_gap: float | None = None

    def thicknesses(self, material: str) -> tuple[float, ...]:
        """Return the thicknesses of a material's sheets in the rack, thinnest first, mm."""
        return tuple(
            sorted({t for r in self.racks if r.material == material for t in r.thicknesses})
        )

    def size(self, material: str, thickness: float) -> tuple[float, float] | None:
        """Return the largest sheet of a material and thickness, mm; None: not in the rack."""
        found = [
            rack.size
            for rack in self.racks
            if rack.material == material
            and any(abs(t - thickness) < 0.01 for t in rack.thicknesses)
        ]
        return max(found, key=math.prod, default=None)

    def bed(self, material: str) -> tuple[float, float] | None:
        """Return the largest bed that prints a material, mm; None: no printer does."""
        return next((one.bed for one in self.printers_of(material)), None)

    def printers_of(self, material: str) -> list[Printer]:
        """Return the printers that print a material, the largest bed first."""
        found = [p for p in self.printers if not p.materials or material in p.materials]
        return sorted(found, key=lambda one: -math.prod(one.bed))


def stack_for(height: float, thicknesses: Sequence[float]) -> tuple[float, ...]:
    """Return the sheets that reach a height, coarse ones lowest, mm.

    A millimetre to grind away counts as much as one sheet more to cut and to glue; among equals
    there is the least to grind away.

    Raises
    ------
    ValueError
        There is no sheet.

    Examples
    --------
    >>> stack_for(14.8, (2, 3, 6, 10))
    (10.0, 3.0, 2.0)
    >>> stack_for(13.1, (3, 5, 10)), stack_for(9.5, (10,))
    ((10.0, 5.0), (10.0,))
    """
    sizes = sorted({round(t / UNIT) for t in thicknesses if t > 0}, reverse=True)
    if not sizes:
        raise ValueError("there are no sheets to stack")
    need = math.ceil(height / UNIT - 0.5)
    best: list[tuple[int, ...] | None] = [()] + [None] * (need + sizes[0])
    for total in range(1, len(best)):
        for size in sizes:
            before = best[total - size] if size <= total else None
            if before is not None and (
                best[total] is None or len(before) + 1 < len(best[total] or ())
            ):
                best[total] = (*before, size)
    able = [
        (total + round(1.0 / UNIT) * len(stack), total, stack)
        for total, stack in enumerate(best)
        if stack and total >= need
    ]
    found = min(able)[2] if able else ()
    return tuple(round(size * UNIT, 6) for size in sorted(found, reverse=True))


def sold(height: float, thicknesses: Sequence[float] = SOLD_MM) -> float:
    """Return the thinnest sheet that is at least so thick, mm; what is thicker goes up by 5 mm."""
    found = [t for t in thicknesses if t >= height - 0.02]
    return float(min(found)) if found else 5.0 * math.ceil(height / 5.0 - 1e-3)


def chosen(words: Sequence[str]) -> dict[str, str]:
    """Return materials by kind of part from texts like ``pad=final-eva``.

    Raises
    ------
    PlanError
        One names no kind of part, or no material.
    """
    found: dict[str, str] = {}
    for text in words:
        kind, sep, name = (part.strip() for part in text.partition("="))
        if not sep or not name:
            raise PlanError(f"{text!r} is not KIND=NAME, such as pad=final-eva").asking("material")
        found[_kind(kind)] = name
    return found


def _kind(kind: str) -> str:
    if kind not in KINDS:
        near = difflib.get_close_matches(kind, KINDS, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else f"it is one of {', '.join(KINDS)}"
        raise PlanError(f"there is no kind of part {kind!r}; {hint}").asking("material")
    return kind


# ------------------------------------------------------------------ the file


_TABLES = ("sheet", "printer", "block", "cutter", "parts", "layers", "long_parts")


def read(path: str | Path) -> Stock:
    """Return the stock in a file.

    Raises
    ------
    PlanError
        The file cannot be read, or a key or value is not accepted; the message names it.
    """
    path = Path(path)
    data = parsed(path, "stock")
    _known(path, data, _TABLES, "the file")
    cutter = _table(path, data, "cutter", ("kerf",))
    layers = _table(path, data, "layers", ("least_area", "least_width"))
    parts = _table(path, data, "parts", tuple(KINDS))
    lengthy = _table(path, data, "long_parts", ("how", "glue_gap"))
    if lengthy.get("how", LONG_PARTS[0]) not in LONG_PARTS:
        raise PlanError(
            f"{path.name}: long_parts.how is one of {', '.join(LONG_PARTS)}, not {lengthy['how']!r}"
        )
    if odd := [name for name in parts.values() if not isinstance(name, str)]:
        raise PlanError(f"{path.name}: [parts] names materials by their word, not {odd[0]!r}")
    blocks: dict[str, tuple[tuple[float, float, float], ...]] = {}
    for row in _rows(path, data, "block", ("material", "size")):
        long, wide, high = _sizes(path, "block", row, 3)
        word = _word(path, "block", row, "material")
        blocks[word] = (*blocks.get(word, ()), (long, wide, high))
    kerf = (
        None
        if "cutter" not in data
        else _number(path, "cutter.kerf", cutter.get("kerf", 0.0), 0.0, 5.0)
    )
    return Stock(
        racks=tuple(
            _rack(path, row)
            for row in _rows(path, data, "sheet", ("material", "thickness", "size"))
        ),
        printers=tuple(
            _printer(path, row)
            for row in _rows(path, data, "printer", ("name", "bed", "nozzle", "materials"))
        ),
        blocks=blocks,
        kerf=kerf,
        parts=dict(parts),
        least_area=_number(
            path, "layers.least_area", layers.get("least_area", LEAST_AREA_CM2), 0.5, 100.0
        ),
        least_width=_number(
            path, "layers.least_width", layers.get("least_width", LEAST_WIDTH_MM), 2.0, 60.0
        ),
        long_parts=str(lengthy.get("how", "")),
        glue_gap=(
            _number(path, "long_parts.glue_gap", lengthy["glue_gap"], 0.05, 0.6)
            if "glue_gap" in lengthy
            else None
        ),
    )


def _rack(path: Path, row: Mapping[str, Any]) -> Rack:
    given = row.get("thickness")
    several = given if isinstance(given, list) else [given]
    thick = tuple(_number(path, "sheet.thickness", one, 0.2, THICKEST) for one in several)
    wide, high = _sizes(path, "sheet", row, 2)
    return Rack(
        material=_word(path, "sheet", row, "material"), thicknesses=thick, size=(wide, high)
    )


def _printer(path: Path, row: Mapping[str, Any]) -> Printer:
    wide, deep = _sizes(path, "printer", {"size": row.get("bed")}, 2, "bed")
    words = row.get("materials", [])
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise PlanError(f"{path.name}: printer.materials is a list of words, got {words!r}")
    return Printer(
        name=str(row.get("name", "printer")),
        bed=(wide, deep),
        materials=tuple(words),
        nozzle=_number(path, "printer.nozzle", row.get("nozzle", 0.4), 0.1, 2.0),
    )


def _known(path: Path, table: Mapping[str, Any], keys: Sequence[str], where: str) -> None:
    for key in table:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"use {', '.join(keys)}"
            raise PlanError(f"{path.name}: {where} has an unknown key '{key}'; {hint}")


def _table(
    path: Path, data: Mapping[str, Any], name: str, keys: Sequence[str]
) -> Mapping[str, Any]:
    table = data.get(name, {})
    if not isinstance(table, dict):
        raise PlanError(f"{path.name}: '{name}' stands alone; write it as [{name}]")
    _known(path, table, keys, f"[{name}]")
    return table


def _rows(
    path: Path, data: Mapping[str, Any], name: str, keys: Sequence[str]
) -> list[Mapping[str, Any]]:
    rows = data.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise PlanError(f"{path.name}: write each {name} below a line of its own, [[{name}]]")
    for row in rows:
        _known(path, row, keys, f"[[{name}]]")
    return rows


def _word(path: Path, name: str, row: Mapping[str, Any], key: str) -> str:
    word = row.get(key)
    if not isinstance(word, str) or not word.strip():
        raise PlanError(f"{path.name}: a {name} wants its {key}, a word of the material table")
    return word


def _number(path: Path, where: str, value: Any, low: float, high: float) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not math.isfinite(value) or not low <= value <= high:
        raise PlanError(f"{path.name}: {where} wants {low:g} to {high:g}, got {value!r}")
    return float(value)


def _sizes(
    path: Path, name: str, row: Mapping[str, Any], count: int, key: str = "size"
) -> tuple[float, ...]:
    given = row.get("size")
    if not isinstance(given, list) or len(given) != count:
        raise PlanError(f"{path.name}: a {name} wants its {key}, {count} lengths in mm")
    return tuple(_number(path, f"{name}.{key}", one, 5.0, 3000.0) for one in given)
