"""The placement template: both feet at full size on paper, face up and face down.

    Plan, Parts -> write_template -> PDF, A4 or Letter

Each page shows one foot seen from one side, toes up, with a 100 mm check ruler across and along.
A foot longer than the page runs over several tiles, which overlap by 10 mm and carry register
crosses on a common join line.

Lengths on a page are millimetres: the canvas is scaled once per page, so that a drawn
millimetre is one on paper. A left foot's plan is mirrored here with the project's one mirror;
outlines of parts that are there replace those of the plan, since they are what is cut.
"""

from __future__ import annotations

import importlib.util
import io
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from footscan.pose import mirror
from footscan.scan import Array
from insole.errors import OutputError
from insole.parts.part import Part
from insole.planning.limits import of_plan
from insole.planning.plan import FootPlan, Plan, WedgePlace, WedgePlan

__all__ = [
    "PAPERS",
    "crest_point",
    "fonts",
    "ruler_lines",
    "save_bytes",
    "spread",
    "taper_words",
    "tender_spots",
    "turn_words",
    "wedge_lines",
    "write_template",
]

MM = 72.0 / 25.4  # points in a millimetre
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 8.0  # mm without words, what a desk printer may leave unprinted
LINE_MARGIN = 6.0  # mm without lines: one sheet instead of two for a common size
OVERLAP = 10.0  # mm that two tiles share
RULER = 100.0
RULER_BAND = 9.0  # mm kept at the left and at the bottom for the rulers
SIDE_GAP = 9.0  # mm beside the foot for the words along the thick edge
NAME_WIDE = 36.0  # mm kept for the names at the heel
RULE_MIN = 8.0  # mm: shorter lines of a base's grid are its ticks
COLUMN_MIN = 44.0  # mm: below this the words beside the foot cannot be read
Colour = tuple[float, float, float]
BLACK, GREY = (0.0, 0.0, 0.0), (0.42, 0.42, 0.42)
MIDDLE, PALE = (0.62, 0.62, 0.62), (0.82, 0.82, 0.82)
BLUE, ORANGE = (0.0, 0.36, 0.62), (0.76, 0.33, 0.0)  # told apart by the colour-blind, and in grey
FACES = {
    "above": ("SEEN FROM ABOVE", "foot side up"),
    "below": ("SEEN FROM BELOW", "shoe side up"),
}
PLACE_PART = {
    WedgePlace.FOREFOOT: "forefoot-shim",
    WedgePlace.HEEL: "heel-shim",
    WedgePlace.UNDER: "under-shoe-shim",
}
NOTCH_WORDS = "big-toe side; notches of different parts need not line up"
NOTICE = (
    "Print at 100 % (actual size, no fit to page). Before cutting, measure both rulers: each must"
    " be 100 mm. Copy crest and shim lines before trimming. Cut on the middle of the line."
)


