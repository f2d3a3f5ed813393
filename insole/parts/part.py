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
from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from footscan.measuring.pose import mirror, mirror_faces, mirror_ring
from footscan.scan import Array, IntArray, Side
from insole.parts import engraving, solids

__all__ = [
    "SOCKET_SEGMENTS",
    "Mark",
    "Part",
    "Ring",
    "Spot",
    "Way",
    "as_worn",
    "socket_discs",
    "solid_of",
]

CURVED_MM = 0.004  # slivers where letters cross the triangles of a curved face are merged
LABEL_OFF_MM = 6.0  # from the border of a curved underside to its letters
THIN_FRONT_MM = 30.0  # behind its front end a contoured bed is too thin for letters
Ring = Array  # shape (n, 2), closed without repeating the first point, mm


class Spot(NamedTuple):
    """A place on a part in plan, mm, in the frame of the part that tells it."""

    x: float
    y: float


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
    facts : mapping
        What papers print about it: thick edge, angle, thickness and so on. What has a place is a
        `Spot`, which is mirrored with the part because it is one.
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
    facts: Mapping[str, Any] = field(default_factory=dict)
    way: Way | None = None

    @property
    def label(self) -> str:
        """File and object name: side first, so that nobody mixes feet up."""
        return f"{self.side.value}-{self.name}"


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
    the region that is thick enough; `facts` of the result say what was cut (``engraved``), what
    stays on paper because it does not fit (``paper_only``) and how much material the recesses
    take (``engraved_volume``, mm3). Lines named in ``GROOVED_LAYERS`` are cut into the foot face
    where `facts` give a ``groove_depth``.

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
        facts={name: _other_side(fact) for name, fact in part.facts.items()},
    )


def _other_side(fact: Any) -> Any:
    """Return a fact of the mirrored part: what is a place, or several, moves; nothing else does."""
    if isinstance(fact, Spot):
        return Spot(*mirror(np.array(fact)).tolist())
    if isinstance(fact, tuple):
        return tuple(_other_side(one) for one in fact)
    return fact


def _mirrored_solid(solid: Callable[[], Any]) -> Any:
    """Return a solid with mirrored coordinates: the kernel rebuilds it, nothing is instanced."""
    return solid().mirror("XZ")


def _engraved(part: Part, nozzle: float = 0.0) -> Part:
    """Return the part with its marks and grooves cut."""
    solid = solids.solid_of(part.vertices, part.faces)
    wishes = tuple(mark for mark in part.marks if mark.face == "shoe")
    fixed = tuple(mark for mark in part.marks if mark.face != "shoe")
    grooves, depth = _grooves(part), float(part.facts.get("groove_depth", 0.0))
    curved = bool(part.facts.get("curved_underside"))
    region = (
        _label_region(part)
        if curved
        else (solids.region_above(solid, engraving.MIN_THICKNESS_MM - 1e-6))
    )
    if not grooves.is_empty:
        region = region.difference(shapely.box(*grooves.bounds).buffer(1.0))
    holes = socket_discs(part)
    if part.facts.get("socket_face") == "foot":  # nothing is cut in from below under a socket
        region = region.difference(holes.buffer(1.0))
    if "bevel" in part.facts:
        inner = shapely.Polygon(part.outline).buffer(-float(part.facts["bevel"]["width"]))
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
        thickness = float(part.facts["thickness"])
        solid -= solids.prism(grooves, thickness - depth, thickness + 1.0)
    vertices, faces = solids.arrays(solid, part.label)
    facts = {
        **part.facts,
        "engraved": tuple(mark.text for mark in placed),
        "paper_only": tuple(mark.text for mark in left_over),
        "engraved_volume": round(
            ink.area * engraving.DEPTH_MM + grooves.difference(holes).area * depth, 3
        ),
    }
    marks = (*placed, *left_over, *fixed)
    return replace(part, worn=True, vertices=vertices, faces=faces, marks=marks, facts=facts)


def _label_region(part: Part) -> BaseGeometry:
    """Return where letters may be cut into a curved underside: off its border and thin front."""
    front = float(part.facts["front_edge"]) - THIN_FRONT_MM
    return (
        shapely.Polygon(part.outline)
        .buffer(-LABEL_OFF_MM)
        .intersection(shapely.Polygon(part.outline, part.holes))
        .intersection(shapely.box(-1e3, -1e3, front, 1e3))
    )


def _grooves(part: Part) -> BaseGeometry:
    """Return the area of the lines that are cut into the foot face."""
    if float(part.facts.get("groove_depth", 0.0)) <= 0:
        return shapely.MultiPolygon()
    lines = [line for layer in GROOVED_LAYERS for line in part.lines.get(layer, ())]
    drawn = shapely.union_all([shapely.LineString(line) for line in lines])
    plan = shapely.Polygon(part.outline, part.holes)
    return drawn.buffer(GROOVE_WIDTH_MM / 2, quad_segs=4).intersection(plan.buffer(-1.0))


def socket_discs(part: Part) -> BaseGeometry:
    """Return the sockets of a part for dowels in plan; empty without any."""
    radius = float(part.facts.get("socket_diameter", 0.0)) / 2
    spots = [shapely.Point(place) for place in part.facts.get("sockets", ())]
    return shapely.union_all([spot.buffer(radius, quad_segs=SOCKET_SEGMENTS) for spot in spots])
