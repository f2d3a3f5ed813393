"""The material table as a file: the usual one, and a workshop's own changes to it.

    materials.toml [+ the workshop's own file] -> Materials

An entry of a workshop's file changes what it names and keeps the rest; an entry with a new name
is a new material. Unknown keys, other units and values that cannot be are refused, so that a
slip of the hand is never silently without effect.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import fields
from functools import lru_cache
from pathlib import Path
from typing import Any

from insole.errors import PlanError
from insole.record.limits import parsed
from insole.record.materials import BAR_MM, CHLORINE, PLA, PLACES, Figure, Material, Materials

__all__ = ["default_materials", "load"]

FACTORS = (0.97, 1.03)  # a plastic that shrinks by more was measured wrongly
PROCESSES = ("print", "cut", "both")
UNITS = {
    "density": ("g/cm3",),
    "hardness": ("Shore A", "Shore D"),
    "infill": ("share",),
    "wall": ("mm",),
}
ROOM = {"density": (0.02, 12.0), "hardness": (1.0, 100.0), "infill": (0.0, 1.0), "wall": (0.0, 10)}


@lru_cache(maxsize=1)
def default_materials() -> Materials:
    """Return the table of the file beside this module."""
    text = Path(__file__).with_name("materials.toml").read_text(encoding="utf-8")
    return Materials(
        entries={
            name: _material(name, entry, None, "materials.toml")
            for name, entry in tomllib.loads(text).items()
        }
    )


def load(path: str | Path) -> Materials:
    """Return the default table changed by a workshop's own file.

    An entry changes what it names and keeps the rest; an entry with a new name is a new material.

    Raises
    ------
    PlanError
        The file cannot be read, or a key, unit or value is not accepted; the message names it.
    """
    path = Path(path)
    entries = dict(default_materials().entries)
    for name, entry in parsed(path, "materials").items():
        if not isinstance(entry, dict):
            raise PlanError(
                f"{path.name}: '{name}' stands alone; write it below the material's name, as in "
                "[wedge-tpu]"
            )
        entries[name] = _material(name, entry, entries.get(name), path.name)
    return Materials(entries=entries)


_KEYS = tuple(f.name for f in fields(Material) if f.name not in ("name", "by_workshop"))
_NEEDED = ("words", "kind", "places", "process", "density", "hardness", "advice", "fixing")


def _material(name: str, entry: Mapping[str, Any], old: Material | None, file: str) -> Material:
    """Return one checked material: what `entry` states, and what it keeps of `old`."""
    for key in entry:
        if key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            hint = f"did you mean '{near[0]}'?" if near else f"use {', '.join(_KEYS)}"
            raise PlanError(f"{file}: '{name}' has an unknown key '{key}'; {hint}")
    if old is None and (missing := [key for key in _NEEDED if key not in entry]):
        raise PlanError(
            f"{file}: there is no material called '{name}' yet, and a new one needs "
            f"{', '.join(missing)}"
        )
    kept = {} if old is None else {key: getattr(old, key) for key in _KEYS}
    given = {key: _value(f"'{name}.{key}'", key, entry[key], kept, file) for key in entry}
    made = Material(name=name, by_workshop=file != "materials.toml", **{**kept, **given})
    if made.measured is not None and made.process == "cut":
        raise PlanError(
            f"{file}: '{name}' is cut, not printed, so that nothing shrinks; leave measured out"
        )
    if made.is_kind(CHLORINE) and not any("laser" in text for text in made.cautions):
        never = "never under a laser: it gives off hydrogen chloride"
        made = _with_caution(made, never)
    if made.is_kind(PLA) and not any("in a shoe" in text for text in made.cautions):
        made = _with_caution(made, "never in a shoe")
    return made


def _with_caution(material: Material, caution: str) -> Material:
    values = {f.name: getattr(material, f.name) for f in fields(Material)}
    return Material(**{**values, "cautions": (*material.cautions, caution)})


def _value(where: str, key: str, given: Any, kept: Mapping[str, Any], file: str) -> Any:
    """Return the checked value of one key."""
    if key in UNITS:
        return _figure(where, key, given, kept.get(key), file)
    if key == "measured":
        return _measured(where, given, file)
    if key in ("places", "cautions"):
        texts = [given] if isinstance(given, str) else given
        if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
            raise PlanError(f"{file}: {where} must be a list of texts, got {given!r}")
        if key == "places" and (not texts or (odd := [t for t in texts if t not in PLACES])):
            wrong = f"'{odd[0]}' is none" if texts else "it is empty"
            raise PlanError(f"{file}: {where} lists places, and {wrong}; use {', '.join(PLACES)}")
        return tuple(texts)
    if not isinstance(given, str) or not given.strip():
        raise PlanError(f"{file}: {where} must be a text, got {given!r}")
    if key == "process" and given not in PROCESSES:
        raise PlanError(f"{file}: {where} must be print, cut or both, got {given!r}")
    return given


def _figure(where: str, key: str, given: Any, old: Figure | None, file: str) -> Figure:
    """Return a figure from a table, or from a bare number in the unit that is there already."""
    table = given if isinstance(given, dict) else {"value": given}
    if unknown := set(table) - {"value", "low", "high", "unit", "source"}:
        raise PlanError(
            f"{file}: {where} has an unknown key '{min(unknown)}'; use value, low, high, unit, "
            "source"
        )
    if old is None and len(UNITS[key]) > 1 and "unit" not in table:
        raise PlanError(
            f"{file}: {where} does not say its scale; write it as "
            f'{{ value = ..., unit = "{UNITS[key][0]}" }}'
        )
    unit = table.get("unit", old.unit if old is not None else UNITS[key][0])
    if unit not in UNITS[key]:
        raise PlanError(f"{file}: {where} is in {' or '.join(UNITS[key])}, not {unit}; convert it")
    low, high = ROOM[key]
    value = table.get("value")
    numbers: list[Any] = [value, table.get("low", value), table.get("high", value)]
    for number in numbers:
        good = isinstance(number, int | float) and not isinstance(number, bool)
        if not good or not math.isfinite(number) or not low <= number <= high:
            raise PlanError(f"{file}: {where} must be {low:g} to {high:g} {unit}, got {number!r}")
    if not numbers[1] <= numbers[0] <= numbers[2]:
        raise PlanError(f"{file}: {where} must have low, value and high in rising order")
    source = str(table.get("source", "set by the workshop"))
    return Figure(
        value=float(numbers[0]),
        unit=unit,
        source=source,
        low=float(numbers[1]),
        high=float(numbers[2]),
    )


def _measured(where: str, given: Any, file: str) -> tuple[float, float, float]:
    """Return the measured bar; refuse one that no plastic gives."""
    nominal = ", ".join(f"{mm:g}" for mm in BAR_MM)
    good = isinstance(given, list) and len(given) == 3
    if not good or not all(
        isinstance(mm, int | float) and not isinstance(mm, bool) and math.isfinite(mm) and mm > 0
        for mm in given
    ):
        raise PlanError(
            f"{file}: {where} must be three lengths in mm, those of the calibration bar along x, "
            f"along y and of its step in z (made as {nominal}), got {given!r}"
        )
    for axis, wanted, got in zip("xyz", BAR_MM, given, strict=True):
        factor = wanted / got
        if not FACTORS[0] <= factor <= FACTORS[1]:
            raise PlanError(
                f"{file}: {where} says {got:g} mm along {axis} where {wanted:g} mm were to come "
                f"out, a factor of {factor:.3f} outside {FACTORS[0]} to {FACTORS[1]}: measure the "
                "bar again, and check the printer's steps per mm"
            )
    x, y, z = (float(mm) for mm in given)
    return x, y, z
