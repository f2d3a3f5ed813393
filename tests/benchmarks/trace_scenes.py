"""Made-up photographs of outlines, usable and not, each with what is true of it.

    seed, number -> scene -> Scene (shot, sheet, what is right) -> pixels

Feet are drawn from published bands (``random_shape``); everything else is drawn evenly from what
riders at home may do: pens of any colour and faint pencils, gaps, strokes drawn twice, notes
beside or in the outline, folded, curled and taped sheets, striped rugs, shadows of window frames
and of the phone itself, lamps, messengers' small pictures and now and then all 12 megapixels.
Faults are one a photo.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from footscan.scan import Side
from footscan.specimen import camera, drawn, floors, made_up
from footscan.specimen.camera import Shot
from footscan.specimen.drawn import DrawnSheet, Pen

PIXELS = (1040, 780)  # for A4: two pixels and more in a mm, a third of a telephone's
FULL, EVERY = (4032, 3024), 30  # a telephone's own, and how often
INKS = {  # share of red, green and blue that they take
    "black": (0.93, 0.92, 0.86),
    "blue": (0.92, 0.80, 0.42),
    "red": (0.30, 0.88, 0.85),
    "green": (0.88, 0.45, 0.75),
}
FAULTS = {  # what is done: codes that are right for it
    "no-sheet": ("no-sheet",),
    "sheet-cut-off": ("sheet-cut-off", "covered"),  # a folded one shows whole fields
    "blurred": ("blurred",),
    "touches-edge": ("touches-edge",),
    "two-outlines": ("two-outlines",),
    "foot-on-sheet": ("foot-on-sheet",),
    "letter-as-a4": ("wrong-paper",),
    "a4-as-letter": ("wrong-paper",),
    "open-outline": ("open-outline",),
    "no-outline": ("no-outline",),
    "too-small": ("too-small",),
    "wrong-side": ("side-contradicted",),
    "taped-over": ("covered",),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A photograph to be made, and what is true of it."""

    sheet: DrawnSheet
    shot: Shot
    foot: dict[str, Any]
    barrel: float
    fault: str = ""
    stated_paper: str | None = None
    stated_side: Side | None = None
    quality: int = 85
    words: dict[str, Any] = field(default_factory=dict)


def feet(count: int, store: Path | None = None) -> list[dict[str, Any]]:
    """Return silhouettes and true measures of made-up feet; kept in a file when one is named."""
    if store is not None and store.is_file():
        kept = pickle.loads(store.read_bytes())
        if len(kept) >= count:
            return kept[:count]
    rng, found = np.random.default_rng(77), []
    spoilt: list[int] = []
    while len(found) < count or spoilt:
        shape = replace(made_up.random_shape(rng), cell=2.5)
        try:
            made = made_up.build(shape)
        except ValueError:  # no foot has these sizes together
            continue
        foot = {"ring": drawn.silhouette(made), "m": dict(made.truth.measures)}
        # on the coarse grid a toe tip is now and then none: its truth is none either
        sound = abs(np.ptp(foot["ring"][:, 0]) - foot["m"]["foot_length"]) < 0.5
        if len(found) < count:
            spoilt += [] if sound else [len(found)]
            found.append(foot)
        elif sound:
            found[spoilt.pop()] = foot
    if store is not None:
        store.write_bytes(pickle.dumps(found))
    return found


