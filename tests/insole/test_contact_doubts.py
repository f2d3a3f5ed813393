"""What the contact model's figures ask to be said, at the boundary of each rule.

Bounds are those of the limits: standing, the lower of the peaks at heel and forefoot; pedalling, a
share of the peak at the forefoot; the ball's own steepness; a share of the area.
"""

from __future__ import annotations

import pytest

from insole.errors import PlanError
from insole.planning.contact import doubts
from insole.record.limits import default_limits
from insole.record.planned_contact import ContactCase, ContactFigures, ContactPlan
from insole.record.values import NoteLevel, Quantity

LIMITS = default_limits()
ARCH, LOSS = LIMITS.value("contact.arch_share"), LIMITS.value("contact.area_loss")
TINY = 1e-3


def figures(area=100.0, heel=80.0, forefoot=60.0, pad=0.0, edge=0.0, ball=1.0):
    regions = ("heel", "midfoot", "forefoot", "big toe")
    return ContactFigures(
        area=area,
        share=dict.fromkeys(regions, 0.25),
        tilt=(0.0, 0.0),
        centre=(0.0, 0.0),
        peak=dict.fromkeys(regions, 20.0) | {"heel": heel, "forefoot": forefoot},
        pad_share=0.1,
        pad_peak=pad,
        pad_gradient=edge,
        ball_gradient=ball,
    )


def codes(case, *, ankle=None, before=100.0, **after):
    pressed = ContactCase(
        case=case, load=368.0, ankle=ankle, before=figures(before), after=figures(**after)
    )
    plan = ContactPlan(body_mass=Quantity(value=75.0, unit="kg"), cases=[pressed])
    notes = doubts.pressed_notes(plan, LIMITS)
    assert {note.level for note in notes} <= {NoteLevel.WARN}
    assert all(note.text.startswith(f"{case}: ") for note in notes)
    return [note.code for note in notes]


@pytest.mark.parametrize(("heel", "forefoot"), [(50.0, 60.0), (60.0, 50.0)])
def test_standing_the_pad_s_peak_stays_below_the_lower_of_heel_and_forefoot(heel, forefoot):
    for pad, said in ((50.0, []), (50.0 + TINY, ["contact-arch-standing"])):
        assert codes("standing", heel=heel, forefoot=forefoot, pad=pad) == said


def test_pedalling_the_pad_s_peak_stays_below_a_share_of_the_forefoot_s():
    for pad, said in ((ARCH * 60.0, []), (ARCH * 60.0 + TINY, ["contact-arch-pedalling"])):
        assert codes("pedalling", heel=1.0, forefoot=60.0, pad=pad) == said  # whatever the heel


@pytest.mark.parametrize(("case", "said"), [("pedalling", ["contact-edge"]), ("standing", [])])
def test_a_ridge_is_felt_for_where_the_pad_is_steeper_than_the_ball_and_pedalled_on(case, said):
    assert codes(case, pad=5.0, edge=2.0 * doubts.STEEPER, ball=2.0) == []
    assert codes(case, pad=5.0, edge=2.0 * doubts.STEEPER + TINY, ball=2.0) == said


def test_a_peak_and_a_ridge_are_one_warning():
    assert codes("pedalling", pad=59.0, edge=9.0, ball=1.0) == ["contact-arch-pedalling"]


@pytest.mark.parametrize("case", ["standing", "pedalling"])
def test_a_sole_held_by_the_leg_and_a_pad_that_nothing_touches_say_nothing_of_the_pad(case):
    assert codes(case, ankle=3.0, pad=500.0, edge=9.0) == []
    assert codes(case, pad=0.0, edge=9.0) == []


@pytest.mark.parametrize("case", ["standing", "pedalling"])
def test_contact_that_is_lost_is_said_beyond_its_share(case):
    assert codes(case, before=100.0, area=100.0 * (1.0 - LOSS) + TINY) == []
    assert codes(case, before=100.0, area=100.0 * (1.0 - LOSS) - TINY) == [f"contact-less-{case}"]


def test_a_pad_is_idle_while_no_load_adds_its_least_contact():
    def idle(standing, pedalling):
        cases = [
            ContactCase(case=name, load=368.0, before=figures(100.0), after=figures(100.0 + more))
            for name, more in (("standing", standing), ("pedalling", pedalling))
        ]
        plan = ContactPlan(body_mass=Quantity(value=75.0, unit="kg"), cases=cases)
        return [note.code for note in doubts.idle_notes(plan)]

    least = doubts.IDLE_CM2
    assert idle(least - TINY, least - TINY) == ["contact-idle"]
    assert idle(least, 0.0) == idle(0.0, least) == []


@pytest.mark.parametrize(
    ("mass", "good"),
    [
        (25.0, True),
        (25.0 - TINY, False),
        (250.0, True),
        (250.0 + TINY, False),
        (float("nan"), False),
    ],
)
def test_a_body_mass_is_one_or_is_refused(mass, good):
    if good:
        assert doubts.mass_of(mass, LIMITS).value == mass
    else:
        with pytest.raises(PlanError, match="give 25 to 250 kg"):
            doubts.mass_of(mass, LIMITS)
