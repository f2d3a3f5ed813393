"""A plan on trial, and what is said of it."""

from __future__ import annotations

from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.record.limits import default_limits
from insole.record.plan import Plan
from insole.shoe.shoe import parse
from insole.trials.entry import Said, Trial
from insole.trials.red_flags import FLAGS
from insole.trials.trial import judge
from tests import feet

LIMITS = default_limits()
ALL_NO = {flag.id: "no" for flag in FLAGS}
STOCK = {"heel": 5.0, "arch": 4.0, "ball": 3.0, "toes": 3.0}
SHOE = {
    "name": "canted",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
    "shell": {"cant_forefoot": 1.0},
    "stock_insole": {"kept": False, "thickness": STOCK},
}


def made(version: int = 1, shoe=SHOE, right: dict | None = None, **wish) -> Plan:
    wishes = PlanWishes(
        both=FootWish.of(**wish), right=FootWish.of(**(right or {})), version=version, case="larch"
    )
    return planner.plan(None, feet.analytic(), parse(shoe) if shoe else None, wishes)


def said(text: str = "", answer: str | None = "same", day: str = "2026-05-01", **more) -> Said:
    return Said(text=text, answer=answer, date=day, **{"flags": ALL_NO} | more)


def run(plan: Plan, log: list[Trial], *what, **more) -> Trial:
    found = judge(plan, said(*what, **more), log, limits=LIMITS)
    log.append(found)
    return found
