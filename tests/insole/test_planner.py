"""The whole plan: refusals, both feet alike, thickness, and changes in words."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from footscan.errors import FootscanError, ScanQualityError
from footscan.results import Finding, ScanReport, Severity, Verdict
from footscan.scan import Load
from insole.cli.show.plans import whole_plan
from insole.errors import PlanError, RefusedError
from insole.output.brief import brief
from insole.planning import planner
from insole.planning.contact import effect
from insole.planning.planner import FootWish, PlanWishes, Terms, describe_change
from insole.planning.remarks import kit_doubt
from insole.record.limits import default_limits
from insole.record.plan import Plan, from_json, to_json
from insole.record.planned_contact import EffectPlan
from insole.record.values import NoteLevel, Override
from insole.shoe.shoe import parse
from tests import feet, plans

STOCK = {"heel": 5.0, "arch": 4.0, "ball": 3.0, "toes": 3.0}
PLAIN = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
    "stock_insole": {"kept": False, "thickness": STOCK},
}
SHOE = parse(PLAIN)
SIGNED = {"who": "A. Fitter", "why": "third trial", "when": "2026-05-01"}


def both(**wish) -> PlanWishes:
    return PlanWishes(both=FootWish.of(**wish))


LIMITS = default_limits()
ROOMY = parse(PLAIN | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 4.5}}})


NO_ARCH = Terms(without_arch=True)


def made(wishes=None, shoe=SHOE, **terms) -> Plan:
    return planner.plan(None, feet.analytic(), shoe, wishes, terms=Terms(**terms))


def graded(verdict: Verdict):
    severity = Severity.AGAIN if verdict is Verdict.AGAIN else Severity.MEASURING
    finding = Finding(
        code="sole-filled",
        severity=severity,
        text="the sole is closed by a plane",
        advice="scan it from below",
        region="arch",
    )
    foot = feet.analytic()
    return replace(foot, report=ScanReport(verdict=verdict, findings=(finding,)))


@pytest.fixture(scope="module")
def pair() -> Plan:
    return planner.plan(feet.analytic(side="left"), feet.analytic(side="right"), SHOE)


def test_mirrored_feet_give_the_same_canonical_plan(pair):
    left, right = pair.left.model_dump(), pair.right.model_dump()
    for name in ("side", "scan_file"):
        assert left.pop(name) != right.pop(name)
    assert left == right


@pytest.mark.usefixtures("anew")
def test_same_input_same_bytes_and_readable_back(pair):
    again = planner.plan(feet.analytic(side="left"), feet.analytic(side="right"), SHOE)
    assert to_json(again) == to_json(pair)
    assert from_json(to_json(pair)) == pair


def test_a_plan_says_what_a_bench_needs(pair):
    foot = pair.right
    assert foot.pad is not None
    assert foot.pad.reasons
    assert foot.pad.step_up
    assert foot.pad.step_down
    assert foot.no_wedge_because.keys() == {"inside forefoot", "inside heel", "under the shoe"}
    assert [row.station for row in foot.thickness] == ["heel", "arch", "ball", "toes"]
    assert foot.base.grid_from < foot.pad.crest.from_rear < foot.base.grid_to
    assert min(x for x, _ in foot.base.outline) == pytest.approx(0.0, abs=0.01)
    assert max(x for x, _ in foot.base.outline) < 285.0
    assert foot.cleat is not None
    assert pair.cautions
    assert all(answer == "not asked" for answer in pair.answers.values())


@pytest.mark.parametrize("verdict", [Verdict.AGAIN, Verdict.MEASURING])
def test_a_scan_not_fit_for_making_is_refused_with_its_report(verdict):
    foot = graded(verdict)
    with pytest.raises(ScanQualityError, match=r"closed by a plane.*scan it from below") as caught:
        planner.plan(None, foot, SHOE)
    assert caught.value.report is foot.report
    assert caught.value.exit_code == 3


def test_without_the_arch_a_measuring_scan_gives_base_and_shims_only():
    plan = planner.plan(None, graded(Verdict.MEASURING), SHOE, both(heel=1.0), terms=NO_ARCH)
    assert plan.right.pad is None
    assert "without the arch" in plan.right.no_pad_because
    assert len(plan.right.wedges) == 1
    with pytest.raises(ScanQualityError):
        planner.plan(None, graded(Verdict.AGAIN), SHOE, terms=NO_ARCH)


@pytest.mark.parametrize(
    ("verdict", "why"),
    [
        (Verdict.MEASURING, "the sole was not seen: "),
        (Verdict.MAKING, "planned without the arch"),
    ],
)
def test_a_sole_that_was_not_seen_gives_no_contact_figures_and_says_why(verdict, why):
    foot = graded(verdict) if verdict is Verdict.MEASURING else feet.analytic(side="right")
    plan = planner.plan(None, foot, SHOE, both(forefoot=1.0, heel=1.0), terms=NO_ARCH)
    cases = plan.right.contact.cases
    assert [case.case for case in cases] == ["standing", "pedalling"]
    for case in cases:
        assert case.before is case.after is case.before_map is case.after_map is None
        assert case.reason.startswith(why)
    assert plan.right.effect is None
    assert not [n for n in plan.right.notes if n.code.startswith(("contact", "shim-c", "ball-p"))]
    rows = "\n".join([*brief(plan), whole_plan(plan)])
    assert "cm²" not in rows
    assert "kPa)" not in rows
    assert why in rows


def test_a_kit_pad_that_does_next_to_nothing_is_not_recommended():
    pad = plans.sample_plan().right.pad
    does = EffectPlan(wished=0.8, reached=0.3, cases=[], little=True, words="x")
    (note,) = kit_doubt(pad, does)
    assert note.level is NoteLevel.WARN
    assert note.text.startswith(f"{pad.name} is not recommended")
    assert kit_doubt(pad, does.model_copy(update={"little": False})) == []
    assert kit_doubt(pad.model_copy(update={"source": "scan"}), does) == []
    assert kit_doubt(None, None) == []


def test_the_kit_is_judged_without_the_shim_s_own_tilt(monkeypatch):
    """A medial heel shim takes load off the arch: that is no fault of the pad."""
    monkeypatch.setattr(effect, "FELT_CM2", 100.0)  # what the midfoot carries decides alone
    wish = both(pad_source="kit", heel=1.0)
    plan = planner.plan(None, feet.analytic(side="right"), SHOE, wish)
    standing = plan.right.contact.cases[0]
    assert standing.after.share["midfoot"] < standing.before.share["midfoot"]  # with the shim
    assert not plan.right.effect.little
    assert not [note for note in plan.right.notes if note.code == "kit-little"]
    monkeypatch.setattr(effect, "FELT_SHARE", 0.05)  # more than the pad alone adds
    plan = planner.plan(None, feet.analytic(side="right"), SHOE, wish)
    assert plan.right.effect.little
    assert [note for note in plan.right.notes if note.code == "kit-little"]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_contoured_bed_is_judged_without_the_wedge_that_is_built_in(side):
    foot = feet.analytic(side=side)
    shoe = parse(PLAIN | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 7.0}}})
    plan, plain = (
        getattr(
            planner.plan(**{"left": None, "right": None, side: foot}, shoe=shoe, wishes=wish), side
        )
        for wish in (
            both(contoured="full", support_level=0.8, forefoot=2.0),
            both(contoured="full", support_level=0.8),
        )
    )
    assert [w.net for w in plan.contour.posting] == [2.0]
    assert plan.effect.cases == plain.effect.cases
    posted = plan.contact.cases[0].after.share["midfoot"]
    assert posted < plan.effect.cases[0].midfoot_share[1]
    assert "shim-contact-standing" in {note.code for note in plan.notes}
    assert "shim-contact-standing" not in {note.code for note in plain.notes}


def test_a_scan_of_the_other_foot_is_named():
    with pytest.raises(PlanError, match="given for the left foot shows a right foot"):
        planner.plan(feet.analytic(side="right"), None)


def test_a_plan_needs_a_foot():
    with pytest.raises(ValueError, match="at least one foot"):
        planner.plan(None, None)


def test_a_stop_answer_is_refused_until_a_clinician_signs():
    with pytest.raises(RefusedError, match="diabetes") as caught:
        made(answers={"diabetes": "yes"})
    assert caught.value.exit_code == 4
    plan = made(answers={"diabetes": "yes"}, clinician="Dr A. Example, 2026-04-30")
    assert plan.clinician == "Dr A. Example, 2026-04-30"
    assert plan.answers["diabetes"] == "yes"


def test_without_a_shoe_the_plan_says_trial_only():
    plan = made(both(support_level=0.9), shoe=None)
    notes = {note.code: note.text for note in plan.right.notes}
    assert "trial only, bed not measured" in notes["no-shoe"]
    assert "60 %" in notes["level-capped"]
    assert plan.right.pad.support_level == 0.6
    assert plan.right.base.trim_allowance == 3.0
    ring = np.asarray(plan.right.base.outline)
    foot = np.asarray(plan.right.foot_outline)
    assert ring[:, 1].max() - foot[:, 1].max() == pytest.approx(3.0, abs=1.0)  # smoothed corners
    assert foot[:, 0].min() == pytest.approx(5.0, abs=0.01)  # heel clearance 2 + 3 to trim


def test_thickness_before_and_after_adds_up():
    plan = made(both(heel=1.0))
    rows = {row.station: row for row in plan.right.thickness}
    flat = 1.5 + 1.5  # base and cover
    assert rows["heel"].before == 5.0
    assert rows["ball"].after == pytest.approx(flat)
    assert rows["arch"].after == pytest.approx(flat + plan.right.pad.crest.height, abs=0.01)
    wedge = plan.right.wedges[0]
    assert flat + wedge.edge < rows["heel"].after < flat + wedge.thick_edge
    # stack at the ball: base and cover against the insole taken out
    assert plan.right.saddle_change.value == pytest.approx(flat - 3.0)


def test_too_thick_at_the_ball_is_refused_and_can_be_signed_for():
    thin = parse(PLAIN | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": 0.9}}})
    with pytest.raises(RefusedError, match=r"2\.1 mm thicker than the insole"):
        made(shoe=thin)
    signed = Override(limit="thickness.ball_refuse", **SIGNED)
    plan = made(shoe=thin, overrides=[signed])
    assert any(note.code == "thick-ball" for note in plan.right.notes)
    assert plan.overrides == [signed]


def thick(wish: float, side: str, ball: float, **options) -> Plan:
    """Return a plan with a forefoot wedge over a stock insole so thick at the ball."""
    shoe = parse(PLAIN | {"stock_insole": {"kept": False, "thickness": STOCK | {"ball": ball}}})
    pair = (feet.analytic(side="left"), None) if side == "left" else (None, feet.analytic())
    return planner.plan(*pair, shoe, both(forefoot=wish), **options)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("wish", "edge"), [(2.0, "big-toe"), (-2.0, "little-toe")])
@pytest.mark.parametrize(
    ("limit", "refused"),
    [
        ("thickness.ball_warn", False),
        ("thickness.ball_refuse", True),
    ],
)
def test_one_rule_of_thickness_holds_at_both_edges(side, wish, edge, limit, refused):
    """At its limit a shim passes, 0.05 mm above it does not: either edge, either foot."""
    roomy = thick(wish, side, 6.0)
    row = {r.station: r for r in roomy.feet[0].thickness}["ball"]
    at = max(row.medial, row.lateral) - LIMITS.value(limit)
    assert at > 0
    kept = thick(wish, side, round(at + 0.011, 3))
    said = [n for n in kept.feet[0].notes if n.code == "thick-ball"]
    assert bool(said) is refused
    if not refused:
        said = [
            n
            for n in thick(wish, side, round(at - 0.05, 3)).feet[0].notes
            if n.code == "thick-ball"
        ]
        assert f"near the {edge} side of the ball" in said[0].text
        return
    with pytest.raises(RefusedError, match=f"near the {edge} side of the ball, above 2 mm") as no:
        thick(wish, side, round(at - 0.05, 3))
    assert str(no.value).startswith(f"{side} foot: inside forefoot: asked for 2°")
    assert f"the shim is 2° {'varus' if wish > 0 else 'valgus'}" in str(no.value)


def test_a_refusal_for_thickness_offers_what_is_possible():
    """Each way out is tried: what it offers is planned without a refusal."""
    with pytest.raises(RefusedError) as no:
        thick(2.0, "right", 3.0)
    text = str(no.value)
    for way in ("a shim of 1° varus (wish 1° varus)", "2° varus under the shoe"):
        assert way in text
    assert thick(1.0, "right", 3.0).right.wedges[0].net == 1.0
    with pytest.raises(RefusedError, match=r"a base of 1\.1 mm") as no:
        thick(2.0, "right", 3.98)
    thin = LIMITS.changed(base__thickness=1.1)
    assert thick(2.0, "right", 3.98, limits=thin).right.wedges[0].net == 2.0
    inset = re.search(r"a narrower ramp, (\d+) mm in", str(no.value))
    if inset:
        narrow = LIMITS.changed(wedge__inset=float(inset[1]))
        assert thick(2.0, "right", 3.98, limits=narrow).right.wedges[0].net == 2.0


def test_a_kept_stock_insole_can_come_out():
    kept = parse(PLAIN | {"stock_insole": {"kept": True, "thickness": STOCK}})
    with pytest.raises(RefusedError, match=r"the stock insole of 3 mm out"):
        made(shoe=kept)
    assert made().right.thickness


def test_a_raised_heel_warns():
    assert not any(n.code == "heel-raised" for n in made().right.notes)
    low = parse(PLAIN | {"stock_insole": {"kept": False, "thickness": STOCK | {"heel": 0.5}}})
    plan = made(both(heel=4.0), shoe=low)
    assert any(n.code == "heel-raised" for n in plan.right.notes)


def test_a_shoe_without_insole_thickness_gives_no_saddle_change_but_the_reason():
    plain = parse({k: v for k, v in PLAIN.items() if k != "stock_insole"})
    change = made(shoe=plain).right.saddle_change
    assert change.value is None
    assert "not measured" in change.reason


@pytest.mark.parametrize(
    ("override", "match"),
    [
        (Override(limit="support.refuse", **SIGNED), "no limit called 'support.refuse'"),
        (Override(limit="support.refuse_above", **(SIGNED | {"why": " "})), "does not say why"),
    ],
)
def test_an_override_must_be_complete(override, match):
    with pytest.raises(PlanError, match=match):
        made(overrides=[override])


def test_a_foot_too_long_for_the_shoe_is_named():
    short = parse(PLAIN | {"inside": {"length": 255, "ball_width": 100, "heel_width": 70}})
    with pytest.raises(PlanError, match="choose a longer shoe"):
        made(shoe=short)


def test_wishes_of_one_foot_win_over_those_of_both():
    wishes = PlanWishes(both=FootWish.of(heel=1.0, support_level=0.7), left=FootWish.of(heel=2.0))
    plan = planner.plan(feet.analytic(side="left"), feet.analytic(), SHOE, wishes)
    assert [w.net for w in plan.left.wedges] == [2.0]
    assert [w.net for w in plan.right.wedges] == [1.0]
    assert plan.left.pad.support_level == plan.right.pad.support_level == 0.7
    assert plan.wishes == {"both": {"heel": 1.0, "support_level": 0.7}, "left": {"heel": 2.0}}


def test_a_varus_shim_never_raises_the_pad():
    level, canted = made(shoe=ROOMY), made(both(forefoot=2.0), shoe=ROOMY)
    assert canted.right.seating.roll == 2.0
    assert canted.right.pad.crest.height <= level.right.pad.crest.height + 0.05
    assert canted.right.pad.front_edge < level.right.pad.front_edge
    shim = canted.right.wedges[0]
    assert canted.right.pad.front_edge < shim.full_from  # lies on the taper only


def test_changes_are_said_in_words(pair):
    assert describe_change(pair, pair) == []
    wishes = PlanWishes(right=FootWish.of(shift=(-3.0, -2.0), heel=1.0, support_level=0.6))
    new = planner.plan(feet.analytic(side="left"), feet.analytic(), SHOE, wishes)
    words = describe_change(pair, new)
    assert "right pad moved: 3 mm rearward, 2 mm lateral" in words
    assert "right support level: 80 % before, 60 % now" in words
    assert "right wedge inside heel: none before, 1° varus, thick on the big-toe side now" in words
    assert not [text for text in words if text.startswith("left")]
    bare = planner.plan(None, feet.analytic(), None, both(pad=False))
    words = describe_change(pair, bare)
    assert "shoe: level before, none now" in words
    assert "left: no longer planned" in words
    assert "right pad: none now (no pad was wished)" in words


def test_every_refusal_is_of_the_one_family():
    """The command line catches one class: nothing else may come out of a bad foot."""
    foot = feet.analytic()
    marks = {k: v for k, v in foot.landmarks.items() if not k.startswith(("mth", "metatarsale"))}
    with pytest.raises(FootscanError, match="ball of the foot"):
        planner.plan(None, replace(foot, landmarks=marks), SHOE)


def test_specimens_of_all_load_states_can_be_planned():
    heights = {}
    for load in (Load.HALF, Load.NONE):
        foot = feet.specimen(arch_height=20.0, load=load, cell=3.0)
        plan = planner.plan(None, foot, SHOE)
        heights[load] = plan.right.pad.crest.height
        assert plan.right.load == load.value
    assert heights[Load.NONE] < heights[Load.HALF]


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_plan_of_an_older_schema_is_read_and_written_as_it_was(pair, version):
    """Records kept by a workshop stay what they are, fingerprint included."""
    old = json.loads(to_json(pair))
    old["schema_version"] = version
    del old["seal"]
    if version < 3:
        del old["sources"], old["limits"]
    for foot in (old["left"], old["right"]):
        del foot["contour"], foot["effect"], foot["pad"]["crest"]["y"]
        for name in ("medial_height", "rim_radius", "snug"):
            del foot["pad"][name]
        for case in foot["contact"]["cases"]:
            for figures in (case["before"], case["after"]):
                del figures["areas"]
        if version == 3:
            continue
        del foot["sole"], foot["base"]["dowels"], foot["pad"]["medial_edge"]
        del foot["cleat"]["mark"], foot["cleat"]["from_mark"], foot["cleat"]["back"]
        for row in foot["thickness"]:
            del row["medial"], row["lateral"]
        for case in foot["contact"]["cases"]:
            del case["before_map"], case["after_map"]
        if version == 1:
            del foot["contact"]
    text = json.dumps(old, indent=1, ensure_ascii=False) + "\n"
    plan = from_json(text)
    assert (plan.right.contact is None) == (version == 1)
    assert to_json(plan) == text
    with pytest.raises(PlanError, match="schema_version"):
        from_json(json.dumps(old | {"schema_version": 6}))


def test_a_plan_with_every_wish_reads_back_the_same():
    """Nothing that a fitter can wish may change on the way through the file."""
    wishes = PlanWishes(
        both=FootWish.of(
            support_level=0.7,
            shift=(3.0, -1.0),
            turn=5.0,
            tender=((140.0, 5.0),),
            medial_edge=4.0,
            forefoot=2.0,
            heel=1.0,
            cleat_offset=-2.0,
            cleat_yaw=1.0,
            cleat_before=1.0,
            ankle=1.0,
            pad_source="scan",
        ),
        case="oak",
        date="May",
        version=2,
        confirm_zero=True,
        body_mass=70.0,
    )
    stated = {"stated": {"--side": ["left"]}}
    made = planner.plan(None, feet.analytic(), ROOMY, wishes, terms=Terms(sources=stated))
    assert from_json(to_json(made)) == made


def test_a_heel_shim_inside_a_heel_rim_is_refused():
    limits = default_limits().changed(base__heel_cup=8.0)
    assert planner.plan(None, feet.analytic(), SHOE, limits=limits).right.base.heel_cup == 8.0
    with pytest.raises(PlanError, match="does not lie inside a heel rim of 8 mm"):
        planner.plan(None, feet.analytic(), SHOE, both(heel=2.0), limits=limits)
    bed = planner.plan(None, feet.analytic(), SHOE, both(heel=2.0, contoured="full"), limits=limits)
    assert bed.right.contour is not None  # which lies on no base
