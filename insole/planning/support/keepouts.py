"""Places that are kept free, seen from the bed: where they lie, and how far other places are off.

    Seating + limits -> maps over (x, y), bed frame, mm -> ceilings (pads), contour_shape (beds)

What a pad must not lie on a contoured bed relieves; both ask here where it is, so that a keep-out
of both has one place and one width. What is made of it, a border, a fading or a relief, is theirs;
what only a pad has, its rear edge, the heel's contact and a shim's thin end, is in ``ceilings``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.seating import Seating
from insole.planning.support.surface import FREE
from insole.record.limits import Limits
from insole.record.rings import edges_at

__all__ = [
    "ball_clear",
    "ball_line",
    "behind_ball",
    "off_fifth_base",
    "off_first_ray",
    "tender_spots",
    "thin_before_ball",
    "under_navicular",
]


def ball_line(seating: Seating) -> tuple[Array, Array, float]:
    """Return medial and lateral end of the oblique ball line (x, y) and the larger sd, mm.

    The line runs between the border points. A head that lies farther back than its border point
    (one felt and set by hand) draws its end back: the line guards the heads.
    """
    heads = ("mth1", "mth5")
    for pair in (("metatarsale_tibiale", "metatarsale_fibulare"), heads):
        if all(name in seating.landmarks for name in pair):
            ends = [np.array(seating.landmarks[name][:2]) for name in pair]
            for end, head in zip(ends, heads, strict=True):
                if head in seating.landmarks:
                    end[0] = min(end[0], float(seating.landmarks[head][0]))
            return ends[0], ends[1], max(seating.landmark_sd.get(name, 0.0) for name in pair)
    raise PlanError("the ball of the foot was not found in the scan; set its landmarks by hand")


def behind_ball(seating: Seating, x: Array, y: Array) -> Array:
    """Return how far places lie behind the oblique ball line, mm."""
    medial, lateral, _ = ball_line(seating)
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    return np.asarray(along[0] * (y - lateral[1]) - along[1] * (x - lateral[0]))


def ball_clear(seating: Seating, limits: Limits) -> tuple[float, float]:
    """Return how far behind the ball line a support ends, mm, and what is added for its band."""
    _, _, sd = ball_line(seating)
    return limits.value("keepout.ball_clear"), limits.value("keepout.coverage") * sd


def thin_before_ball(behind: Array, limits: Limits) -> Array:
    """Return how high a support may be close behind the ball line, mm."""
    slope = math.tan(math.radians(limits.value("feel.slope")))
    beyond = np.clip(behind - limits.value("keepout.ball_thin"), 0.0, None)
    return np.asarray(limits.value("keepout.ball_thin_height") + slope * beyond)


def off_first_ray(
    seating: Seating, head: Array, nodes: tuple[Array, Array], limits: Limits
) -> Array:
    """Return how far places lie off the front half of the first metatarsal's shaft, mm.

    Parameters
    ----------
    head : ndarray, shape (2,) or (3,)
        First metatarsal head.
    nodes : (ndarray, ndarray), shapes (nx, ny)
        x and y of a grid. Where the foot's outline shows no breadth nothing is kept free.
    """
    x, y = nodes
    low, high = edges_at(seating.foot_outline, x[:, 0])
    ray = high - limits.value("keepout.first_metatarsal_breadth") * (high - low)
    back = float(head[0]) - limits.value("keepout.first_metatarsal_half") * seating.foot_length
    beside = np.clip(np.nan_to_num(ray, nan=FREE)[:, None] - y, 0.0, None)
    return np.asarray(np.hypot(np.clip(back - x, 0.0, None), beside))


def off_fifth_base(seating: Seating, x: Array, y: Array, limits: Limits) -> tuple[Array, float]:
    """Return how far places lie off the middle of the fifth metatarsal's base, and its radius."""
    head = seating.landmarks.get("mth5", ball_line(seating)[1])
    at = float(head[0]) - limits.value("keepout.fifth_base_behind") * seating.foot_length
    radius = limits.value("keepout.fifth_base_radius")
    low, _ = edges_at(seating.foot_outline, at)
    centre = float(low[0]) + radius / 2 if np.isfinite(low[0]) else float(head[1])
    return np.asarray(np.hypot(x - at, y - centre)), radius


def under_navicular(seating: Seating, x: Array, y: Array, limits: Limits) -> Array | None:
    """Return how high a support may be beside the navicular, mm; None where that is not known.

    Below it a support ends; away from it the rim may rise again, at 45 degrees.
    """
    mark = seating.landmarks.get("navicular")
    if mark is None:
        return None
    extra = limits.value("keepout.coverage") * seating.landmark_sd.get("navicular", 0.0)
    bed = float(np.nan_to_num(seating.bed.height(mark[:1], mark[1:2]))[0])
    top = max(float(mark[2]) - bed - limits.value("keepout.navicular_below"), 0.0)
    away = np.hypot(x - mark[0], y - mark[1]) - limits.value("keepout.navicular_radius") - extra
    return np.asarray(top + np.clip(away, 0.0, None))


def tender_spots(
    seating: Seating, x: Array, y: Array, spots: Sequence[tuple[float, float]], limits: Limits
) -> Array:
    """Return 1 over places marked by hand, 0 away from them, smooth between.

    Raises
    ------
    PlanError
        A spot lies off the foot.
    """
    import shapely

    radius, fade = limits.value("keepout.tender_radius"), limits.value("keepout.tender_fade")
    foot = shapely.Polygon(seating.foot_outline).buffer(radius)
    out = np.zeros(x.shape)
    for at in spots:
        if not foot.contains(shapely.Point(at)):
            raise PlanError(
                f"the tender spot at {at[0]:g}, {at[1]:g} mm lies off the foot; give mm from the "
                "base's rear edge and mm medial of its centreline"
            )
        t = np.clip((np.hypot(x - at[0], y - at[1]) - radius) / fade, 0.0, 1.0)
        out = np.maximum(out, 1.0 - t * t * (3.0 - 2.0 * t))
    return out
