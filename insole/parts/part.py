"""A part: a closed solid with its outline, side and marks.

    insole.parts.base / pad / wedge -> Part (canonical, +y medial) -> as_worn -> insole.output

Parts are designed in the bed frame of :mod:`insole.record.plan`, the same for both feet, and
mirrored once for a left foot, in :func:`as_worn`, before any text is engraved. A worn part is
seen from above with +x forward: on a right part the medial side is at +y, on a left part at -y.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from typing import Any, TypeVar

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from footscan.measuring.pose import mirror, mirror_faces, mirror_ring
from footscan.scan import Array, IntArray, Side
from insole.parts import engraving, solids
from insole.parts.facts import BaseFacts, BedFacts, Engraved, Facts, mirrored

__all__ = [
    "SOCKET_SEGMENTS",
    "Mark",
    "Part",
    "Ring",
    "Way",
    "as_worn",
    "socket_discs",
    "solid_of",
]

CURVED_MM = 0.004  # slivers where letters cross the triangles of a curved face are merged
LABEL_OFF_MM = 6.0  # from the border of a curved underside to its letters
THIN_FRONT_MM = 30.0  # behind its front end a contoured bed is too thin for letters
F = TypeVar("F", bound=Facts)
Ring = Array  # shape (n, 2), closed without repeating the first point, mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Text or an arrow on a face, written so that it reads right on the worn part.

    Attributes
    ----------
    text : str
        What it says; ``">"`` draws a heel-to-toe arrow.
    x, y : float
        Centre, mm, worn frame.
    size : float
        Letter height, mm.
    face : str
        ``"shoe"`` (underside, towards the shoe) or ``"foot"``.
    turn : float
        Degrees about +z of the reading direction.
    """

    text: str
    x: float
    y: float
    size: float
    face: str = "shoe"
    turn: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a workshop makes a part.

    Attributes
    ----------
    how : str
        ``"print"``, ``"cut"`` (as thick as its sheet), ``"grind"`` (from one sheet), ``"layers"``
        (glued, then ground) or ``"mill"`` (from a block).
    sheets : tuple of float
        Thickness of what it is made from, from below, mm; nothing for a print.
    """

    how: str
    sheets: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One thing to print or cut.

    Attributes
    ----------
    name : str
        ``"base"``, ``"arch-pad"``, ``"metatarsal-pad"``, ``"forefoot-shim"``, ``"heel-shim"``,
        ``"under-shoe-shim"``, ``"dowels"``.
    side : Side
        The foot it is for.
    worn : bool
        False in the canonical frame, True once mirrored and engraved by ``as_worn``.
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        Closed mesh, outward winding, mm; z = 0 is the face towards the shoe.
    outline : ndarray, shape (k, 2)
        Cut line in plan, counter-clockwise.
    holes : tuple of ndarray
        Inner rings, clockwise.
    lines : mapping of str to tuple of ndarray
        Open or closed lines to draw or engrave in plan, by layer word (``"grid"``, ``"axis"``,
        ``"grind"``, ``"crest"``, ``"sockets"``).
    marks : tuple of Mark
        Text and arrows.
    volume : float
        Analytic or integrated volume before engraving, mm3: what the mesh is checked against.
    solid_volume : float or None
        Of that solid, mm3, where it leaves a rounding to the CAD that opens it; None: `volume`.
    solid : callable or None
        Returns the part as a cadquery solid (before engraving, same frame); heavy, so lazy.
    material : str
        Key into the material table.
    facts : Facts
        What papers and checks want to know of it, by its kind.
    way : Way or None
        How the workshop makes it; None until that is settled.
    """

    name: str
    side: Side
    worn: bool = False
    vertices: Array
    faces: IntArray
    outline: Ring
    holes: tuple[Ring, ...] = ()
    lines: Mapping[str, tuple[Array, ...]] = field(default_factory=dict)
    marks: tuple[Mark, ...] = ()
    volume: float
    solid: Callable[[], Any] | None = None
    solid_volume: float | None = None
    material: str
    facts: Facts = field(default_factory=Facts)
    way: Way | None = None

    @property
    def label(self) -> str:
        """File and object name: side first, so that nobody mixes feet up."""
        return f"{self.side.value}-{self.name}"

    def told(self, kind: type[F]) -> F:
        """Return the facts of a part of a kind.

        Raises
        ------
        TypeError
            It is of another kind.
        """
        if not isinstance(self.facts, kind):
            raise TypeError(f"the {self.label} has {type(self.facts).__name__}")
        return self.facts


@lru_cache(maxsize=8)
def solid_of(part: Part) -> Any:
    """Return a part's mesh as a manifold for booleans and sections, kept: checks ask again.

    A part is frozen, and its hash is that of the object itself.
    """
    return solids.solid_of(part.vertices, part.faces)


GROOVE_WIDTH_MM = 0.6
SOCKET_SEGMENTS = 24  # of a quarter circle: 0.07 % less area than the circle
GROOVED_LAYERS = ("grid", "axis", "pad", "crest")


