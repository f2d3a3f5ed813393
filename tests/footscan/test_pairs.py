"""Left against right: what counts as a difference, and what is said when feet are not alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from footscan.checking.pairs import cautions, differences, with_unit
from footscan.errors import SideError
from footscan.results import Measure, MeasuredFoot
from footscan.scan import Kind, Load


@pytest.fixture
def pair(left, clean):
    """Return a function that gives a left and a right foot with these measures."""

    def make(mine: dict[str, Measure], other: dict[str, Measure], **changes) -> tuple:
        right = replace(clean, measures=other, foot=replace(clean.foot, **changes))
        return replace(left, measures=mine), right

    return make


def mm(value: float, sd: float) -> Measure:
    return Measure(value=value, unit="mm", sd=sd, method="made")


def by_name(pair: tuple[MeasuredFoot, MeasuredFoot]):
    return {d.measure: d for d in differences(*pair)}


def test_difference_and_its_deviation(pair):
    """3-4-5: deviations of 0.3 and 0.4 mm are 0.5 mm together."""
    (found,) = differences(*pair({"foot_length": mm(266.0, 0.3)}, {"foot_length": mm(270.0, 0.4)}))
    assert (found.left, found.right) == (266.0, 270.0)
    assert found.difference == pytest.approx(-4.0)
    assert found.sd == pytest.approx(0.5)
    assert (found.unit, found.exceeds, found.comparable) == ("mm", True, True)
    assert found.sentence == "foot length: right larger by 4.0 mm (beyond ± 1.0 mm)"


@pytest.mark.parametrize(("gap", "exceeds"), [(0.999, False), (1.001, True), (-1.001, True)])
def test_two_deviations_are_the_limit(pair, gap, exceeds):
    found = by_name(pair({"foot_breadth": mm(100.0 + gap, 0.3)}, {"foot_breadth": mm(100.0, 0.4)}))
    assert found["foot_breadth"].exceeds is exceeds
    words = "larger by" if exceeds else "no difference beyond ± 1.0 mm"
    assert words in found["foot_breadth"].sentence


def test_what_one_foot_lacks_is_said(pair):
    gone = Measure(unit="mm", reason="the section is open")
    found = by_name(pair({"ball_girth": gone}, {"ball_girth": mm(250.0, 0.8), "only": mm(1, 1)}))
    girth = found["ball_girth"]
    assert (girth.left, girth.right, girth.difference, girth.exceeds) == (None, 250.0, None, False)
    assert girth.sentence == "ball girth: not compared; left foot: the section is open"
    assert found["only"].sentence.endswith("left foot: it was not measured")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"load": Load.NONE}, "left foot was scanned with load half, the right with none"),
        ({"kind": Kind.HANGING}, "of a standing foot, the right of a foot in the air"),
        ({"axis_method": "tip of the second toe"}, "axes were found in different ways"),
    ],
)
def test_feet_that_were_not_scanned_alike(pair, changes, words):
    feet = pair({"foot_length": mm(266.0, 0.3)}, {"foot_length": mm(270.0, 0.4)}, **changes)
    (caution,) = cautions(*feet)
    assert words in caution
    (found,) = differences(*feet)
    assert not found.comparable
    assert found.exceeds  # the numbers differ; that it is the feet is what cannot be said
    assert found.sentence.endswith("the feet were not scanned alike")


def test_a_specimen_and_its_mirror_image_do_not_differ(left, clean):
    """One shape scanned as a left and as a right foot: by chance 1 in 20 may stand out."""
    assert cautions(left, clean) == ()
    found = differences(left, clean)
    both = [d for d in found if d.difference is not None]
    assert len(both) >= 20
    assert sum(d.exceeds for d in both) <= 1
    assert {d.measure for d in found} == set(clean.measures)
    for d in both:
        assert d.difference == pytest.approx(d.left - d.right)
        assert d.sd == pytest.approx(
            np.hypot(left.measures[d.measure].sd, clean.measures[d.measure].sd)
        )


def test_swapped_feet_are_refused(left, clean):
    with pytest.raises(SideError, match="a left and a right foot, got right and left"):
        differences(clean, left)
    with pytest.raises(SideError, match="got right and right"):
        differences(clean, clean)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [(2.04, "mm", "2.0 mm"), (-1.26, "deg", "-1.3°"), (0.2349, "", "0.235"), (32.0, "%", "32.0 %")],
)
def test_units_stand_as_usual(value, unit, words):
    assert with_unit(value, unit) == words
