"""The command line: reads options, calls the workflow, prints what it returns.

Nothing is computed here. Every expected error ends in one sentence on standard error and the
error's exit code; heavy modules are imported inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import insole
from insole.cli.desk import desk
from insole.cli.options.made import AskedPart, compare_part, part_options
from insole.cli.options.outcomes import (
    Pictures,
    dumps,
    outcomes_of,
    png_wanted,
    quiet_or,
    records_of,
    speak,
)
from insole.cli.options.scans import scan_options, shots_of
from insole.cli.options.shoes import asked_shoe, shoe_options
from insole.cli.options.wishes import request_of, wish_options

if TYPE_CHECKING:
    from datetime import date

    from footscan.checking.artefact import ArtefactCheck
    from footscan.results import MeasuredFoot
    from insole.parts.form import FormWish
    from insole.parts.materials import Materials
    from insole.record.plan import Plan
    from insole.trials.trial import Trial

__all__ = ["cli", "main"]

EXIT_FOR_VERDICT = {"fit for making": 0, "fit for measuring only": 10, "scan again": 20}
UNUSABLE, REFUSED, BROKEN = 3, 4, 70


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; never shows a traceback."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # same input, same bytes, whatever the machine
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    from footscan.errors import FootscanError

    try:
        result = cli.main(args=arguments, prog_name="solewright", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except FootscanError as error:
        speak(f"solewright: {error}")
        return error.exit_code
    except click.exceptions.Abort:
        speak("solewright: stopped; no file is half written")
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except MemoryError:
        speak("solewright: not enough memory for this scan; export it with fewer points")
        return UNUSABLE
    except Exception as error:  # a bug of ours: still one sentence, unless asked for more
        if os.environ.get("SOLEWRIGHT_TRACEBACK"):
            raise
        speak(
            f"solewright: a fault in the program itself ({type(error).__name__}: {error}); set "
            "SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
        )
        return BROKEN


def entry() -> None:
    """Run as the installed command."""
    raise SystemExit(main())


# ------------------------------------------------------------------ commands


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(insole.__version__, prog_name="solewright")
def cli() -> None:
    """From a foot scan to arch pads, wedges and a plan for stiff sports shoes.

    A fitting aid, not a diagnosis; foot pain calls for clinical advice.
    """


cli.add_command(desk)

SCANS = click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON only.")
QUIET = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
MATERIALS = click.option(
    "--materials",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The workshop's own materials (TOML): what it uses, and its calibration bars.",
)


@cli.command()
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
    from insole import workflow
    from insole.cli import show

    shots = shots_of(scans, given)
    draw = Pictures(picture, quiet_or(quiet)) if picture is not None else None
    outcomes = []
    for outcome in outcomes_of(shots, quiet):
        outcomes.append(outcome)
        if draw and len(shots) > 2:  # while the others are measured
            draw(outcome.stem, outcome.feet)
    pair = workflow.pair_findings([foot for outcome in outcomes for foot in outcome.feet])
    if pair:
        for outcome in outcomes:
            outcome.feet = [workflow.with_findings(foot, pair) for foot in outcome.feet]
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


@cli.command()
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
@JSON
@QUIET
def measure(scans: Sequence[Path], repeated: bool, as_json: bool, quiet: bool, **given: Any) -> int:
    """Measure feet: landmarks, measures and sizes, each with its uncertainty."""
    from footscan.checking.shots import combined
    from insole.cli import show

    if repeated and (as_json or given["one_foot"] or len(scans) < 2):
        raise click.UsageError(
            "--repeated wants two or more scans of one foot, each in its own frame, and prints "
            "text: leave --json and --one-foot out"
        )
    outcomes = list(outcomes_of(shots_of(scans, given), quiet))
    for outcome in outcomes:
        outcome.complain()
    feet = [foot for outcome in outcomes for foot in outcome.feet]
    if as_json:
        click.echo(dumps(records_of(outcomes)))
    elif feet:
        together = combined(feet) if repeated else None
        click.echo(show.measures(feet, together))
    return UNUSABLE if any(outcome.error for outcome in outcomes) else 0


@cli.command()
@SCANS
@scan_options
@click.option(
    "--shoe",
    "shoes",
    multiple=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Shoe file; give several to compare.",
)
@click.option(
    "--shoes",
    "library",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder of shoe files: all of them are compared.",
)
@click.option(
    "--limits",
    "own_limits",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The workshop's own limits (TOML).",
)
@JSON
@QUIET
def fit(
    scans: Sequence[Path],
    shoes: Sequence[Path],
    library: Path | None,
    own_limits: Path | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Rank shoes for a pair of feet, with the room at each station and the reason in words."""
    from insole import workflow
    from insole.cli import show

    if library is not None:
        more, bad = workflow.shoe_library(library)
        shoes = [*shoes, *more]
        for sentence in bad:
            speak(f"solewright: {sentence}")
    if not shoes:
        raise click.UsageError("give shoes to compare: --shoe FILE, or --shoes FOLDER")
    ranked = workflow.fit_shoes(shots_of(scans, given), shoes, own_limits)
    click.echo(dumps(show.fit_records(ranked)) if as_json else show.fit(ranked))


