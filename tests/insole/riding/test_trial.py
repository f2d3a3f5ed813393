"""Trials: one step on one thing, in the order of work, within limits, or the reason for none."""

from __future__ import annotations

import re

import pytest

from insole.cli.options.again import options
from insole.errors import PlanError, RefusedError
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.plan import Plan
from insole.record.questions import AT_A_STOP, CAUTIONS
from insole.shoe.shoe import parse
from insole.trials.entry import Said, Trial, in_force
from insole.trials.set_up import changes, set_up
from insole.trials.trial import judge, open_stop
from tests import feet
from tests.on_trial import ALL_NO, LIMITS, SHOE, STOCK, made, run, said

ROOMY = SHOE | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 5.0}}}


@pytest.mark.parametrize(
    ("text", "wish", "words"),
    [
        ("pad too far forward", {"shift": [-3.0, 0.0]}, "grid step: 3 mm rearward"),
        ("pad pushes at the inner edge", {"shift": [0.0, -3.0]}, "grid step: 3 mm lateral"),
        ("pad pushes at the outer edge", {"shift": [0.0, 3.0]}, "grid step: 3 mm medial"),
        ("pedal too far forward", {"cleat_offset": -8.0}, "cleat 3 mm back"),
        ("pedal too far back", {"cleat_offset": -2.0}, "cleat 3 mm forward"),
        ("toes want out", {"cleat_yaw": 1.0}, "turned by 1°, its front medially"),
        ("toes want in", {"cleat_yaw": -1.0}, "turned by 1°, its front laterally"),
        # the shoe keeps 1, the step is net 1
        ("weight on the little-toe side", {"forefoot": 2.0}, "of 1° to varus, net +0° to +1°"),
        ("weight on the big-toe side", {"forefoot": 0.0}, "of 1° to valgus, net +0° to -1°"),
    ],
)
def test_one_step_on_one_thing(plan, text, wish, words):
    """Steps by hand: 3 mm grid, 3 mm cleat, 1 degree; the words say the way of the wish."""
    found = judge(plan, said(text), [], limits=LIMITS)
    assert found.step is not None
    assert found.step.wishes == {"right": wish}
    assert found.words[0].startswith("right: ")
    assert f"{words}, because" in found.words[0]


def test_a_complaint_of_one_foot_changes_that_foot_alone():
    wishes = PlanWishes(both=FootWish.of(), version=1, case="larch")
    pair = planner.plan(feet.analytic(side="left"), feet.analytic(), parse(SHOE), wishes)
    for side, changed in (("left", {"left"}), ("right", {"right"}), ("both", {"left", "right"})):
        step = judge(pair, said("pad too far forward", side=side), [], limits=LIMITS).step
        assert set(step.wishes) == changed
        assert all(wish == {"shift": [-3.0, 0.0]} for wish in step.wishes.values())


def filled(plan: Plan, share: float) -> Plan:
    """Return the plan with a pad whose crest fills that share of the gap."""
    pad = plan.right.pad
    crest = pad.crest.model_copy(update={"height": share * pad.gap_at_crest.value})
    foot = plan.right.model_copy(update={"pad": pad.model_copy(update={"crest": crest})})
    return plan.model_copy(update={"right": foot})


def test_less_support_makes_a_lower_pad_whatever_the_wish_was(plan):
    """About 1 mm and 10 % of the gap lower than the pad that was ridden, not than its wish."""
    step = judge(plan, said("lump in the arch"), [], limits=LIMITS).step
    new = made(2, **step.wishes["right"]).right.pad
    old = plan.right.pad
    lower = old.crest.height - new.crest.height  # crests of other pads lie on other gaps
    assert 0.8 <= lower <= 2.0
    assert "mm" in step.words


@pytest.mark.parametrize(("share", "level"), [(0.8, 0.7), (0.6, 0.5), (0.5, 0.4)])
def test_a_step_down_starts_at_what_is_filled(plan, share, level):
    found = judge(filled(plan, share), said("too high", place="arch"), [], limits=LIMITS)
    assert found.step.wishes == {"right": {"support_level": pytest.approx(level, abs=0.011)}}


