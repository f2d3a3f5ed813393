"""Fit: rooms from plain subtraction, words at their numbers, the longer foot decides."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from footscan.results import Measure, MeasuredFoot, ScanFacts, ScanReport, Verdict
from insole.errors import PlanError
from insole.planning.fit import none_fits, rank
from insole.planning.fit_stations import heel_breadth_at
from insole.record.limits import default_limits
from insole.shoe.shoe import Shoe, StockInsole, parse

LIMITS = default_limits()
SD = 0.6


def foot(length=270.0, *, load="half", **measures) -> MeasuredFoot:
    """Return a foot that carries measures only: the fit asks for nothing else."""
    values = {"foot_length": length, "foot_breadth": 100.0, "heel_breadth_max": 67.0} | measures
    facts = ScanFacts(
        file="f",
        sha256="",
        unit=None,
        mm_per_unit=1,
        unit_evidence="",
        side="left",
        side_confidence=1,
        side_evidence="",
        kind="standing",
        load=load,
        points=0,
        faces=0,
    )
    return MeasuredFoot(
        facts=facts,
        foot=None,
        report=ScanReport(verdict=Verdict.MAKING, findings=()),
        landmarks={},
        sizes={},
        measures={
            k: Measure(reason="hidden by the sock") if v is None else Measure(value=v, sd=SD)
            for k, v in values.items()
        },
    )


SHOE = Shoe(
    name="middle",
    inside_length=282.0,  # 282 - 270 - 2 of heel clearance = 10 ahead of the toes
    ball_width=102.0,
    heel_width=68.5,
    drop=8,
    insole=StockInsole(kept=False, thickness={"ball": 4.0, "arch": 4.0}),
)


def shoe(name="other", **changes) -> Shoe:
    return dataclasses.replace(SHOE, name=name, **changes)


def stations(result, side="left"):
    return {s.station: s for s in getattr(result, side).stations}


def test_rooms_are_shoe_less_foot():
    (result,) = rank(foot(), None, [SHOE], LIMITS)
    rooms = {k: s.room for k, s in stations(result).items()}
    assert rooms["length"] == pytest.approx(10.0)
    assert rooms["ball width"] == pytest.approx(2.0)
    # 15 mm above the bed a heel is 0.95 of its largest breadth, when no scan shows more
    assert rooms["heel width"] == pytest.approx(68.5 - 0.95 * 67.0, abs=0.01)
    # 4 mm taken out, 1.5 mm base and 1.5 mm cover put in
    assert rooms["thickness at the ball"] == pytest.approx(1.0)
    assert result.fits
    assert result.place == 1
    assert result.score == 0.0
    assert result.right is None


def test_girth_and_instep_count_where_shoe_and_foot_give_them():
    full = shoe(ball_girth=255.0, instep_height=76.0)
    (result,) = rank(foot(ball_girth=250.0, instep_height=66.0), None, [full], LIMITS)
    rooms = {k: s.room for k, s in stations(result).items()}
    assert rooms["ball girth"] == pytest.approx(5.0)
    # 10 mm over the instep, plus the 4 mm insole out, less 3 mm base and cover in
    assert rooms["instep height"] == pytest.approx(11.0)


@pytest.mark.parametrize(
    ("field", "station", "foot_size", "key"),
    [
        ("inside_length", "length", 270.0 + 2.0, "fit.toe_room"),
        ("ball_width", "ball width", 100.0, "fit.ball_room"),
        ("heel_width", "heel width", 0.95 * 67.0, "fit.heel_room"),
    ],
)
def test_words_hold_at_the_limits_and_change_just_beyond(field, station, foot_size, key):
    least, most = LIMITS.value(f"{key}_least"), LIMITS.value(f"{key}_most")
    if station == "heel width":
        least -= LIMITS.value("fit.counter_give")

    def word(room):
        (result,) = rank(foot(), None, [shoe(**{field: foot_size + room})], LIMITS)
        return stations(result)[station].word, result

    assert word(least)[0] == "snug"
    assert word(most)[0] == "snug"
    assert word(least - 0.01)[0] == "tight"
    assert word(most + 0.01)[0] == "loose"
    assert not word(least - 0.01)[1].fits
    assert word((least + most) / 2)[1].fits


def test_a_close_call_is_said_and_a_clear_one_is_not():
    """95 % of hypot(0.6, 0.8) = 1 mm is 1.96 mm: 1.5 mm inside the band is close, 3 is not."""
    least = LIMITS.value("fit.toe_room_least")
    for inside, close in ((1.5, True), (3.0, False)):
        (result,) = rank(foot(), None, [shoe(inside_length=272.0 + least + inside)], LIMITS)
        length = stations(result)["length"]
        assert length.sd == pytest.approx(1.0)
        assert length.close is close
        assert ("close call" in length.text) is close


def test_longer_foot_decides_and_the_shorter_one_is_only_said():
    """8 mm between the feet: length right for the longer foot is loose on the shorter."""
    (result,) = rank(foot(264.0), foot(272.0), [shoe(inside_length=284.0)], LIMITS)
    assert stations(result, "left")["length"].word == "loose"
    assert result.right.decides_length
    assert not result.left.decides_length
    assert result.fits
    assert result.score == 0.0
    text = " | ".join(result.reasons)
    assert "right foot is longer (272.0 mm against 264.0 mm) and decides" in text
    assert "left: length loose" in text
    assert "not counted" in text


def test_left_and_right_swap_with_the_feet():
    small, large = foot(264.0), foot(272.0, foot_breadth=105.0)
    (one,) = rank(small, large, [SHOE], LIMITS)
    (two,) = rank(large, small, [SHOE], LIMITS)
    assert one.score == two.score
    assert [s.room for s in one.left.stations] == [s.room for s in two.right.stations]


def test_shoes_are_ranked_and_each_says_why():
    short = shoe("short", inside_length=274.0)
    slim = shoe("slim", ball_width=97.0)
    roomy = shoe("roomy", ball_width=109.0)
    results = rank(foot(), foot(), [short, roomy, slim, SHOE], LIMITS)
    assert [r.shoe.name for r in results] == ["middle", "roomy", "slim", "short"]
    assert [r.place for r in results] == [1, 2, 3, 4]
    assert [r.fits for r in results] == [True, True, False, False]
    assert any("left: length tight: +2.0" in t for t in results[-1].reasons)
    assert any("ball width loose: +9.0" in t for t in results[1].reasons)
    assert "snug at every station that is known" in results[0].reasons


def test_score_counts_mm_outside_and_tight_three_times():
    """Length 6 - 2 = 4 mm short counts 12; breadth 9 - 6 = 3 mm over counts 3."""
    both = shoe(inside_length=274.0, ball_width=109.0)
    (result,) = rank(foot(), None, [both], LIMITS)
    assert result.score == pytest.approx(3 * 4 + 3)


def test_ties_go_to_the_middle_of_the_bands():
    edge = shoe("edge", inside_length=285.5)
    assert [r.shoe.name for r in rank(foot(), None, [edge, SHOE], LIMITS)] == ["middle", "edge"]


def test_what_is_not_known_is_said_with_its_reason():
    hidden = foot(heel_breadth_max=None, ball_girth=250.0)
    (result,) = rank(hidden, None, [shoe(insole=StockInsole())], LIMITS)
    found = stations(result)
    assert found["heel width"].word == "not known"
    assert "hidden by the sock" in found["heel width"].text
    assert "gives no ball girth" in found["ball girth"].text
    assert found["thickness at the ball"].word == "not known"
    assert any("not known: heel width" in t for t in result.reasons)
    assert any(
        "the shoe file lacks ball girth, the stock insole's thickness" in t for t in result.reasons
    )
    assert result.verdict == "may fit, not all is known"


def test_a_kept_insole_leaves_no_room_for_a_base():
    (result,) = rank(foot(), None, [shoe(insole=StockInsole(kept=True))], LIMITS)
    assert stations(result)["thickness at the ball"].word == "tight"


def test_an_unloaded_foot_is_taken_to_half_load():
    """Xiong et al. 2009 (READ): foot length 14.94 to 15.10 % of stature, +1.07 %."""
    (result,) = rank(foot(265.0, load="none"), None, [SHOE], LIMITS)
    grown = 265.0 * 15.10 / 14.94
    assert stations(result)["length"].room == pytest.approx(282 - 2 - grown, abs=0.02)
    assert any("scanned unloaded" in t for t in result.reasons)
    (standing,) = rank(foot(265.0), None, [SHOE], LIMITS)
    assert stations(standing)["length"].sd < stations(result)["length"].sd
    (unsaid,) = rank(foot(265.0, load="unknown"), None, [SHOE], LIMITS)
    assert any("load while scanning not known" in t for t in unsaid.reasons)


def test_nothing_to_judge_is_refused():
    with pytest.raises(PlanError, match="at least one scanned foot and one shoe"):
        rank(None, None, [SHOE], LIMITS)
    with pytest.raises(PlanError, match="at least one scanned foot and one shoe"):
        rank(foot(), None, [], LIMITS)
    with pytest.raises(PlanError, match=r"foot length is not known.*hidden by the sock"):
        rank(foot(None), None, [SHOE], LIMITS)


def test_a_shoe_that_is_tight_nowhere_stands_before_a_tight_one_with_a_better_score():
    slim, wide = shoe("slim", ball_width=97.9), shoe("wide", ball_width=112.0)
    first, second = rank(foot(), None, [slim, wide], LIMITS)
    assert [first.shoe.name, second.shoe.name] == ["wide", "slim"]
    assert first.score > second.score


@pytest.mark.parametrize(("drop", "said"), [(16.1, True), (15.9, False), (None, False)])
def test_a_flat_bed_under_a_foot_with_a_high_drop_is_said(drop, said):
    """Bed of 8 mm; the limit is 8 mm more of the foot's own drop. It is not counted."""
    (result,) = rank(foot(sole_drop=drop), None, [SHOE], LIMITS)
    assert any("flat bed" in reason for reason in result.reasons) == said
    # 95 % of the measure's own deviation
    band = 1.96 * (foot(sole_drop=16.1).measures["sole_drop"].sd or 0.0)
    assert any(f"hangs 16.1 ± {band:.1f} mm higher" in r for r in result.reasons) == said
    assert band > 0.5
    (plain,) = rank(foot(), None, [SHOE], LIMITS)
    assert result.score == plain.score


