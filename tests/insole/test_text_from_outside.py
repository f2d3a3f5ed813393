"""Names, dates and words of people on their way into plans, logs, cases and archives."""

from __future__ import annotations

import json
import os
import sys
import zipfile

import pytest

from insole.errors import InsoleError, PlanError
from insole.planning import sound
from insole.planning.support import kit
from insole.planning.wishes import PlanWishes
from insole.record import limits, questions
from insole.record.plan import from_json, seal_of, to_json
from insole.record.tables import parsed_toml, read_toml
from insole.shoe import shoe
from insole.trials import cases, entry, trial
from insole.workflow import plans, riding
from tests.plans import sample_plan

BAD = ("a\x01b", "a\u202eb", "a\nb")
LIMITS = limits.default_limits()


@pytest.mark.parametrize("name", [*BAD, "山田", "", "x" * 70])
def test_a_plan_is_not_made_for_a_name_that_cannot_be_shown(name):
    with pytest.raises(PlanError, match="the case's name"):
        PlanWishes(case=name).cleaned()
    bent = sample_plan().model_copy(update={"case": name})
    with pytest.raises(PlanError):
        sound.check(bent)


def test_name_and_date_of_a_plan_are_clean_lines():
    wishes = PlanWishes(case=" rider\u00a07 ", date="31 May ").cleaned()
    assert (wishes.case, wishes.date) == ("rider 7", "31 May")
    with pytest.raises(PlanError, match="the date"):
        PlanWishes(date="a\u202eb").cleaned()


@pytest.mark.parametrize("key", ["case", "date", "shoe_name", "clinician"])
@pytest.mark.parametrize("bad", BAD)
def test_a_plan_file_with_such_a_text_is_refused(key, bad):
    record = json.loads(to_json(sample_plan()))
    record[key] = bad
    record["seal"] = seal_of(record)
    with pytest.raises(PlanError, match=f"text at {key} that holds a character"):
        from_json(json.dumps(record))


def test_a_clinicians_word_and_what_was_said_are_clean():
    with pytest.raises(PlanError, match=r"U\+202E"):
        questions.decide({}, "Dr X\u202e, 2026-05-31")
    plan = sample_plan().model_copy(update={"answers": {}})
    said = entry.Said(text="better\n\tthan before", date="2026-05-01", answer="better")
    assert trial.judge(plan, said, [], limits=LIMITS).said == "better than before"
    for name in ("text", "clinician", "because"):
        with pytest.raises(PlanError, match=r"U\+0007"):
            trial.judge(plan, said.model_copy(update={name: "a\x07"}), [], limits=LIMITS)


def test_a_ride_in_the_future_is_refused_and_an_older_slip_can_be_corrected(tmp_path):
    from datetime import date

    plan, log = sample_plan(case="rider"), tmp_path / "log.json"
    slip = entry.Said(date="2999-01-01", answer=None)
    with pytest.raises(PlanError, match="lies in the future"):
        riding.log_trial(plan, slip, log, today=date(2026, 6, 1))
    near = entry.Said(date="2026-06-02", answer=None)  # tomorrow: a slip as well
    with pytest.raises(PlanError, match="'2026-06-02' lies in the future, today is 2026-06-01"):
        riding.log_trial(plan, near, log, today=date(2026, 6, 1))
    word = entry.Said(date="2026-06-01", clinician="A. Doc, 2026-06-02", answer=None)
    with pytest.raises(PlanError, match="give the day of the clinician's word"):
        riding.log_trial(plan, word, log, today=date(2026, 6, 1))
    assert not log.exists()
    riding.log_trial(plan, slip, log)
    later = entry.Said(date="2026-05-01", answer=None)
    with pytest.raises(PlanError, match="log trial 1 anew as its correction"):
        riding.log_trial(plan, later, log, today=date(2026, 6, 1))
    mended = later.model_copy(update={"corrects": 1, "because": "wrong year"})
    riding.log_trial(plan, mended, log, today=date(2026, 6, 1))
    riding.log_trial(
        plan, later.model_copy(update={"date": "2026-05-02"}), log, today=date(2026, 6, 1)
    )
    assert [one.date for one in entry.in_force(cases.read_log(log))] == ["2026-05-01", "2026-05-02"]


# ---- settings files


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("a = " + "[" * 3000 + "]" * 3000, "nested too deeply"),
        ("a." * 3000 + "b = 1", "nested too deeply"),
        ("a = " + "[" * 50 + "]" * 50, "nested too deeply"),
        ("a = nan", "number at a"),
        ("a = 0x" + "f" * 400, "number at a"),
        ('a = "x\\u202e"', r"text at a that holds a character that cannot be printed \(U\+202E"),
    ],
)
def test_settings_that_no_workshop_writes(tmp_path, text, reason):
    with pytest.raises(ValueError, match=reason):
        parsed_toml(text.encode())
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=reason):
        read_toml(path, "shoe")
    with pytest.raises(PlanError, match=reason):
        limits.load(path)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")
@pytest.mark.parametrize("what", ["fifo", "/dev/zero"])
def test_a_pipe_or_a_device_in_the_place_of_a_settings_file(tmp_path, what):
    path = tmp_path / "own.toml"
    os.mkfifo(path) if what == "fifo" else path.symlink_to(what)
    for read in (
        shoe.load,
        limits.load,
        lambda p: kit.load(p, LIMITS),
        questions.read,
        plans.read_plan,
        cases.read_log,
    ):
        with pytest.raises(InsoleError):
            read(path)


def test_a_kit_of_millions_is_refused(tmp_path):
    path = tmp_path / "kit.toml"
    sizes = ", ".join(str(30 + k / 10) for k in range(300))
    path.write_text(
        f"heights = [6, 7]\nlengths = [{sizes}]\nwidths = [{sizes}]\n", encoding="utf-8"
    )
    with pytest.raises(PlanError, match="more than the 400 pads"):
        kit.load(path, LIMITS)


# ---- a case on its way out


def test_an_export_takes_no_links_along(tmp_path):
    case = cases.open_case(cases.keep(tmp_path / "home", sample_plan(case="rider")).parents[1])
    (case.folder / "plans" / ".plan-009.json.0123.partial").write_bytes(b"half")
    path = case.export(tmp_path / "good.zip")
    with zipfile.ZipFile(path) as archive:
        assert sorted(archive.namelist()) == ["rider/case.json", "rider/plans/plan-001.json"]
    secret = tmp_path / "secret.txt"
    secret.write_text("not the case's", encoding="utf-8")
    link = case.folder / "plans" / "plan-002.json"
    try:
        link.symlink_to(secret)
    except OSError:
        pytest.skip("no links can be made here")
    with pytest.raises(InsoleError, match="is a link"):
        case.export(tmp_path / "bad.zip")
    link.unlink()
    (case.folder / "made").symlink_to(tmp_path, target_is_directory=True)
    with pytest.raises(InsoleError, match="is a link"):
        case.export(tmp_path / "bad.zip")
    assert not (tmp_path / "bad.zip").exists()


def test_what_is_left_of_an_erased_case_goes_with_the_next(tmp_path):
    left = tmp_path / ".other.erased.0123"
    left.mkdir()
    (left / "case.json").write_text("{}", encoding="utf-8")
    cases.create(tmp_path, "rider")
    assert [path.name for path in tmp_path.iterdir()] == ["rider"]
