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
from typing import Any

import numpy as np
from scipy import ndimage, spatial

from footscan.scan import Array, Load
from insole.errors import PlanError, RefusedError
from insole.planning import kit as kits
from insole.planning.ceilings import Room, ball_line, room
from insole.planning.limits import Limits
from insole.planning.outline import edges_at, smooth_ring
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
from insole.planning.surface import Feel, feel_of, pad_surface

__all__ = ["PadResult", "PadWish", "move_words", "plan_pad", "support_level"]

OFF_CREST_SLOPE = 0.02  # mm per mm: the top falls at least this much away from the crest's window
NODE_STEP = 2  # mm between nodes of the stored surface
OUTLINE_RISE_MM = 0.02  # the outline lies where the top has left its edge by this much
LET_GO = 0.6  # share of the free crest below which a crest in the window is given up
HOLD_MM = 1.5  # the crest settles by so much when its surroundings are lowered
HAND_MM = 2.5  # how closely the crest follows a move by hand
BRIDGE_MM = 12.0  # a bay in the outline narrower than twice this is bridged by the thin edge
BINDING_MM, BINDING_SHARE = 0.2, 0.03  # off the crest, or of the volume: a rule that decides
COARSE = 2  # mm: grid on which rules are compared


@dataclass(frozen=True, slots=True, kw_only=True)
class PadWish:
    """What the fitter wants of a pad.

    Attributes
    ----------
    level : float or None
        Support level, pad top over gap; None takes the first trial's.
    source : str
        ``"scan"`` for a one-off pad, ``"kit"`` for the best one of `kit`.
    shift : (float, float)
        Moved by hand: mm forward, mm medial.
    turn : float
        Turned by hand, degrees about +z (+ turns the front medially).
    tender : tuple of (x, y)
        Tender spots, bed frame, mm.
    kit : Kit or None
        None takes the default kit.
    """

    level: float | None = None
    source: str = "scan"
    shift: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    tender: tuple[tuple[float, float], ...] = ()
    kit: kits.Kit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PadResult:
    """A pad, or why there is none; and what the person at the bench should know."""

    pad: PadPlan | None
    because: str = ""
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shape:
    """A pad's surface on the room's grid (before its edge), its name and its reasons."""

    surface: Array
    name: str
    turn: float
    crest: tuple[float, float] | None = None
    reasons: tuple[str, ...] = ()


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
    _check(wish, limits)
    level, notes = support_level(wish.level, seating, limits, overrides)
    if "arch_apex" not in seating.landmarks:
        return PadResult(pad=None, because=(
            "the arch was not seen from below in this scan, so no pad can be shaped; scan the "
            "foot with its sole in view"), notes=notes)  # fmt: skip
    space = room(seating, limits=limits, wedges=wedges, tender=wish.tender)
    apex_gap = float(_at(space, space.gap, seating.landmarks["arch_apex"][:2]))
    least = limits.value("support.least_height")
    if apex_gap * level < least:
        return PadResult(pad=None, because=(
            f"the gap under the arch is {apex_gap:.1f} mm, of which {100 * level:.0f} % would be "
            f"{apex_gap * level:.1f} mm: there is nothing to fill on so flat an arch (a pad starts "
            f"at {least:g} mm)"), notes=notes)  # fmt: skip
    shape = (_from_scan if wish.source == "scan" else _from_kit)(space, seating, wish, level, limits)
    if shape is None:
        return PadResult(pad=None, notes=notes, because=(
            "no pad of the kit fits under this arch without pressing or touching a place that is "
            "kept free; make one from the scan"))  # fmt: skip
    plan = _record(shape, space, seating, wish, level, limits)
    if isinstance(plan, str):
        return PadResult(pad=None, because=plan, notes=notes)
    return PadResult(pad=plan, notes=(*notes, *_place_notes(plan, seating, limits)))


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
    least = limits.value("support.least")
    if not math.isfinite(level) or not least <= level <= 2.0:
        raise PlanError(
            f"a support level of {100 * level:g} % is not one; give {100 * least:.0f} to "
            f"{100 * limits.value('support.refuse_above'):.0f} %"
        )
    notes = []
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


