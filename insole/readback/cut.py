"""Cut files held against the plan: sides, faces, arrows, thick edges, heights and rulers.

    drawing -> rings, rows of text, arrows -> each part laid on its outline in the plan -> compared

A part is found by its title, its label or the file's name, laid over the outline that the plan
gives it for that side and face, and what is drawn and written on it is brought back into the bed
frame of the plan. There a left part is like a right one, and every height has its place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from insole.errors import OutputError
from insole.readback.drawings import Drawing
from insole.readback.letters import Arrow, Points, Row, Shape, read_rows, take_arrows
from insole.readback.lines import Lines, check_lines
from insole.readback.stations import ends_across
from insole.readback.told import Piece, Told, mirrored, other, plain
from insole.readback.wording import check_label, check_sheet_title, check_title, name_in

__all__ = ["Sheet", "check_drawing", "parts_drawn"]

RULER = 100.0  # mm
EXACT = 0.02  # mm of a ruler's ticks
STRAY = 0.03  # mm, as mean over an outline's length, that a ring may reach over it
NOTCH = 90.0  # mm2 that the notch, with the trim allowance in it, may take away
HOLE = 0.5  # mm that the middle of a slot may stray
TOOTH = 2.0  # mm2: less than that is no notch
BESIDE = 0.25  # mm beside a line to cut in which an engraved line weakens the edge or is cut away
TOUCH = 0.1  # mm of it
# layer names are spelt here on purpose and not taken from the writers' ``CutLayer``
INK = ("PEN", "ENGRAVE")


@dataclass(slots=True, eq=False)
class Drawn:
    """One part in a drawing: its outer ring, holes, and what lies inside or belongs to it."""

    ring: Any
    holes: list[Any] = field(default_factory=list)
    title: list[Row] = field(default_factory=list)
    label: list[Row] = field(default_factory=list)
    numbers: list[Row] = field(default_factory=list)
    arrows: list[Arrow] = field(default_factory=list)
    lines: dict[str, list[Shape]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What a file says of itself by its name.

    Attributes
    ----------
    side : str
        ``"left"``, ``"right"``, or empty where both may be in it.
    face : str
        ``"foot"`` seen from above, ``"shoe"`` seen from below.
    label : str
        Of its only part, else empty.
    nested : bool
        Parts may be turned, and have no titles.
    kerf : float
        mm.
    """

    side: str = ""
    face: str = "foot"
    label: str = ""
    nested: bool = False
    kerf: float = 0.0


def check_drawing(drawing: Drawing, sheet: Sheet, told: Told) -> list[str]:
    """Return the labels of the parts in a drawing after holding it against the plan.

    Raises
    ------
    OutputError
        Something on it is not what the plan says; names file and part.
    """
    parts, notes = parts_drawn(drawing, titled=not sheet.nested)
    text = " ".join(row.text for row in notes)
    check_sheet_title(drawing.name, text, sheet.face, told, nested=sheet.nested)
    _check_ruler(drawing, wanted="RULER" in text)
    return [_check_part(drawing.name, part, sheet, told) for part in parts]


# ------------------------------------------------------------------ taking a drawing apart


def parts_drawn(drawing: Drawing, *, titled: bool) -> tuple[list[Drawn], list[Row]]:
    """Return the parts in a drawing, and the rows of text that belong to none of them."""
    parts = _rings(drawing)
    notes: list[Row] = []
    for layer, shapes in drawing.layers.items():
        if layer == "CUT":
            continue
        arrows, rest = take_arrows(shapes)
        for arrow in arrows:
            if (at := _inside(parts, (arrow.tail + arrow.tip) / 2)) is not None:
                at.arrows.append(arrow)
        for row in read_rows(rest):
            found = _inside(parts, row.at)
            if layer == "NOTE" and found is None:
                notes.append(row)
            elif found is not None and layer == "GRIND":
                found.numbers += [row] if re.fullmatch(r"\d+\.\d", row.text) else []
            elif found is not None and re.search(r"[A-Z]{2}|[LR] |\d\d|°|\d/\d", row.text):
                (found.numbers if row.text.isdigit() and layer != "NOTE" else found.label).append(
                    row
                )
            elif found is not None and row.text in ("L", "R"):
                found.label.append(row)
        for shape in rest if layer != "NOTE" else ():
            if len(shape.points) and (at := _inside(parts, shape.points.mean(axis=0))) is not None:
                at.lines.setdefault(layer, []).append(shape)
    left = [row for row in notes if not (titled and _give_title(parts, row))]
    return parts, left


