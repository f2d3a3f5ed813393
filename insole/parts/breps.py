"""Boundary solids for STEP: prisms, prisms under planes, prisms under a spline surface.

    outline and the same planes or spline as the mesh -> cadquery solid

Sides stand on the arcs and straight lines of the cut files, not on hundreds of flat strips: what
somebody wants to bevel or round in CAD is then a few dozen smooth faces.

A bicubic spline z(x, y) is handed to the kernel as what it is, a B-spline surface: with its
poles in plan at the Greville abscissae, x and y run linearly and nothing is approximated.

The kernel takes seconds to load, so everything here imports it inside.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from scipy.interpolate import RectBivariateSpline

from footscan.scan import Array
from insole.errors import PartError
from insole.parts.curves import arcs_of

__all__ = [
    "between_splines",
    "one_solid",
    "prism",
    "roof",
    "under_planes",
    "under_spline",
]

DEGREE = 3
SEW_MM = 1e-4
BETWEEN_SHARE = 0.005  # the kernel's volume of trimmed splines is off by some tenths of a percent
VOLUME_SHARE = 0.001  # of the integral: the solid is the same surface, not an approximation


def prism(outline: Array, bottom: float, top: float, holes: tuple[Array, ...] = ()) -> Any:
    """Return the upright solid over an outline between two heights."""
    return _between((outline, *holes), (bottom, top))


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


def under_spline(
    outline: Array,
    spline: RectBivariateSpline,
    volume: float,
    part: str,
    holes: tuple[Array, ...] = (),
) -> Any:
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
    holes : tuple of ndarray
        Inner rings, clockwise.

    Raises
    ------
    insole.errors.PartError
        The kernel gives no single valid solid of about that volume.
    """
    return _closed((outline, *holes), (0.0, roof(spline)), volume, VOLUME_SHARE, part)


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
    lower, upper = (roof(spline) for spline in splines)
    return _closed((outline, *holes), (lower, upper), volume, BETWEEN_SHARE, part)


def _closed(
    rings: tuple[Array, ...], surfaces: tuple[Any, Any], volume: float, share: float, part: str
) -> Any:
    """Return the single solid between two surfaces; refuse one of another volume."""
    solid = one_solid(_between(rings, surfaces), part)
    if abs(_volume(solid) - volume) > share * volume:
        raise PartError(part, f"the boundary solid of the {part} is wrong; use its mesh, not STEP")
    return solid


def _between(rings: tuple[Array, ...], surfaces: tuple[Any, Any]) -> Any:
    """Return what has upright sides between two surfaces of the kernel, or levels, mm.

    Not the kernel's own extrusion: roundings of its upper edges fail at some sizes.
    """
    from cadquery import Face, Shape, func
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.ShapeFix import ShapeFix_Shape

    rims = [_rim(surfaces, ring) for ring in rings]
    caps = []
    for k, surface in enumerate(surfaces):
        first, *others = [func.wire(*edges[k]) for edges, _ in rims]
        if isinstance(surface, float):
            caps.append(func.face(first, *others))
            continue
        maker = BRepBuilderAPI_MakeFace(surface, first.wrapped, True)
        for inner in others:
            maker.Add(inner.wrapped)
        caps.append(Face(maker.Face()))
    walls = [wall for _, found in rims for wall in found]
    # the kernel is told last which way round each cylinder is bounded
    fix = ShapeFix_Shape(func.solid(func.shell(*walls, *caps, tol=SEW_MM)).wrapped)
    fix.Perform()
    return Shape.cast(fix.Shape())


class _Piece(NamedTuple):
    """A piece of a ring in plan: from place to place, mm, straight or round by its bulge."""

    start: Array
    end: Array
    bulge: float

    @property
    def middle(self) -> Array:
        """Return the place half way along it."""
        long = self.end - self.start
        return (self.start + self.end + self.bulge * np.array([long[1], -long[0]])) / 2.0


def _pieces(ring: Array) -> list[_Piece]:
    """Return the arcs and straight lines of a ring, the same that cut files have."""
    rows = arcs_of(ring)
    ends = np.roll(rows, -1, axis=0)
    return [_Piece(row[:2], end[:2], float(row[2])) for row, end in zip(rows, ends, strict=True)]


