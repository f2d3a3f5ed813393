"""What a plan says is to be made, read from its JSON and from nothing else.

    plan.json -> Told: pieces of each foot, where they lie, how high they are, what they must say

Bed frame of the plan: mm, +x forward, +y medial, either foot. Seen from above with the toes up, a
right foot's big toe is on the left; so a point (x, y) lies at (-y, x) for a right foot seen from
above, and at (+y, x) for a left one. Seen from below it is the other way round.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from insole.readback.parted import REAR, pieces_of
from insole.readback.stations import ends_across
from insole.readback.vents import check_vents

__all__ = ["NAMES", "Heights", "Piece", "Told", "mirrored", "other", "plain"]

Numbers = NDArray[np.float64]
Heights = Callable[[Numbers, Numbers], Numbers]
CROSS, ROUND = 8.0, 3.5  # mm: half a cross-hair at the crest, radius of its ring
GRID = 15.0  # mm from numbered line to numbered line
# what is printed or cut for a wedge at a place
NAMES = {
    "inside forefoot": "forefoot-shim",
    "inside heel": "heel-shim",
    "under the shoe": "under-shoe-shim",
}


def other(side: str) -> str:
    """Return the other side of the body."""
    return "left" if side == "right" else "right"


def mirrored(side: str) -> float:
    """Return the sign of +y medial in worn coordinates: +1 for a right part, -1 for a left one."""
    return 1.0 if side == "right" else -1.0


def plain(text: str) -> str:
    """Return text as bare capitals, figures and single spaces, to compare by."""
    bare = unicodedata.normalize("NFKD", text.upper())
    return " ".join(
        re.findall(r"[A-Z0-9]+", "".join(c for c in bare if not unicodedata.combining(c)))
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """One part that the plan asks for.

    Attributes
    ----------
    side, name : str
        As in file names.
    outline : list of (float, float)
        Bed frame, mm; a notch in the medial edge may be missing from the part.
    height : callable or None
        Height of its top over the lowest place of its underside, mm, at bed-frame places.
    floor : callable or None
        The same of its underside; None: it is flat.
    wedge : dict or None
        The record of a shim.
    marks : dict
        Placement lines on its foot face by what they mark, bed frame; in brackets what may be
        left out.
    holes : list of (float, float)
        Middles of the slots in a shim under the shoe, bed frame.
    sockets : list of (float, float)
        Middles of the sockets for dowels, bed frame.
    margin : float
        mm from the outline within which heights are rounded or cut and say nothing.
    vents, vent : list of (float, float), float
        Middles of the ventilation holes, bed frame, and their diameter, mm.
    """

    side: str
    name: str
    outline: list[tuple[float, float]] = field(repr=False)
    height: Heights | None = field(default=None, repr=False)
    floor: Heights | None = field(default=None, repr=False)
    wedge: dict[str, Any] | None = field(default=None, repr=False)
    marks: dict[str, Any] = field(default_factory=dict, repr=False)
    holes: list[tuple[float, float]] = field(default_factory=list, repr=False)
    sockets: list[tuple[float, float]] = field(default_factory=list, repr=False)
    margin: float = 1.0
    vents: list[tuple[float, float]] = field(default_factory=list, repr=False)
    vent: float = 0.0

    @property
    def label(self) -> str:
        """Return the part's name in files."""
        return f"{self.side}-{self.name}"

    @cached_property
    def shape(self) -> Any:
        """Return the outline as a polygon in the bed frame."""
        return shapely.Polygon(self.outline).buffer(0)

    def angle(self) -> str:
        """Return the shim's angle in words, as in ``2° VARUS``; nothing for other parts."""
        if self.wedge is None:
            return ""
        net = float(self.wedge["net"])
        return f"{abs(net):g}° {'VARUS' if net > 0 else 'VALGUS'}"

    def faced(self, face: str) -> str:
        """Return what a face is called on the part: ``foot`` is up when seen from above."""
        if self.name == "under-shoe-shim":
            return "SOLE SIDE" if face == "foot" else "CLEAT SIDE"
        return f"{face.upper()} SIDE"


