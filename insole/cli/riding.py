"""What follows a plan: trials and the case that keeps them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.asked import answered
from insole.cli.options.common import JSON, REFUSED
from insole.cli.options.outcomes import dumps, speak

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.trials.entry import Said, Trial

__all__ = ["case_", "trial"]


@click.command()
@click.argument("plan_file", required=False, type=click.Path(path_type=Path), metavar="[PLAN]")
@click.option(
    "--felt",
    multiple=True,
    metavar="PICK",
    help='From the list, repeatable: "lump front", "too high", "3 mm back"; --words prints it.',
)
@click.option("--said", default="", metavar="TEXT", help="What the rider said, in plain words.")
@click.option(
    "--as-said",
    is_flag=True,
    help="What is not understood of --said was read again: nothing of fit, nothing of pain in it.",
)
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
@click.option(
    "--on",
    "day",
    default="",
    metavar="YYYY-MM-DD",
    help="Day of the ride; needed, except for a clinician's word alone.",
)
@click.option(
    "--clinician",
    default="",
    metavar="NAME, DATE",
    help="A clinician's word, needed after a stop; alone it is logged without a ride.",
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
    from insole.cli.show import riding as show
    from insole.workflow import riding

    if given.pop("words"):
        click.echo("\n".join(show.understood_words()))
        return 0
    if shown is not None:
        records = riding.read_log(shown)
        text = (
            dumps([r.model_dump(mode="json") for r in records])
            if as_json
            else (show.trials(records))
        )
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
        click.echo(show.trial(record, options))
    return REFUSED if record.stopped else 0


def _case_beside(plan_file: Path) -> Path:
    """Return the case that was kept beside a plan."""
    from insole.trials import cases
    from insole.workflow import plans

    plan = plans.read_plan(plan_file)
    found = cases.home_of(plan_file, plan.case, plan)
    if found is None:
        raise click.UsageError(
            f"no case is kept beside {plan_file}; give --log FILE or --log FOLDER"
        )
    return found


def _logged_trial(plan_file: Path, log: Path, given: dict[str, Any]) -> tuple[Trial, list[str]]:
    """Log a trial; return it with the options that plan its step."""
    from insole.trials.entry import Said
    from insole.workflow import plans, riding

    day = given["day"] or _day_of_the_word(given)
    if not day:
        raise click.UsageError("say when it was ridden: --on YYYY-MM-DD")
    if (given["said"].strip() or given["felt"]) and given["answer"] is None:
        raise click.UsageError("say how it was as well: --better, --same or --worse")
    plan = plans.read_plan(plan_file)
    said = Said(
        text=given["said"],
        side=given["side"],
        place=given["place"] or "",
        answer=given["answer"],
        date=day,
        clinician=given["clinician"],
        felt=list(given["felt"]),
        corrects=given["corrects"],
        because=given["because"],
        as_said=given["as_said"],
        flags=_flags(given["flag"], given["no_red_flags"], given["answer"] is not None),
    )
    said = _understood(said)
    record = riding.log_trial(plan, said, log, today=date.today())
    return record, _next_command(plan, record, log, plan_file)


def _next_command(plan: Plan, record: Trial, log: Path, plan_file: Path) -> list[str]:
    """Return the options that plan a step under a version that is free; none if it was planned."""
    from insole.cli.options.again import already_planned, step_options
    from insole.trials import cases

    if record.step is None:
        return []
    if not (log / "case.json").exists():
        return step_options(plan, record, plan_file)
    case = cases.open_case(log)
    later = [number for number in case.versions() if number > plan.version]
    done = already_planned(plan, record.step, [case.plan(number) for number in later])
    if done is not None:
        speak(f"plan {done.version} is that step already: nothing is to be planned anew")
        return []
    version = max(later) + 1 if later else None
    return [*step_options(plan, record, plan_file, version), *_beside(log, record)]


def _day_of_the_word(given: dict[str, Any]) -> str:
    """Return the day of a clinician's word that is logged by itself, without a ride."""
    from insole.record.questions import dated

    ridden = given["said"].strip() or given["felt"] or given["answer"] or given["corrects"]
    return "" if ridden else dated(given["clinician"])


def _understood(said: Said) -> Said:
    """Return what was said once nothing of it is open, asked where somebody can answer.

    Words that stop are logged as they are, at once.
    """
    from insole.errors import PlanError
    from insole.trials.picks import picked
    from insole.trials.red_flags import stops
    from insole.trials.words import left_over

    left = [] if said.as_said else left_over(said.text, said.place)
    if not left or stops(said.text, said.flags, better=said.answer == "better"):
        return said
    if not sys.stdin.isatty():
        if said.felt:
            return said
        listed = ", ".join(f"'{part}'" for part in left)
        raise click.UsageError(
            f"not understood: {listed}; nothing was logged: ask what is meant and add it as --felt "
            "PICK (--words prints the list), or add --as-said if it says nothing of shoe, cleat, "
            "pad or weight, and nothing of pain"
        )
    more = []
    for part in left:
        while True:
            pick = click.prompt(
                f"Not understood: '{part}'. What is it, from the list (trial --words)? Enter: "
                "nothing of shoe, cleat, pad or weight, and nothing of pain",
                default="",
                show_default=False,
                err=True,
            ).strip()
            try:
                if pick:
                    picked(pick)
                    more.append(pick)
                break
            except PlanError as error:
                speak(str(error))
    return said.model_copy(update={"felt": [*said.felt, *more], "as_said": True})


def _beside(log: Path, record: Trial) -> list[str]:
    """Return the folder that the next plan goes to, so that the case stays in one place."""
    if record.step is None or not (log / "case.json").exists():
        return []
    home = log.parent
    return [] if home.resolve() == Path("plans").resolve() else ["--out", str(home)]


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
            answer = answered(flag.text)
            answers |= {flag.id: answer} if answer else {}
    return answers


@click.command("case")
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
    from insole.cli.show import riding as show
    from insole.errors import InsoleError
    from insole.trials import cases
    from insole.workflow import keeping, plans

    if not folder.is_dir():
        raise InsoleError(f"there is no folder at {folder}; check the path")
    if export is None and erase is None and not (folder / "case.json").exists():
        loose = [plans.read_plan(path) for path in cases.loose_plans(folder)]
        for one in loose if keep else ():
            keeping.keep_plan(one, folder)
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
