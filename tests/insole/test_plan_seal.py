"""A plan file carries a seal, and values that no plan could have are not made into parts."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from insole.cli import main
from insole.errors import PlanError
from insole.output.papers.pages import read_back
from insole.planning import sound
from insole.record.plan import EDITED, Plan, from_json, seal_of, to_json
from tests.plans import sample_plan


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    return dict(json.loads(to_json(sample_plan(under=True))))


def at(record: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """Return a plan's JSON with one value changed."""
    new = copy.deepcopy(record)
    *way, last = path.split(".")
    place: Any = new
    for step in way:
        place = place[int(step)] if step.isdigit() else place[step]
    if last.isdigit():
        place[int(last)] = value
    else:
        place[last] = value
    return new


# ------------------------------------------------------------------ the seal


def test_a_written_plan_is_sealed_and_read_again(record: dict[str, Any]) -> None:
    plan = sample_plan(under=True)
    assert record["schema_version"] == 5
    assert record["seal"] == seal_of(record)
    assert from_json(to_json(plan)) == plan
    assert from_json(to_json(plan), edited=True) == plan  # nothing was edited: no line about it


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("left.pad.crest.from_rear", 129.0),
        ("left.pad.top.z.3.4", 9.99),
        ("left.base.thickness", 2.0),
        ("left.base.outline.5.1", 12.5),
        ("left.wedges.0.net", 3.0),
        ("right.wedges.1.taper_front", 1.0),
        ("right.side", "left"),
        ("right.wedges", []),
        ("left", None),
        ("case", "someone-else"),
        ("shoe.cleat.holes.0.0", 11.0),
        ("answers.diabetes", "yes"),
        ("clinician", "Dr N., May"),
        ("limits", {"wedge.forefoot.refuse": 20.0}),
        ("right.cleat.from_ball_mark", -9.0),
        ("right.landmarks.mth1.0", 190.0),
        ("left.scan_sha256", "00" * 32),
        ("left.pad.material", "wedge-tpu"),
        ("seal", "0" * 16),
        ("seal", None),
    ],
)
def test_a_changed_plan_is_refused_and_said_on_request(
    record: dict[str, Any], path: str, value: Any
) -> None:
    text = json.dumps(at(record, path, value))
    with pytest.raises(PlanError, match=r"was changed after it was written.*as edited") as caught:
        from_json(text)
    assert caught.value.exit_code == 3
    assert from_json(text, edited=True).overrides[-1] == EDITED


@pytest.mark.parametrize("path", ["date", "left.verdict", "tool.version", "notes"])
def test_what_no_part_is_made_from_may_be_changed(record: dict[str, Any], path: str) -> None:
    value: Any = [] if path == "notes" else "changed"
    assert EDITED not in from_json(json.dumps(at(record, path, value))).overrides


def test_another_order_of_keys_or_ten_for_ten_point_nought_is_no_change(
    record: dict[str, Any],
) -> None:
    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: bare(value[key]) for key in sorted(value, reverse=True)}
        if isinstance(value, list):
            return [bare(entry) for entry in value]
        return int(value) if isinstance(value, float) and value.is_integer() else value

    assert EDITED not in from_json(json.dumps(bare(record))).overrides


@pytest.mark.parametrize("version", [1, 2, 3, 4])
def test_a_plan_from_before_the_seal_is_read_and_written_as_it_was(version: int) -> None:
    old = sample_plan().model_copy(update={"schema_version": version})
    text = to_json(old)
    assert "seal" not in json.loads(text)
    assert to_json(from_json(text)) == text


# ------------------------------------------------------------------ values of no plan


def faulty(record: dict[str, Any], path: str, value: Any) -> Plan:
    return from_json(json.dumps(at(record, path, value)), edited=True)


@pytest.mark.parametrize(
    ("path", "value", "sentence"),
    [
        ("left.pad.top.z.3.4", 200.0, "left foot: the arch pad's top reaches .* to 200 mm"),
        ("left.pad.crest.height", 200.0, "the arch pad's crest is 200 mm"),
        ("left.pad.edge", -1.0, "the arch pad's edge is -1 mm"),
        ("left.pad.outline.0", [400.0, 0.0], "the arch pad does not lie on its base"),
        ("right.wedges.0.net", 12.0, "a wedge inside forefoot of 12 degrees"),
        ("right.wedges.0.net", -2.0, "of -2 degrees is thick on the little-toe side"),
        ("right.wedges.0.thick_side", "little-toe side", "is thick on the big-toe side"),
        ("right.wedges.0.taper_rear", -5.0, "its rear taper, is -5 mm"),
        ("left.wedges.0.thick_edge", 8.0, "is 8 mm thick, but 2 degrees over"),
        ("left.wedges.0.full_to", -10.0, "has no length at full height"),
        ("left.wedges.0.edge", 0.0, "its thin edge, is 0 mm"),
        ("left.base.thickness", 0.0, "the base's thickness is 0 mm"),
        ("left.base.heel_cup", 90.0, "the heel cup is 90 mm"),
        ("left.base.outline.0", [-300.0, 0.0], "the base's length is|crosses itself"),
        ("right.side", "left", "the plan's right foot is called left"),
        ("left.cleat.from_mth5", -4.0, "mm from MTH5, which are 24 mm apart"),
        ("left.cleat.from_ball_mark", 200.0, "the cleat's place from MTH1 is 200 mm"),
    ],
)
def test_values_that_no_plan_could_have(
    record: dict[str, Any], path: str, value: Any, sentence: str
) -> None:
    with pytest.raises(PlanError, match=sentence) as caught:
        sound.check(faulty(record, path, value))
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("words", "key", "low", "high"),
    [
        ("the base's length", 0, 120.0, 420.0),  # mm; feet of 145 to 365 mm, and room
        ("the base's width", 1, 40.0, 170.0),
        ("the base's thickness", "thickness", 0.3, 12.0),
        ("the heel cup", "heel_cup", 0.0, 40.0),
        ("the trim allowance", "trim_allowance", 0.0, 20.0),
    ],
)
def test_a_base_of_any_foot_is_let_by_and_none_beyond(
    words: str, key: int | str, low: float, high: float
) -> None:
    base = sample_plan().left.base

    def said(value: float) -> bool:
        if isinstance(key, str):
            made = base.model_copy(update={key: value})
        else:
            size = [100.0, 60.0]
            size[key] = value
            x, y = size
            ring = [(0.0, 0.0), (x, 0.0), (x, y), (0.0, y)]
            made = base.model_copy(update={"outline": ring})
        return any(words in sentence for sentence in sound._base(made))

    assert [said(v) for v in (low - 0.1, low, high, high + 0.1)] == [True, False, False, True]


