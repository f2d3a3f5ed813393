"""Least steps: what is smaller is not said, on the screen or on paper.

    value, kind -> counts -> said or not;   value, kind -> stepped -> the value on its step

A step is what a workshop can set, cut or feel, or what a scan can tell; a figure below it asks
somebody for work that nobody can do. Records and JSON keep the numbers as they are.
"""

from __future__ import annotations

import math
from typing import Literal

__all__ = ["LEAST", "Kind", "clear", "counts", "sd_shown", "stepped"]

Kind = Literal[
    "length",
    "size",
    "saddle",
    "cleat",
    "cleat turn",
    "part height",
    "pad place",
    "thickness",
    "contact",
    "share",
    "angle",
]

LEAST: dict[Kind, float] = {
    # mm: a foot measured twice by hand or scan agrees no better; common practice, no source
    "length": 0.5,
    "size": 0.5,  # EU, UK and US shoes come in whole and half sizes
    "saddle": 1.0,  # mm: the marks on a post; common practice, no source
    "cleat": 0.5,  # mm: set by eye against a mark; common practice, no source
    "cleat turn": 0.5,  # degrees: the same
    "part height": 0.2,  # mm: a printed layer, a stroke of the grinder; common practice, no source
    "pad place": 0.5,  # mm: along and across the base; common practice, no source
    "thickness": 0.2,  # mm under the foot: a calliper on foam; common practice, no source
    "contact": 1.0,  # cm2 of the contact model, whose own cells are 0.01; common practice
    "share": 0.01,  # of the load in the contact model; common practice, no source
    "angle": 0.5,  # degrees: a goniometer at the foot reads no closer; common practice, no source
}


def counts(value: float, kind: Kind) -> bool:
    """Return whether `value`, in the unit of its kind, reaches the least step.

    Examples
    --------
    >>> counts(-0.99, "saddle"), counts(-1.0, "saddle"), counts(float("nan"), "saddle")
    (False, True, False)
    """
    return math.isfinite(value) and abs(value) >= LEAST[kind] - 1e-9


def clear(difference: float, sd: float, unit: str, *, times: float) -> bool:
    """Return whether a difference of two measures may be said: on the screen and on paper alike.

    Parameters
    ----------
    difference, sd : float
        In `unit`; `sd` of the difference, from deviations as they are shown (:func:`sd_shown`).
    unit : str
        ``mm``, ``deg``, ``%`` or empty.
    times : float
        Deviations beyond which a difference counts.

    Examples
    --------
    >>> clear(1.703, 0.849, "mm", times=2.0), clear(1.76, 0.849, "mm", times=2.0)
    (False, True)
    >>> clear(0.4, 0.1, "mm", times=2.0)
    False
    """
    kinds: dict[str, Kind] = {"mm": "length", "deg": "angle"}
    digits = 1 if unit in ("mm", "deg", "%") else 3
    beyond = round(abs(difference), digits) > round(times * sd, digits)  # as a reader sees them
    return beyond and (unit not in kinds or counts(difference, kinds[unit]))


def stepped(value: float, kind: Kind) -> float:
    """Return `value` on the nearest step of its kind; halves go up.

    Examples
    --------
    >>> stepped(42.27, "size"), stepped(42.25, "size"), stepped(8.9, "size")
    (42.5, 42.5, 9.0)
    """
    step = LEAST[kind]
    return step * math.floor(value / step + 0.5 + 1e-9)


def sd_shown(sd: float, unit: str, *, scale_verified: bool) -> float:
    """Return the standard deviation to print of a measure.

    A length is known no closer than its least step until the scale of the scan is verified:
    the scan alone says nothing of its own scale.

    Examples
    --------
    >>> sd_shown(0.2, "mm", scale_verified=False), sd_shown(0.2, "mm", scale_verified=True)
    (0.5, 0.2)
    >>> sd_shown(0.9, "mm", scale_verified=False), sd_shown(0.004, "", scale_verified=False)
    (0.9, 0.004)
    """
    if unit != "mm" or scale_verified:
        return sd
    return max(sd, LEAST["length"])
