"""Shape a pad under the ceilings of its room: a one-off one from the scan, or one of a kit.

PadTask -> shaped (from_scan, from_kit) -> Shaped -> insole.planning.support.pad

Terms
    arch line  in plan, 25 % of the plantar width in from the medial edge of the sole: where the
               foot's apex is found, and therefore the pad's crest
    crest      highest place of the pad along the arch line
    wall       border of the pad that stands instead of running out: its medial side
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from scipy import ndimage

from footscan.scan import Array, BoolArray
from insole.planning.seating import Seating
from insole.planning.support import kit as kits
from insole.planning.support.border import Border, border_of, line_at, walls_of
from insole.planning.support.space import Room
from insole.planning.support.surface import (
    FREE,
    Feel,
    feel_of,
    follow,
    lower_of,
    without_ridges,
)
from insole.planning.support.task import PadTask, Shaped
from insole.planning.support.wish import SupportWish, move_words
from insole.record.limits import Limits
from insole.record.rings import smooth_ring

__all__ = ["FOLLOWED_FROM", "crest_of", "crest_window", "on_grid", "outline_of", "shaped"]

OFF_CREST_SLOPE = 0.05  # mm per mm: the top falls at least this much away from the crest's place
OUTLINE_SIGMA_MM = 2.5  # evens out the grid's steps along an outline
KIT_SIGMA_MM = 0.5  # a kit pad's outline is smooth as it is
CAP_ROUND_MM = 6.0  # of the smooth lower of top and cap: rounder than 25 mm at 35 degrees
PLATEAU_MM = 0.15  # as for the apex of a foot: a stretch this close to the top is as high
FOLLOWED_FROM = 0.6  # level from which the residual gap of the wish itself keeps its rule
LOWERED_ROUND_MM = 2.0
LOWERED_ROUND_OVER = 0.1  # of level below that over which the rounding grows to its radius
CUT_FADE_MM = 4.0  # over which a cut of a moved pad fades out beside what forbids it
SAME_MM = 0.05  # heights along the arch line that no hand tells apart
LET_GO = 0.6  # share of the free crest below which a crest in the window is given up
HOLD_MM = 1.5  # the crest settles by so much when its surroundings are lowered


def shaped(task: PadTask, level: float) -> Shaped | None:
    """Return the pad at a support level; None when no pad of the kit fits."""
    return _from_kit(task, level) if task.wish.of_kit else _from_scan(task, level)


def _from_scan(task: PadTask, level: float) -> Shaped:
    """Return the one-off pad: the highest top that follows the sole under wish and rules.

    A moved pad is that same pad, moved as a hand would move it, and then cut back where it would
    lie in a place kept free or be higher than the wish there. A pad of a low level is that of 60 %
    lowered to the wish: a low one leaves the sole by itself, faster than the residual gap may
    change where support fades, and that rule alone would take it away.
    """
    space, wish = task.space, task.wish
    if level < FOLLOWED_FROM:
        full = _from_scan(task, FOLLOWED_FROM)
        # just below that level both lie close together, and full rounding would lower the crest
        radius = LOWERED_ROUND_MM * min((FOLLOWED_FROM - level) / LOWERED_ROUND_OVER, 1.0)
        lowered = lower_of(full.surface, space.wish(level), radius)
        lowered = without_ridges(lowered, cell=space.cell)
        words = f"shaped from the scanned arch, {100 * level:.0f} % of the gap"
        return replace(full, surface=lowered, reasons=(words, *full.reasons[1:]))
    shape = task.memory.kept(
        "shape",
        (space, task.seating, task.limits),
        (level, wish.medial_edge),
        lambda: _unmoved(task, level),
    )
    if wish.moved == (0.0, 0.0) and not wish.turned:
        return shape
    return _moved(task, shape, level)


def _unmoved(task: PadTask, level: float) -> Shaped:
    """Return the one-off pad where the sole asks for it."""
    space, seating, limits = task.space, task.seating, task.limits
    reasons = (f"shaped from the scanned arch, {100 * level:.0f} % of the gap", *_how_seen(seating))
    area = _domain(space, level, limits)
    walls = walls_of(area, seating, limits)
    border = None if area.is_empty else border_of(space, seating, area, walls, limits)
    held = _held(task, border, level)
    top = _topped(space, held, border, task.wish, limits)
    top = without_ridges(top, cell=space.cell)
    return Shaped(
        surface=top,
        name="arch pad from the scan",
        turn=0.0,
        area=area,
        walls=walls,
        crest=crest_of(space, top, seating, limits, area)[:2],
        reasons=reasons,
    )


def on_grid(move: tuple[float, float], step: float) -> tuple[float, float]:
    """Return a move by hand as a kit's grid takes it, mm."""
    forward, medial = move
    return step * round(forward / step), step * round(medial / step)


