"""Seat the foot in the shoe and bring its arch to the half-load state.

    MeasuredFoot + Layout [+ Shoe, net roll] -> seat -> Seating -> insole.planning.support.pad

The foot is laid on the bed by heel and ball: heel clearance and centreline from the layout,
pitch from the bed's height under heel seat and ball, roll from the wedges. Its sole is then
known above every place of the bed; what lies between is the gap that a pad may fill.

Terms
    lowering   how far the sole comes down from the scanned to the half-load state: all of it at
               the arch apex, nothing at heel seat, ball and where the sole is on the ground
    gap        clearance between the lowered sole and the bed (the base follows the bed and
               lifts the whole foot by its thickness, which leaves the gap as it is)
    band       half width of the 95 % band of the gap at the apex
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from footscan.foot import SoleMap
from footscan.measuring.measures import load_state
from footscan.results import MeasuredFoot
from footscan.scan import Array, Load
from insole.planning.outline import Layout
from insole.record.limits import Limits
from insole.record.plan import FootPlan, Plan, SeatingRecord
from insole.record.rings import edges_at
from insole.record.values import Note, NoteLevel
from insole.shoe.shoe import Shoe, parse

__all__ = ["Seating", "bed_heights", "lowering", "planned_bed", "seat", "smoothstep"]

BED_ENDS = 0.12  # of the base's length: nearer to its ends the bed is as broad as there
CELL_MM = 1.0
ROUNDS = 4  # fixed-point rounds of the plan position under a small tilt; 2 already give 0.01 mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seating:
    """A foot seated in a shoe, in the bed frame.

    Attributes
    ----------
    foot_to_bed : ndarray, shape (4, 4)
        Foot frame to bed frame; a proper rotation.
    sole : SoleMap
        Lowered sole above the bed frame's z = 0, mm; NaN where the scan shows none.
    bed : SoleMap
        Height of the bed on the same grid, mm; 0 everywhere when no shoe is known.
    landmarks : mapping of str to ndarray, shape (3,)
        Bed frame, mm; arch apex and navicular lowered with the sole.
    landmark_sd : mapping of str to float
        mm in plan.
    base, foot_outline : ndarray, shape (n, 2)
        Base outline and foot outline, counter-clockwise.
    trim : float
        Part of the base outline that will be cut away, mm; no pad reaches into it.
    station : float
        x of the pternion: share s of the foot's length lies at station + s * foot_length.
    foot_length : float
        mm.
    lowered : float
        mm at the arch apex.
    band : float
        Half width of the gap's 95 % band at the apex, mm.
    roll : float
        Degrees, + medial side up.
    load : Load
        State in which the foot was scanned, as planning takes it.
    shoe_known, bed_known : bool
        Whether there is a shoe, and whether its bed was measured.
    notes : tuple of Note
        What was assumed.
    """

    foot_to_bed: Array
    sole: SoleMap
    bed: SoleMap
    landmarks: Mapping[str, Array]
    landmark_sd: Mapping[str, float]
    base: Array
    foot_outline: Array
    trim: float
    station: float
    foot_length: float
    lowered: float
    band: float
    roll: float
    load: Load
    shoe_known: bool
    bed_known: bool
    notes: tuple[Note, ...]

    def gap(self, x: Array | float, y: Array | float) -> Array:
        """Return the clearance between lowered sole and bed at (x, y), mm; NaN where unseen.

        Never negative: where the sole would sink into the bed it touches.
        """
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        at = np.atleast_1d(x), np.atleast_1d(y)
        return np.clip(self.sole.height(*at) - self.bed.height(*at), 0.0, None).reshape(x.shape)

    def record(self) -> SeatingRecord:
        """Return what the plan keeps of the seating."""
        return SeatingRecord(
            foot_to_bed=np.round(self.foot_to_bed, 9).tolist(),
            lowered=round(self.lowered, 3),
            band=round(self.band, 3),
            roll=round(self.roll, 3),
            notes=[note.text for note in self.notes],
        )


def seat(
    measured: MeasuredFoot, layout: Layout, shoe: Shoe | None, *, limits: Limits, roll: float = 0.0
) -> Seating:
    """Return the foot seated on the bed, its arch at half load.

    Parameters
    ----------
    measured : MeasuredFoot
        Foot frame.
    layout : Layout
        Foot and base in plan, from :func:`insole.planning.outline.lay_out`.
    shoe : Shoe or None
        None: a flat bed, and the band says so.
    roll : float
        Net roll of the whole foot from the wedges, degrees, + medial side up, about the line
        from heel seat to ball. A roll never widens the gap: how far the first ray gives way
        under a varus shim cannot be seen in a scan, so the smaller gap is planned.
    limits : Limits
        Planning limits.
    """
    sole, lowered, load_notes = _lowered_sole(measured, limits)
    pose = _pose(measured, layout, shoe, limits, roll)
    mapped = _resampled(sole, pose)
    if roll > 0:
        mapped = _lower_of(mapped, _resampled(sole, _pose(measured, layout, shoe, limits, 0.0)))
    bed = _bed_map(mapped, layout, shoe)
    band, shoe_notes = _band(measured, shoe, lowered, limits)
    marks = {}
    for name, mark in measured.landmarks.items():
        point = np.array(mark.xyz, dtype=float)
        if name in ("arch_apex", "navicular"):
            point[2] -= float(lowering(measured, point[0], point[2], limits))
        marks[name] = pose[:3, :3] @ point + pose[:3, 3]
    rear = float((layout.foot_to_bed @ [0.0, 0.0, 1.0])[0])
    return Seating(
        foot_to_bed=pose,
        sole=mapped,
        bed=bed,
        landmarks=marks,
        landmark_sd={name: float(mark.sd) for name, mark in measured.landmarks.items()},
        base=layout.base,
        foot_outline=layout.foot,
        trim=layout.trim,
        station=rear,
        foot_length=measured.foot.length,
        lowered=lowered,
        band=band,
        roll=roll,
        load=_state(measured),
        shoe_known=shoe is not None,
        bed_known=shoe is not None and shoe.bed_known,
        notes=(*layout.notes, *load_notes, *shoe_notes),
    )


def lowering(measured: MeasuredFoot, x: Array | float, z: Array | float, limits: Limits) -> Array:
    """Return how far points of the sole at (x, z) come down to the half-load state, mm.

    The full amount at the arch apex and above its height, nothing at the heel seat, at the ball
    and on the ground; smooth in between (no kink in slope along x or with height), so that no
    ridge is copied into a pad.

    Parameters
    ----------
    x, z : array_like
        Place along the foot and height, foot frame, mm.
    """
    x, z = np.asarray(x, dtype=float), np.asarray(z, dtype=float)
    apex = measured.landmarks.get("arch_apex")
    if apex is None:
        return np.zeros(np.broadcast(x, z).shape)
    amount, top = _amount(measured, limits), max(float(apex.xyz[2]), 1e-6)
    heel = limits.value("seating.heel_seat") * measured.foot.length
    ball = _ball_x(measured)
    rise = smoothstep((x - heel) / max(float(apex.xyz[0]) - heel, 1.0))
    fall = smoothstep((ball - x) / max(ball - float(apex.xyz[0]), 1.0))
    along = np.where(x < apex.xyz[0], rise, fall)
    return amount * along * np.sin(np.pi / 2 * np.clip(z / top, 0.0, 1.0))


def _amount(measured: MeasuredFoot, limits: Limits) -> float:
    """Return the lowering at the arch apex, mm."""
    apex = measured.landmarks.get("arch_apex")
    if apex is None:
        return 0.0
    state = _state(measured)
    wanted = {
        Load.NONE: limits.value("load.from_none"),
        Load.SEATED: limits.value("load.from_seated"),
        Load.UNKNOWN: limits.value("load.from_unknown"),
    }.get(state, 0.0)  # half and full: as scanned, an arch is never raised
    return min(wanted, limits.value("load.largest_share") * max(float(apex.xyz[2]), 0.0))


def _state(measured: MeasuredFoot) -> Load:
    """Return the load state that planning takes."""
    return load_state(measured.foot.load, measured.foot.kind)


def _lowered_sole(
    measured: MeasuredFoot, limits: Limits
) -> tuple[SoleMap, float, tuple[Note, ...]]:
    """Return the sole map at half load, the lowering at the apex, and what was assumed."""
    sole, state = measured.foot.sole, _state(measured)
    down = lowering(measured, sole.x[:, None], np.nan_to_num(sole.z), limits)
    lowered = SoleMap(x=sole.x, y=sole.y, z=sole.z - down, cell=sole.cell)
    amount = _amount(measured, limits)
    words = {
        Load.NONE: "the foot was scanned unloaded",
        Load.SEATED: "the foot was scanned seated",
        Load.UNKNOWN: "how the foot was loaded is not known",
        Load.FULL: "the foot was scanned on one leg: the arch is never raised from there",
    }
    if state is Load.HALF:
        return lowered, amount, ()
    text = words[state]
    if amount:
        text += f": its arch was lowered by {amount:.1f} mm to the half-load state"
    return lowered, amount, (Note(code=f"load-{state}", text=text),)


def _pose(
    measured: MeasuredFoot, layout: Layout, shoe: Shoe | None, limits: Limits, roll: float
) -> Array:
    """Return the 4 x 4 transform, foot frame to bed frame."""
    plan = layout.foot_to_bed
    heel = plan @ [limits.value("seating.heel_seat") * measured.foot.length, 0.0, 1.0]
    ball = plan @ [_ball_x(measured), 0.0, 1.0]
    low, high = 0.0, 0.0
    if shoe is not None:
        low, high = shoe.bed_height(np.array([heel[0], ball[0]]) / layout.length, np.zeros(2))
    pitch = math.atan2(low - high, ball[0] - heel[0])  # + lifts the heel: nose down
    turn = Rotation.from_euler("y", pitch) * Rotation.from_euler("x", math.radians(roll))
    flat = np.eye(4)
    flat[:2, :2], flat[:2, 3] = plan[:2, :2], plan[:2, 2]
    seat_point = np.array([heel[0], 0.0, 0.0])
    tilt = np.eye(4)
    tilt[:3, :3] = turn.as_matrix()
    tilt[:3, 3] = np.array([heel[0], 0.0, low]) - tilt[:3, :3] @ seat_point
    return tilt @ flat


def _resampled(sole: SoleMap, pose: Array) -> SoleMap:
    """Return the sole on a regular grid of the bed frame.

    For each place of the bed the place of the foot above it is found by fixed-point rounds:
    under a tilt of a few degrees the plan moves by height times the tilt, a contraction.
    """
    seen = np.isfinite(sole.z)
    gx, gy = np.meshgrid(sole.x, sole.y, indexing="ij")
    points = np.column_stack([gx[seen], gy[seen], sole.z[seen]]) @ pose[:3, :3].T + pose[:3, 3]
    low = np.floor(points[:, :2].min(axis=0)) - 1
    n = np.ceil((points[:, :2].max(axis=0) - low) / CELL_MM).astype(int) + 2
    x, y = low[0] + CELL_MM * np.arange(n[0]), low[1] + CELL_MM * np.arange(n[1])
    bx, by = np.meshgrid(x, y, indexing="ij")
    inverse = np.linalg.inv(pose[:2, :2])
    z = np.zeros(bx.shape)
    u = v = z
    for _ in range(ROUNDS):
        rest_x = bx - pose[0, 3] - pose[0, 2] * z
        rest_y = by - pose[1, 3] - pose[1, 2] * z
        u = inverse[0, 0] * rest_x + inverse[0, 1] * rest_y
        v = inverse[1, 0] * rest_x + inverse[1, 1] * rest_y
        height = sole.height(u, v)
        z = np.where(np.isfinite(height), height, z)
    bed_z = pose[2, 0] * u + pose[2, 1] * v + pose[2, 2] * height + pose[2, 3]
    return SoleMap(x=x, y=y, z=bed_z, cell=CELL_MM)


def _lower_of(one: SoleMap, other: SoleMap) -> SoleMap:
    """Return the lower of two soles on the grid of the first; NaN where either is unseen."""
    gx, gy = np.meshgrid(one.x, one.y, indexing="ij")
    return SoleMap(x=one.x, y=one.y, z=np.minimum(one.z, other.height(gx, gy)), cell=one.cell)


def _bed_map(sole: SoleMap, layout: Layout, shoe: Shoe | None) -> SoleMap:
    """Return the bed's height on the grid of `sole`."""
    if shoe is None:
        return SoleMap(x=sole.x, y=sole.y, z=np.zeros(sole.z.shape), cell=sole.cell)
    z = bed_heights(shoe, layout.base, layout.length, sole.x, sole.y)
    return SoleMap(x=sole.x, y=sole.y, z=z, cell=sole.cell)


