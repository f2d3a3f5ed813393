"""The way from scans to parts: order of the steps, what is refused, what is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from footscan.errors import FootscanError, ScanReadError, SideError
from footscan.scan import Side
from insole.errors import InsoleError, PlanError, RefusedError
from insole.output.settings import Settings
from insole.planning.wishes import Terms
from insole.record.plan import Plan, to_json
from insole.workflow import making, measuring, plans, processes
from insole.workflow.request import Request, Shots
from tests.on_trial import SHOE, made
from tests.plans import sample_plan

QUICK = Settings(step=False, papers=("a4",))


def foot(side: Side, name: str = "scan.ply") -> Any:
    return SimpleNamespace(
        foot=SimpleNamespace(side=side), facts=SimpleNamespace(side=side.value, file=name)
    )


def shots(*names: str) -> list[Shots]:
    return [Shots(files=(Path(name),)) for name in names]


@pytest.fixture
def scans(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Return a table of file name to what measuring it gives; an error is raised."""
    table: dict[str, Any] = {}

    def measured(paths: Any, options: Any) -> Any:
        result = table[paths[0].name]
        if isinstance(result, Exception):
            raise result
        return result

    monkeypatch.setattr(processes, "measure_feet_in", measured)
    return table


@pytest.fixture(scope="module")
def plan() -> Plan:
    return sample_plan()


def test_feet_are_sorted_by_side_whatever_the_order(scans: dict[str, Any]) -> None:
    left, right = foot(Side.LEFT), foot(Side.RIGHT)
    scans.update({"a": [right], "b": [left], "both": [right, left]})
    for given in (shots("a", "b"), shots("b", "a"), shots("both")):
        assert measuring.measure_feet(given) == (left, right)
    assert measuring.measure_feet(shots("a")) == (None, right)


def test_two_of_one_side_are_refused_by_name(scans: dict[str, Any]) -> None:
    scans.update({"a": [foot(Side.LEFT, "a")], "b": [foot(Side.LEFT, "b")]})
    with pytest.raises(SideError, match="a and b both show the left foot"):
        measuring.measure_feet(shots("a", "b"))


def test_no_scan_is_an_error(scans: dict[str, Any]) -> None:
    with pytest.raises(ScanReadError, match="name one or two scan files"):
        measuring.measure_feet([])


def test_one_bad_scan_does_not_hide_the_others(scans: dict[str, Any]) -> None:
    left, wrong = foot(Side.LEFT), ScanReadError("is empty")
    scans.update({"a": [left], "b": wrong, "c": [foot(Side.RIGHT)]})
    first, second, third = measuring.measure_all(shots("a", "b", "c"))
    assert first == [left]
    assert second is wrong
    assert not isinstance(third, FootscanError)
    with pytest.raises(ScanReadError, match="is empty"):
        measuring.measure_feet(shots("a", "b"))


def test_a_bug_is_not_taken_for_a_bad_scan(scans: dict[str, Any]) -> None:
    scans["a"] = ZeroDivisionError("ours")
    with pytest.raises(ZeroDivisionError, match="ours"):
        measuring.measure_all(shots("a"))


def test_single_feet_keep_their_order_and_refuse_pairs(scans: dict[str, Any]) -> None:
    right, left = foot(Side.RIGHT), foot(Side.LEFT)
    scans.update({"r": [right], "l": [left], "pair": [left, right]})
    assert measuring.single_feet(shots("r", "l")) == [right, left]
    with pytest.raises(ScanReadError, match="pair shows two feet"):
        measuring.single_feet(shots("r", "pair"))


def test_a_stop_comes_before_shoe_and_scans(scans: dict[str, Any], tmp_path: Path) -> None:
    request = Request(
        scans=tuple(shots("none")),
        shoe=tmp_path / "none.toml",
        terms=Terms(answers={"wound": "yes"}),
    )
    with pytest.raises(RefusedError, match="answered yes to wound"):
        plans.plan_feet(request)


