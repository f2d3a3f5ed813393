"""The arch pad: its shape, its place, and what decided them.

    Seating + wedges + PadWish -> plan_pad -> PadResult (PadPlan or the reason why there is none)

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
from insole.planning.support.level import support_level
from insole.planning.support.shaping import (
    FOLLOWED_FROM,
    crest_window,
    from_kit,
    from_scan,
    outline_of,
)
from insole.planning.support.space import Room
from insole.planning.support.surface import FREE, feel_of, follow, lower_of
from insole.planning.support.wish import PadWish, Shaped, move_words
from insole.record.limits import Limits
from insole.record.plan import (
    ContourPlan,
    Crest,
    HeightGrid,
    MetatarsalPlan,
    Note,
    NoteLevel,
    Override,
    PadPlan,
    Quantity,
    WedgePlan,
)
from insole.record.rings import edges_at

__all__ = ["PadResult", "PadWish", "move_words", "plan_pad"]

NODE_STEP = 2  # mm between nodes of the stored surface
BINDING_MM, BINDING_SHARE = 0.2, 0.03  # off the crest, or of the volume: a rule that decides
HUMP_MM = 0.8  # a hollow between two tops that is felt; common practice, no source
COARSE = 2  # mm: grid on which rules are compared
SNUG_MM = 1.0  # off the wish; common practice, no source
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
    wish: PadWish,
    limits: Limits,
    wedges: Sequence[WedgePlan] = (),
    overrides: Sequence[Override] = (),
    memory: Memory | None = None,
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
        (tuple(w.model_dump_json() for w in wedges), tuple(wish.tender), wish.relief),
        lambda: room(seating, limits=limits, wedges=wedges, tender=wish.tender, relief=wish.relief),
    )
    apex_gap = float(space.at(space.gap, seating.landmarks["arch_apex"]))
    least = limits.value("support.least_height")
    if apex_gap * level < least:
        return PadResult(
            pad=None,
            because=(
                f"the gap under the arch is {apex_gap:.1f} mm, of which {100 * level:.0f} % "
                "would be "
                f"{apex_gap * level:.1f} mm: there is nothing to fill on so flat an arch (a pad "
                "starts "
                f"at {least:g} mm)"
            ),
            notes=notes,
        )
    shape = (from_scan if wish.source == "scan" else from_kit)(
        space, seating, wish, level, limits, memory
    )
    if shape is None:
        there = "" if wish.shift == (0.0, 0.0) else f", moved {move_words(*wish.shift)},"
        return PadResult(
            pad=None,
            notes=notes,
            because=(
                f"no pad of the kit{there} fits under this arch without pressing or touching a "
                "place "
                "that is kept free; make one from the scan"
            ),
        )
    plan = _record(shape, space, seating, wish, level, limits, memory)
    if isinstance(plan, str):
        return PadResult(pad=None, because=plan, notes=notes)
    notes += (*_place_notes(plan, seating, limits), *_hump_notes(shape, space, seating))
    return PadResult(pad=plan, notes=notes)


def _check(wish: PadWish, limits: Limits) -> None:
    """Refuse a wish that no pad can have."""
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
    if wish.source == "kit":
        raise PlanError(
            "pads of the kit have the medial side they have; for one of another height make the "
            "pad from the scan"
        )


def _record(
    shape: Shaped,
    space: Room,
    seating: Seating,
    wish: PadWish,
    level: float,
    limits: Limits,
    memory: Memory,
) -> PadPlan | str:
    """Return the plan of a pad, or the reason why the shape is not one."""
    feel = feel_of(limits)
    kit_made = wish.source == "kit"
    top = shape.surface
    crest_x, crest_y = shape.crest
    height = space.at(top, shape.crest)
    binding = _binding(space, shape, level, limits, kit_made=kit_made)
    ring = outline_of(shape)
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
    up, down = _steps(space, seating, wish, level, height, limits, memory)
    side = _side_height(space, top, ring, feel.edge)
    return PadPlan(
        name=shape.name,
        source="kit" if kit_made else "scan",
        outline=[(round(float(px), 3), round(float(py), 3)) for px, py in ring],
        top=_nodes(space, top, ring),
        edge=feel.edge,
        crest=Crest(
            from_rear=round(crest_x, 2),
            from_medial=round(float(medial[0]) - crest_y, 2),
            height=round(height, 2),
            y=round(crest_y, 2),
        ),
        turn=shape.turn,
        shift=wish.shift,
        support_level=round(level, 4),
        front_edge=round(float(ring[:, 0].max()), 2),
        rear_edge=round(float(ring[:, 0].min()), 2),
        binding=binding,
        gap_at_crest=Quantity(value=round(gap, 2), sd=round(sd, 2)),
        residual_gap=Quantity(value=round(max(gap - height, 0.0), 2), sd=round(sd, 2)),
        snug=_snug(space, top, ring, level),
        step_up=up,
        step_down=down,
        reasons=[*shape.reasons, filled],
        medial_edge=wish.medial_edge,
        medial_height=side,
        rim_radius=limits.value("feel.rim_radius") if side > feel.edge + 0.1 else 0.0,
        material=(wish.kit.material if kit_made and wish.kit else "trial-eva"),
    )


def _nodes(space: Room, top: Array, ring: Array) -> HeightGrid:
    """Return the stored surface: nodes over the outline's box and two more on each side."""
    pad = 2 * NODE_STEP
    i0 = int(max(0, math.floor(ring[:, 0].min() - space.x[0]) - pad))
    j0 = int(max(0, math.floor(ring[:, 1].min() - space.y[0]) - pad))
    i0, j0 = i0 - i0 % NODE_STEP, j0 - j0 % NODE_STEP  # all pads of a foot share their nodes
    i1 = int(math.ceil(ring[:, 0].max() - space.x[0]) + pad + 1)
    j1 = int(math.ceil(ring[:, 1].max() - space.y[0]) + pad + 1)
    z = top[i0:i1:NODE_STEP, j0:j1:NODE_STEP]
    return HeightGrid(
        x0=float(space.x[i0]),
        y0=float(space.y[j0]),
        step=float(NODE_STEP),
        z=np.round(z, 4).tolist(),
    )


