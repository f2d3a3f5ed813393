"""Sheets of stock: parts of one material and thickness, set close to each other for cutting.

    worn Parts -> blanks -> nest -> NestedSheets -> insole.output.cut.sheets

Terms
    blank   what a part is cut from: a material and a thickness of sheet
    flat    a part as thick as its sheet; it needs that thickness and no other
    ground  a part that is ground from a sheet at least as thick, of those that are sold
    path    what the cutter follows: the outline moved out by half the kerf

Every sheet lies foot side up. A part is turned on it with all its lines, labels and arrows, by
less than a right angle from upright; it is never mirrored.

Boxes round the turned parts are packed by rectpack, which has neither clock nor dice: the same
parts give the same sheets on every machine.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from footscan.scan import Array
from insole.errors import PlanError
from insole.output.cut import cutting
from insole.parts.facts import BaseFacts
from insole.parts.part import Part
from insole.record.stock import Stock, sold

__all__ = [
    "NestedSheet",
    "Nesting",
    "Placed",
    "blanks",
    "clearance",
    "nest",
]

WEB = 3.0  # mm left standing between two paths beside two kerfs: common practice, no source
MARGIN = 10.0  # mm of the sheet that clamps and uneven edges may take: common practice, no source
THICKEST = 20.0  # mm: thicker than that is a block, not a sheet: common practice, no source
TILTS = range(-42, 46, 3)  # degrees tried for the smallest box round a part
UNIT = 0.01  # mm: the packing is done in whole numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A part's place on a sheet.

    Attributes
    ----------
    part : Part
        A worn part.
    turn : float
        Degrees counter-clockwise from toes up.
    shift : (float, float)
        From the turned part's own origin to its place, mm.
    """

    part: Part
    turn: float
    shift: tuple[float, float]

    def at(self, points: Array) -> Array:
        """Return points of the part, toes up, shape (n, 2), where they lie on the sheet, mm."""
        return _turned(points, self.turn) + np.asarray(self.shift)


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedSheet:
    """One sheet of stock with its parts.

    Attributes
    ----------
    material : str
        Key into the material table.
    thickness : float
        Of the sheet, mm.
    number, count : int
        Which one of how many of this material and thickness.
    size : (float, float)
        Width and height, mm.
    placed : tuple of Placed
        What lies on it.
    used : (float, float)
        Width and height of the box round all paths, mm: the rest stays in one piece.
    waste : float
        Share of that box that is no part.
    """

    material: str
    thickness: float
    number: int
    count: int
    size: tuple[float, float]
    placed: tuple[Placed, ...]
    used: tuple[float, float]
    waste: float

    @property
    def name(self) -> str:
        """For file names."""
        return f"sheet-{self.material}-{self.thickness:g}mm-{self.number}"

    @property
    def words(self) -> str:
        """What to take and how much of it goes, in a sentence."""
        labels = ", ".join(placed.part.label for placed in self.placed)
        if len(self.placed) > 4:
            labels = f"{len(self.placed)} parts"
        share = math.prod(self.used) / math.prod(self.size)
        return (
            f"{self.name}: {self.size[0]:g} x {self.size[1]:g} mm, {self.number} of {self.count}; "
            f"{labels} take {self.used[0]:.0f} x {self.used[1]:.0f} mm, {100 * share:.0f} % of the "
            f"sheet; cut off as one piece, {100 * self.waste:.0f} % of it is waste"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Nesting:
    """All sheets, and why a part (by label) is on none."""

    sheets: tuple[NestedSheet, ...]
    left_out: dict[str, str]


def clearance(kerf: float) -> float:
    """Return the least distance between two paths, mm."""
    return 2.0 * kerf + WEB


def blanks(parts: Sequence[Part]) -> list[tuple[str, float, list[Part]]]:
    """Return material, thickness of the sheet in mm, and parts of each kind of sheet needed.

    A part whose way is settled takes the sheet of that; else a flat part its own thickness, and a
    ground one the thinnest sheet sold that is at least as thick.
    """
    found: dict[tuple[str, float], list[Part]] = {}
    for part in parts:
        thickness = part.facts.thickness
        flat = thickness is not None and abs(_height(part) - thickness) < 0.05
        if part.way is not None and part.way.how in ("cut", "grind") and part.way.sheets:
            thick = part.way.sheets[0]
        else:
            thick = (thickness or 0.0) if flat else sold(_height(part))
        found.setdefault((part.material, round(thick, 2)), []).append(part)
    order = {id(part): k for k, part in enumerate(parts)}
    return [(*key, sorted(found[key], key=lambda part: order[id(part)])) for key in sorted(found)]


def nest(
    parts: Sequence[Part],
    *,
    size: tuple[float, float],
    kerf: float = 0.0,
    stock: Stock | None = None,
) -> Nesting:
    """Return the sheets on which the parts lie.

    Parameters
    ----------
    parts : sequence of Part
        Worn parts; each is cut once.
    size : (float, float)
        Width and height of the sheet, mm; of what `stock` does not hold.
    kerf : float
        Width that the cutter takes away, mm.
    stock : Stock, optional
        The workshop's sheets.

    Raises
    ------
    PlanError
        The sheet has no room inside its margin, the kerf is negative or closes a hole.
    ValueError
        A part is not worn.
    """
    usual = size
    _room(usual)
    left_out: dict[str, str] = {}
    sheets: list[NestedSheet] = []
    for material, thickness, group in blanks(parts):
        size = (stock.size(material, thickness) if stock is not None else None) or usual
        room = _room(size)
        pieces = [_Piece.of(part, kerf, room) for part in group]
        reasons = [_unsheeted(piece.part) or _too_large(piece, size) for piece in pieces]
        able = [piece for piece, reason in zip(pieces, reasons, strict=True) if not reason]
        left_out |= {p.part.label: why for p, why in zip(pieces, reasons, strict=True) if why}
        packed = _packed(able, room, clearance(kerf))
        for k, (placed, used) in enumerate(packed):
            sheet = NestedSheet(
                material=material,
                thickness=thickness,
                number=k + 1,
                count=len(packed),
                size=size,
                placed=tuple(placed),
                used=used,
                waste=1.0 - sum(_area(p.part) for p in placed) / math.prod(used),
            )
            sheets.append(sheet)
    return Nesting(sheets=tuple(sheets), left_out=left_out)


# ------------------------------------------------------------------ packing


def _room(size: tuple[float, float]) -> tuple[float, float]:
    """Return the room inside a sheet's margin, mm."""
    room = (size[0] - 2 * MARGIN, size[1] - 2 * MARGIN)
    if not min(room) > 0:
        raise PlanError(
            f"a sheet of {size[0]:g} x {size[1]:g} mm is all margin; give one of more than "
            f"{2 * MARGIN:g} mm each way"
        )
    return room


def _height(part: Part) -> float:
    return float(part.vertices[:, 2].max() - part.vertices[:, 2].min())


def _unsheeted(part: Part) -> str:
    """Return why a part does not come from sheet at all, or nothing."""
    if isinstance(part.facts, BaseFacts) and part.facts.heel_cup > 0:
        return f"{part.label} has a heel cup and is on no sheet: print it, or form it after cutting"
    if _height(part) > THICKEST:
        return f"{part.label} is {_height(part):.0f} mm high and is on no sheet: print it"
    return ""


def _area(part: Part) -> float:
    import shapely

    return float(shapely.Polygon(part.outline, part.holes).area)


def _turned(points: Array, degrees: float) -> Array:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.asarray(points, dtype=float) @ np.array([[c, s], [-s, c]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Piece:
    """A part with its outer path, toes up, mm, and the tilts at which it fits, best first."""

    part: Part
    path: Array
    tilts: tuple[int, ...]

    @classmethod
    def of(cls, part: Part, kerf: float, room: tuple[float, float]) -> _Piece:
        path = cutting.cut_rings(part, kerf)[-1]
        boxes = {tilt: np.ptp(_turned(path, tilt), axis=0) for tilt in TILTS}
        fits = [t for t, box in boxes.items() if (np.sort(box) <= np.sort(room)).all()]
        best = sorted(fits, key=lambda t: (round(float(np.prod(boxes[t])), 2), abs(t), t))
        return cls(part=part, path=path, tilts=tuple(best))

    @property
    def upright(self) -> int:
        """The tilt nearest to none."""
        return min(self.tilts, key=lambda tilt: (abs(tilt), tilt))


def _too_large(piece: _Piece, size: tuple[float, float]) -> str:
    """Return that a part has no room on the sheet however turned, or nothing."""
    if piece.tilts:
        return ""
    wide, high = np.ptp(piece.path, axis=0)
    return (
        f"{piece.part.label} is {wide:.0f} x {high:.0f} mm and has no room inside the "
        f"{MARGIN:g} mm margin of a sheet of {size[0]:g} x {size[1]:g} mm: cut it from its file in "
        "cut/parts/, or give a larger sheet"
    )


def _packed(
    pieces: Sequence[_Piece], room: tuple[float, float], gap: float
) -> list[tuple[list[Placed], tuple[float, float]]]:
    """Return parts and box of each sheet: the fewest sheets, then the least area of the boxes."""
    import rectpack

    if not pieces:
        return []
    rules = (rectpack.MaxRectsBl, rectpack.MaxRectsBssf, rectpack.SkylineBl)
    orders = (rectpack.SORT_AREA, rectpack.SORT_LSIDE, rectpack.SORT_SSIDE)
    best: list[tuple[list[Placed], tuple[float, float]]] = []
    score = (len(pieces) + 1, 0.0)
    for tilts in ([piece.upright for piece in pieces], [piece.tilts[0] for piece in pieces]):
        for how in itertools.product(rules, orders):
            found = _pack_once(pieces, tilts, room, gap, how)
            mine = (len(found), round(sum(math.prod(used) for _, used in found), 1))
            if mine < score:
                best, score = found, mine
    return best


def _pack_once(
    pieces: Sequence[_Piece],
    tilts: Sequence[int],
    room: tuple[float, float],
    gap: float,
    how: tuple[Any, Any],
) -> list[tuple[list[Placed], tuple[float, float]]]:
    """Return parts and box of each sheet as one rule and order of packing sets them."""
    import rectpack

    packer = rectpack.newPacker(pack_algo=how[0], sort_algo=how[1], rotation=True)
    boxes = []
    for k, (piece, tilt) in enumerate(zip(pieces, tilts, strict=True)):
        # the gap is part of each box: one more gap of room lets the last one reach the margin
        box = np.ceil((np.ptp(_turned(piece.path, tilt), axis=0) + gap) / UNIT).astype(int)
        boxes.append(box.tolist())
        packer.add_rect(*boxes[-1], rid=k)
    packer.add_bin(*(math.floor((n + gap) / UNIT) + 1 for n in room), count=len(pieces))
    packer.pack()
    sheets: dict[int, list[int]] = {}
    placed: dict[int, Placed] = {}
    for sheet, x, y, wide, high, k in sorted(packer.rect_list(), key=lambda rect: rect[-1]):
        turn = tilts[k] + (90 if [wide, high] != boxes[k] else 0)
        low = _turned(pieces[k].path, turn).min(axis=0)
        shift = (float(MARGIN + UNIT * x - low[0]), float(MARGIN + UNIT * y - low[1]))
        placed[k] = Placed(part=pieces[k].part, turn=float(turn), shift=shift)
        sheets.setdefault(sheet, []).append(k)
    return [
        ([placed[k] for k in mine], _box([placed[k].at(pieces[k].path) for k in mine]))
        for _, mine in sorted(sheets.items())
    ]


def _box(paths: Sequence[Array]) -> tuple[float, float]:
    """Return width and height of the box round all paths, mm."""
    wide, high = np.ptp(np.concatenate(paths), axis=0)
    return float(wide), float(high)