@cli.group()
def shoe() -> None:
    """Shoe files: write a new one from a few figures."""


@shoe.command("new")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.toml")
@shoe_options
@click.option("--ask", is_flag=True, help="Ask for every figure step by step.")
@QUIET
def shoe_new(file: Path, ask: bool, quiet: bool, **given: Any) -> None:
    """Write a new shoe file; at a terminal, what is missing is asked step by step.

    Name, length, ball width and drop are enough for a rough shoe.
    """
    from insole import workflow

    if file.exists():  # before anything is asked
        raise click.UsageError(f"{file} is there already and is kept; choose another name")
    needed = given["name"] and None not in (given["length"], given["ball_width"], given["drop"])
    name, figures, files = asked_shoe(given, ask or (sys.stdin.isatty() and not needed))
    made = workflow.new_shoe(file, name, figures, files)
    if not quiet and made.rough:
        speak("a rough shoe: the heel's width and closer figures narrow its bands")
    click.echo(f"{made.name} is in {file}")


@cli.command()
@SCANS
@scan_options
@wish_options
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="PLAN",
    help="An earlier plan: say in words what changes; the version follows it.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("plans"),
    show_default=True,
    metavar="DIR",
    help="Folder for the plan record.",
)
@JSON
@QUIET
def plan(
    scans: Sequence[Path], out: Path, against: Path | None, as_json: bool, quiet: bool, **given: Any
) -> None:
    """Plan arch support and wedges, and write the plan record."""
    from insole import workflow
    from insole.cli import show
    from insole.planning import planner
    from insole.record.plan import to_json

    old = workflow.read_plan(against) if against else None
    version = given.pop("version") or (old.version + 1 if old else 1)
    made, _ = workflow.plan_feet(request_of(scans, given, version))
    workflow.refuse_other_plan(made, out)
    path = workflow.save_plan(made, out)
    workflow.keep_plan(made, out)
    if as_json:
        click.echo(to_json(made), nl=False)
    else:
        click.echo(show.plan(made))
        if old is not None:
            changes = planner.describe_change(old, made) or ["nothing changes"]
            click.echo("\n".join(["", "Against the earlier plan:", *(f"  {c}" for c in changes)]))
    quiet_or(quiet)(f"plan written to {path}")


