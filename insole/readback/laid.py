"""What is drawn on a page of the template, each thing at its place on the base.

    page + its base outline -> from bed frame to page -> pads, crests, shims, heads, scale, arrow

The base outline says where the page's bed frame lies; all else is then looked for where the plan
has it, and a pad a centimetre further forward is found to be missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from insole.errors import OutputError
from insole.readback.pages import Numbers, Page
from insole.readback.stations import ends_across
from insole.readback.told import Told, mirrored

__all__ = ["check_arrow", "check_laid"]

PLACED = ("arch-pad", "metatarsal-pad", "forefoot-shim", "heel-shim", "under-shoe-shim")
NEAR = 0.3  # mm that a drawn outline may stray, as most of its points
SPOT = 0.25  # mm that a crossing may stray
WORD = 3.0  # mm from a head to its number
HOLE, CROSS = 4.3, 7.0  # mm: a dowel's hole and the two lines through its middle
HOLE_WORD = 4.5  # mm from a hole to its number
SCALE = (8.0, 5.0)  # mm beside and along the centreline within which a number is its scale's


def check_laid(name: str, page: Page, side: str, outline: Numbers, told: Told) -> None:
    """Hold what is placed on a base, seen from above, against the plan.

    Parameters
    ----------
    outline : ndarray, shape (n, 2)
        Of the base, as it was found on the page, mm.

    Raises
    ------
    OutputError
        A pad, crest, shim, head, number of the scale or the arrow is not where the plan has it.
    """
    foot, hand = told.plan[side], mirrored(side)
    ring = np.array(told.wholes[side].outline, dtype=float)
    laid = np.column_stack([-hand * ring[:, 1], ring[:, 0]])
    ends = outline.min(axis=0) + outline.max(axis=0), laid.min(axis=0) + laid.max(axis=0)
    shift = (ends[0] - ends[1]) / 2

    def at(points: Any) -> Numbers:
        bed = np.atleast_2d(np.array(points, dtype=float))[:, :2]
        return np.column_stack([-hand * bed[:, 1], bed[:, 0]]) + shift

    for piece in told.pieces.values():
        if piece.side == side and piece.name in PLACED and piece.outline:
            if not _drawn(page.lines, at(piece.outline)):
                raise OutputError(f"{name}: {piece.label} is not drawn where the plan places it")
            if piece.wedge is not None and piece.name != "under-shoe-shim":
                _check_full(name, page, at, piece.label, piece.wedge, piece.shape)
    pad = foot.get("pad")
    if pad and not foot.get("contour"):
        x = float(pad["crest"]["from_rear"])
        _, edge = ends_across(told.wholes[side].shape, x)
        medial = edge - float(pad["crest"]["from_medial"])
        _check_crest(name, page, at((x, medial))[0], side)
    _check_heads(name, page, at, foot)
    _check_holes(name, page, at((foot.get("base") or {}).get("dowels") or np.zeros((0, 2))))
    own = {word for words in told.own_words() for word in words.split()}
    _check_scale(name, page, at, float(ring[:, 0].max()), own)


def _drawn(lines: Sequence[Numbers], ring: Numbers) -> bool:
    """Return whether a ring is among the lines of a page; a notch in it is no matter."""
    wanted = shapely.LinearRing(ring)
    size, middle = np.ptp(ring, axis=0), (ring.min(axis=0) + ring.max(axis=0)) / 2
    for line in lines:
        if len(line) < 4 or np.abs(np.ptp(line, axis=0) - size).max() > 2.0:
            continue
        if np.abs((line.min(axis=0) + line.max(axis=0)) / 2 - middle).max() > 2.0:
            continue
        dense = shapely.get_coordinates(shapely.LineString(line).segmentize(1.0))
        away = np.sort(shapely.distance(wanted, shapely.points(dense)))
        if away[int(0.85 * (len(away) - 1))] < NEAR:
            return True
    return False


def _check_full(
    name: str, page: Page, at: Any, label: str, wedge: dict[str, Any], shape: Any
) -> None:
    """Look for the lines across a shim between which it has its full height."""
    low, _, high, _ = shape.bounds
    for x in (float(wedge["full_from"]), float(wedge["full_to"])):
        if not low + 1.0 < x < high - 1.0:
            continue
        ends = np.sort(at([(x, y) for y in ends_across(shape, x)])[:, 0])
        level = float(at((x, 0.0))[0, 1])
        found = any(
            len(line) == 2
            and np.abs(line[:, 1] - level).max() < SPOT
            and np.abs(np.sort(line[:, 0]) - ends).max() < 3.0
            for line in page.lines
        )
        if not found:
            raise OutputError(
                f"{name}: the line at {x:.0f} mm to which {label} is full is not where the plan "
                "has it"
            )


def _check_crest(name: str, page: Page, crest: Numbers, side: str) -> None:
    """Look for the two lines that cross at the crest."""
    straight = [line for line in page.lines if len(line) == 2]
    crossing = [
        line
        for line in straight
        if np.abs(line.mean(axis=0) - crest).max() < SPOT and 8.0 < np.hypot(*(line[1] - line[0]))
    ]
    if len(crossing) < 2:
        raise OutputError(f"{name}: the crest of the {side} pad is not where the plan has it")


def _check_heads(name: str, page: Page, at: Any, foot: dict[str, Any]) -> None:
    """Look for each metatarsal head's number at the head, and for no other there."""
    spots = {k: at(foot["landmarks"][f"mth{k}"])[0] for k in range(1, 6) if _has(foot, k)}
    boxes = {k: page.places(str(k)) for k in spots}
    for k, spot in spots.items():
        near = {
            number
            for number, found in boxes.items()
            for box in found
            if np.hypot(*((box[:2] + box[2:]) / 2 - spot)) < WORD
        }
        if near and k not in near:
            raise OutputError(f"{name}: metatarsal head {k} is numbered {min(near)}")


