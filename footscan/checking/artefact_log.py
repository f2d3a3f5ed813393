"""The log of scanner checks, one line a check, and what it says of drift and scale.

    ArtefactCheck -> entry_of -> append -> CSV file -> read -> drift    -> per scanner, in words
                                                            -> evidence -> does it vouch for scale

A line once written is never changed: a new one is put behind it, and the file is replaced as a
whole or not at all. Limits and their reasons stand in ``data/scanner_log.toml``.

Terms
    series   checks of one scanner on one artefact: only these can be laid on one line
    drift    change of the scale factor over the time of a series, by a straight line
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import numpy as np
from scipy import special

from footscan import typed
from footscan.checking.artefact import BAND, ArtefactCheck
from footscan.checking.artefact_limits import Limit, limits
from footscan.checking.entry import NAME_LONGEST, Entry
from footscan.errors import ScanReadError

__all__ = ["Drift", "Limit", "ScaleEvidence", "drift", "entry_of", "evidence", "limits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What a series of checks shows over time.

    Attributes
    ----------
    entries : tuple of Entry
        In order of date.
    change, band : float or None
        Change of the scale factor between first and latest day, % of length, by a straight
        line, and half of its 95 % interval; None where it cannot be told.
    age : int
        Days since the latest check.
    sentences : tuple of str
        What must be done, and why.
    """

    entries: tuple[Entry, ...]
    change: float | None
    band: float | None
    age: int
    sentences: tuple[str, ...]

    def as_text(self) -> str:
        """Return the series for a person to read."""
        latest = self.entries[-1]
        rows = [f"{latest.scanner}, {_artefact_words(latest)}: {_counted(len(self.entries))}"]
        rows += [f"  {_entry_words(entry)}" for entry in self.entries]
        if self.change is not None and self.band is not None:
            days = (latest.date - self.entries[0].date).days
            rows.append(
                f"  straight line: scale {self.change:+.3f} ± {self.band:.3f} % in {days} days "
                "(± covers 95 %)"
            )
        elif latest.scale_factor is not None:
            rows.append("  checks on two days or more are needed to tell drift")
        return "\n".join([*rows, *(f"  {sentence}" for sentence in self.sentences)])

    def as_record(self) -> dict[str, Any]:
        """Return the series for JSON."""
        latest = self.entries[-1]
        return {
            "scanner": latest.scanner,
            "artefact": latest.artefact,
            "diameter_mm": latest.diameter_mm,
            "spacing_mm": latest.spacing_mm,
            "scale_change_percent": _rounded(self.change, 4),
            "scale_change_band_percent": _rounded(self.band, 4),
            "age_days": self.age,
            "sentences": list(self.sentences),
            "checks": [{**asdict(entry), "date": entry.date.isoformat()} for entry in self.entries],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleEvidence:
    """Whether the log vouches for the scale of a scan, and one sentence that says why or why not.

    Attributes
    ----------
    verified : bool
        True when the latest check is recent enough and its scale factor close to 1.
    words : str
        One sentence.
    """

    verified: bool
    words: str


def entry_of(check: ArtefactCheck, *, day: date, scanner: str, scan: str, software: str) -> Entry:
    """Return the line for a check.

    Raises
    ------
    footscan.errors.ScanReadError
        The scanner's name cannot stand in a log.
    """
    scanner = " ".join(scanner.split())
    wrong = typed.fault(scanner, NAME_LONGEST)
    if wrong or not scanner[:1].isalnum():
        raise ScanReadError(
            f"a scanner's name starts with a letter or digit and has up to {NAME_LONGEST} "
            f"characters that can be printed, got {typed.shown(scanner)[:80]!r}; give another "
            "name"
        ).asking("scanner")
    scan = typed.shown(scan).lstrip("=+-@ ") or "scan"  # a spreadsheet takes those for formulas
    found = {figure.name: figure for figure in check.figures}
    sizes = [i for i in (1, 2) if f"probing_size_error_{i}" in found]
    worst = max(sizes, key=lambda i: abs(found[f"probing_size_error_{i}"].value), default=None)
    forms = [found[f"probing_form_error_{i}"].value for i in sizes]

    scaled = "scale_factor" in found and not check.strange

    def value(name: str) -> float | None:
        return _rounded(found[name].value, 6) if name in found else None

    return Entry(
        date=day,
        scanner=scanner,
        artefact=check.kind,
        diameter_mm=check.diameter,
        spacing_mm=check.spacing,
        measured_diameter_mm=value(f"diameter_{worst}"),
        measured_spacing_mm=value("sphere_spacing"),
        size_error_mm=value(f"probing_size_error_{worst}"),
        form_error_mm=_rounded(max(forms), 6) if forms else None,
        spacing_error_mm=value("sphere_spacing_error"),
        flatness_error_mm=value("flatness_error"),
        scale_factor=value("scale_factor") if scaled else None,
        scale_sd=_rounded(found["scale_factor"].sd, 7) if scaled else None,
        not_passed=" ".join([*check.strange, *check.off]),
        scan=scan,
        software=software,
    )


def drift(entries: Sequence[Entry], today: date) -> tuple[Drift, ...]:
    """Return what each series shows over time, in order of scanner and artefact.

    Parameters
    ----------
    entries : sequence of Entry
        Of any scanners, in any order.
    today : datetime.date
        From which ages are counted.

    Notes
    -----
    The change is that of a least squares line over all checks, its interval from their scatter
    about it (Student's t with n - 2 degrees of freedom); two days give their difference, with
    the interval of both fits.
    """
    entries, later = _dated(entries, today)
    latest = {entry.scanner: entry.date for entry in sorted(entries, key=lambda e: e.date)}
    found = []
    for key in sorted({entry.series for entry in entries}, key=str):
        own = tuple(sorted((e for e in entries if e.series == key), key=lambda e: e.date))
        change, band = _change(own)
        found.append(
            Drift(
                entries=own,
                change=change,
                band=band,
                age=(today - own[-1].date).days,
                sentences=(*_sentences(own, change, (today - latest[key[0]]).days), *later),
            )
        )
    return tuple(found)


def evidence(entries: Sequence[Entry], today: date, scanner: str = "") -> ScaleEvidence:
    """Return whether the latest check of a scanner vouches for the scale of its scans.

    Parameters
    ----------
    scanner : str
        May be left out where the log holds one scanner only.

    Raises
    ------
    footscan.errors.ScanReadError
        The log does not hold that scanner, or several and none was named.
    """
    names = sorted({entry.scanner for entry in entries})
    if not scanner and len(names) > 1:
        raise ScanReadError(f"the log holds {', '.join(names)}: say which one").asking("scanner")
    scanner = " ".join(scanner.split()) or (names[0] if names else "")
    if scanner not in names:
        raise ScanReadError(
            f"the log holds no check of {scanner or 'any scanner'}"
            + (f", only of {', '.join(names)}" if names else "")
            + "; check the scanner first and keep it in the log"
        )
    scaled = [e for e in entries if e.scanner == scanner and e.artefact != "plate"]
    if not scaled:
        return ScaleEvidence(
            verified=False, words=f"{scanner} was never checked on a ball: a plate shows no scale."
        )
    dated, later = _dated(scaled, today)
    last = max(reversed(dated), key=lambda entry: entry.date)  # of one day, the last in the log
    found = _vouched(last, (today - last.date).days)
    bad = any(entry.not_passed for entry in scaled if entry not in dated)  # whenever it was
    return ScaleEvidence(verified=found.verified and not bad, words=" ".join([found.words, *later]))


def _dated(entries: Sequence[Entry], today: date) -> tuple[Sequence[Entry], tuple[str, ...]]:
    """Return the checks that are not later than tomorrow, and what is to be said of the others.

    One with a mistyped year would be the latest for good. Where there is nothing else they stay.
    """
    good = [entry for entry in entries if (entry.date - today).days <= 1]
    if not good or len(good) == len(entries):
        return entries, ()
    days = sorted({entry.date.isoformat() for entry in entries if entry not in good})
    return good, (f"Left out, as dated in the future: {', '.join(days)}; mend those lines' date.",)


def _vouched(last: Entry, age: int) -> ScaleEvidence:
    """Return what the latest check with a scale says."""
    off = 100 * ((last.scale_factor or 1.0) - 1)
    when = f"{last.scanner} was checked on {last.date.isoformat()}, {_days(age)}"
    if not 0 <= age < limits()["check-age"].limit:
        words = f"{when}: no evidence for the scale; check it on a ball bar."
        return ScaleEvidence(verified=False, words=words)
    if abs(off) > limits()["scale-error"].limit:
        words = f"{when}, and read {off:+.2f} %: have it calibrated before its scans are used."
        return ScaleEvidence(verified=False, words=words)
    if last.not_passed:
        words = f"{when}, and did not pass: {last.not_passed}"
        return ScaleEvidence(verified=False, words=words)
    return ScaleEvidence(verified=True, words=f"{when}: its scale read {off:+.2f} %.")


def _change(entries: Sequence[Entry]) -> tuple[float | None, float | None]:
    """Return change of the scale over the series and half its 95 % interval, %."""
    known = [e for e in entries if e.scale_factor is not None]
    if not known or known[0].date == known[-1].date:
        return None, None
    days = np.array([(e.date - known[0].date).days for e in known], dtype=float)
    scale = 100 * np.array([e.scale_factor for e in known], dtype=float)
    spread = days - days.mean()
    slope = float(spread @ scale / (spread @ spread))
    if len(known) == 2:
        sd = 100 * float(np.hypot(known[0].scale_sd or 0.0, known[1].scale_sd or 0.0))
        return slope * days[-1], BAND * sd
    residual = scale - scale.mean() - slope * spread
    free = len(known) - 2
    sd = float(np.sqrt(residual @ residual / free / (spread @ spread)))
    return slope * days[-1], float(special.stdtrit(free, 0.975)) * sd * days[-1]


def _sentences(entries: Sequence[Entry], change: float | None, age: int) -> tuple[str, ...]:
    """Return what a series asks for."""
    allowed = {name: limit.limit for name, limit in limits().items()}
    found, known = [], [e for e in entries if e.scale_factor is not None]
    if age >= allowed["check-age"]:  # from then on it vouches for nothing
        found.append(
            f"The latest check of this scanner is {age} days old; one vouches for less than "
            f"{allowed['check-age']:g}: check it again."
        )
    if known:
        off = 100 * (known[-1].scale_factor or 1.0) - 100
        if abs(off) > allowed["scale-error"]:
            found.append(
                f"The latest check reads {off:+.2f} %, more than {allowed['scale-error']:g} % off: "
                "have the scanner calibrated."
            )
        step = off - (100 * (known[-2].scale_factor or 1.0) - 100) if len(known) > 1 else 0.0
        if change is not None and abs(change) > allowed["scale-drift"]:
            found.append(
                f"The scale drifted by {change:+.2f} %, more than {allowed['scale-drift']:g} %: "
                "have the scanner calibrated, and measure feet of late by hand as well."
            )
        elif abs(step) > allowed["scale-drift"]:
            found.append(
                f"The scale jumped by {step:+.2f} % since the check before, more than "
                f"{allowed['scale-drift']:g} %: check again, and if it holds have the scanner "
                "calibrated."
            )
    return tuple(found)


def _artefact_words(entry: Entry) -> str:
    parts = [entry.artefact]
    if entry.diameter_mm is not None:
        parts.append(f"{entry.diameter_mm:g} mm")
    if entry.spacing_mm is not None:
        parts.append(f"{entry.spacing_mm:g} mm apart")
    return " ".join(parts)


def _entry_words(entry: Entry) -> str:
    """Return one check as a row."""
    row = entry.date.isoformat()
    if entry.scale_factor is not None:
        band = f" ± {BAND * entry.scale_sd:.5f}" if entry.scale_sd is not None else ""
        row += f"  scale {entry.scale_factor:.5f}{band} ({100 * (entry.scale_factor - 1):+.3f} %)"
    errors = (("form error", entry.form_error_mm), ("flatness error", entry.flatness_error_mm))
    for words, value in errors:
        row += f"  {words} {value:.2f} mm" if value is not None else ""
    return row + "  not passed" * bool(entry.not_passed)


def _counted(n: int) -> str:
    return f"{n} check{'s' * (n != 1)}"


def _days(age: int) -> str:
    return {0: "today", 1: "yesterday"}.get(age, f"{age} days ago" if age > 0 else "in the future")


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
