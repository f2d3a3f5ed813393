"""Each fault gets its finding and the verdict that follows."""

from __future__ import annotations

import numpy as np
import pytest

from footscan import quality
from footscan.errors import FootscanError
from footscan.pipeline import Options, measure_scan
from footscan.results import Finding, Severity, Verdict
from footscan.scan import Load, Side
from footscan.scanner import Hole

ARCH = ("arch_apex_height", "arch_index", "chippaux_smirak", "staheli")


def codes(measured) -> dict[str, Severity]:
    return {f.code: f.severity for f in measured.report.findings}


def test_clean_scan_is_fit_for_making(clean, messy):
    for measured in (clean, messy):
        assert measured.report.verdict is Verdict.MAKING
        assert set(codes(measured)) == {"scale-unverified"}
        assert measured.report.deciding == ()


def test_filled_sole_gives_no_arch(filled, right_specimen):
    assert codes(filled)["sole-filled"] is Severity.MEASURING
    assert filled.report.verdict is Verdict.MEASURING
    assert "arch_apex" not in filled.landmarks
    for name in ARCH:
        assert filled.measures[name].value is None
        assert filled.measures[name].reason == "the sole is closed by a flat plane"
    truth = right_specimen.truth.measures["foot_length"]
    assert filled.measures["foot_length"].value == pytest.approx(truth, abs=0.7)


def test_missing_sole_never_passes(scan_with):
    try:
        measured = measure_scan(scan_with(sole="missing"), Options())
    except FootscanError as error:
        assert ";" in str(error)  # noqa: PT017 - refusing is one of two right answers
    else:
        assert measured.report.verdict is Verdict.AGAIN


@pytest.mark.parametrize(
    ("faults", "code", "region"),
    [
        ({"holes": (Hole(at="arch_apex", diameter=25.0),)}, "sole-hole", "sole"),
        ({"points": 1500}, "mesh-spacing", "sole"),
        ({"noise": 1.0}, "noise", "sole"),
    ],
    ids=["hole", "sparse", "noisy"],
)
def test_fault_is_found_and_sent_back(scan_with, faults, code, region):
    measured = measure_scan(scan_with(**faults), Options())
    assert codes(measured)[code] is Severity.AGAIN
    assert measured.report.verdict is Verdict.AGAIN
    finding = next(f for f in measured.report.findings if f.code == code)
    assert finding in measured.report.deciding
    assert finding.region == region
    assert finding.value > finding.limit == quality.limits()[code].measuring
    assert finding.advice


def test_two_skins_are_not_fit_for_making(scan_with):
    measured = measure_scan(scan_with(ghost=1.0), Options())
    assert measured.report.verdict is not Verdict.MAKING
    assert codes(measured).keys() & {"double-skin", "noise"}


@pytest.mark.parametrize("sigma", [0.1, 0.4])
def test_noise_of_a_rough_plane_is_its_deviation(sigma):
    rng = np.random.default_rng(0)
    points = np.column_stack([rng.uniform(0, 80, (5000, 2)), rng.normal(0, sigma, 5000)])
    found = quality.noise_mm(points, quality.spacing_mm(points))
    assert found == pytest.approx(sigma, rel=0.1)  # 400 patches of 24 points


def test_spacing_of_a_grid_is_its_step():
    x, y = np.meshgrid(np.arange(60) * 1.5, np.arange(60) * 1.5)
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(3600)])
    assert quality.spacing_mm(points) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("severities", "wanted"),
    [
        ([], Verdict.MAKING),
        ([Severity.NOTE], Verdict.MAKING),
        ([Severity.NOTE, Severity.MEASURING], Verdict.MEASURING),
        ([Severity.AGAIN, Severity.MEASURING], Verdict.AGAIN),
    ],
)
def test_worst_finding_decides(severities, wanted):
    found = [Finding(code="x", severity=s, text="", advice="") for s in severities]
    assert quality.verdict(found) is wanted


@pytest.mark.parametrize(
    ("hand", "severity", "verdict"),
    [
        (270.0, None, Verdict.MAKING),
        (265.5, Severity.MEASURING, Verdict.MEASURING),  # 4.5 mm apart
        (240.0, Severity.AGAIN, Verdict.AGAIN),  # 12 % apart
    ],
)
def test_length_by_hand_checks_the_scale(clean_scan, hand, severity, verdict):
    measured = measure_scan(clean_scan, Options(load=Load.HALF, hand_length=hand))
    assert codes(measured).get("scale") is severity
    assert "scale-unverified" not in codes(measured)
    assert measured.report.verdict is verdict
    assert measured.facts.scale_verified is (severity is None)


def test_wrong_side_is_contradicted(clean_scan):
    measured = measure_scan(clean_scan, Options(side=Side.LEFT))
    assert codes(measured)["side-contradicted"] is Severity.AGAIN
    assert measured.report.verdict is Verdict.AGAIN
    assert measured.facts.side_confidence < 0.5
    assert "speaks against it" in measured.facts.side_evidence


def test_load_that_the_sole_denies_is_noted(clean_scan):
    measured = measure_scan(clean_scan, Options(load=Load.NONE))
    assert codes(measured)["load-contradicted"] is Severity.NOTE
