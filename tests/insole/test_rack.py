"""A flat part whose thickness is not in the rack: what can be done with the sheets that are."""

from __future__ import annotations

from dataclasses import replace

import pytest

from insole.output.made import made_parts
from insole.output.rack import with_rack
from insole.output.settings import Settings
from insole.parts.build import all_parts
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.limits import default_limits
from insole.record.plan import Plan
from insole.record.stock import Rack, Stock
from tests import feet
from tests.insole.test_contour import SHOE
from tests.plans import sample_plan


def said(plan: Plan, material: str, *thicknesses: float) -> dict[str, str]:
    """Return what is said to who has those sheets of the base's material, mm."""
    rack = Rack(material=material, thicknesses=thicknesses, size=(700.0, 500.0))
    settings = replace(Settings(), stock=Stock(racks=(rack,)), chosen={"base": material})
    return with_rack(plan, made_parts(plan, all_parts(plan), settings), settings)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return sample_plan()


def test_a_sheet_of_foam_is_ground_and_the_nearest_may_be_planned(plan: Plan) -> None:
    assert {foot.base.thickness for foot in plan.feet} == {1.5}
    found = said(plan, "base-eva", 2.0, 3.0)
    assert list(found) == ["rack: base-eva 1.5"]  # both feet in one sentence
    assert all("for left-base and right-base of base-eva" in text for text in found.values())
    for text in found.values():
        assert "grind 2 mm from the rack down to 1.5 mm all over" in text
        assert "base.thickness = 2 in your limits file" in text
        assert "0.5 mm higher all over" in text
    assert not said(plan, "base-eva", 1.5, 2.0)
    assert not said(plan, "base-eva")  # that is to buy, whatever it is


def test_a_base_with_sockets_gets_no_thinner_and_its_dowels_are_no_foam() -> None:
    wishes = PlanWishes(dowels=True)
    plan = planner.plan(None, feet.analytic(), SHOE, wishes)
    (text,) = said(plan, "base-eva", 2.0, 3.0).values()
    assert "grind 3 mm from the rack down to 2.2 mm" in text
    assert "base.thickness = 3 in your limits file" in text
    (text,) = said(plan, "base-eva", 2.0).values()
    assert text.endswith("the rack lacks a sheet of 2.2 mm: buy it")
    settings = replace(Settings(), chosen={"base": "base-eva"})
    made = {p.name: p.material for p in made_parts(plan, all_parts(plan), settings).parts}
    assert (made["base"], made["dowels"]) == ("base-eva", "base-pp")
    settings = replace(Settings(), chosen={"base": "base-pa12"})
    made = {p.name: p.material for p in made_parts(plan, all_parts(plan), settings).parts}
    assert (made["base"], made["dowels"]) == ("base-pa12", "base-pa12")


def test_a_thinner_sheet_lowers_the_foot_and_plastic_is_not_ground(plan: Plan) -> None:
    for text in said(plan, "base-pp", 1.0).values():
        assert "base.thickness = 1 in your limits file" in text
        assert "0.5 mm lower all over" in text
        assert "of the ball" not in text
    for text in said(plan, "base-pp", 2.0).values():
        assert "grind" not in text


def test_what_is_said_of_the_ball_is_what_a_plan_of_that_base_has() -> None:
    def planned(thick: float) -> Plan:
        limits = default_limits().changed(base__thickness=thick)
        wishes = PlanWishes(both=FootWish())
        return planner.plan(None, feet.analytic(), SHOE, wishes, limits=limits)

    (text,) = said(planned(1.5), "base-eva", 2.0).values()
    (row,) = (row for row in planned(2.0).right.thickness if row.station == "ball")
    assert row.after - row.before < 0.0
    assert (
        f"at the middle of the ball {row.before - row.after:.1f} mm below the insole taken out"
        in text
    )
    assert "where the most is 2 mm" in text
    (text,) = said(planned(1.5), "base-eva", 8.0).values()
    assert (
        f"at the middle of the ball {row.after - row.before + 6.0:.1f} mm above the insole" in text
    )
    assert "which is refused: the most is 2 mm" in text
    assert "grind" not in text
