"""What a maker lays parts in by: cards of the report, captions of layers, measures of both feet.

report -> each part's card: faces under its pictures, which face lies where, thick edge's bar
pieces -> sheet and number of each layer, counted from below
report, plan -> measures in columns: LEFT before RIGHT, each the foot's own
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.readback.pages import Numbers, Page
from insole.readback.told import Told

__all__ = ["check_cards", "check_layers", "check_measures"]

TICK = "☐"  # ends the words of a card
BAR = 1.2  # mm, breadth of the mark beside a thick edge
PICTURES = 46.0  # mm to the left of a card's title in which its pictures stand
APART = 22.0  # mm between the middles of both pictures
DOWN = 60.0  # mm below a title in which they end
DASH = "\N{MINUS SIGN}"
ENDS = "± is one standard|Not measurable|Shoe against foot|Shoe and wishes"  # after the measures


def check_cards(file: str, pages: Sequence[Page], told: Told, labels: Iterable[str]) -> None:
    """Hold the cards of the parts to make against the plan.

    Raises
    ------
    OutputError
        A card lays a face or the first layer the wrong way, names the faces under its pictures in
        another order, or marks the thick edge on the thin side.
    """
    cards = [page for page in pages if TICK in page.text]
    text = " ".join(page.text for page in cards)
    for label in labels:
        side, _, name = label.partition("-")
        title = f"{side.upper()} {name.replace('-', ' ')}"
        under = name == "under-shoe-shim"
        up, down = ("shoe", "cleat") if under else ("foot", "shoe")
        wanted = {
            r"Lettered face to the (\w+), the other one to the (\w+)": (down, up),
            r"The face drawn left to the (\w+), the other one to the (\w+)": (up, down),
            r"Layer (\d+) to the (\w+), each arrow to the toes": ("1", down),
        }
        for said in re.findall(rf"\b{title} ([^{TICK}]*){TICK}", text):
            for words, right in wanted.items():
                for found in re.findall(words, said):
                    if found != right:
                        raise OutputError(
                            f"{file} lays {label} in the wrong way: {found[0]} to the {found[1]}"
                        )
        thick = str(
            ((told.pieces[label].wedge or {}) if label in told.pieces else {}).get("thick_side", "")
        )
        for page in cards:
            for box in page.places(title):
                _check_pictures(f"{file}: {label}", page, box, (f"{up} side", f"{down} side"))
                if thick:
                    outer = (thick == "big-toe side") == (side == "right")
                    _check_bars(f"{file}: {label}", page, box, outer=outer)


def _check_pictures(name: str, page: Page, title: Numbers, wanted: tuple[str, str]) -> None:
    """Look for the two names of faces under the pictures left of a title."""
    found: list[tuple[float, float, str]] = []
    for words in ("foot side", "shoe side", "cleat side"):
        for box in page.places(words):
            if 0.0 < title[0] - box[0] < PICTURES and 0.0 < title[1] - box[1] < DOWN:
                found.append((-float(box[1]), float(box[0]), words))
    if not found:
        return
    level = min(found)[0]
    row = [words for y, _, words in sorted(found, key=lambda one: one[1]) if y - level < 0.5]
    if len(row) == 2 and tuple(row) != wanted:
        raise OutputError(f"{name} is drawn with its {row[0]} left, not its {wanted[0]}")


def _check_bars(name: str, page: Page, title: Numbers, *, outer: bool) -> None:
    """Look for the marks of the thick edge: outside both pictures or between them."""
    bars = [
        line
        for line in page.lines
        if abs(np.ptp(line[:, 0]) - BAR) < 0.05
        and np.ptp(line[:, 1]) > 3.0
        and 0.0 < title[0] - line[:, 0].min() < PICTURES
        and title[1] - DOWN < line[:, 1].min()
        and line[:, 1].min() < title[3]
    ]
    if not bars:
        return
    top = max(float(bar[:, 1].max()) for bar in bars)
    middles = sorted(float(bar[:, 0].mean()) for bar in bars if top - float(bar[:, 1].max()) < 0.5)
    if len(middles) != 2 or (middles[1] - middles[0] > APART) != outer:
        raise OutputError(f"{name} has its thick edge marked on the thin side")


def check_layers(file: str, text: str, records: Mapping[str, Any]) -> None:
    """Hold sheet and number of each layer, as its caption says them, against the stack.

    Raises
    ------
    OutputError
        A layer is said of another sheet, at another place, or counted from above.
    """
    for label, record in records.items():
        if record["how"] != "layers":
            continue
        side, _, name = label.partition("-")
        sheets = [float(sheet) for sheet in record["sheets"]]
        for k, thick, material, place, count, way in re.findall(
            rf"\b{side.upper()} {name.replace('-', ' ')} layer (\d+) ([\d.]+) mm ([\w-]+), "
            r"(\d+) of (\d+) from (\w+)",
            text,
        ):
            right = (record["material"], str(int(k)), str(len(sheets)), "below")
            own = sheets[int(k) - 1] if 0 < int(k) <= len(sheets) else -1.0
            if (material, place, count, way) != right or abs(float(thick) - own) > 1e-3:
                raise OutputError(
                    f"{file}: layer {k} of {label} is said {thick} mm {material}, {place} of "
                    f"{count} from {way}; it is {own:g} mm {record['material']}, {k} of "
                    f"{len(sheets)} from below"
                )


def check_measures(file: str, text: str, told: Told) -> None:
    """Hold measures in columns against both feet, and what a shoe leaves of them.

    Raises
    ------
    OutputError
        RIGHT stands before LEFT, a value is not that foot's, or a difference has the wrong sign.
    """
    if len(told.feet) < 2:
        return
    left, right = (
        [
            float(q["value"])
            for q in (foot.get("measures") or {}).values()
            if q.get("value") is not None
        ]
        for foot in told.feet
    )
    for one, two in re.findall(rf"\b(left|right) (left|right) left {DASH} right", text, re.I):
        if (one.lower(), two.lower()) != ("left", "right"):
            raise OutputError(f"{file}: the columns of measures are headed {one} {two}")
    amount, unit = r"(\d+\.\d+) ± \d+\.\d+", r"(?: mm|°)?"
    both = rf"{amount}{unit} {amount}{unit} (?:alike|(?=[+{DASH}]?\d)([+{DASH}]?\d+\.\d+))"
    pairs = []
    for section in re.findall(rf"left {DASH} right(.*?)(?:{ENDS}|$)", text):
        for one, two, apart in re.findall(both, section):
            pairs.append((one, two))
            off = float(apart.replace(DASH, "-") or "nan") - float(one) + float(two)
            if abs(off) > 0.11:
                raise OutputError(f"{file}: {one} less {two} is said to be {apart}")
        larger = rf"{amount} mm {amount} mm [+{DASH}]?\d+\.\d+ ± \d+\.\d+ mm (left|right) larger"
        for one, two, side in re.findall(larger, section):
            if (float(one) > float(two)) != (side == "left"):
                raise OutputError(f"{file}: of {one} and {two} mm the {side} is said to be larger")
    signed = rf"([+{DASH}]?\d+\.\d+)"
    for size, one, over, two, more in re.findall(
        rf"(\d+\.\d+) {amount} {signed} {amount} {signed}", text
    ):
        pairs.append((one, two))
        for value, said in ((one, over), (two, more)):
            if abs(float(size) - float(value) - float(said.replace(DASH, "-"))) > 0.11:
                raise OutputError(f"{file}: {size} mm less {value} mm is said to be {said} mm")
    for one, two in pairs:
        for said, known, side in ((one, left, "LEFT"), (two, right, "RIGHT")):
            places = len(said.partition(".")[2])
            if not any(abs(float(said) - value) <= 0.5 * 10.0**-places + 1e-6 for value in known):
                raise OutputError(f"{file}: {said} is no measure of the {side} foot")
