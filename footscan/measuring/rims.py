"""Open rims of a foot's mesh: where a scan ends, or has a hole.

Foot -> rims.edges, holes -> measuring.landmarks
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

from footscan.foot import Foot
from footscan.scan import Array, IntArray

__all__ = ["edges", "ends_near", "holes"]


@lru_cache(maxsize=2)
def edges(foot: Foot) -> IntArray:
    """Return the edges that belong to one face only, shape (k, 2)."""
    faces = foot.faces
    both = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    key, count = np.unique(both @ np.array([len(foot.vertices), 1]), return_counts=True)
    return np.stack(np.divmod(key[count == 1], len(foot.vertices)), axis=1)


def ends_near(foot: Foot, place: Array, near: float) -> bool:
    """Return whether the scan ends within `near` mm of a place on it."""
    rim = foot.vertices[np.unique(edges(foot))]
    return bool(len(rim) and np.linalg.norm(rim - place, axis=1).min() < near)


def holes(foot: Foot, top: float, across: float) -> list[Array]:
    """Return the vertices on the rim of each hole below `top` mm, shape (n, 3).

    Holes that reach less than `across` mm in every direction are left out.
    """
    rim = edges(foot)
    rim = rim[(foot.vertices[rim, 2] < top).all(axis=1)]
    if len(rim) == 0:
        return []
    names, index = np.unique(rim, return_inverse=True)
    a, b = index.reshape(-1, 2).T
    graph = sparse.coo_matrix((np.ones(len(a)), (a, b)), shape=(len(names), len(names)))
    _, group = csgraph.connected_components(graph, directed=False)
    rims = [foot.vertices[names[group == g]] for g in range(group.max() + 1)]
    return [one for one in rims if np.ptp(one, axis=0).max() >= across]
