"""Wedges: what the fitter wishes, less what the shoe already does, within limits.

    WedgeWish + Shoe + landmarks + base outline + Limits -> plan_wedges -> WedgeResult

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
from typing import Any, NamedTuple

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError, RefusedError
from insole.planning.wedge_rules import (
    TOLERANCE,
    Judge,
    Net,
    WedgeResult,
    WedgeWish,
    rise,
    sum_notes,
    tilt,
)
from insole.record.limits import Limits
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import Note, Override
from insole.shoe.shoe import HEEL_AT, Ring, Shoe

__all__ = ["plan_wedges", "ramp_width"]

DISH_MM = 1.0  # shallower, base and shim lie on it: common practice, no source
UNDER_MATERIAL = "under-shoe-solid"
UNDER_CORNER_MM = 5.0  # radius of a plate's corners in plan; common practice, no source


def plan_wedges(
    *,
    landmarks: Mapping[str, Array],
    landmark_sd: Mapping[str, float],
    outline: Ring,
    length: float,
    shoe: Shoe | None,
    wishes: WedgeWish,
    limits: Limits,
    overrides: Sequence[Override] = (),
    confirm_zero: bool = False,
    side: str = "",
    built_in: bool = False,
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
    wishes : WedgeWish
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
    built_in : bool
        Those inside the shoe are built into a contoured bed, which follows the shoe's own.

    Raises
    ------
    insole.errors.PlanError
        A wish is no number or beyond all use, a needed landmark or the bolt pattern is missing,
        or the outline has no room for the ramp.
    insole.errors.RefusedError
        A limit is passed without a recorded override, or a zero needs confirming.
    """
    nets = {place: _net(place, wishes.at(place), shoe, limits) for place in WedgePlace}
    ground = _Ground(landmarks, outline, length, shoe, limits)
    judge = Judge(limits, overrides, f"{side} foot: " if side else "")
    wedges, because = [], {}
    for place, net in nets.items():
        if net.made == 0.0:
            because[place.value] = net.words
            continue
        _check_zero(net, confirm_zero, judge.foot)
        wedge = _shape(net, ground)
        judge.place(wedge)
        wedges.append(wedge)
    made = {w.place: w.net for w in wedges}
    sums = sum_notes(made, shoe)
    if wedges:
        judge.sums(made, *sums)
        judge.cautions(wedges, nets, shoe, landmark_sd)
    return WedgeResult(
        wedges=tuple(wedges),
        because=because,
        notes=(*judge.notes, *([] if built_in else _dish_notes(made, shoe))),
        roll=made.get(WedgePlace.FOREFOOT, 0.0),
        sum_ball=sums[0],
        sum_heel=sums[1],
    )


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


def _net(place: WedgePlace, wish: float | None, shoe: Shoe | None, limits: Limits) -> Net:
    """Return the net wedge: wish less the kept cant, rounded toward zero to the step."""
    kept = shoe.cant_kept(place) if shoe else 0.0
    own = f"the shoe's own {tilt(kept)}" if kept else "the shoe, level as stated,"
    if shoe is not None and not shoe.cant_known(place):
        own = "whatever tilt the shoe has (not measured)"
    if shoe is None:
        own = "whatever the shoe does (no shoe file)"
    if place is WedgePlace.UNDER:
        own = "the shoe as it is"
    if wish is None:
        words = f"no wish, so no shim; {own} stays"
        return Net(place=place, wish=None, kept=kept, made=0.0, remainder=0.0, words=words)
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
        words = f"the wish of {tilt(wish)} is what the shoe keeps, so no shim"
    else:
        size = "half a step" if abs(left) < step / 2 else "a step"
        words = (
            f"wish {tilt(wish)} less {tilt(kept)} kept by the shoe leaves {tilt(left)}, "
            f"less than {size} of {step:g}°, so no shim"
        )
    return Net(place=place, wish=wish, kept=kept, made=made, remainder=left, words=words)


def _check_zero(net: Net, confirmed: bool, foot: str = "") -> None:
    if net.wish == 0.0 and net.kept and not confirmed:
        raise RefusedError(
            f"{foot}a wish of 0° {net.place.value} would undo the shoe's own {tilt(net.kept)} "
            f"with a shim of {tilt(net.made)}; leave the wish out to keep the shoe as it is, or "
            "confirm the zero"
        )


class _Ground(NamedTuple):
    """What ramps are laid on: marks and base outline in the bed frame, length, shoe."""

    landmarks: Mapping[str, Array]
    outline: Ring
    length: float
    shoe: Shoe | None
    limits: Limits


def _shape(net: Net, ground: _Ground) -> WedgePlan:
    """Return the ramp at one place, clipped to the base outline less its inset."""
    outline, limits = ground.outline, ground.limits
    if net.place is WedgePlace.HEEL:
        extent = _heel_extent(ground)
    elif net.place is WedgePlace.FOREFOOT:
        extent = _forefoot_extent(ground.landmarks, limits)
    else:
        return _under(net, ground)
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
    return wedge.model_copy(
        update={"contour_step": step, "reasons": [*wedge.reasons, _sheet_words(wedge, limits)]}
    )


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


def _heel_extent(ground: _Ground) -> tuple[float, float, float, float]:
    landmarks, outline, length, _, limits = ground
    rear = float(np.asarray(outline)[:, 0].min()) + limits.value("wedge.inset")
    full_to = _station(landmarks, "pternion") + limits.value("wedge.heel.full_to") * length
    return rear, full_to, 0.0, limits.value("wedge.heel.taper")


def _station(landmarks: Mapping[str, Array], name: str) -> float:
    if name not in landmarks:
        raise PlanError(
            f"this wedge needs the landmark {name}; mark it by hand or leave the wish out"
        )
    return float(landmarks[name][0])


def _under(net: Net, ground: _Ground) -> WedgePlan:
    """Return the plate under the shoe around the measured bolt pattern."""
    from shapely.geometry import box

    landmarks, outline, _, shoe, limits = ground
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
    ring = _rounded(box(low, thin, high, thick), min(UNDER_CORNER_MM, margin))
    extent = (low, high, 0.0, 0.0)
    return _wedge(net, ring, 2 * across, limits.value("wedge.under.edge"), extent)


def _rounded(plate: Any, radius: float) -> Ring:
    """Return a plate's outline with round corners: sharp ones cut hands, soles and cleat covers."""
    from shapely.geometry.polygon import orient

    inner = plate.buffer(-radius, join_style="mitre")
    return np.asarray(orient(inner.buffer(radius, quad_segs=24)).exterior.coords)[:-1]


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
    net: Net, ring: Ring, width: float, edge: float, extent: tuple[float, float, float, float]
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


def _reasons(net: Net, width: float, up: float) -> list[str]:
    wish = f"wish {tilt(float(net.wish or 0.0))} less {tilt(net.kept)} kept by the shoe"
    exact = f"{wish} = {tilt(net.made + net.remainder)}"
    rounded = (
        f", made {tilt(net.made)}: rounded toward zero, {tilt(net.remainder)} left"
        if net.remainder
        else ""
    )
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
    short = f"bed dished {deep:.1f} mm: base and shim may not rock, else fill the dish"
    return [
        Note(
            code="heel-dish",
            short=short,
            text=(
                f"the bed is dished by {deep:.1f} mm at the heel: base and heel shim are flat and "
                "bridge it or bend into it; see in the shoe that neither rocks, else fill the "
                "dish under the base"
            ),
        )
    ]