def _rim(surfaces: tuple[Any, Any], ring: Array) -> tuple[list[list[Any]], list[Any]]:
    """Return the edges of a ring on the lower and the upper surface, and the walls between."""
    from cadquery import func

    pieces = _pieces(ring)
    corners = [[_corner(surface, *piece.start) for piece in pieces] for surface in surfaces]
    edges = [
        [_eave(s, piece, c[k], c[(k + 1) % len(c)]) for k, piece in enumerate(pieces)]
        for s, c in zip(surfaces, corners, strict=True)
    ]
    posts = [func.segment(low.Center(), high.Center()) for low, high in zip(*corners, strict=True)]
    walls = [
        _wall(piece, func.wire(low, posts[(k + 1) % len(posts)], high, posts[k]))
        for k, (piece, low, high) in enumerate(zip(pieces, *edges, strict=True))
    ]
    return edges, walls


def _volume(solid: Any) -> float:
    """Return the kernel's volume, to a hundredth of a percent: quicker than its default."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(solid.wrapped, properties, 1e-3, False, False)
    return float(properties.Mass())


def _corner(surface: Any, x: float, y: float) -> Any:
    from cadquery import Vector, func

    if isinstance(surface, float):
        return func.vertex(Vector(float(x), float(y), surface))
    return func.vertex(Vector(surface.Value(float(x), float(y))))


def _flat(piece: _Piece, z: float) -> Any:
    """Return the edge along a piece at one height."""
    from cadquery import Edge, Vector

    start, middle, end = (
        Vector(float(x), float(y), z) for x, y in (piece.start, piece.middle, piece.end)
    )
    if piece.bulge == 0.0:
        return Edge.makeLine(start, end)
    return Edge.makeThreePointArc(start, middle, end)


def _eave(surface: Any, piece: _Piece, first: Any, last: Any) -> Any:
    """Return the edge on the surface above a line or arc in plan.

    Parameters of the surface are x and y, so that the piece itself is the edge's curve there.
    """
    from cadquery import Edge
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.BRepLib import BRepLib
    from OCP.GCE2d import GCE2d_MakeArcOfCircle, GCE2d_MakeSegment
    from OCP.gp import gp_Pnt2d

    if isinstance(surface, float):
        return _flat(piece, surface)
    start, middle, end = (
        gp_Pnt2d(float(x), float(y)) for x, y in (piece.start, piece.middle, piece.end)
    )
    made = (
        GCE2d_MakeArcOfCircle(start, middle, end) if piece.bulge else GCE2d_MakeSegment(start, end)
    )
    edge = BRepBuilderAPI_MakeEdge(made.Value(), surface, first.wrapped, last.wrapped).Edge()
    BRepLib.BuildCurves3d_s(edge)
    return Edge(edge)


def _wall(piece: _Piece, wire: Any) -> Any:
    """Return the upright face over a piece inside a wire: plane, or part of a cylinder."""
    from cadquery import Face, Plane, Vector
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.Geom import Geom_CylindricalSurface
    from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt
    from OCP.ShapeFix import ShapeFix_Face

    long = piece.end - piece.start
    if piece.bulge == 0.0:
        at, along = (Vector(float(x), float(y), 0.0) for x, y in (piece.start, long))
        plane = Plane(at, xDir=along, normal=Vector(along.y, -along.x, 0.0))
        return Face(BRepBuilderAPI_MakeFace(plane.toPln(), wire.wrapped).Face())
    # half the chord over the tangent of half the turn, which is four times the bulge's angle
    rise = (1.0 - piece.bulge**2) / (4.0 * piece.bulge)
    x, y = (piece.start + piece.end) / 2.0 + rise * np.array([-long[1], long[0]])
    radius = float(np.hypot(*(piece.start - [x, y])))
    round_ = Geom_CylindricalSurface(
        gp_Ax3(gp_Pnt(float(x), float(y), 0.0), gp_Dir(0.0, 0.0, 1.0)), radius
    )
    fix = ShapeFix_Face(BRepBuilderAPI_MakeFace(round_, wire.wrapped, True).Face())
    fix.Perform()  # gives each edge its curve on the cylinder
    return Face(fix.Face())


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
