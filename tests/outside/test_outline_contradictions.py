"""Typed girths against outlines: what real people measure is no contradiction.

Rows and shares: ANSUR II 2012 (Gordon et al. 2014, NATICK/TR-15/007), computed from the public
tables: man 10027 and woman 10037; ball girth per breadth 2.475 ± 0.065 (men), 1 to 99 % 2.321 to
2.634, women from 2.306.
Papers: A4 is 210 by 297 mm (ISO 216), Letter 8.5 by 11 inches (ANSI/ASME Y14.1); values from
memory.
"""

from __future__ import annotations

import pytest

from footscan.outline.paper import PAPERS
from footscan.outline.typed import Typed, contradictions
from footscan.results import Measure


def outline(length, breadth):
    return {
        "foot_length": Measure(value=length, sd=1.5),
        "foot_breadth": Measure(value=breadth, sd=1.2),
    }


@pytest.mark.parametrize(("length", "breadth", "girth"), [(273, 101, 253), (246, 91, 222)])
def test_two_people_of_the_survey_contradict_nothing(length, breadth, girth):
    assert (
        contradictions(Typed(ball_girth=girth, foot_length=length), outline(length, breadth)) == []
    )


@pytest.mark.parametrize(
    ("per_breadth", "codes"),
    [
        (2.475, []),
        (2.33, []),
        (2.62, []),
        (2.20, ["girth-against-breadth"]),
        (2.76, ["girth-against-breadth"]),
        (1.80, ["girth-impossible"]),
    ],
)
def test_girths_outside_nearly_all_people_are_findings(per_breadth, codes):
    found = contradictions(Typed(ball_girth=per_breadth * 101.0), outline(273.0, 101.0))
    assert [f.code for f in found] == codes


def test_a_270_mm_outline_with_a_180_mm_girth_cannot_be():
    (found,) = contradictions(Typed(ball_girth=180.0), outline(270.0, 101.0))
    assert found.code == "girth-impossible"
    assert found.severity.value == "scan again"
    assert "180 mm" in found.text
    assert "270 mm" in found.text


def test_the_papers_are_the_standards():
    assert (PAPERS["a4"].short, PAPERS["a4"].long) == (210.0, 297.0)
    assert (PAPERS["letter"].short, PAPERS["letter"].long) == pytest.approx((8.5 * 25.4, 11 * 25.4))
    assert PAPERS["a4-pair"].short == PAPERS["a4"].long
    assert PAPERS["a4-pair"].long == 2 * PAPERS["a4"].short
    assert PAPERS["letter-pair"].long == 2 * PAPERS["letter"].short
    assert PAPERS["a4"].off == 2.0
