"""Two feet, or two scans, as evidence for each other; and the maps for pictures."""

from __future__ import annotations

from dataclasses import replace

import feet
import numpy as np
import pytest

from footscan.quality import maps as quality_maps
from footscan.quality.pair import earlier_findings, pair_findings
from footscan.results import Finding, Measure, MeasuredFoot, ScanReport, Severity, Verdict
from footscan.scan import Load, Side

SIZES = {
    "foot_length": 262.0,
    "heel_to_ball_length": 193.0,
    "outside_ball_length": 166.0,
    "foot_breadth": 99.0,
    "heel_breadth_max": 68.0,
    "ball_girth": 246.0,
}


def foot(side: Side, factor: float = 1.0, **changed: float) -> MeasuredFoot:
    """Return a measured foot with usual sizes times `factor`, some changed."""
    made = feet.analytic(side=side, length=262.0)
    values = {n: Measure(value=factor * v, sd=0.5) for n, v in (SIZES | changed).items()}
    facts = replace(made.facts, scale_verified=False)
    return replace(made, measures={**made.measures, **values}, facts=facts)


def codes(findings) -> dict[str, Severity]:
    return {f.code: f.severity for f in findings}


def test_usual_pair_has_no_finding():
    pair = foot(Side.LEFT), foot(Side.RIGHT, foot_length=264.5, foot_breadth=98.0, ball_girth=243.0)
    assert pair_findings(*pair) == ()


def test_two_feet_of_one_side_are_sent_back():
    found = pair_findings(foot(Side.RIGHT), foot(Side.RIGHT))
    assert codes(found) == {"pair-same-side": Severity.AGAIN}
    assert "right foot" in found[0].text


def test_mirrored_scan_of_a_stated_side_is_found_in_the_pair():
    doubt = Finding(code="side-contradicted", severity=Severity.AGAIN, text="", advice="")
    left = replace(foot(Side.LEFT), report=ScanReport(verdict=Verdict.AGAIN, findings=(doubt,)))
    assert codes(pair_findings(left, foot(Side.RIGHT))) == {"pair-same-side": Severity.AGAIN}


@pytest.mark.parametrize(("factor", "found"), [(1.015, False), (1.03, True), (1 / 1.03, True)])
def test_scale_of_one_foot_of_the_pair(factor, found):
    """3 % is found, 1.5 % (a foot 4 mm longer) is not."""
    result = codes(pair_findings(foot(Side.LEFT, factor), foot(Side.RIGHT)))
    assert ("pair-scale" in result) is found
    if found:
        assert result["pair-scale"] is Severity.MEASURING


def test_feet_whose_scale_was_verified_differ_as_feet_do():
    """Only of both: one scan in a wrong scale beside a verified one is still wrong."""

    def verified(one: MeasuredFoot) -> MeasuredFoot:
        return replace(one, facts=replace(one.facts, scale_verified=True))

    left, right = foot(Side.LEFT, 1.05), foot(Side.RIGHT)
    wrong = {"pair-scale": Severity.MEASURING, "pair-length": Severity.MEASURING}
    assert codes(pair_findings(left, right)) == wrong
    assert codes(pair_findings(verified(left), right)) == wrong
    assert codes(pair_findings(left, verified(right))) == wrong
    assert set(codes(pair_findings(verified(left), verified(right))).values()) == {Severity.NOTE}


def test_one_foot_longer_but_not_broader_is_a_foot():
    result = codes(pair_findings(foot(Side.LEFT, foot_length=272.0), foot(Side.RIGHT)))
    assert result == {"pair-length": Severity.NOTE}  # 10 mm is the limit itself
    result = codes(pair_findings(foot(Side.LEFT, foot_length=273.5), foot(Side.RIGHT)))
    assert result == {"pair-length": Severity.MEASURING}


@pytest.mark.parametrize("longer", Side)
def test_the_longer_foot_is_named_and_by_how_much(longer):
    long = foot(longer, foot_length=273.5)
    both = {longer: long, longer.other: foot(longer.other)}
    (found,) = pair_findings(both[Side.LEFT], both[Side.RIGHT])
    apart = 273.5 - both[longer.other].measures["foot_length"].value
    assert found.text == f"The {longer.value} foot is {apart:.0f} mm longer than the other."


def test_pair_scanned_in_different_states_is_noted():
    left = foot(Side.LEFT)
    left = replace(left, foot=replace(left.foot, load=Load.NONE))
    assert codes(pair_findings(left, foot(Side.RIGHT))) == {"pair-load": Severity.NOTE}


@pytest.mark.parametrize(
    ("factor", "severity"), [(1.01, None), (1.02, Severity.MEASURING), (0.97, Severity.AGAIN)]
)
def test_earlier_scan_shows_scale(factor, severity):
    found = codes(earlier_findings(foot(Side.LEFT, factor), foot(Side.LEFT)))
    assert found.get("earlier-scale") is severity


def test_earlier_scan_shows_the_side():
    found = earlier_findings(foot(Side.LEFT), foot(Side.RIGHT))
    assert codes(found) == {"earlier-side": Severity.AGAIN}


def test_maps_of_a_whole_foot_are_full_and_quiet(clean):
    maps = quality_maps.maps(clean)
    assert set(maps.coverage) == {
        "heel",
        "arch",
        "ball",
        "toes",
        "medial border",
        "lateral border",
        "dorsum",
    }
    for name in ("heel", "arch", "ball", "medial border", "lateral border", "dorsum"):
        assert maps.coverage[name] > 0.97, name
    assert maps.sole_seen.shape == maps.sole_noise.shape == (len(maps.x), len(maps.y))
    assert maps.seen.shape == maps.noise.shape == (len(maps.station), len(maps.sector))
    assert np.nanmedian(maps.sole_noise) < 0.05  # facets of 2 mm


def test_maps_show_where_skin_is_missing_and_noisy(clean):
    """A hole of 30 mm below the arch, none of the dorsum, noise of 0.3 mm in front only."""
    vertices, faces = np.array(clean.foot.vertices), clean.foot.faces
    centre = np.array([0.45 * clean.foot.length, 0.0])
    hole = (np.hypot(*(vertices[:, :2] - centre).T) < 15.0) & (vertices[:, 2] < 30)
    top = (vertices[:, 2] > 35) & (vertices[:, 0] > 0.4 * clean.foot.length)
    keep = ~(hole | top)
    front = vertices[:, 0] > 0.5 * clean.foot.length
    vertices[front, 2] += np.random.default_rng(0).normal(0, 0.3, int(front.sum()))
    broken = replace(clean.foot, vertices=vertices, faces=faces[keep[faces].all(axis=1)])
    maps = quality_maps.maps(replace(clean, foot=broken))
    # the hole has 707 mm2 of an arch of some 8000 mm2
    assert 0.80 < maps.coverage["arch"] < 0.95
    assert maps.coverage["heel"] > 0.97
    assert maps.coverage["dorsum"] < 0.6
    at = np.argmin(np.abs(maps.x - centre[0])), np.argmin(np.abs(maps.y - centre[1]))
    assert maps.sole_seen[at] < 0.3
    behind = maps.x < 0.45 * broken.length
    ahead = (maps.x > 0.55 * broken.length) & (maps.x < 0.75 * broken.length)
    assert np.nanmedian(maps.sole_noise[behind]) < 0.06
    assert np.nanmedian(maps.sole_noise[ahead]) == pytest.approx(0.3, rel=0.25)