def _check_holes(name: str, page: Page, spots: Numbers) -> None:
    """Refuse a dowel's hole, its cross or number elsewhere; of two tiles one may lack it."""
    rings = [line for line in page.lines if np.abs(np.ptp(line, axis=0) - HOLE).max() < 0.05]
    rings = [line for line in rings if 8 < len(line) < 20]  # of four Bezier curves
    middles = [(line.min(axis=0) + line.max(axis=0)) / 2 for line in rings]
    bars = [
        line.mean(axis=0)
        for line in page.lines
        if len(line) == 2 and abs(np.hypot(*(line[1] - line[0])) - CROSS) < 0.05
    ]
    crosses = [a for k, a in enumerate(bars) if any(np.hypot(*(a - b)) < 0.05 for b in bars[:k])]
    for found in (middles, crosses):
        for middle in found:
            if not any(np.hypot(*(middle - spot)) < SPOT for spot in spots):
                raise OutputError(f"{name}: a dowel is drilled where the plan has none")
    if len(middles) != len(crosses):
        raise OutputError(f"{name}: the holes for dowels are not where their crosses are")
    boxes = {k: page.places(str(k)) for k in range(1, len(spots) + 1)}
    for middle in middles:
        wanted = 1 + int(np.argmin([np.hypot(*(middle - spot)) for spot in spots]))
        near = {
            k
            for k, found in boxes.items()
            for box in found
            if np.hypot(*((box[:2] + box[2:]) / 2 - middle)) < HOLE_WORD
        }
        if wanted not in near:
            raise OutputError(f"{name}: the hole for dowel {wanted} does not carry its number")


def _has(foot: dict[str, Any], k: int) -> bool:
    return f"mth{k}" in foot["landmarks"]


def _check_scale(name: str, page: Page, at: Any, length: float, own: set[str]) -> None:
    """Refuse a number beside the centreline that stands at another station, and a turned arrow.

    What the case, its version or the shoe is called (`own`) may stand anywhere.
    """
    for x in range(10, int(length), 10):
        if str(x) in own:
            continue
        middle, level = at((float(x), 0.0))[0]
        for box in page.places(str(x)):
            beside = abs((box[0] + box[2]) / 2 - middle - 4.0) < SCALE[0] / 2
            inside = at((0.0, 0.0))[0, 1] < box[1] < at((length, 0.0))[0, 1]
            if beside and inside and abs((box[1] + box[3]) / 2 - level) > SCALE[1]:
                raise OutputError(f"{name}: {x} stands at another station of the centreline")
    check_arrow(name, page, own)


def check_arrow(name: str, page: Page, own: set[str]) -> None:
    """Refuse an arrow whose ends are not called HEEL and TOES, each once, toes up the page.

    Raises
    ------
    OutputError
        One of them is missing, there twice, or HEEL stands ahead; `own` words may stand anywhere.
    """
    if own & {"HEEL", "TOES"}:
        return
    heel, toes = page.places("HEEL"), page.places("TOES")
    if len(heel) != len(toes) or len(heel) > 1:
        raise OutputError(f"{name}: the ends of the arrow are not called HEEL and TOES")
    if len(heel) and heel[0, 1] > toes[0, 1]:
        raise OutputError(f"{name}: HEEL stands ahead of TOES at the arrow")
