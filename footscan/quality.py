"""Findings about a scan, and the verdict that follows: the technician's view.

    Settled foot + raw points -> quality.inspect -> ScanReport

Each finding carries a stable code, a severity, one sentence, advice, a region, and the measured
value against its limit. Limits and their reasons stand in ``data/quality.toml``; they follow
from what making needs: a millimetre under the arch matters, a hole on the instep does not.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from scipy import ndimage, spatial

from footscan.cleaning import Cleaned
from footscan.foot import SoleMap, sole_map
from footscan.pose import FLAT_MM, FLAT_SHARE, Settled
from footscan.results import Finding, Measure, ScanReport, Severity, Verdict
from footscan.scan import Array, IntArray, Kind, Load

__all__ = ["Evidence", "Limit", "inspect", "limits", "noise_mm", "spacing_mm", "verdict"]

RIM_DEPTH_MM = 2.5  # depth of the foot's end in which a clipped rim lies
RIM_RISE_MM = 12.0  # a clipped toe's rim rises 15 mm and more, that of an open sole up to 10
SEEN_LIMIT_DEG = 88.0
MISSING_SHARE = 0.3  # of heel and ball: less than this and the sole was not scanned
FILLED_MIDFOOT = 0.60  # flat share of the midfoot; a specimen with no arch at all has less
FILLED_TOES = 0.75  # flat share between ball and toes, where skin never touches all over


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Largest (or smallest) value for making and for measuring, with the reason."""

    making: float
    measuring: float
    unit: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known beside the scan.

    Attributes
    ----------
    hand_length : float or None
        Foot length measured by hand, mm.
    side_stated : bool
        True when the user stated the side.
    side_contradicted : bool
        True when the scan strongly says the other side.
    side_ratio : float
        Misfit of the other side over that of the best; 1 means it cannot be told.
    load : Load
        As stated.
    """

    hand_length: float | None = None
    side_stated: bool = False
    side_contradicted: bool = False
    side_ratio: float = 2.0
    load: Load = Load.UNKNOWN


@lru_cache(maxsize=1)
def limits() -> Mapping[str, Limit]:
    """Return the limits by finding code."""
    text = resources.files("footscan").joinpath("data/quality.toml").read_text("utf-8")
    return {code: Limit(**row) for code, row in tomllib.loads(text).items()}


def inspect(
    settled: Settled, cleaned: Cleaned, measures: Mapping[str, Measure], evidence: Evidence
) -> ScanReport:
    """Return the findings and the verdict.

    Parameters
    ----------
    settled, cleaned : Settled, Cleaned
        The posed foot, and what cleaning took away.
    measures : mapping of str to Measure
        From :func:`footscan.measures.measure`.
    evidence : Evidence
        What the user said.
    """
    found = [
        *_sole(settled),
        *_sampling(settled, cleaned),
        *_ends(settled),
        *_loading(settled, evidence),
        *_scale(measures, evidence),
        *_side(evidence),
        *_proportions(measures),
    ]
    return ScanReport(verdict=verdict(found), findings=tuple(found))


def verdict(findings: list[Finding]) -> Verdict:
    """Return the verdict that the worst finding leads to."""
    worst = {f.severity for f in findings}
    if Severity.AGAIN in worst:
        return Verdict.AGAIN
    return Verdict.MEASURING if Severity.MEASURING in worst else Verdict.MAKING


def spacing_mm(points: Array) -> float:
    """Return the median distance between neighbouring points, mm."""
    sample = points[:: max(1, len(points) // 4000)]
    distance, _ = spatial.cKDTree(points).query(sample, k=4)
    return float(np.median(distance[:, 1:].mean(axis=1)))


def noise_mm(points: Array, spacing: float) -> float:
    """Return the robust noise of points against a local quadric, mm (one standard deviation).

    Neighbourhoods hold about 24 points; the median absolute residual is scaled to a standard
    deviation and corrected for the six coefficients that each fit uses up.
    """
    k = 24
    if len(points) < 200:
        return 0.0
    sample = points[:: max(1, len(points) // 400)]
    tree = spatial.cKDTree(points)
    distance, index = tree.query(sample, k=k)
    residuals = []
    for centre, row, reach in zip(sample, index, distance, strict=True):
        if reach[-1] > 8 * spacing:
            continue
        local = points[row] - centre
        _, vectors = np.linalg.eigh(local.T @ local)
        u, v, h = (local @ vectors[:, [2, 1, 0]]).T
        design = np.stack([np.ones(k), u, v, u * u, u * v, v * v], axis=1)
        fit = np.linalg.lstsq(design, h, rcond=None)[0]
        residuals.append(h - design @ fit)
    if not residuals:
        return 0.0
    scatter = 1.4826 * np.median(np.abs(np.concatenate(residuals)))
    return float(scatter / np.sqrt(1 - 6 / k))


def _grade(
    code: str, value: float, text: str, advice: str, region: str, *, rising: bool = True
) -> list[Finding]:
    """Return a finding if `value` passes its limit; with ``rising`` larger is worse."""
    limit = limits()[code]
    worse = (lambda a, b: a > b) if rising else (lambda a, b: a < b)
    if worse(value, limit.measuring):
        severity, against = Severity.AGAIN, limit.measuring
    elif worse(value, limit.making):
        severity, against = Severity.MEASURING, limit.making
    else:
        return []
    return [
        Finding(
            code=code,
            severity=severity,
            text=text,
            advice=advice,
            region=region,
            value=round(value, 3),
            limit=against,
        )
    ]


def _sole_points(settled: Settled, cleaned: Cleaned) -> Array:
    """Return raw points of the sole, foot frame."""
    pose = settled.foot.pose
    points = cleaned.raw @ pose[:3, :3].T + pose[:3, 3]
    x = points[:, 0] / settled.foot.length
    inside = (x > 0.08) & (x < 0.78)
    height = settled.foot.sole.height(points[inside, 0], points[inside, 1])
    near = np.abs(points[inside, 2] - height) < 3.0
    return points[inside][near]


def _sampling(settled: Settled, cleaned: Cleaned) -> list[Finding]:
    """Return findings about density, noise and double skin on the sole."""
    points = _sole_points(settled, cleaned)
    if len(points) < 60:
        return [
            Finding(
                code="sole-missing",
                severity=Severity.AGAIN,
                region="sole",
                text="The sole was not scanned.",
                advice="Scan the foot from below, heel to ball.",
            )
        ]
    spacing = spacing_mm(points)
    noise = noise_mm(points, spacing)
    double = _double_skin(settled.foot.sole, points)
    found = _grade(
        "point-spacing" if cleaned.surfaced else "mesh-spacing",
        spacing,
        f"Points on the sole are {spacing:.1f} mm apart.",
        "Scan slower or closer, or export at full resolution.",
        "sole",
    )
    found += _grade(
        "noise",
        noise,
        f"Noise on the sole is {noise:.2f} mm.",
        "Hold the foot still, clean the glass, and scan again.",
        "sole",
    )
    found += _grade(
        "double-skin",
        double,
        f"The sole was seen twice, {double:.1f} mm apart.",
        "The foot moved or two shots do not line up; scan again.",
        "sole",
    )
    return found


def _double_skin(sole: SoleMap, points: Array) -> float:
    """Return the distance between two layers of the sole where it has two, mm; else 0.

    Two layers show as a gap in the sorted heights within a small cell that is wider than noise
    and slope explain, in a quarter of all cells at once. Cells grow with the spacing: were they
    too small, only those on steep borders would hold enough points, and those have gaps anyway.
    """
    cell = max(4.0, 3.0 * spacing_mm(points))
    index = np.floor(points[:, :2] / cell).astype(np.int64)
    height = points[:, 2] - _plane_part(sole, points)
    key = (index[:, 0] - index[:, 0].min()) * 4096 + index[:, 1] - index[:, 1].min()
    order = np.lexsort((height, key))
    key, height = key[order], height[order]
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    counts = np.diff(np.r_[starts, len(key)])
    gaps = []
    for start, count in zip(starts, counts, strict=True):
        if count < 8:
            continue
        own = height[start : start + count]
        step = np.diff(own)
        at = int(step.argmax())
        low, high = own[: at + 1], own[at + 1 :]
        if min(len(low), len(high)) < 3:
            gaps.append(0.0)
            continue
        spread = max(np.std(low), np.std(high), 0.05)
        gaps.append(high.mean() - low.mean() if step[at] > 4 * spread else 0.0)
    if len(gaps) < 20:
        return 0.0
    gaps = np.array(gaps)
    many = (gaps > 0).sum() > 0.25 * len(starts)
    return float(np.median(gaps[gaps > 0])) if many else 0.0


def _plane_part(sole: SoleMap, points: Array) -> Array:
    """Return the smooth height of the sole map at `points`, for taking slope out."""
    smooth = np.where(np.isfinite(sole.z), sole.z, np.nanmedian(sole.z))
    smooth = ndimage.gaussian_filter(smooth, 3.0 / sole.cell)
    u = (points[:, 0] - sole.x[0]) / sole.cell
    v = (points[:, 1] - sole.y[0]) / sole.cell
    return ndimage.map_coordinates(smooth, [u, v], order=1, mode="nearest")


def _sole(settled: Settled) -> list[Finding]:
    """Return findings about what of the sole was seen: filled, coverage, holes."""
    foot = settled.foot
    filled = is_filled(settled)
    if filled:
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
    # steep walls are surface too: only what no face covers at all counts as not seen
    sole = sole_map(foot.vertices, foot.faces, limit_deg=SEEN_LIMIT_DEG)
    found: list[Finding] = []
    best = _best_seen(sole, foot.length)
    if best < MISSING_SHARE:
        return [
            Finding(
                code="sole-missing",
                severity=Severity.AGAIN,
                region="sole",
                value=round(100 * best, 1),
                limit=100 * MISSING_SHARE,
                text="The sole is missing: neither heel nor ball was seen from below.",
                advice="Scan the foot from below, in the air or through glass.",
            )
        ]
    seen = _seen_share(sole, foot.length, 0.28, 0.68)
    found += _grade(
        "arch-seen",
        100 * seen,
        f"{100 * seen:.0f} % of the arch was seen from below.",
        "Scan the inner side of the sole again.",
        "arch",
        rising=False,
    )
    for code, low, high, region in (
        ("heel-seen", 0.03, 0.25, "heel"),
        ("ball-seen", 0.64, 0.80, "ball"),
    ):
        share = _seen_share(sole, foot.length, low, high)
        found += _grade(
            code,
            100 * share,
            f"{100 * share:.0f} % of the {region} was seen from below.",
            f"Scan the {region} from below again.",
            region,
            rising=False,
        )
    hole = _largest_hole(sole, foot.length)
    found += _grade(
        "sole-hole",
        hole,
        f"A hole {hole:.0f} mm across is left in the sole.",
        "Scan that part of the sole again.",
        "sole",
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
    foot = settled.foot
    sole = sole_map(foot.vertices, foot.faces, limit_deg=SEEN_LIMIT_DEG)
    return _best_seen(sole, foot.length) < MISSING_SHARE


def _best_seen(sole: SoleMap, length: float) -> float:
    """Return the share seen of heel or ball, whichever was seen better."""
    return max(_seen_share(sole, length, 0.03, 0.25), _seen_share(sole, length, 0.64, 0.80))


def _plan_filled(sole: SoleMap) -> Array:
    """Return the sole's plan with holes filled, from the map's own outline."""
    seen = np.isfinite(sole.z)
    closed = ndimage.binary_closing(np.pad(seen, 40), iterations=12)[40:-40, 40:-40]
    filled = ndimage.binary_fill_holes(closed | seen)
    return filled


def _seen_share(sole: SoleMap, length: float, low: float, high: float) -> float:
    """Return the share of the sole's plan between two stations that the map covers."""
    zone = (sole.x >= low * length) & (sole.x <= high * length)
    plan = _plan_filled(sole)[zone]
    if plan.sum() < 50:
        return 0.0
    seen = ndimage.binary_closing(np.isfinite(sole.z), iterations=1)[zone] & plan
    width = plan.any(axis=1).sum() * sole.cell / max((high - low) * length, 1.0)
    return float(seen.sum() / plan.sum() * min(1.0, width / 0.95))


