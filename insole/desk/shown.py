"""What the pages draw of shoes and plans: plain data in page coordinates.

FitResult -> fit_shown; FootPlan -> plan_shown; feet: :mod:`insole.desk.shown_foot`

Page coordinates, mm: across to the right, up to the toes, as the two feet lie before the fitter.
The big toe of a left foot is on its right, of a right foot on its left: this is decided here, by
:class:`insole.output.pictures.turn.Turn`, and never in the browser, which also gives moves
back in page coordinates (:func:`moved`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from scipy import ndimage

from footscan.scan import Array
from insole.output.phrases import capital, noted, paper
from insole.output.pictures.turn import Turn
from insole.output.places import crest_point, wedge_lines
from insole.planning.fit import FitResult
from insole.planning.fit_stations import StationFit
from insole.planning.ramp import inside_height
from insole.planning.seating import planned_bed
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, PadPlan
from insole.record.values import HeightGrid, Quantity

HIGHEST_MM = 0.5  # apart are the places among which the highest of a pad is looked for
__all__ = ["fit_shown", "grid", "moved", "plan_shown"]

ARCH_NAMES = {
    "arch_apex": "Arch apex",
    "mth1": "1st head",
    "mth5": "5th head",
    "heel_centre": "Heel centre",
}


# what a sentence asks for, by the name that it has on the page
AT_THE_DESK = (
    (
        re.compile(r"\(a medial edge of ([\d.]+ mm)\)"),
        r"(under More wishes: pad's medial side, \1)",
    ),
    (re.compile(r" \(cleat\.mark[^)]*\)"), ""),
    (
        re.compile(r"; measure the bed's heights at five stations"),
        "; the shoe's file, not this page, takes its heights at five stations",
    ),
)


def at_the_desk(text: str) -> str:
    """Return a sentence of a plan with the page's names for what it asks for.

    Examples
    --------
    >>> at_the_desk("let it run out (a medial edge of 0.4 mm)")
    "let it run out (under More wishes: pad's medial side, 0.4 mm)"
    """
    for found, words in AT_THE_DESK:
        text = found.sub(words, text)
    return text


def moved(side: str, across: float, up: float) -> tuple[float, float]:
    """Return a move on the page as forward and medial, mm."""
    return up, across * Turn(side).medial


# ------------------------------------------------------------------ shoes


def fit_shown(result: FitResult) -> dict[str, Any]:
    """Return how a shoe fits: its place, and the room at each station, mm."""
    return {
        "file": result.shoe.source,
        "name": result.shoe.name,
        "place": result.place,
        "verdict": result.verdict,
        "fits": result.fits,
        "known": result.known,
        "reasons": [capital(reason) for reason in result.reasons],
        "feet": [
            {
                "side": foot.side.value,
                "stations": [
                    {
                        "name": s.station,
                        "room": s.room,
                        "sd": s.sd,
                        "least": s.least,
                        "most": s.most if math.isfinite(s.most) else None,
                        "word": s.word,
                        "said": _fit_said(s),
                        "text": capital(s.text),
                    }
                    for s in foot.stations
                ],
            }
            for foot in result.feet
        ],
    }


def _fit_said(station: StationFit) -> str:
    """Return in a word or two how a shoe's room is at a station."""
    return {
        "tight": "too tight",
        "loose": "too loose",
        "snug": "just fits" if station.close else "fits",
    }.get(station.word, "not known")


# ------------------------------------------------------------------ plans


def plan_shown(plan: Plan, foot: FootPlan) -> dict[str, Any]:
    """Return one planned foot for the sole map, its sections and its words."""
    turn = Turn(foot.side)
    pad, bed = foot.pad, foot.contour
    shown: dict[str, Any] = {
        "side": foot.side,
        "base": _ring(turn, foot.base.outline),
        "foot": _ring(turn, foot.foot_outline),
        "thickness": foot.base.thickness,
        "medial": turn.medial,  # on the page: 1 to the right, -1 to the left
        "marks": [
            {
                "name": name,
                "label": ARCH_NAMES[name],
                "at": _point(turn, foot.landmarks[name]),
                "sd": foot.landmark_sd.get(name),
            }
            for name in ARCH_NAMES
            if name in foot.landmarks
        ],
        "wedges": [_wedge(turn, wedge) for wedge in foot.wedges],
        "posting": [w.words + f", {w.place.value}" for w in bed.posting] if bed else [],
        "maps": _maps(turn, plan, foot),
        "notes": [
            {"level": str(n.level.value), "code": n.code, "text": capital(at_the_desk(noted(n)))}
            for n in foot.notes
            if n.code not in ("effect", "fit")
        ],
        "effect": None
        if foot.effect is None
        else {
            "little": foot.effect.little,
            "words": capital(paper(foot.effect.words)),
            "binds": capital(foot.effect.binds),
            "snug": foot.effect.snug,
        },
        "contact": _contact(foot),
        "rows": [row.model_dump() for row in foot.thickness],
        "none_because": foot.no_pad_because,
        "no_wedge": foot.no_wedge_because,
        "ball_x": [foot.landmarks[m][0] for m in ("mth1", "mth5") if m in foot.landmarks],
    }
    if pad is not None:
        shown["pad"] = _pad_shown(turn, plan, foot, pad)
    if bed is not None:
        shown["bed"] = _bed_shown(turn, bed)
    return shown


