"""Which way a scanned bed lies: what the shoe file states of it, and what its shape shows.

[bed] of a shoe file -> read_stated; Cloud -> lying -> points x forward, y medial, z up
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from footscan.measuring.pose import mirror
from footscan.scan import Array, Unit
from insole.record.tables import Table
from insole.shoe.bed_map import bed_map

__all__ = ["Cloud", "Stated", "lying", "principal_axes", "read_stated"]

CLEAR_WIDTHS = 1.08  # ball end over heel end: below it the heel is not told from the shape
DISH_MM = 0.8  # borders above the middle: less does not show which way is up
FACING = 0.6  # share of the surface that looks to one side: an open sheet, not a closed solid
UP_LEANS = 0.7  # cosine: a stated "up" farther from the thin direction is a slip
DISH_ZONE = (0.08, 0.60)  # heel seat and shank; a forefoot may be domed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cloud:
    """A scan in mm, scanner frame: points, the same thinned evenly, vectors out of its face."""

    points: Array
    thin: Array
    normals: Array | None
    cell: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lie:
    """A way the bed may lie: the turn to x forward, z up; how sure its heel, how dished it is."""

    turn: Array
    heel_clear: bool
    dish: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the shoe file says of the scan.

    Attributes
    ----------
    file : str
        Plain name of the scan file.
    left : bool
        The bed of a left shoe.
    unit : Unit or None
        None: told from the length.
    cast : bool
        A cast was scanned: its face is the bed seen from below.
    covered : bool
        The upper was scanned too and lies above the bed.
    up : ndarray, shape (3,), or None
        The shoe's way up in the file, a unit vector.
    level : bool
        `up` is the true vertical of the shoe, not only the way up.
    ends : pair of ndarray, shape (3,), or None
        A point at the heel end and one at the toe end, file's unit.
    drop : float or None
        mm; None only with `level`.
    length, ball_width : float
        Inside sizes, mm.
    heel_cant : float
        Cant of the heel seat, degrees, + medial side up.
    """

    file: str
    left: bool
    unit: Unit | None
    cast: bool
    covered: bool
    up: Array | None
    level: bool
    ends: tuple[Array, Array] | None
    drop: float | None
    length: float
    ball_width: float
    heel_cant: float


def read_stated(table: Table, sizes: Mapping[str, Any], heel_cant: float) -> Stated:
    """Return what ``[bed]`` states of a scan; PlanError when a key is wrong or wanted.

    Sizes as for :func:`insole.shoe.bed_scan.read_bed`.
    """
    file = table.text("scan")
    if Path(file).name != file:
        raise table.fail("scan", "the plain name of a scan file beside the shoe file")
    side = table.choice("side", ["left", "right"])
    if side is None:
        raise table.fail("side", '"left" or "right": the shoe whose bed was scanned')
    unit = table.choice("unit", [u.value for u in Unit])
    up, level = _direction(table), table.flag("level", False)
    covered = table.flag("covered", False)
    if up is None and (level or covered):
        key = "level" if level else "covered"
        raise table.fail("up", f"given with bed.{key}: [x, y, z], the way up in the file")
    if table.has("heel") != table.has("toe"):
        key = "toe" if table.has("heel") else "heel"
        raise table.fail(key, "given together with the other end: [x, y, z] picked in the scan")
    ends = (_point(table, "heel"), _point(table, "toe")) if table.has("heel") else None
    drop = table.number("drop", -10, 30)
    if drop is None and not level:
        raise table.fail(
            "drop",
            "stated with a scan: a lying bed does not show its pitch",
            " (or state up and level = true if the shoe stood level when it was scanned)",
        )
    return Stated(
        file=file,
        left=side == "left",
        unit=Unit(unit) if unit else None,
        cast=table.flag("cast", False),
        covered=covered,
        up=up,
        level=level,
        ends=ends,
        drop=drop,
        length=sizes["inside_length"],
        ball_width=sizes["ball_width"],
        heel_cant=heel_cant,
    )


def _point(table: Table, key: str) -> Array:
    return np.array(table.numbers(key, 3, -1e6, 1e6, "three numbers [x, y, z] of the scan file"))


def _direction(table: Table) -> Array | None:
    if not table.has("up"):
        return None
    up = _point(table, "up")
    size = float(np.linalg.norm(up))
    if size < 1e-9:
        raise table.fail("up", "a direction [x, y, z] that is not zero")
    return up / size


def principal_axes(points: Array) -> Array:
    """Return the principal axes as rows: along, across, thin; right-handed."""
    _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    axes[2] = np.cross(axes[0], axes[1])
    return axes


