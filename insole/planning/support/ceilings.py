"""How high a pad may be at each place of the bed, rule by rule.

    Seating + wedges + tender spots -> Room (grid, gap, wish, ceilings) -> planning.support.pad

Each rule is one ceiling: a map of heights that the pad's top may not pass, with the words that
the plan prints when the rule decides the pad's shape. Below the edge thickness there is no pad.
At a ceiling the top fades as the residual gap allows; at a *cap* (flange, navicular) it is cut
off and rounded, since the foot leaves it there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.ramp import inside_height
from insole.planning.seating import Seating
from insole.planning.support.keepouts import (
    ball_clear,
    ball_line,
    behind_ball,
    off_fifth_base,
    off_first_ray,
    tender_spots,
    thin_before_ball,
    under_navicular,
)
from insole.planning.support.space import Ceiling, Room
from insole.planning.support.surface import FREE
from insole.record.limits import Limits
from insole.record.planned_parts import WedgePlan
from insole.record.rings import distance_to_ring, edges_at

__all__ = ["depth_in", "low_pass", "room"]

LINE_SIGMA_MM = 6.0  # evens out lines that follow the scanned outline
FADE_MM = 15.0  # beside a partly filled place the fill rises over this, so that no step is felt
SIDE_MM = 4.0  # in from the base's edge the flange is as high as at it
MARGIN_MM = 6.0  # grid beyond the region in which a pad may lie


def room(
    seating: Seating,
    *,
    limits: Limits,
    wedges: Sequence[WedgePlan] = (),
    tender: Sequence[tuple[float, float]] = (),
    relief: float | None = None,
) -> Room:
    """Return the space that a pad may fill.

    Parameters
    ----------
    seating : Seating
        Foot on the bed, lowered.
    limits : Limits
        Planning limits.
    wedges : sequence of WedgePlan
        Shims; pad and shim overlap by no more than a limit.
    tender : sequence of (x, y)
        Spots marked by hand, bed frame, mm.
    relief : float or None
        Depth of the relief over them, mm; None takes the limits' own.

    Raises
    ------
    PlanError
        A tender spot lies off the foot, or a landmark that a rule needs is missing.
    """
    x, y = _grid(seating, limits)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    gap = low_pass(_filled(seating.gap(gx, gy)), limits.value("feel.cutoff"))
    shim = inside_height(wedges, gx, gy)
    ceilings = [
        _base_edge(seating, gx, gy, limits),
        _lateral_end(seating, x, gy, limits),
        *_ball(seating, gx, gy, limits),
        *_rear(seating, gx, gap, limits),
        _first_metatarsal(seating, (gx, gy), gap, limits),
        _fifth_base(seating, gx, gy, limits),
        _flange(seating, x, gy, limits),
        *_navicular(seating, gx, gy, limits),
        *_overlap(shim, limits),
    ]
    depth = limits.value("keepout.tender_relief") if relief is None else relief
    hollow = depth * tender_spots(seating, gx, gy, tender, limits)
    return Room(x=x, y=y, gap=gap, shim=shim, relief=hollow, ceilings=tuple(ceilings))


def low_pass(z: Array, cutoff: float) -> Array:
    """Return `z` (1 mm grid) without waves shorter than `cutoff` mm.

    Gaussian that halves the amplitude at the cut-off wavelength: standard deviation
    cutoff * sqrt(ln 2 / 2) / pi, from its transfer function exp(-2 pi² s² / cutoff²).
    """
    sigma = cutoff * math.sqrt(math.log(2.0) / 2.0) / math.pi
    return np.asarray(ndimage.gaussian_filter(z, sigma, mode="nearest"))


def _grid(seating: Seating, limits: Limits) -> tuple[Array, Array]:
    """Return node coordinates around the region in which a pad may lie."""
    medial, lateral, _ = ball_line(seating)
    rear = seating.station + limits.value("keepout.rear") * seating.foot_length
    x = np.arange(math.floor(rear - MARGIN_MM), math.ceil(max(medial[0], lateral[0])) + 1.0)
    low, high = edges_at(seating.base, x)
    middle = np.nanmin((low + high) / 2) - MARGIN_MM
    return x, np.arange(math.floor(min(middle, 0.0) - 12.0), math.ceil(np.nanmax(high)) + MARGIN_MM)


def _filled(gap: Array) -> Array:
    """Return the gap with unseen places set to the value of the nearest seen one."""
    unseen = ~np.isfinite(gap)
    if unseen.all():
        raise PlanError("the scan shows no sole under the arch; scan the foot again from below")
    _, index = ndimage.distance_transform_edt(unseen, return_indices=True)
    return np.asarray(gap[tuple(index)])


def depth_in(ring: Array, x: Array, y: Array) -> Array:
    """Return how far places lie inside a ring, mm; negative outside."""
    import shapely

    polygon = shapely.Polygon(ring)
    border = shapely.get_coordinates(polygon.exterior.segmentize(0.5))
    nodes = np.column_stack([x.ravel(), y.ravel()])
    away = distance_to_ring(nodes, border, np.arange(len(border))).reshape(x.shape)
    shapely.prepare(polygon)
    return np.where(shapely.contains_xy(polygon, x, y), away, -away)


def _base_edge(seating: Seating, x: Array, y: Array, limits: Limits) -> Ceiling:
    """No pad beyond the finished base's edge."""
    away = depth_in(seating.base, x, y) - seating.trim - limits.value("place.medial_inset")
    return Ceiling(
        code="base-edge",
        words="the pad ends at the edge of the base",
        z=np.where(away > 0, FREE, 0.0),
        inside=away,
    )


