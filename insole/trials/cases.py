"""The store of cases, and logs of trials: plain JSON that a person can read, never overwritten.

    HOME/<case>/case.json                 pseudonym and the date on which it was opened
               /plans/plan-001.json       every plan version, as planned
               /trials/trial-001.json     every trial, as logged
    LOG.json                              or, without a store, one file with a case's trials

``plan`` and ``make`` keep the plans of a named case in the folder that they write into, and
``trial`` finds it from there: one folder for all of them, which ``case`` shows.

Each file is written beside its place, synced and then linked into it, so that there is never a
half-written one and a file that is there is never replaced; a log only ever grows. What is in
a store is found by looking: there is no index that could be wrong.
"""

from __future__ import annotations

import io
import os
import re
import secrets
import shutil
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from footscan import typed
from footscan.files import read_bounded, sweep, why
from insole.errors import InsoleError
from insole.record.plan import Plan, from_json, to_json
from insole.trials import case_files
from insole.trials.entry import Trial

__all__ = [
    "Case",
    "append_log",
    "can_name",
    "cases",
    "create",
    "home_of",
    "keep",
    "loose_plans",
    "open_case",
    "read_log",
    "refuse_other",
]

SCHEMA_VERSION = 1
LARGEST_KEPT = 400_000_000  # of any file in a case: a scan, as it came
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,62}")
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the same case gives the same bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One rider under a pseudonym: a folder with plans and trials.

    Attributes
    ----------
    name : str
        The pseudonym, which names the folder.
    folder : Path
        Where it lies.
    opened : str
        Date as typed, or empty.
    """

    name: str
    folder: Path
    opened: str = ""

    def sweep(self) -> None:
        """Remove what a write that was broken off left behind."""
        for folder in (self.folder, self.folder / "plans", self.folder / "trials"):
            sweep(folder)

    def versions(self) -> list[int]:
        """Return the versions of the plans that are kept, in their order."""
        return case_files.numbers(self.folder / "plans", "plan")

    def plan(self, version: int) -> Plan:
        """Return one version of the plan.

        Raises
        ------
        insole.errors.InsoleError
            There is none, or its file is damaged.
        """
        path = self.folder / "plans" / f"plan-{version:03}.json"
        plan = from_json(case_files.read_text(path, "plan"))
        if (plan.case, plan.version) != (self.name, version):
            raise InsoleError(
                f"{path} holds plan {plan.version} of {plan.case!r}; put the right file back"
            )
        return plan

    def add_plan(self, plan: Plan) -> Path:
        """Keep a plan under its version and return its path; the same plan twice is kept once.

        Raises
        ------
        insole.errors.InsoleError
            The plan is another case's, or another plan is kept under that version.
        """
        if plan.case != self.name:
            raise InsoleError(f"this is a plan of {plan.case!r}, not of the case {self.name!r}")
        path = self.folder / "plans" / f"plan-{plan.version:03}.json"
        self.sweep()
        data = to_json(plan).encode()
        if path.exists() and case_files.read_text(path, "plan").encode() == data:
            return path
        case_files.write_new(path, data, "give this plan a new version")
        return path

    def trials(self) -> list[Trial]:
        """Return the trials, oldest first.

        Raises
        ------
        insole.errors.InsoleError
            A trial's file is damaged or missing between others.
        """
        folder = self.folder / "trials"
        numbers = case_files.numbers(folder, "trial")
        if numbers != list(range(1, len(numbers) + 1)):
            gaps = set(range(1, numbers[-1])) - set(numbers)
            if not gaps:  # a number twice, or none of ours
                raise InsoleError(
                    f"{folder} holds a file that is no trial of this case, or one twice; keep "
                    "trial-001.json and those that follow it, each once"
                )
            raise InsoleError(f"trial {min(gaps)} is missing in {folder}; put its file back")
        found = []
        for number in numbers:
            path = folder / f"trial-{number:03}.json"
            found.append(case_files.trial_of(case_files.parsed(path, "trial"), path))
        return found

    def add_trial(self, trial: Trial) -> Path:
        """Keep the next trial and return its path.

        Raises
        ------
        insole.errors.InsoleError
            It is another case's, or not the next one: somebody else logged meanwhile.
        """
        self.sweep()
        kept = self.trials()
        if trial.case != self.name or trial.number != len(kept) + 1:
            raise InsoleError(
                f"trial {trial.number} of {trial.case!r} does not follow the {len(kept)} trials "
                f"of {self.name!r}; log it again"
            )
        path = self.folder / "trials" / f"trial-{trial.number:03}.json"
        data = case_files.dumps(trial.model_dump(mode="json"))
        case_files.write_new(path, data, "log the trial again")
        return path

    def export(self, path: Path) -> Path:
        """Write the whole case into one zip file and return its path.

        What is linked into the case from elsewhere is not the case's and is refused; locks and
        what a broken run left behind are passed over.

        Raises
        ------
        insole.errors.InsoleError
            The file is there already or cannot be written.
        """
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in case_files.own_files(self.folder):
                inside = f"{self.name}/{file.relative_to(self.folder).as_posix()}"
                entry = zipfile.ZipInfo(inside, date_time=_ZIP_DATE)
                entry.compress_type = zipfile.ZIP_DEFLATED
                try:
                    archive.writestr(entry, read_bounded(file, LARGEST_KEPT))
                except OSError as error:
                    reason = why(error)
                    raise InsoleError(f"{file} cannot be exported: {reason}") from None
        case_files.write_new(path, buffer.getvalue(), "choose another name")
        return path

    def erase(self, confirm: str) -> None:
        """Remove the whole case for good; `confirm` must repeat its name.

        The folder is renamed first, so that a case is there as a whole or not at all.

        Raises
        ------
        insole.errors.InsoleError
            The name was not repeated, or the folder cannot be removed.
        """
        if confirm != self.name:
            raise InsoleError(f"to erase the case {self.name!r} for good, repeat its name")
        going = self.folder.with_name(f".{self.name}.erased.{secrets.token_hex(4)}")
        case_files.sweep_erased(self.folder.parent)
        try:
            os.replace(self.folder, going)
            shutil.rmtree(going)
        except OSError as error:
            raise InsoleError(f"{self.folder} cannot be erased: {why(error)}") from None


def create(home: Path, name: str, *, opened: str = "") -> Case:
    """Return a new, empty case.

    Raises
    ------
    insole.errors.InsoleError
        The name is no pseudonym that can name a folder, or there is such a case.
    """
    _check_name(name)
    case_files.sweep_erased(home)
    case = Case(name=name, folder=home / name, opened=opened)
    record = {"schema_version": SCHEMA_VERSION, "case": name, "opened": opened}
    advice = "open that case, or choose another name"
    case_files.write_new(case.folder / "case.json", case_files.dumps(record), advice)
    return case


def open_case(folder: Path) -> Case:
    """Return the case in a folder.

    Raises
    ------
    insole.errors.InsoleError
        The folder holds no case, or its file is damaged.
    """
    path = folder / "case.json"
    record = case_files.parsed(path, "case")
    if not isinstance(record, dict) or record.get("schema_version") != SCHEMA_VERSION:
        raise InsoleError(f"{path} is not a case of this version; put its file back")
    name, opened = record.get("case"), record.get("opened", "")
    if not (isinstance(name, str) and _NAME.fullmatch(name) and isinstance(opened, str)):
        raise InsoleError(f"{path} does not say which case it is; put its file back")
    return Case(name=name, folder=folder, opened=opened)


def cases(home: Path) -> list[Case]:
    """Return the cases in a store by name; what holds no case is passed over."""
    if not home.is_dir():
        return []
    return [open_case(path.parent) for path in sorted(home.glob("[!.]*/case.json"))]


def keep(home: Path, plan: Plan) -> Path:
    """Keep a plan in its case below `home`, which is made when it is not there; return its path.

    Raises
    ------
    insole.errors.InsoleError
        The case cannot be made, or keeps another plan under that version.
    """
    folder = home / plan.case
    known = (folder / "case.json").exists()
    case = open_case(folder) if known else create(home, plan.case, opened=plan.date)
    return case.add_plan(plan)


def refuse_other(home: Path, plan: Plan) -> None:
    """Refuse a plan whose case below `home` keeps another one under its version.

    Raises
    ------
    insole.errors.InsoleError
        It does; asked before the long work of making.
    """
    path = home / plan.case / "plans" / f"plan-{plan.version:03}.json"
    if path.exists() and case_files.read_text(path, "plan") != to_json(plan):
        raise InsoleError(f"{path} holds another plan; give this one a new version")


def can_name(name: str) -> bool:
    """Return whether a plan's case can name a folder of the store."""
    return bool(_NAME.fullmatch(name)) and not typed.is_reserved(name)


