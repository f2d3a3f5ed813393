"""What the pages draw of a measured foot: verdict, findings, landmarks, surface, scan as it came.

MeasuredFoot -> foot_shown, mesh_bytes; with its Scan -> raw_bytes; places on the page -> the scan

Places in three dimensions are the foot's as it really is, mm, x to the toes, z up: a left foot is
mirrored back here. Places in plan are page coordinates (:mod:`insole.desk.shown`).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

import numpy as np

from footscan.door import to_scanner
from footscan.foot import vertex_normals
from footscan.measuring.pose import mirror, mirror_faces
from footscan.quality.places import places
from footscan.results import MeasuredFoot
from footscan.scan import Array, BoolArray, IntArray, Scan
from footscan.thinning import thinned
from insole.desk.shown import grid
from insole.output.phrases import capital, paper, words
from insole.output.pictures.turn import Turn

__all__ = [
    "foot_shown",
    "marks_now",
    "mesh_bytes",
    "placed_by_hand",
    "placed_on_plan",
    "raw_bytes",
    "sole_thumb",
]

FIGURES = (
    "foot_length",
    "heel_to_ball_length",
    "foot_breadth",
    "heel_breadth",
    "ball_girth",
    "instep_height",
    "arch_apex_height",
    "arch_index",
    "navicular_height",
    "hallux_angle",
)
DEGREES = {"deg": "°"}
# quartiles of 107 people, Cavanagh & Rodgers 1987, J Biomech 20:547; value from memory
BESIDE = {
    "arch_index": "middle third's share of the footprint; half of all feet have 0.21 to 0.26",
}
LANDMARKS = {
    "pternion": "Heel, rearmost point",
    "acropodion": "Toes, foremost point",
    "metatarsale_tibiale": "Ball, medial border",
    "metatarsale_fibulare": "Ball, lateral border",
    "mth1": "1st metatarsal head",
    "mth2": "2nd metatarsal head",
    "mth3": "3rd metatarsal head",
    "mth4": "4th metatarsal head",
    "mth5": "5th metatarsal head",
    "heel_centre": "Heel centre",
    "arch_apex": "Arch apex",
    "navicular": "Navicular",
    "instep": "Instep",
}
ABOVE = ("navicular", "instep")  # not to be seen in plan
ON_SOLE_MM = 4.0
GONE_MM = 3.0  # a point of the scan farther from the cleaned foot was taken away
MOST_FACES, MOST_POINTS = 600_000, 200_000
NEIGHBOURS = 12


def foot_shown(
    foot: MeasuredFoot, hand_length: float | None = None, felt: Sequence[str] = ()
) -> dict[str, Any]:
    """Return verdict, findings, measures and landmarks.

    Parameters
    ----------
    foot : MeasuredFoot
    hand_length : float or None
        As measured by hand, mm.
    felt : sequence of str
        Landmarks that were felt with a finger.
    """
    exact, turn = places(foot), Turn(foot.facts.side)
    return {
        "side": foot.facts.side,
        "file": foot.facts.file,
        "verdict": str(foot.report.verdict.value),
        "load": foot.facts.load,
        "kind": foot.facts.kind,
        "points": foot.facts.points,
        "faces": foot.facts.faces,
        "hand_length": hand_length,
        "unit": foot.facts.unit_evidence,
        "side_words": foot.facts.side_evidence,
        "scale_verified": foot.facts.scale_verified,
        "findings": [
            {
                "code": f.code,
                "level": str(f.severity.value),
                "text": capital(f.text),
                "advice": _at_the_desk(f.advice),
                "region": f.region,
                "exact": (f.code, f.region) in exact,
                "at": _worn(foot, exact[f.code, f.region])
                if (f.code, f.region) in exact
                else _at(foot, f.region),
            }
            for f in foot.report.findings
        ],
        "measures": [_measure(foot, name) for name in FIGURES if name in foot.measures],
        "sizes": {k: v for k, v in foot.sizes.items() if isinstance(v, str | int | float)},
        "landmarks": marks_now(foot, felt),
        "medial": 1 if foot.facts.side == "right" else -1,  # along y of a place as worn
        "medial_on_page": turn.medial,
        "sole": _sole(foot, 1.0, 1),
    }


def marks_now(foot: MeasuredFoot, felt: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Return the landmarks: where, how sure, how found, and which may be moved in plan."""
    turn = Turn(foot.facts.side)
    found = []
    for name, mark in foot.landmarks.items():
        across, up = turn(mark.xyz[None, :2])
        found.append(
            {
                "name": name,
                "label": LANDMARKS.get(name, words(name)),
                "at": _worn(foot, mark.xyz),
                "sd": round(mark.sd, 1),
                "method": mark.method,
                "by_hand": mark.by_hand,
                "felt": name in felt,
                "along": _tenth(mark.xyz[0]),
                "high": _tenth(mark.xyz[2]),
                "across": _across(mark.xyz[1]),
                "in_plan": name not in ABOVE,
                "page": [round(float(across[0]), 2), round(float(up[0]), 2)],
                "automatic": None if mark.automatic is None else _worn(foot, mark.automatic),
            }
        )
    return found


