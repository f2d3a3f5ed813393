"""Do plans keep their own rules? A study over many made-up feet, and scans of a data folder.

Each foot is planned on a level bed of its own size with a first trial's wishes, and its pad is
held against the rules again, from the foot and the stored plan alone:

    crest      its way to the arch apex, for pads that no place kept free and no fill limit bound
    kept free  every place kept free, the landmarks' uncertainty added, counted in mm2
    fill       where the pad's top is above the wish, counted in mm2
    reached    share of the gap filled at the crest against the level planned
    support    midfoot share, contact area and heel peak without and with a pad, and with a
               contoured bed of full length: share of feet that are no worse off
    bound      the same when level x gap is filled everywhere behind the ball, and all of it under
               the heel: no bed that leaves the ball flat can do more at this level
    contact    standing: peak on the pad against those at heel and forefoot; pedalling: peak on
               the pad against half of that at the forefoot; contact area without and with it

Made-up feet are planned in their own true frame, without a scanner: the study is of planning.
Scans of a folder are measured first, and are planned whatever their verdict is.

    python tests/benchmarks/planning_study.py [--feet N] [--seed N] [--data FOLDER] [--edge MM]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from footscan.errors import FootscanError
from footscan.pipeline import Options, measure_feet_in
from footscan.results import MeasuredFoot, ScanReport, Verdict
from footscan.scan import Load, Side
from footscan.specimen.made_up import build, random_shape
from insole.planning import planner, seating
from insole.planning.contact import pressing
from insole.planning.contact import springs as contact
from insole.planning.outline import lay_out
from insole.planning.support.ceilings import low_pass
from insole.planning.support.tops import PadTop
from insole.record.limits import default_limits
from insole.record.plan import FootPlan
from insole.record.rings import edges_at
from insole.shoe.shoe import Shoe, parse
from tests import feet

SD_MM = 2.0  # of every landmark of a made-up foot
THIN_MM = 0.5  # a thickness up to this is an edge, not a pad
ROUNDING_MM = 0.12  # of stored heights between their nodes
FREE_ARCH_MM = 8.0  # a gap from here on is a free arch


@dataclass(frozen=True, kw_only=True)
class Row:
    """What one foot gave."""

    name: str
    arch: float
    because: str = ""
    binding: tuple[str, ...] = ()
    along: float = 0.0
    across: float = 0.0
    filled: float = 0.0  # share of the gap at the crest
    level: float = 0.0  # planned
    snug: float = 0.0  # share of the pad within 1 mm of the wish
    pad: dict[str, tuple[float, ...]] | None = None  # figures per load, see `figures`
    contour: dict[str, tuple[float, ...]] | None = None
    bound: dict[str, tuple[float, ...]] | None = None
    broken: dict[str, float]
    above: float = 0.0
    standing: tuple[float, float, float] = (0.0, 0.0, 0.0)  # pad, heel, forefoot, kPa
    pedalling: tuple[float, float] = (0.0, 0.0)  # pad, forefoot, kPa
    areas: tuple[tuple[float, float], ...] = ()
    held: tuple[bool, ...] = (False, False)  # level, since the springs alone cannot balance
    took: float = 0.0


def level_shoe(foot: MeasuredFoot) -> Shoe:
    """Return a shoe with a level bed that fits the foot."""
    length = foot.foot.length + 14.0
    wide = float(foot.measures["foot_breadth"].value or 0.38 * length)
    return parse(
        {
            "name": "level",
            "inside": {"length": length, "ball_width": wide + 2.0, "heel_width": 0.72 * wide},
            "bed": {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}},
            "stock_insole": {
                "kept": False,
                "thickness": {"heel": 5.0, "arch": 5.0, "ball": 3.5, "toes": 3.0},
            },
        }
    )


def planned(foot: MeasuredFoot, name: str, edge: float | None = None) -> Row:
    """Return the plan of one foot held against the rules."""
    shoe, limits = level_shoe(foot), default_limits()
    start = time.perf_counter()
    left = foot.foot.side is Side.LEFT
    wishes = planner.PlanWishes(both=planner.FootWish.of(medial_edge=edge))
    plan = planner.plan(foot if left else None, None if left else foot, shoe, wishes)
    took = time.perf_counter() - start
    record = plan.feet[0]
    arch = float(foot.landmarks["arch_apex"].xyz[2]) if "arch_apex" in foot.landmarks else 0.0
    if record.pad is None:
        return Row(name=name, arch=arch, because=record.no_pad_because, broken={}, took=took)
    seated = seating.seat(foot, lay_out(foot, shoe, limits), shoe, limits=limits)
    apex = record.landmarks["arch_apex"]
    cases = {case.case: case for case in record.contact.cases}
    for case in cases.values():
        if case.after is None:
            print(f"{name}: no figures {case.case}, {case.reason}", file=sys.stderr)
    if any(case.after is None for case in cases.values()):
        return Row(name=name, arch=arch, because="no contact figures", broken={}, took=took)
    standing, pedalling = cases["standing"].after, cases["pedalling"].after
    contour = planner.plan(
        foot if left else None,
        None if left else foot,
        shoe,
        planner.PlanWishes(both=planner.FootWish.of(contoured="full", support_level=0.8)),
    ).feet[0]
    return Row(
        level=record.pad.support_level,
        snug=record.pad.snug or 0.0,
        pad=figures(record),
        contour=figures(contour),
        bound=bound(contour, seated),
        name=name,
        arch=arch,
        binding=tuple(record.pad.binding),
        took=took,
        along=record.pad.crest.from_rear - apex[0],
        across=crest_y(record) - apex[1],
        filled=record.pad.crest.height / max(record.pad.gap_at_crest.value or 0.0, 1e-9),
        broken=broken(record, seated),
        above=above_wish(record, seated),
        standing=(standing.pad_peak, standing.peak["heel"], standing.peak["forefoot"]),
        pedalling=(pedalling.pad_peak, pedalling.peak["forefoot"]),
        areas=tuple((case.before.area, case.after.area) for case in cases.values()),
        held=tuple(cases[name].ankle is not None for name in ("standing", "pedalling")),
    )


def figures(record: FootPlan) -> dict[str, tuple[float, ...]]:
    """Return per load: area, midfoot share, heel peak, ball peak, each before and after.

    Only for loads that the springs alone balance.
    """
    return {
        case.case: (
            case.before.area,
            case.after.area,
            case.before.share["midfoot"],
            case.after.share["midfoot"],
            case.before.peak["heel"],
            case.after.peak["heel"],
            case.before.peak["forefoot"],
            case.after.peak["forefoot"],
        )
        for case in record.contact.cases
        if case.before and case.after and case.ankle is None
    }


def bound(record: FootPlan, seated: seating.Seating) -> dict[str, tuple[float, ...]]:
    """Return `figures` of a bed that fills the wish behind the ball without any other rule."""
    limits, cell = default_limits(), 2
    x, y = seated.sole.x[::cell], seated.sole.y[::cell]
    gx, gy = np.meshgrid(x, y, indexing="ij")
    gap = np.clip((seated.sole.z - seated.bed.z)[::cell, ::cell], 0.0, None)
    regions = pressing.region_maps(seated, gx, gy, limits)
    filled = np.where(regions["midfoot"], record.contour.support_level, 1.0 * regions["heel"])
    spring = contact.winkler(
        limits.value("contact.tissue_modulus"), limits.value("contact.tissue_thickness")
    )
    found = {}
    for case in record.contact.cases:
        if case.ankle is not None or case.before is None:
            continue
        after = contact.press(
            gap * (1.0 - filled),
            cell,
            spring,
            case.load,
            case.centre,
            regions=regions,
            origin=(float(x[0]), float(y[0])),
        )
        pressure = np.nan_to_num(after.pressure)
        before = case.before
        found[case.case] = (
            before.area,
            after.area,
            before.share["midfoot"],
            after.shares["midfoot"],
            before.peak["heel"],
            pressure[regions["heel"]].max(initial=0.0),
            before.peak["forefoot"],
            pressure[regions["forefoot"]].max(initial=0.0),
        )
    return found


def crest_y(record: FootPlan) -> float:
    """Return y of the crest, from its distance to the base's medial edge."""
    ring = shapely.Polygon(record.base.outline)
    x = record.pad.crest.from_rear
    cut = ring.intersection(shapely.LineString([(x, -200), (x, 200)]))
    return cut.bounds[3] - record.pad.crest.from_medial


