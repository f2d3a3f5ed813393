"""A log of checks on file: read, appended under a lock, never half written."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import fields
from datetime import date
from pathlib import Path

import numpy as np

from footscan import typed
from footscan.checking.entry import Entry
from footscan.errors import ScanReadError
from footscan.files import BusyError, TooLargeError, alone, read_bounded, why, write_whole

__all__ = ["append", "read"]

KINDS = ("ball", "ball bar", "plate")
MAX_BYTES = 5_000_000  # some 40 000 checks
COLUMNS = tuple(field.name for field in fields(Entry))
TEXTS = ("scanner", "artefact", "not_passed", "scan", "software")


def read(path: str | Path) -> tuple[Entry, ...]:
    """Return the entries of a log, in the file's order.

    Raises
    ------
    footscan.errors.ScanReadError
        The file is missing, or a line of it is not what a check wrote.
    """
    path = Path(path)
    if not path.is_file():
        raise ScanReadError(f"there is no scanner log {path}; a scanner check begins one")
    return _parsed(path, _bytes_of(path))


def append(path: str | Path, entry: Entry) -> None:
    """Put `entry` behind the last line of the log; a missing log is begun.

    Raises
    ------
    footscan.errors.ScanReadError
        The log is damaged, in use, or cannot be written; it is left as it was.
    """
    path = Path(path).resolve()
    try:
        with alone(path):
            before = _bytes_of(path) if path.exists() else b""
            if before:
                _parsed(path, before)
                before += b"" if before.endswith(b"\n") else b"\n"
            else:
                before = _line(COLUMNS)
            row = [_cell(getattr(entry, name)) for name in COLUMNS]
            write_whole(path, before + _line(row))
    except BusyError:
        raise ScanReadError(
            f"another check is writing to {path.name}; wait for it and check again"
        ) from None
    except OSError as error:
        raise ScanReadError(
            f"the scanner log {path} cannot be written: {why(error)}; "
            "close it in other programs, or choose another log"
        ) from None


def _bytes_of(path: Path) -> bytes:
    """Return the file's bytes, bounded."""
    try:
        return read_bounded(path, MAX_BYTES)
    except TooLargeError:
        raise ScanReadError(
            f"{path.name} is too large for a scanner log; begin a new one"
        ) from None
    except OSError as error:
        reason = why(error)
        raise ScanReadError(f"the scanner log {path} cannot be read: {reason}") from None


def _parsed(path: Path, data: bytes) -> tuple[Entry, ...]:
    """Return the entries in the bytes of a log."""
    try:
        text = data.decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        rows = [(reader.line_num, row) for row in reader]
    except (UnicodeDecodeError, csv.Error):
        raise ScanReadError(
            f"{path.name} is no scanner log or was damaged; mend it, or begin a new one"
        ) from None
    if not rows or tuple(rows[0][1]) != COLUMNS:
        raise ScanReadError(
            f"{path.name} does not begin with the headings of a scanner log; mend its first line, "
            "or begin a new log"
        )
    return tuple(_entry(path, number, row) for number, row in rows[1:])


def _entry(path: Path, number: int, row: Sequence[str]) -> Entry:
    """Return the entry in one line of a log."""
    try:
        if len(row) != len(COLUMNS):
            raise ValueError(f"it has {len(row)} entries instead of {len(COLUMNS)}")
        cells = dict(zip(COLUMNS, row, strict=True))
        if wrong := typed.strange(row):
            raise ValueError(f"it {wrong}")
        if cells["artefact"] not in KINDS or not cells["scanner"]:
            raise ValueError("scanner or artefact is not one that a check writes")
        values = {name: _number(cells[name]) for name in COLUMNS[3:] if name not in TEXTS}
        if (values["scale_factor"] or 1.0) <= 0:
            raise ValueError("the scale factor is not positive")
        day = date.fromisoformat(cells["date"][:40])
    except ValueError as error:
        raise ScanReadError(
            f"{path.name}, line {number}, is damaged: {error}; mend that line, or begin a new log"
        ) from None
    return Entry(date=day, **{name: cells[name] for name in TEXTS}, **values)  # type: ignore[arg-type]


def _number(text: str) -> float | None:
    """Return a cell's number; None for an empty cell."""
    if not text:
        return None
    value = float(text)
    if not np.isfinite(value):
        raise ValueError(f"{text!r} is no measure")
    return value


def _cell(value: object) -> str:
    if value is None:
        return ""
    return value.isoformat() if isinstance(value, date) else str(value)


def _line(cells: Sequence[str]) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerow(cells)
    return stream.getvalue().encode("utf-8")
