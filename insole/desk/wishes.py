"""Wishes as the pages send them: checked by name, kind and range before anything is planned.

JSON of a page -> checked -> Draft.wishes -> asked -> insole.plan
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from insole.desk import owned
from insole.desk.store import DeskCase, Draft, Home
from insole.errors import PlanError
from insole.record.values import Override

__all__ = ["asked", "checked", "merged"]

# wish: (least, most) of a number
NUMBERS: dict[str, tuple[float, float]] = {
    "support_level": (0.0, 1.5),
    "turn": (-30.0, 30.0),
    "forefoot": (-10.0, 10.0),
    "heel": (-10.0, 10.0),
    "under": (-10.0, 10.0),
    "medial_edge": (0.0, 20.0),
    "relief": (0.0, 6.0),
    "cup": (0.0, 25.0),
    "metatarsal": (0.0, 10.0),
    "metatarsal_behind": (0.0, 30.0),
    "cleat_offset": (-40.0, 40.0),
    "cleat_before": (-40.0, 40.0),
    "cleat_yaw": (-20.0, 20.0),
    "ankle": (-15.0, 15.0),
}
CHOICES: dict[str, tuple[Any, ...]] = {
    "contoured": ("three-quarter", "full"),
    "pad": (True, False),
    "pad_source": ("scan", "kit"),
}
WORDS = ("contour_material",)  # of the material table; the planner knows which there are
SHIFT_MM = 30.0
SPOTS = 8


def checked(raw: object) -> dict[str, dict[str, Any]]:
    """Return wishes by foot, those of None left out.

    Raises
    ------
    insole.errors.PlanError
        A foot, a wish or a value that does not exist.
    """
    if not isinstance(raw, Mapping):
        raise PlanError("wishes come by foot: both, left, right")
    found: dict[str, dict[str, Any]] = {}
    for side, wishes in raw.items():
        if side not in ("both", "left", "right") or not isinstance(wishes, Mapping):
            raise PlanError("wishes come by foot: both, left, right")
        mine = {name: _value(name, value) for name, value in wishes.items() if value is not None}
        if mine:
            found[side] = mine
    return found


def _value(name: str, value: Any) -> Any:
    if name in CHOICES:
        if value not in CHOICES[name]:
            raise PlanError(f"{name} cannot be {value!r}")
        return value
    if name == "shift":
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise PlanError("a pad is moved by two numbers, forward and medial, mm")
        return tuple(_number("shift", v, -SHIFT_MM, SHIFT_MM) for v in value)
    if name == "tender":
        if not isinstance(value, list | tuple) or len(value) > SPOTS:
            raise PlanError(f"up to {SPOTS} tender spots can be kept free")
        return tuple(tuple(_number("tender", v, -200.0, 400.0) for v in spot) for spot in value)
    if name in WORDS:
        if not isinstance(value, str) or not 0 < len(value) <= 80:
            raise PlanError(f"{name.replace('_', ' ')} is named by its word")
        return value
    if name in NUMBERS:
        return _number(name, value, *NUMBERS[name])
    raise PlanError(f"there is no wish {name!r}")


def _number(name: str, value: Any, least: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise PlanError(f"{name.replace('_', ' ')} wants a number")
    if not least <= value <= most:
        raise PlanError(f"{name.replace('_', ' ')} is {value:g}; give {least:g} to {most:g}")
    return float(value)


def merged(wishes: Mapping[str, Mapping[str, Any]], side: str) -> dict[str, Any]:
    """Return the wishes for one foot: its own over the common ones."""
    return {**wishes.get("both", {}), **wishes.get(side, {})}


def asked(
    home: Home, case: DeskCase, draft: Draft, version: int, side: str | None = None
) -> dict[str, Any]:
    """Return the arguments of :func:`insole.plan` that a draft asks for, feet left out.

    With a `side`, what it asks for that foot alone.

    Raises
    ------
    insole.errors.PlanError
        A wish that does not exist.
    """
    from insole.door.wishes import keyword_of  # loads the planner

    wishes = checked(draft.wishes)
    if side is not None:
        wishes = {"both": merged(wishes, side)}
    found: dict[str, Any] = {}
    for name in sorted({name for own in wishes.values() for name in own}):
        sides = {side: merged(wishes, side).get(name) for side in ("left", "right")}
        own = any(name in wishes.get(side, {}) for side in sides)
        if name == "pad":
            found["no_pad"] = {side: value is False for side, value in sides.items()}
        else:
            value = {side: value for side, value in sides.items() if value is not None}
            found[keyword_of(name)] = value if own else wishes["both"][name]
    return {
        **found,
        "shoe": home.shoe(draft.shoe) if draft.shoe else None,
        "kit": owned.own(home.folder, "kit"),
        "limits": owned.own(home.folder, "limits"),
        "case": case.name,
        "version": version,
        "answers": dict(draft.answers),
        "clinician": draft.clinician,
        "body_mass": draft.body_mass,
        "confirm_zero": draft.confirm_zero,
        **({"dowels": True} if draft.dowels else {}),
        "overrides": [Override(**one.model_dump()) for one in draft.overrides],
    }
