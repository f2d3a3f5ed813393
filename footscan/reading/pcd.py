"""PCD: points as text, binary, or binary compressed by the LZF method."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from footscan.reading.raw import BadFile, Raw, check_count, no_faces, table

__all__ = ["read_pcd"]

MAX_HEADER_BYTES = 1 << 14
MAX_ROW_BYTES = 1 << 12
MAX_UNPACKED = 1 << 28
MAX_STEPS = 4_000_000  # pieces of packed data: some seconds
_DATA = re.compile(rb"^DATA[ \t]+(\w+)[ \t]*\r?\n", re.MULTILINE)
_KINDS = {"F": "f", "I": "i", "U": "u"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Columns of the file: name, numpy type, values a row."""

    fields: tuple[tuple[str, str, int], ...]
    points: int

    @property
    def row_bytes(self) -> int:
        """Bytes of a point."""
        return sum(int(kind[2:]) * count for _, kind, count in self.fields)

    @property
    def wanted(self) -> list[int]:
        """Positions in `fields` of x, y, z and, if all are there, the normals."""
        names = [name for name, _, _ in self.fields]
        normals = ["normal_x", "normal_y", "normal_z"]
        more = normals if set(normals) <= set(names) else []
        return [names.index(name) for name in ["x", "y", "z", *more]]


def read_pcd(data: bytes) -> Raw:
    """Read points and normals; other fields are passed over."""
    start = _DATA.search(data, 0, MAX_HEADER_BYTES)
    if start is None:
        raise BadFile("is cut short in its PCD header; copy or export it again")
    layout = _header(data[: start.start()].decode("latin-1"))
    body = data[start.end() :]
    match start[1]:
        case b"ascii":
            columns = _from_text(body, layout)
        case b"binary":
            columns = _from_rows(body, layout)
        case b"binary_compressed":
            columns = _from_columns(_unpacked(body, layout), layout)
        case kind:
            raise BadFile(f"keeps its points as {kind.decode('latin-1')!r}, which is not read")
    normals = columns[:, 3:] if columns.shape[1] == 6 else None
    return Raw(vertices=columns[:, :3], faces=no_faces(), normals=normals)


def _header(text: str) -> _Layout:
    """Columns and number of points."""
    words = {line.split()[0]: line.split()[1:] for line in text.splitlines() if line.strip()}
    names = words.get("FIELDS", [])
    if not {"x", "y", "z"} <= set(names):
        raise BadFile("has no fields x, y and z in its PCD header; export it again")
    sizes, kinds = words.get("SIZE", []), words.get("TYPE", [])
    counts = words.get("COUNT", ["1"] * len(names))
    if not len(names) == len(sizes) == len(kinds) == len(counts):
        raise BadFile("has a PCD header whose lines differ in length; export it again")
    fields = []
    for name, size, kind, count in zip(names, sizes, kinds, counts, strict=True):
        if kind not in _KINDS or size not in ("1", "2", "4", "8") or not count.isdecimal():
            raise BadFile(f"has a field {name!r} of unknown type in its PCD header")
        if (kind == "F" and size == "1") or (name in "xyz" and count != "1"):
            raise BadFile(f"has a field {name!r} of impossible size in its PCD header")
        fields.append((name, f"<{_KINDS[kind]}{size}", int(count)))
    points = words.get("POINTS") or [str(int(words["WIDTH"][0]) * int(words["HEIGHT"][0]))]
    layout = _Layout(fields=tuple(fields), points=int(points[0]))
    if layout.points < 0 or layout.row_bytes > MAX_ROW_BYTES:
        raise BadFile("has a PCD header that makes no sense; export it again")
    check_count(layout.points)
    return layout


def _short(layout: _Layout, found: int) -> BadFile:
    """The error for a file that ends early."""
    return BadFile(
        f"is cut short: it promises {layout.points} points and holds {found}; "
        "copy or export it again"
    )


def _from_text(body: bytes, layout: _Layout) -> np.ndarray:
    """Wanted columns of a text body."""
    lines = [line for line in body.decode("latin-1").splitlines() if line.strip()]
    if len(lines) < layout.points:
        raise _short(layout, len(lines))
    if not layout.points:
        raise BadFile("has no points")
    before = np.cumsum([0, *(count for _, _, count in layout.fields)])
    return table(lines[: layout.points], [int(before[i]) for i in layout.wanted])


def _from_rows(body: bytes, layout: _Layout) -> np.ndarray:
    """Wanted columns of a body written point by point."""
    if len(body) < layout.points * layout.row_bytes:
        raise _short(layout, len(body) // layout.row_bytes)
    row = np.dtype([(str(i), kind, (n,)) for i, (_, kind, n) in enumerate(layout.fields)])
    rows = np.frombuffer(body, row, layout.points)
    return np.column_stack([rows[str(i)][:, 0] for i in layout.wanted]).astype(np.float64)


def _from_columns(body: bytes, layout: _Layout) -> np.ndarray:
    """Wanted columns of a body written field by field."""
    sizes = [int(kind[2:]) * count * layout.points for _, kind, count in layout.fields]
    starts = np.cumsum([0, *sizes])
    return np.column_stack(
        [
            np.frombuffer(body, layout.fields[i][1], layout.points, int(starts[i]))
            for i in layout.wanted
        ]
    ).astype(np.float64)


def _unpacked(body: bytes, layout: _Layout) -> bytes:
    """The body without its compression."""
    packed = int.from_bytes(body[:4], "little")
    full = int.from_bytes(body[4:8], "little")
    if full > MAX_UNPACKED:
        raise BadFile("unpacks to more than is taken; export it unpacked, or more coarsely")
    if full != layout.points * layout.row_bytes:
        raise BadFile(
            f"promises {layout.points} points of {layout.row_bytes} bytes but {full} bytes "
            "in all; export it again"
        )
    if len(body) < 8 + packed:
        raise BadFile(
            f"is cut short: it promises {packed} packed bytes and holds {max(len(body) - 8, 0)}; "
            "copy or export it again"
        )
    return _lzf(body[8 : 8 + packed], full)


def _lzf(packed: bytes, full: int) -> bytes:
    """Unpack LZF: runs of new bytes, and repeats of up to 264 bytes seen up to 8192 back."""
    out = bytearray()
    at = steps = 0
    while at < len(packed) and len(out) <= full:
        steps += 1
        if steps > MAX_STEPS:
            raise BadFile("is packed into too many pieces; export it unpacked")
        control = packed[at]
        at += 1
        if control < 32:  # control + 1 new bytes
            out += packed[at : at + control + 1]
            at += control + 1
            continue
        length = control >> 5
        if length == 7:
            length += packed[at]
            at += 1
        back = ((control & 31) << 8) + packed[at] + 1
        at += 1
        length += 2
        if back > len(out):
            raise BadFile("is damaged inside its packed points; copy or export it again")
        piece = out[len(out) - back : len(out) - back + length]
        # A repeat may run into the bytes that it writes itself.
        out += (piece * (length // len(piece) + 1))[:length]
    if len(out) != full:
        raise BadFile(
            f"is damaged: its points unpack to {len(out)} bytes instead of {full}; "
            "copy or export it again"
        )
    return bytes(out)
