"""Ball points and heads: on specimens of known truth, warped feet and feet with joint centres."""

from __future__ import annotations

import json

import numpy as np
import pytest

from footscan import reading
from footscan.foot import sole_map
from footscan.measuring import ball, pose
from footscan.measuring.local_fit import Cloud
from footscan.scan import Load, Side
from footscan.specimen.made_up import Shape, build

HUMAN = ("m_p50_L", "f_p50_R", "m_old_L", "child_m_R", "teen_L", "m_low_instep_R")


@pytest.fixture(scope="module")
def straight_toe():
    """A foot whose big toe goes straight on: its medial border has no peak at the ball."""
    return build(Shape(hallux_deg=0.8, ball_share=0.724, length=262.0, cell=2.0))


def placed(vertices, faces, length):
    """Return borders and heads of a skin that stands in the foot frame."""
    cloud = Cloud.of(vertices)
    borders = ball.border_points(cloud, length)
    sole = sole_map(vertices, faces, smooth_mm=1.0)
    return borders, ball.heads(vertices, faces, sole, length, borders)


def step(at):
    """Return the C2 step from 0 to 1."""
    t = np.clip(at, 0, 1)
    return t**3 * (10 - 15 * t + 6 * t * t)


def ball_moved(x, length, by):
    """Return x with the ball moved by `by`, heel and toe tips kept."""
    share = x / length
    return x + by * step((share - 0.25) / 0.45) * (1 - step((share - 0.78) / 0.19))


def test_straight_big_toe_has_its_ball_where_it_bulges(straight_toe):
    """The bulge lies beside the first head of the skeleton, not where the toe is broadest."""
    truth = straight_toe.truth.landmarks
    (tibiale, _), heads = placed(straight_toe.vertices, straight_toe.faces, 262.0)
    assert abs(tibiale[0] - truth["mth1"][0]) < 6.0
    assert abs(heads["mth1"].xy[0] - truth["mth1"][0]) < 3.0


@pytest.mark.parametrize("share", [0.70, 0.78])
def test_ball_far_from_the_usual_place_is_found_there(share):
    """One adult in a hundred lies beyond either place (ANSUR II 2012)."""
    foot = build(Shape(ball_share=share, cell=2.0))
    length = foot.truth.measures["foot_length"]
    (tibiale, _), heads = placed(foot.vertices, foot.faces, length)
    assert tibiale[0] / length == pytest.approx(share, abs=0.004)
    off = [np.hypot(*(heads[n].xy - foot.truth.landmarks[n][:2])) for n in ball.HEADS]
    assert np.mean(off) < 2.5
    assert max(off) < 5.5  # the fourth head: its arc stretches with the oblique ball line


@pytest.mark.parametrize("load", [Load.HALF, Load.NONE])
def test_heads_follow_a_ball_that_moves(load):
    """Moved by 9 mm to both sides: at least 0.9 of the way, of which a fixed share gets none."""
    foot = build(Shape(load=load, cell=2.0))
    length = foot.truth.measures["foot_length"]
    found, true = [], []
    for by in (-9.0, 9.0):
        vertices = np.array(foot.vertices)
        vertices[:, 0] = ball_moved(vertices[:, 0], length, by)
        _, heads = placed(vertices, foot.faces, length)
        found.append([heads[name].xy[0] for name in ball.HEADS])
        true.append([ball_moved(foot.truth.landmarks[n][0], length, by) for n in ball.HEADS])
    followed = np.subtract(*found) / np.subtract(*true)
    assert followed.min() > 0.9
    assert followed.max() < 1.1


def test_heads_lie_a_constant_distance_behind_joint_centres(data_dir):
    """Joint centres that an artist set in body-model feet; mean proportions miss by 3.9 mm."""
    known = json.loads((data_dir / "body_feet" / "landmarks.json").read_text("utf-8"))
    missed = []
    for name in HUMAN:
        scan = reading.read([data_dir / "body_feet" / f"{name}.ply"])
        joints = known[name]["joint_landmarks_mm"]
        missed.append(_missed(np.array(scan.vertices), np.array(scan.faces), name, joints))
    off = np.array(missed) - [ball.JOINT_AHEAD_MM, 0.0]
    distance = np.linalg.norm(off, axis=2)
    assert distance.mean() < 3.3  # 3 mm wanted of noise-free joint centres; theirs are +-2
    assert distance.max() < 8.0


