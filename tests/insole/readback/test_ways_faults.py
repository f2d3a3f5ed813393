"""Ways and amounts in words: one of them said otherwise on a page is noticed by the reader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from footscan.scan import Side
from insole.errors import OutputError
from insole.output import contents
from insole.output.settings import folder_name
from insole.parts.part import Part
from insole.readback.pages import read_pages
from insole.readback.paper_ways import check_bolts, check_ways, check_whose
from insole.readback.told import Told
from insole.readback.workshop import check_measures
from insole.record.plan import Plan, to_json
from tests.insole.readback.conftest import SETTINGS
from tests.plans import sample_plan


@pytest.fixture(scope="module")
def said(
    made: tuple[Plan, list[Part], Path], tmp_path_factory: pytest.TempPathFactory
) -> dict[tuple[str, int], tuple[str, Told]]:
    """Return text and plan of the papers of both feet, and of the right one alone."""
    both, parts, place = made
    right, out = sample_plan(under=True, sides=("right",)), tmp_path_factory.mktemp("papers")
    (out / "paper").mkdir()
    mine = [part for part in parts if part.side is Side.RIGHT]
    for item in contents.items(right, mine, SETTINGS):
        if item.path.startswith(("paper/bench", "paper/report", "paper/plan")):
            item.write(out / item.path)
    found = {}
    for plan, folder in ((right, out), (both, place)):
        told = Told.of(json.loads(to_json(plan)), folder_name(plan), {})
        for path in (folder / "paper").glob("*.pdf"):
            name = path.name.partition("-")[0]
            if name in ("bench", "report", "plan"):
                text = " ".join(page.text for page in read_pages(path))
                found[name, len(told.feet)] = text, told
    return found


def check(paper: str, text: str, told: Told) -> None:
    if len(told.feet) == 1:
        check_ways(paper, text, told.feet[0])
        check_bolts(paper, text, str(told.feet[0]["side"]), told)
    if paper == "bench":
        check_whose(paper, text, told.feet)
    if paper != "bench":
        check_measures(paper, text, told)


@pytest.mark.parametrize("feet", [1, 2])
@pytest.mark.parametrize("paper", ["bench", "report", "plan"])
def test_papers_as_they_are_say_what_the_plan_says(said: Any, paper: str, feet: int) -> None:
    check(paper, *said[paper, feet])


@pytest.mark.parametrize(
    ("paper", "feet", "old", "new", "sentence"),
    [
        (
            "bench",
            1,
            "Nose 3° to big-toe",
            "Nose 3° to little-toe",
            "nose is said to turn 3° to the",
        ),
        (
            "bench",
            1,
            "Nose 3°",
            "Nose 5°",
            "nose is said to turn 5° to the big toe, the plan says 3.0",
        ),
        (
            "report",
            1,
            "nose 3° to the big-toe",
            "nose 3° to the little-toe",
            "nose is said to turn",
        ),
        ("plan", 1, "nose 3° to the big-toe", "nose 3° to the little-toe", "nose is said to turn"),
        ("bench", 1, "Turn 3°, front to the big", "Turn 3°, front to the little", "pad is said to"),
        (
            "plan",
            1,
            "turn 3°, front to the big",
            "turn 4°, front to the big",
            "pad is said to turn 4",
        ),
        (
            "bench",
            1,
            "10: 10.0 mm high",
            "10: 12.0 mm high",
            "support is said 12.0 mm high, the plan",
        ),
        ("report", 1, "10.0 mm high at its", "9.0 mm high at its", "support is said 9.0 mm high"),
        ("bench", 1, "Fills 80 %", "Fills 90 %", "support is said to fill 90 % of the gap"),
        ("report", 1, "It fills 80 %", "It fills 20 %", "said to fill 20 % of the gap"),
        ("bench", 1, "2.5 ± 1.5 mm left", "0.5 ± 1.5 mm left", "said to leave 0.5 mm open"),
        ("report", 1, "2.5 ± 1.5 mm stay", "5.2 ± 1.5 mm stay", "said to leave 5.2 mm open"),
        (
            "bench",
            1,
            "Saddle 1.5 ± 0.5 mm up",
            "Saddle 1.5 ± 0.5 mm down",
            "goes? 1.5 mm down|to go",
        ),
        ("report", 1, "1.5 ± 0.5 mm up", "1.5 ± 0.5 mm down", "saddle is said to go 1.5 mm down"),
        (
            "report",
            1,
            "Saddle: 1.5",
            "Saddle: 2.5",
            "saddle is said to go 2.5 mm up, the plan says 1.5",
        ),
        (
            "bench",
            2,
            "Saddle 1.5 mm up.",
            "Saddle 1.5 mm down.",
            "moves come to -1.5 mm, not .1.5 mm",
        ),
        (
            "bench",
            2,
            "Saddle 1.5 mm up.",
            "Saddle 3.0 mm up.",
            "moves come to .3.0 mm, not .1.5 mm",
        ),
        (
            "bench",
            1,
            "Thin edge 0.5 mm;",
            "Thin edge 1.5 mm;",
            "shim is said 1.5 mm at its thin edge",
        ),
        ("bench", 1, "96 mm wide", "69 mm wide", "shim is said 69 mm wide, the plan says 95.6"),
        (
            "plan",
            1,
            "0.5 mm at the thin one",
            "1.5 mm at the thin one",
            "no shim of 3.8 mm and 1.5 mm",
        ),
        (
            "report",
            1,
            "the ball of the foot, 2°",
            "the ball of the foot, 3°",
            "no wedge under the ball",
        ),
        (
            "report",
            1,
            "3.8 mm thick at",
            "2.8 mm thick at",
            "no wedge .* of 2°, 2.8 mm thick at the big",
        ),
        (
            "report",
            1,
            "at the little-toe side. Cl",
            "at the big-toe side. Cl",
            "between shoe and cleat",
        ),
        (
            "report",
            1,
            "under the ball of the foot, 2",
            "under the heel, 2",
            "no wedge under the heel of",
        ),
        ("report", 1, "Arch apex ◇ 129", "Arch apex ◇ 139", "apex of the arch is said at 139 mm"),
        (
            "bench",
            1,
            "MTH1 ± 1.6 mm: feel",
            "MTH1 ± 0.6 mm: feel",
            "joint is said to be known to 0.6",
        ),
        ("report", 1, "Base 1.5 mm thick", "Base 2.5 mm thick", "base is said 2.5 mm thick"),
        ("bench", 1, "front 12 2.6", "front 12 3.6", "shim at the front bolt is said 3.6 mm"),
        ("bench", 1, "14.6 16, cut", "13.6 16, cut", "12 mm and 2.6 mm are not 13.6 mm"),
        ("bench", 1, "16, cut 1.4", "16, cut 2.4", "16 mm less 2.4 mm are not 14.6 mm"),
        ("bench", 1, "14.6 16, cut 1.4", "14.6 14", "14 mm less 0 mm are not 14.6 mm"),
        (
            "bench",
            1,
            "rear, big-toe side 12 2.2",
            "rear, little-toe side 12 2.2",
            "bolt is said 2.2 mm",
        ),
        (
            "bench",
            1,
            "rear, big-toe side 12 2.2",
            "front, big-toe side 12 2.2",
            "bolt is said 2.2 mm",
        ),
        (
            "bench",
            2,
            "LEFT inside heel:",
            "RIGHT inside heel:",
            "puts a shim inside heel into the RIGHT",
        ),
        (
            "bench",
            2,
            "RIGHT inside forefoot:",
            "RIGHT inside heel:",
            "shim inside heel into the RIGHT",
        ),
        (
            "bench",
            2,
            "RIGHT under the shoe",
            "LEFT under the shoe",
            "under the shoe into the LEFT shoe",
        ),
        (
            "bench",
            2,
            "5a wedge LEFT: LEFT",
            "5a wedge RIGHT: LEFT",
            "inside heel into the LEFT shoe",
        ),
        ("plan", 1, "taper 25 mm back", "taper 15 mm back", "no shim that tapers 15.0 and 20.0 mm"),
        ("plan", 1, "back, 20 mm front", "back, 30 mm front", "no shim that tapers 25.0 and 30.0"),
        ("plan", 1, "Wish 2.4° varus", "Wish 2.4° valgus", "no wedge wished 2.4° valgus"),
        ("plan", 1, "0.4° varus left", "1.4° varus left", "no wedge wished 2.4° varus"),
        (
            "plan",
            1,
            "a gap of 12.5",
            "a gap of 15.5",
            "gap under the arch is said 15.5 mm, the plan",
        ),
        (
            "plan",
            1,
            "crest: 2.5 ±",
            "crest: 3.5 ±",
            "gap under the arch is said 3.5 mm, the plan says",
        ),
        ("plan", 1, "float 6°", "float 9°", "cleat is said to float 9°, the plan says 6.0"),
        ("plan", 1, "Base 1.5 mm, traced", "Base 2.5 mm, traced", "base is said 2.5 mm thick"),
        (
            "report",
            2,
            "−2.0 ± 0.8 mm right",
            "+2.0 ± 0.8 mm right",
            "268.0 less 270.0 is said to be .2.0",
        ),
        (
            "report",
            2,
            "−2.0 ± 0.8 mm right",
            "−2.0 ± 0.8 mm left",
            "of 268.0 and 270.0 mm the left is",
        ),
    ],
)
def test_a_way_or_an_amount_said_otherwise(
    said: Any, paper: str, feet: int, old: str, new: str, sentence: str
) -> None:
    text, told = said[paper, feet]
    assert old in text, text
    with pytest.raises(OutputError, match=sentence):
        check(paper, text.replace(old, new, 1), told)
