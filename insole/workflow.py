"""The whole way, from scan files to parts on the bench, on one page.

    files -> measure_feet -> MeasuredFoot (left, right)
          -> plan_feet    -> Plan          (shoe, wishes, answers, limits)
          -> make         -> a folder with print, cut, solid and paper files, read back

The command line, the desk, batch runs and tests all come through here; each stage is a pure
function elsewhere, and this module only strings them together.
"""

from __future__ import annotations

import glob
import multiprocessing
import os
import re
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.door import with_findings
from footscan.errors import FootscanError, ScanReadError, SideError
from footscan.files import why
from footscan.pipeline import Options, measure_feet_in
from footscan.quality import pair as quality_pair
from footscan.results import Finding, MeasuredFoot
from footscan.scan import Side

if TYPE_CHECKING:
    from footscan.checking.settling import Settling
    from insole.output.settings import Settings
    from insole.parts.made.check import MadeCheck
    from insole.parts.part import Part
    from insole.planning.first_level import Suggestion
    from insole.planning.fit import FitResult
    from insole.planning.planner import PlanWishes
    from insole.record.plan import Override, Plan
    from insole.shoe.shoe import Shoe
    from insole.trials.cases import Case
    from insole.trials.trial import Said, Trial

__all__ = [
    "Request",
    "Shots",
    "breaks_held_back",
    "case_home",
    "check_made_part",
    "checked_parts",
    "fit_shoes",
    "keep_answers",
    "keep_plan",
    "left_and_right",
    "located",
    "log_trial",
    "make",
    "measure_all",
    "measure_each",
    "measure_feet",
    "new_shoe",
    "pair_findings",
    "picture_step",
    "plan_feet",
    "plan_measured",
    "question_sheet",
    "read_log",
    "read_plan",
    "read_sheet",
    "refuse_other_plan",
    "save_plan",
    "settle_feet",
    "shoe_library",
    "single_feet",
    "step_options",
    "thick_edges",
    "with_findings",
    "with_hand",
]

NO_NAME = "case"  # of a plan whose case was not named
FEW_SCANS = 3  # more are shared out to processes, whose start costs about a second
WORKERS = 2
GLUED = (
    "a bed that was made in two pieces is compared glued, as the whole of the plan: the joint's "
    "gap and ventilation holes are not judged, a step at the joint reads as height"
)
LARGEST_PLAN = 20_000_000  # bytes; a plan is a few hundred kB


@dataclass(frozen=True, slots=True, kw_only=True)
class Shots:
    """The file or files of one scan, and what was stated about it."""

    files: tuple[Path, ...]
    options: Options = field(default_factory=Options)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a plan is asked for: scans, shoe file, wishes, answers.

    Attributes
    ----------
    scans : tuple of Shots
        One or two feet.
    shoe : Path or None
        Shoe file; None plans on a flat bed, which the plan says.
    wishes : PlanWishes or None
        None is a first trial without wedges.
    answers, clinician
        Answers to the stop and advise questions by id; a clinician's word with its date.
    overrides : tuple of Override
        Limits passed on purpose.
    without_arch : bool
        Shims and a flat base only.
    limits : Path or None
        The workshop's own limits file.
    by_hand : Path or None
        File of hand-measured values.
    sources : mapping
        Names of the files planned from and what was stated of the scans, for the record.
    """

    scans: tuple[Shots, ...]
    shoe: Path | None = None
    wishes: PlanWishes | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    clinician: str = ""
    overrides: tuple[Override, ...] = ()
    without_arch: bool = False
    limits: Path | None = None
    by_hand: Path | None = None
    sources: Mapping[str, object] = field(default_factory=dict)


def measure_all(
    scans: Sequence[Shots], *, at_once: bool = True
) -> list[list[MeasuredFoot] | FootscanError]:
    """Return per scan its measured feet (two where one file shows both), or what was wrong.

    Without `at_once` one scan is measured after the other: half the memory, for those who share
    out whole cases.
    """
    return list(measure_each(scans)) if at_once else [_measured(shots) for shots in scans]


def measure_each(scans: Sequence[Shots]) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield per scan its measured feet, or what was wrong, in order and as they are done.

    Up to three scans are measured in threads; more in two processes, so that one scan that takes
    the whole memory with it does not take the others.
    """
    if len(scans) > FEW_SCANS:
        yield from _in_processes(scans)
        return
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:  # the heavy steps run outside the GIL
        yield from pool.map(_measured, scans)


