"""Words that name one foot never change the other one unasked."""

from __future__ import annotations

import pytest

from insole.trials.entry import Said, Trial
from insole.trials.trial import judge
from insole.trials.words import named_foot
from tests.on_trial import LIMITS, said
from tests.plans import sample_plan

PLAN = sample_plan()


def judged(text: str, **more: object) -> Trial:
    words: Said = said(text, "same", **more)
    return judge(PLAN, words, [], limits=LIMITS)


@pytest.mark.parametrize("side", ["both", "right"])
def test_a_step_of_another_foot_than_the_words_name_is_not_proposed(side: str) -> None:
    found = judged("too much support under the left arch", side=side)
    assert found.step is None
    (asked,) = [words for words in found.words if "name the left foot" in words]
    stated = "both feet" if side == "both" else "the right one"
    assert f"and {stated} would be changed: log it again" in asked


def test_the_foot_that_was_stated_or_read_again_gets_its_step() -> None:
    found = judged("too much support under the left arch", side="left")
    assert found.step is not None
    assert list(found.step.wishes) == ["left"]
    again = judged("too much support under the left arch", as_said=True)
    assert again.step is not None
    both = judged("too much support under the left arch and the right arch")
    assert both.step is not None


@pytest.mark.parametrize(
    ("text", "foot"),
    [
        ("too high under my right foot", "right"),
        ("the left one presses", "left"),
        ("a lump on the left", "left"),
        ("The RIGHT feels too firm", "right"),
        ("left big toe floats", "left"),
        ("left arch better, right arch the same", ""),
        ("too high under both arches, most under the left arch", ""),
        ("the left one is too high and the other too", ""),
        ("the height is right now", ""),
        ("on the right track, feels just right", ""),
        ("right under the arch", ""),
        ("it sits in the right place", ""),
        ("nothing left to change", ""),
        ("", ""),
    ],
)
def test_one_foot_is_heard_and_right_for_correct_is_not(text: str, foot: str) -> None:
    assert named_foot(text) == foot
