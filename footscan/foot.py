"""The foot in its own frame, and the sole map that planning hangs on.

    measuring.pose -> Foot -> measuring.landmarks, measuring.measures, insole.planning

Foot frame (right-handed, mm)
    origin   pternion (rearmost point of the heel) dropped to the ground
    +x       forward, heel to toes
    +y       medial, the big-toe side: a left foot is mirrored once, in ``pose``
    +z       up; the ground is z = 0

Terms
    sole map    height of the sole above the ground on a regular grid in plan; empty where the
                sole was not seen or does not face down
    arch line   in plan, 25 % of the local width of the map in from its medial edge
    arch apex   highest point of the map along the arch line between 30 and 65 % of the length,
                smoothed over 15 mm

:func:`arch_apex` serves scans, specimens with known truth and pads alike, so that a height or
a place means the same thing everywhere. (The height changes about 0.8 mm per mm of inset.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from footscan.scan import Array, IntArray, Kind, Load, Side, as_points

__all__ = [
    "ARCH_WINDOW",
    "HEEL_STATION",
    "Foot",
    "SoleMap",
    "area_vectors",
    "face_normals",
    "lengths",
    "sampled",
    "sole_map",
    "vertex_normals",
]

CELL_MM = 1.0
SOLE_LIMIT_DEG = 45.0  # design definition: the sole faces down to within 45 degrees
ARCH_WINDOW = (0.30, 0.65)  # share of foot length searched for the apex
# Where heel breadth and heel centre lie, share of the length (Lee 2014, J Foot Ankle Res 7:44): of
# feet, outlines and beds alike. The long axis runs through the heel centre, so that it moves too.
HEEL_STATION = 0.16
SOLE_TOP_MM = 80.0  # no sole is as high, and half of a scan is
WIDE_LIMIT_DEG = 75.0  # faces that may carry the map before its slope is judged
SLOPE_MM = 1.5  # standard deviation of the patch whose slope is judged
SPECK_CELLS = 25  # smaller pieces of the map are walls seen by chance, not sole
LAYER_MM = 1.5  # a cell of 1 mm on a 45 degree slope spans 1 mm of height


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoleMap:
    """Height of the sole on a regular grid in plan.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Cell centres, foot frame, mm; evenly spaced by `cell`.
    z : ndarray, shape (nx, ny)
        Height above the ground, mm; NaN where empty.
    cell : float
        Grid spacing, mm.
    """

    x: Array
    y: Array
    z: Array
    cell: float

    def height(self, x: Array | float, y: Array | float) -> Array:
        """Return bilinear heights at (x, y), mm; NaN outside or beside an empty cell."""
        at_x, at_y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        u = (np.atleast_1d(at_x) - self.x[0]) / self.cell
        v = (np.atleast_1d(at_y) - self.y[0]) / self.cell
        z = ndimage.map_coordinates(self.z, [u, v], order=1, mode="constant", cval=np.nan)
        return z.reshape(at_x.shape)

    def edges(self) -> tuple[Array, Array]:
        """Return the lateral and the medial edge (lowest and highest y) per x, NaN if empty.

        The farthest cells seen count: the flank of a high arch may be steeper than the map
        shows, and the roof beyond it is sole again.
        """
        seen = np.isfinite(self.z)
        any_seen = seen.any(axis=1)
        first = seen.argmax(axis=1)
        last = seen.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)
        lateral = np.where(any_seen, self.y[first], np.nan)
        medial = np.where(any_seen, self.y[last], np.nan)
        return lateral, medial


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Foot:
    """A cleaned foot in the foot frame.

    Attributes
    ----------
    vertices : ndarray, shape (n, 3)
        Foot frame, mm.
    faces : ndarray, shape (m, 3)
        Outward winding; m >= 1 (bare points are surfaced in ``cleaning``).
    side : Side
        Which foot it really is; the geometry is always that of a right foot (+y medial).
    kind, load : Kind, Load
        What the scanner saw, and how the foot was loaded.
    pose : ndarray, shape (4, 4)
        Scanner mm to foot frame; determinant -1 for a left foot.
    length : float
        Foot length along x, mm, from local smooth fits.
    sole : SoleMap
        Smoothed only as far as the scan's noise asks for.
    axis_method : str
        How the long axis was found.
    """

    vertices: Array
    faces: IntArray
    side: Side
    kind: Kind
    load: Load
    pose: Array
    length: float
    sole: SoleMap
    axis_method: str = "heel centre to second metatarsal head"

    def to_scanner(self, points: Array) -> Array:
        """Return foot-frame `points`, shape (n, 3), in scanner mm."""
        inverse = np.linalg.inv(self.pose)
        return as_points(points) @ inverse[:3, :3].T + inverse[:3, 3]


def lengths(vectors: Array) -> Array:
    """Return the lengths of vectors, shape (n, 3): far quicker than along so short an axis."""
    x, y, z = vectors[:, 0], vectors[:, 1], vectors[:, 2]
    result: Array = np.sqrt(x * x + (y * y + z * z))  # in the order of a sum along the axis
    return result


def face_normals(vertices: Array, faces: IntArray) -> Array:
    """Return unit face normals, shape (m, 3); zero for a face without area."""
    corners = tuple(np.ascontiguousarray(faces[:, i]) for i in range(3))
    return _unit(area_vectors(vertices, corners))


def area_vectors(vertices: Array, corners: Sequence[IntArray]) -> list[Array]:
    """Return x, y and z of twice the faces' area vectors: far quicker than rows of three."""
    columns = [np.ascontiguousarray(vertices[:, k]) for k in range(3)]
    a, b, c = ([column[corner] for column in columns] for corner in corners)
    (ux, uy, uz), (vx, vy, vz) = (
        [to - start for to, start in zip(end, a, strict=True)] for end in (b, c)
    )
    return [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx]


