"""What a maker's machines and eyes find in a written folder: for ``files_study.py``.

folder, parts -> figures on papers, engraving on cuts, crumbs, arcs, ripple of printed tops
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import ezdxf
import ezdxf.path
import numpy as np
import pypdfium2
import shapely
from scipy.interpolate import LinearNDInterpolator

from footscan.scan import Array
from insole.output.cut.labels import extent_of
from insole.parts.part import Part

__all__ = ["BENCH_BOUNDS", "look_at_bench"]

BENCH_BOUNDS = {
    "paper: figure not the part's": 0,
    "engraved on a cut, mm": 0.01,
    "crumb, mm short of 0.05": 1e-4,
    "cut: short chords, share of length": 0.35,
    "drawn twice, mm": 1.0,
    "ripple of a top, mm": 0.02,
}
Note = Callable[[str, float, str], None]
WINDOW = 7.5  # mm: half of the 15 mm below which a wave is a ripple
STEP = 1.0


def look_at_bench(place: Path, parts: list[Part], tag: str, note: Note) -> None:
    """Enter every figure of :data:`BENCH_BOUNDS` for a folder."""
    _figures(place, parts, tag, note)
    for path in sorted((place / "cut").rglob("*.dxf")):
        _cut(path, note)
    for part in parts:
        if part.name in ("arch-pad", "metatarsal-pad", "contoured-bed"):
            note("ripple of a top, mm", ripple(part), f"{tag} {part.label}")


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


def ripple(part: Part) -> float:
    """Return how far a top strays from its own course over 15 mm, mm, at 95 % of its places.

    The course is the cubic surface that fits best within 7.5 mm: it follows domes and hollows, and
    no wave that is shorter.
    """
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = normal[:, 2] > 0.3 * np.linalg.norm(normal, axis=1)
    top = np.unique(part.faces[up])
    height = LinearNDInterpolator(part.vertices[top, :2], part.vertices[top, 2])
    inner = shapely.Polygon(part.outline).buffer(-WINDOW - 4.0)
    if inner.is_empty:
        return 0.0
    box = extent_of([part.outline])
    x, y = (
        g.ravel()
        for g in np.meshgrid(np.arange(box[0], box[2], 3.0), np.arange(box[1], box[3], 3.0))
    )
    inside = shapely.contains_xy(inner, x, y)
    near = np.arange(-WINDOW, WINDOW + 1e-9, STEP)
    dx, dy = (g.ravel() for g in np.meshgrid(near, near))
    disc = np.hypot(dx, dy) <= WINDOW
    dx, dy = dx[disc], dy[disc]
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    basis = np.column_stack([dx**i * dy**j for i, j in powers])
    smooth = np.linalg.pinv(basis)[0]  # the fitted surface's height in the middle
    off = []
    for px, py in zip(x[inside], y[inside], strict=True):
        z = height(px + dx, py + dy)
        if np.isfinite(z).all():
            off.append(abs(float(height(px, py)) - float(smooth @ z)))
    return float(np.quantile(off, 0.95)) if off else 0.0
