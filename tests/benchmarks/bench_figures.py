"""What a maker's machines and eyes find in a written folder: for ``files_study.py``.

folder, parts -> figures on papers, engraving on cuts, crumbs, arcs, ripple of printed tops
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import ezdxf
import ezdxf.path
import numpy as np
import pypdfium2
import shapely
from scipy import ndimage

from footscan.scan import Array
from insole.output.cut.labels import extent_of
from insole.parts.part import Part

__all__ = ["BENCH_BOUNDS", "cut_faults", "look_at_bench", "ripple", "too_sharp", "waves"]

BENCH_BOUNDS = {
    "paper: figure not the part's": 0,
    "engraved on a cut, mm": 0.01,
    "crumb, mm short of 0.05": 1e-4,
    "cut: short chords, share of length": 0.35,
    "drawn twice, mm": 1.0,
    "cut twice, or a hole after its outline": 0,
    "ripple of a top, mm": 0.02,
    "edge under skin, mm off 3 mm round": 0.06,
    "edge of a rim, mm off 2 mm round": 0.06,
}
Note = Callable[[str, float, str], None]
CUTOFF = 15.0  # mm: a scanned sole's own low-pass, by which waves of that length are halved
RIPPLE_MM = 10.0  # shorter waves are ripple: of the sole's own a sixth is left there at the most
RUNNING = 6  # swings: three waves
ALIKE = 4.0  # times the least swing that the largest may be
RIM = 4.0  # mm: a rounded rim and an edge that runs out are no ripple
STEP = 0.5
SKIN_MM, RIM_MM = 3.0, 2.0  # least radius of what the foot lies on, and of a rim's foot side
OUTSIDE_MM = 2.0  # beside an upright border, whose outer edge the foot does not touch
FINE_MM = 0.25


def look_at_bench(place: Path, parts: list[Part], tag: str, note: Note) -> None:
    """Enter every figure of :data:`BENCH_BOUNDS` for a folder."""
    _figures(place, parts, tag, note)
    for path in sorted((place / "cut").rglob("*.dxf")):
        _cut(path, note)
    for part in parts:
        if part.name in ("arch-pad", "metatarsal-pad", "contoured-bed"):
            note("ripple of a top, mm", ripple(part), f"{tag} {part.label}")
            z, border, step = _top(part, FINE_MM)
            for name, radius, away in (
                ("edge under skin, mm off 3 mm round", SKIN_MM, RIM),
                ("edge of a rim, mm off 2 mm round", RIM_MM, OUTSIDE_MM),
            ):
                off = np.where(border > away, too_sharp(z, radius, step), 0.0)
                note(name, float(off.max()), f"{tag} {part.label}")


def _figures(place: Path, parts: list[Part], tag: str, note: Note) -> None:
    """Hold heights on first page, plan page and tick-off page against the meshes."""
    texts = {"READ-ME-FIRST.txt": (place / "READ-ME-FIRST.txt").read_text(encoding="utf-8")}
    for stem in ("plan", "report"):
        pages = pypdfium2.PdfDocument((place / "paper" / f"{stem}-{tag}.pdf").read_bytes())
        texts[stem] = " ".join(page.get_textpage().get_text_bounded() for page in pages)
    tops = [float(np.ptp(part.vertices[:, 2])) for part in parts]
    crests = [part.facts.crest.height for part in parts if part.facts.crest is not None]
    for name, text in texts.items():
        whole = " ".join(text.split())
        patterns = (
            (r"([\d.]+) mm at its highest", tops),
            (r"([\d.]+) mm (?:high|thick) at (?:the|its) crest", crests),
        )
        for pattern, known in patterns:
            for said in re.findall(pattern, whole):
                off = min((abs(float(said) - value) for value in known), default=math.inf)
                note("paper: figure not the part's", off > 0.0501, f"{tag} {name}: {said}")
        for part in parts:
            a, b, c = (part.vertices[part.faces[:, k]] for k in range(3))
            volume = abs(float(np.einsum("ij,ij->", a, np.cross(b, c)))) / 6000.0
            words = f"{volume:.0f} cm³" if volume >= 9.95 else f"{volume:.1f} cm³"
            note("paper: figure not the part's", words not in whole, f"{tag} {name}: {words}")


def _cut(path: Path, note: Note) -> None:
    """Look at a cut file as a machine's program does."""
    drawn: dict[str, list[Array]] = {}
    short, whole = 0.0, 0.0
    for entity in ezdxf.readfile(path).modelspace():
        rows = np.array(entity.get_points("xyb"))
        points = np.array([(v.x, v.y) for v in ezdxf.path.make_path(entity).flattening(0.002)])
        drawn.setdefault(entity.dxf.layer, []).append(points)
        ring = np.vstack([rows, rows[:1]]) if entity.closed else rows
        steps = np.hypot(*np.diff(ring[:, :2], axis=0).T)
        if entity.dxf.layer != "NOTE":
            note("crumb, mm short of 0.05", max(0.05 - float(steps.min()), 0.0), path.name)
        if entity.dxf.layer == "CUT":
            straight = ring[:-1, 2] == 0
            short += float(steps[straight & (steps < 2.0)].sum())
            whole += float(steps.sum())
    note("cut: short chords, share of length", short / whole, path.name)
    note("cut twice, or a hole after its outline", cut_faults(drawn["CUT"]), path.name)
    cuts = shapely.union_all([shapely.LineString(p).buffer(0.1) for p in drawn["CUT"]])
    engraved = [shapely.LineString(p) for p in drawn.get("ENGRAVE", ()) if len(p) > 1]
    on = sum(line.intersection(cuts).length for line in engraved)
    note("engraved on a cut, mm", on, path.name)
    long = [line for line in engraved if line.length > 12.0]  # no strokes of letters
    tree, twice = shapely.STRtree(long), 0.0
    for k, line in enumerate(long):
        for other in tree.query(line.buffer(0.02), predicate="intersects"):
            if other < k:
                shared = shapely.get_parts(line.intersection(long[other].buffer(0.02)))
                twice += sum(piece.length for piece in shared if piece.length > 0.5)
    note("drawn twice, mm", twice, path.name)


