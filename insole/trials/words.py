"""What a rider's own words say of shoe, cleat, pad and weight.

    free text -> observed -> Observation, in the order of work
              -> left_over -> what was not understood, as it was said

English only, and it says less surely what is meant than a pick from the list
(:mod:`insole.trials.picks`). What is a reason to stop stands in :mod:`insole.trials.red_flags`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from insole.trials.picks import OBSERVATIONS, PLACES, Observation, picked
from insole.trials.plain_words import is_comfort, is_plain
from insole.trials.red_flags import speaks_of_danger

__all__ = ["left_over", "named_foot", "observed"]


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


_BIT = r"(?:rather|somewhat|slightly|(?:a )?(?:bit|little|tad|touch|shade|notch)(?: too| on the)?)"
_WANTS = r"(?:should|could|needs?|wants?|must|would like|like)(?: \w+){0,3}"
_MUCH = (
    r"too (high|much|hard|strong|big|thick|firm|prominent)"
    rf"|{_BIT} (high|strong|firm|thick|prominent|overdone)(?! side)"
    rf"|{_WANTS} (lower|softer|flatter|gentler|less)|{_BIT} (lower|softer|less)"
    r"|overdone|presse?s|pressing"
    r"|push(es|ing)?|pressure|lumps?|bumps?|ridges?|digs?|digging|poke?s|poking|hard spots?"
    r"|stones?|intrusive"
)
_LITTLE = (
    r"too (low|little|weak|thin|soft|flat|gentle|subtle)|not enough|no (arch )?support"
    rf"|{_BIT} (low|weak|flat|gentle|subtle)|{_WANTS} (higher|firmer|stronger|fuller|taller)"
    r"|unsupported|hollow|empty|collaps(e|es|ed|ing)|(more|higher) support"
    r"|not feel (\w+ ){0,2}(pad|support|anything)"
    r"|(hardly|barely) (feel|touch|notice)|not touch|gap (under|below)|(more|higher) arch"
)
_PADS = r"pad|arch|support|bump|lump|dome"
_SIDE_WORDS = {  # where something lies too far, or is wanted
    "forward": r"(?:(?:to(?:wards?)? (?:the|my) )?(?:forwards?|front|ahead|toes?|ball)|in front)",
    "back": r"(?:to(?:wards?)? (?:the|my) )?(?:backwards?|back|rear(?:wards?)?|behind|heel)",
    "in": r"(?:to(?:wards?)? the )?(?:in(?! (?:front|the|my|a|this|that))|inward\w*|inside"
    r"|(?:inner|big toe) side|medial)",
    "out": r"(?:to(?:wards?)? the )?(?:out|outwards?|outside|(?:outer|little toe) side|lateral\w*)",
}
_DENIED = re.compile(
    r"\b(?:no longer|not longer|any ?more|any longer|than before|used to"
    r"|not (?:\w+ )?(?:think|believe|say|find|notice)"
    r"|not (?:\w+ )?feel (?:that|as if|like))\b"
)
_MOVED = re.compile(r"\b(?:i|we|he|she|was|were|been|have|has|had|after) (?:\w+ )?mov(?:ed|ing)\b")
_STRENGTH = re.compile(
    rf"\b(?:too (?:high|much|strong|firm|prominent|low|little|weak|flat)|{_BIT} \w+|overdone"
    rf"|{_WANTS} (?:lower|softer|flatter|gentler|less|higher|firmer|stronger|fuller|taller))\b"
)
_NUMBERS = {"one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6"}
_MILLIMETRES = re.compile(
    rf"\b(?P<size>\d+(?:[.,]\d+)?|{'|'.join(_NUMBERS)}) ?(?:mm|mills?|millimet(?:re|er)s?)"
    r"(?P<far> too far)?(?: (?:more|further))?(?: to(?:wards)? the)? "
    r"(?P<way>forward|back|in|out)(?:wards?)?\b(?! (?:the|my|front)\b)"
)
_NO_NEWS = frozenset(
    "different difference notice noticed tell anything say sure once think".split()
)
_ALL_WELL = re.compile(
    r"(?:there (?:is|was|were) |i (?:have|had) )?(?:no|zero|without(?: an?)?|not an?(?: single)?)"
    r" (?:issues?|problems?|complaints?|drama|fuss|bother|worries)(?: at all)?|hard to (?:say|tell)"
    r"|(?:too|still) early to (?:say|tell)|(?:got|took \w+(?: \w+)? to get) used to(?: it)?"
    r"|i forgot (?:i had )?(?:it|they|them)(?: \w+){0,3}"
    r"|(?:i )?can not (?:\w+ )?(?:tell|feel|notice) (?:the|any|much) difference(?: to be honest)?"
)
_MARKS = r"\.(?!\d)|[;:!?\n()]+|\bbut\b|\bhowever\b|\bthough\b| - |–"
_OTHER_WAY = {"forward": "back", "back": "forward", "in": "out", "out": "in"}
_KNOWN = frozenset(one.id for one in OBSERVATIONS)
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
_OF_A_FOOT = (
    r"foot|shoe|arch|heel|ball|(?:(?:big|little|small) )?toes?|sole|instep|forefoot|midfoot|knee"
    r"|leg|ankle|calf|hip|pad|support|insole|footbed|bed|wedge|shim|cleat|pedal|one"
)
_ONE_FOOT = re.compile(
    rf"\b(left|right)(?= (?:{_OF_A_FOOT})\b)"
    r"|\b(?:on|under|in|at) (?:the|my|his|her) (left|right)(?= *(?:$|[,.;!?]))"
    r"|\bthe (left|right)(?= (?:is|was|feels|felt|presses|hurts|has|does)\b)"
)


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
    wanted = _wanted(text)
    ids = {name for part in _parts(text) for name in _said_in(part, place)}
    moved = {(o.move, o.sign) for o in wanted}
    return (*wanted, *(o for o in OBSERVATIONS if o.id in ids and (o.move, o.sign) not in moved))


def named_foot(text: str) -> str:
    """Return ``"left"`` or ``"right"`` where free text names one foot; nothing for none or both.

    Examples
    --------
    >>> named_foot("Too much under the LEFT arch"), named_foot("the height is right now")
    ('left', '')
    """
    plain = " ".join(text.lower().split())
    found = {side for sides in _ONE_FOOT.findall(plain) for side in sides if side}
    more = re.search(r"\b(?:both|each|other)\b", plain)
    return found.pop() if len(found) == 1 and not more else ""


def left_over(text: str, place: str = "") -> tuple[str, ...]:
    """Return the parts of free text that were not understood, in plain lower case.

    Neither an observation, nor danger (:mod:`insole.trials.red_flags` sees to that), nor plain
    words of comfort; parts that hold a word of no list count, whatever else they say.

    Parameters
    ----------
    text, place : str
        As for :func:`observed`.
    """
    found = []
    for part in _parts(text):
        words = re.findall(r"[a-z]+", part.text)
        if not words or speaks_of_danger(part.text):
            continue
        says = _said_in(part, place) or bool(_wanted(part.raw))
        if (says and all(map(is_plain, words))) or _comfort(words):
            continue
        found.append(part.raw)
    return tuple(dict.fromkeys(found))


def _comfort(words: Sequence[str]) -> bool:
    """Return whether words say that all is well, or nothing; "not good" says something."""
    turned = {"not", "never"} & set(words) and not _NO_NEWS & set(words)
    plain = " ".join(words)
    return bool(_ALL_WELL.fullmatch(plain)) or (all(map(is_comfort, words)) and not turned)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """A piece of free text between marks: as it is read, as it was said; `pad`: speaks of one."""

    text: str
    raw: str
    pad: bool


def _parts(text: str) -> list[_Part]:
    """Return free text in pieces; a piece without a noun speaks of what the one before did."""
    found: list[_Part] = []
    pad = False
    for clause in re.split(rf"{_MARKS}", _lowered(text)):
        for raw in re.split(r",| and ", clause):
            plain = " ".join(re.sub(r"[^a-z ]+", " ", _spelt_out(raw)).split())
            if re.search(rf"\b(?:{_PADS}|ridge|edge)s?\b", plain):
                pad = True
            elif re.search(r"\b(?:shoes?|toes?|heels?|cleats?|pedals?|knees?|weight)\b", plain):
                pad = False
            if raw.strip():
                found.append(_Part(text=plain, raw=" ".join(raw.split()), pad=pad))
    return found


def _said_in(part: _Part, place: str) -> set[str]:
    """Return the observations in one part, by id; of what is over, or denied at length, none."""
    bare = part.raw
    ids = {name for name in _KNOWN if re.search(rf"(?<![\w-]){name}(?![\w-])", bare)}
    if ids:
        return ids
    if _DENIED.search(part.text):  # whether there is a complaint left is asked, not guessed
        return set()
    found = _clause_says(part.text, place)
    if not found and part.pad and not place:
        found = _clause_says(part.text, "arch") if _STRENGTH.search(part.text) else ""
        found = found or _pad_lies(f"pad {part.text}")
    return {found} if found else set()


def _wanted(text: str) -> tuple[Observation, ...]:
    """Return moves of the pad that are wanted in millimetres: of a pad, not of a cleat."""
    found = {}
    lowered = _lowered(text)
    if re.search(r"\b(?:cleats?|pedals?|axles?|longer|saddle|shoes?)\b", lowered):
        return ()
    if _MOVED.search(lowered):  # what was done already is no wish
        return ()
    for hit in _MILLIMETRES.finditer(lowered):
        size = _NUMBERS.get(hit["size"], hit["size"]).replace(",", ".")
        way = hit["way"]
        if hit["far"]:  # "3 mm too far back" wants to go the other way
            way = _OTHER_WAY[way]
        if float(size) > 0:
            found[way] = picked(f"{size} mm {way}")
    return tuple(found.values())


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


def _lowered(text: str) -> str:
    """Return a text in lower case with plain apostrophes."""
    return unicodedata.normalize("NFKC", text).lower().replace("’", "'")


def _spelt_out(text: str) -> str:
    """Return a text whose short negations are written out."""
    text = re.sub(r"\bcan't\b", "can not", re.sub(r"\bwon't\b", "will not", text))
    text = re.sub(r"n't\b", " not", text)
    return re.sub(r"[a-z]+", lambda m: _SHORT.get(m.group(), m.group()), text)
