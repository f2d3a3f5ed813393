"""Letters cut into printed parts: read from the mesh, seen from below, and held to the plan."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from insole.errors import OutputError
from insole.output.print import printing
from insole.parts import engraving
from insole.parts.base import base
from insole.parts.contour import contoured_bed
from insole.parts.pad import arch_pad
from insole.parts.part import Mark, Part, as_worn
from insole.parts.wedge import shim
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.readback.carved import check_carving, read_carving
from insole.readback.told import Told
from insole.record.plan import Plan, to_json
from tests import feet

TAG = "demo-0001-v1"
Made = tuple[Plan, list[Part], Path]


def canonical(plan: Plan, label: str) -> Part:
    side, _, name = label.partition("-")
    foot = getattr(plan, side)
    if name == "base":
        return base(foot, plan.case)
    if name == "arch-pad":
        return arch_pad(foot, plan.case)
    names = {
        "inside heel": "heel-shim",
        "inside forefoot": "forefoot-shim",
        "under the shoe": "under-shoe-shim",
    }
    wedge = next(w for w in foot.wedges if names[w.place.value] == name)
    return shim(foot, wedge, plan.case, plan.shoe)


def read(made: Made, part: Part) -> None:
    _, _, place = made
    told = Told.of(json.loads((place / "plan.json").read_bytes()), TAG)
    corners = part.vertices[part.faces]
    check_carving(Path(f"{part.label}-{TAG}.stl"), corners, part.label, told, by_hand="")


LABELS = [
    "left-base",
    "right-base",
    "left-arch-pad",
    "right-arch-pad",
    "left-heel-shim",
    "right-forefoot-shim",
    "right-under-shoe-shim",
]


@pytest.mark.parametrize("label", LABELS)
def test_side_part_and_face_are_read_from_the_mesh(made: Made, label: str) -> None:
    part = next(part for part in made[1] if part.label == label)
    read(made, part)
    words = " ".join(read_carving(part.vertices[part.faces]).rows)
    side, _, name = label.partition("-")
    assert side.upper() in words.split()
    assert name.replace("-", " ").upper() in words
    assert ("CLEAT SIDE" if name == "under-shoe-shim" else "SHOE SIDE") in words


@pytest.mark.parametrize("label", LABELS)
def test_the_other_side_cut_in(made: Made, label: str) -> None:
    part = canonical(made[0], label)
    other = {"LEFT": "RIGHT", "RIGHT": "LEFT"}
    marks = tuple(replace(m, text=other.get(m.text, m.text)) for m in part.marks)
    wrong = other[part.side.value.upper()]
    with pytest.raises(OutputError, match=f"{label} has {wrong} cut into its underside"):
        read(made, as_worn(replace(part, marks=marks)))


@pytest.mark.parametrize("label", LABELS[:5])
def test_letters_that_read_right_from_above_only(
    made: Made, label: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = engraving.mark_shape

    def from_above(mark: Mark) -> object:
        return real(replace(mark, face="foot"))

    monkeypatch.setattr(engraving, "mark_shape", from_above)
    part = as_worn(canonical(made[0], label))
    with pytest.raises(OutputError, match=f"cannot be read on the underside of {label}"):
        read(made, part)


def test_a_part_mirrored_after_it_was_engraved(made: Made) -> None:
    part = next(part for part in made[1] if part.label == "right-base")
    flipped = replace(
        part, vertices=part.vertices * np.array([1.0, -1.0, 1.0]), faces=part.faces[:, ::-1]
    )
    with pytest.raises(OutputError, match="RIGHT cannot be read on the underside of right-base"):
        read(made, flipped)


@pytest.mark.parametrize(
    ("label", "old", "new", "sentence"),
    [
        ("left-base", "SHOE SIDE", "FOOT SIDE", "has FOOT SIDE cut into its shoe side"),
        ("right-under-shoe-shim", "CLEAT SIDE", "SOLE SIDE", "has SOLE SIDE cut into its cleat"),
        ("left-heel-shim", "2° VARUS", "2° VALGUS", "has VALGUS cut in, the plan says 2° VARUS"),
        ("right-under-shoe-shim", "1° VALGUS", "1° VARUS", "has VARUS cut in, the plan says 1°"),
        ("left-base", "LEFT", "", "LEFT cannot be read on the underside of left-base"),
    ],
)
def test_a_wrong_word_cut_in(made: Made, label: str, old: str, new: str, sentence: str) -> None:
    part = canonical(made[0], label)
    assert any(mark.text == old for mark in part.marks)
    marks = tuple(replace(m, text=new) if m.text == old else m for m in part.marks)
    marks = tuple(mark for mark in marks if mark.text)
    with pytest.raises(OutputError, match=sentence):
        read(made, as_worn(replace(part, marks=marks)))


def test_it_is_read_from_the_file_as_well(made: Made, tmp_path: Path) -> None:
    from insole.readback.solids import read_stl

    part = next(part for part in made[1] if part.label == "left-arch-pad")
    printing.write_stl(tmp_path / "pad.stl", part)
    assert "LEFT" in read_carving(read_stl(tmp_path / "pad.stl")[1]).rows


# ------------------------------------------------------------------ under a contoured bed


@lru_cache(maxsize=2)
def bed(side: str) -> tuple[Told, Part]:
    """Return a contoured bed, not engraved, and what its plan says."""
    wishes = PlanWishes(both=FootWish.of(contoured="three-quarter", heel=2.0), case="fern")
    foot = feet.analytic(side=side, arch=13.0)
    plan = planner.plan(*((foot, None) if side == "left" else (None, foot)), None, wishes)
    part = contoured_bed(getattr(plan, side), plan.case)
    return Told.of(json.loads(to_json(plan)), "fern-v1"), part


def read_bed(told: Told, part: Part) -> None:
    corners = part.vertices[part.faces]
    check_carving(Path(f"{part.label}-fern-v1.stl"), corners, part.label, told, by_hand="")


@pytest.mark.parametrize("side", ["left", "right"])
def test_letters_under_a_contoured_bed_are_read(side: str) -> None:
    told, part = bed(side)
    worn = as_worn(part)
    read_bed(told, worn)
    floor = told.pieces[part.label].floor
    assert floor is not None
    turn = -1.0 if side == "left" else 1.0
    rows = read_carving(worn.vertices[worn.faces], lambda x, y: floor(x, turn * y)).rows
    assert {"CONTOURED BED", "SHOE SIDE", side.upper(), "FERN"} <= set(rows)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_other_side_cut_under_a_contoured_bed(side: str) -> None:
    told, part = bed(side)
    wrong = "RIGHT" if side == "left" else "LEFT"
    marks = tuple(replace(m, text=wrong) if m.text == side.upper() else m for m in part.marks)
    with pytest.raises(OutputError, match=f"{part.label} has {wrong} cut into its underside"):
        read_bed(told, as_worn(replace(part, marks=marks)))


@pytest.mark.parametrize("side", ["left", "right"])
def test_letters_under_a_contoured_bed_that_read_right_from_above_only(
    side: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = engraving.mark_shape
    monkeypatch.setattr(engraving, "mark_shape", lambda mark: real(replace(mark, face="foot")))
    told, part = bed(side)
    with pytest.raises(OutputError, match=f"{side.upper()} cannot be read on the underside"):
        read_bed(told, as_worn(part))