def test_a_step_up_needs_a_pad_that_reaches_its_wish(plan):
    found = judge(filled(plan, 0.8), said("not enough arch support"), [], limits=LIMITS)
    assert found.step.wishes == {"right": {"support_level": 0.9}}
    short = judge(filled(plan, 0.5), said("not enough arch support"), [], limits=LIMITS)
    assert short.step is None
    assert "makes the same pad" in short.words[0]


def test_a_step_up_ends_at_the_level_that_does_not_press():
    most = LIMITS.value("support.warn_above")
    near = made(support_level=most - 0.03)
    step = judge(near, said("not enough arch support"), [], limits=LIMITS).step
    assert step is not None
    assert step.wishes["right"]["support_level"] == pytest.approx(most)


@pytest.mark.parametrize("gap", [4.0, 8.0])
def test_a_step_is_at_least_a_millimetre_of_the_pad(plan, gap):
    low = filled(plan, 0.8)
    pad = low.right.pad
    quantity = pad.gap_at_crest.model_copy(update={"value": gap})
    crest = pad.crest.model_copy(update={"height": 0.8 * gap})
    pad = pad.model_copy(update={"gap_at_crest": quantity, "crest": crest})
    low = low.model_copy(update={"right": low.right.model_copy(update={"pad": pad})})
    found = judge(low, said("lump in the arch"), [], limits=LIMITS)
    assert (0.8 - found.step.wishes["right"]["support_level"]) * gap == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    "text",
    [
        "lump in the arch",
        "pad too far forward",
        "toes want out",
        "weight on the little-toe side",
        "pedal too far back",
    ],
)
def test_the_next_plan_differs_in_that_one_thing(plan, text):
    """The step carried out, and taken back by a worse ride: set-ups follow and return."""
    log: list[Trial] = []
    step = run(plan, log, text).step
    new = made(
        2, right={k: tuple(v) if k == "shift" else v for k, v in step.wishes["right"].items()}
    )
    back = run(new, log, "", "worse", "2026-05-03")
    was, now = log[0].set_up["right"], log[1].set_up["right"]
    assert len([k for k in was if was[k] != now[k]]) == 1
    assert back.step is not None
    assert back.step.undoes
    assert back.step.wishes == step.before
    third = made(
        3, right={k: tuple(v) if k == "shift" else v for k, v in back.step.wishes["right"].items()}
    )
    returned = judge(third, said("", "same", "2026-05-04"), log, limits=LIMITS)
    assert returned.set_up == log[0].set_up
    again = run(made(3, right={"support_level": 0.5}), log, "", "worse", "2026-05-05")
    assert again.step is None or not again.step.undoes


@pytest.mark.parametrize(
    ("wish", "text", "match"),
    [
        ({"support_level": 1.0}, "not enough arch support", "presses than 100 %"),
        ({"support_level": 0.2}, "lump in the arch", "below 20 % nothing is felt"),
        (
            {"forefoot": 3.0},
            "weight on the little-toe side",
            "3° is more than a trial takes, 2 deg",
        ),
        (
            {"heel": 1.0, "forefoot": 2.0},
            "weight on the little-toe side",
            "2° is more than a trial takes, 2 deg",
        ),  # net 1 and 1: a third degree
        ({"cleat_offset": -30.0}, "pedal too far forward", "must be from -30 to 30"),
        ({"pad": False}, "lump in the arch", "no pad under the right foot"),
    ],
)
def test_limits_leave_no_step_and_say_why(wish, text, match):
    found = judge(made(shoe=ROOMY, **wish), said(text), [], limits=LIMITS)
    assert found.step is None
    assert match in found.words[0]


