"""Two scans compared: known moves, known dents and known differences come back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from footscan.checking.repeat import aligned, compare, signed_distance
from footscan.checking.series import outside_limits
from footscan.errors import ScanQualityError
from footscan.foot import vertex_normals
from footscan.measuring.pose import mirror, mirror_faces
from footscan.results import Measure, MeasuredFoot
from footscan.scan import Load, Side
from tests import feet

LENGTH = 260.0


@pytest.fixture(scope="module")
def foot() -> MeasuredFoot:
    return feet.analytic(length=LENGTH)


def with_vertices(measured: MeasuredFoot, vertices, faces=None) -> MeasuredFoot:
    faces = measured.foot.faces if faces is None else faces
    return replace(measured, foot=replace(measured.foot, vertices=vertices, faces=faces))


def with_measures(measured: MeasuredFoot, **values: Measure) -> MeasuredFoot:
    return replace(measured, measures={**measured.measures, **values})


def egg(measured: MeasuredFoot) -> MeasuredFoot:
    """Return the same record with a smooth body of half axes 130, 50 and 35 mm for a foot."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    vertices = np.asarray(ball.vertices) * [130.0, 50.0, 35.0]
    return with_vertices(measured, vertices, np.asarray(ball.faces).astype(np.int64))


def moved(measured: MeasuredFoot, turn_deg=(0.0, 0.0, 0.0), shift=(0.0, 0.0, 0.0)):
    turn = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, shift
    return with_vertices(measured, measured.foot.vertices @ turn.T + np.asarray(shift)), pose


def test_a_scan_against_itself_differs_by_nothing(foot):
    result = compare(foot, foot)
    assert result.rms < 1e-3  # mm; needle faces at the rim may be missed by a hair
    assert result.p95 < 1e-6
    assert result.seen == 1.0
    assert not any(d.beyond for d in result.differences)
    assert result.kind == "two scans of one foot"
    assert result.notes == ()


def test_a_known_move_is_taken_back(foot):
    """Foot frames of two scans agree to a degree and a few mm; here it is more."""
    other, pose = moved(foot, (2.0, -1.5, 3.0), (4.0, -3.0, 2.5))
    found = aligned(foot.foot, other.foot)
    np.testing.assert_allclose(found @ pose, np.eye(4), atol=1e-3)
    assert np.linalg.det(found[:3, :3]) == pytest.approx(1.0, abs=1e-9)
    assert compare(foot, other).rms < 1e-3


def test_size_is_not_fitted(foot):
    """A scan 1 % too large: after the best rigid fit the ends still stand off.

    A ball of half the smallest extent (about 35 mm) grows by 0.35 mm all round; a foot of half
    length 130 mm by 1.3 mm at its ends. So the rms lies between those two.
    """
    other = with_vertices(foot, 1.01 * foot.foot.vertices)
    result = compare(foot, other)
    assert 0.3 < result.rms < 1.3
    assert result.mean < -0.2  # the first lies inside the second


def test_an_even_layer_is_read_with_its_sign(foot):
    """The first scan 0.5 mm thicker all over: + 0.5 mm, whatever the fit does."""
    thin = egg(foot)
    normals = vertex_normals(thin.foot.vertices, thin.foot.faces)
    thick = with_vertices(thin, thin.foot.vertices + 0.5 * normals)
    result = compare(thick, thin)
    assert result.mean == pytest.approx(0.5, abs=0.02)
    assert result.rms == pytest.approx(0.5, abs=0.02)
    assert compare(thin, thick).mean == pytest.approx(-0.5, abs=0.02)


def test_a_dent_shows_where_it_is_and_nowhere_else(foot):
    """A dent of 3 mm, Gaussian with 8 mm, under the heel of the second scan."""
    vertices = np.array(foot.foot.vertices)
    away = np.linalg.norm(vertices[:, :2] - [40.0, 0.0], axis=1)
    sole = vertices[:, 2] < 8.0
    vertices[:, 2] += np.where(sole, 3.0 * np.exp(-((away / 8.0) ** 2) / 2), 0.0)
    result = compare(foot, with_vertices(foot, vertices))
    deepest = result.signed[sole & (away < 1.5)]
    far = np.abs(result.signed[away > 40.0])
    # the robust fit may follow the dent a little; 2 % of the surface is dented
    assert deepest.max() == pytest.approx(3.0, abs=0.15)
    assert np.nanmax(far) < 0.15


