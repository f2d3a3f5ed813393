"""Rings as a machine likes them: arcs and straight lines in place of hundreds of short chords.

    ring -> arcs_of -> vertices with bulges, within 0.02 mm of the ring -> DXF, SVG, STEP

A bulge is the tangent of a quarter of the angle that an arc turns through on its way to the next
vertex, positive counter-clockwise; 0 is a straight line.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from footscan.scan import Array

__all__ = ["arcs_of", "thinned"]

LINE = 0.004  # mm that a vertex of the ring may lie off a straight line
ARC = 0.012  # mm that a vertex may lie off an arc
CHORD = 0.0195  # mm that a chord's middle may: a corner of 15 mm radius has it at 0.0188
CORNER = math.radians(28.0)  # a sharper bend is a corner, and no arc runs over it
TURN = math.radians(200.0)  # most that one arc turns through
FLAT = 2e-4  # bulge below which an arc is a line
LEAST = 0.05  # mm: no segment is shorter


def thinned(points: Array, *, closed: bool) -> Array:
    """Return the points without those that make segments shorter than the least, ends kept.

    Of two that are too close the one goes that the line bends less at.
    """
    kept = np.asarray(points, dtype=float)
    while len(kept) > (3 if closed else 2):
        ahead = np.roll(kept, -1, axis=0) if closed else kept[1:]
        steps = np.hypot(*(ahead - kept[: len(ahead)]).T)
        k = int(np.argmin(steps))
        if steps[k] >= LEAST:
            break
        pair = (k, (k + 1) % len(kept))
        costs = [_bulk(kept, i, closed=closed) for i in pair]
        kept = np.delete(kept, pair[int(np.argmin(costs))], axis=0)
    return kept


def _bulk(points: Array, at: int, *, closed: bool) -> float:
    """Return how far a line moves when one of its points goes, mm; an end never goes."""
    if not closed and at in (0, len(points) - 1):
        return math.inf
    a, b, p = points[at - 1], points[(at + 1) % len(points)], points[at]
    long = math.hypot(*(b - a))
    if long < 1e-9:
        return math.hypot(*(p - a))
    return abs(float((b - a)[0] * (p - a)[1] - (b - a)[1] * (p - a)[0])) / long


def arcs_of(ring: Array) -> Array:
    """Return a closed ring as vertices with bulges, shape (n, 3): x, y in mm and bulge."""
    points = np.ascontiguousarray(ring, dtype=float)
    return _arcs(points.tobytes(), len(points)).copy()


@lru_cache(maxsize=256)
def _arcs(data: bytes, count: int) -> Array:
    points = np.frombuffer(data).reshape(count, 2)
    corners = np.flatnonzero(_bend(points) > CORNER)
    start = int(corners[0]) if len(corners) else _longest(points)
    found = _greedy(np.roll(points, -start, axis=0))
    if not len(corners) and len(found) > 2:  # begin where one piece ends of its own accord
        joint = int(np.argmin(np.hypot(*(points - found[1, :2]).T)))
        found = _greedy(np.roll(points, -joint, axis=0))
    return found


def _bend(points: Array) -> Array:
    """Return how far a ring turns at each vertex, radians, without sign."""
    after = np.roll(points, -1, axis=0) - points
    before = points - np.roll(points, 1, axis=0)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.abs(np.arctan2(cross, (before * after).sum(axis=1)))


def _longest(points: Array) -> int:
    """Return the vertex at which the longest straight piece begins."""
    return int(np.argmax(np.hypot(*(np.roll(points, -1, axis=0) - points).T)))


def _greedy(points: Array) -> Array:
    """Return the fewest pieces from the first vertex on, each as long as it may be."""
    path = np.vstack([points, points[:1]])
    last = len(path) - 1
    stops = np.append(np.flatnonzero(_bend(points) > CORNER), last)
    rows: list[tuple[float, float, float]] = []
    at = 0
    while at < last:
        most = int(stops[stops > at][0])
        end, bulge = at + 1, 0.0
        step, low, high = 3, at + 1, most
        while at + step <= most:  # farther and farther, then halved in between
            fits = _fit(path[at : at + step + 1])
            if fits is None:
                high = at + step - 1
                break
            low, end, bulge = at + step, at + step, fits
            step *= 2
        while low < high:
            middle = (low + high + 1) // 2
            fits = _fit(path[at : middle + 1])
            if fits is None:
                high = middle - 1
            else:
                low, end, bulge = middle, middle, fits
        rows.append((float(path[at, 0]), float(path[at, 1]), bulge))
        at = end
    return np.array(rows)


def _median(values: Array) -> float:
    """Return the median of a few values: numpy's own takes ten times as long for so few."""
    ordered, half = sorted(values.tolist()), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


def _fit(points: Array) -> float | None:
    """Return the bulge of the line or arc from first to last that stays near all; None: none."""
    if len(points) < 3:
        return 0.0
    start, chord = points[0], points[-1] - points[0]
    long = math.hypot(*chord)
    if long < LEAST:
        return None
    along = (points[1:-1] - start) @ chord / long
    aside = (points[1:-1] - start) @ np.array([-chord[1], chord[0]]) / long
    if along.min() > 0 and along.max() < long and np.abs(aside).max() <= LINE:
        return 0.0
    if len(points) < 4:  # any three points lie on a circle
        return None
    a, b = start - points[1:-1], points[-1] - points[1:-1]
    seen = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1))
    # seen from a point of the arc, the ends stand half the outer turn apart: the rest is the bulge
    sweep = 2.0 * (np.pi - np.abs(seen)) * np.sign(-seen)
    middle = np.argsort(np.abs(along - long / 2))[: max(len(along) // 3, 1)]
    turn = _median(sweep[middle])
    if not 0.0 < abs(turn) <= TURN or (np.sign(sweep) != np.sign(turn)).mean() > 0.2:
        return None
    bulge = math.tan(turn / 4.0)
    if abs(bulge) < FLAT:
        return None
    radius = long / (2.0 * math.sin(abs(turn) / 2.0))
    off = long / 2.0 / math.tan(turn / 2.0)
    centre = start + chord / 2 + off * np.array([-chord[1], chord[0]]) / long
    whole = np.hypot(*(points - centre).T) - radius
    halves = np.hypot(*((points[1:] + points[:-1]) / 2 - centre).T) - radius
    if np.abs(whole).max() > ARC or np.abs(halves).max() > CHORD:
        return None
    angle = np.unwrap(np.arctan2(*(points - centre).T[::-1]))
    steps = np.diff(angle) * np.sign(turn)
    if steps.min() <= 0 or abs(angle[-1] - angle[0] - turn) > 1e-6:
        return None
    return bulge
