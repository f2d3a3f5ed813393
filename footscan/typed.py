"""Text that came from outside: names, dates, notes, words of an override, names of files.

    typed, or read from a file -> line, words, label -> the text that is kept, shown and written

One kind of text for all of them: printable, one line, bounded, in composed form. So it can stand in
XML, PDF, DXF, SVG, JSON and CSV, on a terminal, and it reads as it is written: control characters
and those that turn the direction of reading are refused. A *label* names a case on parts and in
folders besides: it has letters that the engraving tells apart, so that two riders never get the
same boxes.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from itertools import filterfalse

__all__ = [
    "LABEL_LONGEST",
    "LINE_LONGEST",
    "fault",
    "is_reserved",
    "label",
    "line",
    "shown",
    "strange",
    "words",
]

LINE_LONGEST = 300
LABEL_LONGEST = 63
TEXT_LONGEST = 20_000  # of a text in a record of ours, such as a row of a map
NEST_DEEPEST = 40
MOST_MARKS = 3  # accents on one letter; more is no writing
# Names that Windows keeps for devices, with any ending; CP/M's heritage, by Microsoft's "Naming
# Files, Paths, and Namespaces" (value from memory).
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?")


def fault(text: str, longest: int = LINE_LONGEST) -> str:
    r"""Return what is wrong with a text as the end of a sentence, or nothing.

    Examples
    --------
    >>> fault("Dr Ödön, 2026-05-31")
    ''
    >>> fault("left\u202etfel")
    'holds a character that cannot be printed (U+202E)'
    """
    if len(text) > longest:
        return f"is longer than {longest} characters"
    if not text.isprintable():
        sign = next(sign for sign in text if not sign.isprintable())
        return f"holds a character that cannot be printed (U+{ord(sign):04X})"
    marks = 0
    for sign in text:
        marks = marks + 1 if unicodedata.combining(sign) else 0
        if marks > MOST_MARKS:
            return "piles up accents on one letter"
    return ""


def line(text: str, what: str, longest: int = LINE_LONGEST) -> str:
    r"""Return a text as one clean line: composed, without blanks at its ends.

    Raises
    ------
    ValueError
        It is too long or holds what cannot be printed: one sentence that begins with `what`.

    Examples
    --------
    >>> line(" shoe\u00a0no 1 ", "the shoe's name")
    'shoe no 1'
    """
    text = unicodedata.normalize("NFC", text)
    text = "".join(" " if unicodedata.category(sign) == "Zs" else sign for sign in text).strip()
    if wrong := fault(text, longest):
        raise ValueError(f"{what} {wrong}; type it as one short plain line")
    return text


def words(text: str, what: str, longest: int = LINE_LONGEST) -> str:
    r"""Return free text as one clean line: line ends and tabs become blanks.

    Examples
    --------
    >>> words("better\n than  before", "what was said")
    'better than before'
    """
    return line(" ".join(text.split()), what, longest)


def label(text: str, what: str) -> str:
    """Return the name of a case: a clean line of letters that can be engraved.

    Raises
    ------
    ValueError
        As for :func:`line`; or it is empty, or has a letter that parts cannot show.

    Examples
    --------
    >>> label("Rémy 7/b", "the case's name")
    'Rémy 7/b'
    """
    text = line(text, what, LABEL_LONGEST)
    if not any(sign.isalnum() for sign in text):
        raise ValueError(f"{what} has no letter or digit; give a pseudonym such as rider-7")
    for sign in text:
        plain = [c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c)]
        if not all(c.isascii() for c in plain) and sign != "ß":
            raise ValueError(
                f"{what} has the letter {sign!r}, which cannot be engraved on parts; use A to Z, "
                "digits, - and _"
            )
    return text


def shown(text: str) -> str:
    r"""Return a text for a screen: what cannot be printed is a question mark, line ends stay.

    Examples
    --------
    >>> shown("a\x1b[2Jb")
    'a?[2Jb'
    """
    return "".join(sign if sign.isprintable() or sign == "\n" else "?" for sign in text)


def is_reserved(name: str) -> bool:
    """Return whether Windows keeps a file's name, whatever its ending, for a device.

    Examples
    --------
    >>> is_reserved("con.ply"), is_reserved("LPT1"), is_reserved("console")
    (True, True, False)
    """
    return _RESERVED.fullmatch(name) is not None


def strange(tree: object) -> str:
    """Return what no record of ours holds, as the rest of a sentence; nothing when all is well.

    Parameters
    ----------
    tree : object
        A parsed JSON or TOML file: texts that cannot be printed, numbers that are none or beyond
        any measure, and nesting beyond all need are found wherever they are.
    """
    return next(_strange(tree), "")


def _is_plain(value: object) -> bool:
    """Return whether a value is a number like any other; most of a plan's are."""
    return type(value) is float and -1e300 < value < 1e300


def _strange(tree: object) -> Iterator[str]:
    waiting: list[tuple[object, str, int]] = [(tree, "", 0)]
    while waiting:
        value, place, depth = waiting.pop()
        if depth > NEST_DEEPEST:
            yield "is nested too deeply"
            return
        if isinstance(value, Mapping):
            for key, entry in value.items():
                if wrong := fault(str(key), LINE_LONGEST):
                    yield f"has a key in {shown(place)[:80] or 'its first table'} that {wrong}"
                waiting.append((entry, f"{place}.{key}" if place else str(key), depth + 1))
        elif isinstance(value, list | tuple):
            some = value if depth == NEST_DEEPEST else filterfalse(_is_plain, value)
            waiting += [(entry, place, depth + 1) for entry in some]
        elif isinstance(value, str):
            if wrong := fault(value, TEXT_LONGEST):
                yield f"has a text at {place[:80] or 'its top'} that {wrong}"
        elif isinstance(value, int | float) and not -1e300 < value < 1e300:  # nor nan, nor inf
            yield f"has a number at {place[:80] or 'its top'} that is none or beyond any measure"
