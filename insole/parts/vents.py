"""Ventilation holes in bases and contoured beds, outside the loaded zones.

    FootPlan, VentWish, outline -> vent_places -> middles of the holes, bed frame

Kept free: heel, a band about the ball line, arch crest, the border with the trim allowance, what
is glued on (pads, shims inside the shoe), dowels, tender spots and the joint of a parted bed.
Holes stand in rows across, every other row half a step aside, mirrored with the part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array
from insole.parts.facts import Spot, Vents
from insole.parts.finish import VentWish
from insole.planning.support.metatarsal import drop_of
from insole.record.limits import Limits
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace

__all__ = ["free_region", "vent_facts", "vent_places", "vented"]

QUARTER = 24  # segments of a quarter circle: 0.02 % less round than the circle
BESIDE_MM = 2.0  # from a hole to what is glued on or cut in
HEAD_ROOM_MM = 12.0  # of the toes' end: no hole where the tip rests


def vented(
    foot: FootPlan,
    wish: VentWish,
    plan: Polygon,
    *,
    tender: Sequence[tuple[float, float]] = (),
    keep: BaseGeometry | None = None,
    limits: Limits,
) -> tuple[Polygon, tuple[Spot, ...]]:
    """Return an outline with its holes, and the middles of the holes, bed frame, mm.

    Parameters
    ----------
    foot : FootPlan
        Whose part it is.
    wish : VentWish
        Diameter and distance.
    plan : Polygon
        Outline of the part.
    tender : sequence of (float, float)
        Tender spots.
    keep : shapely geometry, optional
        What else is kept free, such as a joint.
    """
    places = vent_places(foot, wish, plan, tender=tender, keep=keep, limits=limits)
    discs = [shapely.Point(spot).buffer(wish.diameter / 2, quad_segs=QUARTER) for spot in places]
    holed = plan.difference(shapely.union_all(discs)) if discs else plan
    return shapely.orient_polygons(holed), tuple(Spot(float(x), float(y)) for x, y in places)


def vent_facts(wish: VentWish | None, places: Sequence[Spot]) -> Vents | None:
    """Return what a part says of its holes: None without any wish."""
    if wish is None:
        return None
    return Vents(places=tuple(places), diameter=wish.diameter, words=_words(wish, places))


def _words(wish: VentWish, places: Sequence[tuple[float, float]]) -> str:
    if not places:
        return ""
    return f"{len(places)} ventilation holes of {wish.diameter:g} mm"


def vent_places(
    foot: FootPlan,
    wish: VentWish,
    plan: Polygon,
    *,
    tender: Sequence[tuple[float, float]] = (),
    keep: BaseGeometry | None = None,
    limits: Limits,
) -> Array:
    """Return the middles of the holes in an outline, shape (n, 2), bed frame, mm."""
    free = free_region(foot, plan, tender=tender, limits=limits)
    if keep is not None:
        free = free.difference(keep.buffer(BESIDE_MM))
    free = free.buffer(-wish.diameter / 2)
    if free.is_empty:
        return np.zeros((0, 2))
    x0, y0, x1, y1 = _whole(foot).bounds  # pieces of a bed share one grid
    row = wish.spacing * math.sqrt(3.0) / 2.0  # rows so far apart that all neighbours are equal
    found = []
    for k in range(1, math.ceil((x1 - x0) / row)):
        aside = 0.5 * wish.spacing * (k % 2)
        for j in range(math.floor(y0 / wish.spacing) - 1, math.ceil(y1 / wish.spacing) + 1):
            found.append((x0 + k * row, j * wish.spacing + aside))
    spots = np.round(np.array(found), 3)
    return spots[shapely.contains_xy(free, spots)]


def free_region(
    foot: FootPlan, plan: Polygon, *, tender: Sequence[tuple[float, float]] = (), limits: Limits
) -> BaseGeometry:
    """Return where a hole may lie with all of its area, bed frame, mm."""
    whole = _whole(foot)
    x0, _, x1, _ = whole.bounds
    border = limits.value("vents.border") + (
        0.0 if foot.contour is not None else foot.base.trim_allowance
    )
    free = plan.intersection(whole.buffer(-border)).buffer(0)
    free = free.difference(
        shapely.box(-1e3, -1e3, x0 + limits.value("vents.heel_free") * (x1 - x0), 1e3)
    ).intersection(shapely.box(-1e3, -1e3, x1 - HEAD_ROOM_MM, 1e3))
    free = free.difference(
        _ball_band(foot, limits.value("vents.ball_behind"), limits.value("vents.ball_ahead"))
    )
    crests = [one.crest for one in (foot.contour, foot.pad) if one is not None]
    for crest in crests:
        at = shapely.Point(crest.from_rear, crest.y or 0.0)
        free = free.difference(at.buffer(limits.value("vents.crest_free")))
    laid = [Polygon(one.outline) for one in (foot.pad, foot.metatarsal) if one is not None]
    laid += [Polygon(w.outline) for w in foot.wedges if w.place is not WedgePlace.UNDER]
    laid += [shapely.Point(spot).buffer(4.0) for spot in foot.base.dowels or ()]
    laid += [shapely.Point(spot).buffer(limits.value("keepout.tender_radius")) for spot in tender]
    laid += _dome(foot, limits)
    for shape in laid:
        free = free.difference(shape.buffer(BESIDE_MM))
    return free


def _dome(foot: FootPlan, limits: Limits) -> list[Polygon]:
    """Return where the metatarsal pad of a contoured bed may rise: the bed's record has its height.

    Its crest may have been wished anywhere behind the heads that the limits allow.
    """
    if foot.contour is None or foot.contour.metatarsal is None:
        return []
    places = [limits.value(f"metatarsal.behind_{end}") for end in ("least", "most")]
    domes = [drop_of(foot.landmarks, foot.contour.metatarsal, behind, limits) for behind in places]
    rings = [Polygon(dome.ring(limits.value("feel.edge"))) for dome in domes]
    return [shapely.union_all(rings).convex_hull]


def _whole(foot: FootPlan) -> Polygon:
    return Polygon(foot.contour.outline if foot.contour is not None else foot.base.outline)


def _ball_band(foot: FootPlan, behind: float, ahead: float) -> BaseGeometry:
    """Return the band about the ball line and all heads that is kept free."""
    marks = foot.landmarks
    names = ("metatarsale_tibiale", "mth1", "mth2", "mth3", "mth4", "mth5", "metatarsale_fibulare")
    points = [(float(marks[n][0]), float(marks[n][1])) for n in names if n in marks]
    if not points:
        return Polygon()
    ring = sorted(points, key=lambda p: p[1])
    low, high = (ring[0][0], -1e3), (ring[-1][0], 1e3)
    line = [low, *ring, high]
    band = [(x - behind, y) for x, y in line] + [(x + ahead, y) for x, y in reversed(line)]
    sweep = Polygon(band).buffer(0)
    heads = [shapely.Point(p).buffer(min(behind, ahead)) for p in points]
    return shapely.union_all([sweep, *heads])
