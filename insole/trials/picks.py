"""What feels how, and where, as a list to pick from.

    picks ("lump front", "too high", "3 mm back") -> picked -> Observation

The list comes first; free text (:mod:`insole.trials.words`) says less surely what is meant.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from typing import Literal

from insole.errors import PlanError

__all__ = ["OBSERVATIONS", "PICKS", "PLACES", "SLIPS", "THINGS", "Observation", "picked", "plainly"]

THINGS = ("shoe", "cleat", "pad", "wedge")  # the order of work: what is set first, is asked first
PLACES = ("arch", "front", "rear", "medial", "lateral", "ball", "heel", "toes")


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Something that a rider can feel, the thing it speaks of, and which way that should go.

    Attributes
    ----------
    id : str
        Stable; may be given instead of a sentence.
    thing : str
        One of `THINGS`.
    move : str
        What is changed, as in :class:`insole.trials.steps.Step`; empty for the shoe.
    sign : int
        +1 or -1, in that move's own direction.
    text : str
        What was understood, for the log.
    by : float or None
        mm that the rider wants the pad moved by; None is one step.
    """

    id: str
    thing: Literal["shoe", "cleat", "pad", "wedge"]
    move: str = ""
    sign: int = 0
    text: str
    by: float | None = None


OBSERVATIONS: tuple[Observation, ...] = (
    Observation(id="toes-tight", thing="shoe", text="the toes or the ball have too little room"),
    Observation(id="heel-lifts", thing="shoe", text="the heel lifts or moves in the shoe"),
    Observation(
        id="pedal-too-far-forward",
        thing="cleat",
        move="cleat",
        sign=-1,
        text="the pedal is felt too far forward under the foot",
    ),
    Observation(
        id="pedal-too-far-back",
        thing="cleat",
        move="cleat",
        sign=1,
        text="the pedal is felt too far back under the foot",
    ),
    Observation(
        id="ball-presses",
        thing="cleat",
        move="cleat",
        sign=-1,
        text="the pedal presses under the ball of the foot",
    ),
    Observation(
        id="toes-want-out",
        thing="cleat",
        move="cleat_yaw",
        sign=1,
        text="the toes want to point further out",
    ),
    Observation(
        id="toes-want-in",
        thing="cleat",
        move="cleat_yaw",
        sign=-1,
        text="the toes want to point further in",
    ),
    Observation(
        id="lump-in-front",
        thing="pad",
        move="forward",
        sign=-1,
        text="a lump at the front end of the pad",
    ),
    Observation(
        id="lump-behind",
        thing="pad",
        move="forward",
        sign=1,
        text="a lump at the rear end of the pad",
    ),
    Observation(
        id="lump-medial",
        thing="pad",
        move="medial",
        sign=-1,
        text="the pad presses at its medial edge",
    ),
    Observation(
        id="lump-lateral",
        thing="pad",
        move="medial",
        sign=1,
        text="the pad presses at its lateral edge",
    ),
    Observation(
        id="pad-too-far-forward",
        thing="pad",
        move="forward",
        sign=-1,
        text="the pad is felt too far forward",
    ),
    Observation(
        id="pad-too-far-back",
        thing="pad",
        move="forward",
        sign=1,
        text="the pad is felt too far back",
    ),
    Observation(
        id="pad-too-far-in",
        thing="pad",
        move="medial",
        sign=-1,
        text="the pad is felt too far to the big-toe side",
    ),
    Observation(
        id="pad-too-far-out",
        thing="pad",
        move="medial",
        sign=1,
        text="the pad is felt too far to the little-toe side",
    ),
    Observation(
        id="support-too-high",
        thing="pad",
        move="support",
        sign=-1,
        text="the arch support is felt as too much",
    ),
    Observation(
        id="support-too-low",
        thing="pad",
        move="support",
        sign=1,
        text="the arch support is felt as too little",
    ),
    Observation(
        id="weight-on-little-toe-side",
        thing="wedge",
        move="forefoot",
        sign=1,
        text="the weight rests on the little-toe side",
    ),
    Observation(
        id="weight-on-big-toe-side",
        thing="wedge",
        move="forefoot",
        sign=-1,
        text="the weight rests on the big-toe side",
    ),
)
_KNOWN = {one.id: one for one in OBSERVATIONS}
_ELSEWHERE = Observation(id="hot-spot", thing="shoe", text="a hot spot")
SLIPS = "slips"  # a pick that is a red flag as well
# what may be picked, and the observation that it stands for; a place stands behind the word
PICKS: dict[str, str] = {
    "lump front": "lump-in-front",
    "lump rear": "lump-behind",
    "lump inner": "lump-medial",
    "lump outer": "lump-lateral",
    "lump middle": "support-too-high",
    "pad too far forward": "pad-too-far-forward",
    "pad too far back": "pad-too-far-back",
    "pad too far in": "pad-too-far-in",
    "pad too far out": "pad-too-far-out",
    "too high": "support-too-high",
    "too low": "support-too-low",
    "not felt": "support-too-low",
    "toes cramped": "toes-tight",
    "heel lifts": "heel-lifts",
    SLIPS: "heel-lifts",
    "hot spot ball": "ball-presses",
    "hot spot toes": "toes-tight",
    "hot spot front": "lump-in-front",
    "hot spot rear": "lump-behind",
    "hot spot inner": "lump-medial",
    "hot spot outer": "lump-lateral",
    "hot spot middle": "support-too-high",
    "hot spot heel": "",
    "pedal too far forward": "pedal-too-far-forward",
    "pedal too far back": "pedal-too-far-back",
    "toes want out": "toes-want-out",
    "toes want in": "toes-want-in",
    "weight on little toe side": "weight-on-little-toe-side",
    "weight on big toe side": "weight-on-big-toe-side",
}
_MOVES = {
    "forward": ("forward", 1),
    "back": ("forward", -1),
    "in": ("medial", 1),
    "out": ("medial", -1),
}
_SAME_WORD = {
    "medial": "inner",
    "inside": "inner",
    "lateral": "outer",
    "outside": "outer",
    "back": "rear",
    "behind": "rear",
    "arch": "middle",
}