def pair_findings(feet: Sequence[MeasuredFoot]) -> tuple[Finding, ...]:
    """Return what a left and a right foot show of each other's scan; nothing for other feet."""
    by_side = {foot.foot.side: foot for foot in feet}
    if len(feet) != 2 or len(by_side) != 2:
        return ()
    return quality_pair.pair_findings(by_side[Side.LEFT], by_side[Side.RIGHT])


def with_hand(feet: Sequence[MeasuredFoot], file: Path) -> list[MeasuredFoot]:
    """Return the feet with the contradictions between scan and hand among their findings."""
    from insole.planning import by_hand as judged
    from insole.record import by_hand

    hand = by_hand.read(file)
    pairs = [(foot, hand.of(str(foot.foot.side))) for foot in feet]
    feet = [judged.held(foot, mine) for foot, mine in pairs]
    return [
        with_findings(foot, judged.findings(foot, mine))
        for foot, (_, mine) in zip(feet, pairs, strict=True)
    ]


def _measured(shots: Shots) -> list[MeasuredFoot] | FootscanError:
    """Return the feet in one scan, or what was wrong, with the file's name in it."""
    try:
        return measure_feet_in(shots.files, shots.options)
    except FootscanError as error:
        name = " + ".join(path.name for path in shots.files)
        if name not in str(error):
            error.args = (f"{name}: {error}", *error.args[1:])
        return error


