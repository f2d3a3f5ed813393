"""Boundary solids for STEP: prisms, prisms under planes, prisms under a spline surface.

    outline and the same planes or spline as the mesh -> cadquery solid

A bicubic spline z(x, y) is handed to the kernel as what it is, a B-spline surface: with its
poles in plan at the Greville abscissae, x and y run linearly and nothing is approximated.

The kernel takes seconds to load, so everything here imports it inside.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.interpolate import RectBivariateSpline

from footscan.scan import Array
from insole.errors import PartError

__all__ = [
    "between_splines",
    "one_solid",
    "prism",
    "roof",
    "under_planes",
    "under_spline",
]

DEGREE = 3
HOLE_SIDES = 24  # of a round hole
SEW_MM = 1e-4
BETWEEN_SHARE = 0.005  # the kernel's volume of trimmed splines is off by some tenths of a percent
VOLUME_SHARE = 0.001  # of the integral: the solid is the same surface, not an approximation


def prism(outline: Array, bottom: float, top: float, holes: tuple[Array, ...] = ()) -> Any:
    """Return the upright solid over an outline between two heights."""
    from cadquery import Vector, func

    def wire(points: Array) -> Any:
        at = [Vector(float(x), float(y), bottom) for x, y in points]
        return func.polyline(*at, at[0])

    plate = func.face(wire(outline), *(wire(hole) for hole in holes))
    return func.extrude(plate, (0.0, 0.0, top - bottom))


def under_planes(
    outline: Array,
    planes: tuple[tuple[float, float, float], ...],
    holes: tuple[Array, ...],
    part: str,
) -> Any:
    """Return the solid over an outline under the lowest of z = a x + b y + c.

    Raises
    ------
    insole.errors.PartError
        The kernel gives no single valid solid.
    """
    from cadquery import Location, Plane, Vector, func

    highest = max(float((outline @ [a, b] + c).max()) for a, b, c in planes)
    solid = prism(outline, 0.0, highest + 1.0, holes)
    reach = 4.0 * float(np.ptp(outline, axis=0).max()) + 10.0
    centre = outline.mean(axis=0)
    for a, b, c in planes:
        at = Vector(float(centre[0]), float(centre[1]), float(centre @ [a, b] + c))
        upward = Plane(at, xDir=Vector(1.0, 0.0, a), normal=Vector(-a, -b, 1.0))
        solid = func.cut(solid, func.box(reach, reach, reach).moved(Location(upward)))
    return one_solid(solid, part)


def under_spline(outline: Array, spline: RectBivariateSpline, volume: float, part: str) -> Any:
    """Return the solid over an outline between z = 0 and a bicubic spline.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Counter-clockwise, well inside the spline's rectangle.
    spline : RectBivariateSpline
        Positive over the outline.
    volume : float
        What the solid should hold, mm3; guards against gross failures of the kernel.
    part : str
        For messages.

    Raises
    ------
    insole.errors.PartError
        The kernel gives no single valid solid of about that volume.
    """
    from cadquery import Face, Vector, func
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    surface = roof(spline)
    corners = [_corner(surface, float(x), float(y)) for x, y in outline]
    feet = [Vector(float(x), float(y), 0.0) for x, y in outline]
    eaves = [
        _eave(surface, outline[k - 1], outline[k], corners[k - 1], corners[k])
        for k in range(len(outline))
    ]
    walls = [
        _wall(feet[k - 1], feet[k], corners[k - 1], corners[k], eaves[k])
        for k in range(len(outline))
    ]
    rim = func.wire(*eaves)
    top = Face(BRepBuilderAPI_MakeFace(surface, rim.wrapped, True).Face())
    floor = func.face(func.polyline(*feet, feet[0]))
    solid = one_solid(func.solid(func.shell(*walls, top, floor, tol=SEW_MM)), part)
    if abs(_volume(solid) - volume) > VOLUME_SHARE * volume:
        raise PartError(part, f"the boundary solid of the {part} is wrong; use its mesh, not STEP")
    return solid


def between_splines(
    outline: Array,
    holes: tuple[Array, ...],
    splines: tuple[RectBivariateSpline, RectBivariateSpline],
    volume: float,
    part: str,
) -> Any:
    """Return the solid over an outline between two bicubic splines; smooth faces, upright sides.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Counter-clockwise, well inside the splines' rectangles.
    holes : tuple of ndarray
        Inner rings, clockwise.
    splines : (RectBivariateSpline, RectBivariateSpline)
        Lower and upper surface, the upper one above over the outline.
    volume : float
        What the solid should hold, mm3.
    part : str
        For messages.

    Raises
    ------
    insole.errors.PartError
        The kernel gives no single valid solid of about that volume.
    """
    from cadquery import Face, func
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    surfaces = [roof(spline) for spline in splines]
    rims = [_rim(surfaces, ring) for ring in (outline, *holes)]
    walls = [wall for _, found in rims for wall in found]
    caps = []
    for k, surface in enumerate(surfaces):
        maker = BRepBuilderAPI_MakeFace(surface, func.wire(*rims[0][0][k]).wrapped, True)
        for eaves, _ in rims[1:]:
            maker.Add(func.wire(*eaves[k]).wrapped)
        caps.append(Face(maker.Face()))
    solid = one_solid(func.solid(func.shell(*walls, *caps, tol=SEW_MM)), part)
    if abs(_volume(solid) - volume) > BETWEEN_SHARE * volume:
        raise PartError(part, f"the boundary solid of the {part} is wrong; use its mesh, not STEP")
    return solid


def _rim(surfaces: list[Any], ring: Array) -> tuple[list[list[Any]], list[Any]]:
    """Return the edges of a ring on the lower and the upper surface, and the walls between."""
    from cadquery import Vector, func

    corners = [[_corner(s, float(x), float(y)) for x, y in ring] for s in surfaces]
    eaves = [
        [_eave(s, ring[k - 1], ring[k], c[k - 1], c[k]) for k in range(len(ring))]
        for s, c in zip(surfaces, corners, strict=True)
    ]
    walls = []
    for k in range(len(ring)):
        start, end = (Vector(float(x), float(y), 0.0) for x, y in (ring[k - 1], ring[k]))
        low, high = ([c[k - 1], c[k]] for c in corners)
        sides = [func.segment(low[i].Center(), high[i].Center()) for i in (0, 1)]
        walls.append(_upright(start, end, func.wire(eaves[0][k], sides[1], eaves[1][k], sides[0])))
    return eaves, walls


def thinned(holes: tuple[Array, ...]) -> tuple[Array, ...]:
    """Return rings of round holes with so few points as a kernel takes quickly."""
    return tuple(hole[:: max(1, len(hole) // HOLE_SIDES)] for hole in holes)


def _volume(solid: Any) -> float:
    """Return the kernel's volume, to a hundredth of a percent: quicker than its default."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(solid.wrapped, properties, 1e-3, False, False)
    return float(properties.Mass())


