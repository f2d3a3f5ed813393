"""Pictures for the technician's desk: one scan with its findings, and two scans apart.

    MeasuredFoot                           -> write_scan    -> PNG, A5: sole map, holes, findings
    Comparison, MeasuredFoot (the first)   -> write_compare -> PNG, A5: signed distances, 4 views

Everything is drawn as one looks at it from below or beside: toes up in plan, a left foot as a left
foot. No letter is smaller than 10 points on A5, which leaves 7 on A6. Bands run in one direction
of lightness, severities differ in shape, and what was not seen is hatched, so that a grey printer
and every kind of colour vision lose nothing.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.checking.repeat import Comparison
from footscan.foot import Foot, SoleMap, sampled, vertex_normals
from footscan.quality.maps import CELL_MM, ScanMaps, maps
from footscan.quality.sole import ARCH, BALL, HEEL
from footscan.quality.view import open_sole
from footscan.results import Finding, MeasuredFoot, Severity, Verdict
from footscan.scan import Array, Side
from insole.output.ink import save_bytes

__all__ = ["scan_png", "write_compare", "write_scan"]

Mask = NDArray[np.bool_]

PAGE_MM = (210.0, 148.0)  # A5, landscape
DPI = 200
POINTS = 10.0  # 7 points on A6
LINE_MM = 4.5
LIST_TOP_MM, LIST_END_MM = 119.0, 55.0  # of the findings on the page
DARK, GREY, PALE = "#1a1a1a", "#5a5a5a", "#d9d9d9"
# shape and colour by weight; blue, orange and vermilion are told apart by every colour vision
MARKS = {
    Severity.NOTE: ("o", "#5a5a5a"),
    Severity.MEASURING: ("^", "#b35c00"),
    Severity.AGAIN: ("8", "#a31515"),
}
BADGES = {
    Verdict.MAKING: ("o", "#00558b"),
    Verdict.MEASURING: MARKS[Severity.MEASURING],
    Verdict.AGAIN: MARKS[Severity.AGAIN],
}
HEIGHTS = (1.0, 4.0, 8.0, 12.0, 16.0, 20.0)  # mm; ends of the bands
NOISE = (0.1, 0.3, 0.7)  # mm; the last two are the limits of making and measuring
APART = (-2.0, -1.0, -0.5, 0.5, 1.0, 2.0)  # mm
REGIONS = {"heel": HEEL, "arch": ARCH, "ball": BALL, "toes": (0.82, 1.0), "sole": (0.05, 0.78)}
SILHOUETTE_TOP_MM = 60.0
SOLE_TOP_MM = 40.0  # no arch is as high: a surface up there is not the sole
GULF_MM = 12.0  # a gap narrower than twice this, open to the border, was sole as well
VIEW_CELL_MM = 1.5
VIEW_TOP_MM = 112.0  # the leg above this height is not drawn
NAMED = {"mth1": "MTH1", "mth5": "MTH5", "arch_apex": "apex", "pternion": "heel end"}


def write_scan(path: str | Path, measured: MeasuredFoot) -> None:
    """Write the picture of one scanned foot as PNG; see :func:`scan_png`.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written; an older file of that name is left as it was.
    """
    save_bytes(path, scan_png(measured))


def scan_png(measured: MeasuredFoot) -> bytes:
    """Return the picture of one scanned foot, PNG of an A5 page.

    The sole from below in bands of height, what was not seen hatched, landmarks, each finding
    with its number where it is, the noise of the surface, and the verdict in words.
    """
    from matplotlib import rc_context

    figure = _page()
    with rc_context({"hatch.linewidth": 0.5, "font.size": POINTS}):
        seen = maps(measured)
        _draw_map(_axes(figure, 2.0, 2.0, 86.0, 139.0), measured)
        _write_head(figure, measured, seen)
        _write_findings(figure, measured)
        _draw_keys(figure)
        _draw_noise(figure, measured.foot, seen)
        return _png(figure)


def write_compare(path: str | Path, comparison: Comparison, first: MeasuredFoot) -> None:
    """Write where the first scan lies outside or inside the second, as PNG of an A5 page.

    Parameters
    ----------
    comparison : Comparison
        As :func:`footscan.checking.repeat.compare` gave it.
    first : MeasuredFoot
        The foot that carries the distances.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written; an older file of that name is left as it was.
    """
    from matplotlib import rc_context

    figure = _page()
    with rc_context({"hatch.linewidth": 0.5, "font.size": POINTS}):
        _draw_views(figure, comparison, first.foot)
        _write_compared(figure, comparison)
        save_bytes(path, _png(figure))


# ---- the sole map ------------------------------------------------------------------------


def _draw_map(axes: Any, measured: MeasuredFoot) -> None:
    """Draw bands, what was not seen, outline, landmarks, findings and the scale bar."""
    foot, across = measured.foot, _medial_way(measured.foot)
    sole = foot.sole
    u = across * sole.y
    smooth = _filtered(sole.z, 1.0 / sole.cell)
    axes.contourf(u, sole.x, np.clip(smooth, 0.0, 99.0), levels=(-0.5, *HEIGHTS, 100.0),
                  colors=_bands(len(HEIGHTS) + 1))  # fmt: skip
    axes.contour(u, sole.x, smooth, levels=HEIGHTS, colors="white", linewidths=0.5)
    silhouette = _silhouette(foot)
    if silhouette is not None:
        ring = silhouette.z > 0.5
        _hatched(axes, across * silhouette.y, silhouette.x, ring, PALE, "", zorder=0)
        axes.contour(across * silhouette.y, silhouette.x, ring.astype(float), levels=[0.5],
                     colors=DARK, linewidths=1.0)  # fmt: skip
    unseen, place = _unseen(foot)
    _hatched(axes, across * place.y, place.x, unseen, "white", "xxx", zorder=3)
    axes.set_xlim(-97.0, 97.0)
    axes.set_ylim(-36.0, max(foot.length + 12.0, 268.0))
    axes.set_aspect("equal", anchor="SW")
    axes.axis("off")
    _mark_landmarks(axes, measured, across)
    _mark_findings(axes, measured, across, unseen, place)
    _scale_bar(axes, -96.0, -27.0)
    for words, way in (("big-toe side", across), ("little-toe side", -across)):
        axes.text(way * 95.0, -13.0, words, color=GREY, ha="right" if way > 0 else "left",
                  va="center")  # fmt: skip


def _mark_landmarks(axes: Any, measured: MeasuredFoot, across: float) -> None:
    """Mark every landmark; name those that a technician looks for, on the medial side."""
    border, align = _borders(measured.foot)[1], "left" if across > 0 else "right"
    for name, mark in measured.landmarks.items():
        at = np.array([across * mark.xyz[1], mark.xyz[0]])
        axes.plot(*at, marker="o", markersize=4.5, color=DARK, markeredgecolor="white",
                  markeredgewidth=1.0, zorder=6)  # fmt: skip
        if name not in NAMED:
            continue
        words = NAMED[name]
        if name == "arch_apex":
            words = f"apex\n{mark.xyz[2]:.1f} mm"
        if mark.by_hand:
            words += "\nby hand"
        if name == "mth5":
            _haloed(axes, at[0] + across * 5.0, at[1] + 5.0, words, align)
            continue
        start = across * (border + 6.0)
        axes.plot([at[0], start], [at[1], at[1]], color=DARK, linewidth=0.6, zorder=5)
        _haloed(axes, start + across * 1.5, at[1], words, align)


def _mark_findings(
    axes: Any, measured: MeasuredFoot, across: float, unseen: Mask, place: SoleMap
) -> None:
    """Put each finding's number where it is: at the hole, or at a bracket beside the region."""
    beside = 10.0 - _borders(measured.foot)[0]
    column = {"sole": beside + 17.0}
    taken: dict[str, int] = {}
    for number, (finding, _, _) in enumerate(_listed(measured), start=1):
        span = REGIONS.get(finding.region)
        if span is None:
            continue
        low, high = (share * measured.foot.length for share in span)
        spot = _largest_gap(unseen, place, low, high) if finding.code == "sole-hole" else None
        out = column.get(finding.region, beside)
        count = taken.get(finding.region, 0)
        u, x = -across * out, (low + high) / 2 + 15.0 * (-1) ** count * ((count + 1) // 2)
        if spot is not None:
            at = (across * spot[1], spot[0])
            line = {"arrowstyle": "-|>", "color": DARK, "linewidth": 1.1}
            axes.annotate("", xy=at, xytext=(u, x), arrowprops=line, zorder=7)
        else:
            axes.plot([u, u], [low, high], color=DARK, linewidth=1.1, zorder=5)
            for end in (low, high):
                axes.plot([u, u + across * 4.0], [end, end], color=DARK, linewidth=1.1, zorder=5)
        _disc(axes, u, x, finding.severity, str(number))
        taken[finding.region] = count + 1


def _borders(foot: Foot) -> tuple[float, float]:
    """Return the most lateral and the most medial y of the foot below the ankle, mm."""
    y = foot.vertices[foot.vertices[:, 2] < SILHOUETTE_TOP_MM, 1]
    return float(y.min()), float(y.max())


def _unseen(foot: Foot) -> tuple[Mask, SoleMap]:
    """Return where there is foot from heel to ball but no sole to be seen, and the grid."""
    place = open_sole(foot)
    seen = ndimage.binary_closing(place.z < SOLE_TOP_MM, iterations=1)
    far = round(GULF_MM / place.cell)
    grown = ndimage.distance_transform_edt(~np.pad(seen, 2 * far)) <= far
    closed = ndimage.distance_transform_edt(grown) > far
    plan = ndimage.binary_fill_holes(closed[2 * far : -2 * far, 2 * far : -2 * far] | seen)
    outline = _silhouette(foot)
    if outline is not None:
        at = np.meshgrid(place.x, place.y, indexing="ij")
        # what hangs over the border by a few cells was not meant to be seen from below
        plan |= ndimage.binary_erosion(np.nan_to_num(outline.height(*at)) > 0.5, iterations=4)
    zone = (place.x > 0.03 * foot.length) & (place.x < 0.80 * foot.length)
    missing = ndimage.binary_opening(plan & ~seen & zone[:, None], iterations=1)
    return np.asarray(missing), place


def _largest_gap(unseen: Mask, place: SoleMap, low: float, high: float) -> Array | None:
    """Return the middle (x, y) of the largest circle in what was not seen, or None."""
    inside = unseen & ((place.x >= low) & (place.x <= high))[:, None]
    if not inside.any():
        return None
    depth = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    i, j = np.unravel_index(int(depth.argmax()), depth.shape)
    return np.array([place.x[i], place.y[j]])


def _silhouette(foot: Foot) -> SoleMap | None:
    """Return 1 where anything of the foot lies in plan, 0 elsewhere; None without faces there."""
    low = foot.faces[(foot.vertices[foot.faces, 2] < SILHOUETTE_TOP_MM).all(axis=1)]
    if len(low) == 0:
        return None
    points = sampled(foot.vertices, low, 1.0)[:, :2]
    start = np.floor(points.min(axis=0)) - 4.0
    index = np.round(points - start).astype(int)
    filled = np.zeros(tuple(index.max(axis=0) + 6), dtype=bool)
    filled[index[:, 0], index[:, 1]] = True
    filled = ndimage.binary_fill_holes(ndimage.binary_closing(filled, iterations=2))
    x, y = (start[k] + np.arange(filled.shape[k], dtype=float) for k in range(2))
    return SoleMap(x=x, y=y, z=filled.astype(float), cell=1.0)


# ---- words and keys ----------------------------------------------------------------------


def _write_head(figure: Any, measured: MeasuredFoot, seen: ScanMaps) -> None:
    """Write side, point of view, file, verdict and what the scan is."""
    facts, verdict = measured.facts, measured.report.verdict
    _say(figure, 3.0, 146.0, f"{facts.side.upper()} FOOT", size=15.0, bold=True)
    _say(figure, 46.0, 145.2, "seen from below")
    badge = _axes(figure, 91.5, 138.0, 8.0, 8.0)
    badge.axis("off")
    badge.set_xlim(-1, 1)
    badge.set_ylim(-1, 1)
    shape, colour = BADGES[verdict]
    badge.plot(0, 0, marker=shape, markersize=17, color=colour)
    _say(figure, 101.0, 145.0, verdict.value.upper(), size=15.0, bold=True, colour=colour)
    load = "load not known" if facts.load == "unknown" else f"load {facts.load}"
    scale = "scale verified" if facts.scale_verified else "scale unverified"
    _say(figure, 92.0, 136.0, _cut(facts.file, 56))
    length = measured.measures.get("foot_length")
    long = "" if length is None or length.value is None else f", {length.value:.0f} mm long"
    _say(figure, 92.0, 136.0 - LINE_MM, f"{facts.kind} scan{long}, {load}, {scale}")
    shares = [
        f"{name} {100 * seen.coverage[name]:.0f}"
        for name in ("heel", "arch", "ball", "toes", "dorsum")
    ]
    _say(figure, 92.0, 136.0 - 2 * LINE_MM, f"seen, %: {', '.join(shares)}")


def _write_findings(figure: Any, measured: MeasuredFoot) -> None:
    """Write the findings by weight, each with its number; what has no room is counted."""
    y, rows = LIST_TOP_MM, _listed(measured)
    more = len(measured.report.findings) - len(rows)
    for number, (finding, head, advice) in enumerate(rows, start=1):
        spot = _axes(figure, 91.0, y - 5.0, 6.5, 6.5)
        spot.axis("off")
        spot.set_xlim(-1, 1)
        spot.set_ylim(-1, 1)
        _disc(spot, 0.0, 0.0, finding.severity, str(number))
        for k, line in enumerate((*head, *advice)):
            _say(figure, 99.0, y - k * LINE_MM, line, bold=bool(advice) and k < len(head))
        y -= _height(head, advice)
    if more:
        _say(figure, 92.0, y, f"… and {more} more: see the list of findings", bold=True)
    elif not rows:
        _say(figure, 92.0, y, "Nothing was found against this scan.")


def _listed(measured: MeasuredFoot) -> list[tuple[Finding, list[str], list[str]]]:
    """Return the findings that have room, the weightiest first, with their lines of text.

    What decided the verdict comes with its advice.
    """
    ranked, y = _ranked(measured), LIST_TOP_MM
    rows: list[tuple[Finding, list[str], list[str]]] = []
    for finding in ranked:
        deciding = finding in measured.report.deciding
        head = textwrap.wrap(finding.text, 48 if deciding else 55)
        advice = textwrap.wrap(finding.advice, 55) if deciding else []
        left = len(ranked) - len(rows)
        y -= _height(head, advice)
        if y < LIST_END_MM + (LINE_MM if left > 1 else 0.0):
            break
        rows.append((finding, head, advice))
    return rows


def _height(head: Sequence[str], advice: Sequence[str]) -> float:
    """Return how much of the page a finding takes, mm; a disc is taller than a line."""
    lines = len(head) + len(advice)
    return LINE_MM * lines + (1.4 if lines > 1 else 2.2)


def _draw_keys(figure: Any) -> None:
    """Draw what the bands, hatches and shapes mean."""
    colours = _bands(len(HEIGHTS) + 1)
    edges = ["0", *(f"{h:g}" for h in HEIGHTS)]
    rows = [(colours[k], "", f"{edges[k]} to {edges[k + 1]}") for k in range(len(HEIGHTS))]
    rows[0] = (colours[0], "", f"up to {edges[1]}: contact")
    rows.append((colours[-1], "", f"over {edges[-1]}"))
    rows = [*rows[::-1], (PALE, "", "seen, no sole"), ("white", "xxx", "not seen")]
    _say(figure, 92.0, 52.0, "height of sole, mm", bold=True)
    _key(figure, 92.0, 47.0, rows)


def _draw_noise(figure: Any, foot: Foot, seen: ScanMaps) -> None:
    """Draw how noisy the sole is, cell by cell, with its key."""
    _say(figure, 141.0, 52.0, "noise, mm", bold=True)
    colours = ["#f7f4f9", "#c9b3d9", "#8a5aa8", "#3f1a5c"]
    hatches = ["", "", "///", "xxx"]
    names = [f"up to {NOISE[0]:g}", f"to {NOISE[1]:g}", f"to {NOISE[2]:g}", f"over {NOISE[2]:g}"]
    rows = list(zip(colours[::-1], hatches[::-1], names[::-1], strict=True))
    _key(figure, 167.0, 47.0, [*rows, ("white", "..", "too few points")])
    axes = _axes(figure, 139.0, 1.0, 25.0, 47.0)
    axes.set_aspect("equal")
    axes.axis("off")
    across, half = _medial_way(foot), CELL_MM / 2
    step = np.searchsorted(NOISE, seen.sole_noise)
    few = np.isnan(seen.sole_noise)
    for i, j in zip(*np.nonzero(~few | (seen.sole_seen > 0.5)), strict=True):
        axes.fill(
            across * seen.y[j] + half * np.array([-1, 1, 1, -1]),
            seen.x[i] + half * np.array([-1, -1, 1, 1]),
            facecolor="white" if few[i, j] else colours[step[i, j]],
            hatch=".." if few[i, j] else hatches[step[i, j]],
            edgecolor="white" if not few[i, j] and step[i, j] > 1 else GREY, linewidth=0.0,
        )  # fmt: skip
    silhouette = _silhouette(foot)
    if silhouette is not None:
        axes.contour(across * silhouette.y, silhouette.x, silhouette.z, levels=[0.5], colors=DARK,
                     linewidths=0.8)  # fmt: skip


# ---- two scans ---------------------------------------------------------------------------


def _draw_views(figure: Any, comparison: Comparison, foot: Foot) -> None:
    """Draw the signed distances from below, above and both sides."""
    across, p = _medial_way(foot), foot.vertices
    # from its medial side a left foot points to the right
    way, normals = -across, vertex_normals(foot.vertices, foot.faces)
    edges = np.linalg.norm(p[foot.faces[:, 0]] - p[foot.faces[:, 1]], axis=1)
    gap = int(np.clip(np.ceil(1.2 * np.median(edges) / VIEW_CELL_MM), 3, 8))
    views = (
        ("from below", (2.0, 29.0, 43.0, 105.0), across * p[:, 1], p[:, 0], p[:, 2]),
        ("from above", (46.0, 29.0, 43.0, 105.0), -across * p[:, 1], p[:, 0], -p[:, 2]),
        ("medial side", (92.0, 92.0, 114.0, 43.0), way * p[:, 0], p[:, 2], -p[:, 1]),
        ("lateral side", (92.0, 49.0, 114.0, 43.0), -way * p[:, 0], p[:, 2], p[:, 1]),
    )
    facing = (-normals[:, 2], normals[:, 2], normals[:, 1], -normals[:, 1])
    for (title, box, u, v, depth), front in zip(views, facing, strict=True):
        seen = (front > 0.0) & (p[:, 2] < VIEW_TOP_MM)
        axes = _axes(figure, *box)
        axes.axis("off")
        drawn = p[:, 2] < VIEW_TOP_MM
        _draw_outline(axes, u[drawn], v[drawn])
        _draw_view(axes, np.stack([u, v, depth], axis=1)[seen], comparison.signed[seen], gap)
        axes.set_aspect("equal", anchor="N")
        axes.set_xlim(u[drawn].min() - 5.0, u[drawn].max() + 5.0)
        axes.set_ylim(v[drawn].min() - (16.0 if box[0] < 90.0 else 3.0), v[drawn].max() + 3.0)
        at = 0.0 if box[0] < 90.0 or u[np.argmax(p[:, 0])] < 0 else 84.0
        _say(figure, box[0] + 1.0 + at, box[1] + box[3] + (5.0 if box[0] < 90.0 else -3.0), title,
             colour=GREY)  # fmt: skip
        leg = drawn & (p[:, 2] > 0.85 * min(VIEW_TOP_MM, float(p[:, 2].max())))
        if title == "from above" and p[:, 2].max() > VIEW_TOP_MM:
            axes.text(u[leg].mean(), v[leg].mean(), "leg", color=GREY, ha="center", va="center")
        if title == "from below":
            _scale_bar(axes, axes.get_xlim()[0], axes.get_ylim()[0] + 2.0)


def _draw_view(axes: Any, points: Array, signed: Array, gap: int) -> None:
    """Draw the distances at the frontmost points, spread over `gap` cells between them.

    Points, shape (n, 3), are to the right, up, and away from the eye, mm.
    """
    cell, depth = VIEW_CELL_MM, points[:, 2]
    start = points[:, :2].min(axis=0) - (gap + 1) * cell
    index = np.round((points[:, :2] - start) / cell).astype(int)
    shape = tuple(index.max(axis=0) + gap + 2)
    front = np.full(shape, np.inf)
    np.minimum.at(front, (index[:, 0], index[:, 1]), depth)
    front = ndimage.minimum_filter(front, size=3)
    own = depth <= front[index[:, 0], index[:, 1]] + 4.0
    at, value = index[own], signed[own]
    hit = np.zeros(shape, dtype=bool)
    hit[at[:, 0], at[:, 1]] = True
    body = _without_specks(ndimage.binary_closing(hit, iterations=gap))
    known = np.isfinite(value)
    count, total = np.zeros(shape), np.zeros(shape)
    np.add.at(count, (at[known, 0], at[known, 1]), 1.0)
    np.add.at(total, (at[known, 0], at[known, 1]), value[known])
    near = ndimage.distance_transform_edt(~hit, return_distances=False, return_indices=True)
    unknown = body & (count[near[0], near[1]] == 0)
    from_u, from_v = ndimage.distance_transform_edt(
        count == 0, return_distances=False, return_indices=True
    )
    mean = ndimage.gaussian_filter((total / np.maximum(count, 1.0))[from_u, from_v], 1.0)
    at_u, at_v = (start[k] + cell * np.arange(shape[k]) for k in range(2))
    axes.contourf(at_u, at_v, np.where(body & ~unknown, np.clip(mean, -99.0, 99.0), np.nan).T,
                  levels=(-100.0, *APART, 100.0), colors=_apart_colours(),
                  hatches=APART_HATCHES)  # fmt: skip
    _hatched(axes, at_u, at_v, unknown.T, PALE, "xxx", zorder=2)


def _draw_outline(axes: Any, u: Array, v: Array) -> None:
    """Draw the outline of everything there, the cut of the leg included."""
    start = np.array([u.min(), v.min()]) - 4 * VIEW_CELL_MM
    index = np.round((np.stack([u, v], axis=1) - start) / VIEW_CELL_MM).astype(int)
    hit = np.zeros(tuple(index.max(axis=0) + 5), dtype=bool)
    hit[index[:, 0], index[:, 1]] = True
    body = ndimage.binary_fill_holes(ndimage.binary_closing(hit, iterations=3))
    at_u, at_v = (start[k] + VIEW_CELL_MM * np.arange(hit.shape[k]) for k in range(2))
    border = ndimage.gaussian_filter(body.astype(float), 1.0)
    axes.contour(at_u, at_v, border.T, levels=[0.5], colors=DARK, linewidths=0.9, zorder=4)


def _without_specks(mask: Mask) -> Mask:
    """Return the mask without pieces of fewer than 60 cells: single points seen past an edge."""
    labels, _ = ndimage.label(mask)
    large = np.bincount(labels.ravel()) >= 60
    large[0] = False
    return np.asarray(large[labels])


APART_HATCHES = ["....", "..", "", "", "", "//", "////"]


def _apart_colours() -> list[Any]:
    from matplotlib import colormaps

    shown = [colormaps["PuOr_r"](share) for share in (0.02, 0.17, 0.33, 0.67, 0.83, 0.95)]
    return [*shown[:3], "#ecebe6", *shown[3:]]


def _write_compared(figure: Any, comparison: Comparison) -> None:
    """Write what was compared, the figures, the key and the notes."""
    _say(figure, 3.0, 146.0, comparison.kind.upper(), size=15.0, bold=True)
    _say(figure, 92.0, 146.0, f"first: {_cut(comparison.first, 48)}")
    _say(figure, 92.0, 146.0 - LINE_MM, f"second: {_cut(comparison.second, 47)}")
    _say(figure, 92.0, 45.0, "first from second, mm", bold=True)
    names = [f"inside, over {-APART[0]:g}", "inside 1 to 2", "inside 0.5 to 1", "within 0.5",
             "outside 0.5 to 1", "outside 1 to 2", f"outside, over {APART[-1]:g}"]  # fmt: skip
    rows = list(zip(_apart_colours(), APART_HATCHES, names, strict=True))[::-1]
    _key(figure, 92.0, 40.0, [*rows, (PALE, "xxx", "not compared")])
    apex = next((d for d in comparison.differences if d.name == "arch_apex_height"), None)
    lines = [
        f"rms {comparison.rms:.2f} mm, 95 % within {comparison.p95:.2f} mm",
        f"mean {comparison.mean:+.2f} mm, {100 * comparison.seen:.0f} % compared",
    ]
    if apex is not None:
        lines.append(f"arch apex {apex.first:.1f} and {apex.second:.1f} mm")
    for k, line in enumerate(lines):
        _say(figure, 3.0, 20.0 - LINE_MM * k, line, bold=k == 0)
    y = 45.0
    for note in (*comparison.beyond_limits, *comparison.notes):
        for line in textwrap.wrap(note, 33):
            if y < 5.0:
                return
            _say(figure, 140.0, y, line)
            y -= LINE_MM
        y -= 1.0


# ---- shared ------------------------------------------------------------------------------


def _page() -> Any:
    from matplotlib.figure import Figure

    return Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor="white")


