"""A bed as a height map on a regular grid: walls left out, noise taken off, small holes closed.

points (x forward, y medial, z up, mm) -> bed_map -> border, fill -> insole.shoe.bed_scan
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, sparse, spatial

from footscan.scan import Array, BoolArray, IntArray
from insole.errors import PlanError
from insole.record.rings import smooth_ring

__all__ = ["BedMap", "bed_map", "border", "fill", "main_body"]

WALL_DEG = 60.0  # steeper is the wall of the shoe or the edge of an insole
WALL_PASSES = 3
LAYER_CELLS, LAYER_MM = 1.5, 3.0  # depth of a cell's top layer: 56 degrees; thinnest insole
CENTRING = 2  # rounds that move a cell's height from its points' middle to its own
LOWPASS_MM = 3.0  # standard deviation; halves a wave of 16 mm
HOLE_MM = 20.0  # across; larger ones are refused, since the bed in them would be invented
RIM_MM = 12.0  # bed around a hole that decides its filling
NOTCH_MM = 6.0  # deeper notches of the border are missing bed, not a waist
WAIST_MM = 60.0  # radius; gentler waists of the border stay
UNDER_MM = 15.0  # no insole is thicker: something else lies below or above the bed
BODY_CELLS, BODY_REACH = 75, 3.0  # cells along the bed, and how many of them a gap may span


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BedMap:
    """Heights of a bed on a regular grid.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Cell centres, mm.
    z : ndarray, shape (nx, ny)
        mm; NaN where there is no bed.
    cell : float
        Grid spacing, mm.
    layered : float
        Share of the bed's cells in which another surface lies 15 mm or more behind it.
    rim : ndarray, shape (n, 2)
        The bed's outermost points: rearmost, lateral forward, foremost, medial backward, mm.
    """

    x: Array
    y: Array
    z: Array
    cell: float
    layered: float
    rim: Array

    def at(self, x: Array, y: Array) -> Array:
        """Return bilinear heights at (x, y), shape (n,) each; the nearest cell's beyond."""
        place = [(x - self.x[0]) / self.cell, (y - self.y[0]) / self.cell]
        return ndimage.map_coordinates(self.z, place, order=1, mode="nearest")


def main_body(points: Array) -> tuple[BoolArray, Array]:
    """Return which points hang together as the largest piece, and that piece thinned evenly.

    In any unit: cells are a share of the extent between the 2nd and the 98th percentile.
    """
    reach = np.percentile(points, 98, axis=0) - np.percentile(points, 2, axis=0)
    size = max(float(np.linalg.norm(reach)), 1e-12) / BODY_CELLS
    # far strays must not overflow the cell numbers
    cells = np.clip(np.floor((points - points.mean(axis=0)) / size), -1e6, 1e6).astype(np.int64)
    _, first, label = np.unique(cells, axis=0, return_index=True, return_inverse=True)
    label = label.ravel()
    count = np.bincount(label)
    centres = np.column_stack([np.bincount(label, points[:, k]) / count for k in range(3)])
    pairs = spatial.cKDTree(centres).query_pairs(BODY_REACH * size, output_type="ndarray")
    graph = sparse.coo_array(
        (np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(first), len(first))
    )
    _, piece = sparse.csgraph.connected_components(graph, directed=False)
    largest = piece == np.bincount(piece).argmax()
    return largest[label], centres[largest]


def bed_map(points: Array, cell: float, *, lowest: bool = False) -> BedMap:
    """Return the topmost surface of `points`, or the lowest, without walls and loose pieces.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        About z up, mm.
    cell : float
        Grid spacing, mm.
    lowest : bool
        The bed lies below all else: a cast filled the shoe, or the upper was scanned too.
    """
    low = points[:, :2].min(axis=0) - cell
    index = np.round((points[:, :2] - low) / cell).astype(int)
    shape = tuple(index.max(axis=0) + 2)
    flat, sign = index[:, 0] * shape[1] + index[:, 1], -1.0 if lowest else 1.0
    height, cells = sign * points[:, 2], shape[0] * shape[1]
    top, bottom = np.full(cells, -np.inf), np.full(cells, np.inf)
    np.maximum.at(top, flat, height)
    np.minimum.at(bottom, flat, height)
    layer = height >= top[flat] - min(LAYER_CELLS * cell, LAYER_MM)
    count = np.bincount(flat[layer], minlength=cells)

    def middle(values: Array) -> Array:
        total = np.bincount(flat[layer], values[layer], minlength=cells)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(shape)

    z = middle(height)
    for _ in range(WALL_PASSES):
        z = np.where(_steepness(z) <= cell * np.tan(np.radians(WALL_DEG)), z, np.nan)
    z = _largest_piece(z, bridged=cell > 1.0)
    if cell > 1.0:  # a few points in each cell: their middle is not the cell's
        beside = [
            (middle(points[:, k]) - low[k]) / cell - i for k, i in enumerate(np.indices(shape))
        ]
        z = _centred(z, beside, LOWPASS_MM / cell)
    seen = np.isfinite(z)
    deep = (z - np.where(np.isfinite(bottom), bottom, 0.0).reshape(shape))[seen] > UNDER_MM
    return BedMap(
        x=low[0] + cell * np.arange(shape[0]),
        y=low[1] + cell * np.arange(shape[1]),
        z=sign * z,
        cell=cell,
        layered=float(deep.mean()) if deep.size else 0.0,
        rim=_rim(points[layer, :2], index[layer], seen),
    )


