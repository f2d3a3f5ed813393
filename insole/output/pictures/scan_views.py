"""Views of a scan: from above, from the side, with what was not seen."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import ndimage

from footscan.checking.repeat import Comparison
from footscan.foot import Foot, SoleMap, sampled, vertex_normals
from footscan.quality.view import open_sole
from footscan.scan import Array
from insole.output.pictures.scan_page import (
    APART,
    APART_HATCHES,
    DARK,
    GREY,
    PALE,
    Mask,
    apart_colours,
    axes_at,
    hatched_with,
    medial_way,
    say,
    scale_bar,
)

__all__ = ["borders", "draw_views", "largest_gap"]

SILHOUETTE_TOP_MM = 60.0
SOLE_TOP_MM = 40.0  # no arch is as high: a surface up there is not the sole
GULF_MM = 12.0  # a gap narrower than twice this, open to the border, was sole as well
VIEW_CELL_MM = 1.5
VIEW_TOP_MM = 112.0  # the leg above this height is not drawn


def borders(foot: Foot) -> tuple[float, float]:
    """Return the most lateral and the most medial y of the foot below the ankle, mm."""
    y = foot.vertices[foot.vertices[:, 2] < SILHOUETTE_TOP_MM, 1]
    return float(y.min()), float(y.max())


def not_seen(foot: Foot) -> tuple[Mask, SoleMap]:
    """Return where there is foot from heel to ball but no sole to be seen, and the grid."""
    place = open_sole(foot)
    seen = ndimage.binary_closing(place.z < SOLE_TOP_MM, iterations=1)
    far = round(GULF_MM / place.cell)
    grown = ndimage.distance_transform_edt(~np.pad(seen, 2 * far)) <= far
    closed = ndimage.distance_transform_edt(grown) > far
    plan = ndimage.binary_fill_holes(closed[2 * far : -2 * far, 2 * far : -2 * far] | seen)
    outline = draw_silhouette(foot)
    if outline is not None:
        at = np.meshgrid(place.x, place.y, indexing="ij")
        # what hangs over the border by a few cells was not meant to be seen from below
        plan |= ndimage.binary_erosion(np.nan_to_num(outline.height(*at)) > 0.5, iterations=4)
    zone = (place.x > 0.03 * foot.length) & (place.x < 0.80 * foot.length)
    missing = ndimage.binary_opening(plan & ~seen & zone[:, None], iterations=1)
    return np.asarray(missing), place


def largest_gap(unseen: Mask, place: SoleMap, low: float, high: float) -> Array | None:
    """Return the middle (x, y) of the largest circle in what was not seen, or None."""
    inside = unseen & ((place.x >= low) & (place.x <= high))[:, None]
    if not inside.any():
        return None
    depth = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    i, j = np.unravel_index(int(depth.argmax()), depth.shape)
    return np.array([place.x[i], place.y[j]])


def draw_silhouette(foot: Foot) -> SoleMap | None:
    """Return 1 where anything of the foot lies in plan, 0 elsewhere; None without faces there."""
    low = foot.faces[(foot.vertices[foot.faces, 2] < SILHOUETTE_TOP_MM).all(axis=1)]
    if len(low) == 0:
        return None
    points = sampled(foot.vertices, low, 1.0)[:, :2]
    start = np.floor(points.min(axis=0)) - 4.0
    index = np.round(points - start).astype(int)
    filled = np.zeros(tuple(index.max(axis=0) + 6), dtype=bool)
    filled[index[:, 0], index[:, 1]] = True
    filled = ndimage.binary_fill_holes(ndimage.binary_closing(filled, iterations=2))
    x, y = (start[k] + np.arange(filled.shape[k], dtype=float) for k in range(2))
    return SoleMap(x=x, y=y, z=filled.astype(float), cell=1.0)


def draw_views(figure: Any, comparison: Comparison, foot: Foot) -> None:
    """Draw the signed distances from below, above and both sides."""
    across, p = medial_way(foot), foot.vertices
    # from its medial side a left foot points to the right
    way, normals = -across, vertex_normals(foot.vertices, foot.faces)
    edges = np.linalg.norm(p[foot.faces[:, 0]] - p[foot.faces[:, 1]], axis=1)
    gap = int(np.clip(np.ceil(1.2 * np.median(edges) / VIEW_CELL_MM), 3, 8))
    views = (
        ("from below", (2.0, 29.0, 43.0, 105.0), across * p[:, 1], p[:, 0], p[:, 2]),
        ("from above", (46.0, 29.0, 43.0, 105.0), -across * p[:, 1], p[:, 0], -p[:, 2]),
        ("medial side", (92.0, 92.0, 114.0, 43.0), way * p[:, 0], p[:, 2], -p[:, 1]),
        ("lateral side", (92.0, 49.0, 114.0, 43.0), -way * p[:, 0], p[:, 2], p[:, 1]),
    )
    facing = (-normals[:, 2], normals[:, 2], normals[:, 1], -normals[:, 1])
    for (title, box, u, v, depth), front in zip(views, facing, strict=True):
        seen = (front > 0.0) & (p[:, 2] < VIEW_TOP_MM)
        axes = axes_at(figure, *box)
        axes.axis("off")
        drawn = p[:, 2] < VIEW_TOP_MM
        _draw_outline(axes, u[drawn], v[drawn])
        _draw_view(axes, np.stack([u, v, depth], axis=1)[seen], comparison.signed[seen], gap)
        axes.set_aspect("equal", anchor="N")
        axes.set_xlim(u[drawn].min() - 5.0, u[drawn].max() + 5.0)
        axes.set_ylim(v[drawn].min() - (16.0 if box[0] < 90.0 else 3.0), v[drawn].max() + 3.0)
        at = 0.0 if box[0] < 90.0 or u[np.argmax(p[:, 0])] < 0 else 84.0
        say(
            figure,
            box[0] + 1.0 + at,
            box[1] + box[3] + (5.0 if box[0] < 90.0 else -3.0),
            title,
            colour=GREY,
        )
        leg = drawn & (p[:, 2] > 0.85 * min(VIEW_TOP_MM, float(p[:, 2].max())))
        if title == "from above" and p[:, 2].max() > VIEW_TOP_MM:
            axes.text(u[leg].mean(), v[leg].mean(), "leg", color=GREY, ha="center", va="center")
        if title == "from below":
            scale_bar(axes, axes.get_xlim()[0], axes.get_ylim()[0] + 2.0)


def _draw_view(axes: Any, points: Array, signed: Array, gap: int) -> None:
    """Draw the distances at the frontmost points, spread over `gap` cells between them.

    Points, shape (n, 3), are to the right, up, and away from the eye, mm.
    """
    cell, depth = VIEW_CELL_MM, points[:, 2]
    start = points[:, :2].min(axis=0) - (gap + 1) * cell
    index = np.round((points[:, :2] - start) / cell).astype(int)
    shape = tuple(index.max(axis=0) + gap + 2)
    front = np.full(shape, np.inf)
    np.minimum.at(front, (index[:, 0], index[:, 1]), depth)
    front = ndimage.minimum_filter(front, size=3)
    own = depth <= front[index[:, 0], index[:, 1]] + 4.0
    at, value = index[own], signed[own]
    hit = np.zeros(shape, dtype=bool)
    hit[at[:, 0], at[:, 1]] = True
    body = _without_specks(ndimage.binary_closing(hit, iterations=gap))
    known = np.isfinite(value)
    count, total = np.zeros(shape), np.zeros(shape)
    np.add.at(count, (at[known, 0], at[known, 1]), 1.0)
    np.add.at(total, (at[known, 0], at[known, 1]), value[known])
    near = ndimage.distance_transform_edt(~hit, return_distances=False, return_indices=True)
    unknown = body & (count[near[0], near[1]] == 0)
    from_u, from_v = ndimage.distance_transform_edt(
        count == 0, return_distances=False, return_indices=True
    )
    mean = ndimage.gaussian_filter((total / np.maximum(count, 1.0))[from_u, from_v], 1.0)
    at_u, at_v = (start[k] + cell * np.arange(shape[k]) for k in range(2))
    axes.contourf(
        at_u,
        at_v,
        np.where(body & ~unknown, np.clip(mean, -99.0, 99.0), np.nan).T,
        levels=(-100.0, *APART, 100.0),
        colors=apart_colours(),
        hatches=APART_HATCHES,
    )
    hatched_with(axes, at_u, at_v, unknown.T, PALE, "xxx", zorder=2)


def _draw_outline(axes: Any, u: Array, v: Array) -> None:
    """Draw the outline of everything there, the cut of the leg included."""
    start = np.array([u.min(), v.min()]) - 4 * VIEW_CELL_MM
    index = np.round((np.stack([u, v], axis=1) - start) / VIEW_CELL_MM).astype(int)
    hit = np.zeros(tuple(index.max(axis=0) + 5), dtype=bool)
    hit[index[:, 0], index[:, 1]] = True
    body = ndimage.binary_fill_holes(ndimage.binary_closing(hit, iterations=3))
    at_u, at_v = (start[k] + VIEW_CELL_MM * np.arange(hit.shape[k]) for k in range(2))
    border = ndimage.gaussian_filter(body.astype(float), 1.0)
    axes.contour(at_u, at_v, border.T, levels=[0.5], colors=DARK, linewidths=0.9, zorder=4)


def _without_specks(mask: Mask) -> Mask:
    """Return the mask without pieces of fewer than 60 cells: single points seen past an edge."""
    labels, _ = ndimage.label(mask)
    large = np.bincount(labels.ravel()) >= 60
    large[0] = False
    return np.asarray(large[labels])
