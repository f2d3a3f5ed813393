"""What the parts of one foot do at tender spots: a relief, nothing raised, or a shim under them.

FootPlan + spots -> noted -> FootPlan with a note for each spot, in their order
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from footscan.scan import Array
from insole.planning.ramp import inside_height
from insole.planning.support.metatarsal import drop_of
from insole.planning.support.tops import ContourShape, PadTop
from insole.record.limits import Limits
from insole.record.plan import FootPlan
from insole.record.values import Note, NoteLevel

__all__ = ["noted"]

LEFT_MM = 0.1  # what is left of a support after its relief; less is none


def noted(
    foot: FootPlan,
    spots: Sequence[tuple[float, float]],
    depth: float,
    *,
    behind: float | None,
    limits: Limits,
) -> FootPlan:
    """Return the plan of a foot with a note on each tender spot.

    Parameters
    ----------
    foot : FootPlan
        As planned, with reliefs.
    spots : sequence of (x, y)
        Bed frame, mm.
    depth : float
        Depth of the reliefs that were wished, mm.
    behind : float or None
        Where the crest of a metatarsal pad was wished, behind the heads, mm.
    """
    if not spots:
        return foot
    dome = _dome(foot, behind, limits)
    notes = [_note(foot, spot, depth, dome) for spot in spots]
    return foot.model_copy(update={"notes": [*foot.notes, *notes]})


def _dome(foot: FootPlan, behind: float | None, limits: Limits) -> Callable[..., Array] | None:
    """Return how high a metatarsal pad stands at places, its own or a bed's; None without one."""
    if foot.contour is None:
        return None if foot.metatarsal is None else PadTop(foot.metatarsal).inside
    if foot.contour.metatarsal is None:
        return None
    return drop_of(foot.landmarks, foot.contour.metatarsal, behind, limits).at


def _note(
    foot: FootPlan,
    spot: tuple[float, float],
    depth: float,
    dome: Callable[..., Array] | None,
) -> Note:
    x, y = spot
    side = "big" if y > 0 else "little"
    where = f"tender spot {x:g} mm from the rear edge, {abs(y):g} mm towards the {side} toe"
    words, free = _bed(foot, spot, depth) if foot.contour is not None else _pad(foot, spot, depth)
    high = float(dome(np.array([x]), np.array([y]))[0]) if dome is not None else 0.0
    if high > LEFT_MM:  # it is laid on last, over any relief
        words, free = (
            f"NOT kept free, the metatarsal pad stands {high:.1f} mm high there: plan without it, "
            "or cut it out there by hand",
            False,
        )
    return Note(
        code="tender-spot" if free else "tender-not-free",
        level=NoteLevel.INFO if free else NoteLevel.WARN,
        text=f"{where}: {words}",
        short=f"tender spot at {x:g}/{y:g}: {words.split(':')[0]}",
    )


def _pad(foot: FootPlan, spot: tuple[float, float], depth: float) -> tuple[str, bool]:
    """Return what pad and shims do at a spot, and whether it is free."""
    at = np.array([spot[0]]), np.array([spot[1]])
    shim = float(inside_height(foot.wedges, *at)[0])
    pad = float(PadTop(foot.pad).inside(*at)[0]) if foot.pad is not None else 0.0
    if foot.pad is not None and pad > foot.pad.edge + LEFT_MM:  # it is lower by any shim under it
        return f"a relief of {depth:g} mm, which leaves the pad {pad:.1f} mm high there", True
    if shim > LEFT_MM:
        return (
            f"NOT kept free, a shim {shim:.1f} mm thick runs under it: plan without that shim, "
            "or cut it out there by hand",
            False,
        )
    return "no part is raised there", True


def _bed(foot: FootPlan, spot: tuple[float, float], depth: float) -> tuple[str, bool]:
    """Return what the contoured bed does at a spot, and whether it is free."""
    contour, at = foot.contour, (np.array([spot[0]]), np.array([spot[1]]))
    thick = float(ContourShape(contour).inside(*at)[0]) if contour is not None else 0.0
    if contour is None or thick <= 0:
        return "outside the bed, no part is raised there", True
    wedge = float(inside_height(contour.posting, *at)[0])
    if wedge > LEFT_MM:
        return (
            f"NOT kept free, the wedge built in is {wedge:.1f} mm thick there: plan without it, "
            "or grind a hollow there by hand",
            False,
        )
    if thick <= contour.plate + LEFT_MM:
        return (
            f"NOT hollowed, the bed is at its thinnest there, {thick:.1f} mm, and no more comes "
            "off: cut the cover out over it",
            False,
        )
    return f"a relief of {depth:g} mm, which leaves the bed {thick:.1f} mm thick there", True
