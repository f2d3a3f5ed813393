"""Wedges: net of the shoe, rounded toward zero, and every cap holds at its number."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon

from insole.errors import PlanError, RefusedError
from insole.output.work import _buy
from insole.planning.cleat import Bolt
from insole.planning.wedge_rules import WedgeWish, _sold, check_pair, rise
from insole.planning.wedging import plan_wedges
from insole.record.limits import default_limits
from insole.record.planned_parts import WedgePlace
from insole.record.values import NoteLevel, Override
from insole.shoe.shoe import BedHeights, CleatSlots, Shoe, StockInsole, parse

LIMITS = default_limits()
WIDTH = 80.0
LENGTH = 260.0
INSET = LIMITS.value("wedge.inset")
# a rectangular bed: after the inset its width is exactly WIDTH
BED = np.array([(0.0, -41.0), (280.0, -41.0), (280.0, 41.0), (0.0, 41.0)])
MARKS = {
    "pternion": np.array([2.0, 0.0, 0.0]),
    "mth1": np.array([194.0, 35.0, 0.0]),
    "mth5": np.array([166.0, -36.0, 0.0]),
}
SDS = {"mth1": 2.0, "mth5": 2.5}
HOLES = ((18.0, 0.0), (-14.0, 17.5), (-14.0, -17.5))
PLACES = {
    "forefoot": WedgePlace.FOREFOOT,
    "heel": WedgePlace.HEEL,
    "under": WedgePlace.UNDER,
}


def shoe(forefoot: float = 0.0, heel: float = 0.0, **more) -> Shoe:
    return Shoe(
        name="test",
        inside_length=280,
        ball_width=99,
        heel_width=67,
        drop=8,
        shell_cant_forefoot=forefoot,
        shell_cant_heel=heel,
        slots=CleatSlots(holes=HOLES, bolt_length=12, engagement=5),
        **more,
    )


def wedges(wishes: WedgeWish, bed: np.ndarray = BED, **more):
    call = {
        "landmarks": MARKS,
        "landmark_sd": SDS,
        "outline": bed,
        "length": LENGTH,
        "shoe": shoe(),
        "limits": LIMITS,
    }
    return plan_wedges(wishes=wishes, **(call | more))


def narrow(width: float) -> np.ndarray:
    """Return a bed whose shims come out `width` mm wide."""
    return BED * [1, (width / 2 + INSET) / 41.0]


def codes(result, level=NoteLevel.WARN):
    return {n.code for n in result.notes if n.level is level}


@settings(max_examples=60, deadline=None)
@given(cant=st.floats(-4, 4), place=st.sampled_from(["forefoot", "heel"]))
def test_a_shoe_with_the_wished_cant_needs_no_shim(cant, place):
    result = wedges(WedgeWish(**{place: cant}), shoe=shoe(**{place: cant}))
    assert result.wedges == ()
    assert "what the shoe keeps" in result.because[PLACES[place].value]


@settings(max_examples=60, deadline=None)
@given(forefoot=st.floats(-10, 10), heel=st.floats(-10, 10))
def test_no_wish_gives_no_shim_whatever_the_shoe_does(forefoot, heel):
    result = wedges(WedgeWish(), shoe=shoe(forefoot, heel))
    assert result.wedges == ()
    assert result.notes == ()
    assert result.roll == 0.0
    assert set(result.because) == {p.value for p in WedgePlace}
    assert all(text.startswith("no wish, so no shim") for text in result.because.values())


def test_without_a_wish_the_shoes_cant_is_stated():
    result = wedges(WedgeWish(), shoe=shoe(forefoot=1.5))
    assert "1.5° varus stays" in result.because["inside forefoot"]


FREE = LIMITS.changed(
    wedge__forefoot__refuse_deg=99,
    wedge__forefoot__refuse_mm=99,
    wedge__heel__refuse_deg=99,
    wedge__heel__refuse_mm=99,
    wedge__sum_refuse=99,
)


@settings(max_examples=80, deadline=None)
@given(
    wish=st.floats(-5, 5),
    cants=st.tuples(st.floats(-5, 5), st.floats(-5, 5)),
    place=st.sampled_from(["forefoot", "heel"]),
)
def test_net_never_rises_with_the_cant_kept_and_rounds_toward_zero(wish, cants, place):
    nets = []
    for cant in sorted(cants):
        result = wedges(
            WedgeWish(**{place: wish}), shoe=shoe(**{place: cant}), limits=FREE, confirm_zero=True
        )
        net = result.net(PLACES[place])
        raw = wish - cant
        assert abs(net) <= abs(raw) + 1e-6
        assert abs(raw - net) < 1.0 + 1e-6
        assert net * raw >= 0
        assert net == round(net)
        nets.append(net)
    assert nets[1] <= nets[0]


@pytest.mark.parametrize(
    ("wish", "cant", "net", "left"),
    [(2.7, 1.0, 1.0, 0.7), (-2.7, 0.0, -2.0, -0.7), (1.0, -1.0, 2.0, 0.0), (3.0, 0.1, 2.0, 0.9)],
)
def test_remainder_is_kept_with_its_sign(wish, cant, net, left):
    (wedge,) = wedges(WedgeWish(forefoot=wish), shoe=shoe(forefoot=cant)).wedges
    assert (wedge.net, wedge.remainder) == (net, pytest.approx(left))
    assert wedge.wish == wish
    assert wedge.cant_kept == cant
    assert wedge.net + wedge.remainder == pytest.approx(wish - cant)


@pytest.mark.parametrize(("wish", "size"), [(0.4, "half a step"), (-0.9, "a step")])
def test_less_than_a_step_is_no_shim_and_says_what_is_left(wish, size):
    result = wedges(WedgeWish(forefoot=wish))
    assert result.wedges == ()
    assert f"leaves {abs(wish):g}°" in result.because["inside forefoot"]
    assert f"less than {size} of" in result.because["inside forefoot"]


def test_an_insole_taken_out_takes_its_cant_with_it():
    stock = {"cant_forefoot": 2.0}
    out = wedges(WedgeWish(forefoot=2.0), shoe=shoe(insole=StockInsole(kept=False, **stock)))
    stays = wedges(WedgeWish(forefoot=2.0), shoe=shoe(insole=StockInsole(kept=True, **stock)))
    assert out.net(WedgePlace.FOREFOOT) == 2.0
    assert stays.wedges == ()


def test_a_zero_that_undoes_the_shoe_needs_confirming():
    canted = shoe(forefoot=2.0)
    with pytest.raises(RefusedError, match=r"0° inside forefoot would undo .* 2° varus .* confirm"):
        wedges(WedgeWish(forefoot=0.0), shoe=canted)
    result = wedges(WedgeWish(forefoot=0.0), shoe=canted, confirm_zero=True)
    assert result.net(WedgePlace.FOREFOOT) == -2.0
    assert result.sum_ball == 0.0
    assert "wedge-undoes-forefoot" in codes(result, NoteLevel.INFO)


def test_a_zero_that_changes_nothing_needs_no_confirming():
    assert wedges(WedgeWish(forefoot=0.0)).wedges == ()
    assert wedges(WedgeWish(forefoot=0.0), shoe=shoe(forefoot=0.6)).wedges == ()


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("place", "warn", "refuse"), [("forefoot", 2, 4), ("heel", 3, 5), ("under", 2, 4)]
)
def test_caps_in_degrees_pass_at_their_number_and_hold_just_above(place, warn, refuse, sign):
    """Just above: 0.1°, with the step set to 0.1° so that it can be made."""
    fine = LIMITS.changed(
        wedge__step=0.1,
        wedge__forefoot__warn_mm=99,
        wedge__forefoot__refuse_mm=99,
        wedge__heel__warn_mm=99,
        wedge__heel__refuse_mm=99,
        wedge__sum_warn=99,
    )
    code = f"wedge.{place}.warn_deg"
    at = wedges(WedgeWish(**{place: sign * warn}), limits=fine)
    assert code not in codes(at)
    above = wedges(WedgeWish(**{place: sign * (warn + 0.1)}), limits=fine)
    assert code in codes(above)
    assert wedges(WedgeWish(**{place: sign * refuse}), limits=fine).wedges
    with pytest.raises(RefusedError, match=rf"{refuse}\.1°, above the limit of {refuse}°"):
        wedges(WedgeWish(**{place: sign * (refuse + 0.1)}), limits=fine)


@pytest.mark.parametrize(("place", "warn", "refuse"), [("forefoot", 3, 5.5), ("heel", 3, 5)])
def test_caps_in_mm_pass_at_their_number_and_hold_just_above(place, warn, refuse):
    """The rise of a 2° ramp is w tan 2°, so the width that meets a cap exactly is known."""
    wide = LIMITS.changed(wedge__inset=0.0)

    def at(rise_mm: float):
        half = rise_mm / math.tan(math.radians(2.0)) / 2
        return wedges(WedgeWish(**{place: 2.0}), BED * [1, half / 41.0], limits=wide)

    assert f"wedge.{place}.warn_mm" not in codes(at(warn))
    assert f"wedge.{place}.warn_mm" in codes(at(warn + 0.01))
    assert at(refuse).wedges
    with pytest.raises(RefusedError, match=rf"mm of rise, .*{refuse:g} mm .*{place}\.refuse_mm"):
        at(refuse + 0.01)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("place", "other"),
    [
        ("forefoot", "a part of it under the shoe"),
        ("heel", ""),
        ("under", "a part of it inside the forefoot"),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_refusal_names_the_foot_and_what_is_possible(side, place, other, sign):
    """What it offers is then planned, and one step more is not."""
    with pytest.raises(RefusedError) as refused:
        wedges(WedgeWish(**{place: sign * 6.0}), side=side)
    text = str(refused.value)
    assert text.startswith(f"{side} foot: ")
    assert other in text
    offer = re.search(r"possible are: a shim of .* \(wish ([\d.]+)° (varus|valgus)\)", text)
    assert offer[2] == ("varus" if sign > 0 else "valgus")
    wish = sign * float(offer[1])
    assert wedges(WedgeWish(**{place: wish})).wedges
    with pytest.raises(RefusedError):
        wedges(WedgeWish(**{place: wish + sign}))


@pytest.mark.parametrize("built_in", [3.0, -3.0])
def test_sum_at_the_ball_warns_above_5_and_refuses_above_8(built_in):
    sign = math.copysign(1, built_in)
    limits = LIMITS.changed(wedge__step=0.1)

    def total(degrees: float):
        """The shoe's 3°, `degrees` - 3 more from inside and under."""
        extra = (degrees - 3.0) / 2
        wishes = WedgeWish(forefoot=sign * (3 + extra), under=sign * extra)
        return wedges(wishes, narrow(60), shoe=shoe(forefoot=built_in), limits=limits)

    at = total(5.0)
    assert abs(at.sum_ball) == pytest.approx(5.0)
    assert "wedge.sum_warn" not in codes(at)
    assert "wedge.sum_warn" in codes(total(5.2))
    assert total(8.0).wedges
    with pytest.raises(RefusedError, match=r"sum of all cants at the ball would be 8\.2°"):
        total(8.2)


