"""The parts of the scan check against surfaces known by formula."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh

from footscan.foot import SoleMap
from footscan.quality import (
    mesh as quality_mesh,
)
from footscan.quality import (
    shape as quality_shape,
)
from footscan.quality import (
    surface as quality_surface,
)
from footscan.quality import (
    toes as quality_toes,
)
from footscan.quality import (
    view as quality_view,
)


def sheet(nx: int = 60, ny: int = 40, step: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """Return a flat grid that looks up."""
    x, y = np.meshgrid(np.arange(nx) * step, np.arange(ny) * step, indexing="ij")
    index = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = (
        k.ravel() for k in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(nx * ny)]), faces


def sole(height) -> SoleMap:
    x, y = np.arange(0.0, 261.0), np.arange(-45.0, 46.0)
    return SoleMap(x=x, y=y, z=height(*np.meshgrid(x, y, indexing="ij")), cell=1.0)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_lines_meet_a_sphere_where_its_formula_says(axis):
    ball = trimesh.creation.icosphere(subdivisions=5, radius=30.0)
    hits = quality_view.cast(
        np.asarray(ball.vertices), np.asarray(ball.faces), axis, np.array([-31.0, -30.7]), 2.0
    )
    u, v = (hits.line * 2.0 + [-31.0, -30.7]).T
    # the chord of faces with edges of 1.5 mm lies up to 0.01 mm inside, more where lines graze
    steep = np.abs(hits.facing) > 0.3
    wanted = np.sign(hits.facing) * np.sqrt(np.clip(900 - u**2 - v**2, 0, None))
    assert np.allclose(hits.height[steep], wanted[steep], atol=0.05)
    assert np.allclose(hits.facing[steep], hits.height[steep] / 30.0, atol=0.03)
    lines, count = np.unique(hits.line, axis=0, return_counts=True)
    assert (count == 2).mean() > 0.97  # in and out; a line through a corner meets more faces
    assert len(lines) == pytest.approx(np.pi * 900 / 4, rel=0.02)


def test_a_plane_is_met_once_by_every_line_over_it():
    vertices, faces = sheet()
    slope = np.column_stack([vertices[:, :2], 0.3 * vertices[:, 0]])
    hits = quality_view.cast(slope, faces, 2, np.array([0.4, 0.63]), 1.0)
    assert len(np.unique(hits.line, axis=0)) == len(hits.line) == 89 * 58
    assert np.allclose(hits.height, 0.3 * (hits.line[:, 0] + 0.4))
    assert np.allclose(hits.facing, 1 / np.sqrt(1.09))


@pytest.mark.parametrize("wavelength", [6.0, 10.0, 18.0])
@pytest.mark.parametrize("amplitude", [0.5, 1.5])
def test_ripple_is_found_with_its_amplitude(wavelength, amplitude):
    """On a bent, sloping sole; the window and the coarse spectrum lose up to a fifth."""

    def height(x, y):
        along = 0.8 * x + 0.6 * y
        bend = 3e-4 * (x - 130) ** 2 + 2e-3 * y**2 + 0.05 * x
        return bend + amplitude * np.sin(2 * np.pi * along / wavelength)

    found = quality_surface.wave_height(sole(height), 260.0)
    assert 0.8 * amplitude < found < 1.1 * amplitude


def test_no_ripple_in_bends_and_noise():
    rng = np.random.default_rng(0)
    bent = sole(lambda x, y: 3e-4 * (x - 130) ** 2 + 2e-3 * y**2 + rng.normal(0, 0.3, x.shape))
    assert quality_surface.wave_height(bent, 260.0) < 0.1
    assert quality_surface.wave_height(sole(lambda x, y: 0 * x), 260.0) == 0.0


def test_patches_leave_a_quadric_without_residual():
    rng = np.random.default_rng(1)
    plan = rng.uniform(-40, 40, (3000, 2))
    points = np.column_stack([plan, 0.01 * plan[:, 0] ** 2 - 0.004 * plan[:, 0] * plan[:, 1]])
    fits = quality_surface.patches(points, 1.5)
    # a quadric over a turned plane differs from one over the plan by its square: 1e-3 mm
    assert np.abs(fits.residual).max() < 0.02
    assert quality_surface.noise_mm(points, 1.5) < 0.002


def test_edges_count_rim_and_turned_faces():
    vertices, faces = sheet(8, 6)
    edges = quality_view._edges(faces, len(vertices))
    assert len(edges.rim) == 2 * (7 + 5)
    assert edges.shared == (3 * len(faces) - len(edges.rim)) / 2
    assert edges.turned == 0
    inner = 3 * 5 + 2  # a face with three neighbours
    turned = faces.copy()
    turned[inner] = turned[inner][::-1]
    assert quality_view._edges(turned, len(vertices)).turned == 3


def test_faces_with_a_corner_twice_are_no_rim_and_turn_nothing():
    """Exporters that merge points leave such faces behind; they have no edges of their own."""
    faces = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]])
    folded = np.concatenate([faces, [[0, 0, 1], [2, 3, 3], [1, 2, 1]]])
    edges = quality_view._edges(folded, 4)
    assert (len(edges.rim), edges.turned, edges.shared) == (0, 0, 6)


def test_edge_cuts_are_those_of_two_triangles():
    flat = np.array([[[0.0, 0, 0], [2, 0, 0], [0, 2, 0]]])
    through = np.array([[[0.5, 0.5, -1.0], [0.5, 0.5, 1], [3, 3, 1]]])
    beside = through + np.array([5.0, 0, 0])
    above = np.array([[[0.5, 0.5, 0.1], [0.5, 0.5, 1], [3, 3, 1]]])
    assert quality_mesh._edge_cuts(through, flat).tolist() == [True]
    assert quality_mesh._edge_cuts(beside, flat).tolist() == [False]
    assert quality_mesh._edge_cuts(above, flat).tolist() == [False]


def test_doubled_faces_are_counted_whatever_their_order():
    _, faces = sheet(11, 6)
    again = np.concatenate([faces, faces[:25][:, [1, 2, 0]]])
    assert quality_mesh._doubled_faces(faces, 66) == 0.0
    assert quality_mesh._doubled_faces(again, 66) == pytest.approx(100 * 25 / 125)


def test_an_ellipsoid_is_its_own_mirror_image_and_a_foot_is_not(flat_specimen):
    body = trimesh.creation.icosphere(subdivisions=5)
    body.apply_scale([130, 45, 25])
    assert quality_shape._symmetry(np.asarray(body.vertices)) == 1.0
    assert quality_shape._symmetry(np.asarray(flat_specimen.vertices)) < 0.5


def test_clefts_are_the_valleys_between_ridges():
    x, y = np.linspace(0.74, 1.0, 70), np.linspace(-0.5, 0.5, 100)
    ridges = 20 + 4 * np.cos(2 * np.pi * 5 * y)  # tops at 0, +-0.2, +-0.4: four valleys between
    roof = np.repeat(ridges[None], 70, axis=0)
    assert quality_toes.clefts(x, y, roof, roof - 15) == 4.0
    flat = np.full_like(roof, 20.0)
    assert quality_toes.clefts(x, y, flat, flat - 15) == 0.0


@pytest.mark.parametrize("degrees", [0.0, 10.0, 25.0])
def test_lift_is_the_angle_of_a_straight_toe(degrees):
    x, y = np.arange(0.74, 1.0, 1 / 260), np.linspace(-0.5, 0.5, 100)
    rise = np.tan(np.radians(degrees)) * (x - quality_toes.HEAD) * 260
    floor = np.repeat(rise[:, None], 100, axis=1)
    found = quality_toes.lift(x, y, floor + 20, floor)
    assert found == pytest.approx(degrees, abs=0.1)


def test_no_toes_no_word_about_them():
    x, y = np.linspace(0.74, 1.0, 70), np.linspace(-0.5, 0.5, 100)
    nothing = np.full((70, 100), np.nan)
    for one in (quality_toes.lift, quality_toes.curl, quality_toes.clefts):
        assert one(x, y, nothing, nothing) is None


@pytest.mark.parametrize(("where", "share"), [("heel", 0.1), ("arch", 0.4), ("ball", 0.7)])
def test_the_noisiest_zone_is_judged_and_named(where, share):
    """A scan that is clean elsewhere is no better for it."""
    rng = np.random.default_rng(4)
    at = np.repeat([[0.1, 0.0, 0.0], [0.4, 0.0, 0.0], [0.7, 0.0, 0.0]], 40, axis=0) * 250.0
    noise = np.where(np.isclose(at[:, :1], share * 250.0), 0.9, 0.1)
    fits = quality_surface.Patches(at=at, residual=noise * rng.standard_normal((120, 24)))
    view = SimpleNamespace(foot=SimpleNamespace(length=250.0))
    (found,) = quality_surface._noise(view, fits)
    assert (found.code, found.region) == ("noise", where)
    assert found.value == pytest.approx(0.9 / quality_surface.FIT_LOSS, rel=0.1)
    assert found.text.startswith(f"Noise on the {where} is ")
