"""Ripple of printed tops: what the measure reads on formulas, and what a pad's ridge leaves."""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.planning.support.surface import without_ridges
from insole.planning.support.tops import spline_of
from insole.record.values import HeightGrid
from tests.benchmarks.bench_figures import cut_faults, surface, waves

STEP = 0.5
X, Y = np.meshgrid(np.arange(0, 80, STEP), np.arange(0, 50, STEP), indexing="ij")
INSIDE = np.pad(np.ones((X.shape[0] - 16, X.shape[1] - 16), dtype=bool), 8)
DOME = -((X - 40.0) ** 2 + (Y - 25.0) ** 2) / (2 * 25.0)


def wave(length: float, turn: float) -> np.ndarray:
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return 0.05 * np.sin(2 * np.pi * (c * X + s * Y) / length)


@pytest.mark.parametrize(
    "smooth",
    [
        DOME,
        -0.47 * np.sqrt((X - 40.0) ** 2 + 9.0),  # two run-outs of 25 degrees that meet in a ridge
        6.0 / (1.0 + np.exp(-(Y - 20.0) / 1.5)),  # the step at which a steep sole is followed
        DOME - 0.47 * np.sqrt((0.8 * X + 0.6 * Y - 45.0) ** 2 + 9.0),
    ],
)
def test_what_bends_once_is_no_ripple(smooth: np.ndarray) -> None:
    assert waves(smooth, INSIDE, STEP) < 0.001


@pytest.mark.parametrize("turn", [0.0, 37.0, 90.0])
@pytest.mark.parametrize("length", [5.0, 6.0])
def test_a_wave_reads_its_amplitude(length: float, turn: float) -> None:
    """A low-pass that halves 15 mm leaves 1 - 2 ** -(15 / 6) ** 2 = 98.7 % of 6 mm."""
    assert waves(DOME + wave(length, turn), INSIDE, STEP) == pytest.approx(0.05, abs=0.004)
    assert waves(DOME + wave(40.0, turn), INSIDE, STEP) < 0.001  # a course, no ripple


def roof(turn: float) -> tuple[np.ndarray, np.ndarray]:
    """Return two run-outs of 25 degrees that meet in a ridge, on a grid of 1 mm, with distances."""
    x, y = np.meshgrid(np.arange(81.0), np.arange(51.0), indexing="ij")
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    away = np.abs(c * (x - 40.0) + s * (y - 25.0))
    return 12.0 - math.tan(math.radians(25.0)) * away, away


def stored(z: np.ndarray) -> np.ndarray:
    """Return the surface as it is made from stored nodes, 2 mm apart."""
    grid = HeightGrid(x0=0.0, y0=0.0, step=2.0, z=z[::2, ::2].tolist())
    return np.asarray(spline_of(grid).ev(X, Y))


@pytest.mark.parametrize("turn", [20.0, 50.0, 65.0])
def test_a_ridge_askew_to_the_nodes_has_no_beads(turn: float) -> None:
    sharp, away = roof(turn)
    round_ = without_ridges(sharp)
    assert waves(stored(sharp), INSIDE, STEP) > 0.02
    assert waves(stored(round_), INSIDE, STEP) < 0.01
    lost = (sharp - round_)[5:-5, 5:-5]
    assert lost.min() >= 0.0
    # a ridge sinks by tan 25 times the mean way of a normal distribution of 1.2 mm, 0.45 mm
    assert lost.max() == pytest.approx(0.466 * 1.2 * math.sqrt(2 / math.pi), abs=0.12)
    assert lost[away[5:-5, 5:-5] > 5.0].max() < 0.001


def test_a_top_is_read_on_its_own_triangles() -> None:
    """A valley between two long triangles: joined anew, its four corners would be a ridge."""
    a, b, c, d = (0.0, 0.0, 0.0), (80.0, 0.0, 0.0), (40.0, 10.0, 1.0), (40.0, -10.0, 1.0)
    x, y = np.arange(0.0, 80.5, 0.5), np.arange(-12.0, 12.5, 0.5)
    z = surface(np.array([(a, b, c), (a, d, b)]), x, y)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    inside = np.abs(gy) <= 10.0 - np.abs(gx - 40.0) / 4.0
    assert z[inside] == pytest.approx(np.abs(gy[inside]) / 10.0, abs=1e-9)
    assert np.isnan(z[~inside]).all()


def test_a_cutter_is_told_of_rings_twice_and_of_holes_after_their_outline() -> None:
    def square(side: float, at: float = 0.0) -> np.ndarray:
        return at + side * np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])

    hole, outline, beside = square(5.0), square(20.0), square(20.0, 60.0)
    assert cut_faults([hole, outline, beside]) == 0
    assert cut_faults([outline, hole, beside]) == 1
    assert cut_faults([outline, beside, outline[::-1]]) == 1


def test_rounding_keeps_the_order_of_tops_and_leaves_hollows() -> None:
    low, _ = roof(30.0)
    high = low + np.random.default_rng(3).uniform(0.0, 1.0, low.shape)
    assert (without_ridges(low) <= without_ridges(high) + 1e-12).all()
    assert without_ridges(-low)[5:-5, 5:-5] == pytest.approx(-low[5:-5, 5:-5], abs=1e-9)
