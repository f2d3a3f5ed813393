"""Do landmarks follow the foot? A study with warped feet.

Feet are warped smoothly in their own frame, scanned by the made-up scanner and measured:

    ball    metatarsal heads and ball moved along the foot by up to 9 mm, heel and toe tips kept
    rise    the arch raised or lowered by up to 4 mm
    shift   the arch moved along the foot by up to 10 mm, heel and ball kept

The warps are C2 and keep pternion, toe tips, axis and ground. Truth is warped with the foot
(heads) or read anew from the warped skin by the definition (arch apex). Found places are
regressed on true ones with one intercept per foot: a landmark that sits at a fixed share of the
length scores 0, one that follows the foot scores 1.

    python tests/benchmarks/follow_study.py [--specimens N] [--seed N] [--data FOLDER]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import landmark_study as study
import numpy as np

from footscan.arch import arch_apex
from footscan.errors import FootscanError
from footscan.foot import sole_map
from footscan.pipeline import Options, measure_scan
from footscan.scan import Array, IntArray, Side
from footscan.specimen.made_up import Shape, Specimen, Truth
from footscan.specimen.scanner import ScannerSpec, scan, scanner_pose

BALL_MM = (-9.0, -4.5, 0.0, 4.5, 9.0)
RISE_MM = (-4.0, -2.0, 2.0, 4.0)
SHIFT_MM = (-10.0, -5.0, 5.0, 10.0)
LOWEST_ARCH_MM = 2.0  # an arch is not lowered below this: it would be none
WANTED = (0.9, 1.1)
BEYOND_HUMAN = ("body_feet/m_wide_L", "body_feet/f_narrow_R")


@dataclass(frozen=True, kw_only=True, eq=False)
class Start:
    """A foot to warp: skin in its frame, and metatarsal heads where they are known."""

    name: str
    vertices: Array
    faces: IntArray
    shape: Shape
    length: float
    heads: Mapping[str, Array]


def step(at: Array) -> Array:
    """Return the C2 step from 0 to 1 over [0, 1]."""
    t = np.clip(at, 0.0, 1.0)
    return t**3 * (10 - 15 * t + 6 * t * t)


def plateau(x: Array, rise: tuple[float, float], fall: tuple[float, float]) -> Array:
    """Return 1 between the end of `rise` and the start of `fall`, 0 outside both."""
    up = step((x - rise[0]) / (rise[1] - rise[0]))
    return up * (1 - step((x - fall[0]) / (fall[1] - fall[0])))


def ball_moved(points: Array, length: float, by: float) -> Array:
    """Return `points` with the ball moved along the foot."""
    moved = points.copy()
    moved[:, 0] += by * plateau(points[:, 0] / length, (0.25, 0.70), (0.78, 0.97))
    return moved


def arch_shifted(points: Array, length: float, by: float) -> Array:
    """Return `points` with the midfoot moved along the foot."""
    moved = points.copy()
    moved[:, 0] += by * plateau(points[:, 0] / length, (0.12, 0.38), (0.50, 0.70))
    return moved


def arch_raised(points: Array, start: Start, by: float) -> Array:
    """Return `points` with the sole under the arch raised, the ground's contact kept."""
    apex = arch_apex(sole_map(start.vertices, start.faces), start.length)
    along = np.exp(-(((points[:, 0] - apex.x) / (0.12 * start.length)) ** 2))
    inner = step(
        (points[:, 1] - apex.y + 0.28 * start.shape.breadth) / (0.25 * start.shape.breadth)
    )
    clear = step(points[:, 2] / max(0.8 * apex.z, 1.0))  # what stands on the ground stays there
    under = 1 - step((points[:, 2] - 25.0) / 40.0)
    moved = points.copy()
    moved[:, 2] += by * along * inner * clear * under
    return moved


def warped(start: Start) -> Iterator[tuple[str, float, Specimen]]:
    """Yield (warp, amount, foot), each foot with its truth."""
    for by in BALL_MM:
        vertices = ball_moved(start.vertices, start.length, by)
        heads = {
            name: ball_moved(at[None], start.length, by)[0] for name, at in start.heads.items()
        }
        yield "ball", by, _specimen(start, vertices, heads)
    apex = arch_apex(sole_map(start.vertices, start.faces), start.length)
    for by in RISE_MM:
        if apex.z + by >= LOWEST_ARCH_MM:
            yield "rise", by, _specimen(start, arch_raised(start.vertices, start, by), {})
    for by in SHIFT_MM:
        yield "shift", by, _specimen(start, arch_shifted(start.vertices, start.length, by), {})


def _specimen(start: Start, vertices: Array, heads: Mapping[str, Array]) -> Specimen:
    """Return the warped foot with the places of heads and arch apex as its truth."""
    marks = dict(heads)
    apex = arch_apex(sole_map(vertices, start.faces), start.length)
    marks["arch_apex"] = np.array([apex.x, apex.y, apex.z])
    truth = Truth(landmarks=marks, measures={"foot_length": start.length}, arch_plateau=0.0)
    return Specimen(vertices=vertices, faces=start.faces, shape=start.shape, truth=truth)