def test_places_are_summed_per_section_and_never_into_one_number():
    result = wedges(
        WedgeWish(forefoot=2.0, heel=2.0, under=1.0),
        shoe=shoe(forefoot=1.0, heel=-1.0),
        limits=FREE,
    )
    assert [w.net for w in result.wedges] == [1.0, 3.0, 1.0]
    assert result.sum_ball == 1.0 + 1.0 + 1.0
    assert result.sum_heel == -1.0 + 3.0 + 1.0
    assert result.roll == 1.0


def test_heel_against_forefoot_warns_above_3():
    limits = LIMITS.changed(wedge__step=0.5, wedge__heel__warn_deg=9)
    assert "wedge-twist" not in codes(wedges(WedgeWish(heel=3.0), narrow(50), limits=limits))
    assert "wedge-twist" in codes(wedges(WedgeWish(heel=3.5), narrow(50), limits=limits))
    # under the shoe, heel and forefoot tilt together
    assert "wedge-twist" not in codes(wedges(WedgeWish(under=4.0), limits=limits))


def test_first_trial_is_at_most_2_degrees_a_foot():
    assert "wedge-first-trial" not in codes(wedges(WedgeWish(forefoot=1, heel=1)))
    assert "wedge-first-trial" in codes(wedges(WedgeWish(forefoot=2, heel=-1)))


