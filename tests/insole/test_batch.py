"""Many cases in one go: who belongs to whom, one bad scan, restarts, dying workers, summaries."""

from __future__ import annotations

import base64
import csv
import io
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from insole import cli
from insole.batch import ledger, shift, summary
from insole.batch import task as tasks
from insole.batch.crew import Crew
from insole.batch.pairing import Case
from insole.batch.shift import Counts, time_left
from insole.batch.task import Goal, Record, Task, work
from insole.batch.thumbs import sole_png
from insole.errors import InsoleError
from insole.workflow import making, measuring, processes
from insole.workflow.request import Request, Shots
from tests.batches import TORN, scans
from tests.feet import analytic

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_scans"
KNOWN: dict[Any, Any] = {}  # feet measured in this run


class Inline:
    """Does tasks at once, in the test's own process."""

    def __init__(self, do: Callable[[Task], Record] = work) -> None:
        self.do, self.records, self.tasks = do, [], []

    busy = property(lambda self: len(self.records))
    free = property(lambda self: 1 - len(self.records))

    def submit(self, task: Task) -> None:
        self.tasks.append(task)
        self.records.append(self.do(task))

    def collect(self, wait_s: float) -> list[Record]:
        found, self.records = self.records, []
        return found


def done(task: Task) -> Record:
    """Do nothing but write one file; a case named so is fatal for its process."""
    if task.case == "fatal":
        os.kill(os.getpid(), signal.SIGKILL)
    if task.case == "fatal-once" and not (task.out / "tried").exists():
        (task.out / "tried").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    name = f"{task.case}.txt"
    (task.out / name).write_text("x", encoding="utf-8")
    return Record(
        key=task.key,
        case=task.case,
        to="plan",
        files=("f",),
        said=(str(os.getpid()),),
        products={name: ledger._hash_of(task.out / name)},
    )


def a_task(case: str, out: Path) -> Task:
    return Task(
        key=case,
        case=case,
        sides=("",),
        to=Goal.PLAN,
        out=out,
        request=Request(scans=(Shots(files=(Path(f"{case}.ply"),)),)),
    )


def asked(folder: Path, out: Path, **more: Any) -> shift.Asked:
    def request_for(case: Case) -> Request:
        return Request(scans=tuple(Shots(files=(path,)) for path in case.files))

    return shift.Asked(
        folder=folder,
        out=out,
        to=more.pop("to", Goal.PLAN),
        request_for=more.pop("request_for", request_for),
        **more,
    )


def table(out: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((out / "batch.csv").read_text("utf-8-sig"))))


def test_one_bad_scan_stops_nothing_and_is_told(tmp_path: Path) -> None:
    out = tmp_path / "out"
    scans(tmp_path / "in", "a_left.ply", "b_left.ply", "b-left.ply", "c_left.ply")

    def do(task: Task) -> Record:
        return work(task) if task.case == "a" else done(task)

    counts = shift.run(asked(tmp_path / "in", out), Inline(do))
    assert (counts.total, counts.fresh, counts.skipped, counts.failed) == (3, 1, 0, 2)
    told = {row["case"]: (row["state"], row["message"]) for row in table(out)}
    assert told["c"] == ("done", "")
    assert told["a"][0] == "failed"
    assert told["a"][1].startswith("a_left.ply")
    assert told["b"][1].startswith("b-left.ply and b_left.ply would both be the left foot")
    page = (out / "batch.html").read_text("utf-8")
    assert "3 cases, 1 done, 2 failed" in page
    assert "foot pain calls for clinical advice" in page


