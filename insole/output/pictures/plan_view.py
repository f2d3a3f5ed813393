"""Pictures that a person would rather look at than read.

    Plan         -> write_placement    -> PNG: both feet from above with base, pad and wedges
    Part         -> part_view          -> array: the part shaded, from above or below

Everything in plan is drawn as a rider sees the own feet from above: toes up, the left foot at the
left, big toes towards each other. Drawing needs no display, and the same input gives the same
bytes. Colours run in one direction of lightness, so that they survive a grey printer and every
kind of colour vision.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from footscan.measuring.pose import mirror
from footscan.scan import Array
from insole.errors import OutputError
from insole.output.ink import png_bytes, save_bytes
from insole.output.places import (
    crest_point,
    metatarsal_crest,
    spread,
    taper_words,
    tender_spots,
    turn_words,
    wedge_lines,
)
from insole.planning.support.tops import PadTop
from insole.record.limits import of_plan
from insole.record.plan import (
    FootPlan,
    HeightGrid,
    MetatarsalPlan,
    PadPlan,
    Plan,
    WedgePlan,
    fingerprint,
)

__all__ = ["Turn", "placement_png", "say", "write_placement"]

NOTE_LETTERS = 26  # in a line of the notes beside a foot
GREY, ORANGE, DARK = "#666666", "#b85000", "#1a1a1a"


def write_placement(path: str | Path, plan: Plan) -> None:
    """Write the placement picture as PNG: outlines, pad heights, crest, wedges, landmarks.

    Parameters
    ----------
    path : path-like
        File to write; replaced as a whole or not at all.
    plan : Plan
        Lengths in mm, bed frame.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot, or the file cannot be written.
    """
    save_bytes(path, placement_png(plan))


_LAST: dict[tuple[str, int], bytes] = {}  # the picture file and the plan page show the same


def placement_png(plan: Plan, *, dpi: int = 150) -> bytes:
    """Return the placement picture as PNG bytes; see :func:`write_placement`.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot.
    """
    key = fingerprint(plan), dpi
    if key not in _LAST:
        drawn = _placement(plan, dpi)
        _LAST.clear()
        _LAST[key] = drawn
    return _LAST[key]


def _placement(plan: Plan, dpi: int) -> bytes:
    """Draw the placement picture."""
    from matplotlib.figure import Figure

    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no placement to draw: plan one first")
    wide = 5.1 * len(plan.feet)
    figure = Figure(figsize=(wide + 0.2, 7.7), facecolor="white")
    domes = [dome for foot in plan.feet for dome in (foot.pad, foot.metatarsal) if dome]
    tallest = max((_highest(dome) for dome in domes), default=0.0)
    filled = None
    for k, foot in enumerate(plan.feet):
        share = 1.0 / len(plan.feet)
        left = (0.02 if foot.side == "left" else 0.09) * share
        axes = figure.add_axes((k * share + left, 0.125, 0.89 * share, 0.79))
        filled = _draw_placement(axes, plan, foot, tallest) or filled
    if filled is not None:
        rail = figure.add_axes((0.34, 0.052, 0.32, 0.014))
        bar = figure.colorbar(filled, cax=rail, orientation="horizontal")
        bar.set_label("height of the pad, mm", fontsize=9, labelpad=1)
        bar.ax.tick_params(labelsize=8.5, length=2)
    words = f"{plan.case} · plan {plan.version} · seen from above, feet as the rider sees them"
    say(figure, 0.5, 0.985, words, 8.5, colour=GREY, align="center")
    return png_bytes(figure, dpi)


# ---- the plan ----------------------------------------------------------------------------


def _draw_placement(axes: Any, plan: Plan, foot: FootPlan, tallest: float) -> Any:
    """Draw one foot's placement; return the pad's filled contours, if any."""
    turn = Turn(foot.side)
    base, outline = np.array(foot.base.outline), np.array(foot.foot_outline)
    axes.fill(*turn(base), facecolor="#f3f1ea", edgecolor=DARK, linewidth=1.3, zorder=1)
    axes.fill(
        *turn(outline), fill=False, edgecolor=GREY, linewidth=0.9, linestyle=(0, (1, 2)), zorder=4
    )
    axes.plot(
        *turn([(0, 0), (base[:, 0].max(), 0)]),
        color=GREY,
        linewidth=0.5,
        linestyle=(0, (10, 3, 2, 3)),
        zorder=2,
    )
    notes = [_draw_wedge(axes, wedge, turn) for wedge in foot.wedges]
    filled = None
    if foot.pad is not None:
        filled = _draw_dome(axes, foot.pad, crest_point(foot), turn, tallest)
        notes += _pad_notes(foot)
    if foot.metatarsal is not None:
        crest = metatarsal_crest(foot)
        filled = _draw_dome(axes, foot.metatarsal, crest, turn, tallest)
        dome = foot.metatarsal
        words = (
            f"{dome.height:.1f} mm high\n{dome.crest.from_rear:.1f} mm from rear\n"
            f"{dome.crest.from_medial:.1f} mm from medial edge\n{dome.behind:g} mm behind heads"
        )
        notes.append((crest, "Metatarsal pad", words))
    if "arch_apex" in foot.landmarks:
        at = np.array(foot.landmarks["arch_apex"][:2])
        sd = foot.landmark_sd.get("arch_apex")
        words = f"{at[0]:.0f}{'' if sd is None else f' ± {sd:.1f}'} mm from rear"
        notes.append((at, "Arch apex of the foot", words))
    notes += _draw_spots(axes, plan, foot, turn)
    _draw_plan_landmarks(axes, foot, turn)
    _place_notes(axes, notes, turn, base)
    _frame_placement(axes, foot, turn, base)
    return filled


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


def _draw_wedge(axes: Any, wedge: WedgePlan, turn: Turn) -> tuple[Array, str, str]:
    """Draw a shim's zones and thick edge; return the note that belongs to it."""
    full, band = wedge_lines(wedge)
    under = wedge.place.value == "under the shoe"
    ring = np.array(wedge.outline)
    dash = (6, 2, 1, 2) if under else (4, 2)
    axes.fill(
        *turn(ring),
        facecolor="none" if under else "#f6d9bd",
        edgecolor=ORANGE,
        linewidth=0.9,
        linestyle=(0, dash),
        zorder=2,
    )
    if not under:
        zone = np.array([*full[0], *full[1][::-1]])
        inside = (ring[:, 0] > full[0][0, 0]) & (ring[:, 0] < full[1][0, 0])
        if inside.any():
            zone = _between(ring, full[0][0, 0], full[1][0, 0])
        axes.fill(*turn(zone), facecolor="#eebd8d", edgecolor="none", zorder=2.1)
        for line in full:
            axes.plot(*turn(line), color=ORANGE, linewidth=1.0, zorder=2.2)
    axes.fill(
        *turn(band), facecolor=ORANGE, edgecolor="white", hatch="/////", linewidth=0.0, zorder=5
    )
    middle = np.array([(full[0][0, 0] + full[1][0, 0]) / 2, 0.0])
    lateral = float(ring[np.abs(ring[:, 0] - middle[0]).argsort()[:8], 1].min())
    words = f"{wedge.words}\n{wedge.thick_edge:.1f} mm thick there\n" + (
        "by its bolt slots"
        if under
        else f"full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm\n{taper_words(wedge)}"
    )
    return np.array([middle[0], lateral + 4.0]), f"Shim {wedge.place}", words


