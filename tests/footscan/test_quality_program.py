"""What a scanner's program did to a scan: smoothed over, floor left under it, flaps of skin."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from footscan.finding import surfacing
from footscan.foot import vertex_normals
from footscan.quality import shape
from footscan.quality.smoothing import rounded_mm
from footscan.scan import Side
from tests import fault_makers as put


@pytest.fixture(scope="module")
def smoothed(flat_specimen):
    """Return a function that gives scans of one foot after so many rounds."""

    def make(rounds: int, points: int = 12_000):
        spec = replace(put.base_spec(np.random.default_rng(1)), points=points, noise=0.1)
        made = put.smoothed(flat_specimen, spec, float(rounds), np.random.default_rng(2))
        return made.scan.vertices, made.scan.faces

    return make


def test_blur_of_a_mesh_is_told_from_its_points_alone(smoothed):
    """Diffusion: four times the rounds blur twice as far; a scan as it is lies below the limit."""
    assert rounded_mm(*smoothed(0)) < 1.6
    once, more = rounded_mm(*smoothed(20)), rounded_mm(*smoothed(80))
    assert once > 2.7
    assert more / once == pytest.approx(2.0, rel=0.35)
    assert more > 4.5


def test_a_few_rounds_against_noise_are_no_blur(smoothed):
    assert rounded_mm(*smoothed(1)) < 2.7


def test_real_scans_are_not_taken_for_smoothed(data_dir):
    import trimesh

    for name, unit in (("real_pair/left_foot.stl", 1000.0), ("model_feet/mean_L.ply", 1.0)):
        mesh = trimesh.load(data_dir / name, force="mesh")
        assert rounded_mm(np.array(mesh.vertices) * unit, np.array(mesh.faces)) < 1.6


def test_too_few_points_tell_nothing_of_smoothing(smoothed):
    vertices, faces = smoothed(0)
    assert rounded_mm(vertices, faces[:200]) is None
    assert rounded_mm(vertices, faces[:0]) is None


def sheet(x: tuple[float, float], y: tuple[float, float], *, down: bool):
    """Return a level sheet just above the ground."""
    gx, gy = np.meshgrid(np.arange(*x, 2.0), np.arange(*y, 2.0), indexing="ij")
    n, m = gx.shape
    index = np.arange(n * m).reshape(n, m)
    a, b, c, d = (
        k.ravel() for k in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    vertices = np.column_stack([gx.ravel(), gy.ravel(), np.full(n * m, 0.2)])
    assert vertex_normals(vertices, faces)[0, 2] > 0
    return vertices, faces[:, ::-1] if down else faces


def with_sheet(foot, x, y, *, down=True):
    vertices, faces = sheet(x, y, down=down)
    return replace(
        foot,
        vertices=np.concatenate([foot.vertices, vertices]),
        faces=np.concatenate([foot.faces, faces + len(foot.vertices)]),
    )


def test_floor_under_and_beside_the_midfoot_is_counted_in_square_centimetres(clean):
    """Under the arch as far as the sole stands off it; beside the foot all of it."""
    foot, length = clean.foot, clean.foot.length
    assert shape._sheet(SimpleNamespace(foot=foot)) < 0.3
    x, y = (0.40 * length, 0.52 * length), (0.0, 24.0)
    x_in, y_in = (k.ravel() for k in np.meshgrid(np.arange(*x), np.arange(*y)))
    away = foot.sole.height(x_in, y_in) > 0.2 + shape.SHEET_GAP_MM
    under = shape._sheet(SimpleNamespace(foot=with_sheet(foot, x, y)))
    assert under == pytest.approx(away.sum() / 100.0, rel=0.2)
    assert under > 3.0
    side = float(foot.vertices[foot.vertices[:, 2] > shape.WALL_MM, 1].max()) + 8.0
    beside = shape._sheet(SimpleNamespace(foot=with_sheet(foot, x, (side, side + 30.0))))
    assert beside == pytest.approx(0.12 * length * 30.0 / 100.0, rel=0.15)


def test_floor_that_looks_up_is_counted_once(clean):
    length = clean.foot.length
    foot = with_sheet(clean.foot, (0.40 * length, 0.52 * length), (0.0, 24.0), down=False)
    assert shape._sheet(SimpleNamespace(foot=foot)) < 0.3
    assert shape._floor_left(SimpleNamespace(foot=foot)) > 5.0


def test_surface_ends_where_points_end_and_bridges_what_lies_between():
    """A strip of 20 by 4 faces: points under it but for a gap amid it and a flap at its end."""
    _, faces = sheet((0.0, 42.0), (0.0, 10.0), down=False)
    x = np.repeat(np.arange(0.0, 42.0, 2.0), 5)
    y = np.tile(np.arange(0.0, 10.0, 2.0), 21)
    gap = (x > 14) & (x < 20) & (y > 1) & (y < 7)
    flap = x > 34
    kept = np.unique(surfacing._peeled(faces, gap | flap))
    assert gap[kept].sum() == gap.sum()
    assert x[kept].max() == 34.0
    assert x[kept].min() == 0.0


def test_side_is_no_matter(hanging):
    """Left feet are mirrored before anything of this is asked."""
    assert hanging.foot.side is Side.LEFT
    assert shape._sheet(SimpleNamespace(foot=hanging.foot)) < 0.3
