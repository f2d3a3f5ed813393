"""A scanner checked on a ball, a ball bar or a flat plate of known size.

    points (mm) of an artefact -> artefact.check_artefact, artefact.check_plate -> ArtefactCheck
                                                       -> text, JSON, footscan.checking.artefact_log

Frame: the scanner's own, mm.

Terms
    probing form error    largest minus smallest residual to the least squares sphere
    probing dispersion    width of the thinnest shell about that sphere's centre with 95 % of points
    probing size error    fitted minus stated diameter
    sphere spacing error  measured minus stated distance of two sphere centres
    flatness error        largest minus smallest residual to the least squares plane
    scale factor          measured over stated length

    stretch               largest minus smallest diameter of the least squares ellipsoid

A check passes when the thing looks like the artefact that was stated (form, stretch, how much of
it was seen, how much else lies about it) and its sizes are right; limits and reasons stand in
``data/scanner_log.toml``. Only a check that passed says anything for the scanner's scale.

The errors are terms of VDI/VDE 2634 and ISO 10360-13 (dispersion: value from memory). What is done
here is a check, never a certificate: acceptance asks for calibrated artefacts in many places of
the measuring volume.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import spatial

from footscan.checking.artefact_limits import limits
from footscan.errors import ScanQualityError
from footscan.scan import Array, as_points

__all__ = ["ArtefactCheck", "Figure", "check_artefact", "check_plate"]

BALL_SEARCH_POINTS = 8000
BALL_SEEDS = 250
BAND = 1.96  # standard deviations in a 95 % band
DISPERSION_SHARE = 0.95
LIKE = (0.8, 1.25)  # of the stated radius: farther off is another thing
WIDEST_BAND = 0.12  # of the radius: dents that a scanner makes are less deep
FLAT = 0.02  # of the radius: standard deviation across the thinnest way of the smallest cap
AROUND = 1.35  # radii: a ball on its stand has little else so near
NO_CERTIFICATE = (
    "This is a check of one scanner on one day, not a certificate: acceptance by VDI/VDE 2634 or "
    "ISO 10360-13 needs calibrated artefacts in many places of the measuring volume."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One result of a scanner check; `sd` is None where no uncertainty can be stated."""

    name: str
    value: float
    unit: str
    sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtefactCheck:
    """A scanner checked on an object of known size.

    Attributes
    ----------
    kind : str
        ``"ball"``, ``"ball bar"`` or ``"plate"``.
    figures : tuple of Figure
        Errors in mm; `scale_factor` is measured over stated length.
    points_used, points_left_out : int
        Left out: floor, stand, bar, strays.
    diameter, spacing : float or None
        What was stated, mm; None where the artefact has none.
    strange, off : tuple of str
        Why the check did not pass, a sentence each: what was scanned is not the artefact that was
        stated, so that its figures mean nothing; or it is, and its sizes read wrong.
    notes : tuple of str
        Plain words; the last one says that this is no certificate.
    """

    kind: str
    figures: tuple[Figure, ...]
    points_used: int
    points_left_out: int
    diameter: float | None = None
    spacing: float | None = None
    strange: tuple[str, ...] = field(default=())
    off: tuple[str, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())

    @property
    def passed(self) -> bool:
        """Whether the check is within its limits."""
        return not (self.strange or self.off)

    def __getitem__(self, name: str) -> Figure:
        """Return the figure called `name`."""
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(name)

    def as_text(self) -> str:
        """Return the check for a person to read."""
        stated = [
            f"{words} {value:g} mm stated"
            for words, value in (("diameter", self.diameter), ("spacing", self.spacing))
            if value is not None
        ]
        head = ", ".join([self.kind, *stated])
        lines = [f"{head}: {self.points_used} points used, {self.points_left_out} left out"]
        for f in self.figures:
            digits = 5 if f.name == "scale_factor" else 3
            band = f" ± {BAND * f.sd:.{digits}f}" if f.sd is not None else ""
            unit = f" {f.unit}" if f.unit else ""
            sign = "+" if "error" in f.name and "form" not in f.name and f.sd is not None else ""
            lines.append(f"{_words(f.name):32}{f.value:{sign}.{digits}f}{band}{unit}")
        if any(f.sd is not None for f in self.figures):
            lines.append("± covers 95 %.")
        lines += [f"Not passed: {words}" for words in (*self.strange, *self.off)]
        if self.passed:
            lines.append("Passed: within the limits of form and size.")
        return "\n".join([*lines, *self.notes])

    def as_record(self) -> dict[str, Any]:
        """Return the check for JSON."""
        return {
            "kind": self.kind, "diameter_mm": self.diameter, "spacing_mm": self.spacing,
            "figures": {
                f.name: {"value": round(f.value, 6), "unit": f.unit}
                | ({"sd": round(f.sd, 6)} if f.sd is not None else {})
                for f in self.figures
            },
            "points_used": self.points_used, "points_left_out": self.points_left_out,
            "passed": self.passed, "not_passed_because": [*self.strange, *self.off],
            "notes": list(self.notes),
        }  # fmt: skip