def raster(record: FootPlan) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y and the pad's height on a grid of 1 mm."""
    ring = np.asarray(record.pad.outline)
    low, high = np.floor(ring.min(axis=0)) - 1, np.ceil(ring.max(axis=0)) + 1
    x, y = np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1]), indexing="ij")
    return x, y, PadTop(record.pad).inside(x, y)


def broken(record: FootPlan, seated: seating.Seating) -> dict[str, float]:
    """Return the places kept free on which the pad lies, mm2 each; only those with any."""
    x, y, z = raster(record)
    marks, sd = record.landmarks, record.landmark_sd
    length, start = seated.foot_length, seated.station
    ends = [np.array(marks[k][:2]) for k in ("metatarsale_tibiale", "metatarsale_fibulare")]
    medial, lateral = ends
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    behind = along[0] * (y - lateral[1]) - along[1] * (x - lateral[0])
    extra = 1.96 * max(sd["metatarsale_tibiale"], sd["metatarsale_fibulare"])
    share = (x - start) / length
    gap = seated.gap(x, y)
    low, high = edges_at(np.asarray(record.foot_outline), x[:, 0])
    ray = (y > (high - 0.35 * (high - low))[:, None] + 1.5) & (
        x > marks["mth1"][0] - 0.14 * length + 1.0
    )
    at = marks["mth5"][0] - 0.25 * length
    fifth = at, float(edges_at(np.asarray(record.foot_outline), at)[0][0]) + 7.5
    navicular = np.array(marks["navicular"])
    near = np.hypot(x - navicular[0], y - navicular[1]) <= 10.0 + 1.96 * sd["navicular"]
    bed = float(seated.bed.height(navicular[:1], navicular[1:2])[0])
    found = {
        "ball line": (behind < 10.0 + extra - 1.0) & (z > THIN_MM),
        "2 mm near the ball": (behind < 20.0 - 1.0) & (z > 2.0 + ROUNDING_MM),
        "rear": (share < 0.28 - 1.0 / length) & (z > THIN_MM),
        "heel contact": (share < 0.35) & (gap < 1.0 - 0.5) & (z > THIN_MM + 0.5),
        "first metatarsal": ray & (z > 0.5 * gap + THIN_MM),
        "fifth base": (np.hypot(x - fifth[0], y - fifth[1]) < 15.0 - 1.5) & (z > THIN_MM),
        "navicular": near & np.isfinite(bed) & (z > navicular[2] - bed - 8.0 + ROUNDING_MM),
    }
    return {name: float(mask.sum()) for name, mask in found.items() if mask.any()}


