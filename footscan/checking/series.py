"""A series of people measured by scan and by hand, judged by ISO 20685."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from footscan import typed
from footscan.errors import ScanReadError
from footscan.files import TooLargeError, read_bounded
from footscan.quality.limits import limits

__all__ = [
    "BAND",
    "FOOT_LIMIT_MM",
    "ISO_PEOPLE",
    "Difference",
    "RuleVerdict",
    "SeriesVerdict",
    "iso_20685_rule",
    "judge_series",
]

BAND = 1.96  # standard deviations in a 95 % band
ISO_PEOPLE = 40  # ISO 20685 asks for at least so many subjects (value from memory)
# ISO 20685-1:2018, as quoted in Gupta & Zakaria (eds), pp. 41-42: feet, and small girths
FOOT_LIMIT_MM = 2.0

GROSS = ("foot length", "foot breadth", "heel breadth max", "heel to ball length", "ball girth")
SMALL_GIRTH_LIMIT_MM = 4.0
LARGEST_MM = 1000.0  # of any measure of a foot
SERIES_BYTES = 5_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVerdict:
    """What the decision rule for scanned body measures says.

    Attributes
    ----------
    lower, upper : float
        95 % confidence interval of the mean error, mm.
    limit : float
        Largest mean error allowed, mm.
    holds : bool or None
        Whether the interval lies within the limit; None where too few people were measured.
    words : str
        The verdict in one sentence.
    """

    lower: float
    upper: float
    limit: float
    holds: bool | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesVerdict:
    """One measure of a series of people, scanned and measured by hand.

    Attributes
    ----------
    n : int
        People; several lines of one person count as their mean.
    mean, sd : float
        Of the errors, scan minus hand, mm.
    rules : tuple of RuleVerdict
        Against the limit of feet; a girth also against that of small girths.
    """

    measure: str
    n: int
    mean: float
    sd: float
    rules: tuple[RuleVerdict, ...]

    def as_text(self) -> str:
        """Return the verdicts for a person to read."""
        head = f"{self.measure}: scan minus hand {self.mean:+.2f} ± {self.sd:.2f} mm (sd)"
        return "\n".join([head, *(f"  {rule.words}" for rule in self.rules)])

    def as_record(self) -> dict[str, Any]:
        """Return the verdicts for JSON."""
        return {
            "measure": self.measure,
            "people": self.n,
            "mean_mm": round(self.mean, 4),
            "sd_mm": round(self.sd, 4),
            "rules": [
                {
                    "limit_mm": rule.limit,
                    "lower_mm": round(rule.lower, 4),
                    "upper_mm": round(rule.upper, 4),
                    "holds": rule.holds,
                    "words": rule.words,
                }
                for rule in self.rules
            ],
        }


def iso_20685_rule(
    mean_error: float, sd: float, n: int, limit: float = FOOT_LIMIT_MM
) -> RuleVerdict:
    """Return what ISO 20685-1 says of a scanned measure against the hand-measured one.

    Parameters
    ----------
    mean_error, sd : float
        Mean and standard deviation of scan minus hand measure over `n` people, mm.
    limit : float
        Largest mean error allowed: 2 mm for feet.

    Notes
    -----
    Both ends of ``mean_error ± 1.96 sd / sqrt(n)`` must lie within ``± limit``. With fewer than
    40 people nothing is claimed.

    Examples
    --------
    >>> iso_20685_rule(0.5, 2.0, 40).holds
    True
    >>> iso_20685_rule(0.5, 2.0, 12).holds is None
    True
    """
    if n < 2 or not sd >= 0 or not limit > 0 or not np.isfinite(mean_error):
        raise ValueError(
            f"needs n >= 2, sd >= 0 and limit > 0, got n {n}, sd {sd}, limit {limit}, "
            f"mean error {mean_error}"
        )
    half = BAND * sd / np.sqrt(n)
    lower, upper = float(mean_error - half), float(mean_error + half)
    interval = f"95 % interval of the mean error {lower:+.2f} to {upper:+.2f} mm"
    if n < ISO_PEOPLE:
        words = (
            f"no verdict: {interval}, but ISO 20685 asks for at least {ISO_PEOPLE} people and "
            f"{n} were measured"
        )
        return RuleVerdict(lower=lower, upper=upper, limit=limit, holds=None, words=words)
    holds = max(abs(lower), abs(upper)) <= limit
    words = f"{'within' if holds else 'not within'} the limit of {limit:g} mm: {interval}, n {n}"
    return RuleVerdict(lower=lower, upper=upper, limit=limit, holds=holds, words=words)


def judge_series(path: str | Path) -> tuple[SeriesVerdict, ...]:
    """Return what the decision rule says of each measure in a table of scans and hand measures.

    Parameters
    ----------
    path : path-like
        CSV with a line per person and the columns ``scan`` and ``hand``, or ``difference`` (scan
        minus hand), in mm; ``measure`` and ``person`` may stand beside them. Columns are parted
        by commas, or by semicolons or tabs with decimal points or commas.

    Raises
    ------
    footscan.errors.ScanReadError
        The table cannot be read, or holds fewer than two people.
    """
    path = Path(path)
    errors: dict[str, dict[str, list[float]]] = {}
    for number, row in _table(path):
        person = row.get("person") or f"line {number}"
        people = errors.setdefault(row.get("measure") or "difference", {})
        people.setdefault(person, []).append(_error_in(path, number, row))
    found = []
    for measure, people in errors.items():
        values = np.array([np.mean(own) for own in people.values()])
        if len(values) < 2:
            raise ScanReadError(
                f"{path.name} holds one person for {measure[:40]}; give at least two"
            )
        mean, sd = float(values.mean()), float(values.std(ddof=1))
        allowed = [FOOT_LIMIT_MM] + [SMALL_GIRTH_LIMIT_MM] * ("girth" in measure)
        rules = tuple(iso_20685_rule(mean, sd, len(values), limit) for limit in allowed)
        found.append(SeriesVerdict(measure=measure, n=len(values), mean=mean, sd=sd, rules=rules))
    return tuple(found)


def outside_limits(differences: tuple[Difference, ...], rms: float) -> tuple[str, ...]:
    """Return in words what two scans of one foot may not differ by."""
    apart = {
        d.name.replace("_", " "): abs(d.value) for d in differences if d.unit == "mm" and d.beyond
    }
    measure, surface = limits()["repeat-measure"], limits()["repeat-surface"]
    gross = {name: off for name, off in apart.items() if name in GROSS and off > measure.measuring}
    if gross or rms > surface.measuring:
        told = [f"{name} {off:.1f} mm" for name, off in gross.items()]
        told += [f"surfaces {rms:.1f} mm rms"] * (rms > surface.measuring)
        return (
            f"These are not two scans of one foot alike: {', '.join(told)} apart (at most "
            f"{measure.measuring:g} and {surface.measuring:g} mm). Check that both files are of "
            "one foot, in one scale and one load; else scan again.",
        )
    found = []
    large = [f"{name} {off:.1f} mm" for name, off in apart.items() if off > measure.making]
    if large:
        found.append(
            f"More than {measure.making:g} mm and more than chance apart: {', '.join(large)}. "
            "Which scan is right is not known: take a third."
        )
    if rms > surface.making:
        found.append(
            f"The surfaces lie {rms:.1f} mm rms apart, more than {surface.making:g} mm: the foot "
            "was held or loaded otherwise, or these are two feet."
        )
    return tuple(found)


def _table(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return the lines of a table by column, with their numbers in the file."""
    try:
        text = read_bounded(path, SERIES_BYTES).decode("utf-8-sig")
        if wrong := typed.fault("".join(text.split()), SERIES_BYTES):
            raise ScanReadError(f"{path.name} {wrong}; give a table saved as CSV (UTF-8)")
        head = text.split("\n", 1)[0]
        between = next((sign for sign in ("\t", ";") if sign in head), ",")
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True)
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except TooLargeError:
        raise ScanReadError(
            f"{path.name} is too large for a table of measures; give the CSV"
        ) from None
    except (OSError, UnicodeDecodeError, csv.Error):
        raise ScanReadError(f"{path} cannot be read; give a table saved as CSV (UTF-8)") from None
    names = [cell.strip().lower() for cell in rows[0][1]] if rows else []
    if "difference" not in names and not {"scan", "hand"} <= set(names):
        raise ScanReadError(
            f"{path.name} wants a first line with the columns scan and hand, or difference (mm); "
            "measure and person may stand beside them"
        )
    if len(rows) < 2:
        raise ScanReadError(f"{path.name} holds no measures below its headings; give a line each")
    found = []
    for number, row in rows[1:]:
        if len(row) != len(names):
            raise ScanReadError(
                f"{path.name}, line {number}: {len(row)} entries under {len(names)} headings; mend "
                "that line"
            )
        found.append((number, {n: c.strip() for n, c in zip(names, row, strict=True)}))
    return found


