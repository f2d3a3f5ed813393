"""Defects of the file and of its mesh, and what cleaning took away.

    View -> quality.mesh.findings -> footscan.quality.findings

Most of these are notes: what was taken away does no harm, but tells how the scan was taken.

Terms
    stray      a raw point far from the foot, the floor and every other body
    crossing   a face that another face of the sole cuts through
    skin hole  a closed rim elsewhere than at the leg
"""

from __future__ import annotations

import numpy as np
from scipy import sparse, spatial
from scipy.sparse import csgraph

from footscan.foot import vertex_normals
from footscan.quality.limits import grade, note
from footscan.quality.view import View, spans, whole
from footscan.results import Finding
from footscan.scan import Array, BoolArray, IntArray, Kind

__all__ = ["crossings", "findings"]

SAMPLE = 12_000
OFF_FOOT_MM = 4.0  # nearer to the cleaned foot a point belongs to it
FLOOR_MM = 4.0
LEG_FROM_MM = 90.0  # above this cleaning may have cut the leg
LONE = 4.0  # a stray's neighbours are this many spacings away, and more
THIN_MM = 25.0
CARD_REACH_MM = 60.0  # from a scale card's middle: what hangs together with that is the card
BODY_SHARE = 0.45  # of the foot's length: a body of such size is no stand or tag
TURNED_SHARE, TURNED_LEAST = 0.002, 40  # clusters of a merged mesh leave a few turned edges
CROSS_FACES, CROSS_NEAR = 9000, 16
HOLE_LEAST = 6  # edges of a rim
SOLE_FACING = -0.5  # skin that looks down more than this is sole, which has a check of its own
LEG_RIM_MM = 15.0  # a rim that comes so near to the scan's top is the leg's


def findings(view: View, card_at: tuple[float, ...] | None = None) -> list[Finding]:
    """Return findings about the file, the mesh, and what lies beside the foot.

    `card_at` is the middle of a scale card in the scan, mm: it was asked for, and is no stray.
    """
    return [*_file(view), *_mesh(view), *_beside(view, card_at), *_skin_holes(view)]


def _file(view: View) -> list[Finding]:
    """Return notes about points without a place and a unit that the file says wrongly."""
    scan = view.scan
    if scan is None:
        return []
    share = 100 * scan.dropped / max(1, scan.dropped + len(scan.vertices))
    return grade(
        "points-dropped",
        share,
        f"{share:.2g} % of the points ({scan.dropped}) have no finite place and were left out.",
        "Export the scan again; look for holes where they were.",
        "scan",
    )


def _mesh(view: View) -> list[Finding]:
    """Return findings about winding, doubled faces and faces that cross."""
    if view.cleaned.surfaced or not len(view.faces):
        return []
    found: list[Finding] = []
    if view.scan is not None and _inside_out(view):
        found.append(
            note(
                "inside-out",
                "The mesh is wound inside out; it was turned.",
                "Nothing need be done; other programs may show it dark.",
            )
        )
    turned, shared = view.edges.turned, view.edges.shared
    if turned > max(TURNED_LEAST, TURNED_SHARE * shared):
        share = 100 * turned / shared
        found += grade(
            "mixed-winding",
            share,
            f"Faces look both ways along {share:.1f} % of the edges; some of them count as unseen.",
            "Let the scanner's program make the normals agree, and export again.",
            "scan",
        )
    twice = _doubled_faces(view.faces, len(view.points))
    found += grade(
        "doubled-faces",
        twice,
        f"{twice:.1f} % of the faces are there twice.",
        "Nothing need be done; a copy counts once.",
        "scan",
    )
    cut = 100 * crossings(view)
    return found + grade(
        "crossing-faces",
        cut,
        f"{cut:.1f} % of the sole's faces cut through others.",
        "Look at the sole for folds; let the scanner's program repair the mesh.",
        "sole",
    )


def _inside_out(view: View) -> bool:
    """Return whether the file's winding had to be turned."""
    assert view.scan is not None
    own = view.scan.faces
    mirrored = np.linalg.det(view.foot.pose[:3, :3]) < 0
    kept = bool(len(own)) and bool((view.faces[0] == own[0]).all())
    return kept if mirrored else not kept


