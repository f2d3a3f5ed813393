"""The drawn line on the flattened sheet: how dark, how much of a line, what covers the paper.

    Photo + Sheet -> flatten -> Flat (dark, ridge, solid)

Terms
    dark    share of the paper's light that is missing, against the paper around
    ridge   how much a place is the crest of a dark line, in the dark's units
    solid   what lies on the paper: coloured or black, and wider than a line
    noise   standard deviation of the ridge on empty paper

Frame of the rasters: rows down, columns right, :data:`PER_MM` pixels in a mm; ``to_mm`` and
``to_cells`` go between them and the sheet's frame.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from footscan.outline.photo import Photo
from footscan.outline.sheet import Sheet
from footscan.scan import Array

__all__ = ["PER_MM", "Flat", "flatten"]

PER_MM = 4
COARSE = 4  # cells of the fine raster in one of the coarse
BORDER_MM = 1.6  # next to the sheet's edge nothing is read
AROUND_MM = 15  # paper around a place, whose light is the paper's
LINE_SIGMAS_MM = (0.35, 0.7)  # half-widths of lines that are looked for
COLOURED = 0.085  # chromatic distance from paper's colour: skin, wood; no shadow
BLACK = 0.30  # of the paper's light
SIDES_MM, SIDES_EVEN_MM, SIDES_SHARE = 6.0, 0.25, 0.3  # window; smoothing; of the darkness
CREASE_DARK, CREASE_OVER = 0.006, 1.5  # a crease's ridge at least; and over what paper shows
CREASE_PARTS, CREASE_SEEN = 20, 0.6  # a crease is seen in most of each of nearly all parts
CREASE_TURN_DEG, CREASE_HALF_MM = 2.5, 1.6
SOLID_MM = 5.0  # narrower than this is a line or letters


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flat:
    """A sheet seen straight from above.

    Attributes
    ----------
    size : (float, float)
        Sides along u and v, mm.
    grey : ndarray, shape (rows, columns)
        Light, 0 to 255.
    dark, ridge : ndarray, same shape
        See the module's text.
    solid : ndarray of bool, same shape
        What lies on the paper.
    noise : float
        Of the ridge.
    picture : ndarray, shape (rows / 2, columns / 2, 3), uint8
        In colour, for people.
    creases : tuple of float
        Where lines run straight across the sheet, from one long side to the other: places along
        v, mm.
    """

    size: tuple[float, float]
    grey: Array = field(repr=False)
    dark: Array = field(repr=False)
    ridge: Array = field(repr=False)
    solid: NDArray[np.bool_] = field(repr=False)
    noise: float
    picture: NDArray[np.uint8] = field(repr=False)
    creases: tuple[float, ...] = ()

    def to_cells(self, mm: Array) -> tuple[Array, Array]:
        """Return rows and columns, for ``map_coordinates``, of places in the sheet's frame."""
        return (self.size[1] - mm[..., 1]) * PER_MM - 0.5, mm[..., 0] * PER_MM - 0.5

    def to_mm(self, rows: Array, columns: Array) -> Array:
        """Return places in the sheet's frame, shape (..., 2), mm."""
        u = (np.asarray(columns, dtype=float) + 0.5) / PER_MM
        return np.stack([u, self.size[1] - (np.asarray(rows, dtype=float) + 0.5) / PER_MM], axis=-1)


