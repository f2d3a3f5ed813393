"""How well the scan check tells good scans from bad ones: a confusion study.

Good scans and scans with one fault each, in three strengths, of made-up feet and (with ``--data
FOLDER``) of other feet, go through cleaning, posing, measuring and the check. The rough pose is
given, as matching would find it; wrong sides go through the matching as well.

    python tests/benchmarks/confusion_study.py [--scans N] [--seed N] [--feet N]
        [--data FOLDER] [--only WORDS] [--json FILE]

Terms
    held back   a good scan that is not fit for making, or refused
    spoiling    a part made from the scan would be spoilt (see ``faults``)
    missed      a spoiling fault in a scan that is fit for making
    slipped     a scan that is fit for making with a measure more than 2 mm outside its own 95 %
                band; faults that bend the foot itself are left out, it is another foot then
    named       the finding's code, or the sentence of the refusal, names the fault
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
import numpy as np
from landmark_study import other_feet, true_values

from footscan.errors import FootscanError, UnitsError
from footscan.finding import cleaning, matching
from footscan.measuring import landmarks, measures, pose
from footscan.pipeline import Options, infer_unit, measure_scan
from footscan.quality import findings as quality
from footscan.quality import uncertainty
from footscan.results import Measure, Verdict
from footscan.scan import Load, Scan, Side
from footscan.specimen.made_up import Specimen, build, random_shape
from footscan.specimen.scanner import ScannerSpec
from tests.faults import FAULTS, Faulty, base_spec, good_scan

GRID_MM = 1.8
HANGING_EVERY = 4
GOOD_SHARE = 0.25
BARE_EVERY = 12  # of the good scans: bare points, which take long
BARE_POINTS = 50_000
POSED = ("pose_", "rand1", "shapePC1p")  # toes curled or lifted by 14 degrees and more
BENT = (
    "big toe lifted",
    "toes curled",
    "squeezed in length",
    "squeezed in breadth",
    "squeezed in height",
    "sock or smoothing",
)
BAND, SLIP_MM = 1.96, 2.0
MEASURED = (
    "foot_length",
    "heel_to_ball_length",
    "outside_ball_length",
    "foot_breadth",
    "foot_breadth_diagonal",
    "heel_breadth",
    "heel_breadth_max",
    "ball_girth",
    "instep_girth",
    "instep_height",
    "arch_apex_height",
    "truncated_length",
)
SLOW = ("reduced", "sock or smoothing")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One scan: what was put in and what the check said."""

    foot: str
    fault: str
    level: int
    spoils: bool
    verdict: str
    codes: tuple[str, ...]
    refusal: str
    named: bool
    seconds: float
    beyond: float = 0.0
    beyond_by: str = ""

    @property
    def passed(self) -> bool:
        """Whether parts would be made from the scan."""
        return self.verdict == Verdict.MAKING.value

    @property
    def slipped(self) -> bool:
        """Whether a part would be made from a measure that its own band does not cover."""
        return self.passed and self.beyond > SLIP_MM


def feet(count: int, seed: int) -> Iterator[tuple[str, Specimen]]:
    """Yield made-up feet of random shape; every fourth hangs in the air."""
    made, draw = 0, 0
    while made < count:
        load = Load.NONE if made % HANGING_EVERY == HANGING_EVERY - 1 else Load.HALF
        shape = random_shape(np.random.default_rng([seed, draw]), load=load)
        draw += 1
        try:
            yield f"made-up foot {made + 1}", build(replace(shape, cell=GRID_MM))
        except ValueError:
            continue
        made += 1


def posed_feet(folder: Path) -> Iterator[tuple[str, Specimen]]:
    """Yield the feet of a data folder, laid as the matching lays them; no truth but the length."""
    for name, foot, _ in other_feet(folder):
        if any(word in name for word in (*POSED, "real_pair")):
            continue
        sketch = cleaning.sketch(Scan(vertices=foot.vertices, faces=foot.faces))
        match = matching.match(sketch.points, sketch.normals, side=Side.RIGHT)[0]
        skin = (foot.vertices - match.origin) @ match.rotation.T
        skin -= [skin[:, 0].min(), 0.0, skin[:, 2].min()]
        length = float(skin[skin[:, 2] < 60.0, 0].max())
        truth = replace(foot.truth, measures={"foot_length": length})
        yield name, replace(foot, vertices=skin, truth=truth)


