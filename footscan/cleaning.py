"""From a scan to the surface of one foot: floor, strays, islands and leg gone.

    Scan -> sketch (few points, any unit) -> footscan.matching -> clean (mm) -> footscan.pose

Two passes, since thresholds in mm need the unit, and the unit needs the foot: :func:`sketch` is
free of scale and gives the matching what it needs; :func:`clean` knows where the foot lies.

Terms
    shadow   the foot's outline seen along the floor's normal
    floor    a plane with the foot on one side that reaches out beyond the foot's shadow; a flat
             sole does not, and stays
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage, sparse, spatial
from scipy.sparse import csgraph

from footscan.errors import PoseError
from footscan.foot import face_normals, vertex_normals
from footscan.matching import Match
from footscan.scan import Array, IntArray, Kind, Scan

__all__ = ["Cleaned", "Floor", "Sketch", "clean", "sketch", "split"]

SKETCH_POINTS = 16000
FLOOR_TRIALS = 400
FLOOR_TOLERANCE = 0.004  # share of the scan's extent: about 1 mm on a foot
FLOOR_SHARE = 0.06  # fewer points than this on a plane are not a floor
OUTSIDE_SHARE = 0.2  # share of the plane's points beyond the shadow
SECOND_FOOT_SHARE = 0.45  # of the first body's cells and extent: less is a stand or a tag
FINE_CELL_MM = 0.9  # denser scans are averaged to this spacing
OPEN_SHARE = 0.25  # a surface whose area vectors cancel better than this is nearly closed
# Box in which the foot lies, shares of the matched length: generous, since the match of an
# unusual foot may be off by a fifth in scale; floor and islands go by rules of their own.
BOX = np.array([[-0.30, -0.60, -0.25], [1.35, 0.60, 0.80]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Floor:
    """The plane that the foot stands on, scanner frame.

    Attributes
    ----------
    normal : ndarray, shape (3,)
        Unit, towards the foot.
    offset : float
        ``normal @ p == offset`` on the plane.
    """

    normal: Array
    offset: float

    def height(self, points: Array) -> Array:
        """Return heights above the plane."""
        return points @ self.normal - self.offset

    def scaled(self, factor: float) -> Floor:
        """Return the plane in other units."""
        return Floor(normal=self.normal, offset=self.offset * factor)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sketch:
    """A few points of the foot with outward normals, and the floor if there is one."""

    points: Array
    normals: Array
    floor: Floor | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cleaned:
    """The surface of one foot, scanner frame, mm, and what was taken away.

    Attributes
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Outward winding.
    raw : ndarray, shape (k, 3)
        The scan's own points near the foot, before any averaging: what noise and deviation are
        measured on.
    floor : Floor or None
        The floor that was removed.
    removed : dict of str to int
        Points taken away: ``floor``, ``islands``, ``leg``, ``strays``.
    surfaced : bool
        True when the faces were reconstructed from bare points.
    """

    vertices: Array
    faces: IntArray
    raw: Array
    floor: Floor | None
    removed: dict[str, int] = field(default_factory=dict)
    surfaced: bool = False


def sketch(scan: Scan) -> Sketch:
    """Return a light picture of the scan for the matching; any unit.

    Raises
    ------
    footscan.errors.PoseError
        Too few points, or all on a line or a plane.
    """
    chosen, floor = _sketched(scan)
    points = scan.vertices[chosen]
    label = _bodies(points)
    body = label == np.bincount(label).argmax()
    if len(scan.faces):
        normals = _mesh_normals(scan)[chosen]
    else:
        normals = _point_normals(points)
    return Sketch(points=points[body], normals=normals[body], floor=floor)


def split(scan: Scan) -> list[Scan]:
    """Return the scan as it is, or two scans where it shows two feet apart; any unit.

    Raises
    ------
    footscan.errors.PoseError
        Too few points, or all on a line or a plane.
    """
    chosen, _ = _sketched(scan)
    points = scan.vertices[chosen]
    label = _bodies(points)
    # cells, not points: one foot may have been scanned more finely than the other
    cells = np.floor(points / (0.01 * _extent(points))).astype(np.int64)
    occupied = np.unique(np.column_stack([label, cells]), axis=0)
    sizes = np.bincount(occupied[:, 0])
    order = np.argsort(sizes)[::-1]
    if len(order) < 2 or sizes[order[1]] < SECOND_FOOT_SHARE * sizes[order[0]]:
        return [scan]
    first, second = (points[label == number] for number in order[:2])
    if _extent(second) < SECOND_FOOT_SHARE * _extent(first):
        return [scan]
    trees = [spatial.cKDTree(part) for part in (first, second)]
    near = np.argmin([tree.query(scan.vertices, workers=-1)[0] for tree in trees], axis=0)
    return [_part_of(scan, near == number) for number in (0, 1)]


def clean(scan: Scan, match: Match, floor: Floor | None, kind: Kind | None = None) -> Cleaned:
    """Return the foot's surface from a scan in mm whose rough pose is known.

    Parameters
    ----------
    scan : Scan
        In mm.
    match : Match
        Rough pose in the same scanner frame, mm.
    floor : Floor or None
        As found by :func:`sketch`, in mm.
    kind : Kind or None
        An impression's normals are turned; no coordinate is ever negated.

    Raises
    ------
    footscan.errors.PoseError
        Nothing is left of the foot.
    """
    removed = {"floor": 0, "islands": 0, "leg": 0, "strays": 0}
    vertices, faces = scan.vertices, scan.faces
    inside = _in_box(vertices, match)
    raw = vertices[inside]
    surfaced = len(faces) == 0
    if surfaced:
        vertices, faces, strays = _surface(raw, match)
        removed["strays"] = strays
    else:
        normals = _mesh_normals(scan)
        if floor is not None:
            floor = _refined(floor, vertices, normals)
            on_floor = _on_floor(vertices, normals, floor, 1.0)
            removed["floor"] = int(on_floor.sum())
            inside &= ~on_floor
        vertices, faces = _kept(vertices, _outward(scan, normals), inside)
        vertices, faces = _averaged(vertices, faces)
        vertices, faces, removed["islands"] = _largest_bodies(vertices, faces)
    if len(faces) < 50:
        raise PoseError("no foot is left after floor and stray points are gone; scan again")
    if kind is Kind.IMPRESSION:
        faces = np.ascontiguousarray(faces[:, ::-1])
    return Cleaned(
        vertices=vertices, faces=faces, raw=raw, floor=floor, removed=removed, surfaced=surfaced
    )


def _sketched(scan: Scan) -> tuple[IntArray, Floor | None]:
    """Return indices of an even draw of points without the floor, and the floor."""
    chosen = _sketch_points(scan)
    points = scan.vertices[chosen]
    if len(points) < 100:
        raise PoseError("the scan has too few points to be a foot; scan again")
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False) / np.sqrt(len(points))
    if spread[2] <= 0.02 * spread[0]:  # equal when all points are one
        raise PoseError("the scan is flat or a line, not a foot; scan the foot itself")
    normals = _mesh_normals(scan)[chosen] if len(scan.faces) else None
    floor = _find_floor(points, normals)
    if floor is None:
        return chosen, None
    if normals is None:
        normals = _point_normals(points)
    keep = ~_on_floor(points, normals, floor, FLOOR_TOLERANCE * _extent(points))
    if keep.sum() < 100:
        raise PoseError("the scan shows a floor but no foot on it; scan again")
    return chosen[keep], floor


def _sketch_points(scan: Scan) -> IntArray:
    """Return indices of an even draw of points."""
    count = len(scan.vertices)
    if count <= SKETCH_POINTS:
        return np.arange(count)
    return np.sort(np.random.default_rng(0).choice(count, SKETCH_POINTS, replace=False))


def _extent(points: Array) -> float:
    low, high = np.percentile(points, [1, 99], axis=0)
    return float(np.linalg.norm(high - low))


def _mesh_normals(scan: Scan) -> Array:
    """Return outward vertex normals, whatever the file's winding was."""
    normals = vertex_normals(scan.vertices, scan.faces)
    return normals if _faces_outward(scan, normals) else -normals


