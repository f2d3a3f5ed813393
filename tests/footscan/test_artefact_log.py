"""The log of scanner checks: lines kept, damage refused, drift against its formula."""

from __future__ import annotations

import json
import os
import threading
from dataclasses import replace
from datetime import date, timedelta
from functools import partial

import numpy as np
import pytest

from footscan import files
from footscan.checking import log_file
from footscan.checking.artefact import ArtefactCheck, check_artefact
from footscan.checking.artefact_log import drift, entry_of, evidence, limits
from footscan.checking.ball import Figure
from footscan.checking.entry import Entry
from footscan.checking.log_file import append, read
from footscan.errors import ScanReadError

DAY = date(2026, 1, 5)


def check(factor=1.0, sd=1e-5) -> ArtefactCheck:
    figures = (
        Figure(name="diameter_1", value=30.01, unit="mm", sd=0.002),
        Figure(name="probing_size_error_1", value=0.01, unit="mm", sd=0.002),
        Figure(name="probing_form_error_1", value=0.20, unit="mm"),
        Figure(name="diameter_2", value=29.97, unit="mm", sd=0.002),
        Figure(name="probing_size_error_2", value=-0.03, unit="mm", sd=0.002),
        Figure(name="probing_form_error_2", value=0.15, unit="mm"),
        Figure(name="sphere_spacing", value=200 * factor, unit="mm", sd=0.002),
        Figure(name="sphere_spacing_error", value=200 * (factor - 1), unit="mm", sd=0.002),
        Figure(name="scale_factor", value=factor, unit="", sd=sd),
    )
    return ArtefactCheck(
        kind="ball bar",
        figures=figures,
        points_used=6000,
        points_left_out=800,
        diameter=30.0,
        spacing=200.0,
    )


def entry(factor=1.0, day=DAY, scanner="bench 1", **changes) -> Entry:
    made = entry_of(check(factor), day=day, scanner=scanner, scan="bar.ply", software="1.2.3")
    return replace(made, **changes) if changes else made


def series(factors, days=None, **kwargs):
    days = days if days is not None else range(0, 10 * len(factors), 10)
    return [
        entry(f, DAY + timedelta(days=int(d)), **kwargs) for f, d in zip(factors, days, strict=True)
    ]


# ------------------------------------------------------------------ the file


def test_an_entry_comes_back_as_it_was_written(tmp_path):
    path = tmp_path / "log.csv"
    written = [entry(1.0004), entry(0.9998, scanner='left, "old" one – 2'), entry(spacing_mm=None)]
    for one in written:
        append(path, one)
    assert list(read(path)) == written
    assert written[0].measured_diameter_mm == pytest.approx(29.97)  # the ball farther off
    assert written[0].size_error_mm == pytest.approx(-0.03)
    assert written[0].form_error_mm == pytest.approx(0.20)  # the larger of both
    assert written[0].spacing_error_mm == pytest.approx(0.08)


def test_a_real_check_fits_into_a_line(tmp_path):
    rng = np.random.default_rng(1)
    way = rng.standard_normal((2000, 3))
    ball = 15.0 * way / np.linalg.norm(way, axis=1, keepdims=True)
    points = np.concatenate([ball, ball + np.array([200.0, 0, 0])])
    made = check_artefact(points, diameter=30.0, spheres=2, spacing=200.0)
    append(tmp_path / "log.csv", entry_of(made, day=DAY, scanner="a", scan="b", software="c"))
    (back,) = read(tmp_path / "log.csv")
    assert back.scale_factor == pytest.approx(1.0, abs=1e-6)
    assert (back.diameter_mm, back.spacing_mm) == (30.0, 200.0)


def test_earlier_lines_are_not_touched(tmp_path):
    """Also those that another program has rewritten: line ends, a byte order mark, no last end."""
    path = tmp_path / "log.csv"
    append(path, entry())
    mine = path.read_bytes().replace(b"\n", b"\r\n")
    path.write_bytes(b"\xef\xbb\xbf" + mine.removesuffix(b"\r\n"))
    before = path.read_bytes()
    append(path, entry(1.001))
    assert path.read_bytes().startswith(before)
    assert [e.scale_factor for e in read(path)] == [1.0, 1.001]
    assert {p.name for p in tmp_path.iterdir()} <= {"log.csv", ".log.csv.lock"}


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda d: b"milk, bread\n", "headings of a scanner log"),
        (lambda d: d.replace(b"date,", b"day,"), "headings of a scanner log"),
        (lambda d: d[:-30], "line 3, is damaged: it has"),
        (lambda d: d.replace(b"2026-01-05", b"5.1.2026"), "line 2, is damaged: Invalid isoformat"),
        (lambda d: d.replace(b"1.001", b"nan"), "line 3, is damaged: 'nan' is no measure"),
        (lambda d: d.replace(b"1.001", b"-1.001"), "the scale factor is not positive"),
        (lambda d: d.replace(b"ball bar", b"spoon"), "line 2, is damaged: scanner or artefact"),
        (lambda d: d + b'"', "no scanner log or was damaged"),
        (lambda d: d + b"\xff\xfe", "no scanner log or was damaged"),
    ],
)
def test_a_damaged_log_is_refused_and_left_alone(tmp_path, spoil, words):
    path = tmp_path / "log.csv"
    append(path, entry())
    append(path, entry(1.001))
    path.write_bytes(spoil(path.read_bytes()))
    before = path.read_bytes()
    for use in (lambda: read(path), lambda: append(path, entry())):
        with pytest.raises(ScanReadError, match=words):
            use()
    assert path.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} <= {"log.csv", ".log.csv.lock"}


