"""Shape a pad under the ceilings of its room: a one-off one from the scan, or one of a kit.

Room + Seating + PadWish -> from_scan, from_kit -> Shaped -> insole.planning.support
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.planning import kit as kits
from insole.planning.ceilings import Room
from insole.planning.limits import Limits
from insole.planning.outline import distance_to_ring, edges_at, smooth_ring
from insole.planning.seating import Seating
from insole.planning.surface import Feel, feel_of, pad_surface

__all__ = [
    "PadWish",
    "Shaped",
    "crest_of",
    "crest_window",
    "from_kit",
    "from_scan",
    "move_words",
    "outline_of",
]

OFF_CREST_SLOPE = 0.02  # mm per mm: the top falls at least this much away from the crest's place
OUTLINE_RISE_MM = 0.02  # the outline lies where the top has left its edge by this much
OUTLINE_SIGMA_MM = 2.5  # evens out the grid's steps along an outline
BORDER_STEP_MM = 0.5
WALL_MM = 2.0  # border this close to the base's medial edge counts as lying along it
LET_GO = 0.6  # share of the free crest below which a crest in the window is given up
HOLD_MM = 1.5  # the crest settles by so much when its surroundings are lowered
HAND_MM = 2.5  # how closely the crest follows a move by hand


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
    medial_edge : float or None
        Height of the edge along the base's medial edge, mm, in place of the limits' own.
    kit : Kit or None
        None takes the default kit.
    """

    level: float | None = None
    source: str = "scan"
    shift: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    tender: tuple[tuple[float, float], ...] = ()
    medial_edge: float | None = None
    kit: kits.Kit | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shaped:
    """A pad as shaped, before it becomes a plan.

    Attributes
    ----------
    surface : ndarray, shape (nx, ny)
        Top on the room's grid, mm.
    name : str
        What the pad is called.
    turn : float
        Degrees about +z.
    crest : (float, float) or None
        Where a kit pad's crest was put; None: the surface's highest point.
    area : shapely.Polygon or None
        Where a one-off pad lies; None for a kit pad.
    reasons : tuple of str
        How it came about.
    """

    surface: Array
    name: str
    turn: float
    crest: tuple[float, float] | None = None
    area: Any = None
    reasons: tuple[str, ...] = ()


def from_scan(space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits) -> Shaped:
    """Return the one-off pad: the highest surface under wish and rules."""
    feel = feel_of(limits)
    free = space.lowest(level)
    area = _domain(space, level, limits)
    ceiling = _bounded(space, free, area, seating, limits)
    apex = float(seating.landmarks["arch_apex"][0])
    surface = _held(space, ceiling, apex, crest_window(seating, limits), feel)
    if wish.shift != (0.0, 0.0) or wish.turn:
        # the pad as a hand would move it, then cut back to the wish and the rules there
        aim = crest_of(space, surface)[0] + wish.shift[0]
        moved = _moved(space, surface, wish.shift, wish.turn, feel)
        area = _domain(space, level, limits, top=moved)
        ceiling = _bounded(space, np.minimum(moved, free), area, seating, limits)
        surface = _held(space, ceiling, aim, (aim - HAND_MM, aim + HAND_MM), feel)
    reasons = [f"shaped from the scanned arch, {100 * level:.0f} % of the gap"]
    reasons += _how_seen(seating)
    return Shaped(surface=surface, name="arch pad from the scan", turn=wish.turn,
                  area=area, reasons=tuple(reasons))  # fmt: skip


def from_kit(
    space: Room, seating: Seating, wish: PadWish, level: float, limits: Limits
) -> Shaped | None:
    """Return the best pad of the kit on the placement grid, or None when none fits."""
    feel = feel_of(limits)
    kit = wish.kit or kits.default_kit(limits)
    step, turn_step = limits.value("base.grid_step"), limits.value("base.turn_step")
    allowed = space.lowest(level)
    # a node beside a place that is kept free counts as such: nothing slips between nodes
    allowed = np.where(ndimage.minimum_filter(allowed, 3) <= feel.edge, feel.edge, allowed)
    target = _target(space, allowed, seating, limits)
    search = partial(kits.pick, kit, allowed, space.x, space.y, target=target, feel=feel)
    places = _places(target, seating, limits)
    found = search(places=places, turns=[turn_step * k for k in kits.TURNS])
    if found is None:
        return None
    reasons = [f"from the kit '{kit.name}', on the {step:g} mm grid", *_how_seen(seating)]
    shift = (step * round(wish.shift[0] / step), step * round(wish.shift[1] / step))
    turn = turn_step * round(wish.turn / turn_step)
    if any(shift) or turn:
        first = found
        place = (first.x + shift[0], first.y + shift[1])
        found = search(places=[place], turns=[first.turn + turn])
        if found is None:
            return None
        reasons.append(f"moved on the grid: {move_words(shift[0], shift[1], turn)}")
        if found.pad != first.pad:
            reasons.append(f"there the pad {first.pad.name} would press; {found.pad.name} fits")
    surface = _on_room(space, found, feel)
    return Shaped(surface=surface, name=f"kit pad {found.pad.name}", turn=found.turn,
                  crest=(found.x, found.y), reasons=tuple(reasons))  # fmt: skip


