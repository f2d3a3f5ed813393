"""The calibration bar: an L to print once per material and machine, and to measure.

    material word -> calibration_bar -> Bar -> a file to print -> callipers -> the materials file

Two arms lie along x and y, each 100 mm between its outer faces; a post at the corner stands
20 mm above the arms. Faces that a calliper touches are plain and upright. The foot of every
wall is bevelled, so that a squashed first layer does not come between the jaws, and the height
is taken as a step from the arm's top to the post's, which a squashed first layer shifts alike.

The bar has no side. It is engraved on top only: size and axis on each arm, an arrow along +x, the
material along y. A quarter turn would swap the axes, so the letters tell them apart on the
printed bar.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import manifold3d
import shapely

from footscan.scan import Array, IntArray
from insole.errors import PlanError
from insole.parts import engraving, solids
from insole.parts.engraving import ARROW, DEPTH_MM, mark_shape
from insole.parts.part import Mark
from insole.record.materials import BAR_MM, Material

__all__ = ["Bar", "bar_for", "calibration_bar"]

WIDTH_MM = 16.0  # of an arm and of the post: jaws find a face to lie against
ARM_MM = 6.0  # height of the arms; with the width stiff enough not to lift off the bed
BEVEL_MM = 0.8  # 45 degrees along the foot: three first layers and their squash
LETTER_MM = 6.0
NAME_MM = (6.0, 4.0)  # letters of the material's word: wished, least


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bar:
    """The bar as a closed mesh, mm, as it lies on the printer.

    Attributes
    ----------
    material : str
        Word of the material it is to be printed from.
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Outward winding; z = 0 is the bed.
    volume : float
        By formula, engraving taken off, mm3.
    engraved : tuple of str
        What is cut into its top.
    """

    material: str
    vertices: Array
    faces: IntArray
    volume: float
    engraved: tuple[str, ...]

    @property
    def label(self) -> str:
        """Name of the object in a print file."""
        return f"calibration-bar-{self.material}"


def bar_for(material: Material) -> Bar:
    """Return the calibration bar for a material of the table.

    Raises
    ------
    PlanError
        It is cut, not printed: there is nothing to calibrate.
    """
    if material.process == "cut":
        raise PlanError(
            f"{material.name} is cut or ground, not printed, so there is nothing to calibrate; "
            "name a material that is printed"
        )
    return calibration_bar(material.name)


def calibration_bar(material: str) -> Bar:
    """Return the calibration bar for a material.

    Parameters
    ----------
    material : str
        Its word; engraved where it fits in letters of at least 4 mm.

    Raises
    ------
    insole.errors.PartError
        The solid does not close: a fault of the program.
    """
    x, y, step = BAR_MM
    ell = shapely.Polygon(
        [(0, 0), (x, 0), (x, WIDTH_MM), (WIDTH_MM, WIDTH_MM), (WIDTH_MM, y), (0, y)]
    )
    post = shapely.box(0, 0, WIDTH_MM, WIDTH_MM)
    solid = _bevelled(ell, ARM_MM) + solids.prism(post, ARM_MM - 1.0, ARM_MM + step)
    marks = _marks(material)
    arms = [mark for mark in marks if mark.text != "Z 20"]
    ink = shapely.union_all([mark_shape(mark) for mark in arms])
    top = shapely.union_all([mark_shape(mark) for mark in marks if mark.text == "Z 20"])
    solid -= solids.prism(ink, ARM_MM - DEPTH_MM, ARM_MM + 1.0)
    solid -= solids.prism(top, ARM_MM + step - DEPTH_MM, ARM_MM + step + 1.0)
    vertices, faces = solids.arrays(solid, "calibration bar")
    volume = _bevelled_volume(x, y) + post.area * step - DEPTH_MM * (ink.area + top.area)
    return Bar(
        material=material,
        vertices=vertices,
        faces=faces,
        volume=float(volume),
        engraved=tuple(mark.text for mark in marks),
    )


def _bevelled(ell: shapely.Polygon, height: float) -> Any:
    """Return the L with its foot drawn in by a bevel of 45 degrees."""
    above = solids.prism(ell, BEVEL_MM, height)
    foot = [
        manifold3d.Manifold.hull(
            solids.prism(rect.buffer(-BEVEL_MM, join_style="mitre"), 0.0, 1e-3)
            + solids.prism(rect, BEVEL_MM - 1e-3, BEVEL_MM)
        )
        for rect in _arms()
    ]
    return above + foot[0] + foot[1]


def _arms() -> tuple[shapely.Polygon, shapely.Polygon]:
    x, y, _ = BAR_MM
    return shapely.box(0, 0, x, WIDTH_MM), shapely.box(0, 0, WIDTH_MM, y)


def _bevelled_volume(x: float, y: float) -> float:
    """Return the volume of the L with its bevelled foot, mm3.

    Each slice of the bevel is the L drawn in by b: area A - P b + k b2, where five outer corners
    and one inner one make k = 5 - 1 = 4.
    """
    area = WIDTH_MM * (x + y - WIDTH_MM)
    rim = 2.0 * (x + y)
    b = BEVEL_MM
    return area * ARM_MM - rim * b**2 / 2.0 + 4.0 * b**3 / 3.0


def _marks(material: str) -> tuple[Mark, ...]:
    """Return what is engraved on top, read from above."""
    x, y, _ = BAR_MM
    half = WIDTH_MM / 2
    marks = [
        Mark(text="X 100", x=x - 16.0, y=half, size=LETTER_MM, face="foot"),
        Mark(text=ARROW, x=x - 38.0, y=half, size=LETTER_MM, face="foot"),
        Mark(text="Y 100", x=half, y=y - 16.0, size=LETTER_MM, face="foot", turn=90.0),
        Mark(text="Z 20", x=half, y=half, size=engraving.MIN_LETTER_MM, face="foot"),
    ]
    room = y - 31.0 - WIDTH_MM - 2.0  # between the post and the size on the arm along y
    for size in (NAME_MM[0], (NAME_MM[0] + NAME_MM[1]) / 2, NAME_MM[1]):
        name = Mark(
            text=material.upper(),
            x=half,
            y=WIDTH_MM + room / 2,
            size=size,
            face="foot",
            turn=90.0,
        )
        if _length(name) <= room:
            return (*marks, name)
    return tuple(marks)


def _length(mark: Mark) -> float:
    x0, y0, x1, y1 = mark_shape(mark).bounds
    return max(x1 - x0, y1 - y0)