def _axes(figure: Any, left: float, bottom: float, width: float, height: float) -> Any:
    """Return axes at a place on the page, mm."""
    wide, high = PAGE_MM
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high))


def _medial_way(foot: Foot) -> float:
    """Return the page direction of the medial side, seen from below with the toes up."""
    return -1.0 if foot.side is Side.LEFT else 1.0


def _ranked(measured: MeasuredFoot) -> Sequence[Finding]:
    """Return the findings, the weightiest first."""
    order = (Severity.AGAIN, Severity.MEASURING, Severity.NOTE)
    return sorted(measured.report.findings, key=lambda finding: order.index(finding.severity))


def _bands(count: int) -> list[Any]:
    from matplotlib import colormaps

    return [colormaps["cividis"](share) for share in np.linspace(0.0, 1.0, count)]


def _filtered(z: Array, sigma: float) -> Array:
    """Return `z` under a Gaussian that leaves empty cells empty and does not use them."""
    seen = np.isfinite(z)
    weight = ndimage.gaussian_filter(seen.astype(float), sigma)
    value = ndimage.gaussian_filter(np.where(seen, z, 0.0), sigma)
    return np.where(seen, value / np.maximum(weight, 1e-9), np.nan)


def _hatched(
    axes: Any, u: Array, v: Array, mask: Mask, colour: str, hatch: str, *, zorder: float
) -> None:
    """Fill a mask, shape (len(v), len(u)), with colour and hatch."""
    if mask.any():
        axes.contourf(u, v, mask.astype(float), levels=[0.5, 1.5], colors=[colour],
                      hatches=[hatch], zorder=zorder)  # fmt: skip


