"""What the pages draw: feet and plans as plain data in page coordinates.

MeasuredFoot -> foot_shown, mesh_bytes; FootPlan -> plan_shown

Page coordinates, mm: across to the right, up to the toes, as the two feet lie before the fitter.
The big toe of a left foot is on its right, of a right foot on its left: this is decided here, by
:class:`insole.output.pictures.plan_view.Turn`, and never in the browser, which also gives moves
back in page coordinates (:func:`moved`).
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from scipy import ndimage

from footscan.foot import vertex_normals
from footscan.measuring.pose import mirror, mirror_faces
from footscan.results import MeasuredFoot
from footscan.scan import Array
from insole.output.phrases import capital, noted, paper, words
from insole.output.pictures.plan_view import Turn
from insole.output.places import crest_point, wedge_lines
from insole.planning.fit import FitResult
from insole.planning.ramp import inside_height
from insole.planning.seating import planned_bed
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.plan import FootPlan, HeightGrid, Plan, Quantity

__all__ = [
    "fit_shown",
    "foot_shown",
    "mesh_bytes",
    "moved",
    "placed_by_hand",
    "plan_shown",
    "sole_thumb",
]

ARCH_NAMES = {"arch_apex": "Arch apex", "mth1": "1st head", "mth5": "5th head",
              "heel_centre": "Heel centre"}  # fmt: skip
FIGURES = ("foot_length", "heel_to_ball_length", "foot_breadth", "heel_breadth", "ball_girth",
           "instep_height", "arch_apex_height", "arch_index", "navicular_height",
           "hallux_angle")  # fmt: skip
DEGREES = {"deg": "°"}
LANDMARKS = {
    "pternion": "Rearmost point of the heel", "acropodion": "Foremost point of the toes",
    "metatarsale_tibiale": "Ball, medial border", "metatarsale_fibulare": "Ball, lateral border",
    "mth1": "1st metatarsal head", "mth2": "2nd metatarsal head", "mth3": "3rd metatarsal head",
    "mth4": "4th metatarsal head", "mth5": "5th metatarsal head", "heel_centre": "Heel centre",
    "arch_apex": "Arch apex", "navicular": "Navicular", "instep": "Instep",
}  # fmt: skip


def moved(side: str, across: float, up: float) -> tuple[float, float]:
    """Return a move on the page as forward and medial, mm."""
    return up, across * Turn(side).medial


# ------------------------------------------------------------------ feet


def foot_shown(foot: MeasuredFoot, hand_length: float | None = None) -> dict[str, Any]:
    """Return verdict, findings, measures and landmarks; `hand_length` as measured by hand, mm."""
    return {
        "side": foot.facts.side,
        "file": foot.facts.file,
        "verdict": str(foot.report.verdict.value),
        "load": foot.facts.load,
        "kind": foot.facts.kind,
        "points": foot.facts.points,
        "faces": foot.facts.faces,
        "hand_length": hand_length,
        "unit": foot.facts.unit_evidence,
        "side_words": foot.facts.side_evidence,
        "scale_verified": foot.facts.scale_verified,
        "findings": [
            {"code": f.code, "level": str(f.severity.value), "text": capital(f.text),
             "advice": _at_the_desk(f.advice), "region": f.region, "at": _at(foot, f.region)}
            for f in foot.report.findings
        ],
        "measures": [_measure(foot, name) for name in FIGURES if name in foot.measures],
        "sizes": {k: v for k, v in foot.sizes.items() if isinstance(v, str | int | float)},
        "landmarks": [
            {"name": name, "label": LANDMARKS.get(name, words(name)), "at": _worn(foot, mark.xyz),
             "sd": round(mark.sd, 1), "method": mark.method, "by_hand": mark.by_hand,
             "along": _tenth(mark.xyz[0]), "high": _tenth(mark.xyz[2]),
             "across": _across(mark.xyz[1])}
            for name, mark in foot.landmarks.items()
        ],
    }  # fmt: skip


def _at_the_desk(advice: str) -> str:
    """Return an advice without what would be typed at the command line."""
    text = re.sub(r",? and give it with --foot-length", " and type it in with the scan", advice)
    return capital(paper(re.sub(r" with --[a-z-]+(?: [A-Z_]+)?", "", text)))


def _across(y: float) -> str:
    """Return a place beside the axis in words."""
    words = _tenth(abs(y))
    return words if words == "0.0" else f"{words} {'medial' if y > 0 else 'lateral'}"


def _tenth(value: float) -> str:
    return f"{round(float(value), 1) + 0.0:.1f}"  # never -0.0


def sole_thumb(foot: MeasuredFoot) -> dict[str, Any]:
    """Return the sole map as seen, 4 mm apart, for a small picture."""
    sole, every = foot.foot.sole, max(1, round(4.0 / foot.foot.sole.cell))
    turn = Turn(foot.facts.side)
    return _grid(turn, sole.x[::every], sole.y[::every], sole.z[::every, ::every], 1)


def _measure(foot: MeasuredFoot, name: str) -> dict[str, Any]:
    measure = foot.measures[name]
    if measure.value is None:
        return {"name": name, "label": words(name), "value": None, "reason": measure.reason}
    digits = 1 if measure.unit in ("mm", "deg", "%") else 3
    spread = "" if measure.sd is None else f" ± {measure.sd:.{digits}f}"
    unit = DEGREES.get(measure.unit, f" {measure.unit}" if measure.unit not in ("", "1") else "")
    return {"name": name, "label": words(name), "by_hand": measure.by_hand,
            "value": f"{measure.value:.{digits}f}{spread}{unit}"}  # fmt: skip


def _worn(foot: MeasuredFoot, points: Array) -> list[float]:
    """Return one place of the foot as it really is: a left foot is mirrored back."""
    place = np.asarray(points, dtype=float)
    out = mirror(place[None])[0] if foot.facts.side == "left" else place
    return [round(float(v), 2) for v in out]


def _at(foot: MeasuredFoot, region: str) -> list[float] | None:
    """Return where on the foot a finding's pin stands; None for one about the whole scan."""
    low, high = foot.foot.vertices.min(axis=0), foot.foot.vertices.max(axis=0)
    length, y = foot.foot.length, {"medial border": high[1], "lateral border": low[1]}.get(region)
    share = {"heel": 0.1, "arch": 0.45, "sole": 0.4, "ball": 0.7, "toes": 0.93, "dorsum": 0.55,
             "leg": 0.12, "medial border": 0.5, "lateral border": 0.5}.get(region)  # fmt: skip
    if share is None:
        return None
    z = {"dorsum": 0.6 * high[2], "leg": high[2], "toes": 12.0}.get(region, 4.0)
    return _worn(foot, np.array([share * length, 0.0 if y is None else y, z]))


