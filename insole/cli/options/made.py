"""Options and output of a made part's check; everything else is the workflow's.

click options -> part_options -> AskedPart -> compare_part -> exit code
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from insole.cli.options.outcomes import dumps, png_wanted
from insole.cli.options.scans import shots_of

__all__ = ["BEYOND", "AskedPart", "compare_part", "part_options"]

BEYOND = 10  # exit code of a part beyond its tolerance
OF_A_FOOT = {
    "load": "--load",
    "kind": "--kind",
    "foot_length": "--foot-length",
    "landmark": "--landmark",
    "scanner_log": "--scanner-log",
    "scanner": "--scanner",
    "card": "--card",
    "hand_held": "--hand-held",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedPart:
    """Which part a scan is held against, as far as it was said."""

    plan: Path | None
    part: str | None
    tolerance: float | None


def part_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say which planned part a scan is held against."""
    for option in reversed(
        (
            click.option(
                "--plan",
                type=click.Path(path_type=Path),
                metavar="PLAN",
                help="The plan that a made part is held against; the scan shows the part, not a "
                "foot. With --side the other foot's part is refused.",
            ),
            click.option(
                "--part",
                metavar="NAME",
                help="Which part of the plan it is: arch-pad, base, forefoot-shim and so on.",
            ),
            click.option(
                "--tolerance",
                type=click.FloatRange(0, 10, min_open=True),
                metavar="MM",
                help="How far a made part may be off; 0.5 if left out (a fingertip finds that "
                "under a thin cover; common practice, no source).",
            ),
        )
    ):
        command = option(command)
    return command


def compare_part(
    scans: Sequence[Path],
    asked: AskedPart,
    given: dict[str, Any],
    *,
    picture: Path | None,
    series: Path | None,
    as_json: bool,
    say: Callable[[str], None],
) -> int:
    """Print how a made part differs from its plan; return 0, or 10 beyond the tolerance."""
    from insole.parts.made import words as made_words
    from insole.workflow import making, plans

    if asked.plan is None or asked.part is None:
        raise click.UsageError("a made part wants both --plan PLAN and --part NAME")
    if series is not None or (len(scans) != 1 and not (scans and given["one_foot"])):
        raise click.UsageError(
            "with --plan give the scan of one made part, and no --series; several shots of it in "
            "one frame want --one-foot"
        )
    foreign = [option for name, option in OF_A_FOOT.items() if given[name]]
    if foreign:
        raise click.UsageError(f"{foreign[0]} says something of a foot; leave it out with --plan")
    if picture is not None:
        png_wanted(picture)
    shots = shots_of(scans, {**given, "one_foot": True})[0]
    check = making.check_made_part(shots, plans.read_plan(asked.plan), asked.part, asked.tolerance)
    if picture is not None:
        from insole.output.pictures import made_part as made_picture

        made_picture.write_made(picture, check)
        say(f"picture written to {picture}")
    click.echo(dumps(made_words.as_record(check)) if as_json else made_words.as_text(check))
    return 0 if check.within else BEYOND
