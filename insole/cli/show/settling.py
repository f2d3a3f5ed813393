"""What is shown of feet seated against standing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from footscan.checking.settling import CHANGES, TELLS_SD, Settling, beside
from insole.record.least import LEAST, counts
from insole.record.questions import SHORT_CAUTION

if TYPE_CHECKING:
    from footscan.results import Measure
    from insole.planning.first_level import Suggestion

__all__ = ["settling", "settling_record"]

Settled = Sequence[tuple[Settling, "Suggestion"]]


def settling(feet: Settled) -> str:
    """Return changes under load of each foot, side against side, and where to begin."""
    rows = []
    for foot, first in feet:
        rows.append(f"{foot.side.upper()} foot: {foot.seated} seated, {foot.standing} standing")
        rows += [f"  {_change(words, foot.changes[name], way)}" for name, _, words, way in CHANGES]
        rows.append(f"  {_index(foot)}")
        rows.append(f"  arch height flexibility: {_value(foot.flexibility, 1)}")
        rows += [f"  {found.text} {found.advice}" for found in foot.findings]
        level = (
            "no first support level"
            if first.level is None
            else (f"first support level: {100 * first.level:.0f} % of the gap")
        )
        rows.append(f"  suggested, {level}; {first.reason}")
    rows += _sides(feet)
    rows.append(
        "± is one standard deviation of the scans alone; how a foot stands anew changes more: take "
        "each scan three times where it matters."
    )
    if feet:
        rows.append(f"A suggestion is {feet[0][1].limits}.")
    return "\n".join([*rows, SHORT_CAUTION])


def settling_record(feet: Settled) -> dict[str, Any]:
    """Return the same as plain data."""
    from dataclasses import asdict

    both = _pair(feet)
    return {
        "feet": [foot.as_record() | {"first_level": first.as_record()} for foot, first in feet],
        "sides": [asdict(one) for one in beside(*both)] if both else [],
        "caution": SHORT_CAUTION,
    }


def _change(words: str, change: Measure, way: float) -> str:
    if change.value is None:
        return f"{words}: not known, {change.reason}"
    sd = change.sd or 0.0
    if not counts(change.value, "length") or abs(change.value) <= TELLS_SD * sd:
        least = max(LEAST["length"], TELLS_SD * sd)
        return f"{words}: no change that can be told (± {least:.1f} mm)"
    more, less = ("longer", "shorter") if way > 0 else ("lower", "higher")
    return f"{words}: {abs(change.value):.1f} ± {sd:.1f} mm {more if change.value > 0 else less}"


def _index(foot: Settling) -> str:
    return (
        f"arch height index: {_value(foot.index_seated, 3)} seated, "
        f"{_value(foot.index_standing, 3)} standing (0.363 and 0.340, mean of 100 runners, Butler "
        "2008, value from memory)"
    )


def _value(measure: Measure, digits: int) -> str:
    if measure.value is None:
        return f"not known, {measure.reason}"
    unit = f" {measure.unit}" if measure.unit else ""
    return f"{measure.value:.{digits}f} ± {measure.sd or 0.0:.{digits}f}{unit}"


def _sides(feet: Settled) -> list[str]:
    """Return what changes more on one side."""
    both = _pair(feet)
    if both is None:
        return []
    words = {name: said for name, _, said, _ in CHANGES}
    told = [one for one in beside(*both) if one.told and counts(one.difference, "length")]
    if not told:
        return ["LEFT and RIGHT: no difference that can be told"]
    return [
        f"{'LEFT' if one.difference > 0 else 'RIGHT'} changes more at the {words[one.change]}: "
        f"{one.left:.1f} left, {one.right:.1f} mm right (± {one.sd:.1f} mm)"
        for one in told
    ]


def _pair(feet: Settled) -> tuple[Settling, Settling] | None:
    by_side = {foot.side: foot for foot, _ in feet}
    if set(by_side) != {"left", "right"}:
        return None
    return by_side["left"], by_side["right"]