def _in_processes(scans: Sequence[Shots]) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield per scan what :func:`_measured` gives; a scan that ends its process is named."""
    done = 0
    try:
        for result in _shared_out(scans, WORKERS):
            yield result
            done += 1
    except BrokenProcessPool:  # which scan did it shows when each has a process of its own
        for shots in scans[done:]:
            try:
                yield next(_shared_out([shots], 1))
            except BrokenProcessPool:
                yield ScanReadError(
                    f"{shots.files[0].name}: reading it ended the program that did so, most likely "
                    "for want of memory; export the scan with fewer points"
                )


def _shared_out(
    scans: Sequence[Shots], workers: int
) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield the results of worker processes in the order of `scans`."""
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(
        max_workers=workers,
        mp_context=multiprocessing.get_context("spawn"),  # the same on every system
        initializer=signal.signal,
        initargs=(signal.SIGINT, signal.SIG_IGN),  # a break is the parent's: it ends its workers
    )
    try:
        with breaks_held_back():  # from the workers for good: else they would answer as well
            results = pool.map(_measured_apart, scans)
        yield from results
    except (KeyboardInterrupt, GeneratorExit):  # they only compute: nothing is left half done
        for worker in set(multiprocessing.active_children()) - others:
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def breaks_held_back() -> Iterator[None]:
    """Hold breaks by the keyboard back: they come when this ends, and never to what began in it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # its own start would let them through
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _measured_apart(shots: Shots) -> list[MeasuredFoot] | FootscanError:
    """Return what :func:`_measured` gives, in a form that another process can take over.

    Errors are sent as sentence and exit code, since not all of them can be rebuilt from their
    arguments. A fault of ours is one scan's as well: the others go on.
    """
    try:
        result = _measured(shots)
    except Exception as error:
        if os.environ.get("SOLEWRIGHT_TRACEBACK"):
            raise
        name = " + ".join(path.name for path in shots.files)
        words = "not enough memory; export the scan with fewer points"
        if not isinstance(error, MemoryError):
            words = (
                f"a fault in the program itself ({type(error).__name__}: {error}); set "
                "SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
            )
        return FootscanError(f"{name}: {words}")
    if isinstance(result, FootscanError):
        sent = FootscanError(str(result))
        sent.exit_code = result.exit_code
        return sent
    return result


def measure_feet(scans: Sequence[Shots]) -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
    """Return the left and the right foot in `scans`; None for the one that is not there.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or two scans show the same foot.
    """
    return left_and_right(measure_all(scans))


def left_and_right(
    results: Sequence[list[MeasuredFoot] | FootscanError],
) -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
    """Return the left and the right foot of what :func:`measure_all` gave.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or two scans show the same foot.
    """
    feet: list[MeasuredFoot] = []
    for result in results:
        if isinstance(result, FootscanError):
            raise result
        feet += result
    if not feet:
        raise ScanReadError("no scan was given; name one or two scan files")
    by_side: dict[Side, MeasuredFoot] = {}
    for foot in feet:
        twin = by_side.setdefault(foot.foot.side, foot)
        if twin is not foot:
            raise SideError(
                f"{twin.facts.file} and {foot.facts.file} both show the {foot.facts.side} foot; "
                "give one left and one right, or state the sides with --side in their order"
            )
    return by_side.get(Side.LEFT), by_side.get(Side.RIGHT)


def single_feet(scans: Sequence[Shots]) -> list[MeasuredFoot]:
    """Return one foot per scan, in their order.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or shows two feet.
    """
    feet = []
    for shots, result in zip(scans, measure_all(scans), strict=True):
        if isinstance(result, FootscanError):
            raise result
        if len(result) != 1:
            raise ScanReadError(f"{shots.files[0].name} shows two feet; give one foot per file")
        feet += result
    return feet


def plan_feet(request: Request) -> tuple[Plan, tuple[MeasuredFoot, ...]]:
    """Return the plan that `request` asks for, and the measured feet, left first.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence and an exit code: unusable input, or refused for safety or limits.
    """
    found: list[MeasuredFoot] = []

    def feet() -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
        pair = measure_feet(request.scans)
        found.extend(foot for foot in pair if foot is not None)
        return pair

    return plan_measured(request, feet), tuple(found)


def plan_measured(
    request: Request, feet: Callable[[], tuple[MeasuredFoot | None, MeasuredFoot | None]]
) -> Plan:
    """Return the plan that `request` asks for, of the feet that `feet` gives, left first.

    Answers, limits, shoe and hand measures are read before the feet are asked for: what refuses
    a plan anyway is not measured for first.

    Raises
    ------
    footscan.errors.FootscanError
        As for :func:`plan_feet`.
    """
    from insole.planning import planner
    from insole.record import by_hand, limits, questions
    from insole.shoe import shoe

    questions.decide(request.answers, request.clinician)  # a stop comes before any work
    own = limits.load(request.limits) if request.limits is not None else None
    bed = shoe.load(request.shoe) if request.shoe is not None else None
    hand = by_hand.read(request.by_hand) if request.by_hand is not None else None
    left, right = feet()
    return planner.plan(
        left,
        right,
        bed,
        request.wishes,
        answers=request.answers,
        clinician=request.clinician,
        overrides=request.overrides,
        without_arch=request.without_arch,
        limits=own,
        sources=request.sources,
        hand=hand,
    )


def settle_feet(
    seated: Sequence[Shots],
    standing: Sequence[Shots],
    body_mass: float | None = None,
    own_limits: Path | None = None,
) -> list[tuple[Settling, Suggestion]]:
    """Return how each foot comes down from sitting to standing, left first, and where to begin.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or a foot lacks one of its two scans.
    """
    from footscan.checking.settling import settle
    from insole.planning.first_level import suggest
    from insole.record import limits

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()
    sitting, upright = measure_feet(seated), measure_feet(standing)
    found = []
    for side, a, b in zip(("left", "right"), sitting, upright, strict=True):
        if a is None and b is None:
            continue
        if a is None or b is None:
            raise ScanReadError(
                f"the {side} foot was scanned {'standing' if a is None else 'seated'} only; give "
                "both scans of it, or none"
            )
        settled = settle(a, b, body_mass)
        found.append((settled, suggest(settled, bounds)))
    return found


def fit_shoes(
    scans: Sequence[Shots], shoes: Sequence[Path], own_limits: Path | None = None
) -> list[FitResult]:
    """Return the shoes ranked for the feet in `scans`, best first."""
    from insole.planning import fit
    from insole.record import limits
    from insole.shoe import shoe

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()

    beds = [shoe.load(path) for path in shoes]
    left, right = measure_feet(scans)
    return fit.rank(left, right, beds, bounds)


def shoe_library(folder: Path) -> tuple[list[Path], list[str]]:
    """Return the shoe files in a folder, and a sentence for each that cannot be used."""
    from insole.shoe import file as shoe_file

    return shoe_file.library(folder)


def new_shoe(
    path: Path, name: str, figures: Mapping[str, object], beside: Sequence[Path] = ()
) -> Shoe:
    """Write a new shoe file and return the shoe; files that it names are copied beside it."""
    from insole.shoe import file as shoe_file

    return shoe_file.write_new(path, name, figures, beside)


def question_sheet(path: Path) -> None:
    """Write the questions before parts as one page to fill in."""
    from insole.output.papers import question_sheet as sheet

    sheet.write_sheet(path)


def read_sheet(path: Path) -> tuple[dict[str, str], str]:
    """Return the answers on a filled page, and a clinician's word."""
    from insole.output.papers import question_sheet as sheet

    return sheet.read_sheet(path)