def test_a_bad_shoe_file_comes_before_scans(scans: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"none\.toml"):
        plans.plan_feet(Request(scans=tuple(shots("none")), shoe=tmp_path / "none.toml"))


def test_a_saved_plan_reads_back_and_is_never_changed(plan: Plan, tmp_path: Path) -> None:
    path = plans.save_plan(plan, tmp_path / "new" / "folder")
    assert plans.read_plan(path) == plan
    assert plans.save_plan(plan, path.parent) == path
    other = plan.model_copy(update={"date": "another day"})
    with pytest.raises(InsoleError, match="holds another plan"):
        plans.save_plan(other, path.parent)
    assert path.read_text(encoding="utf-8") == to_json(plan)
    assert list(path.parent.iterdir()) == [path]


def test_a_plan_cannot_be_saved_where_a_file_is(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InsoleError, match="choose another folder") as no:
        plans.save_plan(plan, tmp_path / "file")
    assert no.value.asks == ("out",)


def test_what_is_no_plan_is_said(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        plans.read_plan(tmp_path / "none.json")
    with pytest.raises(PlanError, match="cannot be read"):
        plans.read_plan(tmp_path)
    (tmp_path / "binary.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PlanError, match="cannot be read"):
        plans.read_plan(tmp_path / "binary.json")
    (tmp_path / "large.json").write_bytes(b" " * 20_000_001)
    with pytest.raises(PlanError, match="too large to be a plan"):
        plans.read_plan(tmp_path / "large.json")
    (tmp_path / "other.json").write_text("{}", encoding="utf-8")
    with pytest.raises(PlanError, match="not a plan that can be made"):
        plans.read_plan(tmp_path / "other.json")


def test_thick_edges_name_foot_place_and_side(plan: Plan) -> None:
    wedges = [(f.side, w) for f in plan.feet for w in f.wedges]
    said = making.thick_edges(plan)
    assert len(said) == len(wedges) > 0
    for sentence, (side, wedge) in zip(said, wedges, strict=True):
        assert sentence.startswith(f"{side} foot, {wedge.place.value}: ")
        assert wedge.thick_side in sentence
        assert f"{wedge.thick_edge:.1f} mm" in sentence


def test_a_wedge_built_into_a_bed_is_looked_at_too_and_an_unknown_tilt_is_none_of_0() -> None:
    plan = made(1, contoured="full", heel=2.0)
    assert plan.right.wedges == []
    (said,) = making.thick_edges(plan)
    assert said.startswith("right foot, inside heel: asked for 2° varus")
    assert "thick on the big-toe side" in said
    bare = {"name": "bare", "inside": SHOE["inside"], "bed": SHOE["bed"]}
    (said,) = making.thick_edges(made(1, shoe=bare, heel=2.0))
    assert "the shoe's own tilt is not known" in said
    assert "the shoe has" not in said


def test_a_doubtful_part_is_said_once_with_its_name(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    from insole.parts import build

    real = build.all_parts(plan)
    pad = next(part for part in real if part.name == "arch-pad")
    bad = replace(pad, facts=replace(pad.facts, edge=0.1))  # thinner than a nozzle lays down
    monkeypatch.setattr(build, "all_parts", lambda *_: [bad])
    said: list[str] = []
    assert making.checked_parts(plan, QUICK, said.append) == [bad]
    thin = [sentence for sentence in said if "too thin" in sentence]
    assert len(thin) == 1
    assert thin[0].count(bad.label) == 1


def test_make_refuses_a_stopped_plan_before_any_part(plan: Plan, tmp_path: Path) -> None:
    stopped = plan.model_copy(update={"answers": {"wound": "yes"}, "clinician": ""})
    with pytest.raises(RefusedError, match="answered yes to wound"):
        making.make(stopped, tmp_path / "out", settings=QUICK)
    assert not (tmp_path / "out").exists()
