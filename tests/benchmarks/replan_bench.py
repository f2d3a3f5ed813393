"""How long a first plan, a re-plan and making a pair take.

A re-plan is what a fitter does at the desk: the same foot and shoe, another wish each time, with
what does not depend on the wish remembered (`insole.planning.memory`).

python tests/benchmarks/replan_bench.py [--rounds N] [--make]
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan.pipeline import Options
from footscan.scan import Load
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.shoe import shoe
from insole.workflow import making, measuring, request

ROOT = Path(__file__).resolve().parents[2]


def changed(wish: FootWish, k: int) -> FootWish:
    """Return a wish with the k-th other level, or the k-th other place of a moved pad."""
    if wish.support.shift is not None:
        return wish.but(shift=(3.0 - 0.5 * k, -2.0 + 0.5 * k))
    return wish.but(support_level=0.6 + 0.01 * k)


def main() -> int:
    """Print medians in seconds."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--rounds", type=int, default=7)
    options.add_argument("--make", action="store_true", help="a pair's folder as well, in process")
    given = options.parse_args()
    scans = [
        request.Shots(
            files=(ROOT / f"sample_scans/larch_{side}.ply",), options=Options(load=Load.HALF)
        )
        for side in ("left", "right")
    ]
    left, right = measuring.measure_feet(scans)
    bed = shoe.load(ROOT / "sample_scans/shoe.toml")
    wishes = {
        "pad": FootWish.of(support_level=0.8),
        "pad moved": FootWish.of(support_level=0.8, shift=(3.0, -2.0)),
        "contoured bed": FootWish.of(support_level=0.8, contoured="full"),
    }
    for name, wish in wishes.items():
        first, again, memory = [], [], planner.Memory()
        for k in range(given.rounds):
            start = time.perf_counter()
            planner.plan(None, right, bed, PlanWishes(both=wish))
            first.append(time.perf_counter() - start)
            other = changed(wish, k)
            start = time.perf_counter()
            planner.plan(None, right, bed, PlanWishes(both=other), memory=memory)
            again.append(time.perf_counter() - start)
        print(
            f"one foot, {name}: first {statistics.median(first):.3f} s, "
            f"again {statistics.median(again[1:]):.3f} s"
        )
    for name in ("pad", "contoured bed") if given.make else ():
        plan = planner.plan(left, right, bed, PlanWishes(both=wishes[name], case="bench"))
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            making.make(plan, Path(folder))
            print(f"make a pair, {name}, STEP files too: {time.perf_counter() - start:.1f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