def starts(arguments: argparse.Namespace) -> Iterator[Start]:
    """Yield made-up feet, and those of the data folder whose heads are known or whose arch is."""
    for name, made, _ in study.specimens(arguments.specimens, arguments.seed):
        yield Start(
            name=name,
            vertices=np.array(made.vertices),
            faces=made.faces,
            shape=made.shape,
            length=made.truth.measures["foot_length"],
            heads={h: made.truth.landmarks[h] for h in study.HEADS},
        )
    if arguments.data is None:
        return
    for name, other, shift in study.other_feet(arguments.data):
        if name in BEYOND_HUMAN or name.startswith("real_pair"):  # a filled sole has no arch
            continue
        start = _settled(name, other, study.joint_centres(arguments.data, name, shift))
        if start is not None:
            yield start


def _settled(name: str, other: Specimen, heads: Mapping[str, Array]) -> Start | None:
    """Return a foot of the data folder in the foot frame that its clean skin leads to."""
    spec = ScannerSpec(points=None)
    left = other.shape.side is Side.LEFT
    clean = scan(other, spec, np.random.default_rng(0))
    try:
        found = measure_scan(clean, Options(side=other.shape.side)).foot
    except FootscanError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return None
    to_foot = found.pose @ scanner_pose(
        Side.LEFT if left else Side.RIGHT, spec, np.random.default_rng(0)
    )
    height = 25.0  # of joint centres above the ground; the level is within a degree or two
    placed = {
        key: to_foot[:3, :3] @ np.array([at[0], at[1], height]) + to_foot[:3, 3]
        for key, at in heads.items()
    }
    shape = Shape(side=other.shape.side, load=other.shape.load, breadth=0.37 * found.length)
    return Start(
        name=name,
        vertices=np.array(found.vertices),
        faces=found.faces,
        shape=shape,
        length=found.length,
        heads=placed,
    )


def pooled(true: Array, found: Array, foot: Array) -> tuple[float, float]:
    """Return slope and half width of its 95 % interval, one intercept per foot."""
    x, y = true.copy(), found.copy()
    for each in np.unique(foot):
        own = foot == each
        x[own] -= x[own].mean()
        y[own] -= y[own].mean()
    slope = float(x @ y / (x @ x))
    free = len(x) - len(np.unique(foot)) - 1
    error = np.sqrt(((y - slope * x) ** 2).sum() / max(free, 1) / (x @ x))
    return slope, 1.96 * float(error)


def run(arguments: argparse.Namespace) -> int:
    """Run the study, print slopes; the number of landmarks outside the wanted band."""
    rows: dict[tuple[str, str, str], list[tuple[str, float, float]]] = {}
    refused = scans = 0
    for i, start in enumerate(starts(arguments)):
        group = start.name.split("/")[0].split()[0]
        for k, (warp, _, foot) in enumerate(warped(start)):
            scans += 1
            spec = ScannerSpec(points=20_000, noise=0.15, turn_deg=None, shift=None)
            result = study.studied(start.name, foot, {}, [arguments.seed, i, k], spec)
            if result.refused or not result.side_right:
                refused += 1
                print(f"{start.name} {warp}: {result.refused or 'wrong side'}", file=sys.stderr)
                continue
            for name, error in result.mark_errors.items():
                for axis in ("z", "x") if name == "arch_apex" else ("x",):
                    if warp == {"z": "rise"}.get(axis, "shift" if name == "arch_apex" else "ball"):
                        true = foot.truth.landmarks[name]["xyz".index(axis)]
                        rows.setdefault((group, name, axis), []).append(
                            (start.name, float(true), float(true + error["xyz".index(axis)]))
                        )
        print(start.name, file=sys.stderr)
    print(f"{scans} scans, {refused} refused or of the wrong side")
    print(f"{'feet':14}{'landmark':14}{'n':>5}{'slope':>9}{'95 % +-':>9}")
    outside = 0
    for (group, name, axis), found in sorted(rows.items()):
        slope, half = pooled(*(np.array([f[j] for f in found]) for j in (1, 2, 0)))
        outside += not WANTED[0] <= slope <= WANTED[1]
        print(f"{group:14}{name + ' ' + axis:14}{len(found):5d}{slope:9.3f}{half:9.3f}")
    return outside


def main(words: list[str]) -> int:
    """Run the study that the command line asks for; 1 where a landmark does not follow."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--specimens", type=int, default=12, help="made-up feet (12)")
    parser.add_argument("--seed", type=int, default=1, help="of shapes and scans (1)")
    parser.add_argument("--data", type=Path, help="folder of other feet, such as ../shared/data")
    return 1 if run(parser.parse_args(words)) else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
