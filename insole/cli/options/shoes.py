"""What `shoe new` is given: figures as options; those that are missing are asked one by one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from insole.cli.options.shoe_asked import STIFFNESS, ask_for, height_row

__all__ = ["asked_shoe", "shoe_options"]


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

    insole = _insole(given["insole"])
    figures: dict[str, Any] = {}
    for figure in FIGURES:
        last = figure.key.rsplit(".", 1)[1]
        figures[figure.key] = insole.get(last) if "thickness" in figure.key else given[last]
    figures["shell.stiffness"] = given["stiffness"]
    figures |= _heights(given["heights"])
    name = given["name"].strip()
    if ask:
        name, given["kept"] = ask_for(name, given["kept"], figures, given["bed_scan"] is not None)
    missing = [f.key.rsplit(".", 1)[1] for f in FIGURES if f.needed and figures[f.key] is None]
    if missing or not name:
        wanted = ["--name"] if not name else []
        wanted += [f"--{key.replace('_', '-')}" for key in missing]
        raise click.UsageError(
            f"a shoe needs {', '.join(wanted)} as well, or --ask to be asked step by step"
        )
    return name, _with_files(figures, given), _files(given)


def _heights(texts: tuple[str, ...]) -> dict[str, Any]:
    """Return the bed's heights along its three lines as given, or nothing."""
    from insole.shoe.file import HEIGHT_LINES

    found: dict[str, Any] = {}
    for text in texts:
        line, _, values = text.partition("=")
        row = height_row(values)
        if line.strip() not in HEIGHT_LINES or row is None:
            raise click.UsageError(
                "--heights wants medial, midline or lateral = five heights in mm parted by "
                f"commas, got {text!r}"
            )
        found[f"bed.heights.{line.strip()}"] = row
    if found and len(found) < len(HEIGHT_LINES):
        raise click.UsageError(f"--heights wants all of {', '.join(HEIGHT_LINES)}")
    return found


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
