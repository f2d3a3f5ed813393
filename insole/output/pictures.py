"""Pictures that a person would rather look at than read.

    MeasuredFoot -> write_scan_picture -> PNG: sole heights, landmarks, side view, verdict
    Plan         -> write_placement    -> PNG: both feet from above with base, pad and wedges
    Part         -> part_view          -> array: the part shaded, from above or below

Everything in plan is drawn as a rider sees the own feet from above: toes up, the left foot at the
left, big toes towards each other. Drawing needs no display, and the same input gives the same
bytes. Colours run in one direction of lightness, so that they survive a grey printer and every
kind of colour vision.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from footscan.foot import SoleMap, arch_line, face_normals, sole_map
from footscan.pose import mirror
from footscan.results import MeasuredFoot, Verdict
from footscan.scan import Array, IntArray
from insole.errors import OutputError
from insole.output.ink import save_bytes
from insole.output.places import (
    crest_point,
    spread,
    taper_words,
    tender_spots,
    turn_words,
    wedge_lines,
)
from insole.parts.part import Part
from insole.planning.limits import of_plan
from insole.planning.plan import FootPlan, HeightGrid, Plan, WedgePlan, fingerprint

__all__ = ["part_view", "placement_png", "write_placement", "write_scan_picture"]

CONTOUR_MM = 2.0
NOTE_LETTERS = 26  # in a line of the notes beside a foot
TOES_FROM = 0.78  # share of the length: contours between toes are clutter
SHADE_CELL_MM = 0.6  # a pixel of the shaded views
SHOWN_ABOVE_MM = 115.0  # the leg above this height is not drawn in the side view
LIGHT = np.array([-0.36, 0.46, 0.81]) / np.linalg.norm([-0.36, 0.46, 0.81])  # from upper left
GREY, ORANGE, DARK = "#666666", "#b85000", "#1a1a1a"
VERDICT_COLOUR = {Verdict.MAKING: "#1b6e53", Verdict.MEASURING: "#8a5a00", Verdict.AGAIN: "#9b1c31"}
SHORT = {
    "pternion": "pternion", "acropodion": "acropodion", "heel_centre": "heel centre",
    "mth1": "MTH1", "mth2": "MTH2", "mth3": "MTH3", "mth4": "MTH4", "mth5": "MTH5",
    "metatarsale_tibiale": "metatarsale tibiale", "metatarsale_fibulare": "metatarsale fibulare",
    "navicular": "navicular", "instep": "instep", "arch_apex": "arch apex",
}  # fmt: skip
SHOWN_MEASURES = (
    "foot_length", "foot_breadth", "ball_girth", "heel_breadth", "arch_apex_height", "arch_index",
)  # fmt: skip


def write_scan_picture(path: str | Path, measured: MeasuredFoot) -> None:
    """Write a picture of one scanned foot as PNG.

    Sole heights with contours every 2 mm, landmarks with circles of two standard deviations,
    arch line and apex, ball line, the medial side, verdict and findings.

    Parameters
    ----------
    path : path-like
        File to write; replaced as a whole or not at all.
    measured : MeasuredFoot
        Foot frame, mm; a left foot is drawn as a left foot.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.4, 8.6), facecolor="white")
    plan = figure.add_axes((0.03, 0.045, 0.53, 0.87))
    _draw_sole(figure, plan, measured)
    side = figure.add_axes((0.60, 0.61, 0.38, 0.25))
    _draw_side(side, measured)
    _write_findings(figure, measured)
    facts = measured.facts
    _say(figure, 0.03, 0.975, f"{facts.side.upper()} FOOT", 20, bold=True)
    name = facts.file if len(facts.file) <= 80 else f"{facts.file[:79]}…"
    _say(figure, 0.235, 0.972, f"seen from above · {name}", 9.5, colour=GREY)
    save_bytes(path, _png(figure, 120))


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
    tallest = max(foot.pad.crest.height for foot in plan.feet if foot.pad) if any(
        foot.pad for foot in plan.feet) else 0.0  # fmt: skip
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
    _say(figure, 0.5, 0.985, words, 8.5, colour=GREY, align="center")
    return _png(figure, dpi)


