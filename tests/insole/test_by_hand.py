"""Hand-measured values: read with one sentence for each mistake, held against scan and wedges."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import pytest

from footscan.errors import ScanQualityError
from footscan.results import Finding, Measure, ScanReport, Severity, Verdict
from insole.cli.options import again
from insole.errors import PlanError
from insole.output.brief import brief
from insole.planning import by_hand as judged
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.by_hand import ByHand, HandFoot, read
from insole.record.planned_parts import WedgePlace
from insole.workflow import measuring
from tests import feet, plans

FILE = """
leg_length = "right 4 mm shorter on blocks"
[left]
ball_girth = 246
forefoot_tilt = 5.0
hallux = "stiff"
[right]
ball_girth = 241
instep_girth = 250.5
"""


@cache
def made(side):
    return feet.analytic(side=side)


def foot(side="right", **values):
    """Return a foot with measures of the given values, their sd 0.5."""
    one = made(side)
    more = {
        name: Measure(value=value, sd=0.5, unit="deg" if "angle" in name else "mm")
        for name, value in values.items()
    }
    return replace(one, measures=dict(one.measures) | more)


def written(tmp_path, text):
    path = tmp_path / "hand.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_is_read_side_by_side(tmp_path):
    found = read(written(tmp_path, FILE))
    assert found.left == HandFoot(lengths={"ball_girth": 246.0}, forefoot_tilt=5.0, hallux="stiff")
    assert found.right.lengths == {"ball_girth": 241.0, "instep_girth": 250.5}
    assert (found.right.forefoot_tilt, found.right.hallux) == (None, "not tried")
    assert found.leg_length == "right 4 mm shorter on blocks"
    assert found.of("left") is found.left
    assert found.of("right") is found.right


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "holds no hand measure"),
        ("[left]\n", "holds no hand measure"),
        ("[left]\nball_girth = 24.6\n", "left.ball_girth is 24.6, but must be .* typed in cm"),
        ("[right]\nball_girt = 246\n", 'right.ball_girt is not a key .* did you mean "ball_girth"'),
        ("[right]\nhallux = 'bent'\n", "right.hallux is .* one of"),
        ("[left]\nforefoot_tilt = 25.1\n", "left.forefoot_tilt is 25.1.* -25 to 25 degrees"),
        ("[middle]\nball_girth = 246\n", "middle is not a key"),
        ("leg_length = 4\n", "leg_length is 4, but must be a text"),
    ],
)
def test_each_mistake_gets_its_sentence(tmp_path, text, says):
    with pytest.raises(PlanError, match=f"hand.toml.*{says}"):
        read(written(tmp_path, text))


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("name", "band"),
    [
        ("foot_length", 2 * (1.0 + 0.25) ** 0.5),
        ("foot_breadth", 2 * (1.0 + 0.25) ** 0.5),
        ("ball_girth", 2 * (4.0 + 0.25) ** 0.5),
        ("instep_girth", 2 * (6.25 + 0.25) ** 0.5),
    ],
)
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_contradiction_begins_beyond_two_deviations(side, name, band, way):
    scanned = foot(side, **{name: 240.0})
    near = HandFoot(lengths={name: 240.0 + way * (band - 0.01)})
    assert judged.findings(scanned, near) == []
    (found,) = judged.findings(scanned, HandFoot(lengths={name: 240.0 + way * (band + 0.01)}))
    assert found.code == f"hand-{name.replace('_', '-')}"
    assert ("more by hand" if way > 0 else "less by hand") in found.text
    assert "240.0 mm in the scan" in found.text


def test_what_the_scan_does_not_show_is_no_contradiction():
    hand = HandFoot(lengths={"instep_girth": 200.0}, forefoot_tilt=9.0)
    assert judged.findings(foot(), hand) == []


@pytest.mark.parametrize(("by_hand", "said"), [(10.2, "more"), (-1.2, "less")])
def test_a_tilt_is_held_against_the_scan_s_own(by_hand, said):
    """Two deviations of 2 and 0.5 degrees are 4.12 degrees about the scan's 3."""
    scanned = foot(forefoot_angle=3.0)
    assert judged.findings(scanned, HandFoot(forefoot_tilt=7.1)) == []
    assert judged.findings(scanned, HandFoot(forefoot_tilt=-1.1)) == []
    (found,) = judged.findings(scanned, HandFoot(forefoot_tilt=by_hand))
    assert f"{said} by hand" in found.text
    assert "3.0° in the scan" in found.text


def codes(hand, net, place=WedgePlace.FOREFOOT):
    wedges = [plans.sample_wedge(plans.bed_ring(), place, net)] if net else []
    return [note.code for note in judged.notes(foot(), hand, wedges)]


def test_a_stiff_big_toe_speaks_against_a_medial_wedge_only():
    stiff = HandFoot(hallux="stiff")
    assert codes(stiff, 1.0) == ["hand-hallux"]
    assert codes(stiff, 1.0, WedgePlace.UNDER) == ["hand-hallux"]
    assert codes(stiff, -1.0) == []
    assert codes(stiff, 1.0, WedgePlace.HEEL) == []
    assert codes(stiff, None) == []
    for word in ("free", "not tried"):
        assert codes(HandFoot(hallux=word), 1.0) == []


