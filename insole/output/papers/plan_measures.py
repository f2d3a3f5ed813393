"""The plan page's measures: what was measured, what could not be and why, shoe against foot.

Plan -> measure_section, missing_section, room_section -> flowables
"""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape

from insole.output.papers.flow import head, paragraph, table
from insole.output.phrases import amount, signed, words
from insole.record.least import Kind, counts
from insole.record.plan import Plan
from insole.record.values import Quantity

__all__ = ["measure_section", "missing_section", "room_section"]

# what a name of the trade or of an author measures
GLOSSES = {
    "arch_height_index": "arch height index (dorsum over truncated length)",
    "arch_index": "arch index (midfoot share of the footprint)",
    "chippaux_smirak": "Chippaux-Smirak (footprint index: arch over ball)",
    "staheli": "Staheli (footprint index: arch over heel)",
}
# station, the foot's measure, the shoe's
ROOMS = (
    ("length", "foot_length", "length"),
    ("ball width", "foot_breadth", "ball_width"),
    ("heel width", "heel_breadth_max", "heel_width"),
    ("ball girth", "ball_girth", "ball_girth"),
    ("instep height", "instep_height", "instep_height"),
)


def measure_section(plan: Plan) -> list[Any]:
    """Return the table of measures that could be had, left against right."""
    names = list(dict.fromkeys(name for foot in plan.feet for name in foot.measures))
    rows = [[paragraph(f"<b>{name}</b>") for name in ("measure", "left", "right", "left − right")]]
    for name in names:
        pair = [foot.measures.get(name) if foot else None for foot in (plan.left, plan.right)]
        if all(item is None or item.value is None for item in pair):
            continue
        cells = ["–" if q is None or q.value is None else amount(q) for q in pair]
        cells = [GLOSSES.get(name, words(name)), *cells, _difference(*pair)]
        rows.append([paragraph(cell) for cell in cells])
    shown = table(rows, [85.0, 35.0, 35.0, 35.0], pad=0.3, repeat=1)
    return [*head("Measures, ± one standard deviation"), shown]


def _difference(left: Quantity | None, right: Quantity | None) -> str:
    """Return left minus right with its standard deviation, or nothing."""
    if left is None or right is None or left.value is None or right.value is None:
        return ""
    sd = None
    if left.sd is not None and right.sd is not None:
        sd = (left.sd**2 + right.sd**2) ** 0.5
    apart = left.value - right.value
    kinds: dict[str, Kind] = {"mm": "length", "deg": "angle"}
    kind = kinds.get(left.unit)
    if kind is not None and not counts(apart, kind):
        return "alike"
    return amount(Quantity(value=apart, unit=left.unit, sd=sd), sign=True)


def missing_section(plan: Plan) -> list[Any]:
    """Return what could not be measured, each with its reason."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for foot in plan.feet:
        for name, item in foot.measures.items():
            if item.value is None:
                reasons.setdefault((name, item.reason or "no reason given"), []).append(foot.side)
    if not reasons:
        return []
    lines = [
        paragraph(f"<b>{GLOSSES.get(name, words(name))}</b> ({' and '.join(who)}): {escape(why)}.")
        for (name, why), who in reasons.items()
    ]
    return [*head("Not measurable from these scans, and why"), *lines]


def room_section(plan: Plan) -> list[Any]:
    """Return the foot's measures against those of the shoe, and how the plan judges each."""
    inside = (plan.shoe or {}).get("inside") or {}
    rows = [
        [
            paragraph(f"<b>{name}</b>")
            for name in (
                "shoe against foot, mm",
                "shoe inside",
                "LEFT foot",
                "less the foot",
                "RIGHT foot",
                "less the foot",
                "judged",
            )
        ]
    ]
    for station, measure, key in ROOMS:
        size = inside.get(key)
        found = [foot.measures.get(measure) if foot else None for foot in (plan.left, plan.right)]
        if size is None or all(q is None or q.value is None for q in found):
            continue
        cells = [station, f"{size:.1f}"]
        for q in found:
            if q is None or q.value is None:
                cells += ["–", ""]
                continue
            cells += [amount(q).removesuffix(" mm"), signed(size - q.value, 1)]
        rows.append([paragraph(cell) for cell in (*cells, _judged(plan, station))])
    if len(rows) < 2:
        return []
    shown = table(rows, [38.0, 22.0, 27.0, 22.0, 27.0, 22.0, 32.0], pad=0.35, repeat=1)
    return [
        *head("Shoe against foot"),
        shown,
        paragraph(
            "Less the foot: shoe less scanned foot. Judged with heel clearance, growth under"
            " load, base and cover taken into account; see the notes.",
            8.0,
        ),
    ]


def _judged(plan: Plan, station: str) -> str:
    """Return how the plan's notes judge a station, the feet named where they differ."""
    found: dict[str, list[str]] = {}
    for foot in plan.feet:
        codes = {note.code: note.text for note in foot.notes}
        word = "tight" if f"fit-{station.replace(' ', '-')}" in codes else ""
        for part in codes.get("fit", "").removeprefix("shoe: ").split("; "):
            said, _, places = part.partition(" at ")
            word = word or (said if station in places.split(", ") else "")
        if word:
            found.setdefault(word, []).append(foot.side)
    if len(found) == 1:
        return next(iter(found))
    return ", ".join(f"{' and '.join(sides)} {word}" for word, sides in found.items())