def _between(ring: Array, low: float, high: float) -> Array:
    """Return the part of a ring between two stations along x, shape (n, 2)."""
    from shapely import Polygon, box

    piece = Polygon(ring).buffer(0).intersection(box(low, -500.0, high, 500.0))
    largest = max(getattr(piece, "geoms", [piece]), key=lambda shape: shape.area)
    return np.array(largest.exterior.coords)[:-1]


def _highest(pad: PadPlan | MetatarsalPlan) -> float:
    """Return the height of the highest place, mm: a side that stands may pass the crest."""
    x, y = np.meshgrid(*_fine(pad.top)[:2], indexing="ij")
    return float(PadTop(pad).inside(x, y).max())


def _draw_dome(
    axes: Any, pad: PadPlan | MetatarsalPlan, crest: Array, turn: Turn, tallest: float
) -> Any:
    """Draw a pad's height as filled contours inside its outline, and the crest."""
    from matplotlib.patches import Polygon

    x, y, z = _fine(pad.top)
    page, up = turn(np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1))
    levels = np.arange(0.0, np.ceil(tallest) + 1.01, 1.0)
    filled = axes.contourf(page, up, z, levels=levels, cmap="YlGnBu", extend="neither", zorder=3)
    shown = levels[2::2]
    ink = ["white" if level > 0.45 * levels[-1] else "#0b3c5d" for level in shown]
    lines = axes.contour(page, up, z, levels=shown, colors=ink, linewidths=0.7, zorder=3.1)
    edge = Polygon(
        np.column_stack(turn(pad.outline)),
        closed=True,
        fill=False,
        edgecolor="#0b3c5d",
        linewidth=1.4,
        zorder=3.3,
    )
    axes.add_patch(edge)
    for drawn in (filled, lines):
        drawn.set_clip_path(edge)
    axes.clabel(lines, fmt="%g", fontsize=6.5)
    cx, cy = turn(crest)
    for colour, size in (("white", 3.0), (DARK, 1.3)):
        axes.plot([cx - 6, cx + 6], [cy, cy], color=colour, linewidth=size, zorder=6)
        axes.plot([cx, cx], [cy - 6, cy + 6], color=colour, linewidth=size, zorder=6)
    return filled


