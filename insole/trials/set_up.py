"""What a foot is set up with when it is ridden, and what changed since another plan was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace

__all__ = ["changes", "same", "set_up"]


def changes(plan: Plan, before: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Return what changed since feet were set up as in `before`, in words."""
    found: dict[str, None] = {}
    for foot in plan.feet:
        was = before.get(foot.side)
        if was is None:
            continue
        now = set_up(foot)
        found |= dict.fromkeys(name for name in now if not same(now[name], was.get(name)))
    return [name.replace("_", " ") for name in found]


def same(a: Any, b: Any) -> bool:
    """Return whether two values of a set-up or a wish are one; a list is one with its tuple."""
    if isinstance(a, float | int) and isinstance(b, float | int):
        return math.isclose(a, b, abs_tol=1e-6)
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return bool(a == b)


def set_up(foot: FootPlan) -> dict[str, Any]:
    """Return what one foot is set up with: the things that a step can change."""
    pad = foot.pad
    support = foot.pad or foot.contour
    net = {w.place: w.net for w in foot.tilts}
    behind = foot.metatarsal.behind if foot.metatarsal else None
    height = (
        foot.metatarsal.height
        if foot.metatarsal
        else (foot.contour.metatarsal if foot.contour else None)
    )
    return {
        "pad": pad is not None,
        "contoured_bed": foot.contour.length if foot.contour else None,
        "metatarsal_pad": height,
        "metatarsal_pad_behind": behind,
        "support_level": support.support_level if support else None,
        "pad_forward": pad.shift[0] if pad else None,
        "pad_medial": pad.shift[1] if pad else None,
        # of a kit's pad the search chooses the turn: it follows from what was changed
        "pad_turn": pad.turn if pad and pad.source != "kit" else None,
        **{f"wedge_{p.name.lower()}": net.get(p, 0.0) for p in WedgePlace},
        "cleat": foot.cleat.from_ball_mark if foot.cleat else None,
        "cleat_yaw": foot.cleat.yaw if foot.cleat else None,
    }
