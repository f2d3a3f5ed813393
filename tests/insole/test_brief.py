"""A plan in twenty lines: what stands in them, what does not, and what is never left out."""

from __future__ import annotations

import pytest

from insole.cli.show.plans import next_step
from insole.output.brief import LINES, brief
from insole.record.planned_contact import EffectCase, EffectPlan
from insole.record.planned_parts import WedgePlace
from insole.record.questions import QUESTIONS, SHORT_CAUTION
from insole.record.values import Note, NoteLevel, Override
from tests import plans


def of_foot(rows, side):
    """Return the rows of one foot: its head and what is indented below."""
    at = next(k for k, row in enumerate(rows) if row.startswith(side.upper()))
    end = next(k for k, row in enumerate(rows) if k > at and not row.startswith("  "))
    return rows[at:end]


def with_notes(plan, side, *notes):
    foot = getattr(plan, side)
    return plan.model_copy(update={side: foot.model_copy(update={"notes": [*foot.notes, *notes]})})


def warn(code, text):
    return Note(code=code, level=NoteLevel.WARN, text=text)


def test_a_pair_with_all_shims_and_many_warnings_is_twenty_lines():
    plan = plans.sample_plan(under=True)
    for side in ("left", "right"):
        plan = with_notes(plan, side, *(warn(f"w{k}{side}", f"mind {k} {side}") for k in range(9)))
    rows = brief(plan, "make it", "in the whole plan")
    assert len(rows) == LINES == 20
    assert all(rows)  # no empty line is counted as one
    assert max(map(len, rows)) <= 150
    count = next(row for row in rows if "more: in the whole plan" in row)
    shown = [row for row in rows if row.startswith("Watch: ")]
    assert len(shown) + int(count.split()[0]) == 19  # 9 each, and one that both carry
    assert rows[-2:] == ["Next: make it", SHORT_CAUTION]


def test_each_foot_has_its_own_support_wedge_and_cleat():
    rows = brief(plans.sample_plan(under=True))
    left, right = of_foot(rows, "left"), of_foot(rows, "right")
    assert left[0].startswith("LEFT medium 10: 9.0 mm high")
    assert left[0].endswith("crest 128 mm from the rear edge, 27 mm from the medial edge")
    assert right[0].startswith("RIGHT medium 10: 10.0 mm high")
    (heel,) = [row for row in left if "wedge" in row]
    assert heel.startswith("  wedge inside heel: asked for 2.4° varus, the shoe has 0°")
    under = next(row for row in right if "under the shoe" in row)
    assert "the shim is 1° valgus, " in under
    assert "thick on the little-toe side" in under
    forefoot = next(row for row in right if "inside forefoot" in row)
    assert "the shim is 2° varus, " in forefoot
    assert "thick on the big-toe side" in forefoot


def test_asked_shoe_and_shim_stand_in_one_line():
    plan = plans.sample_plan(sides=("right",))
    wedge = plan.right.wedges[0].model_copy(
        update={"wish": 2.0, "cant_kept": 1.0, "net": 1.0, "remainder": 0.0}
    )
    plan = plan.model_copy(update={"right": plan.right.model_copy(update={"wedges": [wedge]})})
    (row,) = [row for row in of_foot(brief(plan), "right") if "wedge" in row]
    assert "asked for 2° varus, the shoe has 1° varus, the shim is 1° varus" in row


def test_what_nobody_wished_is_no_news_and_what_was_wished_and_not_made_is():
    plan = plans.sample_plan(wedges=False)
    assert not [row for row in brief(plan) if row.startswith(("  wedge", "  no wedge"))]
    why = {WedgePlace.HEEL.value: "the shoe has it already"}
    plan = plan.model_copy(update={"left": plan.left.model_copy(update={"no_wedge_because": why})})
    rows = [row for row in brief(plan) if row.startswith("  no wedge")]
    assert rows == ["  no wedge inside heel: the shoe has it already"]
    assert rows[0] in of_foot(brief(plan), "left")


def test_care_is_whole_however_long_the_list():
    text = "pain or numbness while riding: " + "see a clinician; " * 20 + "always"
    plan = plans.sample_plan(under=True)
    plan = plan.model_copy(update={"notes": [*plan.notes, warn("riding-pain", text)]})
    for k in range(20):
        plan = with_notes(plan, "left", warn(f"w{k}", f"mind {k}"))
    rows = brief(plan, "make it")
    assert f"Mind: {text}" in rows
    assert len(rows) == LINES


