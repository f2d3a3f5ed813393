"""The base: a footbed blank with a placement grid in the arch zone, and a heel rim if wished.

    FootPlan.base, FootPlan.pad -> base -> Part (canonical frame)

The grid is a rule rather than a net, so that it prints clean and holds no lint: a line across
the bed each 15 mm, numbered in mm from the rear edge, ticks each 3 mm along those lines and
along the centreline, the pad's outline, and a cross-hair where its crest goes. None of that
lies under the heel or the ball; there, where a shim goes, are only its outline and the lines
between which it has its full angle. Lines are cut 0.3 mm deep, less where the base would be left
thinner than 1.2 mm, and not at all on thin sheet; they stay in `lines` for paper and cutting.

The heel rim rises along the rear outline: full height on a wall 1.8 mm wide, down a half cosine
to the base, fading out toward the arch before the grid begins.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import LineString, Polygon

from footscan.scan import Array, Side
from insole.errors import PartError
from insole.parts import breps, outlines, pad, sockets, solids
from insole.parts.bevel import bevel_words, bevelled, check_bevel
from insole.parts.bevel import volume as bevel_volume
from insole.parts.engraving import MIN_THICKNESS_MM
from insole.parts.facts import BaseFacts, Bevel, Spot
from insole.parts.finish import Finish
from insole.parts.part import Mark, Part
from insole.parts.vents import vent_facts, vented
from insole.record.plan import FootPlan
from insole.record.planned_parts import BasePlan, WedgePlace, WedgePlan

__all__ = ["base", "rim_height"]

GROOVE_MM = 0.3
SHALLOW_MM = 0.1  # a shallower groove cannot be seen: left out
NUMBERED_MM = 15.0
TICK_MM = 2.4
LONG_TICK_MM = 4.0
NUMBER_MM = 4.0
BORDER_MM = 2.0  # grid stays this far inside the outline, trim allowance on top
NOTCH_MM = (2.5, 6.0)  # depth beyond the trim allowance, length
LABEL_MM = 7.5
LABEL_SHARE = 0.15  # of length: under the heel, which is trimmed least
RIM_WALL_MM = 1.8
RIM_FALL = 1.6  # width of the fall in rim heights: at most 45 degrees
RIM_END = 0.32  # share of length where the rim has run out
RIM_STEP_MM = 0.7
ROOF_STEP_MM, LEVEL_STEP_MM = 1.0, 12.0  # between the spline's nodes: at the rim, ahead of it
SHIM_LEAST_MM = 8.0  # shorter pieces of a shim's outline say nothing
FULL_APART_MM = 1.0  # a full-height line nearer to the shim's end than this is that end


def base(
    foot: FootPlan,
    case: str,
    finish: Finish | None = None,
    tender: Sequence[tuple[float, float]] = (),
) -> Part:
    """Return the base of a foot in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        Its base, and the pad that will lie on it.
    case : str
        Case id for the label.
    finish : Finish, optional
        Bevel and ventilation holes, with the nozzle at hand.
    tender : sequence of (float, float)
        Tender spots, bed frame, mm: no hole there.

    Returns
    -------
    Part
        ``"base"``; `lines` carry ``"grid"``, ``"axis"``, ``"pad"``, ``"crest"``, ``"sockets"``;
        ``"pad"`` holds what is placed on the base: the pad's outline first, then lines of shims
        and the metatarsal pad's outline.

    Raises
    ------
    insole.errors.PartError
        The outline cannot be made or the base has no thickness.
    """
    wanted = foot.base
    if not wanted.thickness > 0:
        raise PartError("base", "the base has no thickness; plan it again")
    whole = solids.solid_polygon(wanted.outline, "base")
    plan, notch = outlines.notched(
        whole,
        _notch_station(foot, whole),
        depth=NOTCH_MM[0] + wanted.trim_allowance,
        length=NOTCH_MM[1] + wanted.trim_allowance,
    )
    finish = finish or Finish()
    bevel = finish.bevel
    spots: tuple[Spot, ...] = ()
    if finish.vents is not None:
        plan, spots = vented(foot, finish.vents, plan, tender=tender, limits=finish.limits)
    at, depth = wanted.dowels, sockets.depth_in_base(wanted)
    bottom = wanted.thickness - depth
    solid = sockets.cut(_solid(wanted, plan, whole), at, bottom, wanted.thickness + 1.0)
    volume = _volume(wanted, plan, whole) - sockets.volume(at, depth)
    off, edge = 0.0, None
    if bevel is not None:
        least = max(finish.nozzle(wanted.material), finish.limits.value("bevel.edge_sheet"))
        check_bevel(bevel, wanted.thickness, least, "base")
        border = Polygon(plan.exterior)
        solid, off = bevelled(solid, border, bevel), bevel_volume(border, bevel)
        edge = Bevel(
            width=bevel.width,
            angle=bevel.angle,
            height=bevel.height,
            words=bevel_words(bevel, wanted.thickness),
        )
    vertices, faces = solids.arrays(solid, "base")
    outline, holes = outlines.rings(plan)
    side = Side(foot.side)
    return Part(
        name="base",
        side=side,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines=_lines(foot, whole),
        marks=(*_label(side, whole, case), *_numbers(wanted, whole)),
        volume=volume - off,
        solid=partial(_socketed, wanted, outline, holes),
        solid_volume=volume if bevel is not None else None,  # the bevel is left to the CAD
        material=wanted.material,
        facts=BaseFacts(
            thickness=wanted.thickness,
            heel_cup=wanted.heel_cup,
            groove_depth=_groove_depth(wanted),
            notch=notch,
            sockets=sockets.facts(at, depth, face="foot"),
            vents=vent_facts(finish.vents, spots),
            bevel=edge,
        ),
    )


def rim_height(wanted: BasePlan, whole: Polygon, x: Array, y: Array) -> Array:
    """Return the height of the heel rim above the base at points in plan, mm; zero elsewhere."""
    if wanted.heel_cup <= 0:
        return np.zeros_like(x, dtype=float)
    end = _rim_end(wanted, whole)
    near = (x < end) & (x > whole.bounds[0] - 5.0)
    distance = np.full(np.shape(x), np.inf)
    inside = shapely.contains_xy(whole, x[near], y[near])
    to_edge = shapely.distance(shapely.points(x[near], y[near]), whole.exterior)
    distance[near] = np.where(inside, to_edge, 0.0)
    fall = RIM_FALL * wanted.heel_cup
    across = np.clip((distance - RIM_WALL_MM) / fall, 0.0, 1.0)
    along = np.clip((x / end - 0.45) / 0.55, 0.0, 1.0)
    profile = (1 + np.cos(np.pi * across)) * (1 + np.cos(np.pi * along)) / 4.0
    return np.asarray(wanted.heel_cup * np.where(x < end, profile, 0.0))


def _rim_end(wanted: BasePlan, whole: Polygon) -> float:
    return float(min(RIM_END * (whole.bounds[2] - whole.bounds[0]), wanted.grid_from))


def _height(wanted: BasePlan, whole: Polygon, x: Array, y: Array) -> Array:
    return np.asarray(wanted.thickness + rim_height(wanted, whole, x, y))


def _solid(wanted: BasePlan, plan: Polygon, whole: Polygon) -> Any:
    if wanted.heel_cup <= 0:
        return solids.prism(plan, 0.0, wanted.thickness)
    return solids.under_heights(
        plan,
        partial(_height, wanted, whole),
        RIM_STEP_MM,
        wanted.thickness,
        x_end=_rim_end(wanted, whole),
    )


def _volume(wanted: BasePlan, plan: Polygon, whole: Polygon) -> float:
    flat = plan.area * wanted.thickness
    if wanted.heel_cup <= 0:
        return float(flat)
    return float(flat + solids.integral(plan, partial(rim_height, wanted, whole)))


def _socketed(wanted: BasePlan, outline: Array, holes: tuple[Array, ...]) -> Any:
    bottom = wanted.thickness - sockets.depth_in_base(wanted)
    solid = sockets.brep_cut(
        _brep(wanted, outline, holes), wanted.dowels, bottom, wanted.thickness + 1.0
    )
    return breps.one_solid(solid, "base")


def _brep(wanted: BasePlan, outline: Array, holes: tuple[Array, ...] = ()) -> Any:
    """Return the boundary solid: a plate, or one under a spline that is level ahead of the rim."""
    if wanted.heel_cup <= 0:
        return breps.prism(outline, 0.0, wanted.thickness, holes)
    whole, plan = Polygon(wanted.outline), Polygon(outline, holes)
    (x0, y0, x1, y1), end = plan.bounds, _rim_end(wanted, whole)
    x = np.arange(x0 - 3.0, end + 3.0, ROOF_STEP_MM)
    x = np.append(x, np.arange(x[-1] + LEVEL_STEP_MM, x1 + 2 * LEVEL_STEP_MM, LEVEL_STEP_MM))
    y = np.arange(y0 - 3.0, y1 + 3.0, ROOF_STEP_MM)
    z = _height(wanted, whole, *(g.ravel() for g in np.meshgrid(x, y, indexing="ij")))
    spline = RectBivariateSpline(x, y, z.reshape(len(x), len(y)), kx=3, ky=3, s=0)
    volume = solids.integral(plan, partial(_height, wanted, whole))
    return breps.under_spline(outline, spline, volume, "base", holes)


def _notch_station(foot: FootPlan, whole: Polygon) -> float:
    """Return where the notch stands: at the rear end of the arch zone, behind the pad."""
    length = NOTCH_MM[1] + foot.base.trim_allowance
    station = foot.base.grid_from
    if foot.pad is not None:
        station = min(station, min(x for x, _ in foot.pad.outline) - length - 2.0)
    return float(max(station, 0.2 * (whole.bounds[2] - whole.bounds[0])))


def _lines(foot: FootPlan, whole: Polygon) -> dict[str, tuple[Array, ...]]:
    wanted = foot.base
    zone = _grid_zone(wanted, whole)
    lines: dict[str, tuple[Array, ...]] = {
        "grid": _clip(_rule(wanted, whole), zone),
        "axis": _clip([LineString([(wanted.grid_from, 0.0), (wanted.grid_to, 0.0)])], zone),
    }
    placed = _placed_shims(foot, whole)
    if foot.pad is not None:
        ring = np.array(foot.pad.outline, dtype=float)
        placed = (np.vstack([ring, ring[:1]]), *placed)
        # the ring of the cross-hair would run into the sockets beside the crest
        lines["crest"] = pad.cross_hair(foot.pad)[: 2 if wanted.dowels else 3]
    if foot.metatarsal is not None:
        ring = np.array(foot.metatarsal.outline, dtype=float)
        placed = (*placed, np.vstack([ring, ring[:1]]))
        lines["crest"] = (*lines.get("crest", ()), *pad.cross_hair(foot.metatarsal))
    if placed:
        lines["pad"] = placed
    if wanted.dowels:
        lines["sockets"] = tuple(sockets.circle(place) for place in wanted.dowels)
    return lines


def _placed_shims(foot: FootPlan, whole: Polygon) -> tuple[Array, ...]:
    """Return the lines at which shims inside the shoe are placed."""
    shims = [wedge for wedge in foot.wedges if wedge.place is not WedgePlace.UNDER]
    lines = [line for wedge in shims for line in _shim_lines(wedge)]
    return _clip(lines, _shim_zone(foot.base, whole), SHIM_LEAST_MM)


def _shim_zone(wanted: BasePlan, whole: Polygon) -> Polygon:
    """Return where lines of shims may lie: inside the trimmed border, not on the heel rim.

    Nearer to the edge than that, a shim's outline is the edge itself.
    """
    zone = whole.buffer(-BORDER_MM - wanted.trim_allowance)
    if wanted.heel_cup > 0:
        inner = whole.buffer(-RIM_WALL_MM - RIM_FALL * wanted.heel_cup)
        front = shapely.box(_rim_end(wanted, whole), -500.0, 1000.0, 500.0)
        zone = zone.intersection(inner.union(front))
    return zone


def _shim_lines(wedge: WedgePlan) -> list[LineString]:
    """Return a shim's outline between its ends, and its full-height lines across."""
    rear, front = wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front
    shape = Polygon(wedge.outline).intersection(shapely.box(rear, -500.0, front, 500.0))
    x0, y0, x1, y1 = shape.bounds
    drawn = [LineString(ring.exterior) for ring in shapely.get_parts(shape)]
    for x in (wedge.full_from, wedge.full_to):
        if x0 + FULL_APART_MM < x < x1 - FULL_APART_MM:
            across = LineString([(x, y0 - 1.0), (x, y1 + 1.0)]).intersection(shape)
            drawn += list(shapely.get_parts(across))
    return drawn


