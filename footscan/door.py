"""What a script calls: one function a job, options in plain words.

    file(s), what is stated of them -> measure -> MeasuredFoot -> check -> ScanReport

Names and values of options are the command line's, with underscores. Frames: landmarks lie in the
foot frame (origin below the rearmost point of the heel, +x forward, +y medial, +z up, mm; a left
foot is mirrored once); coordinates given to ``landmarks=`` are the scan's own, times its unit.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal, TypedDict, TypeVar, Unpack

import numpy as np
from numpy.typing import ArrayLike

from footscan import pipeline, told
from footscan.errors import ScanReadError, SideError, StatedError
from footscan.measuring.sizes import EuRule
from footscan.quality import findings as quality
from footscan.quality import pair as quality_pair
from footscan.results import Finding, MeasuredFoot, ScanReport
from footscan.scan import Array, Kind, Load, Side, Unit, as_points

__all__ = [
    "Files",
    "Stated",
    "check",
    "check_pair",
    "measure",
    "measure_feet",
    "record",
    "to_scanner",
    "with_findings",
]

Files = str | Path | Sequence[str | Path]
HAND_LENGTHS_MM = (100.0, 400.0)
Choice = TypeVar("Choice", bound=StrEnum)


class Stated(TypedDict, total=False):
    """What may be stated of a scan; what is left out is told from the scan, or stays open.

    side
        ``"left"`` or ``"right"``.
    unit
        Of the file: ``"mm"``, ``"cm"``, ``"m"`` or ``"inch"``; or `scale`, mm per file unit.
    load
        Body weight on the foot: ``"none"``, ``"seated"``, ``"half"`` or ``"full"``.
    kind
        ``"standing"``, ``"hanging"``, ``"sole"`` or ``"impression"``.
    foot_length
        Measured by hand, mm, 100 to 400: verifies the scale.
    scanner_log, scanner
        Log of the scanner's checks, and which scanner of it: verifies the scale.
    card
        The printed scale card lies in the scan, which has colours of its points (no texture):
        verifies the scale.
    hand_held
        The scanner was moved by hand.
    landmarks
        Landmarks set by hand: name to (x, y, z) in scan coordinates times their unit, mm.
    by_eye
        Names of those that nobody felt for: no surer than where they were found.
    eu_rule
        ``"two-points"`` or ``"fifteen-mm"``.
    """

    side: Literal["left", "right"] | None
    unit: Literal["mm", "cm", "m", "inch"] | None
    scale: float | None
    load: Literal["none", "seated", "half", "full"] | None
    kind: Literal["standing", "hanging", "sole", "impression"] | None
    foot_length: float | None
    scanner_log: str | Path | None
    scanner: str
    card: bool
    hand_held: bool
    landmarks: Mapping[str, ArrayLike] | None
    by_eye: Collection[str]
    eu_rule: Literal["two-points", "fifteen-mm"]


def measure(scan: Files, **stated: Unpack[Stated]) -> MeasuredFoot:
    """Return the measured foot in a scan.

    Parameters
    ----------
    scan : path, or sequence of paths
        One file, or several shots of one foot in one frame.
    **stated : Stated
        ``side``, ``unit`` or ``scale``, ``load``, ``kind``, ``foot_length``, ``scanner_log``,
        ``scanner``, ``card``, ``hand_held``, ``landmarks``, ``eu_rule``: see :class:`Stated`.

    Returns
    -------
    MeasuredFoot
        Landmarks (foot frame, mm, with sd), measures (value, unit, sd; None with a reason where
        the scan does not show them), sizes, and the report with its verdict. A scan that must be
        taken again is measured as far as it goes: read ``foot.report.verdict``.

    Raises
    ------
    footscan.FootscanError
        The file cannot be read, shows no foot or two, or its unit or side cannot be told.
    footscan.StatedError
        Something stated is not one of its choices.

    Examples
    --------
    >>> foot = measure("sample_scans/larch_right.ply", load="half")
    >>> foot.measures["arch_apex_height"].unit
    'mm'
    >>> measure("sample_scans/larch_right.ply", load="heavy")
    Traceback (most recent call last):
    footscan.errors.StatedError: load is one of none, seated, half, full, not 'heavy'
    """
    feet = measure_feet(scan, **stated)
    if len(feet) != 1:
        raise ScanReadError(
            f"{_names(scan)} shows two feet; take both with footscan.measure_feet, or give each "
            "foot in a file of its own"
        )
    return feet[0]


def measure_feet(scan: Files, **stated: Unpack[Stated]) -> tuple[MeasuredFoot, ...]:
    """Return the measured feet in a scan that may show both: one foot or two.

    Parameters, errors: as for :func:`measure`.
    """
    paths = [Path(scan)] if isinstance(scan, str | Path) else [Path(path) for path in scan]
    if not paths:
        raise ScanReadError("no scan was given; name one or more scan files")
    options = _options(dict(stated))
    kept = _kept(dict(stated), several=len(paths) > 1)
    return tuple(replace(foot, stated=kept) for foot in pipeline.measure_feet_in(paths, options))


def check(scan: Files | MeasuredFoot, **stated: Unpack[Stated]) -> ScanReport:
    """Return what is found about a scan, and its verdict.

    Parameters
    ----------
    scan : path, sequence of paths, or MeasuredFoot
        A scan of one foot, or a foot that was measured already.
    **stated : Stated
        As for :func:`measure`; not with a foot that was measured already.

    Raises
    ------
    footscan.FootscanError
        As for :func:`measure`.

    Examples
    --------
    >>> report = check("sample_scans/larch_right_to_send_back.ply")
    >>> str(report.verdict)
    'scan again'
    >>> [finding.advice for finding in report.deciding] != []
    True
    """
    if isinstance(scan, MeasuredFoot):
        if stated:
            raise StatedError(
                f"{', '.join(stated)}: this foot was measured already; state it to footscan.measure"
            )
        return scan.report
    return measure(scan, **stated).report


def check_pair(left: MeasuredFoot, right: MeasuredFoot) -> tuple[MeasuredFoot, MeasuredFoot]:
    """Return both feet with what each shows of the other's scan, and the verdicts of all that.

    Raises
    ------
    footscan.SideError
        They are not a left and a right foot.
    """
    for foot, side in ((left, Side.LEFT), (right, Side.RIGHT)):
        if foot.foot.side is not side:
            raise SideError(
                f"{foot.facts.file} shows a {foot.foot.side} foot and was given as the {side} one; "
                "give the left foot first"
            )
    found = quality_pair.pair_findings(left, right)
    return with_findings(left, found), with_findings(right, found)


def record(foot: MeasuredFoot, version: str = "") -> dict[str, Any]:
    """Return the record that ``measure --json`` prints for a foot: plain data, mm.

    Parameters
    ----------
    foot : MeasuredFoot
    version : str
        Of the tool, for the record.
    """
    return told.as_json(foot, version)


def to_scanner(foot: MeasuredFoot, points: ArrayLike) -> Array:
    """Return points of the foot frame in the scan's own coordinates times its unit, mm.

    For a landmark that was moved on the measured foot: ``measure(..., landmarks=)`` takes it there.

    Parameters
    ----------
    foot : MeasuredFoot
    points : array_like, shape (n, 3) or (3,)
        Foot frame, mm.

    Returns
    -------
    ndarray, same shape
        Scanner frame, mm; a left foot is mirrored back.
    """
    given = np.asarray(points, dtype=float)
    inverse = np.linalg.inv(foot.foot.pose)
    moved: Array = as_points(np.atleast_2d(given)) @ inverse[:3, :3].T + inverse[:3, 3]
    return moved.reshape(given.shape)


# ---- what is stated ----------------------------------------------------------------------


def _options(stated: dict[str, Any]) -> pipeline.Options:
    """Return the pipeline's options for what was stated."""
    if unknown := sorted(set(stated) - set(Stated.__annotations__)):
        raise StatedError(
            f"there is nothing called {unknown[0]!r} to state of a scan; it is one of "
            f"{', '.join(Stated.__annotations__)}"
        )
    scale, length = stated.get("scale"), stated.get("foot_length")
    if stated.get("unit") and scale is not None:
        raise StatedError("give unit or scale, not both")
    if scale is not None and not 1e-6 < scale < 1e6:
        raise StatedError(f"scale is a positive number of mm per file unit, not {scale!r}")
    low, high = HAND_LENGTHS_MM
    if length is not None and not low <= length <= high:
        raise StatedError(f"foot_length is a number of mm, {low:g} to {high:g}, not {length!r}")
    marks = {name: np.asarray(xyz, float) for name, xyz in (stated.get("landmarks") or {}).items()}
    rule = stated.get("eu_rule") or "two-points"
    rules = {"two-points": EuRule.TWO_POINTS, "fifteen-mm": EuRule.FIFTEEN_MM}
    if rule not in rules:
        raise StatedError(f"eu_rule is one of {', '.join(rules)}, not {rule!r}")
    return pipeline.Options(
        side=_chosen(Side, "side", stated),
        unit=_chosen(Unit, "unit", stated),
        scale=scale,
        kind=_chosen(Kind, "kind", stated),
        load=_chosen(Load, "load", stated) or Load.UNKNOWN,
        hand_length=length,
        scale_evidence=_scale_evidence(stated),
        card=bool(stated.get("card")),
        hand_held=bool(stated.get("hand_held")),
        by_hand=marks,
        by_eye=tuple(sorted(stated.get("by_eye") or ())),
        eu_rule=rules[rule],
    )


