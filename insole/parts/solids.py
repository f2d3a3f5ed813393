"""Closed meshes over a plan outline: extruded, cut by planes, or under a height function.

    outline, heights or planes -> Manifold (booleans) -> vertices and faces of a Part

Every part is a height field over z = 0: its underside is flat and each vertical line enters it
once. That keeps the checks simple: the section at height z is where the part is thicker than z.

Meshes leave through :func:`arrays`, on a lattice of 1/4096 mm that single precision holds
exactly, with vertices and faces in sorted order: the same plan gives the same bytes, and an STL
file reads back closed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import manifold3d
import numpy as np
import shapely
from shapely import LinearRing, Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array, IntArray
from insole.errors import PartError

__all__ = [
    "LATTICE_MM",
    "Height",
    "arrays",
    "between",
    "chord_error",
    "closed",
    "first_closed",
    "grid_step",
    "integral",
    "prism",
    "region_above",
    "ring",
    "shadow",
    "solid_of",
    "solid_polygon",
    "under_heights",
    "under_planes",
]

Height = Callable[[Array, Array], Array]

LATTICE_MM = 2.0**-12  # exact in single precision up to 4 m
SHORT_EDGE_MM = 1e-3  # edges that booleans leave shorter than this are collapsed
CHORD_MM = 0.012  # aim of the meshes; checked against 0.02
GRID_FACTORS = (1.0, 0.97, 1.03, 0.93)
GRID_STEP_MM = (0.4, 2.0)
SCAN_STEP_MM = 0.1  # spacing of the lines along which volumes are integrated
GAUSS_NODES = 40


def solid_polygon(outline: object, part: str) -> Polygon:
    """Return a plan outline as a polygon.

    Raises
    ------
    PartError
        Fewer than three points, a crossing, values that are not finite, or no area.
    """
    points = np.asarray(outline, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise PartError(part, f"the outline of the {part} needs at least 3 points; draw it again")
    if not np.isfinite(points).all():
        raise PartError(part, f"the outline of the {part} has values that are no numbers")
    polygon = shapely.orient_polygons(Polygon(points))
    if not polygon.is_valid or polygon.area < 25.0:
        what = "crosses itself" if not polygon.is_valid else "encloses almost nothing"
        raise PartError(part, f"the outline of the {part} {what}; trace it again")
    return polygon


def ring(line: LinearRing) -> Array:
    """Return a polygon's ring as points without the repeated last one, shape (n, 2)."""
    return np.ascontiguousarray(shapely.get_coordinates(line)[:-1])


def prism(shape: BaseGeometry, bottom: float, top: float) -> Any:
    """Return the solid over a polygon or several, between two heights."""
    contours = []
    for polygon in shapely.get_parts(shape):
        oriented = shapely.orient_polygons(polygon)
        contours += [ring(oriented.exterior), *(ring(hole) for hole in oriented.interiors)]
    section = manifold3d.CrossSection(contours, manifold3d.FillRule.Positive)
    return section.extrude(top - bottom).translate((0.0, 0.0, bottom))


def under_planes(shape: Polygon, planes: Iterable[tuple[float, float, float]]) -> Any:
    """Return the solid over `shape` between z = 0 and the lowest of z = a x + b y + c.

    Exact: each plane trims a prism, and the lowest of planes is a convex roof.
    """
    planes = list(planes)
    corners = ring(shape.exterior)
    highest = max(float((corners @ [a, b] + c).max()) for a, b, c in planes)
    solid = prism(shape, 0.0, highest + 1.0)
    for a, b, c in planes:
        norm = math.sqrt(a * a + b * b + 1.0)
        solid = solid.trim_by_plane((a / norm, b / norm, -1.0 / norm), -c / norm)
    return solid


def under_heights(
    shape: Polygon, height: Height, step: float, floor: float, x_end: float | None = None
) -> Any:
    """Return the solid over `shape` between z = 0 and max(floor, height).

    The surface is sampled on a grid of `step` mm and clipped to the outline, whatever its form;
    the floor is cut exactly, so that the edge where both meet is not stepped. Ahead of `x_end`
    there is only the floor.
    """
    x0, y0, x1, y1 = shape.bounds
    stop = x1 + step if x_end is None else x_end
    x = np.linspace(x0 - step, stop, math.ceil((stop - x0 + step) / step) + 1)
    y = np.arange(y0 - step, y1 + 2 * step, step)
    grid_x, grid_y = np.meshgrid(x, y, indexing="ij")
    z = height(grid_x.ravel(), grid_y.ravel()).reshape(grid_x.shape)
    block = _block(grid_x, grid_y, np.maximum(z, -0.5))
    slab = prism(
        shapely.box(x0 - 0.5 * step, y0 - 0.5 * step, x1 + 0.5 * step, y1 + 0.5 * step), -1.0, floor
    )
    return (block + slab) ^ prism(shape, 0.0, float(max(z.max(), floor)) + 1.0)