def keep_answers(path: Path, answers: Mapping[str, str], clinician: str) -> str:
    """Write an answers file, and return why no parts can be made with it, or nothing.

    Raises
    ------
    insole.errors.InsoleError
        The file is there already or cannot be written.
    """
    from footscan.files import sweep, write_whole
    from insole.errors import InsoleError, RefusedError
    from insole.record import questions

    text = questions.as_toml(answers, clinician)
    sweep(path.parent)
    if path.exists():
        raise InsoleError(f"{path} is there already and is kept; choose another name")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode())
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{path} cannot be written: {reason}; choose another --out") from None
    try:
        questions.decide(answers, clinician)
    except RefusedError as error:
        return str(error)
    return ""


def picture_step(old: Plan, new: Plan, out: Path) -> Path | None:
    """Write the support before and after as a picture beside the new plan; None if it stays.

    Raises
    ------
    insole.errors.OutputError
        The picture cannot be written.
    """
    from insole.output.pictures.old_and_new import write_old_and_new
    from insole.output.settings import folder_name

    path = out / f"{folder_name(new)}-against-v{old.version}.png"
    return path if write_old_and_new(path, old, new) else None


def read_plan(path: Path, *, edited: bool = False) -> Plan:
    """Return the plan in a file that ``plan`` or ``make`` wrote.

    `edited` takes one that was changed by hand since, and has every paper say so.

    Raises
    ------
    insole.errors.PlanError
        The file is missing, too large, not a plan, or was changed since it was written.
    """
    from footscan.files import TooLargeError, read_bounded
    from insole.errors import PlanError
    from insole.record.plan import from_json

    try:
        text = read_bounded(path, LARGEST_PLAN).decode()
    except TooLargeError:
        raise PlanError(
            f"{path.name} is too large to be a plan; give the plan.json itself"
        ) from None
    except (OSError, UnicodeDecodeError):
        raise PlanError(f"{path} cannot be read; give a plan.json that solewright wrote") from None
    return from_json(text, edited=edited)


def save_plan(plan: Plan, out: Path) -> Path:
    """Write the plan record into folder `out` and return its path; all or nothing.

    Raises
    ------
    insole.errors.InsoleError
        The folder cannot be written, or holds another plan under that name.
    """
    from footscan.files import sweep, write_whole
    from insole.errors import InsoleError
    from insole.output.settings import folder_name
    from insole.record.plan import to_json

    sweep(out)
    path = out / f"{folder_name(plan)}-plan.json"
    data = to_json(plan).encode()
    try:
        if path.exists():
            if path.read_bytes() == data:
                return path
            raise InsoleError(
                f"{path} holds another plan; give this one a new --version, or another --out"
            )
        out.mkdir(parents=True, exist_ok=True)
        write_whole(path, data)
    except OSError as error:
        reason = why(error)
        raise InsoleError(f"{path} cannot be written: {reason}; choose another --out") from None
    return path


def make(
    plan: Plan,
    out: Path,
    *,
    settings: Settings | None = None,
    say: Callable[[str], None] = lambda sentence: None,
) -> Path:
    """Write every file for `plan` below `out`, read them back, and return the folder.

    Parameters
    ----------
    plan : Plan
        As planned or read from a file.
    out : Path
        Parent of the new folder ``<case>-v<version>``.
    settings : Settings, optional
        Printer bed, kerf, paper sizes, materials, forms.
    say : callable
        Gets one sentence at a time for the person waiting.

    Raises
    ------
    insole.errors.InsoleError
        A part is not valid, a file does not read back the same, or the folder cannot be
        written; nothing is left behind.
    """
    from insole.output import folder
    from insole.output import settings as wanted
    from insole.output.print import step
    from insole.planning import sound
    from insole.record.questions import decide

    sound.check(plan)
    decide(plan.answers, plan.clinician)  # a plan on file is no way around a stop
    settings = settings or wanted.Settings()
    worker = step.StepWorker() if settings.step else None  # its imports take seconds
    try:
        parts = checked_parts(plan, settings, say)
        return folder.write(plan, parts, out, settings=settings, worker=worker, say=say)
    finally:
        if worker is not None:
            worker.close()


