"""What lies between shoe and foot at a station: base or bed, cover, shims, pad, stock insole.

Stack -> at a station -> Column -> its row in the plan, what its edges gain
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from insole.planning.ramp import inside_height
from insole.planning.support.tops import ContourShape
from insole.record.limits import Limits
from insole.record.plan import ThicknessRow
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlan
from insole.shoe.shoe import Shoe

__all__ = ["SIDE_SHARE", "STATIONS", "Column", "Edge", "Stack", "Station"]

Station = Literal["heel", "arch", "ball", "toes"]
STATIONS: tuple[Station, ...] = ("heel", "arch", "ball", "toes")
SIDE_SHARE = 0.15  # of the bed's breadth, in from a border


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What lies between shoe and foot at one station, mm; `edges` medial, lateral."""

    station: Station
    breadth: float
    flat: float
    shim: float
    fill: float
    old: float | None
    kept: float
    edges: tuple[float | None, float | None]

    @property
    def after(self) -> float:
        """Everything at the middle."""
        return self.kept + self.flat + self.shim + self.fill

    def row(self, words: str) -> ThicknessRow:
        """Return it as it stands in the plan."""
        medial, lateral = (None if edge is None else round(edge, 2) for edge in self.edges)
        return ThicknessRow(
            station=self.station,
            before=self.old,
            after=round(self.after, 2),
            medial=medial,
            lateral=lateral,
            note=words,
        )

    def edge(self, foot: str) -> Edge:
        """Return what is added at the two edges."""
        old = self.old or 0.0
        return Edge(
            foot=foot,
            station=self.station,
            medial=(self.edges[0] or 0.0) - old,
            lateral=(self.edges[1] or 0.0) - old,
            flat=self.flat,
            old=old,
            kept=self.kept > 0,
            breadth=self.breadth,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """All that lies between shoe and foot."""

    pad: PadPlan | None
    wedges: Sequence[WedgePlan]
    shoe: Shoe | None
    limits: Limits
    contour: ContourPlan | None
    shape: ContourShape | None
    metatarsal: MetatarsalPlan | None

    @property
    def keeps(self) -> bool:
        """Whether the stock insole stays in."""
        return self.shoe is not None and self.shoe.insole.kept

    def below(self, at: float, across: float, ahead: bool) -> float:
        """Return base and cover at a place, or the contoured bed with its cover, mm."""
        cover = self.limits.value("thickness.cover")
        if self.shape is None or self.contour is None:
            return self.limits.value("base.thickness") + cover
        if ahead:  # flat there, domes do not count
            return self.contour.forefoot + _shim_at(self.contour.posting, at, across) + cover
        return float(self.shape.inside(np.array([at]), np.array([across]))[0]) + cover

    def at(self, station: Station, x: float, low: float, high: float) -> Column:
        """Return the thickness at a station, between the bed's borders `low` and `high`."""
        ahead = station in ("ball", "toes")
        old = self.shoe.insole.thickness.get(station) if self.shoe else None
        kept = (old or 0.0) if self.keeps else 0.0
        sides = [low + share * (high - low) for share in (1 - SIDE_SHARE, SIDE_SHARE)]
        medial, lateral = (
            kept + self.below(x, y, ahead) + _shim_at(self.wedges, x, y) for y in sides
        )
        middle = (low + high) / 2
        if self.contour is not None and station == "arch":  # a bed is told at its own crest
            middle = self.contour.crest.y or 0.0
        return Column(
            station=station,
            breadth=high - low,
            flat=self.below(x, middle, ahead),
            shim=_shim_at(self.wedges, x, middle),
            fill=self.pad.crest.height if self.pad and station == "arch" else 0.0,
            old=old,
            kept=kept,
            edges=(medial, lateral) if station != "arch" else (None, None),
        )

    def words(self, here: Column) -> str:
        """Return what the thickness at a station is made of."""
        words = [f"{'contoured bed' if self.contour else 'base'} and cover {here.flat:.3g} mm"]
        words += [f"shim {here.shim:.1f} mm at the middle"] if here.shim else []
        words += [f"pad {here.fill:.1f} mm at its crest"] if here.fill else []
        dome = self.metatarsal
        if dome and here.station == "ball":
            at, across = dome.crest.from_rear, dome.crest.y or 0.0
            stack = here.kept + self.below(at, across, True) + _shim_at(self.wedges, at, across)
            words.append(
                f"metatarsal pad {dome.height:g} mm behind the heads not counted, "
                f"{stack + dome.height:.1f} mm in all at its crest"
            )
        words += ["stock insole kept"] if self.keeps else []
        return ", ".join(words)


def _shim_at(wedges: Sequence[WedgePlan], x: float, y: float) -> float:
    """Return the thickness of all inside shims at one place, mm."""
    at = np.array([[x]]), np.array([[y]])
    return float(inside_height(wedges, *at)[0, 0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """What is added at the two edges of one station, mm, and what it is made of."""

    foot: str
    station: str
    medial: float
    lateral: float
    flat: float
    old: float
    kept: bool
    breadth: float

    @property
    def most(self) -> float:
        """More at the thicker edge."""
        return max(self.medial, self.lateral)

    @property
    def where(self) -> str:
        """The thicker edge in words."""
        return "big-toe side" if self.medial > self.lateral else "little-toe side"
