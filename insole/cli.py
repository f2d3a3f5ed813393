"""The command line: reads options, calls the workflow, prints what it returns.

Nothing is computed here. Every expected error ends in one sentence on standard error and the
error's exit code; heavy modules are imported inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import insole

if TYPE_CHECKING:
    from footscan.results import MeasuredFoot
    from insole.planning.plan import Override, Plan
    from insole.planning.planner import FootWish, PlanWishes
    from insole.workflow import Request, Shots

__all__ = ["cli", "main"]

EXIT_FOR_VERDICT = {"fit for making": 0, "fit for measuring only": 10, "scan again": 20}
UNUSABLE, BROKEN = 3, 70


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
        _say(f"solewright: {error}")
        return error.exit_code
    except click.exceptions.Abort:
        _say("solewright: stopped; nothing was written")
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except MemoryError:
        _say("solewright: not enough memory for this scan; export it with fewer points")
        return UNUSABLE
    except Exception as error:  # a bug of ours: still one sentence, unless asked for more
        if os.environ.get("SOLEWRIGHT_TRACEBACK"):
            raise
        _say(
            f"solewright: a fault in the program itself ({type(error).__name__}: {error}); set "
            "SOLEWRIGHT_TRACEBACK=1 to see where, and report it"
        )
        return BROKEN


def entry() -> None:
    """Run as the installed command."""
    raise SystemExit(main())


def _say(text: str) -> None:
    click.echo(text, err=True)


def _quiet_or(quiet: bool) -> Callable[[str], None]:
    return (lambda text: None) if quiet else _say


# ------------------------------------------------------------------ shared options


def scan_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say something about the scans."""
    for option in reversed(
        (
            click.option(
                "--side",
                multiple=True,
                type=click.Choice(["left", "right"]),
                help="Side of the scan; give it once per scan, in their order.",
            ),
            click.option(
                "--unit",
                type=click.Choice(["mm", "cm", "m", "inch"]),
                help="Length unit of the file; told from the foot if left out.",
            ),
            click.option(
                "--scale",
                type=float,
                metavar="MM_PER_FILE_UNIT",
                help="Millimetres per file unit, instead of --unit.",
            ),
            click.option(
                "--load",
                type=click.Choice(["none", "seated", "half", "full"]),
                help="Body weight on the foot: none (in the air), seated, half (on both "
                "feet), full (on one).",
            ),
            click.option(
                "--kind",
                type=click.Choice(["standing", "hanging", "sole", "impression"]),
                help="What was scanned; told from the scan if left out.",
            ),
            click.option(
                "--foot-length",
                "foot_length",
                multiple=True,
                type=click.FloatRange(100, 400),
                metavar="MM",
                help="Length measured by hand: verifies the scale; once per scan.",
            ),
            click.option(
                "--landmark",
                "landmark",
                multiple=True,
                metavar="[N:]NAME=X,Y,Z",
                help="Set a landmark by hand, in scan coordinates times its unit (mm); with "
                "several scans, N is the number of the scan. The foot's axis does not follow.",
            ),
            click.option(
                "--one-foot", is_flag=True, help="All files are shots of one foot, in one frame."
            ),
        )
    ):
        command = option(command)
    return command


def _shots(files: Sequence[Path], given: dict[str, Any]) -> list[Shots]:
    """Return the scans that the files and options name."""
    from footscan.pipeline import Options
    from footscan.scan import Kind, Load, Side, Unit
    from footscan.sizes import EuRule
    from insole.workflow import Shots

    groups = [tuple(files)] if given["one_foot"] else [(path,) for path in files]
    sides = _per_scan(given["side"], len(groups), "--side")
    lengths = _per_scan(given["foot_length"], len(groups), "--foot-length")
    if any(length is not None and not math.isfinite(length) for length in lengths):
        raise click.UsageError("--foot-length wants a number of mm, 100 to 400")
    if given["unit"] and given["scale"] is not None:
        raise click.UsageError("give --unit or --scale, not both")
    if given["scale"] is not None and not 1e-6 < given["scale"] < 1e6:
        raise click.UsageError("--scale must be a positive number of millimetres per file unit")
    by_hand = _landmarks(given["landmark"], len(groups))
    eu_rule = EuRule[given.get("eu_rule", "two-points").replace("-", "_").upper()]
    return [
        Shots(
            files=group,
            options=Options(
                side=Side(side) if side else None,
                unit=Unit(given["unit"]) if given["unit"] else None,
                scale=given["scale"],
                kind=Kind(given["kind"]) if given["kind"] else None,
                load=Load(given["load"]) if given["load"] else Load.UNKNOWN,
                hand_length=length,
                by_hand=marks,
                eu_rule=eu_rule,
            ),
        )
        for group, side, length, marks in zip(groups, sides, lengths, by_hand, strict=True)
    ]


