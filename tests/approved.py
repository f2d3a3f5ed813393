"""Outputs that somebody looked at and approved once; each run is held against them.

    APPROVED: name -> what writes files into a folder -> tests/approved/<name>/<file>.txt

An approved file says what was written, not that it is right: it is no outside check.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from footscan.checking.repeat import compare
from footscan.outline.trace import Asked, trace_photo
from footscan.outline.typed import Typed
from footscan.scan import Side
from footscan.specimen import made_up
from footscan.specimen.drawn import silhouette
from insole.cli.show import feet as feet_shown
from insole.cli.show import plans as plans_shown
from insole.cli.show import riding as riding_shown
from insole.cli.show import shoes as shoes_shown
from insole.desk.shown import plan_shown
from insole.output import folder
from insole.output.brief import brief
from insole.output.papers.first_trial_page import write_first_trial
from insole.output.papers.question_sheet import write_sheet
from insole.output.papers.rider_page import write_page
from insole.output.pictures.made_part import write_made
from insole.output.pictures.old_and_new import write_old_and_new
from insole.output.pictures.outline import outline_png
from insole.output.pictures.scan import write_scan
from insole.output.pictures.scan_compared import write_compare
from insole.output.print.bar import write_bar
from insole.output.print.step import write_step
from insole.output.settings import Settings
from insole.parts.bar import calibration_bar
from insole.parts.build import all_parts
from insole.parts.finish import BevelWish, VentWish
from insole.parts.form_upper import FormWish
from insole.parts.made.check import check_made
from insole.planning import planner
from insole.planning.changes import describe_change, kept_parts
from insole.planning.first_trial import first_trial
from insole.planning.fit import rank
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.support.kit import default_kit
from insole.record import stock
from insole.record.limits import default_limits
from insole.record.plan import Plan
from insole.shoe import shoe
from insole.trials.entry import Trial
from insole.workflow.making import checked_parts
from tests import feet
from tests.made_parts import SAMPLES, bump, made_scan, sample_rider
from tests.on_trial import run
from tests.outlines import photo, sheet
from tests.plans import sample_foot, sample_plan
from tests.store import STORE
from tests.written import differences, lines_of

__all__ = ["APPROVED", "approve", "mismatch", "written"]

PLACE = Path(__file__).with_name("approved")
SHOWN = 4  # differences of a file
READ = (".pdf", ".png", ".dxf", ".stl", ".3mf", ".txt", ".json", ".step")
SHEETS = Settings(papers=("a4",))
EVA = stock.Rack(material="trial-eva", thicknesses=(3.0,), size=(600.0, 400.0))
LEFT_OUT = {  # a plan that is made by hand, and what another name has already
    "wedges": re.compile(r"plan\.json"),
    "knife": re.compile(r"plan\.json|(plan|report|section-gauges|placement)-"),
    "rider": re.compile(r"cut/|print/|pieces-"),
    "parted": re.compile(r"plan\.json|cut/|paper/(report|section)|pictures/"),
}


def _folder(plan: Plan, settings: Settings) -> Callable[[Path], None]:
    def write(out: Path) -> None:
        def files() -> dict[str, bytes]:
            parts = checked_parts(plan, settings)
            place = folder.write(plan, parts, out / "written", settings=settings)
            found = [path for path in place.parent.rglob("*") if path.is_file()]
            return {path.relative_to(place.parent).as_posix(): path.read_bytes() for path in found}

        for name, data in STORE.ask("a made folder", (plan, settings), files).items():
            path = out / "kept" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)

    return write


def _wedges(out: Path) -> None:
    """A heel shim and a pad left, a forefoot and an under-shoe shim right; printed."""
    _folder(sample_plan(under=True), SHEETS)(out)


def _rider(out: Path) -> None:
    """The sample rider's pair, measured and planned."""
    _folder(sample_rider(), replace(SHEETS, papers=("letter",)))(out)


def _knife(out: Path) -> None:
    """A workshop with sheets and a knife: pieces, gauges, covers, vents, bevel."""
    settings = replace(
        SHEETS,
        layers=True,
        cover_pattern=5.0,
        bevel=BevelWish(width=1.0, angle=45.0),
        vents=VentWish(diameter=3.0, spacing=12.0),
        stock=stock.Stock(racks=(EVA,)),
    )
    _folder(sample_plan(heel_cup=8.0), settings)(out)