def cut_faults(rings: Sequence[Array]) -> int:
    """Return how many rings to cut come twice, or after the outline that they are a hole of."""
    shapes = [shapely.Polygon(ring).buffer(0) for ring in rings]
    return sum(
        shapes[k].contains(later) or shapes[k].symmetric_difference(later).area < 0.01 * later.area
        for later_at, later in enumerate(shapes)
        for k in range(later_at)
    )


def ripple(part: Part) -> float:
    """Return the amplitude of waves in a part's top that a finger feels as ripple, mm.

    Inside its rim, the top against its own low-pass of 15 mm, as :func:`waves` reads it.
    """
    z, border, step = _top(part, STEP)
    return waves(z, border > RIM, step) if border.max() > RIM else 0.0


def _top(part: Part, step: float) -> tuple[Array, Array, float]:
    """Return a part's top on a grid, mm, how far inside its border that is, and the grid's step.

    Outside it goes on as it is at the border; there the way inside is 0.
    """
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = normal[:, 2] > 0.3 * np.linalg.norm(normal, axis=1)
    shape = shapely.Polygon(part.outline, part.holes)
    box = extent_of([part.outline])
    x, y = np.arange(box[0], box[2], step), np.arange(box[1], box[3], step)
    z = surface(corners[up], x, y)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    shapely.prepare(shape)
    inside = np.isfinite(z) & shapely.contains_xy(shape, gx, gy)
    away = ndimage.distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1] * step
    _, at = ndimage.distance_transform_edt(~inside, return_indices=True)
    return z[tuple(at)], away, step


def surface(corners: Array, x: Array, y: Array) -> Array:
    """Return the highest of triangles over each place of an even grid, mm; NaN where there is none.

    On the triangles themselves. Their corners joined anew, seen from above, are another surface:
    where large ones meet in an edge askew to both, it had beads of 0.03 mm that nobody prints.

    Parameters
    ----------
    corners : ndarray, shape (n, 3, 3)
        Triangles that face up, mm.
    x, y : ndarray, shapes (k,) and (m,)
        Even axes of the grid, mm.
    """
    found = np.full((len(x), len(y)), -np.inf)
    step, start = x[1] - x[0], np.array([x[0], y[0]])
    a, sides = corners[:, 0], corners[:, 1:] - corners[:, :1]
    turned = np.linalg.inv(sides[:, :, :2])
    low = np.ceil((corners[:, :, :2].min(axis=1) - start) / step - 1e-9).astype(int).clip(0)
    high = np.floor((corners[:, :, :2].max(axis=1) - start) / step + 1e-9).astype(int) + 1
    for k in np.flatnonzero((high > low).all(axis=1)):
        here = slice(low[k, 0], high[k, 0]), slice(low[k, 1], high[k, 1])
        places = np.stack(np.meshgrid(x[here[0]], y[here[1]], indexing="ij"), axis=-1)
        share = (places - a[k, :2]) @ turned[k]
        hit = (share >= -1e-9).all(axis=-1) & (share.sum(axis=-1) <= 1.0 + 1e-9)
        z = np.where(hit, a[k, 2] + share @ sides[k, :, 2], -np.inf)
        found[here] = np.maximum(found[here], z)
    return np.where(np.isfinite(found), found, np.nan)


