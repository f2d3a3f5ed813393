"""From the bed frame to a picture of feet as their rider sees them, and words on it.

places in the bed frame, mm -> Turn -> across and up the page

"""

from __future__ import annotations

from typing import Any

import numpy as np

from footscan.measuring.pose import mirror
from footscan.scan import Array

__all__ = ["DARK", "GREY", "ORANGE", "Turn", "say"]

GREY, ORANGE, DARK = "#666666", "#b85000", "#1a1a1a"


class Turn:
    """From the bed frame to the page: right across, up to the toes; a left foot mirrored."""

    def __init__(self, side: str) -> None:
        self.left = side == "left"
        self.medial = 1.0 if self.left else -1.0  # page direction of the medial side

    def __call__(self, points: Any) -> tuple[Array, Array]:
        """Return places across and up the page, mm."""
        points = np.asarray(points, dtype=float)[..., :2]
        worn = mirror(points) if self.left else points
        return -worn[..., 1], worn[..., 0]


def say(
    figure: Any,
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    bold: bool = False,
    colour: str = DARK,
    align: str = "left",
) -> None:
    """Write a line on the figure; words are taken as they are, never as a formula."""
    figure.text(
        x,
        y,
        words,
        fontsize=size,
        fontweight="bold" if bold else "normal",
        color=colour,
        va="top",
        ha=align,
        parse_math=False,
    )
