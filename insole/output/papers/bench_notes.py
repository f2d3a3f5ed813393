"""Warnings for the bench: each in the row of the thing it concerns, as short as it can be.

    FootPlan -> warnings(row) -> sentences in bench wording, the plan's own where there is none

A note of the plan explains; at the bench only what is to be done counts. So most carry a short
wording of their own, written where the rule is; those of earlier plans are read as they stand.
"""

from __future__ import annotations

from collections.abc import Sequence

from insole.output.phrases import LOAD_CASE, capital, noted
from insole.record.plan import FootPlan, Plan
from insole.record.values import Note, NoteLevel

__all__ = ["bench_words", "plan_warnings", "row_of", "warnings"]

# what each code concerns; the first beginning that fits decides
ROWS = (
    ("shoe", ("fit-",)),
    ("cleat", ("cleat", "float-")),
    (
        "pad",
        (
            "pad-",
            "crest-",
            "level-",
            "contact-arch",
            "contact-idle",
            "contact-edge",
            "medial-edge",
            "drop-only",
            "no-shoe",
            "load-",
            "by-hand-arch",
            "by-hand-navicular",
            "dowels",
            "no-dowels",
            "metatarsal-",
        ),
    ),
    ("wedge", ("wedge", "under-", "contact-less", "heel-dish", "by-hand-mth")),
    ("thickness", ("thick-", "heel-raised", "insole-")),
    ("saddle", ("saddle",)),
    ("pad", ("kit-",)),
    ("wedge", ("hand-hallux", "hand-tilt-wedge")),
)
# said by a number, a table or a step of the page itself
SHOWN = frozenset(
    {
        "effect",
        "not-asked",
        "saddle",
        "saddle-differs",
        "tender-not-free",
        "tender-spot",
        "under-before-riding",
        "under-bolts",
    }
)
TO_DO = frozenset({"heel-dish", "no-dowels"})  # notes that ask for a hand although they do not warn

PLACE = "\0"  # of the case in a sentence
BOLD = ("fit-", "wedge-first-ray")  # their first words are what the eye looks for
TICKED = frozenset({"wedge-first-ray"})


def row_of(code: str) -> str:
    """Return the row of the bench page that a note of that code belongs to."""
    return next((row for row, starts in ROWS if code.startswith(starts)), "mind")


def warnings(foot: FootPlan, row: str) -> list[str]:
    """Return the warnings of one row for one foot, as markup."""
    return _folded(
        [bench_words(note) for note in foot.notes if _acted_on(note) and row_of(note.code) == row]
    )


def _folded(texts: Sequence[str]) -> list[str]:
    """Return sentences, those that differ in the load case alone as one that names both."""
    found: dict[str, list[str]] = {}
    for text in texts:
        case = LOAD_CASE.search(text)
        found.setdefault(LOAD_CASE.sub(PLACE, text, count=1), []).append(case[0] if case else "")
    return [capital(text.replace(PLACE, _all(cases), 1)) for text, cases in found.items()]


def _all(cases: Sequence[str]) -> str:
    return " and ".join(dict.fromkeys(case.lower() for case in cases))


def plan_warnings(plan: Plan) -> list[str]:
    """Return the warnings that concern both feet, as markup; pain has its own place."""
    return [
        bench_words(note)
        for note in plan.notes
        if _acted_on(note) and note.code not in ("riding-pain", "stop-cleared", "same-day-care")
    ]


def bench_words(note: Note) -> str:
    """Return a note in bench wording, as markup."""
    from xml.sax.saxutils import escape

    text = capital(note.short or noted(note))
    head, colon, rest = text.partition(": ")
    words = escape(text)
    if note.short and colon and note.code.startswith(BOLD):
        words = f"<b>{escape(head)}</b>: {escape(rest)}"
    return f"☐ {words}" if note.code in TICKED and note.short else words


def _acted_on(note: Note) -> bool:
    graver = note.level is not NoteLevel.INFO or note.code in TO_DO
    return graver and note.code not in SHOWN
