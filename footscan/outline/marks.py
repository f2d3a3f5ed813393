"""The foot's outline in the foot frame: pen taken off, heel and toes, side, marks.

    Contour ring -> foot_ring -> lay -> Laid (side's evidence) -> marks -> Marks

Frame of what is laid: mm, origin at the pternion, x forward along the axis of scans (heel centre
to second metatarsal head), y medial: a left foot is mirrored here, as ``measuring.pose`` mirrors
scans. The second head cannot be seen in an outline; it is taken at a share of the ball line, and
what that is uncertain by goes into the deviations.

Terms
    allowance   how far the middle of the line lies outside the foot: half the pen's barrel
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from footscan.foot import HEEL_STATION
from footscan.measuring import ball
from footscan.measuring.pose import mirror_ring
from footscan.outline.errors import OutlineError
from footscan.scan import Array, Side

__all__ = [
    "STATION_MM",
    "Marks",
    "SideFound",
    "edges",
    "find_side",
    "foot_ring",
    "forward",
    "marks",
    "neutral",
]

FOOT_LENGTH_MM = (145.0, 365.0)
WINDOW = {+1: (0.63, 0.82), -1: (0.54, 0.73)}  # where ball points lie, share of the length
CHORDS = ((0.10, 0.26), (0.84, 0.96))
USUAL = {+1: (0.740, 0.07), -1: (0.637, 0.07)}
ROUNDS = 12
STATION_MM = 1.0
# Means over made-up feet as right feet, deviations wider than theirs, and the factor by which
# real feet are taken to spread more still: first ball point further forward on the big toe's
# side, toes' foremost point towards it, waist deeper on it.
FEATURES = {
    "ball": (0.120, 0.035),
    "toes": (0.30, 0.10),
    "waist": (0.042, 0.020),
}
WIDER = 1.6
SURE, AGAINST = 7.0, -2.5  # log likelihood ratio of all, and of any single one
WORDS = {
    "ball": "the ball reaches further forward on the {side} side",
    "toes": "the foremost toe lies on the {side} side",
    "waist": "the waist is deeper on the {side} side",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFound:
    """Which foot an outline is of.

    Attributes
    ----------
    side : Side or None
        None: the shape does not tell.
    weight : float
        Logarithm of the likelihood ratio, + for a right foot.
    evidence : str
        In words.
    """

    side: Side | None
    weight: float
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """An outline in the foot frame with its marks, mm.

    Attributes
    ----------
    ring : ndarray, shape (n, 2)
        x forward, y medial.
    points : mapping of str to ndarray, shape (2,)
        ``pternion``, ``acropodion``, ``heel_centre``, ``metatarsale_tibiale``,
        ``metatarsale_fibulare``, ``mth2``, ``big_toe``.
    to_sheet : ndarray, shape (3, 3)
        Foot frame to the sheet's.
    """

    ring: Array = field(repr=False)
    points: dict[str, Array]
    to_sheet: Array = field(repr=False)

    @property
    def length(self) -> float:
        """Foot length, mm."""
        return float(self.points["acropodion"][0])


def foot_ring(line: Array, allowance: float) -> Array:
    """Return the foot's ring inside the middle of its drawn line, mm.

    An upright pen that rolls around a foot draws the foot's parallel at half its barrel; the
    parallel inside it is the foot again, but for gaps that the pen does not enter.
    """
    import shapely

    inner = shapely.Polygon(line).buffer(0).buffer(-allowance, quad_segs=16)
    if inner.geom_type == "MultiPolygon":
        inner = max(inner.geoms, key=lambda piece: piece.area)
    ring = shapely.get_coordinates(inner.exterior)
    length = inner.exterior.length
    even = shapely.line_interpolate_point(inner.exterior, np.arange(0.0, length, STATION_MM / 2))
    ring = shapely.get_coordinates(even)
    area = np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    return ring if area > 0 else ring[::-1]


def forward(ring: Array, name: str) -> Array:
    """Return `ring` turned so that the toes look along +x, seen from above, pternion at 0.

    Raises
    ------
    footscan.outline.errors.OutlineError
        It does not look like a foot.
    """
    import shapely

    area = shapely.Polygon(ring)
    middle = np.array(area.centroid.coords[0])
    points = ring - middle
    inner = _inside(area) - middle
    _, vectors = np.linalg.eigh(np.cov(inner.T))
    axis = vectors[:, 1]
    turned = _along(points, axis)
    left, right = edges(turned)
    breadth = left[1] - right[1]
    share = (left[0] - turned[:, 0].min()) / np.ptp(turned[:, 0])
    front = np.median(breadth[(share > 0.66) & (share < 0.76)])
    rear = np.median(breadth[(share > 0.24) & (share < 0.34)])
    ratio = front / rear
    if 0.93 < ratio < 1.07 or not FOOT_LENGTH_MM[0] < np.ptp(turned[:, 0]) < FOOT_LENGTH_MM[1]:
        raise OutlineError(
            "not-a-foot",
            f"{name}: the outline does not look like a foot "
            f"({np.ptp(turned[:, 0]):.0f} mm long, ball to heel {max(ratio, 1 / ratio):.2f}); draw "
            "around one bare foot",
        )
    turned = _along(points, axis if ratio > 1 else -axis)
    return turned - [turned[:, 0].min(), 0.0]


def _inside(area: object) -> Array:
    """Return points evenly inside a polygon."""
    import shapely

    x0, y0, x1, y1 = area.bounds  # type: ignore[attr-defined]
    grid = np.stack(np.meshgrid(np.arange(x0, x1, 3.0), np.arange(y0, y1, 3.0)), -1).reshape(-1, 2)
    shapely.prepare(area)
    return grid[shapely.contains_xy(area, grid[:, 0], grid[:, 1])]


def _along(points: Array, axis: Array) -> Array:
    """Return points turned so that `axis` is +x; never mirrored."""
    axis = axis / np.linalg.norm(axis)
    return np.stack([points @ axis, points @ np.array([-axis[1], axis[0]])], axis=1)


def edges(ring: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Return (x, y) of the upper and of the lower border at stations along x."""
    low, high = ring[:, 0].min(), ring[:, 0].max()
    x = np.arange(low + 0.5 * STATION_MM, high, STATION_MM)
    ahead = np.roll(ring, -1, axis=0)
    first = np.searchsorted(x, np.minimum(ring[:, 0], ahead[:, 0]))
    last = np.searchsorted(x, np.maximum(ring[:, 0], ahead[:, 0]))
    upper, lower = np.full(len(x), -np.inf), np.full(len(x), np.inf)
    for step in range(int((last - first).max(initial=0))):  # pieces are shorter than a station
        over = np.flatnonzero(last - first > step)
        at = first[over] + step
        part = (x[at] - ring[over, 0]) / (ahead[over, 0] - ring[over, 0])
        y = ring[over, 1] + part * (ahead[over, 1] - ring[over, 1])
        np.maximum.at(upper, at, y)
        np.minimum.at(lower, at, y)
    return (x, upper), (x, lower)