def _corner(surface: Any, x: float, y: float) -> Any:
    from cadquery import Vector, func

    return func.vertex(Vector(surface.Value(x, y)))


def _eave(surface: Any, start: Array, end: Array, first: Any, last: Any) -> Any:
    """Return the edge on the surface above a straight line in plan.

    Parameters of the surface are x and y, so that the line itself is the edge's curve there.
    """
    from cadquery import Edge
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.BRepLib import BRepLib
    from OCP.GCE2d import GCE2d_MakeSegment
    from OCP.gp import gp_Pnt2d

    at = [gp_Pnt2d(float(point[0]), float(point[1])) for point in (start, end)]
    line = GCE2d_MakeSegment(*at).Value()
    edge = BRepBuilderAPI_MakeEdge(line, surface, first.wrapped, last.wrapped).Edge()
    BRepLib.BuildCurves3d_s(edge)
    return Edge(edge)


def _wall(start: Any, end: Any, first: Any, last: Any, eave: Any) -> Any:
    """Return the upright plane face under one edge of the surface."""
    from cadquery import func

    below, left, right = (
        func.segment(start, end),
        func.segment(start, first.Center()),
        func.segment(end, last.Center()),
    )
    return _upright(start, end, func.wire(below, right, eave, left))


def _upright(start: Any, end: Any, wire: Any) -> Any:
    """Return the upright plane face through two places in plan, inside a wire."""
    from cadquery import Face, Plane
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    along = end - start
    plane = Plane(start, xDir=along, normal=(along.y, -along.x, 0.0))
    return Face(BRepBuilderAPI_MakeFace(plane.toPln(), wire.wrapped).Face())


def roof(spline: RectBivariateSpline) -> Any:
    """Return a bicubic spline z(x, y) as a surface of the kernel, exact, with u = x and v = y."""
    from OCP.Geom import Geom_BSplineSurface
    from OCP.gp import gp_Pnt
    from OCP.TColgp import TColgp_Array2OfPnt
    from OCP.TColStd import TColStd_Array1OfInteger, TColStd_Array1OfReal

    knots = spline.tck[:2]
    at = [_greville(t) for t in knots]
    z = np.asarray(spline.get_coeffs()).reshape(len(at[0]), len(at[1]))
    poles = TColgp_Array2OfPnt(1, len(at[0]), 1, len(at[1]))
    for i, x in enumerate(at[0], start=1):
        for j, y in enumerate(at[1], start=1):
            poles.SetValue(i, j, gp_Pnt(float(x), float(y), float(z[i - 1, j - 1])))
    values, counts = [], []
    for t in knots:
        unique, times = np.unique(t, return_counts=True)
        reals = TColStd_Array1OfReal(1, len(unique))
        integers = TColStd_Array1OfInteger(1, len(unique))
        for k, (value, count) in enumerate(zip(unique, times, strict=True), start=1):
            reals.SetValue(k, float(value))
            integers.SetValue(k, int(count))
        values.append(reals)
        counts.append(integers)
    return Geom_BSplineSurface(poles, *values, *counts, DEGREE, DEGREE)


def _greville(knots: Array) -> Array:
    """Return where poles lie so that the parameter itself is reproduced."""
    count = len(knots) - DEGREE - 1
    return np.asarray(np.mean([knots[k : k + count] for k in range(1, DEGREE + 1)], axis=0))


def one_solid(shape: Any, part: str) -> Any:
    """Return the single valid solid in `shape`.

    Raises
    ------
    insole.errors.PartError
        There are none or several, or the kernel finds it invalid.
    """
    found = shape.Solids()
    if len(found) != 1 or not found[0].isValid():
        raise PartError(part, f"the {part} has no valid boundary solid; use its mesh, not STEP")
    return found[0]
