"""Planning options beside a finished plan: each is refused, with the command that plans it."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from insole import cli
from insole.cli.options.beside import planning_options
from insole.record.plan import Plan, to_json
from insole.workflow import plans
from tests.plans import sample_plan

PLAN_OPTIONS = planning_options()
OF_MAKE = {"out", "thick_edges_checked", "full", "quiet", "edited", "step", "form"}


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Return a plan's file, read once."""
    plan: Plan = sample_plan()
    path = tmp_path_factory.mktemp("plan") / "demo.json"
    path.write_bytes(to_json(plan).encode())
    real, known = plans.read_plan, plans.read_plan(path)

    def read(asked: Path, *, edited: bool = False) -> Plan:
        return known if asked == path else real(asked, edited=edited)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plans, "read_plan", read)
        yield path


def value_for(option: click.Option) -> list[str]:
    """Return a value that the option's own reader takes."""
    if option.is_flag:
        return []
    words = {
        "shift_pad": "3,-2",
        "tender": "60,-20",
        "pad_source": "kit",
        "contoured": "full",
        "contour_material": "base-pp",
        "answer": "wound=no",
        "landmark": "mth1=1,2,3",
        "foot_length": "270",
        "override": "wedge;Alder;tried before;2026-05-02",
    }
    if str(option.name) in words:
        return [words[str(option.name)]]
    if isinstance(option.type, click.Choice):
        return [str(option.type.choices[0])]
    if isinstance(option.type, click.FloatRange):
        return ["270"]
    return ["4"]


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    capsys.readouterr()
    code = cli.main(list(arguments))
    out, err = capsys.readouterr()
    assert (code, out) == (2, ""), err
    last = err.strip().splitlines()[-1]
    assert last.startswith("Error: ")
    return last


def planned_by(sentence: str) -> list[str]:
    """Return the arguments of the command that a refusal names, after parsing them."""
    command = re.search(r"plan anew with: (solewright .*); then make the plan", sentence)
    assert command is not None, sentence
    words = shlex.split(command[1])
    assert words[:2] == ["solewright", "plan"]
    cli.cli.commands["plan"].make_context("plan", words[2:])  # every option is one of plan's
    return words[2:]


@pytest.mark.parametrize("name", sorted(PLAN_OPTIONS))
def test_no_planning_option_is_dropped(
    name: str, plan_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    option = PLAN_OPTIONS[name]
    word = max(option.opts, key=len)
    asked = [word, *value_for(option)]
    told = refused(capsys, "make", str(plan_file), *asked, "--out", str(tmp_path / "out"))
    assert told.startswith(f"Error: {word} changes the plan")
    words = planned_by(told)
    assert shlex.join(asked) in shlex.join(words)
    assert words.count(word) == 1 or name == "answer"  # one a question
    assert {"rider_left.ply", "rider_right.ply"} & set(words) or words[0].endswith(".ply")
    assert str(plan_file) in words
    assert not list(tmp_path.iterdir())


def test_every_option_of_make_plans_or_makes() -> None:
    """A new option of make is either one of planning, and refused, or one of making."""
    made = {str(option.name) for option in cli.cli.commands["make"].params} - set(PLAN_OPTIONS)
    assert made >= OF_MAKE
    planned = {str(option.name) for option in cli.cli.commands["plan"].params}
    assert set(PLAN_OPTIONS) <= planned
    assert made & planned <= {"out", "full", "quiet"}


def test_several_wishes_are_named_together_and_take_the_old_ones_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = sample_plan().model_copy(
        update={
            "wishes": {
                "both": {"support_level": 0.8},
                "left": {"forefoot": 2.0},
                "right": {"forefoot": 1.0},
            }
        }
    )
    path = tmp_path / "demo.json"
    path.write_bytes(to_json(plan).encode())
    told = refused(
        capsys, "make", str(path), "--forefoot", "left=4", "--no-pad", "--dowels", "--version", "7"
    )
    assert told.startswith("Error: --version, --no-pad, --forefoot and --dowels change the plan")
    words = planned_by(told)
    assert "left=2" not in words
    assert "right=1" in words
    assert words[words.index("--version") + 1] == "7"
    assert words.count("--version") == 1
    both = planned_by(refused(capsys, "make", str(path), "--forefoot", "3"))
    assert not {"left=2", "right=1"} & set(both)


def test_what_only_makes_goes_on(plan_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    code = cli.main(["make", str(plan_file), "--kerf", "0.2", "--layers"])
    _, err = capsys.readouterr()
    assert code == 4  # past the options, to the thick edges that nobody read
    assert "--thick-edges-checked" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{plan}", "other.ply"], "give one plan, or scans"),
        (["{plan}", "{plan}"], "give one plan, or scans"),
        (["foot.ply", "--edited"], "scans are no plan file"),
    ],
)
def test_plans_and_scans_are_not_mixed(
    arguments: list[str], words: str, plan_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = [word.format(plan=plan_file) for word in arguments]
    assert words in refused(capsys, "make", *given)
