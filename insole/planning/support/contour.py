"""The contoured bed: heel cup, arch and lateral border in one piece, shaped by the sole.

    Seating + MeasuredFoot + ContourWish -> plan_contour -> ContourPlan

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
from insole.planning.ramp import inside_height
from insole.planning.seating import Seating, smoothstep
from insole.planning.support.border import line_at
from insole.planning.support.ceilings import ball_line, tender_spots
from insole.planning.support.contour_field import (
    FLANK_TOP_MM,
    MARGIN_MM,
    STEP_MM,
    Field,
    behind_ball,
    breadths,
    field_of,
)
from insole.planning.support.level import support_level
from insole.planning.support.metatarsal import drop_notes, drop_of
from insole.planning.support.surface import FREE, feel_of, follow, lower_of
from insole.record.limits import Limits
from insole.record.plan import (
    ContourPlan,
    Crest,
    HeightGrid,
    Note,
    NoteLevel,
    Override,
    Quantity,
    WedgePlace,
    WedgePlan,
)
from insole.record.rings import edges_at, smooth_ring

__all__ = ["LENGTHS", "ContourWish", "plan_contour"]

LENGTHS = ("three-quarter", "full")
RIM_ROUND_MM = 3.0
HEEL_FULL = (0.20, 0.34)  # shares of length between which the heel's full contact gives way
LATERAL_FULL = (0.30, 0.60)  # shares of breadth from the lateral border, likewise
CUP_ENDS = (0.20, 0.36)  # shares of length over which the cup's rim becomes flange and border
FADE_MM = 12.0  # over which a relief runs out
SNUG_MM = 1.0  # off the wish; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class ContourWish:
    """What the fitter wants of a contoured bed.

    Attributes
    ----------
    length : str
        ``"three-quarter"`` (ends behind the ball line) or ``"full"``.
    level : float or None
        Support level under the arch; None takes the first trial's.
    cup : float or None
        Depth of the heel cup, mm; None takes the limits' own.
    tender : tuple of (x, y)
        Tender spots, bed frame, mm: each gets a relief.
    relief : float or None
        Depth of those reliefs, mm.
    metatarsal, metatarsal_behind : float or None
        Height of a metatarsal pad, mm; None: none. Its crest behind the heads, mm; None takes
        the limits' own.
    material : str
        Word of the material table.
    """

    length: str
    level: float | None = None
    cup: float | None = None
    tender: tuple[tuple[float, float], ...] = ()
    relief: float | None = None
    metatarsal: float | None = None
    metatarsal_behind: float | None = None
    material: str = "base-pp"


def plan_contour(
    seating: Seating,
    measured: MeasuredFoot,
    *,
    wish: ContourWish,
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
    wish : ContourWish
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
    plate = plate_of(wish.material, limits)
    if wish.length == "full":  # heel and ball lie equally high
        plate = max(plate, limits.value("contour.forefoot"))
    outline = _outline(seating, wish, limits)
    field = (memory or Memory()).kept(
        "field",
        (seating, measured, limits),
        (outline.tobytes(),),
        lambda: field_of(seating, measured, outline, limits),
    )
    inside_wedges = [w for w in wedges if w.place is not WedgePlace.UNDER]
    if wish.length != "full" and any(w.place is WedgePlace.FOREFOOT for w in inside_wedges):
        raise PlanError(
            "a three-quarter bed ends behind the ball and cannot hold a forefoot wedge; plan it "
            "full length, or wedge under the shoe"
        )
    shim = inside_height(inside_wedges, field.gx, field.gy)
    wanted = _share(seating, field, level) * field.gap - _reliefs(seating, field, wish, limits)
    contour = np.maximum(wanted, shim)
    top = plate + follow(contour, np.minimum(field.gap, FLANK_TOP_MM), feel_of(limits))
    top = lower_of(top, _rim(seating, field, wish, plate, limits), RIM_ROUND_MM)
    top = np.maximum(top, plate + shim)
    top = _front(seating, field, wish, top, shim, limits)
    if wish.metatarsal is not None:
        drop = drop_of(seating.landmarks, wish.metatarsal, wish.metatarsal_behind, limits)
        ends = shapely.Polygon(outline).buffer(-limits.value("contour.wall"))
        if not ends.covers(shapely.Polygon(drop.ring(limits.value("feel.edge")))):
            raise PlanError(
                f"a metatarsal pad {drop.height:g} mm high does not fit on this contoured bed"
                f"{', which ends behind the ball: plan it full length' * (wish.length != 'full')}"
                f"{': wish a lower one or use a wider base' * (wish.length == 'full')}"
            )
        top = top + drop.at(field.gx, field.gy)
        notes = (*notes, *drop_notes(drop, seating.landmark_sd))
    top = _with_rim(field, top, limits.value("contour.wall"))
    notes = (*notes, *_said(wish, seating, limits))
    counted = np.logical_and(field.inside, behind_ball(seating, field) > 0)
    off = np.abs(plate + contour - top)[counted]
    made = _record(seating, field, outline, wish, level, plate, top, inside_wedges, limits)
    return made.model_copy(update={"snug": round(float((off <= SNUG_MM).mean()), 3)}), notes


def plate_of(material: str, limits: Limits) -> float:
    """Return the least thickness of a material under heel and arch, mm."""
    if "tpu" in material:
        return limits.value("contour.plate_tpu")
    foam = "eva" in material or "cork" in material
    return limits.value("contour.plate_eva" if foam else "contour.plate_rigid")


def _check(wish: ContourWish, limits: Limits) -> None:
    if wish.length not in LENGTHS:
        raise PlanError(f"a contoured bed is {' or '.join(LENGTHS)}, not {wish.length!r}")
    bounds = {
        "cup": ("a heel cup", limits.value("contour.cup_least"), limits.value("contour.cup_most")),
        "relief": ("a relief", 0.5, 3.0),
    }
    for name, (what, low, high) in bounds.items():
        value = getattr(wish, name)
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            raise PlanError(f"{what} cannot be {value:g} mm; give {low:g} to {high:g} mm")


def _outline(seating: Seating, wish: ContourWish, limits: Limits) -> Array:
    """Return the bed's outline: the base's, cut off behind the ball line for three quarters."""
    base = shapely.Polygon(seating.base)
    if wish.length == "full":
        return np.asarray(shapely.orient_polygons(base).exterior.coords)[:-1]
    medial, lateral, _ = ball_line(seating)
    along = (medial - lateral) / np.linalg.norm(medial - lateral)
    ahead = np.array([along[1], -along[0]])
    back = _front_gap(seating, limits)
    ends = [lateral - 400.0 * along - back * ahead, medial + 400.0 * along - back * ahead]
    cut = shapely.Polygon([*ends, ends[1] - 900.0 * ahead, ends[0] - 900.0 * ahead])
    most = seating.station + limits.value("contour.three_quarter") * seating.foot_length
    piece = base.intersection(cut).intersection(shapely.box(-50.0, -300.0, most, 300.0))
    radius = limits.value("feel.corner_radius")
    front = piece.bounds[2]
    rounded = piece.buffer(-radius, quad_segs=32).buffer(radius, quad_segs=32)
    heel = piece.intersection(shapely.box(-50.0, -300.0, front - 45.0, 300.0))
    piece = max(getattr(rounded.union(heel), "geoms", [rounded.union(heel)]), key=lambda p: p.area)
    ring = shapely.get_coordinates(shapely.orient_polygons(piece).exterior.segmentize(1.5))[:-1]
    return smooth_ring(ring, sigma_mm=1.5)


def _front_gap(seating: Seating, limits: Limits) -> float:
    """Return how far behind the ball line the contour ends, mm."""
    _, _, sd = ball_line(seating)
    return limits.value("keepout.ball_clear") + limits.value("keepout.coverage") * sd


def _share(seating: Seating, field: Field, level: float) -> Array:
    """Return the share of the gap to fill: all at heel and lateral border, the level between."""
    share, across = breadths(seating, field)
    heel = 1.0 - smoothstep((share - HEEL_FULL[0]) / (HEEL_FULL[1] - HEEL_FULL[0]))
    lateral = 1.0 - smoothstep((across - LATERAL_FULL[0]) / (LATERAL_FULL[1] - LATERAL_FULL[0]))
    full = np.maximum(heel, lateral)
    return np.asarray(level + (1.0 - level) * full) if level < 1.0 else np.full(full.shape, level)


def _reliefs(seating: Seating, field: Field, wish: ContourWish, limits: Limits) -> Array:
    """Return what is taken off under places that are kept free of load, mm."""
    base = limits.value("contour.relief")
    depth = limits.value("keepout.tender_relief") if wish.relief is None else wish.relief
    out = depth * tender_spots(seating, field.gx, field.gy, wish.tender, limits)
    head = seating.landmarks.get("mth5", ball_line(seating)[1])
    at = float(head[0]) - limits.value("keepout.fifth_base_behind") * seating.foot_length
    radius = limits.value("keepout.fifth_base_radius")
    low, _ = edges_at(seating.foot_outline, at)
    centre = float(low[0]) + radius / 2 if np.isfinite(low[0]) else float(head[1])
    away = np.hypot(field.gx - at, field.gy - centre) - radius / 2
    out = np.maximum(out, base * (1.0 - smoothstep(away / FADE_MM)))
    first = seating.landmarks.get("mth1")
    if first is not None:  # the front half of the first ray must stay free to drop
        half = limits.value("keepout.first_metatarsal_half") * seating.foot_length
        start = float(first[0]) - half
        low, high = edges_at(seating.foot_outline, np.clip(field.x, 2.0, None))
        ray = np.nan_to_num(
            high - limits.value("keepout.first_metatarsal_breadth") * (high - low), nan=FREE
        )
        beside = np.clip(ray[:, None] - field.gy, 0.0, None)
        off = np.hypot(np.clip(start - field.gx, 0.0, None), beside)
        out = np.maximum(out, base * (1.0 - smoothstep(off / FADE_MM)))
    return np.asarray(out)


def _rim(seating: Seating, field: Field, wish: ContourWish, plate: float, limits: Limits) -> Array:
    """Return how high the top may stand above its bed, mm: cup, flange, lateral border."""
    cup = limits.value("contour.cup") if wish.cup is None else wish.cup
    share, across = breadths(seating, field)
    behind = 1.0 - smoothstep((share - CUP_ENDS[0]) / (CUP_ENDS[1] - CUP_ENDS[0]))
    medial = smoothstep((across - 0.3) / 0.4)
    lateral_rim, flange = limits.value("contour.lateral"), limits.value("feel.flange")
    slope = math.tan(math.radians(limits.value("feel.slope_medial")))
    inward = np.clip(field.depth, 0.0, None)
    sides = (1.0 - medial) * lateral_rim + medial * flange
    mark = seating.landmarks.get("navicular")
    rim = behind * (plate + cup) + (1.0 - behind) * (sides + slope * inward * medial)
    if mark is not None:
        bed = float(np.nan_to_num(seating.bed.height(mark[:1], mark[1:2]))[0])
        extra = limits.value("keepout.coverage") * seating.landmark_sd.get("navicular", 0.0)
        away = np.hypot(field.gx - mark[0], field.gy - mark[1])
        away = away - limits.value("keepout.navicular_radius") - extra
        high = max(float(mark[2]) - bed - limits.value("keepout.navicular_below"), 0.0)
        rim = np.minimum(rim, high + np.clip(away, 0.0, None))
    return np.asarray(rim)


def _front(
    seating: Seating, field: Field, wish: ContourWish, top: Array, shim: Array, limits: Limits
) -> Array:
    """Return the top run out behind the ball line, on nothing or on a flat forefoot."""
    edge, thin = limits.value("feel.edge"), limits.value("keepout.ball_thin")
    slope = math.tan(math.radians(limits.value("feel.slope")))
    behind = behind_ball(seating, field)
    plate = limits.value("keepout.ball_thin_height") + slope * np.clip(behind - thin, 0.0, None)
    if wish.length == "full":
        flat = limits.value("contour.forefoot")
        clear = behind - _front_gap(seating, limits)
        ramp = np.minimum(flat + slope * np.clip(clear, 0.0, None), np.maximum(plate, flat))
        # the wedge built in runs on through all of it
        contour = np.maximum(lower_of(top - shim, ramp, 1.5), flat)
        ahead = smoothstep(-clear / 6.0)
        return np.asarray((1.0 - ahead) * contour + ahead * flat + shim)
    ends = _front_depth(seating, field, limits)
    return np.asarray(
        np.minimum(
            lower_of(top, np.minimum(plate, edge + slope * ends), 1.0),
            np.maximum(edge + slope * ends, 0.2),
        )
    )


def _front_depth(seating: Seating, field: Field, limits: Limits) -> Array:
    """Return how far places lie behind the front end of a three-quarter bed, mm."""
    behind = behind_ball(seating, field) - _front_gap(seating, limits)
    most = seating.station + limits.value("contour.three_quarter") * seating.foot_length
    return np.minimum(behind, most - field.gx)


def _with_rim(field: Field, top: Array, wall: float) -> Array:
    """Return the top with a level rim as wide as a wall: nothing thinner stands at the border."""
    fx, fy = np.gradient(field.depth)
    norm = np.maximum(np.hypot(fx, fy), 1e-6)
    into = np.clip(wall - field.depth, 0.0, wall + MARGIN_MM)
    at = [
        np.arange(len(field.x))[:, None] + into * fx / norm,
        np.arange(len(field.y))[None, :] + into * fy / norm,
    ]
    moved = ndimage.map_coordinates(top, at, order=1, mode="nearest")
    return np.where(into > 0, np.minimum(moved, np.where(field.inside, top, moved)), top)


def _record(
    seating: Seating,
    field: Field,
    outline: Array,
    wish: ContourWish,
    level: float,
    plate: float,
    top: Array,
    wedges: Sequence[WedgePlan],
    limits: Limits,
) -> ContourPlan:
    x = np.arange(seating.landmarks["arch_apex"][0] - 5.0, seating.landmarks["arch_apex"][0] + 3.1)
    y = line_at(seating, x)
    at = [x - field.x[0], y - field.y[0]]
    along = ndimage.map_coordinates(top, at, order=1, mode="nearest")
    k = int(along.argmax())
    _, medial = edges_at(seating.base, x[k])
    gap = float(ndimage.map_coordinates(field.gap, [[at[0][k]], [at[1][k]]], order=1)[0])
    filled = float(along[k]) - plate
    sd = seating.band / limits.value("keepout.coverage")
    smooth = ndimage.gaussian_filter(top, 0.7, mode="nearest")

    def grid(z: Array) -> HeightGrid:
        return HeightGrid(
            x0=float(field.x[0]),
            y0=float(field.y[0]),
            step=float(STEP_MM),
            z=np.round(z[::STEP_MM, ::STEP_MM], 3).tolist(),
        )

    cup = limits.value("contour.cup") if wish.cup is None else wish.cup
    words = [
        f"{100 * level:.0f} % of the gap under the arch, all of it at heel and lateral border",
        f"at the crest {100 * filled / gap:.0f} % of the gap is filled" if gap > 0 else "",
    ]
    if wish.metatarsal is not None:
        back = wish.metatarsal_behind or limits.value("metatarsal.behind")
        words.append(f"the metatarsal pad's crest lies {back:g} mm behind the line of heads 2 to 4")
    return ContourPlan(
        length=wish.length,
        outline=[(round(float(a), 3), round(float(b), 3)) for a, b in outline],
        top=grid(field.bed + smooth),
        bottom=grid(field.bed),
        plate=plate,
        edge=limits.value("feel.edge")
        if wish.length == "three-quarter"
        else limits.value("contour.forefoot"),
        cover=limits.value("thickness.cover"),
        cup=cup,
        support_level=round(level, 4),
        crest=Crest(
            from_rear=round(float(x[k]), 2),
            from_medial=round(float(medial[0] - y[k]), 2),
            height=round(float(along[k]), 2),
            y=round(float(y[k]), 2),
        ),
        gap_at_crest=Quantity(value=round(gap, 2), sd=round(sd, 2)),
        residual_gap=Quantity(value=round(max(gap - filled, 0.0), 2), sd=round(sd, 2)),
        front_edge=round(float(outline[:, 0].max()), 2),
        forefoot=limits.value("contour.forefoot") if wish.length == "full" else 0.0,
        posting=list(wedges),
        metatarsal=wish.metatarsal,
        material=wish.material,
        reasons=[w for w in words if w],
    )


def _said(wish: ContourWish, seating: Seating, limits: Limits) -> list[Note]:
    notes = [
        Note(
            code="contour-sides",
            level=NoteLevel.WARN,
            text=(
                "the contoured bed stands against heel counter and medial wall: the counter's "
                "room, collar "
                "and ankle must clear it by 5 mm, which the fitter checks in the shoe"
            ),
        )
    ]
    if not seating.bed_known:
        notes.append(
            Note(
                code="contour-underside",
                level=NoteLevel.WARN,
                text=(
                    "the underside follows the shoe's drop only, since its bed was not measured: "
                    "a trial "
                    "piece; measure the bed's heights at five stations first"
                ),
            )
        )
    return notes
