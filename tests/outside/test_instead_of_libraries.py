"""Our own, where a library takes too long to load or to search, gives what the library gives."""

import io

import numpy as np
import pytest
import shapely
import trimesh
from scipy import signal

from footscan.foot import face_normals, vertex_normals
from insole.output.print.printing import stl_bytes, stl_corners
from insole.planning.support.pad import _tops
from insole.record.rings import way_along


@pytest.mark.parametrize("digits", [0, 1, 6])
def test_tops_are_those_of_find_peaks(digits):
    """Level tops, equal tops and tops at the ends as well."""
    rng = np.random.default_rng(digits)
    for _ in range(300):
        heights = np.round(np.cumsum(rng.normal(size=rng.integers(3, 60))), digits)
        prominence = rng.uniform(0.1, 2.0)
        wanted, _ = signal.find_peaks(heights, prominence=prominence)
        assert _tops(heights, prominence) == wanted.tolist()


def test_way_along_a_ring_is_that_of_shapely():
    """Inside, outside and on its corners; where the ring begins, it ends."""
    rng = np.random.default_rng(1)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 120))
    radius = 30 + 4 * np.cos(3 * angle) + rng.normal(0, 0.3, 120)
    points = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    ring = np.vstack([points, points[:1]])
    places = np.vstack([rng.uniform(-45, 45, (4000, 2)), points])
    way, away = way_along(ring, places)
    line, asked = shapely.LinearRing(ring), shapely.points(places)
    apart = np.abs(way - shapely.line_locate_point(line, asked))
    assert np.minimum(apart, line.length - apart).max() < 1e-11
    assert np.array_equal(away, shapely.distance(line, asked))


def test_an_stl_file_is_that_of_trimesh_and_read_by_it():
    """The same bytes behind the words, normals and all; read back, the same corners."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    vertices, faces = ball.vertices + np.array([3.0, -4.0, 25.0]), np.asarray(ball.faces)
    data = stl_bytes("a ball of ours", vertices, faces)
    theirs = trimesh.Trimesh(vertices, faces, process=False).export(file_type="stl")
    assert data[80:] == theirs[80:]
    assert data[:80] == b"a ball of ours".ljust(80)
    read = trimesh.load_mesh(io.BytesIO(data), file_type="stl", process=False)
    assert np.array_equal(stl_corners(data), np.asarray(read.triangles))
    assert len(stl_corners(data[:-1])) == len(stl_corners(data[:81])) == 0


def test_normals_are_those_of_cross_products():
    """To the last bit, for each face and for what its corners are given."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    vertices, faces = np.asarray(ball.vertices), np.asarray(ball.faces)
    faces = np.vstack([faces, [0, 0, 1]])  # a face without area has no normal
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = np.cross(b - a, c - a)
    size = np.sqrt(area[:, 0] ** 2 + (area[:, 1] ** 2 + area[:, 2] ** 2))
    assert np.array_equal(face_normals(vertices, faces)[:-1], area[:-1] / size[:-1, None])
    assert np.array_equal(face_normals(vertices, faces)[-1], np.zeros(3))
    total = np.zeros_like(vertices)
    np.add.at(total, faces, area[:, None].repeat(3, axis=1))
    total /= np.linalg.norm(total, axis=1)[:, None]
    assert np.allclose(vertex_normals(vertices, faces), total, rtol=0, atol=1e-14)
