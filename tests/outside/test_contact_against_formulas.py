"""The contact model against closed forms of the elastic foundation.

Sources: K. L. Johnson, Contact Mechanics, 1985, section 4.3 (value from memory, MEM+) for the
foundation itself; the loads of sphere and cylinder, and P = k x penetrated volume for any shape,
were computed independently of this project (tag CALC). On a 1 mm grid the load may be off by
0.5 % and the contact radius by 2 %; finer grids must come closer.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.planning.contact.springs import layers_in_series, press, winkler

K, R, D = 0.05, 30.0, 2.0  # N/mm3, mm, mm


def grid(cell: float, half: float = 20.0) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """Return x, y on a grid that is not centred on the body, and the grid's origin."""
    n = round(half / cell)
    along = cell * np.arange(-n, n + 1) + 0.31 * cell
    x, y = np.meshgrid(along, along, indexing="ij")
    return x, y, (float(along[0]), float(along[0]))


def paraboloid(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return (x**2 + y**2) / (2 * R)


def cap(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return R - np.sqrt(R**2 - x**2 - y**2)


# name, body, load at d = 2 mm, contact radius
SPHERES = [
    ("paraboloid", paraboloid, 18.850, 10.954),
    ("exact sphere", cap, 18.431, 10.770),
]


@pytest.mark.parametrize(("name", "body", "load", "radius"), SPHERES)
def test_sphere_on_springs(name, body, load, radius):
    """Load for a sink of 2 mm, radius and peak (k d = 100 kPa), all tag CALC."""
    x, y, origin = grid(1.0)
    found = press(body(x, y), 1.0, K, load, (0.0, 0.0), origin=origin)
    # P grows as d^2, so 0.5 % of load is 0.25 % of sink
    assert found.sink == pytest.approx(D, rel=0.0025)
    assert math.sqrt(found.area * 100 / math.pi) == pytest.approx(radius, rel=0.02)
    assert found.peak == pytest.approx(100.0, rel=0.005)


@pytest.mark.parametrize(("name", "body", "load", "radius"), SPHERES)
def test_force_of_a_given_sink(name, body, load, radius):
    """The same the other way: force of the springs at just this sink, 0.5 % at 1 mm."""
    x, y, _ = grid(1.0)
    pushed = np.maximum(D - body(x, y), 0.0)
    assert K * pushed.sum() == pytest.approx(load, rel=0.005)


def test_sphere_inverse():
    """100 N on the paraboloid sink 4.607 mm (tag CALC)."""
    x, y, origin = grid(1.0, half=26.0)
    found = press(paraboloid(x, y), 1.0, K, 100.0, (0.0, 0.0), origin=origin)
    assert found.sink == pytest.approx(4.607, rel=0.0025)


@pytest.mark.parametrize(("name", "body", "load", "radius"), SPHERES)
def test_finer_grids_come_closer(name, body, load, radius):
    """Errors over several placements of the grid, worst of each; 4 mm against 1 and 0.5 mm.

    The load given here is rounded to 0.001 N: 3e-5 of sink stays whatever the grid.
    """
    worst = []
    for cell in (4.0, 1.0, 0.5):
        errors = []
        for shift in (0.0, 0.2, 0.45):
            x, y, origin = grid(cell, half=16.0)
            moved = press(
                body(x + shift * cell, y), cell, K, load, (-shift * cell, 0.0), origin=origin
            )
            errors.append(abs(moved.sink - D) / D)
        worst.append(max(errors))
    assert worst[1] < worst[0]
    assert worst[2] < max(worst[1], 1e-4)
    assert worst[2] < 5e-4


@pytest.mark.parametrize(
    ("name", "profile", "per_mm"),
    [
        ("paraboloid", lambda y: y**2 / (2 * R), 1.4606),
        ("exact", lambda y: R - np.sqrt(R**2 - y**2), 1.4459),
    ],
)
def test_cylinder_on_springs(name, profile, per_mm):
    """Load per mm of length at d = 2 mm (tag CALC); P grows as d^1.5."""
    x, y, origin = grid(1.0)
    length = x.shape[0] * 1.0
    middle = float(x.mean())
    found = press(profile(y), 1.0, K, per_mm * length, (middle, 0.0), origin=origin)
    assert found.sink == pytest.approx(D, rel=0.005 / 1.5)
    half_width = math.sqrt(2 * R * D - (D**2 if name == "exact" else 0.0))
    assert found.area * 100 / length / 2 == pytest.approx(half_width, rel=0.02 + 0.5 / half_width)


def test_load_is_stiffness_times_penetrated_volume_for_any_shape():
    """Identity of vertical springs (tag CALC), volume by another library's mesh boolean."""
    import trimesh

    rng = np.random.default_rng(5)
    x, y, origin = grid(0.5, half=15.0)
    gap = 0.0 * x
    for _ in range(6):
        (cx, cy), width = rng.uniform(-10, 10, 2), rng.uniform(3, 7)
        gap = gap - rng.uniform(0.5, 2) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / width**2)
    found = press(gap, 0.5, K, 12.0, (0.5, -0.5), (0.0, 0.0), origin=origin)
    n, m = gap.shape
    index = np.arange(n * m).reshape(n, m)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (a, d, c))])
    bottom = np.column_stack([x.ravel(), y.ravel(), gap.ravel()])
    lid = bottom * [1, 1, 0] + [0, 0, 5.0]
    ring = np.concatenate([index[0, :], index[1:, -1], index[-1, -2::-1], index[-2:0:-1, 0]])
    nxt = np.roll(ring, -1)
    sides = np.concatenate(
        [
            np.column_stack([ring, ring + n * m, nxt]),
            np.column_stack([nxt, ring + n * m, nxt + n * m]),
        ]
    )
    body = trimesh.Trimesh(
        np.concatenate([bottom, lid]), np.concatenate([faces, faces[:, ::-1] + n * m, sides])
    )
    if body.volume < 0:
        body.invert()
    assert body.is_watertight
    below = body.slice_plane([0, 0, found.sink], [0, 0, -1], cap=True, engine="manifold")
    assert K * below.volume == pytest.approx(12.0, rel=0.005)


