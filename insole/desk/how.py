"""How the parts of a kept plan are made: what `make` takes at the command line, as fields.

groups(materials, how) -> the fields of the parts page;  JSON of the page -> checked -> settings

The workshop's own (bed, sheet, kerf, own files) stands on its page; here is what is asked of the
parts and files of one time, and kept as the workshop's habit for the next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from insole.errors import PlanError
from insole.record.material_file import default_materials
from insole.record.materials import Materials
from insole.record.stock import KINDS, LONG_PARTS

__all__ = ["FIELDS", "Field", "checked", "fields_shown", "settings", "words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field: its name, what it is, between what it lies; `options` of a choice, by word.

    `option` is the option of the command line that it stands for, `needs` the field without which
    it says nothing.
    """

    name: str
    option: str
    label: str
    group: str
    unit: str = ""
    least: float = 0.0
    most: float = 0.0
    usual: str = ""
    options: tuple[tuple[str, str], ...] = ()
    needs: str = ""


FINISH, CUT, FORM, MADE_OF = "Finish", "Files to cut", "Form for moulding", "Made of"
KIND_WORDS = {
    "base": "Base",
    "pad": "Arch pad",
    "metatarsal": "Metatarsal pad",
    "shim": "Inside shim",
    "under": "Shim under the shoe",
    "bed": "Contoured bed",
    "form": "Form",
    "cover": "Cover",
}
LONG_WORDS = {"two-pieces": "two pieces to glue", "three-quarter": "a 3/4 bed", "whole": "whole"}
FIELDS = (
    Field(
        name="bevel",
        option="bevel",
        group=FINISH,
        label="Bevel under the base's edge, width",
        unit="mm",
        least=0.5,
        most=8,
    ),
    Field(
        name="bevel_angle",
        option="bevel",
        group=FINISH,
        label="Bevel, from the underside",
        unit="°",
        least=10,
        most=80,
        usual="45",
        needs="bevel",
    ),
    Field(
        name="vents",
        option="vents",
        group=FINISH,
        label="Ventilation holes, diameter",
        unit="mm",
        least=1,
        most=10,
    ),
    Field(
        name="vents_apart",
        option="vents",
        group=FINISH,
        label="Holes, middle to middle",
        unit="mm",
        least=4,
        most=40,
        usual="12",
        needs="vents",
    ),
    Field(
        name="long_parts",
        option="long_parts",
        group=FINISH,
        label="A bed or form too long for the printer",
        options=(("", "only say so"), *((word, LONG_WORDS[word]) for word in LONG_PARTS)),
    ),
    Field(
        name="glue_gap",
        option="glue_gap",
        group=FINISH,
        label="Room for glue in its joint",
        unit="mm",
        least=0.05,
        most=0.6,
        usual="0.2",
    ),
    Field(
        name="cover_pattern",
        option="cover_pattern",
        group=CUT,
        label="Cover patterns too, larger all round by",
        unit="mm",
        least=0,
        most=20,
    ),
    Field(
        name="dxf",
        option="dxf",
        group=CUT,
        label="Version of the DXF files",
        options=(("", "R2010"), ("R12", "R12, for old programs")),
    ),
    Field(
        name="laser_colours",
        option="laser_colours",
        group=CUT,
        label="Pure red, blue and black, as laser programs map them",
    ),
    Field(
        name="layers",
        option="layers",
        group=CUT,
        label="Pads and inside shims as layers to glue",
    ),
    Field(name="step", option="step", group=CUT, label="STEP solids for CAD too"),
    Field(name="form", option="form", group=FORM, label="Forms to mould a footbed over"),
    Field(
        name="form_cover",
        option="form_cover",
        group=FORM,
        label="Cover glued on after moulding",
        unit="mm",
        least=0,
        most=6,
        usual="0",
        needs="form",
    ),
    Field(
        name="form_relief",
        option="form_relief",
        group=FORM,
        label="Built out at tender spots",
        unit="mm",
        least=0,
        most=4,
        usual="2",
        needs="form",
    ),
    *(
        Field(
            name=f"material_{kind}",
            option="material",
            group=MADE_OF,
            label=KIND_WORDS[kind],
            options=(("", "as planned"),),
        )
        for kind in KINDS
    ),
)
BY_NAME = {field.name: field for field in FIELDS}


