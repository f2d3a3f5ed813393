"""The section gauges' own numbers and edges, held against the heights of the plan.

cards and figures of a page -> height at each place across, mm -> the part's top in the plan
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.readback.pages import Numbers, Page
from insole.readback.stations import ends_across
from insole.readback.told import Told

__all__ = ["check_heights"]

NEAR, FIGURE = 0.45, 0.3  # mm: a card's edge (its station is told in whole mm), a figure beside it
WIDE = 3.0  # mm between a card's width and the part's there: its station is told in whole mm
LINE = 6.0  # mm that the bench line is longer than the card, on either side


def check_heights(name: str, page: Page, side: str, told: Told) -> None:
    """Hold the lower edge of each card, and each figure at it, against the plan's heights.

    Raises
    ------
    OutputError
        An edge or a figure is not the part's height there, or a card is missing.
    """
    bed = told.wholes[side] if told.plan[side].get("contour") else None
    piece = bed or told.pieces.get(f"{side}-arch-pad")
    if piece is None or piece.height is None:
        return
    stations = [float(s) for s in re.findall(r", (\d+) mm from the rear edge", page.text)]
    if stations != sorted(set(stations)):
        raise OutputError(f"{name}: its stations do not run from the heel to the toes")
    cards = _cards(page)
    if len(cards) != len(stations):
        raise OutputError(f"{name} has {len(cards)} cards for {len(stations)} stations")
    flip = 1.0 if side == "left" else -1.0
    figures = _figures(page)
    for (edge, low), station in zip(cards, stations, strict=True):
        low_y, high_y = ends_across(piece.shape, station)
        across = flip * (edge[:, 0] - edge[:, 0].mean())
        y = across - across.min() + low_y
        if abs(np.ptp(across) - (high_y - low_y)) > WIDE:
            raise OutputError(f"{name}: the card at {station:.0f} mm is not as wide as the part")
        wanted = _at(piece, told, side, station, y)
        off = np.abs(edge[:, 1] - low - wanted)
        inner = (y > low_y + piece.margin) & (y < high_y - piece.margin)
        if inner.any() and float(np.median(off[inner])) > NEAR:
            raise OutputError(
                f"{name}: the card at {station:.0f} mm is {float(np.median(off[inner])):.1f} mm "
                "off the part's height"
            )
        order = np.argsort(edge[:, 0])
        for said, x, level in figures:
            if edge[:, 0].min() < x < edge[:, 0].max() and low < level < low + 60.0:
                high = float(np.interp(x, edge[order, 0], edge[order, 1])) - low
                if abs(level - low - high) < 6.0 and abs(said - high) > FIGURE:
                    raise OutputError(
                        f"{name}: the card at {station:.0f} mm says {said:.1f} mm where it is "
                        f"{high:.1f} mm"
                    )


def _at(piece: Any, told: Told, side: str, station: float, y: Numbers) -> Numbers:
    """Return the part's height at the station that is meant: the crest's is known better."""
    crest = (told.plan[side].get("contour") or told.plan[side]["pad"])["crest"]
    exact = float(crest["from_rear"])
    x = exact if abs(exact - station) < 0.51 else station
    return np.asarray(piece.height(np.full_like(y, x), y))


def _cards(page: Page) -> list[tuple[Numbers, float]]:
    """Return the lower edge of each card and the height of its bench line, upper card first."""
    found = []
    for line in page.lines:
        if len(line) < 9:
            continue
        edge = line[np.abs(line[:, 1] - line[:, 1].max()) > 0.5]  # without the card's back
        low, high = edge[:, 0].min() - LINE, edge[:, 0].max() + LINE
        bench = [
            float(one[0, 1])
            for one in page.lines
            if len(one) == 2
            and abs(one[0, 1] - one[1, 1]) < 0.05
            and np.abs(np.sort(one[:, 0]) - (low, high)).max() < 0.3
            and one[0, 1] <= edge[:, 1].min() + 0.05
        ]
        if bench:
            found.append((edge, max(bench)))
    return sorted(found, key=lambda card: -card[1])


def _figures(page: Page) -> list[tuple[float, float, float]]:
    """Return each figure with one decimal: what it says and where its middle is, page mm."""
    found = []
    for text in sorted(set(re.findall(r"(?<![\d.])\d+\.\d(?![\d.])", page.text))):
        for box in page.places(text):
            x, y = (box[:2] + box[2:]) / 2
            found.append((float(text), float(x), float(y)))
    return found
