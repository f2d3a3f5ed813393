"""Seated against standing: which way, how much, on which side, and what it suggests."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from footscan.checking.settling import MEAN_DROP_INDEX, beside, settle
from footscan.errors import ScanReadError, SideError
from footscan.results import Measure
from insole import cli
from insole.cli.show import settling as show
from insole.planning.first_level import suggest
from insole.record.limits import default_limits
from tests import feet

LIMITS = default_limits()
USUAL, STEP = LIMITS.value("support.first_trial"), LIMITS.value("support.step")
TRUNCATED = 190.0
MEAN = MEAN_DROP_INDEX * TRUNCATED


@cache
def made_once(side, load):
    return feet.analytic(side=side, load=load, length=260.0)


def foot(load, *, side="right", instep=66.0, length=260.0, sd=0.2, verified=True, **more):
    """Return a foot whose top at half its length is `instep` mm high."""
    made = made_once(side, load)
    measures = dict(made.measures) | {
        "foot_length": Measure(value=length, sd=0.2),
        "instep_height": Measure(value=instep, sd=sd),
        "truncated_length": Measure(value=TRUNCATED, sd=3.0),
        "arch_height_index": Measure(value=instep / TRUNCATED, unit="", sd=0.006),
        "ball_girth": Measure(reason="no scan of the top"),
    }
    measures |= {name: Measure(value=value, sd=0.2) for name, value in more.items()}
    facts = replace(
        made.facts,
        sha256=f"{load}{side}{instep}".ljust(64, "0"),
        file=f"{side}-{load}.ply",
        scale_verified=verified,
    )
    return replace(made, measures=measures, facts=facts)


def pair(drop, *, side="right", sd=0.2, mass=None, **standing):
    return settle(
        foot("seated", side=side, sd=sd),
        foot("half", side=side, instep=66.0 - drop, sd=sd, **standing),
        mass,
    )


def codes(settled):
    return {finding.code for finding in settled.findings}


def test_down_is_a_drop_and_longer_is_a_growth():
    settled = pair(4.0, length=262.0)
    drop, growth = settled.changes["arch_drop"], settled.changes["length_growth"]
    assert drop.value == pytest.approx(4.0)
    assert drop.sd == pytest.approx(0.2 * 2**0.5)
    assert growth.value == pytest.approx(2.0)
    assert not settled.contradicted
    text = show.settling([(settled, suggest(settled, LIMITS))])
    assert "top of the foot at half its length: 4.0 ± 0.3 mm lower" in text
    assert "foot length: 2.0 ± 0.3 mm longer" in text
    assert "girth at the ball: not known, seated: no scan of the top" in text


def test_flexibility_is_the_drop_over_two_fifths_of_the_weight():
    """4 mm over 0.4 x 75 kg x 9.80665 m/s2 = 0.294 kN: 13.6 mm/kN by hand."""
    assert pair(4.0, mass=75.0).flexibility.value == pytest.approx(13.596, abs=0.001)
    assert pair(4.0, mass=75.0).flexibility.unit == "mm/kN"
    missing = pair(4.0).flexibility
    assert (missing.value, missing.reason) == (None, "no body mass was given")
    for mass in (24.9, 250.1, float("nan")):
        with pytest.raises(ScanReadError, match="body mass"):
            pair(4.0, mass=mass)


def test_what_cannot_be_told_is_not_a_number():
    text = show.settling([(settled := pair(0.4), suggest(settled, LIMITS))])
    assert "half its length: no change that can be told (± 0.6 mm)" in text
    text = show.settling([(settled := pair(0.45, sd=0.05), suggest(settled, LIMITS))])
    assert "half its length: no change that can be told (± 0.5 mm)" in text


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("drop", "level"),
    [
        (1.5 * MEAN + 0.6, USUAL - STEP),  # told as more: 2 sd are 0.57 mm
        (1.5 * MEAN + 0.5, USUAL),
        (MEAN, USUAL),
        (0.5 * MEAN - 0.6, USUAL),
        (0.0, USUAL),
    ],
)
def test_the_first_level_is_a_step_lower_only_where_the_foot_surely_comes_down_far(
    side, drop, level
):
    first = suggest(pair(drop, side=side), LIMITS)
    assert first.level == pytest.approx(level)
    assert f"{MEAN:.1f} mm for its length" in first.reason
    assert ("hardly comes down" in first.reason) == (drop < 0.5 * MEAN - 0.57)
    assert "says nothing about health" in first.limits


@pytest.mark.parametrize("side", ["left", "right"])
def test_scans_that_do_not_differ_may_show_one_load(side):
    """Two deviations of 0.2 mm in each scan are 0.57 mm."""
    alike = pair(0.5, side=side, length=260.5)
    assert codes(alike) == {"settle-alike"}
    assert not alike.contradicted
    assert "no drop can be told (± 0.6 mm), the mean" in suggest(alike, LIMITS).reason
    for changed in (pair(0.6, side=side, length=260.5), pair(0.5, side=side, length=260.6)):
        assert codes(changed) == set()
    assert "it comes down 0.6 ± 0.3 mm" in suggest(pair(0.6, side=side), LIMITS).reason


def test_no_level_comes_from_scans_that_contradict_each_other():
    swapped = settle(foot("half"), foot("seated", instep=62.0))
    assert codes(swapped) == {"settle-load"}
    for settled, code in (
        (swapped, "settle-load"),
        (pair(-0.6), "settle-rises"),  # 2 sd are 0.57 mm
        (pair(20.1), "settle-far"),
        (pair(4.0, length=260.0 * 1.041), "settle-length"),
    ):
        assert code in codes(settled)
        assert settled.contradicted
        first = suggest(settled, LIMITS)
        assert first.level is None
        assert "contradict" in first.reason
    for settled in (pair(-0.5), pair(20.0), pair(4.0, length=260.0 * 1.0399)):
        assert codes(settled) <= {"settle-alike"}
        assert suggest(settled, LIMITS).level is not None
    assert codes(pair(4.0, verified=False)) == {"settle-scale"}
    assert not pair(4.0, verified=False).contradicted


def test_two_feet_or_one_scan_are_refused():
    with pytest.raises(SideError, match=r"right-seated\.ply shows a right foot"):
        settle(foot("seated"), foot("half", side="left"))
    one = foot("seated")
    with pytest.raises(ScanReadError, match="are one scan"):
        settle(one, one)


def test_sides_differ_only_beyond_two_deviations_and_the_larger_is_named():
    left, right = pair(6.0, side="left"), pair(4.0, side="right")
    (one,) = [one for one in beside(left, right) if one.told]
    assert (one.change, one.difference) == ("arch_drop", pytest.approx(2.0))
    rows = show._sides([(left, suggest(left, LIMITS)), (right, suggest(right, LIMITS))])
    assert rows == [
        "LEFT changes more at the top of the foot at half its length: 6.0 left, 4.0 mm right "
        "(± 0.4 mm)"
    ]
    right = pair(7.0, side="right")
    rows = show._sides([(right, suggest(right, LIMITS)), (left, suggest(left, LIMITS))])
    assert rows[0].startswith("RIGHT changes more")
    alike = pair(5.3, side="right")
    assert not any(one.told for one in beside(left, alike))
    with pytest.raises(SideError):
        beside(right, left)


def test_nothing_that_is_said_finds_a_foot_ill():
    text = show.settling([(settled := pair(9.0, mass=80.0), suggest(settled, LIMITS))]).lower()
    for word in ("flat foot", "patholog", "abnormal", "too ", "weak", "risk", "pes "):
        assert word not in text
    assert "not a diagnosis" in text


def test_the_command_measures_made_up_feet_of_known_drop(tmp_path, capsys):
    """One shape with an arch 3 mm lower when it stands; heights from the shapes themselves."""
    from footscan.specimen import made_up

    shapes = {
        name: made_up.Shape(length=262.0, breadth=100.0, arch_height=arch, cell=2.0)
        for name, arch in (("seated", 14.0), ("standing", 11.0))
    }
    files = {}
    for k, (name, shape) in enumerate(shapes.items()):
        files[name] = str(tmp_path / f"{name}.ply")
        scan = made_up.scan(made_up.build(shape), made_up.ScannerSpec(), np.random.default_rng(k))
        made_up.write_scan(scan, files[name])
    given = ["settle", "--seated", files["seated"], "--standing", files["standing"]]
    assert cli.main([*given, "--json", "--body-mass", "70"]) == 0
    record = json.loads(capsys.readouterr().out)
    (one,) = record["feet"]
    assert one["side"] == "right"
    assert one["changes"]["sole_drop"]["value"] == pytest.approx(3.0, abs=0.6)
    assert one["first_level"]["level"] in (USUAL, pytest.approx(USUAL - STEP), None)
    assert record["sides"] == []
    assert cli.main([*given[:2], files["seated"], "--standing", files["seated"]]) == 3
    assert "are one scan" in capsys.readouterr().err
