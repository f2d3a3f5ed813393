"""What reads each kind of file, as the command line and the desk do."""

# ruff: noqa: E402
from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parent)]

from fuzz_good import SCANS

from footscan.errors import FootscanError

Reader = Callable[[Path], Any]


def readers() -> dict[str, Reader]:
    """Return what reads each kind of file, as the command line and the desk do."""
    from footscan import reading
    from footscan.checking import artefact_log, log_file, series
    from insole.desk import archive
    from insole.desk.store import DeskCase, Home
    from insole.output.papers import question_sheet
    from insole.planning import sound
    from insole.planning.support import kit
    from insole.record import by_hand, limits, material_file, questions
    from insole.shoe import shoe
    from insole.trials import cases
    from insole.workflow import plans

    def plan(path: Path) -> None:
        for edited in (False, True):
            try:
                sound.check(plans.read_plan(path, edited=edited))
            except FootscanError:
                if edited:
                    raise

    def case_file(path: Path) -> None:
        folder = path.parent / "case-folder"
        folder.mkdir(exist_ok=True)
        os.replace(path, folder / "case.json")
        cases.open_case(folder)

    def trial_file(path: Path) -> None:
        folder = path.parent / "trial-folder" / "trials"
        folder.mkdir(parents=True, exist_ok=True)
        os.replace(path, folder / "trial-001.json")
        cases.Case(name="rider-7", folder=folder.parent).trials()

    def draft(path: Path) -> None:
        folder = path.parent / "draft-folder"
        folder.mkdir(exist_ok=True)
        os.replace(path, folder / "desk.json")
        DeskCase(cases.Case(name="rider-7", folder=folder)).draft()

    def workshop(path: Path) -> None:
        home = Home(path.parent / "home")
        os.replace(path, home.folder / "workshop.json")
        home.workshop()

    def take_in(path: Path) -> None:
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            home = Home(Path(folder) / "home")
            try:
                archive.take_in(home, path)
            finally:
                inside = {p.name for p in Path(folder).iterdir()}
                assert inside <= {"home"}, inside
                left = {p.name for p in home.cases_folder.iterdir()}
                assert left <= {"rider-7"}, f"left behind: {left}"

    def scanner_log(path: Path) -> None:
        from datetime import date

        entries = log_file.read(path)
        for series_ in artefact_log.drift(entries, date(2026, 6, 1)):
            series_.as_text(), series_.as_record()
        with contextlib.suppress(FootscanError):
            artefact_log.evidence(entries, date(2026, 6, 1))

    def outline(path: Path) -> None:
        from tests.plans import SHOE

        inside = {
            "name": "x",
            "inside": SHOE["inside"],
            "bed": SHOE["bed"],
            "outline": {"side": "left", "file": path.name},
        }
        shoe.parse(inside, "shoe.toml", path.parent)

    own = limits.default_limits()
    found: dict[str, Reader] = {kind: reading.read for kind in SCANS}
    return found | {
        "shoe": shoe.load,
        "limits": limits.load,
        "kit": lambda path: kit.load(path, own),
        "materials": material_file.load,
        "answers": lambda path: questions.decide(*questions.read(path)),
        "by_hand": by_hand.read,
        "plan": plan,
        "log": cases.read_log,
        "case_json": case_file,
        "trial_json": trial_file,
        "desk": draft,
        "workshop": workshop,
        "archive": take_in,
        "scanner_log": scanner_log,
        "series": series.judge_series,
        "outline_csv": outline,
        "outline_dxf": outline,
        "sheet": question_sheet.read_sheet,
    }
