"""Least steps: at the step a figure is said, below it nothing is, either way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from footscan.results import Measure
from insole.cli.show import feet as shown
from insole.output.papers import report_measures
from insole.output.phrases import behind, change, yaw_words
from insole.planning import planner
from insole.planning.changes import describe_change
from insole.planning.cleat import check_saddles
from insole.planning.planner import FootWish, PlanWishes
from insole.record.least import LEAST, clear, counts, sd_shown, stepped
from insole.record.limits import default_limits
from insole.record.values import Note, Quantity
from tests import feet, plans


@pytest.mark.parametrize("kind", sorted(LEAST))
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_step_itself_counts_and_what_is_smaller_does_not(kind, way):
    assert counts(way * LEAST[kind], kind)
    assert not counts(way * (LEAST[kind] - 0.001), kind)


@pytest.mark.parametrize(
    ("size", "shown"), [(42.27, 42.5), (42.24, 42.0), (42.25, 42.5), (41.0, 41.0), (7.74, 7.5)]
)
def test_sizes_stand_on_halves(size, shown):
    assert stepped(size, "size") == shown


def test_a_length_is_said_no_closer_than_its_step_until_the_scale_is_verified():
    assert sd_shown(0.2, "mm", scale_verified=False) == LEAST["length"]
    assert sd_shown(0.2, "mm", scale_verified=True) == 0.2
    assert sd_shown(0.2, "deg", scale_verified=False) == 0.2


@pytest.mark.parametrize(
    ("value", "words"),
    [(0.99, "leave it"), (-0.99, "leave it"), (1.0, "1.0 mm up"), (-1.0, "1.0 mm down")],
)
def test_a_saddle_moves_by_a_mark_of_its_post_or_not_at_all(value, words):
    assert change(value) == words


def test_a_cleat_is_level_with_its_mark_below_half_a_millimetre():
    assert behind(0.49) == behind(-0.49) == "level with"
    assert behind(0.5) == "0.5 mm ahead of"
    assert behind(-0.5) == "0.5 mm behind"
    assert yaw_words(0.49) == "nose straight ahead"
    assert yaw_words(-0.5) == "nose 0.5° to the little-toe side of the shoe's midline"


@pytest.mark.parametrize(
    ("left", "right", "said"),
    [
        (0.6, -0.5, None),
        (0.9, 0.9, None),
        (-1.2, -0.4, "leave the saddle as it is"),
        (1.5, 1.2, "use +1.2 mm"),
        (-1.5, 1.2, "leave the saddle as it is"),
    ],
)
def test_two_saddles_are_a_matter_only_where_one_of_them_counts(left, right, said):
    notes = check_saddles(Quantity(value=left), Quantity(value=right), default_limits())
    assert [said in note.text for note in notes] == ([] if said is None else [True])


def _moved(foot, **crest):
    pad = foot.pad.model_copy(update={"crest": foot.pad.crest.model_copy(update=crest)})
    return foot.model_copy(update={"pad": pad})


def test_a_change_below_the_step_is_no_change():
    old = plans.sample_plan()
    crest = old.left.pad.crest
    for more, words in (
        (0.19, []),
        (0.2, ["left crest 0.2 mm higher"]),
        (-0.2, ["left crest 0.2 mm lower"]),
    ):
        new = old.model_copy(update={"left": _moved(old.left, height=crest.height + more)})
        assert describe_change(old, new) == words
    for more, words in (
        (0.49, []),
        (0.5, ["left cleat: 0.5 mm forward"]),
        (-0.5, ["left cleat: 0.5 mm rearward"]),
    ):
        cleat = old.left.cleat
        there = cleat.model_copy(update={"from_ball_mark": cleat.from_ball_mark + more})
        new = old.model_copy(update={"left": old.left.model_copy(update={"cleat": there})})
        assert describe_change(old, new) == words


@pytest.mark.parametrize(
    ("was", "now", "words"),
    [
        (-0.5, -2.8, ["left saddle: stays before, 2.8 mm down now"]),
        (1.5, 0.5, ["left saddle: 1.5 mm up before, stays now"]),
        (1.5, 0.51, []),
        (0.4, -0.4, []),
    ],
)
def test_a_saddle_change_is_told_from_step_to_step(was, now, words):
    old, new = (
        (plan := plans.sample_plan()).model_copy(
            update={"left": plan.left.model_copy(update={"saddle_change": Quantity(value=value)})}
        )
        for value in (was, now)
    )
    assert describe_change(old, new) == words


def test_what_is_not_a_change_of_parts_is_not_told_again():
    old = plans.sample_plan()
    more = [
        Note(code="not-asked", text="not asked: x"),
        Note(code="saddle", text="one saddle"),
        Note(code="riding-pain", text="pain while riding"),
    ]
    new = old.model_copy(update={"notes": [*old.notes, *more]})
    assert describe_change(old, new) == ["pain while riding"]


@pytest.mark.parametrize(("verified", "sd"), [(False, LEAST["length"]), (True, 0.25)])
def test_a_plan_s_measures_are_no_closer_than_their_step_without_a_verified_scale(verified, sd):
    foot = feet.analytic(side="left")
    arch = Measure(value=14.0, sd=0.25)
    foot = replace(
        foot,
        measures=dict(foot.measures) | {"arch_apex_height": arch},
        facts=replace(foot.facts, scale_verified=verified),
    )
    plan = planner.plan(foot, None, None, PlanWishes(both=FootWish.of(pad=False)))
    assert plan.left.measures["arch_apex_height"].sd == sd


@pytest.mark.parametrize(
    ("gap", "sd", "unit", "said"),
    [
        (1.70, 0.85, "mm", False),  # shown: larger by 1.7, beyond 1.7
        (1.76, 0.85, "mm", True),
        (-1.76, 0.85, "mm", True),
        (0.44, 0.1, "mm", False),  # less than a foot measured twice
        (0.51, 0.1, "mm", True),
        (0.44, 0.1, "deg", False),
        (0.51, 0.1, "deg", True),
        (0.0044, 0.002, "", False),
        (0.0056, 0.002, "", True),
    ],
)
def test_a_difference_is_said_beyond_its_band_as_it_is_shown(gap, sd, unit, said):
    assert clear(gap, sd, unit, times=2.0) is said


@pytest.mark.parametrize("verified", [True, False])
def test_screen_and_report_say_the_same_of_left_and_right(verified):
    """Of every measure that the report shows: larger on the same side, or not clear in both."""
    left = feet.analytic(side="left", length=266.0)
    right = feet.analytic()
    pair = [
        replace(foot, facts=replace(foot.facts, scale_verified=verified)) for foot in (left, right)
    ]
    plan = planner.plan(*pair, None)
    screen = "\n".join(shown._differences(*pair))
    rows = report_measures._measure_rows(
        [
            (name, plan.left.measures.get(name), plan.right.measures.get(name))
            for name, _ in report_measures.MEASURES
        ]
    )
    seen = []
    for (name, _), row in zip(report_measures.MEASURES, rows[1:], strict=True):
        judged = row[-1].text if row[-1] else ""
        seen.append(judged)
        for side in ("left", "right"):
            on_screen = f"  {shown._words(name)}: {side} larger by" in screen
            assert on_screen == (judged == f"<b>{side} larger</b>"), name
    assert "<b>left larger</b>" in seen  # its length
    assert "not clear" in seen
