"""Ways to spoil any file: bits, lengths, numbers and words, drawn from a seeded generator."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable

import numpy as np

Rng = np.random.Generator
Way = Callable[[bytes, Rng], bytes]


def flipped(data: bytes, rng: Rng) -> bytes:
    found = bytearray(data)
    for at in rng.integers(0, len(found), rng.integers(1, 9)):
        found[at] ^= 1 << int(rng.integers(0, 8))
    return bytes(found)


def flipped_head(data: bytes, rng: Rng) -> bytes:
    found = bytearray(data)
    for at in rng.integers(0, min(len(found), 300), rng.integers(1, 4)):
        found[at] = int(rng.integers(0, 256))
    return bytes(found)


def cut(data: bytes, rng: Rng) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def cut_inside(data: bytes, rng: Rng) -> bytes:
    a, b = sorted(rng.integers(0, len(data), 2).tolist())
    return data[:a] + data[b:]


def doubled(data: bytes, rng: Rng) -> bytes:
    a, b = sorted(rng.integers(0, len(data), 2).tolist())
    return data[:b] + data[a:b] * int(rng.integers(1, 30)) + data[b:]


def filled(data: bytes, rng: Rng) -> bytes:
    a = int(rng.integers(0, len(data)))
    fill = [b"\0", b"\xff", b" ", b"\n", b"(", b"[", b'"', b"9", b"-", b",", b"<", b"{"][
        int(rng.integers(0, 12))
    ]
    return data[:a] + fill * int(rng.integers(1, 70_000)) + data[a:]


def lying_length(data: bytes, rng: Rng) -> bytes:
    """Put a wild whole number over four or eight bytes: where counts and lengths stand."""
    found = bytearray(data)
    value = int(rng.choice([0, 1, 2**15, 2**16 - 1, 2**24, 2**31 - 1, 2**32 - 1, 10**7, 10**8]))
    at = int(rng.integers(0, max(len(found) - 8, 1)))
    if rng.random() < 0.5:
        at = int(rng.integers(0, max(min(len(found) - 8, 256), 1)))
    found[at : at + 4] = struct.pack("<I", value)
    return bytes(found)


NUMBERS = (
    b"nan",
    b"inf",
    b"-inf",
    b"NaN",
    b"Infinity",
    b"-1",
    b"0",
    b"1e308",
    b"1e999",
    b"-1e-320",
    b"1e-6",
    b"99999999999",
    b"4294967296",
    b"-2147483649",
    b"0x10",
    b"1_000",
    b"1,5",
    b"1.5.5",
    b"",
    b"--5",
    b"1" * 5000,
    b"\xd9\xa3",
    b"true",
    b"null",
    b'"7"',
    b"[]",
    b"{}",
    b"1e6",
    b"2e7",
    b"[[[[1]]]]",
    b"1979-05-27",
    b"10000000",
    b"255",
    b"3.0",
    b"0.0000001",
)
_NUMBER = re.compile(rb"-?\d+(\.\d+)?(e[+-]?\d+)?")


def wild_number(data: bytes, rng: Rng) -> bytes:
    """Put a wild number in the place of one of a text's."""
    found = list(_NUMBER.finditer(data[:200_000]))
    if not found:
        return flipped(data, rng)
    for _ in range(int(rng.integers(1, 3))):
        if rng.random() < 0.4:
            found = found[:60]
        one = found[int(rng.integers(0, len(found)))]
        data = data[: one.start()] + NUMBERS[int(rng.integers(0, len(NUMBERS)))] + data[one.end() :]
        found = list(_NUMBER.finditer(data[:200_000]))
        if not found:
            break
    return data


SIGNS = (
    "\x00",
    "\x01",
    "\x1b[2J",
    "\u202e",
    "\u2028",
    "\ufeff",
    "\U000e0041",
    "\ud83d",
    "\xad",
    "é" + "\u0301" * 50,
    "..",
    "../../",
    "/etc/passwd",
    "C:\\con",
    "CON",
    "%s%n",
    "${x}",
    "'",
    '"',
    "\\",
    "\n",
    "\r",
    "\t",
    "<!--",
    "]]>",
    "&x;",
    "猫",
    "ريدر",
    "=1+1",
    "a" * 3000,
)
_WORD = re.compile(rb"[A-Za-z_]{2,}")


def wild_word(data: bytes, rng: Rng) -> bytes:
    """Put a wild text in, or in the place of, one of a text's words."""
    found = list(_WORD.finditer(data[:200_000]))
    if not found:
        return flipped(data, rng)
    one = found[int(rng.integers(0, len(found)))]
    sign = SIGNS[int(rng.integers(0, len(SIGNS)))].encode("utf-8", "surrogatepass")
    keep = one.group() if rng.random() < 0.5 else b""
    return data[: one.start()] + keep + sign + data[one.end() :]


def swapped(data: bytes, rng: Rng) -> bytes:
    """Exchange, drop or repeat whole lines."""
    lines = data.split(b"\n")
    a, b = (int(k) for k in rng.integers(0, len(lines), 2))
    match int(rng.integers(0, 3)):
        case 0:
            lines[a], lines[b] = lines[b], lines[a]
        case 1:
            del lines[a]
        case _:
            lines.insert(b, lines[a])
    return b"\n".join(lines)


def recoded(data: bytes, rng: Rng) -> bytes:
    """The same text in another alphabet, or with other line ends."""
    text = data.decode("latin-1")
    match int(rng.integers(0, 7)):
        case 0:
            return text.encode("utf-16")
        case 1:
            return text.encode("utf-16-be")
        case 2:
            return text.encode("utf-32")
        case 3:
            return b"\xef\xbb\xbf" + data
        case 4:
            return data.replace(b"\n", b"\r")
        case 5:
            return data.replace(b"\n", b"\r\n")
        case _:
            return data.replace(b".", b",")


def strewn(data: bytes, rng: Rng) -> bytes:
    return rng.bytes(int(rng.integers(0, 5000)))


def behind_head(data: bytes, rng: Rng) -> bytes:
    """A good beginning, and noise."""
    return data[: int(rng.integers(4, 400))] + rng.bytes(int(rng.integers(0, 4000)))
