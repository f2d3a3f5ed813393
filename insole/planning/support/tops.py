"""The top of a pad as it is made: one function for contact, parts, forms, sections and papers.

    PadPlan, MetatarsalPlan -> PadTop -> heights above the face that the pad lies on, mm

The stored nodes carry the support surface; where the medial side stands, its rim is rounded
towards the foot down to 45 degrees, which no grid of 2 mm holds.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from scipy.spatial import cKDTree

from footscan.scan import Array
from insole.errors import PlanError
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan
from insole.record.rings import way_along
from insole.record.values import HeightGrid

__all__ = ["ContourShape", "PadTop", "spline_of"]

STEP_MM = 0.25  # between the places of the outline from which the rim's rounding is measured
BEYOND_MM = 4.0  # outside of the border the rim's face is continued so far
FULL_MM = 2.0  # a side that stands this high is rounded in full, a lower one in proportion


def spline_of(grid: HeightGrid) -> RectBivariateSpline:
    """Return the bicubic spline through a height grid: ``s.ev(x, y)``, mm.

    Raises
    ------
    insole.errors.PlanError
        The grid is too small, ragged, or has heights that are no numbers.
    """
    if len({len(row) for row in grid.z}) != 1 or len(grid.z) < 4 or len(grid.z[0]) < 4:
        raise PlanError("heights need a full grid of at least 4 by 4; plan it again")
    z = np.asarray(grid.z, dtype=float)
    if not np.isfinite(z).all() or not grid.step > 0:
        raise PlanError("heights have values that are no numbers; plan it again")
    x = grid.x0 + grid.step * np.arange(z.shape[0])
    y = grid.y0 + grid.step * np.arange(z.shape[1])
    return RectBivariateSpline(x, y, z, kx=3, ky=3, s=0)


class PadTop:
    """Heights of a pad's top, and of its rim.

    Parameters
    ----------
    pad : PadPlan or MetatarsalPlan
        As planned.
    """

    def __init__(self, pad: PadPlan | MetatarsalPlan) -> None:
        self.pad = pad
        self.spline = spline_of(pad.top)

    def at(self, x: Array, y: Array) -> Array:
        """Return the height at places (x, y) of any shape, as if the pad went on outside."""
        return np.maximum(self.free(x, y), self.pad.edge)

    def sharp(self, x: Array, y: Array) -> Array:
        """Return the height without the rounding of the rim."""
        return np.maximum(self.spline.ev(x, y), self.pad.edge)

    def free(self, x: Array, y: Array) -> Array:
        """Return the same without the floor of the edge: it may dip below it near the border."""
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        return np.asarray(self.spline.ev(x, y) - self._rounding(x, y))

    def inside(self, x: Array, y: Array) -> Array:
        """Return the height at places (x, y) of any one shape; 0 outside the outline."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        there = shapely.contains_xy(self._inside, x, y)
        out = np.zeros(x.shape)
        out[there] = self.at(x[there], y[there])
        return out

    @property
    def rim_width(self) -> float:
        """How far inside the standing side the rounding starts, mm."""
        return self.pad.rim_radius * math.sqrt(0.5)

    @cached_property
    def rim(self) -> Array:
        """Places of the outline that stand, with their height: shape (n, 3), mm."""
        _, x, y, z = self._border
        there = z > self.pad.edge + 0.1
        return np.column_stack([x, y, z])[there]

    @cached_property
    def _rim_tree(self) -> cKDTree:
        return cKDTree(self.rim[:, :2])

    @cached_property
    def _border_tree(self) -> cKDTree:
        """Places of the whole outline, at most ``STEP_MM`` apart."""
        return cKDTree(np.column_stack(self._border[1:3]))

    @cached_property
    def _ring(self) -> Array:
        """The outline with its first point repeated, shape (n, 2), mm."""
        return shapely.get_coordinates(shapely.LinearRing(self.pad.outline))

    @cached_property
    def _inside(self) -> shapely.Polygon:
        inside = shapely.Polygon(self.pad.outline)
        shapely.prepare(inside)
        return inside

    @cached_property
    def _border(self) -> tuple[Array, Array, Array, Array]:
        """Way along the outline, mm, with place and height; the first place stands again last."""
        ring = shapely.LinearRing(self.pad.outline).segmentize(STEP_MM)
        x, y = shapely.get_coordinates(ring).T
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        return along, x, y, self.spline.ev(x, y)

    def _rounding(self, x: Array, y: Array) -> Array:
        """Return what the rounding of the rim takes off, mm: an arc that ends at 45 degrees."""
        radius, width = self.pad.rim_radius, self.rim_width
        off = np.zeros(x.shape)
        if radius <= 0 or not len(self.rim):
            return off
        places = np.column_stack([x.ravel(), y.ravel()])
        away, _ = self._rim_tree.query(places, distance_upper_bound=width + BEYOND_MM)
        near = np.flatnonzero(np.isfinite(away))
        # beyond the border the face goes on at 45 degrees: triangles and splines across it see
        # no edge there
        beyond = ~shapely.contains_xy(self._inside, places[near, 0], places[near, 1])
        away, _ = self._border_tree.query(places[near], distance_upper_bound=width + STEP_MM)
        reached = beyond | np.isfinite(away)  # nothing is taken off farther inside
        near, beyond = near[reached], beyond[reached]
        way, away = way_along(self._ring, places[near])
        into = np.clip(np.where(beyond, width, width - away), 0.0, None)
        stands = np.interp(way, self._border[0], self._border[3])
        full = np.clip((stands - self.pad.edge) / FULL_MM, 0.0, 1.0)
        flat = off.ravel()
        flat[near] = full * (radius - np.sqrt(radius**2 - into**2) + np.where(beyond, away, 0.0))
        return flat.reshape(x.shape)


class ContourShape:
    """Top and underside of a contoured bed.

    Parameters
    ----------
    contour : ContourPlan
        As planned.
    """

    def __init__(self, contour: ContourPlan) -> None:
        self.contour = contour
        self.upper, self.lower = spline_of(contour.top), spline_of(contour.bottom)

    def top(self, x: Array, y: Array) -> Array:
        """Return the height of the top above the bed frame's z = 0, mm."""
        return np.maximum(self.upper.ev(x, y), self.lower.ev(x, y) + self.contour.edge / 2)

    def bottom(self, x: Array, y: Array) -> Array:
        """Return the height of the underside above the bed frame's z = 0, mm."""
        return np.asarray(self.lower.ev(x, y))

    def inside(self, x: Array, y: Array) -> Array:
        """Return the thickness at places of any one shape, mm; 0 outside the outline."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        whole = shapely.Polygon(self.contour.outline)
        shapely.prepare(whole)
        there = shapely.contains_xy(whole, x, y)
        out = np.zeros(x.shape)
        out[there] = self.top(x[there], y[there]) - self.bottom(x[there], y[there])
        return out
