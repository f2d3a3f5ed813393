"""Kits of arch pads, and picking from them.

    kit.toml or the workshop's own file -> load -> Kit -> pick -> Placed -> planning.support.pad

A kit pad is known by three sizes: height at the crest, length and width of its outline. Its
surface has the mean form of the pads that made-up feet get (``kit_form.toml``, written by
``tests/benchmarks/kit_form.py``), with a standing medial side, stretched to those sizes; a pad
that would run out steeper than the planning limits allow does not exist.

Pad frame (mm): origin below the crest, +x forward, +y medial.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.support.surface import Feel, feel_of, without_edges
from insole.record.limits import Limits, parsed

__all__ = [
    "Form",
    "Kit",
    "KitPad",
    "Placed",
    "area",
    "default_kit",
    "form",
    "load",
    "open_heights",
    "pad_heights",
    "pick",
]

ROUND, SQUARE = 2.5, 6.0  # of the outline: fuller than an ellipse, nearly straight medially
FULL_HEIGHT_MM = 0.15  # a pad reaches its height when its surface comes this close to it
FIT_MM = 0.05  # a pad may pass its ceiling by half of what a calliper shows
SAMPLE_MM = 3  # spacing of the first, coarse look at whether a pad fits
MOST_PADS = 400  # each is fitted at many places
TURNS = (0, -1, 1, -2, 2, -3, 3)  # steps of the turning grid that are tried
_RANGES = {"height": (2.0, 20.0), "length": (30.0, 140.0), "width": (15.0, 80.0)}
_LISTS = {"heights": "height", "lengths": "length", "widths": "width"}


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class KitPad:
    """One pad of a kit: sizes in mm."""

    height: float
    length: float
    width: float

    @property
    def name(self) -> str:
        """Height, length and width, as written on the pad."""
        return f"{self.height:g} high, {self.length:g} long, {self.width:g} wide"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """The pads that a workshop has, highest first."""

    name: str
    material: str
    pads: tuple[KitPad, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A pad, where its crest lies in the bed frame (mm) and how it is turned (degrees)."""

    pad: KitPad
    x: float
    y: float
    turn: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Form:
    """The form of all kit pads: heights as shares of the crest's over a grid of shares.

    Attributes
    ----------
    front, medial : float
        Share of length ahead of the crest, and of width medial of it.
    heights : ndarray, shape (nu, nv)
        Rows evenly from the rear end (-1) over the crest (0) to the front end (+1), columns
        from the lateral (-1) to the medial side (+1).
    """

    front: float
    medial: float
    heights: Array

    def at(self, u: Array, v: Array) -> Array:
        """Return shares of the crest's height at places (u, v) in shares, of any one shape."""
        from scipy.interpolate import RectBivariateSpline

        nodes = [np.linspace(-1.0, 1.0, n) for n in self.heights.shape]
        spline = RectBivariateSpline(*nodes, self.heights, s=0)
        return np.asarray(spline.ev(np.clip(u, -1.0, 1.0), np.clip(v, -1.0, 1.0)))


@lru_cache(maxsize=1)
def form() -> Form:
    """Return the form of the file beside this module."""
    data = parsed(Path(__file__).with_name("kit_form.toml"), "kit form")
    return Form(front=data["front"], medial=data["medial"], heights=np.array(data["heights"]))


def default_kit(limits: Limits) -> Kit:
    """Return the kit of the file beside this module."""
    return load(Path(__file__).with_name("kit.toml"), limits)


def load(path: str | Path, limits: Limits) -> Kit:
    """Return the kit that a TOML file describes.

    Raises
    ------
    PlanError
        The file cannot be read, a key or size is not accepted, or a listed pad is too high for
        its width under the planning limits; the message names it.
    """
    path = Path(path)
    data = parsed(path, "kit")
    if unknown := set(data) - {"name", "material", "pads", *_LISTS}:
        raise PlanError(
            f"{path.name}: unknown key '{min(unknown)}'; a kit has name, material and either pads "
            "or heights, lengths, widths"
        )
    feel = feel_of(limits)
    if "pads" in data:
        pads = list(_listed(data["pads"], path.name))
        for pad in pads:
            _check_makeable(pad, feel, path.name)
    else:
        sizes = [data[key] for key in _LISTS if isinstance(data.get(key), list)]
        if math.prod(map(len, sizes)) > MOST_PADS:
            raise PlanError(
                f"{path.name}: its lists make more than the {MOST_PADS} pads that a kit can have; "
                "shorten them"
            )
        pads = [pad for pad in _combined(data, path.name) if _makeable(pad, feel)]
    if not pads:
        raise PlanError(f"{path.name} has no pad that can be made; give wider or lower ones")
    return Kit(
        name=str(data.get("name", path.stem)),
        material=str(data.get("material", "trial-eva")),
        pads=tuple(sorted(set(pads), reverse=True)),
    )