def _missed(vertices, faces, name, joints):
    """Return joint centre minus head for the five rays, in a frame along the second ray."""
    turned = vertices[:, [1, 0, 2]] * [1.0, -1.0, 1.0]  # toes to +y in the file
    at = np.array([[joints[f"MTP{i}"][1], -joints[f"MTP{i}"][0]] for i in range(1, 6)])
    if name.endswith("_L"):
        turned, faces = pose.mirror(turned), pose.mirror_faces(faces)
        at = at * [1.0, -1.0]
    turned -= [turned[:, 0].min(), 0.0, turned[:, 2].min()]
    at[:, 0] -= vertices[:, 1].min()
    length = float(np.ptp(turned[turned[:, 2] < 60.0, 0]))
    heel = turned[(turned[:, 0] < 0.2 * length) & (turned[:, 2] < 40.0), 1]
    angle = np.arctan2(at[1, 1] - (heel.min() + heel.max()) / 2, at[1, 0] - 0.16 * length)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    turned[:, :2] = turned[:, :2] @ turn.T
    at = at @ turn.T
    shift = turned[turned[:, 2] < 60.0, 0].min()
    turned[:, 0] -= shift
    at[:, 0] -= shift
    _, heads = placed(turned, faces, length)
    return [at[i] - heads[head].xy for i, head in enumerate(ball.HEADS)]


def test_mark_that_took_something_else_hardly_counts():
    """Three marks within 2 mm and one 40 mm off: the head stays with the three."""
    marks = [("borders", 200.0, 1.8), ("front", 202.0, 3.0), ("bumps", 201.0, 3.0)]
    alone = ball._averaged(np.array([0.0, 10.0, 0.0]), marks)
    beside = ball._averaged(np.array([0.0, 10.0, 0.0]), [*marks, ("webs", 240.0, 3.0)])
    assert abs(beside.xy[0] - alone.xy[0]) < 2.0
    assert beside.sd > alone.sd  # and the disagreement is told
    assert beside.xy[1] == 10.0


def test_sole_without_a_top_shows_no_webs(right_specimen):
    """From below alone nothing tells a gap between toes from skin that was not seen."""
    vertices, faces = np.array(right_specimen.vertices), np.array(right_specimen.faces)
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    below = normal[:, 2] < -0.5 * np.linalg.norm(normal, axis=1)
    length = right_specimen.truth.measures["foot_length"]
    _, heads = placed(vertices, faces[below], length)
    for name in ball.HEADS:
        assert "webs" not in heads[name].marks
        assert abs(heads[name].xy[0] - right_specimen.truth.landmarks[name][0]) < 5.0, name


def test_ball_that_was_not_seen_is_said(right_specimen):
    vertices = np.array(right_specimen.vertices)
    with pytest.raises(ValueError, match="the ball of the foot is not seen"):
        ball.border_points(Cloud.of(vertices[vertices[:, 0] < 130.0]), 268.0)


def test_left_and_right_are_one_geometry(right_specimen):
    """Feet are mirrored before: the medial border is that of the higher y."""
    length = right_specimen.truth.measures["foot_length"]
    tibiale, fibulare = ball.border_points(Cloud.of(right_specimen.vertices), length)
    assert right_specimen.shape.side is Side.RIGHT
    assert tibiale[1] > 0 > fibulare[1]
    assert tibiale[0] > fibulare[0]


@pytest.mark.parametrize(("flat", "sd"), [(0.0, 0.6), (6.0, 0.6), (9.0, 0.9), (22.0, 6.2)])
def test_a_flat_border_says_so_in_the_deviation(flat, sd):
    from footscan.measuring.landmarks import _on_plateau

    assert _on_plateau(0.6, flat) == pytest.approx(sd, abs=0.01)


@pytest.mark.parametrize("long", [10.0, 30.0])
def test_a_plateau_says_its_length(long):
    """A border straight between two round ends: the best place and the farther end lie apart.

    By the chord a round end of radius R falls 0.3 mm within sqrt(0.6 R) of where it begins.
    """
    radius, length, middle = 60.0, 260.0, 0.637 * 260.0
    x = np.arange(2.0, 258.0, 1.0)
    off = np.maximum(np.abs(x - middle) - long / 2, 0.0)
    edge = -50.0 + off**2 / (2 * radius) * (off < 40) + (off >= 40) * (13.3 + 0 * off)
    heights = np.arange(4.0, 30.0, 2.0)
    points = np.array([[a, b, h] for a, b in zip(x, edge, strict=True) for h in heights])
    other = points * [1.0, -1.0, 1.0]
    cloud = Cloud.of(np.concatenate([points, other]))
    found = ball.plateau(cloud, length, -1)
    fall = np.sqrt(2 * radius * ball.ALIKE_MM)
    assert long / 2 + 0.4 * fall < found < long + 1.8 * fall + 4.0


def test_an_unusual_ball_line_is_to_be_felt():
    from footscan.quality.claims import ball_line
    from footscan.results import Measure

    def told(angle, outside):
        values = {"foot_length": Measure(value=260.0, sd=0.3), "ball_line_angle":
                  Measure(value=angle, sd=0.5), "outside_ball_length":
                  Measure(value=outside * 260.0, sd=0.6)}  # fmt: skip
        return ball_line(values)

    assert told(15.0, 0.63) == []
    assert told(5.5, 0.69) == []
    for angle, outside in ((4.5, 0.63), (29.0, 0.63), (15.0, 0.71), (15.0, 0.56)):
        (found,) = told(angle, outside)
        assert "with a finger" in found.advice
