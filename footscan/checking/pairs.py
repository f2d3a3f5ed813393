"""A left foot against a right one, measure by measure.

    MeasuredFoot (left), MeasuredFoot (right) -> differences -> records with a sentence each
                                              -> cautions    -> why they may not be comparable

A difference counts when it is larger than two of its own standard deviations. Feet scanned in
different states differ for that alone: such differences are listed, and said not to be the feet's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from footscan.errors import SideError
from footscan.results import Measure, MeasuredFoot
from footscan.scan import Side

__all__ = ["EXCEEDS_SD", "Difference", "cautions", "differences", "with_unit"]

EXCEEDS_SD = 2.0  # standard deviations; about 95 % of chance differences stay below


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One measure of both feet.

    Attributes
    ----------
    measure : str
        Name as in the JSON contract.
    left, right : float or None
        Values, in `unit`; None where a foot has none.
    difference : float or None
        Left minus right; None unless both are there.
    sd : float or None
        Root of the sum of both variances, in `unit`.
    unit : str
        ``"mm"``, ``"deg"``, ``"%"`` or empty.
    exceeds : bool
        True when the difference is larger than two of its standard deviations.
    comparable : bool
        False when the feet were scanned in different states.
    sentence : str
        The same in words.
    """

    measure: str
    left: float | None
    right: float | None
    difference: float | None
    sd: float | None
    unit: str
    exceeds: bool
    comparable: bool
    sentence: str


def differences(left: MeasuredFoot, right: MeasuredFoot) -> list[Difference]:
    """Return every measure that either foot has, left against right.

    Raises
    ------
    footscan.errors.SideError
        The feet are not a left and a right one, in this order.
    """
    if left.foot.side is not Side.LEFT or right.foot.side is not Side.RIGHT:
        raise SideError(
            f"a pair is a left and a right foot, got {left.foot.side} and {right.foot.side}; "
            "check the scans or state the sides"
        )
    comparable = not cautions(left, right)
    names = list(dict.fromkeys([*left.measures, *right.measures]))
    nothing = Measure(reason="it was not measured")
    return [
        _difference(
            name, left.measures.get(name, nothing), right.measures.get(name, nothing), comparable
        )
        for name in names
    ]


def cautions(left: MeasuredFoot, right: MeasuredFoot) -> tuple[str, ...]:
    """Return why the two feet may differ for other reasons than their own; empty if none."""
    a, b = left.foot, right.foot
    found = []
    if a.load is not b.load:
        found.append(
            f"The left foot was scanned with load {a.load}, the right with {b.load}: lengths, "
            "breadths, girths and the arch differ for that alone; scan both alike."
        )
    if a.kind is not b.kind:
        found.append(
            f"The left scan is {_kind(a.kind)}, the right {_kind(b.kind)}: they do not show the "
            "same foot shape; scan both alike."
        )
    if a.axis_method != b.axis_method:
        found.append(
            f"The long axes were found in different ways (left {a.axis_method}, right "
            f"{b.axis_method}): lengths, breadths and angles may differ for that."
        )
    return tuple(found)


def with_unit(value: float, unit: str, *, sign: bool = False) -> str:
    """Return a value in words: a decimal for mm, degrees and percent, else three."""
    digits = 1 if unit in ("mm", "deg", "%") else 3
    tail = {"deg": "°", "": ""}.get(unit, f" {unit}")
    return f"{value:{'+' if sign else ''}.{digits}f}{tail}"


def _difference(name: str, left: Measure, right: Measure, comparable: bool) -> Difference:
    """Return one record."""
    words, unit = name.replace("_", " "), left.unit if left.value is not None else right.unit
    if left.value is None or right.value is None or left.unit != right.unit:
        missing = "left" if left.value is None else "right"
        reason = (left if left.value is None else right).reason or "the units differ"
        return Difference(
            measure=name,
            left=left.value,
            right=right.value,
            difference=None,
            sd=None,
            unit=unit,
            exceeds=False,
            comparable=False,
            sentence=f"{words}: not compared; {missing} foot: {reason}",
        )
    gap = left.value - right.value
    sd = float(np.hypot(left.sd or 0.0, right.sd or 0.0))
    exceeds = abs(gap) > EXCEEDS_SD * sd
    band = with_unit(EXCEEDS_SD * sd, unit)
    if exceeds:
        larger = "left" if gap > 0 else "right"
        sentence = f"{words}: {larger} larger by {with_unit(abs(gap), unit)} (beyond ± {band})"
    else:
        sentence = f"{words}: no difference beyond ± {band}"
    if not comparable:
        sentence += "; the feet were not scanned alike"
    return Difference(
        measure=name,
        left=left.value,
        right=right.value,
        difference=gap,
        sd=sd,
        unit=unit,
        exceeds=exceeds,
        comparable=comparable,
        sentence=sentence,
    )


def _kind(kind: object) -> str:
    words = {
        "standing": "of a standing foot",
        "hanging": "of a foot in the air",
        "sole": "of the sole only",
        "impression": "of an impression",
    }
    return words[str(kind)]
