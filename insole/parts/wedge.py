"""Wedge shims: a ramp across the bed under flat skives, exact planes over an outline.

    FootPlan.wedges -> shim -> Part (canonical frame)

The top is the lowest of up to three planes, so the solid is exact and convex above its outline:

    ramp    z = edge + d tan(net), d the distance from the thin side across the bed
    rear    z = edge + (x - (full_from - taper_rear)) rise / taper_rear
    front   z = edge + ((full_to + taper_front) - x) rise / taper_front

with rise = d_max tan(net), d_max the largest d between `full_from` and `full_to`. Each skive is
one flat bevel, as a belt or a file makes it. The angle is full from `full_from` to `full_to`
over the whole width, and a little further on the thin side, where the bevel starts later. The
slope runs about the bed's long axis. A taper of 0 means no skive at that end.

Undersides are flat: shims inside the shoe lie on the base, which is flat, and not on the bed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import shapely
from shapely import Polygon, affinity

from footscan.scan import Array, Side
from insole.errors import PartError
from insole.parts import breps, outlines, solids
from insole.parts.engraving import MARGIN_MM, MIN_THICKNESS_MM, fit_marks, mark_shape
from insole.parts.facts import Spot, WedgeFacts
from insole.parts.part import Mark, Part
from insole.planning.ramp import Plane, planes
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace, WedgePlan

__all__ = ["grind_lines", "planes", "shim", "volume"]


GRIND_STEP_MM = 0.5
NOTCH_MM = (2.0, 5.0)
LABEL_MM = 7.0
MARK_CLEAR_MM = (5.0, 3.0, 1.0)  # from marks to the edge, which is bevelled: tried in turn
WORDS_MM = (5.0, 4.5, 4.0)  # letters along the thick edge, tried in turn
WORDS_MOST_MM = 8.0  # further than this from the thick edge they do not mean it
WORDS_APART_MM = 1.5  # from those words to the label
BOLT_HOLE_MM = 5.5  # clearance hole for M5, medium fit of ISO 273, value from memory
SLOT_MM = 6.0  # travel left in a bolt slot where the shoe's own travel is not known
SLOT_MOST_MM = 12.0
LAND_MM = 3.0  # least material around a slot; common practice, no source
NAMES = {
    WedgePlace.FOREFOOT: "forefoot-shim",
    WedgePlace.HEEL: "heel-shim",
    WedgePlace.UNDER: "under-shoe-shim",
}


def shim(
    foot: FootPlan, wedge: WedgePlan, case: str, shoe: Mapping[str, Any] | None = None
) -> Part:
    """Return a wedge shim in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        The foot it is for.
    wedge : WedgePlan
        The wedge to make.
    case : str
        Case id for the label.
    shoe : mapping or None
        The shoe file as read; its ``cleat`` holes slot an under-shoe shim.

    Returns
    -------
    Part
        `lines` carry ``"grind"``, contours of the top at steps of height; `facts` give the angle,
        the words and the thick edge as made.

    Raises
    ------
    insole.errors.PartError
        The wedge has no angle, contradicts itself, or its outline or holes cannot be made.
    """
    name = NAMES[wedge.place]
    _check(wedge, name)
    plan = _clipped(wedge, name)
    roof = planes(wedge, plan)
    plan, notch = _notched(wedge, plan)
    plan, hole_note = _slotted(wedge, plan, shoe or {}, name)
    vertices, faces = solids.arrays(solids.under_planes(plan, roof), name)
    outline, holes = outlines.rings(plan)
    levels, grind = grind_lines(plan, roof, wedge.contour_step)
    side = Side(foot.side)
    return Part(
        name=name,
        side=side,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines={"grind": grind},
        marks=_marks(side, wedge, plan, roof, case),
        volume=volume(plan, roof),
        solid=partial(breps.under_planes, outline, roof, holes, name),
        material=wedge.material,
        facts=WedgeFacts(
            words=wedge.words,
            thick_side=wedge.thick_side,
            thick_edge=round(_thickest(wedge, plan, roof), 2),
            thick_edge_planned=wedge.thick_edge,
            edge=wedge.edge,
            levels={"grind": levels},
            notch=notch,
            holes=hole_note,
        ),
    )


def _check(wedge: WedgePlan, name: str) -> None:
    thick = "big-toe side" if wedge.net > 0 else "little-toe side"
    if wedge.net == 0 or abs(wedge.net) > 20:
        raise PartError(name, f"a {name} of {wedge.net:g}° cannot be made; plan the wedge again")
    if wedge.thick_side != thick:
        raise PartError(
            name,
            f"the {name} is {wedge.net:+g}° but its thick edge is on the {wedge.thick_side}; "
            "plan the wedge again",
        )
    if not wedge.edge > 0 or wedge.full_to <= wedge.full_from:
        raise PartError(name, f"the {name} has no thin edge or no length; plan the wedge again")


def _clipped(wedge: WedgePlan, name: str) -> Polygon:
    """Return the outline between the ends of the skives."""
    whole = solids.solid_polygon(wedge.outline, name)
    x0, x1 = wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front
    clipped = whole.intersection(shapely.box(x0, whole.bounds[1] - 1, x1, whole.bounds[3] + 1))
    if not isinstance(clipped, Polygon) or clipped.is_empty:
        raise PartError(name, f"the ramp of the {name} lies off its outline; plan the wedge again")
    return clipped


def volume(plan: Polygon, roof: Sequence[Plane]) -> float:
    """Return the exact volume under the lowest of `roof` over `plan`, mm3.

    Where a plane is the lowest, the outline is cut to a polygon, and a linear height integrates
    to area times height at the centroid.
    """
    total = 0.0
    for k, (a, b, c) in enumerate(roof):
        region = plan
        for other in [*roof[:k], *roof[k + 1 :]]:
            region = region.intersection(
                _half_plane(region, (other[0] - a, other[1] - b, other[2] - c))
            )
        if region.area > 0:
            centre = region.centroid
            total += region.area * (a * centre.x + b * centre.y + c)
    return total


def _half_plane(shape: Any, line: Plane) -> Polygon:
    """Return a square on the side a x + b y + c >= 0, larger than `shape`."""
    if shape.is_empty:
        return Polygon()
    a, b, c = line
    x0, y0, x1, y1 = shape.bounds
    reach = 4.0 * (x1 - x0 + y1 - y0)
    norm = math.hypot(a, b)
    if norm == 0:
        return shapely.box(x0 - 1, y0 - 1, x1 + 1, y1 + 1) if c >= 0 else Polygon()
    nx, ny = a / norm, b / norm
    centre = shape.envelope.centroid
    offset = (a * centre.x + b * centre.y + c) / norm
    foot = (centre.x - offset * nx, centre.y - offset * ny)
    corners = [(0, -reach), (reach, -reach), (reach, reach), (0, reach)]
    return Polygon([(foot[0] + s * nx - t * ny, foot[1] + s * ny + t * nx) for s, t in corners])


def grind_lines(
    plan: Polygon, roof: Sequence[Plane], step: float = GRIND_STEP_MM
) -> tuple[tuple[float, ...], tuple[Array, ...]]:
    """Return heights and contours of the top, `step` mm apart, for grinding a blank.

    Returns
    -------
    levels : tuple of float
        Height of each line, mm; a level that comes in pieces is repeated.
    lines : tuple of ndarray, shape (n, 2)
        Open lines in plan, inside the outline.
    """
    top = max(float((shapely.get_coordinates(plan) @ [a, b] + c).max()) for a, b, c in roof[:1])
    levels: list[float] = []
    lines: list[Array] = []
    for k in range(1, math.ceil(top / step)):
        region: Any = plan
        for a, b, c in roof:
            region = region.intersection(_half_plane(plan, (a, b, c - k * step)))
        drawn = region.boundary.difference(plan.boundary.buffer(1e-6))
        for line in shapely.get_parts(shapely.line_merge(drawn)):
            if line.length > 2.0:
                levels.append(round(k * step, 3))
                lines.append(shapely.get_coordinates(line))
    return tuple(levels), tuple(lines)


def _lowest(roof: Sequence[Plane], points: Array) -> Array:
    return np.asarray(np.min([points @ [a, b] + c for a, b, c in roof], axis=0))


def _thickest(wedge: WedgePlan, plan: Polygon, roof: Sequence[Plane]) -> float:
    """Return the thickness at the thick edge: the highest place of a roof made of planes."""
    stations = [x for x in (wedge.full_from, wedge.full_to) if plan.bounds[0] < x < plan.bounds[2]]
    y0, y1 = plan.bounds[1] - 1, plan.bounds[3] + 1
    cuts = [plan.intersection(shapely.LineString([(x, y0), (x, y1)])) for x in stations]
    places = np.vstack([shapely.get_coordinates(shape) for shape in (plan, *cuts)])
    return float(_lowest(roof, places).max())


def _notched(wedge: WedgePlan, plan: Polygon) -> tuple[Polygon, Spot | None]:
    """Notch the medial edge behind the ball (heel shims: ahead of the heel's widest place)."""
    x0, _, x1, _ = plan.bounds
    share = {WedgePlace.FOREFOOT: 0.25, WedgePlace.HEEL: 0.6, WedgePlace.UNDER: 0.2}[wedge.place]
    return outlines.notched(plan, x0 + share * (x1 - x0), depth=NOTCH_MM[0], length=NOTCH_MM[1])


def _slotted(
    wedge: WedgePlan, plan: Polygon, shoe: Mapping[str, Any], name: str
) -> tuple[Polygon, str]:
    """Return an under-shoe outline with bolt slots along x, and what to do at the bench."""
    if wedge.place is not WedgePlace.UNDER:
        return plan, ""
    cleat = shoe.get("cleat") or {}
    holes = cleat.get("holes") or ()
    if not holes:
        return plan, "no holes: drill to the shoe's own pattern, as measured"
    travel = SLOT_MM
    if cleat.get("front") is not None and cleat.get("rear") is not None:
        travel = float(np.clip(abs(cleat["front"] - cleat["rear"]), 0.0, SLOT_MOST_MM))
    centre = Polygon(wedge.outline).envelope.centroid  # the pattern's middle
    slot = shapely.LineString([(-travel / 2, 0), (travel / 2, 0)]).buffer(BOLT_HOLE_MM / 2)
    cut = shapely.union_all(
        [affinity.translate(slot, centre.x + float(x), centre.y + float(y)) for x, y in holes]
    )
    if not plan.buffer(-LAND_MM).covers(cut):
        raise PartError(
            name,
            f"the bolt holes leave less than {LAND_MM:g} mm of the {name}; measure them again from "
            "the middle of the pattern",
        )
    left = plan.difference(cut)
    if not isinstance(left, Polygon):
        raise PartError(name, f"the bolt holes cut the {name} apart; measure them again")
    note = f"{len(holes)} slots {BOLT_HOLE_MM:g} mm wide, {travel:g} mm travel, around the middle"
    return left, note


def _marks(
    side: Side, wedge: WedgePlan, plan: Polygon, roof: Sequence[Plane], case: str
) -> tuple[Mark, ...]:
    """Return the wished marks, placed where they are safe: edges are bevelled at the bench.

    They are placed on the part as worn, 5 mm and more from each edge where there is so much
    room, and given back for the canonical frame; ``as_worn`` leaves them where they are.
    """
    sign = 1.0 if side is Side.RIGHT else -1.0
    thick = plan
    for a, b, c in roof:
        thick = thick.intersection(_half_plane(plan, (a, b, c - MIN_THICKNESS_MM)))
    worn, thick = (affinity.scale(shape, 1, sign, origin=(0, 0)) for shape in (plan, thick))
    label = _label(side, wedge, worn, case, sign)
    best: tuple[tuple[Mark, ...], tuple[Mark, ...]] | None = None
    for clear, size in itertools.product(MARK_CLEAR_MM, WORDS_MM):
        room = worn.buffer(-clear + MARGIN_MM).intersection(thick.buffer(-1e-3))
        edge = _thick_edge(wedge, worn, room, sign, (clear, size))
        if edge is None:
            continue
        words = mark_shape(edge).minimum_rotated_rectangle.buffer(WORDS_APART_MM)
        placed, left = fit_marks(room.difference(words), label)
        if best is None or len(left) < len(best[1]):
            best = (edge, *placed), left
        if not left:
            break
    if best is None or best[1]:  # wherever there is room
        free = (_words(wedge, worn, sign), *label)
        if best is None or len(fit_marks(thick, free)[1]) < len(best[1]):
            best = (), free
    return tuple(replace(mark, y=sign * mark.y) for mark in (*best[0], *best[1]))


def _label(side: Side, wedge: WedgePlan, worn: Polygon, case: str, sign: float) -> tuple[Mark, ...]:
    """Return the label as wished, on the worn part: off the middle, away from the thick edge."""
    x0, y0, x1, y1 = worn.bounds
    middle = (max(wedge.full_from, x0) + min(wedge.full_to, x1)) / 2
    # a heel is narrow: the words along its thick edge go behind the label, not beside it
    apart = 0.2 * (x1 - x0) if wedge.place is WedgePlace.HEEL else 0.0
    inward = -sign if wedge.net > 0 else sign
    texts = (
        NAMES[wedge.place].replace("-", " "),
        f"{abs(wedge.net):g}° {'VARUS' if wedge.net > 0 else 'VALGUS'}",
        "CLEAT SIDE" if wedge.place is WedgePlace.UNDER else "SHOE SIDE",
        case,
    )
    centre = (middle + apart, (y0 + y1) / 2 - 0.15 * inward * (y1 - y0))
    return outlines.label(side, texts, centre, size=LABEL_MM)


def _words(wedge: WedgePlan, worn: Polygon, sign: float) -> Mark:
    """Return the words of the thick edge where they are wished when they fit nowhere near it."""
    x0, _, x1, _ = worn.bounds
    x = (max(wedge.full_from, x0) + min(wedge.full_to, x1)) / 2
    up = (wedge.net > 0) == (sign > 0)
    y = outlines.edge_at(worn, x, medial=up) + (-5.0 if up else 5.0)
    return Mark(text="THICK EDGE", x=x, y=y, size=5.0)


def _thick_edge(
    wedge: WedgePlan, worn: Polygon, room: Polygon, sign: float, wish: tuple[float, float]
) -> Mark | None:
    """Return "THICK EDGE" along that edge, nearest to the middle of its full height.

    `wish` is how near the letters may come to the outline, and their height.
    """
    clear, size = wish
    inner = room.buffer(-MARGIN_MM + 1e-6)
    half = float(mark_shape(Mark(text="THICK EDGE", x=0, y=0, size=size)).bounds[2])
    x0, _, x1, _ = worn.bounds
    middle = (max(wedge.full_from, x0) + min(wedge.full_to, x1)) / 2
    stations = np.arange(x0 + half + 1e-3, x1 - half, 1.0)
    medial = (wedge.net > 0) == (sign > 0)  # upper edge of the worn outline
    for x in sorted(stations, key=lambda x: abs(float(x) - middle)):
        for off in np.arange(clear, WORDS_MOST_MM, 0.5):
            mark = _beside_edge(worn, float(x), medial, (half, float(off), size))
            shape = mark_shape(mark)
            if inner.covers(shape) and worn.exterior.distance(shape) <= WORDS_MOST_MM:
                return mark
    return None


def _beside_edge(worn: Polygon, x: float, upper: bool, lay: tuple[float, float, float]) -> Mark:
    """Return the words parallel to the edge at `x`; `lay` is half length, distance, height."""
    half, off, size = lay
    ends = np.array([(s, outlines.edge_at(worn, s, medial=upper)) for s in (x - half, x + half)])
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    inward = np.array([along[1], -along[0]]) * (1.0 if upper else -1.0)
    place = ends.mean(axis=0) + (off + size / 2) * inward
    turn = math.degrees(math.atan2(along[1], along[0]))
    return Mark(text="THICK EDGE", x=float(place[0]), y=float(place[1]), size=size, turn=turn)
