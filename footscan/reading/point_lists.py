"""Lists of points as text: XYZ, ASC, CSV, TXT, PTS.

What the text looks like is told from its first line of numbers and the line before it:

    separator    semicolon, comma, or white space
    decimal sign comma where commas cannot be the separator, else point
    columns      by the names x, y, z (nx, ny, nz) of a header line; without one the first three,
                 after a column that only counts the lines
    normals      columns of unit length after the coordinates, or after a colour

Lines before the first line of numbers, and lines that start with ``#`` or ``//``, are passed over.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass

import numpy as np

from footscan.reading.raw import MAX_POINTS, BadFile, Raw, check_count, no_faces, table
from footscan.scan import Array

__all__ = ["looks_like_points", "read_points"]

HEAD_LETTERS = 1 << 16
HEAD_LINES = 200
HEADER_LETTERS = 2000  # of the line that may name the columns
MAX_COLUMNS = 16  # more without named columns is a table of something else
USED_COLUMNS = 10  # line number, coordinates, colour, normal
UNIT_LENGTH_BAND = 0.02  # normals written with two or three decimals
_NUMBER = re.compile(r'"?[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?"?|[+-]?nan|[+-]?inf', re.I)
_COMMENT = re.compile(r"^\s*(#|//)")
_INNER_COMMENT = re.compile(r"//[^\n]*")
_LOOSE_COMMA = re.compile(r",(?=[ \t\n])")
_BRACKETS = re.compile(r"[\[(][^\])]*[\])]")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """What a list of points looks like."""

    delimiter: str | None
    skip: int
    names: tuple[str, ...]
    columns: int
    claimed: int | None


def looks_like_points(data: bytes) -> bool:
    """Whether a line of three numbers stands near the start of a text."""
    try:
        _layout(_text(data[: 4 * HEAD_LETTERS]))
    except BadFile:
        return False
    return True


def read_points(data: bytes) -> Raw:
    """Read a list of points, with normals where the text has them."""
    text = _text(data)
    check_count(text.count("\n"), "lines", MAX_POINTS + HEAD_LINES)
    layout = _layout(text)
    if layout.delimiter != "," and "," in text:
        text = _LOOSE_COMMA.sub(" ", text).replace(",", ".")
    if "//" in text:
        text = _INNER_COMMENT.sub("", text)
    wanted = _wanted(layout)
    values = table(
        io.StringIO(text),
        wanted,
        delimiter=layout.delimiter,
        skip=layout.skip,
        quote='"' if '"' in text else None,
    )
    if layout.claimed is not None and layout.claimed > len(values):
        raise BadFile(
            f"is cut short: its first line promises {layout.claimed} points and {len(values)} "
            "follow; copy or export it again"
        )
    if "x" in layout.names:
        normals = values[:, 3:6] if len(wanted) == 6 else None
        return Raw(vertices=values[:, :3], faces=no_faces(), normals=normals)
    first = 1 if _counts_lines(values) else 0
    return Raw(
        vertices=values[:, first : first + 3],
        faces=no_faces(),
        normals=_unit_columns(values[:, first + 3 :]),
    )


def _text(data: bytes) -> str:
    """Decode a text; only digits matter, so any one-byte alphabet will do."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = data[: len(data) // 2 * 2].decode("utf-16", errors="replace")
    elif b"\0" in data:
        raise BadFile("should be a list of points as text but holds binary data")
    else:
        text = data.removeprefix(b"\xef\xbb\xbf").decode("latin-1")
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _layout(text: str) -> _Layout:
    """Tell separator, decimal sign and columns from the head of a text."""
    lines = text[:HEAD_LETTERS].split("\n")[:HEAD_LINES]
    header, claimed = "", None
    for number, line in enumerate(lines):  # noqa: B007 (used after the loop)
        if not line.strip() or _COMMENT.match(line):
            header = line.strip() or header
            continue
        delimiter, decimal_comma = _separator(line)
        fields = _fields(line, delimiter, decimal_comma)
        if len(fields) >= 3 and all(_is_number(field) for field in fields[:3]):
            break
        if len(fields) >= 3 and sum(_is_number(field) for field in fields[:3]) == 2:
            raise BadFile(
                f"has a line of two numbers and {_odd(fields)} where three numbers should be; "
                "correct that line or export it again"
            )
        if re.fullmatch(r"\s*\d{1,9}\s*", line):
            claimed = int(line)
        else:
            header, claimed = line, None
    else:
        raise BadFile(f"has no line of three numbers among its first {len(lines)} lines")
    names = _names(header, delimiter, len(fields))
    if not names and delimiter == "," and _two_commas(fields):
        raise BadFile(
            "may use the comma both as the decimal sign and between columns; export it with "
            "semicolons, or name the columns in a header line"
        )
    numeric = [_is_number(field) for field in fields]
    return _Layout(
        delimiter=delimiter,
        skip=number,
        names=names,
        columns=numeric.index(False) if False in numeric else len(numeric),
        claimed=claimed,
    )


