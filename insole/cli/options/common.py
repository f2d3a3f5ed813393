"""Arguments, options and exit codes that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = [
    "BY_HAND",
    "FULL",
    "JSON",
    "LIMITS",
    "MATERIALS",
    "QUIET",
    "REFUSED",
    "SCANS",
    "UNUSABLE",
]

UNUSABLE, REFUSED = 3, 4  # exit codes

SCANS = click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON only.")
BY_HAND = click.option(
    "--by-hand",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Values measured by hand (TOML): girths, forefoot tilt, hallux, a remark on leg length; "
    "contradictions with the scan are said.",
)
LIMITS = click.option(
    "--limits",
    "own_limits",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The workshop's own limits (TOML).",
)
FULL = click.option(
    "--full", is_flag=True, help="Say all that the plan holds, not its twenty lines."
)
QUIET = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
MATERIALS = click.option(
    "--materials",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The workshop's own materials (TOML): what it uses, and its calibration bars.",
)