def check_artefact(
    points: Array, *, diameter: float, spheres: int = 1, spacing: float | None = None
) -> ArtefactCheck:
    """Return the check of a scanner on one ball, or on a bar with two balls alike.

    Parameters
    ----------
    points : array_like, shape (n, 3)
        mm; floor, stand and bar may be among them.
    diameter, spacing : float
        Stated size of the balls and distance of their centres, mm.
    spheres : int
        1 or 2.

    Raises
    ------
    footscan.errors.ScanQualityError
        The balls are not in the scan.
    """
    points = as_points(points)
    if spheres not in (1, 2) or not diameter > 0 or (spacing is not None and not spacing > 0):
        raise ValueError("spheres must be 1 or 2; diameter and spacing must be positive")
    if spheres == 1 and spacing is not None:
        raise ValueError("a spacing needs two spheres")
    left, balls = points, []
    for _ in range(spheres):
        ball = _find_ball(left, diameter / 2)
        balls.append(ball)
        left = left[np.linalg.norm(left - ball.centre, axis=1) > 1.2 * ball.radius]
    figures = [f for i, ball in enumerate(balls) for f in _ball_figures(ball, diameter, i + 1)]
    factor = float(np.mean([2 * ball.radius for ball in balls])) / diameter
    factor_sd = 2 * float(np.linalg.norm([ball.sd_radius for ball in balls])) / spheres / diameter
    if spheres == 2:
        gap = balls[1].centre - balls[0].centre
        found = float(np.linalg.norm(gap))
        way = gap / found
        gap_sd = float(np.sqrt(sum(way @ ball.covariance @ way for ball in balls)))
        figures.append(Figure(name="sphere_spacing", value=found, unit="mm", sd=gap_sd))
        if spacing is not None:
            figures.append(
                Figure(name="sphere_spacing_error", value=found - spacing, unit="mm", sd=gap_sd)
            )
            factor, factor_sd = found / spacing, gap_sd / spacing
    figures.append(Figure(name="scale_factor", value=factor, unit="", sd=factor_sd))
    used = sum(len(ball.residuals) for ball in balls)
    strange = tuple(w for i, ball in enumerate(balls) for w in _strange(ball, i + 1))
    return ArtefactCheck(
        kind="ball" if spheres == 1 else "ball bar", figures=tuple(figures), points_used=used,
        points_left_out=len(points) - used, diameter=diameter, spacing=spacing, strange=strange,
        off=_off(balls, diameter, factor, spacing),
        notes=_check_notes(balls, factor, factor_sd, spacing, strange),
    )  # fmt: skip


