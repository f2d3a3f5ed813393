"""The contoured bed: heel cup, arch and lateral border in one piece, shaped by the sole.

    Seating + MeasuredFoot + SupportWish -> plan_contour -> ContourPlan

Over a plate of the material's least thickness lies the contour: the seated, lowered sole, followed
in full at the heel and along the lateral border, and to the support level under the arch. It is the
same support surface as a pad's (:mod:`planning.support.surface`), under other rules: places that a
pad keeps free get a relief here. Inside wedges are built in (posting).

Terms
    plate     least thickness, everywhere behind the front line
    contour   what lies on the plate, mm
    rim       how high the border may stand above its bed: heel cup, flange, lateral border
    flank     the steep sides of the foot, above where the sole map ends
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage

from footscan.results import MeasuredFoot
from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.memory import Memory
from insole.planning.ramp import posting_height
from insole.planning.seating import Seating
from insole.planning.support.border import line_at
from insole.planning.support.contour_field import (
    FLANK_TOP_MM,
    STEP_MM,
    Field,
    field_of,
)
from insole.planning.support.contour_shape import (
    BedTask,
    outline_of,
    reliefs,
    rim_of,
    share_of,
    with_front,
    with_rim,
)
from insole.planning.support.keepouts import behind_ball
from insole.planning.support.level import support_level
from insole.planning.support.metatarsal import drop_notes, drop_of
from insole.planning.support.shaping import FOLLOWED_FROM
from insole.planning.support.surface import (
    feel_of,
    follow,
    lower_of,
    without_edges,
    without_ridges,
)
from insole.planning.support.wish import SupportWish
from insole.record.limits import Limits
from insole.record.material_file import default_materials
from insole.record.materials import Material
from insole.record.planned_parts import ContourPlan, Crest, WedgePlace, WedgePlan
from insole.record.rings import edges_at
from insole.record.values import HeightGrid, Note, NoteLevel, Override, Quantity

__all__ = ["plan_contour"]

LENGTHS = ("three-quarter", "full")
MATERIAL = "base-pp"
RIM_ROUND_MM = 1.5  # the rest of the rounding is done below, with all other edges
SNUG_MM = 1.0  # off the wish; common practice, no source


def plan_contour(
    seating: Seating,
    measured: MeasuredFoot,
    *,
    wish: SupportWish,
    limits: Limits,
    wedges: Sequence[WedgePlan] = (),
    overrides: Sequence[Override] = (),
    memory: Memory | None = None,
) -> tuple[ContourPlan, tuple[Note, ...]]:
    """Return the contoured bed of a seated foot.

    Parameters
    ----------
    seating : Seating
        Foot on the bed with the wedges' roll.
    measured : MeasuredFoot
        The same foot, for its flanks.
    wish : SupportWish
        Length, level, cup, reliefs.
    limits : Limits
        Planning limits.
    wedges : sequence of WedgePlan
        Those inside the shoe are built in.
    memory : Memory or None
        Keeps the grid with the foot's flanks, which only seat and outline change.

    Raises
    ------
    PlanError
        A wish is out of range, or the scan shows no arch or ball.
    RefusedError
        The support level is above the limit and nobody signed for it.
    """
    _check(wish, limits)
    if "arch_apex" not in seating.landmarks:
        raise PlanError(
            "the arch was not seen from below in this scan, so no contoured bed can be shaped; "
            "scan the foot with its sole in view"
        )
    level, notes = support_level(wish.level, seating, limits, overrides)
    plate = plate_of(default_materials().get(wish.material or MATERIAL), limits)
    full = wish.contoured == "full"
    if full:  # heel and ball lie equally high
        plate = max(plate, limits.value("contour.forefoot"))
    outline = outline_of(seating, wish, limits)
    field = (memory or Memory()).kept(
        "field",
        (seating, measured, limits),
        (outline.tobytes(),),
        lambda: field_of(seating, measured, outline, limits),
    )
    inside_wedges = [w for w in wedges if w.place is not WedgePlace.UNDER]
    if not full and any(w.place is WedgePlace.FOREFOOT for w in inside_wedges):
        raise PlanError(
            "a three-quarter bed ends behind the ball and cannot hold a forefoot wedge; plan it "
            "full length, or wedge under the shoe"
        )
    shim = posting_height(inside_wedges, field.gx, field.gy)
    task = BedTask(seating, field, wish, limits)
    relief = reliefs(task)
    contour = np.maximum(share_of(task, level) * field.gap - relief, shim)
    top = plate + _followed(task, level, relief, shim)
    top = lower_of(top, rim_of(task, plate), RIM_ROUND_MM)
    top = np.maximum(top, plate + shim)
    top = with_front(task, top, shim)
    if wish.metatarsal is not None:
        drop = drop_of(seating.landmarks, wish.metatarsal, wish.behind, limits)
        ends = shapely.Polygon(outline).buffer(-limits.value("contour.wall"))
        if not ends.covers(shapely.Polygon(drop.ring(limits.value("feel.edge")))):
            raise PlanError(
                f"a metatarsal pad {drop.height:g} mm high does not fit on this contoured bed"
                f"{', which ends behind the ball: plan it full length' * (not full)}"
                f"{': wish a lower one or use a wider base' * full}"
            )
        top = top + drop.at(field.gx, field.gy)
        notes = (*notes, *drop_notes(drop, seating.landmark_sd))
    top = without_ridges(without_edges(with_rim(field, top, limits.value("contour.wall"))))
    notes = (*notes, *_said(wish, seating, limits))
    counted = np.logical_and(field.inside, behind_ball(seating, field.gx, field.gy) > 0)
    off = np.abs(plate + contour - top)[counted]
    shaped = _Shaped(
        field=field, outline=outline, level=level, plate=plate, top=top, posting=inside_wedges
    )
    made = _record(shaped, seating, wish, limits)
    return made.model_copy(update={"snug": round(float((off <= SNUG_MM).mean()), 3)}), notes


def _check(wish: SupportWish, limits: Limits) -> None:
    """Refuse a wish that no contoured bed can have: its length, cup or relief is out of range."""
    if wish.contoured not in LENGTHS:
        raise PlanError(f"a contoured bed is {' or '.join(LENGTHS)}, not {wish.contoured!r}")
    least, most = limits.value("contour.cup_least"), limits.value("contour.cup_most")
    bounds = (("a heel cup", wish.cup, least, most), ("a relief", wish.relief, 0.5, 3.0))
    for what, value, low, high in bounds:
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            raise PlanError(f"{what} cannot be {value:g} mm; give {low:g} to {high:g} mm")


def _followed(task: BedTask, level: float, relief: Array, shim: Array) -> Array:
    """Return the highest top above the plate that follows the sole, mm; not below zero.

    A bed of a low level is that of 60 % lowered by the share that is left out: held against the
    sole itself, the flank, whose gap is the largest, drew the whole arch down with it.
    """
    full, gap = max(level, FOLLOWED_FROM), task.field.gap
    share = share_of(task, full)
    wanted = np.maximum(share * gap - relief, shim)
    top = follow(wanted, np.minimum(gap, FLANK_TOP_MM), feel_of(task.limits))
    if full > level:
        less = (share - share_of(task, level)) * gap
        top = np.maximum(top - less, np.minimum(top, 0.0))
    return top


def plate_of(material: Material | None, limits: Limits) -> float:
    """Return the least thickness of a material under heel and arch, mm.

    What is stated in Shore D is rigid; of the rest, TPU is printed and all else milled of foam or
    cork. A material that nobody knows is taken for the softest.
    """
    if material is not None and material.hardness is not None:
        if material.hardness.unit == "Shore D":
            return limits.value("contour.plate_rigid")
        if material.kind == "TPU":
            return limits.value("contour.plate_tpu")
    return limits.value("contour.plate_eva")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shaped:
    """A contoured bed as shaped, before it becomes a plan; `top` and `plate` above its bed, mm."""

    field: Field
    outline: Array
    level: float
    plate: float
    top: Array
    posting: Sequence[WedgePlan]

    def grid(self, z: Array) -> HeightGrid:
        """Return heights on the field as they are kept."""
        return HeightGrid(
            x0=float(self.field.x[0]),
            y0=float(self.field.y[0]),
            step=float(STEP_MM),
            z=np.round(z[::STEP_MM, ::STEP_MM], 3).tolist(),
        )


def _crest(shaped: _Shaped, seating: Seating) -> tuple[Crest, float, float]:
    """Return the crest along the arch line, the gap at it and what of it is filled, mm."""
    field, apex = shaped.field, seating.landmarks["arch_apex"][0]
    x = np.arange(apex - 5.0, apex + 3.1)
    y = line_at(seating, x)
    at = [x - field.x[0], y - field.y[0]]
    along = ndimage.map_coordinates(shaped.top, at, order=1, mode="nearest")
    k = int(along.argmax())
    _, medial = edges_at(seating.base, x[k])
    gap = float(ndimage.map_coordinates(field.gap, [[at[0][k]], [at[1][k]]], order=1)[0])
    crest = Crest(
        from_rear=round(float(x[k]), 2),
        from_medial=round(float(medial[0] - y[k]), 2),
        height=round(float(along[k]), 2),
        y=round(float(y[k]), 2),
    )
    return crest, gap, float(along[k]) - shaped.plate


def _record(shaped: _Shaped, seating: Seating, wish: SupportWish, limits: Limits) -> ContourPlan:
    """Return the plan of a contoured bed."""
    crest, gap, filled = _crest(shaped, seating)
    field, outline, full = shaped.field, shaped.outline, wish.contoured == "full"
    sd = seating.band / limits.value("keepout.coverage")
    smooth = ndimage.gaussian_filter(shaped.top, 0.7, mode="nearest")
    words = [
        f"{100 * shaped.level:.0f} % of the gap under the arch, all of it at heel and lateral "
        "border",
        f"at the crest {100 * filled / gap:.0f} % of the gap is filled" if gap > 0 else "",
    ]
    if wish.metatarsal is not None:
        back = wish.behind or limits.value("metatarsal.behind")
        words.append(f"the metatarsal pad's crest lies {back:g} mm behind the line of heads 2 to 4")
    return ContourPlan(
        length=wish.contoured,
        outline=[(round(float(a), 3), round(float(b), 3)) for a, b in outline],
        top=shaped.grid(field.bed + smooth),
        bottom=shaped.grid(field.bed),
        plate=shaped.plate,
        edge=limits.value("contour.forefoot" if full else "feel.edge"),
        cover=limits.value("thickness.cover"),
        cup=limits.value("contour.cup") if wish.cup is None else wish.cup,
        support_level=round(shaped.level, 4),
        crest=crest,
        gap_at_crest=Quantity(value=round(gap, 2), sd=round(sd, 2)),
        residual_gap=Quantity(value=round(max(gap - filled, 0.0), 2), sd=round(sd, 2)),
        front_edge=round(float(outline[:, 0].max()), 2),
        forefoot=limits.value("contour.forefoot") if full else 0.0,
        posting=list(shaped.posting),
        metatarsal=wish.metatarsal,
        material=wish.material or MATERIAL,
        reasons=[w for w in words if w],
    )


def _said(wish: SupportWish, seating: Seating, limits: Limits) -> list[Note]:
    notes = [
        Note(
            code="contour-sides",
            level=NoteLevel.WARN,
            text=(
                "the contoured bed stands against heel counter and medial wall: the counter's "
                "room, collar and ankle must clear it by 5 mm, which the fitter checks in the shoe"
            ),
            short="its sides stand against counter and medial wall: collar and ankle must clear "
            "them by 5 mm, check it in the shoe",
        )
    ]
    if not seating.bed_known:
        notes.append(
            Note(
                code="contour-underside",
                level=NoteLevel.WARN,
                text=(
                    "the underside follows the shoe's drop only, since its bed was not measured: "
                    "a trial piece; measure the bed's heights at five stations first"
                ),
                short="its underside follows the drop only, a trial piece: measure the shoe's five "
                "heights first",
            )
        )
    return notes
