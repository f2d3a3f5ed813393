"""What a rider's own words say: a reason to stop, or what feels how, and where.

    free text -> stop_words -> Stop (words found, of which kind)
              -> observed   -> ids of OBSERVATIONS

English only. A stop word counts unless it is plainly negated ("no knee pain", "no pain,
numbness or tingling"); whatever is open to doubt ("almost no pain", "no pain at first") counts.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["OBSERVATIONS", "PLACES", "THINGS", "Observation", "Stop", "observed", "stop_words"]

THINGS = ("shoe", "cleat", "pad", "wedge")  # the order of work: what is set first, is asked first
PLACES = ("arch", "front", "rear", "medial", "lateral", "ball", "heel", "toes")

_HEALTH = re.compile(
    r"pain(s|ed|ful|fully|ing|killers?)?|hurt(s|ing|ful)?|ach(e|es|ed|ing|y)|sore(s|r|ness)?"
    r"|numb(s|ed|er|ing|ness)?|tingl(e|es|ed|ing|y)|prickl(e|es|ed|ing|y)|burn(s|ed|t|ing)?"
    r"|cramp(s|ed|ing|y)?|spasms?|blister(s|ed|ing|y)?|wound(s|ed)?|ulcer(s|ated|ation)?"
    r"|bleed(s|ing)?|bled|blood(y|ied)?|swell(s|ed|ing|ings)?|swollen|swelled|infect(ed|ion|ions)"
    r"|inflam(ed|mation)|injur(y|ies|ed|ing)|stab(s|bed|bing)?|sting(s|ing)?|stung"
    r"|throb(s|bed|bing)?|bruis(e|es|ed|ing)|red(ness|dened|dish)?|raw|limp(s|ed|ing)?|dizzy"
    r"|asleep|agony|unbearable|excruciating|tender(ness)?|nerves?|pus|chaf(e|es|ed|ing)"
)
_HEALTH_PHRASES = re.compile(
    r"pins and needles|hot (spots?|foot|feet|toes?|soles?)|(foot|feet|toes?|soles?) (\w+ ){0,3}hot"
    r"|(go|goes|going|went|gone) (dead|to sleep)|dead (foot|feet|toes?|leg)|electric|shooting"
    r"|(no|lost|lose|loses|losing|loss of|less|without) ((any|all|the|some|my) )*"
    r"(feeling|sensation)"
    r"|(cold and pale|pale|white|blue) (foot|feet|toes?)"
    r"|can not (put|bear|take|carry) (\w+ ){0,3}weight|(skin (\w+ )?(open|broken|off))|open skin"
)
_MECHANICAL = re.compile(
    r"slip(s|ped|ping|page)?|slid(e|es|ing)?|crash(es|ed|ing)?|stuck|unclips?|unclipped"
)
_MECHANICAL_PHRASES = re.compile(
    r"(can|could|will|would|do|does|did) not (\w+ ){0,2}(release|unclip|clip out|get out|come out)"
    r"|(hard|difficult|impossible) to (release|unclip|clip out|get out)"
    r"|(comes?|came|coming|gets?|got|worked|is|was) loose|loose (cleats?|bolts?)"
    r"|(pulled|pulls|came|popped) out|releases? (by )?itself"
)
_FULL_WORDS = (
    "painful", "numbness", "tingling", "burning", "blister", "blisters", "swelling", "swollen",
    "bleeding", "cramps", "cramping", "soreness", "infection", "slipping", "stabbing", "throbbing",
)  # fmt: skip
_TYPO = 0.88  # of letters shared with a full word, for words of six letters and more

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
_DOUBT = frozenset(
    "as so less until till except unless only yet anymore first apart besides though although"
    " however then later afterwards like sure think believe maybe perhaps hardly almost nearly"
    " barely still again soon usually mostly normally sometimes".split()
)
_FELT_THINGS = frozenset(
    "pad pads support wedge wedges shim lump bump step edge edges ridge difference pressure change"
    " it them anything much".split()
)
_SHORT = {"cant": "can not", "cannot": "can not", "wont": "will not"} | {
    f"{verb}nt": f"{verb} not"
    for verb in ("do", "does", "did", "is", "was", "were", "has", "have", "had", "could", "would")
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """Words that end a trial.

    Attributes
    ----------
    health : tuple of str
        Pain, numbness, wounds and the like: a clinician's matter.
    mechanical : tuple of str
        Slipping, or a pedal that does not let go: not to be ridden on.
    """

    health: tuple[str, ...] = ()
    mechanical: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Return whether anything was found."""
        return bool(self.health or self.mechanical)


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
        What is changed, as in :class:`insole.planning.trial.Step`; empty for the shoe.
    sign : int
        +1 or -1, in that move's own direction.
    text : str
        What was understood, for the log.
    """

    id: str
    thing: Literal["shoe", "cleat", "pad", "wedge"]
    move: str = ""
    sign: int = 0
    text: str


OBSERVATIONS: tuple[Observation, ...] = (
    Observation(id="toes-tight", thing="shoe", text="the toes or the ball have too little room"),
    Observation(id="heel-lifts", thing="shoe", text="the heel lifts or moves in the shoe"),
    Observation(id="pedal-too-far-forward", thing="cleat", move="cleat", sign=-1,
                text="the pedal is felt too far forward under the foot"),
    Observation(id="pedal-too-far-back", thing="cleat", move="cleat", sign=1,
                text="the pedal is felt too far back under the foot"),
    Observation(id="ball-presses", thing="cleat", move="cleat", sign=-1,
                text="the pedal presses under the ball of the foot"),
    Observation(id="toes-want-out", thing="cleat", move="cleat_yaw", sign=1,
                text="the toes want to point further out"),
    Observation(id="toes-want-in", thing="cleat", move="cleat_yaw", sign=-1,
                text="the toes want to point further in"),
    Observation(id="lump-in-front", thing="pad", move="forward", sign=-1,
                text="a lump at the front end of the pad"),
    Observation(id="lump-behind", thing="pad", move="forward", sign=1,
                text="a lump at the rear end of the pad"),
    Observation(id="lump-medial", thing="pad", move="medial", sign=-1,
                text="the pad presses at its medial edge"),
    Observation(id="lump-lateral", thing="pad", move="medial", sign=1,
                text="the pad presses at its lateral edge"),
    Observation(id="support-too-high", thing="pad", move="support", sign=-1,
                text="the arch support is felt as too much"),
    Observation(id="support-too-low", thing="pad", move="support", sign=1,
                text="the arch support is felt as too little"),
    Observation(id="weight-on-little-toe-side", thing="wedge", move="forefoot", sign=1,
                text="the weight rests on the little-toe side"),
    Observation(id="weight-on-big-toe-side", thing="wedge", move="forefoot", sign=-1,
                text="the weight rests on the big-toe side"),
)  # fmt: skip

_MUCH = (
    r"too (high|much|hard|strong|big|thick|firm)|presse?s|pressing|push(es|ing)?|pressure|lumps?"
    r"|bumps?|ridges?|digs?|digging|poke?s|poking|hard spots?|stones?|intrusive"
)
_LITTLE = (
    r"too (low|little|weak|thin|soft|flat)|not enough|no (arch )?support|unsupported|hollow|empty"
    r"|collaps(e|es|ed|ing)|(more|higher) support|not feel (\w+ ){0,2}(pad|support|anything)"
    r"|(hardly|barely) (feel|touch|notice)|not touch|gap (under|below)|(more|higher) arch"
)
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


def stop_words(text: str) -> Stop:
    """Return the words in `text` that end a trial, as they were written; none if it is empty."""
    health: list[str] = []
    mechanical: list[str] = []
    for clause in _clauses(text):
        tokens = clause.split()
        health += _found(tokens, _HEALTH, typos=True)
        mechanical += _found(tokens, _MECHANICAL)
        plain = " ".join(tokens)
        health += _phrases(plain, _HEALTH_PHRASES)
        mechanical += _phrases(plain, _MECHANICAL_PHRASES)
        health += _unfelt(tokens)
        if re.search(rf"\b({'|'.join(_NEGATORS)}) ({'|'.join(_FILLERS)} )*painless\b", plain):
            health.append("not painless")
    return Stop(health=tuple(dict.fromkeys(health)), mechanical=tuple(dict.fromkeys(mechanical)))


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
    about = _about(clause)
    if about:
        return about
    little = re.search(rf"\b({_LITTLE})\b", clause)
    if little and not _plain_no(clause, little.start()) and where in ("arch", "", "heel", "rear"):
        return "support-too-low" if where == "arch" or "support" in clause else ""
    much = re.search(rf"\b({_MUCH})\b", clause)
    shifted = re.search(r"\btoo far (forward|ahead|back|rear\w*|behind)\b", clause)
    hit = much or shifted
    if hit is None or _plain_no(clause, hit.start()):
        return ""
    return {
        "front": "lump-in-front", "rear": "lump-behind", "medial": "lump-medial",
        "lateral": "lump-lateral", "arch": "support-too-high", "ball": "ball-presses",
        "toes": "toes-tight",
    }.get(where, "")  # fmt: skip


def _about(clause: str) -> str:
    """Return an observation of shoe, cleat or weight, or nothing."""
    rules: tuple[tuple[str, str], ...] = (
        ("heel-lifts", r"heels? (\w+ ){0,2}(lifts?|lifting|moves?|moving|loose|comes? up)"),
        ("toes-tight", r"(tight|narrow|squeez\w*|crush\w*|pinch\w*|no room|rub(s|bing)?)"),
        ("toes-want-out", r"(toes?|foot|feet) (want|need|like)s? (\w+ ){0,3}(out|outward\w*)"
                          r"|heels? (want|need|like)s? (\w+ ){0,3}(in|inward\w*)"),
        ("toes-want-in", r"(toes?|foot|feet) (want|need|like)s? (\w+ ){0,3}(in|inward\w*)"
                         r"|heels? (want|need|like)s? (\w+ ){0,3}(out|outward\w*)"),
        ("pedal-too-far-forward", r"(pedal|cleat|axle)\b.*\btoo far (forward|ahead)|tiptoes?"
                                  r"|on my toes"),
        ("pedal-too-far-back", r"(pedal|cleat|axle)\b.*\b(too far (back|behind)|under the arch)"),
        ("weight-on-little-toe-side",
         r"(weight|load|stand\w*|push\w*|rest\w*|pressure|contact|only)\b.*\b(little toe|small toe|"
         r"outer|outside|lateral) (side|edge|border)|big toe (side )?(\w+ )?(floats?|not touch)"),
        ("weight-on-big-toe-side",
         r"(weight|load|stand\w*|push\w*|rest\w*|pressure|contact|only)\b.*\b(big toe|inner|inside|"
         r"medial) (side|edge|border)|little toe (side )?(\w+ )?(floats?|not touch)"),
    )  # fmt: skip
    if re.search(r"\b(pad|arch|support)\b", clause):
        rules = rules[:2]
    for name, pattern in rules:
        hit = re.search(rf"\b({pattern})", clause)
        if hit and not _plain_no(clause, hit.start()):
            return name
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


def _found(tokens: Sequence[str], pattern: re.Pattern[str], *, typos: bool = False) -> list[str]:
    """Return the stop words among the tokens of a clause that are not plainly negated."""
    hits = [k for k, token in enumerate(tokens) if pattern.fullmatch(token)
            or (typos and _is_typo(token))]  # fmt: skip
    doubtful = any(token in _DOUBT for token in tokens)
    denied = {k for k in hits if _denied(tokens, k)} if not doubtful else set()
    denied |= _listed(tokens, hits, denied)
    return [tokens[k] for k in hits if k not in denied]


def _is_typo(token: str) -> bool:
    return (
        len(token) >= 6
        and token != "turning"
        and bool(difflib.get_close_matches(token, _FULL_WORDS, n=1, cutoff=_TYPO))
    )


def _denied(tokens: Sequence[str], at: int) -> bool:
    """Return whether a negator stands right before the word, fillers apart; or "free" behind."""
    if at + 1 < len(tokens) and tokens[at + 1] == "free":
        return at == 0 or tokens[at - 1] not in _NEGATORS
    k = at - 1
    while k >= 0 and tokens[k] in _FILLERS | _VERBS and at - k < 7:
        k -= 1
    if k < 0 or tokens[k] not in _NEGATORS:
        return False
    if tokens[k] == "no" and _VERBS & set(tokens[k:at]):
        return False
    return k == 0 or tokens[k - 1] not in _NEGATORS


def _listed(tokens: Sequence[str], hits: Sequence[int], denied: set[int]) -> set[int]:
    """Return the words that a negated one carries along: "no pain, numbness or tingling"."""
    more: set[int] = set()
    for start in sorted(denied):
        chain, ended = [], False
        k = start
        for at in (h for h in hits if h > start):
            between = [t for t in tokens[k + 1 : at] if t not in _FILLERS]
            if between not in ([","], ["or"], ["nor"], [",", "or"]):
                break
            chain.append(at)
            ended = between[-1] != ","
            k = at
        if ended:
            more |= set(chain)
    return more


def _phrases(clause: str, pattern: re.Pattern[str]) -> list[str]:
    """Return the phrases in a clause that no negator stands before."""
    doubtful = any(token in _DOUBT for token in clause.split())
    return [
        hit.group()
        for hit in re.finditer(rf"\b(?:{pattern.pattern})\b", clause)
        if doubtful or not _plain_no(clause, hit.start())
    ]


def _unfelt(tokens: Sequence[str]) -> list[str]:
    """Return "not feel" where what is not felt is the foot, or is not said."""
    found = []
    for k in range(1, len(tokens)):
        if tokens[k] not in ("feel", "felt") or tokens[k - 1] not in ("not", "never", "hardly"):
            continue
        rest = [t for t in tokens[k + 1 :] if t not in ("the", "any", "a", "my", "of", "at", "all")]
        if not rest or not (rest[0] in _FELT_THINGS or _HEALTH.fullmatch(rest[0])
                            or any(t in _FELT_THINGS for t in rest[:2])):  # fmt: skip
            found.append(f"{tokens[k - 1]} {tokens[k]}")
    return found