def _chosen(kind: type[Choice], name: str, stated: Mapping[str, Any]) -> Choice | None:
    """Return the choice that was stated, or None."""
    value = stated.get(name)
    if value is None:
        return None
    choices = [one.value for one in kind if one is not Load.UNKNOWN]
    if value not in choices:
        raise StatedError(f"{name} is one of {', '.join(choices)}, not {value!r}")
    return kind(value)


def _scale_evidence(stated: Mapping[str, Any]) -> Any:
    """Return what the log of a scanner's checks says of its scale today."""
    from datetime import date

    from footscan.checking import artefact_log, log_file

    log, scanner = stated.get("scanner_log"), stated.get("scanner") or ""
    if log is None:
        if scanner:
            raise StatedError("scanner names a scanner in a log; give scanner_log as well")
        return None
    return artefact_log.evidence(log_file.read(Path(log)), date.today(), scanner)


def _kept(stated: Mapping[str, Any], several: bool) -> dict[str, object]:
    """Return what was stated as plain data, for the plan's record of its sources."""
    names = ("side", "unit", "scale", "load", "kind", "foot_length", "card", "hand_held")
    kept: dict[str, object] = {name: stated[name] for name in names if stated.get(name)}
    if several:
        kept["one_foot"] = True
    if stated.get("landmarks"):
        kept["landmark"] = {
            name: [float(v) for v in np.ravel(xyz)] for name, xyz in stated["landmarks"].items()
        }
        kept["by_eye"] = sorted(stated.get("by_eye") or ())
    return kept


def with_findings(foot: MeasuredFoot, more: Sequence[Finding]) -> MeasuredFoot:
    """Return the foot with more findings about its scan, and the verdict of all of them."""
    findings = (*foot.report.findings, *more)
    report = ScanReport(verdict=quality.verdict(list(findings)), findings=findings)
    return replace(foot, report=report)


def _names(scan: Files) -> str:
    return (
        Path(scan).name
        if isinstance(scan, str | Path)
        else " + ".join(Path(path).name for path in scan)
    )
