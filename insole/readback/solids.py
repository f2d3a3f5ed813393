"""Print and CAD files held against the plan: names, side by shape, heights, thick edge, letters.

    STL, 3MF, STEP -> triangles, named meshes, points -> the plan's outline and heights

Meshes come in the worn frame: seen from above, +x to the toes, a right part's big-toe side at +y.
"""

from __future__ import annotations

import html
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from insole.errors import OutputError
from insole.readback.stations import ends_across
from insole.readback.told import Piece, Told, mirrored, other, plain

__all__ = ["check_3mf", "check_mesh", "check_step", "read_stl"]

Numbers = NDArray[np.float64]
OFF = 0.15  # mm between a made height and the plan's: triangles, rounded rims
AREA = 0.04  # mm, as mean over an outline's length, that a shadow may differ from the plan's
NOTCH = 90.0  # mm2 that the notch, with the trim allowance in it, may take away
SLOT = 160.0  # mm2 that a slot for a bolt takes away at the most
REACH = 12.0  # mm from the middle of a slot to its ends, at the most
SPOTS = 60  # places at which a top is measured
SAME = 2e-3  # mm between the meshes of one part in two files
THICK = 0.3  # mm between a thick edge as made and as planned


def read_stl(path: Path) -> tuple[str, Numbers]:
    """Return header and triangles of a binary STL.

    Raises
    ------
    OutputError
        The file is cut short or no binary STL.
    """
    data = path.read_bytes()
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else -1
    if len(data) != 84 + 50 * count:
        raise OutputError(f"{path.name} is not a whole binary STL")
    kind = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    rows = np.frombuffer(data, kind, count, 84)
    return data[:80].decode("ascii", "replace").strip(), rows["corners"].astype(float)


def check_mesh(path: Path, header: str, corners: Numbers, label: str, told: Told) -> None:
    """Hold an STL against the plan: its header, outline and side, and the heights of its top.

    Raises
    ------
    OutputError
        It names another part or side, is mirrored, or has other heights than the plan.
    """
    side, _, name = label.partition("-")
    words = told.says(header)
    if side.upper() not in words or other(side).upper() in words:
        raise OutputError(f"{path.name}: its header does not name the {side} side: {header!r}")
    if f"{side.upper()} {plain(name)}" not in plain(header) or "MM" not in words:
        raise OutputError(f"{path.name}: its header does not name the {label} in mm: {header!r}")
    piece = told.pieces.get(label)
    if piece is None or not piece.outline:
        return
    turn = np.array([1.0, mirrored(piece.side), 1.0])
    bed = corners * turn  # in the bed frame, left and right alike
    _check_shadow(path, bed, piece, left=piece.side == "left")
    _check_heights(path, bed, piece)


def _check_shadow(path: Path, bed: Numbers, piece: Piece, *, left: bool) -> None:
    """Compare area and moments of the shadow with the plan's outline: place, size, side."""
    # faces that look down cover the outline once; a left part's are turned over by mirroring
    a, b, c = (bed[:, k, :2] for k in range(3))
    area = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    area = area if left else -area
    down = area > 1e-9
    area, middle = area[down], (a + b + c)[down] / 3
    total = float(area.sum())
    plan = piece.shape
    slack = NOTCH + AREA * plan.length + SLOT * len(piece.holes)
    whole = plan.area - len(piece.vents) * np.pi * piece.vent**2 / 4.0
    if not whole - slack < total < whole + AREA * plan.length:
        raise OutputError(
            f"{path.name}: {piece.label} covers {total:.0f} mm², its outline in the plan "
            f"{whole:.0f} mm²"
        )
    low, high = bed[..., :2].min(axis=(0, 1)), bed[..., :2].max(axis=(0, 1))
    box = np.array(plan.bounds)
    if np.abs(np.concatenate([low, high]) - box).max() > 0.2:
        flipped = np.array([box[0], -box[3], box[2], -box[1]])
        words = (
            "is the mirror image of"
            if (np.abs(np.concatenate([low, high]) - flipped).max() <= 0.2)
            else "does not lie where"
        )
        raise OutputError(f"{path.name}: {piece.label} {words} what the plan says")
    spots = shapely.points(middle)
    away = shapely.distance(plan, spots)
    if float((area * (away > 0.05)).sum()) > AREA * plan.length:
        raise OutputError(f"{path.name}: {piece.label} reaches over its outline in the plan")


def _check_heights(path: Path, bed: Numbers, piece: Piece) -> None:
    """Measure the top at places all over the part."""
    if piece.height is None:
        return
    x, y = _spots(piece)
    if not len(x):
        return
    made = _tops(bed, x, y)
    wanted = piece.height(x, y)
    off = made - wanted
    ok = np.isfinite(off)
    if piece.wedge is not None:
        _check_thick_edge(path, bed, piece)
    # letters and lines cut into the top, sockets: lower in places, never higher
    if (
        (~ok).mean() > 0.2
        or (off[ok] > OFF).any()
        or np.median(np.abs(off[ok])) > OFF / 2
        or ((np.abs(off[ok]) > OFF).mean() > 0.25)
    ):
        k = int(np.nanargmax(np.abs(np.where(ok, off, 0.0))))
        raise OutputError(
            f"{path.name}: {piece.label} is {made[k]:.1f} mm high {x[k]:.0f} mm from the rear edge "
            f"and {y[k]:+.0f} mm to the big-toe side, the plan says {wanted[k]:.1f} mm"
        )


