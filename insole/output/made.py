"""The parts as this workshop makes them: material, way, layers, size, mass. The one source.

    Plan, worn Parts, Settings -> made_parts -> MadeParts -> print, cut, papers, manifest

Whoever writes what a part is made of, how, how high or how heavy asks here; the plan's own words
for material stand for nothing once parts are made. The manifest carries the same figures as data,
and what reads a folder back holds every paper against them and against the meshes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from footscan.measuring.pose import mirror
from footscan.scan import Side
from insole.output.chosen import chosen_part, kind_of
from insole.output.cut import nesting
from insole.output.settings import Settings, folder_name
from insole.parts import laminations
from insole.parts.contour import BEDS
from insole.parts.cover import cover
from insole.parts.facts import (
    BaseFacts,
    BedFacts,
    CoverFacts,
    DowelFacts,
    FormFacts,
    LayerFacts,
    WedgeFacts,
    joint_of,
)
from insole.parts.form_upper import FORMS
from insole.parts.materials import PLACE_OF_PART, amount
from insole.parts.part import Part, Way
from insole.parts.parting import wholes
from insole.record.least import counts
from insole.record.limits import of_plan
from insole.record.materials import Material, Materials
from insole.record.plan import Plan
from insole.record.stock import sold, stack_for

__all__ = [
    "MadeParts",
    "Run",
    "kind_of",
    "made_parts",
    "recorded",
    "short_way",
    "size_words",
    "to_buy",
    "way_words",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeParts:
    """The parts with material and way, the layers of each by its label, and what to mind."""

    parts: tuple[Part, ...]
    layers: Mapping[str, Sequence[Part]] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)

    @property
    def worn(self) -> list[Part]:
        """What is worn: a form is neither cut nor drawn on papers, and has no exact solid."""
        return [part for part in self.parts if part.name not in FORMS]

    @property
    def pieces(self) -> list[Part]:
        """What is cut from sheet one by one: layers in place of what is built up."""
        found: list[Part] = []
        for part in self.worn:
            if part.way is not None and part.way.how != "print":
                found += self.layers.get(part.label, [part])
        return found


@dataclass(slots=True)
class Run:
    """What one call of :func:`insole.output.folder.write` is about."""

    plan: Plan
    made: MadeParts
    settings: Settings
    say: Callable[[str], None]
    notes: dict[str, str] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)
    nested: tuple[nesting.NestedSheet, ...] = ()


def made_parts(plan: Plan, parts: Sequence[Part], settings: Settings) -> MadeParts:
    """Return the parts as the workshop makes them.

    Raises
    ------
    PlanError
        A chosen material is not in the table.
    RefusedError
        It must not be used there, or the part was planned too thin for it.
    """
    made: list[Part] = []
    layers: dict[str, Sequence[Part]] = {}
    notes: dict[str, str] = {}
    for part in [*parts, *_covers(plan, parts, settings)]:
        chosen = chosen_part(plan, part, settings, notes)
        material = settings.materials.get(chosen.material)
        way = _way(chosen, material, settings)
        if way.how == "layers":
            stack = _layers(chosen, way, settings, plan)
            way = Way(how="layers", sheets=_sheets_in(stack))
            lower = float(np.ptp(chosen.vertices[:, 2])) - sum(way.sheets)
            if lower > 0:  # a top too small to glue was left out: recorded, as papers say it
                chosen = replace(chosen, facts=replace(chosen.facts, lower=round(lower, 3)))
            if len(way.sheets) == 1 and lower <= 0:  # one sheet is a blank to grind, no stack
                way = Way(how="grind", sheets=way.sheets)
            else:
                layers[part.label] = stack
        made.append(replace(chosen, way=way))
    return MadeParts(parts=tuple(made), layers=layers, notes=notes)


def _covers(plan: Plan, parts: Sequence[Part], settings: Settings) -> list[Part]:
    """Return the covers to cut, if they are wished."""
    if settings.cover_pattern is None:
        return []
    thick = of_plan(plan).value("thickness.cover")
    usual = (m.name for m in settings.materials.values() if "cover" in m.places)
    word = settings.chosen.get("cover") or next(usual, "cover-foam")
    return [cover(part, settings.cover_pattern, thick, word) for part in wholes(parts)]


# ------------------------------------------------------------------ ways


def _way(part: Part, material: Material | None, settings: Settings) -> Way:
    """Return how a part is made, and from sheets of which thickness."""
    if part.name in FORMS or isinstance(part.facts, DowelFacts):
        return Way(how="print")
    if material is None or material.process == "print":
        return Way(how="print")
    rack = settings.stock.thicknesses(part.material) if settings.stock is not None else ()
    thick = part.facts.thickness
    height = float(np.ptp(part.vertices[:, 2]))
    if material.process == "both" and _rather_printed(part, settings, rack):
        return Way(how="print")
    if part.name in BEDS:
        return Way(how="mill") if material.process == "cut" else Way(how="print")
    if thick is not None and abs(height - thick) < 0.05:
        return Way(how="cut", sheets=(thick,))
    if isinstance(part.facts, BaseFacts) and part.facts.heel_cup > 0:
        return Way(how="print") if material.process == "both" else Way(how="mill")
    if part.name in laminations.LAYERED:
        if settings.layers:
            return Way(how="layers", sheets=stack_for(height, rack) if rack else ())
        if rack and max(rack) < height - 0.02:
            return Way(how="layers", sheets=stack_for(height, rack))
    return Way(how="grind", sheets=(sold(height, rack) if rack else sold(height),))


def _rather_printed(part: Part, settings: Settings, rack: Sequence[float]) -> bool:
    """Return whether a material that may be printed or cut is printed here: no sheet, a printer."""
    stock = settings.stock
    return stock is not None and not rack and stock.bed(part.material) is not None


def _layers(part: Part, way: Way, settings: Settings, plan: Plan) -> Sequence[Part]:
    coarse = plan.limits.get("wedge.lamination", laminations.COARSE_MM)
    stock = settings.stock
    rack = stock.thicknesses(part.material) if stock is not None else ()
    least = (laminations.LEAST_MM2, laminations.LEAST_WIDE_MM)
    if stock is not None:
        least = (100.0 * stock.least_area, stock.least_width)
    return laminations.layers(
        part,
        coarse,
        min(laminations.FINE_MM, coarse),
        tag=folder_name(plan),
        sheets=way.sheets,
        tops=rack or laminations.TOP_MM,
        least=least,
    )


def _sheets_in(layers: Sequence[Part]) -> tuple[float, ...]:
    """Return the thickness of each layer that is there, from below."""
    facts = [layer.told(LayerFacts) for layer in layers]
    found = {one.layer: one.thickness or 0.0 for one in facts}
    return tuple(found[k] for k in sorted(found))


# ------------------------------------------------------------------ what is missing


def to_buy(
    made: MadeParts, sheets: Sequence[nesting.NestedSheet], settings: Settings
) -> dict[str, str]:
    """Return what the workshop lacks for these parts, a sentence each; nothing without a stock."""
    stock, found = settings.stock, {}
    if stock is None:
        return {}
    for sheet in sheets:
        if stock.size(sheet.material, sheet.thickness) is None:
            has = stock.thicknesses(sheet.material)
            there = f"{', '.join(f'{t:g}' for t in has)} mm" if has else "none of it"
            found[f"buy: {sheet.material} {sheet.thickness:g}"] = (
                f"to buy: {sheet.material} sheet of {sheet.thickness:g} mm (in the rack: {there})"
            )
    for part in made.parts:
        kind = kind_of(part)
        if part.way is None:
            continue
        if part.way.how == "print" and stock.bed(part.material) is None:
            found[f"print: {part.label}"] = (
                f"no printer of the stock prints {part.material}: have {part.label} printed from "
                f"its STL{_from_sheet(part, kind, settings.materials)}"
            )
        if part.way.how == "mill":
            size = np.ptp(part.vertices, axis=0)
            blocks = stock.blocks.get(part.material, ())
            if not any((np.sort(size) <= np.sort(block)).all() for block in blocks):
                found[f"buy: {part.label}"] = (
                    f"to buy: a block of {part.material} for {part.label}, at least "
                    f"{' x '.join(f'{mm:.0f}' for mm in size)} mm and what the mill holds it by"
                )
    return found


def _from_sheet(part: Part, kind: str, materials: Materials) -> str:
    """Return which other materials a part may be cut of, to go on after a way of printing it."""
    place = "" if isinstance(part.facts, DowelFacts) else PLACE_OF_PART.get(part.name, "")
    able = [m.name for m in materials.values() if place in m.places and m.process != "print"]
    names = [name for name in able if name != part.material]
    if not names:
        return ""
    return f", or choose a material that is cut for the {kind}: {' or '.join(names)}"


# ------------------------------------------------------------------ words


def size_words(part: Part) -> str:
    """Return what a rule and a calliper find on a part, in words, mm."""
    facts = part.facts
    if isinstance(facts, WedgeFacts):
        thin = f"thin edge {facts.edge or 0.0:.1f} mm"
        return f"{facts.words}, thick edge {facts.thick_edge_planned:.1f} mm, {thin}"
    high = float(np.ptp(part.vertices[:, 2]))
    if facts.crest is not None:
        crest = facts.crest.height
        thick = "thick" if part.name in BEDS else "high"
        words = f"{crest:.1f} mm {thick} at the crest"
        if counts(high - crest, "part height"):
            words += f", {high:.1f} mm at its highest"
        words += f", edge {facts.edge:.1f} mm" if facts.edge is not None else ""
        words += _finish_words(part)
        return f"{words}, {facts.words}" if joint_of(part.facts) is not None else words
    if facts.thickness is not None:
        cup = facts.heel_cup if isinstance(facts, BaseFacts) else 0.0
        rim = f", heel rim {cup:.1f} mm" if cup else ""
        words = f", {facts.words}" if isinstance(facts, CoverFacts) else ""
        return f"{facts.thickness:g} mm thick{rim}{words}{_finish_words(part)}"
    words = f"{high:.1f} mm high" if facts.height is not None else ""
    return ", ".join(filter(None, (words, facts.words))) + _finish_words(part)


def _finish_words(part: Part) -> str:
    """Return bevel and holes, to go on after other words."""
    found = [one.words for one in (part.facts.bevel, part.facts.vents) if one is not None]
    return "".join(f", {words}" for words in found if words)


def way_words(part: Part) -> str:
    """Return how a part is made, in words: with the thickness of each layer from below.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> way_words(SimpleNamespace(way=Way(how="layers", sheets=(1.0, 1.0, 0.5))))
    '3 layers glued, from below 2 x 1, 0.5 mm'
    """
    if part.way is None:
        return ""
    sheets = part.way.sheets
    if part.way.how == "layers":
        return f"{len(sheets)} layers glued, from below {_counted(sheets)} mm"
    return {
        "print": "printed",
        "cut": f"cut from {_counted(sheets)} mm sheet",
        "grind": f"ground from {_counted(sheets)} mm sheet",
        "mill": "milled from a block",
    }[part.way.how]


def short_way(part: Part) -> str:
    """Return material and layers of a part in the fewest words."""
    layers = ""
    if part.way is not None and part.way.how == "layers":
        layers = f", {len(part.way.sheets)} layers"
    return f"{part.material}{layers}"


def _counted(sheets: Sequence[float]) -> str:
    found: list[tuple[float, int]] = []
    for thick in sheets:
        if found and found[-1][0] == thick:
            found[-1] = (thick, found[-1][1] + 1)
        else:
            found.append((thick, 1))
    return ", ".join(
        f"{count} x {thick:g}" if count > 1 else f"{thick:g}" for thick, count in found
    )


def recorded(part: Part, materials: Materials) -> dict[str, Any]:
    """Return a part's figures as data, for the manifest; lengths mm, masses g."""
    material = materials.find(part.material)
    took, facts = amount(part, material), part.facts
    parted = part.facts if isinstance(part.facts, (BedFacts, FormFacts)) else None
    joint = None if parted is None else parted.joint
    return {
        "material": part.material,
        "words": material.words,
        "how": part.way.how if part.way is not None else "",
        "sheets": list(part.way.sheets) if part.way is not None else [],
        "height": round(float(np.ptp(part.vertices[:, 2])), 2),
        **({} if facts.crest is None else {"crest": round(facts.crest.height, 2)}),
        **({} if parted is None or joint is None else {"joint": joint.record(parted.piece)}),
        **({} if facts.bevel is None else {"bevel": facts.bevel.record()}),
        **({} if facts.lower is None else {"lower": facts.lower}),
        **_vents(part),
        "volume_cm3": round(took.volume_cm3, 3),
        "mass_g": [round(m, 3) for m in (took.mass, took.mass_low, took.mass_high)],
    }


def _vents(part: Part) -> dict[str, Any]:
    """Return the middles of a part's holes in the bed frame, and their diameter, mm."""
    vents = part.facts.vents
    if vents is None or not vents.places:
        return {}
    places = np.array(vents.places, dtype=float)
    if part.side is Side.LEFT:
        places = mirror(places)
    return {"vents": np.round(places, 3).tolist(), "vent_diameter": vents.diameter}