def part_view(part: Part, face: str = "above", *, pixel: float = 0.4) -> Array:
    """Return a shaded picture of a part, shape (height, width), 0 black to 1 white.

    Faces that look at the viewer are painted far to near, toes up; a part seen from below is
    turned over, so its medial side changes sides on the page.

    Parameters
    ----------
    part : Part
        Worn frame, mm.
    face : {"above", "below"}
        Where one looks from.
    pixel : float
        Size of a pixel, mm.

    Raises
    ------
    ValueError
        `face` is neither.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.collections import LineCollection, PolyCollection
    from matplotlib.figure import Figure

    if face not in ("above", "below"):
        raise ValueError(f"face must be 'above' or 'below', got {face!r}")
    way = 1.0 if face == "above" else -1.0
    turned = np.asarray(part.vertices, dtype=float)[:, [1, 0, 2]] * (-way, 1.0, way)
    normals = face_normals(np.asarray(part.vertices, dtype=float), part.faces)
    normals = normals[:, [1, 0, 2]] * (-way, 1.0, way)
    shown = np.flatnonzero(normals[:, 2] > 1e-6)
    shown = shown[np.argsort(turned[part.faces[shown], 2].mean(axis=1), kind="stable")]
    corners = turned[part.faces[shown]][:, :, :2]
    grey = np.repeat((0.25 + 0.7 * np.clip(normals[shown] @ LIGHT, 0.0, 1.0))[:, None], 3, axis=1)
    low, high = turned[:, :2].min(axis=0) - 1.0, turned[:, :2].max(axis=0) + 1.0
    figure = Figure(figsize=(high - low) / pixel / 100.0, dpi=100, facecolor="white")
    canvas: Any = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    painted = PolyCollection(list(corners), facecolors=grey, edgecolors=grey, linewidths=0.3)
    axes.add_collection(painted)
    creases = turned[_creases(part.faces, normals)][:, :, :2]
    axes.add_collection(LineCollection(list(creases), colors=DARK, linewidths=0.5))
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.axis("off")
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[:, :, 0] / 255.0


def _creases(faces: IntArray, normals: Array) -> IntArray:
    """Return the edges, shape (k, 2), where a shown face (normal up) meets one 25° off or more."""
    edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort(edges.T)
    edges, owner = edges[order], owner[order]
    same = np.flatnonzero((edges[1:] == edges[:-1]).all(axis=1))
    one, two = normals[owner[same]], normals[owner[same + 1]]
    bent = (one * two).sum(axis=1) < np.cos(np.radians(25.0))
    return np.asarray(edges[same[bent & (np.maximum(one[:, 2], two[:, 2]) > 1e-6)]])


# ---- the scan ----------------------------------------------------------------------------


def _draw_sole(figure: Any, axes: Any, measured: MeasuredFoot) -> None:
    """Draw the height map with contours, outline, lines, landmarks and scale bar."""
    foot = measured.foot
    sole = foot.sole
    across = _across(measured.facts.side)
    smooth = _filtered(sole.z, 1.5 / sole.cell)
    high = float(np.ceil(np.clip(np.nanpercentile(smooth, 99.0), 6.0, 30.0) / 2) * 2)
    u = across * sole.y
    image = axes.pcolormesh(u, sole.x, np.clip(sole.z, 0, high), cmap="cividis", vmin=0, vmax=high,
                            shading="nearest", rasterized=True)  # fmt: skip
    levels = np.arange(CONTOUR_MM, high, CONTOUR_MM)
    arch = np.where((sole.x < TOES_FROM * foot.length)[:, None], smooth, np.nan)
    lines = axes.contour(u, sole.x, arch, levels=levels, colors="white", linewidths=0.6)
    axes.clabel(lines, fmt="%g", fontsize=6.5)
    outline = _from_above(foot.vertices, foot.faces)
    if outline is not None:
        axes.contour(across * outline.y, outline.x, np.isfinite(outline.z).astype(float),
                     levels=[0.5], colors=DARK, linewidths=0.9)  # fmt: skip
    _draw_foot_lines(axes, measured, across)
    half = max(float(np.nanmax(np.abs(sole.y))), 40.0)
    low, top = -12.0, foot.length + 12.0
    axes.set_ylim(low - 16.0, top)
    reach = half + 64.0
    axes.set_xlim(-reach, reach)
    axes.set_aspect("equal")
    axes.axis("off")
    _name_landmarks(axes, measured, across, half + 12.0)
    _scale_bar(axes, low - 6.0)
    rail = figure.add_axes((0.36, 0.062, 0.17, 0.013))
    bar = figure.colorbar(image, cax=rail, orientation="horizontal")
    bar.set_label("height of the sole above the ground, mm; lines every 2 mm", fontsize=6.8)
    bar.ax.tick_params(labelsize=6.5, length=2)


def _draw_foot_lines(axes: Any, measured: MeasuredFoot, across: float) -> None:
    """Draw the arch line in its window and the ball line."""
    foot, marks = measured.foot, measured.landmarks
    x, y, z = arch_line(foot.sole, foot.length)
    seen = np.isfinite(z)
    if seen.any():
        axes.plot(across * y[seen], x[seen], color="white", linewidth=2.4)
        axes.plot(across * y[seen], x[seen], color=ORANGE, linewidth=1.3)
    ends = [marks[name].xyz for name in ("metatarsale_tibiale", "metatarsale_fibulare")
            if name in marks]  # fmt: skip
    if len(ends) == 2:
        pair = np.array(ends)
        axes.plot(across * pair[:, 1], pair[:, 0], color="white", linewidth=2.2)
        axes.plot(across * pair[:, 1], pair[:, 0], color=DARK, linewidth=1.1, linestyle=(0, (6, 2)))


def _name_landmarks(axes: Any, measured: MeasuredFoot, across: float, column: float) -> None:
    """Mark landmarks in plan; names stand in a column on their own side of the foot."""
    from matplotlib.patches import Circle

    columns: dict[float, list[tuple[Array, str]]] = {-1.0: [], 1.0: []}
    middle = float(np.nanmedian(measured.foot.sole.y))
    for name, mark in measured.landmarks.items():
        point = np.array([across * mark.xyz[1], mark.xyz[0]])
        axes.add_patch(Circle(tuple(point), 2 * mark.sd, fill=False, color="white", linewidth=1.4))
        axes.add_patch(Circle(tuple(point), 2 * mark.sd, fill=False, color=DARK, linewidth=0.7))
        axes.plot(*point, marker="o", markersize=3.4, color=DARK, markeredgecolor="white",
                  markeredgewidth=0.7)  # fmt: skip
        words = f"{SHORT.get(name, name)}\n± {mark.sd:.1f} mm"
        if name == "arch_apex":
            words = f"arch apex, {mark.xyz[2]:.1f} mm high\n± {mark.sd:.1f} mm in plan"
        if mark.by_hand:
            words += ", by hand"
        columns[across if mark.xyz[1] >= middle else -across].append((point, words))
    for way, names in columns.items():
        names.sort(key=lambda item: -item[0][1])
        tops = spread([float(point[1]) + 4.0 for point, _ in names], [12.0] * len(names),
                      measured.foot.length + 10.0, -8.0)  # fmt: skip
        for (point, words), y in zip(names, tops, strict=True):
            axes.annotate(
                words, xy=point, xytext=(way * column, y - 4.0), fontsize=7.0, va="center",
                ha="left" if way > 0 else "right", linespacing=1.0, color=DARK, parse_math=False,
                arrowprops={"arrowstyle": "-", "linewidth": 0.5, "color": GREY, "shrinkA": 1,
                            "shrinkB": 2},
            )  # fmt: skip
    for text, way in (("medial (big toe)", across), ("lateral (little toe)", -across)):
        axes.text(way * column, measured.foot.length + 9.0, text, fontsize=8.0, color=GREY,
                  ha="left" if way > 0 else "right", va="bottom")  # fmt: skip


def _scale_bar(axes: Any, y: float) -> None:
    """Draw a bar of 50 mm with a mark every 10 mm."""
    left = axes.get_xlim()[0] + 2.0
    for k in range(5):
        axes.fill([left + 10 * k, left + 10 * k + 10, left + 10 * k + 10, left + 10 * k],
                  [y, y, y + 2.2, y + 2.2], facecolor=DARK if k % 2 == 0 else "white",
                  edgecolor=DARK, linewidth=0.6)  # fmt: skip
    for at, words in ((0, "0"), (50, "50 mm")):
        axes.text(left + at, y - 1.2, words, fontsize=7.5, ha="center", va="top")
    axes.text(left, y + 3.6, "circles: two standard deviations", fontsize=6.8, color=GREY)


def _draw_side(axes: Any, measured: MeasuredFoot) -> None:
    """Draw the foot from its medial side, with the arch line's height and its apex."""
    foot = measured.foot
    # a quarter turn about x: what faced medially now faces down
    turned = np.column_stack([foot.vertices[:, 0], foot.vertices[:, 2], -foot.vertices[:, 1]])
    shown = turned[foot.faces][:, :, 1].min(axis=1) < SHOWN_ABOVE_MM
    try:
        seen = sole_map(turned, foot.faces[shown], cell=SHADE_CELL_MM, limit_deg=89.0)
    except ValueError:  # a bare sole may have no face that looks medially
        seen = None
    flip = -1.0 if measured.facts.side == "right" else 1.0  # toes point as on the real foot
    if seen is not None:
        axes.pcolormesh(flip * seen.x, seen.y, _shaded(seen).T, cmap="gray", vmin=0, vmax=1,
                        shading="nearest", rasterized=True)  # fmt: skip
    x, _, z = arch_line(foot.sole, foot.length)
    axes.plot(flip * x, z, color="white", linewidth=2.6)
    axes.plot(flip * x, z, color=ORANGE, linewidth=1.4, label="arch line, height of the sole")
    axes.axhline(0.0, color=DARK, linewidth=0.8)
    for name in ("arch_apex", "navicular", "instep", "mth1"):
        if name in measured.landmarks:
            at = measured.landmarks[name].xyz
            axes.plot(flip * at[0], at[2], marker="o", markersize=3.6, color=DARK,
                      markeredgecolor="white", markeredgewidth=0.7)  # fmt: skip
            axes.annotate(SHORT[name], (flip * at[0], at[2]), xytext=(0, 5),
                          textcoords="offset points", fontsize=7, ha="center",
                          bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75,
                                "pad": 0.6})  # fmt: skip
    axes.set_aspect("equal")
    axes.set_ylim(-6.0, SHOWN_ABOVE_MM)
    ends = sorted((flip * -8.0, flip * (foot.length + 8.0)))
    axes.set_xlim(*ends)
    axes.set_title(f"{measured.facts.side} foot, medial side", fontsize=9, loc="left")
    axes.xaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")
    axes.set_xlabel("mm from the heel", fontsize=7.5)
    axes.set_ylabel("mm above the ground", fontsize=7.5)
    axes.tick_params(labelsize=7, length=2)
    axes.legend(loc="upper left" if flip < 0 else "upper right", fontsize=7, frameon=False)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)


