"""The fitter's commands: rank shoes, plan."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from insole.cli.options.again import step_below
from insole.cli.options.common import FULL, JSON, QUIET, SCANS
from insole.cli.options.outcomes import quiet_or
from insole.cli.options.scans import scan_options
from insole.cli.options.wishes import request_of, wish_options

__all__ = ["plan"]


@click.command()
@SCANS
@scan_options
@wish_options
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="PLAN",
    help="An earlier plan: say in words and as a picture what changes; the version follows it.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("plans"),
    show_default=True,
    metavar="DIR",
    help="Folder for the plan record.",
)
@FULL
@JSON
@QUIET
def plan(
    scans: Sequence[Path],
    out: Path,
    against: Path | None,
    full: bool,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Plan arch support and wedges, and write the plan record."""
    from insole.partner import LOADED_TO_PLAN, Partner

    with Partner(LOADED_TO_PLAN) as partner:  # loads while this one does
        from insole.cli.show import plans as show
        from insole.planning import planner
        from insole.planning.changes import kept_parts
        from insole.record.plan import to_json
        from insole.workflow import keeping, plans

        old = plans.read_plan(against) if against else None
        version = given.pop("version") or (old.version + 1 if old else 1)
        given["ended_by"] = keeping.word_after_stop(
            given["case"], out, *([against] if against else [])
        )
        made, _ = plans.plan_feet(request_of(scans, given, version), partner)
    keeping.refuse_stopped(made, out, *([against] if against else []))
    keeping.refuse_other_plan(made, out)
    path = plans.save_plan(made, out)
    keeping.keep_plan(made, out)
    if as_json:
        click.echo(to_json(made), nl=False)
    elif not quiet:
        below = step_below(made, path, out)
        less = shlex.join(["solewright", *below]) if below else ""
        then = show.next_step(made, str(path), less)
        click.echo(show.whole_plan(made) if full else show.plan(made, then))
        if old is not None:
            changes = planner.describe_change(old, made) or ["nothing changes"]
            changes += [f"{side}: its parts stay as they are" for side in kept_parts(old, made)]
            click.echo("\n".join(["", "Against the earlier plan:", *(f"  {c}" for c in changes)]))
    quiet_or(quiet)(f"plan written to {path}")
    if old is not None and (picture := plans.picture_step(old, made, out)) is not None:
        quiet_or(quiet)(f"before and after: {picture}")
