"""The sheet in a photograph: its edges to a part of a pixel, the lens's bend, the paper's kind.

    Photo -> find -> Sheet (mm <-> pixels)

The sheet is the only scale. Its four edges are straight, so what they are bent by in the picture
is the lens: one radial term is fitted with the four lines. Corners are where the lines meet, so
that a curled or hidden corner does not count. Paper is told from its proportions, through the
camera's own geometry.

Frame of a sheet: mm, seen from above, u along the short side, v along the long side. Which end is
up is not known; nothing is mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from footscan.outline import paper as papers
from footscan.outline.errors import OutlineError
from footscan.outline.paper import Paper
from footscan.outline.photo import Photo
from footscan.outline.search import LEAST, Rough, area_of, parted, rough
from footscan.scan import Array

__all__ = ["Sheet", "find"]

SMALL_PX = 400  # the longer side of the picture that is searched
PROFILES = 130  # across each side
FROM_CORNER = 0.07  # share of a side at its ends that is left out: corners curl
REACH = (0.022, 0.008)  # of the mean side: how far an edge is looked for, first and then
BEND_SD = 0.02  # of a telephone's lens at half the diagonal; value from memory
NOT_FLAT_MM = 1.2  # edges that stray further from straight: a sheet that does not lie flat
LEAST_PX_PER_MM = 1.6
BLURRED_PX = 1.35  # a sharp photo from afar smears an edge by its own pixels
BLURRED_MM = 0.55  # standard deviation of an edge's smear
COVERED = 0.20  # of the sheet: more than a ruler
WITHIN_PX = 2.5  # within an edge the paper's own light is reached again
ROUNDS = 20  # of fitting, at most
SEEN = 0.35  # share of a side's edge that must be found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """A sheet that was found.

    Attributes
    ----------
    paper : Paper
        Its kind, with the size that millimetres come from.
    evidence : str
        How the kind was told.
    corners : ndarray, shape (4, 2)
        Pixels of the photo, x right and y down; the frame's (0, 0), (u, 0), (u, v), (0, v).
    bend : float
        Radial term of the lens at half the diagonal; 0 is none.
    stray : float
        mm by which the edges stray from straight, root mean square.
    smear : float
        mm, standard deviation of the edges' blur.
    px_per_mm : float
        Along the smaller of both directions.
    """

    paper: Paper
    evidence: str
    corners: Array
    bend: float
    stray: float
    smear: float
    px_per_mm: float
    turn: Array = field(repr=False)  # mm to straight pixels about the middle, 3 x 3
    middle: Array = field(repr=False)
    half: float

    def pixels(self, mm: Array) -> Array:
        """Return where places on the sheet, shape (..., 2), lie in the photo, pixels."""
        mm = np.asarray(mm, dtype=float)
        flat = mm @ self.turn[:, :2].T + self.turn[:, 2]
        return _bent(flat[..., :2] / flat[..., 2:], self.bend) * self.half + self.middle


def find(photo: Photo, stated: str | None = None) -> Sheet:
    """Return the sheet in a photograph.

    Parameters
    ----------
    photo : Photo
        Upright.
    stated : str or None
        Key of :data:`footscan.outline.paper.PAPERS`; None tells A4 from Letter.

    Raises
    ------
    footscan.outline.errors.OutlineError
        No sheet, not all of it, too small, not flat, blurred, or another paper than stated.
    """
    weights = np.array([0.3, 0.55, 0.15], dtype=np.float32)
    grey = np.asarray(photo.rgb.astype(np.float32) @ weights)
    start = _start(photo)
    corners, bend, stray_px, smear_px = _edges(grey, start, photo.name)
    high, wide = grey.shape
    middle, half = np.array([wide - 1, high - 1]) / 2, float(np.hypot(wide, high) / 2)
    straight = (corners - middle) / half
    focal = photo.focal / half if photo.focal else None
    paper, order, evidence = papers.tell(straight, focal, stated, photo.name)
    straight = straight[order]
    turn = papers.homography(paper.ring, straight)
    sides = np.linalg.norm(np.roll(straight, -1, axis=0) - straight, axis=1) * half
    scale = float(min(sides[0::2].min() / paper.short, sides[1::2].min() / paper.long))
    mean = float(sides.sum() / (2 * (paper.short + paper.long)))
    _near_enough(scale, photo.name)
    if stray_px / mean > NOT_FLAT_MM:
        raise OutlineError(
            "not-flat",
            f"{photo.name}: the sheet's edges stray {stray_px / mean:.1f} mm from "
            "straight; tape the sheet down flat and photograph it again",
        )
    if smear_px / mean > max(BLURRED_MM, BLURRED_PX / scale):
        raise OutlineError(
            "blurred",
            f"{photo.name} is blurred: the sheet's edge is smeared over "
            f"{2 * smear_px / mean:.1f} mm; hold the telephone still, in good light, and try again",
        )
    bent = _bent(straight, bend) * half + middle
    return Sheet(
        paper=paper,
        evidence=evidence,
        corners=bent,
        bend=bend,
        stray=stray_px / mean,
        smear=smear_px / mean,
        px_per_mm=scale,
        turn=turn,
        middle=middle,
        half=half,
    )


def _start(photo: Photo) -> Rough:
    """Return the sheet roughly, in the photo's pixels, or say what is wrong."""
    high, wide = photo.rgb.shape[:2]
    step = max(1, round(max(high, wide) / SMALL_PX))
    cut = photo.rgb[: high // step * step, : wide // step * step]
    small = cut.reshape(high // step, step, wide // step, step, 3).mean(axis=(1, 3)) / 255.0
    found = _likeliest(rough(small), small.shape, photo)
    if found is None or found.score < LEAST:
        raise OutlineError(
            "no-sheet",
            f"{photo.name}: no sheet of paper is seen; lay the white sheet on a darker "
            "floor and photograph all of it from above",
        )
    if found.covered > COVERED:
        raise OutlineError(
            "foot-on-sheet",
            f"{photo.name}: a foot or something as large lies on the sheet; step "
            "off and photograph the sheet alone",
        )
    if not found.inside:
        raise _cut_off(photo.name)
    sides = np.linalg.norm(np.roll(found.corners, -1, axis=0) - found.corners, axis=1) * step
    scale = float(sides.sum()) / (2 * (papers.PAPERS["letter"].short + 297.0))
    _near_enough(scale, photo.name)
    if parted(found.corners, small, scale / step):
        raise OutlineError(
            "covered",
            f"{photo.name}: paper goes on beyond an edge of the sheet: something lies "
            "across it, or the floor is as white; clear the sheet and lay it on a darker floor",
        )
    corners = found.corners * step + (step - 1) / 2
    x, y = corners.T
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0:  # y runs down: the other way round
        corners = corners[::-1]
    return Rough(corners, found.score, True)


def _likeliest(found: list[Rough], shape: tuple[int, ...], photo: Photo) -> Rough | None:
    """Return the region most like a sheet: by its edges, its proportions, its size.

    Parts of a sheet, beside a hand, have edges too, but seldom the proportions of paper.
    """
    seen = [one for one in found if one.inside and one.score > LEAST]
    if not seen:
        return found[0] if found else None
    middle, half = (np.array(shape[1::-1]) - 1) / 2, float(np.hypot(shape[0], shape[1])) / 2
    focal = None
    if photo.focal:
        focal = photo.focal * 2 / float(np.hypot(photo.rgb.shape[0], photo.rgb.shape[1]))

    def like(one: Rough) -> float:
        off = papers.unlike((one.corners - middle) / half, focal)
        size = area_of(one.corners) / (shape[0] * shape[1])
        return one.score - 4.0 * max(0.0, off - 0.03) + 0.3 * size

    return max(seen, key=like)


def _near_enough(scale: float, name: str) -> None:
    """Refuse a sheet that is too small in the picture, pixels in a mm."""
    if scale < LEAST_PX_PER_MM:
        raise OutlineError(
            "too-small",
            f"{name}: the sheet shows only {scale:.1f} pixels in a mm, at least "
            f"{LEAST_PX_PER_MM:g} are needed; go nearer, so that the sheet fills the picture",
        )


def _cut_off(name: str) -> OutlineError:
    return OutlineError(
        "sheet-cut-off",
        f"{name}: the sheet is not all in the picture; step back until all four "
        "corners and some floor are seen",
    )


def _edges(grey: Array, start: Rough, name: str) -> tuple[Array, float, float, float]:
    """Return straight corners, the lens's term, and stray and smear of the edges in pixels."""
    high, wide = grey.shape
    middle, half = np.array([wide - 1, high - 1]) / 2, float(np.hypot(wide, high) / 2)
    corners, bend = start.corners, 0.0
    size = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean())
    stray, smears = 0.0, [0.0]
    for reach in REACH:
        straight = _straight((corners - middle) / half, bend)
        points, sides, smears = [], [], []
        lens = _Lens(bend, middle, half)
        for k in range(4):
            ends = straight[k], straight[(k + 1) % 4]
            seen, smear = _side(grey, ends, lens, max(reach * size, 5.0))
            if len(seen) < SEEN * PROFILES:
                raise OutlineError(
                    "no-sheet",
                    f"{name}: an edge of the sheet cannot be made out against the "
                    "floor; lay the sheet on a darker floor, away from strong shadows",
                )
            points.append(seen)
            sides.append(np.full(len(seen), k))
            smears.append(smear)
        lines, bend, stray = _fitted(
            (np.concatenate(points) - middle) / half, np.concatenate(sides), straight
        )
        straight = np.array([_crossing(lines[k - 1], lines[k]) for k in range(4)])
        corners = _bent(straight, bend) * half + middle
    if ((corners < -2) | (corners > [wide + 1, high + 1])).any():
        raise _cut_off(name)
    return straight * half + middle, bend, stray * half, float(np.median(smears))


class _Lens(NamedTuple):
    """Straight places to the picture's: one radial term about its middle; half a diagonal is 1."""

    bend: float
    middle: Array
    half: float

    def seen(self, places: Array) -> Array:
        """Return where straight places are in the picture, pixels."""
        return _bent(places, self.bend) * self.half + self.middle


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
    at = _straight(points, values[8])
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


def _straight(bent: Array, bend: float) -> Array:
    """Return places as a lens without bend would show them; half the diagonal is 1."""
    r2 = (bent**2).sum(axis=-1, keepdims=True)
    return bent * (1.0 + bend * r2)


def _bent(straight: Array, bend: float) -> Array:
    """Return places as the lens shows them: the inverse of :func:`_straight`."""
    bent = np.array(straight, dtype=float)
    for _ in range(8):
        r2 = (bent**2).sum(axis=-1, keepdims=True)
        bent = straight / (1.0 + bend * r2)
    return bent