def scene(number: int, fault: str, of: list[dict[str, Any]], seed: int = 5) -> Scene:
    """Return one scene; `fault` is "" or a key of :data:`FAULTS`."""
    rng = np.random.default_rng([seed, number, sum(map(ord, fault))])
    foot = of[number % len(of)]
    ring, length = foot["ring"], foot["m"]["foot_length"]
    side = Side.LEFT if rng.random() < 0.5 else Side.RIGHT
    barrel = float(rng.uniform(6, 11))
    room = {"a4": 297 - 18 - barrel, "letter": 279.4 - 18 - barrel}
    fits = [p for p in ("a4", "letter") if length < room[p]]
    paper = str(rng.choice(fits)) if fits else str(rng.choice(["a4-pair", "letter-pair"]))
    if fault in ("letter-as-a4", "a4-as-letter"):
        paper = fault.split("-")[0]
        foot = next(f for f in of[number % len(of) :] + of if f["m"]["foot_length"] < room[paper])
        ring = foot["ring"]
    pen = _pen(rng, barrel, fault)
    size = tuple(side_mm + rng.normal(0, 0.3) for side_mm in drawn.SIZES[paper])
    spare = drawn.SIZES[paper][1] - foot["m"]["foot_length"] - barrel
    shift = (rng.uniform(-12, 12), rng.uniform(-1, 1) * max(spare / 2 - 9, 0))
    second, turn = None, rng.uniform(-5, 5)
    if fault == "touches-edge":
        shift = (shift[0], (1 if rng.random() < 0.5 else -1) * (spare / 2 + rng.uniform(4, 25)))
    if fault == "two-outlines":
        second = (rng.uniform(-4, 4), rng.uniform(-4, 4))
        second = (float(np.sign(second[0]) * rng.uniform(14, 40)), second[1])
    notes = _notes(rng, size) if not fault and rng.random() < 0.35 else ()
    sheet = drawn.drawn(
        ring,
        side,
        pen,
        rng,
        paper=paper,
        size=size,
        turn_deg=turn,
        shift=shift,
        second=second,
        notes=notes,
    )
    shot, words = _shot(rng, sheet, fault)
    if not fault and number % EVERY == EVERY - 1:
        shot = replace(shot, pixels=FULL, blur=shot.blur * 2.5, noise=shot.noise * 1.5)
    words |= {"notes": notes} if notes else {}
    pair = paper.endswith("pair")
    return Scene(
        sheet=sheet,
        shot=shot,
        foot=foot,
        barrel=barrel,
        fault=fault,
        stated_paper={"letter-as-a4": "a4", "a4-as-letter": "letter"}.get(
            fault, paper if pair else None
        ),
        stated_side=side.other if fault == "wrong-side" else None,
        quality=int(rng.integers(55, 95)),
        words=words | {"paper": paper, "pen": pen},
    )


def _notes(
    rng: np.random.Generator, size: tuple[float, ...]
) -> tuple[tuple[float, float, float, int], ...]:
    """Return what riders write on the sheet: a side, a name, the pen's width."""
    high = float(rng.uniform(6, 12))
    if rng.random() < 0.5:  # into the outline
        at = (size[0] / 2 + rng.uniform(-25, 0), size[1] / 2 + rng.uniform(-60, 60))
        count = int(rng.integers(1, 4))
    else:  # in a corner
        at = (rng.uniform(8, 20), rng.uniform(6, 14))
        count = int(rng.integers(2, 6))
    return ((*at, high, count),)


def _pen(rng: np.random.Generator, barrel: float, fault: str) -> Pen:
    kind = rng.choice(["ball", "pencil", "felt"], p=[0.5, 0.3, 0.2])
    width, dark = {
        "ball": ((0.5, 1.0), (0.65, 0.9)),
        "pencil": ((0.5, 0.8), (0.25, 0.55)),
        "felt": ((1.2, 2.0), (0.75, 0.95)),
    }[kind]
    gaps: tuple[tuple[float, float], ...] = ()
    if fault == "open-outline":
        gaps = ((rng.random(), rng.uniform(50, 90)),)
    elif rng.random() < 0.5:
        gaps = tuple((rng.random(), rng.uniform(3, 14)) for _ in range(rng.integers(1, 4)))
    return Pen(
        barrel=barrel,
        width=rng.uniform(*width),
        dark=0.0 if fault == "no-outline" else rng.uniform(*dark),
        lean=float(rng.normal(0, 0.2)),
        wobble=0.2,
        gaps=gaps,
        twice=rng.uniform(0.4, 0.9) if rng.random() < 0.25 and fault != "open-outline" else 0.0,
    )


