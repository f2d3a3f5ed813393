"""Which shoe fits: clearances at each station, left and right apart, ranked with reasons.

    Fitted (left, right) + shoes + Limits -> rank -> FitResult, best first

Room at a station is what the shoe has less what the foot needs there, mm; + is free room.
Snug everywhere and tight nowhere is the aim. The longer foot decides the length: on the shorter
one a loose length is said but not counted.

Order: first what is known to fit; then shoes that are right in length and ball width but of which
some other line is bad or not known; then those that are wrong in length or ball width. Within
each: the score, mm, lower is better: over both feet and all stations, the room outside its band,
what is too tight counted three times, since a tight shoe cannot be helped by a pad. A line that
the shoe file does not hold counts as much as the worst of its kind may (``fit.unknown_counts``):
what is not known never wins, and leaving a true line out never betters a place. Shoes of one
score share a place; among them stands first what has the fewest bad lines, then what lies nearest
to the middle of its bands.

The heel is compared at one height above the bed, the shoe's own or ``fit.heel_height``: the
foot's largest breadth lies higher, where the counter leans in over it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from footscan.measuring.measures import load_state
from footscan.scan import Load, Side
from insole.errors import PlanError
from insole.planning.fit_stations import COVERAGE, Fitted, FootFit, StationFit, foot_fit, length_fit
from insole.record.limits import Limits
from insole.shoe.shoe import Shoe

__all__ = ["FitResult", "none_fits", "rank"]

TIGHT_WEIGHT = 3.0

SPARE = frozenset({"heel width", "ball girth", "instep height", "thickness at the ball"})
# ^ lines that a shoe file may lack; length and ball width it must hold


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitResult:
    """One shoe, judged.

    Attributes
    ----------
    shoe : Shoe
        The shoe.
    place : int
        1 is the best; shoes of one score share it.
    left, right : FootFit or None
        The feet apart.
    fits : bool
        No known station is tight on either foot, and the length is known to be snug.
    known : bool
        The shoe file holds every line that these feet can be compared with.
    score : float
        mm outside the bands; see the module's text.
    reasons : tuple of str
        Why it stands where it stands.
    """

    shoe: Shoe
    place: int
    left: FootFit | None
    right: FootFit | None
    fits: bool
    known: bool
    score: float
    reasons: tuple[str, ...]

    @property
    def close(self) -> bool:
        """Whether rough figures speak against it, by less than they can tell."""
        against = [s for foot in self.feet for s in _against(foot)]
        return self.shoe.rough and not self.fits and all(s.close for s in against)

    @property
    def verdict(self) -> str:
        """The judgement in a few words."""
        if not self.fits:
            return "a close call, try it on" if self.close else "does not fit"
        return "fits" if self.known else "may fit, not all is known"

    @property
    def feet(self) -> tuple[FootFit, ...]:
        """The judged feet, left first."""
        return tuple(f for f in (self.left, self.right) if f is not None)


def rank(
    left: Fitted | None,
    right: Fitted | None,
    shoes: Sequence[Shoe],
    limits: Limits,
) -> list[FitResult]:
    """Return the shoes in order of fit, best first.

    Parameters
    ----------
    left, right : Fitted or None
        At least one.
    shoes : sequence of Shoe
        At least one.
    limits : Limits
        Bands of the rooms (``fit.*``), base and cover thickness.

    Raises
    ------
    insole.errors.PlanError
        No foot, no shoe, or a foot whose length is not known.
    """
    feet = {Side.LEFT: left, Side.RIGHT: right}
    lengths = {side: length_fit(foot, limits)[0] for side, foot in feet.items() if foot is not None}
    if not lengths or not shoes:
        raise PlanError("a fit needs at least one scanned foot and one shoe file")
    longest = max(lengths.values())
    judged = []
    for shoe in shoes:
        fits = {
            side: foot_fit(foot, side, shoe, limits, lengths[side] >= longest)
            for side, foot in feet.items()
            if foot is not None
        }
        judged.append((_key(fits, limits), shoe, fits))
    # sort is stable: shoes that tie keep the order in which they were given
    judged.sort(key=lambda item: item[0])
    keys = [key[:3] for key, _, _ in judged]
    return [
        FitResult(
            shoe=shoe,
            place=1 + sum(other < key[:3] for other in keys),
            left=fits.get(Side.LEFT),
            right=fits.get(Side.RIGHT),
            fits=_fits(fits),
            known=not any(s.missing for foot in fits.values() for s in foot.stations),
            score=round(key[2], 2),
            reasons=_reasons(fits, lengths, feet, shoe, limits),
        )
        for key, shoe, fits in judged
    ]


def none_fits(ranked: Sequence[FitResult]) -> str:
    """Return a sentence when none of the shoes fits, with what is nearest; else nothing."""
    if any(result.fits for result in ranked):
        return ""
    first = ranked[0]
    worst = [
        f"{side.value} {s.station} {s.room:+.0f} mm, wanted {s.least:g} to {s.most:g}"
        for side, foot in ((f.side, f) for f in first.feet)
        for s in _against(foot)
        if s.room is not None
    ]
    lead = f"none of these {'surely ' if any(r.close for r in ranked) else ''}fits"
    return f"{lead}; the nearest is {first.shoe.name} ({'; '.join(worst)})"


def _counts(foot: FootFit, station: StationFit) -> bool:
    """Return whether a station weighs: a loose length of the shorter foot does not."""
    shorter = station.station == "length" and not foot.decides_length and station.word == "loose"
    return station.room is not None and not shorter


def _key(fits: dict[Side, FootFit], limits: Limits) -> tuple[bool, bool, float, int, float]:
    """Return what shoes are sorted by; the first three make the place.

    Wrong in length or ball width; another line bad or missing; mm outside the bands; then the
    number of bad lines and the distance from the bands' middles. Leaving a line out never makes
    one of the first three smaller, and a larger error neither.
    """
    cap = limits.value("fit.unknown_counts")
    wrong, doubtful, outside, bad, off_middle = False, False, 0.0, 0, 0.0
    for foot in fits.values():
        for s in foot.stations:
            if s.missing:
                doubtful, outside = True, outside + cap
                off_middle += cap
            if s.room is None or not _counts(foot, s):
                continue
            short, over = max(0.0, s.least - s.room), max(0.0, s.room - s.most)
            cost = TIGHT_WEIGHT * short + over
            spare = s.station in SPARE
            outside += min(cost, cap) if spare else cost
            tight = s.word == "tight"
            wrong |= not spare and (tight or (s.station == "length" and s.word != "snug"))
            doubtful |= spare and tight
            bad += tight
            if math.isfinite(s.most):
                off_middle += abs(s.room - (s.least + s.most) / 2)
    return wrong, doubtful, round(outside, 6), bad, off_middle


def _fits(fits: dict[Side, FootFit]) -> bool:
    return not any(_against(foot) for foot in fits.values())


def _against(foot: FootFit) -> list[StationFit]:
    """Return the stations that speak against a shoe on one foot."""
    return [
        s
        for s in foot.stations
        if s.word == "tight" or (s.station == "length" and foot.decides_length and s.word != "snug")
    ]


def _reasons(
    fits: dict[Side, FootFit],
    lengths: dict[Side, float],
    feet: dict[Side, Fitted | None],
    shoe: Shoe,
    limits: Limits,
) -> tuple[str, ...]:
    """Return why a shoe stands where it stands, worst first."""
    lines = [_length_words(lengths)]
    if shoe.rough:
        lines.append(
            f"rough figures of the shoe: ± {COVERAGE * limits.value('fit.rough_sd'):.0f} mm; "
            "measure length, ball and heel inside before you buy or make"
        )
    head = len(lines)
    for word in ("tight", "loose"):
        for side, foot in fits.items():
            for s in foot.stations:
                if s.word == word:
                    counted = "" if _counts(foot, s) else "; the longer foot decides, not counted"
                    lines.append(f"{side.value}: {s.text}{counted}")
    if len(lines) == head:
        lines.append("snug at every station that is known")
    missing = dict.fromkeys(s.station for foot in fits.values() for s in foot.stations if s.missing)
    if missing:
        lines.append(
            f"not known: the shoe file lacks {', '.join(map(_line, missing))}; counted as bad as "
            "such a line can be, so that not knowing does not win: measure it"
        )
    for side, foot in fits.items():
        decides = [s for s in foot.stations if s.station != "length" or foot.decides_length]
        if close := [s.station for s in decides if s.close and s.word == "snug"]:
            lines.append(f"{side.value}: close call at {', '.join(close)}; try it on")
        if unknown := [s.station for s in foot.stations if s.word == "not known" and not s.missing]:
            lines.append(f"{side.value}: not known: {', '.join(unknown)}")
        lines += _load_words(side, feet[side]) + _outline_words(side, feet[side])
        lines += _drop_words(side, feet[side], shoe, limits)
    return tuple(lines)


def _line(station: str) -> str:
    """Return what a shoe file holds for a station, in words."""
    return "the stock insole's thickness at the ball" if station.startswith("thick") else station


def _length_words(lengths: dict[Side, float]) -> str:
    if len(lengths) == 1:
        side, length = next(iter(lengths.items()))
        return f"only the {side.value} foot was measured ({length:.1f} mm); the other may be longer"
    left, right = lengths[Side.LEFT], lengths[Side.RIGHT]
    if abs(left - right) < 0.05:
        return f"both feet are {left:.1f} mm long"
    longer = Side.LEFT if left > right else Side.RIGHT
    return (
        f"the {longer.value} foot is longer ({lengths[longer]:.1f} mm against "
        f"{lengths[longer.other]:.1f} mm) and decides the length"
    )


def _drop_words(side: Side, foot: Fitted | None, shoe: Shoe, limits: Limits) -> list[str]:
    """Return what a bed flatter than the foot's own drop asks to say; it is not counted."""
    found = foot.measures.get("sole_drop") if foot is not None else None
    if found is None or found.value is None:
        return []
    missing = found.value - shoe.drop
    if missing <= limits.value("fit.drop_missing"):
        return []
    return [
        f"{side.value}: the heel hangs {found.value:.1f} ± {COVERAGE * (found.sd or 0.0):.1f} mm "
        f"higher than the ball, and this bed drops by {shoe.drop:g} mm: a flat bed for this foot; "
        "look for a shoe with more drop, or watch the heel in the try-on"
    ]


def _outline_words(side: Side, foot: Fitted | None) -> list[str]:
    if foot is None or foot.foot is not None:
        return []
    return [
        f"{side.value}: from an outline on paper: lengths and breadths only; try the shoe on, and "
        "scan the foot before parts are made"
    ]


def _load_words(side: Side, foot: Fitted | None) -> list[str]:
    load = load_state(foot.facts.load, foot.facts.kind) if foot is not None else None
    if load is Load.NONE:
        return [
            f"{side.value}: scanned unloaded; its length was taken to half load, its breadths "
            "were not and will spread"
        ]
    if load is Load.UNKNOWN:
        return [f"{side.value}: load while scanning not known; a loaded foot is longer and wider"]
    return []