def _fine(grid: HeightGrid) -> tuple[Array, Array, Array]:
    """Return the pad's grid refined by cubic interpolation, as the record prescribes."""
    z = np.array(grid.z)
    fine = ndimage.zoom(z, 3, order=3, mode="nearest", grid_mode=False)
    x = grid.x0 + grid.step * np.linspace(0, z.shape[0] - 1, fine.shape[0])
    y = grid.y0 + grid.step * np.linspace(0, z.shape[1] - 1, fine.shape[1])
    return x, y, np.clip(fine, 0.0, None)


def _pad_notes(foot: FootPlan) -> list[tuple[Array, str, str]]:
    """Return what is said about the pad: crest, ends."""
    pad = foot.pad
    if pad is None:
        return []
    ring = np.array(pad.outline)
    front, rear = ring[ring[:, 0].argmax()], ring[ring[:, 0].argmin()]
    stands = pad.medial_height or 0.0
    side = f", its side {stands:.1f} mm" if stands > pad.edge else ""
    crest = (
        f"{pad.name}\n{pad.crest.height:.1f} mm high{side}\n"
        f"{pad.crest.from_rear:.1f} mm from rear\n"
        f"{pad.crest.from_medial:.1f} mm from medial edge\n{turn_words(pad.turn)}"
    )
    return [
        (front, "Pad, front edge", f"{pad.front_edge:.1f} mm from rear"),
        (crest_point(foot), "Pad crest", crest),
        (rear, "Pad, rear edge", f"{pad.rear_edge:.1f} mm from rear"),
    ]


def _draw_spots(axes: Any, plan: Plan, foot: FootPlan, turn: Turn) -> list[tuple[Array, str, str]]:
    """Draw a ring around each tender spot; return what is said about them."""
    from matplotlib.patches import Circle

    radius = of_plan(plan).value("keepout.tender_radius")
    notes = []
    for x, y in tender_spots(plan, foot.side):
        px, py = map(float, turn([x, y]))
        axes.add_patch(
            Circle(
                (px, py),
                radius,
                fill=False,
                edgecolor=DARK,
                linewidth=1.6,
                linestyle=(0, (3, 1.5)),
                zorder=6.4,
            )
        )
        side = "medial" if y >= 0 else "lateral"
        words = f"{x:g} mm from rear, {abs(y):g} mm {side}"
        notes.append((np.array([x, y]), "Tender: keep free", words))
    return notes


