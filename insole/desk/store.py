"""The desk's store: a folder per case, the workshop's shoes beside them, an index to list fast.

HOME/cases/<case>/case.json, plans/, trials/   as :mod:`insole.trials.cases` keeps them
                 /desk.json                    what is being worked on, replaced whole
                 /scans/<sha256>/<name>        scans by content, under the name they came with
                 /made/<case>-v<n>/            made folders, as the command line makes them
    /shoes/*.toml, workshop.json               the workshop's own; more in :mod:`insole.desk.owned`
    /index.sqlite                              can be thrown away: it is rebuilt from the folders
    /incoming/                                 uploads that have not arrived; swept at start
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import shutil
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from footscan import typed
from footscan.files import held, read_bounded, sweep, why, write_whole
from insole.desk.index import Index, Row
from insole.errors import InsoleError
from insole.record.values import Line, Sentence
from insole.trials import cases

__all__ = [
    "DeskCase",
    "Draft",
    "Home",
    "Passed",
    "ScanUse",
    "Side",
    "Workshop",
    "at_work",
    "bare_name",
    "plain_name",
    "safe_name",
]

Side = Literal["left", "right"]
SCAN_ENDINGS = (
    ".ply",
    ".stl",
    ".obj",
    ".off",
    ".3mf",
    ".glb",
    ".gltf",
    ".pcd",
    ".xyz",
    ".asc",
    ".csv",
    ".txt",
)
LONGEST_NAME = 100
MOST_SPARE = 6  # scans of one foot beside the one that stands for it
LARGEST_RECORD = 5_000_000  # bytes


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid")


class ScanUse(_Record):
    """A scan that stands for one foot, and what was stated of it.

    `landmarks` are set by hand, in the scan's own coordinates times its unit, mm; those in `felt`
    were felt with a finger at that place. `scanner` is one of the scanner log: its checks vouch for
    the scale. With `card` the printed scale card lies in the scan.
    """

    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    file: Sentence
    load: str = "unknown"
    side_stated: bool = False
    scanner: str = Field(default="", max_length=80)
    card: bool = False
    foot_length: float | None = Field(default=None, ge=100, le=400)
    landmarks: dict[str, tuple[float, float, float]] = {}
    felt: list[str] = []


def _without(rows: dict[Side, list[ScanUse]], side: Side) -> dict[Side, list[ScanUse]]:
    return {name: row for name, row in rows.items() if name != side}


class Passed(_Record):
    """A limit passed on purpose: which, by whom, why and when."""

    limit: Line = Field(min_length=1)
    who: Line = Field(min_length=1)
    why: Sentence = Field(min_length=1)
    when: Line = Field(min_length=1)


class Draft(_Record):
    """What is being worked on in a case: everything up to the next plan version.

    `spare` are scans that came in of a foot and do not stand for it, the latest first.
    """

    schema_version: Literal[1] = 1
    answers: dict[str, Literal["yes", "no"]] = {}
    clinician: Sentence = ""
    scans: dict[Side, ScanUse] = {}
    spare: dict[Side, list[ScanUse]] = {}
    shoe: str = ""
    wishes: dict[Literal["both", "left", "right"], dict[str, Any]] = {}
    body_mass: float | None = Field(default=None, ge=25, le=250)
    confirm_zero: bool = False
    dowels: bool = False
    overrides: list[Passed] = Field(default=[], max_length=20)

    def stand(self, side: Side, use: ScanUse) -> None:
        """Let a scan stand for a foot; the one that stood there becomes a spare."""
        old = self.scans.get(side)
        self.scans[side] = use
        if old is not None:
            self.set_aside(side, old)
        self._drop_spare(side, use)

    def set_aside(self, side: Side, use: ScanUse) -> None:
        """Keep a scan of a foot as a spare."""
        self._drop_spare(side, use)
        self.spare[side] = [use, *self.spare.get(side, [])][:MOST_SPARE]

    def _drop_spare(self, side: Side, use: ScanUse) -> None:
        rest = [one for one in self.spare.get(side, []) if one.sha256 != use.sha256]
        self.spare = {**self.spare, side: rest} if rest else _without(self.spare, side)


HABITS = ("layers", "step")  # ticked on the workshop's page too


class Workshop(_Record):
    """What the workshop owns: sizes in mm; `how` it made parts last, as :mod:`insole.desk.how`."""

    schema_version: Literal[1] = 1
    bed: tuple[float, float] = (220.0, 220.0)
    sheet: tuple[float, float] = (600.0, 400.0)
    kerf: float = Field(default=0.0, ge=0, le=5)
    layers: bool = False
    step: bool = False
    how: dict[str, Any] = {}

    def making(self) -> dict[str, Any]:
        """Return what is asked of making when nothing else is said: as it was the last time."""
        return self.how | {name: getattr(self, name) for name in HABITS}

    def made(self, how: dict[str, Any]) -> Self:
        """Return the workshop that made parts that way: what was not ticked is ticked no more."""
        habits = {name: bool(how.get(name)) for name in HABITS}
        rest = {name: value for name, value in how.items() if name not in HABITS}
        return self.model_copy(update=habits | {"how": rest})


def safe_name(name: str) -> str:
    r"""Return a file's bare name without anything that could lead out of a folder.

    Raises
    ------
    insole.errors.InsoleError
        The ending is none of a scan's.

    Examples
    --------
    >>> safe_name("../../etc/left foot.ply")
    'left foot.ply'
    >>> safe_name("C:\\scans\\a*b.STL")
    'a-b.STL'
    """
    stem, ending = bare_name(name, "scan", SCAN_ENDINGS, LONGEST_NAME)
    return f"{stem[: LONGEST_NAME - len(ending)]}.{ending}"


def plain_name(name: str) -> str:
    """Return what stands behind a name's last slash, in letters that every system takes."""
    return re.sub(r"[^\w .()+-]", "-", re.split(r"[/\\]", name)[-1]).strip(" .")