def test_a_wedge_without_room_at_the_ball_is_no_step():
    """What the plan would refuse is not proposed: 1 degree has room over 3 mm, 2 have not."""
    found = judge(made(forefoot=2.0), said("weight on little-toe side"), [], limits=LIMITS)
    assert found.step is None
    assert "above the insole taken out near the big-toe side" in found.words[0]
    roomy = judge(
        made(shoe=ROOMY, forefoot=2.0), said("weight on little-toe side"), [], limits=LIMITS
    )
    assert roomy.step.wishes == {"right": {"forefoot": 3.0}}
    assert made(2, shoe=ROOMY, **roomy.step.wishes["right"]).right.wedges[0].net == 2.0
    with pytest.raises(RefusedError, match="big-toe side of the ball"):
        made(2, forefoot=3.0)


def test_a_pad_moved_as_far_as_it_goes_stays(plan):
    pad = plan.right.pad.model_copy(update={"shift": (0.0, 19.0)})
    far = plan.model_copy(update={"right": plan.right.model_copy(update={"pad": pad})})
    found = judge(far, said("pad pushes at the outer edge"), [], limits=LIMITS)
    assert found.step is None
    assert "moved as far as it goes" in found.words[0]


def test_the_crest_is_not_moved_further_ahead_of_the_apex(plan):
    """At most 3 mm ahead (and half a millimetre of grid): one step from the apex, not two."""
    off = plan.right.pad.crest.from_rear - plan.right.landmarks["arch_apex"][0]
    assert off == pytest.approx(0.0, abs=0.5)
    found = judge(plan, said("lump near the heel"), [], limits=LIMITS)
    assert found.step is not None
    moved = made(shift=(3.0, 0.0))
    found = judge(moved, said("lump near the heel"), [], limits=LIMITS)
    assert found.step is None
    assert "ahead of the arch apex" in found.words[0]


def test_a_pad_that_lies_too_far_may_come_nearer(plan):
    """Moved 8 mm ahead by hand: a step back goes towards the apex, one ahead does not."""
    moved = made(shift=(9.0, 0.0))
    back = judge(moved, said("pad too far forward"), [], limits=LIMITS)
    assert back.step is not None
    assert back.step.wishes == {"right": {"shift": [6.0, 0.0]}}
    assert judge(moved, said("lump near the heel"), [], limits=LIMITS).step is None
    pad = plan.right.pad.model_copy(update={"shift": (0.0, 25.0)})
    far = plan.model_copy(update={"right": plan.right.model_copy(update={"pad": pad})})
    nearer = judge(far, said("pad pushes at the inner edge"), [], limits=LIMITS)
    assert nearer.step is not None
    assert nearer.step.wishes == {"right": {"shift": [0.0, 22.0]}}


def test_the_turn_that_a_kits_search_chose_is_no_change_of_its_own(plan):
    kit_pad = plan.right.pad.model_copy(update={"source": "kit", "turn": 0.0})

    def planned(turn: float, level: float) -> Plan:
        pad = kit_pad.model_copy(update={"turn": turn, "support_level": level})
        right = plan.right.model_copy(update={"pad": pad})
        return plan.model_copy(update={"right": right})

    before = {"right": set_up(planned(0.0, 0.8).right)}
    assert changes(planned(5.0, 0.7), before) == ["support level"]
    own = plan.right.pad.model_copy(update={"source": "scan", "turn": 5.0})
    turned = plan.model_copy(update={"right": plan.right.model_copy(update={"pad": own})})
    assert changes(turned, {"right": set_up(plan.right)}) == ["pad turn"]


def test_without_a_shoe_support_stays_and_no_wedge_is_proposed():
    bare = made(shoe=None)
    for text, match in (
        ("not enough arch support", "without a shoe no more"),
        ("weight on the little-toe side", "own cant is not known"),
    ):
        found = judge(bare, said(text), [], limits=LIMITS)
        assert found.step is None
        assert match in found.words[0]


