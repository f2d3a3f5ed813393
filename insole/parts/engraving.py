"""Text and arrows cut into a face, so that they read right on the worn part.

    wished marks + region that is thick enough -> fitted marks -> solid with recesses

Letters come from the outline font that the plotting library carries (DejaVu Sans Bold), without
hinting: the same shapes on every machine. A mark on the shoe face is read from below, so its
letters run mirrored in plan coordinates; that is the only difference between the faces, and it
is the same for left and right parts because marks are placed after mirroring.

A wish that stands alone at its place and fits there as it is stays exactly there, at any turn.

Rules: letters at least 4 mm high, recesses 0.4 mm deep, none where the part is thinner than
1.2 mm (common practice, no source). A mark that fits nowhere stays on the papers.
"""

from __future__ import annotations

import math
import warnings
from collections import Counter
from dataclasses import replace
from functools import lru_cache
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Polygon, affinity
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array

if TYPE_CHECKING:
    from insole.parts.part import Mark

__all__ = [
    "ARROW",
    "DEPTH_MM",
    "MIN_LETTER_MM",
    "MIN_THICKNESS_MM",
    "fit_marks",
    "least_letter",
    "mark_shape",
]

ARROW = ">"
SIDES = ("LEFT", "RIGHT")
DEPTH_MM = 0.4
MIN_LETTER_MM = 4.0
STROKE_SHARE = 0.25  # of a stroke in the height of the letters
STROKE_NOZZLES = 1.2  # a recess narrower than that closes in the print; common practice, no source
MIN_THICKNESS_MM = 1.2
MARGIN_MM = 0.8  # kept between letters and the border of the region
ROW_GAP = 0.45  # clear space between rows, in letter heights
ARROW_LENGTH = 2.4  # in letter heights
SIZE_STEP_MM = 0.5
TURN_GAIN = 1.6  # letters must grow by this before a block is turned away from its wish
NEAR_MM = 20.0  # letters shrink rather than move further than this from their wished place
ALONE_MM = 5.0  # largest letters of rows that had to leave their block
LARGEST_MM = (math.inf, 5.0, 4.0)  # tried in turn until every mark finds room
CLEAR_MM = 0.4  # around placed marks, the margin on top
CELL_MM = 0.5


def mark_shape(mark: Mark) -> BaseGeometry:
    """Return the area of a mark in plan, mm, worn frame.

    Letters on the shoe face are laid out to be read from below: along the reading direction they
    run as usual, and their tops point to the right-hand side of it instead of the left.
    """
    shape = _arrow() if mark.text == ARROW else _letters(mark.text)
    turn = math.radians(mark.turn)
    along = np.array([math.cos(turn), math.sin(turn)])
    up = np.array([-along[1], along[0]]) * (-1.0 if mark.face == "shoe" else 1.0)
    s = mark.size
    matrix = [along[0] * s, up[0] * s, along[1] * s, up[1] * s, mark.x, mark.y]
    return affinity.affine_transform(shape, matrix)


