"""Where the cleat goes, what bolts it needs, and what all of it does to the saddle.

    landmarks (bed frame) + Shoe + Limits -> plan_cleat -> CleatPlan
    stack and cleat moves -> saddle_change;  under-shoe wedge + hole pattern -> bolts

Signs: along the shoe + is ahead; yaw + turns the cleat's front to the medial side; saddle + is
up. Frame: bed frame, mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from footscan.scan import Array
from insole.errors import PlanError
from insole.record.least import counts
from insole.record.limits import Limits
from insole.record.plan import CleatPlan
from insole.record.planned_parts import WedgePlan
from insole.record.values import Note, NoteLevel, Quantity
from insole.shoe.shoe import CleatSlots, Shoe

__all__ = [
    "Bolt",
    "CleatWish",
    "bolts",
    "check_saddles",
    "plan_cleat",
    "saddle_change",
    "setback_change",
    "stack_change",
]

STACK_SD = 0.07  # share of a stack change; 95 % reaches the 0.85 that a heel-up foot asks for
SLOT_LOWERS_MM = (5.0, 10.0)  # whole slot front to back lowers the saddle; common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class CleatWish:
    """Where the fitter wants the cleat; None is no wish, which is not a wish of zero.

    Attributes
    ----------
    offset : float or None
        Wished place of the pedal axle, mm ahead of MTH1 (behind is negative).
    yaw : float or None
        Degrees, + front of the cleat to the medial side; None is straight ahead.
    before : float or None
        Where the axle was as ridden, mm ahead of MTH1; without it the saddle change counts the
        stack alone.
    """

    offset: float | None = None
    yaw: float | None = None
    before: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bolt:
    """One cleat bolt over an under-shoe wedge.

    Attributes
    ----------
    x, y : float
        Bolt centre from the pattern's middle, mm forward and medial.
    added : float
        Shim thickness at this bolt, mm.
    length : float or None
        Bolt length wanted, mm under the head; None when the original was not measured.
    engagement : float or None
        Thread engaged with that length, mm; None when not measured.
    """

    x: float
    y: float
    added: float
    length: float | None
    engagement: float | None


def plan_cleat(
    *,
    landmarks: Mapping[str, Array],
    shoe: Shoe | None,
    limits: Limits,
    wish: CleatWish,
) -> tuple[CleatPlan | None, tuple[Note, ...]]:
    """Return where the pedal axle lies against the ball of the foot, and the cleat's yaw.

    Parameters
    ----------
    landmarks : mapping of str to ndarray, shape (3,)
        Bed frame, mm; ``mth1`` and ``mth5`` are needed.
    shoe : Shoe or None
        Without it, or without its slots, the reach of the cleat is not checked and a note
        says so.
    wish : CleatWish
        Without an offset the start setting of the limits is taken.

    Returns
    -------
    (CleatPlan or None, tuple of Note)
        None when the ball of the foot is not known.

    Raises
    ------
    insole.errors.PlanError
        Offset or yaw is not a number or beyond the limits.
    """
    offset, yaw, before = wish.offset, wish.yaw, wish.before
    largest, widest = limits.value("cleat.furthest"), limits.value("cleat.largest_yaw")
    _within(offset, largest, "mm", "cleat offset", "ahead of the first metatarsal head")
    _within(yaw, widest, "degrees", "cleat yaw", "front to the medial side")
    if "mth1" not in landmarks or "mth5" not in landmarks:
        text = "no cleat place: the metatarsal heads are not known from this scan"
        return None, (Note(code="cleat-unknown", level=NoteLevel.WARN, text=text),)
    start = offset is None
    wanted = -limits.value("cleat.behind_ball") if offset is None else float(offset)
    mth1, mth5 = float(landmarks["mth1"][0]), float(landmarks["mth5"][0])
    place, notes = _reach(mth1, wanted, shoe)
    turn, more = _turn(0.0 if yaw is None else float(yaw), shoe, limits)
    notes += more
    how = "start setting" if start else "as wished"
    words = [f"axle {_along(place)} the first metatarsal head ({how} {wanted:+g} mm)"]
    if place < 0 or turn != 0:
        clear = limits.value("cleat.frame_clear")
        words.append(
            "after a move back or a turn check toe against front wheel, and heel and shoe at "
            f"least {clear:g} mm from crank and frame"
        )
    slots = shoe.slots if shoe else CleatSlots()
    at = None if slots.mark_from_heel is None else round(mth1 + place - slots.mark_from_heel, 2)
    plan = CleatPlan(
        mark=slots.mark if at is not None else "",
        from_mark=at,
        back=None if before is None else round(before - place, 2),
        from_ball_mark=round(place, 2),
        from_mth5=round(mth1 + place - mth5, 2),
        yaw=turn,
        float_range=shoe.slots.float_range if shoe else None,
        notes=words,
    )
    return plan, tuple(notes)


def stack_change(stack_mm: float) -> float:
    """Return the saddle change for a foot `stack_mm` higher over the axle, mm: the same, up.

    The workshop's rule, right for a foot that lies square to the leg. With the heel up the foot
    rises a little off the leg's line and the saddle need follow only 0.85 to 0.9 of it, which
    :func:`saddle_change` carries in its standard deviation.
    """
    return float(stack_mm)


def setback_change(setback_mm: float, seat_tube_deg: float, foot_pitch_deg: float) -> float:
    """Return the saddle change along the seat tube for a cleat moved back, mm (down is negative).

    With the leg longest the crank lies in line with the seat tube, and so, nearly, do hip and
    ankle. A cleat moved back by s lets the foot slide forward along its own sole, which points
    down by the foot's pitch p: by (s cos p, -s sin p). With the seat tube at angle t that takes
    the ankle s cos(t - p) further from the saddle, which therefore comes down by as much.

    Parameters
    ----------
    setback_mm : float
        mm that the cleat moves back on the shoe; negative is forward.
    seat_tube_deg : float
        Seat tube above horizontal, 60 to 85.
    foot_pitch_deg : float
        Sole heel-up against the ground with the leg longest, -10 to 45.

    Raises
    ------
    ValueError
        An angle is out of its range.
    """
    if not 60 <= seat_tube_deg <= 85:
        raise ValueError(f"seat_tube_deg must be from 60 to 85, got {seat_tube_deg}")
    if not -10 <= foot_pitch_deg <= 45:
        raise ValueError(f"foot_pitch_deg must be from -10 to 45, got {foot_pitch_deg}")
    return -setback_mm * math.cos(math.radians(seat_tube_deg - foot_pitch_deg)) + 0.0


def saddle_change(
    *, stack_mm: float, setback_mm: float, shoe: Shoe | None, limits: Limits
) -> tuple[Quantity, tuple[Note, ...]]:
    """Return the saddle change from a changed stack at the ball and a moved cleat.

    Parameters
    ----------
    stack_mm : float
        mm that the ball of the foot sits higher above the axle than before.
    setback_mm : float
        mm that the cleat moves back on the shoe from where it was ridden.

    Returns
    -------
    (Quantity, tuple of Note)
        mm, + up, along the seat tube; the standard deviation covers ±3° of an assumed seat
        tube, ±10° of foot pitch (95 %) and the share of the stack that the saddle follows. A
        note when the shoe's whole slot would ask for more or less than workshops see.
    """
    stated = shoe.seat_tube_angle if shoe else None
    tube = limits.value("cleat.seat_tube") if stated is None else stated
    pitch = limits.value("cleat.foot_pitch")
    value = stack_change(stack_mm) + setback_change(setback_mm, tube, pitch)
    slope = abs(setback_mm) * math.sin(math.radians(tube - pitch))
    tube_sd = math.radians(0.0 if stated else 1.5)
    sd = math.hypot(slope * tube_sd, slope * math.radians(5.0), STACK_SD * stack_mm)
    source = "as stated in the shoe file" if stated else "assumed"
    reason = (
        f"stack {stack_mm:+.1f} mm, cleat {abs(setback_mm):.1f} mm "
        f"{'back' if setback_mm >= 0 else 'forward'}; seat tube {tube:g}° {source}, sole "
        f"{pitch:g}° heel-up with the leg longest"
    )
    quantity = Quantity(value=round(value, 2), sd=round(sd, 2), reason=reason)
    return quantity, _slot_check(shoe, tube, pitch)


def check_saddles(left: Quantity, right: Quantity, limits: Limits) -> tuple[Note, ...]:
    """Return what to do with two saddle changes and one saddle: both printed, the smaller used."""
    if left.value is None or right.value is None:
        return ()
    smaller = min(left.value, right.value, key=abs)
    if not any(counts(q.value, "saddle") for q in (left, right) if q.value is not None):
        return ()
    if left.value * right.value < 0:  # one leg asks up, the other down
        smaller = 0.0
    apart = abs(left.value - right.value)
    use = f"use {smaller:+.1f} mm" if counts(smaller, "saddle") else "leave the saddle as it is"
    text = (
        f"one saddle, two legs: left asks for {left.value:+.1f} mm, right for "
        f"{right.value:+.1f} mm; {use}"
    )
    if apart <= limits.value("thickness.saddle_difference") + 1e-9:
        return (Note(code="saddle", text=text),)
    text += (
        f"; they differ by {apart:.1f} mm, and stack on one side for leg length is a "
        "clinician's matter"
    )
    return (Note(code="saddle-differs", level=NoteLevel.WARN, text=text),)


def bolts(slots: CleatSlots, wedge: WedgePlan, limits: Limits) -> tuple[Bolt, ...]:
    """Return the bolts that an under-shoe wedge asks for, one per measured hole.

    Wanted length = original + shim at that bolt, and more where the original engaged less
    than the least number of turns.

    Raises
    ------
    insole.errors.PlanError
        No hole pattern was measured.
    """
    if not slots.holes:
        raise PlanError(
            "an under-shoe wedge needs the measured bolt pattern; fill in cleat.holes in the "
            "shoe file"
        )
    low = min(y for _, y in wedge.outline)
    high = max(y for _, y in wedge.outline)
    middle = (low + high) / 2
    rise = math.tan(math.radians(wedge.net))
    thin = low if wedge.net > 0 else high
    need = limits.value("wedge.under.bolt_turns") * slots.thread_pitch
    found = []
    for x, y in slots.holes:
        added = wedge.edge + rise * (middle + y - thin)
        short = 0.0 if slots.engagement is None else max(0.0, need - slots.engagement)
        length = None if slots.bolt_length is None else slots.bolt_length + added + short
        engaged = None if slots.engagement is None else slots.engagement + short
        found.append(Bolt(x=x, y=y, added=added, length=length, engagement=engaged))
    return tuple(found)


def _within(value: float | None, most: float, unit: str, what: str, words: str) -> None:
    if value is None:
        return
    if not math.isfinite(value) or abs(value) > most:
        raise PlanError(
            f"{what} is {value:g} {unit}, but must be from {-most:g} to {most:g} {unit} ({words})"
        )


def _along(place: float) -> str:
    if abs(place) < 0.05:
        return "level with"
    return f"{abs(place):.1f} mm {'behind' if place < 0 else 'ahead of'}"


def _reach(mth1: float, wish: float, shoe: Shoe | None) -> tuple[float, list[Note]]:
    """Return the nearest place that the slots allow, mm ahead of MTH1."""
    slots = shoe.slots if shoe else CleatSlots()
    if slots.front is None or slots.rear is None or slots.mark_from_heel is None:
        text = (
            "whether the cleat reaches this place was not checked: the shoe file gives no "
            "slots (cleat.mark, mark_from_heel, front, rear)"
        )
        return wish, [Note(code="cleat-reach-unknown", text=text)]
    rear, front = (slots.mark_from_heel + end - mth1 for end in (slots.rear, slots.front))
    place = min(max(wish, rear), front)
    at = mth1 + place - slots.mark_from_heel
    text = f"axle {abs(at):.1f} mm {'ahead of' if at >= 0 else 'behind'} {slots.mark}"
    notes = [Note(code="cleat-mark", text=text)]
    if abs(place - wish) > 0.05:
        text = (
            f"the slots end {abs(place - wish):.1f} mm before the wished place ({wish:+g} mm "
            f"from the first metatarsal head): {_along(place)} it is as far as this shoe goes"
        )
        short = (
            f"slots end {abs(place - wish):.1f} mm before the wished place; {_along(place)} the "
            "joint is as far as they go"
        )
        notes.append(Note(code="cleat-reach", level=NoteLevel.WARN, text=text, short=short))
    return place, notes


def _turn(yaw: float, shoe: Shoe | None, limits: Limits) -> tuple[float, list[Note]]:
    """Return the yaw that the cleat allows, and notes on what stays of the float."""
    slots = shoe.slots if shoe else CleatSlots()
    notes = []
    if slots.yaw is not None and abs(yaw) > slots.yaw:
        text = f"the cleat turns {slots.yaw:g}° at most, not the wished {abs(yaw):g}°"
        notes.append(Note(code="cleat-yaw", level=NoteLevel.WARN, text=text))
        yaw = math.copysign(slots.yaw, yaw)
    free = limits.value("cleat.free_float")
    if slots.float_range is None:
        text = f"float not stated: keep the natural toe-out at least {free:g}° from either end"
        notes.append(Note(code="float-unknown", text=text))
    elif slots.float_range < 2 * free:
        text = (
            f"float of {slots.float_range:g}° in all leaves less than {free:g}° each way of the "
            "natural toe-out; choose a cleat with more"
        )
        notes.append(Note(code="float-small", level=NoteLevel.WARN, text=text))
    return yaw, notes


def _slot_check(shoe: Shoe | None, tube: float, pitch: float) -> tuple[Note, ...]:
    """Compare the whole slot's saddle change with what workshops see."""
    if shoe is None or shoe.slots.front is None or shoe.slots.rear is None:
        return ()
    travel = shoe.slots.front - shoe.slots.rear
    whole = -setback_change(travel, tube, pitch)
    low, high = SLOT_LOWERS_MM
    if low <= whole <= high:
        return ()
    text = (
        f"moving the cleat through this shoe's whole slot ({travel:g} mm) would lower the saddle "
        f"by {whole:.1f} mm; workshops see {low:g} to {high:g} mm (common practice), so set the "
        "saddle by eye and knee angle"
    )
    return (Note(code="saddle-geometry", text=text),)
