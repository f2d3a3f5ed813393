"""Measures on the command line: the JSON contract, units, sizes, shots, landmarks set by hand."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.command_line import BAD, LEFT, RIGHT, SAMPLES, SCAN_FACTS, Run


def test_measure_json_contract(run: Run) -> None:
    code, out, err = run("measure", LEFT, "--json", "--load", "half")
    assert (code, err) == (0, "")
    record = json.loads(out)
    assert record["tool"]["name"] == "solewright"
    assert set(record) >= {
        "tool",
        "scan",
        "verdict",
        "findings",
        "pose",
        "landmarks",
        "measures",
        "sizes",
    }
    assert set(record["scan"]) >= SCAN_FACTS
    assert (record["scan"]["side"], record["scan"]["load"]) == ("left", "half")
    for finding in record["findings"]:
        assert set(finding) == {"code", "severity", "text", "advice", "region", "value", "limit"}
    pose = np.array(record["pose"])
    assert pose.shape == (4, 4)
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(-1, abs=1e-9)  # a left foot is mirrored
    for mark in record["landmarks"].values():
        assert set(mark) >= {"foot_mm", "scanner_mm", "sd_mm", "method"}
        # numbers are rounded to a micrometre, in two frames
        back = pose @ [*mark["scanner_mm"], 1.0]
        assert back[:3] == pytest.approx(mark["foot_mm"], abs=0.005)
    # 268.4 mm by construction; noise and thinning belong to the scan: within 1 %
    length = record["measures"]["foot_length"]
    assert length["unit"] == "mm"
    assert length["sd"] > 0
    assert length["value"] == pytest.approx(268.4, rel=0.01)
    for measure in record["measures"].values():
        assert measure["value"] is not None or measure["reason"]


def test_measure_json_lists_what_failed(run: Run, tmp_path: Path) -> None:
    missing = tmp_path / "missing.ply"
    code, out, err = run("measure", LEFT, missing, RIGHT, "--json")
    assert code == 3
    records = json.loads(out)
    assert [record.get("scan", {}) and "error" in record for record in records] == [
        False,
        True,
        False,
    ]
    assert set(records[1]) == {"scan", "error"}
    assert records[1]["scan"] == str(missing)
    assert len(err.splitlines()) == 1
    assert err.startswith("solewright: ")


def test_measure_table_carries_units_and_uncertainty(run: Run) -> None:
    code, out, err = run("measure", LEFT, RIGHT)
    assert (code, err) == (0, "")
    row = next(row for row in out.splitlines() if row.startswith("foot length"))
    assert row.count("±") == 2
    assert row.count("mm") == 2
    assert "one standard deviation" in out


def test_measure_takes_the_rule_for_eu_sizes(run: Run) -> None:
    """The two rules in use are 0.25 apart."""
    sizes = {}
    for rule in ("two-points", "fifteen-mm"):
        code, out, _ = run("measure", LEFT, "--json", "--eu-rule", rule)
        assert code == 0
        sizes[rule] = json.loads(out)["sizes"]
    assert sizes["fifteen-mm"]["eu"] - sizes["two-points"]["eu"] == pytest.approx(0.25, abs=0.011)
    assert sizes["fifteen-mm"]["formula"] != sizes["two-points"]["formula"]
    _, out, _ = run("measure", LEFT, "--eu-rule", "fifteen-mm")
    assert sizes["fifteen-mm"]["formula"] in out


def test_a_child_s_foot_has_a_mondopoint_size_and_a_reason(run: Run, tmp_path: Path) -> None:
    from footscan.specimen import made_up as specimen
    from footscan.specimen.made_up import ScannerSpec, Shape

    child = specimen.build(Shape(length=200.0, breadth=77.0, arch_height=10.0, cell=2.0))
    path = tmp_path / "child.ply"
    specimen.write_scan(specimen.scan(child, ScannerSpec(), np.random.default_rng(2)), path)
    code, out, _ = run("measure", path, "--json")
    record = json.loads(out)
    assert code == 0
    assert set(record["sizes"]) == {"mondopoint", "reason"}
    assert record["sizes"]["mondopoint"].startswith("200/")
    code, out, _ = run("measure", path)
    assert f"right: only the Mondopoint size, {record['sizes']['reason']}" in out
    row = next(row for row in out.splitlines() if row.startswith("size EU"))
    assert row.split()[-1] == "–"


def test_measure_expects_the_length_on_both_feet_of_an_unloaded_one(run: Run) -> None:
    """Plus 1.07 % (Xiong et al. 2009), said to be an expectation; a loaded foot has no such row."""
    code, out, _ = run("measure", LEFT, RIGHT, "--load", "none")
    assert code == 0
    rows = {row[:24].strip(): row[24:].split() for row in out.splitlines()}
    for measured, expected in zip(rows["foot length"][::4], rows["on both feet"][::4], strict=True):
        assert float(expected) == pytest.approx(float(measured) * 1.0107, abs=0.1)
    assert "expected, not measured" in out
    assert "Xiong" in out
    _, out, _ = run("measure", LEFT, RIGHT, "--load", "half")
    assert "on both feet" not in out


def test_measure_says_what_differs_between_left_and_right(run: Run) -> None:
    """Made 2.5 mm apart in length, 0.9 in breadth and 2.1 under the arch, not at the navicular."""
    _, out, _ = run("measure", RIGHT, LEFT)
    block = out[out.index("Left and right differ") :]
    for words, made in (("foot length: right", 2.5), ("arch apex height: left", 2.1)):
        told = re.search(rf"{words} larger by ([\d.]+) mm \(beyond ± ([\d.]+) mm\)", block)
        assert told is not None, words
        assert float(told[1]) == pytest.approx(made, abs=float(told[2]))
    assert "navicular" not in block


def test_repeated_scans_of_one_foot(run: Run) -> None:
    again = str(SAMPLES / "larch_left_floor_metres.ply")
    code, out, err = run("measure", LEFT, again, "--repeated")
    assert (code, err) == (0, "")
    block = out[out.index("left foot, 2 shots") :].splitlines()
    row = next(row for row in block if row.startswith("foot length"))
    mean, sd = float(row[24:].split()[0]), float(row[24:].split()[2])
    first, second = (
        float(v)
        for v in next(r for r in out.splitlines() if r.startswith("foot length"))[24:].split()[::4]
    )
    assert mean == pytest.approx((first + second) / 2, abs=0.06)  # printed to a tenth
    assert sd == pytest.approx(abs(first - second) / 2, abs=0.06)
    assert "take a third" in out
    assert "Left and right" not in out


def test_repeated_scans_of_both_feet_are_refused(run: Run) -> None:
    code, out, err = run("measure", LEFT, RIGHT, "--repeated")
    assert (code, out) == (3, "")
    assert "repeated scans want one foot" in err


def test_a_landmark_belongs_to_the_scan_that_its_number_names(run: Run) -> None:
    record = json.loads(run("measure", RIGHT, "--json")[1])
    at = record["landmarks"]["mth1"]["scanner_mm"]
    place = ",".join(f"{v:.3f}" for v in at)
    code, out, _ = run("measure", LEFT, RIGHT, "--json", "--landmark", f"2:mth1={place}")
    left, right = json.loads(out)
    assert code == 0
    assert left["landmarks"]["mth1"]["method"] != "by hand"
    assert right["landmarks"]["mth1"]["method"] == "by hand"
    assert right["landmarks"]["mth1"]["scanner_mm"] == pytest.approx(at, abs=0.002)
    assert "automatic_foot_mm" in right["landmarks"]["mth1"]
    _, out, _ = run("measure", LEFT, RIGHT, "--landmark", f"2:mth1={place}")
    assert "right mth1 was set by hand, 0.0 mm from where the scan shows it" in out


def _moved(run: Run, name: str, step: list[float]) -> str:
    """Return the option that moves a landmark of the right sample, foot frame, mm."""
    record = json.loads(run("measure", RIGHT, "--json", "--load", "half")[1])
    pose = np.array(record["pose"])
    foot = np.array(record["landmarks"][name]["foot_mm"]) + step
    there = np.linalg.solve(pose[:3, :3], foot - pose[:3, 3])
    return f"{name}=" + ",".join(f"{v:.4f}" for v in there)


def _planned(run: Run, out: Path, *extra: str) -> dict[str, Any]:
    code, text, err = run(
        "plan", RIGHT, "--load", "half", "--json", "--forefoot", "2", "--out", out, *extra
    )
    assert code == 0, err
    return json.loads(text)["right"]


def test_an_apex_set_by_hand_moves_the_pad(run: Run, tmp_path: Path) -> None:
    before = _planned(run, tmp_path / "a")
    moved = _moved(run, "arch_apex", [-8.0, 0, 0])
    after = _planned(run, tmp_path / "b", "--landmark", moved)
    step = after["landmarks"]["arch_apex"][0] - before["landmarks"]["arch_apex"][0]
    assert step == pytest.approx(-8.0, abs=0.1)  # the seated foot is turned by a degree or two
    crests = [plan["pad"]["crest"]["from_rear"] for plan in (before, after)]
    # on a grid of 3 mm, within 3 mm ahead and 5 mm behind of its own apex
    assert -12.0 < crests[1] - crests[0] < -3.0
    assert any("arch apex was set by hand, 8.0 mm from" in n["text"] for n in after["notes"])
    assert after["measures"]["arch_apex_height"]["sd"] > 0


def test_heads_set_by_hand_move_cleat_wedge_and_ball_line(run: Run, tmp_path: Path) -> None:
    """The first head felt 12 mm farther back than the scan shows it, then the fifth."""
    before = _planned(run, tmp_path / "a")
    after = _planned(run, tmp_path / "b", "--landmark", _moved(run, "mth1", [-12.0, 0, 0]))
    for plan in (before, after):  # the axle is laid out from the first head
        mth1, mth5 = plan["landmarks"]["mth1"][0], plan["landmarks"]["mth5"][0]
        cleat = plan["cleat"]
        assert cleat["from_mth5"] == pytest.approx(mth1 + cleat["from_ball_mark"] - mth5, abs=0.02)
    assert before["landmarks"]["mth1"][0] - after["landmarks"]["mth1"][0] == pytest.approx(
        12.0, abs=0.1
    )
    # the ramp is full to a fixed way ahead of the foremost head: it follows the first
    assert before["wedges"][0]["full_to"] - after["wedges"][0]["full_to"] == pytest.approx(
        12.0, abs=0.1
    )
    assert any("mth1 was set by hand, 12.0 mm from" in note["text"] for note in after["notes"])
    # the grid for pads ends a fixed way behind the ball line's rear end: the border point, or
    # the head where that lies farther back
    after = _planned(run, tmp_path / "c", "--landmark", _moved(run, "mth5", [-12.0, 0, 0]))
    marks = before["landmarks"]
    ahead = marks["mth5"][0] - marks["metatarsale_fibulare"][0]
    assert ahead > 0
    assert before["base"]["grid_to"] - after["base"]["grid_to"] == pytest.approx(
        12.0 - ahead, abs=0.1
    )


def test_a_scan_to_be_taken_again_says_so_beside_its_figures(run: Run) -> None:
    """Whoever reads a table of figures with deviations has not read what `check` says."""
    code, out, _ = run("measure", LEFT, BAD, "--load", "half")
    assert code == 0
    heads, verdicts = out.splitlines()[:2]
    assert heads.split()[0] == "left"
    assert verdicts.split("  ")[0] == "verdict"
    assert verdicts.index("FIT FOR MAKING") < verdicts.index("SCAN AGAIN")
    (said,) = (line for line in out.splitlines() if line.startswith("right, larch_right_to"))
    assert "The toes end in an open rim" in said
    assert "do not cover what was not seen" in said
    assert not any(line.startswith("left, larch_left") for line in out.splitlines())


def test_a_hand_held_scans_figures_say_what_its_scale_may_be_off_by(run: Run) -> None:
    _, fixed, _ = run("measure", LEFT, "--load", "half")
    _, held, _ = run("measure", LEFT, "--load", "half", "--hand-held")
    words = "may be off in scale by 1 or 2 %: 3 to 5 mm of a foot's length"
    assert words in held
    assert words not in fixed
    assert "verdict                   FIT FOR MEASURING ONLY" in held
    _, known, _ = run("measure", LEFT, "--load", "half", "--hand-held", "--foot-length", "269")
    assert words not in known


def test_a_plan_of_a_hand_held_scan_asks_for_the_length_and_not_for_another_scan(run: Run) -> None:
    """Whoever scans again with the same telephone is no further."""
    code, _, err = run("plan", LEFT, "--load", "half", "--hand-held")
    assert code == 3
    assert "measure the foot by hand and state its length, or plan without the arch" in err
    assert err.rstrip().endswith("(--foot-length, --without-arch)")


def test_a_landmark_set_by_eye_is_no_surer_than_where_it_was_found(run: Run) -> None:
    record = json.loads(run("measure", RIGHT, "--json")[1])
    found = record["landmarks"]["mth1"]
    place = ",".join(f"{v:.3f}" for v in found["scanner_mm"])
    told = {}
    for how in ("", ",eye"):
        out = run("measure", RIGHT, "--json", "--landmark", f"mth1={place}{how}")[1]
        told[how] = json.loads(out)
    felt, eye = (one["landmarks"]["mth1"] for one in told.values())
    assert (felt["method"], felt["sd_mm"]) == ("by hand", 1.0)
    assert (eye["method"], eye["sd_mm"]) == ("by eye", found["sd_mm"])
    sds = [one["measures"]["truncated_length"]["sd"] for one in (told[""], told[",eye"], record)]
    assert sds[0] < sds[1] == pytest.approx(sds[2], rel=0.1)
    code, _, err = run("measure", RIGHT, "--landmark", f"mth1={place},nose")
    assert code == 2
    assert "--landmark wants [N:]NAME=X,Y,Z" in err
