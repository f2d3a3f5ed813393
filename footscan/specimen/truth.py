"""The sizes and landmarks of a made-up foot, read from its skin free of noise.

    skin, bones -> sizes (to fit the skin to its shape) -> truth (of the finished skin)

Frame: the foot frame of a right foot, mm. Only the metatarsal heads come from the skeleton; the
rest is read from the surface by the same definitions that scans are measured by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from footscan.arch import ArchApex, arch_apex
from footscan.foot import sole_map
from footscan.measuring import ball_border
from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.scan import Array, IntArray

__all__ = ["Sizes", "Truth", "extreme", "heel", "level", "sizes", "truth"]

# Heel breadth is taken here (Lee et al. 2014, J Foot Ankle Res 7:44). A number of its own, not
# ``foot.HEEL_STATION``: the truth must notice when what measures is moved.
HEEL_SHARE = 0.16
HEEL_SPAN = (0.10, 0.25)  # shares searched for the largest heel breadth
HEEL_HEIGHT_MM = 40.0
# Where a ball usually lies, and how far off costs half a millimetre of bulge (ANSUR II 2012).
USUAL = {+1: (0.740, 0.045), -1: (0.637, 0.045)}
PEAK_BELOW_BULGE_MM = 1.5  # a peak this much lower than the bulge is not the ball


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sizes:
    """The points and sizes that a skin is fitted by, mm."""

    toe: Array
    tibiale: Array
    fibulare: Array
    heel: float
    girth: float
    apex: ArchApex

    @property
    def length(self) -> float:
        """Foot length."""
        return float(self.toe[0])

    @property
    def breadth(self) -> float:
        """Horizontal ball breadth."""
        return float(self.tibiale[1] - self.fibulare[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What is known of a specimen.

    Attributes
    ----------
    landmarks : mapping of str to ndarray, shape (3,)
        Foot frame, mm: ``pternion``, ``acropodion``, ``heel_centre``, ``mth1`` .. ``mth5`` (below
        the heads' centres, on the sole), ``metatarsale_tibiale``, ``metatarsale_fibulare``,
        ``arch_apex``.
    measures : mapping of str to float
        mm; the names of the measures of a scan.
    arch_plateau : float
        Length of the arch's top, mm.
    """

    landmarks: Mapping[str, Array]
    measures: Mapping[str, float]
    arch_plateau: float


def sizes(vertices: Array, faces: IntArray) -> Sizes:
    """Return the sizes of a skin that stands in the foot frame."""
    toe = extreme(vertices, np.array([1.0, 0, 0]), 3.5)
    length = float(toe[0])
    low = Cloud.of(vertices[vertices[:, 2] < 60])
    tibiale, fibulare = (_ball_point(low, length, sign) for sign in (+1, -1))
    return Sizes(
        toe=toe,
        tibiale=tibiale,
        fibulare=fibulare,
        heel=heel(vertices, faces, length, HEEL_SHARE)[1],
        girth=_girth(vertices, faces, tibiale, fibulare),
        apex=arch_apex(sole_map(vertices, faces), float(toe[0])),
    )


def truth(vertices: Array, faces: IntArray, bones: Array) -> Truth:
    """Return the truth of a finished specimen."""
    found = sizes(vertices, faces)
    length, apex = found.length, found.apex
    medial, lateral = found.tibiale, found.fibulare
    centre, heel_breadth = heel(vertices, faces, length, HEEL_SHARE)
    below = sole_map(vertices, faces)
    plan = np.concatenate([bones[:, :2], centre[None]])
    heights = below.height(plan[:, 0], plan[:, 1])
    landmarks = {
        "pternion": extreme(vertices[vertices[:, 2] < 60], np.array([-1.0, 0, 0]), 6.0),
        "acropodion": found.toe,
        "heel_centre": np.array([*centre, heights[-1]]),
        "metatarsale_tibiale": medial,
        "metatarsale_fibulare": lateral,
        "arch_apex": np.array([apex.x, apex.y, apex.z]),
    }
    for i, bone in enumerate(bones):
        landmarks[f"mth{i + 1}"] = np.array([bone[0], bone[1], heights[i]])
    measures = {
        "foot_length": length,
        "heel_to_ball_length": float(medial[0]),
        "outside_ball_length": float(lateral[0]),
        "foot_breadth": found.breadth,
        "foot_breadth_diagonal": float(np.hypot(*(medial - lateral)[:2])),
        "ball_girth": found.girth,
        "heel_breadth": heel_breadth,
        "heel_breadth_max": _heel_largest(vertices, faces, length),
        "arch_apex_height": apex.z,
    }
    return Truth(
        landmarks=landmarks,
        measures=measures,
        arch_plateau=apex.plateau,
    )


def heel(vertices: Array, faces: IntArray, length: float, share: float) -> tuple[Array, float]:
    """Return the centre (x, y) and breadth of the heel at a share of length, up to 40 mm high."""
    x = share * length
    segments = _cut(vertices, faces, np.array([x, 0, 0]), np.array([1.0, 0, 0]))
    a, b = segments[:, 0], segments[:, 1]
    crossing = (a[:, 2] - HEEL_HEIGHT_MM) * (b[:, 2] - HEEL_HEIGHT_MM) < 0
    t = (HEEL_HEIGHT_MM - a[crossing, 2]) / (b[crossing, 2] - a[crossing, 2])
    level = a[crossing, 1] + t * (b[crossing, 1] - a[crossing, 1])
    y = np.concatenate([p[p[:, 2] <= HEEL_HEIGHT_MM, 1] for p in (a, b)] + [level])
    return np.array([x, (y.min() + y.max()) / 2]), float(y.max() - y.min())


