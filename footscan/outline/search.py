"""Where the sheet roughly lies: a bright, convex, four-sided region with four edges of its own.

    small picture -> candidates (several thresholds, several readings) -> rough, four corners

No single threshold parts white paper from wood in the sun or tile in the shade. So many are
tried, and every four-sided region is judged by the one thing that a sheet has: along each of its
sides it is brighter inside than outside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import ConvexHull, QhullError

from footscan.outline.straight import quads
from footscan.scan import Array

__all__ = ["LEAST", "Rough", "area_of", "is_part", "parted", "rough"]

LEAST_SHARE, MOST_SHARE = 0.012, 0.97  # of the picture, the sheet's area
STEP = 0.04  # of the inside's brightness: an edge of paper is at least so strong
EDGE_SEEN = 0.55  # share of each side that must show its edge
LEAST = 0.25  # score of what may be a sheet
PROBES = 48  # along each side
FULL = 0.50  # share of its four corners that a region fills: a leg may lie across
LONGEST = 2.4  # a side to the next, both in the mean with their opposites
STANDS_OUT = 1.25  # a sheet that is not all seen is brighter than what is around by this much
OUT_PX = 1.5
PART, WITHIN = 0.8, 0.8  # a part has less of the whole's area, and lies in it with so much
ALONG_PX = 5.0  # and so near to one of its sides
TONGUE_PX = 21  # narrower parts of a region are none of the sheet
BEYOND_MM, AS_BRIGHT = (20.0, 32.0, 44.0), 0.86  # behind a ruler; floors are darker
COARSE = 3  # every third pixel is enough for brightness and colour
WHITE = 0.34  # colour of paper, most less least over most: lamps tint it, skin and wood pass
COLOURED, NOT_PAPER = 0.07, 0.75  # off the paper's colour; so much of a sheet is none
NEAR_PX = (4.0, 9.0)  # a sheet's floor begins at once and goes on; a tile's joint does not

_Side = tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Rough:
    """A sheet, roughly.

    Attributes
    ----------
    corners : ndarray, shape (4, 2)
        x right, y down, in pixels of the picture given, in order around the sheet as seen.
    score : float
        0 to 1: the weakest side's share of edge, times the share of all.
    inside : bool
        Whether all corners lie in the picture.
    covered : float
        Share of it that something coloured lies on.
    """

    corners: Array
    score: float
    inside: bool
    covered: float = 0.0


def rough(rgb: Array) -> list[Rough]:
    """Return four-sided bright regions of a small picture, those that are all seen first.

    Parameters
    ----------
    rgb : ndarray, shape (h, w, 3), float
        0 to 1, some 400 pixels across.
    """
    lowest = ndimage.gaussian_filter(rgb.min(axis=2), 1.2)
    light = ndimage.gaussian_filter(rgb.mean(axis=2), 1.0)
    found: list[Rough] = []
    for mask in _masks(lowest, light):
        for corners in _quads(mask):
            candidate = _judged(corners, light)
            if candidate is not None and (covered := _covered(corners, rgb)) < NOT_PAPER:
                found.append(replace(candidate, covered=covered))
    for corners in quads(light, NEAR_PX, STEP):
        candidate = _judged(corners, light)
        if candidate is not None and (covered := _covered(corners, rgb)) < NOT_PAPER:
            found.append(replace(candidate, covered=covered))
    return sorted(found, key=lambda c: (c.inside and c.score > LEAST, c.score), reverse=True)


def _masks(lowest: Array, light: Array) -> list[NDArray[np.bool_]]:
    """Return the readings of "paper": brighter than a level, than around, or edged by steps."""
    masks = [lowest > level for level in np.quantile(lowest, np.linspace(0.25, 0.95, 11))]
    around = ndimage.gaussian_filter(lowest, max(lowest.shape) / 6)
    even = lowest / np.maximum(around, 0.02)
    masks += [even > level for level in (0.95, 1.05, 1.15, 1.25, 1.4)]
    slope = ndimage.gaussian_gradient_magnitude(light, 1.2) / np.maximum(light, 0.04)
    masks += [(slope < level) & (light > np.quantile(light, 0.2)) for level in (0.02, 0.035, 0.06)]
    return masks


def _quads(mask: NDArray[np.bool_]) -> list[Array]:
    """Return the corners of four-sided regions of a mask."""
    mask = ndimage.binary_opening(mask, iterations=1)
    # tape of paper's colour, fingers or a pen across an edge stand out as narrow tongues
    broad = ndimage.minimum_filter(mask.view(np.uint8), TONGUE_PX, mode="nearest")
    broad = ndimage.maximum_filter(broad, TONGUE_PX, mode="nearest").view(bool)
    found = _largest(mask)
    return found + (_largest(broad) if found else [])


def _largest(mask: NDArray[np.bool_]) -> list[Array]:
    """Return the corners of the largest four-sided regions of a mask."""
    label, count = ndimage.label(mask)
    if not count:
        return []
    sizes = np.bincount(label.ravel())
    sizes[0] = 0
    found = []
    for name in np.argsort(sizes)[::-1][:3]:
        if not LEAST_SHARE * 0.5 * mask.size < sizes[name] < MOST_SHARE * mask.size:
            continue
        quad = _quad(label == name)
        if quad is not None:
            found.append(quad)
    return found


def _quad(region: NDArray[np.bool_]) -> Array | None:
    """Return the four corners of a region's hull, None when it is not four-sided."""
    border = region & ~ndimage.binary_erosion(region)
    points = np.argwhere(border)[:, ::-1].astype(float)
    if len(points) < 8:
        return None
    try:
        ring = points[ConvexHull(points).vertices]
    except QhullError:
        return None
    quad = _four_sided(ring)
    if quad is None:
        return None
    area = area_of(quad)
    if not LEAST_SHARE * region.size < area < 1.3 * region.size:
        return None
    if region.sum() > FULL * area or ndimage.binary_fill_holes(region).sum() > FULL * area:
        return quad
    return None


