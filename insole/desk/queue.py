"""The maker's queue: pieces of made versions, by how they are made and of what.

made folders -> what their plates and sheets are of -> groups by material, newest first
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from insole.desk.owned import Bench, own
from insole.desk.store import Home
from insole.record.material_file import default_materials, load

__all__ = ["Group", "Made", "Piece", "grouped"]

LISTED = 60  # made versions, the newest
SHEET = re.compile(r"sheet-(?P<what>.+)-(?P<thick>[\d.]+)mm-(?P<number>\d+)")


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
    own_table = own(home.folder, "materials")
    materials = list(load(own_table) if own_table is not None else default_materials())
    rows: dict[tuple[str, str], list[Piece]] = {}
    made = []
    for folder in folders[:LISTED]:
        mine = _pieces(folder, set(done.get(folder.name, ())), materials)
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


def _pieces(folder: Path, done: set[str], materials: Sequence[str]) -> list[tuple[str, str, Piece]]:
    """Return a made folder's plates and sheets with way and material."""
    tag, found = f"-{folder.name}", []
    case, version = folder.parents[1].name, folder.name.rpartition("-v")[2]

    def add(way: str, path: Path, material: str, name: str) -> None:
        file = path.relative_to(folder).as_posix()
        piece = Piece(case=case, version=version, folder=folder.name, file=file, name=name,
                      done=file in done)  # fmt: skip
        found.append((way, material, piece))

    for path in sorted((folder / "print").glob("*.3mf")):
        material, rest = _printed(path.stem.removesuffix(tag), materials)
        add("print", path, material, rest.replace("-", " ") or "plate")
    for path in sorted((folder / "cut").glob("sheet-*.dxf")):
        stem = path.stem.removesuffix(tag)
        match = SHEET.fullmatch(stem)
        if match:
            add("cut", path, f"{match['what']}, {match['thick']} mm", f"sheet {match['number']}")
        else:
            add("cut", path, stem.removeprefix("sheet-"), "sheet")
    return found


def _printed(stem: str, materials: Sequence[str]) -> tuple[str, str]:
    """Return a plate's material and what else its name says; a lone base's leaves its ``base-``."""
    for name in sorted(materials, key=len, reverse=True):
        for word in (name, name.removeprefix("base-")):
            if stem == word or stem.endswith(f"-{word}"):
                return name, stem.removesuffix(word).strip("-")
    return stem, ""
