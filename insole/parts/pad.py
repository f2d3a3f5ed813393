"""Arch pad and metatarsal pad: domes over a flat underside, from the heights in the plan.

    FootPlan.pad -> arch_pad -> Part (canonical frame)
    FootPlan.metatarsal -> metatarsal_pad -> Part

The top is that of :class:`planning.support.tops.PadTop`. The mesh is the master: grid triangles
under that function, clipped to the outline. The B-rep for STEP is a spline approximation of the
same function, checked against it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import Polygon

from footscan.scan import Array, IntArray, Side
from insole.errors import PartError, PlanError
from insole.parts import breps, outlines, sockets, solids
from insole.parts.facts import Crest, PadFacts, Spot
from insole.parts.part import Mark, Part
from insole.planning.dowels import PAD_DEPTH_MM
from insole.planning.support.tops import PadTop, spline_of
from insole.record.plan import FootPlan
from insole.record.planned_parts import MetatarsalPlan, PadPlan

__all__ = ["ARCH", "METATARSAL", "arch_pad", "cross_hair", "grind_lines", "metatarsal_pad"]

ARCH, METATARSAL = "arch-pad", "metatarsal-pad"

NOTCH_MM = (1.5, 4.0)  # depth and length; deeper would stand as a step in the dome
LABEL_MM = 7.0
SMALL_LABEL = ("META", "SHOE")  # what a part of 25 mm has room for in letters of 4 mm
CROSS_MM = 8.0  # half length of the crest's cross-hair
CROSS_RING_MM = 3.5
GRIND_STEP_MM = 1.0  # on a slope of 25 degrees lines are then 2 mm apart
CONTOUR_CELL_MM = 0.25
CONTOUR_LEAST_MM = 6.0
ROOF_DIP_MM = 0.02  # heights this far under the edge are left as they are in the boundary solid
ROOF_STEP_MM = 0.7
MERGE_MM = 0.005  # triangles of a fine mesh are merged as long as they stay this close
ROOF_REACH_MM = 3.0


def arch_pad(foot: FootPlan, case: str) -> Part:
    """Return the arch pad of a foot in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        With a pad.
    case : str
        Case id for the label.

    Returns
    -------
    Part
        ``"arch-pad"``; `facts` give height, edge as made and crest.

    Raises
    ------
    insole.errors.PartError
        The foot has no pad, or its outline or heights cannot be made.
    """
    pad = foot.pad
    if pad is None:
        raise PartError(ARCH, f"the plan has no pad for the {foot.side} foot")
    return _made(foot, pad, ARCH, case, tuple(foot.base.dowels))


def metatarsal_pad(foot: FootPlan, case: str) -> Part:
    """Return the metatarsal pad of a foot in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        With a metatarsal pad on its base.
    case : str
        Case id for the label.

    Returns
    -------
    Part
        ``"metatarsal-pad"``; `facts` as an arch pad's, and ``behind``.

    Raises
    ------
    insole.errors.PartError
        The foot has none, or its outline or heights cannot be made.
    """
    pad = foot.metatarsal
    if pad is None:
        raise PartError(METATARSAL, f"the plan has no metatarsal pad for the {foot.side} foot")
    part = _made(foot, pad, METATARSAL, case, ())
    return replace(part, facts=replace(part.told(PadFacts), behind=pad.behind))


def _made(
    foot: FootPlan,
    pad: PadPlan | MetatarsalPlan,
    name: str,
    case: str,
    at: tuple[tuple[float, float], ...],
) -> Part:
    """Return a dome over its outline, with sockets at the places `at`."""
    top = _top(pad, name)
    plan = solids.solid_polygon(pad.outline, name)
    _check_cover(pad, plan, name)
    plan, notch = outlines.notched(
        plan, _notch_station(pad, plan), depth=NOTCH_MM[0], length=NOTCH_MM[1]
    )
    vertices, faces = solids.first_closed(
        lambda factor: sockets.cut(_solid(top, plan, factor), at, -1.0, PAD_DEPTH_MM), name
    )
    outline, holes = outlines.rings(plan)
    volume, sharp = solids.integral(plan, top.at), solids.integral(plan, top.sharp)
    side = Side(foot.side)
    levels, grind = grind_lines(top, plan)
    return Part(
        name=name,
        side=side,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines={"crest": cross_hair(pad), "axis": _axis(plan), "grind": grind},
        marks=_marks(side, name, plan, case),
        volume=volume - sockets.volume(at, PAD_DEPTH_MM),
        solid=partial(_brep, pad, name, outline, sharp, at),
        solid_volume=sharp - sockets.volume(at, PAD_DEPTH_MM),
        material=pad.material,
        facts=replace(
            _facts(top, vertices, faces),
            notch=notch,
            sockets=sockets.facts(at, PAD_DEPTH_MM, face="shoe"),
            levels={"grind": levels},
        ),
    )


def grind_lines(
    top: PadTop, plan: Polygon, step: float = GRIND_STEP_MM
) -> tuple[tuple[float, ...], tuple[Array, ...]]:
    """Return heights and contours of the top, `step` mm apart, for grinding a blank.

    Returns
    -------
    levels : tuple of float
        Height of each line, mm; a level that comes in pieces is repeated.
    lines : tuple of ndarray, shape (n, 2)
        In plan, inside the outline; a closed one repeats its first point.
    """
    return outlines.height_lines(
        top.at, plan, step, cell=CONTOUR_CELL_MM, least=CONTOUR_LEAST_MM, above=top.pad.edge
    )


def _top(pad: PadPlan | MetatarsalPlan, name: str) -> PadTop:
    try:
        return PadTop(pad)
    except PlanError as error:
        raise PartError(name, f"the {name}: {error}") from None


def _solid(top: PadTop, plan: Polygon, factor: float) -> Any:
    """Return the solid; triangles fine enough for a rounded rim, merged where the top is calm."""
    step = factor * _step(top.spline, plan)
    if top.pad.rim_radius <= 0 or not len(top.rim):
        return solids.under_heights(plan, top.free, step, top.pad.edge)
    fine = min(step, factor * solids.grid_step(1.0 / top.pad.rim_radius))
    return solids.under_heights(plan, top.free, fine, top.pad.edge).simplify(MERGE_MM)


def _check_cover(pad: PadPlan | MetatarsalPlan, plan: Polygon, name: str) -> None:
    """Refuse heights that end inside the outline: beyond them there is nothing to make."""
    rows, columns = len(pad.top.z), len(pad.top.z[0])
    x1, y1 = pad.top.x0 + pad.top.step * (rows - 1), pad.top.y0 + pad.top.step * (columns - 1)
    if not shapely.box(pad.top.x0, pad.top.y0, x1, y1).buffer(1e-6).covers(plan):
        raise PartError(
            name, f"the heights of the {name} do not cover its outline; plan the pad again"
        )


def _step(spline: RectBivariateSpline, plan: Polygon) -> float:
    """Return the grid step for the largest curvature of the surface inside the outline."""
    x0, y0, x1, y1 = plan.bounds
    x, y = np.meshgrid(np.arange(x0, x1, 1.0), np.arange(y0, y1, 1.0), indexing="ij")
    shapely.prepare(plan)
    inside = shapely.contains_xy(plan, x, y)
    if not inside.any():
        return solids.grid_step(0.0)
    x, y = x[inside], y[inside]
    xx, yy = spline.ev(x, y, dx=2), spline.ev(x, y, dy=2)
    xy = spline.ev(x, y, dx=1, dy=1)
    largest = np.abs(xx + yy) / 2 + np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    return solids.grid_step(float(largest.max()))


def _notch_station(pad: PadPlan | MetatarsalPlan, plan: Polygon) -> float:
    """Return where the notch's steep face stands: a third of the way from the rear edge."""
    x0, _, x1, _ = plan.bounds
    return float(min(x0 + 0.3 * (x1 - x0), pad.crest.from_rear - NOTCH_MM[1]))


