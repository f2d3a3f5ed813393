"""The made-up foot has the sizes it was asked for, and the scanner does what it is told."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from footscan.foot import face_normals
from footscan.scan import Load, Side, Unit
from footscan.specimen.made_up import (
    ScannerSpec,
    Shape,
    Specimen,
    build,
    random_shape,
    scan,
    write_scan,
)
from footscan.specimen.samples import main, sample_shapes, write_samples
from footscan.specimen.scanner import Hole, scanner_pose, to_scanner

COARSE = 2.0  # grid in mm: a quarter of the work of the default
SHAPE = Shape(length=262.0, breadth=97.0, heel_breadth=67.0, arch_height=18.0, cell=COARSE)
SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"


def rng(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


def mesh_of(specimen: Specimen) -> trimesh.Trimesh:
    return trimesh.Trimesh(specimen.vertices, specimen.faces, process=False)


def lowest(vertices: np.ndarray, faces: np.ndarray, at: np.ndarray) -> float:
    """Return where a ray straight up through `at` first meets the mesh."""
    a, b, c = (vertices[faces[:, i], :2] - at[:2] for i in range(3))
    areas = np.stack(
        [p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0] for p, q in ((b, c), (c, a), (a, b))], axis=1
    )
    met = (areas > 0).all(axis=1) | (areas < 0).all(axis=1)
    weight = areas[met] / areas[met].sum(axis=1, keepdims=True)
    return float((weight * vertices[faces[met], 2]).sum(axis=1).min())


def off_skin(specimen: Specimen, points: np.ndarray) -> np.ndarray:
    """Return the distances of points to the faces round their nearest vertices."""
    mesh = mesh_of(specimen)
    away = np.full(len(points), np.inf)
    _, nearest = cKDTree(specimen.vertices).query(points, k=4)
    for near in nearest.T:
        for around in mesh.vertex_faces[near].T:
            there = around >= 0
            on = trimesh.triangles.closest_point(mesh.triangles[around[there]], points[there])
            gap = np.linalg.norm(on - points[there], axis=1)
            away[there] = np.minimum(away[there], gap)
    return away


@pytest.fixture(scope="module")
def foot() -> Specimen:
    return build(SHAPE)


@pytest.fixture(scope="module")
def hanging() -> Specimen:
    return build(replace(SHAPE, load=Load.NONE, forefoot_deg=8.0, arch_height=23.0))


# What the skin is, measured here by other means than in the module


def test_length_and_breadth_are_those_asked_for(foot: Specimen) -> None:
    """Raw extents lie inside the smooth surface by at most its sagitta over one cell."""
    low, high = foot.vertices.min(axis=0), foot.vertices.max(axis=0)
    assert high[0] - low[0] == pytest.approx(262.0, abs=0.3)
    ball = foot.vertices[(foot.vertices[:, 0] > 150) & (foot.vertices[:, 0] < 215)]
    assert np.ptp(ball[:, 1]) == pytest.approx(97.0, abs=0.3)


def test_ball_girth_equals_a_tape_round_the_section(foot: Specimen) -> None:
    """The section is cut and hulled with shapely; chords of a 2 mm mesh fall short by < 0.2 mm."""
    from shapely.geometry import MultiPoint

    marks = foot.truth.landmarks
    along = (marks["metatarsale_tibiale"] - marks["metatarsale_fibulare"]) * [1, 1, 0]
    along /= np.linalg.norm(along)
    section = mesh_of(foot).section(np.cross(along, [0, 0, 1]), marks["metatarsale_tibiale"])
    flat = np.column_stack([section.vertices @ along, section.vertices[:, 2]])
    assert MultiPoint(flat).convex_hull.length == pytest.approx(SHAPE.girth, abs=0.2)


def test_heel_breadth_is_that_of_a_section(foot: Specimen) -> None:
    section = mesh_of(foot).section([1, 0, 0], [0.16 * 262.0, 0, 0])
    low = section.vertices[section.vertices[:, 2] <= 40.0]
    assert np.ptp(low[:, 1]) == pytest.approx(67.0, abs=0.1)


def test_axis_runs_from_heel_centre_to_second_head(foot: Specimen, hanging: Specimen) -> None:
    for specimen in (foot, hanging):
        marks = specimen.truth.landmarks
        assert marks["pternion"][0] == pytest.approx(0.0, abs=0.01)
        assert marks["heel_centre"][1] == pytest.approx(0.0, abs=0.05)
        assert marks["mth2"][1] == pytest.approx(0.0, abs=0.05)


def test_arch_apex_lies_on_the_skin_as_seen_from_below(foot: Specimen) -> None:
    """A ray meets the roof of the arch at the apex height; 15 mm smoothing may cost 0.5 mm."""
    apex = foot.truth.landmarks["arch_apex"]
    assert lowest(foot.vertices, foot.faces, apex) == pytest.approx(18.0, abs=0.5)
    assert apex[2] == pytest.approx(18.0, abs=0.3)
    assert 0.38 < apex[0] / 262.0 < 0.55  # below the navicular: 45 to 50 %, value from memory


def test_standing_foot_is_flat_where_it_touches(foot: Specimen) -> None:
    """Heel, ball and lateral border bear weight, and so does the skin below the heads."""
    touching = foot.vertices[foot.vertices[:, 2] < 0.02]
    assert foot.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-6)
    for share, breadth in ((0.16, 25.0), (0.45, 10.0), (0.70, 50.0)):
        row = touching[np.abs(touching[:, 0] / 262.0 - share) < 0.02]
        assert np.ptp(row[:, 1]) > breadth
    for name in ("heel_centre", "mth1", "mth2", "mth3", "mth4"):
        assert foot.truth.landmarks[name][2] == pytest.approx(0.0, abs=0.05)


def test_hanging_foot_is_round_and_level_on_three_pads(hanging: Specimen) -> None:
    v = hanging.vertices
    marks = hanging.truth.landmarks
    for name in ("mth1", "mth5"):
        near = v[(np.linalg.norm(v[:, :2] - marks[name][:2], axis=1) < 14) & (v[:, 2] < 30)]
        assert near[:, 2].min() == pytest.approx(0.0, abs=0.05)
    heel = v[v[:, 0] < 65]
    assert heel[:, 2].min() == pytest.approx(0.0, abs=0.05)
    flat = heel[heel[:, 2] < 0.3]  # a ball of 30 mm radius is this low over 8 mm across
    assert np.ptp(flat[:, 1]) < 25


def test_varus_forefoot_tilts_leg_against_level_ball(hanging: Specimen) -> None:
    """Levelled on the ball, the leg's cut (square to the heel) leans by the forefoot angle."""

    def lean(specimen: Specimen) -> float:
        mesh = mesh_of(specimen)
        edges = trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)
        rim = specimen.vertices[np.unique(mesh.edges_sorted[edges])]
        normal = np.linalg.svd(rim - rim.mean(axis=0))[2][2]
        normal *= np.sign(normal[2])
        return float(np.degrees(np.arctan2(normal[1], normal[2])))

    straight = build(replace(hanging.shape, forefoot_deg=0.0))
    # medial side up against the heel: once the ball is level, the leg's top leans medially
    assert lean(hanging) - lean(straight) == pytest.approx(8.0, abs=0.6)


