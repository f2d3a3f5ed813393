"""From scan to record: units, overrides, the record itself."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from footscan.checking.repeat import compare
from footscan.errors import (
    LandmarkError,
    ScanQualityError,
    ScanReadError,
    SideError,
    UnitsError,
)
from footscan.foot import face_normals
from footscan.measuring import ball
from footscan.pipeline import Options, infer_unit, measure_files, measure_scan
from footscan.results import Severity, Verdict
from footscan.scan import Load, Scan, Side, Unit
from footscan.told import as_json
from tests.command_line import SCAN_FACTS

MEASURES = {
    "foot_length",
    "heel_to_ball_length",
    "outside_ball_length",
    "foot_breadth",
    "foot_breadth_diagonal",
    "ball_girth",
    "instep_girth",
    "instep_height",
    "heel_breadth",
    "heel_breadth_max",
    "toe_height_1",
    "toe_height_5",
    "sole_drop",
    "truncated_length",
    "arch_height_index",
    "arch_apex_height",
    "arch_index",
    "chippaux_smirak",
    "staheli",
    "navicular_height",
    "ball_line_angle",
    "hallux_angle",
    "forefoot_angle",
    "heel_angle",
}
LANDMARKS = {
    "pternion",
    "acropodion",
    "mth1",
    "mth2",
    "mth3",
    "mth4",
    "mth5",
    "metatarsale_tibiale",
    "metatarsale_fibulare",
    "heel_centre",
    "arch_apex",
    "navicular",
    "instep",
}


@pytest.mark.parametrize(
    ("factor", "options", "match"),
    [
        (4.0, Options(), "no foot in mm, cm, m or inch; give the factor"),
        (1.0, Options(unit=Unit.CM), r"stated unit \(cm\).*give another unit or scale"),
        (1.0, Options(scale=2.0), "scaled by 2 the foot would be 5.. mm long"),
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
        assert record["scan"].keys() >= SCAN_FACTS
        assert set(record["measures"]) == MEASURES
        absent = {"arch_apex"} if measured is filled else set()
        assert set(record["landmarks"]) == LANDMARKS - absent
        assert record.keys() >= {"verdict", "findings", "pose", "axis_method", "sizes"}
        assert record["sizes"].keys() >= {"mondopoint", "eu", "uk", "us_men", "us_women", "formula"}
        for finding in record["findings"]:
            assert set(finding) == {
                "code",
                "severity",
                "text",
                "advice",
                "region",
                "value",
                "limit",
            }
        for value in record["measures"].values():
            assert ("reason" in value) is (value["value"] is None)


def test_record_s_two_places_of_a_landmark_agree(left):
    record = as_json(left, "0")
    pose = np.array(record["pose"])
    for mark in record["landmarks"].values():
        there = pose[:3, :3] @ mark["scanner_mm"] + pose[:3, 3]
        np.testing.assert_allclose(there, mark["foot_mm"], atol=2e-3)  # rounded to 0.001


def test_same_scan_gives_the_same_record_and_is_left_alone(clean_scan, clean, anew):
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


NO_SCAN = Scan(vertices=np.zeros((0, 3)), faces=[])


@pytest.mark.parametrize("length_mm", [146.0, 198.0, 270.0, 323.0, 364.0])
@pytest.mark.parametrize("unit", Unit)
def test_each_unit_is_told_from_a_foot_s_length(length_mm, unit):
    """Adults are 198 to 323 mm long (ANSUR II 2012); the ranges of the four units are apart."""
    factor, found, evidence = infer_unit(length_mm / unit.mm, NO_SCAN, Options())
    assert found is unit
    assert factor == unit.mm
    assert f"{length_mm:.0f} mm if {unit.value}" in evidence


@pytest.mark.parametrize("length", [144.0, 366.0, 0.144, 0.366, 14.4, 36.6, 5.6, 14.42, 2.66, 1000])
def test_length_that_is_no_foot_in_any_unit_is_asked_about(length):
    with pytest.raises(UnitsError, match="no foot in mm, cm, m or inch; give the factor"):
        infer_unit(length, NO_SCAN, Options())


def test_wrong_stated_unit_is_refused_and_a_right_one_believed():
    with pytest.raises(UnitsError, match=r"10630 mm in the stated unit \(cm\)"):
        infer_unit(1063.0, NO_SCAN, Options(unit=Unit.CM))
    assert infer_unit(10.63, NO_SCAN, Options(unit=Unit.INCH)) == (25.4, Unit.INCH, "stated: inch")
    with pytest.raises(UnitsError, match=r"scaled by 25\.4 the foot would be 6858 mm long"):
        infer_unit(270.0, NO_SCAN, Options(scale=25.4))


@pytest.fixture(scope="module")
def both_sides(flat_specimen) -> Scan:
    """A foot and its own mirror image in one place: left and right fit equally well."""
    there = flat_specimen.vertices
    return Scan(
        vertices=np.vstack([there, there * [1, -1, 1]]),
        faces=np.vstack([flat_specimen.faces, flat_specimen.faces[:, ::-1] + len(there)]),
    )


def test_side_that_cannot_be_told_is_asked_for(both_sides):
    with pytest.raises(SideError, match="cannot be told from this scan; say which foot it is"):
        measure_scan(both_sides, Options())


def test_a_scan_without_a_sole_hears_of_the_sole_and_not_of_its_side(both_sides):
    """Stating the side would not mend it."""
    up = face_normals(both_sides.vertices, both_sides.faces)[:, 2] > -0.3
    bare = Scan(vertices=both_sides.vertices, faces=both_sides.faces[up])
    with pytest.raises(ScanQualityError, match=r"^the sole is missing: neither heel nor ball"):
        measure_scan(bare, Options())


def test_stated_side_is_taken_where_the_scan_is_silent(both_sides):
    measured = measure_scan(both_sides, Options(side=Side.LEFT))
    assert measured.facts.side == "left"
    assert measured.facts.side_evidence.startswith("stated; as the other foot")
    assert "side-contradicted" not in {f.code for f in measured.report.findings}


def test_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(ScanReadError, match=r"away\.ply"):
        measure_files([tmp_path / "away.ply"])


@pytest.mark.parametrize("side", ["left", "right"])
def test_real_pair_keeps_its_sides_and_lengths(data_dir, side):
    """Standing, metres, sole closed by a plane; 276 mm along the foot's own axis, each."""
    measured = measure_files([data_dir / "real_pair" / f"{side}_foot.stl"])
    assert measured.facts.side == side
    assert measured.facts.unit is Unit.M
    assert measured.measures["foot_length"].value == pytest.approx(276.0, abs=1.0)  # rounded
    assert measured.measures["foot_breadth"].value == pytest.approx(108.0, abs=2.0)  # "about"
    assert measured.report.verdict is Verdict.MEASURING
    found = {f.code: f.severity for f in measured.report.findings}
    assert found["sole-filled"] is Severity.MEASURING
    assert measured.measures["arch_apex_height"].value is None


