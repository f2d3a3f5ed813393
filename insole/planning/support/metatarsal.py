"""The metatarsal pad: a low, drop-shaped dome behind heads 2 to 4, on a base or on a contoured bed.

    Seating + height -> drop_of -> Drop -> plan_metatarsal -> MetatarsalPlan (a part of its own)
                                        -> contoured bed (built in)

A wish of the fitter, never a suggestion. Its crest lies behind the line of heads 2 to 4; its front
ends behind every head. Between crest and heads there is no room for the run-outs that other
edges keep: sides and tail keep them, the front is as steep as it must be, which the plan says.

Terms
    line of heads    from head 4 to head 2, through the rearmost of heads 2 to 4
    ahead, across    mm from the crest, square to that line and along it, + medially

Shape and limits: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.ramp import shim_height
from insole.planning.seating import Seating
from insole.record.limits import Limits
from insole.record.planned_parts import Crest, MetatarsalPlan, PadPlan, WedgePlace, WedgePlan
from insole.record.rings import edges_at
from insole.record.values import HeightGrid, Note, NoteLevel

__all__ = ["HEADS", "Drop", "drop_notes", "drop_of", "plan_metatarsal"]

HEADS = ("mth2", "mth3", "mth4")
TAIL_MM = 32.0  # reach to the rear where nothing is in the way
NARROWER = 0.35  # of the tail's end against the crest
STEEPEST = 8.0 / (3.0 * math.sqrt(3.0))  # slope of (1 - u^2)^2 at its steepest, height over reach
STEP_MM = 1.0  # between stored nodes: the front runs out over 7 mm
MARGIN_MM = 4.0
APART_MM = 1.0  # to an arch pad: a seam that cement and a knife need
TAIL_STEP_MM = 0.5
ROUND_MM = 3.0  # least radius of a convex place that the foot touches
STEEP_DEG = 45.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drop:
    """A drop-shaped dome in the bed frame, mm.

    Attributes
    ----------
    crest : ndarray, shape (2,)
        Its highest place.
    medial : ndarray, shape (2,)
        Unit vector along the line of heads, towards the big toe.
    height, behind : float
        Of the crest; how far it lies behind the line of heads.
    front, tail, half : float
        Reach of the dome ahead, to the rear and to each side, where it has run out to nothing.
    """

    crest: Array
    medial: Array
    height: float
    behind: float
    front: float
    tail: float
    half: float

    def local(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return places as mm ahead of the crest and across it."""
        dx, dy = np.asarray(x) - self.crest[0], np.asarray(y) - self.crest[1]
        along = self.medial
        return dx * along[1] - dy * along[0], dx * along[0] + dy * along[1]

    def at(self, x: Array, y: Array) -> Array:
        """Return its height at places of any one shape, mm; 0 beyond its reach."""
        ahead, across = self.local(x, y)
        back = np.clip(-ahead / self.tail, 0.0, 1.0)
        wide = self.half * (1.0 - NARROWER * back**2)
        far = (ahead / np.where(ahead > 0, self.front, self.tail)) ** 2 + (across / wide) ** 2
        return np.asarray(self.height * np.clip(1.0 - far, 0.0, None) ** 2)

    def ring(self, edge: float) -> Array:
        """Return the border where it is `edge` high, closed but not repeated, shape (n, 2)."""
        reach = _reach(edge / self.height)
        ahead = reach * np.cos(np.linspace(0.0, math.pi, 91))
        wide = self.half * np.sqrt(np.clip(reach**2 - ahead**2, 0.0, None))
        wide = np.where(ahead < 0, wide * (1.0 - NARROWER * ahead**2), wide)
        ahead = np.where(ahead > 0, self.front, self.tail) * ahead
        forward = np.array([self.medial[1], -self.medial[0]])
        sides = [ahead[:, None] * forward + sign * wide[:, None] * self.medial for sign in (1, -1)]
        return self.crest + np.vstack([sides[0], sides[1][-2:0:-1]])

    @property
    def front_slope(self) -> float:
        """The steepest slope ahead of the crest, degrees."""
        return math.degrees(math.atan(STEEPEST * self.height / self.front))

    @property
    def radius(self) -> float:
        """Radius of the crest along the foot, mm: the smallest convex one of the dome."""
        return self.front**2 / (4.0 * self.height)


