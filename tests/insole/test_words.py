"""What a rider's words say: stop words with inflections and negation, and comfort words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from insole.planning.words import OBSERVATIONS, observed, stop_words

STOPS = """pain in the knee / my foot hurts / it was painful / numb toes / toes went numb after an
hour / tingling / Tingeling in the toes / burning under the ball / a blister at the heel / swollen
ankle / swelling / cramp in the calf / cramps / open wound / heel is sore / aching arch / PAIN
/ didn’t hurt until the climb / hip pain, no knee pain / bleeding toe / red skin / swelled up
/ no pain at first / almost no pain / no pain, numb toes / not only pain / not painless
/ no change in the pain / it doesn't hurt as much / never had pain like this / no more pain
/ pain is gone / no pain but numbness / not without pain / no less pain than before
/ No, pain in the hip / no numbness. Pain though / there was no pain and numb toes
/ I'm not sure there is no pain / hardly any pain / no longer numb / no I had pain
/ I can't feel my toes / no feeling in my toes / could not feel any of my foot / lost feeling in
the little toe / pins and needles / foot fell asleep / feet went dead / hot spot under the ball
/ toenail bruised / cant feel my foot"""
CLEAR = """no pain / no knee pain / no pain, numbness or tingling / no pain or numbness
/ without any pain / pain free / pain-free all week / painless / does not hurt
/ doesn't hurt anywhere / nothing hurts / no numbness, no tingling / neither pain nor numbness
/ not sore / I don't have any foot pain / no signs of swelling / lump in the arch / too high
/ can't feel the pad / did not feel any pain / I do not feel any difference / turning is fine
/ no slipping / no hot spots / no cramp, no blister / knee did not hurt / neither foot hurts
/ better, arch support feels good / never numb / running pace / painted shoes / redo the trial"""


def texts(block: str) -> list[str]:
    return [" ".join(text.split()) for text in block.split("/")]


@pytest.mark.parametrize("text", texts(STOPS))
def test_a_reason_to_stop_is_found(text):
    assert stop_words(text).health


@pytest.mark.parametrize("text", ["foot slips", "couldn't unclip", "can not release", "it slid out",
                                  "cleat came loose", "I crashed", "hard to unclip"])  # fmt: skip
def test_what_must_not_be_ridden_on_is_found(text):
    found = stop_words(text)
    assert found.mechanical
    assert not found.health


@pytest.mark.parametrize("text", texts(CLEAR))
def test_what_is_plainly_negated_or_harmless_does_not_stop(text):
    assert not stop_words(text)


@given(st.text(max_size=60), st.sampled_from(["pain", "numbness", "tingling", "a wound", "cramp"]),
       st.text(max_size=60))  # fmt: skip
def test_a_stop_word_in_a_sentence_of_its_own_always_counts(before, word, after):
    assert stop_words(f"{before}. {word}. {after}").health


@pytest.mark.parametrize(("text", "ids"), [
    ("lump in the arch", ["support-too-high"]),
    ("arch support too high", ["support-too-high"]),
    ("not enough arch support", ["support-too-low"]),
    ("the arch feels empty", ["support-too-low"]),
    ("can't feel the pad", ["support-too-low"]),
    ("pad presses near the ball", ["lump-in-front"]),
    ("pad too far forward", ["lump-in-front"]),
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
])  # fmt: skip
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
