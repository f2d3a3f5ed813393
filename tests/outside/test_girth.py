"""Tape girth against the perimeter of an ellipse.

Perimeter 4 a E(1 - b^2 / a^2), complete elliptic integral of the second kind (DLMF 19.30.5, value
from memory); 260.723 mm for semi-axes 50 and 32 mm: CALC.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from footscan.measuring.measures import girth

A, B = 50.0, 32.0


def cylinder(noise: float = 0.0):
    """Return an elliptic cylinder along x, semi-axes A across (y) and B up (z)."""
    count, rows = 720, 81
    angle = np.arange(count) / count * 2 * np.pi
    x = np.linspace(-60, 60, rows)
    ring = np.stack([A * np.cos(angle), B * np.sin(angle)], axis=1)
    vertices = np.column_stack([np.repeat(x, count), np.tile(ring, (rows, 1))])
    rng = np.random.default_rng(0)
    out = vertices[:, 1:] / [A**2, B**2]
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    vertices[:, 1:] += noise * rng.standard_normal((len(vertices), 1)) * out
    i = np.arange(rows - 1)[:, None] * count
    k, after = np.arange(count), (np.arange(count) + 1) % count
    a, b, c, d = ((i + j).ravel() for j in (k, after, after + count, k + count))
    return vertices, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


def around(normal, noise: float = 0.0) -> float:
    return girth(*cylinder(noise), np.zeros(3), np.asarray(normal, dtype=float))


def test_formula_gives_the_published_figure():
    assert 4 * A * special.ellipe(1 - B**2 / A**2) == pytest.approx(260.723, abs=5e-4)


def test_girth_across_an_elliptic_cylinder():
    assert around((1, 0, 0)) == pytest.approx(260.723, rel=1e-3)


def test_girth_in_a_plane_tilted_along_the_long_axis():
    """Turned by 20 degrees about z, the long semi-axis grows to 50 / cos 20: 271.854 mm."""
    tilt = np.radians(20)
    assert around((np.cos(tilt), np.sin(tilt), 0)) == pytest.approx(271.854, rel=1e-3)


def test_noise_does_not_lengthen_the_tape():
    """A raw hull follows the outermost points: 0.3 mm of noise would add several mm."""
    assert around((1, 0, 0), noise=0.3) == pytest.approx(260.723, abs=1.2)


def test_tape_bridges_hollows():
    """A groove along the side: the tape goes straight across it, so the girth does not grow."""
    vertices, faces = cylinder()
    angle = np.arctan2(vertices[:, 2] / B, vertices[:, 1] / A)
    pressed = vertices.copy()
    pressed[:, 1] -= 8.0 * np.cos(np.clip(angle / 0.4, -1, 1) * np.pi / 2) ** 2
    assert girth(pressed, faces, np.zeros(3), np.array([1.0, 0, 0])) < 260.723


def test_open_section_has_no_girth():
    vertices, faces = cylinder()
    low = (vertices[faces][:, :, 2] < 10).all(axis=1)
    with pytest.raises(ValueError, match="section is open"):
        girth(vertices, faces[low], np.zeros(3), np.array([1.0, 0, 0]))
