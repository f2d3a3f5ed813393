"""Base outlines that nobody traced: fair at toes and heel, around the foot, not too large."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from footscan.results import MeasuredFoot
from footscan.scan import Array
from insole.planning import outline
from insole.planning.outline import Layout, lay_out
from insole.record.limits import default_limits
from insole.shoe.shoe import parse
from tests import feet
from tests.plans import bed_ring

LIMITS = default_limits()
SHOE = {
    "name": "measured",
    "inside": {"length": 282, "ball_width": 110, "heel_width": 76},
    "bed": {"drop": 0},
}


@cache
def toed() -> MeasuredFoot:
    return feet.specimen()


def dents(ring: Array, low: float, high: float) -> float:
    """Return the area between a stretch of a ring and its convex hull, mm2: 0 when convex."""
    piece = shapely.Polygon(ring).intersection(shapely.box(low, -200, high, 200))
    return float(piece.convex_hull.area - piece.area)


def ball_of(layout: Layout) -> float:
    """Return the station of the ball line's middle in the bed frame."""
    marks = [toed().landmarks[n].xyz for n in ("metatarsale_tibiale", "metatarsale_fibulare")]
    x, y = np.mean([mark[:2] for mark in marks], axis=0)
    return float((layout.foot_to_bed @ [x, y, 1.0])[0])


def dented() -> Array:
    """Return an ellipse of 260 by 116 mm with lobes at one end and a dent at the other."""
    t = np.linspace(0.0, 2 * np.pi, 720, endpoint=False)
    lobes = 1.0 + 0.02 * np.cos(10 * t) * np.clip(np.cos(t), 0.0, None) ** 4
    dent = 1.0 - 0.05 * np.exp(-(((t - np.pi) / 0.12) ** 2))
    return np.column_stack([130 + 130 * lobes * dent * np.cos(t), 58 * lobes * np.sin(t)])


@pytest.mark.parametrize("shoe", [None, SHOE], ids=["no shoe", "measured"])
def test_toe_and_heel_lines_are_convex(shoe):
    layout = lay_out(toed(), None if shoe is None else parse(shoe), LIMITS)
    length, ball = float(layout.base[:, 0].max()), ball_of(layout)
    assert dents(layout.foot, ball, 400.0) > 100.0  # the toes are seen in the foot's outline
    # a chord of 100 mm with a sag of 0.01 mm encloses 0.7 mm2: no straightedge shows it
    assert dents(layout.base, ball, 400.0) < 0.7
    assert dents(layout.base, -10.0, 0.2 * length) < 0.7


def test_the_base_holds_the_foot_and_stays_within_the_allowance():
    layout = lay_out(toed(), None, LIMITS)
    trim = LIMITS.value("base.trim_allowance")
    ahead = trim + LIMITS.value("base.toe_allowance")
    behind = trim + LIMITS.value("seating.heel_clearance")
    base, foot = shapely.Polygon(layout.base), shapely.Polygon(layout.foot)
    assert base.contains(foot)
    rear, low, front, high = np.array(base.bounds) - foot.bounds
    # smoothing over 4 mm takes a tenth off the tips
    assert (-rear, front) == pytest.approx((behind, ahead), abs=0.3)
    assert (-low, high) == pytest.approx((trim, trim), abs=0.3)
    assert foot.convex_hull.buffer(ahead + 0.1).contains(base)
    heel = shapely.Polygon(layout.base[layout.base[:, 0] < 60.0]).convex_hull
    assert foot.convex_hull.buffer(behind + 0.1).contains(heel)


def test_fairing_fills_dents_only():
    ring = dented()
    fair = outline._fair(ring, 185.0)
    x0, x1 = ring[:, 0].min(), ring[:, 0].max()
    share = outline.HEEL_CONVEX_SHARE
    heel_x = x0 + share * (x1 - x0)
    assert dents(ring, 185.0, 400.0) > 5.0
    assert dents(ring, -10.0, heel_x) > 20.0
    assert dents(fair, 185.0, 400.0) < 0.7
    assert dents(fair, -10.0, heel_x - 1.0) < 0.7
    before, after = shapely.Polygon(ring), shapely.Polygon(fair)
    # lobes of 3 mm radius, sharper than any toe, are rounded off by about a millimetre
    assert before.difference(after).buffer(-0.5).is_empty
    assert after.bounds == pytest.approx(before.bounds, abs=1.2)
    middle = shapely.box(heel_x + 15, -100, 170, 100)
    assert after.intersection(middle).area == pytest.approx(
        before.intersection(middle).area, rel=2e-3
    )


def test_a_traced_outline_stays_as_it_was_traced():
    ring = bed_ring(282.0)
    ring[:, 1] *= 1.0 - 0.08 * np.exp(-(((ring[:, 0] - 30.0) / 8.0) ** 2))  # a waist at the heel
    traced = replace(parse(SHOE), outline=ring)
    layout = lay_out(toed(), traced, LIMITS)
    assert "traced in" in layout.source
    apart = shapely.Polygon(layout.base).symmetric_difference(shapely.Polygon(ring))
    assert apart.area < 0.002 * shapely.Polygon(ring).area  # resampled every 1.5 mm
    assert dents(layout.base, -10.0, 50.0) > 3.0
