"""Shoe sizes against worked examples.

EU in Paris points of 2/3 cm, UK in barleycorns of 1/3 inch: CALC from the two EU rules in use
and from the usual adult UK and US rules (value from memory); Mondopoint: ISO 9407, the foot's
length and width in mm on a 5 mm grid (value from memory).
"""

from __future__ import annotations

import pytest

from footscan.measuring.sizes import (
    EuRule,
    eu,
    half_load_length,
    mondopoint,
    sizes,
    uk,
    us_men,
    us_women,
)
from footscan.scan import Load

EXAMPLES = [
    (245.0, 38.75, 39.00, 5.937, 6.937, 8.437),
    (260.0, 41.00, 41.25, 7.709, 8.709, 10.209),
    (265.0, 41.75, 42.00, 8.299, 9.299, 10.799),
    (270.0, 42.50, 42.75, 8.890, 9.890, 11.390),
    (285.0, 44.75, 45.00, 10.661, 11.661, 13.161),
]


@pytest.mark.parametrize(("length", "two", "fifteen", "british", "men", "women"), EXAMPLES)
def test_sizes_of_the_worked_examples(length, two, fifteen, british, men, women):
    assert eu(length) == pytest.approx(two, abs=1e-9)
    assert eu(length, EuRule.FIFTEEN_MM) == pytest.approx(fifteen, abs=1e-9)
    # the examples are printed to three places
    assert uk(length) == pytest.approx(british, abs=6e-4)
    assert us_men(length) == pytest.approx(men, abs=6e-4)
    assert us_women(length) == pytest.approx(women, abs=6e-4)


@pytest.mark.parametrize("rule", EuRule)
def test_foot_length_is_not_taken_for_last_length(rule):
    """1.5 x foot length without any allowance, often quoted, is two sizes small (39 for 260)."""
    assert eu(260.0, rule) - 1.5 * 26.0 >= 2.0 - 1e-9


def test_the_two_eu_rules_are_a_quarter_apart():
    assert eu(251.3, EuRule.FIFTEEN_MM) - eu(251.3) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("length", "breadth", "wanted"),
    [(270.0, 101.6, "270/102"), (267.4, 98.2, "265/98"), (267.6, None, "270")],
)
def test_mondopoint_is_on_the_five_millimetre_grid(length, breadth, wanted):
    assert mondopoint(length, breadth) == wanted


def test_children_get_mondopoint_and_a_reason_only():
    found = sizes(205.0, 80.0)
    assert found["mondopoint"] == "205/80"
    assert "adult formulas do not hold" in found["reason"]
    assert "eu" not in found


def test_length_at_half_load_of_the_worked_example():
    """265 mm unloaded: 267.84 mm on both feet (CALC). Foot length over stature 14.94 to 15.10 %
    in men, 14.56 to 14.72 % in women (Xiong et al. 2009, Ergonomics, 30 people, read)."""
    length, spread = half_load_length(265.0, Load.NONE)
    assert length == pytest.approx(267.84, rel=1e-3)
    for low, high in ((14.94, 15.10), (14.56, 14.72)):
        assert length == pytest.approx(265.0 * high / low, abs=0.1)  # four figures in the source
        assert abs(length - 265.0 * high / low) < spread


@pytest.mark.parametrize("load", [load for load in Load if load is not Load.NONE])
def test_only_an_unloaded_foot_is_expected_to_grow(load):
    assert half_load_length(265.0, load) == (265.0, 0.0)