def test_a_fault_of_ours_is_one_case_s_too(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(measuring, "measure_all", lambda *a, **k: 1 / 0)
    record = work(a_task("a", tmp_path))
    assert record.exit_code == 70
    assert "fault in the program itself (ZeroDivisionError" in record.message


def test_what_is_done_is_done_again_only_when_something_changed(tmp_path: Path) -> None:
    folder, out = scans(tmp_path / "in", "a_left.ply", "b_left.ply"), tmp_path / "out"

    def go(**more: Any) -> tuple[list[str], Counts]:
        hands = Inline(done)
        counts = shift.run(asked(folder, out, **more), hands)
        return [task.case for task in hands.tasks], counts

    assert go()[0] == ["a", "b"]
    first = (out / "batch.csv").read_bytes(), (out / "batch.html").read_bytes()
    again, counts = go()
    assert (again, counts.skipped, counts.fresh) == ([], 2, 0)
    assert ((out / "batch.csv").read_bytes(), (out / "batch.html").read_bytes()) == first
    (folder / "a_left.ply").write_bytes(TORN + b"other")
    assert go()[0] == ["a"]
    (out / "b.txt").write_text("changed by hand", encoding="utf-8")
    assert go()[0] == ["b"]
    assert go(to=Goal.MEASURES)[0] == ["a", "b"]


def test_the_key_follows_every_wish_and_the_shoe_s_content(tmp_path: Path, monkeypatch) -> None:
    from insole.output.settings import Settings
    from insole.planning.planner import FootWish, PlanWishes, Terms

    scans(tmp_path, "a_left.ply")
    shoe = tmp_path / "shoe.toml"
    shoe.write_bytes((SAMPLES / "shoe.toml").read_bytes())
    request = Request(
        scans=(Shots(files=(tmp_path / "a_left.ply",)),),
        shoe=shoe,
        wishes=PlanWishes(both=FootWish.of(support_level=0.8)),
    )

    def key(of: Request = request, to: Goal = Goal.PARTS, case: str = "a", **settings: Any) -> str:
        return ledger.key_of(case, of, to, Settings(**settings), False)

    other = replace(request, wishes=PlanWishes(both=FootWish.of(support_level=0.9)))
    keys = [
        key(),
        key(other),
        key(case="b"),
        key(kerf=0.2),
        key(to=Goal.PLAN),
        key(replace(request, terms=Terms(answers={"diabetes": "no"}))),
    ]
    assert len(set(keys)) == len(keys)
    assert key(to=Goal.PLAN) == key(to=Goal.PLAN, kerf=0.2)  # a plan knows no kerf
    assert key() == keys[0]
    shoe.write_text(shoe.read_text("utf-8").replace("name = ", "name = 'x' #", 1), "utf-8")
    os.utime(shoe, ns=(1, 1))
    assert key() != keys[0]
    text, outline = shoe.read_text("utf-8"), tmp_path / "bed.csv"
    ring = np.array(tomllib.loads(text)["outline"]["points"])
    start, end = text.index("points = [\n"), text.index("\n]\n", text.index("points = [\n")) + 3
    shoe.write_text(f'{text[:start]}file = "bed.csv"\n{text[end:]}', encoding="utf-8")
    np.savetxt(outline, ring, "%.2f", ",")
    drawn = key()
    np.savetxt(outline, ring * [1.0, 1.01], "%.2f", ",")
    os.utime(outline, ns=(1, 1))
    assert key() != drawn  # a file that the shoe names counts as well
    monkeypatch.setattr("insole.__version__", "99")
    assert key(to=Goal.PLAN) != keys[4]


def test_a_broken_run_leaves_a_whole_summary(tmp_path: Path) -> None:
    out = tmp_path / "out"
    scans(tmp_path / "in", "a_left.ply", "b_left.ply")

    def do(task: Task) -> Record:
        if task.case == "b":
            raise KeyboardInterrupt
        return done(task)

    with pytest.raises(KeyboardInterrupt):
        shift.run(asked(tmp_path / "in", out), Inline(do))
    assert [(row["case"], row["state"]) for row in table(out)] == [("a", "done")]
    assert (out / "batch.html").read_text("utf-8").endswith("</html>\n")
    hands = Inline(done)
    shift.run(asked(tmp_path / "in", out), hands)
    assert [task.case for task in hands.tasks] == ["b"]


def test_two_batches_never_write_the_same_results(tmp_path: Path) -> None:
    scans(tmp_path / "in", "a_left.ply")

    def do(task: Task) -> Record:
        with pytest.raises(InsoleError, match="another batch writes into"):
            shift.run(asked(tmp_path / "in", tmp_path / "out"), Inline(done))
        return done(task)

    assert shift.run(asked(tmp_path / "in", tmp_path / "out"), Inline(do)).fresh == 1


def test_a_watched_foot_waits_for_the_other(tmp_path: Path) -> None:
    folder, out = scans(tmp_path / "in", "a_left.ply"), tmp_path / "out"
    seen: list[list[str]] = []

    class Hands(Inline):
        looks = 0

        def collect(self, wait_s: float) -> list[Record]:
            found = super().collect(wait_s)
            seen.append([task.case for task in self.tasks])
            self.looks += 1
            if self.looks == 4:
                scans(folder, "b_right.ply", "a_right.ply")
            if self.looks == 9:
                raise KeyboardInterrupt
            return found

    with pytest.raises(KeyboardInterrupt):
        shift.run(asked(folder, out, watch=True), Hands(done), look_s=0.0)
    assert seen[3] == []  # complete, and alone
    assert seen[-1] == ["a"]
    assert "b waits for the left foot; b_right.ply is there" in (out / "batch.html").read_text(
        "utf-8"
    )


def test_a_case_done_before_that_comes_anew_is_counted_once(tmp_path: Path) -> None:
    folder, out = scans(tmp_path / "in", "a.ply"), tmp_path / "out"
    shift.run(asked(folder, out), Inline(done))
    told: list[tuple[int, int, int]] = []

    def fails(task: Task) -> Record:
        return replace(done(task), message="torn", exit_code=3)

    class Hands(Inline):
        looks = 0

        def collect(self, wait_s: float) -> list[Record]:
            self.looks += 1
            if self.looks == 8:
                (folder / "a.ply").write_bytes(TORN + b"other")
            if self.looks == 20:
                raise KeyboardInterrupt
            return super().collect(wait_s)

    def note(record: Record, counts: Counts) -> None:
        told.append((counts.fresh, counts.skipped, counts.failed))

    with pytest.raises(KeyboardInterrupt):
        shift.run(asked(folder, out, watch=True), Hands(fails), note, look_s=0.0)
    assert told == [(0, 1, 0), (0, 0, 1)]


def test_cases_that_are_done_do_not_hurry_the_looks(tmp_path: Path) -> None:
    """A file is looked at every two seconds by the clock, however often the hands come back."""
    folder, now, looks = scans(tmp_path / "in", "a.ply"), [0.0], []

    class Hands(Inline):
        def collect(self, wait_s: float) -> list[Record]:
            now[0] += 0.5
            looks.append(len(self.tasks))
            if len(looks) == 12:
                raise KeyboardInterrupt
            return super().collect(wait_s)

    with pytest.raises(KeyboardInterrupt):
        shift.run(asked(folder, tmp_path / "out", watch=True), Hands(done), clock=lambda: now[0])
    assert looks == [0] * 8 + [1] * 4  # at 0, 2 and 4 s


def test_a_table_that_is_open_elsewhere_stops_nothing(tmp_path: Path, monkeypatch) -> None:
    real, tries = summary.write, []

    def write(*arguments: Any) -> None:
        tries.append(len(tries))
        if len(tries) == 1:
            raise InsoleError("open elsewhere")
        real(*arguments)

    monkeypatch.setattr(summary, "write", write)
    monkeypatch.setattr(shift, "SUMMARY_EVERY", 1)
    folder = scans(tmp_path / "in", "a_left.ply", "b_left.ply")
    assert shift.run(asked(folder, tmp_path / "out"), Inline(done)).fresh == 2
    assert [row["case"] for row in table(tmp_path / "out")] == ["a", "b"]


def test_time_left_in_words() -> None:
    assert time_left(10.0, Counts(total=5, skipped=5)) == ""
    assert time_left(10.0, Counts(total=5)) == ""
    assert time_left(10.0, Counts(total=5, fresh=1, failed=1, skipped=1)) == "about 10 s left"
    assert time_left(3600.0, Counts(total=10, fresh=1)) == "about 9.0 h left"


def test_a_case_that_ends_its_process_is_tried_again_then_given_up(tmp_path: Path) -> None:
    crew = Crew(2, life=2, do=done)
    waiting = [a_task(name, tmp_path) for name in ("fatal", "fatal-once", "c", "d", "e")]
    records: dict[str, Record] = {}
    try:
        while waiting or crew.busy:
            while waiting and crew.free:
                crew.submit(waiting.pop(0))
            assert crew.busy <= 2
            records |= {record.case: record for record in crew.collect(5.0)}
    finally:
        crew.close()
    assert "ended the program that did so" in records["fatal"].message
    assert {name for name, record in records.items() if record.done} == {
        "fatal-once",
        "c",
        "d",
        "e",
    }
    lives = [record.said[0] for record in records.values() if record.done]
    assert max(lives.count(life) for life in lives) <= 2  # then a process is replaced


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_a_watched_folder_is_left_by_a_break_without_a_traceback(tmp_path: Path) -> None:
    scans(tmp_path / "in", "a_left.ply", "a_right.ply")
    out = tmp_path / "out"
    running = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "insole.cli",
            "batch",
            str(tmp_path / "in"),
            "--watch",
            "--to",
            "measures",
            "--jobs",
            "1",
            "--out",
            str(out),
        ],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert running.stderr is not None
    said = ""
    for line in running.stderr:  # ends when the command does
        said += line
        if "1 of 1: a failed" in line:
            break
    running.send_signal(signal.SIGINT)
    try:
        _, rest = running.communicate(timeout=120)
    except subprocess.TimeoutExpired:
        running.kill()
        raise
    assert "Traceback" not in said + rest
    assert running.returncode == 3  # one case failed
    assert "cases: 1; 0 done, 0 done before, 1 failed" in rest
    assert [row["state"] for row in table(out)] == ["failed"]


