"""Parts built up from sheet: one flat piece for each layer, the coarsest sheet down.

    worn Part -> layers -> worn Parts of one thickness each, to cut, glue and grind

Each layer is cut where the part is thicker than the layer's underside, so that the stack holds
the whole part and stands proud of it by steps. The steps are ground off until they are gone:
then the glue lines are the part's contours and nothing of it is missing. Each layer carries the
outline of the next one as a line to glue it on; its side, part, number and case, and an arrow to
the toes, are drawn with a pen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array
from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.facts import LayerFacts
from insole.parts.part import Part, socket_discs

__all__ = [
    "COARSE_MM",
    "FINE_MM",
    "LAYERED",
    "LEAST_MM2",
    "LEAST_WIDE_MM",
    "TOP_MM",
    "layers",
    "sheets_for",
]

COARSE_MM = 1.0  # coarsest step that is ground off by hand: common practice, no source
FINE_MM = 0.5
LAYERED = ("arch-pad", "metatarsal-pad", "forefoot-shim", "heel-shim")
LEAST_MM2 = 200.0  # a smaller piece cannot be held, glued and ground: common practice, no source
LEAST_WIDE_MM = 10.0  # nor a narrower one
TOP_MM = (1.5, 2.0, 3.0, 4.0, 5.0)  # sheets that may take the place of the two uppermost layers
SHORT = {
    "arch-pad": "PAD",
    "metatarsal-pad": "META",
    "forefoot-shim": "FORE",
    "heel-shim": "HEEL",
}
THIN_MM = 0.01  # points of a contour that add less are dropped
ABOVE_MM = 1e-4  # a section is taken this far above a layer's underside


def sheets_for(height: float, coarse: float = COARSE_MM, fine: float = FINE_MM) -> list[float]:
    """Return the thickness of each layer, from below: coarse ones, then at most one fine one.

    Raises
    ------
    ValueError
        A thickness is not positive, or the fine sheet is the coarser one.

    Examples
    --------
    >>> sheets_for(3.3)
    [1.0, 1.0, 1.0, 0.5]
    >>> sheets_for(3.7)
    [1.0, 1.0, 1.0, 1.0]
    """
    if not 0 < fine <= coarse:
        raise ValueError(f"sheets must be positive and fine <= coarse, got {fine} and {coarse}")
    whole = math.floor(height / coarse + 1e-9)
    left = height - whole * coarse
    if left <= 1e-6:
        return [coarse] * whole
    return [coarse] * whole + [fine if left <= fine + 1e-9 else coarse]


def layers(
    part: Part,
    coarse: float = COARSE_MM,
    fine: float = FINE_MM,
    *,
    tag: str = "",
    sheets: Sequence[float] = (),
    tops: Sequence[float] = TOP_MM,
    least: tuple[float, float] = (LEAST_MM2, LEAST_WIDE_MM),
) -> list[Part]:
    """Return the layers of a part from below; a layer in pieces gives a part for each piece.

    Where the uppermost layer would be too small to glue, thin sheets go lower, or one thicker
    sheet takes the place of the two uppermost ones.

    Parameters
    ----------
    part : Part
        A worn pad or inside shim.
    coarse, fine : float
        Sheets of stock, mm; `coarse` is the largest step to be ground off.
    tag : str
        Case and version, written on each layer where there is room.
    sheets : sequence of float
        The very sheets to stack, mm, instead of `coarse` and `fine`.
    tops : sequence of float
        Sheets that may end a stack, mm.
    least : (float, float)
        Area in mm2 and width in mm below which a piece is no layer.

    Returns
    -------
    list of Part
        Flat and worn. `facts` say ``layer`` of ``layers``, ``thickness``, ``underside`` (height
        in the part, mm), ``step_error`` (mm that the stack stands proud at most before it is
        ground), ``label`` and ``words``. Pieces below `least` are left out; ``left_out``
        says how many and ``lost`` how much lower the stack is for it, mm.

    Raises
    ------
    insole.errors.PartError
        Such a part is not built up: a plate under the shoe must be one piece, a base is one.
    ValueError
        The part is not worn.
    """
    if not part.worn:
        raise ValueError(f"{part.label} is not worn yet: pass it through as_worn first")
    if part.name not in LAYERED:
        raise PartError(
            part.label, f"the {part.label} is not built up from sheet; cut it in one piece"
        )
    height = float(part.vertices[:, 2].max())
    solid = solids.solid_of(part.vertices, part.faces)
    best: _Stack | None = None
    for stock in _stacks(height, list(sheets) or sheets_for(height, coarse, fine), tops):
        stack = _stacked(part, solid, stock, least)
        if best is None or stack.missing < best.missing - 1e-9:
            best = stack
        if best.missing <= 0.0:
            break
    assert best is not None
    made: list[Part] = []
    for k, region in enumerate(best.regions):
        above = best.regions[k + 1] if k + 1 < len(best.regions) else Polygon()
        pieces = _pieces(region, least)
        for i, piece in enumerate(pieces):
            letter = chr(ord("a") + i) if len(pieces) > 1 else ""
            made.append(_layer(part, piece, above, (k, letter), best.sheets))
    count = max((layer.told(LayerFacts).layer for layer in made), default=0)
    return [_told(layer, part, count, tag, best) for layer in made]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stack:
    """Sheets from below with the region of each; what was too small, and how much it lowers."""

    sheets: Sequence[float]
    regions: Sequence[BaseGeometry]
    left_out: int
    lost: float
    missing: float  # mm that the stack ends below the part


def _stacks(height: float, stock: list[float], tops: Sequence[float]) -> list[list[float]]:
    """Return the stacks to try: as given, thin sheets lowest, one sheet for the two uppermost."""
    found = [stock]
    if len(set(stock)) > 1:
        found.append(sorted(stock))
    for count in (2, 3):
        rest = stock[:-count]
        need = height - sum(rest)
        thick = min((t for t in tops if t >= need - 1e-6), default=None)
        if rest and thick is not None:
            found.append([*rest, thick])
    return found


def _stacked(part: Part, solid: Any, stock: Sequence[float], least: tuple[float, float]) -> _Stack:
    """Return the regions of a stack, without pieces that are too small."""
    lowest: BaseGeometry = Polygon(part.outline, part.holes)
    if part.facts.sockets is not None and part.facts.sockets.face == "shoe":
        lowest = lowest.difference(socket_discs(part))
    under = np.cumsum(stock)[:-1]
    whole = [solids.region_above(solid, float(z) + ABOVE_MM) for z in under]
    regions = [lowest, *(_kept(region, least) for region in whole)]
    lost = sum(thick for region, thick in zip(regions, stock, strict=True) if region.is_empty)
    reach = sum(stock) - lost
    return _Stack(
        sheets=stock,
        regions=regions,
        left_out=sum(_small(region, least) for region in whole),
        lost=lost,
        missing=max(float(part.vertices[:, 2].max()) - reach, 0.0) if lost else 0.0,
    )


def _told(layer: Part, part: Part, count: int, tag: str, stack: _Stack) -> Part:
    """Return a layer that says which of how many it is, and what was left out of its stack."""
    number = layer.name.rsplit("-", 1)[1].lstrip("0").upper()
    facts = layer.told(LayerFacts)
    return replace(
        layer,
        facts=replace(
            facts,
            layers=count,
            left_out=stack.left_out,
            lost=stack.lost,
            label=(f"{part.side.value[0].upper()} {SHORT[part.name]} {number}/{count}", tag),
            words=f"layer {number} of {count} from below, steps of at most "
            f"{facts.step_error:g} mm stand proud, grind them off to the glue lines",
        ),
    )


def _small(region: BaseGeometry, least: tuple[float, float]) -> int:
    """Return how many pieces of a region are too small to make."""
    pieces = [p for p in shapely.get_parts(region) if isinstance(p, Polygon)]
    return sum(1 for piece in pieces if piece.area > ABOVE_MM and not _large(piece, least))


def _large(piece: Polygon, least: tuple[float, float]) -> bool:
    """Return whether a piece can be held, glued and ground."""
    if piece.area <= least[0]:
        return False
    circle = shapely.maximum_inscribed_circle(piece, 0.2)
    return 2.0 * float(circle.length) >= least[1]


def _kept(region: BaseGeometry, least: tuple[float, float]) -> BaseGeometry:
    """Return the pieces that can be glued, without points that add nothing."""
    return shapely.union_all(_pieces(region, least)).simplify(THIN_MM)


def _pieces(region: BaseGeometry, least: tuple[float, float]) -> list[Polygon]:
    found = [p for p in shapely.get_parts(region) if isinstance(p, Polygon) and _large(p, least)]
    return sorted(found, key=lambda piece: -piece.area)


def _layer(
    part: Part, piece: Polygon, above: BaseGeometry, at: tuple[int, str], stock: Sequence[float]
) -> Part:
    """Return one flat piece of a stack."""
    k, letter = at
    thickness = stock[k]
    width = len(str(len(stock)))  # 01 before 10 in any list of files
    name = f"{part.name}-layer-{k + 1:0{width}d}{letter}"
    vertices, faces = solids.arrays(solids.prism(piece, 0.0, thickness), name)
    outline, holes = outlines.rings(piece)
    following = above.intersection(piece.buffer(0.5))
    return replace(
        part,
        name=name,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines={"next": _borders(following)} if not following.is_empty else {},
        marks=(),  # nothing is cut into thin sheet: the label is drawn with a pen
        volume=float(piece.area * thickness),
        solid=None,
        facts=LayerFacts(
            layer=k + 1,
            thickness=thickness,
            underside=round(sum(stock[:k]), 6),
            step_error=max(stock),
        ),
    )


def _borders(region: BaseGeometry) -> tuple[Array, ...]:
    """Return the closed outer borders of a region, first point repeated."""
    polygons = [piece for piece in shapely.get_parts(region) if isinstance(piece, Polygon)]
    return tuple(shapely.get_coordinates(piece.exterior) for piece in polygons)
