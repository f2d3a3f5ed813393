"""What feels how, and where: picked from a list in plain words, or read from the rider's own.

    picks ("lump front", "too high", "3 mm back") -> picked   -> Observation
    free text                                     -> observed -> Observation

The list comes first; free text is read in English only and says less surely what is meant. What
is a reason to stop stands in :mod:`insole.trials.red_flags`.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from insole.errors import PlanError

__all__ = [
    "OBSERVATIONS",
    "PICKS",
    "PLACES",
    "SLIPS",
    "THINGS",
    "Observation",
    "observed",
    "picked",
]

THINGS = ("shoe", "cleat", "pad", "wedge")  # the order of work: what is set first, is asked first
PLACES = ("arch", "front", "rear", "medial", "lateral", "ball", "heel", "toes")

_NEGATORS = frozenset({"no", "not", "never", "without", "neither", "nor", "nothing", "zero"})
_FILLERS = frozenset(
    "any a an the real new at all of sign signs trace in my his her our foot feet knee knees hip"
    " hips back toe toes heel heels arch ball leg legs ankle ankles calf calves left right either"
    " both whatsoever".split()
)
_VERBS = frozenset(  # "not had any pain" is none; "no I had pain" is some
    "have had has having feel felt get got getting is was are were be been do did does noticed"
    " notice that".split()
)
_SHORT = {"cant": "can not", "cannot": "can not", "wont": "will not"} | {
    f"{verb}nt": f"{verb} not"
    for verb in ("do", "does", "did", "is", "was", "were", "has", "have", "had", "could", "would")
}


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
        What is changed, as in :class:`insole.trials.trial.Step`; empty for the shoe.
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
    plain = " ".join(re.sub(r"[^a-z0-9.]+", " ", pick.lower()).split())
    wanted = re.fullmatch(r"(?:wants it )?(\d+(?:\.\d+)?) ?mm (?:further )?(\w+)", plain)
    if wanted and wanted[2] in _MOVES:
        by, (move, sign) = float(wanted[1]), _MOVES[wanted[2]]
        if by <= 0:
            raise PlanError(f"--felt {pick!r}: the pad can only be moved by more than 0 mm")
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
            f"--felt {pick!r} is not on the list; {hint}solewright trial --words prints the list"
        )
    found = _KNOWN.get(PICKS[plain], _ELSEWHERE)
    return replace(found, text=f"{plain}: {found.text}") if plain.startswith("hot spot") else found


_MUCH = (
    r"too (high|much|hard|strong|big|thick|firm|prominent)|overdone|presse?s|pressing"
    r"|push(es|ing)?|pressure|lumps?|bumps?|ridges?|digs?|digging|poke?s|poking|hard spots?"
    r"|stones?|intrusive"
)
_LITTLE = (
    r"too (low|little|weak|thin|soft|flat|gentle|subtle)|not enough|no (arch )?support"
    r"|unsupported|hollow|empty|collaps(e|es|ed|ing)|(more|higher) support"
    r"|not feel (\w+ ){0,2}(pad|support|anything)"
    r"|(hardly|barely) (feel|touch|notice)|not touch|gap (under|below)|(more|higher) arch"
)
_PADS = r"pad|arch|support|bump|lump|dome"
_SIDE_WORDS = {  # where something lies too far, or is wanted
    "forward": r"(?:(?:to(?:wards?)? (?:the|my) )?(?:forwards?|front|ahead|toes?|ball)|in front)",
    "back": r"(?:to(?:wards?)? (?:the|my) )?(?:backwards?|back|rear(?:wards?)?|behind|heel)",
    "in": r"(?:to(?:wards?)? the )?(?:in(?! front)|inward\w*|inside|(?:inner|big toe) side|medial)",
    "out": r"(?:to(?:wards?)? the )?(?:out|outwards?|outside|(?:outer|little toe) side|lateral\w*)",
}
_OTHER_WAY = {"forward": "back", "back": "forward", "in": "out", "out": "in"}
_PLACE_WORDS = {
    "front": r"too far (forward|ahead)|(front|forward) (end|edge)|front of the (pad|arch)"
    r"|(near|behind|towards?) the (ball|forefoot|toes)",
    "rear": r"too far (back|rear\w*|behind)|(rear|back) (end|edge)|back of the (pad|arch)"
    r"|(near|towards?|ahead of) the heel",
    "medial": r"(inner|inside|medial|big toe) (edge|side|border|wall)",
    "lateral": r"(outer|outside|lateral|little toe|small toe) (edge|side|border)",
    "ball": r"(under|below|at|on|in) (the|my) (ball|forefoot|cleat)",
    "arch": r"arch|pad|support|instep",
    "toes": r"toes?",
    "heel": r"heels?",
}


def observed(text: str, place: str = "") -> tuple[Observation, ...]:
    """Return what the rider's words say, in the order of work.

    Parameters
    ----------
    text : str
        Free text, or ids of observations.
    place : str
        One of `PLACES`, for words that name no place themselves; may be empty.

    Raises
    ------
    ValueError
        A place that does not exist.
    """
    if place and place not in PLACES:
        raise ValueError(f"place must be one of {', '.join(PLACES)}, got {place!r}")
    known = {o.id: o for o in OBSERVATIONS}
    lowered = text.lower()
    ids = {name for name in known if re.search(rf"(?<![\w-]){name}(?![\w-])", lowered)}
    for name in ids:
        lowered = lowered.replace(name, " ")
    for clause in _clauses(lowered):
        for part in re.split(r",| and ", clause):
            found = _clause_says(" ".join(part.split()), place)
            ids |= {found} if found else set()
    return tuple(o for o in OBSERVATIONS if o.id in ids)


def _clause_says(clause: str, place: str) -> str:
    """Return the observation in one clause, or nothing."""
    if not clause:
        return ""
    where = _place_in(clause) or place
    about = _about(clause) or _pad_lies(clause)
    if about:
        return about
    little = re.search(rf"\b({_LITTLE})\b", clause)
    if little and not _plain_no(clause, little.start()) and where in ("arch", "", "heel", "rear"):
        return "support-too-low" if where == "arch" or "support" in clause else ""
    much = re.search(rf"\b({_MUCH})\b", clause)
    if much is None or _plain_no(clause, much.start()):
        return ""
    return {
        "front": "lump-in-front",
        "rear": "lump-behind",
        "medial": "lump-medial",
        "lateral": "lump-lateral",
        "arch": "support-too-high",
        "ball": "ball-presses",
        "toes": "toes-tight",
    }.get(where, "")


def _about(clause: str) -> str:
    """Return an observation of shoe, cleat or weight, or nothing."""
    rules: tuple[tuple[str, str], ...] = (
        ("heel-lifts", r"heels? (\w+ ){0,2}(lifts?|lifting|moves?|moving|loose|comes? up)"),
        ("toes-tight", r"(tight|narrow|squeez\w*|crush\w*|pinch\w*|no room|rub(s|bing)?)"),
        (
            "toes-want-out",
            r"(toes?|foot|feet) (want|need|like)s? (\w+ ){0,3}(out|outward\w*)"
            r"|heels? (want|need|like)s? (\w+ ){0,3}(in|inward\w*)",
        ),
        (
            "toes-want-in",
            r"(toes?|foot|feet) (want|need|like)s? (\w+ ){0,3}(in|inward\w*)"
            r"|heels? (want|need|like)s? (\w+ ){0,3}(out|outward\w*)",
        ),
        (
            "pedal-too-far-forward",
            r"(pedal|cleat|axle)\b.*\btoo far (forward|ahead)|tiptoes?"
            r"|on my toes",
        ),
        ("pedal-too-far-back", r"(pedal|cleat|axle)\b.*\b(too far (back|behind)|under the arch)"),
        (
            "weight-on-little-toe-side",
            r"(weight|load|stand\w*|push\w*|rest\w*|pressure|contact|only)\b.*\b(little "
            r"toe|small toe|"
            r"outer|outside|lateral) (side|edge|border)|big toe (side )?(\w+ )?(floats?|not touch)",
        ),
        (
            "weight-on-big-toe-side",
            r"(weight|load|stand\w*|push\w*|rest\w*|pressure|contact|only)\b.*\b(big "
            r"toe|inner|inside|"
            r"medial) (side|edge|border)|little toe (side )?(\w+ )?(floats?|not touch)",
        ),
    )
    if re.search(r"\b(pad|arch|support)\b", clause):
        rules = rules[:2]
    for name, pattern in rules:
        hit = re.search(rf"\b({pattern})", clause)
        if hit and not _plain_no(clause, hit.start()):
            return name
    return ""


def _pad_lies(clause: str) -> str:
    """Return where the pad is felt to lie wrongly, or wanted to go, as an observation."""
    if not re.search(rf"\b(?:{_PADS}|it)\b", clause):
        return ""
    named = re.search(rf"\b(?:{_PADS})\b", clause)
    for side, words in _SIDE_WORDS.items():
        far = re.search(rf"\btoo (?:far|much) {words}\b", clause)
        if far and not _plain_no(clause, far.start()):
            return f"pad-too-far-{side}"
        wants = re.search(
            rf"\b(?:should|needs?|wants?|must|could|move|shift|bring)\b.*"
            rf"\b{words}$",
            clause,
        )
        if named and wants and not re.search(r"\b(?:not|never|no)\b", clause):
            return f"pad-too-far-{_OTHER_WAY[side]}"
    return ""


def _place_in(clause: str) -> str:
    hits = (p for p, words in _PLACE_WORDS.items() if re.search(rf"\b({words})\b", clause))
    return next(hits, "")


def _plain_no(clause: str, at: int) -> bool:
    """Return whether the words at position `at` of a clause are negated."""
    before = clause[:at].split()
    while before and before[-1] in _FILLERS | _VERBS:
        before.pop()
    return bool(before) and before[-1] in _NEGATORS


def _clauses(text: str) -> Iterator[str]:
    """Yield clauses in plain lower case, commas kept as words of their own."""
    text = unicodedata.normalize("NFKC", text).lower().replace("’", "'")
    text = re.sub(r"\bcan't\b", "can not", re.sub(r"\bwon't\b", "will not", text))
    text = re.sub(r"n't\b", " not", text)
    text = re.sub(r"[a-z]+", lambda m: _SHORT.get(m.group(), m.group()), text)
    for clause in re.split(r"[.;:!?\n()]+|\bbut\b|\bhowever\b|\bthough\b| - |–", text):
        plain = re.sub(r"[^a-z, ]+", " ", clause).replace(",", " , ")
        if plain.strip():
            yield " ".join(plain.split())