def move_words(forward: float, medial: float, turn: float = 0.0) -> str:
    """Return a move in words.

    Examples
    --------
    >>> move_words(3.0, -2.0)
    '3 mm forward, 2 mm lateral'
    >>> move_words(0.0, 0.0, 5.0)
    'turned 5° (front medially)'
    """
    words = []
    for value, ahead, back in ((forward, "forward", "rearward"), (medial, "medial", "lateral")):
        if abs(value) >= 0.05:
            words.append(f"{round(abs(value), 1):g} mm {ahead if value > 0 else back}")
    if abs(turn) >= 0.05:
        side = "medially" if turn > 0 else "laterally"
        words.append(f"turned {round(abs(turn), 1):g}° (front {side})")
    return ", ".join(words) or "not moved"


def _check(wish: PadWish, limits: Limits) -> None:
    if wish.source not in ("scan", "kit"):
        raise PlanError(f"a pad comes from 'scan' or 'kit', not from {wish.source!r}")
    far, turn = limits.value("place.free_shift"), limits.value("place.free_turn")
    for value, what in zip(wish.shift, ("forward", "medial"), strict=True):
        if not math.isfinite(value) or abs(value) > far:
            raise PlanError(f"a pad cannot be moved {value:g} mm {what}; give -{far:g} to {far:g} mm")
    if not math.isfinite(wish.turn) or abs(wish.turn) > turn:
        raise PlanError(f"a pad cannot be turned by {wish.turn:g}°; give -{turn:g} to {turn:g}°")


