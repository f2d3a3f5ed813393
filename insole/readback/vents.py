"""Ventilation holes held against the plan: none where the foot presses or a part is glued on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from insole.errors import OutputError

__all__ = ["check_vents"]

WIDE = (1.0, 5.0)  # mm
HEEL = 0.25  # share of the length
HEADS, CREST = 15.0, 15.0  # mm from the middle of a hole
BORDER = 5.0  # mm from a hole to the outline, as it will be trimmed
APART = 2.0  # diameters from middle to middle


def check_vents(
    label: str,
    spots: Sequence[tuple[float, float]],
    wide: float,
    outline: Sequence[tuple[float, float]],
    foot: Mapping[str, Any],
) -> None:
    """Refuse holes in a loaded zone, under a pad, in the border or in one another.

    Raises
    ------
    OutputError
        The first hole that is wrong, with its place.
    """
    if not WIDE[0] <= wide <= WIDE[1]:
        raise OutputError(f"manifest.json: the holes of {label} are {wide:g} mm wide")
    whole = (foot.get("contour") or foot["base"])["outline"]
    ring = np.array(whole, dtype=float)
    start, long = float(ring[:, 0].min()), float(np.ptp(ring[:, 0]))
    heads = [place[:2] for name, place in foot["landmarks"].items() if name.startswith("mth")]
    pads = [foot.get("contour"), foot.get("pad")]
    crests = [(p["crest"]["from_rear"], p["crest"].get("y") or 0.0) for p in pads if p]
    glued = [p["outline"] for p in (foot.get("pad"), foot.get("metatarsal")) if p]
    trim = 0.0 if foot.get("contour") else float(foot["base"].get("trim_allowance") or 0.0)
    inner = shapely.Polygon(outline).buffer(0).buffer(-BORDER - trim - wide / 2)
    for k, (x, y) in enumerate(spots):
        spot = shapely.Point(x, y)
        near = [float(np.hypot(x - a, y - b)) for a, b in spots[k + 1 :]]
        wrong = {
            "under the heel": x - start < HEEL * long,
            "under the ball": any(np.hypot(x - h[0], y - h[1]) < HEADS for h in heads),
            "under the arch crest": any(np.hypot(x - c[0], y - c[1]) < CREST for c in crests),
            "in the border": not inner.contains(spot),
            "under a pad": any(shapely.Polygon(one).contains(spot) for one in glued),
            "in another one": min(near, default=1e3) < APART * wide,
        }
        if where := next((words for words, found in wrong.items() if found), ""):
            raise OutputError(
                f"manifest.json: a hole of {label}, {x:.0f} mm from the rear edge, lies {where}"
            )