@cli.command()
@click.argument(
    "inputs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PLAN | SCAN..."
)
@scan_options
@wish_options
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("parts"),
    show_default=True,
    metavar="DIR",
    help="Folder in which the case's folder is made.",
)
@click.option(
    "--thick-edges-checked",
    is_flag=True,
    help="The thick edges were read in words and are right (for scripts).",
)
@click.option("--bed", default="220x220", show_default=True, metavar="WxD", help="Printer bed, mm.")
@click.option(
    "--kerf",
    type=click.FloatRange(0, 5),
    default=0.0,
    show_default=True,
    metavar="MM",
    help="Width that the cutter takes away.",
)
@click.option(
    "--sheet",
    default="600x400",
    show_default=True,
    metavar="WxH",
    help="Sheets of stock on which parts are nested for cutting, mm.",
)
@click.option("--step", is_flag=True, help="Write STEP solids for CAD too (takes seconds more).")
@click.option(
    "--layers",
    is_flag=True,
    help="Cut pads and inside shims as layers of 1 and 0.5 mm to glue, not as one blank to grind.",
)
@MATERIALS
@click.option("--form", is_flag=True, help="Also make forms to mould a footbed over.")
@click.option(
    "--form-cover",
    type=click.FloatRange(0, 6),
    metavar="MM",
    help="Thickness of a cover glued on after moulding: the form is larger by it.",
)
@click.option(
    "--form-relief",
    type=click.FloatRange(0, 4),
    metavar="MM",
    help="How far a form is built out at tender spots; 2 if left out.",
)
@QUIET
def make(
    inputs: Sequence[Path],
    out: Path,
    thick_edges_checked: bool,
    bed: str,
    kerf: float,
    sheet: str,
    step: bool,
    layers: bool,
    materials: Path | None,
    form: bool,
    form_cover: float | None,
    form_relief: float | None,
    quiet: bool,
    **given: Any,
) -> None:
    """Make parts, templates and papers from a plan, or from scans in one go."""
    from insole import workflow
    from insole.cli import show
    from insole.output.folder import Settings

    say = quiet_or(quiet)
    settings = Settings(
        bed=_size("--bed", bed), kerf=kerf, sheet=_size("--sheet", sheet), step=step,
        layers=layers, materials=_materials(materials), form=_form(form, form_cover, form_relief),
    )  # fmt: skip
    plan = _plan_for(inputs, given, say)
    workflow.refuse_other_plan(plan, out)
    _confirm(workflow.thick_edges(plan), thick_edges_checked, say)
    folder = workflow.make(plan, out, settings=settings, say=say)
    workflow.keep_plan(plan, out)
    if not quiet:
        click.echo(show.plan(plan))
    click.echo(f"parts and papers are in {folder}")


@cli.command()
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
    from insole import workflow

    if plan is not None or part is not None or tolerance is not None:
        asked = AskedPart(plan=plan, part=part, tolerance=tolerance)
        return compare_part(scans, asked, given, picture=picture, series=series, as_json=as_json,
                            say=quiet_or(quiet))  # fmt: skip
    if (len(scans) != 2) if series is None else (scans or picture):
        raise click.UsageError("give two scans, or --series and no scan")
    if series is not None:
        verdicts = repeat.judge_series(series)
        words = "\n".join(verdict.as_text() for verdict in verdicts)
        click.echo(dumps([v.as_record() for v in verdicts]) if as_json else words)
        return 0
    if picture is not None:
        png_wanted(picture)
    feet = workflow.single_feet(shots_of(scans, {**given, "one_foot": False}))
    result = repeat.compare(*feet)
    if picture is not None:
        from insole.output.pictures import scan as scan_picture

        scan_picture.write_compare(picture, result, feet[0])
        quiet_or(quiet)(f"picture written to {picture}")
    click.echo(dumps(result.as_record()) if as_json else result.as_text())
    return 0 if result.agree else 10


@cli.command()
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

    from footscan.checking import artefact_log

    today = date.today()
    if scan is None or drift is not None:
        if scan is not None or drift is None:
            raise click.UsageError("give the scan of an artefact, or --drift and no scan")
        found = artefact_log.drift(artefact_log.read(drift), today)
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

    from footscan.checking import artefact_log

    entry = artefact_log.entry_of(
        result, day=day, scanner=given["scanner"], scan=scan.name, software=insole.__version__
    )
    artefact_log.append(given["log"], entry)
    quiet_or(given["quiet"])(f"added to {given['log']}")
    series = artefact_log.drift(artefact_log.read(given["log"]), calendar.today())
    return [row for s in series if s.entries[-1].series == entry.series for row in s.sentences]