def write_template(
    path: str | Path, plan: Plan, parts: Sequence[Part], paper: str = "a4"
) -> None:
    """Write the 1:1 placement template of `plan` as a PDF; same plan, same bytes.

    Parameters
    ----------
    path : path-like
        File to write; replaced as a whole or not at all.
    plan : Plan
        Every length in mm, bed frame.
    parts : sequence of Part
        Worn parts; an outline found here (by side and name) is drawn instead of the plan's.
    paper : {"a4", "letter"}
        Sheet, upright.

    Raises
    ------
    ValueError
        `paper` is not one of :data:`PAPERS`.
    insole.errors.OutputError
        The plan has no foot, the foot is wider than the sheet, or the file cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, got {paper!r}")
    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no template to draw: plan one first")
    fonts()
    width, height = PAPERS[paper]
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width * MM, height * MM), invariant=1)
    canvas.setTitle(f"Placement template, {plan.case}, plan {plan.version}")
    canvas.setCreator(" ".join(plan.tool.get(key, "") for key in ("name", "version")).strip())
    for foot in plan.feet:
        drawing = _drawing(plan, foot, parts)
        for face in FACES:
            for sheet in _sheets(drawing, face, width, height):
                canvas.scale(MM, MM)
                _draw_page(canvas, drawing, sheet)
                canvas.showPage()
    canvas.save()
    save_bytes(path, buffer.getvalue())


@lru_cache(maxsize=1)
def fonts() -> tuple[str, str]:
    """Return the names of the regular and the bold font after setting the PDF library up.

    DejaVu Sans comes with matplotlib, Vera with reportlab; both embed, so that a page looks the
    same on every machine.
    """
    from reportlab import rl_config
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    rl_config.useA85 = 0  # streams as they are: a fifth smaller, and no slow text coding
    spec = importlib.util.find_spec("matplotlib")  # finds the folder without importing it
    roots = spec.submodule_search_locations if spec else None
    folder = Path(roots[0]) / "mpl-data" / "fonts" / "ttf" if roots else Path()
    files = {"Paper": folder / "DejaVuSans.ttf", "Paper-Bold": folder / "DejaVuSans-Bold.ttf"}
    if not all(file.is_file() for file in files.values()):
        files = {"Paper": Path("Vera.ttf"), "Paper-Bold": Path("VeraBd.ttf")}
    for name, file in files.items():
        pdfmetrics.registerFont(TTFont(name, str(file)))
    pdfmetrics.registerFontFamily(
        "Paper", normal="Paper", bold="Paper-Bold", italic="Paper", boldItalic="Paper-Bold"
    )
    return "Paper", "Paper-Bold"


def save_bytes(path: str | Path, data: bytes) -> None:
    """Write `data` beside `path`, flush it to the disk and move it into place.

    Raises
    ------
    insole.errors.OutputError
        The file cannot be written; an older file of that name is left as it was.
    """
    target = Path(path)
    beside = target.with_name(f".{target.name}.part")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, target)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise OutputError(
            f"cannot write {target}: {error.strerror or error}; choose a folder that exists and"
            " may be written to"
        ) from None


def ruler_lines() -> tuple[float, float]:
    """Return where to measure the rulers, mm: above the lower edge, and from the left edge.

    There a line across the page meets no tick of the ruler but the two long ones at its ends.
    """
    return MARGIN + 2.0 + 3.3, MARGIN + 2.0 + 3.3


def crest_point(foot: FootPlan) -> Array:
    """Return the pad's crest in the bed frame, shape (2,), from the bench's own measures.

    Raises
    ------
    ValueError
        The foot has no pad.
    """
    from shapely import LineString, Polygon

    if foot.pad is None:
        raise ValueError("the foot has no pad, so it has no crest")
    crest = foot.pad.crest
    across = LineString([(crest.from_rear, -500.0), (crest.from_rear, 500.0)])
    edge = Polygon(foot.base.outline).intersection(across).bounds[3]
    return np.array([crest.from_rear, edge - crest.from_medial])


def tender_spots(plan: Plan, side: str) -> list[tuple[float, float]]:
    """Return the spots that the fitter wants kept free on one foot, bed frame, mm."""
    for whose in (side, "both"):
        wished = plan.wishes.get(whose)
        if isinstance(wished, dict) and wished.get("tender"):
            return [(float(x), float(y)) for x, y in wished["tender"]]
    return []


def turn_words(turn: float) -> str:
    """Return the turn of a pad in words, degrees about +z."""
    if abs(turn) < 0.05:
        return "no turn"
    return f"turn {abs(turn):g}°, front to the {'big' if turn > 0 else 'little'} toe"


def wedge_lines(wedge: WedgePlan) -> tuple[list[Array], Array]:
    """Return the lines across a shim between which the ramp is full, and its thick-edge band.

    Bed frame, mm. Lines have shape (2, 2) and run across the shim's outline; the band is a ring
    of shape (n, 2), 3 mm wide, along the thick edge between them.
    """
    from shapely import LineString, Polygon, affinity, box

    shape = Polygon(wedge.outline).buffer(0)
    low, _, high, _ = shape.bounds
    ends = [min(max(x, low + 0.01), high - 0.01) for x in (wedge.full_from, wedge.full_to)]
    full = []
    for x in ends:
        line = LineString([(x, -500.0), (x, 500.0)]).intersection(shape)
        full.append(np.array([[x, line.bounds[1]], [x, line.bounds[3]]]))
    ramp = shape.intersection(box(ends[0], -500.0, ends[1], 500.0))
    sign = 1.0 if wedge.thick_side == "big-toe side" else -1.0
    band = ramp.difference(affinity.translate(ramp, yoff=-3.0 * sign))
    largest = max(getattr(band, "geoms", [band]), key=lambda piece: piece.area)
    return full, np.array(largest.exterior.coords)[:-1]


def taper_words(wedge: WedgePlan) -> str:
    """Return the tapers of a shim in words."""
    ends = ((wedge.taper_rear, "back"), (wedge.taper_front, "front"))
    words = ", ".join(f"{taper:.0f} mm {where}" for taper, where in ends if taper > 0)
    return f"taper {words}" if words else "no taper"


def spread(wanted: Sequence[float], sizes: Sequence[float], top: float, bottom: float) -> Array:
    """Return tops of blocks as near as can be to those `wanted`, in order and apart.

    Least squares under "each block ends above the next": with the heights so far added, that is
    an isotonic regression.

    Parameters
    ----------
    wanted, sizes : sequence of float
        Wished tops, falling, and heights of the blocks.
    top, bottom : float
        Where the first may start and the last should end; too many blocks run over `bottom`.
    """
    from scipy.optimize import isotonic_regression

    if not len(wanted):
        return np.zeros(0)
    above = np.concatenate([[0.0], np.cumsum(sizes)])
    level = isotonic_regression(np.asarray(wanted) + above[:-1], increasing=False).x
    return np.asarray(np.clip(level, min(bottom + above[-1], top), top) - above[:-1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Drawing:
    """One foot with its outlines in the bed frame, mm; ``low`` and ``high`` bound them all."""

    plan: Plan
    foot: FootPlan
    rings: dict[str, Array]
    grid: tuple[Array, ...]
    slots: tuple[Array, ...]  # bolt slots of a shim under the shoe
    spots: tuple[Array, ...]  # rings around the tender spots
    notch: Array | None  # where the base's notch is cut into the medial edge
    low: Array
    high: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sheet:
    """Where one tile lies on its page, page mm from the lower left corner."""

    face: str
    number: int
    count: int
    start: float  # bed x at the lower end of the drawing zone
    zone: tuple[float, float, float, float]  # left, bottom, right, top
    axis: float  # page x of the centreline
    across: float  # +1: medial lies to the right on this page
    page: tuple[float, float]
    ruler: float  # page x of the zero of the ruler across

    def at(self, points: Array | Sequence[Any]) -> Array:
        """Return page positions of bed-frame `points`, shape (..., 2)."""
        points = np.asarray(points, dtype=float)
        x, y = points[..., 0], points[..., 1]
        return np.stack([self.axis + self.across * y, self.zone[1] + x - self.start], axis=-1)

    @property
    def joins(self) -> list[tuple[float, int]]:
        """Bed x of the join lines on this tile, and the neighbour's number."""
        step = self.zone[3] - self.zone[1] - OVERLAP
        found = []
        if self.number > 1:
            found.append((self.start + OVERLAP / 2, self.number - 1))
        if self.number < self.count:
            found.append((self.start + step + OVERLAP / 2, self.number + 1))
        return found

    def shows(self, x: float, reach: float) -> bool:
        """Return whether the drawing zone holds bed `x` with `reach` mm before and behind."""
        y = self.zone[1] + x - self.start
        return self.zone[1] <= y - reach and y + reach <= self.zone[3]

    def owns(self, x: float) -> bool:
        """Return whether bed `x` lies on this tile rather than on a neighbour."""
        low = self.start + (OVERLAP / 2 if self.number > 1 else -math.inf)
        last = self.number == self.count
        step = self.zone[3] - self.zone[1] - OVERLAP
        return low <= x < (math.inf if last else self.start + step + OVERLAP / 2)