def pad_heights(pad: KitPad, feel: Feel) -> tuple[Array, Array, Array]:
    """Return x, y (1 mm apart) and the heights of a pad's top, pad frame, mm."""
    return _pad_heights(pad, feel)


def open_heights(pad: KitPad, feel: Feel) -> tuple[Array, Array, Array]:
    """Return the same, with heights that go on beyond the outline as they are at it.

    A fall right beside a side that stands would swing back into the pad, through the spline that
    carries its top, as a ridge of a millimetre. Where a run-out meets it the edge is rounded.
    """
    import shapely

    x, y, heights = _pad_heights(pad, feel)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    ring = _ring(pad)
    shapely.prepare(ring)
    beyond = ~shapely.contains_xy(ring, gx, gy)
    border = ring.exterior
    at = border.interpolate(border.project(shapely.points(gx[beyond], gy[beyond])))
    out = heights.copy()
    out[beyond] = _top(pad, feel, shapely.get_x(at), shapely.get_y(at))
    return x, y, without_edges(out)


def pick(
    kit: Kit,
    allowed: Array,
    x: Array,
    y: Array,
    *,
    places: Sequence[tuple[float, float]],
    turns: Sequence[float],
    target: tuple[float, float],
    feel: Feel,
) -> Placed | None:
    """Return the pad that gives most support below a ceiling, or None when none fits.

    Highest pad first, then the one that fills most, then nearest to `target`, then least turn.

    Parameters
    ----------
    allowed : ndarray, shape (nx, ny)
        Height that the top may not pass on the grid `x` by `y` (1 mm), mm.
    places : sequence of (x, y)
        Where the crest may lie, bed frame, mm.
    turns : sequence of float
        Degrees that may be tried.
    target : (x, y)
        Where the crest should lie, bed frame, mm.
    feel : Feel
        Gives the pads their surface and the edge that counts as nothing.
    """
    room = _Ceiling(np.maximum(allowed, feel.edge) + FIT_MM, float(x[0]), float(y[0]))
    at = np.asarray(places, dtype=float)
    best: tuple[tuple[float, ...], Placed] | None = None
    for pad in kit.pads:
        if best is not None and pad.height < best[1].pad.height:
            break
        for turn in turns:
            for x0, y0 in at[_fits(pad, at, turn, room, feel)]:
                off = math.hypot(x0 - target[0], y0 - target[1])
                score = (pad.height, pad.length * pad.width, -round(off, 6), -abs(turn), turn)
                if best is None or score > best[0]:
                    best = score, Placed(pad=pad, x=float(x0), y=float(y0), turn=turn)
    return best[1] if best else None


class _Ceiling(NamedTuple):
    """What tops may not pass, on a grid of 1 mm from (x, y) on."""

    z: Array
    x: float
    y: float


def _fits(pad: KitPad, places: Array, turn: float, room: _Ceiling, feel: Feel) -> Array:
    """Return at which places, as flags, the turned pad stays below it; coarse look first."""
    px, py, heights = _pad_heights(pad, feel)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    good = np.ones(len(places), dtype=bool)
    for step in (SAMPLE_MM, 1):
        ux, uy, h = px[::step], py[::step], heights[::step, ::step]
        solid = h > feel.edge + 1e-6
        dx = (c * ux[:, None] - s * uy[None, :])[solid] - room.x
        dy = (s * ux[:, None] + c * uy[None, :])[solid] - room.y
        bx, by = places[good, 0, None] + dx, places[good, 1, None] + dy
        limit = ndimage.map_coordinates(room.z, [bx, by], order=1, mode="constant", cval=feel.edge)
        good[good] = (h[solid][None, :] <= limit).all(axis=1)
        if not good.any():
            break
    return good


@lru_cache(maxsize=512)
def _pad_heights(pad: KitPad, feel: Feel, cell: float = 1.0) -> tuple[Array, Array, Array]:
    """Return the surface of a pad: the kit's form, running out in front, behind and laterally."""
    import shapely

    ring = _ring(pad)
    x0, y0, x1, y1 = ring.bounds
    x = cell * np.arange(math.floor(x0 / cell) - 2.0, math.ceil(x1 / cell) + 3.0)
    y = cell * np.arange(math.floor(y0 / cell) - 2.0, math.ceil(y1 / cell) + 3.0)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    shapely.prepare(ring)
    inside = shapely.contains_xy(ring, gx, gy)
    return x, y, np.where(inside, _top(pad, feel, gx, gy), feel.edge)