@lru_cache(maxsize=256)
def _letters(text: str) -> BaseGeometry:
    """Return text as polygons, capital letters one unit high, centred on the origin."""
    from matplotlib import get_data_path
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path as Outline
    from matplotlib.textpath import text_to_path

    font = FontProperties(fname=Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf")
    height = np.ptp(np.asarray(text_to_path.get_text_path(font, "H")[0])[:, 1])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a letter that the font lacks is cut as an empty box
        found, codes = text_to_path.get_text_path(font, text)
    points = np.asarray(found, dtype=float)
    rings = [np.asarray(r, dtype=float) / height for r in Outline(points, codes).to_polygons()]
    rings = [r for r in rings if len(r) > 3]
    turns = [shapely.is_ccw(shapely.linearrings(r)) for r in rings]
    ink = shapely.union_all([Polygon(r) for r, ccw in zip(rings, turns, strict=True) if not ccw])
    holes = shapely.union_all([Polygon(r) for r, ccw in zip(rings, turns, strict=True) if ccw])
    shape = ink.difference(holes).simplify(0.004)
    x0, _, x1, _ = shape.bounds
    return affinity.translate(shape, -(x0 + x1) / 2, -0.5)


def _arrow() -> BaseGeometry:
    """Return an arrow along +x, one unit high, centred on the origin."""
    half = ARROW_LENGTH / 2
    neck, shaft = half - 0.85, 0.13
    upper = [(-half, shaft), (neck, shaft), (neck, 0.5), (half, 0.0)]
    return Polygon([*upper, *[(x, -y) for x, y in upper[-2::-1]]])


def least_letter(nozzle: float = 0.0) -> float:
    """Return the smallest letters, mm, whose strokes a nozzle leaves open: at least 4 mm.

    Examples
    --------
    >>> least_letter(0.4), least_letter(1.0) > 4.0
    (4.0, True)
    """
    return max(MIN_LETTER_MM, STROKE_NOZZLES * nozzle / STROKE_SHARE)


def fit_marks(
    region: BaseGeometry, wishes: tuple[Mark, ...], least: float = MIN_LETTER_MM
) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    """Return the marks that fit into `region`, and those that do not.

    Wishes with the same centre form a block of centred rows, kept together where possible. Each
    block takes the largest letters that fit, not above the wished size, as near its wished
    centre as possible; blocks are served in order.

    Parameters
    ----------
    region : shapely geometry
        Where the part is thick enough, worn frame, mm.
    wishes : tuple of Mark
        Texts with wished centre, largest size and reading direction.
    least : float
        Smallest letters, mm; what is wished smaller is made so large.

    Returns
    -------
    placed, left_over : tuple of Mark
    """
    best: tuple[list[Mark], list[Mark]] | None = None
    for most in LARGEST_MM:
        tried = _fit(region, _sized(wishes, most, least), least)
        if best is None or len(tried[1]) < len(best[1]):
            best = tried
        if not best[1]:
            break
    placed, left = best or ([], [])
    return tuple(placed), tuple(left)


def _sized(wishes: tuple[Mark, ...], most: float, least: float) -> tuple[Mark, ...]:
    """Return wishes not larger than `most`, and not smaller than a `least` above the usual."""
    low = least if least > MIN_LETTER_MM else 0.0
    return tuple(replace(mark, size=max(min(mark.size, most), low)) for mark in wishes)


def _fit(
    region: BaseGeometry, wishes: tuple[Mark, ...], least: float
) -> tuple[list[Mark], list[Mark]]:
    """Return placed marks and those without room: block by block, else row by row."""
    placed = _settled(region, wishes)
    left: list[Mark] = []
    region = _without(region, placed)
    wishes = tuple(mark for mark in wishes if mark not in placed)
    for _, group in groupby(wishes, key=lambda mark: (mark.x, mark.y)):
        rows = tuple(group)
        found = _best_block(region, rows, least)
        if not found:
            found, missed = _apart(region, rows, least)
            left += missed
        region = _without(region, found)
        placed += found
    return placed, left


def _settled(region: BaseGeometry, wishes: tuple[Mark, ...]) -> list[Mark]:
    """Return the wishes that lie well where they are, each alone at its centre."""
    inner = region.buffer(-MARGIN_MM + 1e-6)
    centres = Counter((mark.x, mark.y) for mark in wishes)
    settled: list[Mark] = []
    for mark in wishes:
        shape = mark_shape(mark)
        free = all(shape.distance(mark_shape(other)) >= CLEAR_MM for other in settled)
        if centres[mark.x, mark.y] == 1 and free and inner.covers(shape):
            settled.append(mark)
    return settled


def _apart(
    region: BaseGeometry, rows: tuple[Mark, ...], least: float
) -> tuple[list[Mark], list[Mark]]:
    """Return rows with the arrow beside their block, or if that fails all of them scattered."""
    words = tuple(row for row in rows if row.text != ARROW)
    if 1 < len(words) < len(rows):
        block = _best_block(region, words, least)
        arrow = tuple(row for row in rows if row.text == ARROW)
        beside = _scatter(_without(region, block), arrow, least) if block else ([], list(arrow))
        if not beside[1]:
            return [*beside[0], *block], []
    return _scatter(region, rows, least)


def _scatter(
    region: BaseGeometry, rows: tuple[Mark, ...], least: float
) -> tuple[list[Mark], list[Mark]]:
    """Return rows placed one by one, the side first, then the longest, and the rest.

    The smallest letters are packed from a corner, where they waste the least room.
    """
    placed: list[Mark] = []
    missed: list[Mark] = []
    for row in sorted(rows, key=lambda row: (row.text not in SIDES, -len(row.text))):
        wish = replace(row, size=max(min(row.size, ALONE_MM), least))
        if row.size <= least and not region.is_empty:
            wish = replace(wish, x=region.bounds[0], y=region.bounds[1])
        found = _best_block(region, (wish,), least)
        region = _without(region, found)
        placed += found
        missed += [] if found else [row]
    return placed, missed


def _without(region: BaseGeometry, marks: list[Mark]) -> BaseGeometry:
    if not marks:
        return region
    boxes = [mark_shape(mark).minimum_rotated_rectangle.buffer(CLEAR_MM) for mark in marks]
    return region.difference(shapely.union_all(boxes))


def _best_block(region: BaseGeometry, rows: tuple[Mark, ...], least: float) -> list[Mark]:
    """Return the rows at their largest size, turned only if letters gain a lot by it."""
    raster = _Raster(region)
    if raster.free.size == 0:
        return []
    wished = rows[0].turn
    blocks = [_largest(raster, rows, turn, least) for turn in (wished, 90.0 - wished)]
    if blocks[0] and blocks[1]:
        sizes = [max(mark.size for mark in block) for block in blocks]
        return blocks[1] if sizes[1] > TURN_GAIN * sizes[0] else blocks[0]
    return blocks[0] or blocks[1]


def _largest(raster: _Raster, rows: tuple[Mark, ...], turn: float, least: float) -> list[Mark]:
    largest = max(mark.size for mark in rows)
    count = max(0, round((largest - least) / SIZE_STEP_MM))
    for near in (NEAR_MM, math.inf):
        for step in range(count + 1):
            block = _block(rows, 1.0 - step * SIZE_STEP_MM / largest, turn, least)
            place = raster.nearest(block, (rows[0].x, rows[0].y), near)
            if place is not None:
                return [replace(mark, x=mark.x + place[0], y=mark.y + place[1]) for mark in block]
    return []


def _block(rows: tuple[Mark, ...], factor: float, turn: float, least: float) -> list[Mark]:
    """Return the rows stacked around the origin, first row on top."""
    angle = math.radians(turn)
    face = -1.0 if rows[0].face == "shoe" else 1.0
    up = np.array([-math.sin(angle), math.cos(angle)]) * face
    marks, heights = [], []
    for row in rows:
        size = max(least, round(row.size * factor, 3))
        own_turn = 0.0 if row.text == ARROW else turn
        mark = replace(row, x=0.0, y=0.0, size=size, turn=own_turn)
        x0, y0, x1, y1 = mark_shape(mark).bounds
        marks.append(mark)
        heights.append(abs(up[0]) * (x1 - x0) + abs(up[1]) * (y1 - y0))
    gaps = [ROW_GAP * min(a.size, b.size) for a, b in pairwise(marks)]
    top = (sum(heights) + sum(gaps)) / 2
    stacked = []
    for mark, height, gap in zip(marks, heights, [*gaps, 0.0], strict=True):
        offset = up * (top - height / 2)
        stacked.append(replace(mark, x=float(offset[0]), y=float(offset[1])))
        top -= height + gap
    return stacked


class _Raster:
    """Where a rectangle fits: a summed-area table of the cells outside the region."""

    def __init__(self, region: BaseGeometry) -> None:
        inner = region.buffer(-MARGIN_MM)
        if inner.is_empty:
            self.free = np.zeros((0, 0), dtype=bool)
            return
        x0, y0, x1, y1 = inner.bounds
        self.x = np.arange(x0 + CELL_MM / 2, x1, CELL_MM)
        self.y = np.arange(y0 + CELL_MM / 2, y1, CELL_MM)
        shapely.prepare(inner)
        self.free = shapely.contains_xy(inner, *np.meshgrid(self.x, self.y, indexing="ij"))
        self.table = np.zeros((len(self.x) + 1, len(self.y) + 1), dtype=np.int64)
        self.table[1:, 1:] = np.cumsum(np.cumsum(~self.free, axis=0), axis=1)

    def nearest(self, block: list[Mark], wish: tuple[float, float], near: float) -> Array | None:
        """Return the place nearest to `wish`, at most `near` mm off, where all rows are free."""
        fits = np.ones(self.free.shape, dtype=bool)
        for mark in block:
            fits &= self._fits(mark_shape(mark).bounds)
        if not fits.any():
            return None
        i, j = np.nonzero(fits)
        distance = (self.x[i] - wish[0]) ** 2 + (self.y[j] - wish[1]) ** 2
        best = int(distance.argmin())
        if distance[best] > near**2:
            return None
        return np.array([self.x[i[best]], self.y[j[best]]])

    def _fits(self, bounds: tuple[float, float, float, float]) -> Array:
        """Return for each cell as a block's centre whether the box around it is free."""
        low = np.floor(np.array(bounds[:2]) / CELL_MM).astype(int)
        high = np.ceil(np.array(bounds[2:]) / CELL_MM).astype(int) + 1
        rows, columns = self.free.shape
        i, j = np.arange(rows)[:, None], np.arange(columns)[None, :]
        inside = (i + low[0] >= 0) & (j + low[1] >= 0)
        inside = inside & (i + high[0] <= rows) & (j + high[1] <= columns)
        i0, i1 = (np.clip(i + k, 0, rows) for k in (low[0], high[0]))
        j0, j1 = (np.clip(j + k, 0, columns) for k in (low[1], high[1]))
        table = self.table
        busy = table[i1, j1] - table[i0, j1] - table[i1, j0] + table[i0, j0]
        return np.asarray(inside & (busy == 0))
