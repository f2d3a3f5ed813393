"""The arch pad: its shape, its place, and what decided them.

    Seating + wedges + PadWish -> plan_pad -> PadResult (PadPlan or the reason why there is none)

The pad fills a wished share (support level) of the gap between the seated foot and the bed.
Order of priority: places kept free > never more than the wish > crest under the arch apex. A
move by hand stands above the last of these, not above the others.

Terms
    room       the space under the arch with every rule's ceiling (insole.planning.ceilings)
    crest      highest point of the pad's top
    binding    a rule that takes something off the pad that the wish alone would give
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array, Load
from insole.errors import PlanError, RefusedError
from insole.planning.ceilings import Room, room
from insole.planning.limits import Limits
from insole.planning.outline import edges_at
from insole.planning.plan import (
    Crest,
    HeightGrid,
    Note,
    NoteLevel,
    Override,
    PadPlan,
    Quantity,
    WedgePlan,
)
from insole.planning.seating import Seating
from insole.planning.shaping import (
    PadWish,
    Shaped,
    crest_of,
    crest_window,
    from_kit,
    from_scan,
    move_words,
    outline_of,
)
from insole.planning.surface import feel_of, pad_surface

__all__ = ["PadResult", "PadWish", "move_words", "plan_pad", "support_level"]

NODE_STEP = 2  # mm between nodes of the stored surface
BINDING_MM, BINDING_SHARE = 0.2, 0.03  # off the crest, or of the volume: a rule that decides
HUMP_MM = 0.8  # a hollow between two tops that is felt; common practice, no source
COARSE = 2  # mm: grid on which rules are compared
POOR_FILL = 0.9  # share of the wish below which the plan says what a standing edge would add
WALL_EDGE_MM = 9.0  # edge for that comparison: below the flange limit, common practice, no source
WALL_GAIN_MM = 0.5  # worth saying


@dataclass(frozen=True, slots=True, kw_only=True)
class PadResult:
    """A pad, or why there is none; and what the person at the bench should know."""

    pad: PadPlan | None
    because: str = ""
    notes: tuple[Note, ...] = ()


def plan_pad(
    seating: Seating,
    *,
    wish: PadWish,
    limits: Limits,
    wedges: Sequence[WedgePlan] = (),
    overrides: Sequence[Override] = (),
) -> PadResult:
    """Return the arch pad for a seated foot.

    Parameters
    ----------
    seating : Seating
        Foot on the bed with the wedges' roll.
    wish : PadWish
        Support level, source, moves, tender spots.
    limits : Limits
        Planning limits.
    wedges : sequence of WedgePlan
        Shims already planned; the pad makes room for them.
    overrides : sequence of Override
        Limits passed on purpose.

    Raises
    ------
    PlanError
        A wish is out of range, or a spot or landmark is unusable.
    RefusedError
        The support level is above the limit and nobody signed for it.
    """
    limits = _check(wish, limits)
    level, notes = support_level(wish.level, seating, limits, overrides)
    if "arch_apex" not in seating.landmarks:
        return PadResult(pad=None, because=(
            "the arch was not seen from below in this scan, so no pad can be shaped; scan the "
            "foot with its sole in view"), notes=notes)  # fmt: skip
    space = room(seating, limits=limits, wedges=wedges, tender=wish.tender)
    apex_gap = float(space.at(space.gap, seating.landmarks["arch_apex"]))
    least = limits.value("support.least_height")
    if apex_gap * level < least:
        return PadResult(pad=None, because=(
            f"the gap under the arch is {apex_gap:.1f} mm, of which {100 * level:.0f} % would be "
            f"{apex_gap * level:.1f} mm: there is nothing to fill on so flat an arch (a pad starts "
            f"at {least:g} mm)"), notes=notes)  # fmt: skip
    shape = (from_scan if wish.source == "scan" else from_kit)(space, seating, wish, level, limits)
    if shape is None:
        there = "" if wish.shift == (0.0, 0.0) else f", moved {move_words(*wish.shift)},"
        return PadResult(pad=None, notes=notes, because=(
            f"no pad of the kit{there} fits under this arch without pressing or touching a place "
            "that is kept free; make one from the scan"))  # fmt: skip
    plan = _record(shape, space, seating, wish, level, limits)
    if isinstance(plan, str):
        return PadResult(pad=None, because=plan, notes=notes)
    notes += (*_place_notes(plan, seating, limits), *_hump_notes(shape),
              *_wall_note(plan, space, seating, wish, level, limits))  # fmt: skip
    return PadResult(pad=plan, notes=notes)


def support_level(
    wanted: float | None, seating: Seating, limits: Limits, overrides: Sequence[Override] = ()
) -> tuple[float, tuple[Note, ...]]:
    """Return the support level to plan with and what changed it.

    Without a wish: the first trial's level, less when load or bed is not known. Without a shoe
    no more than that lower level is filled, whatever is wished.

    Raises
    ------
    PlanError
        Not a sensible share.
    RefusedError
        Above the limit without a recorded override.
    """
    unsure = limits.value("support.unsure")
    loose = seating.load in (Load.NONE, Load.UNKNOWN)
    start = unsure if loose or not seating.shoe_known else limits.value("support.first_trial")
    level = start if wanted is None else float(wanted)
    notes = []
    if wanted is None:
        why = "without a measured shoe" if not seating.shoe_known else (
            "since the foot was not scanned under a known load" if loose else "for a first trial")
        notes.append(Note(code="level-start", text=(
            f"no support level was wished: {100 * level:.0f} % of the gap, {why}")))  # fmt: skip
    least = limits.value("support.least")
    if not math.isfinite(level) or not least <= level <= 2.0:
        raise PlanError(
            f"a support level of {100 * level:g} % is not one; give {100 * least:.0f} to "
            f"{100 * limits.value('support.refuse_above'):.0f} %"
        )
    if not seating.shoe_known and level > unsure:
        notes.append(Note(code="level-capped", level=NoteLevel.WARN, text=(
            f"without a shoe no more than {100 * unsure:.0f} % of the gap is filled: a real shank "
            f"rises under the arch; {100 * level:.0f} % was wished")))  # fmt: skip
        level = unsure
    elif loose and level > unsure + 1e-9:
        notes.append(Note(code="level-unsure", level=NoteLevel.WARN, text=(
            f"{100 * level:.0f} % was wished although the foot was not scanned under load; start "
            f"at {100 * unsure:.0f} %")))  # fmt: skip
    most, warn = limits.value("support.refuse_above"), limits.value("support.warn_above")
    if level > most + 1e-9 and not any(o.limit == "support.refuse_above" for o in overrides):
        raise RefusedError(
            f"a support level of {100 * level:.0f} % is above {100 * most:.0f} %: the pad would "
            "lift the arch; lower it, or record an override of support.refuse_above"
        )
    if level > warn + 1e-9:
        notes.append(Note(code="level-presses", level=NoteLevel.WARN, text=(
            f"at {100 * level:.0f} % the pad presses against the standing arch")))  # fmt: skip
    return level, tuple(notes)


def _check(wish: PadWish, limits: Limits) -> Limits:
    """Check the wish; return the limits with its medial edge in place of their own."""
    if wish.source not in ("scan", "kit"):
        raise PlanError(f"a pad comes from 'scan' or 'kit', not from {wish.source!r}")
    far, turn = limits.value("place.free_shift"), limits.value("place.free_turn")
    for value, what in zip(wish.shift, ("forward", "medial"), strict=True):
        if not math.isfinite(value) or abs(value) > far:
            raise PlanError(
                f"a pad cannot be moved {value:g} mm {what}; give -{far:g} to {far:g} mm"
            )
    if not math.isfinite(wish.turn) or abs(wish.turn) > turn:
        raise PlanError(f"a pad cannot be turned by {wish.turn:g}°; give -{turn:g} to {turn:g}°")
    if wish.medial_edge is None:
        return limits
    edge, flange = limits.value("feel.edge"), limits.value("feel.flange")
    if not edge <= wish.medial_edge <= flange:
        raise PlanError(
            f"the pad's medial edge cannot be {wish.medial_edge:g} mm high; give {edge:g} (it "
            f"runs out) to {flange:g} mm (higher, and it meets the ankle or the collar)"
        )
    if wish.source == "kit":
        raise PlanError(
            "pads of the kit run out at their medial edge; for an edge that stands against the "
            "shoe's wall make the pad from the scan"
        )
    return limits.changed(feel__medial_edge=wish.medial_edge)


def _record(
    shape: Shaped, space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> PadPlan | str:
    """Return the plan of a pad, or the reason why the shape is not one."""
    feel = feel_of(limits)
    kit_made = wish.source == "kit"
    top = shape.surface
    crest_x, crest_y, height = crest_of(space, top)
    if shape.crest is not None:
        crest_x, crest_y = shape.crest
    binding = _binding(space, seating, shape, level, limits)
    ring = outline_of(shape, space, feel.edge)
    size = np.ptp(ring, axis=0) if ring is not None else np.zeros(2)
    small = (
        height < limits.value("support.least_height")
        or size[0] < limits.value("support.least_length")
        or size[1] < limits.value("support.least_width")
    )
    if ring is None or small:
        why = "; ".join(binding) or "the gap is too small"
        return (
            f"what may be filled is too small for a pad ({size[0]:.0f} mm long, {size[1]:.0f} mm "
            f"wide, {height:.1f} mm high): {why}"
        )
    gap = float(seating.gap(crest_x, crest_y))
    gap = gap if math.isfinite(gap) else float(space.at(space.gap, (crest_x, crest_y)))
    sd = seating.band / limits.value("keepout.coverage")
    _, medial = edges_at(seating.base, crest_x)
    filled = f"at the crest {100 * height / gap:.0f} % of the gap is filled" if gap > 0 else ""
    up, down = _steps(space, seating, wish, level, height, limits)
    standing = limits.value("feel.medial_edge")
    return PadPlan(
        name=shape.name, source="kit" if kit_made else "scan",
        outline=[(round(float(px), 3), round(float(py), 3)) for px, py in ring],
        top=_nodes(space, top, ring), edge=feel.edge,
        crest=Crest(from_rear=round(crest_x, 2), from_medial=round(float(medial[0]) - crest_y, 2),
                    height=round(height, 2)),
        turn=shape.turn, shift=wish.shift, support_level=round(level, 4),
        front_edge=round(float(ring[:, 0].max()), 2), rear_edge=round(float(ring[:, 0].min()), 2),
        binding=binding,
        gap_at_crest=Quantity(value=round(gap, 2), sd=round(sd, 2)),
        residual_gap=Quantity(value=round(max(gap - height, 0.0), 2), sd=round(sd, 2)),
        step_up=up, step_down=down, reasons=[*shape.reasons, filled],
        medial_edge=standing if standing > feel.edge and not kit_made else None,
        material=(wish.kit.material if kit_made and wish.kit else "trial-eva"),
    )  # fmt: skip


def _nodes(space: Room, top: Array, ring: Array) -> HeightGrid:
    """Return the stored surface: nodes over the outline's box and two more on each side."""
    pad = 2 * NODE_STEP
    i0 = int(max(0, math.floor(ring[:, 0].min() - space.x[0]) - pad))
    j0 = int(max(0, math.floor(ring[:, 1].min() - space.y[0]) - pad))
    i0, j0 = i0 - i0 % NODE_STEP, j0 - j0 % NODE_STEP  # all pads of a foot share their nodes
    i1 = int(math.ceil(ring[:, 0].max() - space.x[0]) + pad + 1)
    j1 = int(math.ceil(ring[:, 1].max() - space.y[0]) + pad + 1)
    z = top[i0:i1:NODE_STEP, j0:j1:NODE_STEP]
    return HeightGrid(x0=float(space.x[i0]), y0=float(space.y[j0]), step=float(NODE_STEP),
                      z=np.round(z, 4).tolist())  # fmt: skip


