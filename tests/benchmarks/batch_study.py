"""How many pairs an hour ``batch`` takes, how well two processes share the work, what memory does.

Pairs of the sample rider, each turned and moved another way so that none is another's copy, are
taken by the local crew: one process on one core, several on as many. One case is then held against
``make``.

    python tests/benchmarks/batch_study.py [--pairs N] [--to plan|parts|measures] [--jobs N]

Terms
    efficiency   time on one core over time on several, over their number; a process that is not
                 held to one core searches neighbours on all of them
    the machine's own   the same of a plain loop that shares nothing, taken before and after
    memory       peak of the largest worker process, over each quarter of the run
"""

from __future__ import annotations

import argparse
import filecmp
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan import reading
from footscan.scan import Scan
from footscan.specimen.scanner import write_scan
from insole.batch import shift
from insole.batch.crew import Crew
from insole.batch.pairing import Case
from insole.batch.task import Goal
from insole.output.settings import Settings
from insole.planning.planner import FootWish, PlanWishes, Terms
from insole.workflow.request import Request, Shots

ROOT = Path(__file__).resolve().parents[2]
SHOE = ROOT / "sample_scans" / "shoe.toml"


def write_pairs(folder: Path, count: int) -> None:
    """Write that many pairs of scans."""
    for side in ("left", "right"):
        scan = reading.read([ROOT / "sample_scans" / f"larch_{side}.ply"])
        for number in range(count):
            rng = np.random.default_rng((number, side == "left"))
            turn = Rotation.from_quat(rng.standard_normal(4)).as_matrix()
            vertices = scan.vertices @ turn.T + rng.uniform(-200, 200, 3)
            write_scan(
                Scan(vertices=vertices, faces=scan.faces), folder / f"pair{number:03}_{side}.ply"
            )


def request_for(case: Case) -> Request:
    """Return what is asked of every pair."""
    return Request(
        scans=tuple(Shots(files=(path,)) for path in case.files),
        shoe=SHOE,
        wishes=PlanWishes(both=FootWish(), case=case.name),
        terms=Terms(sources={"shoe": SHOE.name}),
    )


def peak_mb(process: int) -> float:
    """Return the peak memory of a process; 0 where the system does not tell."""
    try:
        text = Path(f"/proc/{process}/status").read_text("utf-8")
    except OSError:
        return 0.0
    return max(
        (float(line.split()[1]) / 1024 for line in text.splitlines() if line.startswith("VmHWM")),
        default=0.0,
    )


def timed(scans: Path, out: Path, to: Goal, jobs: int) -> tuple[float, list[float]]:
    """Return seconds of a run, and the largest worker's peak after each case."""
    with on_cores(jobs):  # the crew's processes inherit it
        return _timed(scans, out, to, jobs)


@contextmanager
def on_cores(count: int) -> Iterator[None]:
    """Hold this process, and those that it starts, to so many cores where the system can."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    free = os.sched_getaffinity(0)
    os.sched_setaffinity(0, sorted(free)[:count])
    try:
        yield
    finally:
        os.sched_setaffinity(0, free)


def _timed(scans: Path, out: Path, to: Goal, jobs: int) -> tuple[float, list[float]]:
    crew, peaks = Crew(jobs), []
    asked = shift.Asked(folder=scans, out=out, to=to, request_for=request_for, settings=Settings())

    def note(record: object, counts: shift.Counts) -> None:
        peaks.append(max((peak_mb(one.process.pid or 0) for one in crew._hands), default=0.0))

    start = time.perf_counter()
    try:
        counts = shift.run(asked, crew, note)
    finally:
        crew.close()
    if counts.failed:
        raise SystemExit(f"{counts.failed} of {counts.total} pairs failed; see {out}/batch.csv")
    return time.perf_counter() - start, peaks


LOOP = "x = 0\nfor i in range(20_000_000): x += i * i % 7"


def own_efficiency(jobs: int) -> float:
    """Return the efficiency of a loop that needs nothing but its core: cores may share a lot."""
    took = []
    for count in (1, jobs):
        with on_cores(count):
            start = time.perf_counter()
            loops = [subprocess.Popen([sys.executable, "-c", LOOP]) for _ in range(count)]
            for loop in loops:
                loop.wait()
            took.append(time.perf_counter() - start)
    return took[0] / took[1]


def main(words: list[str]) -> int:
    """Print pairs an hour, efficiency and memory."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=24)
    parser.add_argument("--to", choices=[str(goal) for goal in Goal], default="plan")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as room:
        scans = Path(room) / "scans"
        scans.mkdir()
        write_pairs(scans, asked.pairs)
        took: dict[int, float] = {}
        own = [own_efficiency(asked.jobs)]
        for jobs in sorted({1, asked.jobs}):
            out = Path(room) / f"out{jobs}"
            took[jobs], peaks = timed(scans, out, Goal(asked.to), jobs)
            quarters = [max(part, default=0.0) for part in np.array_split(peaks, 4)]
            print(
                f"{jobs} core{'s' if jobs > 1 else ''}: {took[jobs]:.1f} s, "
                f"{3600 * asked.pairs / took[jobs]:.0f} pairs an hour to {asked.to}; memory",
                ", ".join(f"{value:.0f}" for value in quarters),
                "MB",
                flush=True,
            )
        if asked.jobs > 1:
            own.append(own_efficiency(asked.jobs))
            print(
                f"efficiency {took[1] / took[asked.jobs] / asked.jobs:.2f}; the machine's own",
                ", ".join(f"{value:.2f}" for value in own),
            )
        if asked.to == "parts":
            print(_against_make(scans, Path(room)))
    return 0


def _against_make(scans: Path, room: Path) -> str:
    """Return whether one case's folder is byte for byte what ``make`` writes."""
    files = [str(scans / f"pair000_{side}.ply") for side in ("left", "right")]
    subprocess.run(
        [
            sys.executable,
            "-m",
            "insole.cli",
            "make",
            *files,
            "--shoe",
            str(SHOE),
            "--case",
            "pair000",
            "--quiet",
            "--out",
            str(room / "made"),
        ],
        cwd=ROOT,
        check=True,
    )
    one, other = room / "made" / "pair000-v1", room / "out1" / "pair000-v1"
    names = sorted(str(p.relative_to(one)) for p in one.rglob("*") if p.is_file())
    _, differ, missing = filecmp.cmpfiles(one, other, names, shallow=False)
    return f"{len(names)} files of one case, {len(differ) + len(missing)} differ from make's"


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