def test_layers_in_series():
    """Tissue 0.3 MPa, 18 mm on pad 1.5 MPa, 6 mm: 0.015625 N/mm3; 50 kPa gives 3.20 mm (CALC)."""
    tissue, pad = winkler(0.3, 18.0), winkler(1.5, 6.0)
    assert tissue == pytest.approx(0.016667, abs=5e-7)
    assert pad == pytest.approx(0.25)
    both = float(layers_in_series(tissue, pad))
    assert both == pytest.approx(0.015625, rel=1e-9)
    flat = np.zeros((40, 30))
    found = press(flat, 1.0, both, 0.050 * flat.size, (19.5, 14.5))
    assert found.sink == pytest.approx(3.20, abs=1e-6)
    assert found.peak == pytest.approx(50.0)
    assert found.pressure == pytest.approx(np.full(flat.shape, 50.0))


@pytest.mark.parametrize(
    ("nu", "factor"),
    [(0.0, 1.0), (0.1, 1.0227), (0.2, 1.1111), (0.3, 1.3462), (0.4, 2.1429), (0.45, 3.7931)],
)
def test_confined_layer_factor(nu, factor):
    """(1 - nu) / ((1 + nu)(1 - 2 nu)), table computed elsewhere (tag CALC), four decimals."""
    assert winkler(2.0, 4.0, nu) / winkler(2.0, 4.0) == pytest.approx(factor, abs=5.1e-5)


def test_mean_pressure_of_standing():
    """75 kg on two feet of 110 cm2 each: 33.4 kPa (tag CALC)."""
    flat = np.zeros((110, 100))
    found = press(flat, 1.0, K, 75 * 9.80665 / 2, (54.5, 49.5))
    assert found.area == pytest.approx(110.0)
    assert np.nanmean(found.pressure) == pytest.approx(33.4, abs=0.05)