def bare_name(name: str, kind: str, endings: tuple[str, ...], longest: int) -> tuple[str, str]:
    """Return stem and ending of a file's bare name, without anything that leads out of a folder.

    Raises
    ------
    insole.errors.InsoleError
        The ending is none of its kind's; `longest` letters of the name are said.
    """
    bare = plain_name(name)
    if typed.is_reserved(bare):
        bare = f"{kind}-{bare}"
    stem, dot, ending = bare.rpartition(".")
    if not stem or f"{dot}{ending}".lower() not in endings:
        raise InsoleError(
            f"{bare[:longest] or 'the file'} is no {kind} by its name; a {kind} ends in "
            f"{', '.join(endings)}"
        )
    return stem, ending


def at_work(folder: Path) -> Path:
    """Return the file beside an arriving folder that whoever fills it holds meanwhile."""
    return folder.with_name(f"{folder.name}.partial")


def _held_by_another(marker: Path) -> bool:
    try:
        with marker.open("rb") as file:
            return not held(file)
    except OSError:
        return False  # of a run that was killed, or of an older version


def _written(path: Path, data: bytes) -> None:
    """Write a record whole, or say why it cannot be."""
    try:
        write_whole(path, data)
    except OSError as error:
        reason = why(error)
        raise InsoleError(
            f"{path.name} cannot be kept: {reason}; what was there is as it was, so make room or "
            "mend the folder, and do it again"
        ) from None


class DeskCase:
    """One case with what is being worked on."""

    def __init__(self, case: cases.Case) -> None:
        self.case = case
        self.name, self.folder = case.name, case.folder

    @property
    def made(self) -> Path:
        """The parent of made folders."""
        return self.folder / "made"

    def draft(self) -> Draft:
        """Return what is being worked on; a case that the desk has not seen begins empty.

        Raises
        ------
        insole.errors.InsoleError
            The file is damaged.
        """
        path = self.folder / "desk.json"
        if not path.exists():
            return Draft()
        try:
            return Draft.model_validate_json(read_bounded(path, LARGEST_RECORD))
        except (OSError, ValidationError):
            raise InsoleError(
                f"desk.json of the case {self.name} is damaged; put its file back, or remove it to "
                "begin this work anew (plans and trials stay)"
            ) from None

    def save(self, draft: Draft) -> None:
        """Keep what is being worked on, whole or not at all.

        Raises
        ------
        insole.errors.InsoleError
            It cannot be written; the old draft stays.
        """
        data = json.dumps(draft.model_dump(mode="json"), indent=1, ensure_ascii=False) + "\n"
        _written(self.folder / "desk.json", data.encode())

    def keep_scan(self, arrived: Path, sha256: str, name: str) -> Path:
        """Keep an arrived scan under its content's hash and return its path."""
        place = self.folder / "scans" / sha256 / name
        if not place.exists():
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(arrived, place)
        else:
            arrived.unlink(missing_ok=True)
        return place

    def scan_path(self, use: ScanUse) -> Path:
        """Return where a scan lies.

        Raises
        ------
        insole.errors.InsoleError
            It is not there any more.
        """
        path = self.folder / "scans" / use.sha256 / use.file
        if Path(use.file).name != use.file or "\\" in use.file or not path.is_file():
            raise InsoleError(f"the scan {use.file} is not in the case any more; drop it again")
        return path

    def next_version(self) -> int:
        """Return the number of the next plan."""
        return max(self.case.versions(), default=0) + 1

    def row(self) -> Row:
        """Return what the index holds of the case."""
        draft = self.draft()
        return Row(
            name=self.name,
            opened=self.case.opened,
            feet=" ".join(sorted(draft.scans)),
            shoe=draft.shoe,
            versions=len(self.case.versions()),
            trials=len(list((self.folder / "trials").glob("trial-*.json"))),
            stamp=Index.stamp(self.folder),
        )


