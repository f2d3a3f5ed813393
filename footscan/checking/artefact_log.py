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

import csv
import io
import os
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from scipy import special

from footscan.checking.artefact import BAND, ArtefactCheck
from footscan.checking.artefact_limits import Limit, limits
from footscan.errors import ScanReadError

__all__ = [
    "Drift",
    "Entry",
    "Limit",
    "ScaleEvidence",
    "append",
    "drift",
    "entry_of",
    "evidence",
    "limits",
    "read",
]

KINDS = ("ball", "ball bar", "plate")
MAX_BYTES = 5_000_000  # some 40 000 checks
LOCK_WAIT_S = 5.0
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


COLUMNS = tuple(field.name for field in fields(Entry))
TEXTS = ("scanner", "artefact", "not_passed", "scan", "software")


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
            "scanner": latest.scanner, "artefact": latest.artefact,
            "diameter_mm": latest.diameter_mm, "spacing_mm": latest.spacing_mm,
            "scale_change_percent": _rounded(self.change, 4),
            "scale_change_band_percent": _rounded(self.band, 4),
            "age_days": self.age, "sentences": list(self.sentences),
            "checks": [{**asdict(entry), "date": entry.date.isoformat()} for entry in self.entries],
        }  # fmt: skip


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
    if not scanner or len(scanner) > NAME_LONGEST or not scanner[0].isalnum():
        raise ScanReadError(
            f"a scanner's name starts with a letter or digit and has up to {NAME_LONGEST} "
            f"characters, got {scanner[:80]!r}; give another --scanner"
        )
    found = {figure.name: figure for figure in check.figures}
    sizes = [i for i in (1, 2) if f"probing_size_error_{i}" in found]
    worst = max(sizes, key=lambda i: abs(found[f"probing_size_error_{i}"].value), default=None)
    forms = [found[f"probing_form_error_{i}"].value for i in sizes]

    scaled = "scale_factor" in found and not check.strange

    def value(name: str) -> float | None:
        return _rounded(found[name].value, 6) if name in found else None

    return Entry(
        date=day, scanner=scanner, artefact=check.kind, diameter_mm=check.diameter,
        spacing_mm=check.spacing, measured_diameter_mm=value(f"diameter_{worst}"),
        measured_spacing_mm=value("sphere_spacing"),
        size_error_mm=value(f"probing_size_error_{worst}"),
        form_error_mm=_rounded(max(forms), 6) if forms else None,
        spacing_error_mm=value("sphere_spacing_error"), flatness_error_mm=value("flatness_error"),
        scale_factor=value("scale_factor") if scaled else None,
        scale_sd=_rounded(found["scale_factor"].sd, 7) if scaled else None,
        not_passed=" ".join([*check.strange, *check.off]), scan=scan, software=software,
    )  # fmt: skip


def read(path: str | Path) -> tuple[Entry, ...]:
    """Return the entries of a log, in the file's order.

    Raises
    ------
    footscan.errors.ScanReadError
        The file is missing, or a line of it is not what a check wrote.
    """
    path = Path(path)
    if not path.is_file():
        raise ScanReadError(f"there is no scanner log {path}; a check with --log begins one")
    return _parsed(path, _bytes_of(path))


