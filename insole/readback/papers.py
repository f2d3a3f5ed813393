"""Papers held against the plan: which foot on which page and half, numbers, outlines, rulers.

    PDF -> text by halves, lines in mm -> sides, heights, angles, thick edges of the plan

On papers with two feet the left foot has the left half, and what is said there is held against
the left foot's plan; a template has one foot a page, and its outline is laid on the plan's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from insole.errors import OutputError
from insole.readback.pages import Numbers, Page, read_pages
from insole.readback.told import Piece, Told, mirrored, plain

__all__ = ["check_gauges", "check_pair_paper", "check_pieces", "check_template"]

TENTH, WHOLE = 0.0501, 0.501  # mm: figures with one decimal, and with none
MADE = 0.3  # mm between a thick edge as made and as planned
ROW = 1.0  # mm between the feet of words in one row
LONG = 100.0  # mm, of a check ruler
EXACT = 0.05  # mm of its length and ticks
NOTCH = 90.0  # mm2 that the notch, with the trim allowance in it, may take away
OUTLINE = 0.15  # mm that an outline may stray, as mean over its points
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


def _crest(foot: dict[str, Any]) -> dict[str, Any] | None:
    found = (foot.get("contour") or foot.get("pad") or {}).get("crest")
    return dict(found) if found else None


def _crests(foot: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the crest of the support, then that of a metatarsal pad."""
    dome = (foot.get("metatarsal") or {}).get("crest")
    return [dict(crest) for crest in (_crest(foot), dome) if crest]


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


# ------------------------------------------------------------------ numbers of one foot


def _check_numbers(file: str, text: str, foot: dict[str, Any], *, needed: bool = True) -> None:
    """Hold every crest, wedge and cleat that a text gives for a foot against the plan."""
    side = str(foot["side"]).upper()
    crest, known, seen = _crest(foot), _crests(foot), 0
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


def _check_cleat(file: str, text: str, foot: dict[str, Any]) -> None:
    cleat, side = foot.get("cleat"), str(foot["side"]).upper()
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


def _check_thickness(file: str, text: str, foot: dict[str, Any]) -> None:
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


# ------------------------------------------------------------------ papers with both feet


def check_pair_paper(path: Path, told: Told, seal: str) -> None:
    """Hold the bench page, report or plan page against the plan, foot by foot.

    Raises
    ------
    OutputError
        A foot stands in the other's half, or something said of it is not the plan's.
    """
    pages = read_pages(path)
    whole = " ".join(page.text for page in pages)
    words = f"plan {told.plan['version']}"
    if plain(told.case) not in plain(pages[0].text) or seal not in whole:
        raise OutputError(f"{path.name} does not name the case {told.case} and the plan {seal}")
    if path.name.startswith("bench") and words not in pages[0].text:
        raise OutputError(f"{path.name} does not say {words}")
    for page in pages:
        _check_halves(path.name, page, told)
    if len(told.feet) == 1:
        texts = {str(told.feet[0]["side"]): whole}
    else:
        texts = {s: " ".join(page.half(s) for page in pages) for s in ("left", "right")}
    heads = {word for page in pages for word, _ in page.heads()}
    if len(told.feet) == 2 and heads != {"LEFT", "RIGHT"}:
        raise OutputError(f"{path.name} does not head its halves LEFT and RIGHT")
    for foot in told.feet:
        text = texts[str(foot["side"])]
        _check_numbers(path.name, text, foot, needed=not path.name.startswith("report"))
        if path.name.startswith("bench"):
            _check_thickness(path.name, text, foot)


def _check_halves(file: str, page: Page, told: Told) -> None:
    """Refuse a page where RIGHT stands left of LEFT in one row, or a header in the wrong half."""
    if len(told.feet) < 2:
        return
    heads = page.heads()
    for word, box in heads:
        for other, beside in heads:
            if (word, other) == ("LEFT", "RIGHT") and abs(box[1] - beside[1]) < ROW:
                if beside[0] < box[0]:
                    raise OutputError(f"{file}, page {page.number}: RIGHT stands left of LEFT")


# ------------------------------------------------------------------ template


def check_template(path: Path, told: Told) -> None:
    """Hold the 1:1 template against the plan, page by page.

    Raises
    ------
    OutputError
        A page names the other foot or face, its outline is mirrored or not at full size, the
        thick edge stands on the thin side, a figure is not the plan's, a ruler is off.
    """
    said: dict[str, str] = {}
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        side, face = _one_side(name, page, told)
        _check_rulers(name, page, both=True)
        _check_outline(name, page, side, face, told)
        if face == "foot":
            said[side] = f"{said.get(side, '')} {page.text}"
            _check_thick_edges(name, page, side, told)
    for foot in told.feet:
        side = str(foot["side"])
        if side not in said:
            raise OutputError(f"{path.name} has no page for the {side} foot seen from above")
        _check_numbers(path.name, said[side], foot)
        marks = foot["landmarks"]
        for one, five in re.findall(r"MTH1 (\d+) mm, MTH5 (\d+) mm from rear edge", said[side]):
            off = (float(one) - marks["mth1"][0], float(five) - marks["mth5"][0])
            if max(map(abs, off)) > WHOLE:
                raise OutputError(
                    f"{path.name}: the ball line of the {side} foot is not the plan's"
                )


