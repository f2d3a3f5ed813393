"""Two scans of one foot, laid on each other, as a picture."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from footscan.checking.repeat import Comparison
from footscan.results import MeasuredFoot
from insole.output.ink import save_bytes
from insole.output.pictures.scan_page import (
    APART,
    APART_HATCHES,
    LINE_MM,
    PALE,
    POINTS,
    apart_colours,
    cut,
    draw_key,
    new_page,
    png_of,
    say,
)
from insole.output.pictures.scan_views import (
    draw_views,
)

__all__ = ["write_compare"]


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

    figure = new_page()
    with rc_context({"hatch.linewidth": 0.5, "font.size": POINTS}):
        draw_views(figure, comparison, first.foot)
        _write_compared(figure, comparison)
        save_bytes(path, png_of(figure))


def _write_compared(figure: Any, comparison: Comparison) -> None:
    """Write what was compared, the figures, the key and the notes."""
    say(figure, 3.0, 146.0, comparison.kind.upper(), size=15.0, bold=True)
    say(figure, 92.0, 146.0, f"first: {cut(comparison.first, 48)}")
    say(figure, 92.0, 146.0 - LINE_MM, f"second: {cut(comparison.second, 47)}")
    say(figure, 92.0, 45.0, "first from second, mm", bold=True)
    names = [
        f"inside, over {-APART[0]:g}",
        "inside 1 to 2",
        "inside 0.5 to 1",
        "within 0.5",
        "outside 0.5 to 1",
        "outside 1 to 2",
        f"outside, over {APART[-1]:g}",
    ]
    rows = list(zip(apart_colours(), APART_HATCHES, names, strict=True))[::-1]
    draw_key(figure, 92.0, 40.0, [*rows, (PALE, "xxx", "not compared")])
    apex = next((d for d in comparison.differences if d.name == "arch_apex_height"), None)
    lines = [
        f"rms {comparison.rms:.2f} mm, 95 % within {comparison.p95:.2f} mm",
        f"mean {comparison.mean:+.2f} mm, {100 * comparison.seen:.0f} % compared",
    ]
    if apex is not None:
        lines.append(f"arch apex {apex.first:.1f} and {apex.second:.1f} mm")
    for k, line in enumerate(lines):
        say(figure, 3.0, 20.0 - LINE_MM * k, line, bold=k == 0)
    y = 45.0
    for note in (*comparison.beyond_limits, *comparison.notes):
        for line in textwrap.wrap(note, 33):
            if y < 5.0:
                return
            say(figure, 140.0, y, line)
            y -= LINE_MM
        y -= 1.0
