"""A scan of a made part, in mm and without the table it lies on.

    Scan, size of the planned part -> part_scans -> PartScan per unit that fits
                                                    -> insole.parts.made.laying

Frame: the scanner's own, mm.

Terms
    table   a plane that reaches out beyond what lies on it; a part's own flat face does not
    unit    told from the planned part: with one unit only, what lies there is as long as it
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage, spatial

from footscan.errors import ScanReadError, UnitsError
from footscan.finding.floor import Floor, best_plane
from footscan.foot import vertex_normals
from footscan.scan import Array, BoolArray, IntArray, Scan, Unit
from insole.parts.made.laying import thinned
from insole.parts.made.planned import even_samples, longest, surface_area

__all__ = ["PartScan", "part_scans"]

SIZE_RANGE = (0.88, 1.12)  # scanned over planned length: cm and inch are a factor of 2.54 apart
SPREAD = (0.85, 14.0)  # the same for the whole file: a table may be larger than the part
CELL_MM = 0.4  # no more than one point per cube of this size is used
COARSE_FACES_MM = 1.2  # faces with longer edges are filled with points
FILL_MM = 0.6
MOST_POINTS, MOST_CELLS = 400_000, 1000  # of a filled mesh; along a scan
TABLE_MM = 0.5  # half thickness of the table while it is sought
TABLE_SHARE = 0.05  # of the points, at least
BEYOND = 1.15  # hull of the table over that of the planned part, at least
BELOW_SHARE = 0.05  # of the other points under the table, at most
STEP_MM = 0.2  # a part begins this far above the table: half of its thinnest edge
NEIGHBOURS = 9  # heights over the table are means of so many points, against noise
PIECE_MM = 3.0  # pieces farther apart are not one part
NOTED_SHARE, APART_SHARE = 0.03, 0.25  # points apart from the part: said; too many to be strays
LEAST_POINTS = 300
SMOOTHINGS = 3  # of a mesh's normals


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartScan:
    """Points of a made part.

    Attributes
    ----------
    points : ndarray, shape (n, 3)
        mm, scanner frame, the table and whatever else lies on it left out.
    normals : ndarray, shape (n, 3), or None
        Unit, from the mesh or the file; all of them may point inward. None for bare points.
    table : Floor or None
        The plane it lies on, its normal towards the part.
    unit : Unit or None
        Of the file; None for a bare scale.
    evidence : str
        How the unit was told, in words.
    apart : float
        Share of the points above the table that lie apart from the part, 0 to 1.
    notes : tuple of str
        What else the reader must know.
    """

    points: Array
    normals: Array | None
    table: Floor | None
    unit: Unit | None
    evidence: str
    apart: float = 0.0
    notes: tuple[str, ...] = ()


def part_scans(
    scan: Scan, rim: Array, *, unit: Unit | None = None, scale: float | None = None
) -> list[PartScan]:
    """Return the scanned part in each unit in which its length is the planned one.

    Parameters
    ----------
    scan : Scan
        As :func:`footscan.reading.read` gave it, in the file's unit.
    rim : ndarray, shape (k, 2)
        Outline of the planned part in plan, mm.
    unit, scale : Unit or None, float or None
        Stated by the user: nothing else is tried.

    Returns
    -------
    list of PartScan
        One as a rule; two where part and table as a whole have the part's length in another unit.

    Raises
    ------
    footscan.errors.UnitsError
        In no unit, or not in the stated one, is anything there as long as the planned part.
    footscan.errors.ScanReadError
        Too few points show the part, or more than one thing lies there.
    """
    wanted = longest(rim)
    size = float(np.linalg.norm(np.ptp(scan.vertices, axis=0)))
    found, lengths = [], []
    for tried, factor in _factors(unit, scale):
        if not SPREAD[0] * wanted <= size * factor <= SPREAD[1] * wanted:
            lengths.append((size * factor, tried))
            continue
        part = _in_mm(scan, factor, rim)
        length = longest(part.points)
        if SIZE_RANGE[0] <= length / wanted <= SIZE_RANGE[1]:
            words = "stated" if unit or scale else "told from the plan"
            name = tried.value if tried else f"{factor:g} mm per file unit"
            words = f"{name}, {words}: {length:.1f} mm long, planned {wanted:.1f} mm"
            found.append(replace(part, unit=tried, evidence=words + _stated(scan, tried)))
        lengths.append((length, tried))
    if not found:
        words = _no_unit(lengths, wanted, stated=bool(unit or scale))
        raise UnitsError(words).asking("part", "unit")
    if min(one.apart for one in found) > APART_SHARE:
        raise ScanReadError(
            f"{100 * found[0].apart:.0f} % of the scan lies apart from the largest piece, too much "
            "to be left out; scan one part at a time, in one piece"
        )
    if max(len(one.points) for one in found) < LEAST_POINTS:
        raise ScanReadError(
            f"only {max(len(one.points) for one in found)} points of the scan show the part, and "
            f"at least {LEAST_POINTS} are needed; scan it more finely"
        )
    return found


def _factors(unit: Unit | None, scale: float | None) -> list[tuple[Unit | None, float]]:
    if scale is not None:
        return [(None, scale)]
    return [(one, one.mm) for one in ([unit] if unit else Unit)]


def _stated(scan: Scan, unit: Unit | None) -> str:
    if scan.stated_unit is None or unit is None or scan.stated_unit is unit:
        return ""
    return f" (the file says {scan.stated_unit.value}, which does not fit)"


def _no_unit(lengths: list[tuple[float, Unit | None]], wanted: float, *, stated: bool) -> str:
    """Return why nothing fits, in one sentence."""
    length, unit = min(lengths, key=lambda one: abs(np.log(max(one[0], 1e-9) / wanted)))
    seen = f"what the scan shows is {length:.3g} mm long"
    if stated:
        return (
            f"in the stated unit {seen}, and the planned part {wanted:.0f} mm; check which part "
            "and unit were named, and scan the whole part"
        )
    return (
        f"in no unit is the scan as long as the planned part, {wanted:.0f} mm: nearest is "
        f"{unit}, in which {seen}; check which part was named, "
        "scan the whole part, or give the file's unit"
    )


def _in_mm(scan: Scan, factor: float, rim: Array) -> PartScan:
    """Return the part in a scan under one unit."""
    points, normals = _points(scan.scaled(factor))
    table = _table(points, rim)
    notes, others = [], 0.0
    if table is not None:
        on_it = _above(points, table)
        points, normals = points[on_it], None if normals is None else normals[on_it]
    if len(points):
        piece, others = _largest_piece(points)
        if others > NOTED_SHARE:
            notes.append(
                f"{100 * others:.0f} % of the points lie apart from the part and were left out."
            )
        points, normals = points[piece], None if normals is None else normals[piece]
    return PartScan(
        points=points,
        normals=normals,
        table=table,
        unit=None,
        evidence="",
        apart=others,
        notes=tuple(notes),
    )


def _points(scan: Scan) -> tuple[Array, Array | None]:
    """Return points close enough to each other, no closer than needed, and their normals."""
    points, faces, normals = scan.vertices, scan.faces, scan.normals
    if len(faces):
        normals = _smoothed(vertex_normals(points, faces), faces)
        edges = np.linalg.norm(points[faces[:, 0]] - points[faces[:, 1]], axis=1)
        if np.median(edges) > COARSE_FACES_MM or edges.max() > 4 * COARSE_FACES_MM:
            spacing = max(FILL_MM, float(np.sqrt(surface_area(points, faces) / MOST_POINTS)))
            filled, owner = even_samples(points, faces, spacing)
            if len(filled):
                points, normals = filled, normals[faces[owner]].mean(axis=1)
    # in a wrong unit a part is a hundred times as large
    keep = thinned(points, max(CELL_MM, float(np.ptp(points, axis=0).max()) / MOST_CELLS))
    return points[keep], None if normals is None else normals[keep]


def _smoothed(normals: Array, faces: IntArray) -> Array:
    """Return normals averaged with their neighbours': noise tips those of small faces."""
    for _ in range(SMOOTHINGS):
        total = normals.copy()
        over = normals[faces].sum(axis=1)
        for corner in range(3):
            for axis in range(3):
                total[:, axis] += np.bincount(
                    faces[:, corner], over[:, axis], minlength=len(normals)
                )
        size = np.linalg.norm(total, axis=1, keepdims=True)
        normals = np.divide(total, size, out=np.zeros_like(total), where=size > 1e-12)
    return normals


