"""Two scans compared.

    MeasuredFoot, MeasuredFoot -> repeat.compare -> Comparison -> text, JSON, picture

Frame: the foot frame (mm), in which every foot is a right one; so a left and a right foot can be
laid on each other as they are.

Terms
    signed distance  of the first scan to the second: + where the first lies outside it
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import spatial
from scipy.spatial.transform import Rotation

from footscan.checking.series import (
    BAND,
    FOOT_LIMIT_MM,
    ISO_PEOPLE,
    Difference,
    outside_limits,
)
from footscan.errors import ScanQualityError
from footscan.foot import Foot, face_normals, vertex_normals
from footscan.results import MeasuredFoot
from footscan.scan import Array, IntArray

__all__ = ["Comparison", "aligned", "compare", "signed_distance"]

ALIGN_POINTS = 8000
ALIGN_ROUNDS = 60
ALIGN_REACH_MM = 25.0  # first search for partners: foot frames agree to a few mm and degrees
SAME_WAY = 0.6  # cosine: partners must face alike, so that toes do not swap sides
OFF_MM = 12.0  # farther off than this the other scan shows nothing there
FACES_TRIED = 12  # near faces among which the closest point is sought
ONE_FOOT, PAIR = "two scans of one foot", "left against right"
ONE_SIDE = "two scans of one side, not alike"
THIRD_SCAN_MM = 1.5  # apex difference of two scans of one foot; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Two feet laid on each other without change of size.

    Attributes
    ----------
    kind : str
        ``"two scans of one foot"``, ``"left against right"``, or, where they differ by more than
        one foot's scans may, ``"two scans of one side, not alike"``.
    transform : ndarray, shape (4, 4)
        Second foot's frame to first foot's frame, mm; a rotation and a shift.
    signed : ndarray, shape (n,)
        Signed distance per vertex of the first foot, mm; NaN where the second shows nothing.
    rms, p95, mean : float
        Root mean square, 95 % of the absolute and mean of the signed distances, mm.
    seen : float
        Share of the first foot's vertices that have a partner, 0 to 1.
    differences : tuple of Difference
        Measures that both scans have.
    third_scan : bool
        True when two scans of one foot disagree at the arch apex by more than 1.5 mm.
    beyond_limits : tuple of str
        Why these cannot pass for two scans of one foot, a sentence each; empty where they agree,
        and for a left and a right foot, which may differ.
    notes : tuple of str
        What the reader must know.
    """

    first: str
    second: str
    kind: str
    transform: Array
    signed: Array
    rms: float
    p95: float
    mean: float
    seen: float
    differences: tuple[Difference, ...]
    third_scan: bool
    beyond_limits: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def agree(self) -> bool:
        """Whether two scans of one foot are within the limits; True for left against right."""
        return not self.beyond_limits

    def as_text(self) -> str:
        """Return the comparison for a person to read."""
        lines = [
            f"{self.kind}: {self.first} against {self.second}",
            f"surfaces: rms {self.rms:.2f} mm, 95 % within {self.p95:.2f} mm, mean "
            f"{self.mean:+.2f} mm (+ where the first is larger), {100 * self.seen:.0f} % compared",
        ]
        if self.differences:
            lines.append(f"{'':24}{'first':>9}{'second':>9}{'apart':>9}  ± 95 %")
        for d in self.differences:
            unit = {"deg": "°", "": ""}.get(d.unit, f" {d.unit}")
            marks = [f"over {FOOT_LIMIT_MM:g} mm"] * d.over_limit + ["more than chance"] * d.beyond
            digits = 1 if d.unit in ("mm", "deg", "%") else 3
            lines.append(
                f"{d.name.replace('_', ' '):24}{d.first:9.{digits}f}{d.second:9.{digits}f}"
                f"{d.value:+9.{digits}f}  ± {BAND * d.sd:.{digits}f}{unit}"
                + (f"  {', '.join(marks)}" if marks else "")
            )
        return "\n".join([*lines, *self.beyond_limits, *self.notes, ONE_PAIR])

    def as_record(self) -> dict[str, Any]:
        """Return the comparison for JSON; the distances per vertex are left out."""
        return {
            "first": self.first,
            "second": self.second,
            "kind": self.kind,
            "rms_mm": round(self.rms, 3),
            "p95_mm": round(self.p95, 3),
            "mean_mm": round(self.mean, 3),
            "compared_share": round(self.seen, 4),
            "second_to_first": self.transform.tolist(),
            "third_scan": self.third_scan,
            "agree": self.agree,
            "beyond_limits": list(self.beyond_limits),
            "measures": {
                d.name: {
                    "first": round(d.first, 4),
                    "second": round(d.second, 4),
                    "difference": round(d.value, 4),
                    "unit": d.unit,
                    "sd": round(d.sd, 4),
                    "beyond_uncertainty": d.beyond,
                    "over_2_mm": d.over_limit,
                }
                for d in self.differences
            },
            "notes": list(self.notes),
        }


