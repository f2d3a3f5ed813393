"""Kits of arch pads, and picking from them.

    kit.toml or the workshop's own file -> load -> Kit -> pick -> Placed -> insole.planning.support

A kit pad is known by three sizes: height at the crest, length and width of its outline. Its
surface follows from them and from the planning limits for slope, crest radius and edge; a pad
that is too high for its width under those limits does not exist.

Pad frame (mm): origin below the crest, +x forward, +y medial.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.errors import PlanError
from insole.planning.limits import Limits, parsed
from insole.planning.surface import Feel, feel_of, pad_surface

__all__ = ["Kit", "KitPad", "Placed", "default_kit", "load", "pad_heights", "pick"]

FRONT_SHARE, MEDIAL_SHARE = 0.47, 0.42  # of length and width, from the crest
FULL_HEIGHT_MM = 0.15  # a pad reaches its height when its surface comes this close to it
FIT_MM = 0.05  # a pad may pass its ceiling by half of what a calliper shows
SAMPLE_MM = 3  # spacing of the first, coarse look at whether a pad fits
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
        pads = [pad for pad in _combined(data, path.name) if _makeable(pad, feel)]
    if not pads:
        raise PlanError(f"{path.name} has no pad that can be made; give wider or lower ones")
    return Kit(
        name=str(data.get("name", path.stem)), material=str(data.get("material", "trial-eva")),
        pads=tuple(sorted(set(pads), reverse=True)),
    )  # fmt: skip


def pad_heights(pad: KitPad, feel: Feel) -> tuple[Array, Array, Array]:
    """Return x, y (1 mm apart) and the heights of a pad's top, pad frame, mm."""
    return _pad_heights(pad, feel)


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
    top = np.maximum(allowed, feel.edge) + FIT_MM
    at = np.asarray(places, dtype=float)
    best: tuple[tuple[float, ...], Placed] | None = None
    for pad in kit.pads:
        if best is not None and pad.height < best[1].pad.height:
            break
        for turn in turns:
            for x0, y0 in at[_fits(pad, at, turn, top, x, y, feel)]:
                off = math.hypot(x0 - target[0], y0 - target[1])
                score = (pad.height, pad.length * pad.width, -round(off, 6), -abs(turn), turn)
                if best is None or score > best[0]:
                    best = score, Placed(pad=pad, x=float(x0), y=float(y0), turn=turn)
    return best[1] if best else None


def _fits(
    pad: KitPad, places: Array, turn: float, top: Array, x: Array, y: Array, feel: Feel
) -> Array:
    """Return at which places, as flags, the turned pad stays below `top`; coarse look first."""
    px, py, heights = _pad_heights(pad, feel)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    good = np.ones(len(places), dtype=bool)
    for step in (SAMPLE_MM, 1):
        ux, uy, h = px[::step], py[::step], heights[::step, ::step]
        solid = h > feel.edge + 1e-6
        dx = (c * ux[:, None] - s * uy[None, :])[solid] - x[0]
        dy = (s * ux[:, None] + c * uy[None, :])[solid] - y[0]
        bx, by = places[good, 0, None] + dx, places[good, 1, None] + dy
        limit = ndimage.map_coordinates(top, [bx, by], order=1, mode="constant", cval=feel.edge)
        good[good] = (h[solid][None, :] <= limit).all(axis=1)
        if not good.any():
            break
    return good


@lru_cache(maxsize=512)
def _pad_heights(pad: KitPad, feel: Feel, cell: float = 1.0) -> tuple[Array, Array, Array]:
    """Return the surface of a pad: the highest one inside its outline, no higher than it says."""
    front, rear = FRONT_SHARE * pad.length, (1 - FRONT_SHARE) * pad.length
    medial, lateral = MEDIAL_SHARE * pad.width, (1 - MEDIAL_SHARE) * pad.width
    x = cell * np.arange(-math.ceil(rear / cell) - 2.0, math.ceil(front / cell) + 3.0)
    y = cell * np.arange(-math.ceil(lateral / cell) - 2.0, math.ceil(medial / cell) + 3.0)
    u = np.where(x > 0, x / front, x / rear)[:, None]
    v = np.where(y > 0, y / medial, y / lateral)[None, :]
    inside = np.abs(u) ** 2.5 + np.abs(v) ** 2.5 < 1  # fuller than an ellipse, no corners
    return x, y, pad_surface(np.where(inside, pad.height, 0.0), feel, cell=cell)


def _makeable(pad: KitPad, feel: Feel) -> bool:
    """Return whether a pad reaches its height at its crest with the slopes allowed."""
    x, y, heights = _pad_heights(pad, feel, 2.0)
    at_crest = heights[int(np.searchsorted(x, 0.0)), int(np.searchsorted(y, 0.0))]
    return bool(at_crest >= pad.height - FULL_HEIGHT_MM)


def _check_makeable(pad: KitPad, feel: Feel, file: str) -> None:
    if not _makeable(pad, feel):
        most = float(_pad_heights(pad, feel)[2].max())
        raise PlanError(
            f"{file}: a pad {pad.name} mm is too high for its width: {feel.slope:g}° slopes, "
            f"{feel.slope_medial:g}° medially, allow {most:.1f} mm; make it wider or lower"
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
    for entry in entries:
        if not isinstance(entry, dict) or set(entry) != set(_RANGES):
            raise PlanError(
                f"{file}: each pad needs exactly height, length and width, got {entry!r}"
            )
        yield KitPad(**{size: _size(size, value, file) for size, value in entry.items()})


def _size(size: str, value: object, file: str) -> float:
    """Return one checked size, mm."""
    low, high = _RANGES[size]
    good = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not good or not low <= float(value) <= high:  # type: ignore[arg-type]
        raise PlanError(f"{file}: a pad's {size} must lie in {low:g} to {high:g} mm, got {value!r}")
    return float(value)  # type: ignore[arg-type]
