"""Where dowels place a pad on its base, so that it goes back into the same place twice.

    BasePlan, PadPlan, shims -> placed -> centres of sockets (BasePlan.dowels)

Pad and base have blind round sockets face to face; loose dowels join them and are glued into the
pad, for nothing may be loose in a shoe.

Three dowels at the corners of a triangle with three different sides: no turn carries the corners
into one another, so a pad cannot be put in the wrong way round, and the mirrored triangle of the
other foot does not fit either.

Sizes stand here rather than among the limits because pad, base and dowels must agree on them
however a plan came about. All are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import Polygon

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.support.wish import SupportWish
from insole.record.limits import Limits
from insole.record.planned_parts import BasePlan, PadPlan, WedgePlace, WedgePlan
from insole.record.values import Note, NoteLevel

__all__ = [
    "DOWEL_MM",
    "LEFT_MM",
    "PAD_DEPTH_MM",
    "SOCKET_MM",
    "base_depth",
    "for_dowels",
    "placed",
    "thick_enough",
]

WISHED = "dowels were wished"
DOWEL_MM = 4.0  # diameter
FIT_MM = 0.3  # socket over dowel: printing strays by 0.2 mm, 0.1 mm is left to slide
SOCKET_MM = DOWEL_MM + FIT_MM
LEFT_MM = 1.2  # material left over a socket in the pad and under one in the base
PAD_DEPTH_MM = 2.0
BASE_DEPTH_MM = (1.0, 2.0)  # a shallower socket does not hold, a deeper one gains nothing
LAND_MM = 2.0  # material round a socket in plan
TRIM_MM = 2.0  # to the base's outline, its trim allowance on top, as for the grid
APART_MM = 15.0  # least distance of the outer two
FAR_MM = 24.0  # there a play of 0.15 mm at each turns the pad by 0.7°: further apart gains little
NEAR_MM = 7.0  # least distance of the third
UNLIKE_MM = 1.5  # sides of the triangle differ at least by this: several times the fit
AIMS_MM = ((-12.0, -3.0), (12.0, -3.0), (3.0, 6.0))  # from the arch apex: rear, front, third


def for_dowels(limits: Limits) -> bool:
    """Return whether the base is as thick as it is for dowels alone."""
    return limits["base.thickness"].reason.startswith(WISHED)


def base_depth(thickness: float) -> float:
    """Return the depth of a base's sockets, mm; 0 where the base is too thin for one."""
    depth = min(thickness - LEFT_MM, BASE_DEPTH_MM[1])
    return round(depth, 3) if depth >= BASE_DEPTH_MM[0] - 1e-9 else 0.0


def thick_enough(limits: Limits, supports: Sequence[SupportWish]) -> Limits:
    """Return the limits with a base that holds sockets, where a pad is to lie on one.

    A thickness that the workshop chose itself is left: :func:`placed` refuses what is too thin.
    """
    base = limits["base.thickness"]
    padded = any(wish.contoured is None and wish.pad is not False for wish in supports)
    if base.by_workshop or base_depth(base.value) or not padded:
        return limits
    least = LEFT_MM + BASE_DEPTH_MM[0]
    why = f"{WISHED}, and {LEFT_MM:g} mm stay under a socket of {BASE_DEPTH_MM[0]:g} mm"
    thicker = replace(base, value=least, reason=why, by_workshop=True)
    return replace(limits, entries={**limits.entries, base.name: thicker})


def placed(
    base: BasePlan, pad: PadPlan | None, wedges: Sequence[WedgePlan], apex: Array | None
) -> tuple[BasePlan, list[Note]]:
    """Return the base with the centres of its sockets: rear, front, third; and what to say.

    All lie on the base's grid. Of the places that the pad can hold, those count first that put
    the outer two as far apart as the pad allows, up to 24 mm; among them the ones next to fixed
    aims round the arch apex. The aims hang on foot and base alone and the pad only rules places
    out: a pad that is planned again a little larger, or some grid steps further on, comes to the
    same sockets as long as it still covers them.

    Parameters
    ----------
    base : BasePlan
        Outline, thickness and grid.
    pad : PadPlan or None
        None: no dowels, and a note says so.
    wedges : sequence of WedgePlan
        Shims on the base, which sockets keep clear of.
    apex : ndarray, shape (3,), or None
        Arch apex in the bed frame, mm; None takes the middle of the pad.

    Raises
    ------
    PlanError
        The base is too thin for sockets; says which thickness is needed.
    """
    if pad is None:
        return base, [Note(code="no-dowels", text="no dowels: there is no pad to place")]
    if not base_depth(base.thickness):
        least = LEFT_MM + BASE_DEPTH_MM[0]
        raise PlanError(
            f"dowels need a base of at least {least:g} mm, so that {LEFT_MM:g} mm stays under a "
            f"socket; this one is {base.thickness:g} mm: raise base.thickness in your limits "
            "file if the shoe has the room, or leave the dowels out"
        )
    free = _candidates(base, pad, wedges)
    found = _best(free, _aims(pad, apex))
    if found is None:
        return base, [
            Note(
                code="no-dowels",
                level=NoteLevel.WARN,
                text=(
                    f"no dowels: the pad is nowhere over {APART_MM:g} mm long "
                    f"{PAD_DEPTH_MM + LEFT_MM:g} "
                    "mm thick inside the grid; fix it with tape or cement on the drawn outline"
                ),
            )
        ]
    where = ", ".join(f"{x:g}/{y:+g}" for x, y in found)
    return base.model_copy(update={"dowels": found}), [
        Note(
            code="dowels",
            text=(
                f"{len(found)} dowels of {DOWEL_MM:g} mm place the pad, at {where} mm (from the "
                "rear edge / medial of the centreline); glue each into the pad, none stays loose. "
                f"Cut from sheet: drill {SOCKET_MM:g} mm wide there, {PAD_DEPTH_MM:g} mm deep into "
                f"the pad's underside and {base_depth(base.thickness):g} mm into the base's top"
            ),
        )
    ]