@pytest.mark.parametrize(("left", "right", "warned"), [(2, -1, False), (2, -2, True)])
def test_sides_that_differ_by_more_than_3_warn(left, right, warned):
    notes = check_pair(wedges(WedgeWish(forefoot=left)), wedges(WedgeWish(forefoot=right)))
    assert bool(notes) is warned
    if warned:
        assert "left 2° varus and right 2° valgus differ by 4°" in notes[0].text


def test_a_recorded_override_lets_a_limit_pass_and_is_printed():
    name = "wedge.forefoot.refuse_deg"
    given_by = Override(limit=name, who="A. Fitter", why="second trial", when="2026-05-02")
    result = wedges(WedgeWish(forefoot=5.0), narrow(55), overrides=[given_by])
    (note,) = [n for n in result.notes if n.code == "wedge.forefoot.over_deg"]
    assert "A. Fitter on 2026-05-02: second trial" in note.text
    with pytest.raises(RefusedError, match=f"record an override of {name}"):
        wedges(WedgeWish(forefoot=5.0), narrow(55))
    other = given_by.model_copy(update={"limit": "wedge.heel.refuse_deg"})
    with pytest.raises(RefusedError, match=name):
        wedges(WedgeWish(forefoot=5.0), narrow(55), overrides=[other])
    blank = given_by.model_copy(update={"who": " "})
    with pytest.raises(PlanError, match="must say who, why and when"):
        wedges(WedgeWish(forefoot=5.0), narrow(55), overrides=[blank])