@dataclass(frozen=True, kw_only=True, eq=False)
class Told:
    """What the whole plan says.

    Attributes
    ----------
    plan : dict
        The plan, as JSON.
    tag : str
        Case and version in file names: the folder's own name.
    pieces : dict
        By label.
    wholes : dict
        Outlines in the shoe that a template shows: bases and contoured beds, parted or not.
    """

    plan: dict[str, Any] = field(repr=False)
    tag: str
    pieces: dict[str, Piece] = field(repr=False)
    wholes: dict[str, Piece] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, plan: dict[str, Any], tag: str, records: Mapping[str, Any] | None = None) -> Told:
        """Return what a plan read as JSON says, and the manifest of how parts were made."""
        known = records or {}
        every = [
            _with_vents(piece, foot, known)
            for foot in _feet(plan)
            for piece in _pieces(foot, plan, known)
        ]
        wholes = {one.side: one for one in every if one.name in ("base", "contoured-bed")}
        gone = {piece.label for piece in every if f"{piece.side}-{REAR}" in known}
        pieces = {p.label: p for p in every if p.name != "contoured-bed" or p.label not in gone}
        return cls(plan=plan, tag=tag, pieces=pieces, wholes=wholes)

    @property
    def feet(self) -> list[dict[str, Any]]:
        """Return the records of the planned feet, left first."""
        return _feet(self.plan)

    @property
    def case(self) -> str:
        """Return the case."""
        return str(self.plan["case"])

    def own_words(self) -> list[str]:
        """Return what came from outside: a case may be called anything, a side's name too."""
        names = [self.tag, self.case, str(self.plan.get("shoe_name") or "")]
        return sorted((word for word in map(plain, names) if word), key=len, reverse=True)

    def says(self, text: str) -> list[str]:
        """Return the words of a text without the case's and the shoe's."""
        bare = f" {plain(text)} "
        for words in self.own_words():
            bare = bare.replace(f" {words} ", " ")
        return bare.split()


def _feet(plan: dict[str, Any]) -> list[dict[str, Any]]:
    return [plan[side] for side in ("left", "right") if plan.get(side)]


def _with_vents(piece: Piece, foot: dict[str, Any], known: Mapping[str, Any]) -> Piece:
    """Return a piece with the holes that the manifest gives it, held against the plan."""
    record = known.get(piece.label) or {}
    spots = [(float(x), float(y)) for x, y in record.get("vents") or ()]
    if not spots:
        return piece
    wide = float(record["vent_diameter"])
    check_vents(piece.label, spots, wide, piece.outline, foot)
    return replace(piece, vents=spots, vent=wide)


def _pieces(
    foot: dict[str, Any], plan: dict[str, Any], known: Mapping[str, Any]
) -> Iterator[Piece]:
    side = str(foot["side"])
    contour = foot.get("contour")
    if contour:
        parts = {"contoured-bed": shapely.Polygon(contour["outline"])}
        parts |= pieces_of(side, contour["outline"], known)
        for name, shape in parts.items():
            yield _bed(side, name, contour, shape)
    else:
        base = foot["base"]
        thick, cup = float(base["thickness"]), float(base.get("heel_cup") or 0.0)
        yield Piece(
            side=side,
            name="base",
            outline=base["outline"],
            height=None if cup else lambda x, y: np.full(np.shape(x), thick),
            marks=_marks(foot),
            sockets=base.get("dowels") or [],
        )
        pad = foot.get("pad")
        if pad:
            yield Piece(
                side=side,
                name="arch-pad",
                outline=pad["outline"],
                height=_pad(pad),
                margin=2.0 + float(pad.get("rim_radius") or 0.0),
                sockets=base.get("dowels") or [],
            )
        dome = foot.get("metatarsal")
        if dome:
            yield Piece(
                side=side,
                name="metatarsal-pad",
                outline=dome["outline"],
                height=_pad(dome),
                margin=2.0,
            )
        if base.get("dowels"):
            yield Piece(side=side, name="dowels", outline=[])
    for wedge in foot.get("wedges") or ():
        outline = _clipped(wedge)
        yield Piece(
            side=side,
            name=NAMES[wedge["place"]],
            outline=outline,
            height=_ramp(wedge, outline),
            wedge=wedge,
            holes=_slots(wedge, plan),
        )


