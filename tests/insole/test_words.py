"""What feels how, and where: picked from the list, or read from a rider's words."""

from __future__ import annotations

import pytest

from insole.errors import PlanError
from insole.trials.picks import OBSERVATIONS, PICKS, picked
from insole.trials.words import left_over, observed


@pytest.mark.parametrize(
    ("text", "ids"),
    [
        ("lump in the arch", ["support-too-high"]),
        ("arch support too high", ["support-too-high"]),
        ("not enough arch support", ["support-too-low"]),
        ("the arch feels empty", ["support-too-low"]),
        ("can't feel the pad", ["support-too-low"]),
        ("pad presses near the ball", ["lump-in-front"]),
        ("pad too far forward", ["pad-too-far-forward"]),
        ("the support sits too far to the rear", ["pad-too-far-back"]),
        ("pad too far to the inside", ["pad-too-far-in"]),
        ("arch bump too far out", ["pad-too-far-out"]),
        ("lump too far in front", ["pad-too-far-forward"]),
        ("the arch bump should move towards the heel", ["pad-too-far-forward"]),
        ("the pad needs to go a bit further forward", ["pad-too-far-back"]),
        ("the pad should not go back", []),
        ("the pad is not too far back", []),
        ("too far forward", []),  # pad or pedal?
        ("lump near the heel", ["lump-behind"]),
        ("pad pushes at the inner edge", ["lump-medial"]),
        ("pad pushes at the outer edge", ["lump-lateral"]),
        ("toes tight", ["toes-tight"]),
        ("heel lifts", ["heel-lifts"]),
        ("cleat too far forward", ["pedal-too-far-forward"]),
        ("pressure under the ball", ["ball-presses"]),
        ("heel wants in", ["toes-want-out"]),
        ("weight on the outside edge", ["weight-on-little-toe-side"]),
        ("I stand on the big-toe side", ["weight-on-big-toe-side"]),
        ("support-too-low", ["support-too-low"]),
        ("no lump, arch feels good", []),
        ("pad is not too high", []),
        ("fine", []),
        ("arch is fine and toes squeezed, lump in the arch", ["toes-tight", "support-too-high"]),
    ],
)
def test_comfort_words(text, ids):
    assert [o.id for o in observed(text)] == ids


def test_a_place_helps_words_that_name_none():
    assert observed("too high") == ()
    assert [o.id for o in observed("too high", "arch")] == ["support-too-high"]
    assert [o.id for o in observed("a lump", "front")] == ["lump-in-front"]
    with pytest.raises(ValueError, match="place must be one of arch"):
        observed("a lump", "elbow")


def test_every_observation_can_be_given_by_its_id():
    for one in OBSERVATIONS:
        assert observed(one.id) == (one,)


@pytest.mark.parametrize(
    ("pick", "found"),
    [
        ("lump front", "lump-in-front"),
        ("Lump: inner", "lump-medial"),
        ("lump, lateral", "lump-lateral"),
        ("lump medial", "lump-medial"),
        ("lump inside", "lump-medial"),
        ("hot spot outside", "lump-lateral"),
        ("lump back", "lump-behind"),
        ("hot spot behind", "lump-behind"),
        ("lump arch", "support-too-high"),
        ("too high", "support-too-high"),
        ("not felt", "support-too-low"),
        ("toes cramped", "toes-tight"),
        ("slips", "heel-lifts"),
        ("hot spot ball", "ball-presses"),
        ("weight on little-toe side", "weight-on-little-toe-side"),
    ],
)
def test_a_pick_is_one_observation(pick, found):
    assert picked(pick).id == found


@pytest.mark.parametrize(
    ("pick", "move", "sign", "by"),
    [
        ("3 mm forward", "forward", 1, 3.0),
        ("wants it 2.5 mm back", "forward", -1, 2.5),
        ("4mm in", "medial", 1, 4.0),
        ("1 mm out", "medial", -1, 1.0),
    ],
)
def test_a_pad_may_be_wanted_elsewhere_by_millimetres(pick, move, sign, by):
    found = picked(pick)
    assert (found.move, found.sign, found.by) == (move, sign, by)


@pytest.mark.parametrize(
    ("pick", "match"),
    [
        ("lumpy", "not on the list"),
        ("lump", "say where as well: front, rear, inner, outer, middle"),
        ("to high", "did you mean 'too high'"),
        ("0 mm back", "more than 0 mm"),
        ("", "not on the list"),
    ],
)
def test_a_pick_that_is_not_on_the_list_is_one_sentence(pick, match):
    with pytest.raises(PlanError, match=match):
        picked(pick)


def test_every_pick_has_words():
    assert all(picked(name).text for name in PICKS)


@pytest.mark.parametrize(
    "text",
    [
        "I did not feel that the pad was too high",
        "I don't think the pad is too high",
        "the support is no longer too high",
        "the pad no longer presses",
        "the heel no longer lifts",
        "more support than before",
        "weight is not on the outer side any more",
        "I moved it 3 mm forward and it is better",
        "the pad was moved 3 mm back",
    ],
)
def test_what_is_over_or_denied_at_length_is_asked_about_and_no_complaint(text):
    assert observed(text) == ()
    assert left_over(text)


def test_a_wish_to_have_the_pad_moved_is_one():
    for text in ("the pad should be moved 3 mm back", "move the pad 3 mm back please"):
        (found,) = observed(text)
        assert (found.move, found.sign, found.by) == ("forward", -1, 3.0)
