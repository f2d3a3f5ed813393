"""The upper face of a form: the seated sole, freed where a bed must be free."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage
from shapely import Polygon

from footscan.scan import Array
from insole.errors import PartError, PlanError
from insole.parts import solids
from insole.planning.seating import planned_bed, smoothstep
from insole.planning.support.tops import PadTop, spline_of
from insole.record.limits import Limits, of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import PadPlan
from insole.record.values import HeightGrid

__all__ = [
    "CELL_MM",
    "FORM",
    "FORMS",
    "FORM_FRONT",
    "FORM_REAR",
    "FormWish",
    "Upper",
    "upper",
    "why_not",
]

FORM = "form"
FORM_REAR, FORM_FRONT = "form-rear-piece", "form-front-piece"  # of one that is parted
FORMS = (FORM, FORM_REAR, FORM_FRONT)
CELL_MM = 1.0  # grid of the upper surface and of the mesh: a form is accurate to 0.1 mm

FRONT_RIM_MM = 2.0  # hollow of the sole kept under the ball: common practice, no source
FRONT_EDGE_MM = (8.0, 30.0)  # inside the trim line, where that hollow runs out: no rim there
RIM_FALLS_MM = (12.0, 60.0)  # behind the ball line, between which the rim comes down
TOES_MM = (4.0, 18.0)  # ahead of the ball line, between which the surface comes down to the bed
BLEND_MM = 6.0  # where the sole meets the rim: as round as a sheet takes it
FADE_MM = 25.0  # beyond the pad's ends, over which taking down fades out
SIGMA_MM = (4.0, 1.5)  # smooths what is taken down, then creases of the whole surface
TENDER_FADE_MM = 8.0  # around a built-out spot: about 20 degrees for 2 mm


def upper(foot: FootPlan, plan: Plan, wish: FormWish) -> Upper:
    """Return the upper surface that the footbed shall have.

    Raises
    ------
    insole.errors.PartError
        Sole or pad are missing, or the sole does not cover base and margin.
    """
    if foot.sole is None or foot.pad is None:
        raise PartError(FORM, why_not(foot))
    x, y = _grid(foot, foot.sole, wish)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    bed = planned_bed(plan, foot, x, y)
    sole = np.maximum(spline_of(foot.sole)(x, y), bed)
    pad = _pad_top(foot.pad, gx, gy)
    taken = _taken_down(foot.pad, sole - bed, pad, x)
    z = np.maximum(sole - taken, bed + np.nan_to_num(pad))
    z = bed + _blended(z - bed, _rim(foot, wish, gx, gy))
    z = ndimage.gaussian_filter(z, SIGMA_MM[1] / CELL_MM, mode="nearest")
    there = np.where(np.isfinite(pad), _relieved(foot, plan), 0.0)  # the pad has its own relief
    rest = np.clip(wish.relief - there, 0.0, None)
    z -= rest * _spots(tender_of(foot, plan), of_plan(plan), gx, gy)
    return Upper(x=x, y=y, z=_lowered(z, wish.cover), bed=bed, sole=sole)


def _grid(foot: FootPlan, sole: HeightGrid, wish: FormWish) -> tuple[Array, Array]:
    """Return the nodes over base and margin; refuse a sole that does not reach so far."""
    ring = np.asarray(foot.base.outline, dtype=float)
    low = np.floor(ring.min(axis=0) - wish.margin - 2.0)
    high = np.ceil(ring.max(axis=0) + wish.margin + 2.0)
    start = np.array([sole.x0, sole.y0])
    end = start + sole.step * (np.array([len(sole.z), len(sole.z[0])]) - 1)
    if (low < start - 1e-6).any() or (high > end + 1e-6).any():
        raise PartError(
            FORM,
            f"the sole in the plan does not cover the base of the {foot.side} foot and a "
            f"margin of {wish.margin:g} mm; plan it again from the scan",
        )
    x, y = (np.arange(low[k], high[k] + 0.5 * CELL_MM, CELL_MM) for k in range(2))
    return x, y


def _pad_top(pad: PadPlan, gx: Array, gy: Array) -> Array:
    """Return the pad's top above the bed inside its outline, NaN elsewhere."""
    inside = shapely.contains_xy(Polygon(pad.outline), gx, gy)
    top = np.full(gx.shape, np.nan)
    top[inside] = PadTop(pad).at(gx[inside], gy[inside])
    return top


