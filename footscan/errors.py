"""Errors raised by ``footscan``.

    FootscanError
    ├── ScanReadError      a file is missing, empty, cut short, too large or of an unknown format
    ├── UnitsError         no unit fits the scan, or the stated one contradicts it (also ValueError)
    ├── StatedError        something stated of a scan is not one of its choices (also ValueError)
    ├── SideError          left or right cannot be told with enough confidence
    ├── PoseError          no foot can be found in the scan, or it cannot be levelled
    ├── ScanQualityError   the scan cannot be used for the job asked; carries the report
    ├── LandmarkError      an override is off the foot or a needed landmark is missing
    └── insole.errors.InsoleError
        ├── PlanError      a wish, shoe or kit value is out of range (also ValueError)
        ├── RefusedError   refused for safety or limits
        ├── PartError      a solid is not valid; carries the part's name
        └── OutputError    a file was written but does not read back the same

A wrong call (array shape, negative tolerance) is a plain ``ValueError``: a bug in the caller.
A ``FootscanError`` is about the data: the command line shows its message word for word, so each
message is one sentence that says what is wrong and what to do.
"""

from __future__ import annotations

from typing import Self

from footscan import typed

__all__ = [
    "FootscanError",
    "LandmarkError",
    "PoseError",
    "ScanQualityError",
    "ScanReadError",
    "SideError",
    "StatedError",
    "UnitsError",
]


LONGEST = 1500  # characters of a sentence: what a file holds may be quoted in it


class FootscanError(Exception):
    """Root of every error about the data that a user gave.

    Attributes
    ----------
    exit_code : int
        What the command line returns for it.
    asks : tuple of str
        What could be stated or wished to mend it, by name, as in ``footscan.measure`` and
        ``insole.plan``; whoever shows the sentence adds how that is given there.
    """

    exit_code = 3
    asks: tuple[str, ...] = ()

    def asking(self, *names: str) -> Self:
        """Return the same error, asking for `names` to be stated."""
        self.asks = names
        return self

    def __str__(self) -> str:
        """Return the sentence on one line; what cannot be printed, as in a name, is ``?``."""
        sentence = typed.shown(super().__str__()).replace("\n", " ")
        return sentence if len(sentence) <= LONGEST else f"{sentence[: LONGEST - 2]} …"


class ScanReadError(FootscanError):
    """The file is missing, empty, cut short, too large or of an unknown format."""


class UnitsError(FootscanError, ValueError):
    """No unit fits the scan, or the stated unit contradicts it."""


class StatedError(FootscanError, ValueError):
    """Something stated of a scan is not one of its choices, or contradicts another statement."""

    exit_code = 2


class SideError(FootscanError):
    """Left or right cannot be told with enough confidence."""


class PoseError(FootscanError):
    """No foot can be found in the scan, or it cannot be brought into the foot frame."""


class ScanQualityError(FootscanError):
    """The scan cannot be used for the job asked.

    Attributes
    ----------
    report : object or None
        The quality report that decided it.
    """

    def __init__(self, message: str, report: object | None = None) -> None:
        super().__init__(message)
        self.report = report


class LandmarkError(FootscanError):
    """A landmark override is unusable, or a landmark that the job needs is missing.

    Attributes
    ----------
    name : str
        The landmark's name.
    """

    def __init__(self, name: str, message: str) -> None:
        super().__init__(message)
        self.name = name
