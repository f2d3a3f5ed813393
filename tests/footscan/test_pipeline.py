"""From scan to record: units, overrides, the record itself."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from footscan.errors import LandmarkError, UnitsError
from footscan.pipeline import Options, as_json, measure_scan
from footscan.repeat import compare
from footscan.scan import Load, Unit

MEASURES = {
    "foot_length", "heel_to_ball_length", "outside_ball_length", "foot_breadth",
    "foot_breadth_diagonal", "ball_girth", "instep_girth", "instep_height", "heel_breadth",
    "heel_breadth_max", "truncated_length", "arch_height_index", "arch_apex_height", "arch_index",
    "chippaux_smirak", "staheli", "navicular_height", "ball_line_angle", "hallux_angle",
    "forefoot_angle", "heel_angle",
}  # fmt: skip
LANDMARKS = {
    "pternion", "acropodion", "mth1", "mth2", "mth3", "mth4", "mth5", "metatarsale_tibiale",
    "metatarsale_fibulare", "heel_centre", "arch_apex", "navicular", "instep",
}  # fmt: skip


@pytest.mark.parametrize(
    ("factor", "options", "match"),
    [
        (4.0, Options(), "no foot in mm, cm, m or inch; give the factor with --scale"),
        (1.0, Options(unit=Unit.CM), r"stated unit \(cm\).*give another --unit or --scale"),
        (1.0, Options(scale=2.0), "with --scale 2 the foot would be 5.. mm long"),
    ],
    ids=["none fits", "stated", "scale"],
)
def test_unit_that_makes_no_foot_is_refused(clean_scan, factor, options, match):
    with pytest.raises(UnitsError, match=match):
        measure_scan(clean_scan.scaled(factor), options)


def test_scale_is_used_and_recorded(clean_scan, clean):
    measured = measure_scan(clean_scan.scaled(4.0), Options(scale=0.25, load=Load.HALF))
    assert measured.facts.unit is None
    assert measured.facts.unit_evidence == "stated: 0.25 mm per file unit"
    assert measured.measures["foot_length"].value == pytest.approx(
        clean.measures["foot_length"].value, abs=0.05
    )


def test_unit_in_the_file_that_makes_no_foot_is_said(clean_scan):
    measured = measure_scan(replace(clean_scan, stated_unit=Unit.M), Options())
    assert measured.facts.unit is Unit.MM
    assert "the file says m, which would be no foot" in measured.facts.unit_evidence


def test_landmark_set_by_hand_flows_into_measures(clean_scan, clean):
    """The first head moved 5 mm ahead: truncated length grows by 5 mm, nothing else moves."""
    place = clean.landmarks["mth1"].xyz + np.array([5.0, 0, 0])
    by_hand = {"mth1": clean.foot.to_scanner(place[None])[0]}
    moved = measure_scan(clean_scan, Options(load=Load.HALF, by_hand=by_hand))
    mark = moved.landmarks["mth1"]
    np.testing.assert_allclose(mark.xyz, place, atol=1e-6)
    np.testing.assert_allclose(mark.automatic, clean.landmarks["mth1"].xyz, atol=1e-6)
    assert mark.method == "by hand"
    change = {n: (m.value or 0) - (clean.measures[n].value or 0) for n, m in moved.measures.items()}
    assert change["truncated_length"] == pytest.approx(5.0, abs=1e-6)
    assert change["foot_length"] == pytest.approx(0.0, abs=1e-6)
    record = as_json(moved, "0")["landmarks"]["mth1"]
    assert record["automatic_foot_mm"] == pytest.approx(clean.landmarks["mth1"].xyz, abs=1e-3)


@pytest.mark.parametrize(
    ("by_hand", "match"),
    [
        ({"mth9": np.zeros(3)}, "no landmark 'mth9'; choose one of"),
        ({"mth1": np.array([0.0, 900, 0])}, "more than 15 mm off the foot; give it anew"),
        ({"mth1": np.array([0.0, np.nan, 0])}, "must be three numbers in mm"),
    ],
    ids=["name", "off", "nan"],
)
def test_bad_place_by_hand_is_refused(clean_scan, by_hand, match):
    with pytest.raises(LandmarkError, match=match) as caught:
        measure_scan(clean_scan, Options(by_hand=by_hand))
    assert caught.value.name in by_hand


def test_record_has_every_key_of_the_contract(left, filled):
    for measured in (left, filled):
        record = as_json(measured, "1.2")
        assert json.loads(json.dumps(record, allow_nan=False)) == record
        assert record["tool"] == {"name": "solewright", "version": "1.2"}
        assert record["scan"].keys() >= {
            "file", "sha256", "unit", "unit_evidence", "side", "side_confidence", "kind", "load",
            "points", "faces",
        }  # fmt: skip
        assert set(record["measures"]) == MEASURES
        absent = {"arch_apex"} if measured is filled else set()
        assert set(record["landmarks"]) == LANDMARKS - absent
        assert record.keys() >= {"verdict", "findings", "pose", "axis_method", "sizes"}
        assert record["sizes"].keys() >= {"mondopoint", "eu", "uk", "us_men", "us_women", "formula"}
        for finding in record["findings"]:
            assert set(finding) == {
                "code", "severity", "text", "advice", "region", "value", "limit",
            }  # fmt: skip
        for value in record["measures"].values():
            assert ("reason" in value) is (value["value"] is None)


def test_record_s_two_places_of_a_landmark_agree(left):
    record = as_json(left, "0")
    pose = np.array(record["pose"])
    for mark in record["landmarks"].values():
        there = pose[:3, :3] @ mark["scanner_mm"] + pose[:3, 3]
        np.testing.assert_allclose(there, mark["foot_mm"], atol=2e-3)  # rounded to 0.001


def test_same_scan_gives_the_same_record_and_is_left_alone(clean_scan, clean):
    vertices, faces = clean_scan.vertices.copy(), clean_scan.faces.copy()
    again = measure_scan(clean_scan, Options(load=Load.HALF))
    assert json.dumps(as_json(again, "0")) == json.dumps(as_json(clean, "0"))
    np.testing.assert_array_equal(clean_scan.vertices, vertices)
    np.testing.assert_array_equal(clean_scan.faces, faces)


def test_two_scans_of_one_foot_differ_by_their_noise(clean, messy):
    """0.25 mm of noise in one scan: the distance between both is about that."""
    result = compare(clean, messy)
    assert result.rms < 0.5
    assert result.kind == "two scans of one foot"
    assert not any(d.beyond for d in result.differences if d.name in ("foot_length", "ball_girth"))
