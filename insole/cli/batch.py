"""The lab's command: a folder of scans, all in one go."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.making import make, settings_of
from insole.cli.options.common import QUIET, UNUSABLE
from insole.cli.options.finish import FINISH
from insole.cli.options.outcomes import quiet_or, speak
from insole.cli.options.scans import scan_options
from insole.cli.options.wishes import request_of, wish_options
from insole.cli.typed import how

if TYPE_CHECKING:
    from insole.batch.pairing import Case
    from insole.batch.shift import Counts, Hands
    from insole.batch.task import Record
    from insole.workflow.request import Request

__all__ = ["batch"]

# what belongs to one scan or one rider, and what it is then
OF_ONE: dict[str, Any] = {
    "side": (),
    "foot_length": (),
    "landmark": (),
    "one_foot": False,
    "case": "case",
    "by_hand": None,
}
OF_FILES = (
    "bed",
    "kerf",
    "sheet",
    "step",
    "layers",
    "materials",
    "material",
    "stock",
    "dxf",
    "laser_colours",
    "cover_pattern",
    "form",
    "form_cover",
    "form_relief",
    *FINISH,
    "thick_edges_checked",
)


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--to",
    type=click.Choice(["measures", "plan", "parts"]),
    default="parts",
    show_default=True,
    help="How far each case is taken.",
)
@click.option(
    "--pairs",
    metavar="PATTERN",
    help="How files are named, with {case}, {side} and *: '{case}_{side}.*'. Left out, the side is "
    "the word left, right, L or R in a name.",
)
@click.option(
    "--sides-by-name",
    is_flag=True,
    help="State each scan's side as its name says it; else it is told from the scan, and a name "
    "that contradicts it is refused.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    metavar="N",
    help="Cases at once on this machine; left out, one per core.",
)
@click.option(
    "--watch",
    is_flag=True,
    help="Keep looking at the folder that a scanner writes to, until stopped by Ctrl-C. A foot "
    "waits for the other one.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Work on the Dask cluster of that scheduler, which must see both folders.",
)
@scan_options
@wish_options
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("parts"),
    show_default=True,
    metavar="DIR",
    help="Folder for all results, with batch.csv and batch.html.",
)
@QUIET
def batch(
    folder: Path,
    to: str,
    pairs: str | None,
    sides_by_name: bool,
    jobs: int | None,
    watch: bool,
    scheduler: str | None,
    out: Path,
    quiet: bool,
    **given: Any,
) -> int:
    """Take every pair in a folder to measures, plan or parts; what is done is not done again."""
    from insole.batch import shift
    from insole.batch.pairing import Pattern
    from insole.batch.task import Goal
    from insole.workflow.plans import check_answers

    if scheduler and jobs:
        raise click.UsageError("give --jobs or --scheduler, not both")
    files = {name: given.pop(name) for name in OF_FILES}
    checked = files.pop("thick_edges_checked")
    files["finish"] = {name: files.pop(name) for name in FINISH}
    version = given.pop("version") or 1
    given |= OF_ONE
    for name in ("shoe", "limits"):  # another process, or another machine, stands elsewhere
        given[name] = given[name].absolute() if given[name] else None
    try:
        pattern = Pattern(pairs) if pairs else None
    except ValueError as error:
        raise click.UsageError(f"--pairs: {error}") from None

    check_answers(request_of((), given, version))  # what is wrong for every case is said once
    asked = shift.Asked(
        folder=folder.absolute(),
        out=out.absolute(),
        to=Goal(to),
        request_for=_request_of_case(given, version, sides_by_name),
        settings=settings_of(**files),
        edges_checked=checked,
        pattern=pattern,
        watch=watch,
    )
    hands = _hands(scheduler, jobs)
    try:
        counts = _done(asked, hands, quiet)
    finally:
        hands.close()
    say = quiet_or(quiet)
    for path in counts.left_out:
        say(f"left out: {path.name} is named after no case")
    say(
        f"cases: {counts.total}; {counts.fresh} done, {counts.skipped} done before, "
        f"{counts.failed} failed"
    )
    click.echo(f"the summary is in {out / 'batch.html'} and {out / 'batch.csv'}")
    return UNUSABLE if counts.failed else 0


# everything else that says how files are wanted is the option of ``make``
batch.params = [
    *(param for param in batch.params if param.name not in OF_ONE),
    *(param for param in make.params if param.name in OF_FILES),
]


def _request_of_case(
    given: dict[str, Any], version: int, sides_by_name: bool
) -> Callable[[Case], Request]:
    """Return what makes the request of a case out of the options."""

    def request_for(case: Case) -> Request:
        own = given | {"case": case.name}
        if sides_by_name and all(side for side, _ in case.scans):
            own["side"] = tuple(side for side, _ in case.scans)
        return request_of(case.files, own, version)

    return request_for


class _Progress:
    """Says each case as it comes, with the time left."""

    def __init__(self, quiet: bool) -> None:
        self.say, self.since = quiet_or(quiet), time.monotonic()
        self.counts: Counts | None = None

    def __call__(self, record: Record, counts: Counts) -> None:
        from insole.batch.shift import time_left

        self.counts = counts
        if not record.done:
            speak(f"solewright: {record.case}: {record.message}{how(*record.asks)}")
        left = time_left(time.monotonic() - self.since, counts)
        self.say(
            f"{counts.over} of {counts.total}{f', {left}' if left else ''}: {record.case} "
            f"{'done' if record.done else 'failed'}"
        )


def _done(asked: Any, hands: Hands, quiet: bool) -> Counts:
    """Return the counts of a run; a folder that is watched is left by a break."""
    from insole.batch import shift

    progress = _Progress(quiet)
    if asked.watch:
        quiet_or(quiet)(f"watching {asked.folder}; stop with Ctrl-C")
    try:
        return shift.run(asked, hands, progress)
    except KeyboardInterrupt:
        if not asked.watch:
            raise
        return progress.counts or shift.Counts()


def _hands(scheduler: str | None, jobs: int | None) -> Any:
    """Return who does the tasks."""
    if scheduler:
        from insole.batch.cluster import Cluster

        return Cluster(scheduler)
    from insole.batch.crew import Crew

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return Crew(jobs or cores or 1)