def _write_findings(figure: Any, measured: MeasuredFoot) -> None:
    """Write verdict, main measures and findings beside the map."""
    left, y = 0.595, 0.555
    report = measured.report
    figure.text(left + 0.008, y, f" {report.verdict.value} ", fontsize=13, fontweight="bold",
                color="white", va="top", bbox={"facecolor": VERDICT_COLOUR[report.verdict],
                                               "edgecolor": "none", "pad": 4})  # fmt: skip
    y -= 0.055
    facts = measured.facts
    load = "load not known" if facts.load == "unknown" else f"load: {facts.load}"
    scale = "scale verified" if facts.scale_verified else "scale not verified"
    lines = [(f"{facts.kind} scan, {load}, {scale}", False)]
    for name in SHOWN_MEASURES:
        if name in measured.measures:
            lines.append((_measure_words(name, measured), False))
    lines.append(("", False))
    lines.append((f"{len(report.findings)} finding{'s' * (len(report.findings) != 1)}", True))
    deciding = report.deciding
    ranked = [*deciding, *(f for f in report.findings if f not in deciding)]
    for finding in ranked:
        lines.append((f"{finding.severity.value}: {finding.text} {finding.advice}", False))
    room = y - 0.02
    shown: list[tuple[str, bool]] = []
    for words, bold in lines:
        wrapped = textwrap.wrap(words, 70, subsequent_indent="   ") or [""]
        shown += [(line, bold) for line in wrapped]
    fits = int(room / 0.0205)
    if len(shown) > fits:
        shown = [*shown[: fits - 1], ("… more: see the full list of findings", True)]
    for line, bold in shown:
        _say(figure, left, y, line, 7.8, bold=bold)
        y -= 0.0205