def _from_kit(task: PadTask, level: float) -> Shaped | None:
    """Return the best pad of the kit on the placement grid, or None when none fits."""
    space, seating, wish, limits = task.space, task.seating, task.wish, task.limits
    feel = feel_of(limits)
    kit = task.kit or kits.default_kit(limits)
    step, turn_step = limits.value("base.grid_step"), limits.value("base.turn_step")
    allowed = np.minimum(space.lowest(level), space.cap)
    # a node beside a place that is kept free counts as such: nothing slips between nodes
    allowed = np.where(ndimage.minimum_filter(allowed, 3) <= feel.edge, feel.edge, allowed)
    target = _target(seating)
    search = partial(kits.pick, kit, allowed, space.x, space.y, target=target, feel=feel)
    places = _places(target, seating, limits)
    found = search(places=places, turns=[turn_step * k for k in kits.TURNS])
    if found is None:
        return None
    reasons = [f"from the kit '{kit.name}', on the {step:g} mm grid", *_how_seen(seating)]
    shift = on_grid(wish.moved, step)
    turn = turn_step * round(wish.turned / turn_step)
    if (shift, turn) != (wish.moved, wish.turned):
        asked, made = move_words(*wish.moved, wish.turned), move_words(*shift, turn)
        reasons.append(
            f"{asked} was wished; on the grid of {step:g} mm and {turn_step:g}° that is "
            f"{made or 'no move'}"
        )
    if any(shift) or turn:
        first = found
        place = (first.x + shift[0], first.y + shift[1])
        same = replace(kit, pads=(first.pad,))
        found = kits.pick(
            same,
            allowed,
            space.x,
            space.y,
            target=target,
            feel=feel,
            places=[place],
            turns=[first.turn + turn],
        ) or search(places=[place], turns=[first.turn + turn])
        if found is None:
            return None
        reasons.append(f"moved on the grid: {move_words(shift[0], shift[1], turn)}")
        if found.pad != first.pad:
            reasons.append(f"there the pad {first.pad.name} would press; {found.pad.name} fits")
    return Shaped(
        surface=_on_room(space, found, feel),
        name=f"kit pad {found.pad.name}",
        turn=found.turn,
        crest=(found.x, found.y),
        area=kits.area(found),
        reasons=tuple(reasons),
    )


def outline_of(shape: Shaped) -> Array | None:
    """Return a pad's outline, counter-clockwise, mm; None when nothing is left of it."""
    if shape.area.is_empty:
        return None
    sigma = OUTLINE_SIGMA_MM if shape.walls is not None else KIT_SIGMA_MM
    return smooth_ring(np.asarray(shape.area.exterior.coords)[:-1], sigma_mm=sigma)


def crest_of(
    space: Room, top: Array, seating: Seating, limits: Limits, area: Any
) -> tuple[float, float, float]:
    """Return place and height of a pad's crest, mm: the highest along the arch line.

    Inside its outline, in the window of the apex where that is as high; of places that no hand
    tells apart the one nearest to the apex.
    """
    import shapely

    x = np.arange(space.x[0], space.x[-1], 0.5)
    y = line_at(seating, x)
    z = ndimage.map_coordinates(
        top,
        [(x - space.x[0]) / space.cell, (y - space.y[0]) / space.cell],
        order=1,
        mode="nearest",
    )
    inside = shapely.contains_xy(area, x, y) if not area.is_empty else np.zeros(len(x), dtype=bool)
    if not inside.any():
        i, j = (int(k) for k in np.unravel_index(int(top.argmax()), top.shape))
        return float(space.x[i]), float(space.y[j]), float(top[i, j])
    z = np.where(inside, z, -np.inf)
    best = z.max()
    rear, front = crest_window(seating, limits)
    held = z[(x >= rear) & (x <= front)]
    if len(held) and held.max() >= best - PLATEAU_MM:
        z = np.where((x >= rear) & (x <= front), z, -np.inf)
        best = z.max()
    apex = float(seating.landmarks["arch_apex"][0])
    k = int(np.argmin(np.where(z >= best - SAME_MM, np.abs(x - apex), np.inf)))
    return float(x[k]), float(y[k]), float(z[k])


def crest_window(seating: Seating, limits: Limits) -> tuple[float, float]:
    """Return from where to where along x the crest may lie without being moved by hand."""
    apex = float(seating.landmarks["arch_apex"][0])
    along = limits.value("place.crest_along")
    return apex - along, apex + min(along, limits.value("place.crest_forward"))


