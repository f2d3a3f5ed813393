"""What comes before a plan: shoe files, shoes that fit, the questions before parts."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.asked import answered, confirmed
from insole.cli.options.common import JSON, LIMITS, QUIET, REFUSED, SCANS
from insole.cli.options.outcomes import dumps, quiet_or, speak
from insole.cli.options.scans import scan_options, shots_of
from insole.cli.options.shoes import asked_shoe, shoe_options

if TYPE_CHECKING:
    from footscan.scan import Side

__all__ = ["fit", "questions", "settle", "shoe"]

CONTRADICTED = 10  # exit code


@click.command()
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
    "--first-trial",
    "page",
    type=click.Path(path_type=Path),
    metavar="PDF",
    help="For outlines only: a page with shoes, kit pad and wedge for a first trial.",
)
@click.option(
    "--forefoot",
    "wedges",
    multiple=True,
    metavar="[left=|right=]DEG",
    help="Wedge on that page; + is big-toe side up (varus).",
)
@click.option(
    "--kit", type=click.Path(path_type=Path), metavar="FILE", help="The workshop's pads, for it."
)
@LIMITS
@JSON
@QUIET
def fit(
    scans: Sequence[Path],
    shoes: Sequence[Path],
    library: Path | None,
    page: Path | None,
    wedges: Sequence[str],
    kit: Path | None,
    own_limits: Path | None,
    as_json: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Rank shoes for a pair of feet, with the room at each station and the reason in words.

    A foot is a scan, or the record of an outline (.outline.json, see 'trace').
    """
    from insole import remote
    from insole.cli.show import shoes as show
    from insole.shoe import file as shoe_file
    from insole.workflow import plans

    if library is not None:
        more, bad = shoe_file.library(library)
        shoes = [*shoes, *more]
        for sentence in bad:
            speak(f"solewright: {sentence}")
    if not shoes:
        raise click.UsageError("give shoes to compare: --shoe FILE, or --shoes FOLDER")
    records = [path for path in scans if remote.is_record(path)]
    scans = [path for path in scans if path not in records]
    if page is None and (wedges or kit is not None):
        raise click.UsageError("--forefoot and --kit belong to --first-trial")
    if page is not None:
        if scans or not records:
            raise click.UsageError(
                "--first-trial is for records of outlines; for scans there is 'solewright plan'"
            )
        ranked = remote.first_trial(
            records, shoes, page, kit=kit, wedges=_wedges(wedges), own_limits=own_limits
        )
        quiet_or(quiet)(f"the page is in {page}")
    elif records:
        shots = shots_of(scans, given) if scans else []
        ranked = remote.fit_feet(shots, records, shoes, own_limits)
    else:
        ranked = plans.fit_shoes(shots_of(scans, given), shoes, own_limits)
    click.echo(dumps(show.fit_records(ranked)) if as_json else show.fit(ranked))


def _wedges(texts: Sequence[str]) -> dict[Side, float]:
    """Return the wish per side; one without a side is for both."""
    from footscan.scan import Side

    found: dict[Side, float] = {}
    for text in texts:
        side, _, value = text.rpartition("=")
        try:
            sides = [Side(side)] if side else list(Side)
            found |= dict.fromkeys(sides, float(value))
        except ValueError:
            raise click.UsageError(
                f"--forefoot wants degrees, or left=DEG, right=DEG, got {text!r}"
            ) from None
    return found


@click.command()
@click.option(
    "--seated",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    metavar="SCAN",
    help="Scan taken seated; once for each foot.",
)
@click.option(
    "--standing",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    metavar="SCAN",
    help="Scan taken standing on both feet; once for each foot.",
)
@click.option("--body-mass", type=float, metavar="KG", help="For the flexibility in mm/kN.")
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "m", "inch"]),
    help="Length unit of the files; told from the foot if left out.",
)
@LIMITS
@JSON
def settle(
    seated: Sequence[Path],
    standing: Sequence[Path],
    body_mass: float | None,
    unit: str | None,
    own_limits: Path | None,
    as_json: bool,
) -> int:
    """Hold seated against standing scans: arch drop, growth, and a first support level.

    Exit code 10: the scans contradict each other.
    """
    from footscan.pipeline import Options
    from footscan.scan import Load, Unit
    from insole.cli.show import settling as show
    from insole.workflow import measuring
    from insole.workflow.request import Shots

    def shots(files: Sequence[Path], load: Load) -> list[Shots]:
        options = Options(load=load, unit=Unit(unit) if unit else None)
        return [Shots(files=(path,), options=options) for path in files]

    found = measuring.settle_feet(
        shots(seated, Load.SEATED), shots(standing, Load.HALF), body_mass, own_limits
    )
    click.echo(dumps(show.settling_record(found)) if as_json else show.settling(found))
    return CONTRADICTED if any(foot.contradicted for foot, _ in found) else 0


@click.group()
def shoe() -> None:
    """Shoe files: write a new one from a few figures."""


