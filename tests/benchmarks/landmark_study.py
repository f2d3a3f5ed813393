"""How well landmarks and measures are found: a perturbation study with exact truth.

Made-up feet of random shape are scanned by the made-up scanner (any pose and unit, noise, point
density, floor, stray points, a cropped leg, holes), measured, and compared with what they are
known to be. Scans of other feet (``--data FOLDER``) have no exact truth: they give
repeatability, and, where joint centres come with them, the distance of the metatarsal heads
from those.

The standard deviations in ``measuring.landmarks.SD_MM`` and ``measuring.measures.SD`` come from
this study: root mean square error over good scans.

    python tests/benchmarks/landmark_study.py [--specimens N] [--perturbations N] [--seed N]
        [--good] [--quick] [--data FOLDER] [--json FILE]

Terms
    error       found minus true; of a landmark in the true foot frame, so that pose errors count
    good scan   noise <= 0.3 mm, at least 10 000 points, no hole
    in band     share of errors within 1.96 of the stated standard deviations; 95 % is wanted
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import ConvexHull

from footscan.errors import FootscanError
from footscan.foot import Foot, sole_map
from footscan.measuring import landmarks, measures
from footscan.measuring.local_fit import Cloud
from footscan.measuring.pose import mirror, mirror_faces
from footscan.pipeline import Options, measure_scan
from footscan.reading import read
from footscan.results import MeasuredFoot
from footscan.scan import Array, IntArray, Kind, Load, Side, Unit
from footscan.specimen.made_up import Shape, Specimen, Truth, build, random_shape
from footscan.specimen.scanner import Hole, ScannerSpec, scan, scanner_pose

GOOD_NOISE_MM, GOOD_POINTS = 0.3, 10_000
NOISE_MM = (0.0, 0.5)
POINTS = (1_200, 40_000)
LEG_MM = (75.0, 150.0)  # the leg is cropped at this height
HOLE_MM = (5.0, 15.0)
HOLED = ("arch_apex", "mth1", "mth5", "metatarsale_tibiale", "heel_centre")
HANGING_EVERY = 5  # every fifth specimen hangs in the air
UNITS = tuple(Unit)
HEADS = tuple(f"mth{i}" for i in range(1, 6))
# measures that specimens do not state, taken from their own dense skin free of noise by the
# definition that scans are measured by: what remains is the error of scanning and posing
BY_DEFINITION = (
    "hallux_angle",
    "heel_angle",
    "toe_height_1",
    "toe_height_5",
    "navicular_height",
    "arch_index",
    "chippaux_smirak",
    "staheli",
)


@dataclass(frozen=True, kw_only=True)
class Result:
    """One scan: how it was made and what came out; errors are empty where it was refused."""

    foot: str
    spec: ScannerSpec
    refused: str = ""
    side_right: bool = False
    unit_right: bool = False
    yaw: float = 0.0
    up: tuple[float, float, float] = (0.0, 0.0, 1.0)
    verdict: str = ""
    values: Mapping[str, float] = field(default_factory=dict)
    errors: Mapping[str, float] = field(default_factory=dict)
    marks: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    mark_errors: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    stated: Mapping[str, float] = field(default_factory=dict)

    @property
    def level(self) -> float:
        """Angle between the up found and the true one, degrees."""
        return _angle(self.up, (0.0, 0.0, 1.0))

    @property
    def good(self) -> bool:
        """Whether the scan is one that the stated uncertainties are meant for."""
        spec = self.spec
        return spec.noise <= GOOD_NOISE_MM and (spec.points or 0) >= GOOD_POINTS and not spec.holes


def drawn_spec(
    rng: np.random.Generator, *, floor: bool, holes: bool, good: bool = False
) -> ScannerSpec:
    """Return a scanner with random faults; a floor, a hole only where they are allowed."""
    low, high = np.log((GOOD_POINTS, POINTS[1]) if good else POINTS)
    return ScannerSpec(
        points=int(np.exp(rng.uniform(low, high))) + 1,
        noise=float(rng.uniform(NOISE_MM[0], GOOD_NOISE_MM if good else NOISE_MM[1])),
        unit=UNITS[int(rng.integers(len(UNITS)))],
        turn_deg=None,
        shift=None,
        floor=float(rng.choice([0.0, 45.0])) if floor else 0.0,
        strays=int(rng.integers(0, 80)),
        leg_height=float(rng.uniform(*LEG_MM)),
        holes=_drawn_holes(rng) if holes else (),
    )


def _drawn_holes(rng: np.random.Generator) -> tuple[Hole, ...]:
    """Return a hole near one of the landmarks in every third scan."""
    if rng.random() > 1 / 3:
        return ()
    return (Hole(at=str(rng.choice(HOLED)), diameter=float(rng.uniform(*HOLE_MM))),)


def true_values(specimen: Specimen) -> dict[str, float]:
    """Return every measure that the dense skin gives, mm or degrees."""
    at, truth = specimen.truth.landmarks, dict(specimen.truth.measures)
    length = truth["foot_length"]
    tibiale, fibulare = at["metatarsale_tibiale"], at["metatarsale_fibulare"]
    across = measures.section(
        specimen.vertices, specimen.faces, np.array([0.5 * length, 0, 0]), np.array([1.0, 0, 0])
    ).reshape(-1, 3)
    truth["instep_girth"] = float(ConvexHull(across[:, 1:]).area)
    truth["instep_height"] = float(across[:, 2].max())
    truth["truncated_length"] = float(at["mth1"][0])
    truth["arch_height_index"] = truth["instep_height"] / truth["truncated_length"]
    truth["ball_line_angle"] = float(
        np.degrees(np.arctan2(tibiale[0] - fibulare[0], tibiale[1] - fibulare[1]))
    )
    return truth | _by_definition(specimen)


def _by_definition(specimen: Specimen) -> dict[str, float]:
    """Return what the measuring functions say of the dense skin in its true frame."""
    vertices, faces = np.array(specimen.vertices), np.array(specimen.faces)
    hangs = specimen.shape.load is Load.NONE
    foot = Foot(
        vertices=vertices,
        faces=faces,
        side=specimen.shape.side,
        load=specimen.shape.load,
        kind=Kind.HANGING if hangs else Kind.STANDING,
        pose=np.eye(4),
        length=specimen.truth.measures["foot_length"],
        sole=sole_map(vertices, faces),
    )
    cloud = Cloud.of(vertices)
    found = measures.measure(foot, cloud, landmarks.find(foot, cloud))
    return {k: m.value for k in BY_DEFINITION if (m := found[k]).value is not None}


def studied(
    name: str,
    specimen: Specimen,
    truth: Mapping[str, float],
    seed: list[int],
    spec: ScannerSpec | None = None,
    *,
    good: bool = False,
) -> Result:
    """Return how one scan of `specimen` was measured; its scanner is drawn when not given."""
    rng = np.random.default_rng(seed)
    loaded, known = specimen.shape.load is not Load.NONE, bool(specimen.truth.landmarks)
    spec = spec or drawn_spec(rng, floor=loaded, holes=known and not good, good=good)
    pose = scanner_pose(specimen.shape.side, spec, np.random.default_rng(seed))
    scanned = scan(specimen, spec, np.random.default_rng(seed))
    try:
        found = measure_scan(scanned, Options())
    except FootscanError as error:
        return Result(foot=name, spec=spec, refused=f"{type(error).__name__}: {error}")
    to_true = np.linalg.inv(pose) @ np.linalg.inv(found.foot.pose)
    values = {k: m.value for k, m in found.measures.items() if m.value is not None}
    marks = _marks(found, to_true)
    turn = to_true[:3, :3]
    return Result(
        foot=name,
        spec=spec,
        side_right=found.foot.side is specimen.shape.side,
        unit_right=found.facts.unit is spec.unit,
        yaw=float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0]))),
        up=_triple(turn[:, 2]),
        verdict=found.report.verdict.value,
        values=values,
        errors={k: values[k] - truth[k] for k in values if k in truth},
        marks=marks,
        stated={k: m.sd for k, m in found.measures.items() if m.sd is not None}
        | {k: m.sd for k, m in found.landmarks.items()},
        mark_errors={
            k: _triple(np.array(marks[k]) - at)
            for k, at in specimen.truth.landmarks.items()
            if k in marks
        },
    )


def _marks(found: MeasuredFoot, to_true: Array) -> dict[str, tuple[float, float, float]]:
    """Return the landmarks found, in the true foot frame."""
    return {
        name: _triple(to_true[:3, :3] @ mark.xyz + to_true[:3, 3])
        for name, mark in found.landmarks.items()
    }


def _angle(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Return the angle between two unit vectors, degrees."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), np.dot(a, b))))


def _triple(xyz: Array) -> tuple[float, float, float]:
    return float(xyz[0]), float(xyz[1]), float(xyz[2])


def specimens(count: int, seed: int) -> Iterator[tuple[str, Specimen, dict[str, float]]]:
    """Yield made-up feet with their truth; a shape that no foot can have is drawn again."""
    made, draw = 0, 0
    while made < count:
        load = Load.NONE if made % HANGING_EVERY == HANGING_EVERY - 1 else Load.HALF
        shape = random_shape(np.random.default_rng([seed, draw]), load=load)
        draw += 1
        try:
            specimen = build(shape)
        except ValueError:
            continue
        made += 1
        yield f"specimen {made}", specimen, true_values(specimen)


def other_feet(folder: Path) -> Iterator[tuple[str, Specimen, Array]]:
    """Yield the feet of a data folder, right-handed with toes to +x, as specimens without truth.

    The third item is what was taken off their coordinates.

    Known there: +z is up, toes point to +y (to -y in ``real_pair``), the name tells the side.
    """
    for place, toward, pattern in (
        ("real_pair", -1.0, "*.stl"),
        ("model_feet", 1.0, "*.ply"),
        ("body_feet", 1.0, "*.ply"),
    ):
        for path in sorted((folder / place).glob(pattern)):
            scanned = read([path])
            points = scanned.vertices * (1000.0 if place == "real_pair" else 1.0)
            turned = np.stack([toward * points[:, 1], -toward * points[:, 0], points[:, 2]], axis=1)
            left = path.stem.endswith("_L") or path.stem.startswith("left")
            faces = mirror_faces(scanned.faces) if left else np.array(scanned.faces)
            vertices = mirror(turned) if left else turned
            side = Side.LEFT if left else Side.RIGHT
            # only the real pair stands; the others get no floor
            load = Load.HALF if place == "real_pair" else Load.NONE
            specimen, shift = _as_specimen(vertices, faces, Shape(side=side, load=load))
            yield f"{place}/{path.stem}", specimen, shift


def _as_specimen(vertices: Array, faces: IntArray, shape: Shape) -> tuple[Specimen, Array]:
    """Return a specimen without truth, its rear and lowest point at 0, and the shift."""
    shift = np.array([vertices[:, 0].min(), 0.0, vertices[:, 2].min()])
    length = float(np.ptp(vertices[vertices[:, 2] < vertices[:, 2].min() + 60, 0]))
    truth = Truth(landmarks={}, measures={"foot_length": length}, arch_plateau=0.0)
    return Specimen(vertices=vertices - shift, faces=faces, shape=shape, truth=truth), shift


def joint_centres(folder: Path, name: str, shift: Array) -> dict[str, Array]:
    """Return the metatarsophalangeal joint centres of a body-model foot, in plan."""
    place, stem = name.split("/")
    path = folder / place / "landmarks.json"
    if not path.exists():
        return {}
    entry = json.loads(path.read_text("utf-8")).get(stem)
    if entry is None:
        return {}
    sign = -1.0 if entry["side"] == "left" else 1.0
    return {
        f"mth{i}": np.array([y, -sign * x]) - shift[:2]
        for i in range(1, 6)
        for x, y, _ in [entry["joint_landmarks_mm"][f"MTP{i}"]]
    }


def table(title: str, rows: Mapping[str, Array], stated: Mapping[str, Array]) -> None:
    """Print bias, scatter and the standard deviation that the scans stated, by name."""
    print(f"\n{title}")
    print(
        f"{'':24}{'n':>4}{'bias':>9}{'sd':>9}{'rms':>9}{'95 %':>9}{'max':>9}{'stated':>9}"
        f"{'in band':>9}"
    )
    for name, errors in rows.items():
        if not len(errors):
            continue
        size = np.abs(errors)
        band = ""
        if name in stated:
            sd = stated[name]
            band = f"{np.median(sd):9.3f}{100 * (size <= 1.96 * sd).mean():8.0f}%"
        print(
            f"{name:24}{len(errors):4d}{errors.mean():9.3f}{errors.std():9.3f}"
            f"{np.sqrt((errors**2).mean()):9.3f}{np.percentile(size, 95):9.3f}{size.max():9.3f}"
            + band
        )


def print_truth_study(results: list[Result]) -> None:
    """Print errors against exact truth, for good scans and for all."""
    told = [r for r in results if not r.refused]
    good = f"good scans: noise <= {GOOD_NOISE_MM} mm, >= {GOOD_POINTS} points, no hole"
    full = f"all scans: noise {NOISE_MM[0]}-{NOISE_MM[1]} mm, {POINTS[0]}-{POINTS[1]} points"
    for title, chosen in ((good, [r for r in told if r.good]), (full, told)):
        names = sorted({k for r in chosen for k in r.errors})
        rows = {k: np.array([r.errors[k] for r in chosen if k in r.errors]) for k in names}
        sds = {k: np.array([r.stated[k] for r in chosen if k in r.errors]) for k in names}
        table(f"Measures, {title} (mm, deg, % or ratio)", rows, sds)
        marks = sorted({k for r in chosen for k in r.mark_errors})
        rows = {
            f"{k} {axis}": np.array([r.mark_errors[k][i] for r in chosen if k in r.mark_errors])
            for k in marks
            for i, axis in enumerate("xyz")
        }
        sds = {
            f"{k} {axis}": np.array([r.stated[k] for r in chosen if k in r.mark_errors])
            for k in marks
            for axis in "xy"
        }
        table(f"Landmarks, {title} (mm, true foot frame)", rows, sds)
        pose = {"axis (deg)": [r.yaw for r in chosen], "level (deg)": [r.level for r in chosen]}
        table(f"Pose, {title}", {k: np.array(v) for k, v in pose.items()}, {})
    print_counts(results)


def print_counts(results: list[Result]) -> None:
    """Print how often side and unit were right, and what was refused."""
    told = [r for r in results if not r.refused]
    print(
        f"\nscans {len(results)}, refused {len(results) - len(told)}, side right "
        f"{sum(r.side_right for r in told)}/{len(told)}, unit right "
        f"{sum(r.unit_right for r in told)}/{len(told)}"
    )
    for r in results:
        if r.refused or not (r.side_right and r.unit_right):
            print(
                f"  {r.foot}: {r.spec.points} points, noise {r.spec.noise:.2f} mm: "
                f"{r.refused or 'wrong side or unit'}"
            )


def print_repeatability(title: str, results: list[Result]) -> None:
    """Print the spread (largest minus smallest) over the scans of one foot."""
    feet: dict[str, list[Result]] = {}
    for r in results:
        if not r.refused and r.good and r.side_right and r.unit_right:
            feet.setdefault(r.foot, []).append(r)
    groups = {k: v for k, v in feet.items() if len(v) >= 2}
    if not groups:
        return
    print(f"\nRepeatability, {title}: largest minus smallest over the good scans of one foot")
    print(f"{'':24}{'feet':>5}{'median':>9}{'95 %':>9}{'max':>9}  worst foot")
    for name, spread in _spreads(groups).items():
        values = np.array(list(spread.values()))
        worst = max(spread, key=lambda foot: spread[foot])
        print(
            f"{name:24}{len(values):5d}{np.median(values):9.3f}{np.percentile(values, 95):9.3f}"
            f"{values.max():9.3f}  {worst}"
        )


def _spreads(groups: Mapping[str, list[Result]]) -> dict[str, dict[str, float]]:
    """Return per measure, axis angle and landmark the spread over each foot's scans."""
    spreads: dict[str, dict[str, float]] = {}
    for foot, scans in groups.items():
        columns: dict[str, list[float]] = {"axis (deg)": [r.yaw for r in scans]}
        for key in scans[0].values:
            columns[key] = [r.values[key] for r in scans if key in r.values]
        for key in scans[0].marks:
            for i, axis in enumerate("xy"):
                columns[f"{key} {axis}"] = [r.marks[key][i] for r in scans if key in r.marks]
        for key, column in columns.items():
            spreads.setdefault(key, {})[foot] = float(np.ptp(column))
    return dict(sorted(spreads.items()))


