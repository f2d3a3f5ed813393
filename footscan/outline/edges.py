"""The four edges of a sheet to a part of a pixel, with the lens's bend.

    grey picture + rough corners -> edges -> straight corners, bend, stray, smear

Points are looked for across each side, four lines and one radial term are fitted together; points
that lie off count little.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import ndimage

from footscan.outline.errors import OutlineError
from footscan.outline.search import Rough
from footscan.scan import Array

__all__ = ["bent", "cut_off", "edges"]

PROFILES = 130  # across each side
FROM_CORNER = 0.07  # share of a side at its ends that is left out: corners curl
REACH = (0.03, 0.02, 0.008)  # of the mean side: how far an edge is looked for, in turn
BEND_SD = 0.02  # of a telephone's lens at half the diagonal; value from memory
WITHIN_PX = 2.5  # within an edge the paper's own light is reached again
ON_LINE_PX, ON_LINE = 2.5, 0.5  # half of an edge's points lie so near to its line, or it is none
ON_HALF = 0.3  # and so many of either half's: a line through one half is no edge of the sheet
ROUNDS = 20  # of fitting, at most
SEEN = 0.35  # share of a side's edge that must be found


def cut_off(name: str) -> OutlineError:
    """Return the refusal of a sheet that is not all in the picture."""
    return OutlineError(
        "sheet-cut-off",
        f"{name}: the sheet is not all in the picture; step back until all four "
        "corners and some floor are seen",
    )


def edges(grey: Array, start: Rough, name: str) -> tuple[Array, float, float, float]:
    """Return straight corners, the lens's term, and stray and smear of the edges in pixels."""
    high, wide = grey.shape
    middle, half = np.array([wide - 1, high - 1]) / 2, float(np.hypot(wide, high) / 2)
    corners, bend = start.corners, 0.0
    size = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean())
    stray, smears = 0.0, [0.0]
    for reach in REACH:
        straight = straightened((corners - middle) / half, bend)
        points, sides, smears = [], [], []
        lens = _Lens(bend, middle, half)
        for k in range(4):
            ends = straight[k], straight[(k + 1) % 4]
            seen, smear = _side(grey, ends, lens, max(reach * size, 5.0))
            if len(seen) < SEEN * PROFILES:
                raise _no_edge(name)
            points.append(seen)
            sides.append(np.full(len(seen), k))
            smears.append(smear)
        lines, bend, stray = _fitted(
            (np.concatenate(points) - middle) / half, np.concatenate(sides), straight
        )
        straight = np.array([_crossing(lines[k - 1], lines[k]) for k in range(4)])
        corners = bent(straight, bend) * half + middle
    near = ON_LINE_PX * max(1.0, size / 530.0) / half
    for k in range(4):
        at = straightened((points[k] - middle) / half, bend)
        on = np.abs(at @ lines[k, :2] - lines[k, 2]) < near
        first = (at - straight[k]) @ (straight[(k + 1) % 4] - straight[k]) < (
            0.5 * float(np.sum((straight[(k + 1) % 4] - straight[k]) ** 2))
        )
        halves = [on[part].mean() if part.any() else 0.0 for part in (first, ~first)]
        if on.mean() < ON_LINE or min(halves) < ON_HALF:
            raise _no_edge(name)
    if ((corners < -2) | (corners > [wide + 1, high + 1])).any():
        raise cut_off(name)
    return straight * half + middle, bend, stray * half, float(np.median(smears))


def _no_edge(name: str) -> OutlineError:
    return OutlineError(
        "no-sheet",
        f"{name}: an edge of the sheet cannot be made out against the floor; lay the sheet on a "
        "darker floor, away from strong shadows",
    )


class _Lens(NamedTuple):
    """Straight places to the picture's: one radial term about its middle; half a diagonal is 1."""

    bend: float
    middle: Array
    half: float

    def seen(self, places: Array) -> Array:
        """Return where straight places are in the picture, pixels."""
        return bent(places, self.bend) * self.half + self.middle


