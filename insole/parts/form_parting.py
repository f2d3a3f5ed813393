"""A form in two pieces, for printers that are too small: the joint of beds, through a form.

    Mould -> part_form -> rear and front piece, worn

The keys are those of a bed (:mod:`insole.parts.parting`): a piece of the other foot does not go in,
and the pieces go together from above. Nobody walks on a form, so its joint may lie anywhere off
the heel and the toes; it keeps off the crest and off tender spots, where a seam would print off.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import Point, Polygon

from footscan.scan import Side
from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.facts import FormFacts, Joint, Spot
from insole.parts.form import NOTCH_MM, SHELF_MM, Mould, formed, label_on, marked
from insole.parts.form_upper import FORM, FORM_FRONT, FORM_REAR, tender_of
from insole.parts.part import Part
from insole.parts.parting import KEY_MM, Fits, joint_line, joints, split

__all__ = ["part_form"]

WITHIN = (0.25, 0.75)  # shares of the form's length between which a joint may lie
CLEAR_MM = 25.0  # from crest and tender spots: farther off is no better; common practice, no source
NOTCH_OFF_MM = 12.0  # of the joint: the notch of the front piece, and the rear one's end


def part_form(mould: Mould, gap: float, fits: Fits) -> tuple[Part, Part]:
    """Return the rear and the front piece of a form, worn.

    Parameters
    ----------
    mould : Mould
        Whose form.
    gap : float
        Room for the glue, mm.
    fits : callable
        Whether a piece of an outline, shape (n, 2), can be printed.

    Raises
    ------
    insole.errors.PartError
        No joint gives two pieces that fit.
    """
    shape = mould.shelf
    station, ahead = _chosen(mould, shape, gap, fits)
    pieces = split(shape, ahead, gap)
    if pieces is None:
        raise PartError(FORM, f"the form of the {mould.foot.side} foot does not part")
    rear_end = station - KEY_MM - NOTCH_OFF_MM - NOTCH_MM[1]
    stations = (min(mould.notch_station, rear_end), station + NOTCH_OFF_MM)
    cut = [
        outlines.notched(piece, x, depth=NOTCH_MM[0], length=NOTCH_MM[1])
        for piece, x in zip(pieces, stations, strict=True)
    ]
    joint = _joint(mould, (shape, ahead), station, gap, cut)
    rear, front = (
        marked(_piece(mould, one, name, joint), mould)
        for name, one in zip((FORM_REAR, FORM_FRONT), cut, strict=True)
    )
    return rear, front


def _piece(mould: Mould, cut: tuple[Polygon, Spot | None], name: str, joint: Joint) -> Part:
    word, share = ("front", 0.5) if name == FORM_FRONT else ("rear", 0.4)
    made = formed(mould, cut, name)
    facts = replace(
        made.told(FormFacts),
        piece=word,
        joint=joint,
        words=f"plantar side up, {word} piece of the form, joint {joint.station:.0f} mm from the "
        f"base's rear edge, {joint.gap:g} mm left for the glue",
    )
    texts = (FORM.upper(), f"{word.upper()} PIECE", mould.plan.case)
    return replace(made, facts=facts, marks=label_on(made.side, cut[0], texts, share))


def _chosen(mould: Mould, shape: Polygon, gap: float, fits: Fits) -> tuple[float, Polygon]:
    """Return the station of the joint and what lies ahead of it."""
    foot = mould.foot
    x0, _, x1, _ = shape.bounds
    places = [Point(spot) for spot in tender_of(foot, mould.plan)]
    if foot.pad is not None:
        places.append(Point(foot.pad.crest.from_rear, foot.pad.crest.y or 0.0))
    low, high = (x0 + share * (x1 - x0) for share in WITHIN)
    found: list[tuple[float, float, float, Polygon]] = []
    for x, ahead in joints(shape, Side(foot.side), (low, high), gap, fits):
        line = joint_line(shape, ahead)
        clear = min([line.distance(place) for place in places], default=CLEAR_MM)
        found.append((min(clear, CLEAR_MM), -abs(x - (x0 + x1) / 2), x, ahead))
    if not found:
        raise PartError(
            FORM,
            f"the form of the {foot.side} foot cannot be parted so that both pieces fit the "
            "printer; take a larger printer, or a narrower margin",
        )
    _, _, x, ahead = max(found, key=lambda entry: entry[:2])
    return x, ahead


def _joint(
    mould: Mould,
    parted: tuple[Polygon, Polygon],
    station: float,
    gap: float,
    cut: list[tuple[Polygon, Spot | None]],
) -> Joint:
    """Return where and how a form is parted, bed frame."""
    shape, ahead = parted
    above, top = mould.above, mould.top
    heights = RectBivariateSpline(above.x, above.y, top - above.z, kx=3, ky=3, s=0)
    (rear, _), (front, _) = cut
    strip = ahead.buffer(gap / 2, quad_segs=6).difference(ahead.buffer(-gap / 2, quad_segs=6))
    strip = shape.intersection(strip)
    line = joint_line(shape, ahead)
    inside = shapely.get_coordinates(shapely.segmentize(line.intersection(shape), 1.0))
    thick = float(np.maximum(heights.ev(*inside.T), SHELF_MM / 2).mean())
    made = solids.integral(rear, heights.ev) + solids.integral(front, heights.ev)
    lost = float(strip.area) * thick
    return Joint(
        of=FORM,
        station=round(station, 2),
        line=shapely.get_coordinates(line),
        gap=gap,
        thick=round(thick, 2),
        whole=made + lost,
        lost=lost,
        notched=0.0,
    )
