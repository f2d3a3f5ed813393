"""The command line: exit codes, what goes to which stream, and one sentence for what is wrong."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from insole import cli, workflow
from insole.cli.options.outcomes import progress

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_scans"
LEFT, RIGHT = str(SAMPLES / "larch_left.ply"), str(SAMPLES / "larch_right.ply")
BAD = str(SAMPLES / "larch_right_to_send_back.ply")
SHOE = str(SAMPLES / "shoe.toml")
COMMANDS = (
    "check",
    "measure",
    "fit",
    "plan",
    "make",
    "compare",
    "artefact",
    "trial",
    "questions",
    "bar",
    "settle",
    "shoe",
    "case",
    "trace",
)

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a function that runs the command line and gives code, stdout, stderr."""

    def one(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return one


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plan with a wedge in each forefoot, written by the command."""
    out = tmp_path_factory.mktemp("plans")
    wish = ["--shoe", SHOE, "--forefoot", "2", "--case", "larch"]
    assert cli.main(["plan", LEFT, RIGHT, *wish, "--out", str(out), "--quiet"]) == 0
    return out / "larch-v1-plan.json"


@pytest.fixture
def no_scan_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    def touched(*_: object) -> None:
        raise AssertionError("a scan was read")

    monkeypatch.setattr(workflow, "measure_feet_in", touched)


# ------------------------------------------------------------------ help


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(run: Run, command: str) -> None:
    code, out, err = run(command, "--help")
    assert code == 0
    assert err == ""
    assert out.startswith(f"Usage: solewright {command}")
    assert len(out.splitlines()[2].strip()) > 20  # a sentence on what it does


def test_every_option_has_help() -> None:
    import click

    assert set(cli.cli.commands) >= set(COMMANDS)
    for name, command in cli.cli.commands.items():
        assert command.help, name
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{name} {option.opts}"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom insole import cli\ncode = cli.main(['make', '--help'])\n"
        "heavy = [m for m in ('numpy', 'scipy', 'pydantic', 'trimesh') if m in sys.modules]\n"
        "print('HEAVY', heavy, file=sys.stderr)\nraise SystemExit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "Usage: solewright make" in done.stdout
    assert done.stderr.strip() == "HEAVY []"


def test_questions_lists_every_question(run: Run) -> None:
    from insole.record.questions import QUESTIONS

    code, out, err = run("questions")
    assert (code, err) == (0, "")
    rows = out.splitlines()
    assert len(rows) == len(QUESTIONS)
    for row, question in zip(rows, QUESTIONS, strict=True):
        assert row.split(maxsplit=2) == [question.id, question.grade, question.text]


# ------------------------------------------------------------------ check and measure


def test_check_says_fit_for_making(run: Run) -> None:
    code, out, err = run("check", LEFT)
    assert (code, err) == (0, "")
    assert out.startswith("larch_left.ply: FIT FOR MAKING")
    assert "left foot" in out


def test_check_says_scan_again_and_why(run: Run) -> None:
    code, out, _ = run("check", BAD)
    assert code == 20
    assert "SCAN AGAIN" in out
    deciding = [row for row in out.splitlines() if row.startswith("  * ")]
    # the file was spoilt by a 62 mm hole under the arch and 0.9 mm noise
    assert any("hole" in row.lower() for row in deciding)
    assert any("noise" in row.lower() for row in deciding)


@pytest.mark.parametrize("order", [(LEFT, BAD), (BAD, LEFT)])
def test_check_of_several_returns_the_worst(run: Run, order: tuple[str, str]) -> None:
    code, out, _ = run("check", *order)
    assert code == 20
    assert "FIT FOR MAKING" in out
    assert "SCAN AGAIN" in out


def test_check_json_is_all_of_stdout(run: Run, tmp_path: Path) -> None:
    code, out, err = run("check", LEFT, BAD, "--json", "--picture", tmp_path / "seen.png")
    assert code == 20
    records = json.loads(out)
    assert [record["verdict"] for record in records] == ["fit for making", "scan again"]
    assert "picture written to" in err


def test_check_picture_is_a_png(run: Run, tmp_path: Path) -> None:
    import matplotlib.image

    target = tmp_path / "sole.png"
    code, _, err = run("check", LEFT, "--picture", target)
    assert code == 0
    assert str(target) in err
    assert target.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    picture = matplotlib.image.imread(target)
    assert min(picture.shape[:2]) > 200
    assert float(np.ptp(picture[..., :3])) > 0.5  # something is drawn on it


def test_pictures_of_several_go_into_a_folder_or_beside_a_name(run: Run, tmp_path: Path) -> None:
    again = tmp_path / "larch_left.ply"  # a name twice, from two folders
    again.write_bytes(Path(LEFT).read_bytes())
    code, _, err = run("check", LEFT, BAD, again, "--picture", tmp_path / "seen" / "today")
    assert code == 20
    names = {path.name for path in (tmp_path / "seen" / "today").iterdir()}
    assert names == {
        "larch_left-left.png",
        "larch_left-left-2.png",
        "larch_right_to_send_back-right.png",
    }
    assert len(err.splitlines()) == 3
    assert run("check", LEFT, BAD, "--picture", tmp_path / "one.png", "--quiet")[0] == 20
    assert {path.name for path in tmp_path.glob("*.png")} == {"one.png", "one-2.png"}


def test_check_table_has_a_line_per_foot_and_the_codes_that_decided(run: Run) -> None:
    for arguments in (["check", LEFT, BAD, "--table"], ["check", LEFT, BAD]):
        code, out, err = run(*arguments)
        assert (code, err) == (20, "")
        head, good, bad, *rest = out.splitlines()
        assert head.split() == ["scan", "side", "kind", "verdict", "decided", "by"]
        assert good.split() == [LEFT, "left", "standing", "FIT", "FOR", "MAKING", "–"]
        assert bad.split()[:2] == [BAD, "right"]
        assert "SCAN AGAIN" in bad
        # the file was spoilt by a 62 mm hole under the arch and 0.9 mm noise
        assert {"sole-hole", "noise"} <= set(bad.replace(",", " ").split())
        assert (
            len(
                {
                    row.index(cell)
                    for row, cell in zip((head, good, bad), ("verdict", "FIT", "SCAN"), strict=True)
                }
            )
            == 1
        )
        if "--table" in arguments:
            assert rest == []
        else:  # below the table: what to do about those that are not fit for making
            assert all(row.startswith(BAD) for row in rest if row)
            assert any("Hold the foot still" in row for row in rest)
    code, out, _ = run("check", LEFT, "--table")
    assert code == 0
    assert len(out.splitlines()) == 2


def test_one_bad_file_among_many_never_stops_the_rest(run: Run, tmp_path: Path) -> None:
    """More than three scans go to processes of their own: same order, same results."""
    (tmp_path / "empty.ply").write_bytes(b"")
    broken = tmp_path / "cut.ply"
    broken.write_bytes(Path(LEFT).read_bytes()[:9000])
    files = [broken, RIGHT, tmp_path / "empty.ply", LEFT, tmp_path / "none.ply"]
    code, out, err = run("check", *files, "--json")
    assert code == 3
    records = json.loads(out)
    assert [record.get("verdict", "error") for record in records] == [
        "error",
        "fit for making",
        "error",
        "fit for making",
        "error",
    ]
    assert [record["scan"]["side"] for record in (records[1], records[3])] == ["right", "left"]
    assert len(err.splitlines()) == 3
    for row, name in zip(err.splitlines(), ("cut.ply", "empty.ply", "none.ply"), strict=True):
        assert row.startswith("solewright: ")
        assert name in row
    code, alone, _ = run("check", LEFT, "--json")
    assert json.loads(alone) == records[3]


def test_a_scan_that_ends_its_process_is_named_and_the_rest_go_on(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when the system ends a process that takes all memory: the pool is broken then."""
    from concurrent.futures.process import BrokenProcessPool

    def shared_out(scans: Any, workers: int) -> Iterator[Any]:
        for shots in scans:
            if shots.files[0].name == Path(BAD).name:
                raise BrokenProcessPool
            yield workflow._measured_apart(shots)

    monkeypatch.setattr(workflow, "_shared_out", shared_out)
    code, out, err = run("check", LEFT, BAD, RIGHT, LEFT, "--table")
    assert code == 3
    assert [row.split()[1] for row in out.splitlines()[1:]] == ["left", "–", "right", "left"]
    assert len(err.splitlines()) == 1
    assert "larch_right_to_send_back.ply: reading it ended the program" in err


def test_a_fault_of_ours_stays_with_its_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a list, and with an error that could not be sent from process to process as it is."""
    import pickle

    from footscan.errors import FootscanError, LandmarkError, SideError

    shots = workflow.Shots(files=(Path("a.ply"),))
    for error, words in (
        (ZeroDivisionError("ours"), "a.ply: a fault in the program itself"),
        (MemoryError(), "a.ply: not enough memory"),
        (LandmarkError("mth1", "mth1 is off the foot"), "a.ply: mth1 is off the foot"),
        (SideError("a.ply: which side?"), "a.ply: which side?"),
    ):

        def broken(*_: object, error: Exception = error) -> None:
            raise error

        monkeypatch.setattr(workflow, "measure_feet_in", broken)
        sent = pickle.loads(pickle.dumps(workflow._measured_apart(shots)))
        assert isinstance(sent, FootscanError)
        assert str(sent).startswith(words)
        assert sent.exit_code == 3


def test_long_lists_show_a_bar_at_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def shown(total: int, *, quiet: bool = False, terminal: bool = True) -> str:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal, raising=False)
        with progress(total, quiet) as step:
            for _ in range(total):
                step()
        out, err = capsys.readouterr()
        assert out == ""
        return err

    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "4/4" in shown(4)
    assert shown(3) == ""
    assert shown(4, quiet=True) == ""
    assert shown(4, terminal=False) == ""


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads children from /proc")
@pytest.mark.parametrize("then", [0.0, 2.0])  # workers begin, workers work
def test_a_break_by_the_keyboard_ends_workers_too(then: float) -> None:
    import signal

    with subprocess.Popen(
        [sys.executable, "-m", "insole.cli", "check", *[LEFT] * 40],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as child:
        children = Path(f"/proc/{child.pid}/task/{child.pid}/children")
        while child.poll() is None and len(children.read_text().split()) < 2:
            time.sleep(0.02)
        time.sleep(then)  # long before forty scans are measured
        os.killpg(child.pid, signal.SIGINT)  # as a terminal sends it: to the workers as well
        _, err = child.communicate(timeout=120)  # until the last worker has closed its end
        assert child.returncode == 130
    assert err.strip() == "solewright: stopped; no file is half written"


def test_what_a_pair_shows_is_said_once_and_counts_for_both(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from footscan.quality import pair as quality_pair
    from footscan.results import Finding, Severity

    seen: list[tuple[str, str]] = []

    def found(left: Any, right: Any) -> tuple[Finding, ...]:
        seen.append((left.facts.side, right.facts.side))
        return (
            Finding(
                code="pair-length",
                severity=Severity.MEASURING,
                region="scan",
                text="The feet differ by 9 mm.",
                advice="Check both scales.",
            ),
        )

    monkeypatch.setattr(quality_pair, "pair_findings", found)
    code, out, _ = run("check", RIGHT, LEFT)
    assert code == 10
    assert seen == [("left", "right")]
    assert out.count("pair-length") == 2
    assert out.count("The feet differ by 9 mm.") == 1
    code, out, _ = run("check", RIGHT, LEFT, "--json")
    assert [record["verdict"] for record in json.loads(out)] == ["fit for measuring only"] * 2
    seen.clear()
    assert run("check", LEFT)[0] == 0
    assert seen == []


def test_quiet_check_still_gives_the_verdict_by_its_code(run: Run, tmp_path: Path) -> None:
    code, _, err = run("check", LEFT, "--quiet", "--picture", tmp_path / "sole.png")
    assert (code, err) == (0, "")


def test_measure_json_contract(run: Run) -> None:
    code, out, err = run("measure", LEFT, "--json", "--load", "half")
    assert (code, err) == (0, "")
    record = json.loads(out)
    assert record["tool"]["name"] == "solewright"
    assert set(record) >= {
        "tool",
        "scan",
        "verdict",
        "findings",
        "pose",
        "landmarks",
        "measures",
        "sizes",
    }
    assert set(record["scan"]) >= {
        "file",
        "sha256",
        "unit",
        "unit_evidence",
        "side",
        "side_confidence",
        "kind",
        "load",
        "points",
        "faces",
    }
    assert (record["scan"]["side"], record["scan"]["load"]) == ("left", "half")
    for finding in record["findings"]:
        assert set(finding) == {"code", "severity", "text", "advice", "region", "value", "limit"}
    pose = np.array(record["pose"])
    assert pose.shape == (4, 4)
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(-1, abs=1e-9)  # a left foot is mirrored
    for mark in record["landmarks"].values():
        assert set(mark) >= {"foot_mm", "scanner_mm", "sd_mm", "method"}
        # numbers are rounded to a micrometre, in two frames
        back = pose @ [*mark["scanner_mm"], 1.0]
        assert back[:3] == pytest.approx(mark["foot_mm"], abs=0.005)
    # 268.4 mm by construction; noise and thinning belong to the scan: within 1 %
    length = record["measures"]["foot_length"]
    assert length["unit"] == "mm"
    assert length["sd"] > 0
    assert length["value"] == pytest.approx(268.4, rel=0.01)
    for measure in record["measures"].values():
        assert measure["value"] is not None or measure["reason"]


def test_measure_json_lists_what_failed(run: Run, tmp_path: Path) -> None:
    missing = tmp_path / "missing.ply"
    code, out, err = run("measure", LEFT, missing, RIGHT, "--json")
    assert code == 3
    records = json.loads(out)
    assert [record.get("scan", {}) and "error" in record for record in records] == [
        False,
        True,
        False,
    ]
    assert set(records[1]) == {"scan", "error"}
    assert records[1]["scan"] == str(missing)
    assert len(err.splitlines()) == 1
    assert err.startswith("solewright: ")


def test_measure_table_carries_units_and_uncertainty(run: Run) -> None:
    code, out, err = run("measure", LEFT, RIGHT)
    assert (code, err) == (0, "")
    row = next(row for row in out.splitlines() if row.startswith("foot length"))
    assert row.count("±") == 2
    assert row.count("mm") == 2
    assert "one standard deviation" in out


def test_measure_takes_the_rule_for_eu_sizes(run: Run) -> None:
    """The two rules in use are 0.25 apart."""
    sizes = {}
    for rule in ("two-points", "fifteen-mm"):
        code, out, _ = run("measure", LEFT, "--json", "--eu-rule", rule)
        assert code == 0
        sizes[rule] = json.loads(out)["sizes"]
    assert sizes["fifteen-mm"]["eu"] - sizes["two-points"]["eu"] == pytest.approx(0.25, abs=0.011)
    assert sizes["fifteen-mm"]["formula"] != sizes["two-points"]["formula"]
    _, out, _ = run("measure", LEFT, "--eu-rule", "fifteen-mm")
    assert sizes["fifteen-mm"]["formula"] in out


def test_a_child_s_foot_has_a_mondopoint_size_and_a_reason(run: Run, tmp_path: Path) -> None:
    from footscan.specimen import made_up as specimen
    from footscan.specimen.made_up import ScannerSpec, Shape

    child = specimen.build(Shape(length=200.0, breadth=77.0, arch_height=10.0, cell=2.0))
    path = tmp_path / "child.ply"
    specimen.write_scan(specimen.scan(child, ScannerSpec(), np.random.default_rng(2)), path)
    code, out, _ = run("measure", path, "--json")
    record = json.loads(out)
    assert code == 0
    assert set(record["sizes"]) == {"mondopoint", "reason"}
    assert record["sizes"]["mondopoint"].startswith("200/")
    code, out, _ = run("measure", path)
    assert f"right: only the Mondopoint size, {record['sizes']['reason']}" in out
    row = next(row for row in out.splitlines() if row.startswith("size EU"))
    assert row.split()[-1] == "–"


def test_measure_expects_the_length_on_both_feet_of_an_unloaded_one(run: Run) -> None:
    """Plus 1.07 % (Xiong et al. 2009), said to be an expectation; a loaded foot has no such row."""
    code, out, _ = run("measure", LEFT, RIGHT, "--load", "none")
    assert code == 0
    rows = {row[:24].strip(): row[24:].split() for row in out.splitlines()}
    for measured, expected in zip(rows["foot length"][::4], rows["on both feet"][::4], strict=True):
        assert float(expected) == pytest.approx(float(measured) * 1.0107, abs=0.1)
    assert "expected, not measured" in out
    assert "Xiong" in out
    _, out, _ = run("measure", LEFT, RIGHT, "--load", "half")
    assert "on both feet" not in out


def test_measure_says_what_differs_between_left_and_right(run: Run) -> None:
    """Made 2.5 mm apart in length, 0.9 in breadth and 2.1 under the arch, not at the navicular."""
    _, out, _ = run("measure", RIGHT, LEFT)
    block = out[out.index("Left and right differ") :]
    for words, made in (("foot length: right", 2.5), ("arch apex height: left", 2.1)):
        told = re.search(rf"{words} larger by ([\d.]+) mm \(beyond ± ([\d.]+) mm\)", block)
        assert told is not None, words
        assert float(told[1]) == pytest.approx(made, abs=float(told[2]))
    assert "navicular" not in block


def test_repeated_scans_of_one_foot(run: Run) -> None:
    again = str(SAMPLES / "larch_left_floor_metres.ply")
    code, out, err = run("measure", LEFT, again, "--repeated")
    assert (code, err) == (0, "")
    block = out[out.index("left foot, 2 shots") :].splitlines()
    row = next(row for row in block if row.startswith("foot length"))
    mean, sd = float(row[24:].split()[0]), float(row[24:].split()[2])
    first, second = (
        float(v)
        for v in next(r for r in out.splitlines() if r.startswith("foot length"))[24:].split()[::4]
    )
    assert mean == pytest.approx((first + second) / 2, abs=0.06)  # printed to a tenth
    assert sd == pytest.approx(abs(first - second) / 2, abs=0.06)
    assert "take a third" in out
    assert "Left and right" not in out


def test_repeated_scans_of_both_feet_are_refused(run: Run) -> None:
    code, out, err = run("measure", LEFT, RIGHT, "--repeated")
    assert (code, out) == (3, "")
    assert "repeated scans want one foot" in err


def test_a_landmark_belongs_to_the_scan_that_its_number_names(run: Run) -> None:
    record = json.loads(run("measure", RIGHT, "--json")[1])
    at = record["landmarks"]["mth1"]["scanner_mm"]
    place = ",".join(f"{v:.3f}" for v in at)
    code, out, _ = run("measure", LEFT, RIGHT, "--json", "--landmark", f"2:mth1={place}")
    left, right = json.loads(out)
    assert code == 0
    assert left["landmarks"]["mth1"]["method"] != "by hand"
    assert right["landmarks"]["mth1"]["method"] == "by hand"
    assert right["landmarks"]["mth1"]["scanner_mm"] == pytest.approx(at, abs=0.002)
    assert "automatic_foot_mm" in right["landmarks"]["mth1"]
    _, out, _ = run("measure", LEFT, RIGHT, "--landmark", f"2:mth1={place}")
    assert "right mth1 was set by hand, 0.0 mm from where the scan shows it" in out


def _moved(run: Run, name: str, step: list[float]) -> str:
    """Return the option that moves a landmark of the right sample, foot frame, mm."""
    record = json.loads(run("measure", RIGHT, "--json", "--load", "half")[1])
    pose = np.array(record["pose"])
    foot = np.array(record["landmarks"][name]["foot_mm"]) + step
    there = np.linalg.solve(pose[:3, :3], foot - pose[:3, 3])
    return f"{name}=" + ",".join(f"{v:.4f}" for v in there)


def _planned(run: Run, out: Path, *extra: str) -> dict[str, Any]:
    code, text, err = run(
        "plan", RIGHT, "--load", "half", "--json", "--forefoot", "2", "--out", out, *extra
    )
    assert code == 0, err
    return json.loads(text)["right"]


def test_an_apex_set_by_hand_moves_the_pad(run: Run, tmp_path: Path) -> None:
    before = _planned(run, tmp_path / "a")
    moved = _moved(run, "arch_apex", [-8.0, 0, 0])
    after = _planned(run, tmp_path / "b", "--landmark", moved)
    step = after["landmarks"]["arch_apex"][0] - before["landmarks"]["arch_apex"][0]
    assert step == pytest.approx(-8.0, abs=0.1)  # the seated foot is turned by a degree or two
    crests = [plan["pad"]["crest"]["from_rear"] for plan in (before, after)]
    # on a grid of 3 mm, within 3 mm ahead and 5 mm behind of its own apex
    assert -12.0 < crests[1] - crests[0] < -3.0
    assert any("arch apex was set by hand, 8.0 mm from" in n["text"] for n in after["notes"])
    assert after["measures"]["arch_apex_height"]["sd"] > 0


def test_heads_set_by_hand_move_cleat_wedge_and_ball_line(run: Run, tmp_path: Path) -> None:
    """The first head felt 12 mm farther back than the scan shows it, then the fifth."""
    before = _planned(run, tmp_path / "a")
    after = _planned(run, tmp_path / "b", "--landmark", _moved(run, "mth1", [-12.0, 0, 0]))
    for plan in (before, after):  # the axle is laid out from the first head
        mth1, mth5 = plan["landmarks"]["mth1"][0], plan["landmarks"]["mth5"][0]
        cleat = plan["cleat"]
        assert cleat["from_mth5"] == pytest.approx(mth1 + cleat["from_ball_mark"] - mth5, abs=0.02)
    assert before["landmarks"]["mth1"][0] - after["landmarks"]["mth1"][0] == pytest.approx(
        12.0, abs=0.1
    )
    # the ramp is full to a fixed way ahead of the foremost head: it follows the first
    assert before["wedges"][0]["full_to"] - after["wedges"][0]["full_to"] == pytest.approx(
        12.0, abs=0.1
    )
    assert any("mth1 was set by hand, 12.0 mm from" in note["text"] for note in after["notes"])
    # the grid for pads ends a fixed way behind the ball line's rear end: the border point, or
    # the head where that lies farther back
    after = _planned(run, tmp_path / "c", "--landmark", _moved(run, "mth5", [-12.0, 0, 0]))
    marks = before["landmarks"]
    ahead = marks["mth5"][0] - marks["metatarsale_fibulare"][0]
    assert ahead > 0
    assert before["base"]["grid_to"] - after["base"]["grid_to"] == pytest.approx(
        12.0 - ahead, abs=0.1
    )


def test_compare_and_fit_speak_in_words_and_json(run: Run) -> None:
    code, out, _ = run("compare", LEFT, RIGHT)
    assert code == 0
    assert "mm" in out
    code, out, _ = run("compare", LEFT, RIGHT, "--json")
    assert code == 0
    assert json.loads(out)
    code, out, err = run("fit", LEFT, RIGHT, "--shoe", SHOE, "--shoe", SAMPLES / "shoe_wide.toml")
    assert (code, err) == (0, "")
    assert out.startswith("1. ")
    assert "\n2. " in out
    code, out, _ = run(
        "fit", LEFT, RIGHT, "--shoe", SHOE, "--shoe", SAMPLES / "shoe_wide.toml", "--json"
    )
    assert code == 0
    ranked = json.loads(out)
    assert [record["place"] for record in ranked] == [1, 2]
    assert {record["shoe"][:9] for record in ranked} == {"Demo shoe"}
    for record in ranked:
        assert [foot["side"] for foot in record["feet"]] == ["left", "right"]
        assert record["reasons"]


@pytest.mark.long
def test_compare_tells_two_peoples_feet_from_two_scans_of_one(run: Run, tmp_path: Path) -> None:
    """A foot against itself, and against one 3 % larger: exit 0 and 10."""
    from footscan import reading

    assert run("compare", LEFT, LEFT)[0] == 0
    scan = reading.read([LEFT])
    larger = tmp_path / "other.stl"
    trimesh.Trimesh(1.03 * scan.vertices, scan.faces, process=False).export(larger)
    code, out, err = run("compare", LEFT, larger)
    assert (code, err) == (10, "")
    assert out.startswith("two scans of one side, not alike")
    assert "These are not two scans of one foot alike: " in out
    assert run("compare", LEFT, larger, "--json")[0] == 10


def test_compare_writes_a_picture(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "apart.png"
    code, out, err = run("compare", LEFT, RIGHT, "--picture", target)
    assert code == 0
    assert target.read_bytes()[:4] == b"\x89PNG"
    assert str(target) in err
    # the foot limit of ISO 20685-1 is 2 mm; made 1.0 mm apart in breadth, 2.4 in length
    rows = {row[:24].strip(): row for row in out.splitlines()}
    assert "over 2 mm" not in rows["foot breadth"]
    told = [row for row in rows.values() if " mm" in row and "±" in row and "rms" not in row]
    assert len(told) > 10
    for row in told:
        assert ("over 2 mm" in row) is (abs(float(row[42:51])) > 2.0), row
    assert "two scans are no verdict" in out


def test_compare_judges_a_series(run: Run, tmp_path: Path) -> None:
    """40 people, mean 0.5, SD 2.0: within; the first 39 of them: no verdict."""
    values = np.linspace(-1, 1, 40)
    errors = 0.5 + 2.0 * values / values.std(ddof=1)
    rows = [f"foot_length,{error:.6f}" for error in errors]
    table = tmp_path / "series.csv"
    table.write_text("\n".join(["measure,difference", *rows]), encoding="utf-8")
    code, out, err = run("compare", "--series", table)
    assert (code, err) == (0, "")
    assert "within the limit of 2 mm: 95 % interval of the mean error -0.12 to +1.12 mm" in out
    table.write_text("\n".join(["measure,difference", *rows[:39]]), encoding="utf-8")
    code, out, _ = run("compare", "--series", table, "--json")
    assert code == 0
    assert json.loads(out)[0]["rules"][0]["holds"] is None
    code, _, err = run("compare", "--series", tmp_path / "none.csv")
    assert code == 3
    assert len(err.splitlines()) == 1


# ------------------------------------------------------------------ scanner checks


@pytest.fixture
def bar(tmp_path: Path) -> Path:
    """Return a scan of two balls of 30 mm, 200 mm apart, 0.1 % too long."""
    rng = np.random.default_rng(1)
    way = rng.standard_normal((1500, 3))
    ball = 15 * way / np.linalg.norm(way, axis=1, keepdims=True)
    points = 1.001 * np.concatenate([ball, ball + np.array([0.0, 200.0, 0.0])])
    path = tmp_path / "bar.xyz"
    np.savetxt(path, points, fmt="%.6f")
    return path


def test_artefact_tells_errors_and_that_it_is_no_certificate(run: Run, bar: Path) -> None:
    code, out, err = run("artefact", bar, "--ball", "30", "--spacing", "200")
    assert (code, err) == (0, "")
    assert "scale factor" in out
    assert "1.00100" in out
    assert "+0.200" in out  # sphere spacing error, mm
    assert "not a certificate" in out
    assert "VDI/VDE 2634" in out


def test_artefact_keeps_a_log_and_shows_its_drift(run: Run, bar: Path, tmp_path: Path) -> None:
    from datetime import date, timedelta

    log = tmp_path / "checks.csv"
    ask = ["artefact", bar, "--ball", "30", "--spacing", "200", "--log", log, "--scanner", "bench"]
    day = date.today() - timedelta(days=40)
    assert run(*ask, "--date", day.isoformat())[0] == 0
    first = log.read_bytes()
    np.savetxt(bar, 1.003 * np.loadtxt(bar), fmt="%.6f")
    code, out, err = run(*ask)
    assert code == 0
    assert f"added to {log}" in err
    assert "drifted by +0.30 %" in out
    assert log.read_bytes().startswith(first)
    code, out, _ = run("artefact", "--drift", log)
    assert code == 0
    assert "bench, ball bar 30 mm 200 mm apart: 2 checks" in out
    assert "scale +0.300" in out
    assert "in 40 days" in out
    code, out, _ = run("artefact", "--drift", log, "--json")
    assert json.loads(out)[0]["scale_change_percent"] == pytest.approx(0.3, abs=0.002)
    log.write_bytes(log.read_bytes()[:-9])
    before = log.read_bytes()
    code, out, err = run(*ask)
    assert (code, out) == (3, "")
    assert len(err.splitlines()) == 1
    assert "line 3, is damaged" in err
    assert log.read_bytes() == before


@pytest.mark.long
def test_nonsense_vouches_for_no_scale(run: Run, tmp_path: Path) -> None:
    """A foot given as a ball, a stretched ball, a ball stated too large: exit 10, no evidence."""
    rng = np.random.default_rng(1)
    way = rng.standard_normal((3000, 3))
    ball = 25 * way / np.linalg.norm(way, axis=1, keepdims=True)
    scans = {"round": ball, "stretched": ball * [1.03, 0.97, 1.0]}
    for name, points in scans.items():
        np.savetxt(tmp_path / f"{name}.xyz", points, fmt="%.6f")
    asked = {
        "round": (tmp_path / "round.xyz", "50", 0),
        "stretched": (tmp_path / "stretched.xyz", "50", 10),
        "larger": (tmp_path / "round.xyz", "60", 10),
        "foot": (LEFT, "135.76", 10),
    }
    for name, (scan, size, wanted) in asked.items():
        log = tmp_path / f"{name}.csv"
        code, out, _ = run("artefact", scan, "--ball", size, "--log", log, "--scanner", "bench")
        assert code == wanted, name
        assert ("Not passed: " in out) is (wanted == 10), name
        code, out, _ = run(
            "check", LEFT, "--load", "half", "--hand-held", "--scanner-log", log, "--json"
        )
        codes = [finding["code"] for finding in json.loads(out)["findings"]]
        assert (code, "scale-unverified" in codes) == (wanted, wanted == 10), name


# ------------------------------------------------------------------ wrong use


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure", LEFT, "--unit", "mm", "--scale", "1"], "--unit or --scale, not both"),
        (["measure", LEFT, "--scale", "-2"], "positive number of millimetres"),
        (["measure", LEFT, "--scale", "nan"], "positive number of millimetres"),
        (["measure", LEFT, RIGHT, "--side", "left"], "given 1 times for 2 scans"),
        (["measure", LEFT, "--foot-length", "268", "--foot-length", "270"], "given 2 times for 1"),
        (["measure", LEFT, "--landmark", "mth1=1,2"], "NAME=X,Y,Z"),
        (["measure", LEFT, "--landmark", "mth1=1,2,nan"], "NAME=X,Y,Z"),
        (["measure", LEFT, "--landmark", "x:mth1=1,2,3"], "NAME=X,Y,Z"),
        (["measure", LEFT, RIGHT, "--landmark", "mth1=1,2,3"], "belongs to one foot"),
        (["measure", LEFT, RIGHT, "--landmark", "3:mth1=1,2,3"], "numbered 1 to 2"),
        (["measure", LEFT, "--repeated"], "two or more scans of one foot"),
        (["measure", LEFT, RIGHT, "--repeated", "--json"], "prints text"),
        (["measure", LEFT, RIGHT, "--repeated", "--one-foot"], "prints text"),
        (["measure", LEFT, "--eu-rule", "best"], "'two-points', 'fifteen-mm'"),
        (["check", LEFT, "--picture", "sole.jpg"], "a name that ends in .png"),
        (["compare", LEFT], "give two scans, or --series and no scan"),
        (["compare", LEFT, RIGHT, "--series", "s.csv"], "give two scans, or --series and no scan"),
        (["compare", LEFT, RIGHT, "--picture", "a.svg"], "a name that ends in .png"),
        (["artefact"], "give the scan of an artefact, or --drift"),
        (["artefact", LEFT, "--drift", "log.csv"], "give the scan of an artefact, or --drift"),
        (["artefact", LEFT], "say what was scanned"),
        (["artefact", LEFT, "--ball", "30", "--plate"], "say what was scanned"),
        (["artefact", LEFT, "--ball", "30", "--log", "l.csv"], "--scanner NAME"),
        (["artefact", LEFT, "--ball", "30", "--date", "2999-01-01"], "lies ahead of today"),
        (["make", LEFT, "--bed", "220"], "--bed wants two sizes in mm"),
        (["make", LEFT, "--bed", "10x220"], "40 to 2000"),
        (["make", LEFT, "--bed", "nanxnan"], "40 to 2000"),
        (["make", LEFT, "--override", "wedge;me;because"], "LIMIT;WHO;WHY;WHEN"),
        (["make", LEFT, "--override", "wedge;me;;today"], "all four filled"),
        (["plan", LEFT, "--shift-pad", "3"], "--shift-pad: '3' cannot be read"),
        (["plan", LEFT, "--shift-pad", "1,2,3"], "--shift-pad: '1,2,3' cannot be read"),
        (["plan", LEFT, "--shift-pad", "middle=1,2"], "neither left nor right"),
        (["plan", LEFT, "--pad-source", "guess"], "--pad-source: 'guess' cannot be read"),
        (["plan", LEFT, "--answer", "diabetes"], "QUESTION=yes or QUESTION=no"),
        (["measure"], "Missing argument"),
        (["nonsense"], "No such command"),
        (["make", LEFT, "--kerf", "-1"], "0<=x<=5"),
    ],
)
@pytest.mark.usefixtures("no_scan_is_read")
def test_wrong_use_exits_2_with_a_sentence(
    run: Run, arguments: list[str], words: str, tmp_path: Path
) -> None:
    extra = ["--out", tmp_path / "out"] if arguments[0] in ("plan", "make") else []
    code, out, err = run(*arguments, *extra)
    assert (code, out) == (2, "")
    last = err.strip().splitlines()[-1]
    assert last.startswith("Error: ")
    assert words in last
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ what is no foot


def _nonsense(folder: Path) -> dict[str, str]:
    """Fill a folder with files that are no foot; return a word that must be said about each."""
    (folder / "empty.ply").write_bytes(b"")
    (folder / "text.stl").write_text("milk, bread, and a new inner tube\n")
    whole = Path(LEFT).read_bytes()
    (folder / "short.ply").write_bytes(whole[: len(whole) // 2])
    fine = trimesh.creation.box((260.0, 100.0, 90.0))
    for _ in range(5):
        fine = fine.subdivide()
    fine.export(folder / "cube.ply")
    trimesh.creation.box((260.0, 100.0, 90.0)).export(folder / "coarse_cube.stl")
    flat = trimesh.Trimesh(fine.vertices * [1, 1, 0], fine.faces, process=False)
    flat.export(folder / "plane.ply")
    trimesh.creation.icosphere(subdivisions=5, radius=130.0).export(folder / "sphere.stl")
    (folder / "a_folder.ply").mkdir()
    return {
        "empty.ply": "empty",
        "text.stl": "text.stl",
        "short.ply": "cut short",
        "cube.ply": "no foot",
        "coarse_cube.stl": "points",
        "plane.ply": "flat",
        "sphere.stl": "no foot",
        "missing.ply": "not there",
        "a_folder.ply": "folder",
    }


def test_nonsense_gets_one_sentence_and_no_file(run: Run, tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    for name, words in _nonsense(scans).items():
        code, printed, err = run("make", scans / name, "--out", out)
        said = [row for row in err.splitlines() if row != "measuring and planning"]
        assert (code, printed) == (3, ""), name
        assert len(said) == 1, (name, said)
        assert said[0].startswith("solewright: "), name
        assert words in said[0], (name, said)
        assert not out.exists(), name


def test_a_damaged_plan_gets_one_sentence(run: Run, plan_file: Path, tmp_path: Path) -> None:
    record = json.loads(plan_file.read_text(encoding="utf-8"))
    record["left"]["base"]["thickness"] = "thick"
    cases = {
        "cut.json": plan_file.read_text(encoding="utf-8")[:400],
        "list.json": "[]",
        "wrong.json": json.dumps(record),
        "binary.json": "\x00\x01",
    }
    for name, text in cases.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        code, _, err = run("make", tmp_path / name, "--out", tmp_path / "out")
        assert code == 3, name
        assert len(err.splitlines()) == 1, (name, err)
        assert err.startswith("solewright: "), name
    code, _, err = run("make", tmp_path / "gone.json", "--out", tmp_path / "out")
    assert code == 3
    assert "cannot be read" in err
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------ refused for safety


@pytest.mark.usefixtures("no_scan_is_read")
def test_a_stop_answer_comes_before_any_scan(run: Run, tmp_path: Path) -> None:
    for command in ("plan", "make"):
        code, out, err = run(
            command, LEFT, RIGHT, "--answer", "diabetes=yes", "--out", tmp_path / "out"
        )
        assert (code, out) == (4, "")
        assert "answered yes to diabetes" in err
        assert "clinician" in err
        assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("no_scan_is_read")
def test_an_unknown_question_is_named(run: Run, tmp_path: Path) -> None:
    code, _, err = run("plan", LEFT, "--answer", "diabets=no", "--out", tmp_path / "out")
    assert code == 3
    assert "did you mean diabetes" in err


def test_a_clinicians_word_lets_it_pass_and_is_kept(run: Run, tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text('[answers]\ndiabetes = "yes"\nwound = false\n', encoding="utf-8")
    word = "Dr Alder, 2026-05-31"
    code, out, _ = run(
        "plan", LEFT, "--answers", answers, "--clinician", word, "--json", "--out", tmp_path
    )
    assert code == 0
    record = json.loads(out)
    assert record["clinician"] == word
    assert (record["answers"]["diabetes"], record["answers"]["wound"]) == ("yes", "no")
    assert record["answers"]["calf_swelling"] == "not asked"  # nobody asked: never a no
    assert any("on the word of Dr Alder" in note["text"] for note in record["notes"])


def test_a_plan_on_file_is_no_way_around_a_stop(run: Run, plan_file: Path, tmp_path: Path) -> None:
    record = json.loads(plan_file.read_text(encoding="utf-8"))
    record["answers"]["wound"] = "yes"
    (tmp_path / "stopped.json").write_text(json.dumps(record), encoding="utf-8")
    made = ("make", tmp_path / "stopped.json", "--thick-edges-checked", "--out", tmp_path / "out")
    code, _, err = run(*made)
    assert code == 3
    assert "its seal is broken" in err
    code, _, err = run(*made, "--edited")
    assert code == 4
    assert "answered yes to wound" in err
    assert not (tmp_path / "out").exists()


def test_thick_edges_must_be_read_first(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    for quiet in ([], ["--quiet"]):
        code, out, err = run("make", plan_file, "--out", tmp_path / "out", *quiet)
        assert (code, out) == (4, "")
        assert "--thick-edges-checked" in err
        assert (
            "wedge: left foot, inside forefoot: asked for 2° varus, the shoe has 1° varus, the "
            "shim is 1° varus, thick on the big-toe side" in err
        )
        assert not (tmp_path / "out").exists()


def test_thick_edges_answered_at_the_terminal(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import click

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "confirm", lambda *_, **__: False)
    code, _, err = run("make", plan_file, "--out", tmp_path / "out")
    assert code == 4
    assert "not confirmed" in err
    assert not (tmp_path / "out").exists()


def test_two_scans_of_one_side_are_refused(run: Run, tmp_path: Path) -> None:
    again = tmp_path / "again.ply"
    again.write_bytes(Path(LEFT).read_bytes())
    code, _, err = run("plan", LEFT, again, "--out", tmp_path / "out")
    assert code == 3
    assert "larch_left.ply and again.ply both show the left foot" in err
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------ plans


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


# ------------------------------------------------------------------ faults of the program


def test_a_fault_of_ours_is_one_sentence(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(workflow, "measure_each", broken)
    monkeypatch.delenv("SOLEWRIGHT_TRACEBACK", raising=False)
    code, out, err = run("measure", LEFT)
    assert (code, out) == (70, "")
    assert len(err.splitlines()) == 1
    assert err.startswith("solewright: a fault in the program itself (ZeroDivisionError: by zero)")
    monkeypatch.setenv("SOLEWRIGHT_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(["measure", LEFT])


def test_out_of_memory_and_a_break_are_told(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise MemoryError

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(workflow, "measure_each", full)
    code, _, err = run("measure", LEFT)
    assert code == 3
    assert "not enough memory" in err
    monkeypatch.setattr(workflow, "measure_each", stopped)
    code, _, err = run("measure", LEFT)
    assert code == 130
    assert "no file is half written" in err


def test_the_installed_command_returns_the_code() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "insole.cli", "measure", "nowhere.ply"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.startswith("solewright: nowhere.ply")
    assert len(done.stderr.splitlines()) == 1


# ------------------------------------------------------------------ trial


def test_a_trial_is_logged_and_its_options_plan_the_step(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """The printed command, with the places of its files, changes one thing and nothing else."""
    log, said = tmp_path / "log.json", "lump in the arch"
    code, out, err = run(
        "trial",
        plan_file,
        "--said",
        said,
        "--side",
        "left",
        "--same",
        "--no-red-flags",
        "--on",
        "2026-05-02",
        "--log",
        log,
    )
    assert (code, err) == (0, "")
    line = shlex.split(out.splitlines()[-1])
    assert line[:2] == ["solewright", "plan"]
    places = {Path(LEFT).name: LEFT, Path(RIGHT).name: RIGHT, Path(SHOE).name: SHOE}
    arguments = [places.get(part, part) for part in line[1:]]
    code, out, _ = run(*arguments, "--out", tmp_path)
    assert code == 0
    changes = out.split("Against the earlier plan:")[1].splitlines()
    levels = [c for c in changes if "support level" in c]
    assert next(c.strip() for c in levels).startswith("left support level: ")
    assert not [c for c in changes if c.strip().startswith("right")]
    old, new = (
        json.loads(p.read_text(encoding="utf-8"))
        for p in (plan_file, tmp_path / "larch-v2-plan.json")
    )
    assert set(new["wishes"]["left"]) == {"support_level"}
    assert new["wishes"] == old["wishes"] | {"left": new["wishes"]["left"]}
    assert new["left"]["pad"]["crest"]["height"] < old["left"]["pad"]["crest"]["height"] - 0.7
    code, out, _ = run("trial", "--show", log)
    assert code == 0
    assert f'the rider said: "{said}"' in out
    assert json.loads(log.read_text(encoding="utf-8"))["trials"][0]["step"]["thing"] == "pad"


def test_a_stop_word_is_logged_and_ends_with_4(run: Run, plan_file: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.json"
    code, out, _ = run(
        "trial", plan_file, "--said", "toes go numb", "--worse", "--on", "2026-05-02", "--log", log
    )
    assert code == 4
    assert "ask a clinician" in out
    assert "solewright plan" not in out
    code, out, err = run(
        "trial",
        plan_file,
        "--said",
        "toes are numb",
        "--worse",
        "--on",
        "2026-05-03",
        "--log",
        log,
        "--json",
    )
    assert code == 4
    assert "ask a clinician" in err
    assert json.loads(out)["command"] is None
    assert len(json.loads(run("trial", "--show", log, "--json")[1])) == 2


def test_a_case_keeps_plan_and_trials(run: Run, plan_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "larch"
    for day in ("2026-05-01", "2026-05-02"):
        code, _, err = run(
            "trial", plan_file, "--said", "fine", "--better", "--on", day, "--log", folder
        )
        assert (code, err) == (0, "")
    assert (folder / "plans" / "plan-001.json").read_bytes() == plan_file.read_bytes()
    assert sorted(p.name for p in (folder / "trials").iterdir()) == [
        "trial-001.json",
        "trial-002.json",
    ]
    code, _, err = run("trial", plan_file, "--on", "2026-05-01", "--log", tmp_path / "oak")
    assert (code, err) == (0, "")
    assert (tmp_path / "oak" / "larch" / "trials" / "trial-001.json").exists()


def test_plan_make_trial_and_case_agree_on_one_folder(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    """A named case keeps plans and trials by itself, in the folder that parts go into."""
    code, _, err = run("make", plan_file, "--thick-edges-checked", "--out", tmp_path)
    assert code == 0, err
    made = tmp_path / "larch-v1" / "plan.json"
    code, out, err = run(
        "trial", made, "--felt", "too high", "--same", "--no-red-flags", "--on", "2026-05-02"
    )
    assert (code, err) == (0, "")
    assert "red flags: no: pain, numbness, tingling, cramp, slipping, stuck" in out
    code, out, _ = run("case", tmp_path)
    assert out.startswith("larch: plans 1; 1 trials")
    assert (plan_file.parent / "larch" / "plans" / "plan-001.json").exists()  # kept by plan
    other = json.loads(plan_file.read_text(encoding="utf-8")) | {"date": "May"}
    changed = tmp_path / "changed.json"
    changed.write_text(json.dumps(other), encoding="utf-8")
    code, _, err = run("make", changed, "--thick-edges-checked", "--out", tmp_path)
    assert code == 3
    assert "give this one a new --version" in err


def test_red_flags_are_asked_at_the_terminal(
    run: Run, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not given is asked; skipped is not asked."""
    import click

    typed = iter(["no", "no", "skip", "no", "no"])
    asked = []

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        return next(typed)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--flag",
        "cramp=no",
        "--on",
        "2026-05-02",
        "--log",
        tmp_path / "log.json",
    )
    assert code == 0
    assert len(asked) == 5
    assert all(text.endswith("?") for text in asked)
    assert "not asked: tingling; no step" in out


