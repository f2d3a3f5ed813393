"""A scan of a shoe's bed: from the file to the surface that planning uses.

[bed] scan of a shoe file -> bed_pose -> read_bed -> BedSurface and border, in the bed frame

The bed frame here is that of :mod:`insole.planning.plan` with heights above the midline at the
ball. Nothing is guessed: unit, heel end and "up" are told from the shape only where it is clear,
otherwise the sentence names the key that states it. What a lying bed cannot show is where level
was: unless the file's vertical is stated to be the shoe's, pitch follows from the stated drop
and the heel seat is taken as level across (or canted as ``shell.cant_heel`` says).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import spatial
from scipy.spatial.transform import Rotation

from footscan.errors import ScanReadError
from footscan.foot import sampled
from footscan.reading import read
from footscan.scan import Array, Scan, Unit
from insole.errors import PlanError
from insole.planning.bed_map import BedMap, bed_map, border, fill, main_body
from insole.planning.bed_pose import Cloud, Stated, lying, principal_axes, read_stated
from insole.planning.bed_surface import BALL_AT, HEEL_AT, BedSurface
from insole.planning.outline import HEEL_SHARE, edges_at
from insole.planning.tables import Table

__all__ = ["read_bed"]

UNIT_AGREES = 0.10  # share of the inside length by which a unit may miss
LENGTH_MM, WIDTH_MM, DROP_MM = 8.0, 6.0, 2.0  # scan against what the shoe file states
SIDE_MM = 8.0  # a toe end bent further to the little-toe side is no shoe's
LAYERED = 0.05  # share of the bed with something else far below it
CELL_MM, NODE_MM = 1.0, 5.0
CELL_SPACINGS = 1.6  # cell of bare points: some 2.5 of them fall into one
COARSEST_MM = 6.0  # cell: such points lie nearly 4 mm apart
HEEL_SEAT = (0.08, 0.20)  # where level across is taken, share of the length
ROUNDS = 8
LEVEL_DONE = 2e-4  # rad, 0.01 degrees


def read_bed(
    table: Table, sizes: Mapping[str, Any], heel_cant: float, folder: Path | None
) -> tuple[BedSurface, Array]:
    """Return the surface of a scanned bed and its border.

    Parameters
    ----------
    table : Table
        ``[bed]`` of the shoe file.
    sizes : mapping
        ``inside_length`` and ``ball_width``, mm.
    heel_cant : float
        Stated cant of the heel seat, degrees, + medial side up.
    folder : Path or None
        Where the scan lies.

    Returns
    -------
    BedSurface
        Heights on a grid of about 5 mm, rounded to 0.01 mm.
    ndarray, shape (n, 2)
        Border, bed frame, counter-clockwise, mm.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, its pose cannot be told, it has large holes, or it contradicts
        the sizes that the shoe file states.
    """
    stated = read_stated(table, sizes, heel_cant)
    if folder is None or not (folder / stated.file).is_file():
        raise table.fail("scan", "there: no such file beside the shoe file")
    try:
        scan = read(folder / stated.file)
    except ScanReadError as error:
        raise PlanError(f"{table.source}: bed.scan: {error}") from None
    cloud, mm = _in_mm(table, scan, stated)
    return _settled(table, lying(table, cloud, stated, mm), cloud.cell, stated)


def _in_mm(table: Table, scan: Scan, stated: Stated) -> tuple[Cloud, float]:
    """Return the cloud in mm and the millimetres in one of the file's units."""
    keep, thin = main_body(scan.vertices)
    span = float(np.ptp(thin @ principal_axes(thin)[0]))
    fits = {u: abs(span * u.mm / stated.length - 1.0) for u in Unit}
    unit = stated.unit or min(fits, key=lambda u: fits[u])
    if fits[unit] > UNIT_AGREES:
        taken = f"taken in {unit.value}" + ("" if stated.unit else ", the nearest unit,")
        raise table.fail(
            "scan", f"about {stated.length:g} mm long as inside.length says",
            f"; {taken} it is {span * unit.mm:.4g} mm long: scan the whole bed, cut all else away "
            "and check bed.unit",
        )  # fmt: skip
    main = scan.part(keep).scaled(unit.mm)
    if len(main.faces):
        a, b, c = (main.vertices[main.faces[:, i]] for i in range(3))
        points = sampled(main.vertices, main.faces, CELL_MM / 2)
        normals: Array | None = np.cross(b - a, c - a)
        cell = CELL_MM
    else:
        points, normals = main.vertices, main.normals
        cell = max(CELL_MM, CELL_SPACINGS * _spacing(points))
        if cell > COARSEST_MM:
            raise table.fail("scan", "a finer scan: its points lie too far apart for a bed")
    return Cloud(points=points, thin=thin * unit.mm, normals=normals, cell=cell), unit.mm


