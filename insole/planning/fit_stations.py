"""How a foot lies in a shoe, station by station."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

import numpy as np

from footscan.foot import Foot
from footscan.measuring.measures import load_state
from footscan.measuring.sizes import half_load_length
from footscan.results import Measure, ScanFacts
from footscan.scan import Side
from insole.errors import PlanError
from insole.record.limits import Limits
from insole.shoe.shoe import Shoe

__all__ = ["COVERAGE", "Fitted", "FootFit", "StationFit", "Word", "foot_fit", "heel_breadth_at"]

COVERAGE = 1.96  # 95 % of a normal spread

SHOE_SD_MM = 0.8  # reading a calliper or rule inside a shoe; common practice, no source
HEEL_STRIP_MM = 6.0  # along the foot: a border of points up to so far apart is seen in each strip
HEEL_LEAST_MM = 25.0  # narrower is one border alone, not a heel
Word = Literal["snug", "tight", "loose", "not known"]
# station, measure of the foot, field of the shoe, prefix of its limits


class Station(NamedTuple):
    """A line across shoe and foot: its name, the foot's measure, the shoe's, and its limits."""

    name: str
    measure: str
    inside: str
    key: str


STATIONS = (
    Station("length", "foot_length", "inside_length", "fit.toe_room"),
    Station("ball width", "foot_breadth", "ball_width", "fit.ball_room"),
    Station("heel width", "heel_breadth_max", "heel_width", "fit.heel_room"),
    Station("ball girth", "ball_girth", "ball_girth", "fit.girth_room"),
    Station("instep height", "instep_height", "instep_height", "fit.instep_room"),
)


class Fitted(Protocol):
    """What a fit needs of a foot; a measured scan has it, and so has a traced outline."""

    @property
    def facts(self) -> ScanFacts:
        """Where the foot's figures come from."""

    @property
    def foot(self) -> Foot | None:
        """Its surface; None where only an outline is known."""

    @property
    def measures(self) -> Mapping[str, Measure]:
        """Its measures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationFit:
    """Room at one station of one foot.

    Attributes
    ----------
    station : str
        ``length``, ``ball width``, ``heel width``, ``ball girth``, ``instep height`` or
        ``thickness at the ball``.
    room : float or None
        mm, + is free; None when the foot's or the shoe's measure is not known.
    sd : float or None
        Standard deviation of the room, mm.
    least, most : float
        Band of a snug fit, mm.
    word : str
        ``snug``, ``tight``, ``loose`` or ``not known``.
    close : bool
        True when the 95 % band of the room reaches into another word.
    text : str
        The sentence for people.
    missing : bool
        True when it is the shoe's line that is not known.
    """

    station: str
    room: float | None
    sd: float | None
    least: float
    most: float
    word: Word
    close: bool
    text: str
    missing: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FootFit:
    """One foot in one shoe."""

    side: Side
    stations: tuple[StationFit, ...]
    decides_length: bool

    def words(self, word: Word) -> tuple[str, ...]:
        """Return the stations with that verdict."""
        return tuple(s.station for s in self.stations if s.word == word)


def length_fit(foot: Fitted, limits: Limits) -> tuple[float, float]:
    """Return foot length in the half-load state and its sd, mm."""
    measure = foot.measures.get("foot_length")
    if measure is None or measure.value is None:
        reason = measure.reason if measure else "it was not measured"
        raise PlanError(f"the foot length is not known, so no shoe can be judged: {reason}")
    share = limits.value("fit.growth_unloaded")
    length, spread = half_load_length(
        measure.value, load_state(foot.facts.load, foot.facts.kind), share
    )
    return length, math.hypot(measure.sd or 0.0, spread)


def foot_fit(foot: Fitted, side: Side, shoe: Shoe, limits: Limits, decides: bool) -> FootFit:
    """Return how one foot lies in a shoe; `decides` says whether it is the one that counts."""
    stations = [_station(foot, shoe, limits, line) for line in STATIONS]
    stations.append(_thickness(shoe, limits))
    return FootFit(side=side, stations=tuple(stations), decides_length=decides)


def _station(foot: Fitted, shoe: Shoe, limits: Limits, line: Station) -> StationFit:
    """Return the room at one station: shoe less foot, less what lies between."""
    least, most = limits.value(f"{line.key}_least"), limits.value(f"{line.key}_most")
    inside, station = getattr(shoe, line.inside), line.name
    found = foot.measures.get(line.measure)
    if found is None or found.value is None:
        reason = found.reason if found and found.reason else "this scan does not show it"
        return _unknown(station, least, most, reason)
    if inside is None:
        return _unknown(station, least, most, f"{shoe.name} gives no {station}", missing=True)
    value, sd = found.value, found.sd or 0.0
    between, detail = 0.0, ""
    shoe_sd = limits.value("fit.rough_sd") if shoe.rough else SHOE_SD_MM
    if station == "length":
        value, sd = length_fit(foot, limits)
        between = limits.value("seating.heel_clearance")
        detail = f" ahead of the toes, the heel {between:g} mm from the back"
    elif station == "heel width":
        at = limits.value("fit.heel_height") if shoe.heel_width_at is None else shoe.heel_width_at
        value, sd = heel_breadth_at(foot, at, limits)
        give = limits.value("fit.counter_give")
        least -= give
        detail = f" at {at:g} mm above the bed, the counter gives {give:g} mm"
    elif station == "instep height":
        between = limits.value("base.thickness") + limits.value("thickness.cover")
        if not shoe.insole.kept:
            between -= shoe.insole.thickness.get("arch", 0.0)
        detail = " under the closure, base and cover in place of the insole taken out"
    room = inside - value - between
    return _judged(station, room, math.hypot(sd, shoe_sd), (least, most), detail)


def heel_breadth_at(foot: Fitted, height: float, limits: Limits) -> tuple[float, float]:
    """Return the breadth of the heel at a height above the ground, and its sd, mm.

    Across the surface's section at that height, the largest from 10 to 25 % of the length. Where
    the scan shows no such section: a share of the largest breadth.

    Raises
    ------
    insole.errors.PlanError
        The scan shows no heel at all.
    """
    largest = foot.measures.get("heel_breadth_max")
    if largest is None or largest.value is None:
        raise PlanError("the heel's breadth is not known; scan the heel again")
    breadth = _section_breadth(foot.foot, height) if foot.foot is not None else None
    if breadth is not None:
        return min(breadth, largest.value), math.hypot(largest.sd or 0.0, 0.5)
    share = limits.value("fit.heel_share")
    return share * largest.value, math.hypot(largest.sd or 0.0, 0.03 * largest.value)


def _section_breadth(foot: Foot, height: float) -> float | None:
    """Return the largest breadth of the heel's section at a height, mm; None without a section.

    Of each strip across, the middle of three neighbours counts: a lone spike does not.
    """
    edges = foot.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    start, stop = foot.vertices[edges[:, 0]], foot.vertices[edges[:, 1]]
    over = (start[:, 2] > height) != (stop[:, 2] > height)
    start, stop = start[over], stop[over]
    share = ((height - start[:, 2]) / (stop[:, 2] - start[:, 2]))[:, None]
    cut = start + share * (stop - start)
    strips = np.arange(0.10, 0.25, HEEL_STRIP_MM / foot.length) * foot.length
    found = []
    for at in strips:
        y = cut[(cut[:, 0] >= at) & (cut[:, 0] < at + HEEL_STRIP_MM), 1]
        if y.size and y.max() - y.min() > HEEL_LEAST_MM:  # both borders are in the strip
            found.append(float(y.max() - y.min()))
    if len(found) < 3:
        return None
    return max(sorted(found[k : k + 3])[1] for k in range(len(found) - 2))


def _thickness(shoe: Shoe, limits: Limits) -> StationFit:
    """Return the thickness left at the ball once base and cover replace the stock insole."""
    least, most = -limits.value("thickness.ball_warn"), math.inf
    station = "thickness at the ball"
    if shoe.insole.kept:
        room = -limits.value("base.thickness") - limits.value("thickness.cover")
        detail = " with base and cover on top of the insole kept"
    elif "ball" in shoe.insole.thickness:
        room = shoe.insole.thickness["ball"]
        room -= limits.value("base.thickness") + limits.value("thickness.cover")
        detail = " for a shim, once base and cover replace the insole taken out"
    else:
        reason = f"{shoe.name} gives no insole thickness at the ball"
        return _unknown(station, least, most, reason, missing=True)
    return _judged(station, room, 0.2, (least, most), detail)


def _judged(
    station: str, room: float, sd: float, wanted: tuple[float, float], detail: str
) -> StationFit:
    least, most = wanted
    word: Word = "tight" if room < least - 1e-9 else "loose" if room > most + 1e-9 else "snug"
    reach = COVERAGE * sd
    close = min(abs(room - least), abs(room - most)) < reach
    band = f"{least:g} to {most:g} mm" if math.isfinite(most) else f"{least:g} mm or more"
    text = f"{station} {word}: {room:+.1f} ± {reach:.1f} mm{detail} (wanted {band})"
    if close:
        text += "; a close call, try it on"
    return StationFit(
        station=station,
        room=round(room, 2),
        sd=round(sd, 2),
        least=least,
        most=most,
        word=word,
        close=close,
        text=text,
    )


def _unknown(
    station: str, least: float, most: float, reason: str, *, missing: bool = False
) -> StationFit:
    return StationFit(
        station=station,
        room=None,
        sd=None,
        least=least,
        most=most,
        word="not known",
        close=False,
        text=f"{station} not known: {reason}",
        missing=missing,
    )
