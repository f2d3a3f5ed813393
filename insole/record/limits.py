"""Planning limits: every number in one documented file, with unit and reason.

    limits.toml [+ the workshop's own file] -> Limits -> every stage of insole.planning

A name is the path in the file: ``limits.value("wedge.forefoot.refuse_deg")``. A workshop's file
changes single entries; names that do not exist, other units and other kinds are refused, so
that a misspelt limit is never silently without effect.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from footscan.files import TooLargeError, read_bounded
from footscan.typed import shown
from insole.errors import PlanError
from insole.record.tables import MAX_BYTES, parsed_toml

if TYPE_CHECKING:
    from insole.record.plan import Plan

__all__ = ["Limit", "Limits", "default_limits", "load", "of_plan", "parsed"]

_KEYS = frozenset({"value", "unit", "reason"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One number with its unit, why it is what it is, and who set it."""

    name: str
    value: float
    unit: str
    reason: str
    by_workshop: bool = False

    def __str__(self) -> str:
        """Return value and unit for a sentence."""
        return f"{self.value:g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits(Mapping[str, Limit]):
    """All limits by name; a read-only mapping."""

    entries: Mapping[str, Limit]

    def __getitem__(self, name: str) -> Limit:
        """Return one limit.

        Raises
        ------
        KeyError
            There is no limit of that name: a bug in the caller.
        """
        return self.entries[name]

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names, in the order of the file."""
        return iter(self.entries)

    def __len__(self) -> int:
        """Return how many limits there are."""
        return len(self.entries)

    def value(self, name: str) -> float:
        """Return the value of one limit, in the unit that it states."""
        return self.entries[name].value

    def changed(self, **values: float) -> Limits:
        """Return limits with some values replaced; ``__`` in a keyword stands for a dot.

        Examples
        --------
        >>> default_limits().changed(support__first_trial=0.7).value("support.first_trial")
        0.7
        """
        entries = dict(self.entries)
        for key, value in values.items():
            old = entries[key.replace("__", ".")]
            entries[old.name] = Limit(
                name=old.name,
                value=float(value),
                unit=old.unit,
                reason="set by the caller",
                by_workshop=True,
            )
        return Limits(entries=entries)

    @property
    def by_workshop(self) -> list[Limit]:
        """The limits that are not the default ones."""
        return [limit for limit in self.entries.values() if limit.by_workshop]


@lru_cache(maxsize=1)
def default_limits() -> Limits:
    """Return the limits of the file beside this module."""
    text = Path(__file__).with_name("limits.toml").read_text(encoding="utf-8")
    entries = {
        name: _limit(name, entry, "limits.toml") for name, entry in _walk(tomllib.loads(text))
    }
    return Limits(entries=entries)


def load(path: str | Path) -> Limits:
    """Return the default limits changed by a workshop's own file.

    An entry is a table with ``value``, ``unit`` (must equal the default's) and ``reason``, or
    just a number, which keeps the default's unit and says "set by the workshop".

    Raises
    ------
    PlanError
        The file cannot be read, or a name, unit or value is not accepted; the message names it.
    """
    path = Path(path)
    entries = dict(default_limits().entries)
    for name, entry in _walk(parsed(path)):
        if name not in entries:
            raise PlanError(f"{path.name}: {_unknown(name, entries)}")
        default = entries[name]
        if not isinstance(entry, dict):
            entry = {"value": entry, "unit": default.unit, "reason": "set by the workshop"}
        limit = _limit(
            name,
            {"unit": default.unit, "reason": "set by the workshop"} | entry,
            path.name,
            by_workshop=True,
        )
        if limit.unit != default.unit:
            raise PlanError(
                f"{path.name}: '{name}' is in {default.unit}, not {limit.unit}; convert the value"
            )
        if (limit.value < 0) != (default.value < 0) and limit.value and default.value:
            raise PlanError(
                f"{path.name}: '{name}' cannot be {limit.value:g}; its sign is that of "
                f"{default.value:g} {default.unit}"
            )
        entries[name] = limit
    return Limits(entries=entries)


def of_plan(plan: Plan) -> Limits:
    """Return the limits that a plan was made with: the default ones and what it records.

    A name that this version does not know any more is left out: it decides nothing here.
    """
    limits = default_limits()
    known = {name: value for name, value in plan.limits.items() if name in limits}
    return limits.changed(**{name.replace(".", "__"): value for name, value in known.items()})


def parsed(path: Path, what: str = "limits") -> dict[str, Any]:
    """Return a workshop's settings file, parsed; `what` it is stands in every sentence.

    Raises
    ------
    PlanError
        The file cannot be read, is too large, or is not TOML text.
    """
    try:
        return parsed_toml(read_bounded(path, MAX_BYTES))
    except TooLargeError:
        raise PlanError(
            f"{path.name} is too large for a {what} file; choose another file"
        ) from None
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise PlanError(f"{what} file {path}: {reason.lower()}; check the path") from None
    except ValueError as error:
        reason = shown(str(error))[:200]
        raise PlanError(f"{what} file {path.name} is not valid TOML text: {reason}") from None


def _walk(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield (dotted name, entry) of nested tables; an entry is a number or has a value."""
    for key, entry in table.items():
        name = f"{prefix}{key}"
        if isinstance(entry, dict) and not _KEYS & set(entry):
            yield from _walk(entry, f"{name}.")
        else:
            yield name, entry


def _limit(name: str, entry: Mapping[str, Any], file: str, *, by_workshop: bool = False) -> Limit:
    """Return one checked limit."""
    if unknown := set(entry) - _KEYS:
        raise PlanError(
            f"{file}: '{name}' has an unknown key '{min(unknown)}'; use value, unit, reason"
        )
    value = entry.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise PlanError(f"{file}: '{name}' needs a number as its value, got {value!r}")
    return Limit(
        name=name,
        value=float(value),
        unit=str(entry["unit"]),
        reason=str(entry["reason"]),
        by_workshop=by_workshop,
    )


def _unknown(name: str, names: Mapping[str, Limit]) -> str:
    """Return what to say of a name that is no limit of planning."""
    import difflib

    from footscan.quality.limits import limits as of_scans

    if name.partition(".")[0] in of_scans():
        return (
            f"'{name}' is a limit of scan quality, which is the same for every workshop and "
            "cannot be changed; leave it out and scan again where it stops you"
        )
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean '{near[0]}'?" if near else "insole/record/limits.toml has all names"
    return f"there is no limit called '{name}'; {hint}"
