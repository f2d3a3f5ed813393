"""How much of the gap to fill: the wished share, what unknowns take off it, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Sequence

from footscan.scan import Load
from insole.errors import PlanError, RefusedError
from insole.planning.seating import Seating
from insole.record.limits import Limits
from insole.record.values import Note, NoteLevel, Override

__all__ = ["support_level"]


def support_level(
    wanted: float | None, seating: Seating, limits: Limits, overrides: Sequence[Override] = ()
) -> tuple[float, tuple[Note, ...]]:
    """Return the support level to plan with and what changed it.

    Without a wish: the first trial's level, less when load or bed is not known. Without a shoe
    no more than that lower level is filled, whatever is wished.

    Raises
    ------
    PlanError
        Not a sensible share.
    RefusedError
        Above the limit without a recorded override.
    """
    unsure = limits.value("support.unsure")
    loose = seating.load in (Load.NONE, Load.UNKNOWN)
    start = unsure if loose or not seating.shoe_known else limits.value("support.first_trial")
    level = start if wanted is None else float(wanted)
    notes = [] if wanted is not None else [_start_note(level, loose, seating)]
    least = limits.value("support.least")
    if not math.isfinite(level) or not least <= level <= 2.0:
        raise PlanError(
            f"a support level of {100 * level:g} % is not one; give {100 * least:.0f} to "
            f"{100 * limits.value('support.refuse_above'):.0f} %"
        )
    level, more = _without_knowing(level, loose, seating, unsure)
    notes += more
    most, warn = limits.value("support.refuse_above"), limits.value("support.warn_above")
    if level > most + 1e-9 and not any(o.limit == "support.refuse_above" for o in overrides):
        raise RefusedError(
            f"a support level of {100 * level:.0f} % is above {100 * most:.0f} %: the pad would "
            "lift the arch; lower it, or record an override of support.refuse_above"
        )
    if level > warn + 1e-9:
        short = f"at {100 * level:.0f} % it presses against the standing arch"
        notes.append(
            Note(
                code="level-presses",
                level=NoteLevel.WARN,
                short=short,
                text=(f"at {100 * level:.0f} % the pad presses against the standing arch"),
            )
        )
    return level, tuple(notes)


def _start_note(level: float, loose: bool, seating: Seating) -> Note:
    """Return which level was taken without a wish, and why."""
    why = (
        "without a measured shoe"
        if not seating.shoe_known
        else ("since the foot was not scanned under a known load" if loose else "for a first trial")
    )
    return Note(
        code="level-start",
        text=f"no support level was wished: {100 * level:.0f} % of the gap, {why}",
    )


def _without_knowing(
    level: float, loose: bool, seating: Seating, unsure: float
) -> tuple[float, list[Note]]:
    """Return the level that is filled where load or bed is not known, and a warning."""
    notes = []
    if not seating.shoe_known and level > unsure:
        short = f"filled less than wished ({100 * level:.0f} %): bed not measured"
        notes.append(
            Note(
                code="level-capped",
                level=NoteLevel.WARN,
                short=short,
                text=(
                    f"without a shoe no more than {100 * unsure:.0f} % of the gap is filled: a "
                    f"real shank rises under the arch; {100 * level:.0f} % was wished"
                ),
            )
        )
        level = unsure
    elif loose and level > unsure + 1e-9:
        notes.append(
            Note(
                code="level-unsure",
                level=NoteLevel.WARN,
                text=(
                    f"{100 * level:.0f} % was wished although the foot was not scanned under load; "
                    f"start at {100 * unsure:.0f} %"
                ),
            )
        )
    return level, notes
