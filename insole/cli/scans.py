"""The technician's commands: check, measure and compare scans, check the scanner."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import insole
from insole.cli.options.common import BY_HAND, JSON, QUIET, SCANS, UNUSABLE
from insole.cli.options.made import AskedPart, compare_part, part_options
from insole.cli.options.outcomes import (
    Pictures,
    dumps,
    outcomes_of,
    png_wanted,
    quiet_or,
    records_of,
)
from insole.cli.options.scans import scan_options, shots_of

if TYPE_CHECKING:
    from datetime import date

    from footscan.checking.artefact import ArtefactCheck
    from footscan.results import MeasuredFoot

__all__ = ["artefact", "check", "compare", "measure"]

EXIT_FOR_VERDICT = {"fit for making": 0, "fit for measuring only": 10, "scan again": 20}


@click.command()
@SCANS
@scan_options
@JSON
@click.option(
    "--table",
    is_flag=True,
    help="One line per foot and nothing else; several scans get the table anyway, with what to do.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Write a picture per foot, made for A5: a .png file, or a folder for several feet.",
)
@QUIET
def check(
    scans: Sequence[Path],
    as_json: bool,
    table: bool,
    picture: Path | None,
    quiet: bool,
    **given: Any,
) -> int:
    """Check scans: findings and verdict. Exit 0 fit for making, 10 measuring only, 20 again."""
    from footscan.door import with_findings
    from insole.cli.show import feet as show
    from insole.workflow import measuring

    shots = shots_of(scans, given)
    draw = Pictures(picture, quiet_or(quiet)) if picture is not None else None
    outcomes = []
    for outcome in outcomes_of(shots, quiet):
        outcomes.append(outcome)
        if draw and len(shots) > 2:  # while the others are measured
            draw(outcome.stem, outcome.feet)
    pair = measuring.pair_findings([foot for outcome in outcomes for foot in outcome.feet])
    if pair:
        for outcome in outcomes:
            outcome.feet = [with_findings(foot, pair) for foot in outcome.feet]
    for outcome in outcomes:
        outcome.complain()
        if draw and len(shots) <= 2:
            draw(outcome.stem, outcome.feet)
    rows: list[tuple[str, MeasuredFoot | None]] = []
    for outcome in outcomes:
        rows += [(outcome.name, foot) for foot in outcome.feet] or [(outcome.name, None)]
    if as_json:
        click.echo(dumps(records_of(outcomes)))
    elif table or len(rows) > 1:
        click.echo(show.check_table(rows))
        if not table and (advice := show.to_do(rows, pair)):
            click.echo(f"\n{advice}")
    elif rows[0][1] is not None:
        click.echo(show.verdict(rows[0][1]))
    codes = [EXIT_FOR_VERDICT[foot.report.verdict.value] for _, foot in rows if foot is not None]
    return UNUSABLE if any(o.error for o in outcomes) else max(codes)


@click.command()
@SCANS
@scan_options
@click.option(
    "--eu-rule",
    type=click.Choice(["two-points", "fifteen-mm"]),
    default="two-points",
    show_default=True,
    help="Allowance in the EU size: two points (1.5 L + 2), or 15 mm (1.5 (L + 1.5)); L in cm.",
)
@click.option(
    "--repeated",
    is_flag=True,
    help="The scans are shots of one foot, each in its own frame: adds mean and spread.",
)
@BY_HAND
@JSON
@QUIET
def measure(
    scans: Sequence[Path],
    repeated: bool,
    by_hand: Path | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> int:
    """Measure feet: landmarks, measures and sizes, each with its uncertainty."""
    from insole.cli.show import feet as show
    from insole.workflow import measuring

    if repeated and (as_json or given["one_foot"] or len(scans) < 2):
        raise click.UsageError(
            "--repeated wants two or more scans of one foot, each in its own frame, and prints "
            "text: leave --json and --one-foot out"
        )
    outcomes = list(outcomes_of(shots_of(scans, given), quiet))
    for outcome in outcomes:
        outcome.complain()
    if by_hand is not None:
        for outcome in outcomes:
            outcome.feet = measuring.with_hand(outcome.feet, by_hand)
    feet = [foot for outcome in outcomes for foot in outcome.feet]
    if as_json:
        click.echo(dumps(records_of(outcomes)))
    elif feet:
        together = None
        if repeated:
            from footscan.checking.shots import combined

            together = combined(feet)
        click.echo(show.measures(feet, together))
        if by_hand is not None:
            click.echo(show.hand(feet))
    return UNUSABLE if any(outcome.error for outcome in outcomes) else 0


@click.command()
@click.argument(
    "scans", nargs=-1, type=click.Path(path_type=Path), metavar="[FIRST SECOND | SCAN-OF-PART]"
)
@scan_options
@part_options
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write where the first scan lies outside or inside the second, or where a part has too "
    "much or too little material: a .png, made for A5.",
)
@click.option(
    "--series",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="Instead of two scans: a table of many people's scan and hand measures in mm, judged by "
    "the rule of ISO 20685-1.",
)
@JSON
@QUIET
def compare(
    scans: Sequence[Path],
    picture: Path | None,
    series: Path | None,
    as_json: bool,
    quiet: bool,
    plan: Path | None,
    part: str | None,
    tolerance: float | None,
    **given: Any,
) -> int:
    """Compare two scans of one foot, a left with a right foot, or a series with hand measures.

    Exit code 10: two scans of one side differ by more than one foot's scans may.

    With --plan and --part: hold the scan of a made part (any pose, any unit, with or without the
    table under it) against the part that the plan asks for. Exit 0 within tolerance, 10 beyond
    it, 3 it is not this part or cannot be told, 4 it is the other foot's part.
    """
    from footscan.checking import repeat
    from footscan.checking.series import judge_series
    from insole.workflow import measuring

    if plan is not None or part is not None or tolerance is not None:
        asked = AskedPart(plan=plan, part=part, tolerance=tolerance)
        return compare_part(
            scans,
            asked,
            given,
            picture=picture,
            series=series,
            as_json=as_json,
            say=quiet_or(quiet),
        )
    if (len(scans) != 2) if series is None else (scans or picture):
        raise click.UsageError("give two scans, or --series and no scan")
    if series is not None:
        verdicts = judge_series(series)
        words = "\n".join(verdict.as_text() for verdict in verdicts)
        click.echo(dumps([v.as_record() for v in verdicts]) if as_json else words)
        return 0
    if picture is not None:
        png_wanted(picture)
    feet = measuring.single_feet(shots_of(scans, {**given, "one_foot": False}))
    result = repeat.compare(*feet)
    if picture is not None:
        from insole.output.pictures import scan_compared

        scan_compared.write_compare(picture, result, feet[0])
        quiet_or(quiet)(f"picture written to {picture}")
    click.echo(dumps(result.as_record()) if as_json else result.as_text())
    return 0 if result.agree else 10


@click.command()
@click.argument("scan", required=False, type=click.Path(path_type=Path))
@click.option(
    "--ball",
    type=click.FloatRange(1, 500),
    metavar="MM",
    help="Stated diameter of a ball, or of both balls of a bar.",
)
@click.option(
    "--spacing",
    type=click.FloatRange(1, 5000),
    metavar="MM",
    help="Stated distance between the centres of two balls.",
)
@click.option("--plate", is_flag=True, help="The scan shows a flat plate.")
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch"]),
    default="mm",
    show_default=True,
    help="Length unit of the file.",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="Add the check to this log; wants --scanner.",
)
@click.option("--scanner", default="", metavar="NAME", help="Name of the scanner in the log.")
@click.option(
    "--date",
    "day",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Day of the scan, if not today.",
)
@click.option(
    "--drift",
    type=click.Path(path_type=Path),
    metavar="CSV",
    help="Instead of a scan: what this log shows over time, per scanner.",
)
@JSON
@QUIET
def artefact(scan: Path | None, drift: Path | None, as_json: bool, **given: Any) -> int:
    """Check a scanner on a ball, a bar with two balls or a flat plate of known size.

    Exit code 10: the check did not pass, and vouches for no scan's scale.
    """
    from datetime import date

    from footscan.checking import artefact_log, log_file

    today = date.today()
    if scan is None or drift is not None:
        if scan is not None or drift is None:
            raise click.UsageError("give the scan of an artefact, or --drift and no scan")
        found = artefact_log.drift(log_file.read(drift), today)
        if as_json:
            click.echo(dumps([series.as_record() for series in found]))
        else:
            click.echo("\n".join(s.as_text() for s in found) or f"{drift.name} holds no check yet")
        return 0
    if given["plate"] == (given["ball"] is not None):
        raise click.UsageError(
            "say what was scanned: --ball MM, --ball MM --spacing MM, or --plate"
        )
    if given["log"] is not None and not given["scanner"]:
        raise click.UsageError("--log wants the scanner's name as well: --scanner NAME")
    day = given["day"].date() if given["day"] else today
    if day > today:
        raise click.UsageError(f"--date {day.isoformat()} lies ahead of today, {today.isoformat()}")
    result = _checked_artefact(scan, given)
    words = [result.as_text()]
    if given["log"] is not None:
        words += _logged(result, scan, day, given)
    click.echo(dumps(result.as_record()) if as_json else "\n".join(words))
    return 0 if result.passed else 10


def _checked_artefact(scan: Path, given: dict[str, Any]) -> ArtefactCheck:
    """Return the check of the artefact in a scan."""
    from footscan import reading
    from footscan.checking import artefact as checks
    from footscan.scan import Unit

    points = reading.read([scan]).scaled(Unit(given["unit"]).mm).vertices
    if given["ball"] is None:
        return checks.check_plate(points)
    spheres = 2 if given["spacing"] else 1
    return checks.check_artefact(
        points, diameter=given["ball"], spheres=spheres, spacing=given["spacing"]
    )


def _logged(result: ArtefactCheck, scan: Path, day: date, given: dict[str, Any]) -> list[str]:
    """Add a check to the log; return what the log says of its series now."""
    from datetime import date as calendar

    from footscan.checking import artefact_log, log_file

    entry = artefact_log.entry_of(
        result, day=day, scanner=given["scanner"], scan=scan.name, software=insole.__version__
    )
    log_file.append(given["log"], entry)
    quiet_or(given["quiet"])(f"added to {given['log']}")
    series = artefact_log.drift(log_file.read(given["log"]), calendar.today())
    return [row for s in series if s.entries[-1].series == entry.series for row in s.sentences]
