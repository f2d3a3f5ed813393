"""Deviations grow with noise and spacing as the module's own table says, and never shrink."""

from __future__ import annotations

import numpy as np
import pytest

from footscan.quality import uncertainty
from footscan.results import BY_HAND, Landmark, Measure


def bowl(step: float, noise: float, seed: int = 0) -> np.ndarray:
    """Return points of a shallow bowl of 120 by 90 mm, all below 30 mm."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(0.0, 120.0, step), np.arange(0.0, 90.0, step))
    z = 5.0 + 0.001 * ((x - 60.0) ** 2 + (y - 45.0) ** 2)
    return np.stack([x, y, z + rng.normal(0.0, noise, x.shape)], axis=-1).reshape(-1, 3)


@pytest.mark.parametrize(
    ("step", "noise", "factor"),
    [
        (1.5, 0.0, 1.0),
        (1.5, 0.2, 1.0),
        (1.5, 0.4, 1 + 4.5 * 0.15),
        (3.5, 0.0, 1 + 0.6 * 1.0),
        (1.5, 3.0, 2.5),  # the cap
    ],
)
def test_factor_by_noise_and_spacing(step, noise, factor):
    """Noise is told to a tenth of itself on a bowl; 0.15 covers that at 4.5 per mm."""
    assert uncertainty.widening(bowl(step, noise)) == pytest.approx(factor, abs=0.2)


def test_factor_grows_with_noise():
    found = [uncertainty.widening(bowl(1.5, noise)) for noise in (0.1, 0.3, 0.4, 0.5)]
    assert found == sorted(found)
    assert found[0] == 1.0


def test_few_points_change_nothing():
    assert uncertainty.widening(bowl(20.0, 0.5)[:50]) == 1.0


def test_what_is_set_by_hand_keeps_its_own_deviation():
    marks = {
        "mth1": Landmark(xyz=np.zeros(3), sd=2.0, method="found"),
        "mth5": Landmark(xyz=np.zeros(3), sd=1.0, method=BY_HAND),
    }
    wide = uncertainty.widened_landmarks(marks, 1.5)
    assert (wide["mth1"].sd, wide["mth5"].sd) == (3.0, 1.0)
    values = {
        "foot_length": Measure(value=260.0, sd=0.3),
        "truncated_length": Measure(value=190.0, sd=1.0, by_hand=True),
        "arch_index": Measure(reason="not seen"),
    }
    wide = uncertainty.widened_measures(values, 1.5)
    assert [m.sd for m in wide.values()] == [0.45, 1.0, None]


def test_an_arch_with_a_hole_where_it_is_highest_has_no_height(right_specimen):
    """A phone's scan that missed the sole's middle: its rim read 7 mm too low, to ± 0.6 mm."""
    from footscan.pipeline import Options, measure_scan
    from footscan.scan import Load
    from footscan.specimen.scanner import Hole, ScannerSpec, scan

    holed = ScannerSpec(points=14000, holes=(Hole(at="arch_apex", diameter=55.0),))
    foot = measure_scan(
        scan(right_specimen, holed, np.random.default_rng(1)), Options(load=Load.HALF)
    )
    for name in ("arch_apex_height", "arch_index", "chippaux_smirak", "staheli"):
        assert foot.measures[name].value is None, name
        assert "left under the arch, where it may be highest" in foot.measures[name].reason, name
    assert "arch_apex" not in foot.landmarks
    true = right_specimen.truth.measures
    for name in ("foot_length", "foot_breadth", "heel_breadth"):  # not read from there
        assert foot.measures[name].value == pytest.approx(true[name], abs=1.0), name
