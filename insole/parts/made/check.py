"""A made part held against its plan: where there is too much material, and where too little.

    Scan, Part -> check_made -> MadeCheck -> text, JSON, insole.output.pictures.made_part

The scan is read in the unit in which it has the planned part's size, freed of the table, laid on
the part and on its mirror image, held by its underside or table and its rim, and then compared
over the top in cells of 1 mm.

Frame: the planned part's own worn frame, mm; places in words are measured from the part's own
rear end and from its medial edge at that station.

Signs: scan minus plan along the plan's normal, + is too much material.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from footscan.errors import FootscanError
from footscan.scan import Array, Scan, Side, Unit
from insole.errors import RefusedError
from insole.parts.made.datums import Held, Placed, placed
from insole.parts.made.laying import Laid, lay
from insole.parts.made.map import Patch, TopMap, over_top, patches
from insole.parts.made.planned import planned
from insole.parts.made.scan import PartScan, part_scans
from insole.parts.part import Part

__all__ = ["TOLERANCE_MM", "MadeCheck", "NotThisPartError", "check_made"]

TOLERANCE_MM = 0.5  # what a fingertip finds under a thin cover; common practice, no source
LEAST_SEEN = 0.1  # of the top: with less nothing can be said of it
NO_FIT_MM = 0.75  # misfit both ways beyond which a scan shows another part
LOOSE_MM = 0.4  # beyond it a part of another case may fit as well
SIDE_MM = 0.15  # difference of both misfits, squared apart, from which the side is told


class NotThisPartError(FootscanError):
    """The scan shows another part than the one asked for, or one that does not tell its side."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeCheck:
    """What came of holding a scanned part against its plan.

    Attributes
    ----------
    part : str
        Label of the planned part.
    file : str
        Name of the scan.
    side : Side
        The foot the part is for.
    side_told : bool
        False where the mirrored part fits as well.
    misfit, mirrored_misfit : float
        Root mean square distance, at most 2 mm each, of the best fit on the part and on its
        mirror image, mm.
    unit : str
        Unit of the file and how it was told.
    tolerance : float
        mm.
    top : TopMap
        Deviation over the top.
    patches : tuple of Patch
        Beyond the tolerance first, the largest first; then the highest and the lowest place.
    placed : Placed
        What the part was held by.
    notes : tuple of str
        What else the reader must know.
    """

    part: str
    file: str
    side: Side
    side_told: bool
    misfit: float
    mirrored_misfit: float
    unit: str
    tolerance: float
    top: TopMap
    patches: tuple[Patch, ...]
    placed: Placed
    notes: tuple[str, ...]

    @property
    def values(self) -> Array:
        """Deviations of the cells that were seen, mm."""
        return np.asarray(self.top.deviation[np.isfinite(self.top.deviation)])

    @property
    def mean(self) -> float:
        """Mean deviation, mm."""
        return float(self.values.mean())

    @property
    def rms(self) -> float:
        """Root mean square deviation, mm."""
        return float(np.sqrt((self.values**2).mean()))

    @property
    def p95(self) -> float:
        """What 95 % of the top stay within, mm."""
        return float(np.percentile(np.abs(self.values), 95))

    @property
    def unseen(self) -> float:
        """Share of the compared top that the scan does not show, 0 to 1."""
        return 1.0 - len(self.values) / max(1, int(self.top.on_top.sum()))

    @property
    def within(self) -> bool:
        """Whether no place is beyond the tolerance."""
        return not any(patch.beyond for patch in self.patches)