def as_worn(part: Part, nozzle: float = 0.0) -> Part:
    """Return the part as it is worn: mirrored once if it is for a left foot, then engraved.

    Canonical `marks` are wishes: centre, largest size, reading direction. They are fitted into
    the region that is thick enough; ``facts.engraved`` of the result says what was cut, what
    stays on paper because it does not fit, and how much material the recesses take. Lines named in
    ``GROOVED_LAYERS`` are cut into the foot face of a base whose facts give a depth.

    Parameters
    ----------
    part : Part
        A part in the canonical frame, +y medial.
    nozzle : float
        Of the printer, mm: letters are as large as their strokes want to be as wide as it.

    Returns
    -------
    Part
        In the worn frame, `worn` True.

    Raises
    ------
    ValueError
        The part is worn already.
    insole.errors.PartError
        The engraved solid does not close.
    """
    if part.worn:
        raise ValueError(f"the {part.label} is already in the worn frame")
    return _engraved(_mirrored(part) if part.side is Side.LEFT else part, nozzle)


def _mirrored(part: Part) -> Part:
    """Return the part for the other side of the body: solid, lines and wished marks."""
    return replace(
        part,
        vertices=mirror(part.vertices),
        faces=mirror_faces(part.faces),
        outline=mirror_ring(part.outline),
        holes=tuple(mirror_ring(hole) for hole in part.holes),
        lines={layer: tuple(mirror(line) for line in lines) for layer, lines in part.lines.items()},
        marks=tuple(
            replace(mark, y=float(mirror(np.array([mark.x, mark.y]))[1])) for mark in part.marks
        ),
        solid=None if part.solid is None else partial(_mirrored_solid, part.solid),
        facts=mirrored(part.facts),
    )


def _mirrored_solid(solid: Callable[[], Any]) -> Any:
    """Return a solid with mirrored coordinates: the kernel rebuilds it, nothing is instanced."""
    return solid().mirror("XZ")


def _engraved(part: Part, nozzle: float = 0.0) -> Part:
    """Return the part with its marks and grooves cut."""
    solid = solids.solid_of(part.vertices, part.faces)
    wishes = tuple(mark for mark in part.marks if mark.face == "shoe")
    fixed = tuple(mark for mark in part.marks if mark.face != "shoe")
    told = part.facts
    depth = told.groove_depth if isinstance(told, BaseFacts) else 0.0
    grooves = _grooves(part, depth)
    curved = isinstance(told, BedFacts)
    region = (
        _label_region(part, told.front_edge)
        if isinstance(told, BedFacts)
        else (solids.region_above(solid, engraving.MIN_THICKNESS_MM - solids.LATTICE_MM))
    )
    if not grooves.is_empty:
        region = region.difference(shapely.box(*grooves.bounds).buffer(1.0))
    holes = socket_discs(part)
    if (
        told.sockets is not None and told.sockets.face == "foot"
    ):  # nothing is cut in from below under a socket
        region = region.difference(holes.buffer(1.0))
    if told.bevel is not None:
        inner = shapely.Polygon(part.outline).buffer(-told.bevel.width)
        region = region.intersection(inner)
    placed, left_over = engraving.fit_marks(region, wishes, engraving.least_letter(nozzle))
    ink = shapely.union_all([engraving.mark_shape(mark) for mark in placed])
    if not ink.is_empty and curved:  # to an even depth below a face that is not flat
        letters = solids.prism(ink, -1.0, float(part.vertices[:, 2].max()) + 1.0)
        solid -= letters - solid.translate((0.0, 0.0, engraving.DEPTH_MM))
        solid = solid.simplify(CURVED_MM)
    elif not ink.is_empty:
        solid -= solids.prism(ink, -1.0, engraving.DEPTH_MM)
    if not grooves.is_empty:
        grooves = grooves.union(shapely.union_all([engraving.mark_shape(m) for m in fixed]))
        thickness = told.thickness or 0.0
        solid -= solids.prism(grooves, thickness - depth, thickness + 1.0)
    vertices, faces = solids.arrays(solid, part.label)
    taken = ink.area * engraving.DEPTH_MM + grooves.difference(holes).area * depth
    cut = Engraved(
        texts=tuple(mark.text for mark in placed),
        paper_only=tuple(mark.text for mark in left_over),
        volume=round(taken, 3),
    )
    facts = replace(told, engraved=cut)
    marks = (*placed, *left_over, *fixed)
    return replace(part, worn=True, vertices=vertices, faces=faces, marks=marks, facts=facts)


def _label_region(part: Part, front_edge: float) -> BaseGeometry:
    """Return where letters may be cut into a curved underside: off its border and thin front."""
    front = front_edge - THIN_FRONT_MM
    return (
        shapely.Polygon(part.outline)
        .buffer(-LABEL_OFF_MM)
        .intersection(shapely.Polygon(part.outline, part.holes))
        .intersection(shapely.box(-1e3, -1e3, front, 1e3))
    )


def _grooves(part: Part, depth: float) -> BaseGeometry:
    """Return the area of the lines that are cut into the foot face."""
    if depth <= 0:
        return shapely.MultiPolygon()
    lines = [line for layer in GROOVED_LAYERS for line in part.lines.get(layer, ())]
    drawn = shapely.union_all([shapely.LineString(line) for line in lines])
    plan = shapely.Polygon(part.outline, part.holes)
    return drawn.buffer(GROOVE_WIDTH_MM / 2, quad_segs=4).intersection(plan.buffer(-1.0))


def socket_discs(part: Part) -> BaseGeometry:
    """Return the sockets of a part for dowels in plan; empty without any."""
    sockets = part.facts.sockets
    if sockets is None:
        return shapely.union_all([])
    spots, radius = map(shapely.Point, sockets.places), sockets.diameter / 2
    return shapely.union_all([spot.buffer(radius, quad_segs=SOCKET_SEGMENTS) for spot in spots])
