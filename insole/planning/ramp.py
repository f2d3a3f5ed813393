"""The planes of a wedge's top: what is planned with and what is made are the same ramp.

WedgePlan -> planes -> ceilings and thickness of the plan, solid of the part
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.record.planned_parts import WedgePlace, WedgePlan

__all__ = ["Plane", "inside_height", "planes", "posting_height", "shim_height"]

Plane = tuple[float, float, float]  # z = a x + b y + c, mm


def planes(wedge: WedgePlan, plan: Any) -> tuple[Plane, ...]:
    """Return the planes z = a x + b y + c of a wedge over its outline: ramp, then skives.

    The top is the lowest of them. The ramp starts at the outline's thin side with the thin
    edge's thickness and slopes about the bed's long axis.

    Parameters
    ----------
    wedge : WedgePlan
        The wedge.
    plan : shapely.Polygon
        Its outline between the ends of the skives, bed frame, mm.
    """
    import shapely

    x0, low, x1, high = plan.bounds
    full = plan.intersection(
        shapely.box(max(wedge.full_from, x0), low - 1, min(wedge.full_to, x1), high + 1)
    ).bounds
    slope = math.tan(math.radians(abs(wedge.net)))
    rise = slope * (full[3] - low if wedge.net > 0 else high - full[1])
    found = [
        (0.0, slope, wedge.edge - low * slope)
        if wedge.net > 0
        else (0.0, -slope, wedge.edge + high * slope)
    ]
    if wedge.taper_rear > 0:
        steep = rise / wedge.taper_rear
        found.append((steep, 0.0, wedge.edge - (wedge.full_from - wedge.taper_rear) * steep))
    if wedge.taper_front > 0:
        steep = rise / wedge.taper_front
        found.append((-steep, 0.0, wedge.edge + (wedge.full_to + wedge.taper_front) * steep))
    return tuple(found)


def shim_height(wedge: WedgePlan, x: Array, y: Array) -> Array:
    """Return the thickness of a shim at (x, y), mm; 0 outside its outline."""
    import shapely

    plan = _within_skives(wedge)
    if plan.is_empty:
        return np.zeros(np.broadcast(x, y).shape)
    return np.where(shapely.contains_xy(plan, x, y), _ramp(wedge, plan, x, y), 0.0)


def posting_height(wedges: Sequence[WedgePlan], x: Array, y: Array) -> Array:
    """Return how much the wedges inside the shoe raise a bed that they are built into, mm.

    As `inside_height`, but the ramps go on across the bed to its border and beyond: a shim ends a
    little inside of the base, and a bed whose wedge ended there had a scalloped gutter along its
    thick edge.
    """
    total = np.zeros(np.broadcast(x, y).shape)
    for wedge in wedges:
        plan = _within_skives(wedge)
        if wedge.place is not WedgePlace.UNDER and not plan.is_empty:
            total += _ramp(wedge, plan, x, y)
    return total


def _within_skives(wedge: WedgePlan) -> Any:
    """Return the outline of a wedge between the ends of its skives, a polygon; may be empty."""
    import shapely

    x0, x1 = wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front
    whole = shapely.Polygon(wedge.outline)
    return whole.intersection(shapely.box(x0, whole.bounds[1] - 1, x1, whole.bounds[3] + 1))


def _ramp(wedge: WedgePlan, plan: Any, x: Array, y: Array) -> Array:
    """Return the height of a wedge's top, wherever its outline ends, mm; not below 0."""
    top = np.min([a * x + b * y + c for a, b, c in planes(wedge, plan)], axis=0)
    return np.asarray(np.maximum(top, 0.0))


def inside_height(wedges: Sequence[WedgePlan], x: Array, y: Array) -> Array:
    """Return the thickness of all shims inside the shoe at (x, y), mm."""
    total = np.zeros(np.broadcast(x, y).shape)
    for wedge in wedges:
        if wedge.place is not WedgePlace.UNDER:
            total += shim_height(wedge, x, y)
    return total
