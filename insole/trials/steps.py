"""One step of one thing: what it changes, and whether limits allow it.

Observation + FootPlan + Limits -> move -> Move (the changed wish, or why there is none)
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from insole.errors import PlanError
from insole.planning import cleat as cleats
from insole.planning.stack import SIDE_SHARE
from insole.planning.support.wish import move_words
from insole.planning.wedge_rules import rise
from insole.record.least import LEAST
from insole.record.limits import Limits
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, PadPlan, WedgePlace, WedgePlan
from insole.shoe.shoe import Shoe, parse
from insole.trials.picks import Observation

__all__ = ["Move", "Record", "Sides", "Step", "move"]

NEAR_BALL_MM = 25.0  # along the bed, where its breadth at the ball is taken
ROUGHLY_MM = 0.1  # the plan itself tells to a hundredth
Sides = Literal["left", "right", "both"]


class Record(BaseModel):
    """A record that is not changed and holds nothing unknown."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Step(Record):
    """One step on one thing for the next plan."""

    thing: Literal["shoe", "cleat", "pad", "wedge"]
    move: str = Field(description="support, forward, medial, forefoot, cleat, cleat_yaw, back")
    side: Sides
    wishes: dict[str, dict[str, Any]] = Field(description="new wish per foot, by name of the wish")
    before: dict[str, dict[str, Any]] = Field(description="the same wishes as they were")
    words: str
    because: str
    undoes: bool = False


class Move(Record):
    """A wish of one foot as it was and as it becomes, in words; `wish` None: why it cannot."""

    wish: dict[str, Any] | None = None
    was: dict[str, Any] = {}
    words: str


def move(plan: Plan, foot: FootPlan, chosen: Observation, limits: Limits) -> Move:
    """Return the changed wish of one foot and the step in words, or why there is none.

    Parameters
    ----------
    plan, foot : Plan, FootPlan
        As ridden.
    chosen : Observation
        What the rider felt; of the cleat, the pad or the wedge.
    limits : Limits
        Step sizes, and limits that no step passes.
    """
    if chosen.thing == "pad":
        support = foot.pad or foot.contour
        if support is None:
            return Move(words=f"there is no pad under the {foot.side} foot")
        if chosen.move == "support":
            return _support(plan, support, chosen.sign, limits)
        if foot.pad is None:
            return Move(
                words="a contoured bed has its arch where the foot's is and is not moved: say "
                "whether it is too high or too low, or plan a relief where it presses"
            )
        return _shift(foot, foot.pad, chosen, limits)
    if chosen.thing == "wedge":
        return _wedge(plan, foot, chosen.sign, limits)
    return _cleat(plan, foot, chosen.move, chosen.sign, limits)


def _support(plan: Plan, pad: PadPlan | ContourPlan, sign: int, limits: Limits) -> Move:
    """Return the level one step on: of the part's own crest, since a wish may not be reached."""
    old, crest, gap = pad.support_level, pad.crest.height, pad.gap_at_crest.value or 0.0
    top = crest if isinstance(pad, PadPlan) else gap - (pad.residual_gap.value or 0.0)
    filled = min(old, top / gap) if gap > 0 else old
    step_mm = limits.value("trial.support_step")
    step = max(limits.value("support.step"), step_mm / gap if gap > 0 else 0.0)
    most = limits.value("support.unsure" if plan.shoe is None else "support.warn_above")
    if sign > 0 and old > most - 1e-9:
        why = "without a shoe no more is filled" if plan.shoe is None else "a fuller pad presses"
        return Move(
            words=f"{100 * old:.0f} % of the gap is wished and {why} than {100 * most:.0f} %"
        )
    if sign > 0 and filled < old - step / 2:
        rules = pad.binding if isinstance(pad, PadPlan) else []
        binds = f" ({rules[0]})" if rules else ""
        return Move(
            words=(
                f"the {100 * old:.0f} % wished are not reached: other rules hold the crest at "
                f"{crest:.1f} mm, {100 * filled:.0f} % of the gap{binds}, and a higher wish makes "
                "the same pad"
            )
        )
    # A wish above what is filled would make the same pad again: the step starts at the pad.
    new = round(min(old + step, most) if sign > 0 else filled - step, 2)
    least = limits.value("support.least")
    if new < least - 1e-9:
        return Move(
            words=f"{100 * filled:.0f} % of the gap is filled, and below "
            f"{100 * least:.0f} % nothing is felt"
        )
    way = "up" if sign > 0 else "down"
    words = (
        f"support one step {way}, from {100 * filled:.0f} % of the gap filled to a wish of "
        f"{100 * new:.0f} %: {_crest_words(pad, old, new, crest - top, way)}"
    )
    return Move(wish={"support_level": new}, was={"support_level": old}, words=words)


