"""Who belongs to whom in a folder of scans, and when a file is complete."""

from __future__ import annotations

from pathlib import Path

import pytest

from insole.batch.pairing import Pattern, cases_of, scans_in
from insole.batch.watching import Watcher
from tests.batches import scans


@pytest.mark.parametrize(
    ("name", "case", "side"),
    [
        ("larch_left.ply", "larch", "left"),
        ("larch-R.stl", "larch", "right"),
        ("Right larch.obj", "larch", "right"),
        ("L_014.ply", "014", "left"),
        ("larch_left_second.ply", "larch_second", "left"),
        ("larchRight.ply", "larch", "right"),
        ("larch/left.ply", "larch", "left"),
        ("shop/larch_r.ply", "shop-larch", "right"),
        ("upright.ply", "upright", ""),
        ("left_right.ply", "left_right", ""),
        ("L_r_left.ply", "L_r", "left"),
    ],
)
def test_a_name_says_case_and_side(tmp_path: Path, name: str, case: str, side: str) -> None:
    scans(tmp_path, name)
    found, left_out = cases_of(tmp_path, scans_in(tmp_path))
    assert [(one.name, one.scans[0][0]) for one in found] == [(case, side)]
    assert left_out == []


def test_pairs_come_left_first_and_notes_are_left_out(tmp_path: Path) -> None:
    scans(
        tmp_path,
        "b_right.ply",
        "b_left.stl",
        "a_left.ply",
        "notes.txt",
        "c_left.xyz",
        ".d_left.ply",
        "out/e_left.ply",
        "list.pdf",
    )
    found, left_out = cases_of(tmp_path, scans_in(tmp_path, tmp_path / "out"))
    assert {case.name: [path.name for path in case.files] for case in found} == {
        "a": ["a_left.ply"],
        "b": ["b_left.stl", "b_right.ply"],
        "c": ["c_left.xyz"],
    }
    assert [path.name for path in left_out] == ["notes.txt"]
    assert [case.name for case in found if case.half] == ["a", "c"]


def test_two_scans_of_one_foot_are_a_fault_that_names_both(tmp_path: Path) -> None:
    scans(tmp_path, "a_left.ply", "a-left.stl", "a_right.ply")
    (case,), _ = cases_of(tmp_path, scans_in(tmp_path))
    assert "a-left.stl and a_left.ply would both be the left foot of 'a'" in case.fault


@pytest.mark.parametrize("other", ["kite-left.ply", "kite-right.ply"])
def test_a_file_of_no_side_is_never_taken_for_the_other_foot(tmp_path: Path, other: str) -> None:
    scans(tmp_path, "kite.ply", other)
    (found,), _ = cases_of(tmp_path, scans_in(tmp_path))
    assert "kite.ply" in found.fault
    assert other in found.fault
    assert "would belong to one case of 'kite'" in found.fault


def test_a_pattern_decides_alone(tmp_path: Path) -> None:
    scans(tmp_path, "R-17-x.ply", "L-17-y.ply", "17_left.ply")
    found, left_out = cases_of(tmp_path, scans_in(tmp_path), Pattern("{side}-{case}-*.ply"))
    assert [(c.name, [p.name for p in c.files]) for c in found] == [
        ("17", ["L-17-y.ply", "R-17-x.ply"])
    ]
    assert [path.name for path in left_out] == ["17_left.ply"]


@pytest.mark.parametrize("text", ["{case}.ply", "{side}{side}", "{case}_{foot}_{side}"])
def test_a_pattern_without_sense_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"a pattern has \{side\} once"):
        Pattern(text)


def test_a_file_is_complete_when_three_looks_saw_the_same(tmp_path: Path) -> None:
    path, empty = tmp_path / "a.ply", tmp_path / "b.ply"
    path.write_bytes(b"1")
    empty.touch()
    watcher = Watcher()
    assert [watcher.complete([path, empty]) for _ in range(3)] == [[], [], [path]]
    path.write_bytes(b"12")  # the scanner was not ready after all
    assert [watcher.complete([path, empty]) for _ in range(3)] == [[], [], [path]]
    path.unlink()
    assert watcher.complete([path]) == []