def _taken_down(pad: PadPlan, gap: Array, top: Array, x: Array) -> Array:
    """Return how far the upper surface lies under the sole, mm: what the pad leaves open.

    Across a station it is the open gap from the pad's lateral edge to its ridge. Medial of the
    ridge a pad must run out on the base, a sheet goes on up the flank: there, and lateral of
    the pad, the value at the ridge and at the edge are kept. It fades beyond the pad's ends.
    """
    there = np.isfinite(top)
    stations = np.flatnonzero(there.any(axis=1))
    if not len(stations):
        raise PartError(FORM, "the pad in the plan has no area; plan it again")
    across = np.zeros((len(stations), top.shape[1]))
    for row, i in enumerate(stations):
        first = int(there[i].argmax())
        ridge = int(np.nanargmax(top[i]))
        open_gap = np.clip(gap[i] - np.nan_to_num(top[i]), 0.0, None)
        place = np.clip(np.arange(top.shape[1]), first, max(ridge, first))
        across[row] = open_gap[place]
    rear, front = x[stations[0]], x[stations[-1]]
    nearest = np.clip(np.arange(len(x)) - stations[0], 0, len(stations) - 1)
    beyond = np.maximum(np.maximum(rear - x, x - front), 0.0)
    fade = 1.0 - smoothstep(beyond / FADE_MM)
    return np.asarray(
        ndimage.gaussian_filter(across[nearest] * fade[:, None], SIGMA_MM[0], mode="nearest")
    )


def _rim(foot: FootPlan, wish: FormWish, gx: Array, gy: Array) -> Array:
    """Return how high the upper surface may go above the bed, mm."""
    medial, lateral = _ball_line(foot)
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    behind = along[0] * (gy - lateral[1]) - along[1] * (gx - lateral[0])
    behind = behind if along[1] >= 0 else -behind
    back = smoothstep((behind - RIM_FALLS_MM[0]) / (RIM_FALLS_MM[1] - RIM_FALLS_MM[0]))
    toes = smoothstep((-behind - TOES_MM[0]) / (TOES_MM[1] - TOES_MM[0]))
    base = solids.solid_polygon(foot.base.outline, FORM)
    inside = shapely.contains_xy(base, gx, gy) * shapely.distance(
        base.exterior, shapely.points(gx, gy)
    )
    middle = smoothstep((inside - FRONT_EDGE_MM[0]) / (FRONT_EDGE_MM[1] - FRONT_EDGE_MM[0]))
    hollow = FRONT_RIM_MM * (1.0 - toes) * middle
    return np.asarray(hollow * (1.0 - back) + wish.rim * back)


def _blended(z: Array, most: Array) -> Array:
    """Return the lower of `z` and `most`, rounded where they meet and exact elsewhere.

    The round reaches no further down than to the bed: where the rim is low it is as small.
    """
    reach = np.maximum(np.minimum(BLEND_MM, most), 1e-6)
    near = np.clip(1.0 - np.abs(z - most) / reach, 0.0, None)
    return np.asarray(np.minimum(z, most) - near**2 * reach / 4.0)


def _ball_line(foot: FootPlan) -> tuple[Array, Array]:
    """Return the medial and the lateral end of the ball line, bed frame."""
    marks = foot.landmarks
    for names in (("metatarsale_tibiale", "metatarsale_fibulare"), ("mth1", "mth5")):
        if all(name in marks for name in names):
            return np.array(marks[names[0]][:2]), np.array(marks[names[1]][:2])
    raise PartError(FORM, f"the plan has no ball landmarks of the {foot.side} foot; plan it again")