def placed_by_hand(foot: MeasuredFoot, at: Sequence[float]) -> tuple[float, float, float]:
    """Return a place on the foot as shown, laid onto its surface, in the scan's own mm."""
    from scipy.spatial import cKDTree

    shown = np.asarray(at, dtype=float)
    inside = mirror(shown[None])[0] if foot.facts.side == "left" else shown
    _, nearest = cKDTree(foot.foot.vertices).query(inside)
    x, y, z = foot.foot.to_scanner(foot.foot.vertices[int(nearest)][None])[0]
    return round(float(x), 3), round(float(y), 3), round(float(z), 3)


def mesh_bytes(foot: MeasuredFoot) -> bytes:
    """Return the cleaned foot as it really is: counts, then places, normals and triangles.

    Little endian: uint32 vertices, uint32 faces, float32 (n, 3) mm, int8 (n, 4) normals times
    127, uint32 (m, 3).
    """
    vertices, faces = foot.foot.vertices, foot.foot.faces
    if foot.facts.side == "left":
        vertices, faces = mirror(vertices), mirror_faces(faces)
    normals = np.zeros((len(vertices), 4), dtype=np.int8)
    normals[:, :3] = np.round(127 * vertex_normals(vertices, faces))
    return b"".join(
        (struct.pack("<II", len(vertices), len(faces)), vertices.astype("<f4").tobytes(),
         normals.tobytes(), faces.astype("<u4").tobytes())
    )  # fmt: skip