@pytest.mark.parametrize("wish", [math.nan, math.inf, 10.5, -11.0])
def test_impossible_wishes_are_refused(wish):
    with pytest.raises(PlanError, match="must be from -10 to 10°"):
        wedges(WedgeWish(heel=wish))


def test_forefoot_ramp_lies_where_the_rules_say():
    (wedge,) = wedges(WedgeWish(forefoot=2.0)).wedges
    assert wedge.full_from == 166.0 - 10.0
    assert wedge.full_to == 194.0 + 10.0
    assert (wedge.taper_rear, wedge.taper_front) == (25.0, 20.0)
    ring = np.array(wedge.outline)
    assert ring[:, 0].min() == pytest.approx(156.0 - 25.0)
    assert ring[:, 0].max() == pytest.approx(204.0 + 20.0)
    assert np.abs(ring[:, 1]).max() == pytest.approx(40.0)
    x, y = ring.T
    assert float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
    assert wedge.width == pytest.approx(WIDTH)
    assert wedge.thick_edge == pytest.approx(0.5 + WIDTH * math.tan(math.radians(2)), abs=1e-3)
    assert wedge.thick_side == "big-toe side"
    assert "2° varus" in wedge.words


def test_a_short_bed_leaves_the_ramp_full_under_the_toes():
    short = BED * [(210.0 + INSET) / 280.0, 1]
    (wedge,) = wedges(WedgeWish(forefoot=-2.0), short).wedges
    assert np.array(wedge.outline)[:, 0].max() == pytest.approx(210.0)
    assert wedge.thick_side == "little-toe side"


def test_heel_ramp_is_full_to_30_percent_of_the_foot():
    (wedge,) = wedges(WedgeWish(heel=2.0)).wedges
    assert wedge.full_from == INSET
    assert wedge.full_to == pytest.approx(2.0 + 0.30 * LENGTH)
    assert (wedge.taper_rear, wedge.taper_front) == (0.0, 25.0)


def test_thick_edge_is_that_of_a_plane_over_the_clipped_outline():
    """On an oblique bed: highest point of the ramp's plane over its full part, by brute force."""
    bed = np.array(
        [
            (0, -30),
            (120, -34),
            (165, -46),
            (200, -40),
            (270, -10),
            (280, 15),
            (250, 42),
            (205, 48),
            (150, 36),
            (60, 32),
            (0, 28),
        ],
        dtype=float,
    )
    for angle in (2.0, -2.0):
        (wedge,) = wedges(WedgeWish(forefoot=angle), bed).wedges
        from shapely.geometry import Polygon, box

        ring = np.array(wedge.outline)
        full = Polygon(ring).intersection(box(wedge.full_from, -99, wedge.full_to, 99))
        y = np.array(full.exterior.coords)[:, 1]
        tan = math.tan(math.radians(2.0))
        away = y - ring[:, 1].min() if angle > 0 else ring[:, 1].max() - y
        assert wedge.thick_edge == pytest.approx(0.5 + tan * away.max(), abs=2e-3)
        assert wedge.thick_edge == pytest.approx(0.5 + rise(wedge.width, angle), abs=2e-3)