def test_capped_foot_is_one_closed_solid() -> None:
    solid = mesh_of(build(replace(SHAPE, capped=True)))
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.body_count == 1
    assert 0.5e6 < solid.volume < 1.4e6  # mm3, positive: outward winding


def test_open_foot_is_cut_in_one_plane(foot: Specimen) -> None:
    mesh = mesh_of(foot)
    edges = trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)
    rim = foot.vertices[np.unique(mesh.edges_sorted[edges])]
    assert rim[:, 2] == pytest.approx(100.0, abs=1e-3)


def test_skin_is_smooth(foot: Specimen) -> None:
    """Neighbouring faces on dorsum and arch turn by no more than a 5 mm radius would ask."""
    mesh = mesh_of(foot)
    middle = mesh.triangles_center
    plain = (middle[:, 0] > 75) & (middle[:, 0] < 150) & (middle[:, 2] > 3) & (middle[:, 2] < 95)
    wide = mesh.area_faces > 0.05
    pairs = mesh.face_adjacency
    both = plain[pairs].all(axis=1) & wide[pairs].all(axis=1)
    assert np.degrees(np.percentile(mesh.face_adjacency_angles[both], 99.9)) < 25


def test_toes_are_five_and_apart(foot: Specimen) -> None:
    """Five points reach further forward than all skin within 6 mm of them."""
    front = foot.vertices[(foot.vertices[:, 2] < 25) & (foot.vertices[:, 0] > 0.75 * 262.0)]
    around = cKDTree(front).query_ball_point(front, 6.0)
    tips = front[[front[near, 0].max() <= p[0] for p, near in zip(front, around, strict=True)]]
    assert len(tips) == 5
    tips = tips[np.argsort(-tips[:, 1])]
    assert (np.diff(tips[:, 1]) < -10).all()  # mm from toe to toe
    assert (np.diff(tips[:, 0]) < 0).all()  # the big toe is longest, the others fall away