def test_a_missing_log_is_begun_by_a_check_only(tmp_path):
    with pytest.raises(ScanReadError, match="a scanner check begins one"):
        read(tmp_path / "none.csv")
    with pytest.raises(ScanReadError, match="cannot be written"):
        append(tmp_path / "no folder" / "log.csv", entry())


def test_a_write_that_fails_leaves_the_log_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "log.csv"
    append(path, entry())
    before = path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(ScanReadError, match="no space left on device"):
        append(path, entry(1.001))
    assert path.read_bytes() == before
    assert {p.name for p in tmp_path.iterdir()} <= {"log.csv", ".log.csv.lock"}


def test_two_checks_at_once_lose_no_line(tmp_path):
    path = tmp_path / "log.csv"
    threads = [threading.Thread(target=append, args=(path, entry(1 + k / 1e4))) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {e.scale_factor for e in read(path)} == {1 + k / 1e4 for k in range(8)}


def test_a_lock_left_behind_stops_nobody_and_a_held_one_does(tmp_path, monkeypatch):
    path = tmp_path / "log.csv"
    (tmp_path / ".log.csv.lock").touch()
    append(path, entry())
    assert len(read(path)) == 1
    monkeypatch.setattr(log_file, "alone", partial(files.alone, wait=0.0))
    with files.alone(path), pytest.raises(ScanReadError, match="another check is writing"):
        append(path, entry(1.001))
    assert len(read(path)) == 1


@pytest.mark.parametrize("name", ["", "   ", "=cmd()", "-x", "y" * 61])
def test_a_name_that_cannot_stand_in_a_table_is_refused(name):
    with pytest.raises(ScanReadError, match="a scanner's name starts with"):
        entry_of(check(), day=DAY, scanner=name, scan="b", software="c")


# ------------------------------------------------------------------ drift


def test_drift_is_the_least_squares_line():
    """Against scipy's own regression: slope times span, and its interval by Student's t."""
    from scipy import stats  # dear to load

    rng = np.random.default_rng(2)
    days = np.sort(rng.choice(200, 9, replace=False))
    factors = 1 + 2e-5 * days + 3e-4 * rng.standard_normal(9)
    (found,) = drift(series(factors, days), DAY + timedelta(days=205))
    line = stats.linregress(days, 100 * np.round(factors, 6))
    span = days[-1] - days[0]
    assert found.change == pytest.approx(line.slope * span, rel=1e-6)
    assert found.band == pytest.approx(stats.t.ppf(0.975, 7) * line.stderr * span, rel=1e-6)
    assert found.age == 205 - days[-1]


def test_the_interval_holds_the_true_drift_about_95_times_in_100():
    """Binomial, 300 trials at 0.95: fewer than 270 or more than 297 has a chance below 0.2 %."""
    rng, inside = np.random.default_rng(3), 0
    days = np.array([0, 14, 27, 45, 60])
    for _ in range(300):
        factors = 1 + 1e-5 * days + 2e-4 * rng.standard_normal(5)
        (found,) = drift(series(factors, days), DAY + timedelta(days=60))
        inside += abs(found.change - 100 * 1e-5 * 60) <= found.band
    assert 270 <= inside <= 297


def test_two_days_give_their_difference():
    """0.1 % in 30 days; each factor is known to 0.001 %: 1.96 x sqrt 2 x 0.001 %."""
    (found,) = drift(series([1.0, 1.001], [0, 30]), DAY + timedelta(days=30))
    assert found.change == pytest.approx(0.1, abs=1e-9)
    assert found.band == pytest.approx(1.96 * np.sqrt(2) * 0.001, rel=1e-6)


def test_one_check_tells_no_drift():
    (found,) = drift([entry()], DAY)
    assert (found.change, found.band, found.sentences) == (None, None, ())
    assert "two days or more are needed" in found.as_text()


def test_only_like_is_laid_on_one_line():
    """A ball's factor comes from its size, a bar's from its spacing: they do not mix."""
    other = replace(entry(1.004), artefact="ball", spacing_mm=None)
    found = drift([entry(), other, entry(scanner="bench 2"), entry(1.0001)], DAY)
    assert sorted(len(s.entries) for s in found) == [1, 1, 2]


@pytest.mark.parametrize(
    ("factors", "later", "words"),
    [
        ([1.0, 1.0, 1.0], 29, None),
        ([1.0, 1.0, 1.0], 31, "31 days old; one vouches for less than 30: check it again"),
        ([1.0, 1.0, 1.0], 30, "30 days old; one vouches for less than 30: check it again"),
        ([1.0, 1.0009, 1.0019], 0, None),
        ([1.0, 1.0011, 1.0022], 0, "drifted by .0.22 %, more than 0.2 %"),
        ([0.9989, 1.0, 0.9978], 0, "jumped by .0.22 % since"),
        ([1.0049, 1.0049], 0, None),
        ([1.0052, 1.0052], 0, "reads .0.52 %, more than 0.5 % off"),
    ],
)
def test_limits_are_told_when_they_are_passed(factors, later, words):
    import re

    (found,) = drift(series(factors), DAY + timedelta(days=10 * (len(factors) - 1) + later))
    assert bool(found.sentences) is (words is not None)
    if words:
        assert re.search(words, found.sentences[0])
        assert found.sentences[0] in found.as_text()


def test_limits_carry_unit_and_reason():
    for name in ("check-age", "scale-drift", "scale-error"):
        assert limits()[name].unit in ("days", "%")
        assert len(limits()[name].why) > 30


def test_text_and_record_say_the_same():
    (found,) = drift(series([1.0, 1.0003, 1.0005]), DAY + timedelta(days=25))
    record = json.loads(json.dumps(found.as_record()))
    assert record["scale_change_percent"] == pytest.approx(0.05, abs=0.003)
    assert len(record["checks"]) == 3
    assert record["checks"][0]["date"] == "2026-01-05"
    text = found.as_text()
    assert text.startswith("bench 1, ball bar 30 mm 200 mm apart: 3 checks")
    assert "1.00030" in text


# ------------------------------------------------------------------ evidence for the scale


@pytest.mark.parametrize(
    ("factor", "age", "verified"),
    [(1.001, 0, True), (1.001, 29, True), (1.001, 30, False), (0.994, 3, False), (1.0, -1, False)],
)
def test_a_recent_good_check_vouches_for_the_scale(factor, age, verified):
    """Less than 30 days old; common practice, no source."""
    found = evidence([entry(factor)], DAY + timedelta(days=age))
    assert found.verified is verified
    assert "bench 1 was checked on 2026-01-05" in found.words


def test_the_latest_check_counts_and_a_plate_shows_no_scale():
    later = entry(1.02, DAY + timedelta(days=2))
    assert evidence([later, entry()], DAY + timedelta(days=3)).verified is False
    plate = replace(entry(), artefact="plate", scale_factor=None, scale_sd=None)
    found = evidence([plate], DAY)
    assert found.verified is False
    assert "plate shows no scale" in found.words


def test_the_scanner_must_be_in_the_log():
    both = [entry(), entry(scanner="bench 2")]
    with pytest.raises(ScanReadError, match="the log holds bench 1, bench 2: say which"):
        evidence(both, DAY)
    assert evidence(both, DAY, "bench 2").verified
    with pytest.raises(ScanReadError, match="no check of phone, only of bench 1, bench 2"):
        evidence(both, DAY, "phone")
    with pytest.raises(ScanReadError, match="no check of any scanner"):
        evidence([], DAY)


def test_another_scanners_check_vouches_for_nothing():
    late = replace(entry(scanner="bench 2"), date=DAY + timedelta(days=1))
    off = entry(1.02)
    assert not evidence([off, late], DAY + timedelta(days=1), "bench 1").verified
    assert evidence([off, late], DAY + timedelta(days=1), "bench 2").verified


def test_only_a_passed_check_is_evidence():
    """A thing that is no ball, however well its mean diameter fits, vouches for nothing."""
    rng = np.random.default_rng(1)
    way = rng.standard_normal((3000, 3))
    ball = 25.0 * way / np.linalg.norm(way, axis=1, keepdims=True)
    stretched = check_artefact(ball * [1.03, 0.97, 1.0], diameter=50.0)
    assert abs(stretched["scale_factor"].value - 1) < 0.004
    made = [
        entry_of(c, day=DAY, scanner="a", scan="b", software="c")
        for c in (check_artefact(ball, diameter=50.0), stretched)
    ]
    assert made[1].scale_factor is None
    assert evidence(made[:1], DAY).verified
    for order in (made, made[1:]):  # of one day the last line counts
        found = evidence(order, DAY)
        assert found.verified is False
        assert "did not pass: ball 1 is" in found.words.replace("95 % of the points of ", "")
    assert evidence(made[::-1], DAY).verified


def test_a_check_that_did_not_pass_comes_back_as_it_was_written(tmp_path):
    rng = np.random.default_rng(1)
    way = rng.standard_normal((3000, 3))
    ball = 25.0 * way / np.linalg.norm(way, axis=1, keepdims=True)
    made = check_artefact(ball, diameter=60.0)
    line = entry_of(made, day=DAY, scanner="a", scan="b", software="c")
    append(tmp_path / "log.csv", line)
    assert read(tmp_path / "log.csv") == (line,)
    assert "the scale reads -16.67 %" in line.not_passed
    assert line.scale_factor == pytest.approx(50 / 60, abs=1e-4)  # a ball, and its drift counts
    (series,) = drift([line], DAY)
    assert "not passed" in series.as_text()