def _spots(piece: Piece) -> tuple[Numbers, Numbers]:
    """Return places well inside a part, evenly spread."""
    inner = piece.shape.buffer(-piece.margin - 1.0)
    if inner.is_empty:
        return np.zeros(0), np.zeros(0)
    x0, y0, x1, y1 = inner.bounds
    step = float(np.sqrt(max((x1 - x0) * (y1 - y0), 1.0) / SPOTS))
    x, y = (
        g.ravel()
        for g in np.meshgrid(np.arange(x0 + step / 3, x1, step), np.arange(y0 + step / 3, y1, step))
    )
    inside = shapely.contains_xy(inner, x, y)
    for spot in piece.vents:
        inside &= np.hypot(x - spot[0], y - spot[1]) > piece.vent / 2 + 0.3
    return x[inside], y[inside]


def _tops(bed: Numbers, x: Numbers, y: Numbers) -> Numbers:
    """Return the height of the highest triangle over each place, from the lowest point of all."""
    low, high = bed[..., :2].min(axis=1), bed[..., :2].max(axis=1)
    floor, found = float(bed[..., 2].min()), np.full(len(x), np.nan)
    for k, (px, py) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        near = (low[:, 0] <= px) & (high[:, 0] >= px) & (low[:, 1] <= py) & (high[:, 1] >= py)
        a, b, c = (bed[near, i] for i in range(3))
        u, v = b - a, c - a
        turn = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        flat = np.abs(turn) > 1e-9
        a, u, v, turn = a[flat], u[flat], v[flat], turn[flat]
        dx, dy = px - a[:, 0], py - a[:, 1]
        s = (dx * v[:, 1] - dy * v[:, 0]) / turn
        t = (u[:, 0] * dy - u[:, 1] * dx) / turn
        hit = (s >= -1e-6) & (t >= -1e-6) & (s + t <= 1 + 1e-6)
        if hit.any():
            found[k] = float((a[:, 2] + s * u[:, 2] + t * v[:, 2])[hit].max()) - floor
    return found


def _check_thick_edge(path: Path, bed: Numbers, piece: Piece) -> None:
    """Measure both edges of a shim half-way along its full height."""
    wedge = piece.wedge or {}
    x = (
        max(wedge["full_from"], piece.shape.bounds[0])
        + min(wedge["full_to"], piece.shape.bounds[2])
    ) / 2
    low, top = ends_across(piece.shape, x)
    little, big = _tops(bed, np.array([x, x]), np.array([low + 1.5, top - 1.5]))
    high = "big-toe side" if big > little else "little-toe side"
    if high != wedge["thick_side"] or (float(wedge["net"]) > 0) != (big > little):
        raise OutputError(
            f"{path.name}: {piece.label} is thicker on the {high} ({max(big, little):.1f} mm), "
            f"the plan says thick on the {wedge['thick_side']}"
        )
    most = float(bed[..., 2].max() - bed[..., 2].min())
    if abs(most - float(wedge["thick_edge"])) > THICK:
        raise OutputError(
            f"{path.name}: {piece.label} is {most:.1f} mm thick at the most, the plan says "
            f"{float(wedge['thick_edge']):.1f} mm"
        )


# ------------------------------------------------------------------ 3MF