def _rings(drawing: Drawing) -> list[Drawn]:
    """Return the outer rings of the layer for cutting, with the holes inside them."""
    shapes = drawing.layers.get("CUT", [])
    if not shapes or not all(shape.closed and len(shape.points) > 2 for shape in shapes):
        raise OutputError(f"{drawing.name} has no closed outline to cut, or an open one")
    rings = sorted((shapely.Polygon(s.points) for s in shapes), key=lambda r: -r.area)
    parts: list[Drawn] = []
    for ring in rings:
        around = [part for part in parts if part.ring.contains(ring)]
        if around:
            around[-1].holes.append(ring)
        else:
            parts.append(Drawn(ring=ring))
    for part in parts:
        shapely.prepare(part.ring)
    return parts


def _inside(parts: Sequence[Drawn], at: Points) -> Drawn | None:
    spot = shapely.Point(at)
    return next((part for part in parts if part.ring.distance(spot) < 0.5), None)


def _give_title(parts: Sequence[Drawn], row: Row) -> bool:
    """Give a row under a part to it: titles begin at the left end of the outline above them."""
    left = float(row.at[0]) - (5.6 * len(row.text) - 1.6) / 12.0 * row.height
    above = [
        part
        for part in parts
        if abs(part.ring.bounds[0] - left) < 3.0 and 0.0 < part.ring.bounds[1] - row.at[1] < 30.0
    ]
    if not above:
        return False
    min(above, key=lambda part: float(part.ring.bounds[1])).title.append(row)
    return True


# ------------------------------------------------------------------ one part


def _check_part(file: str, part: Drawn, sheet: Sheet, told: Told) -> str:
    """Hold one part against the plan and return its label."""
    rows = sorted(part.title, key=lambda row: (-round(float(row.at[1]), 1), float(row.at[0])))
    title = " ".join(row.text for row in rows).replace("- ", "-")
    label = name_in(file, title, [row.text for row in part.label], sheet, told)
    side = label.partition("-")[0]
    if sheet.side and side != sheet.side:
        raise OutputError(f"{file} holds a part for the {side} foot: {label}")
    if not sheet.nested:
        check_title(file, title, label, sheet.face, told)
    piece = told.pieces.get(label)
    check_label(file, part.label, label, sheet.face, told)
    if piece is None:  # a layer of a part, or what this plan's reader does not know
        for arrow in part.arrows if not sheet.nested else ():
            if arrow.along[1] < 0.99:
                raise OutputError(f"{file}: the arrow on {label} does not point to the toes")
    else:
        bed = _lay(file, part, piece, sheet)
        _check_on_bed(file, part, piece, sheet, bed)
    _check_edges(file, part, label)
    return label


def _seen(points: Points, hand: float) -> Points:
    """Return bed-frame places as they lie on a sheet with the toes up; `hand` +1: medial left."""
    return np.column_stack([-hand * points[:, 1], points[:, 0]])


