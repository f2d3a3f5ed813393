"""Pose, side and unit: the same foot however it comes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from footscan.errors import PoseError
from footscan.finding import matching, starts
from footscan.finding.cleaning import Cleaned
from footscan.measuring import ball, ball_border, landmarks, pose
from footscan.measuring.local_fit import Cloud
from footscan.measuring.pose import mirror, mirror_faces, mirror_ring, settle
from footscan.pipeline import Options, measure_scan
from footscan.scan import Kind, Load, Unit


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
    own = left.foot.pose
    back = left.foot.to_scanner(points) @ own[:3, :3].T + own[:3, 3]
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


def test_hanging_left_foot_in_inches(hanging, hanging_specimen):
    """Levelled by its own three contacts; its side and unit are told from the scan."""
    assert hanging.facts.side == "left"
    assert hanging.facts.unit is Unit.INCH
    assert hanging.foot.kind is Kind.HANGING
    assert np.linalg.det(hanging.foot.pose[:3, :3]) == pytest.approx(-1.0, abs=1e-9)
    truth = hanging_specimen.vertices
    assert len(hanging.foot.vertices) == len(truth)
    # one rigid move for all: what is left is axis and level, 0.7 degrees wanted
    a, b = hanging.foot.vertices - hanging.foot.vertices.mean(axis=0), truth - truth.mean(axis=0)
    turn, _ = Rotation.align_vectors(a, b)
    assert np.degrees(turn.magnitude()) < 0.7
    assert np.abs(a - turn.apply(b)).max() < 1e-6
    np.testing.assert_allclose(hanging.foot.vertices.mean(0), truth.mean(0), atol=1.0)


def test_ground_is_the_floor_s_where_there_is_one(known_pose, hanging_specimen, flat_specimen):
    stands = known_pose(flat_specimen, floor=45.0, turn_deg=None, shift=None)
    assert stands.settled.ground == "floor"
    assert stands.settled.tilt < 0.7
    assert stands.settled.foot.kind is Kind.STANDING
    without = known_pose(flat_specimen, turn_deg=None, shift=None)
    assert without.settled.ground == "flat contacts"
    assert without.settled.foot.kind is Kind.STANDING
    assert known_pose(hanging_specimen).settled.ground == "three contacts"


def test_bare_points_without_normals(hanging_specimen):
    """The surface is made from points alone; 2 mm between them is for measuring only."""
    from footscan.specimen import scanner

    spec = scanner.ScannerSpec(faces=False, points=16000, noise=0.1, turn_deg=None, shift=None)
    scan = scanner.scan(hanging_specimen, spec, np.random.default_rng(6))
    assert scan.normals is None
    found = measure_scan(scan, Options(load=Load.NONE))
    assert found.facts.side == "left"
    assert found.facts.faces == 0
    assert "point-spacing" in {f.code for f in found.report.findings}
    for name, limit in (
        ("foot_length", 0.7),
        ("foot_breadth", 0.7),
        ("ball_girth", 1.5),
        ("heel_breadth", 0.7),
        ("arch_apex_height", 0.8),
    ):
        # cells of 1.2 mm round the surface off by some tenths where it is tightest
        truth = hanging_specimen.truth.measures[name]
        assert found.measures[name].value == pytest.approx(truth, abs=limit), name
    a, b, c = (found.foot.vertices[found.foot.faces[:, i]] for i in range(3))
    low = a[:, 2] < 3.0
    assert np.cross(b - a, c - a)[low, 2].sum() < 0  # outward


@pytest.mark.parametrize(
    ("low", "high", "match"),
    [
        (0.0, 150.0, "the ball of the foot is not seen; scan the sole again"),
        (80.0, 400.0, "heel or toes are not seen; scan the whole foot again"),
    ],
    ids=["rear half", "front half"],
)
def test_half_a_foot_cannot_be_levelled(known_pose, hanging_specimen, low, high, match):
    way = known_pose(hanging_specimen)
    inside = (way.cleaned.vertices[:, 0] >= low) & (way.cleaned.vertices[:, 0] <= high)
    faces = way.cleaned.faces[inside[way.cleaned.faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(inside), -1)
    number[used] = np.arange(len(used))
    part = Cleaned(
        vertices=way.cleaned.vertices[used], faces=number[faces], raw=way.cleaned.raw, floor=None
    )
    with pytest.raises(PoseError, match=match):
        settle(part, way.match, kind=None, load=Load.NONE)


def test_similarity_of_two_clouds_is_recovered():
    """Turned, scaled and moved points; a third of them are wrong and weigh nothing."""
    rng = np.random.default_rng(0)
    source = rng.standard_normal((60, 3))
    turn = Rotation.from_rotvec([0.3, -0.9, 0.4]).as_matrix()
    target = 0.99 * source @ turn.T + [0.1, 0.2, -0.3]
    target[:20] += rng.standard_normal((20, 3))
    weight = np.r_[np.zeros(20), np.ones(40)][None]
    rotation, shift, scale = matching._similarity(source, target[None], weight, np.array([1.0]))
    np.testing.assert_allclose(rotation[0], turn, atol=1e-9)
    np.testing.assert_allclose(shift[0], [0.1, 0.2, -0.3], atol=1e-9)
    assert scale[0] == pytest.approx(0.99)


def test_similarity_never_mirrors():
    """A mirrored cloud is the other foot: the best turn towards it stays a turn."""
    source = np.random.default_rng(1).standard_normal((30, 3))
    rotation, _, _ = matching._similarity(
        source, (source * [1, -1, 1])[None], np.ones((1, 30)), np.array([1.0])
    )
    assert np.linalg.det(rotation[0]) == pytest.approx(1.0)


def test_starts_lie_near_every_orientation():
    """Half the distance of neighbours: closest points must bring the foot in from there."""
    found = Rotation.from_matrix(starts.orientations(None))
    nearest = [
        (found * one.inv()).magnitude().min() for one in Rotation.random(300, random_state=0)
    ]
    assert np.degrees(max(nearest)) < 50
    assert np.degrees(np.mean(nearest)) < 35


# ---- the steps of settling, each until it is done


def turned(vertices, about: str, degrees: float):
    return vertices @ Rotation.from_euler(about, degrees, degrees=True).as_matrix().T


def moved(step, vertices):
    return vertices @ step[:3, :3].T + step[:3, 3]


def test_the_axis_runs_through_heel_centre_and_second_head(clean):
    """Found again until nothing turns any more, with the pternion at x = 0."""
    foot = clean.foot
    start = turned(foot.vertices, "z", 6.0) + np.array([40.0, -25.0, 0.0])
    step, length = pose._along_axis(start, 268.0)
    there = moved(step, start)
    low = Cloud.of(there[there[:, 2] <= pose.AXIS_TOP_MM])
    heel, _ = landmarks.heel_middle(low, length)
    head = ball.heads_from_borders(*ball_border.border_points(low, length))["mth2"]
    assert abs(np.degrees(np.arctan2(head[1] - heel[1], head[0] - heel[0]))) < 0.02
    assert abs(heel[1]) < 0.05
    assert pose._ends(low, length)[0] == pytest.approx(0.0, abs=0.01)
    assert length == pytest.approx(foot.length, abs=0.3)


def test_a_hanging_foot_is_level_on_its_three_contacts(hanging):
    """However it was tilted: heel pad, first and fifth head end on one level, at z = 0."""
    foot = hanging.foot
    start = turned(turned(foot.vertices, "x", 5.0), "y", 4.0)
    there = moved(pose._on_contacts(start, foot.faces, foot.length), start)
    normal, point = pose._contact_plane(
        Cloud.of(there[there[:, 2] <= pose.ROUGH_TOP_MM]), foot.length
    )
    assert np.degrees(np.arccos(min(1.0, normal[2]))) < 0.03
    assert point[2] == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("about", "degrees"), [("x", 0.6), ("y", -0.5)])
def test_flat_contacts_are_laid_level_the_way_they_were_tilted(
    known_pose, flat_specimen, about, degrees
):
    foot = known_pose(flat_specimen).settled.foot
    step, flat = pose._on_flat_contacts(
        turned(foot.vertices, about, degrees), foot.faces, foot.length
    )
    assert flat
    left_over = step[:3, :3] @ Rotation.from_euler(about, degrees, degrees=True).as_matrix()
    assert np.degrees(Rotation.from_matrix(left_over).magnitude()) < 0.1
