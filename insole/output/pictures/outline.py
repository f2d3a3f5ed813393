"""The picture of what was found in a photographed outline: sheet, line, foot, marks, figures.

    Found -> outline_png -> PNG bytes

The sheet is shown as seen from above with the toes up, never mirrored. Where the line was not
seen and had to be bridged, it is dashed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from footscan.results import Severity
from footscan.scan import Array, Side
from insole.output.ink import png_bytes
from insole.output.pictures.scan_page import say
from insole.record.questions import SHORT_CAUTION

if TYPE_CHECKING:
    from footscan.outline.trace import Found

__all__ = ["COVERAGE", "outline_png", "rows"]

COVERAGE = 1.96
DPI = 150
PAGE_MM = (210.0, 148.0)
DARK, GREY, LINE, FOOT, AXIS = "#1a1a1a", "#5a5a5a", "#005c9e", "#c25400", "#5a5a5a"
SHOWN = (
    ("foot_length", "length"),
    ("foot_breadth", "breadth at the ball"),
    ("heel_breadth_max", "breadth of the heel"),
    ("heel_to_ball_length", "heel to inner ball"),
    ("outside_ball_length", "heel to outer ball"),
    ("ball_girth", "ball girth"),
    ("instep_girth", "instep girth"),
)
NAMES = {
    "pternion": "heel",
    "acropodion": "toe tip",
    "metatarsale_tibiale": "inner ball",
    "metatarsale_fibulare": "outer ball",
    "heel_centre": "",
    "mth2": "",
    "big_toe": "",
}
LONGEST = 58  # letters of a line of words


def rows(traced: Any) -> list[tuple[str, str]]:
    """Return name and value, 95 % band included, of the measures that an outline gives."""
    found = []
    for key, words in SHOWN:
        measure = traced.measures.get(key)
        if measure is not None and measure.value is not None:
            hand = ", by hand" if measure.by_hand else ""
            band = COVERAGE * (measure.sd or 0.0)
            found.append((words, f"{measure.value:.1f} ± {band:.1f} mm{hand}"))
    return found


def outline_png(found: Found) -> bytes:
    """Return the picture of a traced foot: A5, landscape."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor="white")
    side = found.traced.side
    turn = _toes_up(found)
    _draw_sheet(figure, found, turn)
    _draw_photo(figure, found)
    x, y = 122.0, 141.0
    say(figure, x, y, f"{side.value.upper()} FOOT, from an outline", size=13.0, bold=True)
    say(figure, x, y - 6.5, found.traced.facts.file[:48], size=7.5, colour=GREY)
    say(figure, x, y - 10.5, found.sheet.paper.words, size=7.5, colour=GREY)
    y -= 16
    for words, value in rows(found.traced):
        say(figure, x, y, words, size=8.6)
        say(figure, x + 37, y, value, size=8.6, bold=True)
        y -= 5.2
    say(figure, x, y, "± is 95 %: picture, paper's size and pen together", size=7.5, colour=GREY)
    y -= 6.5
    order = (Severity.AGAIN, Severity.MEASURING, Severity.NOTE)
    findings = sorted(found.traced.report.findings, key=lambda f: order.index(f.severity))
    for finding in findings:
        for k, words in enumerate(_wrapped(finding.text, LONGEST)):
            if y < 16:
                break
            colour = DARK if finding.severity is Severity.NOTE else "#8a2a00"
            say(figure, x, y, ("· " if k == 0 else "  ") + words, size=7.5, colour=colour)
            y -= 3.9
    say(figure, x, 11.0, SHORT_CAUTION, size=7.5, colour=GREY)
    return png_bytes(figure, DPI)


def _wrapped(words: str, longest: int) -> list[str]:
    import textwrap

    return textwrap.wrap(words, longest)


def _toes_up(found: Found) -> bool:
    """Return whether the sheet is to be turned by half a turn to have the toes up."""
    ahead = found.marks.to_sheet[:2, 0]
    return bool(ahead[1] < 0)


def _on_page(found: Found, mm: Array, turn: bool) -> Array:
    return np.array(found.flat.size) - mm if turn else mm


