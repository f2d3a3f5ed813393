"""What every file reader hands to :mod:`footscan.reading`, and the limits that all of them keep.

A private reader takes the bytes of one file and returns a :class:`Raw`. What is wrong with the
file it tells with :class:`BadFile`, whose text continues a sentence that starts with the file's
name. A count claimed by a file is compared with the file's length before memory is taken for it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array, IntArray, Unit

__all__ = [
    "MAX_FACES",
    "MAX_POINTS",
    "BadFile",
    "Raw",
    "check_count",
    "fan",
    "join",
    "lightness",
    "merge_equal",
    "moved",
    "no_faces",
    "numbers",
    "table",
    "whole",
]

MAX_POINTS = 10_000_000  # a 0.1 mm grid over a whole foot stays below this
MAX_FACES = 20_000_000  # a closed surface has about two faces a point
CHUNK_BYTES = 1 << 23  # text split at once: keeps the list of words small
WORD_SHOWN = 20  # letters of a wrong word that a message repeats
_BLANK = re.compile(rb"\s")
_NOT_A_NUMBER = re.compile(r"could not convert string '(.*)' to \w+ at row (\d+)", re.DOTALL)
_TOO_SHORT = re.compile(r"at row (\d+) with (\d+) columns")


class BadFile(Exception):
    """What is wrong with a file and what to do: the rest of a sentence after the file's name."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raw:
    """One file's content before any check that is common to all formats.

    Attributes
    ----------
    vertices : ndarray, shape (n, 3)
        Coordinates as read, in `unit` or the file's own; may hold NaN.
    faces : ndarray, shape (m, 3)
        Vertex indices, not yet checked against n.
    normals : ndarray, shape (n, 3), or None
        As read: any length, may hold NaN.
    unit : Unit or None
        Unit that the format itself declares.
    light : ndarray, shape (n,), or None
        Brightness of each point, 0 to 1, where the file has colours; as read, may hold NaN.
    """

    vertices: Array
    faces: IntArray
    normals: Array | None = None
    unit: Unit | None = None
    light: Array | None = None


def lightness(colours: np.ndarray | None) -> Array | None:
    """Return the brightness, 0 to 1, of red, green and blue in bytes or in shares of one."""
    if colours is None or not len(colours):
        return None
    values = np.asarray(colours[:, :3], dtype=np.float64)
    top = float(np.nanmax(np.where(np.isfinite(values), values, 0.0)))
    full = 1.0 if top <= 1.0 else 255.0 if top <= 255.0 else 65535.0
    return values @ np.array([0.30, 0.59, 0.11]) / full


def no_faces() -> IntArray:
    """An empty (0, 3) face array."""
    return np.zeros((0, 3), dtype=np.int64)


def check_count(count: int, what: str = "points", limit: int = MAX_POINTS) -> None:
    """Raise when a file holds, or claims, more than we take."""
    if count > limit:
        raise BadFile(
            f"has {count} {what}, more than the {limit} that are taken; export it more coarsely"
        )


def numbers(text: bytes) -> Array:
    """Every number of a text separated by white space."""
    parts: list[Array] = []
    start = 0
    while start < len(text):
        blank = _BLANK.search(text, start + CHUNK_BYTES)
        stop = blank.start() if blank else len(text)
        words = text[start:stop].split()
        try:
            parts.append(np.array(words, dtype=np.float64))
        except ValueError:
            raise BadFile(f"has {_first_wrong(words)} where a number should be") from None
        start = stop
    return np.concatenate(parts) if parts else np.zeros(0)


def _first_wrong(words: Sequence[bytes]) -> str:
    """The first word that is not a number, quoted and cut to a readable length."""
    for word in words:
        try:
            float(word)
        except ValueError:
            return repr(word[:WORD_SHOWN].decode("latin-1"))
    return "a word"


def table(
    lines: Iterable[str],
    columns: Sequence[int],
    *,
    delimiter: str | None = None,
    skip: int = 0,
    quote: str | None = None,
) -> Array:
    """The wanted columns of lines of numbers, shape (n, len(columns)); comments after ``#``."""
    try:
        return np.loadtxt(
            lines, delimiter=delimiter, usecols=columns, skiprows=skip, ndmin=2, quotechar=quote
        )
    except ValueError as error:
        text = str(error)
        if found := _NOT_A_NUMBER.search(text):
            word, row = found.groups()
            raise BadFile(
                f"has '{word[:WORD_SHOWN]}' where a number should be, in data row {int(row) + 1}"
            ) from None
        if found := _TOO_SHORT.search(text):
            row, width = found.groups()
            raise BadFile(
                f"has only {width} columns in data row {row} where {max(columns) + 1} are needed; "
                "it may be cut short"
            ) from None
        raise


