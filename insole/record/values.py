"""What a plan record is made of: lines of text, quantities, notes, signatures, heights on a grid.

    values -> planned_parts, planned_contact -> plan

Frames, units and signs are those of :mod:`insole.record.plan`.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from footscan import typed

__all__ = [
    "HeightGrid",
    "Label",
    "Line",
    "Note",
    "NoteLevel",
    "Override",
    "Quantity",
    "Record",
    "Sentence",
]


SHOWN = 6  # values of a list at a prompt


class Record(BaseModel):
    """A record of a plan: never changed, and no key that is not known."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def __repr_args__(self) -> Iterator[tuple[str | None, Any]]:
        """Return what is shown at a prompt: of outlines and grids only how long they are."""
        for name, value in super().__repr_args__():
            long = isinstance(value, list) and len(value) > SHOWN
            yield name, f"<{len(value)} values>" if long else value


def _line(longest: int) -> AfterValidator:
    return AfterValidator(lambda text: typed.line(text, "it", longest))


Label = Annotated[str, AfterValidator(lambda text: typed.label(text, "it"))]
Line = Annotated[str, _line(80)]
Sentence = Annotated[str, _line(typed.LINE_LONGEST)]


class Quantity(Record):
    """A number with unit, standard deviation and reason; ``value`` None says why in `reason`."""

    value: float | None
    unit: str = "mm"
    sd: float | None = None
    reason: str = ""


class NoteLevel(StrEnum):
    """How a note is to be taken."""

    INFO = "info"
    WARN = "warn"
    REFUSE = "refuse"


class Note(Record):
    """One sentence for the person at the bench, with a stable code."""

    code: str
    level: NoteLevel = NoteLevel.INFO
    text: str
    short: str = Field(
        default="", description="the same for the bench, in few words; none: the text is short"
    )


class Override(Record):
    """A limit passed on purpose: what, by whom, why and when (printed on every paper)."""

    limit: Line
    who: Line
    why: Sentence
    when: Line


class HeightGrid(Record):
    """Heights on a regular grid in the bed frame, mm; bicubic between nodes.

    ``z[i][j]`` is the height at ``(x0 + i * step, y0 + j * step)``.
    """

    x0: float
    y0: float
    step: float
    z: list[list[float]]
