"""The scanner check against worked values, and the ISO 20685 rule against its worked examples.

Sources: terms of VDI/VDE 2634 part 2 (sphere spacing error: quoted page, READ-S; probing size and
flatness error: value from memory) and of ISO 10360-13. The numbers (ball of 30 mm and bar of
200 mm scaled by 1.002; a dent and a bump of 0.1 mm) follow from the definitions (CALC).
ISO 20685-1:2018, limit of 2 mm for feet and the decision rule: as quoted in Gupta & Zakaria
(eds), Anthropometry, Apparel Sizing and Design, pp. 41-42 (READ-S); at least 40 people: value
from memory.
"""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from footscan.checking.artefact import check_artefact, check_plate
from footscan.checking.series import iso_20685_rule, judge_series
from footscan.errors import ScanQualityError, ScanReadError

BALL, BAR = 30.0, 200.0


def ball(rng, *, centre=(0.0, 0.0, 0.0), diameter=BALL, n=3000, noise=0.0, lowest=-0.6):
    """Points on a ball, its underside below `lowest` radii unseen as on a stand."""
    way = rng.standard_normal((3 * n, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    way = way[way[:, 2] > lowest][:n]
    radius = diameter / 2 + noise * rng.standard_normal(len(way))
    return np.asarray(centre) + way * radius[:, None]


def ball_bar(rng, scale=1.0, noise=0.0, n=3000):
    """Two balls 200 mm apart with the bar between them."""
    turn = np.array([0.6, 0.8, 0.0]) * BAR
    bar = turn * rng.uniform(0.12, 0.88, (800, 1))
    spun = rng.uniform(0, 2 * np.pi, 800)
    bar = bar + 4 * (np.cos(spun)[:, None] * [-0.8, 0.6, 0] + np.sin(spun)[:, None] * [0, 0, 1.0])
    parts = (ball(rng, noise=noise, n=n), ball(rng, centre=turn, noise=noise, n=n), bar)
    return scale * np.concatenate(parts) + [310.0, -45.0, 900.0]


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def test_scaled_ball_has_the_size_error_of_the_worked_example(rng):
    """30 mm scaled by 1.002: probing size error +0.060 mm; without noise the form is perfect."""
    check = check_artefact(1.002 * ball(rng), diameter=BALL)
    assert check["probing_size_error_1"].value == pytest.approx(0.060, abs=1e-6)
    assert check["probing_form_error_1"].value == pytest.approx(0.0, abs=1e-6)
    assert check["scale_factor"].value == pytest.approx(1.002, abs=1e-7)


def test_scaled_ball_bar_has_the_spacing_error_of_the_worked_example(rng):
    """200 mm scaled by 1.002: sphere spacing error +0.400 mm; to 0.01 mm without noise."""
    check = check_artefact(ball_bar(rng, 1.002), diameter=BALL, spheres=2, spacing=BAR)
    assert check["sphere_spacing_error"].value == pytest.approx(0.400, abs=1e-3)
    assert check["scale_factor"].value == pytest.approx(1.002, abs=1e-5)
    for number in (1, 2):
        assert check[f"probing_size_error_{number}"].value == pytest.approx(0.060, abs=2e-3)
    assert "reads 0.200 % long" in check.notes[0]
    told = float(re.search(r"multiply by ([\d.]+) to correct", check.notes[0])[1])
    assert told * check["scale_factor"].value == pytest.approx(1.0, abs=1e-5)
    assert told < 1.0  # of a scanner that reads long


def test_true_ball_bar_reads_true(rng):
    check = check_artefact(ball_bar(rng), diameter=BALL, spheres=2, spacing=BAR)
    assert check["sphere_spacing"].value == pytest.approx(BAR, abs=0.01)


def test_form_error_is_the_range_of_residuals(rng):
    """One point 0.1 mm out and one 0.1 mm in among thousands: the range is 0.2 mm."""
    points = ball(rng, n=4000)
    for index, off in ((7, 0.1), (90, -0.1)):
        points[index] *= 1 + off / (BALL / 2)
    check = check_artefact(points, diameter=BALL)
    # the two points pull the least squares sphere by about 0.1 / 4000 mm
    assert check["probing_form_error_1"].value == pytest.approx(0.2, abs=5e-4)


def test_noise_stays_within_the_stated_uncertainty():
    """0.1 mm noise and 0.2 % too long: the 95 % band holds the truth in about 95 of 100 scans."""
    truth = {"sphere_spacing_error": 0.400, "scale_factor": 1.002}
    truth |= {"probing_size_error_1": 0.060, "probing_size_error_2": 0.060}
    trials, off = 100, {name: [] for name in truth}
    for seed in range(trials):
        points = ball_bar(np.random.default_rng(seed), 1.002, noise=0.1, n=400)
        check = check_artefact(points, diameter=BALL, spheres=2, spacing=BAR)
        for name, true in truth.items():
            figure = check[name]
            assert figure.sd is not None
            off[name].append((figure.value - true) / figure.sd)
    for name, errors in off.items():
        # binomial, 100 trials at 0.95: fewer than 88 has a chance below 0.2 %
        assert np.sum(np.abs(errors) <= 1.96) >= 88, name
        assert np.mean(errors) == pytest.approx(0.0, abs=0.33), name  # 3.3 standard errors
    # no band is made wide to pass: standard deviation of one over 300 independent errors is 4 %
    errors = [v for name, own in off.items() if name != "scale_factor" for v in own]
    assert np.std(errors) == pytest.approx(1.0, abs=0.14)


def test_dispersion_leaves_out_the_worst_twentieth(rng):
    """Residuals even between -0.1 and +0.1 mm: 95 % of them lie within 0.19 mm, all within 0.2."""
    points = ball(rng, n=4000)
    way = points / np.linalg.norm(points, axis=1, keepdims=True)
    points = points + rng.uniform(-0.1, 0.1, (len(points), 1)) * way
    check = check_artefact(points, diameter=BALL)
    assert check["probing_dispersion_1"].value == pytest.approx(0.19, abs=0.004)
    assert check["probing_form_error_1"].value == pytest.approx(0.20, abs=0.004)


def test_without_a_stated_spacing_both_balls_tell_the_scale(rng):
    points = np.concatenate([ball(rng, diameter=30.3), ball(rng, centre=(0, BAR, 0))])
    check = check_artefact(points, diameter=BALL, spheres=2)
    assert check["scale_factor"].value == pytest.approx(1.005, abs=1e-5)
    assert check["sphere_spacing"].value == pytest.approx(BAR, abs=1e-3)


def test_floor_under_the_ball_does_not_pull_it(rng):
    floor = np.column_stack([rng.uniform(-60, 60, (6000, 2)), np.full(6000, -BALL / 2)])
    strays = rng.uniform(-60, 60, (60, 3))
    points = np.concatenate([ball(rng, lowest=-0.9), floor, strays])
    check = check_artefact(points, diameter=BALL)
    # without the strays that fall on the ball's band by chance nothing is left to pull: the
    # least squares sphere of 3000 points moves by at most 0.45 mm x a few strays / 3000
    assert check["probing_size_error_1"].value == pytest.approx(0.0, abs=0.005)
    assert check.points_left_out > 6000


def test_ball_of_another_size_is_refused(rng):
    with pytest.raises(ScanQualityError, match="no ball of about 30 mm was found"):
        check_artefact(ball(rng, diameter=60.0), diameter=BALL)


def test_second_ball_missing_is_refused(rng):
    with pytest.raises(ScanQualityError, match="no ball of about 30 mm was found"):
        check_artefact(ball(rng), diameter=BALL, spheres=2, spacing=BAR)


def test_plane_is_no_ball(rng):
    flat = np.column_stack([rng.uniform(-60, 60, (4000, 2)), np.zeros(4000)])
    with pytest.raises(ScanQualityError, match="no ball of about 30 mm was found"):
        check_artefact(flat, diameter=BALL)


@pytest.mark.parametrize(("lowest", "passed"), [(0.3, True), (0.5, False), (0.9, False)])
def test_a_small_cap_does_not_pass(rng, lowest, passed):
    """Mean direction of a cap above z: (1 + z) / 2, so that 30 % are left at z = 0.4 (CALC)."""
    check = check_artefact(ball(rng, lowest=lowest, n=2000), diameter=BALL)
    assert check.passed is passed
    assert passed or "too little of ball 1 was seen" in " ".join(check.strange)


@pytest.mark.parametrize(
    ("stretch", "passed"),
    [
        ((1.004, 0.996, 1.0), True),
        ((1.006, 0.994, 1.0), False),
        ((1.03, 0.97, 1.0), False),
        ((1.0, 1.03, 0.97), False),
    ],
)
def test_a_stretched_ball_does_not_pass(rng, stretch, passed):
    """Longer one way, shorter another: the mean diameter is kept, the difference is the limit."""
    check = check_artefact(ball(rng, diameter=50.0, noise=0.1) * stretch, diameter=50.0)
    assert check.passed is passed
    if not passed:
        wanted = 100 * (max(stretch) - min(stretch))
        (words,) = [w for w in check.strange if "longer one way" in w]
        assert float(words.split()[3]) == pytest.approx(wanted, abs=0.15)
        assert "Not passed: ball 1" in check.as_text()
        assert check.as_record()["passed"] is False


@pytest.mark.parametrize(
    ("scale", "passed"),
    [(0.9955, True), (1.0045, True), (0.9945, False), (1.0055, False), (1.03, False)],
)
def test_a_scale_beyond_its_limit_does_not_pass(rng, scale, passed):
    """0.5 % either way; common practice, no source."""
    check = check_artefact(scale * ball(rng), diameter=BALL)
    assert check.passed is passed
    assert check.strange == ()
    assert passed or "the scale reads" in check.off[0]


def test_a_ball_stated_too_large_does_not_pass(rng):
    check = check_artefact(ball(rng, diameter=50.0), diameter=60.0)
    assert not check.passed
    assert "-16.67 %" in check.off[0]
    assert "check the stated diameter" in check.off[0]


@pytest.mark.parametrize(("off", "passed"), [(0.45, True), (0.55, False)])
def test_a_bar_with_balls_of_another_size_does_not_pass(rng, off, passed):
    points = [ball(rng, diameter=BALL + off, centre=(x, 0, 0)) for x in (0.0, BAR)]
    check = check_artefact(np.concatenate(points), diameter=BALL, spheres=2, spacing=BAR)
    assert check.passed is passed
    assert len(check.off) == (0 if passed else 2)


@pytest.mark.parametrize(("noise", "passed"), [(0.3, True), (0.4, False)])
def test_a_ball_too_rough_does_not_pass(rng, noise, passed):
    """95 % of normal noise lies within 2 x 1.96 sd: 1.18 mm at 0.3 mm, 1.57 mm at 0.4 (CALC)."""
    assert check_artefact(ball(rng, noise=noise, n=4000), diameter=BALL).passed is passed


@pytest.mark.parametrize("diameter", [20, 25, 30, 40, 50, 60, 80, 100, 120, 135.76, 160, 200])
def test_a_foot_is_no_ball(diameter):
    """No part of a foot, heel and ankle included, passes for a ball of any size."""
    from footscan.specimen.made_up import Shape, build

    foot = build(Shape(cell=2.5))
    try:
        check = check_artefact(foot.vertices, diameter=float(diameter))
    except ScanQualityError:
        return  # no ball was found, which is true
    assert check.strange
    assert not any("reads" in note for note in check.notes)  # no scale is told


def test_a_ring_of_a_grid_is_no_ball():
    """Points of a square grid at one distance from a node lie on a sphere, and are flat."""
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = 15.0 * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    with pytest.raises(ScanQualityError, match="no ball of about 30 mm was found"):
        check_artefact(ring, diameter=BALL)


@pytest.mark.parametrize(("bend", "passed"), [(0.6, True), (0.8, False)])
def test_a_bent_plate_does_not_pass(rng, bend, passed):
    """Whole waves of amplitude a: 95 % of a sine lie within 2 a sin(0.475 pi) = 1.994 a (CALC)."""
    flat, turn = plate(rng)
    flat[:, 2] = bend * np.sin(2 * np.pi * flat[:, 0] / 50.0)
    assert check_plate(flat @ turn.T).passed is passed


@pytest.mark.parametrize(
    ("words", "match"),
    [
        ({"diameter": 30.0, "spheres": 3}, "spheres must be 1 or 2"),
        ({"diameter": 0.0}, "must be positive"),
        ({"diameter": 30.0, "spacing": 200.0}, "a spacing needs two spheres"),
    ],
)
def test_wrong_calls(rng, words, match):
    with pytest.raises(ValueError, match=match):
        check_artefact(ball(rng), **words)


def plate(rng, *, n=5000, noise=0.0):
    """A plate of 200 by 150 mm that lies aslant."""
    flat = np.column_stack(
        [rng.uniform(-100, 100, n), rng.uniform(-75, 75, n), noise * rng.standard_normal(n)]
    )
    turn = np.linalg.qr(np.array([[1.0, 0.2, 0.1], [-0.2, 1, 0.3], [0.1, -0.3, 1]]))[0]
    return flat, turn


def test_flatness_error_is_the_range_of_residuals(rng):
    """A plate bent by a sine of 0.25 mm, whole waves: flatness error 0.5 mm by its definition."""
    flat, turn = plate(rng)
    flat[:, 2] = 0.25 * np.sin(2 * np.pi * flat[:, 0] / 50.0)
    check = check_plate(flat @ turn.T + [20, 30, 400])
    # the plane tilts against four sine waves by at most 6 A / (pi k L) x L / 2 = 0.06 mm each end
    assert check["flatness_error"].value == pytest.approx(0.5, abs=0.12)


def test_perfect_plate_is_flat_and_noise_is_its_scatter(rng):
    flat, turn = plate(rng)
    assert check_plate(flat @ turn.T)["flatness_error"].value < 1e-9
    flat, turn = plate(rng, noise=0.1)
    # standard error of a standard deviation over 5000 points: 1 %
    assert check_plate(flat @ turn.T)["scatter"].value == pytest.approx(0.1, rel=0.04)


def test_cloud_is_no_plate(rng):
    with pytest.raises(ScanQualityError, match="no flat plate was found"):
        check_plate(rng.uniform(-50, 50, (3000, 3)))


def test_every_check_says_that_it_is_no_certificate(rng):
    flat, turn = plate(rng)
    for check in (check_artefact(ball(rng), diameter=BALL), check_plate(flat @ turn.T)):
        text, record = check.as_text(), check.as_record()
        assert "not a certificate" in text
        assert "VDI/VDE 2634" in text
        assert "ISO 10360-13" in text
        assert json.loads(json.dumps(record))["figures"].keys() == {f.name for f in check.figures}


def test_rule_passes_the_worked_example():
    """N 40, mean 0.5, SD 2.0: interval (-0.120, 1.120), within 2 mm (CALC)."""
    verdict = iso_20685_rule(0.5, 2.0, 40)
    assert (verdict.lower, verdict.upper) == pytest.approx((-0.120, 1.120), abs=5e-4)
    assert verdict.holds is True
    assert verdict.words.startswith("within the limit of 2 mm")


@pytest.mark.parametrize("sign", [1, -1])
def test_rule_fails_the_worked_example(sign):
    """N 40, mean 1.6, SD 2.0: interval (0.980, 2.220), not within 2 mm (CALC)."""
    verdict = iso_20685_rule(sign * 1.6, 2.0, 40)
    ends = sorted(sign * end for end in (0.980, 2.220))
    assert (verdict.lower, verdict.upper) == pytest.approx(ends, abs=5e-4)
    assert verdict.holds is False
    assert verdict.words.startswith("not within")
    assert iso_20685_rule(sign * 1.6, 2.0, 40, limit=4.0).holds is True


def test_rule_claims_nothing_with_fewer_than_forty_people():
    verdict = iso_20685_rule(0.0, 0.1, 39)
    assert verdict.holds is None
    assert verdict.words.startswith("no verdict")
    assert "39 were measured" in verdict.words


def table(tmp_path, text, name="series.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def spread(mean, sd, n):
    """Return n errors of exactly this mean and sample standard deviation."""
    values = np.linspace(-1.0, 1.0, n)
    return mean + sd * values / values.std(ddof=1)


def test_series_passes_and_fails_the_worked_examples(tmp_path):
    """The two worked examples as a table of 40 people each (CALC)."""
    rows = [f"foot_length,{p},{260 + e:.6f},260" for p, e in enumerate(spread(0.5, 2.0, 40))]
    rows += [f"foot_breadth,{p},{100 + e:.6f},100" for p, e in enumerate(spread(1.6, 2.0, 40))]
    path = table(tmp_path, "\n".join(["measure,person,scan,hand", *rows]))
    length, breadth = judge_series(path)
    assert (length.measure, length.n) == ("foot_length", 40)
    assert (length.mean, length.sd) == (pytest.approx(0.5, abs=1e-6), pytest.approx(2.0, abs=1e-5))
    (rule,) = length.rules
    assert (rule.lower, rule.upper) == pytest.approx((-0.120, 1.120), abs=5e-4)
    assert rule.holds is True
    (rule,) = breadth.rules
    assert (rule.lower, rule.upper) == pytest.approx((0.980, 2.220), abs=5e-4)
    assert rule.holds is False
    record = json.loads(json.dumps(breadth.as_record()))
    assert (record["people"], record["rules"][0]["holds"]) == (40, False)
    assert "not within the limit of 2 mm" in breadth.as_text()


def test_girth_is_judged_as_foot_and_as_small_girth(tmp_path):
    """2 mm for feet, 4 mm for small girths (READ-S): mean 1.6, SD 2.0 holds for one of them."""
    rows = [f"{p};ball girth;{e:.6f}".replace(".", ",") for p, e in enumerate(spread(1.6, 2, 40))]
    path = table(tmp_path, "\n".join(["person;measure;difference", *rows]))  # as in much of Europe
    (girth,) = judge_series(path)
    assert [(rule.limit, rule.holds) for rule in girth.rules] == [(2.0, False), (4.0, True)]


def test_n_counts_people_not_lines(tmp_path):
    """39 people, both feet of each: 78 lines are no 40 people, and each counts with the mean."""
    rows = [f"{p},{e:.6f}\n{p},{e + 1:.6f}" for p, e in enumerate(spread(0.0, 1.0, 39))]
    (one,) = judge_series(table(tmp_path, "\n".join(["person,difference", *rows])))
    assert one.n == 39
    assert one.mean == pytest.approx(0.5, abs=1e-6)
    assert one.rules[0].holds is None
    assert "no verdict" in one.as_text()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "wants a first line with the columns"),
        ("scan\n260\n", "wants a first line with the columns"),
        ("scan,hand\n", "holds no measures"),
        ("scan,hand\n260,260\n", "one person"),
        ("scan,hand\n260,260\n261\n", "line 3: 1 entries under 2 headings"),
        ("scan,hand\n260,260\nlong,261\n", "line 3: scan and hand must be numbers in mm"),
        ("difference\n0.1\ninf\n", "line 3: difference must be numbers in mm"),
    ],
)
def test_a_table_that_cannot_be_judged_is_refused(tmp_path, text, words):
    with pytest.raises(ScanReadError, match=words):
        judge_series(table(tmp_path, text))
    with pytest.raises(ScanReadError, match="cannot be read"):
        judge_series(tmp_path / "none.csv")


@pytest.mark.parametrize(("mean", "sd", "n"), [(0.1, 1.0, 1), (0.1, -1.0, 40), (np.nan, 1.0, 40)])
def test_rule_refuses_figures_that_make_no_sense(mean, sd, n):
    with pytest.raises(ValueError, match="needs n >= 2"):
        iso_20685_rule(mean, sd, n)
