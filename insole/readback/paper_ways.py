"""Ways and amounts that a paper says of one foot, held against its plan, wherever they stand.

text of one foot + its plan as JSON -> nose, turn, fill, saddle, heights, wedges in sentences
text of a bench page + its plan -> bolts by their places, whose shim goes in at which step
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from insole.errors import OutputError
from insole.readback.told import Told

__all__ = ["check_bolts", "check_ways", "check_whose"]

TENTH, WHOLE = 0.0501, 0.501  # figures with one decimal, and with none
MADE = 0.3  # mm between an edge as made and as planned
UNCUT = 0.4  # mm that a bolt may be longer without being cut
MORE = 8.0  # mm that a bolt which held by too few turns may be longer
BOLT = 0.12  # mm between a shim at a hole as said and its height there
NUMBER = r"(\d+(?:\.\d+)?)"
SPREAD = r"(?: ± \d+(?:\.\d+)?)?"
SIGNED = rf"{NUMBER}°(?: (varus|valgus))?"
TILTS = ("wish", "cant_kept", "remainder")
SADDLE = rf"Saddle(?:: {NUMBER}{SPREAD}| {NUMBER} ± \d+(?:\.\d+)?) mm (up|down)"
WHERE = {
    "under the heel": "inside heel",
    "under the ball of the foot": "inside forefoot",
    "between shoe and cleat": "under the shoe",
}
UNDER = "under the shoe"
PLACES = ("inside forefoot", "inside heel", UNDER)


def check_ways(file: str, text: str, foot: dict[str, Any]) -> None:
    """Hold ways and amounts in the text of one foot against the plan.

    Raises
    ------
    OutputError
        A nose or a pad turns the other way, a saddle goes the other way, a height, a width or a
        share is not the plan's; the sentence says which.
    """
    name = f"{file}: the {str(foot['side']).upper()}"
    _check_turns(name, text, foot)
    _check_support(name, text, foot)
    _check_wedges(name, text, foot)
    apex, spread = foot["landmarks"].get("arch_apex"), foot.get("landmark_sd") or {}
    for x in re.findall(rf"Arch apex ◇ {NUMBER}{SPREAD} mm from the rear", text):
        _any(f"{name} apex of the arch is said at {x} mm", x, [apex[0]] if apex else [], WHOLE)
    for x in re.findall(rf"MTH1 ± {NUMBER} mm: feel", text):
        known = [float(spread[key]) for key in ("mth1",) if key in spread]
        _any(f"{name} joint is said to be known to {x} mm", x, known, TENTH)
    for x in re.findall(rf"\bBase {NUMBER} mm(?: thick, under|, )", text):
        _any(f"{name} base is said {x} mm thick", x, [foot["base"]["thickness"]], TENTH)


def _any(sentence: str, said: str, known: Iterable[Any], within: float) -> None:
    """Refuse with a sentence what none of the known values is."""
    values = [float(value) for value in known]
    if not any(abs(float(said) - value) <= within for value in values):
        wanted = ", ".join(f"{value:.1f}" for value in values)
        raise OutputError(f"{sentence}, the plan says {wanted}" if wanted else sentence)


def _check_turns(name: str, text: str, foot: dict[str, Any]) -> None:
    """Hold the turns of cleat and pads, big toe positive, and the way of the saddle."""
    cleat = foot.get("cleat") or {}
    turns = [(foot.get(part) or {}).get("turn") for part in ("pad", "metatarsal")]
    for words, what, known in (
        (rf"[Nn]ose {NUMBER}° to (?:the )?(big|little)-toe", "nose", [cleat.get("yaw")]),
        (rf"[Tt]urn {NUMBER}°, front to the (big|little) toe", "pad", turns),
    ):
        for said, way in re.findall(words, text):
            turned = f"{'-' if way == 'little' else ''}{said}"
            values = [value for value in known if value is not None]
            _any(f"{name} {what} is said to turn {said}° to the {way} toe", turned, values, TENTH)
    for said in re.findall(rf"midline; float {NUMBER}°", text):
        known = [cleat["float_range"]] if cleat.get("float_range") is not None else []
        _any(f"{name} cleat is said to float {said}°", said, known, TENTH)
    saddle = (foot.get("saddle_change") or {}).get("value")
    for stated, own, way in re.findall(SADDLE, text):
        said = stated or own
        moved = f"{'-' if way == 'down' else ''}{said}"
        values = [] if saddle is None else [saddle]
        _any(f"{name} foot's saddle is said to go {said} mm {way}", moved, values, TENTH)


def _check_support(name: str, text: str, foot: dict[str, Any]) -> None:
    """Hold height, share of the gap and what stays open, of a pad or a contoured bed."""
    pad = foot.get("pad") or foot.get("contour")
    heights = [float(one["crest"]["height"]) for one in (pad, foot.get("metatarsal")) if one]
    for said in (
        *re.findall(rf"{NUMBER} mm high at its crest\.", text),
        *re.findall(rf"(?:\d|\)): {NUMBER} mm high(?:, trial height ± \d+ mm)? Crest", text),
    ):
        _any(f"{name} support is said {said} mm high", said, heights, TENTH)
    for gap, left in re.findall(
        rf"gap of {NUMBER}{SPREAD} mm; left open at the crest: {NUMBER}{SPREAD} mm", text
    ):
        for said, key in ((gap, "gap_at_crest"), (left, "residual_gap")):
            known = [((pad or {}).get(key) or {}).get("value")]
            known = [value for value in known if value is not None]
            _any(f"{name} gap under the arch is said {said} mm", said, known, TENTH)
    found = re.findall(
        rf"[Ff]ills {NUMBER} %(?:,| of the room under the arch there;) {NUMBER}{SPREAD} mm"
        r" (?:left|stay) open",
        text,
    )
    for share, left in found:
        gap = ((pad or {}).get("gap_at_crest") or {}).get("value")
        rest = ((pad or {}).get("residual_gap") or {}).get("value")
        if gap is None or rest is None:
            raise OutputError(f"{name} gap under the arch is said and not planned")
        _any(f"{name} support is said to leave {left} mm open", left, [rest], TENTH)
        filled = [100 * (gap - rest) / gap, 100 * heights[0] / gap]
        _any(f"{name} support is said to fill {share} % of the gap", share, filled, WHOLE)


def _check_wedges(name: str, text: str, foot: dict[str, Any]) -> None:
    """Hold sentences on wedges: where, how many degrees, thick side, edges, width."""
    built_in = (foot.get("contour") or {}).get("posting") or ()
    wedges = [*(foot.get("wedges") or ()), *built_in]
    for where, angle, thick, side in re.findall(
        rf"Wedge ({'|'.join(WHERE)})(?:, built into the bed)?, {NUMBER}°: {NUMBER} mm thick at the"
        r" (big|little)-toe side",
        text,
    ):
        own = [wedge for wedge in wedges if wedge["place"] == WHERE[where]]
        if not any(
            abs(abs(float(wedge["net"])) - float(angle)) < 1e-6
            and abs(float(wedge["thick_edge"]) - float(thick)) <= TENTH
            and str(wedge["thick_side"]).startswith(side)
            for wedge in own
        ):
            raise OutputError(
                f"{name} foot has no wedge {where} of {angle}°, {thick} mm thick at the "
                f"{side}-toe side"
            )
    edges, widths = ([float(wedge[key]) for wedge in wedges] for key in ("edge", "width"))
    for said in re.findall(rf"[Tt]hin edge {NUMBER} mm;", text):
        _any(f"{name} shim is said {said} mm at its thin edge", said, edges, MADE + TENTH)
    for said in re.findall(rf"(?:;|at the thin one,) {NUMBER} mm wide", text):
        _any(f"{name} shim is said {said} mm wide", said, widths, WHOLE)
    for thick, thin in re.findall(
        rf"{NUMBER} mm (?:at the thick edge|there), {NUMBER} mm at the thin (?:one|edge)", text
    ):
        if not any(
            abs(float(thick) - float(wedge["thick_edge"])) <= TENTH
            and abs(float(thin) - float(wedge["edge"])) <= TENTH
            for wedge in wedges
        ):
            raise OutputError(f"{name} foot has no shim of {thick} mm and {thin} mm at its edges")

    tapers = [(float(wedge["taper_rear"]), float(wedge["taper_front"])) for wedge in wedges]
    for first, way, second in re.findall(
        rf"taper {NUMBER} mm (back|front)(?:, {NUMBER} mm front)?", text
    ):
        said = (float(first), float(second or 0.0)) if way == "back" else (0.0, float(first))
        if not any(max(abs(a - b) for a, b in zip(said, one, strict=True)) < 1 for one in tapers):
            raise OutputError(f"{name} foot has no shim that tapers {said[0]} and {said[1]} mm")
    for found in re.findall(
        rf"Wish {SIGNED}, the shoe keeps {SIGNED}(?:, {SIGNED} left by)?", text
    ):
        said = [_degrees(*found[k : k + 2]) for k in (0, 2, 4)]
        if not any(
            max(abs(a - float(wedge[key] or 0.0)) for a, key in zip(said, TILTS, strict=True))
            < 0.06
            for wedge in wedges
        ):
            raise OutputError(f"{name} foot has no wedge wished {found[0]}° {found[1]}".rstrip())


def _degrees(said: str, kind: str) -> float:
    """Return degrees with their sign: + is varus."""
    return float(said or 0.0) * (-1.0 if kind == "valgus" else 1.0)


def check_bolts(file: str, text: str, side: str, told: Told) -> None:
    """Hold the bolts of a shim under the shoe: where each is, the shim there, what is cut off.

    Raises
    ------
    OutputError
        A bolt's shim is not as thick as planned at its hole, or its lengths do not add up.
    """
    piece = told.pieces.get(f"{side}-under-shoe-shim")
    if piece is None or piece.height is None or not piece.holes:
        return
    x, y = np.array(piece.holes, dtype=float).T
    across = y - piece.shape.centroid.y if len(y) < 2 else y - (y.min() + y.max()) / 2
    middle = (x.min() + x.max()) / 2
    thick = piece.height(x, y)
    turns = ((told.plan.get("shoe") or {}).get("cleat") or {}).get("engagement")
    row = rf"(front|rear)(?:, (big|little)-toe side)? {NUMBER} {NUMBER} {NUMBER} {NUMBER}"
    for end, way, old, shim, needs, bought, cut in re.findall(rf"{row}(?:, cut {NUMBER})?", text):
        own = [
            float(z)
            for z, a, b in zip(thick, x, across, strict=True)
            if (a > middle) == (end == "front")
            and (abs(b) < 1.0 if not way else (b > 0) == (way == "big"))
        ]
        place = f"{file}: the {side.upper()} shim at the {end} bolt"
        _any(f"{place} is said {shim} mm", shim, own, BOLT)
        more = float(needs) - float(old) - float(shim)  # too few turns before ask for more
        if not -2 * TENTH <= more <= (2 * TENTH if turns is None else MORE):
            raise OutputError(f"{place}: {old} mm and {shim} mm are not {needs} mm")
        over = float(bought) - float(cut or 0.0) - float(needs)
        if not -2 * TENTH <= over <= (2 * TENTH if cut else UNCUT):
            raise OutputError(f"{place}: {bought} mm less {cut or 0} mm are not {needs} mm")


def check_whose(file: str, text: str, feet: Sequence[dict[str, Any]]) -> None:
    """Hold the steps of a bench page: whose shim goes in, and a saddle's way.

    Raises
    ------
    OutputError
        A step puts in a shim that the foot it names has not, or moves the saddle as no foot asks.
    """
    places = {
        str(foot["side"]).upper(): {wedge["place"] for wedge in foot.get("wedges") or ()}
        for foot in feet
    }
    both = "LEFT and RIGHT|LEFT|RIGHT"
    for head, step in re.findall(rf"\d[ab]? wedge(?: ({both}))?: ([^☐]*)", text):
        for sides, place in re.findall(rf"\b({both}) ({'|'.join(PLACES)})", step):
            for side in sides.split(" and "):
                if side not in (head or both) or place not in places.get(side, set()):
                    raise OutputError(f"{file} puts a shim {place} into the {side} shoe")
    moves = re.findall(rf"Saddle {NUMBER} mm (up|down)", text.partition("Order of work")[2])
    asked = [(foot.get("saddle_change") or {}).get("value") for foot in feet]
    known = [float(value) for value in asked if value is not None]
    if not moves or not known:
        return
    one = min(known, key=abs) if min(known) * max(known) > 0 else 0.0  # one saddle for both legs
    total = sum(float(said) * (1.0 if way == "up" else -1.0) for said, way in moves)
    if abs(total - one) > TENTH * len(moves):
        raise OutputError(f"{file}: the saddle's moves come to {total:+.1f} mm, not {one:+.1f} mm")
