"""Measures against the exact truth of specimens."""

from __future__ import annotations

import numpy as np
import pytest

from footscan import measures

# half of what a fitter can use; well above the fit's own error and below a size step
TOLERANCE = {
    "foot_length": 0.7,
    "foot_breadth": 1.0,
    "foot_breadth_diagonal": 1.0,
    "heel_breadth": 1.2,
    "heel_breadth_max": 1.2,
    "ball_girth": 2.0,
    "arch_apex_height": 0.8,
}


@pytest.mark.parametrize("name", TOLERANCE)
def test_clean_scan_measures_true(clean, right_specimen, name):
    truth = right_specimen.truth.measures[name]
    assert clean.measures[name].value == pytest.approx(truth, abs=TOLERANCE[name])


@pytest.mark.parametrize("name", TOLERANCE)
def test_messy_scan_measures_true(messy, right_specimen, name):
    """Floor, strays, islands and 0.25 mm of noise; the tolerance is that of a clean scan."""
    truth = right_specimen.truth.measures[name]
    assert messy.measures[name].value == pytest.approx(truth, abs=TOLERANCE[name])


def test_landmarks_lie_within_three_of_their_deviations(clean, right_specimen):
    for name, truth in right_specimen.truth.landmarks.items():
        mark = clean.landmarks[name]
        if name == "arch_apex":
            continue  # a plateau: its place along x is judged by its own deviation
        off = np.linalg.norm((mark.xyz - truth)[:2])
        assert off < 3 * mark.sd, name


def test_every_measure_has_unit_and_deviation_or_a_reason(clean, filled):
    for measured in (clean, filled):
        for name, measure in measured.measures.items():
            if measure.value is None:
                assert measure.reason, name
            else:
                assert measure.sd > 0, name
                assert measure.method, name


def test_ratio_and_lengths_belong_together(clean):
    value = {name: m.value for name, m in clean.measures.items()}
    assert value["arch_height_index"] == pytest.approx(
        value["instep_height"] / value["truncated_length"]
    )
    across = value["foot_breadth"], value["heel_to_ball_length"] - value["outside_ball_length"]
    assert value["foot_breadth_diagonal"] == pytest.approx(np.hypot(*across))
    assert value["ball_line_angle"] == pytest.approx(np.degrees(np.arctan2(across[1], across[0])))


def test_section_of_a_box_is_its_outline():
    import trimesh

    box = trimesh.creation.box((10, 20, 30))
    cut = measures.section(box.vertices, box.faces, np.zeros(3), np.array([1.0, 0, 0]))
    assert np.linalg.norm(cut[:, 1] - cut[:, 0], axis=1).sum() == pytest.approx(100.0)
    assert len(measures.section(box.vertices, box.faces, np.array([9.0, 0, 0]),
                                np.array([1.0, 0, 0]))) == 0


def test_foot_not_seen_all_round_has_no_girth(clean):
    foot = clean.foot
    middle = foot.vertices[foot.faces].mean(axis=1)
    faces = foot.faces[middle[:, 2] < 30]
    with pytest.raises(ValueError, match=r"open|empty"):
        measures.girth(foot.vertices, faces, np.array([135.0, 0, 0]), np.array([1.0, 0, 0]))
