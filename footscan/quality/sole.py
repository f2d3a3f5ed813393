"""What of the sole was seen: coverage, holes, a sole that is filled or missing.

    View -> quality.sole.findings -> footscan.quality.findings

Terms
    plan    the sole's outline from above, holes and narrow gulfs filled
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import ndimage

from footscan.foot import Foot, SoleMap
from footscan.measuring.pose import FLAT_MM, Settled
from footscan.quality.limits import grade
from footscan.quality.view import View, open_sole, shadow
from footscan.results import Finding, Severity
from footscan.scan import BoolArray

__all__ = [
    "ARCH",
    "BALL",
    "HEEL",
    "SOLE_MISSING",
    "findings",
    "is_filled",
    "is_missing",
    "plan_filled",
    "seen_share",
]

HEEL, ARCH, BALL = (0.03, 0.25), (0.28, 0.68), (0.64, 0.80)
HOLES = (("heel", 0.05, 0.28), ("arch", 0.28, 0.62), ("ball", 0.62, 0.78))
SOLE_MISSING = "the sole is missing: neither heel nor ball was seen from below"
MISSING_SHARE = 0.3  # of heel and ball: less than this and the sole was not scanned
FILLED_MIDFOOT = 0.60  # flat share of the midfoot; a specimen with no arch at all has less
FILLED_TOES = 0.75  # flat share between ball and toes, where skin never touches all over
RIM_CELLS = 3
GULF_CELLS = 12  # a gulf in the plan narrower than twice this was sole that was not seen


def findings(view: View) -> list[Finding]:
    """Return what was seen of the sole; where it is filled or missing, that alone."""
    if is_filled(view.settled):
        return [
            Finding(
                code="sole-filled",
                severity=Severity.MEASURING,
                region="arch",
                text="The sole is closed by a flat plane, so the arch cannot be read from below.",
                advice="Scan through glass or in the air; lengths and breadths hold, the ball "
                "girth reads some 5 mm large.",
            )
        ]
    best = _best_seen(view.foot)
    if best < MISSING_SHARE:
        return [
            Finding(
                code="sole-missing",
                severity=Severity.AGAIN,
                region="sole",
                value=round(100 * best, 1),
                limit=100 * MISSING_SHARE,
                unit="%",
                text=f"T{SOLE_MISSING[1:]}.",
                advice="Scan the foot from below, in the air or through glass.",
            )
        ]
    return [*_coverage(view.foot), *_holes(view)]


def _coverage(foot: Foot) -> list[Finding]:
    """Return findings about heel, arch and ball that were seen in part."""
    found: list[Finding] = []
    for region, (low, high) in (("arch", ARCH), ("heel", HEEL), ("ball", BALL)):
        share = 100 * seen_share(foot, low, high)
        where = "the inner side of the sole" if region == "arch" else f"the {region} from below"
        found += grade(
            f"{region}-seen",
            share,
            f"{share:.0f} % of the {region} was seen from below.",
            f"Scan {where} again.",
            region,
        )
    return found


def is_filled(settled: Settled) -> bool:
    """Return whether a flat plane stands in for the sole.

    A real sole lifts off the ground between ball and toes and under the arch, even a flat
    foot's; a plane that closes the scan is flat there as well.
    """
    foot = settled.foot
    shares = []
    for low, high in ((0.30, 0.62), (0.77, 0.87)):
        z = foot.sole.z[(foot.sole.x > low * foot.length) & (foot.sole.x < high * foot.length)]
        seen = np.isfinite(z)
        if seen.sum() < 100:
            return False
        shares.append(float((np.abs(z[seen]) <= FLAT_MM).mean()))
    return shares[0] >= FILLED_MIDFOOT and shares[1] >= FILLED_TOES


def is_missing(settled: Settled) -> bool:
    """Return whether neither heel nor ball was seen from below, so that no height there holds."""
    return _best_seen(settled.foot) < MISSING_SHARE


@lru_cache(maxsize=2)
def _best_seen(foot: Foot) -> float:
    """Return the share seen of heel or ball, whichever was seen better."""
    return max(seen_share(foot, *zone) for zone in (HEEL, BALL))


def seen_share(foot: Foot, low: float, high: float) -> float:
    """Return the share of the sole's plan between two stations that was seen, 0 to 1."""
    sole, length = open_sole(foot), foot.length
    zone = (sole.x >= low * length) & (sole.x <= high * length)
    plan = plan_filled(foot)[zone]
    if plan.sum() < 50:
        return 0.0
    seen = _seen(sole)[zone] & plan
    width = plan.any(axis=1).sum() * sole.cell / max((high - low) * length, 1.0)
    return float(seen.sum() / plan.sum() * min(1.0, width / 0.95))


@lru_cache(maxsize=2)
def plan_filled(foot: Foot) -> BoolArray:
    """Return the sole's plan: what was seen of it, holes and narrow gulfs, and the foot's shadow.

    The shadow counts but for its rim, which is skin that faces up.
    """
    sole, far = open_sole(foot), GULF_CELLS
    seen = np.isfinite(sole.z)
    # closing by distance: round in plan, and far quicker than many dilations
    grown = ndimage.distance_transform_edt(~np.pad(seen, 2 * far)) <= far
    closed = ndimage.distance_transform_edt(grown) > far
    under = ndimage.binary_fill_holes(shadow(foot))
    under = ndimage.distance_transform_edt(under) > RIM_CELLS
    return ndimage.binary_fill_holes(closed[2 * far : -2 * far, 2 * far : -2 * far] | seen | under)


@lru_cache(maxsize=2)
def _seen(sole: SoleMap) -> BoolArray:
    """Return the cells seen, lone empty ones counted as seen."""
    return ndimage.binary_closing(np.isfinite(sole.z), iterations=1)


def _holes(view: View) -> list[Finding]:
    """Return a finding per region of the sole with a hole too large to bridge."""
    sole, length = view.sole, view.foot.length
    seen = _seen(sole)
    gap = ndimage.binary_fill_holes(seen) & ~seen
    deep = 2 * ndimage.distance_transform_edt(gap) * sole.cell
    found: list[Finding] = []
    for region, low, high in HOLES:
        zone = deep[(sole.x > low * length) & (sole.x <= high * length)]
        hole = float(zone.max()) if zone.size else 0.0
        hole = max(hole, _unfounded(view, low, high))
        found += grade(
            "sole-hole",
            hole,
            f"A hole {hole:.0f} mm across is left in the sole, under the {region}.",
            f"Scan the {region} from below again.",
            region,
        )
    return found


def _unfounded(view: View, low: float, high: float) -> float:
    """Return how wide the surface spans from point to point where only points were scanned, mm.

    A surface laid through bare points bridges gaps; how far is told by the distance from it to
    the nearest point.
    """
    if not view.cleaned.surfaced or len(view.near) < 60:
        return 0.0
    from scipy.spatial import cKDTree

    sole, length = view.foot.sole, view.foot.length
    # off the border, where points of the sole end anyway
    inside = ndimage.distance_transform_edt(np.isfinite(sole.z)) * sole.cell > 6.0
    inside &= ((sole.x > max(low, 0.1) * length) & (sole.x <= min(high, 0.76) * length))[:, None]
    x, y = np.meshgrid(sole.x, sole.y, indexing="ij")
    at = np.stack([x[inside], y[inside], sole.z[inside]], axis=1)[::2]
    if not len(at):
        return 0.0
    away = cKDTree(view.near).query(at)[0]
    usual = float(np.median(away))
    return max(0.0, 2 * (float(away.max()) - 2.5 * usual)) if away.max() > 5 * usual else 0.0
