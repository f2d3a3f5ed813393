"""A folder that a scanner writes to: which files are complete.

A file is complete when size and time of change stayed the same over three looks; an empty one
never is. Looks are told apart by the caller's rest, so that nothing here asks a clock.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

__all__ = ["Watcher"]

STILL = 2  # looks in a row after the first that must see the same


class Watcher:
    """Remembers what every look saw of each file."""

    def __init__(self) -> None:
        self._seen: dict[Path, tuple[tuple[int, int], int]] = {}

    def complete(self, files: Iterable[Path]) -> list[Path]:
        """Return which of the files are complete as of this look."""
        now: dict[Path, tuple[tuple[int, int], int]] = {}
        for path in files:
            try:
                about = path.stat()
            except OSError:  # moved away between listing and look
                continue
            state = (about.st_size, about.st_mtime_ns)
            before, still = self._seen.get(path, (None, 0))
            now[path] = (state, still + 1 if state == before and about.st_size else 0)
        self._seen = now
        return [path for path, (_, still) in now.items() if still >= STILL]

    def state(self, path: Path) -> tuple[int, int]:
        """Return size and time of change of a file as last seen."""
        return self._seen[path][0]
