"""Papers at full size held against the plan: template, gauges, pieces.

    PDF -> lines in mm, text -> side and face of each page, outlines, thick edges, rulers

Each page shows one foot; its outline is laid on the plan's, and on its mirror image.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from insole.errors import OutputError
from insole.readback.gauges import check_heights
from insole.readback.laid import check_arrow, check_laid
from insole.readback.pages import Numbers, Page, read_pages
from insole.readback.paper_numbers import (
    TENTH,
    WHOLE,
    check_numbers,
    check_spots,
    crest_of,
    tender_of,
)
from insole.readback.paper_ways import check_ways
from insole.readback.told import Piece, Told, mirrored, plain

__all__ = ["check_gauges", "check_pieces", "check_rulers", "check_template"]

LONG = 100.0  # mm, of a check ruler
EXACT = 0.05  # mm of its length and ticks

NOTCH = 90.0  # mm2 that the notch, with the trim allowance in it, may take away
OUTLINE = 0.15  # mm that an outline may stray, as mean over its points


def check_template(path: Path, told: Told) -> None:
    """Hold the 1:1 template against the plan, page by page.

    Raises
    ------
    OutputError
        A page names the other foot or face, its outline is mirrored or not at full size, the
        thick edge stands on the thin side, a figure is not the plan's, a ruler is off.
    """
    said: dict[str, str] = {}
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        side, face = _one_side(name, page, told)
        check_rulers(name, page, both=True)
        outline = _check_outline(name, page, side, face, told)
        if face == "foot":
            if outline is not None:
                check_laid(name, page, side, outline, told)
            said[side] = f"{said.get(side, '')} {page.text}"
            _check_thick_edges(name, page, side, told)
        else:
            check_arrow(name, page, {word for words in told.own_words() for word in words.split()})
    for foot in told.feet:
        side = str(foot["side"])
        if side not in said:
            raise OutputError(f"{path.name} has no page for the {side} foot seen from above")
        check_numbers(path.name, said[side], foot)
        check_ways(path.name, said[side], foot)
        check_spots(path.name, said[side], foot, tender_of(told, side))
        marks = foot["landmarks"]
        for one, five in re.findall(r"MTH1 (\d+) mm, MTH5 (\d+) mm from rear edge", said[side]):
            off = (float(one) - marks["mth1"][0], float(five) - marks["mth5"][0])
            if max(map(abs, off)) > WHOLE:
                raise OutputError(
                    f"{path.name}: the ball line of the {side} foot is not the plan's"
                )


def _one_side(name: str, page: Page, told: Told) -> tuple[str, str]:
    """Return side and face of a page that shows one foot; the other's words must not be on it."""
    words = told.says(page.text)
    sides = [side for side in ("left", "right") if side.upper() in words]
    if len(sides) != 1 or told.plan.get(sides[0]) is None:
        raise OutputError(f"{name} names {' and '.join(s.upper() for s in sides) or 'no foot'}")
    text = " ".join(words)
    faces = [
        face
        for face, seen in (("foot", "ABOVE"), ("shoe", "BELOW"))
        if f"SEEN FROM {seen} {face.upper()} SIDE UP" in text
    ]
    if len(faces) != 1:
        raise OutputError(f"{name} does not say from which side it is seen")
    away = "SHOE SIDE UP" if faces[0] == "foot" else "FOOT SIDE UP"
    if away in text:
        raise OutputError(f"{name} also says {away}")
    if plain(told.case) not in plain(page.text):
        raise OutputError(f"{name} does not name the case {told.case}")
    return sides[0], faces[0]


def _at_full_size(page: Page, ring: Numbers, least: int) -> list[Numbers]:
    """Return the lines of a page, of more than `least` points, that are as large as a ring."""
    size = np.ptp(ring, axis=0)[::-1]
    return [
        line
        for line in page.lines
        if len(line) > least and np.abs(np.ptp(line, axis=0) - size).max() < 0.6
    ]


