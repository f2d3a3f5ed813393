"""What a check of a made part says: in words a grinder can use, and as a record.

MadeCheck -> as_text, as_record
"""

from __future__ import annotations

from typing import Any

import numpy as np

from insole.parts.made.check import TOLERANCE_MM, MadeCheck
from insole.parts.made.datums import Held
from insole.parts.made.map import MARGIN_MM, Patch

__all__ = ["as_record", "as_text", "held_words", "patch_words", "shift_words", "verdict"]

RIM_WORTH_MM = 0.8  # a hand-ground edge is no truer; common practice, no source
AID = "A fitting aid: it compares a part with its plan and says nothing of a foot."


def as_text(check: MadeCheck) -> str:
    """Return the check for a person at the grinder: verdict, places, figures, what it rests on."""
    figures = (
        f"top: mean {check.mean:+.2f} mm, rms {check.rms:.2f} mm, 95 % within {check.p95:.2f} mm "
        f"(scan minus plan, + too much); {100 * check.unseen:.0f} % of it not seen"
    )
    edge = (
        f"The outermost {MARGIN_MM:g} mm of the top are not compared; the rim is: "
        f"{_rim_words(check)}."
    )
    lines = [
        verdict(check),
        *(f"  {patch_words(patch)}" for patch in check.patches),
        *shift_words(check),
        figures,
        f"noise of the scan: {check.top.noise:.2f} mm (standard deviation of single points)",
        f"tolerance: {_tolerance(check)}",
        f"unit: {check.unit}",
        f"side: {check.side}, off by {check.misfit:.2f} mm; as the other foot's part by "
        f"{check.mirrored_misfit:.2f} mm (root mean square, best fit)",
        f"held by: {held_words(check)}",
        edge,
        *check.notes,
        AID,
    ]
    return "\n".join(lines)


def as_record(check: MadeCheck) -> dict[str, Any]:
    """Return the check for JSON; the map itself is left out."""
    stand = check.placed.stand[np.isfinite(check.placed.stand)]
    return {
        "part": check.part,
        "scan": check.file,
        "side": check.side.value,
        "side_told": check.side_told,
        "within_tolerance": check.within,
        "tolerance_mm": check.tolerance,
        "unit_evidence": check.unit,
        "best_fit_rms_mm": round(check.misfit, 3),
        "mirrored_best_fit_rms_mm": round(check.mirrored_misfit, 3),
        "held_by": check.placed.held.value,
        "placed_by_rim": check.placed.by_rim,
        "mean_mm": round(check.mean, 3),
        "rms_mm": round(check.rms, 3),
        "p95_mm": round(check.p95, 3),
        "noise_mm": round(check.top.noise, 3),
        "unseen_share": round(check.unseen, 4),
        "rim_rms_mm": round(float(np.sqrt((stand**2).mean())), 3) if len(stand) else None,
        "top_shift_mm": None
        if check.placed.shift is None
        else {
            "forward": round(check.placed.shift[0], 2),
            "medial": round(_medial(check, check.placed.shift[1]), 2),
        },
        "places": [
            {
                "deviation_mm": round(patch.amount, 3),
                "uncertainty_95_mm": round(patch.uncertainty, 3),
                "length_mm": patch.length,
                "width_mm": patch.width,
                "from_rear_mm": round(patch.from_rear, 1),
                "from_medial_mm": round(patch.from_medial, 1),
                "beyond_tolerance": patch.beyond,
            }
            for patch in check.patches
        ],
        "notes": list(check.notes),
    }


def verdict(check: MadeCheck) -> str:
    """Return the verdict in one line."""
    seen = "" if check.unseen < 0.02 else ", as far as it was seen"
    if check.within:
        return f"{check.part}: within {check.tolerance:g} mm of the plan{seen}"
    count = sum(patch.beyond for patch in check.patches)
    places = "1 place" if count == 1 else f"{count} places"
    return f"{check.part}: beyond {check.tolerance:g} mm of the plan at {places}{seen}"


def patch_words(patch: Patch) -> str:
    """Return a place in words: what to do there, how much, and where it is."""
    amount = f"{abs(patch.amount):.1f} ± {patch.uncertainty:.1f} mm"
    size = f"over {patch.length:.0f} x {patch.width:.0f} mm"
    where = (
        f"{patch.from_rear:.0f} mm from the part's rear edge along the centreline, "
        f"{patch.from_medial:.0f} mm from its medial edge"
    )
    if not patch.beyond:
        return f"{'highest' if patch.amount > 0 else 'lowest'} place: {patch.amount:+.1f} ± " + (
            f"{patch.uncertainty:.1f} mm, {where}"
        )
    return (
        f"take off {amount} {size}, {where}"
        if patch.amount > 0
        else (f"{amount} short {size}, {where}")
    )


def shift_words(check: MadeCheck) -> list[str]:
    """Return how the top is shifted on its rim, if it is."""
    if check.placed.shift is None:
        return []
    along, medial = check.placed.shift[0], _medial(check, check.placed.shift[1])
    ways = [
        f"{abs(value):.1f} mm {name[0] if value > 0 else name[1]}"
        for value, name in ((along, ("forward", "back")), (medial, ("medially", "laterally")))
        if abs(value) >= 0.5
    ]
    return [f"  the whole top sits {' and '.join(ways)} of where its rim has it (± 0.5 mm)"]


def held_words(check: MadeCheck) -> str:
    """Return what the part was held by."""
    height = {
        Held.UNDER: "height and tilt by its underside",
        Held.TABLE: "height and tilt by the table it lies on",
        Held.TOP: "height and tilt by its top (best fit)",
    }[check.placed.held]
    place = "place and turn by its rim" if check.placed.by_rim else "place and turn by its top"
    return f"{height}; {place}"


def _medial(check: MadeCheck, across: float) -> float:
    """Return a shift along +y of the worn part as one towards the medial side, mm."""
    return across if check.side.value == "right" else -across


def _tolerance(check: MadeCheck) -> str:
    reason = "what a fingertip finds under a thin cover; common practice, no source"
    return f"{check.tolerance:g} mm" + (
        f" ({reason})" if check.tolerance == TOLERANCE_MM else " (as stated)"
    )


def _rim_words(check: MadeCheck) -> str:
    """Return how true the rim is."""
    stand = check.placed.stand
    seen = np.flatnonzero(np.isfinite(stand))
    if not len(seen):
        return "not seen"
    rms = float(np.sqrt((stand[seen] ** 2).mean()))
    words = f"rms {rms:.1f} mm in plan over {100 * len(seen) / len(stand):.0f} % of it"
    at = seen[np.argmax(np.abs(stand[seen]))]
    if abs(stand[at]) < RIM_WORTH_MM:
        return words
    rear = check.placed.rim[at, 0] - check.placed.planned.rim[:, 0].min()
    y = check.placed.rim[at, 1] - float(np.median(check.placed.rim[:, 1]))
    side = "medial" if _medial(check, y) > 0 else "lateral"
    way = "stands out" if stand[at] > 0 else "is short"
    place = f"on the {side} side {rear:.0f} mm from the rear edge"
    return f"{words}; it {way} by {abs(stand[at]):.1f} mm {place}"
