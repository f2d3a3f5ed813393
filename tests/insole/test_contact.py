"""The contact model: balance, laws that need no formula, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from insole.errors import PlanError
from insole.planning.contact.springs import Contact, layers_in_series, press, winkler

CELL = 2.0
K = 0.02


def sole(seed: int = 0, n: int = 60, m: int = 26) -> np.ndarray:
    """Return a foot-like gap map: rounded border, a hollow on one side, some roughness."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, m), indexing="ij")
    gap = 3 * x**4 + 4 * y**4 + 9 * np.exp(-((x + 0.1) ** 2) / 0.15) * np.clip(y + 0.4, 0, None)
    gap += 0.2 * rng.standard_normal(gap.shape)
    gap[(x / 1.02) ** 4 + (y / 1.02) ** 4 > 1] = np.nan
    return gap


def centre_of(gap: np.ndarray) -> tuple[float, float]:
    return (CELL * (gap.shape[0] - 1) / 2, CELL * (gap.shape[1] - 1) / 2)


def force_and_centre(found: Contact) -> tuple[float, float, float]:
    """Return load and its centre from the pressure map alone."""
    force = np.nan_to_num(found.pressure) / 1000 * CELL * CELL
    x, y = np.meshgrid(*(CELL * np.arange(n) for n in force.shape), indexing="ij")
    total = force.sum()
    return total, (force * x).sum() / total, (force * y).sum() / total


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 50),
    load=st.floats(5, 3000),
    along=st.floats(-0.4, 0.4),
    across=st.floats(-0.3, 0.3),
)
def test_force_and_moments_balance_to_a_thousandth(seed, load, along, across):
    gap = sole(seed)
    middle = centre_of(gap)
    where = (middle[0] * (1 + along), middle[1] * (1 + across))
    found = press(gap, CELL, K, load, where)
    total, x, y = force_and_centre(found)
    assert total == pytest.approx(load, rel=1e-3)
    assert (x, y) == pytest.approx(where, abs=1e-3 * CELL * gap.shape[0])
    assert found.load == pytest.approx(load, rel=1e-3)
    assert found.centre == pytest.approx(where, abs=0.1)
    assert np.nanmin(found.pressure) >= 0


@pytest.mark.parametrize("load", [50.0, 400.0])
def test_a_mirrored_map_gives_the_mirrored_pressure(load):
    gap = sole(3)
    middle = centre_of(gap)
    here = press(gap, CELL, K, load, (middle[0] + 8, middle[1] + 4))
    there = press(gap[:, ::-1], CELL, K, load, (middle[0] + 8, middle[1] - 4))
    assert there.pressure[:, ::-1] == pytest.approx(here.pressure, abs=1e-4, nan_ok=True)
    assert there.tilt_y == pytest.approx(-here.tilt_y, abs=1e-6)
    assert there.tilt_x == pytest.approx(here.tilt_x, abs=1e-6)
    assert there.area == here.area


def test_height_datum_and_stiffness_scale_drop_out():
    gap, middle = sole(), centre_of(sole())
    here = press(gap, CELL, K, 300, middle)
    raised = press(gap + 17.0, CELL, K, 300, middle)
    assert raised.sink == pytest.approx(here.sink + 17.0, abs=1e-5)
    assert raised.pressure == pytest.approx(here.pressure, abs=1e-3, nan_ok=True)
    harder = press(gap, CELL, 3 * K, 900, middle)
    assert harder.sink == pytest.approx(here.sink, abs=1e-5)
    assert harder.peak == pytest.approx(3 * here.peak, rel=1e-5)


def test_a_tilted_bed_is_met_by_the_same_tilt_and_the_same_pressure():
    """A plane added to the gap turns the sole by just that plane (small angles are exact here)."""
    gap, middle = sole(), centre_of(sole())
    y = CELL * np.arange(gap.shape[1])[None, :]
    flat = press(gap, CELL, K, 300, middle)
    tilted = press(gap + np.tan(np.radians(2.0)) * (y - middle[1]), CELL, K, 300, middle)
    assert tilted.pressure == pytest.approx(flat.pressure, abs=1e-3, nan_ok=True)
    slope = np.tan(np.radians(flat.tilt_y)) - np.tan(np.radians(2.0))
    assert np.tan(np.radians(tilted.tilt_y)) == pytest.approx(slope, abs=1e-6)


def test_the_sole_tilts_towards_the_load():
    """Signs: + toes up, + medial side up; a load ahead and medial presses both down."""
    flat = np.zeros((40, 30))
    middle = centre_of(flat)
    found = press(flat, CELL, K, 100, (middle[0] + 4, middle[1] + 3))
    assert found.tilt_x < 0
    assert found.tilt_y < 0
    # rigid rectangle with the load inside its core: p = F/A (1 + 12 e_x x / L^2 + ...)
    k_area = K * CELL**2 * flat.size
    second = K * CELL**2 * 30 * np.sum((CELL * np.arange(40) - middle[0]) ** 2)
    assert found.sink == pytest.approx(
        100 / k_area * (1 + 4 * 4 * k_area / second + 9 * k_area / _second_y(flat, middle)),
        rel=1e-6,
    )
    assert np.tan(np.radians(-found.tilt_x)) == pytest.approx(100 * 4 / second, rel=1e-6)


def _second_y(flat: np.ndarray, middle: tuple[float, float]) -> float:
    n, m = flat.shape
    return K * CELL**2 * n * float(np.sum((CELL * np.arange(m) - middle[1]) ** 2))