@cli.command()
@click.argument("plan_file", required=False, type=click.Path(path_type=Path), metavar="[PLAN]")
@click.option(
    "--felt",
    multiple=True,
    metavar="PICK",
    help='From the list, repeatable: "lump front", "too high", "3 mm back"; --words prints it.',
)
@click.option("--said", default="", metavar="TEXT", help="What the rider said, in plain words.")
@click.option(
    "--flag",
    multiple=True,
    metavar="NAME=yes|no",
    help="A red flag as asked: pain, numbness, tingling, cramp, slipping, stuck (the shoe could "
    "not be released). Repeatable; what is left out was not asked, and gives no step.",
)
@click.option("--no-red-flags", is_flag=True, help="All six red flags were asked, and answered no.")
@click.option(
    "--side",
    type=click.Choice(["left", "right", "both"]),
    default="both",
    show_default=True,
    help="Which foot it was said of.",
)
@click.option(
    "--place",
    type=click.Choice(["arch", "front", "rear", "medial", "lateral", "ball", "heel", "toes"]),
    default=None,
    help="Where it is felt, if the words do not say; front and rear are the pad's ends.",
)
@click.option("--better", "answer", flag_value="better", help="Better than before this plan.")
@click.option("--same", "answer", flag_value="same", help="Neither better nor worse.")
@click.option("--worse", "answer", flag_value="worse", help="Worse than before this plan.")
@click.option("--on", "day", default="", metavar="YYYY-MM-DD", help="Day of the ride.")
@click.option(
    "--clinician",
    default="",
    metavar="NAME, DATE",
    help="A clinician's word, needed for a further step after a stop.",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Log to add to: a .json file, or the folder of a case or of cases, which then keeps the "
    "plan as well. Left out: the case that plan or make kept beside the plan.",
)
@click.option(
    "--show",
    "shown",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Instead of a plan: print this log.",
)
@click.option(
    "--corrects",
    type=int,
    metavar="N",
    help="This entry stands in the place of trial N, which stays in the log; wants --because.",
)
@click.option("--because", default="", metavar="TEXT", help="What was wrong with trial N.")
@click.option("--words", is_flag=True, help="Print the list for --felt, and what --said reads.")
@JSON
def trial(
    plan_file: Path | None, log: Path | None, shown: Path | None, as_json: bool, **given: Any
) -> int:
    """Log what a rider said of a plan, and get the one step that follows. Exit 4: stop.

    The six red flags are asked of every ride: on the screen, or with --flag and --no-red-flags.
    """
    from insole import workflow
    from insole.cli import show

    if given.pop("words"):
        from insole.trials.trial import understood_words

        click.echo("\n".join(understood_words()))
        return 0
    if shown is not None:
        records = workflow.read_log(shown)
        text = dumps([r.model_dump(mode="json") for r in records]) if as_json else (
            show.trials(records))  # fmt: skip
        click.echo(text)
        return 0
    if plan_file is None:
        raise click.UsageError("give a PLAN, or --show FILE")
    log = log or _case_beside(plan_file)
    record, options = _logged_trial(plan_file, log, given)
    if as_json:
        for sentence in record.words if record.stopped else ():
            speak(f"solewright: {sentence}")
        step = ["solewright", *options] if options else None
        click.echo(dumps(record.model_dump(mode="json") | {"command": step}))
    else:
        click.echo(show.trial(record, shlex.join(["solewright", *options]) if options else ""))
    return REFUSED if record.stopped else 0


def _case_beside(plan_file: Path) -> Path:
    """Return the case that was kept beside a plan."""
    from insole import workflow
    from insole.trials import cases

    found = cases.home_of(plan_file, workflow.read_plan(plan_file).case)
    if found is None:
        raise click.UsageError(
            f"no case is kept beside {plan_file}; give --log FILE or --log FOLDER"
        )
    return found


