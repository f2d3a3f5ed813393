"""Contact in the plan: balance on the planned bed, what is compared, what is refused."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely

from insole.errors import PlanError
from insole.planning import planner, seating
from insole.planning.contact import pressing
from insole.planning.contact.doubts import GRAVITY, shim_notes
from insole.planning.contact.give import gent_modulus, give_of
from insole.planning.contact.pressing import region_maps
from insole.planning.outline import lay_out
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.support.tops import PadTop
from insole.record.limits import default_limits
from insole.record.plan import Plan, from_json, to_json
from insole.record.planned_contact import ContactCase, PressureMap
from insole.record.planned_parts import WedgePlace
from insole.shoe.shoe import parse
from tests import feet, plans

LIMITS = default_limits()
SHOE = parse(
    {
        "name": "level",
        "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
        "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
        "stock_insole": {
            "kept": False,
            "thickness": {"heel": 5.0, "arch": 4.0, "ball": 4.5, "toes": 3.0},
        },
    }
)


def alone(pad):
    """Return what lies in the shoe where there is a pad at most."""
    return pressing._Parts(pad, (), None, None)


def made(mass: float | None = None, **wish) -> Plan:
    wishes = PlanWishes(both=FootWish.of(**wish), body_mass=mass)
    return planner.plan(None, feet.analytic(), SHOE, wishes)


def case(plan: Plan, name: str) -> ContactCase:
    return next(c for c in plan.right.contact.cases if c.case == name)


def level() -> seating.Seating:
    foot = feet.analytic()
    return seating.seat(foot, lay_out(foot, SHOE, LIMITS), SHOE, limits=LIMITS)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return made()


def test_loads_are_half_the_body_weight(plan):
    """75 kg nominal, stated as such; 60 kg as given: m g / 2, g standard."""
    assert plan.right.contact.body_mass.value == 75
    assert "no body mass was given" in plan.right.contact.body_mass.reason
    given = made(60.0)
    assert given.right.contact.body_mass.reason == "as given"
    for record, mass in ((plan, 75.0), (given, 60.0)):
        for name in ("standing", "pedalling"):
            assert case(record, name).load == pytest.approx(mass * GRAVITY / 2, abs=0.05)


@pytest.mark.parametrize("name", ["standing", "pedalling"])
def test_each_bed_carries_the_load_at_its_centre(plan, name):
    """Force and moment balance: shares add up to all of it, centre reached as asked for."""
    found = case(plan, name)
    for one in (found.before, found.after):
        assert sum(one.share.values()) == pytest.approx(1.0, abs=1e-3)
        assert one.centre == pytest.approx(found.centre, abs=0.15)
        assert set(one.share) == {"heel", "midfoot", "forefoot", "big toe", "other toes"}
        for region, share in one.share.items():
            assert (share > 0) == (one.peak[region] > 0)


def test_pedalling_loads_the_axle(plan):
    """The centre lies at the axle: as far behind the first head as the cleat says."""
    x = plan.right.landmarks["mth1"][0] + plan.right.cleat.from_ball_mark
    assert case(plan, "pedalling").centre[0] == pytest.approx(x, abs=0.06)
    back = made(cleat_offset=-15.0)
    assert case(back, "pedalling").centre[0] == pytest.approx(x - 10.0, abs=0.1)
    heel = [case(p, "pedalling").after.share["heel"] for p in (plan, back)]
    assert heel[1] > heel[0]


def test_a_pad_takes_load_and_adds_contact(plan):
    for name in ("standing", "pedalling"):
        found = case(plan, name)
        assert found.after.area > found.before.area
        assert found.after.share["midfoot"] > found.before.share["midfoot"]
    none = made(pad=False)
    assert case(none, "standing").before == case(none, "standing").after
    assert case(none, "standing").before.area == case(plan, "standing").before.area
    assert case(none, "standing").after.pad_peak == 0.0


def test_more_support_takes_more_load():
    shares = [
        case(made(support_level=level), "standing").after.pad_share
        for level in (0.5, 0.7, 0.9, 1.0)
    ]
    assert shares == sorted(shares)
    assert shares[-1] > shares[0] + 0.01


def test_a_wedge_shim_turns_the_sole_with_it(plan):
    """A varus ramp lifts the medial side: the free sole follows, by no more than its angle."""
    without, with_shim = (
        case(made(pad=False, **w), "pedalling").after for w in ({}, {"forefoot": 2.0})
    )
    turned = with_shim.tilt[1] - without.tilt[1]
    assert 0.3 < turned < 2.05


def test_a_centre_outside_the_support_is_refused_with_the_nearest_point(plan):
    """The record keeps the refusal; the plan itself is made."""
    bed = pressing._bed(level(), alone(plan.right.pad), LIMITS)
    found = pressing._case("pedalling", bed, (400.0, 0.0), 300.0, None)
    assert found.before is None
    assert "the nearest point that can be balanced is" in found.reason
    near = [float(v) for v in found.reason.split(" is ")[1].split(" mm")[0].split(",")]
    front = np.nanmax(np.where(np.isfinite(bed.gap).any(axis=1), bed.x, np.nan))
    assert front - 3.0 < near[0] < front
    again = pressing._case("pedalling", bed, (near[0] - 0.1, near[1]), 300.0, 0.0)
    assert again.after is not None


def test_an_ankle_that_is_held_is_an_input(plan):
    held = case(made(ankle=1.0), "pedalling")
    assert held.ankle == 1.0
    assert held.before.tilt == held.after.tilt == (1.0, 0.0)
    assert held.after.centre[0] < held.centre[0]  # toes up: the load is nearer to the heel
    assert case(made(ankle=1.0), "standing") == case(plan, "standing")
    with pytest.raises(PlanError, match=r"held 40° to its bed; give -15 to 15°"):
        made(ankle=40.0)


def test_a_sole_that_would_tilt_too_far_is_held_level():
    """A load at the very tip of the toes: the springs tilt beyond 6 degrees and are not asked."""
    bed = pressing._bed(level(), alone(None), LIMITS)
    front = float(np.nanmax(np.where(np.isfinite(bed.gap).any(axis=1), bed.x, np.nan)))
    j = int(np.isfinite(bed.gap[np.searchsorted(bed.x, front - 12.0)]).nonzero()[0].mean())
    found = pressing._case("pedalling", bed, (front - 12.0, float(bed.y[j])), 2000.0, None)
    assert found.ankle == 0.0
    assert found.after.tilt == (0.0, 0.0)
    assert "more than 6°" in found.notes[0]


@pytest.mark.parametrize("mass", [5.0, float("nan"), 900.0])
def test_a_mass_that_is_none_is_refused(mass):
    with pytest.raises(PlanError, match=r"give 25 to 250 kg"):
        made(mass)


def test_regions_cover_the_sole_once():
    seated = level()
    gx, gy = np.meshgrid(seated.sole.x, seated.sole.y, indexing="ij")
    masks = region_maps(seated, gx, gy, LIMITS)
    assert (np.sum(list(masks.values()), axis=0) == 1).all()
    for name, mark in (
        ("heel", "heel_centre"),
        ("forefoot", "mth1"),
        ("forefoot", "mth5"),
        ("midfoot", "arch_apex"),
    ):
        x, y = seated.landmarks[mark][:2]
        i, j = round(x - seated.sole.x[0]), round(y - seated.sole.y[0])
        assert masks[name][i, j], (name, mark)


def test_the_big_toe_is_the_medial_one():
    """Ahead of the first head lies the big toe, ahead of the fourth the others."""
    seated = level()
    for head, region in (("mth1", "big toe"), ("mth4", "other toes")):
        x, y = seated.landmarks[head][:2]
        ahead = np.array([[x + 0.17 * seated.foot_length]]), np.array([[y]])
        found = region_maps(seated, *ahead, LIMITS)
        assert [name for name, mask in found.items() if mask[0, 0]] == [region]


def test_without_heads_the_toes_are_one_region_and_pedalling_has_no_centre():
    seated = level()
    marks = {k: v for k, v in seated.landmarks.items() if not k.startswith("mth")}
    bare = replace(seated, landmarks=marks)
    found, _ = pressing.compare(bare, None, (), None, limits=LIMITS)
    assert "toes" in found.cases[0].after.share
    assert found.cases[1].before is None
    assert "the axle's place is not" in found.cases[1].reason


def test_a_hole_in_the_heel_is_said_and_steep_flanks_are_not():
    seated = level()
    said = pressing.compare(seated, None, (), None, limits=LIMITS)[0].notes
    assert not any("holes" in text for text in said)
    z = seated.sole.z.copy()
    i, j = (
        round(v - a[0]) for v, a in zip((40.0, 0.0), (seated.sole.x, seated.sole.y), strict=True)
    )
    z[i : i + 10, j : j + 10] = np.nan
    holed = replace(seated, sole=replace(seated.sole, z=z))
    said = pressing.compare(holed, None, (), None, limits=LIMITS)[0].notes
    assert any("holes of 1.0 cm²" in text for text in said)  # 10 x 10 mm


def test_pad_heights_are_those_of_the_formula():
    """The quartic dome of the made-up plan, nodes 2 mm apart, bilinear between.

    Between nodes h apart a surface of second derivative c is missed by c h^2 / 8 along each axis:
    4 H / a^2 (2 mm)^2 / 8 with H = 10 mm and half axes a from 15 mm: below 0.2 mm in all.
    """
    pad = plans.sample_pad(plans.bed_ring())
    ring = np.asarray(pad.outline)
    low, high = ring.min(axis=0) - 5.0, ring.max(axis=0) + 5.0
    x, y = np.meshgrid(np.linspace(low[0], high[0], 77), np.linspace(low[1], high[1], 51))
    inside = shapely.contains_xy(shapely.Polygon(ring), x, y)
    found = PadTop(pad).inside(x, y)
    assert found[inside] == pytest.approx(plans.dome_heights(x, y)[inside], abs=0.2)
    assert (found[~inside] == 0.0).all()


def test_every_place_gives_way_as_planned_there():
    """Tissue 0.3 MPa over 18 mm, cover of 25 Shore A, pad of 40 Shore A as thick as planned: by
    hand from the relation of Gent, one place under the pad and one beside it."""
    seated, record = level(), made()
    bed = pressing._bed(seated, alone(record.right.pad), LIMITS)
    gent = {a: 0.0981 * (56 + 7.62336 * a) / (0.137505 * (254 - 2.54 * a)) for a in (25, 40)}
    without = 18.0 / 0.3 + 1.5 / gent[25]
    assert 1.0 / bed.soft == pytest.approx(without, rel=1e-6)
    crest = record.right.pad.crest
    i, j = (int(np.abs(a - v).argmin()) for a, v in ((bed.x, crest.from_rear), (bed.y, crest.y)))
    assert bed.parts[i, j] == pytest.approx(crest.height, abs=0.6)  # within 1 mm
    (layer,) = bed.layers
    assert 1.0 / layer[i, j] == pytest.approx(bed.parts[i, j] / gent[40], rel=1e-6)
    bare = np.flatnonzero(bed.parts.ravel() == 0.0)
    assert np.isinf(layer.ravel()[bare]).all()


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("trial-eva", "trial-eva 40 Shore A, 1.7 MPa"),
        ("base-pp", "base-pp 70 Shore D, rigid"),
        ("wedge-tpu", "wedge-tpu 95 Shore A, 44 MPa"),
        ("trial-tpu", "trial-tpu 87 Shore A, 16 MPa, 20 % filled"),
        ("of-the-shop", "of-the-shop, whose hardness the table does not say, taken as 1.5 MPa"),
    ],
)
def test_hardness_taken_is_that_of_the_table(word, says):
    assert give_of(word, LIMITS).words == says


def test_a_sparse_print_is_skin_and_core_in_series():
    """2 skins of 0.8 mm solid, the rest at 0.2 squared of the modulus: 6 mm by hand."""
    of = give_of("trial-tpu", LIMITS)
    solid = gent_modulus(87.0)
    by_hand = 1.6 / solid + 4.4 / (0.04 * solid)
    assert 1.0 / of.stiffness(np.array([6.0]))[0] == pytest.approx(by_hand, rel=1e-9)
    assert of.stiffness(np.array([1.0]))[0] == pytest.approx(solid, rel=1e-9)  # skin alone
    assert np.isinf(give_of("base-pa12", LIMITS).stiffness(np.array([3.0])))[0]
    assert np.isinf(of.stiffness(np.array([0.0])))[0]


def test_notes_say_which_hardness_was_taken():
    record = made(forefoot=1.0, metatarsal=5.0)
    (said,) = [n for n in record.right.contact.notes if n.startswith("hardness taken")]
    for words in (
        "inside forefoot shim: wedge-tpu 95 Shore A",
        "arch pad: trial-eva 40 Shore A",
        "metatarsal pad: trial-eva 40 Shore A",
        "cover of 1.5 mm, without the parts as with them: cover-foam 25 Shore A",
    ):
        assert words in said
    (said,) = [n for n in made(contoured="full").right.contact.notes if "hardness taken" in n]
    assert "contoured bed: base-pp 70 Shore D, rigid" in said
    assert "arch pad" not in said


def test_a_harder_pad_carries_more_and_the_bare_bed_is_the_same():
    """Same shape of 45 to 55 Shore A, 35 to 45, and a print that is sparse inside."""
    pad, cleat = made(support_level=0.9).right.pad, made(support_level=0.9).right.cleat
    found = []
    for word in ("trial-tpu", "trial-eva", "final-eva", "base-pp"):
        changed = pad.model_copy(update={"material": word})
        found.append(pressing.compare(level(), changed, (), cleat, limits=LIMITS)[0].cases[0])
    assert all(one.before == found[0].before for one in found)
    shares = [one.after.pad_share for one in found]
    assert shares == sorted(shares)
    assert shares[-1] > shares[0]


def test_a_thicker_cover_softens_both_beds():
    thick = LIMITS.changed(thickness__cover=6.0)
    record = made()
    usual, soft = (
        pressing.compare(level(), record.right.pad, (), record.right.cleat, limits=limits)[0]
        for limits in (LIMITS, thick)
    )
    for one, other in zip(usual.cases, soft.cases, strict=True):
        assert other.before.peak["heel"] < one.before.peak["heel"]
        assert other.after.peak["heel"] < one.after.peak["heel"]


def test_gent_relation():
    """50 Shore A: 2.4558 MPa (worked example, CALC)."""
    assert gent_modulus(50.0) == pytest.approx(2.4558, abs=5e-5)
    with pytest.raises(ValueError, match="20 to 95"):
        gent_modulus(100.0)


def test_what_is_left_of_a_shim_under_load():
    """Even pressure p on a spring ramp leaves 1 - p / E of it: by hand for a made-up shim.

    The material that the shim is planned from decides: EVA gives, a rigid print does not.
    """
    wedge = plans.sample_wedge(plans.bed_ring(), WedgePlace.FOREFOOT, 2.0)
    note = shim_notes([wedge], limits=LIMITS, body_mass=80.0)[0]
    assert (note.code, note.level) == ("wedge-left-forefoot", "info")
    assert "wedge-tpu 95 Shore A" in note.text
    soft = wedge.model_copy(update={"material": "trial-eva"})
    loaded = LIMITS.changed(wedge__least_hardness=20.0, contact__pedalling_share=3.0)
    warned = shim_notes([soft], limits=loaded, body_mass=120.0)[0]
    assert warned.level == "warn"
    assert "something harder" in warned.text
    assert shim_notes([wedge], limits=loaded, body_mass=120.0)[0].level == "info"
    ring = np.asarray(wedge.outline)
    inside = ring[(ring[:, 0] >= wedge.full_from) & (ring[:, 0] <= wedge.full_to)]
    area = (wedge.full_to - wedge.full_from) * np.ptp(inside[:, 1])  # a box round the ramp
    pressure = 3.0 * 120.0 * GRAVITY / area
    hardness = float(re.search(r"trial-eva ([\d.]+) Shore A", warned.text)[1])
    left, in_softest = (float(n) for n in re.findall(r"([\d.]+)° (?:of|in)", warned.text))
    assert 0.0 <= left <= 2.0 * (1 - pressure / gent_modulus(hardness)) + 0.05
    assert 0.0 <= in_softest <= max(2.0 * (1 - pressure / gent_modulus(20.0)), 0.0) + 0.05
    rigid = wedge.model_copy(update={"material": "base-pp"})
    assert "about 2.0° of 2°" in shim_notes([rigid], limits=loaded, body_mass=120.0)[0].text


def test_a_pad_that_presses_is_warned_of():
    """Far beyond the gap the arch carries the foot: said, with both numbers."""
    high = made(support_level=1.1)
    raised = high.right.pad.model_copy(
        update={
            "top": high.right.pad.top.model_copy(
                update={"z": (np.asarray(high.right.pad.top.z) * 1.8).tolist()}
            )
        }
    )
    _, notes = pressing.compare(level(), raised, (), high.right.cleat, limits=LIMITS)
    assert {n.code for n in notes} >= {"contact-arch-standing", "contact-arch-pedalling"}
    assert all("step of support back" in n.text for n in notes if n.code.startswith("contact-a"))


def test_contact_is_in_the_record_and_mirrors(plan):
    assert from_json(to_json(plan)) == plan
    left = planner.plan(feet.analytic(side="left"), None, SHOE)
    assert left.left.contact == plan.right.contact


def test_a_pad_that_is_hardly_touched_is_said():
    """A fifth of a high arch's gap is hardly reached; the whole of it is."""
    notes = {}
    for level in (0.2, 1.0):
        wishes = PlanWishes(both=FootWish.of(support_level=level))
        plan = planner.plan(None, feet.analytic(arch=20.0), SHOE, wishes).right
        grown = [c.after.area - c.before.area for c in plan.contact.cases]
        notes[level] = "contact-idle" in {note.code for note in plan.notes}
        assert notes[level] == (max(grown) < 1.0)
    assert not notes[1.0]


