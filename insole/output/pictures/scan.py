"""Pictures for the technician's desk: one scan with its findings, and two scans apart.

    MeasuredFoot                           -> write_scan    -> PNG, A5: sole map, holes, findings
    Comparison, MeasuredFoot (the first)   -> write_compare -> PNG, A5: signed distances, 4 views

Everything is drawn as one looks at it from below or beside: toes up in plan, a left foot as a left
foot. No letter is smaller than 10 points on A5, which leaves 7 on A6. Bands run in one direction
of lightness, severities differ in shape, and what was not seen is hatched, so that a grey printer
and every kind of colour vision lose nothing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from footscan.foot import Foot, SoleMap
from footscan.quality.maps import CELL_MM, ScanMaps, maps
from footscan.quality.sole import ARCH, BALL, HEEL
from footscan.results import Finding, MeasuredFoot, Severity, Verdict
from insole.output.ink import save_bytes
from insole.output.pictures.scan_page import (
    DARK,
    GREY,
    LINE_MM,
    MARKS,
    PALE,
    POINTS,
    Mask,
    axes_at,
    bands_of,
    cut,
    disc,
    draw_key,
    filtered,
    haloed,
    hatched_with,
    medial_way,
    most_severe_first,
    new_page,
    png_of,
    say,
    scale_bar,
)
from insole.output.pictures.scan_views import (
    borders,
    draw_silhouette,
    largest_gap,
    not_seen,
)

__all__ = ["scan_png", "write_scan"]


LIST_TOP_MM, LIST_END_MM = 119.0, 55.0  # of the findings on the page
BADGES = {
    Verdict.MAKING: ("o", "#00558b"),
    Verdict.MEASURING: MARKS[Severity.MEASURING],
    Verdict.AGAIN: MARKS[Severity.AGAIN],
}
HEIGHTS = (1.0, 4.0, 8.0, 12.0, 16.0, 20.0)  # mm; ends of the bands
NOISE = (0.1, 0.3, 0.7)  # mm; the last two are the limits of making and measuring
REGIONS = {"heel": HEEL, "arch": ARCH, "ball": BALL, "toes": (0.82, 1.0), "sole": (0.05, 0.78)}
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

    figure = new_page()
    with rc_context({"hatch.linewidth": 0.5, "font.size": POINTS}):
        seen = maps(measured)
        _draw_map(axes_at(figure, 2.0, 2.0, 86.0, 139.0), measured)
        _write_head(figure, measured, seen)
        _write_findings(figure, measured)
        _draw_keys(figure)
        _draw_noise(figure, measured.foot, seen)
        return png_of(figure)


# ---- the sole map ------------------------------------------------------------------------


def _draw_map(axes: Any, measured: MeasuredFoot) -> None:
    """Draw bands, what was not seen, outline, landmarks, findings and the scale bar."""
    foot, across = measured.foot, medial_way(measured.foot)
    sole = foot.sole
    u = across * sole.y
    smooth = filtered(sole.z, 1.0 / sole.cell)
    axes.contourf(
        u,
        sole.x,
        np.clip(smooth, 0.0, 99.0),
        levels=(-0.5, *HEIGHTS, 100.0),
        colors=bands_of(len(HEIGHTS) + 1),
    )
    axes.contour(u, sole.x, smooth, levels=HEIGHTS, colors="white", linewidths=0.5)
    silhouette = draw_silhouette(foot)
    if silhouette is not None:
        ring = silhouette.z > 0.5
        hatched_with(axes, across * silhouette.y, silhouette.x, ring, PALE, "", zorder=0)
        axes.contour(
            across * silhouette.y,
            silhouette.x,
            ring.astype(float),
            levels=[0.5],
            colors=DARK,
            linewidths=1.0,
        )
    unseen, place = not_seen(foot)
    hatched_with(axes, across * place.y, place.x, unseen, "white", "xxx", zorder=3)
    axes.set_xlim(-97.0, 97.0)
    axes.set_ylim(-36.0, max(foot.length + 12.0, 268.0))
    axes.set_aspect("equal", anchor="SW")
    axes.axis("off")
    _mark_landmarks(axes, measured, across)
    _mark_findings(axes, measured, across, unseen, place)
    scale_bar(axes, -96.0, -27.0)
    for words, way in (("big-toe side", across), ("little-toe side", -across)):
        axes.text(
            way * 95.0, -13.0, words, color=GREY, ha="right" if way > 0 else "left", va="center"
        )


def _mark_landmarks(axes: Any, measured: MeasuredFoot, across: float) -> None:
    """Mark every landmark; name those that a technician looks for, on the medial side."""
    border, align = borders(measured.foot)[1], "left" if across > 0 else "right"
    for name, mark in measured.landmarks.items():
        at = np.array([across * mark.xyz[1], mark.xyz[0]])
        axes.plot(
            *at,
            marker="o",
            markersize=4.5,
            color=DARK,
            markeredgecolor="white",
            markeredgewidth=1.0,
            zorder=6,
        )
        if name not in NAMED:
            continue
        words = NAMED[name]
        if name == "arch_apex":
            words = f"apex\n{mark.xyz[2]:.1f} mm"
        if mark.by_hand:
            words += "\nby hand"
        if name == "mth5":
            haloed(axes, at[0] + across * 5.0, at[1] + 5.0, words, align)
            continue
        start = across * (border + 6.0)
        axes.plot([at[0], start], [at[1], at[1]], color=DARK, linewidth=0.6, zorder=5)
        haloed(axes, start + across * 1.5, at[1], words, align)


def _mark_findings(
    axes: Any, measured: MeasuredFoot, across: float, unseen: Mask, place: SoleMap
) -> None:
    """Put each finding's number where it is: at the hole, or at a bracket beside the region."""
    beside = 10.0 - borders(measured.foot)[0]
    column = {"sole": beside + 17.0}
    taken: dict[str, int] = {}
    for number, (finding, _, _) in enumerate(_listed(measured), start=1):
        span = REGIONS.get(finding.region)
        if span is None:
            continue
        low, high = (share * measured.foot.length for share in span)
        spot = largest_gap(unseen, place, low, high) if finding.code == "sole-hole" else None
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
        disc(axes, u, x, finding.severity, str(number))
        taken[finding.region] = count + 1


