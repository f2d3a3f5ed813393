"""PLY: points or polygons, as text or binary of either byte order."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

import numpy as np

from footscan.reading.raw import (
    MAX_FACES,
    BadFile,
    Raw,
    check_count,
    fan,
    lightness,
    no_faces,
    numbers,
    whole,
)
from footscan.scan import Array, IntArray

__all__ = ["read_ply"]

MAX_HEADER_BYTES = 1 << 16
MAX_MIXED = 150_000  # rows read one by one: some seconds
_CODES = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I", "i8": "q", "u8": "Q"}
_TYPES = {"i1": "char int8", "u1": "uchar uint8", "i2": "short int16", "u2": "ushort uint16"}
_TYPES |= {"i4": "int int32", "u4": "uint uint32", "i8": "int64", "u8": "uint64"}
_TYPES |= {"f4": "float float32", "f8": "double float64"}
_NAMES = {name: kind for kind, names in _TYPES.items() for name in names.split()}
_END = re.compile(rb"^end_header[ \t]*\r?\n", re.MULTILINE)
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Property:
    """One column: a scalar, or a list when `length_type` is given."""

    name: str
    type: str
    length_type: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Element:
    """A table of the file: rows of properties."""

    name: str
    count: int
    properties: tuple[_Property, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Column:
    """Values of a property; `counts` holds the length of each row's list, None for scalars."""

    values: np.ndarray
    counts: IntArray | None = None


class _Bytes:
    """Walks along a binary body."""

    def __init__(self, body: memoryview, order: str) -> None:
        self.body, self.order, self.at = body, order, 0

    def room(self, element: _Element, lengths: list[int]) -> int:
        """Rows, with lists of these lengths, that fit into what is left."""
        return (len(self.body) - self.at) // max(_row_bytes(element, lengths), 1)

    def take(self, kind: str, count: int) -> np.ndarray:
        """The next values of one type."""
        size = count * int(kind[1])
        if count < 0 or self.at + size > len(self.body):
            raise BadFile("is cut short inside a list; copy or export it again")
        values = np.frombuffer(self.body, self.order + kind, count, self.at)
        self.at += size
        return values

    def block(self, element: _Element, lengths: list[int]) -> list[np.ndarray]:
        """All rows at once: for each property its values, before a list its lengths."""
        fields: list[tuple[str, str, tuple[int, ...]]] = []
        for item, length in zip(element.properties, lengths, strict=True):
            if item.length_type:
                fields.append((f"f{len(fields)}", self.order + item.length_type, ()))
            shape = (length,) if item.length_type else ()
            fields.append((f"f{len(fields)}", self.order + item.type, shape))
        rows = np.frombuffer(self.body, np.dtype(fields), element.count, self.at)
        self.at += rows.nbytes
        return [rows[name] for name, _, _ in fields]

    def lists(self, element: _Element) -> tuple[IntArray, np.ndarray]:
        """A table of one list a row: the length of each, and all values one after the other."""
        item, rows = element.properties[0], element.count
        length = struct.Struct(self.order + _CODES[item.length_type])
        size, counts, starts, at = int(item.type[1]), [], [], self.at
        try:
            for _ in range(rows):
                count = length.unpack_from(self.body, at)[0]
                if count < 0:
                    raise BadFile("has a list of negative length; export it again")
                at += length.size
                starts.append(at)
                counts.append(count)
                at += count * size
        except struct.error:  # the list before may have reached beyond the file already
            raise _broken(element, len(counts) - (at > len(self.body))) from None
        if at > len(self.body):
            raise _broken(element, len(counts) - 1)
        self.at = at
        places = _places(np.array(starts, dtype=np.int64), np.array(counts, dtype=np.int64), size)
        found = np.frombuffer(self.body, np.uint8)[places[:, None] + np.arange(size)]
        values: np.ndarray = np.ascontiguousarray(found).view(self.order + item.type).ravel()
        return np.array(counts, dtype=np.int64), values


