"""The cleat: reach, yaw, bolts, and the saddle change against a leg drawn in full."""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.errors import PlanError
from insole.planning import cleat
from insole.record.limits import default_limits
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import NoteLevel, Quantity
from insole.shoe.shoe import CleatSlots, Shoe

LIMITS = default_limits()
MARKS = {"mth1": np.array([196.0, 34.0, 0.0]), "mth5": np.array([168.0, -36.0, 0.0])}


def shoe(tube: float | None = None, **slots) -> Shoe:
    known = {"mark": "the rear slot", "mark_from_heel": 195.0, "front": 10.0, "rear": -6.0}
    return Shoe(
        name="t",
        inside_length=280,
        ball_width=99,
        heel_width=67,
        drop=8,
        seat_tube_angle=tube,
        slots=CleatSlots(**(known | slots)),
    )


def plan(offset=None, yaw=None, of=None, marks=MARKS):
    wish = cleat.CleatWish(offset=offset, yaw=yaw)
    return cleat.plan_cleat(landmarks=marks, shoe=of, limits=LIMITS, wish=wish)


def codes(notes):
    return {n.code for n in notes}


def test_start_setting_is_used_and_printed():
    found, notes = plan(of=shoe())
    assert found.from_ball_mark == -LIMITS.value("cleat.behind_ball")
    assert found.from_mth5 == pytest.approx(196 - 5 - 168)
    assert found.yaw == 0.0
    assert "start setting -5 mm" in found.notes[0]
    assert "5.0 mm behind the first metatarsal head" in found.notes[0]
    # axle at 191, mark at 195
    assert any(n.text == "axle 4.0 mm behind the rear slot" for n in notes)


@pytest.mark.parametrize(
    ("offset", "reached", "short"), [(-6.9, -6.9, None), (-12.0, -7.0, 5.0), (15.0, 9.0, 6.0)]
)
def test_slots_bound_the_place_and_say_by_how_much(offset, reached, short):
    """Slots reach from 189 to 205 mm; MTH1 lies at 196."""
    found, notes = plan(offset=offset, of=shoe())
    assert found.from_ball_mark == pytest.approx(reached)
    warned = [n for n in notes if n.code == "cleat-reach"]
    assert bool(warned) is (short is not None)
    if short:
        assert f"slots end {short:.1f} mm before the wished place" in warned[0].text


def test_unknown_slots_are_said_not_guessed():
    for of in (None, shoe(mark_from_heel=None), shoe(front=None, rear=None)):
        found, notes = plan(offset=-20.0, of=of)
        assert found.from_ball_mark == -20.0
        assert "cleat-reach-unknown" in codes(notes)


def test_yaw_is_bounded_by_the_cleat_and_kept_with_its_sign():
    assert plan(yaw=-4.0, of=shoe(yaw=7.0))[0].yaw == -4.0
    found, notes = plan(yaw=-9.0, of=shoe(yaw=7.0))
    assert found.yaw == -7.0
    assert "cleat-yaw" in codes(notes)


@pytest.mark.parametrize(
    ("whole", "code"), [(None, "float-unknown"), (3.9, "float-small"), (4.0, None)]
)
def test_float_leaves_two_degrees_each_way_or_warns(whole, code):
    _, notes = plan(of=shoe(float_range=whole))
    assert ("float-unknown" in codes(notes)) is (code == "float-unknown")
    assert ("float-small" in codes(notes)) is (code == "float-small")


@pytest.mark.parametrize(
    ("offset", "yaw", "match"),
    [
        (31.0, None, r"cleat offset is 31 mm, but must be from -30 to 30 mm"),
        (math.nan, None, "cleat offset is nan"),
        (None, -10.5, r"cleat yaw is -10\.5 degrees, but must be from -10 to 10"),
    ],
)
def test_slips_of_the_hand_are_refused(offset, yaw, match):
    with pytest.raises(PlanError, match=match):
        plan(offset=offset, yaw=yaw)


