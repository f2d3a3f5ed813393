"""Do a mesh and its bare points give the same foot? Same made-up scans, with and without faces.

For each scan the landmarks and measures of the mesh are held against those of its points, in the
scan's own coordinates, and both against the made-up foot's known measures; the five heads of one
foot against those of the same foot under other noise, as mesh and as points: so far apart may a
cleat be placed by the scan alone.

    python tests/benchmarks/points_study.py [--specimens N] [--seed N] [--noise MM ...]

To hold two checkouts against each other, run it in each with the same seed.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan.errors import FootscanError
from footscan.pipeline import Options, measure_scan
from footscan.results import MeasuredFoot
from footscan.scan import Array, Load, Scan
from footscan.specimen.made_up import build, random_shape
from footscan.specimen.scanner import ScannerSpec, scan

HEADS = tuple(f"mth{i}" for i in range(1, 6))
MARKS = (
    "pternion",
    "acropodion",
    "heel_centre",
    "metatarsale_tibiale",
    "metatarsale_fibulare",
    *HEADS,
    "arch_apex",
)
MEASURES = (
    "foot_length",
    "heel_to_ball_length",
    "foot_breadth",
    "ball_girth",
    "instep_girth",
    "instep_height",
    "heel_breadth_max",
    "arch_apex_height",
    "arch_index",
    "toe_height_1",
    "hallux_angle",
)
POINTS = (10_000, 40_000)


def bare(scanned: Scan, seed: int) -> Scan:
    """Return the points of a scan, shuffled."""
    order = np.random.default_rng(seed).permutation(len(scanned.vertices))
    return replace(scanned, vertices=scanned.vertices[order], faces=np.zeros((0, 3), np.int64))


def places(foot: MeasuredFoot) -> dict[str, Array]:
    """Return the landmarks in the scan's coordinates, mm."""
    return {
        name: foot.foot.to_scanner(foot.landmarks[name].xyz[None])[0]
        for name in MARKS
        if name in foot.landmarks
    }


def main(words: list[str]) -> int:
    """Print how far meshes and points, and scans of one foot, lie apart."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--specimens", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--noise", type=float, nargs="+", default=[0.0, 0.3])
    asked = parser.parse_args(words)
    rng = np.random.default_rng(asked.seed)
    apart: dict[str, list[float]] = {}
    heads: list[float] = []
    errors: dict[tuple[str, str], list[float]] = {}
    seconds = {"mesh": 0.0, "points": 0.0}
    refused: list[str] = []
    for number in range(asked.specimens):
        shape = random_shape(rng)
        built, of_foot = build(shape), []
        for noise in asked.noise:
            points = int(np.exp(rng.uniform(*np.log(POINTS))))
            scanned = scan(
                built,
                ScannerSpec(points=points, noise=noise),
                np.random.default_rng((asked.seed, number)),
            )
            options, found = Options(load=Load.HALF, side=shape.side), {}
            for kind, given in (("mesh", scanned), ("points", bare(scanned, number))):
                start = time.process_time()
                try:
                    found[kind] = measure_scan(given, options)
                except FootscanError as error:
                    refused.append(f"{kind}: {error}")
                seconds[kind] += time.process_time() - start
            if len(found) < 2:
                continue
            one, other = places(found["mesh"]), places(found["points"])
            of_foot += [one, other]
            for name in one.keys() & other.keys():
                apart.setdefault(name, []).append(float(np.linalg.norm(one[name] - other[name])))
            for name in MEASURES:
                pair = [found[kind].measures[name].value for kind in ("mesh", "points")]
                true = built.truth.measures.get(name)
                for kind, value in zip(("mesh", "points"), pair, strict=True):
                    if value is not None and true is not None:
                        errors.setdefault((name, kind), []).append(value - true)
                if None not in pair:
                    apart.setdefault(name, []).append(abs(pair[1] - pair[0]))
        for one, other in combinations(of_foot, 2):
            heads += [float(np.linalg.norm((one[n] - other[n])[:2])) for n in HEADS]
    print(f"{'mesh against points':24} {'rms':>7} {'95 %':>7} {'most':>7}")
    for name in (*MARKS, *MEASURES):
        if values := apart.get(name):
            rms = float(np.sqrt(np.mean(np.square(values))))
            print(f"{name:24} {rms:7.3f} {np.percentile(values, 95):7.3f} {max(values):7.3f}")
    print(f"{'against the truth: rms':24} {'mesh':>7} {'points':>7}")
    for name in MEASURES:
        both = [errors.get((name, kind), []) for kind in ("mesh", "points")]
        if all(both):
            print(
                f"{name:24} "
                + " ".join(f"{float(np.sqrt(np.mean(np.square(own)))):7.3f}" for own in both)
            )
    rms = float(np.sqrt(np.mean(np.square(heads))))
    print(
        f"heads of one foot, any two scans, mm in plan: rms {rms:.2f}, "
        f"95 % {np.percentile(heads, 95):.2f}, most {max(heads):.2f}"
    )
    total = asked.specimens * len(asked.noise)
    print(
        "; ".join(f"{kind} {value / total:.2f} s" for kind, value in seconds.items()),
        "of processor time a scan",
    )
    print(*refused, sep="\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
