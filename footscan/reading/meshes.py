"""STL, OBJ and OFF: triangles or polygons without a unit."""

from __future__ import annotations

import re
from itertools import islice

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
    table,
    whole,
)
from footscan.scan import Array, IntArray

__all__ = ["is_binary_stl", "read_obj", "read_off", "read_stl"]

_STL_HEAD = 84
XYZ_RGB = 6  # words of a point that carries its colour
_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_STL_VERTEX = re.compile(rb"^[ \t]*vertex[ \t]+([^\r\n]+)", re.MULTILINE | re.IGNORECASE)
_STL_END = re.compile(rb"^[ \t]*endfacet", re.MULTILINE | re.IGNORECASE)
_OBJ_VERTEX = re.compile(r"^[ \t]*v[ \t]+([^\n#]+)", re.MULTILINE)
_OBJ_FACE = re.compile(r"^[ \t]*fo?[ \t]+([^\n#]+)", re.MULTILINE)
_OFF_WORD = re.compile(r"\s*((?:ST)?C?N?)(4?n?)OFF\b[ \t]*(BINARY)?")
_COMMENT = re.compile(r"#[^\n]*")


def _text(data: bytes) -> str:
    """Text with plain line ends; bytes that are no text of any kind are refused."""
    if b"\0" in data:
        raise BadFile("should be text but holds binary data; export it again")
    return data.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")


def is_binary_stl(data: bytes) -> bool:
    """Whether the triangle count of a binary STL agrees with the length of `data`."""
    return len(data) >= _STL_HEAD and len(data) == _STL_HEAD + _TRIANGLE.itemsize * _claimed(data)


def _claimed(data: bytes) -> int:
    """Triangles that a binary STL says it has."""
    return int.from_bytes(data[80:84], "little")


def read_stl(data: bytes) -> Raw:
    """Read text or binary; the word ``solid`` starts many a binary file too."""
    text = data[:512].lstrip()[:5].lower() == b"solid" and b"\0" not in data[84:2048]
    if text and not is_binary_stl(data):
        return _stl_text(data)
    if len(data) < _STL_HEAD:
        raise BadFile("is cut short: it ends inside the STL header; copy or export it again")
    count = _claimed(data)
    check_count(count, "triangles", MAX_FACES)
    spare = len(data) - _STL_HEAD - count * _TRIANGLE.itemsize
    if spare < 0:
        raise BadFile(
            f"is cut short: it promises {count} triangles and holds "
            f"{(len(data) - _STL_HEAD) // _TRIANGLE.itemsize}; copy or export it again"
        )
    if spare >= _TRIANGLE.itemsize and len(data.rstrip(b"\0")) > len(data) - spare:
        raise BadFile(
            f"promises {count} triangles but {spare} more bytes follow them; export it again"
        )
    corners = np.frombuffer(data, _TRIANGLE, count, _STL_HEAD)["corners"]
    return _loose(corners.reshape(-1, 3).astype(np.float64))