def whole(values: Array) -> IntArray:
    """Return indices that were read as floating point, or raise when one is no whole number."""
    if not np.isfinite(values).all() or (np.abs(values) > 2**53).any():
        raise BadFile("has a face that names a point by something that is no whole number")
    indices = values.astype(np.int64)
    if (indices != values).any():
        raise BadFile("has a face that names a point by something that is no whole number")
    return indices


def fan(counts: IntArray, corners: IntArray) -> IntArray:
    """Cut polygons into triangles that share each polygon's first corner.

    `counts` holds the corners of each polygon, `corners` their indices one after the other.
    Polygons of fewer than three corners give nothing.
    """
    if len(corners) == 3 * len(counts) and (counts == 3).all():
        check_count(len(counts), "triangles", MAX_FACES)
        return corners.reshape(-1, 3)
    triangles = np.maximum(counts - 2, 0)
    check_count(int(triangles.sum()), "triangles", MAX_FACES)
    polygon = np.repeat(np.arange(len(counts)), triangles)
    first = (np.cumsum(counts) - counts)[polygon]
    step = np.arange(len(polygon)) - (np.cumsum(triangles) - triangles)[polygon]
    return np.column_stack(
        [corners[first], corners[first + step + 1], corners[first + step + 2]]
    ).reshape(-1, 3)


def merge_equal(vertices: Array) -> tuple[IntArray, IntArray]:
    """Find vertices with exactly equal coordinates.

    Returns `keep`, the index of the first of each set of equals in order of appearance, and
    `place`, the position in `keep` that stands for each vertex. NaN equals nothing.
    """
    bits = (vertices + 0.0).view(np.uint64).reshape(-1, 3)  # + 0.0: minus zero equals zero
    # One mixed key sorts several times faster than three columns do; a clash of keys between
    # different vertices is looked for and answered with the slower, exact sort.
    key = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
    key ^= (bits[:, 1] + (key >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
    key ^= (bits[:, 2] + (key >> np.uint64(31))) * np.uint64(0x94D049BB133111EB)
    keep, place = _first_of_each(np.argsort(key), key[:, None])
    if (bits[keep[place]] != bits).any():
        keep, place = _first_of_each(np.lexsort(bits.T), bits)
    return keep, place


def _first_of_each(order: IntArray, keys: np.ndarray) -> tuple[IntArray, IntArray]:
    """First index of each group of equal keys, and each key's group, by order of appearance."""
    if not len(order):
        return order, order
    ordered = keys[order]
    starts = np.concatenate([[True], (ordered[1:] != ordered[:-1]).any(axis=1)])
    firsts = np.minimum.reduceat(order, np.flatnonzero(starts))
    keep = np.sort(firsts)
    rank = np.zeros(len(order), dtype=np.int64)
    rank[keep] = np.arange(len(keep))
    place = np.zeros(len(order), dtype=np.int64)
    place[order] = rank[firsts][np.cumsum(starts) - 1]
    return keep, place


def join(parts: Sequence[Raw]) -> Raw:
    """Put meshes that share a frame and a unit one after the other."""
    offsets = np.cumsum([0, *(len(part.vertices) for part in parts)])
    check_count(int(offsets[-1]))
    check_count(sum(len(part.faces) for part in parts), "triangles", MAX_FACES)
    normals = [part.normals for part in parts if part.normals is not None]
    light = [part.light for part in parts if part.light is not None]
    return Raw(
        vertices=np.concatenate([np.zeros((0, 3)), *(part.vertices for part in parts)]),
        faces=np.concatenate(
            [no_faces(), *(part.faces + at for part, at in zip(parts, offsets, strict=False))]
        ),
        normals=np.concatenate(normals) if parts and len(normals) == len(parts) else None,
        unit=parts[0].unit if parts else None,
        light=np.concatenate(light) if parts and len(light) == len(parts) else None,
    )


def moved(vertices: Array, faces: IntArray, pose: Array, light: Array | None = None) -> Raw:
    """Place a mesh by a 4 x 4 matrix; one that mirrors turns the winding too."""
    if np.linalg.det(pose[:3, :3]) < 0:
        faces = faces[:, ::-1]
    return Raw(vertices=vertices @ pose[:3, :3].T + pose[:3, 3], faces=faces, light=light)
