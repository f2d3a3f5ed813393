"""The page of a first trial from outlines: shoes, pad and wedge per foot, clearly no plan.

FirstTrial, FitResult -> write_first_trial -> PDF, A4, one page
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from footscan.scan import Side
from insole.output.ink import (
    BLACK,
    GREY,
    MM,
    ORANGE,
    PALE,
    drawn,
    ring_path,
    stroke,
    wrapped,
    write,
)
from insole.planning.wedge_rules import tilt
from insole.record.questions import SHORT_CAUTION

if TYPE_CHECKING:
    from footscan.outline.traced import Traced
    from insole.planning.first_trial import FirstTrial
    from insole.planning.fit import FitResult

__all__ = ["MARK", "write_first_trial"]

WIDE, HIGH, EDGE = 210.0, 297.0, 14.0
MARK = "FROM AN OUTLINE ON PAPER"
COVERAGE = 1.96
SHOES = 4  # shown
SCALE = 0.30  # of the drawn outlines


def write_first_trial(
    path: str | Path, feet: Sequence[tuple[Traced, FirstTrial]], ranked: Sequence[FitResult]
) -> None:
    """Write the page; replaced as a whole or not at all.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    with drawn(path, "First trial from outlines", (WIDE, HIGH)) as canvas:
        canvas.scale(MM, MM)
        write(canvas, EDGE, 277.0, "First trial", 7.5, bold=True)
        write(canvas, WIDE - EDGE, 277.5, MARK, 5.0, bold=True, align="end", colour=ORANGE)
        y = 269.0
        for words in wrapped(
            "Lengths and breadths from a photographed outline, the rest by hand. No plan and no "
            "parts: for these the foot is scanned with its sole. Change one thing at a time, and "
            "take less support where in doubt.",
            3.3,
            WIDE - 2 * EDGE,
        ):
            write(canvas, EDGE, y, words, 3.3, colour=GREY)
            y -= 4.6
        column = (WIDE - 2 * EDGE) / 2
        for foot, trial in feet:
            left = EDGE + (0.0 if foot.side is Side.LEFT else column)
            _foot(canvas, left, y - 3.0, column - 5.0, foot, trial)
        _shoes(canvas, 96.0, ranked)
        write(canvas, EDGE, 10.0, f"{MARK.capitalize()}. {SHORT_CAUTION}", 3.2, colour=GREY)
        canvas.showPage()


def _foot(
    canvas: Any, left: float, top: float, wide: float, foot: Traced, trial: FirstTrial
) -> None:
    """Draw one foot's column: outline with the pad's crest, figures, what to put in."""
    write(canvas, left, top - 5.0, f"{foot.side.value.upper()} FOOT", 5.0, bold=True)
    _outline(canvas, left + 22.0, top - 94.0, foot, trial)
    y = top - 12.0
    for key, words in (
        ("foot_length", "length"),
        ("foot_breadth", "ball"),
        ("heel_breadth_max", "heel"),
    ):
        measure = foot.measures[key]
        if measure.value is not None:
            write(canvas, left + 45.0, y, words, 3.3, colour=GREY)
            band = COVERAGE * (measure.sd or 0.0)
            write(canvas, left + 45.0, y - 4.6, f"{measure.value:.0f} ± {band:.0f} mm", 3.8)
            y -= 11.5
    y = top - 102.0
    lines = []
    if trial.pad is not None:
        lines.append(
            f"Kit pad {trial.pad.name} (mm); crest {trial.crest_at:.0f} ± {trial.crest_band:.0f} "
            "mm from the back of the heel, on the big-toe side"
        )
    if trial.wedge is not None:
        up = "thick on the big-toe side" if trial.wedge > 0 else "thick on the little-toe side"
        lines.append(
            f"Forefoot wedge {tilt(trial.wedge)}, {up}"
            if trial.wedge
            else "Forefoot wedge: none, as asked"
        )
    for k, text in enumerate([*lines, *trial.reasons]):
        bold = k < len(lines)
        for words in wrapped(text, 3.2, wide, bold=bold):
            write(canvas, left, y, words, 3.2, bold=bold, colour=BLACK if bold else GREY)
            y -= 4.3
        y -= 1.2


def _outline(canvas: Any, x: float, y: float, foot: Traced, trial: FirstTrial) -> None:
    """Draw an outline seen from above, toes up; the frame's +y is the big-toe side."""
    medial = 1.0 if foot.side is Side.LEFT else -1.0  # to the right on a left foot
    ring = np.stack([medial * foot.ring[:, 1], foot.ring[:, 0]], axis=1) * SCALE + [x, y]
    stroke(canvas, ring, BLACK, 0.35, fill=(0.97, 0.95, 0.92))
    write(canvas, x + medial * 14.0, y + 84.0, "big toe", 2.6, align="middle", colour=GREY)
    if trial.pad is None:
        return
    at, half = trial.crest_at * SCALE, trial.pad.length / 2 * SCALE
    near = np.abs(foot.ring[:, 0] - trial.crest_at) < 4.0
    edge = float(foot.ring[near, 1].max()) * SCALE
    middle = edge - trial.pad.width / 2 * SCALE
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    pad = np.stack(
        [
            x + medial * (middle + trial.pad.width / 2 * SCALE * np.cos(t)),
            y + at + half * np.sin(t),
        ],
        axis=1,
    )
    canvas.saveState()
    canvas.clipPath(ring_path(canvas, ring), stroke=0, fill=0)
    stroke(canvas, pad, ORANGE, 0.4, fill=(0.98, 0.88, 0.76))
    canvas.restoreState()
    for off in (-trial.crest_band, trial.crest_band):
        line = np.array(
            [
                (x + medial * (edge - 16.0), y + at + off * SCALE),
                (x + medial * (edge + 3.0), y + at + off * SCALE),
            ]
        )
        stroke(canvas, line, ORANGE, 0.3, close=False, dash=(1.0, 0.8))


def _shoes(canvas: Any, top: float, ranked: Sequence[FitResult]) -> None:
    """Write the first shoes of the ranking with their reasons."""
    stroke(canvas, np.array([(EDGE, top), (WIDE - EDGE, top)]), PALE, 0.3, close=False)
    write(canvas, EDGE, top - 7.0, "Shoes", 5.0, bold=True)
    y = top - 13.0
    for result in ranked[:SHOES]:
        if y < 26.0:
            break
        write(
            canvas, EDGE, y, f"{result.place}. {result.shoe.name}: {result.verdict}", 3.6, bold=True
        )
        y -= 4.6
        for reason in result.reasons:
            for words in wrapped(reason, 2.9, WIDE - 2 * EDGE - 5):
                if y < 18.0:
                    return
                write(canvas, EDGE + 5, y, words, 2.9, colour=GREY)
                y -= 3.9
        y -= 1.5