def _disc(axes: Any, u: float, v: float, severity: Severity, words: str) -> None:
    """Draw a finding's number in the shape of its weight."""
    shape, colour = MARKS[severity]
    axes.plot(u, v, marker=shape, markersize=18 if shape == "^" else 15, color=colour,
              markeredgecolor="white", markeredgewidth=1.0, zorder=8, clip_on=False)  # fmt: skip
    axes.annotate(words, (u, v), xytext=(0, -1.8 if shape == "^" else -0.4), color="white",
                  textcoords="offset points", fontweight="bold", fontsize=POINTS, ha="center",
                  va="center", zorder=9, annotation_clip=False)  # fmt: skip


def _haloed(axes: Any, u: float, v: float, words: str, align: str) -> None:
    """Write words that stay readable on any band."""
    from matplotlib.patheffects import withStroke

    axes.text(u, v, words, color=DARK, ha=align, va="center", linespacing=1.0, parse_math=False,
              zorder=7, path_effects=[withStroke(linewidth=2.5, foreground="white")])  # fmt: skip


def _scale_bar(axes: Any, left: float, y: float) -> None:
    """Draw a bar of 50 mm with a mark every 10 mm."""
    for k in range(5):
        axes.fill([left + 10 * k, left + 10 * k + 10, left + 10 * k + 10, left + 10 * k],
                  [y, y, y + 3.0, y + 3.0], facecolor=DARK if k % 2 == 0 else "white",
                  edgecolor=DARK, linewidth=0.7)  # fmt: skip
    axes.text(left + 53.0, y + 1.5, "50 mm of foot", va="center", fontsize=POINTS)