def test_without_a_wished_level_the_pad_is_eased_until_the_arch_is_not_pressed():
    """Allowed 0.8 of the share that the first trial's pad has, the plan goes down by steps."""
    foot = feet.analytic(arch=14.0)
    usual = planner.plan(None, foot, SHOE).right
    peak = next(c for c in usual.contact.cases if c.case == "pedalling").after
    strict = LIMITS.changed(contact__arch_share=0.8 * peak.pad_peak / peak.peak["forefoot"])
    eased = planner.plan(None, foot, SHOE, limits=strict).right
    after = next(c for c in eased.contact.cases if c.case == "pedalling").after
    assert after.pad_peak <= strict.value("contact.arch_share") * after.peak["forefoot"]
    assert eased.pad.support_level < usual.pad.support_level
    codes = {note.code for note in eased.notes}
    assert "level-eased" in codes
    # no further than needed: one step more presses
    more = round(eased.pad.support_level + LIMITS.value("support.step"), 6)
    wishes = PlanWishes(both=FootWish.of(support_level=more))
    above = planner.plan(None, foot, SHOE, wishes, limits=strict).right
    assert "contact-arch-pedalling" in {note.code for note in above.notes}
    assert "contact-arch-pedalling" not in codes
    wishes = PlanWishes(both=FootWish.of(support_level=0.8))
    wished = planner.plan(None, foot, SHOE, wishes, limits=strict).right
    assert wished.pad.support_level == 0.8
    assert "contact-arch-pedalling" in {note.code for note in wished.notes}