# ---- what is not known, and laws of the ranking ---------------------------------------------

FOOT = foot(ball_girth=250.0, instep_height=66.0)
LINES = ("heel_width", "ball_girth", "instep_height", "insole")


def whole(name="whole", **changes) -> Shoe:
    """Return a shoe of which every line is known and good."""
    return shoe(name, **({"ball_girth": 252.0, "instep_height": 74.0} | changes))


def lacking(of: Shoe, line: str) -> Shoe:
    gone = StockInsole() if line == "insole" else None
    return dataclasses.replace(of, **{line: gone})


@pytest.mark.parametrize("line", LINES)
def test_unknown_stands_below_known_good_and_above_known_bad(line):
    bad = {
        "heel_width": {"heel_width": 55.0},
        "ball_girth": {"ball_girth": 226.0},
        "instep_height": {"instep_height": 50.0},
        "insole": {"insole": StockInsole(kept=True)},
    }[line]
    shoes = [whole("bad", **bad), lacking(whole("unknown"), line), whole("good")]
    ranked = rank(FOOT, None, shoes, LIMITS)
    assert [r.shoe.name for r in ranked] == ["good", "unknown", "bad"]
    assert [r.verdict for r in ranked] == ["fits", "may fit, not all is known", "does not fit"]
    narrow = [whole("narrow", ball_width=90.0), lacking(whole("unknown"), line)]
    assert [r.shoe.name for r in rank(FOOT, None, narrow, LIMITS)] == ["unknown", "narrow"]


