"""Lines on a cut part against the plan, in its bed frame: heights, placement lines, numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely

from insole.errors import OutputError
from insole.readback.letters import Points, Shape
from insole.readback.told import Piece

__all__ = ["Placement", "check_lines"]

EVEN = 0.15  # mm of height along a line of equal height; between grid nodes heights are read flat
OFF_LINE = 0.35  # mm that the middle of a number may lie off its line
SAME = 0.06  # mm of height: a figure with one decimal
AHEAD = (0.0, 8.0)  # mm that a station's number stands ahead of its line
ALONG_CUT = 0.6  # mm beside a line to cut where marks are left out
ON = 0.15  # mm that a line may stray from what it marks
SHORT = 9.0  # mm: ticks of a grid, letters
LEVEL_SHORT = (7.5, 3.0)  # mm along and across: shorter ones are strokes of a figure
GRID = 15.0  # mm from numbered line to numbered line
UPSIDE_DOWN = str.maketrans("69", "96")  # a number alone may be read from either side

Placement = dict[str, Any]


class Lines(NamedTuple):
    """What was read on a part, bed frame, mm: lines of equal height, engraved ones, numbers."""

    grind: Sequence[Shape]
    engraved: Sequence[Shape]
    numbers: Sequence[tuple[str, Points]]


def check_lines(
    file: str,
    piece: Piece,
    face: str,
    drawn: Lines,
) -> None:
    """Hold lines and numbers on a part against the plan; all places in the bed frame, mm.

    Raises
    ------
    OutputError
        A line of equal height is not level in the plan, a height stands at another line, a
        station's number at another station, or a placement line where the plan places nothing.
    """
    heights = piece.height if face == "foot" else piece.floor
    if heights is not None and piece.name != "base":
        _check_grind(file, piece, face, drawn)
    elif piece.name == "base" and face == "foot":
        _check_stations(file, piece, drawn.numbers)
    if piece.marks and face == "foot":
        _check_marks(file, piece, drawn.engraved)


def _check_grind(file: str, piece: Piece, face: str, drawn: Lines) -> None:
    height = piece.height if face == "foot" else piece.floor
    assert height is not None
    inner = piece.shape.buffer(-piece.margin)
    for shape in drawn.grind:
        points = np.vstack([shape.points, shape.points[:1]]) if shape.closed else shape.points
        long = float(np.hypot(*np.diff(points, axis=0).T).sum())
        if long < LEVEL_SHORT[0] or float(np.ptp(points, axis=0).max()) < LEVEL_SHORT[1]:
            continue
        line = shapely.LineString(points)
        dense = shapely.get_coordinates(line.segmentize(1.5))
        dense = dense[shapely.contains_xy(inner, dense)]
        if len(dense) < 3:  # along the border, where heights are rounded off
            continue
        z = height(dense[:, 0], dense[:, 1])
        if float(np.ptp(z)) > 2 * EVEN:
            raise OutputError(
                f"{file}: a line of equal height on {piece.label} runs from {z.min():.1f} to "
                f"{z.max():.1f} mm in the plan: mirrored, moved or turned"
            )
    for text, at in drawn.numbers:
        spot = shapely.Point(at)
        if not inner.contains(spot):
            continue
        x, y = (
            np.array([at[0] - 1.0, at[0] + 1.0, *[at[0]] * 3]),
            np.array([*[at[1]] * 2, at[1] - 1.0, at[1] + 1.0, at[1]]),
        )
        z = height(x, y)
        steep = float(np.hypot(z[1] - z[0], z[3] - z[2])) / 2.0
        turned = text[::-1].translate(UPSIDE_DOWN) if set(text) <= set("0689.") else text
        if min(abs(float(said) - float(z[4])) for said in (text, turned)) > SAME + EVEN + (
            OFF_LINE * min(steep, 1.0)
        ):
            raise OutputError(
                f"{file}: {piece.label} says {text} mm where it is {z[4]:.1f} mm high in the plan"
            )


def _check_stations(file: str, piece: Piece, numbers: Sequence[tuple[str, Points]]) -> None:
    """Refuse numbers that do not stand just ahead of their line, at the little-toe edge."""
    for text, (x, y) in numbers:
        if not text.isdigit() or len(text) > 3:
            continue
        turned = text[::-1].translate(UPSIDE_DOWN) if set(text) <= set("0689") else text
        if not any(AHEAD[0] < float(x) - float(said) < AHEAD[1] for said in (text, turned)):
            raise OutputError(
                f"{file}: {piece.label} says {text} at a station of {float(x):.0f} mm"
            )
        if float(y) > 0:
            raise OutputError(
                f"{file}: the number {text} on {piece.label} is not at the little-toe edge"
            )


def _check_marks(file: str, piece: Piece, engraved: Sequence[Shape]) -> None:
    """Refuse a part whose placement lines are missing, and lines where the plan has none."""
    every, long = [], []
    for shape in engraved:
        points = np.vstack([shape.points, shape.points[:1]]) if shape.closed else shape.points
        every.append(shapely.LineString(points))
        if float(np.ptp(points, axis=0).max()) >= SHORT:
            long.append(every[-1])
    # a line that a tick lies on is drawn in short pieces: what is there may be of any length
    drawn = shapely.union_all(every) if every else shapely.LineString()
    border = piece.shape.boundary.buffer(ALONG_CUT)
    for words, line in piece.marks.items():
        line = line.difference(border)  # nothing is engraved on a line to cut
        if words.startswith("(") or line.is_empty:  # may be there, need not
            continue
        if _share_on(line, drawn) < 0.65:
            raise OutputError(f"{file}: {words} is not on {piece.label} where the plan has it")
    known = shapely.GeometryCollection(list(piece.marks.values()))
    for line in long:
        if _share_on(line, known) < 0.8:
            x, _ = shapely.get_coordinates(line.centroid)[0]
            raise OutputError(
                f"{file}: a line on {piece.label}, {x:.0f} mm from the rear edge, marks nothing "
                "that the plan places there"
            )


def _share_on(line: Any, other: Any) -> float:
    """Return the share of points along a line that lie on another, within `ON`."""
    if other.is_empty:
        return 0.0
    spots = shapely.points(shapely.get_coordinates(line.segmentize(1.0)))
    shapely.prepare(other)
    return float(shapely.dwithin(other, spots, ON).mean())
