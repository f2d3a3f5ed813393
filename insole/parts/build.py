"""Every part of a plan, and what must be true of a part before it is written.

Plan -> all_parts -> Parts (worn, engraved) -> check -> insole.output
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import manifold3d
import numpy as np
import shapely
from shapely import Polygon, affinity

from footscan.scan import Side
from insole.errors import PartError
from insole.parts import engraving, solids
from insole.parts.base import base
from insole.parts.contour import contoured_bed
from insole.parts.facts import BedFacts, DowelFacts, FormFacts, PadFacts, WedgeFacts
from insole.parts.finish import USUAL_NOZZLE_MM, Finish
from insole.parts.form_upper import tender_of
from insole.parts.pad import arch_pad, metatarsal_pad
from insole.parts.part import Part, as_worn, socket_discs, solid_of
from insole.parts.sockets import dowels
from insole.parts.wedge import shim
from insole.planning.dowels import LEFT_MM
from insole.record.plan import Plan

__all__ = ["PROCESSES", "Process", "all_parts", "check", "hanging_area"]

VOLUME_SHARE = 0.01  # mesh against the analytic or integrated volume
EDGE_MOST_MM = 0.5  # thickest pad edge that a fingertip passes under a cover
CHORD_MM = 0.06  # triangles against the planned surface, in z: a rounded rim is 45° steep
EDGE_SLACK_MM = 0.1  # half the step that a fingertip finds; an outline meets the edge only so well
FORM_WALL_MM = 5.0  # thinnest place of a form, plaster included; common practice, no source
THICK_EDGE_MM = 0.3  # made against planned: what a calliper at the bench tells apart
BRIDGE_MM = engraving.DEPTH_MM + 0.05  # roofs of recesses up to here bridge without support


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """What a way of making can do; all values common practice, no source.

    Attributes
    ----------
    least_edge : float
        Thinnest free edge that comes out whole, mm.
    overhang : float
        Steepest overhang from the vertical without support, degrees; 90 where it needs none.
    words : str
        The process in words.
    """

    least_edge: float
    overhang: float
    words: str


PROCESSES = {
    "print": Process(least_edge=0.4, overhang=50.0, words="printing from a filament"),
    "powder": Process(least_edge=0.4, overhang=90.0, words="printing in powder"),
    "cut": Process(least_edge=0.3, overhang=90.0, words="cutting and grinding sheet"),
}


def all_parts(plan: Plan, finish: Finish | None = None) -> list[Part]:
    """Return every part of a plan in the worn frame: left first; base, pads, dowels, shims.

    A contoured bed stands in place of base, pads and inside shims.

    Parameters
    ----------
    plan : Plan
    finish : Finish, optional
        Bevel and holes that were asked for, and the nozzles that letters are printed with.

    Raises
    ------
    insole.errors.PartError
        A part cannot be made as a closed solid; says which and what to change.
    """
    finish = (finish or Finish()).of(plan)

    def worn(part: Part) -> Part:
        return as_worn(part, finish.nozzle(part.material))

    parts: list[Part] = []
    for foot in plan.feet:
        shims = [worn(shim(foot, wedge, plan.case, plan.shoe)) for wedge in foot.wedges]
        tender = tender_of(foot, plan)
        if foot.contour is not None:
            parts += [worn(contoured_bed(foot, plan.case, finish, tender)), *shims]
            continue
        parts.append(worn(base(foot, plan.case, finish, tender)))
        if foot.pad is not None:
            parts.append(worn(arch_pad(foot, plan.case)))
        if foot.metatarsal is not None:
            parts.append(worn(metatarsal_pad(foot, plan.case)))
        pins = dowels(foot)
        if pins is not None:
            parts.append(worn(pins))
        parts += shims
    return parts


def check(
    part: Part,
    *,
    process: str = "print",
    bed: tuple[float, float, float] | None = None,
    nozzle: float = USUAL_NOZZLE_MM,
) -> list[str]:
    """Return what is wrong with a part, one sentence each; an empty list is a good part.

    Parameters
    ----------
    part : Part
        A worn part.
    process : str
        Key of ``PROCESSES``.
    bed : (length, width, height) or None
        Room of the machine, mm; turned parts may use the diagonal. None: not checked.
    nozzle : float
        Of the printer, mm: no free edge comes out thinner than one line of it.

    Raises
    ------
    insole.errors.PartError
        The mesh does not close: nothing else can be said of it.
    ValueError
        The process is unknown.
    """
    if process not in PROCESSES:
        raise ValueError(f"process must be one of {', '.join(PROCESSES)}, got {process!r}")
    solid = solid_of(part)
    if solid.status() != manifold3d.Error.NoError or not solids.closed(part.faces):
        raise PartError(part.label, f"the mesh of the {part.label} is not closed; make it again")
    found = [
        *_volume(part, solid),
        *_edges(part, _with_nozzle(PROCESSES[process], nozzle)),
        *_overhang(part, process),
        *_room(part, bed),
        *_side(part, solid),
        *_marks(part, solid),
        *_sockets(part, solid),
    ]
    return [f"{part.label}: {sentence}" for sentence in found]


def _volume(part: Part, solid: Any) -> list[str]:
    wanted = part.volume - part.facts.engraved.volume
    made = float(solid.volume())
    if abs(made - wanted) <= VOLUME_SHARE * wanted:
        return []
    return [f"its volume is {made:.0f} mm3, planned are {wanted:.0f} mm3; make it again"]


def _with_nozzle(process: Process, nozzle: float) -> Process:
    """Return a process with the least edge that a nozzle prints, where it has one."""
    if process is not PROCESSES["print"] or nozzle == USUAL_NOZZLE_MM:
        return process
    words = f"{process.words} with a nozzle of {nozzle:g} mm"
    return replace(process, least_edge=nozzle, words=words)


def _edges(part: Part, process: Process) -> list[str]:
    found = []
    facts, edges = part.facts, part.facts.least_edges
    if edges and min(edges) < process.least_edge - 1e-9:
        found.append(
            f"its edge of {min(edges):g} mm is too thin for {process.words}, which needs "
            f"{process.least_edge:g} mm"
        )
    wall = facts.least_wall if isinstance(facts, FormFacts) else FORM_WALL_MM
    if wall < FORM_WALL_MM:
        found.append(
            f"its shelf is only {wall:.1f} mm thick and bends under a hot sheet; at least "
            f"{FORM_WALL_MM:g} mm"
        )
    if isinstance(facts, WedgeFacts):
        made, planned = facts.thick_edge, facts.thick_edge_planned
        if abs(made - planned) > THICK_EDGE_MM:
            found.append(f"its thick edge is {made:.1f} mm, the plan says {planned:.1f} mm")
    if not isinstance(facts, PadFacts):
        return found
    most, allowed = facts.edge_most, max(EDGE_MOST_MM, facts.standing_edge)
    if most > allowed + EDGE_SLACK_MM:
        found.append(
            f"its edge is up to {most:.1f} mm high, a step that can be felt; at most {allowed:g} mm"
        )
    stray = facts.chord_error
    if stray > CHORD_MM:
        found.append(f"its triangles stray {stray:.3f} mm from the planned surface; smooth the pad")
    return found


def hanging_area(part: Part, process: str = "print") -> float:
    """Return how much hangs over steeper than a process allows, lying on the shoe face, mm2."""
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    limit = -math.sin(math.radians(PROCESSES[process].overhang)) * length
    hanging = (normal[:, 2] < limit - 1e-9) & (corners[:, :, 2].max(axis=1) > BRIDGE_MM)
    if hanging.any() and part.facts.sockets is not None:  # their roofs are bridged, 4.3 mm wide
        centre = corners[:, :, :2].mean(axis=1)
        hanging &= ~shapely.contains_xy(socket_discs(part).buffer(0.01), *centre.T)
    return float(length[hanging].sum() / 2)


def _overhang(part: Part, process: str) -> list[str]:
    area = hanging_area(part, process)
    if area < 1.0:
        return []
    if isinstance(part.facts, BedFacts):
        return [
            f"its underside follows the shoe's bed: printed as it lies, {area / 100:.0f} cm2 under "
            "heel and arch want support from the plate (none on the top); or print it on its side"
        ]
    steep = PROCESSES[process].overhang
    return [f"{area:.0f} mm2 of it hang over by more than {steep:g}° when it lies flat"]


def _room(part: Part, bed: tuple[float, float, float] | None) -> list[str]:
    if bed is None:
        return []
    hull = Polygon(part.outline).convex_hull
    height = float(np.ptp(part.vertices[:, 2]))
    sizes = []
    for angle in range(0, 180, 3):
        x0, y0, x1, y1 = affinity.rotate(hull, angle).bounds
        sizes.append((x1 - x0, y1 - y0))
    if height <= bed[2] and any(a <= bed[0] and b <= bed[1] for a, b in sizes):
        return []
    length, width = sizes[0]
    return [
        f"{length:.0f} x {width:.0f} x {height:.0f} mm does not fit on a bed of "
        f"{bed[0]:g} x {bed[1]:g} x {bed[2]:g} mm, turned or not; cut it from sheet or use a "
        "larger machine"
    ]


def _side(part: Part, solid: Any) -> list[str]:
    """Look in the mesh itself for the medial notch: it tells the side without any record."""
    if isinstance(part.facts, DowelFacts):
        return []
    if part.facts.notch is None:
        return ["it has no room for the medial notch; mark the big-toe side by hand"]
    x, y = part.facts.notch
    if isinstance(part.facts, BedFacts):
        cut = solids.shadow(solid)
    else:
        low = min(0.6 * float(part.vertices[:, 2].max()), 0.05)
        if part.facts.bevel is not None:
            low = part.facts.bevel.height + 0.02
        cut = solids.region_above(solid, low)
    _, y0, _, y1 = cut.bounds
    across = shapely.LineString([(x, y0 - 1), (x, y1 + 1)]).intersection(Polygon(part.outline))
    middle = (across.bounds[1] + across.bounds[3]) / 2
    sign = 1.0 if part.side is Side.RIGHT else -1.0
    if isinstance(part.facts, FormFacts) and part.facts.turned_over:
        sign = -sign  # lies on its foot side: the medial edge is opposite
    notched = not cut.covers(shapely.Point(x, y)) and cut.convex_hull.covers(shapely.Point(x, y))
    if notched and sign * (y - middle) > 0:
        return []
    return [f"its medial notch is not where a {part.side.value} part has it; do not use it"]


def _marks(part: Part, solid: Any) -> list[str]:
    """Compare the recesses in the shoe face with the area of the marks."""
    facts = part.facts
    engraved, left_over = facts.engraved.texts, facts.engraved.paper_only
    found = []
    if left_over:
        found.append(f"no room to engrave {', '.join(left_over)}; write it on by hand")
    if engraved and not isinstance(facts, BedFacts):  # there the volume is compared
        cut = [mark for mark in part.marks if mark.face == "shoe" and mark.text in engraved]
        ink = sum(engraving.mark_shape(mark).area for mark in cut)
        plan = Polygon(part.outline, part.holes).area
        missing = plan - float(solid.slice(engraving.DEPTH_MM / 2).area())
        if facts.sockets is not None and facts.sockets.face == "shoe":
            missing -= socket_discs(part).area
        if facts.bevel is not None:
            slope = facts.bevel.height / facts.bevel.width
            border = Polygon(part.outline)
            back = facts.bevel.width - engraving.DEPTH_MM / 2 / slope
            missing -= border.area - border.buffer(-back).area
        if abs(missing - ink) > 0.03 * ink + 0.002 * plan:
            found.append("its marks are not all cut into the shoe face; make it again")
    return found


def _sockets(part: Part, solid: Any) -> list[str]:
    """Look in the mesh for the sockets: open on the right face, material left over each."""
    holes, sockets = socket_discs(part), part.facts.sockets
    if sockets is None or holes.is_empty:
        return []
    depth, slack = sockets.depth, 0.02
    if sockets.face == "shoe":
        opened, closed = [depth - slack], [depth + slack, depth + LEFT_MM - slack]
    else:
        floor = (part.facts.thickness or 0.0) - depth
        opened, closed = [floor + slack], [slack, floor - slack]
        if floor < LEFT_MM - slack:
            return [f"only {floor:.1f} mm are left under its dowels; plan a thicker base"]
    found = []
    inner = holes.buffer(-0.05)
    if any(solids.region_above(solid, z).intersects(inner) for z in opened):
        found.append("its dowels find no socket; make it again")
    if not all(solids.region_above(solid, z).covers(inner) for z in closed):
        found.append(f"less than {LEFT_MM:g} mm are left over its dowels; plan them again")
    return found
