"""Seating: the foot on the bed, its arch at half load, and the gap below it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from footscan.scan import Kind, Load
from insole.planning import outline, seating
from insole.record import rings
from insole.record.limits import default_limits
from insole.record.values import NoteLevel
from insole.shoe.shoe import parse
from tests import feet

LIMITS = default_limits()
PLAIN = {"name": "plain", "inside": {"length": 280, "ball_width": 100, "heel_width": 66}}
FLAT = PLAIN | {"bed": {"drop": 0}}
RAMP = PLAIN | {"bed": {"drop": 12}}


def seated(measured, shoe=None, roll=0.0):
    layout = outline.lay_out(measured, shoe, LIMITS)
    return seating.seat(measured, layout, shoe, limits=LIMITS, roll=roll)


def moved(seat, points):
    return np.asarray(points) @ seat.foot_to_bed[:3, :3].T + seat.foot_to_bed[:3, 3]


@pytest.mark.parametrize(
    ("load", "wanted"),
    [
        (Load.HALF, 0.0),
        (Load.FULL, 0.0),
        (Load.SEATED, 4.0),
        (Load.UNKNOWN, 3.0),
        (Load.NONE, 6.0),
    ],
)
def test_the_apex_comes_down_by_the_amount_of_its_load_state(load, wanted):
    foot = feet.analytic(arch=20.0, load=load)
    seat = seated(foot)
    assert seat.lowered == pytest.approx(wanted)
    apex = foot.landmarks["arch_apex"].xyz
    assert seat.landmarks["arch_apex"][2] == pytest.approx(apex[2] - wanted, abs=1e-9)


def test_an_unloaded_sole_comes_down_and_so_does_the_gap_below_it():
    """Raised instead, the pad would press."""
    across = np.linspace(-25.0, 25.0, 51)
    gaps = []
    for load in (Load.HALF, Load.NONE):
        seat = seated(feet.analytic(arch=20.0, load=load))
        gaps.append(seat.gap(np.full(51, seat.landmarks["arch_apex"][0]), across))
    down = gaps[0] - gaps[1]
    assert np.nanmax(down) > 2.0
    assert np.nanmin(down) > -0.05


def test_a_low_arch_never_loses_more_than_its_share():
    seat = seated(feet.analytic(arch=8.0, load=Load.NONE))
    top = feet.analytic(arch=8.0).landmarks["arch_apex"].xyz[2]
    assert seat.lowered == pytest.approx(0.35 * top)


def test_a_hanging_foot_of_unknown_load_counts_as_unloaded():
    seat = seated(feet.analytic(arch=20.0, load=Load.UNKNOWN, kind=Kind.HANGING))
    assert seat.load is Load.NONE
    assert seat.lowered == pytest.approx(6.0)


def test_lowering_fades_to_nothing_at_heel_ball_and_ground_without_a_kink():
    foot = feet.analytic(arch=20.0, load=Load.SEATED)
    x = np.linspace(0.0, 260.0, 2601)
    top = foot.landmarks["arch_apex"].xyz[2]
    down = seating.lowering(foot, x, np.full(x.shape, top), LIMITS)
    ball = np.mean([0.73, 0.63]) * 260.0
    assert np.all(down[(x <= 0.14 * 260.0) | (x >= ball)] == 0.0)
    assert down.max() == pytest.approx(4.0)
    # smoothstep over 70 mm has its largest slope change at the ends: 6 * 4 / 55² per mm
    assert np.abs(np.diff(down, 2)).max() / 0.1**2 < 6 * 4.0 / 50.0**2
    assert seating.lowering(foot, 117.0, 0.0, LIMITS) == 0.0


def test_lowering_keeps_the_order_of_heights():
    """Of two places of one station the higher one stays the higher one."""
    foot = feet.analytic(arch=9.0, load=Load.NONE)
    z = np.linspace(0.0, 25.0, 500)
    assert np.all(np.diff(z - seating.lowering(foot, 117.0, z, LIMITS)) > 0)


def test_on_a_flat_bed_the_gap_is_the_sole_itself():
    foot = feet.analytic(arch=14.0)
    seat = seated(foot, parse(FLAT))
    x, y = np.linspace(90.0, 160.0, 8), np.linspace(-15.0, 15.0, 8)
    at = moved(seat, np.column_stack([x, y, np.zeros(8)]))
    truth = feet.analytic_sole(x, y, arch=14.0)
    # 1 mm cells read twice by linear interpolation: h² / 8 times the largest bend, and a slope's
    # half cell where the lowest sample of a cell counts
    assert seat.gap(at[:, 0], at[:, 1]) == pytest.approx(truth, abs=0.5)


def test_the_heel_has_its_clearance_and_the_foot_lies_on_the_centreline():
    seat = seated(feet.analytic(), parse(FLAT))
    assert seat.foot_outline[:, 0].min() == pytest.approx(2.0, abs=1e-6)
    for share in (0.16, 0.68):
        low, high = rings.edges_at(seat.foot_outline, seat.station + share * 260.0)
        assert float((low + high)[0] / 2) == pytest.approx(0.0, abs=0.3)


def test_a_ramp_lifts_the_heel_and_leaves_heel_and_ball_in_contact():
    shoe = parse(RAMP)
    seat = seated(feet.analytic(), shoe)
    points = moved(seat, [[0.14 * 260.0, 0.0, 0.0], [0.68 * 260.0, 0.0, 0.0]])
    bed = shoe.bed_height(points[:, 0] / 280.0, np.zeros(2))
    assert 10.5 < bed[0] - bed[1] <= 12.0  # the ramp starts just behind the heel seat
    assert points[:, 2] == pytest.approx(bed, abs=0.15)  # 0.68 of a foot pitched by 5 degrees
    assert np.linalg.det(seat.foot_to_bed) == pytest.approx(1.0)
    assert seat.foot_to_bed[3].tolist() == [0, 0, 0, 1]


def test_a_higher_bed_under_the_arch_takes_its_height_off_the_gap():
    """A shank 4 mm high at 45 % of the bed, level at heel and ball: 4 mm less gap there."""
    level = [5.0, 5.0, 5.0, 5.0, 5.0]
    shank = [5.0, 5.0, 9.0, 5.0, 5.0]
    flat, high = (
        seated(
            feet.analytic(),
            parse(
                PLAIN
                | {"bed": {"heights": {line: heights for line in ("medial", "midline", "lateral")}}}
            ),
        )
        for heights in (level, shank)
    )
    x = 0.45 * 280.0
    assert flat.gap(x, 10.0) - high.gap(x, 10.0) == pytest.approx(4.0, abs=0.05)
    assert high.bed_known
    assert high.band < seated(feet.analytic(), parse(RAMP)).band


def test_the_band_grows_with_what_is_not_known():
    half = feet.analytic(load=Load.HALF)
    loose = feet.analytic(load=Load.SEATED)
    ramp = parse(RAMP)
    assert seated(half, ramp).band == pytest.approx(0.5 + 3.0)
    assert seated(loose, ramp).band == pytest.approx(math.hypot(0.5, 3.0) + 3.0)
    notes = {note.code: note.level for note in seated(loose).notes}
    assert notes["no-shoe"] is NoteLevel.WARN
    assert "load-seated" in notes


@pytest.mark.parametrize("roll", [-3.0, 3.0])
def test_roll_lifts_the_medial_side_when_positive_and_never_widens_the_gap(roll):
    foot = feet.analytic()
    level, rolled = seated(foot), seated(foot, roll=roll)
    medial, lateral = moved(rolled, [[117.0, 20.0, 0.0], [117.0, -20.0, 0.0]])
    assert medial[2] - lateral[2] == pytest.approx(40.0 * math.sin(math.radians(roll)))
    x, y = np.meshgrid(np.linspace(90, 160, 15), np.linspace(0, 25, 6), indexing="ij")
    assert np.nanmax(rolled.gap(x, y) - level.gap(x, y)) < 0.02


def test_seating_is_the_same_for_both_sides():
    """Plans live in one handedness: a left foot of the same shape is seated the same."""
    right, left = seated(feet.analytic(side="right")), seated(feet.analytic(side="left"))
    assert np.array_equal(right.foot_to_bed, left.foot_to_bed)
    assert np.array_equal(right.sole.z, left.sole.z, equal_nan=True)


def test_the_record_is_plain_data():
    record = seated(feet.analytic(load=Load.SEATED)).record()
    assert np.asarray(record.foot_to_bed).shape == (4, 4)
    assert any("lowered by 4.0 mm" in text for text in record.notes)