def checked(raw: object) -> dict[str, Any]:
    """Return what a page asks for, empty fields left out.

    Raises
    ------
    insole.errors.PlanError
        There is no such field, or its value is out of its range.
    """
    if not isinstance(raw, Mapping):
        raise PlanError("how parts are made comes by field")
    found: dict[str, Any] = {}
    for name, value in raw.items():
        field = BY_NAME.get(name)
        if field is None:
            raise PlanError(f"there is no field {str(name)[:40]!r}")
        if value is None or value is False or value == "":  # a wished 0 is a wish
            continue
        found[name] = _value(field, value)
    for name in found:
        if BY_NAME[name].needs and BY_NAME[name].needs not in found:
            wanted = BY_NAME[BY_NAME[name].needs].label.lower()
            raise PlanError(f"{BY_NAME[name].label.lower()} says nothing without: {wanted}")
    return found


def _value(field: Field, value: Any) -> Any:
    if field.group == MADE_OF:
        if not isinstance(value, str) or len(value) > 80:
            raise PlanError(f"{field.label.lower()}: a material is named by its word")
        return value
    if field.options:
        if value not in [word for word, _ in field.options]:
            raise PlanError(f"{field.label.lower()} cannot be {str(value)[:40]!r}")
        return value
    if not field.unit:
        if value is not True:
            raise PlanError(f"{field.label.lower()} is yes or no")
        return True
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or not field.least <= value <= field.most:
        raise PlanError(f"{field.label.lower()} is {field.least:g} to {field.most:g} {field.unit}")
    return float(value)


def fields_shown(table: Materials, how: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the fields by group with their values, materials of the table to choose from."""
    found: dict[str, list[dict[str, Any]]] = {}
    for field in FIELDS:
        options = field.options
        if field.group == MADE_OF:
            options = (*options, *((m.name, f"{m.name}: {m.words}") for m in table.values()))
        row: dict[str, Any] = {
            "name": field.name,
            "label": field.label,
            "unit": field.unit,
            "options": options,
        }
        row |= {"least": field.least, "most": field.most, "usual": field.usual}
        found.setdefault(field.group, []).append(row | {"value": how.get(field.name, "")})
    return found


def words(how: Mapping[str, Any]) -> list[str]:
    """Return in words what is asked for beside the usual."""
    found = []
    for field in FIELDS:
        if field.name in how:
            value = how[field.name]
            value = dict(field.options).get(value, value) if isinstance(value, str) else value
            tail = (
                "" if value is True else f" {value:g}" if isinstance(value, float) else f" {value}"
            )
            found.append(f"{field.label}{tail}{' ' + field.unit if field.unit else ''}")
    return found


def settings(
    owned: Mapping[str, Any], how: Mapping[str, Any], table: Materials | None, stock: Path | None
) -> Any:
    """Return how files are wanted: the workshop's sizes, and what is asked for this time.

    Parameters
    ----------
    owned : mapping
        ``bed``, ``sheet``, ``kerf`` of the workshop.
    how : mapping
        As :func:`checked` returns it.
    table : Materials or None
        The workshop's own materials.
    stock : Path or None
        Its own stock.

    Raises
    ------
    insole.errors.PlanError
        A value is out of bounds, or a material is not known.
    """
    from insole.output.settings import Settings
    from insole.parts.form_upper import FormWish

    form = None
    if how.get("form"):
        wishes = {
            word: how[f"form_{word}"] for word in ("cover", "relief") if f"form_{word}" in how
        }
        form = FormWish(**wishes)
    base = Settings(
        bed=owned["bed"],
        sheet=owned["sheet"],
        kerf=owned["kerf"],
        layers=bool(how.get("layers")),
        step=bool(how.get("step")),
        dxf=how.get("dxf", "R2010"),
        laser_colours=bool(how.get("laser_colours")),
        cover_pattern=how.get("cover_pattern"),
        form=form,
        materials=table if table is not None else default_materials(),
    )
    chosen = {kind: how[f"material_{kind}"] for kind in KINDS if f"material_{kind}" in how}
    return base.with_stock(stock, chosen).with_finish(
        long_parts=how.get("long_parts"),
        glue_gap=how.get("glue_gap"),
        bevel=_two(how, "bevel", "bevel_angle"),
        vents=_two(how, "vents", "vents_apart"),
    )


def _two(how: Mapping[str, Any], first: str, second: str) -> str | None:
    """Return two figures as the command line takes them: ``2`` or ``2@30``."""
    if first not in how:
        return None
    return f"{how[first]:g}" + (f"@{how[second]:g}" if second in how else "")
