"""Pose, side and unit: the same foot however it comes."""

from __future__ import annotations

import numpy as np
import pytest

from footscan.pipeline import Options, measure_scan
from footscan.pose import mirror, mirror_faces, mirror_ring
from footscan.scan import Unit


@pytest.mark.parametrize(("unit", "seed"), [(Unit.M, 11), (Unit.CM, 12), (Unit.INCH, 13)])
def test_any_pose_and_unit_gives_the_same_foot(scan_with, clean, unit, seed):
    found = measure_scan(scan_with(unit=unit, turn_deg=None, shift=None, seed=seed), Options())
    assert found.facts.unit is unit
    assert found.facts.mm_per_unit == unit.mm
    assert found.facts.side == "right"
    for name in ("foot_length", "foot_breadth", "heel_breadth", "arch_apex_height"):
        value = found.measures[name].value
        assert value == pytest.approx(clean.measures[name].value, abs=0.5), name


def test_pose_brings_a_turned_scan_back(scan_with, right_specimen):
    """The truth of the turn: vertices come back onto the specimen's own frame."""
    turn = (100.0, -35.0, 70.0)
    found = measure_scan(scan_with(turn_deg=turn, shift=(30.0, -200.0, 90.0)), Options())
    from scipy.spatial.transform import Rotation

    wanted = Rotation.from_euler("xyz", turn, degrees=True).as_matrix().T
    off = Rotation.from_matrix(found.foot.pose[:3, :3] @ wanted.T).magnitude()
    assert np.degrees(off) < 0.7  # wanted repeatability of axis and level
    heel = found.foot.pose[:3, :3] @ np.array([30.0, -200.0, 90.0]) + found.foot.pose[:3, 3]
    np.testing.assert_allclose(heel, 0.0, atol=1.0)  # the specimen's origin


def test_left_foot_is_the_mirrored_right(clean, left):
    assert left.facts.side == "left"
    assert np.linalg.det(left.foot.pose[:3, :3]) == pytest.approx(-1.0, abs=1e-9)
    assert np.linalg.det(clean.foot.pose[:3, :3]) == pytest.approx(1.0, abs=1e-9)
    for name in ("foot_length", "foot_breadth", "heel_breadth", "ball_girth", "arch_apex_height"):
        assert left.measures[name].value == pytest.approx(clean.measures[name].value, abs=0.3), name
    # the big toe's side stays medial
    assert left.landmarks["mth1"].xyz[1] > left.landmarks["mth5"].xyz[1]


def test_mirrored_mesh_keeps_its_outside_outside(left):
    a, b, c = (left.foot.vertices[left.foot.faces[:, i]] for i in range(3))
    low = a[:, 2] < 1.0
    assert np.cross(b - a, c - a)[low, 2].sum() < 0  # the sole faces down


def test_foot_to_scanner_and_back(left):
    points = left.foot.vertices[::97]
    pose = left.foot.pose
    back = left.foot.to_scanner(points) @ pose[:3, :3].T + pose[:3, 3]
    np.testing.assert_allclose(back, points, atol=1e-6)


def test_foot_cannot_be_written_to(clean):
    for array in (clean.foot.vertices, clean.foot.faces, clean.foot.pose):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 1


def test_mirrors_turn_back_on_themselves():
    points = np.arange(12.0).reshape(4, 3)
    np.testing.assert_array_equal(mirror(mirror(points)), points)
    assert mirror(points)[1, 1] == -4.0
    faces = np.array([[0, 1, 2]])
    np.testing.assert_array_equal(mirror_faces(faces), [[2, 1, 0]])
    square = np.array([[0.0, 0], [2, 0], [2, 1], [0, 1]])
    x, y = mirror_ring(square).T
    assert 0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(2.0)  # still ccw