def _reach(share: float) -> float:
    """Return u at which (1 - u^2)^2 has come down to `share`."""
    return math.sqrt(1.0 - math.sqrt(share))


def drop_of(
    landmarks: Mapping[str, Array | Sequence[float]],
    height: float,
    behind: float | None,
    limits: Limits,
) -> Drop:
    """Return the dome behind heads 2 to 4.

    Parameters
    ----------
    landmarks : mapping of str to ndarray or sequence of float
        Bed frame, mm; ``mth2`` to ``mth4``.
    height : float
        Of its crest, mm.
    behind : float or None
        Crest behind the line of heads, mm; None takes the limits' own.

    Raises
    ------
    PlanError
        Height or place is out of range, or a head is not known.
    """
    low, high = limits.value("metatarsal.least"), limits.value("metatarsal.most")
    if not (math.isfinite(height) and low <= height <= high):
        raise PlanError(f"a metatarsal pad cannot be {height:g} mm; give {low:g} to {high:g} mm")
    near, far = limits.value("metatarsal.behind_least"), limits.value("metatarsal.behind_most")
    back = limits.value("metatarsal.behind") if behind is None else behind
    if not (math.isfinite(back) and near <= back <= far):
        raise PlanError(
            f"the crest of a metatarsal pad cannot lie {back:g} mm behind the heads; give {near:g} "
            f"to {far:g} mm"
        )
    if missing := [name[-1] for name in HEADS if name not in landmarks]:
        raise PlanError(
            f"metatarsal head {' and '.join(missing)} is not known, so no metatarsal pad can be "
            "placed; feel the heads and set them by hand"
        ).asking("landmark")
    second, third, fourth = (np.asarray(landmarks[name][:2], dtype=float) for name in HEADS)
    medial = (second - fourth) / np.linalg.norm(second - fourth)
    forward = np.array([medial[1], -medial[0]])
    middle = np.mean([second, third, fourth], axis=0)
    rearmost = min(float((head - middle) @ forward) for head in (second, third, fourth))
    reach = _reach(limits.value("feel.edge") / height)
    room = back - limits.value("metatarsal.head_clear")
    abreast = float(np.linalg.norm(second - fourth)) / 2  # its border reaches to heads 2 and 4
    return Drop(
        crest=middle + (rearmost - back) * forward,
        medial=medial,
        height=height,
        behind=back,
        front=room / reach,
        tail=TAIL_MM,
        half=max(abreast / reach, _run_out(height, limits)),
    )


def _run_out(height: float, limits: Limits) -> float:
    """Return the reach over which a dome runs out at the steepest slope allowed, mm."""
    return STEEPEST * height / math.tan(math.radians(limits.value("feel.slope")))


def plan_metatarsal(
    seating: Seating,
    height: float,
    *,
    behind: float | None = None,
    limits: Limits,
    pad: PadPlan | None = None,
    wedges: Sequence[WedgePlan] = (),
) -> tuple[MetatarsalPlan, tuple[Note, ...]]:
    """Return the metatarsal pad that lies on a base, and what must be said of it.

    Beside an arch pad its tail is as short as it must be to clear it.

    Parameters
    ----------
    seating : Seating
        Foot on the bed.
    height, behind : float, float or None
        As for :func:`drop_of`, mm.
    pad, wedges
        What lies beside and under it.

    Raises
    ------
    PlanError
        Out of range, a head not known, or no room on the base.
    """
    edge = limits.value("feel.edge")
    drop = _clear_of(drop_of(seating.landmarks, height, behind, limits), pad, limits)
    ring = drop.ring(edge)
    inset = limits.value("place.medial_inset")
    if not shapely.Polygon(seating.base).buffer(-inset).covers(shapely.Polygon(ring)):
        raise PlanError(
            f"a metatarsal pad {height:g} mm high does not fit on the base beside its edge; wish a "
            "lower one or use a wider base"
        )
    crest = drop.crest
    _, medial = edges_at(seating.base, crest[:1])
    x, y = (
        np.arange(math.floor(low - MARGIN_MM), high + MARGIN_MM + STEP_MM, STEP_MM)
        for low, high in zip(ring.min(axis=0), ring.max(axis=0), strict=True)
    )
    z = drop.at(*np.meshgrid(x, y, indexing="ij"))
    made = MetatarsalPlan(
        height=height,
        behind=round(drop.behind, 2),
        edge=edge,
        outline=[(round(float(a), 3), round(float(b), 3)) for a, b in ring],
        top=HeightGrid(
            x0=float(x[0]),
            y0=float(y[0]),
            step=STEP_MM,
            z=[[round(float(v), 3) for v in row] for row in z],
        ),
        crest=Crest(
            from_rear=round(float(crest[0]), 2),
            height=height,
            y=round(float(crest[1]), 2),
            from_medial=round(float(medial[0] - crest[1]), 2),
        ),
        turn=round(math.degrees(math.atan2(-drop.medial[0], drop.medial[1])), 1),
        front_edge=round(float(ring[:, 0].max()), 2),
        rear_edge=round(float(ring[:, 0].min()), 2),
        reasons=_reasons(drop, pad, wedges, limits),
    )
    return made, drop_notes(drop, seating.landmark_sd)


