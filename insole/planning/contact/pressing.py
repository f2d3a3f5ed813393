"""How the sole rests on the bed, without and with the planned parts: a comparison, no more.

    Seating (level) + pad + wedges + cleat -> compare -> ContactPlan
    the springs themselves: insole.planning.contact.springs

Both cases press the same sole on springs: standing on both feet, and pedalling seated with the
load at the pedal axle. "Without" is the base alone on the bed, "with" has pad and shims on it. At
every place lie in series the tissue, the cover (without as with) and what is planned there, each as
thick and as hard as it is planned.
A shim under the shoe tilts shoe and foot as one and changes nothing between them.

Frame: bed frame, mm. Tilts in degrees: + toes up, + medial side up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.contact.doubts import GRAVITY, idle_notes, mass_of, pressed_notes
from insole.planning.contact.give import COVER, give_of
from insole.planning.contact.springs import (
    TILT_LIMIT_DEG,
    Contact,
    layers_in_series,
    press,
    winkler,
)
from insole.planning.ramp import shim_height
from insole.planning.seating import Seating
from insole.planning.support.keepouts import ball_line
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.limits import Limits
from insole.record.plan import CleatPlan
from insole.record.planned_contact import ContactCase, ContactFigures, ContactPlan, PressureMap
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlace, WedgePlan
from insole.record.values import Note

__all__ = ["compare", "region_maps"]

CELL_MM = 2
MAP_CELLS = 2  # cells to a side that are one cell of the map which a plan keeps
LARGEST_ANKLE_DEG = 15.0  # of the sole against its bed: nothing holds it further in a shoe
LOW_MM = 4.0  # an unseen place beside a lower sole may touch the bed
ARCH_FROM_MM = 0.5  # on the plate: from here on a contoured bed supports the arch

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Bed:
    """The sole above the bed and the parts on it, on one grid.

    Spring constants in N/mm3: `soft` of tissue and cover together, `layers` of the parts. `pad` is
    where it supports the arch: its thin front end under the forefoot is left out. `dome` is where a
    metatarsal pad lies on the base.
    """

    x: Array
    y: Array
    gap: Array
    parts: Array
    pad: Mask
    dome: Mask
    regions: Mapping[str, Mask]
    soft: float
    layers: tuple[Array, ...]
    hardness: tuple[str, ...]

    @property
    def origin(self) -> tuple[float, float]:
        return float(self.x[0]), float(self.y[0])


def compare(
    level: Seating,
    pad: PadPlan | None,
    wedges: Sequence[WedgePlan],
    cleat: CleatPlan | None,
    *,
    limits: Limits,
    body_mass: float | None = None,
    ankle: float | None = None,
    contour: ContourPlan | None = None,
    metatarsal: MetatarsalPlan | None = None,
) -> tuple[ContactPlan, tuple[Note, ...]]:
    """Return how the sole rests without and with the parts, and what must be said of it.

    Parameters
    ----------
    level : Seating
        The foot on the bed without the wedges' roll: tilt is what the balance gives.
    pad, wedges, cleat
        As planned; all of them may be missing.
    contour : ContourPlan or None
        A contoured bed in place of pad and inside wedges.
    metatarsal : MetatarsalPlan or None
        On the base, beside the pad.
    body_mass : float or None
        kg; None takes the nominal mass of the limits, and the record says so.
    ankle : float or None
        Angle of the sole against its bed that leg and shoe hold while pedalling, degrees, +
        toes up. None: the springs alone balance the load, and where that takes more than 6
        degrees the sole is held level.

    Raises
    ------
    PlanError
        Body mass or ankle angle is not a believable number.
    """
    mass = mass_of(body_mass, limits)
    _check_ankle(ankle)
    bed = _bed(level, _Parts(pad, wedges, contour, metatarsal), limits)
    weight = float(mass.value or 0.0) * GRAVITY
    stand = level.station + limits.value("contact.standing_centre") * level.foot_length
    where = {"standing": stand, "pedalling": _axle(level, cleat)}
    cases = []
    for name, x in where.items():
        load = round(limits.value(f"contact.{name}_share") * weight, 1)
        held = ankle if name == "pedalling" else None
        if x is None:
            reason = "the metatarsal heads are not known, so the axle's place is not either"
            cases.append(ContactCase(case=name, load=load, reason=reason))
            continue
        cases.append(_case(name, bed, (x, _on_axis(level, x)), load, held))
    plan = ContactPlan(body_mass=mass, cases=cases, notes=_said(bed, wedges))
    unwedged = all(w.place is WedgePlace.UNDER for w in wedges)
    alone = (pad is not None or contour is not None) and unwedged
    return plan, (*pressed_notes(plan, limits), *(idle_notes(plan) if alone else ()))


def region_maps(level: Seating, x: Array, y: Array, limits: Limits) -> dict[str, Mask]:
    """Return the regions of the sole as masks at (x, y); each place belongs to one.

    Heel and midfoot part at a share of the length; forefoot and toes run with the oblique ball
    line; the big toe lies medial of the middle between first and second metatarsal head.
    """
    medial, lateral, _ = ball_line(level)
    slope = (medial[0] - lateral[0]) / max(float(medial[1] - lateral[1]), 1.0)
    ahead = (x - (lateral[0] + slope * (y - lateral[1]))) / level.foot_length
    heel = (x - level.station) / level.foot_length < limits.value("contact.heel_to")
    front = (ahead >= -limits.value("contact.forefoot_behind")) & ~heel
    toes = ahead >= limits.value("contact.toes_ahead")
    found = {"heel": heel, "midfoot": ~heel & ~front, "forefoot": front & ~toes}
    if not {"mth1", "mth2"} <= set(level.landmarks):
        return found | {"toes": toes}
    between = float(level.landmarks["mth1"][1] + level.landmarks["mth2"][1]) / 2
    big = y > between
    return found | {"big toe": toes & big, "other toes": toes & ~big}


def _check_ankle(ankle: float | None) -> None:
    most = LARGEST_ANKLE_DEG
    if ankle is not None and not (math.isfinite(ankle) and abs(ankle) <= most):
        raise PlanError(
            f"a sole cannot be held {ankle:g}° to its bed; give -{most:g} to {most:g}° (+ toes up)"
        )


class _Parts(NamedTuple):
    """What lies in the shoe beside the sole."""

    pad: PadPlan | None
    wedges: Sequence[WedgePlan]
    contour: ContourPlan | None
    metatarsal: MetatarsalPlan | None


def _bed(level: Seating, parts: _Parts, limits: Limits) -> _Bed:
    """Return sole, bed and parts on the grid of the comparison."""
    pad, wedges, contour, metatarsal = parts
    x, y = level.sole.x[::CELL_MM], level.sole.y[::CELL_MM]
    gx, gy = np.meshgrid(x, y, indexing="ij")
    gap = np.clip((level.sole.z - level.bed.z)[::CELL_MM, ::CELL_MM], 0.0, None)
    if not np.isfinite(gap).any():
        raise PlanError("the scan shows no sole; scan the foot again from below")
    shims = np.zeros(gap.shape)
    layers, hardness = [], {}
    for wedge in wedges:
        if wedge.place is not WedgePlace.UNDER and contour is None:  # else it is built in
            ramp, of = shim_height(wedge, gx, gy), give_of(wedge.material, limits)
            shims = shims + ramp
            layers.append(of.stiffness(ramp))
            hardness[f"{wedge.place.value} shim"] = of.words
    regions = region_maps(level, gx, gy, limits)
    raised, arch = np.zeros(gap.shape), np.zeros(gap.shape, dtype=bool)
    if contour is not None:
        raised, of = ContourShape(contour).inside(gx, gy), give_of(contour.material, limits)
        arch = (raised > contour.plate + ARCH_FROM_MM) & regions["midfoot"]
        hardness["contoured bed"] = of.words
        layers.append(of.stiffness(raised))
    if pad is not None:
        raised, of = PadTop(pad).inside(gx, gy), give_of(pad.material, limits)
        arch = (raised > 0) & ~regions["forefoot"]
        hardness["arch pad"] = of.words
        layers.append(of.stiffness(raised))
    dome = np.zeros(gap.shape)
    if metatarsal is not None:
        dome, of = PadTop(metatarsal).inside(gx, gy), give_of(metatarsal.material, limits)
        hardness["metatarsal pad"] = of.words
        layers.append(of.stiffness(dome))
    thick, over = limits.value("thickness.cover"), give_of(COVER, limits)
    tissue = winkler(
        limits.value("contact.tissue_modulus"), limits.value("contact.tissue_thickness")
    )
    soft = float(layers_in_series(tissue, over.stiffness(np.array(thick))))
    hardness[f"cover of {thick:g} mm, without the parts as with them"] = over.words
    return _Bed(
        x=x,
        y=y,
        gap=gap,
        parts=shims + raised + dome,
        pad=arch,
        dome=dome > 0,
        regions=regions,
        soft=soft,
        layers=tuple(layers),
        hardness=tuple(f"{what}: {of}" for what, of in hardness.items()),
    )


def _axle(level: Seating, cleat: CleatPlan | None) -> float | None:
    if cleat is None or "mth1" not in level.landmarks:
        return None
    return float(level.landmarks["mth1"][0]) + cleat.from_ball_mark


def _on_axis(level: Seating, x: float) -> float:
    """Return y at `x` on the foot's axis: heel centre to second metatarsal head."""
    marks = level.landmarks
    if not {"heel_centre", "mth2"} <= set(marks):
        pose = level.foot_to_bed
        along = (x - pose[0, 3]) / pose[0, 0]
        return float(pose[1, 0] * along + pose[1, 3])
    heel, head = marks["heel_centre"][:2], marks["mth2"][:2]
    return float(heel[1] + (head[1] - heel[1]) * (x - heel[0]) / (head[0] - heel[0]))


