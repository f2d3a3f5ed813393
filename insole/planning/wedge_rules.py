"""What a wedge may be: limits, signed overrides, bolts, sums."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from insole.errors import PlanError, RefusedError
from insole.planning.cleat import bolts
from insole.record.limits import Limits, default_limits
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import Note, NoteLevel, Override
from insole.shoe.shoe import Shoe

__all__ = [
    "KEYS",
    "SCREWS_MM",
    "TOLERANCE",
    "Judge",
    "Net",
    "WedgeResult",
    "WedgeWish",
    "bolt_name",
    "check_pair",
    "rise",
    "sum_notes",
    "tilt",
]

TOLERANCE = 1e-9  # so that a value equal to its limit passes
KEYS = {WedgePlace.FOREFOOT: "forefoot", WedgePlace.HEEL: "heel", WedgePlace.UNDER: "under"}

# lengths of short machine screws, mm: ISO 888, value from memory
SCREWS_MM = (6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 25.0, 30.0, 35.0)


def check_pair(
    left: WedgeResult, right: WedgeResult, limits: Limits | None = None
) -> tuple[Note, ...]:
    """Return a warning for each place where left and right differ by more than the limit."""
    limits = default_limits() if limits is None else limits
    most = limits.value("wedge.side_difference")
    notes = []
    for place in WedgePlace:
        apart = abs(left.net(place) - right.net(place))
        if apart > most + TOLERANCE:
            text = (
                f"{place.value}: left {tilt(left.net(place))} and right "
                f"{tilt(right.net(place))} differ by {apart:g}°, more than {most:g}°; check "
                "both wishes"
            )
            code = f"wedge-sides-{KEYS[place]}"
            notes.append(Note(code=code, level=NoteLevel.WARN, text=text))
    return tuple(notes)


def sum_notes(made: Mapping[WedgePlace, float], shoe: Shoe | None) -> tuple[float, float]:
    """Return all cants together at the ball and at the heel, degrees."""
    under = made.get(WedgePlace.UNDER, 0.0)
    total = []
    for place in (WedgePlace.FOREFOOT, WedgePlace.HEEL):
        kept = shoe.cant_kept(place) if shoe else 0.0
        total.append(round(kept + made.get(place, 0.0) + under, 9))
    return total[0], total[1]


def tilt(angle: float) -> str:
    """Return an angle in words: 2° varus, 1.5° valgus, 0°."""
    if abs(angle) < 5e-3:  # nobody grinds less
        return "0°"
    return f"{abs(angle):g}° {'varus' if angle > 0 else 'valgus'}"


class Cap(NamedTuple):
    """Names of the limits above which something is warned of and refused, and their unit."""

    warn: str
    refuse: str
    unit: str


class Judge:
    """Holds limits and overrides and collects the notes of one foot."""

    def __init__(self, limits: Limits, overrides: Sequence[Override], foot: str = "") -> None:
        self.foot = foot
        self._limits = limits
        self._overrides = overrides
        self.notes: list[Note] = []

    def place(self, wedge: WedgePlan) -> None:
        """Hold one wedge against the limits of its place."""
        key = KEYS[wedge.place]
        what = f"the wedge {wedge.place.value}"
        up = rise(wedge.width, wedge.net)
        offers = self._offers(wedge)
        degrees = Cap(f"wedge.{key}.warn_deg", f"wedge.{key}.refuse_deg", "°")
        self._cap(what, abs(wedge.net), degrees, offers)
        if f"wedge.{key}.warn_mm" in self._limits:
            risen = Cap(f"wedge.{key}.warn_mm", f"wedge.{key}.refuse_mm", " mm of rise")
            self._cap(f"{what}, across {wedge.width:.1f} mm,", up, risen, offers)

    def _offers(self, wedge: WedgePlan) -> str:
        """Return what is possible in place of a wedge that its place does not take."""
        key, step = KEYS[wedge.place], self._limits.value("wedge.step")
        most = self._limits.value(f"wedge.{key}.refuse_deg")
        if f"wedge.{key}.refuse_mm" in self._limits:
            up = self._limits.value(f"wedge.{key}.refuse_mm")
            most = min(most, math.degrees(math.atan2(up, wedge.width)))
        made = math.copysign(math.floor(most / step + TOLERANCE) * step, wedge.net)
        ways = [f"a shim of {tilt(made)} (wish {tilt(wedge.cant_kept + made)})"] if made else []
        if wedge.place is WedgePlace.FOREFOOT:
            ways.append("a part of it under the shoe")
        elif wedge.place is WedgePlace.UNDER:
            ways.append("a part of it inside the forefoot")
        return "; ".join(ways)

    def sums(self, made: Mapping[WedgePlace, float], ball: float, heel: float) -> None:
        """Hold sums, twist and the first trial against their limits."""
        if WedgePlace.FOREFOOT in made or WedgePlace.UNDER in made:
            what = "the sum of all cants at the ball"
            self._cap(what, abs(ball), Cap("wedge.sum_warn", "wedge.sum_refuse", "°"))
        twist = self._limits.value("wedge.twist")
        if abs(ball - heel) > twist + TOLERANCE:
            self._warn(
                "wedge-twist",
                f"heel ({tilt(heel)}) and forefoot ({tilt(ball)}) differ by "
                f"{abs(ball - heel):g}°, more than {twist:g}°: the foot is twisted by as much",
                f"heel and forefoot differ by {abs(ball - heel):g}°: the foot is twisted",
            )
        total, first = sum(abs(a) for a in made.values()), self._limits.value("wedge.first_trial")
        if total > first + TOLERANCE:
            self._warn(
                "wedge-first-trial",
                f"{total:g}° of wedge on this foot counted over all places; a first trial takes "
                f"at most {first:g}°, then one step after each review",
                f"{total:g}° in all: much for a first trial",
            )

    def cautions(
        self,
        wedges: Sequence[WedgePlan],
        nets: Mapping[WedgePlace, Net],
        shoe: Shoe | None,
        landmark_sd: Mapping[str, float],
    ) -> None:
        """Add what must be said with the wedges that are made."""
        if shoe is None:
            self._warn(
                "wedge-no-shoe",
                "no shoe file: the shoe's own cant is unknown and the wish is made in full; "
                "measure the shoe first if it may be canted",
                "shoe's own cant not known: measure it first",
            )
        for wedge in wedges:
            if shoe is not None and not shoe.cant_known(wedge.place):
                self._warn(
                    f"wedge-cant-unknown-{KEYS[wedge.place]}",
                    f"the shoe's own tilt {wedge.place.value} is not in its file and the wish is "
                    "made in full; measure it first: some stiff shoes are built canted",
                    f"shoe's own tilt {wedge.place.value} not known: measure it first",
                )
            if wedge.net * wedge.cant_kept < 0:
                self._say(
                    f"wedge-undoes-{KEYS[wedge.place]}",
                    f"the shim {wedge.place.value} works against the shoe's own "
                    f"{tilt(wedge.cant_kept)}",
                )
        made = {w.place: w for w in wedges}
        forefoot = made.get(WedgePlace.FOREFOOT)
        if forefoot is not None:
            self._forefoot(forefoot, landmark_sd)
        if WedgePlace.UNDER in made and shoe is not None:
            kept = nets[WedgePlace.FOREFOOT].kept
            self._under_shoe(made[WedgePlace.UNDER], shoe, kept)

    def _forefoot(self, wedge: WedgePlan, landmark_sd: Mapping[str, float]) -> None:
        if wedge.net > 0:
            self._warn(
                "wedge-first-ray",
                "a medial forefoot wedge loads the first metatarsal head, sesamoids and big "
                "toe: not with pain, stiffness or a prominent first ray there",
                "first ray checked: no pain, not stiff or prominent",
            )
        room = self._limits.value("wedge.forefoot.full_front")
        spread = max(landmark_sd.get("mth1", 0.0), landmark_sd.get("mth5", 0.0)) * 1.96
        if spread > room:
            self._warn(
                "wedge-landmarks",
                f"the metatarsal heads are known to ±{spread:.0f} mm (95 %), more than the "
                f"{room:g} mm that the ramp reaches beyond them; check them by hand",
                "feel both outer metatarsal heads: the scan does not place them well enough",
            )

    def _under_shoe(self, wedge: WedgePlan, shoe: Shoe, kept: float) -> None:
        """Add the cautions for a wedge whose failure would be a crash."""
        if kept:
            text = f"the shoe's own {tilt(kept)} at the ball stays and comes on top of the wedge"
            self._say("under-sum", f"under the shoe: {text}")
        self._warn(
            "under-material",
            "under the shoe only a solid, creep-resistant plastic of at least Shore D 60, "
            "printed at 100 % infill, or metal; never PLA, EVA or cork: a failure here is a crash",
            "solid plastic from Shore D 60, 100 % infill, or metal; never PLA, EVA, cork",
        )
        gap = self._limits.value("wedge.under.surface_gap")
        self._warn(
            "under-faces",
            "both faces of this shim are flat: bed it to the outsole, and do not mount it with a "
            f"gap above {gap:g} mm to sole or cleat; the tread may not hold the cleat off the "
            "pedal",
            f"both faces flat: bed it to the sole, gaps up to {gap:g} mm; tread may not hold the "
            "cleat off the pedal",
        )
        self._warn("under-bolts", _bolt_words(wedge, shoe, self._limits))
        if abs(wedge.net) > self._limits.value("wedge.under.warn_deg") + TOLERANCE:
            self._warn(
                "under-washers",
                "at this angle the bolts need angled washers",
                "angled washers under the bolt heads",
            )
        self._warn(
            "under-before-riding",
            "before riding: the maker's torque, ten clip-ins and releases a foot on a stand, "
            "float still free; re-torque after the first ride",
        )

    def _cap(
        self,
        what: str,
        value: float,
        cap: Cap,
        offers: str = "less of the wishes that add up here",
    ) -> None:
        """Warn above one limit, refuse above the other unless an override is recorded."""
        warn, refuse, unit = cap
        most, soft = self._limits.value(refuse), self._limits.value(warn)
        # Widths are kept to 0.001 mm, so a rise within half of that of its limit is at it.
        slack = 5e-4 if "mm" in unit else TOLERANCE
        shown = f"{value:.2f}" if "mm" in unit else f"{round(value, 6):g}"
        if value > most + slack:
            override = next((o for o in self._overrides if o.limit == refuse), None)
            text = f"{what} would be {shown}{unit}, above the limit of {most:g}{unit}"
            if override is None:
                raise RefusedError(
                    f"{self.foot}{text}; possible are: {offers}; or record an override of "
                    f"{refuse} with who, why and when"
                )
            _check_override(override)
            self._warn(
                refuse.replace("refuse_", "over_"),
                f"{text}; overridden by {override.who} on {override.when}: {override.why}",
            )
        elif value > soft + slack:
            text = f"{what} is {shown}{unit}, above {soft:g}{unit}"
            self._warn(
                warn,
                f"{text}: a step less for the first ride",
                f"{shown}{unit}, above {soft:g}: a step less for the first ride",
            )

    def _warn(self, code: str, text: str, short: str = "") -> None:
        self.notes.append(Note(code=code, level=NoteLevel.WARN, text=text, short=short))

    def _say(self, code: str, text: str) -> None:
        self.notes.append(Note(code=code, text=text))


def _check_override(override: Override) -> None:
    if not all(part.strip() for part in (override.who, override.why, override.when)):
        raise PlanError(
            f"the override of {override.limit} must say who, why and when; fill in all three"
        )


def _bolt_words(wedge: WedgePlan, shoe: Shoe, limits: Limits) -> str:
    """Return the bolt lengths in words, one hole after the other."""
    slots, turns = shoe.slots, limits.value("wedge.under.bolt_turns")
    parts = []
    for bolt in bolts(slots, wedge, limits):
        wanted = f"original + {bolt.added:.1f} mm"
        if bolt.length is not None and slots.bolt_length is not None:
            wanted = (
                f"{slots.bolt_length:g} mm before, shim {bolt.added:.1f} mm there, so "
                f"{bolt.length:.1f} mm{_sold(bolt.length)}"
            )
        parts.append(f"{bolt_name(bolt.x, bolt.y)}: {wanted}")
    least = turns * slots.thread_pitch
    was = "" if slots.engagement is None else f" ({slots.engagement:g} mm as measured)"
    return (
        f"bolt lengths under the head: {'; '.join(parts)}; engagement not less than before{was} "
        f"and at least {turns:g} full turns ({least:.1f} mm), without bottoming out or reaching "
        "the footbed"
    )


def bolt_name(x: float, y: float) -> str:
    """Return a bolt by its place in the pattern.

    Examples
    --------
    >>> bolt_name(18.0, 0.0), bolt_name(-14.0, 17.5)
    ('front bolt', 'rear bolt on the big-toe side')
    """
    end = "front" if x > 0 else "rear"
    if abs(y) < 1.0:
        return f"{end} bolt"
    return f"{end} bolt on the {'big-toe' if y > 0 else 'little-toe'} side"


def _sold(length: float) -> str:
    """Return the next length in which short screws are sold, and what is too much of it."""
    longer = next((size for size in SCREWS_MM if size >= length - 0.05), None)
    if longer is None:
        return ""
    over = longer - length
    return (
        f" (next sold: {longer:g} mm, {over:.1f} mm too long: shorten it)"
        if over > 0.3
        else (f" (sold as {longer:g} mm)")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeWish:
    """Tilt that the fitter wants at each place, degrees, signed; None is no wish."""

    forefoot: float | None = None
    heel: float | None = None
    under: float | None = None

    def at(self, place: WedgePlace) -> float | None:
        """Return the wish at one place."""
        return {"forefoot": self.forefoot, "heel": self.heel, "under": self.under}[KEYS[place]]


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeResult:
    """Wedges for one foot and the words that belong to them.

    Attributes
    ----------
    wedges : tuple of WedgePlan
        At most one per place.
    because : mapping of str to str
        For each place without a wedge: why there is none.
    notes : tuple of Note
        Limits, sums and cautions.
    roll : float
        Degrees that the seated foot rolls against the bed: the net wedge inside the forefoot,
        on whose broad ramp the foot rests (a round heel follows; under the shoe, bed and foot
        tilt together).
    sum_ball, sum_heel : float
        All cants together at the ball and at the heel, degrees.
    """

    wedges: tuple[WedgePlan, ...] = ()
    because: Mapping[str, str]
    notes: tuple[Note, ...] = ()
    roll: float = 0.0
    sum_ball: float = 0.0
    sum_heel: float = 0.0

    def net(self, place: WedgePlace) -> float:
        """Return the degrees made at one place; 0 without a wedge."""
        return next((w.net for w in self.wedges if w.place is place), 0.0)


def rise(width_mm: float, angle_deg: float) -> float:
    """Return how far a ramp of `width_mm` rises, mm: width x tan(angle).

    Examples
    --------
    >>> round(rise(80.0, 2.0), 3)
    2.794
    """
    return width_mm * math.tan(math.radians(abs(angle_deg)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Net:
    """What is left of a wish at one place."""

    place: WedgePlace
    wish: float | None
    kept: float
    made: float
    remainder: float
    words: str