def bed_heights(
    shoe: Shoe, base: Array, length: float, x: Array, y: Array, *, ends: float = 0.5
) -> Array:
    """Return the height of a shoe's bed above the bed frame's z = 0, mm, shape (nx, ny).

    Parameters
    ----------
    shoe : Shoe
        The shoe.
    base : ndarray, shape (n, 2)
        Base outline, whose edges are the bed's edges, bed frame, mm.
    length : float
        Inside length that shares of the bed refer to, mm.
    x, y : ndarray, shapes (nx,) and (ny,)
        Grid, bed frame, mm.
    ends : float
        Nearer to the base's ends than this, mm, its edges are taken as they are there: where an
        outline closes its breadth says nothing of the bed's.
    """
    lateral, medial = edges_at(base, np.clip(x, ends, base[:, 0].max() - ends))
    middle, half = (lateral + medial) / 2, np.maximum((medial - lateral) / 2, 1.0)
    y_share = np.clip((y[None, :] - middle[:, None]) / half[:, None], -1.0, 1.0)
    x_share = np.clip(x / length, 0.0, 1.0)[:, None] * np.ones_like(y_share)
    return np.asarray(shoe.bed_height(x_share, y_share), dtype=float)


def planned_bed(plan: Plan, foot: FootPlan, x: Array, y: Array) -> Array:
    """Return the bed's height above the bed frame's z = 0 as planned, mm, shape (nx, ny).

    Flat without a shoe.
    """
    if plan.shoe is None:
        return np.zeros((len(x), len(y)))
    shoe = parse(plan.shoe, "the shoe in the plan")
    base = np.asarray(foot.base.outline)
    ends = BED_ENDS * float(base[:, 0].max())
    return bed_heights(shoe, base, shoe.inside_length, x, y, ends=ends)