def _measure_words(name: str, measured: MeasuredFoot) -> str:
    """Return a measure with its unit and spread, or why there is none."""
    measure = measured.measures[name]
    words = name.replace("_", " ")
    if measure.value is None:
        return f"{words}: not measurable, {measure.reason}"
    places = 1 if measure.unit in ("mm", "deg") else 2
    unit = {"deg": "°", "": ""}.get(measure.unit, f" {measure.unit}")
    spread_words = "" if measure.sd is None else f" ± {measure.sd:.{places}f}"
    return f"{words}: {measure.value:.{places}f}{spread_words}{unit}"


# ---- the plan ----------------------------------------------------------------------------


def _draw_placement(axes: Any, plan: Plan, foot: FootPlan, tallest: float) -> Any:
    """Draw one foot's placement; return the pad's filled contours, if any."""
    turn = _Turn(foot.side)
    base, outline = np.array(foot.base.outline), np.array(foot.foot_outline)
    axes.fill(*turn(base), facecolor="#f3f1ea", edgecolor=DARK, linewidth=1.3, zorder=1)
    axes.fill(*turn(outline), fill=False, edgecolor=GREY, linewidth=0.9, linestyle=(0, (1, 2)),
              zorder=4)  # fmt: skip
    axes.plot(*turn([(0, 0), (base[:, 0].max(), 0)]), color=GREY, linewidth=0.5,
              linestyle=(0, (10, 3, 2, 3)), zorder=2)  # fmt: skip
    notes = [_draw_wedge(axes, wedge, turn) for wedge in foot.wedges]
    filled = None
    if foot.pad is not None:
        filled = _draw_pad(axes, foot, turn, tallest)
        notes += _pad_notes(foot)
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


