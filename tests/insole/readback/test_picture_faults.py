"""The placement picture: a foot under the other one's name and a wrong thick edge are refused."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from insole.errors import OutputError
from insole.output.pictures.plan_view import write_placement
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.readback.pictures import check_placement
from insole.readback.told import Told
from insole.record.plan import Plan
from tests import feet
from tests.plans import sample_plan

HEAD = 0.1  # of the height: the feet's names


@lru_cache(maxsize=1)
def bed_beside_pad() -> Plan:
    right = FootWish.of(contoured="full", support_level=0.8, heel=2.0)
    wishes = PlanWishes(left=FootWish.of(forefoot=2.0), right=right, case="bed")
    return planner.plan(
        feet.analytic(side="left", arch=15.0), feet.analytic(arch=13.0), None, wishes
    )


PLANS: dict[str, Callable[[], Plan]] = {
    "wedges": lambda: sample_plan(under=True),
    "right": lambda: sample_plan(sides=("right",)),
    "left": lambda: sample_plan(sides=("left",)),
    "bare": lambda: sample_plan(wedges=False, pad_height=None),
    "bed": bed_beside_pad,
}


@lru_cache(maxsize=len(PLANS))
def drawn(name: str, folder: Path) -> tuple[Path, dict[str, Any]]:
    """Return the picture of a plan and the plan as JSON."""
    plan, path = PLANS[name](), folder / f"{name}.png"
    write_placement(path, plan)
    return path, json.loads(plan.model_dump_json())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pictures")


def told(record: dict[str, Any]) -> Told:
    return Told.of(record, f"{record['case']}-v1")


def changed(path: Path, change: Callable[[np.ndarray], np.ndarray]) -> Path:
    """Return a copy of a picture with its pixels changed."""
    new = path.with_name("changed.png")
    Image.fromarray(change(np.array(Image.open(path).convert("RGB")))).save(new)
    return new


@pytest.mark.parametrize("name", PLANS)
def test_a_picture_as_it_was_drawn_is_read_without_a_word(folder: Path, name: str) -> None:
    path, record = drawn(name, folder)
    check_placement(path, told(record))


def names_exchanged(pixels: np.ndarray) -> np.ndarray:
    """Return a picture whose halves are exchanged above its feet."""
    head, half = int(HEAD * len(pixels)), pixels.shape[1] // 2
    return np.concatenate([np.roll(pixels[:head], half, axis=1), pixels[head:]])


def test_the_names_exchanged_are_refused(folder: Path) -> None:
    path, record = drawn("wedges", folder)
    with pytest.raises(OutputError, match="names RIGHT, LEFT, the plan has LEFT, RIGHT"):
        check_placement(changed(path, names_exchanged), told(record))


def test_feet_exchanged_below_their_names_are_refused(folder: Path) -> None:
    def swapped(pixels: np.ndarray) -> np.ndarray:
        return np.roll(names_exchanged(pixels), pixels.shape[1] // 2, axis=1)

    path, record = drawn("bare", folder)
    with pytest.raises(OutputError, match="the left foot is drawn as the other one"):
        check_placement(changed(path, swapped), told(record))


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_foot_mirrored_below_its_name_is_refused(folder: Path, side: str) -> None:
    def mirrored(pixels: np.ndarray) -> np.ndarray:
        head = int(HEAD * len(pixels))
        pixels[head:] = pixels[head:, ::-1]
        return pixels

    path, record = drawn(side, folder)
    with pytest.raises(OutputError, match=f"the {side} foot is drawn as the other one"):
        check_placement(changed(path, mirrored), told(record))


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_other_foot_s_picture_is_refused(folder: Path, side: str) -> None:
    path, _ = drawn("left" if side == "right" else "right", folder)
    _, record = drawn(side, folder)
    with pytest.raises(OutputError, match=rf"names \w+, the plan has {side.upper()}"):
        check_placement(path, told(record))


@pytest.mark.parametrize(
    ("name", "side", "number"), [("wedges", "left", 0), ("right", "right", 0), ("bed", "left", 0)]
)
def test_a_thick_edge_on_the_thin_side_is_refused(
    folder: Path, name: str, side: str, number: int
) -> None:
    path, record = drawn(name, folder)
    other = copy.deepcopy(record)
    other[side]["wedges"][number]["net"] *= -1
    with pytest.raises(OutputError, match="the thick edge is not marked on the thick side"):
        check_placement(path, told(other))
