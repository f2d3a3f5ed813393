"""A shoe's figures asked step by step: a way back, and all of them read back before they are kept.

name, figures so far -> ask_for -> name, whether the insole stays; figures filled in

"back" at any question goes to the one before; at the end each line can be changed by its number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from insole.cli.options.asked import confirmed

if TYPE_CHECKING:
    from insole.shoe.file import Figure

__all__ = ["STIFFNESS", "ask_for", "height_row"]

NOT_MEASURED = ""  # an empty answer
STIFFNESS = ("rigid", "firm", "flexible")
BACK = "back"
WORDS_TO = 64  # letters of a question in the list at the end


class _BackError(Exception):
    """Somebody wants to go back to the question before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """One question: what asks it, and what it found, in words for the list at the end."""

    title: str
    ask: Callable[[], None]
    found: Callable[[], str]


def ask_for(
    name: str, kept: bool | None, figures: dict[str, Any], scanned: bool
) -> tuple[str, bool | None]:
    """Return name and whether the insole stays; fill in what is None in `figures`.

    Parameters
    ----------
    name : str
        Empty when it was not given.
    kept : bool or None
        None when it was not given.
    figures : dict
        By key of the shoe file, mm or degrees; changed.
    scanned : bool
        The bed was scanned: its heights are not asked.
    """
    from insole.shoe.file import FIGURES, HEIGHT_LINES

    known: dict[str, Any] = {"name": name, "kept": kept}
    steps = []
    if not name:
        steps.append(_name(known))
    if kept is None:
        steps.append(_kept(known))
    steps += [_figure(figure, figures) for figure in FIGURES if figures[figure.key] is None]
    if figures["shell.stiffness"] is None:
        steps.append(_stiffness(figures))
    if not scanned and f"bed.heights.{HEIGHT_LINES[0]}" not in figures:
        steps.append(_heights(figures))
    steps.append(_slots(figures))
    click.echo("'back' at any question goes to the one before it", err=True)
    _walk(steps)
    _read_back(steps)
    return known["name"], known["kept"]


def _walk(steps: Sequence[_Step], *, outer: bool = True) -> None:
    """Ask all steps, back and forth; back at the first goes to what called, if anything did."""
    at = 0
    while at < len(steps):
        try:
            steps[at].ask()
            at += 1
        except _BackError:
            if at == 0 and not outer:
                raise
            if at == 0:
                click.echo("this is the first question", err=True)
            at = max(at - 1, 0)


def _read_back(steps: Sequence[_Step]) -> None:
    """Show what was typed, and have lines changed by their number until all are right."""
    while True:
        rows = [f"  {k:2}  {step.title}: {step.found()}" for k, step in enumerate(steps, 1)]
        click.echo("\n".join(["as typed:", *rows]), err=True)
        try:
            text = _typed("Enter writes it, a number changes that line")
        except _BackError:
            text = str(len(steps))  # the question before is the last one
        if text.lower() in ("", "y", "yes"):
            return
        if text.isdigit() and 1 <= int(text) <= len(steps):
            try:
                steps[int(text) - 1].ask()
            except _BackError:
                click.echo("left as it was", err=True)
            continue
        click.echo(
            f"{text!r} is neither Enter nor a number from 1 to {len(steps)}; Ctrl-C leaves without "
            "writing",
            err=True,
        )


def _typed(text: str) -> str:
    """Return what was typed, empty for Enter."""
    found = str(click.prompt(text, default=NOT_MEASURED, show_default=False, err=True)).strip()
    if found.lower() == BACK:
        raise _BackError
    return found


def _sure(question: str) -> bool:
    """Return whether a question was answered yes; "back" goes back."""
    while True:
        text = _typed(f"{question} (yes, no)").lower()
        if text in ("y", "yes"):
            return True
        if text in ("n", "no"):
            return False
        click.echo(f"{text!r} is no answer here: type yes or no, y or n", err=True)


def _name(known: dict[str, Any]) -> _Step:
    def ask() -> None:
        while not (text := _typed("Your word for shoe and size")):
            click.echo("a shoe needs a name", err=True)
        known["name"] = text

    return _Step(title="Name", ask=ask, found=lambda: str(known["name"]))


def _kept(known: dict[str, Any]) -> _Step:
    def ask() -> None:
        known["kept"] = _sure(
            "Does the stock insole stay in the shoe, under the base? With yes measure all that "
            "follows with it in, else without it"
        )

    words = {True: "stays, all measured with it in", False: "comes out, all measured without it"}
    return _Step(title="Stock insole", ask=ask, found=lambda: words.get(known["kept"], "not known"))


def _figure(figure: Figure, figures: dict[str, Any]) -> _Step:
    def found() -> str:
        value = figures.get(figure.key)
        return "not measured" if value is None else f"{value:g} {figure.unit}"

    title = figure.question if len(figure.question) <= WORDS_TO else figure.question.split(",")[0]
    return _Step(title=title, ask=lambda: _asked(figure, figures), found=found)