def checked_parts(
    plan: Plan, settings: Settings, say: Callable[[str], None] = lambda sentence: None
) -> list[Part]:
    """Return the plan's parts after the make checks; what is only doubtful is said.

    Forms for moulding follow the parts when the settings ask for them.

    Raises
    ------
    insole.errors.PartError
        A part is not a closed solid of the planned volume and side, or cannot be parted.
    insole.errors.RefusedError
        A bed is too long and a three-quarter one was chosen, which has to be planned.
    insole.errors.PlanError
        Forms are asked for and the plan, an earlier one, keeps no sole.
    """
    from insole.output import long_parts
    from insole.parts import assembly, build, form

    finish = settings.finish
    parts = long_parts.parted(plan, build.all_parts(plan, finish), settings)
    moulds = form.forms(plan, settings.form) if settings.form is not None else []
    for part in (*parts, *moulds):
        for sentence in build.check(part, nozzle=finish.nozzle(part.material)):
            say(sentence)
    for sentence in assembly.clash(parts, plan):
        say(sentence)
    return [*parts, *moulds]


def check_made_part(
    shots: Shots, plan: Plan, name: str, tolerance: float | None = None
) -> MadeCheck:
    """Return how a scanned part differs from the one that a plan asks for.

    Parameters
    ----------
    shots : Shots
        The scan of the part, and of its options side, unit and scale. Without a side the part of
        either foot is taken, whichever fits.
    plan : Plan
    name : str
        ``"arch-pad"``, ``"base"`` and so on, as the plan's parts are called.
    tolerance : float or None
        mm; None takes the usual one.

    Raises
    ------
    insole.errors.PlanError
        The plan has no such part.
    insole.errors.RefusedError, footscan.errors.FootscanError
        As :func:`insole.parts.made.check.check_made` says.
    """
    from footscan import reading
    from insole.errors import PlanError
    from insole.parts import build
    from insole.parts.contour import CONTOUR, PIECES
    from insole.parts.made import check as made

    side = shots.options.side
    if side is not None:  # building the other foot's parts takes seconds
        plan = plan.model_copy(update={side.other.value: None})
    if any(name in (piece, f"{s}-{piece}") for piece in PIECES for s in Side):
        raise PlanError(
            f"{name} is a piece of a bed in two: the check compares the glued bed, as --part "
            "contoured-bed"
        )
    parts = build.all_parts(plan)
    wanted = [part for part in parts if name in (part.name, part.label)]
    if not wanted:
        what = f"no {name}" + (f" for the {side} foot" if side is not None else "")
        has = ", ".join(part.label for part in parts) or "none at all"
        raise PlanError(f"the plan has {what}; its parts are {has}: give one of them as --part")
    check = made.check_made(
        reading.read(shots.files),
        wanted,
        tolerance=tolerance if tolerance is not None else made.TOLERANCE_MM,
        unit=shots.options.unit,
        scale=shots.options.scale,
    )
    if any(part.name == CONTOUR for part in wanted):
        check = replace(check, notes=(*check.notes, GLUED))
    return check


def thick_edges(plan: Plan) -> list[str]:
    """Return each wedge in words, for a look before anything is made."""
    from insole.planning.thickness import asked

    return [
        f"{foot.side} foot, {asked(wedge)}, thick on the {wedge.thick_side}, "
        f"{wedge.thick_edge:.1f} mm at the thick edge"
        for foot in plan.feet
        for wedge in foot.wedges
    ]


def case_home(plan: Plan, out: Path) -> Path:
    """Return the folder of cases that a plan made into `out` is kept in.

    The one next to `out` that keeps this very plan already, else `out` itself: a trial of what
    was made finds the case either way.
    """
    from insole.trials import cases

    if plan.case == NO_NAME or not cases.can_name(plan.case):
        return out
    found = cases.home_of(out / "made" / "plan.json", plan.case, plan)
    return out if found is None else found.parent


