"""What is asked for: the scans of a foot, and the plan that is to be made of them.

    files, options -> Shots -> Request -> insole.workflow.plans

Plain data, so that it can be sent to another process and hashed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.pipeline import Options

if TYPE_CHECKING:
    from insole.planning.planner import PlanWishes
    from insole.record.values import Override

__all__ = ["Request", "Shots"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shots:
    """The file or files of one scan, and what was stated about it."""

    files: tuple[Path, ...]
    options: Options = field(default_factory=Options)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a plan is asked for: scans, shoe file, wishes, answers.

    Attributes
    ----------
    scans : tuple of Shots
        One or two feet.
    shoe : Path or None
        Shoe file; None plans on a flat bed, which the plan says.
    wishes : PlanWishes or None
        None is a first trial without wedges.
    answers, clinician
        Answers to the stop and advise questions by id; a clinician's word with its date.
    overrides : tuple of Override
        Limits passed on purpose.
    without_arch : bool
        Shims and a flat base only.
    limits : Path or None
        The workshop's own limits file.
    by_hand : Path or None
        File of hand-measured values.
    sources : mapping
        Names of the files planned from and what was stated of the scans, for the record.
    """

    scans: tuple[Shots, ...]
    shoe: Path | None = None
    wishes: PlanWishes | None = None
    answers: Mapping[str, str] = field(default_factory=dict)
    clinician: str = ""
    overrides: tuple[Override, ...] = ()
    without_arch: bool = False
    limits: Path | None = None
    by_hand: Path | None = None
    sources: Mapping[str, object] = field(default_factory=dict)
