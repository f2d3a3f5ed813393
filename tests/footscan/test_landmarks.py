"""Landmarks: on bodies with a formula, on a hanging specimen, and set by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.errors import LandmarkError
from footscan.measuring import ball, landmarks
from footscan.measuring.local_fit import Cloud

LENGTH = 250.0
A, B = 40.0, 32.0  # half axes of an upright heel: along the foot and across


def heel(lean: float = 0.0) -> Cloud:
    """Return an upright elliptic cylinder whose rear touches x = 0; it flares by `lean`."""
    angle, z = np.meshgrid(np.linspace(0, 2 * np.pi, 400, endpoint=False), np.arange(0, 70, 1.5))
    grow = 1 + lean * z / 40.0
    points = np.stack([A + A * np.cos(angle), B * grow * np.sin(angle), z], axis=-1)
    return Cloud.of(points.reshape(-1, 3))


def test_heel_breadth_is_that_of_the_ellipse_at_its_station():
    """At x = 0.16 x 250 = 40 mm the cylinder is as broad as its axis, at 30 mm less."""
    middle, breadth = landmarks.heel_middle(heel(), LENGTH)
    assert breadth == pytest.approx(2 * B, abs=0.1)
    np.testing.assert_allclose(middle, [40.0, 0.0, 0.0], atol=0.05)
    medial, lateral = landmarks.heel_sides(heel(), 30.0)
    wanted = 2 * B * np.sqrt(1 - (10 / A) ** 2)  # not the 64 mm that lie ahead of the station
    assert medial[1] - lateral[1] == pytest.approx(wanted, abs=0.2)


def test_heel_that_flares_is_read_below_forty_millimetres():
    """The breadth grows by a quarter up to 40 mm and on above: Lee et al. 2014 stop there."""
    _, breadth = landmarks.heel_middle(heel(lean=0.25), LENGTH)
    assert breadth == pytest.approx(2 * B * 1.25, abs=0.5)


def test_heel_that_was_not_seen_is_said():
    with pytest.raises(ValueError, match="the heel is not seen"):
        landmarks.heel_sides(heel(), 200.0)


def test_heads_follow_the_ball_and_not_its_place():
    """Moved and scaled borders give moved and scaled heads, in order from medial to lateral."""
    tibiale, fibulare = np.array([200.0, 45.0, 12.0]), np.array([172.0, -55.0, 10.0])
    heads = ball.heads_from_borders(tibiale, fibulare)
    assert list(heads) == ["mth1", "mth2", "mth3", "mth4", "mth5"]
    place = np.array(list(heads.values()))
    assert (np.diff(place[:, 1]) < 0).all()
    assert -55.0 < place[:, 1].min() < place[:, 1].max() < 45.0
    assert place[:, 0].argmax() == 1  # the second head is the foremost in almost all feet
    moved = ball.heads_from_borders(
        1.2 * tibiale + [7.0, -3.0, 0.0], 1.2 * fibulare + [7.0, -3.0, 0.0]
    )
    np.testing.assert_allclose(np.array(list(moved.values())), 1.2 * place + [7, -3, 0], atol=1e-9)


def test_landmarks_of_a_hanging_left_foot(hanging, hanging_specimen):
    """Plan truth of skin and skeleton, within three standard deviations."""
    for name, truth in hanging_specimen.truth.landmarks.items():
        off = (hanging.landmarks[name].xyz - truth)[:2]
        assert np.linalg.norm(off) < 3 * hanging.landmarks[name].sd, name
    assert hanging.landmarks["arch_apex"].xyz[2] == pytest.approx(
        hanging_specimen.truth.measures["arch_apex_height"], abs=0.6
    )


def test_order_of_the_vertices_does_not_matter(hanging):
    rng = np.random.default_rng(0)
    mixed = Cloud.of(hanging.foot.vertices[rng.permutation(len(hanging.foot.vertices))])
    again = landmarks.find(hanging.foot, mixed)
    for name, mark in hanging.landmarks.items():
        # patches are thinned to 600 points by their order: the same fit up to that draw
        np.testing.assert_allclose(again[name].xyz, mark.xyz, atol=0.3, err_msg=name)


def test_place_by_hand_is_kept_beside_the_automatic_one(hanging):
    by_hand = hanging.landmarks["mth5"].xyz + np.array([4.0, 1.0, 0.0])
    result = landmarks.override(hanging.landmarks, {"mth5": by_hand}, hanging.foot)
    np.testing.assert_array_equal(result["mth5"].xyz, by_hand)
    np.testing.assert_array_equal(result["mth5"].automatic, hanging.landmarks["mth5"].xyz)
    assert result["mth5"].method == "by hand"
    assert result["mth1"] is hanging.landmarks["mth1"]
    assert hanging.landmarks["mth5"].method != "by hand"  # the input stays


@pytest.mark.parametrize(
    ("name", "shift", "match"),
    [
        ("mth6", 0.0, "there is no landmark 'mth6'; choose one of acropodion, arch_apex"),
        ("mth1", -40.0, "given for mth1 lies more than 15 mm off the foot; give it anew"),
    ],
)
def test_bad_place_by_hand_is_refused(hanging, name, shift, match):
    place = hanging.landmarks["mth1"].xyz + np.array([0.0, 0.0, shift])
    with pytest.raises(LandmarkError, match=match) as caught:
        landmarks.override(hanging.landmarks, {name: place}, hanging.foot)
    assert caught.value.name == name


def test_fifteen_millimetres_off_the_foot_is_the_limit(hanging):
    lowest = hanging.foot.vertices[hanging.foot.vertices[:, 2].argmin()]
    just = lowest - np.array([0.0, 0.0, 14.9])
    assert landmarks.override(hanging.landmarks, {"mth3": just}, hanging.foot)["mth3"].sd == 1.0
    eye = landmarks.override(hanging.landmarks, {"mth3": just}, hanging.foot, ["mth3"])["mth3"]
    assert eye.sd == max(1.0, hanging.landmarks["mth3"].sd)  # no surer than where it was found
    assert (eye.by_hand, eye.felt, eye.method) == (True, False, "by eye")
    with pytest.raises(LandmarkError, match="15 mm off"):
        landmarks.override(hanging.landmarks, {"mth3": just - [0, 0, 0.2]}, hanging.foot)


def test_foot_without_a_ball_has_no_landmarks(hanging):
    rear = hanging.foot.vertices[hanging.foot.vertices[:, 0] < 120]
    with pytest.raises(LandmarkError, match=r"not seen; scan the whole foot again") as caught:
        landmarks.find(replace(hanging.foot, vertices=rear))
    assert caught.value.name == "ball"
    front = hanging.foot.vertices[hanging.foot.vertices[:, 0] > 120]
    with pytest.raises(LandmarkError, match="the heel is not seen") as caught:
        landmarks.find(replace(hanging.foot, vertices=front))
    assert caught.value.name == "heel_centre"


def test_foot_without_an_instep_says_so(hanging):
    half = 0.5 * hanging.foot.length
    points = hanging.foot.vertices[np.abs(hanging.foot.vertices[:, 0] - half) > 6]
    with pytest.raises(LandmarkError, match="the instep is not seen; scan the top"):
        landmarks.find(replace(hanging.foot, vertices=points))


def test_unseen_arch_has_no_apex(hanging):
    """Without a sole map in the arch's window there is no apex, and no guess of one."""
    sole = hanging.foot.sole
    blind = np.where(
        ((sole.x > 0.3 * hanging.foot.length) & (sole.x < 0.6 * hanging.foot.length))[:, None],
        np.nan,
        sole.z,
    )
    found = landmarks.find(replace(hanging.foot, sole=replace(sole, z=blind)))
    assert "arch_apex" not in found
    assert set(found) == set(hanging.landmarks) - {"arch_apex"}
