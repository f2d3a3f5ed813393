"""What is written on a cut file, word by word: titles, labels and file names against the plan."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Protocol

from insole.errors import OutputError
from insole.readback.letters import UNREAD, Row
from insole.readback.told import Piece, Told, other, plain

__all__ = ["check_label", "check_sheet_title", "check_title", "name_in", "writable"]

# a part's short names on labels, and in the titles of its layers
SHORT = {
    "base": "BASE",
    "arch-pad": "PAD",
    "metatarsal-pad": "META",
    "heel-shim": "HEEL",
    "forefoot-shim": "FORE",
    "under-shoe-shim": "UNDER",
}
FACES = {"FOOT", "SHOE", "SOLE", "CLEAT"}
THICKNESS = 0.06  # mm: a figure with one decimal
MADE = 0.3  # mm between a thick edge as made and as planned


class Named(Protocol):
    """What a file's name says."""

    @property
    def label(self) -> str:
        """Label of its only part."""
        ...

    @property
    def side(self) -> str:
        """Side of all its parts."""
        ...


def writable(text: str) -> bool:
    """Return whether a text comes out as letters: others are drawn as boxes or bare."""
    return bool(re.fullmatch(r"[A-Za-z0-9 .,:/()_+-]*", text))


def check_sheet_title(file: str, text: str, face: str, told: Told, *, nested: bool) -> None:
    """Hold the title of a whole drawing against case, version and the face that is up."""
    if UNREAD in text and writable(told.tag):
        raise OutputError(f"{file}: its title cannot be read: {text!r}")
    if writable(told.tag) and plain(told.tag) not in plain(text):
        raise OutputError(f"{file} says {text!r}, not the case and version {told.tag}")
    seen, away = ("ABOVE", "BELOW") if face == "foot" else ("BELOW", "ABOVE")
    words = told.says(text)
    said = " ".join(words)
    wrong = "SHOE SIDE" if face == "foot" else "FOOT SIDE"
    if f"{face.upper()} SIDE UP" not in said or wrong in said or away in words:
        raise OutputError(f"{file} does not say that it shows the {face} side up")
    if not nested and f"SEEN FROM {seen}" not in said:
        raise OutputError(f"{file} does not say that it is seen from {seen.lower()}")


def name_in(file: str, title: str, label: Sequence[str], named: Named, told: Told) -> str:
    """Return the label of a part, as the title, the file or the letters on it give it."""
    if title:
        found = re.match(r"(LEFT|RIGHT) ([^,]+?),", title)
        if found is None:
            raise OutputError(f"{file}: the title {title!r} does not begin with side and part")
        name = f"{found[1]}-{found[2].strip()}".lower().replace(" ", "-")
        if named.label and name != named.label:
            raise OutputError(f"{file}: the title in it names the {name.replace('-', ' ')}")
        return name
    if named.label:
        return named.label
    text = " ".join(label)
    words = told.says(text)
    sides = [s for s in ("left", "right") if s.upper() in words or s[0].upper() in words[:1]]
    if len(sides) != 1:
        raise OutputError(f"{file}: a part on it does not tell its side: {text!r}")
    layer = re.search(r"\d+[A-Z]?/\d+", text)
    names = [name for name in SHORT if _names(name, words)]
    if len(names) == 1 and layer is None:
        return f"{sides[0]}-{names[0]}"
    return f"{sides[0]}-{'layer' if layer else 'other'}"


def _names(name: str, words: Sequence[str]) -> bool:
    """Return whether words name a part, in full or short."""
    full = name.upper().split("-")
    return all(word in words for word in full) or SHORT[name] in words