def test_loose_plans_are_shown_and_can_be_kept(run: Run, plan_file: Path, tmp_path: Path) -> None:
    (tmp_path / "larch-v1").mkdir()
    (tmp_path / "larch-v1" / "plan.json").write_bytes(plan_file.read_bytes())
    code, out, _ = run("case", tmp_path)
    assert code == 0
    assert "plans that no case keeps: larch v1" in out
    assert run("case", tmp_path, "--keep")[1].startswith("larch: plans 1; 0 trials")


def test_red_flags_are_options_and_unasked_ones_give_no_step(
    run: Run, plan_file: Path, tmp_path: Path
) -> None:
    log = ["--on", "2026-05-02", "--log", tmp_path / "log.json"]
    code, out, _ = run("trial", plan_file, "--felt", "too high", "--same", *log)
    assert code == 0
    assert "not asked: pain" in out
    assert "solewright plan" not in out
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--no-red-flags",
        "--flag",
        "cramp=yes",
        *log,
    )
    assert code == 4
    assert "cramp: yes" in out
    code, out, _ = run(
        "trial",
        plan_file,
        "--felt",
        "too high",
        "--same",
        "--no-red-flags",
        "--corrects",
        "2",
        "--because",
        "typed wrong",
        *log,
    )
    assert code == 0
    assert "in the place of trial 2: typed wrong" in out
    assert "solewright plan" in out
    for wrong, code, says in (("cramp", 2, "NAME=yes or NAME=no"), ("cramps=no", 3, "mean cramp")):
        got, _, err = run("trial", plan_file, "--same", "--flag", wrong, *log)
        assert got == code
        assert says in err


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (["--log", "LOG"], 2, "--on YYYY-MM-DD"),
        (
            ["--log", "LOG", "--on", "2026-05-01", "--said", "fine"],
            2,
            "--better, --same or --worse",
        ),
        (["--log", "LOG", "--on", "May", "--better"], 3, "give it as YYYY-MM-DD"),
        (["--log", "BAD", "--on", "2026-05-01", "--better"], 3, "is damaged"),
    ],
)
def test_a_wrong_trial_is_one_sentence(
    run: Run, plan_file: Path, tmp_path: Path, options: list[str], code: int, says: str
) -> None:
    (tmp_path / "bad.json").write_text("{")
    names = {"LOG": tmp_path / "log.json", "BAD": tmp_path / "bad.json"}
    got, _, err = run("trial", plan_file, *[names.get(o, o) for o in options])
    assert got == code
    assert says in err
    assert not (tmp_path / "log.json").exists()