def _binding(
    space: Room, seating: Seating, shape: Shaped, level: float, limits: Limits
) -> list[str]:
    """Return the rules that take something off the pad, strongest first, in words.

    Each rule is added alone to the wish inside the base, on a coarse grid: what the crest or
    the volume then loses is its share, however many other rules say the same.
    """
    feel = feel_of(limits)
    wish = space.wish(level)[::COARSE, ::COARSE]
    base = next(c for c in space.ceilings if c.code == "base-edge")
    inside = np.minimum(wish, base.z[::COARSE, ::COARSE])
    plain = pad_surface(inside, feel, cell=COARSE)
    volume, crest = max(float(plain.sum()), 1e-9), float(plain.max())
    found: list[tuple[float, str]] = []
    for ceiling in space.ceilings:
        if ceiling is base:
            continue
        z = ceiling.z[::COARSE, ::COARSE]
        if not (z < plain - 0.05).any():
            continue
        alone = pad_surface(np.minimum(inside, z), feel, cell=COARSE)
        lost = crest - float(alone.max())
        share = 1.0 - float(alone.sum()) / volume
        if lost > BINDING_MM or share > BINDING_SHARE:
            found.append((max(share, lost / max(crest, 1e-9)), ceiling.words))
    words = [text for _, text in sorted(found, key=lambda item: -item[0])]
    i, j = np.unravel_index(int(shape.surface.argmax()), shape.surface.shape)
    short = float(space.wish(level)[i, j] - shape.surface[i, j])
    if short > BINDING_MM:
        words.append(
            f"slopes of {feel.slope:g}° ({feel.slope_medial:g}° medially) and the crest's radius "
            f"of {feel.crest_radius:g} mm keep the crest {short:.1f} mm below the wish"
        )
    return words


