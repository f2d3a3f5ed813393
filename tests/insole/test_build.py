"""All parts of a plan, and the checks that stand between a part and the bench."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from footscan.scan import Side
from insole.errors import PartError
from insole.parts.build import all_parts, check
from insole.parts.part import Part
from insole.record.plan import from_json, to_json
from tests.plans import SAMPLE_LABELS, sample_plan


@cache
def parts() -> dict[str, Part]:
    return {part.label: part for part in all_parts(sample_plan(under=True))}


def test_parts_come_left_first_in_a_stable_order() -> None:
    assert tuple(parts()) == SAMPLE_LABELS
    assert all(part.worn for part in parts().values())


@pytest.mark.usefixtures("anew")
def test_plan_read_from_its_file_makes_the_same_parts() -> None:
    again = all_parts(from_json(to_json(sample_plan(under=True))))
    for one, other in zip(parts().values(), again, strict=True):
        np.testing.assert_array_equal(one.vertices, other.vertices)
        np.testing.assert_array_equal(one.faces, other.faces)


def test_one_foot_without_wishes_gives_a_base() -> None:
    made = all_parts(sample_plan(sides=("left",), wedges=False, pad_height=None))
    assert [part.label for part in made] == ["left-base"]


@pytest.mark.parametrize("label", SAMPLE_LABELS)
@pytest.mark.parametrize("process", ["print", "powder", "cut"])
def test_good_parts_pass(label: str, process: str) -> None:
    assert check(parts()[label], process=process, bed=(300.0, 300.0, 100.0)) == []


@pytest.mark.parametrize("label", SAMPLE_LABELS)
def test_a_part_given_to_the_other_foot_is_caught(label: str) -> None:
    part = parts()[label]
    swapped = replace(part, side=part.side.other)
    assert any("notch is not where" in found for found in check(swapped))


def test_a_mirrored_mesh_under_the_same_name_is_caught() -> None:
    part = parts()["right-forefoot-shim"]
    flipped = replace(
        part, vertices=part.vertices * [1.0, -1.0, 1.0], faces=part.faces[:, ::-1].copy()
    )
    assert part.side is Side.RIGHT
    assert any("notch is not where a right part has it" in found for found in check(flipped))


def test_missing_engraving_is_caught() -> None:
    part = parts()["left-heel-shim"]
    plain = part.vertices.copy()
    plain[(plain[:, 2] > 0.39) & (plain[:, 2] < 0.41), 2] = 0.01
    found = check(replace(part, vertices=plain))
    assert any("marks are not all cut" in sentence for sentence in found)


def test_wrong_volume_is_caught() -> None:
    part = parts()["left-arch-pad"]
    found = check(replace(part, vertices=part.vertices * [1.0, 1.0, 1.03]))
    assert any("its volume is" in sentence for sentence in found)


def test_edges_are_held_against_the_process() -> None:
    part = parts()["right-forefoot-shim"]
    thin = replace(part, facts=replace(part.facts, edge=0.3))
    assert any("0.3 mm is too thin for printing" in s for s in check(thin, process="print"))
    assert check(thin, process="cut") == []
    other = replace(part, facts=replace(part.facts, thick_edge_planned=5.0))
    assert any("the plan says 5.0 mm" in s for s in check(other))
    high = parts()["left-arch-pad"]
    high = replace(high, facts=replace(high.facts, edge_most=1.2))
    assert any("a step that can be felt" in s for s in check(high))
    standing = replace(high, facts=replace(high.facts, standing_edge=1.2))
    assert not any("a step that can be felt" in s for s in check(standing))
    higher = replace(standing, facts=replace(standing.facts, edge_most=1.4))
    assert any("at most 1.2 mm" in s for s in check(higher))


def test_overhang_is_found() -> None:
    """Turned upside down the pad's dome hangs over; lying flat it does not."""
    part = parts()["left-arch-pad"]
    top = part.vertices[:, 2].max()
    turned = replace(
        part,
        vertices=np.column_stack(
            [part.vertices[:, 0], -part.vertices[:, 1], top - part.vertices[:, 2]]
        ),
    )
    assert any("hang over by more than 50°" in s for s in check(turned))


def test_bed_size_counts_turned_parts() -> None:
    """A base 278 mm long fits across the diagonal of a 256 mm bed, not of a 180 mm one."""
    base = parts()["right-base"]
    assert check(base, bed=(256.0, 256.0, 200.0)) == []
    assert any("does not fit on a bed of 180 x 180" in s for s in check(base, bed=(180, 180, 180)))
    assert any("does not fit" in s for s in check(base, bed=(300.0, 300.0, 1.0)))


def test_marks_left_on_paper_are_said() -> None:
    made = all_parts(sample_plan(case="c" * 60, wedges=False, pad_height=None, sides=("left",)))
    assert any("no room to engrave" in sentence for sentence in check(made[0]))


def test_open_mesh_is_an_error() -> None:
    part = parts()["left-base"]
    with pytest.raises(PartError, match="mesh of the left-base is not closed") as caught:
        check(replace(part, faces=part.faces[1:]))
    assert caught.value.part == "left-base"


def test_unknown_process_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="process must be one of print, powder, cut"):
        check(parts()["left-base"], process="lathe")
