"""Where things lie on a base, and the words for it, for every paper and picture.

FootPlan, WedgePlan -> crest_point, wedge_lines, ball_ends, tender_spots -> bed frame, mm
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.record.kept import kept
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlace, WedgePlan

__all__ = [
    "PLACE_PART",
    "ball_ends",
    "ball_lines",
    "bed_crest",
    "crest_point",
    "eased_words",
    "highest_place",
    "metatarsal_crest",
    "metatarsal_words",
    "spread",
    "taper_words",
    "tender_spots",
    "turn_words",
    "wedge_lines",
]


PLACE_PART = {
    WedgePlace.FOREFOOT: "forefoot-shim",
    WedgePlace.HEEL: "heel-shim",
    WedgePlace.UNDER: "under-shoe-shim",
}


def crest_point(foot: FootPlan) -> Array:
    """Return the pad's crest in the bed frame, shape (2,), from the bench's own measures.

    Raises
    ------
    ValueError
        The foot has no pad.
    """
    from shapely import LineString, Polygon

    if foot.pad is None:
        raise ValueError("the foot has no pad, so it has no crest")
    crest = foot.pad.crest
    across = LineString([(crest.from_rear, -500.0), (crest.from_rear, 500.0)])
    edge = Polygon(foot.base.outline).intersection(across).bounds[3]
    return np.array([crest.from_rear, edge - crest.from_medial])


@kept
def highest_place(pad: PadPlan | MetatarsalPlan) -> Array:
    """Return where a pad is highest, bed frame, and how high, shape (3,), mm.

    A side that stands may pass the crest, which is the highest place along the arch line.
    """
    from insole.planning.support.tops import PadTop

    grid = pad.top
    x = np.arange(grid.x0, grid.x0 + grid.step * (len(grid.z) - 1) + 0.25, 0.5)
    y = np.arange(grid.y0, grid.y0 + grid.step * (len(grid.z[0]) - 1) + 0.25, 0.5)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    z = PadTop(pad).inside(gx, gy)
    k = np.unravel_index(int(z.argmax()), z.shape)
    return np.array([gx[k], gy[k], z[k]])


def bed_crest(bed: ContourPlan) -> Array:
    """Return a contoured bed's crest in the bed frame, shape (2,)."""
    return np.array([bed.crest.from_rear, bed.crest.y])


def eased_words(foot: FootPlan) -> str:
    """Return why the support was planned lower than a first trial's usual level; may be empty."""
    return next((note.short for note in foot.notes if note.code == "level-eased"), "")


def metatarsal_crest(foot: FootPlan) -> Array:
    """Return the metatarsal pad's crest in the bed frame, shape (2,).

    Raises
    ------
    ValueError
        The foot has none.
    """
    if foot.metatarsal is None:
        raise ValueError("the foot has no metatarsal pad, so it has no crest")
    crest = foot.metatarsal.crest
    return np.array([crest.from_rear, crest.y])


def metatarsal_words(foot: FootPlan) -> str:
    """Return where the metatarsal pad's crest lies, in mm."""
    if foot.metatarsal is None:
        raise ValueError("the foot has no metatarsal pad, so it has no place")
    dome = foot.metatarsal
    return (
        f"crest {dome.crest.from_rear:.1f} mm from rear edge, {dome.crest.from_medial:.1f} mm from"
        f" medial edge, {dome.behind:g} mm behind heads 2 to 4; {turn_words(dome.turn)}"
    )


def tender_spots(plan: Plan, side: str) -> list[tuple[float, float]]:
    """Return the spots that the fitter wants kept free on one foot, bed frame, mm."""
    for whose in (side, "both"):
        wished = plan.wishes.get(whose)
        if isinstance(wished, dict) and wished.get("tender"):
            return [(float(x), float(y)) for x, y in wished["tender"]]
    return []


def tender_words(foot: FootPlan, number: int) -> str:
    """Return what the parts do at a foot's tender spot of that number, counted from 0.

    An older plan does not know.
    """
    notes = [note for note in foot.notes if note.code in ("tender-spot", "tender-not-free")]
    return notes[number].text.partition(": ")[2] if number < len(notes) else "a relief was wished"


