"""Find a measured ball in a scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import spatial

from footscan.errors import ScanQualityError
from footscan.scan import Array

__all__ = ["Ball", "Figure", "ball_figures", "find_ball", "main_plane"]

BALL_SEARCH_POINTS = 8000
BALL_SEEDS = 250
DISPERSION_SHARE = 0.95
LIKE = (0.8, 1.25)  # of the stated radius: farther off is another thing
WIDEST_BAND = 0.12  # of the radius: dents that a scanner makes are less deep
FLAT = 0.02  # of the radius: standard deviation across the thinnest way of the smallest cap
AROUND = 1.35  # radii: a ball on its stand has little else so near


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ball:
    """A fitted ball: centre and radius, their uncertainty, residuals of its points, mm.

    `stretch` is longest minus shortest diameter of an ellipsoid through the points, share of the
    diameter; `alone` the share of the points in and close about the ball that lie on it.
    """

    centre: Array
    radius: float
    covariance: Array
    sd_radius: float
    residuals: Array
    seen: float
    stretch: float
    sd_stretch: float
    alone: float


def find_ball(points: Array, radius: float) -> Ball:
    """Return the ball of about `radius` that most points lie on; floor and stand left out."""
    missing = ScanQualityError(
        f"no ball of about {2 * radius:g} mm was found in the scan; check the diameter and the "
        "unit, and scan the ball alone"
    )
    sample = points[np.random.default_rng(0).permutation(len(points))[:BALL_SEARCH_POINTS]]
    tree = spatial.cKDTree(sample)
    best, votes = None, 40
    for seed in sample[:BALL_SEEDS]:
        patch = sample[tree.query_ball_point(seed, 0.7 * radius)]
        if len(patch) < 12:
            continue
        centre, found = _sphere_through(patch)
        if not LIKE[0] <= found / radius <= LIKE[1]:
            continue
        outer, inner = tree.query_ball_point(
            [centre, centre], [1.03 * found, 0.97 * found], return_length=True
        )
        count = outer - inner
        if count >= votes:
            best, votes = (centre, found), count
    if best is None:
        raise missing
    centre, found = best
    band, clear = 0.06 * found, _floor_under(points, centre, found)
    for _ in range(5):
        residual = np.linalg.norm(points - centre, axis=1) - found
        own = (np.abs(residual) <= band) & clear
        if own.sum() < 60:
            raise missing
        # wide enough for dents that the scanner made, which are what is looked for
        band = max(0.03 * found, 8 * 1.4826 * float(np.median(np.abs(residual[own]))))
        band = min(band, WIDEST_BAND * found)
        centre, found = _fitted_sphere(points[own], centre, found)
        if not LIKE[0] <= found / radius <= LIKE[1]:
            raise missing  # what is no ball lets the fit run away
    spread = np.linalg.svd(points[own] - points[own].mean(axis=0), compute_uv=False)
    if spread[2] < FLAT * found * np.sqrt(own.sum()):
        raise missing  # a ring on a plane lies on any number of spheres
    around = clear & (np.linalg.norm(points - centre, axis=1) < AROUND * found)
    return _ball_of(points[own], centre, found, float(own.sum() / around.sum()))


def _floor_under(points: Array, centre: Array, radius: float) -> NDArray[np.bool_]:
    """Return which points are clear of the plane that the ball stands on."""
    around = points[
        (np.linalg.norm(points - centre, axis=1) > 1.08 * radius)
        & (np.linalg.norm(points - centre, axis=1) < 4 * radius)
    ]
    clear = np.ones(len(points), dtype=bool)
    if len(around) < 60:
        return clear
    normal, offset = main_plane(around, 0.03 * radius)
    share = (np.abs(around @ normal - offset) <= 0.03 * radius).mean()
    gap = abs(float(centre @ normal) - offset)
    if share < 0.4 or gap < 0.5 * radius:
        return clear
    return np.asarray(np.abs(points @ normal - offset) > 0.2 * radius)


def main_plane(points: Array, tolerance: float) -> tuple[Array, float]:
    """Return unit normal and offset of the plane that most points lie near."""
    rng = np.random.default_rng(0)
    sample = points[rng.permutation(len(points))[:4000]]
    a, b, c = (sample[rng.integers(0, len(sample), 300)] for _ in range(3))
    normals = np.cross(b - a, c - a)
    size = np.linalg.norm(normals, axis=1)
    good = size > 1e-9 * max(float(size.max()), 1e-30)
    if not good.any() or size.max() == 0:
        raise ScanQualityError("all points lie on one line; scan the artefact again")
    normals, a = normals[good] / size[good, None], a[good]
    offsets = np.einsum("ij,ij->i", normals, a)
    best = int((np.abs(sample @ normals.T - offsets) <= tolerance).sum(axis=0).argmax())
    normal, offset = normals[best], float(offsets[best])
    for _ in range(4):
        near = points[np.abs(points @ normal - offset) <= tolerance]
        middle = near.mean(axis=0)
        normal = np.linalg.eigh(np.cov((near - middle).T))[1][:, 0]
        offset = float(middle @ normal)
    return normal, offset


def _sphere_through(points: Array) -> tuple[Array, float]:
    """Return centre and radius of the algebraic least squares sphere."""
    middle = points.mean(axis=0)
    local = points - middle
    design = np.column_stack([2 * local, np.ones(len(local))])
    fit, *_ = np.linalg.lstsq(design, (local**2).sum(axis=1), rcond=None)
    return middle + fit[:3], float(np.sqrt(max(fit[3] + fit[:3] @ fit[:3], 0.0)))


def _fitted_sphere(points: Array, centre: Array, radius: float) -> tuple[Array, float]:
    """Return centre and radius of the geometric least squares sphere (Gauss-Newton)."""
    for _ in range(20):
        away = points - centre
        reach = np.linalg.norm(away, axis=1)
        design = np.column_stack([-away / reach[:, None], -np.ones(len(points))])
        step, *_ = np.linalg.lstsq(design, radius - reach, rcond=None)
        centre, radius = centre + step[:3], radius + float(step[3])
        if np.linalg.norm(step) < 1e-10 * radius:
            break
    return centre, radius


def _ball_of(points: Array, centre: Array, radius: float, alone: float) -> Ball:
    """Return the ball with the uncertainty that its residuals and its cap give."""
    away = points - centre
    reach = np.linalg.norm(away, axis=1)
    design = np.column_stack([-away / reach[:, None], -np.ones(len(points))])
    residuals = reach - radius
    spread = float((residuals**2).sum() / (len(points) - 4))
    covariance = spread * np.linalg.inv(design.T @ design)
    mean_way = np.linalg.norm((away / reach[:, None]).mean(axis=0))
    return Ball(
        centre=centre,
        radius=radius,
        covariance=covariance[:3, :3],
        sd_radius=float(np.sqrt(covariance[3, 3])),
        residuals=residuals,
        seen=float(1 - mean_way),
        **_stretch(away / reach[:, None], residuals, radius),
        alone=alone,
    )


def _stretch(way: Array, residuals: Array, radius: float) -> dict[str, float]:
    """Return how much longer a ball is one way than another, share of its diameter, and its sd.

    The residuals are read as a shift, a size and a traceless second-order form of the directions:
    a ball stretched along any axis leaves exactly such a form.
    """
    x, y, z = way.T
    form = np.column_stack([x * x - z * z, y * y - z * z, 2 * x * y, 2 * x * z, 2 * y * z])
    design = np.column_stack([form, way, np.ones(len(way))])
    fit, _, rank, _ = np.linalg.lstsq(design, residuals, rcond=None)
    if rank < design.shape[1]:  # a ring or a few points: no form can be told
        return {"stretch": 0.0, "sd_stretch": float("inf")}
    a, b, xy, xz, yz = fit[:5]
    ends = np.linalg.eigvalsh(np.array([[a, xy, xz], [xy, b, yz], [xz, yz, -a - b]]))
    noise = float(((residuals - design @ fit) ** 2).sum() / max(len(way) - 9, 1))
    covariance = noise * np.linalg.pinv(design.T @ design)
    return {
        "stretch": float(ends[2] - ends[0]) / radius,
        "sd_stretch": float(np.sqrt(np.diag(covariance)[:5].max())) / radius,
    }


def thinnest_way(residuals: Array) -> float:
    """Return the width of the thinnest shell that holds 95 % of the points, mm."""
    ordered = np.sort(residuals)
    count = int(np.ceil(DISPERSION_SHARE * len(ordered)))
    return float((ordered[count - 1 :] - ordered[: len(ordered) - count + 1]).min())


def ball_figures(ball: Ball, diameter: float, number: int) -> list[Figure]:
    """Return size and form errors of a ball."""
    mark = f"_{number}"
    sd = 2 * ball.sd_radius
    return [
        Figure(name="diameter" + mark, value=2 * ball.radius, unit="mm", sd=sd),
        Figure(
            name="probing_size_error" + mark, value=2 * ball.radius - diameter, unit="mm", sd=sd
        ),
        Figure(name="probing_form_error" + mark, value=float(np.ptp(ball.residuals)), unit="mm"),
        Figure(name="probing_dispersion" + mark, value=thinnest_way(ball.residuals), unit="mm"),
        Figure(name="scatter" + mark, value=float(ball.residuals.std()), unit="mm"),
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One result of a scanner check; `sd` is None where no uncertainty can be stated."""

    name: str
    value: float
    unit: str
    sd: float | None = None
