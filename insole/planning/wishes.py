"""What the fitter wants of a plan, for both feet and for each.

options, desk -> PlanWishes -> planning.planner
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from footscan import typed
from footscan.scan import Side
from insole.errors import PlanError
from insole.planning.cleat import CleatWish
from insole.planning.support.kit import Kit
from insole.planning.support.wish import SupportWish
from insole.planning.wedge_rules import WedgeWish
from insole.record.values import Override

__all__ = ["WORDS", "FootWish", "PlanWishes", "Terms"]

LARGEST_VERSION = 99_999


# how a plan's record spells a wish, in its order -> whose wish it is, and how it is called there
WORDS: dict[str, tuple[str, str]] = {
    "support_level": ("support", "level"),
    "pad": ("support", "pad"),
    "pad_source": ("support", "source"),
    "shift": ("support", "shift"),
    "turn": ("support", "turn"),
    "tender": ("support", "tender"),
    "medial_edge": ("support", "medial_edge"),
    "relief": ("support", "relief"),
    "contoured": ("support", "contoured"),
    "cup": ("support", "cup"),
    "metatarsal": ("support", "metatarsal"),
    "metatarsal_behind": ("support", "behind"),
    "contour_material": ("support", "material"),
    "forefoot": ("wedges", "forefoot"),
    "heel": ("wedges", "heel"),
    "under": ("wedges", "under"),
    "cleat_offset": ("cleat", "offset"),
    "cleat_yaw": ("cleat", "yaw"),
    "cleat_before": ("cleat", "before"),
    "ankle": ("", "ankle"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FootWish:
    """What the fitter wants for one foot; None is no wish, which is not a wish of zero.

    Each room takes its own wish as it stands here.

    Attributes
    ----------
    support : SupportWish
        Pad, metatarsal pad or contoured bed.
    wedges : WedgeWish
        Inside forefoot and heel, under the shoe.
    cleat : CleatWish
        Where it goes.
    ankle : float or None
        Angle of the sole against its bed held while pedalling, degrees, + toes up; None lets
        the contact model balance it.
    """

    support: SupportWish = field(default_factory=SupportWish)
    wedges: WedgeWish = field(default_factory=WedgeWish)
    cleat: CleatWish = field(default_factory=CleatWish)
    ankle: float | None = None

    @classmethod
    def of(cls, **wished: Any) -> FootWish:
        """Return the wish that the record's words spell.

        Examples
        --------
        >>> FootWish.of(support_level=0.8, forefoot=2.0).wedges.forefoot
        2.0
        """
        return cls().but(**wished)

    def but(self, **wished: Any) -> FootWish:
        """Return this wish with single ones, in the record's words, in the place of its own.

        Raises
        ------
        TypeError
            There is no such word.
        """
        rooms: dict[str, dict[str, Any]] = {}
        for word, value in wished.items():
            if word not in WORDS:
                raise TypeError(f"there is no wish {word!r}")
            room, name = WORDS[word]
            rooms.setdefault(room, {})[name] = value
        own = rooms.pop("", {})
        own |= {room: replace(getattr(self, room), **its) for room, its in rooms.items()}
        return replace(self, **own)

    def said(self) -> dict[str, Any]:
        """Return what was wished, and nothing else, in the record's words."""
        every = {
            word: getattr(getattr(self, room) if room else self, name)
            for word, (room, name) in WORDS.items()
        }
        return {word: value for word, value in every.items() if value is not None}

    def over(self, other: FootWish) -> FootWish:
        """Return `other` with this foot's own wishes put in its place."""
        return other.but(**self.said())


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
            own: FootWish = getattr(self, name)
            if wished := {word: _listed(value) for word, value in own.said().items()}:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a plan stands on beside wishes: what was answered, signed for and stated.

    Attributes
    ----------
    answers, clinician : mapping of str to str, str
        Answers to the stop and advise questions by id; a clinician's word with its date.
    overrides : sequence of Override
        Limits passed on purpose, printed on every paper.
    without_arch : bool
        Plan shims and a flat base only, for scans that show no arch.
    sources : mapping
        Names of the files planned from and what was stated of the scans, kept in the plan.
    """

    answers: Mapping[str, str] = field(default_factory=dict)
    clinician: str = ""
    overrides: Sequence[Override] = ()
    without_arch: bool = False
    sources: Mapping[str, Any] = field(default_factory=dict)


def _listed(value: Any) -> Any:
    """Return a wish as JSON gives it back, tuples as lists: a plan reads back as it was."""
    return [_listed(v) for v in value] if isinstance(value, tuple) else value
