"""From scan files to measured feet, left and right, with what the pair shows.

Shots -> measure_all, measure_each -> per scan its feet, or what was wrong
      -> left_and_right            -> MeasuredFoot (left, right)
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.cores import ALONE
from footscan.door import with_findings
from footscan.errors import FootscanError, ScanReadError, SideError
from footscan.quality import pair as quality_pair
from footscan.results import Finding, MeasuredFoot
from footscan.scan import Side
from insole.partner import Asked, Partner
from insole.workflow.processes import WORKERS, in_processes, measured
from insole.workflow.request import Shots

if TYPE_CHECKING:
    from footscan.checking.settling import Settling
    from insole.planning.first_level import Suggestion

__all__ = [
    "left_and_right",
    "measure_all",
    "measure_each",
    "measure_feet",
    "pair_findings",
    "settle_feet",
    "single_feet",
    "with_hand",
]

FEW_SCANS = 3  # more are shared out to processes, whose start costs about a second


def measure_all(
    scans: Sequence[Shots], *, at_once: bool = True, partner: Partner | None = None
) -> list[list[MeasuredFoot] | FootscanError]:
    """Return per scan its measured feet (two where one file shows both), or what was wrong.

    Without `at_once` one scan is measured after the other: half the memory, for those who share
    out whole cases. A partner measures the second of two scans.
    """
    if partner is not None and partner.there and len(scans) == 2:
        other = partner.ask(_measured_or_raised, scans[1])
        return [measured(scans[0]), _caught(other)]
    return list(measure_each(scans)) if at_once else [measured(shots) for shots in scans]


def _measured_or_raised(shots: Shots) -> list[MeasuredFoot]:
    """Return the feet in one scan: raised, an error keeps its kind on its way here."""
    result = measured(shots)
    if isinstance(result, FootscanError):
        raise result
    return result


def _caught(asked: Asked[list[MeasuredFoot]]) -> list[MeasuredFoot] | FootscanError:
    try:
        return asked.result()
    except FootscanError as error:
        return error


def measure_each(scans: Sequence[Shots]) -> Iterator[list[MeasuredFoot] | FootscanError]:
    """Yield per scan its measured feet, or what was wrong, in order and as they are done.

    Up to three scans are measured in threads, or in turn where all cores have work; more in two
    processes, so that one scan that takes the whole memory with it does not take the others.
    """
    if len(scans) > FEW_SCANS:
        yield from in_processes(scans)
        return
    if os.environ.get(ALONE):  # whoever set it keeps every core at work already
        yield from map(measured, scans)
        return
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:  # the heavy steps run outside the GIL
        yield from pool.map(measured, scans)


def pair_findings(feet: Sequence[MeasuredFoot]) -> tuple[Finding, ...]:
    """Return what a left and a right foot show of each other's scan; nothing for other feet."""
    by_side = {foot.foot.side: foot for foot in feet}
    if len(feet) != 2 or len(by_side) != 2:
        return ()
    return quality_pair.pair_findings(by_side[Side.LEFT], by_side[Side.RIGHT])


def with_hand(feet: Sequence[MeasuredFoot], file: Path) -> list[MeasuredFoot]:
    """Return the feet with the contradictions between scan and hand among their findings."""
    from insole.planning import by_hand as judged
    from insole.record import by_hand

    hand = by_hand.read(file)
    pairs = [(foot, hand.of(str(foot.foot.side))) for foot in feet]
    feet = [judged.held(foot, mine) for foot, mine in pairs]
    return [
        with_findings(foot, judged.findings(foot, mine))
        for foot, (_, mine) in zip(feet, pairs, strict=True)
    ]


def measure_feet(
    scans: Sequence[Shots], partner: Partner | None = None
) -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
    """Return the left and the right foot in `scans`; None for the one that is not there.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or two scans show the same foot.
    """
    return left_and_right(measure_all(scans, partner=partner))


def left_and_right(
    results: Sequence[list[MeasuredFoot] | FootscanError],
) -> tuple[MeasuredFoot | None, MeasuredFoot | None]:
    """Return the left and the right foot of what :func:`measure_all` gave.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or two scans show the same foot.
    """
    feet: list[MeasuredFoot] = []
    for result in results:
        if isinstance(result, FootscanError):
            raise result
        feet += result
    if not feet:
        raise ScanReadError("no scan was given; name one or two scan files")
    by_side: dict[Side, MeasuredFoot] = {}
    for foot in feet:
        twin = by_side.setdefault(foot.foot.side, foot)
        if twin is not foot:
            raise SideError(
                f"{twin.facts.file} and {foot.facts.file} both show the {foot.facts.side} foot; "
                "give one left and one right, or state the sides in their order"
            ).asking("side")
    return by_side.get(Side.LEFT), by_side.get(Side.RIGHT)


def single_feet(scans: Sequence[Shots]) -> list[MeasuredFoot]:
    """Return one foot per scan, in their order.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or shows two feet.
    """
    feet = []
    for shots, result in zip(scans, measure_all(scans), strict=True):
        if isinstance(result, FootscanError):
            raise result
        if len(result) != 1:
            raise ScanReadError(f"{shots.files[0].name} shows two feet; give one foot per file")
        feet += result
    return feet


def settle_feet(
    seated: Sequence[Shots],
    standing: Sequence[Shots],
    body_mass: float | None = None,
    own_limits: Path | None = None,
) -> list[tuple[Settling, Suggestion]]:
    """Return how each foot comes down from sitting to standing, left first, and where to begin.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or a foot lacks one of its two scans.
    """
    from footscan.checking.settling import settle
    from insole.planning.first_level import suggest
    from insole.record import limits

    bounds = limits.load(own_limits) if own_limits is not None else limits.default_limits()
    sitting, upright = measure_feet(seated), measure_feet(standing)
    found = []
    for side, a, b in zip(("left", "right"), sitting, upright, strict=True):
        if a is None and b is None:
            continue
        if a is None or b is None:
            raise ScanReadError(
                f"the {side} foot was scanned {'standing' if a is None else 'seated'} only; give "
                "both scans of it, or none"
            )
        settled = settle(a, b, body_mass)
        found.append((settled, suggest(settled, bounds)))
    return found