def test_a_shoe_does_not_come_first_by_losing_its_worst_line():
    """Ranked last for its girth; without that line it may not pass a shoe that fits."""
    last = whole("last", ball_girth=220.0)
    others = [whole("one", inside_length=284.0), whole("two", ball_width=104.0)]
    assert rank(FOOT, None, [last, *others], LIMITS)[-1].shoe.name == "last"
    assert rank(FOOT, None, [lacking(last, "ball_girth"), *others], LIMITS)[-1].shoe.name == "last"


SHOES = st.lists(
    st.builds(
        whole,
        inside_length=st.floats(262, 300),
        ball_width=st.floats(88, 118),
        heel_width=st.none() | st.floats(50, 85),
        ball_girth=st.none() | st.floats(215, 280),
        instep_height=st.none() | st.floats(40, 100),
        insole=st.builds(lambda ball: StockInsole(thickness={"ball": ball}), st.floats(0, 8)),
    ),
    min_size=2,
    max_size=5,
)
PAIR = (
    FOOT,
    foot(266.0, foot_breadth=103.0, heel_breadth_max=70.0, ball_girth=256.0, instep_height=70.0),
)


def place(shoes, k: int) -> int:
    """Return the place of shoe `k`, found again by its name."""
    named = [dataclasses.replace(one, name=str(i)) for i, one in enumerate(shoes)]
    return next(r.place for r in rank(*PAIR, named, LIMITS) if r.shoe.name == str(k))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(SHOES, st.data())
