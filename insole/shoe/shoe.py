"""The shoe: a small TOML file that a workshop writes once per shoe and size.

    shoe.toml -> load -> Shoe -> insole.planning.fit, .seating, .wedging, .cleat

Frame and terms
    bed           the face that the base will lie on: the shell's own bed when the stock insole
                  comes out, the top of the stock insole when it stays
    x_share       0 at the rear end of the bed, 1 at its front end, along the inside length
    y_share       -1 at the lateral border of the bed, 0 on its midline, +1 at the medial border
    height        mm above the bed's own midline at the ball
    drop          height of the midline at the heel
    cant          built-in tilt, degrees, + medial side up (varus), - lateral side up (valgus)

What a file does not say is unknown, never zero, except for the cants: a bed without a stated
cant is taken as level and the plan's words say "as stated in the shoe file".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from footscan.scan import Array
from insole.record.planned_parts import WedgePlace
from insole.record.tables import Table, read_toml
from insole.shoe.bed_outline import read_outline
from insole.shoe.bed_surface import BALL_AT, HEEL_AT, BedHeights, BedSurface, ramp
from insole.shoe.given import bed_of, inside_of, record_of, scanned_bed
from insole.shoe.parts import CleatSlots, StockInsole, read_slots, read_stock

__all__ = [
    "BALL_AT",
    "HEEL_AT",
    "BedHeights",
    "BedSurface",
    "CleatSlots",
    "Ring",
    "Shoe",
    "Stiffness",
    "StockInsole",
    "load",
    "parse",
]

Ring = Array  # shape (n, 2), closed without repeating the first point, mm

HEEL_OF_BALL = 0.67  # bed width at the heel to that at the ball: common practice, no source


class Stiffness(StrEnum):
    """How the sole resists bending, in a workshop's words."""

    RIGID = "rigid"
    FIRM = "firm"
    FLEXIBLE = "flexible"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shoe:
    """One shoe in one size, as a workshop measured it.

    Attributes
    ----------
    name : str
        The workshop's own word for it.
    inside_length, ball_width : float
        mm, on the bed.
    heel_width : float or None
        mm between the counter's walls; None: not measured.
    heel_width_at : float or None
        mm above the bed at which that was measured; None: at the usual height of the limits.
    rough : bool
        The figures are rough ones (a rule, a table): their bands are wide.
    ball_girth, instep_height : float or None
        mm; optional, since few workshops can measure them inside a shoe.
    drop : float
        mm from heel to ball along the midline.
    toe_spring : float
        mm that the bed rises from the ball to its front end.
    heights : BedHeights or None
        None: not measured on lines.
    surface : BedSurface or None
        The bed's face from a scan; without it and without heights only the drop is known.
    shell_cant_forefoot, shell_cant_heel : float
        Degrees built into the shell's bed, + medial side up.
    insole : StockInsole
        The removable insole.
    stack : float or None
        mm from the pedal axle to the bed at the ball.
    seat_tube_angle : float or None
        Degrees from horizontal of the rider's bike, for the saddle change.
    slots : CleatSlots
        Cleat and bolts.
    stiffness : Stiffness or None
        Class of the sole.
    outline : ndarray, shape (n, 2), or None
        Outline of the bed, bed frame, counter-clockwise, mm.
    source : str
        File name.
    """

    name: str
    inside_length: float
    ball_width: float
    heel_width: float | None = None
    heel_width_at: float | None = None
    rough: bool = False
    ball_girth: float | None = None
    instep_height: float | None = None
    drop: float
    toe_spring: float = 0.0
    heights: BedHeights | None = None
    surface: BedSurface | None = None
    shell_cant_forefoot: float = 0.0
    shell_cant_heel: float = 0.0
    cants_stated: frozenset[str] = frozenset({"forefoot", "heel"})
    insole: StockInsole = field(default_factory=StockInsole)
    stack: float | None = None
    seat_tube_angle: float | None = None
    slots: CleatSlots = field(default_factory=CleatSlots)
    stiffness: Stiffness | None = None
    outline: Ring | None = None
    source: str = ""

    @property
    def bed_heel_width(self) -> float:
        """Width of the bed at the heel, mm: as measured, else from the ball's."""
        return HEEL_OF_BALL * self.ball_width if self.heel_width is None else self.heel_width

    @property
    def bed_known(self) -> bool:
        """True when the bed's heights were measured, not only its drop."""
        return self.heights is not None or self.surface is not None

    @property
    def ball_at(self) -> float:
        """Share of the inside length at which the ball station lies."""
        return self.heights.ball_at if self.heights else BALL_AT

    def bed_height(self, x_share: ArrayLike, y_share: ArrayLike) -> Array:
        """Return the height of the bed above its own midline at the ball, mm.

        A scanned bed is bicubic between its nodes, heights on three lines are joined by monotone
        cubics (:class:`BedHeights`); with the drop alone, a smooth ramp from the heel seat to
        the ball, level across.
        Shares beyond the bed are taken at its edge.

        Parameters
        ----------
        x_share, y_share : array_like
            Places along and across the bed; broadcast against each other.

        Returns
        -------
        ndarray
            Shape of the broadcast arguments.
        """
        x, y = np.broadcast_arrays(np.asarray(x_share, float), np.asarray(y_share, float))
        x, y = np.clip(x, 0.0, 1.0), np.clip(y, -1.0, 1.0)
        if self.surface is not None:
            return self.surface.height(x, y)
        if self.heights is not None:
            z = self.heights.height(x.ravel(), y.ravel(), self.toe_spring)
            return z.reshape(x.shape)
        return ramp(x, self.drop, self.toe_spring)

    def cant_kept(self, place: WedgePlace) -> float:
        """Return the tilt that stays in the shoe at `place`, degrees, + medial side up.

        Shell and stock insole add up; the insole counts only while it is kept. Under the shoe
        it is 0: the shell's tilt lies above that place and is counted once, at the forefoot.
        """
        place = WedgePlace(place)
        if place is WedgePlace.UNDER:
            return 0.0
        heel = place is WedgePlace.HEEL
        shell = self.shell_cant_heel if heel else self.shell_cant_forefoot
        stock = self.insole.cant_heel if heel else self.insole.cant_forefoot
        return shell + (stock if self.insole.kept else 0.0)

    def cant_known(self, place: WedgePlace) -> bool:
        """Return whether the shell's own tilt at `place` was measured; under the shoe none is."""
        place = WedgePlace(place)
        if place is WedgePlace.UNDER:
            return True
        return ("heel" if place is WedgePlace.HEEL else "forefoot") in self.cants_stated

    @property
    def ball_tilt(self) -> float | None:
        """Tilt across the bed at the ball from its measured heights, degrees; None if unknown."""
        if self.surface is not None:
            return self.surface.ball_tilt
        if self.heights is None:
            return None
        rise = self.heights.medial[-1] - self.heights.lateral[-1]
        return math.degrees(math.atan2(rise, self.ball_width))

    def record(self) -> dict[str, Any]:
        """Return the shoe as plain data with the file's own keys; :func:`parse` reads it back."""
        return record_of(self)


