"""Sole map and arch apex on surfaces with a formula."""

from __future__ import annotations

import numpy as np
import pytest

from footscan.arch import arch_apex
from footscan.foot import SoleMap, face_normals, sole_map, vertex_normals

LENGTH, WIDTH, TOP, AT = 260.0, 80.0, 18.0, 120.0


def surface(height, nx: int = 261, ny: int = 81):
    """Return a mesh over 0..260 by -40..40 that faces down."""
    x, y = np.meshgrid(np.linspace(0, LENGTH, nx), np.linspace(-40, 40, ny), indexing="ij")
    vertices = np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3)
    number = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = (
        i.ravel() for i in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    )
    return vertices, np.concatenate([np.column_stack([a, c, b]), np.column_stack([a, d, c])])


def ridge(x, y):
    """A parabola along x, level across: its top is at x = 120, height 18."""
    return TOP - 0.002 * (x - AT) ** 2 + 0 * y


def test_map_gives_the_heights_of_the_surface():
    sole = sole_map(*surface(ridge))
    x, y = np.array([60.0, 120.5, 200.0]), np.array([-20.0, 0.0, 31.0])
    np.testing.assert_allclose(sole.height(x, y), ridge(x, y), atol=0.1)  # cells of 1 mm


def test_lowest_layer_counts_and_walls_do_not():
    low, faces = surface(lambda x, y: 5.0 + 0 * x)
    high = low + np.array([0, 0, 12.0])
    vertices = np.vstack([low, high])
    sole = sole_map(vertices, np.vstack([faces, faces + len(low)]))
    np.testing.assert_allclose(sole.z[np.isfinite(sole.z)], 5.0, atol=1e-9)
    # a slope of 60 degrees is wall, one of 40 is sole
    steep = surface(lambda x, y: np.tan(np.radians(60)) * y + 100)
    with pytest.raises(ValueError, match="sole is missing"):
        sole_map(*steep)
    assert np.isfinite(sole_map(*surface(lambda x, y: np.tan(np.radians(40)) * y + 100)).z).any()


def test_surface_that_faces_up_is_no_sole():
    vertices, faces = surface(ridge)
    with pytest.raises(ValueError, match="no face looks down"):
        sole_map(vertices, faces[:, ::-1])


def test_apex_of_a_ridge_lies_where_the_formula_says():
    """Smoothing with the variance of a 15 mm mean lowers a parabola by 0.002 x 15^2 / 12."""
    apex = arch_apex(sole_map(*surface(ridge)), LENGTH)
    assert apex.z == pytest.approx(TOP - 0.002 * 15**2 / 12, abs=0.03)
    assert apex.x == pytest.approx(AT, abs=1.0)  # a cell
    assert apex.y == pytest.approx(40 - 0.25 * WIDTH, abs=1.0)
    assert apex.seen == pytest.approx(1.0)
    # within 0.15 mm of the top: 2 sqrt(0.15 / 0.002) = 17.3 mm
    assert apex.plateau == pytest.approx(17.3, abs=2.0)


def test_apex_ahead_of_the_window_is_not_taken():
    """A higher bump under the toes at 85 % of the length is no arch."""

    def bump(x, y):
        return ridge(x, y) + 60 * np.exp(-(((x - 0.85 * LENGTH) / 10) ** 2))

    assert arch_apex(sole_map(*surface(bump)), LENGTH).x == pytest.approx(AT, abs=1.5)


def test_apex_needs_a_third_of_the_window():
    vertices, faces = surface(ridge)
    x = vertices[faces][:, :, 0].mean(axis=1)
    gap = (x > 0.30 * LENGTH) & (x < 0.60 * LENGTH)
    with pytest.raises(ValueError, match="not seen from below"):
        arch_apex(sole_map(vertices, faces[~gap]), LENGTH)


