"""Letters of the bench page: numbers for arm's length, what must be acted on, plain words."""

from __future__ import annotations

from typing import Any

from insole.output.papers.flow import WIDE, paragraph

__all__ = ["ACT_PT", "COLUMN", "NUMBERS_PT", "SAME_MM", "WORDS_PT", "act", "big", "mixed"]

NUMBERS_PT = 12.0  # what a person reads at arm's length over the bench
ACT_PT = 10.0  # what must be acted on, at 40 cm
WORDS_PT = 9.0
COLUMN = WIDE / 2
SAME_MM = 0.05  # what one decimal does not tell apart


def big(text: str) -> Any:
    """Return a line in the numbers' size."""
    return paragraph(text, NUMBERS_PT, leading=1.15)


def act(text: str) -> Any:
    """Return a line in the size of what must be acted on."""
    return paragraph(text, ACT_PT, leading=1.15)


def mixed(text: str) -> Any:
    """Return a line of words whose figures, set in braces, are larger than they."""
    text = text.replace("{", f"<font size='{NUMBERS_PT:g}'>").replace("}", "</font>")
    return paragraph(text, WORDS_PT, leading=1.53)