def _from_scan(
    space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> _Shape:
    """Return the one-off pad: the highest surface under wish and rules."""
    feel = feel_of(limits)
    free = space.lowest(level)
    ceiling = _bounded(space, free, _domain(space, level, limits), feel)
    apex = float(seating.landmarks["arch_apex"][0])
    surface = _held(space, ceiling, apex, _window(seating, limits), feel)
    if wish.shift != (0.0, 0.0) or wish.turn:
        # the pad as a hand would move it, then cut back to the wish and the rules there
        aim = _crest(space, surface)[0] + wish.shift[0]
        moved = _moved(space, surface, wish.shift, wish.turn, feel)
        area = _domain(space, level, limits, top=moved)
        ceiling = _bounded(space, np.minimum(moved, free), area, feel)
        surface = _held(space, ceiling, aim, (aim - HAND_MM, aim + HAND_MM), feel)
    reasons = [f"shaped from the scanned arch, {100 * level:.0f} % of the gap"]
    reasons += _how_seen(seating)
    return _Shape(surface=surface, name="arch pad from the scan", turn=wish.turn,
                  reasons=tuple(reasons))  # fmt: skip


def _bounded(space: Room, ceiling: Array, area: object, feel: Feel) -> Array:
    """Return the ceiling inside an area: rising from the edge at its border, nothing outside.

    By the distance to the border itself, not to the grid, so that the pad ends where it should.
    """
    import shapely

    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    if area.is_empty:
        return np.full(ceiling.shape, feel.edge)
    border = np.asarray(area.exterior.segmentize(0.2).coords)
    away, _ = spatial.cKDTree(border).query(np.column_stack([gx.ravel(), gy.ravel()]))
    inside = shapely.contains_xy(area, gx, gy)
    rise = np.tan(np.radians(feel.slope_medial)) * away.reshape(gx.shape)
    return np.where(inside, np.minimum(ceiling, feel.edge + rise), feel.edge)


def _domain(space: Room, level: float, limits: Limits, top: Array | None = None) -> Any:
    """Return the polygon in which a one-off pad may lie: enough to fill, and corners rounded.

    Half a cell inside what the grid shows, so that no rule is passed by the grid's coarseness.
    Tender spots do not count here: they become hollows inside the outline, not bays of it.
    """
    import shapely
    from skimage import measure

    height = space.lowest(level, without="tender")
    least = limits.value("support.least_fill")
    if top is not None:
        height = np.where(top > limits.value("feel.edge") + OUTLINE_RISE_MM, height, 0.0)
    rings = measure.find_contours(np.pad(np.minimum(height, 2 * least), 1), least)
    origin = np.array([space.x[0], space.y[0]])
    pieces = [shapely.Polygon((r - 1.0) * space.cell + origin).buffer(0) for r in rings if len(r) > 3]
    radius = limits.value("feel.corner_radius")
    area = shapely.union_all(pieces) if pieces else shapely.Polygon()
    area = area.buffer(-radius - space.cell / 2).buffer(radius)
    return max(getattr(area, "geoms", [area]), key=lambda piece: piece.area)


def _held(
    space: Room, ceiling: Array, aim: float, window: tuple[float, float], feel: Feel
) -> Array:
    """Return the pad surface with its crest held in a window along the bed, best at `aim`.

    Away from the aim nothing may be as high as the highest point in the window; that keeps the
    order of surfaces, so more support never lowers the pad. Where a place that is kept free
    takes most of the height in the window, the crest is let go: there it cannot be.
    """
    free = pad_surface(ceiling, feel, cell=space.cell)
    rear, front = window[0] + HOLD_MM, window[1] - HOLD_MM
    inside = (space.x >= rear) & (space.x <= front)
    top = float(free[inside].max()) if inside.any() else 0.0
    if top < LET_GO * float(free.max()):
        return free
    fall = top - OFF_CREST_SLOPE * np.abs(space.x - aim)
    return pad_surface(np.minimum(ceiling, fall[:, None]), feel, cell=space.cell)


def _window(seating: Seating, limits: Limits) -> tuple[float, float]:
    """Return from where to where along x the crest may lie without being moved by hand."""
    apex = float(seating.landmarks["arch_apex"][0])
    along = limits.value("place.crest_along")
    return apex - along, apex + min(along, limits.value("place.crest_forward"))


def _moved(
    space: Room, surface: Array, shift: tuple[float, float], turn: float, feel: Feel
) -> Array:
    """Return a surface moved by `shift` and turned about its crest; nothing comes from outside."""
    i, j = np.unravel_index(int(surface.argmax()), surface.shape)
    crest = np.array([space.x[i], space.y[j]])
    angle = math.radians(turn)
    c, s = math.cos(angle), math.sin(angle)
    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    dx, dy = gx - crest[0] - shift[0], gy - crest[1] - shift[1]
    u, v = crest[0] + c * dx + s * dy - space.x[0], crest[1] - s * dx + c * dy - space.y[0]
    at = [u / space.cell, v / space.cell]
    return ndimage.map_coordinates(surface, at, order=1, mode="constant", cval=feel.edge)


def _from_kit(
    space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> _Shape | None:
    """Return the best pad of the kit on the placement grid, or None when none fits."""
    feel = feel_of(limits)
    kit = wish.kit or kits.default_kit(limits)
    step, turn_step = limits.value("base.grid_step"), limits.value("base.turn_step")
    allowed = space.lowest(level)
    # a node beside a place that is kept free counts as such: nothing slips between nodes
    allowed = np.where(ndimage.minimum_filter(allowed, 3) <= feel.edge, feel.edge, allowed)
    target = _target(space, allowed, seating, limits)
    search = {"allowed": allowed, "x": space.x, "y": space.y, "target": target, "feel": feel}
    found = kits.pick(
        kit, places=_places(target, seating, limits), turns=[turn_step * k for k in kits.TURNS],
        **search,
    )  # fmt: skip
    if found is None:
        return None
    reasons = [f"from the kit '{kit.name}', on the {step:g} mm grid", *_how_seen(seating)]
    shift = tuple(step * round(v / step) for v in wish.shift)
    turn = turn_step * round(wish.turn / turn_step)
    if any(shift) or turn:
        first = found
        place = (first.x + shift[0], first.y + shift[1])
        found = kits.pick(kit, places=[place], turns=[first.turn + turn], **search)
        if found is None:
            return None
        reasons.append(f"moved on the grid: {move_words(*shift, turn)}")
        if found.pad != first.pad:
            reasons.append(f"there the pad {first.pad.name} would press; {found.pad.name} fits")
    surface = _on_room(space, found, feel)
    return _Shape(surface=surface, name=f"kit pad {found.pad.name}", turn=found.turn,
                  crest=(found.x, found.y), reasons=tuple(reasons))  # fmt: skip


def _target(space: Room, allowed: Array, seating: Seating, limits: Limits) -> tuple[float, float]:
    """Return where a crest would lie best: at the apex, across where the room is highest."""
    apex = seating.landmarks["arch_apex"]
    free = pad_surface(allowed, feel_of(limits))
    across = free[int(np.argmin(np.abs(space.x - apex[0])))]
    return float(apex[0]), float(space.y[int(across.argmax())])


def _places(
    target: tuple[float, float], seating: Seating, limits: Limits
) -> list[tuple[float, float]]:
    """Return the grid places in the crest's window, within 9 mm across of the target."""
    step = limits.value("base.grid_step")
    start = seating.station + limits.value("base.grid_from") * seating.foot_length
    rear, front = _window(seating, limits)
    along = np.arange(math.ceil((rear - start) / step), math.floor((front - start) / step) + 1)
    across = np.arange(round(target[1] / step) - 3, round(target[1] / step) + 4)
    return [(float(start + step * i), float(step * j)) for i in along for j in across]


def _on_room(space: Room, placed: kits.Placed, feel: Feel) -> Array:
    """Return the surface of a placed kit pad on the room's grid, mm."""
    px, py, heights = kits.pad_heights(placed.pad, feel)
    angle = math.radians(placed.turn)
    c, s = math.cos(angle), math.sin(angle)
    gx, gy = np.meshgrid(space.x - placed.x, space.y - placed.y, indexing="ij")
    u, v = c * gx + s * gy - px[0], -s * gx + c * gy - py[0]
    return ndimage.map_coordinates(heights, [u, v], order=1, mode="constant", cval=feel.edge)


def _record(
    shape: _Shape, space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> PadPlan | str:
    """Return the plan of a pad, or the reason why the shape is not one."""
    feel = feel_of(limits)
    kit_made = wish.source == "kit"
    top = shape.surface
    crest_x, crest_y, height = _crest(space, top)
    if shape.crest is not None:
        crest_x, crest_y = shape.crest
    binding = _binding(space, seating, shape, level, limits)
    ring = _outline(space, top, feel.edge, (crest_x, crest_y))
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
    gap = gap if math.isfinite(gap) else float(_at(space, space.gap, (crest_x, crest_y)))
    sd = seating.band / limits.value("keepout.coverage")
    _, medial = edges_at(seating.base, crest_x)
    filled = f"at the crest {100 * height / gap:.0f} % of the gap is filled" if gap > 0 else ""
    up, down = _steps(space, seating, wish, level, height, limits)
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
        material=(wish.kit.material if kit_made and wish.kit else "trial-eva"),
    )  # fmt: skip


def _crest(space: Room, top: Array) -> tuple[float, float, float]:
    """Return place and height of the highest point, refined by a parabola each way, mm."""
    i, j = (int(k) for k in np.unravel_index(int(top.argmax()), top.shape))
    # a flat top counts by its middle
    level = top >= top[i, j] - 1e-3
    label, _ = ndimage.label(level)
    part = label == label[i, j]
    if part.sum() > 1:
        ci, cj = (space.cell * v for v in ndimage.center_of_mass(part))
        return float(space.x[0] + ci), float(space.y[0] + cj), float(top[i, j])
    at = []
    for axis, k in ((0, i), (1, j)):
        line = top[:, j] if axis == 0 else top[i, :]
        a, b, c = line[max(k - 1, 0)], line[k], line[min(k + 1, len(line) - 1)]
        bend = a - 2 * b + c
        at.append(k + (0.5 * (a - c) / bend if bend < -1e-9 else 0.0))
    x, y = space.x[0] + space.cell * at[0], space.y[0] + space.cell * at[1]
    return float(x), float(y), float(top[i, j])


def _outline(
    space: Room, surface: Array, edge: float, crest: tuple[float, float]
) -> Array | None:
    """Return the ring around the crest where the surface leaves its edge, counter-clockwise."""
    import shapely
    from skimage import measure

    level = edge + OUTLINE_RISE_MM
    found = measure.find_contours(np.pad(surface, 1, constant_values=0.0), level)
    rings = [c - 1.0 + [space.x[0], space.y[0]] for c in found if len(c) > 8]
    rings = [r for r in rings if shapely.Polygon(r).contains(shapely.Point(crest))]
    if not rings:
        return None
    outer = shapely.Polygon(max(rings, key=lambda r: shapely.Polygon(r).area))
    outer = outer.buffer(BRIDGE_MM).buffer(-BRIDGE_MM)  # hollows at tender spots stay inside
    return smooth_ring(np.asarray(outer.exterior.coords)[:-1], sigma_mm=1.5)


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
    space: Room, seating: Seating, shape: _Shape, level: float, limits: Limits
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
            f"slopes of {feel.slope:g}° ({feel.slope_medial:g}° medially) and the crest's radius of "
            f"{feel.crest_radius:g} mm keep the crest {short:.1f} mm below the wish"
        )
    return words


def _steps(
    space: Room, seating: Seating, wish: PadWish, level: float, height: float, limits: Limits
) -> tuple[str, str]:
    """Return what one step more and one step less of support would do, in words."""
    step, least = limits.value("support.step"), limits.value("support.least")
    up, down = level + step, level - step
    if wish.source == "scan":  # compare like with like: both on the coarse grid
        height = _height_at(space, seating, wish, level, limits)
    if up > limits.value("support.refuse_above") + 1e-9:
        more = f"no further step: above {100 * limits.value('support.refuse_above'):.0f} % is refused"
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
    return more, f"{100 * down:.0f} %: crest {max(loss, 0.0):.1f} mm lower, more room to the arch"


def _height_at(
    space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> float:
    """Return the crest height that another support level would give, mm."""
    if wish.source == "kit":
        shape = _from_kit(space, seating, wish, level, limits)
        return float(shape.surface.max()) if shape else 0.0
    return float(_from_scan(space.coarser(COARSE), seating, wish, level, limits).surface.max())


def _place_notes(plan: PadPlan, seating: Seating, limits: Limits) -> list[Note]:
    """Return notes on where the crest came to lie and how it was moved."""
    notes = []
    apex = float(seating.landmarks["arch_apex"][0])
    off = plan.crest.from_rear - apex
    rear, front = _window(seating, limits)
    if plan.shift != (0.0, 0.0):
        notes.append(Note(code="pad-moved", text=f"pad moved by hand: {move_words(*plan.shift)}"))
    if not rear - 0.5 <= plan.crest.from_rear <= front + 0.5:
        where = "ahead of" if off > 0 else "behind"
        notes.append(Note(code="crest-off-apex", level=NoteLevel.WARN, text=(
            f"the crest lies {abs(off):.0f} mm {where} the arch apex; within "
            f"{apex - rear:g} mm behind and {front - apex:g} mm ahead is usual")))  # fmt: skip
    return notes


def _how_seen(seating: Seating) -> list[str]:
    """Return how the arch came to its planned height, in words."""
    words = []
    if seating.lowered:
        words.append(f"arch lowered by {seating.lowered:.1f} mm to the half-load state")
    if not seating.shoe_known:
        words.append("trial only, bed not measured")
    return words


def _at(space: Room, z: Array, point: Sequence[float] | Array) -> float:
    """Return the bilinear value of a map of the room at a place, nearest at its border."""
    u, v = (float(point[0]) - space.x[0]) / space.cell, (float(point[1]) - space.y[0]) / space.cell
    return float(ndimage.map_coordinates(z, [[u], [v]], order=1, mode="nearest")[0])
