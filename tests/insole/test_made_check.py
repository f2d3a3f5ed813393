"""The check of a made part, in short: what was changed, by how much, which way, whose part.

All views, sizes and faults are in test_made_part, which takes long.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from footscan import reading
from footscan.pipeline import Options
from footscan.scan import Side, Unit
from insole.errors import PlanError, RefusedError
from insole.parts.made import check as made_check
from insole.parts.made import laying
from insole.parts.made.check import check_made
from insole.parts.made.datums import Held
from insole.parts.made.scan import _no_unit
from insole.parts.made.words import as_record, as_text
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.workflow import making
from insole.workflow.request import Shots
from tests.made_parts import bump, made_scan, nothing, sample_rider, shifted, wanted

SPACING = 1.2  # mm between points: coarse, for time


@pytest.fixture(scope="module")
def pads() -> dict[str, Part]:
    """By side; a rider's own, since domes of invented plans fit either foot."""
    return {foot.side: as_worn(arch_pad(foot, "demo")) for foot in sample_rider().feet}


def test_half_a_millimetre_beside_the_crest_is_found_at_its_place(pads: dict[str, Part]) -> None:
    part = pads["left"]
    assert part.facts.crest is not None
    at = part.facts.crest.at[0], part.facts.crest.at[1] + 10.0  # beside it, to the little toe
    change = bump(*at, 0.5)
    check = check_made(made_scan(part, change, spacing=SPACING, table=True), [part], tolerance=0.25)
    assert check.placed.held is Held.TABLE
    assert not check.within
    worst, rim = check.patches[0], np.array(part.outline)
    assert worst.beyond
    assert worst.amount == pytest.approx(0.5, abs=0.25)  # the most of coarse points
    assert worst.from_rear == pytest.approx(at[0] - rim[:, 0].min(), abs=5.0)
    beside = rim[np.abs(rim[:, 0] - at[0]) < 3.0, 1].min()  # a left part's big toe is at -y
    assert worst.from_medial == pytest.approx(at[1] - beside, abs=5.0)
    true = wanted(check.placed.planned, change, check.top.x, check.top.y)
    off = (check.top.deviation - true)[np.isfinite(check.top.deviation)]
    assert np.percentile(np.abs(off), 95) < 0.25
    assert abs(off.mean()) < 0.06


def test_a_part_that_fits_loosely_is_asked_about(pads: dict[str, Part]) -> None:
    """Waves of 0.9 mm are 0.6 mm off in the mean: more than grinding leaves, no other part yet."""
    part = pads["right"]

    def waves(places: np.ndarray) -> np.ndarray:
        return 0.9 * np.sin(places[:, 0] / 4.0)

    check = check_made(made_scan(part, waves, spacing=SPACING, table=True), [part])
    assert 0.42 < check.misfit < 0.73
    assert any("It fits loosely" in note and "part of this plan" in note for note in check.notes)


def test_points_that_stray_move_no_place(pads: dict[str, Part]) -> None:
    """Every twentieth point 2.5 mm high, as where a scanner sees its own light twice."""
    part = pads["right"]

    def stray(places: np.ndarray) -> np.ndarray:
        return np.where(np.arange(len(places)) % 20 == 0, 2.5, 0.0)

    check = check_made(made_scan(part, stray, spacing=SPACING, table=True), [part], tolerance=0.25)
    off = np.abs(check.top.deviation[np.isfinite(check.top.deviation)])
    assert np.percentile(off, 99) < 0.35  # 0.27 without them, 0.77 were they averaged


@pytest.mark.parametrize(("wanted_mm", "unit"), [(80.0, "mm"), (1000.0, "cm"), (90_000.0, "m")])
def test_where_no_unit_fits_the_nearest_is_named(wanted_mm: float, unit: str) -> None:
    """What is 0.12 km long in metres, 120 mm in millimetres, beside parts of other lengths."""
    lengths = [(120_000.0, Unit.M), (1200.0, Unit.CM), (120.0, Unit.MM), (0.0, None)]
    said = _no_unit(lengths, wanted_mm, stated=False)
    assert f"nearest is {unit}, in which" in said
    said = _no_unit(lengths[2:], wanted_mm, stated=True)
    assert f"what the scan shows is 120 mm long, and the planned part {wanted_mm:.0f} mm" in said


