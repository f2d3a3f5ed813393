"""The command that plans a plan again: of one foot, of one wedge, a step less."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from footscan.scan import Load, Unit
from insole.cli import cli
from insole.cli.options import again
from insole.cli.options import wishes as wish_options
from insole.cli.options.scans import shots_of
from insole.record.plan import Plan
from insole.record.planned_parts import WedgePlace
from insole.record.values import Note
from tests.plans import sample_foot, sample_plan

KEPT = Path("plans/kept.json")
TOO_MUCH = Note(code="wedge-first-trial", text="more than a first ride takes")
Nets = dict[WedgePlace, float]


def planned(**nets: Nets) -> Plan:
    """Return the sample plan with shims of these degrees, each foot noted as too much."""
    feet = {
        side: sample_foot(side, wedges=tuple(wanted.items())).model_copy(
            update={"notes": [TOO_MUCH]}
        )
        for side, wanted in nets.items()
    }
    return sample_plan(wedges=False).model_copy(update=feet)


def wedges_of(arguments: list[str]) -> dict[str, str]:
    """Return the wedge options of a command, by their names."""
    names = ("--forefoot", "--heel", "--under")
    return {name: value for name, value in itertools.pairwise(arguments) if name in names}


@pytest.mark.parametrize(
    ("nets", "less"),
    [
        ({WedgePlace.FOREFOOT: 2.0, WedgePlace.HEEL: -3.0}, {"--heel": "right=-2"}),
        ({WedgePlace.FOREFOOT: -3.0, WedgePlace.HEEL: 2.0}, {"--forefoot": "right=-2"}),
        ({WedgePlace.UNDER: 4.0}, {"--under": "right=3"}),
        ({WedgePlace.HEEL: 0.5}, {"--heel": "right=0"}),
    ],
)
def test_the_larger_wedge_of_a_foot_becomes_a_step_less(nets: Nets, less: dict[str, str]) -> None:
    words = again.step_below(planned(right=nets), KEPT, Path("plans"))
    assert wedges_of(words) == less
    assert words[:3] == ["plan", "invented-left.ply", "invented-right.ply"]
    assert words[words.index("--version") + 1] == "2"
    assert words[words.index("--against") + 1] == str(KEPT)
    assert "--out" not in words


def test_what_the_shoe_has_already_stays_on_top_of_the_step() -> None:
    plan = planned(right={WedgePlace.FOREFOOT: 3.0})
    wedge = plan.right.wedges[0].model_copy(update={"cant_kept": 1.0})
    plan = plan.model_copy(update={"right": plan.right.model_copy(update={"wedges": [wedge]})})
    assert wedges_of(again.step_below(plan, KEPT, Path("plans"))) == {"--forefoot": "right=3"}


def test_both_feet_alike_are_asked_for_once_and_unlike_ones_each() -> None:
    alike = {WedgePlace.FOREFOOT: 3.0}
    words = again.step_below(planned(left=alike, right=alike), KEPT, Path("other"))
    assert wedges_of(words) == {"--forefoot": "2"}
    assert words[-2:] == ["--out", "other"]
    words = again.step_below(planned(left=alike, right={WedgePlace.FOREFOOT: -4.0}), KEPT, KEPT)
    asked = [words[k + 1] for k, word in enumerate(words) if word == "--forefoot"]
    assert asked == ["left=2", "right=-3"]


def test_a_plan_with_no_more_than_a_first_ride_takes_is_left_alone() -> None:
    plan = planned(right={WedgePlace.FOREFOOT: 3.0})
    calm = plan.model_copy(update={"right": plan.right.model_copy(update={"notes": []})})
    assert again.step_below(calm, KEPT, Path("plans")) == []


def test_dowels_alone_ask_for_no_limits_file() -> None:
    """They thicken the base, which a plan records as a limit of its own."""
    plan = sample_plan().model_copy(
        update={"limits": {"base.thickness": 2.2}, "wishes": {"dowels": True}, "sources": {}}
    )
    assert "--limits" not in again.options(plan, None)
    more = plan.model_copy(update={"limits": {"base.thickness": 2.2, "wedge.sum_warn": 4.0}})
    own = plan.model_copy(update={"sources": {"limits": "own.toml"}})
    for one, file in ((more, "LIMITS-FILE"), (own, "own.toml")):
        words = again.options(one, None)
        assert words[words.index("--limits") + 1] == file


def test_what_was_stated_of_one_scan_is_none_of_the_other() -> None:
    """And a pad left out for one foot is left out for that foot."""
    stated = {"--foot-length": [262.0, None], "--load": ["half", None], "--unit": "mm"}
    plan = sample_plan().model_copy(
        update={
            "sources": {"stated": stated},
            "wishes": {"left": {"pad": False}, "right": {"support_level": 0.8}},
        }
    )
    words = again.options(plan, None)
    pairs = list(itertools.pairwise(words))
    for name, values in (("--foot-length", ["262.0", "-"]), ("--load", ["half", "-"])):
        assert [value for option, value in pairs if option == name] == values
    assert ("--no-pad-for", "left") in pairs
    assert "--no-pad" not in words
    given = cli.commands["plan"].make_context("plan", words[1:]).params
    feet = wish_options._wishes(given, 2)
    pads = [foot.support.pad for foot in (feet.left, feet.right, feet.both)]
    assert pads == [False, None, None]
    shots = shots_of(given["scans"], given)
    assert [one.options.hand_length for one in shots] == [262.0, None]
    assert [one.options.load for one in shots] == [Load.HALF, Load.UNKNOWN]
    assert [one.options.unit for one in shots] == [Unit.MM, Unit.MM]
