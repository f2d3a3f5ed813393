"""How what a sentence asks for is typed: the one place that puts options behind words.

    error.asks, code of a finding or note -> how -> " (--side)", or nothing

Below the command line sentences say what is wanted, as data: the name of a statement or wish, or
the code of what was found. An option is that name with hyphens.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from footscan.results import Finding
    from insole.record.values import Note

__all__ = ["OF_CODE", "advice", "how", "noted"]

# what may be stated or wished where this was found
OF_CODE = {
    "load-unknown": "load",
    "scale-unverified": "foot_length",
    "card-scale": "scale",
    "length-unusual": "foot_length",
    "pen-not-stated": "pen",
    "one-sheet-taken": "sheet",
    "medial-side": "medial_edge",
    "kit-little": "pad_source",
    "effect": "contoured",
}


def how(*asks: str) -> str:
    """Return the options that state `asks`, in brackets after a space; nothing for none.

    Examples
    --------
    >>> how("unit", "foot_length")
    ' (--unit, --foot-length)'
    """
    return f" ({', '.join('--' + name.replace('_', '-') for name in asks)})" if asks else ""


def advice(finding: Finding) -> str:
    """Return what to do about a finding, and how it is typed."""
    if finding.code not in OF_CODE:
        return finding.advice
    end = "." * finding.advice.endswith(".")
    return f"{finding.advice.removesuffix('.')}{how(OF_CODE[finding.code])}{end}"


def noted(note: Note) -> str:
    """Return a plan's note; of a warning, how what it advises is typed."""
    known = OF_CODE.get(note.code) if note.level.value == "warn" else None
    return f"{note.text}{how(known) if known else ''}"