def _shot(rng: np.random.Generator, sheet: DrawnSheet, fault: str) -> tuple[Shot, dict[str, Any]]:
    """Return a shot that sees the whole sheet, or does what the fault asks for."""
    bright = {
        "wood": (0.22, 0.5),
        "tile": (0.4, 0.66),
        "carpet": (0.1, 0.5),
        "rug": (0.2, 0.5),
        "plain": (0.15, 0.6),
    }
    floor = str(rng.choice(list(bright)))
    words: dict[str, Any] = {"floor": floor}
    scale = max(sheet.size[1] / 297.0, 1.0)
    pixels = tuple(round(side * scale) for side in PIXELS)
    curls = tuple(rng.uniform(2, 9) if rng.random() < 0.25 else 0.0 for _ in range(4))
    shadow = None
    if rng.random() < 0.4:
        shadow = (
            rng.uniform(0, sheet.size[0]),
            rng.uniform(0, sheet.size[1]),
            rng.uniform(0, 360),
            rng.uniform(3, 60),
            rng.uniform(0.4, 0.8),
        )
    cast = None
    if rng.random() < 0.3:
        held = floors.phone(
            tuple(rng.uniform(-0.2, 1.2, 2) * sheet.size), float(rng.uniform(0, 360))
        )
        cast = (held, rng.uniform(6, 35), rng.uniform(0.55, 0.9))
        words["cast"] = True
    folds: tuple[tuple[int, float, float], ...] = ()
    if rng.random() < 0.2:
        change = rng.uniform(0.02, 0.08) * rng.choice([-1, 1])
        where = [(1, 0.5)], [(1, 1 / 3), (1, 2 / 3)], [(0, 0.5), (1, 0.5)]
        chosen = where[rng.integers(3)]
        folds = tuple((k, at * sheet.size[k] + rng.uniform(-2, 2), change) for k, at in chosen)
        words["folds"] = folds
    if sheet.paper.endswith("pair"):  # the joint
        folds += ((1, sheet.size[1] / 2, rng.uniform(0.02, 0.06)),)
    inks = str(rng.choice(list(INKS), p=[0.5, 0.35, 0.1, 0.05]))
    words["ink"] = inks
    things = _things(rng, sheet, fault, words)
    while True:
        above = rng.uniform(280, 345) * scale
        shot = Shot(
            pixels=pixels,
            focal=rng.uniform(0.66, 0.80),
            above=above,
            aside=tuple(rng.uniform(-0.25, 0.25, 2) * above),
            aim=tuple(rng.uniform(-15, 15, 2)),
            roll_deg=90.0 * rng.choice([1, 3]) + rng.uniform(-12, 12),
            k1=rng.uniform(-0.03, 0.03),
            k2=rng.uniform(-0.01, 0.01),
            floor=floor,
            floor_light=rng.uniform(*bright[floor]),
            light=tuple(rng.uniform(-0.35, 0.35, 2)),
            shadow=shadow,
            cast=cast,
            folds=folds,
            ink=INKS[inks],
            curls=curls,
            blur=rng.uniform(0.4, 0.8),
            noise=rng.uniform(0.004, 0.018),
            exposure=rng.uniform(0.75, 1.05),
            warmth=rng.uniform(-0.05, 0.14),
            objects=things,
            no_sheet=fault == "no-sheet",
        )
        if fault == "too-small":
            shot = replace(shot, above=above * 3.2, aside=(0.0, 0.0))
        if fault == "blurred":
            shot = replace(shot, blur=rng.uniform(1.3, 2.5) * pixels[0] * shot.focal / above)
        if fault == "sheet-cut-off":
            way = rng.choice([-1, 1], 2) * rng.uniform(0.25, 0.5) * np.array(sheet.size)
            way[rng.integers(2)] = 0.0
            shot = replace(shot, aim=tuple(way), aside=tuple(way))
        at = camera.corners(sheet, shot)
        margin = np.minimum(at, np.array(pixels) - 1 - at).min()
        if fault == "sheet-cut-off":
            if margin < -60:
                return shot, words
        elif margin > 12:
            return shot, words