def tender_of(foot: FootPlan, plan: Plan) -> Sequence[tuple[float, float]]:
    """Return the tender spots wished for a foot, bed frame."""
    for key in (foot.side, "both"):
        wished = plan.wishes.get(key)
        if isinstance(wished, Mapping) and wished.get("tender") is not None:
            return [(float(px), float(py)) for px, py in wished["tender"]]
    return []


def _relieved(foot: FootPlan, plan: Plan) -> float:
    """Return how deep the pad's own relief over tender spots is, mm."""
    if plan.schema_version < 4:  # earlier pads were kept free there down to the base
        return 0.0
    for key in (foot.side, "both"):
        wished = plan.wishes.get(key)
        if isinstance(wished, Mapping) and wished.get("relief") is not None:
            return float(wished["relief"])
    return of_plan(plan).value("keepout.tender_relief")


def _spots(spots: Sequence[tuple[float, float]], limits: Limits, gx: Array, gy: Array) -> Array:
    """Return 1 on tender spots, 0 away from them, smooth between."""
    radius = limits.value("keepout.tender_radius")
    out = np.zeros(gx.shape)
    for px, py in spots:
        away = np.hypot(gx - px, gy - py) - radius
        out = np.maximum(out, 1.0 - smoothstep(away / TENDER_FADE_MM))
    return out


def _lowered(z: Array, cover: float) -> Array:
    """Return the surface moved away from the foot by `cover`, square to itself.

    The lowest that a ball of that radius reaches when its centre runs over the surface.
    """
    if cover <= 0:
        return z
    reach = math.ceil(cover / CELL_MM)
    at = CELL_MM * np.arange(-reach, reach + 1)
    square = at[:, None] ** 2 + at[None, :] ** 2
    ball = np.sqrt(np.clip(cover**2 - square, 0.0, None))
    return np.asarray(
        ndimage.grey_erosion(z, footprint=square <= cover**2, structure=ball, mode="nearest")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FormWish:
    """How forms are wanted; lengths in mm, all common practice, no source.

    Attributes
    ----------
    cover : float
        Thickness of a cover to be glued on afterwards: the form is larger by it all over. 0:
        the sheet's foot side is what the foot touches.
    relief : float
        How far tender spots are built out: a thumb feels 1 mm and a sheet takes 3 mm.
    rim : float
        Heel and arch go up by so much above the bed before the shelf: a deep heel cup and what
        is trimmed off it.
    margin : float
        Shelf beyond the base's outline: two fingers hold the sheet down on it.
    material : str
        Word of the material table.
    """

    cover: float = 0.0
    relief: float = 2.0
    rim: float = 20.0
    margin: float = 10.0
    material: str = "form-shell"

    def __post_init__(self) -> None:
        bounds = {"cover": (0, 6), "relief": (0, 4), "rim": (5, 25), "margin": (5, 12)}
        for name, (low, high) in bounds.items():
            value = getattr(self, name)
            if not (math.isfinite(value) and low <= value <= high):
                raise PlanError(
                    f"a form's {name} of {value:g} mm cannot be made; give {low} to {high} mm"
                )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Upper:
    """The upper surface of a footbed on a grid of the bed frame, mm; +y medial.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Nodes, 1 mm apart.
    z : ndarray, shape (nx, ny)
        Height above z = 0.
    bed, sole : ndarray, shape (nx, ny)
        The bed, and the seated sole not below it.
    """

    x: Array
    y: Array
    z: Array
    bed: Array
    sole: Array


def why_not(foot: FootPlan) -> str:
    """Return why a foot gets no form; empty when it gets one."""
    if foot.sole is None:
        return f"no form for the {foot.side} foot: the plan keeps no sole of it"
    if foot.pad is None:
        because = f" ({foot.no_pad_because})" if foot.no_pad_because else ""
        return (
            f"no form for the {foot.side} foot: it has no arch pad{because}, so nothing says how "
            "far its arch is to be filled"
        )
    return ""