def test_leaving_a_true_line_out_never_betters_a_place(shoes, data):
    k, line = data.draw(st.integers(0, len(shoes) - 1)), data.draw(st.sampled_from(LINES))
    without = [lacking(one, line) if i == k else one for i, one in enumerate(shoes)]
    assert place(without, k) >= place(shoes, k)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(SHOES, st.data())
def test_a_larger_error_never_betters_a_place(shoes, data):
    """A line outside its band for both feet is moved further out by up to 20 mm."""
    k = data.draw(st.integers(0, len(shoes) - 1))
    line, far = data.draw(
        st.sampled_from(
            [
                ("inside_length", (278.0 - 2, 288.0)),
                ("ball_width", (98.0, 109.0)),
                ("heel_width", (56.0, 73.0)),
                ("ball_girth", (244.0, 266.0)),
                ("instep_height", (65.0, 86.0)),
                ("insole", (2.0, 99.0)),  # 3 mm of base and cover, of which 1 mm may stand above it
            ]
        )
    )
    value = getattr(shoes[k], line)
    value = value.thickness.get("ball") if line == "insole" else value
    if value is None or far[0] <= value <= far[1]:
        return
    more = data.draw(st.floats(0, 20)) * (1 if value > far[1] else -1)
    further = value + more
    if line == "insole":
        further = StockInsole(thickness={"ball": max(further, 0.0)})
    worse = [
        dataclasses.replace(one, **{line: further}) if i == k else one
        for i, one in enumerate(shoes)
    ]
    assert place(worse, k) >= place(shoes, k)


@pytest.mark.parametrize("size", [{}, {"inside_length": 274.0}, {"ball_width": 96.0}])
@pytest.mark.parametrize("line", ["heel_width", "ball_girth", "instep_height"])
def test_a_line_left_out_of_the_file_itself_betters_no_place(line, size):
    """As a file is read: without the heel's width a shoe is a rough one, with wide bands."""
    true = whole("true", **size)
    record = true.record()
    del record["inside"][line]
    without = dataclasses.replace(parse(record), name="without")
    assert without.rough == (line == "heel_width")
    places = {one.shoe.name: one.place for one in rank(FOOT, None, [without, true], LIMITS)}
    assert places["without"] > places["true"]


def test_none_of_these_fits_is_said_with_the_nearest():
    short, shorter = whole("short", inside_length=258.0), whole("shorter", inside_length=246.0)
    ranked = rank(FOOT, None, [shorter, short], LIMITS)
    assert none_fits(ranked).startswith("none of these fits; the nearest is short (left length -14")
    assert none_fits(rank(FOOT, None, [short, whole()], LIMITS)) == ""


