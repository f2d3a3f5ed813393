"""Left or right: which side a scan is taken for, how sure that is, and when it is asked for.

matches per side -> best -> (clean, settle) -> check -> confidence, words -> ScanFacts
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from footscan.errors import ScanQualityError, SideError
from footscan.finding.matching import Match
from footscan.quality.limits import limits
from footscan.quality.sole import SOLE_MISSING
from footscan.scan import Side

__all__ = ["best", "check", "confidence", "words"]


def best(matches: Sequence[Match], stated: Side | None) -> tuple[Match, float]:
    """Return the match to go on with, and how much worse the other side fits."""
    ratio = matches[1].cost / matches[0].cost if len(matches) > 1 else 1.0
    if stated is not None:
        return next(m for m in matches if m.side is stated), ratio
    return matches[0], ratio


def check(ratio: float, stated: Side | None, *, sole_missing: bool) -> None:
    """Refuse a scan whose side nobody stated and whose sides fit about equally well.

    Asked once the foot stands, so that a scan without a sole hears of the sole first: stating the
    side would not mend it.

    Raises
    ------
    footscan.errors.ScanQualityError
        The sole is missing.
    footscan.errors.SideError
        It is not, and the side is asked for.
    """
    if stated is not None or ratio >= limits()["side"].measuring:
        return
    if sole_missing:
        raise ScanQualityError(
            f"{SOLE_MISSING}, so that not even the side is known; scan the foot from below, in the "
            "air or through glass"
        )
    raise SideError("left or right cannot be told from this scan; say which foot it is").asking(
        "side"
    )


def confidence(ratio: float, stated: Side | None, contradicted: bool) -> float:
    """Return the confidence in the side, 0.5 to 1, rising with the misfit ratio."""
    told = 1 - 0.5 * float(np.exp(-((ratio - 1) / 0.08)))
    if stated is None:
        return round(told, 3)
    return round(1 - told, 3) if contradicted else round(max(told, 0.9), 3)


def words(ratio: float, stated: Side | None, contradicted: bool) -> str:
    """Return the evidence for the side, for the record."""
    text = f"as the other foot it would fit {ratio:.2f} times as badly"
    if stated is None:
        return text
    return f"stated; the scan speaks against it ({text})" if contradicted else f"stated; {text}"
