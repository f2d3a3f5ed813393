"""Options that say something about the scans: files, sides, units, load, landmarks, scale.

click options -> scan_options -> given -> shots_of -> workflow.request.Shots
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from insole.errors import InsoleError

if TYPE_CHECKING:
    from footscan.checking.artefact_log import ScaleEvidence
    from insole.workflow.request import Shots

__all__ = ["NONE", "scan_options", "shots_of"]

RECORD = ".outline.json"  # of what 'trace' writes
NONE = "-"  # of one scan, where it is said of others
LENGTH = click.FloatRange(100, 400)


class _Length(click.ParamType[float | None]):
    """The length of a foot, mm; or none of this scan."""

    name = "length"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | None:
        return None if value == NONE else float(LENGTH.convert(value, param, ctx))


OF_SCANS = (
    click.option(
        "--side",
        multiple=True,
        type=click.Choice(["left", "right", NONE]),
        help="Side of the scan; once per scan, in their order, - for one that tells it.",
    ),
    click.option(
        "--unit",
        multiple=True,
        type=click.Choice(["mm", "cm", "m", "inch", NONE]),
        help="Length unit of the file, of all or once per scan; told from the foot if left out.",
    ),
    click.option(
        "--scale",
        type=float,
        metavar="MM_PER_FILE_UNIT",
        help="Millimetres per file unit, instead of --unit.",
    ),
    click.option(
        "--load",
        multiple=True,
        type=click.Choice(["none", "seated", "half", "full", NONE]),
        help="Body weight on the foot: none (in the air), seated, half (on both "
        "feet), full (on one); of all, or once per scan.",
    ),
    click.option(
        "--kind",
        multiple=True,
        type=click.Choice(["standing", "hanging", "sole", "impression", NONE]),
        help="What was scanned, of all or once per scan; told from the scan if left out.",
    ),
    click.option(
        "--foot-length",
        "foot_length",
        multiple=True,
        type=_Length(),
        metavar="MM",
        help="Length measured by hand: verifies the scale; once per scan, - for one not measured.",
    ),
    click.option(
        "--scanner-log",
        type=click.Path(path_type=Path),
        metavar="CSV",
        help="Log of the scanner's checks ('solewright artefact'): verifies the scale "
        "for 30 days after a check.",
    ),
    click.option(
        "--scanner",
        default="",
        metavar="NAME",
        help="Which scanner of that log, if it holds several.",
    ),
    click.option(
        "--card",
        is_flag=True,
        help="The printed scale card ('solewright trace --instructions') lies in the scan, which "
        "has colours of its points, no texture: verifies the scale.",
    ),
    click.option(
        "--hand-held",
        is_flag=True,
        help="A scanner or telephone moved by hand: without a verified scale its scans "
        "are for measuring only.",
    ),
    click.option(
        "--landmark",
        "landmark",
        multiple=True,
        metavar="[N:]NAME=X,Y,Z[,eye]",
        help="Set a landmark by hand, in scan coordinates times its unit (mm); with "
        "several scans, N is the number of the scan; eye: nobody felt for it. The foot's axis "
        "does not follow.",
    ),
    click.option("--one-foot", is_flag=True, help="All files are shots of one foot, in one frame."),
)


def scan_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say something about the scans."""
    for option in reversed(OF_SCANS):
        command = option(command)
    return command