class _Words:
    """Walks along a text body, read as one row of numbers."""

    def __init__(self, values: Array) -> None:
        self.values, self.at = values, 0

    def room(self, element: _Element, lengths: list[int]) -> int:
        """Rows, with lists of these lengths, that fit into what is left."""
        return (len(self.values) - self.at) // max(_row_words(element, lengths), 1)

    def take(self, kind: str, count: int) -> np.ndarray:
        """The next values; their type does not matter in a text."""
        if count < 0 or self.at + count > len(self.values):
            raise BadFile("is cut short inside a list; copy or export it again")
        self.at += count
        return self.values[self.at - count : self.at]

    def block(self, element: _Element, lengths: list[int]) -> list[np.ndarray]:
        """All rows at once: for each property its values, before a list its lengths."""
        size = element.count * _row_words(element, lengths)
        rows = self.values[self.at : self.at + size].reshape(element.count, -1)
        self.at += size
        parts, at = [], 0
        for item, length in zip(element.properties, lengths, strict=True):
            parts.append(rows[:, at])
            if item.length_type:
                parts.append(rows[:, at + 1 : at + 1 + length])
            at += 1 + length
        return parts

    def lists(self, element: _Element) -> tuple[IntArray, np.ndarray]:
        """A table of one list a row: the length of each, and all values one after the other."""
        rows = element.count
        counts: list[int] = []
        starts: list[int] = []
        at, end = self.at, len(self.values)
        for _ in range(rows):
            count = self.values[at] if at < end else -1.0
            if not 0 <= count < end - at or count % 1:
                raise _broken(element, len(counts))
            counts.append(int(count))
            starts.append(at + 1)
            at += 1 + int(count)
        self.at = at
        lengths = np.array(counts, dtype=np.int64)
        return lengths, self.values[_places(np.array(starts, dtype=np.int64), lengths, 1)]


def _places(starts: IntArray, counts: IntArray, size: int) -> IntArray:
    """Where each value of lists lies that start at `starts`, with `size` from one to the next."""
    before = np.repeat(np.cumsum(counts) - counts, counts)
    return np.repeat(starts, counts) + size * (np.arange(int(counts.sum())) - before)


def _broken(element: _Element, rows: int) -> BadFile:
    """The error for a table whose lists reach beyond the file."""
    return BadFile(
        f"is cut short or damaged: its header promises {element.count} rows of {element.name} and "
        f"row {rows + 1} cannot be read; copy or export it again"
    )


def _row_bytes(element: _Element, lengths: list[int]) -> int:
    """Bytes of a row with lists of these lengths."""
    items = zip(element.properties, lengths, strict=True)
    return sum(
        int(item.length_type[1]) + length * int(item.type[1])
        if item.length_type
        else int(item.type[1])
        for item, length in items
    )


def _row_words(element: _Element, lengths: list[int]) -> int:
    """Words of a row with lists of these lengths."""
    return len(element.properties) + sum(lengths)


def read_ply(data: bytes) -> Raw:
    """Read points, faces, normals and brightness; other columns are passed over."""
    order, elements, start = _header(data)
    body = _Bytes(memoryview(data)[start:], order) if order else _Words(numbers(data[start:]))
    names = {element.name for element in elements if element.count}
    if "vertex" not in names:
        raise BadFile("has no points")
    if "tristrips" in names:
        raise BadFile("holds triangle strips, which are not read; export it as plain triangles")
    tables: dict[str, dict[str, _Column]] = {}
    for element in elements:
        tables[element.name] = _rows(body, element)
        if names & {"vertex", "face"} <= set(tables):
            break
    vertex = tables["vertex"]
    points = _columns(vertex, ("x", "y", "z"))
    if points is None:
        raise BadFile("has points without x, y and z")
    faces = _faces(tables["face"]) if "face" in names else no_faces()
    return Raw(
        vertices=points,
        faces=faces,
        normals=_columns(vertex, ("nx", "ny", "nz")),
        light=lightness(_columns(vertex, ("red", "green", "blue"))),
    )


def _header(data: bytes) -> tuple[str, list[_Element], int]:
    """Byte order ("" for text), the tables, and where the body starts."""
    if not data.startswith(b"ply"):
        raise BadFile("does not begin with the word ply, so it is no PLY file; export it again")
    end = _END.search(data, 0, MAX_HEADER_BYTES)
    if end is None:
        raise BadFile("is cut short in its header; copy or export it again")
    order: str | None = None
    elements: list[_Element] = []
    for line in data[: end.start()].decode("latin-1").splitlines():
        match line.split():
            case ["format", kind, *_] if kind in _ORDERS:
                order = _ORDERS[kind]
            case ["element", name, count] if count.isdecimal():
                check_count(int(count), f"rows of {name}", MAX_FACES)
                elements.append(_Element(name=name, count=int(count), properties=()))
            case ["property", *words] if elements:
                elements[-1] = _with_property(elements[-1], words)
            case ["ply"] | ["comment", *_] | ["obj_info", *_] | []:
                pass
            case _:
                raise BadFile(f"has a header line that is not PLY: {line[:40]!r}")
    if order is None:
        raise BadFile("does not say in its header whether it is text or binary")
    return order, elements, end.end()