def test_a_warning_of_both_feet_is_one_line_with_both_numbers():
    plan = plans.sample_plan()
    plan = with_notes(plan, "left", warn("edge", "the side stands 9.1 mm high, 5 mm clear"))
    plan = with_notes(plan, "right", warn("edge", "the side stands 10.3 mm high, 5 mm clear"))
    (row,) = [row for row in brief(plan) if "stands" in row]
    assert row == "Watch: left and right: the side stands 9.1/10.3 mm high, 5 mm clear"
    alone = with_notes(plans.sample_plan(), "right", warn("edge", "the side stands 3 mm high"))
    (row,) = [row for row in brief(alone) if "stands" in row]
    assert row == "Watch: right: the side stands 3 mm high"


def test_a_refused_limit_comes_before_warnings():
    plan = with_notes(plans.sample_plan(), "left", warn("a", "a warning"))
    plan = with_notes(plan, "right", Note(code="b", level=NoteLevel.REFUSE, text="a refusal"))
    rows = brief(plan)
    assert rows[1].startswith("Verdict: not to be made")
    assert rows.index("Watch: right: a refusal") < rows.index("Watch: left: a warning")


@pytest.mark.parametrize(
    ("area", "share", "words"),
    [
        ((103.0, 108.0), (0.16, 0.17), "standing: contact 103 → 108 cm², midfoot 16 → 17 %"),
        ((103.0, 103.9), (0.16, 0.17), "standing: midfoot 16 → 17 %"),
        ((103.0, 102.0), (0.16, 0.169), "standing: contact 103 → 102 cm²"),
        ((103.0, 103.9), (0.16, 0.169), "standing: no change"),
    ],
)
def test_an_effect_is_silent_about_what_stays(area, share, words):
    case = EffectCase(
        case="standing",
        area=area,
        midfoot_area=(1, 2),
        midfoot_share=share,
        heel_peak=(1, 1),
        ball_peak=(1, 1),
        toe_share=(None, None),
    )
    does = EffectPlan(wished=0.8, reached=0.75, cases=[case], little=False, words="x")
    plan = plans.sample_plan()
    plan = plan.model_copy(update={"right": plan.right.model_copy(update={"effect": does})})
    row = next(row for row in of_foot(brief(plan), "right") if "effect" in row)
    assert row == f"  effect without the shim: fills 75 % of the gap (80 % aimed at); {words}"
    bare = plan.right.model_copy(update={"wedges": []})
    rows = brief(plan.model_copy(update={"right": bare}))
    assert [row for row in rows if row.startswith("  effect: fills 75 % of the gap")]


def test_the_saddle_is_one_line_and_none_below_its_step():
    def asking(left, right):
        plan = plans.sample_plan()
        feet = {
            side: getattr(plan, side).model_copy(
                update={
                    "saddle_change": plan.left.saddle_change.model_copy(update={"value": value})
                }
            )
            for side, value in (("left", left), ("right", right))
        }
        return [row for row in brief(plan.model_copy(update=feet)) if "addle" in row]

    assert asking(-1.4, -2.0) == ["Saddle: 1.4 mm down"]
    assert asking(-0.9, -2.0) == []
    assert asking(1.5, -2.0) == []


def test_verdict_says_no_shoe_limits_passed_and_what_was_not_asked():
    plan = plans.sample_plan().model_copy(update={"shoe": None, "shoe_name": ""})
    assert brief(plan)[1].startswith("Verdict: for a trial only")
    over = Override(limit="thickness.ball_refuse", who="A", why="b", when="2026-05-01")
    plan = plans.sample_plan().model_copy(update={"overrides": [over]})
    assert brief(plan)[1] == (
        "Verdict: can be made; limits passed on purpose: thickness.ball_refuse by A; "
        "1 of 3 questions not asked"
    )


