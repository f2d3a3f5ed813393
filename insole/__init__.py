"""From a measured foot to a plan, parts on the bench and papers.

>>> import footscan, insole
>>> left = footscan.measure("sample_scans/larch_left.ply", load="half")
>>> plan = insole.plan(left=left, shoe="sample_scans/shoe.toml", support=0.8, forefoot=2)
>>> plan.left.pad.support_level, plan.left.wedges[0].words  # the shoe keeps 1 degree
(0.8, '1° varus, thick on the big-toe side')
>>> [part.name for part in insole.build(plan).left]
['base', 'arch-pad', 'forefoot-shim']

A fitting aid, not a diagnosis; foot pain calls for clinical advice. The import itself costs next
to nothing: what a call needs is loaded by the call.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from insole.version import __version__ as __version__

if TYPE_CHECKING:
    from insole.errors import InsoleError as InsoleError
    from insole.front import Built as Built
    from insole.front import BuiltPart as BuiltPart
    from insole.front import build as build
    from insole.front import fit as fit
    from insole.front import log_trial as log_trial
    from insole.front import make as make
    from insole.front import plan as plan
    from insole.front import read_plan as read_plan
    from insole.planning.fit import FitResult as FitResult
    from insole.record.plan import Plan as Plan
    from insole.trials.trial import Trial as Trial

_HOMES = {
    "InsoleError": "insole.errors",
    "Built": "insole.front",
    "BuiltPart": "insole.front",
    "build": "insole.front",
    "fit": "insole.front",
    "log_trial": "insole.front",
    "make": "insole.front",
    "plan": "insole.front",
    "read_plan": "insole.front",
    "FitResult": "insole.planning.fit",
    "Plan": "insole.record.plan",
    "Trial": "insole.trials.trial",
}
__all__ = [
    "Built", "BuiltPart", "FitResult", "InsoleError", "Plan", "Trial", "__version__", "build",
    "fit", "log_trial", "make", "plan", "read_plan",
]  # fmt: skip


def __getattr__(name: str) -> object:
    """Load what is asked for."""
    import importlib

    if name not in _HOMES:
        raise AttributeError(f"module 'insole' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
