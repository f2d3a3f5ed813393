"""The form: a printable positive of the planned sole, to mould a footbed over.

    FootPlan (sole, pad, landmarks) + shoe -> form -> Part (turned over, canonical) -> as_worn

A hot sheet is draped over the form; its foot side touches the form, so the form's surface is
the upper surface that the footbed shall have. That surface is the seated sole, taken down in
the arch to the planned pad's top, built out at tender spots, cut off at the rim, and level with
the bed under the toes. Around it lies a shelf for the sheet's margin.

Frame: printed plantar side up. The form is turned over by half a turn about the foot's long
axis, (x, y, z) -> (x, -y, -z), never mirrored: seen from above with the toes ahead, the big toe
of a right form is on the right, as on the sole of a right foot looked at from below. Its parts
record says so (``turned_over``), and a left form is mirrored once, in ``as_worn``.

Terms
    upper      height of the footbed's upper surface above the bed frame's z = 0
    taken down how far the upper surface lies under the sole: the gap that the plan leaves open
    rim        how high the upper surface goes above the bed before it ends in the shelf
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from scipy import ndimage
from scipy.interpolate import RectBivariateSpline
from shapely import Polygon

from footscan.scan import Array, Side
from insole.errors import PartError, PlanError
from insole.parts import engraving, outlines, solids
from insole.parts.part import Part, as_worn
from insole.planning.seating import bed_heights
from insole.planning.support.tops import PadTop, spline_of
from insole.record.limits import Limits, default_limits, of_plan
from insole.record.plan import FootPlan, HeightGrid, PadPlan, Plan
from insole.shoe.shoe import parse

__all__ = ["FORM", "FormWish", "Upper", "form", "form_words", "forms", "upper", "why_not"]

FORM = "form"
CELL_MM = 1.0  # grid of the upper surface and of the mesh: a form is accurate to 0.1 mm
SHELF_MM = 8.0  # thickness below the rim: carries the sheet's margin and can be clamped
FRONT_RIM_MM = 2.0  # hollow of the sole kept under the ball: common practice, no source
FRONT_EDGE_MM = (8.0, 30.0)  # inside the trim line, where that hollow runs out: no rim there
RIM_FALLS_MM = (12.0, 60.0)  # behind the ball line, between which the rim comes down
TOES_MM = (4.0, 18.0)  # ahead of the ball line, between which the surface comes down to the bed
BLEND_MM = 6.0  # where the sole meets the rim: as round as a sheet takes it
BED_ENDS = 0.12  # of the base's length: nearer to its ends the bed is as broad as there
FADE_MM = 25.0  # beyond the pad's ends, over which taking down fades out
SIGMA_MM = (4.0, 1.5)  # smooths what is taken down, then creases of the whole surface
TENDER_FADE_MM = 8.0  # around a built-out spot: about 20 degrees for 2 mm
NOTCH_MM = (2.5, 8.0)  # depth and length in the shelf's medial edge; prints off on the sheet
LABEL_MM = 9.0
SHELF_LETTER_MM = 6.0  # on the shelf, beside the trim line
SHELF_CLEAR_MM = 1.0  # from those letters to the trim line and to the shelf's border


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


def forms(plan: Plan, wish: FormWish) -> list[Part]:
    """Return the worn forms of a plan, left first; :func:`why_not` tells why a foot has none.

    Raises
    ------
    PlanError
        No foot of the plan has a sole: it was made by an earlier version.
    insole.errors.PartError
        A form cannot be made as a closed solid.
    """
    if all(foot.sole is None for foot in plan.feet):
        raise PlanError(
            "this plan keeps no sole to make a form of: it was made by an earlier version, or "
            "its scans show none; plan it again from the scans"
        )
    made = []
    for foot in plan.feet:
        if not why_not(foot):
            above = upper(foot, plan, wish)
            made.append(_shelf_marked(as_worn(_made(foot, plan, wish, above)), foot, wish, above))
    return made


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


def form(foot: FootPlan, plan: Plan, wish: FormWish) -> Part:
    """Return the form of a foot, turned over, in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        With sole and pad.
    plan : Plan
        Its case, shoe, wishes and limits.
    wish : FormWish
        How it is wanted.

    Raises
    ------
    insole.errors.PartError
        Sole or pad are missing, or the sole does not cover base and margin.
    """
    return _made(foot, plan, wish, upper(foot, plan, wish))


def _made(foot: FootPlan, plan: Plan, wish: FormWish, above: Upper) -> Part:
    """Return the form under an upper surface, turned over, in the canonical frame."""
    shape = _shelf(foot, wish)
    plan_shape, notch = outlines.notched(
        shape, _notch_station(foot), depth=NOTCH_MM[0], length=NOTCH_MM[1]
    )
    turned = shapely.orient_polygons(shapely.affinity.scale(plan_shape, 1, -1, origin=(0, 0)))
    inside = shapely.contains_xy(shape, *np.meshgrid(above.x, above.y, indexing="ij"))
    top = float(above.z[inside].max()) + SHELF_MM
    # turned over about x: y and z change sign together, which is a rotation
    spline = RectBivariateSpline(above.x, -above.y[::-1], top - above.z[:, ::-1], kx=3, ky=3, s=0)
    solid = solids.under_heights(turned, spline.ev, CELL_MM, SHELF_MM / 2)
    vertices, faces = solids.arrays(solid, FORM)
    outline, holes = outlines.rings(turned)
    side = Side(foot.side)
    return Part(
        name=FORM,
        side=side,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        marks=_label(side, shape, plan.case),
        volume=solids.integral(turned, spline.ev),
        material=wish.material,
        facts=_facts(wish, notch, vertices, len(_tender(foot, plan))),
    )


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
    bed = _bed(foot, plan, x, y)
    sole = np.maximum(spline_of(foot.sole)(x, y), bed)
    pad = _pad_top(foot.pad, gx, gy)
    taken = _taken_down(foot.pad, sole - bed, pad, x)
    z = np.maximum(sole - taken, bed + np.nan_to_num(pad))
    z = bed + _blended(z - bed, _rim(foot, wish, gx, gy))
    z = ndimage.gaussian_filter(z, SIGMA_MM[1] / CELL_MM, mode="nearest")
    there = np.where(np.isfinite(pad), _relieved(foot, plan), 0.0)  # the pad has its own relief
    rest = np.clip(wish.relief - there, 0.0, None)
    z -= rest * _spots(_tender(foot, plan), of_plan(plan), gx, gy)
    return Upper(x=x, y=y, z=_lowered(z, wish.cover), bed=bed, sole=sole)


# ------------------------------------------------------------------ the upper surface


def _grid(foot: FootPlan, sole: HeightGrid, wish: FormWish) -> tuple[Array, Array]:
    """Return the nodes over base and margin; refuse a sole that does not reach so far."""
    ring = np.asarray(foot.base.outline, dtype=float)
    low = np.floor(ring.min(axis=0) - wish.margin - 2.0)
    high = np.ceil(ring.max(axis=0) + wish.margin + 2.0)
    start = np.array([sole.x0, sole.y0])
    end = start + sole.step * (np.array([len(sole.z), len(sole.z[0])]) - 1)
    if (low < start - 1e-6).any() or (high > end + 1e-6).any():
        raise PartError(
            FORM, f"the sole in the plan does not cover the base of the {foot.side} foot and a "
            f"margin of {wish.margin:g} mm; plan it again from the scan",
        )  # fmt: skip
    x, y = (np.arange(low[k], high[k] + 0.5 * CELL_MM, CELL_MM) for k in range(2))
    return x, y


def _bed(foot: FootPlan, plan: Plan, x: Array, y: Array) -> Array:
    """Return the bed's height as planned: the shoe's, or flat without one."""
    if plan.shoe is None:
        return np.zeros((len(x), len(y)))
    shoe = parse(plan.shoe, "the shoe in the plan")
    base = np.asarray(foot.base.outline)
    ends = BED_ENDS * float(base[:, 0].max())
    return bed_heights(shoe, base, shoe.inside_length, x, y, ends=ends)


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
    fade = 1.0 - _smoothstep(beyond / FADE_MM)
    return np.asarray(
        ndimage.gaussian_filter(across[nearest] * fade[:, None], SIGMA_MM[0], mode="nearest")
    )


def _rim(foot: FootPlan, wish: FormWish, gx: Array, gy: Array) -> Array:
    """Return how high the upper surface may go above the bed, mm."""
    medial, lateral = _ball_line(foot)
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    behind = along[0] * (gy - lateral[1]) - along[1] * (gx - lateral[0])
    behind = behind if along[1] >= 0 else -behind
    back = _smoothstep((behind - RIM_FALLS_MM[0]) / (RIM_FALLS_MM[1] - RIM_FALLS_MM[0]))
    toes = _smoothstep((-behind - TOES_MM[0]) / (TOES_MM[1] - TOES_MM[0]))
    base = solids.solid_polygon(foot.base.outline, FORM)
    inside = shapely.contains_xy(base, gx, gy) * shapely.distance(
        base.exterior, shapely.points(gx, gy)
    )
    middle = _smoothstep((inside - FRONT_EDGE_MM[0]) / (FRONT_EDGE_MM[1] - FRONT_EDGE_MM[0]))
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


def _tender(foot: FootPlan, plan: Plan) -> Sequence[tuple[float, float]]:
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
        out = np.maximum(out, 1.0 - _smoothstep(away / TENDER_FADE_MM))
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


def _smoothstep(t: Array) -> Array:
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


# ------------------------------------------------------------------ the part


def _shelf(foot: FootPlan, wish: FormWish) -> Polygon:
    """Return the form's outline before it is turned over: the base and its margin."""
    base = solids.solid_polygon(foot.base.outline, FORM)
    return shapely.orient_polygons(base.buffer(wish.margin, quad_segs=16).simplify(0.02))


