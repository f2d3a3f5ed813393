"""What all formats of scans share: content before extension, joining, dropping, shots."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from footscan import reading
from tests.scan_files import (
    FACES,
    MESH,
    NORMALS,
    VERTICES,
    assert_same_mesh,
    assert_same_triangles,
    lines,
    ply,
)


@pytest.mark.parametrize("wrong", [".stl", ".ply", ".obj", ".3mf", ".xyz", ".jpg", ""])
@pytest.mark.parametrize("kind", ["ply", "stl", "stl_ascii", "obj", "off", "3mf", "glb"])
def test_content_decides_before_the_extension(put, kind, wrong):
    scan = reading.read([put(f"foot{wrong}", MESH.export(file_type=kind))])
    assert scan.format == kind.partition("_")[0]
    assert len(scan.faces) == len(FACES)


def test_a_binary_stl_whose_title_says_solid(put):
    data = MESH.export(file_type="stl")
    assert_same_triangles(
        reading.read([put("a.stl", b"solid foot facet".ljust(80) + data[80:])]), "stl"
    )


def test_zeros_after_the_last_triangle_of_an_stl_are_padding(put):
    data = MESH.export(file_type="stl") + bytes(432)
    assert_same_triangles(reading.read([put("a.stl", data)]), "stl")


def test_long_texts_are_read_piece_by_piece(put, monkeypatch):
    from footscan.reading import raw as _raw

    monkeypatch.setattr(_raw, "CHUNK_BYTES", 7)
    assert_same_mesh(reading.read([put("a.ply", ply(order=""))]), "ply")


def test_split_vertices_are_joined_and_minus_zero_is_zero(put):
    vertices = np.vstack([VERTICES, VERTICES])
    vertices[162:][vertices[162:] == 0.0] = -0.0
    assert np.signbit(vertices[vertices == 0.0]).any()
    faces = np.vstack([FACES[::2], FACES[1::2] + 162])
    scan = reading.read([put("a.ply", ply(vertices, faces))])
    assert_array_equal(scan.vertices, VERTICES)
    assert_array_equal(scan.faces, np.vstack([FACES[::2], FACES[1::2]]))


def test_joining_stays_exact_when_the_keys_clash(monkeypatch):
    """With a key that is the same for all, the slower sort must give the same answer."""
    from footscan.reading import raw as _raw

    points = np.random.default_rng(4).integers(-3, 3, size=(400, 3)).astype(float)
    keep, place = _raw.merge_equal(points)
    _, first = np.unique(points, axis=0, return_index=True)
    assert_array_equal(keep, np.sort(first))
    assert_array_equal(points[keep][place], points)
    same = np.zeros((400, 1))
    original = _raw._first_of_each
    calls = []

    def clash(order: np.ndarray, keys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        calls.append(keys.shape)
        return original(order, same if keys.shape[1] == 1 else keys)

    monkeypatch.setattr(_raw, "_first_of_each", clash)
    again = _raw.merge_equal(points)
    assert calls == [(400, 1), (400, 3)]
    assert_array_equal(again[0], keep)
    assert_array_equal(again[1], place)


def test_bare_points_are_not_joined(put):
    assert len(reading.read([put("a.xyz", lines() + lines())]).vertices) == 324


def test_points_that_are_not_finite_are_dropped_with_their_faces(put):
    vertices = VERTICES.copy()
    vertices[3, 1] = np.nan
    vertices[10, 2] = np.inf
    vertices[20] = 1e30  # a scanner's mark for nothing seen
    scan = reading.read([put("a.ply", ply(vertices))])
    good = np.setdiff1d(np.arange(162), [3, 10, 20])
    assert scan.dropped == 3
    assert_array_equal(scan.vertices, VERTICES[good])
    whole = FACES[~np.isin(FACES, [3, 10, 20]).any(axis=1)]
    assert_array_equal(scan.vertices[scan.faces], VERTICES[whole])


def test_dropped_points_take_their_normals_along(put):
    values = np.hstack([VERTICES, NORMALS])
    values[5, 0] = np.nan
    scan = reading.read([put("a.csv", "x,y,z,nx,ny,nz\n" + lines(",", values=values))])
    assert scan.dropped == 1
    assert_allclose(scan.normals, np.delete(NORMALS, 5, axis=0), atol=2e-6)


def test_several_shots_are_put_one_after_the_other(put):
    first = put("a.ply", ply())
    second = put("b.stl", MESH.copy().apply_translation([1, 0, 0]).export(file_type="stl"))
    scan = reading.read([first, str(second)])
    assert scan.files == ("a.ply", "b.stl")
    assert scan.format == "ply"
    assert scan.sha256 == hashlib.sha256(first.read_bytes() + second.read_bytes()).hexdigest()
    assert_array_equal(scan.vertices[:162], VERTICES)
    assert_array_equal(
        scan.vertices[scan.faces], np.vstack([VERTICES[FACES], VERTICES[FACES] + [1, 0, 0]])
    )


def test_one_path_is_as_good_as_a_list_of_one(put):
    path = put("a.ply", ply())
    assert_same_mesh(reading.read(path), "ply")
    assert_same_mesh(reading.read(str(path)), "ply")


def test_no_path_is_a_slip_of_the_caller():
    with pytest.raises(ValueError, match="paths needs at least one file"):
        reading.read([])