def _per_scan(values: Sequence[Any], count: int, option: str) -> list[Any]:
    """Return one value per scan."""
    if not values:
        return [None] * count
    if len(values) != count:
        raise click.UsageError(
            f"{option} was given {len(values)} times for {count} scans; give it once per scan, "
            "in their order"
        )
    return list(values)


def _landmarks(texts: Sequence[str], scans: int) -> list[dict[str, Any]]:
    """Return the landmarks set by hand, per scan."""
    found: list[dict[str, Any]] = [{} for _ in range(scans)]
    for text in texts:
        number, name, xyz = _landmark(text)
        if number is None and scans > 1:
            raise click.UsageError(
                f"--landmark belongs to one foot; say which scan, as in --landmark 2:{text}"
            )
        if number is not None and not 1 <= number <= scans:
            raise click.UsageError(
                f"--landmark {text!r}: there is no scan {number}; they are numbered 1 to {scans} "
                "in their order"
            )
        found[(number or 1) - 1][name] = xyz
    return found


def _landmark(text: str) -> tuple[int | None, str, list[float]]:
    """Return number of the scan (None if not said), name and place."""
    head, _, place = text.partition("=")
    number, sep, name = head.rpartition(":")
    try:
        xyz = [float(part) for part in place.split(",")]
        scan = int(number) if sep else None
    except ValueError:
        xyz, scan = [], None
    if len(xyz) != 3 or not all(math.isfinite(v) for v in xyz):
        raise click.UsageError(f"--landmark wants [N:]NAME=X,Y,Z in mm, got {text!r}")
    return scan, name.strip(), xyz


