"""An entry of a trial log: what was said of one plan on one day, and which entries hold.

Said -> insole.trials.trial.judge -> Trial -> log -> in_force
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pydantic import Field

from insole.trials.steps import Record, Sides, Step

__all__ = ["Answer", "Said", "Trial", "in_force"]

Answer = Literal["better", "same", "worse"]


class Trial(Record):
    """What the rider said of one plan on one day; without an answer the trial is still open."""

    number: int
    case: str
    plan: int = Field(description="version of the plan")
    fingerprint: str
    date: str = Field(description="as typed, YYYY-MM-DD")
    side: Sides = "both"
    said: str = ""
    place: str = ""
    answer: Answer | None = None
    understood: list[str] = Field(default=[], description="observations, in words")
    stopped: list[str] = Field(default=[], description="stop words found")
    health: bool = Field(default=False, description="a stop word of pain, numbness or a wound")
    clinician: str = ""
    set_up: dict[str, dict[str, Any]] = Field(description="what each foot was set up with")
    step: Step | None = None
    words: list[str] = Field(default=[], description="sentences for the fitter")
    flags: dict[str, str] = Field(
        default={}, description="red flags asked: yes or no; the others were not asked"
    )
    felt: list[str] = Field(default=[], description="picked from the list")
    corrects: int | None = Field(default=None, description="the trial that this one stands for")
    because: str = Field(default="", description="what was wrong with that one")
    as_said: bool = Field(
        default=False,
        description="what was not understood was read again: nothing of fit, nothing of danger",
    )
    ridden: bool = Field(default=True, description="False: a clinician's word and no ride")


class Said(Record):
    """What is logged: picks, the rider's words, red flags, side, answer and the date as typed."""

    text: str = ""
    side: Sides = "both"
    place: str = ""
    answer: Answer | None = None
    date: str
    clinician: str = ""
    flags: dict[str, str] = Field(default={})
    felt: list[str] = Field(default=[])
    corrects: int | None = None
    because: str = ""
    as_said: bool = False

    @property
    def is_word_only(self) -> bool:
        """Return whether nothing but a clinician's word is logged: no ride is opened with it."""
        more = self.text.strip() or self.felt or self.flags or self.answer or self.corrects
        return bool(self.clinician.strip()) and not more


def in_force(log: Sequence[Trial]) -> list[Trial]:
    """Return the trials that hold, in their order: a corrected one gives way to its correction."""
    standing: dict[int, Trial] = {}
    place: dict[int, int] = {}
    for one in log:
        at = one.number if one.corrects is None else place.get(one.corrects, one.corrects)
        place[one.number] = at
        standing[at] = one
    return [standing[at] for at in sorted(standing)]