def check_3mf(
    path: Path,
    meshes: Mapping[str, Numbers],
    told: Told,
    scales: Mapping[str, Numbers],
    bed: tuple[float, float] | None = None,
) -> list[str]:
    """Return the labels of the objects in a 3MF; each is the mesh of its STL, turned and moved.

    Parameters
    ----------
    path : Path
        The file.
    meshes : mapping
        Triangles of each STL by label, mm, as planned: made no larger.
    told : Told
        The plan.
    scales : mapping of str to ndarray, shape (3,)
        By how much a part was made larger along the axes of the file, by label.
    bed : (float, float) or None
        Of the printer that the first page names for this file, mm.

    Raises
    ------
    OutputError
        A part reaches over that bed. Unit, title or a name are not the plan's, or a mesh is not
        that part.
    """
    try:
        with zipfile.ZipFile(path) as package:
            data = package.read("3D/3dmodel.model")
    except (zipfile.BadZipFile, KeyError):
        raise OutputError(f"{path.name} cannot be read as 3MF") from None
    if not re.search(rb'<model\b[^>]*\bunit="millimeter"', data):
        raise OutputError(f"{path.name} is not in millimetres")
    said = re.search(rb'<metadata name="Title">([^<]*)<', data)
    title = f"{told.case}, version {told.plan['version']}"
    heading = html.unescape(said[1].decode()) if said else ""
    if not heading.startswith(title):
        raise OutputError(f"{path.name} has the title {heading!r}, not {title!r}")
    if b"transform=" in data:
        raise OutputError(f"{path.name} moves or mirrors a part by a transform")
    labels = []
    for head, body in re.findall(rb"<object\b([^>]*)>(.*?)</object>", data, re.DOTALL):
        name = re.search(rb'\bname="([^"]*)"', head)
        label = html.unescape(name[1].decode()) if name else ""
        if label not in meshes:
            raise OutputError(f"{path.name} holds {label!r}, which has no STL")
        vertices, _, faces = body.partition(b"</vertices>")
        points = _numbers(vertices, rb"[xyz]=").reshape(-1, 3)
        corners = _numbers(faces, rb"v[123]=").reshape(-1, 3).astype(int)
        if not len(corners) or corners.max() >= len(points):
            raise OutputError(f"{path.name}: {label} cannot be read")
        low, high = points.min(axis=0), points.max(axis=0)
        if bed is not None and (min(low[:2]) < -SAME or (high[:2] > np.add(bed, SAME)).any()):
            raise OutputError(
                f"{path.name}: {label} reaches over the bed of {bed[0]:g} x {bed[1]:g} mm that the "
                "first page names"
            )
        if not _congruent(points[corners] / scales.get(label, 1.0), meshes[label]):
            raise OutputError(f"{path.name}: {label} has another shape than its STL, or mirrored")
        labels.append(label)
    return labels


def _numbers(block: bytes, names: bytes) -> Numbers:
    """Return the attribute values of elements that hold three figures each."""
    found = re.sub(names, b"", block).translate(_FIGURES)
    numbers = np.fromstring(found.decode("ascii"), dtype=float, sep=" ")
    return numbers[: len(numbers) // 3 * 3]


_FIGURES = bytes(c if chr(c) in "0123456789.-" else 32 for c in range(256))


def _congruent(one: Numbers, other_: Numbers) -> bool:
    """Return whether two lists of triangles are the same but for a turn about z and a move."""
    if one.shape != other_.shape:
        return False
    flat = [(m[..., 0] + 1j * m[..., 1]).ravel() for m in (one, other_)]
    flat = [points - points.mean() for points in flat]
    turn = np.vdot(flat[1], flat[0])
    if abs(turn) == 0:
        return False
    apart = np.abs(flat[0] - turn / abs(turn) * flat[1]).max()
    level = [m[..., 2] - m[..., 2].min() for m in (one, other_)]
    return bool(apart < SAME and np.abs(level[0] - level[1]).max() < SAME)


# ------------------------------------------------------------------ STEP


def check_step(path: Path, label: str, told: Told) -> None:
    """Hold a STEP file against the plan, read as text: product names, unit, side by its corners.

    Raises
    ------
    OutputError
        Another product is named, it is not in millimetres, or its corners are mirrored.
    """
    text = path.read_text(encoding="utf-8", errors="replace")
    names = set(re.findall(r"\bPRODUCT\s*\(\s*'([^']*)'\s*,\s*'([^']*)'", text))
    if names != {(label, label)}:
        said = ", ".join(sorted({name for pair in names for name in pair})) or "nothing"
        raise OutputError(f"{path.name}: its product is named {said}, it should be {label}")
    if not re.search(r"SI_UNIT\s*\(\s*\.MILLI\.\s*,\s*\.METRE\.\s*\)", text):
        raise OutputError(f"{path.name} is not in millimetres")
    title = re.search(r"FILE_NAME\s*\(\s*'([^']*)'", text)
    if title is None or title[1] != label:
        raise OutputError(f"{path.name}: its header does not name the {label}")
    piece = told.pieces.get(label)
    if piece is None or not piece.outline:
        return
    points: dict[str, Any] = dict(
        re.findall(r"#(\d+)\s*=\s*CARTESIAN_POINT\s*\([^(]*\(([^)]*)\)", text)
    )
    corners = [points[k] for k in re.findall(r"VERTEX_POINT\s*\([^#]*#(\d+)", text) if k in points]
    if not corners:
        raise OutputError(f"{path.name} holds no corners")
    places = np.array([[float(n) for n in corner.split(",")] for corner in corners])
    places = places[places[:, 2] < places[:, 2].min() + 0.05, :2] * [1.0, mirrored(piece.side)]
    for spot in (*piece.holes, *piece.sockets):  # their corners say nothing of the outline
        places = places[np.hypot(*(places - spot).T) > REACH]
    for spot in piece.vents:
        places = places[np.hypot(*(places - spot).T) > piece.vent / 2 + 0.1]
    ring = piece.shape.exterior
    away = [shapely.distance(ring, shapely.points(p)) for p in (places, places * [1.0, -1.0])]
    near, flipped = (float((d < 0.3).mean()) for d in away)
    if near < 0.6 and flipped > near:
        raise OutputError(f"{path.name}: {label} is the mirror image of what the plan says")
    if near < 0.5:
        raise OutputError(f"{path.name}: {label} does not lie on its outline in the plan")
