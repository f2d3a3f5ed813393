"""A first support level from how a foot comes down: a suggestion with its reason and limits.

    Settling -> suggest -> Suggestion

Common practice, no source: nobody has shown that a level chosen so is better. It says where to
begin the trials, never that a foot is ill or well.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from footscan.checking.settling import TELLS_SD, Settling
from insole.record.limits import Limits

__all__ = ["LIMITS_OF_IT", "Suggestion", "suggest"]

MUCH, LITTLE = 1.5, 0.5  # times the runners' mean drop; common practice, no source
LIMITS_OF_IT = (
    "a place to begin the trials, from one pair of scans at rest: what the rider feels decides; "
    "says nothing about health; foot pain calls for clinical advice"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A first support level, share of the gap, or None where the scans give no ground for one."""

    level: float | None
    reason: str
    limits: str = LIMITS_OF_IT

    def as_record(self) -> dict[str, Any]:
        """Return plain data."""
        return asdict(self)


def suggest(foot: Settling, limits: Limits) -> Suggestion:
    """Return where to begin: the usual first level, or one step below.

    A foot that comes down far keeps coming down onto its support when more than half the weight
    is on it, so it begins one step lower. One that hardly comes down begins at the usual level:
    the support does not follow it, and a higher one is a matter of trials.
    """
    usual, step = limits.value("support.first_trial"), limits.value("support.step")
    drop = foot.changes["arch_drop"]
    if foot.contradicted:
        return Suggestion(level=None, reason="the scans contradict each other; see above")
    if drop.value is None or foot.usual_drop is None:
        why = drop.reason or "the length to the first head is not known"
        return Suggestion(level=None, reason=f"the arch drop is not known: {why}")
    mean, band = foot.usual_drop, TELLS_SD * (drop.sd or 0.0)
    down = f"it comes down {drop.value:.1f} ± {drop.sd or 0.0:.1f} mm"
    if abs(drop.value) <= band:
        down = f"no drop can be told (± {band:.1f} mm)"
    said = f"{down}, the mean of runners is {mean:.1f} mm for its length"
    if drop.value - band > MUCH * mean:
        lower = max(usual - step, limits.value("support.least"))
        return Suggestion(
            level=lower, reason=f"{said}: more than {MUCH:g} times that, so a step below the usual"
        )
    if drop.value + band < LITTLE * mean:
        return Suggestion(
            level=usual,
            reason=f"{said}: it hardly comes down, so the usual level; higher by trials only",
        )
    return Suggestion(
        level=usual, reason=f"{said}: not told as much more or less, so the usual level"
    )