def area_of(ring: Array) -> float:
    """Return the area within a ring."""
    x, y = ring[:, 0], ring[:, 1]
    return float(abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2)


def is_part(part: Array, whole: Array) -> bool:
    """Return whether a four-sided region lies within a larger one, along one of its sides.

    The lit part of a sheet, or what a leg leaves of it, ends where the sheet ends on one side at
    least; a sheet in a patch of sun does not.
    """
    import shapely

    if area_of(part) > PART * area_of(whole):
        return False
    within = shapely.intersection(shapely.Polygon(part), shapely.Polygon(whole)).area
    if within < WITHIN * area_of(part):
        return False
    sides = np.roll(whole, -1, axis=0) - whole
    normals = np.stack([-sides[:, 1], sides[:, 0]], axis=1)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    on = np.stack([np.abs((part - a) @ n) for a, n in zip(whole, normals, strict=True)]) < ALONG_PX
    return bool((on & np.roll(on, 1, axis=1)).any())


def _four_sided(ring: Array) -> Array | None:
    """Return the four-sided ring around a convex one: sides go, the cheapest first.

    A side goes by lengthening its two neighbours until they meet; the area that this adds is its
    price. So a corner that is hidden by a hand or curled comes back.
    """
    points: list[tuple[float, float]] = [tuple(p) for p in ring.tolist()]
    sides = list(zip(points, [*points[1:], points[0]], strict=True))
    while len(sides) > 4:
        bids = [
            _gone(sides[k - 1], sides[k], sides[(k + 1) % len(sides)]) for k in range(len(sides))
        ]
        k = min(range(len(sides)), key=lambda i: bids[i][0])
        price, meet = bids[k]
        if not np.isfinite(price):
            return None
        after = (k + 1) % len(sides)
        sides[k - 1], sides[after] = (sides[k - 1][0], meet), (meet, sides[after][1])
        del sides[k]
    return np.array([side[0] for side in sides]) if len(sides) == 4 else None


def _gone(before: _Side, side: _Side, after: _Side) -> tuple[float, tuple[float, float]]:
    """Return the area that it costs to leave `side` out, and where its neighbours then meet."""
    (ax, ay), (bx, by) = before
    (cx, cy), (dx, dy) = after
    ux, uy, vx, vy = bx - ax, by - ay, dx - cx, dy - cy
    across = ux * vy - uy * vx
    if abs(across) < 1e-9:
        return np.inf, (0.0, 0.0)
    t = ((cx - ax) * vy - (cy - ay) * vx) / across
    x, y = ax + t * ux, ay + t * uy
    back = (x - dx) * (cx - dx) + (y - dy) * (cy - dy)
    if t < 0 or back < 0:
        return np.inf, (0.0, 0.0)
    (px, py), (qx, qy) = side
    return abs((x - px) * (qy - py) - (y - py) * (qx - px)) / 2, (x, y)