def flatten(photo: Photo, sheet: Sheet) -> Flat:
    """Return the sheet seen straight from above, with what is drawn and what lies on it."""
    from PIL import Image

    size = (sheet.paper.short, sheet.paper.long)
    shape = (int(size[1] * PER_MM), int(size[0] * PER_MM))
    rows, columns = np.meshgrid(np.arange(shape[0]), np.arange(shape[1]), indexing="ij")
    u, v = (columns + 0.5) / PER_MM, size[1] - (rows + 0.5) / PER_MM
    at = _spread(sheet, u, v)
    corner = np.floor(at.min(axis=(0, 1))).astype(int) - 6
    end = np.ceil(at.max(axis=(0, 1))).astype(int) + 7
    corner = np.maximum(corner, 0)
    part = photo.rgb[corner[1] : end[1], corner[0] : end[0]]
    width = max(1, round(sheet.px_per_mm / PER_MM))
    places = [at[..., 1] - corner[1], at[..., 0] - corner[0]]
    layers = []
    for channel in Image.fromarray(np.ascontiguousarray(part)).split():
        layer: Array = np.asarray(channel, dtype=np.float32)
        if width > 1:  # several pixels of the photo fall into a cell
            layer = ndimage.uniform_filter(layer, width)
        layers.append(ndimage.map_coordinates(layer, places, order=1, mode="nearest"))
    rgb = np.stack(layers, axis=-1)
    grey = rgb @ np.array([0.30, 0.59, 0.11], dtype=np.float32)
    border = int(BORDER_MM * PER_MM)
    edge = np.ones(shape, dtype=bool)
    edge[border:-border, border:-border] = False
    solid = _solid(rgb, grey)
    dark: Array = np.clip(1.0 - grey / _paper_light(grey), -0.2, 1.0).astype(np.float32)
    ridge = _ridge(dark) * _both_sides(grey, dark)
    ridge[edge] = 0.0
    inner = ridge[2 * border : -2 * border : 3, 2 * border : -2 * border : 3]
    noise = float(1.4826 * np.median(np.abs(inner - np.median(inner))))
    # edges of what lies on the paper, and creases from side to side, are no drawn lines
    ridge[ndimage.binary_dilation(solid, iterations=3)] = 0.0
    least = max(CREASE_DARK, CREASE_OVER * float(np.quantile(inner, 0.8)))
    across: list[float] = []
    for strip in (ridge, ridge.T):
        for band, along in _creases(strip > least):
            strip[band, along] = 0.0
            if strip is ridge:
                across.append(size[1] - (float(band.mean()) + 0.5) / PER_MM)
    halves = rgb[: shape[0] // 2 * 2, : shape[1] // 2 * 2]
    halves = halves.reshape(shape[0] // 2, 2, shape[1] // 2, 2, 3).mean(axis=(1, 3))
    return Flat(
        size=size,
        grey=grey,
        dark=dark,
        ridge=ridge,
        solid=solid,
        noise=max(noise, 5e-4),
        picture=np.clip(np.round(halves), 0, 255).astype(np.uint8),
        creases=tuple(across),
    )


def _spread(sheet: Sheet, u: Array, v: Array) -> Array:
    """Return the photo's pixels for a raster; every eighth is computed, the rest lies between."""
    step = 8
    rows = np.arange(0, u.shape[0] + step, step)
    columns = np.arange(0, u.shape[1] + step, step)
    mm = np.stack(np.meshgrid(u[0, 0] + columns / PER_MM, v[0, 0] - rows / PER_MM), axis=-1)
    coarse = sheet.pixels(mm)
    fine_rows, fine_columns = np.arange(u.shape[0]) / step, np.arange(u.shape[1]) / step
    i, j = fine_rows.astype(int), fine_columns.astype(int)
    a, b = (fine_rows - i)[:, None, None], (fine_columns - j)[None, :, None]
    along = coarse[i] * (1 - a) + coarse[i + 1] * a
    return (along[:, j] * (1 - b) + along[:, j + 1] * b).astype(np.float32)


def _shrunk(fine: Array, step: int) -> Array:
    """Return the means of square blocks of the fine raster."""
    rows, columns = (n // step for n in fine.shape[:2])
    cut = fine[: rows * step, : columns * step]
    return cut.reshape(rows, step, columns, step, -1).mean(axis=(1, 3))


def _grown(coarse: Array, shape: tuple[int, ...], step: int) -> Array:
    """Return a coarse raster at the fine raster's places."""
    rows = np.clip((np.arange(shape[0]) + 0.5) / step - 0.5, 0, coarse.shape[0] - 1)
    columns = np.clip((np.arange(shape[1]) + 0.5) / step - 0.5, 0, coarse.shape[1] - 1)
    i, j = (
        np.minimum(rows.astype(int), coarse.shape[0] - 2),
        np.minimum(columns.astype(int), coarse.shape[1] - 2),
    )
    a, b = (rows - i)[:, None], (columns - j)[None, :]
    along = coarse[i] * (1 - a) + coarse[i + 1] * a
    return along[:, j] * (1 - b) + along[:, j + 1] * b


def _paper_light(grey: Array) -> Array:
    """Return the light of the paper itself: what most of a place's surroundings have."""
    coarse = _shrunk(grey, 2 * COARSE)[..., 0]
    around = ndimage.percentile_filter(coarse, 65, size=AROUND_MM // 4 * 2 + 1)
    around = ndimage.gaussian_filter(around, 1.0)
    return np.maximum(_grown(around, grey.shape, 2 * COARSE), 8.0)


def _ridge(dark: Array) -> Array:
    """Return the strength of dark lines: how far a line's crest rises over both its sides."""
    best = np.zeros_like(dark)
    for sigma_mm in LINE_SIGMAS_MM:
        sigma = sigma_mm * PER_MM
        xx, yy, xy = (
            ndimage.gaussian_filter(dark, sigma, order=order) for order in ((0, 2), (2, 0), (1, 1))
        )
        half = (xx + yy) / 2
        away = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
        # across the line the curve bends down, along it hardly at all: blobs count little
        across, along = -(half - away), -(half + away)
        np.maximum(best, sigma**2 * (across - np.abs(along)), out=best)
    return best


def _both_sides(grey: Array, dark: Array) -> Array:
    """Return 0 to 1: how much of a place's darkness is missing against both of its sides.

    A line is darker than the paper on either side of it; the border of a shadow than on one.
    Closing a picture fills what is narrower than its window and leaves steps as they are.
    """
    even = ndimage.gaussian_filter(grey, SIDES_EVEN_MM * PER_MM)
    size = 2 * round(SIDES_MM / 2 * PER_MM) + 1
    around = ndimage.minimum_filter(ndimage.maximum_filter(even, size), size)
    missing = 1.0 - even / np.maximum(around, 8.0)
    return np.clip(missing / np.maximum(SIDES_SHARE * dark, 1e-3), 0.0, 1.0).astype(np.float32)


def _creases(line: NDArray[np.bool_]) -> Iterator[tuple[NDArray[np.int_], NDArray[np.int_]]]:
    """Yield rows and columns of straight lines that run from the left edge to the right one.

    A sheet that was folded has them, and two taped sheets; the border of a foot is never straight
    for so long.
    """
    high, wide = line.shape
    cuts = np.linspace(0, wide, CREASE_PARTS + 1).astype(int)
    parts = np.stack([line[:, a:b].mean(axis=1) for a, b in itertools.pairwise(cuts)])
    parts = ndimage.maximum_filter1d(parts, 3, axis=1)
    middles = (cuts[1:] + cuts[:-1]) / 2 - wide / 2
    steep = np.tan(np.radians(CREASE_TURN_DEG))
    slopes = np.arange(-steep, steep, 2.0 / wide)
    rows, columns = np.arange(high), np.arange(wide)
    found, which = [], np.arange(CREASE_PARTS)[:, None]
    for slope in slopes.tolist():
        at = rows[None, :] + np.round(slope * middles).astype(int)[:, None]
        inside = (at >= 0) & (at < high)
        seen = np.where(inside, parts[which, np.clip(at, 0, high - 1)], 0)
        share = np.sort(seen, axis=0)[CREASE_PARTS // 5]  # four in five parts have at least that
        best = int(np.argmax(share))
        found.append((float(share[best]), best, slope))
        share[max(best - 80, 0) : best + 80] = 0.0
        best = int(np.argmax(share))
        found.append((float(share[best]), best, slope))
    taken: list[int] = []
    half = round(CREASE_HALF_MM * PER_MM)
    for share, row, slope in sorted(found, reverse=True):
        if share < CREASE_SEEN or any(abs(row - other) < 80 for other in taken):
            continue
        taken.append(row)
        at = row + np.round(slope * (columns - wide / 2)).astype(int)
        band = np.clip(at[None, :] + np.arange(-half, half + 1)[:, None], 0, high - 1)
        yield band, np.broadcast_to(columns, band.shape)


def _solid(rgb: Array, grey: Array) -> NDArray[np.bool_]:
    """Return what covers the paper: of another colour, or black, and wider than a line."""
    coarse = _shrunk(rgb, COARSE)
    light = np.maximum(coarse.sum(axis=-1), 12.0)
    red, blue = coarse[..., 0] / light, coarse[..., 2] / light
    white = coarse.mean(axis=-1) >= np.quantile(coarse.mean(axis=-1), 0.6)
    far = np.hypot(red - np.median(red[white]), blue - np.median(blue[white]))
    level = np.median(coarse.mean(axis=-1)[white])
    mask = (far > COLOURED) | (coarse.mean(axis=-1) < BLACK * level)
    half = int(SOLID_MM / 2 * PER_MM / COARSE)
    disc = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) <= half + 0.3
    mask = ndimage.binary_opening(mask, disc)
    mask = ndimage.binary_dilation(mask, iterations=2)
    rows = np.minimum(np.arange(grey.shape[0]) // COARSE, mask.shape[0] - 1)
    columns = np.minimum(np.arange(grey.shape[1]) // COARSE, mask.shape[1] - 1)
    return np.asarray(mask[rows][:, columns])
