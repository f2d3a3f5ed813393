"""The grid that a contoured bed is shaped on: its gap with the heel's flanks, ball and breadths."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.foot import vertex_normals
from footscan.results import MeasuredFoot
from footscan.scan import Array, BoolArray
from insole.planning.seating import Seating, lowering
from insole.planning.sole import continued
from insole.planning.support.ceilings import depth_in, low_pass
from insole.record.limits import Limits
from insole.record.rings import edges_at

__all__ = [
    "FLANK_TOP_MM",
    "MARGIN_MM",
    "STEP_MM",
    "Field",
    "breadths",
    "field_of",
    "flanked_sole",
]

STEP_MM = 2  # between stored nodes
FLANK_TOP_MM = 30.0  # no border of a bed is as high
MARGIN_MM = 4.0  # grid around the outline
FLANK_FACING = 0.08  # of a vertex normal, downward: up to 85 degrees
FLANK_APART_MM = 4.0  # vertices farther apart than this show no flank between them
FLANK_SIGMA_MM = 3.0
FLANK_SLOPE = (0.6, 1.2)  # between which the flank takes the place of the calmed sole
FINE_SIGMA_MM = 0.7  # evens out the cells


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """The grid of one contoured bed, bed frame, mm."""

    x: Array
    y: Array
    gx: Array
    gy: Array
    bed: Array
    gap: Array
    inside: BoolArray
    depth: Array  # way inside the outline, negative outside


def flanked_sole(
    seating: Seating, measured: MeasuredFoot, x: Array, y: Array, limits: Limits
) -> Array:
    """Return the sole above the bed frame's z = 0 with its flanks, shape (nx, ny), mm.

    Where the sole map ends, at 45 degrees, the scan's own points go on up to 85 degrees; beyond
    them and over holes the surface is continued. Finite everywhere.

    Parameters
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Nodes 1 mm apart, bed frame, mm.
    """
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import cKDTree

    z = seating.sole.height(*np.meshgrid(x, y, indexing="ij"))
    foot = measured.foot
    low = foot.vertices[:, 2] < FLANK_TOP_MM + 10.0
    normals = vertex_normals(foot.vertices, foot.faces)
    chosen = np.logical_and(low, normals[:, 2] < -FLANK_FACING)
    points = foot.vertices[chosen].copy()
    points[:, 2] -= lowering(measured, points[:, 0], points[:, 2], limits)
    points = points @ seating.foot_to_bed[:3, :3].T + seating.foot_to_bed[:3, 3]
    missing = ~np.isfinite(z)
    if len(points) > 3 and missing.any():
        gx, gy = np.meshgrid(x, y, indexing="ij")
        at = np.column_stack([gx[missing], gy[missing]])
        near, _ = cKDTree(points[:, :2]).query(at)
        found = LinearNDInterpolator(points[:, :2], points[:, 2])(at)
        edge = z[ndimage.binary_dilation(missing, iterations=2) & ~missing]
        floor = float(edge.min()) if len(edge) else -np.inf  # a flank rises from the sole
        z[missing] = np.where((near < FLANK_APART_MM) & (found > floor), found, np.nan)
    return continued(z)


def field_of(seating: Seating, measured: MeasuredFoot, outline: Array, limits: Limits) -> Field:
    """Return the grid over an outline, with the gap to the sole and its flanks."""
    low, high = outline.min(axis=0) - MARGIN_MM, outline.max(axis=0) + MARGIN_MM
    x, y = (np.arange(math.floor(low[k] / STEP_MM) * STEP_MM, high[k] + STEP_MM) for k in (0, 1))
    gx, gy = np.meshgrid(x, y, indexing="ij")
    bed = seating.bed.height(
        np.clip(gx, seating.bed.x[0], seating.bed.x[-1]),
        np.clip(gy, seating.bed.y[0], seating.bed.y[-1]),
    )
    bed = low_pass(bed, limits.value("feel.cutoff"))
    sole = flanked_sole(seating, measured, x, y, limits)
    calm = low_pass(sole, limits.value("feel.cutoff"))  # creases are not copied
    fine = ndimage.gaussian_filter(sole, FINE_SIGMA_MM, mode="nearest")
    steep = np.clip((np.hypot(*np.gradient(fine)) - FLANK_SLOPE[0]) / np.ptp(FLANK_SLOPE), 0, 1)
    steep = ndimage.gaussian_filter(steep, FLANK_SIGMA_MM, mode="nearest")
    gap = np.clip(np.minimum((1 - steep) * calm + steep * fine, fine) - bed, 0.0, None)
    depth = depth_in(outline, gx, gy)
    return Field(x=x, y=y, gx=gx, gy=gy, bed=bed, gap=gap, inside=depth > 0, depth=depth)


def breadths(seating: Seating, field: Field) -> tuple[Array, Array]:
    """Return share of length, and of the bed's breadth in from the lateral border."""
    share = (field.gx - seating.station) / seating.foot_length
    low, high = edges_at(seating.base, np.clip(field.x, 2.0, seating.base[:, 0].max() - 2.0))
    across = (field.gy - low[:, None]) / np.maximum(high - low, 1.0)[:, None]
    return share, across
