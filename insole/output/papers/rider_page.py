"""The rider's page: how to draw around a foot and photograph it, how to scan with a telephone.

    write_page -> PDF, A4 or Letter: the page, and a card with a known scale

Pictures are drawn here. The card says its size by two bars that anybody can check with a rule.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from footscan.checking.card import APART_MM, SQUARE_MM
from footscan.scan import Array
from insole.output.ink import (
    BLACK,
    BLUE,
    GREY,
    MM,
    ORANGE,
    PALE,
    drawn,
    stroke,
    wrapped,
    write,
)
from insole.record.questions import SHORT_CAUTION

__all__ = ["BAR_MM", "CARD_MM", "SIZES", "write_page"]

SIZES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
NAMES = {"a4": "A4", "letter": "Letter"}
EDGE = 14.0
BAR_MM = APART_MM[0] + SQUARE_MM  # bars of the card, middle of end line to middle of end line
CARD_MM = (150.0, 90.0)
PICTURE_MM = (47.0, 36.4)
STEPS = (
    (
        "Stand",
        "Barefoot, standing on both feet, the same weight on each. One sheet for each foot, flat "
        "on a hard, darker floor, taped at its corners only, the foot in its middle. Best somebody "
        "else draws.",
    ),
    (
        "Draw",
        "A thin dark pen or pencil, straight up, always touching the foot: once around, "
        "slowly, without a gap. Not under the arch, not between the toes. Write down how thick the "
        "pen is, and step off.",
    ),
    (
        "Photograph",
        "The sheet alone, in even light, with the rear camera. From straight above, so "
        "near that the sheet fills the picture, all four corners and some floor in it. No flash, "
        "no shadow of yours, no zoom. Send the photo as a file.",
    ),
    (
        "Measure",
        "Standing, the heel against a wall: from the wall to the longest toe, in mm. With a tape: "
        "around the ball (the broadest place) and around the instep. With a ruler upright on the "
        "floor: the height under the highest place of the inner arch, and how far from the back "
        "of the heel that is.",
    ),
    (
        "Or scan",
        "With a telephone that measures depth: sit, the foot in the air and still, and have "
        "somebody walk around it. The sole must be seen, all of it, and the card of page 2 lie a "
        "hand's breadth beside the foot, on a stool. One scan for each foot, saved with colours as "
        "PLY, OBJ or GLB.",
    ),
)
LONG_FOOT = (
    "Does the foot with the pen around it come nearer than 10 mm to the edge? Tape two sheets "
    "along their long sides, without gap or overlap, and say so."
)


def write_page(path: str | Path, paper: str) -> None:
    """Write the rider's page, replaced as a whole or not at all.

    Parameters
    ----------
    path : str or Path
        A PDF.
    paper : str
        ``"a4"`` or ``"letter"``: the page's own size, and the sheet that it speaks of.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written.
    """
    wide, high = SIZES[paper]
    with drawn(path, "Your feet on paper", SIZES[paper]) as canvas:
        _steps(canvas, wide, high, paper)
        canvas.showPage()
        _card(canvas, wide, high)
        canvas.showPage()


def _steps(canvas: Any, wide: float, high: float, paper: str) -> None:
    """Draw the first page."""
    canvas.scale(MM, MM)
    canvas.setLineJoin(1)
    canvas.setLineCap(1)
    y = high - EDGE - 6
    write(canvas, EDGE, y, "Your feet on paper", 7.5, bold=True)
    y -= 7.0
    for words in wrapped(
        f"Outlines on two sheets of {NAMES[paper]} paper: from them the length and breadth of your "
        "feet are read, to choose a shoe. The paper is the only scale: use no other size.",
        3.4,
        wide - 2 * EDGE,
    ):
        write(canvas, EDGE, y, words, 3.4, colour=GREY)
        y -= 4.8
    step = (y - 47.0) / len(STEPS)
    pictures = (_stand, _draw, _photograph, _measure, _scan)
    for k, ((title, text), picture) in enumerate(zip(STEPS, pictures, strict=True)):
        top = y - 1.0 - k * step
        stroke(canvas, np.array([(EDGE, top), (wide - EDGE, top)]), PALE, 0.2, close=False)
        _placed(canvas, picture, EDGE, top - 2.0 - PICTURE_MM[1])
        left = EDGE + PICTURE_MM[0] + 7
        write(canvas, left, top - 9.0, f"{k + 1}  {title}", 5.2, bold=True)
        for n, words in enumerate(wrapped(text, 3.7, wide - EDGE - left)):
            write(canvas, left, top - 15.6 - 5.0 * n, words, 3.7)
    stroke(canvas, np.array([(EDGE, 44.0), (wide - EDGE, 44.0)]), PALE, 0.2, close=False)
    y = 38.5
    for words in wrapped(f"Long feet. {LONG_FOOT}", 3.4, wide - 2 * EDGE):
        write(canvas, EDGE, y, words, 3.4)
        y -= 4.8
    y -= 2.0
    blank = "______ mm"
    for k, side in enumerate(("Left", "Right")):
        words = (
            f"{side} foot: length {blank}, ball {blank}, instep {blank}, arch {blank} high at "
            f"{blank}"
        )
        write(canvas, EDGE, y - 5.6 * k, words, 3.4)
    write(canvas, EDGE, y - 11.2, f"Pen, thickness of its barrel: {blank}", 3.4)
    write(
        canvas,
        EDGE,
        9.0,
        f"{SHORT_CAUTION} Send photos of feet to the workshop only.",
        3.0,
        colour=GREY,
    )


def _placed(canvas: Any, picture: Callable[[Any], None], x: float, y: float) -> None:
    canvas.saveState()
    canvas.translate(x, y)
    scale = PICTURE_MM[0] / 80.0
    canvas.scale(scale, scale)
    picture(canvas)
    canvas.restoreState()


# ------------------------------------------------------------- pictures, 80 by 62


FOOT = np.array(
    [  # a right foot seen from above, toes up, heel at (0, 0), length 1
        (0.00, 0.0),
        (0.07, 0.015),
        (0.125, 0.08),
        (0.13, 0.16),
        (0.125, 0.27),
        (0.14, 0.40),
        (0.165, 0.52),
        (0.18, 0.62),
        (0.175, 0.70),
        (0.155, 0.77),
        (0.135, 0.83),
        (0.09, 0.88),
        (0.045, 0.92),
        (-0.005, 0.95),
        (-0.06, 0.99),
        (-0.11, 1.0),
        (-0.155, 0.975),
        (-0.17, 0.92),
        (-0.17, 0.84),
        (-0.185, 0.75),
        (-0.175, 0.65),
        (-0.14, 0.54),
        (-0.115, 0.42),
        (-0.115, 0.30),
        (-0.13, 0.18),
        (-0.125, 0.08),
        (-0.07, 0.015),
    ]
)


def _foot(size: float, x: float, y: float, turn_deg: float = 0.0, *, left: bool = False) -> Array:
    """Return the ring of a drawn foot."""
    ring = FOOT * [-1.0 if left else 1.0, 1.0] * size
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    dense = np.concatenate([ring, ring[:1]])
    for _ in range(2):  # corners cut twice: a smooth line
        dense = np.stack(
            [0.75 * dense[:-1] + 0.25 * dense[1:], 0.25 * dense[:-1] + 0.75 * dense[1:]], axis=1
        ).reshape(-1, 2)
        dense = np.concatenate([dense, dense[:1]])
    return dense[:-1] @ np.array([[c, s], [-s, c]]) + [x, y]


def _box(x: float, y: float, wide: float, high: float) -> Array:
    return np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)])


def _floor(canvas: Any) -> None:
    stroke(canvas, _box(0, 0, 80, 62), PALE, 0.3, fill=(0.90, 0.88, 0.84))


def _stand(canvas: Any) -> None:
    _floor(canvas)
    for x, left in ((9.0, True), (43.0, False)):
        stroke(canvas, _box(x, 6, 28 * 1.0, 40), GREY, 0.4, fill=(1, 1, 1))
        stroke(canvas, _foot(34, x + 14, 9, left=left), BLACK, 0.5, fill=(0.93, 0.82, 0.74))
    write(canvas, 40, 51.5, "half your weight on each", 5.0, align="middle")


def _draw(canvas: Any) -> None:
    stroke(canvas, _box(0, 0, 80, 62), PALE, 0.3, fill=(1, 1, 1))
    stroke(canvas, np.array([(0, 10), (80, 10)]), BLACK, 0.8, close=False)
    for x, lean, good in ((24.0, 0.0, True), (62.0, 15.0, False)):
        foot = np.array(
            [
                (x - 18, 10),
                (x - 3, 10),
                (x, 13),
                (x + 0.8, 17),
                (x - 2, 22),
                (x - 8, 28),
                (x - 18, 31),
            ]
        )
        stroke(canvas, foot, BLACK, 0.5, fill=(0.93, 0.82, 0.74))
        pen = np.array([(2.6, 0), (4.6, 8), (4.6, 38), (0.6, 38), (0.6, 8)])
        tilt = np.radians(-lean if good else lean)
        turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
        pen = (pen - [2.6, 0]) @ turn + [x + (2.6 if good else -1.2), 10]
        stroke(canvas, pen, BLACK, 0.5, fill=(0.55, 0.72, 0.85) if good else (0.9, 0.7, 0.6))
        write(
            canvas,
            x - 6,
            53.5,
            "upright" if good else "not so",
            5.0,
            align="middle",
            colour=BLUE if good else ORANGE,
        )
    stroke(canvas, np.array([(46, 15), (74, 48)]), ORANGE, 0.9, close=False)
    stroke(canvas, np.array([(46, 48), (74, 15)]), ORANGE, 0.9, close=False)


def _photograph(canvas: Any) -> None:
    _floor(canvas)
    stroke(canvas, _box(22, 5, 36, 51), BLACK, 1.0, fill=(0.80, 0.76, 0.70))
    stroke(canvas, _box(26, 11, 28, 39), GREY, 0.4, fill=(1, 1, 1))
    stroke(canvas, _foot(34, 40, 13.5), BLACK, 0.5)
    for x, y in ((26, 11), (54, 11), (54, 50), (26, 50)):
        canvas.setStrokeColorRGB(*BLUE)
        canvas.setLineWidth(0.7)
        canvas.circle(x, y, 3.0, stroke=1, fill=0)
    write(canvas, 11, 30, "all four", 3.9, align="middle", colour=BLUE)
    write(canvas, 11, 24.5, "corners", 3.9, align="middle", colour=BLUE)
    write(canvas, 69, 30, "no foot,", 3.5, align="middle", colour=BLUE)
    write(canvas, 69, 24.5, "no shadow", 3.5, align="middle", colour=BLUE)


SIDE = np.array(
    [  # a foot from its inner side, heel at the left
        (6, 8),
        (14, 6),
        (24, 8),
        (34, 13),
        (44, 11),
        (54, 6),
        (66, 6),
        (73, 8),
        (72, 13),
        (60, 19),
        (44, 27),
        (32, 36),
        (29, 48),
        (8, 48),
        (8, 30),
        (4, 18),
    ]
)


def _side_foot(canvas: Any) -> None:
    ring = np.concatenate([SIDE, SIDE[:1]]).astype(float)
    for _ in range(2):
        ring = np.stack(
            [0.75 * ring[:-1] + 0.25 * ring[1:], 0.25 * ring[:-1] + 0.75 * ring[1:]], axis=1
        ).reshape(-1, 2)
        ring = np.concatenate([ring, ring[:1]])
    stroke(canvas, ring[:-1], BLACK, 0.5, fill=(0.93, 0.82, 0.74))


def _measure(canvas: Any) -> None:
    stroke(canvas, _box(0, 0, 80, 62), PALE, 0.3, fill=(1, 1, 1))
    stroke(canvas, np.array([(0, 6), (80, 6)]), BLACK, 0.8, close=False)
    _side_foot(canvas)
    for points, words, at in (
        ([(58.5, 6.5), (53.5, 22.5)], "ball", (58, 25)),
        ([(39, 12.5), (46.5, 26)], "instep", (49, 31)),
    ):
        stroke(canvas, np.array(points), BLUE, 1.3, close=False)
        write(canvas, *at, words, 4.6, colour=BLUE)
    stroke(canvas, _box(33.0, 6.0, 3.2, 10.0), ORANGE, 0.5, fill=(1, 1, 1))
    for k in range(1, 5):
        stroke(canvas, np.array([(33.0, 6 + 2 * k), (34.6, 6 + 2 * k)]), ORANGE, 0.35, close=False)
    write(canvas, 35, 1.2, "arch", 4.4, align="middle", colour=ORANGE)
    stroke(canvas, np.array([(5, 3.2), (28, 3.2)]), ORANGE, 0.4, close=False, dash=(1.2, 1.0))
    write(canvas, 57, 53, "in mm, standing", 4.6, align="middle")


def _scan(canvas: Any) -> None:
    _floor(canvas)
    canvas.saveState()
    canvas.translate(18, 16)
    canvas.scale(0.62, 0.62)
    _side_foot(canvas)
    canvas.restoreState()
    way = np.radians(np.linspace(200, 345, 40))
    arc = np.stack([42 + 34 * np.cos(way), 30 + 24 * np.sin(way)], axis=1)
    stroke(canvas, arc, BLUE, 0.6, close=False, dash=(1.5, 1.0))
    for k in (4, 20, 35):
        x, y = arc[k]
        stroke(canvas, _box(x - 2.4, y - 4.2, 4.8, 8.4), BLACK, 0.5, fill=(0.3, 0.3, 0.34))
    stroke(canvas, _box(50, 46, 22, 11), GREY, 0.4, fill=(1, 1, 1))
    for x in (53, 66):
        stroke(canvas, _box(x, 48, 3, 3), BLACK, 0.1, fill=BLACK)
        stroke(canvas, _box(x, 53, 3, 3), BLACK, 0.1, fill=BLACK)
    write(canvas, 47.5, 50, "card", 4.6, align="end")
    write(canvas, 42, 13.5, "the sole too", 4.6, align="middle", colour=BLUE)


# ------------------------------------------------------------- the card


def _card(canvas: Any, wide: float, high: float) -> None:
    """Draw the second page: a card to cut out, with two bars of known length."""
    canvas.scale(MM, MM)
    y = high - EDGE - 6
    write(canvas, EDGE, y, "Card for telephone scans", 7.5, bold=True)
    text = (
        "Print at 100 %, not fitted to the page, and hold a rule against both bars: each is "
        f"{BAR_MM:g} mm from end line to end line. If one is not, the card is of no use. Glue it "
        "on stiff cardboard, lay it flat beside the foot, in even light, and scan closely around "
        "both. Save the scan as PLY, OBJ or GLB with colours of its points (vertex colours, not a "
        "texture): the workshop's program looks for the four black squares and measures between "
        "them. A scan in which they cannot be seen has no scale that anybody vouches for."
    )
    y -= 8.0
    for words in wrapped(text, 3.5, wide - 2 * EDGE):
        write(canvas, EDGE, y, words, 3.5)
        y -= 5.0
    bar = f"{BAR_MM:g} mm"
    left, bottom = (wide - CARD_MM[0]) / 2, y - 10.0 - CARD_MM[1]
    stroke(canvas, _box(left, bottom, *CARD_MM), GREY, 0.2, dash=(2.0, 1.5))
    x0, y0 = left + (CARD_MM[0] - BAR_MM) / 2, bottom + 14.0
    tall = APART_MM[1] + SQUARE_MM
    for x in (x0, x0 + APART_MM[0]):
        for at in (y0, y0 + APART_MM[1]):
            canvas.setFillColorRGB(*BLACK)
            canvas.rect(x, at, SQUARE_MM, SQUARE_MM, stroke=0, fill=1)
    for at, words in ((y0 + tall + 6.5, bar), (y0 - 7.0, bar)):
        stroke(canvas, np.array([(x0, at), (x0 + BAR_MM, at)]), BLACK, 0.3, close=False)
        for x in (x0, x0 + BAR_MM):
            stroke(canvas, np.array([(x, at - 2.5), (x, at + 2.5)]), BLACK, 0.3, close=False)
        write(canvas, x0 + BAR_MM / 2, at - 1.2, words, 3.4, align="middle", knock=True)
    write(
        canvas, x0 + BAR_MM / 2, y0 + tall / 2 - 2, "this side up", 4.0, align="middle", colour=GREY
    )
