"""Soles seen from below: the less is seen of the borders, the wider the bands, the worse the word.

Truth is the same specimen's whole skin; what a scanner below sees of it is cut by slope.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.measuring import below, deviations
from footscan.pipeline import Options, measure_scan
from footscan.quality.findings import verdict as verdict_of
from footscan.quality.limits import grade
from footscan.results import Verdict
from footscan.scan import Load, Scan
from footscan.specimen.made_up import Shape, build
from tests import feet

SHARP = ("foot_length", "foot_breadth", "heel_breadth_max")
ORDER = [Verdict.MAKING, Verdict.MEASURING, Verdict.AGAIN]


@pytest.fixture(scope="module")
def foot():
    return build(replace(Shape(), cell=1.8))


@pytest.fixture(scope="module")
def soles(foot):
    angles = (88.0, 80.0, 70.0, 60.0)
    scans = {a: feet.sole_only(foot, limit_deg=a, top=45.0) for a in angles}
    return {a: measure_scan(scan, Options(load=Load.HALF)) for a, scan in scans.items()}


def test_shortfall_is_that_of_a_round_border():
    """R (1 - sin): nothing where the border stands upright, R where only flat skin was seen."""
    assert below.shortfall(90.0) == 0.0
    assert below.shortfall(0.0) == pytest.approx(below.RADIUS_MM)
    assert below.shortfall(30.0, 30.0) == pytest.approx(below.RADIUS_MM)
    assert below.shortfall(120.0) == 0.0


def test_the_slope_seen_is_told(soles):
    """Within 13 degrees: the patch that a slope is read from lies a little inside the rim."""
    for angle, sole in soles.items():
        for border, seen in below.seen_to(sole.foot).items():
            assert angle - 16 < seen < angle + 3, (angle, border)


def test_the_less_is_seen_the_worse_the_verdict(soles):
    rank = [ORDER.index(sole.report.verdict) for sole in soles.values()]
    assert rank == sorted(rank)
    assert rank[0] == 0  # seen up to where the borders stand: good for making
    assert rank[-1] > 0
    assert any(f.code == "border-seen" for f in soles[60.0].report.findings)


@pytest.mark.parametrize(
    ("degrees", "verdict"),
    [
        (66.0, Verdict.MAKING),
        (64.0, Verdict.MEASURING),
        (51.0, Verdict.MEASURING),
        (49.0, Verdict.AGAIN),
    ],
)
def test_the_limits_of_the_slope(degrees, verdict):
    found = grade("border-seen", degrees, "", "", "toes")
    assert verdict_of(found) is verdict


def test_the_less_is_seen_the_wider_the_bands(soles):
    for name in SHARP:
        sd = [sole.measures[name].sd for sole in soles.values()]
        assert sd == sorted(sd), name
    for name in ("pternion", "acropodion", "metatarsale_tibiale", "metatarsale_fibulare"):
        sd = [sole.landmarks[name].sd for sole in soles.values()]
        assert sd == sorted(sd), name


def test_the_bands_hold_the_truth(foot, soles):
    for angle, sole in soles.items():
        for name in ("foot_length", "foot_breadth", "heel_to_ball_length"):
            found = sole.measures[name]
            off = abs(found.value - foot.truth.measures[name])
            assert off <= 1.96 * found.sd + 0.5, (angle, name)


def test_a_border_that_was_clipped_is_still_told(foot):
    """The field ends 8 mm inside the medial border of a sole otherwise seen in full."""
    sole = feet.sole_only(foot, limit_deg=88.0, top=45.0)
    whole = sole.vertices
    side = 1.0 if foot.truth.landmarks["metatarsale_tibiale"][1] > 0 else -1.0
    y = side * (-whole[:, 1] if foot.shape.side == "left" else whole[:, 1])
    keep = y < np.max(y) - 8.0
    codes = {
        f.code: f.severity
        for f in measure_scan(sole.part(keep), Options(load=Load.HALF)).report.findings
    }
    assert "border-cut" in codes or "border-seen" in codes


def test_a_whole_foot_is_not_widened(foot):
    vertices, faces = feet.worn(foot)
    found = measure_scan(Scan(vertices=vertices, faces=faces), Options(load=Load.HALF))
    assert found.measures["foot_length"].sd == deviations.SD["foot_length"]
    assert not any(f.code == "border-seen" for f in found.report.findings)


@pytest.mark.parametrize("height", [15.0, 20.0, 26.0])
def test_a_foot_cut_low_is_not_fit_for_making(foot, height):
    """What a scan that goes a little higher is refused for, one that goes less high is as well."""
    cut = feet.leg_cut(foot, height)
    found = measure_scan(cut, Options(load=Load.HALF, side=foot.shape.side))
    assert found.report.verdict is not Verdict.MAKING
    assert {f.code for f in found.report.findings} & {"leg-low", "border-seen"}


def test_a_sole_seen_from_below_is_not_taken_for_cut(soles):
    for sole in soles.values():
        assert not any(f.code == "leg-low" and f.severity != "note" for f in sole.report.findings)
