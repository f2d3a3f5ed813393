"""From a scan to the surface of one foot: floor, strays, islands and leg gone.

    Scan -> draw -> split, sketch (few points, any unit) -> footscan.finding.matching -> clean (mm)
         -> footscan.measuring.pose

Two passes, since thresholds in mm need the unit, and the unit needs the foot: :func:`sketch` is
free of scale and gives the matching what it needs; :func:`clean` knows where the foot lies.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph

from footscan.cores import search_workers
from footscan.errors import PoseError
from footscan.finding import floor as floors
from footscan.finding import outward, strays
from footscan.finding.floor import Floor
from footscan.finding.matching import Match
from footscan.finding.outward import extent
from footscan.finding.surfacing import averaged_cells, surface_from_points
from footscan.foot import area_vectors, lengths
from footscan.scan import Array, BoolArray, IntArray, Scan, compacted, whole

__all__ = ["Cleaned", "Drawn", "Floor", "Sketch", "clean", "draw", "sketch", "split"]

SKETCH_POINTS = 16000
SECOND_FOOT_SHARE = 0.45  # of the first body's cells and extent: less is a stand or a tag
FINE_CELL_MM = 1.5  # denser scans are averaged to this spacing: measures move by less than 0.1 mm
# Box in which the foot lies, shares of the matched length: generous, since the match of an
# unusual foot may be off by a fifth in scale; floor and islands go by rules of their own.
BOX = np.array([[-0.30, -0.60, -0.25], [1.35, 0.60, 0.80]])
BY_FLOOR_MM = 8.0  # more than refining moves a floor anywhere
LOWEST, IN_THE_AIR = 0.01, 0.06  # share of points; their height over a plane, share of the extent


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """An even draw of a scan's points off the floor: indices, a mesh's normals, bodies, the floor.

    Bodies are numbers per point: which connected cloud it belongs to.
    """

    index: IntArray
    normals: Array | None
    body: IntArray
    floor: Floor | None


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


def draw(scan: Scan, *, floor: bool = True) -> Drawn:
    """Return an even draw of points without the floor, and the floor; any unit.

    With ``floor=False`` none is looked for: the scan is known to be free of one.

    Raises
    ------
    footscan.errors.PoseError
        Too few points, or all on a line or a plane.
    """
    chosen = _even_draw(scan)
    if not len(scan.faces):  # strays are told by what a mesh has no need of: the neighbours
        chosen = chosen[strays.belongs(scan.vertices[chosen])]
    points = scan.vertices[chosen]
    if len(points) < 100:
        raise PoseError("the scan has too few points to be a foot; scan again")
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False) / np.sqrt(len(points))
    if spread[2] <= 0.02 * spread[0]:  # equal when all points are one
        raise PoseError("the scan is flat or a line, not a foot; scan the foot itself")
    meshed = len(scan.faces) > 0
    wound = outward.normals_as_wound(scan.vertices, scan.faces, chosen) if meshed else None
    normals = None if wound is None else _outward_of(scan, wound, None)
    found = floors.find(points, normals) if floor else None
    if found is None:
        return Drawn(index=chosen, normals=normals, body=_bodies(scan, chosen), floor=None)
    # once more without the floor, which may have outvoted the foot
    normals = _bare(scan, chosen) if wound is None else _outward_of(scan, wound, found)
    keep = ~floors.belongs(points, normals, found, floors.TOLERANCE * extent(points))
    if keep.sum() < 100:
        raise PoseError("the scan shows a floor but no foot on it; scan again")
    rest = points[keep]
    above = float(np.quantile(found.height(rest), LOWEST)) / extent(rest)
    return Drawn(
        index=chosen[keep],
        normals=normals[keep] if meshed else None,
        body=_bodies(scan, chosen[keep]),
        floor=found if above < IN_THE_AIR else None,  # a table or a card beside a foot in the air
    )


def sketch(scan: Scan, drawn: Drawn | None = None) -> Sketch:
    """Return a light picture of the scan for the matching; any unit.

    Parameters
    ----------
    scan : Scan
        Any unit.
    drawn : Drawn, optional
        From :func:`draw`, where the caller has it already.

    Raises
    ------
    footscan.errors.PoseError
        Too few points, or all on a line or a plane.
    """
    drawn = drawn or draw(scan)
    points, normals = scan.vertices[drawn.index], drawn.normals
    body = drawn.body == np.bincount(drawn.body).argmax()
    if normals is None:
        normals = _bare(scan, drawn.index)
    return Sketch(points=points[body], normals=normals[body], floor=drawn.floor)


def split(scan: Scan, drawn: Drawn | None = None) -> list[Scan]:
    """Return the scan as it is, or two scans where it shows two feet apart; as :func:`sketch`."""
    drawn = drawn or draw(scan)
    points = scan.vertices[drawn.index]
    label = drawn.body
    # cells, not points: one foot may have been scanned more finely than the other
    cells = np.floor(points / (0.01 * extent(points))).astype(np.int64)
    occupied = np.unique(np.column_stack([label, cells]), axis=0)
    sizes = np.bincount(occupied[:, 0])
    order = np.argsort(sizes)[::-1]
    if len(order) < 2 or sizes[order[1]] < SECOND_FOOT_SHARE * sizes[order[0]]:
        return [scan]
    first, second = (points[label == number] for number in order[:2])
    if extent(second) < SECOND_FOOT_SHARE * extent(first):
        return [scan]
    trees = [spatial.cKDTree(part) for part in (first, second)]
    near = np.argmin(
        [tree.query(scan.vertices, workers=search_workers())[0] for tree in trees], axis=0
    )
    return [scan.part(near == number) for number in (0, 1)]


def clean(scan: Scan, match: Match, floor: Floor | None) -> Cleaned:
    """Return the foot's surface from a scan in mm whose rough pose is known.

    Parameters
    ----------
    scan : Scan
        In mm.
    match : Match
        Rough pose in the same scanner frame, mm.
    floor : Floor or None
        As found by :func:`sketch`, in mm.

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
        if floor is not None:
            # bare points have no normal to trust: floor is what lies beside the foot's shadow
            on_floor = floors.belongs(raw, np.zeros_like(raw), floor, 1.0)
            removed["floor"] = int(on_floor.sum())
            raw = raw[~on_floor]
        vertices, faces, raw, removed["strays"] = _surface(raw, match)
        vertices, faces, removed["islands"] = _largest_bodies(vertices, faces)
    else:
        if not outward.winding_is_outward(vertices, faces, _plane_of(floor)):
            faces = np.ascontiguousarray(faces[:, ::-1])
        if floor is not None:
            near = np.flatnonzero(np.abs(floor.height(vertices)) <= BY_FLOOR_MM)
            normals = np.zeros_like(vertices)  # of the rest nobody asks
            normals[near] = outward.normals_as_wound(vertices, faces, near)
            floor = floors.refined(floor, vertices, normals)
            on_floor = floors.belongs(vertices, normals, floor, 1.0)
            removed["floor"] = int(on_floor.sum())
            inside &= ~on_floor
        vertices, faces = _kept(vertices, faces, inside)
        vertices, faces = _averaged(vertices, faces)
        vertices, faces, removed["islands"] = _largest_bodies(vertices, faces)
    if len(faces) < 50:
        raise PoseError("no foot is left after floor and stray points are gone; scan again")
    return Cleaned(
        vertices=vertices, faces=faces, raw=raw, floor=floor, removed=removed, surfaced=surfaced
    )