def _table(points: Array, rim: Array) -> Floor | None:
    """Return the plane that reaches out beyond the part, its normal towards the part."""
    rng = np.random.default_rng(0)
    left = points[rng.choice(len(points), min(len(points), 6000), replace=False)]
    total, hull = len(left), float(shapely.MultiPoint(rim).convex_hull.area)
    for _ in range(3):
        plane = best_plane(left, TABLE_MM, rng) if len(left) > 200 else None
        if plane is None:
            return None
        height = left @ plane[0] - plane[1]
        near = np.abs(height) <= TABLE_MM
        if near.sum() < TABLE_SHARE * total:
            return None
        floor = _as_table(points, Floor(normal=plane[0], offset=plane[1]), hull)
        if floor is not None:
            return floor
        left = left[np.abs(height) > 2 * TABLE_MM]
    return None


def _as_table(points: Array, plane: Floor, hull: float) -> Floor | None:
    """Return the plane as a table, refitted and turned towards the part, if it is one."""
    normal, offset = plane.normal, plane.offset
    for _ in range(4):
        height = points @ normal - offset
        near = points[np.abs(height) <= TABLE_MM]
        centre = near.mean(axis=0)
        _, vectors = np.linalg.eigh(np.cov((near - centre).T))
        normal, offset = vectors[:, 0], float(vectors[:, 0] @ centre)
    height = points @ normal - offset
    near_by = np.abs(height) <= TABLE_MM
    plan = points[near_by] @ vectors[:, 1:]
    if shapely.MultiPoint(plan[:: max(1, len(plan) // 20000)]).convex_hull.area < BEYOND * hull:
        return None
    rest = height[np.abs(height) > 3 * TABLE_MM]
    if not len(rest):
        return Floor(normal=normal, offset=offset)
    below = float((rest < 0).mean())
    if min(below, 1 - below) > BELOW_SHARE:
        return None
    sign = -1.0 if below > 0.5 else 1.0
    return Floor(normal=sign * normal, offset=sign * offset)


def _above(points: Array, table: Floor) -> BoolArray:
    """Return which points lie on what stands on the table; heights are means of neighbours."""
    height = table.height(points)
    above: BoolArray = height > 4.0
    low = np.flatnonzero(np.abs(height) <= 4.0)
    if len(low) > NEIGHBOURS:
        _, index = spatial.cKDTree(points[low]).query(points[low], k=NEIGHBOURS)
        spread = 1.4826 * float(np.median(np.abs(height[low][np.abs(height[low]) < TABLE_MM])))
        step = max(STEP_MM, 1.2 * spread)
        above[low] = height[low][index].mean(axis=1) > step
    return above


def _largest_piece(points: Array) -> tuple[BoolArray, float]:
    """Return which points belong to the largest piece, and the share of the others."""
    some = points[:: max(1, len(points) // 3000)]
    spacing = float(np.median(spatial.cKDTree(points).query(some, k=2)[0][:, 1]))
    cell = max(PIECE_MM, 3 * spacing, float(np.ptp(points, axis=0).max()) / 200)
    index = np.floor((points - points.min(axis=0)) / cell).astype(int)
    grid = np.zeros(tuple(index.max(axis=0) + 1), dtype=bool)
    grid[tuple(index.T)] = True
    labels, _ = ndimage.label(grid, structure=np.ones((3, 3, 3)))
    own = labels[tuple(index.T)]
    largest = np.bincount(own).argmax()
    keep = own == largest
    return keep, float(1 - keep.mean())