def wish_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say what the fitter wants."""
    sided = "[left=|right=]"
    for option in reversed(
        (
            click.option(
                "--shoe",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Shoe file; without one the bed is taken as flat, and said so.",
            ),
            click.option(
                "--case",
                default="case",
                show_default=True,
                metavar="NAME",
                help="Pseudonym of the case; names the folder.",
            ),
            click.option(
                "--version",
                "version",
                type=click.IntRange(1),
                default=None,
                metavar="N",
                help="Number of the plan within the case.",
            ),
            click.option("--date", default="", metavar="TEXT", help="Date to print on the papers."),
            click.option(
                "--support",
                multiple=True,
                metavar=f"{sided}PERCENT",
                help="Pad top over the gap under the arch; 100 touches.",
            ),
            click.option(
                "--shift-pad",
                multiple=True,
                metavar=f"{sided}FORWARD,MEDIAL",
                help="Move the pad by hand, mm; negative is back or lateral.",
            ),
            click.option(
                "--turn-pad",
                multiple=True,
                metavar=f"{sided}DEG",
                help="Turn the pad by hand; + turns its front medially.",
            ),
            click.option(
                "--pad-source",
                multiple=True,
                metavar=f"{sided}scan|kit",
                help="One-off from the scan, or the nearest of the kit.",
            ),
            click.option(
                "--kit",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="The workshop's own pads.",
            ),
            click.option("--no-pad", is_flag=True, help="No arch pad is wanted."),
            click.option(
                "--tender",
                multiple=True,
                metavar=f"{sided}X,Y",
                help="Keep free around a tender spot: mm from the base's rear edge, mm "
                "medial of its centreline.",
            ),
            click.option(
                "--forefoot",
                multiple=True,
                metavar=f"{sided}DEG",
                help="Wedge inside at the forefoot; + is big-toe side up (varus).",
            ),
            click.option(
                "--heel", multiple=True, metavar=f"{sided}DEG", help="Wedge inside at the heel."
            ),
            click.option(
                "--under", multiple=True, metavar=f"{sided}DEG", help="Wedge under the shoe."
            ),
            click.option(
                "--confirm-zero", is_flag=True, help="A wish of 0 is to undo the shoe's own cant."
            ),
            click.option(
                "--cleat",
                multiple=True,
                metavar=f"{sided}MM",
                help="Pedal axle ahead (+) or behind (-) the first metatarsal head.",
            ),
            click.option(
                "--cleat-before",
                multiple=True,
                metavar=f"{sided}MM",
                help="The same as ridden until now.",
            ),
            click.option(
                "--cleat-yaw",
                multiple=True,
                metavar=f"{sided}DEG",
                help="Turn of the cleat; + turns the front medially.",
            ),
            click.option(
                "--answers",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Answers to the questions before parts (TOML).",
            ),
            click.option(
                "--answer",
                multiple=True,
                metavar="QUESTION=yes|no",
                help="One answer; see 'solewright questions'.",
            ),
            click.option(
                "--clinician",
                default="",
                metavar="NAME, DATE",
                help="A clinician's word, needed after a stop answer.",
            ),
            click.option(
                "--override",
                multiple=True,
                metavar="LIMIT;WHO;WHY;WHEN",
                help="Pass a limit on purpose; printed on every paper.",
            ),
            click.option(
                "--without-arch",
                is_flag=True,
                help="Shims and a flat base only, for scans that show no arch.",
            ),
        )
    ):
        command = option(command)
    return command


def _request(files: Sequence[Path], given: dict[str, Any], version: int) -> Request:
    """Return the request that the options spell out."""
    from insole.planning import questions
    from insole.workflow import Request

    answers, clinician = questions.read(given["answers"]) if given["answers"] else ({}, "")
    for text in given["answer"]:
        name, sep, answer = text.partition("=")
        if not sep:
            raise click.UsageError(f"--answer wants QUESTION=yes or QUESTION=no, got {text!r}")
        answers[name.strip()] = answer.strip()
    return Request(
        scans=tuple(_shots(files, given)),
        shoe=given["shoe"],
        wishes=_wishes(given, version),
        answers=answers,
        clinician=given["clinician"] or clinician,
        overrides=tuple(_override(text) for text in given["override"]),
        without_arch=given["without_arch"],
    )


def _wishes(given: dict[str, Any], version: int) -> PlanWishes:
    """Return the wishes: common ones, and what differs for one foot."""
    from insole.planning import kit
    from insole.planning.limits import default_limits
    from insole.planning.planner import PlanWishes

    table: dict[str, dict[str, Any]] = {"both": {}, "left": {}, "right": {}}
    readers: dict[str, tuple[str, Callable[[str], Any]]] = {
        "support": ("support_level", lambda text: float(text) / 100),
        "shift_pad": ("shift", _two),
        "turn_pad": ("turn", float),
        "pad_source": ("pad_source", _source),
        "forefoot": ("forefoot", float),
        "heel": ("heel", float),
        "under": ("under", float),
        "cleat": ("cleat_offset", float),
        "cleat_before": ("cleat_before", float),
        "cleat_yaw": ("cleat_yaw", float),
        "tender": ("tender", _two),
    }
    for option, (name, read) in readers.items():
        for text in given[option]:
            foot, value = _sided(option, text, read)
            if name == "tender":
                table[foot].setdefault(name, ())
                table[foot][name] += (value,)
            else:
                table[foot][name] = value
    if given["no_pad"]:
        table["both"]["pad"] = False
    return PlanWishes(
        both=_foot_wish(table["both"]), left=_foot_wish(table["left"]),
        right=_foot_wish(table["right"]), case=given["case"], date=given["date"],
        version=version, kit=kit.load(given["kit"], default_limits()) if given["kit"] else None,
        confirm_zero=given["confirm_zero"],
    )  # fmt: skip


def _foot_wish(values: dict[str, Any]) -> FootWish:
    from insole.planning.planner import FootWish

    return FootWish(**values)


def _sided(option: str, text: str, read: Callable[[str], Any]) -> tuple[str, Any]:
    """Return which foot a wish is for, and its value."""
    foot, sep, rest = text.partition("=")
    if not sep:
        foot, rest = "both", text
    if foot.strip() not in ("both", "left", "right"):
        raise click.UsageError(f"--{option.replace('_', '-')}: {foot!r} is neither left nor right")
    try:
        value = read(rest.strip())
        if not all(math.isfinite(v) for v in _numbers(value)):
            raise ValueError(text)
        return foot.strip(), value
    except ValueError:
        raise click.UsageError(
            f"--{option.replace('_', '-')}: {rest.strip()!r} cannot be read; see --help"
        ) from None


def _numbers(value: Any) -> tuple[float, ...]:
    """Return the numbers in a wish; none in a word."""
    if isinstance(value, str):
        return ()
    return value if isinstance(value, tuple) else (value,)


def _two(text: str) -> tuple[float, float]:
    first, second = (float(part) for part in text.split(","))
    return first, second


def _source(text: str) -> str:
    if text not in ("scan", "kit"):
        raise ValueError(text)
    return text


def _override(text: str) -> Override:
    from insole.planning.plan import Override

    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 4 or not all(parts):
        raise click.UsageError(
            f"--override wants LIMIT;WHO;WHY;WHEN, all four filled, got {text!r}"
        )
    return Override(limit=parts[0], who=parts[1], why=parts[2], when=parts[3])


# ------------------------------------------------------------------ commands


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(insole.__version__, prog_name="solewright")
def cli() -> None:
    """From a foot scan to arch pads, wedges and a plan for stiff sports shoes.

    A fitting aid, not a diagnosis; foot pain calls for clinical advice.
    """


SCANS = click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON only.")
QUIET = click.option("--quiet", is_flag=True, help="Say nothing but errors.")


@cli.command()
@SCANS
@scan_options
@JSON
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a picture of the sole map; with several feet one file each.",
)
@QUIET
def check(
    scans: Sequence[Path], as_json: bool, picture: Path | None, quiet: bool, **given: Any
) -> int:
    """Check scans: findings and verdict. Exit 0 fit for making, 10 measuring only, 20 again."""
    from footscan import pipeline
    from footscan.errors import FootscanError
    from insole import show, workflow

    records, codes, feet = [], [], []
    for shots, result in zip(
        _shots(scans, given), workflow.measure_all(_shots(scans, given)), strict=True
    ):
        name = " + ".join(path.name for path in shots.files)
        if isinstance(result, FootscanError):
            _say(f"solewright: {name}: {result}")
            records.append({"scan": name, "error": str(result)})
            codes.append(UNUSABLE)
            continue
        for foot in result:
            feet.append(foot)
            codes.append(EXIT_FOR_VERDICT[foot.report.verdict.value])
            records.append(pipeline.as_json(foot, insole.__version__))
            if not as_json:
                click.echo(show.verdict(foot))
    if picture is not None:
        _pictures(picture, feet, _quiet_or(quiet))
    if as_json:
        click.echo(_dumps(records[0] if len(records) == 1 else records))
    return UNUSABLE if UNUSABLE in codes else max(codes)


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
    from footscan import pipeline
    from footscan.errors import FootscanError
    from footscan.shots import combined
    from insole import show, workflow

    if repeated and (as_json or given["one_foot"] or len(scans) < 2):
        raise click.UsageError(
            "--repeated wants two or more scans of one foot, each in its own frame, and prints "
            "text: leave --json and --one-foot out"
        )
    shots = _shots(scans, given)
    records, feet, failed = [], [], False
    for shot, result in zip(shots, workflow.measure_all(shots), strict=True):
        if isinstance(result, FootscanError):
            name = " + ".join(str(path) for path in shot.files)
            _say(f"solewright: {name}: {result}")
            records.append({"scan": name, "error": str(result)})
            failed = True
        else:
            feet += result
            records += [pipeline.as_json(foot, insole.__version__) for foot in result]
    if as_json:
        click.echo(_dumps(records[0] if len(records) == 1 else records))
    elif feet:
        together = combined(feet) if repeated else None
        click.echo(show.measures(feet, together))
    return UNUSABLE if failed else 0


@cli.command()
@SCANS
@scan_options
@click.option(
    "--shoe",
    "shoes",
    multiple=True,
    required=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Shoe file; give several to compare.",
)
@JSON
@QUIET
def fit(
    scans: Sequence[Path], shoes: Sequence[Path], as_json: bool, quiet: bool, **given: Any
) -> None:
    """Rank shoes for a pair of feet, with the room at each station and the reason in words."""
    from insole import show, workflow

    ranked = workflow.fit_shoes(_shots(scans, given), shoes)
    click.echo(_dumps(show.fit_records(ranked)) if as_json else show.fit(ranked))


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
    from insole import show, workflow
    from insole.planning import planner
    from insole.planning.plan import to_json

    old = workflow.read_plan(against) if against else None
    version = given.pop("version") or (old.version + 1 if old else 1)
    made, _ = workflow.plan_feet(_request(scans, given, version))
    path = workflow.save_plan(made, out)
    if as_json:
        click.echo(to_json(made), nl=False)
    else:
        click.echo(show.plan(made))
        if old is not None:
            changes = planner.describe_change(old, made) or ["nothing changes"]
            click.echo("\n".join(["", "Against the earlier plan:", *(f"  {c}" for c in changes)]))
    _quiet_or(quiet)(f"plan written to {path}")


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
@click.option("--no-step", is_flag=True, help="Leave STEP files out (saves seconds).")
@QUIET
def make(
    inputs: Sequence[Path],
    out: Path,
    thick_edges_checked: bool,
    bed: str,
    kerf: float,
    no_step: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Make parts, templates and papers from a plan, or from scans in one go."""
    from insole import show, workflow
    from insole.output.folder import Settings

    say = _quiet_or(quiet)
    settings = Settings(bed=_bed(bed), kerf=kerf, step=not no_step)
    plan = _plan_for(inputs, given, say)
    _confirm(workflow.thick_edges(plan), thick_edges_checked, say)
    folder = workflow.make(plan, out, settings=settings, say=say)
    if not quiet:
        click.echo(show.plan(plan))
    click.echo(f"parts and papers are in {folder}")


