"""A folder put in its place whole: made in a hidden one, synced, renamed, swept after a kill."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from footscan.files import held, sync_folder
from insole.output.settings import FolderError

__all__ = [
    "MANIFEST",
    "PLAN",
    "README",
    "check_folder",
    "files_in",
    "making_room",
    "publish",
    "sha256_of",
]

MANIFEST, README, PLAN = "manifest.json", "READ-ME-FIRST.txt", "plan.json"

MAKING = ".making-"


@contextmanager
def making_room(out: Path, name: str) -> Iterator[Path]:
    """Give an empty hidden folder in `out`; what is still there afterwards is removed."""
    made = _open_out(out)
    _sweep(out)
    making = out / f"{MAKING}{name}-{secrets.token_hex(4)}"
    lock = making.with_name(f"{making.name}.lock")
    handle = _hold(lock)
    try:
        making.mkdir()
        yield making
    finally:
        shutil.rmtree(making, ignore_errors=True)
        handle.close()
        lock.unlink(missing_ok=True)
        if made and not any(out.iterdir()):
            out.rmdir()


def _open_out(out: Path) -> bool:
    """Make the folder `out` if need be; return whether it was made."""
    if out.is_dir():
        return False
    if out.exists():
        raise FolderError(f"{out} is a file; choose a folder").asking("out")
    if not out.parent.is_dir():
        raise FolderError(f"there is no folder {out.parent}; make it or choose another").asking(
            "out"
        )
    out.mkdir()
    return True


def _sweep(out: Path) -> None:
    """Remove what runs left behind that are no longer alive: nobody holds their lock."""
    for lock in out.glob(f"{MAKING}*.lock"):
        handle = lock.open("ab")
        if held(handle):
            shutil.rmtree(lock.with_suffix(""), ignore_errors=True)
            handle.close()
            lock.unlink(missing_ok=True)
        handle.close()
    for stray in out.glob(f"{MAKING}*"):
        if stray.is_dir() and not stray.with_name(f"{stray.name}.lock").exists():
            shutil.rmtree(stray, ignore_errors=True)


def _hold(lock: Path) -> IO[bytes]:
    """Return the open and locked file; taken anew if another run swept it in between."""
    for _ in range(5):
        handle = lock.open("ab")
        held(handle)  # where the file system knows no locks, nobody sweeps either
        if lock.exists() and lock.stat().st_ino == os.fstat(handle.fileno()).st_ino:
            return handle
        handle.close()
    return lock.open("ab")


def publish(making: Path, final: Path, say: Callable[[str], None]) -> None:
    """Put the finished folder in its place, unless the version is there already."""
    if not final.exists():
        _sync(making)
        try:
            _move(making, final)
        except FileExistsError:
            pass  # another run was faster: compare with what it wrote
        else:
            sync_folder(final.parent)
            return
    old, new = final / MANIFEST, making / MANIFEST
    same = old.is_file() and sha256_of(old) == sha256_of(new)
    if same and not check_folder(final):
        say(f"{final.name} is there with the same content and is kept as it is")
        return
    raise FolderError(
        f"{final} exists with other content; give the plan a new version or choose another folder"
    ).asking("version", "out")


def _move(making: Path, final: Path) -> None:
    """Rename; on Windows a virus scanner may still have a new file open for a moment."""
    for wait in (0.1, 0.3, 1.0, None):
        try:
            os.rename(making, final)
            return
        except PermissionError:
            if wait is None or sys.platform != "win32" or final.exists():
                raise
            time.sleep(wait)
        except OSError as error:
            if final.exists():
                raise FileExistsError(*error.args) from None
            raise


def _sync(folder: Path) -> None:
    """Have every file and folder on the disk, not only in memory."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("r+b") as file:
                os.fsync(file.fileno())
        else:
            sync_folder(path)
    sync_folder(folder)


def check_folder(folder: Path) -> list[str]:
    """Return what differs between a written folder and its manifest, one sentence each."""
    try:
        manifest = json.loads((folder / MANIFEST).read_bytes())
        wanted = {entry["path"]: entry["sha256"] for entry in manifest["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        return [f"{folder.name} has no readable {MANIFEST}"]
    found = {name: sha256_of(folder / name) for name in files_in(folder) if name != MANIFEST}
    missing = [f"{name} is missing" for name in wanted if name not in found]
    extra = [f"{name} was added" for name in found if name not in wanted]
    changed = [f"{n} was changed" for n in wanted if n in found and found[n] != wanted[n]]
    return missing + extra + changed


def files_in(folder: Path) -> list[str]:
    """Return the files in a folder, sorted, with forward slashes."""
    found = (p for p in folder.rglob("*") if p.is_file())
    return sorted(p.relative_to(folder).as_posix() for p in found)


def sha256_of(path: Path) -> str:
    """Return the hash of a file, hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
