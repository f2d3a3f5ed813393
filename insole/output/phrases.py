"""Numbers and records of a plan in the words of its papers.

    Quantity, Note, CleatPlan ... -> amount, noted, behind ... -> text, escaped where it is markup

One rule for uncertainty: ± is one standard deviation, and none is printed that rounds to nothing.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from typing import Any
from xml.sax.saxutils import escape

from insole.record.least import counts
from insole.record.plan import Plan
from insole.record.planned_parts import PadPlan
from insole.record.values import Note, NoteLevel, Override, Quantity

__all__ = [
    "COVERAGE",
    "LEVEL_WORDS",
    "LOAD_CASE",
    "all_notes",
    "amount",
    "answers",
    "behind",
    "capital",
    "change",
    "extent",
    "flat_words",
    "load_words",
    "merged",
    "noted",
    "override",
    "paper",
    "passed_line",
    "sentence",
    "shift_words",
    "signed",
    "spread_words",
    "words",
    "yaw_words",
]

LOAD_CASE = re.compile(r"\b(?:standing|pedalling)\b", re.IGNORECASE)  # of the contact model

COVERAGE = 1.96  # standard deviations in a 95 % band
LISTED = 9  # a longer list in a shoe file, such as an outline, is counted, not printed
LEVEL_WORDS = {
    NoteLevel.REFUSE: "Refused",
    NoteLevel.WARN: "Mind",
    NoteLevel.INFO: "Note",
}
FURTHER = re.compile(r"a further ±([\d.]+) mm")  # a bound, not a standard deviation
SWITCH = re.compile(r"\s*\([^()]*--[a-z][^()]*\)")  # how a thing is typed: of no use on paper
MINUS = re.compile(r"(?<![\w.−-])-(?=\d)")
ZERO = re.compile(r"[+−]0\.0(?![\d.])")
BAND = re.compile(r"± ([\d.]+)")


def paper(text: str) -> str:
    """Return a sentence as it stands on paper: without command switches, with true minus signs.

    Examples
    --------
    >>> paper("an edge of 9 mm (--medial-edge 9) raises it by -1 mm on 2026-11-20")
    'an edge of 9 mm raises it by −1 mm on 2026-11-20'
    """
    text = ZERO.sub("0.0", MINUS.sub("−", SWITCH.sub("", text)))
    return FURTHER.sub(r"up to \1 mm more", text)


def noted(note: Note) -> str:
    """Return a note's sentence for paper, not escaped; a band of 95 % becomes ± one sd."""
    text = paper(note.text).rstrip(".")
    if note.code.startswith("fit-"):
        text = BAND.sub(lambda found: f"± {float(found[1]) / COVERAGE:.1f}", text)
    return text


def amount(q: Quantity, *, sign: bool = False) -> str:
    """Return value, standard deviation and unit: ``12.5 ± 1.5 mm``."""
    if q.value is None:
        return f"not known ({escape(q.reason)})" if q.reason else "not known"
    places = 1 if q.unit in ("mm", "deg", "%") else 3
    unit = {"deg": "°", "mm": " mm", "": ""}.get(q.unit, f" {q.unit}")
    value = signed(q.value, places) if sign else plain(q.value, places)
    return f"{value}{spread_words(q.sd, places)}{unit}"


def spread_words(sd: float | None, places: int = 1) -> str:
    """Return `` ± 0.6``, or nothing for a spread that rounds to nothing."""
    return "" if sd is None or round(sd, places) <= 0 else f" ± {sd:.{places}f}"


def plain(value: float, places: int) -> str:
    """Return `value` with a true minus, and no sign on zero."""
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")


def signed(value: float, places: int | None = None) -> str:
    """Return `value` with its sign, a true minus, and no sign on zero."""
    text = f"{value:+g}" if places is None else f"{value:+.{places}f}"
    return text.lstrip("+-") if float(text) == 0 else text.replace("-", "−")


def change(value: float, sd: float | None = None) -> str:
    """Return a change of the saddle with its way said once: ``1.9 ± 0.4 mm down``."""
    if not counts(value, "saddle"):
        return "leave it"
    return f"{abs(value):.1f}{spread_words(sd)} mm {'up' if value > 0 else 'down'}"


