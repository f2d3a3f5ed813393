"""Single-stroke capitals read by their shape: polylines -> rows of text and arrows.

The alphabet is a dot matrix of five by seven, drawn for reading only. A letter is what lies
nearest to it, both ways, measured from the strokes to the dots and back. Writing and reading
share nothing but the shapes that people know letters by; a mirrored or garbled letter is near to
none of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from insole.readback.alphabet import DOTS, SLANTED

__all__ = ["UNREAD", "Arrow", "Row", "Shape", "read_rows", "take_arrows"]

Points = NDArray[np.float64]

UNREAD = "?"  # stands for a shape that is no letter; an empty box is what cannot be written
PITCH = 5.6 / 6.0  # from letter to letter, in letter heights
FARTHEST = 0.62  # of a letter's grid: mean distance at which a shape is still that letter
CELL = 0.1  # grid units of the rasters in which distances are looked up
RIM = 3.0  # grid units round a letter in them
BENDS = 20  # points: no stroke of a letter has so many
TALLEST = 11.0  # mm; what is longer is no stroke of a letter
SURE = 0.3  # mean distance below which text stands the right way up
ONE_WAY = set("ABCDEFGJKLPQRTUVY2347")  # letters that are no letters upside down
MANY = 9  # straight strokes: no word has so many without a bent one
NEAR = 1.9  # letter heights: what lies further from the last stroke begins another text


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A polyline, shape (n, 2), mm, and whether it is closed."""

    points: Points
    closed: bool = False


