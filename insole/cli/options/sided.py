"""A wish that may be for one foot: how it is typed, read and kept.

[left=|right=]VALUE -> Sided.convert -> Wished -> insole.cli.options.wishes
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import click

__all__ = ["Sided", "Wished", "number", "one_of", "share", "two"]


class Wished(NamedTuple):
    """A wish as read: for ``"both"`` feet or one, its value, and the text that was typed."""

    foot: str
    value: Any
    text: str

    def __str__(self) -> str:
        """Return it as it was typed."""
        return self.text


class Sided(click.ParamType):  # type: ignore[type-arg]  # older clicks have no argument
    """Type of an option that takes ``[left=|right=]VALUE``.

    `read` turns the text of a value into the value, or raises ``ValueError``; `unit` stands for it
    in the help.
    """

    name = "wish"

    def __init__(self, unit: str, read: Callable[[str], Any]) -> None:
        self.metavar, self.read = f"[left=|right=]{unit}", read

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """Return what stands for the value in the help."""
        return self.metavar

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Wished:
        """Return which foot a wish is for, and its value."""
        if isinstance(value, Wished):
            return value
        option = max(param.opts, key=len) if param is not None else "the wish"
        foot, sep, rest = str(value).partition("=")
        if not sep:
            foot, rest = "both", str(value)
        foot, rest = foot.strip(), rest.strip()
        if foot not in ("both", "left", "right"):
            raise click.UsageError(f"{option}: {foot!r} is neither left nor right")
        try:
            return Wished(foot, self.read(rest), str(value))
        except ValueError:
            raise click.UsageError(f"{option}: {rest!r} cannot be read; see --help") from None


def number(text: str) -> float:
    """Return a finite number."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def share(text: str) -> float:
    """Return a share that is typed as percent."""
    return number(text) / 100


def two(text: str) -> tuple[float, float]:
    """Return two finite numbers with a comma between them."""
    first, second = (number(part) for part in text.split(","))
    return first, second


def one_of(*words: str) -> Callable[[str], str]:
    """Return what reads one of some words."""

    def read(text: str) -> str:
        if text not in words:
            raise ValueError(text)
        return text

    return read
