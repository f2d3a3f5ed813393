"""The printed scale card in a scan: four black squares whose distances are known.

    Scan with brightness -> seen -> CardSeen (mm per file unit) or why there is none

The squares are found as dark, flat, square patches, four of one size at the corners of one
rectangle, with bright paper between them. Their middles give the scale, each weighed by darkness
over the paper around it: where a square ends is blurred by the scanner, where its middle lies is
not. A scan without colours shows no card.

Card (``insole.output.papers.rider_page`` prints it from the measures here): squares of 20 mm,
their middles 80 mm apart along the card and 42 mm across it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from footscan.scan import Array, BoolArray, IntArray, Scan

__all__ = ["APART_MM", "SQUARE_MM", "CardSeen", "seen"]

SQUARE_MM, APART_MM = 20.0, (80.0, 42.0)  # what is printed is drawn from these
PRINT_SD = 0.003  # of a card whose bars were held against a rule, to half a mm on 100 mm
OFF_MM = 1.2  # six distances agree to so much, root mean square, or it is no card
LEAST_POINTS = 6  # of a square: coarser scans blur it away
SURE = 0.008  # relative deviation of what may vouch for a scale
LEVELS = (0.2, 0.3, 0.4, 0.5)  # of the bright parts' light: black is darker
BRIGHTER = 1.6  # the card between its squares, against the level
FLAT, SQUARE = 0.25, 0.6  # of a patch: third over first deviation at most, second at least
MOST = 40  # patches that are tried
AROUND_MM = 16.0  # a square and the paper around it, and nothing of the next one
ROUNDS = 3
ALIKE = 1.5  # sizes of squares, one to another
NEAR = 0.35  # share by which distances over sizes may be off, as sizes are blurred
CORNER = 0.2  # cosine of a corner's angle at most


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSeen:
    """What was found of a scale card.

    Attributes
    ----------
    mm_per_unit : float or None
        Millimetres in one of the file's units; None: no card that could vouch.
    sd : float
        Its relative standard deviation, print included.
    words : str
        One sentence: what was seen, or why it is no evidence.
    middle : tuple of float or None
        Of the card, file units.
    """

    mm_per_unit: float | None
    sd: float
    words: str
    middle: tuple[float, ...] | None = None

    def at(self, factor: float) -> tuple[float, ...] | None:
        """Return the card's middle, mm, where one file unit is `factor` mm."""
        return None if self.middle is None else tuple(factor * place for place in self.middle)

    def off(self, factor: float) -> float | None:
        """Return how far mm per file unit are off the card's, %; None: no card to tell."""
        return None if self.mm_per_unit is None else 100.0 * (factor / self.mm_per_unit - 1.0)


def seen(scan: Scan) -> CardSeen:
    """Return the scale card that a scan shows, in the scan's own units, or why there is none."""
    if scan.light is None:
        return _none(
            "the file has no colours of its points, so that the card cannot be seen in it (a "
            "picture laid over the surface, a texture, is not read); export the scan as PLY, OBJ "
            "or GLB with colours of the points, often called vertex colours"
        )
    light = np.nan_to_num(np.asarray(scan.light, dtype=float))
    bright = float(np.quantile(light, 0.9))
    links = _links(scan)
    cloud = _Cloud(scan.vertices, light, _areas(scan), cKDTree(scan.vertices))
    found = []
    for level in LEVELS:
        patches = _patches(cloud, links, light < level * bright)
        found += _cards(patches, cloud, level * bright)
    if not found:
        return _none(
            "no card with four black squares was found in the scan; lay the printed card flat "
            "beside the foot, in even light, and scan closely around both"
        )
    scales = [scale for _, scale, _ in found]
    off, scale, middle = min(found)
    if max(scales) / min(scales) > 1.0 + 4.0 * SURE:
        return _none("several cards were found that do not agree; scan with one card beside it")
    sd = float(np.hypot(PRINT_SD, off / APART_MM[0]))
    if sd > SURE:
        return _none(
            f"the card's squares lie {off:.1f} mm from where they should: it is bent, or seen too "
            "coarsely; glue it on stiff cardboard and scan it from nearer"
        )
    return CardSeen(
        mm_per_unit=scale,
        sd=sd,
        words=f"by the scale card one unit of the file is {scale:.4g} mm, to "
        f"{100 * 1.96 * sd:.1f} %",
        middle=middle,
    )


def _none(words: str) -> CardSeen:
    return CardSeen(mm_per_unit=None, sd=0.0, words=words)


