"""Errors raised by ``insole``; the whole tree stands in :mod:`footscan.errors`."""

from __future__ import annotations

from footscan.errors import FootscanError

__all__ = ["InsoleError", "OutputError", "PartError", "PlanError", "RefusedError"]


class InsoleError(FootscanError):
    """Root of every error about planning, making and writing."""


class PlanError(InsoleError, ValueError):
    """A wish, shoe file or kit value is out of range or unreadable."""


class RefusedError(InsoleError):
    """Refused for safety or because a limit was passed without a recorded override."""

    exit_code = 4


class PartError(InsoleError):
    """A solid is not valid.

    Attributes
    ----------
    part : str
        Name of the part.
    """

    exit_code = 5

    def __init__(self, part: str, message: str) -> None:
        super().__init__(message)
        self.part = part


class OutputError(InsoleError):
    """A file was written but does not read back the same, or cannot be written."""

    exit_code = 5