def _crest_y(pad: PadPlan | MetatarsalPlan, plan: Polygon) -> float:
    """Return y of the crest; of earlier plans, the highest place on the station they give."""
    if pad.crest.y is not None:
        return pad.crest.y
    y0, y1 = plan.bounds[1], plan.bounds[3]
    y = np.linspace(y0, y1, 401)
    y = y[shapely.contains_xy(plan, np.full_like(y, pad.crest.from_rear), y)]
    if not len(y):
        return float(plan.representative_point().coords[0][1])
    z = spline_of(pad.top).ev(np.full_like(y, pad.crest.from_rear), y)
    return float(y[z >= z.max() - 1e-3].mean())


def cross_hair(pad: PadPlan | MetatarsalPlan) -> tuple[Array, ...]:
    """Return two crossing lines and a ring that mark the crest, turned with the pad."""
    plan = Polygon(pad.outline)
    centre = np.array([pad.crest.from_rear, _crest_y(pad, plan)])
    turn = math.radians(pad.turn)
    along = CROSS_MM * np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    circle = centre + CROSS_RING_MM * _unit_circle()
    return (
        np.array([centre - along, centre + along]),
        np.array([centre - across, centre + across]),
        circle,
    )


def _unit_circle(n: int = 24) -> Array:
    angle = np.linspace(0.0, 2 * np.pi, n + 1)
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _axis(plan: Polygon) -> tuple[Array, ...]:
    """Return the bed's centreline where it crosses the pad."""
    x0, _, x1, _ = plan.bounds
    cut = plan.intersection(shapely.LineString([(x0 - 1, 0.0), (x1 + 1, 0.0)]))
    lines = [part for part in shapely.get_parts(cut) if shapely.get_num_coordinates(part) == 2]
    return tuple(shapely.get_coordinates(line) for line in lines)


