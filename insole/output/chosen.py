"""What each part is made of: the plan's material, or the one that was chosen or is at hand.

Plan, worn Part, Settings -> chosen_part -> Part with its material, and what that leaves open
"""

from __future__ import annotations

from dataclasses import replace

from insole.errors import RefusedError
from insole.output.settings import Settings
from insole.parts import laminations
from insole.parts.facts import DowelFacts
from insole.parts.materials import check_use
from insole.parts.part import Part
from insole.planning.support.contour import plate_of
from insole.record.limits import of_plan
from insole.record.materials import Materials
from insole.record.plan import Plan
from insole.record.stock import KINDS

__all__ = ["PADS", "chosen_part", "kind_of"]

PADS = ("arch-pad", "metatarsal-pad")


def kind_of(part: Part) -> str:
    """Return the kind of part for which a material is chosen."""
    found = [kind for kind, names in KINDS.items() if part.name in names]
    return found[0] if found else "base"  # dowels are of the base's material


def chosen_part(plan: Plan, part: Part, settings: Settings, notes: dict[str, str]) -> Part:
    """Return a part with the material chosen for it, and note what that leaves open."""
    kind = kind_of(part)
    word = settings.chosen.get(kind, "")
    if not word and settings.layers and part.name in laminations.LAYERED:
        if part.name not in PADS and _printed_only(part, settings.materials):
            word = _sheet_wedge(settings.materials, of_plan(plan).value("wedge.least_hardness"))
            if word:
                notes[f"cut: {part.label}"] = (
                    f"{part.label} is built up from {word} sheet, as {part.material} is printed "
                    "only"
                )
    why = ""
    if not word and (kin := _printed_kin(part, settings)):
        word, why = kin, ", since the stock has neither sheet nor block but a printer"
    if not word or word == part.material:
        return part
    material = settings.materials.find(word, f"for the {part.label}")
    if isinstance(part.facts, DowelFacts) and material.process == "cut":
        return part  # no foam: dowels are printed or turned
    if kind == "bed":
        limits = of_plan(plan)
        need, has = (plate_of(settings.materials.get(w), limits) for w in (word, part.material))
        if need > has + 1e-9:
            raise RefusedError(
                f"{part.label}: {word} wants a plate of {need:g} mm and the bed was planned with "
                f"{has:g} mm; plan it anew of {word}"
            ).asking("contour_material")
    if kind in ("pad", "metatarsal", "bed"):
        notes[f"material: {part.label}"] = (
            f"{part.label} is made of {word}{why}; the plan's model of contact took "
            f"{part.material}: "
            "its figures are not of this material"
        )
    return replace(part, material=word)


def _printed_kin(part: Part, settings: Settings) -> str:
    """Return the like material that is printed, for a workshop of printers alone; or nothing."""
    stock, material = settings.stock, settings.materials.get(part.material)
    if stock is None or stock.racks or stock.blocks or stock.kerf is not None:
        return ""
    place = {"metatarsal": "pad", "bed": "contour"}.get(kind_of(part), kind_of(part))
    if material is None or material.process != "cut" or place not in ("pad", "contour"):
        return ""
    kind = part.material.partition("-")[0]
    for other in settings.materials.values():
        like = other.name.partition("-")[0] == kind and place in other.places
        if like and other.process != "cut" and stock.bed(other.name) is not None:
            return other.name
    return ""


def _printed_only(part: Part, materials: Materials) -> bool:
    material = materials.get(part.material)
    return isinstance(part.facts, DowelFacts) or (
        material is not None and material.process == "print"
    )


def _sheet_wedge(materials: Materials, least: float) -> str:
    """Return the first material of the table that is sheet and may be a wedge; or nothing."""
    for material in materials.values():
        if material.process != "print":
            try:
                check_use(material, "wedge", material.name, least_wedge=least)
            except RefusedError:
                continue
            return material.name
    return ""