def _binding(
    space: Room, shape: Shaped, level: float, limits: Limits, *, kit_made: bool
) -> list[str]:
    """Return the rules that take something off the pad, strongest first, in words.

    Each rule is added alone to the wish inside the base, on a coarse grid: what the crest or
    the volume then loses is its share, however many other rules say the same.
    """
    feel = feel_of(limits)
    thin = space.coarser(COARSE)
    base = next(c for c in thin.ceilings if c.code == "base-edge")
    inside = base.z > 0

    def topped(z: Array) -> Array:
        top = follow(np.where(inside, z, FREE), thin.felt, feel, cell=thin.cell)
        return np.where(inside, np.maximum(top, 0.0), 0.0)

    wish = thin.wish(level)
    plain = np.where(inside, wish, 0.0) if level < FOLLOWED_FROM else topped(wish)
    volume, crest = max(float(plain.sum()), 1e-9), thin.at(plain, shape.crest)
    found: list[tuple[float, str]] = []
    for ceiling in thin.ceilings:
        if ceiling.code == "base-edge" or not (inside & (ceiling.z < plain - 0.05)).any():
            continue
        alone = (
            np.where(inside, lower_of(plain, ceiling.z), 0.0)
            if ceiling.cap
            else np.minimum(
                plain, topped(np.minimum(thin.wish(max(level, FOLLOWED_FROM)), ceiling.z))
            )
        )
        lost = crest - thin.at(alone, shape.crest)
        share = 1.0 - float(alone.sum()) / volume
        if lost > BINDING_MM or share > BINDING_SHARE:
            found.append((max(share, lost / max(crest, 1e-9)), ceiling.words))
    words = [text for _, text in sorted(found, key=lambda item: -item[0])]
    short = space.at(space.wish(level), shape.crest) - space.at(shape.surface, shape.crest)
    if short > BINDING_MM and kit_made:
        words.append(
            f"the kit has no higher pad that fits: its crest is {short:.1f} mm below the wish"
        )
    elif short > BINDING_MM:
        words.append(
            f"the gap under the sole may change by at most {feel.residual:g} mm per mm, so that no "
            f"edge is felt: with the places kept free this holds the crest {short:.1f} mm below "
            "the wish"
        )
    return words