def between(shape: Polygon, lower: Height, upper: Height, step: float) -> Any:
    """Return the solid over `shape` between two height functions, sampled each `step` mm."""
    x0, y0, x1, y1 = shape.bounds
    x, y = (np.arange(a - 2 * step, b + 3 * step, step) for a, b in ((x0, x1), (y0, y1)))
    grid_x, grid_y = np.meshgrid(x, y, indexing="ij")
    low, high = (f(grid_x.ravel(), grid_y.ravel()).reshape(grid_x.shape) for f in (lower, upper))
    slab = _block(grid_x, grid_y, high) - _block(grid_x, grid_y, low, -3.0)
    return slab ^ prism(shape, float(low.min()) - 1.0, float(high.max()) + 1.0)


def _block(x: Array, y: Array, z: Array, floor: float = -2.0) -> Any:
    """Return the solid between a level floor and a grid of heights."""
    rows, columns = z.shape
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    top = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    rim = np.concatenate([index[:-1, 0], index[-1, :-1], index[:0:-1, -1], index[0, :0:-1]])
    after, under = np.roll(rim, -1), rows * columns
    walls = np.concatenate(
        [
            np.stack([rim + under, after + under, after], axis=-1),
            np.stack([rim + under, after, rim], axis=-1),
        ]
    )
    points = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    low = points.copy()
    low[:, 2] = min(floor, float(z.min()) + floor)
    faces = np.concatenate([top, top[:, ::-1] + under, walls])
    return solid_of(np.concatenate([points, low]), faces)


def solid_of(vertices: Array, faces: IntArray) -> Any:
    """Return arrays as a manifold for booleans."""
    return manifold3d.Manifold(
        manifold3d.Mesh64(
            np.ascontiguousarray(vertices, dtype=np.float64),
            np.ascontiguousarray(faces, dtype=np.uint64),
        )
    )


def arrays(solid: Any, part: str) -> tuple[Array, IntArray]:
    """Return a solid as vertices (n, 3) and faces (m, 3), cleaned, in sorted order.

    Raises
    ------
    PartError
        The solid is empty or does not close.
    """
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise PartError(part, f"the {part} has no closed solid; check its outline and heights")
    for short in (SHORT_EDGE_MM, 2 * SHORT_EDGE_MM, 5 * SHORT_EDGE_MM):
        found = _on_lattice(solid.simplify(short).to_mesh64())
        if closed(found[1]):  # slivers that the lattice folds flat go with a coarser one
            return found
    raise PartError(part, f"the mesh of the {part} does not close; smooth its outline")


def first_closed(made: Callable[[float], Any], part: str) -> tuple[Array, IntArray]:
    """Return the arrays of a solid made on a grid, of a slightly other grid where it must be.

    Where lines of a grid meet corners of an outline, slivers fold on the lattice; they are gone
    when the grid is moved by some hundredths.

    Parameters
    ----------
    made : callable
        Gets a factor near one for the grid's step, returns the solid.
    part : str
        For messages.

    Raises
    ------
    PartError
        None of the grids gives a closed mesh.
    """
    for factor in GRID_FACTORS[:-1]:
        try:
            return arrays(made(factor), part)
        except PartError:
            continue
    return arrays(made(GRID_FACTORS[-1]), part)


def _on_lattice(mesh: Any) -> tuple[Array, IntArray]:
    """Return a mesh with its vertices on the lattice and all in sorted order."""
    raw = np.asarray(mesh.vert_properties)[:, :3]
    lattice = np.round(raw / LATTICE_MM).astype(np.int64)
    span = np.ptp(lattice, axis=0) + 1
    low = lattice - lattice.min(axis=0)
    keys = (low[:, 0] * span[1] + low[:, 1]) * span[2] + low[:, 2]  # sorts by x, then y, then z
    _, first, places = np.unique(keys, return_index=True, return_inverse=True)
    faces = places.astype(np.int64)[np.asarray(mesh.tri_verts, dtype=np.int64)]
    keep = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    faces = _sorted_faces(faces[keep])
    return np.asarray(lattice[first] * LATTICE_MM, dtype=np.float64), faces


