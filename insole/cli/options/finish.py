"""Options of `make` that say how parts are finished: long beds, bevels, holes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from insole.output.settings import Settings

__all__ = ["FINISH", "finish_options", "finished"]

FINISH = ("long_parts", "glue_gap", "bevel", "vents", "no_stock")


def finish_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say how parts are finished."""
    for option in reversed(
        (
            click.option(
                "--long-parts",
                type=click.Choice(["two-pieces", "three-quarter", "whole"]),
                help="What becomes of a full-length contoured bed or a form that fits no "
                "printer of the workshop, turned or not: two pieces with a joint to glue, a "
                "three-quarter bed, or whole as it is. Left out, the folder says which bed it "
                "needs.",
            ),
            click.option(
                "--glue-gap",
                type=click.FloatRange(0.05, 0.6),
                metavar="MM",
                help="Room for glue in the joint of what is in two pieces; 0.2 if left out.",
            ),
            click.option(
                "--bevel",
                metavar="MM[@DEG]",
                help="Bevel along the underside's edge of bases: width, and degrees from the "
                "underside (45 if left out).",
            ),
            click.option(
                "--vents",
                metavar="MM[@MM]",
                help="Ventilation holes in bases and contoured beds, outside heel, ball and arch "
                "crest: diameter, and distance from middle to middle (12 if left out).",
            ),
            click.option(
                "--no-stock",
                is_flag=True,
                help="Leave the workshop's own stock list, stock.toml in ~/.solewright, aside.",
            ),
        )
    ):
        command = option(command)
    return command


def finished(settings: Settings, given: Mapping[str, Any]) -> Settings:
    """Return the settings with what the options say of the finish."""
    return settings.with_finish(
        long_parts=given["long_parts"],
        glue_gap=given["glue_gap"],
        bevel=given["bevel"],
        vents=given["vents"],
    )
