"""What `shoe new` is given: figures as options, and those that are missing asked one by one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from insole.shoe.file import Figure

__all__ = ["asked_shoe", "shoe_options"]

NOT_MEASURED = ""  # an empty answer
STIFFNESS = ("rigid", "firm", "flexible")


def shoe_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the figures of a shoe as options."""
    number: dict[str, Any] = {"type": float, "default": None}
    for option in reversed(
        (
            click.option("--name", default="", metavar="TEXT", help="Your word for shoe and size."),
            click.option("--length", **number, metavar="MM", help="Inside length."),
            click.option("--ball-width", **number, metavar="MM", help="Width at the ball."),
            click.option("--drop", **number, metavar="MM", help="Heel above ball on the midline."),
            click.option(
                "--heel-width",
                **number,
                metavar="MM",
                help="Between the counter's walls, 15 mm above the bed; without it a rough shoe.",
            ),
            click.option(
                "--instep-height", **number, metavar="MM", help="Bed to closure at the instep."
            ),
            click.option("--ball-girth", **number, metavar="MM", help="Inside, at the ball."),
            click.option(
                "--insole",
                multiple=True,
                metavar="heel|arch|ball|toes=MM",
                help="Thickness of the stock insole at one place; repeatable.",
            ),
            click.option(
                "--kept/--taken-out",
                "kept",
                default=None,
                help="Whether the stock insole stays under the base.",
            ),
            click.option(
                "--cant-forefoot", **number, metavar="DEG", help="Built in; + big-toe side up."
            ),
            click.option(
                "--cant-heel", **number, metavar="DEG", help="Built in; + big-toe side up."
            ),
            click.option("--stack", **number, metavar="MM", help="Pedal axle to bed at the ball."),
            click.option(
                "--stiffness",
                type=click.Choice(STIFFNESS),
                default=None,
                help="How stiff the sole is.",
            ),
            click.option(
                "--heights",
                multiple=True,
                metavar="medial|midline|lateral=H,H,H,H,H",
                help="Bed heights in mm at heel, 25, 45, 60 %, ball; all three lines.",
            ),
            click.option("--rough", is_flag=True, help="Figures by rule or table: wide bands."),
            click.option(
                "--bed-scan",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Scan of the bed in place of heights; wants --side.",
            ),
            click.option(
                "--outline",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Traced stock insole, .csv or .dxf; wants --side.",
            ),
            click.option(
                "--side",
                type=click.Choice(["left", "right"]),
                default=None,
                help="The shoe that was scanned or traced, seen from above.",
            ),
        )
    ):
        command = option(command)
    return command


def asked_shoe(given: dict[str, Any], ask: bool) -> tuple[str, dict[str, Any], list[Path]]:
    """Return name, figures by key and the files to lie beside the shoe file.

    Parameters
    ----------
    given : dict
        The options.
    ask : bool
        Ask on the screen for what was not given; an empty answer is "not measured".
    """
    from insole.shoe.file import FIGURES

    name = given["name"].strip()
    if not name and ask:
        name = click.prompt("Your word for shoe and size", err=True).strip()
    figures: dict[str, Any] = {}
    insole = _insole(given["insole"])
    if given["kept"] is None and ask:
        given["kept"] = click.confirm(
            "Does the stock insole stay in the shoe, under the base? With yes measure all that "
            "follows with it in, else without it",
            err=True,
        )
    for figure in FIGURES:
        last = figure.key.rsplit(".", 1)[1]
        value = insole.get(last) if "thickness" in figure.key else given[last]
        figures[figure.key] = value
        if value is None and ask:
            _asked(figure, figures)
    figures |= _stiffness(given, ask) | _heights(given, ask) | (_slots() if ask else {})
    missing = [f.key.rsplit(".", 1)[1] for f in FIGURES if f.needed and figures[f.key] is None]
    if missing or not name:
        wanted = ["--name"] if not name else []
        wanted += [f"--{key.replace('_', '-')}" for key in missing]
        raise click.UsageError(
            f"a shoe needs {', '.join(wanted)} as well, or --ask to be asked step by step"
        )
    return name, _with_files(figures, given), _files(given)


def _asked(figure: Figure, figures: dict[str, Any]) -> None:
    """Ask for a figure until it can be right beside those known so far, and keep it."""
    from insole.shoe.file import refusal

    while True:
        figures[figure.key] = _answer(figure.question, figure.unit, figure.needed)
        value = figures[figure.key]
        wrong = value is not None and refusal(figure.key, figures)
        if wrong:
            click.echo(f"{wrong}; type it again", err=True)
        elif value is None or _meant(figure, value):
            return


def _meant(figure: Figure, value: float) -> bool:
    """Return whether a figure that few shoes have was meant."""
    if figure.usual is None or figure.usual[0] <= value <= figure.usual[1]:
        return True
    low, high = figure.usual
    return click.confirm(
        f"{value:g} {figure.unit} is unusual, {low:g} to {high:g} is common: keep it?", err=True
    )


