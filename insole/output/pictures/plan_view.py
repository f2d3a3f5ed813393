"""The placement picture: both feet from above with base, pad and wedges, and what is said of them.

    Plan -> placement_png, write_placement -> PNG

Drawn as a rider sees the own feet from above: toes up, the left foot at the left, big toes towards
each other. Drawing needs no display, and the same input gives the same bytes. Colours run in one
direction of lightness, so that they survive a grey printer and every kind of colour vision.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import OutputError
from insole.output.ink import png_bytes, save_bytes
from insole.output.pictures.drawn_parts import (
    draw_dome,
    draw_landmarks,
    draw_spots,
    draw_wedge,
    highest,
)
from insole.output.pictures.turn import DARK, GREY, Turn, say
from insole.output.places import bed_crest, crest_point, metatarsal_crest, spread, turn_words
from insole.record.plan import FootPlan, Plan, fingerprint
from insole.record.planned_parts import ContourPlan

__all__ = ["placement_png", "write_placement"]

NOTE_LETTERS = 26  # in a line of the notes beside a foot


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
    carrying = [(foot.pad, foot.metatarsal, foot.contour) for foot in plan.feet]
    domes = [dome for foot in carrying for dome in foot if dome]
    tallest = max((highest(dome) for dome in domes), default=0.0)
    filled = None
    for k, foot in enumerate(plan.feet):
        share = 1.0 / len(plan.feet)
        left = (0.02 if foot.side == "left" else 0.09) * share
        axes = figure.add_axes((k * share + left, 0.125, 0.89 * share, 0.79))
        filled = _draw_placement(axes, plan, foot, tallest) or filled
    if filled is not None:
        rail = figure.add_axes((0.34, 0.052, 0.32, 0.014))
        bar = figure.colorbar(filled, cax=rail, orientation="horizontal")
        shown = {
            "height of the pad": any(foot.pad or foot.metatarsal for foot in plan.feet),
            "thickness of the bed": any(foot.contour for foot in plan.feet),
        }
        label = " or ".join(words for words, there in shown.items() if there)
        bar.set_label(f"{label}, mm", fontsize=9, labelpad=1)
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
    notes = [draw_wedge(axes, wedge, turn) for wedge in foot.wedges]
    filled = None
    if foot.pad is not None:
        filled = draw_dome(axes, foot.pad, crest_point(foot), turn, tallest)
        notes += _pad_notes(foot)
    if foot.contour is not None:
        crest = bed_crest(foot.contour)
        filled = draw_dome(axes, foot.contour, crest, turn, tallest)
        notes += _bed_notes(foot.contour)
    if foot.metatarsal is not None:
        crest = metatarsal_crest(foot)
        filled = draw_dome(axes, foot.metatarsal, crest, turn, tallest)
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
    notes += draw_spots(axes, plan, foot, turn)
    draw_landmarks(axes, foot, turn)
    _place_notes(axes, notes, turn, base)
    _frame_placement(axes, foot, turn, base)
    return filled


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


def _bed_notes(bed: ContourPlan) -> list[tuple[Array, str, str]]:
    """Return what is said about a contoured bed: front end, crest, cup, wedges built in."""
    ring = np.array(bed.outline)
    front, rear = ring[ring[:, 0].argmax()], ring[ring[:, 0].argmin()]
    crest = (
        f"{bed.crest.height:.1f} mm thick\n{bed.crest.from_rear:.1f} mm from rear\n"
        f"{bed.crest.from_medial:.1f} mm from medial edge"
    )
    ends = "" if bed.length == "full" else f"{bed.front_edge:.0f} mm from rear"
    built = [
        (
            np.array(
                [(wedge.full_from + wedge.full_to) / 2, float(np.array(wedge.outline)[:, 1].min())]
            ),
            f"Built in {wedge.place.value}",
            f"{wedge.words}\n{wedge.thick_edge:.1f} mm at its thick edge",
        )
        for wedge in bed.posting
    ]
    return [
        *([(front, "Bed, front end", ends)] if ends else []),
        (bed_crest(bed), "Bed crest", f"{bed.name}\n{crest}"),
        (rear, "Heel cup", f"{bed.cup:g} mm deep"),
        *built,
    ]


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