def test_as_planned_is_within_and_nothing_is_said_to_be_off(pads: dict[str, Part]) -> None:
    part = pads["right"]
    check = check_made(made_scan(part, nothing, spacing=SPACING, seed=4), [part], tolerance=0.3)
    assert check.within
    assert check.side_told
    assert not any("loosely" in note for note in check.notes)
    assert check.unseen < 0.02
    assert not check.placed.shift
    assert check.placed.held is Held.UNDER
    assert check.top.noise == pytest.approx(0.15, rel=0.25)
    assert abs(check.mean) < 0.05


@pytest.mark.parametrize(("side", "big_toe"), [("left", -1.0), ("right", 1.0)])
def test_where_the_rim_is_off_is_said_by_side_and_place(
    pads: dict[str, Part], side: str, big_toe: float
) -> None:
    part = pads[side]
    check = check_made(made_scan(part, nothing, spacing=SPACING, seed=4), [part], tolerance=0.3)
    rim = check.placed.rim
    for toe, name, off, words in (
        (big_toe, "medial", 0.9, "stands out"),
        (-big_toe, "lateral", -1.2, "is short"),
    ):
        stand, at = np.zeros(len(rim)), int(np.argmax(toe * rim[:, 1]))
        stand[at] = off
        told = as_text(replace(check, placed=replace(check.placed, stand=stand)))
        assert f"it {words} by {abs(off):.1f} mm on the {name} side" in told
        far = rim[at, 0] - check.placed.planned.rim[:, 0].min()
        assert f"{name} side {far:.0f} mm from the rear edge" in told


def test_a_left_top_shifted_to_the_big_toe_is_said_as_medial(pads: dict[str, Part]) -> None:
    """A left part's big toe is at -y."""
    part = pads["left"]
    check = check_made(made_scan(part, shifted(part, 0.0, -3.0), spacing=SPACING), [part])
    assert check.placed.shift == pytest.approx((0.0, -3.0), abs=0.7)
    assert as_record(check)["top_shift_mm"]["medial"] == pytest.approx(3.0, abs=0.7)
    assert "mm medially of where its rim has it" in as_text(check)


def test_the_other_foots_pad_is_refused(pads: dict[str, Part]) -> None:
    with pytest.raises(RefusedError, match=r"^this is the other foot's part: .* do not fit it"):
        check_made(made_scan(pads["left"], spacing=SPACING), [pads["right"]])


def test_where_a_search_begins_the_middles_lie_on_each_other() -> None:
    """Of boxes along their own axes, wherever they lie: a scan may come from any corner."""
    plate = np.array([(x, y, z) for x in range(0, 101, 5) for y in range(0, 41, 5) for z in (0, 3)])
    turn = Rotation.from_rotvec([0.4, -0.2, 1.1]).as_matrix()
    there = (plate + np.array([700.0, -300.0, 50.0])) @ turn.T
    turns, shifts = laying._starts(there, plate.astype(float))
    found = there @ np.swapaxes(turns, 1, 2) + shifts[:, None]
    np.testing.assert_allclose(
        (found.min(axis=1) + found.max(axis=1)) / 2, [[50.0, 20.0, 1.5]] * len(turns), atol=1e-6
    )
    gaps = np.linalg.norm(found - plate, axis=2).max(axis=1)
    assert gaps.min() < 10.0  # one of them is nearly the pose itself


@pytest.mark.parametrize("side", Side)
def test_of_a_stated_side_that_foots_part_is_asked_about(side, monkeypatch) -> None:
    plan, held = sample_rider(), list[Part]()

    def check(scan: object, parts: list[Part], **how: object) -> None:
        held.extend(parts)

    monkeypatch.setattr(reading, "read", lambda files: None)
    monkeypatch.setattr(made_check, "check_made", check)
    shots = Shots(files=(Path("a.ply"),), options=Options(side=side))
    making.check_made_part(shots, plan, "arch-pad")
    assert [part.side for part in held] == [side]
    with pytest.raises(PlanError, match=f"no {side.other}-arch-pad for the {side} foot"):
        making.check_made_part(shots, plan, f"{side.other}-arch-pad")


def test_a_part_is_as_thick_as_from_its_underside_to_its_top() -> None:
    """Also where neither is level: a bed's underside follows the shoe."""
    x = np.linspace(0.0, 90.0, 40)
    under = np.column_stack([x, 0.0 * x, 3.0 + 0.05 * x])
    points = np.concatenate([under, under + np.array([0.0, 0.0, 4.5])])
    top = np.arange(80) >= 40
    planned = SimpleNamespace(points=points, top=top, under=~top)
    assert laying._thickness(planned) == pytest.approx(4.5)