def test_smoothing_neither_fills_nor_shrinks_the_map():
    vertices, faces = surface(lambda x, y: 7.0 + 0 * x)
    middle = vertices[faces].mean(axis=1)
    faces = faces[np.hypot(middle[:, 0] - 130, middle[:, 1]) > 12]
    raw, smooth = sole_map(vertices, faces), sole_map(vertices, faces, smooth_mm=3.0)
    np.testing.assert_array_equal(np.isnan(raw.z), np.isnan(smooth.z))
    np.testing.assert_allclose(smooth.z[np.isfinite(smooth.z)], 7.0, atol=1e-9)


def test_edges_are_the_map_s_width():
    sole = sole_map(*surface(ridge))
    lateral, medial = sole.edges()
    assert np.nanmedian(medial - lateral) == pytest.approx(WIDTH, abs=1.0)


def test_normals_of_a_plane_and_of_a_face_without_area():
    vertices, faces = surface(lambda x, y: 0.5 * x)
    wanted = np.array([0.5, 0, -1.0]) / np.hypot(0.5, 1)
    np.testing.assert_allclose(
        face_normals(vertices, faces), np.tile(wanted, (len(faces), 1)), atol=1e-12
    )
    np.testing.assert_allclose(vertex_normals(vertices, faces)[40], wanted, atol=1e-12)
    assert not face_normals(vertices, np.array([[0, 0, 1]])).any()


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.25])
def test_edge_of_the_sole_does_not_climb_a_noisy_wall(noise):
    """A pipe of radius 40 mm leaves 45 degrees at y = 40 sin 45; an edge off by 4 mm there
    moves the arch line by 1 mm and its height by almost as much."""

    def pipe(x, y):
        return 40 - np.sqrt(np.maximum(40.0**2 - (0.95 * y) ** 2, 0.0)) + 0 * x

    vertices, faces = surface(pipe)  # 1 mm apart: noise of 0.25 mm tips a face by 20 degrees
    rng = np.random.default_rng(2)
    vertices = vertices + vertex_normals(vertices, faces) * (
        noise * rng.standard_normal((len(vertices), 1))
    )
    lateral, medial = sole_map(vertices, faces).edges()
    # z' = tan 45: 0.95^2 y / sqrt(40^2 - (0.95 y)^2) = 1
    wanted = 40 / np.sqrt(0.95**4 + 0.95**2)
    inside = slice(30, -30)
    assert np.median(medial[inside]) == pytest.approx(wanted, abs=2.0)  # two cells
    assert np.median(lateral[inside]) == pytest.approx(-wanted, abs=2.0)


def test_specks_on_the_wall_are_no_sole():
    """Single faces of a wall that happen to look down lie apart from the sole."""
    vertices, faces = surface(lambda x, y: 3.0 + 0 * x)
    speck = np.array([[100.0, 60, 30], [103, 60, 30], [103, 63, 30]])
    together = sole_map(
        np.vstack([vertices, speck]), np.vstack([faces, np.array([[0, 2, 1]]) + len(vertices)])
    )
    assert np.nanmax(together.z) == pytest.approx(3.0)


def test_height_between_cells_is_bilinear_and_nan_beside_a_gap():
    x, y = np.arange(5) * 2.0, np.arange(4) * 2.0
    sole = SoleMap(x=x, y=y, z=3 + 0.5 * x[:, None] - 0.25 * y[None], cell=2.0)
    assert sole.height(3.3, 1.7) == pytest.approx(3 + 0.5 * 3.3 - 0.25 * 1.7)
    assert np.isnan(sole.height(8.1, 1.0))
    sole.z[2, 1] = np.nan
    assert np.isnan(sole.height(3.9, 1.9))
    assert np.isfinite(sole.height(0.5, 5.5))


@pytest.mark.parametrize("step", [1, 3])
def test_apex_does_not_depend_on_the_mesh(step):
    """The same ridge from faces of 1 and of 3 mm: between coarse points the chord lies lower by
    0.002 x 1.5^2 = 0.005 mm at most."""
    fine = arch_apex(sole_map(*surface(ridge)), LENGTH)
    coarse = arch_apex(sole_map(*surface(ridge, 1 + 260 // step, 1 + 80 // step)), LENGTH)
    assert coarse.z == pytest.approx(fine.z, abs=0.03)
    assert coarse.x == pytest.approx(fine.x, abs=3.0)