def _crest_words(pad: PadPlan | ContourPlan, old: float, new: float, plate: float, way: str) -> str:
    """Return the crest as it is and as the plan of the step will make it, in words.

    A pad or bed follows its wish, less what a relief, a move or a rounding took off the wish so
    far: that may be taken off again, in full or not, and the place between is said. A kit has
    pads of its own heights.
    """
    crest = pad.crest.height
    if isinstance(pad, PadPlan) and pad.source == "kit":
        return f"crest from {crest:.1f} mm to that of the kit's next pad {way}"
    gap = pad.gap_at_crest.value or 0.0
    high = plate + new * gap
    low = high - max(plate + old * gap - crest, 0.0)
    if high - low <= 2 * LEAST["part height"]:
        return f"crest from {crest:.1f} to about {(low + high) / 2:.1f} mm"
    return f"crest from {crest:.1f} to between {low:.1f} and {high:.1f} mm"


def _shift(foot: FootPlan, pad: PadPlan, chosen: Observation, limits: Limits) -> Move:
    """Return the pad moved by what the rider wants, or by one step of the grid."""
    move, size = chosen.move, limits.value("base.grid_step") if chosen.by is None else chosen.by
    most = limits.value("trial.shift_most")
    if size > most + 1e-9:
        return Move(words=f"{size:g} mm at once is more than one step, at most {most:g} mm")
    step = chosen.sign * size
    by = (step, 0.0) if move == "forward" else (0.0, step)
    new = [round(a + b, 3) for a, b in zip(pad.shift, by, strict=True)]
    farthest = max(abs(v) for v in new)
    if limits.value("place.free_shift") < farthest > max(abs(v) for v in pad.shift):
        return Move(words="the pad is moved as far as it goes")
    apex = foot.landmarks.get("arch_apex")
    if move == "forward" and apex is not None:
        off = pad.crest.from_rear + step - apex[0]
        ahead, behind = limits.value("place.crest_forward"), limits.value("place.crest_along")
        # one that lies beyond may come nearer
        if not -behind - 0.5 <= off <= ahead + 0.5 and abs(off) >= abs(off - step):
            return Move(
                words=(
                    f"its crest would lie {abs(off):.0f} mm "
                    f"{'ahead of' if off > 0 else 'behind'} the "
                    f"arch apex; within {behind:g} mm behind and {ahead:g} mm ahead is usual, and "
                    "no step goes beyond it: place it by hand if the foot wants it there"
                )
            )
    words = f"pad {'one grid step' if chosen.by is None else 'as the rider wants it'}: "
    words += move_words(*by)
    return Move(wish={"shift": new}, was={"shift": list(pad.shift)}, words=words)


def _wedge(plan: Plan, foot: FootPlan, sign: int, limits: Limits) -> Move:
    if plan.shoe is None:
        return Move(words="without a shoe file the shoe's own cant is not known")
    kept = _shoe(plan).cant_kept(WedgePlace.FOREFOOT)
    made = next((w for w in foot.tilts if w.place is WedgePlace.FOREFOOT), None)
    old = made.net if made else 0.0
    new = old + sign * limits.value("wedge.step")
    if why := _too_much_wedge(foot, made, kept, new, limits):
        return Move(words=why)
    tilt = "varus" if sign > 0 else "valgus"
    words = (
        f"forefoot wedge one step of {limits.value('wedge.step'):g}° to {tilt}, net {old:+g}° to "
        f"{new:+g}°"
    )
    was = {"forefoot": round(kept + old, 3)}
    return Move(wish={"forefoot": round(kept + new, 3)}, was=was, words=words)


