"""How long the front door takes: importing, re-planning, and what a screen draws.

    python tests/benchmarks/door_bench.py [--rounds N]

Wanted: importing under 0.1 s, a re-plan of a pair at most 0.5 s on two quiet cores.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import footscan  # noqa: E402
import insole  # noqa: E402


def main() -> int:
    """Print medians in seconds."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--rounds", type=int, default=7)
    rounds = options.parse_args().rounds
    code = (
        "import time; t = time.perf_counter(); import footscan, insole; "
        "print(time.perf_counter() - t)"
    )
    imports = [
        float(
            subprocess.run(
                [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
            ).stdout
        )
        for _ in range(rounds)
    ]
    print(f"import footscan, insole: {statistics.median(imports):.3f} s")
    folder = ROOT / "sample_scans"
    feet = {}
    for side in ("left", "right"):
        start = time.perf_counter()
        feet[side] = footscan.measure(folder / f"larch_{side}.ply", load="half")
        print(f"measure {side}: {time.perf_counter() - start:.2f} s")
    bench = insole.Bench(**feet, shoe=folder / "shoe.toml")
    plan = bench.plan(support=0.8, forefoot={"right": 2})
    moves: dict[str, Callable[[int], object]] = {
        "re-plan, one pad moved": lambda k: bench.replan(plan, shift_pad={"left": (k / 4, -1)}),
        "re-plan, support of both": lambda k: bench.replan(plan, support=0.6 + k / 100),
        "re-plan, a wedge": lambda k: bench.replan(plan, forefoot={"left": 2 + k / 100}),
        "re-plan, contoured beds": lambda k: bench.replan(plan, contoured="full", cup=8 + k / 10),
        "sole map": lambda k: insole.sole_map(plan, "left"),
        "pad map": lambda k: insole.pad_map(plan, "left"),
        "gap map": lambda k: insole.gap_map(plan, "left"),
        "contact maps": lambda k: insole.contact_maps(plan, "left"),
        "section across": lambda k: insole.section(plan, "left", x=100.0 + k),
        "section along": lambda k: insole.section(plan, "left", y=float(k)),
    }
    for name, move in moves.items():
        took, worked = [], []
        for k in range(rounds):
            start, cpu = time.perf_counter(), time.process_time()
            move(k)
            took.append(time.perf_counter() - start)
            worked.append(time.process_time() - cpu)
        waited, busy = statistics.median(took), statistics.median(worked)
        print(f"{name}: {waited:.3f} s, of it {busy:.3f} s at work")
    start = time.perf_counter()
    insole.build(plan)
    print(f"build a pair: {time.perf_counter() - start:.2f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
