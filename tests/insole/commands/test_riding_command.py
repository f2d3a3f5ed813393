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
    assert all(text.endswith("? (yes, no, Enter: not asked)") for text in asked)
    assert "not asked: tingling; no step" in out


RODE = ("--same", "--no-red-flags", "--on", "2026-05-02")


def test_what_is_not_understood_is_said_before_it_is_logged(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """Without a terminal nothing is logged; words that stop are logged at once."""
    log = tmp_path / "log.json"
    words = "pad too far back, and it wobbles a lot"
    code, out, err = run("trial", plan_file, "--said", words, *RODE, "--log", log)
    assert (code, out) == (2, "")
    assert "not understood: 'it wobbles a lot'; nothing was logged" in err
    assert "--felt PICK" in err
    assert "--as-said" in err
    assert not log.exists()
    code, out, _ = run("trial", plan_file, "--said", words, *RODE, "--as-said", "--log", log)
    assert code == 0
    assert "3 mm forward" in out
    strong = "pad too far back, and it is rather strong"
    code, out, _ = run("trial", plan_file, "--said", strong, *RODE, "--log", log)
    assert code == 0
    assert "left for later: the arch support is felt as too much" in out
    hurts = "it wobbles a lot and my knee hurts"
    code, _, _ = run("trial", plan_file, "--said", hurts, *RODE, "--log", log)
    assert code == 4


def test_what_is_not_understood_is_asked_at_the_terminal(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import click

    typed = iter(["too hig", "too high", ""])
    asked = []

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        return next(typed)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    words = "it is in the way, and it wobbles a lot"
    code, out, err = run(
        "trial", plan_file, "--said", words, *RODE, "--side", "left", "--log", tmp_path / "l.json"
    )
    assert code == 0
    assert [text.split("'")[1] for text in asked] == ["it is in the way"] * 2 + ["it wobbles a lot"]
    assert "did you mean 'too high'" in err
    assert "picked: too high" in out
    assert "left: support one step down" in out


def test_a_clinicians_word_alone_lifts_a_stop_and_days_to_come_are_refused(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    log = ("--log", tmp_path / "log.json")
    numb = ("--said", "numb toes", "--worse", "--on", "2026-05-02")
    code, out, _ = run("trial", plan_file, *numb, *log)
    assert code == 4
    assert 'to type: --clinician "NAME, YYYY-MM-DD", by itself' in out
    for day in ("9999-12-31", "2026-05-01"):
        code, _, err = run("trial", plan_file, "--clinician", f"A. Doc, {day}", *log)
        assert code == 3, day
        assert "in the future" in err or "older than the stop of trial 1" in err
    code, out, _ = run("trial", plan_file, "--clinician", "A. Doc, 2026-05-03", *log)
    assert code == 0
    assert out.startswith("Trial 2, 2026-05-03: plan 1, both feet, no ride")
    assert "to type" not in run("trial", "--show", tmp_path / "log.json")[1]  # it was typed
    assert "the stop of trial 1 ('numb') is open no longer" in out
    assert run("trial", plan_file, *numb[:3], "--on", "9999-12-31", *log)[0] == 3
    code, out, _ = run(
        "trial", plan_file, "--felt", "too high", *RODE[:2], "--on", "2026-05-05", *log
    )
    assert code == 0
    assert "solewright plan" in out


def test_a_corrected_trial_says_so_and_its_step_is_not_planned_twice(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """The version of the printed command is free; a plan that is the step already is named."""
    from insole.workflow.plans import read_plan

    folder = tmp_path / "larch"
    high = ("--felt", "too high", "--side", "left", *RODE, "--log", folder)
    code, out, _ = run("trial", plan_file, *high)
    assert code == 0
    line = shlex.split(out.splitlines()[-1])
    assert line[line.index("--version") + 1] == "2"
    level = float(line[line.index("--support") + 1].removeprefix("left="))
    plan = read_plan(plan_file)
    wishes = {**plan.wishes, "left": {**plan.wishes.get("left", {}), "support_level": level / 100}}
    _kept(folder, plan, 2, wishes)
    again = ("--corrects", "1", "--because", "another word")
    code, out, err = run("trial", plan_file, *high, *again)
    assert code == 0
    assert "plan 2 is that step already" in err
    assert "solewright plan" not in out
    _kept(folder, plan, 3, plan.wishes)
    low = ("--felt", "pad too far back", "--side", "left", *RODE, "--log", folder)
    code, out, err = run("trial", plan_file, *low, "--corrects", "2", "--because", "it was that")
    line = shlex.split(out.splitlines()[-1])
    assert line[line.index("--version") + 1] == "4"
    shown = run("trial", "--show", folder)[1]
    heads = [row for row in shown.splitlines() if row.startswith("Trial ")]
    assert heads[0].endswith("; replaced by trial 2")
    assert heads[1].endswith("; replaced by trial 3")
    assert "replaced" not in heads[2]


def _kept(folder: Path, plan, version: int, wishes) -> None:
    from insole.trials import cases

    made = plan.model_copy(update={"version": version, "wishes": wishes})
    cases.open_case(folder).add_plan(made)


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
