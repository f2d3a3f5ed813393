"""The closed line around the foot, from whatever was drawn.

    Flat -> contour -> Contour (ring of the stroke's middle, what of it was seen)

First a region: lines are widened until they close around something as large as a foot. Then a
path: around that region's border the crest of the line is followed, all the way round, by the
cheapest closed path; where the line has a gap the path goes straight on. Last the stroke's middle
at each place; of two strokes side by side see `strokes.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.outline.closed import bridged, cheapest, runs, smoothed
from footscan.outline.errors import OutlineError
from footscan.outline.line import PER_MM, Flat
from footscan.outline.over_edge import goes_over
from footscan.outline.strokes import crest_middle, stroke, two_strokes
from footscan.outline.toes import with_toes
from footscan.scan import Array

__all__ = ["STEP_MM", "Contour", "contour"]

FINE_PER_COARSE = 2  # regions are looked for at half the fineness
CLOSE_MM = (0.7, 1.5, 3.0, 5.0, 8.0, 12.0, 16.5)  # lines are widened by so much, in turn
STRONG, WEAK, LEAST_DARK = 10.0, 5.0, 0.015  # of the noise; and darkness that a crest has
JOIN_CELLS = 2  # regions nearer to each other are one
NOTE_MM = 30.0  # letters are smaller
SLIT_CELLS = 3  # half of a slit that is closed
SHORT_MM = 14.0  # shorter pieces are specks and letters
FOOT_CM2 = (85.0, 480.0)  # area within an outline
FOOT_LONG_MM = (165.0, 400.0)
STEP_MM = 0.5  # along the ring
REACH_MM, ACROSS_MM = 7.0, 0.25  # to both sides of the region's border
SEEN_DARK = 0.5  # of the line's usual crest: the line is seen
SMOOTH_MM = 1.2  # standard deviation along the ring
EDGE_MM = 2.6  # nearer to the sheet's edge the line may have run over it
GAP_MM, GAPS_SHARE = 44.0, 0.22  # the longest gap anywhere, and all gaps, that may be bridged
HIDDEN_MM = 8.0  # of the line below tape or a finger: what runs there cannot be guessed
SOLID_CM2 = 85.0  # covered paper: more than a hand's fingers
INNER_SHARE = 0.35  # lines inside an outline, as a share of its length: another outline
INNER_MM = 5.0
STRAIGHT_MM = 6.0  # standard deviation across: narrower pieces are no outline


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contour:
    """The middle of the drawn line.

    Attributes
    ----------
    ring : ndarray, shape (n, 2)
        Sheet's frame, mm, counter-clockwise, evenly spaced.
    seen : ndarray of bool, shape (n,)
        Where a line was seen, and not bridged.
    strokes_apart : ndarray, shape (n,)
        Distance of two strokes, mm; 0 where there is one.
    inner_taken : ndarray of bool, shape (n,)
        Where the inner one of two strokes was taken, and not their middle.
    longest_gap : float
        mm.
    width : float
        Of the stroke, mm.
    contrast : float
        Darkness of the line's crest.
    """

    ring: Array = field(repr=False)
    seen: NDArray[np.bool_] = field(repr=False)
    strokes_apart: Array = field(repr=False)
    inner_taken: NDArray[np.bool_] = field(repr=False)
    longest_gap: float
    width: float
    contrast: float


def contour(flat: Flat, name: str) -> Contour:
    """Return the outline on a flattened sheet.

    Raises
    ------
    footscan.outline.errors.OutlineError
        A foot still stands on the sheet, or there is no outline, two of them, one that runs
        over the edge, one with gaps too long, or one that something lies on.
    """
    crest = _crests(flat)
    region = _region(flat, crest, name)
    found = _followed(flat, _border(region))
    ring, seen = found.ring, found.seen
    covered = _at(flat, flat.solid.astype(np.float32), ring) > 0.5
    inner = np.minimum(
        np.minimum(ring[:, 0], flat.size[0] - ring[:, 0]),
        np.minimum(ring[:, 1], flat.size[1] - ring[:, 1]),
    )
    gaps = runs(~seen)
    for first, length in gaps:
        where = np.arange(first, first + length) % len(ring)
        if inner[where].min() < EDGE_MM:
            raise _touches(name)
    if inner.min() < EDGE_MM or goes_over(flat, crest, ring, seen, STEP_MM):
        raise _touches(name)
    hidden = max((length for _, length in runs(covered & ~seen)), default=0) * STEP_MM
    if hidden > HIDDEN_MM:
        raise OutlineError(
            "covered",
            f"{name}: something lies on the outline; clear the sheet, so that the "
            "whole line is seen",
        )
    if found.longest_gap > GAP_MM or (~seen).mean() > GAPS_SHARE:
        raise OutlineError(
            "open-outline",
            f"{name}: the outline is open over {found.longest_gap:.0f} mm and seen on "
            f"{100 * seen.mean():.0f} % of its way; draw the missing part and photograph it again",
        )
    _no_second(flat, crest, ring, name)
    return found


def _touches(name: str) -> OutlineError:
    return OutlineError(
        "touches-edge",
        f"{name}: the outline reaches the edge of the sheet; put the foot in the "
        "middle, and for a longer foot tape two sheets along their long sides",
    ).asking("sheet")


def _crests(flat: Flat) -> NDArray[np.bool_]:
    """Return where lines are: strong crests, and weak ones that hang together with them."""
    low = max(WEAK * flat.noise, LEAST_DARK * 0.5)
    high = max(STRONG * flat.noise, LEAST_DARK)
    mask = flat.ridge > low
    label, count = ndimage.label(mask, np.ones((3, 3)))
    if not count:
        return mask
    strongest = ndimage.maximum(flat.ridge, label, np.arange(1, count + 1))
    boxes = ndimage.find_objects(label)
    spans = np.array([np.hypot(b[0].stop - b[0].start, b[1].stop - b[1].start) for b in boxes])
    keep = np.concatenate([[False], (strongest > high) & (spans > SHORT_MM * PER_MM * 0.5)])
    return np.asarray(keep[label])


def _region(flat: Flat, crest: NDArray[np.bool_], name: str) -> NDArray[np.bool_]:
    """Return the region within the outline, at half the fineness, or say why there is none."""
    rows, columns = (n // FINE_PER_COARSE for n in crest.shape)
    f = FINE_PER_COARSE
    blocks = crest[: rows * f, : columns * f].reshape(rows, f, columns, f)
    lines: NDArray[np.bool_] = np.asarray(blocks.any(axis=(1, 3)))
    per_mm = PER_MM / f
    solid_cm2 = flat.solid.sum() / PER_MM**2 / 100.0
    for close in CLOSE_MM:
        found = _feet(lines, close * per_mm, per_mm)
        if len(found) > 1:
            raise OutlineError(
                "two-outlines",
                f"{name}: two outlines are on the sheet; draw each foot on a sheet of its own",
            )
        if found:
            if _overlap_cm2(flat, found[0]) > 0.35 * found[0].sum() / per_mm**2 / 100.0:
                raise _foot_there(name)
            bare = _without_notes(lines, per_mm)
            wider = [wide * per_mm for wide in CLOSE_MM if wide >= close]
            tries = ((_feet(bare, reach, per_mm), reach) for reach in wider)
            one, reach = next((t for t in tries if len(t[0]) == 1), (found, wider[0]))
            whole = with_toes(one[0], bare, reach)
            return whole if _foot_like(whole, per_mm) else one[0]
    if solid_cm2 > SOLID_CM2:
        raise _foot_there(name)
    framed = _without_notes(lines, per_mm)  # of tape's corners as well
    edge = int(4 * per_mm)
    reaches = framed.sum() > framed[edge:-edge, edge:-edge].sum()
    for side in (np.s_[:edge], np.s_[-edge:], np.s_[:, :edge], np.s_[:, -edge:]):
        framed[side] = True
    for close in CLOSE_MM[1:5] if reaches else ():
        at_edge = _feet(framed, close * per_mm, per_mm, framed=True)
        if at_edge:
            raise _touches(name)
    span = _largest_span(lines) / per_mm
    if span > 120.0:
        raise OutlineError(
            "open-outline",
            f"{name}: a line is on the sheet, but it does not close around a foot; "
            "draw the missing part and photograph it again",
        )
    raise OutlineError(
        "no-outline",
        f"{name}: no outline is seen on the sheet; draw around the foot with a dark "
        "pen and photograph the sheet without the foot",
    )


def _without_notes(lines: NDArray[np.bool_], per_mm: float) -> NDArray[np.bool_]:
    """Return lines without short pieces: a letter beside the outline would dent the region."""
    label, count = ndimage.label(lines, np.ones((3, 3)))
    keep = np.zeros(count + 1, dtype=bool)
    for k, box in enumerate(ndimage.find_objects(label), 1):
        keep[k] = np.hypot(*(side.stop - side.start for side in box)) > NOTE_MM * per_mm
    return np.asarray(keep[label])


def _foot_there(name: str) -> OutlineError:
    return OutlineError(
        "foot-on-sheet",
        f"{name}: a foot or something as large lies on the sheet; step off and "
        "photograph the sheet alone",
    )


def _feet(
    lines: NDArray[np.bool_], reach: float, per_mm: float, *, framed: bool = False
) -> list[NDArray[np.bool_]]:
    """Return regions as large and as long as a foot that the widened lines close around."""
    away = ndimage.distance_transform_edt(~lines)
    wide = away <= reach
    wide[[0, -1]] = wide[:, [0, -1]] = framed
    label, count = ndimage.label(~wide)
    if not count:
        return []
    outside = set(np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]])))
    found = []
    for k, box in enumerate(ndimage.find_objects(label), 1):
        if k in outside or box is None:
            continue
        area = int((label[box] == k).sum()) / per_mm**2 / 100.0
        if area < 0.25 * FOOT_CM2[0]:
            continue
        hole = ndimage.distance_transform_edt(label != k) <= reach + 0.5
        # what is left of a crease, where light hid the rest of it, cuts a slit into the region
        filled = ndimage.binary_fill_holes(ndimage.binary_closing(hole, iterations=SLIT_CELLS))
        found.append(filled)
    if not framed:  # between frame and outline there are regions as well, and all touch
        found = _joined(found)
    return [region for region in found if _foot_like(region, per_mm)]


def _joined(regions: list[NDArray[np.bool_]]) -> list[NDArray[np.bool_]]:
    """Return regions with those that touch made one: a line across an outline parts it."""
    if len(regions) < 2:
        return regions
    # a crease that crosses an outline is as broad as its own line
    whole = ndimage.binary_closing(np.logical_or.reduce(regions), iterations=JOIN_CELLS)
    label, count = ndimage.label(whole)
    return [ndimage.binary_fill_holes(label == k) for k in range(1, count + 1)]


def _foot_like(region: NDArray[np.bool_], per_mm: float) -> bool:
    area = region.sum() / per_mm**2 / 100.0
    if not FOOT_CM2[0] < area < FOOT_CM2[1]:
        return False
    points = np.argwhere(region)[::7] / per_mm
    sd = np.sqrt(np.linalg.eigvalsh(np.cov(points.T)))
    length, breadth = sd[1] * np.sqrt(12.0), sd[0] * np.sqrt(12.0)
    return bool(FOOT_LONG_MM[0] < length < FOOT_LONG_MM[1] and 1.7 < length / breadth < 4.5)


def _overlap_cm2(flat: Flat, region: NDArray[np.bool_]) -> float:
    rows, columns = (n * FINE_PER_COARSE for n in region.shape)
    f = FINE_PER_COARSE
    solid = flat.solid[:rows:f, :columns:f]
    return float((solid & region).sum()) / (PER_MM / f) ** 2 / 100.0


def _largest_span(lines: NDArray[np.bool_]) -> float:
    label, _ = ndimage.label(ndimage.binary_dilation(lines, iterations=3))
    boxes = ndimage.find_objects(label)
    return max((float(np.hypot(*(s.stop - s.start for s in box))) for box in boxes), default=0.0)


def _border(region: NDArray[np.bool_]) -> Array:
    """Return the border of a region as an evenly spaced ring in cells of the fine raster."""
    from skimage import measure

    soft = ndimage.gaussian_filter(np.pad(region, 3).astype(np.float32), 1.5)
    rings = measure.find_contours(soft, 0.5)
    ring = max(rings, key=len)[:-1] - 3
    ring = ring * FINE_PER_COARSE + (FINE_PER_COARSE - 1) / 2
    return _evenly(ring)


def _evenly(ring: Array) -> Array:
    """Return a closed ring resampled every :data:`STEP_MM`; rows and columns."""
    closed = np.concatenate([ring, ring[:1]])
    way = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    count = max(int(way[-1] / (STEP_MM * PER_MM)), 50)
    at = np.linspace(0, way[-1], count, endpoint=False)
    return np.stack([np.interp(at, way, closed[:, k]) for k in range(2)], axis=1)


def _normals(ring: Array, sigma_mm: float) -> Array:
    """Return the directions that look out of a ring."""
    smooth = ndimage.gaussian_filter1d(ring, sigma_mm / STEP_MM, axis=0, mode="wrap")
    ahead = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    area = np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    normal *= np.sign(area) / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return np.asarray(normal)


def _followed(flat: Flat, ring: Array) -> Contour:
    """Return the line that lies beside a ring of cells."""
    offsets = np.arange(-REACH_MM, REACH_MM + 1e-9, ACROSS_MM)
    for sigma in (2.0, 1.0):
        normal = _normals(ring, sigma)
        places = ring[:, None] + offsets[None, :, None] * PER_MM * normal[:, None]
        crest = ndimage.map_coordinates(flat.ridge, np.moveaxis(places, 2, 0), order=1)
        crest = np.maximum(crest, 0.0)
        usual = float(np.median(crest.max(axis=1)))
        gain = np.minimum(crest / max(usual, 4.0 * flat.noise), 1.0)
        path = cheapest(1.0 - gain + 0.02 * np.abs(offsets)[None, :] / REACH_MM)
        best = crest[np.arange(len(ring)), path]
        seen = best > max(SEEN_DARK * usual * 0.6, 3.0 * flat.noise)
        shift = crest_middle(crest, path, ACROSS_MM, REACH_MM)
        value, apart, inner = two_strokes(crest, shift, usual, offsets, normal, STEP_MM)
        value = smoothed(value, seen, SMOOTH_MM / STEP_MM)
        ring = bridged(ring + value[:, None] * PER_MM * normal, seen)
        if sigma > 1.0:  # dashes in a gap lie beyond the reach of a region that sags between them
            ring = _evenly(ring)
    mm = flat.to_mm(ring[:, 0], ring[:, 1])
    area = np.sum(mm[:, 0] * np.roll(mm[:, 1], -1) - np.roll(mm[:, 0], -1) * mm[:, 1])
    contrast, width = stroke(flat, ring, normal, seen)
    if area < 0:
        mm, seen, apart, inner = mm[::-1], seen[::-1], apart[::-1], inner[::-1]
    return Contour(
        ring=np.ascontiguousarray(mm),
        seen=np.array(seen),
        strokes_apart=np.array(apart),
        inner_taken=np.array(inner),
        longest_gap=max((length for _, length in runs(~seen)), default=0) * STEP_MM,
        width=width,
        contrast=contrast,
    )


def _at(flat: Flat, values: Array, mm: Array) -> Array:
    rows, columns = flat.to_cells(mm)
    return ndimage.map_coordinates(values, [rows, columns], order=0, mode="nearest")


def _no_second(flat: Flat, crest: NDArray[np.bool_], ring: Array, name: str) -> None:
    """Refuse an outline with another one inside or across it, or with much else inside."""
    import shapely
    from skimage.morphology import skeletonize

    thin = np.argwhere(skeletonize(crest))
    if not len(thin):
        return
    points = flat.to_mm(*thin.T.astype(float))
    area = shapely.Polygon(ring)
    shapely.prepare(area)
    away = shapely.distance(area.exterior, shapely.points(points))
    # a ruler's edges look like lines too, but do not hang together with the outline
    label, _ = ndimage.label(crest, np.ones((3, 3)))
    piece = label[thin[:, 0], thin[:, 1]]
    inside = shapely.contains_xy(area, points[:, 0], points[:, 1])
    far = (away > INNER_MM) & (inside | np.isin(piece, piece[away < 1.5]))
    for k in np.unique(piece[far]):  # a pen that was left lying, what is left of a crease
        own = far & (piece == k)
        if own.sum() > 3 and np.sqrt(np.linalg.eigvalsh(np.cov(points[own].T))[0]) < STRAIGHT_MM:
            far &= ~own
    length = far.sum() / PER_MM * 1.1
    if length > INNER_SHARE * area.exterior.length:
        raise OutlineError(
            "two-outlines",
            f"{name}: a second outline or much else is drawn on the sheet; draw "
            "each foot once, on a sheet of its own",
        )
