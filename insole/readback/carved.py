"""Letters cut into the underside of a printed part, read from its mesh.

    triangles -> roofs of the recesses -> a picture seen from below -> letters -> rows of text

A recess is a place whose roof lies a little above the face that the part lies on, flat or, under a
contoured bed, as the plan says. Seen from below
with the toes up, its letters must read right. They are told by their picture against those of a
bold font, drawn by another library than the one that cut them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from insole.errors import OutputError
from insole.readback.told import Heights, Piece, Told, mirrored, other, plain

__all__ = ["Carving", "check_carving", "read_carving", "read_ink"]

Numbers = NDArray[np.float64]
PER_MM = 8.0  # pixels of the picture
DEPTH = (0.25, 0.55)  # mm: how deep a recess for letters may be
FLAT, CURVED = 0.02, 0.08  # mm that a roof may be uneven, and one under a curved underside
SIDE = 14  # pixels of a letter's picture when letters are compared
LIKE = 0.84  # share of them that must agree
LETTERS = "ABCDEFGHIKLMNOPRSTUVWX0123456789"
TALL = (3.0, 12.0)  # mm, of letters
SPACE = 0.32  # letter heights between letters: from there on a space
EVEN = 0.2  # letter heights by which letters of one row may stand off
APART = 0.75  # letter heights between letters of one row, at the most


@dataclass(frozen=True, slots=True)
class Carving:
    """What is cut into an underside: rows of text that can be read, and how much ink there is."""

    rows: tuple[str, ...]
    ink: float  # mm2


def read_carving(corners: Numbers, floor: Heights | None = None) -> Carving:
    """Return what is cut into the underside of a part.

    Parameters
    ----------
    corners : ndarray, shape (n, 3, 3)
        Triangles of a worn part, mm: seen from above, +x to the toes.
    floor : callable, optional
        Heights of the underside above its lowest place, mm, over such x and y; left out: it is
        flat. Letters are cut to an even depth, so that their roofs follow it.
    """
    z, uneven = corners[..., 2] - corners[..., 2].min(), FLAT
    if floor is not None:
        x, y = corners[..., 0].ravel(), corners[..., 1].ravel()
        z, uneven = z - np.asarray(floor(x, y)).reshape(z.shape), CURVED
    level = (np.ptp(z, axis=1) < uneven) & (z.min(axis=1) > DEPTH[0]) & (z.max(axis=1) < DEPTH[1])
    a, b, c = (corners[level][:, k, :2] for k in range(3))
    turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    roofs = corners[level][turn < 0][..., :2]  # they look down
    if not len(roofs):
        return Carving((), 0.0)
    seen = roofs[..., ::-1]  # from below with the toes up: +y to the right, +x up
    picture = _drawn(seen)
    boxes = _boxes(picture)
    rows = [row for turned in range(4) for row in _rows(picture.shape, boxes, turned)]
    found, taken = [], set[int]()
    for text, members in sorted(rows, key=lambda row: -len(row[1])):  # HIS is SIH upside down
        if not taken & members:
            taken |= members
            found.append(text)
    return Carving(tuple(found), float(np.abs(turn[turn < 0]).sum() / 2))


def read_ink(picture: NDArray[np.bool_]) -> list[tuple[str, float]]:
    """Return rows of bold capitals in a picture, each with the column of its middle.

    Parameters
    ----------
    picture : ndarray of bool, shape (rows, columns)
        Where ink is; letters 24 to 96 pixels tall.
    """
    boxes = _boxes(picture)
    found = []
    for text, members in _rows(picture.shape, boxes, 0):
        ends = [box[1] for k, (box, _) in enumerate(boxes) if k in members]
        found.append((text, (min(e.start for e in ends) + max(e.stop for e in ends)) / 2))
    return found


def _drawn(triangles: Numbers) -> NDArray[np.bool_]:
    """Return triangles as a picture, upper edge first."""
    from PIL import Image, ImageDraw

    low = triangles.min(axis=(0, 1)) - 1.0
    size = np.ceil((triangles.max(axis=(0, 1)) + 1.0 - low) * PER_MM).astype(int)
    image = Image.new("1", (int(size[0]), int(size[1])))
    draw = ImageDraw.Draw(image)
    places = (triangles - low) * PER_MM
    places[..., 1] = size[1] - places[..., 1]
    for points in places.reshape(-1, 6).tolist():
        draw.polygon(points, fill=1)
    return np.asarray(image, dtype=bool)


_Box = tuple[slice, slice]
_Entry = tuple[str, Numbers, Numbers, int]  # letter, low and high corner, number of its piece


def _boxes(picture: NDArray[np.bool_]) -> list[tuple[_Box, NDArray[np.bool_]]]:
    """Return the box of each piece of ink, and the piece alone."""
    from scipy import ndimage

    names, _ = ndimage.label(picture, structure=np.ones((3, 3), dtype=int))
    return [(box, names[box] == k + 1) for k, box in enumerate(ndimage.find_objects(names))]


def _rows(
    size: tuple[int, ...], boxes: list[tuple[_Box, NDArray[np.bool_]]], turned: int
) -> list[tuple[str, set[int]]]:
    """Return rows of two letters and more that read right after some quarter turns, and whose."""
    high, wide = size
    letters: list[_Entry] = []
    for k, (box, piece) in enumerate(boxes):
        letter = _letter(np.rot90(piece, turned))
        if not letter:
            continue
        ends = np.array([(box[1].start, box[0].start), (box[1].stop, box[0].stop)], dtype=float)
        if turned == 1:
            ends = np.column_stack([ends[:, 1], wide - ends[:, 0]])
        elif turned == 2:
            ends = np.array([wide, high]) - ends
        elif turned == 3:
            ends = np.column_stack([high - ends[:, 1], ends[:, 0]])
        letters.append((letter, ends.min(axis=0), ends.max(axis=0), k))
    rows: list[list[_Entry]] = []
    for entry in sorted(letters, key=lambda e: float(e[1][0])):
        row = next((row for row in rows if _follows(row[-1], entry)), None)
        if row is None:
            rows.append([entry])
        else:
            row.append(entry)
    texts = []
    for row in rows:
        if len(row) > 1:
            text = row[0][0]
            for before, entry in itertools.pairwise(row):
                gap, tall = float(entry[1][0] - before[2][0]), float(entry[2][1] - entry[1][1])
                text += (" " if gap > SPACE * tall else "") + entry[0]
            texts.append((text, {entry[3] for entry in row}))
    return texts


def _follows(last: _Entry, entry: _Entry) -> bool:
    """Return whether a letter stands beside another one of its height, on the same line."""
    tall = float(entry[2][1] - entry[1][1])
    level = abs(float(last[2][1] - entry[2][1])) < EVEN * tall
    alike = abs(float(last[2][1] - last[1][1]) - tall) < EVEN * tall
    return level and alike and float(entry[1][0] - last[2][0]) < APART * tall


def _letter(piece: NDArray[np.bool_]) -> str:
    """Return the letter that a piece of ink looks like; nothing when it is like none."""
    high, wide = piece.shape
    if not TALL[0] <= high / PER_MM <= TALL[1]:
        return ""
    small = _shrunk(piece)
    names, pictures, shapes = _font()
    like = (pictures == small).mean(axis=(1, 2))
    like[np.abs(np.log(shapes / (wide / high))) > 0.2] = 0.0
    best = int(like.argmax())
    return names[best] if like[best] >= LIKE else ""


def _shrunk(piece: NDArray[np.bool_]) -> NDArray[np.bool_]:
    high, wide = piece.shape
    i = ((np.arange(SIDE) + 0.5) * high / SIDE).astype(int)
    j = ((np.arange(SIDE) + 0.5) * wide / SIDE).astype(int)
    return np.asarray(piece[np.ix_(i, j)])


@lru_cache(maxsize=1)
def _font() -> tuple[list[str], NDArray[np.bool_], Numbers]:
    """Return letters, their pictures and how wide they are for their height."""
    from matplotlib import get_data_path
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.truetype(
        str(Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"), 96
    )
    pictures, shapes = [], []
    for letter in LETTERS:
        image = Image.new("1", (160, 160))
        ImageDraw.Draw(image).text((20, 20), letter, font=font, fill=1)
        ink = np.asarray(image, dtype=bool)
        ink = ink[ink.any(axis=1)][:, ink.any(axis=0)]
        pictures.append(_shrunk(ink))
        shapes.append(ink.shape[1] / ink.shape[0])
    return list(LETTERS), np.array(pictures), np.array(shapes)


def check_carving(path: Path, corners: Numbers, label: str, told: Told, *, by_hand: str) -> None:
    """Hold what is cut into the underside of a part against the plan.

    Parameters
    ----------
    path : Path
        The file, for the sentence.
    corners : ndarray, shape (n, 3, 3)
        Its triangles, mm.
    label : str
        The part's.
    told : Told
        The plan.
    by_hand : str
        What the folder says has to be written on by hand, because it found no room.

    Raises
    ------
    OutputError
        It names the other side or another face or angle, or does not read right from below.
    """
    piece, side = told.pieces.get(label), label.partition("-")[0]
    if piece is not None and not piece.outline:
        return
    words = told.says(" ".join(read_carving(corners, _worn_floor(piece)).rows))
    wrong = other(side).upper()
    if wrong in words and wrong not in plain(told.case).split():  # a case may be called so
        raise OutputError(f"{path.name}: {label} has {wrong} cut into its underside")
    if piece is None:
        return
    said, faced = " ".join(words), piece.faced("shoe")
    for face in ("FOOT SIDE", "SHOE SIDE", "SOLE SIDE", "CLEAT SIDE"):
        if face in said and face != faced:
            raise OutputError(f"{path.name}: {label} has {face} cut into its {faced.lower()}")
    for kind in ("VARUS", "VALGUS"):
        if kind in words and kind not in piece.angle():
            raise OutputError(
                f"{path.name}: {label} has {kind} cut in, the plan says "
                f"{piece.angle() or 'no wedge'}"
            )
    if side.upper() not in words and side.upper() not in by_hand:
        raise OutputError(f"{path.name}: {side.upper()} cannot be read on the underside of {label}")


def _worn_floor(piece: Piece | None) -> Heights | None:
    """Return the heights of a curved underside as the part is worn: a left one is mirrored."""
    if piece is None or piece.floor is None:
        return None
    floor, turn = piece.floor, mirrored(piece.side)
    return lambda x, y: floor(x, turn * y)
