"""Where a shape ends across, at a station along the foot."""

from __future__ import annotations

from typing import Any

import shapely

__all__ = ["ends_across"]

BEYOND_MM = 500.0  # no foot is half as wide


def ends_across(shape: Any, x: float) -> tuple[float, float]:
    """Return the least and the greatest y of a shape at a station x, mm; NaN where it is not."""
    row = shape.intersection(shapely.LineString([(x, -BEYOND_MM), (x, BEYOND_MM)]))
    _, low, _, high = row.bounds
    return float(low), float(high)
