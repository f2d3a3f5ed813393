"""From a foot scan to a measured foot: the front door of the scan side.

>>> import footscan
>>> foot = footscan.measure("sample_scans/larch_left.ply", load="half")
>>> foot.facts.side, str(foot.report.verdict)
('left', 'fit for making')
>>> length = foot.measures["foot_length"]
>>> f"{length.value:.0f} {length.unit}, sd {length.sd:.1f}"
'268 mm, sd 0.3'
>>> foot.landmarks["arch_apex"].xyz.shape  # foot frame: x forward, y medial, z up, mm
(3,)

Every name below is loaded when it is first asked for, so that importing the package takes no time.
Whatever a scan or a statement lacks is a :class:`FootscanError` with one sentence for people.
Modules inside may move; these names stay. Knows nothing of insoles.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from footscan.door import check, check_pair, measure, measure_feet, record, to_scanner
    from footscan.errors import (
        FootscanError,
        LandmarkError,
        PoseError,
        ScanQualityError,
        ScanReadError,
        SideError,
        StatedError,
        UnitsError,
    )
    from footscan.results import (
        Finding,
        Landmark,
        Measure,
        MeasuredFoot,
        ScanFacts,
        ScanReport,
        Severity,
        Verdict,
    )

_HOMES = {
    "footscan.door": ("check", "check_pair", "measure", "measure_feet", "record", "to_scanner"),
    "footscan.errors": (
        "FootscanError",
        "LandmarkError",
        "PoseError",
        "ScanQualityError",
        "ScanReadError",
        "SideError",
        "StatedError",
        "UnitsError",
    ),
    "footscan.results": (
        "Finding",
        "Landmark",
        "Measure",
        "MeasuredFoot",
        "ScanFacts",
        "ScanReport",
        "Severity",
        "Verdict",
    ),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Finding",
    "FootscanError",
    "Landmark",
    "LandmarkError",
    "Measure",
    "MeasuredFoot",
    "PoseError",
    "ScanFacts",
    "ScanQualityError",
    "ScanReadError",
    "ScanReport",
    "Severity",
    "SideError",
    "StatedError",
    "UnitsError",
    "Verdict",
    "check",
    "check_pair",
    "measure",
    "measure_feet",
    "record",
    "to_scanner",
]


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module 'footscan' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
