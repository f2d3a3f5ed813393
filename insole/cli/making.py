"""The maker's commands: parts and papers, the calibration bar."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from insole.cli.options.asked import confirmed
from insole.cli.options.beside import asked_beside_plan, refuse_beside_plan, replan_command
from insole.cli.options.common import FULL, MATERIALS, QUIET
from insole.cli.options.finish import FINISH, finish_options, finished
from insole.cli.options.outcomes import quiet_or, speak
from insole.cli.options.scans import scan_options
from insole.cli.options.sided import Wished
from insole.cli.options.wishes import request_of, wish_options
from insole.record.workshop import own_file

if TYPE_CHECKING:
    from insole.output.settings import Settings
    from insole.partner import Partner
    from insole.parts.form_upper import FormWish
    from insole.record.materials import Materials
    from insole.record.plan import FootPlan, Plan

__all__ = ["bar", "make", "settings_of"]

AFTER_MAKING = (
    "follow the bench page in {0}; ride easy, short and near home; then solewright trial {1}"
)


@click.command()
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
@click.option(
    "--edited",
    is_flag=True,
    help="Make a plan file that was changed by hand; every paper will say so.",
)
@MATERIALS
@click.option(
    "--material",
    multiple=True,
    metavar="KIND=NAME",
    help="What a kind of part is made of, such as pad=final-eva or shim=wedge-eva; kinds: base, "
    "pad, metatarsal, shim, under, bed, form, cover.",
)
@click.option(
    "--stock",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="What stands in the workshop (TOML): sheets, printers, blocks, cutter, materials by kind "
    "of part; what is typed here goes before it. Left out, stock.toml in ~/.solewright if there "
    "is one.",
)
@click.option(
    "--dxf",
    type=click.Choice(["R2010", "R12"]),
    default="R2010",
    show_default=True,
    help="Version of the DXF files.",
)
@click.option(
    "--cover-pattern",
    type=click.FloatRange(0, 20),
    metavar="MM",
    help="Cut covers too, so much larger all round, with darts where they bend round a heel cup.",
)
@click.option(
    "--laser-colours",
    is_flag=True,
    help="Pure red to cut, blue to engrave, black to draw, as laser programs map them by habit.",
)
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
@finish_options
@FULL
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
    material: Sequence[str],
    stock: Path | None,
    dxf: str,
    cover_pattern: float | None,
    laser_colours: bool,
    form: bool,
    form_cover: float | None,
    form_relief: float | None,
    full: bool,
    quiet: bool,
    **given: Any,
) -> None:
    """Make parts, templates and papers from a plan, or from scans in one go."""
    from insole.partner import LOADED_TO_PLAN, Partner

    say = quiet_or(quiet)
    finish = {name: given.pop(name) for name in FINISH}
    with ExitStack() as stack:
        partner = stack.enter_context(Partner(LOADED_TO_PLAN))  # loads while this one does
        from insole.cli.show import plans as show
        from insole.output.print.step import StepWorker
        from insole.workflow import keeping, making

        worker = stack.enter_context(StepWorker()) if step else None  # the kernel takes seconds
        settings = settings_of(
            bed=bed,
            kerf=kerf,
            sheet=sheet,
            step=step,
            layers=layers,
            materials=materials,
            form=form,
            form_cover=form_cover,
            form_relief=form_relief,
            dxf=dxf,
            laser_colours=laser_colours,
            cover_pattern=cover_pattern,
            stock=stock,
            material=material,
            finish=finish,
        )
        plan = _plan_for(inputs, given, settings, say, partner)
        home = keeping.case_home(plan, out)
        keeping.refuse_stopped(plan, home, *(p for p in inputs if p.suffix.lower() == ".json"))
        keeping.refuse_other_plan(plan, home)
        _confirm(making.thick_edges(plan), thick_edges_checked, say)
        folder = making.make(plan, out, settings=settings, worker=worker, partner=partner, say=say)
    keeping.keep_plan(plan, home)
    after = AFTER_MAKING.format(folder / "paper", shlex.quote(str(folder / "plan.json")))
    if not quiet:
        click.echo(show.whole_plan(plan) if full else show.plan(plan, after))
    click.echo(f"parts and papers are in {folder}")


@click.command()
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


def settings_of(
    *,
    bed: str,
    kerf: float,
    sheet: str,
    step: bool,
    layers: bool,
    materials: Path | None,
    form: bool,
    form_cover: float | None,
    form_relief: float | None,
    dxf: str,
    laser_colours: bool,
    cover_pattern: float | None,
    stock: Path | None,
    material: Sequence[str],
    finish: Mapping[str, Any],
) -> Settings:
    """Return how files are wanted, as the options say; what is typed stands above the stock."""
    from insole.output.settings import Settings

    settings = Settings(
        bed=_size("--bed", bed),
        kerf=kerf,
        sheet=_size("--sheet", sheet),
        step=step,
        layers=layers,
        materials=_materials(materials),
        form=_form(form, form_cover, form_relief),
        dxf=dxf,
        laser_colours=laser_colours,
        cover_pattern=cover_pattern,
    )
    source = click.get_current_context().get_parameter_source
    typed = {
        name for name in ("bed", "kerf", "sheet") if source(name) is ParameterSource.COMMANDLINE
    }
    if stock is None and not finish["no_stock"]:
        stock = own_file("stock")
    return finished(settings.with_stock(stock, material, typed=typed), finish)


def _materials(path: Path | None) -> Materials:
    """Return the material table, changed by a workshop's file if there is one."""
    from insole.record import material_file as table

    return table.load(path) if path is not None else table.default_materials()


