"""A planned part as a scanner would see it: even samples of its faces, and its rim in plan.

    Part -> planned -> Planned -> insole.parts.made.laying, insole.parts.made.check

Frame: the part's own worn frame, mm; +x forward, z = 0 the face towards the shoe.

Terms
    top     faces that look up at least as much as sideways
    under   faces that look down
    rim     outline of the whole part seen from above, holes left out
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from footscan.foot import face_normals
from footscan.measuring.pose import mirror, mirror_faces
from footscan.scan import Array, BoolArray, IntArray, Side
from insole.parts import solids
from insole.parts.part import Part

__all__ = ["SPACING_MM", "Planned", "even_samples", "longest", "planned", "surface_area"]

SPACING_MM = 0.6  # of the samples: a plane through the nearest one is then as good as the face
UP = 0.35  # z of a normal from here on: a face of the top, up to 70 degrees steep


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planned:
    """Samples of a part's faces.

    Attributes
    ----------
    side : Side
        The foot that the samples are for.
    points, normals : ndarray, shape (n, 3)
        On the faces, mm, and the faces' outward normals.
    rim : ndarray, shape (k, 2)
        Outer ring in plan, counter-clockwise, mm.
    area : float
        Of the part in plan, mm2.
    """

    side: Side
    points: Array
    normals: Array
    rim: Array
    area: float

    @property
    def top(self) -> BoolArray:
        """Which samples lie on the top, shape (n,)."""
        return np.asarray(self.normals[:, 2] > UP)

    @property
    def under(self) -> BoolArray:
        """Which samples lie on the underside, shape (n,)."""
        return np.asarray(self.normals[:, 2] < -UP)

    @property
    def length(self) -> float:
        """Largest distance between two points of the rim, mm."""
        return longest(self.rim)


def planned(part: Part, *, mirrored: bool = False) -> Planned:
    """Return even samples of a worn part, or of the same part for the other foot.

    Parameters
    ----------
    part : Part
        Worn, mm.
    mirrored : bool
        The other foot's part: the same with left and right exchanged.

    Raises
    ------
    ValueError
        The part is not worn.
    """
    if not part.worn:
        raise ValueError(f"the {part.label} is not in the worn frame")
    vertices, faces = part.vertices, part.faces
    side = part.side
    if mirrored:
        vertices, faces, side = mirror(vertices), mirror_faces(faces), side.other
    points, owner = even_samples(vertices, faces, SPACING_MM)
    shape = _silhouette(vertices, faces)
    return Planned(
        side=side,
        points=points,
        normals=face_normals(vertices, faces)[owner],
        rim=solids.ring(shape.exterior),
        area=float(shape.area),
    )


def even_samples(vertices: Array, faces: IntArray, spacing: float) -> tuple[Array, IntArray]:
    """Return points on the faces, one per ``spacing ** 2`` of area, and their faces' numbers.

    The same mesh always gives the same points.

    Returns
    -------
    points : ndarray, shape (n, 3)
    owner : ndarray, shape (n,)
    """
    rng = np.random.default_rng(0)
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    area = _areas(vertices, faces)
    # cumulated, so that faces smaller than a sample get their fair share of samples
    ends = np.floor(np.cumsum(area) / spacing**2 + 0.5).astype(int)
    owner = np.repeat(np.arange(len(faces)), np.diff(ends, prepend=0))
    u, v = rng.random((2, len(owner)))
    over = u + v > 1
    u[over], v[over] = 1 - u[over], 1 - v[over]
    points = a[owner] + u[:, None] * (b - a)[owner] + v[:, None] * (c - a)[owner]
    return points, owner


def surface_area(vertices: Array, faces: IntArray) -> float:
    """Return the area of all faces, mm2."""
    return float(_areas(vertices, faces).sum())


def _areas(vertices: Array, faces: IntArray) -> Array:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2)


def longest(points: Array) -> float:
    """Return the largest distance between two points, of their hull's corners, mm."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        corners = points[ConvexHull(points).vertices]
    except (QhullError, ValueError):  # all in one plane or line: few of them matter
        corners = points[:: max(1, len(points) // 2000)]
    corners = corners[:: max(1, len(corners) // 2000)]
    return float(np.sqrt(((corners[:, None] - corners[None]) ** 2).sum(axis=-1).max()))


def _silhouette(vertices: Array, faces: IntArray) -> shapely.Polygon:
    """Return the part seen from above; the largest piece."""
    rings = solids.solid_of(vertices, faces).project().to_polygons()
    shapes = [shapely.Polygon(ring) for ring in rings if len(ring) > 2]
    shape = max(shapes, key=lambda one: float(one.area))
    return shapely.geometry.polygon.orient(shapely.Polygon(shape.exterior).buffer(0))