def _drawing(plan: Plan, foot: FootPlan, parts: Sequence[Part]) -> _Drawing:
    """Return the outlines of a foot, those of its parts first, all in the bed frame."""
    rings = {"base": np.array(foot.base.outline), "foot": np.array(foot.foot_outline)}
    if foot.pad is not None:
        rings["arch-pad"] = np.array(foot.pad.outline)
    for wedge in foot.wedges:
        rings[PLACE_PART[wedge.place]] = np.array(wedge.outline)
    grid: tuple[Array, ...] = ()
    slots: tuple[Array, ...] = ()
    notch = None
    for part in parts:
        if part.side.value == foot.side and part.name in rings:
            rings[part.name] = _bed(part.outline, foot.side)
            if part.name == "base":
                # its ticks would crowd the scale of the centreline
                rules = (_bed(line, foot.side) for line in part.lines.get("grid", ()))
                grid = tuple(rule for rule in rules if np.ptp(rule, axis=0).max() > RULE_MIN)
                notch = _bed(part.facts["notch"], foot.side) if "notch" in part.facts else None
            elif part.name == PLACE_PART[WedgePlace.UNDER]:
                slots = tuple(_bed(hole, foot.side) for hole in part.holes)
    every = np.concatenate([ring for name, ring in rings.items() if name != "foot"])
    return _Drawing(
        plan=plan, foot=foot, rings=rings, grid=grid, slots=slots, notch=notch,
        spots=_spot_rings(plan, foot.side),
        low=every.min(axis=0), high=every.max(axis=0),
    )  # fmt: skip


def _spot_rings(plan: Plan, side: str) -> tuple[Array, ...]:
    """Return a ring of the radius that is kept free around each tender spot, bed frame, mm."""
    radius = of_plan(plan).value("keepout.tender_radius")
    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    turn = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return tuple(np.array(spot) + turn for spot in tender_spots(plan, side))


def _bed(worn: Any, side: str) -> Array:
    """Return plan positions of a worn part in the bed frame, shape (..., 2)."""
    points = np.asarray(worn, dtype=float)[..., :2]
    return mirror(points) if side == "left" else points


def _sheets(drawing: _Drawing, face: str, width: float, height: float) -> Iterable[_Sheet]:
    """Yield the tiles on which `drawing` fits at full size, heel first."""
    across = (1.0 if drawing.foot.side == "left" else -1.0) * (1.0 if face == "above" else -1.0)
    ends = sorted((across * drawing.low[1], across * drawing.high[1]))
    left, bottom, top = MARGIN + RULER_BAND, MARGIN + RULER_BAND, height - LINE_MARGIN
    corner = width - MARGIN - RULER - 1.0
    right = left + ends[1] - ends[0] + 2 * SIDE_GAP
    if width - MARGIN - right < COLUMN_MIN:
        raise OutputError(
            f"the {drawing.foot.side} outline is {ends[1] - ends[0]:.0f} mm wide, too wide for"
            " the sheet: check the base outline or cut from the DXF file instead"
        )
    need = drawing.high[0] - drawing.low[0] + 1.0
    axis, zero = left + SIDE_GAP - ends[0], left
    # a ruler beside the heel instead of below it saves the second tile of a common size
    rear = np.concatenate([ring for name, ring in drawing.rings.items() if name != "foot"])
    rear = rear[rear[:, 0] < drawing.low[0] + RULER_BAND + MARGIN - LINE_MARGIN]
    if axis + (across * rear[:, 1]).max() + 3.0 < corner and need <= top - LINE_MARGIN:
        bottom, zero = LINE_MARGIN, corner
    room = top - bottom
    count = 1 if need <= room else math.ceil((need - OVERLAP) / (room - OVERLAP))
    first = drawing.low[0] - 0.5
    for k in range(count):
        yield _Sheet(
            face=face, number=k + 1, count=count, start=first + k * (room - OVERLAP),
            zone=(left, bottom, right, top), axis=axis, across=across,
            page=(width, height), ruler=zero,
        )  # fmt: skip