def _hump_notes(shape: Shaped) -> list[Note]:
    """Return a warning where a place kept free parts the pad into humps along the foot."""
    from scipy import signal

    along = shape.surface.max(axis=1)
    tops, _ = signal.find_peaks(np.pad(along, 1), prominence=HUMP_MM)
    if len(tops) < 2:
        return []
    heights = " and ".join(f"{along[k - 1]:.1f}" for k in tops)
    return [Note(code="pad-humps", level=NoteLevel.WARN, text=(
        f"a place kept free parts the pad into humps, {heights} mm high from rear to front, with a "
        "hollow between them: feel whether its rims press; else cut the pad there"))]  # fmt: skip


def _wall_note(
    plan: PadPlan, space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> list[Note]:
    """Return what a pad that stands against the shoe's medial wall would fill, if much more."""
    gap = plan.gap_at_crest.value or 0.0
    standing = limits.value("feel.medial_edge") > limits.value("feel.edge")
    moved = wish.shift != (0.0, 0.0) or wish.turn  # its shape is not the question then
    if wish.source == "kit" or standing or moved or plan.crest.height >= POOR_FILL * level * gap:
        return []
    edge = min(WALL_EDGE_MM, limits.value("feel.flange"))
    _, medial = edges_at(seating.base, plan.crest.from_rear)
    crest = (plan.crest.from_rear, float(medial[0]) - plan.crest.from_medial)
    coarse, raised = space.coarser(COARSE), limits.changed(feel__medial_edge=edge)
    now = plan.crest.height
    then = coarse.at(from_scan(coarse, seating, wish, level, raised).surface, crest)
    if then - now < WALL_GAIN_MM:
        return []
    return [Note(code="standing-edge", text=(
        f"the pad fills {100 * plan.crest.height / gap:.0f} % of the gap instead of "
        f"{100 * level:.0f} %, also because it runs out at its medial edge; where the shoe's wall "
        f"stands there, an edge of {edge:g} mm (--medial-edge {edge:g}) raises the top at this "
        f"place by {then - now:.1f} mm"))]  # fmt: skip


def _steps(
    space: Room, seating: Seating, wish: PadWish, level: float, height: float, limits: Limits
) -> tuple[str, str]:
    """Return what one step more and one step less of support would do, in words."""
    step, least = limits.value("support.step"), limits.value("support.least")
    up, down = level + step, level - step
    if wish.source == "scan":  # compare like with like: both on the coarse grid
        height = _height_at(space, seating, wish, level, limits)
    if up > limits.value("support.refuse_above") + 1e-9:
        more = (
            f"no further step: above {100 * limits.value('support.refuse_above'):.0f} % is refused"
        )
    elif not seating.shoe_known and up > limits.value("support.unsure") + 1e-9:
        more = "no further step without a measured shoe"
    else:
        gain = _height_at(space, seating, wish, up, limits) - height
        more = f"{100 * up:.0f} %: crest {gain:.1f} mm higher"
        if gain < 0.1:
            more = f"{100 * up:.0f} %: no higher, the rules above hold the crest"
        elif up > limits.value("support.warn_above") + 1e-9:
            more += "; it would press against the standing arch"
    if down < least - 1e-9:
        return more, "no further step: less is not felt"
    loss = height - _height_at(space, seating, wish, down, limits)
    if loss < 0.1:
        return more, f"{100 * down:.0f} %: no lower, the rules above hold the crest there as well"
    return more, f"{100 * down:.0f} %: crest {loss:.1f} mm lower, more room to the arch"


def _height_at(space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits) -> float:
    """Return the crest height that another support level would give, mm."""
    if wish.source == "kit":
        shape = from_kit(space, seating, wish, level, limits)
        return float(shape.surface.max()) if shape else 0.0
    return float(from_scan(space.coarser(COARSE), seating, wish, level, limits).surface.max())


def _place_notes(plan: PadPlan, seating: Seating, limits: Limits) -> list[Note]:
    """Return notes on where the crest came to lie and how it was moved."""
    notes = []
    apex = float(seating.landmarks["arch_apex"][0])
    off = plan.crest.from_rear - apex
    rear, front = crest_window(seating, limits)
    if plan.shift != (0.0, 0.0):
        notes.append(Note(code="pad-moved", text=f"pad moved by hand: {move_words(*plan.shift)}"))
    if plan.medial_edge is not None:
        notes.append(Note(code="medial-edge", level=NoteLevel.WARN, text=(
            f"the pad's medial edge stands up to {plan.medial_edge:g} mm high: only where the "
            "shoe's wall stands against it over the whole length; the collar and the ankle must "
            "clear it by 5 mm, which the fitter checks in the shoe")))  # fmt: skip
    if not rear - 0.5 <= plan.crest.from_rear <= front + 0.5:
        where = "ahead of" if off > 0 else "behind"
        notes.append(Note(code="crest-off-apex", level=NoteLevel.WARN, text=(
            f"the crest lies {abs(off):.0f} mm {where} the arch apex; within "
            f"{apex - rear:g} mm behind and {front - apex:g} mm ahead is usual")))  # fmt: skip
    return notes
