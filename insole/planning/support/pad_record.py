"""The record of a pad: outline, surface, crest, what took something off it, what a step would do.

Shaped + PadTask -> pad_record -> PadPlan, or why the shape is none
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from footscan.scan import Array
from insole.planning.support.shaping import FOLLOWED_FROM, on_grid, outline_of, shaped
from insole.planning.support.space import Room
from insole.planning.support.surface import FREE, feel_of, follow, lower_of
from insole.planning.support.task import PadTask, Shaped
from insole.record.limits import Limits
from insole.record.planned_parts import Crest, PadPlan
from insole.record.rings import edges_at
from insole.record.values import HeightGrid, Quantity

__all__ = ["pad_record"]

NODE_STEP = 2  # mm between nodes of the stored surface
BINDING_MM, BINDING_SHARE = 0.2, 0.03  # off the crest, or of the volume: a rule that decides
COARSE = 2  # mm: grid on which rules are compared
SNUG_MM = 1.0  # off the wish; common practice, no source


def pad_record(shape: Shaped, task: PadTask) -> PadPlan | str:
    """Return the plan of a pad, or the reason why the shape is not one."""
    space, seating, wish, limits = task.space, task.seating, task.wish, task.limits
    feel, level, kit_made = feel_of(limits), task.level, wish.of_kit
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
    up, down = _steps(task, height)
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
        shift=on_grid(wish.moved, limits.value("base.grid_step")) if kit_made else wish.moved,
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
        material=(task.kit.material if kit_made and task.kit else "trial-eva"),
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
    area = shapely.Polygon(ring)
    shapely.prepare(area)
    inside = shapely.contains_xy(area, gx, gy)
    off = space.wish(level)[inside] - top[inside]
    return round(float((off <= SNUG_MM).mean()), 3) if inside.any() else 0.0


def _side_height(space: Room, top: Array, ring: Array, edge: float) -> float:
    """Return how high the pad stands at its border, mm: its edge where it runs out all round."""
    return round(max([edge, *(space.at(top, point) for point in ring)]), 2)


def _steps(task: PadTask, height: float) -> tuple[str, str]:
    """Return what one step more and one step less of support would do, in words."""
    limits, level = task.limits, task.level
    step, least = limits.value("support.step"), limits.value("support.least")
    up, down = level + step, level - step
    if not task.wish.of_kit:  # compare like with like: both on the coarse grid
        fine = task.space
        coarse = task.memory.kept("coarse", (fine,), (COARSE,), lambda: fine.coarser(COARSE))
        task = replace(task, space=coarse)
        height = _height_at(task, level)
    if up > limits.value("support.refuse_above") + 1e-9:
        more = (
            f"no further step: above {100 * limits.value('support.refuse_above'):.0f} % is refused"
        )
    elif not task.seating.shoe_known and up > limits.value("support.unsure") + 1e-9:
        more = "no further step without a measured shoe"
    else:
        gain = _height_at(task, up) - height
        more = f"{100 * up:.0f} %: crest {gain:.1f} mm higher"
        if gain < 0.1:
            more = f"{100 * up:.0f} %: no higher, the rules above hold the crest"
        elif up > limits.value("support.warn_above") + 1e-9:
            more += "; it would press against the standing arch"
    if down < least - 1e-9:
        return more, "no further step: less is not felt"
    loss = height - _height_at(task, down)
    if loss < 0.1:
        return more, f"{100 * down:.0f} %: no lower, the rules above hold the crest there as well"
    return more, f"{100 * down:.0f} %: crest {loss:.1f} mm lower, more room to the arch"


def _height_at(task: PadTask, level: float) -> float:
    """Return the crest height that another support level would give, mm."""
    shape = shaped(task, level)
    return task.space.at(shape.surface, shape.crest) if shape else 0.0
