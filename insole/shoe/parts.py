"""What comes with a shoe and can be taken off: the stock insole, the cleat's slots and bolts.

Tables of a shoe file -> read_stock, read_slots -> insole.shoe.shoe.Shoe
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from insole.record.tables import Table

__all__ = ["CleatSlots", "StockInsole", "read_slots", "read_stock"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StockInsole:
    """The removable insole that came with the shoe.

    Attributes
    ----------
    kept : bool
        True when it stays in the shoe under the base.
    thickness : mapping of str to float
        mm at ``heel``, ``arch``, ``ball``, ``toes``; a station not measured is absent.
    cant_forefoot, cant_heel : float
        Its own tilt, degrees, + medial side up; counts only when kept.
    """

    kept: bool = False
    thickness: Mapping[str, float] = field(default_factory=dict)
    cant_forefoot: float = 0.0
    cant_heel: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CleatSlots:
    """Where the cleat can go, measured from a mark that can be found again.

    Attributes
    ----------
    mark : str
        The mark, in words.
    mark_from_heel : float or None
        mm from the rear end of the bed forward to the mark; None: reach cannot be checked.
    front, rear : float or None
        Foremost and rearmost place of the pedal axle, mm ahead of the mark (rear is smaller).
    yaw : float or None
        Degrees that the cleat can be turned each way.
    float_range : float or None
        Degrees of float, end to end.
    holes : tuple of (x, y)
        Bolt centres from the pattern's middle, mm forward and mm medial, as measured.
    bolt_length, engagement : float or None
        Original bolt length under the head and thread engaged, mm.
    thread_pitch : float
        mm a turn.
    """

    mark: str = ""
    mark_from_heel: float | None = None
    front: float | None = None
    rear: float | None = None
    yaw: float | None = None
    float_range: float | None = None
    holes: tuple[tuple[float, float], ...] = ()
    bolt_length: float | None = None
    engagement: float | None = None
    thread_pitch: float = 0.8


def read_stock(table: Table) -> StockInsole:
    """Return the stock insole that ``[stock_insole]`` describes, PlanError for a wrong key."""
    stations = ("heel", "arch", "ball", "toes")
    inner = table.table("thickness")
    found = {s: inner.number(s, 0, 25) for s in stations}
    cants = {k: table.number(k, -8, 8, "degrees", 0.0) for k in ("cant_forefoot", "cant_heel")}
    anything = any(v is not None for v in found.values()) or any(cants.values())
    # A measured insole whose fate is not stated would be counted or dropped by guess.
    kept = table.flag("kept", None if anything else False)
    thickness = {s: v for s, v in found.items() if v is not None}
    return StockInsole(kept=kept, thickness=thickness, **cants)


def read_slots(table: Table) -> CleatSlots:
    """Return slots and bolts that ``[cleat]`` describes, PlanError for a wrong key."""
    mark = table.text("mark") if table.has("mark") else ""
    front, rear = table.number("front", -60, 60), table.number("rear", -60, 60)
    if (front is None) != (rear is None):
        raise table.fail("rear" if rear is None else "front", "given together with the other end")
    if front is not None and rear > front:
        raise table.fail("rear", f"not ahead of cleat.front, {front:g} mm")
    if front is not None and not mark:
        raise table.fail("mark", "the mark, in words, from which front and rear are measured")
    holes = table.get("holes")
    return CleatSlots(
        mark=mark,
        mark_from_heel=table.number("mark_from_heel", 60, 320),
        front=front,
        rear=rear,
        yaw=table.number("yaw", 0, 30, "degrees"),
        float_range=table.number("float", 0, 40, "degrees"),
        holes=() if holes is None else table.pairs("holes", holes, 1, 8, 80),
        bolt_length=table.number("bolt_length", 4, 40),
        engagement=table.number("engagement", 1, 30),
        thread_pitch=table.number("thread_pitch", 0.5, 1.5, "mm", 0.8),
    )
