"""The store: nothing is overwritten, nothing is half written, a damaged file is one sentence."""

from __future__ import annotations

import json
import os
import zipfile
from functools import partial
from pathlib import Path

import pytest

from footscan import files
from insole import cli
from insole.cli.options import again
from insole.cli.options.answers import answers_of
from insole.errors import InsoleError, PlanError, RefusedError
from insole.record.plan import fingerprint, to_json
from insole.trials import case_files, cases
from insole.trials.entry import Said, Trial
from insole.trials.red_flags import FLAGS
from insole.workflow import keeping, riding
from tests.plans import sample_plan


def trial(number: int = 1, case: str = "larch", **more) -> Trial:
    return Trial(
        number=number, case=case, plan=1, fingerprint="0" * 12, date="2026-05-01", set_up={}, **more
    )


@pytest.fixture
def case(tmp_path: Path) -> cases.Case:
    return cases.create(tmp_path, "larch", opened="2026-05-01")


def plan(version: int = 1, case: str = "larch"):
    return sample_plan().model_copy(update={"case": case, "version": version})


def everything(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_case_is_found_again(case, tmp_path):
    assert cases.open_case(case.folder) == case
    assert cases.create(tmp_path, "birch-2").name == "birch-2"
    (tmp_path / "notes").mkdir()
    assert [c.name for c in cases.cases(tmp_path)] == ["birch-2", "larch"]
    assert cases.cases(tmp_path / "none") == []


@pytest.mark.parametrize("name", ["", "..", "a/b", "a b", "-a", "con", "COM1", "x" * 64, "ä"])
def test_a_name_that_cannot_be_a_folder_is_refused(tmp_path, name):
    with pytest.raises(InsoleError, match="cannot name a case"):
        cases.create(tmp_path, name)
    assert list(tmp_path.iterdir()) == []


def test_plans_are_kept_by_version_and_never_replaced(case):
    for version in (1, 2, 11):
        case.add_plan(plan(version))
    assert case.versions() == [1, 2, 11]
    assert case.plan(2) == plan(2)
    before = everything(case.folder)
    assert case.add_plan(plan(2)).name == "plan-002.json"  # the same: kept once
    other = plan(2).model_copy(update={"date": "2026-06-01"})
    with pytest.raises(InsoleError, match=r"is there already and is kept; give this plan a new"):
        case.add_plan(other)
    with pytest.raises(InsoleError, match="plan of 'oak', not of the case 'larch'"):
        case.add_plan(plan(3, "oak"))
    assert everything(case.folder) == before


def test_a_case_is_not_made_twice(case, tmp_path):
    with pytest.raises(InsoleError, match="is there already and is kept; open that case"):
        cases.create(tmp_path, "larch")


def test_trials_follow_one_another(case):
    case.add_trial(trial(1, said="fine"))
    case.add_trial(trial(2))
    assert [t.number for t in case.trials()] == [1, 2]
    assert case.trials()[0] == trial(1, said="fine")
    for bad in (trial(2), trial(4), trial(3, "oak")):
        with pytest.raises(InsoleError, match="does not follow the 2 trials of 'larch'"):
            case.add_trial(bad)
    (case.folder / "trials" / "trial-001.json").unlink()
    with pytest.raises(InsoleError, match=r"trial 1 is missing in .*; put its file back"):
        case.trials()
    (case.folder / "trials" / "trial-001.json").write_text("{}", encoding="utf-8")
    for stray in ("trial-000.json", "trial-0002.json"):
        (case.folder / "trials" / stray).write_text("{}", encoding="utf-8")
        with pytest.raises(InsoleError, match="no trial of this case, or one twice"):
            case.trials()
        (case.folder / "trials" / stray).unlink()


def test_a_log_in_one_file_grows(tmp_path):
    path = tmp_path / "logs" / "larch.json"
    assert cases.read_log(path) == []
    cases.append_log(path, trial(1), [])
    cases.append_log(path, trial(2, said="fine"), [trial(1)])
    assert cases.read_log(path) == [trial(1), trial(2, said="fine")]
    assert {p.name for p in path.parent.iterdir()} == {"larch.json", ".larch.json.lock"}
    with pytest.raises(InsoleError, match="was changed meanwhile"):
        cases.append_log(path, trial(2), [trial(1)])
    assert len(cases.read_log(path)) == 2


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"schema_version": 9, "trials": []}',
        "\x00",
        "[" * 100000,
        '{"schema_version": 1, "trials": [{}]}',
        '{"schema_version": 1}',
    ],
)
def test_a_damaged_file_is_one_sentence_and_stays(tmp_path, case, text):
    log = tmp_path / "log.json"
    log.write_text(text, encoding="utf-8")
    with pytest.raises(InsoleError, match=r"log\.json (is damaged|is not a trial log)") as caught:
        cases.read_log(log)
    assert "\n" not in str(caught.value)
    with pytest.raises(InsoleError):
        cases.append_log(log, trial(1), [])
    assert log.read_text("utf-8") == text
    (case.folder / "case.json").write_text(text, encoding="utf-8")
    with pytest.raises(InsoleError, match=r"case\.json (is damaged|is not a case|does not say)"):
        cases.open_case(case.folder)


