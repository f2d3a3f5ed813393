"""What a part may be made of, and how much of it it takes.

    Materials (insole.record.materials) -> of_part, amount -> insole.output

A part names its material by a word (``wedge-tpu``). The table says what that is, and a workshop
may give its own file, by which every plan on file is then made. Words that the table does not
know are refused, and so is a material in a place where it must not go: PLA in a shoe, a soft
wedge, anything but a hard solid under the shoe.

Terms
    place     what the material may be used for: pad, wedge, base, cover, form, under-shoe
    measured  what a workshop measured on its calibration bar, mm; print files are scaled by it
    mass      density times what a print fills: a solid skin and a share of the inside. Sheet is
              solid. It is an estimate: the slicer's own figure is nearer
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array, IntArray
from insole.errors import RefusedError
from insole.parts.part import Part
from insole.record.limits import default_limits
from insole.record.materials import PLA, Material, Materials

__all__ = ["LEAST_UNDER_SHOE", "Amount", "amount", "check_use", "of_part"]

LEAST_UNDER_SHOE = 60.0  # Shore D; softer creeps under the cleat: common practice, no source
LEAST_D_FOR_WEDGE = 20.0  # Shore D that is surely above 60 Shore A; value from memory
PLACE_OF_PART = {
    "arch-pad": "pad",
    "metatarsal-pad": "pad",
    "base": "base",
    "contoured-bed": "contour",
    "bed-rear-piece": "contour",
    "bed-front-piece": "contour",
    "dowels": "base",
    "forefoot-shim": "wedge",
    "heel-shim": "wedge",
    "under-shoe-shim": "under-shoe",
    "form": "form",
    "form-rear-piece": "form",
    "form-front-piece": "form",
    "cover": "cover",
}
_SOFT = re.compile(r"(?<![a-z])(eva|cork)(?![a-z])|foam", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """How much of a material a part takes; mass in g with its range."""

    volume_cm3: float
    mass: float
    mass_low: float
    mass_high: float

    def __str__(self) -> str:
        """Return volume and mass in words."""
        words = f"{_short(self.volume_cm3)} cm³, about {_short(self.mass)} g"
        low, high = _short(self.mass_low), _short(self.mass_high)
        return words if low == high else f"{words} ({low} to {high})"


def _short(value: float) -> str:
    """Return two digits of a number, or the whole one: an estimate."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}"


# ------------------------------------------------------------------ use


def of_part(
    part: Part, materials: Mapping[str, Material], *, least_wedge: float | None = None
) -> Material:
    """Return the material of a part, fit for its place.

    Parameters
    ----------
    part : Part
        Its `material` word and its `name` count.
    materials : Materials
        The table.
    least_wedge : float, optional
        Softest wedge inside the shoe, Shore A; None takes the default limit.

    Raises
    ------
    PlanError
        The word is not in the table.
    RefusedError
        The material must not be used there.
    """
    table = materials if isinstance(materials, Materials) else Materials(entries=materials)
    material = table.find(part.material, f"for the {part.label}")
    check_use(material, PLACE_OF_PART.get(part.name, "pad"), part.label, least_wedge=least_wedge)
    return material


def check_use(
    material: Material, place: str, what: str, *, least_wedge: float | None = None
) -> None:
    """Refuse a material in a place where it must not be used.

    Raises
    ------
    RefusedError
        PLA in or under a shoe; a wedge softer than the limit; under the shoe anything softer
        than 60 Shore D, foam, cork, EVA, or a print that is not solid; a place that the table
        does not allow.
    """
    if place != "form" and material.is_kind(PLA):
        raise RefusedError(
            f"{what}: {material.name} is PLA, which never goes into or under a shoe: it breaks "
            "into sharp pieces and softens in a warm car; take another material"
        )
    if place == "wedge":
        _check_wedge(material, what, least_wedge)
    if place == "under-shoe":
        _check_under_shoe(material, what)
    if place not in material.places:
        raise RefusedError(
            f"{what}: {material.name} ({material.words}) is meant for {', '.join(material.places)}"
            f", not for {place}; take another one, or allow it in the workshop's file"
        )


def _check_wedge(material: Material, what: str, least: float | None) -> None:
    least = default_limits().value("wedge.least_hardness") if least is None else least
    hard = material.hardness
    if hard is None:
        raise RefusedError(
            f"{what}: the hardness of {material.name} is not stated, and a wedge needs {least:g} "
            "Shore A; add it to the workshop's file"
        )
    if hard.low < (least if hard.unit == "Shore A" else LEAST_D_FOR_WEDGE):
        raise RefusedError(
            f"{what}: {material.name} has {hard}, and a wedge inside the shoe needs at least "
            f"{least:g} Shore A; a softer one gives way and the angle is lost"
        )


def _check_under_shoe(material: Material, what: str) -> None:
    hard = material.hardness
    if material.is_kind(_SOFT):
        raise RefusedError(
            f"{what}: {material.name} is foam, EVA or cork, which never goes under a shoe: it "
            "creeps until the cleat is loose; take a hard solid plastic or metal"
        )
    if hard is None or hard.unit != "Shore D" or hard.low < LEAST_UNDER_SHOE:
        has = "no stated hardness" if hard is None else str(hard)
        raise RefusedError(
            f"{what}: {material.name} has {has}, and under a shoe at least {LEAST_UNDER_SHOE:g} "
            "Shore D is needed; take a hard solid plastic or metal"
        )
    if material.process != "cut" and (material.infill is None or material.infill.low < 1.0):
        raise RefusedError(
            f"{what}: {material.name} is printed with less than 100 % infill, and under a shoe "
            "only a solid part may go; set its infill to 1"
        )


def amount(part: Part, material: Material) -> Amount:
    """Return the volume and about the mass of a part.

    A print is a skin of the material's wall thickness and an inside filled by its share; what is
    cut is solid. The range is that of density and infill together.
    """
    volume, skin = _volume(part.vertices, part.faces), _area(part.vertices, part.faces)
    share = [1.0, 1.0, 1.0]
    if material.process != "cut" and material.infill is not None:
        wall = material.wall.value if material.wall is not None else 0.0
        solid = min(skin * wall / max(volume, 1e-9), 1.0)
        fills = (material.infill.value, material.infill.low, material.infill.high)
        share = [solid + (1.0 - solid) * fill for fill in fills]
    dense = (material.density.value, material.density.low, material.density.high)
    mass = [volume / 1000.0 * d * s for d, s in zip(dense, share, strict=True)]
    return Amount(volume_cm3=volume / 1000.0, mass=mass[0], mass_low=mass[1], mass_high=mass[2])


def _volume(vertices: Array, faces: IntArray) -> float:
    a, b, c = (vertices[faces[:, k]] - vertices.mean(axis=0) for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0


def _area(vertices: Array, faces: IntArray) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2.0
