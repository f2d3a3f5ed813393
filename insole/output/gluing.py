"""Which face of which part takes tape, primer and glue, from the shoe up.

worn Parts as they are made, Materials -> face_rows -> the first page

A maker who reads that a plastic wants a primer must be told where: the face that is bonded, of that
part, and not the one that the foot or the shoe touches. No side of the body stands in these words,
since both feet are glued alike.
"""

from __future__ import annotations

from collections.abc import Sequence

from insole.parts.contour import BEDS
from insole.parts.facts import CoverFacts
from insole.parts.form_upper import FORMS
from insole.parts.part import Part
from insole.record.materials import PRIMED, Materials

__all__ = ["face_rows"]

SHIMS = ("forefoot-shim", "heel-shim")
ON_BASE = "the foot side of the base inside its line there"


def face_rows(parts: Sequence[Part], materials: Materials, cover: str = "") -> list[str]:
    """Return the bonds of a pair, one sentence each, in the order of work; nothing for none.

    Parameters
    ----------
    parts : sequence of Part
        Worn, of the material that they are made of.
    materials : Materials
        The table.
    cover : str
        Material of a cover that is not among the parts, if one was chosen.
    """
    names = {part.name for part in parts}
    if not names & {"base", *BEDS}:
        return []
    shims = [name for name in SHIMS if name in names]
    shim = " and ".join(name.replace("-", " ") for name in shims)
    rows = []
    if shims:
        rows.append(f"{shim.capitalize()}: its flat shoe side, and {ON_BASE}.")
    over = "; where it lies over the shim, the shim's foot side" if shims else ""
    if "arch-pad" in names:
        rows.append(f"Arch pad: its flat shoe side, the one with letters, and {ON_BASE}{over}.")
    if "metatarsal-pad" in names:
        rows.append(f"Metatarsal pad: its flat shoe side, and {ON_BASE}{over}.")
    bed = "base" in names
    lower = "the foot sides of base, pad and shim" if bed else "the foot side of the bed"
    if any(name in FORMS for name in names):
        lower += "; of a moulded bed the side that lay on the form"
    rows.append(
        f"Cover, last of all: its raw shoe side (what is smooth, lined or printed goes to the "
        f"foot), and {lower}. Thinly, so that its holes stay open."
    )
    rows.append(
        f"The shoe side of the {'base' if bed else 'bed'} stays bare: it lies in the shoe and "
        "comes out to dry; should it move, thin double-sided tape (common practice, no source)."
    )
    if "under-shoe-shim" in names:
        rows.append("Under-shoe shim: neither primer nor glue, its bolts clamp it.")
    rows.append(_treatment(parts, materials, cover))
    rows.append(
        "For the trials the tape lies between these same faces, without primer; clean it off "
        "before anything is glued for good."
    )
    return rows


def _treatment(parts: Sequence[Part], materials: Materials, cover: str) -> str:
    """Return which materials want a primer on those faces, and which are only roughened."""
    used = {p.material for p in parts if p.name not in (*FORMS, "under-shoe-shim", "dowels")}
    if not any(isinstance(part.facts, CoverFacts) for part in parts):
        usual = (m.name for m in materials.values() if "cover" in m.places)
        used.add(cover or next(usual, ""))
    known = sorted(name for name in used if name in materials)
    primed = [name for name in known if materials[name].is_kind(PRIMED)]
    rough = [name for name in known if name not in primed]
    words = []
    if primed:
        words.append(
            f"On {', '.join(primed)} roughen and clean these faces, then the primer that the "
            "adhesive's maker names, on these faces only"
        )
    if rough:
        words.append(f"on {', '.join(rough)} roughen and dust off, no primer")
    return f"{'; '.join(words)}; then contact cement thinly on both faces of a bond."
