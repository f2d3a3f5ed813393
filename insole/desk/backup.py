"""The whole store as one archive, and back: cases, shoes, and what the workshop owns.

Home -> back_up -> zip -> restore -> Home

    cases/<case>/...                  as a case's own archive, made folders with it
    shoes/*.toml, *.csv, *.dxf, scans of beds       workshop.json, materials.toml, ...
    store.json                        that it is a store, and of which schema

What is restored is checked like any file from elsewhere. A case that is there already stays as it
is, and so does a shoe or a setting: nothing is ever written over.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import zipfile
from pathlib import Path

from footscan.files import why
from insole.desk import archive
from insole.desk.owned import OWN_FILES, SCANNER_LOG
from insole.desk.store import SCAN_ENDINGS, Home
from insole.errors import InsoleError
from insole.output.publishing import check_folder
from insole.trials import cases

__all__ = ["Restored", "back_up", "restore"]

MARK = "store.json"
SCHEMA_VERSION = 1
WORKSHOP = ("workshop.json", "bench.json", SCANNER_LOG, *(f"{one.word}.toml" for one in OWN_FILES))
# a shoe, the one it took the place of, and the outline or bed scan that it names
SHOE = re.compile(
    r"shoes/(?!\.)[^/\\:*?\"<>|\x00-\x1f]{1,120}\.(?:toml|toml\.old(?:-\d+)?|dxf|"
    + "|".join(ending[1:] for ending in SCAN_ENDINGS)
    + ")",
    re.IGNORECASE,
)
MADE = re.compile(r"made/(?:[\w.()+ -]+/)+[\w.()+ -]+")
FOREIGN = "the archive holds something that is no part of a store; not taken in"
MOST_FILES, MOST_BYTES = 500_000, 200_000_000_000

Restored = dict[str, list[str]]


def back_up(home: Home, path: Path) -> int:
    """Write the whole store into one zip and return the number of cases.

    Every file in the store is replaced whole, so that each is taken as it was at one moment; the
    desk and the command line may go on meanwhile.

    Raises
    ------
    insole.errors.InsoleError
        The file is there already or cannot be written; nothing is left behind.
    """
    if path.exists():
        raise InsoleError(f"{path.name} is there already; choose another name")
    making = path.with_name(f".{path.name}.{secrets.token_hex(4)}.partial")
    count = 0
    try:
        with zipfile.ZipFile(making, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as packing:
            packing.writestr(MARK, json.dumps({"store": "solewright", "schema_version": 1}))
            for file in [home.folder / name for name in WORKSHOP]:
                _pack(packing, file, file.name)
            for file in sorted(home.shoes.iterdir()):
                if SHOE.fullmatch(f"shoes/{file.name}"):  # what is taken in again
                    _pack(packing, file, f"shoes/{file.name}")
            for case in cases.cases(home.cases_folder):
                for file in sorted(p for p in case.folder.rglob("*") if not _hidden(p, case)):
                    inside = file.relative_to(home.folder).as_posix()
                    _pack(packing, file, inside)
                count += 1
        with making.open("r+b") as written:
            os.fsync(written.fileno())
        try:
            os.link(making, path)
        except OSError:  # a stick or a share without hard links
            if path.exists():
                raise
            os.rename(making, path)
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"the backup cannot be written: {reason}; choose another place") from None
    finally:
        making.unlink(missing_ok=True)
    return count


def _hidden(path: Path, case: cases.Case) -> bool:
    parts = path.relative_to(case.folder).parts
    return any(part.startswith(".") or part.endswith(".partial") for part in parts)


def _pack(packing: zipfile.ZipFile, file: Path, name: str) -> None:
    if file.is_file() and not file.is_symlink():
        packing.write(file, name)


def restore(home: Home, arrived: Path) -> Restored:
    """Take a backup in and return what came and what was there already.

    Returns
    -------
    dict of str to list of str
        ``cases`` and ``other`` that came; ``kept``: names that were there and stay.

    Raises
    ------
    insole.errors.InsoleError
        It is no backup, or something in it is damaged or does not belong there. What could be
        taken in is there then, whole: one damaged case holds no other one back.
    """
    found: Restored = {"cases": [], "other": [], "kept": []}
    lost: list[str] = []
    try:
        with zipfile.ZipFile(arrived) as packed:
            parts = _parted(packed)
            for name, entries in sorted(parts.cases.items()):
                if (home.cases_folder / name).exists():
                    found["kept"].append(name)
                    continue
                try:
                    _take_case(home, packed, name, entries)
                except InsoleError as error:
                    lost.append(f"{name}: {error}")
                    continue
                found["cases"].append(name)
            for entry in parts.other:
                target = home.folder / entry.filename
                if target.exists():
                    found["kept"].append(entry.filename)
                    continue
                _take_file(packed, entry, target)
                found["other"].append(entry.filename)
    except InsoleError:
        raise
    except archive.DAMAGED:
        raise InsoleError("the file is no backup of a store, or is damaged; take another") from None
    if lost:
        raise InsoleError(
            f"all but {len(lost)} of the backup was taken in; not these: {'; '.join(lost)}"
        )
    return found


class _Parts:
    def __init__(self) -> None:
        self.cases: dict[str, list[zipfile.ZipInfo]] = {}
        self.other: list[zipfile.ZipInfo] = []


def _parted(packed: zipfile.ZipFile) -> _Parts:
    """Return what is in the archive by case; refuse whatever is no part of a store."""
    entries = [entry for entry in packed.infolist() if not entry.is_dir()]
    if not any(entry.filename == MARK for entry in entries):
        raise InsoleError(
            "the file is no backup of a store; a single case is taken in with the riders"
        )
    if len(entries) > MOST_FILES or sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise InsoleError("the archive holds more than a store does; not taken in")
    parts, seen = _Parts(), set()
    for entry in entries:
        name = entry.filename
        linked = (entry.external_attr >> 16) & 0o170000 == 0o120000
        if linked or name in seen or ".." in name.split("/") or archive.too_tight(entry):
            raise InsoleError(
                "the archive holds something that is no part of a store; not taken in"
            )
        seen.add(name)
        head, _, rest = name.partition("/")
        case, _, inside = rest.partition("/")
        if name == MARK:
            _check_mark(packed, entry)
        elif name in WORKSHOP or SHOE.fullmatch(name):
            parts.other.append(entry)
        elif (
            head == "cases"
            and cases.can_name(case)
            and (archive.belongs(inside) or MADE.fullmatch(inside))
        ):
            parts.cases.setdefault(case, []).append(entry)
        else:
            raise InsoleError(
                "the archive holds something that is no part of a store; not taken in"
            )
    return parts


def _check_mark(packed: zipfile.ZipFile, entry: zipfile.ZipInfo) -> None:
    try:
        known = entry.file_size < 1000 and json.loads(packed.read(entry))["schema_version"]
    except (ValueError, KeyError, TypeError):
        known = None
    if known != SCHEMA_VERSION:
        raise InsoleError("this backup is of another version of the program; use that one")


def _take_case(
    home: Home, packed: zipfile.ZipFile, name: str, entries: list[zipfile.ZipInfo]
) -> None:
    """Take one case in, made folders with it when they are what their manifests say."""
    inside = [(entry, entry.filename.split("/", 2)[2]) for entry in entries]
    with archive.arriving(home, name) as making:
        for entry, path in inside:
            archive.unpack(packed, entry, making / path)
        archive.check_case(making, name)
        for made in sorted((making / "made").glob("*")):
            if check_folder(made):  # changed since it was made: it can be made anew
                shutil.rmtree(made)


def _take_file(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> None:
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}.partial")
    try:
        archive.unpack(packed, entry, part)
        os.replace(part, target)
    finally:
        part.unlink(missing_ok=True)