@pytest.mark.parametrize("height", [2.5, 9.0, 29.0])
def test_arch_is_flat_to_high_as_asked(height: float) -> None:
    specimen = build(replace(SHAPE, arch_height=height))
    assert specimen.truth.measures["arch_apex_height"] == pytest.approx(height, abs=0.3)


def test_second_toe_can_be_longest() -> None:
    marks = build(replace(SHAPE, second_longer=5.0)).truth.landmarks
    assert abs(marks["acropodion"][1]) < 12.0  # on the second ray, not at 25 mm medial


def test_random_shapes_stay_inside_published_bands() -> None:
    """ANSUR II men and women, 1 to 99 % (computed from the public table)."""
    bands = {
        ("heel_to_ball_length", "foot_length"): (0.700, 0.775),
        ("foot_breadth", "foot_length"): (0.338, 0.419),
        ("ball_girth", "foot_length"): (0.836, 1.033),
        ("ball_girth", "foot_breadth"): (2.306, 2.634),
        ("heel_breadth_max", "foot_length"): (0.227, 0.318),
    }
    for seed in range(4):
        load = Load.NONE if seed % 2 else Load.HALF
        shape = replace(random_shape(rng(seed), load=load), cell=2.5)
        found = build(shape).truth.measures
        for (upper, lower), (least, most) in bands.items():
            assert least <= found[upper] / found[lower] <= most, (upper, lower, seed)
        assert found["foot_length"] == pytest.approx(shape.length, abs=0.3)