@pytest.mark.parametrize(
    ("text", "thing", "later"),
    [
        ("weight on the little-toe side, lump in the arch", "pad", "little-toe side"),
        ("lump in the arch, pedal too far back", "cleat", "arch support"),
        ("toes tight, pedal too far back", None, "too far back"),
    ],
)
def test_the_order_of_work_decides_between_two_complaints(plan, text, thing, later):
    found = judge(plan, said(text), [], limits=LIMITS)
    assert (found.step.thing if found.step else None) == thing
    assert any("later" in words and later in words for words in found.words[1:])


def test_shoe_fit_has_no_option_and_contradictions_no_step(plan):
    assert "shoe fit comes first" in judge(plan, said("toes tight"), [], limits=LIMITS).words[0]
    both = judge(plan, said("arch too high, not enough arch support"), [], limits=LIMITS)
    assert both.step is None
    assert "said both ways" in both.words[0]


def test_better_keeps_the_plan_and_nothing_said_asks(plan):
    better = judge(plan, said("", "better"), [], limits=LIMITS)
    assert better.step is None
    assert "review" in better.words[0]
    assert "name the place" in judge(plan, said("fine"), [], limits=LIMITS).words[0]
    worse = judge(plan, said("", "worse"), [], limits=LIMITS)
    assert worse.step is None
    assert "baseline" in worse.words[0]


def test_an_unanswered_trial_refuses_the_next_plan(plan):
    log: list[Trial] = []
    opened = run(plan, log, "", None)
    assert opened.step is None
    assert "on trial" in opened.words[0]
    with pytest.raises(RefusedError, match=r"plan 1 from .* has not been answered") as caught:
        judge(made(2), said("lump in the arch", day="2026-05-09"), log, limits=LIMITS)
    assert caught.value.exit_code == 4
    assert run(plan, log, "lump in the arch", "same", "2026-05-02").step is not None
    assert (
        judge(
            made(2, support_level=0.7), said("", "better", "2026-05-09"), log, limits=LIMITS
        ).answer
        == "better"
    )


def test_two_changes_at_once_cannot_be_judged(plan):
    log: list[Trial] = []
    run(plan, log, "lump in the arch")
    found = run(
        made(2, support_level=0.7, cleat_offset=-10.0),
        log,
        "lump in the arch",
        "worse",
        "2026-05-05",
    )
    assert found.step is None
    assert "2 things changed since the last trial (support level, cleat)" in found.words[0]
    assert "go back to plan 1" in found.words[0]


@pytest.mark.parametrize(
    ("other", "named"),
    [
        ({"metatarsal": 5.0}, "metatarsal pad"),
        ({"contoured": "three-quarter"}, "contoured bed"),
    ],
)
def test_a_part_that_came_with_a_step_is_a_change_of_its_own(plan, other, named):
    log: list[Trial] = []
    run(plan, log, "lump in the arch")
    found = run(made(2, support_level=0.7, **other), log, "lump in the arch", "worse", "2026-05-05")
    assert found.step is None
    assert "things changed since the last trial" in found.words[0]
    assert named in found.words[0]
    assert "support level" in found.words[0]


def test_a_wedge_built_into_a_bed_is_part_of_the_set_up():
    bed = made(1, ROOMY, contoured="full", forefoot=2.0)
    record = judge(bed, said("", None, "2026-05-01"), [], limits=LIMITS)
    wedge = bed.right.contour.posting[0]
    assert record.set_up["right"]["wedge_forefoot"] == wedge.net != 0.0


@pytest.mark.parametrize("answer", [None, "same", "better"])
def test_no_ride_is_opened_or_judged_under_a_stop(plan, answer):
    log: list[Trial] = []
    run(plan, log, "sharp pain in the arch", "worse", "2026-05-01")
    assert log[0].health
    later = judge(plan, said("", answer, "2026-05-05"), log, limits=LIMITS)
    assert later.stopped == ["no clinician's word since the stop of trial 1"]
    assert later.step is None
    assert "no ride and no step until a clinician's word" in later.words[0]
    word = {"clinician": "A. Example, 2026-05-04"}
    assert judge(plan, said("", answer, "2026-05-05", **word), log, limits=LIMITS).stopped == []


