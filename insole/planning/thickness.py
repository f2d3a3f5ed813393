"""Thickness under the foot before and after, and what it does to the saddle.

Seating + PadPlan + WedgePlan + Shoe -> rows, saddle -> ThicknessRow, Quantity, Note
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from insole.errors import PlanError, RefusedError
from insole.planning import cleat as cleats
from insole.planning.dowels import for_dowels
from insole.planning.seating import Seating
from insole.planning.stack import SIDE_SHARE, STATIONS, Edge, Stack
from insole.planning.support.keepouts import ball_line
from insole.planning.support.tops import ContourShape
from insole.planning.wedge_rules import KEYS, tilt
from insole.record.limits import Limits, default_limits
from insole.record.plan import CleatPlan, FootPlan, ThicknessRow
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlace, WedgePlan
from insole.record.rings import edges_at
from insole.record.values import Note, NoteLevel, Override, Quantity
from insole.shoe.shoe import Shoe

__all__ = ["asked", "asked_words", "cant_known", "rows", "saddle"]

THINNEST_BASE_MM = 0.8  # a thinner one does not stay flat: common practice, no source
MOST_INSET_SHARE = 0.12  # of the breadth: a narrower ramp no longer reaches below both heads
TOES_SHARE = 0.90  # of the foot's length: under the toes, where thickness is compared


def rows(
    seated: Seating,
    pad: PadPlan | None,
    wedges: Sequence[WedgePlan],
    *,
    shoe: Shoe | None,
    limits: Limits,
    overrides: Sequence[Override] = (),
    contour: ContourPlan | None = None,
    metatarsal: MetatarsalPlan | None = None,
    side: str = "",
) -> tuple[list[ThicknessRow], list[Note]]:
    """Return thickness before and after at four stations, and what is too thick.

    One rule for both edges: what is added near the big-toe and near the little-toe side, 15 % of
    the bed's breadth in from each border.

    Base, cover, shims at the middle of the bed and the pad's crest count; a kept stock insole
    counts on both sides of the comparison. A metatarsal pad lies behind the heads and lifts none,
    so it is named, with the whole stack at its crest, but not counted at the ball.

    Raises
    ------
    RefusedError
        Too thick at the ball without a recorded override.
    """
    stack = Stack(
        pad=pad,
        wedges=wedges,
        shoe=shoe,
        limits=limits,
        contour=contour,
        shape=ContourShape(contour) if contour else None,
        metatarsal=metatarsal,
    )
    places = _places(seated, pad or contour, limits)
    table, notes = [], []
    for station in STATIONS:
        low, high = (float(edge[0]) for edge in edges_at(seated.base, places[station]))
        here = stack.at(station, places[station], low, high)
        table.append(here.row(stack.words(here)))
        if station in ("ball", "toes") and here.old is not None:
            notes += _too_thick(here.edge(side), wedges, shoe, limits, overrides)
        elif station == "heel" and here.old is not None:
            notes += _heel_raised(here.after - here.old, limits)
    lacks = [name for name in STATIONS if shoe and name not in shoe.insole.thickness]
    if lacks:
        which = f" at {' and '.join(lacks)}" if len(lacks) < len(STATIONS) else ""
        where = " and ".join(lacks) if which else "heel, arch, ball and toes"
        notes.append(
            Note(
                code="insole-unknown",
                text=(
                    f"the stock insole's thickness{which} is not in the shoe file: the change "
                    f"under the foot cannot be told{' there' if which else ''}; measure it at "
                    f"{where}"
                ),
            )
        )
    return table, notes


def _places(
    seated: Seating, made: PadPlan | ContourPlan | None, limits: Limits
) -> dict[str, float]:
    """Return where the stations lie along the bed, mm."""
    medial, lateral, _ = ball_line(seated)
    return {
        "heel": seated.station + limits.value("seating.heel_seat") * seated.foot_length,
        "arch": made.crest.from_rear if made else seated.station + 0.45 * seated.foot_length,
        "ball": float(medial[0] + lateral[0]) / 2,
        "toes": seated.station + TOES_SHARE * seated.foot_length,
    }


def saddle(
    table: Sequence[ThicknessRow],
    wedges: Sequence[WedgePlan],
    cleat: CleatPlan | None,
    *,
    before: float | None,
    shoe: Shoe | None,
    limits: Limits,
) -> tuple[Quantity, Sequence[Note]]:
    """Return the saddle change that this foot asks for, or why it cannot be told.

    Parameters
    ----------
    before : float or None
        Where the axle was as ridden, mm ahead of MTH1; None counts the stack alone.

    Raises
    ------
    PlanError
        `before` is not a number.
    """
    ball = next(row for row in table if row.station == "ball")
    if ball.before is None:
        reason = "the insole taken out was not measured, so the change of stack is not known"
        return Quantity(value=None, reason=reason), ()
    under = sum((w.edge + w.thick_edge) / 2 for w in wedges if w.place is WedgePlace.UNDER)
    back = 0.0
    if before is not None and cleat is not None:
        if not math.isfinite(before):
            raise PlanError("the cleat's place as ridden must be a number of mm ahead of MTH1")
        back = before - cleat.from_ball_mark
    stack = ball.after - ball.before + under
    found, notes = cleats.saddle_change(stack_mm=stack, setback_mm=back, shoe=shoe, limits=limits)
    if before is None:
        found = found.model_copy(
            update={
                "reason": (
                    f"{found.reason}; holds only if the cleat stays where it was, since its place "
                    "as ridden was not given"
                )
            }
        )
    return found, notes


def _too_thick(
    here: Edge,
    wedges: Sequence[WedgePlan],
    shoe: Shoe | None,
    limits: Limits,
    overrides: Sequence[Override],
) -> list[Note]:
    """Return a warning when ball or toes are lifted too much; refuse at the ball."""
    warn, most = limits.value("thickness.ball_warn"), limits.value("thickness.ball_refuse")
    signed = any(o.limit == "thickness.ball_refuse" for o in overrides)
    if here.station == "ball" and here.most > most + 1e-9 and not signed:
        foot = f"{here.foot} foot: " if here.foot else ""
        raise RefusedError(
            f"{foot}{asked_words(wedges)}base, shim and cover would be {here.most:.1f} mm thicker "
            f"than the insole they replace near the {here.where} of the ball, above {most:g} mm; "
            f"possible are: {'; '.join(_ways_out(here, wedges, shoe, limits))}; or record an "
            "override of thickness.ball_refuse"
        )
    if here.most <= warn + 1e-9:
        return []
    shorter = ""
    if here.station == "toes" and here.most > here.flat - here.old * (not here.kept) + 0.05:
        shorter = ", or end the shim sooner (a shorter wedge.forefoot.taper_front)"
    short = (
        f"{here.where} of the {here.station}: {here.most:.1f} mm thicker than the old insole; "
        "check the room"
    )
    return [
        Note(
            code=f"thick-{here.station}",
            level=NoteLevel.WARN,
            short=short,
            text=(
                f"{here.most:.1f} mm thicker than the insole taken out near the {here.where} of "
                f"the {here.station}: check the room there in the shoe{shorter}"
            ),
        )
    ]


def asked_words(wedges: Sequence[WedgePlan]) -> str:
    """Return what was asked, what the shoe has and what the shim is, a clause for each wedge."""
    return "".join(f"{asked(wedge)}; " for wedge in wedges)


def cant_known(foot: FootPlan, wedge: WedgePlan) -> bool:
    """Return whether the shoe's own tilt at a wedge of a foot was known when it was planned."""
    return all(note.code != f"wedge-cant-unknown-{KEYS[wedge.place]}" for note in foot.notes)