def with_wedges(foot: FootPlan) -> str:
    """Return load and contact of the midfoot, pedalling, with the wedges inside; may be empty."""
    inside = any(wedge.place is not WedgePlace.UNDER for wedge in foot.tilts)
    cases = foot.contact.cases if foot.contact is not None and inside else []
    found = next((c.after for c in cases if c.case == "pedalling" and c.after), None)
    if found is None:
        return ""
    return f"{100 * found.share['midfoot']:.0f} % and {found.area:.0f} cm²"


def turn_words(turn: float) -> str:
    """Return the turn of a pad in words, degrees about +z."""
    if abs(turn) < 0.05:
        return "no turn"
    return f"turn {abs(turn):g}°, front to the {'big' if turn > 0 else 'little'} toe"


def wedge_lines(wedge: WedgePlan) -> tuple[list[Array], Array]:
    """Return the lines across a shim between which the ramp is full, and its thick-edge band.

    Bed frame, mm. Lines have shape (2, 2) and run across the shim's outline; the band is a ring
    of shape (n, 2), 3 mm wide, along the thick edge between them.
    """
    from shapely import LineString, Polygon, affinity, box

    shape = Polygon(wedge.outline).buffer(0)
    low, _, high, _ = shape.bounds
    ends = [min(max(x, low + 0.01), high - 0.01) for x in (wedge.full_from, wedge.full_to)]
    full = []
    for x in ends:
        line = LineString([(x, -500.0), (x, 500.0)]).intersection(shape)
        full.append(np.array([[x, line.bounds[1]], [x, line.bounds[3]]]))
    ramp = shape.intersection(box(ends[0], -500.0, ends[1], 500.0))
    sign = 1.0 if wedge.thick_side == "big-toe side" else -1.0
    band = ramp.difference(affinity.translate(ramp, yoff=-3.0 * sign))
    largest = max(getattr(band, "geoms", [band]), key=lambda piece: piece.area)
    return full, np.array(largest.exterior.coords)[:-1]


def taper_words(wedge: WedgePlan) -> str:
    """Return the tapers of a shim in words."""
    ends = ((wedge.taper_rear, "back"), (wedge.taper_front, "front"))
    words = ", ".join(f"{taper:.0f} mm {where}" for taper, where in ends if taper > 0)
    return f"taper {words}" if words else "no taper"


def ball_ends(foot: FootPlan) -> Array | None:
    """Return the ends of the ball line in plan, shape (2, 2), or None without landmarks."""
    marks = foot.landmarks
    for pair in (("metatarsale_tibiale", "metatarsale_fibulare"), ("mth1", "mth5")):
        if all(name in marks for name in pair):
            return np.array([marks[name][:2] for name in pair])
    return None


def ball_lines(foot: FootPlan) -> list[Any]:
    """Return ball line and joints in the bed frame."""
    from shapely import LineString, Point

    ends = ball_ends(foot)
    found: list[Any] = [] if ends is None else [LineString(ends)]
    return found + [
        Point(foot.landmarks[f"mth{k}"][:2]).buffer(3.0)
        for k in range(1, 6)
        if f"mth{k}" in foot.landmarks
    ]


def spread(wanted: Sequence[float], sizes: Sequence[float], top: float, bottom: float) -> Array:
    """Return tops of blocks as near as can be to those `wanted`, in order and apart.

    Least squares under "each block ends above the next": with the heights so far added, that is
    an isotonic regression.

    Parameters
    ----------
    wanted, sizes : sequence of float
        Wished tops, falling, and heights of the blocks.
    top, bottom : float
        Where the first may start and the last should end; too many blocks run over `bottom`.
    """
    from scipy.optimize import isotonic_regression

    if not len(wanted):
        return np.zeros(0)
    above = np.concatenate([[0.0], np.cumsum(sizes)])
    level = isotonic_regression(np.asarray(wanted) + above[:-1], increasing=False).x
    return np.asarray(np.clip(level, min(bottom + above[-1], top), top) - above[:-1])