def _side(grey: Array, ends: tuple[Array, Array], lens: _Lens, reach: float) -> tuple[Array, float]:
    """Return points on one edge, shape (n, 2), pixels, and its smear in pixels.

    From the first end to the last the sheet lies to the left, as the picture is seen.
    """
    first, last = ends
    t = np.linspace(FROM_CORNER, 1 - FROM_CORNER, PROFILES)[:, None]
    on = lens.seen(first + t * (last - first))
    along = last - first
    along = along / np.linalg.norm(along)
    out = np.array([-along[1], along[0]])
    step = max(reach / 22.0, 0.5)
    offsets = np.arange(-reach, reach + step / 2, step)
    beside = np.arange(-2, 3)[:, None, None, None] * 1.5 * along  # averaged along the edge
    places = on[None, :, None, :] + offsets[None, None, :, None] * out + beside
    profile = ndimage.map_coordinates(
        grey, [places[..., 1], places[..., 0]], order=1, mode="nearest"
    ).mean(axis=0)
    fall = -ndimage.gaussian_filter1d(profile, 1.0, axis=1, order=1)
    inner = np.median(profile[:, : len(offsets) // 4], axis=1)
    scale = np.maximum(inner, 10.0)[:, None]
    fall = fall / scale
    # the edge is the first strong fall outward, and paper's own light lies just within it: what
    # lies on the floor comes after it
    back = max(1, round(WITHIN_PX / step))
    within = np.concatenate([np.repeat(inner[:, None], back, 1), profile[:, :-back]], axis=1)
    paper = np.clip(within / scale, 0.0, 1.0) ** 2
    weight = fall * paper * (1.0 - 0.25 * np.linspace(-1, 1, len(offsets)))
    best = np.argmax(weight, axis=1)
    rows = np.arange(PROFILES)
    strong = (fall[rows, best] > 0.012) & (best > 1) & (best < len(offsets) - 2)
    best = np.clip(best, 1, len(offsets) - 2)
    a, b, c = fall[rows, best - 1], fall[rows, best], fall[rows, best + 1]
    shift = np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9), -0.5, 0.5)
    at = offsets[best] + shift * step
    points = on + at[:, None] * out
    clear = strong & np.isfinite(at)
    return points[clear], _smear(fall[clear], best[clear], step)


def _smear(fall: Array, best: Array, step: float) -> float:
    """Return the standard deviation of an edge's fall, pixels: area over height of its peak."""
    if not len(fall):
        return 0.0
    rows = np.arange(len(fall))[:, None]
    near = np.clip(best[:, None] + np.arange(-6, 7), 0, fall.shape[1] - 1)
    peak = np.maximum(fall[rows, near], 0.0)
    sigma = peak.sum(axis=1) / np.maximum(fall[rows[:, 0], best], 1e-9) / np.sqrt(2 * np.pi)
    return float(step * np.sqrt(max(np.median(sigma) ** 2 - 1.0, 0.04)))


def _fitted(points: Array, sides: Array, start: Array) -> tuple[Array, float, float]:
    """Return four lines (normal x, normal y, distance), the lens's term and the stray."""
    first = []
    for k in range(4):
        along = start[(k + 1) % 4] - start[k]
        angle = np.arctan2(-along[0], along[1])
        normal = np.array([np.cos(angle), np.sin(angle)])
        first += [angle, float(normal @ (start[k] + start[(k + 1) % 4]) / 2)]

    values = np.array([*first, 0.0])
    # about 35, 7, 1.5 and 0.7 pixels of a 12-megapixel photo
    for tight in (0.02, 0.004, 0.0008, 0.0004):
        values = _tightened(values, points, sides, tight)
    away, _ = _away(values, points, sides)
    away = np.abs(away)
    near = away < max(3.0 * float(np.median(away)) * 1.4826, 1e-5)
    stray = float(np.sqrt(np.mean(away[near] ** 2)))
    angles, distances = values[0:8:2], values[1:8:2]
    lines = np.stack([np.cos(angles), np.sin(angles), distances], axis=1)
    return lines, float(values[8]), stray


def _away(values: Array, points: Array, sides: Array) -> tuple[Array, Array]:
    """Return how far points lie off their lines, and how that turns with each value."""
    angle, distance = values[0:8:2][sides], values[1:8:2][sides]
    c, s = np.cos(angle), np.sin(angle)
    at = straightened(points, values[8])
    rows, slope = np.arange(len(points)), np.zeros((len(points), 9))
    slope[rows, 2 * sides] = at[:, 1] * c - at[:, 0] * s
    slope[rows, 2 * sides + 1] = -1.0
    slope[:, 8] = (points**2).sum(axis=1) * (points[:, 0] * c + points[:, 1] * s)
    return at[:, 0] * c + at[:, 1] * s - distance, slope


def _tightened(values: Array, points: Array, sides: Array, tight: float) -> Array:
    """Return the values that fit best where points further off than `tight` count little."""
    for _ in range(ROUNDS):
        away, slope = _away(values, points, sides)
        weight = 1.0 / (1.0 + (away / tight) ** 2)  # of Cauchy's loss
        normal = slope.T @ (weight[:, None] * slope)
        right = slope.T @ (weight * away)
        normal[8, 8] += (tight / BEND_SD) ** 2
        right[8] += (tight / BEND_SD) ** 2 * values[8]
        step = np.linalg.solve(normal, right)
        values = values - step
        if np.abs(step).max() < 1e-7:
            break
    return values


def _crossing(one: Array, other: Array) -> Array:
    return np.linalg.solve(np.array([one[:2], other[:2]]), np.array([one[2], other[2]]))


def straightened(seen: Array, bend: float) -> Array:
    """Return places as a lens without bend would show them; half the diagonal is 1."""
    r2 = (seen**2).sum(axis=-1, keepdims=True)
    return seen * (1.0 + bend * r2)


def bent(straight: Array, bend: float) -> Array:
    """Return places as the lens shows them: the inverse of :func:`straightened`."""
    seen = np.array(straight, dtype=float)
    for _ in range(8):
        r2 = (seen**2).sum(axis=-1, keepdims=True)
        seen = straight / (1.0 + bend * r2)
    return seen
