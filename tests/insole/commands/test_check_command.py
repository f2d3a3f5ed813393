"""The technician's check: verdicts, codes, pictures, many scans, one bad file among them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from footscan.errors import FootscanError
from insole.cli.options.outcomes import outcomes_of, progress
from insole.workflow import measuring, processes
from insole.workflow.request import Shots
from tests.command_line import BAD, LEFT, RIGHT, ROOT, Run


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
    [hole] = [row for row in deciding if "hole" in row.lower()]
    seen = re.search(r"hole (\d+) mm .* \((\d+(?:\.\d+)?) mm, limit 15 mm\)", hole)
    assert seen is not None, hole
    assert abs(int(seen[1]) - float(seen[2])) <= 1


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
            yield processes._measured_apart(shots)

    monkeypatch.setattr(processes, "_shared_out", shared_out)
    code, out, err = run("check", LEFT, BAD, RIGHT, LEFT, "--table")
    assert code == 3
    assert [row.split()[1] for row in out.splitlines()[1:]] == ["left", "–", "right", "left"]
    assert len(err.splitlines()) == 1
    assert "larch_right_to_send_back.ply: reading it ended the program" in err


def test_a_fault_of_ours_stays_with_its_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a list, and with an error that could not be sent from process to process as it is."""
    import pickle

    from footscan.errors import FootscanError, LandmarkError, SideError

    shots = Shots(files=(Path("a.ply"),))
    for error, words in (
        (ZeroDivisionError("ours"), "a.ply: a fault in the program itself"),
        (MemoryError(), "a.ply: not enough memory"),
        (LandmarkError("mth1", "mth1 is off the foot"), "a.ply: mth1 is off the foot"),
        (SideError("a.ply: which side?"), "a.ply: which side?"),
    ):

        def broken(*_: object, error: Exception = error) -> None:
            raise error

        monkeypatch.setattr(processes, "measure_feet_in", broken)
        sent = pickle.loads(pickle.dumps(processes._measured_apart(shots)))
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
        while child.poll() is None and len(children.read_text("utf-8").split()) < 2:
            time.sleep(0.02)
        time.sleep(then)  # long before forty scans are measured
        os.killpg(child.pid, signal.SIGINT)  # as a terminal sends it: to the workers as well
        try:
            _, err = child.communicate(timeout=120)  # until the last worker has closed its end
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGKILL)
            raise
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


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("a.ply: no foot was found", "in/a.ply: no foot was found"),
        ("no foot was found", "in/a.ply: no foot was found"),
        ("file in/a.ply: no such file", "file in/a.ply: no such file"),
    ],
)
def test_a_sentence_names_its_file_once(
    monkeypatch: pytest.MonkeyPatch, said: str, shown: str
) -> None:
    monkeypatch.setattr(measuring, "measure_each", lambda _: [FootscanError(said)])
    [found] = outcomes_of([Shots(files=(Path("in/a.ply"),))], quiet=True)
    assert found.error == shown
