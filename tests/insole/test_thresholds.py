"""Thresholds and stations that decide what is made, by the number and not by their own file.

The numbers stand here a second time, on purpose: a limit that is changed by a slip of the hand, or
a station that is read at another place, has to show.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from footscan.scan import Load
from insole.errors import PlanError, RefusedError
from insole.parts.wedge import shim
from insole.planning import planner, seating, thickness
from insole.planning.cleat import CleatWish, plan_cleat
from insole.planning.memory import Memory
from insole.planning.outline import lay_out
from insole.planning.support import ceilings, keepouts, pad_record
from insole.planning.support.ceilings import room
from insole.planning.support.level import support_level
from insole.planning.support.shaping import crest_window, shaped
from insole.planning.support.task import PadTask
from insole.planning.support.wish import SupportWish
from insole.planning.wedge_rules import WedgeWish
from insole.planning.wishes import PlanWishes
from insole.record.limits import default_limits
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.rings import edges_at
from insole.shoe.shoe import parse
from insole.trials.entry import Said
from insole.trials.trial import judge
from tests import feet, plans
from tests.insole import test_wedging as beds
from tests.on_trial import ALL_NO

LIMITS = default_limits()
FLAT = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
}


@cache
def seated(side="right"):
    foot, bed = feet.analytic(side=side), parse(FLAT)
    return seating.seat(foot, lay_out(foot, bed, LIMITS), bed, limits=LIMITS)


def test_a_shim_is_ground_along_lines_half_a_millimetre_apart():
    (wedge,) = beds.wedges(WedgeWish(forefoot=2.0)).wedges
    assert wedge.contour_step == 0.5
    words = next(reason for reason in wedge.reasons if reason.startswith("from sheet"))
    assert "lines 0.5 mm of height apart" in words
    assert re.search(r"thin edge to 0\.3 mm or less", words)
    assert re.search(r"layers of at most 1 mm", words)


def test_the_plate_under_the_shoe_reaches_12_mm_beyond_the_bolts():
    """Bolts at 18 and 14 mm along and 17.5 mm across, the axle 5 mm behind a head at 194 mm."""
    (plate,) = beds.wedges(WedgeWish(under=1.0)).wedges
    assert plate.place is WedgePlace.UNDER
    x, y = np.array(plate.outline).T
    assert (x.min(), x.max()) == pytest.approx((194 - 5 - 18 - 12, 194 - 5 + 18 + 12), abs=0.002)
    assert np.ptp(y) == pytest.approx(2 * (17.5 + 12), abs=0.002)
    assert (y.min() + y.max()) / 2 == pytest.approx(0.0, abs=0.002)
    aside = beds.BED + np.array([0.0, 6.0])  # bolts lie under the middle of the shoe
    (plate,) = beds.wedges(WedgeWish(under=1.0), bed=aside).wedges
    y = np.array(plate.outline)[:, 1]
    assert (y.min() + y.max()) / 2 == pytest.approx(6.0, abs=0.002)


def test_the_axle_starts_5_mm_behind_the_first_head():
    cleat, _ = plan_cleat(landmarks=beds.MARKS, shoe=None, limits=LIMITS, wish=CleatWish())
    assert cleat.from_ball_mark == -5.0
    assert cleat.from_mth5 == pytest.approx(194 - 5 - 166)


def test_an_arch_is_lowered_from_14_percent_of_the_foot_on():
    foot = feet.analytic(length=260.0, load="none")
    top = float(foot.landmarks["arch_apex"].xyz[2])
    at = np.array([36.3, 36.9, 45.0])  # 14 % of 260 mm is 36.4 mm
    down = seating.lowering(foot, at, np.full(3, top), LIMITS)
    assert down[0] == 0.0
    assert 0.0 < down[1] < down[2]


def ramp(full_from, full_to, rear, front):
    ring = [(0.0, -60.0), (300.0, -60.0), (300.0, 60.0), (0.0, 60.0)]
    return WedgePlan(
        place=WedgePlace.FOREFOOT,
        wish=2.0,
        cant_kept=0.0,
        net=2.0,
        remainder=0.0,
        thick_side="big-toe side",
        width=120.0,
        thick_edge=0.4 + 120 * np.tan(np.radians(2.0)),
        edge=0.4,
        full_from=full_from,
        full_to=full_to,
        taper_rear=rear,
        taper_front=front,
        outline=ring,
    )


def of_station(name, wedge):
    table, _ = thickness.rows(seated(), None, [wedge], shoe=parse(FLAT), limits=LIMITS)
    return next(row for row in table if row.station == name)


@pytest.mark.parametrize(("station", "share"), [("heel", 0.14), ("toes", 0.90)])
def test_heel_and_toes_are_read_at_their_share_of_the_foot(station, share):
    """A shim that begins there, or ends there, counts in full; one that stays 2 mm off does not."""
    at = seated().station + share * seated().foot_length
    _read_at(station, at)


def test_the_ball_is_read_halfway_between_its_border_points():
    """Each end is the border point, or the head where that lies farther back."""
    marks = {name: float(place[0]) for name, place in seated().landmarks.items()}
    ends = [
        min(marks.get(border, 999.0), marks[head])
        for border, head in (("metatarsale_tibiale", "mth1"), ("metatarsale_fibulare", "mth5"))
    ]
    _read_at("ball", (ends[0] + ends[1]) / 2)


def _read_at(station, at):
    bare = of_station(station, ramp(1.0, 2.0, 0.5, 0.5)).after
    for begins in (ramp(at - 0.2, at + 40, 0.3, 0.3), ramp(at - 40, at + 0.2, 0.3, 0.3)):
        row = of_station(station, begins)
        assert row.after > bare + 1.0
        assert row.medial > row.after > row.lateral  # thick on the big-toe side
    for off in (ramp(at + 2, at + 40, 0.3, 0.3), ramp(at - 40, at - 2, 0.3, 0.3)):
        assert of_station(station, off).after == pytest.approx(bare, abs=0.01)


def test_grind_lines_lie_where_the_ramp_has_their_height():
    """Worked from angle, width and thin edge: on the full ramp a height h lies at one y."""
    (wedge,) = beds.wedges(WedgeWish(forefoot=2.0)).wedges
    part = shim(plans.sample_plan().right, wedge, "demo")
    middle = (wedge.full_from + wedge.full_to) / 2
    low = np.array(wedge.outline)[:, 1].min()
    heights = []
    for line in part.lines["grind"]:
        y = np.interp(middle, *line[np.argsort(line[:, 0])].T)
        heights.append(wedge.edge + (y - low) * np.tan(np.radians(2.0)))
    steps = np.diff(sorted(heights))
    assert len(heights) >= 5
    assert steps == pytest.approx(np.full(len(steps), 0.5), abs=0.06)
    assert sorted(heights)[0] == pytest.approx(1.0, abs=0.06)  # the thin edge is 0.5 mm or more
    assert 0.5 <= wedge.edge < 1.0


# ---- levels, sizes and places of a support --------------------------------------------------


def level_of(level, load=Load.HALF, shoe=True):
    found, notes = support_level(level, SimpleNamespace(load=load, shoe_known=shoe), LIMITS)
    return found, [note.code for note in notes]


def test_a_first_trial_fills_80_percent_and_60_where_load_or_bed_is_not_known():
    assert level_of(None)[0] == pytest.approx(0.8, abs=1e-9)
    for load, shoe in ((Load.NONE, True), (Load.UNKNOWN, True), (Load.HALF, False)):
        assert level_of(None, load, shoe)[0] == pytest.approx(0.6, abs=1e-9)
    assert level_of(0.61, shoe=False) == (pytest.approx(0.6), ["level-capped"])
    assert level_of(0.61, Load.NONE) == (0.61, ["level-unsure"])
    assert level_of(0.6, Load.NONE) == (0.6, [])


def test_a_support_presses_above_100_and_is_refused_above_110_percent():
    assert level_of(1.0) == (1.0, [])
    assert level_of(1.01) == (1.01, ["level-presses"])
    assert level_of(1.1)[0] == 1.1
    with pytest.raises(RefusedError, match="above 110 %"):
        level_of(1.101)
    assert level_of(0.2)[0] == 0.2
    with pytest.raises(PlanError, match="give 20 to 110 %"):
        level_of(0.199)


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_crest_may_lie_5_mm_behind_the_apex_and_3_ahead(side):
    seat = seated(side)
    apex = seat.landmarks["arch_apex"][0]
    assert crest_window(seat, LIMITS) == pytest.approx((apex - 5.0, apex + 3.0), abs=1e-6)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("name", "at", "below"),
    [("height", 2.02, 1.98), ("length", 30.2, 29.8), ("width", 15.1, 14.9)],
)
def test_a_pad_is_at_least_2_mm_high_30_long_and_15_wide(monkeypatch, side, name, at, below):
    """One of its three sizes is set, the others stay as they are."""
    task = PadTask(
        space=room(seated(side), limits=LIMITS),
        seating=seated(side),
        wish=SupportWish(),
        level=0.8,
        limits=LIMITS,
        memory=Memory(),
    )
    shape = shaped(task, 0.8)
    assert not isinstance(pad_record.pad_record(shape, task), str)
    ring = pad_record.outline_of(shape)
    k = {"length": 0, "width": 1}.get(name)
    for size, small in ((at, False), (below, True)):
        with monkeypatch.context() as patched:
            if k is None:
                top = shape.surface * size / task.space.at(shape.surface, shape.crest)
                made = pad_record.pad_record(replace(shape, surface=top), task)
            else:
                slim = ring.copy()
                slim[:, k] = (ring[:, k] - ring[:, k].mean()) * size / np.ptp(ring[:, k])
                slim[:, k] += ring[:, k].mean()
                patched.setattr(pad_record, "outline_of", lambda _, slim=slim: slim)
                made = pad_record.pad_record(shape, task)
        assert isinstance(made, str) is small, (name, size)


# ---- the one step of a trial ------------------------------------------------------------------


@pytest.mark.parametrize("side", ["left", "right"])
def test_steps_of_a_trial_have_their_sizes(side):
    """3 mm of pad and cleat, 1 degree of turn and wedge; a wish beyond 6 mm in one step is cut."""
    plan = planner.plan(
        feet.analytic(side="left", arch=15.0),
        feet.analytic(),
        parse(FLAT),
        PlanWishes(case="larch"),
    )

    def step(pick):
        said = Said(felt=[pick], side=side, answer="same", date="2026-05-01", flags=ALL_NO)
        return judge(plan, said, [], limits=LIMITS)

    assert step("pad too far back").step.wishes[side]["shift"] == [3.0, 0.0]
    assert step("6 mm in").step.wishes[side]["shift"] == [0.0, 6.0]
    assert (
        step("6.1 mm in")
        .words[0]
        .endswith("6.1 mm at once is more than one step, at most 6 mm: no step is proposed")
    )
    assert step("pedal too far forward").step.wishes[side]["cleat_offset"] == -8.0
    assert step("toes want out").step.wishes[side]["cleat_yaw"] == 1.0
    assert step("weight on little toe side").step.wishes[side]["forefoot"] == 1.0
    old = getattr(plan, side).pad
    gap = old.gap_at_crest.value
    level = step("too high").step.wishes[side]["support_level"]
    assert old.crest.height / gap - level == pytest.approx(max(0.1, 1.0 / gap), abs=0.0051)


def test_these_tests_read_the_limits_in_force():
    """A changed limit shows in what is planned: the numbers above do not pass by themselves."""
    own = LIMITS.changed(wedge__under__margin=13.0, wedge__contour_step=0.6)
    (plate,) = beds.wedges(WedgeWish(under=1.0), limits=own).wedges
    assert np.ptp(np.array(plate.outline)[:, 1]) == pytest.approx(61.0, abs=0.002)
    (wedge,) = beds.wedges(WedgeWish(forefoot=2.0), limits=own).wedges
    assert wedge.contour_step == 0.6


# ---- places kept free ---------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_pad_ends_10_mm_and_the_line_s_own_band_behind_the_ball_line(side):
    """A place is laid out by hand, square to the line, just within and just beyond."""
    seat = seated(side)
    medial, lateral = (
        np.array(seat.landmarks[f"metatarsale_{end}"][:2]) for end in ("tibiale", "fibulare")
    )
    for end, head in ((medial, "mth1"), (lateral, "mth5")):
        end[0] = min(end[0], seat.landmarks[head][0])
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    back = np.array([-along[1], along[0]])
    back *= -np.sign(back[0])
    sd = max(seat.landmark_sd[f"metatarsale_{end}"] for end in ("tibiale", "fibulare"))
    ends = 10.0 + 1.96 * sd
    for off, free in ((ends + 0.05, True), (ends - 0.05, False)):
        x, y = (np.array([[v]]) for v in (medial + lateral) / 2 + off * back)
        edge = next(c for c in ceilings._ball(seat, x, y, LIMITS) if c.code == "ball-line")
        assert bool(edge.z[0, 0] > 0) is free
    thin = keepouts.thin_before_ball(np.array([0.0, 19.9, 20.0, 30.0]), LIMITS)
    assert thin == pytest.approx([2.0, 2.0, 2.0, 2.0 + 10 * np.tan(np.radians(25))], abs=1e-9)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_fifth_base_and_a_tender_spot_are_free_over_15_and_10_mm(side):
    seat = seated(side)
    at = seat.landmarks["mth5"][0] - 0.25 * seat.foot_length
    x, y = np.meshgrid([at, at + 6.0], np.linspace(-60, 60, 2401), indexing="ij")
    off, radius = keepouts.off_fifth_base(seat, x, y, LIMITS)
    assert radius == 15.0
    assert off[0].min() == pytest.approx(0.0, abs=0.03)
    assert off[1].min() == pytest.approx(6.0, abs=0.01)
    spot = tuple(float(v) for v in seat.landmarks["arch_apex"][:2])
    x = spot[0] + np.array([0.0, 9.9, 10.1, 30.0])
    kept = keepouts.tender_spots(seat, x, np.full(4, spot[1]), [spot], LIMITS)
    assert kept[:2] == pytest.approx([1.0, 1.0])
    assert 0.9 < kept[2] < 1.0
    assert kept[3] == 0.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_pad_s_rear_edge_stays_ahead_of_28_percent_and_off_the_heel(side):
    seat = seated(side)
    rear = seat.station + 0.28 * seat.foot_length
    for x, free in ((rear + 0.1, True), (rear - 0.1, False)):
        line, _ = ceilings._rear(seat, np.array([[x]]), np.array([[9.0]]), LIMITS)
        assert bool(line.z[0, 0] > 0) is free
    for gap, free in ((1.01, True), (0.99, False)):
        _, heel = ceilings._rear(seat, np.array([[rear]]), np.array([[gap]]), LIMITS)
        assert bool(heel.z[0, 0] > 0) is free


@pytest.mark.parametrize("side", ["left", "right"])
def test_half_of_the_gap_is_filled_under_the_front_half_of_the_first_metatarsal(side):
    """14 % of length behind the first head, 35 % of the breadth in from the medial border."""
    seat = seated(side)
    head = seat.landmarks["mth1"]
    back = head[0] - 0.14 * seat.foot_length
    x = np.array([back - 2.0, back + 1.0])
    low, high = edges_at(seat.foot_outline, x)
    inner = high - 0.35 * (high - low)
    for k, off in ((0, 2.0), (1, 0.0)):  # 2 mm behind the shaft's front half, and within it
        nodes = (np.full((2, 1), x[k]), np.full((2, 1), inner[k] + 2.0))
        found = keepouts.off_first_ray(seat, head, nodes, LIMITS)
        assert found[0, 0] == pytest.approx(off, abs=1e-6)
        held = ceilings._first_metatarsal(seat, nodes, np.full((2, 1), 8.0), LIMITS).z[0, 0]
        assert held == pytest.approx(4.0, abs=1e-6) if off == 0.0 else held > 4.0
    beside = (np.full((1, 1), x[1]), np.full((1, 1), inner[1] - 3.0))
    assert keepouts.off_first_ray(seat, head, beside, LIMITS)[0, 0] == pytest.approx(3.0, abs=1e-6)


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_pad_stays_8_mm_below_the_navicular_within_10_mm_and_its_band(side):
    found = seated(side)
    mark = np.array([found.landmarks["arch_apex"][0], found.landmarks["arch_apex"][1] + 20.0, 40.0])
    seat = replace(
        found,
        landmarks={**found.landmarks, "navicular": mark},
        landmark_sd={**found.landmark_sd, "navicular": 2.0},
    )
    bed = float(np.nan_to_num(seat.bed.height(mark[:1], mark[1:2]))[0])
    ends = 10.0 + 1.96 * 2.0
    x = mark[0] + np.array([0.0, ends - 0.1, ends + 3.0])
    rim = keepouts.under_navicular(seat, x, np.full(3, mark[1]), LIMITS)
    assert rim == pytest.approx(np.array([32.0, 32.0, 35.0]) - bed, abs=1e-6)


# mm, degrees, shares of the gap: what is warned of and refused beyond, as the workshop's rules have
# it (common practice, no source). That planning keeps to them is asked at each boundary elsewhere
# (test_planning_boundaries.py); a slip of the number itself shows here.
SAID_BEYOND = {
    "support.warn_above": 1,
    "support.refuse_above": 1.1,
    "wedge.forefoot.warn_deg": 2,
    "wedge.forefoot.warn_mm": 3,
    "wedge.forefoot.refuse_deg": 4,
    "wedge.forefoot.refuse_mm": 5.5,
    "wedge.heel.warn_deg": 3,
    "wedge.heel.warn_mm": 3,
    "wedge.heel.refuse_deg": 5,
    "wedge.heel.refuse_mm": 5,
    "wedge.under.warn_deg": 2,
    "wedge.under.refuse_deg": 4,
    "wedge.sum_warn": 5,
    "wedge.sum_refuse": 8,
    "thickness.ball_warn": 1,
    "thickness.ball_refuse": 2,
    "thickness.heel_warn": 5,
}


def test_what_is_warned_of_and_refused_has_the_numbers_of_the_workshop():
    named = {name for name in LIMITS if "warn" in name or "refuse" in name}
    assert {name: LIMITS.value(name) for name in named} == SAID_BEYOND
