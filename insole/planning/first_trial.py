"""What an outline is enough for: a first trial with a kit pad and a wedge that was asked for.

    Traced (typed arch height) + Kit + Limits -> first_trial -> FirstTrial

No plan and no parts: there is no sole to follow. The pad's height comes from the arch height that
somebody measured by ruler at a stated place, filled as far as a pad may while load or bed is not
known, never from the foot's length. Its place is that of the ruler, with a band as wide as a ruler
held by a rider. A wedge is only ever the fitter's wish; a tilt measured by hand is said, not built.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from footscan.scan import Side
from insole.errors import PlanError, RefusedError
from insole.planning.support.kit import Kit, KitPad
from insole.planning.wedge_rules import tilt
from insole.record.limits import Limits

if TYPE_CHECKING:
    from footscan.outline.traced import Traced

__all__ = ["FirstTrial", "first_trial"]

COVERAGE = 1.96
PLACE_SD_MM = 6.0  # of a ruler held under an arch by a rider; common practice, no source
HEIGHT_SD_MM = 2.0  # of what it reads; common practice, no source
LENGTH_SHARE = 0.30  # of the foot's length, a pad's at most; common practice, no source
WIDTH_SHARE = 0.55  # of the heel's breadth, a pad's at most; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstTrial:
    """A first trial for one foot.

    Attributes
    ----------
    side : Side
        Which foot.
    pad : KitPad or None
        None: nothing tells how high.
    crest_at, crest_band : float
        Where its crest goes, mm from the back of the heel, and the 95 % band.
    wedge : float or None
        Inside forefoot wedge, degrees, + big-toe side up (varus); None: no wish.
    reasons : tuple of str
        Why, and what is not known.
    """

    side: Side
    pad: KitPad | None
    crest_at: float = 0.0
    crest_band: float = 0.0
    wedge: float | None = None
    reasons: tuple[str, ...] = ()


def first_trial(foot: Traced, kit: Kit, limits: Limits, wedge: float | None = None) -> FirstTrial:
    """Return the first trial that an outline supports.

    Parameters
    ----------
    foot : Traced
        Not one that is to be traced again.
    kit : Kit
        The workshop's pads.
    limits : Limits
        ``support.unsure``, ``wedge.forefoot.refuse_deg``.
    wedge : float or None
        The fitter's wish, degrees; None is no wish, not a wish of zero.

    Raises
    ------
    insole.errors.PlanError
        The wish is no number.
    insole.errors.RefusedError
        The wish is beyond what is built in at the forefoot.
    """
    reasons: list[str] = []
    pad = _pad(foot, kit, limits, reasons)
    _check_wedge(foot, limits, wedge, reasons)
    typed = foot.typed
    return FirstTrial(
        side=foot.side,
        pad=pad,
        crest_at=typed.arch_at or 0.0,
        crest_band=round(COVERAGE * PLACE_SD_MM, 0) if pad is not None else 0.0,
        wedge=wedge,
        reasons=tuple(reasons),
    )


def _pad(foot: Traced, kit: Kit, limits: Limits, reasons: list[str]) -> KitPad | None:
    typed = foot.typed
    if typed.arch_height is None or typed.arch_at is None:
        reasons.append("no pad: the arch height was not measured, and an outline shows none")
        return None
    if any(f.code == "arch-place" for f in foot.report.findings):
        reasons.append("no pad: the arch height was not taken at the arch; measure it again")
        return None
    length, heel = foot.measures["foot_length"].value, foot.measures["heel_breadth_max"].value
    assert length is not None
    assert heel is not None
    share = limits.value("support.unsure")
    most = share * typed.arch_height
    fits = [
        pad
        for pad in kit.pads
        if pad.height <= most
        and pad.length <= LENGTH_SHARE * length
        and pad.width <= WIDTH_SHARE * heel
    ]
    if not fits:
        reasons.append(
            f"no pad: under an arch of {typed.arch_height:g} mm a first pad may be {most:.1f} mm "
            f"high, and the kit '{kit.name}' has none so low that suits the foot"
        )
        return None
    best = max(fits, key=lambda pad: (pad.height, pad.length, pad.width))
    reasons.append(
        f"pad {best.name}: at most {100 * share:.0f} % of the arch height of {typed.arch_height:g} "
        f"± {COVERAGE * HEIGHT_SD_MM:.0f} mm that was measured by hand, bed and sole not known"
    )
    return best


def _check_wedge(foot: Traced, limits: Limits, wedge: float | None, reasons: list[str]) -> None:
    forefoot = foot.typed.forefoot_tilt
    if forefoot is not None:
        up = "big-toe" if forefoot > 0 else "little-toe"
        how = f"{tilt(forefoot)}, {up} side up" if forefoot else "level"
        reasons.append(f"forefoot tilt by hand: {how}; said, not built in")
    if wedge is None:
        reasons.append("no wedge: none was asked for")
        return
    if not math.isfinite(wedge):
        raise PlanError("a wedge wants a number of degrees, + is big-toe side up")
    most = limits.value("wedge.forefoot.refuse_deg")
    if abs(wedge) > most:
        raise RefusedError(
            f"a wedge of {wedge:+g} degrees at the forefoot is beyond {most:g} degrees; a first "
            "trial from an outline starts with less"
        )
