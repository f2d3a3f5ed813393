"""Shots of one foot taken together: mean, spread, the odd shot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.checking.shots import combined
from footscan.errors import ScanReadError, SideError
from footscan.results import Measure
from footscan.scan import Load


@pytest.fixture
def shots(clean):
    """Return a function that gives shots with these values of one measure."""

    def make(values, name="foot_length", sd=0.5, unit="mm"):
        return [
            replace(
                clean,
                facts=replace(clean.facts, file=f"shot{i}.ply", sha256=f"{i:064d}"),
                measures={
                    name: Measure(unit=unit, reason="not seen")
                    if value is None
                    else Measure(value=value, unit=unit, sd=sd)
                },
            )
            for i, value in enumerate(values, start=1)
        ]

    return make


def test_mean_spread_and_deviation_of_the_mean(shots):
    """269, 270, 271, 272: mean 270.5, sample deviation 1.29099, over the root of 4: 0.645497."""
    found = combined(shots([269.0, 270.0, 271.0, 272.0]))
    length = found.measures["foot_length"]
    assert (length.mean, length.n, length.unit) == (270.5, 4, "mm")
    assert length.sd == pytest.approx(np.sqrt(5 / 3))
    assert length.sd_mean == pytest.approx(np.sqrt(5 / 12))
    assert found.files == ("shot1.ply", "shot2.ply", "shot3.ply", "shot4.ply")
    assert found.side == "right"
    assert (found.odd, found.notes) == ((), ())


@pytest.mark.parametrize(
    ("off", "sd", "unit", "odd"),
    [
        (2.1, 0.5, "mm", True),
        (1.9, 0.5, "mm", False),  # more than three deviations, less than 2 mm
        (2.9, 1.0, "mm", False),  # more than 2 mm, less than three deviations
        (3.1, 1.0, "mm", True),
        (0.05, 0.01, "", True),  # an index has no millimetres
        (0.02, 0.01, "", False),
    ],
)
def test_the_odd_shot_is_named_and_kept(shots, off, sd, unit, odd):
    found = combined(shots([10.0, 10.0 + off, 10.0], sd=sd, unit=unit))
    assert found.measures["foot_length"].mean == pytest.approx(10.0 + off / 3)
    assert [o.file for o in found.odd] == (["shot2.ply"] if odd else [])
    if odd:
        (one,) = found.odd
        assert (one.measure, one.value, one.median) == ("foot_length", 10.0 + off, 10.0)
        assert one.sentence.startswith("shot2.ply stands out: foot length ")
        assert "leave it out or take it again" in one.sentence


def test_of_two_shots_none_is_called_odd(shots):
    found = combined(shots([260.0, 270.0]))
    assert found.odd == ()
    assert "take a third" in found.notes[0]
    assert found.measures["foot_length"].sd == pytest.approx(10 / np.sqrt(2))


def test_what_some_shots_lack_counts_those_that_have_it(shots):
    found = combined(shots([269.0, None, 271.0])).measures["foot_length"]
    assert (found.mean, found.n) == (270.0, 2)
    single = combined(shots([None, 270.0, None])).measures["foot_length"]
    assert (single.mean, single.n, single.sd, single.sd_mean) == (270.0, 1, None, None)
    none = combined(shots([None, None])).measures["foot_length"]
    assert (none.mean, none.n, none.reason) == (None, 0, "not seen")


def test_shots_in_different_states_are_said(shots):
    feet = shots([269.0, 270.0, 271.0])
    feet[1] = replace(feet[1], foot=replace(feet[1].foot, load=Load.NONE))
    (note,) = combined(feet).notes
    assert "load states (half, none)" in note


def test_real_shots_of_one_specimen(clean, messy):
    """Two scans of one specimen: the spread is not larger than what the measures state."""
    found = combined([clean, messy])
    for name, limit in (("foot_length", 0.5), ("foot_breadth", 0.5), ("heel_breadth", 0.5)):
        assert found.measures[name].sd < limit, name
        assert found.measures[name].mean == pytest.approx(
            (clean.measures[name].value + messy.measures[name].value) / 2
        )


def test_what_is_no_repetition_is_refused(clean, left, shots):
    with pytest.raises(SideError, match=r"shows a left and .* a right foot"):
        combined([clean, replace(left, facts=replace(left.facts, sha256="other"))])
    with pytest.raises(ScanReadError, match="at least two scans"):
        combined([clean])
    twice = shots([270.0, 271.0])
    twice[1] = replace(twice[1], facts=replace(twice[1].facts, sha256=twice[0].facts.sha256))
    with pytest.raises(ScanReadError, match=r"shot1.ply and shot2.ply are the same scan"):
        combined(twice)