def print_joint_study(folder: Path, results: list[Result], shifts: Mapping[str, Array]) -> None:
    """Print the metatarsal heads found against joint centres that came with the feet."""
    rows: dict[str, list[float]] = {}
    for r in results:
        centres = joint_centres(folder, r.foot, shifts[r.foot]) if r.good else {}
        for name in HEADS:
            if name in centres and name in r.marks:
                for i, axis in enumerate("xy"):
                    rows.setdefault(f"{name} {axis}", []).append(
                        r.marks[name][i] - float(centres[name][i])
                    )
    table(
        "Heads against artist-placed joint centres (mm, the feet's own frame)",
        {k: np.array(v) for k, v in rows.items()},
        {},
    )


def level_spread(results: list[Result]) -> float:
    """Return the largest angle between the levels of one foot's good scans, degrees."""
    told = [r for r in results if not r.refused and r.good]
    return max(
        (_angle(a.up, b.up) for a, b in combinations(told, 2) if a.foot == b.foot), default=0.0
    )


def run(arguments: argparse.Namespace) -> tuple[list[Result], list[Result]]:
    """Run both studies, print their tables and return their results."""
    start = time.perf_counter()
    made: list[Result] = []
    for i, (name, specimen, truth) in enumerate(specimens(arguments.specimens, arguments.seed)):
        for k in range(arguments.perturbations):
            seed = [arguments.seed, i, k]
            made.append(studied(name, specimen, truth, seed, good=arguments.good))
        print(f"{name}: {time.perf_counter() - start:.0f} s", file=sys.stderr)
    print_truth_study(made)
    print_repeatability("made-up feet", made)
    others: list[Result] = []
    if arguments.data is not None:
        others = run_others(arguments)
    print(f"\n{time.perf_counter() - start:.0f} s")
    return made, others


