"""One check of a scanner, as it stands in the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = ["NAME_LONGEST", "Entry"]

NAME_LONGEST = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One check of one scanner: a line of the log.

    Attributes
    ----------
    date : datetime.date
        Day of the scan.
    scanner, artefact : str
        Name of the scanner; ``"ball"``, ``"ball bar"`` or ``"plate"``.
    diameter_mm, spacing_mm : float or None
        What was stated; None where the artefact has none.
    measured_diameter_mm, measured_spacing_mm : float or None
        What was fitted; of two balls the one farther off.
    size_error_mm, form_error_mm, spacing_error_mm, flatness_error_mm : float or None
        See :mod:`footscan.checking.artefact`; of two balls the larger.
    scale_factor, scale_sd : float or None
        Measured over stated length and its standard deviation; None where what was scanned is not
        the artefact that was stated, so that it has no scale.
    not_passed : str
        Why the check did not pass; empty for one that did, which alone is evidence.
    scan, software : str
        File that was checked, version that checked it.
    """

    date: date
    scanner: str
    artefact: str
    diameter_mm: float | None
    spacing_mm: float | None
    measured_diameter_mm: float | None
    measured_spacing_mm: float | None
    size_error_mm: float | None
    form_error_mm: float | None
    spacing_error_mm: float | None
    flatness_error_mm: float | None
    scale_factor: float | None
    scale_sd: float | None
    not_passed: str
    scan: str
    software: str

    @property
    def series(self) -> tuple[str, str, float | None, float | None]:
        """What two checks must share to be laid on one line."""
        return self.scanner, self.artefact, self.diameter_mm, self.spacing_mm