def _judged(corners: Array, light: Array) -> Rough | None:
    """Return a candidate with the share of its sides that show an edge of paper."""
    high, wide = light.shape
    size = np.array([wide - 1, high - 1])
    inside = bool(((corners > -OUT_PX) & (corners < size + OUT_PX)).all())
    touches = ((corners < 2.5) | (corners > size - 2.5)).any(axis=1)
    inside = inside and not (touches & np.roll(touches, -1)).any()
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if not ((turns > 0).all() or (turns < 0).all()):
        return None
    length = np.linalg.norm(sides, axis=1)
    across, along = length[0] + length[2], length[1] + length[3]
    if max(across / along, along / across) > LONGEST or length.min() < 0.2 * length.max():
        return None
    middle = corners.mean(axis=0)
    shares = []
    for k in range(4):
        t = np.linspace(0.08, 0.92, PROBES)[:, None]
        on = corners[k] + t * sides[k]
        inward = np.array([-sides[k][1], sides[k][0]]) / length[k]
        inward *= np.sign(np.dot(inward, middle - corners[k]))
        steps = []
        for reach in NEAR_PX:
            within = ndimage.map_coordinates(
                light, (on + reach * inward).T[::-1], order=1, mode="nearest"
            )
            beyond_at = on - reach * inward
            beyond = ndimage.map_coordinates(light, beyond_at.T[::-1], order=1, mode="nearest")
            off = ((beyond_at < 0) | (beyond_at > size)).any(axis=1)
            steps.append(np.where(off, 0.0, (within - beyond) / np.maximum(within, 0.05)))
        shares.append(float((np.minimum(*steps) > STEP).mean()))
    weakest, mean = min(shares), float(np.mean(shares))
    if inside and weakest < EDGE_SEEN * 0.6:
        return None
    if not inside and not _stands_out(corners, light):
        return None
    score = (weakest if inside else sorted(shares)[1]) * mean
    return Rough(corners, score, inside)


def _stands_out(corners: Array, light: Array) -> bool:
    """Return whether what lies within four corners is much brighter than the rest."""
    light = light[::COARSE, ::COARSE]
    within = _within(corners, light.shape)
    if not within.any() or within.all():
        return False
    return bool(np.median(light[within]) > STANDS_OUT * np.median(light[~within]))


def _within(corners: Array, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which pixels of a picture, thinned, lie within four corners."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    sides = [
        (b[0] - a[0]) * (y * COARSE - a[1]) - (b[1] - a[1]) * (x * COARSE - a[0])
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)
    ]
    return np.asarray((np.min(sides, axis=0) > 0) | (np.max(sides, axis=0) < 0))


def parted(corners: Array, rgb: Array, per_mm: float) -> bool:
    """Return whether paper goes on beyond one side of a sheet: something parts it in two.

    Parameters
    ----------
    corners : ndarray, shape (4, 2)
        In pixels of `rgb`.
    rgb : ndarray, shape (h, w, 3), float
        0 to 1.
    per_mm : float
        Pixels in a mm of the sheet, about.
    """
    least = ndimage.gaussian_filter(rgb.min(axis=2), 1.0)
    middle = corners.mean(axis=0)
    size = np.array(least.shape[::-1]) - 1
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        on = a + np.linspace(0.1, 0.9, PROBES)[:, None] * (b - a)
        out = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
        out *= -np.sign(np.dot(out, middle - a))
        within = _read(least, on - 6.0 * per_mm * out)
        again = np.zeros(PROBES, dtype=bool)
        for beyond in BEYOND_MM:
            at = on + beyond * per_mm * out
            seen = ((at >= 0) & (at <= size)).all(axis=1)
            again |= seen & (_read(least, at) > AS_BRIGHT * within)
        if again.mean() > 0.6:
            return True
    return False


def _read(values: Array, at: Array) -> Array:
    return ndimage.map_coordinates(values, at.T[::-1], order=1, mode="nearest")


def _covered(corners: Array, rgb: Array) -> float:
    """Return the share of a sheet that has another colour than its bright parts; 1 if none is."""
    thin = rgb[::COARSE, ::COARSE]
    inside = thin[_within(corners, thin.shape)]
    if len(inside) < 50:
        return 1.0
    bright = inside[inside.mean(axis=1) >= np.quantile(inside.mean(axis=1), 0.7)]
    white = np.median(bright, axis=0)
    if (white.max() - white.min()) / max(float(white.max()), 1e-6) > WHITE:
        return 1.0
    share = inside / np.maximum(inside.sum(axis=1, keepdims=True), 0.05)
    away = np.linalg.norm((share - white / white.sum())[:, [0, 2]], axis=1)
    return float((away > COLOURED).mean())
