"""Footprint indices against footprints with a formula; the arch height index of an example.

Arch index: middle third's share of the toeless footprint (Cavanagh and Rodgers 1987; thirds and
class edges as in Murley, Menz, Landorf 2009, J Foot Ankle Res 2:22). Chippaux-Smirak and
Staheli: Ann Rehabil Med 2023;47:222. Arch height index: dorsum height at half the length over
truncated length (Williams and McClay 2000, Phys Ther 80:864). Expected values: CALC from the
definitions.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.foot import SoleMap
from footscan.measuring.footprint import footprint_indices
from footscan.measuring.local_fit import Cloud
from footscan.measuring.measures import measure

CELL = 0.25
PRINT = 180.0
FOOT = 260.0  # the print ends at 69 % of the foot: no toes in it


def printed(width, toes: bool = False) -> SoleMap:
    """Return a map whose footprint is `width(x)` broad; the rest hangs 20 mm high."""
    x = np.arange(CELL / 2, FOOT, CELL)
    y = np.arange(-60 + CELL / 2, 60, CELL)
    breadth = np.where(x < PRINT, width(np.minimum(x, PRINT)), 0.0)
    if toes:
        breadth = np.where((x > 212) & (x < 250), 70.0, breadth)
    return SoleMap(x=x, y=y, z=np.where(np.abs(y) < breadth[:, None] / 2, 0.0, 20.0), cell=CELL)


def bands(mid: float, heel: float = 60.0, fore: float = 90.0):
    return lambda x: np.select([x < 60, x < 120], [heel, mid], fore)


@pytest.mark.parametrize(
    ("mid", "wanted"),
    [(30.0, 0.16667), (45.0, 0.23077), (60.0, 0.28571), (39.873, 0.210), (52.703, 0.260)],
)
def test_arch_index_of_three_bands(mid, wanted):
    # a row of cells at each step of width, and widths on a 0.25 mm grid
    found = footprint_indices(printed(bands(mid)), FOOT, 1.5)["arch_index"]
    assert found == pytest.approx(wanted, abs=0.002)


def test_arch_index_of_a_rectangle_is_a_third():
    found = footprint_indices(printed(lambda x: 70.0 + 0 * x), FOOT, 1.5)["arch_index"]
    assert found == pytest.approx(1 / 3, abs=0.002)


def test_arch_index_of_an_ellipse():
    def ellipse(x):
        return 80 * np.sqrt(np.clip(1 - ((x - PRINT / 2) / (PRINT / 2)) ** 2, 0, 1))

    found = footprint_indices(printed(ellipse), FOOT, 1.5)["arch_index"]
    assert found == pytest.approx(0.416417, abs=0.002)


@pytest.mark.parametrize(("deep", "wanted"), [(20, 0.301787), (40, 0.255510), (60, 0.181042)])
def test_arch_index_of_a_sine_waist(deep, wanted):
    found = footprint_indices(printed(lambda x: 80 - deep * np.sin(np.pi * x / PRINT)), FOOT, 1.5)
    assert found["arch_index"] == pytest.approx(wanted, abs=0.002)


def test_toes_do_not_count():
    with_toes = footprint_indices(printed(bands(45.0), toes=True), FOOT, 1.5)["arch_index"]
    assert with_toes == pytest.approx(0.23077, abs=0.002)


def test_chippaux_smirak_and_staheli():
    """Midfoot 30, forefoot 90, heel 60 mm: 33.33 % and 0.500."""
    found = footprint_indices(printed(bands(30.0)), FOOT, 1.5)
    assert found["chippaux_smirak"] == pytest.approx(100 * 30 / 90, abs=0.4)
    assert found["staheli"] == pytest.approx(0.5, abs=0.006)


def test_half_a_footprint_is_refused():
    with pytest.raises(ValueError, match="footprint is incomplete"):
        footprint_indices(printed(lambda x: np.where(x < 80, 60.0, 0.0)), FOOT, 1.5)


def test_arch_height_index_of_a_worked_example(clean):
    """Dorsum 66 mm at half the length over 190 mm: 0.34737."""
    marks = dict(clean.landmarks)
    rear = marks["pternion"].xyz[0]
    marks["instep"] = replace(marks["instep"], xyz=np.array([135.0, 0.0, 66.0]))
    marks["mth1"] = replace(marks["mth1"], xyz=np.array([190.0 + rear, 30.0, 0.0]))
    found = measure(clean.foot, Cloud.of(clean.foot.vertices), marks)
    assert found["arch_height_index"].value == pytest.approx(0.34737, abs=5e-6)
    assert found["arch_height_index"].unit == ""
