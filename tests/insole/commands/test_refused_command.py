"""Refused for safety: stop answers, thick edges unread, two scans of one side."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from tests.command_line import LEFT, RIGHT, Run


@pytest.mark.usefixtures("no_scan_is_read")
def test_a_stop_answer_comes_before_any_scan(run: Run, tmp_path: Path) -> None:
    for command in ("plan", "make"):
        code, out, err = run(
            command, LEFT, RIGHT, "--answer", "diabetes=yes", "--out", tmp_path / "out"
        )
        assert (code, out) == (4, "")
        assert "answered yes to diabetes" in err
        assert "clinician" in err
        assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("no_scan_is_read")
def test_answers_of_another_rider_and_words_of_days_to_come_are_refused(
    run: Run, tmp_path: Path, plan_file: Path
) -> None:
    answers, out = tmp_path / "answers.toml", tmp_path / "out"
    answers.write_text(
        'case = "wren"\ndate = "2026-05-02"\n[answers]\nwound = "no"\n', encoding="utf-8"
    )
    for command in ("plan", "make"):
        code, _, err = run(command, LEFT, "--answers", answers, "--case", "teal", "--out", out)
        assert code == 4
        assert "holds the answers of 'wren', asked on 2026-05-02, and the plan is of 'teal'" in err
        code, _, err = run(command, LEFT, "--answers", plan_file, "--case", "teal", "--out", out)
        assert code == 4
        assert "is of 'larch', and the plan is of 'teal'" in err
        code, _, err = run(command, LEFT, "--clinician", "A. Doc, 9999-12-31", "--out", out)
        assert code == 3
        assert "lies in the future" in err
    assert not out.exists()


@pytest.mark.usefixtures("no_scan_is_read")
def test_an_unknown_question_is_named(run: Run, tmp_path: Path) -> None:
    code, _, err = run("plan", LEFT, "--answer", "diabets=no", "--out", tmp_path / "out")
    assert code == 3
    assert "did you mean diabetes" in err


def test_a_clinicians_word_lets_it_pass_and_is_kept(run: Run, tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text('[answers]\ndiabetes = "yes"\nwound = false\n', encoding="utf-8")
    word = "Dr Alder, 2026-05-31"
    code, out, err = run(
        "plan", LEFT, "--answers", answers, "--clinician", word, "--json", "--out", tmp_path
    )
    assert code == 0
    assert "answers.toml holds answers of a rider that it does not name" in err
    record = json.loads(out)
    assert record["clinician"] == word
    assert (record["answers"]["diabetes"], record["answers"]["wound"]) == ("yes", "no")
    assert record["answers"]["calf_swelling"] == "not asked"  # nobody asked: never a no
    assert any("on the word of Dr Alder" in note["text"] for note in record["notes"])


def test_a_plan_on_file_is_no_way_around_a_stop(run: Run, plan_file: Path, tmp_path: Path) -> None:
    record = json.loads(plan_file.read_text(encoding="utf-8"))
    record["answers"]["wound"] = "yes"
    (tmp_path / "stopped.json").write_text(json.dumps(record), encoding="utf-8")
    made = ("make", tmp_path / "stopped.json", "--thick-edges-checked", "--out", tmp_path / "out")
    code, _, err = run(*made)
    assert code == 3
    assert "its seal is broken" in err
    code, _, err = run(*made, "--edited")
    assert code == 4
    assert "answered yes to wound" in err
    assert not (tmp_path / "out").exists()


def test_thick_edges_must_be_read_first(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    for quiet in ([], ["--quiet"]):
        code, out, err = run("make", plan_file, "--out", tmp_path / "out", *quiet)
        assert (code, out) == (4, "")
        assert "--thick-edges-checked" in err
        assert (
            "wedge: left foot, inside forefoot: asked for 2° varus, the shoe has 1° varus, the "
            "shim is 1° varus, thick on the big-toe side" in err
        )
        assert not (tmp_path / "out").exists()


def test_thick_edges_answered_at_the_terminal(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import click

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", lambda *_, **__: "n")
    code, _, err = run("make", plan_file, "--out", tmp_path / "out")
    assert code == 4
    assert "not confirmed" in err
    assert not (tmp_path / "out").exists()


def test_two_scans_of_one_side_are_refused(run: Run, tmp_path: Path) -> None:
    again = tmp_path / "again.ply"
    again.write_bytes(Path(LEFT).read_bytes())
    code, _, err = run("plan", LEFT, again, "--out", tmp_path / "out")
    assert code == 3
    assert "larch_left.ply and again.ply both show the left foot" in err
    assert not (tmp_path / "out").exists()