def test_an_eased_level_says_why_at_its_own_line_and_a_wished_one_does_not():
    short = "eased to 60 %: more presses the arch"
    note = Note(code="level-eased", text="60 % of the gap is planned, since ...", short=short)
    does = EffectPlan(wished=0.6, reached=0.6, cases=[], little=False, words="x")
    plan = plans.sample_plan()
    plan = plan.model_copy(update={"left": plan.left.model_copy(update={"effect": does})})
    told = brief(with_notes(plan, "left", note))
    (row,) = [row for row in of_foot(told, "left") if "effect" in row]
    assert f"fills 60 % of the gap ({short}); " in row
    assert not [row for row in of_foot(told, "right") if "eased" in row]
    assert "(60 % aimed at)" in " ".join(of_foot(brief(plan), "left"))


def test_a_relief_at_a_tender_spot_stands_at_its_foot():
    relief = "tender spot at 120/10: a relief of 1.5 mm, which leaves the bed 9.6 mm thick there"
    note = Note(code="tender-spot", text=f"{relief} and more", short=relief)
    rows = brief(with_notes(plans.sample_plan(), "right", note))
    assert f"  {relief}" in of_foot(rows, "right")
    assert f"  {relief}" not in of_foot(rows, "left")


def test_one_order_where_a_wedge_is_more_than_a_first_ride_takes():
    stops = [q.id for q in QUESTIONS if q.grade == "stop"]
    plan = plans.sample_plan().model_copy(update={"answers": dict.fromkeys(stops, "no")})
    then = next_step(plan, "a/p.json", "solewright plan A --under 2")
    assert then == (
        "a step less for the first ride: solewright plan A --under 2 (as it is: solewright make "
        "a/p.json)"
    )


def test_the_next_step_is_to_ask_until_every_stop_was_asked():
    stops = [q.id for q in QUESTIONS if q.grade == "stop"]
    plan = plans.sample_plan()
    asked = plan.model_copy(update={"answers": dict.fromkeys(stops, "no")})
    assert next_step(asked, "a/p.json") == "solewright make a/p.json"
    short = plan.model_copy(update={"answers": dict.fromkeys(stops[1:], "no")})
    assert "solewright questions --ask" in next_step(short, "a/p.json")


@pytest.mark.parametrize("code", ["wedge-first-ray", "hand-foot-length"])
def test_what_must_be_checked_before_making_is_never_counted_only(code):
    plan = plans.sample_plan(under=True)
    for side in ("left", "right"):
        plan = with_notes(plan, side, *(warn(f"w{k}{side}", f"mind {k} {side}") for k in range(9)))
    whole = "not with pain, stiffness or a prominent first ray there, " + "and so on " * 12 + "end"
    rows = brief(with_notes(plan, "right", warn(code, whole)), "make it")
    assert [row for row in rows if code in row or whole in row] == [f"Mind: right: {whole}"]


def test_one_foots_two_cases_and_both_feet_share_a_line_four_are_said_foot_by_foot():
    """Each number stands in the order of the cases or feet that the line names."""

    def takes(case, area):
        return warn(f"contact-shim-{case}", f"{case}: the shim takes {area} cm² of contact")

    one = with_notes(plans.sample_plan(), "right", takes("standing", 6), takes("pedalling", 4))
    wanted = "Watch: right: standing and pedalling: the shim takes 6/4 cm² of contact"
    assert [row for row in brief(one) if "the shim takes" in row] == [wanted]
    both = with_notes(
        with_notes(plans.sample_plan(), "left", takes("standing", 5)), "right", takes("standing", 6)
    )
    wanted = "Watch: left and right: standing: the shim takes 5/6 cm² of contact"
    assert [row for row in brief(both) if "the shim takes" in row] == [wanted]
    four = with_notes(one, "left", takes("standing", 5), takes("pedalling", 3))
    assert [row for row in brief(four) if "the shim takes" in row] == [
        "Watch: left: standing and pedalling: the shim takes 5/3 cm² of contact",
        "Watch: right: standing and pedalling: the shim takes 6/4 cm² of contact",
    ]


def test_a_long_warning_is_said_in_its_short_words():
    long = "the pad " + "is higher than what the collar of such a shoe leaves room for, " * 3
    note = Note(code="room", level=NoteLevel.WARN, text=long, short="look at the collar, 12 mm")
    rows = brief(with_notes(plans.sample_plan(), "left", note))
    assert "Watch: left: look at the collar, 12 mm" in rows
    assert not any("…" in row for row in rows)