def _too_much_wedge(
    foot: FootPlan, made: WedgePlan | None, kept: float, new: float, limits: Limits
) -> str:
    """Return which limit a forefoot wedge of `new` degrees passes, or nothing."""
    others = [w for w in foot.tilts if w.place is not WedgePlace.FOREFOOT]
    under = sum(w.net for w in others if w.place is WedgePlace.UNDER)
    if abs(new) <= (abs(made.net) if made else 0.0):
        return ""
    for value, name in (
        (abs(new) + sum(abs(w.net) for w in others), "wedge.first_trial"),
        (abs(new), "wedge.forefoot.warn_deg"),
        (abs(kept + new + under), "wedge.sum_warn"),
    ):
        if value > limits.value(name) + 1e-9:
            return f"a forefoot wedge of {abs(new):g}° is more than a trial takes, {limits[name]}"
    if made is not None and rise(made.width, new) > limits.value("wedge.forefoot.refuse_mm"):
        return f"its thick edge would rise more than {limits['wedge.forefoot.refuse_mm']}"
    return _too_thick(foot, made, new, limits)


def _too_thick(foot: FootPlan, made: WedgePlan | None, new: float, limits: Limits) -> str:
    """Return why a shim of `new` degrees has no room at the ball, or nothing."""
    row = next((r for r in foot.thickness if r.station == "ball"), None)
    if row is None or row.before is None or row.medial is None or row.lateral is None:
        return ""
    across = [y for x, y in foot.base.outline if abs(x - foot.landmarks["mth1"][0]) < NEAR_BALL_MM]
    breadth = max(across) - min(across) if len(across) > 1 else 0.0
    was = row.medial if new > 0 else row.lateral
    more = (1 - SIDE_SHARE) * (rise(breadth, new) - (rise(breadth, made.net) if made else 0.0))
    more += 0.0 if made else limits.value("wedge.edge_print")
    most = limits.value("thickness.ball_refuse")
    if was + more - row.before <= most + ROUGHLY_MM:
        return ""
    edge = "big-toe" if new > 0 else "little-toe"
    return (
        f"a shim of {abs(new):g}° would lie about {was + more - row.before:.1f} mm above the "
        f"insole taken out near the {edge} side of the ball, where {most:g} mm is the most"
    )


def _cleat(plan: Plan, foot: FootPlan, move: str, sign: int, limits: Limits) -> Move:
    if foot.cleat is None:
        return Move(words=f"the cleat of the {foot.side} shoe was not planned")
    place, yaw = foot.cleat.from_ball_mark, foot.cleat.yaw
    if move == "cleat":
        name, old, step = "cleat_offset", place, limits.value("trial.cleat_step")
        place = new = round(old + sign * step, 2)
        words = f"cleat {step:g} mm {'forward' if sign > 0 else 'back'}"
    else:
        name, old, step = "cleat_yaw", yaw, limits.value("trial.yaw_step")
        yaw = new = round(old + sign * step, 2)
        words = f"cleat turned by {step:g}°, its front {'medially' if sign > 0 else 'laterally'}"
    marks = {key: np.asarray(point) for key, point in foot.landmarks.items()}
    try:
        made, _ = cleats.plan_cleat(
            landmarks=marks,
            shoe=_shoe(plan) if plan.shoe else None,
            limits=limits,
            wish=cleats.CleatWish(offset=place, yaw=yaw),
        )
    except PlanError as error:
        return Move(words=str(error))
    if made is None or abs(made.from_ball_mark - place) > 0.05 or made.yaw != yaw:
        return Move(words="the cleat of this shoe goes no further that way")
    return Move(wish={name: new}, was={name: old}, words=words)


def _shoe(plan: Plan) -> Shoe:
    return parse(dict(plan.shoe or {}))
