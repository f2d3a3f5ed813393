"""Pieces of work that the kill study breaks off, and what must be on the disk afterwards.

WORKS[name] -> setup, work, state: old, new or half
"""

# ruff: noqa: E402
from __future__ import annotations

import contextlib
import io
import sys
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]


from footscan.errors import FootscanError
from insole.desk.archive import take_in
from insole.desk.store import Draft, Home, Workshop
from insole.output import folder as output
from insole.output.contents import Item
from insole.output.papers import pages
from insole.record.plan import to_json
from insole.shoe import file as shoe_file
from insole.trials import cases, entry
from insole.workflow import keeping, plans, riding
from tests.plans import sample_plan

FLAGS = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")


def plan_of(version: int = 1) -> Any:
    return sample_plan().model_copy(
        update={"answers": {}, "case": "rider-7", "version": version, "date": "2026-05-01"}
    )


PLANS = {version: plan_of(version) for version in (1, 2, 3)}


def said_of(number: int) -> Any:
    return entry.Said(
        text="", answer="same", date=f"2026-05-{number:02}", flags=FLAGS, felt=["too high"]
    )


@dataclass(frozen=True)
class Work:
    """Set a folder up, do the work, and tell its state: "old", "new", or what is wrong."""

    setup: Callable[[Path], None]
    do: Callable[[Path, int], None]
    state: Callable[[Path, int], str]


def _nothing(base: Path) -> None:
    base.mkdir(exist_ok=True)


def _kept_if(path: Path, write: Callable[[], object]) -> None:
    """Write a file that is never replaced; a refusal since it is there already is as it should."""
    there = path.exists()
    try:
        write()
    except FootscanError:
        if not there:
            raise


def _with_case(base: Path) -> None:
    cases.keep(base / "home", PLANS[1])


def _save_plan(base: Path, which: int) -> None:
    plans.save_plan(PLANS[which], base / "plans")
    keeping.keep_plan(PLANS[which], base / "plans")


def _plan_state(base: Path, which: int) -> str:
    file = base / "plans" / f"rider-7-v{which}-plan.json"
    kept = base / "plans" / "rider-7" / "plans" / f"plan-{which:03}.json"
    for path in (file, kept):
        if path.exists() and path.read_text(encoding="utf-8") != to_json(PLANS[which]):
            return f"half: {path.name}"
    if (base / "plans" / "rider-7" / "case.json").exists():
        cases.open_case(base / "plans" / "rider-7")
    return "new" if file.exists() and kept.exists() else "old"


def _log_setup(base: Path) -> None:
    riding.log_trial(PLANS[1], said_of(1), base / "log.json")


def _log(base: Path, which: int) -> None:
    riding.log_trial(PLANS[1], said_of(1 + which), base / "log.json")


def _log_state(base: Path, which: int) -> str:
    found = [one.date for one in cases.read_log(base / "log.json")]
    return {1: "old", 2: "new"}.get(len(found), "new" if len(found) == 3 else f"half: {found}")


def _case_log(base: Path, which: int) -> None:
    riding.log_trial(PLANS[1], said_of(1 + which), base / "home")


def _case_log_state(base: Path, which: int) -> str:
    found = cases.open_case(base / "home" / "rider-7").trials()
    return "old" if not found else "new"


def _export(base: Path, which: int) -> None:
    path = base / "out.zip"
    _kept_if(path, lambda: cases.open_case(base / "home" / "rider-7").export(path))


def _export_state(base: Path, which: int) -> str:
    path = base / "out.zip"
    if not path.exists():
        return "old"
    with zipfile.ZipFile(path) as archive:
        return "new" if archive.testzip() is None and len(archive.namelist()) == 2 else "half"


def _import_setup(base: Path) -> None:
    _with_case(base)
    cases.open_case(base / "home" / "rider-7").export(base / "in.zip")
    Home(base / "desk")


def _import(base: Path, which: int) -> None:
    home = Home(base / "desk")
    home.sweep()
    if not (home.cases_folder / "rider-7").exists():
        take_in(home, base / "in.zip")


def _import_state(base: Path, which: int) -> str:
    folder = base / "desk" / "cases" / "rider-7"
    if not folder.exists():
        return "old"
    return "new" if cases.open_case(folder).versions() == [1] else "half"


