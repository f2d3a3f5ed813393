"""Four-sided regions from four straight edges: what shadows and legs part is still one sheet.

    light of a small picture -> edge pixels that could be paper's -> lines -> quads

A threshold gives the lit part of a sheet, or the dark one. Its edges go on straight through a
shadow's border and on both sides of a leg; so lines are voted for by pixels with something brighter
on one side over some distance, and each line knows on which side the paper would be.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from footscan.scan import Array

__all__ = ["quads"]

SLOPE = 0.012  # of the logarithm of light per pixel: a step of 4 % has that
TURN_BINS, RHO_PX = 180, 2.0
LEAST_VOTES = 30.0  # pixels of an edge that carry its line
LINES = 18
NEAR_BINS = 7  # between two lines
OPPOSITE, CROSSING = 0.70, 0.64  # cosines: sides of a sheet seen at a slant
LEAST_SHARE, MOST_SHARE = 0.03, 0.97  # of the picture
OUT_PX = 1.5
CARRIED = 0.45  # of a quad's border, by pixels that voted for its lines


class _Line(NamedTuple):
    normal: Array  # towards the paper
    rho: float
    at: Array  # places of its pixels along it, sorted


def quads(light: Array, reaches: tuple[float, ...], step: float) -> list[Array]:
    """Return corners, shape (4, 2), x right and y down, of regions within four bright-sided lines.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        0 to 1, some 400 pixels across.
    reaches : tuple of float
        Pixels to both sides at which one is brighter.
    step : float
        By this share of the brighter.
    """
    points, ways = _edge_pixels(light, reaches, step)
    lines = _lines(points, ways, light.shape)
    size = np.array(light.shape[::-1]) - 1.0
    pairs = [
        (a, b)
        for a, b in itertools.combinations(lines, 2)
        if float(a.normal @ b.normal) < -OPPOSITE and _faces(a, b, size)
    ]
    found = []
    for (a, c), (b, d) in itertools.combinations(pairs, 2):
        if max(abs(float(p.normal @ q.normal)) for p in (a, c) for q in (b, d)) > CROSSING:
            continue
        ring = (a, b, c, d)
        corners = np.array([_meet(ring[k - 1], ring[k]) for k in range(4)])
        if (corners < -OUT_PX).any() or (corners > size + OUT_PX).any():
            continue
        x, y = corners.T
        area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
        if not LEAST_SHARE * light.size < area < MOST_SHARE * light.size:
            continue
        carried = [_carried(one, corners[k], corners[(k + 1) % 4]) for k, one in enumerate(ring)]
        if min(carried) > CARRIED / 2 and float(np.mean(carried)) > CARRIED:
            found.append((float(np.mean(carried)) * np.sqrt(area), corners))
    found.sort(key=lambda one: -one[0])
    return [corners for _, corners in found[:40]]


def _edge_pixels(light: Array, reaches: tuple[float, ...], step: float) -> tuple[Array, Array]:
    """Return pixels on crests of the slope with a brighter side, and where that lies."""
    log = np.log(np.maximum(light, 0.03))
    gx, gy = (ndimage.gaussian_filter(log, 1.0, order=order) for order in ((0, 1), (1, 0)))
    slope = np.hypot(gx, gy)
    ys, xs = np.nonzero(slope > SLOPE)
    if not len(xs):
        return np.zeros((0, 2)), np.zeros((0, 2))
    points = np.stack([xs, ys], axis=1).astype(float)
    ways = np.stack([gx[ys, xs], gy[ys, xs]], axis=1) / slope[ys, xs][:, None]
    here = slope[ys, xs]
    crest = (here >= _read(slope, points + ways)) & (here > _read(slope, points - ways))
    points, ways = points[crest], ways[crest]
    least: Array = np.full(len(points), np.inf)
    for reach in reaches:
        within, beyond = (_read(light, points + s * reach * ways) for s in (1.0, -1.0))
        least = np.minimum(least, (within - beyond) / np.maximum(within, 0.05))
    good = least > step
    return points[good], ways[good]


def _lines(points: Array, ways: Array, shape: tuple[int, ...]) -> list[_Line]:
    """Return the lines that most edge pixels vote for."""
    reach = float(np.hypot(shape[0], shape[1]))
    rows = int(2 * reach / RHO_PX) + 3
    turn = np.arctan2(ways[:, 1], ways[:, 0])
    votes = np.zeros((TURN_BINS, rows))
    bin_of = np.round(turn / (2 * np.pi) * TURN_BINS).astype(int)
    for aside in range(-2, 3):  # a pixel tells its direction to some degrees
        k = (bin_of + aside) % TURN_BINS
        angle = k * (2 * np.pi / TURN_BINS)
        rho = points[:, 0] * np.cos(angle) + points[:, 1] * np.sin(angle)
        np.add.at(votes, (k, np.round((rho + reach) / RHO_PX).astype(int)), 1.0)
    votes = ndimage.gaussian_filter(votes, (0.7, 0.8), mode=("wrap", "constant"))
    votes /= 0.36
    top = ndimage.maximum_filter(votes, NEAR_BINS, mode=("wrap", "constant"))
    peaks = np.argwhere((votes == top) & (votes > LEAST_VOTES))
    peaks = peaks[np.argsort(-votes[peaks[:, 0], peaks[:, 1]])][:LINES]
    found = []
    for peak in peaks.tolist():
        bearing, at = float(peak[0]) * (2 * np.pi / TURN_BINS), float(peak[1]) * RHO_PX - reach
        normal: Array = np.array([np.cos(bearing), np.sin(bearing)])
        for near in (3.0, 2.0):
            own = (np.abs(points @ normal - at) < near) & (ways @ normal > 0.9)
            if own.sum() < LEAST_VOTES / 2:
                break
            middle = points[own].mean(axis=0)
            _, vectors = np.linalg.eigh(np.cov((points[own] - middle).T))
            better = vectors[:, 0]
            normal = better if better @ normal > 0 else -better
            at = float(normal @ middle)
        else:
            along = points[own] @ np.array([-normal[1], normal[0]])
            found.append(_Line(normal, at, np.sort(along)))
    return found


def _faces(a: _Line, b: _Line, size: Array) -> bool:
    """Return whether each of two lines has the other's middle on its paper side."""
    ends = [line.rho * line.normal + np.median(line.at) * _way(line) for line in (a, b)]
    least = 0.1 * float(size.min())
    return bool(ends[1] @ a.normal - a.rho > least and ends[0] @ b.normal - b.rho > least)


def _way(line: _Line) -> Array:
    return np.array([-line.normal[1], line.normal[0]])


def _meet(a: _Line, b: _Line) -> Array:
    return np.linalg.solve(np.array([a.normal, b.normal]), np.array([a.rho, b.rho]))


def _carried(line: _Line, first: Array, last: Array) -> float:
    """Return the share of a side that has pixels which voted for its line."""
    ends = sorted((float(first @ _way(line)), float(last @ _way(line))))
    own = line.at[(line.at > ends[0]) & (line.at < ends[1])]
    return len(np.unique(np.round(own / 2.0))) * 2.0 / max(ends[1] - ends[0], 1.0)


def _read(values: Array, at: Array) -> Array:
    return ndimage.map_coordinates(values, at.T[::-1], order=1, mode="nearest")
