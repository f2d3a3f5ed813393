"""From a foot scan to a measured foot. Knows nothing of insoles.

>>> import footscan
>>> foot = footscan.measure("sample_scans/larch_left.ply", load="half")
>>> foot.report.verdict.value
'fit for making'
>>> length = foot.measures["foot_length"]
>>> f"{length.value:.1f} ± {length.sd:.1f} {length.unit}"
'268.5 ± 0.3 mm'

The import itself costs next to nothing: what a call needs is loaded by the call.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from footscan.errors import FootscanError as FootscanError
    from footscan.front import measure as measure
    from footscan.front import measure_both as measure_both
    from footscan.results import Landmark as Landmark
    from footscan.results import Measure as Measure
    from footscan.results import MeasuredFoot as MeasuredFoot

_HOMES = {
    "FootscanError": "footscan.errors",
    "Landmark": "footscan.results",
    "Measure": "footscan.results",
    "MeasuredFoot": "footscan.results",
    "measure": "footscan.front",
    "measure_both": "footscan.front",
}
__all__ = ["FootscanError", "Landmark", "Measure", "MeasuredFoot", "measure", "measure_both"]


def __getattr__(name: str) -> object:
    """Load what is asked for."""
    import importlib

    if name not in _HOMES:
        raise AttributeError(f"module 'footscan' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
