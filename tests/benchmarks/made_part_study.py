"""Is what was made too high, too thick or shifted found in a scan of the part? A study.

The parts of the sample rider's plan, with a heel cup of 10 mm, are changed by known amounts, seen
by a made-up scanner in poses of its own, and held against the plan. Printed per part, change and
view:

    found    mean deviation over the changed place, and what it should be, mm
    95 %     of the top are measured right within this, mm; and the mean error
    side     misfit as the part, and as the other foot's part, mm
    shift    of the top on its rim as found, mm

    python tests/benchmarks/made_part_study.py [--seeds N] [--noise MM] [--part NAME]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan.errors import FootscanError
from footscan.scan import Unit
from insole.parts.made.check import MadeCheck, check_made
from insole.parts.part import Part
from tests.made_parts import (
    Change,
    bump,
    made_scan,
    nothing,
    sample_parts,
    shifted,
    thicker,
    wanted,
)

VIEWS = {
    "points": {},
    "mesh": {"mesh": True},
    "points, table": {"table": True},
    "mesh, table": {"mesh": True, "table": True},
    "points, no under": {"under": False},
}
HEEL = (35.0, 0.0)  # place of the bump on a base


def changes(part: Part) -> dict[str, tuple[Change, tuple[float, float]]]:
    """Return what is done to a part, and the place where it is read."""
    at = part.facts.crest.at if part.facts.crest is not None else HEEL
    return {
        "as planned": (nothing, at),
        "0.5 too high": (bump(*at, 0.5), at),
        "3 mm shifted": (shifted(part, 3.0), at),
        "0.3 too thick": (thicker(0.3), at),
    }


def line(check: MadeCheck, change: Change, at: tuple[float, float]) -> str:
    """Return what was found against what was done."""
    top = check.top
    true = wanted(check.placed.planned, change, top.x, top.y)
    seen = np.isfinite(top.deviation)
    error = (top.deviation - true)[seen]
    near = seen & (np.hypot((top.x[:, None] - at[0]) / 8, (top.y - at[1]) / 5) < 1)
    shift = "" if check.placed.shift is None else f"{check.placed.shift[0]:+.1f}"
    return (
        f"{top.deviation[near].mean():+6.2f} {true[near].mean():+6.2f} | "
        f"{np.percentile(np.abs(error), 95):5.2f} {error.mean():+6.2f} | "
        f"{check.misfit:5.2f} {check.mirrored_misfit:5.2f} | {shift:5} | {check.placed.held.value}"
    )


def study(parts: dict[str, Part], seeds: int, noise: float) -> None:
    """Print the table of changes."""
    print(
        "part / change / view                              found  true |  95 %   mean | side"
        "        | shift | held by"
    )
    for name, part in parts.items():
        for what, (change, at) in changes(part).items():
            for view, options in VIEWS.items():
                for seed in range(seeds):
                    begin = time.perf_counter()
                    scan = made_scan(part, change, noise=noise, seed=seed, **options)
                    try:
                        words = line(check_made(scan, [part]), change, at)
                    except FootscanError as error:
                        words = f"REFUSED: {error}"
                    took = time.perf_counter() - begin
                    print(f"{name:16} {what:14} {view:16} {words} {took:.0f} s", flush=True)


def refusals(parts: dict[str, Part], noise: float) -> None:
    """Print what becomes of every part held against every other one, in a unit of its own."""
    units = list(Unit)
    for i, (name, part) in enumerate(parts.items()):
        for j, (other, plan) in enumerate(parts.items()):
            unit = units[(i + j) % len(units)]
            scan = made_scan(part, noise=noise, seed=i, table=bool(j % 2), unit=unit)
            try:
                check = check_made(scan, [plan])
                words = f"taken: {check.misfit:.2f} mm, {check.unit}"
            except FootscanError as error:
                words = f"exit {error.exit_code}: {error}"
            print(f"{name:20} as {other:20} {unit:4} {words[:110]}", flush=True)


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--noise", type=float, default=0.15)
    parser.add_argument("--part", default="", help="only parts with this in their label")
    given = parser.parse_args()
    parts = {name: part for name, part in sample_parts().items() if given.part in name}
    made = {name: part for name, part in parts.items() if not name.endswith("shim")}
    study(made, given.seeds, given.noise)
    refusals(parts, given.noise)


if __name__ == "__main__":
    main()