def test_bytes_that_are_no_text_are_one_sentence(tmp_path):
    log = tmp_path / "log.json"
    log.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InsoleError, match="cannot be read as a trial log"):
        cases.read_log(log)


def test_a_plan_under_the_wrong_name_is_seen(case):
    case.add_plan(plan(1))
    os.replace(case.folder / "plans" / "plan-001.json", case.folder / "plans" / "plan-002.json")
    with pytest.raises(InsoleError, match=r"holds plan 1 of 'larch'; put the right file back"):
        case.plan(2)
    with pytest.raises(InsoleError, match="there is no plan at"):
        case.plan(1)


def test_a_write_that_fails_leaves_all_as_it_was(case, tmp_path, monkeypatch):
    log = tmp_path / "log.json"
    cases.append_log(log, trial(1), [])
    before = everything(tmp_path)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    for call in (
        lambda: case.add_plan(plan(7)),
        lambda: case.add_trial(trial(1)),
        lambda: cases.append_log(log, trial(2), [trial(1)]),
        lambda: cases.create(tmp_path, "oak"),
    ):
        with pytest.raises(InsoleError, match="cannot be written: no space left on device"):
            call()
    assert everything(tmp_path) == before


def test_without_links_a_file_is_still_not_replaced(case, monkeypatch):
    """Some file systems know no hard links."""

    def none(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", none)
    case.add_plan(plan(1))
    with pytest.raises(InsoleError, match="is there already and is kept"):
        case.add_plan(plan(1).model_copy(update={"date": "x"}))
    assert case.plan(1) == plan(1)


def test_a_case_is_exported_whole_and_always_the_same(case, tmp_path):
    case.add_plan(plan(1))
    case.add_trial(trial(1))
    first = case.export(tmp_path / "larch.zip")
    second = case.export(tmp_path / "again.zip")
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as archive:
        assert archive.testzip() is None
        held = {name.removeprefix("larch/"): archive.read(name) for name in archive.namelist()}
    assert held == {k.replace(os.sep, "/"): v for k, v in everything(case.folder).items()}
    with pytest.raises(InsoleError, match="choose another name"):
        case.export(first)


def test_a_case_is_erased_only_by_its_name(case, tmp_path):
    with pytest.raises(InsoleError, match="repeat its name"):
        case.erase("yes")
    assert case.folder.is_dir()
    case.erase("larch")
    assert list(tmp_path.iterdir()) == []


def test_files_are_plain_json(case):
    case.add_trial(trial(1, said="Bogen drückt"))
    text = (case.folder / "trials" / "trial-001.json").read_text(encoding="utf-8")
    assert "drückt" in text
    assert json.loads(text)["number"] == 1


def test_two_writers_of_one_log_do_not_lose_a_trial(tmp_path):
    """Eight threads log at once: each trial that was not refused is kept, in its order."""
    from concurrent.futures import ThreadPoolExecutor

    log = tmp_path / "log.json"

    def one(_: int) -> bool:
        try:
            kept = cases.read_log(log)
            cases.append_log(log, trial(len(kept) + 1), kept)
        except InsoleError:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        done = sum(pool.map(one, range(40)))
    assert done >= 1
    assert len(cases.read_log(log)) == done
    assert {p.name for p in tmp_path.iterdir()} <= {"log.json", ".log.json.lock"}


def test_a_lock_that_was_left_behind_stops_nobody_and_a_held_one_does(tmp_path, monkeypatch):
    log = tmp_path / "log.json"
    (tmp_path / ".log.json.lock").touch()
    cases.append_log(log, trial(), [])
    assert len(cases.read_log(log)) == 1
    monkeypatch.setattr(case_files.files, "alone", partial(files.alone, wait=0.0))
    with files.alone(log), pytest.raises(InsoleError, match="somebody else is writing"):
        cases.append_log(log, trial(2), cases.read_log(log))
    assert len(cases.read_log(log)) == 1


def test_a_plan_made_into_another_folder_finds_the_case_that_keeps_it(tmp_path):
    """plans/rider holds the case; parts/rider-v1/plan.json belongs to it as long as it is kept."""
    plan = sample_plan(case="rider")
    home = cases.keep(tmp_path / "plans", plan).parents[1]
    made = tmp_path / "parts" / "rider-v1" / "plan.json"
    made.parent.mkdir(parents=True)
    made.write_text(to_json(plan), encoding="utf-8")
    assert cases.home_of(made, "rider", plan) == home
    assert cases.home_of(made, "rider") is None
    other = plan.model_copy(update={"date": "another day"})
    assert cases.home_of(made, "rider", other) is None
    cases.keep(tmp_path / "archive", plan)  # two that keep it: neither is taken
    assert cases.home_of(made, "rider", plan) is None


def test_what_is_made_is_kept_where_a_trial_of_it_finds_its_case(tmp_path):
    plan, out = sample_plan(case="rider"), tmp_path / "parts"
    assert keeping.case_home(plan, out) == out  # nobody keeps it yet
    cases.keep(tmp_path / "plans", plan)
    assert keeping.case_home(plan, out) == (tmp_path / "plans").resolve()
    far = tmp_path / "elsewhere" / "deep" / "parts"  # a trial would not find the case from there
    assert keeping.case_home(plan, far) == far
    assert keeping.case_home(plan.model_copy(update={"version": 2}), out) == out
    assert keeping.case_home(plan.model_copy(update={"case": "case"}), out) == out
    for home in (out, far):
        made = home / "rider-v1" / "plan.json"
        cases.keep(keeping.case_home(plan, home), plan)
        assert cases.home_of(made, "rider", plan) is not None


def test_a_step_names_files_where_they_lie(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("shoes/A.toml", "scans/L[1].ply", "a/twice.ply", "b/twice.ply"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    (tmp_path / "here.ply").touch()
    assert again.located("A.toml") == str(Path("shoes/A.toml"))
    assert again.located("L[1].ply") == str(Path("scans/L[1].ply"))
    assert again.located("here.ply") == "here.ply"
    for unknown in ("twice.ply", "none.ply"):
        assert again.located(unknown) == unknown


def test_nothing_is_planned_or_made_under_a_stop_until_a_clinician_spoke(tmp_path):
    plan, out = sample_plan(case="rider"), tmp_path / "plans"
    case = cases.open_case(cases.keep(out, plan).parents[1])
    next_one = plan.model_copy(update={"version": 2})
    keeping.refuse_stopped(next_one, out)  # nothing was said yet
    stop = {
        "number": 1,
        "case": "rider",
        "plan": 1,
        "fingerprint": fingerprint(plan),
        "date": "2026-05-03",
        "answer": "worse",
        "stopped": ["numb"],
        "health": True,
        "set_up": {},
    }
    case.add_trial(Trial.model_validate(stop))
    made = tmp_path / "elsewhere" / "old-plan.json"
    for places in ((out,), (made, out / "rider" / "plans" / "plan-001.json")):
        with pytest.raises(RefusedError, match="trial 1 of 'rider' stopped at 'numb'"):
            keeping.refuse_stopped(next_one, *places)
    for word in ("Dr Sample, 2026-05-02", "Dr Sample", ""):  # older than the stop, or no word
        with pytest.raises(RefusedError):
            keeping.refuse_stopped(next_one.model_copy(update={"clinician": word}), out)
    spoken = next_one.model_copy(update={"clinician": "Dr Sample, 2026-05-03"})
    keeping.refuse_stopped(spoken, out)
    keeping.refuse_stopped(next_one.model_copy(update={"case": "other"}), out)


def test_plan_and_make_end_with_4_under_a_stop(tmp_path, capsys):
    plan, out = sample_plan(case="rider"), tmp_path / "plans"
    kept = cases.keep(out, plan)
    flags = ["--flag", "numbness=yes", "--said", "numb toes", "--worse", "--on", "2026-05-03"]
    assert cli.main(["trial", str(kept), *flags]) == 4
    assert cli.main(["make", str(kept), "--out", str(tmp_path / "parts"), "--quiet"]) == 4
    assert "until a clinician's word of that day or later is recorded" in capsys.readouterr().err
    assert not list((tmp_path / "parts").glob("rider-v*"))


def test_a_stop_follows_the_rider_into_a_folder_beside(tmp_path, monkeypatch):
    """Plans of one rider may lie in one folder and the trial that stopped in another."""
    monkeypatch.chdir(tmp_path)
    plan = sample_plan(case="rider")
    other, place = tmp_path / "plans", tmp_path / "mine"
    case = cases.open_case(cases.keep(other, plan).parents[1])
    stop = {
        "number": 1,
        "case": "rider",
        "plan": 1,
        "fingerprint": fingerprint(plan),
        "date": "2026-05-03",
        "answer": "worse",
        "stopped": ["cramp: yes"],
        "health": True,
        "set_up": {},
    }
    case.add_trial(Trial.model_validate(stop))
    with pytest.raises(RefusedError, match=r"on 2026-05-03 \(plans/rider\)"):
        keeping.refuse_stopped(plan.model_copy(update={"version": 2}), place)


@pytest.mark.parametrize(
    ("day", "word"), [("2026-05-01", ""), ("2026-05-02", "A. Doc, 2026-05-02")]
)
def test_the_word_that_ended_a_stop_goes_into_the_next_plan(tmp_path, day, word):
    """One of an older day ends nothing; before any stop there is none."""
    wren = plan(case="wren")
    assert keeping.word_after_stop("wren", tmp_path) == ""
    flags = {flag.id: "no" for flag in FLAGS}
    good = Said(answer="same", date="2026-05-01", flags=flags)
    riding.log_trial(wren, good, tmp_path)
    assert keeping.word_after_stop("wren", tmp_path) == ""
    numb = Said(answer="worse", date="2026-05-02", flags=flags | {"numbness": "yes"})
    riding.log_trial(wren, numb, tmp_path)
    assert keeping.word_after_stop("wren", tmp_path) == ""
    told = Said(date="2026-05-02", clinician=f"A. Doc, {day}")
    if word:
        riding.log_trial(wren, told, tmp_path)
    else:
        with pytest.raises(PlanError, match="older than the stop of trial 2"):
            riding.log_trial(wren, told, tmp_path)
    assert keeping.word_after_stop("wren", tmp_path) == word
    assert keeping.word_after_stop("teal", tmp_path) == ""
    assert keeping.word_after_stop("case", tmp_path) == ""


def test_after_a_second_stop_the_word_of_the_first_one_counts_no_more(tmp_path):
    wren, flags = plan(case="wren"), {flag.id: "no" for flag in FLAGS}
    for date, flag, word in (
        ("2026-05-02", "numbness", "A. Doc, 2026-05-02"),
        ("2026-05-02", "pain", "B. Doc, 2026-05-02"),
        ("2026-05-09", "cramp", "C. Doc, 2026-05-20"),
    ):
        bad = Said(answer="worse", date=date, flags=flags | {flag: "yes"})
        riding.log_trial(wren, bad, tmp_path)
        assert keeping.word_after_stop("wren", tmp_path) == ""
        riding.log_trial(wren, Said(date=date, clinician=word), tmp_path)
        assert keeping.word_after_stop("wren", tmp_path) == word


def test_the_word_that_ended_a_trials_stop_is_none_about_an_answer_of_today():
    word = "A. Doc, 2026-05-02"
    given = {"answers": None, "answer": (), "clinician": "", "case": "wren", "ended_by": word}
    assert answers_of(given) == ({}, word)
    new = given | {"answer": ("diabetes=yes",)}
    assert answers_of(new) == ({"diabetes": "yes"}, "")
    assert answers_of(new | {"clinician": "B. Doc, 2026-05-09"})[1] == "B. Doc, 2026-05-09"
    assert answers_of(given | {"answer": ("riding_pain=yes",)})[1] == word  # which is no stop
