"""What parts share in plan: the medial notch, lines, and wished marks.

    base, pad and shims -> notch in the outline, label block

The notch is a sawtooth: its steep face looks to the heel, its slope runs out toward the toes. It
lies on the medial edge only, so that a loose part tells its side and its direction even when
the letters are ground away.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
from shapely import LineString, Polygon

from footscan.scan import Array, Side
from insole.parts.engraving import ARROW, CLEAR_MM, MARGIN_MM, mark_shape
from insole.parts.facts import Spot
from insole.parts.part import Mark
from insole.parts.solids import Height, ring

__all__ = ["edge_at", "height_lines", "label", "marks_along", "notched", "rings"]

NOTCH_ROOT_MM = 0.4  # radius at the root: a sharp one starts a crack
LABEL_TURN_DEG = 90.0  # letters upright when the toe end points up
ALONG_STEP_MM = 2.0
ALONG_TURN_DEG = 30.0  # a line that runs more across than this does not tell heel from toe
ALONG_SLOPE = 0.5  # steepest place for letters: rise over run
ALONG_BUMP_MM = 0.6  # letters on a bump deeper than they are cannot be read


def edge_at(polygon: Polygon, x: float, *, medial: bool = True) -> float:
    """Return y of the outline's medial (or lateral) edge at station `x`, mm.

    Raises
    ------
    ValueError
        The outline does not reach that station.
    """
    x0, y0, x1, y1 = polygon.bounds
    if not x0 <= x <= x1:
        raise ValueError(f"station {x:.1f} mm is outside the outline, {x0:.1f} to {x1:.1f} mm")
    cut = polygon.intersection(LineString([(x, y0 - 1), (x, y1 + 1)])).bounds
    return float(cut[3] if medial else cut[1])


def notched(
    polygon: Polygon, x: float, *, depth: float, length: float
) -> tuple[Polygon, Spot | None]:
    """Return the outline with a sawtooth notch in its medial edge, and a point inside the notch.

    The steep face stands at `x`, the slope ends `length` ahead of it. Where the notch would cut
    the part in two or meets another edge, the outline comes back as it was, with None.
    """
    try:
        rear, front = edge_at(polygon, x), edge_at(polygon, x + length)
    except ValueError:
        return polygon, None
    along = np.array([length, front - rear])
    along /= np.linalg.norm(along)
    inward = np.array([along[1], -along[0]])
    start = np.array([x, rear])
    reach = length * (1 + 2.0 / depth)
    corners = [-2.0 * inward, depth * inward, reach * along - 2.0 * inward]
    tooth = Polygon([start + corner for corner in corners])
    tooth = tooth.buffer(-NOTCH_ROOT_MM).buffer(NOTCH_ROOT_MM, quad_segs=4)
    left = polygon.difference(tooth)
    inside = start + 0.45 * depth * inward + 0.15 * length * along
    fits = isinstance(left, Polygon) and left.area > 0.9 * polygon.area
    if not fits or left.covers(shapely.Point(*inside)):
        return polygon, None
    return shapely.orient_polygons(left), Spot(float(inside[0]), float(inside[1]))


def rings(polygon: Polygon) -> tuple[Array, tuple[Array, ...]]:
    """Return outline (counter-clockwise) and holes (clockwise) of a polygon."""
    turned = shapely.orient_polygons(polygon)
    return ring(turned.exterior), tuple(ring(hole) for hole in turned.interiors)


def label(
    side: Side, texts: tuple[str, ...], centre: tuple[float, float], *, size: float
) -> tuple[Mark, ...]:
    """Return the wished label of a part: arrow, side in large letters, then `texts`.

    Letters are capitals, the arrow runs from heel to toe.
    """
    x, y = centre
    rows = ((ARROW, size), (side.value, size), *((text, 0.7 * size) for text in texts))
    return tuple(
        Mark(text=text.upper(), x=x, y=y, size=row_size, turn=LABEL_TURN_DEG)
        for text, row_size in rows
        if text.strip()
    )


def marks_along(
    texts: tuple[str, ...],
    strip: Polygon,
    line: LineString,
    height: Callable[[Array, Array], Array],
    *,
    size: float,
) -> tuple[Mark, ...]:
    """Return marks on the foot face along a line, each where the face is flattest.

    Parameters
    ----------
    texts : tuple of str
        In order of importance; the word and the arrow run from heel to toe.
    strip : Polygon
        Where letters may lie, worn frame, mm.
    line : LineString
        Middle of the strip; marks follow its direction.
    height : callable
        Height of the face at points in plan, mm.
    size : float
        Letter height, mm.

    Returns
    -------
    tuple of Mark
        Those that fit; a text that finds no room is left out.
    """
    found: list[Mark] = []
    for text in texts:
        best, least = None, np.inf
        for mark in _stops(text, line, size):
            shape = mark_shape(mark)
            cost = _unevenness(shapely.get_coordinates(shape.simplify(0.2)), height)
            if found:  # what belongs together is read together
                cost += 0.002 * float(np.hypot(mark.x - found[0].x, mark.y - found[0].y))
            if cost < least and strip.covers(shape):
                best, least = mark, cost
        if best is not None:
            found.append(best)
            strip = strip.difference(mark_shape(best).envelope.buffer(CLEAR_MM + MARGIN_MM))
    return tuple(found)


def _stops(text: str, line: LineString, size: float) -> list[Mark]:
    """Return a text at each stop along a line, reading from heel to toe."""
    mark = Mark(text=text, x=0.0, y=0.0, size=size, face="foot")
    stops = []
    for at in np.arange(0.0, line.length, ALONG_STEP_MM):
        rear, here, front = (
            np.array(line.interpolate((at + step) % line.length).coords[0]) for step in (-3, 0, 3)
        )
        along = front - rear
        turn = float(np.degrees(np.arctan2(*(along if along[0] >= 0 else -along)[::-1])))
        if abs(turn) <= ALONG_TURN_DEG:
            stops.append(replace(mark, x=float(here[0]), y=float(here[1]), turn=turn))
    return stops


def _unevenness(points: Array, height: Callable[[Array, Array], Array]) -> float:
    """Return slope plus bump under points; infinite where letters cannot be read."""
    z = height(points[:, 0], points[:, 1])
    level = np.column_stack([points - points.mean(axis=0), np.ones(len(points))])
    fit = np.linalg.lstsq(level, z, rcond=None)[0]
    slope, bump = float(np.hypot(*fit[:2])), float(np.ptp(z - level @ fit))
    return slope + bump if slope <= ALONG_SLOPE and bump <= ALONG_BUMP_MM else np.inf


def height_lines(
    height: Height,
    plan: Polygon,
    step: float = 1.0,
    *,
    cell: float,
    least: float,
    above: float | None = None,
) -> tuple[tuple[float, ...], tuple[Array, ...]]:
    """Return heights and contours of a face, `step` mm apart, inside an outline.

    Parameters
    ----------
    height : callable
        Height at places (x, y), mm.
    cell, least : float
        Grid on which lines are found, shortest line that is kept, mm.
    above : float or None
        Lines start above this height; None: at the lowest place inside the outline, and they end
        at the highest place inside.

    Returns
    -------
    levels : tuple of float
        Height of each line, mm; a level that comes in pieces is repeated.
    lines : tuple of ndarray, shape (n, 2)
        In plan; a closed one repeats its first point.
    """
    from skimage import measure

    x0, y0, x1, y1 = plan.bounds
    x, y = (np.arange(a, b + cell, cell) for a, b in ((x0, x1), (y0, y1)))
    gx, gy = np.meshgrid(x, y, indexing="ij")
    z = height(gx, gy)
    if above is None:
        seen = z[shapely.contains_xy(plan, gx, gy)]
        first, top = math.ceil(seen.min() / step), float(seen.max())
    else:
        first, top = math.floor(above / step) + 1, float(z.max())
    levels: list[float] = []
    lines: list[Array] = []
    for k in range(first, math.ceil(top / step)):
        for found in measure.find_contours(z, k * step):
            drawn = shapely.LineString(found * cell + [x0, y0]).intersection(plan)
            for line in shapely.get_parts(shapely.line_merge(drawn)):
                if line.length > least:
                    levels.append(round(k * step, 3))
                    lines.append(shapely.get_coordinates(line.simplify(0.01)))
    return tuple(levels), tuple(lines)