@dataclass(frozen=True, slots=True, eq=False)
class Bed:
    """How a sheet is brought back into the bed frame."""

    hand: float
    turn: float
    shift: Points

    def back(self, points: Points) -> Points:
        """Return places on the sheet in the bed frame, mm."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        laid = (np.atleast_2d(points) - self.shift) @ np.array([[c, -s], [s, c]])
        return np.column_stack([laid[:, 1], -self.hand * laid[:, 0]])

    def along(self, step: Points) -> Points:
        """Return a direction on the sheet in the bed frame."""
        ends = self.back(np.vstack([np.zeros(2), step]))
        return np.asarray(ends[1] - ends[0])


def _placed(piece: Piece, hand: float, turn: float, ring: Any, kerf: float) -> tuple[Any, Points]:
    """Return the outline that the plan gives a part, laid on a ring, and the shift for it."""
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, s], [-s, c]])
    laid = shapely.transform(piece.shape, lambda points: _seen(points, hand) @ spin)
    if kerf:
        laid = laid.buffer(kerf / 2, join_style="mitre", mitre_limit=3.0)
    box, want = np.array(ring.bounds), np.array(laid.bounds)
    shift = ((box - want)[:2] + (box - want)[2:]) / 2
    return shapely.transform(laid, lambda points: points + shift), shift


def _lay(file: str, part: Drawn, piece: Piece, sheet: Sheet) -> Bed:
    """Return how a part lies; refuse one that is not its outline, mirrored or turned round."""
    hand = mirrored(piece.side) * (1.0 if sheet.face == "foot" else -1.0)
    turns = [0.0]
    if sheet.nested:
        if not part.arrows:
            raise OutputError(f"{file}: {piece.label} has no arrow to the toes")
        step = part.arrows[0].along
        first = float(np.arctan2(step[1], step[0]) - np.pi / 2)
        turns = [first + k * np.pi / 2 for k in range(4)]
    tries = []
    for flip in (hand, -hand):
        for turn in turns if sheet.nested else (0.0, np.pi):
            laid, shift = _placed(piece, flip, turn, part.ring, sheet.kerf)
            off = float(laid.symmetric_difference(part.ring).area)
            tries.append((off, flip, turn, laid, shift))
    off, flip, turn, laid, shift = min(tries, key=lambda entry: entry[0])
    over = float(part.ring.difference(laid).area)
    if over > STRAY * laid.length or off > NOTCH + STRAY * laid.length:
        raise OutputError(f"{file}: the outline of {piece.label} is not the plan's")
    if flip != hand and tries[0][0] - off > 1.0:
        raise OutputError(
            f"{file}: {piece.label} is the mirror image of what the plan asks, seen with the "
            f"{piece.faced(sheet.face).lower()} up"
        )
    best = next(entry for entry in tries if entry[1] == hand and entry[2] == turns[0])
    if best[0] - off > 1.0:
        words = "its arrow" if sheet.nested else "the toes"
        raise OutputError(f"{file}: {piece.label} is turned round: {words} should point up")
    bed = Bed(hand, turns[0], best[4])
    tooth = best[3].difference(part.ring).buffer(-0.1).buffer(0.1)
    if tooth.area > TOOTH:
        at = bed.back(shapely.get_coordinates(tooth.centroid))[0]
        if at[1] < _middle(piece, float(at[0])):
            raise OutputError(f"{file}: the notch of {piece.label} is not on the big-toe side")
    return bed


def _middle(piece: Piece, x: float) -> float:
    """Return the middle of a piece across, at a station, bed frame."""
    low, high = ends_across(piece.shape, x)
    if math.isnan(low):
        _, low, _, high = piece.shape.bounds
    return float(low + high) / 2


def _check_on_bed(file: str, part: Drawn, piece: Piece, sheet: Sheet, bed: Bed) -> None:
    """Hold arrows, thick edge, lines, numbers and holes against the plan, in the bed frame."""
    for arrow in part.arrows:
        if bed.along(arrow.along)[0] < 0.99:
            raise OutputError(f"{file}: the arrow on {piece.label} does not point to the toes")
    for row in part.label:
        if "THICK EDGE" in row.text and piece.wedge is not None:
            x, y = bed.back(row.at)[0]
            if (y - _middle(piece, float(x))) * float(piece.wedge["net"]) <= 0:
                raise OutputError(
                    f"{file}: THICK EDGE stands on the thin side of {piece.label}; the plan has "
                    f"the thick edge on the {piece.wedge['thick_side']}"
                )
    made = [bed.back(shapely.get_coordinates(hole.centroid))[0] for hole in part.holes]
    wanted = [*piece.holes, *piece.vents]
    if len(made) != len(wanted) or any(
        min(float(np.hypot(*(at - spot))) for at in made) > HOLE for spot in wanted
    ):
        raise OutputError(f"{file}: the holes of {piece.label} are not where the shoe has them")
    grind, engraved = (
        [Shape(bed.back(shape.points), shape.closed) for shape in part.lines.get(layer, ())]
        for layer in ("GRIND", "ENGRAVE")
    )
    numbers = [(row.text, bed.back(row.at)[0]) for row in part.numbers]
    check_lines(file, piece, sheet.face, Lines(grind, engraved, numbers))


def _check_edges(file: str, part: Drawn, label: str) -> None:
    """Refuse what is engraved along a line to cut: the edge breaks there, or shows two lines."""
    edges = shapely.union_all([ring.boundary for ring in (part.ring, *part.holes)]).buffer(BESIDE)
    shapely.prepare(edges)
    lines = [_path(shape) for shape in part.lines.get("ENGRAVE", ())]
    for line in lines:
        if edges.intersects(line) and line.intersection(edges).length > TOUCH:
            raise OutputError(f"{file}: {label} is engraved beside a line that is cut")


def _path(shape: Shape) -> Any:
    points = np.vstack([shape.points, shape.points[:1]]) if shape.closed else shape.points
    return shapely.LineString(points if len(points) > 1 else np.vstack([points, points]))


def _check_ruler(drawing: Drawing, *, wanted: bool) -> None:
    """Measure the ruler of a drawing: its length and each tick."""
    lines = [s.points for s in drawing.layers.get("NOTE", ()) if len(s.points) == 2]
    for line in lines:
        low, high = sorted(line.tolist())
        if high[0] - low[0] < 60.0 or abs(high[1] - low[1]) > EXACT:
            continue
        ticks = sorted(
            float(p[0][0]) - low[0]
            for p in lines
            if abs(p[0][0] - p[1][0]) < EXACT
            and abs(min(p[:, 1]) - low[1]) < EXACT
            and low[0] - 0.5 < p[0][0] < high[0] + 0.5
        )
        even = [10.0 * k for k in range(11)]
        if (
            abs(high[0] - low[0] - RULER) > EXACT
            or len(ticks) != 11
            or (max(abs(a - b) for a, b in zip(ticks, even, strict=True)) > EXACT)
        ):
            raise OutputError(f"{drawing.name}: the ruler or its ticks are not 100 mm long")
        return
    if wanted:
        raise OutputError(f"{drawing.name}: the 100 mm ruler cannot be found")


_ = (other, plain, INK)
