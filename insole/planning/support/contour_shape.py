"""The form of a contoured bed: outline, shares of the gap, reliefs, rim, front.

    Seating + Field + SupportWish -> one surface each, mm -> insole.planning.support.contour

Every function gives heights on the field, or depths to take off; contour.py lays them together.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import shapely
from scipy import ndimage

from footscan.scan import Array
from insole.planning.seating import Seating, smoothstep
from insole.planning.support.contour_field import MARGIN_MM, Field, breadths
from insole.planning.support.keepouts import (
    ball_clear,
    ball_line,
    behind_ball,
    off_fifth_base,
    off_first_ray,
    tender_spots,
    thin_before_ball,
    under_navicular,
)
from insole.planning.support.surface import lower_of
from insole.planning.support.wish import SupportWish
from insole.record.limits import Limits
from insole.record.rings import smooth_ring

__all__ = ["BedTask", "outline_of", "reliefs", "rim_of", "share_of", "with_front", "with_rim"]

HEEL_FULL = (0.20, 0.34)  # shares of length between which the heel's full contact gives way
LATERAL_FULL = (0.30, 0.60)  # shares of breadth from the lateral border, likewise
CUP_ENDS = (0.20, 0.36)  # shares of length over which the cup's rim becomes flange and border
FADE_MM = 12.0  # over which a relief runs out


def outline_of(seating: Seating, wish: SupportWish, limits: Limits) -> Array:
    """Return the bed's outline: the base's, cut off behind the ball line for three quarters."""
    base = shapely.Polygon(seating.base)
    if wish.contoured == "full":
        return np.asarray(shapely.orient_polygons(base).exterior.coords)[:-1]
    medial, lateral, _ = ball_line(seating)
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    ahead = np.array([along[1], -along[0]])
    back = _front_gap(seating, limits)
    ends = [lateral - 400.0 * along - back * ahead, medial + 400.0 * along - back * ahead]
    cut = shapely.Polygon([*ends, ends[1] - 900.0 * ahead, ends[0] - 900.0 * ahead])
    most = seating.station + limits.value("contour.three_quarter") * seating.foot_length
    piece = base.intersection(cut).intersection(shapely.box(-50.0, -300.0, most, 300.0))
    radius = limits.value("feel.corner_radius")
    front = piece.bounds[2]
    rounded = piece.buffer(-radius, quad_segs=32).buffer(radius, quad_segs=32)
    heel = piece.intersection(shapely.box(-50.0, -300.0, front - 45.0, 300.0))
    piece = max(getattr(rounded.union(heel), "geoms", [rounded.union(heel)]), key=lambda p: p.area)
    ring = shapely.get_coordinates(shapely.orient_polygons(piece).exterior.segmentize(1.5))[:-1]
    return smooth_ring(ring, sigma_mm=1.5)


def _front_gap(seating: Seating, limits: Limits) -> float:
    """Return how far behind the ball line the contour ends, mm."""
    return sum(ball_clear(seating, limits))


class BedTask(NamedTuple):
    """A contoured bed that is being shaped: whose foot, on which grid, what is wished."""

    seating: Seating
    field: Field
    wish: SupportWish
    limits: Limits


def share_of(task: BedTask, level: float) -> Array:
    """Return the share of the gap to fill: all at heel and lateral border, the level between."""
    share, across = breadths(task.seating, task.field)
    heel = 1.0 - smoothstep((share - HEEL_FULL[0]) / (HEEL_FULL[1] - HEEL_FULL[0]))
    lateral = 1.0 - smoothstep((across - LATERAL_FULL[0]) / (LATERAL_FULL[1] - LATERAL_FULL[0]))
    full = np.maximum(heel, lateral)
    return np.asarray(level + (1.0 - level) * full) if level < 1.0 else np.full(full.shape, level)


def reliefs(task: BedTask) -> Array:
    """Return what is taken off under places that are kept free of load, mm."""
    seating, field, wish, limits = task
    base = limits.value("contour.relief")
    depth = limits.value("keepout.tender_relief") if wish.relief is None else wish.relief
    out = depth * tender_spots(seating, field.gx, field.gy, wish.spots, limits)
    off, radius = off_fifth_base(seating, field.gx, field.gy, limits)
    out = np.maximum(out, base * (1.0 - smoothstep((off - radius / 2) / FADE_MM)))
    first = seating.landmarks.get("mth1")
    if first is not None:  # the front half of the first ray must stay free to drop
        off = off_first_ray(seating, first, (field.gx, field.gy), limits)
        out = np.maximum(out, base * (1.0 - smoothstep(off / FADE_MM)))
    return np.asarray(out)


def rim_of(task: BedTask, plate: float) -> Array:
    """Return how high the top may stand above its bed, mm: cup, flange, lateral border."""
    seating, field, wish, limits = task
    cup = limits.value("contour.cup") if wish.cup is None else wish.cup
    share, across = breadths(seating, field)
    behind = 1.0 - smoothstep((share - CUP_ENDS[0]) / (CUP_ENDS[1] - CUP_ENDS[0]))
    medial = smoothstep((across - 0.3) / 0.4)
    lateral_rim, flange = limits.value("contour.lateral"), limits.value("feel.flange")
    slope = math.tan(math.radians(limits.value("feel.slope_medial")))
    inward = np.clip(field.depth, 0.0, None)
    sides = (1.0 - medial) * lateral_rim + medial * flange
    rim = behind * (plate + cup) + (1.0 - behind) * (sides + slope * inward * medial)
    below = under_navicular(seating, field.gx, field.gy, limits)
    return np.asarray(rim if below is None else np.minimum(rim, below))


def with_front(task: BedTask, top: Array, shim: Array) -> Array:
    """Return the top run out behind the ball line, on nothing or on a flat forefoot."""
    seating, field, wish, limits = task
    edge = limits.value("feel.edge")
    slope = math.tan(math.radians(limits.value("feel.slope")))
    behind = behind_ball(seating, field.gx, field.gy)
    plate = thin_before_ball(behind, limits)
    if wish.contoured == "full":
        flat = limits.value("contour.forefoot")
        clear = behind - _front_gap(seating, limits)
        ramp = np.minimum(flat + slope * np.clip(clear, 0.0, None), np.maximum(plate, flat))
        # the wedge built in runs on through all of it
        contour = np.maximum(lower_of(top - shim, ramp, 1.5), flat)
        ahead = smoothstep(-clear / 6.0)
        return np.asarray((1.0 - ahead) * contour + ahead * flat + shim)
    ends = _front_depth(seating, field, limits)
    return np.asarray(
        np.minimum(
            lower_of(top, np.minimum(plate, edge + slope * ends), 1.0),
            np.maximum(edge + slope * ends, 0.2),
        )
    )


def _front_depth(seating: Seating, field: Field, limits: Limits) -> Array:
    """Return how far places lie behind the front end of a three-quarter bed, mm."""
    behind = behind_ball(seating, field.gx, field.gy) - _front_gap(seating, limits)
    most = seating.station + limits.value("contour.three_quarter") * seating.foot_length
    return np.minimum(behind, most - field.gx)


def with_rim(field: Field, top: Array, wall: float) -> Array:
    """Return the top with a level rim as wide as a wall: nothing thinner stands at the border."""
    fx, fy = np.gradient(field.depth)
    norm = np.maximum(np.hypot(fx, fy), 1e-6)
    into = np.clip(wall - field.depth, 0.0, wall + MARGIN_MM)
    at = [
        np.arange(len(field.x))[:, None] + into * fx / norm,
        np.arange(len(field.y))[None, :] + into * fy / norm,
    ]
    moved = ndimage.map_coordinates(top, at, order=1, mode="nearest")
    return np.where(into > 0, np.minimum(moved, np.where(field.inside, top, moved)), top)
