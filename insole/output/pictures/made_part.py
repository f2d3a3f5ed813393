"""Picture of a made part against its plan: where to take off, where material is missing.

    MadeCheck -> write_made -> PNG, A5

The part lies as one looks down on it, toes to the right; a left part is drawn as a left part.
Orange and purple are told apart by every colour vision, dots and strokes by a grey printer; what
was not seen is crossed. No letter is smaller than 10 points on A5.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from footscan.scan import Side
from insole.output.ink import png_bytes, save_bytes
from insole.output.pictures.scan_page import draw_key, say
from insole.parts.made.check import MadeCheck
from insole.parts.made.words import held_words, patch_words, shift_words, verdict

__all__ = ["made_png", "write_made"]

PAGE_MM = (210.0, 148.0)  # A5, landscape
DPI = 200
POINTS = 10.0
LINE_MM = 4.5
DARK, GREY, PALE = "#1a1a1a", "#5a5a5a", "#d9d9d9"
MAP_BOX = (4.0, 44.0, 150.0, 88.0)  # left, bottom, width, height on the page, mm
HATCHES = ["....", "..", "", "", "", "//", "////"]
SHARES = (0.02, 0.17, 0.33, 0.67, 0.83, 0.95)  # of the colour map, purple to orange
FAR_MM = 99.0


def write_made(path: str | Path, check: MadeCheck) -> None:
    """Write the picture of a made part as PNG; see :func:`made_png`.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written; an older file of that name is left as it was.
    """
    save_bytes(path, made_png(check))


def made_png(check: MadeCheck) -> bytes:
    """Return the part from above in bands of too much and too little material, PNG of an A5 page.

    Bands end at half, one and two tolerances; places beyond the tolerance carry their number.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    figure = Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor="white")
    with rc_context({"hatch.linewidth": 0.5, "font.size": POINTS}):
        _draw_map(figure, check)
        _draw_key(figure, check)
        _write(figure, check)
        return png_bytes(figure, DPI)


def _levels(check: MadeCheck) -> tuple[float, ...]:
    """Return the ends of the bands, mm."""
    t = check.tolerance
    return (-2 * t, -t, -t / 2, t / 2, t, 2 * t)


def _colours() -> list[Any]:
    from matplotlib import colormaps

    shown = [colormaps["PuOr_r"](share) for share in SHARES]
    return [*shown[:3], "#ecebe6", *shown[3:]]


def _draw_map(figure: Any, check: MadeCheck) -> None:
    """Draw the deviations, the rim, what was not seen, numbers of places, and a scale."""
    left, bottom, width, height = MAP_BOX
    wide, high = PAGE_MM
    axes = figure.add_axes((left / wide, bottom / high, width / wide, height / high))
    axes.axis("off")
    axes.set_aspect("equal")
    top, rim = check.top, check.placed.planned.rim
    x, y = top.x, top.y
    axes.contourf(
        x,
        y,
        np.clip(top.deviation, -FAR_MM, FAR_MM).T,
        levels=(-FAR_MM - 1, *_levels(check), FAR_MM + 1),
        colors=_colours(),
        hatches=HATCHES,
    )
    unseen = top.on_top & ~np.isfinite(top.deviation)
    if unseen.any():
        axes.contourf(
            x, y, unseen.T.astype(float), levels=[0.5, 1.5], colors=[PALE], hatches=["xxx"]
        )
    axes.plot(*np.vstack([rim, rim[:1]]).T, color=DARK, linewidth=0.9)
    low, size = rim.min(axis=0), np.ptp(rim, axis=0)
    axes.set_xlim(low[0] - 8, low[0] + size[0] + 8)
    axes.set_ylim(low[1] - 16, low[1] + size[1] + 9)
    medial, lateral = (1.0, -1.0) if check.side is Side.RIGHT else (-1.0, 1.0)
    for words, way in (("medial", medial), ("lateral", lateral)):
        at = low[1] + size[1] + 4.5 if way > 0 else low[1] - 4.0
        axes.text(low[0] + 0.12 * size[0], at, words, ha="center", va="center", color=GREY)
    axes.annotate(
        "toes", (low[0] + size[0], low[1] + size[1] + 4.5), color=GREY, ha="right", va="center"
    )
    _scale_bar(axes, float(low[0] + 0.35 * size[0]), float(low[1] - 13.0))
    _numbers(axes, check)


def _numbers(axes: Any, check: MadeCheck) -> None:
    """Write the number of each place in its middle."""
    from matplotlib.patheffects import withStroke

    rim, shape = check.placed.planned.rim, shapely.Polygon(check.placed.planned.rim)
    for number, patch in enumerate(check.patches, 1):
        x = float(rim[:, 0].min()) + patch.from_rear
        cut = shape.intersection(shapely.LineString([(x, -500.0), (x, 500.0)])).bounds
        if not cut:
            continue
        right = check.side is Side.RIGHT
        y = cut[3] - patch.from_medial if right else cut[1] + patch.from_medial
        halo = [withStroke(linewidth=2.5, foreground="white")]
        axes.text(
            x,
            y,
            str(number),
            ha="center",
            va="center",
            color=DARK,
            fontweight="bold",
            path_effects=halo,
            zorder=8,
        )


def _scale_bar(axes: Any, left: float, y: float) -> None:
    """Draw a bar of 50 mm with a mark every 10 mm."""
    for k in range(5):
        axes.fill(
            [left + 10 * k, left + 10 * k + 10, left + 10 * k + 10, left + 10 * k],
            [y, y, y + 2.0, y + 2.0],
            facecolor=DARK if k % 2 == 0 else "white",
            edgecolor=DARK,
            linewidth=0.7,
        )
    axes.text(left + 52.0, y + 1.0, "50 mm of part", va="center", fontsize=POINTS)


def _draw_key(figure: Any, check: MadeCheck) -> None:
    """Draw the key of the bands."""
    a, b, c = (check.tolerance * share for share in (0.5, 1.0, 2.0))
    names = [
        f"short, over {c:g}",
        f"short {b:g} to {c:g}",
        f"short {a:g} to {b:g}",
        f"within {a:g}",
        f"too much {a:g} to {b:g}",
        f"too much {b:g} to {c:g}",
        f"too much, over {c:g}",
    ]
    rows = list(zip(_colours(), HATCHES, names, strict=True))[::-1]
    rows.append((PALE, "xxx", "not seen"))
    left, bottom = 156.0, 82.0
    say(figure, left, 136.0, "scan from plan, mm", bold=True)
    draw_key(figure, left, bottom + 6.0 * len(rows), rows, step=6.0, drop=0.8)


def _write(figure: Any, check: MadeCheck) -> None:
    """Write verdict, places, figures and notes."""
    say(figure, 4.0, 145.0, verdict(check).upper(), size=13.0, bold=True)
    rows = [f"{k}  {patch_words(patch)}" for k, patch in enumerate(check.patches, 1)]
    rows += [words.strip() for words in shift_words(check)]
    figures = (
        f"mean {check.mean:+.2f} mm, rms {check.rms:.2f} mm, 95 % within {check.p95:.2f} mm",
        f"noise {check.top.noise:.2f} mm, {100 * check.unseen:.0f} % not seen",
    )
    y = 42.0
    for row in [*rows, *figures, held_words(check), *check.notes]:
        for k, line in enumerate(textwrap.wrap(row, 108)):
            if y < 5.0:
                return
            say(figure, 4.0 + 3.0 * (k > 0), y, line)
            y -= LINE_MM