@cli.command()
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@scan_options
@JSON
@QUIET
def compare(first: Path, second: Path, as_json: bool, quiet: bool, **given: Any) -> None:
    """Compare two scans of one foot, or a left with a right foot."""
    from footscan import repeat
    from insole import workflow

    shots = _shots([first, second], {**given, "one_foot": False})
    feet = workflow.single_feet(shots)
    result = repeat.compare(*feet)
    click.echo(_dumps(result.as_record()) if as_json else result.as_text())


@cli.command()
@click.argument("scan", type=click.Path(path_type=Path))
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
@JSON
def artefact(
    scan: Path, ball: float | None, spacing: float | None, plate: bool, unit: str, as_json: bool
) -> None:
    """Check a scanner on a ball, a bar with two balls or a flat plate of known size."""
    from footscan import reading, repeat
    from footscan.scan import Unit

    if plate == (ball is not None):
        raise click.UsageError(
            "say what was scanned: --ball MM, --ball MM --spacing MM, or --plate"
        )
    points = reading.read([scan]).scaled(Unit(unit).mm).vertices
    if ball is None:
        result = repeat.check_plate(points)
    else:
        result = repeat.check_artefact(
            points, diameter=ball, spheres=2 if spacing else 1, spacing=spacing
        )
    click.echo(_dumps(result.as_record()) if as_json else result.as_text())


