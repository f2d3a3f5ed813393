"""Comparing scans, judging a series, checking a scanner and what its log vouches for."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

from tests.command_line import LEFT, RIGHT, SAMPLES, SHOE, Run


def test_compare_and_fit_speak_in_words_and_json(run: Run) -> None:
    code, out, _ = run("compare", LEFT, RIGHT)
    assert code == 0
    assert "mm" in out
    code, out, _ = run("compare", LEFT, RIGHT, "--json")
    assert code == 0
    assert json.loads(out)
    code, out, err = run("fit", LEFT, RIGHT, "--shoe", SHOE, "--shoe", SAMPLES / "shoe_wide.toml")
    assert (code, err) == (0, "")
    assert out.startswith("1. ")
    assert "\n2. " in out
    code, out, _ = run(
        "fit", LEFT, RIGHT, "--shoe", SHOE, "--shoe", SAMPLES / "shoe_wide.toml", "--json"
    )
    assert code == 0
    ranked = json.loads(out)
    assert [record["place"] for record in ranked] == [1, 2]
    assert {record["shoe"][:9] for record in ranked} == {"Demo shoe"}
    for record in ranked:
        assert [foot["side"] for foot in record["feet"]] == ["left", "right"]
        assert record["reasons"]


@pytest.mark.long
def test_compare_tells_two_peoples_feet_from_two_scans_of_one(run: Run, tmp_path: Path) -> None:
    """A foot against itself, and against one 3 % larger: exit 0 and 10."""
    from footscan import reading

    assert run("compare", LEFT, LEFT)[0] == 0
    scan = reading.read([LEFT])
    larger = tmp_path / "other.stl"
    trimesh.Trimesh(1.03 * scan.vertices, scan.faces, process=False).export(larger)
    code, out, err = run("compare", LEFT, larger)
    assert (code, err) == (10, "")
    assert out.startswith("two scans of one side, not alike")
    assert "These are not two scans of one foot alike: " in out
    assert run("compare", LEFT, larger, "--json")[0] == 10


def test_compare_writes_a_picture(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "apart.png"
    code, out, err = run("compare", LEFT, RIGHT, "--picture", target)
    assert code == 0
    assert target.read_bytes()[:4] == b"\x89PNG"
    assert str(target) in err
    # the foot limit of ISO 20685-1 is 2 mm; made 1.0 mm apart in breadth, 2.4 in length
    rows = {row[:24].strip(): row for row in out.splitlines()}
    assert "over 2 mm" not in rows["foot breadth"]
    told = [row for row in rows.values() if " mm" in row and "±" in row and "rms" not in row]
    assert len(told) > 10
    for row in told:
        assert ("over 2 mm" in row) is (abs(float(row[42:51])) > 2.0), row
    assert "two scans are no verdict" in out


def test_compare_judges_a_series(run: Run, tmp_path: Path) -> None:
    """40 people, mean 0.5, SD 2.0: within; the first 39 of them: no verdict."""
    values = np.linspace(-1, 1, 40)
    errors = 0.5 + 2.0 * values / values.std(ddof=1)
    rows = [f"foot_length,{error:.6f}" for error in errors]
    table = tmp_path / "series.csv"
    table.write_text("\n".join(["measure,difference", *rows]), encoding="utf-8")
    code, out, err = run("compare", "--series", table)
    assert (code, err) == (0, "")
    assert "within the limit of 2 mm: 95 % interval of the mean error -0.12 to +1.12 mm" in out
    table.write_text("\n".join(["measure,difference", *rows[:39]]), encoding="utf-8")
    code, out, _ = run("compare", "--series", table, "--json")
    assert code == 0
    assert json.loads(out)[0]["rules"][0]["holds"] is None
    code, _, err = run("compare", "--series", tmp_path / "none.csv")
    assert code == 3
    assert len(err.splitlines()) == 1


def test_artefact_tells_errors_and_that_it_is_no_certificate(run: Run, bar: Path) -> None:
    code, out, err = run("artefact", bar, "--ball", "30", "--spacing", "200")
    assert (code, err) == (0, "")
    assert "scale factor" in out
    assert "1.00100" in out
    assert "+0.200" in out  # sphere spacing error, mm
    assert "not a certificate" in out
    assert "VDI/VDE 2634" in out


def test_artefact_keeps_a_log_and_shows_its_drift(run: Run, bar: Path, tmp_path: Path) -> None:
    from datetime import date, timedelta

    log = tmp_path / "checks.csv"
    ask = ["artefact", bar, "--ball", "30", "--spacing", "200", "--log", log, "--scanner", "bench"]
    day = date.today() - timedelta(days=40)
    assert run(*ask, "--date", day.isoformat())[0] == 0
    first = log.read_bytes()
    np.savetxt(bar, 1.003 * np.loadtxt(bar), fmt="%.6f")
    code, out, err = run(*ask)
    assert code == 0
    assert f"added to {log}" in err
    assert "drifted by +0.30 %" in out
    assert log.read_bytes().startswith(first)
    code, out, _ = run("artefact", "--drift", log)
    assert code == 0
    assert "bench, ball bar 30 mm 200 mm apart: 2 checks" in out
    assert "scale +0.300" in out
    assert "in 40 days" in out
    code, out, _ = run("artefact", "--drift", log, "--json")
    assert json.loads(out)[0]["scale_change_percent"] == pytest.approx(0.3, abs=0.002)
    log.write_bytes(log.read_bytes()[:-9])
    before = log.read_bytes()
    code, out, err = run(*ask)
    assert (code, out) == (3, "")
    assert len(err.splitlines()) == 1
    assert "line 3, is damaged" in err
    assert log.read_bytes() == before


@pytest.mark.long
def test_nonsense_vouches_for_no_scale(run: Run, tmp_path: Path) -> None:
    """A foot given as a ball, a stretched ball, a ball stated too large: exit 10, no evidence."""
    rng = np.random.default_rng(1)
    way = rng.standard_normal((3000, 3))
    ball = 25 * way / np.linalg.norm(way, axis=1, keepdims=True)
    scans = {"round": ball, "stretched": ball * [1.03, 0.97, 1.0]}
    for name, points in scans.items():
        np.savetxt(tmp_path / f"{name}.xyz", points, fmt="%.6f")
    asked = {
        "round": (tmp_path / "round.xyz", "50", 0),
        "stretched": (tmp_path / "stretched.xyz", "50", 10),
        "larger": (tmp_path / "round.xyz", "60", 10),
        "foot": (LEFT, "135.76", 10),
    }
    for name, (scan, size, wanted) in asked.items():
        log = tmp_path / f"{name}.csv"
        code, out, _ = run("artefact", scan, "--ball", size, "--log", log, "--scanner", "bench")
        assert code == wanted, name
        assert ("Not passed: " in out) is (wanted == 10), name
        code, out, _ = run(
            "check", LEFT, "--load", "half", "--hand-held", "--scanner-log", log, "--json"
        )
        codes = [finding["code"] for finding in json.loads(out)["findings"]]
        assert (code, "scale-unverified" in codes) == (wanted, wanted == 10), name


def test_a_scanners_log_verifies_the_scale_for_thirty_days(
    run: Run, bar: Path, tmp_path: Path
) -> None:
    """Checked today: no finding, even hand-held. Checked in 2020: unverified, measuring only."""
    ask = ["artefact", bar, "--ball", "30", "--spacing", "200", "--scanner", "bench", "--log"]
    fresh, old = tmp_path / "fresh.csv", tmp_path / "old.csv"
    assert run(*ask, fresh)[0] == 0
    assert run(*ask, old, "--date", "2020-01-01")[0] == 0
    ways = {
        (): (0, True),
        ("--scanner-log", fresh): (0, False),
        ("--scanner-log", old): (0, True),
        ("--hand-held",): (10, True),
        ("--hand-held", "--scanner-log", fresh): (0, False),
        ("--hand-held", "--scanner-log", old, "--scanner", "bench"): (10, True),
    }
    for options, (wanted, unverified) in ways.items():
        code, out, _ = run("check", LEFT, "--load", "half", "--json", *options)
        record = json.loads(out)
        codes = [finding["code"] for finding in record["findings"]]
        assert (code, "scale-unverified" in codes) == (wanted, unverified), options
    code, out, _ = run("check", LEFT, "--load", "half", "--scanner-log", old)
    assert "bench was checked on 2020-01-01" in out
    code, _, err = run("check", LEFT, "--scanner-log", fresh, "--scanner", "other")
    assert code == 3
    assert "holds no check of other" in err
    assert run("check", LEFT, "--scanner", "other")[0] == 2
