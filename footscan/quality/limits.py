"""Limits of the scan check, and how a value that passes one becomes a finding.

    data/quality.toml -> limits -> grade -> Finding

Limits follow from what making needs: a millimetre under the arch matters, a hole on the instep
does not. Each has its reason in the file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from footscan.results import Finding, Severity
from footscan.scan import Load

__all__ = ["Evidence", "Limit", "grade", "limits", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Values beyond which a finding weighs more, with the reason.

    Attributes
    ----------
    making, measuring : float
        Beyond the first the scan is for measuring only, beyond the second it is sent back;
        infinite (either sign) where it never is.
    note : float or None
        Beyond this the finding is a note; None: nothing is said before `making` is passed.
    rising : bool
        True when larger is worse.
    unit, why : str
        Unit of the three, what is counted in it, and the reason for them.
    """

    making: float
    measuring: float
    unit: str
    why: str
    note: float | None = None
    rising: bool = True

    @property
    def unit_word(self) -> str:
        """The unit alone, as it stands behind a number."""
        word = self.unit.split()[0].strip(",")
        return "deg" if word == "degrees" else word

    def weigh(self, value: float) -> tuple[Severity, float] | None:
        """Return the severity of `value` and the limit that it passed, None within all."""
        sign = 1.0 if self.rising else -1.0
        rows = (
            (Severity.AGAIN, self.measuring),
            (Severity.MEASURING, self.making),
            (Severity.NOTE, self.note),
        )
        for severity, limit in rows:
            if limit is not None and sign * value > sign * limit:
                return severity, limit
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known beside the scan.

    Attributes
    ----------
    hand_length : float or None
        Foot length measured by hand, mm.
    scale_vouched : bool or None
        Whether the log of the scanner's checks vouches for the scale; None: no log was given.
    scale_words : str
        What the log says, one sentence.
    card_off : float or None
        How far the scale that was used is off that of a card in the scan, %; None: no card that
        could vouch.
    card_words : str
        What was seen of the card, one sentence; empty: it was not looked for.
    card_at : tuple of float or None
        The card's middle in the scan, mm.
    hand_held : bool
        True for a scanner or telephone moved by hand, whose scale drifts.
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
    scale_vouched: bool | None = None
    scale_words: str = ""
    card_off: float | None = None
    card_words: str = ""
    card_at: tuple[float, ...] | None = None
    hand_held: bool = False
    side_stated: bool = False
    side_contradicted: bool = False
    side_ratio: float = 2.0
    load: Load = Load.UNKNOWN


@lru_cache(maxsize=1)
def limits() -> Mapping[str, Limit]:
    """Return the limits by finding code."""
    text = resources.files("footscan").joinpath("data/quality.toml").read_text("utf-8")
    return {code: Limit(**row) for code, row in tomllib.loads(text).items()}


def grade(code: str, value: float, text: str, advice: str, region: str) -> list[Finding]:
    """Return a finding if `value` passes a limit of `code`, else nothing."""
    weight = limits()[code].weigh(value)
    if weight is None:
        return []
    severity, limit = weight
    return [
        Finding(
            code=code,
            severity=severity,
            text=text,
            advice=advice,
            region=region,
            value=round(value, 3),
            limit=limit,
            unit=limits()[code].unit_word,
        )
    ]


def note(code: str, text: str, advice: str, region: str = "scan") -> Finding:
    """Return a note that has no value."""
    return Finding(code=code, severity=Severity.NOTE, text=text, advice=advice, region=region)
