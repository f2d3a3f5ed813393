"""Entries of a trial log: red flags, picks, words of danger, corrections."""

from __future__ import annotations

import pytest

from footscan.scan import Side
from insole.errors import InsoleError, PlanError
from insole.planning import planner
from insole.planning.planner import PlanWishes
from insole.record.plan import Plan
from insole.shoe.shoe import parse
from insole.trials import cases
from insole.trials.entry import Trial, in_force
from insole.trials.trial import judge, open_stop
from insole.workflow import riding
from tests import feet
from tests.on_trial import ALL_NO, LIMITS, SHOE, made, run, said
from tests.riders import sentences


@pytest.mark.parametrize("answer", ["better", "same", "worse"])
def test_flags_that_were_not_asked_give_no_step(plan, answer):
    found = judge(plan, said("lump in the arch", answer, flags={}), [], limits=LIMITS)
    assert found.step is None
    assert found.stopped == []
    assert found.words[0].startswith("not asked: pain, numbness, tingling, cramp, slipping, stuck")
    but_one = {name: "no" for name in ALL_NO if name != "cramp"}
    found = judge(plan, said("lump in the arch", answer, flags=but_one), [], limits=LIMITS)
    assert found.step is None
    assert found.words[0].startswith("not asked: cramp;")


def test_an_unasked_flag_holds_even_the_step_back(plan):
    log: list[Trial] = []
    step = run(plan, log, "lump in the arch").step
    worse = judge(
        made(2, **step.wishes["right"]),
        said("", "worse", "2026-05-02", flags={}),
        log,
        limits=LIMITS,
    )
    assert worse.step is None
    assert "not asked" in worse.words[0]


@pytest.mark.parametrize("flag", list(ALL_NO))
def test_a_flag_answered_yes_stops(plan, flag):
    found = judge(plan, said("", "better", flags=ALL_NO | {flag: "yes"}), [], limits=LIMITS)
    assert found.stopped == [f"{flag}: yes"]
    assert found.step is None
    assert found.health is (flag not in ("slipping", "stuck"))


def test_slips_is_picked_and_stops(plan):
    found = judge(plan, said("", "same", felt=["slips"]), [], limits=LIMITS)
    assert found.stopped == ["slipping: yes"]
    assert found.step is None


@pytest.mark.parametrize(
    ("felt", "wish"),
    [
        (["lump front"], {"shift": [-3.0, 0.0]}),
        (["lump inner"], {"shift": [0.0, -3.0]}),
        (["2 mm forward"], {"shift": [2.0, 0.0]}),
        (["wants it 4 mm out"], {"shift": [0.0, -4.0]}),
        (["hot spot ball"], {"cleat_offset": -8.0}),
    ],
)
def test_a_pick_gives_its_step(plan, felt, wish):
    found = judge(plan, said("", "same", felt=felt), [], limits=LIMITS)
    assert found.step.wishes == {"right": wish}
    assert found.felt == felt


def test_more_than_a_step_is_not_moved_at_once(plan):
    found = judge(plan, said("", "same", felt=["7 mm back"]), [], limits=LIMITS)
    assert found.step is None
    assert "at most 6 mm" in found.words[0]


def test_words_that_are_not_read_give_no_step_without_a_pick(plan):
    text = "every pedal stroke sends glitter into my arch, too high"
    found = judge(plan, said(text), [], limits=LIMITS)
    assert found.step is None
    assert "'glitter'" in found.words[0]
    worse = judge(plan, said("it hatches like an egg in there", "worse"), [], limits=LIMITS)
    assert worse.stopped
    assert not worse.health
    assert "ask what is meant" in worse.words[0]
    picked = judge(plan, said(text, felt=["too high"]), [], limits=LIMITS)
    assert picked.step is not None
    assert picked.words[-1].startswith(
        "not understood: 'every pedal stroke sends glitter into my arch'; ask what is meant"
    )


def test_a_slip_of_the_pen_is_corrected_by_a_later_entry(plan):
    log: list[Trial] = []
    run(plan, log, "knee pain", "worse")
    kept = log[0]
    assert run(plan, log, "lump in the arch", "same", "2026-05-02").step is None  # held by the stop
    freed = run(
        plan,
        log,
        "lump in the arch",
        "same",
        "2026-05-01",
        corrects=1,
        because="typed for the other rider",
    )
    assert freed.corrects == 1
    assert "trial 2 has followed" in freed.words[0]
    assert freed.words[-1].startswith("this lifts the stop of trial 1 ('pain')")
    assert log[0] == kept
    assert [t.number for t in in_force(log)] == [3, 2]
    assert run(plan, log, "lump in the arch", "same", "2026-05-03").step is not None