def _largest_hole(sole: SoleMap, length: float) -> float:
    """Return the diameter of the largest circle that fits into a hole under heel to ball, mm."""
    zone = (sole.x > 0.05 * length) & (sole.x < 0.78 * length)
    seen = ndimage.binary_closing(np.isfinite(sole.z), iterations=1)
    gap = ndimage.binary_fill_holes(seen) & ~seen
    gap[~zone] = False
    if not gap.any():
        return 0.0
    return float(2 * ndimage.distance_transform_edt(gap).max() * sole.cell)


def _ends(settled: Settled) -> list[Finding]:
    """Return findings about cut-off heel or toes and a leg cut too low."""
    foot = settled.foot
    found = []
    rim = _rim_edges(foot.faces)
    for code, end, region in (("heel-cut", -1.0, "heel"), ("toes-cut", 1.0, "toes")):
        length = _rim_at_end(foot.vertices, rim, end)
        words = "The toes end" if region == "toes" else "The heel ends"
        found += _grade(
            code,
            length,
            f"{words} in an open rim {length:.0f} mm long: the scan is clipped there.",
            "Move the foot into the scanner's field and scan again.",
            region,
        )
    if foot.kind in (Kind.STANDING, Kind.HANGING):
        top = float(np.percentile(foot.vertices[:, 2], 99.8))
        limit = limits()["leg-low"]
        if top < limit.making:
            severity = Severity.MEASURING if top < limit.measuring else Severity.NOTE
            found.append(
                Finding(
                    code="leg-low",
                    severity=severity,
                    region="leg",
                    value=round(top, 1),
                    limit=limit.making,
                    text=f"The scan ends {top:.0f} mm above the ground.",
                    advice="Scan up to a hand's breadth above the ankle.",
                )
            )
    return found