def test_showing_no_log_is_one_sentence(run: Run, tmp_path: Path) -> None:
    code, _, err = run("trial", "--show", tmp_path / "none.json")
    assert code == 3
    assert "there is no trial log" in err


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


# ------------------------------------------------------------------ limits, medial edge, cases


def test_own_limits_reach_the_plan_its_paper_and_the_next_trial(run: Run, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[support]\nfirst_trial = 0.7\n[trial]\ncleat_step = 2\n")
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
        json.loads((tmp_path / f"case-v{k}-plan.json").read_text())["left"]["pad"] for k in (1, 2)
    )
    assert one["medial_height"] > 5.0 > 1.0 > two["medial_height"]
    assert two["crest"]["height"] <= 0.8 * two["gap_at_crest"]["value"] + 0.05
    for wish, says in (("17", "meets the ankle"), ("0.1", "cannot be 0.1 mm high")):
        code, _, err = run("plan", LEFT, "--shoe", SHOE, "--medial-edge", wish, "--out", tmp_path)
        assert code == 3
        assert says in err


def test_a_case_is_shown_exported_and_erased(run: Run, plan_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "larch"
    run("trial", plan_file, "--said", "fine", "--better", "--on", "2026-05-01", "--log", folder)
    code, out, _ = run("case", tmp_path)
    assert code == 0
    assert out.startswith("larch, opened 2026-05-01: plans 1; 1 trials")
    assert "trial 1, 2026-05-01, plan 1: no step" in run("case", folder)[1]
    run(
        "trial",
        plan_file,
        "--said",
        "good",
        "--better",
        "--on",
        "2026-05-01",
        "--log",
        folder,
        "--corrects",
        "1",
        "--because",
        "another word",
    )
    rows = run("case", folder)[1].splitlines()
    assert [row.split(", plan 1: ")[1] for row in rows[1:3]] == ["corrected by trial 2", "no step"]
    code, _, err = run("case", folder, "--erase", "oak")
    assert code == 3
    assert "repeat its name" in err
    code, out, _ = run("case", folder, "--export", tmp_path / "larch.zip", "--erase", "larch")
    assert code == 0
    assert not folder.exists()
    with zipfile.ZipFile(tmp_path / "larch.zip") as kept:
        assert kept.read("larch/plans/plan-001.json") == plan_file.read_bytes()
    assert run("case", folder)[0] == 3
    assert run("case", tmp_path)[1].strip() == f"{tmp_path} holds no case"


def test_a_scanners_log_verifies_the_scale_for_thirty_days(
    run: Run, bar: Path, tmp_path: Path
) -> None:
    """Checked today: no finding, even hand-held. Checked in 2020: unverified, measuring only."""
    ask = ["artefact", bar, "--ball", "30", "--spacing", "200", "--scanner", "bench", "--log"]
    fresh, old = tmp_path / "fresh.csv", tmp_path / "old.csv"
    assert run(*ask, fresh)[0] == 0
    assert run(*ask, old, "--date", "2020-01-01")[0] == 0
    ways = {
        (): (0, True),
        ("--scanner-log", fresh): (0, False),
        ("--scanner-log", old): (0, True),
        ("--hand-held",): (10, True),
        ("--hand-held", "--scanner-log", fresh): (0, False),
        ("--hand-held", "--scanner-log", old, "--scanner", "bench"): (10, True),
    }
    for options, (wanted, unverified) in ways.items():
        code, out, _ = run("check", LEFT, "--load", "half", "--json", *options)
        record = json.loads(out)
        codes = [finding["code"] for finding in record["findings"]]
        assert (code, "scale-unverified" in codes) == (wanted, unverified), options
    code, out, _ = run("check", LEFT, "--load", "half", "--scanner-log", old)
    assert "bench was checked on 2020-01-01" in out
    code, _, err = run("check", LEFT, "--scanner-log", fresh, "--scanner", "other")
    assert code == 3
    assert "holds no check of other" in err
    assert run("check", LEFT, "--scanner", "other")[0] == 2
