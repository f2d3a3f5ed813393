"""The command line: reads options, calls the workflow, prints what it returns.

Nothing is computed here. Every expected error ends in one sentence on standard error and the
error's exit code; heavy modules are imported inside the commands, so that ``--help`` is quick.
"""

from __future__ import annotations

import json
import math
import os
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import insole

if TYPE_CHECKING:
    from datetime import date

    from footscan.artefact import ArtefactCheck
    from footscan.artefact_log import ScaleEvidence
    from footscan.results import MeasuredFoot
    from insole.parts.form import FormWish
    from insole.parts.materials import Materials
    from insole.planning.plan import Override, Plan
    from insole.planning.planner import FootWish, PlanWishes
    from insole.planning.trial import Trial
    from insole.workflow import Request, Shots

__all__ = ["cli", "main"]

EXIT_FOR_VERDICT = {"fit for making": 0, "fit for measuring only": 10, "scan again": 20}
UNUSABLE, REFUSED, BROKEN = 3, 4, 70
LONG_LIST = 3  # scans; more are shown a bar


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
        _say("solewright: stopped; no file is half written")
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
                "--scanner-log",
                type=click.Path(path_type=Path),
                metavar="CSV",
                help="Log of the scanner's checks ('solewright artefact'): verifies the scale "
                "for 30 days after a check.",
            ),
            click.option(
                "--scanner",
                default="",
                metavar="NAME",
                help="Which scanner of that log, if it holds several.",
            ),
            click.option(
                "--hand-held",
                is_flag=True,
                help="A scanner or telephone moved by hand: without a verified scale its scans "
                "are for measuring only.",
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
    if given["scanner"] and not given["scanner_log"]:
        raise click.UsageError("--scanner names a scanner in a log; give --scanner-log as well")
    vouched = _scale_evidence(given["scanner_log"], given["scanner"])
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
                scale_evidence=vouched,
                hand_held=given["hand_held"],
                by_hand=marks,
                eu_rule=eu_rule,
            ),
        )
        for group, side, length, marks in zip(groups, sides, lengths, by_hand, strict=True)
    ]


def _scale_evidence(log: Path | None, scanner: str) -> ScaleEvidence | None:
    """Return what the log of a scanner's checks says of its scale today."""
    from datetime import date

    from footscan import artefact_log

    if log is None:
        return None
    return artefact_log.evidence(artefact_log.read(log), date.today(), scanner)


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
                "--medial-edge",
                multiple=True,
                metavar=f"{sided}MM",
                help="Let the pad's medial edge stand so high against the shoe's wall, in place "
                "of running out there.",
            ),
            click.option(
                "--limits",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="The workshop's own limits (TOML); what they change is printed in the plan.",
            ),
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
                "--dowels",
                is_flag=True,
                help="Place each pad on its base by dowels, to go back into the same place.",
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
                "--body-mass",
                type=float,
                metavar="KG",
                help="Of the rider, for the comparison of pressure; a nominal one if left out.",
            ),
            click.option(
                "--ankle",
                multiple=True,
                metavar=f"{sided}DEG",
                help="Angle of the sole to its bed held while pedalling, + toes up; balanced if "
                "left out.",
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
        limits=given["limits"],
        sources=_sources(given),
    )


def _sources(given: dict[str, Any]) -> dict[str, Any]:
    """Return the names of the files given, and what was stated of the scans, as options."""
    files = {name: given[name].name for name in ("shoe", "kit", "limits") if given[name]}
    stated: dict[str, Any] = {}
    names = ("side", "unit", "scale", "load", "kind", "foot_length", "landmark", "one_foot",
             "hand_held", "without_arch")  # fmt: skip
    for name in names:
        if given[name] not in (None, (), False):
            value = list(given[name]) if isinstance(given[name], tuple) else given[name]
            stated[f"--{name.replace('_', '-')}"] = value
    return files | ({"stated": stated} if stated else {})