def _key(figure: Any, left: float, top: float, rows: Sequence[tuple[Any, str, str]]) -> None:
    """Draw a column of patches with words; `top` is that of the first row, mm."""
    from matplotlib.patches import Rectangle

    axes = _axes(figure, left, top - LINE_MM * len(rows), 8.0, LINE_MM * len(rows))
    axes.axis("off")
    axes.set_xlim(0, 8)
    axes.set_ylim(-len(rows), 0)
    for k, (colour, hatch, words) in enumerate(rows):
        axes.add_patch(Rectangle((0.3, -k - 0.95), 7.4, 0.9, facecolor=colour, hatch=hatch,
                                 edgecolor=DARK, linewidth=0.5))  # fmt: skip
        _say(figure, left + 9.5, top - LINE_MM * k - 0.2, words)


def _say(
    figure: Any, x: float, y: float, words: str, *, size: float = POINTS, bold: bool = False,
    colour: str = DARK,
) -> None:  # fmt: skip
    """Write a line, its top left at a place on the page, mm; never taken for a formula."""
    figure.text(x / PAGE_MM[0], y / PAGE_MM[1], words, fontsize=size, color=colour, va="top",
                fontweight="bold" if bold else "normal", parse_math=False)  # fmt: skip


def _cut(words: str, longest: int) -> str:
    return words if len(words) <= longest else f"{words[: longest - 1]}…"


def _png(figure: Any) -> bytes:
    """Return the figure as PNG without date or version, so that bytes repeat."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    buffer = io.BytesIO()
    with warnings.catch_warnings():  # a name in a script that the font lacks is drawn as boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(buffer, format="png", dpi=DPI, metadata={"Software": None})
    return buffer.getvalue()
