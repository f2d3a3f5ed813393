"""From a plan to parts on the bench, and back from a made part to its plan.

Plan                    -> make            -> a folder with print, cut, solid and paper files
Plan                    -> plan_page       -> its page for a person to read, alone
Plan, scan of a part    -> check_made_part -> how the part differs
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from footscan.scan import Side
from insole.partner import Partner
from insole.workflow.request import Shots

if TYPE_CHECKING:
    from insole.output.print.step import StepWorker
    from insole.output.settings import Settings
    from insole.parts.made.check import MadeCheck
    from insole.parts.part import Part
    from insole.record.plan import Plan

__all__ = [
    "LOADED_TO_BUILD",
    "check_made_part",
    "checked_parts",
    "make",
    "plan_page",
    "thick_edges",
]


# what a partner needs, for it to load while there is nothing else to do: to build, then to write
LOADED_TO_BUILD = ("insole.parts.build", "insole.parts.assembly")
LOADED_TO_WRITE = (
    "insole.output.folder",
    "insole.output.papers.report",
    "reportlab.platypus",
    "skimage.measure",
    "matplotlib.figure",
)
GLUED = (
    "a bed that was made in two pieces is compared glued, as the whole of the plan: the joint's "
    "gap and ventilation holes are not judged, a step at the joint reads as height"
)


def make(
    plan: Plan,
    out: Path,
    *,
    settings: Settings | None = None,
    worker: StepWorker | None = None,
    partner: Partner | None = None,
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
    worker : StepWorker, optional
        Already loading; without one, one is started here where STEP files are wanted.
    partner : Partner, optional
        A second process that does half of the work; without one, all is done here.
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
    if worker is None and settings.step:
        worker = step.StepWorker()  # its imports take seconds
    try:
        parts = checked_parts(plan, settings, say, partner)
        return folder.write(
            plan, parts, out, settings=settings, worker=worker, partner=partner, say=say
        )
    finally:
        if worker is not None:
            worker.close()


def plan_page(plan: Plan, path: Path, *, settings: Settings | None = None) -> None:
    """Write the page of `plan` for a person to read, alone: the same bytes that `make` writes.

    The parts are built and checked, since the page says what they weigh; no other file is made.

    Parameters
    ----------
    plan : Plan
    path : Path
        PDF to write; nothing may be there.
    settings : Settings, optional
        As for :func:`make`.

    Raises
    ------
    insole.errors.InsoleError
        As :func:`make` says; nothing is left behind.
    """
    from insole.output import contents
    from insole.output import settings as wanted
    from insole.output.made import made_parts
    from insole.planning import sound
    from insole.record.questions import decide

    sound.check(plan)
    decide(plan.answers, plan.clinician)
    settings = settings or wanted.Settings()
    made = made_parts(plan, checked_parts(plan, settings), settings)
    page = next(
        item
        for item in contents.paper_items(plan, made, settings, wanted.folder_name(plan))
        if item.path == f"paper/plan-{wanted.folder_name(plan)}.pdf"
    )
    try:
        page.check(page.write(path) or [path])
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def checked_parts(
    plan: Plan,
    settings: Settings,
    say: Callable[[str], None] = lambda sentence: None,
    partner: Partner | None = None,
) -> list[Part]:
    """Return the plan's parts after the make checks; what is only doubtful is said.

    Forms for moulding follow the parts when the settings ask for them. With a partner the right
    foot's are made beside the left one's.

    Raises
    ------
    insole.errors.PartError
        A part is not a closed solid of the planned volume and side, or cannot be parted.
    insole.errors.RefusedError
        A bed is too long and a three-quarter one was chosen, which has to be planned.
    insole.errors.PlanError
        Forms are asked for and the plan, an earlier one, keeps no sole.
    """
    others = None
    if partner is not None and partner.there and _apart(plan, settings):
        others = partner.ask(_built, plan.model_copy(update={"left": None}), settings)
    if partner is not None:  # meanwhile, whoever builds
        partner.load(*LOADED_TO_WRITE)
    if others is not None:
        feet = [_built(plan.model_copy(update={"right": None}), settings), others.result()]
    else:
        feet = [_built(plan, settings)]
    for sentences in (*(foot.doubts for foot in feet), *(foot.clashes for foot in feet)):
        for sentence in sentences:
            say(sentence)
    return [
        *(part for foot in feet for part in foot.parts),
        *(m for foot in feet for m in foot.moulds),
    ]


class _Built(NamedTuple):
    """Parts, forms and what is doubtful about each of them and between them."""

    parts: list[Part]
    moulds: list[Part]
    doubts: list[str]
    clashes: list[str]


def _built(plan: Plan, settings: Settings) -> _Built:
    """Return the parts of a plan's feet, checked."""
    from insole.output import long_parts
    from insole.parts import assembly, build, form

    finish = settings.finish
    parts = long_parts.parted(plan, build.all_parts(plan, finish), settings)
    moulds = form.forms(plan, settings.form) if settings.form is not None else []
    moulds = long_parts.parted_forms(plan, moulds, settings)
    doubts = [
        sentence
        for part in (*parts, *moulds)
        for sentence in build.check(part, nozzle=finish.nozzle(part.material))
    ]
    return _Built(parts, moulds, doubts, assembly.clash(parts, plan))


def _apart(plan: Plan, settings: Settings) -> bool:
    """Return whether each foot's parts can be made alone: no refusal is about both feet."""
    if len(plan.feet) < 2 or settings.long_parts == "three-quarter":
        return False
    return settings.form is None or all(foot.sole is not None for foot in plan.feet)


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
            f"{name} is a piece of a bed in two: the check compares the glued bed, as part "
            "contoured-bed"
        )
    parts = build.all_parts(plan)
    wanted = [part for part in parts if name in (part.name, part.label)]
    if not wanted:
        what = f"no {name}" + (f" for the {side} foot" if side is not None else "")
        has = ", ".join(part.label for part in parts) or "none at all"
        raise PlanError(f"the plan has {what}; its parts are {has}: name one of them").asking(
            "part"
        )
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
    from insole.planning.thickness import asked, cant_known

    return [
        f"{foot.side} foot, {asked(wedge, cant_known=cant_known(foot, wedge))}, thick on the "
        f"{wedge.thick_side}, {wedge.thick_edge:.1f} mm at the thick edge"
        for foot in plan.feet
        for wedge in foot.tilts  # those built into a bed as well
    ]
