"""A contoured bed in two pieces, for printers that are too small: a joint that a maker can glue.

    FootPlan -> part_bed -> Parted: rear piece, front piece (canonical), Joint

Terms
    joint   the line along which the bed is parted, seen from above, from the little-toe side on
    key     a tongue of the front piece that reaches back into the rear one and is wider at its end,
            so that the pieces go together from above and from nowhere else
    gap     the room for glue, the same all along the joint

There are two keys of different width, and the two feet have them at different places: a piece
that is turned over or belongs to the other foot does not go in. All walls are upright, so each
piece prints without support at the joint. The keys lie behind the ball, where the bed is thick.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely import LineString, Polygon

from footscan.scan import Array, Side
from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.contour import CONTOUR, FRONT, NOTCH_MM, REAR, bed_over
from insole.parts.facts import BedFacts, Joint, Spot
from insole.parts.finish import Finish
from insole.parts.part import Part
from insole.parts.vents import vent_facts, vented
from insole.planning.support.tops import ContourShape
from insole.record.limits import Limits
from insole.record.plan import FootPlan

__all__ = ["Joint", "Parted", "joint_line", "joints", "part_bed", "split", "wholes"]

# where the keys stand: share of the bed's width from its little-toe edge, half width at the root
KEYS: dict[Side, tuple[tuple[float, float], ...]] = {
    Side.RIGHT: ((0.27, 0.060), (0.64, 0.110)),
    Side.LEFT: ((0.24, 0.060), (0.69, 0.110)),
}
KEY_MM = 12.0  # length of a key; common practice, no source
FLARE_DEG = 15.0  # each side: holds, and still leaves no thin neck; common practice, no source
ROUND_MM = 1.2  # corners: no crack starts there, and a nozzle of 0.6 mm follows them
BORDER_MM = 5.0  # of bed left beside a key at the least; common practice, no source
STEP_MM = 3.0  # of the stations tried
FAR_MM = 400.0
SLIT_MM = 2.0  # wider than any gap: closes it again
HOLES_OFF_MM = 4.0  # of the joint, and what holes keep from anything on top
NOTCH_AHEAD_MM = 10.0  # of the joint: the notch of the front piece

Fits = Callable[[Array], bool]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted:
    """Both pieces in the canonical frame, not yet engraved, and their joint."""

    rear: Part
    front: Part
    joint: Joint


def part_bed(
    foot: FootPlan,
    case: str,
    *,
    gap: float,
    limits: Limits,
    fits: Fits = lambda ring: True,
    finish: Finish | None = None,
    tender: Sequence[tuple[float, float]] = (),
) -> Parted:
    """Return the contoured bed of a foot in two pieces.

    Parameters
    ----------
    foot : FootPlan
        With a full-length contoured bed.
    case : str
        Case id for the labels.
    gap : float
        Room for the glue, mm.
    limits : Limits
        ``joint.*``.
    fits : callable
        Whether a piece of an outline, shape (n, 2), can be printed.
    finish : Finish, optional
        Ventilation holes.
    tender : sequence of (float, float)
        Tender spots, bed frame, mm: no hole there.

    Raises
    ------
    insole.errors.PartError
        There is no bed, the gap is out of bounds, or no joint gives two pieces that fit.
    """
    contour = foot.contour
    if contour is None:
        raise PartError(CONTOUR, f"the plan has no contoured bed for the {foot.side} foot")
    low, high = limits.value("joint.gap_least"), limits.value("joint.gap_most")
    if not low <= gap <= high:
        raise PartError(
            CONTOUR, f"a glue gap of {gap:g} mm is not possible; give {low:g} to {high:g} mm"
        )
    whole = solids.solid_polygon(contour.outline, CONTOUR)
    shape = ContourShape(contour)
    station, ahead = _chosen(foot, shape, gap, limits, fits)
    pieces = split(whole, ahead, gap)
    if pieces is None:
        raise PartError(CONTOUR, f"the bed of the {foot.side} foot does not part; plan it again")
    stations = (0.42 * contour.crest.from_rear, station + NOTCH_AHEAD_MM)
    cut = [
        outlines.notched(piece, x, depth=NOTCH_MM[0], length=NOTCH_MM[1])
        for piece, x in zip(pieces, stations, strict=True)
    ]
    teeth = [piece.difference(made) for piece, (made, _) in zip(pieces, cut, strict=True)]
    joint = Joint(
        of=CONTOUR,
        station=round(station, 2),
        line=shapely.get_coordinates(joint_line(whole, ahead)),
        gap=gap,
        thick=round(_thickness(shape, whole, ahead), 2),
        whole=solids.integral(whole.difference(teeth[0]), _thick_of(shape)),
        lost=_strip_volume(whole, shape, ahead, gap),
        notched=_mean_volume(teeth[1], shape),
    )
    finish = finish or Finish()
    wish = finish.vents
    keep = LineString(joint.line).buffer(HOLES_OFF_MM)
    made = []
    for name, (outline, notch) in zip((REAR, FRONT), cut, strict=True):
        spots: tuple[Spot, ...] = ()
        if wish is not None:
            outline, spots = vented(
                foot, wish, outline, tender=tender, keep=keep, limits=finish.limits
            )
        piece = _piece(foot, case, (outline, notch), name, joint)
        made.append(replace(piece, facts=replace(piece.facts, vents=vent_facts(wish, spots))))
    return Parted(rear=made[0], front=made[1], joint=joint)


def wholes(parts: Sequence[Part]) -> list[Part]:
    """Return bases and contoured beds as they lie in the shoe: pieces of a bed as the glued one."""
    found = []
    for part in parts:
        if part.name in ("base", CONTOUR):
            found.append(part)
        if part.name == REAR:
            front = next(p for p in parts if p.name == FRONT and p.side is part.side)
            both = shapely.union(Polygon(part.outline), Polygon(front.outline))
            ring = both.buffer(SLIT_MM, join_style="mitre").buffer(-SLIT_MM, join_style="mitre")
            outline = shapely.get_coordinates(shapely.orient_polygons(ring).exterior)[:-1]
            found.append(replace(part, name=CONTOUR, outline=outline))
    return found


def _piece(
    foot: FootPlan,
    case: str,
    cut: tuple[Polygon, Spot | None],
    name: str,
    joint: Joint,
) -> Part:
    plan, _ = cut
    word = "FRONT" if name == FRONT else "REAR"
    x0, _, x1, _ = plan.bounds
    x = x0 + (0.55 if name == FRONT else 0.35) * (x1 - x0)
    y = (outlines.edge_at(plan, x) + outlines.edge_at(plan, x, medial=False)) / 2
    texts = (f"{word} PIECE", "SHOE SIDE", case)
    made = bed_over(foot, cut, name, texts, (x, y))
    other = "rear" if name == FRONT else "front"
    told = made.told(BedFacts)
    facts = replace(
        told,
        # letters keep off the thin end of a bed: the pieces' ends at the joint are not thin
        front_edge=told.front_edge if name == FRONT else x1 + 2 * FAR_MM,
        joint=joint,
        piece=word.lower(),
        words=f"{word.lower()} piece of the bed, glued to the {other} piece with a gap of "
        f"{joint.gap:g} mm, joint {joint.station:.0f} mm from the rear edge",
    )
    return replace(made, facts=facts)


# ------------------------------------------------------------------ where


def _chosen(
    foot: FootPlan, shape: ContourShape, gap: float, limits: Limits, fits: Fits
) -> tuple[float, Polygon]:
    """Return the station of the joint and what lies ahead of it: the thickest place that fits."""
    contour = shape.contour
    whole = solids.solid_polygon(contour.outline, CONTOUR)
    x0, _, x1, _ = whole.bounds
    most = _ball(foot) - limits.value("joint.ball_clear")
    free = x0 + limits.value("joint.heel_free") * (x1 - x0) + KEY_MM
    ahead_of_crest = contour.crest.from_rear + limits.value("joint.crest_clear") + KEY_MM
    for first in (max(free, ahead_of_crest), free):
        found = [
            (round(_thickness(shape, whole, ahead), 3), x, ahead)
            for x, ahead in joints(whole, Side(foot.side), (first, most + 1e-6), gap, fits)
        ]
        if found:
            _, x, ahead = max(found, key=lambda entry: entry[:2])
            return x, ahead
    raise PartError(
        CONTOUR,
        f"the contoured bed of the {foot.side} foot cannot be parted so that both pieces fit the "
        f"printer: its joint lies {free:.0f} to {most:.0f} mm from the rear edge; take a larger "
        "printer, or plan it as a three-quarter bed",
    ).asking("contoured")


def joints(
    whole: Polygon, side: Side, stations: tuple[float, float], gap: float, fits: Fits
) -> Iterator[tuple[float, Polygon]]:
    """Yield the stations, mm, at which both pieces of an outline fit, and what lies ahead."""
    for x in np.arange(*stations, STEP_MM):
        ahead = _ahead(whole, float(x), side)
        pieces = split(whole, ahead, gap) if ahead is not None else None
        if ahead is None or pieces is None:
            continue
        if all(fits(solids.ring(piece.exterior)) for piece in pieces):
            yield float(x), ahead


def _ball(foot: FootPlan) -> float:
    """Return the rearmost end of the ball line, from the bed's rear edge, mm."""
    marks = foot.landmarks
    found = [
        float(marks[name][0])
        for name in ("metatarsale_tibiale", "metatarsale_fibulare", "mth1", "mth5")
        if name in marks
    ]
    if not found:
        raise PartError(CONTOUR, f"the ball of the {foot.side} foot is not known; plan it again")
    return min(found)


