"""How the sole rests on the bed, as records: a spring model before and after, to compare beds with.

    insole.planning.contact -> planned_contact -> plan.FootPlan

Comparison only, never a clinical figure.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from insole.record.values import Quantity, Record

__all__ = [
    "ContactCase",
    "ContactFigures",
    "ContactPlan",
    "EffectCase",
    "EffectPlan",
    "PressureMap",
]


class PressureMap(Record):
    """Mean pressure of square cells in the bed frame, whole kPa; 0 where nothing touches.

    ``rows[i]`` holds, a space between them, the cells centred at
    ``(x0 + i * step, y0 + j * step)``: a line of text a row keeps a plan short.
    """

    x0: float
    y0: float
    step: float = Field(gt=0)
    rows: list[Annotated[str, Field(pattern=r"^\d{1,5}( \d{1,5})*$")]] = Field(min_length=1)

    @model_validator(mode="after")
    def _rectangular(self) -> PressureMap:
        if len({row.count(" ") for row in self.rows}) != 1:
            raise ValueError("rows of a pressure map have to be of one length")
        return self

    @property
    def kpa(self) -> list[list[float]]:
        """Return the cells as numbers, row by row."""
        return [[float(cell) for cell in row.split(" ")] for row in self.rows]


class ContactFigures(Record):
    """How the sole rests on one bed: figures of a spring model, to compare beds with."""

    area: float = Field(description="contact area, cm2")
    areas: dict[str, float] = Field(default={}, description="contact area per region, cm2")
    share: dict[str, float] = Field(description="share of the load per region, 0 to 1")
    peak: dict[str, float] = Field(description="highest pressure per region, kPa")
    pad_share: float = Field(description="share of the load where the pad lies, forefoot left out")
    pad_peak: float = Field(description="kPa where the pad lies; 0 when nothing touches there")
    pad_gradient: float = Field(description="steepest change along the foot on the pad, kPa/mm")
    ball_gradient: float = Field(description="the same at the forefoot")
    tilt: tuple[float, float] = Field(description="degrees, + toes up, + medial side up")
    centre: tuple[float, float] = Field(description="centre of pressure reached, mm")


class ContactCase(Record):
    """One load on the bed without pad and shims (before) and with them (after)."""

    case: Literal["standing", "pedalling"]
    load: float = Field(description="N")
    centre: tuple[float, float] | None = Field(default=None, description="of pressure, mm")
    ankle: float | None = Field(
        default=None, description="degrees at which the sole is held, + toes up; None: balanced"
    )
    before: ContactFigures | None = None
    after: ContactFigures | None = None
    before_map: PressureMap | None = Field(default=None, description="of the bed alone")
    after_map: PressureMap | None = Field(default=None, description="with the parts, same cells")
    reason: str = Field(default="", description="why there are no figures")
    notes: list[str] = Field(default=[])


class ContactPlan(Record):
    """Contact without and with the parts; comparison only, never a clinical figure."""

    body_mass: Quantity
    cases: list[ContactCase]
    notes: list[str] = Field(default=[])


class EffectCase(Record):
    """What a support changes under one load: before, after."""

    case: Literal["standing", "pedalling"]
    area: tuple[float, float] = Field(description="contact, cm2")
    midfoot_area: tuple[float, float] = Field(description="contact of the midfoot, cm2")
    midfoot_share: tuple[float, float] = Field(description="share of the load, 0 to 1")
    heel_peak: tuple[float, float] = Field(description="kPa")
    ball_peak: tuple[float, float] = Field(description="kPa")
    toe_share: tuple[float | None, float | None] = Field(description="big toe's share, 0 to 1")


class EffectPlan(Record):
    """What a support does, by the contact model: a comparison, never a clinical figure."""

    wished: float = Field(description="support level planned, share of the gap")
    reached: float = Field(description="share of the gap filled at the crest")
    binds: str = Field(default="", description="the rule that takes most off it, in words")
    snug: float | None = Field(
        default=None, description="share of the supported zone within 1 mm of the wish"
    )
    cases: list[EffectCase]
    little: bool = Field(description="whether it does next to nothing")
    words: str
