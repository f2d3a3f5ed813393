"""One folder, made once, and ways to put a fault into a copy of it."""

from __future__ import annotations

import json
import pickle
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from insole import readback
from insole.errors import OutputError
from insole.output import contents, folder
from insole.output.cut import cutting
from insole.output.papers import bench, flow, gauges
from insole.output.papers import plan_page as report
from insole.output.settings import Settings
from insole.parts.build import all_parts
from insole.parts.part import Part
from insole.readback import folder as reader
from insole.readback.cut import Sheet
from insole.readback.drawings import Drawing
from insole.readback.told import Told
from insole.record.plan import Plan, fingerprint, from_json, seal_of
from tests.plans import sample_plan
from tests.store import STORE

SETTINGS = Settings(papers=("a4",))


@dataclass
class Bench:
    """A finished folder to put faults into."""

    plan: Plan
    parts: list[Part]
    place: Path

    def kept(self, *names: str) -> None:
        """Leave only some of the folders: what is not looked at takes no time."""
        for path in self.place.iterdir():
            if path.is_dir() and path.name not in names:
                shutil.rmtree(path)

    def file(self, pattern: str) -> Path:
        found = sorted(self.place.glob(pattern))
        assert found, pattern
        return found[0]

    def write(self, pattern: str, *, plan: Plan | None = None, parts: Sequence[Part] = ()) -> None:
        """Write files anew with the program's own writers, as they are patched now."""
        cutting._drawn_once.cache_clear()
        wanted = {path.relative_to(self.place).as_posix() for path in self.place.glob(pattern)}
        assert wanted, pattern
        for item in contents.items(plan or self.plan, parts or self.parts, SETTINGS):
            if item.path in wanted:
                item.write(self.place / item.path)
        cutting._drawn_once.cache_clear()

    def edit(self, pattern: str, old: str, new: str, *, count: int = 0) -> None:
        """Change text in files; the text has to be there."""
        for path in sorted(self.place.glob(pattern)):
            data = path.read_bytes()
            changed = re.sub(old.encode(), new.encode(), data, count=count)
            assert changed != data, path.name
            path.write_bytes(changed)

    def swap(self, one: str, two: str) -> None:
        """Exchange the names of two files."""
        a, b, aside = self.place / one, self.place / two, self.place / "aside"
        a.rename(aside)
        b.rename(a)
        aside.rename(b)

    def refused(self, sentence: str) -> None:
        """Read the folder back and see that it is refused with a sentence that says why."""
        with pytest.raises(OutputError, match=sentence) as caught:
            readback.check(self.place)
        assert "\n" not in str(caught.value)
        assert caught.value.exit_code == 5


DRAWINGS: dict[tuple[str, bytes], Drawing] = {}
LABELS: dict[tuple[int, Sheet, str, bytes], list[str]] = {}


@pytest.fixture(scope="module", autouse=True)
def _read_once() -> Iterator[None]:
    """Read the same drawing once: tests here patch what writes, never what reads."""
    read, held = reader.read_drawing, reader.check_drawing

    def drawing(path: Path) -> Drawing:
        key = (path.name, path.read_bytes())
        if key not in DRAWINGS:
            DRAWINGS[key] = read(path)
        return DRAWINGS[key]

    def checked(drawing: Drawing, sheet: Sheet, told: Told) -> list[str]:
        key = (id(drawing), sheet, told.tag, pickle.dumps(told.plan))
        if key not in LABELS:
            LABELS[key] = held(drawing, sheet, told)
        return LABELS[key]

    reader.read_drawing, reader.check_drawing = drawing, checked
    yield
    reader.read_drawing, reader.check_drawing = read, held


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, list[Part], Path]:
    """Two feet: a heel shim and a pad on the left, a forefoot and an under-shoe shim right."""
    plan = sample_plan(under=True)
    parts, out = all_parts(plan), tmp_path_factory.mktemp("out")

    def files() -> dict[str, bytes]:
        place = folder.write(plan, parts, out / "written", settings=SETTINGS)
        found = [path for path in place.parent.rglob("*") if path.is_file()]
        return {path.relative_to(place.parent).as_posix(): path.read_bytes() for path in found}

    place = out
    for name, data in STORE.ask("a made folder", (plan, SETTINGS), files).items():
        path = out / "kept" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        place = out / "kept" / name.partition("/")[0]
    return plan, parts, place


@pytest.fixture
def made_copy(
    made: tuple[Plan, list[Part], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Bench]:
    plan, parts, place = made
    copy = tmp_path / place.name
    shutil.copytree(place, copy)
    seal = fingerprint(plan)
    for module in (bench, flow, gauges, report):  # a page of a changed plan, under this one's name
        if hasattr(module, "fingerprint"):
            monkeypatch.setattr(module, "fingerprint", lambda plan: seal)
    yield Bench(plan, parts, copy)
    cutting._drawn_once.cache_clear()


@pytest.fixture
def edited(made_copy: Bench) -> Callable[..., Plan]:
    """Return the plan with values of its JSON changed, by their path."""

    def change(**values: object) -> Plan:
        record = json.loads((made_copy.place / "plan.json").read_text(encoding="utf-8"))
        for path, value in values.items():
            *way, last = path.split("__")
            at = record
            for step in way:
                at = at[int(step)] if step.isdigit() else at[step]
            at[last] = value
        record["seal"] = seal_of(record)
        return from_json(json.dumps(record))

    return change