def _case(
    name: str, bed: _Bed, centre: tuple[float, float], load: float, ankle: float | None
) -> ContactCase:
    """Return one case: both beds pressed in the same way, so that they can be compared."""
    notes = []
    try:
        found = [_pressed(bed, parts, centre, load, ankle) for parts in (False, True)]
        tilt = max(abs(t) for one in found for t in (one.tilt_x, one.tilt_y))
        if ankle is None and tilt > TILT_LIMIT_DEG:
            ankle = 0.0
            found = [_pressed(bed, parts, centre, load, ankle) for parts in (False, True)]
            notes.append(
                f"the springs alone would tilt the sole by {tilt:.1f}°, more than "
                f"{TILT_LIMIT_DEG:g}°: leg and shoe hold part of the moment, so the sole was held "
                "level"
            )
    except PlanError as error:
        return ContactCase(case=name, load=load, ankle=ankle, reason=str(error))
    notes += _on_dome(bed, found)
    before, after = (_figures(one, bed) for one in found)
    maps = _maps([one.pressure for one in found], bed)
    return ContactCase(
        case=name,
        load=load,
        centre=(round(centre[0], 1), round(centre[1], 1)),
        ankle=ankle,
        before=before,
        after=after,
        before_map=maps[0],
        after_map=maps[1],
        notes=notes,
    )


