"""The form: a printable positive of the planned sole, to mould a footbed over.

    FootPlan (sole, pad, landmarks) + shoe -> form -> Part (turned over, canonical) -> as_worn

A hot sheet is draped over the form; its foot side touches the form, so the form's surface is
the upper surface that the footbed shall have. That surface is the seated sole, taken down in
the arch to the planned pad's top, built out at tender spots, cut off at the rim, and level with
the bed under the toes. Around it lies a shelf for the sheet's margin.

Frame: printed plantar side up. The form is turned over by half a turn about the foot's long
axis, (x, y, z) -> (x, -y, -z), never mirrored: seen from above with the toes ahead, the big toe
of a right form is on the right, as on the sole of a right foot looked at from below. Its parts
record says so (``turned_over``), and a left form is mirrored once, in ``as_worn``.

Terms
    upper      height of the footbed's upper surface above the bed frame's z = 0
    taken down how far the upper surface lies under the sole: the gap that the plan leaves open
    rim        how high the upper surface goes above the bed before it ends in the shelf
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
import shapely
from scipy.interpolate import RectBivariateSpline
from shapely import Polygon

from footscan.scan import Array, Side
from insole.errors import PlanError
from insole.parts import breps, engraving, outlines, solids
from insole.parts.facts import FormFacts, Spot
from insole.parts.form_upper import CELL_MM, FORM, FormWish, Upper, tender_of, upper, why_not
from insole.parts.part import Part, as_worn
from insole.record.limits import default_limits
from insole.record.plan import FootPlan, Plan

__all__ = [
    "NOTCH_MM",
    "Mould",
    "form",
    "form_words",
    "formed",
    "forms",
    "label_on",
    "marked",
]

SHELF_MM = 8.0  # thickness below the rim: carries the sheet's margin and can be clamped
NOTCH_MM = (2.5, 8.0)  # depth and length in the shelf's medial edge; prints off on the sheet
LABEL_MM = 9.0
STEP_NODES_MM = 1.5  # of the surface in a STEP file
SHELF_LETTER_MM = 6.0  # on the shelf, beside the trim line
SHELF_CLEAR_MM = 1.0  # from those letters to the trim line and to the shelf's border


def forms(plan: Plan, wish: FormWish) -> list[Part]:
    """Return the worn forms of a plan, left first; :func:`why_not` tells why a foot has none.

    Raises
    ------
    PlanError
        No foot of the plan has a sole: it was made by an earlier version.
    insole.errors.PartError
        A form cannot be made as a closed solid.
    """
    if all(foot.sole is None for foot in plan.feet):
        raise PlanError(
            "this plan keeps no sole to make a form of: it was made by an earlier version, or "
            "its scans show none; plan it again from the scans"
        )
    moulds = [Mould.of(foot, plan, wish) for foot in plan.feet if not why_not(foot)]
    return [marked(whole(mould), mould) for mould in moulds]


class Mould(NamedTuple):
    """What a form is made for and of, and the upper surface that it gives."""

    foot: FootPlan
    plan: Plan
    wish: FormWish
    above: Upper

    @classmethod
    def of(cls, foot: FootPlan, plan: Plan, wish: FormWish) -> Mould:
        """Return it with the upper surface.

        Raises
        ------
        insole.errors.PartError
            Sole or pad are missing, or the sole does not cover base and margin.
        """
        return cls(foot, plan, wish, upper(foot, plan, wish))

    @property
    def shelf(self) -> Polygon:
        """The form's outline before it is turned over: the base and its margin."""
        base = solids.solid_polygon(self.foot.base.outline, FORM)
        ring = base.buffer(self.wish.margin, quad_segs=16).simplify(0.02)
        return shapely.orient_polygons(ring)

    @property
    def notch_station(self) -> float:
        """Where the notch in the shelf's medial edge begins, from the base's rear edge, mm."""
        ends = max(x for x, _ in self.foot.base.outline)
        return float(max(self.foot.base.grid_from, 0.2 * ends))

    @property
    def top(self) -> float:
        """How high above the form's underside the bed frame's z = 0 lies, mm."""
        places = np.meshgrid(self.above.x, self.above.y, indexing="ij")
        inside = shapely.contains_xy(self.shelf, *places)
        return float(self.above.z[inside].max()) + SHELF_MM


