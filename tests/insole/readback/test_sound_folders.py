"""Good folders are read without a word, whatever the plan; letters are read at every turn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.output import folder
from insole.output.cut import cutting
from insole.output.settings import Settings
from insole.parts.build import all_parts
from insole.readback.letters import Shape, read_rows, take_arrows
from insole.record.planned_parts import WedgePlace
from tests.plans import sample_foot, sample_plan

Wedges = tuple[tuple[WedgePlace, float], ...]
FORE, HEEL, UNDER = WedgePlace.FOREFOOT, WedgePlace.HEEL, WedgePlace.UNDER


@pytest.mark.long
@pytest.mark.parametrize(
    ("length", "left", "right", "how"),
    [
        (245.0, ((FORE, -3.0), (HEEL, -2.0)), ((UNDER, 2.0),), {}),
        (300.0, ((HEEL, 3.0), (UNDER, -2.0)), ((FORE, -1.0),), {"layers": True, "kerf": 0.2}),
    ],
)
def test_other_plans_are_read_without_a_word(
    tmp_path: Path, length: float, left: Wedges, right: Wedges, how: dict[str, Any]
) -> None:
    feet = {
        "left": sample_foot("left", length=length, wedges=left, pad_height=8.0),
        "right": sample_foot("right", length=length, wedges=right, pad_height=12.0),
    }
    plan = sample_plan(case="K right_é 12").model_copy(update=feet)
    settings = Settings(papers=("letter",), **how)
    assert folder.write(plan, all_parts(plan), tmp_path, settings=settings).is_dir()


def written(text: str, turn: float, size: float) -> list[Shape]:
    lines = cutting.lettering(text, size, (5.0, 7.0), turn=turn)
    return [Shape(np.asarray(line)) for line in lines if len(line) > 1]


@pytest.mark.parametrize("turn", [0.0, 12.4, 90.0, 180.0, 233.0, 270.0])
@pytest.mark.parametrize("size", [2.0, 3.0, 7.5])
def test_letters_are_read_at_every_turn_and_size(turn: float, size: float) -> None:
    for text in (
        "LEFT ARCH PAD",
        "RIGHT HEEL SHIM",
        "2° VALGUS",
        "THICK EDGE 3.9 MM",
        "L PAD 8/10",
        "BIG-TOE SIDE, WEDGE-TPU,",
        "KRONQWXYZ 1234567890",
    ):
        rows = read_rows(written(text, turn, size))
        assert [row.text for row in rows] == [text]
        along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        assert rows[0].along == pytest.approx(along, abs=0.01)
        assert rows[0].height == pytest.approx(size, rel=0.01)


@pytest.mark.parametrize("turn", [0.0, 90.0, 215.0])
def test_an_arrow_points_from_heel_to_toe(turn: float) -> None:
    arrows, rest = take_arrows(written(">", turn, 5.0))
    along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    assert len(arrows) == 1
    assert arrows[0].along == pytest.approx(along, abs=1e-6)
    assert not any(len(shape.points) for shape in rest)


@pytest.mark.parametrize("text", ["LEFT", "RIGHT", "FOREFOOT SHIM", "2° VARUS"])
def test_mirrored_letters_are_not_read(text: str) -> None:
    shapes = [Shape(shape.points * [-1.0, 1.0]) for shape in written(text, 0.0, 5.0)]
    assert [row.text for row in read_rows(shapes)] != [text]