def _draw_plan_landmarks(axes: Any, foot: FootPlan, turn: Turn) -> None:
    """Draw metatarsal heads, ball line, heel centre and the foot's arch apex."""
    from matplotlib.patches import Circle

    marks = foot.landmarks
    if "metatarsale_tibiale" in marks and "metatarsale_fibulare" in marks:
        pair = [marks["metatarsale_tibiale"], marks["metatarsale_fibulare"]]
        axes.plot(*turn(pair), color=DARK, linewidth=1.0, linestyle=(0, (7, 2, 1, 2)), zorder=5.5)
    for name in ("mth1", "mth2", "mth3", "mth4", "mth5"):
        if name in marks:
            px, py = map(float, turn(marks[name]))
            axes.add_patch(
                Circle((px, py), 3.4, facecolor="white", edgecolor=DARK, linewidth=0.8, zorder=6)
            )
            axes.text(px, py, name[-1], fontsize=8.0, ha="center", va="center_baseline", zorder=7)
    for name, symbol in (("arch_apex", "D"), ("heel_centre", "o")):
        if name in marks:
            px, py = map(float, turn(marks[name]))
            axes.plot(
                px,
                py,
                marker=symbol,
                markersize=4.5,
                color="#d8d8d8",
                markeredgecolor=DARK,
                markeredgewidth=0.8,
                zorder=6.5,
            )
            if name == "heel_centre":
                axes.text(
                    px, py - 4.0, "heel centre", fontsize=8.0, ha="center", va="top", zorder=7
                )


def _place_notes(axes: Any, notes: list[tuple[Array, str, str]], turn: Turn, base: Array) -> None:
    """Write notes in a column on the lateral side, in the order of their places."""
    notes = sorted(notes, key=lambda note: -note[0][0])
    texts = [
        "\n".join(
            line for raw in words.split("\n") for line in textwrap.wrap(raw, NOTE_LETTERS) or [""]
        )
        for _, _, words in notes
    ]
    sizes = [7.2 * (text.count("\n") + 2) + 2.5 for text in texts]
    low, high = float(base[:, 1].min()), float(base[:, 0].max())
    tops = spread([float(at[0]) + 6.0 for at, _, _ in notes], sizes, high + 4.0, 0.0)
    column = turn.medial * (low - 8.0)
    align = "right" if turn.medial > 0 else "left"
    for (at, title, _), text, top in zip(notes, texts, tops, strict=True):
        axes.text(column, top, title, fontsize=9.4, fontweight="bold", ha=align, va="top")
        axes.text(
            column,
            top - 7.2,
            text,
            fontsize=9.2,
            ha=align,
            va="top",
            linespacing=1.12,
            parse_math=False,
        )
        px, py = turn(at)
        axes.plot(
            [column - turn.medial * -1.5, px],
            [top - 3.2, py],
            color=GREY,
            linewidth=0.5,
            zorder=6.8,
        )


def _frame_placement(axes: Any, foot: FootPlan, turn: Turn, base: Array) -> None:
    """Set limits, mm scales, and the side in large letters."""
    low, high = float(base[:, 1].min()), float(base[:, 1].max())
    ends = sorted((turn.medial * (low - 92.0), turn.medial * (high + 8.0)))
    length = float(base[:, 0].max())
    axes.set_xlim(*ends)
    axes.set_ylim(-8.0, length + 10.0)
    axes.set_aspect("equal")
    axes.annotate(
        foot.side.upper(),
        (0, 1),
        xycoords=("data", "axes fraction"),
        fontsize=17,
        fontweight="bold",
        ha="center",
        va="bottom",
    )
    axes.annotate(
        "mm from the centreline",
        (0, 0),
        xycoords=("data", "axes fraction"),
        xytext=(0, -20),
        textcoords="offset points",
        fontsize=9,
        ha="center",
        va="top",
    )
    axes.spines["bottom"].set_bounds(-60.0, 60.0)
    ticks = np.arange(-40, 41, 20)
    axes.set_xticks(ticks)
    axes.xaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")
    axes.set_ylabel("mm from the base's rear edge", fontsize=9, labelpad=1)
    axes.set_yticks(np.arange(0, length + 1, 20))
    axes.tick_params(labelsize=8.5, length=2.5)
    if turn.left:  # both scales stand between the feet, the notes outside
        axes.yaxis.tick_right()
        axes.yaxis.set_label_position("right")
        axes.text(high, -6.0, "big-toe side →", fontsize=8.5, color=GREY, ha="right")
    else:
        axes.text(-high, -6.0, "← big-toe side", fontsize=8.5, color=GREY, ha="left")
    for edge in ("top", "left" if turn.left else "right"):
        axes.spines[edge].set_visible(False)


# ---- shared ------------------------------------------------------------------------------


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