def _groove_depth(wanted: BasePlan) -> float:
    """Return how deep lines are cut, mm; 0 on sheet too thin for it."""
    depth = round(min(GROOVE_MM, wanted.thickness - MIN_THICKNESS_MM), 3)
    return depth if depth >= SHALLOW_MM else 0.0


def _grid_zone(wanted: BasePlan, whole: Polygon) -> Polygon:
    """Return where the grid may lie: the arch zone, inside the trimmed border."""
    strip = shapely.box(wanted.grid_from - 1e-6, -500.0, wanted.grid_to + 1e-6, 500.0)
    return whole.buffer(-BORDER_MM - wanted.trim_allowance).intersection(strip)


def _stations(low: float, high: float, step: float) -> Array:
    """Return the multiples of `step` from low to high."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return np.asarray(step * np.arange(first, last + 1, dtype=float))


def _rule(wanted: BasePlan, whole: Polygon) -> list[LineString]:
    """Return the numbered cross lines and the ticks, not yet clipped."""
    _, y0, _, y1 = whole.bounds
    rule: list[LineString] = []
    numbered = _stations(wanted.grid_from, wanted.grid_to, NUMBERED_MM)
    for x in numbered:
        rule.append(LineString([(x, y0), (x, y1)]))
        for y in _stations(y0, y1, wanted.grid_step):
            long = abs(y / NUMBERED_MM - round(y / NUMBERED_MM)) < 1e-9 and y != 0
            half = (LONG_TICK_MM if long else TICK_MM) / 2
            rule.append(LineString([(x - half, y), (x + half, y)]))
    for x in _stations(wanted.grid_from, wanted.grid_to, wanted.grid_step):
        rule.append(LineString([(x, -TICK_MM / 2), (x, TICK_MM / 2)]))
    return rule


def _clip(lines: list[LineString], zone: Polygon, least: float = 0.8) -> tuple[Array, ...]:
    kept = [part for line in lines for part in shapely.get_parts(line.intersection(zone))]
    return tuple(
        shapely.get_coordinates(part)
        for part in kept
        if isinstance(part, LineString) and part.length > least
    )


def _numbers(wanted: BasePlan, whole: Polygon) -> tuple[Mark, ...]:
    """Return the station numbers, read from above with the toes up, at the lateral edge."""
    marks = []
    for x in _stations(wanted.grid_from, wanted.grid_to - NUMBER_MM - 2.4, NUMBERED_MM):
        lateral = outlines.edge_at(whole, float(x), medial=False)
        y = lateral + BORDER_MM + wanted.trim_allowance + 6.5
        at = float(x) + NUMBER_MM / 2 + 2.4
        marks.append(Mark(text=f"{x:g}", x=at, y=y, size=NUMBER_MM, face="foot", turn=-90.0))
    return tuple(marks)


def _label(side: Side, whole: Polygon, case: str) -> tuple[Mark, ...]:
    x0, _, x1, _ = whole.bounds
    x = x0 + LABEL_SHARE * (x1 - x0)
    y = (outlines.edge_at(whole, x) + outlines.edge_at(whole, x, medial=False)) / 2
    return outlines.label(side, ("BASE", "SHOE SIDE", case), (x, y), size=LABEL_MM)
