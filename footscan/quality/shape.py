"""Whether the foot is whole and stands where it should: clipped ends, leg, floor, mirror image.

    View -> quality.shape.findings -> footscan.quality.findings

Terms
    clipped   ended by the scanner's field: an open rim that stands upright in one plane at the
              foot's very end or border; the rim of a sole alone, or of a low leg, runs level
    reach     how far the foot goes in a direction of the plan
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage, sparse, spatial
from scipy.sparse import csgraph

from footscan.foot import face_normals, vertex_normals
from footscan.measuring import below
from footscan.quality.limits import grade
from footscan.quality.sole import BALL, HEEL
from footscan.quality.view import View, upright, whole
from footscan.results import Finding
from footscan.scan import Array, IntArray, Kind

__all__ = ["findings"]

RIM_DEPTH_MM = 2.5  # depth of the foot's end in which a clipped rim lies
RIM_RISE_MM = 12.0  # a clipped toe's rim rises 15 mm and more, that of an open sole up to 10
RIM_TOP_MM, RIM_LENGTH_MM = 60.0, 30.0
SURFACED_MM = 60.0
RIM_FOOT_MM = 25.0  # it comes down to the sole; the rim of a leg cut aslant does not
REACH_POINTS = 6000
# directions about the end, degrees from the long axis (medial is +90); their step
ENDS = (
    ("toes-cut", "toes", "The toes end", 0.0, 30.0),
    ("heel-cut", "heel", "The heel ends", 180.0, 30.0),
    ("border-cut", "medial border", "The medial border ends", 90.0, 35.0),
    ("border-cut", "lateral border", "The lateral border ends", -90.0, 35.0),
)
STEP_DEG = 2.5
PAIRS = (("heel", "toes"), ("medial border", "lateral border"), ("heel, medial", "heel, lateral"))
LOW_CUT_MM = 30.0  # a foot cut level below this has lost its borders
LEVEL_RIM_MM, LEVEL_SHARE = 2.5, 0.7  # edges of a coarse mesh end a little unevenly
CUT_THROUGH = 0.62  # the flattest skin of a clipped rim faces down by more than this
FLOOR_TOP_MM = 5.0  # skin that looks up lies higher, but for the nail of a small toe
FLOOR_UP = 0.7
SHEET_TOP_MM, SHEET_GAP_MM = 2.5, 1.5  # a sheet of floor below skin, or beside it
WALL_MM, BESIDE_MM = 10.0, 6.0
SHEET_ZONE = (0.22, 0.70)  # share of length: heel and ball stand on the ground themselves
MIRROR_POINTS, MIRROR_ROUNDS = 700, 12
MIRROR_NEAR_MM = 1.2


def findings(view: View) -> list[Finding]:
    """Return what is wrong with the outline, the leg, the floor, or the foot as a whole."""
    return [*_ends(view), *_borders(view), *_leg(view), *_floor(view), *_mirrored(view)]


def _borders(view: View) -> list[Finding]:
    """Return a finding where a sole's borders were not seen up to where they stand upright."""
    if view.foot.kind is not Kind.SOLE:
        return []
    seen = below.seen_to(view.foot)
    worst = min(seen, key=lambda name: seen[name])
    most = max(below.shortfall(seen[a], seen[b]) for a, b in PAIRS)
    return grade(
        "border-seen",
        seen[worst],
        f"The sole was seen only to {seen[worst]:.0f}° from straight down ({worst}): lengths and "
        f"breadths may be up to {most:.0f} mm short.",
        "Scan from the sides as well, up to where heel, toes and borders stand upright.",
        worst,
    )