# ---- words and keys ----------------------------------------------------------------------


def _write_head(figure: Any, measured: MeasuredFoot, seen: ScanMaps) -> None:
    """Write side, point of view, file, verdict and what the scan is."""
    facts, verdict = measured.facts, measured.report.verdict
    say(figure, 3.0, 146.0, f"{facts.side.upper()} FOOT", size=15.0, bold=True)
    say(figure, 46.0, 145.2, "seen from below")
    badge = axes_at(figure, 91.5, 138.0, 8.0, 8.0)
    badge.axis("off")
    badge.set_xlim(-1, 1)
    badge.set_ylim(-1, 1)
    shape, colour = BADGES[verdict]
    badge.plot(0, 0, marker=shape, markersize=17, color=colour)
    say(figure, 101.0, 145.0, verdict.value.upper(), size=15.0, bold=True, colour=colour)
    load = "load not known" if facts.load == "unknown" else f"load {facts.load}"
    scale = "scale verified" if facts.scale_verified else "scale unverified"
    say(figure, 92.0, 136.0, cut(facts.file, 56))
    length = measured.measures.get("foot_length")
    long = "" if length is None or length.value is None else f", {length.value:.0f} mm long"
    say(figure, 92.0, 136.0 - LINE_MM, f"{facts.kind} scan{long}, {load}, {scale}")
    shares = [
        f"{name} {100 * seen.coverage[name]:.0f}"
        for name in ("heel", "arch", "ball", "toes", "dorsum")
    ]
    say(figure, 92.0, 136.0 - 2 * LINE_MM, f"seen, %: {', '.join(shares)}")


