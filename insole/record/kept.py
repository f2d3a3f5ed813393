"""What is told of a record again and again, worked out once for as long as the record lives."""

from __future__ import annotations

import weakref
from collections.abc import Callable
from functools import wraps
from typing import TypeVar

from insole.record.values import Record

__all__ = ["kept"]

R = TypeVar("R", bound=Record)
T = TypeVar("T")


def kept(tell: Callable[[R], T]) -> Callable[[R], T]:
    """Return a function of one record that remembers what it told; records never change."""
    known: dict[int, tuple[weakref.ref[R], T]] = {}

    @wraps(tell)
    def told(record: R) -> T:
        key = id(record)
        found = known.get(key)
        if found is None or found[0]() is not record:
            found = weakref.ref(record, lambda _: known.pop(key, None)), tell(record)
            known[key] = found
        return found[1]

    return told