def _one_side(name: str, page: Page, told: Told) -> tuple[str, str]:
    """Return side and face of a page that shows one foot; the other's words must not be on it."""
    words = told.says(page.text)
    sides = [side for side in ("left", "right") if side.upper() in words]
    if len(sides) != 1 or told.plan.get(sides[0]) is None:
        raise OutputError(f"{name} names {' and '.join(s.upper() for s in sides) or 'no foot'}")
    text = " ".join(words)
    faces = [
        face
        for face, seen in (("foot", "ABOVE"), ("shoe", "BELOW"))
        if f"SEEN FROM {seen} {face.upper()} SIDE UP" in text
    ]
    if len(faces) != 1:
        raise OutputError(f"{name} does not say from which side it is seen")
    away = "SHOE SIDE UP" if faces[0] == "foot" else "FOOT SIDE UP"
    if away in text:
        raise OutputError(f"{name} also says {away}")
    if plain(told.case) not in plain(page.text):
        raise OutputError(f"{name} does not name the case {told.case}")
    return sides[0], faces[0]


def _at_full_size(page: Page, ring: Numbers, least: int) -> list[Numbers]:
    """Return the lines of a page, of more than `least` points, that are as large as a ring."""
    size = np.ptp(ring, axis=0)[::-1]
    return [
        line
        for line in page.lines
        if len(line) > least and np.abs(np.ptp(line, axis=0) - size).max() < 0.6
    ]


def _check_outline(name: str, page: Page, side: str, face: str, told: Told) -> None:
    """Lay the plan's outline on the page; refuse another size or its mirror image."""
    hand = mirrored(side) * (1.0 if face == "foot" else -1.0)
    piece = told.wholes.get(side)
    if piece is None:
        return
    ring = np.array(piece.outline, dtype=float)
    found = _at_full_size(page, ring, 40)
    if not found:
        raise OutputError(f"{name}: the outline of the {side} {piece.name} is not at full size")
    best = [min(_apart(line, ring, way * hand) for line in found) for way in (1.0, -1.0)]
    if best[0] > OUTLINE:
        words = "is the mirror image of" if best[1] < best[0] else "is not"
        raise OutputError(f"{name}: the outline of the {side} {piece.name} {words} the plan's")


def _apart(line: Numbers, ring: Numbers, hand: float) -> float:
    """Return how far most points of a line lie from a ring laid on its box, mm."""
    laid = np.column_stack([-hand * ring[:, 1], ring[:, 0]])
    laid += (line.min(axis=0) + line.max(axis=0) - laid.min(axis=0) - laid.max(axis=0)) / 2
    away = shapely.distance(shapely.LinearRing(laid), shapely.points(line))
    return float(np.sort(away)[: max(int(0.9 * len(away)), 1)].mean())  # the notch aside


def _check_thick_edges(name: str, page: Page, side: str, told: Told) -> None:
    """Refuse THICK EDGE on the thin side, by its place on the page, and another height."""
    shims = [p for p in told.pieces.values() if p.side == side and p.wedge is not None]
    axis = _axis(page, side, told)
    heights = [float(h) for h in re.findall(r"THICK EDGE ([\d.]+) mm", page.text)]
    boxes = page.places("THICK EDGE")
    for box, height in zip(boxes, heights, strict=False):
        fit = [p for p in shims if abs(float((p.wedge or {})["thick_edge"]) - height) < TENTH]
        if not fit:
            raise OutputError(f"{name}: no shim of the {side} foot has a thick edge of {height} mm")
        medial = (box[0] + box[2]) / 2 < axis if side == "right" else (box[0] + box[2]) / 2 > axis
        if all((float((p.wedge or {})["net"]) > 0) != medial for p in fit):
            raise OutputError(f"{name}: THICK EDGE {height} mm stands on the thin side")


def _axis(page: Page, side: str, told: Told) -> float:
    """Return where the bed's centreline lies on the page, mm from its left edge."""
    piece = told.wholes[side]
    ring = np.array(piece.outline, dtype=float)
    size, hand = np.ptp(ring, axis=0)[::-1], mirrored(side)
    for line in page.lines:
        if len(line) > 40 and np.abs(np.ptp(line, axis=0) - size).max() < 0.6:
            middle = -hand * (ring[:, 1].min() + ring[:, 1].max()) / 2
            return float((line[:, 0].min() + line[:, 0].max()) / 2 - middle)
    return page.wide / 2


# ------------------------------------------------------------------ rulers, gauges