def _check_outline(name: str, page: Page, side: str, face: str, told: Told) -> Numbers | None:
    """Return the plan's outline as it lies on the page; refuse another size or its mirror image."""
    hand = mirrored(side) * (1.0 if face == "foot" else -1.0)
    piece = told.wholes.get(side)
    if piece is None:
        return None
    ring = np.array(piece.outline, dtype=float)
    found = _at_full_size(page, ring, 40)
    if not found:
        raise OutputError(f"{name}: the outline of the {side} {piece.name} is not at full size")
    best = [min(_apart(line, ring, way * hand) for line in found) for way in (1.0, -1.0)]
    if best[0] > OUTLINE:
        words = "is the mirror image of" if best[1] < best[0] else "is not"
        raise OutputError(f"{name}: the outline of the {side} {piece.name} {words} the plan's")
    return min(found, key=lambda line: _apart(line, ring, hand))


def _apart(line: Numbers, ring: Numbers, hand: float) -> float:
    """Return how far most points of a line lie from a ring laid on its box, mm."""
    laid = np.column_stack([-hand * ring[:, 1], ring[:, 0]])
    laid += (line.min(axis=0) + line.max(axis=0) - laid.min(axis=0) - laid.max(axis=0)) / 2
    away = shapely.distance(shapely.LinearRing(laid), shapely.points(line))
    return float(np.sort(away)[: max(int(0.9 * len(away)), 1)].mean())  # the notch aside


def _check_thick_edges(name: str, page: Page, side: str, told: Told) -> None:
    """Refuse THICK EDGE on the thin side, by its place on the page, and another height."""
    shims = [p for p in told.pieces.values() if p.side == side and p.wedge is not None]
    axis = _axis(page, side, told)
    heights = [float(h) for h in re.findall(r"THICK EDGE ([\d.]+) mm", page.text)]
    boxes = page.places("THICK EDGE")
    for box, height in zip(boxes, heights, strict=False):
        fit = [p for p in shims if abs(float((p.wedge or {})["thick_edge"]) - height) < TENTH]
        if not fit:
            raise OutputError(f"{name}: no shim of the {side} foot has a thick edge of {height} mm")
        medial = (box[0] + box[2]) / 2 < axis if side == "right" else (box[0] + box[2]) / 2 > axis
        if all((float((p.wedge or {})["net"]) > 0) != medial for p in fit):
            raise OutputError(f"{name}: THICK EDGE {height} mm stands on the thin side")


def _axis(page: Page, side: str, told: Told) -> float:
    """Return where the bed's centreline lies on the page, mm from its left edge."""
    piece = told.wholes[side]
    ring = np.array(piece.outline, dtype=float)
    size, hand = np.ptp(ring, axis=0)[::-1], mirrored(side)
    for line in page.lines:
        if len(line) > 40 and np.abs(np.ptp(line, axis=0) - size).max() < 0.6:
            middle = -hand * (ring[:, 1].min() + ring[:, 1].max()) / 2
            return float((line[:, 0].min() + line[:, 0].max()) / 2 - middle)
    return page.wide / 2


def check_gauges(path: Path, told: Told, seal: str) -> None:
    """Hold the section gauges against the plan: one foot a page, its big toe on its side, heights.

    Raises
    ------
    OutputError
        A page names two feet or none, or shows a section from the wrong side.
    """
    seen = []
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        words = told.says(page.text)
        sides = [side for side in ("left", "right") if side.upper() in words]
        if len(sides) != 1 or told.plan.get(sides[0]) is None:
            raise OutputError(f"{name} names {' and '.join(s.upper() for s in sides) or 'no foot'}")
        if seal not in page.text or plain(told.case) not in plain(page.text):
            raise OutputError(f"{name} does not name the case {told.case} and the plan {seal}")
        check_rulers(name, page, both=False)
        _check_sections(name, page, told.plan[sides[0]])
        check_heights(name, page, sides[0], told)
        seen.append(sides[0])
    wanted = [str(foot["side"]) for foot in told.feet if crest_of(foot)]
    if seen != wanted:
        raise OutputError(f"{path.name} has pages for {', '.join(seen)}, not {', '.join(wanted)}")


