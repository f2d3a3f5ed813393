"""What is shown of shoes ranked for a pair of feet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from insole.planning.fit import FitResult

__all__ = ["fit", "fit_records"]


def fit(ranked: Sequence[FitResult]) -> str:
    """Return ranked shoes as text; when none fits, that comes first."""
    from insole.planning.fit import none_fits

    rows = [words[0].upper() + words[1:]] if (words := none_fits(ranked)) else []
    for result in ranked:
        rows.append(f"{result.place}. {result.shoe.name}: {result.verdict}")
        rows += [f"   {reason}" for reason in result.reasons]
    return "\n".join(rows)


def fit_records(ranked: Sequence[FitResult]) -> list[dict[str, Any]]:
    """Return ranked shoes as plain data, lengths in mm; an absent bound is None."""
    return [
        {
            "shoe": result.shoe.name,
            "place": result.place,
            "fits": result.fits,
            "known": result.known,
            "verdict": result.verdict,
            "score": result.score,
            "reasons": list(result.reasons),
            "feet": [_finite(asdict(foot)) for foot in result.feet],
        }
        for result in ranked
    ]


def _finite(value: Any) -> Any:
    """Return plain data with None for a bound that is not there: JSON knows no infinity."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
