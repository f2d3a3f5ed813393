"""The bench page's table of thickness, before and after, across the bed where its sides differ.

Plan, FootPlan -> thickness_lines -> flowables
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from insole.output.papers.bench_type import COLUMN, NUMBERS_PT, WORDS_PT, big
from insole.output.papers.flow import gap, paragraph, table
from insole.planning.stack import SIDE_SHARE
from insole.planning.thickness import TOES_SHARE
from insole.record.least import counts
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan, ThicknessRow
from insole.record.rings import edges_at

__all__ = ["thickness_lines"]

STATIONS = ("heel", "arch", "ball", "toes")


def thickness_lines(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return heel, arch, ball, toes before and after; both sides of the bed where they differ."""
    rows: dict[str, ThicknessRow] = {row.station: row for row in foot.thickness}
    if not rows:
        return [big("Thickness not worked out")]
    found = [rows.get(name) for name in STATIONS]
    names = ["before", "after"]
    values = [[row and row.before for row in found], [row and row.after for row in found]]
    apart = [row if row is not None and _differs(row) else None for row in found]
    if any(apart):
        names = ["before", "big-toe side", "middle", "little-toe side"]
        values.insert(1, [row and row.medial for row in apart])
        values.append([row and row.lateral for row in apart])
    lines = [
        [
            paragraph("mm, with cover", 8.4),
            *(
                paragraph(name, WORDS_PT, align="center")
                for name in ("heel", "arch¹", "ball²", "toes")
            ),
        ]
    ]
    for name, some in zip(names, values, strict=True):
        empty = "" if name.endswith("side") else "–"
        bold = ("", "") if name == "before" else ("<b>", "</b>")
        cells = [empty if value is None else f"{value:.1f}" for value in some]
        lines.append(
            [
                paragraph(name, WORDS_PT, leading=1.0),
                *(
                    paragraph(cell.join(bold), NUMBERS_PT, align="center", leading=1.0)
                    for cell in cells
                ),
            ]
        )
    column = (COLUMN - 3.0 - 27.0) / 4
    small = table(lines, [27.0, *[column] * 4], lines=False, pad=0.1)
    small.setStyle([("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LEFTPADDING", (0, 0), (0, -1), 0)])
    said = [small, gap(0.6)]
    if any(apart):
        places = _side_places(plan, foot, [row for row in apart if row is not None])
        said += [paragraph(places, WORDS_PT)] if places else []
    if any(row.before is None for row in rows.values()):
        said.append(paragraph("–: the insole taken out was not measured", WORDS_PT))
    return said


def _side_places(plan: Plan, foot: FootPlan, rows: Sequence[ThicknessRow]) -> str:
    """Return how far from the centreline the sides of the bed in the table lie, as planned."""
    ring, foot_x = np.array(foot.base.outline), np.array(foot.foot_outline)[:, 0]
    rear, long = float(foot_x.min()), float(np.ptp(foot_x))
    at = {
        "heel": rear + of_plan(plan).value("seating.heel_seat") * long,
        "toes": rear + TOES_SHARE * long,
    }
    if {"mth1", "mth5"} <= foot.landmarks.keys():
        at["ball"] = (foot.landmarks["mth1"][0] + foot.landmarks["mth5"][0]) / 2
    said = []
    for row in rows:
        if row.station not in at:
            continue
        low, high = (float(y[0]) for y in edges_at(ring, at[row.station]))
        big = f"{low + (1 - SIDE_SHARE) * (high - low):.0f}"
        little = f"{-(low + SIDE_SHARE * (high - low)):.0f}"
        both = big if big == little else f"{big} to big toe, {little} to little toe"
        said.append(f"{row.station} {both}")
    return f"Sides, mm from centreline: {'; '.join(said)}" if said else ""


def _differs(row: ThicknessRow) -> bool:
    """Return whether the two sides of the bed are not as thick as its middle."""
    return any(
        side is not None and counts(side - row.after, "thickness")
        for side in (row.medial, row.lateral)
    )