@pytest.mark.parametrize(
    "path",
    [
        "left.pad.top.z.3.4",
        "right.wedges.0.net",
        "left.pad.turn",
        "limits.wedge",
        "left.landmarks.mth1.0",
    ],
)
@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_numbers_that_are_none(record: dict[str, Any], path: str, value: float) -> None:
    with pytest.raises(PlanError, match=r"is (nan|inf), not a number|a number at .* that is none"):
        sound.check(faulty(record, path, value))


def crest(record: dict[str, Any], from_medial: float) -> dict[str, Any]:
    left = record["left"]
    spot = left["pad"]["crest"]
    grid = left["pad"]["top"]
    i = round((spot["from_rear"] - grid["x0"]) / grid["step"])
    j = max(range(len(grid["z"][i])), key=lambda k: grid["z"][i][k])
    new = at(record, "left.pad.crest.y", grid["y0"] + j * grid["step"])
    return at(new, "left.pad.crest.from_medial", from_medial)


def test_a_crest_measured_from_the_wrong_edge(record: dict[str, Any]) -> None:
    import shapely

    x = record["left"]["pad"]["crest"]["from_rear"]
    row = shapely.Polygon(record["left"]["base"]["outline"]).intersection(
        shapely.LineString([(x, -200), (x, 200)])
    )
    y = crest(record, 0.0)["left"]["pad"]["crest"]["y"]
    sound.check(from_json(json.dumps(crest(record, row.bounds[3] - y)), edited=True))
    wrong = from_json(json.dumps(crest(record, y - row.bounds[1])), edited=True)
    with pytest.raises(PlanError, match="mm from the medial edge by its number and"):
        sound.check(wrong)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"under": True},
        {"heel_cup": 10.0},
        {"pad_height": None},
        {"sides": ("left",)},
        {"wedges": False},
        {"thickness": 3.0},
    ],
)
def test_a_plan_is_sound(how: dict[str, Any]) -> None:
    sound.check(sample_plan(**how))


# ------------------------------------------------------------------ the command


@pytest.fixture
def run(tmp_path: Path, record: dict[str, Any]) -> Callable[..., int]:
    def call(path: str, value: Any, *options: str) -> int:
        file = tmp_path / "plan.json"
        asked = at(at(record, "answers", {"diabetes": "no"}), path, value)
        file.write_text(json.dumps(asked), encoding="utf-8")
        out = str(tmp_path / "out")
        return main(["make", str(file), "--out", out, "--thick-edges-checked", "--quiet", *options])

    return call


def test_an_edited_plan_makes_nothing(
    run: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("left.base.thickness", 2.0) == 3
    said = capsys.readouterr().err
    assert "was changed after it was written" in said
    assert "--edited" in said
    assert not (tmp_path / "out").exists()


def test_an_edited_plan_is_made_on_request_and_every_paper_says_so(
    run: Callable[..., int], tmp_path: Path
) -> None:
    import pypdfium2

    assert run("left.base.thickness", 2.0, "--edited") == 0
    place = tmp_path / "out" / "demo-0001-v1"
    assert "plan edited by hand" in (place / "READ-ME-FIRST.txt").read_text(encoding="utf-8")
    papers = sorted(place.glob("paper/*.pdf"))
    assert papers
    for path in papers:
        read_back(path)
        pages = pypdfium2.PdfDocument(path)
        text = " ".join(" ".join(p.get_textpage().get_text_bounded() for p in pages).split())
        if not path.name.startswith("section-gauges"):
            assert "edited by hand" in text, path.name


def test_an_impossible_plan_is_not_made_even_on_request(
    run: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("left.pad.top.z.3.4", 200.0, "--edited") == 3
    assert "reaches from" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("case", "another"),
        ("shoe", None),
        ("limits", {"wedge.forefoot.refuse_deg": 9.0}),
        ("answers", {"wound": "no"}),
        ("clinician", "A. Doc, 2026-05-01"),
        ("overrides", [{"limit": "support.refuse_above", "who": "A", "why": "b", "when": "c"}]),
    ],
)
def test_what_allows_parts_is_under_the_seal(key: str, value: object) -> None:
    """An answer, a word or an override typed into a plan allows parts that it did not."""
    record = json.loads(to_json(sample_plan()))
    assert record[key] != value
    assert seal_of(record | {key: value}) != seal_of(record)
