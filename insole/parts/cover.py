"""The cover's pattern: the base's outline with an allowance, darts where it must bend round a cup.

worn base or contoured bed -> cover -> Part "cover", flat, cut from sheet and trimmed after gluing
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely import LineString, Polygon

from insole.parts import outlines, solids
from insole.parts.facts import BaseFacts, BedFacts, CoverFacts
from insole.parts.part import Part

__all__ = ["COVER", "cover"]

COVER = "cover"
DART_APART_MM = 14.0  # along the border; common practice, no source
DART_WIDE_MM = 3.0  # at the border, closed where the edge turns up; common practice, no source
LEFT_MM = 1.5  # of the allowance that no dart cuts into
TURNED_UP = 0.3  # of the length: behind it the border turns up
SMOOTH_MM = 6.0  # the notch in the base's edge is none in its cover


def cover(of: Part, allowance: float, thickness: float, material: str) -> Part:
    """Return the cover of a worn base or bed.

    Parameters
    ----------
    of : Part
        What it is glued onto.
    allowance : float
        mm that it is larger all round, to be trimmed after gluing.
    thickness : float
        Of its sheet, mm.
    material : str
        Word of the material table.
    """
    if not of.worn:
        raise ValueError(f"{of.label} is not worn yet: pass it through as_worn first")
    whole = Polygon(of.outline).buffer(SMOOTH_MM).buffer(-SMOOTH_MM)
    shape = whole.buffer(allowance, quad_segs=24)
    darts: list[Polygon] = []
    cup = of.facts.cup if isinstance(of.facts, BedFacts) else 0.0
    if isinstance(of.facts, BaseFacts):
        cup = of.facts.heel_cup
    if cup > 0 and allowance > LEFT_MM + 1.0:
        darts = _darts(shape, whole, allowance - LEFT_MM)
        shape = shape.difference(shapely.union_all(darts))
    vertices, faces = solids.arrays(solids.prism(shape, 0.0, thickness), COVER)
    outline, holes = outlines.rings(shape)
    count = f", {len(darts)} darts at the heel" if darts else ""
    return replace(
        of,
        name=COVER,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines={},
        marks=(),
        volume=float(shape.area * thickness),
        solid=None,
        solid_volume=None,
        material=material,
        way=None,
        facts=CoverFacts(
            thickness=thickness,
            allowance=allowance,
            darts=len(darts),
            words=f"{allowance:g} mm larger all round{count}: glue, then trim",
        ),
    )


def _darts(shape: Polygon, whole: Polygon, deep: float) -> list[Polygon]:
    """Return wedges in the border round the heel, points inward."""
    x0, _, x1, _ = whole.bounds
    border = LineString(shape.exterior.coords)
    found = []
    for at in np.arange(DART_APART_MM / 2, border.length, DART_APART_MM):
        spot, near = border.interpolate(at), border.interpolate(at + 0.5)
        if spot.x - x0 > TURNED_UP * (x1 - x0):
            continue
        along = np.array([near.x - spot.x, near.y - spot.y]) * 2.0
        inward = np.array([-along[1], along[0]])
        base = np.array([spot.x, spot.y])
        if not shape.contains(shapely.Point(base + 0.5 * inward)):
            inward = -inward
        half = DART_WIDE_MM / 2 * along
        outer = base - 0.5 * inward
        found.append(Polygon([outer - half, outer + half, base + deep * inward]))
    return found