def _is_number(word: str) -> bool:
    """Whether a word is a number, with a decimal point or comma."""
    return _NUMBER.fullmatch(word) is not None


def _odd(fields: list[str]) -> str:
    """The first of three words that is no number, quoted."""
    return repr(next(field for field in fields if not _is_number(field))[:20])


def _separator(line: str) -> tuple[str | None, bool]:
    """Separator (None for white space), and whether the comma is the decimal sign."""
    if ";" in line:
        return ";", "," in line
    if "," not in line:
        return None, False
    inner = len(re.findall(r"\d,\d", line))
    spaced = len(re.findall(r"\S\s+[^\s,]", line.strip()))
    if spaced >= 2 and inner >= 1 and not re.search(r"\d,\d+,\d", line):
        return None, True  # "12,5 3,25 1,0": commas within words that blanks keep apart
    return ",", False


def _two_commas(fields: list[str]) -> bool:
    """Whether six whole numbers may be three that were cut at a decimal comma."""
    wholes = all(re.fullmatch(r"[+-]?\d+", field) for field in fields)
    return len(fields) == 6 and wholes and all(field.isdecimal() for field in fields[1::2])


def _fields(line: str, delimiter: str | None, decimal_comma: bool) -> list[str]:
    """The words of a line, without a separator at its end."""
    if delimiter is None:
        return [word.rstrip(",") if decimal_comma else word for word in line.split()]
    fields = [field.strip() for field in line.split(delimiter)]
    return fields[:-1] if not fields[-1] else fields


def _names(header: str, delimiter: str | None, columns: int) -> tuple[str, ...]:
    """Column names of a header line; empty when it does not name the columns."""
    header = header[:HEADER_LETTERS]
    plain = _BRACKETS.sub("", _COMMENT.sub("", header)).replace('"', "").lower()
    words = [word.strip() for word in plain.split(delimiter)] if plain.strip() else []
    if len(words) < 3 and delimiter is None:
        words = re.split(r"[;,\s]+", plain.strip())
    names = tuple(re.sub(r"^normal[_ ]?", "n", word).partition("_")[0] for word in words)
    if {"x", "y", "z"} <= set(names[:columns]):
        return names[:columns]
    if _COMMENT.match(header):
        return ()
    if 3 < columns == len(names) and not any(_is_number(name) for name in names):
        raise BadFile("has a header line that names no columns x, y and z; name them there")
    return ()


def _wanted(layout: _Layout) -> list[int]:
    """Columns to read."""
    if layout.names:
        names = [*"xyz", "nx", "ny", "nz"]
        found = [layout.names.index(name) for name in names if name in layout.names]
        return found if len(found) == 6 else found[:3]
    if layout.columns > MAX_COLUMNS:
        raise BadFile(
            f"has {layout.columns} columns and no header line that names x, y and z; it does not "
            "look like a list of points"
        )
    return list(range(min(layout.columns, USED_COLUMNS)))


def _counts_lines(values: Array) -> bool:
    """Whether the first of four or more columns only counts the lines."""
    if values.shape[1] < 4 or len(values) < 3:
        return False
    return bool((values[:, 0] == values[0, 0] + np.arange(len(values))).all())


def _unit_columns(values: Array) -> Array | None:
    """Three columns of unit length, if they come first or after three columns of colour."""
    for first in (0, 3):
        part = values[:, first : first + 3]
        if part.shape[1] == 3:
            length = np.sqrt((part**2).sum(axis=1))
            if (np.abs(length - 1.0) < UNIT_LENGTH_BAND).all():
                return part
    return None