# ------------------------------------------------------------------ shape


def _ahead(whole: Polygon, x: float, side: Side) -> Polygon | None:
    """Return all that lies ahead of a joint at a station, keys with it; None: no room for them."""
    spans = [
        (outlines.edge_at(whole, at, medial=False), outlines.edge_at(whole, at))
        for at in (x - KEY_MM, x)
    ]
    low, high = max(s[0] for s in spans), min(s[1] for s in spans)
    flare = KEY_MM * math.tan(math.radians(FLARE_DEG))
    corners = [(x, -FAR_MM)]
    last = low
    for share, half in KEYS[side]:
        middle, root = low + share * (high - low), half * (high - low)
        if middle - root - flare - last < BORDER_MM:
            return None
        corners += [
            (x, middle - root),
            (x - KEY_MM, middle - root - flare),
            (x - KEY_MM, middle + root + flare),
            (x, middle + root),
        ]
        last = middle + root + flare
    if high - last < BORDER_MM:
        return None
    corners += [(x, FAR_MM), (x + 2 * FAR_MM, FAR_MM), (x + 2 * FAR_MM, -FAR_MM)]
    sharp = Polygon(corners)
    eased = sharp.buffer(-ROUND_MM, quad_segs=6).buffer(2 * ROUND_MM, quad_segs=6)
    return eased.buffer(-ROUND_MM, quad_segs=6).simplify(0.005)