def _ball(x: Array, reach: Array, length: float, sign: int) -> tuple[float, float]:
    """Return x of a border's ball point, and how far its place spreads, mm.

    As for scans: the whole window is weighed by how far the border bulges beyond the chord from
    heel's to toes' side and by how parallel to the axis it runs.
    """
    reach = ndimage.gaussian_filter1d(reach, 2.5 / STATION_MM, mode="nearest")
    share = x / length
    ends = []
    for low, high in CHORDS:
        inside = (share > low) & (share < high)
        k = int(np.argmax(np.where(inside, reach, -np.inf)))
        ends.append((x[k], reach[k]))
    slope = (ends[1][1] - ends[0][1]) / (ends[1][0] - ends[0][0])
    run = np.gradient(reach, x)
    usual, spread = USUAL[sign]
    low, high = WINDOW[sign]
    bulge = reach - slope * x + 1.5 * np.exp(-0.5 * (run / 0.04) ** 2)
    bulge -= 0.5 * ((share - usual) / spread) ** 2
    bulge -= 0.7 * np.maximum(np.maximum(low * length - x, x - high * length), 0.0)
    weight = np.exp((bulge - bulge.max()) / 0.1)
    weight /= weight.sum()
    at = float(weight @ x)
    return at, float(np.sqrt(weight @ (x - at) ** 2))


def neutral(ring: Array) -> Array:
    """Return a ring on an axis that does not know its side: heel's middle to ball's middle."""
    for _ in range(ROUNDS):
        left, right = edges(ring)
        length = np.ptp(ring[:, 0])
        heel = np.interp(HEEL_STATION * length, left[0], (left[1] + right[1]) / 2)
        inside = (left[0] > 0.55 * length) & (left[0] < 0.80 * length)
        middle = (left[1][inside].max() + right[1][inside].min()) / 2
        way = np.array([(0.69 - HEEL_STATION) * length, middle - heel])
        ring = _along(ring, way)
        ring = ring - [ring[:, 0].min(), 0.0]
        if abs(way[1] / way[0]) < 1e-4:
            break
    left, right = edges(ring)
    heel = np.interp(HEEL_STATION * np.ptp(ring[:, 0]), left[0], (left[1] + right[1]) / 2)
    return ring - [0.0, heel]


def features(ring: Array) -> dict[str, float]:
    """Return what tells a right foot from a left one; the signs turn with the side.

    `ring` looks forward, seen from above; +y is then the left, where a right foot's big toe is.
    """
    ring = neutral(ring)
    (x, left), (_, right) = edges(ring)
    length = float(np.ptp(ring[:, 0]))
    breadth = float((left - right).max())
    share = x / length
    inside = (share > 0.52) & (share < 0.86)
    tops = []
    for reach in (left, -right):
        smooth = ndimage.gaussian_filter1d(reach, 4.0 / STATION_MM, mode="nearest")
        weight = np.where(inside, np.exp((smooth - smooth[inside].max()) / 0.4), 0.0)
        tops.append(float(weight @ x / weight.sum()))
    front = ring[ring[:, 0] > ring[:, 0].max() - 0.03 * length]
    waist = []
    for reach in (left, -right):
        heel = reach[(share > 0.10) & (share < 0.30)].max()
        ball = reach[(share > 0.58) & (share < 0.80)].max()
        between = (share > 0.30) & (share < 0.60)
        chord = heel + (ball - heel) * (share[between] - 0.2) / 0.49
        waist.append(float((chord - reach[between]).max()))
    return {
        "ball": (tops[0] - tops[1]) / length,
        "toes": float(front[:, 1].mean()) / breadth,
        "waist": (waist[0] - waist[1]) / breadth,
    }


