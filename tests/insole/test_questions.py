"""The questions before parts: a stop stops, an open question stays open, wording is careful."""

from __future__ import annotations

import pytest

from insole.errors import PlanError, RefusedError
from insole.record import questions as q

STOPS = [x.id for x in q.QUESTIONS if x.grade == "stop"]
NAMED = "B. Clinician, 2026-03-04"


def codes(notes):
    return {n.code for n in notes}


def test_ids_are_unique_and_every_question_asks():
    ids = [x.id for x in q.QUESTIONS]
    assert len(set(ids)) == len(ids)
    assert all(x.text.endswith("?") and x.grade in ("stop", "advise") for x in q.QUESTIONS)
    assert [x.id for x in q.QUESTIONS if x.grade == "advise"] == ["riding_pain"]


def test_unanswered_is_not_asked_never_no():
    full, notes = q.decide({}, "")
    assert set(full) == {x.id for x in q.QUESTIONS}
    assert set(full.values()) == {"not asked"}
    assert codes(notes) == {"not-asked"}
    assert "diabetes" in notes[0].text


def test_all_no_leaves_nothing_to_say():
    full, notes = q.decide({x.id: "no" for x in q.QUESTIONS}, "")
    assert set(full.values()) == {"no"}
    assert notes == ()


@pytest.mark.parametrize("name", STOPS)
def test_each_stop_refuses_with_exit_code_4_until_a_clinician_is_named(name):
    with pytest.raises(RefusedError, match=f"answered yes to {name.replace('_', ' ')}") as caught:
        q.decide({name: "yes"}, "")
    assert caught.value.exit_code == 4
    full, notes = q.decide({name: "yes"}, NAMED)
    assert full[name] == "yes"
    (cleared,) = [n for n in notes if n.code == "stop-cleared"]
    assert NAMED in cleared.text


@pytest.mark.parametrize(
    "word", ["", "  ", "B. Clinician", "2026-03-04", "B. Clinician, 2026-02-30", "X 04.03.2026"]
)
def test_a_clinicians_word_needs_a_name_and_a_real_date(word):
    with pytest.raises(RefusedError, match="record name and date as 'NAME, YYYY-MM-DD'"):
        q.decide({"wound": "yes"}, word)


def test_riding_pain_allows_parts_and_always_says_what_to_do():
    full, notes = q.decide({x: "no" for x in STOPS} | {"riding_pain": "yes"}, "")
    assert full["riding_pain"] == "yes"
    (note,) = notes
    assert note.code == "riding-pain"
    assert "foot pain calls for clinical advice" in note.text


@pytest.mark.parametrize(
    "answers",
    [{"hot_swollen_foot": "yes", "loss_of_feeling": "yes"}, {"cold_pale_foot": "yes"}],
)
def test_what_cannot_wait_is_said_first_with_and_without_a_clinician(answers):
    with pytest.raises(RefusedError, match=r"^a .* foot.*: this needs care on the same day"):
        q.decide(answers, "")
    assert "same-day-care" in codes(q.decide(answers, NAMED)[1])


def test_a_hot_foot_alone_is_a_stop_but_not_the_same_day():
    with pytest.raises(RefusedError, match=r"^no parts can be made"):
        q.decide({"hot_swollen_foot": "yes"}, "")


def test_answers_may_be_written_loosely_but_not_wrongly():
    assert q.decide({"wound": " No ", "night_pain": "NOT  asked"}, "")[0]["wound"] == "no"
    with pytest.raises(PlanError, match=r"answer to wound is 'maybe', .* yes, no, not asked"):
        q.decide({"wound": "maybe"}, "")
    with pytest.raises(PlanError, match=r"no question called 'diabetis'; did you mean diabetes\?"):
        q.decide({"diabetis": "no"}, "")


def test_an_answers_file_reads_back(tmp_path):
    path = tmp_path / "answers.toml"
    path.write_text(
        f'clinician = "{NAMED}"\n[answers]\ndiabetes = "yes"\nwound = false\n'
        'riding_pain = true\nnight_pain = "not asked"\n',
        encoding="utf-8",
    )
    answers, clinician = q.read(path)
    assert clinician == NAMED
    assert answers == {
        "diabetes": "yes",
        "wound": "no",
        "riding_pain": "yes",
        "night_pain": "not asked",
    }
    assert q.decide(answers, clinician)[0]["leg_length"] == "not asked"


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("answers = 3", r"a\.toml: answers must be a table"),
        ("clinician = 3", r"a\.toml: clinician must be a text"),
        ("diabetes = 'no'", r"a\.toml: diabetes is not a key of an answers file"),
        ("[answers]\nwound = 3", r"a\.toml: the answer to wound is '3', .* yes, no, not asked"),
        ("[answers]\nx = 'no'", r"a\.toml: there is no question called 'x'"),
        ("[answers", r"a\.toml is not a valid answers file"),
    ],
)
def test_bad_answers_files_say_what_is_wrong(tmp_path, text, match):
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=match):
        q.read(path)
    with pytest.raises(PlanError, match="cannot be read"):
        q.read(tmp_path / "none.toml")


def test_cautions_carry_what_must_never_be_missing():
    text = " ".join(q.CAUTIONS)
    for needed in (
        "fitting aid",
        "Foot pain calls for clinical advice",
        "regulated",
        "dust",
        "torque",
        "No gain in power",
    ):
        assert needed in text
    assert "foot pain calls for clinical advice" in q.SHORT_CAUTION
    assert "\n" not in q.SHORT_CAUTION
    assert len(q.SHORT_CAUTION) <= 90


def test_a_day_without_a_name_is_no_word():
    """What lifts a stop has both: a name and a real day."""
    assert q.dated("A. Doc, 2026-05-02") == "2026-05-02"
    for word in ("2026-05-02", "A, 2026-05-02", "A. Doc, 2026-02-30", "A. Doc", ""):
        assert q.dated(word) == ""