def run_others(arguments: argparse.Namespace) -> list[Result]:
    """Run and print the repeatability study on a folder of other feet."""
    results: list[Result] = []
    shifts: dict[str, Array] = {}
    for i, (name, specimen, shift) in enumerate(other_feet(arguments.data)):
        shifts[name] = shift
        for k in range(arguments.perturbations):
            seed = [arguments.seed, 1000 + i, k]
            results.append(studied(name, specimen, {}, seed, good=arguments.good))
        print(name, file=sys.stderr)
    print_counts(results)
    print_repeatability(str(arguments.data), results)
    print(f"largest change of level over the good scans of a foot: {level_spread(results):.2f} deg")
    print_joint_study(arguments.data, results, shifts)
    return results


def as_record(result: Result) -> dict[str, Any]:
    """Return a result for JSON."""
    spec = result.spec
    return {
        "foot": result.foot,
        "points": spec.points,
        "noise": spec.noise,
        "unit": spec.unit.value,
        "floor": spec.floor,
        "holes": len(spec.holes),
        "refused": result.refused,
        "side_right": result.side_right,
        "unit_right": result.unit_right,
        "yaw": result.yaw,
        "level": result.level,
        "verdict": result.verdict,
        "values": dict(result.values),
        "errors": dict(result.errors),
        "marks": dict(result.marks),
        "mark_errors": dict(result.mark_errors),
    }


def main(words: list[str]) -> int:
    """Run the study that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--specimens", type=int, default=30, help="made-up feet (30)")
    parser.add_argument("--perturbations", type=int, default=3, help="scans of each foot (3)")
    parser.add_argument("--seed", type=int, default=1, help="of shapes and scans (1)")
    parser.add_argument("--good", action="store_true", help="good scans only, see Terms")
    parser.add_argument("--quick", action="store_true", help="4 made-up feet, 2 scans of each")
    parser.add_argument("--data", type=Path, help="folder of other feet, such as ../shared/data")
    parser.add_argument("--json", type=Path, help="write every result here as well")
    arguments = parser.parse_args(words)
    if arguments.quick:
        arguments.specimens, arguments.perturbations = 4, 2
    if arguments.data is not None and not arguments.data.is_dir():
        parser.error(f"there is no folder {arguments.data}; give an existing one with --data")
    if arguments.specimens < 1 or arguments.perturbations < 1:
        parser.error("--specimens and --perturbations must be at least 1")
    made, others = run(arguments)
    if arguments.json is not None:
        arguments.json.write_text(json.dumps([as_record(r) for r in made + others]), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