def _spacing(points: Array) -> float:
    """Return the side of the square that one point stands for, from its sixth neighbour."""
    some = points[:: max(1, len(points) // 5000)]
    distance, _ = spatial.cKDTree(points).query(some, k=7)
    return float(np.median(distance[:, 6])) * math.sqrt(math.pi / 6)


def _settled(
    table: Table, points: Array, cell: float, stated: Stated
) -> tuple[BedSurface, Array]:
    """Return surface and border of a bed that lies about right, brought into the bed frame."""
    where = f"{table.source}: bed.scan"
    for _ in range(ROUNDS):
        bed = bed_map(points, cell, lowest=stated.cast or stated.covered)
        if bed.layered > LAYERED and not (stated.cast or stated.covered):
            raise table.fail(
                "scan", "the bed alone", "; a second surface lies 15 mm or more below the topmost: "
                "cut it away, or state bed.covered = true (and bed.up) if the upper covers the bed",
            )  # fmt: skip
        ring = border(bed, where)
        bed = fill(bed, ring, where)
        step, turned = _step(bed, ring, stated)
        if turned < LEVEL_DONE:
            break
        points = points @ step[:3, :3].T + step[:3, 3]
    ring = ring + step[:2, 3]
    bed = replace(bed, x=bed.x + step[0, 3], y=bed.y + step[1, 3])
    _check_sizes(table, ring, stated)
    surface = _surface(bed, ring, stated)
    if stated.level and stated.drop is not None and abs(surface.drop - stated.drop) > DROP_MM:
        raise table.fail(
            "drop", f"within {DROP_MM:g} mm of the {surface.drop:g} mm that the scan shows",
            "; measure again, or leave bed.level out if the shoe did not stand level",
        )  # fmt: skip
    return surface, ring


def _step(bed: BedMap, ring: Array, stated: Stated) -> tuple[Array, float]:
    """Return the next step into the bed frame, shape (4, 4), and its largest turn, rad."""
    rear = float(ring[:, 0].min())
    at = rear + stated.length * np.array([HEEL_SHARE, BALL_AT])
    lateral, medial = edges_at(ring, at)
    middle = (lateral + medial) / 2
    yaw = math.atan2(middle[1] - middle[0], at[1] - at[0])
    pitch = roll = 0.0
    if not stated.level:
        x = rear + stated.length * np.array([HEEL_AT, BALL_AT])
        heel, ball = bed.at(x, middle)
        pitch = ((stated.drop or 0.0) - (heel - ball)) / (x[1] - x[0])
        roll = math.tan(math.radians(stated.heel_cant)) - _heel_slope(bed, ring, rear, stated)
    turn = Rotation.from_euler("xyz", [roll, pitch, -yaw]).as_matrix()
    step = np.eye(4)
    step[:3, :3] = turn
    step[:3, 3] = -turn @ [rear, middle[0], 0.0]
    return step, max(abs(yaw), abs(pitch), abs(roll))


def _heel_slope(bed: BedMap, ring: Array, rear: float, stated: Stated) -> float:
    """Return the slope across the heel seat, rise over run, + medial side up."""
    x = rear + stated.length * np.linspace(*HEEL_SEAT, 25)
    lateral, medial = edges_at(ring, x)
    t = np.linspace(-0.7, 0.7, 29)
    y = ((lateral + medial) / 2)[:, None] + t * ((medial - lateral) / 2)[:, None]
    z = bed.at(np.repeat(x, len(t)), y.ravel()).reshape(y.shape)
    y, z = y - y.mean(axis=1, keepdims=True), z - z.mean(axis=1, keepdims=True)
    return float((y * z).sum() / (y * y).sum())


def _check_sizes(table: Table, ring: Array, stated: Stated) -> None:
    """Refuse a bed that is not the stated shoe's, or not of the stated side."""
    length = float(np.ptp(ring[:, 0]))
    if abs(length - stated.length) > LENGTH_MM:
        raise table.fail(
            "scan", f"within {LENGTH_MM:g} mm of inside.length, {stated.length:g} mm",
            f"; the bed in it is {length:.0f} mm long: the other shoe, or a bed in part?",
        )  # fmt: skip
    lateral, medial = edges_at(ring, stated.length * np.linspace(0.64, 0.80, 17))
    width = float((medial - lateral).max())
    if abs(width - stated.ball_width) > WIDTH_MM:
        raise table.fail(
            "scan", f"within {WIDTH_MM:g} mm of inside.ball_width, {stated.ball_width:g} mm",
            f"; the bed in it is {width:.0f} mm wide at the ball: measure again or cut away what "
            "is not bed",
        )  # fmt: skip
    tip = float(ring[ring[:, 0] > length - 3.0, 1].mean())
    if tip < -SIDE_MM:
        other = "right" if stated.left else "left"
        raise table.fail(
            "side", f'"{other}"',
            f": the toe end of the scan bends {-tip:.0f} mm to the side that would be the little "
            "toe's; or the file was mirrored, so export it again",
        )  # fmt: skip


def _surface(bed: BedMap, ring: Array, stated: Stated) -> BedSurface:
    """Return the bed on a grid of shares; places keep their mm from the rear end."""
    end = float(ring[:, 0].max())
    nx = round(stated.length / NODE_MM) + 1
    ny = 2 * round(stated.ball_width / NODE_MM / 2) + 1
    x = np.clip(stated.length * np.linspace(0.0, 1.0, nx), 1.5, end - 1.5)
    ball = np.array([BALL_AT * stated.length])
    lateral, medial = edges_at(ring, x)
    y = ((lateral + medial)[:, None] + np.linspace(-1, 1, ny) * (medial - lateral)[:, None]) / 2
    z = bed.at(np.repeat(x, ny), y.ravel()).reshape(nx, ny)
    low, high = edges_at(ring, ball)
    z = np.round(z - bed.at(ball, (low + high) / 2)[0], 2) + 0.0
    z.setflags(write=False)
    if stated.level:
        level = "level as it stood when scanned"
    else:
        level = f"pitch from the stated drop, heel seat {stated.heel_cant:+g}° across"
    return BedSurface(
        heights=z, ball_span=round(float((high - low)[0]), 2), origin=f"scan; {level}"
    )