def home_of(plan_file: Path, name: str, plan: Plan | None = None) -> Path | None:
    """Return the case that a plan's file belongs to, around it or beside it; None if there is none.

    With `plan`, a case in a folder next to these is taken as well, if it keeps that very plan:
    plans are written into one folder and parts into another.

    Looked for in the file's own folders (``<case>/plans/plan-001.json``) and beside them
    (``parts/<case>`` next to ``parts/<case>-v1/plan.json``).
    """
    for folder in list(plan_file.resolve().parents)[:2]:
        for place in (folder, folder / name):
            if (place / "case.json").exists() and open_case(place).name == name:
                return place
    return None if plan is None else _next_door(plan_file, name, plan)


def _next_door(plan_file: Path, name: str, plan: Plan) -> Path | None:
    """Return the case in the folders next to a plan's that keeps it; None if there is not one."""
    found = set()
    for around in list(plan_file.resolve().parents)[1:3]:
        for path in around.glob(f"*/{name}/plans/plan-{plan.version:03}.json"):
            known = (path.parents[1] / "case.json").exists()
            if known and case_files.read_text(path, "plan") == to_json(plan):
                found.add(path.parents[1])
    return found.pop() if len(found) == 1 else None


def loose_plans(folder: Path) -> list[Path]:
    """Return plan records in a folder that belong to no case: those that plan and make write."""
    found = [*folder.glob("*-plan.json"), *folder.glob("*/plan.json")]
    return sorted(p for p in found if not (p.parent / "case.json").exists())