def checked(made: Faulty) -> tuple[str, tuple[str, ...], str, Mapping[str, Measure]]:
    """Return verdict, finding codes, refusal and measures of a scan whose rough pose is given."""
    try:
        floor = cleaning.sketch(made.scan).floor
        cleaned = cleaning.clean(made.scan, made.match, floor)
        settled = pose.settle(cleaned, made.match, kind=None, load=made.load)
        found = landmarks.find(settled.foot, settled.cloud)
        filled = quality.is_filled(settled)
        reason = "not seen" if filled or quality.is_missing(settled) else ""
        if reason:
            found.pop("arch_apex", None)
        grade = uncertainty.widening(settled.cloud.points)
        found = uncertainty.widened_landmarks(found, grade)
        values = uncertainty.widened_measures(
            measures.measure(settled.foot, settled.cloud, found, arch_reason=reason, filled=filled),
            grade,
        )
        evidence = quality.Evidence(load=made.load, hand_length=made.hand_length)
        report = quality.inspect(settled, cleaned, values, evidence, made.scan, found)
    except FootscanError as error:
        return "refused", (), str(error), {}
    return report.verdict.value, tuple(f.code for f in report.findings), "", values


_truths: dict[str, Mapping[str, float]] = {}


def truth_of(name: str, foot: Specimen) -> Mapping[str, float]:
    """Return the true measures of a foot; of other feet, what a scan free of noise says."""
    if name not in _truths:
        if name.startswith("made-up"):
            _truths[name] = true_values(foot)
        else:
            rng = np.random.default_rng(5)
            spec = replace(base_spec(rng), noise=0.0, points=40_000)
            found = checked(good_scan(foot, spec, rng))[3]
            _truths[name] = {k: m.value for k, m in found.items() if m.value is not None}
    return _truths[name]


def beyond(found: Mapping[str, Measure], truth: Mapping[str, float]) -> tuple[float, str]:
    """Return how far the worst measure lies outside its own 95 % band, mm, and its name."""
    off = {
        name: abs(m.value - truth[name]) - BAND * (m.sd or 0.0)
        for name, m in found.items()
        if name in MEASURED and name in truth and m.value is not None
    }
    worst = max(off, key=lambda name: off[name], default="")
    return (off[worst], worst) if worst else (0.0, "")


def studied(name: str, foot: Specimen, fault: str, level: int, seed: list[int]) -> Outcome:
    """Return what the check says of one scan; an empty `fault` is a good scan."""
    rng = np.random.default_rng(seed)
    spec = base_spec(rng, fine=fault in ("folds", "big toe lifted", "toes curled"))
    if fault:
        wanted = FAULTS[fault]
        made = wanted.put(foot, spec, wanted.strengths[level], rng)
    else:
        made = good_scan(foot, _varied(foot, spec, level, rng), rng)
    start = time.perf_counter()
    verdict, codes, refusal, found = checked(made)
    seconds = time.perf_counter() - start
    named = False
    if fault:
        named = bool(set(wanted.codes) & set(codes))
        named |= bool(refusal and wanted.refusal and wanted.refusal in refusal)
    out, by = (0.0, "") if fault in BENT else beyond(found, truth_of(name, foot))
    return Outcome(
        foot=name,
        fault=fault,
        level=level,
        spoils=bool(fault) and wanted.spoils[level],
        verdict=verdict,
        codes=codes,
        refusal=refusal,
        named=named,
        seconds=seconds,
        beyond=round(out, 2),
        beyond_by=by,
    )


