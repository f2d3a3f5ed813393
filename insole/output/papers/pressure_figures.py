"""The report's pressure maps: without and with the parts, standing and pedalling, in one scale.

    ContactCase (before_map, after_map) -> pressure_maps -> flowable;  share_table -> table

A comparison of two beds by a model of springs, never a clinical figure: nothing here says that a
change is better.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.output.ink import BLACK, GREY, MIDDLE, stroke, write
from insole.output.papers.flow import WIDE, drawn, paragraph, table
from insole.output.papers.report_figures import Place
from insole.output.papers.shades import PRESSURES, Box, Scale, coloured, image, legend
from insole.output.phrases import capital
from insole.output.pictures.turn import Turn
from insole.output.places import crest_point
from insole.record.plan import FootPlan, Plan
from insole.record.planned_contact import ContactCase, PressureMap

__all__ = ["CASES", "MODEL", "NO_MAPS", "highest", "pressure_maps", "share_table"]

CASES = ("standing", "pedalling")
MODEL = (
    "A spring model compares two beds: it is not a clinical figure, the upper is left out, and a"
    " peak that rises or falls in it is no gain or loss of yours. What you feel on the bike counts."
)
NO_MAPS = "No pressure maps: the plan was made by an earlier version; the table has its figures."
SMALL, NAME = 2.6, 4.2
FINE = 4  # pixels to a side of a cell: cells blend linearly, as the springs below them do
FOOT_GAP, CASE_GAP = 9.0, 3.0  # mm between the maps of two feet, of two cases
STEP = 20.0  # kPa that the scale is rounded up to


def highest(plan: Plan) -> float:
    """Return where the common pressure scale ends, kPa; 0 without maps."""
    cells = [
        max(map(max, found.kpa))
        for foot in plan.feet
        for case in _cases(foot)
        for found in (case.before_map, case.after_map)
        if found is not None
    ]
    return STEP * float(np.ceil(max(cells) / STEP)) if cells and max(cells) > 0 else 0.0


def _cases(foot: FootPlan) -> list[ContactCase]:
    return [] if foot.contact is None else list(foot.contact.cases)


def pressure_maps(plan: Plan) -> Any | None:
    """Return the maps of both feet in one row, all in one scale; None without any."""
    top = highest(plan)
    if top == 0.0:
        return None
    count = len(plan.feet)
    cell = min((WIDE - FOOT_GAP * (count - 1) - CASE_GAP * count) / (4 * count), WIDE / 6)
    size = [np.ptp(np.asarray(foot.base.outline), axis=0) for foot in plan.feet]
    scale = (cell - 1.5) / max(float(s[1]) for s in size)
    scale = min(scale, 72.0 / max(float(s[0]) for s in size))
    high = scale * max(float(s[0]) for s in size)
    low = 12.0

    def paint(canvas: Any) -> None:
        left = (WIDE - count * (4 * cell + CASE_GAP + FOOT_GAP) + FOOT_GAP) / 2
        for foot in plan.feet:
            middle = left + 2 * cell + CASE_GAP / 2
            write(
                canvas, middle, low + high + 9.6, foot.side.upper(), NAME, bold=True, align="middle"
            )
            for name in CASES:
                case = next((c for c in _cases(foot) if c.case == name), None)
                _pair(canvas, foot, name, case, (left, low, cell, scale), top)
                left += 2 * cell + CASE_GAP
            left += FOOT_GAP - CASE_GAP
        step = next(s for s in (10.0, 20.0, 40.0, 100.0, 200.0, 1000.0) if top / s <= 8)
        words = "pressure in the model, kPa; + where the load is centred"
        legend(canvas, (WIDE / 2 - 35.0, 4.0), 70.0, Scale(top, PRESSURES, step, words))

    return drawn(WIDE, low + high + 14.5, paint)


def _pair(
    canvas: Any,
    foot: FootPlan,
    name: str,
    case: ContactCase | None,
    box: tuple[float, float, float, float],
    top: float,
) -> None:
    """Draw one case: the bed alone, then with the parts."""
    left, low, cell, scale = box
    base = np.asarray(foot.base.outline)
    tall = low + scale * float(np.max(base, axis=0)[0])
    load = "" if case is None else f", {case.load:.0f} N"
    write(canvas, left + cell, tall + 5.4, f"{name}{load}", 2.9, align="middle")
    maps = (None, None) if case is None else (case.before_map, case.after_map)
    for k, (found, words) in enumerate(zip(maps, ("without", "with"), strict=True)):
        turn = Turn(foot.side)
        lean = scale * float(base[:, 1].max() + base[:, 1].min()) / 2
        middle = left + (k + 0.5) * cell - turn.medial * lean
        place = Place(turn, middle, low, scale)
        if found is not None:
            _paint(canvas, place, found, top)
        if k == 1 and foot.pad is not None:
            stroke(canvas, place(foot.pad.outline), BLACK, 0.2, dash=(0.8, 0.5))
            x, y = map(float, place([crest_point(foot)])[0])
            canvas.circle(x, y, 0.4, stroke=0, fill=1)
        if k == 1 and foot.metatarsal is not None:
            stroke(canvas, place(foot.metatarsal.outline), BLACK, 0.2, dash=(0.8, 0.5))
        stroke(canvas, place(base), MIDDLE, 0.2)
        if case is not None and case.centre is not None and found is not None:
            _plus(canvas, place([case.centre])[0])
        if found is None:
            write(
                canvas,
                left + (k + 0.5) * cell,
                low + 20.0,
                "no map",
                SMALL,
                align="middle",
                colour=GREY,
            )
        write(canvas, left + (k + 0.5) * cell, tall + 1.6, words, SMALL, align="middle")


def _paint(canvas: Any, place: Place, found: PressureMap, top: float) -> None:
    """Draw one map; places without pressure stay paper white."""
    kpa: Array = np.pad(np.asarray(found.kpa), 1)  # a rim without pressure to blend into
    fine = ndimage.zoom(kpa, FINE, order=1, mode="grid-constant", grid_mode=True)
    fine = np.where(fine < 0.5, np.nan, fine)
    y = found.y0 + found.step * (np.arange(kpa.shape[1]) - 1)
    across = place.turn(np.column_stack([np.zeros_like(y), y]))[0]
    shown = fine[::-1] if across[0] < across[-1] else fine[::-1, ::-1]
    size = place.scale * found.step
    box = Box(
        place.x + place.scale * float(across.min()) - size / 2,
        place.y + place.scale * (found.x0 - 1.5 * found.step),
        size * kpa.shape[1],
        size * kpa.shape[0],
    )
    image(canvas, coloured(shown, top, PRESSURES), box)


def _plus(canvas: Any, at: Array) -> None:
    x, y = map(float, at)
    for colour, weight in (((1.0, 1.0, 1.0), 0.9), (BLACK, 0.35)):
        for ends in ([(x - 1.4, y), (x + 1.4, y)], [(x, y - 1.4), (x, y + 1.4)]):
            stroke(canvas, np.array(ends), colour, weight, close=False)


def share_table(plan: Plan) -> Any | None:
    """Return contact area and regional shares, without and with the parts; None without any."""
    columns = [
        (foot, name, next((c for c in _cases(foot) if c.case == name), None))
        for foot in plan.feet
        for name in CASES
    ]
    known = [case for _, _, case in columns if case is not None and case.before and case.after]
    if not known:
        return None
    heads = ["<b>without → with</b>"]
    heads += [f"<b>{foot.side.upper()}</b> {name}" for foot, name, _ in columns]
    regions = dict.fromkeys(region for case in known if case.before for region in case.before.share)
    rows: list[list[Any]] = [[paragraph(text, 8.0) for text in heads]]
    for name in ("contact area, cm²", *regions):
        label = name if name not in regions else f"{capital(name)}, % of the load"
        cells = [_change(case, name if name in regions else None) for _, _, case in columns]
        rows.append([paragraph(capital(label), 8.0), *(paragraph(cell, 8.0) for cell in cells)])
    first = 46.0
    return table(rows, [first, *[(WIDE - first) / len(columns)] * len(columns)], pad=0.2)


def _change(case: ContactCase | None, region: str | None) -> str:
    """Return a share, or the contact area, without → with the parts."""
    if case is None or case.before is None or case.after is None:
        return "–"
    was, now = case.before, case.after
    if region is None:
        return f"{was.area:.0f} → {now.area:.0f}"
    return f"{100 * was.share.get(region, 0.0):.0f} → {100 * now.share.get(region, 0.0):.0f}"