def _logged_trial(plan_file: Path, log: Path, given: dict[str, Any]) -> tuple[Trial, list[str]]:
    """Log a trial; return it with the options that plan its step."""
    from insole import workflow
    from insole.trials.trial import Said

    if not given["day"]:
        raise click.UsageError("say when it was ridden: --on YYYY-MM-DD")
    if (given["said"].strip() or given["felt"]) and given["answer"] is None:
        raise click.UsageError("say how it was as well: --better, --same or --worse")
    plan = workflow.read_plan(plan_file)
    said = Said(
        text=given["said"], side=given["side"], place=given["place"] or "",
        answer=given["answer"], date=given["day"], clinician=given["clinician"],
        felt=list(given["felt"]), corrects=given["corrects"], because=given["because"],
        flags=_flags(given["flag"], given["no_red_flags"], given["answer"] is not None),
    )  # fmt: skip
    record = workflow.log_trial(plan, said, log)
    return record, workflow.step_options(plan, record, plan_file)


def _flags(given: Sequence[str], all_no: bool, ridden: bool) -> dict[str, str]:
    """Return the red flags as answered; those left open are asked where somebody can answer."""
    from insole.trials.red_flags import FLAGS, not_asked

    answers = {flag.id: "no" for flag in FLAGS} if all_no else {}
    for text in given:
        name, sep, answer = text.partition("=")
        if not sep:
            raise click.UsageError(f"--flag wants NAME=yes or NAME=no, got {text!r}")
        answers[name.strip().lower()] = answer.strip().lower()
    if not ridden or not sys.stdin.isatty():
        return answers
    for flag in FLAGS:
        if flag.id in not_asked(answers):
            choice = click.prompt(
                flag.text, type=click.Choice(["yes", "no", "skip"]), default="skip", err=True
            )
            answers |= {flag.id: choice} if choice != "skip" else {}
    return answers


@cli.command("case")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--export",
    type=click.Path(path_type=Path),
    metavar="ZIP",
    help="Write the whole case into one new zip file.",
)
@click.option("--erase", default=None, metavar="NAME", help="Erase the case; repeat its name.")
@click.option(
    "--keep", is_flag=True, help="Keep the plans that lie loose in this folder in their cases."
)
def case_(folder: Path, export: Path | None, erase: str | None, keep: bool) -> None:
    """Show what a case, or a folder of cases, holds; export a case, or erase it for good."""
    from insole import workflow
    from insole.cli import show
    from insole.errors import InsoleError
    from insole.trials import cases

    if not folder.is_dir():
        raise InsoleError(f"there is no folder at {folder}; check the path")
    if export is None and erase is None and not (folder / "case.json").exists():
        loose = [workflow.read_plan(path) for path in cases.loose_plans(folder)]
        for one in loose if keep else ():
            workflow.keep_plan(one, folder)
        rows = [show.case(one) for one in cases.cases(folder)]
        rows += show.loose_plans(loose, cases.cases(folder))
        click.echo("\n".join(rows) or f"{folder} holds no case")
        return
    case = cases.open_case(folder)
    if export is not None:
        click.echo(f"exported to {case.export(export)}")
    if erase is not None:
        case.erase(erase)
        click.echo(f"the case {case.name} was erased; parts and papers elsewhere were not")
    if export is None and erase is None:
        click.echo(show.case(case))


@cli.command()
@click.option("--material", required=True, metavar="NAME", help="Word of the material table.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="File to write: .3mf or .stl.",
)
@MATERIALS
@QUIET
def bar(material: str, out: Path, materials: Path | None, quiet: bool) -> None:
    """Write the calibration bar: print it, measure it, and later print files come out scaled."""
    from insole.output.print.bar import bar_words, write_bar
    from insole.parts.bar import bar_for

    made = bar_for(_materials(materials).find(material))
    write_bar(out, made)
    if not quiet:
        click.echo("\n".join(bar_words(made)))
    click.echo(f"the bar is in {out}")


