"""Pressure between the sole and what it stands on: springs under every cell, in balance.

    gap map (sole against bed + pad + shim), stiffness, load, centre of pressure -> press -> Contact

Each cell of the gap map is a vertical spring that only pushes. The sole is moved as one rigid
surface (sink, tilt along x, tilt along y) until the springs carry the load with its centre where
it was asked for. Load and centre are inputs: standing, or pedalling with the centre at the axle.

Frame: that of the map, mm; +x forward, +y medial. Tilts in degrees: along x + is toes up, along
y + is the medial side up.

What this is not: the shoe's upper is not modelled, tissue is linear and neighbouring springs do
not know of each other. Results serve to compare one bed with another; none is a clinical figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from footscan.scan import Array
from insole.errors import PlanError

__all__ = ["TILT_LIMIT_DEG", "Contact", "layers_in_series", "press", "winkler"]

TILT_LIMIT_DEG = 6.0  # beyond it shoe and leg would hold the moment: the ankle angle is an input
BALANCE = 1e-7  # of the load, and of the load times the half size of the map
MAX_STEPS = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contact:
    """The sole in balance.

    Attributes
    ----------
    pressure : ndarray, shape (nx, ny)
        kPa; NaN where the map is empty.
    sink : float
        mm that the sole went down at the centre of pressure, from height zero of the gap map.
    tilt_x, tilt_y : float
        Degrees, + toes up and + medial side up.
    area : float
        Contact area, cm2, by counting cells.
    peak : float
        Highest pressure, kPa.
    load : float
        N carried by the springs.
    centre : (float, float)
        Centre of pressure reached, mm.
    shares : mapping of str to float
        Share of the load per region, 0 to 1.
    complete : bool
        False when the map has holes inside its outline: area and shares then miss something.
    notes : tuple of str
        What must be said with the result.
    """

    pressure: Array
    sink: float
    tilt_x: float
    tilt_y: float
    area: float
    peak: float
    load: float
    centre: tuple[float, float]
    shares: Mapping[str, float] = field(default_factory=dict)
    complete: bool = True
    notes: tuple[str, ...] = ()


def winkler(
    modulus_mpa: float, thickness_mm: float, confined_poisson: float | None = None
) -> float:
    """Return the spring constant of a thin layer per area, N/mm3.

    k = E / h for a layer free to bulge; k = (1 - nu) E / ((1 + nu) (1 - 2 nu) h) for one that
    cannot, with `confined_poisson` = nu.

    Raises
    ------
    ValueError
        Modulus or thickness not positive, or nu outside [0, 0.5).

    References
    ----------
    K. L. Johnson, Contact Mechanics, 1985, section 4.3 (value from memory).
    """
    if not (modulus_mpa > 0 and thickness_mm > 0):
        raise ValueError(
            f"modulus and thickness must be positive, got {modulus_mpa}, {thickness_mm}"
        )
    free = modulus_mpa / thickness_mm
    if confined_poisson is None:
        return free
    nu = confined_poisson
    if not 0.0 <= nu < 0.5:
        raise ValueError(f"confined_poisson must be in [0, 0.5), got {nu}")
    return free * (1 - nu) / ((1 + nu) * (1 - 2 * nu))


def layers_in_series(*stiffness: ArrayLike) -> Array:
    """Return the spring constant of layers on top of each other, N/mm3: 1/k = sum of 1/k_i.

    A layer of constant inf is rigid, or not there.

    Raises
    ------
    ValueError
        No layer, or a constant that is not positive.

    Examples
    --------
    >>> round(float(layers_in_series(0.3 / 18, 1.5 / 6)), 6)
    0.015625
    """
    if not stiffness:
        raise ValueError("layers_in_series needs at least one layer")
    softness = np.zeros(())
    for layer in stiffness:
        k = np.asarray(layer, dtype=float)
        if (k <= 0).any():
            raise ValueError("every layer's stiffness must be positive")
        softness = softness + 1.0 / k
    return np.asarray(1.0 / softness)


def press(
    gap: Array,
    cell: float,
    stiffness: ArrayLike,
    load: float,
    centre_of_pressure: tuple[float, float],
    fixed_tilt: tuple[float, float] | None = None,
    *,
    origin: tuple[float, float] = (0.0, 0.0),
    regions: Mapping[str, NDArray[np.bool_]] | None = None,
) -> Contact:
    """Press the sole on its support until force and moments balance.

    Parameters
    ----------
    gap : ndarray, shape (nx, ny)
        Height of the unloaded sole above bed + pad, mm, in any one height datum (pad standing
        proud of the sole is negative); NaN outside. Cell [i, j] is centred at
        ``origin + cell * (i, j)``.
    cell : float
        Grid spacing, mm.
    stiffness : float or ndarray, shape (nx, ny)
        Spring constant per area, N/mm3.
    load : float
        N, positive.
    centre_of_pressure : (float, float)
        Where the load acts, mm, map frame. With `fixed_tilt` it is only the point at which
        the sink is given.
    fixed_tilt : (float, float) or None
        Degrees along x (+ toes up) and y (+ medial side up) held by shoe or leg; then only
        the force is balanced and the centre is a result.
    origin : (float, float)
        Centre of cell [0, 0], mm.
    regions : mapping of str to bool ndarray, shape (nx, ny)
        Masks for shares of the load; they need not cover the map.

    Raises
    ------
    ValueError
        Wrong shapes, or a load, cell or stiffness that is not positive.
    insole.errors.PlanError
        The centre of pressure lies where no contact can balance it; names the nearest
        feasible point.

    Notes
    -----
    The sum of spring energies less the work of the load is convex in the three unknowns, so
    damped Newton steps with a falling energy reach its one minimum, which is the balance of
    force and moments (to 1e-7 here).
    """
    gap = np.asarray(gap, dtype=float)
    seen = np.isfinite(gap)
    weight = _weights(gap, seen, cell, stiffness, load)
    i, j = np.nonzero(seen)
    x = np.asarray(origin[0] + cell * i, dtype=np.float64)
    y = np.asarray(origin[1] + cell * j, dtype=np.float64)
    if fixed_tilt is None:
        _check_centre(x, y, cell, centre_of_pressure)
    arm_x, arm_y = x - centre_of_pressure[0], y - centre_of_pressure[1]
    free = gap[seen]
    if fixed_tilt is None:
        size = max(float(np.abs(arm_x).max()), float(np.abs(arm_y).max()))
        basis = np.stack([np.ones_like(arm_x), arm_x / size, arm_y / size], axis=1)
        sink, a, b = _balance(basis, free, weight, load)
        slopes = (a / size, b / size)
    else:
        slopes = tuple(-np.tan(np.radians(t)) for t in fixed_tilt)
        level = free - slopes[0] * arm_x - slopes[1] * arm_y
        sink = _level_sink(level, weight, load)
    depth = np.maximum(sink + slopes[0] * arm_x + slopes[1] * arm_y - free, 0.0)
    springs = _Springs(gap, seen, cell, x, y, weight)
    return _result(springs, depth, (sink, *slopes), regions or {})


def _weights(gap: Array, seen: NDArray[np.bool_], cell: float, k: ArrayLike, load: float) -> Array:
    """Return N per mm of depth of every seen cell, after checking the call."""
    if gap.ndim != 2 or not seen.any():
        raise ValueError(f"gap must be a map with at least one finite cell, got shape {gap.shape}")
    if not (cell > 0 and np.isfinite(load) and load > 0):
        raise ValueError(f"cell and load must be positive, got {cell}, {load}")
    spring = np.asarray(k, dtype=float)
    if spring.ndim and spring.shape != gap.shape:
        raise ValueError(f"stiffness has shape {spring.shape}, gap {gap.shape}")
    spring = np.broadcast_to(spring, gap.shape)[seen]
    if not (np.isfinite(spring).all() and (spring > 0).all()):
        raise ValueError("stiffness must be positive in every cell that has a gap")
    return spring * cell * cell


def _check_centre(x: Array, y: Array, cell: float, centre: tuple[float, float]) -> None:
    """Refuse a centre that no pushing springs can balance."""
    from shapely import multipoints
    from shapely.geometry import Point
    from shapely.ops import nearest_points

    hull = multipoints(np.column_stack([x, y])).convex_hull.buffer(-cell / 2)
    if hull.is_empty:
        raise PlanError(
            "the sole map is too narrow to balance a load; scan the sole again or hold the tilt"
        )
    point = Point(centre)
    if not hull.covers(point):
        near = nearest_points(hull, point)[0]
        raise PlanError(
            f"the centre of pressure at {centre[0]:.1f}, {centre[1]:.1f} mm lies outside all "
            f"possible contact; the nearest point that can be balanced is {near.x:.1f}, "
            f"{near.y:.1f} mm (forward, medial)"
        )


def _level_sink(free: Array, weight: Array, load: float) -> float:
    """Return the sink without tilt, exactly: cells join in the order of their gap."""
    order = np.argsort(free)
    total = np.cumsum(weight[order])
    sink = (load + np.cumsum((weight * free)[order])) / total
    following = np.append(free[order][1:], np.inf)
    return float(sink[np.argmax(sink <= following)])


def _balance(basis: Array, free: Array, weight: Array, load: float) -> Array:
    """Return the unknowns that minimise spring energy less the work of the load."""
    unknown = np.array([_level_sink(free, weight, load), 0.0, 0.0])
    work = np.array([load, 0.0, 0.0])
    # A trace of the whole map's stiffness keeps the step finite while few cells touch.
    guard = 1e-9 * (basis.T * weight) @ basis

    def energy(q: Array) -> float:
        depth = np.maximum(basis @ q - free, 0.0)
        return float(0.5 * weight @ depth**2 - work @ q)

    level = energy(unknown)
    for _ in range(MAX_STEPS):
        depth = basis @ unknown - free
        touching = depth > 0
        pull = basis[touching].T * weight[touching]
        gradient = pull @ depth[touching] - work
        if np.abs(gradient).max() <= BALANCE * load:
            return unknown
        step = -np.linalg.solve(pull @ basis[touching] + guard, gradient)
        unknown, level = _damped(unknown, step, level, float(gradient @ step), energy)
    raise PlanError(
        "force and moments did not balance; move the centre of pressure inwards or hold the tilt"
    )


def _damped(
    unknown: Array, step: Array, level: float, slope: float, energy: Callable[[Array], float]
) -> tuple[Array, float]:
    """Return the longest halved step that lowers the energy enough, and its energy."""
    share = 1.0
    for _ in range(60):
        trial = unknown + share * step
        reached = energy(trial)
        if reached <= level + 1e-4 * share * slope or share * abs(slope) <= 1e-13 * abs(level):
            break
        share /= 2
    return trial, reached


class _Springs(NamedTuple):
    """Gap and which cells of it have one; of those place, mm, and N per mm of depth."""

    gap: Array
    seen: NDArray[np.bool_]
    cell: float
    x: Array
    y: Array
    weight: Array


def _result(
    springs: _Springs,
    depth: Array,
    motion: tuple[float, float, float],
    regions: Mapping[str, NDArray[np.bool_]],
) -> Contact:
    """Return what the springs show, pressed `depth` deep by a sink and two slopes."""
    from scipy import ndimage

    gap, seen, cell, x, y, weight = springs
    force = weight * depth
    total = float(force.sum())
    pressure = np.full(gap.shape, np.nan)
    pressure[seen] = force / (cell * cell) * 1000.0
    tilts = tuple(0.0 - float(np.degrees(np.arctan(s))) for s in motion[1:])
    missing = int((ndimage.binary_fill_holes(seen) & ~seen).sum()) * cell * cell / 100.0
    per_cell = np.zeros(gap.shape)
    per_cell[seen] = force
    shares = {
        name: float(per_cell[_mask(name, m, gap)].sum() / total) for name, m in regions.items()
    }
    return Contact(
        pressure=pressure,
        sink=float(motion[0]),
        tilt_x=tilts[0],
        tilt_y=tilts[1],
        area=float((depth > 0).sum() * cell * cell / 100.0),
        peak=float(np.nanmax(pressure)),
        load=total,
        centre=(float(force @ x / total), float(force @ y / total)),
        shares=shares,
        complete=missing == 0.0,
        notes=_notes(tilts, missing),
    )


def _mask(name: str, mask: NDArray[np.bool_], gap: Array) -> NDArray[np.bool_]:
    if mask.shape != gap.shape or mask.dtype != np.bool_:
        raise ValueError(f"region {name!r} must be a bool map of shape {gap.shape}")
    return mask


def _notes(tilts: tuple[float, ...], missing: float) -> tuple[str, ...]:
    notes = [
        "model without the shoe's upper: a closure over the instep adds load that is not shown"
    ]
    worst = max(abs(t) for t in tilts)
    if worst > TILT_LIMIT_DEG:
        notes.append(
            f"the sole had to tilt {worst:.1f}°, more than {TILT_LIMIT_DEG:g}°, to balance: shoe "
            "and leg would hold part of this moment, so give the ankle angle instead"
        )
    if missing > 0:
        notes.append(
            f"contact area is incomplete: the sole map has holes of {missing:.1f} cm² in all"
        )
    return tuple(notes)