def _clear_of(drop: Drop, pad: PadPlan | None, limits: Limits) -> Drop:
    """Return the drop with a tail short enough to clear the arch pad."""
    if pad is None:
        return drop
    edge = limits.value("feel.edge")
    taken = shapely.Polygon(pad.outline).buffer(APART_MM)
    tail = drop.tail
    while tail >= _run_out(drop.height, limits):
        now = replace(drop, tail=tail)
        if not shapely.Polygon(now.ring(edge)).intersects(taken):
            return now
        tail -= TAIL_STEP_MM
    nearer = ", place its crest nearer to the heads"
    raise PlanError(
        "metatarsal pad and arch pad want the same place on the base: move the arch pad back "
        f"by some 5 mm{nearer * (drop.behind > limits.value('metatarsal.behind'))}, wish a "
        f"metatarsal pad lower than {drop.height:g} mm, or plan a contoured bed, which holds both"
    ).asking("shift_pad", "metatarsal_behind", "contoured")


def _reasons(
    drop: Drop, pad: PadPlan | None, wedges: Sequence[WedgePlan], limits: Limits
) -> list[str]:
    """Return where it lies and on what, and how steep its front is."""
    found = [
        f"crest {drop.behind:g} mm behind the line of heads 2 to 4, midway between them; its front "
        f"edge ends {limits.value('metatarsal.head_clear'):g} mm behind that line, under no head",
        f"its front falls by up to {drop.front_slope:.0f}°, since the heads leave no room for a "
        f"longer one; sides and tail by at most {limits.value('feel.slope'):g}°",
    ]
    if pad is not None and drop.tail < TAIL_MM:
        found.append(f"its tail is {TAIL_MM - drop.tail:.1f} mm shorter, clear of the arch pad")
    if on := _under(drop, wedges):
        found.append(f"lies on the forefoot shim, which is {on:.1f} mm thick under its crest")
    return found


def _under(drop: Drop, wedges: Sequence[WedgePlan]) -> float:
    """Return the thickness of the forefoot shim under the crest, mm; 0 without one."""
    x, y = drop.crest[0].reshape(1, 1), drop.crest[1].reshape(1, 1)
    forefoot = [w for w in wedges if w.place is WedgePlace.FOREFOOT]
    return float(sum(shim_height(w, x, y)[0, 0] for w in forefoot))


def drop_notes(drop: Drop, landmark_sd: Mapping[str, float]) -> tuple[Note, ...]:
    """Return what must be said of a metatarsal pad: how sure its place is, what the foot feels."""
    sd = max(landmark_sd.get(name, 0.0) for name in HEADS)
    unsure = f" to ± {1.96 * sd:.0f} mm" if sd else ""
    notes = [
        Note(
            code="metatarsal-place",
            level=NoteLevel.WARN,
            text=(
                f"the scan tells the metatarsal heads{unsure} only: feel heads 2 to 4 and mark "
                "them before the metatarsal pad is fixed; it must lie behind every head, and a "
                "rider who feels a lump, tingling or pain takes it out"
            ),
        )
    ]
    if drop.radius < ROUND_MM or drop.front_slope > STEEP_DEG:
        notes.append(
            Note(
                code="metatarsal-steep",
                level=NoteLevel.WARN,
                text=(
                    f"the metatarsal pad's front falls by up to {drop.front_slope:.0f}°, its crest "
                    f"has a radius of {drop.radius:.1f} mm: it may be felt as a ridge; a lower "
                    "pad, or a crest further behind the heads, is rounder"
                ),
            )
        )
    return tuple(notes)