def _with_property(element: _Element, words: list[str]) -> _Element:
    """The element with one more property."""
    match words:
        case ["list", length, kind, name] if _NAMES.get(length, "f")[0] != "f" and kind in _NAMES:
            item = _Property(name=name, type=_NAMES[kind], length_type=_NAMES[length])
        case [kind, name] if kind in _NAMES:
            item = _Property(name=name, type=_NAMES[kind])
        case _:
            raise BadFile(f"has a property that is not PLY: {' '.join(words)[:40]!r}")
    return _Element(name=element.name, count=element.count, properties=(*element.properties, item))


def _rows(body: _Bytes | _Words, element: _Element) -> dict[str, _Column]:
    """Read a table: in one block when its lists are all of one length, else row by row."""
    if not element.count or not element.properties:
        return {}
    room = body.room(element, [0] * len(element.properties))
    if room < element.count:
        raise BadFile(
            f"is cut short: its header promises {element.count} rows of {element.name} and only "
            f"{room} can follow; copy or export it again"
        )
    start = body.at
    lengths = _first_lengths(body, element)
    body.at = start
    if body.room(element, lengths) >= element.count:
        columns = _as_columns(element, lengths, body.block(element, lengths))
        if columns is not None:
            return columns
        body.at = start
    return _row_by_row(body, element)


def _first_lengths(body: _Bytes | _Words, element: _Element) -> list[int]:
    """Length of each list in the table's first row; 0 for scalars."""
    lengths = []
    for item in element.properties:
        length = _length(body, item) if item.length_type else 0
        body.take(item.type, length if item.length_type else 1)
        lengths.append(length)
    return lengths


def _length(body: _Bytes | _Words, item: _Property) -> int:
    """The length that stands before a list."""
    return int(whole(body.take(item.length_type, 1).astype(np.float64))[0])


def _as_columns(
    element: _Element, lengths: list[int], parts: list[np.ndarray]
) -> dict[str, _Column] | None:
    """Name the parts of a block; None when a list turns out to have another length."""
    columns: dict[str, _Column] = {}
    parts = parts[::-1]
    for item, length in zip(element.properties, lengths, strict=True):
        counts = None
        if item.length_type:
            found = parts.pop()
            if (found != length).any():
                return None
            counts = np.full(element.count, length, dtype=np.int64)
        columns[item.name] = _Column(values=parts.pop().ravel(), counts=counts)
    return columns


def _row_by_row(body: _Bytes | _Words, element: _Element) -> dict[str, _Column]:
    """Read a table whose lists differ in length."""
    if len(element.properties) == 1 and element.properties[0].length_type:
        item = element.properties[0]
        lengths, found = body.lists(element)
        return {item.name: _Column(values=found, counts=lengths)}
    if element.count > MAX_MIXED:
        raise BadFile(
            f"mixes lists of different lengths over {element.count} rows of {element.name}; export "
            "it as plain triangles"
        )
    values: list[list[np.ndarray]] = [[] for _ in element.properties]
    counts: list[list[int]] = [[] for _ in element.properties]
    for row in range(element.count):
        for i, item in enumerate(element.properties):
            try:
                length = _length(body, item) if item.length_type else 1
                values[i].append(body.take(item.type, length))
            except BadFile:
                raise _broken(element, row) from None
            counts[i].append(length)
    return {
        item.name: _Column(
            values=np.concatenate(values[i]),
            counts=np.array(counts[i], dtype=np.int64) if item.length_type else None,
        )
        for i, item in enumerate(element.properties)
    }


def _columns(rows: dict[str, _Column], names: tuple[str, str, str]) -> Array | None:
    """Three scalar columns side by side, or None when one is missing."""
    found = [rows[name].values for name in names if name in rows and rows[name].counts is None]
    return np.column_stack(found).astype(np.float64) if len(found) == 3 else None


def _faces(rows: dict[str, _Column]) -> IntArray:
    """Triangles of the face table."""
    column = rows.get("vertex_indices") or rows.get("vertex_index")
    if column is None or column.counts is None:
        raise BadFile("has faces without a list of vertex_indices")
    corners = whole(column.values) if column.values.dtype.kind == "f" else column.values
    return fan(column.counts, corners.astype(np.int64))