@pytest.fixture
def pair(tmp_path: Path) -> Path:
    folder = tmp_path / "in"
    folder.mkdir()
    for side in ("left", "right"):
        (folder / f"larch_{side}.ply").write_bytes((SAMPLES / f"larch_{side}.ply").read_bytes())
    return folder


@pytest.fixture
def inline(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Have the command's tasks done in this process, and each scan measured once."""
    hands, real = Inline(), processes.measure_feet_in
    hands.close = lambda: None

    def measured(paths: Any, options: Any) -> Any:
        key = *((path.name, path.read_bytes()) for path in paths), repr(options)
        if key not in KNOWN:
            KNOWN[key] = real(paths, options)
        return KNOWN[key]

    monkeypatch.setattr(processes, "measure_feet_in", measured)
    monkeypatch.setattr(sys.modules["insole.cli.batch"], "_hands", lambda scheduler, jobs: hands)


def test_batch_asks_for_the_same_as_make(
    pair: Path, inline: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Plan and settings are all that files are made from: equal ones make equal files."""
    made: list[tuple[Any, Any]] = []

    def make(plan: Any, out: Path, *, settings: Any, **_: Any) -> Path:
        made.append((plan, settings))
        folder = out / "larch-v1"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "manifest.json").write_text('{"files": []}', encoding="utf-8")
        return folder

    monkeypatch.setattr(making, "make", make)
    wish = [
        "--shoe",
        str(SAMPLES / "shoe.toml"),
        "--load",
        "half",
        "--forefoot",
        "right=2",
        "--kerf",
        "0.2",
        "--layers",
        "--quiet",
        "--no-pad",
    ]
    files = [str(pair / f"larch_{side}.ply") for side in ("left", "right")]
    more = ["--case", "larch", "--thick-edges-checked"]
    assert cli.main(["make", *files, *wish, *more, "--out", str(tmp_path / "one")]) == 0
    out = tmp_path / "many"
    assert cli.main(["batch", str(pair), *wish, "--out", str(out)]) == 3
    assert "thick on the big-toe side" in table(out)[1]["message"]
    assert cli.main(["batch", str(pair), *wish, more[-1], "--out", str(out)]) == 0
    assert len(made) == 2
    assert made[0] == made[1]
    assert {row["foot"]: row["result"] for row in table(out)} == dict.fromkeys(
        ("left", "right"), "larch-v1/manifest.json"
    )


def test_measures_are_those_of_measure(pair: Path, inline: None, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    load = ["--load", "half"]
    assert cli.main(["batch", str(pair), "--to", "measures", *load, "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert "1 of 1: larch done" in said.err
    assert str(out / "batch.html") in said.out
    files = [str(pair / f"larch_{side}.ply") for side in ("left", "right")]
    assert cli.main(["measure", "--json", *load, *files]) == 0
    assert (out / "larch-measures.json").read_text("utf-8") == capsys.readouterr().out
    rows = table(out)
    assert [(row["foot"], row["scan"]) for row in rows] == [
        ("left", "larch_left.ply"),
        ("right", "larch_right.ply"),
    ]
    assert 262 < float(rows[0]["foot_length"]) < float(rows[1]["foot_length"]) < 275
    assert rows[0]["foot_length_sd"] == "0.500"  # nobody verified the scale
    pictures = re.findall(r"base64,([^\"]+)", (out / "batch.html").read_text("utf-8"))
    assert [Image.open(io.BytesIO(base64.b64decode(p))).mode for p in pictures] == ["RGBA"] * 2


def test_a_name_that_contradicts_the_scan_is_refused(
    pair: Path, inline: None, tmp_path: Path, capsys
) -> None:
    (pair / "larch_right.ply").rename(pair / "larch_left.ply")
    out = tmp_path / "out"
    assert cli.main(["batch", str(pair), "--to", "plan", "--out", str(out)]) == 3
    assert "larch_left.ply is named left and shows a right foot" in capsys.readouterr().err
    assert not list(out.glob("*plan.json"))


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--pairs", "{case}.ply"), "--pairs: a pattern has {side} once"),
        (("--jobs", "2", "--scheduler", "x"), "give --jobs or --scheduler, not both"),
        (("--answer", "diabetes=yes"), "diabetes"),
        (("--support", "much"), "--support: 'much' cannot be read"),
        (("--bed", "tiny"), "--bed wants two sizes"),
    ],
)
def test_what_is_wrong_for_all_is_said_once(
    tmp_path: Path, capsys, options: tuple[str, ...], sentence: str
) -> None:
    scans(tmp_path, "a_left.ply")
    assert cli.main(["batch", str(tmp_path), *options, "--out", str(tmp_path / "o")]) in (2, 4)
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_an_empty_folder_is_told(tmp_path: Path, inline: None, capsys) -> None:
    assert cli.main(["batch", str(tmp_path), "--out", str(tmp_path / "o")]) == 3
    assert "holds no scan that could be told" in capsys.readouterr().err
    assert cli.main(["batch", str(tmp_path / "x"), "--out", str(tmp_path / "o")]) == 3
    assert f"there is no folder {tmp_path / 'x'}" in capsys.readouterr().err


def test_names_are_no_formulas_and_no_markup(tmp_path: Path) -> None:
    record = Record(key="k", case="=1+1", to="plan", files=("<b>.ply",), message='a <b>"bad"</b>')
    summary.write(tmp_path, [record])
    assert table(tmp_path)[0]["case"] == "'=1+1"
    page = (tmp_path / "batch.html").read_text("utf-8")
    assert "<b>" not in page
    assert "&lt;b&gt;.ply" in page


def test_a_record_comes_back_as_it_went() -> None:
    foot = tasks.FootRecord(
        side="left",
        file="a",
        verdict="v",
        findings=("x",),
        picture="p",
        measures={"m": (1.0, "mm", None)},
        sizes={"eu": 42.0},
    )
    record = Record(key="k", case="ä", to="plan", files=("a",), feet=(foot,), products={"a": "b"})
    assert Record.from_json(record.to_json()) == record


@pytest.mark.parametrize(("side", "dark_half"), [("right", "right"), ("left", "left")])
def test_the_thumbnail_is_seen_from_above_toes_up(side: str, dark_half: str) -> None:
    """The arch, pale, is on the medial side: left of a right foot seen from above."""
    image = np.asarray(Image.open(io.BytesIO(sole_png(analytic(side=side).foot)))).astype(int)
    seen, pale = image[..., 3] > 0, image[..., :3].sum(axis=2)
    middle = slice(int(0.45 * len(image)), int(0.6 * len(image)))
    halves = {}
    width = image.shape[1] // 2
    for name, part in (("left", slice(0, width)), ("right", slice(width, None))):
        halves[name] = pale[middle, part][seen[middle, part]].mean()
    assert min(halves, key=lambda name: halves[name]) == dark_half
    broad = seen.sum(axis=1)
    ball, heel = broad[int(0.25 * len(broad))], broad[int(0.85 * len(broad))]
    assert ball > heel  # the forefoot is broader, and up
