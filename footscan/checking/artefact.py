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

from footscan.checking.artefact_limits import limits
from footscan.checking.ball import Ball, Figure, ball_figures, find_ball, main_plane, thinnest_way
from footscan.errors import ScanQualityError
from footscan.scan import Array, as_points

__all__ = ["ArtefactCheck", "check_artefact", "check_plate"]

BAND = 1.96  # standard deviations in a 95 % band
NO_CERTIFICATE = (
    "This is a check of one scanner on one day, not a certificate: acceptance by VDI/VDE 2634 or "
    "ISO 10360-13 needs calibrated artefacts in many places of the measuring volume."
)


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
            "kind": self.kind,
            "diameter_mm": self.diameter,
            "spacing_mm": self.spacing,
            "figures": {
                f.name: {"value": round(f.value, 6), "unit": f.unit}
                | ({"sd": round(f.sd, 6)} if f.sd is not None else {})
                for f in self.figures
            },
            "points_used": self.points_used,
            "points_left_out": self.points_left_out,
            "passed": self.passed,
            "not_passed_because": [*self.strange, *self.off],
            "notes": list(self.notes),
        }


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
        ball = find_ball(left, diameter / 2)
        balls.append(ball)
        left = left[np.linalg.norm(left - ball.centre, axis=1) > 1.2 * ball.radius]
    figures = [f for i, ball in enumerate(balls) for f in ball_figures(ball, diameter, i + 1)]
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
        kind="ball" if spheres == 1 else "ball bar",
        figures=tuple(figures),
        points_used=used,
        points_left_out=len(points) - used,
        diameter=diameter,
        spacing=spacing,
        strange=strange,
        off=_off(balls, diameter, factor, spacing),
        notes=_check_notes(balls, factor, factor_sd, spacing, strange),
    )


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
    normal, offset = main_plane(points, band)
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
    shell, form = thinnest_way(residual), limits()["form"].limit
    strange = (
        f"95 % of the plate's points lie between two planes {shell:.1f} mm apart, more than "
        f"{form:g} mm: this is no flat plate, or the scanner bends it.",
    ) * (shell > form)
    return ArtefactCheck(
        kind="plate",
        figures=figures,
        points_used=int(near.sum()),
        points_left_out=int((~near).sum()),
        strange=strange,
        notes=("A plate shows bending and noise, not scale.", NO_CERTIFICATE),
    )


def _strange(ball: Ball, number: int) -> list[str]:
    """Return why a fitted ball is none, a sentence each."""
    allowed = {name: limit.limit for name, limit in limits().items()}
    shell, stretch, band = thinnest_way(ball.residuals), 100 * ball.stretch, BAND * ball.sd_stretch
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
    balls: list[Ball], diameter: float, factor: float, spacing: float | None
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
    balls: list[Ball],
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