def test_under_the_shoe_bolts_grow_with_the_shim_and_cautions_are_printed():
    result = wedges(WedgeWish(under=2.0))
    (wedge,) = result.wedges
    text = next(n.text for n in result.notes if n.code == "under-bolts")
    # middle of the plate rises by half the width; edge 1 mm
    middle = 1.0 + math.tan(math.radians(2)) * (17.5 + 12.0)
    assert f"front bolt: 12 mm before, shim {middle:.1f} mm there, so {12 + middle:.1f} mm" in text
    assert "next sold: 16 mm" in text  # 12 + 2.03 mm; M5 screws come in 12 and 16 mm
    assert "at least 5 full turns (4.0 mm)" in text
    assert {"under-material", "under-faces", "under-bolts", "under-before-riding"} <= codes(result)
    assert "under-washers" not in codes(result)
    assert "under-washers" in codes(wedges(WedgeWish(under=3.0)))
    assert wedge.material == "under-shoe-solid"
    assert result.roll == 0.0


@pytest.mark.parametrize("sold", [6, 8, 10, 12, 16, 20, 25, 30, 35])
def test_a_bolt_as_long_as_one_that_is_sold_is_taken_uncut(sold):
    """Lengths of short machine screws: ISO 888, value from memory."""

    def bolt(length):
        return Bolt(x=0.0, y=0.0, added=2.0, length=length, engagement=None)

    for length in (sold - 0.04, sold + 0.04):
        assert _sold(length) == f" (sold as {sold} mm)"
        assert _buy(bolt(length)) == f"{sold}"
    assert f"next sold: {sold} mm, 0.9 mm too long" in _sold(sold - 0.9)
    assert _buy(bolt(sold - 0.9)) == f"{sold}, cut 0.9"


def test_a_bolt_longer_than_all_that_are_sold_is_made_to_measure():
    assert _buy(Bolt(x=0.0, y=0.0, added=2.0, length=35.1, engagement=None)) == "made to measure"
    assert _sold(35.1) == ""


def test_under_the_shoe_needs_the_measured_bolt_pattern():
    bare = Shoe(name="t", inside_length=280, ball_width=99, heel_width=67, drop=8)
    for missing in (None, bare):
        with pytest.raises(PlanError, match=r"measured bolt pattern; fill in cleat\.holes"):
            wedges(WedgeWish(under=1.0), shoe=missing)


def test_without_a_shoe_the_wish_is_made_in_full_and_said():
    result = wedges(WedgeWish(forefoot=1.0), shoe=None)
    assert result.net(WedgePlace.FOREFOOT) == 1.0
    assert "wedge-no-shoe" in codes(result)


def test_first_ray_caution_comes_with_a_medial_forefoot_wedge_only():
    assert "wedge-first-ray" in codes(wedges(WedgeWish(forefoot=1.0)))
    assert "wedge-first-ray" not in codes(wedges(WedgeWish(forefoot=-1.0)))
    assert "wedge-first-ray" not in codes(wedges(WedgeWish(heel=1.0)))


def test_uncertain_metatarsal_heads_are_said():
    assert "wedge-landmarks" not in codes(wedges(WedgeWish(forefoot=1.0)))
    assert "wedge-landmarks" in codes(wedges(WedgeWish(forefoot=1.0), landmark_sd={"mth5": 6.0}))


def test_missing_landmarks_and_beds_too_short_are_refused():
    with pytest.raises(PlanError, match="needs the landmark mth1"):
        wedges(WedgeWish(forefoot=1.0), landmarks={"mth5": MARKS["mth5"]})
    with pytest.raises(PlanError, match="does not reach the ramp"):
        wedges(WedgeWish(forefoot=1.0), BED * [0.3, 1])
    bow_tie = np.array([(0, -40), (280, 40), (280, -40), (0, 40)], dtype=float)
    with pytest.raises(PlanError, match="crosses itself"):
        wedges(WedgeWish(forefoot=1.0), bow_tie)


def test_input_is_left_alone():
    bed, marks = BED.copy(), {k: v.copy() for k, v in MARKS.items()}
    wedges(WedgeWish(forefoot=2.0, heel=1.0, under=1.0))
    assert np.array_equal(bed, BED)
    assert all(np.array_equal(marks[k], MARKS[k]) for k in marks)


def dished(deep: float, tilt: float = 0.0) -> Shoe:
    """Return a shoe whose heel stands `deep` mm higher at its borders than in the middle."""
    borders = [((8.0 + deep + side * tilt), 4.0, 6.0, 3.0, 0.0) for side in (1.0, -1.0)]
    heights = BedHeights(medial=borders[0], midline=(8.0, 4.0, 6.0, 3.0, 0.0), lateral=borders[1])
    return shoe(heights=heights)


