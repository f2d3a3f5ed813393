"""The Python front door: what it returns, and that it makes what the command line makes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import footscan
import insole
from insole.cli import main
from insole.errors import OutputError, PlanError

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scans"
LEFT, RIGHT, SHOE = (str(SAMPLES / n) for n in ("larch_left.ply", "larch_right.ply", "shoe.toml"))


@pytest.fixture(scope="module")
def feet():
    return footscan.measure_both(LEFT, RIGHT, load="half")


@pytest.fixture(scope="module")
def plan(feet):
    return insole.plan(
        left=feet[0], right=feet[1], shoe=SHOE, support=0.8, forefoot={"right": 2.0}, case="larch"
    )


def test_both_imports_are_light():
    code = (
        "import sys, time; t = time.perf_counter(); import footscan, insole;"
        "print(sorted({'numpy', 'scipy', 'pydantic', 'trimesh'} & set(sys.modules)));"
        "print(time.perf_counter() - t)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded, seconds = out.stdout.split("\n")[:2]
    assert loaded == "[]"
    assert float(seconds) < 0.1


def test_names_offered_are_there():
    for module in (footscan, insole):
        assert set(module.__all__) <= set(dir(module))
        assert all(getattr(module, name) is not None for name in module.__all__)
        with pytest.raises(AttributeError, match="no attribute 'pad'"):
            _ = module.pad


def test_a_foot_carries_value_and_deviation(feet):
    height = feet[0].measures["arch_apex_height"]
    assert (height.unit, feet[0].facts.load) == ("mm", "half")
    assert 5 < height.value < 40
    assert 0 < height.sd < 3
    assert feet[0].report.verdict.value == "fit for making"
    assert feet[0].landmarks["mth1"].xyz[1] > feet[0].landmarks["mth5"].xyz[1]  # +y medial


def test_swapped_scans_are_refused():
    with pytest.raises(footscan.FootscanError, match="given as the left foot and shows the right"):
        footscan.measure_both(RIGHT, LEFT, load="half")


def test_wishes_for_one_foot_stay_on_it(plan):
    assert [w.net for w in plan.right.wedges] == [1.0]  # of 2 wished, the shoe keeps 1
    assert plan.left.wedges == []
    assert plan.left.pad.support_level == plan.right.pad.support_level == 0.8


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"support": {"up": 0.8}}, "support_level is given for 'up'"),
        ({"more": {"colour": 3}}, "there is no wish 'colour'"),
        ({"forefoot": float("nan")}, "forefoot must be a finite number"),
    ],
)
def test_a_wish_that_cannot_be_read_is_refused(feet, wish, words):
    with pytest.raises(PlanError, match=words):
        insole.plan(left=feet[0], **wish)


def test_plan_and_folder_are_the_command_lines_byte_for_byte(plan, tmp_path):
    told = [LEFT, RIGHT, "--load", "half", "--shoe", SHOE, "--support", "80",
            "--forefoot", "right=2", "--case", "larch"]  # fmt: skip
    assert main(["plan", *told, "--out", str(tmp_path / "plans"), "--quiet"]) == 0
    written = plan.write(tmp_path / "plan.json")
    assert written.read_bytes() == (tmp_path / "plans" / "larch-v1-plan.json").read_bytes()
    assert main(["make", *told, "--thick-edges-checked", "--out", str(tmp_path / "a"),
                 "--quiet"]) == 0  # fmt: skip
    mine = insole.make(insole.read_plan(written), tmp_path / "b")
    theirs = tmp_path / "a" / mine.name
    names = sorted(p.relative_to(theirs).as_posix() for p in theirs.rglob("*") if p.is_file())
    assert len(names) > 20
    assert names == sorted(p.relative_to(mine).as_posix() for p in mine.rglob("*") if p.is_file())
    assert [n for n in names if (theirs / n).read_bytes() != (mine / n).read_bytes()] == []


def test_a_part_is_written_on_its_own_side(plan, tmp_path):
    import trimesh

    parts = insole.build(plan)
    assert parts.left.forefoot_shim is None
    assert parts.right.forefoot_shim.part.facts["words"].startswith("1° varus")
    for side, foot in (("left", parts.left), ("right", parts.right)):
        path = foot.pad.write(tmp_path / f"{side}.stl")
        middle = trimesh.load(path).vertices[:, 1].mean()
        assert middle < 0 if side == "left" else middle > 0  # the arch is medial: - on a left part
    with pytest.raises(OutputError, match=r"pad.png: a part is written as .stl, .3mf, .step"):
        parts.left.pad.write(tmp_path / "pad.png")


def test_fit_and_trial(feet, plan, tmp_path):
    ranked = insole.fit([SAMPLES / "shoe_wide.toml", SHOE], left=feet[0], right=feet[1])
    assert [r.place for r in ranked] == [1, 2]
    flags = dict.fromkeys(("pain", "numbness", "tingling", "cramp", "slipping", "stuck"), "no")
    trial = insole.log_trial(plan, tmp_path / "log.json", date="2026-05-02", answer="same",
                             felt=["too high"], side="left", flags=flags)  # fmt: skip
    assert trial.step.side == "left"
    assert trial.step.wishes["left"]["support_level"] < 0.8