def _at_the_desk(advice: str) -> str:
    """Return an advice without what would be typed at the command line."""
    return capital(paper(advice.replace("state its length", "type it in with the scan")))


def _across(y: float) -> str:
    """Return a place beside the axis in words."""
    words = _tenth(abs(y))
    return words if words == "0.0" else f"{words} {'medial' if y > 0 else 'lateral'}"


def _tenth(value: float) -> str:
    return f"{round(float(value), 1) + 0.0:.1f}"  # never -0.0


def sole_thumb(foot: MeasuredFoot) -> dict[str, Any]:
    """Return the sole map as seen, 4 mm apart, for a small picture."""
    return _sole(foot, 4.0, 1)


def _sole(foot: MeasuredFoot, step: float, digits: int) -> dict[str, Any]:
    """Return the sole map in plan, about `step` mm apart."""
    sole, every = foot.foot.sole, max(1, round(step / foot.foot.sole.cell))
    turn = Turn(foot.facts.side)
    return grid(turn, sole.x[::every], sole.y[::every], sole.z[::every, ::every], digits)


def _measure(foot: MeasuredFoot, name: str) -> dict[str, Any]:
    measure = foot.measures[name]
    if measure.value is None:
        return {"name": name, "label": words(name), "value": None, "reason": measure.reason}
    digits = 1 if measure.unit in ("mm", "deg", "%") else 3
    spread = "" if measure.sd is None else f" ± {measure.sd:.{digits}f}"
    unit = DEGREES.get(measure.unit, f" {measure.unit}" if measure.unit not in ("", "1") else "")
    return {
        "name": name,
        "label": words(name),
        "by_hand": measure.by_hand,
        "beside": BESIDE.get(name, ""),
        "value": f"{measure.value:.{digits}f}{spread}{unit}",
    }


def _worn(foot: MeasuredFoot, points: Array) -> list[float]:
    """Return one place of the foot as it really is: a left foot is mirrored back."""
    place = np.asarray(points, dtype=float)
    out = mirror(place[None])[0] if foot.facts.side == "left" else place
    return [round(float(v), 2) for v in out]


def _at(foot: MeasuredFoot, region: str) -> list[float] | None:
    """Return where on the foot a finding's pin stands; None for one about the whole scan."""
    low, high = foot.foot.vertices.min(axis=0), foot.foot.vertices.max(axis=0)
    length, y = foot.foot.length, {"medial border": high[1], "lateral border": low[1]}.get(region)
    share = {
        "heel": 0.1,
        "arch": 0.45,
        "sole": 0.4,
        "ball": 0.7,
        "toes": 0.93,
        "dorsum": 0.55,
        "leg": 0.12,
        "medial border": 0.5,
        "lateral border": 0.5,
    }.get(region)
    if share is None:
        return None
    z = {"dorsum": 0.6 * high[2], "leg": high[2], "toes": 12.0}.get(region, 4.0)
    return _worn(foot, np.array([share * length, 0.0 if y is None else y, z]))


def placed_by_hand(foot: MeasuredFoot, at: Sequence[float]) -> tuple[float, float, float]:
    """Return a place on the foot as shown, laid onto its surface, in the scan's own mm."""
    shown = np.asarray(at, dtype=float)
    inside = mirror(shown[None])[0] if foot.facts.side == "left" else shown
    x, y, z = to_scanner(foot, _on_surface(foot, inside))
    return round(float(x), 3), round(float(y), 3), round(float(z), 3)


