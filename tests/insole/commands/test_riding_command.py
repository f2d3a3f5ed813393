"""Trials and cases on the command line: logged, corrected, kept, shown, erased."""

from __future__ import annotations

import json
import shlex
import sys
import zipfile
from pathlib import Path

import pytest

from tests.command_line import LEFT, RIGHT, SHOE, Run


def test_a_trial_is_logged_and_its_options_plan_the_step(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """The printed command, with the places of its files, changes one thing and nothing else."""
    log, said = tmp_path / "log.json", "lump in the arch"
    code, out, err = run(
        "trial",
        plan_file,
        "--said",
        said,
        "--side",
        "left",
        "--same",
        "--no-red-flags",
        "--on",
        "2026-05-02",
        "--log",
        log,
    )
    assert (code, err) == (0, "")
    line = shlex.split(out.splitlines()[-1])
    assert line[:2] == ["solewright", "plan"]
    places = {Path(LEFT).name: LEFT, Path(RIGHT).name: RIGHT, Path(SHOE).name: SHOE}
    arguments = [places.get(part, part) for part in line[1:]]
    code, out, _ = run(*arguments, "--out", tmp_path)
    assert code == 0
    changes = out.split("Against the earlier plan:")[1].splitlines()
    levels = [c for c in changes if "support level" in c]
    assert next(c.strip() for c in levels).startswith("left support level: ")
    right = [c.strip() for c in changes if c.strip().startswith("right")]
    assert right == ["right: its parts stay as they are"]
    old, new = (
        json.loads(p.read_text(encoding="utf-8"))
        for p in (plan_file, tmp_path / "larch-v2-plan.json")
    )
    assert set(new["wishes"]["left"]) == {"support_level"}
    assert new["wishes"] == old["wishes"] | {"left": new["wishes"]["left"]}
    assert new["left"]["pad"]["crest"]["height"] < old["left"]["pad"]["crest"]["height"] - 0.7
    code, out, _ = run("trial", "--show", log)
    assert code == 0
    assert f'the rider said: "{said}"' in out
    assert json.loads(log.read_text(encoding="utf-8"))["trials"][0]["step"]["thing"] == "pad"


def test_a_stop_word_is_logged_and_ends_with_4(run: Run, plan_file: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.json"
    code, out, _ = run(
        "trial", plan_file, "--said", "toes go numb", "--worse", "--on", "2026-05-02", "--log", log
    )
    assert code == 4
    assert "ask a clinician" in out
    assert "solewright plan" not in out
    code, out, err = run(
        "trial",
        plan_file,
        "--said",
        "toes are numb",
        "--worse",
        "--on",
        "2026-05-03",
        "--log",
        log,
        "--json",
    )
    assert code == 4
    assert "ask a clinician" in err
    assert json.loads(out)["command"] is None
    assert len(json.loads(run("trial", "--show", log, "--json")[1])) == 2


def test_a_case_keeps_plan_and_trials(run: Run, plan_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "larch"
    for day in ("2026-05-01", "2026-05-02"):
        code, _, err = run(
            "trial", plan_file, "--said", "fine", "--better", "--on", day, "--log", folder
        )
        assert (code, err) == (0, "")
    assert (folder / "plans" / "plan-001.json").read_bytes() == plan_file.read_bytes()
    assert sorted(p.name for p in (folder / "trials").iterdir()) == [
        "trial-001.json",
        "trial-002.json",
    ]
    code, _, err = run("trial", plan_file, "--on", "2026-05-01", "--log", tmp_path / "oak")
    assert (code, err) == (0, "")
    assert (tmp_path / "oak" / "larch" / "trials" / "trial-001.json").exists()


def test_plan_make_trial_and_case_agree_on_one_folder(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """A named case keeps plans and trials by itself, in the folder that parts go into."""
    code, _, err = run("make", plan_file, "--thick-edges-checked", "--out", tmp_path)
    assert code == 0, err
    made = tmp_path / "larch-v1" / "plan.json"
    code, out, err = run(
        "trial", made, "--felt", "too high", "--same", "--no-red-flags", "--on", "2026-05-02"
    )
    assert (code, err) == (0, "")
    assert "red flags: no: pain, numbness, tingling, cramp, slipping, stuck" in out
    code, out, _ = run("case", tmp_path)
    assert out.startswith("larch: plans 1; 1 trials")
    assert (plan_file.parent / "larch" / "plans" / "plan-001.json").exists()  # kept by plan
    other = json.loads(plan_file.read_text(encoding="utf-8")) | {"date": "May"}
    changed = tmp_path / "changed.json"
    changed.write_text(json.dumps(other), encoding="utf-8")
    code, _, err = run("make", changed, "--thick-edges-checked", "--out", tmp_path)
    assert code == 3
    assert "give this one a new version" in err


def test_red_flags_are_asked_at_the_terminal(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not given is asked; skipped is not asked."""
    import click

    typed = iter(["no", "no", "skip", "no", "no"])
    asked = []

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        return next(typed)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--flag",
        "cramp=no",
        "--on",
        "2026-05-02",
        "--log",
        tmp_path / "log.json",
    )
    assert code == 0
    assert len(asked) == 5
    assert all(text.endswith("?") for text in asked)
    assert "not asked: tingling; no step" in out


def test_loose_plans_are_shown_and_can_be_kept(run: Run, plan_file: Path, tmp_path: Path) -> None:
    (tmp_path / "larch-v1").mkdir()
    (tmp_path / "larch-v1" / "plan.json").write_bytes(plan_file.read_bytes())
    code, out, _ = run("case", tmp_path)
    assert code == 0
    assert "plans that no case keeps: larch v1" in out
    assert run("case", tmp_path, "--keep")[1].startswith("larch: plans 1; 0 trials")


def test_red_flags_are_options_and_unasked_ones_give_no_step(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    log = ["--on", "2026-05-02", "--log", tmp_path / "log.json"]
    code, out, _ = run("trial", plan_file, "--felt", "too high", "--same", *log)
    assert code == 0
    assert "not asked: pain" in out
    assert "solewright plan" not in out
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--no-red-flags",
        "--flag",
        "cramp=yes",
        *log,
    )
    assert code == 4
    assert "cramp: yes" in out
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--no-red-flags",
        "--corrects",
        "2",
        "--because",
        "typed wrong",
        *log,
    )
    assert code == 0
    assert "in the place of trial 2: typed wrong" in out
    assert "solewright plan" in out
    for wrong, code, says in (("cramp", 2, "NAME=yes or NAME=no"), ("cramps=no", 3, "mean cramp")):
        got, _, err = run("trial", plan_file, "--same", "--flag", wrong, *log)
        assert got == code
        assert says in err


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (["--log", "LOG"], 2, "--on YYYY-MM-DD"),
        (
            ["--log", "LOG", "--on", "2026-05-01", "--said", "fine"],
            2,
            "--better, --same or --worse",
        ),
        (["--log", "LOG", "--on", "May", "--better"], 3, "give it as YYYY-MM-DD"),
        (["--log", "BAD", "--on", "2026-05-01", "--better"], 3, "is damaged"),
    ],
)
def test_a_wrong_trial_is_one_sentence(
    run: Run, plan_file: Path, tmp_path: Path, options: list[str], code: int, says: str
) -> None:
    (tmp_path / "bad.json").write_text("{", encoding="utf-8")
    names = {"LOG": tmp_path / "log.json", "BAD": tmp_path / "bad.json"}
    got, _, err = run("trial", plan_file, *[names.get(o, o) for o in options])
    assert got == code
    assert says in err
    assert not (tmp_path / "log.json").exists()


def test_showing_no_log_is_one_sentence(run: Run, tmp_path: Path) -> None:
    code, _, err = run("trial", "--show", tmp_path / "none.json")
    assert code == 3
    assert "there is no trial log" in err


def test_a_case_is_shown_exported_and_erased(run: Run, plan_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "larch"
    run("trial", plan_file, "--said", "fine", "--better", "--on", "2026-05-01", "--log", folder)
    code, out, _ = run("case", tmp_path)
    assert code == 0
    assert out.startswith("larch, opened 2026-05-01: plans 1; 1 trials")
    assert "trial 1, 2026-05-01, plan 1: no step" in run("case", folder)[1]
    run(
        "trial",
        plan_file,
        "--said",
        "good",
        "--better",
        "--on",
        "2026-05-01",
        "--log",
        folder,
        "--corrects",
        "1",
        "--because",
        "another word",
    )
    rows = run("case", folder)[1].splitlines()
    assert [row.split(", plan 1: ")[1] for row in rows[1:3]] == ["corrected by trial 2", "no step"]
    code, _, err = run("case", folder, "--erase", "oak")
    assert code == 3
    assert "repeat its name" in err
    code, out, _ = run("case", folder, "--export", tmp_path / "larch.zip", "--erase", "larch")
    assert code == 0
    assert not folder.exists()
    with zipfile.ZipFile(tmp_path / "larch.zip") as kept:
        assert kept.read("larch/plans/plan-001.json") == plan_file.read_bytes()
    assert run("case", folder)[0] == 3
    assert run("case", tmp_path)[1].strip() == f"{tmp_path} holds no case"