def test_same_shape_gives_same_foot_and_survives_pickling(foot: Specimen) -> None:
    again = build(SHAPE)
    np.testing.assert_array_equal(again.vertices, foot.vertices)
    copy = pickle.loads(pickle.dumps(foot))
    assert copy.truth.measures == foot.truth.measures


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"length": 20.0}, "length must lie in 150 to 340, got 20"),
        ({"arch_height": 60.0}, "arch_height must lie in"),
        ({"forefoot_deg": 5.0}, "needs load NONE"),
    ],
)
def test_impossible_shapes_are_refused(change: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Shape(**change)  # type: ignore[arg-type]


def test_sizes_that_exclude_each_other_are_refused() -> None:
    with pytest.raises(ValueError, match="no foot has these sizes together"):
        build(replace(SHAPE, ball_girth=150.0))


# The scanner


def back(points: np.ndarray, pose: np.ndarray, unit: Unit = Unit.MM) -> np.ndarray:
    return (points * unit.mm - pose[:3, 3]) @ np.linalg.inv(pose[:3, :3]).T


def test_perfect_scanner_delivers_the_skin_itself(foot: Specimen) -> None:
    got = scan(foot, ScannerSpec(), rng())
    np.testing.assert_allclose(got.vertices, foot.vertices, atol=1e-9)
    np.testing.assert_array_equal(got.faces, foot.faces)


def test_pose_and_unit_can_be_undone(foot: Specimen) -> None:
    spec = ScannerSpec(turn_deg=None, shift=None, unit=Unit.INCH)
    pose = scanner_pose(foot.shape.side, spec, rng())
    got = scan(foot, spec, rng())
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
    np.testing.assert_allclose(back(got.vertices, pose, Unit.INCH), foot.vertices, atol=1e-9)


def test_left_is_the_mirrored_right_with_outward_winding(foot: Specimen) -> None:
    left = Specimen(
        vertices=np.array(foot.vertices),
        faces=np.array(foot.faces),
        shape=replace(foot.shape, side=Side.LEFT),
        truth=foot.truth,
    )
    got = scan(left, ScannerSpec(), rng())
    np.testing.assert_allclose(got.vertices, foot.vertices * [1, -1, 1], atol=1e-9)
    normals = face_normals(got.vertices, got.faces)
    expected = face_normals(foot.vertices, foot.faces) * [1, -1, 1]
    np.testing.assert_allclose(normals, expected, atol=1e-6)
    marks = to_scanner(
        foot.truth.landmarks["mth1"][None], scanner_pose(Side.LEFT, ScannerSpec(), rng())
    )
    assert marks[0, 1] < 0  # the big toe of a left foot lies on the right of its axis


@pytest.mark.parametrize("points", [4000, 60000])
def test_number_of_points_is_as_asked(foot: Specimen, points: int) -> None:
    got = scan(foot, ScannerSpec(points=points), rng())
    assert len(got.vertices) == pytest.approx(points, rel=0.02)
    assert off_skin(foot, got.vertices[::40]).max() < 1e-6  # thinned or refined, on the skin


def test_noise_has_the_spread_asked_for(foot: Specimen) -> None:
    """Distances to the noise-free points; 20 000 samples fix the spread to 1 %."""
    noisy = scan(foot, ScannerSpec(noise=0.25), rng())
    away = np.linalg.norm(noisy.vertices - foot.vertices, axis=1)
    assert np.sqrt((away**2).mean()) == pytest.approx(0.25, rel=0.03)


def test_hole_has_its_place_and_size(foot: Specimen) -> None:
    apex = foot.truth.landmarks["arch_apex"]
    got = scan(foot, ScannerSpec(holes=(Hole(at="arch_apex", diameter=30.0),)), rng())
    nearest = np.linalg.norm(got.vertices - apex, axis=1).min()
    assert 15.0 < nearest < 15.0 + 2 * COARSE


def test_filled_sole_hides_the_arch(foot: Specimen) -> None:
    got = scan(foot, ScannerSpec(sole="filled", noise=0.2), rng())
    assert lowest(got.vertices, got.faces, foot.truth.landmarks["arch_apex"]) == pytest.approx(
        0.0, abs=1e-6
    )
    down = face_normals(got.vertices, got.faces)[:, 2] < -0.9
    low = got.vertices[got.faces[down], 2].max(axis=1)
    assert (low == 0.0).mean() > 0.98  # what still looks down is the plane, noise-free


def test_missing_sole_leaves_nothing_to_see_from_below(foot: Specimen) -> None:
    got = scan(foot, ScannerSpec(sole="missing"), rng())
    for name in ("heel_centre", "arch_apex", "mth1", "mth3"):
        x, y, z = foot.truth.landmarks[name]
        away = np.linalg.norm(got.vertices - [x, y, z], axis=1).min()
        assert away > 8.0
    assert len(got.vertices) > 0.4 * len(foot.vertices)


def test_cropping_takes_off_what_it_says(foot: Specimen) -> None:
    got = scan(foot, ScannerSpec(cut_toes=9.0, cut_heel=5.0, leg_height=70.0), rng())
    low, high = got.vertices.min(axis=0), got.vertices.max(axis=0)
    assert 262.0 - 9.0 - COARSE < high[0] <= 262.0 - 9.0
    assert 5.0 <= low[0] < 5.0 + COARSE
    assert 70.0 - COARSE < high[2] <= 70.0


def test_floor_surrounds_the_foot_and_hides_under_it(foot: Specimen) -> None:
    around = scan(foot, ScannerSpec(floor=40.0), rng())
    plate = scan(foot, ScannerSpec(floor=40.0, floor_under=True), rng())
    n = len(foot.vertices)
    assert np.abs(np.asarray(around.vertices)[n:, 2]).max() < 1e-9
    assert np.asarray(around.vertices)[:, 0].min() == pytest.approx(-40.0, abs=1.0)
    heel = foot.truth.landmarks["heel_centre"][:2]
    for got, hidden in ((around, True), (plate, False)):
        away = np.linalg.norm(got.vertices[n:, :2] - heel, axis=1).min()
        assert (away > 20.0) == hidden


def test_strays_islands_and_ghosts_are_added(foot: Specimen) -> None:
    plain = len(foot.vertices)
    strays = scan(foot, ScannerSpec(strays=50), rng())
    assert len(strays.vertices) == plain + 50
    lonely = cKDTree(foot.vertices).query(np.asarray(strays.vertices)[plain:])[0]
    assert lonely.min() > 3.0
    assert lonely.max() <= 60.0
    islands = scan(foot, ScannerSpec(islands=2), rng())
    bodies = trimesh.Trimesh(islands.vertices, islands.faces, process=False).split(
        only_watertight=True
    )
    assert len(bodies) == 2
    ghost = scan(foot, ScannerSpec(ghost=2.0), rng())
    extra = np.asarray(ghost.vertices)[plain:]
    assert np.median(off_skin(foot, extra[::50])) == pytest.approx(2.0, abs=0.15)


def test_bare_points_have_no_faces(foot: Specimen) -> None:
    assert len(scan(foot, ScannerSpec(faces=False), rng()).faces) == 0


def test_same_chance_gives_same_scan_and_other_chance_another(foot: Specimen) -> None:
    spec = ScannerSpec(noise=0.2, strays=5, turn_deg=None, shift=None)
    first, second, other = (scan(foot, spec, rng(seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.vertices, second.vertices)
    assert not np.allclose(first.vertices, other.vertices)


@pytest.mark.parametrize("ending", ["ply", "stl", "obj", "xyz"])
def test_files_hold_the_scan_and_are_the_same_every_time(
    foot: Specimen, ending: str, tmp_path: Path
) -> None:
    got = scan(foot, ScannerSpec(points=3000), rng())
    one = write_scan(got, tmp_path / f"one.{ending}")
    two = write_scan(got, tmp_path / f"two.{ending}")
    assert one.read_bytes() == two.read_bytes()
    if ending == "xyz":
        points = np.loadtxt(one)
    else:
        points = np.asarray(trimesh.load(one, process=False).vertices)
    away = cKDTree(points).query(got.vertices)[0]
    assert away.max() < 1e-3  # mm; float32 and four decimals hold less than that


@pytest.mark.parametrize("unit", [Unit.M, Unit.CM])
def test_point_lists_keep_hundredths_of_a_millimetre(
    foot: Specimen, unit: Unit, tmp_path: Path
) -> None:
    got = scan(foot, ScannerSpec(points=500, unit=unit, faces=False), rng())
    points = np.loadtxt(write_scan(got, tmp_path / "points.xyz"))
    assert np.abs(points - got.vertices).max() * unit.mm < 0.01


def test_files_of_unknown_ending_are_refused(foot: Specimen, tmp_path: Path) -> None:
    got = scan(foot, ScannerSpec(points=500, faces=False), rng())
    with pytest.raises(ValueError, match=r"use a name that ends in \.ply"):
        write_scan(got, tmp_path / "foot.abc")
    with pytest.raises(ValueError, match="STL holds no bare points"):
        write_scan(got, tmp_path / "foot.stl")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sole": "half"}, "sole must be"),
        ({"noise": -0.1}, "noise must not be negative"),
        ({"points": 3}, "points must be at least 50"),
    ],
)
def test_impossible_scanners_are_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        ScannerSpec(**change)  # type: ignore[arg-type]


# The samples


def test_sample_feet_differ_a_little_as_a_pair_does() -> None:
    left, right = sample_shapes()
    assert (left.side, right.side) == (Side.LEFT, Side.RIGHT)
    assert 1.5 <= abs(left.length - right.length) <= 4.0
    assert 1.0 <= abs(left.arch_height - right.arch_height) <= 3.0


def test_samples_are_written_anew_the_same_and_small(tmp_path: Path) -> None:
    first = write_samples(tmp_path / "one")
    for path in first:
        assert path.stat().st_size < 2e6
        kept = SAMPLES / path.name
        fresh, old = (trimesh.load(p, process=False).vertices for p in (path, kept))
        factor = 1000.0 if "metres" in path.name else 1.0
        # other versions of the libraries may move a vertex; the surface stays
        assert np.median(cKDTree(fresh).query(old)[0]) * factor < 0.01, path.name
    assert sorted(p.name for p in SAMPLES.glob("*.ply")) == sorted(p.name for p in first)


def test_command_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--what"]) == 2
    assert "usage: python -m footscan.specimen.samples [FOLDER]" in capsys.readouterr().err
