"""Records of cases on the disk: read within bounds, written whole, an error's one sentence.

insole.trials.cases -> read_text, parsed, write_new, replace, writing_alone -> files

Every function raises :class:`insole.errors.InsoleError` where a file cannot be read or written.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from footscan import files, typed
from insole.errors import InsoleError
from insole.trials.entry import Trial

__all__ = [
    "dumps",
    "numbers",
    "own_files",
    "parsed",
    "read_text",
    "replace",
    "sweep_erased",
    "trial_of",
    "write_new",
    "writing_alone",
]

LARGEST_FILE = 20_000_000  # bytes; a plan is a few hundred kB


@contextmanager
def writing_alone(path: Path) -> Iterator[None]:
    """Keep other writers of a log away."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with files.alone(path):
            yield
    except files.BusyError:
        raise InsoleError(
            f"somebody else is writing {path}; wait for them and log the trial again"
        ) from None
    except OSError as error:
        raise InsoleError(f"{path} cannot be written: {files.why(error)}") from None


def sweep_erased(home: Path) -> None:
    """Remove what is left of cases whose erasing was broken off."""
    for going in home.glob(".*.erased.*"):
        shutil.rmtree(going, ignore_errors=True)


def own_files(folder: Path) -> list[Path]:
    """Return a case's files, sorted; refuse a case with links in it."""
    found = []
    for top, folders, plain in os.walk(folder):  # goes into no linked folder
        for name in (*folders, *plain):
            path = Path(top) / name
            if path.is_symlink() or (name in plain and not path.is_file()):
                raise InsoleError(
                    f"{path} is a link or no ordinary file, which no case holds; remove it, or put "
                    "the file itself there"
                )
        found += [Path(top) / name for name in plain if not name.startswith(".")]
    return sorted(found)


def numbers(folder: Path, stem: str) -> list[int]:
    """Return the numbers of the files in a folder that are called so, in order."""
    found = (re.fullmatch(rf"{stem}-(\d{{3,}})\.json", p.name) for p in folder.glob("*.json"))
    return sorted(int(match.group(1)) for match in found if match)


def trial_of(entry: Any, path: Path) -> Trial:
    """Return a trial from its record."""
    from pydantic import ValidationError

    try:
        return Trial.model_validate(entry)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the trial"
        raise InsoleError(
            f"{path} is damaged at {place} ({first['msg'].lower()}); put the file back"
        ) from None


def read_text(path: Path, what: str) -> str:
    """Return the text of a record, of bearable length."""
    try:
        return files.read_bounded(path, LARGEST_FILE).decode()
    except files.TooLargeError:
        raise InsoleError(f"{path} is too large to be a {what}; put the right file back") from None
    except FileNotFoundError:
        raise InsoleError(f"there is no {what} at {path}; check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InsoleError(f"{path} cannot be read as a {what}: {files.why(error)}") from None


def parsed(path: Path, what: str) -> Any:
    """Return a record's JSON, with nothing in it that no record holds."""
    try:
        record = json.loads(read_text(path, what))
        damaged = typed.strange(record)
    except (ValueError, RecursionError):
        damaged = f"is not the text of a {what}"
    if damaged:
        raise InsoleError(f"{path} is damaged: it {damaged}; put a copy of the file back")
    return record


def dumps(record: Any) -> bytes:
    """Return a record as it is kept."""
    return (json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def write_new(path: Path, data: bytes, advice: str) -> None:
    """Write a file that is not there yet, whole or not at all."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        files.write_new(path, data)
    except FileExistsError:
        raise InsoleError(f"{path} is there already and is kept; {advice}") from None
    except OSError as error:
        raise InsoleError(f"{path} cannot be written: {files.why(error)}") from None


def replace(path: Path, data: bytes) -> None:
    """Put a longer log in the place of a log, whole or not at all."""
    try:
        files.write_whole(path, data)
    except OSError as error:
        raise InsoleError(f"{path} cannot be written: {files.why(error)}") from None