def test_a_wedge_against_the_tilt_is_said_and_none_is_made_from_it():
    assert codes(HandFoot(forefoot_tilt=4.1), -1.0) == ["hand-tilt-wedge"]
    assert codes(HandFoot(forefoot_tilt=-4.1), 1.0) == ["hand-tilt-wedge"]
    assert codes(HandFoot(forefoot_tilt=4.0), -1.0) == []  # within two deviations of level
    assert codes(HandFoot(forefoot_tilt=4.1), 1.0) == []
    assert codes(HandFoot(forefoot_tilt=-9.0), None) == []


def test_the_plan_carries_both_feet_s_values_and_what_speaks_against_it():
    wishes = PlanWishes(both=FootWish.of(pad=False, forefoot=1.0), confirm_zero=True)
    hand = ByHand(
        left=HandFoot(lengths={"ball_girth": 246.0}, hallux="stiff"),
        right=HandFoot(forefoot_tilt=-6.0),
        leg_length="right 4 mm shorter",
    )
    plain = planner.plan(made("left"), made("right"), None, wishes)
    plan = planner.plan(made("left"), made("right"), None, wishes, hand=hand)
    assert plan.left.measures["ball_girth_by_hand"].value == 246.0
    assert plan.right.measures["forefoot_tilt_by_hand"].value == -6.0
    assert "hand-hallux" in [note.code for note in plan.left.notes]
    assert "hand-hallux" not in [note.code for note in plan.right.notes]
    assert "hand-tilt-wedge" in [note.code for note in plan.right.notes]
    assert "hand-leg-length" in [note.code for note in plan.notes]
    assert [w.net for w in plan.right.wedges] == [w.net for w in plain.right.wedges]
    rows = brief(plan)
    assert [row for row in rows if row.startswith("Mind: left: the big toe is stiff by hand")]
    assert [row for row in rows if "right 4 mm shorter; stack on one side" in row]
    assert not [note for note in plain.notes if note.code.startswith("hand")]


def unverified(side="right", **values):
    """Return a foot whose scale nothing has vouched for."""
    one = foot(side, **values)
    note = Finding(code="scale-unverified", severity=Severity.NOTE, text="", advice="")
    report = ScanReport(verdict=Verdict.MAKING, findings=(note,))
    return replace(one, report=report, facts=replace(one.facts, scale_verified=False))


def test_contradictions_of_other_measures_never_change_the_verdict(tmp_path):
    path = written(tmp_path, "[right]\nball_girth = 300\n")
    right, left = measuring.with_hand([unverified(ball_girth=260.0), foot("left")], path)
    assert [f.code for f in right.report.findings] == ["scale-unverified", "hand-ball-girth"]
    assert left.report.findings == ()
    assert right.report.verdict is Verdict.MAKING


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("off", "verdict"),
    [  # of 250 mm: 1 % is 2.5, 2 % is 5
        (0.0, Verdict.MAKING),
        (2.4, Verdict.MAKING),
        (-2.4, Verdict.MAKING),
        (2.6, Verdict.MEASURING),
        (-2.6, Verdict.MEASURING),
        (4.9, Verdict.MEASURING),
        (5.1, Verdict.AGAIN),
        (-5.1, Verdict.AGAIN),
    ],
)
def test_a_length_by_hand_judges_a_scale_that_nothing_else_did(side, off, verdict):
    hand = HandFoot(lengths={"foot_length": 250.0})
    seen = judged.held(unverified(side, foot_length=250.0 + off), hand)
    assert seen.report.verdict is verdict
    assert seen.facts.scale_verified == (verdict is Verdict.MAKING)
    codes = [f.code for f in (*seen.report.findings, *judged.findings(seen, hand))]
    assert codes.count("scale") == (verdict is not Verdict.MAKING)
    assert "scale-unverified" not in codes
    assert not ("scale" in codes and "hand-foot-length" in codes)  # said once


def test_a_scale_that_was_judged_stays_judged():
    hand = HandFoot(lengths={"foot_length": 250.0})
    for known in (foot(foot_length=256.0), unverified(foot_length=256.0)):
        none = judged.held(known, HandFoot(lengths={"ball_girth": 240.0}))
        assert none is known
    scanned = foot(foot_length=256.0)
    assert judged.held(scanned, hand) is scanned
    assert [f.code for f in judged.findings(scanned, hand)] == ["hand-foot-length"]


@pytest.mark.parametrize("side", ["left", "right"])
def test_nothing_is_planned_where_the_hand_says_another_scale(side):
    scanned = unverified(side, foot_length=260.0)
    hand = ByHand(**{side: HandFoot(lengths={"foot_length": 250.0})})
    with pytest.raises(ScanQualityError, match=r"must be taken again .*by hand 250 mm"):
        planner.plan(**{"left": None, "right": None, side: scanned}, shoe=None, hand=hand)


def test_the_next_step_names_the_file_again():
    known = {"wishes": {}, "sources": {"by_hand": "hand.toml"}}
    plan = plans.sample_plan().model_copy(update=known)
    arguments = again.options(plan, SimpleNamespace(wishes={}))
    assert arguments[arguments.index("--by-hand") + 1] == "hand.toml"