def _links(scan: Scan) -> IntArray:
    """Return pairs of points that hang together: edges of faces, or near neighbours."""
    if len(scan.faces):
        edges = np.concatenate([scan.faces[:, k] for k in ([0, 1], [1, 2], [2, 0])])
        return np.unique(np.sort(edges, axis=1), axis=0)
    tree = cKDTree(scan.vertices)
    some = scan.vertices[:: max(1, len(scan.vertices) // 2000)]
    spacing = float(np.median(tree.query(some, k=2)[0][:, 1]))
    return tree.query_pairs(2.2 * spacing, output_type="ndarray").astype(np.int64)


class _Cloud(NamedTuple):
    """Points of a scan with their brightness and the surface around each."""

    vertices: Array
    light: Array
    area: Array
    tree: cKDTree


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patch:
    """A dark square: middle and side, in file units."""

    middle: Array
    side: float


def _patches(cloud: _Cloud, links: IntArray, dark: BoolArray) -> list[_Patch]:
    """Return the flat and square patches of dark points."""
    if dark.sum() < 4 * LEAST_POINTS:
        return []
    own = links[dark[links].all(axis=1)]
    count = len(cloud.vertices)
    graph = sparse.coo_matrix((np.ones(len(own), np.int8), own.T), shape=(count, count))
    _, label = csgraph.connected_components(graph, directed=False)
    label = np.where(dark, label, -1)
    names, sizes = np.unique(label[dark], return_counts=True)
    found = []
    for name in names[sizes >= LEAST_POINTS][:2000]:
        mine = label == name
        points, weight = cloud.vertices[mine], cloud.area[mine]
        if weight.sum() <= 0:
            continue
        middle = weight @ points / weight.sum()
        spread = (points - middle).T * weight @ (points - middle) / weight.sum()
        sd = np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 0.0))
        if sd[2] <= 0 or sd[0] > FLAT * sd[2] or sd[1] < SQUARE * sd[2]:
            continue
        side = float(np.sqrt(12.0) * np.sqrt(sd[1] * sd[2]))
        found.append(_Patch(middle=middle, side=side))
    return found


def _areas(scan: Scan) -> Array:
    """Return the surface around each point, so that uneven points do not shift a middle."""
    if not len(scan.faces):
        return np.ones(len(scan.vertices))
    faces = scan.faces
    a, b, c = (scan.vertices[faces[:, k]] for k in range(3))
    third = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
    area = np.zeros(len(scan.vertices))
    for k in range(3):
        np.add.at(area, faces[:, k], third)
    return area


_Card = tuple[float, float, tuple[float, ...]]


def _cards(patches: list[_Patch], cloud: _Cloud, level: float) -> list[_Card]:
    """Return misfit (mm), scale and middle of each four patches that are a card's."""
    found = []
    some = sorted(patches, key=lambda patch: -patch.side)[:MOST]
    for corner in some:
        rest = [p for p in some if p is not corner and 1 / ALIKE < p.side / corner.side < ALIKE]
        along = [p for p in rest if _apart(corner, p, APART_MM[0])]
        across = [p for p in rest if _apart(corner, p, APART_MM[1])]
        for one, other in itertools.product(along, across):
            a, b = one.middle - corner.middle, other.middle - corner.middle
            if abs(a @ b) > CORNER * np.linalg.norm(a) * np.linalg.norm(b):
                continue
            place = corner.middle + a + b
            for last in rest:
                if np.linalg.norm(last.middle - place) > 0.5 * corner.side:
                    continue
                middles = [p.middle for p in (corner, one, other, last)]
                off, scale = _scale(middles)
                paper = _paper((corner.middle + last.middle) / 2, scale, cloud)
                if off > 3.0 * OFF_MM or paper < BRIGHTER * level:
                    continue
                middles = [_centred(at, AROUND_MM / scale, paper, cloud) for at in middles]
                off, scale = _scale(middles)
                if off < OFF_MM:
                    found.append((off, scale, tuple(np.mean(middles, axis=0).tolist())))
    return found


def _apart(one: _Patch, other: _Patch, mm: float) -> bool:
    ratio = float(np.linalg.norm(one.middle - other.middle)) / (one.side + other.side) * 2
    return abs(ratio / (mm / SQUARE_MM) - 1.0) < NEAR


def _centred(middle: Array, around: float, paper: float, cloud: _Cloud) -> Array:
    """Return the middle of the darkness around a rough middle."""
    for _ in range(ROUNDS):
        near = np.asarray(cloud.tree.query_ball_point(middle, around), dtype=np.int64)
        dark = np.clip(1.0 - cloud.light[near] / paper - 0.1, 0.0, 0.8)
        weight = dark * np.maximum(cloud.area[near], 0.0)
        if weight.sum() <= 0:
            return middle
        middle = weight @ cloud.vertices[near] / weight.sum()
    return middle


def _scale(middles: list[Array]) -> tuple[float, float]:
    """Return how far six distances are off, mm, and the mm in a unit that suits them best."""
    diagonal = float(np.hypot(*APART_MM))
    true = np.array([APART_MM[0], APART_MM[1], diagonal, diagonal, APART_MM[1], APART_MM[0]])
    pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    got = np.array([float(np.linalg.norm(middles[i] - middles[j])) for i, j in pairs])
    scale = float(true @ got / (got @ got))
    return float(np.sqrt(np.mean((scale * got - true) ** 2))), scale


def _paper(middle: Array, scale: float, cloud: _Cloud) -> float:
    """Return the brightness of what lies between the four squares, 0 where nothing does."""
    near = cloud.tree.query_ball_point(middle, 10.0 / scale)
    return float(np.median(cloud.light[near])) if len(near) >= 3 else 0.0
