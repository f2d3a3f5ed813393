"""What a shoe file gives: inside, bed, agreement, and the file again."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from footscan.scan import Array
from insole.record.tables import Table
from insole.shoe.bed_surface import (
    BALL_AT,
    HEEL_AT,
    STATIONS,
    BedHeights,
    BedSurface,
    read_surface,
)

if TYPE_CHECKING:
    from insole.shoe.shoe import Shoe

__all__ = ["bed_of", "inside_of", "record_of", "scanned_bed"]

DROP_AGREES_MM = 2.0  # stated drop against the drop that the heights give
SPRING_AGREES_MM = 5.0  # stated toe spring against that of a scanned bed


def inside_of(table: Table) -> dict[str, Any]:
    """Return the sizes inside, as the shoe names them."""
    heel = table.number("heel_width", 35, 100)
    return {
        "inside_length": table.need("length", 150, 380),
        "ball_width": table.need("ball_width", 50, 140),
        "heel_width": heel,
        "heel_width_at": table.number("heel_width_at", 0, 40),
        "rough": table.flag("rough", False) or heel is None,
        "ball_girth": table.number("ball_girth", 150, 350),
        "instep_height": table.number("instep_height", 30, 120),
    }


def bed_of(table: Table) -> dict[str, Any]:
    """Return drop, toe spring and, where they stand, heights or a stored surface."""
    if table.has("surface"):
        if table.has("heights"):
            raise table.fail("heights", "left out where bed.surface stands")
        surface = read_surface(table.table("surface"))
        return _whole(table, surface)
    spring = table.number("toe_spring", -5, 40, "mm", 0.0)
    has_heights = table.has("heights")
    inner = table.table("heights")
    if not has_heights:
        return {"drop": table.need("drop", -10, 30), "toe_spring": spring}
    what = "five numbers in mm, at " + ", ".join(STATIONS)
    rows = {k: inner.numbers(k, 5, -20, 60, what) for k in ("medial", "midline", "lateral")}
    heights = BedHeights(
        **rows,
        heel_at=inner.number("heel_at", 0.05, 0.20, "of the inside length", HEEL_AT),
        ball_at=inner.number("ball_at", 0.62, 0.80, "of the inside length", BALL_AT),
    )
    measured = heights.midline[0] - heights.midline[-1]
    _agrees(table, "drop", measured, DROP_AGREES_MM, "bed.heights.midline gives")
    return {"drop": measured, "toe_spring": spring, "heights": heights}


def scanned_bed(
    table: Table, sizes: Mapping[str, Any], heel_cant: float, folder: Path | None
) -> tuple[dict[str, Any], Array]:
    """Return drop, toe spring and surface of a scanned bed, and its border."""
    from insole.shoe.bed_scan import read_bed  # reads meshes: seconds of imports

    for other in ("heights", "surface"):
        if table.has(other):
            raise table.fail(other, "left out where bed.scan gives the bed")
    surface, border = read_bed(table, sizes, heel_cant, folder)
    return _whole(table, surface), border


def _whole(table: Table, surface: BedSurface) -> dict[str, Any]:
    """Return drop, toe spring and surface; what is stated must agree with the surface."""
    _agrees(table, "drop", surface.drop, DROP_AGREES_MM, "the scanned bed has")
    _agrees(table, "toe_spring", surface.toe_spring, SPRING_AGREES_MM, "the scanned bed has")
    return {"drop": surface.drop, "toe_spring": surface.toe_spring, "surface": surface}


def _agrees(table: Table, key: str, measured: float, within: float, where: str) -> None:
    """Refuse a stated number that the bed itself contradicts."""
    stated = table.number(key, -10, 40, "mm", measured)
    if abs(stated - measured) > within:
        raise table.fail(
            key,
            f"within {within:g} mm of the {measured:g} mm that {where}",
            f"; measure again or leave {key} out",
        )


def record_of(shoe: Shoe) -> dict[str, Any]:
    """Return a shoe as its file gives it, so that it reads back the same."""
    bed: dict[str, Any] = {"drop": shoe.drop, "toe_spring": shoe.toe_spring}
    if shoe.surface is not None:
        bed["surface"] = shoe.surface.record()
    if shoe.heights is not None:
        h = shoe.heights
        bed["heights"] = {
            "medial": list(h.medial),
            "midline": list(h.midline),
            "lateral": list(h.lateral),
            "heel_at": h.heel_at,
            "ball_at": h.ball_at,
        }
    slots = shoe.slots
    tables: dict[str, Any] = {
        "name": shoe.name,
        "inside": {
            "length": shoe.inside_length,
            "ball_width": shoe.ball_width,
            "heel_width": shoe.heel_width,
            "heel_width_at": shoe.heel_width_at,
            "rough": shoe.rough or None,
            "ball_girth": shoe.ball_girth,
            "instep_height": shoe.instep_height,
        },
        "bed": bed,
        "shell": {
            "cant_forefoot": _stated(shoe, "forefoot", shoe.shell_cant_forefoot),
            "cant_heel": _stated(shoe, "heel", shoe.shell_cant_heel),
            "stiffness": shoe.stiffness.value if shoe.stiffness else None,
            "stack": shoe.stack,
        },
        "stock_insole": {
            "kept": shoe.insole.kept,
            "thickness": dict(shoe.insole.thickness),
            "cant_forefoot": shoe.insole.cant_forefoot,
            "cant_heel": shoe.insole.cant_heel,
        },
        "bike": {"seat_tube_angle": shoe.seat_tube_angle},
        "cleat": {
            "mark": slots.mark or None,
            "mark_from_heel": slots.mark_from_heel,
            "front": slots.front,
            "rear": slots.rear,
            "yaw": slots.yaw,
            "float": slots.float_range,
            "holes": [list(h) for h in slots.holes] or None,
            "bolt_length": slots.bolt_length,
            "engagement": slots.engagement,
            "thread_pitch": slots.thread_pitch,
        },
    }
    if shoe.outline is not None:
        points = [[round(float(v), 4) for v in p] for p in shoe.outline]
        tables["outline"] = {"side": "right", "points": points}
    return _without_none(tables)


def _stated(shoe: Shoe, place: str, cant: float) -> float | None:
    return cant if place in shoe.cants_stated else None


def _without_none(data: dict[str, Any]) -> dict[str, Any]:
    """Return `data` without None, in all depths."""
    cleaned = {}
    for key, value in data.items():
        if isinstance(value, dict):
            cleaned[key] = _without_none(value)
        elif value is not None:
            cleaned[key] = value
    return cleaned