@cli.command()
def questions() -> None:
    """List the questions to ask before parts are made."""
    from insole.planning.questions import QUESTIONS

    for question in QUESTIONS:
        click.echo(f"{question.id:22} {question.grade:7} {question.text}")


def _plan_for(inputs: Sequence[Path], given: dict[str, Any], say: Callable[[str], None]) -> Plan:
    """Return the plan to make: read from a file, or planned from scans."""
    from insole import workflow

    version = given.pop("version")
    if len(inputs) == 1 and inputs[0].suffix.lower() == ".json":
        return workflow.read_plan(inputs[0])
    say("measuring and planning")
    made, _ = workflow.plan_feet(_request(inputs, given, version or 1))
    return made


def _confirm(edges: Sequence[str], checked: bool, say: Callable[[str], None]) -> None:
    """Show the thick edges in words and have them confirmed.

    Raises
    ------
    insole.errors.RefusedError
        Nobody can answer and the flag was not given, or the answer is no.
    """
    from insole.errors import RefusedError

    tell = say if checked else _say  # what is to be confirmed is shown even with --quiet
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


def _bed(text: str) -> tuple[float, float]:
    try:
        width, depth = (float(part) for part in text.lower().split("x"))
    except ValueError:
        width = depth = 0.0
    if not (40 <= width <= 2000 and 40 <= depth <= 2000):
        raise click.UsageError(f"--bed wants WIDTHxDEPTH in mm, 40 to 2000 each, got {text!r}")
    return width, depth


def _pictures(target: Path, feet: Sequence[MeasuredFoot], say: Callable[[str], None]) -> None:
    """Write one picture per foot beside `target`."""
    from insole.output import pictures

    for number, foot in enumerate(feet, start=1):
        tail = f"-{number}-{foot.facts.side}" if len(feet) > 1 else ""
        path = target.with_name(f"{target.stem}{tail}.png")
        pictures.write_scan_picture(path, foot)
        say(f"picture written to {path}")


def _dumps(value: object) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)


if __name__ == "__main__":
    entry()