def _highest(pad: PadPlan) -> tuple[float, float]:
    """Return a pad's greatest height and how far from the base's rear that is, mm."""
    outline = shapely.Polygon(pad.outline)
    x0, y0, x1, y1 = outline.bounds
    grid_x, grid_y = np.meshgrid(np.arange(x0, x1, HIGHEST_MM), np.arange(y0, y1, HIGHEST_MM))
    border = shapely.get_coordinates(outline.exterior.segmentize(HIGHEST_MM))
    inside = shapely.contains_xy(outline, grid_x, grid_y)
    x = np.concatenate([grid_x[inside], border[:, 0]])
    z = PadTop(pad).at(x, np.concatenate([grid_y[inside], border[:, 1]]))
    top = int(np.argmax(z))
    return float(z[top]), float(x[top])


def _pad_shown(turn: Turn, plan: Plan, foot: FootPlan, pad: PadPlan) -> dict[str, Any]:
    """Return the arch pad for the map and its words."""
    high, at = _highest(pad)
    limits, apex = of_plan(plan), foot.landmarks.get("arch_apex")
    along, ahead = limits.value("place.crest_along"), limits.value("place.crest_forward")
    return {
        "highest": round(high, 1),
        "window": None if apex is None else [apex[0] - along, apex[0] + min(along, ahead)],
        "name": pad.name,
        "outline": _ring(turn, pad.outline),
        "turn": pad.turn,
        "shift": list(pad.shift),
        "level": pad.support_level,
        "crest": _point(turn, crest_point(foot)),
        "height": pad.crest.height,
        "free": _quantity(pad.residual_gap),
        "binding": [capital(b) for b in pad.binding],
        "step_up": pad.step_up,
        "step_down": pad.step_down,
        "figures": [
            [
                "Crest",
                f"{pad.crest.height:.1f} mm high, {pad.crest.from_rear:.0f} mm from the "
                f"rear, {pad.crest.from_medial:.0f} mm from the medial edge",
            ],
            ["Gap at the crest", _quantity(pad.gap_at_crest)],
            ["Remaining gap there", _quantity(pad.residual_gap)],
            ["Highest point", f"{high:.1f} mm, {at:.0f} mm from the rear"],
            [
                "Front and rear edge",
                f"{pad.front_edge:.0f} and {pad.rear_edge:.0f} mm from the rear",
            ],
        ],
    }


def _bed_shown(turn: Turn, bed: ContourPlan) -> dict[str, Any]:
    """Return the contoured bed for the map and its words."""
    return {
        "name": bed.name,
        "outline": _ring(turn, bed.outline),
        "level": bed.support_level,
        "crest": _point(turn, (bed.crest.from_rear, bed.crest.y or 0.0)),
        "height": bed.crest.height,
        "free": _quantity(bed.residual_gap),
        "figures": [
            [
                "Crest",
                f"{bed.crest.height:.1f} mm thick, {bed.crest.from_rear:.0f} mm from the rear",
            ],
            ["Gap at the crest", _quantity(bed.gap_at_crest)],
            ["Remaining gap there", _quantity(bed.residual_gap)],
            ["Heel cup", f"{bed.cup:g} mm deep"],
        ],
    }


def _quantity(q: Quantity) -> str:
    if q.value is None:
        return q.reason
    return f"{q.value:.1f}{'' if q.sd is None else f' ± {q.sd:.1f}'} {q.unit}"


def _ring(turn: Turn, ring: Any) -> list[list[float]]:
    across, up = turn(ring)
    return [[round(float(a), 2), round(float(b), 2)] for a, b in zip(across, up, strict=True)]


def _point(turn: Turn, place: Any) -> list[float]:
    across, up = turn(np.asarray(place, dtype=float)[None])
    return [round(float(across[0]), 2), round(float(up[0]), 2)]


