"""Outlines in plan: the foot's own and the base's, and how one lies in the other.

    MeasuredFoot [+ Shoe] -> lay_out -> Layout -> seating, wedging, support

The bed's centreline runs through the middle of the outline at the heel and at the ball; the
bed frame (see :mod:`insole.record.plan`) has its origin at the outline's rear end on that
line. A foot is laid along the centreline with its own middle at heel and ball.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import interpolate, ndimage

from footscan.foot import HEEL_STATION
from footscan.results import MeasuredFoot
from footscan.scan import Array
from insole.errors import PlanError
from insole.record.limits import Limits
from insole.record.rings import RING_STEP_MM, edges_at, smooth_ring
from insole.record.values import Note, NoteLevel
from insole.shoe.shoe import Shoe

__all__ = ["Layout", "foot_ring", "lay_out"]

PLAN_HEIGHT_MM = 40.0  # above it the ankle and the leg overhang the sole
STATION_MM = 2.0
CLOSING_MM = 15.0  # gaps between toes narrower than twice this are bridged
BASE_CLOSING_MM = 60.0  # a base has no notch between toes; gentler waists stay
COARSE_RING_MM = 4.0  # points farther apart than this are joined by a curve, not by lines
HEEL_CONVEX_SHARE = 0.2  # of the base's length, over which a heel has no dents
FAIR_SIGMA_MM = 7.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Foot and base in plan.

    Attributes
    ----------
    foot_to_bed : ndarray, shape (3, 3)
        Plan transform (x, y, 1): foot frame to bed frame.
    base, foot : ndarray, shape (n, 2)
        Base outline and foot outline seen from above, bed frame, counter-clockwise.
    yaw : float
        Degrees from the bed's centreline to the foot's long axis, + turns the toes medially.
    length : float
        Inside length that shares of the bed refer to, mm.
    source : str
        Where the base outline came from, in words.
    trim : float
        Allowance to be cut away, mm.
    notes : tuple of Note
        What the person at the bench should know.
    """

    foot_to_bed: Array
    base: Array
    foot: Array
    yaw: float
    length: float
    source: str
    trim: float
    notes: tuple[Note, ...]


def foot_ring(measured: MeasuredFoot) -> Array:
    """Return the foot's outline seen from above, foot frame, counter-clockwise, mm.

    Per 2 mm station the outermost points below 40 mm; gaps between toes are bridged.

    Raises
    ------
    PlanError
        The scan has too few points near the ground for an outline.
    """
    import shapely

    points = measured.foot.vertices
    points = points[points[:, 2] <= PLAN_HEIGHT_MM]
    station = np.floor(points[:, 0] / STATION_MM).astype(int)
    if len(points) < 100 or np.ptp(station) * STATION_MM < 0.6 * measured.foot.length:
        raise PlanError("the scan shows too little of the foot near the ground; scan it again")
    low = station.min()
    n = int(station.max() - low + 1)
    medial, lateral = np.full(n, -np.inf), np.full(n, np.inf)
    np.maximum.at(medial, station - low, points[:, 1])
    np.minimum.at(lateral, station - low, points[:, 1])
    seen = np.isfinite(medial)
    x = (np.arange(n)[seen] + low + 0.5) * STATION_MM
    medial = ndimage.median_filter(medial[seen], 5, mode="nearest")
    lateral = ndimage.median_filter(lateral[seen], 5, mode="nearest")
    rear, front = points[points[:, 0].argmin(), :2], points[points[:, 0].argmax(), :2]
    ring = np.vstack(
        [rear, np.column_stack([x, lateral]), front, np.column_stack([x, medial])[::-1]]
    )
    polygon = shapely.Polygon(ring).buffer(0.0)
    polygon = polygon.buffer(CLOSING_MM).buffer(-CLOSING_MM)
    return smooth_ring(_largest(polygon), sigma_mm=3.0)


