"""What the figures of the contact model ask to be said: warnings and notes, each one sentence.

ContactPlan, WedgePlan -> pressed_notes, idle_notes, shim_notes -> Note
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from insole.errors import PlanError
from insole.planning.contact.give import gent_modulus, give_of
from insole.record.limits import Limits
from insole.record.planned_contact import ContactPlan
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import Note, NoteLevel, Quantity

__all__ = ["GRAVITY", "idle_notes", "mass_of", "pressed_notes", "shim_notes"]

GRAVITY = 9.80665  # m/s2, standard
MASSES_KG = (25.0, 250.0)  # a body mass beyond is a slip of the hand
IDLE_CM2 = 1.0  # contact that a pad should add at the least; common practice, no source
STEEPER = 1.02  # a gradient counts as steeper from here on: the grid's own scatter


def mass_of(given: float | None, limits: Limits) -> Quantity:
    """Return the body mass, kg: as given, or the limits' nominal one.

    Raises
    ------
    PlanError
        It is not a believable number.
    """
    if given is None:
        nominal = limits.value("contact.body_mass")
        return Quantity(value=nominal, unit="kg", reason="nominal: no body mass was given")
    low, high = MASSES_KG
    if not (math.isfinite(given) and low <= given <= high):
        raise PlanError(f"a body mass of {given:g} kg is not one; give {low:g} to {high:g} kg")
    return Quantity(value=float(given), unit="kg", reason="as given")


def shim_notes(
    wedges: Sequence[WedgePlan], *, limits: Limits, body_mass: float | None = None
) -> tuple[Note, ...]:
    """Return how much of each inside wedge is left when it carries half the body weight.

    Springs E / h give way in proportion to their height, so under even pressure p a ramp stays
    a ramp, of 1 - p / E of its angle. The load lies on the full ramp. What the shim is planned
    from decides; the softest material allowed is said beside it, for a bench that has another.
    """
    import shapely

    notes = []
    load = limits.value("contact.pedalling_share") * float(mass_of(body_mass, limits).value or 0.0)
    softest = limits.value("wedge.least_hardness")
    for wedge in wedges:
        if wedge.place is WedgePlace.UNDER:
            continue
        ramp = shapely.box(wedge.full_from, -500.0, wedge.full_to, 500.0)
        area = float(shapely.Polygon(wedge.outline).intersection(ramp).area)
        pressure = load * GRAVITY / max(area, 1.0)
        give = give_of(wedge.material, limits)
        lost = 0.0 if give.modulus is None else pressure / give.modulus
        in_softest = abs(wedge.net) * (1.0 - pressure / gent_modulus(softest))
        much = lost > limits.value("wedge.hard_load_loss")
        notes.append(
            Note(
                code=f"wedge-left-{wedge.place.name.lower()}",
                level=NoteLevel.WARN if much else NoteLevel.INFO,
                text=f"{wedge.place.value}: about {abs(wedge.net) * (1 - lost):.1f}° of "
                f"{abs(wedge.net):g}° is left under half the body weight in {give.words}, "
                f"{max(in_softest, 0.0):.1f}° in the softest shim allowed, {softest:g} Shore A"
                f"{'; make it of something harder' if much else ''}",
            )
        )
    return tuple(notes)


def pressed_notes(plan: ContactPlan, limits: Limits) -> list[Note]:
    """Return a warning where the pad carries more than an arch should."""
    notes = _losses(plan, limits)
    most = limits.value("contact.arch_share")
    for case in plan.cases:
        if case.after is None or case.after.pad_peak == 0.0:
            continue
        peak, arch = case.after.peak, case.after.pad_peak
        if case.ankle is not None:  # where the load then lies says leg and shoe, not the pad
            continue
        bound = {
            "standing": min(peak["heel"], peak["forefoot"]),
            "pedalling": most * peak["forefoot"],
        }[case.case]
        words = {
            "standing": "the lower of the peaks at heel and forefoot",
            "pedalling": f"{100 * most:.0f} % of the peak at the forefoot",
        }[case.case]
        steep = case.after.pad_gradient > STEEPER * case.after.ball_gradient
        if arch > bound:
            notes.append(
                _warn(
                    f"contact-arch-{case.case}",
                    (
                        f"{case.case}: the model's peak on the pad ({arch:.0f} kPa) is above "
                        f"{words} ({bound:.0f} kPa): take a step of support back before the trial"
                    ),
                    f"model, {case.case}: presses; plan one step less support before making",
                )
            )
        elif steep and case.case == "pedalling":
            notes.append(
                _warn(
                    "contact-edge",
                    (
                        "pedalling: the model's pressure changes faster on the pad "
                        f"({case.after.pad_gradient:.1f} kPa/mm) than anywhere at the ball "
                        f"({case.after.ball_gradient:.1f} kPa/mm): feel for a ridge"
                    ),
                )
            )
    return notes


def _losses(plan: ContactPlan, limits: Limits) -> list[Note]:
    """Return a warning where the parts take contact away: part of the sole is lifted off."""
    keep = 1.0 - limits.value("contact.area_loss")
    return [
        _warn(
            f"contact-less-{case.case}",
            (
                f"{case.case}: in the model the contact area shrinks from {case.before.area:.0f} "
                f"to {case.after.area:.0f} cm² with the parts: part of the sole is lifted off its "
                "bed; ask the rider for even contact, and take a step of wedge back if it is not"
            ),
            f"model, {case.case}: contact {case.before.area:.0f} → {case.after.area:.0f} cm²; if "
            "not even, one step of wedge back",
        )
        for case in plan.cases
        if case.before and case.after and case.after.area < keep * case.before.area
    ]


def idle_notes(plan: ContactPlan) -> list[Note]:
    """Return a note where no load of the model brings the arch down onto a pad without shims."""
    pressed = [(c.before, c.after) for c in plan.cases if c.before and c.after]
    if not pressed or any(after.area - before.area >= IDLE_CM2 for before, after in pressed):
        return []
    return [
        _warn(
            "contact-idle",
            (
                f"in the model the pad adds less than {IDLE_CM2:g} cm² of contact, standing or "
                "pedalling: "
                "the arch hardly comes down to it; ask the rider whether it is felt at all"
            ),
            "model: arch hardly reaches the pad; ask if felt",
        )
    ]


def _warn(code: str, text: str, short: str = "") -> Note:
    return Note(code=code, level=NoteLevel.WARN, text=text, short=short)
