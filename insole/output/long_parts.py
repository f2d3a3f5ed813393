"""Full-length beds and forms that fit no printer of the workshop: in two pieces, or the ways out.

Plan, worn Parts, Settings -> parted, parted_forms -> worn Parts, pieces in place of the long
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from footscan.scan import Array
from insole.errors import RefusedError
from insole.output.print import plates
from insole.output.settings import Settings
from insole.parts.contour import CONTOUR, FRONT, REAR
from insole.parts.facts import Joint, joint_of
from insole.parts.form import Mould
from insole.parts.form_parting import part_form
from insole.parts.form_upper import FORM, FormWish, tender_of
from insole.parts.part import Part, as_worn
from insole.parts.parting import part_bed
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import ContourPlan

__all__ = [
    "fits_printer",
    "glue_rows",
    "joint_words",
    "larger_words",
    "need_words",
    "needed_bed",
    "parted",
    "parted_forms",
    "too_long",
    "ways_out",
]


def fits_printer(points: Array, material: str, settings: Settings) -> bool:
    """Return whether what lies over points in plan, mm, fits a printer, turned or not."""
    x, y = _factors(material, settings)
    beds = settings.beds_of(material)
    return any(plates.fits(np.asarray(points)[:, :2] * (x, y), bed) for bed in beds)


def too_long(plan: Plan, settings: Settings) -> list[FootPlan]:
    """Return the feet whose full-length bed is printed here and fits no printer."""
    return [
        foot
        for foot in plan.feet
        if foot.contour is not None
        and foot.contour.length == "full"
        and settings.prints
        and _is_printed(_material_of(foot.contour, settings), settings)
        and not fits_printer(
            np.array(foot.contour.outline), _material_of(foot.contour, settings), settings
        )
    ]


def parted(plan: Plan, parts: Sequence[Part], settings: Settings) -> list[Part]:
    """Return the parts as the maker chose: two pieces in place of each bed that fits no printer.

    Raises
    ------
    insole.errors.PartError
        A bed cannot be parted so that both pieces fit.
    RefusedError
        Three-quarter beds were chosen: they are planned, not cut off.
    """
    long = too_long(plan, settings) if settings.long_parts not in ("", "whole") else []
    if not long:
        return list(parts)
    if settings.long_parts == "three-quarter":
        raise RefusedError(refused_words(long)).asking("contoured")
    found = list(parts)
    for foot in long:
        assert foot.contour is not None
        material = _material_of(foot.contour, settings)
        nozzle = settings.finish.nozzle(material)

        def able(ring: Array, word: str = material) -> bool:
            return fits_printer(ring, word, settings)

        two = part_bed(
            foot,
            plan.case,
            gap=settings.glue_gap,
            limits=of_plan(plan),
            fits=able,
            finish=settings.finish.of(plan),
            tender=tender_of(foot, plan),
        )
        label = f"{foot.side}-{CONTOUR}"
        at = next(k for k, part in enumerate(found) if part.label == label)
        found[at : at + 1] = [as_worn(piece, nozzle) for piece in (two.rear, two.front)]
    return found


def parted_forms(plan: Plan, forms: Sequence[Part], settings: Settings) -> list[Part]:
    """Return the forms, two pieces in place of each that fits no printer if that was chosen.

    Raises
    ------
    insole.errors.PartError
        A form cannot be parted so that both pieces fit.
    """
    found: list[Part] = []
    for form in forms:
        if settings.long_parts != "two-pieces" or not larger_words(form, settings):
            found.append(form)
            continue
        foot = getattr(plan, form.side.value)
        mould = Mould.of(foot, plan, settings.form or FormWish())

        def able(ring: Array, word: str = form.material) -> bool:
            return fits_printer(ring, word, settings)

        found += part_form(mould, settings.glue_gap, able)
    return found


def refused_words(long: Sequence[FootPlan], command: str = "") -> str:
    """Return why a three-quarter bed is not made of a plan of full length, with what does it."""
    labels = " and ".join(f"{foot.side}-{CONTOUR}" for foot in long)
    how = f"plan anew with: {command}" if command else "plan anew as a three-quarter bed"
    return (
        f"{labels} {'fits' if len(long) == 1 else 'fit'} no printer here, and a three-quarter bed "
        f"has a front end of its own that is planned, not cut off: {how}; then make that plan"
    )


def _material_of(contour: ContourPlan, settings: Settings) -> str:
    return settings.chosen.get("bed") or contour.material


def _is_printed(material: str, settings: Settings) -> bool:
    known = settings.materials.get(material)
    return known is None or known.process != "cut"


def _factors(material: str, settings: Settings) -> tuple[float, float]:
    known = settings.materials.get(material)
    scale = (1.0, 1.0) if known is None else known.scale
    return float(scale[0]), float(scale[1])


# ------------------------------------------------------------------ words


def needed_bed(part: Part, settings: Settings) -> tuple[float, float, float]:
    """Return the least bed a part lies on straight, and the side of a square one turned, mm."""
    x, y = _factors(part.material, settings)
    points = np.asarray(part.vertices)[:, :2] * (x, y)
    need = np.ptp(points, axis=0) + 2 * plates.MARGIN
    return (
        math.ceil(float(need[0])),
        math.ceil(float(need[1])),
        math.ceil(plates.least_square(points)),
    )


def need_words(part: Part, settings: Settings) -> str:
    """Return which bed a part needs that fits no printer, and which are there."""
    long, wide, turned = needed_bed(part, settings)
    beds = " or ".join(f"{w:g} x {d:g} mm" for w, d in settings.beds_of(part.material))
    return (
        f"{part.label} needs a printer bed of {long:g} x {wide:g} mm, or turned on the "
        f"plate one of {turned:g} x {turned:g} mm; "
        f"yours is {beds}"
    )


def larger_words(part: Part, settings: Settings) -> str:
    """Return in the fewest words which bed a part needs that fits no printer here, or nothing."""
    if not settings.prints or fits_printer(part.vertices, part.material, settings):
        return ""
    long, wide, turned = needed_bed(part, settings)
    return f"a bed of {long:g} x {wide:g} mm, or {turned:g} x {turned:g} mm turned"


def ways_out(part: Part, settings: Settings) -> str:
    """Return what can be done about a part that fits no printer."""
    if part.name not in (CONTOUR, FORM):
        thick = part.facts.thickness
        sheet = f"sheet of {thick:g} mm along the full-size template" if thick else "sheet"
        return f"cut it from {sheet}, or have it printed on a larger printer"
    if settings.long_parts == "whole":
        return "it was made whole as you chose: have it printed on a larger printer"
    if part.name == FORM:
        return (
            "part it into two pieces to glue, make its margin narrower, or choose to have it "
            "printed whole on a larger printer"
        )
    return (
        "part it into two pieces to glue, plan it anew as a three-quarter bed, or choose to have "
        "it printed whole on a larger printer"
    )


def joint_words(parts: Sequence[Part]) -> str:
    """Return where the joints of beds in two pieces lie, in words; nothing without any."""
    rears = [part for part in parts if part.name == REAR]
    if not rears:
        return ""
    joints = _joints(rears)
    places = ", ".join(
        f"{part.side.value.upper()} {joint.station:.0f} mm" for part, joint in joints
    )
    return f"Bed in two pieces, glued first: joint {places} from rear, gap {joints[0][1].gap:g} mm"


def _joints(rears: Sequence[Part]) -> list[tuple[Part, Joint]]:
    """Return each rear piece with its joint."""
    found = [(part, joint_of(part.facts)) for part in rears]
    return [(part, joint) for part, joint in found if joint is not None]


def glue_rows(parts: Sequence[Part]) -> list[str]:
    """Return how the pieces of a bed are glued; nothing without any."""
    rears = [part for part in parts if part.name == REAR]
    if not rears:
        return []
    rows = [
        f"{part.side.value}-{REAR} and {part.side.value}-{FRONT}: joint "
        f"{joint.station:.0f} mm from the rear edge, behind the ball, where the "
        f"bed is {joint.thick:.1f} mm thick in the mean; "
        f"{joint.gap:g} mm are left for the glue all along"
        for part, joint in _joints(rears)
    ]
    return [
        *rows,
        "Dry first: the two keys go in from above and hold the pieces in line; a piece turned over "
        "or of the other foot does not go in. Both lettered faces down, both arrows to the toes.",
        "Roughen the walls of the joint, lay the bed on the full-size template over a film that "
        "the glue does not take, fill the joint, press the pieces flat and let it set before it is "
        "handled. Two-part glue or the filament maker's own: PP and TPU want their primer.",
        "Scrape off what was pressed out; no edge at the joint may be felt. The cover runs over "
        "the joint in one piece. Look at the joint after the first rides: a cracked one is made "
        "anew.",
        "The part check (compare) holds the glued bed against the plan, as one part.",
    ]