def lay_out(measured: MeasuredFoot, shoe: Shoe | None, limits: Limits) -> Layout:
    """Return how foot and base lie in plan.

    The base is the outline traced in the shoe, else the foot's outline fitted to the shoe's
    inside length and widths, else the foot's outline with an allowance to trim.

    Raises
    ------
    PlanError
        The foot is longer than the shoe, or has no usable outline.
    """
    ring = foot_ring(measured)
    length = measured.foot.length
    ball_x = _ball_x(measured)
    heel, ball = _middle(ring, HEEL_STATION * length), _middle(ring, ball_x)
    turn = -np.arctan2(*(ball - heel)[::-1])
    notes = []
    largest = np.radians(limits.value("seating.largest_yaw"))
    if abs(turn) > largest:
        turn = float(np.clip(turn, -largest, largest))
        notes.append(
            Note(
                code="yaw-capped",
                level=NoteLevel.WARN,
                text=(
                    f"the foot would lie more than {np.degrees(largest):g}° across the bed: its "
                    "axis was kept at that; check the heel centre and the ball landmarks"
                ),
            )
        )
    trim = limits.value("base.trim_allowance") if shoe is None else 0.0
    rear = limits.value("seating.heel_clearance") + trim
    c, s = np.cos(turn), np.sin(turn)
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    turned = ring @ matrix[:2, :2].T
    matrix[0, 2] = rear - turned[:, 0].min()
    matrix[1, 2] = -(matrix[:2, :2] @ heel)[1]
    foot = ring @ matrix[:2, :2].T + matrix[:2, 2]
    ball_bed = float((matrix @ [*ball, 1.0])[0])
    if shoe is not None and foot[:, 0].max() > shoe.inside_length + 1e-9:
        raise PlanError(
            f"the foot needs {foot[:, 0].max():.0f} mm with its heel clearance and the shoe is "
            f"{shoe.inside_length:.0f} mm long inside; choose a longer shoe"
        )
    base, source = _base(foot, ball_bed, shoe, trim, limits)
    inside = shoe.inside_length if shoe is not None else float(base[:, 0].max())
    return Layout(
        foot_to_bed=matrix,
        base=base,
        foot=foot,
        yaw=float(np.degrees(turn)),
        length=inside,
        source=source,
        trim=trim,
        notes=tuple(notes),
    )


def _base(
    foot: Array, ball_x: float, shoe: Shoe | None, trim: float, limits: Limits
) -> tuple[Array, str]:
    """Return the base outline in the bed frame and where it came from."""
    rear = limits.value("seating.heel_clearance") + trim
    if shoe is not None and shoe.outline is not None:
        return _to_bed_origin(np.asarray(shoe.outline, dtype=float)), f"traced in {shoe.name}"
    if shoe is None:
        room = limits.value("base.toe_allowance")
        ring = _fitted(foot, ball_x, rear, foot[:, 0].max() + room + trim, side=trim)
        return ring, "the foot's outline with room to trim; no shoe was measured"
    gap = limits.value("base.edge_gap")
    ring = _fitted(foot, ball_x, rear - gap, shoe.inside_length - gap, side=0.0)
    return _narrowed(ring, ball_x, shoe, gap), (
        f"the foot's outline fitted to the inside length and widths of {shoe.name}; "
        "trace the stock insole for a closer one"
    )


def _fitted(foot: Array, ball_x: float, rear: float, front: float, side: float) -> Array:
    """Return the foot outline grown by `side`, from x = 0 (`rear` behind the heel) to `front`.

    Behind the heel's roundest part and ahead of the ball the outline is stretched, not scaled:
    breadths keep their station. Heel and toe line come out convex.
    """
    import shapely

    polygon = shapely.Polygon(foot).buffer(side + BASE_CLOSING_MM).buffer(-BASE_CLOSING_MM)
    ring = smooth_ring(_largest(polygon), sigma_mm=4.0)
    x, low, high = ring[:, 0].copy(), ring[:, 0].min(), ring[:, 0].max()
    heel_x = 0.15 * (high - low) + low
    x = np.where(x < heel_x, heel_x + (x - heel_x) * heel_x / (heel_x - low), x)
    ahead = (x - ball_x) / (high - ball_x)
    x = np.where(ahead > 0, x + (front - high) * np.clip(ahead, 0, None) ** 2, x)
    return _fair(np.column_stack([x, ring[:, 1]]), ball_x)