def test_foot_without_a_unit_is_asked_for_its_scale(data_dir):
    path = data_dir / "hard" / "unitless_tilted_left.off"
    with pytest.raises(UnitsError, match=r"2\.6\d long in the file.*give the factor, mm per unit"):
        measure_files([path])
    measured = measure_files([path], Options(scale=100.0))
    assert measured.facts.side == "left"
    assert measured.facts.unit is None
    # 2.66 is the raw extent along the file's axis
    assert measured.measures["foot_length"].value == pytest.approx(266.0, abs=3.0)


@pytest.mark.parametrize("name", ["pose_ToeFlexion_L"])
def test_side_of_shape_model_feet(data_dir, name):
    measured = measure_files([data_dir / "model_feet" / f"{name}.ply"])
    assert measured.facts.side == {"L": "left", "R": "right"}[name[-1]]
    assert measured.facts.unit is Unit.MM
    assert measured.foot.kind == "hanging"
    assert measured.measures["arch_apex_height"].value > 14  # an unloaded, high arch


def test_heads_of_a_body_model_lie_at_its_joints(data_dir):
    """Joint centres of an open body model lie a stated distance ahead of heads."""
    truth = json.loads((data_dir / "body_feet" / "landmarks.json").read_text("utf-8"))["m_p50_R"]
    measured = measure_files([data_dir / "body_feet" / "m_p50_R.ply"], Options(load=Load.NONE))
    assert measured.facts.side == truth["side"] == "right"
    pose = measured.foot.pose
    for number in range(1, 6):
        joint = pose[:3, :3] @ truth["joint_landmarks_mm"][f"MTP{number}"] + pose[:3, 3]
        off = measured.landmarks[f"mth{number}"].xyz - joint
        assert abs(off[1]) < 6.0, number  # across: a third of the distance between two heads
        ahead = ball.JOINT_AHEAD * measured.foot.length
        assert abs(off[0] + ahead) < 6.0, number  # along: three standard deviations
    wanted = truth["reference_measures_mm"]["foot_length"]  # an independent script's, 2 to 3 mm
    assert measured.measures["foot_length"].value == pytest.approx(wanted, abs=2.0)