def test_pressure_maps_carry_the_load_at_its_centre_on_the_same_cells(plan):
    """Sum of p dA is the load, sum of p x dA / load the centre; each of n cells is off by half a
    kPa at most, evenly spread, so that the sum has an error of sqrt(n / 12) kPa: below 1 %."""
    for name in ("standing", "pedalling"):
        found = case(plan, name)
        for kept, figures in ((found.before_map, found.before), (found.after_map, found.after)):
            kpa = np.array(kept.kpa)
            x = kept.x0 + kept.step * np.arange(kpa.shape[0])
            y = kept.y0 + kept.step * np.arange(kpa.shape[1])
            assert kpa.sum() * kept.step**2 / 1e3 == pytest.approx(found.load, rel=0.01)
            centre = (kpa.sum(axis=1) @ x / kpa.sum(), kpa.sum(axis=0) @ y / kpa.sum())
            assert centre == pytest.approx(figures.centre, abs=1.0)
            # a mean over four cells is not above the highest of them
            assert 0.5 * max(figures.peak.values()) < kpa.max() <= max(figures.peak.values()) + 0.5
        one, other = found.before_map, found.after_map
        assert (one.x0, one.y0, one.step) == (other.x0, other.y0, other.step)
        assert np.shape(one.kpa) == np.shape(other.kpa)


def test_pressure_maps_keep_a_plan_short(plan):
    text = to_json(plan)
    without = plan.right.contact.model_copy(
        update={
            "cases": [
                c.model_copy(update={"before_map": None, "after_map": None})
                for c in plan.right.contact.cases
            ]
        }
    )
    bare = plan.model_copy(update={"right": plan.right.model_copy(update={"contact": without})})
    assert len(text) - len(to_json(bare)) < 30_000  # half of what a pair may take
    assert from_json(text) == plan


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (["1 2", "3"], "of one length"),
        (["1 x"], "pattern"),
        ([], "at least 1"),
        (["1  2"], "pattern"),
    ],
)
def test_a_ragged_or_worded_map_is_refused(rows, message):
    with pytest.raises(ValueError, match=message):
        PressureMap(x0=0.0, y0=0.0, step=4.0, rows=rows)