def split(whole: Polygon, ahead: Polygon, gap: float) -> tuple[Polygon, Polygon] | None:
    """Return the outlines of rear and front piece; None where one comes in more than one."""
    rear = whole.difference(ahead.buffer(gap / 2, quad_segs=6))
    front = whole.intersection(ahead.buffer(-gap / 2, quad_segs=6))
    if rear.geom_type != "Polygon" or front.geom_type != "Polygon":
        return None
    return tuple(shapely.orient_polygons(piece.simplify(0.002)) for piece in (rear, front))


def joint_line(whole: Polygon, ahead: Polygon) -> LineString:
    """Return the border of what lies ahead, inside the bed."""
    found = ahead.exterior.intersection(whole.buffer(3.0))
    if found.geom_type != "LineString":
        found = max(
            shapely.get_parts(shapely.line_merge(found)), key=lambda piece: float(piece.length)
        )
    points = shapely.get_coordinates(found)
    return LineString(points if points[0, 1] < points[-1, 1] else points[::-1])


def _thickness(shape: ContourShape, whole: Polygon, ahead: Polygon) -> float:
    """Return the mean thickness of the bed along a joint, mm."""
    inside = joint_line(whole, ahead).intersection(whole.buffer(-1.0))
    points = shapely.get_coordinates(shapely.segmentize(inside, 1.0))
    return float(shape.inside(*points.T).mean())


def _thick_of(shape: ContourShape) -> Callable[[Array, Array], Array]:
    return lambda x, y: shape.top(x, y) - shape.bottom(x, y)


def _strip_volume(whole: Polygon, shape: ContourShape, ahead: Polygon, gap: float) -> float:
    """Return the volume of the bed in the gap, mm3."""
    strip = ahead.buffer(gap / 2, quad_segs=6).difference(ahead.buffer(-gap / 2, quad_segs=6))
    return _mean_volume(whole.intersection(strip), shape)


def _mean_volume(narrow: Any, shape: ContourShape) -> float:
    """Return the volume of the bed over narrow shapes, mm3: their area by the border's heights."""
    return sum(
        float(
            piece.area
            * _thick_of(shape)(*shapely.get_coordinates(piece.exterior.segmentize(0.5)).T).mean()
        )
        for piece in shapely.get_parts(narrow)
        if piece.geom_type == "Polygon"
    )