def test_three_steps_without_a_gain_go_back_to_the_baseline(plan):
    log: list[Trial] = []
    run(plan, log, "lump in the arch", "same", "2026-05-01")
    for version, level in ((2, 0.9), (3, 1.0)):
        assert (
            run(
                made(version, support_level=level),
                log,
                "lump in the arch",
                "same",
                f"2026-05-0{version}",
            ).step
            is not None
        )
    last = run(made(4, support_level=0.9), log, "lump in the arch", "same", "2026-05-08")
    assert last.step is None
    assert "3 steps brought no clear gain: back to the baseline" in last.words[0]


def test_a_gain_starts_the_count_anew(plan):
    log: list[Trial] = []
    run(plan, log, "not enough arch support", "same", "2026-05-01")
    run(made(2, support_level=0.9), log, "not enough arch support", "better", "2026-05-02")
    run(made(3, support_level=1.0), log, "lump in the arch", "same", "2026-05-03")
    last = run(made(4, support_level=0.9), log, "lump in the arch", "same", "2026-05-04")
    assert last.step is not None


@pytest.mark.parametrize("answer", ["better", "same", "worse", None])
def test_a_stop_word_gives_a_clinician_and_no_step(plan, answer):
    log: list[Trial] = []
    found = run(plan, log, "lump in the arch and my knee hurts", answer)
    assert found.step is None
    assert found.health
    assert found.stopped == ["hurts"]
    assert "ask a clinician" in found.words[0]
    assert "before any further ride or step" in found.words[0]


def test_after_a_stop_no_step_until_a_clinician_has_spoken(plan):
    log: list[Trial] = []
    run(plan, log, "numb toes", "worse")
    held = run(plan, log, "lump in the arch", "same", "2026-05-04")
    assert held.step is None
    assert "until a clinician's word of that day or later is recorded" in held.words[0]
    with pytest.raises(PlanError, match="needs name and date"):
        judge(
            plan, said("lump in the arch", day="2026-05-05", clinician="Dr A"), log, limits=LIMITS
        )
    freed = run(
        plan, log, "lump in the arch", "same", "2026-05-06", clinician="Dr A. Example, 2026-05-05"
    )
    assert freed.step is not None


def test_slipping_stops_without_a_diagnosis(plan):
    found = judge(plan, said("my foot slips", "worse"), [], limits=LIMITS)
    assert found.step is None
    assert found.stopped == ["slips"]
    assert not found.health
    assert "do not ride on" in found.words[0]


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"day": "05/2026"}, "give it as YYYY-MM-DD"),
        ({"day": "2026-02-30"}, "give it as YYYY-MM-DD"),
        ({"side": "left"}, "left foot is not in this plan"),
        ({"place": "elbow"}, "there is no place 'elbow'"),
        ({"text": "x" * 2001}, "what was said is longer than 2000"),
    ],
)
def test_what_cannot_be_logged_is_one_sentence(plan, more, match):
    with pytest.raises(PlanError, match=match):
        judge(plan, said(**more), [], limits=LIMITS)


def test_a_log_stays_in_order_and_with_one_case(plan):
    log: list[Trial] = []
    run(made(2), log, "fine", "same", "2026-05-05")
    for other, day, match in (
        (made(2), "2026-05-04", "lies before the log's last trial"),
        (plan, "2026-05-06", "plan 1 is older than plan 2"),
        (
            plan.model_copy(update={"case": "oak", "version": 3}),
            "2026-05-06",
            "this log is of the case 'larch'",
        ),
    ):
        with pytest.raises(PlanError, match=match):
            judge(other, said("fine", day=day), log, limits=LIMITS)