def _outward(scan: Scan, normals: Array) -> IntArray:
    """Return faces whose winding agrees with outward `normals`."""
    step = max(1, len(scan.faces) // 20000)
    some = scan.faces[::step]
    agree = np.einsum("ij,ij->i", face_normals(scan.vertices, some), normals[some[:, 0]])
    return scan.faces if agree.sum() >= 0 else np.ascontiguousarray(scan.faces[:, ::-1])


def _faces_outward(scan: Scan, normals: Array) -> bool:
    """Return whether `normals` point away from the body that they belong to.

    A nearly closed surface tells by its signed volume; an open one by whether its normals point
    away from the points around them.
    """
    a, b, c = (scan.vertices[scan.faces[:, i]] for i in range(3))
    area = np.cross(b - a, c - a)
    total = np.linalg.norm(area, axis=1).sum()
    if np.linalg.norm(area.sum(axis=0)) < OPEN_SHARE * total:
        return bool(np.einsum("ij,ij->", a - scan.vertices.mean(axis=0), area) > 0)
    chosen = np.random.default_rng(0).permutation(len(scan.vertices))[:2500]
    points, own = scan.vertices[chosen], normals[chosen]
    return bool((np.einsum("ij,ij->i", own, points - _local_centre(points)) > 0).mean() >= 0.5)


def _local_centre(points: Array) -> Array:
    """Return the centre of the points within a quarter of the extent, per point."""
    radius = 0.22 * _extent(points)
    seeds = points[:: max(1, len(points) // 1500)]
    tree = spatial.cKDTree(seeds)
    distance, index = tree.query(points, k=min(400, len(seeds)), distance_upper_bound=radius)
    near = np.isfinite(distance)
    padded = np.vstack([seeds, np.zeros(3)])
    total = padded[np.where(near, index, len(seeds))].sum(axis=1)
    return total / np.maximum(near.sum(axis=1), 1)[:, None]


def _point_normals(points: Array, k: int = 16) -> Array:
    """Return normals of bare points by local planes, turned away from the local body."""
    _, index = spatial.cKDTree(points).query(points, k=k)
    patch = points[index]
    patch = patch - patch.mean(axis=1, keepdims=True)
    _, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", patch, patch))
    normals = vectors[:, :, 0]
    away = np.einsum("ij,ij->i", normals, points - _local_centre(points))
    return normals * np.where(away < 0, -1.0, 1.0)[:, None]


def _find_floor(points: Array, normals: Array | None = None) -> Floor | None:
    """Return the floor, None where no plane reaches out beyond what stands on it.

    `normals` are those of a mesh; bare points have none to trust.
    """
    rng = np.random.default_rng(0)
    sample = points[rng.choice(len(points), min(len(points), 4000), replace=False)]
    tolerance = FLOOR_TOLERANCE * _extent(points)
    left = sample
    for _ in range(3):
        plane = _best_plane(left, tolerance, rng)
        if plane is None:
            return None
        normal, offset = plane
        height = points @ normal - offset
        near = np.abs(height) <= tolerance
        if near.mean() < FLOOR_SHARE:
            return None
        if np.median(height[~near]) < 0 if (~near).any() else False:
            normal, offset, height = -normal, -offset, -height
        floor = Floor(normal=normal, offset=offset)
        facing = None if normals is None else float((normals[near] @ normal).mean())
        if _is_floor(points, height, near, normal, tolerance, facing):
            return floor
        left = left[np.abs(left @ plane[0] - plane[1]) > tolerance]
        if len(left) < 200:
            return None
    return None


def _best_plane(
    points: Array, tolerance: float, rng: np.random.Generator
) -> tuple[Array, float] | None:
    """Return the plane with most points near it, refined by least squares."""
    triplets = rng.integers(0, len(points), size=(FLOOR_TRIALS, 3))
    a, b, c = (points[triplets[:, i]] for i in range(3))
    normals = np.cross(b - a, c - a)
    size = np.linalg.norm(normals, axis=1)
    # a triplet with a repeated point has no normal and would count every point as near
    good = size > 1e-3 * _extent(points) ** 2
    if not good.any():
        return None
    normals = normals[good] / size[good, None]
    offsets = np.einsum("ij,ij->i", normals, a[good])
    votes = (np.abs(points @ normals.T - offsets) <= tolerance).sum(axis=0)
    best = int(votes.argmax())
    normal, offset = normals[best], offsets[best]
    for _ in range(3):
        near = points[np.abs(points @ normal - offset) <= tolerance]
        centre = near.mean(axis=0)
        _, _, vt = np.linalg.svd(near - centre, full_matrices=False)
        normal, offset = vt[2], float(vt[2] @ centre)
    return normal, offset


def _is_floor(
    points: Array,
    height: Array,
    near: Array,
    normal: Array,
    tolerance: float,
    facing: float | None = None,
) -> bool:
    """Return whether the plane carries the rest and reaches out beyond its shadow.

    `facing` is the mean of the plane's own normals against `normal`. A flat side of an open shell
    faces away from the rest and has some of it behind; a floor wound the wrong way round has
    nothing behind.
    """
    above = height > 3 * tolerance
    behind = (height[~near] < 0).mean() if (~near).any() else 0.0
    if above.sum() < 100 or behind > 0.05:
        return False
    if facing is not None and facing < -0.5 and behind > 0.01:
        return False
    outside = ~_in_shadow(points[near], points[above], normal, 6 * tolerance)
    return bool(outside.mean() >= OUTSIDE_SHARE)


def _in_shadow(query: Array, casting: Array, normal: Array, grow: float) -> Array:
    """Return which `query` points lie in the filled plan outline of `casting`, grown."""
    helper = np.eye(3)[np.argmin(np.abs(normal))]
    u = np.cross(helper, normal)
    u /= np.linalg.norm(u)
    plan = np.stack([u, np.cross(normal, u)], axis=1)
    foot, asked = casting @ plan, query @ plan
    cell = max(grow / 2, 1e-9)
    low = foot.min(axis=0) - 6 * cell
    size = np.ceil((foot.max(axis=0) - low) / cell).astype(int) + 8
    if size.prod() > 4_000_000:
        cell *= np.sqrt(size.prod() / 4_000_000)
        size = np.ceil((foot.max(axis=0) - low) / cell).astype(int) + 8
    grid = np.zeros(tuple(size), dtype=bool)
    index = ((foot - low) / cell).astype(int)
    grid[index[:, 0], index[:, 1]] = True
    grid = ndimage.binary_closing(grid, iterations=4, border_value=0)
    grid = ndimage.binary_fill_holes(grid)
    grid = ndimage.binary_dilation(grid, iterations=2)
    at = np.floor((asked - low) / cell).astype(int)
    valid = ((at >= 0) & (at < size)).all(axis=1)
    at = np.clip(at, 0, size - 1)
    return valid & grid[at[:, 0], at[:, 1]]


def _on_floor(points: Array, normals: Array, floor: Floor, tolerance: float) -> Array:
    """Return which points belong to the floor or lie below it.

    Near the plane, the sole faces down and the floor faces up; beyond the foot's shadow
    everything near the plane is floor.
    """
    height = floor.height(points)
    near = np.abs(height) <= 1.5 * tolerance
    up = normals @ floor.normal > 0.2
    foot = height > 3 * tolerance
    outside = np.zeros(len(points), dtype=bool)
    if foot.any():
        outside[near] = ~_in_shadow(points[near], points[foot], floor.normal, 2 * tolerance)
    return (near & (up | outside)) | (height < -1.5 * tolerance)


def _refined(floor: Floor, vertices: Array, normals: Array) -> Floor:
    """Return the floor refitted to its own upward-facing points, mm."""
    normal, offset = floor.normal, floor.offset
    for tolerance in (2.0, 1.0, 1.0):
        near = (np.abs(vertices @ normal - offset) <= tolerance) & (normals @ normal > 0.5)
        if near.sum() < 50:
            return floor
        points = vertices[near]
        centre = points.mean(axis=0)
        _, vectors = np.linalg.eigh(np.cov((points - centre).T))
        new = vectors[:, 0] * np.sign(vectors[:, 0] @ normal)
        normal, offset = new, float(new @ centre)
    return Floor(normal=normal, offset=offset)


def _bodies(points: Array) -> IntArray:
    """Return a number per point: which connected cloud it belongs to."""
    tree = spatial.cKDTree(points)
    distance, _ = tree.query(points[:: max(1, len(points) // 3000)], k=2)
    reach = 6.0 * float(np.median(distance[:, 1]))
    pairs = tree.query_pairs(reach, output_type="ndarray")
    graph = sparse.coo_matrix(
        (np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2
    )
    return csgraph.connected_components(graph, directed=False)[1]


def _part_of(scan: Scan, keep: Array) -> Scan:
    """Return the part of a scan whose vertices are kept."""
    number = np.cumsum(keep) - 1
    faces = scan.faces[keep[scan.faces].all(axis=1)] if len(scan.faces) else scan.faces
    return replace(
        scan,
        vertices=scan.vertices[keep],
        faces=number[faces],
        normals=scan.normals[keep] if scan.normals is not None else None,
    )


def _in_box(vertices: Array, match: Match) -> Array:
    """Return which vertices lie in the generous box of the matched foot."""
    local = (vertices - match.origin) @ match.rotation.T / match.scale
    return ((local >= BOX[0]) & (local <= BOX[1])).all(axis=1)


def _kept(vertices: Array, faces: IntArray, keep: Array) -> tuple[Array, IntArray]:
    """Return the mesh of faces whose three vertices are all kept, compacted."""
    faces = faces[keep[faces].all(axis=1)]
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces]


def _averaged(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh with vertices averaged over cells where the scan is denser than needed."""
    if len(faces) == 0:
        return vertices, faces
    edge = np.median(np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1))
    if edge >= 0.75 * FINE_CELL_MM:
        return vertices, faces
    key = np.floor(vertices / FINE_CELL_MM).astype(np.int64)
    key -= key.min(axis=0)
    span = key.max(axis=0) + 1
    flat = (key[:, 0] * span[1] + key[:, 1]) * span[2] + key[:, 2]
    _, number = np.unique(flat, return_inverse=True)
    count = np.bincount(number)
    mean = np.stack([np.bincount(number, vertices[:, k]) / count for k in range(3)], axis=1)
    faces = number[faces]
    real = (
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    )
    return _kept(mean, faces[real], np.ones(len(mean), dtype=bool))


def _largest_bodies(vertices: Array, faces: IntArray) -> tuple[Array, IntArray, int]:
    """Return the bodies that make up the foot: the largest, and others that overlap it.

    A scanner's several shots and a sole scanned apart are bodies of their own; they lie on the
    main one. A stand, a tag or the other foot does not.
    """
    if len(faces) == 0:
        return vertices, faces, 0
    edges = np.concatenate([faces[:, :2], faces[:, 1:]])
    graph = sparse.coo_matrix(
        (np.ones(len(edges), dtype=bool), (edges[:, 0], edges[:, 1])), shape=(len(vertices),) * 2
    )
    _, label = csgraph.connected_components(graph, directed=False)
    sizes = np.bincount(label)
    main = int(sizes.argmax())
    keep = label == main
    tree = spatial.cKDTree(vertices[keep][:: max(1, keep.sum() // 20000)])
    for other in np.flatnonzero(sizes >= 0.02 * sizes[main]):
        if other == main:
            continue
        own = vertices[label == other]
        distance, _ = tree.query(own[:: max(1, len(own) // 500)])
        if np.percentile(distance, 10) <= 4.0:
            keep |= label == other
    gone = int((~keep).sum())
    kept = _kept(vertices, faces, keep)
    return kept[0], kept[1], gone


def _surface(points: Array, match: Match) -> tuple[Array, IntArray, int]:
    """Return a surface through bare points, and the number of strays that were left out."""
    from footscan.surfacing import surface_from_points

    return surface_from_points(points, match.rotation, match.origin, match.scale)