def _fair(ring: Array, ball_x: float) -> Array:
    """Return a ring smoothed and without dents: convex ahead of the ball and at the heel.

    A shell does not follow single toes, and a blank that does cannot be cut along one line.
    Only dents are filled: the ring's length and its widest places stay.
    """
    ring = smooth_ring(_filled(ring, ball_x), sigma_mm=FAIR_SIGMA_MM)
    return smooth_ring(_filled(ring, ball_x), sigma_mm=0.0)


def _filled(ring: Array, ball_x: float) -> Array:
    """Return the ring joined with the convex hulls of its heel and of what is ahead of the ball."""
    import shapely

    polygon = shapely.Polygon(ring).buffer(0.0)
    x0, y0, x1, y1 = polygon.bounds
    heel_x = x0 + HEEL_CONVEX_SHARE * (x1 - x0)
    ends = ((x0 - 1.0, heel_x), (min(ball_x, x1 - 1.0), x1 + 1.0))
    hulls = [
        polygon.intersection(shapely.box(low, y0 - 1, high, y1 + 1)).convex_hull
        for low, high in ends
    ]
    return _largest(shapely.union_all([polygon, *hulls]))


def _narrowed(ring: Array, ball_x: float, shoe: Shoe, gap: float) -> Array:
    """Return the ring drawn in toward its middle where it is wider than the shoe's bed."""
    stations = np.array([HEEL_STATION * shoe.inside_length, ball_x])
    low, high = edges_at(ring, stations)
    room = np.array([shoe.bed_heel_width, shoe.ball_width]) - 2 * gap
    share = np.minimum(1.0, room / (high - low))
    factor = np.interp(ring[:, 0], stations, share)
    middle = np.interp(ring[:, 0], stations, (low + high) / 2)
    y = middle + (ring[:, 1] - middle) * factor
    return _to_bed_origin(np.column_stack([ring[:, 0], y]))


def _to_bed_origin(ring: Array) -> Array:
    """Return a ring evenly sampled, counter-clockwise, with its rear end at x = 0."""
    ring = smooth_ring(_through(ring), sigma_mm=0.0)
    return np.asarray(ring - [ring[:, 0].min(), 0.0])


def _through(ring: Array) -> Array:
    """Return a smooth curve through the points of a traced ring; a dense ring as it is.

    A tracing of thirty points is a polygon with corners that nobody drew.
    """
    gaps = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    if np.median(gaps) < COARSE_RING_MM or len(ring) < 8:
        return ring
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(gaps)])
    curve = interpolate.CubicSpline(along, closed, bc_type="periodic")
    at = np.linspace(0.0, along[-1], int(along[-1] / RING_STEP_MM), endpoint=False)
    return np.asarray(curve(at))


def _middle(ring: Array, x: float) -> Array:
    """Return the middle of the ring at `x`, shape (2,)."""
    low, high = edges_at(ring, x)
    return np.array([x, (low[0] + high[0]) / 2])


def _ball_x(measured: MeasuredFoot) -> float:
    """Return x of the middle of the ball line, foot frame."""
    marks = measured.landmarks
    for pair in (("metatarsale_tibiale", "metatarsale_fibulare"), ("mth1", "mth5")):
        if all(name in marks for name in pair):
            return float(np.mean([marks[name].xyz[0] for name in pair]))
    raise PlanError("the ball of the foot was not found in the scan; set its landmarks by hand")


def _largest(polygon: object) -> Array:
    """Return the outer ring of the largest piece, without the repeated last point."""
    pieces = getattr(polygon, "geoms", [polygon])
    return np.asarray(max(pieces, key=lambda p: p.area).exterior.coords)[:-1]
