"""Which files of a folder are whose: cases with a left and a right scan.

    folder, files -> cases_of -> Case(name, scans by side, fault)

Without a pattern a file's side is the one word ``left``, ``right``, ``L`` or ``R`` in its name,
set off by ``-``, ``_``, a dot or a space (or a capital at the end: ``larchLeft``); what is left of
the name, behind the names of the folders on the way, is the case. The name only says what belongs
together: which foot a scan really shows is told from the scan.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from footscan.reading import SUFFIXES, TEXT_SUFFIXES

__all__ = ["Case", "Pattern", "cases_of", "scans_in"]

SIDES = {"l": "left", "left": "left", "r": "right", "right": "right"}
_WORD = re.compile(r"(?i)(?:^|[-_. ])(left|right|l|r)(?=$|[-_. ])")
_TAIL = re.compile(r"(?<=[a-z0-9])(Left|Right|LEFT|RIGHT)$")
_TRIM = "-_. "


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """The scans of one rider.

    Attributes
    ----------
    name : str
        Names the case, as ``--case`` does.
    scans : tuple of (str, Path)
        Side by the file's name (``"left"``, ``"right"`` or empty) and file, left first.
    fault : str
        One sentence where the files cannot be one case's; else empty.
    """

    name: str
    scans: tuple[tuple[str, Path], ...]
    fault: str = ""

    @property
    def files(self) -> tuple[Path, ...]:
        """The files, left first."""
        return tuple(path for _, path in self.scans)

    @property
    def half(self) -> bool:
        """Whether the other foot's scan may still come."""
        return len(self.scans) == 1 and self.scans[0][0] != ""


class Pattern:
    """How a lab names its files: text with ``{case}``, ``{side}`` and ``*`` for anything.

    ``{side}`` stands for left, right, L or R in any case. A pattern with ``/`` is held against
    the path below the folder, else against the file's name.

    Raises
    ------
    ValueError
        ``{side}`` is missing, or a place holder stands twice or is not known.

    Examples
    --------
    >>> Pattern("{side}-{case}.*").of("R-larch.ply")
    ('larch', 'right')
    >>> Pattern("{case}/{side}*.stl").of("larch/L_second.stl")
    ('larch', 'left')
    >>> Pattern("{case}_{side}.ply").of("larch.ply") is None
    True
    """

    def __init__(self, text: str) -> None:
        fields = re.findall(r"\{(.*?)\}", text)
        if (
            "side" not in fields
            or len(set(fields)) != len(fields)
            or set(fields)
            - {
                "side",
                "case",
            }
        ):
            raise ValueError(
                f"a pattern has {{side}} once, and {{case}} at most once, got {text!r}; such as "
                "'{case}_{side}.*'"
            )
        self.in_folders = "/" in text
        pieces = {
            "{case}": r"(?P<case>[^/]+?)",
            "{side}": r"(?P<side>left|right|l|r)",
            "*": r"[^/]*",
        }
        self._known = re.compile(
            "".join(
                pieces.get(part, re.escape(part))
                for part in re.split(r"(\{case\}|\{side\}|\*)", text)
            ),
            re.IGNORECASE,
        )

    def of(self, name: str) -> tuple[str, str] | None:
        """Return case and side that a name says, or None."""
        found = self._known.fullmatch(name)
        if found is None:
            return None
        said = found.groupdict()
        return said.get("case") or "", SIDES[said["side"].lower()]


def scans_in(folder: Path, leave_out: Path | None = None) -> list[Path]:
    """Return the files below a folder that may be scans, sorted; nothing hidden.

    Parameters
    ----------
    folder : Path
        Where scans lie.
    leave_out : Path, optional
        A folder below it whose files are results.
    """
    out = leave_out.resolve() if leave_out is not None else None
    found = []
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if any(part.startswith(".") for part in parts) or path.suffix.lower() not in SUFFIXES:
            continue
        if path.is_file() and (out is None or out not in path.resolve().parents):
            found.append(path)
    return found


def cases_of(
    folder: Path, files: Iterable[Path], pattern: Pattern | None = None
) -> tuple[list[Case], list[Path]]:
    """Return the cases in a folder by name, and the files that are in none.

    A file whose name says no side is a case of its own, unless a pattern was given, or it is a
    text file, which may be anything.
    """
    groups: dict[str, list[tuple[str, Path]]] = {}
    left_out = []
    for path in sorted(files):
        within = path.relative_to(folder)
        said = _by_pattern(within, pattern) if pattern else _by_words(within)
        if said is None or (not said[1] and path.suffix.lower() in TEXT_SUFFIXES):
            left_out.append(path)
        else:
            groups.setdefault(said[0], []).append((said[1], path))
    return [_case(name, scans, folder) for name, scans in sorted(groups.items())], left_out


def _by_pattern(within: Path, pattern: Pattern) -> tuple[str, str] | None:
    """Return case and side as a pattern finds them."""
    said = pattern.of(within.as_posix() if pattern.in_folders else within.name)
    if said is None:
        return None
    folders = () if pattern.in_folders and said[0] else within.parts[:-1]
    return _joined(*folders, said[0]), said[1]


def _by_words(within: Path) -> tuple[str, str]:
    """Return case and side as the words of a name say them; no side if they say none or two."""
    stem = within.stem
    words = list(_WORD.finditer(stem))
    whole = [word for word in words if len(word[1]) > 1]
    found = whole if len(whole) == 1 else words
    tail = _TAIL.search(stem)
    if len(found) == 1 or (not found and tail):
        word = found[0] if found else tail
        assert word is not None
        rest = stem[: word.start()] + stem[word.end() :]
        return _joined(*within.parts[:-1], rest), SIDES[word[1].lower()]
    return _joined(*within.parts[:-1], stem), ""


def _joined(*parts: str) -> str:
    """Return the name of a case from folders and what a file's name says."""
    kept = [part.strip(_TRIM) for part in parts]
    return "-".join(part for part in kept if part) or "case"


def _case(name: str, scans: list[tuple[str, Path]], folder: Path) -> Case:
    """Return the case of files with one name; two files for one foot are a fault."""
    scans = sorted(scans)
    fault = ""
    for (side, path), (other, twin) in pairwise(scans):
        if side == other or "" in (side, other):
            what = f"both be the {side} foot" if side == other and side else "belong to one case"
            names = [one.relative_to(folder).as_posix() for one in (path, twin)]
            fault = (
                f"{names[0]} and {names[1]} would {what} of {name!r}; rename or move one, or say "
                "how files are named"
            )
    return Case(name=name, scans=tuple(scans), fault=fault)
