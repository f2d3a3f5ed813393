"""Questions on the screen: yes and no as people type them, and what goes on with Enter."""

from __future__ import annotations

import click

__all__ = ["answered", "confirmed"]

_WORDS = {"y": "yes", "yes": "yes", "n": "no", "no": "no", "s": "", "skip": "", "": ""}


def answered(question: str) -> str:
    """Return ``yes`` or ``no`` as typed in any usual way, or nothing for a question left out."""
    while True:
        text = click.prompt(
            f"{question} (yes, no, Enter: not asked)", default="", show_default=False, err=True
        )
        found = _WORDS.get(" ".join(str(text).lower().split()))
        if found is not None:
            return found
        click.echo(f"{text!r} is no answer here: type yes or no, y or n, or Enter", err=True)


def confirmed(question: str, *, default: bool = False) -> bool:
    """Return whether a question was answered yes; Enter takes the default."""
    usual = "yes" if default else "no"
    while True:
        text = click.prompt(
            f"{question} (yes, no, Enter: {usual})", default=usual, show_default=False, err=True
        )
        found = _WORDS.get(" ".join(str(text).lower().split()))
        if found:
            return found == "yes"
        click.echo(f"{text!r} is no answer here: type yes or no, y or n", err=True)
