"""What is wished under the arch of one foot: pad, metatarsal pad or contoured bed, or none.

Seating + SupportWish + wedges + Job -> supported -> PadResult
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from footscan.results import MeasuredFoot
from insole.errors import PlanError
from insole.planning import seating
from insole.planning.job import Job
from insole.planning.support import contour
from insole.planning.support import pad as support
from insole.planning.support.metatarsal import plan_metatarsal
from insole.planning.support.wish import SupportWish
from insole.record.planned_parts import WedgePlan

__all__ = ["supported"]


def supported(
    seated: seating.Seating,
    measured: MeasuredFoot,
    wish: SupportWish,
    wedges: Sequence[WedgePlan],
    job: Job,
) -> support.PadResult:
    """Return the pads or the contoured bed of one foot, or why there is none."""
    if wish.contoured is not None and not job.without_arch:
        made, notes = contour.plan_contour(
            seated,
            measured,
            limits=job.limits,
            wedges=wedges,
            overrides=job.overrides,
            memory=job.memory,
            wish=wish,
        )
        because = "the contoured bed carries the arch in one piece"
        return support.PadResult(pad=None, because=because, contour=made, notes=notes)
    pads = _pad(seated, wish, wedges, job)
    if wish.metatarsal is None:
        if wish.behind is not None:
            raise PlanError(
                "a place behind the heads is wished for a metatarsal pad, but no height; wish "
                "that as well"
            ).asking("metatarsal")
        return pads
    dome, notes = plan_metatarsal(
        seated,
        wish.metatarsal,
        behind=wish.behind,
        limits=job.limits,
        pad=pads.pad,
        wedges=wedges,
    )
    return replace(pads, metatarsal=dome, notes=(*pads.notes, *notes))


def _pad(
    seated: seating.Seating, wish: SupportWish, wedges: Sequence[WedgePlan], job: Job
) -> support.PadResult:
    """Return the pad of one foot, or why there is none."""
    if job.without_arch:
        because = "planned without the arch: this scan is used for shims and a flat base only"
        return support.PadResult(pad=None, because=because)
    if wish.pad is False:
        return support.PadResult(pad=None, because="no pad was wished")
    return support.plan_pad(
        seated,
        wish=wish,
        limits=job.limits,
        kit=job.wishes.kit,
        wedges=wedges,
        overrides=job.overrides,
        memory=job.memory,
    )
