"""A sheet on which somebody drew around a specimen's foot, with the usual faults.

    Specimen -> silhouette -> drawn -> DrawnSheet (ink as a raster, truth) -> specimen.camera

Frame of a sheet: mm, seen from above, u to the right along the short side, v up along the long
side, zero at the lower left corner. A right foot with its toes up has its big toe on the left.

Terms
    silhouette   the foot seen from above, up to the height that an upright pen touches
    barrel       diameter of the pen: an upright pen's tip runs half of it outside the foot
    lean         how far the pen leaned, mm at its tip, + away from the foot
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from footscan.foot import face_normals
from footscan.scan import Array, Side
from footscan.specimen.made_up import Specimen

__all__ = ["SIZES", "DrawnSheet", "Pen", "drawn", "silhouette"]

# short and long side, mm (ISO 216, ANSI/ASME Y14.1; values from memory); pairs are two sheets
# taped along their long sides
SIZES = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
    "a4-pair": (297.0, 420.0),
    "letter-pair": (279.4, 431.8),
}
PER_MM = 6  # pixels of the ink in a mm
PEN_TOUCH_MM = 45.0  # a pen touches what bulges below this height
STEP_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """How the outline was drawn.

    Attributes
    ----------
    barrel : float
        mm.
    width : float
        Of the stroke, mm.
    dark : float
        0 paper to 1 black.
    lean, wobble : float
        Mean lean and the standard deviation of its slow change along the line, mm.
    gaps : tuple of (float, float)
        Start as a share of the line's length, and length in mm.
    twice : float
        Standard deviation of a second stroke about the first, mm; 0 draws one.
    """

    barrel: float = 7.0
    width: float = 0.7
    dark: float = 0.85
    lean: float = 0.0
    wobble: float = 0.25
    gaps: tuple[tuple[float, float], ...] = ()
    twice: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnSheet:
    """A drawn sheet.

    Attributes
    ----------
    paper : str
        Key of :data:`SIZES`.
    size : (float, float)
        Short and long side of this very sheet, mm.
    ink : ndarray, shape (rows, columns)
        0 paper to 1 black, upper row first.
    line : ndarray, shape (n, 2)
        Middle of the drawn line, mm.
    foot : ndarray, shape (m, 2)
        The foot's silhouette, mm.
    side : Side
        Which foot it is.
    """

    paper: str
    size: tuple[float, float]
    ink: Array = field(repr=False)
    line: Array = field(repr=False)
    foot: Array = field(repr=False)
    side: Side


def silhouette(specimen: Specimen, below: float = PEN_TOUCH_MM) -> Array:
    """Return the ring of the foot seen from above, foot frame of a right foot, mm."""
    import shapely

    low = specimen.vertices[specimen.faces, 2].max(axis=1) < below
    faces = specimen.faces[low]
    down = face_normals(specimen.vertices, faces)[:, 2] < 0
    corners = specimen.vertices[faces[down]][:, :, :2]
    whole = shapely.union_all(shapely.polygons(corners)).buffer(0.3).buffer(-0.3)
    if whole.geom_type != "Polygon":
        whole = max(whole.geoms, key=lambda piece: piece.area)
    return np.asarray(whole.exterior.coords)[:-1]


def drawn(
    ring: Array,
    side: Side,
    pen: Pen,
    rng: np.random.Generator,
    *,
    paper: str = "a4",
    size: tuple[float, float] | None = None,
    turn_deg: float = 0.0,
    shift: tuple[float, float] = (0.0, 0.0),
    second: tuple[float, float] | None = None,
    notes: tuple[tuple[float, float, float, int], ...] = (),
) -> DrawnSheet:
    """Return a sheet with the outline of a foot.

    Parameters
    ----------
    ring : ndarray, shape (n, 2)
        :func:`silhouette`, foot frame.
    side : Side
        A left foot is mirrored here.
    pen : Pen
        How it was drawn.
    rng : numpy.random.Generator
        Source of wobble and of a second stroke.
    paper, size : str, (float, float) or None
        Kind of sheet, and the sides of this one where it is off its nominal size.
    turn_deg, shift : float, (float, float)
        The foot against the sheet's middle and long side.
    second : (float, float) or None
        Shift of a second outline of the same foot, mm.
    notes : tuple of (float, float, float, int)
        Lines of handwriting: where they begin, height of letters, mm, and how many.
    """
    size = size or SIZES[paper]
    turn = np.radians(turn_deg)
    across = np.array([-np.cos(turn), -np.sin(turn)])  # medial of a right foot lies to the left
    along = np.array([-np.sin(turn), np.cos(turn)])
    y = ring[:, 1] * (1.0 if side is Side.RIGHT else -1.0)
    foot = ring[:, :1] * along + y[:, None] * across
    middle = (foot.min(axis=0) + foot.max(axis=0)) / 2
    foot = foot - middle + np.array(size) / 2 + shift
    line = _line(foot, pen, rng)
    strokes = [_pieces(line, pen.gaps)]
    if pen.twice:
        strokes.append([_moved(line, _slow(len(line), pen.twice, rng))])
    if second is not None:
        strokes.append([np.concatenate([line, line[:1]]) + second])
    strokes += [_written(note, rng) for note in notes]
    ink = _raster(strokes, pen, size, rng)
    return DrawnSheet(paper=paper, size=size, ink=ink, line=line, foot=foot, side=side)


def _line(foot: Array, pen: Pen, rng: np.random.Generator) -> Array:
    """Return the way of the pen's tip around a foot, evenly spaced."""
    import shapely

    around = shapely.Polygon(foot).buffer(pen.barrel / 2 + pen.lean, quad_segs=32).exterior
    count = int(around.length / STEP_MM)
    points = shapely.line_interpolate_point(
        around, np.linspace(0, 1, count, endpoint=False), normalized=True
    )
    line = shapely.get_coordinates(points)
    return _moved(line, _slow(len(line), pen.wobble, rng)) if pen.wobble else line


