"""Lay parts out on a printer's bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from footscan.scan import Array, Side
from insole.parts.part import Part

__all__ = ["MARGIN", "Plate", "check_worn", "fits", "lay_out", "least_square", "shelves"]

GAP = 6.0  # mm between parts on a plate: a skirt round each still fits
MARGIN = 5.0  # mm kept free along the bed's edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What is printed in one go.

    Attributes
    ----------
    name : str
        Empty for the only plate, else ``"pair"``, ``"left"``, ``"right-2"`` or a part's label.
    parts : tuple of Part
        In the order of the file.
    vertices : tuple of ndarray, shape (n, 3)
        Of each part, turned and moved to its place on the bed, mm; all coordinates positive.
    size : tuple of float
        Bed that the plate needs, along x and y, mm.
    fits : bool
        False when one part alone is larger than the bed in every direction.
    """

    name: str
    parts: tuple[Part, ...]
    vertices: tuple[Array, ...]
    size: tuple[float, float]
    fits: bool = True


def shelves(
    sizes: Sequence[tuple[float, float]], width: float, gap: float
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Return the lower left corner of each box, set in rows, and the size used, mm.

    Boxes keep their order within equal heights; tall rows come first. A box wider than `width`
    gets a row of its own.

    Parameters
    ----------
    sizes : sequence of (float, float)
        Width and height of each box, mm.
    width : float
        Room along x, mm.
    gap : float
        Free space between boxes, mm.

    Examples
    --------
    >>> shelves([(40, 20), (50, 30), (30, 20)], 100, 5)
    ([(55.0, 0.0), (0.0, 0.0), (0.0, 35.0)], (95.0, 55.0))
    """
    corners = [(0.0, 0.0)] * len(sizes)
    x = y = row = widest = 0.0
    for i in sorted(range(len(sizes)), key=lambda i: -sizes[i][1]):
        w, h = sizes[i]
        if x > 0 and x + w > width:
            x, y, row = 0.0, y + row + gap, 0.0
        corners[i] = (x, y)
        widest, row, x = max(widest, x + w), max(row, h), x + w + gap
    return corners, (widest, y + row)


def lay_out(parts: Sequence[Part], bed: tuple[float, float]) -> list[Plate]:
    """Return the plates for `parts`: left parts on the left of the bed, right ones on the right.

    One plate if each side fits on its half of the bed; else a plate for each side; else as many
    as it takes. A part longer than the bed is alone on a plate, turned until it fits; one that
    fits no way is on a plate that says so.

    Parameters
    ----------
    parts : sequence of Part
        Worn parts.
    bed : (float, float)
        Size of the printer's bed along x and y, mm.

    Raises
    ------
    ValueError
        A part is not worn, or the bed leaves no room inside its margin.
    """
    check_worn(parts)
    room = (bed[0] - 2 * MARGIN, bed[1] - 2 * MARGIN)
    if min(room) <= GAP:
        raise ValueError(f"bed must be larger than {2 * MARGIN + GAP:g} mm each way, got {bed}")
    large = [part for part in parts if _pack([part], room) is None]
    small = [part for part in parts if part not in large]
    plates = _plates_of_pair(small, room, bed)
    for part in large:
        turn = _turn_for(part.vertices, room)
        alone = _set([part], [0.0 if turn is None else turn], np.inf)[0]
        plates.append(_plate(part.label, [part], alone, bed))
    return [replace(plates[0], name="")] if len(plates) == 1 else plates


def fits(points: Array, bed: tuple[float, float]) -> bool:
    """Return whether what lies over points in plan, mm, fits a bed's room, turned or not."""
    room = (bed[0] - 2 * MARGIN, bed[1] - 2 * MARGIN)
    size = np.ptp(np.asarray(points)[:, :2], axis=0)
    as_it_lies = any(bool((size <= way).all()) for way in (room, room[::-1]))
    return as_it_lies or _turn_for(points, room) is not None


def least_square(points: Array) -> float:
    """Return the side of the least square bed that takes points in plan, turned at will, mm."""
    return float(_spans(points).max(axis=1).min()) + 2 * MARGIN


_Placed = tuple[Part, Array]
TURNS = np.arange(0.0, 180.0, 0.5)  # degrees tried for a part that is alone on its plate


def check_worn(parts: Sequence[Part]) -> None:
    """Refuse parts that are not as worn."""
    if not parts:
        raise ValueError("parts must not be empty")
    for part in parts:
        if not part.worn:
            raise ValueError(f"{part.label} is not worn yet: pass it through as_worn first")


def _plates_of_pair(parts: list[Part], room: tuple[float, float], bed: Any) -> list[Plate]:
    """Return one plate with a foot on each half, or the plates of each foot."""
    sides = [[part for part in parts if part.side is side] for side in (Side.LEFT, Side.RIGHT)]
    half = ((room[0] - GAP) / 2, room[1])
    if all(sides):
        left, right = (_pack(side, half) for side in sides)
        if left is not None and right is not None:
            return [_plate("pair", parts, [*left, *_moved(right, half[0] + GAP)], bed)]
    return [plate for side in sides if side for plate in _plates_of_side(side, room, bed)]


def _plates_of_side(side: list[Part], room: tuple[float, float], bed: Any) -> list[Plate]:
    """Return the plates of one foot, filled in order."""
    groups = [[side[0]]]
    for part in side[1:]:
        if _pack([*groups[-1], part], room) is None:
            groups.append([part])
        else:
            groups[-1].append(part)
    name = side[0].side.value
    names = [name] if len(groups) == 1 else [f"{name}-{i + 1}" for i in range(len(groups))]
    return [
        _plate(title, group, _pack(group, room) or [], bed)
        for title, group in zip(names, groups, strict=True)
    ]


def _pack(
    parts: Sequence[Part], room: tuple[float, float], angles: Sequence[int] = (0, 90)
) -> list[_Placed] | None:
    """Return the parts set in rows within `room`, or None when they do not fit."""
    tries = [[angle] * len(parts) for angle in angles]
    if len(parts) > 1:
        for lying in (True, False):
            spans = [np.ptp(part.vertices[:, :2], axis=0) for part in parts]
            tries.append([0 if (span[0] >= span[1]) is lying else 90 for span in spans])
    for turns in tries:
        placed, used = _set(parts, turns, room[0])
        if used[0] <= room[0] and used[1] <= room[1]:
            return placed
    return None


def _set(
    parts: Sequence[Part], turns: Sequence[float], width: float
) -> tuple[list[_Placed], tuple[float, float]]:
    """Return the parts turned about z and set in rows, with the size they use."""
    turned = [_turned(part.vertices, angle) for part, angle in zip(parts, turns, strict=True)]
    sizes = [(float(np.ptp(v[:, 0])), float(np.ptp(v[:, 1]))) for v in turned]
    corners, used = shelves(sizes, width, GAP)
    return [
        (part, v + np.array([x + MARGIN, y + MARGIN, 0.0]))
        for part, v, (x, y) in zip(parts, turned, corners, strict=True)
    ], used


def _turned(vertices: Array, degrees: float) -> Array:
    """Return the points turned about +z, then moved so that each coordinate starts at zero."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turned = vertices @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(turned - turned.min(axis=0))


def _spans(points: Array) -> Array:
    """Return length and width of the box round points at each turn, shape (n, 2), mm."""
    # a line through all of them has their hull, and is made in a tenth of the time
    hull = shapely.get_coordinates(shapely.linestrings(np.asarray(points)[:, :2]).convex_hull)
    c, s = np.cos(np.radians(TURNS))[:, None], np.sin(np.radians(TURNS))[:, None]
    x, y = c * hull[:, 0] - s * hull[:, 1], s * hull[:, 0] + c * hull[:, 1]
    return np.column_stack([np.ptp(x, axis=1), np.ptp(y, axis=1)])


def _turn_for(points: Array, room: tuple[float, float]) -> float | None:
    """Return the turn about +z, in degrees, at which points fit with most to spare; or None."""
    left = (np.array(room) - _spans(points)).min(axis=1)
    best = int(left.argmax())
    return float(TURNS[best]) if left[best] >= -1e-9 else None


def _moved(placed: list[_Placed], forward: float) -> list[_Placed]:
    return [(part, vertices + np.array([forward, 0.0, 0.0])) for part, vertices in placed]


def _plate(name: str, parts: Sequence[Part], placed: list[_Placed], bed: Any) -> Plate:
    """Return the plate with its parts in the order of `parts`, in the middle of the bed."""
    low = np.min([vertices.min(axis=0)[:2] for _, vertices in placed], axis=0)
    high = np.max([vertices.max(axis=0)[:2] for _, vertices in placed], axis=0)
    need = high - low + 2 * MARGIN
    fits = bool(need[0] <= bed[0] + 1e-9 and need[1] <= bed[1] + 1e-9)
    size = (float(bed[0]), float(bed[1])) if fits else (float(need[0]), float(need[1]))
    shift = np.append((np.array(size) - low - high) / 2, 0.0)
    places = {id(part): vertices + shift for part, vertices in placed}
    vertices = tuple(places[id(part)] for part in parts)
    return Plate(name=name, parts=tuple(parts), vertices=vertices, size=size, fits=fits)
