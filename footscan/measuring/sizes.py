"""Shoe sizes from foot length and breadth, formulas named.

    measures -> sizes.sizes -> dict

Sizes are a guide only: shoe makers differ. The adult formulas are not used below 215 mm.
"""

from __future__ import annotations

import math
from enum import StrEnum

from footscan.scan import Load

__all__ = [
    "ADULT_MIN_MM",
    "GROWTH_TO_HALF",
    "EuRule",
    "eu",
    "half_load_length",
    "mondopoint",
    "sizes",
    "uk",
    "us_men",
    "us_women",
]

MM_PER_INCH = 25.4
ADULT_MIN_MM = 215.0  # below the 0.1 % of adult women's feet (ANSUR II 2012: shortest 198 mm)
MONDO_STEP_MM = 5.0
# Foot length from hanging to standing on both feet, share of length: men 14.94 to 15.10 % of
# stature, that is +1.07 %, women 14.56 to 14.72 %, +1.10 % (Xiong et al. 2009, Ergonomics, 30
# people); the men's figure serves both, they are 0.1 mm apart.
GROWTH_TO_HALF = 0.0107


class EuRule(StrEnum):
    """Two rules in use, 0.25 apart."""

    TWO_POINTS = "1.5 L + 2"
    FIFTEEN_MM = "1.5 (L + 1.5)"


def mondopoint(length_mm: float, breadth_mm: float | None = None) -> str:
    """Return Mondopoint length/width in mm (ISO 9407), length on the 5 mm grid.

    Examples
    --------
    >>> mondopoint(267.0, 101.8)
    '265/102'
    """
    size = int(MONDO_STEP_MM * math.floor(length_mm / MONDO_STEP_MM + 0.5))  # halves go up
    return f"{size}/{math.floor(breadth_mm + 0.5)}" if breadth_mm is not None else f"{size}"


def eu(length_mm: float, rule: EuRule = EuRule.TWO_POINTS) -> float:
    """Return the EU size (Paris points of 2/3 cm) for a foot length.

    Examples
    --------
    >>> eu(260.0), eu(260.0, EuRule.FIFTEEN_MM)
    (41.0, 41.25)
    """
    length_cm = length_mm / 10
    if rule is EuRule.TWO_POINTS:
        return 1.5 * length_cm + 2
    return 1.5 * (length_cm + 1.5)


def uk(length_mm: float) -> float:
    """Return the adult UK size: barleycorns of 1/3 inch, two of allowance."""
    return 3 * length_mm / MM_PER_INCH - 23


def us_men(length_mm: float) -> float:
    """Return the US men's size, one above the UK size."""
    return uk(length_mm) + 1


def us_women(length_mm: float) -> float:
    """Return the US women's size, 1.5 above the men's."""
    return us_men(length_mm) + 1.5


def sizes(
    length_mm: float, breadth_mm: float | None, rule: EuRule = EuRule.TWO_POINTS
) -> dict[str, object]:
    """Return all sizes; below the adult range only Mondopoint, with the reason."""
    if length_mm < ADULT_MIN_MM:
        return {
            "mondopoint": mondopoint(length_mm, breadth_mm),
            "reason": f"below {ADULT_MIN_MM:g} mm the adult formulas do not hold",
        }
    return {
        "mondopoint": mondopoint(length_mm, breadth_mm),
        "eu": round(eu(length_mm, rule), 2),
        "uk": round(uk(length_mm), 2),
        "us_men": round(us_men(length_mm), 2),
        "us_women": round(us_women(length_mm), 2),
        "formula": f"EU {rule.value} (cm); UK 3 L - 23 (inch); US men UK + 1, women men + 1.5",
    }


def half_load_length(
    length_mm: float, load: Load, growth: float = GROWTH_TO_HALF
) -> tuple[float, float]:
    """Return the length expected on both feet, and the deviation that the growth adds, mm.

    An expectation, not a measurement. Only an unloaded foot is lengthened; for any other state
    the length comes back as it is, with a deviation of 0.

    Parameters
    ----------
    length_mm : float
        Measured foot length.
    load : Load
        State in which it was measured.
    growth : float
        Share of length that the foot gains. It is a mean of 30 people: half of it is given as
        the deviation, which covers their spread.

    Examples
    --------
    >>> half_load_length(265.0, Load.NONE)[0]
    267.8355
    """
    if load is not Load.NONE:
        return length_mm, 0.0
    gain = growth * length_mm
    return length_mm + gain, gain / 2