def plainly(pick: str) -> str:
    """Return a pick in plain words: no marks, no capitals.

    Examples
    --------
    >>> plainly(' "Slips!" ')
    'slips'
    """
    return " ".join(re.sub(r"[^a-z0-9.]+", " ", pick.lower()).split())


def picked(pick: str) -> Observation:
    """Return what a pick from the list says.

    Parameters
    ----------
    pick : str
        One of `PICKS`, or "N mm forward", "back", "in" (to the big toe's side) or "out": where
        the rider wants the pad.

    Raises
    ------
    insole.errors.PlanError
        It is not on the list; names what comes nearest.
    """
    plain = plainly(pick)
    wanted = re.fullmatch(r"(?:wants it )?(\d+(?:\.\d+)?) ?mm (?:further )?(\w+)", plain)
    if wanted and wanted[2] in _MOVES:
        by, (move, sign) = float(wanted[1]), _MOVES[wanted[2]]
        if by <= 0:
            raise PlanError(f"{pick!r}: the pad can only be moved by more than 0 mm").asking("felt")
        return Observation(
            id="wants-moved",
            thing="pad",
            move=move,
            sign=sign,
            by=by,
            text=f"the rider wants the pad {by:g} mm {wanted[2]}",
        )
    if plain.startswith(("lump ", "hot spot ")):
        head, place = plain.rsplit(" ", 1)
        plain = f"{head} {_SAME_WORD.get(place, place)}"
    if plain not in PICKS:
        near = difflib.get_close_matches(plain, PICKS, n=1)
        hint = f"did you mean '{near[0]}'? " if near else ""
        places = [name.split()[-1] for name in PICKS if plain and name.startswith(f"{plain} ")]
        if plain in ("lump", "hot spot"):
            hint = f"say where as well: {', '.join(places)}; "
        raise PlanError(
            f"{pick!r} is not on the list; {hint}look it up in the list of picks"
        ).asking("felt", "words")
    found = _KNOWN.get(PICKS[plain], _ELSEWHERE)
    return replace(found, text=f"{plain}: {found.text}") if plain.startswith("hot spot") else found