def outline_of(shape: Shaped, space: Room, edge: float) -> Array | None:
    """Return a pad's outline, counter-clockwise, mm; None when nothing is left of it.

    A one-off pad leaves its edge at the border of its area; a kit pad where its top does.
    """
    if shape.area is None:
        return _contour(space, shape.surface, edge)
    if shape.area.is_empty:
        return None
    return smooth_ring(np.asarray(shape.area.exterior.coords)[:-1], sigma_mm=OUTLINE_SIGMA_MM)


def crest_of(space: Room, top: Array) -> tuple[float, float, float]:
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


def crest_window(seating: Seating, limits: Limits) -> tuple[float, float]:
    """Return from where to where along x the crest may lie without being moved by hand."""
    apex = float(seating.landmarks["arch_apex"][0])
    along = limits.value("place.crest_along")
    return apex - along, apex + min(along, limits.value("place.crest_forward"))


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


def _bounded(space: Room, ceiling: Array, area: Any, seating: Seating, limits: Limits) -> Array:
    """Return the ceiling inside an area: rising from the edge at its border, nothing outside.

    By the distance to the border itself, not to the grid, so that the pad ends where it should.
    Along the base's medial edge a workshop may allow a thicker edge against the shell's wall.
    """
    import shapely

    feel = feel_of(limits)
    if area.is_empty:
        return np.full(ceiling.shape, feel.edge)
    gx, gy = np.meshgrid(space.x, space.y, indexing="ij")
    nodes = np.column_stack([gx.ravel(), gy.ravel()])
    border = np.asarray(area.exterior.segmentize(BORDER_STEP_MM).coords)
    thick = min(limits.value("feel.medial_edge"), limits.value("feel.flange"))
    wall = np.zeros(len(border), dtype=bool)
    if thick > feel.edge:
        _, medial = edges_at(seating.base, border[:, 0])
        inset = seating.trim + limits.value("place.medial_inset") + WALL_MM
        wall = border[:, 1] > np.nan_to_num(medial - inset, nan=np.inf)
    top, outside = ceiling, np.full(ceiling.shape, feel.edge)
    nearest = np.full(ceiling.shape, np.inf)
    for chosen, start in ((~wall, feel.edge), (wall, thick)):
        if chosen.any():
            away = distance_to_ring(nodes, border, np.flatnonzero(chosen)).reshape(gx.shape)
            top = np.minimum(top, start + np.tan(np.radians(feel.slope_medial)) * away)
            outside = np.where(away < nearest, start, outside)
            nearest = np.minimum(away, nearest)
    return np.where(shapely.contains_xy(area, gx, gy), top, outside)


def _domain(space: Room, level: float, limits: Limits, top: Array | None = None) -> Any:
    """Return the polygon in which a one-off pad may lie: enough to fill, and corners rounded.

    Half a cell inside what the grid shows, so that no rule is passed by the grid's coarseness.
    Tender spots do not count here: they become hollows inside the outline, not bays of it.
    """
    import shapely
    from skimage import measure

    least = limits.value("support.least_fill")
    height = space.fill(level, least, without="tender")
    if top is not None:
        height = np.where(top > limits.value("feel.edge") + OUTLINE_RISE_MM, height, 0.0)
    padded = np.pad(np.minimum(height, 2 * least), 1)
    rings = measure.find_contours(padded, least)
    origin = np.array([space.x[0], space.y[0]])
    pieces = [
        shapely.Polygon((r - 1.0) * space.cell + origin).buffer(0) for r in rings if len(r) > 3
    ]
    radius = limits.value("feel.corner_radius")
    area = shapely.union_all(pieces) if pieces else shapely.Polygon()
    area = area.buffer(-radius - space.cell / 2, quad_segs=32).buffer(radius, quad_segs=32)
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
    found = ndimage.map_coordinates(surface, at, order=1, mode="constant", cval=feel.edge)
    return np.asarray(found)


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
    rear, front = crest_window(seating, limits)
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
    found = ndimage.map_coordinates(heights, [u, v], order=1, mode="constant", cval=feel.edge)
    return np.asarray(found)


def _contour(space: Room, surface: Array, edge: float) -> Array | None:
    """Return the largest ring at which a surface leaves its edge."""
    import shapely
    from skimage import measure

    padded = np.pad(surface, 1, constant_values=0.0)
    level = edge + OUTLINE_RISE_MM
    found = measure.find_contours(padded, level)
    rings = [c - 1.0 + [space.x[0], space.y[0]] for c in found if len(c) > 8]
    if not rings:
        return None
    outer = max(rings, key=lambda r: shapely.Polygon(r).area)
    return smooth_ring(outer[:-1], sigma_mm=OUTLINE_SIGMA_MM)


def _how_seen(seating: Seating) -> list[str]:
    """Return how the arch came to its planned height, in words."""
    words = []
    if seating.lowered:
        words.append(f"arch lowered by {seating.lowered:.1f} mm to the half-load state")
    if not seating.shoe_known:
        words.append("trial only, bed not measured")
    return words