def _write_findings(figure: Any, measured: MeasuredFoot) -> None:
    """Write the findings by weight, each with its number; what has no room is counted."""
    y, rows = LIST_TOP_MM, _listed(measured)
    more = len(measured.report.findings) - len(rows)
    for number, (finding, head, advice) in enumerate(rows, start=1):
        spot = axes_at(figure, 91.0, y - 5.0, 6.5, 6.5)
        spot.axis("off")
        spot.set_xlim(-1, 1)
        spot.set_ylim(-1, 1)
        disc(spot, 0.0, 0.0, finding.severity, str(number))
        for k, line in enumerate((*head, *advice)):
            say(figure, 99.0, y - k * LINE_MM, line, bold=bool(advice) and k < len(head))
        y -= _height(head, advice)
    if more:
        say(figure, 92.0, y, f"… and {more} more: see the list of findings", bold=True)
    elif not rows:
        say(figure, 92.0, y, "Nothing was found against this scan.")


def _listed(measured: MeasuredFoot) -> list[tuple[Finding, list[str], list[str]]]:
    """Return the findings that have room, the weightiest first, with their lines of text.

    What decided the verdict comes with its advice.
    """
    ranked, y = most_severe_first(measured), LIST_TOP_MM
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
    colours = bands_of(len(HEIGHTS) + 1)
    edges = ["0", *(f"{h:g}" for h in HEIGHTS)]
    rows = [(colours[k], "", f"{edges[k]} to {edges[k + 1]}") for k in range(len(HEIGHTS))]
    rows[0] = (colours[0], "", f"up to {edges[1]}: contact")
    rows.append((colours[-1], "", f"over {edges[-1]}"))
    rows = [*rows[::-1], (PALE, "", "seen, no sole"), ("white", "xxx", "not seen")]
    say(figure, 92.0, 52.0, "height of sole, mm", bold=True)
    draw_key(figure, 92.0, 47.0, rows)


def _draw_noise(figure: Any, foot: Foot, seen: ScanMaps) -> None:
    """Draw how noisy the sole is, cell by cell, with its key."""
    say(figure, 141.0, 52.0, "noise, mm", bold=True)
    colours = ["#f7f4f9", "#c9b3d9", "#8a5aa8", "#3f1a5c"]
    hatches = ["", "", "///", "xxx"]
    names = [f"up to {NOISE[0]:g}", f"to {NOISE[1]:g}", f"to {NOISE[2]:g}", f"over {NOISE[2]:g}"]
    rows = list(zip(colours[::-1], hatches[::-1], names[::-1], strict=True))
    draw_key(figure, 167.0, 47.0, [*rows, ("white", "..", "too few points")])
    axes = axes_at(figure, 139.0, 1.0, 25.0, 47.0)
    axes.set_aspect("equal")
    axes.axis("off")
    across, half = medial_way(foot), CELL_MM / 2
    step = np.searchsorted(NOISE, seen.sole_noise)
    few = np.isnan(seen.sole_noise)
    for i, j in zip(*np.nonzero(~few | (seen.sole_seen > 0.5)), strict=True):
        axes.fill(
            across * seen.y[j] + half * np.array([-1, 1, 1, -1]),
            seen.x[i] + half * np.array([-1, -1, 1, 1]),
            facecolor="white" if few[i, j] else colours[step[i, j]],
            hatch=".." if few[i, j] else hatches[step[i, j]],
            edgecolor="white" if not few[i, j] and step[i, j] > 1 else GREY,
            linewidth=0.0,
        )
    silhouette = draw_silhouette(foot)
    if silhouette is not None:
        axes.contour(
            across * silhouette.y,
            silhouette.x,
            silhouette.z,
            levels=[0.5],
            colors=DARK,
            linewidths=0.8,
        )
