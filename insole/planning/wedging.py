"""Wedges: what the fitter wishes, less what the shoe already does, within limits.

    Wishes + Shoe + landmarks + base outline + Limits -> plan_wedges -> WedgeResult

Bed frame, mm; angles in degrees, + medial side up (varus wedge), - lateral side up (valgus).

Rules
    no wish       is not a wish of zero: no shim, and the shoe's own cant is only stated
    net           wish less the cant that stays in the shoe, rounded toward zero to the step; the
                  remainder is printed
    places        inside forefoot twists the forefoot on the heel, inside heel mainly sets the
                  heel, under the shoe tilts the whole foot: three numbers, never one
    limits        in degrees and in mm of rise (width x tan angle), whichever bites first; above
                  the upper one only with a recorded override, which is printed
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError, RefusedError
from insole.planning.cleat import bolts
from insole.record.limits import Limits, default_limits
from insole.record.plan import Note, NoteLevel, Override, WedgePlace, WedgePlan
from insole.shoe.shoe import HEEL_AT, Ring, Shoe

__all__ = [
    "WedgeResult", "Wishes", "bolt_name", "check_pair", "plan_wedges", "ramp_width", "rise",
]  # fmt: skip

DISH_MM = 1.0  # shallower, base and shim lie on it: common practice, no source
TOLERANCE = 1e-9  # so that a value equal to its limit passes
KEYS = {WedgePlace.FOREFOOT: "forefoot", WedgePlace.HEEL: "heel", WedgePlace.UNDER: "under"}
UNDER_MATERIAL = "under-shoe-solid"
# lengths of short machine screws, mm: ISO 888, value from memory
SCREWS_MM = (6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 25.0, 30.0, 35.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
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


def plan_wedges(
    *,
    landmarks: Mapping[str, Array],
    landmark_sd: Mapping[str, float],
    outline: Ring,
    length: float,
    shoe: Shoe | None,
    wishes: Wishes,
    limits: Limits,
    overrides: Sequence[Override] = (),
    confirm_zero: bool = False,
    side: str = "",
) -> WedgeResult:
    """Return the wedges for one foot.

    Parameters
    ----------
    landmarks : mapping of str to ndarray, shape (3,)
        Bed frame, mm; ``mth1`` and ``mth5`` for the forefoot and under the shoe.
    landmark_sd : mapping of str to float
        mm in plan.
    outline : ndarray, shape (n, 2)
        Base outline, bed frame, counter-clockwise.
    length : float
        Foot length, mm.
    shoe : Shoe or None
        None: the shoe's cant is unknown, the wish is made in full and a note says so.
    wishes : Wishes
        Tilt wanted at each place.
    limits : Limits
        Planning limits.
    overrides : sequence of Override
        Recorded overrides; `limit` is the name of a limit, such as
        ``wedge.forefoot.refuse_deg``.
    confirm_zero : bool
        The fitter confirms that a wish of zero is to undo the shoe's own cant.
    side : str
        Which foot, for the sentence of a refusal.

    Raises
    ------
    insole.errors.PlanError
        A wish is no number or beyond all use, a needed landmark or the bolt pattern is missing,
        or the outline has no room for the ramp.
    insole.errors.RefusedError
        A limit is passed without a recorded override, or a zero needs confirming.
    """
    nets = {place: _net(place, wishes.at(place), shoe, limits) for place in WedgePlace}
    judge = _Judge(limits, overrides, f"{side} foot: " if side else "")
    wedges, because = [], {}
    for place, net in nets.items():
        if net.made == 0.0:
            because[place.value] = net.words
            continue
        _check_zero(net, confirm_zero, judge.foot)
        wedge = _shape(net, landmarks, outline, length, shoe, limits)
        judge.place(wedge)
        wedges.append(wedge)
    made = {w.place: w.net for w in wedges}
    sums = _sums(made, shoe)
    if wedges:
        judge.sums(made, *sums)
        judge.cautions(wedges, nets, shoe, landmark_sd)
    return WedgeResult(
        wedges=tuple(wedges),
        because=because,
        notes=(*judge.notes, *_dish_notes(made, shoe)),
        roll=made.get(WedgePlace.FOREFOOT, 0.0),
        sum_ball=sums[0],
        sum_heel=sums[1],
    )


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
                f"{place.value}: left {_tilt(left.net(place))} and right "
                f"{_tilt(right.net(place))} differ by {apart:g}°, more than {most:g}°; check "
                "both wishes"
            )
            code = f"wedge-sides-{KEYS[place]}"
            notes.append(Note(code=code, level=NoteLevel.WARN, text=text))
    return tuple(notes)


def ramp_width(outline: Ring, start: float, stop: float, *, thick_medial: bool) -> float:
    """Return how far a ramp across the bed reaches from its thin to its thick edge, mm.

    A ramp is one plane. Its thin edge lies at the outermost border of the whole shim on the thin
    side, so that nothing comes out thinner; its thick edge at the outermost border on the other
    side between the stations where the full angle holds. Where both borders bulge at one
    station this is the bed's width there.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Outline of the shim, bed frame, closed ring.
    start, stop : float
        Stations along the bed between which the full angle holds, mm.
    thick_medial : bool
        True for a varus wedge.

    Raises
    ------
    ValueError
        The outline does not reach between the stations.
    """
    from shapely.geometry import Polygon, box

    whole = Polygon(outline)
    cut = whole.intersection(box(start, -500.0, stop, 500.0))
    if cut.is_empty:
        raise ValueError(f"the outline has nothing between {start} and {stop}")
    if thick_medial:
        return float(cut.bounds[3] - whole.bounds[1])
    return float(whole.bounds[3] - cut.bounds[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Net:
    """What is left of a wish at one place."""

    place: WedgePlace
    wish: float | None
    kept: float
    made: float
    remainder: float
    words: str


def _net(place: WedgePlace, wish: float | None, shoe: Shoe | None, limits: Limits) -> _Net:
    """Return the net wedge: wish less the kept cant, rounded toward zero to the step."""
    kept = shoe.cant_kept(place) if shoe else 0.0
    own = f"the shoe's own {_tilt(kept)}" if kept else "the shoe, level as stated,"
    if shoe is None:
        own = "whatever the shoe does (no shoe file)"
    if place is WedgePlace.UNDER:
        own = "the shoe as it is"
    if wish is None:
        words = f"no wish, so no shim; {own} stays"
        return _Net(place=place, wish=None, kept=kept, made=0.0, remainder=0.0, words=words)
    most = limits.value("wedge.largest_wish")
    if not math.isfinite(wish) or abs(wish) > most:
        raise PlanError(
            f"the wish {place.value} is {wish:g}°, but must be from {-most:g} to {most:g}° "
            "(+ medial side up)"
        )
    step = limits.value("wedge.step")
    raw = wish - kept
    made = math.copysign(math.floor(abs(raw) / step + TOLERANCE) * step, raw) + 0.0
    made = 0.0 if abs(made) < TOLERANCE else round(made, 9)
    left = round(raw - made, 9) + 0.0
    if left == 0.0:
        words = f"the wish of {_tilt(wish)} is what the shoe keeps, so no shim"
    else:
        size = "half a step" if abs(left) < step / 2 else "a step"
        words = (
            f"wish {_tilt(wish)} less {_tilt(kept)} kept by the shoe leaves {_tilt(left)}, "
            f"less than {size} of {step:g}°, so no shim"
        )
    return _Net(place=place, wish=wish, kept=kept, made=made, remainder=left, words=words)


def _check_zero(net: _Net, confirmed: bool, foot: str = "") -> None:
    if net.wish == 0.0 and net.kept and not confirmed:
        raise RefusedError(
            f"{foot}a wish of 0° {net.place.value} would undo the shoe's own {_tilt(net.kept)} "
            f"with a shim of {_tilt(net.made)}; leave the wish out to keep the shoe as it is, or "
            "confirm the zero"
        )


def _shape(
    net: _Net,
    landmarks: Mapping[str, Array],
    outline: Ring,
    length: float,
    shoe: Shoe | None,
    limits: Limits,
) -> WedgePlan:
    """Return the ramp at one place, clipped to the base outline less its inset."""
    if net.place is WedgePlace.HEEL:
        extent = _heel_extent(landmarks, outline, length, limits)
    elif net.place is WedgePlace.FOREFOOT:
        extent = _forefoot_extent(landmarks, limits)
    else:
        return _under(net, landmarks, outline, shoe, limits)
    full_from, full_to, rear, front = extent
    ring = _clipped(outline, full_from - rear, full_to + front, limits.value("wedge.inset"))
    if ring[:, 0].max() <= full_from or ring[:, 0].min() >= full_to:
        raise PlanError(
            f"the base outline does not reach the ramp {net.place.value} ({full_from:.0f} to "
            f"{full_to:.0f} mm from the heel); check the outline and the landmarks"
        )
    width = ramp_width(ring, full_from, full_to, thick_medial=net.made > 0)
    wedge = _wedge(net, ring, width, limits.value("wedge.edge_print"), extent)
    step = limits.value("wedge.contour_step")
    return wedge.model_copy(update={
        "contour_step": step, "reasons": [*wedge.reasons, _sheet_words(wedge, limits)]
    })  # fmt: skip


def _forefoot_extent(
    landmarks: Mapping[str, Array], limits: Limits
) -> tuple[float, float, float, float]:
    """Return full_from, full_to, taper_rear, taper_front."""
    x1, x5 = _station(landmarks, "mth1"), _station(landmarks, "mth5")
    return (
        min(x1, x5) - limits.value("wedge.forefoot.full_rear"),
        max(x1, x5) + limits.value("wedge.forefoot.full_front"),
        limits.value("wedge.forefoot.taper_rear"),
        limits.value("wedge.forefoot.taper_front"),
    )


def _heel_extent(
    landmarks: Mapping[str, Array], outline: Ring, length: float, limits: Limits
) -> tuple[float, float, float, float]:
    rear = float(np.asarray(outline)[:, 0].min()) + limits.value("wedge.inset")
    heel = float(landmarks["pternion"][0]) if "pternion" in landmarks else 0.0
    full_to = heel + limits.value("wedge.heel.full_to") * length
    return rear, full_to, 0.0, limits.value("wedge.heel.taper")


def _station(landmarks: Mapping[str, Array], name: str) -> float:
    if name not in landmarks:
        raise PlanError(
            f"a wedge at the ball needs the landmark {name}; mark it by hand or leave the wish out"
        )
    return float(landmarks[name][0])


def _under(
    net: _Net,
    landmarks: Mapping[str, Array],
    outline: Ring,
    shoe: Shoe | None,
    limits: Limits,
) -> WedgePlan:
    """Return the plate under the shoe around the measured bolt pattern."""
    if shoe is None or not shoe.slots.holes:
        raise PlanError(
            "an under-shoe wedge needs the measured bolt pattern; fill in cleat.holes in the "
            "shoe file"
        )
    margin = limits.value("wedge.under.margin")
    holes = np.array(shoe.slots.holes)
    centre = _station(landmarks, "mth1") - limits.value("cleat.behind_ball")
    sides = _clipped(outline, centre - 0.5, centre + 0.5, 0.0)[:, 1]
    # Symmetric about the pattern's middle: that is where the slots are laid from.
    along, across = (np.abs(holes).max(axis=0) + margin).tolist()
    middle = float(sides.min() + sides.max()) / 2
    low, high = centre - along, centre + along
    thin, thick = middle - across, middle + across
    ring = np.array([(low, thin), (high, thin), (high, thick), (low, thick)])
    extent = (low, high, 0.0, 0.0)
    return _wedge(net, ring, 2 * across, limits.value("wedge.under.edge"), extent)


def _clipped(outline: Ring, start: float, stop: float, inset: float) -> Ring:
    """Return the part of the inset outline between two stations, counter-clockwise."""
    from shapely.geometry import Polygon, box
    from shapely.geometry.polygon import orient

    shape = Polygon(outline)
    if not shape.is_valid or shape.is_empty:
        raise PlanError("the base outline crosses itself; trace it again")
    cut = shape.buffer(-inset, join_style="mitre").intersection(box(start, -500.0, stop, 500.0))
    pieces = [p for p in getattr(cut, "geoms", [cut]) if p.geom_type == "Polygon" and p.area > 1e-6]
    if not pieces:
        raise PlanError(
            f"the base outline does not reach the ramp at {start:.0f} to {stop:.0f} mm from the "
            "heel; check the outline and the landmarks"
        )
    ring = orient(max(pieces, key=lambda p: p.area)).exterior.coords
    return np.asarray(ring)[:-1]


def _wedge(
    net: _Net, ring: Ring, width: float, edge: float, extent: tuple[float, float, float, float]
) -> WedgePlan:
    full_from, full_to, rear, front = (round(v, 3) for v in extent)
    up = rise(width, net.made)
    extra = {"material": UNDER_MATERIAL} if net.place is WedgePlace.UNDER else {}
    return WedgePlan(
        place=net.place,
        wish=float(net.wish or 0.0),
        cant_kept=net.kept,
        net=net.made,
        remainder=net.remainder,
        thick_side="big-toe side" if net.made > 0 else "little-toe side",
        width=round(width, 3),
        thick_edge=round(edge + up, 3),
        edge=edge,
        full_from=full_from,
        full_to=full_to,
        taper_rear=rear,
        taper_front=front,
        outline=[(round(float(x), 3), round(float(y), 3)) for x, y in ring],
        reasons=_reasons(net, width, up),
        **extra,
    )


def _sheet_words(wedge: WedgePlan, limits: Limits) -> str:
    """Return how the same wedge is made from sheet."""
    thin, layer = limits.value("wedge.edge_sheet"), limits.value("wedge.lamination")
    step = limits.value("wedge.contour_step")
    return (
        f"from sheet: one blank of {wedge.thick_edge:.1f} mm ground along lines {step:g} mm of "
        f"height apart, thin edge to {thin:g} mm or less; built up only in layers of at most "
        f"{layer:g} mm, the coarsest below"
    )


def _reasons(net: _Net, width: float, up: float) -> list[str]:
    wish = f"wish {_tilt(float(net.wish or 0.0))} less {_tilt(net.kept)} kept by the shoe"
    exact = f"{wish} = {_tilt(net.made + net.remainder)}"
    rounded = (
        f", made {_tilt(net.made)}: rounded toward zero, {_tilt(net.remainder)} left"
        if net.remainder else ""
    )  # fmt: skip
    words = [
        f"{exact}{rounded}",
        f"{width:.1f} mm from thin to thick edge: rises {up:.2f} mm",
    ]
    words.append(
        {
            WedgePlace.FOREFOOT: "slopes about the bed's long axis, although the ball line is "
            "oblique; twists the forefoot on the heel",
            WedgePlace.HEEL: "lies on the flat base, so its underside is flat; mainly sets the "
            "heel, which carries less while pedalling",
            WedgePlace.UNDER: "tilts shoe and foot as one",
        }[net.place]
    )
    return words


def _dish_notes(made: Mapping[WedgePlace, float], shoe: Shoe | None) -> list[Note]:
    """Return a caution where the bed's heel is hollow below a flat base that carries a shim."""
    if WedgePlace.HEEL not in made or shoe is None or not shoe.bed_known:
        return []
    lateral, middle, medial = shoe.bed_height(HEEL_AT, [-1.0, 0.0, 1.0])
    deep = float((lateral + medial) / 2 - middle)
    if deep < DISH_MM:
        return []
    return [Note(code="heel-dish", text=(
        f"the bed is dished by {deep:.1f} mm at the heel: base and heel shim are flat and bridge "
        "it or bend into it; see in the shoe that neither rocks, else fill the dish under the base"
    ))]  # fmt: skip