class _Turn:
    """From the bed frame to the page: right across, up to the toes; a left foot mirrored."""

    def __init__(self, side: str) -> None:
        self.left = side == "left"
        self.medial = 1.0 if self.left else -1.0  # page direction of the medial side

    def __call__(self, points: Any) -> tuple[Array, Array]:
        points = np.asarray(points, dtype=float)[..., :2]
        worn = mirror(points) if self.left else points
        return -worn[..., 1], worn[..., 0]


def _draw_wedge(axes: Any, wedge: WedgePlan, turn: _Turn) -> tuple[Array, str, str]:
    """Draw a shim's zones and thick edge; return the note that belongs to it."""
    full, band = wedge_lines(wedge)
    under = wedge.place.value == "under the shoe"
    ring = np.array(wedge.outline)
    dash = (6, 2, 1, 2) if under else (4, 2)
    axes.fill(*turn(ring), facecolor="none" if under else "#f6d9bd", edgecolor=ORANGE,
              linewidth=0.9, linestyle=(0, dash), zorder=2)  # fmt: skip
    if not under:
        zone = np.array([*full[0], *full[1][::-1]])
        inside = (ring[:, 0] > full[0][0, 0]) & (ring[:, 0] < full[1][0, 0])
        if inside.any():
            zone = _between(ring, full[0][0, 0], full[1][0, 0])
        axes.fill(*turn(zone), facecolor="#eebd8d", edgecolor="none", zorder=2.1)
        for line in full:
            axes.plot(*turn(line), color=ORANGE, linewidth=1.0, zorder=2.2)
    axes.fill(*turn(band), facecolor=ORANGE, edgecolor="white", hatch="/////", linewidth=0.0,
              zorder=5)  # fmt: skip
    middle = np.array([(full[0][0, 0] + full[1][0, 0]) / 2, 0.0])
    lateral = float(ring[np.abs(ring[:, 0] - middle[0]).argsort()[:8], 1].min())
    words = (
        f"{wedge.words}\n{wedge.thick_edge:.1f} mm thick there\n"
        + ("by its bolt slots" if under else
           f"full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm\n{taper_words(wedge)}")
    )  # fmt: skip
    return np.array([middle[0], lateral + 4.0]), f"Shim {wedge.place}", words


