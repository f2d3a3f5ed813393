"""A case out of an archive: checked like any file from elsewhere, whole or not at all.

arrived zip -> check names, kinds, sizes -> a hidden folder beside the cases -> renamed into place
"""

from __future__ import annotations

import contextlib
import hashlib
import lzma
import os
import re
import secrets
import shutil
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from footscan.files import held
from insole.desk.store import DeskCase, Home, at_work, safe_name
from insole.errors import InsoleError
from insole.trials import cases

__all__ = ["DAMAGED", "arriving", "belongs", "check_case", "take_in", "too_tight", "unpack"]

MOST_FILES, MOST_BYTES, MOST_RATIO = 5_000, 2_000_000_000, 200
RECORDS = re.compile(r"case\.json|desk\.json|plans/plan-\d{3,}\.json|trials/trial-\d{3,}\.json")
SCANS = re.compile(r"scans/([0-9a-f]{64})/([^/]+)")
DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    NotImplementedError,
    RuntimeError,
    EOFError,
    OSError,
    ValueError,
    struct.error,
)  # of a spoilt archive
MADE = re.compile(r"made/.+")  # made parts are not taken in: they are made anew from their plans


def take_in(home: Home, arrived: Path) -> DeskCase:
    """Return the case that an archive held, now in the store.

    Parameters
    ----------
    home : Home
        The store.
    arrived : Path
        A zip that :meth:`insole.trials.cases.Case.export` wrote, or somebody else.

    Raises
    ------
    insole.errors.InsoleError
        It is no such archive, is damaged or too large, or there is a case of that name; nothing
        is left behind.
    """
    if not arrived.is_file():
        raise InsoleError("the file is no archive of a case; export the case again")
    try:
        with zipfile.ZipFile(arrived) as packed:
            name, wanted = _checked(packed)
            if (home.cases_folder / name).exists():
                raise InsoleError(f"there is a case {name} already; erase it or rename it first")
            with arriving(home, name) as making:
                for entry, inside in wanted:
                    unpack(packed, entry, making / inside)
                check_case(making, name)
    except InsoleError:
        raise
    except DAMAGED:
        raise InsoleError(
            "the file is no archive of a case, or is damaged; export the case again"
        ) from None
    return home.case(name)


@contextlib.contextmanager
def arriving(home: Home, name: str) -> Iterator[Path]:
    """Give a hidden folder to fill; afterwards it is the case of that name, or gone.

    Raises
    ------
    insole.errors.InsoleError
        There is a case of that name.
    """
    making = home.cases_folder / f".{name}.arriving.{secrets.token_hex(4)}"
    making.parent.mkdir(parents=True, exist_ok=True)
    marker = at_work(making)
    try:
        with marker.open("xb") as file:  # what nobody holds was left behind, and is swept
            held(file)
            yield making
            try:
                os.rename(making, home.cases_folder / name)
            except OSError:
                raise InsoleError(f"there is a case {name} already; erase it first") from None
    finally:
        shutil.rmtree(making, ignore_errors=True)
        marker.unlink(missing_ok=True)


def check_case(making: Path, name: str) -> None:
    """Refuse a folder that is not wholly the case of that name."""
    case = DeskCase(cases.open_case(making))
    if case.name != name:
        raise InsoleError("the archive's case has another name than its folder")
    _read_all(case)


def belongs(inside: str) -> bool:
    """Return whether a file of this name is a record or a scan of a case."""
    scan = SCANS.fullmatch(inside)
    return bool(RECORDS.fullmatch(inside)) or bool(scan and safe_name(scan[2]) == scan[2])


def too_tight(entry: zipfile.ZipInfo) -> bool:
    """Return whether an entry is packed tighter than any scan: it would fill the disk."""
    packed_size = max(entry.compress_size, 1)
    return entry.file_size > 1_000_000 and entry.file_size / packed_size > MOST_RATIO


def _checked(packed: zipfile.ZipFile) -> tuple[str, list[tuple[zipfile.ZipInfo, str]]]:
    """Return the case's name and what is to be unpacked where; refuse everything else."""
    entries = [entry for entry in packed.infolist() if not entry.is_dir()]
    if len(entries) > MOST_FILES or sum(e.file_size for e in entries) > MOST_BYTES:
        raise InsoleError("the archive holds more than a case does; export the case again")
    name = entries[0].filename.partition("/")[0] if entries else ""
    if not cases.can_name(name):
        raise InsoleError("the archive holds no case; export one from the list of riders")
    wanted, seen = [], set()
    for entry in entries:
        head, _, inside = entry.filename.partition("/")
        scan = SCANS.fullmatch(inside)
        good = RECORDS.fullmatch(inside) or scan or MADE.fullmatch(inside)
        linked = (entry.external_attr >> 16) & 0o170000 == 0o120000
        if head != name or not good or linked or inside in seen or ".." in inside.split("/"):
            raise InsoleError("the archive holds something that is no part of a case; not taken in")
        if scan and safe_name(scan[2]) != scan[2]:
            raise InsoleError("a scan in the archive has a name that is none; not taken in")
        if too_tight(entry):
            raise InsoleError("the archive is packed tighter than any scan; not taken in")
        seen.add(inside)
        if not MADE.fullmatch(inside):
            wanted.append((entry, inside))
    return name, wanted


def unpack(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> None:
    """Write one file, no longer than it said; a scan must be what its hash says."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    with packed.open(entry) as source, target.open("wb") as file:
        while chunk := source.read(1 << 20):
            size += len(chunk)
            if size > entry.file_size:
                raise InsoleError("the archive is damaged; export the case again")
            digest.update(chunk)
            file.write(chunk)
        file.flush()
        os.fsync(file.fileno())
    if target.parent.parent.name == "scans" and digest.hexdigest() != target.parent.name:
        raise InsoleError("a scan in the archive was changed; export the case again")


def _read_all(case: DeskCase) -> None:
    """Read every record once, so that nothing unreadable gets into the store."""
    draft = case.draft()
    for use in draft.scans.values():
        case.scan_path(use)
    for version in case.case.versions():
        case.case.plan(version)
    case.case.trials()