def _flange(seating: Seating, x: Array, y: Array, limits: Limits) -> Ceiling:
    """The standing medial side ends below collar and ankle; away from it the top may be higher."""
    flange = limits.value("feel.flange")
    inset = seating.trim + limits.value("place.medial_inset")
    _, medial = edges_at(seating.base, x)
    edge = np.interp(x, x[np.isfinite(medial)], medial[np.isfinite(medial)]) - inset
    inward = np.clip(edge[:, None] - y - SIDE_MM, 0.0, None)
    slope = math.tan(math.radians(limits.value("feel.slope_medial")))
    words = f"the medial side ends {flange:g} mm above the base, below collar and ankle"
    return Ceiling(code="flange", words=words, z=flange + slope * inward, cap=True)


def _lateral_end(seating: Seating, x: Array, y: Array, limits: Limits) -> Ceiling:
    """Height runs out laterally by a share of the local breadth of the foot."""
    low, high = edges_at(seating.foot_outline, x)
    share = limits.value("place.lateral_end")
    end = high - share * (high - low)
    seen = np.isfinite(end)
    if seen.any():  # the scan's outline is no ruler: its waves would be felt along the run-out
        end = ndimage.gaussian_filter1d(np.interp(x, x[seen], end[seen]), LINE_SIGMA_MM)
    end = np.where(seen, end, FREE)
    return Ceiling(
        code="lateral-end",
        words=f"the lateral side runs out by {100 * share:.0f} % of the midfoot's breadth",
        z=np.where(y > end[:, None], FREE, 0.0),
        inside=y - end[:, None],
    )


