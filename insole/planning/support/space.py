"""The space under the arch: grid, gap, wish, and every rule's ceiling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from footscan.scan import Array
from insole.planning.support.surface import FREE

__all__ = ["Ceiling", "Room"]

BEYOND_MM = 30.0  # a sole that is higher above its bed touches no support


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ceiling:
    """One rule: its code, the words for the plan, and heights in mm on the room's grid.

    A rule that forbids the pad beyond a line also says how far each node lies on the allowed
    side of that line (`inside`, mm, negative beyond it): between nodes the line is where that
    is zero, while heights alone would make it a staircase of the grid, felt as ribs.
    """

    code: str
    words: str
    z: Array
    inside: Array | None = None
    cap: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """The space under the arch on a regular grid of the bed frame.

    Attributes
    ----------
    x, y : ndarray, shapes (nx,) and (ny,)
        Nodes, mm, `cell` apart.
    gap : ndarray, shape (nx, ny)
        Low-passed gap, mm; beyond the seen sole it keeps the value of the nearest seen place,
        which is below the true one on the medial wall.
    shim : ndarray, shape (nx, ny)
        Thickness of wedge shims, mm.
    relief : ndarray, shape (nx, ny)
        What is taken off the wish over tender spots, mm.
    ceilings : tuple of Ceiling
        The rules. The wish (support level times gap) is not one of them.
    """

    x: Array
    y: Array
    gap: Array
    shim: Array
    relief: Array
    ceilings: tuple[Ceiling, ...]
    cell: float = 1.0

    @property
    def felt(self) -> Array:
        """The gap as far as a foot can feel it, mm: what lies higher touches no support."""
        return np.minimum(self.gap, BEYOND_MM)

    def wish(self, level: float, *, relieved: bool = True) -> Array:
        """Return the wished top for a support level, mm: what shims and reliefs leave of it."""
        off = self.shim + self.relief if relieved else self.shim
        return np.clip(level * self.gap - off, 0.0, None)

    @property
    def cap(self) -> Array:
        """The lowest cap, mm; ``FREE`` where there is none."""
        z = np.full(self.gap.shape, FREE)
        for ceiling in self.ceilings:
            if ceiling.cap:
                z = np.minimum(z, ceiling.z)
        return z

    def at(self, z: Array, point: Sequence[float] | Array) -> float:
        """Return the bilinear value of a map of the room at a place, nearest at its border."""
        u = (float(point[0]) - self.x[0]) / self.cell
        v = (float(point[1]) - self.y[0]) / self.cell
        return float(ndimage.map_coordinates(z, [[u], [v]], order=1, mode="nearest")[0])

    def coarser(self, by: int) -> Room:
        """Return the room with every `by`-th node, for quick comparisons."""
        thin = tuple(
            replace(c, z=c.z[::by, ::by], inside=None if c.inside is None else c.inside[::by, ::by])
            for c in self.ceilings
        )
        return Room(
            x=self.x[::by],
            y=self.y[::by],
            gap=self.gap[::by, ::by],
            shim=self.shim[::by, ::by],
            relief=self.relief[::by, ::by],
            ceilings=thin,
            cell=self.cell * by,
        )

    def lowest(self, level: float) -> Array:
        """Return the lowest of wish and ceilings, caps left out, mm."""
        z = self.wish(level)
        for ceiling in self.ceilings:
            if not ceiling.cap:
                z = np.minimum(z, ceiling.z)
        return z

    def fill(self, level: float, at_line: float) -> Array:
        """Return wish and ceilings with `at_line` mm on the lines of rules that forbid the pad.

        Its contour at that height follows those lines between nodes. A relief over a tender
        spot is a hollow inside the outline, not a bay of it: it is left out here.
        """
        z = self.wish(level, relieved=False)
        for ceiling in self.ceilings:
            if ceiling.inside is None:
                z = np.minimum(z, ceiling.z)
                continue
            line = at_line + ceiling.inside
            z = np.minimum(z, np.where(ceiling.z > 0, np.minimum(ceiling.z, line), line))
        return z
