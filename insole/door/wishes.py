"""What a fitter wishes, in the words of the command line, as the planner's record; and back.

    keywords -> wishes_of -> PlanWishes;  Plan -> wishes_in -> PlanWishes (to change single ones)

A wish for each foot is a mapping, ``{"left": 0.9, "right": 0.8}``; any other value is for both.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypedDict, TypeVar

from insole.errors import PlanError
from insole.planning.wishes import WORDS, FootWish, PlanWishes

if TYPE_CHECKING:
    from insole.planning.support.kit import Kit
    from insole.record.plan import Plan

__all__ = [
    "OF_A_FOOT",
    "OF_A_SCAN",
    "Place",
    "Sided",
    "Wishes",
    "changed",
    "check_names",
    "keyword_of",
    "tupled",
    "wishes_in",
    "wishes_of",
]

T = TypeVar("T")
Sided: TypeAlias = T | Mapping[Literal["left", "right"], T | None] | None
Place = tuple[float, float]
MOST_LEVEL = 3.0  # a level above is meant in percent


class Wishes(TypedDict, total=False):
    """What may be wished; what is left out is no wish, which is not a wish of zero.

    Of each foot (one value for both, or ``{"left": .., "right": ..}``)

    support
        Pad top over the gap under the arch, a share: 0.8 fills 80 %, 1 touches.
    shift_pad, turn_pad
        The pad moved by hand, (forward, medial) mm; turned, degrees, + its front medially.
    pad_source
        ``"scan"`` (one-off) or ``"kit"`` (nearest of the kit).
    medial_edge
        Height of the pad's medial side where the shoe's wall stands off, mm.
    contoured, cup, contour_material
        ``"three-quarter"`` or ``"full"``: a bed in one piece; depth of its heel cup, mm; material.
    metatarsal, metatarsal_behind
        Height of a metatarsal pad behind heads 2 to 4, and its crest behind their line, mm.
    tender, relief
        Tender spots, a list of (mm from the base's rear edge, mm medial of its centreline); depth
        of the relief under them, mm.
    forefoot, heel, under
        Wedges inside at forefoot and heel, and under the shoe: degrees, + is medial side up.
    cleat, cleat_before, cleat_yaw
        Pedal axle ahead (+) of the first metatarsal head, wished and as ridden, mm; turn of the
        cleat, degrees, + its front medially.
    ankle
        Angle of the sole to its bed held while pedalling, degrees, + toes up.

    no_pad
        True: no pad.

    Of the plan

    confirm_zero, dowels
        A wedge of 0 is to undo the shoe's own cant; pads placed by dowels.
    body_mass
        Of the rider, kg, for the comparison of pressure.
    case, version, date
        Pseudonym, number of the plan in the case, date to print as typed.
    """

    support: Sided[float]
    shift_pad: Sided[Place]
    turn_pad: Sided[float]
    pad_source: Sided[Literal["scan", "kit"]]
    medial_edge: Sided[float]
    contoured: Sided[Literal["three-quarter", "full"]]
    cup: Sided[float]
    contour_material: Sided[str]
    metatarsal: Sided[float]
    metatarsal_behind: Sided[float]
    tender: Sided[Sequence[Place]]
    relief: Sided[float]
    forefoot: Sided[float]
    heel: Sided[float]
    under: Sided[float]
    cleat: Sided[float]
    cleat_before: Sided[float]
    cleat_yaw: Sided[float]
    ankle: Sided[float]
    no_pad: Sided[bool]
    confirm_zero: bool
    dowels: bool
    body_mass: float | None
    case: str
    version: int
    date: str


def _number(value: Any) -> float:
    number = float(value)
    if isinstance(value, str) or not math.isfinite(number):
        raise ValueError(value)
    return number


def _level(value: Any) -> float:
    level = _number(value)
    if level > MOST_LEVEL:
        raise PlanError(
            f"support={value:g} is {100 * level:.0f} % of the gap; give a share, such as "
            f"{level / 100:g} for {level:g} %"
        )
    return level


def _place(value: Any) -> Place:
    forward, medial = value
    return _number(forward), _number(medial)


def _places(value: Any) -> tuple[Place, ...]:
    return tuple(_place(one) for one in value)


def _no_pad(value: Any) -> bool | None:
    if not isinstance(value, bool):
        raise ValueError(value)
    return False if value else None


def _one_of(*words: str) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if value not in words:
            raise ValueError(value)
        return str(value)

    return read


def _word(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(value)
    return value


# option -> the planner's name of the wish, how it is read, and what it wants in words
# what was stated of scans, as plans record it
OF_A_SCAN = (
    "side",
    "unit",
    "scale",
    "load",
    "kind",
    "foot_length",
    "landmark",
    "one_foot",
    "card",
    "hand_held",
)
OF_A_FOOT: dict[str, tuple[str, Callable[[Any], Any], str]] = {
    "support": ("support_level", _level, "a share of the gap, such as 0.8"),
    "shift_pad": ("shift", _place, "two numbers, mm forward and mm medial"),
    "turn_pad": ("turn", _number, "a number of degrees"),
    "pad_source": ("pad_source", _one_of("scan", "kit"), "'scan' or 'kit'"),
    "medial_edge": ("medial_edge", _number, "a number of mm"),
    "contoured": ("contoured", _one_of("three-quarter", "full"), "'three-quarter' or 'full'"),
    "cup": ("cup", _number, "a number of mm"),
    "contour_material": ("contour_material", _word, "a word of the material table"),
    "metatarsal": ("metatarsal", _number, "a number of mm"),
    "metatarsal_behind": ("metatarsal_behind", _number, "a number of mm"),
    "tender": ("tender", _places, "a list of places, each two numbers of mm"),
    "relief": ("relief", _number, "a number of mm"),
    "forefoot": ("forefoot", _number, "a number of degrees"),
    "heel": ("heel", _number, "a number of degrees"),
    "under": ("under", _number, "a number of degrees"),
    "cleat": ("cleat_offset", _number, "a number of mm"),
    "cleat_before": ("cleat_before", _number, "a number of mm"),
    "cleat_yaw": ("cleat_yaw", _number, "a number of degrees"),
    "ankle": ("ankle", _number, "a number of degrees"),
}
# a switch on the command line, no value: so it stands apart
READ = OF_A_FOOT | {"no_pad": ("pad", _no_pad, "True or False")}
_FEET = ("left", "right")
_KEYWORDS = {name: option for option, (name, _, _) in OF_A_FOOT.items()}


def keyword_of(name: str) -> str:
    """Return the keyword for a wish of one foot as plans name it.

    Examples
    --------
    >>> keyword_of("support_level"), keyword_of("heel")
    ('support', 'heel')
    """
    return _KEYWORDS[name]


def check_names(given: Mapping[str, object], more: Sequence[str] = ()) -> None:
    """Refuse a keyword that is no wish.

    Raises
    ------
    insole.PlanError
        Names the nearest one.
    """
    known = [*Wishes.__annotations__, *more]
    for name in given:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"it is one of {', '.join(known)}"
            raise PlanError(f"there is no wish {name!r}; {hint}")


def wishes_of(given: Mapping[str, Any], kit: Kit | None = None) -> PlanWishes:
    """Return the planner's wishes for keywords of :class:`Wishes`.

    Raises
    ------
    insole.PlanError
        A keyword is no wish, or its value cannot be read.

    Examples
    --------
    >>> wishes_of({"support": 0.8, "forefoot": {"right": 2}}).right.wedges.forefoot
    2.0
    >>> wishes_of({"support": 80})
    Traceback (most recent call last):
    insole.errors.PlanError: support=80 is 8000 % of the gap; give a share, such as 0.8 for 80 %
    """
    return changed(PlanWishes(), given, kit)


def changed(wishes: PlanWishes, given: Mapping[str, Any], kit: Kit | None = None) -> PlanWishes:
    """Return `wishes` with those in `given` in their place.

    A value for both feet takes the place of each foot's own; a mapping changes the feet that it
    names; None takes a wish back.
    """
    check_names(given)
    feet: dict[str, dict[str, Any]] = {"both": {}, "left": {}, "right": {}}
    for option, value in given.items():
        if option not in READ:
            continue
        name = READ[option][0]
        if not isinstance(value, Mapping):
            for foot in feet:
                feet[foot][name] = None
            feet["both"][name] = _read(option, value)
            continue
        if unknown := [foot for foot in value if foot not in _FEET]:
            raise PlanError(f"{option}: {unknown[0]!r} is neither 'left' nor 'right'")
        for foot, own in value.items():
            feet[foot][name] = _read(option, own)
    plain = {name: given[name] for name in ("case", "date", "version") if name in given}
    plain |= {name: bool(given[name]) for name in ("confirm_zero", "dowels") if name in given}
    if "body_mass" in given:
        mass = given["body_mass"]
        plain["body_mass"] = None if mass is None else _plain_number("body_mass", mass)
    _check_plain(plain)
    return replace(
        wishes,
        **plain,
        kit=kit if kit is not None else wishes.kit,
        **{foot: getattr(wishes, foot).but(**own) for foot, own in feet.items()},
    )


def _read(option: str, value: Any) -> Any:
    _, read, wants = READ[option]
    if value is None:
        return None
    try:
        return read(value)
    except PlanError:
        raise
    except (TypeError, ValueError):
        raise PlanError(f"{option} wants {wants}, not {value!r}") from None


def _plain_number(name: str, value: Any) -> float:
    try:
        return _number(value)
    except (TypeError, ValueError):
        raise PlanError(f"{name} wants a number, not {value!r}") from None


def _check_plain(plain: Mapping[str, Any]) -> None:
    """Refuse a case, a date or a version that is not one."""
    for name in ("case", "date"):
        if not isinstance(plain.get(name, ""), str):
            raise PlanError(f"{name} wants text, not {plain[name]!r}")
    version = plain.get("version", 1)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise PlanError(f"version wants a whole number from 1 on, not {version!r}")


def wishes_in(plan: Plan, kit: Kit | None = None) -> PlanWishes:
    """Return the wishes that a plan was made with, as the planner takes them.

    Raises
    ------
    insole.PlanError
        The plan picked from a kit, and none is given; or it holds a wish that is not known.
    """
    record = plan.wishes
    if record.get("kit") and kit is None:
        raise PlanError(f"the plan picks from the kit {record['kit']!r}; give its file as kit=")
    feet = {}
    for foot in ("both", "left", "right"):
        own = record.get(foot, {})
        if unknown := sorted(set(own) - set(WORDS)):
            raise PlanError(f"the plan holds a wish that is not known, {unknown[0]!r}; plan anew")
        feet[foot] = FootWish.of(**{name: tupled(value) for name, value in own.items()})
    return PlanWishes(
        **feet,
        case=plan.case,
        date=plan.date,
        version=plan.version,
        kit=kit,
        confirm_zero=bool(record.get("confirm_zero")),
        body_mass=record.get("body_mass"),
        dowels=bool(record.get("dowels")),
    )


def tupled(value: Any) -> Any:
    """Return lists as tuples, all the way down: a wish is compared and never changed."""
    return tuple(tupled(one) for one in value) if isinstance(value, list | tuple) else value
