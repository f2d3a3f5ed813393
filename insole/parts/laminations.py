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
from dataclasses import replace

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from footscan.scan import Array
from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.part import Part, socket_discs

__all__ = ["COARSE_MM", "FINE_MM", "LAYERED", "LEAST_MM2", "layers", "sheets_for"]

COARSE_MM = 1.0  # coarsest step that is ground off by hand: common practice, no source
FINE_MM = 0.5
LAYERED = ("arch-pad", "metatarsal-pad", "forefoot-shim", "heel-shim")
LEAST_MM2 = 100.0  # a smaller piece cannot be held, lettered, glued and ground
SHORT = {
    "arch-pad": "PAD", "metatarsal-pad": "META", "forefoot-shim": "FORE", "heel-shim": "HEEL",
}  # fmt: skip
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
    part: Part, coarse: float = COARSE_MM, fine: float = FINE_MM, *, tag: str = ""
) -> list[Part]:
    """Return the layers of a part from below; a layer in pieces gives a part for each piece.

    Parameters
    ----------
    part : Part
        A worn pad or inside shim.
    coarse, fine : float
        Sheets of stock, mm; `coarse` is the largest step to be ground off.
    tag : str
        Case and version, written on each layer where there is room.

    Returns
    -------
    list of Part
        Flat and worn. `facts` say ``layer`` of ``layers``, ``thickness``, ``underside`` (height
        in the part, mm), ``step_error`` (mm that the stack stands proud at most before it is
        ground), ``label`` and ``words``. Pieces below ``LEAST_MM2`` are left out; ``left_out``
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
    stock = sheets_for(float(part.vertices[:, 2].max()), coarse, fine)
    solid = solids.solid_of(part.vertices, part.faces)
    lowest: BaseGeometry = Polygon(part.outline, part.holes)
    if part.facts.get("socket_face") == "shoe":
        lowest = lowest.difference(socket_discs(part))
    under = np.cumsum(stock)[:-1]
    regions = [lowest, *(_kept(solids.region_above(solid, float(z) + ABOVE_MM)) for z in under)]
    left_out = sum(_small(solids.region_above(solid, float(z) + ABOVE_MM)) for z in under)
    lost = sum(thick for region, thick in zip(regions, stock, strict=True) if region.is_empty)
    made: list[Part] = []
    for k, region in enumerate(regions):
        above = regions[k + 1] if k + 1 < len(regions) else Polygon()
        pieces = _pieces(region)
        for i, piece in enumerate(pieces):
            letter = chr(ord("a") + i) if len(pieces) > 1 else ""
            made.append(_layer(part, piece, above, (k, letter), stock))
    count = max((int(layer.facts["layer"]) for layer in made), default=0)
    return [_told(layer, part, count, tag, left_out, lost) for layer in made]


def _told(layer: Part, part: Part, count: int, tag: str, left_out: int, lost: float) -> Part:
    """Return a layer that says which of how many it is, and what was left out of its stack."""
    number = layer.name.rsplit("-", 1)[1].lstrip("0").upper()
    step = f"{layer.facts['step_error']:g} mm stand"
    return replace(
        layer,
        facts={
            **layer.facts,
            "layers": count,
            "left_out": left_out,
            "lost": lost,
            "label": (f"{part.side.value[0].upper()} {SHORT[part.name]} {number}/{count}", tag),
            "words": f"layer {number} of {count} from below, steps of at most {step} proud, "
            "grind them off to the glue lines",
        },
    )


def _small(region: BaseGeometry) -> int:
    """Return how many pieces of a region are too small to make."""
    pieces = [p for p in shapely.get_parts(region) if isinstance(p, Polygon)]
    return sum(1 for piece in pieces if ABOVE_MM < piece.area <= LEAST_MM2)


def _kept(region: BaseGeometry) -> BaseGeometry:
    """Return the pieces that can be glued, without points that add nothing."""
    return shapely.union_all(_pieces(region)).simplify(THIN_MM)


def _pieces(region: BaseGeometry) -> list[Polygon]:
    found = [p for p in shapely.get_parts(region) if isinstance(p, Polygon) and p.area > LEAST_MM2]
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
        facts={
            "layer": k + 1,
            "thickness": thickness,
            "underside": round(sum(stock[:k]), 6),
            "step_error": max(stock),
        },
    )


def _borders(region: BaseGeometry) -> tuple[Array, ...]:
    """Return the closed outer borders of a region, first point repeated."""
    polygons = [piece for piece in shapely.get_parts(region) if isinstance(piece, Polygon)]
    return tuple(shapely.get_coordinates(piece.exterior) for piece in polygons)