def extreme(points: Array, direction: Array, radius: float) -> Array:
    """Return the foremost point along an axis direction, from a quadratic fit near it."""
    axis = int(np.argmax(np.abs(direction)))
    sign = np.sign(direction[axis])
    first, second = (k for k in range(3) if k != axis)
    at = points[np.argmax(sign * points[:, axis])]
    for _ in range(3):
        near = points[np.linalg.norm(points - at, axis=1) < radius] - at
        u, v = near[:, first] / radius, near[:, second] / radius
        terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
        c = np.linalg.lstsq(terms, near[:, axis], rcond=None)[0]
        bend = np.array([[2 * c[3], c[4]], [c[4], 2 * c[5]]])
        if np.linalg.eigvalsh(-sign * bend)[0] < 1e-4:
            return at.copy()
        uv = np.clip(np.linalg.solve(bend, -c[1:3]), -0.6, 0.6)
        height = c @ np.array([1, *uv, uv[0] ** 2, uv[0] * uv[1], uv[1] ** 2])
        at = at.copy()
        at[[first, second, axis]] += [uv[0] * radius, uv[1] * radius, height]
        if np.abs(uv).max() * radius < 0.05:
            break
    return at


def level(vertices: Array, bones: Array, length: float) -> tuple[Array, float]:
    """Return the turn that levels heel pad, first and fifth ball pads, and their height."""
    lowest = []
    low = vertices[vertices[:, 2] < 60]
    for region in (
        low[low[:, 0] - vertices[:, 0].min() < 0.25 * length],
        low[np.linalg.norm(low[:, :2] - bones[0, :2], axis=1) < 14],
        low[np.linalg.norm(low[:, :2] - bones[4, :2], axis=1) < 14],
    ):
        lowest.append(extreme(region, np.array([0, 0, -1.0]), 8.0))
    normal = np.cross(lowest[1] - lowest[0], lowest[2] - lowest[0])
    normal *= np.sign(normal[2]) / np.linalg.norm(normal)
    side = np.cross(normal, [1.0, 0, 0])
    side /= np.linalg.norm(side)
    turn = np.stack([np.cross(side, normal), side, normal])
    return turn, float((turn @ lowest[0])[2])


def _cut(vertices: Array, faces: IntArray, origin: Array, normal: Array) -> Array:
    """Return the points, shape (k, 3), in which a plane cuts the edges of the skin."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    segments, _ = trimesh.intersections.mesh_plane(mesh, normal, origin, return_faces=True)
    return np.asarray(segments)


def _heel_largest(vertices: Array, faces: IntArray, length: float) -> float:
    """Return the largest heel breadth between 10 and 25 % of length, up to 40 mm high, mm."""
    near = (vertices[faces, 0] < 0.3 * length).all(axis=1)
    shares = np.linspace(*HEEL_SPAN, 31)
    return max(heel(vertices, faces[near], length, share)[1] for share in shares)


def _girth(vertices: Array, faces: IntArray, tibiale: Array, fibulare: Array) -> float:
    """Return the convex perimeter of the vertical section through the two ball points, mm."""
    from scipy.spatial import ConvexHull

    along = (tibiale - fibulare) * [1, 1, 0]
    along /= np.linalg.norm(along)
    normal = np.cross(along, [0, 0, 1.0])
    cut = _cut(vertices, faces, tibiale, normal).reshape(-1, 3)
    flat = np.stack([cut @ along, cut[:, 2]], axis=1)
    return float(ConvexHull(flat).area)  # the "area" of a plane hull is its perimeter


def _ball_point(cloud: Cloud, length: float, sign: int) -> Array:
    """Return where the border peaks on a skin free of noise; without a peak, where it bulges most.

    By definition, apart from how scans are read: on made-up feet the highest peak is the ball's.
    """
    low, high = ball_border.WINDOW[sign]
    x, reach = ball_border.profile(cloud.points, length, sign)
    inside = (x >= low * length) & (x <= high * length)
    slope = ball_border.chord(cloud.points, length, sign)
    usual, spread = USUAL[sign]
    bulge = reach - slope * x - 0.5 * ((x / length - usual) / spread) ** 2
    bulge[~inside] = -np.inf
    top = np.zeros(len(x), dtype=bool)
    top[1:-1] = (reach[1:-1] >= reach[:-2]) & (reach[1:-1] > reach[2:])
    peaks = np.where(top, bulge, -np.inf)
    at, outward = int(np.argmax(peaks)), np.array([0.0, sign, 0.0])
    if peaks[at] < bulge.max() - PEAK_BELOW_BULGE_MM:
        at = int(np.argmax(bulge))
        outward = np.array([-slope, sign, 0.0]) / np.hypot(1.0, slope)
    points = cloud.points
    near = (np.abs(points[:, 0] - x[at]) <= 8.0) & (points[:, 2] <= ball_border.BALL_TOP_MM)
    bound = np.array(
        [[x[at] - 12.0, -np.inf, -np.inf], [x[at] + 12.0, np.inf, ball_border.BALL_TOP_MM]]
    )
    return smooth_extreme(cloud, outward, near, 10.0, bound)