def _wedge(turn: Turn, wedge: Any) -> dict[str, Any]:
    _, band = wedge_lines(wedge)
    return {
        "place": wedge.place.value,
        "words": wedge.words,
        "wish": wedge.wish,
        "net": wedge.net,
        "kept": wedge.cant_kept,
        "thick": f"{wedge.thick_edge:.1f} mm",
        "edge": _ring(turn, band),
        "outline": _ring(turn, wedge.outline),
    }


def _maps(turn: Turn, plan: Plan, foot: FootPlan) -> dict[str, Any]:
    """Return the grids to colour and to cut: sole and bed; shims, part and free gap above it."""
    if foot.sole is None:
        return {}
    sole = _square(foot.sole)
    x, y = sole["x"], sole["y"]
    at_x, at_y = np.meshgrid(x, y, indexing="ij")
    bed = planned_bed(plan, foot, x, y)
    shim = inside_height(foot.wedges, at_x, at_y)
    part, around = np.zeros_like(at_x), np.zeros(at_x.shape, dtype=bool)
    shown_height = part
    if foot.contour is not None:
        shape, plate = ContourShape(foot.contour), foot.contour.plate
        around = _around(foot.contour.outline, at_x, at_y)
        shown_height = shape.top(at_x, at_y) - shape.bottom(at_x, at_y)
        inside = shapely.contains_xy(shapely.Polygon(foot.contour.outline), at_x, at_y)
        part = np.where(inside, np.clip(shown_height - plate, 0.0, None), 0.0)
    for pad in (foot.pad, foot.metatarsal) if foot.contour is None else ():
        if pad is None:
            continue
        top, here = PadTop(pad), _around(pad.outline, at_x, at_y)
        shown_height = np.maximum(shown_height, np.where(here, top.at(at_x, at_y), 0.0))
        around, part = around | here, np.maximum(part, top.inside(at_x, at_y))
    free = sole["z"] - bed
    return {
        "sole": grid(turn, x, y, sole["z"], 2),
        "bed": grid(turn, x, y, bed, 2),
        "shim": grid(turn, x, y, shim, 2),
        "part": grid(turn, x, y, part, 2),
        "height": grid(turn, x, y, np.where(around, shown_height, np.nan), 1),
        "gap_before": grid(turn, x, y, np.clip(free, 0.0, None), 1),
        "gap": grid(turn, x, y, np.clip(free - shim - part, 0.0, None), 1),
    }


def _around(ring: Sequence[tuple[float, float]], x: Array, y: Array) -> Any:
    """Return the cells inside a ring and two around it: the page cuts the border itself."""
    return ndimage.binary_dilation(shapely.contains_xy(shapely.Polygon(ring), x, y), iterations=2)


def _square(field: HeightGrid) -> dict[str, Array]:
    z = np.array(field.z, dtype=float)
    return {
        "x": field.x0 + field.step * np.arange(z.shape[0]),
        "y": field.y0 + field.step * np.arange(z.shape[1]),
        "z": z,
    }


def grid(turn: Turn, x: Any, y: Any, z: Any, digits: int) -> dict[str, Any]:
    """Return a grid on the page: rows from the heel up, cells from left to right; x, y in mm."""
    across, _ = turn(np.column_stack([np.full(len(y), x[0]), y]))
    order = np.argsort(across)
    rows = np.round(z[:, order], digits)
    return {
        "x0": round(float(across[order[0]]), 3),
        "y0": round(float(x[0]), 3),
        "step": round(float(x[1] - x[0]), 3),
        "nx": len(y),
        "ny": len(x),
        "z": [None if v != v else v for v in rows.ravel().tolist()],
    }


def _contact(foot: FootPlan) -> list[dict[str, Any]]:
    """Return pressure before and after per load, in figures and maps."""
    turn, found = Turn(foot.side), []
    for case in foot.contact.cases if foot.contact is not None else ():
        row: dict[str, Any] = {"case": case.case, "load": round(case.load), "reason": case.reason}
        for when, field, figures in (
            ("before", case.before_map, case.before),
            ("after", case.after_map, case.after),
        ):
            if field is None or figures is None:
                continue
            z = np.array(field.kpa)
            x = field.x0 + field.step * np.arange(z.shape[0])
            y = field.y0 + field.step * np.arange(z.shape[1])
            row[when] = {
                "map": grid(turn, x, y, np.where(z > 0, z, np.nan), 0),
                "area": figures.area,
                "share": figures.share,
                "peak": figures.peak,
            }
        found.append(row)
    return found
