"""The template foot that the coarse pose is matched with; regenerates the packaged file.

    footscan.specimen.made_up -> template.points -> data/template.npz -> footscan.finding.matching

Run ``python -m footscan.specimen.template`` after the specimen's shape changes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from footscan.foot import vertex_normals
from footscan.scan import Array
from footscan.specimen.made_up import Shape, build

__all__ = ["points", "write"]

CELL = 0.034  # spacing, share of foot length: about 900 points
TOP = 0.33  # higher up the leg begins, which scans cut where they like

PACKAGED = Path(__file__).parents[1] / "data" / "template.npz"


def points() -> tuple[Array, Array]:
    """Return points and outward normals of the template right foot, length 1, foot frame."""
    foot = build(Shape())
    length = foot.truth.measures["foot_length"]
    normals = vertex_normals(foot.vertices, foot.faces)
    low = foot.vertices[:, 2] < TOP * length
    place, normals = foot.vertices[low] / length, normals[low]
    _, first = np.unique(np.floor(place / CELL).astype(int), axis=0, return_index=True)
    return place[first], normals[first]


def write(path: Path = PACKAGED) -> None:
    """Write the template as 32-bit numbers."""
    place, normals = points()
    np.savez(path, points=place.astype("f4"), normals=normals.astype("f4"))


if __name__ == "__main__":
    write()