def _wishes(given: dict[str, Any], version: int) -> PlanWishes:
    """Return the wishes: common ones, and what differs for one foot."""
    from insole.planning import kit, limits
    from insole.planning.planner import PlanWishes

    own = limits.load(given["limits"]) if given["limits"] else limits.default_limits()
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
        "ankle": ("ankle", float),
        "tender": ("tender", _two),
        "medial_edge": ("medial_edge", float),
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
        version=version, kit=kit.load(given["kit"], own) if given["kit"] else None,
        confirm_zero=given["confirm_zero"], body_mass=given["body_mass"], dowels=given["dowels"],
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
    from insole import show, workflow

    shots = _shots(scans, given)
    draw = _Pictures(picture, _quiet_or(quiet)) if picture is not None else None
    outcomes = []
    for outcome in _outcomes(shots, quiet):
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
        click.echo(_dumps(_records(outcomes)))
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
    from footscan.shots import combined
    from insole import show

    if repeated and (as_json or given["one_foot"] or len(scans) < 2):
        raise click.UsageError(
            "--repeated wants two or more scans of one foot, each in its own frame, and prints "
            "text: leave --json and --one-foot out"
        )
    outcomes = list(_outcomes(_shots(scans, given), quiet))
    for outcome in outcomes:
        outcome.complain()
    feet = [foot for outcome in outcomes for foot in outcome.feet]
    if as_json:
        click.echo(_dumps(_records(outcomes)))
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
    required=True,
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Shoe file; give several to compare.",
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
    own_limits: Path | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Rank shoes for a pair of feet, with the room at each station and the reason in words."""
    from insole import show, workflow

    ranked = workflow.fit_shoes(_shots(scans, given), shoes, own_limits)
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
@click.option(
    "--sheet",
    default="600x400",
    show_default=True,
    metavar="WxH",
    help="Sheets of stock on which parts are nested for cutting, mm.",
)
@click.option("--no-step", is_flag=True, help="Leave STEP files out (saves seconds).")
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
    no_step: bool,
    layers: bool,
    materials: Path | None,
    form: bool,
    form_cover: float | None,
    form_relief: float | None,
    quiet: bool,
    **given: Any,
) -> None:
    """Make parts, templates and papers from a plan, or from scans in one go."""
    from insole import show, workflow
    from insole.output.folder import Settings

    say = _quiet_or(quiet)
    settings = Settings(
        bed=_size("--bed", bed), kerf=kerf, sheet=_size("--sheet", sheet), step=not no_step,
        layers=layers, materials=_materials(materials), form=_form(form, form_cover, form_relief),
    )  # fmt: skip
    plan = _plan_for(inputs, given, say)
    _confirm(workflow.thick_edges(plan), thick_edges_checked, say)
    folder = workflow.make(plan, out, settings=settings, say=say)
    if not quiet:
        click.echo(show.plan(plan))
    click.echo(f"parts and papers are in {folder}")


@cli.command()
@click.argument("scans", nargs=-1, type=click.Path(path_type=Path), metavar="[FIRST SECOND]")
@scan_options
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write where the first scan lies outside or inside the second: a .png, made for A5.",
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
    **given: Any,
) -> None:
    """Compare two scans of one foot, a left with a right foot, or a series with hand measures."""
    from footscan import repeat
    from insole import workflow

    if (len(scans) != 2) if series is None else (scans or picture):
        raise click.UsageError("give two scans, or --series and no scan")
    if series is not None:
        verdicts = repeat.judge_series(series)
        words = "\n".join(verdict.as_text() for verdict in verdicts)
        click.echo(_dumps([v.as_record() for v in verdicts]) if as_json else words)
        return
    if picture is not None:
        _png_wanted(picture)
    feet = workflow.single_feet(_shots(scans, {**given, "one_foot": False}))
    result = repeat.compare(*feet)
    if picture is not None:
        from insole.output import scan_picture

        scan_picture.write_compare(picture, result, feet[0])
        _quiet_or(quiet)(f"picture written to {picture}")
    click.echo(_dumps(result.as_record()) if as_json else result.as_text())


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
def artefact(scan: Path | None, drift: Path | None, as_json: bool, **given: Any) -> None:
    """Check a scanner on a ball, a bar with two balls or a flat plate of known size."""
    from datetime import date

    from footscan import artefact_log

    today = date.today()
    if scan is None or drift is not None:
        if scan is not None or drift is None:
            raise click.UsageError("give the scan of an artefact, or --drift and no scan")
        found = artefact_log.drift(artefact_log.read(drift), today)
        if as_json:
            click.echo(_dumps([series.as_record() for series in found]))
        else:
            click.echo("\n".join(s.as_text() for s in found) or f"{drift.name} holds no check yet")
        return
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
    click.echo(_dumps(result.as_record()) if as_json else "\n".join(words))


def _checked_artefact(scan: Path, given: dict[str, Any]) -> ArtefactCheck:
    """Return the check of the artefact in a scan."""
    from footscan import artefact as checks
    from footscan import reading
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

    from footscan import artefact_log

    entry = artefact_log.entry_of(
        result, day=day, scanner=given["scanner"], scan=scan.name, software=insole.__version__
    )
    artefact_log.append(given["log"], entry)
    _quiet_or(given["quiet"])(f"added to {given['log']}")
    series = artefact_log.drift(artefact_log.read(given["log"]), calendar.today())
    return [row for s in series if s.entries[-1].series == entry.series for row in s.sentences]


@cli.command()
@click.argument("plan_file", required=False, type=click.Path(path_type=Path), metavar="[PLAN]")
@click.option("--said", default="", metavar="TEXT", help="What the rider said, in plain words.")
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
    help="Log to add to: a .json file, or the folder of a case, which then keeps the plan as well.",
)
@click.option(
    "--show",
    "shown",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Instead of a plan: print this log.",
)
@click.option("--words", is_flag=True, help="List the short words that --said takes as well.")
@JSON
def trial(
    plan_file: Path | None, log: Path | None, shown: Path | None, as_json: bool, **given: Any
) -> int:
    """Log what a rider said of a plan, and get the one step that follows. Exit 4: stop."""
    from insole import show, workflow

    if given.pop("words"):
        from insole.planning.trial import understood_words

        click.echo("\n".join(understood_words()))
        return 0
    if shown is not None:
        records = workflow.read_log(shown)
        text = _dumps([r.model_dump(mode="json") for r in records]) if as_json else (
            show.trials(records))  # fmt: skip
        click.echo(text)
        return 0
    if plan_file is None or log is None:
        raise click.UsageError("give a PLAN and --log FILE, or --show FILE")
    record, options = _logged_trial(plan_file, log, given)
    if as_json:
        for sentence in record.words if record.stopped else ():
            _say(f"solewright: {sentence}")
        step = ["solewright", *options] if options else None
        click.echo(_dumps(record.model_dump(mode="json") | {"command": step}))
    else:
        click.echo(show.trial(record, shlex.join(["solewright", *options]) if options else ""))
    return REFUSED if record.stopped else 0


def _logged_trial(plan_file: Path, log: Path, given: dict[str, Any]) -> tuple[Trial, list[str]]:
    """Log a trial; return it with the options that plan its step."""
    from insole import workflow
    from insole.planning.trial import Said

    if not given["day"]:
        raise click.UsageError("say when it was ridden: --on YYYY-MM-DD")
    if given["said"].strip() and given["answer"] is None:
        raise click.UsageError("say how it was as well: --better, --same or --worse")
    said = Said(
        text=given["said"], side=given["side"], place=given["place"] or "",
        answer=given["answer"], date=given["day"], clinician=given["clinician"],
    )  # fmt: skip
    plan = workflow.read_plan(plan_file)
    record = workflow.log_trial(plan, said, log)
    return record, workflow.step_options(plan, record, plan_file)


@cli.command("case")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--export",
    type=click.Path(path_type=Path),
    metavar="ZIP",
    help="Write the whole case into one new zip file.",
)
@click.option("--erase", default=None, metavar="NAME", help="Erase the case; repeat its name.")
def case_(folder: Path, export: Path | None, erase: str | None) -> None:
    """Show what a case, or a folder of cases, holds; export a case, or erase it for good."""
    from insole import cases, show
    from insole.errors import InsoleError

    if not folder.is_dir():
        raise InsoleError(f"there is no folder at {folder}; check the path")
    if export is None and erase is None and not (folder / "case.json").exists():
        found = cases.cases(folder)
        click.echo("\n".join(show.case(one) for one in found) or f"{folder} holds no case")
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
    from insole.output.bar import bar_words, write_bar
    from insole.parts.bar import bar_for

    made = bar_for(_materials(materials).find(material))
    write_bar(out, made)
    if not quiet:
        click.echo("\n".join(bar_words(made)))
    click.echo(f"the bar is in {out}")


@cli.command()
def questions() -> None:
    """List the questions to ask before parts are made."""
    from insole.planning.questions import QUESTIONS

    for question in QUESTIONS:
        click.echo(f"{question.id:22} {question.grade:7} {question.text}")


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


def _size(option: str, text: str) -> tuple[float, float]:
    try:
        width, depth = (float(part) for part in text.lower().split("x"))
    except ValueError:
        width = depth = 0.0
    if not (40 <= width <= 2000 and 40 <= depth <= 2000):
        raise click.UsageError(f"{option} wants two sizes in mm, 40 to 2000 each, like 220x220")
    return width, depth


@dataclass(slots=True)
class _Outcome:
    """What came of one scan: its feet, or what was wrong with it."""

    name: str
    stem: str
    feet: list[MeasuredFoot]
    error: str = ""

    def complain(self) -> None:
        """Say what was wrong, if anything was."""
        if self.error:
            _say(f"solewright: {self.error}")


def _outcomes(shots: Sequence[Shots], quiet: bool) -> Iterator[_Outcome]:
    """Yield what comes of each scan, in order; long lists show how far they are."""
    from footscan.errors import FootscanError
    from insole import workflow

    with _progress(len(shots), quiet) as step:
        for shot, result in zip(shots, workflow.measure_each(shots), strict=True):
            name = " + ".join(str(path) for path in shot.files)
            found = _Outcome(name=name, stem=shot.files[0].stem, feet=[])
            if isinstance(result, FootscanError):
                found.error = str(result) if name in str(result) else f"{name}: {result}"
            else:
                found.feet = result
            step()
            yield found


@contextmanager
def _progress(total: int, quiet: bool) -> Iterator[Callable[[], None]]:
    """Show a bar on standard error for a long list at a terminal; yield what moves it on."""
    if quiet or total <= LONG_LIST or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    columns = ("scans", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("scans", total=total)
        yield lambda: bar.advance(task)


def _records(outcomes: Sequence[_Outcome]) -> Any:
    """Return the JSON of one scan, or the list of several."""
    from footscan import pipeline

    records: list[dict[str, Any]] = []
    for outcome in outcomes:
        if outcome.error:
            records.append({"scan": outcome.name, "error": outcome.error})
        records += [pipeline.as_json(foot, insole.__version__) for foot in outcome.feet]
    return records[0] if len(records) == 1 else records


class _Pictures:
    """Writes one picture per foot: into a folder, or beside a file of the name given."""

    def __init__(self, target: Path, say: Callable[[str], None]) -> None:
        self.folder = target if target.is_dir() or not target.suffix else None
        if self.folder is None:
            _png_wanted(target)
        self.target, self.say, self.taken = target, say, set[Path]()

    def __call__(self, stem: str, feet: Sequence[MeasuredFoot]) -> None:
        """Write the pictures of the feet in one scan."""
        from insole.errors import OutputError
        from insole.output import scan_picture

        for foot in feet:
            path = self._free(stem, foot.facts.side)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
                raise OutputError(
                    f"the folder {path.parent} cannot be made: {reason}; choose another --picture"
                ) from None
            scan_picture.write_scan(path, foot)
            self.say(f"picture written to {path}")

    def _free(self, stem: str, side: str) -> Path:
        """Return a name that no picture of this run has."""
        if self.folder is not None:
            names = (self.folder / f"{stem}-{side}{tail}.png" for tail in self._tails())
        else:
            base = self.target
            names = (base.with_stem(f"{base.stem}{tail}") for tail in self._tails())
        path = next(path for path in names if path not in self.taken)
        self.taken.add(path)
        return path

    @staticmethod
    def _tails() -> Iterator[str]:
        return chain([""], (f"-{number}" for number in count(2)))


def _png_wanted(path: Path) -> None:
    if path.suffix.lower() != ".png":
        raise click.UsageError(f"--picture wants a name that ends in .png, got {path.name!r}")


def _dumps(value: object) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)


if __name__ == "__main__":
    entry()