def _rim_edges(faces: IntArray) -> IntArray:
    """Return the edges that belong to one face only, shape (k, 2)."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    unique, count = np.unique(edges, axis=0, return_counts=True)
    return unique[count == 1]


def _rim_at_end(vertices: Array, rim: IntArray, sign: float) -> float:
    """Return how much open rim lies within 2.5 mm of the foot's end, below 60 mm, mm.

    A heel and a toe close round; where a scan was clipped, its rim lies all in one plane there and
    stands upright. The rim of a sole alone, or of a leg cut low, runs level round the end.
    """
    if len(rim) == 0:
        return 0.0
    x = sign * vertices[:, 0]
    at_end = (x > np.partition(x, -4)[-4] - RIM_DEPTH_MM) & (vertices[:, 2] < 60.0)
    there = rim[at_end[rim].all(axis=1)]
    if len(there) == 0 or np.ptp(vertices[there, 2]) < RIM_RISE_MM:
        return 0.0
    return float(np.linalg.norm(vertices[there[:, 0]] - vertices[there[:, 1]], axis=1).sum())


def _loading(settled: Settled, evidence: Evidence) -> list[Finding]:
    """Return findings about the load state and the level of the foot."""
    found = []
    flat = settled.flat_share >= FLAT_SHARE
    if evidence.load is Load.UNKNOWN:
        found.append(
            Finding(
                code="load-unknown",
                severity=Severity.NOTE,
                region="scan",
                text="How the foot was loaded is not known.",
                advice="Say it with --load none, seated, half or full; arch heights depend on it.",
            )
        )
    elif evidence.load in (Load.HALF, Load.FULL) and not flat and not is_filled(settled):
        found.append(
            Finding(
                code="load-contradicted",
                severity=Severity.NOTE,
                region="sole",
                value=round(settled.flat_share, 2),
                limit=FLAT_SHARE,
                text=f"The scan was said to carry {evidence.load.value} load, but heel and ball are"
                " round.",
                advice="Check the load state that you gave.",
            )
        )
    elif evidence.load is Load.NONE and flat:
        found.append(
            Finding(
                code="load-contradicted",
                severity=Severity.NOTE,
                region="sole",
                value=round(settled.flat_share, 2),
                limit=FLAT_SHARE,
                text="The scan was said to be unloaded, but heel and ball are pressed flat.",
                advice="Check the load state that you gave.",
            )
        )
    found += _grade(
        "floor-tilt",
        settled.tilt,
        f"The foot stands tilted by {settled.tilt:.1f}° against the scan's floor.",
        "The floor of this scan is not the foot's; scan again on a level plate.",
        "scan",
    )
    return found


def _scale(measures: Mapping[str, Measure], evidence: Evidence) -> list[Finding]:
    """Return findings about the scale, which one scan alone cannot show."""
    length = measures["foot_length"].value
    if evidence.hand_length is None or length is None:
        return [
            Finding(
                code="scale-unverified",
                severity=Severity.NOTE,
                region="scan",
                text="The scale is unverified: one scan alone cannot show it.",
                advice="Measure the foot by hand and give it with --foot-length.",
            )
        ]
    off = abs(length - evidence.hand_length)
    share = 100 * off / evidence.hand_length
    text = (
        f"The scan's foot is {length:.0f} mm long, by hand {evidence.hand_length:.0f} mm: "
        f"{share:.1f} % apart."
    )
    advice = "Measure again by hand; if it holds, the scanner's scale is off: scan again."
    if share > limits()["scale"].measuring:
        severity = Severity.AGAIN
    elif share > limits()["scale"].making or off > 3.0:
        severity = Severity.MEASURING
    else:
        return []
    return [
        Finding(
            code="scale",
            severity=severity,
            region="scan",
            text=text,
            advice=advice,
            value=round(share, 2),
            limit=limits()["scale"].making,
        )
    ]


def _side(evidence: Evidence) -> list[Finding]:
    if evidence.side_contradicted:
        return [
            Finding(
                code="side-contradicted",
                severity=Severity.AGAIN,
                region="scan",
                value=round(evidence.side_ratio, 2),
                limit=limits()["side"].making,
                text="The scan looks like the other foot than the side that was stated.",
                advice="Check the side, and whether the scanner mirrored the scan.",
            )
        ]
    return []


def _proportions(measures: Mapping[str, Measure]) -> list[Finding]:
    """Return notes where proportions lie outside what adults show (ANSUR II 2012)."""
    length = measures["foot_length"].value
    if not length:
        return []
    rows = (
        ("proportion-ball", "heel_to_ball_length", 0.69, 0.79, "ball length over foot length"),
        ("proportion-breadth", "foot_breadth", 0.32, 0.45, "breadth over foot length"),
        ("proportion-heel", "heel_breadth_max", 0.21, 0.335, "heel breadth over foot length"),
    )
    found = []
    for code, name, low, high, words in rows:
        value = measures[name].value
        if value is None or low <= value / length <= high:
            continue
        share = value / length
        found.append(
            Finding(
                code=code,
                severity=Severity.NOTE,
                region="scan",
                value=round(share, 3),
                limit=low if share < low else high,
                text=f"An unusual foot or scale: {words} is {share:.2f} ({low:g} to {high:g}).",
                advice="Check the scan and the landmarks by eye; uncertainties may be larger.",
            )
        )
    return found