def _bed(side: str, name: str, contour: dict[str, Any], shape: Any) -> Piece:
    """Return a contoured bed or a piece of one: heights from its own lowest place."""
    floor, top = _grid(contour["bottom"]), _grid(contour["top"])
    low = _lowest(floor, shape)
    return Piece(
        side=side,
        name=name,
        outline=[(float(x), float(y)) for x, y in shape.exterior.coords[:-1]],
        margin=4.0,
        height=lambda x, y: top(x, y) - low,
        floor=lambda x, y: floor(x, y) - low,
    )


def _marks(foot: dict[str, Any]) -> dict[str, Any]:
    """Return what is placed on a base, as lines."""
    base, pad = foot["base"], foot.get("pad")
    ring = shapely.Polygon(base["outline"]).buffer(0)
    x0, y0, x1, y1 = ring.bounds
    marks: dict[str, Any] = {}
    for name, placed in (("arch pad", pad), ("metatarsal pad", foot.get("metatarsal"))):
        if placed:
            marks |= _placed(name, placed, ring)
    steps = [GRID * k for k in range(math.floor(x0 / GRID), math.ceil(x1 / GRID) + 1)]
    marks["(stations)"] = shapely.MultiLineString([[(x, y0), (x, y1)] for x in steps])
    marks["(axis)"] = shapely.LineString([(x0, 0.0), (x1, 0.0)])
    for k, wedge in enumerate(foot.get("wedges") or ()):
        outline = _clipped(wedge)
        if wedge["place"] == "under the shoe" or not outline:
            continue
        marks[f"(shim {k})"] = shapely.LinearRing(outline)
        for x in (wedge["full_from"], wedge["full_to"]):
            marks[f"(full {k} {x})"] = shapely.LineString([(x, y0), (x, y1)])
    for k, spot in enumerate(base.get("dowels") or ()):
        marks[f"(dowel {k})"] = (
            shapely.Point(spot).buffer(3.5).difference(shapely.Point(spot).buffer(0.5))
        )
    return marks


def _placed(name: str, pad: dict[str, Any], ring: Any) -> dict[str, Any]:
    """Return the lines that place a pad on a base."""
    marks = {f"the outline of the {name}": shapely.LinearRing(pad["outline"]).intersection(ring)}
    crest = pad["crest"]
    at, turn = (crest["from_rear"], _crest_y(pad)), math.radians(pad["turn"])
    if at[1] is not None:
        cross = [
            [
                (at[0] - CROSS * math.cos(a), at[1] - CROSS * math.sin(a)),
                (at[0] + CROSS * math.cos(a), at[1] + CROSS * math.sin(a)),
            ]
            for a in (turn, turn + math.pi / 2)
        ]
        marks[f"the crest of the {name}"] = shapely.MultiLineString(cross)
        marks[f"(ring of the {name})"] = shapely.Point(at).buffer(ROUND, quad_segs=16).exterior
    return marks


def _crest_y(pad: dict[str, Any]) -> float | None:
    """Return y of the crest; of earlier plans, of the highest place on its station."""
    crest = pad["crest"]
    if crest.get("y") is not None:
        return float(crest["y"])
    x = float(crest["from_rear"])
    low, high = ends_across(shapely.Polygon(pad["outline"]), x)
    if math.isnan(low):
        return None
    y = np.linspace(low, high, 401)
    z = _grid(pad["top"])(np.full_like(y, x), y)
    return float(y[z >= z.max() - 1e-3].mean())