def _on_dome(bed: _Bed, found: Sequence[Contact]) -> list[str]:
    """Return what a metatarsal pad carries, and how the peak at the heads ahead of it changes."""
    if not bed.dome.any():
        return []
    before, after = (np.nan_to_num(one.pressure) for one in found)
    beside = bed.regions["forefoot"] & ~bed.dome
    share = float(after[bed.dome].sum()) / max(float(after.sum()), 1e-9)
    return [
        f"the metatarsal pad carries {100 * share:.0f} % of the load, at the most "
        f"{after[bed.dome].max():.0f} kPa ({before[bed.dome].max():.0f} kPa there without it); the "
        f"forefoot beside it {before[beside].max(initial=0.0):.0f} kPa without and "
        f"{after[beside].max(initial=0.0):.0f} kPa with it"
    ]


def _pressed(
    bed: _Bed, parts: bool, centre: tuple[float, float], load: float, ankle: float | None
) -> Contact:
    height = bed.parts if parts else np.zeros(bed.gap.shape)
    stiffness = layers_in_series(bed.soft, np.full(height.shape, np.inf), *bed.layers * parts)
    held = None if ankle is None else (ankle, 0.0)
    return press(
        bed.gap - height,
        CELL_MM,
        stiffness,
        load,
        centre,
        held,
        origin=bed.origin,
        regions=bed.regions,
    )