def _top(pad: KitPad, feel: Feel, x: Array, y: Array) -> Array:
    """Return the height of a pad at places inside its outline or on it, pad frame, mm."""
    import shapely

    ring = _ring(pad)
    x0, y0, x1, y1 = ring.bounds
    top = pad.height * form().at(np.where(x > 0, x / x1, -x / x0), np.where(y > 0, y / y1, -y / y0))
    # all of the border but its medial side
    ends = ring.exterior.intersection(shapely.box(x0 - 1.0, y0 - 1.0, x1 + 1.0, 0.97 * y1))
    away = shapely.distance(shapely.points(x, y), ends)
    ramp = feel.edge + math.tan(math.radians(feel.run_out_medial)) * away
    return np.asarray(np.maximum(np.minimum(top, ramp), feel.edge))


def area(placed: Placed) -> Any:
    """Return the outline of a placed pad in the bed frame, a polygon."""
    from shapely import affinity

    turned = affinity.rotate(_ring(placed.pad), placed.turn, origin=(0.0, 0.0))
    return affinity.translate(turned, placed.x, placed.y)


@lru_cache(maxsize=512)
def _ring(pad: KitPad) -> Any:
    """Return a pad's outline in its own frame, a polygon: square to the medial side."""
    import shapely

    front, medial = form().front * pad.length, form().medial * pad.width
    rear, lateral = pad.length - front, pad.width - medial
    angle = np.linspace(0.0, 2 * np.pi, 181)[:-1]
    c, s = np.cos(angle), np.sin(angle)
    power = 2.0 / np.where(s > 0, SQUARE, ROUND)
    u = np.sign(c) * np.abs(c) ** power
    v = np.sign(s) * np.abs(s) ** power
    return shapely.Polygon(
        np.column_stack([u * np.where(c > 0, front, rear), v * np.where(s > 0, medial, lateral)])
    )


def _makeable(pad: KitPad, feel: Feel) -> bool:
    """Return whether a pad reaches its height at its crest with the slopes allowed."""
    return _at_crest(pad, feel) >= pad.height - FULL_HEIGHT_MM


def _at_crest(pad: KitPad, feel: Feel) -> float:
    x, y, heights = _pad_heights(pad, feel, 2.0)
    return float(heights[int(np.searchsorted(x, 0.0)), int(np.searchsorted(y, 0.0))])


def _check_makeable(pad: KitPad, feel: Feel, file: str) -> None:
    if not _makeable(pad, feel):
        most = _at_crest(pad, feel)
        raise PlanError(
            f"{file}: a pad {pad.name} mm is too high for its width: run-outs of "
            f"{feel.run_out_medial:g}° allow {most:.1f} mm; make it wider or lower"
        )


def _combined(data: Mapping[str, Any], file: str) -> Iterator[KitPad]:
    """Yield every combination of the three lists."""
    lists = []
    for key, size in _LISTS.items():
        values = data.get(key)
        if not isinstance(values, list) or not values:
            raise PlanError(f"{file}: '{key}' must be a list of sizes in mm, such as [60, 70]")
        lists.append([_size(size, value, file) for value in values])
    for height in lists[0]:
        for length in lists[1]:
            yield from (KitPad(height=height, length=length, width=w) for w in lists[2])


def _listed(entries: object, file: str) -> Iterator[KitPad]:
    """Yield the pads that a file lists one by one."""
    if not isinstance(entries, list) or not entries:
        raise PlanError(f"{file}: 'pads' must be a list of tables with height, length and width")
    if len(entries) > MOST_PADS:
        raise PlanError(f"{file} lists more than the {MOST_PADS} pads that a kit can have")
    for entry in entries:
        if not isinstance(entry, dict) or set(entry) != set(_RANGES):
            raise PlanError(
                f"{file}: each pad needs exactly height, length and width, got {str(entry)[:60]}"
            )
        yield KitPad(**{size: _size(size, value, file) for size, value in entry.items()})


def _size(size: str, value: object, file: str) -> float:
    """Return one checked size, mm."""
    low, high = _RANGES[size]
    good = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not good or not low <= float(value) <= high:  # type: ignore[arg-type]
        raise PlanError(
            f"{file}: a pad's {size} must lie in {low:g} to {high:g} mm, got {str(value)[:40]!r}"
        )
    return float(value)  # type: ignore[arg-type]
