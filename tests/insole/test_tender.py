"""Of each tender spot the plan says what the parts do there; what presses there is not free."""

from __future__ import annotations

import pytest

from insole.record.values import NoteLevel
from tests.on_trial import made


def note_of(spot, **wish):
    found = [n for n in made(1, tender=(spot,), **wish).right.notes if n.code.startswith("tender-")]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(
    ("spot", "wish", "free", "words"),
    [
        ((115.0, 15.0), {}, True, "a relief of 1.5 mm, which leaves the pad "),
        ((30.0, 0.0), {}, True, "no part is raised there"),
        ((180.0, 0.0), {"forefoot": 2.0}, False, "NOT kept free, a shim"),
        ((165.0, -3.0), {"metatarsal": 5.0}, False, "NOT kept free, the metatarsal pad stands"),
        (
            (165.0, -3.0),
            {"metatarsal": 5.0, "contoured": "full"},
            False,
            "NOT kept free, the metatarsal pad stands",
        ),
        ((115.0, 15.0), {"metatarsal": 5.0}, True, "a relief of 1.5 mm, which leaves the pad "),
        ((115.0, 15.0), {"contoured": "full"}, True, "a relief of 1.5 mm, which leaves the bed "),
        ((180.0, 0.0), {"contoured": "full"}, False, "NOT hollowed, the bed is at its thinnest"),
        (
            (180.0, 0.0),
            {"contoured": "full", "forefoot": 2.0},
            False,
            "NOT kept free, the wedge built in",
        ),
    ],
)
def test_a_tender_spot_is_told_by_what_lies_there(spot, wish, free, words):
    note = note_of(spot, **wish)
    assert (note.code == "tender-spot") is free
    assert note.level is (NoteLevel.INFO if free else NoteLevel.WARN)
    assert f"{spot[0]:g} mm from the rear edge" in note.text
    assert words in note.text
