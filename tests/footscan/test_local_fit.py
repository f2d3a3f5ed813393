"""Smooth extremes against the formula of a ball."""

from __future__ import annotations

import numpy as np
import pytest

from footscan.measuring.local_fit import Cloud, smooth_extreme

RADIUS = 30.0


def ball(noise: float, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    way = rng.standard_normal((9000, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return way * (RADIUS + noise * rng.standard_normal((9000, 1)))


@pytest.mark.parametrize("way", [(1, 0, 0), (0, -1, 0), (0.6, 0, 0.8)])
def test_extreme_of_a_noisy_ball_is_its_radius(way):
    """A raw extreme reads about a millimetre long; the fit averages about 150 points."""
    points, way = ball(0.3), np.asarray(way, dtype=float)
    assert (points @ way).max() > RADIUS + 0.4  # what the fit is for
    found = smooth_extreme(Cloud.of(points), way, np.ones(len(points), dtype=bool))
    assert found @ way == pytest.approx(RADIUS, abs=0.1)
    # flat top: a slope of noise over the patch moves the place by up to a few mm, not the height
    np.testing.assert_allclose(found, RADIUS * way, atol=1.5)


def test_a_stray_is_no_extreme():
    points = np.vstack([ball(0.05), [[RADIUS + 25, 0, 0]]])
    found = smooth_extreme(
        Cloud.of(points), np.array([1.0, 0, 0]), np.ones(len(points), dtype=bool)
    )
    assert found[0] == pytest.approx(RADIUS, abs=0.1)


def test_bound_holds_the_extreme_at_its_station():
    """At x = 18 a ball of radius 30 reaches y = sqrt(30^2 - 18^2) = 24."""
    cloud = Cloud.of(ball(0.02))
    bound = np.array([[18.0, -np.inf, -np.inf], [18.0, np.inf, np.inf]])
    inside = np.abs(cloud.points[:, 0] - 18.0) < 5
    found = smooth_extreme(cloud, np.array([0.0, 1, 0]), inside, 8.0, bound)
    assert found[0] == pytest.approx(18.0, abs=1e-6)
    assert found[1] == pytest.approx(24.0, abs=0.15)


def test_nothing_to_search_is_a_wrong_call():
    cloud = Cloud.of(ball(0.0))
    with pytest.raises(ValueError, match="no points in the region"):
        smooth_extreme(cloud, np.array([1.0, 0, 0]), np.zeros(len(cloud.points), dtype=bool))


@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_clipped_end_is_not_read_beyond_what_was_seen(noise):
    """A ball clipped 6 mm short: the quadric peaks at 30 mm, but only 24 were seen."""
    points = ball(noise)
    points = points[points[:, 0] <= 24.0]
    found = smooth_extreme(
        Cloud.of(points), np.array([1.0, 0, 0]), np.ones(len(points), dtype=bool)
    )
    assert found[0] <= 24.5 + 1e-9


def test_tilted_ellipsoid_reaches_as_far_as_its_formula():
    """Along a unit vector w an ellipsoid of half axes s reaches |s w|, at s (s w) / |s w|."""
    axes = np.array([35.0, 20.0, 15.0])
    points = ball(0.0) / RADIUS * axes
    way = np.array([0.48, 0.6, 0.64])
    reach = np.linalg.norm(axes * way)
    found = smooth_extreme(Cloud.of(points), way, np.ones(len(points), dtype=bool), 6.0)
    # a quadric over 6 mm of a surface of 8 to 40 mm radius leaves terms of fourth order
    assert found @ way == pytest.approx(reach, abs=0.15)
    np.testing.assert_allclose(found, axes * axes * way / reach, atol=1.0)


def test_sparse_patch_grows_until_it_holds_a_fit():
    points = np.stack(np.meshgrid(*[np.arange(-40.0, 41, 10)] * 2, [0.0]), axis=-1).reshape(-1, 3)
    assert len(Cloud.of(points).near(np.zeros(3), 8.0)) >= 14
    with pytest.raises(ValueError, match=r"points must have shape \(n, 3\)"):
        Cloud.of(points[:, :2])
