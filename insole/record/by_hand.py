"""What a fitter measured by hand, from a small file: beside the scan, never in its place.

    by_hand.toml -> read -> ByHand -> insole.planning.by_hand

The file has a table ``[left]`` and ``[right]``, each with any of

    foot_length, foot_breadth, ball_girth, instep_girth   mm, tape or calliper
    forefoot_tilt   degrees by goniometer, foot unloaded, + medial side up (varus)
    hallux          "free", "stiff", or "not tried": the big toe bent up by hand

and ``leg_length = "..."``, a remark as it was found. What is not in it was not measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from insole.errors import PlanError
from insole.record.tables import Table, read_toml

__all__ = ["LENGTHS", "ByHand", "HandFoot", "read"]

# by measure: what a foot can have, mm
LENGTHS = {
    "foot_length": (145.0, 365.0),
    "foot_breadth": (50.0, 150.0),
    "ball_girth": (130.0, 350.0),
    "instep_girth": (130.0, 350.0),
}
TILT_DEG = 25.0
HALLUX = ("free", "stiff", "not tried")


@dataclass(frozen=True, slots=True, kw_only=True)
class HandFoot:
    """One foot by hand.

    Attributes
    ----------
    lengths : mapping of str to float
        By name of the measure, mm.
    forefoot_tilt : float or None
        Degrees, + medial side up (varus).
    hallux : str
        ``"free"``, ``"stiff"`` or ``"not tried"``.
    """

    lengths: Mapping[str, float] = field(default_factory=dict)
    forefoot_tilt: float | None = None
    hallux: str = "not tried"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """Both feet by hand, and what was remarked of the legs' length."""

    left: HandFoot = field(default_factory=HandFoot)
    right: HandFoot = field(default_factory=HandFoot)
    leg_length: str = ""

    def of(self, side: str) -> HandFoot:
        """Return one foot, ``"left"`` or ``"right"``."""
        return self.left if side == "left" else self.right


def read(path: Path) -> ByHand:
    """Return what a file of hand-measured values holds.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, is empty, or holds something else.
    """
    table = Table(read_toml(path, "hand measures"), path.name)
    feet = {side: _foot(table.table(side)) for side in ("left", "right")}
    remark = table.text("leg_length") if table.has("leg_length") else ""
    table.finish()
    found = ByHand(left=feet["left"], right=feet["right"], leg_length=remark)
    if found == ByHand():
        raise PlanError(
            f"{path.name} holds no hand measure; write a table [left] or [right] with one of "
            f"{', '.join(LENGTHS)}, forefoot_tilt or hallux, or a leg_length"
        )
    return found


def _foot(table: Table) -> HandFoot:
    lengths = {name: table.number(name, *bounds) for name, bounds in LENGTHS.items()}
    return HandFoot(
        lengths={name: value for name, value in lengths.items() if value is not None},
        forefoot_tilt=table.number("forefoot_tilt", -TILT_DEG, TILT_DEG, "degrees"),
        hallux=table.choice("hallux", HALLUX) or "not tried",
    )
