"""One part as an engraver would draw it: seen from above, with its creases."""

from __future__ import annotations

import numpy as np

from footscan.foot import face_normals
from footscan.scan import Array, IntArray
from insole.parts.part import Part

__all__ = ["part_view"]

LIGHT = np.array([-0.36, 0.46, 0.81]) / np.linalg.norm([-0.36, 0.46, 0.81])  # from upper left
CREASE_GREY = 0.1
WALL = 0.05  # a face whose normal rises less is a wall: those of letters below are not seen
SLIVER_MM = 0.02  # a face so thin has no direction worth drawing
FINER = 2  # a view is painted so much finer than asked for, for smooth edges


def part_view(part: Part, face: str = "above", *, pixel: float = 0.4) -> Array:
    """Return a shaded picture of a part, shape (height, width), 0 black to 1 white.

    Faces that look at the viewer are painted far to near, toes up; a part seen from below is
    turned over, so its medial side changes sides on the page.

    Parameters
    ----------
    part : Part
        Worn frame, mm.
    face : {"above", "below"}
        Where one looks from.
    pixel : float
        Size of a pixel, mm.

    Raises
    ------
    ValueError
        `face` is neither.
    """
    from PIL import Image, ImageDraw

    if face not in ("above", "below"):
        raise ValueError(f"face must be 'above' or 'below', got {face!r}")
    way = 1.0 if face == "above" else -1.0
    vertices = np.asarray(part.vertices, dtype=float)
    turned = vertices[:, [1, 0, 2]] * (-way, 1.0, way)
    normals = face_normals(vertices, part.faces)[:, [1, 0, 2]] * (-way, 1.0, way)
    shown = np.flatnonzero(normals[:, 2] > 1e-6)
    shown = shown[np.argsort(turned[part.faces[shown], 2].mean(axis=1), kind="stable")]
    low, high = turned[:, :2].min(axis=0) - 1.0, turned[:, :2].max(axis=0) + 1.0
    wide, tall = np.ceil((high - low) / pixel).astype(int).tolist()
    at = (turned[:, :2] - (low[0], high[1])) * (FINER / pixel) * (1.0, -1.0)
    grey = (255 * (0.25 + 0.7 * np.clip(normals[shown] @ LIGHT, 0.0, 1.0))).astype(int)
    image = Image.new("L", (FINER * wide, FINER * tall), 255)
    draw = ImageDraw.Draw(image)
    corners = at[part.faces[shown]].reshape(-1, 6).tolist()
    paint = draw.draw.draw_polygon  # what polygon() calls: its own choice of ink takes four times
    for corner, tone in zip(corners, grey.tolist(), strict=True):  # as long as the triangle
        paint(corner, tone, 1)
    creases = _creases(part.faces, normals, _thinness(vertices, part.faces))
    for line in at[creases].reshape(-1, 4).tolist():
        draw.line(line, fill=int(255 * CREASE_GREY), width=FINER)
    return np.asarray(image.resize((wide, tall), Image.Resampling.BOX)) / 255.0


def _thinness(vertices: Array, faces: IntArray) -> Array:
    """Return the height of each face above its longest edge, mm."""
    one, two, three = (vertices[faces[:, k]] for k in range(3))
    double = np.linalg.norm(np.cross(two - one, three - one), axis=1)
    edges = np.linalg.norm(np.stack([two - one, three - two, one - three]), axis=2)
    return np.asarray(double / np.maximum(edges.max(axis=0), 1e-12))


def _creases(faces: IntArray, normals: Array, thin: Array) -> IntArray:
    """Return the edges, shape (k, 2), where a shown face (normal up) meets one 25° off or more."""
    edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort(edges.T)
    edges, owner = edges[order], owner[order]
    same = np.flatnonzero((edges[1:] == edges[:-1]).all(axis=1))
    one, two = normals[owner[same]], normals[owner[same + 1]]
    bent = (one * two).sum(axis=1) < np.cos(np.radians(25.0))
    bent &= np.minimum(thin[owner[same]], thin[owner[same + 1]]) > SLIVER_MM
    return np.asarray(edges[same[bent & (np.maximum(one[:, 2], two[:, 2]) > WALL)]])