def _sorted_faces(faces: IntArray) -> IntArray:
    first = faces.argmin(axis=1)
    turned = np.take_along_axis(faces, (first[:, None] + np.arange(3)) % 3, axis=1)
    return np.ascontiguousarray(turned[np.lexsort(turned.T[::-1])])


def closed(faces: IntArray) -> bool:
    """Return whether each directed edge occurs once and has its opposite."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    size = int(faces.max()) + 1
    there = np.sort(edges[:, 0] * size + edges[:, 1])
    back = np.sort(edges[:, 1] * size + edges[:, 0])
    return bool((np.diff(there) > 0).all() and np.array_equal(there, back))


def region_above(solid: Any, z: float) -> BaseGeometry:
    """Return in plan where the part is thicker than `z`: its section at that height."""
    contours = [np.asarray(c) for c in solid.slice(z).to_polygons() if len(c) > 2]
    # even-odd: letters hold islands, so that holes cannot simply be taken off the whole
    region: BaseGeometry = Polygon()
    for contour in contours:
        region = region.symmetric_difference(shapely.make_valid(Polygon(contour)))
    return region


def shadow(solid: Any) -> BaseGeometry:
    """Return a solid's shadow in plan."""
    pieces = [Polygon(np.asarray(c)) for c in solid.project().to_polygons() if len(c) > 2]
    return max(pieces, key=lambda piece: piece.area)


def integral(shape: BaseGeometry, height: Height) -> float:
    """Return the integral of `height` over `shape`, mm3, without any mesh.

    Lines 0.1 mm apart across the outline; on each piece inside, Gauss-Legendre in y.
    """
    x0, y0, x1, y1 = shape.bounds
    count = max(8, math.ceil((x1 - x0) / SCAN_STEP_MM))
    step = (x1 - x0) / count
    x = x0 + (np.arange(count) + 0.5) * step
    ends = np.stack(
        [
            np.column_stack([x, np.full(count, y0 - 1)]),
            np.column_stack([x, np.full(count, y1 + 1)]),
        ],
        axis=1,
    )
    shapely.prepare(shape)
    pieces, _ = shapely.get_parts(
        shapely.intersection(shape, shapely.linestrings(ends)), return_index=True
    )
    pieces = pieces[shapely.get_num_coordinates(pieces) == 2]
    spans = shapely.get_coordinates(pieces).reshape(-1, 2, 2)
    nodes, weights = np.polynomial.legendre.leggauss(GAUSS_NODES)
    half = np.abs(np.diff(spans[:, :, 1], axis=1))[:, 0] / 2
    y = spans[:, :, 1].mean(axis=1)[:, None] + half[:, None] * nodes
    z = height(np.repeat(spans[:, 0, 0], GAUSS_NODES), y.ravel()).reshape(y.shape)
    return float(step * (half * (z @ weights)).sum())


def grid_step(largest_curvature: float) -> float:
    """Return the grid step that keeps triangles within the chord error, mm.

    A linear triangle strays by at most curvature x circumradius2 / 2, and the circumradius of
    half a square of side h is h / sqrt 2.
    """
    low, high = GRID_STEP_MM
    if largest_curvature <= 0:
        return high
    return float(np.clip(math.sqrt(4 * CHORD_MM / largest_curvature), low, high))


def chord_error(vertices: Array, faces: IntArray, height: Height) -> float:
    """Return the largest distance in z of top triangles from `height`, mm.

    Measured at the middle of each top triangle and of its edges; faces steeper than 60 degrees
    belong to the walls.
    """
    corners = vertices[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    raised = corners[:, :, 2].min(axis=1) > 0.0  # slivers of a wall reach down to the underside
    top = corners[raised & (length > 1e-9) & (normal[:, 2] > 0.5 * length)]
    if not len(top):
        return 0.0
    probes = np.concatenate([top.mean(axis=1), (top + np.roll(top, 1, axis=1)).reshape(-1, 3) / 2])
    return float(np.abs(height(probes[:, 0], probes[:, 1]) - probes[:, 2]).max())