def _rim(points: Array, index: IntArray, seen: BoolArray) -> Array:
    """Return the outermost points per row of `seen` cells: the cells alone are too coarse."""
    row, column = index.T
    outer = np.zeros(seen.shape, dtype=bool)
    for of, edge in ((seen, outer), (seen.T, outer.T)):
        lines = np.flatnonzero(of.any(axis=1))
        edge[lines, of[lines].argmax(axis=1)] = True
        edge[lines, of.shape[1] - 1 - of[lines, ::-1].argmax(axis=1)] = True
    use = outer[row, column]
    points, row = points[use], row[use]
    if not len(points):
        return points
    order = np.lexsort((points[:, 1], row))
    first = np.flatnonzero(np.diff(row[order], prepend=-1))
    last = np.append(first[1:], len(order)) - 1
    rear, front = points[:, 0].argmin(), points[:, 0].argmax()
    return points[np.concatenate([[rear], order[first], [front], order[last][::-1]])]


def border(bed: BedMap, where: str) -> Array:
    """Return the outline of a map, counter-clockwise from its rear end, shape (n, 2), mm.

    Raises
    ------
    insole.errors.PlanError
        The border is broken by missing bed.
    """
    import shapely

    if np.isfinite(bed.z).any(axis=1).sum() < 20:
        raise PlanError(f"{where}: no bed is found in it; scan the bed from above")
    shape = shapely.Polygon(bed.rim).buffer(0.0)
    shape = shape.buffer(HOLE_MM / 2).buffer(-HOLE_MM / 2)
    waist = shape.buffer(WAIST_MM).buffer(-WAIST_MM)
    missing = waist.difference(shape).buffer(-NOTCH_MM / 2)
    if not missing.is_empty:
        at = missing.representative_point()
        raise PlanError(
            f"{where}: the bed's border is broken {_place(bed, at.x, at.y)}; scan it again there"
        )
    pieces = getattr(shape, "geoms", [shape])
    ring = np.asarray(max(pieces, key=lambda p: p.area).exterior.coords)[:-1]
    return smooth_ring(ring, sigma_mm=2.0)


def fill(bed: BedMap, ring: Array, where: str) -> BedMap:
    """Return the map low-passed, its holes closed by thin plates, and carried on beyond `ring`.

    Raises
    ------
    insole.errors.PlanError
        A hole is more than 20 mm across: its size and place.
    """
    import shapely

    inner = shapely.Polygon(ring).buffer(-bed.cell)
    shapely.prepare(inner)
    gx, gy = np.meshgrid(bed.x, bed.y, indexing="ij")
    holes = shapely.contains_xy(inner, gx, gy) & ~np.isfinite(bed.z)
    depth = ndimage.distance_transform_edt(holes) * bed.cell
    if 2 * depth.max() > HOLE_MM:
        i, j = np.unravel_index(depth.argmax(), depth.shape)
        at = _place(bed, float(bed.x[i]), float(bed.y[j]))
        raise PlanError(
            f"{where}: the bed has a hole {2 * depth.max():.0f} mm across {at}; scan it again "
            f"there (up to {HOLE_MM:g} mm is filled)"
        )
    z = _lowpassed(bed.z, LOWPASS_MM / bed.cell)[0]
    # an empty cell among seen ones is well fitted by its neighbours; only deeper ones are holes
    wide = holes & (depth > LOWPASS_MM)
    if wide.any():
        rim = ndimage.distance_transform_edt(~wide) * bed.cell
        known = np.isfinite(bed.z) & (rim <= RIM_MM + LOWPASS_MM)
        z[wide] = _plate(bed, z, known, wide)
    unknown = ~np.isfinite(z)
    nearest = ndimage.distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return replace(bed, z=z[tuple(nearest)])


