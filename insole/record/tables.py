"""Settings files of a workshop, read key by key so that every mistake gets one sentence.

file.toml -> read_toml -> Table -> insole.shoe.shoe, .bed_outline, .bed_scan, .questions
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from footscan import typed
from footscan.files import TooLargeError, read_bounded
from insole.errors import PlanError

__all__ = ["MAX_BYTES", "Table", "parsed_toml", "read_toml"]

MAX_BYTES = 1_000_000
MOST_DOTS = 40
_DOTTED = re.compile(r"\s*\[*\s*[\w\"'-]+\s*\.")


def parsed_toml(data: bytes) -> dict[str, Any]:
    """Return the tables of a TOML text, with texts that can be printed and numbers that are some.

    Raises
    ------
    ValueError
        Says what is wrong; UnicodeDecodeError when it is no UTF-8.
    """
    text = data.decode("utf-8-sig")
    if any(line.count(".") > MOST_DOTS and _DOTTED.match(line) for line in text.splitlines()):
        raise ValueError("a key of so many parts is nested too deeply")  # slow to parse as well
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if wrong := typed.strange(tables):
        raise ValueError(f"it {wrong}")
    return tables


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Return the tables of a TOML file; one sentence (PlanError) when that fails."""
    try:
        return parsed_toml(read_bounded(path, MAX_BYTES))
    except TooLargeError:
        raise PlanError(
            f"{path.name} is over {MAX_BYTES // 1000} kB; a {what} file is a short text"
        ) from None
    except UnicodeDecodeError:
        raise PlanError(
            f"{path.name} is not a text file in UTF-8; write it as plain text"
        ) from None
    except ValueError as error:
        # tomllib's own error is a ValueError; so is Python's for a number of 5000 digits
        raise PlanError(
            f"{path.name} is not a valid {what} file: {typed.shown(str(error))[:200]}; see the "
            "sample"
        ) from None
    except OSError as error:
        reason = error.strerror or "unreadable"
        raise PlanError(f"the {what} file {path} cannot be read: {reason.lower()}") from None


class Table:
    """One table of a settings file, read key by key so that every mistake gets its sentence."""

    def __init__(self, data: Any, source: str, prefix: str = "") -> None:
        if not isinstance(data, Mapping):
            raise PlanError(
                f"{source}: {prefix.rstrip('.')} must be a table, [{prefix.rstrip('.')}]"
            )
        self._data, self._source, self._prefix = data, source, prefix
        self._known: set[str] = set()
        self._children: list[Table] = []

    def fail(self, key: str, must: str, hint: str = "") -> PlanError:
        """Return the error for a wrong value."""
        got = self._data.get(key)
        shown = f"is {_shown(got)}" if key in self._data else "is missing"
        return PlanError(f"{self._source}: {self._prefix}{key} {shown}, but must be {must}{hint}")

    def has(self, key: str) -> bool:
        """Return whether the key stands in the file."""
        return key in self._data

    def get(self, key: str) -> Any:
        """Return the raw value or None, and note the key as known."""
        self._known.add(key)
        return self._data.get(key)

    def number(
        self, key: str, low: float, high: float, unit: str = "mm", default: float | None = None
    ) -> Any:
        """Return a finite number within [low, high], or `default` when absent."""
        value = self.get(key)
        return default if value is None else self._checked(key, value, low, high, unit)

    def need(self, key: str, low: float, high: float, unit: str = "mm") -> float:
        """Return a number that must be there."""
        if self.get(key) is None:
            raise self.fail(key, f"a number from {low:g} to {high:g} {unit}")
        return float(self.number(key, low, high, unit))

    def numbers(
        self, key: str, count: int, low: float, high: float, what: str
    ) -> tuple[float, ...]:
        """Return `count` numbers that must be there."""
        value = self.get(key)
        if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != count:
            raise self.fail(key, what)
        return tuple(self._checked(key, v, low, high, "mm") for v in value)

    def pairs(
        self, key: str, value: Any, least: int, most: int, reach: float
    ) -> tuple[tuple[float, float], ...]:
        """Return [[x, y], ...] as tuples of finite numbers within +-reach mm."""
        try:
            array = np.asarray(value, dtype=float)
            good = array.ndim == 2 and array.shape[1] == 2 and least <= len(array) <= most
            good = good and bool(np.isfinite(array).all())
            good = good and bool((np.abs(array) <= reach).all())
        except (TypeError, ValueError, OverflowError):
            good = False
        if not good:
            raise self.fail(key, f"{least} to {most} pairs [x, y] in mm within {reach:g} mm")
        return tuple((float(x), float(y)) for x, y in array)

    @property
    def source(self) -> str:
        """Name of the file, for messages."""
        return self._source

    def text(self, key: str) -> str:
        """Return a text that must be there, 1 to 80 characters."""
        value = self.get(key)
        try:
            text = typed.line(value, key, 80) if isinstance(value, str) else ""
        except ValueError:
            text = ""
        if not text:
            raise self.fail(key, "a text of 1 to 80 characters on one line, in quotes")
        return text

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Return true or false."""
        value = self.get(key)
        if value is None and default is not None:
            return default
        if not isinstance(value, bool):
            raise self.fail(key, "true or false, without quotes")
        return value

    def choice(self, key: str, options: Sequence[str]) -> str | None:
        """Return one of `options`, or None when absent."""
        value = self.get(key)
        if value is not None and value not in options:
            raise self.fail(key, "one of " + ", ".join(f'"{o}"' for o in options))
        return None if value is None else str(value)

    def table(self, key: str) -> Table:
        """Return the table `key`; an absent one is empty."""
        value = self.get(key)
        child = Table({} if value is None else value, self._source, f"{self._prefix}{key}.")
        self._children.append(child)
        return child

    def finish(self) -> None:
        """Refuse keys that nobody asked for: a misspelt key must not pass as absent."""
        for key in self._data:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, n=1)
                hint = f'; did you mean "{near[0]}"?' if near else ""
                known = ", ".join(sorted(self._known)) or "none"
                raise PlanError(
                    f"{self._source}: {self._prefix}{key} is not a key of this file{hint} "
                    f"(known here: {known})"
                )
        for child in self._children:
            child.finish()

    def _checked(self, key: str, value: Any, low: float, high: float, unit: str) -> float:
        must = f"a number from {low:g} to {high:g} {unit}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fail(key, must, "; write it without quotes and with a decimal point")
        if not low <= value <= high:  # also false for nan and inf
            raise self.fail(key, must, _unit_hint(value, low, high, unit))
        return float(value)


def _unit_hint(value: float, low: float, high: float, unit: str) -> str:
    """Return a guess at the wrong unit, for the message only."""
    if unit == "mm" and low > 0 and 0 < value < low:
        for factor, other in ((10.0, "cm"), (25.4, "inches"), (1000.0, "metres")):
            if low <= value * factor <= high:
                return f"; was it typed in {other}?"
    return ""


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
