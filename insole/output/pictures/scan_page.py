"""The page of a scan picture: axes, key, words, colours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.foot import Foot
from footscan.results import Finding, MeasuredFoot, Severity
from footscan.scan import Array, Side
from insole.output.ink import png_bytes

__all__ = [
    "APART",
    "APART_HATCHES",
    "DARK",
    "GREY",
    "LINE_MM",
    "MARKS",
    "PALE",
    "POINTS",
    "Mask",
    "apart_colours",
    "cut",
    "medial_way",
    "say",
    "scale_bar",
]

# shape and colour by weight; blue, orange and vermilion are told apart by every colour vision
MARKS = {
    Severity.NOTE: ("o", "#5a5a5a"),
    Severity.MEASURING: ("^", "#b35c00"),
    Severity.AGAIN: ("8", "#a31515"),
}

APART = (-2.0, -1.0, -0.5, 0.5, 1.0, 2.0)  # mm
APART_HATCHES = ["....", "..", "", "", "", "//", "////"]

Mask = NDArray[np.bool_]
PAGE_MM = (210.0, 148.0)  # A5, landscape
DPI = 200
POINTS = 10.0  # 7 points on A6
LINE_MM = 4.5
DARK, GREY, PALE = "#1a1a1a", "#5a5a5a", "#d9d9d9"


def new_page() -> Any:
    from matplotlib.figure import Figure

    return Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor="white")


def axes_at(figure: Any, left: float, bottom: float, width: float, height: float) -> Any:
    """Return axes at a place on the page, mm."""
    wide, high = PAGE_MM
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high))


def medial_way(foot: Foot) -> float:
    """Return the page direction of the medial side, seen from below with the toes up."""
    return -1.0 if foot.side is Side.LEFT else 1.0


def most_severe_first(measured: MeasuredFoot) -> Sequence[Finding]:
    """Return the findings, the weightiest first."""
    order = (Severity.AGAIN, Severity.MEASURING, Severity.NOTE)
    return sorted(measured.report.findings, key=lambda finding: order.index(finding.severity))


def bands_of(count: int) -> list[Any]:
    from matplotlib import colormaps

    return [colormaps["cividis"](share) for share in np.linspace(0.0, 1.0, count)]


def filtered(z: Array, sigma: float) -> Array:
    """Return `z` under a Gaussian that leaves empty cells empty and does not use them."""
    seen = np.isfinite(z)
    weight = ndimage.gaussian_filter(seen.astype(float), sigma)
    value = ndimage.gaussian_filter(np.where(seen, z, 0.0), sigma)
    return np.where(seen, value / np.maximum(weight, 1e-9), np.nan)


def hatched_with(
    axes: Any, u: Array, v: Array, mask: Mask, colour: str, hatch: str, *, zorder: float
) -> None:
    """Fill a mask, shape (len(v), len(u)), with colour and hatch."""
    if mask.any():
        axes.contourf(
            u,
            v,
            mask.astype(float),
            levels=[0.5, 1.5],
            colors=[colour],
            hatches=[hatch],
            zorder=zorder,
        )


def disc(axes: Any, u: float, v: float, severity: Severity, words: str) -> None:
    """Draw a finding's number in the shape of its weight."""
    shape, colour = MARKS[severity]
    axes.plot(
        u,
        v,
        marker=shape,
        markersize=18 if shape == "^" else 15,
        color=colour,
        markeredgecolor="white",
        markeredgewidth=1.0,
        zorder=8,
        clip_on=False,
    )
    axes.annotate(
        words,
        (u, v),
        xytext=(0, -1.8 if shape == "^" else -0.4),
        color="white",
        textcoords="offset points",
        fontweight="bold",
        fontsize=POINTS,
        ha="center",
        va="center",
        zorder=9,
        annotation_clip=False,
    )


def haloed(axes: Any, u: float, v: float, words: str, align: str) -> None:
    """Write words that stay readable on any band."""
    from matplotlib.patheffects import withStroke

    axes.text(
        u,
        v,
        words,
        color=DARK,
        ha=align,
        va="center",
        linespacing=1.0,
        parse_math=False,
        zorder=7,
        path_effects=[withStroke(linewidth=2.5, foreground="white")],
    )


def scale_bar(axes: Any, left: float, y: float) -> None:
    """Draw a bar of 50 mm with a mark every 10 mm."""
    for k in range(5):
        axes.fill(
            [left + 10 * k, left + 10 * k + 10, left + 10 * k + 10, left + 10 * k],
            [y, y, y + 3.0, y + 3.0],
            facecolor=DARK if k % 2 == 0 else "white",
            edgecolor=DARK,
            linewidth=0.7,
        )
    axes.text(left + 53.0, y + 1.5, "50 mm of foot", va="center", fontsize=POINTS)


def draw_key(
    figure: Any,
    left: float,
    top: float,
    rows: Sequence[tuple[Any, str, str]],
    *,
    step: float = LINE_MM,
    drop: float = 0.2,
) -> None:
    """Draw a column of patches with words, mm.

    `top` is that of the first row, rows are `step` apart, words begin `drop` below a row's top.
    """
    from matplotlib.patches import Rectangle

    axes = axes_at(figure, left, top - step * len(rows), 8.0, step * len(rows))
    axes.axis("off")
    axes.set_xlim(0, 8)
    axes.set_ylim(-len(rows), 0)
    for k, (colour, hatch, words) in enumerate(rows):
        axes.add_patch(
            Rectangle(
                (0.3, -k - 0.95),
                7.4,
                0.9,
                facecolor=colour,
                hatch=hatch,
                edgecolor=DARK,
                linewidth=0.5,
            )
        )
        say(figure, left + 9.5, top - step * k - drop, words)


def say(
    figure: Any,
    x: float,
    y: float,
    words: str,
    *,
    size: float = POINTS,
    bold: bool = False,
    colour: str = DARK,
) -> None:
    """Write a line, its top left at a place on the page, mm; never taken for a formula."""
    wide, high = 25.4 * figure.get_size_inches()
    figure.text(
        x / wide,
        y / high,
        words,
        fontsize=size,
        color=colour,
        va="top",
        fontweight="bold" if bold else "normal",
        parse_math=False,
    )


def cut(words: str, longest: int) -> str:
    """Return words no longer than so many letters."""
    return words if len(words) <= longest else f"{words[: longest - 1]}…"


def png_of(figure: Any) -> bytes:
    """Return a page as PNG bytes."""
    return png_bytes(figure, DPI)


def apart_colours() -> list[Any]:
    """Return the colours of signed distances, inside to outside."""
    from matplotlib import colormaps

    shown = [colormaps["PuOr_r"](share) for share in (0.02, 0.17, 0.33, 0.67, 0.83, 0.95)]
    return [*shown[:3], "#ecebe6", *shown[3:]]
