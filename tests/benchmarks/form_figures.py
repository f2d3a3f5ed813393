"""Forms for moulding as written, held against the plan: for ``files_study.py``.

STL of a form -> heights above the bed -> sole, crest, tender spots, undercuts, the other foot's
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely
import trimesh
from scipy.interpolate import LinearNDInterpolator, RegularGridInterpolator

from footscan.scan import Array
from insole.parts import form as forms
from insole.parts.form_upper import FormWish, tender_of
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan

__all__ = ["FORM_BOUNDS", "look_at_forms", "wish_of"]

FORM_BOUNDS = {
    "form: off the sole at the heel, mm": 0.3,
    "form: off the crest planned, mm": 0.5,
    "form: above the sole, mm": 0.5,
    "form: undercut, mm2": 0.05,
    "form: tender spot off its depth, mm": 0.15,
    "form: deeper anywhere by a spot, mm": 0.1,
    "form: off the mirrored other foot's, mm": 0.02,
}
Note = Callable[[str, float, str], None]
HEEL = (0.08, 0.25)  # shares of length between which the heel's seat is looked at
INNER = 12.0  # mm inside the base: there no rim is rounded
TRIED = 400  # places at which both feet's forms are compared
UPRIGHT = 3.0  # degrees: slivers in an upright border lean as much
LETTERS = 0.6  # mm: letters in the underside have roofs below that
NEAR = 25.0  # mm from a tender spot on in which the crest is not the pad's
FADES = 27.0  # mm behind a pad over which the arch that it leaves open fades out
BLEND = 6.0  # mm below the rim at which a surface begins to be rounded into it


def wish_of(rng: np.random.Generator) -> FormWish:
    """Return a random wish; without a cover, which moves the whole surface."""
    return FormWish(
        relief=round(float(rng.uniform(1.0, 3.0)), 1),
        rim=round(float(rng.uniform(18.0, 24.0))),
        margin=round(float(rng.uniform(7.0, 12.0))),
    )


def look_at_forms(
    place: Path, plan: Plan, parts: list[Part], tag: str, wish: Any, note: Note
) -> None:
    """Enter every figure of :data:`FORM_BOUNDS` for the forms of a folder."""
    for part in parts:
        if part.name != forms.FORM:
            continue
        (foot,) = [foot for foot in plan.feet if foot.side == part.side.value]
        mesh = trimesh.load_mesh(place / "print" / f"{part.label}-{tag}.stl")
        where = f"{tag} {part.label}"
        down = mesh.face_normals[:, 2] < -math.sin(math.radians(UPRIGHT))
        down &= mesh.triangles_center[:, 2] > LETTERS
        note("form: undercut, mm2", float(mesh.area_faces[down].sum()), where)
        x, y = _places(foot)
        upper = _upper(mesh, foot, x, y)
        _against_plan(foot, plan, wish, (x, y, upper), where, note)
        if tender_of(foot, plan):
            _spots(foot, plan, wish, (x, y, upper), where, note)
        other = _twin(foot, plan, wish)
        note("form: off the mirrored other foot's, mm", _off(mesh, other, foot), where)


def _places(foot: FootPlan) -> tuple[Array, Array]:
    """Return places a millimetre apart well inside the base, bed frame, mm."""
    inner = shapely.Polygon(foot.base.outline).buffer(-INNER)
    x0, y0, x1, y1 = inner.bounds
    gx, gy = (g.ravel() for g in np.meshgrid(np.arange(x0, x1), np.arange(y0, y1), indexing="ij"))
    inside = shapely.contains_xy(inner, gx, gy)
    return gx[inside], gy[inside]


def _tops(mesh: trimesh.Trimesh, x: Array, y: Array) -> Array:
    """Return the height of a mesh's top, mm."""
    spots = mesh.vertices[np.unique(mesh.faces[mesh.face_normals[:, 2] > 0.2])]
    return np.asarray(LinearNDInterpolator(spots[:, :2], spots[:, 2])(x, y))