def load(path: str | Path) -> Shoe:
    """Return the shoe that a TOML file describes.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, or a key, unit or value is wrong: file, key, value and range
        in one sentence.
    """
    path = Path(path)
    return parse(read_toml(path, "shoe"), path.name, path.parent)


def parse(data: Mapping[str, Any], source: str = "shoe", folder: Path | None = None) -> Shoe:
    """Return the shoe that plain data with the keys of a shoe file describe.

    Parameters
    ----------
    data : mapping
        As read from TOML, or from :meth:`Shoe.record`.
    source : str
        Name to put into messages.
    folder : Path or None
        Where an outline or a scan named by the data lies; None allows inline data only.

    Raises
    ------
    insole.errors.PlanError
        A key, unit or value is wrong.
    """
    top = Table(data, source)
    name = top.text("name")
    inside, bed, shell = top.table("inside"), top.table("bed"), top.table("shell")
    sizes = inside_of(inside)
    cants = {
        "shell_cant_forefoot": shell.number("cant_forefoot", -10, 10, "degrees", 0.0),
        "shell_cant_heel": shell.number("cant_heel", -10, 10, "degrees", 0.0),
    }
    stated = frozenset(place for place in ("forefoot", "heel") if shell.has(f"cant_{place}"))
    outline = read_outline(top.table("outline"), sizes["inside_length"], folder)
    if bed.has("scan"):
        shape, border = scanned_bed(bed, sizes, cants["shell_cant_heel"], folder)
        outline = border if outline is None else outline
    else:
        shape = bed_of(bed)
    stiff = shell.choice("stiffness", [s.value for s in Stiffness])
    shoe = Shoe(
        name=name,
        cants_stated=stated,
        **sizes,
        **shape,
        **cants,
        insole=read_stock(top.table("stock_insole")),
        stack=shell.number("stack", 2, 60),
        seat_tube_angle=top.table("bike").number("seat_tube_angle", 60, 85, "degrees"),
        slots=read_slots(top.table("cleat")),
        stiffness=Stiffness(stiff) if stiff else None,
        outline=outline,
        source=source,
    )
    top.finish()
    return shoe
