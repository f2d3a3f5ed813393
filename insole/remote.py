"""The way for riders who never come: photographs in, records and pictures out, shoes ranked.

    photographs -> trace_each -> Found or what was wrong -> keep -> record + picture
    records, scans -> fit_feet -> shoes ranked

An outline gives a shoe and a first trial, no parts: those need the sole.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.errors import FootscanError, SideError
from footscan.results import Verdict
from footscan.scan import Side

if TYPE_CHECKING:
    from footscan.outline.insole import InsoleOutline
    from footscan.outline.trace import Asked, Found
    from footscan.outline.traced import Traced
    from insole.planning.fit import FitResult
    from insole.planning.fit_stations import Fitted
    from insole.workflow.request import Shots

__all__ = [
    "Kept",
    "first_trial",
    "fit_feet",
    "is_record",
    "keep",
    "keep_insole",
    "rider_page",
    "trace_each",
    "trace_insole",
]

SUFFIX = ".outline.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Where record (or outline) and picture lie."""

    record: Path
    picture: Path


def trace_each(photos: Sequence[Path], asked: Sequence[Asked]) -> Iterator[Found | FootscanError]:
    """Yield what is found in each photograph, or what is wrong with it."""
    from footscan.outline import trace

    for photo, one in zip(photos, asked, strict=True):
        try:
            yield trace.trace(photo, one)
        except FootscanError as error:
            yield error


def keep(found: Found, out: Path, version: str, taken: set[Path]) -> Kept:
    """Write the record and the picture of a traced foot into a folder that is there.

    Raises
    ------
    insole.errors.OutputError
        A file cannot be written, or reads back as something else.
    """
    from footscan.outline import traced
    from insole.errors import OutputError
    from insole.output.ink import save_bytes
    from insole.output.pictures.outline import outline_png

    record = _free(out, found, SUFFIX, taken)
    picture = record.with_name(record.name.removesuffix(".json") + ".png")
    data = traced.as_json(found.traced, version)
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    save_bytes(picture, outline_png(found))
    save_bytes(record, text.encode("utf-8"))
    if traced.as_json(traced.read(record), version) != data:
        raise OutputError(f"{record} does not read back the same; check the disk and trace again")
    return Kept(record=record, picture=picture)


def _free(out: Path, found: Found, suffix: str, taken: set[Path]) -> Path:
    """Return a name that no photograph of this run has."""
    stem, number = f"{Path(found.traced.facts.file).stem}-{found.traced.side}", 1
    path = out / f"{stem}{suffix}"
    while path in taken:
        number += 1
        path = out / f"{stem}-{number}{suffix}"
    taken.add(path)
    return path


def trace_insole(photo: Path, side: Side, paper: str | None, barrel: float | None) -> InsoleOutline:
    """Return the outline of a stock insole that was drawn around."""
    from footscan.outline import insole

    return insole.trace_insole(photo, side, paper, barrel)


def keep_insole(found: InsoleOutline, out: Path) -> Path:
    """Write the outline of a stock insole as a CSV for a shoe file."""
    from insole.output.ink import save_bytes

    path = out / f"{Path(found.file).stem}-{found.side}-insole.csv"
    save_bytes(path, found.csv().encode("ascii"))
    return path


def rider_page(path: Path, paper: str) -> None:
    """Write the rider's page and the scale card, ``"a4"`` or ``"letter"``."""
    from insole.output.papers.rider_page import write_page

    write_page(path, paper)


def is_record(path: Path) -> bool:
    """Return whether a file is a traced outline rather than a scan, by its name."""
    return path.suffix.lower() == ".json"


def fit_feet(
    scans: Sequence[Shots],
    records: Sequence[Path],
    shoes: Sequence[Path],
    own_limits: Path | None = None,
) -> list[FitResult]:
    """Return the shoes ranked for feet from outlines and scans, best first.

    Raises
    ------
    footscan.errors.FootscanError
        A record or scan cannot be used, or two show the same foot.
    """
    from footscan.outline import traced
    from insole.planning import fit
    from insole.record import limits
    from insole.shoe import shoe
    from insole.workflow import measuring

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()
    beds = [shoe.load(path) for path in shoes]
    feet: dict[Side, Fitted] = {}
    if scans:
        left, right = measuring.measure_feet(scans)
        feet |= {side: foot for side, foot in ((Side.LEFT, left), (Side.RIGHT, right)) if foot}
    for path in records:
        foot = _usable(path, traced.read(path))
        if foot.side in feet:
            raise SideError(
                f"{path.name} and another file both show the {foot.side} foot; give one left and "
                "one right"
            )
        feet[foot.side] = foot
    return fit.rank(feet.get(Side.LEFT), feet.get(Side.RIGHT), beds, bounds)


def first_trial(
    records: Sequence[Path],
    shoes: Sequence[Path],
    out: Path,
    *,
    kit: Path | None = None,
    wedges: Mapping[Side, float] | None = None,
    own_limits: Path | None = None,
) -> list[FitResult]:
    """Write the page of a first trial from outlines and return the shoes ranked.

    Raises
    ------
    footscan.errors.FootscanError
        A record cannot be used, a wish is beyond its limit, or the page cannot be written.
    """
    from footscan.outline import traced
    from insole.output.papers.first_trial_page import write_first_trial
    from insole.planning import first_trial as trials
    from insole.planning.support import kit as kits
    from insole.record import limits

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()
    pads = kits.load(kit, bounds) if kit is not None else kits.default_kit(bounds)
    ranked = fit_feet((), records, shoes, own_limits)
    feet = [traced.read(path) for path in records]
    wished = wedges or {}
    shown = [(f, trials.first_trial(f, pads, bounds, wished.get(f.side))) for f in feet]
    write_first_trial(out, shown, ranked)
    return ranked


def _usable(path: Path, foot: Traced) -> Traced:
    """Return the foot of a record, unless its findings forbid to use it."""
    from footscan.outline.errors import OutlineError

    if foot.report.verdict is Verdict.AGAIN:
        worst = foot.report.deciding[0]
        raise OutlineError("contradicted", f"{path.name}: {worst.text}; {worst.advice}")
    return foot
