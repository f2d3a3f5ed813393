"""From a measured foot to a plan, parts on the bench and papers: the front door.

>>> import footscan, insole
>>> foot = footscan.measure("sample_scans/larch_left.ply", load="half")
>>> plan = insole.plan(left=foot, shoe="sample_scans/shoe.toml", support=0.8, case="larch")
>>> pad = plan.left.pad
>>> pad.support_level, pad.crest.height > 5  # share of the gap wished; mm
(0.8, True)
>>> insole.sole_map(plan, "left").z.ndim  # heights above the shoe's bed, mm
2
>>> insole.plan(left=foot, suport=0.8)
Traceback (most recent call last):
insole.errors.PlanError: there is no wish 'suport'; did you mean 'support'?

Every name below is loaded when it is first asked for, so that importing the package takes no time.
What cannot be done is an error of :class:`footscan.FootscanError`'s family with one sentence for
people. Modules inside may move; these names stay. A fitting aid, not a diagnosis; foot pain calls
for clinical advice.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from insole.door.bench import Bench, Terms, fit, plan
    from insole.door.files import (
        new_shoe,
        question_sheet,
        read_answers,
        read_plan,
        read_shoe,
        shoe_library,
    )
    from insole.door.making import build, make, thick_edges
    from insole.door.parts import BuiltPart, BuiltParts, FootParts
    from insole.door.riding import Heard, log_trial, picks, propose, read_log
    from insole.door.views import (
        ContactMaps,
        HeightMap,
        Section,
        contact_maps,
        gap_map,
        outlines,
        pad_map,
        section,
        sole_map,
    )
    from insole.door.wishes import Wishes
    from insole.errors import InsoleError, OutputError, PartError, PlanError, RefusedError
    from insole.planning.fit import FitResult
    from insole.planning.planner import describe_change
    from insole.record.plan import FootPlan, Plan
    from insole.record.questions import QUESTIONS
    from insole.record.values import Note, Override
    from insole.shoe.shoe import Shoe
    from insole.trials.entry import Trial
    from insole.trials.red_flags import FLAGS as RED_FLAGS
    from insole.trials.steps import Step

__version__ = "0.1.0"

# where each name lives
_HOMES = {
    "insole.door.bench": "Bench Terms fit plan",
    "insole.door.wishes": "Wishes",
    "insole.door.parts": "BuiltPart BuiltParts FootParts",
    "insole.door.making": "build make thick_edges",
    "insole.door.views": (
        "ContactMaps HeightMap Section contact_maps gap_map outlines pad_map section sole_map"
    ),
    "insole.door.riding": "Heard log_trial picks propose read_log",
    "insole.door.files": "new_shoe question_sheet read_answers read_plan read_shoe shoe_library",
    "insole.errors": "InsoleError OutputError PartError PlanError RefusedError",
    "insole.planning.planner": "describe_change",
    "insole.record.plan": "FootPlan Plan",
    "insole.record.values": "Note Override",
    "insole.planning.fit": "FitResult",
    "insole.shoe.shoe": "Shoe",
    "insole.trials.entry": "Trial",
    "insole.trials.steps": "Step",
    "insole.record.questions": "QUESTIONS",
}
_HOME = {name: (module, name) for module, names in _HOMES.items() for name in names.split()}
_HOME["RED_FLAGS"] = ("insole.trials.red_flags", "FLAGS")

__all__ = [
    "QUESTIONS",
    "RED_FLAGS",
    "Bench",
    "BuiltPart",
    "BuiltParts",
    "ContactMaps",
    "FitResult",
    "FootParts",
    "FootPlan",
    "Heard",
    "HeightMap",
    "InsoleError",
    "Note",
    "OutputError",
    "Override",
    "PartError",
    "Plan",
    "PlanError",
    "RefusedError",
    "Section",
    "Shoe",
    "Step",
    "Terms",
    "Trial",
    "Wishes",
    "__version__",
    "build",
    "contact_maps",
    "describe_change",
    "fit",
    "gap_map",
    "log_trial",
    "make",
    "new_shoe",
    "outlines",
    "pad_map",
    "picks",
    "plan",
    "propose",
    "question_sheet",
    "read_answers",
    "read_log",
    "read_plan",
    "read_shoe",
    "section",
    "shoe_library",
    "sole_map",
    "thick_edges",
]


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module 'insole' has no attribute {name!r}")
    module, inner = _HOME[name]
    value = getattr(import_module(module), inner)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