def test_without_the_ball_there_is_no_cleat_place():
    found, notes = plan(marks={"mth1": MARKS["mth1"]})
    assert found is None
    assert codes(notes) == {"cleat-unknown"}


def test_clearance_check_comes_with_moves_back_and_turns_only():
    assert "crank and frame" in " ".join(plan(offset=-1.0)[0].notes)
    assert "crank and frame" in " ".join(plan(offset=0.0, yaw=1.0)[0].notes)
    assert "crank and frame" not in " ".join(plan(offset=0.0)[0].notes)


def saddle_to_keep_the_leg(setback: float, stack: float, tube: float, pitch: float) -> float:
    """Return the saddle move that keeps the distance hip to ankle, from a leg drawn in full.

    Bottom bracket at the origin, x forward, y up; crank 170 mm down along the seat-tube line,
    hip 720 mm up along it. The ankle stands 115 mm behind the axle along the sole and 100 mm
    above it, sole pitched heel-up. Root found on the drawing, no formula used.
    """
    from scipy.optimize import brentq

    t, p = math.radians(tube), math.radians(pitch)
    up_tube = np.array([-math.cos(t), math.sin(t)])
    ahead, up = np.array([math.cos(p), -math.sin(p)]), np.array([math.sin(p), math.cos(p)])
    axle = -170 * up_tube

    def ankle(back: float, height: float) -> np.ndarray:
        return axle + (back - 115) * ahead + (100 + height) * up

    reach = np.linalg.norm(720 * up_tube - ankle(0, 0))
    return brentq(
        lambda s: np.linalg.norm((720 + s) * up_tube - ankle(setback, stack)) - reach, -60, 60
    )


@pytest.mark.parametrize("tube", [71.0, 73.5, 76.0])
@pytest.mark.parametrize("pitch", [5.0, 15.0, 25.0])
@pytest.mark.parametrize("setback", [-6.0, 4.0, 10.0])
def test_setback_agrees_with_a_drawn_leg(tube, pitch, setback):
    """The formula lets hip and ankle lie on the seat-tube line; the drawn ankle does not quite.

    That line differs by under 6 degrees here, so the change differs by less than a tenth of
    the move.
    """
    drawn = saddle_to_keep_the_leg(setback, 0.0, tube, pitch)
    found = cleat.setback_change(setback, tube, pitch)
    assert found == pytest.approx(drawn, abs=0.1 * abs(setback) + 0.05)
    assert math.copysign(1, found) == -math.copysign(1, setback)


def test_a_higher_stack_raises_the_saddle_by_nearly_as_much_in_a_drawn_leg():
    """Same amount, first order; the drawn leg follows by cos of sole normal against leg."""
    for stack in (-3.0, 2.0, 6.0):
        assert cleat.stack_change(stack) == stack
        drawn = saddle_to_keep_the_leg(0.0, stack, 73.0, 15.0)
        assert 0.80 <= drawn / stack <= 1.0
        told, _ = cleat.saddle_change(stack_mm=stack, setback_mm=0, shoe=None, limits=LIMITS)
        assert abs(told.value - drawn) <= 1.96 * told.sd


def test_whole_slot_lowers_the_saddle_by_5_to_10_mm():
    """Common practice, no source: 5 to 10 mm over the whole slot, here 16 mm of it."""
    limits_pitch, tube = LIMITS.value("cleat.foot_pitch"), LIMITS.value("cleat.seat_tube")
    assert 5.0 <= -cleat.setback_change(16.0, tube, limits_pitch) <= 10.0
    quiet = cleat.saddle_change(stack_mm=0, setback_mm=5, shoe=shoe(), limits=LIMITS)[1]
    assert quiet == ()
    far = shoe(front=25.0, rear=-20.0)
    notes = cleat.saddle_change(stack_mm=0, setback_mm=5, shoe=far, limits=LIMITS)[1]
    assert codes(notes) == {"saddle-geometry"}


