"""What tests of the bench page ask of it."""

from __future__ import annotations

from typing import Any

from insole.record.plan import Plan
from insole.record.values import Note, NoteLevel
from tests.papers import (
    changed,
    letters,
)


def sizes_of(page: Any, phrase: str) -> tuple[float, float]:
    """Return smallest letter of a phrase in points, and its height on the sheet, mm."""
    seen = letters(page)
    at = "".join(char for char, _, _ in seen).index(phrase.replace(" ", ""))
    span = seen[at : at + len(phrase.replace(" ", ""))]
    return min(size for _, size, _ in span), min(box[1] for _, _, box in span)


def warned(plan: Plan, side: str, *notes: tuple[str, str]) -> Plan:
    found = [Note(code=code, level=NoteLevel.WARN, text=text) for code, text in notes]
    return changed(plan, side, notes=found)