def test_a_correction_can_be_corrected_and_can_add_a_stop(plan):
    log: list[Trial] = []
    run(plan, log, "fine", "same")
    again = run(plan, log, "lump in the arch", "same", corrects=1, because="forgot the lump")
    assert again.step is not None
    stop = run(
        plan, log, "", "same", corrects=2, because="asked again", flags=ALL_NO | {"pain": "yes"}
    )
    assert stop.stopped
    assert [t.number for t in in_force(log)] == [3]
    assert run(plan, log, "lump in the arch", "same", "2026-05-02").step is None


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"corrects": 4, "because": "x"}, "there is no trial 4 to correct; the log holds 2"),
        ({"corrects": 2}, "say what was wrong with trial 2, such as"),
        ({"because": "x"}, "say which trial is corrected"),
        ({"corrects": 1, "because": "x"}, "trial 1 was corrected already"),
    ],
)
def test_a_correction_that_cannot_be_is_one_sentence(plan, more, match):
    log: list[Trial] = []
    run(plan, log, "fine")
    run(plan, log, "fine", corrects=1, because="typed twice")
    with pytest.raises(PlanError, match=match):
        judge(plan, said("fine", **more), log, limits=LIMITS)


def test_an_entry_of_an_earlier_log_is_read_as_not_asked():
    old = {
        "number": 1,
        "case": "larch",
        "plan": 1,
        "fingerprint": "0" * 12,
        "date": "2026-05-01",
        "said": "knee hurts",
        "answer": "worse",
        "stopped": ["hurts"],
        "health": True,
        "set_up": {},
    }
    found = Trial.model_validate(old)
    assert found.flags == {}
    assert found.stopped == ["hurts"]
    assert in_force([found]) == [found]


def ridden(plan: Plan, text: str, answer: str, flags: dict[str, str]) -> Trial:
    return judge(plan, said(text, answer, flags=flags), [], limits=LIMITS)


@pytest.mark.parametrize("answer", ["better", "same", "worse"])
def test_no_sentence_with_danger_in_it_gives_a_step(plan, answer):
    """Neither while the red flags were not asked, nor when all were ticked no by mistake."""
    found = [text for _, text in sentences("danger")]
    unasked = [text for text in found if ridden(plan, text, answer, {}).step]
    ticked = [text for text in found if ridden(plan, text, answer, ALL_NO).step]
    assert (unasked, ticked) == ([], [])


def test_few_calm_sentences_stop_a_trial(plan):
    found = sentences("calm")
    stopped = [text for how, text in found if ridden(plan, text, how, ALL_NO).stopped]
    assert len(stopped) < 0.10 * len(found), stopped


def test_a_step_for_two_unlike_feet_names_each_of_them():
    two = planner.plan(
        feet.analytic(side=Side.LEFT, arch=19.0),
        feet.analytic(),
        parse(SHOE),
        PlanWishes(case="larch"),
    )
    words = judge(two, said(felt=["too low"], answer="better"), [], limits=LIMITS).step.words
    assert words.startswith("both feet: left support one step up")
    assert "; right support one step up" in words
    alike = judge(two, said(felt=["lump front"]), [], limits=LIMITS).step.words
    assert alike == "both feet: pad one grid step: 3 mm rearward"


def test_a_folder_of_cases_shows_the_log_of_the_only_one(tmp_path):
    for name in ("larch", "birch"):
        case = cases.create(tmp_path, name)
        case.add_trial(
            Trial(number=1, case=name, plan=1, fingerprint="0" * 12, date="2026-05-01", set_up={})
        )
        if name == "larch":
            assert [one.case for one in riding.read_log(tmp_path)] == ["larch"]
    with pytest.raises(InsoleError, match=r"holds 2 cases; give one of .*birch, .*larch"):
        riding.read_log(tmp_path)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InsoleError, match="empty holds no case; give the folder that plan or make"):
        riding.read_log(tmp_path / "empty")


@pytest.mark.parametrize("side", ["right", "both"])
def test_the_log_names_the_foot_that_was_spoken_of(plan, side):
    log: list[Trial] = []
    run(plan, log, "lump in the arch", "same", side=side)
    assert log[0].side == side


@pytest.mark.parametrize(("day", "waits"), [("2026-05-04", True), ("2026-05-06", False)])
def test_only_a_word_of_the_stop_s_day_or_later_closes_it(plan, day, waits):
    """Logged beside a ride: an older word is no word on this stop."""
    log: list[Trial] = []
    run(plan, log, "my toes went numb", "worse", "2026-05-05")
    run(plan, log, "", "same", "2026-05-07", clinician=f"A. Doc, {day}")
    assert (open_stop(log) is log[0]) == waits
    assert bool(log[1].stopped) == waits


def test_the_last_stop_is_the_one_that_stands(plan):
    """The first was lifted by a word of its day; the second, later, was not."""
    log: list[Trial] = []
    run(plan, log, "my toes went numb", "worse", "2026-05-05")
    run(plan, log, "", "same", "2026-05-06", clinician="A. Doc, 2026-05-06")
    assert open_stop(log) is None
    run(plan, log, "sharp pain in the heel", "worse", "2026-05-08")
    assert open_stop(log) is log[2]
    again = run(plan, log, "", "same", "2026-05-09")
    assert again.stopped == ["no clinician's word since the stop of trial 3"]