def _draw_sheet(figure: Any, found: Found, turn: bool) -> None:
    """Draw the flattened sheet with line, foot, axis and marks."""
    wide, high = found.flat.size
    scale = min(128.0 / high, 106.0 / wide)
    axes = figure.add_axes(
        (8 / PAGE_MM[0], 12 / PAGE_MM[1], wide * scale / PAGE_MM[0], high * scale / PAGE_MM[1])
    )
    picture = found.flat.picture[::-1, ::-1] if turn else found.flat.picture
    axes.imshow(picture, extent=(0, wide, 0, high), interpolation="bilinear")
    axes.set_xlim(-2, wide + 2)
    axes.set_ylim(-2, high + 2)
    axes.axis("off")
    axes.plot([0, wide, wide, 0, 0], [0, 0, high, high, 0], color=GREY, linewidth=0.8)
    line = _on_page(found, found.contour.ring, turn)
    seen = found.contour.seen
    for chosen, style in ((seen, "-"), (~seen, ":")):
        shown = np.where(chosen[:, None], line, np.nan)
        shown = np.concatenate([shown, shown[:1]])
        axes.plot(shown[:, 0], shown[:, 1], color=LINE, linewidth=1.0, linestyle=style)
    foot = _mapped(found, found.marks.ring, turn)
    axes.fill(foot[:, 0], foot[:, 1], facecolor=FOOT, alpha=0.10, linewidth=0)
    axes.plot(*np.concatenate([foot, foot[:1]]).T, color=FOOT, linewidth=1.2)
    points = found.marks.points
    length = points["acropodion"][0]
    axis = _mapped(found, np.array([(0.0, 0.0), (length, 0.0)]), turn)
    axes.plot(axis[:, 0], axis[:, 1], color=AXIS, linewidth=0.7, linestyle="-.")
    ball = _mapped(
        found, np.stack([points[f"metatarsale_{k}"] for k in ("tibiale", "fibulare")]), turn
    )
    axes.plot(ball[:, 0], ball[:, 1], color=AXIS, linewidth=0.7, linestyle="-.")
    _draw_names(axes, found, foot.mean(axis=0), turn)
    way = -1.0 if found.traced.side is Side.RIGHT else 1.0
    axes.text(
        wide / 2 + way * 0.34 * wide,
        high * 0.30,
        "big-toe side",
        fontsize=7.5,
        rotation=90,
        color=GREY,
        ha="center",
        va="center",
    )
    axes.text(
        0,
        -3,
        "seen from above · blue: the line, dotted where it was bridged · orange: the foot",
        fontsize=7.0,
        color=GREY,
        va="top",
    )


def _draw_names(axes: Any, found: Found, middle: Array, turn: bool) -> None:
    """Draw the marks of a traced foot, with their names on its inner side."""
    for name, words in NAMES.items():
        at = _mapped(found, found.marks.points[name][None], turn)[0]
        axes.plot(*at, marker="o", markersize=4.0, color=FOOT, markeredgecolor="white")
        if words:
            inward = 0.16 * (middle - at)
            axes.text(
                *(at + inward),
                words,
                fontsize=7.5,
                color=DARK,
                ha="center",
                va="center",
                bbox={"facecolor": "white", "alpha": 0.75, "pad": 0.8, "linewidth": 0},
            )


def _mapped(found: Found, points: Array, turn: bool) -> Array:
    """Return places of the foot frame on the page's sheet."""
    rows = np.column_stack([points, np.ones(len(points))]) @ found.marks.to_sheet.T
    return _on_page(found, rows[:, :2], turn)


def _draw_photo(figure: Any, found: Found) -> None:
    """Draw the photograph, small, with the sheet's corners as they were found."""
    high, wide = found.photo.rgb.shape[:2]
    step = max(1, max(high, wide) // 500)
    box = (172.0, 16.0, 32.0, 32.0)
    axes = figure.add_axes(
        (box[0] / PAGE_MM[0], box[1] / PAGE_MM[1], box[2] / PAGE_MM[0], box[3] / PAGE_MM[1])
    )
    axes.imshow(found.photo.rgb[::step, ::step], extent=(0, wide, high, 0))
    ring = np.concatenate([found.sheet.corners, found.sheet.corners[:1]])
    axes.plot(ring[:, 0], ring[:, 1], color="#00a0ff", linewidth=1.2)
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.axis("off")