def _asked(figure: Figure, figures: dict[str, Any]) -> None:
    """Ask for a figure until it can be right beside those known so far, and keep it."""
    from insole.shoe.file import refusal

    while True:
        value = _number(figure.question, figure.unit, figure.needed)
        wrong = value is not None and refusal(figure.key, figures | {figure.key: value})
        if wrong:
            click.echo(f"{wrong}; type it again", err=True)
        elif value is None or _meant(figure, value):
            figures[figure.key] = value
            return


def _meant(figure: Figure, value: float) -> bool:
    """Return whether a figure that few shoes have was meant."""
    if figure.usual is None or figure.usual[0] <= value <= figure.usual[1]:
        return True
    low, high = figure.usual
    return confirmed(f"{value:g} {figure.unit} is unusual, {low:g} to {high:g} is common: keep it?")


def _number(question: str, unit: str, needed: bool) -> float | None:
    """Return a number that was typed, or None for "not measured"."""
    hint = "" if needed else ", empty if not measured"
    while True:
        text = _typed(f"{question}, {unit}{hint}")
        if not text and not needed:
            return None
        try:
            value = float(text.replace(",", "."))
            if math.isfinite(value):
                return value
        except ValueError:
            pass
        click.echo(f"{text!r} is not a number in {unit}; type one such as 102.5", err=True)


def _stiffness(figures: dict[str, Any]) -> _Step:
    def ask() -> None:
        while True:
            text = _typed(f"Stiffness of the sole: {', '.join(STIFFNESS)}, empty if not known")
            if not text or text.lower() in STIFFNESS:
                figures["shell.stiffness"] = text.lower() or None
                return
            click.echo(f"{text!r} is none of {', '.join(STIFFNESS)}", err=True)

    return _Step(
        title="Stiffness of the sole",
        ask=ask,
        found=lambda: figures["shell.stiffness"] or "not known",
    )


def _heights(figures: dict[str, Any]) -> _Step:
    from insole.shoe.file import HEIGHT_LINES

    keys = [f"bed.heights.{line}" for line in HEIGHT_LINES]

    def line_of(line: str) -> _Step:
        return _Step(title=line, ask=lambda: _asked_line(line, figures), found=lambda: "")

    def ask() -> None:
        before = {key: figures.pop(key) for key in keys if key in figures}
        try:
            if _sure("Type the bed's fifteen heights now (contour gauge; one zero for all)?"):
                _walk([line_of(line) for line in HEIGHT_LINES], outer=False)
        except _BackError:
            for key in keys:
                figures.pop(key, None)
            figures.update(before)
            raise

    def found() -> str:
        rows = [
            f"{key.rsplit('.', 1)[1]} {_spaced(figures[key])}" for key in keys if key in figures
        ]
        return "; ".join(rows) or "not measured"

    return _Step(title="Heights of the bed", ask=ask, found=found)


def _asked_line(line: str, figures: dict[str, Any]) -> None:
    """Ask for the heights along one line until they can be right, and keep them."""
    from insole.shoe.file import HEIGHT_LINES, refusal

    key = f"bed.heights.{line}"
    while True:
        text = _typed(
            f"Heights along the {line} line at heel, 25, 45, 60 % of the length, ball, mm"
        )
        row = height_row(text)
        wrong = (
            f"{text!r} is not five numbers"
            if row is None
            else refusal(key, {f"bed.heights.{one}": row for one in HEIGHT_LINES})
        )
        if not wrong:
            figures[key] = row
            return
        click.echo(f"{wrong}; type them like 20 20.5 18 13 9.6", err=True)


def height_row(text: str) -> list[float] | None:
    """Return five heights, parted by commas or blanks; None for anything else."""
    try:
        row = [float(one) for one in text.replace(",", " ").split()]
    except ValueError:
        return None
    return row if len(row) == 5 and all(map(math.isfinite, row)) else None


def _spaced(values: Sequence[float]) -> str:
    return " ".join(f"{value:g}" for value in values)


def _slots(figures: dict[str, Any]) -> _Step:
    """Return the questions about mark and reach of the cleat's slots, as one step."""
    from insole.shoe.file import SLOTS

    keys = ["cleat.mark", *(figure.key for figure in SLOTS)]

    def mark() -> None:
        for key in keys:
            figures.pop(key, None)
        figures["cleat.mark"] = (
            _typed(
                "A mark on the sole that you find again, to set the cleat by, such as 'front edge "
                "of the rear slot'; empty for none"
            )
            or None
        )

    def reach(figure: Figure) -> Callable[[], None]:
        def ask() -> None:
            if figures["cleat.mark"] is None:
                return
            if figure.key != "cleat.rear":
                _asked(figure, figures)
            elif figures.get("cleat.front") is not None:  # one end alone says nothing
                _asked(replace(figure, needed=True), figures)

        return ask

    def ask() -> None:
        steps = [_Step(title="mark", ask=mark, found=lambda: "")]
        steps += [_Step(title=f.key, ask=reach(f), found=lambda: "") for f in SLOTS]
        _walk(steps, outer=False)

    def found() -> str:
        known = [f"{key.rsplit('.', 1)[1]} {figures[key]}" for key in keys if figures.get(key)]
        return ", ".join(known).replace("mark_from_heel", "from the heel") or "none"

    return _Step(title="Cleat's mark and reach, mm", ask=ask, found=found)