def fit_shown(result: FitResult) -> dict[str, Any]:
    """Return how a shoe fits: its place, and the room at each station, mm."""
    return {
        "file": result.shoe.source, "name": result.shoe.name, "place": result.place,
        "verdict": result.verdict, "fits": result.fits, "known": result.known,
        "reasons": [capital(reason) for reason in result.reasons],
        "feet": [
            {"side": foot.side.value, "stations": [
                {"name": s.station, "room": s.room, "sd": s.sd, "least": s.least,
                 "most": s.most if math.isfinite(s.most) else None, "word": s.word,
                 "text": capital(s.text)}
                for s in foot.stations
            ]}
            for foot in result.feet
        ],
    }  # fmt: skip


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
            {"name": name, "label": ARCH_NAMES[name], "at": _point(turn, foot.landmarks[name]),
             "sd": foot.landmark_sd.get(name)}
            for name in ARCH_NAMES if name in foot.landmarks
        ],
        "wedges": [_wedge(turn, wedge) for wedge in foot.wedges],
        "posting": [w.words + f", {w.place.value}" for w in bed.posting] if bed else [],
        "maps": _maps(turn, plan, foot),
        "notes": [{"level": str(n.level.value), "code": n.code, "text": capital(noted(n))}
                  for n in foot.notes if n.code not in ("effect", "fit")],
        "effect": None if foot.effect is None else {
            "little": foot.effect.little, "words": capital(paper(foot.effect.words)),
            "binds": capital(foot.effect.binds), "snug": foot.effect.snug,
        },
        "contact": _contact(foot),
        "rows": [row.model_dump() for row in foot.thickness],
        "none_because": foot.no_pad_because,
        "no_wedge": foot.no_wedge_because,
        "ball_x": [foot.landmarks[m][0] for m in ("mth1", "mth5") if m in foot.landmarks],
    }  # fmt: skip
    if pad is not None:
        shown["pad"] = {
            "name": pad.name, "outline": _ring(turn, pad.outline), "turn": pad.turn,
            "shift": list(pad.shift), "level": pad.support_level,
            "crest": _point(turn, crest_point(foot)), "height": pad.crest.height,
            "free": _quantity(pad.residual_gap),
            "binding": [capital(b) for b in pad.binding], "step_up": pad.step_up,
            "step_down": pad.step_down,
            "figures": [
                ["Crest", f"{pad.crest.height:.1f} mm high, {pad.crest.from_rear:.0f} mm from the "
                          f"rear, {pad.crest.from_medial:.0f} mm from the medial edge"],
                ["Gap at the crest", _quantity(pad.gap_at_crest)],
                ["Left free there", _quantity(pad.residual_gap)],
                ["Front and rear edge", f"{pad.front_edge:.0f} and {pad.rear_edge:.0f} mm"],
            ],
        }  # fmt: skip
    if bed is not None:
        shown["bed"] = {
            "name": bed.name, "outline": _ring(turn, bed.outline), "level": bed.support_level,
            "crest": _point(turn, (bed.crest.from_rear, bed.crest.y or 0.0)),
            "height": bed.crest.height,
            "free": _quantity(bed.residual_gap),
            "figures": [
                ["Crest", f"{bed.crest.height:.1f} mm thick, {bed.crest.from_rear:.0f} mm from "
                          "the rear"],
                ["Gap at the crest", _quantity(bed.gap_at_crest)],
                ["Left free there", _quantity(bed.residual_gap)],
                ["Heel cup", f"{bed.cup:g} mm deep"],
            ],
        }  # fmt: skip
    return shown


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
        "place": wedge.place.value, "words": wedge.words, "wish": wedge.wish, "net": wedge.net,
        "kept": wedge.cant_kept, "thick": f"{wedge.thick_edge:.1f} mm", "edge": _ring(turn, band),
        "outline": _ring(turn, wedge.outline),
    }  # fmt: skip


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
    elif foot.pad is not None:
        top = PadTop(foot.pad)
        around = _around(foot.pad.outline, at_x, at_y)
        shown_height, part = top.at(at_x, at_y), top.inside(at_x, at_y)
    free = sole["z"] - bed
    return {
        "sole": _grid(turn, x, y, sole["z"], 2),
        "bed": _grid(turn, x, y, bed, 2),
        "shim": _grid(turn, x, y, shim, 2),
        "part": _grid(turn, x, y, part, 2),
        "height": _grid(turn, x, y, np.where(around, shown_height, np.nan), 1),
        "gap_before": _grid(turn, x, y, np.clip(free, 0.0, None), 1),
        "gap": _grid(turn, x, y, np.clip(free - shim - part, 0.0, None), 1),
    }


def _around(ring: Sequence[tuple[float, float]], x: Array, y: Array) -> Any:
    """Return the cells inside a ring and two around it: the page cuts the border itself."""
    return ndimage.binary_dilation(shapely.contains_xy(shapely.Polygon(ring), x, y), iterations=2)


def _square(grid: HeightGrid) -> dict[str, Array]:
    z = np.array(grid.z, dtype=float)
    return {"x": grid.x0 + grid.step * np.arange(z.shape[0]),
            "y": grid.y0 + grid.step * np.arange(z.shape[1]), "z": z}  # fmt: skip


def _grid(turn: Turn, x: Any, y: Any, z: Any, digits: int) -> dict[str, Any]:
    """Return a grid on the page: rows from the heel up, cells from left to right."""
    across, _ = turn(np.column_stack([np.full(len(y), x[0]), y]))
    order = np.argsort(across)
    rows = np.round(z[:, order], digits)
    return {
        "x0": round(float(across[order[0]]), 3), "y0": round(float(x[0]), 3),
        "step": round(float(x[1] - x[0]), 3), "nx": len(y), "ny": len(x),
        "z": [None if v != v else v for v in rows.ravel().tolist()],
    }  # fmt: skip


def _contact(foot: FootPlan) -> list[dict[str, Any]]:
    """Return pressure before and after per load, in figures and maps."""
    turn, found = Turn(foot.side), []
    for case in foot.contact.cases if foot.contact is not None else ():
        row: dict[str, Any] = {"case": case.case, "load": round(case.load), "reason": case.reason}
        for when, grid, figures in (("before", case.before_map, case.before),
                                    ("after", case.after_map, case.after)):  # fmt: skip
            if grid is None or figures is None:
                continue
            z = np.array(grid.kpa)
            x = grid.x0 + grid.step * np.arange(z.shape[0])
            y = grid.y0 + grid.step * np.arange(z.shape[1])
            row[when] = {
                "map": _grid(turn, x, y, np.where(z > 0, z, np.nan), 0), "area": figures.area,
                "share": figures.share, "peak": figures.peak,
            }  # fmt: skip
        found.append(row)
    return found
