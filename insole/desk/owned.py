"""What the workshop has of its own: the log of its scanners, its materials, limits and kit.

HOME/scanner-log.csv                            checks of scanners, as the command line logs them
HOME/materials.toml, stock.toml, limits.toml, kit.toml      the workshop's own; plans and files
                                                follow them
HOME/bench.json                                 what is done of the pieces to be made

Each own file is read as the command line reads it before it takes the place of the old one, so
that none is there which no plan could be made with.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from footscan.files import write_whole
from insole.errors import InsoleError, PlanError

__all__ = [
    "OWN_FILES",
    "SCANNER_LOG",
    "Bench",
    "OwnFile",
    "keep_own",
    "materials",
    "own",
    "own_shown",
]

SCANNER_LOG = "scanner-log.csv"
LARGEST = 200_000  # bytes of an own file
MOST_DONE = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFile:
    """A kind of file that a workshop may keep: its word, what it is, what reads it."""

    word: str
    name: str
    help: str
    read: Callable[[Path], object]


def _materials(path: Path) -> object:
    from insole.record import material_file

    return material_file.load(path)


def _stock(path: Path) -> object:
    from insole.record import stock

    return stock.read(path)


def _limits(path: Path) -> object:
    from insole.record import limits

    return limits.load(path)


def _kit(path: Path) -> object:
    from insole.planning.support import kit
    from insole.record import limits

    return kit.load(path, limits.default_limits())


OWN_FILES = (
    OwnFile(
        word="materials",
        name="Materials",
        read=_materials,
        help="What you print, cut and grind, and your calibration bars: print files come out "
        "scaled by them.",
    ),
    OwnFile(
        word="stock",
        name="Stock",
        read=_stock,
        help="Sheets in the rack, printers, blocks, the cutter, and what you make of what: "
        "layers and files follow it, and it goes before the figures above.",
    ),
    OwnFile(
        word="kit",
        name="Kit of pads",
        read=_kit,
        help="The pads you make or stock, by height, length and width.",
    ),
    OwnFile(
        word="limits",
        name="Limits",
        read=_limits,
        help="Your own limits of planning, where they are stricter or looser than the usual.",
    ),
)


def own(home: Path, word: str) -> Path | None:
    """Return the workshop's own file of a kind, or None."""
    path = home / f"{word}.toml"
    return path if path.is_file() else None


def materials(home: Path) -> Any:
    """Return the workshop's table of materials; the usual one where its own cannot be read."""
    from insole.record import material_file

    path = own(home, "materials")
    try:
        return material_file.load(path) if path is not None else material_file.default_materials()
    except InsoleError:  # said on its own page
        return material_file.default_materials()


def keep_own(home: Path, word: str, data: bytes) -> None:
    """Keep the workshop's own file of a kind; empty takes it away.

    Raises
    ------
    insole.errors.InsoleError
        There is no such kind, or the file is not one that can be used; the old one stays.
    """
    kind = next((one for one in OWN_FILES if one.word == word), None)
    if kind is None:
        raise PlanError("the workshop's own files are materials, kit and limits")
    path = home / f"{word}.toml"
    if not data.strip():
        path.unlink(missing_ok=True)
        return
    if len(data) > LARGEST:
        raise PlanError(f"that is too large for a file of {word}")
    trial = home / "incoming" / secrets.token_hex(8) / path.name
    trial.parent.mkdir(parents=True)
    try:
        trial.write_bytes(data)
        kind.read(trial)
    finally:
        trial.unlink(missing_ok=True)
        trial.parent.rmdir()
    write_whole(path, data)


def own_shown(home: Path) -> dict[str, Any]:
    """Return what the pages show: which own files there are, the materials, the pads."""
    from insole.planning.support import kit as kits
    from insole.record import limits, material_file

    found = {one.word: own(home, one.word) for one in OWN_FILES}
    table = material_file.default_materials()
    bounds = limits.default_limits()
    wrong: dict[str, str] = {}

    def read(word: str, reader: Callable[[Path], Any], usual: Any) -> Any:
        path = found[word]
        if path is None:
            return usual
        try:
            return reader(path)
        except InsoleError as error:  # edited in the folder since
            wrong[word] = str(error)
            return usual

    table = read("materials", material_file.load, table)
    bounds = read("limits", limits.load, bounds)
    pads = read("kit", lambda path: kits.load(path, bounds), None) or kits.default_kit(bounds)
    return {
        "files": [
            {
                "word": one.word,
                "name": one.name,
                "help": one.help,
                "there": found[one.word] is not None,
                "wrong": wrong.get(one.word, ""),
            }
            for one in OWN_FILES
        ],
        "materials": [
            {
                "name": m.name,
                "words": m.words,
                "places": ", ".join(m.places),
                "process": {"both": "print or cut"}.get(m.process, m.process),
                "own": m.by_workshop,
                "measured": m.measured,
            }
            for m in table.values()
        ],
        "kit": {
            "name": pads.name,
            "count": len(pads.pads),
            "heights": [f"{h:g}" for h in sorted({pad.height for pad in pads.pads})],
        },
    }


class Bench:
    """What is done of the pieces to be made: ticks by made folder and piece."""

    def __init__(self, home: Path) -> None:
        self.path = home / "bench.json"

    def done(self) -> dict[str, list[str]]:
        """Return what is ticked; nothing where the file is damaged: ticks can be set again."""
        try:
            found = json.loads(self.path.read_bytes())
            return {str(k): [str(one) for one in v] for k, v in found["done"].items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}

    def tick(self, folder: str, piece: str, done: bool) -> None:
        """Tick a piece of a made folder, or take the tick back."""
        found = self.done()
        pieces = {*found.get(folder, []), piece} if done else {*found.get(folder, [])} - {piece}
        found[folder] = sorted(pieces)
        kept = {name: rows for name, rows in found.items() if rows}
        if sum(map(len, kept.values())) > MOST_DONE:
            raise InsoleError("too many ticks are kept; erase old cases")
        data = json.dumps({"schema_version": 1, "done": kept}, indent=1) + "\n"
        write_whole(self.path, data.encode())