def _bed(out: Path) -> None:
    """A contoured bed right, a pad and a forefoot wedge left."""
    right = FootWish.of(contoured="three-quarter", support_level=0.8, heel=2.0)
    left = FootWish.of(forefoot=2.0)
    pair = feet.analytic(side="left", arch=15.0), feet.analytic(arch=13.0)
    plan = planner.plan(*pair, None, PlanWishes(left=left, right=right, case="bed"))
    _folder(plan, SHEETS)(out)


def _dowels(out: Path) -> None:
    """Both pads of one foot on dowels, for a printer and a laser; a form to mould on."""
    wish = FootWish.of(metatarsal=4.0, forefoot=-2.0)
    wishes = PlanWishes(both=wish, case="dowels", dowels=True)
    plan = sample_rider(wishes=wishes, sides=("right",), worn=None)
    laser = replace(SHEETS, kerf=0.2, dxf="R12", laser_colours=True)
    _folder(plan, replace(laser, form=FormWish()))(out)


def _alone(out: Path) -> None:
    """Pages and pictures that stand in no plan's folder."""
    write_page(out / "rider-page.pdf", "a4")
    write_sheet(out / "questions.pdf")
    write_bar(out / "bar.stl", calibration_bar("wedge-tpu"))
    write_scan(out / "scan.png", feet.analytic())
    old = sample_plan()
    new = old.model_copy(update={"right": sample_foot("right", pad_height=12.0), "version": 2})
    write_old_and_new(out / "old-and-new.png", old, new)


def _traced(out: Path) -> None:
    """A foot's outline on paper: the picture and the page of a first trial."""
    typed = Typed(arch_height=17.0, arch_at=118.0, ball_girth=250.0)
    ring = silhouette(made_up.build(made_up.Shape()))
    found = trace_photo(photo(sheet(ring, Side.LEFT)), Asked(barrel=7.0, typed=typed))
    (out / "outline.png").write_bytes(outline_png(found))
    bounds, foot = default_limits(), found.traced
    trial = first_trial(foot, default_kit(bounds), bounds, -2.0)
    ranked = rank(foot, None, [shoe.load(SAMPLES / "shoe.toml")], bounds)
    write_first_trial(out / "first-trial.pdf", [(foot, trial)], ranked)


def _compared(out: Path) -> None:
    """A foot scanned twice, and a pad that was made too high beside its crest."""
    foot, again = feet.analytic(), feet.analytic(arch=15.5)
    write_compare(out / "compared.png", compare(foot, again), foot)
    pad = next(part for part in all_parts(sample_plan()) if part.label == "left-arch-pad")
    x, y = pad.facts.crest.at
    made = made_scan(pad, bump(x - 6.0, y, 0.8), table=True)
    write_made(out / "made.png", check_made(made, [pad]))


def _told(out: Path) -> None:
    """What screen and desk say: of plans, of changes between them, of feet, fit and trials."""
    pair = feet.analytic(side="left", arch=15.0), feet.analytic(arch=13.0)
    left = FootWish.of(support_level=0.8, metatarsal=4.0, cleat_offset=-3.0)
    right = FootWish.of(contoured="three-quarter", heel=2.0)
    wishes = (
        PlanWishes(both=FootWish.of(support_level=0.6), case="told"),
        PlanWishes(left=left, right=right, case="told", version=2),
        PlanWishes(
            left=left.but(metatarsal=6.0, shift=(-4.0, 2.0), forefoot=2.0, cleat_yaw=3.0),
            right=right.but(contoured="full", cup=14.0, support_level=0.5, heel=-2.0),
            case="told",
            version=3,
        ),
    )
    worn, bounds = shoe.load(SAMPLES / "shoe.toml"), default_limits()
    plans = [planner.plan(*pair, worn, asked) for asked in wishes]
    plans += [sample_plan(under=True), sample_rider()]
    told: dict[str, str] = {}
    for number, plan in enumerate(plans):
        told[f"brief-{number}"] = "\n".join(brief(plan, then="ride", more="elsewhere"))
        told[f"whole-{number}"] = plans_shown.whole_plan(plan)
    for number, (old, new) in enumerate(itertools.pairwise(plans[:3])):
        told[f"change-{number}"] = "\n".join([*describe_change(old, new), *kept_parts(old, new)])
    told["measures"] = feet_shown.measures(pair)
    told["check"] = feet_shown.check_table([("a.ply", pair[0]), ("b.ply", pair[1])])
    told["fit"] = shoes_shown.fit(rank(*pair, [worn], bounds))
    log: list[Trial] = []
    much = "a little too much support under the left arch"
    for answer, text, side in (
        ("better", much, "left"),
        ("same", much, "both"),
        ("same", "", "both"),
    ):
        day = f"2026-05-0{len(log) + 1}"
        record = run(plans[0], log, text, answer, day, side=side)
        told[f"trial-{len(log)}"] = riding_shown.trial(record, ["plan", "again"])
    told["trials"] = riding_shown.trials(log)
    told["words"] = "\n".join(riding_shown.understood_words())
    desk = {foot.side: plan_shown(plans[3], foot) for foot in plans[3].feet}
    for shown in desk.values():  # maps cell by cell are no words
        del shown["maps"], shown["contact"]
    (out / "desk.json").write_text(json.dumps(desk), encoding="utf-8")
    for name, words in told.items():
        (out / f"{name}.txt").write_text(words, encoding="utf-8")