def _unit(columns: Sequence[Array]) -> Array:
    """Return rows of unit length, shape (n, 3); zero where there is none."""
    x, y, z = columns
    size = np.sqrt(x * x + (y * y + z * z))
    result: Array = np.zeros((len(size), 3))
    for k, column in enumerate(columns):
        np.divide(column, size, out=result[:, k], where=size > 0)
    return result


def vertex_normals(vertices: Array, faces: IntArray) -> Array:
    """Return unit vertex normals weighted by face area, shape (n, 3)."""
    corners = tuple(np.ascontiguousarray(faces[:, i], dtype=np.intp) for i in range(3))
    total: list[Array] = []
    for column in area_vectors(vertices, corners):
        one, two, three = (np.bincount(c, column, minlength=len(vertices)) for c in corners)
        total.append(np.asarray(one + two + three, dtype=float))
    return _unit(total)


def sole_map(
    vertices: Array,
    faces: IntArray,
    *,
    cell: float = CELL_MM,
    smooth_mm: float = 0.0,
    limit_deg: float = SOLE_LIMIT_DEG,
) -> SoleMap:
    """Return the lowest down-facing surface per cell, in plan.

    Faces that look down are sampled at half the cell size; the mean of the lowest layer of
    samples per cell counts. Cells where the map is steeper than `limit_deg` are emptied, so that
    neither the side of the foot nor the scan's noise pulls it.

    Parameters
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Foot frame, mm, outward winding.
    cell : float
        Grid spacing, mm.
    smooth_mm : float
        Standard deviation of a normalised Gaussian over the map, mm; 0 keeps it raw.
    limit_deg : float
        Largest angle between the sole's normal and straight down.

    Raises
    ------
    ValueError
        No face looks down.
    """
    # faces up to the wide limit come along first: noise tips single faces to either side of the
    # limit itself, so that is judged by the slope of the map, a few millimetres wide
    low = vertices[:, 2] < vertices[:, 2].min() + SOLE_TOP_MM
    faces = faces[low[faces[:, 0]]]
    wide = max(limit_deg, WIDE_LIMIT_DEG)
    down = face_normals(vertices, faces)[:, 2] < -np.cos(np.radians(wide))
    if not down.any():
        raise ValueError("no face looks down: the sole is missing")
    points = sampled(vertices, faces[down], cell / 2)
    low, index = np.zeros(2), []
    for axis in range(2):  # one at a time: far quicker than along so short an axis
        along = points[:, axis]
        low[axis] = np.floor(along.min() / cell) * cell - cell
        index.append(np.round((along - low[axis]) / cell).astype(int))
    shape = tuple(int(along.max()) + 2 for along in index)
    z = _lowest_layer(index[0] * shape[1] + index[1], points[:, 2], shape[0] * shape[1])
    z = z.reshape(shape)
    if limit_deg < WIDE_LIMIT_DEG:
        z = np.where(_slope(z, SLOPE_MM / cell) / cell <= np.tan(np.radians(limit_deg)), z, np.nan)
    z = _without_specks(z)
    if not np.isfinite(z).any():
        raise ValueError("no face looks down: the sole is missing")
    if smooth_mm > 0:
        z = _smoothed(z, smooth_mm / cell)
    x = low[0] + cell * np.arange(shape[0])
    y = low[1] + cell * np.arange(shape[1])
    return SoleMap(x=x, y=y, z=z, cell=cell)