def asked(wedge: WedgePlan, *, cant_known: bool = True) -> str:
    """Return in one line what was asked, what the shoe has, and what the shim is."""
    own = f"the shoe has {tilt(wedge.cant_kept)}"
    if not cant_known:
        own = "the shoe's own tilt is not known"
    left = f", {tilt(wedge.remainder)} not made" if abs(wedge.remainder) > 5e-3 else ""
    return (
        f"{wedge.place.value}: asked for {tilt(wedge.wish)}, {own}, the shim is "
        f"{tilt(wedge.net)}{left}"
    )


def _ways_out(
    here: Edge, wedges: Sequence[WedgePlan], shoe: Shoe | None, limits: Limits
) -> list[str]:
    """Return what would bring the thicker edge within the limit, each with its figure."""
    over = here.most - limits.value("thickness.ball_refuse")
    shim = next((w for w in wedges if w.place is WedgePlace.FOREFOOT), None)
    ways = []
    if shim is not None:
        ways += _less_wedge(here, shim, over, limits)
    thinner = limits.value("base.thickness") - over
    if for_dowels(limits):
        usual = default_limits().value("base.thickness")
        if thinner >= usual:
            ways.append(f"no dowels, so that the base is {usual:g} mm again")
    elif thinner >= THINNEST_BASE_MM:
        ways.append(
            f"a base of {math.floor(thinner * 10 + 1e-6) / 10:g} mm (base.thickness in your "
            "limits file)"
        )
    if here.kept and here.most - here.old <= limits.value("thickness.ball_refuse") + 1e-9:
        ways.append(f"the stock insole of {here.old:g} mm out (stock_insole.kept = false)")
    if shim is not None and abs(shim.net) <= limits.value("wedge.under.refuse_deg"):
        needs = (
            ""
            if shoe is not None and shoe.slots.holes
            else (" once the shoe file holds the bolt pattern")
        )
        ways.append(f"the {tilt(shim.net)} under the shoe{needs}")
    ways.append("a shoe with a thicker stock insole, or more room there")
    return ways


def _less_wedge(here: Edge, shim: WedgePlan, over: float, limits: Limits) -> list[str]:
    """Return how much wedge the edge has room for, as a step and as a narrower ramp."""
    ways = []
    reach = (1 - SIDE_SHARE) * here.breadth - limits.value("wedge.inset")  # thin edge to there
    slope = math.tan(math.radians(abs(shim.net)))
    room = reach * slope - over
    step = limits.value("wedge.step")
    less = math.floor(math.degrees(math.atan2(max(room, 0.0), reach)) / step + 1e-9) * step
    if less > 0:
        sign = math.copysign(1.0, shim.net)
        ways.append(f"a shim of {tilt(sign * less)} (wish {tilt(shim.cant_kept + sign * less)})")
    narrower = limits.value("wedge.inset") + over / slope
    if narrower <= MOST_INSET_SHARE * here.breadth:
        ways.append(
            f"a narrower ramp, {math.ceil(narrower):g} mm in from the base's edges (wedge.inset)"
        )
    return ways


def _heel_raised(more: float, limits: Limits) -> list[Note]:
    if more <= limits.value("thickness.heel_warn") + 1e-9:
        return []
    text = f"the heel sits {more:.1f} mm higher than before: it may slip out of the shoe"
    short = f"heel {more:.1f} mm higher: it may slip"
    return [Note(code="heel-raised", level=NoteLevel.WARN, text=text, short=short)]
