"""A bevel along the underside's edge of a flat part.

    outline, BevelWish -> cut off the solid; its volume, and what papers say of it

The bevel rises in a straight line from the underside to the edge, by the wished angle. What is
left upright at the edge must be as thick as a nozzle or a grinder makes it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array, IntArray
from insole.errors import PartError
from insole.parts import solids
from insole.parts.finish import BevelWish

__all__ = ["band", "bevel_words", "bevelled", "check_bevel", "volume"]

BEYOND_MM = 0.6  # the cut goes on outside the edge, so that no sliver stands
EVEN_MM = 1.0  # of the points along both ends of the bevel


def check_bevel(wish: BevelWish, thickness: float, least: float, part: str) -> None:
    """Refuse a bevel that leaves less upright at the edge than can be made.

    Raises
    ------
    PartError
        With the width that is possible.
    """
    left = thickness - wish.height
    if left < least - 1e-9:
        most = max((thickness - least) * wish.width / wish.height, 0.0)
        raise PartError(
            part,
            f"a bevel of {wish.width:g} mm at {wish.angle:g} degrees leaves {max(left, 0.0):.2f} mm"
            f" at the edge of a {part} of {thickness:g} mm, at least {least:g} mm must stay; give "
            f"{np.floor(10 * most) / 10:g}@{wish.angle:g} or less",
        ).asking("bevel")


def band(outline: Polygon, wish: BevelWish) -> BaseGeometry:
    """Return the bevel's area in plan."""
    return outline.difference(outline.buffer(-wish.width))


def volume(outline: Polygon, wish: BevelWish) -> float:
    """Return how much the bevel takes away, mm3: its height by the distance from the edge."""

    def high(x: Array, y: Array) -> Array:
        away = shapely.distance(shapely.points(x, y), outline.exterior)
        return np.clip(wish.height * (1.0 - away / wish.width), 0.0, None)

    return solids.integral(band(outline, wish), high)


def bevelled(solid: Any, outline: Polygon, wish: BevelWish) -> Any:
    """Return a solid that lies on z = 0 with the bevel cut off its underside's edge."""
    slope = wish.height / wish.width
    outer = outline.exterior.segmentize(EVEN_MM)
    beyond = Polygon(outer).buffer(BEYOND_MM, quad_segs=4)
    outside: BaseGeometry = beyond.segmentize(EVEN_MM)
    inside = Polygon(outer).buffer(-wish.width, quad_segs=4)
    for inner in shapely.get_parts(inside):  # a narrow place parts it: each is kept
        outside = outside.difference(inner.segmentize(EVEN_MM))
    vertices, faces = _wedge(outside, outline, wish, slope)
    return solid - solids.solid_of(vertices, faces)


def _wedge(
    ring: BaseGeometry, outline: Polygon, wish: BevelWish, slope: float
) -> tuple[Array, IntArray]:
    """Return a closed mesh under the bevel's face, down to a millimetre below the underside."""
    # long triangles across a bend would leave the bevel's face: these are as even as can be
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(ring))
    corners = shapely.get_coordinates(pieces).reshape(-1, 4, 2)[:, :3]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    over = one[:, 0] * two[:, 1] < one[:, 1] * two[:, 0]
    corners = np.where(over[:, None, None], corners[:, ::-1], corners)
    flat, places = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    faces = places.reshape(-1, 3)
    spots = shapely.points(flat)
    away = shapely.distance(outline.exterior, spots)
    away = np.where(shapely.contains_xy(outline, flat), away, -away)
    top = np.clip(wish.height - slope * away, 0.0, None)
    upper = np.column_stack([flat, top])
    lower = np.column_stack([flat, np.full(len(flat), -1.0)])
    n = len(flat)
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    codes, back = edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0]
    rim = edges[~np.isin(codes, back)]
    walls = np.concatenate(
        [
            np.column_stack([rim[:, 0] + n, rim[:, 1] + n, rim[:, 1]]),
            np.column_stack([rim[:, 0] + n, rim[:, 1], rim[:, 0]]),
        ]
    )
    return np.concatenate([upper, lower]), np.concatenate([faces, faces[:, ::-1] + n, walls])


def bevel_words(wish: BevelWish, thickness: float) -> str:
    """Return what a knife or a grinder has to do, in words."""
    return (
        f"underside's edge bevelled {wish.width:g} mm wide at {wish.angle:g} degrees all round, "
        f"{thickness - wish.height:.1f} mm of the edge stay upright"
    )
