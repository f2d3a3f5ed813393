"""What lies in the shoe together must have room together.

    worn Parts + Plan -> clash -> sentences, one for each pair that would press into each other

The base lies on the bed; pad and inside shims lie flat on the base beside each other, dowels
between pad and base. A shim under the shoe meets none of them. Pad and shim may lie on one
another where the plan allows it: there the softer one gives. A metatarsal pad lies on the forefoot
shim if there is one, and clear of the arch pad.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any

import shapely

from footscan.measuring.pose import mirror
from footscan.scan import Array, Side
from insole.parts import sockets, solids
from insole.parts.part import Part, solid_of
from insole.planning.dowels import DOWEL_MM, PAD_DEPTH_MM
from insole.record.limits import default_limits
from insole.record.plan import FootPlan, Plan

__all__ = ["clash"]

LYING = ("base", "arch-pad", "metatarsal-pad", "forefoot-shim", "heel-shim")
SMALL_MM3 = 2.0  # a smear of glue; boolean operations on touching faces leave far less
SLACK_MM = 0.05  # of the overlap that the plan allows
OVERLAP = "keepout.shim_overlap"
ADVICE = {
    frozenset({"base", "arch-pad"}): "move the pad forward, or plan a lower heel rim",
    frozenset({"base", "heel-shim"}): "plan the base without a heel rim, or with a lower one",
    frozenset({"base", "forefoot-shim"}): "plan the base again",
    frozenset({"arch-pad", "metatarsal-pad"}): "move the arch pad back, or plan a lower metatarsal "
    "pad",
    frozenset({"base", "dowels"}): "pad and base are of different plans; make both from one plan",
    frozenset({"arch-pad", "dowels"}): "pad and base are of different plans; make both from one "
    "plan",
}
ON_TOP = frozenset({"metatarsal-pad", "forefoot-shim"})  # one lies on the other, taped or glued
OTHERWISE = "plan them again so that one ends where the other begins"


def clash(parts: Sequence[Part], plan: Plan) -> list[str]:
    """Return what would press into what in the shoe, one sentence for each pair; none is good.

    Parameters
    ----------
    parts : sequence of Part
        Worn parts of the plan, of one foot or both; those that are missing are not looked at.
    plan : Plan
        Where the parts lie: thickness of the base, sockets, the overlap of pad and shim.

    Raises
    ------
    ValueError
        A part is not worn.
    """
    if unworn := [part.label for part in parts if not part.worn]:
        raise ValueError(f"{unworn[0]} is not worn yet: pass it through as_worn first")
    overlap = plan.limits.get(OVERLAP, default_limits().value(OVERLAP))
    found = []
    for foot in plan.feet:
        mine = {part.name: part for part in parts if part.side.value == foot.side}
        lying = dict(_lying(mine, foot))
        for (one, a), (other, b) in combinations(lying.items(), 2):
            if {one, other} == ON_TOP:
                continue
            shared = float(_shared(a, b, {one, other}, foot.base.thickness + overlap))
            if shared > SMALL_MM3:
                advice = ADVICE.get(frozenset({one, other}), OTHERWISE)
                found.append(
                    f"{foot.side} foot: {_words(one)} and {_words(other)} would press into each "
                    f"other in the shoe, {shared:.0f} mm³ of them; {advice}"
                )
    return found


def _words(name: str) -> str:
    return name.replace("-", " ")


def _lying(mine: Mapping[str, Part], foot: FootPlan) -> Iterator[tuple[str, Any]]:
    """Yield the parts of a foot as solids where they lie above the bed."""
    top = foot.base.thickness
    for name, part in mine.items():
        if name in LYING:
            solid = solid_of(part)
            yield name, solid if name == "base" else solid.translate((0.0, 0.0, top))
    if "dowels" in mine and foot.base.dowels:
        yield "dowels", _pins(foot)


def _pins(foot: FootPlan) -> Any:
    """Return the dowels in their sockets, pushed into the pad as far as they go."""
    places: Array = shapely.get_coordinates(shapely.points(foot.base.dowels))
    if Side(foot.side) is Side.LEFT:
        places = mirror(places)
    top = foot.base.thickness + PAD_DEPTH_MM
    return solids.prism(
        sockets.discs(places.tolist(), DOWEL_MM), top - sockets.length(foot.base), top
    )


def _shared(a: Any, b: Any, names: set[str], level: float) -> float:
    """Return the volume that two parts share beyond what may lie on one another, mm3."""
    both = a ^ b
    if "arch-pad" in names and not names & {"base", "dowels", "metatarsal-pad"}:
        both = both.trim_by_plane((0.0, 0.0, 1.0), level + SLACK_MM)
    return float(both.volume())