def _even_draw(scan: Scan) -> IntArray:
    """Return indices of a draw of points; of a mesh, by the skin that each stands for."""
    count, rng = len(scan.vertices), np.random.default_rng(0)
    if count <= SKETCH_POINTS:
        return np.arange(count)
    if not len(scan.faces):
        return np.sort(rng.choice(count, SKETCH_POINTS, replace=False))
    x, y, z = area_vectors(scan.vertices, [scan.faces[:, i] for i in range(3)])
    area = np.sqrt(x * x + (y * y + z * z))
    share = np.bincount(scan.faces.T.ravel(), np.tile(area, 3), minlength=count)
    # the smallest of exponential times are a weighted draw without replacement
    time = rng.exponential(size=count) / np.maximum(share, 1e-9 * share.max())
    return np.sort(np.argpartition(time, SKETCH_POINTS)[:SKETCH_POINTS])


def _outward_of(scan: Scan, wound: Array, floor: Floor | None) -> Array:
    """Return outward normals of a mesh, given them as its faces are wound."""
    out = outward.winding_is_outward(scan.vertices, scan.faces, _plane_of(floor))
    return wound if out else -wound


def _plane_of(floor: Floor | None) -> tuple[Array, float] | None:
    return None if floor is None else (floor.normal, floor.offset)


def _bare(scan: Scan, chosen: IntArray) -> Array:
    """Return outward normals of the chosen bare points."""
    given = None if scan.normals is None else scan.normals[chosen]
    return outward.point_normals(scan.vertices[chosen], given)


def _bodies(scan: Scan, chosen: IntArray) -> IntArray:
    """Return a number per chosen point: which connected cloud it belongs to.

    Points are joined by nearness and by the mesh: coarse skin beside fine toes is one foot. Bare
    points get no help from a mesh, so nearness is then what the coarse skin asks for.
    """
    points = scan.vertices[chosen]
    tree = spatial.cKDTree(points)
    distance, _ = tree.query(points[:: max(1, len(points) // 3000)], k=2)
    reach = 6.0 * float(np.median(distance[:, 1]))
    if not len(scan.faces):
        reach = max(reach, 3.0 * float(np.percentile(distance[:, 1], 95)))
    pairs = tree.query_pairs(reach, output_type="ndarray")
    if len(scan.faces):
        number = np.full(len(scan.vertices), -1)
        number[chosen] = np.arange(len(chosen))
        edges = number[np.concatenate([scan.faces[:, :2], scan.faces[:, 1:]])]
        pairs = np.concatenate([pairs, edges[(edges >= 0).all(axis=1)]])
    graph = sparse.coo_matrix(
        (np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2
    )
    return csgraph.connected_components(graph, directed=False)[1]


def _in_box(vertices: Array, match: Match) -> BoolArray:
    """Return which vertices lie in the generous box of the matched foot."""
    local = (vertices - match.origin) @ match.rotation.T / match.scale
    inside = [(local[:, k] >= BOX[0, k]) & (local[:, k] <= BOX[1, k]) for k in range(3)]
    return inside[0] & inside[1] & inside[2]


def _kept(vertices: Array, faces: IntArray, keep: BoolArray) -> tuple[Array, IntArray]:
    """Return the mesh of faces whose three vertices are all kept, compacted."""
    return compacted(vertices, faces[whole(keep, faces)])


def _averaged(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh with vertices averaged over cells where the scan is denser than needed."""
    if len(faces) == 0:
        return vertices, faces
    edge = np.median(lengths(vertices[faces[:, 0]] - vertices[faces[:, 1]]))
    if edge >= 0.75 * FINE_CELL_MM:
        return vertices, faces
    mean, number = averaged_cells(vertices, FINE_CELL_MM)
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


def _surface(points: Array, match: Match) -> tuple[Array, IntArray, Array, int]:
    """Return a surface through bare points, the points it goes through, and the strays' number."""
    return surface_from_points(points, match)