def placed_on_plan(
    foot: MeasuredFoot, name: str, across: float, up: float
) -> tuple[float, float, float]:
    """Return a landmark's new place in plan, laid onto the surface, in the scan's own mm.

    A landmark of the sole takes the sole's height there; one of the border keeps its own.
    """
    mark, y = foot.landmarks[name].xyz, across * Turn(foot.facts.side).medial
    here = float(foot.foot.sole.height(mark[0], mark[1]))
    there = float(foot.foot.sole.height(up, y))
    below = abs(mark[2] - here) < ON_SOLE_MM and np.isfinite(there)
    point = _on_surface(foot, np.array([up, y, there if below else mark[2]]))
    x, y, z = to_scanner(foot, point)
    return round(float(x), 3), round(float(y), 3), round(float(z), 3)


def _on_surface(foot: MeasuredFoot, point: Array) -> Array:
    """Return the place of the cleaned surface nearest to a point; foot frame, mm."""
    from scipy.spatial import cKDTree
    from trimesh.triangles import closest_point

    vertices, faces = foot.foot.vertices, foot.foot.faces
    _, near = cKDTree(vertices).query(point, k=NEIGHBOURS)
    own = faces[np.isin(faces, near).any(axis=1)]
    if not len(own):
        bare: Array = vertices[near[0]]
        return bare
    found = closest_point(vertices[own], np.repeat(point[None], len(own), axis=0))
    best: Array = found[int(np.linalg.norm(found - point, axis=1).argmin())]
    return best


def mesh_bytes(foot: MeasuredFoot) -> bytes:
    """Return the cleaned foot as it really is: counts, then places, normals and triangles.

    Little endian: uint32 vertices, uint32 faces, float32 (n, 3) mm, int8 (n, 4) normals times
    127, uint32 (m, 3).
    """
    vertices, faces = foot.foot.vertices, foot.foot.faces
    if foot.facts.side == "left":
        vertices, faces = mirror(vertices), mirror_faces(faces)
    normals = vertex_normals(vertices, faces)
    return _packed(vertices, faces, normals, np.zeros(len(vertices), dtype=bool))


def raw_bytes(foot: MeasuredFoot, scan: Scan) -> bytes:
    """Return the scan as it came, laid where the cleaned foot lies.

    As :func:`mesh_bytes`; the fourth byte of a normal is 127 where cleaning took the point away.
    Dense scans are thinned to what a page can draw; bare points stay points.
    """
    from scipy.spatial import cKDTree

    in_mm = scan.scaled(foot.facts.mm_per_unit)
    vertices, faces = thinned(
        in_mm.vertices, in_mm.faces, most_faces=MOST_FACES, most_points=MOST_POINTS
    )
    pose = foot.foot.pose
    settled = vertices @ pose[:3, :3].T + pose[:3, 3]
    far, near = cKDTree(foot.foot.vertices).query(settled, distance_upper_bound=GONE_MM)
    gone: BoolArray = ~np.isfinite(far)
    cleaned = vertex_normals(foot.foot.vertices, foot.foot.faces)
    normals = np.zeros_like(settled)
    normals[~gone] = cleaned[near[~gone]]
    if len(faces):
        turned = mirror_faces(faces) if foot.facts.side == "left" else faces
        normals[gone] = vertex_normals(settled, turned)[gone]
    if foot.facts.side == "left":
        settled, normals = mirror(settled), mirror(normals)
    return _packed(settled, faces, normals, gone)


def _packed(vertices: Array, faces: IntArray, normals: Array, gone: BoolArray) -> bytes:
    told = np.zeros((len(vertices), 4), dtype=np.int8)
    told[:, :3] = np.round(127 * np.nan_to_num(normals))
    told[:, 3] = np.where(gone, 127, 0)
    return b"".join(
        (
            struct.pack("<II", len(vertices), len(faces)),
            vertices.astype("<f4").tobytes(),
            told.tobytes(),
            faces.astype("<u4").tobytes(),
        )
    )