def _ends(view: View) -> list[Finding]:
    """Return findings about ends and borders that the scanner's field cut off."""
    vertices, rim = view.foot.vertices, view.edges.rim
    if not len(rim):
        return []
    low = _long_rims(vertices, rim[(vertices[rim, 2] < RIM_TOP_MM).all(axis=1)])
    if not len(low):
        return []
    # a sole ends somewhere on its border, at one slope all along: how steep is told apart
    sole_alone = view.foot.kind is Kind.SOLE
    down = -vertex_normals(vertices, view.foot.faces)[:, 2] if sole_alone else None
    found: list[Finding] = []
    body = vertices[vertices[:, 2] < RIM_TOP_MM, :2]
    body = np.concatenate([body[:: max(1, len(body) // REACH_POINTS)], vertices[low[:, 0], :2]])
    for code, region, words, middle, fan in ENDS:
        angle = np.radians(middle + np.arange(-fan, fan + STEP_DEG / 2, STEP_DEG))
        way = np.stack([np.cos(angle), np.sin(angle)])
        length = max(_rim_at_reach(body @ one, vertices, low, one, down) for one in way.T)
        if view.cleaned.surfaced and length < SURFACED_MM:
            continue  # a surface laid through bare points frays at the toes
        found += grade(
            code,
            length,
            f"{words} in an open rim {length:.0f} mm long: the scan is clipped there.",
            "Move the foot into the scanner's field and scan again.",
            region,
        )
    return found


def _long_rims(vertices: Array, rim: IntArray) -> IntArray:
    """Return the rim edges that hang together over 30 mm and more; small gaps are no clipping."""
    if not len(rim):
        return rim
    length = np.linalg.norm(vertices[rim[:, 0]] - vertices[rim[:, 1]], axis=1)
    used, number = np.unique(rim, return_inverse=True)
    number = number.reshape(-1, 2)
    graph = sparse.coo_matrix((length, (number[:, 0], number[:, 1])), shape=(len(used),) * 2)
    label = csgraph.connected_components(graph, directed=False)[1][number[:, 0]]
    return rim[np.bincount(label, length)[label] >= RIM_LENGTH_MM]


def _rim_at_reach(
    reach: Array, vertices: Array, rim: IntArray, way: Array, down: Array | None
) -> float:
    """Return how much open rim lies within 2.5 mm of the foot's reach along `way`, mm.

    Zero unless it stands upright on the sole: a heel and a toe close round, and a level rim, or
    one high up, is that of an open sole or a leg. `down` is given for a sole alone, how much each
    point faces down: a cut goes through flat skin as well as steep.
    """
    least = np.partition(reach, -4)[-4] - RIM_DEPTH_MM
    there = rim[((vertices[rim, :2] @ way) > least).all(axis=1)]
    if not len(there):
        return 0.0
    height = vertices[there, 2]
    if np.ptp(height) < RIM_RISE_MM or height.min() > RIM_FOOT_MM:
        return 0.0
    if down is not None and down[there].max() < CUT_THROUGH:
        return 0.0
    return float(np.linalg.norm(vertices[there[:, 0]] - vertices[there[:, 1]], axis=1).sum())


def _leg(view: View) -> list[Finding]:
    """Return a finding where the scan ends low; a foot cut level is no sole seen from below."""
    if view.foot.kind not in (Kind.STANDING, Kind.HANGING) and not _cut_level(view):
        return []
    top = float(np.percentile(view.foot.vertices[:, 2], 99.8))
    if view.foot.kind is Kind.SOLE and top >= LOW_CUT_MM:
        return []  # the depth that the scanner sees: the borders are in it
    return grade(
        "leg-low",
        top,
        f"The scan ends {top:.0f} mm above the ground.",
        "Scan up to a hand's breadth above the ankle.",
        "leg",
    )


def _cut_level(view: View) -> bool:
    """Return whether most of the rim lies in one level plane, as a cut leaves it."""
    vertices, rim = view.foot.vertices, view.edges.rim
    if view.foot.kind is not Kind.SOLE or not len(rim):
        return False
    length = np.linalg.norm(vertices[rim[:, 0]] - vertices[rim[:, 1]], axis=1)
    height = vertices[rim, 2].mean(axis=1)
    top = float(np.percentile(height, 90))
    level = np.abs(height - top) <= LEVEL_RIM_MM
    return bool(length[level].sum() >= LEVEL_SHARE * length.sum())


def _floor(view: View) -> list[Finding]:
    """Return findings about the floor: tilted, not below the foot, or left in the scan."""
    found = grade(
        "floor-tilt",
        view.settled.tilt,
        f"The foot stands tilted by {view.settled.tilt:.1f}° against the scan's floor.",
        "The floor of this scan is not the foot's; scan again on a level plate.",
        "scan",
    )
    if view.settled.ground == "floor":
        gap = _above_ground(view)
        words = "above" if gap > 0 else "below"
        found += grade(
            "floor-gap",
            abs(gap),
            f"Heel and ball lie {abs(gap):.1f} mm {words} the scan's floor.",
            "That floor is another surface, such as the far face of a glass plate; remove it from "
            "the scan, or scan again.",
            "scan",
        )
    left = _floor_left(view) + _sheet(view)
    found += grade(
        "floor-left",
        left,
        f"{left:.0f} cm² of floor still hang on the foot.",
        "Remove the floor before the scan is exported, or scan on a plate that the scanner does "
        "not see.",
        "scan",
    )
    return found


def _above_ground(view: View) -> float:
    """Return how high the lowest twentieth of heel and ball lies above the ground, mm."""
    sole, length = view.foot.sole, view.foot.length
    x = sole.x / length
    lowest = []
    for low, high in (HEEL, BALL):
        z = sole.z[(x > low) & (x < high)]
        z = z[np.isfinite(z)]
        if z.size > 50:
            lowest.append(float(np.percentile(z, 5)))
    return float(np.mean(lowest)) if lowest else 0.0


def _floor_left(view: View) -> float:
    """Return how much surface looks up next to the ground, cm²."""
    foot = view.foot
    low = foot.faces[whole(foot.vertices[:, 2] < FLOOR_TOP_MM, foot.faces)]
    if not len(low):
        return 0.0
    up = low[face_normals(foot.vertices, low)[:, 2] > FLOOR_UP]
    a, b, c = (foot.vertices[up[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 200.0)


def _sheet(view: View) -> float:
    """Return how much of a sheet of floor faces down under the arch and beside it, cm².

    A foot's lowest skin has its top above it. Where skin that faces down follows above skin that
    faces down, the lower one is floor; so it is where nothing follows, outside the foot.
    """
    low, levels = upright(view.foot)
    line, height, facing = levels.line, levels.height, levels.facing
    same = np.r_[False, (np.diff(line, axis=0) == 0).all(axis=1) & (np.diff(height) < 1e-6)]
    line, height, facing = line[~same], height[~same], facing[~same]  # through an edge: met twice
    first = np.flatnonzero(np.r_[True, (np.diff(line, axis=0) != 0).any(axis=1)])
    count = np.diff(np.r_[first, len(line)])
    x = (low[0] + line[first, 0]) / view.foot.length
    flat = (np.abs(height[first]) < SHEET_TOP_MM) & (facing[first] < -FLOOR_UP)
    flat &= (x > SHEET_ZONE[0]) & (x < SHEET_ZONE[1])
    second = np.minimum(first + 1, len(line) - 1)
    under = flat & (count > 1) & (facing[second] < 0)
    under &= height[second] - height[first] > SHEET_GAP_MM
    cells = int(under.sum())
    if view.foot.kind in (Kind.STANDING, Kind.HANGING):
        # within a leg, or below a hole, nothing follows either: walls stand round about
        plan = np.round(view.foot.vertices[:, :2] - low).astype(int)
        skin = np.zeros(plan.max(axis=0) + 2, dtype=bool)
        skin[tuple(plan[view.foot.vertices[:, 2] > WALL_MM].T)] = True
        closed = ndimage.binary_fill_holes(ndimage.distance_transform_edt(~skin) <= BESIDE_MM)
        cells += int((flat & (count == 1) & ~closed[tuple(line[first].T)]).sum())
    return cells / 100.0


def _mirrored(view: View) -> list[Finding]:
    """Return a finding if the foot is its own mirror image, as no foot is."""
    share = _symmetry(view.foot.vertices)
    return grade(
        "mirror-image",
        100 * share,
        f"{100 * share:.0f} % of the foot is its own mirror image.",
        "A scan and its mirror image were laid over one another; scan again.",
        "scan",
    )


def _symmetry(vertices: Array) -> float:
    """Return the share of the foot that lies on its mirror image about the best upright plane."""
    low = vertices[vertices[:, 2] < RIM_TOP_MM]
    points = low[np.random.default_rng(0).permutation(len(low))[:MIRROR_POINTS]]
    tree = spatial.cKDTree(low, balanced_tree=False, compact_nodes=False)
    middle = points.mean(axis=0)
    turn, shift = np.diag([1.0, -1.0, 1.0]), np.array([0.0, 2 * middle[1], 0.0])
    for _ in range(MIRROR_ROUNDS):
        moved = points @ turn.T + shift
        distance, index = tree.query(moved)
        near = distance <= np.percentile(distance, 80)
        turn, shift = _reflection(points[near, :2], low[index[near], :2])
    distance, _ = tree.query(points @ turn.T + shift)
    spacing = float(np.median(tree.query(points, k=2)[0][:, 1]))
    return float((distance < max(MIRROR_NEAR_MM, 0.8 * spacing)).mean())


def _reflection(source: Array, target: Array) -> tuple[Array, Array]:
    """Return the best reflection in plan of paired points, as a 3 by 3 matrix and a shift."""
    a, b = source.mean(axis=0), target.mean(axis=0)
    u, _, vt = np.linalg.svd((source - a).T @ (target - b))
    sign = np.diag([1.0, -np.sign(np.linalg.det(vt.T @ u.T))])
    plan = vt.T @ sign @ u.T
    turn = np.eye(3)
    turn[:2, :2] = plan
    return turn, np.array([*(b - plan @ a), 0.0])