def read_log(path: Path) -> list[Trial]:
    """Return the trials in a log file, or in a case's folder; none when there is nothing yet.

    Raises
    ------
    insole.errors.InsoleError
        The log is damaged.
    """
    if path.is_dir():
        return open_case(path).trials()
    if not path.exists():
        return []
    record = case_files.parsed(path, "trial log")
    known = isinstance(record, dict) and record.get("schema_version") == SCHEMA_VERSION
    entries = record.get("trials") if known else None
    if not isinstance(entries, list):
        raise InsoleError(f"{path} is not a trial log of this version; give another log")
    trials = [case_files.trial_of(entry, path) for entry in entries]
    if [t.number for t in trials] != list(range(1, len(trials) + 1)):
        raise InsoleError(f"{path}: its trials are not in their order; put the log back")
    return trials


def append_log(path: Path, trial: Trial, earlier: Sequence[Trial]) -> None:
    """Add a trial to a log file, or to a case's folder.

    Parameters
    ----------
    path : Path
        File, made when it is not there; or the folder of a case.
    trial : Trial
        The next one.
    earlier : sequence of Trial
        What the log held when the trial was judged.

    Raises
    ------
    insole.errors.InsoleError
        The log has changed meanwhile or cannot be written; it is then as it was.
    """
    if path.is_dir():
        open_case(path).add_trial(trial)
        return
    with case_files.writing_alone(path):
        if read_log(path) != list(earlier):
            raise InsoleError(f"{path} was changed meanwhile; log the trial again")
        entries = [t.model_dump(mode="json") for t in (*earlier, trial)]
        record = {"schema_version": SCHEMA_VERSION, "case": trial.case, "trials": entries}
        data = case_files.dumps(record)
        if earlier:
            case_files.replace(path, data)
        else:
            case_files.write_new(path, data, "log the trial again")


def _check_name(name: str) -> None:
    if not can_name(name):
        raise InsoleError(
            f"{typed.shown(name)[:80]!r} cannot name a case; use letters, digits, - and _, a "
            "pseudonym and no name"
        )