def test_held_tilt_balances_the_force_alone_and_reports_the_centre():
    gap, middle = sole(), centre_of(sole())
    free = press(gap, CELL, K, 300, middle)
    held = press(gap, CELL, K, 300, middle, (free.tilt_x, free.tilt_y))
    assert held.centre == pytest.approx(middle, abs=1e-3)
    assert held.pressure == pytest.approx(free.pressure, abs=1e-2, nan_ok=True)
    level = press(gap, CELL, K, 300, middle, (0.0, 0.0))
    assert (level.tilt_x, level.tilt_y) == (0.0, 0.0)
    assert level.load == pytest.approx(300, rel=1e-9)
    assert level.centre != pytest.approx(middle, abs=0.5)


def test_peak_area_and_shares():
    gap, middle = sole(), centre_of(sole())
    front = np.zeros(gap.shape, dtype=bool)
    front[gap.shape[0] // 2 :] = True
    found = press(gap, CELL, K, 400, middle, regions={"front": front, "rear": ~front})
    assert found.shares["front"] + found.shares["rear"] == pytest.approx(1.0)
    force = np.nan_to_num(found.pressure)
    assert found.shares["front"] == pytest.approx(force[front].sum() / force.sum())
    assert found.peak == np.nanmax(found.pressure)
    assert found.area == pytest.approx((force > 0).sum() * CELL**2 / 100)


def test_a_raised_spot_takes_more_of_the_load():
    gap, middle = sole(), centre_of(sole())
    spot = np.zeros(gap.shape, dtype=bool)
    spot[20:30, 14:20] = True
    before = press(gap, CELL, K, 400, middle, regions={"arch": spot})
    after = press(gap - 3.0 * spot, CELL, K, 400, middle, regions={"arch": spot})
    assert after.shares["arch"] > before.shares["arch"]


def test_a_centre_off_the_sole_is_refused_with_the_nearest_point():
    """A rectangle from 0 to 40 by 0 to 20 mm, half a cell of margin."""
    flat = np.zeros((21, 11))
    with pytest.raises(PlanError, match=r"60\.0, 10\.0 mm lies outside .* is 39\.0, 10\.0 mm"):
        press(flat, CELL, K, 100, (60.0, 10.0))
    near = press(flat, CELL, K, 100, (39.0, 10.0))
    assert near.centre == pytest.approx((39.0, 10.0), abs=1e-3)
    with pytest.raises(PlanError, match="too narrow to balance"):
        press(np.zeros((10, 1)), CELL, K, 100, (5.0, 0.0))


@pytest.mark.parametrize(("share", "said"), [(0.9, False), (1.1, True)])
def test_tilt_above_6_degrees_is_reported(share, said):
    """Load within the core of a flat rectangle: tan(tilt) = F e / (k I), solved for F."""
    flat = np.zeros((30, 30))
    middle = centre_of(flat)
    second = _second_y(flat, middle)
    eccentric = 5.0
    load = np.tan(np.radians(6.0)) * second / eccentric * share
    found = press(flat, CELL, K, load, (middle[0], middle[1] + eccentric))
    assert any("had to tilt" in n for n in found.notes) is said


def test_holes_in_the_sole_are_reported_never_silently_smaller():
    gap, middle = sole(), centre_of(sole())
    assert press(gap, CELL, K, 300, middle).complete
    gap[25:30, 10:14] = np.nan
    found = press(gap, CELL, K, 300, middle)
    assert not found.complete
    assert any("holes of 0.8 cm²" in n for n in found.notes)  # 5 x 4 cells of 4 mm2


def test_origin_moves_places_only():
    gap, middle = sole(), centre_of(sole())
    here = press(gap, CELL, K, 300, middle)
    there = press(gap, CELL, K, 300, (middle[0] + 50, middle[1] - 30), origin=(50.0, -30.0))
    assert there.pressure == pytest.approx(here.pressure, abs=1e-6, nan_ok=True)
    assert there.centre == pytest.approx((middle[0] + 50, middle[1] - 30), abs=1e-3)


def test_a_stiffness_map_puts_more_load_on_the_harder_half():
    flat = np.zeros((40, 20))
    k = np.full(flat.shape, K)
    k[20:] = 3 * K
    found = press(flat, CELL, k, 100, centre_of(flat), (0.0, 0.0))
    assert np.nansum(found.pressure[20:]) == pytest.approx(3 * np.nansum(found.pressure[:20]))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"load": 0.0}, "must be positive"),
        ({"load": np.nan}, "must be positive"),
        ({"cell": -1.0}, "must be positive"),
        ({"gap": np.full((4, 4), np.nan)}, "at least one finite cell"),
        ({"gap": np.zeros(4)}, "must be a map"),
        ({"stiffness": np.ones((3, 3))}, "stiffness has shape"),
        ({"stiffness": 0.0}, "stiffness must be positive"),
        ({"regions": {"heel": np.ones((2, 2), dtype=bool)}}, "region 'heel'"),
    ],
)
def test_wrong_calls_name_the_argument(change, match):
    call = {
        "gap": np.zeros((8, 8)),
        "cell": 1.0,
        "stiffness": K,
        "load": 10.0,
        "centre_of_pressure": (3.5, 3.5),
    }
    with pytest.raises(ValueError, match=match):
        press(**(call | change))


def test_wrong_layers_are_refused():
    with pytest.raises(ValueError, match="at least one layer"):
        layers_in_series()
    with pytest.raises(ValueError, match="must be positive"):
        layers_in_series(1.0, 0.0)
    with pytest.raises(ValueError, match="must be positive"):
        winkler(0.0, 3.0)
    with pytest.raises(ValueError, match=r"in \[0, 0\.5\)"):
        winkler(1.0, 3.0, 0.5)


def test_input_is_left_alone():
    gap = sole()
    before = gap.copy()
    press(gap, CELL, K, 300, centre_of(gap))
    assert np.array_equal(gap, before, equal_nan=True)
