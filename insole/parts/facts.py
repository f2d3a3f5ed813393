"""What is known of a part beside its solid: for papers, checks and whoever makes it.

    insole.parts.base / pad / wedge / ... -> Facts of its kind -> Part.facts -> insole.output

Each kind of part has a record of its own. What has a place is a `Spot`, alone or in a tuple, and is
mirrored with a left part because it is one, wherever it stands (:func:`mirrored`). Lengths are mm,
heights count from the part's lowest place, and places lie in the frame of the part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np

from footscan.measuring.pose import mirror
from footscan.scan import Array

__all__ = [
    "BaseFacts",
    "BedFacts",
    "Bevel",
    "CoverFacts",
    "Crest",
    "DowelFacts",
    "Engraved",
    "Facts",
    "FormFacts",
    "Joint",
    "LayerFacts",
    "PadFacts",
    "Sockets",
    "Spot",
    "Vents",
    "WedgeFacts",
    "joint_of",
    "mirrored",
]

T = TypeVar("T")


class Spot(NamedTuple):
    """A place on a part in plan, mm, in the frame of the part that tells it."""

    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Crest:
    """The highest place along the arch line, and how high it is."""

    at: Spot
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sockets:
    """Holes for dowels, `depth` deep, open on the ``"foot"`` or the ``"shoe"`` face."""

    places: tuple[Spot, ...]
    depth: float
    diameter: float
    face: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Vents:
    """Ventilation holes that were wished; no places where there was no room."""

    places: tuple[Spot, ...]
    diameter: float
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bevel:
    """Along the underside's edge: width and height, mm, angle, degrees."""

    width: float
    angle: float
    height: float
    words: str

    def record(self) -> dict[str, float]:
        """Return its sizes as data."""
        return {"width": self.width, "angle": self.angle, "height": self.height}