def find_side(ring: Array) -> SideFound:
    """Return the side that the shape of an outline, looking forward, tells."""
    found = features(ring)
    weights = {}
    for key, value in found.items():
        mean, sd = FEATURES[key]
        # log of N(mean, sd) over N(-mean, sd); bounded, since no single sign is proof
        weights[key] = float(np.clip(2 * mean * value / (WIDER * sd) ** 2, -6.0, 6.0))
    total = sum(weights.values())
    sign = 1.0 if total > 0 else -1.0
    parts = []
    for key, weight in sorted(weights.items(), key=lambda item: -abs(item[1])):
        where = "left" if weight > 0 else "right"
        against = "" if weight * sign > 0 else "but "
        if abs(weight) > 0.5:
            parts.append(against + WORDS[key].format(side=where))
    words = ", ".join(parts) or "both sides are alike"
    clear = abs(total) >= SURE and min(sign * w for w in weights.values()) >= AGAINST
    side = (Side.RIGHT if total > 0 else Side.LEFT) if clear else None
    return SideFound(side=side, weight=total, evidence=f"seen with the toes up, {words}")


def marks(ring: Array, sheet_ring: Array, side: Side) -> Marks:
    """Return the outline in the foot frame with its marks.

    Parameters
    ----------
    ring, sheet_ring : ndarray, shape (n, 2)
        :func:`forward`, and the same points in the sheet's frame.
    side : Side
        Which foot it is.
    """
    ring = mirror_ring(ring) if side is Side.LEFT else ring
    source = sheet_ring[::-1] if side is Side.LEFT else sheet_ring
    for _ in range(ROUNDS):
        points = _points(ring)
        way = points["mth2"] - points["heel_centre"]
        ring = _along(ring, way)
        ring = ring - [ring[:, 0].min(), 0.0]
        if abs(way[1] / way[0]) < 2e-4:
            break
    points = _points(ring)
    ring = ring - [0.0, points["heel_centre"][1]]
    points = _points(ring)
    return Marks(ring=ring, points=points, to_sheet=_between(ring, source))


def _points(ring: Array) -> dict[str, Array]:
    (x, medial), (_, lateral) = edges(ring)
    length = float(_extreme(ring, +1)[0])
    found: dict[str, Array] = {}
    found["pternion"], found["acropodion"] = _extreme(ring, -1), _extreme(ring, +1)
    middle = (medial + lateral) / 2
    at = HEEL_STATION * length
    found["heel_centre"] = np.array([at, np.interp(at, x, middle)])
    for name, reach, sign in (
        ("metatarsale_tibiale", medial, +1),
        ("metatarsale_fibulare", lateral, -1),
    ):
        where, _ = _ball(x, sign * reach, length, sign)
        smooth = ndimage.gaussian_filter1d(reach, 1.0 / STATION_MM, mode="nearest")
        near = np.abs(x - where) < 6.0
        best = smooth[near].max() if sign > 0 else smooth[near].min()
        found[name] = np.array([where, best])
    borders = (
        np.append(found[name], 0.0) for name in ("metatarsale_tibiale", "metatarsale_fibulare")
    )
    found["mth2"] = ball.heads_from_borders(*borders)["mth2"][:2]
    toes = ring[(ring[:, 0] > 0.86 * length) & (ring[:, 1] > found["mth2"][1])]
    found["big_toe"] = toes[np.argmax(toes[:, 0])] if len(toes) else found["acropodion"]
    return found


def _extreme(ring: Array, sign: int) -> Array:
    """Return the foremost (+1) or rearmost (-1) point from a parabola through its surroundings."""
    k = int(np.argmax(sign * ring[:, 0]))
    near = ring[np.arange(k - 8, k + 9) % len(ring)]
    y = near[:, 1] - ring[k, 1]
    if np.ptp(y) < 1.0:
        return ring[k].copy()
    fit = np.polyfit(y, near[:, 0], 2)
    if sign * fit[0] >= -1e-5:
        return ring[k].copy()
    top = float(np.clip(-fit[1] / (2 * fit[0]), -4.0, 4.0))
    return np.array([np.polyval(fit, top), ring[k, 1] + top])


def _between(ring: Array, source: Array) -> Array:
    """Return the 3 by 3 matrix from the foot frame to the sheet's."""
    rows = np.column_stack([ring, np.ones(len(ring))])
    answer, *_ = np.linalg.lstsq(rows, source, rcond=None)
    return np.vstack([answer.T, [0.0, 0.0, 1.0]])