def test_the_options_keep_every_other_wish():
    plan = made(
        support_level=0.7,
        heel=1.0,
        tender=((90.0, 5.0), (100.0, 6.0)),
        right={"shift": (-3.0, 2.0)},
    )
    step = judge(plan, said("lump in the arch"), [], limits=LIMITS).step
    line = options(plan, step, against="old.json")
    assert line[:2] == ["plan", "analytic-right.ply"]
    text = " ".join(line)
    for part in (
        "--shoe SHOE-FILE",
        "--case larch",
        "--version 2",
        "--against old.json",
        "--support 70",
        "--support right=",
        "--heel 1",
        "--shift-pad right=-3,2",
        "--tender 90,5",
        "--tender 100,6",
    ):
        assert part in text


def test_a_step_that_ends_at_no_wedge_can_be_planned(plan):
    """In a shoe that has 1 degree of its own a wish of 0 must be meant, and the command says so."""
    step = judge(plan, said("weight on the big-toe side"), [], limits=LIMITS).step
    assert step.wishes == {"right": {"forefoot": 0.0}}
    line = options(plan, step)
    assert line[line.index("--forefoot") + 1] == "right=0"
    assert "--confirm-zero" in line
    other = judge(plan, said("weight on the little-toe side"), [], limits=LIMITS).step
    assert "--confirm-zero" not in options(plan, other)


def test_a_stop_stands_when_an_earlier_trial_is_corrected_after_it(plan):
    log: list[Trial] = []
    run(plan, log, "lump in the arch", "same")
    run(plan, log, "my toes went numb", "worse", flags=ALL_NO | {"numbness": "yes"})
    found = run(plan, log, "too low", "same", corrects=1, because="typed wrongly")
    assert found.stopped == ["no clinician's word since the stop of trial 2"]
    assert found.step is None
    assert "no ride and no step" in found.words[0]


@pytest.mark.parametrize("text", ["my toes went numb", "cramp in the arch", "a blister"])
def test_screen_and_papers_say_one_thing_at_a_stop(plan, text):
    """Also after an earlier plan: parts out, not back to parts that somebody bore before."""
    log: list[Trial] = []
    run(plan, log, "lump in the arch", "same")
    found = run(made(2, support_level=0.7), log, text, "worse", "2026-05-05")
    assert AT_A_STOP == "take the parts out: back to the set-up as ridden before any part"
    assert found.words[0].endswith(f", and {AT_A_STOP}")
    assert any(AT_A_STOP in caution for caution in CAUTIONS)


def a_word(day: str) -> Said:
    return Said(clinician=f"A. Doc, {day}", date="2026-05-05")


def test_a_clinicians_word_alone_ends_a_stop_and_opens_no_ride(plan):
    log: list[Trial] = []
    run(plan, log, "my toes went numb", "worse", "2026-05-05")
    with pytest.raises(PlanError, match="older than the stop of trial 1, 2026-05-05"):
        judge(plan, a_word("2026-05-04"), log, limits=LIMITS)
    assert open_stop(log) is log[0]
    found = judge(plan, a_word("2026-05-05"), log, limits=LIMITS)
    assert (found.ridden, found.step, found.stopped) == (False, None, [])
    assert "the stop of trial 1 ('numb') is open no longer" in found.words[0]
    log.append(found)
    assert open_stop(log) is None
    after = run(made(2, support_level=0.7), log, "", "better", "2026-05-07")  # no ride to answer
    assert (after.ridden, after.stopped) == (True, [])


def test_a_clinicians_word_without_a_stop_is_kept(plan):
    found = judge(plan, a_word("2026-05-05"), [], limits=LIMITS)
    assert "no stop was open" in found.words[0]
    assert not found.ridden


@pytest.mark.parametrize(("day", "waits"), [("2026-05-04", True), ("2026-05-05", False)])
def test_a_word_in_the_plan_counts_from_the_day_of_the_stop_on(plan, day, waits):
    log: list[Trial] = []
    run(plan, log, "my toes went numb", "worse", "2026-05-05")
    new = made(2, support_level=0.7).model_copy(update={"clinician": f"A. Doc, {day}"})
    found = judge(new, said("too high", place="arch", day="2026-05-06"), log, limits=LIMITS)
    assert bool(found.stopped) == waits


