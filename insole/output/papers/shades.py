"""Colours for numbers on paper: even steps of lightness, one way from dark to light or back.

    values, mm or kPa -> coloured -> pixels -> image -> page;  legend: the same colours with numbers

Either table runs through lightness in even steps, so that it survives a grey printer, and changes
from blue to yellow or from yellow over red to violet, which every kind of colour vision keeps.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from footscan.scan import Array
from insole.output.ink import BLACK, write

__all__ = ["HEIGHTS", "PRESSURES", "Box", "Scale", "coloured", "image", "legend"]

Pixels = NDArray[np.uint8]  # shape (rows, columns, 3), upper row first

# seventeen even steps of matplotlib's cividis and of its inferno turned round (CC0 data)
HEIGHTS: Array = np.array(
    [
        (0, 34, 78),
        (0, 46, 106),
        (26, 56, 111),
        (50, 67, 109),
        (67, 78, 108),
        (83, 90, 109),
        (97, 101, 111),
        (111, 112, 115),
        (125, 124, 120),
        (140, 136, 120),
        (155, 148, 118),
        (171, 160, 114),
        (188, 174, 108),
        (205, 187, 99),
        (222, 201, 88),
        (240, 216, 70),
        (254, 232, 56),
    ],
    dtype=float,
)
PRESSURES: Array = np.array(
    [
        (252, 255, 164),
        (241, 236, 109),
        (248, 207, 58),
        (252, 178, 22),
        (251, 151, 6),
        (245, 125, 21),
        (235, 100, 41),
        (219, 80, 59),
        (202, 64, 74),
        (180, 51, 89),
        (157, 41, 100),
        (135, 33, 107),
        (111, 25, 110),
        (87, 16, 110),
        (62, 9, 102),
        (38, 12, 81),
        (16, 9, 45),
    ],
    dtype=float,
)
LEGEND_PT_MM = 2.6  # letters of a legend


def coloured(values: Array, high: float, shades: Array) -> Pixels:
    """Return pixels, shape (rows, columns, 3), of `values` from 0 to `high`; NaN is paper white."""
    at = np.linspace(0.0, high, len(shades))
    seen = np.isfinite(values)
    channels = [np.where(seen, np.interp(values, at, shade), 255.0) for shade in shades.T]
    return np.round(np.stack(channels, axis=-1)).astype(np.uint8)


class Box(NamedTuple):
    """A place on a page, mm: lower left corner, width and height."""

    x: float
    y: float
    wide: float
    high: float


class Scale(NamedTuple):
    """Colours from 0 to `high`, a number each `step`, and what they are of."""

    high: float
    shades: Array
    step: float
    words: str


def image(canvas: Any, pixels: Pixels, box: Box, *, clip: Any = None) -> None:
    """Draw pixels in a box, inside the path `clip` if given."""
    from PIL import Image
    from reportlab.lib.utils import ImageReader

    canvas.saveState()
    if clip is not None:
        canvas.clipPath(clip, stroke=0, fill=0)
    reader = ImageReader(Image.fromarray(np.ascontiguousarray(pixels)))
    canvas.drawImage(reader, box.x, box.y, width=box.wide, height=box.high)
    canvas.restoreState()


def legend(canvas: Any, at: tuple[float, float], wide: float, scale: Scale) -> None:
    """Draw a bar of the colours with its lower left corner at a place, mm, and words above."""
    bar, (x, y), (high, shades, step, words) = 3.0, at, scale
    values = np.linspace(0.0, high, 120)[None, :]
    image(canvas, coloured(values, high, shades), Box(x, y, wide, bar))
    canvas.setStrokeColorRGB(*BLACK)
    canvas.setLineWidth(0.15)
    canvas.rect(x, y, wide, bar, stroke=1, fill=0)
    for value in np.arange(0.0, high + 1e-6, step):
        tick = x + wide * value / high
        canvas.line(tick, y, tick, y - 0.8)
        write(canvas, tick, y - 3.5, f"{value:g}", LEGEND_PT_MM, align="middle")
    write(canvas, x + wide / 2, y + bar + 1.2, words, LEGEND_PT_MM, align="middle")
