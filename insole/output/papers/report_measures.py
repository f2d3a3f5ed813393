"""The report's measures: left against right, each difference with its deviation as a bar.

Plan -> measures_section -> flowables
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from footscan.checking.pairs import EXCEEDS_SD
from insole.output.ink import BLACK, GREY, PALE
from insole.output.papers.flow import drawn, head, paragraph, table
from insole.output.phrases import amount, load_words, signed, spread_words
from insole.record.least import clear
from insole.record.plan import Plan
from insole.record.values import Quantity

__all__ = ["measures_section"]

MEASURES = (
    ("foot_length", "length"),
    ("heel_to_ball_length", "heel to ball"),
    ("foot_breadth", "breadth"),
    ("ball_girth", "girth round the ball"),
    ("arch_apex_height", "height of the arch"),
    ("instep_height", "height of the instep"),
)
BAR = (48.0, 4.0)  # mm, room of a bar that shows a difference
SPREAD = "± is one standard deviation."


def measures_section(plan: Plan) -> list[Any]:
    """Return the main measures; of two feet with a bar for each difference."""
    of = [{} if foot is None else foot.measures for foot in (plan.left, plan.right)]
    every = [(said, of[0].get(name), of[1].get(name)) for name, said in MEASURES]
    found = [(said, left, right) for said, left, right in every if _known(left) or _known(right)]
    if not found:
        return []
    if len(plan.feet) < 2:
        rows = [
            [paragraph(said, 8.2), paragraph(_value(left or right), 8.2)]
            for said, left, right in found
        ]
        shown = table(rows, [37.0, 27.0], pad=0.12)
        shown.hAlign = "LEFT"
        side = plan.feet[0].side.upper()
        return [*head(f"Measures, {side}", 20.0), shown, paragraph(SPREAD, 7.6)]
    shown = table(_measure_rows(found), [37.0, 27.0, 27.0, 25.0, BAR[0] + 3.0, 23.0], pad=0.12)
    return [*head("Left against right", 20.0), shown, paragraph(_compared(plan), 7.6)]


def _measure_rows(found: list[tuple[str, Quantity | None, Quantity | None]]) -> list[list[Any]]:
    """Return the rows of the table: both values, their difference in numbers and as a bar."""
    apart = [_difference(left, right) for _, left, right in found]
    reach = max((abs(d) + EXCEEDS_SD * sd for d, sd in filter(None, apart)), default=0.0) or 1.0
    heads = ("", "LEFT", "RIGHT", "left − right")
    rows: list[list[Any]] = [[paragraph(f"<b>{name}</b>", 8.2) for name in heads]]
    rows[0] += [paragraph("← left larger · right larger →", 7.6, align="center"), ""]
    for (said, left, right), difference in zip(found, apart, strict=True):
        row = [paragraph(cell, 8.2) for cell in (said, _value(left), _value(right))]
        if difference is None:
            rows.append([*row, "", "", ""])
            continue
        value, sd = difference
        judged = f"<b>{'left' if value > 0 else 'right'} larger</b>"
        if not clear(value, sd, "mm", times=EXCEEDS_SD):
            judged = "not clear"
        bar = drawn(*BAR, partial(_bar, value=value, sd=sd, reach=reach))
        number = f"{signed(value, 1)}{spread_words(sd)} mm"
        rows.append([*row, paragraph(number, 8.2), bar, paragraph(judged, 8.2)])
    return rows


def _compared(plan: Plan) -> str:
    """Return how differences are to be read."""
    said = f"{SPREAD} A difference counts beyond two of them: dot outside the grey band."
    if plan.left and plan.right and plan.left.load != plan.right.load:
        said += (
            f" Scanned in different states ({load_words(plan.left.load)};"
            f" {load_words(plan.right.load)}): differences may come from that alone."
        )
    return said


def _value(q: Quantity | None) -> str:
    return "–" if q is None or q.value is None else amount(q)


def _known(q: Quantity | None) -> bool:
    return q is not None and q.value is not None


def _difference(left: Quantity | None, right: Quantity | None) -> tuple[float, float] | None:
    """Return left minus right and its standard deviation."""
    if left is None or right is None or left.value is None or right.value is None:
        return None
    return left.value - right.value, float(np.hypot(left.sd or 0.0, right.sd or 0.0))


def _bar(canvas: Any, value: float, sd: float, reach: float) -> None:
    """Draw a difference as a dot, and two of its standard deviations about zero as a band."""
    wide, high = BAR
    unit = 0.46 * wide / reach
    middle = wide / 2
    canvas.setFillColorRGB(*PALE)
    band = EXCEEDS_SD * sd * unit
    canvas.rect(middle - band, 0.8, 2 * band, high - 1.6, stroke=0, fill=1)
    canvas.setStrokeColorRGB(*GREY)
    canvas.setLineWidth(0.2)
    canvas.line(middle, 0.2, middle, high - 0.2)
    canvas.setFillColorRGB(*BLACK)
    # a longer left foot leans to the left, where the left foot stands
    canvas.circle(middle - value * unit, high / 2, 0.9, stroke=0, fill=1)
