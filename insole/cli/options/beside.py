"""Planning options beside a finished plan: none is dropped in silence.

options of one call -> asked_beside_plan -> refused, with the command that plans anew
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from insole.cli.options.scans import scan_options
from insole.cli.options.wishes import wish_options

if TYPE_CHECKING:
    from insole.record.plan import Plan

__all__ = ["asked_beside_plan", "planning_options", "refuse_beside_plan", "replan_command"]


def planning_options() -> dict[str, click.Option]:
    """Return every option that a plan is planned by, by its name in the code."""

    def nothing() -> None: ...

    for add in (scan_options, wish_options):
        nothing = add(nothing)
    found: list[Any] = nothing.__click_params__  # type: ignore[attr-defined]
    return {str(option.name): option for option in reversed(found)}


def asked_beside_plan(context: click.Context) -> list[str]:
    """Return the planning options that were typed in this call, as arguments."""
    arguments: list[str] = []
    for name, option in planning_options().items():
        if context.get_parameter_source(name) is not ParameterSource.COMMANDLINE:
            continue
        value = context.params[name]
        word = max(option.opts, key=len)
        for one in value if option.multiple else [value]:
            arguments += [word] if option.is_flag else [word, _text(one)]
    return arguments


def refuse_beside_plan(plan: Plan, path: Path, asked: Sequence[str]) -> None:
    """Refuse planning options beside a plan, with the command that plans them.

    Raises
    ------
    click.UsageError
        There are any; the sentence holds the whole command.
    """
    if not asked:
        return
    names = list(dict.fromkeys(word for word in asked if word.startswith("--")))
    named = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    raise click.UsageError(
        f"{named} {'changes' if len(names) == 1 else 'change'} the plan, and a plan on file is "
        f"made as it stands; plan anew with: {replan_command(plan, path, asked)}; then make the "
        "plan which that writes"
    )


def replan_command(plan: Plan, path: Path, asked: Sequence[str]) -> str:
    """Return the command that plans what a plan says but for the options asked for."""
    from insole.cli.options.again import located, options

    files = {foot.scan_file for foot in plan.feet}
    files |= {name for name in plan.sources.values() if isinstance(name, str)}
    before = [located(word) if word in files else word for word in options(plan, against=str(path))]
    return shlex.join(["solewright", *_without(before, asked), *asked])


def _without(before: Sequence[str], asked: Sequence[str]) -> list[str]:
    """Return the options of the old plan that those asked for now do not take the place of."""
    options = planning_options().values()
    flags = {word for option in options if option.is_flag for word in option.opts}
    several = {word for option in options if option.multiple for word in option.opts}
    now: dict[str, set[str]] = {}
    for word, value in _pairs(asked, flags):
        now.setdefault(word, set()).add(_foot(value) if word in several else "")
    kept: list[str] = []
    for word, value in _pairs(before, flags):
        feet = now.get(word, set())
        if "" in feet or (feet and _foot(value) in feet):
            continue
        kept += [word] if value is None else [word, value]
    return kept


def _pairs(words: Sequence[str], flags: set[str]) -> list[tuple[str, str | None]]:
    """Return each option with its value; words that are none stand alone."""
    found: list[tuple[str, str | None]] = []
    rest = list(words)
    while rest:
        word = rest.pop(0)
        takes = word.startswith("--") and word not in flags and bool(rest)
        found.append((word, rest.pop(0) if takes else None))
    return found


def _foot(value: str | None) -> str:
    """Return the foot, the question or the scan that a value is for; nothing for all of them."""
    head, sep, _ = (value or "").partition("=")
    return head.strip() if sep else ""


def _text(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
