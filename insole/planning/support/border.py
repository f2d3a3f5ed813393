"""What the border of a pad asks of its top."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.arch import arch_line
from footscan.foot import SoleMap
from footscan.scan import Array, BoolArray
from insole.planning.seating import Seating
from insole.planning.support.space import Room
from insole.planning.support.surface import FREE, feel_of
from insole.record.limits import Limits
from insole.record.rings import distance_to_ring, edges_at

__all__ = ["Border", "line_at"]

BORDER_STEP_MM = 0.5
WALL_MM = 4.0  # border this close to the base's medial edge counts as standing
LINE_MM = 1.0  # border this close to a run-out line lies on it


def walls_of(area: Any, seating: Seating, limits: Limits) -> Any:
    """Return the parts of an area's border that lie along the base's medial edge."""
    import shapely

    if area.is_empty:
        return shapely.MultiLineString()
    border = np.asarray(area.exterior.segmentize(BORDER_STEP_MM).coords)
    _, medial = edges_at(seating.base, border[:, 0])
    inset = seating.trim + limits.value("place.medial_inset") + WALL_MM
    there = border[:, 1] > np.nan_to_num(medial - inset, nan=np.inf)
    pairs = np.flatnonzero(there[:-1] & there[1:])
    lines = [shapely.LineString(border[k : k + 2]) for k in pairs]
    found = shapely.MultiLineString(lines)
    return shapely.line_merge(found) if lines else found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Border:
    """An area on the room's grid, with what its border asks of the top; mm.

    By the distance to the border itself and not to the grid, so that a pad ends where it should.
    `inside` flags the area, `ended` what lies outside beyond a side where the foot crosses the
    edge; `least` is the top that such a side allows, `ramp` the one that front and rear allow,
    where the sole is not followed; `to_wall` is the way to the side that stands.
    """

    inside: BoolArray
    ended: BoolArray
    least: Array
    ramp: Array
    to_wall: Array


def border_of(space: Room, seating: Seating, area: Any, walls: Any, limits: Limits) -> Border:
    """Return what the border of an area, not empty, asks of the top."""
    import shapely
    from scipy import spatial

    feel = feel_of(limits)
    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    nodes = np.column_stack([gx.ravel(), gy.ravel()])
    ring = np.asarray(area.exterior.segmentize(BORDER_STEP_MM).coords)
    wall = np.zeros(len(ring), dtype=bool)
    if not walls.is_empty:
        wall = shapely.distance(walls, shapely.points(ring)) < BORDER_STEP_MM
    medial = ring[:, 1] > line_at(seating, ring[:, 0])  # corners between the wall and those lines
    line = np.logical_or(_on_lines(space, ring), medial) & ~wall
    shapely.prepare(area)
    inside = shapely.contains_xy(area, gx, gy)

    def away(chosen: NDArray[np.bool_]) -> Array:
        if not chosen.any():
            return np.full(gx.shape, FREE)
        return distance_to_ring(nodes, ring, np.flatnonzero(chosen)).reshape(gx.shape)

    to_wall, to_line, to_side = away(wall), away(line), away(~wall & ~line)
    slope = math.tan(math.radians(feel.run_out))
    ramp = feel.edge + slope * to_line
    ahead = ~inside & (to_line <= np.minimum(to_wall, to_side))
    ramp = np.where(ahead, 2 * feel.edge - ramp, ramp)
    for ceiling in _lines(space):  # whether the border lies on them or ends before: the order stays
        ramp = np.minimum(ramp, feel.edge + slope * (ceiling - LINE_MM - space.cell))
    side = ring[~wall & ~line]
    least = np.full(gx.shape, FREE)
    if len(side):
        _, nearest = spatial.cKDTree(side).query(nodes)
        at = [(side[:, k] - axis[0]) / space.cell for k, axis in ((0, space.x), (1, space.y))]
        gap = ndimage.map_coordinates(space.felt, at, order=1, mode="nearest")[nearest]
        signed = np.where(inside, to_side, -to_side)
        least = space.felt + feel.edge - gap.reshape(gx.shape) + feel.residual * signed
    ended = ~inside & (to_side < np.minimum(to_wall, to_line))
    return Border(inside=inside, ended=ended, least=least, ramp=ramp, to_wall=to_wall)


def _on_lines(space: Room, ring: Array) -> Array:
    """Return which border points lie on the lines of front and rear, where slopes are limited."""
    at = [(ring[:, k] - axis[0]) / space.cell for k, axis in ((0, space.x), (1, space.y))]
    near = np.zeros(len(ring), dtype=bool)
    for line in _lines(space):
        inside = ndimage.map_coordinates(line, at, order=1, mode="nearest")
        near |= inside < LINE_MM + space.cell
    return near


def _lines(space: Room) -> list[Array]:
    """Return how far nodes lie inside the lines of front and rear, mm."""
    return [
        ceiling.inside
        for ceiling in space.ceilings
        if ceiling.code in ("ball-line", "rear") and ceiling.inside is not None
    ]


def line_at(seating: Seating, x: Array) -> Array:
    """Return y of the arch line at `x`, bed frame, mm; held beyond the window of the apex."""
    sole = seating.sole
    foot = SoleMap(x=sole.x - seating.station, y=sole.y, z=sole.z, cell=sole.cell)
    at, y, _ = arch_line(foot, seating.foot_length)
    seen = np.isfinite(y)
    if not seen.any():
        return np.full(np.shape(x), float(seating.landmarks["arch_apex"][1]))
    return np.asarray(np.interp(x, at[seen] + seating.station, y[seen]))
