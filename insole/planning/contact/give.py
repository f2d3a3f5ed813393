"""How far what lies under the foot gives way: planned thickness over planned hardness, per place.

    material word + thickness -> Give.stiffness -> N/mm3, to be laid in series with the tissue

Hardness comes from the material table. Shore A is turned into a modulus; what the table states in
Shore D (PP, PA12) gives way by next to nothing against soft tissue and counts as rigid. What is
printed sparse is a solid skin on both faces and a core of less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from footscan.scan import Array
from insole.record.limits import Limits
from insole.record.material_file import default_materials
from insole.record.materials import Material

__all__ = ["COVER", "Give", "gent_modulus", "give_of"]

COVER = "cover-foam"  # the table's word for the cover of `thickness.cover`
GENT_SHORE_A = (20.0, 95.0)  # where the relation is meant to hold


@dataclass(frozen=True, slots=True, kw_only=True)
class Give:
    """How a material gives way under pressure.

    Attributes
    ----------
    modulus : float or None
        Young's modulus of the solid, MPa; None is rigid.
    core : float
        Modulus of the inside of a sparse print against that of its skin; 1 is solid.
    skin : float
        Thickness of the solid skin on each face, mm.
    words : str
        Hardness and modulus, and where they come from.
    """

    modulus: float | None
    core: float = 1.0
    skin: float = 0.0
    words: str

    def stiffness(self, thickness: Array) -> Array:
        """Return modulus over thickness, N/mm3: skin and core in series; inf where rigid or 0."""
        thick = np.clip(thickness, 0.0, None)
        if self.modulus is None:
            return np.full(thick.shape, np.inf)
        solid = np.minimum(thick, 2.0 * self.skin)
        softness = (solid + (thick - solid) / self.core) / self.modulus
        there = softness > 0
        return np.divide(1.0, softness, out=np.full(thick.shape, np.inf), where=there)


def gent_modulus(shore_a: float) -> float:
    """Return Young's modulus of an elastomer from its hardness, MPa.

    Raises
    ------
    ValueError
        Hardness outside 20 to 95 Shore A, where the relation was never meant to hold.

    References
    ----------
    A. N. Gent, Rubber Chem. Technol. 31 (1958) 896 (value from memory).

    Examples
    --------
    >>> round(gent_modulus(50.0), 4)
    2.4558
    """
    low, high = GENT_SHORE_A
    if not low <= shore_a <= high:
        raise ValueError(f"shore_a must be from {low:g} to {high:g}, got {shore_a}")
    return 0.0981 * (56.0 + 7.62336 * shore_a) / (0.137505 * (254.0 - 2.54 * shore_a))


def give_of(word: str, limits: Limits, materials: Mapping[str, Material] | None = None) -> Give:
    """Return how a material of the table gives way.

    The usual table counts, since a plan is made before anybody chooses a workshop's own. A word or
    a hardness that it does not know takes ``contact.part_modulus``, and `words` say so.

    Parameters
    ----------
    word : str
        Such as ``"trial-eva"``.
    limits : Limits
        For what the table does not know.
    materials : mapping or None
        None takes the usual table.

    References
    ----------
    Inside of a sparse print: E / E_solid = (share filled)^2, L. J. Gibson and M. F. Ashby, Cellular
    Solids, 1997, chapter 5 (value from memory).
    """
    table = default_materials() if materials is None else materials
    material = table.get(word)
    hard = None if material is None else material.hardness
    if material is None or hard is None:
        modulus = limits.value("contact.part_modulus")
        words = f"{word}, whose hardness the table does not say, taken as {modulus:g} MPa"
        return Give(modulus=modulus, words=words)
    low, high = GENT_SHORE_A
    if hard.unit == "Shore D" or hard.value > high:
        return Give(modulus=None, words=f"{word} {hard.value:g} {hard.unit}, rigid")
    modulus = gent_modulus(max(hard.value, low))
    core, skin = 1.0, 0.0
    words = f"{word} {hard.value:g} {hard.unit}, {modulus:.2g} MPa"
    if hard.value < low:
        words += f" as of {low:g}"
    if material.process == "print" and material.infill is not None and material.infill.value < 1.0:
        core = material.infill.value**2
        skin = material.wall.value if material.wall is not None else 0.0
        words += f", {100 * material.infill.value:.0f} % filled"
    return Give(modulus=modulus, core=core, skin=skin, words=words)
