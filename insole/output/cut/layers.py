"""What a cut file is made of: layers, strokes, sheets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Literal

import numpy as np

from footscan.scan import Array

__all__ = ["LASER", "LAYERS", "CutLayer", "Face", "Layer", "Sheet", "Stroke", "seen"]

Face = Literal["foot", "shoe"]


class CutLayer(StrEnum):
    """Names of the layers, in the order of work, as they stand in files and on papers.

    All that is written takes them from here. The reader of finished folders
    (``insole/readback/cut.py``) spells them itself, since it shares nothing with the writers: a
    name is changed in both places.
    """

    NOTE = "NOTE"
    PEN = "PEN"
    ENGRAVE = "ENGRAVE"
    GRIND = "GRIND"
    CUT = "CUT"


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """A layer's colour, as AutoCAD Color Index number and as RGB, and what it is for.

    The lightness of the colours differs by at least 15 in CIE L*, so that they can be told
    apart on a grey print and without colour vision.
    """

    index: int
    rgb: tuple[int, int, int]
    about: str


LAYERS = {
    CutLayer.NOTE: Layer(index=8, rgb=(178, 178, 178), about="for people, not for the machine"),
    CutLayer.PEN: Layer(index=32, rgb=(205, 105, 0), about="draw with a pen, or leave out"),
    CutLayer.ENGRAVE: Layer(index=14, rgb=(165, 40, 30), about="engrave in single strokes"),
    CutLayer.GRIND: Layer(index=98, rgb=(0, 56, 30), about="lines of equal thickness for grinding"),
    CutLayer.CUT: Layer(index=250, rgb=(8, 0, 20), about="cut through; holes before outlines"),
}
# as laser programs map colours by habit: red is cut, blue is engraved, black is drawn
LASER = {
    CutLayer.NOTE: replace(LAYERS[CutLayer.NOTE], rgb=(128, 128, 128)),  # legible on white
    CutLayer.PEN: replace(LAYERS[CutLayer.PEN], index=7, rgb=(0, 0, 0)),
    CutLayer.ENGRAVE: replace(LAYERS[CutLayer.ENGRAVE], index=5, rgb=(0, 0, 255)),
    CutLayer.GRIND: replace(LAYERS[CutLayer.GRIND], index=3, rgb=(0, 160, 0)),
    CutLayer.CUT: replace(LAYERS[CutLayer.CUT], index=1, rgb=(255, 0, 0)),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """One polyline on the sheet: layer, label of its part, points (n, 2) mm, closed or open."""

    layer: CutLayer
    part: str
    points: Array
    closed: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """What goes into one file, in the order of work; y up, lower left corner at the origin."""

    strokes: tuple[Stroke, ...]
    width: float
    height: float


def seen(points: Array, face: Face) -> Array:
    """Return plan points as they lie on the sheet, toes up: turned, and swapped over for shoe."""
    points = np.asarray(points, dtype=float)
    return np.column_stack([points[:, 1] * (-1.0 if face == "foot" else 1.0), points[:, 0]])
