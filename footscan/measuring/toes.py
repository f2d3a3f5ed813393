"""Heights of the first and fifth toe, for the room that a shoe must leave above them.

    points in the foot frame, ball breadth -> toe_height_1, toe_height_5 -> mm above the ground

Terms
    toe zone   a strip over a toe from its own tip backwards; its highest skin is the toe's height
"""

from __future__ import annotations

import numpy as np

from footscan.measuring.local_fit import Cloud, smooth_extreme
from footscan.scan import Array

__all__ = ["big_toe_side", "toe_height_1", "toe_height_5"]

# Toe zones: shares of ball breadth in from the big toe's side and from the lateral ball point,
# and share of length back from the toe's own tip. The fifth toe's tip is read in the middle of its
# strip, so that neither the fourth toe beside it nor a webbed outline stands in for it.
TOE1_STRIP, TOE1_BACK = (0.02, 0.22), 0.10
TOE5_STRIP, TOE5_MIDDLE, TOE5_BACK = (0.04, 0.16), (0.09, 0.15), 0.05
TOE_PATCH_MM = 6.0
TOE_SIDE_WINDOW = (0.87, 0.96)  # share of length in which the big toe's side is read


def big_toe_side(cloud: Cloud, length: float) -> Array:
    """Return the medial point of the big toe.

    Raises
    ------
    ValueError
        The toe is not in the scan.
    """
    points, (low, high) = cloud.points, TOE_SIDE_WINDOW
    x = points[:, 0] / length
    inside = (points[:, 2] <= 45.0) & (x > low) & (x < high)
    if inside.sum() < 12:
        raise ValueError("the big toe is not seen")
    return smooth_extreme(cloud, np.array([0.0, 1, 0]), inside, 6.0)


def toe_height_1(cloud: Cloud, length: float, breadth: float) -> float:
    """Return the height of the big toe: its highest skin above the ground, mm.

    The zone begins at the toe's own tip and runs back over 10 % of foot length, about nail and
    end joint; across it spans 2 to 22 % of ball breadth in from the toe's medial side.

    Parameters
    ----------
    cloud : Cloud
        Foot frame, mm.
    length, breadth : float
        Foot length and ball breadth, mm.

    Raises
    ------
    ValueError
        The big toe is not in the scan.
    """
    side = float(big_toe_side(cloud, length)[1])
    low, high = side - TOE1_STRIP[1] * breadth, side - TOE1_STRIP[0] * breadth
    try:
        return _toe_top(cloud, length, (low, high), (low, high), TOE1_BACK)
    except ValueError:
        raise ValueError("the big toe is not seen") from None


def toe_height_5(cloud: Cloud, fibulare: Array, length: float, breadth: float) -> float:
    """Return the height of the fifth toe: its highest skin above the ground, mm.

    The zone begins at the toe's tip and runs back over 5 % of foot length; across it spans 4 to
    16 % of ball breadth in from the lateral ball point (metatarsale fibulare).

    Raises
    ------
    ValueError
        The fifth toe is not in the scan.
    """
    edge = float(fibulare[1])
    strip = (edge + TOE5_STRIP[0] * breadth, edge + TOE5_STRIP[1] * breadth)
    middle = (edge + TOE5_MIDDLE[0] * breadth, edge + TOE5_MIDDLE[1] * breadth)
    try:
        return _toe_top(cloud, length, strip, middle, TOE5_BACK)
    except ValueError:
        raise ValueError("the fifth toe is not seen") from None


def _toe_top(
    cloud: Cloud,
    length: float,
    strip: tuple[float, float],
    middle: tuple[float, float],
    back: float,
) -> float:
    """Return the highest skin in `strip` (y), from the tip read in `middle` back, mm."""
    points = cloud.points
    x, y = points[:, 0], points[:, 1]
    core = (y >= middle[0]) & (y <= middle[1]) & (x > 0.7 * length)
    if core.sum() < 6:
        raise ValueError("the toe is not seen")
    bound = np.array([[-np.inf, middle[0], -np.inf], [np.inf, middle[1], np.inf]])
    ahead = np.array([1.0, 0, 0])
    tip = float(smooth_extreme(cloud, ahead, core, TOE_PATCH_MM, bound)[0])
    rear = tip - back * length
    # fitted to the strip's own skin: across a cleft lies the next toe
    skin = points[(y >= strip[0]) & (y <= strip[1]) & (x >= rear - TOE_PATCH_MM)]
    own = Cloud.of(skin[skin[:, 2] >= np.median(skin[:, 2])])
    zone = own.points[:, 0] >= rear
    if zone.sum() < 6:
        raise ValueError("the toe is not seen")
    box = np.array([[rear, strip[0], -np.inf], [tip, strip[1], np.inf]])
    return float(smooth_extreme(own, np.array([0.0, 0, 1]), zone, TOE_PATCH_MM, box)[2])