def _doubled_faces(faces: IntArray, count: int) -> float:
    """Return the share of faces whose three corners another face has as well, percent."""
    own = np.sort(faces, axis=1)
    key = (own[:, 0] * np.int64(count) + own[:, 1]) % (2**61) * np.int64(3) + own[:, 2] * 7919
    key = np.sort(key)
    return 100 * float((key[1:] == key[:-1]).sum()) / len(faces)


def crossings(view: View) -> float:
    """Return the share of a sample of the sole's faces that an edge of another cuts through.

    Only faces that share no corner count, and only the nearest sixteen are asked.
    """
    foot = view.foot
    faces = foot.faces[whole(foot.vertices[:, 2] < 0.2 * foot.length, foot.faces)]
    if len(faces) < 100:
        return 0.0
    corners = foot.vertices[faces]
    middle = (corners[:, 0] + corners[:, 1] + corners[:, 2]) / 3
    asked = np.arange(0, len(faces), max(1, len(faces) // CROSS_FACES))
    _, near = spatial.cKDTree(middle).query(middle[asked], k=CROSS_NEAR)
    one, other = np.repeat(asked, CROSS_NEAR), near.ravel()
    apart = np.ones(len(one), dtype=bool)
    for j in range(3):
        for k in range(3):
            apart &= faces[one, j] != faces[other, k]
    one, other = one[apart], other[apart]
    least, most = spans(corners)
    meet = ((least[one] <= most[other]) & (least[other] <= most[one])).all(axis=1)
    one, other = one[meet], other[meet]
    if not len(one):
        return 0.0
    cut = _edge_cuts(corners[other], corners[one]) | _edge_cuts(corners[one], corners[other])
    return len(np.unique(one[cut])) / len(asked)


def _edge_cuts(first: Array, second: Array) -> BoolArray:
    """Return which triangles `first` have an edge that goes through its partner in `second`.

    References
    ----------
    .. [1] Moeller & Trumbore (1997), J. Graphics Tools 2(1), 21-28: line and triangle (value
       from memory).
    """
    a, ab, ac = second[:, 0], second[:, 1] - second[:, 0], second[:, 2] - second[:, 0]
    cut = np.zeros(len(first), dtype=bool)
    for k in range(3):
        start, way = first[:, k], first[:, (k + 1) % 3] - first[:, k]
        p = np.cross(way, ac)
        det = np.einsum("ij,ij->i", ab, p)
        safe = np.where(np.abs(det) < 1e-12, np.inf, det)
        s = start - a
        q = np.cross(s, ab)
        u, v = np.einsum("ij,ij->i", s, p) / safe, np.einsum("ij,ij->i", way, q) / safe
        t = np.einsum("ij,ij->i", ac, q) / safe
        inside = (u > 0) & (v > 0) & (u + v < 1) & (t > 0) & (t < 1)
        cut |= inside & np.isfinite(safe)
    return cut


def _beside(view: View, card_at: tuple[float, ...] | None) -> list[Finding]:
    """Return notes about floor, stray points and other bodies that were taken away."""
    if view.scan is None or not len(view.points):
        return []
    chosen = np.random.default_rng(0).permutation(len(view.points))[:SAMPLE]
    points = view.points[chosen]
    found: list[Finding] = []
    on_floor = np.zeros(len(points), dtype=bool)
    if view.cleaned.floor is not None:
        on_floor = np.abs(points[:, 2]) < FLOOR_MM
    off = view.settled.cloud.tree.query(points, distance_upper_bound=OFF_FOOT_MM)[0] > OFF_FOOT_MM
    if view.cleaned.floor is not None:
        share = 100 * float((off & on_floor).mean())
        found += grade(
            "floor-removed",
            share,
            f"The scan shows a floor: {share:.0f} % of the points were taken away.",
            "Nothing need be done; the foot was levelled on it.",
            "scan",
        )
    rest = points[off & ~on_floor]
    thinned = len(view.points) / max(1, len(points))
    lone, others, largest = _strays(rest, view, thinned, card_at)
    share = 100 * lone / len(points)
    found += grade(
        "strays",
        share,
        f"{share:.1f} % of the points belong to nothing and were left out.",
        "Keep the room behind the foot free, and clean the scanner's glass.",
        "scan",
    )
    if largest > BODY_SHARE * view.foot.length:
        found.append(
            note(
                "second-body",
                f"Something else {largest:.0f} mm long is in the scan; it was left out.",
                "Check that the right foot was taken; scan one foot at a time.",
            )
        )
        return found
    share = 100 * others / len(points)
    return found + grade(
        "other-bodies",
        share,
        f"{share:.1f} % of the points belong to other things near the foot and were left out.",
        "Clear away stands, mats and tags near the foot.",
        "scan",
    )


def _strays(
    rest: Array, view: View, thinned: float, card_at: tuple[float, ...] | None
) -> tuple[int, int, float]:
    """Return how many points are alone, how many are not, and the others' largest size, mm.

    A scale card, and the stool that it lies on, are none of them.
    """
    above = view.foot.vertices[:, 2].max() - 3.0
    leg = (rest[:, 2] > min(LEG_FROM_MM, above)) & (rest[:, 0] < 0.7 * view.foot.length)
    rest = rest[~leg]
    if len(rest) < 2:
        return len(rest), 0, 0.0
    own = view.settled.cloud.points
    usual = float(np.median(view.settled.cloud.tree.query(own[::97], k=2)[0][:, 1]))
    reach = LONE * max(usual, 0.7) * np.sqrt(thinned)
    pairs = spatial.cKDTree(rest).query_pairs(reach, output_type="ndarray")
    graph = sparse.coo_matrix(
        (np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(len(rest),) * 2
    )
    label = csgraph.connected_components(graph, directed=False)[1]
    size = np.bincount(label)
    if card_at is not None:
        at = view.foot.pose[:3, :3] @ np.asarray(card_at) + view.foot.pose[:3, 3]
        size[np.unique(label[np.linalg.norm(rest - at, axis=1) < CARD_REACH_MM])] = 0
    lone = int(size[size < 5].sum())
    body = rest[label == size.argmax()]
    extent = np.ptp(body, axis=0)
    thick = size.max() >= 20 and extent.min() > THIN_MM  # a mat is no second foot
    return lone, int(size.sum()) - lone, float(np.linalg.norm(extent)) if thick else 0.0


def _skin_holes(view: View) -> list[Finding]:
    """Return a note about the largest hole elsewhere than in the sole."""
    foot, rim = view.foot, view.edges.rim
    if foot.kind not in (Kind.STANDING, Kind.HANGING) or len(rim) < HOLE_LEAST:
        return []
    graph = sparse.coo_matrix(
        (np.ones(len(rim), dtype=bool), (rim[:, 0], rim[:, 1])), shape=(len(foot.vertices),) * 2
    )
    _, label = csgraph.connected_components(graph, directed=False)
    of = label[rim[:, 0]]
    names, number = np.unique(of, return_counts=True)
    top = foot.vertices[:, 2].max()
    looks = vertex_normals(foot.vertices, foot.faces)[:, 2]
    best, where = 0.0, ""
    for name in names[number >= HOLE_LEAST]:
        own = np.unique(rim[of == name])
        loop = foot.vertices[own]
        if loop[:, 2].max() > top - LEG_RIM_MM or looks[own].mean() < SOLE_FACING:
            continue
        middle = loop.mean(axis=0)
        size = 2 * float(np.median(np.linalg.norm(loop - middle, axis=1)))
        if size > best:
            best, where = size, _region(middle, foot.length)
    return grade(
        "skin-hole",
        best,
        f"A hole {best:.0f} mm across is left in the skin ({where}).",
        "Scan that part again if girths are wanted; arch and pads do not need it.",
        where,
    )


def _region(place: Array, length: float) -> str:
    """Return where on the foot a place lies; foot frame, mm."""
    x, y, z = place[0] / length, place[1], place[2]
    if x > 0.82:
        return "toes"
    if x < 0.12:
        return "heel"
    if z > 40.0:
        return "dorsum"
    return "medial border" if y > 0 else "lateral border"