def _ball(seating: Seating, x: Array, y: Array, limits: Limits) -> list[Ceiling]:
    """Nothing close behind the oblique ball line, and only thin a little further back."""
    medial, lateral, _ = ball_line(seating)
    if medial[1] < lateral[1]:
        raise PlanError("the medial ball landmark lies lateral of the lateral one; correct them")
    behind = behind_ball(seating, x, y)
    clear, extra = ball_clear(seating, limits)
    thin, height = limits.value("keepout.ball_thin"), limits.value("keepout.ball_thin_height")
    return [
        Ceiling(
            code="ball-line",
            z=np.where(behind >= clear + extra, FREE, 0.0),
            inside=behind - clear - extra,
            words=(
                f"the front edge stays {clear + extra:.1f} mm behind the ball line ({clear:g} mm "
                f"and {extra:.1f} mm for the landmarks' uncertainty)"
            ),
        ),
        Ceiling(
            code="ball-thin",
            z=thin_before_ball(behind, limits),
            cap=True,
            words=f"at most {height:g} mm thick within {thin:g} mm of the ball line",
        ),
    ]


def _rear(seating: Seating, x: Array, gap: Array, limits: Limits) -> list[Ceiling]:
    """Rear edge not behind a share of the length, nor where the heel rests.

    Two rules, since their edges differ: ahead of the line across the sole is not followed, so the
    top has to run out; beside the heel's contact the foot crosses the edge and leads the top.
    """
    share = limits.value("keepout.rear")
    ahead = (x - seating.station) - share * seating.foot_length
    clear = gap - limits.value("keepout.heel_contact")
    past = (x - seating.station) - limits.value("keepout.heel_contact_to") * seating.foot_length
    # the sole rises at about one in two there
    off_heel = np.maximum(past, 2.0 * clear)
    return [
        Ceiling(
            code="rear",
            words=f"the rear edge stays ahead of {100 * share:.0f} % of the foot's length",
            z=np.where(ahead >= 0, FREE, 0.0),
            inside=ahead,
        ),
        Ceiling(
            code="heel",
            words="the rear edge stays off the heel's contact",
            z=np.where(off_heel >= 0, FREE, 0.0),
            inside=off_heel,
        ),
    ]


def _first_metatarsal(
    seating: Seating, nodes: tuple[Array, Array], gap: Array, limits: Limits
) -> Ceiling:
    """Only partly filled under the front half of the first metatarsal's shaft."""
    head = seating.landmarks.get("mth1", ball_line(seating)[0])
    fill = limits.value("keepout.first_metatarsal_fill")
    outside = off_first_ray(seating, head, nodes, limits)
    share = fill + (limits.value("support.refuse_above") - fill) * outside / FADE_MM
    return Ceiling(
        code="first-metatarsal",
        words=f"at most {100 * fill:.0f} % of the gap is filled under the front half of the first "
        "metatarsal",
        z=np.where(outside < FADE_MM, share * gap, FREE),
    )


def _fifth_base(seating: Seating, x: Array, y: Array, limits: Limits) -> Ceiling:
    """Keep base of the fifth metatarsal and cuboid free."""
    off, radius = off_fifth_base(seating, x, y, limits)
    return Ceiling(
        code="fifth-base",
        words="the base of the fifth metatarsal and the cuboid stay free",
        z=np.where(off > radius, FREE, 0.0),
        inside=off - radius,
    )


def _navicular(seating: Seating, x: Array, y: Array, limits: Limits) -> list[Ceiling]:
    """Keep the top well below the navicular tuberosity."""
    rim = under_navicular(seating, x, y, limits)
    if rim is None:
        return []
    words = f"the top stays {limits.value('keepout.navicular_below'):g} mm below the navicular"
    return [Ceiling(code="navicular", words=words, z=rim, cap=True)]


def _overlap(shim: Array, limits: Limits) -> list[Ceiling]:
    """Where the shim is thicker than the overlap allowed, there is no pad."""
    most = limits.value("keepout.shim_overlap")
    if not (shim > most).any():
        return []
    words = f"the pad covers a wedge shim only where that is at most {most:g} mm thick"
    slope = np.maximum(np.hypot(*np.gradient(shim)), 0.02)  # mm per mm: its taper, or its ramp
    return [
        Ceiling(
            code="shim",
            words=words,
            z=np.where(shim > most, 0.0, FREE),
            inside=(most - shim) / slope,
        )
    ]