def lying(table: Table, cloud: Cloud, stated: Stated, mm: float) -> Array:
    """Return points about x forward, y medial, z up; a left bed is mirrored here, once.

    Parameters
    ----------
    table : Table
        ``[bed]``, for the sentences.
    cloud : Cloud
        Scanner frame, mm.
    stated : Stated
        What the shoe file says.
    mm : float
        Millimetres in one of the file's units, for points stated in it.

    Raises
    ------
    insole.errors.PlanError
        Up or the heel end cannot be told; names the key that states it.
    """
    axes = principal_axes(cloud.thin)
    signs: tuple[float, ...] = (1.0, -1.0)
    if stated.up is not None:
        lean = float(axes[2] @ stated.up)
        if abs(lean) < UP_LEANS:
            raise table.fail("up", "about square to the bed's face")
        signs = (math.copysign(1.0, lean),)
    lies = []
    for sign in signs:
        up = stated.up if stated.level and stated.up is not None else sign * axes[2]
        ahead = axes[0] - (axes[0] @ up) * up
        ahead /= np.linalg.norm(ahead)
        lies.append(_lie(cloud, np.stack([ahead, np.cross(up, ahead), up]), stated, mm))
    lie = lies[0] if len(lies) == 1 else _upward(table, lies, cloud, stated)
    if not lie.heel_clear:
        raise table.fail(
            "scan",
            "clearly narrower at the heel than at the ball",
            "; state bed.heel and bed.toe, two points [x, y, z] picked in the scan",
        )
    points = cloud.points @ lie.turn.T
    return mirror(points) if stated.left else points


def _lie(cloud: Cloud, turn: Array, stated: Stated, mm: float) -> _Lie:
    """Return how the bed lies when `turn` brings it to z up, its heel end to low x."""
    lowest = stated.cast or stated.covered
    bed = bed_map(cloud.points @ turn.T, cloud.cell, lowest=lowest)
    seen = np.isfinite(bed.z)
    rows = np.flatnonzero(seen.any(axis=1))
    width = np.array([np.ptp(bed.y[seen[i]]) for i in rows])
    at = np.linspace(0.0, 1.0, len(rows))
    rear, front = (np.mean(np.interp(s, at, width)) for s in ((0.16, 0.28), (0.72, 0.84)))
    ratio, clear = front / max(rear, 1.0), True
    if stated.ends is not None:
        along = float((stated.ends[1] - stated.ends[0]) @ turn[0]) * mm
        clear, backward = abs(along) > 0.5 * stated.length, along < 0
    else:
        clear, backward = max(ratio, 1.0 / max(ratio, 1e-9)) >= CLEAR_WIDTHS, ratio < 1.0
    rises = np.array([_rise(bed.y[seen[i]], bed.z[i][seen[i]]) for i in rows])
    low, high = DISH_ZONE
    zones = (at > low) & (at < high), (at > 1 - high) & (at < 1 - low)
    # while the heel is not told, the end that is shaped more tells which way is up
    dishes = [float(np.median(rises[zone])) if zone.any() else 0.0 for zone in zones]
    dish = dishes[int(backward)] if clear else max(dishes, key=abs)
    half = np.diag([-1.0, -1.0, 1.0])
    return _Lie(turn=half @ turn if backward else turn, heel_clear=clear, dish=dish)


def _rise(y: Array, z: Array) -> float:
    """Return how far the borders of one row lie above its middle, mm, whatever its tilt."""
    t = (y - (y[0] + y[-1]) / 2) / max((y[-1] - y[0]) / 2, 1e-9)
    inner, left, right = np.abs(t) < 0.3, (t > -0.95) & (t < -0.7), (t < 0.95) & (t > 0.7)
    if not (inner.any() and left.any() and right.any()):
        return 0.0
    return float((z[left].mean() + z[right].mean()) / 2 - z[inner].mean())


def _upward(table: Table, lies: list[_Lie], cloud: Cloud, stated: Stated) -> _Lie:
    """Return the pose that lies upward: dished, and seen from the side that was scanned."""
    best, other = sorted(lies, key=lambda lie: -lie.dish)
    if best.dish < DISH_MM or best.dish - other.dish < DISH_MM:
        raise table.fail(
            "scan",
            "clearly dished, its borders above its middle, to show which way is up",
            "; state bed.up = [x, y, z], the way up in the file, and bed.cast = true if a cast "
            "of the bed was scanned",
        )
    if cloud.normals is not None:
        looks = cloud.normals @ best.turn[2]
        facing = float(looks.sum() / max(np.abs(looks).sum(), 1e-12))
        facing = -facing if stated.cast else facing
        if facing < -FACING:
            hint = (
                "leave bed.cast out if the bed itself was scanned"
                if stated.cast
                else ("state bed.cast = true if a cast of the bed was scanned")
            )
            raise table.fail(
                "scan", "dished on the side that was scanned", f"; {hint}, else state bed.up"
            )
    return best
