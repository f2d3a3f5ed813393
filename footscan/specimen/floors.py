"""Floors, light and things that lie about, for made-up photographs.

Every function takes places on the ground, shape (h, w, 2), mm, and gives values per pixel.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from footscan.scan import Array

__all__ = [
    "FLOORS",
    "cast",
    "contact_shadow",
    "covered",
    "creased",
    "hand",
    "light",
    "phone",
    "ruler",
    "standing_foot",
]

TILE_TEXTURE = 512  # pixels of a repeated texture


def _texture(rng: np.random.Generator, sigma: tuple[float, float]) -> Array:
    """Return a repeated noise texture of mean 0 and deviation 1."""
    from scipy.ndimage import gaussian_filter

    field = rng.standard_normal((TILE_TEXTURE, TILE_TEXTURE), dtype=np.float32)
    field = gaussian_filter(field, sigma, mode="wrap")
    return field / field.std()


def _sampled(texture: Array, x: Array, y: Array) -> Array:
    return texture[x.astype(np.int32) % TILE_TEXTURE, y.astype(np.int32) % TILE_TEXTURE]


def _turned(ground: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    turn = rng.uniform(0, np.pi)
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    u, v = ground[..., 0] + np.float32(7000), ground[..., 1] + np.float32(7000)
    return c * u + s * v + 20000, c * v - s * u + 20000


def _wood(ground: Array, bright: float, rng: np.random.Generator) -> Array:
    x, y = _turned(ground, rng)
    plank = np.floor(y / 92.0)
    shade = 1.0 + 0.10 * np.sin(plank * 12.9898)
    grain = _sampled(_texture(rng, (50, 1.2)), x * 1.5, y * 1.5 + plank * 131)
    seam = np.abs(y / 92.0 - plank - 0.5) > 0.49
    value = bright * shade * (1.0 + 0.10 * grain) * np.where(seam, 0.55, 1.0)
    return value[..., None] * np.array([1.18, 0.98, 0.74], dtype=np.float32)


def _tile(ground: Array, bright: float, rng: np.random.Generator) -> Array:
    x, y = _turned(ground, rng)
    grout = (x % 198.0 < 4.0) | (y % 198.0 < 4.0)
    mottle = _sampled(_texture(rng, (6, 6)), x, y)
    value = bright * (1.0 + 0.035 * mottle) * np.where(grout, 0.62, 1.0)
    return value[..., None] * np.array([1.02, 1.0, 0.95], dtype=np.float32)


def _carpet(ground: Array, bright: float, rng: np.random.Generator) -> Array:
    x, y = _turned(ground, rng)
    pile = _sampled(_texture(rng, (1.3, 1.3)), x * 2, y * 2)
    worn = _sampled(_texture(rng, (25, 25)), x, y)
    value = bright * (1.0 + 0.16 * pile + 0.06 * worn)
    tint = np.array([1.0, 1.0, 1.0], dtype=np.float32) + rng.uniform(-0.12, 0.12, 3)
    return value[..., None] * tint.astype(np.float32)


def _rug(ground: Array, bright: float, rng: np.random.Generator) -> Array:
    """Woven stripes of two colours, straight through the picture."""
    x, y = _turned(ground, rng)
    broad = float(rng.uniform(18, 60))
    pile = _sampled(_texture(rng, (1.3, 1.3)), x * 2, y * 2)
    second = (y / broad) % 1.0 < rng.uniform(0.25, 0.6)
    value = bright * (1.0 + 0.10 * pile)
    one, other = 1.0 + rng.uniform(-0.15, 0.15, 3), rng.uniform(0.35, 0.75, 3)
    tint = np.where(second[..., None], other, one).astype(np.float32)
    return value[..., None] * tint


def _plain(ground: Array, bright: float, rng: np.random.Generator) -> Array:
    worn = _sampled(_texture(rng, (30, 30)), ground[..., 0] + 9000, ground[..., 1] + 9000)
    value = (bright * (1.0 + 0.02 * worn)).astype(np.float32)
    return np.repeat(value[..., None], 3, axis=-1)


FLOORS: dict[str, Callable[[Array, float, np.random.Generator], Array]] = {
    "wood": _wood,
    "tile": _tile,
    "carpet": _carpet,
    "rug": _rug,
    "plain": _plain,
}


def light(
    ground: Array,
    size: tuple[float, float],
    slope: tuple[float, float],
    shadow: tuple[float, float, float, float, float] | None,
) -> Array:
    """Return the light on each place: a slope over 300 mm and the soft edge of a shadow."""
    u, v = ground[..., 0] - size[0] / 2, ground[..., 1] - size[1] / 2
    value = np.clip(1.0 + float(slope[0]) / 300.0 * u + float(slope[1]) / 300.0 * v, 0.35, 1.6)
    if shadow is not None:
        at_u, at_v, way, soft, left = map(float, shadow)
        c, s = (float(f(np.radians(way))) for f in (np.cos, np.sin))
        deep = ((ground[..., 0] - at_u) * c + (ground[..., 1] - at_v) * s) / soft
        value = value * (left + (1 - left) / (1 + np.exp(np.clip(4 * deep, -30, 30))))
    return value.astype(np.float32)


def cast(ground: Array, ring: Array, soft: float, left: float) -> Array:
    """Return the light left, 0 to 1, below something held over the sheet."""
    from scipy.ndimage import gaussian_filter

    low, high = ring.min(axis=0) - 3 * soft, ring.max(axis=0) + 3 * soft
    wide, tall = np.ceil(high - low).astype(int)
    x, y = np.meshgrid(np.arange(wide) + 0.5, np.arange(tall) + 0.5)
    cells: Array = np.stack([x + low[0], y + low[1]], axis=-1)
    whole = covered(cells, ring)
    whole = np.asarray(gaussian_filter(whole, soft / 2), dtype=float)
    at = np.asarray(ground - low.astype(np.float32) - np.float32(0.5), dtype=float)
    deep = _between(whole, at)
    return (1.0 - np.float32(1.0 - left) * deep).astype(np.float32)


def _between(values: Array, at: Array) -> Array:
    from scipy.ndimage import map_coordinates

    found = map_coordinates(values, [at[..., 1], at[..., 0]], order=1, mode="constant", cval=0.0)
    return np.asarray(found)


def creased(on: Array, folds: tuple[tuple[int, float, float], ...]) -> Array:
    """Return how creases change the light on a sheet: a thin line, and a tilt that fades."""
    value: Array = np.ones(on.shape[:2], dtype=np.float32)
    for axis, where, change in folds:
        off = on[..., axis] - np.float32(where)
        tilt = np.sign(off) * np.exp(-np.abs(off) / 30.0)
        value *= 1.0 + np.float32(change) * (tilt - 1.2 * np.exp(-((off / 0.45) ** 2)))
    return np.asarray(value)


def contact_shadow(ground: Array, size: tuple[float, float]) -> Array:
    """Return how the floor darkens beside a sheet."""
    out = np.maximum(
        np.maximum(-ground[..., 0], ground[..., 0] - size[0]),
        np.maximum(-ground[..., 1], ground[..., 1] - size[1]),
    )
    return (1.0 - 0.14 * np.exp(-np.clip(out, 0, 40) / 1.5)).astype(np.float32)


def covered(ground: Array, ring: Array) -> Array:
    """Return 1 where a ring covers the ground, drawn at a quarter of a mm."""
    from PIL import Image, ImageDraw

    low, high = ring.min(axis=0) - 2.0, ring.max(axis=0) + 2.0
    wide, tall = np.ceil((high - low) * 4).astype(int)
    image = Image.new("L", (int(wide), int(tall)), 0)
    ImageDraw.Draw(image).polygon([tuple(p) for p in ((ring - low) * 4).tolist()], fill=255)
    mask = np.asarray(image, dtype=float) / 255.0
    return _between(mask, np.asarray((ground - low.astype(np.float32)) * 4, dtype=float))


def hand(at: tuple[float, float], way_deg: float) -> Array:
    """Return the ring of a hand whose fingers reach to `at`, coming from a direction."""
    import shapely
    from shapely import affinity

    fingers = [
        shapely.LineString(
            [(-10.0 - abs(k - 1.4) * 9, 19.0 * k - 28), (-95.0, 14.0 * k - 20)]
        ).buffer(8.0)
        for k in range(4)
    ]
    palm = shapely.LineString([(-105, 0), (-320, 0)]).buffer(42.0)
    shape = affinity.rotate(shapely.union_all([*fingers, palm]), way_deg + 180, origin=(0, 0))
    return np.asarray(affinity.translate(shape, *at).exterior.coords)[:-1]


def ruler(
    at: tuple[float, float], way_deg: float, long: float = 310.0, broad: float = 30.0
) -> Array:
    """Return the ring of a ruler, a pen or a strip of tape, with its middle at a place."""
    c, s = np.cos(np.radians(way_deg)), np.sin(np.radians(way_deg))
    x, y = long / 2, broad / 2
    ring = np.array([(-x, -y), (x, -y), (x, y), (-x, y)], dtype=float)
    return ring @ np.array([[c, s], [-s, c]]) + at


def phone(at: tuple[float, float], way_deg: float) -> Array:
    """Return the ring of the shadow of a phone and of the hand and arm that hold it."""
    import shapely
    from shapely import affinity

    body = shapely.box(-80, -38, 80, 38).buffer(8)
    palm = shapely.LineString([(20, -30), (70, -80), (160, -330)]).buffer(38)
    shape = affinity.rotate(shapely.union(body, palm), way_deg, origin=(0, 0))
    return np.asarray(affinity.translate(shape, *at).exterior.coords)[:-1]


def standing_foot(foot: Array) -> tuple[Array, Array]:
    """Return the rings of a foot that still stands on its sheet, and of the leg behind it."""
    import shapely

    heel = foot[np.argmin(foot[:, 1])]
    leg = shapely.LineString([heel + np.array([0, 75]), heel - np.array([0, 320])]).buffer(48.0)
    return foot, np.asarray(leg.exterior.coords)[:-1]
