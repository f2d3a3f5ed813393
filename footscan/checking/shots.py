"""Several separate scans of one foot, each in its own frame, taken together.

    MeasuredFoot, MeasuredFoot, ... (same side) -> combined -> mean, spread, odd shots

The spread holds what changes between shots: how the foot stood, the scanner's noise, how the
foot was found. What all shots share (the scanner's scale, how a landmark is defined) it does not
hold, so the deviation of the mean is that of repeating only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from footscan.checking.pairs import with_unit
from footscan.errors import ScanReadError, SideError
from footscan.results import MeasuredFoot
from footscan.scan import Side

__all__ = ["Combined", "Odd", "Spread", "combined"]

ODD_SD = 3.0  # stated standard deviations of the measure
ODD_MM = 2.0  # what matters on a foot: the limit of ISO 20685-1 for feet (secondary source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """One measure over all shots that have it.

    Attributes
    ----------
    mean : float or None
        None where no shot has it; `reason` then says why.
    sd : float or None
        Sample standard deviation between shots (n - 1); None for a single one.
    sd_mean : float or None
        ``sd / sqrt(n)``: standard deviation of the mean.
    n : int
        Number of shots that have it.
    """

    mean: float | None
    sd: float | None
    sd_mean: float | None
    n: int
    unit: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Odd:
    """A shot that stands out in one measure: the median of all is beside it."""

    file: str
    measure: str
    value: float
    median: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Combined:
    """Shots of one foot taken together.

    Attributes
    ----------
    side : Side
        Which foot.
    files : tuple of str
        The shots, as given.
    measures : mapping of str to Spread
        By name of the measure; every shot counts, odd ones too.
    odd : tuple of Odd
        Shots that stand out; named, never left out.
    notes : tuple of str
        What must be said beside the figures.
    """

    side: Side
    files: tuple[str, ...]
    measures: Mapping[str, Spread]
    odd: tuple[Odd, ...]
    notes: tuple[str, ...]


def combined(feet: Sequence[MeasuredFoot]) -> Combined:
    """Return mean and spread of the measures of one foot over several scans of it.

    Raises
    ------
    footscan.errors.ScanReadError
        Fewer than two scans, or one scan given twice.
    footscan.errors.SideError
        The scans show a left and a right foot.
    """
    if len(feet) < 2:
        raise ScanReadError("repeated scans want at least two scans of one foot; give another")
    sides = {foot.foot.side for foot in feet}
    if len(sides) > 1:
        left = next(foot for foot in feet if foot.foot.side is Side.LEFT)
        right = next(foot for foot in feet if foot.foot.side is Side.RIGHT)
        raise SideError(
            f"{left.facts.file} shows a left and {right.facts.file} a right foot; repeated scans "
            "want one foot, so give the sides apart or state them"
        ).asking("side")
    for one, other in pairwise(sorted(feet, key=lambda foot: foot.facts.sha256)):
        if one.facts.sha256 and one.facts.sha256 == other.facts.sha256:
            raise ScanReadError(
                f"{one.facts.file} and {other.facts.file} are the same scan; give each shot once"
            )
    names = list(dict.fromkeys(name for foot in feet for name in foot.measures))
    return Combined(
        side=feet[0].foot.side,
        files=tuple(foot.facts.file for foot in feet),
        measures={name: _spread(name, feet) for name in names},
        odd=tuple(odd for name in names for odd in _odd(name, feet)),
        notes=_notes(feet),
    )


def _spread(name: str, feet: Sequence[MeasuredFoot]) -> Spread:
    found = [foot.measures[name] for foot in feet if name in foot.measures]
    values = [m.value for m in found if m.value is not None]
    if not values:
        return Spread(
            mean=None, sd=None, sd_mean=None, n=0, unit=found[0].unit, reason=found[0].reason
        )
    n, unit = len(values), next(m.unit for m in found if m.value is not None)
    sd = float(np.std(values, ddof=1)) if n > 1 else None
    return Spread(
        mean=float(np.mean(values)),
        sd=sd,
        sd_mean=None if sd is None else sd / float(np.sqrt(n)),
        n=n,
        unit=unit,
    )


def _odd(name: str, feet: Sequence[MeasuredFoot]) -> list[Odd]:
    """Return the shots far from the median; between two nobody can tell which is the odd one."""
    having = [foot for foot in feet if name in foot.measures]
    shots = [foot for foot in having if foot.measures[name].value is not None]
    if len(shots) < 3:
        return []
    values = np.array([foot.measures[name].value for foot in shots], dtype=float)
    median = float(np.median(values))
    found = []
    for foot, value in zip(shots, values, strict=True):
        measure = foot.measures[name]
        off = abs(value - median)
        if off <= ODD_SD * (measure.sd or 0.0) or (measure.unit == "mm" and off <= ODD_MM):
            continue
        words = (
            f"{foot.facts.file} stands out: {name.replace('_', ' ')} "
            f"{with_unit(value, measure.unit)} against a median of "
            f"{with_unit(median, measure.unit)}; look at that scan, and leave it out or take it "
            "again"
        )
        found.append(
            Odd(
                file=foot.facts.file,
                measure=name,
                value=float(value),
                median=median,
                sentence=words,
            )
        )
    return found


def _notes(feet: Sequence[MeasuredFoot]) -> tuple[str, ...]:
    notes = []
    if len(feet) == 2:
        notes.append("A spread of two shots is rough, and neither can be called odd: take a third.")
    for what, words in (
        ("load", "load states"),
        ("kind", "kinds of scan"),
        ("axis_method", "ways to find the long axis"),
    ):
        found = sorted({str(getattr(foot.foot, what)) for foot in feet})
        if len(found) > 1:
            notes.append(
                f"The shots differ in their {words} ({', '.join(found)}): the spread holds that "
                "as well."
            )
    return tuple(notes)
