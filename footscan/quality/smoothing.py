"""Whether a program has smoothed the scan over, which shrinks toes, arch and every girth.

    View -> smoothing.findings -> footscan.quality.findings

Each round of smoothing draws every point towards its neighbours, and the finest ripples of a mesh
die first. What is left tells how far it was smoothed, whatever the foot's form: along the
normals, the offsets of the points from their neighbours' mean change from point to point in a
scan, and hardly at all in a mesh that was smoothed.

Terms
    offset    distance along the normal of a point from the mean of its neighbours
    change    the same of the offsets themselves: each against the mean of its neighbours'
    rounded   standard deviation of the blur that leaves this little change, mm

Only what was smoothed as a mesh is told. A surface laid anew through smoothed points, and bare
points, show a rounder foot, and nothing says that it was another.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from footscan.foot import vertex_normals
from footscan.quality.limits import grade
from footscan.quality.view import View, whole
from footscan.results import Finding
from footscan.scan import Array, IntArray, compacted

__all__ = ["findings", "rounded_mm"]

LOW_MM, TOP_MM, BESIDE_MM = 3.0, 80.0, 10.0  # a floor and a leg are left out
RIM_RINGS = 3
LEAST_POINTS = 500
MANY_POINTS, SLICE_MM = 60_000, 30.0  # of more points, slices of the foot are asked
# k rounds that move points half the way leave a change of 0.45 / k of the offsets, and blur by
# sqrt(k / 4) edges (CALC: 1 to 250 rounds on meshes of 9 000 to 40 000 points of six feet)
PER_CHANGE = 0.11


def findings(view: View) -> list[Finding]:
    """Return a finding where the mesh was smoothed by more than a scanner's program does."""
    if view.cleaned.surfaced or not len(view.faces):
        return []
    x, y, z = view.points.T
    side = view.foot.vertices[:, 1]
    part = (z > LOW_MM) & (z < TOP_MM) & (x > -BESIDE_MM) & (x < view.foot.length + BESIDE_MM)
    part &= (y > side.min() - BESIDE_MM) & (y < side.max() + BESIDE_MM)
    if part.sum() > MANY_POINTS:  # slices tell as much
        part &= x % SLICE_MM < SLICE_MM * MANY_POINTS / part.sum()
    rounded = rounded_mm(view.points, view.faces[whole(part, view.faces)])
    if rounded is None:
        return []
    return grade(
        "smoothed",
        rounded,
        f"The mesh was smoothed over about {rounded:.0f} mm: toes, borders and girths read "
        "smaller, and the arch flatter, than they are.",
        "Turn smoothing off in the scanner's program and export again.",
        "scan",
    )


def rounded_mm(vertices: Array, faces: IntArray) -> float | None:
    """Return the standard deviation of the blur that the mesh shows, mm; None of too few points.

    Parameters
    ----------
    vertices, faces : ndarray, shapes (n, 3) and (m, 3)
        mm; wound alike.
    """
    vertices, faces = compacted(vertices, faces)
    points = len(vertices)
    start, stop = np.ravel(faces, order="F"), np.ravel(np.roll(faces, -1, axis=1), order="F")
    ends = np.minimum(start, stop) * points + np.maximum(start, stop)
    key, count = np.unique(ends, return_counts=True)
    if not len(key):
        return None
    first, second = np.divmod(key, points)
    ones = np.ones(len(key))
    links = sparse.coo_matrix((ones, (first, second)), shape=(points, points)).tocsr()
    links = links + links.T
    away = np.bincount(np.r_[first[count == 1], second[count == 1]], minlength=points) > 0
    for _ in range(RIM_RINGS):
        away |= links @ away.astype(float) > 0
    if (~away).sum() < LEAST_POINTS:
        return None
    mean = sparse.diags(1.0 / np.asarray(links.sum(axis=1)).ravel()) @ links
    normals = vertex_normals(vertices, faces)
    offset = np.einsum("ij,ij->i", mean @ vertices - vertices, normals)
    change = np.abs(mean @ offset - offset)[~away]
    usual = float(np.median(np.abs(offset[~away])))
    if usual <= 0:
        return None
    edge = float(np.median(np.linalg.norm(vertices[first] - vertices[second], axis=1)))
    # a change of nothing at all is a form by formula, blurred without end
    share = max(float(np.median(change)) / usual, 1e-4)
    return edge * float(np.sqrt(PER_CHANGE / share))
