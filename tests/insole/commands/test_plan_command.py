"""Plans on the command line: written once, told short or whole, under own limits."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

from tests.command_line import LEFT, RIGHT, SHOE, Run


def test_plan_is_written_once_and_never_changed(run: Run, plan_file: Path, tmp_path: Path) -> None:
    wish = [LEFT, RIGHT, "--shoe", SHOE, "--case", "larch", "--out", tmp_path]
    assert run("plan", *wish, "--forefoot", "2")[0] == 0
    target = tmp_path / "larch-v1-plan.json"
    assert target.read_bytes() == plan_file.read_bytes()
    assert run("plan", *wish, "--forefoot", "2")[0] == 0
    code, _, err = run("plan", *wish, "--support", "40")
    assert code == 3
    assert "holds another plan" in err
    assert target.read_bytes() == plan_file.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["larch", target.name]


def test_plan_json_is_the_plan_that_was_written(run: Run, tmp_path: Path) -> None:
    code, out, err = run("plan", LEFT, "--json", "--out", tmp_path)
    assert code == 0
    assert out.encode() == (tmp_path / "case-v1-plan.json").read_bytes()
    assert "plan written to" in err


def test_a_pair_is_told_in_twenty_lines_and_in_full_or_not_at_all(run: Run, tmp_path: Path) -> None:
    wish = [LEFT, RIGHT, "--shoe", SHOE, "--forefoot", "2", "--out", tmp_path]
    code, short, _ = run("plan", *wish)
    assert code == 0
    rows = short.splitlines()
    assert len(rows) <= 20
    assert [row for row in rows if row.startswith("LEFT arch pad: ")]
    asked = [row for row in rows if "asked for 2° varus, the shoe has 1° varus, the shim is" in row]
    assert len(asked) == 2
    assert rows[-2].startswith("Next: ask the questions before parts")
    code, whole, _ = run("plan", *wish, "--full")
    assert code == 0
    assert "contact in a spring model" in whole
    assert "contact in a spring model" not in short
    assert "no wedge" not in short + whole  # heel and under the shoe were not wished
    assert run("plan", *wish, "--quiet") == (0, "", "")


def test_against_words_a_shift_of_the_pad(run: Run, tmp_path: Path) -> None:
    wish = [LEFT, RIGHT, "--shoe", SHOE, "--case", "larch", "--out", tmp_path]
    assert run("plan", *wish)[0] == 0
    old = tmp_path / "larch-v1-plan.json"
    code, out, _ = run("plan", *wish, "--shift-pad", "left=-3,0", "--against", old)
    assert code == 0
    assert (tmp_path / "larch-v2-plan.json").is_file()
    assert (tmp_path / "larch-v2-against-v1.png").read_bytes()[:4] == b"\x89PNG"
    told = out.split("Against the earlier plan:")[1]
    moved = next(row for row in told.splitlines() if "pad moved" in row)
    assert moved.strip().startswith("left ")
    assert "3 mm rearward" in moved
    assert "right pad" not in told
    code, out, _ = run("plan", *wish, "--version", "3", "--against", old)
    assert code == 0
    assert "nothing changes" in out.split("Against the earlier plan:")[1]
    assert not (tmp_path / "larch-v3-against-v1.png").exists()


def test_body_mass_and_ankle_reach_the_plan(run: Run, tmp_path: Path) -> None:
    code, out, _ = run(
        "plan",
        LEFT,
        RIGHT,
        "--shoe",
        SHOE,
        "--body-mass",
        "60",
        "--ankle",
        "left=1.5",
        "--full",
        "--out",
        tmp_path,
    )
    assert code == 0
    assert "body mass 60 kg, as given" in out
    assert "294 N, sole held at +1.5°" in out  # 60 kg x 9.80665 / 2
    assert "294 N: area" in out
    code, _, err = run("plan", LEFT, RIGHT, "--body-mass", "6", "--out", tmp_path)
    assert code == 3
    assert "give 25 to 250 kg" in err


def test_own_limits_reach_the_plan_its_paper_and_the_next_trial(run: Run, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[support]\nfirst_trial = 0.7\n[trial]\ncleat_step = 2\n", encoding="utf-8")
    code, out, _ = run(
        "plan",
        LEFT,
        RIGHT,
        "--shoe",
        SHOE,
        "--load",
        "half",
        "--limits",
        own,
        "--full",
        "--out",
        tmp_path,
    )
    assert code == 0
    assert "wished to fill 70 % of the gap" in out
    assert "support.first_trial 0.7 share of the gap (usual 0.8 share of the gap)" in out
    made = tmp_path / "case-v1-plan.json"
    record = json.loads(made.read_text(encoding="utf-8"))
    assert record["limits"] == {"support.first_trial": 0.7, "trial.cleat_step": 2.0}
    assert record["sources"] == {
        "shoe": Path(SHOE).name,
        "limits": "own.toml",
        "stated": {"--load": "half"},
    }
    code, out, _ = run(
        "trial",
        made,
        "--said",
        "cleat feels too far forward",
        "--same",
        "--on",
        "2026-05-02",
        "--no-red-flags",
        "--log",
        tmp_path / "log.json",
    )
    assert code == 0
    assert "2 mm" in out
    line = shlex.split(out.splitlines()[-1])
    assert line[line.index("--limits") + 1] == "own.toml"
    assert line[line.index("--load") + 1] == "half"
    code, _, err = run("plan", LEFT, "--limits", tmp_path / "none.toml", "--out", tmp_path)
    assert code == 3
    assert "limits file" in err


def test_a_medial_side_stands_unless_it_is_to_run_out(run: Run, tmp_path: Path) -> None:
    code, out, _ = run("plan", LEFT, "--shoe", SHOE, "--load", "half", "--out", tmp_path)
    assert code == 0
    assert "side stands 14.6 mm high: only against the shoe's wall" in out
    code, out, _ = run(
        "plan",
        LEFT,
        "--shoe",
        SHOE,
        "--load",
        "half",
        "--medial-edge",
        "left=0.4",
        "--version",
        "2",
        "--out",
        tmp_path,
    )
    assert code == 0
    assert "medial side stands" not in out
    one, two = (
        json.loads((tmp_path / f"case-v{k}-plan.json").read_text("utf-8"))["left"]["pad"]
        for k in (1, 2)
    )
    assert one["medial_height"] > 5.0 > 1.0 > two["medial_height"]
    assert two["crest"]["height"] <= 0.8 * two["gap_at_crest"]["value"] + 0.05
    for wish, says in (("17", "meets the ankle"), ("0.1", "cannot be 0.1 mm high")):
        code, _, err = run("plan", LEFT, "--shoe", SHOE, "--medial-edge", wish, "--out", tmp_path)
        assert code == 3
        assert says in err