def _rulers(page: Page) -> Iterator[int]:
    """Yield the direction of each ruler: 0 across, 1 along; with a tick each 10 mm."""
    straight = np.array([line for line in page.lines if len(line) == 2]).reshape(-1, 2, 2)
    span = np.abs(straight[:, 1] - straight[:, 0])
    for axis in (0, 1):
        long = straight[(np.abs(span[:, axis] - LONG) < EXACT) & (span[:, 1 - axis] < EXACT)]
        cross = straight[(span[:, axis] < EXACT) & (span[:, 1 - axis] < 12.0)]
        for line in long:
            start, level = line[:, axis].min(), line[0, 1 - axis]
            ends = cross[:, :, 1 - axis]
            near = (ends.min(axis=1) < level + EXACT) & (ends.max(axis=1) > level - EXACT)
            at = np.sort(cross[near][:, 0, axis] - start)
            at = at[(at > -0.5) & (at < LONG + 0.5)]
            fives = np.round(at / 5.0)
            even = np.abs(at - 5.0 * fives).max(initial=0.0) < EXACT
            if even and set(range(0, 21, 2)) <= set(fives.astype(int).tolist()):
                yield axis


def _check_rulers(name: str, page: Page, *, both: bool) -> None:
    found = set(_rulers(page))
    if 0 not in found or (both and 1 not in found):
        way = "across" if 0 not in found else "along"
        raise OutputError(f"{name}: no ruler of 100 mm with a tick each 10 mm {way} the page")


def check_gauges(path: Path, told: Told, seal: str) -> None:
    """Hold the section gauges against the plan: one foot a page, its big toe on its side, heights.

    Raises
    ------
    OutputError
        A page names two feet or none, or shows a section from the wrong side.
    """
    seen = []
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        words = told.says(page.text)
        sides = [side for side in ("left", "right") if side.upper() in words]
        if len(sides) != 1 or told.plan.get(sides[0]) is None:
            raise OutputError(f"{name} names {' and '.join(s.upper() for s in sides) or 'no foot'}")
        if seal not in page.text or plain(told.case) not in plain(page.text):
            raise OutputError(f"{name} does not name the case {told.case} and the plan {seal}")
        _check_rulers(name, page, both=False)
        _check_sections(name, page, told.plan[sides[0]])
        seen.append(sides[0])
    wanted = [str(foot["side"]) for foot in told.feet if _crest(foot)]
    if seen != wanted:
        raise OutputError(f"{path.name} has pages for {', '.join(seen)}, not {', '.join(wanted)}")


def check_pieces(path: Path, told: Told, seal: str) -> None:
    """Hold the pieces at full size against the plan: one foot a page, seen from above, outlines.

    Raises
    ------
    OutputError
        A page names the other foot or face, or a part on it is mirrored or not at full size.
    """
    for page in read_pages(path):
        name = f"{path.name}, page {page.number}"
        side, face = _one_side(name, page, told)
        if face != "foot" or seal not in page.text:
            raise OutputError(f"{name} is not of the plan {seal}, seen from above")
        _check_rulers(name, page, both=False)
        words = told.says(page.text)
        for piece in told.pieces.values():
            whole = f" {plain(piece.label)} " in f" {' '.join(words)} "
            layer = f" {plain(piece.label)} LAYER " in f" {' '.join(words)} "
            if piece.side == side and piece.outline and whole and not layer:
                _check_piece(name, page, piece)


def _check_piece(name: str, page: Page, piece: Piece) -> None:
    """Lay a piece's outline on the page; refuse another size or its mirror image."""
    ring, hand = np.array(piece.outline, dtype=float), mirrored(piece.side)
    found = _at_full_size(page, ring, 4)
    if not found:
        raise OutputError(f"{name}: the outline of {piece.label} is not at full size")
    best = [min(_over(line, ring, way * hand) for line in found) for way in (1.0, -1.0)]
    if best[0] > NOTCH + OUTLINE * piece.shape.length or best[1] < best[0] - 1.0:
        wrong = "is the mirror image of" if best[1] < best[0] else "is not"
        raise OutputError(f"{name}: the outline of {piece.label} {wrong} the plan's")


def _over(line: Numbers, ring: Numbers, hand: float) -> float:
    """Return the area between a line and a ring laid on its box, mm2."""
    laid = np.column_stack([-hand * ring[:, 1], ring[:, 0]])
    laid += (line.min(axis=0) + line.max(axis=0) - laid.min(axis=0) - laid.max(axis=0)) / 2
    drawn, wanted = shapely.Polygon(line).buffer(0), shapely.Polygon(laid).buffer(0)
    return float(drawn.symmetric_difference(wanted).area)


def _check_sections(name: str, page: Page, foot: dict[str, Any]) -> None:
    """Seen from behind, a left foot's big toe is on the right of the page."""
    big, little = page.places("big-toe side"), page.places("little-toe side")
    if len(big) != len(little) or not len(big):
        raise OutputError(f"{name} does not say which side of its sections is the big toe's")
    for one, two in zip(big, little, strict=True):
        if (one[0] > two[0]) != (foot["side"] == "left"):
            raise OutputError(f"{name}: seen from behind, big toe and little toe are exchanged")
    crest = _crest(foot) or {}
    said = re.findall(r"at the crest, (\d+) mm from the rear edge", page.text)
    if not said or any(abs(float(s) - float(crest["from_rear"])) > WHOLE for s in said):
        raise OutputError(f"{name} does not cut at the crest, {crest['from_rear']:.0f} mm")
