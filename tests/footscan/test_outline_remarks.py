"""What is said about a traced foot: which words, of which size, and when nothing is said."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from footscan.outline.asked import Asked
from footscan.outline.paper import PAPERS
from footscan.outline.remarks import findings
from footscan.results import Measure, Severity
from footscan.scan import Load


def said(
    length: float = 260.0,
    breadth: float = 98.0,
    *,
    paper: str = "a4-pair",
    off: int = 0,
    gap: float = 0.0,
    apart: Any = (0.0,),
    inner: Any = (False,),
    **asked: Any,
) -> dict[str, Any]:
    """Return the findings by their codes."""
    sheet = SimpleNamespace(
        paper=SimpleNamespace(key=paper, long=PAPERS[paper].long, off=off, words="two A4 sheets")
    )
    drawn = SimpleNamespace(
        longest_gap=gap, strokes_apart=np.array(apart), inner_taken=np.array(inner)
    )
    values = {
        "foot_length": Measure(value=length, sd=1.0, unit="mm"),
        "foot_breadth": Measure(value=breadth, sd=1.0, unit="mm"),
    }
    wanted = Asked(**{"load": Load.HALF, "barrel": 7.0, **asked})
    return {one.code: one for one in findings(sheet, drawn, values, wanted)}


def test_a_sound_outline_says_what_it_is_and_no_more() -> None:
    found = said()
    assert list(found) == ["from-an-outline"]
    assert "no heights and no sole" in found["from-an-outline"].text


def test_a_pen_that_is_not_stated_costs_a_band_of_95_percent() -> None:
    """Half of 7 mm; 1.96 times the root of 0.5² (lean) and 0.7² (barrel) is 1.7 mm."""
    found = said(barrel=None)
    assert "taken as 7 mm thick, its line 3.5 ± 1.7 mm outside" in found["pen-not-stated"].text


@pytest.mark.parametrize(("gap", "there"), [(8.0, False), (9.0, True)])
def test_a_gap_is_said_with_its_length(gap: float, there: bool) -> None:
    found = said(gap=gap)
    assert ("gap-bridged" in found) == there
    assert not there or "the longest 9 mm" in found["gap-bridged"].text


@pytest.mark.parametrize(
    ("inner", "words"),
    [
        ([False] * 10, "their middle was taken"),
        ([True] * 6 + [False] * 4, "the inner one, nearer to the foot, was taken"),
        (
            [True] * 3 + [False] * 7,
            "was taken where one runs outside the other for long, else their middle",
        ),
    ],
)
def test_a_line_drawn_twice_says_which_was_taken(inner: list[bool], words: str) -> None:
    apart = [2.4, 3.1, 1.0, 1.0, 1.0, 1.0] + [0.0] * 4
    text = said(apart=apart, inner=inner)["double-stroke"].text
    assert "on 60 % of its way, up to 3.1 mm apart" in text
    assert words in text


def test_two_sheets_unknown_load_and_one_sheet_are_said() -> None:
    assert "the scale comes from two A4 sheets" in said(off=4)["two-sheets"].text
    assert "two-sheets" not in said(off=3)
    assert "load-unknown" in said(load=Load.UNKNOWN)
    # two A4 along their long sides are 420 mm long, one is 297
    pair = PAPERS["a4-pair"].long / PAPERS["a4"].long
    found = said(200.0, 80.0, paper="a4")["one-sheet-taken"]
    assert f"the foot would be {200.0 * pair:.0f} mm long" in found.text
    assert "one-sheet-taken" not in said(240.0, 90.0, paper="a4")  # nobody's foot


@pytest.mark.parametrize(
    ("length", "breadth", "code", "severity"),
    [
        (197.0, 80.0, "length-unusual", Severity.MEASURING),
        (324.0, 120.0, "length-unusual", Severity.MEASURING),
        (260.0, 80.0, "proportion", Severity.AGAIN),
        (260.0, 118.0, "proportion", Severity.AGAIN),
    ],
)
def test_a_size_or_proportion_that_feet_do_not_have_is_said(
    length: float, breadth: float, code: str, severity: Severity
) -> None:
    found = said(length, breadth)
    assert list(found) == ["from-an-outline", code]
    assert found[code].severity is severity
    assert list(said(198.0, 80.0)) == list(said(323.0, 120.0)) == ["from-an-outline"]
