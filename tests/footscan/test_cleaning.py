"""Floor, strays, islands and the other foot go; the sole stays."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from footscan.errors import FootscanError, PoseError
from footscan.finding import cleaning
from footscan.finding.floor import best_plane
from footscan.pipeline import Options, measure_scan
from footscan.scan import Scan
from footscan.specimen import scanner
from footscan.specimen.scanner import ScannerSpec


def body(mesh) -> Scan:
    return Scan(vertices=np.asarray(mesh.vertices), faces=np.asarray(mesh.faces))


def test_floor_is_found_where_it_lies(scan_with):
    scan = scan_with(floor=45.0)
    floor = cleaning.sketch(scan).floor
    assert floor is not None
    assert floor.normal[2] == pytest.approx(1.0, abs=1e-3)
    assert floor.offset == pytest.approx(0.0, abs=0.3)


def test_flat_sole_without_floor_is_not_taken_for_one(clean_scan, scan_with):
    assert cleaning.sketch(clean_scan).floor is None
    assert cleaning.sketch(scan_with(sole="filled")).floor is None


def test_sole_contact_is_kept_on_a_floor(scan_with, clean):
    """The floor touches the sole: what is taken away may not eat into heel and ball."""
    on_floor = measure_scan(scan_with(floor=45.0, floor_under=True), Options())
    for measured in (on_floor, measure_scan(scan_with(floor=45.0), Options())):
        sole, length = measured.foot.sole, measured.foot.length
        for low, high in ((0.06, 0.22), (0.66, 0.75)):
            seen = [
                np.isfinite(m.z[(m.x > low * size) & (m.x < high * size)]).sum()
                for m, size in ((sole, length), (clean.foot.sole, clean.foot.length))
            ]
            assert seen[0] > 0.97 * seen[1]


def test_repeated_point_in_a_triplet_does_not_win_the_vote():
    """Few points repeat within a draw: a triplet without a normal would be near everything."""
    rng = np.random.default_rng(0)
    plane = np.column_stack([rng.uniform(-1, 1, (60, 2)), np.zeros(60)])
    points = np.vstack([plane, rng.uniform(-1, 1, (40, 3))])
    for seed in range(5):
        found = best_plane(points, 0.01, np.random.default_rng(seed))
        assert found is not None
        normal, offset = found
        assert abs(normal[2]) == pytest.approx(1.0, abs=1e-3)
        assert offset == pytest.approx(0.0, abs=0.01)


def test_points_that_are_all_the_same_have_no_plane():
    assert best_plane(np.ones((200, 3)), 0.1, np.random.default_rng(0)) is None


def test_two_feet_are_split(clean_scan, left_specimen):
    spec = ScannerSpec(points=16000, shift=(5.0, 180.0, 0.0))
    other = scanner.scan(left_specimen, spec, np.random.default_rng(1))
    both = Scan(
        vertices=np.vstack([clean_scan.vertices, other.vertices]),
        faces=np.vstack([clean_scan.faces, other.faces + len(clean_scan.vertices)]),
    )
    parts = cleaning.split(both)
    assert sorted(len(p.vertices) for p in parts) == sorted(
        [len(clean_scan.vertices), len(other.vertices)]
    )
    found = {m.facts.side: m for m in (measure_scan(p, Options()) for p in parts)}
    assert set(found) == {"left", "right"}
    for measured in found.values():
        assert measured.measures["foot_length"].value == pytest.approx(270.0, abs=0.7)


def test_one_foot_with_islands_is_not_split(scan_with):
    assert len(cleaning.split(scan_with(islands=2, strays=60))) == 1


@pytest.mark.parametrize(
    "scan",
    [
        body(trimesh.creation.box((200, 200, 200)).subdivide_to_size(14)),
        body(trimesh.creation.icosphere(subdivisions=4, radius=130)),
        Scan(vertices=np.random.default_rng(0).uniform(-130, 130, (6000, 3)), faces=[]),
    ],
    ids=["cube", "sphere", "random box"],
)
def test_no_foot_is_refused_in_one_sentence(scan):
    with pytest.raises(FootscanError, match=r"foot|side") as caught:
        measure_scan(scan, Options())
    text = str(caught.value)
    assert "\n" not in text
    assert ". " not in text


def test_plane_is_refused():
    rng = np.random.default_rng(0)
    plane = np.column_stack([rng.uniform(0, 270, (5000, 2)), rng.normal(0, 0.2, 5000)])
    with pytest.raises(PoseError, match="flat or a line, not a foot; scan the foot itself"):
        measure_scan(Scan(vertices=plane, faces=[]), Options())


def test_handful_of_points_is_refused():
    with pytest.raises(PoseError, match="too few points to be a foot; scan again"):
        measure_scan(Scan(vertices=np.random.default_rng(0).random((60, 3)), faces=[]), Options())


def test_islands_strays_and_floor_go_and_the_skin_stays(known_pose, flat_specimen):
    """What is left lies on the true skin; what was skin is still there, contact and all."""
    way = known_pose(
        flat_specimen, floor=45.0, islands=2, strays=80, noise=0.1, turn_deg=None, shift=None
    )
    pose = way.settled.foot.pose
    left = way.cleaned.vertices @ pose[:3, :3].T + pose[:3, 3]
    off, _ = cKDTree(flat_specimen.vertices).query(left)
    # level 0.7 degrees over 135 mm is 1.6 mm; vertices are 1.4 mm from their neighbours
    assert off.max() < 3.0
    assert np.percentile(off, 95) < 1.2
    skin = flat_specimen.vertices
    contact = skin[(skin[:, 2] < 0.5) & (skin[:, 0] < 200)]
    gone, _ = cKDTree(left).query(contact)
    assert (gone < 2.5).mean() > 0.99
    assert way.cleaned.floor is not None
    assert way.cleaned.removed["floor"] > 1000
    assert way.cleaned.removed["islands"] > 100


def test_flat_side_of_an_open_shell_is_no_floor(right_specimen, scan_with):
    """Without its sole a foot is a shell whose flat inner wall has next to nothing behind it."""
    assert cleaning.sketch(scan_with(sole="missing", points=24000)).floor is None
    assert cleaning.sketch(scan_with(sole="missing", floor=40.0)).floor is not None


def test_vote_of_triplets_that_repeat_a_point_is_worth_nothing():
    """All but one draw repeat a point: only the honest triplet may win."""

    class Draws:
        def integers(self, low, high, size):
            draws = np.zeros(size, dtype=int)  # (0, 0, 0): no normal, everything is near
            draws[-1] = (5, 17, 33)
            return draws

    rng = np.random.default_rng(3)
    plane = np.column_stack([rng.uniform(-1, 1, (60, 2)), np.full(60, 0.3)])
    points = np.vstack([plane, rng.uniform(-1, 1, (40, 3))])
    normal, offset = best_plane(points, 0.01, Draws())
    assert abs(normal[2]) == pytest.approx(1.0, abs=1e-3)
    assert offset * np.sign(normal[2]) == pytest.approx(0.3, abs=0.01)


def test_clean_surface_stays_as_it_is(known_pose, hanging_specimen):
    """Cleaning twice is cleaning once, and the scan is left alone."""
    way = known_pose(hanging_specimen, turn_deg=None, shift=None)
    once = way.cleaned
    scan = Scan(vertices=once.vertices, faces=once.faces)
    kept = scan.vertices.copy()
    twice = cleaning.clean(scan, way.match, None)
    np.testing.assert_array_equal(twice.vertices, once.vertices)
    np.testing.assert_array_equal(twice.faces, once.faces)
    np.testing.assert_array_equal(scan.vertices, kept)


def test_winding_of_the_file_does_not_matter(known_pose, hanging_specimen):
    way = known_pose(hanging_specimen)
    inside_out = Scan(vertices=way.scan.vertices, faces=way.scan.faces[:, ::-1])
    turned = cleaning.clean(inside_out, way.match, None)
    a, b, c = (turned.vertices[turned.faces[:, i]] for i in range(3))
    # an open surface: its area vectors add up to those of the missing lid, which looks up
    assert np.cross(b - a, c - a).sum(axis=0)[2] < 0
    low = a[:, 2] < 5
    assert np.cross(b - a, c - a)[low, 2].sum() < 0


def test_box_without_a_foot_is_refused(known_pose, hanging_specimen):
    way = known_pose(hanging_specimen)
    far = way.scan.vertices + np.array([0.0, 0.0, 2000.0])
    with pytest.raises(PoseError, match="no foot is left after floor and stray points are gone"):
        cleaning.clean(Scan(vertices=far, faces=way.scan.faces), way.match, None)


@pytest.mark.parametrize(
    "points",
    [np.ones((500, 3)), np.outer(np.arange(500.0), [1, 2, 3]), np.ones((500, 3)) * 0.0],
    ids=["one place", "line", "origin"],
)
def test_points_on_a_line_or_in_one_place_are_refused(points):
    with pytest.raises(PoseError, match="flat or a line, not a foot"):
        cleaning.sketch(Scan(vertices=points, faces=[]))


def test_cylinder_is_refused():
    scan = body(trimesh.creation.cylinder(45, 270, sections=60).subdivide_to_size(12))
    with pytest.raises(FootscanError, match=r"^no foot was found in the scan; check") as caught:
        measure_scan(scan, Options())
    assert isinstance(caught.value, PoseError)