def _parted(out: Path) -> None:
    """A bed left, a form to mould on right, each too long for the printer: in two pieces."""
    bed = FootWish.of(contoured="full")
    wishes = PlanWishes(both=FootWish.of(forefoot=2.0), left=bed, case="parted")
    plan = sample_rider(wishes=wishes)
    small = replace(SHEETS, bed=(220.0, 220.0), long_parts="two-pieces", form=FormWish())
    _folder(plan, small)(out)


def _solids(out: Path) -> None:
    """Exact solids of a wedge, a plate with a heel cup and a pad."""
    plan = sample_plan(heel_cup=8.0, sides=("left",))
    for part in all_parts(plan):
        write_step(out / f"{part.label}.step", part)


APPROVED: dict[str, Callable[[Path], None]] = {
    "wedges": _wedges,
    "rider": _rider,
    "knife": _knife,
    "bed": _bed,
    "dowels": _dowels,
    "alone": _alone,
    "traced": _traced,
    "compared": _compared,
    "told": _told,
    "parted": _parted,
    "solids": _solids,
}


def written(name: str, out: Path) -> dict[str, list[str]]:
    """Write what goes by a name into a folder; return what each file shows, by its path."""
    APPROVED[name](out)
    kept = out / "kept"
    files = [path for path in sorted(out.rglob("*")) if path.suffix in READ]
    if kept.is_dir():  # what it was copied from is the same
        files = [path for path in files if kept in path.parents]
    top = next(kept.iterdir()) if kept.is_dir() else out
    shown = {path.relative_to(top).as_posix(): path for path in files}
    skip = LEFT_OUT.get(name)
    return {file: lines_of(p) for file, p in shown.items() if not (skip and skip.search(file))}


def mismatch(name: str, out: Path) -> list[str]:
    """Return a sentence or two for every file that is not as it was approved."""
    now, place = written(name, out), PLACE / name
    old = {
        path.relative_to(place).as_posix().removesuffix(".txt"): path
        for path in place.rglob("*.txt")
    }
    found = [f"{name}: {file} is approved and not written" for file in sorted(old.keys() - now)]
    for file, lines in now.items():
        if file not in old:
            found.append(f"{name}: {file} is written and was never approved")
            continue
        differ = differences(old[file].read_text(encoding="utf-8").splitlines(), lines)
        if differ:
            more = [*differ[:SHOWN], *([f"and {len(differ) - SHOWN} more"] * (len(differ) > SHOWN))]
            found.append("\n    ".join([f"{name}: {file} is not as it was approved", *more]))
    return found


def approve(name: str, out: Path) -> None:
    """Write the approved lines of a name anew; those that are alike stay as they are."""
    place, now = PLACE / name, written(name, out)
    for path in place.rglob("*.txt"):
        if path.relative_to(place).as_posix().removesuffix(".txt") not in now:
            path.unlink()
    for file, lines in now.items():
        path = place / f"{file}.txt"
        if path.is_file():
            if not differences(path.read_text(encoding="utf-8").splitlines(), lines):
                continue
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