def test_a_dished_heel_under_a_flat_shim_is_said() -> None:
    """The mean of both borders over the midline counts, so a bed that only tilts has no dish."""
    notes = {note.code: note.text for note in wedges(WedgeWish(heel=2.0), shoe=dished(3.0)).notes}
    assert "dished by 3.0 mm at the heel" in notes["heel-dish"]
    assert "neither rocks" in notes["heel-dish"]
    for bed, wish in (
        (dished(0.5), WedgeWish(heel=2.0)),
        (dished(0.0, tilt=2.0), WedgeWish(heel=2.0)),
        (dished(3.0), WedgeWish(forefoot=1.0)),
        (shoe(), WedgeWish(heel=2.0)),
        (None, WedgeWish(heel=2.0)),
    ):
        assert "heel-dish" not in {note.code for note in wedges(wish, shoe=bed).notes}


def test_a_bed_with_its_wedge_built_in_follows_the_dish() -> None:
    notes = wedges(WedgeWish(heel=2.0), shoe=dished(3.0), built_in=True).notes
    assert "heel-dish" not in {note.code for note in notes}


def test_a_heel_shim_says_that_it_is_flat_below() -> None:
    (wedge,) = wedges(WedgeWish(heel=2.0), shoe=dished(3.0)).wedges
    assert any("underside is flat" in reason for reason in wedge.reasons)


@pytest.mark.parametrize("place", ["forefoot", "heel"])
def test_a_tilt_that_the_shoe_file_lacks_is_not_known_and_not_none(place):
    bare = {
        "name": "bare",
        "inside": {"length": 280, "ball_width": 99, "heel_width": 67},
        "bed": {"drop": 8},
    }
    stated = bare | {"shell": {"cant_forefoot": 0.0, "cant_heel": 0.0}}
    for data, known in ((bare, False), (stated, True)):
        worn = parse(data)
        assert worn.cant_known(PLACES[place]) is known
        assert parse(worn.record()).cants_stated == worn.cants_stated  # as a plan keeps it
        found = wedges(WedgeWish(**{place: 1.0}), shoe=worn)
        codes = {note.code: note.level for note in found.notes}
        assert (codes.get(f"wedge-cant-unknown-{place}") is NoteLevel.WARN) is not known
    assert parse(bare).cant_known(WedgePlace.UNDER)
    one = parse(bare | {"shell": {f"cant_{place}": 1.0}})  # stated at one place only
    assert {name: one.cant_known(PLACES[name]) for name in ("forefoot", "heel")} == {
        "forefoot": place == "forefoot",
        "heel": place == "heel",
    }


def test_the_plate_under_the_shoe_lies_about_the_first_head_less_the_start_setting():
    """The axle starts behind MTH1 (x 194), never behind MTH5 (x 166): worked by hand."""
    (wedge,) = wedges(WedgeWish(under=2.0)).wedges
    x, y = np.array(wedge.outline).T
    assert (x.min() + x.max()) / 2 == pytest.approx(194.0 - LIMITS.value("cleat.behind_ball"))
    assert (y.min() + y.max()) / 2 == pytest.approx(0.0)  # the bed's middle there


def test_the_plate_under_the_shoe_has_round_corners_and_keeps_its_size_and_margin() -> None:
    (wedge,) = wedges(WedgeWish(under=2.0)).wedges
    plate = Polygon(wedge.outline)
    x0, y0, x1, y1 = plate.bounds
    along, across = (np.abs(HOLES).max(axis=0) + LIMITS.value("wedge.under.margin")).tolist()
    assert (x1 - x0, y1 - y0) == pytest.approx((2 * along, 2 * across), abs=0.01)
    # four right corners of radius r lose (4 - pi) r2 together
    lost = (x1 - x0) * (y1 - y0) - plate.area
    assert lost == pytest.approx((4.0 - math.pi) * 5.0**2, rel=0.01)
    opened = plate.buffer(-4.9, quad_segs=32).buffer(4.9, quad_segs=32)
    assert plate.difference(opened.buffer(0.01)).is_empty
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    for hole in middle + np.array(HOLES):
        assert plate.exterior.distance(Point(hole)) > LIMITS.value("wedge.under.margin") - 0.01
