"""Wedge rises against h = w tan t, computed elsewhere.

Source: worked values of the ramp h = w tan(t), computed independently of this project (tag CALC);
the two clinical wedge heights are those of Lewinson et al. 2015, PLoS ONE e0134461 (tag READ),
turned into degrees over 80 mm (tag CALC). Given to 0.001 mm or degree, so half of that is allowed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from insole.planning.wedge_rules import WedgeWish, rise
from insole.planning.wedging import plan_wedges
from insole.record.limits import default_limits
from insole.record.planned_parts import WedgePlace
from insole.shoe.shoe import Shoe

ROUNDED = 5.1e-4
# wide open, so that research extremes can be planned too
OPEN = default_limits().changed(
    wedge__step=0.5,
    wedge__forefoot__refuse_deg=90,
    wedge__forefoot__refuse_mm=99,
    wedge__sum_refuse=90,
    wedge__inset=0.0,
)
SHOE = Shoe(name="level", inside_length=280, ball_width=100, heel_width=66, drop=0)
MARKS = {"mth1": np.array([195.0, 34.0, 0.0]), "mth5": np.array([167.0, -36.0, 0.0])}
RISES = [
    (80, 1, 1.396),
    (80, 1.5, 2.095),
    (80, 2, 2.794),
    (80, 3, 4.193),
    (80, 4, 5.594),
    (80, 5, 6.999),
    (80, 10, 14.106),
    (100, 1, 1.746),
    (100, 2, 3.492),
    (100, 4, 6.993),
]


@pytest.mark.parametrize(("width", "angle", "expected"), RISES)
def test_rise_is_width_times_tangent(width, angle, expected):
    assert rise(width, angle) == pytest.approx(expected, abs=ROUNDED)
    assert rise(width, -angle) == pytest.approx(expected, abs=ROUNDED)


@pytest.mark.parametrize(("width", "angle", "expected"), RISES)
@pytest.mark.parametrize("sign", [1, -1])
def test_planned_thick_edge_is_the_rise_on_top_of_the_thin_edge(width, angle, expected, sign):
    bed = np.array([(0, -0.5), (280, -0.5), (280, 0.5), (0, 0.5)]) * [1, width]
    result = plan_wedges(
        landmarks=MARKS,
        landmark_sd={},
        outline=bed,
        length=265.0,
        shoe=SHOE,
        wishes=WedgeWish(forefoot=sign * angle),
        limits=OPEN,
    )
    (wedge,) = result.wedges
    assert wedge.width == pytest.approx(width)
    assert wedge.thick_edge - wedge.edge == pytest.approx(expected, abs=2 * ROUNDED)
    assert wedge.thick_side == ("big-toe side" if sign > 0 else "little-toe side")
    assert result.net(WedgePlace.FOREFOOT) == sign * angle


@pytest.mark.parametrize(
    ("height", "width", "angle"), [(3, 80, 2.148), (6, 80, 4.289), (5, 70, 4.086)]
)
def test_angle_of_a_known_height(height, width, angle):
    assert rise(width, angle) == pytest.approx(height, abs=width * math.radians(ROUNDED) * 1.01)


def test_volume_of_a_plain_ramp():
    """Block 80 x 60 mm under 2 degrees: 6704.8 mm3 (tag CALC) = half of width x rise x length."""
    assert rise(80, 2) * 80 * 60 / 2 == pytest.approx(6704.8, abs=0.05)


def test_middle_of_a_wedge_rises_by_half():
    """A wedge raises one edge by w tan t and its centre by half of that (tag CALC)."""
    from insole.planning.cleat import bolts
    from insole.shoe.shoe import CleatSlots

    shoe = Shoe(
        name="t",
        inside_length=280,
        ball_width=100,
        heel_width=66,
        drop=0,
        slots=CleatSlots(holes=((0, 20), (0, 0), (0, -20))),
    )
    bed = np.array([(0, -50), (280, -50), (280, 50), (0, 50)], dtype=float)
    (wedge,) = plan_wedges(
        landmarks=MARKS,
        landmark_sd={},
        outline=bed,
        length=265.0,
        shoe=shoe,
        wishes=WedgeWish(under=2.0),
        limits=OPEN,
    ).wedges
    high, middle, low = (b.added for b in bolts(shoe.slots, wedge, OPEN))
    assert middle - wedge.edge == pytest.approx(
        wedge.width * math.tan(math.radians(2)) / 2, abs=1e-3
    )
    assert high - low == pytest.approx(40 * math.tan(math.radians(2)))
