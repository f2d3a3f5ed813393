"""Files written whole or not at all, and one lock for those that several runs write.

    bytes -> write_whole, write_new -> the old file, the new one, never half of one

A lock is held by the operating system and not by the file that carries it: what a killed run left
behind stops nobody.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["BusyError", "alone", "write_new", "write_whole"]


class BusyError(OSError):
    """Somebody else holds the file for longer than was waited."""


@contextmanager
def _beside(path: Path, data: bytes) -> Iterator[Path]:
    """Write `data` beside `path`, synced; what is still there at the end is removed."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        yield partial
    finally:
        partial.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` to `path`, in place of what is there and with its permissions.

    Raises
    ------
    OSError
        It cannot be written; the old file is as it was.
    """
    with _beside(path, data) as partial:
        if path.exists():
            shutil.copymode(path, partial)
        os.replace(partial, path)


def write_new(path: Path, data: bytes) -> None:
    """Write `data` to a file that is not there yet, whoever else makes it meanwhile.

    Raises
    ------
    FileExistsError
        It is there, and is kept.
    OSError
        It cannot be written.
    """
    with _beside(path, data) as partial:
        try:
            os.link(partial, path)  # fails when the file is there
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if path.exists():
                raise FileExistsError(17, "file exists", str(path)) from None
            os.replace(partial, path)


@contextmanager
def alone(path: Path, wait: float = 5.0) -> Iterator[None]:
    """Keep other writers of a file away while the block runs.

    Parameters
    ----------
    path : Path
        The file; its lock lies hidden beside it.
    wait : float
        Seconds to wait for somebody else.

    Raises
    ------
    BusyError
        Somebody else still holds it.
    FileNotFoundError
        The folder is not there.
    """
    from filelock import FileLock, Timeout

    lock = path.with_name(f".{path.name}.lock")
    if not path.parent.is_dir():  # the lock would make it
        raise FileNotFoundError(2, "no such folder", str(path.parent))
    try:
        with FileLock(lock, timeout=wait):
            yield
    except Timeout:
        raise BusyError(f"somebody else is writing {path.name}") from None