@shoe.command("new")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.toml")
@shoe_options
@click.option("--ask", is_flag=True, help="Ask for every figure step by step.")
@click.option(
    "--replace", is_flag=True, help="Write a file that is there anew; the old one stays as .old."
)
@QUIET
def shoe_new(file: Path, ask: bool, replace: bool, quiet: bool, **given: Any) -> None:
    """Write a new shoe file; at a terminal, what is missing is asked step by step.

    Name, length, ball width and drop are enough for a rough shoe.
    """
    from insole.shoe import file as shoe_file

    if file.exists() and not replace:  # before anything is asked
        kept = f"{file} is there already"
        if not sys.stdin.isatty():
            raise click.UsageError(
                f"{kept} and is kept; choose another name, or --replace, which keeps the old one "
                f"as {shoe_file.old_name(file).name}"
            )
        if not confirmed(f"{kept}: write it anew? It stays as {shoe_file.old_name(file).name}"):
            raise click.UsageError(f"{kept} and is kept; choose another name")
        replace = True
    needed = given["name"] and None not in (given["length"], given["ball_width"], given["drop"])
    name, figures, files = asked_shoe(given, ask or (sys.stdin.isatty() and not needed))
    made = shoe_file.write_new(file, name, figures, files, replace=replace)
    if not quiet and made.rough:
        speak("a rough shoe: the heel's width and closer figures narrow its bands")
    click.echo(f"{made.name} is in {file}")


@click.command()
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
@click.option("--case", default="", metavar="NAME", help="Pseudonym of the rider who was asked.")
@click.option("--on", "day", default="", metavar="YYYY-MM-DD", help="Day on which it was asked.")
def questions(
    ask: bool, sheet: Path | None, filled: Path | None, out: Path | None, case: str, day: str
) -> int:
    """List the questions before parts, ask them, or hand them out as a page. Exit 4: a stop."""
    from insole.errors import InsoleError
    from insole.output.papers import question_sheet
    from insole.record.questions import QUESTIONS, dated, refuse_ahead
    from insole.workflow import keeping

    if (ask or filled is not None) and out is None:
        raise click.UsageError("say where the answers go: --out FILE.toml")
    if sheet is not None:
        question_sheet.write_sheet(sheet)
        click.echo(f"the page is in {sheet}")
        return 0
    if out is not None:
        if ask == (filled is not None):
            raise click.UsageError("--out wants the answers: --ask, or --from PDF")
        if out.exists():  # before anything is asked
            raise click.UsageError(f"{out} is there already and is kept; choose another name")
        if filled is not None:
            answers, clinician = question_sheet.read_sheet(filled)
            whose, asked = question_sheet.read_whose(filled)
            if case and whose and case != whose:
                raise InsoleError(
                    f"{filled.name} holds the answers of {whose!r}, not of {case!r}; take that "
                    "rider's sheet, or leave --case out"
                )
            case, day = case or whose, day or asked
        else:
            case, day = _whose(case, day)
            answers, clinician = _ask_all()
        refuse_ahead(dated(clinician), date.today(), "the clinician's word")
        if day and not _is_day(day):
            raise click.UsageError(f"{day!r} is no day up to today; give it as YYYY-MM-DD")
        if not answers:
            raise InsoleError(
                f"{filled.name} holds no answer: fill it in on the screen, or type what stands on "
                "the paper with --ask; nothing was written"
                if filled is not None
                else "no question was answered; nothing was written"
            )
        stop = keeping.keep_answers(out, answers, clinician, case=case, day=day)
        click.echo(f"the answers are in {out}")
        if not case:
            speak(
                "the file names no rider: whoever plans with it has to know whose answers these are"
            )
        if left := [q.id for q in QUESTIONS if q.id not in answers]:
            speak(f"not asked: {', '.join(left)}; what was not asked is no 'no'")
        if stop:
            speak(f"solewright: {stop}")
        return REFUSED if stop else 0
    for question in QUESTIONS:
        click.echo(f"{question.id:22} {question.grade:7} {question.text}")
    return 0


def _whose(case: str, day: str) -> tuple[str, str]:
    """Return pseudonym and day, asked where they were not given; Enter: none, and today."""
    case = case or click.prompt(
        "Pseudonym of the rider, as --case of plan and make",
        default="",
        show_default=False,
        err=True,
    )
    today = date.today().isoformat()
    while not _is_day(day):
        if day:
            speak(f"{day!r} is no day up to today; type it as YYYY-MM-DD")
        day = click.prompt("Day on which it is asked", default=today, err=True).strip()
    return case.strip(), day


def _is_day(text: str) -> bool:
    """Return whether a text is a day, YYYY-MM-DD, that is not ahead of today."""
    try:
        return date.fromisoformat(text).isoformat() == text <= date.today().isoformat()
    except ValueError:
        return False


def _ask_all() -> tuple[dict[str, str], str]:
    """Return the answers typed one by one, and a clinician's word after a stop."""
    from insole.record.questions import QUESTIONS

    answers, stop = {}, False
    for k, question in enumerate(QUESTIONS, 1):
        choice = answered(f"{k} of {len(QUESTIONS)}: {question.text}")
        if choice:
            answers[question.id] = choice
        stop |= choice == "yes" and question.grade == "stop"
    word = ""
    if stop:
        word = click.prompt(
            "A clinician's name and date, NAME, YYYY-MM-DD; empty if there is none yet",
            default="",
            show_default=False,
            err=True,
        )
    return answers, word