def _stiffness(given: dict[str, Any], ask: bool) -> dict[str, Any]:
    """Return how stiff the sole is, if it is known."""
    found = given["stiffness"]
    if found is None and ask:
        found = click.prompt(
            f"Stiffness of the sole: {', '.join(STIFFNESS)}, empty if not known",
            type=click.Choice([*STIFFNESS, NOT_MEASURED]),
            show_choices=False,
            default=NOT_MEASURED,
            show_default=False,
            err=True,
        )
    return {"shell.stiffness": found or None}


def _heights(given: dict[str, Any], ask: bool) -> dict[str, Any]:
    """Return the bed's heights along its three lines, or nothing."""
    from insole.shoe.file import HEIGHT_LINES, refusal

    found: dict[str, Any] = {}
    for text in given["heights"]:
        line, _, values = text.partition("=")
        row = _row(values)
        if line.strip() not in HEIGHT_LINES or row is None:
            raise click.UsageError(f"--heights wants {_HEIGHTS_WANTED}, got {text!r}")
        found[f"bed.heights.{line.strip()}"] = row
    if found and len(found) < len(HEIGHT_LINES):
        raise click.UsageError(f"--heights wants all of {', '.join(HEIGHT_LINES)}")
    if found or not ask or given["bed_scan"] is not None:
        return found
    if not click.confirm(
        "Type the bed's fifteen heights now (contour gauge; one zero for all)?", err=True
    ):
        return {}
    for line in HEIGHT_LINES:
        key = f"bed.heights.{line}"
        while key not in found:
            text = click.prompt(
                f"Heights along the {line} line at heel, 25, 45, 60 % of the length, ball, mm",
                err=True,
            )
            row = _row(text)
            wrong = (
                f"{text!r} is not five numbers"
                if row is None
                else refusal(key, {f"bed.heights.{one}": row for one in HEIGHT_LINES})
            )
            if wrong:
                click.echo(f"{wrong}; type them like 20 20.5 18 13 9.6", err=True)
            else:
                found[key] = row
    return found


_HEIGHTS_WANTED = "medial, midline or lateral = five heights in mm parted by commas"


def _row(text: str) -> list[float] | None:
    """Return five heights, parted by commas or blanks; None for anything else."""
    try:
        row = [float(one) for one in text.replace(",", " ").split()]
    except ValueError:
        return None
    return row if len(row) == 5 and all(map(math.isfinite, row)) else None


def _slots() -> dict[str, Any]:
    """Return mark and reach of the cleat's slots as typed, or nothing."""
    from insole.shoe.file import SLOTS

    mark = click.prompt(
        "A mark on the sole that you find again, to set the cleat by, such as 'front edge of the "
        "rear slot'; empty for none",
        default=NOT_MEASURED,
        show_default=False,
        err=True,
    ).strip()
    if not mark:
        return {}
    figures: dict[str, Any] = {"cleat.mark": mark}
    for figure in SLOTS:
        if figure.key != "cleat.rear":
            _asked(figure, figures)
        elif figures["cleat.front"] is not None:  # one end alone says nothing
            _asked(replace(figure, needed=True), figures)
    return figures


def _with_files(figures: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """Return the figures with what belongs to stock insole, scan and outline."""
    if _files(given) and given["side"] is None:
        raise click.UsageError("say which shoe was scanned or traced: --side left or right")
    kept = given["kept"]
    measured = any(v is not None for k, v in figures.items() if k.startswith("stock_insole"))
    if kept is None and measured:
        raise click.UsageError("say what becomes of the stock insole: --kept or --taken-out")
    more: dict[str, Any] = {"inside.rough": given["rough"] or None, "stock_insole.kept": kept}
    if given["bed_scan"] is not None:
        more |= {"bed.scan": given["bed_scan"].name, "bed.side": given["side"]}
    if given["outline"] is not None:
        more |= {"outline.side": given["side"], "outline.file": given["outline"].name}
    return figures | more


def _files(given: dict[str, Any]) -> list[Path]:
    return [given[name] for name in ("bed_scan", "outline") if given[name] is not None]


def _insole(texts: tuple[str, ...]) -> dict[str, float]:
    """Return thickness by place."""
    found = {}
    for text in texts:
        place, _, value = text.partition("=")
        try:
            found[place.strip()] = float(value)
        except ValueError:
            found[""] = 0.0
    if set(found) - {"heel", "arch", "ball", "toes"}:
        raise click.UsageError(f"--insole wants heel, arch, ball or toes = mm, got {texts[-1]!r}")
    return found


def _answer(question: str, unit: str, needed: bool) -> float | None:
    """Return a number that was typed, or None for "not measured"."""
    hint = "" if needed else ", empty if not measured"
    while True:
        text = click.prompt(
            f"{question}, {unit}{hint}", default=NOT_MEASURED, show_default=False, err=True
        )
        if not text.strip() and not needed:
            return None
        try:
            value = float(text.replace(",", "."))
            if math.isfinite(value):
                return value
        except ValueError:
            pass
        click.echo(f"{text!r} is not a number in {unit}; type one such as 102.5", err=True)