def _notch_station(foot: FootPlan) -> float:
    return float(max(foot.base.grid_from, 0.2 * max(x for x, _ in foot.base.outline)))


def _label(side: Side, shape: Polygon, case: str) -> tuple[Any, ...]:
    x0, _, x1, _ = shape.bounds
    x = x0 + 0.3 * (x1 - x0)
    y = (outlines.edge_at(shape, x) + outlines.edge_at(shape, x, medial=False)) / 2
    return outlines.label(side, ("FORM", case), (x, -y), size=LABEL_MM)


def _shelf_marked(part: Part, foot: FootPlan, wish: FormWish, above: Upper) -> Part:
    """Return a worn form with side, arrow and case cut into the shelf's top as well.

    The bottom of a shell is left open for the plaster. On the shelf the letters lie outside the
    trim line: they print off on what is cut away. They follow the surface, 0.4 mm deep.
    """
    sign = -1.0 if part.side is Side.RIGHT else 1.0  # turned over; a left form mirrored on top
    clear = min(SHELF_CLEAR_MM, (wish.margin - engraving.MIN_LETTER_MM) / 2 - 0.1)
    size = float(np.clip(wish.margin - 2 * clear - 0.5, engraving.MIN_LETTER_MM, SHELF_LETTER_MM))
    base = shapely.affinity.scale(Polygon(foot.base.outline), 1, sign, origin=(0, 0))
    shelf = Polygon(part.outline, part.holes).buffer(-clear).difference(base.buffer(clear))
    spline = RectBivariateSpline(above.x, above.y, above.z, kx=1, ky=1)
    marks = outlines.marks_along(
        (part.side.value.upper(), engraving.ARROW, part.marks[-1].text),
        shelf,
        base.buffer(wish.margin / 2).exterior,
        lambda x, y: np.asarray(spline.ev(x, sign * y)),
        size=size,
    )
    ink = shapely.union_all([engraving.mark_shape(mark) for mark in marks])
    facts: dict[str, Any] = {**part.facts, "engraved_top": tuple(mark.text for mark in marks)}
    if not marks:
        return replace(part, facts=facts)
    facts["engraved_volume"] += round(ink.area * engraving.DEPTH_MM, 3)
    solid = solids.solid_of(part.vertices, part.faces)
    kept = solid.translate((0.0, 0.0, -engraving.DEPTH_MM))
    solid -= solids.prism(ink, SHELF_MM / 2, float(part.facts["height"]) + 1.0) - kept
    vertices, faces = solids.arrays(solid, part.label)
    return replace(
        part, vertices=vertices, faces=faces, marks=(*part.marks, *marks), facts=facts
    )  # fmt: skip


