"""What both feet of a plan share: shoe, wishes, limits, what was signed for, what is remembered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from insole.planning.memory import Memory
from insole.planning.wishes import PlanWishes
from insole.record.by_hand import ByHand
from insole.record.limits import Limits
from insole.record.values import Override
from insole.shoe.shoe import Shoe

__all__ = ["Job"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What both feet share."""

    shoe: Shoe | None
    wishes: PlanWishes
    overrides: Sequence[Override]
    limits: Limits
    without_arch: bool
    memory: Memory
    hand: ByHand
