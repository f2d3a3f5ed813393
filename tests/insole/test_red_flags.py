"""Red flags: the questions decide, free text can only add a stop, and doubt stops."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from insole.errors import PlanError
from insole.trials.red_flags import FLAGS, asked, not_asked, stops, unread
from tests.riders import sentences

ALL_NO = {flag.id: "no" for flag in FLAGS}
HEALTH = [flag.id for flag in FLAGS if flag.health]


@pytest.mark.parametrize("better", [True, False])
def test_no_danger_in_the_riders_sentences_is_missed(better):
    """Even when every flag was ticked as asked and answered no."""
    found = sentences("danger")
    assert len(found) >= 150
    assert [text for _, text in found if not stops(text, ALL_NO, better=better)] == []


def test_few_harmless_sentences_stop_once_the_questions_were_answered_no():
    found = sentences("calm")
    assert len(found) >= 150
    false = [text for how, text in found if stops(text, ALL_NO, better=how == "better")]
    assert len(false) < 0.10 * len(found), false


@pytest.mark.parametrize(
    "text",
    [
        "not one ride without pain",
        "never had pain this bad",
        "I can't say there is no pain",
        "my knee is killing me",
        "zero feeling in my toes",
    ],
)
@pytest.mark.parametrize("answers", [ALL_NO, {}])
@pytest.mark.parametrize("better", [True, False])
def test_negation_takes_no_stop_away(text, answers, better):
    assert stops(text, answers, better=better).health


def test_what_is_over_does_not_stop_a_better_ride():
    assert not stops("pain gone", ALL_NO, better=True)
    assert stops("pain gone", ALL_NO, better=False).health  # against its own answer: in doubt
    assert stops("pain gone in the left foot", ALL_NO, better=True).health


def test_cramped_toes_lack_room_and_a_cramped_calf_does_not():
    assert not stops("toes cramped", ALL_NO)
    assert stops("calf cramped", ALL_NO).health
    assert stops("toes cramped up on the climb", ALL_NO).health


@pytest.mark.parametrize("flag", [flag.id for flag in FLAGS])
@pytest.mark.parametrize("text", ["", "no pain, all good", "no pain and no numbness", "pain gone"])
def test_a_yes_stops_whatever_was_said(flag, text):
    found = stops(text, ALL_NO | {flag: "yes"}, better=True)
    assert f"{flag}: yes" in (found.health if flag in HEALTH else found.mechanical)


@given(
    st.text(max_size=60),
    st.sampled_from(["pain", "numbness", "tingling", "a wound", "cramp"]),
    st.text(max_size=60),
)
def test_a_word_of_danger_in_a_sentence_of_its_own_always_counts(before, word, after):
    assert stops(f"{before}. {word}. {after}", ALL_NO, better=True).health


@given(
    st.lists(
        st.sampled_from(
            "no not never without pain numb hurts is gone my foot and until better i had , . "
            "but".split()
        ),
        max_size=12,
    ),
    st.dictionaries(st.sampled_from([f.id for f in FLAGS]), st.sampled_from(["yes", "no"])),
)
def test_text_never_takes_an_answered_stop_away(words, answers):
    alone = stops("", answers, better=True)
    both = stops(" ".join(words), answers, better=True)
    assert set(alone.health) <= set(both.health)
    assert set(alone.mechanical) <= set(both.mechanical)


def test_a_long_text_is_read_quickly_enough_to_be_typed():
    text = ("no " * 300 + "pain " + "and the foot is " * 60)[:2000]
    assert stops(text, ALL_NO).health


def test_what_was_not_asked_is_not_a_no():
    assert not_asked({}) == [flag.id for flag in FLAGS]
    assert not_asked(ALL_NO) == []
    assert asked({"stuck": "no", "pain": "yes"}) == {"pain": "yes", "stuck": "no"}


@pytest.mark.parametrize(
    ("answers", "match"),
    [
        ({"pian": "no"}, "did you mean pain"),
        ({"pain": "maybe"}, "answer yes or no"),
        ({"release": "no"}, "say stuck=yes when the shoe could not be released"),
    ],
)
def test_a_flag_that_cannot_be_read_is_one_sentence(answers, match):
    with pytest.raises(PlanError, match=match):
        asked(answers)


def test_words_that_are_neither_comfort_nor_danger_are_named():
    assert unread("lump under the arch, too high") == []
    assert unread("like a walnut under my arch") == ["walnut"]
    assert unread("no pain") == []


def test_a_joint_in_strange_words_stops():
    assert stops("the knee was not itself", ALL_NO).health
    assert not stops("knee tracks straight", ALL_NO)


@pytest.mark.parametrize(
    ("word", "flag"),
    [("crmps", True), ("nubed", True), ("nunb", False), ("num", False), ("achs", False)],
)
def test_a_slip_of_the_fingers_is_heard_in_words_of_five_letters_and_more(word: str, flag: bool):
    """Shorter ones are one slip away from too many harmless words; they stay unread."""
    text = f"my toes {word}"
    said = stops(text, dict.fromkeys((one.id for one in FLAGS), "no"))
    assert bool(said.health) == flag
    assert flag or word in " ".join(unread(text))


@pytest.mark.parametrize(
    "text",
    [
        "I pulled my sore foot out",
        "unable to get my numb foot out",
        "nearly could not get my bleeding foot out",
        "never any numbness and now there is",
        "nothing hurt and the leg went funny",
    ],
)
def test_pain_told_of_a_shoe_that_holds_fast_or_slips_is_of_health(text):
    """Of words that overlap the graver one counts; and a tail may take a denial back."""
    assert stops(text, ALL_NO, better=False).health