def _topped(
    space: Room,
    ceiling: Array,
    border: Border | None,
    wish: SupportWish,
    limits: Limits,
) -> Array:
    """Return the top that follows the sole under a ceiling inside an area.

    It leaves its edge at the border that runs out. Along the walls it stands, below flange and
    navicular or as high as was wished.
    """
    feel = feel_of(limits)
    if border is None:
        return np.full(ceiling.shape, feel.edge)
    bound = np.where(border.inside, np.minimum(ceiling, border.least), FREE)
    bound = np.where(border.ended, border.least, bound)
    top = follow(bound, space.felt, feel, cell=space.cell)
    return lower_of(lower_of(top, _capped(space, border, wish, feel), CAP_ROUND_MM), border.ramp)


def _capped(space: Room, border: Border, wish: SupportWish, feel: Feel) -> Array:
    """Return the lowest cap, that of a medial edge as wished among them, mm."""
    if wish.medial_edge is None:
        return space.cap
    rise = math.tan(math.radians(feel.run_out_medial))
    edge = wish.medial_edge + rise * np.where(border.inside, border.to_wall, 0)
    return np.minimum(space.cap, edge)


def _cut_back(form: Array, ceiling: Array, inside: BoolArray, cell: float) -> Array:
    """Return a pad cut back under a ceiling, the cut fading out over `CUT_FADE_MM` without a kink.

    What lies above the ceiling is spread by a disc and then evened out within it: nowhere less
    than it was, so the result is nowhere above the ceiling inside.
    """
    above = np.where(inside, np.clip(form - ceiling, 0.0, None), 0.0)
    _, at = ndimage.distance_transform_edt(~inside, return_indices=True)
    above = above[tuple(at)]  # beyond the border as at the border
    reach = max(1, round(CUT_FADE_MM / cell))
    i, j = np.ogrid[-reach : reach + 1, -reach : reach + 1]
    spread = ndimage.grey_dilation(above, footprint=i * i + j * j <= reach * reach)
    return np.asarray(form - ndimage.gaussian_filter(spread, reach / 2, radius=reach // 2))


def _domain(space: Room, level: float, limits: Limits) -> Any:
    """Return the polygon in which a one-off pad may lie: enough to fill, and corners rounded.

    Half a cell inside what the grid shows, so that no rule is passed by the grid's coarseness.
    """
    import shapely
    from skimage import measure

    least = limits.value("support.least_fill")
    padded = np.pad(np.minimum(space.fill(level, least), 2 * least), 1)
    rings = measure.find_contours(padded, least)
    origin = np.array([space.x[0], space.y[0]])
    pieces = [
        shapely.Polygon((r - 1.0) * space.cell + origin).buffer(0) for r in rings if len(r) > 3
    ]
    area = shapely.union_all(pieces) if pieces else shapely.Polygon()
    return _rounded(area.buffer(-space.cell / 2), limits)


def _rounded(area: Any, limits: Limits) -> Any:
    """Return the largest piece of an area with its corners rounded."""
    radius = limits.value("feel.corner_radius")
    area = area.buffer(-radius, quad_segs=32).buffer(radius, quad_segs=32)
    return max(getattr(area, "geoms", [area]), key=lambda piece: piece.area)


def _held(task: PadTask, border: Border | None, level: float) -> Array:
    """Return the ceiling under which the crest lies in its window along the bed.

    Outside it the arch line may nowhere be as high as its highest point in the window, and the
    bed's breadth is lowered with it; inside nothing is, so that the crest fills what was wished.
    That keeps the order of surfaces, so more support never lowers the pad. Where a place that is
    kept free takes most of the height in the window, the crest is let go: there it cannot be.
    """
    space, seating, limits = task.space, task.seating, task.limits
    free = space.lowest(level)
    whole = replace(space, relief=np.zeros_like(space.relief))  # a hollow moves no crest
    top = _topped(whole, whole.lowest(level), border, task.wish, limits)
    y = line_at(seating, space.x)
    j = np.clip(np.rint((y - space.y[0]) / space.cell).astype(int), 0, len(space.y) - 1)
    rows = np.arange(len(space.x))
    line, gap = top[rows, j], np.maximum(space.gap[rows, j], 1e-6)
    window = crest_window(seating, limits)
    inside = (space.x >= window[0] + HOLD_MM) & (space.x <= window[1] - HOLD_MM)
    highest = float(line[inside].max()) if inside.any() else 0.0
    if highest < LET_GO * float(line.max()):
        return free
    off = np.maximum(window[0] + HOLD_MM - space.x, space.x - window[1] + HOLD_MM)
    fall = highest - OFF_CREST_SLOPE * np.clip(off, 0.0, None)
    across = np.maximum(space.gap / gap[:, None], 1.0)
    return np.minimum(free, fall[:, None] * across)


def _moved(task: PadTask, shape: Shaped, level: float) -> Shaped:
    """Return a pad moved by hand and turned about its crest, cut back where a rule asks for it."""
    from shapely import affinity

    space, seating, limits = task.space, task.seating, task.limits
    (forward, medial), turn = task.wish.moved, task.wish.turned
    feel = feel_of(limits)
    crest = np.array(shape.crest)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    dx, dy = gx - crest[0] - forward, gy - crest[1] - medial
    u, v = crest[0] + c * dx + s * dy - space.x[0], crest[1] - s * dx + c * dy - space.y[0]
    at = [u / space.cell, v / space.cell]
    moved = ndimage.map_coordinates(shape.surface, at, order=1, mode="nearest")

    def carried(piece: Any) -> Any:
        turned = affinity.rotate(piece, turn, origin=tuple(crest))
        return affinity.translate(turned, forward, medial)

    area = _rounded(carried(shape.area).intersection(_domain(space, level, limits)), limits)
    walls = carried(shape.walls).union(walls_of(area, seating, limits))
    place = (float(crest[0] + forward), float(crest[1] + medial))
    form = np.maximum(moved, feel.edge)
    there = replace(shape, turn=turn, area=area, walls=walls, crest=place)
    border = None if area.is_empty else border_of(space, seating, area, walls, limits)
    # a cut fades against the pad as it was: against the sole a moved pad is off by its move, and
    # the rule would take down what nothing forbids
    top = np.full(form.shape, feel.edge)
    if border is not None:
        rules = [space.lowest(level), _capped(space, border, task.wish, feel)]
        ceiling = np.minimum.reduce([*rules, border.least, border.ramp])
        top = _cut_back(form, ceiling, border.inside, space.cell)
    words = f"the same pad, {move_words(forward, medial, turn)}"
    words += _cut_words(space, form, np.maximum(top, feel.edge), there, level)
    return replace(there, surface=top, reasons=(*shape.reasons, words))


def _cut_words(space: Room, moved: Array, top: Array, there: Shaped, level: float) -> str:
    """Return how much of a moved pad was cut off at the most, and by which rule; may be empty."""
    import shapely

    if there.area.is_empty:
        return ""
    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    inside = shapely.contains_xy(there.area.buffer(-1.0), gx, gy)
    cut = np.where(inside, moved - top, 0.0)
    at = np.unravel_index(int(cut.argmax()), cut.shape)
    if cut[at] < 0.1:
        return ""
    rules = [(float(space.wish(level)[at]), "it would fill more than was wished")]
    rules += [(float(rule.z[at]), rule.words) for rule in space.ceilings]
    end = "front" if space.x[at[0]] > there.crest[0] else "rear"
    return f"; cut back by up to {cut[at]:.1f} mm, most at its {end} half: {min(rules)[1]}"


def _target(seating: Seating) -> tuple[float, float]:
    """Return where a crest lies best: at the arch apex."""
    apex = seating.landmarks["arch_apex"]
    return float(apex[0]), float(apex[1])


def _places(
    target: tuple[float, float], seating: Seating, limits: Limits
) -> list[tuple[float, float]]:
    """Return the grid places in the crest's window, within 9 mm across of the target."""
    step = limits.value("base.grid_step")
    start = seating.station + limits.value("base.grid_from") * seating.foot_length
    rear, front = crest_window(seating, limits)
    along = np.arange(math.ceil((rear - start) / step), math.floor((front - start) / step) + 1)
    across = np.arange(round(target[1] / step) - 3, round(target[1] / step) + 4)
    return [(float(start + step * i), float(step * j)) for i in along for j in across]


def _on_room(space: Room, placed: kits.Placed, feel: Feel) -> Array:
    """Return the surface of a placed kit pad on the room's grid, mm."""
    px, py, heights = kits.open_heights(placed.pad, feel)
    angle = math.radians(placed.turn)
    c, s = math.cos(angle), math.sin(angle)
    gx, gy = np.meshgrid(space.x - placed.x, space.y - placed.y, indexing="ij")
    u, v = c * gx + s * gy - px[0], -s * gx + c * gy - py[0]
    found = ndimage.map_coordinates(heights, [u, v], order=1, mode="nearest")
    return np.asarray(found)


def _how_seen(seating: Seating) -> list[str]:
    """Return how the arch came to its planned height, in words."""
    words = []
    if seating.lowered:
        words.append(f"arch lowered by {seating.lowered:.1f} mm to the half-load state")
    if not seating.shoe_known:
        words.append("trial only, bed not measured")
    return words