def _facts(
    wish: FormWish, notch: tuple[float, float] | None, vertices: Array, spots: int
) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "turned_over": True,
        "height": float(np.ptp(vertices[:, 2])),
        "words": "plantar side up",
        "least_wall": float(vertices[vertices[:, 2] > 0.1][:, 2].min()),
        "cover": wish.cover,
        "rim": wish.rim,
        "margin": wish.margin,
        "relief": wish.relief if spots else 0.0,
        "tender": spots,
    }
    if notch is not None:
        facts["notch"] = (notch[0], -notch[1])
    return facts


def form_words(part: Part) -> list[str]:
    """Return how to mould over a form, one sentence each."""
    facts = part.facts
    flange = default_limits().value("feel.flange")
    cover = (
        f"The form is larger by {facts['cover']:g} mm all over, for a cover glued on afterwards."
        if facts["cover"]
        else "No cover is allowed for: one glued on afterwards makes the footbed tighter by its "
        "thickness (make the form again with --form-cover)."
    )
    top = (
        "Side and arrow to the toes are cut into the shelf's top, outside the trim line."
        if {part.side.value.upper(), engraving.ARROW} <= set(facts.get("engraved_top", ()))
        else "The shelf has no room for letters: write side and toe end on it by hand."
    )
    rows = [
        "Never mould a hot sheet on the bare foot, and hold your own hands off it as well: gloves.",
        "It lies plantar side up, as printed: the foot turned over, not mirrored. Seen from above "
        "with the toes ahead, the big toe of a RIGHT form is on the right, of a LEFT one on the "
        f"left; the notch in the shelf is on the big-toe side and prints off on the sheet. {top}",
        "Compare the form's temperature limit with the sheet's moulding temperature: PLA slumps "
        "near 60 °C, PETG near 80 °C, sheets are moulded at about 80 to 180 °C (values from "
        "memory). Print a shell of four walls with 10 % open infill, gyroid for one, and no bottom "
        "layers; turn it over and have it filled with plaster through the open bottom, dried "
        "through. Or take heat-proof resin.",
        "The sheet's foot side lies on the form, so its thickness goes toward the shoe: the form "
        f"is not made smaller for it. {cover}",
        "Talc or a thin stocking between form and sheet; let it cool on the form.",
        f"Trim to the base's template: the shelf is {facts['margin']:g} mm wider. The rim goes up "
        f"{facts['rim']:g} mm; cut the medial flange to at most {flange:g} mm above the bed unless "
        "the collar clears it.",
    ]
    if facts["tender"]:
        rows.append(
            f"Tender spots are built out by {facts['relief']:g} mm: the sheet bulges there on its "
            "shoe side; grind the bulge flat only as far as the sheet's thickness allows."
        )
    return rows
