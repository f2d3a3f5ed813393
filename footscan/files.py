"""Files read within bounds, written whole or not at all, and one lock for what several runs write.

    file -> read_bounded -> bytes of an ordinary file, no more than may be
    bytes -> write_whole, write_new -> the old file, the new one, never half of one

A lock is held by the operating system and not by the file that carries it: what a killed run left
behind stops nobody.
"""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import secrets
import shutil
import stat
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from footscan import typed

__all__ = [
    "BusyError",
    "TooLargeError",
    "alone",
    "held",
    "read_bounded",
    "sweep",
    "sync_folder",
    "why",
    "write_new",
    "write_whole",
]

PARTIAL = ".partial"
TRIES = 5  # to hold an unfinished file; some file systems have no locks
NAME_KEPT = 50  # letters: names of files end at 255 bytes
STALE_SECONDS = 3600.0


class TooLargeError(OSError):
    """A file is longer than may be."""


def read_bounded(path: Path | str, most: int) -> bytes:
    """Return the bytes of an ordinary file of at most `most` bytes.

    Pipes and devices are never waited for: they have no end.

    Raises
    ------
    TooLargeError
        The file is longer.
    OSError
        It is not there, cannot be read, is no ordinary file, or has a name that cannot be printed.
    """
    path = Path(path)
    if wrong := typed.fault(path.name):
        raise OSError(errno.EINVAL, f"its name {wrong}", typed.shown(path.name)[:80])
    with open(path, "rb", opener=_unwaiting) as file:
        state = os.fstat(file.fileno())
        if not stat.S_ISREG(state.st_mode):
            raise OSError(errno.EINVAL, "it is no ordinary file", str(path))
        data = file.read(most + 1) if state.st_size <= most else None
    if data is None or len(data) > most:
        raise TooLargeError(errno.EFBIG, f"it is larger than {most} bytes", str(path))
    return data


def _unwaiting(path: str, flags: int) -> int:
    """Open a file without waiting for the other end of a pipe."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0))


def why(error: Exception) -> str:
    """Return why a file cannot be read or written, in the system's own words, for a sentence."""
    return (getattr(error, "strerror", None) or str(error)).lower()


class BusyError(OSError):
    """Somebody else holds the file for longer than was waited."""


@contextmanager
def _beside(path: Path, data: bytes) -> Iterator[Path]:
    """Write `data` beside `path`, synced; what is still there at the end is removed.

    The file has a name of its own, so that two threads never share it, and is locked while it is
    written: what nobody holds was left behind and is swept.
    """
    start = f".{path.name[:NAME_KEPT]}."
    sweep(path.parent, start)
    partial = path
    try:
        with contextlib.ExitStack() as open_files:
            for tried in range(TRIES):  # a sweep may come between making the file and holding it
                partial = path.with_name(f"{start}{secrets.token_hex(6)}{PARTIAL}")
                file = open_files.enter_context(partial.open("xb"))
                own = held(file) and os.fstat(file.fileno()).st_nlink > 0
                if own or tried == TRIES - 1:
                    break
                partial.unlink(missing_ok=True)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
            if sys.platform != "win32":  # there a file that is open cannot be renamed
                yield partial
        if sys.platform == "win32":
            yield partial
    finally:
        if partial != path:
            partial.unlink(missing_ok=True)


def sweep(folder: Path, start: str = ".") -> None:
    """Remove unfinished files in a folder whose names begin so, and that nobody is writing."""
    for stray in folder.glob(f"{glob.escape(start)}*{PARTIAL}"):
        with contextlib.suppress(OSError):  # somebody else was faster, or it is still being written
            if sys.platform == "win32":
                if time.time() - stray.stat().st_mtime > STALE_SECONDS:
                    stray.unlink()
                continue
            with stray.open("rb") as file:
                if held(file):
                    stray.unlink()


def held(file: IO[bytes]) -> bool:
    """Return whether this process now holds the lock on an open file; it ends with the file."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def sync_folder(folder: Path) -> None:
    """Have a folder's own list of names on the disk: a renamed file stays renamed."""
    if sys.platform != "win32":  # Windows opens no folders; its rename is in the journal
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


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
    sync_folder(path.parent)


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
    sync_folder(path.parent)


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