def _plate(bed: BedMap, z: Array, known: BoolArray, hole: BoolArray) -> Array:
    """Return thin-plate heights of the `hole` cells through every third of the `known` ones."""
    from scipy.interpolate import RBFInterpolator

    gx, gy = np.meshgrid(bed.x, bed.y, indexing="ij")
    step = max(1, round(3.0 / bed.cell))
    thinned = np.zeros_like(known)
    thinned[::step, ::step] = True
    use = known & thinned
    use = use if use.sum() >= 12 else known
    places = np.column_stack([gx[use], gy[use]])
    plate = RBFInterpolator(places, z[use], neighbors=min(80, len(places)))
    return np.asarray(plate(np.column_stack([gx[hole], gy[hole]])), dtype=float)


def _steepness(z: Array) -> Array:
    """Return the rise from cell to cell, of the gentler neighbour each way; inf if alone.

    The gentler one, since bed beside a wall is bed: only a cell between two rises is wall.
    """
    total, alone = np.zeros(z.shape), np.ones(z.shape, dtype=bool)
    for axis in (0, 1):
        rise = np.abs(np.diff(z, axis=axis))
        rise = np.where(np.isfinite(rise), rise, np.inf)
        pad = [(1, 1) if k == axis else (0, 0) for k in (0, 1)]
        rise = np.pad(rise, pad, constant_values=np.inf)
        n = z.shape[axis]
        least = np.minimum(np.take(rise, range(n), axis), np.take(rise, range(1, n + 1), axis))
        alone &= ~np.isfinite(least)
        total += np.where(np.isfinite(least), least, 0.0) ** 2
    return np.where(alone, np.inf, np.sqrt(total))


def _largest_piece(z: Array, *, bridged: bool) -> Array:
    """Return the map's largest piece; `bridged` joins over single empty cells (sparse points)."""
    seen = np.isfinite(z)
    joined = ndimage.binary_closing(seen, np.ones((3, 3))) | seen if bridged else seen
    label, count = ndimage.label(joined)
    if count <= 1:
        return z
    size = np.bincount(label[seen], minlength=count + 1)
    size[0] = 0
    return np.where(label == size.argmax(), z, np.nan)


def _centred(z: Array, beside: list[Array], sigma: float) -> Array:
    """Return heights at cell centres from those at places `beside` them, cells."""
    centred = z
    for _ in range(CENTRING):
        _, along, across = _lowpassed(centred, sigma)
        rise = along * beside[0] + across * beside[1]
        centred = z - np.where(np.isfinite(rise), rise, 0.0)
    return centred


def _lowpassed(z: Array, sigma: float) -> Array:
    """Return locally linear Gaussian fits of `z`: height and slopes per cell, shape (3, ...).

    Unbiased on slopes and at borders. Also a little beyond the seen cells, where the fit still
    has weight; NaN farther out. A filter of one cell at least.
    """
    sigma = max(sigma, 1.0)
    seen = np.isfinite(z)
    value, weight = np.where(seen, z, 0.0), seen.astype(float)
    d = np.arange(-int(4 * sigma) - 1, int(4 * sigma) + 2, dtype=float)
    kernels = [d**k * np.exp(-0.5 * (d / sigma) ** 2) for k in range(3)]

    def moment(of: Array, i: int, j: int) -> Array:
        along = ndimage.correlate1d(of, kernels[i], axis=0, mode="constant")
        return ndimage.correlate1d(along, kernels[j], axis=1, mode="constant")

    terms = ((0, 0), (1, 0), (0, 1))
    normal = np.stack([[moment(weight, a + c, b + d) for c, d in terms] for a, b in terms])
    normal = normal.transpose(2, 3, 0, 1)
    right = np.stack([moment(value, i, j) for i, j in terms], axis=-1)
    known = normal[..., 0, 0] > 0.02 * 2 * np.pi * sigma**2
    known &= np.linalg.det(normal) > 1e-3 * normal[..., 0, 0] ** 3
    fit = np.full((3, *z.shape), np.nan)
    fit[:, known] = np.linalg.solve(normal[known], right[known][..., None])[..., 0].T
    return fit


def _place(bed: BedMap, x: float, y: float) -> str:
    """Return where a place lies, as a person at the scanner would say it."""
    seen = np.isfinite(bed.z)
    rows = np.flatnonzero(seen.any(axis=1))
    rear, front = bed.x[rows[0]], bed.x[rows[-1]]
    share = 100 * (x - rear) / (front - rear)
    across = bed.y[seen[rows[np.abs(bed.x[rows] - x).argmin()]]]
    half = "medial" if y > (across[0] + across[-1]) / 2 else "lateral"
    return f"at {share:.0f} % of its length from the heel, {half} half"