def append(path: str | Path, entry: Entry) -> None:
    """Put `entry` behind the last line of the log; a missing log is begun.

    Raises
    ------
    footscan.errors.ScanReadError
        The log is damaged, in use, or cannot be written; it is left as it was.
    """
    path = Path(path).resolve()
    try:
        with _alone(path):
            before = _bytes_of(path) if path.exists() else b""
            if before:
                _parsed(path, before)
                before += b"" if before.endswith(b"\n") else b"\n"
            else:
                before = _line(COLUMNS)
            row = [_cell(getattr(entry, name)) for name in COLUMNS]
            _replace(path, before + _line(row))
    except OSError as error:
        raise ScanReadError(
            f"the scanner log {path} cannot be written: {(error.strerror or str(error)).lower()}; "
            "close it in other programs, or choose another --log"
        ) from None


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
    latest = {entry.scanner: entry.date for entry in sorted(entries, key=lambda e: e.date)}
    found = []
    for key in sorted({entry.series for entry in entries}, key=str):
        own = tuple(sorted((e for e in entries if e.series == key), key=lambda e: e.date))
        change, band = _change(own)
        found.append(
            Drift(
                entries=own, change=change, band=band, age=(today - own[-1].date).days,
                sentences=_sentences(own, change, (today - latest[key[0]]).days),
            )
        )  # fmt: skip
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
        raise ScanReadError(f"the log holds {', '.join(names)}: say which one with --scanner")
    scanner = " ".join(scanner.split()) or (names[0] if names else "")
    if scanner not in names:
        raise ScanReadError(
            f"the log holds no check of {scanner or 'any scanner'}"
            + (f", only of {', '.join(names)}" if names else "")
            + "; check the scanner with --log first"
        )
    scaled = [e for e in entries if e.scanner == scanner and e.artefact != "plate"]
    if not scaled:
        return ScaleEvidence(
            verified=False, words=f"{scanner} was never checked on a ball: a plate shows no scale."
        )
    last = max(reversed(scaled), key=lambda entry: entry.date)  # of one day, the last in the log
    return _vouched(last, (today - last.date).days)


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
    if age > allowed["check-age"]:
        found.append(
            f"The latest check of this scanner is {age} days old, more than "
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


# ------------------------------------------------------------------ the file


def _bytes_of(path: Path) -> bytes:
    """Return the file's bytes, bounded."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise ScanReadError(f"{path.name} is too large for a scanner log; begin a new one")
        return path.read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ScanReadError(f"the scanner log {path} cannot be read: {reason}") from None


def _parsed(path: Path, data: bytes) -> tuple[Entry, ...]:
    """Return the entries in the bytes of a log."""
    try:
        text = data.decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        rows = [(reader.line_num, row) for row in reader]
    except (UnicodeDecodeError, csv.Error):
        raise ScanReadError(
            f"{path.name} is no scanner log or was damaged; mend it, or begin a new one with "
            "another --log"
        ) from None
    if not rows or tuple(rows[0][1]) != COLUMNS:
        raise ScanReadError(
            f"{path.name} does not begin with the headings of a scanner log; mend its first line, "
            "or begin a new log with another --log"
        )
    return tuple(_entry(path, number, row) for number, row in rows[1:])


def _entry(path: Path, number: int, row: Sequence[str]) -> Entry:
    """Return the entry in one line of a log."""
    try:
        if len(row) != len(COLUMNS):
            raise ValueError(f"it has {len(row)} entries instead of {len(COLUMNS)}")
        cells = dict(zip(COLUMNS, row, strict=True))
        if cells["artefact"] not in KINDS or not cells["scanner"]:
            raise ValueError("scanner or artefact is not one that a check writes")
        values = {name: _number(cells[name]) for name in COLUMNS[3:] if name not in TEXTS}
        if (values["scale_factor"] or 1.0) <= 0:
            raise ValueError("the scale factor is not positive")
        day = date.fromisoformat(cells["date"])
    except ValueError as error:
        raise ScanReadError(
            f"{path.name}, line {number}, is damaged: {error}; mend that line, or begin a new log "
            "with another --log"
        ) from None
    return Entry(date=day, **{name: cells[name] for name in TEXTS}, **values)  # type: ignore[arg-type]


def _number(text: str) -> float | None:
    """Return a cell's number; None for an empty cell."""
    if not text:
        return None
    value = float(text)
    if not np.isfinite(value):
        raise ValueError(f"{text!r} is no measure")
    return value


def _cell(value: object) -> str:
    if value is None:
        return ""
    return value.isoformat() if isinstance(value, date) else str(value)


def _line(cells: Sequence[str]) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\n").writerow(cells)
    return stream.getvalue().encode("utf-8")


def _replace(path: Path, data: bytes) -> None:
    """Write the whole file beside the old one and move it into place."""
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold a lock file beside the log, so that two checks at once do not lose a line."""
    lock = path.with_name(f".{path.name}.lock")
    until = time.monotonic() + LOCK_WAIT_S
    while True:
        try:
            lock.open("x").close()
            break
        except FileExistsError:
            if time.monotonic() > until:
                raise ScanReadError(
                    f"another check is writing to {path.name}; wait for it, or if there is none "
                    f"remove {lock}"
                ) from None
            time.sleep(0.05)
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)
