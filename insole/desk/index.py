"""A list of the cases in embedded SQLite, so that it is there at once; rebuilt when it is lost.

The folders are the truth: each line carries a stamp of its folder, and a line whose folder has
another one by now (the command line works in the same store) is read anew.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path

from insole.errors import InsoleError

__all__ = ["Index", "Row"]

TABLE = """CREATE TABLE IF NOT EXISTS cases (
    name TEXT PRIMARY KEY, opened TEXT, feet TEXT, shoe TEXT, versions INTEGER, trials INTEGER,
    stamp INTEGER)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One case in the list: feet scanned, shoe, numbers of plans and trials.

    `stamp` is the latest change of its folder, nanoseconds.
    """

    name: str
    opened: str
    feet: str
    shoe: str
    versions: int
    trials: int
    stamp: int


class Index:
    """The list of cases."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @staticmethod
    def stamp(folder: Path | str) -> int:
        """Return when a case last changed, nanoseconds."""
        found, place = 0, os.fspath(folder)
        for name in ("case.json", "desk.json", "plans", "trials"):
            try:
                found = max(found, os.stat(f"{place}/{name}").st_mtime_ns)
            except OSError:
                continue
        return found

    def rows(self, folder: Path, read: Callable[[str], Row]) -> list[Row]:
        """Return the rows of the cases in `folder`; `read` gives one that is new or changed.

        A case that cannot be read is left out here; opening it says why.
        """
        with os.scandir(folder) as inside:
            names = sorted(one.name for one in inside if one.is_dir() and one.name[0] != ".")
        try:
            return self._rows(folder, names, read)
        except sqlite3.DatabaseError:  # damaged: the folders have it all
            self.path.unlink(missing_ok=True)
            return self._rows(folder, names, read)

    def _rows(self, folder: Path, names: list[str], read: Callable[[str], Row]) -> list[Row]:
        base = sqlite3.connect(self.path, timeout=10)
        try:
            with base:
                base.execute(TABLE)
                known = {
                    row[0]: row
                    for row in base.execute(f"SELECT {', '.join(Row.__slots__)} FROM cases")
                }
                found, place = [], os.fspath(folder)
                for name in names:
                    line = known.get(name)
                    if line is None or line[-1] != self.stamp(f"{place}/{name}"):
                        try:
                            row = read(name)
                        except InsoleError:
                            continue
                        base.execute(
                            "INSERT OR REPLACE INTO cases VALUES (?,?,?,?,?,?,?)", astuple(row)
                        )
                    else:
                        row = Row(**dict(zip(Row.__slots__, line, strict=True)))
                    found.append(row)
                for name in set(known) - set(names):
                    base.execute("DELETE FROM cases WHERE name = ?", (name,))
        finally:
            base.close()
        return found
