"""Any command: its help, wrong use, nonsense and faults of the program in one sentence."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import trimesh

from insole import cli
from insole.workflow import measuring
from tests.command_line import LEFT, RIGHT, ROOT, Run

COMMANDS = (
    "check",
    "measure",
    "fit",
    "plan",
    "make",
    "compare",
    "artefact",
    "trial",
    "questions",
    "bar",
    "settle",
    "shoe",
    "case",
    "trace",
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(run: Run, command: str) -> None:
    code, out, err = run(command, "--help")
    assert code == 0
    assert err == ""
    assert out.startswith(f"Usage: solewright {command}")
    assert len(out.splitlines()[2].strip()) > 20  # a sentence on what it does


def test_every_option_has_help() -> None:
    import click

    assert set(cli.cli.commands) >= set(COMMANDS)
    for name, command in cli.cli.commands.items():
        assert command.help, name
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{name} {option.opts}"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom insole import cli\ncode = cli.main(['make', '--help'])\n"
        "heavy = [m for m in ('numpy', 'scipy', 'pydantic', 'trimesh') if m in sys.modules]\n"
        "print('HEAVY', heavy, file=sys.stderr)\nraise SystemExit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Usage: solewright make" in done.stdout
    assert done.stderr.strip() == "HEAVY []"


def test_questions_lists_every_question(run: Run) -> None:
    from insole.record.questions import QUESTIONS

    code, out, err = run("questions")
    assert (code, err) == (0, "")
    rows = out.splitlines()
    assert len(rows) == len(QUESTIONS)
    for row, question in zip(rows, QUESTIONS, strict=True):
        assert row.split(maxsplit=2) == [question.id, question.grade, question.text]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure", LEFT, "--unit", "mm", "--scale", "1"], "--unit or --scale, not both"),
        (["measure", LEFT, "--scale", "-2"], "positive number of millimetres"),
        (["measure", LEFT, "--scale", "nan"], "positive number of millimetres"),
        (["measure", LEFT, RIGHT, "--side", "left"], "given 1 times for 2 scans"),
        (["measure", LEFT, "--foot-length", "268", "--foot-length", "270"], "given 2 times for 1"),
        (["measure", LEFT, "--landmark", "mth1=1,2"], "NAME=X,Y,Z"),
        (["measure", LEFT, "--landmark", "mth1=1,2,nan"], "NAME=X,Y,Z"),
        (["measure", LEFT, "--landmark", "x:mth1=1,2,3"], "NAME=X,Y,Z"),
        (["measure", LEFT, RIGHT, "--landmark", "mth1=1,2,3"], "belongs to one foot"),
        (["measure", LEFT, RIGHT, "--landmark", "3:mth1=1,2,3"], "numbered 1 to 2"),
        (["measure", LEFT, "--repeated"], "two or more scans of one foot"),
        (["measure", LEFT, RIGHT, "--repeated", "--json"], "prints text"),
        (["measure", LEFT, RIGHT, "--repeated", "--one-foot"], "prints text"),
        (["measure", LEFT, "--eu-rule", "best"], "'two-points', 'fifteen-mm'"),
        (["check", LEFT, "--picture", "sole.jpg"], "a name that ends in .png"),
        (["compare", LEFT], "give two scans, or --series and no scan"),
        (["compare", LEFT, RIGHT, "--series", "s.csv"], "give two scans, or --series and no scan"),
        (["compare", LEFT, RIGHT, "--picture", "a.svg"], "a name that ends in .png"),
        (["artefact"], "give the scan of an artefact, or --drift"),
        (["artefact", LEFT, "--drift", "log.csv"], "give the scan of an artefact, or --drift"),
        (["artefact", LEFT], "say what was scanned"),
        (["artefact", LEFT, "--ball", "30", "--plate"], "say what was scanned"),
        (["artefact", LEFT, "--ball", "30", "--log", "l.csv"], "--scanner NAME"),
        (["artefact", LEFT, "--ball", "30", "--date", "2999-01-01"], "lies ahead of today"),
        (["make", LEFT, "--bed", "220"], "--bed wants two sizes in mm"),
        (["make", LEFT, "--bed", "10x220"], "40 to 2000"),
        (["make", LEFT, "--bed", "nanxnan"], "40 to 2000"),
        (["make", LEFT, "--override", "wedge;me;because"], "LIMIT;WHO;WHY;WHEN"),
        (["make", LEFT, "--override", "wedge;me;;today"], "all four filled"),
        (["plan", LEFT, "--shift-pad", "3"], "--shift-pad: '3' cannot be read"),
        (["plan", LEFT, "--shift-pad", "1,2,3"], "--shift-pad: '1,2,3' cannot be read"),
        (["plan", LEFT, "--shift-pad", "middle=1,2"], "neither left nor right"),
        (["plan", LEFT, "--pad-source", "guess"], "--pad-source: 'guess' cannot be read"),
        (["plan", LEFT, "--answer", "diabetes"], "QUESTION=yes or QUESTION=no"),
        (["measure"], "Missing argument"),
        (["nonsense"], "No such command"),
        (["make", LEFT, "--kerf", "-1"], "0<=x<=5"),
    ],
)
@pytest.mark.usefixtures("no_scan_is_read")
def test_wrong_use_exits_2_with_a_sentence(
    run: Run, arguments: list[str], words: str, tmp_path: Path
) -> None:
    extra = ["--out", tmp_path / "out"] if arguments[0] in ("plan", "make") else []
    code, out, err = run(*arguments, *extra)
    assert (code, out) == (2, "")
    last = err.strip().splitlines()[-1]
    assert last.startswith("Error: ")
    assert words in last
    assert not list(tmp_path.iterdir())


def _nonsense(folder: Path) -> dict[str, str]:
    """Fill a folder with files that are no foot; return a word that must be said about each."""
    (folder / "empty.ply").write_bytes(b"")
    (folder / "text.stl").write_text("milk, bread, and a new inner tube\n", encoding="utf-8")
    whole = Path(LEFT).read_bytes()
    (folder / "short.ply").write_bytes(whole[: len(whole) // 2])
    fine = trimesh.creation.box((260.0, 100.0, 90.0))
    for _ in range(5):
        fine = fine.subdivide()
    fine.export(folder / "cube.ply")
    trimesh.creation.box((260.0, 100.0, 90.0)).export(folder / "coarse_cube.stl")
    flat = trimesh.Trimesh(fine.vertices * [1, 1, 0], fine.faces, process=False)
    flat.export(folder / "plane.ply")
    trimesh.creation.icosphere(subdivisions=5, radius=130.0).export(folder / "sphere.stl")
    (folder / "a_folder.ply").mkdir()
    return {
        "empty.ply": "empty",
        "text.stl": "text.stl",
        "short.ply": "cut short",
        "cube.ply": "no foot",
        "coarse_cube.stl": "points",
        "plane.ply": "flat",
        "sphere.stl": "no foot",
        "missing.ply": "not there",
        "a_folder.ply": "folder",
    }


def test_nonsense_gets_one_sentence_and_no_file(run: Run, tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    for name, words in _nonsense(scans).items():
        code, printed, err = run("make", scans / name, "--out", out)
        said = [row for row in err.splitlines() if row != "measuring and planning"]
        assert (code, printed) == (3, ""), name
        assert len(said) == 1, (name, said)
        assert said[0].startswith("solewright: "), name
        assert words in said[0], (name, said)
        assert not out.exists(), name


def test_a_damaged_plan_gets_one_sentence(run: Run, plan_file: Path, tmp_path: Path) -> None:
    record = json.loads(plan_file.read_text(encoding="utf-8"))
    record["left"]["base"]["thickness"] = "thick"
    cases = {
        "cut.json": plan_file.read_text(encoding="utf-8")[:400],
        "list.json": "[]",
        "wrong.json": json.dumps(record),
        "binary.json": "\x00\x01",
    }
    for name, text in cases.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        code, _, err = run("make", tmp_path / name, "--out", tmp_path / "out")
        assert code == 3, name
        assert len(err.splitlines()) == 1, (name, err)
        assert err.startswith("solewright: "), name
    code, _, err = run("make", tmp_path / "gone.json", "--out", tmp_path / "out")
    assert code == 3
    assert "cannot be read" in err
    assert not (tmp_path / "out").exists()


def test_a_fault_of_ours_is_one_sentence(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(measuring, "measure_each", broken)
    monkeypatch.delenv("SOLEWRIGHT_TRACEBACK", raising=False)
    code, out, err = run("measure", LEFT)
    assert (code, out) == (70, "")
    assert len(err.splitlines()) == 1
    assert err.startswith("solewright: a fault in the program itself (ZeroDivisionError: by zero)")
    monkeypatch.setenv("SOLEWRIGHT_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(["measure", LEFT])


def test_out_of_memory_and_a_break_are_told(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise MemoryError

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(measuring, "measure_each", full)
    code, _, err = run("measure", LEFT)
    assert code == 3
    assert "not enough memory" in err
    monkeypatch.setattr(measuring, "measure_each", stopped)
    code, _, err = run("measure", LEFT)
    assert code == 130
    assert "no file is half written" in err


def test_the_installed_command_returns_the_code() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "insole.cli", "measure", "nowhere.ply"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith("solewright: nowhere.ply")
    assert len(done.stderr.splitlines()) == 1