def _slow(count: int, sd: float, rng: np.random.Generator) -> Array:
    """Return a closed series that changes over some 15 mm, with this deviation."""
    from scipy.ndimage import gaussian_filter1d

    series = gaussian_filter1d(rng.standard_normal(count), 15.0 / STEP_MM, mode="wrap")
    return sd * series / max(float(series.std()), 1e-9)


def _moved(line: Array, out: Array) -> Array:
    """Return a closed line moved outward."""
    ahead = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    area = np.sum(line[:, 0] * np.roll(line[:, 1], -1) - np.roll(line[:, 0], -1) * line[:, 1])
    return line + np.sign(area) * normal * out[:, None]


def _written(note: tuple[float, float, float, int], rng: np.random.Generator) -> list[Array]:
    """Return letters of nobody's alphabet: some strokes each, side by side."""
    u, v, high, count = note
    strokes = []
    for k in range(count):
        for _ in range(int(rng.integers(1, 4))):
            turns = rng.random((int(rng.integers(2, 5)), 2)) * [0.6 * high, high]
            strokes.append(np.add(turns, (u + 0.8 * high * k, v)))
    return strokes


def _pieces(line: Array, gaps: tuple[tuple[float, float], ...]) -> list[Array]:
    """Return what is left of a closed line between its gaps."""
    keep = np.ones(len(line), dtype=bool)
    for start, length in gaps:
        first = int(start * len(line))
        keep[np.arange(first, first + round(length / STEP_MM)) % len(line)] = False
    if keep.all():
        return [np.concatenate([line, line[:1]])]
    first = int(np.flatnonzero(~keep)[0])
    line, keep = np.roll(line, -first, axis=0), np.roll(keep, -first)
    turns = np.flatnonzero(np.diff(np.r_[False, keep, False].astype(int)))
    return [line[a:b] for a, b in turns.reshape(-1, 2) if b - a > 1]


def _raster(
    strokes: list[list[Array]], pen: Pen, size: tuple[float, float], rng: np.random.Generator
) -> Array:
    """Return the ink of the strokes, softened as a pen leaves it."""
    from PIL import Image, ImageDraw
    from scipy.ndimage import gaussian_filter, zoom

    shape = (round(size[1] * PER_MM), round(size[0] * PER_MM))
    image = Image.new("L", shape[::-1], 0)
    draw = ImageDraw.Draw(image)
    for pieces in strokes:
        for piece in pieces:
            at = np.stack([piece[:, 0], size[1] - piece[:, 1]], axis=1) * PER_MM
            draw.line(
                [tuple(p) for p in at.tolist()],
                fill=255,
                joint="curve",
                width=max(1, round(pen.width * PER_MM)),
            )
    ink = gaussian_filter(np.asarray(image, dtype=np.float32) / 255.0, 0.8, truncate=2.5)
    # pencils skip over the paper's grain, pens hardly
    grain = rng.standard_normal((shape[0] // 3 + 2, shape[1] // 3 + 2)).astype(np.float32)
    grain = zoom(grain, 3, order=1)[: shape[0], : shape[1]]
    uneven = 0.06 if pen.dark > 0.6 else 0.25
    return np.clip(ink * pen.dark * (1.0 + uneven * grain), 0.0, 1.0)