def test_what_was_not_understood_is_named_beside_the_step(plan):
    words = "the pad is too far back, and wobbles a lot"
    found = judge(plan, said(words), [], limits=LIMITS)
    assert found.step.wishes == {"right": {"shift": [3.0, 0.0]}}
    (note,) = [one for one in found.words if one.startswith("not understood: ")]
    assert "'wobbles a lot'" in note
    assert "in the place of trial 1" in note
    read = judge(plan, said(words, as_said=True), [], limits=LIMITS)
    assert not any("not understood" in one for one in read.words)


@pytest.mark.parametrize("answer", ["same", "worse"])
def test_strange_words_that_were_read_again_hold_no_step_up(plan, answer):
    words = "pad too far back, like a walnut"
    held = judge(plan, said(words, answer), [], limits=LIMITS)
    assert held.step is None
    assert bool(held.stopped) == (answer == "worse")
    read = judge(plan, said(words, answer, as_said=True), [], limits=LIMITS)
    assert read.step is not None
    assert judge(plan, said("it hurts", answer, as_said=True), [], limits=LIMITS).health


def test_a_contoured_bed_steps_by_its_level_and_is_not_moved():
    bed = made(1, contoured="three-quarter", support_level=0.8)
    lower = judge(bed, said("too high", place="arch"), [], limits=LIMITS).step
    assert lower.wishes["right"]["support_level"] == pytest.approx(0.7, abs=0.05)
    assert "support one step down" in lower.words
    found = judge(bed, said("the pad is too far forward"), [], limits=LIMITS)
    assert found.step is None
    assert "a contoured bed has its arch where the foot's is and is not moved" in found.words[0]


def pair(left: float, right: float, **wish) -> Plan:
    """Return a plan of both feet at a level each, the left arch 2 mm higher than the right."""
    wishes = PlanWishes(
        both=FootWish.of(**wish),
        left=FootWish.of(support_level=left),
        right=FootWish.of(support_level=right),
        case="larch",
    )
    high = feet.analytic(side="left", arch=15.0)
    return planner.plan(high, feet.analytic(), parse(SHOE), wishes)


@pytest.mark.parametrize(
    ("level", "kind"),
    [
        (0.7, {}),
        (0.4, {}),
        (0.3, {}),
        (0.7, {"shift": (-3.0, 3.0)}),
        (0.7, {"contoured": "three-quarter"}),
        (0.4, {"contoured": "three-quarter"}),
        (0.3, {"contoured": "three-quarter"}),
    ],
)
def test_the_crest_that_a_step_promises_is_the_one_that_is_made(level, kind):
    """To the step that a calliper tells, on both feet, down to levels where little is left."""
    old = pair(level, level, **kind)
    step = judge(old, said("too high", place="arch", side="both"), [], limits=LIMITS).step
    promised = re.findall(
        r"crest from ([\d.]+) to (?:about|between) ([\d.]+)(?: and ([\d.]+))?", step.words
    )
    levels = {side: step.wishes[side]["support_level"] for side in ("left", "right")}
    new = pair(**levels, **kind)
    if len(promised) == 1:  # both feet alike
        promised = promised * 2
    for foot, was, (before, low, high) in zip(new.feet, old.feet, promised, strict=True):
        part, lost = foot.pad or foot.contour, (was.pad or was.contour).crest.height
        assert float(before) == pytest.approx(lost, abs=0.051)
        assert float(low) - 0.2 <= part.crest.height <= float(high or low) + 0.2
        assert lost - part.crest.height >= 0.8
        if not kind.get("shift"):
            filled = 1 - part.residual_gap.value / part.gap_at_crest.value
            assert filled == pytest.approx(levels[foot.side], abs=0.02)


def test_a_step_within_a_kit_promises_no_height_of_its_own(plan):
    pad = plan.right.pad.model_copy(update={"source": "kit"})
    foot = plan.right.model_copy(update={"pad": pad})
    kit = plan.model_copy(update={"right": foot})
    step = judge(kit, said("too high", place="arch"), [], limits=LIMITS).step
    assert step.words.endswith(
        f"crest from {pad.crest.height:.1f} mm to that of the kit's next pad down"
    )


