"""Two scans compared, and a scanner checked on a ball, a ball bar or a plate.

    MeasuredFoot, MeasuredFoot -> repeat.compare -> Comparison -> text, JSON
    points (mm) of an artefact -> repeat.check_artefact, repeat.check_plate -> ArtefactCheck

Frame: the foot frame (mm), in which every foot is a right one; so a left and a right foot can be
laid on each other as they are. Artefacts stay in the scanner's frame, mm.

Terms
    signed distance       of the first scan to the second: + where the first lies outside it
    probing form error    largest minus smallest residual to the least squares sphere
    probing size error    fitted minus stated diameter
    sphere spacing error  measured minus stated distance of two sphere centres
    flatness error        largest minus smallest residual to the least squares plane

The last four are terms of VDI/VDE 2634 and ISO 10360-13. What is done here is a check, never a
certificate: acceptance asks for calibrated artefacts in many places of the measuring volume.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import spatial
from scipy.spatial.transform import Rotation

from footscan.errors import ScanQualityError
from footscan.foot import Foot, face_normals, vertex_normals
from footscan.results import MeasuredFoot
from footscan.scan import Array, IntArray, as_points

__all__ = [
    "ArtefactCheck",
    "Comparison",
    "Difference",
    "Figure",
    "RuleVerdict",
    "aligned",
    "check_artefact",
    "check_plate",
    "compare",
    "iso_20685_rule",
    "signed_distance",
]

ALIGN_POINTS = 8000
ALIGN_ROUNDS = 60
ALIGN_REACH_MM = 25.0  # first search for partners: foot frames agree to a few mm and degrees
SAME_WAY = 0.6  # cosine: partners must face alike, so that toes do not swap sides
OFF_MM = 12.0  # farther off than this the other scan shows nothing there
FACES_TRIED = 12  # near faces among which the closest point is sought
BALL_SEARCH_POINTS = 8000
BALL_SEEDS = 250
THIRD_SCAN_MM = 1.5  # apex difference of two scans of one foot; common practice, no source
BAND = 1.96  # standard deviations in a 95 % band
ISO_PEOPLE = 40  # ISO 20685 asks for at least so many subjects (value from memory)
FOOT_LIMIT_MM = 2.0  # ISO 20685-1:2018 for feet, as quoted in Gupta & Zakaria (eds), pp. 41-42


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One measure in two scans: values, first minus second, and whether it is beyond chance.

    Attributes
    ----------
    sd : float
        Combined standard deviation of both values, in `unit`.
    beyond : bool
        True when the difference exceeds 1.96 combined standard deviations.
    """

    name: str
    first: float
    second: float
    unit: str
    sd: float

    @property
    def value(self) -> float:
        """First minus second, in `unit`."""
        return self.first - self.second

    @property
    def beyond(self) -> bool:
        """Whether the difference is larger than the measures' own uncertainty explains."""
        return abs(self.value) > BAND * self.sd


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Two feet laid on each other without change of size.

    Attributes
    ----------
    kind : str
        ``"two scans of one foot"`` or ``"left against right"``.
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
    notes: tuple[str, ...]

    def as_text(self) -> str:
        """Return the comparison for a person to read."""
        lines = [
            f"{self.kind}: {self.first} against {self.second}",
            f"surfaces: rms {self.rms:.2f} mm, 95 % within {self.p95:.2f} mm, mean "
            f"{self.mean:+.2f} mm (+ where the first is larger), {100 * self.seen:.0f} % compared",
        ]
        for d in self.differences:
            unit = f" {d.unit}" if d.unit else ""
            lines.append(
                f"{d.name:24}{d.first:9.4g}{d.second:9.4g}{d.value:+9.3g}{unit}  "
                f"± {BAND * d.sd:.2g}{unit}" + ("  more than chance" if d.beyond else "")
            )
        return "\n".join([*lines, *self.notes])

    def as_record(self) -> dict[str, Any]:
        """Return the comparison for JSON; the distances per vertex are left out."""
        return {
            "first": self.first, "second": self.second, "kind": self.kind,
            "rms_mm": round(self.rms, 3), "p95_mm": round(self.p95, 3),
            "mean_mm": round(self.mean, 3), "compared_share": round(self.seen, 4),
            "second_to_first": self.transform.tolist(), "third_scan": self.third_scan,
            "measures": {
                d.name: {
                    "first": round(d.first, 4), "second": round(d.second, 4),
                    "difference": round(d.value, 4), "unit": d.unit, "sd": round(d.sd, 4),
                    "beyond_uncertainty": d.beyond,
                }
                for d in self.differences
            },
            "notes": list(self.notes),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVerdict:
    """What the decision rule for scanned body measures says.

    Attributes
    ----------
    lower, upper : float
        95 % confidence interval of the mean error, mm.
    holds : bool or None
        Whether the interval lies within the limit; None where too few people were measured.
    words : str
        The verdict in one sentence.
    """

    lower: float
    upper: float
    holds: bool | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One result of a scanner check; `sd` is None where no uncertainty can be stated."""

    name: str
    value: float
    unit: str
    sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtefactCheck:
    """A scanner checked on an object of known size.

    Attributes
    ----------
    kind : str
        ``"ball"``, ``"ball bar"`` or ``"plate"``.
    figures : tuple of Figure
        Errors in mm; `scale_factor` is measured over stated size.
    points_used, points_left_out : int
        Left out: floor, stand, bar, strays.
    notes : tuple of str
        Plain words; the last one says that this is no certificate.
    """

    kind: str
    figures: tuple[Figure, ...]
    points_used: int
    points_left_out: int
    notes: tuple[str, ...] = field(default=())

    def __getitem__(self, name: str) -> Figure:
        """Return the figure called `name`."""
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(name)

    def as_text(self) -> str:
        """Return the check for a person to read."""
        lines = [f"{self.kind}: {self.points_used} points used, {self.points_left_out} left out"]
        for f in self.figures:
            digits = 5 if f.name == "scale_factor" else 3
            band = f" ± {BAND * f.sd:.{digits}f}" if f.sd is not None else ""
            unit = f" {f.unit}" if f.unit else ""
            lines.append(f"{f.name.replace('_', ' '):24}{f.value:.{digits}f}{band}{unit}")
        return "\n".join([*lines, *self.notes])

    def as_record(self) -> dict[str, Any]:
        """Return the check for JSON."""
        return {
            "kind": self.kind,
            "figures": {
                f.name: {"value": round(f.value, 6), "unit": f.unit}
                | ({"sd": round(f.sd, 6)} if f.sd is not None else {})
                for f in self.figures
            },
            "points_used": self.points_used, "points_left_out": self.points_left_out,
            "notes": list(self.notes),
        }  # fmt: skip


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
    return Comparison(
        first=a.facts.file, second=b.facts.file, transform=transform, signed=signed,
        kind="two scans of one foot" if one_foot else "left against right",
        rms=float(np.sqrt((some**2).mean())), p95=float(np.percentile(np.abs(some), 95)),
        mean=float(some.mean()), seen=len(some) / len(signed), differences=differences,
        third_scan=third, notes=_notes(a, b, differences, third),
    )  # fmt: skip


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


def iso_20685_rule(
    mean_error: float, sd: float, n: int, limit: float = FOOT_LIMIT_MM
) -> RuleVerdict:
    """Return what ISO 20685-1 says of a scanned measure against the hand-measured one.

    Parameters
    ----------
    mean_error, sd : float
        Mean and standard deviation of scan minus hand measure over `n` people, mm.
    limit : float
        Largest mean error allowed: 2 mm for feet.

    Notes
    -----
    Both ends of ``mean_error ± 1.96 sd / sqrt(n)`` must lie within ``± limit``. With fewer than
    40 people nothing is claimed.

    Examples
    --------
    >>> iso_20685_rule(0.5, 2.0, 40).holds
    True
    >>> iso_20685_rule(0.5, 2.0, 12).holds is None
    True
    """
    if n < 2 or not sd >= 0 or not limit > 0 or not np.isfinite(mean_error):
        raise ValueError(
            f"needs n >= 2, sd >= 0 and limit > 0, got n {n}, sd {sd}, limit {limit}, "
            f"mean error {mean_error}"
        )
    half = BAND * sd / np.sqrt(n)
    lower, upper = float(mean_error - half), float(mean_error + half)
    interval = f"95 % interval of the mean error {lower:+.2f} to {upper:+.2f} mm"
    if n < ISO_PEOPLE:
        words = (
            f"no verdict: {interval}, but ISO 20685 asks for at least {ISO_PEOPLE} people and "
            f"{n} were measured"
        )
        return RuleVerdict(lower=lower, upper=upper, holds=None, words=words)
    holds = max(abs(lower), abs(upper)) <= limit
    words = f"{'within' if holds else 'not within'} the limit of {limit:g} mm: {interval}, n {n}"
    return RuleVerdict(lower=lower, upper=upper, holds=holds, words=words)


def check_artefact(
    points: Array, *, diameter: float, spheres: int = 1, spacing: float | None = None
) -> ArtefactCheck:
    """Return the check of a scanner on one ball, or on a bar with two balls alike.

    Parameters
    ----------
    points : array_like, shape (n, 3)
        mm; floor, stand and bar may be among them.
    diameter, spacing : float
        Stated size of the balls and distance of their centres, mm.
    spheres : int
        1 or 2.

    Raises
    ------
    footscan.errors.ScanQualityError
        The balls are not in the scan.
    """
    points = as_points(points)
    if spheres not in (1, 2) or not diameter > 0 or (spacing is not None and not spacing > 0):
        raise ValueError("spheres must be 1 or 2; diameter and spacing must be positive")
    if spheres == 1 and spacing is not None:
        raise ValueError("a spacing needs two spheres")
    left, balls = points, []
    for _ in range(spheres):
        ball = _find_ball(left, diameter / 2)
        balls.append(ball)
        left = left[np.linalg.norm(left - ball.centre, axis=1) > 1.2 * ball.radius]
    figures = [f for i, ball in enumerate(balls) for f in _ball_figures(ball, diameter, i + 1)]
    factor, factor_sd = 2 * balls[0].radius / diameter, 2 * balls[0].sd_radius / diameter
    if spheres == 2:
        gap = balls[1].centre - balls[0].centre
        found = float(np.linalg.norm(gap))
        way = gap / found
        gap_sd = float(np.sqrt(sum(way @ ball.covariance @ way for ball in balls)))
        figures.append(Figure(name="sphere_spacing", value=found, unit="mm", sd=gap_sd))
        if spacing is not None:
            figures.append(
                Figure(name="sphere_spacing_error", value=found - spacing, unit="mm", sd=gap_sd)
            )
            factor, factor_sd = found / spacing, gap_sd / spacing
    figures.append(Figure(name="scale_factor", value=factor, unit="", sd=factor_sd))
    used = sum(len(ball.residuals) for ball in balls)
    return ArtefactCheck(
        kind="ball" if spheres == 1 else "ball bar", figures=tuple(figures), points_used=used,
        points_left_out=len(points) - used, notes=_check_notes(balls, factor, factor_sd, spacing),
    )  # fmt: skip


def check_plate(points: Array) -> ArtefactCheck:
    """Return the check of a scanner on a flat plate: flatness error and scatter, mm.

    The plane that holds most points is the plate; what lies farther off than 1 % of its extent
    is left out.

    Raises
    ------
    footscan.errors.ScanQualityError
        No plane holds half of the points.
    """
    points = as_points(points)
    extent = float(np.linalg.norm(np.ptp(np.percentile(points, [2, 98], axis=0), axis=0)))
    band = 0.01 * extent
    normal, offset = _main_plane(points, band)
    near = np.abs(points @ normal - offset) <= band
    if near.sum() < max(100, 0.5 * len(points)):
        raise ScanQualityError(
            "no flat plate was found in the scan; scan the plate alone, so that it fills the scan"
        )
    residual = points[near] @ normal - offset
    residual -= residual.mean()
    figures = (
        Figure(name="flatness_error", value=float(np.ptp(residual)), unit="mm"),
        Figure(name="scatter", value=float(residual.std()), unit="mm"),
    )
    return ArtefactCheck(
        kind="plate", figures=figures, points_used=int(near.sum()),
        points_left_out=int((~near).sum()),
        notes=("A plate shows bending and noise, not scale.", NO_CERTIFICATE),
    )  # fmt: skip


NO_CERTIFICATE = (
    "This is a check of one scanner on one day, not a certificate: acceptance by VDI/VDE 2634 or "
    "ISO 10360-13 needs calibrated artefacts in many places of the measuring volume."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ball:
    """A fitted ball: centre and radius, their uncertainty, residuals of its points, mm."""

    centre: Array
    radius: float
    covariance: Array
    sd_radius: float
    residuals: Array
    seen: float


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


def _on_rim(
    faces: IntArray, count: int, owner: IntArray, share: Array
) -> NDArray[np.bool_]:
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
        notes.append(f"Left against right: the {left} foot is shown mirrored.")
    if a.foot.load is not b.foot.load or a.foot.kind is not b.foot.kind:
        notes.append(
            f"The feet were scanned in different states ({a.foot.kind}, load {a.foot.load}; "
            f"{b.foot.kind}, load {b.foot.load}): arch, breadths and girths differ for that alone."
        )
    if a.foot.axis_method != b.foot.axis_method:
        notes.append("The long axes were found in different ways: lengths and angles may differ.")
    large = [
        d.name for d in differences if d.unit == "mm" and d.beyond and abs(d.value) > FOOT_LIMIT_MM
    ]
    if large:
        notes.append(f"More than {FOOT_LIMIT_MM:g} mm and more than chance: {', '.join(large)}.")
    if third:
        notes.append(
            f"The arch apex differs by more than {THIRD_SCAN_MM:g} mm: take a third scan."
        )
    return tuple(notes)


def _find_ball(points: Array, radius: float) -> _Ball:
    """Return the ball of about `radius` that most points lie on; floor and stand left out."""
    missing = ScanQualityError(
        f"no ball of about {2 * radius:g} mm was found in the scan; check the diameter and the "
        "unit, and scan the ball alone"
    )
    sample = points[np.random.default_rng(0).permutation(len(points))[:BALL_SEARCH_POINTS]]
    tree = spatial.cKDTree(sample)
    best, votes = None, 40
    for seed in sample[:BALL_SEEDS]:
        patch = sample[tree.query_ball_point(seed, 0.7 * radius)]
        if len(patch) < 12:
            continue
        centre, found = _sphere_through(patch)
        if not 0.8 <= found / radius <= 1.25:
            continue
        count = len(tree.query_ball_point(centre, 1.03 * found)) - len(
            tree.query_ball_point(centre, 0.97 * found)
        )
        if count >= votes:
            best, votes = (centre, found), count
    if best is None:
        raise missing
    centre, found = best
    band, clear = 0.06 * found, _floor_under(points, centre, found)
    for _ in range(5):
        residual = np.linalg.norm(points - centre, axis=1) - found
        own = (np.abs(residual) <= band) & clear
        if own.sum() < 60:
            raise missing
        # wide enough for dents that the scanner made, which are what is looked for
        band = max(0.03 * found, 8 * 1.4826 * float(np.median(np.abs(residual[own]))))
        centre, found = _fitted_sphere(points[own], centre, found)
    return _ball_of(points[own], centre, found)


def _floor_under(points: Array, centre: Array, radius: float) -> NDArray[np.bool_]:
    """Return which points are clear of the plane that the ball stands on."""
    around = points[
        (np.linalg.norm(points - centre, axis=1) > 1.08 * radius)
        & (np.linalg.norm(points - centre, axis=1) < 4 * radius)
    ]
    clear = np.ones(len(points), dtype=bool)
    if len(around) < 60:
        return clear
    normal, offset = _main_plane(around, 0.03 * radius)
    share = (np.abs(around @ normal - offset) <= 0.03 * radius).mean()
    gap = abs(float(centre @ normal) - offset)
    if share < 0.4 or gap < 0.5 * radius:
        return clear
    return np.asarray(np.abs(points @ normal - offset) > 0.2 * radius)


def _main_plane(points: Array, tolerance: float) -> tuple[Array, float]:
    """Return unit normal and offset of the plane that most points lie near."""
    rng = np.random.default_rng(0)
    sample = points[rng.permutation(len(points))[:4000]]
    a, b, c = (sample[rng.integers(0, len(sample), 300)] for _ in range(3))
    normals = np.cross(b - a, c - a)
    size = np.linalg.norm(normals, axis=1)
    good = size > 1e-9 * max(float(size.max()), 1e-30)
    if not good.any() or size.max() == 0:
        raise ScanQualityError("all points lie on one line; scan the artefact again")
    normals, a = normals[good] / size[good, None], a[good]
    offsets = np.einsum("ij,ij->i", normals, a)
    best = int((np.abs(sample @ normals.T - offsets) <= tolerance).sum(axis=0).argmax())
    normal, offset = normals[best], float(offsets[best])
    for _ in range(4):
        near = points[np.abs(points @ normal - offset) <= tolerance]
        middle = near.mean(axis=0)
        normal = np.linalg.eigh(np.cov((near - middle).T))[1][:, 0]
        offset = float(middle @ normal)
    return normal, offset


def _sphere_through(points: Array) -> tuple[Array, float]:
    """Return centre and radius of the algebraic least squares sphere."""
    middle = points.mean(axis=0)
    local = points - middle
    design = np.column_stack([2 * local, np.ones(len(local))])
    fit, *_ = np.linalg.lstsq(design, (local**2).sum(axis=1), rcond=None)
    return middle + fit[:3], float(np.sqrt(max(fit[3] + fit[:3] @ fit[:3], 0.0)))


def _fitted_sphere(points: Array, centre: Array, radius: float) -> tuple[Array, float]:
    """Return centre and radius of the geometric least squares sphere (Gauss-Newton)."""
    for _ in range(20):
        away = points - centre
        reach = np.linalg.norm(away, axis=1)
        design = np.column_stack([-away / reach[:, None], -np.ones(len(points))])
        step, *_ = np.linalg.lstsq(design, radius - reach, rcond=None)
        centre, radius = centre + step[:3], radius + float(step[3])
        if np.linalg.norm(step) < 1e-10 * radius:
            break
    return centre, radius


def _ball_of(points: Array, centre: Array, radius: float) -> _Ball:
    """Return the ball with the uncertainty that its residuals and its cap give."""
    away = points - centre
    reach = np.linalg.norm(away, axis=1)
    design = np.column_stack([-away / reach[:, None], -np.ones(len(points))])
    residuals = reach - radius
    spread = float((residuals**2).sum() / (len(points) - 4))
    covariance = spread * np.linalg.inv(design.T @ design)
    mean_way = np.linalg.norm((away / reach[:, None]).mean(axis=0))
    return _Ball(
        centre=centre, radius=radius, covariance=covariance[:3, :3],
        sd_radius=float(np.sqrt(covariance[3, 3])), residuals=residuals,
        seen=float(1 - mean_way),
    )  # fmt: skip


def _ball_figures(ball: _Ball, diameter: float, number: int) -> list[Figure]:
    """Return form and size error of a ball."""
    mark = f"_{number}"
    sd = 2 * ball.sd_radius
    return [
        Figure(name="diameter" + mark, value=2 * ball.radius, unit="mm", sd=sd),
        Figure(
            name="probing_size_error" + mark, value=2 * ball.radius - diameter, unit="mm", sd=sd
        ),
        Figure(name="probing_form_error" + mark, value=float(np.ptp(ball.residuals)), unit="mm"),
        Figure(name="scatter" + mark, value=float(ball.residuals.std()), unit="mm"),
    ]


def _check_notes(
    balls: list[_Ball], factor: float, factor_sd: float, spacing: float | None
) -> tuple[str, ...]:
    """Return the words beside a ball check."""
    source = "spacing" if spacing is not None else "diameter"
    off = 100 * (factor - 1)
    told = abs(factor - 1) > BAND * factor_sd
    notes = [
        f"By the {source} the scanner reads {abs(off):.3f} % {'long' if off > 0 else 'short'}; "
        f"multiply by {1 / factor:.5f} to correct."
        if told
        else f"By the {source} no scale error beyond ± {100 * BAND * factor_sd:.3f} % shows."
    ]
    if spacing is None:
        notes.append("A ball's size depends on edges and lighting: a ball bar tells scale better.")
    if min(ball.seen for ball in balls) < 0.3:  # the mean direction of a half ball is 0.5 long
        notes.append("Less than about a third of a ball was seen: scan it from more sides.")
    notes.append("The uncertainty is that of the fit; that of the artefact itself comes on top.")
    return (*notes, NO_CERTIFICATE)
