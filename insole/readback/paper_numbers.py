"""Numbers that a paper gives for one foot, held against the plan: crests, wedges, cleat, thickness.

text of one foot + its plan as JSON -> check_numbers, check_thickness -> or which figure is wrong
"""

from __future__ import annotations

import re
from typing import Any

from insole.errors import OutputError
from insole.readback.told import Told

__all__ = [
    "TENTH",
    "WHOLE",
    "check_numbers",
    "check_spots",
    "check_thickness",
    "crest_of",
    "tender_of",
]

TENTH, WHOLE = 0.0501, 0.501  # mm: figures with one decimal, and with none
MADE = 0.3  # mm between a thick edge as made and as planned
WEDGE = re.compile(
    r"(inside forefoot|inside heel|under the shoe):? ([\d.]+)° (varus|valgus),? "
    r"thick on (?:the )?(big|little)-toe side(?:[:;,]? ([\d.]+) mm)?",
    re.IGNORECASE,
)
# height, from the rear, from the medial edge; with how near each must be
CREST = (
    (r"()[Cc]rest ([\d.]+) from rear, ([\d.]+) mm from big-toe edge", TENTH),
    (
        r"([\d.]+) mm high at its crest, ([\d.]+) mm from the base's rear edge and ([\d.]+) mm "
        r"from "
        r"its medial edge",
        TENTH,
    ),
    (
        r"([\d.]+) mm thick at the crest, ([\d.]+) mm from the rear edge and ([\d.]+) mm from the "
        r"base's medial edge",
        TENTH,
    ),
    (
        r"Pad crest, ([\d.]+) mm high .{0,80}?; ([\d.]+) mm from rear edge, ([\d.]+) mm from "
        r"medial",
        TENTH,
    ),
    (
        r"(?:length|quarter), ([\d.]+) mm at its crest ([\d.]+) mm from rear edge, "
        r"([\d.]+) mm from the base",
        TENTH,
    ),
    (r"crest \+: ([\d.]+) mm high, ([\d.]+) mm from rear()", WHOLE),
)


def crest_of(foot: dict[str, Any]) -> dict[str, Any] | None:
    """Return the crest of a foot's support, pad or contoured bed, as its plan has it."""
    found = (foot.get("contour") or foot.get("pad") or {}).get("crest")
    return dict(found) if found else None