def _band(
    measured: MeasuredFoot, shoe: Shoe | None, lowered: float, limits: Limits
) -> tuple[float, tuple[Note, ...]]:
    """Return the 95 % band of the gap and what widened it.

    Independent parts add as squares; the drop-only and the no-shoe parts are added in full,
    since they are not random but unknown.
    """
    parts = [limits.value("seating.band_scan")]
    if lowered > 0 or _state(measured) in (Load.NONE, Load.SEATED, Load.UNKNOWN):
        parts.append(limits.value("load.band"))
    if shoe is not None and shoe.bed_known:
        parts.append(limits.value("seating.band_bed_measured"))
        return math.hypot(*parts), ()
    name = "seating.band_no_shoe" if shoe is None else "seating.band_drop_only"
    extra = limits.value(name)
    if shoe is None:
        short = "bed not measured: for a trial only"
        note = Note(
            code="no-shoe",
            level=NoteLevel.WARN,
            short=short,
            text=(
                "trial only, bed not measured: a flat bed was taken; a real shank already rises "
                "several millimetres under the arch"
            ),
        )
    else:
        short = "bed known by its drop only: measure its five heights"
        note = Note(
            code="drop-only",
            level=NoteLevel.WARN,
            short=short,
            text=(
                "only the drop of this shoe is known: the gap is uncertain by a further "
                f"±{extra:g} mm; measure the bed's heights at five stations"
            ),
        )
    return math.hypot(*parts) + extra, (note,)


def _ball_x(measured: MeasuredFoot) -> float:
    """Return x of the middle of the ball line, foot frame."""
    marks = measured.landmarks
    names = ("metatarsale_tibiale", "metatarsale_fibulare")
    if not all(name in marks for name in names):
        names = ("mth1", "mth5")
    return float(np.mean([marks[name].xyz[0] for name in names]))


def smoothstep(t: Array) -> Array:
    """Return 3t² - 2t³ on 0..1, clipped."""
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