def _between(ring: Array, low: float, high: float) -> Array:
    """Return the part of a ring between two stations along x, shape (n, 2)."""
    from shapely import Polygon, box

    piece = Polygon(ring).buffer(0).intersection(box(low, -500.0, high, 500.0))
    largest = max(getattr(piece, "geoms", [piece]), key=lambda shape: shape.area)
    return np.array(largest.exterior.coords)[:-1]


def _draw_pad(axes: Any, foot: FootPlan, turn: _Turn, tallest: float) -> Any:
    """Draw the pad's height as filled contours inside its outline, and the crest."""
    from matplotlib.patches import Polygon

    pad = foot.pad
    if pad is None:
        return None
    x, y, z = _fine(pad.top)
    page, up = turn(np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1))
    levels = np.arange(0.0, np.ceil(tallest) + 1.01, 1.0)
    filled = axes.contourf(page, up, z, levels=levels, cmap="YlGnBu", extend="neither", zorder=3)
    shown = levels[2::2]
    ink = ["white" if level > 0.45 * levels[-1] else "#0b3c5d" for level in shown]
    lines = axes.contour(page, up, z, levels=shown, colors=ink, linewidths=0.7, zorder=3.1)
    edge = Polygon(np.column_stack(turn(pad.outline)), closed=True, fill=False, edgecolor="#0b3c5d",
                   linewidth=1.4, zorder=3.3)  # fmt: skip
    axes.add_patch(edge)
    for drawn in (filled, lines):
        drawn.set_clip_path(edge)
    axes.clabel(lines, fmt="%g", fontsize=6.5)
    cx, cy = turn(crest_point(foot))
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
    crest = (
        f"{pad.name}\n{pad.crest.height:.1f} mm high\n{pad.crest.from_rear:.1f} mm from rear\n"
        f"{pad.crest.from_medial:.1f} mm from medial edge\n{turn_words(pad.turn)}"
    )
    return [
        (front, "Pad, front edge", f"{pad.front_edge:.1f} mm from rear"),
        (crest_point(foot), "Pad crest", crest),
        (rear, "Pad, rear edge", f"{pad.rear_edge:.1f} mm from rear"),
    ]


def _draw_spots(axes: Any, plan: Plan, foot: FootPlan, turn: _Turn) -> list[tuple[Array, str, str]]:
    """Draw a ring around each tender spot; return what is said about them."""
    from matplotlib.patches import Circle

    radius = of_plan(plan).value("keepout.tender_radius")
    notes = []
    for x, y in tender_spots(plan, foot.side):
        px, py = map(float, turn([x, y]))
        axes.add_patch(Circle((px, py), radius, fill=False, edgecolor=DARK, linewidth=1.6,
                              linestyle=(0, (3, 1.5)), zorder=6.4))  # fmt: skip
        side = "medial" if y >= 0 else "lateral"
        words = f"{x:g} mm from rear, {abs(y):g} mm {side}"
        notes.append((np.array([x, y]), "Tender: keep free", words))
    return notes


