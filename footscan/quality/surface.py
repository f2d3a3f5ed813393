"""How well the surface was scanned: spacing, noise, waves, and skin that was seen twice.

    View -> quality.surface.findings -> footscan.quality.findings

Terms
    patch     a point with its 24 nearest, against a quadric fitted to them
    layers    places where a line runs into the same side of the skin twice within a few mm
    waves     a ripple 5 to 20 mm long that no foot has
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, spatial

from footscan.foot import SoleMap
from footscan.quality.limits import grade, limits
from footscan.quality.sole import ARCH, BALL, HEEL
from footscan.quality.view import View, cast, whole
from footscan.results import Finding
from footscan.scan import Array

__all__ = ["Patches", "findings", "noise_mm", "patches", "spacing_mm"]

PATCH = 24
LEAST_POINTS = 60  # on the sole: fewer tell nothing of noise or layers
PATCHES = 1200
FIT_LOSS = float(np.sqrt(1 - 6 / PATCH))  # six coefficients use up part of the scatter
LINES_MM = 2.0  # spacing of the lines that look for layers
LAYER_LEAST_MM = 0.15  # nearer than this are facets and seams, not a second skin
LAYER_MOST_MM = 6.0  # farther apart are two parts of the foot, such as two toes
LAYER_SHARE = 0.08  # of the lines along one axis
LAYER_LINES = 120
OVERLAY_MOST_MM = 15.0  # two different feet in one place lie this far apart below the arch
OVERLAY_SHARE = 0.40
STEEP = 0.3  # a line that grazes the skin tells no distance
WAVES_MM = (4.5, 21.0)
WAVE_PEAK, RING_CELLS = 5.5, 6  # the same feet where they reach 0.25 mm: 4.3
WAVE_CUT_MM, WAVE_RIM_MM, WAVE_STEEP_MM = 8.0, 8.0, 4.0
WAVE_PLAIN_MM = 0.35  # 90 feet without ripples, our own and others, reach 0.29
TWO_PEAKS = 2.1  # kurtosis of residuals: 3 for noise, 1 for two sharp layers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """Local quadric fits over a sample of points.

    Attributes
    ----------
    at : ndarray, shape (m, 3)
        Middle points.
    residual : ndarray, shape (m, 24)
        Distances of a patch's points from its quadric, mm.
    """

    at: Array
    residual: Array

    @property
    def noise(self) -> Array:
        """Robust standard deviation per patch, mm; corrected for the fit."""
        return 1.4826 * np.median(np.abs(self.residual), axis=1) / FIT_LOSS


def findings(view: View) -> list[Finding]:
    """Return findings about spacing, noise, layers and waves on the sole."""
    points = view.near
    few = len(points) < LEAST_POINTS
    seen = np.isfinite(view.foot.sole.z).sum() * view.foot.sole.cell**2
    spacing = float(np.sqrt(seen / max(1, len(points)))) if few else spacing_mm(points)
    found = grade(
        "point-spacing" if view.cleaned.surfaced else "mesh-spacing",
        spacing,
        f"Points on the sole are {spacing:.1f} mm apart.",
        "Scan slower or closer, or export at full resolution.",
        "sole",
    )
    found = found or _uneven(view)
    if few:
        return found
    fits = patches(points, spacing)
    layered = _layers(view, fits)
    if layered:  # two skins scatter and ripple of themselves
        return [*found, *layered]
    return [*found, *_noise(view, fits), *_waves(view)]


def spacing_mm(points: Array) -> float:
    """Return the median distance between neighbouring points, mm."""
    sample = points[:: max(1, len(points) // 4000)]
    distance, _ = spatial.cKDTree(points).query(sample, k=4)
    return float(np.median(distance[:, 1:].mean(axis=1)))


def noise_mm(points: Array, spacing: float) -> float:
    """Return the robust noise of points against a local quadric, mm (one standard deviation).

    Neighbourhoods hold 24 points; the median absolute residual is scaled to a standard
    deviation and corrected for the six coefficients that each fit uses up.
    """
    return _scatter(patches(points, spacing).residual)


def patches(points: Array, spacing: float, count: int = PATCHES) -> Patches:
    """Return quadric fits about an even sample of points.

    Patches that reach farther than eight times the spacing are left out: they lie at a rim.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        mm.
    spacing : float
        Distance of neighbours, mm.
    count : int
        Patches wanted.
    """
    if len(points) < 200:
        return Patches(at=np.zeros((0, 3)), residual=np.zeros((0, PATCH)))
    sample = points[:: max(1, len(points) // count)]
    distance, index = spatial.cKDTree(points).query(sample, k=PATCH)
    whole = distance[:, -1] <= 8 * spacing
    sample, reach = sample[whole], np.maximum(distance[whole, -1], 1e-6)
    local = (points[index[whole]] - sample[:, None]) / reach[:, None, None]
    _, vectors = np.linalg.eigh(local.transpose(0, 2, 1) @ local)
    h, v, u = (np.einsum("nki,ni->nk", local, vectors[:, :, k]) for k in range(3))
    design = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=2)
    normal = design.transpose(0, 2, 1) @ design + 1e-9 * np.eye(6)
    fit = np.linalg.solve(normal, np.einsum("nki,nk->ni", design, h)[..., None])[..., 0]
    residual = (h - np.einsum("nki,ni->nk", design, fit)) * reach[:, None]
    return Patches(at=sample, residual=residual)


def _scatter(residual: Array) -> float:
    if not residual.size:
        return 0.0
    return float(1.4826 * np.median(np.abs(residual)) / FIT_LOSS)


def _noise(view: View, fits: Patches) -> list[Finding]:
    """Return the noise of the worst of heel, arch and ball."""
    share = fits.at[:, 0] / view.foot.length
    zones = {"heel": HEEL, "arch": ARCH, "ball": BALL}
    values = {
        region: _scatter(fits.residual[(share > low) & (share <= high)])
        for region, (low, high) in zones.items()
    }
    region = max(values, key=lambda name: values[name])
    limit = limits()["noise"]
    everywhere = all(v > limit.making for v in values.values())
    where = "sole" if everywhere else region
    return grade(
        "noise",
        values[region],
        f"Noise on the {where} is {values[region]:.2f} mm.",
        "Hold the foot still, clean the glass, and scan again.",
        where,
    )


def _uneven(view: View) -> list[Finding]:
    """Return a finding where a tenth of the sole is covered by faces that are too long."""
    if view.cleaned.surfaced or not len(view.faces):
        return []
    x, _, z = view.points.T
    length = view.foot.length
    low = (x > 0.06 * length) & (x < 0.80 * length) & (z < 0.2 * length)
    a, b, c = (view.points[view.faces[whole(low, view.faces), k]] for k in range(3))
    middle = (a + b + c) / 3
    near = np.abs(middle[:, 2] - view.foot.sole.height(middle[:, 0], middle[:, 1])) < 3.0
    a, b, c = a[near], b[near], c[near]
    if not len(a):
        return []
    ab, bc, ca = (np.linalg.norm(side, axis=1) for side in (b - a, c - b, a - c))
    longest = np.maximum(np.maximum(ab, bc), ca)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    order = np.argsort(longest)
    share = np.cumsum(area[order]) / max(area.sum(), 1e-12)
    edge = float(longest[order][np.searchsorted(share, 0.9)])
    return grade(
        "mesh-uneven",
        edge,
        f"A tenth of the sole is spanned by faces longer than {edge:.0f} mm.",
        "Export the scan at full resolution, without reducing the number of faces.",
        "sole",
    )


def _layers(view: View, fits: Patches) -> list[Finding]:
    """Return a finding where the skin was seen twice."""
    if not view.cleaned.surfaced and len(view.faces):
        apart, overlaid = _layers_of_mesh(view)
    else:
        apart, overlaid = _layers_of_points(view, fits), 0.0
    if overlaid:
        return grade(
            "overlaid",
            overlaid,
            f"Two different shapes lie in one another, {overlaid:.0f} mm apart below the sole.",
            "The scan holds two feet in one place, or a foot and its mirror image; scan again.",
            "sole",
        )
    return grade(
        "double-skin",
        apart,
        f"The skin was seen twice, {apart:.1f} mm apart.",
        "The foot moved or two shots do not line up; scan again.",
        "sole",
    )


def _layers_of_mesh(view: View) -> tuple[float, float]:
    """Return how far apart two layers of skin are, and two shapes that only share a place, mm.

    Lines along each axis count, so that a copy shifted sideways shows at the borders.
    """
    length = view.foot.length
    box = np.array([[-10.0, -0.35 * length, -15.0], [length + 10.0, 0.35 * length, 55.0]])
    x, y, z = view.points.T
    inside = (x >= box[0, 0]) & (x <= box[1, 0]) & (y >= box[0, 1]) & (y <= box[1, 1])
    faces = view.faces[whole(inside & (z >= box[0, 2]) & (z <= box[1, 2]), view.faces)]
    apart, overlaid = 0.0, 0.0
    for axis in range(3):
        plan = [k for k in range(3) if k != axis]
        hits = cast(view.points, faces, axis, box[0, plan], LINES_MM)
        step = np.diff(hits.line, axis=0)
        same = (step[:, 0] == 0) & (step[:, 1] == 0)
        facing = np.minimum(np.abs(hits.facing[1:]), np.abs(hits.facing[:-1]))
        same &= (hits.facing[1:] * hits.facing[:-1] > 0) & (facing > STEEP)
        gap = np.diff(hits.height) * facing
        own = np.abs(hits.facing) > STEEP
        if axis == 2:
            own &= hits.facing < 0
            same &= hits.facing[1:] < 0
        lines = max(1, int(own.sum()))
        layered = gap[same & (gap > LAYER_LEAST_MM) & (gap < LAYER_MOST_MM)]
        if len(layered) >= max(LAYER_LINES, LAYER_SHARE * lines):
            apart = max(apart, float(np.median(layered[layered >= np.median(layered)])))
        if axis == 2:
            wide = gap[same & (gap > LAYER_LEAST_MM) & (gap < OVERLAY_MOST_MM)]
            many = len(wide) > OVERLAY_SHARE * lines / 2
            spread = float(np.percentile(wide, 90)) if many else 0.0
            overlaid = spread if spread > LAYER_MOST_MM else 0.0
    return apart, overlaid


def _layers_of_points(view: View, fits: Patches) -> float:
    """Return how far apart two layers of bare points on the sole are, mm; 0 for one.

    Either a gap in the heights, a few mm wide, or residuals that keep to two values.
    """
    gap = _height_gap(view.foot.sole, view.near)
    if gap:
        return gap
    found = 0.0
    share = fits.at[:, 0] / view.foot.length
    for low, high in (HEEL, ARCH, BALL):
        residual = fits.residual[(share > low) & (share <= high)]
        if len(residual) < 40:
            continue
        variance = float((residual**2).mean())
        if variance < 0.15**2:
            continue
        if float((residual**4).mean()) / variance**2 < TWO_PEAKS:
            found = max(found, 2 * float(np.median(np.abs(residual))) / FIT_LOSS)
    return found


def _height_gap(sole: SoleMap, points: Array) -> float:
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
        spread = max(float(np.std(low)), float(np.std(high)), 0.05)
        gaps.append(float(high.mean() - low.mean()) if step[at] > 4 * spread else 0.0)
    if len(gaps) < 20:
        return 0.0
    wide = np.array([gap for gap in gaps if gap > 0])
    return float(np.median(wide)) if len(wide) > 0.25 * len(starts) else 0.0


def _plane_part(sole: SoleMap, points: Array) -> Array:
    """Return the smooth height of the sole map at `points`, for taking slope out."""
    smooth = np.where(np.isfinite(sole.z), sole.z, np.nanmedian(sole.z))
    smooth = ndimage.gaussian_filter(smooth, 3.0 / sole.cell)
    u = (points[:, 0] - sole.x[0]) / sole.cell
    v = (points[:, 1] - sole.y[0]) / sole.cell
    return ndimage.map_coordinates(smooth, [u, v], order=1, mode="nearest")


def _waves(view: View) -> list[Finding]:
    """Return a finding where the sole ripples."""
    height = wave_height(view.sole, view.foot.length)
    return grade(
        "waves",
        height,
        f"The sole ripples by {height:.1f} mm.",
        "The scanner shook or the foot trembled; rest both and scan again.",
        "sole",
    )


def wave_height(sole: SoleMap, length: float) -> float:
    """Return the amplitude of the strongest even ripple on the sole, mm; 0 for none.

    Two passes of a Gaussian take slope and bend out; what they take from a ripple is known and
    given back. A ripple is one sharp peak of the spectrum, five times what nine tenths of the
    other waves of its length have; anatomy and noise are spread over all directions. On a narrow
    sole the peak of a long one is broad, and hides among its own flanks: it is told by its height.
    """
    zone = ((sole.x > 0.1 * length) & (sole.x < 0.76 * length))[:, None]
    seen = np.isfinite(sole.z)
    inside = ndimage.distance_transform_edt(seen & zone) * sole.cell
    if (inside > WAVE_RIM_MM).sum() < 400:
        return 0.0
    ripple = np.where(seen, sole.z, 0.0)
    for _ in range(2):
        ripple = ripple - _blurred(ripple, seen, WAVE_CUT_MM / sole.cell)
    weight = np.clip((inside - WAVE_RIM_MM / 2) / WAVE_RIM_MM, 0, 1)
    weight[np.abs(ripple) > WAVE_STEEP_MM] = 0.0  # the rim of a hole is no ripple
    size = tuple(2 ** int(np.ceil(np.log2(n))) for n in ripple.shape)
    power = 2 * np.abs(np.fft.rfft2(ripple * weight, size)) / max(weight.sum(), 1.0)
    along = np.fft.fftfreq(size[0], sole.cell)[:, None]
    often = np.hypot(along, np.fft.rfftfreq(size[1], sole.cell)[None, :])
    band = (often > 1 / WAVES_MM[1]) & (often < 1 / WAVES_MM[0])
    often, power = often[band], power[band]
    ring = (often * size[0] * sole.cell / RING_CELLS).astype(int)
    order = np.lexsort((power, ring))
    first = np.searchsorted(ring[order], np.arange(ring.max() + 2))
    ninth = np.maximum(first[:-1] + (0.9 * np.diff(first)).astype(int), 0)
    usual = power[order[np.minimum(ninth, len(order) - 1)]]
    gain = (1 - np.exp(-2 * np.pi**2 * WAVE_CUT_MM**2 * often**2)) ** 2
    height = power / gain
    told = (power > WAVE_PEAK * usual[ring]) | (height > WAVE_PLAIN_MM)
    return float(height[told].max()) if told.any() else 0.0


def _blurred(z: Array, seen: Array, sigma: float) -> Array:
    """Return `z` under a Gaussian over the cells seen; zero elsewhere."""
    weight = ndimage.gaussian_filter(seen.astype(float), sigma, mode="constant")
    value = ndimage.gaussian_filter(np.where(seen, z, 0.0), sigma, mode="constant")
    return np.where(seen, value / np.maximum(weight, 1e-9), 0.0)
