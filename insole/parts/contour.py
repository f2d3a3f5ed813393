"""The contoured bed: heel cup, arch and lateral border in one piece, between two surfaces.

    FootPlan.contour -> contoured_bed -> Part (canonical frame)

The underside follows the shoe's bed, so it is not flat: z = 0 of the part is the lowest place of
its underside. Its label is cut into that curved face to an even depth. Contours of top and
underside are drawn a millimetre apart, for milling and for sheets that are ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import Polygon

from footscan.scan import Array, Side
from insole.errors import PartError, PlanError
from insole.parts import breps, outlines, solids
from insole.parts.facts import BedFacts, Crest, Spot
from insole.parts.finish import Finish
from insole.parts.part import Part
from insole.parts.vents import vent_facts, vented
from insole.planning.support.tops import ContourShape
from insole.record.plan import FootPlan
from insole.record.planned_parts import ContourPlan

__all__ = ["BEDS", "CONTOUR", "FRONT", "PIECES", "REAR", "bed_over", "contoured_bed"]

CONTOUR = "contoured-bed"
REAR, FRONT = "bed-rear-piece", "bed-front-piece"  # of one that is parted, glued before use
PIECES = (REAR, FRONT)
BEDS = (CONTOUR, *PIECES)
NOTCH_MM = (2.0, 6.0)  # depth and length
LABEL_MM = 7.0
STEP_MM = 0.8  # of the mesh: the cup's wall bends with a radius of some 6 mm
MERGE_MM = 0.006
LINE_CELL_MM = 0.5
LINE_LEAST_MM = 8.0


def contoured_bed(
    foot: FootPlan,
    case: str,
    finish: Finish | None = None,
    tender: Sequence[tuple[float, float]] = (),
) -> Part:
    """Return the contoured bed of a foot in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        With a contoured bed.
    case : str
        Case id for the label.
    finish : Finish, optional
        Ventilation holes.
    tender : sequence of (float, float)
        Tender spots, bed frame, mm: no hole there.

    Returns
    -------
    Part
        ``"contoured-bed"``; `facts` give plate, cup, crest and height.

    Raises
    ------
    insole.errors.PartError
        The foot has none, or its outline or heights cannot be made.
    """
    contour = foot.contour
    if contour is None:
        raise PartError(CONTOUR, f"the plan has no contoured bed for the {foot.side} foot")
    plan = solids.solid_polygon(contour.outline, CONTOUR)
    plan, notch = outlines.notched(
        plan, 0.42 * contour.crest.from_rear, depth=NOTCH_MM[0], length=NOTCH_MM[1]
    )
    x = 0.5 * contour.crest.from_rear
    ring = Polygon(contour.outline)
    y = (outlines.edge_at(ring, x) + outlines.edge_at(ring, x, medial=False)) / 2
    finish = finish or Finish()
    wish = finish.vents
    spots: tuple[Spot, ...] = ()
    if wish is not None:
        plan, spots = vented(foot, wish, plan, tender=tender, limits=finish.limits)
    texts = ("CONTOURED BED", "SHOE SIDE", case)
    made = bed_over(foot, (plan, notch), CONTOUR, texts, (x, y))
    return replace(made, facts=replace(made.facts, vents=vent_facts(wish, spots)))


def bed_over(
    foot: FootPlan,
    cut: tuple[Polygon, Spot | None],
    name: str,
    texts: tuple[str, ...],
    at: tuple[float, float],
) -> Part:
    """Return what of a foot's contoured bed lies over an outline, in the canonical frame.

    Parameters
    ----------
    foot : FootPlan
        With a contoured bed.
    cut : (Polygon, Spot or None)
        All of the bed's outline or a piece of it, bed frame, mm, and a point in the notch of its
        medial edge, if it has one: as from `outlines.notched`. Holes go through.
    name : str
        Of the part.
    texts, at : tuple
        What is cut into its underside beside side and arrow, and about where.
    """
    contour, (plan, notch) = foot.contour, cut
    if contour is None:
        raise PartError(name, f"the plan has no contoured bed for the {foot.side} foot")
    try:
        shape = ContourShape(contour)
    except PlanError as error:
        raise PartError(name, f"the {name}: {error}") from None
    low = _lowest(shape, plan)

    def upper(x: Array, y: Array) -> Array:
        return shape.top(x, y) - low

    def lower(x: Array, y: Array) -> Array:
        return shape.bottom(x, y) - low

    vertices, faces = solids.first_closed(
        lambda factor: solids.between(plan, lower, upper, factor * STEP_MM).simplify(MERGE_MM),
        name,
    )
    outline, holes = outlines.rings(plan)
    side = Side(foot.side)
    volume = solids.integral(plan, lambda x, y: upper(x, y) - lower(x, y))
    tops, top_lines = outlines.height_lines(upper, plan, cell=LINE_CELL_MM, least=LINE_LEAST_MM)
    floors, floor_lines = outlines.height_lines(lower, plan, cell=LINE_CELL_MM, least=LINE_LEAST_MM)
    crest = contour.crest.from_rear, contour.crest.y or 0.0
    lines = {"grind": top_lines, "under": floor_lines}
    carries = plan.buffer(1.0).contains(shapely.Point(crest))
    if carries:
        lines["crest"] = _cross(contour)
    top = Crest(at=Spot(crest[0], round(crest[1], 3)), height=contour.crest.height)
    return Part(
        name=name,
        side=side,
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        lines=lines,
        marks=outlines.label(side, texts, at, size=LABEL_MM),
        volume=volume,
        solid=partial(_brep, contour, outline, holes, volume, name),
        material=contour.material,
        facts=BedFacts(
            height=round(float(np.ptp(vertices[:, 2])), 2),
            edge=min(contour.plate, contour.edge),
            cup=contour.cup,
            front_edge=contour.front_edge,
            notch=notch,
            crest=top if carries else None,
            levels={"grind": tops, "under": floors},
        ),
    )


def _lowest(shape: ContourShape, plan: Polygon) -> float:
    """Return the lowest place of the underside inside the outline, bed frame, mm."""
    x0, y0, x1, y1 = plan.bounds
    x, y = np.meshgrid(np.arange(x0, x1, 1.0), np.arange(y0, y1, 1.0), indexing="ij")
    inside = shapely.contains_xy(plan, x, y)
    border = shapely.get_coordinates(plan.exterior.segmentize(1.0))
    return float(min(shape.bottom(x[inside], y[inside]).min(), shape.bottom(*border.T).min()))


def _cross(contour: ContourPlan) -> tuple[Array, ...]:
    """Return two crossing lines that mark the crest."""
    x, y = contour.crest.from_rear, contour.crest.y or 0.0
    return (
        np.array([[x - 8.0, y], [x + 8.0, y]]),
        np.array([[x, y - 8.0], [x, y + 8.0]]),
    )


def _brep(
    contour: ContourPlan, outline: Array, holes: tuple[Array, ...], volume: float, name: str
) -> Any:
    """Return the boundary solid: smooth top and underside, cut upright along the outline."""
    shape, plan = ContourShape(contour), Polygon(outline, holes)
    low = _lowest(shape, plan)
    grid = contour.top
    x = grid.x0 + grid.step * np.arange(len(grid.z))
    y = grid.y0 + grid.step * np.arange(len(grid.z[0]))
    gx, gy = np.meshgrid(x, y, indexing="ij")
    top, bottom = (  # the plan's own nodes: the kernel's work grows with their number
        RectBivariateSpline(x, y, f(gx.ravel(), gy.ravel()).reshape(gx.shape) - low, s=0)
        for f in (shape.top, shape.bottom)
    )
    return breps.between_splines(outline, holes, (bottom, top), volume, name)