def form(foot: FootPlan, plan: Plan, wish: FormWish) -> Part:
    """Return the form of a foot, turned over, in the canonical frame, not yet engraved.

    Parameters
    ----------
    foot : FootPlan
        With sole and pad.
    plan : Plan
        Its case, shoe, wishes and limits.
    wish : FormWish
        How it is wanted.

    Raises
    ------
    insole.errors.PartError
        Sole or pad are missing, or the sole does not cover base and margin.
    """
    return whole(Mould.of(foot, plan, wish))


def whole(mould: Mould) -> Part:
    """Return a form in one piece, turned over, in the canonical frame, not yet engraved."""
    shape, plan = mould.shelf, mould.plan
    cut = outlines.notched(shape, mould.notch_station, depth=NOTCH_MM[0], length=NOTCH_MM[1])
    made = formed(mould, cut)
    return replace(made, marks=label_on(made.side, shape, (FORM.upper(), plan.case)))


def formed(mould: Mould, cut: tuple[Polygon, Spot | None], name: str = FORM) -> Part:
    """Return what of a form lies over an outline, turned over, in the canonical frame, unmarked.

    Parameters
    ----------
    mould : Mould
        Whose form, and its upper surface.
    cut : (Polygon, Spot or None)
        The form's outline or a piece of it before it is turned over, and a point in the notch of
        its medial edge: as from `outlines.notched`.
    name : str
        Of the part.
    """
    foot, plan, wish, above = mould
    plan_shape, notch = cut
    turned = shapely.orient_polygons(shapely.affinity.scale(plan_shape, 1, -1, origin=(0, 0)))
    top = mould.top
    # turned over about x: y and z change sign together, which is a rotation
    spline = RectBivariateSpline(above.x, -above.y[::-1], top - above.z[:, ::-1], kx=3, ky=3, s=0)
    solid = solids.under_heights(turned, spline.ev, CELL_MM, SHELF_MM / 2)
    vertices, faces = solids.arrays(solid, name)
    outline, holes = outlines.rings(turned)
    volume = solids.integral(turned, spline.ev)
    return Part(
        name=name,
        side=Side(foot.side),
        vertices=vertices,
        faces=faces,
        outline=outline,
        holes=holes,
        volume=volume,
        solid=partial(_brep, outline, above, top, volume),
        material=wish.material,
        facts=_facts(wish, notch, vertices, len(tender_of(foot, plan))),
    )


def _brep(outline: Array, above: Upper, top: float, volume: float) -> Any:
    """Return the boundary solid: the turned-over surface as one smooth face, upright sides.

    It has no letters. Its nodes stand further apart than the mesh's: the kernel's work grows with
    their number, and the surface is smooth over a few millimetres.
    """
    fine = RectBivariateSpline(above.x, -above.y[::-1], top - above.z[:, ::-1], kx=3, ky=3, s=0)
    x, y = (np.arange(a[0], a[-1] + 1e-6, STEP_NODES_MM) for a in (above.x, -above.y[::-1]))
    spline = RectBivariateSpline(x, y, fine(x, y), kx=3, ky=3, s=0)
    return breps.under_spline(outline, spline, volume, FORM)


# ------------------------------------------------------------------ the part


def label_on(side: Side, shape: Polygon, texts: tuple[str, ...], share: float = 0.3) -> Any:
    """Return the wished label in the underside of what lies over a shape, before it is turned."""
    x0, _, x1, _ = shape.bounds
    x = x0 + share * (x1 - x0)
    y = (outlines.edge_at(shape, x) + outlines.edge_at(shape, x, medial=False)) / 2
    return outlines.label(side, texts, (x, -y), size=LABEL_MM)