def _grid(record: dict[str, Any]) -> Heights:
    """Return heights between the nodes of a grid, cubic."""
    from scipy import ndimage

    z = np.array(record["z"], dtype=float)
    x0, y0, step = float(record["x0"]), float(record["y0"]), float(record["step"])
    known: list[Numbers] = []

    def at(x: Numbers, y: Numbers) -> Numbers:
        if not known:
            known.append(ndimage.spline_filter(z, order=3, mode="mirror"))
        places = np.array([(np.asarray(x) - x0) / step, (np.asarray(y) - y0) / step])
        places = np.clip(places, 0.0, np.array(z.shape).reshape(2, *[1] * (places.ndim - 1)) - 1.0)
        return np.asarray(
            ndimage.map_coordinates(known[0], places, order=3, mode="mirror", prefilter=False)
        )

    return at


def _lowest(floor: Heights, shape: Any) -> float:
    x0, y0, x1, y1 = shape.bounds
    x, y = (g.ravel() for g in np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)))
    inside = shapely.contains_xy(shape, x, y)
    border = shapely.get_coordinates(shape.exterior.segmentize(1.0))
    return float(min(floor(x[inside], y[inside]).min(), floor(*border.T).min()))


def _pad(pad: dict[str, Any]) -> Heights:
    top, edge = _grid(pad["top"]), float(pad["edge"])
    return lambda x, y: np.maximum(top(x, y), edge)


def _slots(wedge: dict[str, Any], plan: dict[str, Any]) -> list[tuple[float, float]]:
    """Return the middles of a shim's slots: the shoe's holes, measured from their pattern's."""
    if wedge["place"] != "under the shoe":
        return []
    holes = ((plan.get("shoe") or {}).get("cleat") or {}).get("holes") or ()
    x0, y0, x1, y1 = shapely.Polygon(wedge["outline"]).bounds
    return [((x0 + x1) / 2 + float(x), (y0 + y1) / 2 + float(y)) for x, y in holes]


def _clipped(wedge: dict[str, Any]) -> list[tuple[float, float]]:
    """Return a shim's outline between the ends of its tapers."""
    rear = float(wedge["full_from"]) - float(wedge["taper_rear"])
    front = float(wedge["full_to"]) + float(wedge["taper_front"])
    shape = shapely.Polygon(wedge["outline"]).buffer(0)
    cut = shape.intersection(shapely.box(rear, -500.0, front, 500.0))
    if cut.geom_type != "Polygon" or cut.is_empty:
        return []
    return [(float(x), float(y)) for x, y in cut.exterior.coords[:-1]]


def _ramp(wedge: dict[str, Any], outline: list[tuple[float, float]]) -> Heights:
    """Return a shim's thickness: it rises from the thin side, and runs out at both ends."""
    net, edge = float(wedge["net"]), float(wedge["edge"])
    rear, front = float(wedge["full_from"]), float(wedge["full_to"])
    back, ahead = float(wedge["taper_rear"]), float(wedge["taper_front"])
    slope = math.tan(math.radians(abs(net)))
    y_all = np.array([y for _, y in outline]) if outline else np.zeros(1)
    thin = float(y_all.min()) if net > 0 else float(y_all.max())
    shape = shapely.Polygon(outline) if outline else shapely.Polygon()
    full = shape.intersection(shapely.box(rear, -500.0, front, 500.0))
    reach = 0.0 if full.is_empty else (full.bounds[3] - thin if net > 0 else thin - full.bounds[1])
    rise = slope * float(reach)

    def at(x: Numbers, y: Numbers) -> Numbers:
        x, y = np.asarray(x, float), np.asarray(y, float)
        found = edge + slope * (y - thin if net > 0 else thin - y)
        if back > 0:
            found = np.minimum(found, edge + rise * (x - (rear - back)) / back)
        if ahead > 0:
            found = np.minimum(found, edge + rise * ((front + ahead) - x) / ahead)
        return np.asarray(found)

    return at