def behind(value: float) -> str:
    """Return a place along the foot in words: ``4.0 mm behind``."""
    if not counts(value, "cleat"):
        return "level with"
    return f"{abs(value):.1f} mm {'ahead of' if value > 0 else 'behind'}"


def yaw_words(yaw: float) -> str:
    """Return which way the cleat's nose points, degrees about +z."""
    if not counts(yaw, "cleat turn"):
        return "nose straight ahead"
    side = "big-toe" if yaw > 0 else "little-toe"
    return f"nose {abs(yaw):g}° to the {side} side of the shoe's midline"


def shift_words(shift: tuple[float, float]) -> str:
    """Return a pad's shift by hand: ``3 mm forward, 2 mm lateral``."""
    names = (("forward", "back"), ("medial", "lateral"))
    return ", ".join(
        f"{abs(step):g} mm {plus if step > 0 else minus}"
        for step, (plus, minus) in zip(shift, names, strict=True)
        if abs(step) > 0.05
    )


def extent(pad: PadPlan) -> tuple[float, float]:
    """Return a pad's length and width along and across the bed, mm."""
    x, y = zip(*pad.outline, strict=True)
    return max(x) - min(x), max(y) - min(y)


def answers(plan: Plan, wanted: str) -> list[str]:
    """Return the questions with that answer, in words."""
    return [words(name) for name, answer in plan.answers.items() if answer == wanted]


def passed_line(over: Override) -> str:
    """Return a limit passed on purpose, as one plain line."""
    return f"Limit passed on purpose: {over.limit}; {over.who}, {over.when}: {over.why}"


def override(over: Override) -> str:
    """Return a limit passed on purpose, as markup."""
    return (
        f"<b>Limit passed on purpose:</b> {escape(over.limit)}. By {escape(over.who)},"
        f" {escape(over.when)}: {escape(over.why)}."
    )


def all_notes(plan: Plan, without: Collection[str] = ()) -> list[tuple[str, str]]:
    """Return level and text of every note, gravest first, feet named."""
    every = [("", note) for note in plan.notes]
    every += [(foot.side, note) for foot in plan.feet for note in foot.notes]
    every.sort(key=lambda item: list(LEVEL_WORDS).index(item[1].level))
    return merged(
        (LEVEL_WORDS[note.level], side, noted(note))
        for side, note in every
        if note.code not in without
    )


def merged(notes: Iterable[tuple[str, str, str]]) -> list[tuple[str, str]]:
    """Return head and text of (word, side, text), a text that both feet share only once."""
    sides: dict[tuple[str, str], list[str]] = {}
    for word, side, text in notes:
        sides.setdefault((word, text), []).append(side)
    return [
        (", ".join(filter(None, (word, " and ".join(filter(None, who))))) + ":", text.rstrip("."))
        for (word, text), who in sides.items()
    ]


def flat_words(record: Any, name: str = "") -> list[str]:
    """Return a nested record as 'name value' phrases."""
    if isinstance(record, dict):
        return [
            said
            for key, value in record.items()
            for said in flat_words(value, f"{name} {words(str(key))}".strip())
        ]
    if isinstance(record, list | tuple):
        if len(record) > LISTED:
            return [f"{name} {len(record)} entries".strip()]
        nested = any(isinstance(item, list | tuple | dict) for item in record)
        items = (", ".join(flat_words(item)) for item in record)
        return [f"{name} {', '.join(f'({item})' if nested else item for item in items)}".strip()]
    if record is None:
        return [f"{name} not given".strip()]
    if isinstance(record, bool):
        return [f"{name} {'yes' if record else 'no'}".strip()]
    said = f"{record:g}".replace("-", "−") if isinstance(record, float) else f"{record}"
    return [f"{name} {said}".strip()]


def load_words(load: str) -> str:
    """Return the load of a scan in words."""
    known = {
        "none": "no load",
        "seated": "seated",
        "half": "standing on both feet",
        "full": "standing on one leg",
    }
    return known.get(load, "load not known")


def words(name: str) -> str:
    """Return a key as words."""
    return name.replace("_", " ").replace("-", " ")


def capital(text: str) -> str:
    """Return `text` with a capital."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return `text` as a sentence, or nothing."""
    return capital(text).rstrip(".") + "." if text else ""