def _figures(found: Contact, bed: _Bed) -> ContactFigures:
    pressure = np.nan_to_num(found.pressure)
    peaks = {name: float(pressure[mask].max(initial=0.0)) for name, mask in bed.regions.items()}
    total = max(float(pressure.sum()), 1e-9)
    along = np.abs(np.diff(pressure, axis=0)) / CELL_MM
    forefoot = bed.regions["forefoot"]
    return ContactFigures(
        area=round(found.area, 2),
        areas={
            name: round(float((pressure[mask] > 0).sum()) * CELL_MM**2 / 100, 2)
            for name, mask in bed.regions.items()
        },
        share={name: round(value, 4) for name, value in found.shares.items()},
        peak={name: round(value, 2) for name, value in peaks.items()},
        pad_share=round(float(pressure[bed.pad].sum()) / total, 4),
        pad_peak=round(float(pressure[bed.pad].max(initial=0.0)), 2),
        pad_gradient=round(_steepest(along, bed.pad), 3),
        ball_gradient=round(_steepest(along, forefoot), 3),
        tilt=(round(found.tilt_x, 2), round(found.tilt_y, 2)),
        centre=(round(found.centre[0], 1), round(found.centre[1], 1)),
    )


def _maps(pressures: Sequence[Array], bed: _Bed) -> list[PressureMap]:
    """Return maps of `MAP_CELLS` cells to a side in one, cut to where any of them is pressed.

    Means over whole cells, so that the load of a map is that of the figures but for rounding.
    """
    raw = np.stack([np.nan_to_num(pressure) for pressure in pressures])
    more = [-size % MAP_CELLS for size in raw.shape[1:]]
    raw = np.pad(raw, ((0, 0), (0, more[0]), (0, more[1])))
    rows, columns = (size // MAP_CELLS for size in raw.shape[1:])
    mean = raw.reshape(len(raw), rows, MAP_CELLS, columns, MAP_CELLS).mean(axis=(2, 4))
    whole = np.round(mean).astype(int)
    i, j = (np.flatnonzero(whole.any(axis=axes)) for axes in ((0, 2), (0, 1)))
    i, j = (at if len(at) else np.zeros(1, dtype=int) for at in (i, j))
    shown = whole[:, i[0] : i[-1] + 1, j[0] : j[-1] + 1]
    step = float(MAP_CELLS * CELL_MM)
    middle = (step - CELL_MM) / 2
    x0, y0 = bed.origin[0] + middle + i[0] * step, bed.origin[1] + middle + j[0] * step
    return [
        PressureMap(x0=x0, y0=y0, step=step, rows=[" ".join(map(str, row)) for row in one.tolist()])
        for one in shown
    ]


def _steepest(along: Array, mask: Mask) -> float:
    """Return the steepest pressure change along the foot within a region, kPa/mm."""
    return float(along[mask[1:] & mask[:-1]].max(initial=0.0))


def _said(bed: _Bed, wedges: Sequence[WedgePlan]) -> list[str]:
    """Return what belongs to every reading of the figures."""
    notes = [
        "comparison of one bed with another by a spring model, not a clinical figure: soft tissue "
        "as even springs, a stiff sole, no upper (a closure over the instep adds load not shown)"
    ]
    notes.append(f"hardness taken, from the table of materials: {'; '.join(bed.hardness)}")
    missing = float(_holes(bed).sum()) * CELL_MM**2 / 100
    if missing > 0:
        notes.append(f"contact area is incomplete: the sole map has holes of {missing:.1f} cm²")
    if any(w.place is WedgePlace.UNDER for w in wedges):
        notes.append("a shim under the shoe tilts shoe and foot as one and is not in these figures")
    return notes


def _holes(bed: _Bed) -> Mask:
    """Return unseen places amid the sole that could touch: neither toe gaps nor steep flanks."""
    seen = np.isfinite(bed.gap)
    toes = [mask for name, mask in bed.regions.items() if "toe" in name]
    inside = ndimage.binary_fill_holes(seen) & ~seen & ~np.any(toes, axis=0)
    if not inside.any():
        return inside
    _, index = ndimage.distance_transform_edt(~seen, return_indices=True)
    return np.asarray(inside & (bed.gap[tuple(index)] < LOW_MM))
