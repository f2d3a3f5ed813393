"""The whole way, from scan files to parts on the bench, on one page.

    files -> measure_feet -> MeasuredFoot (left, right)
          -> plan_feet    -> Plan          (shoe, wishes, answers, limits)
          -> make         -> a folder with print, cut, solid and paper files, read back

The command line, the desk, batch runs and tests all come through here; each stage is a pure
function elsewhere, and this module only strings them together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.errors import FootscanError, ScanReadError, SideError
from footscan.pipeline import Options, measure_feet_in
from footscan.results import MeasuredFoot
from footscan.scan import Side

if TYPE_CHECKING:
    from insole.output.folder import Settings
    from insole.parts.part import Part
    from insole.planning.fit import FitResult
    from insole.planning.plan import Override, Plan
    from insole.planning.planner import PlanWishes

__all__ = [
    "Request",
    "Shots",
    "checked_parts",
    "fit_shoes",
    "make",
    "measure_all",
    "measure_feet",
    "plan_feet",
    "read_plan",
    "save_plan",
    "single_feet",
    "thick_edges",
]


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
    """

    scans: tuple[Shots, ...]
    shoe: Path | None = None
    wishes: PlanWishes | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    clinician: str = ""
    overrides: tuple[Override, ...] = ()
    without_arch: bool = False


def measure_all(scans: Sequence[Shots]) -> list[list[MeasuredFoot] | FootscanError]:
    """Return per scan its measured feet (two where one file shows both), or what was wrong."""

    def one(shots: Shots) -> list[MeasuredFoot] | FootscanError:
        try:
            return measure_feet_in(shots.files, shots.options)
        except FootscanError as error:
            name = " + ".join(path.name for path in shots.files)
            if name not in str(error):
                error.args = (f"{name}: {error}", *error.args[1:])
            return error

    with ThreadPoolExecutor(max_workers=2) as pool:  # the heavy steps run outside the GIL
        return list(pool.map(one, scans))


def measure_feet(scans: Sequence[Shots]) -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
    """Return the left and the right foot in `scans`; None for the one that is not there.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or two scans show the same foot.
    """
    feet: list[MeasuredFoot] = []
    for result in measure_all(scans):
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
    from insole.planning import planner, questions, shoe

    questions.decide(request.answers, request.clinician)  # a stop comes before any work
    bed = shoe.load(request.shoe) if request.shoe is not None else None
    left, right = measure_feet(request.scans)
    plan = planner.plan(
        left, right, bed, request.wishes,
        answers=request.answers, clinician=request.clinician, overrides=request.overrides,
        without_arch=request.without_arch,
    )  # fmt: skip
    return plan, tuple(foot for foot in (left, right) if foot is not None)


def fit_shoes(scans: Sequence[Shots], shoes: Sequence[Path]) -> list[FitResult]:
    """Return the shoes ranked for the feet in `scans`, best first."""
    from insole.planning import fit, limits, shoe

    beds = [shoe.load(path) for path in shoes]
    left, right = measure_feet(scans)
    return fit.rank(left, right, beds, limits.default_limits())


def read_plan(path: Path) -> Plan:
    """Return the plan in a file that ``plan`` or ``make`` wrote.

    Raises
    ------
    insole.errors.PlanError
        The file is missing, too large, or not a plan.
    """
    from insole.errors import PlanError
    from insole.planning.plan import from_json

    try:
        if path.stat().st_size > 20_000_000:
            raise PlanError(f"{path.name} is too large to be a plan; give the plan.json itself")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise PlanError(f"{path} cannot be read; give a plan.json that solewright wrote") from None
    return from_json(text)


def save_plan(plan: Plan, out: Path) -> Path:
    """Write the plan record into folder `out` and return its path; all or nothing.

    Raises
    ------
    insole.errors.InsoleError
        The folder cannot be written, or holds another plan under that name.
    """
    from insole.errors import InsoleError
    from insole.output.folder import folder_name
    from insole.output.printing import write_whole
    from insole.planning.plan import to_json

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
        reason = (error.strerror or str(error)).lower()
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
        Printer bed, kerf, paper sizes.
    say : callable
        Gets one sentence at a time for the person waiting.

    Raises
    ------
    insole.errors.InsoleError
        A part is not valid, a file does not read back the same, or the folder cannot be
        written; nothing is left behind.
    """
    from insole.output import folder, printing
    from insole.planning.questions import decide

    decide(plan.answers, plan.clinician)  # a plan on file is no way around a stop
    settings = settings or folder.Settings()
    worker = printing.StepWorker() if settings.step else None  # its imports take seconds
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

    Raises
    ------
    insole.errors.PartError
        A part is not a closed solid of the planned volume and side.
    """
    from insole.parts import build

    parts = build.all_parts(plan)
    for part in parts:
        for sentence in build.check(part, process="print"):
            say(sentence)
    return parts


def thick_edges(plan: Plan) -> list[str]:
    """Return each wedge in words, for a look before anything is made."""
    return [
        f"{foot.side} foot, {wedge.place.value}: {wedge.words}, "
        f"{wedge.thick_edge:.1f} mm at the thick edge"
        for foot in plan.feet
        for wedge in foot.wedges
    ]
