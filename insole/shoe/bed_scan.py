"""A scan of a shoe's bed: from the file to the surface that planning uses.

[bed] scan of a shoe file -> bed_pose -> read_bed -> BedSurface and border, in the bed frame

The bed frame here is that of :mod:`insole.record.plan` with heights above the midline at the
ball. Nothing is guessed: unit, heel end and "up" are told from the shape only where it is clear,
otherwise the sentence names the key that states it. What a lying bed cannot show is where level
was: unless the file's vertical is stated to be the shoe's, pitch follows from the stated drop
and the heel seat is taken as level across (or canted as ``shell.cant_heel`` says).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import spatial
from scipy.spatial.transform import Rotation

from footscan.errors import ScanReadError
from footscan.foot import HEEL_STATION, sampled
from footscan.reading import read
from footscan.scan import Array, Scan, Unit
from insole.errors import PlanError
from insole.record.rings import edges_at
from insole.record.tables import Table
from insole.shoe.bed_map import BedMap, bed_map, border, fill, main_body
from insole.shoe.bed_outline import in_bed_frame
from insole.shoe.bed_pose import Cloud, Stated, lying, principal_axes, read_stated
from insole.shoe.bed_surface import BALL_AT, HEEL_AT, BedSurface

__all__ = ["read_bed"]

UNIT_AGREES = 0.10  # share of the inside length by which a unit may miss
LENGTH_MM, WIDTH_MM, DROP_MM = 8.0, 6.0, 2.0  # scan against what the shoe file states
SIDE_MM = 8.0  # a toe end bent further to the little-toe side is no shoe's
LAYERED = 0.05  # share of the bed with something else far below it
CELL_MM, SAMPLE_MM, NODE_MM = 1.0, 0.7, 5.0
LONGEST_MM = 40.0
CELL_SPACINGS = 1.6  # cell of bare points: some 2.5 of them fall into one
COARSEST_MM = 5.0  # cell: such points lie 3 mm apart
HEEL_SEAT = (0.08, 0.20)  # where level across is taken, share of the length
ROUNDS = 8
YAW_DONE, LEAN_DONE = 3e-4, 2e-3  # rad: 0.02 degrees; 0.1 degrees, made good afterwards


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
            "scan",
            f"about {stated.length:g} mm long as inside.length says",
            f"; {taken} it is {span * unit.mm:.4g} mm long: scan the whole bed, cut all else away "
            "and check bed.unit",
        )
    main = scan.part(keep).scaled(unit.mm)
    if len(main.faces):
        a, b, c = (main.vertices[main.faces[:, i]] for i in range(3))
        longest = np.linalg.norm([a - b, b - c, c - a], axis=2).max(axis=0)
        # a longer face bridges what was not seen (or a corner of it is damaged)
        points = sampled(main.vertices, main.faces[longest <= LONGEST_MM], SAMPLE_MM)
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


def _settled(table: Table, points: Array, cell: float, stated: Stated) -> tuple[BedSurface, Array]:
    """Return surface and border of a bed that lies about right, brought into the bed frame."""
    bed, ring = _levelled(table, points, cell, stated)
    border_ring = np.round(in_bed_frame(ring), 4)
    shift = border_ring[0] - ring[0]
    bed = replace(bed, x=bed.x + shift[0], y=bed.y + shift[1])
    _check_length(table, border_ring, stated, LENGTH_MM)
    _check_shape(table, border_ring, stated)
    surface = _surface(bed, border_ring, stated)
    if stated.level and stated.drop is not None and abs(surface.drop - stated.drop) > DROP_MM:
        raise table.fail(
            "drop",
            f"within {DROP_MM:g} mm of the {surface.drop:g} mm that the scan shows",
            "; measure again, or leave bed.level out if the shoe did not stand level",
        )
    border_ring.setflags(write=False)
    return surface, border_ring


def _levelled(table: Table, points: Array, cell: float, stated: Stated) -> tuple[BedMap, Array]:
    """Return map and border turned about until centreline, pitch and roll are what they should."""
    where, lowest = f"{table.source}: bed.scan", stated.cast or stated.covered
    for _ in range(ROUNDS):
        bed = bed_map(points, cell, lowest=lowest)
        if bed.layered > LAYERED and not lowest:
            raise table.fail(
                "scan",
                "the bed alone",
                "; a second surface lies 15 mm or more below the topmost: "
                "cut it away, or state bed.covered = true (and bed.up) if the upper covers the bed",
            )
        ring = border(bed, where)
        _check_length(table, ring, stated, UNIT_AGREES * stated.length)
        bed = fill(bed, ring, where)
        roll, pitch, yaw = _lean(bed, ring, stated)
        if abs(yaw) < YAW_DONE and max(abs(roll), abs(pitch)) < LEAN_DONE:
            break
        points = points @ Rotation.from_euler("xyz", [roll, pitch, yaw]).as_matrix().T
    # what is left is so small that turning is shearing
    return replace(bed, z=bed.z - pitch * bed.x[:, None] + roll * bed.y), ring


def _lean(bed: BedMap, ring: Array, stated: Stated) -> tuple[float, float, float]:
    """Return roll, pitch and yaw, rad, that bring the bed closer to its frame."""
    rear, span = float(ring[:, 0].min()), float(np.ptp(ring[:, 0]))
    at = rear + np.array([HEEL_STATION * span, BALL_AT * stated.length])
    lateral, medial = edges_at(ring, at)
    middle = (lateral + medial) / 2
    yaw = -math.atan2(middle[1] - middle[0], at[1] - at[0])
    if stated.level:
        return 0.0, 0.0, yaw
    x = rear + stated.length * np.array([HEEL_AT, BALL_AT])
    lateral, medial = edges_at(ring, x)
    heel, ball = bed.at(x, (lateral + medial) / 2)
    pitch = ((stated.drop or 0.0) - (heel - ball)) / (x[1] - x[0])
    roll = math.tan(math.radians(stated.heel_cant)) - _heel_slope(bed, ring, rear, stated)
    return roll, float(pitch), yaw


def _heel_slope(bed: BedMap, ring: Array, rear: float, stated: Stated) -> float:
    """Return the slope across the heel seat, rise over run, + medial side up."""
    x = rear + stated.length * np.linspace(*HEEL_SEAT, 25)
    lateral, medial = edges_at(ring, x)
    t = np.linspace(-0.7, 0.7, 29)
    y = ((lateral + medial) / 2)[:, None] + t * ((medial - lateral) / 2)[:, None]
    z = bed.at(np.repeat(x, len(t)), y.ravel()).reshape(y.shape)
    y, z = y - y.mean(axis=1, keepdims=True), z - z.mean(axis=1, keepdims=True)
    return float((y * z).sum() / (y * y).sum())


def _check_length(table: Table, ring: Array, stated: Stated, within: float) -> None:
    """Refuse a bed that is longer or shorter than stated."""
    length = float(np.ptp(ring[:, 0]))
    if abs(length - stated.length) > within:
        raise table.fail(
            "scan",
            f"within {within:g} mm of inside.length, {stated.length:g} mm",
            f"; the bed in it is {length:.0f} mm long: the other shoe, or a bed in part?",
        )


def _check_shape(table: Table, ring: Array, stated: Stated) -> None:
    """Refuse a bed that is not as wide as stated, or bends as the other side's would."""
    lateral, medial = edges_at(ring, stated.length * np.linspace(0.64, 0.80, 17))
    width = float((medial - lateral).max())
    if abs(width - stated.ball_width) > WIDTH_MM:
        raise table.fail(
            "scan",
            f"within {WIDTH_MM:g} mm of inside.ball_width, {stated.ball_width:g} mm",
            f"; the bed in it is {width:.0f} mm wide at the ball: measure again or cut away what "
            "is not bed",
        )
    tip = float(ring[ring[:, 0] > ring[:, 0].max() - 3.0, 1].mean())
    if tip < -SIDE_MM:
        other = "right" if stated.left else "left"
        raise table.fail(
            "side",
            f'"{other}"',
            f": the toe end of the scan bends {-tip:.0f} mm to the side that would be the little "
            "toe's; or the file was mirrored, so export it again",
        )


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
        seat = f"canted {stated.heel_cant:+g}°" if stated.heel_cant else "taken as level across"
        level = f"pitch from the stated drop, heel seat {seat}"
    return BedSurface(
        heights=z, ball_span=round(float((high - low)[0]), 2), origin=f"scan; {level}"
    )
