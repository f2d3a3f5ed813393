"""Thickness under the foot before and after, and what it does to the saddle.

Seating + PadPlan + WedgePlan + Shoe -> rows, saddle -> ThicknessRow, Quantity, Note
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from insole.errors import PlanError, RefusedError
from insole.planning import cleat as cleats
from insole.planning.ceilings import ball_line
from insole.planning.limits import Limits
from insole.planning.outline import edges_at
from insole.planning.plan import (
    CleatPlan,
    ContourPlan,
    Note,
    NoteLevel,
    Override,
    PadPlan,
    Quantity,
    ThicknessRow,
    WedgePlace,
    WedgePlan,
)
from insole.planning.ramp import shim_height
from insole.planning.seating import Seating
from insole.planning.shoe import Shoe
from insole.planning.tops import ContourShape

__all__ = ["STATIONS", "rows", "saddle"]

STATIONS = ("heel", "arch", "ball", "toes")
SIDE_SHARE = 0.15  # of the bed's breadth, in from a border
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
) -> tuple[list[ThicknessRow], list[Note]]:
    """Return thickness before and after at four stations, and what is too thick.

    Base, cover, shims at the middle of the bed and the pad's crest count; a kept stock insole
    counts on both sides of the comparison.

    Raises
    ------
    RefusedError
        Too thick at the ball without a recorded override.
    """
    medial, lateral, _ = ball_line(seated)
    made = pad or contour
    x = {
        "heel": seated.station + limits.value("seating.heel_seat") * seated.foot_length,
        "arch": made.crest.from_rear if made else seated.station + 0.45 * seated.foot_length,
        "ball": float(medial[0] + lateral[0]) / 2,
        "toes": seated.station + TOES_SHARE * seated.foot_length,
    }
    cover = limits.value("thickness.cover")
    shape = ContourShape(contour) if contour else None

    def below(at: float, across: float, ahead: bool) -> float:
        """Return base and cover at a place, or the contoured bed with its cover, mm."""
        if shape is None or contour is None:
            return limits.value("base.thickness") + cover
        if ahead:  # flat there, domes do not count
            return contour.forefoot + _shim_at(contour.posting, at, across) + cover
        return float(shape.inside(np.array([at]), np.array([across]))[0]) + cover

    table, notes = [], []
    for station in STATIONS:
        low, high = (float(edge[0]) for edge in edges_at(seated.base, x[station]))
        middle = (low + high) / 2
        ahead = station in ("ball", "toes")
        flat = below(x[station], middle, ahead)
        shim = _shim_at(wedges, x[station], middle)
        fill = pad.crest.height if pad and station == "arch" else 0.0
        old = shoe.insole.thickness.get(station) if shoe else None
        kept = (old or 0.0) if shoe and shoe.insole.kept else 0.0
        after = kept + flat + shim + fill
        edges = [
            kept + below(x[station], low + share * (high - low), ahead)
            + _shim_at(wedges, x[station], low + share * (high - low))
            for share in (1 - SIDE_SHARE, SIDE_SHARE)
        ] if station != "arch" else [None, None]
        words = [f"{'contoured bed' if contour else 'base'} and cover {flat:.3g} mm"]
        words += [f"shim {shim:.1f} mm at the middle"] if shim else []
        words += [f"pad {fill:.1f} mm at its crest"] if fill else []
        words += ["stock insole kept"] if shoe and shoe.insole.kept else []
        sides = [None if edge is None else round(edge, 2) for edge in edges]
        table.append(ThicknessRow(station=station, before=old, after=round(after, 2),
                                 medial=sides[0], lateral=sides[1],
                                 note=", ".join(words)))  # fmt: skip
        if station in ("ball", "toes") and old is not None:
            notes += _too_thick(station, (edges[1] or 0.0) - old, limits, overrides)
        elif station == "heel" and old is not None:
            notes += _heel_raised(after - old, limits)
    if shoe is not None and not shoe.insole.thickness:
        notes.append(Note(code="insole-unknown", text=(
            "the stock insole's thickness is not in the shoe file: the change under the foot "
            "cannot be told; measure it at heel, arch, ball and toes")))  # fmt: skip
    return table, notes


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
        found = found.model_copy(update={"reason": (
            f"{found.reason}; holds only if the cleat stays where it was, since its place as "
            "ridden was not given")})  # fmt: skip
    return found, notes


def _shim_at(wedges: Sequence[WedgePlan], x: float, y: float) -> float:
    """Return the thickness of all inside shims at one place, mm."""
    at = np.array([[x]]), np.array([[y]])
    inside = [w for w in wedges if w.place is not WedgePlace.UNDER]
    return float(sum(shim_height(w, *at)[0, 0] for w in inside))


def _too_thick(
    station: str, more: float, limits: Limits, overrides: Sequence[Override]
) -> list[Note]:
    """Return a warning when ball or toes are lifted too much; refuse at the ball."""
    warn, most = limits.value("thickness.ball_warn"), limits.value("thickness.ball_refuse")
    signed = any(o.limit == "thickness.ball_refuse" for o in overrides)
    if station == "ball" and more > most + 1e-9 and not signed:
        raise RefusedError(
            f"base, shim and cover would be {more:.1f} mm thicker than the insole they replace "
            f"near the little-toe side of the ball, above {most:g} mm: choose a thinner base, less "
            "wedge or another shoe, or record an override of thickness.ball_refuse"
        )
    if more <= warn + 1e-9:
        return []
    return [Note(code=f"thick-{station}", level=NoteLevel.WARN, text=(
        f"{more:.1f} mm thicker than the insole taken out near the little-toe side of the "
        f"{station}: check the room there in the shoe"))]  # fmt: skip


def _heel_raised(more: float, limits: Limits) -> list[Note]:
    if more <= limits.value("thickness.heel_warn") + 1e-9:
        return []
    text = f"the heel sits {more:.1f} mm higher than before: it may slip out of the shoe"
    return [Note(code="heel-raised", level=NoteLevel.WARN, text=text)]
