"""Findings about a scan, and the verdict that follows: the technician's view.

    Settled foot + raw scan -> quality.inspect -> ScanReport

Each finding carries a stable code, a severity, one sentence, advice, a region, and the measured
value against its limit. Limits and their reasons stand in ``data/quality.toml``.

    limits    limits, and how a value becomes a finding
    view      what is looked at: the foot, the raw scan, lines through both
    sole      what of the sole was seen
    surface   spacing, noise, waves, skin seen twice
    smoothing what a program smoothed over
    mesh      the file, its mesh, and what lay beside the foot
    shape     clipped ends, leg, floor, mirror image
    toes      how the toes were held
    claims    load, scale, side and proportions against what is known
    pair      two feet, or two scans, against each other
    maps      coverage and noise over the foot, for pictures
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from footscan.finding.cleaning import Cleaned
from footscan.measuring.pose import Settled
from footscan.quality import claims, mesh, shape, smoothing, sole, surface, toes
from footscan.quality.limits import Evidence, Limit, limits
from footscan.quality.sole import is_filled, is_missing
from footscan.quality.surface import noise_mm, spacing_mm
from footscan.quality.view import view
from footscan.results import Finding, Landmark, Measure, ScanReport, Severity, Verdict
from footscan.scan import Scan

__all__ = [
    "Evidence",
    "Limit",
    "inspect",
    "is_filled",
    "is_missing",
    "limits",
    "noise_mm",
    "spacing_mm",
    "verdict",
]

# a note, and the findings that explain it
ECHOES = {
    "skin-hole": {"toes-cut", "heel-cut", "border-cut"},
    "load-contradicted": {"floor-tilt", "floor-gap", "sole-missing", "heel-seen", "ball-seen"},
}


def inspect(
    settled: Settled,
    cleaned: Cleaned,
    measures: Mapping[str, Measure],
    evidence: Evidence,
    scan: Scan | None = None,
    landmarks: Mapping[str, Landmark] | None = None,
) -> ScanReport:
    """Return the findings and the verdict.

    Parameters
    ----------
    settled, cleaned : Settled, Cleaned
        The posed foot, and what cleaning took away.
    measures : mapping of str to Measure
        From :func:`footscan.measuring.measures.measure`.
    evidence : Evidence
        What the user said.
    scan : Scan or None
        The scan that was cleaned, mm. Without it, the cleaned surface stands in, and nothing is
        said of what lay beside the foot.
    landmarks : mapping of str to Landmark, optional
        From :func:`footscan.measuring.landmarks.find`; the heads are held against people's.
    """
    seen = view(settled, cleaned, scan)
    found = [
        *sole.findings(seen),
        *surface.findings(seen),
        *smoothing.findings(seen),
        *mesh.findings(seen, evidence.card_at),
        *shape.findings(seen),
        *toes.findings(seen),
        *claims.loading(settled, evidence),
        *claims.scale(measures, evidence),
        *claims.side(evidence),
        *claims.proportions(measures),
        *claims.ball_line(measures, landmarks),
        *claims.ball_unsure(measures),
    ]
    found += claims.among_strays(found)
    found += claims.unusual_sole(found, settled.foot.kind)
    found = _without_echoes(found)
    return ScanReport(verdict=verdict(found), findings=tuple(found))


def _without_echoes(found: Sequence[Finding]) -> list[Finding]:
    """Return the findings without notes that only repeat a worse one in other words."""
    codes = {f.code for f in found}
    gone = {echo for echo, causes in ECHOES.items() if codes & causes}
    return [f for f in found if f.code not in gone or f.severity is not Severity.NOTE]


def verdict(findings: Sequence[Finding]) -> Verdict:
    """Return the verdict that the worst finding leads to."""
    worst = {f.severity for f in findings}
    if Severity.AGAIN in worst:
        return Verdict.AGAIN
    return Verdict.MEASURING if Severity.MEASURING in worst else Verdict.MAKING