def shots_of(files: Sequence[Path], given: dict[str, Any]) -> list[Shots]:
    """Return the scans that the files and options name."""
    from footscan.measuring.sizes import EuRule
    from footscan.pipeline import Options
    from footscan.scan import Kind, Load, Side, Unit
    from insole.workflow.request import Shots

    for path in files:
        if path.name.endswith(RECORD):
            raise InsoleError(
                f"{path.name} is an outline on paper: it gives a shoe and a first trial, no plan "
                f"and no parts; type 'solewright fit {path} --shoe FILE --first-trial PAGE.pdf'"
            )
    groups = [tuple(files)] if given["one_foot"] else [(path,) for path in files]
    sides = _per_scan(given["side"], len(groups), "--side")
    lengths = _per_scan(given["foot_length"], len(groups), "--foot-length")
    units = _per_scan(given["unit"], len(groups), "--unit", once=True)
    kinds = _per_scan(given["kind"], len(groups), "--kind", once=True)
    loads = _per_scan(given["load"], len(groups), "--load", once=True)
    if any(length is not None and not math.isfinite(length) for length in lengths):
        raise click.UsageError("--foot-length wants a number of mm, 100 to 400")
    if given["unit"] and given["scale"] is not None:
        raise click.UsageError("give --unit or --scale, not both")
    if given["scale"] is not None and not 1e-6 < given["scale"] < 1e6:
        raise click.UsageError("--scale must be a positive number of millimetres per file unit")
    if given["scanner"] and not given["scanner_log"]:
        raise click.UsageError("--scanner names a scanner in a log; give --scanner-log as well")
    vouched = _scale_evidence(given["scanner_log"], given["scanner"])
    by_hand = _landmarks(given["landmark"], len(groups))
    eu_rule = EuRule[given.get("eu_rule", "two-points").replace("-", "_").upper()]
    return [
        Shots(
            files=group,
            options=Options(
                side=Side(side) if side else None,
                unit=Unit(unit) if unit else None,
                scale=given["scale"],
                kind=Kind(kind) if kind else None,
                load=Load(load) if load else Load.UNKNOWN,
                hand_length=length,
                scale_evidence=vouched,
                card=given["card"],
                hand_held=given["hand_held"],
                by_hand=marks,
                by_eye=eyes,
                eu_rule=eu_rule,
            ),
        )
        for group, side, length, unit, kind, load, (marks, eyes) in zip(
            groups, sides, lengths, units, kinds, loads, by_hand, strict=True
        )
    ]


def _scale_evidence(log: Path | None, scanner: str) -> ScaleEvidence | None:
    """Return what the log of a scanner's checks says of its scale today."""
    from datetime import date

    from footscan.checking import artefact_log, log_file

    if log is None:
        return None
    return artefact_log.evidence(log_file.read(log), date.today(), scanner)


def _per_scan(values: Sequence[Any], count: int, option: str, *, once: bool = False) -> list[Any]:
    """Return one value per scan; `once`: a single one is that of all."""
    if not values:
        return [None] * count
    values = [None if value == NONE else value for value in values]
    if once and len(values) == 1:
        return values * count
    if len(values) != count:
        raise click.UsageError(
            f"{option} was given {len(values)} times for {count} scans; give it once per scan, "
            f"in their order, {NONE} where there is none"
        )
    return values


def _landmarks(texts: Sequence[str], scans: int) -> list[tuple[dict[str, Any], tuple[str, ...]]]:
    """Return the landmarks set by hand, and which of them by eye, per scan."""
    found: list[tuple[dict[str, Any], set[str]]] = [({}, set()) for _ in range(scans)]
    for text in texts:
        bare = text.removesuffix(",eye")
        number, name, xyz = _landmark(bare)
        if number is None and scans > 1:
            raise click.UsageError(
                f"--landmark belongs to one foot; say which scan, as in --landmark 2:{text}"
            )
        if number is not None and not 1 <= number <= scans:
            raise click.UsageError(
                f"--landmark {text!r}: there is no scan {number}; they are numbered 1 to {scans} "
                "in their order"
            )
        marks, eyes = found[(number or 1) - 1]
        marks[name] = xyz
        (eyes.discard if bare == text else eyes.add)(name)
    return [(marks, tuple(sorted(eyes))) for marks, eyes in found]


def _landmark(text: str) -> tuple[int | None, str, list[float]]:
    """Return number of the scan (None if not said), name and place."""
    head, _, place = text.partition("=")
    number, sep, name = head.rpartition(":")
    try:
        xyz = [float(part) for part in place.split(",")]
        scan = int(number) if sep else None
    except ValueError:
        xyz, scan = [], None
    if len(xyz) != 3 or not all(math.isfinite(v) for v in xyz):
        raise click.UsageError(f"--landmark wants [N:]NAME=X,Y,Z in mm, got {text!r}")
    return scan, name.strip(), xyz