def check_pieces(path: Path, told: Told, seal: str) -> None:
    """Hold the pieces at full size against the plan: one foot and one face a page, outlines.

    Raises
    ------
    OutputError
        A page names the other foot or face, or a part on it is mirrored or not at full size.
    """
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        side, face = _one_side(name, page, told)
        if seal not in page.text or (face == "shoe") != ("undersides" in page.text):
            raise OutputError(f"{name} is not of the plan {seal}, or its face not the one it names")
        check_rulers(name, page, both=False)
        words = told.says(page.text)
        for piece in told.pieces.values():
            whole = f" {plain(piece.label)} " in f" {' '.join(words)} "
            layer = f" {plain(piece.label)} LAYER " in f" {' '.join(words)} "
            if piece.side == side and piece.outline and whole and not layer:
                _check_piece(name, page, piece, face)


def _check_piece(name: str, page: Page, piece: Piece, face: str) -> None:
    """Lay a piece's outline on the page; refuse another size or its mirror image."""
    ring, hand = np.array(piece.outline, dtype=float), mirrored(piece.side)
    hand = hand if face == "foot" else -hand
    found = _at_full_size(page, ring, 4)
    if not found:
        raise OutputError(f"{name}: the outline of {piece.label} is not at full size")
    best = [min(_over(line, ring, way * hand) for line in found) for way in (1.0, -1.0)]
    if best[0] > NOTCH + OUTLINE * piece.shape.length or best[1] < best[0] - 1.0:
        wrong = "is the mirror image of" if best[1] < best[0] else "is not"
        raise OutputError(f"{name}: the outline of {piece.label} {wrong} the plan's")


def _over(line: Numbers, ring: Numbers, hand: float) -> float:
    """Return the area between a line and a ring laid on its box, mm2."""
    laid = np.column_stack([-hand * ring[:, 1], ring[:, 0]])
    laid += (line.min(axis=0) + line.max(axis=0) - laid.min(axis=0) - laid.max(axis=0)) / 2
    drawn, wanted = shapely.Polygon(line).buffer(0), shapely.Polygon(laid).buffer(0)
    return float(drawn.symmetric_difference(wanted).area)


def _check_sections(name: str, page: Page, foot: dict[str, Any]) -> None:
    """Seen from behind, a left foot's big toe is on the right of the page."""
    big, little = page.places("big-toe side"), page.places("little-toe side")
    if len(big) != len(little) or not len(big):
        raise OutputError(f"{name} does not say which side of its sections is the big toe's")
    for one, two in zip(big, little, strict=True):
        if (one[0] > two[0]) != (foot["side"] == "left"):
            raise OutputError(f"{name}: seen from behind, big toe and little toe are exchanged")
    crest = crest_of(foot) or {}
    said = re.findall(r"at the crest, (\d+) mm from the rear edge", page.text)
    if not said or any(abs(float(s) - float(crest["from_rear"])) > WHOLE for s in said):
        raise OutputError(f"{name} does not cut at the crest, {crest['from_rear']:.0f} mm")


def _rulers(page: Page) -> Iterator[int]:
    """Yield the direction of each ruler: 0 across, 1 along; with a tick each 10 mm."""
    straight = np.array([line for line in page.lines if len(line) == 2]).reshape(-1, 2, 2)
    span = np.abs(straight[:, 1] - straight[:, 0])
    for axis in (0, 1):
        long = straight[(np.abs(span[:, axis] - LONG) < EXACT) & (span[:, 1 - axis] < EXACT)]
        cross = straight[(span[:, axis] < EXACT) & (span[:, 1 - axis] < 12.0)]
        for line in long:
            start, level = line[:, axis].min(), line[0, 1 - axis]
            ends = cross[:, :, 1 - axis]
            near = (ends.min(axis=1) < level + EXACT) & (ends.max(axis=1) > level - EXACT)
            at = np.sort(cross[near][:, 0, axis] - start)
            at = at[(at > -0.5) & (at < LONG + 0.5)]
            fives = np.round(at / 5.0)
            even = np.abs(at - 5.0 * fives).max(initial=0.0) < EXACT
            if even and set(range(0, 21, 2)) <= set(fives.astype(int).tolist()):
                yield axis


def check_rulers(name: str, page: Page, *, both: bool) -> None:
    """Refuse a page without a ruler of 100 mm across, and along when `both` are wanted."""
    found = set(_rulers(page))
    if 0 not in found or (both and 1 not in found):
        way = "across" if 0 not in found else "along"
        raise OutputError(f"{name}: no ruler of 100 mm with a tick each 10 mm {way} the page")