def _snug(space: Room, top: Array, ring: Array, level: float) -> float:
    """Return the share of a pad's area in which its top lies within 1 mm of the wish."""
    import shapely

    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    inside = shapely.contains_xy(shapely.Polygon(ring), gx, gy)
    off = space.wish(level)[inside] - top[inside]
    return round(float((off <= SNUG_MM).mean()), 3) if inside.any() else 0.0


def _side_height(space: Room, top: Array, ring: Array, edge: float) -> float:
    """Return how high the pad stands at its border, mm: its edge where it runs out all round."""
    return round(max([edge, *(space.at(top, point) for point in ring)]), 2)


def _hump_notes(shape: Shaped, space: Room, seating: Seating) -> list[Note]:
    """Return a warning where a place kept free parts the pad into humps along the arch line."""
    from scipy import signal

    y = line_at(seating, space.x)
    along = np.array([space.at(shape.surface, p) for p in zip(space.x, y, strict=True)])
    tops, _ = signal.find_peaks(np.pad(along, 1), prominence=HUMP_MM)
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


def _steps(
    space: Room,
    seating: Seating,
    wish: PadWish,
    level: float,
    height: float,
    limits: Limits,
    memory: Memory,
) -> tuple[str, str]:
    """Return what one step more and one step less of support would do, in words."""
    step, least = limits.value("support.step"), limits.value("support.least")
    up, down = level + step, level - step
    if wish.source == "scan":  # compare like with like: both on the coarse grid
        space = memory.kept("coarse", (space,), (COARSE,), lambda: space.coarser(COARSE))
        height = _height_at(space, seating, wish, level, limits, memory)
    if up > limits.value("support.refuse_above") + 1e-9:
        more = (
            f"no further step: above {100 * limits.value('support.refuse_above'):.0f} % is refused"
        )
    elif not seating.shoe_known and up > limits.value("support.unsure") + 1e-9:
        more = "no further step without a measured shoe"
    else:
        gain = _height_at(space, seating, wish, up, limits, memory) - height
        more = f"{100 * up:.0f} %: crest {gain:.1f} mm higher"
        if gain < 0.1:
            more = f"{100 * up:.0f} %: no higher, the rules above hold the crest"
        elif up > limits.value("support.warn_above") + 1e-9:
            more += "; it would press against the standing arch"
    if down < least - 1e-9:
        return more, "no further step: less is not felt"
    loss = height - _height_at(space, seating, wish, down, limits, memory)
    if loss < 0.1:
        return more, f"{100 * down:.0f} %: no lower, the rules above hold the crest there as well"
    return more, f"{100 * down:.0f} %: crest {loss:.1f} mm lower, more room to the arch"


def _height_at(
    space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits, memory: Memory
) -> float:
    """Return the crest height that another support level would give, mm."""
    made = from_kit if wish.source == "kit" else from_scan
    shape = made(space, seating, wish, level, limits, memory)
    return space.at(shape.surface, shape.crest) if shape else 0.0


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
            "and ankle clear it by 5 mm"
        )
        notes.append(
            Note(
                code="medial-side",
                level=NoteLevel.WARN,
                short=short,
                text=(
                    f"the pad's medial side stands up to {plan.medial_height:.1f} mm high "
                    "against the "
                    "shoe's wall: collar and ankle must clear it by 5 mm, which the fitter "
                    "checks in the "
                    "shoe; where the wall stands off, let it run out (--medial-edge 0.4)"
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
