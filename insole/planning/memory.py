"""What plans of the same feet have in common, kept between them.

feet, shoe, limits, kit + wishes -> Memory.kept -> what was made of them before, or is made now
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

__all__ = ["Memory"]

T = TypeVar("T")
KEPT = 256  # things that a memory holds: a hand that comes back finds them


class Memory:
    """What was planned of the same feet before: whole feet, and the stages ahead of the support.

    Feet, shoe, limits and kit are told by identity and kept alive; none of them is ever changed.
    The oldest entries go first.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[object, ...], tuple[Any, tuple[object, ...]]] = {}

    def kept(
        self, name: str, same: tuple[object, ...], equal: tuple[object, ...], make: Callable[[], T]
    ) -> T:
        """Return what `make` gives, made once per `same` (by identity) and `equal` (by value)."""
        key = (name, *map(id, same), *equal)
        if key not in self._kept:
            while len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[key] = make(), same
        found: T = self._kept[key][0]
        return found
