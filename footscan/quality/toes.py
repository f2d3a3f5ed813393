"""How the toes were held and whether they were seen apart: curled, lifted, run together.

    View -> quality.toes.findings -> footscan.quality.findings

Toes that are held stiff change the arch (a lifted big toe raises it), and toes that run together
are those of a sock or of a scan smoothed over.

Terms
    roof, floor   highest and lowest skin over a cell of the plan
    cleft         a valley of the roof between two toes, 1.5 mm deep and more
"""

from __future__ import annotations

import numpy as np

from footscan.quality.limits import grade
from footscan.quality.view import View, cast
from footscan.results import Finding
from footscan.scan import Array, Kind

__all__ = ["clefts", "curl", "findings", "lift"]

REAR = 0.74  # share of length from which the plan is drawn
HEAD = 0.74  # the big toe turns about here
PAD = (0.86, 0.95)  # its pad
CLEFTS, CLEFT_MM = (0.80, 0.94), 1.5
BASE = (0.775, 0.81)  # of the toes, where a claw dips
KNUCKLES = (0.83, 0.90)
HANG_MM = 4.0  # toes of a foot in the air hang by as much anyway
SIDE = (0.88, 0.95)
BREADTH = 0.37  # of the length: usual foot breadth, for strips over the toes
BIG_TOE = (0.05, 0.18)  # strips in from the big toe's side, as shares of the breadth
SECOND_THIRD = (0.30, 0.58)
LEAST_CELLS = 25


def findings(view: View) -> list[Finding]:
    """Return findings about the toes; none where the top was not scanned."""
    if view.foot.kind not in (Kind.STANDING, Kind.HANGING):
        return []
    plan = _plan(view)
    if plan is None:
        return []
    found = []
    angle, bend, number = lift(*plan), curl(*plan), clefts(*plan)
    if angle is not None:
        found += grade(
            "toe-lifted",
            angle,
            f"The big toe is lifted by {angle:.0f}°, which raises the arch.",
            "Let the toes rest and scan again.",
            "toes",
        )
    if bend is not None:
        found += grade(
            "toes-curled",
            bend,
            f"The toes are curled: their knuckles or tips stand off by {bend:.0f} mm.",
            "Let the toes rest and scan again.",
            "toes",
        )
    if number is not None:
        found += grade(
            "toes-joined",
            number,
            f"The toes run together: {number:.0f} of 4 clefts between them can be seen.",
            "Scan the bare foot, and turn off smoothing in the scanner's program.",
            "toes",
        )
    return found


def _plan(view: View) -> tuple[Array, Array, Array, Array] | None:
    """Return stations as shares of length, y in mm, roof and floor per cell; None without toes."""
    foot = view.foot
    low = np.array([np.floor(REAR * foot.length), np.floor(foot.vertices[:, 1].min()) - 1.0])
    faces = foot.faces[(foot.vertices[foot.faces, 0] > low[0] - 1.0).all(axis=1)]
    if not len(faces):
        return None
    hits = cast(foot.vertices, faces, 2, low, 1.0)
    if len(hits.height) < 500:
        return None
    shape = tuple(hits.line.max(axis=0) + 1)
    roof, floor = np.full(shape, -np.inf), np.full(shape, np.inf)
    at = (hits.line[:, 0], hits.line[:, 1])
    np.maximum.at(roof, at, hits.height)
    np.minimum.at(floor, at, hits.height)
    none = ~np.isfinite(roof)
    roof[none] = floor[none] = np.nan
    x = (low[0] + np.arange(shape[0])) / foot.length
    y = (low[1] + np.arange(shape[1])) / (BREADTH * foot.length)
    return x, y, roof, floor


def _strip(x: Array, y: Array, roof: Array, share: tuple[float, float]) -> Array:
    """Return which columns of the plan lie in a strip in from the big toe's side."""
    there = np.isfinite(roof[(x > SIDE[0]) & (x < SIDE[1])]).any(axis=0)
    side = y[there].max() if there.any() else y.max()
    return (y < side - share[0]) & (y > side - share[1])


def _along(x: Array, strip: Array, zone: tuple[float, float]) -> Array:
    """Return the finite values of a strip between two stations."""
    part = strip[(x > zone[0]) & (x < zone[1])]
    return part[np.isfinite(part)]


def lift(x: Array, y: Array, roof: Array, floor: Array) -> float | None:
    """Return the angle from the ball to the lowest skin of the big toe's pad, degrees."""
    inside = (x > PAD[0]) & (x < PAD[1])
    pad = floor[inside][:, _strip(x, y, roof, BIG_TOE)]
    known = np.isfinite(pad).sum(axis=1) >= 5
    if known.sum() < 8:
        return None
    height = np.nanpercentile(pad[known], 25, axis=1)
    step = (x[1] - x[0]) if len(x) > 1 else 1.0
    away = (x[inside][known] - HEAD) / step  # cells are 1 mm
    angle = np.degrees(np.arctan2(height, away))
    return float(np.percentile(angle, 10))


def curl(x: Array, y: Array, roof: Array, floor: Array) -> float | None:
    """Return how far knuckles rise above the toes' base, or tips hang beyond the usual, mm."""
    strip = _strip(x, y, roof, SECOND_THIRD)
    base, knuckles = (_along(x, roof[:, strip], zone) for zone in (BASE, KNUCKLES))
    tips = floor[x > PAD[0]]
    tips = tips[np.isfinite(tips)]
    if min(len(base), len(knuckles), len(tips)) < LEAST_CELLS:
        return None
    rise = float(np.percentile(knuckles, 90) - np.percentile(base, 75))
    return max(rise, -float(np.percentile(tips, 2)) - HANG_MM)


def clefts(x: Array, y: Array, roof: Array, floor: Array) -> float | None:
    """Return how many clefts lie between the toes, the better part of the stations; 4 at most."""
    counts = []
    for row in roof[(x > CLEFTS[0]) & (x < CLEFTS[1])][::2]:
        height = row[np.isfinite(row)]
        if len(height) >= LEAST_CELLS:
            counts.append(_valleys(height, CLEFT_MM))
    return min(4.0, float(np.percentile(counts, 80))) if len(counts) >= 4 else None


def _valleys(height: Array, depth: float) -> int:
    """Return how many valleys have sides of at least `depth` on both sides.

    As ``scipy.signal.find_peaks`` by prominence, whose import takes 0.3 s.
    """
    count, inside, turn = 0, False, float(height[0]) if len(height) else 0.0
    for value in height:
        if inside:
            turn = min(turn, float(value))
            if value - turn >= depth:
                count, inside, turn = count + 1, False, float(value)
        else:
            turn = max(turn, float(value))
            if turn - value >= depth:
                inside, turn = True, float(value)
    return count