def _draw_page(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> None:
    """Draw one tile: the foot inside its zone, rulers, joins and the words beside it."""
    canvas.saveState()
    left, bottom, right, top = sheet.zone
    clip = canvas.beginPath()
    clip.rect(left, bottom, right - left, top - bottom)
    canvas.clipPath(clip, stroke=0, fill=0)
    _draw_grid(canvas, drawing, sheet)
    _draw_centreline(canvas, drawing, sheet)
    for wedge in drawing.foot.wedges:
        _draw_wedge(canvas, drawing, wedge, sheet)
    _path(canvas, sheet.at(drawing.rings["foot"]), GREY, 0.2, dash=(0.5, 1.2))
    _draw_pad(canvas, drawing, sheet)
    _path(canvas, sheet.at(drawing.rings["base"]), BLACK, 0.35)
    _draw_ball(canvas, drawing.foot, sheet)
    for ring in drawing.spots:
        _path(canvas, sheet.at(ring), BLACK, 0.4, dash=(1.4, 0.9))
    _draw_names(canvas, drawing, sheet)
    canvas.restoreState()
    _draw_joins(canvas, sheet)
    _draw_rulers(canvas, sheet)
    leaders = _draw_column(canvas, drawing, sheet)
    for wedge in drawing.foot.wedges:
        if sheet.owns((wedge.full_from + wedge.full_to) / 2):
            _draw_thick_edge(canvas, drawing, wedge, sheet, leaders)


def _draw_grid(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> None:
    """Draw the grid that a pad is placed by inside the base; every fifth line darker."""
    base = drawing.foot.base
    if drawing.foot.pad is None:
        return
    canvas.saveState()
    canvas.clipPath(_ring(canvas, sheet.at(drawing.rings["base"])), stroke=0, fill=0)
    low, high = drawing.low[1], drawing.high[1]
    reach = math.ceil(max(-low, high) / base.grid_step)
    for k in range(-reach, reach + 1):
        line = [(base.grid_from, k * base.grid_step), (base.grid_to, k * base.grid_step)]
        _path(canvas, sheet.at(line), PALE, 0.1 if k % 5 else 0.25, close=False)
    for k in range(int((base.grid_to - base.grid_from) / base.grid_step + 1e-9) + 1):
        x = base.grid_from + k * base.grid_step
        _path(canvas, sheet.at([(x, low), (x, high)]), PALE, 0.1 if k % 5 else 0.25, close=False)
    for rule in drawing.grid:  # what the base itself carries
        _path(canvas, sheet.at(rule), MIDDLE, 0.12, close=False)
    canvas.restoreState()


def _draw_centreline(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> None:
    """Draw the base's centreline with a mark every 10 mm from the rear edge, and the arrow."""
    length = float(drawing.rings["base"][:, 0].max())
    _path(canvas, sheet.at([(0.0, 0.0), (length, 0.0)]), GREY, 0.15, dash=(6, 1, 1, 1), close=False)
    tip = _arrow_tip(drawing.foot)
    named = [(box[0], box[2]) for box, _ in _name_places(drawing, sheet) if box[1] < 8.0 < 16.0 + box[3]]
    for x in range(10, int(length), 10):
        half = 2.0 if x % 50 == 0 else 1.0
        _path(canvas, sheet.at([(x, -half), (x, half)]), GREY, 0.15, close=False)
        hidden = any(low - 2.0 < x < high + 2.0 for low, high in [*named, (tip - 19.0, tip + 4.0)])
        if x % 50 == 0 and sheet.shows(x, 2.0) and not hidden:
            px, py = sheet.at((x, 0.0))
            _text(canvas, px + 2.6, py - 0.9, f"{x}", 2.5, colour=GREY, knock=True)
    if sheet.shows(tip - 7.0, 12.0):
        _draw_arrow(canvas, sheet, tip)


def _arrow_tip(foot: FootPlan) -> float:
    """Return bed x of the arrow's tip: its words end behind the grid and the pad."""
    ends = [foot.base.grid_from, foot.pad.rear_edge] if foot.pad is not None else []
    return min([74.0, *(end - 5.5 for end in ends)])


def _draw_arrow(canvas: Any, sheet: _Sheet, at: float) -> None:
    """Draw the arrow from heel to toes on the centreline, its tip at bed x `at`."""
    wing = np.array([2.6, 0.0])
    tail, neck, tip = sheet.at([(at - 14.0, 0.0), (at - 6.0, 0.0), (at, 0.0)])
    _path(canvas, np.array([tail, neck]), BLACK, 1.2, close=False)
    head = np.array([neck - wing, tip, neck + wing])
    _path(canvas, head, BLACK, 0.2, fill=BLACK)
    _text(canvas, tail[0], tail[1] - 4.0, "HEEL", 2.8, bold=True, align="middle", knock=True)
    _text(canvas, tip[0], tip[1] + 1.2, "TOES", 2.8, bold=True, align="middle", knock=True)


def _draw_wedge(canvas: Any, drawing: _Drawing, wedge: WedgePlan, sheet: _Sheet) -> None:
    """Draw a shim: its outline, the ends of the full ramp, the thick edge as a band."""
    full, band = wedge_lines(wedge)
    under = wedge.place is WedgePlace.UNDER
    outline = sheet.at(drawing.rings[PLACE_PART[wedge.place]])
    _path(canvas, outline, ORANGE, 0.3, dash=(4, 1, 0.6, 1) if under else (2, 1.2))
    for slot in drawing.slots if under else ():
        _path(canvas, sheet.at(slot), ORANGE, 0.25)
    for line in [] if under else full:
        _path(canvas, sheet.at(line), ORANGE, 0.35, close=False)
    _path(canvas, sheet.at(band), ORANGE, 0.1, fill=ORANGE)


def _draw_thick_edge(
    canvas: Any, drawing: _Drawing, wedge: WedgePlan, sheet: _Sheet, leaders: list[Array]
) -> None:
    """Write the thick edge's height along it, where no line passes through the words."""
    from reportlab.pdfbase.pdfmetrics import stringWidth
    from shapely import LineString, Polygon, box, union_all

    _, ring = wedge_lines(wedge)
    band, under = sheet.at(ring), wedge.place is WedgePlace.UNDER
    middle = (band.min(axis=0) + band.max(axis=0)) / 2
    outward = math.copysign(1.0, middle[0] - sheet.axis)
    words = f"THICK EDGE {wedge.thick_edge:.1f} mm"
    half = stringWidth(words, fonts()[1], 2.8) / 2 + 1.0
    lines = [LineString(leader) for leader in leaders]
    if under:  # inside the base, where the ball line and the joints are drawn
        lines += _inner_lines(drawing, sheet)
    drawn = union_all(lines)
    base = Polygon(sheet.at(drawing.rings["base"]))

    def strip(y: float) -> tuple[float, float]:
        # beside the base; under the shoe inside the band, which lies within the base
        beside = band if under else np.array(
            base.intersection(box(-500.0, y - half, 500.0, y + half)).bounds).reshape(2, 2)  # fmt: skip
        near, far = (beside[:, 0].min(), beside[:, 0].max())[:: int(outward)]
        towards, start = (-outward, near) if under else (outward, far)
        low, high = sorted((start + towards * 0.9, start + towards * 3.9))
        return low, high

    places = sorted(np.arange(-40.0, 40.1, 1.0), key=abs)
    low_y, high_y = sheet.zone[1] + half, sheet.zone[3] - half
    free = (middle[1] + shift for shift in places if low_y <= middle[1] + shift <= high_y
            and not drawn.intersects(box(strip(middle[1] + shift)[0], middle[1] + shift - half,
                                         strip(middle[1] + shift)[1], middle[1] + shift + half)))  # fmt: skip
    y = next(free, float(middle[1]))
    canvas.saveState()
    canvas.translate(strip(y)[1] - 0.5, y)
    canvas.rotate(90)
    _text(canvas, 0, 0, words, 2.8, bold=True, align="middle", colour=ORANGE)
    canvas.restoreState()


def _inner_lines(drawing: _Drawing, sheet: _Sheet) -> list[Any]:
    """Return what is drawn at the ball, page mm: its line, the joints, bolt slots."""
    from shapely import LinearRing, LineString, Point

    foot = drawing.foot
    ends = _ball_ends(foot)
    found: list[Any] = [LineString(sheet.at(ends))] if ends is not None else []
    found += [Point(sheet.at(foot.landmarks[f"mth{k}"][:2])).buffer(3.0)
              for k in range(1, 6) if f"mth{k}" in foot.landmarks]  # fmt: skip
    found += [LinearRing(sheet.at(slot)) for slot in drawing.slots]
    return found


def _draw_pad(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> None:
    """Draw the pad's outline and its crest, tied to the medial edge by a dimension line."""
    pad = drawing.foot.pad
    if pad is None:
        return
    _path(canvas, sheet.at(drawing.rings["arch-pad"]), BLUE, 0.5)
    crest = crest_point(drawing.foot)
    x, y = crest
    for line in ([(x - 7, y), (x + 7, y)], [(x, y - 7), (x, y + 7)]):
        _path(canvas, sheet.at(line), BLUE, 0.25, close=False)
    px, py = sheet.at(crest)
    canvas.setStrokeColorRGB(*BLUE)
    canvas.circle(px, py, 2.0, stroke=1, fill=0)
    edge = y + pad.crest.from_medial
    _path(canvas, sheet.at([(x, y + 7), (x, edge)]), BLUE, 0.12, dash=(1, 0.8), close=False)
    _path(canvas, sheet.at([(x, 0.0), (x, y - 7)]), BLUE, 0.12, dash=(1, 0.8), close=False)
    if not sheet.shows(x, 2.0):
        return
    mx, my = sheet.at((x, (y + 7 + edge) / 2))
    words = f"{pad.crest.from_medial:.1f}"
    _text(canvas, mx, my + 0.7, words, 2.5, align="middle", colour=BLUE, knock=True)


def _draw_ball(canvas: Any, foot: FootPlan, sheet: _Sheet) -> None:
    """Draw the ball line and the numbered metatarsal heads."""
    ends = _ball_ends(foot)
    if ends is not None:
        _path(canvas, sheet.at(ends), BLACK, 0.25, dash=(5, 1.2, 1, 1.2), close=False)
    for k in range(1, 6):
        if f"mth{k}" in foot.landmarks and sheet.shows(foot.landmarks[f"mth{k}"][0], 2.5):
            px, py = sheet.at(foot.landmarks[f"mth{k}"][:2])
            canvas.setLineWidth(0.25)
            canvas.setStrokeColorRGB(*BLACK)
            canvas.setFillColorRGB(1, 1, 1)
            canvas.circle(px, py, 2.3, stroke=1, fill=1)
            _text(canvas, px, py - 1.05, f"{k}", 2.9, bold=True, align="middle")


def _ball_ends(foot: FootPlan) -> Array | None:
    """Return the ends of the ball line in plan, shape (2, 2), or None without landmarks."""
    marks = foot.landmarks
    for pair in (("metatarsale_tibiale", "metatarsale_fibulare"), ("mth1", "mth5")):
        if all(name in marks for name in pair):
            return np.array([marks[name][:2] for name in pair])
    return None


def _draw_names(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> None:
    """Write side and face inside the outline, so that they stay on the cut template."""
    side, face = drawing.foot.side.upper(), FACES[sheet.face][1]
    for (low, left, high, right), size in _name_places(drawing, sheet):
        if not sheet.shows((low + high) / 2, (high - low) / 2):
            continue
        px, py = sheet.at(((low + high) / 2, (left + right) / 2))
        py += (high - low) / 2 - size
        _text(canvas, px, py, side, size, bold=True, align="middle", knock=True)
        _text(canvas, px, py - 4.2, face, 3.0, bold=True, align="middle", knock=True)
        if size > 6:
            words = f"{drawing.plan.case} · plan {drawing.plan.version}"
            words = _fitted(words, 2.4, NAME_WIDE)
            _text(canvas, px, py - 8.0, words, 2.4, align="middle", knock=True)


def _name_places(
    drawing: _Drawing, sheet: _Sheet
) -> list[tuple[tuple[float, float, float, float], float]]:
    """Return boxes (x, y, x, y in the bed frame) and letter sizes of the names.

    Each lies inside the base as near as can be to where it is looked for, and covers no line but
    the centreline; a name that finds no such place is left out, the other one stays.
    """
    from shapely import LinearRing, Polygon, box, union_all
    from shapely.prepared import prep

    base = Polygon(drawing.rings["base"]).buffer(0)
    length = float(drawing.rings["base"][:, 0].max())
    lines = [LinearRing(ring) for name, ring in drawing.rings.items() if name not in ("base", "foot")]
    lines += [LinearRing(ring) for ring in (*drawing.spots, *drawing.slots)]
    lines += _ball_lines(drawing.foot)
    for wedge in drawing.foot.wedges:
        full, band = wedge_lines(wedge)
        lines += [Polygon(band), *(LinearRing([*line, line[0]]) for line in full)]
    lines += [box(x - 3.0, -500.0, x + 3.0, 500.0) for x, _ in sheet.joins]
    tip = _arrow_tip(drawing.foot)
    taken = union_all([*lines, box(tip - 20.0, -6.0, tip + 5.0, 6.0)]).buffer(0.6)
    found = []
    for x, size, high, wide in ((0.105 * length, 7.0, 16.5, NAME_WIDE), (0.9 * length, 5.0, 10.5, 24.0)):
        free = prep(base.buffer(-1.5).difference(taken))
        spots = [(x + dx, dy) for dx in range(-40, 41, 2) for dy in range(-30, 31, 2)]
        spots.sort(key=lambda at: (at[0] - x) ** 2 + at[1] ** 2)
        boxes = ((a - high / 2, b - wide / 2, a + high / 2, b + wide / 2) for a, b in spots)
        place = next((one for one in boxes if free.contains(box(*one))), None)
        if place is not None:
            found.append((place, size))
    return found


def _ball_lines(foot: FootPlan) -> list[Any]:
    """Return ball line and joints in the bed frame."""
    from shapely import LineString, Point

    ends = _ball_ends(foot)
    found: list[Any] = [] if ends is None else [LineString(ends)]
    return found + [Point(foot.landmarks[f"mth{k}"][:2]).buffer(3.0)
                    for k in range(1, 6) if f"mth{k}" in foot.landmarks]  # fmt: skip


def _draw_joins(canvas: Any, sheet: _Sheet) -> None:
    """Draw the join line, its register crosses and the end of the drawing on each tile."""
    left, bottom, right, top = sheet.zone
    for x, neighbour in sheet.joins:
        y = float(sheet.at((x, 0.0))[1])
        _path(canvas, np.array([(left, y), (right, y)]), BLACK, 0.2, dash=(3, 1.5), close=False)
        for px in (left + 4.0, right - 4.0):
            canvas.setLineWidth(0.2)
            canvas.circle(px, y, 2.0, stroke=1, fill=0)
            _path(canvas, np.array([(px, y - 3.5), (px, y + 3.5)]), BLACK, 0.2, close=False)
        edge = top if neighbour > sheet.number else bottom
        _path(canvas, np.array([(left, edge), (right, edge)]), PALE, 0.15, close=False)
        words = f"cut here, lay on tile {neighbour} cross on cross"
        shift = -3.4 if neighbour > sheet.number else 1.4  # on the side that is kept
        _text(canvas, (left + right) / 2, y + shift, words, 2.4, align="middle")


def _draw_rulers(canvas: Any, sheet: _Sheet) -> None:
    """Draw a 100 mm ruler across and one along; the end ticks are exactly 100 mm apart."""
    x0, y0 = sheet.ruler, MARGIN + 2.0
    canvas.setLineWidth(0.15)
    canvas.setStrokeColorRGB(*BLACK)
    for turned in (False, True):
        canvas.saveState()
        if turned:
            canvas.translate(MARGIN + 2.0, MARGIN + RULER_BAND)
            canvas.transform(0, 1, 1, 0, 0, 0)  # along and across swapped, ticks stay inward
        else:
            canvas.translate(x0, y0)
        canvas.line(0, 0, RULER, 0)
        for k in range(0, 101, 5):
            tall = 5.0 if k in (0, 100) else 3.0 if k % 10 == 0 else 1.6
            canvas.line(k, 0, k, tall)
        canvas.restoreState()
    for k, words, align, shift in (
        (0, "0", "start", 0.7), (50, "50", "start", 0.7), (100, "100 mm", "end", -0.7),
    ):  # fmt: skip
        _text(canvas, x0 + k + shift, y0 + 3.5, words, 2.3, align=align)
        canvas.saveState()
        canvas.translate(MARGIN + 2.0 + 5.3, MARGIN + RULER_BAND + k + shift)
        canvas.rotate(90)
        _text(canvas, 0, 0, words, 2.3, align=align)
        canvas.restoreState()


def _draw_column(canvas: Any, drawing: _Drawing, sheet: _Sheet) -> list[Array]:
    """Write title, instruction, callouts and the key beside the foot; return the leaders."""
    left, right = sheet.zone[2] + 2.0, sheet.page[0] - MARGIN
    top = _draw_title(canvas, drawing, sheet, left, right)
    blocks = []
    for target, title, words in _callouts(drawing, sheet):
        if sheet.owns(float(target[0])):
            lines = _wrapped(title, 2.8, right - left - 3, bold=True)
            body = _wrapped(words, 2.7, right - left - 3)
            blocks.append((sheet.at(target), lines, body))
    blocks.sort(key=lambda block: -block[0][1])
    sizes = [3.4 * (len(lines) + len(body)) + 2.2 for _, lines, body in blocks]
    key, bottom = _key_rows(drawing), MARGIN + RULER_BAND + 2.0
    if top - bottom - sum(sizes) > 3.8 * len(key) + 4.0:  # numbers before the key
        _draw_key(canvas, key, left, bottom)
        bottom += 3.8 * len(key) + 2.0
    tops = spread([float(block[0][1]) + 1.5 for block in blocks], sizes, top, bottom)
    leaders = []
    for (point, lines, body), y in zip(blocks, tops, strict=True):
        elbow = np.array([left + 1.0, y - 2.0])
        leader = np.array([point, elbow, (elbow[0] + 1.4, elbow[1])])
        leaders.append(leader)
        _path(canvas, leader, GREY, 0.12, close=False)
        canvas.setFillColorRGB(*GREY)
        canvas.circle(point[0], point[1], 0.5, stroke=0, fill=1)
        for k, line in enumerate(lines + body):
            _text(canvas, left + 3, y - 3.0 - 3.4 * k, line, 2.7, bold=k < len(lines))
    return leaders


def _draw_title(
    canvas: Any, drawing: _Drawing, sheet: _Sheet, left: float, right: float
) -> float:
    """Write side, view and instruction; return the y below them."""
    plan, y = drawing.plan, sheet.page[1] - MARGIN
    _text(canvas, left, y - 9.5, drawing.foot.side.upper(), 12.5, bold=True)
    y -= 16.0
    view, face = FACES[sheet.face]
    pages = f"tile {sheet.number} of {sheet.count}" if sheet.count > 1 else "one page, full size"
    shoe = f"shoe: {plan.shoe_name}" if plan.shoe_name else "no shoe given: trial only"
    for words, size, bold in (
        (view, 4.2, True),
        (f"– {face}", 4.2, True),
        (f"{plan.case} · plan {plan.version} · {pages}", 2.8, True),
        (shoe, 2.7, False),
        (NOTICE, 2.7, False),
        *((f"Limit passed on purpose: {over.limit}; {over.who}, {over.when}: {over.why}",
           2.5, False) for over in plan.overrides),
    ):  # fmt: skip
        for line in _wrapped(words, size, right - left, bold=bold):
            _text(canvas, left, y, line, size, bold=bold)
            y -= size * 1.3
        y -= 0.6
    return y


def _key_rows(drawing: _Drawing) -> list[tuple[str, Colour, float, tuple[float, ...] | None]]:
    """Return words, colour, weight and dashes of the lines that this foot uses, lowest first."""
    foot = drawing.foot
    places = {wedge.place for wedge in foot.wedges}
    rows = [(f"placement grid {foot.base.grid_step:g} mm", PALE, 0.3, None, foot.pad is not None),
            ("outline of the foot", GREY, 0.2, (0.5, 1.2), True),
            ("keep free: tender spot", BLACK, 0.4, (1.4, 0.9), bool(drawing.spots)),
            ("ball line", BLACK, 0.25, (5, 1.2, 1, 1.2), _ball_ends(foot) is not None),
            ("shim under the shoe", ORANGE, 0.3, (4, 1, 0.6, 1), WedgePlace.UNDER in places),
            ("shim, tapered out", ORANGE, 0.3, (2, 1.2), bool(places - {WedgePlace.UNDER})),
            ("shim, full ramp", ORANGE, 0.35, None, bool(places - {WedgePlace.UNDER})),
            ("pad edge", BLUE, 0.5, None, foot.pad is not None),
            ("base: cut here", BLACK, 0.35, None, True)]  # fmt: skip
    return [(words, colour, weight, dash) for words, colour, weight, dash, shown in rows if shown]


def _draw_key(canvas: Any, rows: list[Any], left: float, bottom: float) -> None:
    """Draw a sample of each line with its name."""
    for k, (words, colour, weight, dash) in enumerate(rows):
        y = bottom + 3.8 * k
        line = np.array([(left, y + 0.9), (left + 12.0, y + 0.9)])
        _path(canvas, line, colour, weight, dash=dash, close=False)
        _text(canvas, left + 14.0, y, words, 2.6)


def _callouts(drawing: _Drawing, sheet: _Sheet) -> list[tuple[Array, str, str]]:
    """Return what the words beside the foot point at: target in the bed frame, title, text."""
    foot, found = drawing.foot, []
    ends = _ball_ends(foot)
    if ends is not None:
        heads = [f"MTH{k} {foot.landmarks[f'mth{k}'][0]:.0f}" for k in (1, 5)
                 if f"mth{k}" in foot.landmarks]  # fmt: skip
        words = f"{' mm, '.join(heads)} mm from rear edge" if heads else "across the foot"
        near, far = ends if sheet.across * (ends[0, 1] - ends[1, 1]) > 0 else ends[::-1]
        found.append((near + 0.06 * (far - near), "Ball line", words))
    if foot.pad is not None:
        pad, crest = foot.pad, crest_point(foot)
        words = (
            f"{pad.name}; {pad.crest.from_rear:.1f} mm from rear edge, {pad.crest.from_medial:.1f}"
            f" mm from medial edge; {turn_words(pad.turn)}"
        )
        found.append((crest, f"Pad crest, {pad.crest.height:.1f} mm high", words))
        ring = drawing.rings["arch-pad"]
        front, rear = ring[ring[:, 0].argmax()], ring[ring[:, 0].argmin()]
        found.append((front, "Pad, front edge", f"{pad.front_edge:.1f} mm from rear edge"))
        found.append((rear, "Pad, rear edge", f"{pad.rear_edge:.1f} mm from rear edge"))
    if drawing.notch is not None:
        found.append((drawing.notch, "Notch", NOTCH_WORDS))
    for x, y in tender_spots(drawing.plan, foot.side):
        side = "on the centreline" if not y else f"{abs(y):g} mm to the {'big' if y > 0 else 'little'} toe"
        found.append((np.array([x, y]), "Keep free: tender spot", f"{x:g} mm from rear edge, {side}"))
    for wedge in foot.wedges:
        where = f"full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm from rear edge, {taper_words(wedge)}"
        if wedge.place is WedgePlace.UNDER:
            where = "placed by its bolt slots under the cleat, not from the base's edge"
        words = (
            f"{wedge.words}; {wedge.thick_edge:.1f} mm there, {wedge.edge:.1f} mm at the thin edge;"
            f" {where}"
        )
        x = wedge.full_to - 2.0 if wedge.taper_front == 0 else wedge.full_to + 4.0
        ring = np.array(wedge.outline)
        close = ring[np.abs(ring[:, 0] - x) < 12.0] if len(ring) else ring
        y = (sheet.across * (close if len(close) else ring)[:, 1]).max() - 8.0
        found.append((np.array([x, sheet.across * y]), f"Shim {wedge.place}", words))
    return found


def _ring(canvas: Any, points: Array, *, close: bool = True) -> Any:
    """Return a canvas path through `points`, page mm."""
    path = canvas.beginPath()
    path.moveTo(*map(float, points[0]))
    for x, y in points[1:]:
        path.lineTo(float(x), float(y))
    if close:
        path.close()
    return path


def _path(
    canvas: Any, points: Array, colour: Colour, weight: float, *,
    dash: tuple[float, ...] | None = None, close: bool = True,
    fill: Colour | None = None,
) -> None:  # fmt: skip
    """Stroke (and fill) a line through `points`; `weight` and `dash` in mm."""
    canvas.setStrokeColorRGB(*colour)
    canvas.setLineWidth(weight)
    canvas.setDash(*((list(dash), 0) if dash else ([], 0)))
    if fill is not None:
        canvas.setFillColorRGB(*fill)
    canvas.drawPath(_ring(canvas, points, close=close), stroke=1, fill=int(fill is not None))
    canvas.setDash([], 0)


def _text(
    canvas: Any, x: float, y: float, words: str, size: float, *, bold: bool = False,
    align: str = "start", colour: Colour = BLACK, knock: bool = False,
) -> None:  # fmt: skip
    """Write `words` at (x, y), `size` mm high; `knock` clears the paper behind them."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font = fonts()[bold]
    wide = stringWidth(words, font, size)
    x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[align] * wide
    if knock:
        canvas.setFillColorRGB(1, 1, 1)
        canvas.rect(x - 0.5, y - 0.25 * size, wide + 1.0, 1.1 * size, stroke=0, fill=1)
    canvas.setFillColorRGB(*colour)
    canvas.setFont(font, size)
    canvas.drawString(x, y, words)


def _wrapped(words: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Return `words` in lines not wider than `width` mm; one long word is split."""
    from reportlab.lib.utils import simpleSplit
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font, lines = fonts()[bold], []
    for line in simpleSplit(words, font, size, width):
        while stringWidth(line, font, size) > width and len(line) > 1:
            cut = next(n for n in range(len(line) - 1, 0, -1)
                       if n == 1 or stringWidth(line[:n], font, size) <= width)  # fmt: skip
            lines.append(line[:cut])
            line = line[cut:]
        lines.append(line)
    return lines


def _fitted(words: str, size: float, width: float) -> str:
    """Return `words` cut with an ellipsis to `width` mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    font = fonts()[0]
    if stringWidth(words, font, size) <= width:
        return words
    while words and stringWidth(words + "…", font, size) > width:
        words = words[:-1]
    return words.rstrip() + "…"
