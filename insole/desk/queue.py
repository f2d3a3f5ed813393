"""The maker's queue: pieces of made versions, by how they are made and of what.

made folders -> what their plates and sheets are of -> groups by material, newest first
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from insole.desk.owned import Bench, own
from insole.desk.store import Home
from insole.record.material_file import default_materials, load
from insole.record.materials import Materials

__all__ = ["Group", "Made", "Piece", "counts", "grouped"]

LISTED = 60  # made versions, the newest
WAYS = ("print", "either", "cut", "grind")
SHEET = re.compile(r"sheet-(?P<what>.+)-(?P<thick>[\d.]+)mm-(?P<number>\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One plate or sheet: whose it is, its file inside the made folder, whether it is done.

    `moot`: it is not to be made, since the other way was taken for its material. `counted`: of two
    ways that are both open one is counted.
    """

    case: str
    version: str
    folder: str
    file: str
    name: str
    done: bool
    moot: bool = False
    counted: bool = True

    @property
    def left(self) -> bool:
        """Whether it is still to be made."""
        return self.counted and not (self.done or self.moot)


# way, group's head, material, room and what it is about
_Found = tuple[str, str, str, str, Piece]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What is made one way of one material: ``"print"``, ``"cut"``, ``"grind"``, ``"either"``.

    ``"grind"`` is cut as a blank first. Of ``"either"`` plates and sheets are the same parts.
    """

    way: str
    material: str
    pieces: tuple[Piece, ...]

    @property
    def left(self) -> int:
        """How many pieces are still to be made."""
        return sum(piece.left for piece in self.pieces)

    @property
    def key(self) -> str:
        """What a page knows the group by."""
        return f"{self.way} {self.material}"


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
    table = load(own_table) if own_table is not None else default_materials()
    rows: dict[tuple[str, str], list[Piece]] = {}
    made = []
    for folder in folders[:LISTED]:
        mine = _pieces(folder, set(done.get(folder.name, ())), table)
        for way, material, piece in mine:
            rows.setdefault((way, material), []).append(piece)
        case, version = folder.parents[1].name, folder.name.rpartition("-v")[2]
        made.append(
            Made(
                case=case,
                version=version,
                folder=folder.name,
                left=sum(piece.left for _, _, piece in mine),
                papers=len(list((folder / "paper").glob("*.pdf"))),
            )
        )
    groups = [
        Group(way=way, material=material, pieces=tuple(pieces))
        for (way, material), pieces in rows.items()
    ]
    return sorted(groups, key=lambda g: (g.left == 0, WAYS.index(g.way), g.material)), made


def of_folder(home: Home, folder: Path) -> list[Group]:
    """Return what is to make of one made folder, by way and material."""
    own_table = own(home.folder, "materials")
    table = load(own_table) if own_table is not None else default_materials()
    done = set(Bench(home.folder).done().get(folder.name, ()))
    rows: dict[tuple[str, str], list[Piece]] = {}
    for way, material, piece in _pieces(folder, done, table):
        rows.setdefault((way, material), []).append(piece)
    groups = [Group(way=way, material=name, pieces=tuple(row)) for (way, name), row in rows.items()]
    return sorted(groups, key=lambda g: (WAYS.index(g.way), g.material))


def counts(home: Home) -> dict[str, dict[str, object]]:
    """Return what is left by group and by made folder, and which pieces are moot."""
    groups, made = grouped(home)
    return {
        "groups": {group.key: group.left for group in groups},
        "made": {one.folder: one.left for one in made},
        "moot": {f"{p.folder}/{p.file}": p.moot for group in groups for p in group.pieces},
    }


def _pieces(folder: Path, done: set[str], table: Materials) -> list[tuple[str, str, Piece]]:
    """Return a made folder's plates and sheets with way and material."""
    tag, found = f"-{folder.name}", []
    case, version = folder.parents[1].name, folder.name.rpartition("-v")[2]
    names, used = list(table), set()

    def add(room: str, path: Path, material: str, thick: str, name: str) -> None:
        process = table[material].process if material in table else ""
        if room == "print" and process == "cut":
            return  # no printer lays it down: its mesh serves a mill
        ground = process == "cut" and not {"pad", "wedge", "contour"}.isdisjoint(
            table[material].places
        )
        way = "either" if process == "both" else "grind" if ground else room
        file = path.relative_to(folder).as_posix()
        if file in done:
            used.add((material, room))
        words = f"{name} to {room}" if way == "either" else name
        piece = Piece(
            case=case,
            version=version,
            folder=folder.name,
            file=file,
            name=f"{words}, {thick}" if way == "either" and thick else words,
            done=file in done,
        )
        head = f"{material}, {thick}" if thick and way != "either" else material
        found.append((way, head, material, room, piece))

    for path in sorted((folder / "print").glob("*.3mf")):
        material, rest = _printed(path.stem.removesuffix(tag), names)
        add("print", path, material, "", f"plate {rest.replace('-', ' ')}".strip())
    for path in sorted((folder / "cut").glob("sheet-*.dxf")):
        stem = path.stem.removesuffix(tag)
        match = SHEET.fullmatch(stem)
        if match:
            add("cut", path, match["what"], f"{match['thick']} mm", f"sheet {match['number']}")
        else:
            add("cut", path, stem.removeprefix("sheet-"), "", "sheet")
    found = _without_large(folder, found)
    rooms = {(material, room) for _, _, material, room, _ in found}
    settled = []
    for way, head, material, room, piece in found:
        if way == "either":
            mine, other = (material, room), (material, "cut" if room == "print" else "print")
            moot = other in used and mine not in used
            counted = room == "print" or mine in used or other not in rooms
            piece = replace(piece, moot=moot, counted=counted)
        settled.append((way, head, piece))
    return settled


def _without_large(folder: Path, found: list[_Found]) -> list[_Found]:
    """Leave out plates that fit no printer where sheets hold the same parts, and name the others.

    A folder without a readable manifest is taken as it is.
    """
    try:
        record = json.loads((folder / "manifest.json").read_bytes())["larger"]
        large = {str(file): [float(mm) for mm in record[file]] for file in record}
    except (OSError, ValueError, TypeError, LookupError):
        return found
    cut = {material for _, _, material, room, _ in found if room == "cut"}
    kept = []
    for way, head, material, room, piece in found:
        if piece.file in large and material in cut:
            continue
        if piece.file in large:
            size = " x ".join(f"{mm:g}" for mm in large[piece.file][:2])
            words = f"{piece.name}, wants a bed of {size} mm"
            piece = replace(piece, name=words)
        kept.append((way, head, material, room, piece))
    return kept


def _printed(stem: str, materials: Sequence[str]) -> tuple[str, str]:
    """Return a plate's material and what else its name says; a lone base's leaves its ``base-``."""
    for name in sorted(materials, key=len, reverse=True):
        for word in (name, name.removeprefix("base-")):
            if stem == word or stem.endswith(f"-{word}"):
                return name, stem.removesuffix(word).strip("-")
    return stem, ""
