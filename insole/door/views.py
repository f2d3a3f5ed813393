"""What a plan shows on a screen: maps, sections and outlines as plain arrays.

    Plan, side -> sole_map, pad_map, gap_map -> HeightMap;  contact_maps -> ContactMaps
               -> section -> Section;  outlines -> rings in plan

Bed frame of the plan, the same for both feet: origin at the rear end of the base's outline, +x
forward, +y medial (to the big toe), +z up, mm. Seen from above with the toes up, a right foot's
+y points to the left and a left foot's to the right. Arrays are new: writing on them changes
nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from insole.errors import PlanError
from insole.output.papers.report_figures import NO_SOLE, above_bed
from insole.output.papers.section_figures import cut_through
from insole.planning.ramp import inside_height
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.planned_parts import WedgePlace
from insole.record.rings import edges_at

if TYPE_CHECKING:
    from footscan.scan import Array
    from insole.record.plan import FootPlan, Plan

__all__ = [
    "ContactMaps",
    "HeightMap",
    "Section",
    "contact_maps",
    "gap_map",
    "outlines",
    "pad_map",
    "section",
    "sole_map",
]

Side = Literal["left", "right"]
LEAST_STEP_MM, MOST_STEP_MM = 0.25, 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeightMap:
    """Heights at the nodes of a grid in plan.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Nodes, bed frame, mm.
    z : ndarray, shape (nx, ny)
        mm; NaN where there is nothing.
    """

    x: Array
    y: Array
    z: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ContactMaps:
    """Pressure of the sole without and with the parts, by a spring model: to compare, no more.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Centres of the cells, bed frame, mm.
    before, after : ndarray, shape (nx, ny)
        kPa on the bed alone, and with the planned parts; 0 where nothing touches.
    case : str
        ``"standing"`` or ``"pedalling"``.
    load : float
        N.
    centre : ndarray, shape (2,), or None
        Of the load, bed frame, mm.
    """

    x: Array
    y: Array
    before: Array
    after: Array
    case: str
    load: float
    centre: Array | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """Heights along one line in plan, above the bed frame's z = 0.

    Attributes
    ----------
    axis : str
        ``"y"`` for a section across (`at` is y), ``"x"`` for one along (`at` is x).
    place : float
        The other coordinate of the line, mm.
    at : ndarray, shape (n,)
        Places along the line, mm.
    base, bed, shim, pad, sole : ndarray, shape (n,)
        Underside of the base, face that parts lie on, top of the inside shims, top of the pad (or
        contoured bed) on them, and the sole, mm. The sole is NaN beyond the foot; shim and pad are
        equal to what lies below them where there is none.
    """

    axis: Literal["x", "y"]
    place: float
    at: Array
    base: Array
    bed: Array
    shim: Array
    pad: Array
    sole: Array


def sole_map(plan: Plan, side: Side, *, step: float = 1.0) -> HeightMap:
    """Return the height of the seated sole above the shoe's bed (a flat one without a shoe).

    Parameters
    ----------
    plan : Plan
    side : str
        ``"left"`` or ``"right"``.
    step : float
        Between nodes, mm, 0.25 to 20.

    Returns
    -------
    HeightMap
        NaN beyond the foot's outline.

    Raises
    ------
    insole.PlanError
        The foot is not planned, or its scan shows no sole.
    """
    foot = _foot(plan, side)
    x, y = _nodes(np.asarray(foot.foot_outline), step)
    z = np.maximum(above_bed(plan, _with_sole(foot), x, y), 0.0)
    return HeightMap(x=x, y=y, z=_within(foot.foot_outline, x, y, z))


def pad_map(plan: Plan, side: Side, *, step: float = 1.0) -> HeightMap:
    """Return the height of the pad above the face it lies on; of a contoured bed its thickness.

    Parameters, errors: as for :func:`sole_map`; a plan without pad or contoured bed is an error
    that says why there is none.

    Returns
    -------
    HeightMap
        NaN beyond the part's outline.
    """
    foot = _foot(plan, side)
    if foot.pad is None and foot.contour is None:
        because = foot.no_pad_because or "none was planned"
        raise PlanError(f"there is no pad under the {side} foot: {because}")
    part = foot.contour or foot.pad
    assert part is not None  # for the type checker: one of both is there
    x, y = _nodes(np.asarray(part.outline), step)
    return HeightMap(x=x, y=y, z=_within(part.outline, x, y, _support(foot, x, y)))


def gap_map(plan: Plan, side: Side, *, step: float = 1.0) -> HeightMap:
    """Return what is left open between the sole and the parts below it, mm; 0 where it touches.

    The contact maps say where it carries load. Parameters, errors: as for :func:`sole_map`.
    """
    foot = _foot(plan, side)
    x, y = _nodes(np.asarray(foot.foot_outline), step)
    below = _shims(foot, x, y) + _support(foot, x, y)
    z = np.maximum(above_bed(plan, _with_sole(foot), x, y) - below, 0.0)
    return HeightMap(x=x, y=y, z=_within(foot.foot_outline, x, y, z))


def contact_maps(
    plan: Plan, side: Side, case: Literal["standing", "pedalling"] = "standing"
) -> ContactMaps:
    """Return the pressure of the sole without and with the parts.

    Raises
    ------
    insole.PlanError
        The foot is not planned, or there is no map; says why.
    """
    foot = _foot(plan, side)
    cases = foot.contact.cases if foot.contact is not None else []
    found = next((one for one in cases if one.case == case), None)
    if found is None:
        raise PlanError(f"the plan compares no pressure for {case!r}; give standing or pedalling")
    was, now = found.before_map, found.after_map
    if was is None or now is None:
        because = found.reason or "the plan was made by an earlier version"
        raise PlanError(f"there is no pressure map, {side} foot {case}: {because}")
    before, after = np.asarray(was.kpa), np.asarray(now.kpa)
    x = np.asarray(was.x0 + was.step * np.arange(before.shape[0]), dtype=float)
    y = np.asarray(was.y0 + was.step * np.arange(before.shape[1]), dtype=float)
    return ContactMaps(
        x=x,
        y=y,
        before=before,
        after=after,
        case=case,
        load=found.load,
        centre=None if found.centre is None else np.array(found.centre),
    )


def section(
    plan: Plan,
    side: Side,
    *,
    x: float | None = None,
    y: float | None = None,
    step: float = 0.5,
) -> Section:
    """Return a section through foot, parts and bed.

    Parameters
    ----------
    plan, side
        As for :func:`sole_map`.
    x, y : float
        One of both: ``x=`` is a section across at that place, ``y=`` one along, bed frame, mm.
    step : float
        Between places, mm, 0.25 to 20.

    Raises
    ------
    insole.PlanError
        The foot is not planned, its scan shows no sole, or the line does not cross the base; none
        of `x` and `y` is given, or both.
    """
    given = [one for one in (x, y) if one is not None]
    if len(given) != 1:
        raise PlanError("a section wants x= or y=, one of both")
    foot = _with_sole(_foot(plan, side))
    ring = np.asarray(foot.base.outline)
    _check_step(step)
    place = float(given[0])
    if x is not None:
        if not ring[:, 0].min() < place < ring[:, 0].max():
            raise PlanError(
                f"x = {place:g} mm does not cross the base, which ends at {ring[:, 0].max():.0f} mm"
            )
        low, high = (float(edge[0]) for edge in edges_at(ring, np.array([place])))
        at = np.arange(low, high + step / 2, step)
        cut = cut_through(plan, foot, np.array([place]), at)
    else:
        if not ring[:, 1].min() < place < ring[:, 1].max():
            raise PlanError(
                f"y = {place:g} mm does not cross the base, {ring[:, 1].min():.0f} to "
                f"{ring[:, 1].max():.0f} mm"
            )
        line = shapely.LineString([(-1e3, place), (1e3, place)])
        low, _, high, _ = shapely.Polygon(ring).intersection(line).bounds
        at = np.arange(low, high + step / 2, step)
        cut = cut_through(plan, foot, at, np.array([place]))
    return Section(
        axis="x" if x is None else "y",
        place=place,
        at=at,
        base=cut.bed - foot.base.thickness,
        bed=cut.bed,
        shim=cut.bed + cut.shim,
        pad=cut.bed + cut.shim + cut.pad,
        sole=cut.sole,
    )


def outlines(plan: Plan, side: Side) -> dict[str, Array]:
    """Return the rings in plan, by what they bound: shape (n, 2), closed, no repeated last point.

    ``foot`` and ``base`` always; ``arch-pad``, ``metatarsal-pad``, ``contoured-bed``,
    ``forefoot-shim``, ``heel-shim``, ``under-shoe-shim`` where they are planned. Bed frame, mm.
    """
    foot = _foot(plan, side)
    rings = {"foot": foot.foot_outline, "base": foot.base.outline}
    if foot.pad is not None:
        rings["arch-pad"] = foot.pad.outline
    if foot.metatarsal is not None:
        rings["metatarsal-pad"] = foot.metatarsal.outline
    if foot.contour is not None:
        rings["contoured-bed"] = foot.contour.outline
    names = {
        WedgePlace.FOREFOOT: "forefoot-shim",
        WedgePlace.HEEL: "heel-shim",
        WedgePlace.UNDER: "under-shoe-shim",
    }
    rings |= {names[wedge.place]: wedge.outline for wedge in foot.wedges}
    return {name: np.array(ring, dtype=float) for name, ring in rings.items()}


# ---- helpers -----------------------------------------------------------------------------


def _foot(plan: Plan, side: str) -> FootPlan:
    found = {foot.side: foot for foot in plan.feet}
    if side not in ("left", "right"):
        raise PlanError(f"a side is left or right, not {side!r}")
    for name, foot in found.items():
        if name == side:
            return foot
    raise PlanError(f"the plan has no {side} foot; it plans {', '.join(found)} only")


def _with_sole(foot: FootPlan) -> FootPlan:
    if foot.sole is None:
        raise PlanError(f"{foot.side} foot: {NO_SOLE[0].lower()}{NO_SOLE[1:].rstrip('.')}")
    return foot


def _check_step(step: float) -> None:
    if not LEAST_STEP_MM <= step <= MOST_STEP_MM:
        raise PlanError(f"step wants {LEAST_STEP_MM:g} to {MOST_STEP_MM:g} mm, not {step!r}")


def _nodes(ring: Array, step: float) -> tuple[Array, Array]:
    """Return nodes over the ring's box, on whole multiples of the step."""
    _check_step(step)
    low, high = np.floor(ring.min(axis=0) / step), np.ceil(ring.max(axis=0) / step)
    return tuple(step * np.arange(low[k], high[k] + 1) for k in range(2))  # type: ignore[return-value]


def _within(ring: object, x: Array, y: Array, z: Array) -> Array:
    inside = shapely.contains_xy(shapely.Polygon(ring), *np.meshgrid(x, y, indexing="ij"))
    return np.where(inside, z, np.nan)


def _support(foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the height of pad or contoured bed at the nodes; 0 where there is none."""
    gx, gy = np.meshgrid(x, y, indexing="ij")
    if foot.contour is not None:
        return ContourShape(foot.contour).inside(gx, gy)
    height = np.zeros(gx.shape)
    for pad in (foot.pad, foot.metatarsal):
        if pad is not None:
            height = np.maximum(height, PadTop(pad).inside(gx, gy))
    return height


def _shims(foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the height of the shims inside the shoe at the nodes."""
    gx, gy = np.meshgrid(x, y, indexing="ij")
    return inside_height(foot.wedges, gx, gy)
