"""Do landmarks of one foot agree, and do their deviations cover it? Feet of a body model made anew.

Each foot (see ``body_feet``) is scanned eight times: as a mesh and as bare points, with noise up
to 0.3 mm, its ball moved along it by 6 mm to both sides and its arch by 5 mm forward. What moved
with the skin is moved back, so that all eight scans speak of one place.

    python tests/benchmarks/body_study.py [--feet N] [--seed N] [--package FOLDER] [--json FILE]

Terms
    spread      largest distance along the foot between the places in two scans of one foot
    held        feet whose spread is within 3 mm, or whose every scan's 95 % band holds the middle
    in band     scans whose 95 % band holds the middle of the foot's scans
    slope       of the place found along the foot against the one that the ball's move leads to,
                one foot's mesh scans; heads and border points only
    beyond      feet whose slope lies outside 0.7 to 1.3 by more than the stated deviations allow:
                on a plateau 20 mm long the place itself, and so its slope, is not known
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from body_feet import HEADS, feet, model_folder
from follow_study import Start, arch_shifted, ball_moved

from footscan.errors import FootscanError
from footscan.pipeline import Options, measure_scan
from footscan.scan import Array, Side
from footscan.specimen.made_up import Shape, Specimen, Truth
from footscan.specimen.scanner import ScannerSpec, scan, scanner_pose

BALL = ("metatarsale_tibiale", "metatarsale_fibulare", *HEADS)
NAMES = (*BALL, "pternion", "acropodion", "heel_centre", "arch_apex")
WITHIN_MM = 3.0
MOVED_MM, SHIFTED_MM = 6.0, 5.0
SLOPE_OFF = 0.3
# what is moved, by how much (mm), faces, noise (mm)
SCANS = (
    ("", 0.0, True, 0.0),
    ("", 0.0, True, 0.3),
    ("", 0.0, False, 0.1),
    ("", 0.0, False, 0.3),
    ("ball", -MOVED_MM, True, 0.1),
    ("ball", MOVED_MM, True, 0.1),
    ("ball", MOVED_MM, False, 0.2),
    ("arch", SHIFTED_MM, True, 0.15),
)
POINTS = 25_000


@dataclass(frozen=True, kw_only=True)
class Place:
    """A landmark along the foot in one scan, moved back, with its deviation, mm."""

    x: float
    sd: float
    raw: float


def settled(name: str, vertices: Array, faces: Array) -> Start | None:
    """Return a foot in the foot frame that its clean skin leads to."""
    shape = Shape(side=Side.RIGHT, breadth=95.0)
    length = float(np.ptp(vertices[vertices[:, 2] < 60.0, 0]))
    truth = Truth(landmarks={}, measures={"foot_length": length}, arch_plateau=0.0)
    skin = Specimen(vertices=vertices, faces=faces, shape=shape, truth=truth)
    try:
        clean = scan(skin, ScannerSpec(), np.random.default_rng(0))
        found = measure_scan(clean, Options(side=Side.RIGHT)).foot
    except FootscanError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return None
    return Start(
        name=name,
        vertices=np.array(found.vertices),
        faces=found.faces,
        heads={},
        shape=replace(shape, breadth=0.37 * found.length),
        length=found.length,
    )


def scanned(start: Start, number: int, seed: list[int]) -> dict[str, Place] | None:
    """Return the landmarks of one of the eight scans, None where it was refused."""
    what, by, as_mesh, noise = SCANS[number]
    move = {"": lambda points, _l, _b: points, "ball": ball_moved, "arch": arch_shifted}[what]
    vertices = move(start.vertices, start.length, by)
    truth = Truth(landmarks={}, measures={"foot_length": start.length}, arch_plateau=0.0)
    skin = Specimen(vertices=vertices, faces=start.faces, shape=start.shape, truth=truth)
    spec = ScannerSpec(points=POINTS, noise=noise, faces=as_mesh, turn_deg=None, shift=None)
    try:
        found = measure_scan(
            scan(skin, spec, np.random.default_rng(seed)), Options(side=Side.RIGHT)
        )
    except FootscanError as error:
        print(f"{start.name} scan {number}: {error}", file=sys.stderr)
        return None
    pose = scanner_pose(Side.RIGHT, spec, np.random.default_rng(seed))
    back = np.linalg.inv(pose) @ np.linalg.inv(found.foot.pose)
    places = {}
    for name in NAMES:
        if name in found.landmarks:
            mark = found.landmarks[name]
            at = back[:3, :3] @ mark.xyz + back[:3, 3]
            places[name] = Place(x=_undone(move, at, start.length, by), sd=mark.sd, raw=at[0])
    return places


def _undone(move, at: Array, length: float, by: float) -> float:
    """Return x of the place that `move` carries to `at`."""
    x = at.copy()
    for _ in range(20):
        x = x + at - move(x[None], length, by)[0]
    return float(x[0])


def slope(
    start: Start, places: list[dict[str, Place] | None], name: str
) -> tuple[float, float] | None:
    """Return how far a landmark follows the ball's move, and that share's own deviation."""
    chosen = [
        (SCANS[k][1], p[name])
        for k, p in enumerate(places)
        if p is not None and name in p and SCANS[k][0] != "arch" and SCANS[k][2]
    ]
    if len({by for by, _ in chosen}) < 3:
        return None
    middle = float(np.median([p.x for _, p in chosen]))
    true = np.array(
        [ball_moved(np.array([[middle, 0, 0]]), start.length, by)[0, 0] for by, _ in chosen]
    )
    found = np.array([p.raw for _, p in chosen])
    true -= true.mean()
    # a place that the move hardly reaches says nothing of following
    if np.ptp(true) <= MOVED_MM:
        return None
    sd = np.array([p.sd for _, p in chosen])
    size = float(true @ true)
    return float(true @ found) / size, float(np.linalg.norm(true * sd)) / size


def print_tables(studied: dict[str, tuple[Start, list[dict[str, Place] | None]]]) -> int:
    """Print spreads, cover and slopes; how many landmarks are outside what is wanted."""
    print(
        f"{'landmark':24}{'feet':>5}{'median':>8}{'95 %':>8}{'max':>8}{'stated':>8}"
        f"{'held':>7}{'in band':>9}{'slope':>8}{'least':>7}{'most':>7}{'beyond':>8}  worst"
    )
    outside = 0
    for name in NAMES:
        spreads, held, inside, stated, slopes, beyond = {}, [], [], [], [], 0
        for foot, (start, places) in studied.items():
            own = [p[name] for p in places if p is not None and name in p]
            if len(own) < 2:
                continue
            x, sd = np.array([p.x for p in own]), np.array([p.sd for p in own])
            cover = np.abs(x - np.median(x)) <= 1.96 * sd
            spreads[foot] = float(np.ptp(x))
            held.append(spreads[foot] <= WITHIN_MM or cover.all())
            inside += list(cover)
            stated += list(sd)
            if name in BALL and (found := slope(start, places, name)) is not None:
                slopes.append(found[0])
                beyond += abs(found[0] - 1) - SLOPE_OFF > 1.96 * found[1]
        values = np.array(list(spreads.values()))
        words = (
            ""
            if not slopes
            else f"{np.median(slopes):8.2f}{min(slopes):7.2f}{max(slopes):7.2f}{beyond:8d}"
        )
        print(
            f"{name:24}{len(values):5d}{np.median(values):8.2f}{np.percentile(values, 95):8.2f}"
            f"{values.max():8.2f}{np.median(stated):8.2f}{100 * np.mean(held):6.0f}%"
            f"{100 * np.mean(inside):8.1f}%{words:30}  "
            f"{max(spreads, key=lambda f: spreads[f])}"
        )
        good = np.mean(inside) >= 0.95
        good &= not slopes or (0.9 <= np.median(slopes) <= 1.1 and not beyond)
        outside += not good
    return outside


def main(words: list[str]) -> int:
    """Run the study that the command line asks for; 1 where a landmark is outside the wanted."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--feet", type=int, default=12, help="feet made (12)")
    parser.add_argument("--seed", type=int, default=1, help="of feet and scans (1)")
    parser.add_argument("--package", type=Path, help="folder that the model was installed to")
    parser.add_argument("--json", type=Path, help="write every place here as well")
    arguments = parser.parse_args(words)
    folder = model_folder(arguments.package)
    if folder is None:
        parser.error("the body model is not installed; see tests/benchmarks/body_feet.py")
    if arguments.feet < 1:
        parser.error("--feet must be at least 1")
    begun, studied, refused = time.perf_counter(), {}, 0
    for i, made in enumerate(feet(folder, arguments.feet, arguments.seed)):
        start = settled(made.name, made.vertices, made.faces)
        if start is None:
            refused += len(SCANS)
            continue
        places = [scanned(start, k, [arguments.seed, i, k]) for k in range(len(SCANS))]
        refused += sum(p is None for p in places)
        studied[made.name] = (start, places)
        print(f"{made.name}: {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    if not studied:
        print("no foot could be measured", file=sys.stderr)
        return 1
    outside = print_tables(studied)
    print(f"{len(studied)} feet, {refused} scans refused, {time.perf_counter() - begun:.0f} s")
    if arguments.json is not None:
        record = {
            foot: [p and {n: [q.x, q.sd, q.raw] for n, q in p.items()} for p in places]
            for foot, (_, places) in studied.items()
        }
        arguments.json.write_text(json.dumps(record), "utf-8")
    return 1 if outside else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