def check_title(file: str, title: str, label: str, face: str, told: Told) -> None:
    """Hold the title under a part against the plan: face, thickness, angle, thick edge."""
    side = label.partition("-")[0]
    words = told.says(title)
    if UNREAD in title:
        raise OutputError(f"{file}: the title of {label} cannot be read: {title!r}")
    if other(side).upper() in words:
        raise OutputError(f"{file}: the title of {label} also says {other(side).upper()}")
    piece = told.pieces.get(label)
    faced = piece.faced(face) if piece else f"{face.upper()} SIDE"
    if f"{faced} UP" not in " ".join(words):
        raise OutputError(f"{file}: the title of {label} does not say {faced} UP")
    if piece is None:
        return
    if piece.wedge is not None:
        _check_wedge_words(file, title, piece)
    elif piece.name == "base":
        said = re.search(r"(\d+(?:\.\d+)?) MM", title)
        thick = float(told.plan[side]["base"]["thickness"])
        if said is None or abs(float(said[1]) - thick) > THICKNESS:
            raise OutputError(f"{file}: the title of {label} does not say {thick:g} mm")


def _check_wedge_words(file: str, title: str, piece: Piece) -> None:
    wedge = piece.wedge or {}
    if piece.angle() not in title:
        raise OutputError(f"{file}: the title of {piece.label} does not say {piece.angle()}")
    thick = plain(str(wedge["thick_side"]))
    thin = "LITTLE TOE SIDE" if thick.startswith("BIG") else "BIG TOE SIDE"
    said = plain(title)
    if f"THICK ON THE {thick}" not in said or thin in said:
        raise OutputError(
            f"{file}: the title of {piece.label} does not say thick on the {wedge['thick_side']}"
        )
    edge = re.search(r"THICK EDGE (\d+\.\d) MM", title)
    if edge is None or abs(float(edge[1]) - float(wedge["thick_edge"])) > MADE + THICKNESS:
        raise OutputError(
            f"{file}: the title of {piece.label} does not say a thick edge of "
            f"{float(wedge['thick_edge']):.1f} mm"
        )


def check_label(file: str, rows: Sequence[Row], label: str, face: str, told: Told) -> None:
    """Hold what is written on a part against the plan, every word of it."""
    side = label.partition("-")[0]
    piece = told.pieces.get(label)
    own, wrong = {side.upper(), side[0].upper()}, {other(side).upper(), other(side)[0].upper()}
    faced = piece.faced(face) if piece else f"{face.upper()} SIDE"
    told_side = False
    for row in rows:
        words = told.says(row.text)
        told_side |= any(word in own for word in words)
        if bad := next((word for word in words if word in wrong), None):
            raise OutputError(f"{file}: {label} says {bad}, it is for the {side} foot")
        said = " ".join(words)
        if bad := next((f"{w} SIDE" for w in FACES if f"{w} SIDE" in said), "").replace(faced, ""):
            raise OutputError(f"{file}: {label} says {bad} where its {faced.lower()} is up")
        if piece is not None:
            _check_row(file, row.text, words, piece, told)
    if not rows and piece is None:  # a layer so small that nothing can be written on it
        return
    if not told_side:
        raise OutputError(f"{file}: {label} does not say {side.upper()}")


def _check_row(file: str, text: str, words: Sequence[str], piece: Piece, told: Told) -> None:
    """Refuse a row with a word or a figure that is not the part's."""
    if any(word in words for word in ("VARUS", "VALGUS")) and text.strip() != piece.angle():
        raise OutputError(f"{file}: {piece.label} says {text}, the plan {piece.angle() or 'none'}")
    allowed = {
        *piece.side.upper(),
        piece.side.upper(),
        *piece.name.upper().split("-"),
        "SIDE",
        SHORT.get(piece.name, "PAD"),
        *FACES,
        *plain(told.tag).split(),
        *plain(told.case).split(),
        *piece.angle().replace("°", "").split(),
    }
    if piece.wedge is not None:
        allowed |= {"THICK", "EDGE", *plain(piece.angle()).split()}
    strange = next((word for word in words if word not in allowed), None)
    if (strange or UNREAD in text) and writable(told.case):
        raise OutputError(f"{file}: {piece.label} says {text!r}, which the plan does not")