def test_noise_comes_out_as_noise(foot):
    """Noise of 0.3 mm along the normals of the first scan only: rms 0.3 mm."""
    rng = np.random.default_rng(3)
    normals = vertex_normals(foot.foot.vertices, foot.foot.faces)
    error = 0.3 * rng.standard_normal(len(normals))
    noisy = with_vertices(foot, foot.foot.vertices + error[:, None] * normals)
    result = compare(noisy, foot)
    assert result.rms == pytest.approx(0.3, rel=0.05)  # shorter at folds, where lines meet askew
    assert result.p95 == pytest.approx(1.96 * 0.3, rel=0.06)


def test_distance_to_a_ball_is_its_formula():
    """Points off a ball of 50 mm: distance is radius minus 50; its facets lie 0.06 mm inside."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=50.0)
    way = np.random.default_rng(1).standard_normal((400, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    for reach in (44.0, 49.0, 51.0, 58.0):
        found = signed_distance(reach * way, np.asarray(ball.vertices), np.asarray(ball.faces))
        # sagitta of a facet: edge up to 4.1 mm, (4.1 / sqrt 3)^2 / (2 x 50) = 0.056 mm
        np.testing.assert_allclose(found, reach - 50.0, atol=0.06)


def test_what_the_second_scan_lacks_is_not_compared(foot):
    """The second scan ends at 40 mm height: no distance is made up above."""
    vertices, faces = foot.foot.vertices, foot.foot.faces
    low = faces[(vertices[faces, 2] <= 40.0).all(axis=1)]
    result = compare(foot, with_vertices(foot, vertices, low))
    high = vertices[:, 2] > 45.0
    assert high.sum() > 100
    assert np.isnan(result.signed[high]).all()
    assert result.seen < 1.0 - 0.9 * high.mean()
    assert result.rms < 0.01


def test_nothing_in_common_is_refused(foot):
    far, _ = moved(foot, shift=(0.0, 0.0, 900.0))
    with pytest.raises(ScanQualityError, match="cannot be laid on each other"):
        compare(foot, far)


def test_left_against_right_is_said_and_mirrored_once(foot):
    """The foot frame has +y medial on both sides: a mirrored pair lies on itself as it is."""
    left = feet.analytic(length=LENGTH, side=Side.LEFT)
    result = compare(left, foot)
    assert result.kind == "left against right"
    assert result.rms < 1e-3  # mm; needle faces at the rim may be missed by a hair
    assert "the first foot was mirrored" in result.notes[0]
    assert "the second foot was mirrored" in compare(foot, left).notes[0]


def test_a_foot_mirrored_by_mistake_does_not_fit(foot):
    wrong = with_vertices(foot, mirror(foot.foot.vertices), mirror_faces(foot.foot.faces))
    assert compare(foot, wrong).rms > 1.0


def test_differences_are_judged_by_both_uncertainties(foot):
    """sd 0.3 and 0.4 combine to 0.5: 0.98 mm is the edge of chance at 95 %."""
    first = with_measures(foot, foot_length=Measure(value=260.0, sd=0.3))
    for value, beyond in ((260.97, False), (260.99, True)):
        second = with_measures(foot, foot_length=Measure(value=value, sd=0.4))
        difference = next(d for d in compare(first, second).differences if d.name == "foot_length")
        assert difference.sd == pytest.approx(0.5)
        assert difference.value == pytest.approx(260.0 - value)
        assert difference.beyond is beyond


def test_a_measure_that_one_scan_lacks_is_left_out(foot):
    blank = with_measures(foot, foot_length=Measure(reason="the toes were not seen"))
    assert "foot_length" not in {d.name for d in compare(foot, blank).differences}


@pytest.mark.parametrize(("apex", "third"), [(14.4, False), (15.6, True), (12.4, True)])
def test_a_third_scan_is_asked_for_beyond_one_and_a_half_millimetres(foot, apex, third):
    """1.5 mm at the apex: common practice, no source."""
    first = with_measures(foot, arch_apex_height=Measure(value=14.0, sd=0.4))
    second = with_measures(foot, arch_apex_height=Measure(value=apex, sd=0.4))
    result = compare(first, second)
    assert result.third_scan is third
    assert any("take a third scan" in note for note in result.notes) is third


def test_left_and_right_may_differ_at_the_apex(foot):
    left = with_measures(
        feet.analytic(length=LENGTH, side=Side.LEFT), arch_apex_height=Measure(value=20.0, sd=0.4)
    )
    assert compare(foot, left).third_scan is False


def test_another_load_state_is_said(foot):
    other = replace(foot, foot=replace(foot.foot, load=Load.NONE))
    assert "different states" in compare(foot, other).notes[0]


def test_another_axis_is_said(foot):
    other = replace(foot, foot=replace(foot.foot, axis_method="heel centre to second toe"))
    assert any("long axes" in note for note in compare(foot, other).notes)


def test_text_and_record_carry_units_and_survive_json(foot):
    result = compare(foot, with_measures(foot, foot_length=Measure(value=268.0, sd=0.5)))
    text, record = result.as_text(), json.loads(json.dumps(result.as_record()))
    assert "mm" in text
    assert "more than chance" in text
    assert record["measures"]["foot_length"]["difference"] == pytest.approx(-8.0)
    assert record["measures"]["foot_length"]["beyond_uncertainty"] is True
    assert record["agree"] is False
    assert "foot length 8.0 mm" in record["beyond_limits"][0]
    assert record["beyond_limits"][0] in text


@pytest.mark.parametrize(
    ("off", "words"),
    [(1.9, ""), (2.1, "take a third"), (5.9, "take a third"), (6.1, "not two scans of one foot")],
)
def test_limits_of_two_scans_of_one_foot(foot, off, words):
    """2 mm is the foot limit of ISO 20685-1:2018; three times as much is another foot."""
    other = with_measures(foot, foot_length=Measure(value=LENGTH + off, sd=0.3))
    result = compare(foot, other)
    assert result.agree is (not words)
    assert (result.kind == "two scans of one foot") is (not words)
    assert words in " ".join(result.beyond_limits)
    # left and right may differ; what a pair may differ by is judged elsewhere
    left = with_measures(feet.analytic(length=LENGTH, side=Side.LEFT), **other.measures)
    assert compare(foot, left).agree


def test_a_difference_within_chance_is_no_disagreement(foot):
    other = with_measures(foot, foot_length=Measure(value=LENGTH + 3.0, sd=2.0))
    assert compare(foot, other).agree


@pytest.mark.parametrize(("grown", "words"), [(1.5, ""), (2.5, "or these are two feet")])
def test_surfaces_that_lie_apart_are_no_one_foot(foot, grown, words):
    """An even layer of so many mm: the root mean square is the layer, whatever is measured."""
    thin = egg(foot)
    normals = vertex_normals(thin.foot.vertices, thin.foot.faces)
    thick = with_vertices(thin, thin.foot.vertices + grown * normals)
    result = compare(thick, thin)
    assert result.agree is (not words)
    assert words in " ".join(result.beyond_limits)


@pytest.mark.parametrize(("rms", "gross"), [(3.9, False), (4.1, True)])
def test_surfaces_far_apart_are_another_foot(rms, gross):
    (words,) = outside_limits((), rms)
    assert ("not two scans of one foot" in words) is gross
    assert f"{rms:.1f} mm rms" in words


def test_input_is_left_alone(foot):
    before = foot.foot.vertices.copy()
    compare(foot, foot)
    np.testing.assert_array_equal(foot.foot.vertices, before)