def test_shoes_of_one_score_share_a_place():
    ranked = rank(FOOT, None, [whole("a"), whole("b"), whole("c", inside_length=258.0)], LIMITS)
    assert [r.place for r in ranked] == [1, 1, 3]


def widening_heel() -> MeasuredFoot:
    """Return a foot whose heel is two straight walls: 40 mm + 1 mm a mm of height apart."""
    x, z = np.meshgrid(np.arange(0.0, 81.0, 4.0), np.arange(0.0, 41.0, 4.0), indexing="ij")
    wall = np.column_stack([x.ravel(), 20 + z.ravel() / 2, z.ravel()])
    vertices = np.vstack([wall, wall * [1, -1, 1]])
    rows, n = x.shape[1], x.size
    corner = (np.arange(x.shape[0] - 1)[:, None] * rows + np.arange(rows - 1)).ravel()
    one = np.vstack(
        [
            np.column_stack([corner, corner + rows, corner + 1]),
            np.column_stack([corner + 1, corner + rows, corner + rows + 1]),
        ]
    )
    mesh = SimpleNamespace(vertices=vertices, faces=np.vstack([one, one + n]), length=270.0)
    return dataclasses.replace(foot(heel_breadth_max=80.0), foot=mesh)


@pytest.mark.parametrize("height", [3.0, 8.0, 15.0, 22.5])
def test_the_heel_is_compared_at_one_height(height):
    """Breadth by formula at any height; the shoe's own height is the one that is taken."""
    measured = widening_heel()
    assert heel_breadth_at(measured, height, LIMITS)[0] == pytest.approx(40 + height, abs=1e-6)
    (result,) = rank(measured, None, [whole(heel_width=60.0, heel_width_at=height)], LIMITS)
    assert stations(result)["heel width"].room == pytest.approx(20 - height, abs=0.01)


def test_the_counter_gives():
    """Tight by less than the give is not tight."""
    least = LIMITS.value("fit.heel_room_least") - LIMITS.value("fit.counter_give")
    for off, word in ((0.01, "snug"), (-0.01, "tight")):
        (result,) = rank(FOOT, None, [whole(heel_width=0.95 * 67.0 + least + off)], LIMITS)
        assert stations(result)["heel width"].word == word


def test_a_rough_shoe_works_with_wide_bands():
    rough = parse(
        {"name": "rough", "inside": {"length": 282, "ball_width": 102}, "bed": {"drop": 8}}
    )
    assert rough.rough
    assert parse(rough.record()).rough
    (result,) = rank(FOOT, None, [rough], LIMITS)
    length = stations(result)["length"]
    assert length.sd > 4.0
    assert "close call" in length.text
    assert any("rough figures" in reason for reason in result.reasons)
    assert stations(result)["heel width"].missing


@pytest.mark.parametrize(
    ("over", "verdict", "lead"),
    [
        (0.0, "fits", ""),
        (0.5, "a close call, try it on", "none of these surely fits"),
        (20.0, "does not fit", "none of these fits"),
    ],
)
@pytest.mark.parametrize("way", [1, -1])
def test_a_rough_shoe_out_by_less_than_its_figures_tell_is_a_close_call(over, verdict, lead, way):
    """The band of length is 6 to 14 mm ahead of the toes; the figures' own 95 % is above 0.5 mm."""
    (at,) = rank(FOOT, None, [whole()], LIMITS)
    length = stations(at)["length"]
    bound = length.most if way > 0 else length.least
    size = whole().inside_length + bound - length.room + way * over
    ranked = rank(FOOT, None, [whole("one", inside_length=size, rough=True)], LIMITS)
    assert ranked[0].verdict == verdict
    assert none_fits(ranked).startswith(lead)
    assert bool(none_fits(ranked)) == bool(lead)
    assert ranked[0].fits == (over == 0.0)
    measured = rank(FOOT, None, [whole("one", inside_length=size)], LIMITS)
    assert measured[0].verdict == ("fits" if over == 0.0 else "does not fit")