def above_wish(record: FootPlan, seated: seating.Seating) -> float:
    """Return the area over which the pad is higher than the wish, mm2."""
    x, y, z = raster(record)
    gap = seated.gap(x, y)
    seen = np.isfinite(gap)
    smooth = low_pass(np.where(seen, gap, np.nanmax(gap)), 15.0)  # creases are not copied
    wish = record.pad.support_level * smooth
    return float((seen & (z > np.maximum(wish, record.pad.edge) + ROUNDING_MM)).sum())


def made_up(count: int, seed: int) -> Iterator[tuple[str, MeasuredFoot]]:
    """Yield random feet, measured in their own true frame."""
    rng = np.random.default_rng(seed)
    done = 0
    while done < count:
        shape = random_shape(rng, load=Load.HALF)
        try:
            foot = feet.measured_specimen(build(shape), landmark_sd=SD_MM)
        except ValueError:  # sizes that no foot has together
            continue
        done += 1
        yield f"foot {done}", foot


def scanned(folder: Path) -> Iterator[tuple[str, MeasuredFoot]]:
    """Yield the feet in a folder's scans; what cannot be measured is said and left out."""
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() not in (".ply", ".stl", ".obj"):
            continue
        try:
            for foot in measure_feet_in([path], Options()):
                report = ScanReport(verdict=Verdict.MAKING, findings=foot.report.findings)
                yield path.stem, replace(foot, report=report)
        except FootscanError as error:
            print(f"{path.name}: left out, {error}", file=sys.stderr)


