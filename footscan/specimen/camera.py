"""A made-up phone that photographs a drawn sheet on a floor.

    DrawnSheet + Shot -> photograph -> pixels (h, w, 3) uint8; corners of the sheet in the picture

A pinhole with radial distortion above a plane; the lens model is the forward one of
photogrammetry (normalised radius r: 1 + k1 r^2 + k2 r^4). Nothing here is shared with the room
that reads photographs. Camera frame: x right, y down, z forward; world: the sheet's frame, z up.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from footscan.scan import Array
from footscan.specimen import floors
from footscan.specimen.drawn import PER_MM, DrawnSheet

__all__ = ["Shot", "corners", "photograph"]

SKIN = np.array([0.72, 0.50, 0.40], dtype=np.float32)
PAPER = np.array([0.90, 0.90, 0.89], dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """Where the phone was, what lay around, and what light and sensor did.

    Attributes
    ----------
    pixels : (int, int)
        Width and height.
    focal : float
        Focal length as a share of the longer side.
    above, aside : float, (float, float)
        Camera above the sheet and beside its middle, mm.
    aim : (float, float)
        What it looks at, from the sheet's middle, mm.
    roll_deg : float
        Turn of the phone about its view.
    k1, k2 : float
        Radial distortion.
    floor : str
        ``wood``, ``tile``, ``carpet``, ``rug`` or ``plain``.
    floor_light : float
        Mean brightness of the floor.
    light : (float, float)
        Relative change of light over 300 mm, along u and v.
    shadow : tuple of float or None
        (u, v, direction in degrees, softness in mm, share of light left).
    cast : tuple or None
        Shadow of a phone or a hand: (ring in the sheet's frame, softness in mm, light left).
    folds : tuple of (int, float, float)
        Creases of a sheet that was folded: across u (0) or v (1), where, mm, and the change of
        light beside it.
    ink : (float, float, float)
        Share of red, green and blue that full ink takes: black, or a colour.
    curls : tuple of float
        Height of each corner, mm: lower left, lower right, upper right, upper left.
    blur, noise : float
        Standard deviations: pixels, and share of white.
    exposure, warmth : float
        Brightness; red against blue.
    objects : tuple of ndarray and colour
        Rings in the sheet's frame that lie on top, each with its colour.
    no_sheet : bool
        The floor alone.
    """

    pixels: tuple[int, int] = (2304, 1728)
    focal: float = 0.72
    above: float = 480.0
    aside: tuple[float, float] = (0.0, 0.0)
    aim: tuple[float, float] = (0.0, 0.0)
    roll_deg: float = 90.0
    k1: float = 0.0
    k2: float = 0.0
    floor: str = "wood"
    floor_light: float = 0.42
    light: tuple[float, float] = (0.0, 0.0)
    shadow: tuple[float, float, float, float, float] | None = None
    cast: tuple[Array, float, float] | None = None
    folds: tuple[tuple[int, float, float], ...] = ()
    ink: tuple[float, float, float] = (0.93, 0.92, 0.86)
    curls: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    blur: float = 0.8
    noise: float = 0.012
    exposure: float = 0.95
    warmth: float = 0.0
    objects: tuple[tuple[Array, tuple[float, float, float]], ...] = field(default=())
    no_sheet: bool = False


def _camera(size: tuple[float, float], shot: Shot) -> tuple[Array, Array]:
    """Return place and turn (rows: right, down, forward) of the camera in the sheet's frame."""
    middle = np.array([size[0] / 2, size[1] / 2, 0.0])
    place = middle + np.array([*shot.aside, shot.above])
    forward = middle + np.array([*shot.aim, 0.0]) - place
    forward /= np.linalg.norm(forward)
    down = -np.array([0.0, 1.0, 0.0])
    right = np.cross(down, forward)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(np.radians(shot.roll_deg)), np.sin(np.radians(shot.roll_deg))
    return place, np.stack([c * right + s * down, c * down - s * right, forward])


def corners(sheet: DrawnSheet, shot: Shot) -> Array:
    """Return the flat sheet's corners in the picture, shape (4, 2), x right and y down, pixels."""
    u, v = sheet.size
    return _seen(np.array([(0, 0, 0), (u, 0, 0), (u, v, 0), (0, v, 0)], dtype=float), sheet, shot)


def _seen(points: Array, sheet: DrawnSheet, shot: Shot) -> Array:
    place, turn = _camera(sheet.size, shot)
    seen = (points - place) @ turn.T
    x = seen[:, :2] / seen[:, 2:]
    r2 = (x**2).sum(axis=1, keepdims=True)
    x = x * (1 + shot.k1 * r2 + shot.k2 * r2**2)
    return x * shot.focal * max(shot.pixels) + (np.array(shot.pixels) - 1) / 2


def photograph(sheet: DrawnSheet, shot: Shot, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return the picture, shape (h, w, 3), uint8."""
    from scipy.ndimage import gaussian_filter, map_coordinates

    ground = _ground(sheet.size, shot)
    on = _lifted(ground, sheet.size, shot)
    colour = floors.FLOORS[shot.floor](ground, shot.floor_light, rng)
    inside = _soft_inside(on, sheet.size, shot)
    if not shot.no_sheet:
        rows = (sheet.size[1] - on[..., 1]) * PER_MM - 0.5
        columns = on[..., 0] * PER_MM - 0.5
        ink = map_coordinates(sheet.ink, [rows, columns], order=1, mode="constant", cval=0.0)
        near = floors.contact_shadow(ground, sheet.size)
        bent = floors.creased(on, shot.folds)
        for k, part in enumerate(shot.ink):
            paper = PAPER[k] * (1.0 - np.float32(part) * ink) * bent
            layer = colour[..., k] * near
            colour[..., k] = layer + inside * (paper - layer)
    for ring, dye in shot.objects:
        cover = floors.covered(ground, ring)
        colour = colour + cover[..., None] * (np.array(dye, dtype=np.float32) - colour)
    light = floors.light(ground, sheet.size, shot.light, shot.shadow) * np.float32(shot.exposure)
    if shot.cast is not None:
        light *= floors.cast(ground, *shot.cast)
    picture = np.zeros(colour.shape, dtype=np.uint8)
    for k, tint in enumerate((1.0 + shot.warmth, 1.0, 1.0 - shot.warmth)):
        layer = gaussian_filter(colour[..., k] * light * np.float32(tint), shot.blur, truncate=3.0)
        noise = rng.standard_normal(layer.shape, dtype=np.float32)
        layer += np.float32(shot.noise) * np.sqrt(np.clip(layer, 0.05, 1.0)) * noise
        picture[..., k] = np.round(np.clip(layer, 0.0, 1.0) * 255.0)
    return picture


def _ground(size: tuple[float, float], shot: Shot) -> Array:
    """Return where each pixel looks on the plane of the sheet, shape (h, w, 2), mm."""
    wide, high = shot.pixels
    f = float(shot.focal * max(wide, high))
    x, y = np.meshgrid(
        ((np.arange(wide) - (wide - 1) / 2) / f).astype(np.float32),
        ((np.arange(high) - (high - 1) / 2) / f).astype(np.float32),
    )
    straight_x, straight_y = x.copy(), y.copy()
    for _ in range(6 if shot.k1 or shot.k2 else 0):
        r2 = straight_x**2 + straight_y**2
        bend = 1 + shot.k1 * r2 + shot.k2 * r2**2
        straight_x, straight_y = np.asarray(x / bend), np.asarray(y / bend)
    place, turn = (part.astype(np.float32) for part in _camera(size, shot))
    way = [turn[0, k] * straight_x + turn[1, k] * straight_y + turn[2, k] for k in range(3)]
    far = -place[2] / np.minimum(way[2], np.float32(-1e-3))
    return np.stack([place[0] + far * way[0], place[1] + far * way[1]], axis=-1)


def _lifted(ground: Array, size: tuple[float, float], shot: Shot) -> Array:
    """Return the place of the paper that is seen where a pixel looks, with its corners curled."""
    if not any(shot.curls):
        return ground
    place, _ = _camera(size, shot)
    on, reach = ground.copy(), 75.0
    for at, curl in zip(((0, 0), (size[0], 0), size, (0, size[1])), shot.curls, strict=True):
        corner = np.array(at, dtype=np.float32)
        near = (np.abs(ground[..., 0] - corner[0]) < reach) & (
            np.abs(ground[..., 1] - corner[1]) < reach
        )
        here = ground[near]
        there = here
        for _ in range(3):
            away = np.abs(there - corner).sum(axis=-1)
            rise = float(curl / place[2]) * np.clip(1.0 - away / 45.0, 0.0, 1.5) ** 2
            there = here + (place[:2].astype(np.float32) - here) * rise[:, None]
        on[near] = there
    return on


def _soft_inside(on: Array, size: tuple[float, float], shot: Shot) -> Array:
    """Return how much of each pixel is paper, 0 to 1."""
    per_pixel = float(shot.above / (shot.focal * max(shot.pixels)))
    inner = np.minimum(
        np.minimum(on[..., 0], size[0] - on[..., 0]), np.minimum(on[..., 1], size[1] - on[..., 1])
    )
    return np.clip(inner / per_pixel + 0.5, 0.0, 1.0)