def check_made(
    scan: Scan,
    parts: Sequence[Part],
    *,
    tolerance: float = TOLERANCE_MM,
    unit: Unit | None = None,
    scale: float | None = None,
) -> MadeCheck:
    """Return how a scanned part differs from the planned one.

    Parameters
    ----------
    scan : Scan
        The made part, any pose, with or without the table it lies on, in the file's unit.
    parts : sequence of Part
        The planned part; the left and the right one where the side was not stated: the one that
        fits is taken.
    tolerance : float
        mm, above 0.
    unit, scale : Unit or None, float or None
        Stated unit of the file, or mm per file unit.

    Raises
    ------
    insole.errors.RefusedError
        The other foot's part fits clearly better.
    NotThisPartError
        Neither fits; or the side was not stated and cannot be told; or too little was seen.
    footscan.errors.UnitsError, footscan.errors.ScanReadError
        No unit fits, or too few points show the part.
    ValueError
        No part, or a tolerance that is not above 0.
    """
    if not parts or not tolerance > 0:
        raise ValueError(f"wants parts and a tolerance above 0, got {len(parts)}, {tolerance}")
    tries = [_fitted(scan, part, unit, scale) for part in parts]
    errors = [one for one in tries if isinstance(one, FootscanError)]
    fits = sorted(
        (one for one in tries if not isinstance(one, FootscanError)),
        key=lambda one: one.own.misfit,
    )
    if not fits:
        raise errors[0]
    best = fits[0]
    _refuse_others(best, stated=len(parts) == 1)
    if len(fits) > 1 and not _apart(best.own.misfit, fits[1].own.misfit):
        raise NotThisPartError(
            "the left and the right part fit this scan alike, so the side cannot be told from it; "
            "state it"
        ).asking("side")
    return _checked(best, scan, tolerance, told_from_both=len(parts) > 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """A scan laid on a part and on its mirror image."""

    part: Part
    scan: PartScan
    own: Laid
    mirrored: Laid


def _fitted(
    scan: Scan, part: Part, unit: Unit | None, scale: float | None
) -> _Fitted | FootscanError:
    """Return the scan laid on the part, in the unit that fits best, or why it cannot be."""
    target, other = planned(part), planned(part, mirrored=True)
    try:
        shots = part_scans(scan, target.rim, unit=unit, scale=scale)
    except FootscanError as error:
        return error
    found = [
        _Fitted(part=part, scan=one, own=lay(one.points, target), mirrored=lay(one.points, other))
        for one in shots
    ]
    return min(found, key=lambda one: min(one.own.misfit, one.mirrored.misfit))


def _apart(first: float, second: float) -> bool:
    """Return whether two misfits differ by more than noise and a ground place explain."""
    return abs(first**2 - second**2) > SIDE_MM**2


def _refuse_others(fit: _Fitted, *, stated: bool) -> None:
    """Refuse a scan of the other foot's part, or of another part."""
    own, mirrored = fit.own.misfit, fit.mirrored.misfit
    words = f"off by {own:.2f} mm as the {fit.part.side} part, {mirrored:.2f} mm as the other"
    if min(own, mirrored) > NO_FIT_MM:
        raise NotThisPartError(
            f"the scan does not show the {fit.part.label}: it is {words} foot's (root mean "
            f"square, limit {NO_FIT_MM:g} mm); check which part and plan were named, or scan the "
            "whole part"
        ).asking("part")
    if mirrored < own and _apart(own, mirrored):
        raise RefusedError(
            f"this is the other foot's part: the scan is {words} foot's (root mean square); do not "
            f"fit it as the {fit.part.label}" + ("" if stated else ", and check the plan")
        )


def _checked(fit: _Fitted, scan: Scan, tolerance: float, *, told_from_both: bool) -> MadeCheck:
    """Return the comparison of a scan that shows the part."""
    held = placed(fit.scan, fit.own)
    told = _apart(fit.own.misfit, fit.mirrored.misfit)
    top = over_top(held)
    if np.isfinite(top.deviation).sum() < LEAST_SEEN * max(1, int(top.on_top.sum())):
        raise NotThisPartError(
            f"the scan hardly shows the top of the {fit.part.label}, the face towards the foot; "
            "scan it with that side up"
        )
    loose: tuple[str, ...] = ()
    if fit.own.misfit > LOOSE_MM:
        loose = (
            f"It fits loosely ({fit.own.misfit:.2f} mm root mean square): read the label and make "
            "sure that it is the part of this plan.",
        )
    notes = (*fit.scan.notes, *loose, *_notes(held, told, fit.part.side, told_from_both))
    return MadeCheck(
        part=fit.part.label,
        file=" + ".join(scan.files),
        side=fit.part.side,
        side_told=told,
        misfit=fit.own.misfit,
        mirrored_misfit=fit.mirrored.misfit,
        unit=fit.scan.evidence,
        tolerance=tolerance,
        top=top,
        patches=patches(top, held.planned, tolerance),
        placed=held,
        notes=notes,
    )


def _notes(held: Placed, told: bool, side: Side, told_from_both: bool) -> list[str]:
    """Return what the reader must know of how the part was held."""
    notes = []
    if not told:
        notes.append(
            f"The side cannot be told from this scan: the mirrored part fits as well; it was "
            f"taken as {side}."
        )
    elif told_from_both:
        notes.append(f"It is the {side} part: the other one does not fit.")
    if held.held is Held.TABLE:
        notes.append("The underside was not seen: it was taken as lying flat on the table.")
    if held.held is Held.TOP:
        notes.append(
            "Neither the underside nor a table under it holds the part here: one that is too thick "
            "or too thin all over, or tilted, does not show; measure its thickness with a "
            "calliper, or scan it on a table with 3 cm of the table around it."
        )
    if not held.by_rim:
        notes.append("Too little of the rim was seen: the part was placed by its top alone.")
    return notes
