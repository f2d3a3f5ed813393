"""Sentences that riders say after a trial, with and without danger in them."""

from __future__ import annotations

from pathlib import Path

__all__ = ["sentences"]

RIDERS = Path(__file__).parent / "insole" / "riders" / "sentences.txt"


def sentences(kind: str) -> list[tuple[str, str]]:
    """Return (how the ride was, sentence) of one kind."""
    lines = RIDERS.read_text(encoding="utf-8").splitlines()
    rows = [
        [part.strip() for part in line.split("|", 3)]
        for line in lines
        if line and not line.startswith("#")
    ]
    assert {row[0] for row in rows} == {"danger", "calm"}
    return [(row[2], row[3]) for row in rows if row[0] == kind]
