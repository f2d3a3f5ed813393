"""What the fitter wants of a plan, for both feet and for each.

options, desk -> PlanWishes -> planning.planner
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from footscan import typed
from footscan.scan import Side
from insole.errors import PlanError
from insole.planning.support.kit import Kit

__all__ = ["FootWish", "PlanWishes"]

LARGEST_VERSION = 99_999


@dataclass(frozen=True, slots=True, kw_only=True)
class FootWish:
    """What the fitter wants for one foot; None is no wish, which is not a wish of zero.

    Attributes
    ----------
    support_level : float or None
        Pad top over gap, 1 = touches.
    pad : bool or None
        False: no pad is wanted.
    pad_source : str or None
        ``"scan"`` (one-off, the default) or ``"kit"``.
    shift : (float, float) or None
        Pad moved by hand: mm forward, mm medial.
    turn : float or None
        Pad turned by hand, degrees, + front medially.
    tender : tuple of (x, y) or None
        Tender spots: mm from the base's rear edge, mm medial of its centreline.
    forefoot, heel, under : float or None
        Wedge wishes, degrees, + medial side up.
    cleat_offset, cleat_yaw : float or None
        Pedal axle ahead of MTH1, mm; degrees, + front medially.
    cleat_before : float or None
        Where the axle was as ridden, mm ahead of MTH1; without it the saddle change counts
        the stack alone.
    medial_edge : float or None
        Height of the pad's medial side, mm, where the shoe's wall stands off; None lets it stand
        as high as the rules allow.
    relief : float or None
        Depth of the relief over tender spots, mm.
    contoured : str or None
        ``"three-quarter"`` or ``"full"``: a contoured bed in one piece in place of base, pad
        and inside shims.
    cup : float or None
        Depth of its heel cup, mm.
    metatarsal, metatarsal_behind : float or None
        Height of a metatarsal pad, and its crest behind the line of heads 2 to 4, mm.
    contour_material : str or None
        What it is made of, a word of the material table; its least thickness follows.
    ankle : float or None
        Angle of the sole against its bed held while pedalling, degrees, + toes up; None lets
        the contact model balance it.
    """

    support_level: float | None = None
    pad: bool | None = None
    pad_source: str | None = None
    shift: tuple[float, float] | None = None
    turn: float | None = None
    tender: tuple[tuple[float, float], ...] | None = None
    medial_edge: float | None = None
    relief: float | None = None
    contoured: str | None = None
    cup: float | None = None
    metatarsal: float | None = None
    metatarsal_behind: float | None = None
    contour_material: str | None = None
    forefoot: float | None = None
    heel: float | None = None
    under: float | None = None
    cleat_offset: float | None = None
    cleat_yaw: float | None = None
    cleat_before: float | None = None
    ankle: float | None = None

    def over(self, other: FootWish) -> FootWish:
        """Return `other` with this foot's own wishes put in its place."""
        own = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(other, **{name: value for name, value in own.items() if value is not None})


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWishes:
    """What the fitter wants: for both feet, and what differs for one of them.

    Attributes
    ----------
    both, left, right : FootWish
        Common wishes, and each foot's own ones, which win.
    case : str
        The case's pseudonym.
    date : str
        As typed, or empty to be written by hand.
    version : int
        Number of the plan within its case.
    kit : Kit or None
        Pads to pick from; None takes the default kit.
    confirm_zero : bool
        The fitter confirms wedge wishes of zero that undo the shoe's cant.
    body_mass : float or None
        kg, for the contact model; None takes a nominal one, which the plan says.
    dowels : bool
        Pads are placed on their bases by dowels, to go back into the same place twice.
    """

    both: FootWish = FootWish()
    left: FootWish = FootWish()
    right: FootWish = FootWish()
    case: str = "case"
    date: str = ""
    version: int = 1
    kit: Kit | None = None
    confirm_zero: bool = False
    body_mass: float | None = None
    dowels: bool = False

    def cleaned(self) -> PlanWishes:
        """Return the wishes with name and date of the case as clean lines.

        Raises
        ------
        insole.errors.PlanError
            One of them cannot be printed or engraved, or the version is none.
        """
        try:
            case = typed.label(self.case, "the case's name")
            date = typed.line(self.date, "the date", 80)
        except ValueError as error:
            raise PlanError(str(error)) from None
        if not 1 <= self.version <= LARGEST_VERSION:
            raise PlanError(
                f"a plan's version is 1 to {LARGEST_VERSION}, got {self.version}; give another"
            )
        return replace(self, case=case, date=date)

    def of(self, side: Side) -> FootWish:
        """Return the wishes for one foot."""
        return (self.left if side is Side.LEFT else self.right).over(self.both)

    def record(self) -> dict[str, Any]:
        """Return the wishes as plain data for the plan: only what was wished."""
        record: dict[str, Any] = {}
        for name in ("both", "left", "right"):
            own = asdict(getattr(self, name))
            wished = {k: _listed(v) for k, v in own.items() if v is not None}
            if wished:
                record[name] = wished
        if self.kit is not None:
            record["kit"] = self.kit.name
        if self.confirm_zero:
            record["confirm_zero"] = True
        if self.body_mass is not None:
            record["body_mass"] = self.body_mass
        if self.dowels:
            record["dowels"] = True
        return record


def _listed(value: Any) -> Any:
    """Return a wish as JSON gives it back, tuples as lists: a plan reads back as it was."""
    return [_listed(v) for v in value] if isinstance(value, tuple) else value