def check_plate(points: Array) -> ArtefactCheck:
    """Return the check of a scanner on a flat plate: flatness error and scatter, mm.

    The plane that holds most points is the plate; what lies farther off than 1 % of its extent
    is left out.

    Raises
    ------
    footscan.errors.ScanQualityError
        No plane holds half of the points.
    """
    points = as_points(points)
    extent = float(np.linalg.norm(np.ptp(np.percentile(points, [2, 98], axis=0), axis=0)))
    band = 0.01 * extent
    normal, offset = _main_plane(points, band)
    near = np.abs(points @ normal - offset) <= band
    if near.sum() < max(100, 0.5 * len(points)):
        raise ScanQualityError(
            "no flat plate was found in the scan; scan the plate alone, so that it fills the scan"
        )
    residual = points[near] @ normal - offset
    residual -= residual.mean()
    figures = (
        Figure(name="flatness_error", value=float(np.ptp(residual)), unit="mm"),
        Figure(name="scatter", value=float(residual.std()), unit="mm"),
    )
    shell, form = _thinnest(residual), limits()["form"].limit
    strange = (
        f"95 % of the plate's points lie between two planes {shell:.1f} mm apart, more than "
        f"{form:g} mm: this is no flat plate, or the scanner bends it.",
    ) * (shell > form)
    return ArtefactCheck(
        kind="plate", figures=figures, points_used=int(near.sum()),
        points_left_out=int((~near).sum()), strange=strange,
        notes=("A plate shows bending and noise, not scale.", NO_CERTIFICATE),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ball:
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


def _find_ball(points: Array, radius: float) -> _Ball:
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
    normal, offset = _main_plane(around, 0.03 * radius)
    share = (np.abs(around @ normal - offset) <= 0.03 * radius).mean()
    gap = abs(float(centre @ normal) - offset)
    if share < 0.4 or gap < 0.5 * radius:
        return clear
    return np.asarray(np.abs(points @ normal - offset) > 0.2 * radius)


def _main_plane(points: Array, tolerance: float) -> tuple[Array, float]:
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


def _ball_of(points: Array, centre: Array, radius: float, alone: float) -> _Ball:
    """Return the ball with the uncertainty that its residuals and its cap give."""
    away = points - centre
    reach = np.linalg.norm(away, axis=1)
    design = np.column_stack([-away / reach[:, None], -np.ones(len(points))])
    residuals = reach - radius
    spread = float((residuals**2).sum() / (len(points) - 4))
    covariance = spread * np.linalg.inv(design.T @ design)
    mean_way = np.linalg.norm((away / reach[:, None]).mean(axis=0))
    return _Ball(
        centre=centre, radius=radius, covariance=covariance[:3, :3],
        sd_radius=float(np.sqrt(covariance[3, 3])), residuals=residuals,
        seen=float(1 - mean_way), **_stretch(away / reach[:, None], residuals, radius), alone=alone,
    )  # fmt: skip


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


def _thinnest(residuals: Array) -> float:
    """Return the width of the thinnest shell that holds 95 % of the points, mm."""
    ordered = np.sort(residuals)
    count = int(np.ceil(DISPERSION_SHARE * len(ordered)))
    return float((ordered[count - 1 :] - ordered[: len(ordered) - count + 1]).min())


def _ball_figures(ball: _Ball, diameter: float, number: int) -> list[Figure]:
    """Return size and form errors of a ball."""
    mark = f"_{number}"
    sd = 2 * ball.sd_radius
    return [
        Figure(name="diameter" + mark, value=2 * ball.radius, unit="mm", sd=sd),
        Figure(
            name="probing_size_error" + mark, value=2 * ball.radius - diameter, unit="mm", sd=sd
        ),
        Figure(name="probing_form_error" + mark, value=float(np.ptp(ball.residuals)), unit="mm"),
        Figure(name="probing_dispersion" + mark, value=_thinnest(ball.residuals), unit="mm"),
        Figure(name="scatter" + mark, value=float(ball.residuals.std()), unit="mm"),
    ]


def _strange(ball: _Ball, number: int) -> list[str]:
    """Return why a fitted ball is none, a sentence each."""
    allowed = {name: limit.limit for name, limit in limits().items()}
    shell, stretch, band = _thinnest(ball.residuals), 100 * ball.stretch, BAND * ball.sd_stretch
    found = []
    if 100 * ball.alone < allowed["ball-alone"]:
        found.append(
            f"only {100 * ball.alone:.0f} % of the points about ball {number} lie on a ball of "
            f"{2 * ball.radius:.1f} mm (at least {allowed['ball-alone']:g} %): this is something "
            "else than a ball; scan the ball itself."
        )
    if shell > allowed["form"]:
        found.append(
            f"95 % of the points of ball {number} lie in a shell {shell:.1f} mm thick, more than "
            f"{allowed['form']:g} mm: this is no ball, or the scanner's noise is too large for "
            "feet; scan the ball again."
        )
    if 100 * ball.seen < allowed["ball-seen"]:
        found.append(
            f"too little of ball {number} was seen to tell its form: scan it from more sides."
        )
    elif 100 * band > allowed["stretch"]:
        found.append(
            f"whether ball {number} is round cannot be told to {allowed['stretch']:g} %: scan it "
            "from more sides, or more finely."
        )
    elif stretch > allowed["stretch"]:
        found.append(
            f"ball {number} is {stretch:.1f} % longer one way than another, more than "
            f"{allowed['stretch']:g} %: the scanner stretches what it sees, or this is no ball; "
            "have the scanner calibrated."
        )
    return found


def _off(
    balls: list[_Ball], diameter: float, factor: float, spacing: float | None
) -> tuple[str, ...]:
    """Return which sizes of an artefact read wrong, a sentence each."""
    allowed = {name: limit.limit for name, limit in limits().items()}
    most, off, found = allowed["scale-error"], 100 * (factor - 1), []
    if abs(off) > most:
        found.append(
            f"the scale reads {off:+.2f} %, more than {most:g} % off: check the stated "
            f"{'spacing' if spacing is not None else 'diameter'}, then have the scanner calibrated."
        )
    for number, ball in enumerate(balls, start=1):
        error = 2 * ball.radius - diameter
        if spacing is not None and abs(error) > allowed["ball-size"]:
            found.append(
                f"ball {number} reads {2 * ball.radius:.2f} mm, {error:+.2f} mm off the stated "
                f"diameter, more than {allowed['ball-size']:g} mm: check the diameter; lighting "
                "and edges may swell or shrink a ball."
            )
    return tuple(found)


def _check_notes(
    balls: list[_Ball],
    factor: float,
    factor_sd: float,
    spacing: float | None,
    strange: tuple[str, ...],
) -> tuple[str, ...]:
    """Return the words beside a ball check; of a thing that is no ball, no scale is told."""
    if strange:
        return (NO_CERTIFICATE,)
    source = "spacing" if spacing is not None else "diameter"
    off = 100 * (factor - 1)
    told = abs(factor - 1) > BAND * factor_sd
    notes = [
        f"By the {source} the scanner reads {abs(off):.3f} % {'long' if off > 0 else 'short'}; "
        f"multiply by {1 / factor:.5f} to correct."
        if told
        else f"By the {source} no scale error beyond ± {100 * BAND * factor_sd:.3f} % shows."
    ]
    if spacing is None:
        notes.append("A ball's size depends on edges and lighting: a ball bar tells scale better.")
    notes.append("The uncertainty is that of the fit; that of the artefact itself comes on top.")
    return (*notes, NO_CERTIFICATE)


def _words(name: str) -> str:
    """Return a figure's name in words: ``probing_size_error_2`` is that of ball 2."""
    stem, _, number = name.rpartition("_")
    words = f"{stem}, ball {number}" if number.isdigit() else name
    return words.replace("_", " ")
