"""What is asked for: the scans of a foot, and the plan that is to be made of them.

    files, options -> Shots -> Request -> insole.workflow.plans

Plain data, so that it can be sent to another process and hashed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from footscan.pipeline import Options

if TYPE_CHECKING:
    from insole.planning.wishes import PlanWishes, Terms

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
    terms : Terms or None
        Answers, overrides, what was stated of the scans; None: none of them.
    limits : Path or None
        The workshop's own limits file.
    by_hand : Path or None
        File of hand-measured values.
    """

    scans: tuple[Shots, ...]
    shoe: Path | None = None
    wishes: PlanWishes | None = None
    terms: Terms | None = None
    limits: Path | None = None
    by_hand: Path | None = None