def test_what_waits_of_the_same_thing_is_said(plan):
    found = judge(plan, said("the pad is too far back and the arch too strong"), [], limits=LIMITS)
    assert found.step.wishes == {"right": {"shift": [3.0, 0.0]}}
    assert "left for later: the arch support is felt as too much" in found.words


def test_a_correction_is_of_a_day_before_the_trials_that_followed(plan):
    """A later one would make a clinician's word about them older than their stop."""
    log: list[Trial] = []
    run(plan, log, "too low", "same", "2026-05-01")
    run(plan, log, "too low", "same", "2026-05-03")
    slip = said("too low", "same", "2026-06-30", corrects=1, because="typed wrongly")
    with pytest.raises(PlanError, match="2026-06-30 lies after trial 2 of 2026-05-03"):
        judge(plan, slip, log, limits=LIMITS)
    day = said("too low", "same", "2026-05-03", corrects=1, because="typed wrongly")
    assert judge(plan, day, log, limits=LIMITS).corrects == 1


def test_an_open_stop_is_not_hidden_by_a_later_one_that_is_ended(plan):
    """Logged in another's place it stands before it; a word that came before it ends nothing."""
    log: list[Trial] = []
    run(plan, log, "too low", "same", "2026-05-01")
    run(plan, log, "my toes went numb", "worse", "2026-05-02")
    word = Said(clinician="A. Doc, 2026-05-03", date="2026-05-03")
    log.append(judge(plan, word, log, limits=LIMITS))
    assert open_stop(in_force(log)) is None
    run(plan, log, "numb toes", "same", "2026-05-01", corrects=1, because="was forgotten")
    still = open_stop(in_force(log))
    assert still is not None
    assert still.number == 4
    again = Said(clinician="A. Doc, 2026-05-04", date="2026-05-04")
    log.append(judge(plan, again, log, limits=LIMITS))
    assert open_stop(in_force(log)) is None


@pytest.mark.parametrize("pick", ["slips", "Slips!", " slips, ", '"slips"', "-slips"])
def test_slips_is_a_red_flag_however_it_is_written(plan, pick):
    found = judge(plan, said("", felt=[pick]), [], limits=LIMITS)
    assert found.stopped == ["slipping: yes"]
    assert found.step is None


def test_a_step_that_was_not_made_is_not_taken_back(plan):
    """What was changed instead made it worse: it is not called by the step's name."""
    log: list[Trial] = []
    step = run(plan, log, "too high under the arch", "same").step
    assert step is not None
    made_it = made(2, support_level=step.wishes["right"]["support_level"])
    back = judge(made_it, said("", "worse", "2026-05-02"), log, limits=LIMITS).step
    assert back is not None
    assert back.undoes
    other = made(2, forefoot=2.0)
    found = judge(other, said("", "worse", "2026-05-02"), log, limits=LIMITS)
    assert found.step is None
    assert "no earlier step to take back" in " ".join(found.words)


@pytest.mark.parametrize(
    ("wish", "made_of_it", "words"),
    [
        ((1.0, 0.0), (0.0, 0.0), "1 mm forward was wished; on the grid of 3 mm and 5° that is no"),
        ((2.0, -4.0), (3.0, -3.0), "that is 3 mm forward, 3 mm lateral"),
        ((3.0, 0.0), (3.0, 0.0), "moved on the grid: 3 mm forward"),
    ],
)
def test_a_kit_pad_is_said_to_lie_where_it_lies(wish, made_of_it, words):
    pad = made(pad_source="kit", shift=wish).right.pad
    still = made(pad_source="kit").right.pad
    assert pad.shift == made_of_it
    assert pad.crest.from_rear - still.crest.from_rear == pytest.approx(made_of_it[0], abs=0.6)
    assert any(words in reason for reason in pad.reasons)
    assert ("was wished" in " ".join(pad.reasons)) is (wish != made_of_it)
