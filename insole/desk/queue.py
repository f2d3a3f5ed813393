"""The maker's queue: pieces of made versions, by how they are made and of what.

made folders -> what their plates and sheets are of -> groups by material, newest first
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from insole.desk.owned import Bench
from insole.desk.store import Home

__all__ = ["Group", "Made", "Piece", "grouped"]

LISTED = 60  # made versions, the newest
KINDS = {
    "print": ("print", "*.3mf", re.compile(r"(?P<what>.+?)(?:-(?P<plate>\d+))?")),
    "cut": ("cut", "sheet-*.dxf", re.compile(r"sheet-(?P<what>.+?)(?:-(?P<plate>\d+))?")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One plate or sheet: whose it is, its file inside the made folder, whether it is done."""

    case: str
    version: str
    folder: str
    file: str
    name: str
    done: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What is made one way of one material: ``"print"`` or ``"cut"``."""

    way: str
    material: str
    pieces: tuple[Piece, ...]

    @property
    def left(self) -> int:
        """How many pieces are still to be made."""
        return sum(not piece.done for piece in self.pieces)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """One made version."""

    case: str
    version: str
    folder: str
    left: int
    papers: int


def grouped(home: Home) -> tuple[list[Group], list[Made]]:
    """Return the queue by material, what is to do first, and the made versions, newest first."""
    done = Bench(home.folder).done()
    folders = [p.parent for p in home.cases_folder.glob("[!.]*/made/*/manifest.json")]
    folders.sort(key=lambda folder: (folder / "manifest.json").stat().st_mtime, reverse=True)
    rows: dict[tuple[str, str], list[Piece]] = {}
    made = []
    for folder in folders[:LISTED]:
        mine = _pieces(folder, set(done.get(folder.name, ())))
        for way, material, piece in mine:
            rows.setdefault((way, material), []).append(piece)
        case, version = folder.parents[1].name, folder.name.rpartition("-v")[2]
        made.append(
            Made(case=case, version=version, folder=folder.name,
                 left=sum(not piece.done for _, _, piece in mine),
                 papers=len(list((folder / "paper").glob("*.pdf"))))
        )  # fmt: skip
    groups = [Group(way=way, material=material, pieces=tuple(pieces))
              for (way, material), pieces in rows.items()]  # fmt: skip
    return sorted(groups, key=lambda g: (g.left == 0, g.way != "print", g.material)), made


def _pieces(folder: Path, done: set[str]) -> list[tuple[str, str, Piece]]:
    """Return a made folder's plates and sheets with way and material."""
    tag, found = f"-{folder.name}", []
    case, version = folder.parents[1].name, folder.name.rpartition("-v")[2]
    for way, (room, pattern, name) in KINDS.items():
        for path in sorted((folder / room).glob(pattern)):
            match = name.fullmatch(path.stem.removesuffix(tag))
            material = match["what"] if match else path.stem
            plate = f"{'plate' if way == 'print' else 'sheet'} {match['plate']}" if (
                match and match["plate"]) else ("plate" if way == "print" else "sheet")  # fmt: skip
            file = path.relative_to(folder).as_posix()
            found.append((way, material, Piece(
                case=case, version=version, folder=folder.name, file=file, name=plate,
                done=file in done)))  # fmt: skip
    return found
