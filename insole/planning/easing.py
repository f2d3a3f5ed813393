"""Without a wished support level: the highest one at which the model does not press the arch.

tried(level) -> (pad, contact, notes) -> eased -> the same, at the level that is planned

A level that the fitter wished is planned as wished, and the contact's warning stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from insole.planning.support.pad import PadResult
from insole.record.limits import Limits
from insole.record.planned_contact import ContactPlan
from insole.record.values import Note

__all__ = ["Tried", "eased"]

Tried = tuple[PadResult, ContactPlan, Sequence[Note]]


def eased(tried: Callable[[float | None], Tried], limits: Limits) -> Tried:
    """Return pad, contact and its notes at the first level, stepping down, that does not press.

    Parameters
    ----------
    tried : callable
        Plans pad and contact at a support level; None takes the first trial's.
    limits : Limits
        Step and least level.

    Returns
    -------
    tuple
        Of the first trial's level where no lower one helps: its warning then stays.
    """
    step, least = limits.value("support.step"), limits.value("support.least")
    first = now = tried(None)
    lower = math.inf
    while (made := now[0].pad or now[0].contour) is not None and _presses(now[2]):
        gap, left = made.gap_at_crest.value or 0.0, made.residual_gap.value or 0.0
        filled = (gap - left) / max(gap, 1e-9)
        share = min(filled, made.support_level)  # between the two the support stays as it is
        lower = round(step * math.floor((share - 1e-6) / step), 6)
        if lower < least:
            return first
        now = tried(lower)
    if now is first or (now[0].pad or now[0].contour) is None:
        return first
    note = Note(
        code="level-eased",
        text=(
            f"{100 * lower:.0f} % of the gap is planned, since with more the model's peak on the "
            "pad is above what an arch should carry; no support level was wished"
        ),
        short=f"eased to {100 * lower:.0f} %: more presses the arch",
    )
    notes = [n for n in now[0].notes if n.code != "level-start"]
    return replace(now[0], notes=(*notes, note)), now[1], now[2]


def _presses(notes: Sequence[Note]) -> bool:
    return any(note.code.startswith("contact-arch-") for note in notes)
