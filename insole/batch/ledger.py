"""What was done already: known by the content of all that went in, and still there.

    Request, settings -> key_of -> key;  OUT/.batch/<key>.json holds the record of that task

A key holds the program's version, how far the case is taken, its name, the scans' bytes and names,
the shoe as it was read, wishes, answers, limits and how files are wanted. Only cases that are done
are remembered: what failed is tried again.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from enum import Enum
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

import insole
from footscan.errors import FootscanError, ScanReadError
from footscan.files import why, write_whole
from insole.batch.task import Goal, Record
from insole.output.settings import Settings
from insole.record.tables import read_toml
from insole.workflow.request import Request

__all__ = ["Ledger", "key_of"]

SCHEMA = 1  # of records
HIDDEN = ".batch"
CHUNK = 1 << 20


def key_of(case: str, request: Request, to: Goal, settings: Settings | None, checked: bool) -> str:
    """Return the hash of all that a case is made from.

    Raises
    ------
    footscan.errors.FootscanError
        A scan, shoe or limits file cannot be read.
    """
    scans = [
        [[(path.name, _hash_of(path)) for path in shots.files], _plain(shots.options)]
        for shots in request.scans
    ]
    asked = {
        field.name: _plain(getattr(request, field.name))
        for field in dataclasses.fields(request)
        if field.name not in ("scans", "shoe")
    }
    about = [
        SCHEMA,
        insole.__version__,
        str(to),
        case,
        scans,
        _shoe(request.shoe),
        asked,
        _plain(settings) if to is Goal.PARTS else None,
        checked and to is Goal.PARTS,
    ]
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


class Ledger:
    """The records of done cases below a folder of results."""

    def __init__(self, out: Path) -> None:
        self.out, self.folder = out, out / HIDDEN

    def find(self, key: str) -> Record | None:
        """Return the record of a task that is done and whose files are still there, or None."""
        try:
            record = Record.from_json(self._path(key).read_text(encoding="utf-8"))
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return record if record.key == key and self._there(record) else None

    def keep(self, record: Record) -> None:
        """Remember a case that is done.

        Raises
        ------
        OSError
            The folder cannot be written.
        """
        if record.done:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._path(record.key), record.to_json().encode())

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}.json"

    def _there(self, record: Record) -> bool:
        """Return whether what was written is there as it was; of a folder, every file's size."""
        for name, wanted in record.products.items():
            path = self.out / name
            try:
                data = path.read_bytes()
                if hashlib.sha256(data).hexdigest() != wanted:
                    return False
                if path.name == "manifest.json":
                    for entry in json.loads(data)["files"]:
                        if (path.parent / entry["path"]).stat().st_size != entry["bytes"]:
                            return False
            except OSError:
                return False
        return bool(record.products)


def _hash_of(path: Path) -> str:
    """Return the hash of a file's bytes.

    Raises
    ------
    footscan.errors.ScanReadError
        It cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while chunk := file.read(CHUNK):
                digest.update(chunk)
    except OSError as error:
        reason = why(error)
        raise ScanReadError(f"{path.name} cannot be read: {reason}; check the file") from None
    return digest.hexdigest()


@lru_cache(maxsize=8)
def _shoe_at(path: Path, state: tuple[tuple[int, int], ...]) -> Any:
    """Return a shoe as plain data; `state` has it read anew when its files change."""
    from insole.shoe import shoe

    return _plain(shoe.load(path))


def _shoe(path: Path | None) -> Any:
    """Return a shoe as plain data, with the scan or outline that its file names."""
    if path is None:
        return None
    tables = read_toml(path, "shoe").values()
    values = (value for table in tables if isinstance(table, dict) for value in table.values())
    named = [path.parent / value for value in values if isinstance(value, str)]
    return _shoe_at(path, tuple(_state(one) for one in (path, *named)))


def _state(path: Path) -> tuple[int, int]:
    """Return when a file was changed and its size; nothing of what is none."""
    try:
        found = path.stat()
    except (OSError, ValueError):  # a shoe's word that is no file, or too long for one
        return 0, 0
    return found.st_mtime_ns, found.st_size


def _plain(value: Any) -> Any:
    """Return a value as JSON holds it: equal values give equal text, files their content."""
    if value is None or (isinstance(value, bool | int | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float | np.floating):
        return repr(float(value))
    if isinstance(value, Path):
        return [value.name, _hash_of(value)]
    if isinstance(value, np.ndarray):
        return [str(value.dtype), value.shape, hashlib.sha256(value.tobytes()).hexdigest()]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return _plain(value.model_dump(mode="json"))
    if isinstance(value, Mapping):
        return [[_plain(k), _plain(v)] for k, v in sorted(value.items(), key=lambda i: str(i[0]))]
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, set | frozenset):
        return sorted(json.dumps(_plain(v)) for v in value)
    raise FootscanError(
        f"a wish of the kind {type(value).__name__} cannot be told apart from others; report it"
    )
