"""What a page draws of a dense scan: few enough, close to the scan, a mesh still a mesh."""

from __future__ import annotations

import builtins

import numpy as np
import pytest
import trimesh

from footscan import thinning

BALL = trimesh.creation.icosphere(subdivisions=5, radius=40.0)  # 20 480 faces
BARE = np.zeros((0, 3), dtype=np.int64)


def test_a_dense_mesh_stays_a_closed_ball_of_fewer_faces():
    vertices, faces = thinning.thinned(BALL.vertices, BALL.faces, most_faces=5000, most_points=900)
    assert 1500 < len(faces) <= 5000
    mesh = trimesh.Trimesh(vertices, faces)
    assert mesh.is_watertight
    assert np.linalg.norm(vertices, axis=1) == pytest.approx(40.0, abs=1.0)
    assert mesh.volume == pytest.approx(4 / 3 * np.pi * 40.0**3, rel=0.02)  # outward as before


def test_a_dense_cloud_is_thinned_evenly():
    points, faces = thinning.thinned(BALL.vertices, BARE, most_faces=9, most_points=900)
    assert len(faces) == 0
    assert 200 < len(points) <= 900
    assert np.linalg.norm(points, axis=1) == pytest.approx(40.0, abs=1.0)
    octants = np.unique(points > 0, axis=0, return_counts=True)[1]
    assert len(octants) == 8
    assert octants.max() < 1.5 * octants.min()


def test_what_is_small_enough_comes_back_as_it_is():
    few = thinning.thinned(BALL.vertices, BALL.faces, most_faces=30_000, most_points=10)
    assert np.array_equal(few[0], BALL.vertices)
    assert np.array_equal(few[1], BALL.faces)


def test_without_the_library_a_dense_mesh_is_shown_as_points(monkeypatch):
    usual = builtins.__import__

    def without(name, *more, **names):
        if name == "open3d":
            raise ImportError("libGL.so.1: cannot open shared object file")
        return usual(name, *more, **names)

    monkeypatch.setattr(builtins, "__import__", without)
    points, faces = thinning.thinned(BALL.vertices, BALL.faces, most_faces=99, most_points=900)
    assert len(faces) == 0
    assert len(points) <= 900