def _draw_plan_landmarks(axes: Any, foot: FootPlan, turn: _Turn) -> None:
    """Draw metatarsal heads, ball line, heel centre and the foot's arch apex."""
    from matplotlib.patches import Circle

    marks = foot.landmarks
    if "metatarsale_tibiale" in marks and "metatarsale_fibulare" in marks:
        pair = [marks["metatarsale_tibiale"], marks["metatarsale_fibulare"]]
        axes.plot(*turn(pair), color=DARK, linewidth=1.0, linestyle=(0, (7, 2, 1, 2)), zorder=5.5)
    for name in ("mth1", "mth2", "mth3", "mth4", "mth5"):
        if name in marks:
            px, py = map(float, turn(marks[name]))
            axes.add_patch(Circle((px, py), 3.4, facecolor="white", edgecolor=DARK, linewidth=0.8,
                                  zorder=6))  # fmt: skip
            axes.text(px, py, name[-1], fontsize=8.0, ha="center", va="center_baseline", zorder=7)
    for name, symbol in (("arch_apex", "D"), ("heel_centre", "o")):
        if name in marks:
            px, py = map(float, turn(marks[name]))
            axes.plot(px, py, marker=symbol, markersize=4.5, color="#d8d8d8", markeredgecolor=DARK,
                      markeredgewidth=0.8, zorder=6.5)  # fmt: skip
            if name == "heel_centre":
                axes.text(px, py - 4.0, "heel centre", fontsize=8.0, ha="center", va="top",
                          zorder=7)  # fmt: skip


def _place_notes(axes: Any, notes: list[tuple[Array, str, str]], turn: _Turn, base: Array) -> None:
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
        axes.text(column, top - 7.2, text, fontsize=9.2, ha=align, va="top", linespacing=1.12,
                  parse_math=False)  # fmt: skip
        px, py = turn(at)
        axes.plot([column - turn.medial * -1.5, px], [top - 3.2, py], color=GREY, linewidth=0.5,
                  zorder=6.8)  # fmt: skip


def _frame_placement(axes: Any, foot: FootPlan, turn: _Turn, base: Array) -> None:
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


def _across(side: str) -> float:
    """Return the page direction of the medial side: to the right for a left foot."""
    return 1.0 if side == "left" else -1.0


def _filtered(z: Array, sigma: float) -> Array:
    """Return `z` under a Gaussian that leaves empty cells empty and does not use them."""
    seen = np.isfinite(z)
    weight = ndimage.gaussian_filter(seen.astype(float), sigma)
    value = ndimage.gaussian_filter(np.where(seen, z, 0.0), sigma)
    return np.where(seen, value / np.maximum(weight, 1e-9), np.nan)


def _from_above(vertices: Array, faces: IntArray) -> SoleMap | None:
    """Return the map of all that lies below a plan view's eye, for the outline."""
    try:
        return sole_map(vertices, faces, cell=1.0, limit_deg=89.0)
    except ValueError:
        return None


def _shaded(seen: SoleMap) -> Array:
    """Return brightness 0 to 1 of a map seen from its lower side, NaN where empty."""
    z = -_filtered(seen.z, 0.8)
    slope_x, slope_y = np.gradient(z, seen.cell)
    normal = np.stack([-slope_x, -slope_y, np.ones_like(z)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return np.asarray(0.25 + 0.7 * np.clip(normal @ LIGHT, 0.0, 1.0))


def _say(
    figure: Any, x: float, y: float, words: str, size: float, *, bold: bool = False,
    colour: str = DARK, align: str = "left",
) -> None:  # fmt: skip
    """Write a line on the figure; words are taken as they are, never as a formula."""
    figure.text(x, y, words, fontsize=size, fontweight="bold" if bold else "normal", color=colour,
                va="top", ha=align, parse_math=False)  # fmt: skip


def _png(figure: Any, dpi: int) -> bytes:
    """Return the figure as PNG without date or version, so that bytes repeat."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    buffer = io.BytesIO()
    with warnings.catch_warnings():  # a name in a script that the font lacks is drawn as boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()