@cli.command()
@click.option("--ask", is_flag=True, help="Ask them step by step; wants --out.")
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    metavar="PDF",
    help="Write them as one page to fill in, on paper or on the screen.",
)
@click.option(
    "--from",
    "filled",
    type=click.Path(path_type=Path),
    metavar="PDF",
    help="Read a page that was filled in on the screen; wants --out.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="TOML",
    help="Answers file to write, for --answers of plan and make.",
)
def questions(ask: bool, sheet: Path | None, filled: Path | None, out: Path | None) -> int:
    """List the questions before parts, ask them, or hand them out as a page. Exit 4: a stop."""
    from insole import workflow
    from insole.record.questions import QUESTIONS

    if (ask or filled is not None) and out is None:
        raise click.UsageError("say where the answers go: --out FILE.toml")
    if sheet is not None:
        workflow.question_sheet(sheet)
        click.echo(f"the page is in {sheet}")
        return 0
    if out is not None:
        if ask == (filled is not None):
            raise click.UsageError("--out wants the answers: --ask, or --from PDF")
        if out.exists():  # before anything is asked
            raise click.UsageError(f"{out} is there already and is kept; choose another name")
        answers, clinician = workflow.read_sheet(filled) if filled is not None else _ask_all()
        stop = workflow.keep_answers(out, answers, clinician)
        click.echo(f"the answers are in {out}")
        if stop:
            speak(f"solewright: {stop}")
        return REFUSED if stop else 0
    for question in QUESTIONS:
        click.echo(f"{question.id:22} {question.grade:7} {question.text}")
    return 0


def _ask_all() -> tuple[dict[str, str], str]:
    """Return the answers typed one by one, and a clinician's word after a stop."""
    from insole.record.questions import QUESTIONS

    answers, stop = {}, False
    for k, question in enumerate(QUESTIONS, 1):
        choice = click.prompt(
            f"{k} of {len(QUESTIONS)}: {question.text}",
            type=click.Choice(["yes", "no", "skip"]), default="skip", err=True,
        )  # fmt: skip
        if choice != "skip":
            answers[question.id] = choice
        stop |= choice == "yes" and question.grade == "stop"
    word = ""
    if stop:
        word = click.prompt(
            "A clinician's name and date, NAME, YYYY-MM-DD; empty if there is none yet",
            default="", show_default=False, err=True,
        )  # fmt: skip
    return answers, word


def _materials(path: Path | None) -> Materials:
    """Return the material table, changed by a workshop's file if there is one."""
    from insole.parts import material_file as table

    return table.load(path) if path is not None else table.default_materials()


def _form(wanted: bool, cover: float | None, relief: float | None) -> FormWish | None:
    """Return how forms are wanted; None when they are not."""
    from dataclasses import replace

    from insole.parts.form import FormWish

    wishes: dict[str, Any] = {"cover": cover, "relief": relief}
    given = {name: value for name, value in wishes.items() if value is not None}
    if given and not wanted:
        raise click.UsageError(f"--form-{min(given)} says how a form is made; add --form")
    return replace(FormWish(), **given) if wanted else None


def _plan_for(inputs: Sequence[Path], given: dict[str, Any], say: Callable[[str], None]) -> Plan:
    """Return the plan to make: read from a file, or planned from scans."""
    from insole import workflow

    version = given.pop("version")
    if len(inputs) == 1 and inputs[0].suffix.lower() == ".json":
        return workflow.read_plan(inputs[0])
    say("measuring and planning")
    made, _ = workflow.plan_feet(request_of(inputs, given, version or 1))
    return made


def _confirm(edges: Sequence[str], checked: bool, say: Callable[[str], None]) -> None:
    """Show the thick edges in words and have them confirmed.

    Raises
    ------
    insole.errors.RefusedError
        Nobody can answer and the flag was not given, or the answer is no.
    """
    from insole.errors import RefusedError

    tell = say if checked else speak  # what is to be confirmed is shown even with --quiet
    for edge in edges:
        tell(f"wedge: {edge}")
    if checked or not edges:
        return
    if not sys.stdin.isatty():
        raise RefusedError(
            "read the thick edges above, and if they are right run again with "
            "--thick-edges-checked; nothing was made"
        )
    if not click.confirm("Are the thick edges on the right side?", err=True):
        raise RefusedError("the thick edges were not confirmed; nothing was made")


def _size(option: str, text: str) -> tuple[float, float]:
    try:
        width, depth = (float(part) for part in text.lower().split("x"))
    except ValueError:
        width = depth = 0.0
    if not (40 <= width <= 2000 and 40 <= depth <= 2000):
        raise click.UsageError(f"{option} wants two sizes in mm, 40 to 2000 each, like 220x220")
    return width, depth

