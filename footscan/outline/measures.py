"""Measures of an outline, and what each is uncertain by.

    Marks + Budget -> measure -> dict of Measure

Three things add up in a deviation: the work on the picture, the sheet's own size, and the pen.
The pen's lean is the same all around, so that it counts twice in what lies between two borders,
and once in what lies between a border and a mark along it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from footscan.foot import HEEL_STATION
from footscan.outline.marks import Marks
from footscan.results import Landmark, Measure
from footscan.scan import Array

__all__ = ["AXIS_SD_DEG", "Budget", "landmarks", "measure"]

# mm, of the work on the picture (tests/benchmarks/trace_study.py: root mean square against the
# drawn line, rounded up)
WORK_SD = {
    "foot_length": 0.45,
    "foot_breadth": 0.40,
    "foot_breadth_diagonal": 0.50,
    "heel_to_ball_length": 2.5,
    "outside_ball_length": 3.0,
    "heel_breadth": 0.45,
    "heel_breadth_max": 0.45,
}
BORDERS = {  # how often the pen's lean counts
    "foot_length": 2,
    "foot_breadth": 2,
    "foot_breadth_diagonal": 2,
    "heel_to_ball_length": 1,
    "outside_ball_length": 1,
    "heel_breadth": 2,
    "heel_breadth_max": 2,
}
MARK_SD = {
    "pternion": 0.6,
    "acropodion": 0.8,
    "heel_centre": 0.6,
    "metatarsale_tibiale": 2.5,
    "metatarsale_fibulare": 3.0,
    "mth2": 5.0,
    "big_toe": 1.5,
}
AXIS_SD_DEG = 1.2  # the second head is not seen: 3 mm across, over some 160 mm
HEEL_SPAN = (0.10, 0.25)
METHODS = {
    "foot_length": "along the axis, outline less the pen",
    "foot_breadth": "across the axis, between the ball points",
    "foot_breadth_diagonal": "between the ball points",
    "heel_to_ball_length": "back of the heel to the inner ball point",
    "outside_ball_length": "back of the heel to the outer ball point",
    "heel_breadth": f"at {100 * HEEL_STATION:g} % of the length",
    "heel_breadth_max": "largest from 10 to 25 % of the length",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """What an outline is uncertain by.

    Attributes
    ----------
    scale : float
        Relative standard deviation of the sheet's size.
    pen : float
        mm, of the pen's allowance, all around.
    strokes : float
        mm, of the line's place: double strokes, gaps, a sheet that is not flat.
    """

    scale: float
    pen: float
    strokes: float

    def sd(self, name: str, value: float) -> float:
        """Return the standard deviation of a measure, mm."""
        parts = (
            WORK_SD[name],
            self.scale * value,
            BORDERS[name] * self.pen,
            math.sqrt(BORDERS[name]) * self.strokes,
        )
        return round(math.sqrt(sum(part**2 for part in parts)), 2)


def measure(marks: Marks, budget: Budget) -> dict[str, Measure]:
    """Return lengths and breadths of an outline, mm, and the ball line's angle."""
    points = marks.points
    inner, outer = points["metatarsale_tibiale"], points["metatarsale_fibulare"]
    station = HEEL_STATION * marks.length
    breadths = [_breadth(marks.ring, share * marks.length) for share in np.linspace(*HEEL_SPAN, 31)]
    values = {
        "foot_length": marks.length,
        "foot_breadth": float(inner[1] - outer[1]),
        "foot_breadth_diagonal": float(np.hypot(*(inner - outer))),
        "heel_to_ball_length": float(inner[0]),
        "outside_ball_length": float(outer[0]),
        "heel_breadth": _breadth(marks.ring, station),
        "heel_breadth_max": max(breadths),
    }
    found = {
        name: Measure(value=value, sd=budget.sd(name, value), method=METHODS[name])
        for name, value in values.items()
    }
    found["ball_line_angle"] = Measure(
        value=float(np.degrees(np.arctan2(inner[0] - outer[0], inner[1] - outer[1]))),
        unit="deg",
        sd=2.5,
        method="ball line against the perpendicular of the axis",
    )
    return found


def landmarks(marks: Marks, budget: Budget) -> dict[str, Landmark]:
    """Return the marks as landmarks on the ground, foot frame."""
    methods = {"mth2": "at its usual place by the ball points; not seen in an outline"}
    found = {}
    for name, xy in marks.points.items():
        sd = math.hypot(MARK_SD[name], budget.pen, budget.strokes, budget.scale * float(xy[0]))
        xyz = np.array([xy[0], xy[1], 0.0])
        found[name] = Landmark(
            xyz=xyz, sd=round(sd, 2), method=methods.get(name, "from the outline")
        )
    return found


def _breadth(ring: Array, x: float) -> float:
    """Return the breadth of a ring at a station."""
    ahead = np.roll(ring, -1, axis=0)
    over = (ring[:, 0] > x) != (ahead[:, 0] > x)
    a, b = ring[over], ahead[over]
    y = a[:, 1] + (x - a[:, 0]) / (b[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    return float(np.ptp(y)) if len(y) else 0.0
