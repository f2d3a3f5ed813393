"""The record of sizes: rounding, limits and the formula named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from footscan.measuring.sizes import ADULT_MIN_MM, EuRule, eu, mondopoint, sizes
from footscan.pipeline import Options, measure_scan
from footscan.scan import Load
from footscan.told import as_json


@pytest.mark.parametrize(
    ("length", "breadth", "wanted"),
    [(262.5, 100.5, "265/101"), (267.5, 101.5, "270/102"), (262.4, 100.4, "260/100")],
)
def test_halves_go_up_on_every_step_of_the_grid(length, breadth, wanted):
    """Rounding to even would put 262.5 and 267.5 a whole step apart."""
    assert mondopoint(length, breadth) == wanted


@given(length=st.floats(100, 400))
def test_grid_size_is_within_half_a_step(length):
    size = int(mondopoint(length))
    assert size % 5 == 0
    assert abs(size - length) <= 2.5


@pytest.mark.parametrize("rule", EuRule)
def test_record_names_its_rule_and_follows_it(rule):
    found = sizes(271.3, 103.2, rule)
    assert found["eu"] == pytest.approx(eu(271.3, rule), abs=0.005)  # two places
    assert rule.value in found["formula"]
    assert found["us_men"] == pytest.approx(found["uk"] + 1, abs=0.011)
    assert found["us_women"] == pytest.approx(found["us_men"] + 1.5, abs=0.011)
    assert found["mondopoint"] == "270/103"


def test_adult_formulas_begin_at_their_limit():
    assert "eu" in sizes(ADULT_MIN_MM, 85.0)
    below = sizes(ADULT_MIN_MM - 0.1, None)
    assert set(below) == {"mondopoint", "reason"}
    assert below["mondopoint"] == "215"


@pytest.mark.parametrize("rule", EuRule)
def test_rule_for_eu_sizes_reaches_the_record(clean_scan, rule):
    found = measure_scan(clean_scan, Options(load=Load.HALF, eu_rule=rule))
    record = as_json(found, "0")["sizes"]
    length = found.measures["foot_length"].value
    assert record["eu"] == pytest.approx(eu(length, rule), abs=0.005)  # two places
    assert rule.value in record["formula"]