def keep_plan(plan: Plan, home: Path) -> Path | None:
    """Keep a plan of a named case in the store `home` and return its path; None if it has no name.

    Raises
    ------
    insole.errors.InsoleError
        The case keeps another plan under that version.
    """
    from insole.trials import cases

    if plan.case == NO_NAME or not cases.can_name(plan.case):
        return None
    return cases.keep(home, plan)


def refuse_other_plan(plan: Plan, home: Path) -> None:
    """Refuse what :func:`keep_plan` would refuse, before the work is done.

    Raises
    ------
    insole.errors.InsoleError
        The case keeps another plan under that version.
    """
    from insole.trials import cases

    if plan.case != NO_NAME and cases.can_name(plan.case):
        cases.refuse_other(home, plan)


def log_trial(plan: Plan, said: Said, log: Path, today: date | None = None) -> Trial:
    """Log what the rider said of a plan, and return the trial with the step that follows.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    said : Said
        Words, side, answer and date.
    log : Path
        A file that ends in .json, or the folder of a case or of cases, where the plan is kept as
        well; they are made when they are not there.
    today : date or None
        A ride later than tomorrow is refused: a slip of the pen would hold up every later entry.
        None takes any date.

    Raises
    ------
    footscan.errors.FootscanError
        What was said cannot be logged, or the log is damaged; the log is then as it was.
    """
    from insole.errors import PlanError
    from insole.record.limits import of_plan
    from insole.trials import cases, trial

    a_day = re.fullmatch(r"\d{4}-\d{2}-\d{2}", said.date)
    if today is not None and a_day and said.date > (today + timedelta(days=1)).isoformat():
        raise PlanError(f"{said.date[:40]!r} lies in the future; give the day of the ride")
    a_case = log.is_dir() or log.suffix.lower() != ".json"
    if a_case and not (log / "case.json").exists() and log.name != plan.case:
        log = log / plan.case  # a folder of cases
    fresh = a_case and not (log / "case.json").exists()
    earlier = [] if fresh else cases.read_log(log)
    found = trial.judge(plan, said, earlier, limits=of_plan(plan))
    if a_case:
        case = (
            cases.create(log.parent, log.name, opened=said.date)
            if fresh
            else (cases.open_case(log))
        )
        case.add_plan(plan)
    cases.append_log(log, found, earlier)
    return found


def read_log(log: Path) -> list[Trial]:
    """Return the trials in a log file, a case, or a folder that holds one case, oldest first.

    Raises
    ------
    insole.errors.InsoleError
        There is no such log, there are several, or it is damaged.
    """
    from insole.errors import InsoleError
    from insole.trials import cases

    if not log.exists():
        raise InsoleError(f"there is no trial log at {log}; check the path")
    if log.is_dir() and not (log / "case.json").exists():
        return _only_case(log).trials()
    return cases.read_log(log)


def _only_case(home: Path) -> Case:
    """Return the one case in a folder of cases: a log is one rider's."""
    from insole.errors import InsoleError
    from insole.trials import cases

    found = cases.cases(home)
    if len(found) != 1:
        names = ", ".join(str(home / case.name) for case in found)
        raise InsoleError(
            f"{home} holds {len(found)} cases; give one of {names}"
            if found
            else f"{home} holds no case; give the folder that plan or make wrote into, or a log's "
            "file"
        )
    return found[0]


def step_options(plan: Plan, trial: Trial, against: Path) -> list[str]:
    """Return the arguments that plan a trial's step; none when there is no step."""
    from insole.trials.trial import options

    if trial.step is None:
        return []
    names = {foot.scan_file for foot in plan.feet}
    names |= {name for name in plan.sources.values() if isinstance(name, str)}
    return [
        located(word) if word in names else word
        for word in options(plan, trial.step, against=str(against))
    ]


def located(name: str) -> str:
    """Return where a file of that name lies: here, or in one folder here; else the bare name."""
    here = Path()
    if (here / name).exists():
        return name
    found = [path for path in here.glob(f"*/{glob.escape(name)}") if path.is_file()]
    return str(found[0]) if len(found) == 1 else name