ONE_PAIR = (
    f"ISO 20685-1 allows feet a mean error of {FOOT_LIMIT_MM:g} mm between scan and hand over at "
    f"least {ISO_PEOPLE} people: two scans are no verdict by it, a series is."
)


def compare(a: MeasuredFoot, b: MeasuredFoot) -> Comparison:
    """Return how two measured feet differ in surface and in measures.

    Both stand in the foot frame, where every foot is a right one: a left foot was mirrored when
    it was brought there, so feet of different sides are compared as they are, and a note says
    so. Size is never fitted: a wrong scale shows.

    Raises
    ------
    footscan.errors.ScanQualityError
        The two surfaces share too little to be laid on each other.
    """
    one_foot = a.foot.side is b.foot.side
    transform = aligned(a.foot, b.foot)
    moved = b.foot.vertices @ transform[:3, :3].T + transform[:3, 3]
    signed = signed_distance(a.foot.vertices, moved, b.foot.faces)
    some = signed[np.isfinite(signed)]
    if len(some) < 100:
        raise ScanQualityError(
            "the two scans share too little surface to be compared; scan the whole foot twice"
        )
    differences = _differences(a, b)
    apex = next((d for d in differences if d.name == "arch_apex_height"), None)
    third = one_foot and apex is not None and abs(apex.value) > THIRD_SCAN_MM
    rms = float(np.sqrt((some**2).mean()))
    beyond = outside_limits(differences, rms) if one_foot else ()
    return Comparison(
        first=a.facts.file,
        second=b.facts.file,
        transform=transform,
        signed=signed,
        kind=ONE_FOOT if one_foot and not beyond else ONE_SIDE if one_foot else PAIR,
        rms=rms,
        p95=float(np.percentile(np.abs(some), 95)),
        mean=float(some.mean()),
        seen=len(some) / len(signed),
        differences=differences,
        third_scan=third,
        beyond_limits=beyond,
        notes=_notes(a, b, differences, third),
    )