def _candidates(base: BasePlan, pad: PadPlan, wedges: Sequence[WedgePlan]) -> Array:
    """Return the grid places that can take a socket, shape (n, 2)."""
    reach = SOCKET_MM / 2 + LAND_MM
    strip = shapely.box(base.grid_from, -500.0, base.grid_to, 500.0)
    room = strip.buffer(-SOCKET_MM / 2, join_style="mitre")
    room = room.intersection(Polygon(pad.outline).buffer(-reach))
    inner = Polygon(base.outline).buffer(-reach - TRIM_MM - base.trim_allowance)
    room = room.intersection(inner)
    for wedge in wedges:
        if wedge.place is not WedgePlace.UNDER:
            room = room.difference(_lying(wedge).buffer(reach))
    if room.is_empty:
        return np.zeros((0, 2))
    x0, y0, x1, y1 = room.bounds
    step = base.grid_step
    x, y = (
        step * np.arange(math.ceil(a / step), math.floor(b / step) + 1)
        for a, b in ((x0, x1), (y0, y1))
    )
    at = np.array(list(itertools.product(x, y))).reshape(-1, 2)
    at = at[shapely.contains_xy(room, *at.T)]
    return at[_thickness(pad, at) >= PAD_DEPTH_MM + LEFT_MM] if len(at) else at


def _lying(wedge: WedgePlan) -> Polygon:
    """Return where a shim lies: its outline between the ends of its tapers."""
    low, high = wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front
    return Polygon(wedge.outline).intersection(shapely.box(low, -500.0, high, 500.0))


def _thickness(pad: PadPlan, at: Array) -> Array:
    """Return the least thickness of the pad over a socket at each place, mm."""
    z = np.asarray(pad.top.z)
    x, y = (
        start + pad.top.step * np.arange(n)
        for start, n in zip((pad.top.x0, pad.top.y0), z.shape, strict=True)
    )
    spline = RectBivariateSpline(x, y, z, kx=3, ky=3, s=0)
    angle = np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * (SOCKET_MM / 2)
    spots = at[:, None] + np.vstack([[[0.0, 0.0]], 0.5 * ring, ring])[None]
    return np.asarray(spline.ev(spots[..., 0], spots[..., 1]).min(axis=1))


def _aims(pad: PadPlan, apex: Array | None) -> Array:
    middle = Polygon(pad.outline).centroid
    start = np.array([middle.x, middle.y]) if apex is None else np.asarray(apex)[:2]
    return np.asarray(start + np.asarray(AIMS_MM))


def _best(free: Array, aims: Array) -> list[tuple[float, float]] | None:
    """Return the best three of the free places, or None where no three fit."""
    away = ((free[:, None] - aims[None]) ** 2).sum(axis=2)
    apart = np.hypot(*np.moveaxis(free[:, None] - free[None], 2, 0))
    ahead = free[None, :, 0] > free[:, None, 0]
    rear, front = np.nonzero((apart >= APART_MM) & ahead)
    if not len(rear):
        return None
    spread = np.minimum(apart[rear, front], FAR_MM)
    cost = away[rear, 0] + away[front, 1]
    for k in np.lexsort((free[front, 1], free[rear, 1], free[rear, 0], cost, -spread)):
        third = _third(free, apart, away[:, 2], int(rear[k]), int(front[k]))
        if third is not None:
            chosen = free[[rear[k], front[k], third]]
            return [(float(x) + 0.0, float(y) + 0.0) for x, y in chosen]
    return None


def _third(free: Array, apart: Array, away: Array, rear: int, front: int) -> int | None:
    """Return the place next to its aim that makes a triangle of three different sides."""
    a, b, c = apart[rear, front], apart[rear], apart[front]
    line = free[front] - free[rear]
    off = np.abs((free - free[rear]) @ [-line[1], line[0]]) / a
    good = (b >= NEAR_MM) & (c >= NEAR_MM) & (off >= UNLIKE_MM)
    good &= np.min(np.abs([b - a, c - a, b - c]), axis=0) >= UNLIKE_MM
    if not good.any():
        return None
    options = np.flatnonzero(good)
    return int(options[np.lexsort((free[options, 1], free[options, 0], away[options]))[0]])