def _error_in(path: Path, number: int, row: dict[str, str]) -> float:
    """Return scan minus hand in one line, mm."""
    columns = ("difference",) if "difference" in row else ("scan", "hand")
    try:
        values = [float(row[column].replace(",", ".")) for column in columns]
        if not (np.abs(values) <= LARGEST_MM).all():  # nor what is no number
            raise ValueError
    except ValueError:
        raise ScanReadError(
            f"{path.name}, line {number}: {' and '.join(columns)} must be numbers in mm; mend that "
            "line"
        ) from None
    return values[0] if len(values) == 1 else values[0] - values[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One measure in two scans: values, first minus second, and whether it is beyond chance.

    Attributes
    ----------
    sd : float
        Combined standard deviation of both values, in `unit`.
    beyond : bool
        True when the difference exceeds 1.96 combined standard deviations.
    """

    name: str
    first: float
    second: float
    unit: str
    sd: float

    @property
    def value(self) -> float:
        """First minus second, in `unit`."""
        return self.first - self.second

    @property
    def over_limit(self) -> bool:
        """Whether a length differs by more than the 2 mm that ISO 20685-1 allows feet."""
        return self.unit == "mm" and abs(self.value) > FOOT_LIMIT_MM

    @property
    def beyond(self) -> bool:
        """Whether the difference is larger than the measures' own uncertainty explains."""
        return abs(self.value) > BAND * self.sd
