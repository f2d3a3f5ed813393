"""Parts and marks of a foot drawn in plan: shims, pads, tender spots, landmarks.

WedgePlan, PadPlan, FootPlan + Turn -> drawn on axes, mm; notes that belong to them
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.output.pictures.turn import DARK, ORANGE, Turn
from insole.output.places import highest_place, taper_words, tender_spots, wedge_lines
from insole.planning.support.tops import ContourShape
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan, MetatarsalPlan, PadPlan, WedgePlan
from insole.record.values import HeightGrid

__all__ = ["ORANGE", "draw_dome", "draw_landmarks", "draw_spots", "draw_wedge", "highest"]
Carrying = PadPlan | MetatarsalPlan | ContourPlan


def draw_wedge(axes: Any, wedge: WedgePlan, turn: Turn) -> tuple[Array, str, str]:
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


def highest(pad: Carrying) -> float:
    """Return the height of the highest place, mm: a side that stands may pass the crest."""
    if not isinstance(pad, ContourPlan):
        return float(highest_place(pad)[2])
    x, y = np.meshgrid(*_fine(pad.top)[:2], indexing="ij")
    return float(ContourShape(pad).inside(x, y).max())


def draw_dome(axes: Any, pad: Carrying, crest: Array, turn: Turn, tallest: float) -> Any:
    """Draw a pad's height, or a bed's thickness, as contours inside its outline, and the crest."""
    from matplotlib.patches import Polygon

    x, y, z = _fine(pad.top)
    if isinstance(pad, ContourPlan):
        z = np.clip(z - _fine(pad.bottom)[2], 0.0, None)
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
    for label in axes.clabel(lines, fmt="%g", fontsize=6.5):
        if not edge.get_path().contains_point(label.get_position()):
            label.remove()  # of a line that is cut off at the outline
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


def draw_spots(axes: Any, plan: Plan, foot: FootPlan, turn: Turn) -> list[tuple[Array, str, str]]:
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
        notes.append((np.array([x, y]), "Tender spot", words))
    return notes


def draw_landmarks(axes: Any, foot: FootPlan, turn: Turn) -> None:
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