def _desk_setup(base: Path) -> None:
    home = Home(base / "desk")
    home.create("rider-7").save(Draft(shoe="old.toml"))
    home.save_workshop(Workshop(kerf=0.0))


def _desk(base: Path, which: int) -> None:
    home = Home(base / "desk")
    home.sweep()
    home.case("rider-7").save(Draft(shoe=f"new{which}.toml", answers={"diabetes": "no"}))
    home.save_workshop(Workshop(kerf=0.1 * which))


def _desk_state(base: Path, which: int) -> str:
    home = Home(base / "desk")
    shoe, kerf = home.case("rider-7").draft().shoe, home.workshop().kerf
    if kerf not in (0.0, 0.1, 0.2, 0.1 * which) or shoe not in (
        "old.toml",
        "new1.toml",
        "new2.toml",
    ):
        return f"half: {shoe} {kerf}"
    return "new" if shoe == f"new{which}.toml" and kerf == 0.1 * which else "old"


def _shoe(base: Path, which: int) -> None:
    path = base / "shoes" / "s.toml"
    figures = {"inside.length": 278, "inside.ball_width": 96, "bed.drop": 14}
    _kept_if(path, lambda: shoe_file.write_new(path, "ours", figures))


def _shoe_state(base: Path, which: int) -> str:
    from insole.shoe import shoe

    path = base / "shoes" / "s.toml"
    return "new" if path.exists() and shoe.load(path).drop == 14 else "old"


def _answers(base: Path, which: int) -> None:
    path = base / "answers.toml"
    _kept_if(path, lambda: keeping.keep_answers(path, {"diabetes": "no"}, ""))


def _answers_state(base: Path, which: int) -> str:
    from insole.record import questions

    path = base / "answers.toml"
    if not path.exists():
        return "old"
    return "new" if questions.read(path)[0]["diabetes"] == "no" else "half"


def _erase(base: Path, which: int) -> None:
    folder = base / "home" / "rider-7"
    if folder.exists():
        cases.open_case(folder).erase("rider-7")
    else:
        cases.create(base / "home", "other")  # the next case sweeps what was broken off
        cases.open_case(base / "home" / "other").erase("other")


def _erase_state(base: Path, which: int) -> str:
    folder = base / "home" / "rider-7"
    if not folder.exists():
        return "new"
    return "old" if cases.open_case(folder).plan(1) == PLANS[1] else "half"


def _scanner(base: Path, which: int) -> None:
    from datetime import date

    from footscan.checking import log_file
    from tests.scanner_logs import entry as passed_on

    log_file.append(base / "log.csv", passed_on(date(2026, 5, which)))


def _scanner_state(base: Path, which: int) -> str:
    from footscan.checking import log_file

    if not (base / "log.csv").exists():
        return "old"
    return "new" if log_file.read(base / "log.csv") else "old"


def _light(name: str, size: int) -> Item:
    def write(path: Path) -> None:
        from footscan.files import write_whole

        write_whole(path, name.encode() * size)

    return Item(path=name, write=write, check=lambda paths: None)


def _folder(base: Path, which: int) -> None:
    writers = [_light(f"cut/part-{k}.dxf", 4000) for k in range(6)]
    pages.LEAST_INK = 0.0  # a first page without parts is all but blank
    with contextlib.redirect_stdout(io.StringIO()):
        output.write(PLANS[which], [], base / "parts", writers=writers)


def _folder_state(base: Path, which: int) -> str:
    from insole.output.publishing import check_folder

    folder = base / "parts" / f"rider-7-v{which}"
    if not folder.exists():
        return "old"
    faults = check_folder(folder)
    return f"half: {faults[0]}" if faults else "new"


WORKS = {
    "plan": Work(_nothing, _save_plan, _plan_state),
    "trial in a file": Work(_log_setup, _log, _log_state),
    "trial in a case": Work(_with_case, _case_log, _case_log_state),
    "case export": Work(_with_case, _export, _export_state),
    "case import": Work(_import_setup, _import, _import_state),
    "desk saves": Work(_desk_setup, _desk, _desk_state),
    "shoe": Work(_nothing, _shoe, _shoe_state),
    "answers": Work(_nothing, _answers, _answers_state),
    "erase": Work(_with_case, _erase, _erase_state),
    "scanner log": Work(_nothing, _scanner, _scanner_state),
    "made folder": Work(_nothing, _folder, _folder_state),
}