def too_sharp(z: Array, radius: float, step: float) -> Array:
    """Return how far a ball rolled along below a top stays off it, mm.

    A convex edge that is as round as the ball is reached by it all over. One of radius r that
    turns by an angle t is missed by (radius - r) (1 / cos(t / 2) - 1): by 0.08 mm where r is 2.5
    for 3 mm and t 60 degrees. Triangles on a steep flank read up to 0.05 mm by themselves.
    """
    reach = math.floor(radius / step)
    at = step * np.arange(-reach, reach + 1)
    square = at[:, None] ** 2 + at[None, :] ** 2
    ball = np.sqrt(np.clip(radius**2 - square, 0.0, None))
    opened = ndimage.grey_opening(z, footprint=square <= radius**2, structure=ball, mode="nearest")
    return np.asarray(z - opened)


def waves(z: Array, inside: Array, step: float) -> float:
    """Return the largest amplitude of three waves in a row, mm.

    The difference to a low-pass by itself is no ripple: it flattens a dome of 25 mm radius by
    0.3 mm, and a ridge or a step by more, where the surface bends once. A ripple goes up and down
    again. So along lines in eight directions the difference must swing six times running, each
    within half of the 10 mm below which a wave is a ripple, and none more than four times another:
    a line over the end of a wedge, a relief and a ridge swings as often. The least counts.
    A dome, a ridge and a step read 0, a wave of 0.05 mm and 6 mm length 0.05
    (``tests/insole/test_ripple.py``).

    Parameters
    ----------
    z : ndarray, shape (n, m)
        Heights on a grid, mm.
    inside : ndarray of bool, shape (n, m)
        Where waves count.
    step : float
        Between the places of the grid, mm.
    """
    sigma = CUTOFF * math.sqrt(math.log(2.0) / 2.0) / math.pi  # halves a wave of that length
    off = z - ndimage.gaussian_filter(z, sigma / step, mode="nearest")
    return max(
        (
            _swings(off[line], inside[line], math.hypot(*way) * step)
            for way in ((1, 0), (0, 1), (1, 1), (1, -1), (2, 1), (1, 2), (2, -1), (1, -2))
            for line in _lines(off.shape, way)
        ),
        default=0.0,
    )


def _lines(shape: tuple[int, ...], way: tuple[int, int]) -> Iterator[tuple[Array, Array]]:
    """Yield the places of each line of a grid that runs one way."""
    i, j = (g.ravel() for g in np.indices(shape))
    before = i - way[0], j - way[1]
    first = ~np.logical_and.reduce([(before[k] >= 0) & (before[k] < shape[k]) for k in (0, 1)])
    for a, b in zip(i[first], j[first], strict=True):
        k = np.arange(max(shape))
        x, y = a + k * way[0], b + k * way[1]
        there = (x < shape[0]) & (y >= 0) & (y < shape[1])
        yield x[there], y[there]


def _swings(off: Array, inside: Array, step: float) -> float:
    """Return half the least of six swings running along a line, the largest such, mm."""
    rising = np.diff(off) > 0
    turns = np.flatnonzero(rising[1:] != rising[:-1]) + 1
    turns = turns[inside[turns]]
    if len(turns) <= RUNNING:
        return 0.0
    swing, apart = np.abs(np.diff(off[turns])), np.diff(turns) * step
    swing = np.where(apart <= RIPPLE_MM / 2, swing, 0.0)
    runs = np.lib.stride_tricks.sliding_window_view(swing, RUNNING)
    least = runs.min(axis=1)
    return float(np.where(runs.max(axis=1) <= ALIKE * least, least, 0.0).max()) / 2