def said(rows: list[Row]) -> list[str]:
    """Return the study's figures as lines."""
    pads = [row for row in rows if not row.because]
    free = [row for row in pads if not any(_keeps(text) for text in row.binding)]
    lines = [
        f"{len(rows)} feet, arch {min(r.arch for r in rows):.0f} to "
        f"{max(r.arch for r in rows):.0f} mm: {len(pads)} pads, {len(rows) - len(pads)} "
        "without"
    ]
    for name, group in (("all pads", pads), ("pads that nothing bound", free)):
        if group:
            along, across = (np.abs([getattr(r, k) for r in group]) for k in ("along", "across"))
            lines.append(
                f"crest to apex, {name} ({len(group)}): along the bed median "
                f"{np.median(along):.1f}, worst {along.max():.1f} mm; across median "
                f"{np.median(across):.1f}, worst {across.max():.1f} mm"
            )
    filled = np.array([r.filled for r in pads]) * 100
    lines.append(
        f"gap filled at the crest: median {np.median(filled):.0f} %, "
        f"{filled.min():.0f} to {filled.max():.0f} %"
    )
    ahead = [r.along for r in pads if r.along > 3.0 + 0.5]
    lines.append(f"crest more than 3 mm ahead of the apex: {len(ahead)} pads")
    bad = [f"{r.name}: {r.broken}" for r in pads if r.broken]
    lines.append(f"places kept free that a pad touches: {len(bad)} pads {bad or ''}".rstrip())
    over = [f"{r.name}: {r.above:.0f} mm2" for r in pads if r.above]
    lines.append(f"fill above the wish: {len(over)} pads {over or ''}".rstrip())
    stood, rode = ([r for r in pads if not r.held[k]] for k in (0, 1))
    stand = [r for r in stood if r.standing[0] > min(r.standing[1:]) * 1.0001]
    ride = [r for r in rode if r.pedalling[0] > 0.5 * r.pedalling[1] * 1.0001]
    lines.append(
        f"the sole had to be held level (leg and shoe carry the moment, no verdict on "
        f"the pad): standing {len(pads) - len(stood)}, pedalling "
        f"{len(pads) - len(rode)}"
    )
    lines.append(
        f"standing, peak on the pad above heel's or forefoot's: {len(stand)} of "
        f"{len(stood)} {_named(stand, 'standing')}".rstrip()
    )
    lines.append(
        f"pedalling, peak on the pad above half of the forefoot's: {len(ride)} of "
        f"{len(rode)} {_named(ride, 'pedalling')}".rstrip()
    )
    grown = [r for r in pads if r.arch >= FREE_ARCH_MM]
    for k, name in enumerate(("standing", "pedalling")):
        more = np.array([r.areas[k][1] - r.areas[k][0] for r in grown])
        if len(more):
            lines.append(
                f"contact area with the pad, {name}: larger in {(more > 0).sum()} of "
                f"{len(more)} feet with a free arch (median {np.median(more):+.1f} cm2, "
                f"least {more.min():+.1f})"
            )
    near = [r for r in pads if r.filled >= r.level - 0.03]
    loose = [r for r in pads if not any(_named_keep(text) for text in r.binding)]
    lines.append(
        f"filled within 3 points of the level planned: {len(near)} of {len(pads)}; where "
        f"no named keep-out takes anything off the crest: "
        f"{sum(r.filled >= r.level - 0.03 for r in loose)} of {len(loose)}"
    )
    lines.append(
        f"pad's area within 1 mm of the wish: median "
        f"{100 * np.median([r.snug for r in pads]):.0f} %"
    )
    for kind in ("pad", "contour", "bound"):
        lines += _support(kind, [getattr(r, kind) for r in pads if getattr(r, kind)])
    lines.append(f"a plan takes {np.median([r.took for r in rows]):.2f} s in the middle")
    return lines


def _support(kind: str, rows: list[dict[str, tuple[float, ...]]]) -> list[str]:
    """Return what a kind of support does under both loads."""
    lines = []
    for load in ("standing", "pedalling"):
        table = np.array([row[load] for row in rows if load in row])
        if not len(table):
            continue
        area = 100 * (table[:, 1] / table[:, 0] - 1)
        share = 100 * (table[:, 3] - table[:, 2])
        heel, ball = (100 * (table[:, k + 1] / np.maximum(table[:, k], 1e-9) - 1) for k in (4, 6))
        lines.append(
            f"{kind}, {load} ({len(table)} feet), medians: area {np.median(area):+.1f} % "
            f"({np.median(table[:, 1] - table[:, 0]):+.1f} cm2, least {area.min():+.1f} %), "
            f"midfoot share {np.median(share):+.1f} points (least {share.min():+.1f}), heel peak "
            f"{np.median(heel):+.0f} % (most {heel.max():+.0f} %), ball peak "
            f"{np.median(ball):+.0f} %"
        )
    return lines


def _named_keep(text: str) -> bool:
    """Return whether a binding rule is a place kept free that can hold the crest down."""
    return not text.startswith(("the rear edge", "the front edge", "at most 2 mm", "the gap under"))


def _keeps(text: str) -> bool:
    """Return whether a binding rule moves the crest: all but the finish of the pad's borders."""
    return not text.startswith(("the medial side", "the gap under"))


def _named(rows: list[Row], name: str) -> str:
    return ", ".join(f"{r.name} {tuple(round(v) for v in getattr(r, name))}" for r in rows[:8])


def main() -> int:
    """Run the study and print it."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--feet", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--data", type=Path)
    options.add_argument("--edge", type=float, help="height of the pad's medial edge, mm")
    given = options.parse_args()
    sources = [("made-up feet", made_up(given.feet, given.seed))]
    if given.data:
        sources.append((f"scans in {given.data}", scanned(given.data)))
    for name, source in sources:
        rows = []
        for label, foot in source:
            try:
                rows.append(planned(foot, label, given.edge))
            except FootscanError as error:
                print(f"{label}: not planned, {error}", file=sys.stderr)
        if rows:
            print(f"{name}:", *(f"  {line}" for line in said(rows)), sep="\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
