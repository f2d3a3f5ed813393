"""What a cut file is made of: layers, strokes, sheets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from footscan.scan import Array

__all__ = ["LAYERS", "Face", "Layer", "Sheet", "Stroke", "seen"]

Face = Literal["foot", "shoe"]


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
    "NOTE": Layer(index=9, rgb=(205, 205, 205), about="for people, not for the machine"),
    "PEN": Layer(index=40, rgb=(228, 145, 20), about="draw with a pen, or leave out"),
    "ENGRAVE": Layer(index=12, rgb=(200, 70, 45), about="engrave in single strokes"),
    "GRIND": Layer(index=98, rgb=(0, 80, 45), about="lines of equal thickness for grinding"),
    "CUT": Layer(index=178, rgb=(40, 10, 90), about="cut through; holes before outlines"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """One polyline on the sheet: layer, label of its part, points (n, 2) mm, closed or open."""

    layer: str
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
