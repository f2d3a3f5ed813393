"""Standard deviations of landmarks and measures, by how good the scan is.

    Settled foot -> widening -> widened landmarks and measures

The standard deviations in :mod:`measuring.landmarks` and :mod:`measuring.measures` hold for scans
with noise up to 0.25 mm and points up to 2.5 mm apart. Beyond that they grow; how fast is read from
the perturbation study (tests/benchmarks/landmark_study.py): with noise of 0.4 mm most are
1.7 times as large, with points 3.1 mm apart 1.4 times, with both 2.5 times.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from footscan.quality.surface import noise_mm, spacing_mm
from footscan.results import Finding, Landmark, Measure, Severity
from footscan.scan import Array

__all__ = ["widened_landmarks", "widened_measures", "widening", "without_unseen"]

NOISE_MM, PER_NOISE_MM = 0.25, 4.5
SPACING_MM, PER_SPACING_MM = 2.5, 0.6
NOISE_MOST = 2.5
LOW_MM = 30.0  # the sole and the borders that most measures are read from
OF_THE_ARCH = ("arch_apex_height", "arch_index", "chippaux_smirak", "staheli")


def widening(points: Array) -> float:
    """Return the factor, 1 or more, by which standard deviations grow for this scan.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        Of the cleaned foot, foot frame, mm; those below 30 mm count.

    Examples
    --------
    >>> import numpy as np
    >>> x, y = np.meshgrid(np.arange(0.0, 60.0, 3.5), np.arange(0.0, 60.0, 3.5))
    >>> widening(np.stack([x, y, 0.001 * x * y], axis=-1).reshape(-1, 3))
    1.6
    """
    low = points[points[:, 2] <= LOW_MM]
    if len(low) < 60:
        return 1.0
    spacing = spacing_mm(low)
    # capped: on points far apart, curvature within a patch reads as noise
    by_noise = min(1 + PER_NOISE_MM * max(0.0, noise_mm(low, spacing) - NOISE_MM), NOISE_MOST)
    return round(by_noise * (1 + PER_SPACING_MM * max(0.0, spacing - SPACING_MM)), 2)


def widened_landmarks(found: Mapping[str, Landmark], factor: float) -> dict[str, Landmark]:
    """Return the landmarks with their deviations multiplied; those that were felt for stay."""
    return {
        name: mark if mark.felt else replace(mark, sd=mark.sd * factor)
        for name, mark in found.items()
    }


def widened_measures(found: Mapping[str, Measure], factor: float) -> dict[str, Measure]:
    """Return the measures with their deviations multiplied, to four places.

    Those read from a landmark set by hand stay: their deviation is that landmark's own, with
    automatic ones that were widened before.
    """
    return {
        name: m if m.sd is None or m.by_hand else replace(m, sd=round(m.sd * factor, 4))
        for name, m in found.items()
    }


def without_unseen(
    landmarks: Mapping[str, Landmark], found: Mapping[str, Measure], findings: Sequence[Finding]
) -> tuple[dict[str, Landmark], dict[str, Measure]]:
    """Return landmarks and measures without those whose place the findings say was not seen.

    20 mm clipped off a heel made its breadths 2 mm broad; a hole 33 mm across under the arch made
    an apex of 17 mm one of 10: far beyond their deviations, whatever these are.
    """
    gone: dict[str, str] = {}
    for finding in findings:
        if finding.code == "heel-cut":
            reason = (
                "the scan is clipped at the heel, from which its stations count; scan the heel "
                "again"
            )
            gone |= dict.fromkeys(("heel_breadth", "heel_breadth_max"), reason)
        hole = finding.code == "sole-hole" and finding.severity is Severity.AGAIN
        if hole and finding.region == "arch":
            reason = (
                f"a hole {finding.value:.0f} mm across is left under the arch, where it may be "
                "highest; scan the arch from below again"
            )
            gone |= {name: reason for name in OF_THE_ARCH if found[name].value is not None}
    marks = dict(landmarks)
    if "arch_apex_height" in gone:
        marks.pop("arch_apex", None)
    blank = {name: Measure(unit=found[name].unit, reason=why) for name, why in gone.items()}
    return marks, {**found, **blank}