def _stl_text(data: bytes) -> Raw:
    """Read a text STL, one solid or several."""
    if b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    rows = _STL_VERTEX.findall(data)
    check_count(len(rows) // 3, "triangles", MAX_FACES)
    closed = len(_STL_END.findall(data))
    if b"endsolid" not in data[-4096:].lower() or 3 * closed != len(rows):
        raise BadFile(
            f"is cut short or damaged: it closes {closed} triangles, has {len(rows)} corners and "
            "should end with 'endsolid'; copy or export it again"
        )
    values = numbers(b" ".join(rows))
    if len(values) != 3 * len(rows):
        raise BadFile("has a corner that does not have three coordinates; export it again")
    return _loose(values.reshape(-1, 3))


def _loose(corners: np.ndarray) -> Raw:
    """Triangles that each have their own three corners."""
    return Raw(vertices=corners, faces=np.arange(len(corners), dtype=np.int64).reshape(-1, 3))


def read_obj(data: bytes) -> Raw:
    """Read vertices and polygons; no material or other file is ever opened."""
    text = _text(data).replace("\\\n", " ")
    rows = _OBJ_VERTEX.findall(text)
    check_count(len(rows))
    if not rows:
        raise BadFile("has no points")
    vertices = table(rows, (0, 1, 2))
    if len(vertices) != len(rows):
        raise BadFile("has a point without coordinates; export it again")
    return Raw(vertices=vertices, faces=_obj_faces(text, len(rows)), light=_obj_light(rows))


def _obj_light(rows: list[str]) -> Array | None:
    """Brightness of the points where every one carries red, green and blue behind its place."""
    if not all(len(row.split()) == XYZ_RGB for row in (rows[0], rows[-1])):
        return None
    try:
        return lightness(table(rows, (3, 4, 5)))
    except BadFile:  # some points without: as good as none
        return None


def _obj_faces(text: str, n_vertices: int) -> IntArray:
    """Triangles of an OBJ text; a negative index counts back from where the face stands."""
    rows = _OBJ_FACE.findall(text)
    check_count(len(rows), "faces", MAX_FACES)
    if not rows:
        return no_faces()
    plain = re.sub(r"/[^\s]*", "", "\n".join(rows))
    counts = np.array([len(row.split()) for row in plain.split("\n")], dtype=np.int64)
    if counts.min() < 3:
        raise BadFile(
            f"has a face ({int(np.argmin(counts)) + 1}) of fewer than three corners; it may be "
            "cut short, so copy or export it again"
        )
    named = whole(numbers(plain.encode("latin-1")))
    if (named == 0).any():
        raise BadFile("has a face that names point 0, but OBJ counts from 1; export it again")
    if (named < 0).any():
        stands = np.array([found.start() for found in _OBJ_VERTEX.finditer(text)])
        faces_at = np.array([found.start() for found in _OBJ_FACE.finditer(text)])
        known = np.repeat(np.searchsorted(stands, faces_at), counts)
        return fan(counts, np.where(named < 0, known + named, named - 1))
    return fan(counts, named - 1)


def read_off(data: bytes) -> Raw:
    """Read vertices and polygons; colours, normals and texture places are passed over."""
    text = _COMMENT.sub("", _text(data))
    word = _OFF_WORD.match(text)
    if word and (word[2] or word[3]):
        raise BadFile("is a four-dimensional or binary OFF file; export it as plain text OFF")
    lines = [line for line in text[word.end() if word else 0 :].split("\n") if line.strip()]
    counts = lines[0].split() if lines else []
    if len(counts) < 2 or not all(count.isdecimal() for count in counts[:2]):
        raise BadFile("does not say how many points and faces it has; export it again")
    n_vertices, n_faces = int(counts[0]), int(counts[1])
    check_count(n_vertices)
    check_count(n_faces, "faces", MAX_FACES)
    if len(lines) - 1 < n_vertices + n_faces:
        raise BadFile(
            f"is cut short: it promises {n_vertices} points and {n_faces} faces but has "
            f"{len(lines) - 1} lines for them; copy or export it again"
        )
    if not n_vertices:
        raise BadFile("has no points")
    vertices = table(lines[1 : 1 + n_vertices], (0, 1, 2))
    return Raw(vertices=vertices, faces=_off_faces(lines[1 + n_vertices :], n_faces))


def _off_faces(lines: list[str], n_faces: int) -> IntArray:
    """Triangles of the face lines: number of corners, corners, perhaps a colour."""
    rows = [line.split() for line in islice(lines, n_faces)]
    if not rows:
        return no_faces()
    counts = whole(numbers(" ".join(row[0] for row in rows).encode("latin-1")))
    short = [i for i, row in enumerate(rows) if not 0 <= counts[i] < len(row)]
    if short:
        raise BadFile(f"has too few corners in face {short[0] + 1}; copy or export it again")
    used = " ".join(" ".join(row[1 : 1 + n]) for row, n in zip(rows, counts.tolist(), strict=True))
    return fan(counts, whole(numbers(used.encode("latin-1"))))
