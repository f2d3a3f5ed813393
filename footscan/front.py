"""What ``import footscan`` offers: scan files and what is known of them, to measured feet.

measure, measure_both -> footscan.pipeline -> MeasuredFoot
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.errors import SideError

if TYPE_CHECKING:
    from footscan.pipeline import Options
    from footscan.results import MeasuredFoot

__all__ = ["measure", "measure_both", "stated"]

Files = str | Path | Sequence[str | Path]


def measure(
    scan: Files,
    *,
    load: str = "unknown",
    side: str | None = None,
    unit: str | None = None,
    scale: float | None = None,
    kind: str | None = None,
    foot_length: float | None = None,
    hand_held: bool = False,
    landmarks: Mapping[str, Sequence[float]] | None = None,
) -> MeasuredFoot:
    """Return the measured foot in a scan: landmarks, measures and the scan's verdict.

    Parameters
    ----------
    scan : path or sequence of paths
        One file, or several shots of one foot in one frame.
    load : str
        ``"none"``, ``"seated"``, ``"half"``, ``"full"`` or ``"unknown"``.
    side, unit, kind : str or None
        ``"left"``; ``"mm"``, ``"cm"``, ``"m"``, ``"inch"``; ``"standing"``, ``"hanging"``,
        ``"sole"``, ``"impression"``. None: told from the scan.
    scale : float or None
        Millimetres per file unit, instead of `unit`.
    foot_length : float or None
        Foot length by hand, mm: verifies the scale.
    hand_held : bool
        The scanner was moved by hand.
    landmarks : mapping of str to three numbers, or None
        Landmarks set by hand, in the scan's own coordinates times its unit, mm.

    Raises
    ------
    footscan.errors.FootscanError
        With one sentence that says what is wrong and what to do.
    ValueError
        A word is none of those above.

    Examples
    --------
    >>> foot = measure("sample_scans/larch_right.ply", load="half")
    >>> foot.facts.side, foot.measures["arch_apex_height"].unit
    ('right', 'mm')
    """
    from footscan import pipeline

    options = stated(load=load, side=side, unit=unit, scale=scale, kind=kind,
                     foot_length=foot_length, hand_held=hand_held, landmarks=landmarks)  # fmt: skip
    return pipeline.measure_files(_files(scan), options)


def measure_both(
    left: Files, right: Files, *, load: str = "unknown"
) -> tuple[MeasuredFoot, MeasuredFoot]:
    """Return the measured left and right foot; scans that were swapped are refused.

    Raises
    ------
    footscan.errors.FootscanError
        A scan cannot be used, or shows the other foot.
    """
    feet = measure(left, load=load), measure(right, load=load)
    for foot, wanted in zip(feet, ("left", "right"), strict=True):
        if foot.facts.side != wanted:
            raise SideError(
                f"{foot.facts.file} was given as the {wanted} foot and shows the "
                f"{foot.facts.side} one; swap the scans, or state the side"
            )
    return feet


def stated(
    *,
    load: str = "unknown",
    side: str | None = None,
    unit: str | None = None,
    scale: float | None = None,
    kind: str | None = None,
    foot_length: float | None = None,
    hand_held: bool = False,
    landmarks: Mapping[str, Sequence[float]] | None = None,
) -> Options:
    """Return what was stated of a scan, from plain words; see :func:`measure`."""
    import numpy as np

    from footscan.pipeline import Options
    from footscan.scan import Kind, Load, Side, Unit

    return Options(
        side=Side(side) if side else None,
        unit=Unit(unit) if unit else None,
        scale=scale,
        kind=Kind(kind) if kind else None,
        load=Load(load),
        hand_length=foot_length,
        hand_held=hand_held,
        by_hand={name: np.array(xyz, dtype=float) for name, xyz in (landmarks or {}).items()},
    )


def _files(scan: Files) -> list[Path]:
    return [Path(scan)] if isinstance(scan, str | Path) else [Path(path) for path in scan]