def marked(made: Part, mould: Mould) -> Part:
    """Return a form as worn, with side, arrow and case cut into the shelf's top as well.

    The bottom of a shell is left open for the plaster. On the shelf the letters lie outside the
    trim line: they print off on what is cut away. They follow the surface, 0.4 mm deep.
    """
    part, (foot, _, wish, above) = as_worn(made), mould
    sign = -1.0 if part.side is Side.RIGHT else 1.0  # turned over; a left form mirrored on top
    clear = min(SHELF_CLEAR_MM, (wish.margin - engraving.MIN_LETTER_MM) / 2 - 0.1)
    size = float(np.clip(wish.margin - 2 * clear - 0.5, engraving.MIN_LETTER_MM, SHELF_LETTER_MM))
    base = shapely.affinity.scale(Polygon(foot.base.outline), 1, sign, origin=(0, 0))
    shelf = Polygon(part.outline, part.holes).buffer(-clear).difference(base.buffer(clear))
    spline = RectBivariateSpline(above.x, above.y, above.z, kx=1, ky=1)
    marks = outlines.marks_along(
        (part.side.value.upper(), engraving.ARROW, part.marks[-1].text),
        shelf,
        base.buffer(wish.margin / 2).exterior,
        lambda x, y: np.asarray(spline.ev(x, sign * y)),
        size=size,
    )
    ink = shapely.union_all([engraving.mark_shape(mark) for mark in marks])
    cut = replace(part.facts.engraved, on_top=tuple(mark.text for mark in marks))
    if not marks:
        return replace(part, facts=replace(part.facts, engraved=cut))
    cut = replace(cut, volume=cut.volume + round(ink.area * engraving.DEPTH_MM, 3))
    solid = solids.solid_of(part.vertices, part.faces)
    kept = solid.translate((0.0, 0.0, -engraving.DEPTH_MM))
    solid -= solids.prism(ink, SHELF_MM / 2, (part.facts.height or 0.0) + 1.0) - kept
    vertices, faces = solids.arrays(solid, part.label)
    return replace(
        part,
        vertices=vertices,
        faces=faces,
        marks=(*part.marks, *marks),
        facts=replace(part.facts, engraved=cut),
    )


def _facts(wish: FormWish, notch: Spot | None, vertices: Array, spots: int) -> FormFacts:
    return FormFacts(
        height=float(np.ptp(vertices[:, 2])),
        words="plantar side up",
        least_wall=float(vertices[vertices[:, 2] > 0.1][:, 2].min()),
        cover=wish.cover,
        rim=wish.rim,
        margin=wish.margin,
        relief=wish.relief if spots else 0.0,
        tender=spots,
        notch=None if notch is None else Spot(notch[0], -notch[1]),
    )


def form_words(part: Part) -> list[str]:
    """Return how to mould over a form, one sentence each."""
    facts = part.told(FormFacts)
    flange = default_limits().value("feel.flange")
    cover = (
        f"The form is larger by {facts.cover:g} mm all over, for a cover glued on afterwards."
        if facts.cover
        else "No cover is allowed for: one glued on afterwards makes the footbed tighter by its "
        "thickness (make the form again with room for it)."
    )
    top = (
        "Side and arrow to the toes are cut into the shelf's top, outside the trim line."
        if {part.side.value.upper(), engraving.ARROW} <= set(facts.engraved.on_top)
        else "The shelf has no room for letters: write side and toe end on it by hand."
    )
    rows = [
        "Never mould a hot sheet on the bare foot, and hold your own hands off it as well: gloves.",
        "It lies plantar side up, as printed: the foot turned over, not mirrored. Seen from above "
        "with the toes ahead, the big toe of a RIGHT form is on the right, of a LEFT one on the "
        f"left; the notch in the shelf is on the big-toe side and prints off on the sheet. {top}",
        "Compare the form's temperature limit with the sheet's moulding temperature: PLA slumps "
        "near 60 °C, PETG near 80 °C, sheets are moulded at about 80 to 180 °C (values from "
        "memory). Print a shell of four walls with 10 % open infill, gyroid for one, and no bottom "
        "layers; turn it over and have it filled with plaster through the open bottom, dried "
        "through. Or take heat-proof resin.",
        "The sheet's foot side lies on the form, so its thickness goes toward the shoe: the form "
        f"is not made smaller for it. {cover}",
        "Talc or a thin stocking between form and sheet; let it cool on the form.",
        f"Trim to the base's template: the shelf is {facts.margin:g} mm wider. The rim goes up "
        f"{facts.rim:g} mm; cut the medial flange to at most {flange:g} mm above the bed unless "
        "the collar clears it.",
    ]
    if facts.joint is not None:
        rows.insert(
            1,
            f"The form is in two pieces, {facts.joint.gap:g} mm left for the glue. Dry first, both "
            "lettered undersides down: the two keys go in from above. Roughen the walls, glue "
            "them on a level plate, then fill the joint, sand it flush across the whole surface "
            "and look at it in a slanting light: what stands there prints off on the sheet. "
            "Glue before plaster is filled in.",
        )
    if facts.tender:
        rows.append(
            f"Tender spots are built out by {facts.relief:g} mm: the sheet bulges there on its "
            "shoe side; grind the bulge flat only as far as the sheet's thickness allows."
        )
    return rows
