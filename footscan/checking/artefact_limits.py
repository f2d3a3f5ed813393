"""Limits of scanner checks and of their log, each with its reason.

data/scanner_log.toml -> limits -> footscan.checking.artefact, footscan.checking.artefact_log
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

__all__ = ["Limit", "limits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit with its unit and reason."""

    limit: float
    unit: str
    why: str


@lru_cache(maxsize=1)
def limits() -> Mapping[str, Limit]:
    """Return the limits by name."""
    text = resources.files("footscan").joinpath("data/scanner_log.toml").read_text("utf-8")
    return {name: Limit(**row) for name, row in tomllib.loads(text).items()}
