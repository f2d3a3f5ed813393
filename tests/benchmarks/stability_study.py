"""Do landmarks stay where they are? Eight scans each of many feet that nobody tuned on.

    python tests/benchmarks/body_feet.py FOLDER --feet 60        (in an environment with anny)
    python tests/benchmarks/stability_study.py FOLDER [--feet N] [--start K] [--seed N]
        [--workers N] [--json FILE]

Each foot is scanned as mesh and as bare points with up to 0.3 mm noise, in any pose, with its
ball moved along the foot by up to 9 mm and its arch by 8 mm. Places are taken back to the foot
as it was before its ball or arch was moved, so that all eight should agree.

Terms
    spread    largest minus smallest place along the foot over the scans of one foot, mm
    jump      a pair of scans farther apart than 3 mm and than their joint 95 % band
    own       share of places within their 95 % band of the foot's own median
    joints    share of heads within their 95 % band of the joint centre less JOINT_AHEAD
    slope     of places found on places true, per foot, over ball moved by -9 to 9 mm
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import follow_study as follow
import landmark_study as study
import numpy as np
import trimesh

from footscan.measuring import ball
from footscan.scan import Array, Load, Side
from footscan.specimen.made_up import Shape, Specimen, Truth
from footscan.specimen.scanner import ScannerSpec

NAMES = ("metatarsale_tibiale", "metatarsale_fibulare", *study.HEADS)
LEG_MM = 110.0
NEAR_MM = 3.0  # places this close agree whatever they state
BAND = 1.96


@dataclass(frozen=True, kw_only=True)
class Way:
    """One scan of a foot: faces or bare points, noise, ball and arch moved, mm."""

    faces: bool
    noise: float
    ball: float = 0.0
    arch: float = 0.0

    @property
    def words(self) -> str:
        """Return the scan in a word or two."""
        return f"{'mesh' if self.faces else 'points'} {self.noise:g} {self.ball:+g}"


WAYS = (
    Way(faces=True, noise=0.05),
    Way(faces=False, noise=0.3),
    Way(faces=True, noise=0.3),
    Way(faces=True, noise=0.15, ball=-9.0),
    Way(faces=False, noise=0.15, ball=-4.5),
    Way(faces=True, noise=0.3, ball=4.5),
    Way(faces=False, noise=0.15, ball=9.0),
    Way(faces=False, noise=0.2, arch=8.0),
)
POINTS = {True: 20_000, False: 30_000}


def specimen(path: Path) -> tuple[Specimen, Mapping[str, Array]]:
    """Return a body model's foot, its skin rounded, and its joint centres by head."""
    with np.load(path) as data:
        rough, faces, joints = data["vertices"], data["faces"], data["joints"]
        side = Side(str(data["side"]))
    vertices, faces = trimesh.remesh.subdivide_loop(rough, faces, iterations=2)
    shift = np.array([vertices[:, 0].min(), 0.0, vertices[:, 2].min()])
    vertices = vertices - shift
    length = float(vertices[vertices[:, 2] < 60.0, 0].max())
    made = Specimen(
        vertices=vertices, faces=faces, shape=Shape(side=side, load=Load.NONE),
        truth=Truth(landmarks={}, measures={"foot_length": length}, arch_plateau=0.0),
    )  # fmt: skip
    return made, dict(zip(study.HEADS, joints - shift, strict=True))


def scanned(path: Path, seed: int, number: int) -> list[study.Result]:
    """Return how the scans of one foot were measured, places taken back to the unmoved foot."""
    foot, _ = specimen(path)
    length = foot.truth.measures["foot_length"]
    results = []
    for k, way in enumerate(WAYS):
        vertices = follow.ball_moved(foot.vertices, length, way.ball)
        vertices = follow.arch_shifted(vertices, length, way.arch)
        spec = ScannerSpec(points=POINTS[way.faces], noise=way.noise, faces=way.faces,
                           turn_deg=None, shift=None, leg_height=LEG_MM)  # fmt: skip
        moved = replace(foot, vertices=vertices)
        result = study.studied(path.stem, moved, {}, [seed, number, k], spec)
        results.append(replace(result, marks={n: _back(at, length, way)
                                              for n, at in result.marks.items()}))  # fmt: skip
    return results


def _back(at: Sequence[float], length: float, way: Way) -> tuple[float, float, float]:
    """Return a place on the foot before its ball was moved: the warp's inverse."""
    x = at[0]
    for _ in range(30):
        moved = follow.ball_moved(np.array([[x, 0.0, 0.0]]), length, way.ball)[0, 0]
        x += at[0] - moved
    return x, at[1], at[2]


