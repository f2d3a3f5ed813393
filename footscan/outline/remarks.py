"""What is to be said about a traced foot: its sheet, its line, its load and its proportions.

sheet, contour, measures, what was asked -> findings
"""

from __future__ import annotations

from footscan.outline import typed as hand
from footscan.outline.asked import BARREL_MM, Asked
from footscan.outline.contour import Contour
from footscan.outline.paper import PAPERS
from footscan.outline.sheet import Sheet
from footscan.results import Finding, Measure, Severity
from footscan.scan import Load

__all__ = ["findings"]

BREADTH_SHARE = (0.32, 0.45)  # of the length, ANSUR II 2012: else it is no outline of a foot
ADULT_MM = (198.0, 323.0)  # shortest and longest of 6068 adults, ANSUR II 2012
GAP_MM = 8.0  # a shorter gap is not worth a word


def findings(
    found: Sheet, drawn: Contour, values: dict[str, Measure], asked: Asked
) -> list[Finding]:
    """Return what is to be said about a traced foot."""
    return [
        *_of_the_line(found, drawn, asked),
        *_of_the_foot(found, values, asked),
        *hand.contradictions(asked.typed, values),
    ]


def _of_the_line(found: Sheet, drawn: Contour, asked: Asked) -> list[Finding]:
    """Return what is to be said about sheet, pen and line."""
    notes = [
        hand.finding(
            "from-an-outline",
            Severity.MEASURING,
            "from an outline on paper: lengths and breadths only, no heights and no sole",
            "choose a shoe by it; scan the foot before parts are made to its arch",
        )
    ]
    if found.paper.off > 3:
        notes.append(
            hand.finding(
                "two-sheets",
                Severity.NOTE,
                f"the scale comes from {found.paper.words}",
                "the joint must be tight, without a gap or an overlap",
            )
        )
    if asked.barrel is None:
        notes.append(
            hand.finding(
                "pen-not-stated",
                Severity.NOTE,
                f"the pen was taken as {BARREL_MM:g} mm thick, its line {asked.allowance:g} ± "
                f"{1.96 * asked.allowance_sd:.1f} mm outside the foot",
                "measure the pen and state it",
            )
        )
    if drawn.longest_gap > GAP_MM:
        notes.append(
            hand.finding(
                "gap-bridged",
                Severity.NOTE,
                f"the line has gaps, the longest {drawn.longest_gap:.0f} mm; they were bridged",
                "look at the picture beside the result",
                drawn.longest_gap,
            )
        )
    share = float((drawn.strokes_apart > 0).mean())
    if share > 0.05:
        notes.append(
            hand.finding(
                "double-stroke",
                Severity.NOTE,
                f"the line was drawn twice on {100 * share:.0f} % of its way, up to "
                f"{drawn.strokes_apart.max():.1f} mm apart; {_taken(drawn)}",
                "draw each outline once",
                share,
            )
        )
    return notes


def _taken(drawn: Contour) -> str:
    """Return which of two strokes was taken."""
    inner = float(drawn.inner_taken.sum() / max((drawn.strokes_apart > 0).sum(), 1))
    if inner < 0.02:
        return "their middle was taken"
    where = "" if inner > 0.9 else " where one runs outside the other for long, else their middle"
    return f"the inner one, nearer to the foot, was taken{where}"


def _of_the_foot(found: Sheet, values: dict[str, Measure], asked: Asked) -> list[Finding]:
    """Return what is to be said about load, length and proportion."""
    length, breadth = values["foot_length"], values["foot_breadth"]
    assert length.value is not None
    assert breadth.value is not None
    notes = []
    if asked.load is Load.UNKNOWN:
        notes.append(
            hand.finding(
                "load-unknown",
                Severity.NOTE,
                "how much weight was on the foot is not known",
                "state it; half is standing on both feet",
            )
        )
    if found.paper.key == "a4" and asked.paper is None and asked.typed.foot_length is None:
        long = length.value * PAPERS["a4-pair"].long / found.paper.long
        if long <= ADULT_MM[1]:
            notes.append(
                hand.finding(
                    "one-sheet-taken",
                    Severity.MEASURING,
                    f"one A4 sheet was taken: on two that were taped the foot would be {long:.0f} "
                    "mm long",
                    "state which it was, or the foot's length by hand",
                    long,
                )
            )
    if not ADULT_MM[0] <= length.value <= ADULT_MM[1]:
        notes.append(
            hand.finding(
                "length-unusual",
                Severity.MEASURING,
                f"a foot of {length.value:.0f} mm is outside what adults have (198 to 323 mm)",
                "check which paper was used; measure the foot by hand and state its length",
                length.value,
            )
        )
    ratio = breadth.value / length.value
    if not BREADTH_SHARE[0] <= ratio <= BREADTH_SHARE[1]:
        notes.append(
            hand.finding(
                "proportion",
                Severity.AGAIN,
                f"the breadth is {100 * ratio:.0f} % of the length, feet have 32 to 45 %",
                "draw around the bare foot with the pen upright, and photograph the sheet again",
                ratio,
            )
        )
    return notes