def _upper(mesh: trimesh.Trimesh, foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the footbed's upper surface that a form gives, mm above the bed.

    A right form is turned over, so that its big-toe side lies at -y; a left one is mirrored. The
    bed is level and the sole touches it at the heel: there both are laid on each other.
    """
    sign = -1.0 if foot.side == "right" else 1.0
    z = -_tops(mesh, x, sign * y)
    heel = _heel(foot, x)
    return z + float(np.median((_sole(foot, x, y) - z)[heel]))


def _heel(foot: FootPlan, x: Array) -> Array:
    long = max(x for x, _ in foot.base.outline)
    ends = min(HEEL[1] * long, (foot.pad.rear_edge if foot.pad is not None else long) - FADES)
    return (x > HEEL[0] * long) & (x < ends)


def _sole(foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the seated sole, not below the bed, mm."""
    grid = foot.sole
    assert grid is not None
    z = np.array(grid.z)
    axes = [
        start + grid.step * np.arange(n)
        for start, n in zip((grid.x0, grid.y0), z.shape, strict=True)
    ]
    found = RegularGridInterpolator(axes, z, method="cubic")(np.column_stack([x, y]))
    return np.maximum(found, 0.0)


def _against_plan(
    foot: FootPlan, plan: Plan, wish: FormWish, made: Any, where: str, note: Note
) -> None:
    x, y, upper = made
    sole, pad = _sole(foot, x, y), foot.pad
    assert pad is not None
    spots = np.array(tender_of(foot, plan)).reshape(-1, 2)
    clear = np.ones(len(x), dtype=bool)
    for spot in spots:
        clear &= np.hypot(x - spot[0], y - spot[1]) > NEAR
    heel = _heel(foot, x) & clear
    note("form: off the sole at the heel, mm", float(np.abs(upper - sole)[heel].max()), where)
    behind = x < 0.6 * max(x)
    note("form: above the sole, mm", float((upper - sole)[behind].max()), where)
    at = (pad.crest.from_rear, pad.crest.y or 0.0)
    low = pad.crest.height < wish.rim - BLEND
    if low and all(np.hypot(*(spot - at)) > NEAR for spot in spots):
        crest = float(LinearNDInterpolator(np.column_stack([x, y]), upper)(*at))
        note("form: off the crest planned, mm", abs(crest - pad.crest.height), where)


def _spots(foot: FootPlan, plan: Plan, wish: FormWish, made: Any, where: str, note: Note) -> None:
    """Hold the form against one without the tender spots over the same pad."""
    x, y, upper = made
    wishes = {
        key: {**value, "tender": None} if isinstance(value, dict) else value
        for key, value in plan.wishes.items()
    }
    (plain,) = forms.forms(_only(plan.model_copy(update={"wishes": wishes}), foot), wish)
    depth = _upper(_mesh(plain), foot, x, y) - upper
    pad = shapely.Polygon(foot.pad.outline) if foot.pad is not None else shapely.Polygon()
    own = (plan.wishes.get(foot.side) or plan.wishes.get("both") or {}).get("relief")
    own = of_plan(plan).value("keepout.tender_relief") if own is None else own
    inside = shapely.Polygon(foot.base.outline).buffer(-INNER - 1.0)
    for spot in tender_of(foot, plan):
        if not inside.contains(shapely.Point(spot)):
            continue
        wanted = wish.relief - (own if pad.contains(shapely.Point(spot)) else 0.0)
        found = float(LinearNDInterpolator(np.column_stack([x, y]), depth)(*spot))
        note("form: tender spot off its depth, mm", abs(found - max(wanted, 0.0)), where)
    note("form: deeper anywhere by a spot, mm", float(depth.max()) - wish.relief, where)


def _only(plan: Plan, foot: FootPlan, **other: Any) -> Plan:
    """Return the plan of one foot."""
    none = {"left": None, "right": None}
    return plan.model_copy(update={**none, foot.side: foot, **other})


def _twin(foot: FootPlan, plan: Plan, wish: FormWish) -> trimesh.Trimesh:
    """Return the form of the same foot as one of the other side."""
    side = "right" if foot.side == "left" else "left"
    wishes = {**plan.wishes, side: plan.wishes.get(foot.side)}
    twin = foot.model_copy(update={"side": side})
    (made,) = forms.forms(_only(plan.model_copy(update={"wishes": wishes}), twin), wish)
    return _mesh(made)


def _mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def _off(mesh: trimesh.Trimesh, twin: trimesh.Trimesh, foot: FootPlan) -> float:
    """Return how far a form's top is from the mirrored one of the other foot, mm.

    On the triangles themselves, at places spread over it: merging leaves other corners.
    """
    sign = -1.0 if foot.side == "right" else 1.0
    x, y = (place[:: max(1, len(place) // TRIED)] for place in _places(foot))
    return float(np.abs(_exact(mesh, x, sign * y) - _exact(twin, x, -sign * y)).max())


def _exact(mesh: trimesh.Trimesh, x: Array, y: Array) -> Array:
    """Return the height of the highest triangle over each place, mm."""
    corners = mesh.triangles[mesh.face_normals[:, 2] > 0.05]
    low, high = corners[:, :, :2].min(axis=1), corners[:, :, :2].max(axis=1)
    found = np.full(len(x), -np.inf)
    for k, at in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        near = corners[((low <= at) & (high >= at)).all(axis=1)]
        weights = trimesh.triangles.points_to_barycentric(
            near * [1.0, 1.0, 0.0], np.tile([*at, 0.0], (len(near), 1))
        )
        hit = (weights > -1e-9).all(axis=1)
        if hit.any():
            found[k] = ((weights * near[:, :, 2]).sum(axis=1))[hit].max()
    return found