def judged(path: Path, results: list[study.Result]) -> dict[str, dict[str, float]]:
    """Return per landmark: spread, worst jump, shares in band, slope."""
    foot, joints = specimen(path)
    length = foot.truth.measures["foot_length"]
    told = [(w, r) for w, r in zip(WAYS, results, strict=True) if not r.refused]
    found: dict[str, dict[str, float]] = {}
    for name in NAMES:
        x = np.array([r.marks[name][0] for _, r in told])
        sd = np.array([r.stated[name] for _, r in told])
        middle = float(np.median(x))
        pairs = [
            abs(x[i] - x[j]) - max(NEAR_MM, BAND * float(np.hypot(sd[i], sd[j])))
            for i, j in combinations(range(len(x)), 2)
        ]
        row = {
            "spread": float(np.ptp(x)),
            "jumps": float(np.sum(np.array(pairs) > 0)),
            "pairs": float(len(pairs)),
            "own": float((np.abs(x - middle) <= BAND * sd).mean()),
            "sd": float(np.median(sd)),
        }
        if name in joints:
            off = x + ball.JOINT_AHEAD * length - joints[name][0]
            row["joints"] = float((np.abs(off) <= BAND * sd).mean())
            row["ahead"] = float(np.mean(joints[name][0] - x))
        moved = [(w, at) for (w, _), at in zip(told, x, strict=True) if not w.arch]
        true = np.array([follow.ball_moved(np.array([[middle, 0, 0]]), length, w.ball)[0, 0]
                         for w, _ in moved])  # fmt: skip
        seen = np.array([follow.ball_moved(np.array([[at, 0, 0]]), length, w.ball)[0, 0]
                         for w, at in moved])  # fmt: skip
        row["slope"] = float(np.polyfit(true, seen, 1)[0])
        found[name] = row
    return found


def print_table(rows: list[dict[str, dict[str, float]]], results: list[study.Result]) -> None:
    """Print one line a landmark."""
    refused = [r for r in results if r.refused]
    print(f"{len(rows)} feet, {len(results)} scans, {len(refused)} refused")
    for r in refused[:8]:
        print(f"  {r.foot}: {r.refused}")
    print(f"{'':22}{'spread med':>11}{'95 %':>7}{'max':>7}{'sd':>6}{'jumps':>10}{'own':>7}"
          f"{'joints':>8}{'behind':>14}{'slope med':>11}{'min':>7}{'max':>7}")  # fmt: skip
    for name in NAMES:
        column = {k: np.array([r[name][k] for r in rows if k in r[name]])
                  for k in ("spread", "sd", "jumps", "pairs", "own", "joints", "ahead", "slope")}
        joints = behind = ""
        if len(column["joints"]):
            joints = f"{100 * column['joints'].mean():.0f}%"
            behind = f"{column['ahead'].mean():.1f} +- {column['ahead'].std():.1f}"
        spread, slope = column["spread"], column["slope"]
        jumps = f"{column['jumps'].sum():.0f}/{column['pairs'].sum():.0f}"
        print(
            f"{name:22}{np.median(spread):11.2f}{np.percentile(spread, 95):7.2f}{spread.max():7.2f}"
            f"{np.median(column['sd']):6.2f}"
            f"{jumps:>10}"
            f"{100 * column['own'].mean():6.0f}%{joints:>8}{behind:>14}"
            f"{np.median(slope):11.2f}{slope.min():7.2f}{slope.max():7.2f}"
        )


def main(words: list[str]) -> int:
    """Run the study that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="feet made by body_feet.py")
    parser.add_argument("--feet", type=int, default=60, help="feet (60)")
    parser.add_argument("--start", type=int, default=0, help="first foot (0)")
    parser.add_argument("--seed", type=int, default=1, help="of the scans (1)")
    parser.add_argument("--workers", type=int, default=1, help="processes (1)")
    parser.add_argument("--json", type=Path, help="write every place here as well")
    arguments = parser.parse_args(words)
    paths = sorted(arguments.folder.glob("foot_*.npz"))[arguments.start :][: arguments.feet]
    if not paths:
        parser.error(f"there are no feet in {arguments.folder}; make some with body_feet.py")
    start = time.perf_counter()
    rows, everything = [], []
    seeds = [arguments.seed] * len(paths)
    with ProcessPoolExecutor(arguments.workers) as pool:
        for path, results in zip(
            paths, pool.map(scanned, paths, seeds, range(len(paths))), strict=True
        ):
            everything += results
            if sum(not r.refused for r in results) > len(WAYS) / 2:
                rows.append(judged(path, results))
            print(f"{path.stem}: {time.perf_counter() - start:.0f} s", file=sys.stderr)
    print_table(rows, everything)
    if arguments.json is not None:
        record = [
            {"foot": r.foot, "refused": r.refused, "way": WAYS[k % len(WAYS)].words,
             "marks": {n: r.marks[n] for n in NAMES if n in r.marks},
             "stated": {n: r.stated[n] for n in NAMES if n in r.stated}}
            for k, r in enumerate(everything)
        ]  # fmt: skip
        arguments.json.write_text(json.dumps(record), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