def _varied(
    foot: Specimen, spec: ScannerSpec, number: int, rng: np.random.Generator
) -> ScannerSpec:
    """Return a good scanner with what a good scan may have: a floor, a few strays, no faces."""
    floor = foot.shape.load is not Load.NONE and rng.random() < 0.4
    return replace(
        spec,
        floor=45.0 if floor else 0.0,
        floor_under=bool(floor and rng.random() < 0.3),
        strays=int(rng.integers(0, 40)),
        islands=int(rng.integers(0, 2)),
        faces=number % BARE_EVERY != BARE_EVERY - 1,
        points=max(spec.points or 0, 0 if number % BARE_EVERY != BARE_EVERY - 1 else BARE_POINTS),
    )


def plan(feet_known: list[tuple[str, Specimen]], scans: int, only: str) -> Iterator[tuple]:
    """Yield (foot, fault, level) so that every fault meets many feet."""
    good = 0 if only else int(GOOD_SHARE * scans)
    for k in range(good):
        yield feet_known[k % len(feet_known)], "", k
    names = [n for n in FAULTS if any(w in n for w in only.split(","))] if only else list(FAULTS)
    made_up = [f for f in feet_known if f[0].startswith("made-up")]
    rounds = max(1, round((scans - good) / (3 * len(names))))
    at = 0
    for turn in range(rounds):
        for name in names:
            for level in range(3):
                at += 1
                if name in SLOW and turn > max(1, rounds // 2):
                    continue
                known = _wanting(name, made_up, feet_known)
                yield known[(at * 7 + turn) % len(known)], name, level


def _wanting(
    fault: str, made_up: list[tuple[str, Specimen]], known: list[tuple[str, Specimen]]
) -> list[tuple[str, Specimen]]:
    """Return the feet that a fault can be put into."""
    standing = [f for f in made_up if f[1].shape.load is not Load.NONE]
    if fault in ("floor, taken away", "floor, tilted", "glass plate below"):
        return standing
    if fault in ("big toe lifted", "toes curled", "sock or smoothing", "scale wrong, length known"):
        return made_up
    return known


def wrong_sides(known: list[tuple[str, Specimen]], count: int, seed: int) -> list[bool]:
    """Return whether a mirrored scan with the side stated was found out, matching included."""
    found = []
    for k in range(count):
        _, foot = known[k % len(known)]
        rng = np.random.default_rng([seed, 77, k])
        made = good_scan(foot, replace(base_spec(rng), noise=0.1), rng)
        options = Options(side=foot.shape.side.other, load=made.load)
        try:
            codes = {f.code for f in measure_scan(made.scan, options).report.findings}
        except FootscanError:
            codes = {"side-contradicted"}
        found.append("side-contradicted" in codes)
    return found


def wrong_units() -> tuple[int, int]:
    """Return how many of all adult lengths in a wrong unit (25.4 or 1000 times off) pass as mm."""
    scan = Scan(vertices=np.zeros((1, 3)), faces=np.zeros((0, 3), dtype=int))
    wrong = asked = 0
    for length in np.arange(198.0, 323.5, 0.5):
        for factor in (25.4, 1 / 25.4, 1000.0, 1 / 1000.0):
            asked += 1
            try:
                mm_per_unit, _, _ = infer_unit(length * factor, scan, Options())
            except UnitsError:
                continue
            wrong += abs(length * factor * mm_per_unit - length) > 0.5
    return wrong, asked


def print_table(results: list[Outcome]) -> None:
    """Print the table by fault and the sums that count."""
    good = [r for r in results if not r.fault]
    held = [r for r in good if not r.passed]
    back = sum(r.verdict in ("refused", Verdict.AGAIN.value) for r in held)
    print(f"good scans {len(good)}: held back {len(held)}, of which sent back {back}")
    for r in held:
        print(f"  {r.foot} #{r.level}: {r.verdict} {r.refusal} {', '.join(r.codes)}")
    print(
        f"\n{'fault':28}{'strength':>30}{'n':>5}{'spoils':>8}{'making':>8}{'measuring':>11}"
        f"{'again':>7}{'refused':>9}{'named':>8}"
    )
    for name, fault in FAULTS.items():
        for level, strength in enumerate(fault.strengths):
            rows = [r for r in results if r.fault == name and r.level == level]
            if not rows:
                continue
            counts = [
                sum(r.verdict == v for r in rows) for v in (*(v.value for v in Verdict), "refused")
            ]
            mark = "" if level >= fault.named_from else " (not asked)"
            print(
                f"{name if level == 0 else '':28}{f'{strength:g} {fault.unit}':>30}"
                f"{len(rows):5d}{'yes' if fault.spoils[level] else 'no':>8}{counts[0]:8d}"
                f"{counts[1]:11d}{counts[2]:7d}{counts[3]:9d}"
                f"{100 * np.mean([r.named for r in rows]):7.0f}%{mark}"
            )
    bad = [r for r in results if r.spoils]
    missed = [r for r in bad if r.passed]
    asked = [r for r in results if r.fault and r.level >= FAULTS[r.fault].named_from]
    unnamed = [r for r in asked if not r.named]
    print(
        f"\nscans {len(results)}; good held back {len(held)}/{len(good)}; spoiling missed "
        f"{len(missed)}/{len(bad)}; named {len(asked) - len(unnamed)}/{len(asked)}; "
        f"median {np.median([r.seconds for r in results]):.2f} s a scan"
    )
    slipped = [r for r in results if r.slipped]
    print(
        f"fit for making with a measure more than {SLIP_MM:g} mm outside its 95 % band: "
        f"{len(slipped)}/{sum(r.passed for r in results)}"
    )
    for r in slipped:
        print(
            f"  slipped: {r.foot}, {r.fault or 'good'} {r.level}: {r.beyond_by} by "
            f"{r.beyond:.1f} mm beyond; {', '.join(r.codes)}"
        )
    for r in missed:
        print(f"  missed: {r.foot}, {r.fault} {r.level}: {', '.join(r.codes)}")
    for r in unnamed:
        print(
            f"  not named: {r.foot}, {r.fault} {r.level}: {r.verdict} {r.refusal} "
            f"{', '.join(r.codes)}"
        )


def main(words: list[str]) -> int:
    """Run the study that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scans", type=int, default=600, help="scans in all (600)")
    parser.add_argument("--seed", type=int, default=1, help="of feet and scans (1)")
    parser.add_argument("--feet", type=int, default=14, help="made-up feet (14)")
    parser.add_argument("--data", type=Path, help="folder of other feet, such as ../shared/data")
    parser.add_argument("--only", default="", help="faults whose names hold one of these words")
    parser.add_argument("--json", type=Path, help="write every result here as well")
    arguments = parser.parse_args(words)
    if arguments.data is not None and not arguments.data.is_dir():
        parser.error(f"there is no folder {arguments.data}; give an existing one with --data")
    if arguments.scans < 3 or arguments.feet < HANGING_EVERY:
        parser.error(f"--scans must be at least 3 and --feet at least {HANGING_EVERY}")
    start = time.perf_counter()
    known = list(feet(arguments.feet, arguments.seed))
    if arguments.data is not None:
        known += posed_feet(arguments.data)
    print(f"{len(known)} feet: {time.perf_counter() - start:.0f} s", file=sys.stderr)
    results = []
    for k, ((name, foot), fault, level) in enumerate(plan(known, arguments.scans, arguments.only)):
        results.append(studied(name, foot, fault, level, [arguments.seed, k]))
        if k % 10 == 9:
            print(f"{k + 1} scans: {time.perf_counter() - start:.0f} s", file=sys.stderr)
    print_table(results)
    if not arguments.only:
        sides = wrong_sides(known[: arguments.feet], min(12, arguments.feet), arguments.seed)
        print(f"side stated wrongly (matched): found out {sum(sides)}/{len(sides)}")
        wrong, asked = wrong_units()
        print(f"lengths 25.4 or 1000 times off: taken for a foot of another size {wrong}/{asked}")
    print(f"{time.perf_counter() - start:.0f} s")
    if arguments.json is not None:
        arguments.json.write_text(json.dumps([asdict(r) for r in results]), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