def aligned(a: Foot, b: Foot) -> Array:
    """Return the rigid transform, shape (4, 4), that lays foot `b` on foot `a`, mm.

    Iterated least squares of distances along the normals of `a`, points far off or facing
    another way left out, the rest weighted by how well they fit. Starts with both foot frames
    on each other; no scale, no mirroring.
    """
    tree, normals = spatial.cKDTree(a.vertices), vertex_normals(a.vertices, a.faces)
    step = max(1, len(b.vertices) // ALIGN_POINTS)
    points = b.vertices[::step]
    facing = vertex_normals(b.vertices, b.faces)[::step]
    pose, reach = np.eye(4), ALIGN_REACH_MM
    for _ in range(ALIGN_ROUNDS):
        now = points @ pose[:3, :3].T + pose[:3, 3]
        distance, index = tree.query(now)
        alike = np.einsum("ij,ij->i", normals[index], facing @ pose[:3, :3].T) > SAME_WAY
        near = alike & (distance <= reach)
        if near.sum() < 50:
            raise ScanQualityError(
                "the two scans cannot be laid on each other; scan the whole foot twice"
            )
        move, size = _plane_step(now[near], a.vertices[index[near]], normals[index[near]])
        pose = move @ pose
        reach = max(3.0, 0.7 * reach)
        if size < 1e-4 and reach <= 3.0:
            break
    return pose


def signed_distance(points: Array, vertices: Array, faces: IntArray) -> Array:
    """Return the signed distance of `points` to a mesh, mm; + outside, NaN where it ends.

    The closest point among the nearest faces counts. NaN stands where that is farther off than
    12 mm or on an open rim: there the mesh shows nothing to compare with.
    """
    from trimesh import triangles as tri

    normals = vertex_normals(vertices, faces)
    own = face_normals(vertices, faces)
    solid = np.linalg.norm(own, axis=1) > 0.5  # a face without area has no closest point
    faces, own = faces[solid], own[solid]
    corners = vertices[faces]
    near = _near_faces(corners, points)
    best, owner, foot = np.full(len(points), np.inf), near[:, 0].copy(), points.copy()
    for column in near.T:
        closest = tri.closest_point(corners[column], points)
        distance = np.linalg.norm(points - closest, axis=1)
        better = distance < best
        best[better], owner[better] = distance[better], column[better]
        foot[better] = closest[better]
    share = tri.points_to_barycentric(corners[owner], foot)
    share = np.clip(np.nan_to_num(share), 0, 1)
    # on an edge the face's own normal may point the wrong way: those of the corners are blended
    outward = np.einsum("ni,nik->nk", share, normals[faces[owner]]) + 0.1 * own[owner]
    sign = np.where(np.einsum("ij,ij->i", points - foot, outward) >= 0, 1.0, -1.0)
    nothing = (best > OFF_MM) | _on_rim(faces, len(vertices), owner, share)
    return np.asarray(np.where(nothing, np.nan, sign * best))


def _plane_step(points: Array, onto: Array, normals: Array) -> tuple[Array, float]:
    """Return the small rigid move that lays points on their partners' planes, and its size."""
    gap = np.einsum("ij,ij->i", onto - points, normals)
    scale = 1.4826 * float(np.median(np.abs(gap))) + 1e-9
    weight = 1 / (1 + (gap / (2.5 * scale)) ** 2)
    middle = points.mean(axis=0)
    design = np.hstack([np.cross(points - middle, normals), normals]) * weight[:, None]
    move, *_ = np.linalg.lstsq(design, gap * weight, rcond=None)
    turn = Rotation.from_rotvec(move[:3]).as_matrix()
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, middle + move[3:] - turn @ middle
    return pose, float(np.linalg.norm(move[:3]) * 100 + np.linalg.norm(move[3:]))


def _near_faces(corners: Array, points: Array) -> IntArray:
    """Return the faces near each point by their middles and corners, shape (n, tried).

    Corners count as well, since the middle of a long thin face may be far from its ends.
    """
    middle = corners.mean(axis=1)
    marks = np.concatenate([middle, *(0.9 * corners[:, i] + 0.1 * middle for i in range(3))])
    count = min(FACES_TRIED, len(marks))
    _, index = spatial.cKDTree(marks).query(points, k=count)
    return np.asarray(index).reshape(len(points), count) % len(corners)


def _on_rim(faces: IntArray, count: int, owner: IntArray, share: Array) -> NDArray[np.bool_]:
    """Return which closest points lie on an open rim of the mesh."""
    ends = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, index, times = np.unique(
        ends[:, 0] * count + ends[:, 1], return_index=True, return_counts=True
    )
    rim = np.zeros(count, dtype=bool)
    rim[ends[index[times == 1]]] = True
    on = rim[faces[owner]]
    # all of the weight sits on rim vertices: the point is on the rim itself
    return np.asarray((share * ~on).sum(axis=1) < 1e-6)


def _differences(a: MeasuredFoot, b: MeasuredFoot) -> tuple[Difference, ...]:
    """Return the measures that both feet have, with combined uncertainty."""
    found = []
    for name, first in a.measures.items():
        second = b.measures.get(name)
        if first.value is None or second is None or second.value is None:
            continue
        if first.unit == second.unit:
            sd = float(np.hypot(first.sd or 0.0, second.sd or 0.0))
            found.append(
                Difference(
                    name=name, first=first.value, second=second.value, unit=first.unit, sd=sd
                )
            )
    return tuple(found)


def _notes(
    a: MeasuredFoot, b: MeasuredFoot, differences: tuple[Difference, ...], third: bool
) -> tuple[str, ...]:
    """Return what must be said beside the figures."""
    notes = []
    if a.foot.side is not b.foot.side:
        left = "first" if str(a.foot.side) == "left" else "second"
        notes.append(f"Left against right: the {left} foot was mirrored for it.")
    if a.foot.load is not b.foot.load or a.foot.kind is not b.foot.kind:
        notes.append(
            f"The feet were scanned in different states ({a.foot.kind}, load {a.foot.load}; "
            f"{b.foot.kind}, load {b.foot.load}): arch, breadths and girths differ for that alone."
        )
    if a.foot.axis_method != b.foot.axis_method:
        notes.append("The long axes were found in different ways: lengths and angles may differ.")
    if third:
        notes.append(f"The arch apex differs by more than {THIRD_SCAN_MM:g} mm: take a third scan.")
    return tuple(notes)