@dataclass(frozen=True, slots=True, kw_only=True)
class Engraved:
    """What was cut into a worn part.

    Attributes
    ----------
    texts : tuple of str
        Cut into the face towards the shoe.
    paper_only : tuple of str
        What did not fit, to be written on by hand.
    on_top : tuple of str
        Cut into the shelf's top of a form.
    volume : float
        Of all recesses, mm3.
    """

    texts: tuple[str, ...] = ()
    paper_only: tuple[str, ...] = ()
    on_top: tuple[str, ...] = ()
    volume: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint:
    """Where and how a bed is parted, bed frame, mm: the same for either foot, never mirrored.

    Attributes
    ----------
    of : str
        Name of the part that both pieces are.
    station : float
        Of the shoulders between the keys, from the bed's rear edge.
    line : ndarray, shape (n, 2)
        Middle of the gap, from beyond the little-toe edge to beyond the big-toe edge.
    gap : float
        Width of the gap.
    thick : float
        Mean thickness of the bed along the joint.
    whole, lost, notched : float
        Volume of the bed as one part, of the gap in it, and of the notch that the front piece has
        of its own, mm3: rear and front piece, gap and notch are the whole.
    """

    of: str
    station: float
    line: Array
    gap: float
    thick: float
    whole: float
    lost: float
    notched: float

    def record(self, piece: str) -> dict[str, Any]:
        """Return the joint as data, with the name of the piece it is said of."""
        return {
            "of": self.of,
            "piece": piece,
            "station": self.station,
            "gap": self.gap,
            "thick": self.thick,
            "whole_cm3": round(self.whole / 1000.0, 4),
            "gap_cm3": round(self.lost / 1000.0, 4),
            "notch_cm3": round(self.notched / 1000.0, 4),
            "line": np.round(self.line, 3).tolist(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What any part may have.

    Attributes
    ----------
    words : str
        What it is, to go on after its size.
    thickness : float or None
        Of a flat part, that of its sheet.
    height : float or None
        Of a part that is not flat.
    edge : float or None
        Least height left at the edge of a part that is not flat.
    notch : Spot or None
        In the notch of the medial edge.
    crest : Crest or None
        Of what carries the arch.
    levels : mapping of str to tuple of float
        Heights of the lines of a layer word (``"grind"``, ``"under"``), in their order.
    sockets, vents, bevel
        None where there are none.
    engraved : Engraved
        What was cut in once it was worn.
    lower : float or None
        By how much its stack of sheets ends below it, where a crumb was left out.
    """

    words: str = ""
    thickness: float | None = None
    height: float | None = None
    edge: float | None = None
    notch: Spot | None = None
    crest: Crest | None = None
    levels: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    sockets: Sockets | None = None
    vents: Vents | None = None
    bevel: Bevel | None = None
    engraved: Engraved = field(default_factory=Engraved)
    lower: float | None = None

    @property
    def least_edges(self) -> list[float]:
        """Return what a process must be able to make thin enough."""
        return [one for one in (self.edge, self.thickness) if one is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseFacts(Facts):
    """Of a base: its heel cup's rim (0: none), and the depth of the lines in its foot face."""

    heel_cup: float = 0.0
    groove_depth: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PadFacts(Facts):
    """Of an arch pad or a metatarsal pad.

    Attributes
    ----------
    chord_error : float
        By which its triangles stray from the planned surface.
    edge_most : float
        Highest place of its rim.
    standing_edge, rim_radius : float
        How high a side stands against the shoe's wall, and the rounding of its rim; 0 where the
        pad runs out all round.
    behind : float or None
        Crest of a metatarsal pad behind the line of heads 2 to 4.
    """

    chord_error: float = 0.0
    edge_most: float = 0.0
    standing_edge: float = 0.0
    rim_radius: float = 0.0
    behind: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeFacts(Facts):
    """Of a shim: its thick edge as made and as planned, the side of it; words on its holes."""

    thick_side: str
    thick_edge: float
    thick_edge_planned: float
    holes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BedFacts(Facts):
    """Of a contoured bed or a piece of one, whose underside is curved.

    Attributes
    ----------
    cup : float
        Depth of its heel cup.
    front_edge : float
        Station where it ends and is too thin for letters.
    joint, piece
        Where it is parted, and whether this is the ``"rear"`` or the ``"front"`` piece.
    """

    cup: float
    front_edge: float
    joint: Joint | None = None
    piece: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFacts(Facts):
    """Of a form for moulding.

    Attributes
    ----------
    turned_over : bool
        It lies plantar side up, so that its medial edge is opposite.
    least_wall : float
        Thickness of the shelf at its thinnest.
    cover, rim, margin : float
        Room for a cover, height of the rim, width of the shelf beyond the base.
    relief : float
        Depth by which tender spots are built out.
    tender : int
        How many there are.
    piece : str
        Whether this is the ``"rear"`` or the ``"front"`` piece of one in two.
    joint : Joint or None
        Where it is parted then: in the bed frame, before it is turned over.
    """

    turned_over: bool = True
    least_wall: float
    cover: float
    rim: float
    margin: float
    relief: float
    tender: int
    piece: str = ""
    joint: Joint | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverFacts(Facts):
    """Of a cover: how much larger it is all round, and its darts at the heel."""

    allowance: float
    darts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerFacts(Facts):
    """Of a layer of a stack.

    Attributes
    ----------
    layer, layers : int
        Which one from below, and of how many; 0 until the stack is whole.
    underside : float
        Height in the part.
    step_error : float
        That the stack stands proud at most before it is ground.
    left_out : int
        Pieces too small to glue.
    lost : float
        How much lower the stack is for it.
    label : (str, str) or None
        Side, name and number; case and version.
    """

    layer: int
    layers: int = 0
    underside: float
    step_error: float
    left_out: int = 0
    lost: float = 0.0
    label: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DowelFacts(Facts):
    """Of a row of dowels, which are printed or turned, and the same for both feet."""

    pieces: int


def joint_of(facts: Facts) -> Joint | None:
    """Return the joint of a piece of a bed; None for any other part."""
    return facts.joint if isinstance(facts, BedFacts) else None


def mirrored(fact: T) -> T:
    """Return a fact of the mirrored part: places move, wherever they stand, and nothing else."""
    made: Any = fact
    if isinstance(fact, Spot):
        made = Spot(*mirror(np.array(fact)).tolist())
    elif isinstance(fact, tuple):
        made = tuple(mirrored(one) for one in fact)
    elif is_dataclass(fact) and not isinstance(fact, type):
        moved = {one.name: mirrored(getattr(fact, one.name)) for one in fields(fact)}
        made = replace(fact, **moved)
    found: T = made
    return found
