"""What a maker reads first: which file to make each part from, in which order, and how.

    Making -> routes, order, glue_rows, print_rows -> lines of READ-ME-FIRST.txt

Each part has one file to make it from; all others hold the same part once more and are spare.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from insole.output.cut.nesting import NestedSheet
from insole.parts.build import hanging_area
from insole.parts.contour import CONTOUR
from insole.parts.facts import BedFacts, CoverFacts, DowelFacts, LayerFacts, joint_of
from insole.parts.form_upper import FORMS
from insole.parts.materials import amount
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.materials import Material, Materials
from insole.record.plan import Plan

__all__ = [
    "MOULDED",
    "Making",
    "glue_rows",
    "only_printed",
    "order",
    "print_rows",
    "routes",
]

PADS = ("arch-pad", "metatarsal-pad")
MOULDED = "the moulded bed replaces base and pad; a shim goes under it"
CUT_FIRST = re.compile(r"^(cut|milled) from \w+, or ")  # the other way to make it
FLAT_DOWN = "flat side down"
HANGS_CM2 = 1.0  # less hangs over than any printer bridges; common practice, no source
UNDERSIDE = (
    "The heights of the undersides in paper/pieces, taped below, stay while the top is ground: "
    "on a line measure that thickness; the section gauges say when it is right."
)
BLOCK_MM = 5.0  # of stock left around a milled part; common practice, no source
PIN_MM = 14.0  # from the part's ends to its datum pins; common practice, no source
PLASTER = re.compile(r"\bplaster\b", re.IGNORECASE)  # a shell to be filled, by its own words
PLASTER_WATER = 0.6  # by weight of the powder: value from memory
PLASTER_DENSE = 2.6  # g/cm3 of the powder's grains: value from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Making:
    """What is made from which files.

    Attributes
    ----------
    plan : Plan
        The plan.
    parts : sequence of Part
        Worn parts as they are made: with the material of the sheet that they are built up from.
    materials : Materials
        The table.
    layers : mapping
        The layers of each part that is built up, by its label.
    sheets : sequence of NestedSheet
        What lies on which sheet.
    plates : mapping
        File in print/ that holds a part, by its label.
    tag : str
        Case and version, the end of every file's name.
    cuts : bool
        Whether there are cut files; else pieces are cut by hand from the paper.
    cover : str
        Material of the cover, if one was chosen.
    larger : mapping
        Which bed a part needs that fits no printer here, in words, by its label.
    mills, prints : bool
        Whether the workshop may have a mill, and a printer.
    paper : str
        Size of the template's paper, the first that is wanted.
    stocked : bool
        Whether the workshop's stock is known: what it lacks is said among what to mind.
    """

    plan: Plan
    parts: Sequence[Part]
    materials: Materials
    layers: Mapping[str, Sequence[Part]] = field(default_factory=dict)
    sheets: Sequence[NestedSheet] = ()
    plates: Mapping[str, str] = field(default_factory=dict)
    tag: str
    cuts: bool = True
    cover: str = ""
    larger: Mapping[str, str] = field(default_factory=dict)
    mills: bool = True
    prints: bool = True
    paper: str = "a4"
    stocked: bool = False

    def sheets_of(self, part: Part) -> list[str]:
        """Return the files of the sheets that a part or its layers lie on."""
        mine = {layer.label for layer in self.layers.get(part.label, ())} or {part.label}
        return [
            f"cut/{sheet.name}-{self.tag}.dxf"
            for sheet in self.sheets
            if mine & {placed.part.label for placed in sheet.placed}
        ]

    def printed(self, part: Part) -> bool:
        """Return whether a part is made by printing: it lies on no sheet and may be printed."""
        if part.way is not None:
            return part.way.how == "print"
        material = self.materials.get(part.material)
        cut = material is not None and material.process == "cut"
        return not self.sheets_of(part) and not cut

    @property
    def moulds(self) -> bool:
        """Whether a form is among the parts."""
        return any(part.name in FORMS for part in self.parts)


def only_printed(part: Part, materials: Materials) -> bool:
    """Return whether a part cannot come from sheet, by its kind or by its material."""
    material = materials.get(part.material)
    return isinstance(part.facts, DowelFacts) or (
        material is not None and material.process == "print"
    )


# ------------------------------------------------------------------ routes


def routes(making: Making) -> list[str]:
    """Return one line a part: the file to make it from."""
    rows = [f"{part.label}: {_route(making, part)}" for part in making.parts]
    return [*rows, "All other files hold the same parts once more and are spare."]


def _route(making: Making, part: Part) -> str:
    """Return the file to make a part from, and what is done with it."""
    kit = {foot.side for foot in making.plan.feet if foot.pad and foot.pad.source == "kit"}
    own = "take it from the kit, or " if part.name == "arch-pad" and part.side.value in kit else ""
    if making.printed(part):
        milled = _block(making, part) if part.name == CONTOUR and making.mills else ""
        stl = f"print/{part.label}-{making.tag}.stl"
        make = "make this"
        if larger := making.larger.get(part.label):
            make = f"have this printed (fits no printer here: it needs {larger})"
        return f"{own}{make}: {making.plates.get(part.label, stl)}{milled}"
    found = making.sheets_of(part) or [f"cut/parts/{part.label}-{making.tag}.dxf"]
    template = f"paper/template-{making.paper}-{making.tag}.pdf"
    if not making.cuts and part.name == "cover":
        wider = part.told(CoverFacts).allowance
        return f"{own}cut it by hand, {wider:g} mm outside the base: the dashed line of {template}"
    if not making.cuts:
        paper = template if part.name == "base" else f"paper/pieces-{making.tag}.pdf"
        found = [f"{paper}, cut out by hand"]
    words = f"{own}make this: {' and '.join(found)}"
    if part.label in making.layers:
        return f"{words}, {len(making.layers[part.label])} layers to glue"
    return words + _milled(making, part)


def _milled(making: Making, part: Part) -> str:
    """Return how a pad of foam gets its shape, and what to take to print it."""
    material = making.materials.get(part.material)
    if part.name == CONTOUR:
        return _block(making, part)
    if part.name not in PADS or material is None or material.process != "cut":
        return ""
    words = ", then grind"
    words += f"; or mill print/{part.label}-{making.tag}.stl" if making.mills else ""
    if not making.prints:
        return words
    kind = part.material.split("-")[0]
    for other in making.materials.values():
        if other.process != "cut" and "pad" in other.places and other.name.startswith(kind):
            stl = "same file" if making.mills else f"print/{part.label}-{making.tag}.stl"
            return f"{words}; to print it take {other.name}, {stl}"
    return words


def _block(making: Making, part: Part) -> str:
    """Return how a contoured bed is milled: block, two set-ups, datum pins."""
    size = np.ptp(part.vertices, axis=0) + 2 * BLOCK_MM
    pins = float(part.outline[:, 0].min()) - PIN_MM, float(part.outline[:, 0].max()) + PIN_MM
    return (
        f"; or mill print/{part.label}-{making.tag}.stl from a block of"
        f" {size[0] + 2 * PIN_MM:.0f} x {size[1]:.0f} x {size[2]:.0f} mm: two datum pins on the"
        f" centreline at {pins[0]:.0f} and {pins[1]:.0f} mm from the rear edge, outside the part;"
        " underside first, then turned over about the line of the pins, top second"
    )


# ------------------------------------------------------------------ order of work


def order(making: Making) -> list[str]:
    """Return the working order, numbered, from shopping to fitting."""
    parts, names = making.parts, {part.name for part in making.parts}
    printed = [part for part in parts if making.printed(part)]
    ground = [
        p for p in parts if p not in printed and "grind" in p.lines and p.label not in making.layers
    ]
    have = "Have ready" if making.stocked else "Buy"
    steps = [f"{have}: {'; '.join(_shopping(making))}."]
    steps.append("Print the template at 100 % and measure both rulers; the same on the first cut.")
    if making.moulds:
        steps.append(
            "If the bed is moulded: print the form, fill it and mould first, see below, and make "
            f"neither base nor pad nor dowels: {MOULDED}."
        )
        if "metatarsal-pad" in names:
            steps[-1] += " The metatarsal pad is not in the form: it goes onto the moulded bed."
    if here := [part for part in printed if part.label not in making.larger]:
        elsewhere_too = "Have {} printed elsewhere, or see below, Mind, for another material."
        steps.append(("Print {}." if making.prints else elsewhere_too).format(_labels(here)))
    if elsewhere := [part for part in printed if part.label in making.larger]:
        steps.append(
            f"Have {_labels(elsewhere)} printed on a larger printer, or see below, Mind, for the "
            "other ways."
        )
    if len(printed) < len(parts):
        steps.append(f"Cut {_labels([part for part in parts if part not in printed])}.")
    if any(joint_of(part.facts) is not None for part in parts):
        steps.append(
            "Glue the two pieces of each parted bed, see below, before anything is laid on."
        )
    if making.layers:
        steps.append("Glue the layers and grind off the steps, see below.")
    if ground:
        steps.append(
            f"Grind {'or mill ' * making.mills}{_labels(ground)} by the lines of equal height, "
            "thinnest edge last."
        )
    if making.layers or ground:
        steps[-1] += f" {UNDERSIDE}"
    if "dowels" in names:
        steps.append(
            "Cut the webs of the dowels; drill or clear the sockets; glue a dowel into "
            "each socket of the pad, none into the base."
        )
    steps += [
        "Compare side, face, arrow and thick edge of each part with the bench page.",
        *(
            ["Trim the bed until it lies flat in the shoe: toe and outer edge first."]
            if "contoured-bed" in names
            else []
        ),
        *(
            [
                "Copy crest and shim lines from the template onto the base, then trim the base: "
                "toe and outer edge first."
            ]
            if "base" in names
            else []
        ),
        "Fit and ride as the bench page says: one change each, then its trial.",
        "Glue for good only what stays after the review: see below on which faces, and Materials "
        "how each is fixed.",
    ]
    return [f"{k}. {step}" for k, step in enumerate(steps, 1)]


def _labels(parts: Sequence[Part]) -> str:
    return ", ".join(part.label for part in parts)


def _shopping(making: Making) -> list[str]:
    """Return what to have ready: sheets, filament, cover, tape, bolts."""
    rows = []
    for sheet in making.sheets:
        rows.append(
            f"{sheet.material} {sheet.thickness:g} mm sheet, {sheet.used[0] + 20:.0f} x "
            f"{sheet.used[1] + 20:.0f} mm of it"
        )
    for name in sorted({part.material for part in making.parts if making.printed(part)}):
        mine = [p for p in making.parts if p.material == name and making.printed(p)]
        if (material := making.materials.get(name)) is not None:
            mass = sum(amount(part, material).mass_high for part in mine)
            rows.append(
                f"{name} to print, about {mass:.0f} g"
                if mass >= 1
                else f"{name} to print, under 1 g"
            )
    plaster = sum(_plaster_litres(part, making.materials) for part in making.parts)
    rows += [f"plaster powder, {_powder(plaster):.1f} kg"] if plaster else []
    cover = of_plan(making.plan).value("thickness.cover")
    feet = len(making.plan.feet)
    usual = (m.words for m in making.materials.values() if "cover" in m.places)
    of = f" of {making.cover or next(usual, 'thin foam').split(',')[0]}"
    if not any(isinstance(part.facts, CoverFacts) for part in making.parts):
        wide = "each some 5 mm larger than its base all round and trimmed when it is glued"
        rows.append(f"cover {cover:g} mm{of} for {feet} {'feet' if feet > 1 else 'foot'}, {wide}")
    rows.append("thin double-sided tape for the trials, contact cement for good")
    if any(part.name == "under-shoe-shim" for part in making.parts):
        rows.append("longer cleat bolts, lengths on the bench page")
    return rows


# ------------------------------------------------------------------ layers and prints


def glue_rows(making: Making) -> list[str]:
    """Return how to build up layers; nothing without any."""
    if not making.layers:
        return []
    rows = [
        "Paper templates and their glue come off each layer before it is glued.",
        "Layer 1 lies at the bottom, each arrow forward; the line on a layer is the edge of the "
        "next one. Let it set, then grind off the steps until they are gone, not further.",
        "The glue lines add to the height: glue two offcuts, measure, and take a thinner film or "
        "grind the underside if it is more than 0.1 mm a line (common practice, no source).",
    ]
    for label, stack in making.layers.items():
        part = next(part for part in making.parts if part.label == label)
        facts = [layer.told(LayerFacts) for layer in stack]
        built = max(one.underside + (one.thickness or 0.0) for one in facts)
        count, planned = facts[0].layers, float(part.vertices[:, 2].max())
        row = (
            f"{label}: {count} layers, from below {_sheets(stack)} mm, {built:g} mm high before "
            f"grinding, {planned:.1f} mm planned, {count - 1} glue line{'s' if count != 2 else ''}"
        )
        left = facts[0].left_out
        if left:
            row += f"; {left} {'piece' if left == 1 else 'pieces'} too small to glue left out"
        if facts[0].lost:
            row += f", so the crest ends {max(planned - built, 0.0):.1f} mm lower than planned"
        rows.append(row)
    return rows


def _sheets(stack: Sequence[Part]) -> str:
    """Return the thickness of each layer from below."""
    facts = [layer.told(LayerFacts) for layer in stack]
    thick = {one.layer: one.thickness for one in facts}
    return ", ".join(f"{thick[k]:g}" for k in sorted(thick))


def print_rows(making: Making) -> list[str]:
    """Return how to print each part that is printed: as the material table says."""
    rows: dict[str, list[str]] = {}
    for part in making.parts:
        material = making.materials.get(part.material)
        if material is None or not making.printed(part):
            continue
        advice = CUT_FIRST.sub("", material.advice)
        if isinstance(part.facts, BedFacts):
            advice = advice.replace(FLAT_DOWN, _underside_down(part))
        row = f"{material.name}, {advice}{_infill(material)}"
        litres = _plaster_litres(part, making.materials)
        if litres:
            powder = _powder(litres)
            row += (
                f"; plaster: about {litres:.1f} l, from {powder:.1f} kg of powder and "
                f"{PLASTER_WATER * powder:.1f} l of water (mix by the maker's own figures; value "
                "from memory)"
            )
        rows.setdefault(row, []).append(part.label)
    return [f"{', '.join(labels)}: {row}" for row, labels in rows.items()]


def _underside_down(part: Part) -> str:
    """Return how a part with a curved underside lies on the printer."""
    area = hanging_area(part) / 100.0
    if area < HANGS_CM2:
        return "underside down, without supports"
    return (
        f"underside down, with supports from the plate under {area:.0f} cm² of it, since it "
        "follows the shoe's bed (none on the top), or standing on its side"
    )


def _infill(material: Material) -> str:
    infill = material.infill
    if infill is None or re.search("infill|solid", material.advice):
        return ""
    low, high = 100 * infill.low, 100 * infill.high
    return f"; infill {low:.0f}{f' to {high:.0f}' if high > low else ''} %"


def _plaster_litres(part: Part, materials: Materials) -> float:
    """Return how much plaster fills the shell of a form, l; 0 for anything that is not filled."""
    material = materials.get(part.material)
    if part.name not in FORMS or material is None or not material.is_kind(PLASTER):
        return 0.0
    import trimesh

    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    wall = material.wall.value if material.wall is not None else 0.0
    infill = material.infill.value if material.infill is not None else 0.0
    return max(float(mesh.volume) - wall * float(mesh.area), 0.0) * (1.0 - infill) / 1e6


def _powder(litres: float) -> float:
    """Return the powder in kg whose paste with water fills that volume."""
    return litres / (1.0 / PLASTER_DENSE + PLASTER_WATER)
