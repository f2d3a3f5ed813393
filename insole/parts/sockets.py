"""Blind round sockets that place a pad on its base, and the row of dowels that go into them.

    BasePlan.dowels -> sockets in pad and base (meshes and boundary solids); dowels -> Part

A dowel is glued into the pad and slides into the base. Both parts still lie flat to print: the
pad's sockets open downward and bridge 4.3 mm, the base's open upward.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array, Side
from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.facts import DowelFacts, Sockets, Spot
from insole.parts.part import SOCKET_SEGMENTS, Part
from insole.planning.dowels import DOWEL_MM, PAD_DEPTH_MM, SOCKET_MM, base_depth
from insole.record.plan import FootPlan
from insole.record.planned_parts import BasePlan

__all__ = [
    "brep_cut",
    "circle",
    "cut",
    "depth_in_base",
    "discs",
    "dowels",
    "facts",
    "length",
    "volume",
]

SHORT_MM = 0.4  # dowel shorter than both sockets: its end must not hold the pad off the base
CHAMFER_MM = 0.4  # at the end that slides into the base
PITCH_MM = 8.0
WEB_MM = (1.2, 0.8)  # width and height of the webs that join the row until they are cut
SPARE = 1

Points = Sequence[tuple[float, float]]


def discs(points: Points, diameter: float = SOCKET_MM) -> BaseGeometry:
    """Return sockets, or dowels of another diameter, in plan."""
    spots = [shapely.Point(p).buffer(diameter / 2, quad_segs=SOCKET_SEGMENTS) for p in points]
    return shapely.union_all(spots) if spots else Polygon()


def circle(place: tuple[float, float]) -> Array:
    """Return the rim of a socket, to draw, closed, shape (n, 2)."""
    return shapely.get_coordinates(discs([place]).exterior)


def depth_in_base(wanted: BasePlan) -> float:
    """Return how deep the sockets of a base are, mm; 0 without dowels.

    Raises
    ------
    insole.errors.PartError
        The plan has dowels in a base that is too thin for them.
    """
    depth = base_depth(wanted.thickness) if wanted.dowels else 0.0
    if wanted.dowels and not depth:
        raise PartError("base", "the base is too thin for its dowels; plan it thicker or without")
    return depth


def cut(solid: Any, points: Points, bottom: float, top: float) -> Any:
    """Return a mesh solid without the sockets between two heights."""
    return solid - solids.prism(discs(points), bottom, top) if points else solid


def volume(points: Points, depth: float) -> float:
    """Return what the sockets take, mm3."""
    return len(points) * math.pi * (SOCKET_MM / 2) ** 2 * depth


def brep_cut(shape: Any, points: Points, bottom: float, top: float) -> Any:
    """Return a boundary solid without the sockets between two heights: true cylinders."""
    if not points:
        return shape
    from cadquery import Vector, func

    pin = func.cylinder(SOCKET_MM, top - bottom)
    return func.cut(shape, func.compound([pin.moved(Vector(x, y, bottom)) for x, y in points]))


def facts(points: Points, depth: float, *, face: str) -> Sockets | None:
    """Return what papers and checks want to know of the sockets; None without any."""
    if not points:
        return None
    places = tuple(Spot(float(x), float(y)) for x, y in points)
    return Sockets(places=places, depth=depth, diameter=SOCKET_MM, face=face)


def length(wanted: BasePlan) -> float:
    """Return the length of the dowels of a base, mm."""
    return round(PAD_DEPTH_MM + depth_in_base(wanted) - SHORT_MM, 3)


def dowels(foot: FootPlan) -> Part | None:
    """Return the dowels of a foot as a row joined by thin webs, with a spare; None without any.

    A row stands on the printer's bed and cannot get lost in pieces; the webs are cut with a
    knife. Dowels are the same for both feet.
    """
    wanted = foot.base
    if not wanted.dowels:
        return None
    count = len(wanted.dowels) + SPARE
    long = length(wanted)
    wide = WEB_MM[0]
    centres = [(PITCH_MM * k, 0.0) for k in range(count)]
    pins = discs(centres, DOWEL_MM)
    web = shapely.box(0.0, -wide / 2, centres[-1][0], wide / 2)
    vertices, faces = solids.arrays(_row(centres, pins, web, long), "dowels")
    outline, holes = outlines.rings(shapely.union_all([pins, web]))
    return Part(
        name="dowels",
        side=Side(foot.side),
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        volume=count * _pin_volume(long) + (count - 1) * _web_volume(),
        solid=partial(_brep, centres, long),
        material=wanted.material,
        facts=DowelFacts(
            pieces=count,
            words=f"{count} dowels of {DOWEL_MM:g} x {long:g} mm, {SPARE} to spare; cut the "
            "webs, glue each into the pad",
        ),
    )


def _pin_volume(long: float) -> float:
    """Return the volume of a cylinder with one end chamfered, mm3."""
    r, c = DOWEL_MM / 2, CHAMFER_MM
    return math.pi * (r**2 * (long - c) + c * (r**2 + r * (r - c) + (r - c) ** 2) / 3)


def _web_volume() -> float:
    """Return the volume of a web outside the two cylinders that it joins, mm3."""
    wide, high = WEB_MM
    half = math.asin(wide / DOWEL_MM)  # of the angle under which a web is seen from a centre
    r = DOWEL_MM / 2
    return (PITCH_MM * wide - 2 * r**2 * half - wide * r * math.cos(half)) * high


def _row(centres: Points, pins: BaseGeometry, web: Polygon, long: float) -> Any:
    import manifold3d

    r, n = DOWEL_MM / 2, 4 * SOCKET_SEGMENTS
    row = solids.prism(web, 0.0, WEB_MM[1]) + solids.prism(pins, 0.0, long - CHAMFER_MM)
    for x, y in centres:
        end = manifold3d.Manifold.cylinder(CHAMFER_MM, r, r - CHAMFER_MM, n)
        row += end.translate((x, y, long - CHAMFER_MM))
    return row


def _brep(centres: Points, long: float) -> Any:
    from cadquery import Vector, func

    from insole.parts import breps

    r, (wide, high) = DOWEL_MM / 2, WEB_MM
    reach = centres[-1][0]
    row: Any = func.box(reach, wide, high).moved(Vector(reach / 2, 0.0, 0.0))
    for x, y in centres:
        pin = func.cylinder(DOWEL_MM, long - CHAMFER_MM)
        end = func.cone(2 * r, 2 * (r - CHAMFER_MM), CHAMFER_MM)
        end = end.moved(Vector(0.0, 0.0, long - CHAMFER_MM))
        row = func.fuse(row, func.fuse(pin, end).moved(Vector(x, y, 0.0)))
    return breps.one_solid(func.clean(row), "dowels")