def _things(
    rng: np.random.Generator, sheet: DrawnSheet, fault: str, words: dict[str, Any]
) -> tuple[Any, ...]:
    """Return what else lies in view: a hand or a ruler off the line, or the foot itself."""
    skin = tuple(np.array([0.72, 0.50, 0.40]) * rng.uniform(0.5, 1.15))
    if fault == "foot-on-sheet":
        foot, leg = floors.standing_foot(sheet.foot)
        return (foot, skin), (leg, tuple(np.array(skin) * 0.9))
    line = shapely.LinearRing(sheet.line)
    if fault == "taped-over":
        return _over(rng, sheet)
    taped = _tape(rng, sheet) if rng.random() < 0.25 else ()
    near = [float(shapely.distance(line, shapely.Polygon(ring))) for ring, _ in taped]
    taped = tuple(one for one, away in zip(taped, near, strict=True) if away > 4.0)
    if taped:
        words["tape"] = len(taped)
    draw = rng.random()
    u, v = sheet.size
    for _ in range(40):
        if draw < 0.15:
            edge = rng.integers(4)
            in_u, in_v = rng.uniform(0, 20, 2)
            at_u, at_v = rng.uniform(0, u), rng.uniform(0, v)
            at = [(in_u, at_v), (u - in_u, at_v), (at_u, in_v), (at_u, v - in_v)]
            ring = floors.hand(at[edge], (180, 0, 270, 90)[edge] + rng.uniform(-25, 25))
            colour, name = skin, "hand"
        elif draw < 0.25:
            # a long one beside the sheet, a short one on it: along an edge it would hide it whole
            on = rng.random() < 0.5
            aside = rng.uniform(20, 40) if on else rng.uniform(-70, -20)
            aside = aside if rng.random() < 0.5 else u - aside
            ring = floors.ruler(
                (aside, v / 2 + rng.uniform(-40, 40)),
                90 + rng.uniform(-3, 3),
                160.0 if on else 310.0,
            )
            colour = (0.85, 0.75, 0.35) if rng.random() < 0.5 else (0.55, 0.56, 0.58)
            name = "ruler"
        elif draw < 0.35:  # the pen itself, laid down on or beside the sheet
            at = (rng.uniform(-40, u + 40), rng.uniform(0, v))
            barrel, way = rng.uniform(7, 11), rng.uniform(0, 180)
            ring = floors.ruler(at, way, 140.0, barrel)
            colour = tuple(rng.uniform(0.05, 0.8, 3))
            name = "pen"
        else:
            return taped
        if shapely.distance(line, shapely.Polygon(ring)) > 6.0:
            words["thing"] = name
            return (*taped, (ring, colour))
    return taped


def _over(rng: np.random.Generator, sheet: DrawnSheet) -> tuple[Any, ...]:
    """Return a strip of tape that hides the heel's or the toes' end of the line."""
    ring = sheet.line
    end = ring[np.argmin(ring[:, 1])] if rng.random() < 0.5 else ring[np.argmax(ring[:, 1])]
    way = 90 + rng.uniform(-20, 20)
    strip = floors.ruler((float(end[0]), float(end[1])), way, rng.uniform(40, 60), 22.0)
    return ((strip, ((0.84, 0.74, 0.50), (0.30, 0.45, 0.70))[rng.integers(2)]),)


def _tape(rng: np.random.Generator, sheet: DrawnSheet) -> tuple[Any, ...]:
    """Return strips of tape over the sheet's corners, or over the middles of its short sides."""
    u, v = sheet.size
    colour = ((0.84, 0.78, 0.62), (0.30, 0.45, 0.70), (0.80, 0.80, 0.78))[rng.integers(3)]
    if rng.random() < 0.7:
        places = [(0, 0, 135), (u, 0, 45), (u, v, 135), (0, v, 45)]
    else:
        places = [(u / 2, 0, 90), (u / 2, v, 90)]
    return tuple(
        (floors.ruler((x, y), way + rng.uniform(-12, 12), rng.uniform(35, 55), 19.0), colour)
        for x, y, way in places
    )


def pixels(of: Scene, seed: int = 5) -> np.ndarray:
    """Return the picture of a scene."""
    rng = np.random.default_rng([seed, len(of.sheet.line), int(of.shot.above * 1e3)])
    return camera.photograph(of.sheet, of.shot, rng)