def test_saddle_change_adds_both_and_says_what_was_assumed():
    assumed, _ = cleat.saddle_change(stack_mm=2.0, setback_mm=10.0, shoe=None, limits=LIMITS)
    stated, _ = cleat.saddle_change(stack_mm=2.0, setback_mm=10.0, shoe=shoe(74.0), limits=LIMITS)
    assert assumed.value == pytest.approx(2.0 - 10 * math.cos(math.radians(58)), abs=0.01)
    assert stated.value == pytest.approx(2.0 - 10 * math.cos(math.radians(59)), abs=0.01)
    assert "assumed" in assumed.reason
    assert "as stated" in stated.reason
    assert assumed.sd > stated.sd > 0
    still, _ = cleat.saddle_change(stack_mm=0.0, setback_mm=0.0, shoe=None, limits=LIMITS)
    assert (still.value, still.sd) == (0.0, 0.0)


@pytest.mark.parametrize(("tube", "pitch"), [(50.0, 10.0), (73.0, 60.0)])
def test_impossible_angles_are_a_bug_of_the_caller(tube, pitch):
    with pytest.raises(ValueError, match="must be from"):
        cleat.setback_change(5.0, tube, pitch)


@pytest.mark.parametrize(
    ("left", "right", "used", "warn"),
    [
        (2.0, 4.0, "use +2.0 mm", False),
        (-1.0, -5.0, "use -1.0 mm", True),
        (2.0, -1.0, "leave the saddle as it is", False),
    ],
)
def test_one_saddle_takes_the_smaller_of_two_changes(left, right, used, warn):
    (note,) = cleat.check_saddles(Quantity(value=left), Quantity(value=right), LIMITS)
    assert used in note.text
    assert (note.level is NoteLevel.WARN) is warn
    assert cleat.check_saddles(Quantity(value=None), Quantity(value=1.0), LIMITS) == ()


def under(net: float) -> WedgePlan:
    tan = math.tan(math.radians(abs(net)))
    return WedgePlan(
        place=WedgePlace.UNDER,
        wish=net,
        cant_kept=0,
        net=net,
        remainder=0,
        thick_side="big-toe side" if net > 0 else "little-toe side",
        width=60.0,
        thick_edge=1 + 60 * tan,
        edge=1.0,
        full_from=160,
        full_to=220,
        taper_rear=0,
        taper_front=0,
        outline=[(160, -25), (220, -25), (220, 35), (160, 35)],
    )


@pytest.mark.parametrize("net", [3.0, -3.0])
def test_each_bolt_grows_by_the_shim_at_its_place(net):
    """Middle of the plate at y = 5: 30 mm from the thin edge; medial bolt 50, lateral 10."""
    slots = CleatSlots(holes=((0, 20), (0, -20), (15, 0)), bolt_length=10, engagement=3.0)
    tan = math.tan(math.radians(3))
    high, low, middle = (1 + d * tan for d in (50, 10, 30))
    expected = [high, low, middle] if net > 0 else [low, high, middle]
    found = cleat.bolts(slots, under(net), LIMITS)
    assert [b.added for b in found] == pytest.approx(expected)
    # 3 mm engaged is less than 5 turns of 0.8 mm: one more millimetre of bolt
    assert [b.length for b in found] == pytest.approx([10 + a + 1 for a in expected])
    assert all(b.engagement == pytest.approx(4.0) for b in found)


def test_unmeasured_bolts_stay_unknown_and_missing_holes_are_refused():
    (bolt,) = cleat.bolts(CleatSlots(holes=((0, 0),)), under(2.0), LIMITS)
    assert bolt.length is None
    assert bolt.engagement is None
    with pytest.raises(PlanError, match=r"fill in cleat\.holes"):
        cleat.bolts(CleatSlots(), under(2.0), LIMITS)