def sampled(vertices: Array, faces: IntArray, spacing: float) -> Array:
    """Return the vertices of `faces` and points inside large faces, about `spacing` apart."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    longest = np.maximum(np.maximum(lengths(b - a), lengths(c - b)), lengths(a - c))
    steps = np.clip(np.ceil(longest / spacing), 1, 400).astype(int)
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    clouds = [vertices[used]]
    for n in np.unique(steps[steps > 1]):
        chosen = steps == n
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
        keep = (i + j) <= n
        u, v = i[keep] / n, j[keep] / n
        corners = [of[chosen].T for of in (a, b, c)]
        grid = np.zeros((corners[0].shape[1], len(u), 3))
        weights = [w[:, None] for w in (1 - u - v, u, v)]
        for axis in range(3):  # one at a time: far quicker than along so short an axis
            p, q, r = (w * of[axis] for w, of in zip(weights, corners, strict=True))
            grid[:, :, axis] = (p + q + r).T
        clouds.append(grid.reshape(-1, 3))
    return np.concatenate(clouds)


def _lowest_layer(cell: IntArray, height: Array, cells: int) -> Array:
    """Return the mean height of each cell's lowest layer; a plain minimum would follow noise."""
    lowest = np.full(cells, np.inf)
    np.minimum.at(lowest, cell, height)
    layer = height <= lowest[cell] + LAYER_MM
    count = np.bincount(cell[layer], minlength=cells)
    total = np.bincount(cell[layer], height[layer], minlength=cells)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _without_specks(z: Array) -> Array:
    """Return the map without pieces that hang together over less than ``SPECK_CELLS`` cells."""
    label, count = ndimage.label(np.isfinite(z), np.ones((3, 3)))
    if count <= 1:
        return z
    large = np.bincount(label.ravel()) >= SPECK_CELLS
    large[0] = False
    return np.where(large[label], z, np.nan) if large.any() else z


def _slope(z: Array, sigma_cells: float) -> Array:
    """Return the steepness of a local plane fit to `z`, height per cell; infinite where unknown."""
    seen = np.isfinite(z)
    value = np.where(seen, z, 0.0)
    reach = int(np.ceil(3 * sigma_cells))
    d = np.arange(-reach, reach + 1, dtype=float)
    kernels = [d**k * np.exp(-0.5 * (d / sigma_cells) ** 2) for k in range(3)]

    def moment(of: Array, i: int, j: int) -> Array:
        along = ndimage.correlate1d(of, kernels[i], axis=0, mode="constant")
        return ndimage.correlate1d(along, kernels[j], axis=1, mode="constant")

    w = seen.astype(float)
    terms = ((0, 0), (1, 0), (0, 1))
    normal = np.stack(
        [[moment(w, a[0] + b[0], a[1] + b[1]) for b in terms] for a in terms]
    ).transpose(2, 3, 0, 1)
    right = np.stack([moment(value, i, j) for i, j in terms], axis=-1)
    # a cell with neighbours on one line only has no slope across it
    known = seen & (np.linalg.det(normal) > 1e-3 * normal[..., 0, 0] ** 3)
    plane = np.linalg.solve(normal[known], right[known][..., None])[..., 0]
    steep = np.full(z.shape, np.inf)
    steep[known] = np.hypot(plane[:, 1], plane[:, 2])
    return steep


def _smoothed(z: Array, sigma_cells: float) -> Array:
    """Return `z` under a Gaussian that ignores empty cells and keeps them empty."""
    seen = np.isfinite(z)
    weight = ndimage.gaussian_filter(seen.astype(float), sigma_cells, mode="constant")
    value = ndimage.gaussian_filter(np.where(seen, z, 0.0), sigma_cells, mode="constant")
    return np.where(seen, value / np.maximum(weight, 1e-9), np.nan)
