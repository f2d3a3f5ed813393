"""The arch pad: its shape, its place, and what decided them.

    Seating + wedges + SupportWish -> plan_pad -> PadResult (PadPlan, or why there is none)

The pad fills a wished share (support level) of the gap between the seated foot and the bed.
Order of priority: places kept free > never more than the wish > crest under the arch apex. A
move by hand stands above the last of these, not above the others.

Terms
    room       the space under the arch with every rule's ceiling (insole.planning.support.ceilings)
    crest      highest place of the pad along the arch line, where the foot's apex is found too
    binding    a rule that takes something off the pad that the wish alone would give
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.memory import Memory
from insole.planning.seating import Seating
from insole.planning.support.border import line_at
from insole.planning.support.ceilings import room
from insole.planning.support.kit import Kit
from insole.planning.support.level import support_level
from insole.planning.support.pad_record import pad_record
from insole.planning.support.shaping import crest_window, shaped
from insole.planning.support.space import Room
from insole.planning.support.task import PadTask, Shaped
from insole.planning.support.wish import SupportWish, move_words
from insole.record.limits import Limits
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlan
from insole.record.values import Note, NoteLevel, Override

__all__ = ["PadResult", "plan_pad"]

HUMP_MM = 0.8  # a hollow between two tops that is felt; common practice, no source
RELIEF_MM = (0.5, 3.0)  # a shallower relief is not felt, a deeper one has a rim that presses


@dataclass(frozen=True, slots=True, kw_only=True)
class PadResult:
    """A pad or a contoured bed, or why there is none; and what the bench should know.

    `metatarsal` is the metatarsal pad that was wished on a base.
    """

    pad: PadPlan | None
    because: str = ""
    contour: ContourPlan | None = None
    metatarsal: MetatarsalPlan | None = None
    notes: tuple[Note, ...] = ()


def plan_pad(
    seating: Seating,
    *,
    wish: SupportWish,
    limits: Limits,
    kit: Kit | None = None,
    wedges: Sequence[WedgePlan] = (),
    overrides: Sequence[Override] = (),
    memory: Memory | None = None,
) -> PadResult:
    """Return the arch pad for a seated foot.

    Parameters
    ----------
    seating : Seating
        Foot on the bed with the wedges' roll.
    wish : SupportWish
        Support level, source, moves, tender spots.
    limits : Limits
        Planning limits.
    kit : Kit or None
        Pads to pick from; None takes the default kit.
    wedges : sequence of WedgePlan
        Shims already planned; the pad makes room for them.
    overrides : sequence of Override
        Limits passed on purpose.
    memory : Memory or None
        Keeps the room, which level, moves and turns do not change.

    Raises
    ------
    PlanError
        A wish is out of range, or a spot or landmark is unusable.
    RefusedError
        The support level is above the limit and nobody signed for it.
    """
    _check(wish, limits)
    level, notes = support_level(wish.level, seating, limits, overrides)
    if "arch_apex" not in seating.landmarks:
        return PadResult(
            pad=None,
            because=(
                "the arch was not seen from below in this scan, so no pad can be shaped; scan the "
                "foot with its sole in view"
            ),
            notes=notes,
        )
    memory = memory or Memory()
    space = memory.kept(
        "room",
        (seating, limits),
        (tuple(w.model_dump_json() for w in wedges), wish.spots, wish.relief),
        lambda: room(seating, limits=limits, wedges=wedges, tender=wish.spots, relief=wish.relief),
    )
    apex_gap = float(space.at(space.gap, seating.landmarks["arch_apex"]))
    least = limits.value("support.least_height")
    if apex_gap * level < least:
        because = (
            f"the gap under the arch is {apex_gap:.1f} mm, of which {100 * level:.0f} % would be "
            f"{apex_gap * level:.1f} mm: there is nothing to fill on so flat an arch (a pad starts "
            f"at {least:g} mm)"
        )
        return PadResult(pad=None, because=because, notes=notes)
    task = PadTask(
        space=space,
        seating=seating,
        wish=wish,
        level=level,
        limits=limits,
        memory=memory,
        kit=kit,
    )
    shape = shaped(task, level)
    if shape is None:
        there = "" if wish.moved == (0.0, 0.0) else f", moved {move_words(*wish.moved)},"
        return PadResult(
            pad=None,
            notes=notes,
            because=(
                f"no pad of the kit{there} fits under this arch without pressing or touching a "
                "place that is kept free; make one from the scan"
            ),
        )
    plan = pad_record(shape, task)
    if isinstance(plan, str):
        return PadResult(pad=None, because=plan, notes=notes)
    notes += (*_place_notes(plan, seating, limits), *_hump_notes(shape, space, seating))
    return PadResult(pad=plan, notes=notes)


def _check(wish: SupportWish, limits: Limits) -> None:
    """Refuse a wish that no pad can have."""
    if wish.source not in (None, "scan", "kit"):
        raise PlanError(f"a pad comes from 'scan' or 'kit', not from {wish.source!r}")
    far, turn = limits.value("place.free_shift"), limits.value("place.free_turn")
    for value, what in zip(wish.moved, ("forward", "medial"), strict=True):
        if not math.isfinite(value) or abs(value) > far:
            raise PlanError(
                f"a pad cannot be moved {value:g} mm {what}; give -{far:g} to {far:g} mm"
            )
    if not math.isfinite(wish.turned) or abs(wish.turned) > turn:
        raise PlanError(f"a pad cannot be turned by {wish.turned:g}°; give -{turn:g} to {turn:g}°")
    low, high = RELIEF_MM
    if wish.relief is not None and not low <= wish.relief <= high:
        raise PlanError(f"a relief cannot be {wish.relief:g} mm deep; give {low:g} to {high:g} mm")
    if wish.medial_edge is None:
        return
    edge, flange = limits.value("feel.edge"), limits.value("feel.flange")
    if not edge <= wish.medial_edge <= flange:
        raise PlanError(
            f"the pad's medial edge cannot be {wish.medial_edge:g} mm high; give {edge:g} (it "
            f"runs out) to {flange:g} mm (higher, and it meets the ankle or the collar)"
        )
    if wish.of_kit:
        raise PlanError(
            "pads of the kit have the medial side they have; for one of another height make the "
            "pad from the scan"
        )


def _hump_notes(shape: Shaped, space: Room, seating: Seating) -> list[Note]:
    """Return a warning where a place kept free parts the pad into humps along the arch line."""
    y = line_at(seating, space.x)
    along = np.array([space.at(shape.surface, p) for p in zip(space.x, y, strict=True)])
    tops = _tops(np.pad(along, 1), HUMP_MM)
    if len(tops) < 2:
        return []
    heights = " and ".join(f"{along[k - 1]:.1f}" for k in tops)
    short = f"humps {heights} mm high: feel rims, or cut between"
    return [
        Note(
            code="pad-humps",
            level=NoteLevel.WARN,
            short=short,
            text=(
                f"a place kept free parts the pad into humps, {heights} mm high from rear to "
                "front, with a "
                "hollow between them: feel whether its rims press; else cut the pad there"
            ),
        )
    ]


def _tops(heights: Array, prominence: float) -> list[int]:
    """Return the places of the tops that stand so far above the saddles to any higher place.

    As ``scipy.signal.find_peaks`` by prominence, whose import takes a second; the middle of a
    level top.
    """
    found = []
    ends = np.flatnonzero(np.append(np.diff(heights) != 0, True))
    for first, last in zip(np.append(-1, ends[:-1]) + 1, ends, strict=True):
        top = heights[first]
        inner = first > 0 and last < len(heights) - 1
        if not inner or max(heights[first - 1], heights[last + 1]) > top:
            continue
        higher = np.flatnonzero(heights > top)
        low, high = higher[higher < first], higher[higher > last]
        before = heights[low[-1] + 1 if len(low) else 0 : first]
        after = heights[last + 1 : high[0] if len(high) else len(heights)]
        if top - max(before.min(), after.min()) >= prominence:
            found.append(int(first + last) // 2)
    return found


def _place_notes(plan: PadPlan, seating: Seating, limits: Limits) -> list[Note]:
    """Return notes on where the crest came to lie and how it was moved."""
    notes = []
    apex = float(seating.landmarks["arch_apex"][0])
    off = plan.crest.from_rear - apex
    rear, front = crest_window(seating, limits)
    if plan.shift != (0.0, 0.0):
        notes.append(Note(code="pad-moved", text=f"pad moved by hand: {move_words(*plan.shift)}"))
    if plan.medial_height is not None and plan.medial_height > plan.edge + 0.3:
        short = (
            f"side stands {plan.medial_height:.1f} mm high: only against the shoe's wall; collar "
            "and ankle must clear it by 5 mm"
        )
        notes.append(
            Note(
                code="medial-side",
                level=NoteLevel.WARN,
                short=short,
                text=(
                    f"the pad's medial side stands up to {plan.medial_height:.1f} mm high against "
                    "the shoe's wall: collar and ankle must clear it by 5 mm, which the fitter "
                    "checks in the shoe; where the wall stands off, let it run out (a medial edge "
                    "of 0.4 mm)"
                ),
            )
        )
    if not rear - 0.5 <= plan.crest.from_rear <= front + 0.5:
        where = "ahead of" if off > 0 else "behind"
        short = f"crest {abs(off):.0f} mm {where} the arch apex: ask about it"
        notes.append(
            Note(
                code="crest-off-apex",
                level=NoteLevel.WARN,
                short=short,
                text=(
                    f"the crest lies {abs(off):.0f} mm {where} the arch apex; within "
                    f"{apex - rear:g} mm behind and {front - apex:g} mm ahead is usual"
                ),
            )
        )
    return notes
