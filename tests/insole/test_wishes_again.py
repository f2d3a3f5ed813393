"""The wishes of a plan are read out of it as they were put in: none lost, none exchanged."""

from __future__ import annotations

import pytest

from insole.door.wishes import wishes_in
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.plan import from_json, to_json
from tests import feet

LEFT = FootWish.of(support_level=0.5, shift=(2.0, -1.0), turn=3.0, metatarsal=4.0, ankle=2.0)
RIGHT = FootWish.of(
    contoured="three-quarter", cup=12.0, heel=-1.0, cleat_offset=-3.0, cleat_yaw=2.0
)


@pytest.mark.parametrize(
    "more",
    [
        {"dowels": True},
        {"confirm_zero": True},
        {"body_mass": 68.0, "date": "2026-05-01", "version": 4},
        {"both": FootWish.of(tender=((120.0, 10.0),), forefoot=1.0)},
        {"left": LEFT, "right": RIGHT},
    ],
)
def test_wishes_come_out_of_a_kept_plan_as_they_went_in(more: dict) -> None:
    wishes = PlanWishes(**({"both": FootWish.of(support_level=0.6), "case": "again"} | more))
    plan = planner.plan(feet.analytic(side="left"), feet.analytic(), None, wishes)
    assert wishes_in(from_json(to_json(plan))) == wishes