def _sums(made: Mapping[WedgePlace, float], shoe: Shoe | None) -> tuple[float, float]:
    """Return all cants together at the ball and at the heel, degrees."""
    under = made.get(WedgePlace.UNDER, 0.0)
    total = []
    for place in (WedgePlace.FOREFOOT, WedgePlace.HEEL):
        kept = shoe.cant_kept(place) if shoe else 0.0
        total.append(round(kept + made.get(place, 0.0) + under, 9))
    return total[0], total[1]


def _tilt(angle: float) -> str:
    """Return an angle in words: 2° varus, 1.5° valgus, 0°."""
    if abs(angle) < TOLERANCE:
        return "0°"
    return f"{abs(angle):g}° {'varus' if angle > 0 else 'valgus'}"


class _Judge:
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
        self._cap(what, abs(wedge.net), f"wedge.{key}.warn_deg", f"wedge.{key}.refuse_deg", "°",
                  offers)  # fmt: skip
        if f"wedge.{key}.warn_mm" in self._limits:
            warn, refuse = f"wedge.{key}.warn_mm", f"wedge.{key}.refuse_mm"
            self._cap(f"{what}, across {wedge.width:.1f} mm,", up, warn, refuse, " mm of rise",
                      offers)  # fmt: skip

    def _offers(self, wedge: WedgePlan) -> str:
        """Return what is possible in place of a wedge that its place does not take."""
        key, step = KEYS[wedge.place], self._limits.value("wedge.step")
        most = self._limits.value(f"wedge.{key}.refuse_deg")
        if f"wedge.{key}.refuse_mm" in self._limits:
            up = self._limits.value(f"wedge.{key}.refuse_mm")
            most = min(most, math.degrees(math.atan2(up, wedge.width)))
        made = math.copysign(math.floor(most / step + TOLERANCE) * step, wedge.net)
        ways = [f"a shim of {_tilt(made)} (wish {_tilt(wedge.cant_kept + made)})"] if made else []
        if wedge.place is WedgePlace.FOREFOOT:
            ways.append("a part of it under the shoe (--under)")
        elif wedge.place is WedgePlace.UNDER:
            ways.append("a part of it inside the forefoot (--forefoot)")
        return "; ".join(ways)

    def sums(self, made: Mapping[WedgePlace, float], ball: float, heel: float) -> None:
        """Hold sums, twist and the first trial against their limits."""
        if WedgePlace.FOREFOOT in made or WedgePlace.UNDER in made:
            what = "the sum of all cants at the ball"
            self._cap(what, abs(ball), "wedge.sum_warn", "wedge.sum_refuse", "°")
        twist = self._limits.value("wedge.twist")
        if abs(ball - heel) > twist + TOLERANCE:
            self._warn(
                "wedge-twist",
                f"heel ({_tilt(heel)}) and forefoot ({_tilt(ball)}) differ by "
                f"{abs(ball - heel):g}°, more than {twist:g}°: the foot is twisted by as much",
            )
        total, first = sum(abs(a) for a in made.values()), self._limits.value("wedge.first_trial")
        if total > first + TOLERANCE:
            self._warn(
                "wedge-first-trial",
                f"{total:g}° of wedge on this foot counted over all places; a first trial takes "
                f"at most {first:g}°, then one step after each review",
            )

    def cautions(
        self,
        wedges: Sequence[WedgePlan],
        nets: Mapping[WedgePlace, _Net],
        shoe: Shoe | None,
        landmark_sd: Mapping[str, float],
    ) -> None:
        """Add what must be said with the wedges that are made."""
        if shoe is None:
            self._warn(
                "wedge-no-shoe",
                "no shoe file: the shoe's own cant is unknown and the wish is made in full; "
                "measure the shoe first if it may be canted",
            )
        for wedge in wedges:
            if wedge.net * wedge.cant_kept < 0:
                self._say(
                    f"wedge-undoes-{KEYS[wedge.place]}",
                    f"the shim {wedge.place.value} works against the shoe's own "
                    f"{_tilt(wedge.cant_kept)}",
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
            )
        room = self._limits.value("wedge.forefoot.full_front")
        spread = max(landmark_sd.get("mth1", 0.0), landmark_sd.get("mth5", 0.0)) * 1.96
        if spread > room:
            self._warn(
                "wedge-landmarks",
                f"the metatarsal heads are known to ±{spread:.0f} mm (95 %), more than the "
                f"{room:g} mm that the ramp reaches beyond them; check them by hand",
            )

    def _under_shoe(self, wedge: WedgePlan, shoe: Shoe, kept: float) -> None:
        """Add the cautions for a wedge whose failure would be a crash."""
        if kept:
            text = f"the shoe's own {_tilt(kept)} at the ball stays and comes on top of the wedge"
            self._say("under-sum", f"under the shoe: {text}")
        self._warn(
            "under-material",
            "under the shoe only a solid, creep-resistant plastic of at least Shore D 60, "
            "printed at 100 % infill, or metal; never PLA, EVA or cork: a failure here is a crash",
        )
        gap = self._limits.value("wedge.under.surface_gap")
        self._warn(
            "under-faces",
            "both faces of this shim are flat: bed it to the outsole, and do not mount it with a "
            f"gap above {gap:g} mm to sole or cleat; the tread may not hold the cleat off the "
            "pedal",
        )
        self._warn("under-bolts", _bolt_words(wedge, shoe, self._limits))
        if abs(wedge.net) > self._limits.value("wedge.under.warn_deg") + TOLERANCE:
            self._warn("under-washers", "at this angle the bolts need angled washers")
        self._warn(
            "under-before-riding",
            "before riding: the maker's torque, ten clip-ins and releases a foot on a stand, "
            "float still free; re-torque after the first ride",
        )

    def _cap(
        self, what: str, value: float, warn: str, refuse: str, unit: str,
        offers: str = "less of the wishes that add up here",
    ) -> None:  # fmt: skip
        """Warn above one limit, refuse above the other unless an override is recorded."""
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
            self._warn(warn, f"{text}: plan the step below too and start with it")

    def _warn(self, code: str, text: str) -> None:
        self.notes.append(Note(code=code, level=NoteLevel.WARN, text=text))

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
    return f" (next sold: {longer:g} mm, {over:.1f} mm too long: shorten it)" if over > 0.3 else (
        f" (sold as {longer:g} mm)")  # fmt: skip
