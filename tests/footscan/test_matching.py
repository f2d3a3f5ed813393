"""Up, forward and side are found together, from any orientation and for both sides."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from footscan.finding import matching
from footscan.scan import Side
from footscan.specimen import template


def test_the_packaged_template_is_the_specimen():
    """The file is made by a script that this test runs: it cannot rot unseen."""
    place, normals = template.points()
    shipped, shipped_normals = matching.template()
    assert 0.98 < len(place) / len(shipped) < 1.02
    distance, index = cKDTree(place).query(shipped)
    # one cell's diagonal at most: other library versions may draw another vertex per cell
    assert np.percentile(distance, 95) < 0.5 * template.CELL
    assert np.median(np.einsum("ij,ij->i", normals[index], shipped_normals)) > 0.95


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_turned_template_is_found_with_its_side(side, seed):
    """The template itself, turned, moved and scaled, must come back exactly."""
    place, normals = matching.template()
    flip = np.array([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
    turn = Rotation.random(random_state=seed).as_matrix()
    shift = np.array([300.0, -40.0, 900.0])
    scan = 265.0 * (place * flip) @ turn.T + shift
    best, other = matching.match(scan, (normals * flip) @ turn.T)
    assert best.side is side
    assert other.cost > 1.2 * best.cost
    # rows of the rotation are the foot's axes in the scanner frame, to half a degree
    angle = np.degrees(np.arccos(np.clip((best.rotation * turn.T).sum(axis=1), -1, 1)))
    assert angle.max() < 0.5
    assert best.scale == pytest.approx(265.0, rel=0.01)
    assert best.origin == pytest.approx(shift, abs=2.0)


def test_a_known_up_direction_is_kept():
    place, normals = matching.template()
    turn = Rotation.from_euler("xyz", [100, 20, 50], degrees=True).as_matrix()
    best = matching.match(place @ turn.T, normals @ turn.T, up=turn[:, 2])[0]
    assert best.rotation[2] @ turn[:, 2] > 0.999


@pytest.mark.parametrize("stated", [True, False])
@pytest.mark.parametrize("side", list(Side))
def test_the_template_s_sole_alone_is_found_with_its_side(side, stated):
    """What lies within 70 degrees of straight down, turned and moved, must come back in place."""
    place, normals = matching.template()
    below = (normals[:, 2] < -np.cos(np.radians(70))) & (place[:, 2] < 0.15)
    flip = np.array([1.0, -1.0 if side is Side.LEFT else 1.0, 1.0])
    turn = Rotation.random(random_state=4).as_matrix()
    scan, facing = 250.0 * (place[below] * flip) @ turn.T, (normals[below] * flip) @ turn.T
    best, other = matching.match(scan, facing, sole=stated)
    assert best.side is side
    assert best.view in ("sole", "walls")
    assert other.cost > 1.25 * best.cost
    angle = np.degrees(np.arccos(np.clip((best.rotation * turn.T).sum(axis=1), -1, 1)))
    assert angle.max() < 1.5  # a degree is one cell of the template over its length
    assert best.scale == pytest.approx(250.0, rel=0.01)


def test_a_whole_foot_is_not_taken_for_a_part():
    place, normals = matching.template()
    assert matching.match(place, normals)[0].view == "whole"


def test_the_length_is_read_off_the_points():
    """A foot a fifth shorter than its match says is measured by its own points."""
    place, normals = matching.template()
    match = matching.match(place * 200.0, normals)[0]
    wrong = matching.Match(
        rotation=match.rotation,
        origin=match.origin,
        scale=match.scale * 1.2,
        side=match.side,
        cost=match.cost,
    )
    assert matching.length_of(place * 200.0, wrong) == pytest.approx(
        200.0 * np.ptp(place[:, 0]), rel=0.02
    )