def _crests(foot: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the crest of the support, then that of a metatarsal pad."""
    dome = (foot.get("metatarsal") or {}).get("crest")
    return [dict(crest) for crest in (crest_of(foot), dome) if crest]


def _off_crest(said: tuple[str, str, str], crest: dict[str, Any], within: float) -> str:
    """Return the first figure of a crest that is not the plan's, in words; nothing when all are."""
    high, rear, medial = said
    figures = (
        (high, crest["height"], "high", TENTH),
        (rear, crest["from_rear"], "from the rear edge", within),
        (medial, crest["from_medial"], "from the medial edge", within),
    )
    return next(
        (
            f"{text} mm {words}, the plan says {float(wanted):.1f} mm"
            for text, wanted, words, off in figures
            if not _near(text, float(wanted), off)
        ),
        "",
    )


def _near(said: str, wanted: float, within: float) -> bool:
    return not said or abs(float(said.rstrip(".")) - wanted) <= within


def check_numbers(file: str, text: str, foot: dict[str, Any], *, needed: bool = True) -> None:
    """Hold every crest, wedge and cleat that a text gives for a foot against the plan."""
    side = str(foot["side"]).upper()
    crest, known, seen = crest_of(foot), _crests(foot), 0
    for pattern, within in CREST:
        for said in re.findall(pattern, text):
            if not known:
                raise OutputError(f"{file} gives the {side} foot a crest, the plan gives none")
            off = [_off_crest(said, one, within) for one in known]
            if all(off):
                raise OutputError(f"{file}: the crest of the {side} foot is said {off[0]}")
            seen += not off[0]
    if crest is not None and not seen and needed:
        raise OutputError(f"{file} does not say where the crest of the {side} foot is")
    _check_wedges(file, text, foot, needed=needed)
    _check_stations(file, text, foot)
    _check_cleat(file, text, foot)


def _check_wedges(file: str, text: str, foot: dict[str, Any], *, needed: bool) -> None:
    side = str(foot["side"]).upper()
    wedges = {w["place"]: w for w in foot.get("wedges") or ()}
    built_in = {w["place"]: w for w in (foot.get("contour") or {}).get("posting") or ()}
    seen = set()
    for place, angle, kind, thick, edge in WEDGE.findall(text):
        wedge = wedges.get(place.lower()) or built_in.get(place.lower())
        if wedge is None:
            raise OutputError(f"{file} gives the {side} foot a wedge {place}, the plan gives none")
        seen.add(place.lower())
        net = float(wedge["net"])
        wanted = f"{abs(net):g}° {'varus' if net > 0 else 'valgus'}"
        if f"{float(angle):g}° {kind.lower()}" != wanted:
            raise OutputError(
                f"{file}: {side} {place} is said {angle}° {kind}, the plan says {wanted}"
            )
        if not str(wedge["thick_side"]).startswith(thick.lower()):
            raise OutputError(
                f"{file}: {side} {place} is said thick on the {thick}-toe side, the "
                f"plan says the {wedge['thick_side']}"
            )
        if not _near(edge, float(wedge["thick_edge"]), MADE + TENTH):
            raise OutputError(
                f"{file}: {side} {place} is said {edge} mm thick, the plan says "
                f"{float(wedge['thick_edge']):.1f} mm"
            )
    if needed and (missing := sorted(wedges.keys() - seen)):
        raise OutputError(f"{file} does not say angle and thick side of the {side} {missing[0]}")


def _check_stations(file: str, text: str, foot: dict[str, Any]) -> None:
    """Hold where shims run and pads end against the plan, along the foot from the rear edge."""
    side, pad = str(foot["side"]).upper(), foot.get("pad")
    full = [(float(w["full_from"]), float(w["full_to"])) for w in foot.get("wedges") or ()]
    ends = [_ends(wedge) for wedge in foot.get("wedges") or ()]
    for said in re.findall(r"full(?: height)? ([\d.]+)–([\d.]+) mm from (?:the )?rear", text):
        if not any(_both_near(said, pair, WHOLE) for pair in full):
            raise OutputError(
                f"{file}: no shim of the {side} foot is full from {said[0]} to {said[1]} mm"
            )
    built_in = (foot.get("contour") or {}).get("posting") or ()
    left = [float(wedge["remainder"]) for wedge in (*(foot.get("wedges") or ()), *built_in)]
    for angle, kind in re.findall(r"([\d.]+)° (varus|valgus) not made", text):
        rest = float(angle) * (1.0 if kind == "varus" else -1.0)
        if all(abs(rest - one) > 0.006 for one in left):
            raise OutputError(f"{file}: {angle}° {kind} of the {side} foot is said not made")
    for said in re.findall(r"Part ([\d.]+)–([\d.]+), full height", text):
        if not any(_both_near(said, pair, WHOLE) for pair in ends):
            raise OutputError(f"{file}: no shim of the {side} foot lies {said[0]} to {said[1]} mm")
    if pad is None:
        return
    edges = (float(pad["rear_edge"]), float(pad["front_edge"]))
    said_ends = re.findall(r"(?:[Ee]nds|edges end at) ([\d.]+) and ([\d.]+) mm", text)
    for said in said_ends:
        if not _both_near(said, edges, TENTH):
            raise OutputError(
                f"{file}: the {side} pad is said to end at {said[0]} and {said[1]} mm"
            )
    for word, edge in zip(("rear", "front"), edges, strict=True):
        for one in re.findall(rf"Pad, {word} edge ([\d.]+) mm from rear", text):
            if abs(float(one) - edge) > TENTH:
                raise OutputError(f"{file}: the {word} edge of the {side} pad is said at {one} mm")


def _ends(wedge: dict[str, Any]) -> tuple[float, float]:
    x = [float(point[0]) for point in wedge["outline"]]
    return min(x), max(x)


def _both_near(said: tuple[str, str], pair: tuple[float, float], within: float) -> bool:
    return all(abs(float(one) - two) <= within for one, two in zip(said, pair, strict=True))


def _check_cleat(file: str, text: str, foot: dict[str, Any]) -> None:
    cleat, side = foot.get("cleat"), str(foot["side"]).upper()
    for said, way in re.findall(r"Move ([\d.]+) mm (back|forward)", text):
        moved = float((cleat or {}).get("back") or 0.0)
        if abs(float(said) * (1.0 if way == "back" else -1.0) - moved) > TENTH:
            raise OutputError(f"{file}: the {side} cleat is said to move {said} mm {way}")
    for head, key in (("MTH1|the joint of the big toe", "from_ball_mark"), ("MTH5", "from_mth5")):
        for said, way in re.findall(rf"([\d.]+) mm (behind|ahead of) (?:{head})", text):
            if cleat is None:
                raise OutputError(f"{file} gives the {side} foot a cleat, the plan gives none")
            value = float(said) * (-1.0 if way == "behind" else 1.0)
            if abs(value - float(cleat[key])) > TENTH:
                raise OutputError(
                    f"{file}: the {side} cleat is said {said} mm {way} {head.split('|')[0]}, the "
                    f"plan says {abs(float(cleat[key])):.1f} mm "
                    f"{'behind' if cleat[key] < 0 else 'ahead'}"
                )


def check_thickness(file: str, text: str, foot: dict[str, Any]) -> None:
    """Hold the rows of thickness on the bench page against the plan's stations."""
    rows = {row["station"]: row for row in foot.get("thickness") or ()}
    order = [rows.get(station) for station in ("heel", "arch", "ball", "toes")]
    if any(row is None for row in order):
        return
    for words, key in (("before", "before"), ("after", "after"), ("middle", "after")):
        for figures in re.findall(rf"\b{words}((?: [\d.]+){{4}})", text):
            for said, row in zip(figures.split(), order, strict=True):
                wanted = (row or {}).get(key)
                if wanted is not None and abs(float(said) - float(wanted)) > TENTH:
                    raise OutputError(
                        f"{file}: thickness of the {str(foot['side']).upper()} "
                        f"{(row or {})['station']} is said {said} mm {key}, the plan says "
                        f"{float(wanted):.1f} mm"
                    )
    for words, key in (
        (r"big-toe side((?: \d+\.\d){1,4}) middle", "medial"),
        (r"middle(?: [\d.–]+){1,4} little-toe side((?: \d+\.\d){1,4})", "lateral"),
    ):
        for figures in re.findall(words, text):
            rest = iter(float((row or {}).get(key) or -1.0) for row in order)
            for said in figures.split():  # in the order of the stations, some of them left out
                if not any(abs(float(said) - one) <= TENTH for one in rest):
                    raise OutputError(
                        f"{file}: {said} mm is not the {str(foot['side']).upper()} foot's "
                        f"thickness on that side of the bed"
                    )


def tender_of(told: Told, side: str) -> list[list[float]]:
    """Return the tender spots that were wished for a foot, or for both."""
    wishes = told.plan.get("wishes") or {}
    own = [(wishes.get(whose) or {}).get("tender") for whose in (side, "both")]
    return next((spots for spots in own if spots), [])


def check_spots(file: str, text: str, foot: dict[str, Any], spots: list[list[float]]) -> None:
    """Hold tender spots and the holes for dowels against the plan: along, and to which side.

    ``spots`` are the foot's tender ones, (x, y) mm in its base frame. Bench page and template
    have each their own words for them.
    """
    side = str(foot["side"]).upper()
    known = [tuple(float(v) for v in spot[:2]) for spot in spots]
    for x, across in re.findall(
        r"Tender spot:? ([\d.]+) mm from rear(?: edge)?, "
        r"(on the centreline|[\d.]+ mm towards (?:the )?(?:big|little))",
        text,
    ):
        far = 0.0 if across.startswith("on") else float(across.split()[0])
        y = -far if across.endswith("little") else far
        if not any(abs(float(x) - a) <= TENTH and abs(y - b) <= TENTH for a, b in known):
            raise OutputError(f"{file}: the {side} foot has no tender spot {across} at {x} mm")
    holes = [(float(x), float(y)) for x, y in (foot.get("base") or {}).get("dowels") or ()]
    for places in re.findall(r"Dowels: drill [\d.]+ mm at (.+?) \(mm from rear", text):
        said = re.findall(r"([\d.]+)/([\d.]+)( little-toe)?", places)
        _check_drilled(f"{file}: the {side} foot's dowels are drilled at {places}", said, holes)
    for places in re.findall(r"Dowels, drill [\d.]+ mm (.+?) \(mm\)", text):
        said = re.findall(r"\d: ([\d.]+) from rear, ([\d.]+) to (big|little)", places)
        said = [(x, y, "little" if way == "little" else "") for x, y, way in said]
        _check_drilled(f"{file}: the {side} foot's dowels are drilled at {places}", said, holes)


def _check_drilled(
    words: str, said: list[tuple[str, str, str]], holes: list[tuple[float, float]]
) -> None:
    """Refuse places other than the plan's, or in another order; each along, across, "" or side."""
    drilled = [(x, f"-{y}" if little else y) for x, y, little in said]
    pairs = zip(drilled, holes, strict=False)
    if len(drilled) != len(holes) or not all(_both_near(a, b, TENTH) for a, b in pairs):
        raise OutputError(words)