class Home:
    """The folder that holds everything the desk keeps."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.cases_folder, self.shoes = folder / "cases", folder / "shoes"
        self.incoming = folder / "incoming"
        try:
            for place in (self.cases_folder, self.shoes):
                place.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InsoleError(
                f"{folder} cannot be used: {error.strerror}; choose another folder"
            ).asking("home") from None
        with contextlib.suppress(OSError):
            folder.chmod(0o700)  # scans are health data
        self.scanner_log = folder / "scanner-log.csv"
        self.index = Index(folder / "index.sqlite")
        self.fresh = not any(self.cases_folder.glob("[!.]*/case.json"))

    def sweep(self) -> None:
        """Remove uploads that never arrived and cases that were being erased."""
        shutil.rmtree(self.incoming, ignore_errors=True)
        for kind in (".*.erased.*", ".*.arriving.*"):
            for going in self.cases_folder.glob(kind):
                if going.is_dir() and not _held_by_another(at_work(going)):
                    shutil.rmtree(going, ignore_errors=True)
        sweep(self.cases_folder)
        within = (path for deep in ("*", "*/*") for path in self.cases_folder.glob(deep))
        for folder in (self.folder, self.shoes, *within):
            if folder.is_dir():
                sweep(folder)

    def new_upload(self) -> Path:
        """Return a fresh path for an upload."""
        self.incoming.mkdir(parents=True, exist_ok=True)
        return self.incoming / secrets.token_hex(12)

    def rows(self) -> list[Row]:
        """Return a line for each case, by name; what changed since is read anew."""
        return self.index.rows(self.cases_folder, lambda name: self.case(name).row())

    def create(self, name: str, *, opened: str = "") -> DeskCase:
        """Return a new case; see :func:`insole.trials.cases.create`."""
        return DeskCase(cases.create(self.cases_folder, name, opened=opened))

    def case(self, name: str) -> DeskCase:
        """Return a case by its pseudonym.

        Raises
        ------
        insole.errors.InsoleError
            There is no such case.
        """
        folder = self.cases_folder / name
        if not cases.can_name(name) or not (folder / "case.json").is_file():
            raise InsoleError("there is no such case here; open one from the list of riders")
        return DeskCase(cases.open_case(folder))

    def erase(self, name: str, confirm: str) -> None:
        """Erase a case for good: scans, plans, trials and made parts."""
        self.case(name).case.erase(confirm)

    def shoe(self, file: str) -> Path:
        """Return the path of a shoe file by its name.

        Raises
        ------
        insole.errors.InsoleError
            There is no such shoe.
        """
        path = self.shoes / file
        if path.name != file or path.suffix != ".toml" or not path.is_file():
            raise InsoleError("there is no such shoe in the library; pick one from the list")
        return path

    def workshop(self) -> Workshop:
        """Return what the workshop owns; the usual sizes where nothing was set."""
        try:
            return Workshop.model_validate_json(
                read_bounded(self.folder / "workshop.json", LARGEST_RECORD)
            )
        except OSError:
            return Workshop()
        except ValidationError:
            raise InsoleError(
                "workshop.json is damaged; set the workshop's sizes anew on its page"
            ) from None

    def save_workshop(self, workshop: Workshop) -> None:
        """Keep what the workshop owns."""
        data = json.dumps(workshop.model_dump(mode="json"), indent=1) + "\n"
        _written(self.folder / "workshop.json", data.encode())
