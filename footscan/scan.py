"""A scan as it was read: points, faces if any, and what is known of it.

    file(s) -> Scan (scanner frame, file units) -> finding.cleaning -> Surface -> measuring.pose

Nothing here is in the foot frame. Until the unit is settled, coordinates are in the file's own
unit; :meth:`Scan.scaled` returns the same scan in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Array",
    "BoolArray",
    "IntArray",
    "Kind",
    "Load",
    "Scan",
    "Side",
    "Unit",
    "as_points",
    "compacted",
    "whole",
]

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
_Kind = TypeVar("_Kind", Array, IntArray)


class Side(StrEnum):
    """Which foot."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def other(self) -> Side:
        """The other foot's side."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT


class Load(StrEnum):
    """How much body weight the foot carried while it was scanned."""

    UNKNOWN = "unknown"
    NONE = "none"
    SEATED = "seated"
    HALF = "half"
    FULL = "full"


class Kind(StrEnum):
    """What the scanner saw."""

    STANDING = "standing"
    HANGING = "hanging"
    SOLE = "sole"
    IMPRESSION = "impression"


class Unit(StrEnum):
    """Length unit of a file."""

    MM = "mm"
    CM = "cm"
    M = "m"
    INCH = "inch"

    @property
    def mm(self) -> float:
        """Millimetres in one of this unit."""
        return {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}[self.value]


def as_points(points: ArrayLike, name: str = "points", at_least: int = 1) -> Array:
    """Return `points` as a float64 array of shape (n, 3).

    Raises
    ------
    ValueError
        Wrong shape, too few points, or a value that is not finite.

    Examples
    --------
    >>> as_points([[0, 0, 1], [2, 0, 1]]).shape
    (2, 3)
    >>> as_points([1, 2, 3], name="heel")
    Traceback (most recent call last):
    ValueError: heel must have shape (n, 3), got (3,)
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3:
        raise ValueError(f"{name} must have shape (n, 3), got {array.shape}")
    if len(array) < at_least:
        raise ValueError(f"{name} needs at least {at_least} points, got {len(array)}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} has values that are not finite")
    return array


def compacted(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Return the mesh without the vertices that no face uses."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces]


def whole(mask: BoolArray, faces: IntArray) -> BoolArray:
    """Return which faces have all three corners in `mask`."""
    return mask[faces[:, 0]] & mask[faces[:, 1]] & mask[faces[:, 2]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """Points and faces in the scanner's own frame.

    Attributes
    ----------
    vertices : ndarray, shape (n, 3)
        Finite coordinates, in the file's unit (mm after :meth:`scaled`).
    faces : ndarray, shape (m, 3)
        Vertex indices; m = 0 for bare points.
    normals : ndarray, shape (n, 3), or None
        Unit vertex normals where the file gave them.
    files : tuple of str
        File names (no folders), in reading order.
    sha256 : str
        Hash of the files' bytes, in reading order.
    format : str
        Format of the first file: ``"ply"``, ``"stl"`` and so on.
    stated_unit : Unit or None
        Unit that the format itself declares (3MF, glTF), else None.
    dropped : int
        Points with non-finite coordinates that were dropped while reading.
    light : ndarray, shape (n,), or None
        Brightness of each point, 0 to 1, where the file has colours.
    """

    vertices: Array
    faces: IntArray
    normals: Array | None = None
    files: tuple[str, ...] = ()
    sha256: str = ""
    format: str = ""
    stated_unit: Unit | None = None
    dropped: int = 0
    light: Array | None = None

    def __post_init__(self) -> None:
        vertices = _own(as_points(self.vertices, "vertices", at_least=0))
        faces = _own(np.asarray(self.faces, dtype=np.int64).reshape(-1, 3))
        if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
            raise ValueError("faces name vertices that do not exist")
        object.__setattr__(self, "vertices", vertices)
        object.__setattr__(self, "faces", faces)

    def part(self, keep: BoolArray) -> Scan:
        """Return the points that are kept, and the faces whose three corners are."""
        number = np.cumsum(keep) - 1
        faces = self.faces[whole(keep, self.faces)] if len(self.faces) else self.faces
        return replace(
            self,
            vertices=self.vertices[keep],
            faces=number[faces],
            normals=self.normals[keep] if self.normals is not None else None,
            light=self.light[keep] if self.light is not None else None,
        )

    def scaled(self, mm_per_unit: float) -> Scan:
        """Return the scan with every coordinate multiplied by `mm_per_unit`."""
        if mm_per_unit == 1.0:
            return self
        vertices = self.vertices * mm_per_unit
        vertices.setflags(write=False)
        return replace(self, vertices=vertices)


def _own(array: _Kind) -> _Kind:
    """Return an array that nobody can write: a copy, unless it is one already."""
    if array.flags.writeable:
        array = array.copy()
        array.setflags(write=False)
    return array