def _marks(side: Side, name: str, plan: Polygon, case: str) -> tuple[Mark, ...]:
    centre = plan.centroid
    texts = SMALL_LABEL if name == METATARSAL else ("ARCH PAD", "SHOE SIDE", case)
    return outlines.label(side, texts, (centre.x, centre.y), size=LABEL_MM)


def _facts(top: PadTop, vertices: Array, faces: IntArray) -> PadFacts:
    pad = top.pad
    rim = top.at(*np.asarray(pad.outline, dtype=float).T)
    stands = None
    if isinstance(pad, PadPlan):
        stands = pad.medial_height if pad.medial_height is not None else pad.medial_edge
    walled = stands if stands is not None and stands > pad.edge else 0.0  # against the shoe's wall
    at = Spot(pad.crest.from_rear, round(_crest_y(pad, Polygon(pad.outline)), 3))
    return PadFacts(
        height=round(float(vertices[:, 2].max()), 2),
        edge=pad.edge,
        crest=Crest(at=at, height=pad.crest.height),
        chord_error=round(solids.chord_error(vertices, faces, top.at), 4),
        edge_most=round(float(rim.max()), 3),
        standing_edge=walled,
        rim_radius=pad.rim_radius if walled and isinstance(pad, PadPlan) else 0.0,
    )


def _brep(
    pad: PadPlan | MetatarsalPlan,
    name: str,
    outline: Array,
    volume: float,
    at: tuple[tuple[float, float], ...],
) -> Any:
    top = PadTop(pad)
    solid = breps.under_spline(outline, _roof(top, Polygon(outline)), volume, name)
    if not at:
        return solid
    return breps.one_solid(sockets.brep_cut(solid, at, -1.0, PAD_DEPTH_MM), name)


def _roof(top: PadTop, plan: Polygon) -> RectBivariateSpline:
    """Return the spline that the kernel gets: the pad's own, or refitted with its floor.

    Refitted where the heights end too near the outline for a clean cut, or dip under the edge. A
    standing side is sharp here: its rounding is a fillet for the CAD that opens the file.
    """
    spline, edge = top.spline, top.pad.edge
    x0, y0, x1, y1 = plan.bounds
    x, y = np.meshgrid(np.arange(x0, x1, 0.5), np.arange(y0, y1, 0.5), indexing="ij")
    shapely.prepare(plan)
    inside = shapely.contains_xy(plan, x, y)
    dip = edge - float(spline.ev(x[inside], y[inside]).min())
    (tx, ty), reach = spline.tck[:2], ROOF_REACH_MM
    covered = shapely.box(tx[0], ty[0], tx[-1], ty[-1]).covers(shapely.box(*plan.bounds).buffer(1))
    if dip < ROOF_DIP_MM and covered:
        return spline
    at_x = np.arange(x0 - reach, x1 + reach + ROOF_STEP_MM, ROOF_STEP_MM)
    at_y = np.arange(y0 - reach, y1 + reach + ROOF_STEP_MM, ROOF_STEP_MM)
    z = top.sharp(*np.meshgrid(at_x, at_y, indexing="ij"))
    return RectBivariateSpline(at_x, at_y, z, kx=3, ky=3, s=0)