def _form(wanted: bool, cover: float | None, relief: float | None) -> FormWish | None:
    """Return how forms are wanted; None when they are not."""
    from dataclasses import replace

    from insole.parts.form_upper import FormWish

    wishes: dict[str, Any] = {"cover": cover, "relief": relief}
    given = {name: value for name, value in wishes.items() if value is not None}
    if given and not wanted:
        raise click.UsageError(f"--form-{min(given)} says how a form is made; add --form")
    return replace(FormWish(), **given) if wanted else None


def _plan_for(
    inputs: Sequence[Path],
    given: dict[str, Any],
    settings: Settings,
    say: Callable[[str], None],
    partner: Partner,
) -> Plan:
    """Return the plan to make: read from a file, or planned from scans."""
    from insole.errors import RefusedError
    from insole.output.long_parts import refused_words, too_long
    from insole.workflow import making, measuring, plans

    version, edited = given.pop("version"), given.pop("edited", False)
    written = [path for path in inputs if path.suffix.lower() == ".json"]
    if written and len(inputs) > 1:
        raise click.UsageError("give one plan, or scans to plan from, not both and no second plan")
    if written:
        partner.load(*making.LOADED_TO_BUILD)
        plan = plans.read_plan(inputs[0], edited=edited)
        refuse_beside_plan(plan, inputs[0], asked_beside_plan(click.get_current_context()))
        if settings.long_parts == "three-quarter" and (long := too_long(plan, settings)):
            command = replan_command(plan, inputs[0], _three_quarter(plan, long))
            raise RefusedError(refused_words(long, command))
        return plan
    if edited:
        raise click.UsageError(
            "--edited says that a plan file was changed by hand, and scans are no plan file; leave "
            "it out, or give the plan"
        )
    say("measuring and planning")
    request = request_of(inputs, given, version or 1)
    # not before answers are read
    feet = cache(lambda: measuring.measure_feet(request.scans, partner))
    made = plans.plan_measured(request, feet, partner)
    if settings.long_parts == "three-quarter" and (long := too_long(made, settings)):
        say("a full-length bed fits no printer here: planning three-quarter beds, as you chose")
        length = "three-quarter"
        sided = [Wished(foot.side, length, f"{foot.side}={length}") for foot in long]
        more = {**given, "contoured": (*given["contoured"], *sided)}
        made = plans.plan_measured(request_of(inputs, more, version or 1), feet, partner)
    partner.load(*making.LOADED_TO_BUILD)
    return made


def _three_quarter(plan: Plan, long: Sequence[FootPlan]) -> list[str]:
    """Return the options that plan three-quarter beds for some feet; the others keep theirs."""
    if len(long) == len(plan.feet):
        return ["--contoured", "three-quarter"]
    return [word for foot in long for word in ("--contoured", f"{foot.side}=three-quarter")]


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
    if not confirmed("Do you want each thick edge there?"):
        raise RefusedError("the thick edges were not confirmed; nothing was made")


def _size(option: str, text: str) -> tuple[float, float]:
    try:
        width, depth = (float(part) for part in text.lower().split("x"))
    except ValueError:
        width = depth = 0.0
    if not (40 <= width <= 2000 and 40 <= depth <= 2000):
        raise click.UsageError(f"{option} wants two sizes in mm, 40 to 2000 each, like 220x220")
    return width, depth