BREAK = Shape(np.zeros((0, 2)))  # stands where something was taken out of the order of writing


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A row of text: what it says, its centre and reading direction, letter height, mm."""

    text: str
    at: Points
    along: Points
    height: float


@dataclass(frozen=True, slots=True, eq=False)
class Arrow:
    """An arrow: its tail and tip, mm."""

    tail: Points
    tip: Points

    @property
    def along(self) -> Points:
        """Return the direction it points in, of length one."""
        step = self.tip - self.tail
        return np.asarray(step / np.linalg.norm(step))


def take_arrows(shapes: Sequence[Shape]) -> tuple[list[Arrow], list[Shape]]:
    """Return the arrows among strokes, and the other strokes in their order, arrows parting them.

    A shaft is a straight line; its head is an angle with two even arms whose point is at one end
    of the shaft, the arms leaning back along it.
    """
    heads = {
        k: shape.points
        for k, shape in enumerate(shapes)
        if len(shape.points) == 3 and not shape.closed
    }
    arrows: list[Arrow] = []
    gone: set[int] = set()
    for k, (a, tip, b) in heads.items():
        arms = np.linalg.norm(a - tip), np.linalg.norm(b - tip)
        if abs(arms[0] - arms[1]) > 0.02 * max(arms):
            continue
        back = (a + b) / 2 - tip
        for i in (k - 1, k + 1):
            if i in gone or not 0 <= i < len(shapes) or len(shapes[i].points) != 2:
                continue
            for tail, end in (shapes[i].points, shapes[i].points[::-1]):
                long = np.linalg.norm(tail - end)
                if np.linalg.norm(end - tip) < 0.05 * long and long > 2.0 * max(arms):
                    lean = float(np.dot(back, tail - end) / (np.linalg.norm(back) * long))
                    if lean > 0.99:
                        arrows.append(Arrow(tail=tail, tip=tip))
                        gone |= {k, i}
    rest = [BREAK if i in gone else shape for i, shape in enumerate(shapes)]
    return arrows, rest


# ------------------------------------------------------------------ rows


def read_rows(shapes: Sequence[Shape]) -> list[Row]:
    """Return the rows of text among strokes that are given in the order of writing.

    Letters that cannot be told are `UNREAD`; what has no letter in it is no text and left out.
    """
    rows: list[Row] = []
    for chunk in _chunks(shapes):
        start = chunk[0][0]
        key = b"|".join(np.round((p - start) * 50).astype(np.int32).tobytes() for p in chunk)
        if key not in _READ:
            if len(_READ) > 2048:
                _READ.clear()
            found = _best_rows(chunk)
            if any(UNREAD in row.text for row in found) and 6 <= len(chunk) <= 60:
                found = _parted(chunk) or found
            _READ[key] = [replace(row, at=row.at - start) for row in found]
        rows += [replace(row, at=row.at + start) for row in _READ[key]]
    return rows


def _ticks(chunk: list[Points]) -> bool:
    """Return whether strokes are ticks of a scale: straight ones, many and square to each other."""
    if any(len(points) != 2 for points in chunk):
        return False
    steps = np.array([points[1] - points[0] for points in chunk])
    turned = np.exp(2j * np.arctan2(steps[:, 1], steps[:, 0]))
    if np.abs(turned - turned[0]).max() < 0.05:  # no word is all strokes of one direction
        return True
    return len(chunk) < 3 or len(chunk) >= MANY


def _parted(chunk: list[Points]) -> list[Row]:
    """Return the rows of two texts that stand close together at different turns, if all read.

    Parted a stroke too early an E ends as a C, and its bar begins the next text as a row of its
    own: of all ways to part them the one with the fewest rows counts, then the nearest letters.
    """
    found: list[tuple[int, float, list[Row]]] = []
    for k in range(3, len(chunk) - 2):
        cost, first = _best(chunk[:k])
        if first and not any(UNREAD in row.text for row in first):
            more, second = _best(chunk[k:])
            if second and not any(UNREAD in row.text for row in second):
                found.append((len(first) + len(second), cost + more, [*first, *second]))
    return min(found, key=lambda way: way[:2])[2] if found else []


def _chunks(shapes: Sequence[Shape]) -> Iterator[list[Points]]:
    """Yield strokes that follow one another closely, as letters do."""
    chunk: list[Points] = []
    tall = 0.0
    last: tuple[Points, Points] | None = None
    for shape in shapes:
        if not len(shape.points):
            if chunk:
                yield chunk
            chunk, last, tall = [], None, 0.0
            continue
        points = np.vstack([shape.points, shape.points[:1]]) if shape.closed else shape.points
        low, high = points.min(axis=0), points.max(axis=0)
        size = float((high - low).max())
        if size > TALLEST or len(points) > BENDS:
            if chunk:
                yield chunk
            chunk, last, tall = [], None, 0.0
            continue
        if last is not None:
            gap = np.maximum(np.maximum(low - last[1], last[0] - high), 0.0)
            if float(np.hypot(*gap)) > NEAR * max(tall, size):
                yield chunk
                chunk, tall = [], 0.0
        chunk.append(points)
        tall, last = max(tall, size), (low, high)
    if chunk:
        yield chunk


def _best_rows(chunk: list[Points]) -> list[Row]:
    """Return the rows of a text, read the way round in which most of it are letters."""
    return _best(chunk)[1]


def _best(chunk: list[Points]) -> tuple[float, list[Row]]:
    """Return the mean distance to letters, grid units, and the rows; none for what is no text."""
    if _ticks(chunk):
        return np.inf, []
    steps = np.vstack([np.diff(points, axis=0) for points in chunk])
    long = np.hypot(*steps.T)
    turned = np.exp(4j * np.arctan2(steps[:, 1], steps[:, 0]))
    best: tuple[float, list[Row]] = (np.inf, [])
    for base in _leanings(turned, long):
        for turn in base + np.pi / 2 * np.arange(4):
            cost, rows = _rows_at(chunk, float(turn))
            if cost < best[0] - 1e-9:
                best = (cost, rows)
            if best[0] < SURE and any(ONE_WAY & set(row.text) for row in best[1]):
                return best
    return best


def _leanings(turned: NDArray[np.complex128], long: Points) -> list[float]:
    """Return the directions of most strokes, modulo a right angle, the likeliest first."""
    angles = np.round(np.angle(turned) / 4, 3)
    found, place = np.unique(angles, return_inverse=True)
    weight = np.bincount(place, long)
    # slips of rounding between neighbours: the sum of the nearest
    near = np.abs(np.angle(np.exp(4j * (found[:, None] - found[None, :])))) < 0.04
    order = np.argsort(-(near @ weight), kind="stable")
    picked: list[float] = []
    for k in order:
        if all(abs(np.angle(np.exp(4j * (found[k] - other)))) > 0.04 for other in picked):
            picked.append(float(found[k]))
        if len(picked) == 3:
            break
    return picked


def _rows_at(chunk: list[Points], turn: float) -> tuple[float, list[Row]]:
    """Return the mean distance to letters and the rows, with the text turned by `turn`."""
    c, s = np.cos(turn), np.sin(turn)
    back = np.array([[c, -s], [s, c]])  # rows of points are turned by -turn
    laid = [points @ back for points in chunk]
    spans = [(p[:, 1].min(), p[:, 1].max()) for p in laid]
    bands: list[list[int]] = []
    reach: list[tuple[float, float]] = []
    for k in sorted(range(len(laid)), key=lambda k: spans[k][0] - spans[k][1]):  # tall first
        low, high = spans[k]
        for i, (a, b) in enumerate(reach):
            slack = 0.05 * (b - a)
            inside = a - slack <= low <= high <= b + slack
            if inside or (low < b - slack and high > a + slack):
                bands[i].append(k)
                reach[i] = (min(a, low), max(b, high))
                break
        else:
            bands.append([k])
            reach.append((low, high))
    rows, costs = [], []
    for band, (low, high) in sorted(zip(bands, reach, strict=True), key=lambda pair: -pair[1][0]):
        text, cost = _row([laid[k] for k in band], float(low), float(high - low))
        if not text:
            return np.inf, []
        points = np.vstack([laid[k] for k in band])
        middle = np.array([(points[:, 0].min() + points[:, 0].max()) / 2, (low + high) / 2])
        row = Row(text=text, at=middle @ back.T, along=np.array([c, s]), height=float(high - low))
        rows.append(row)
        costs += cost
    return float(np.mean(costs)), rows


def _row(strokes: list[Points], low: float, height: float) -> tuple[str, list[float]]:
    """Return the text of strokes in one row and the distance of each letter."""
    if height < 0.3:
        return "", []
    unit = height / 6.0
    laid = sorted(((p - [0.0, low]) / unit for p in strokes), key=lambda p: p[:, 0].min())
    groups: list[list[Points]] = []
    end = -np.inf
    for points in laid:
        start, stop = float(points[:, 0].min()), float(points[:, 0].max())
        if start - end > 0.8:
            groups.append([])
        groups[-1].append(points)
        end = max(end, stop) if start - end <= 0.8 else stop
    text, costs, before = "", [], 0.0
    for k, group in enumerate(groups):
        points = np.vstack(group)
        centre = float(points[:, 0].min() + points[:, 0].max()) / 2
        letter, cost = _letter([p - [centre, 0.0] for p in group])
        if k:
            text += " " * max(round((centre - before) / (6.0 * PITCH)) - 1, 0)
        text += letter
        costs.append(cost)
        before = centre
    return text, costs


# ------------------------------------------------------------------ one letter


def _slanted(code: str) -> Points:
    """Return points along straight strokes, centred across."""
    ends = [np.array([int(digit) for digit in pair], dtype=float) for pair in code.split()]
    points = np.vstack([_dense(end.reshape(2, 2)) for end in ends])
    return points - [(points[:, 0].min() + points[:, 0].max()) / 2, 0.0]


def _dotted(code: str) -> Points:
    """Return dots of a letter and the points half-way between neighbours, centred across."""
    spots = [
        (float(x), 6.0 - y)
        for y, row in enumerate(code.split())
        for x, dot in enumerate(row)
        if dot == "#"
    ]
    taken = set(spots)
    between = []
    for (ax, ay), (bx, by) in itertools.combinations(spots, 2):
        near = max(abs(ax - bx), abs(ay - by)) <= 1
        corner = ax != bx and ay != by and ((ax, by) in taken or (bx, ay) in taken)
        if near and not corner:
            between.append(((ax + bx) / 2, (ay + by) / 2))
    points = np.array([*spots, *between])
    return points - [(points[:, 0].min() + points[:, 0].max()) / 2, 0.0]


_READ: dict[bytes, list[Row]] = {}  # by the strokes from the first point on: parts are drawn often
_KNOWN: dict[bytes, tuple[str, float]] = {}
_LOW = np.array([-2.0 - RIM, -RIM])
_SHAPE = (round((4.0 + 2 * RIM) / CELL) + 1, round((6.0 + 2 * RIM) / CELL) + 1)


@lru_cache(maxsize=1)
def _table() -> tuple[list[str], list[Points], NDArray[np.float32]]:
    """Return the letters, the points of each, and the distance to them over a raster."""
    from scipy.ndimage import distance_transform_edt

    shapes = [(letter, _dotted(code)) for letter, code in DOTS.items()]
    shapes += [(letter, _slanted(code)) for letter, code in SLANTED.items()]
    rasters = np.ones((len(shapes), *_SHAPE), dtype=np.float32)
    for raster, (_, points) in zip(rasters, shapes, strict=True):
        i, j = np.round((points - _LOW) / CELL).astype(int).T
        raster[i, j] = 0.0
        raster[:] = distance_transform_edt(raster) * CELL
    return [letter for letter, _ in shapes], [points for _, points in shapes], rasters


def _letter(strokes: list[Points]) -> tuple[str, float]:
    """Return the letter nearest to centred strokes and its distance, grid units."""
    key = b"".join(np.round(p * 20).astype(np.int16).tobytes() + b"|" for p in strokes)
    if key not in _KNOWN:
        if len(_KNOWN) > 4096:
            _KNOWN.clear()
        _KNOWN[key] = _nearest(np.vstack([_dense(p) for p in strokes]))
    return _KNOWN[key]


def _dense(points: Points) -> Points:
    """Return points along a stroke, some four to a grid unit."""
    steps = np.diff(points, axis=0)
    pieces = [points[:1]]
    for start, step in zip(points, steps, strict=False):
        n = max(int(np.ceil(np.hypot(*step) / 0.25)), 1)
        pieces.append(start + step * (np.arange(1, n + 1) / n)[:, None])
    return np.vstack(pieces)


def _nearest(points: Points) -> tuple[str, float]:
    wide = float(points[:, 0].max() - points[:, 0].min())
    if wide > 4.6:
        return UNREAD, 2.0
    cells = np.clip(np.round((points - _LOW) / CELL).astype(int), 0, np.array(_SHAPE) - 1)
    letters, spots, rasters = _table()
    there = rasters[:, cells[:, 0], cells[:, 1]].mean(axis=1)
    best, least = UNREAD, np.inf
    for k in np.argsort(there).tolist():
        if there[k] >= least:
            break
        apart = spots[k][:, None] - points[None, :]
        back = np.sqrt(np.einsum("ijk,ijk->ij", apart, apart).min(axis=1))
        cost = float(there[k] + back.mean())
        if cost < least:
            best, least = letters[k], cost
    return (best, least) if least <= FARTHEST else (UNREAD, max(least, 1.0))
