"""An entry of a scanner's log as a passed check leaves it."""

from __future__ import annotations

from datetime import date

from footscan.checking.entry import Entry


def entry(day: date, not_passed: str = "") -> Entry:
    """Return the entry of a ball of 50 mm that the scanner ``north`` saw on a day."""
    return Entry(
        date=day,
        scanner="north",
        artefact="ball",
        diameter_mm=50.0,
        spacing_mm=None,
        measured_diameter_mm=50.0,
        measured_spacing_mm=None,
        size_error_mm=0.0,
        form_error_mm=0.1,
        spacing_error_mm=None,
        flatness_error_mm=None,
        scale_factor=1.0,
        scale_sd=1e-4,
        not_passed=not_passed,
        scan="a.ply",
        software="1",
    )
