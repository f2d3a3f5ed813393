"""Refusals and warnings of planning at their boundary: allowed at it, said or refused beyond.

Both sides, and both feet where the foot decides. Feet are measured once and shared.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from footscan.results import Landmark, Measure
from footscan.scan import Load
from insole.errors import PlanError, RefusedError
from insole.planning import cleat, dowels, fit_stations, remarks, seating, thickness, wedging
from insole.planning import planner as planning
from insole.planning.cleat import check_saddles
from insole.planning.contact import effect, pressing, springs
from insole.planning.outline import lay_out
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.stack import Edge
from insole.planning.support import contour, kit
from insole.planning.support.level import support_level
from insole.planning.support.pad import RELIEF_MM, plan_pad
from insole.planning.support.wish import SupportWish
from insole.record import limits as limit_files
from insole.record.limits import default_limits
from insole.record.planned_contact import (
    ContactCase,
    ContactFigures,
    ContactPlan,
    EffectCase,
    EffectPlan,
)
from insole.record.planned_parts import WedgePlace
from insole.record.values import NoteLevel, Override, Quantity
from insole.shoe.shoe import parse
from tests import feet, plans
from tests.insole import test_wedging as beds

LIMITS = default_limits()
SIDES = ("left", "right")
SHOE = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
    "stock_insole": {"kept": False, "thickness": {"heel": 4, "arch": 4, "ball": 4, "toes": 4}},
}
TINY = 1e-3


@cache
def foot(side):
    return feet.analytic(side=side)


@cache
def seat(side, shoe=True):
    bed = parse(SHOE) if shoe else None
    layout = lay_out(foot(side), bed, LIMITS)
    return seating.seat(foot(side), layout, bed, limits=LIMITS)


def own(tmp_path, text):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return limit_files.load(path)


def beyond(bound, way):
    """Return the last value that is allowed towards `way`, and the first that is not."""
    return bound, bound + way * TINY


# ---- support level


def level_of(level, *, load=Load.HALF, shoe=True, overrides=()):
    seated = SimpleNamespace(load=load, shoe_known=shoe)
    return support_level(level, seated, LIMITS, overrides)


def warned(found):
    return [note.code for note in found[1] if note.level is NoteLevel.WARN]


def test_a_level_is_a_share_within_its_bounds():
    least, most = LIMITS.value("support.least"), LIMITS.value("support.refuse_above")
    assert level_of(least)[0] == least
    for wrong in (least - TINY, 2.0 + TINY, math.nan, -0.8):
        with pytest.raises(PlanError, match=r"is not one; give 20 to 110 %"):
            level_of(wrong)
    assert level_of(most)[0] == most
    with pytest.raises(RefusedError, match="would lift the arch"):
        level_of(most + TINY)
    signed = Override(limit="support.refuse_above", who="A", why="b", when="c")
    assert level_of(most + TINY, overrides=[signed])[0] == most + TINY
    other = Override(limit="thickness.ball_refuse", who="A", why="b", when="c")
    with pytest.raises(RefusedError):
        level_of(most + TINY, overrides=[other])


def test_a_level_warns_above_touching():
    warn = LIMITS.value("support.warn_above")
    assert warned(level_of(warn)) == []
    assert warned(level_of(warn + TINY)) == ["level-presses"]


@pytest.mark.parametrize("load", [Load.NONE, Load.UNKNOWN])
def test_a_foot_of_no_known_load_warns_above_its_start(load):
    unsure = LIMITS.value("support.unsure")
    assert warned(level_of(unsure, load=load)) == []
    assert warned(level_of(unsure + TINY, load=load)) == ["level-unsure"]
    assert warned(level_of(unsure + TINY)) == []


def test_without_a_shoe_the_level_is_capped_and_said():
    unsure = LIMITS.value("support.unsure")
    assert level_of(unsure, shoe=False)[0] == unsure
    found = level_of(unsure + TINY, shoe=False)
    assert (found[0], warned(found)) == (unsure, ["level-capped"])


# ---- wishes of a pad and of a contoured bed


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("wish", "says"),
    [
        ({"source": "guess"}, "comes from 'scan' or 'kit'"),
        *[({"shift": shift}, "cannot be moved") for shift in ((far, 0.0) for far in (-1, 1))],
    ],
)
def test_a_pad_wish_is_refused_by_name(side, wish, says):
    far = LIMITS.value("place.free_shift") + TINY
    if "shift" in wish:
        wish = {"shift": tuple(way * far for way in wish["shift"])}
    with pytest.raises(PlanError, match=says):
        plan_pad(seat(side), wish=SupportWish(**wish), limits=LIMITS)


@pytest.mark.parametrize("way", [1, -1])
def test_a_pad_moves_and_turns_within_bounds_only(way):
    far, turn = LIMITS.value("place.free_shift"), LIMITS.value("place.free_turn")
    for what, wish in (
        ("forward", {"shift": (way * (far + TINY), 0.0)}),
        ("medial", {"shift": (0.0, way * (far + TINY))}),
        ("turned", {"turn": way * (turn + TINY)}),
        ("forward", {"shift": (math.nan, 0.0)}),
        ("turned", {"turn": math.inf}),
    ):
        with pytest.raises(PlanError, match=what):
            plan_pad(seat("right"), wish=SupportWish(**wish), limits=LIMITS)
    for wish in ({"shift": (way * far, way * far)}, {"turn": way * turn}):  # named, not refused
        plan_pad(seat("right"), wish=SupportWish(**wish), limits=LIMITS)


def test_relief_and_medial_edge_have_bounds():
    edge, flange = LIMITS.value("feel.edge"), LIMITS.value("feel.flange")
    for wish, says in (
        ({"relief": RELIEF_MM[0] - TINY}, "relief cannot be"),
        ({"relief": RELIEF_MM[1] + TINY}, "relief cannot be"),
        ({"medial_edge": edge - TINY}, "medial edge cannot be"),
        ({"medial_edge": flange + TINY}, "meets the ankle"),
        ({"medial_edge": edge, "source": "kit"}, "pads of the kit have the medial side"),
    ):
        with pytest.raises(PlanError, match=says):
            plan_pad(seat("left"), wish=SupportWish(**wish), limits=LIMITS)
    lowest, deepest = RELIEF_MM
    reliefs = [{"relief": depth} for depth in (lowest, deepest)]
    for wish in (*reliefs, {"medial_edge": edge}, {"medial_edge": flange}):
        plan_pad(seat("left"), wish=SupportWish(**wish), limits=LIMITS)


def bed(side="right", *, shoe=True, wedges=(), **wish):
    return contour.plan_contour(
        seat(side, shoe),
        foot(side),
        wish=SupportWish(**wish),
        limits=LIMITS,
        wedges=wedges,
    )


def shim(place, net=1.0):
    return plans.sample_wedge(plans.bed_ring(), place, net)


@pytest.mark.parametrize("side", SIDES)
def test_three_quarters_hold_every_wedge_but_the_forefoot_s(side):
    with pytest.raises(PlanError, match="three-quarter bed ends behind the ball"):
        bed(side, contoured="three-quarter", wedges=[shim(WedgePlace.FOREFOOT)])
    made, notes = bed(side, contoured="three-quarter", wedges=[shim(WedgePlace.UNDER)])
    assert made.length == "three-quarter"
    assert [n.code for n in notes if n.code.startswith("contour-")] == ["contour-sides"]


def test_an_underside_of_an_unmeasured_bed_is_a_trial_piece():
    bare = parse(SHOE | {"bed": {"drop": 8.0}})
    layout = lay_out(foot("right"), bare, LIMITS)
    seated = seating.seat(foot("right"), layout, bare, limits=LIMITS)
    assert [note.code for note in seated.notes if "drop" in note.code] == ["drop-only"]
    _, notes = contour.plan_contour(
        seated, foot("right"), wish=SupportWish(contoured="full"), limits=LIMITS
    )
    assert {"contour-sides", "contour-underside"} <= {note.code for note in notes}
    assert not [note for note in seat("right").notes if note.code == "drop-only"]


def test_a_metatarsal_pad_needs_its_heads():
    seated = seat("right")
    marks = {k: v for k, v in seated.landmarks.items() if k not in ("mth2", "mth3", "mth4")}
    with pytest.raises(PlanError, match="head 2 and 3 and 4 is not known"):
        contour.plan_contour(
            replace(seated, landmarks=marks),
            foot("right"),
            limits=LIMITS,
            wish=SupportWish(contoured="full", metatarsal=5.0),
        )


@pytest.mark.parametrize("side", SIDES)
def test_swapped_ball_landmarks_are_named(side):
    seated = seat(side)
    marks = dict(seated.landmarks)
    pair = ("metatarsale_tibiale", "metatarsale_fibulare")
    if not set(pair) <= set(marks):
        pair = ("mth1", "mth5")
    marks[pair[0]], marks[pair[1]] = marks[pair[1]], marks[pair[0]]
    with pytest.raises(PlanError, match="lies lateral of the lateral one"):
        plan_pad(replace(seated, landmarks=marks), wish=SupportWish(), limits=LIMITS)


@pytest.mark.parametrize(
    "text",
    ["heights = 8\nlengths = [60]\nwidths = [40]", "heights = [8]\nlengths = 'x'\nwidths = [40]"],
)
def test_a_kit_s_sizes_are_lists(tmp_path, text):
    path = tmp_path / "kit.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match="must be a list of sizes in mm"):
        kit.load(path, LIMITS)


# ---- the foot in the shoe


@pytest.mark.parametrize("side", SIDES)
def test_a_foot_lies_across_the_bed_up_to_a_limit(tmp_path, side):
    plain = lay_out(foot(side), None, LIMITS)
    turn = math.degrees(math.atan2(plain.foot_to_bed[1, 0], plain.foot_to_bed[0, 0]))
    wide = own(tmp_path, f"[seating]\nlargest_yaw = {1.05 * abs(turn)}\n")
    assert abs(turn) > 0.01
    assert not [n for n in lay_out(foot(side), None, wide).notes if n.code == "yaw-capped"]
    close = own(tmp_path, f"[seating]\nlargest_yaw = {0.95 * abs(turn)}\n")
    assert [n.code for n in lay_out(foot(side), None, close).notes] == ["yaw-capped"]


def test_a_ball_that_was_not_found_is_named():
    bare = replace(foot("right"), landmarks={})
    with pytest.raises(PlanError, match="ball of the foot was not found"):
        lay_out(bare, None, LIMITS)


def test_a_heel_without_breadth_cannot_be_fitted():
    measures = dict(foot("left").measures) | {"heel_breadth_max": Measure(reason="no heel")}
    with pytest.raises(PlanError, match="heel's breadth is not known"):
        fit_stations.heel_breadth_at(replace(foot("left"), measures=measures), 10.0, LIMITS)


# ---- thickness, cleat, saddle


def test_an_insole_of_unknown_thickness_is_said():
    for shoe, said in ((SHOE, []), (SHOE | {"stock_insole": {"kept": False}}, ["insole-unknown"])):
        rows, notes = thickness.rows(
            seat("right"), None, (), shoe=parse(shoe), limits=LIMITS, side="right"
        )
        assert [note.code for note in notes if note.code == "insole-unknown"] == said
        assert (rows[0].before is None) == bool(said)


@pytest.mark.parametrize("lacks", [["ball"], ["ball", "toes"], ["heel"]])
def test_a_thickness_that_the_shoe_file_lacks_is_named(lacks):
    """Without it nobody can say whether the ball is too thick."""
    thick = SHOE["stock_insole"]["thickness"]
    known = {name: mm for name, mm in thick.items() if name not in lacks}
    shoe = SHOE | {"stock_insole": {"kept": False, "thickness": known}}
    _, notes = thickness.rows(
        seat("right"), None, (), shoe=parse(shoe), limits=LIMITS, side="right"
    )
    (note,) = (note for note in notes if note.code == "insole-unknown")
    where = " and ".join(lacks)
    assert f"the stock insole's thickness at {where} is not in the shoe file" in note.text
    assert note.text.endswith(f"measure it at {where}")


@pytest.mark.parametrize("side", SIDES)
def test_the_place_as_ridden_is_a_number(side):
    wishes = PlanWishes(**{side: FootWish.of(cleat_before=math.nan, pad=False)})
    with pytest.raises(PlanError, match="as ridden must be a number"):
        planning.plan(**_one(side), shoe=parse(SHOE), wishes=wishes)


def _one(side):
    return {name: foot(name) if name == side else None for name in SIDES}


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("first", SIDES)
def test_two_saddles_warn_beyond_their_difference(way, first):
    most = LIMITS.value("thickness.saddle_difference")

    def notes(apart):
        values = (Quantity(value=way * 2.0), Quantity(value=way * (2.0 + apart)))
        left, right = values if first == "left" else values[::-1]
        return check_saddles(left, right, LIMITS)

    near, far = (notes(apart)[0] for apart in beyond(most, 1))
    assert (near.code, near.level) == ("saddle", NoteLevel.INFO)
    assert (far.code, far.level) == ("saddle-differs", NoteLevel.WARN)
    assert f"use {way * 2.0:+.1f} mm" in far.text  # the smaller of both
    assert "clinician" in far.text


# ---- wedges


@pytest.mark.parametrize("cant", [1.0, -1.0])
def test_a_shoe_s_own_cant_comes_on_top_of_a_shim_under_it(cant):
    result = beds.wedges(wedging.WedgeWish(under=1.0), shoe=beds.shoe(forefoot=cant))
    (note,) = [note for note in result.notes if note.code == "under-sum"]
    assert f"own 1° {'varus' if cant > 0 else 'valgus'}" in note.text
    plain = beds.wedges(wedging.WedgeWish(under=1.0))
    assert not [note for note in plain.notes if note.code == "under-sum"]


@pytest.mark.parametrize("name", ["mth1", "mth5"])
def test_a_landmark_set_by_hand_stands_in_the_plan(name):
    marks = dict(foot("right").landmarks)
    at = marks[name].xyz
    marks[name] = Landmark(xyz=at + 1.0, sd=1.0, method="by hand", automatic=at)
    moved = replace(foot("right"), landmarks=marks)
    wishes = PlanWishes(both=FootWish.of(pad=False))
    plan = planning.plan(None, moved, parse(SHOE), wishes)
    (note,) = [note for note in plan.right.notes if note.code.startswith("by-hand-")]
    assert note.code == f"by-hand-{name}"
    assert "1.7 mm" in note.text  # root of three


# ---- the contact model: what it asks and what it says


@pytest.mark.parametrize(
    ("mass", "good"),
    [
        (25.0, True),
        (25.0 - TINY, False),
        (250.0, True),
        (250.0 + TINY, False),
        (math.nan, False),
    ],
)
def test_a_body_mass_is_believable(mass, good):
    def asked():
        return pressing.compare(seat("right"), None, (), None, limits=LIMITS, body_mass=mass)

    if good:
        assert asked()[0].body_mass.value == mass
    else:
        with pytest.raises(PlanError, match="give 25 to 250 kg"):
            asked()


@pytest.mark.parametrize("way", [1, -1])
def test_a_sole_is_held_within_what_a_shoe_can(way):
    for ankle in (way * (15.0 + TINY), math.nan):
        with pytest.raises(PlanError, match="give -15 to 15°"):
            pressing.compare(seat("left"), None, (), None, limits=LIMITS, ankle=ankle)


@pytest.mark.parametrize("centre", [(60.0, 5.0), (5.0, -40.0), (-3.0, 5.0)])
def test_a_centre_off_the_sole_cannot_be_balanced(centre):
    gap = np.zeros((10, 10))
    with pytest.raises(PlanError, match="lies outside all possible contact"):
        springs.press(gap, 1.0, 0.1, 100.0, centre)


def figures(area=100.0, peak=50.0):
    names = ("heel", "midfoot", "forefoot", "big toe")
    return ContactFigures(
        area=area,
        share=dict.fromkeys(names, 0.25),
        peak=dict.fromkeys(names, peak),
        pad_share=0.0,
        pad_peak=0.0,
        pad_gradient=0.0,
        ball_gradient=0.0,
        tilt=(0.0, 0.0),
        centre=(0.0, 0.0),
    )


def contact(area):
    case = ContactCase(case="standing", load=368.0, before=figures(), after=figures(area))
    return ContactPlan(body_mass=Quantity(value=75.0, unit="kg"), cases=[case])


@pytest.mark.parametrize(
    ("bare", "lost", "said"),
    [
        (90.0, effect.SHIM_CM2 - TINY, False),
        (90.0, effect.SHIM_CM2, True),
        (150.0, 3.0 - TINY, False),
        (150.0, 3.0, True),  # 2 % of the area
        (90.0, -5.0, False),
    ],
)
def test_a_shim_that_takes_contact_says_its_smaller_step(bare, lost, said):
    notes = effect.shim_cost(
        contact(bare - lost), contact(bare), [shim(WedgePlace.FOREFOOT, -2.0)], LIMITS
    )
    assert [note.code for note in notes] == ["shim-contact-standing"] * said
    for note in notes:
        assert "inside forefoot 1° in place of 2°" in note.text


@pytest.mark.parametrize(
    ("after", "said"), [(50.0 * effect.BALL_PEAK, False), (50.0 * effect.BALL_PEAK + TINY, True)]
)
def test_a_peak_at_the_ball_is_said_beyond_its_share(after, said):
    case = EffectCase(
        case="pedalling",
        area=(1, 1),
        midfoot_area=(1, 1),
        midfoot_share=(0, 0),
        heel_peak=(1, 1),
        ball_peak=(50.0, after),
        toe_share=(None, None),
    )
    does = EffectPlan(wished=0.8, reached=0.8, cases=[case], little=False, words="")
    assert [n.code for n in effect.ball_peaks(does)] == ["ball-peak-pedalling"] * said


def test_limits_of_the_workshop_stand_in_the_plan(tmp_path):
    assert remarks.limit_notes(LIMITS) == []
    (note,) = remarks.limit_notes(own(tmp_path, "[support]\nfirst_trial = 0.7\n"))
    assert (note.code, note.level) == ("own-limits", NoteLevel.WARN)
    assert "support.first_trial 0.7 share of the gap (usual 0.8" in note.text


# ---- ways out of what is too thick at the ball


def edge(most, *, side="left", medial=True, kept=False, old=3.0):
    low = most - 1.0
    return Edge(
        foot=side,
        station="ball",
        medial=most if medial else low,
        lateral=low if medial else most,
        flat=most,
        old=old,
        kept=kept,
        breadth=100.0,
    )


def ways(here, *wedges, limits=LIMITS):
    return thickness._ways_out(here, wedges, parse(SHOE), limits)


def test_a_base_that_is_thick_for_dowels_is_thinner_without_them():
    """A thinner base alone would hold none: 2.2 mm less the usual 1.5 mm are won at the most."""
    most = LIMITS.value("thickness.ball_refuse")
    thick = dowels.thick_enough(LIMITS, [SupportWish()])
    for over, offered in ((0.7 - 1e-6, True), (0.7 + 1e-6, False)):
        found = ways(edge(most + over), limits=thick)
        assert any(way.startswith("no dowels") for way in found) == offered
        assert not any(way.startswith("a base of") for way in found)
    assert not any(way.startswith("no dowels") for way in ways(edge(most + 0.3)))


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("medial", [True, False])
def test_the_ball_warns_and_refuses_at_its_limits_on_either_edge(side, medial):
    where = "big-toe side" if medial else "little-toe side"
    (warn, above), (most, over) = (
        beyond(LIMITS.value(f"thickness.ball_{name}"), 1) for name in ("warn", "refuse")
    )

    def said(by):
        return thickness._too_thick(edge(by, side=side, medial=medial), (), None, LIMITS, ())

    assert said(warn) == []
    for by in (above, most):
        (note,) = said(by)
        assert (note.code, note.level) == ("thick-ball", NoteLevel.WARN)
        assert f"near the {where} of the ball" in note.text
    with pytest.raises(RefusedError, match=f"^{side} foot: .* near the {where} of the ball"):
        said(over)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_shim_is_offered_under_the_shoe_as_far_as_one_may_go_there(sign):
    last, first = beyond(LIMITS.value("wedge.under.refuse_deg"), 1)
    for angle, offered in ((last, True), (first, False)):
        found = ways(edge(3.0), shim(WedgePlace.FOREFOOT, sign * angle))
        assert any("under the shoe" in way for way in found) == offered


def test_a_thinner_base_is_offered_down_to_the_thinnest():
    """What is over the limit comes off the base; the figure is rounded down to 0.1 mm."""
    most, base = LIMITS.value("thickness.ball_refuse"), LIMITS.value("base.thickness")
    spare = base - thickness.THINNEST_BASE_MM
    for over, offered in ((spare - TINY, True), (spare + TINY, False)):
        found = [way for way in ways(edge(most + over)) if way.startswith("a base of")]
        assert (
            found
            == [f"a base of {thickness.THINNEST_BASE_MM:g} mm (base.thickness in your limits file)"]
            * offered
        )


def test_a_kept_insole_is_taken_out_where_that_is_enough():
    most = LIMITS.value("thickness.ball_refuse")
    for by, offered in ((most + 3.0, True), (most + 3.0 + TINY, False)):
        found = any("stock insole of 3 mm out" in way for way in ways(edge(by, kept=True)))
        assert found == offered
    assert not any("stock insole of" in way for way in ways(edge(most + 1.0, kept=False)))


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("wish", "yaw", "said"),
    [
        (-TINY, 0.0, True),
        (0.0, 0.0, False),
        (3.0, 0.0, False),
        (3.0, 0.5, True),
        (3.0, -0.5, True),
    ],
)
def test_a_cleat_moved_back_or_turned_is_checked_against_crank_and_frame(side, wish, yaw, said):
    plan, _ = cleat.plan_cleat(
        landmarks=seat(side).landmarks,
        shoe=None,
        limits=LIMITS,
        wish=cleat.CleatWish(offset=wish, yaw=yaw),
    )
    near = f"at least {5:g} mm from crank and frame"
    assert any(near in note for note in plan.notes) == said


def test_a_shim_under_the_shoe_lifts_the_saddle_by_its_middle():
    """1 mm at the thin edge, 4 mm at the thick one: the axle's middle rises by 2.5 mm."""
    table, _ = thickness.rows(seat("right"), None, [], shoe=parse(SHOE), limits=LIMITS)
    wedge = plans.sample_wedge(plans.bed_ring(278.0), WedgePlace.UNDER, 2.0)
    wedge = wedge.model_copy(update={"edge": 1.0, "thick_edge": 4.0})
    level, lifted = (
        thickness.saddle(table, some, None, before=None, shoe=parse(SHOE), limits=LIMITS)[0]
        for some in ((), (wedge,))
    )
    assert lifted.value - level.value == pytest.approx(2.5, abs=0.011)


def test_only_its_own_override_passes_the_room_at_the_ball():
    most = LIMITS.value("thickness.ball_refuse")
    call = edge(most + 1.0), (), None, LIMITS
    own, other = (
        Override(limit=name, who="A", why="b", when="c")
        for name in ("thickness.ball_refuse", "wedge.forefoot.refuse_deg")
    )
    assert thickness._too_thick(*call, (own,))[0].code == "thick-ball"
    for signed in ((), (other,)):
        with pytest.raises(RefusedError, match="thicker than the insole they replace"):
            thickness._too_thick(*call, signed)
