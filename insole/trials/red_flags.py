"""Red flags of a trial: six short questions, and what free text may add to their answers.

    answers (yes, no, not asked) + the rider's words + better/same/worse -> stops -> Stop

The questions decide. A flag answered yes stops, whatever else was said; a flag that was not
asked is "not asked" and never "no", and no step follows from that trial. Free text can only *add*
a stop: no word in it takes an answered one away.

A word of danger in the text stops unless the clause that it stands in is one of a few plain forms
(nothing there: "no pain, numbness or tingling", "rode three hours without pain"; over: "pain
gone", "toes no longer numb"), *all* words of the clause are known, nothing in the text turns it
round ("until", "at first", "came back"), the question about it was not answered yes (while it is
not asked, no step follows anyway) and, for what is over, the ride was better. A negation anywhere
else, two of them, or a word that the forms do not know leave the stop as it is: when in doubt,
stop. English, with some words of other languages.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from insole.errors import PlanError
from insole.trials.plain_words import is_plain

__all__ = [
    "ANSWERS",
    "FLAGS",
    "Flag",
    "Stop",
    "asked",
    "not_asked",
    "speaks_of_danger",
    "stops",
    "unread",
]

ANSWERS = ("yes", "no")
_SHORT = {"y": "yes", "n": "no"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One short question after a ride; `health`: a yes is a clinician's matter."""

    id: str
    text: str
    health: bool


FLAGS: tuple[Flag, ...] = (
    Flag(
        id="pain",
        health=True,
        text="Any pain, burning, soreness or blister, in foot, knee, hip or back?",
    ),
    Flag(id="numbness", health=True, text="Any numbness, or a place where less was felt?"),
    Flag(id="tingling", health=True, text="Any tingling, or pins and needles?"),
    Flag(id="cramp", health=True, text="Any cramp, in foot or leg?"),
    Flag(id="slipping", health=False, text="Did foot, heel or cleat slip, or come loose?"),
    Flag(
        id="stuck",
        health=False,
        text="Was there a time when the shoe could not be released from the pedal at once?",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """What ends a trial.

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


def asked(answers: Mapping[str, str]) -> dict[str, str]:
    """Return the answered flags in the order of the questions, checked.

    Raises
    ------
    insole.errors.PlanError
        A flag or an answer that does not exist; lists the valid ones.
    """
    known = {flag.id for flag in FLAGS}
    answers = {name: _SHORT.get(answer, answer) for name, answer in answers.items()}
    for name, answer in answers.items():
        if name not in known:
            near = difflib.get_close_matches(name, sorted(known), n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            if name == "release":
                hint = "say stuck=yes when the shoe could not be released, stuck=no when it could; "
            raise PlanError(
                f"there is no red flag {name!r}; {hint}the flags are "
                f"{', '.join(flag.id for flag in FLAGS)}"
            )
        if answer not in ANSWERS:
            raise PlanError(
                f"the red flag {name} was answered {answer!r}; answer yes or no, or leave it out "
                "when it was not asked"
            )
    return {flag.id: answers[flag.id] for flag in FLAGS if flag.id in answers}


def not_asked(answers: Mapping[str, str]) -> list[str]:
    """Return the flags without an answer."""
    return [flag.id for flag in FLAGS if flag.id not in answers]


def stops(text: str, answers: Mapping[str, str], *, better: bool = False) -> Stop:
    """Return what ends the trial: flags answered yes, and what the text adds to them.

    Parameters
    ----------
    text : str
        The rider's words; may be empty.
    answers : mapping of str to str
        ``yes`` or ``no`` by flag; what is missing was not asked.
    better : bool
        The ride was better than before: only then can a complaint be over.
    """
    health = [f"{flag.id}: yes" for flag in FLAGS if flag.health and answers.get(flag.id) == "yes"]
    mechanical = [
        f"{flag.id}: yes" for flag in FLAGS if not flag.health and answers.get(flag.id) == "yes"
    ]
    plain = _plain(text)
    turned = bool(re.search(rf"\b(?:{_TURNED})\b", plain))
    for clause in _clauses(plain):
        dangers = _dangers(clause)
        if not dangers:
            continue
        form = "" if turned else _form(clause, dangers)
        for danger in dangers:
            # A flag left unasked gives no step anyway; a form of absence is then no stop either.
            denied = answers.get(danger.flag) != "yes"
            if (form == "absent" and denied) or (form == "over" and denied and better):
                continue
            is_health = next(flag.health for flag in FLAGS if flag.id == danger.flag)
            (health if is_health else mechanical).append(clause[danger.start : danger.stop])
    return Stop(health=tuple(dict.fromkeys(health)), mechanical=tuple(dict.fromkeys(mechanical)))


def speaks_of_danger(text: str) -> bool:
    """Return whether a text holds a word of danger, let by or not."""
    return any(_dangers(clause) for clause in _clauses(_plain(text)))


def unread(text: str) -> list[str]:
    """Return the words of a text that are neither danger nor plain words of comfort.

    What they mean is open: words that are not read give no step.
    """
    found = []
    for clause in _clauses(_plain(text)):
        rest = clause
        for danger in reversed(_dangers(clause)):
            rest = rest[: danger.start] + " " + rest[danger.stop :]
        found += [word for word in re.findall(r"[a-z]+", rest) if not is_plain(word)]
    return list(dict.fromkeys(found))


# ---- words of danger ---------------------------------------------------------------------


@cache
def _words() -> dict[str, dict[str, list[str]]]:
    file = Path(__file__).with_name("danger.toml")
    words: dict[str, dict[str, list[str]]] = tomllib.loads(file.read_text(encoding="utf-8"))
    return words


def _one_of(words: list[str]) -> re.Pattern[str]:
    """Return a pattern for any of the words, with the parts that they name put in."""
    pattern = "|".join(words)
    for name, part in _words()["parts"].items():
        pattern = pattern.replace(f"<{name}>", f"(?:{'|'.join(part)})")
    return re.compile(rf"(?<![a-z])(?:{pattern})(?![a-z])")


@cache
def _lexicon() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Return each question with the pattern of its words; compiled when first asked for."""
    return tuple((flag.id, _one_of(_words()["danger"][flag.id])) for flag in FLAGS)


@cache
def _joint() -> re.Pattern[str]:
    return _one_of(_words()["parts"]["JOINT"])


_WRITTEN = {  # words as they should be written, for those that miss a letter
    "pain": (
        "painful",
        "hurts",
        "hurting",
        "burning",
        "blister",
        "blisters",
        "swelling",
        "swollen",
        "bleeding",
        "soreness",
        "infection",
        "stabbing",
        "throbbing",
        "aching",
        "bruised",
    ),
    "numbness": ("numbness", "numbed", "asleep"),
    "tingling": ("tingling", "tingle", "tingles", "tingly", "prickling", "prickles"),
    "cramp": ("cramps", "cramping", "spasms"),
    "slipping": ("slipping", "slipped", "sliding"),
}
_OTHER_WORDS = frozenset(
    "turning burying clipping clipped flipping flipped shipping shipped sipping tipping tipped"
    " gripping gripped skipping skipped snipping ripping ripped whipping dripping tripping tripped"
    " zipping zipped slapping slipper slippers hunts huts hurls clamps crimps ramps tramps stamps"
    " camping clamping cramped cruised tingled single singly tinkle jingle mingle acting baking"
    " making taking caching reaching smelling spelling dwelling telling selling swilling spilling"
    " breeding feeding pleading siding sliding gliding guiding riding hiding scabbing robbing"
    " running yawning learning earning morning warning numbers number sleep sleeping".split()
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Danger:
    """Where a word of danger stands in a clause, and which question asks about it."""

    flag: str
    start: int
    stop: int


_OF_HEALTH = frozenset(flag.id for flag in FLAGS if flag.health)


def _dangers(clause: str) -> list[_Danger]:
    """Return the words of danger in a clause in their order, overlapping ones as one."""
    found = [
        _Danger(flag=flag, start=hit.start(), stop=hit.end())
        for flag, pattern in _lexicon()
        for hit in pattern.finditer(clause)
    ]
    for hit in re.finditer(r"[a-z]+", clause):
        if not any(d.start <= hit.start() < d.stop for d in found) and (flag := _misspelt(hit[0])):
            found.append(_Danger(flag=flag, start=hit.start(), stop=hit.end()))
    joint = _joint().search(clause)
    if joint and not found and not all(map(is_plain, re.findall(r"[a-z]+", clause))):
        found.append(_Danger(flag="pain", start=joint.start(), stop=joint.end()))
    merged: list[_Danger] = []
    for one in sorted(found, key=lambda d: (d.start, -d.stop)):
        if merged and one.start < merged[-1].stop:
            last = merged.pop()
            stop = max(last.stop, one.stop)
            # pain in what is told of a shoe that slips or holds fast stays pain
            flag = last.flag if last.flag in _OF_HEALTH else one.flag
            merged.append(_Danger(flag=flag, start=last.start, stop=stop))
        else:
            merged.append(one)
    return merged


def _misspelt(token: str) -> str:
    """Return the flag of a word that is one slip of the fingers away, or nothing."""
    if len(token) < 5 or token in _OTHER_WORDS:
        return ""
    for flag, words in _WRITTEN.items():
        if any(_one_slip(token, word) for word in words):
            return flag
    return ""


def _one_slip(a: str, b: str) -> bool:
    """Return whether one letter more, less, other or changed with its neighbour parts two words."""
    if abs(len(a) - len(b)) > 1:
        return False
    k = 0
    while k < min(len(a), len(b)) and a[k] == b[k]:
        k += 1
    if len(a) == len(b):
        swapped = a[k : k + 2] == b[k : k + 2][::-1] and a[k + 2 :] == b[k + 2 :]
        return swapped or a[k + 1 :] == b[k + 1 :]
    longer, shorter = (a, b) if len(a) > len(b) else (b, a)
    return longer[k + 1 :] == shorter[k:]


# ---- the few forms that say that nothing is there -----------------------------------------

_TURNED = (
    r"until|till|unless|except|apart from|again|later|afterwards|came back|comes? back|returned"
    r"|started|starts|then|at first|initially|in the beginning|yeah right|as if|as long as"
    r"|not true|joking|kidding|wish\w*|hop(?:e|ed|ing)|almost|nearly|hardly|barely|scarcely|yet"
    r"|only (?:while|when|if|on|at|in|for|after)|(?:while|when) (?:i )?(?:sit|seat|stand|rest)\w*"
    r"|yes|yesterday|had there|and back|(?:is|are|was) back|it does(?! not)|there was$"
    r"|still|sometimes|mostly|usually|normally|not sure|i guess|lying"
)
_BODY = (
    r"(?:foot|feet|toes?|heels?|arch(?:es)?|balls?|knees?|hips?|back|legs?|ankles?|cal(?:f|ves)"
    r"|soles?|forefoot|shoes?|cleats?|pedals?)"
)
_LEAD = (
    r"(?:everything|everybody|i|we|he|she|it|rider|there|this|that|the|my|his|her|had|have|has|was|were|is|are|been|be"
    r"|felt|feels?|rode|rides?|riding|got|and|all|good|great|fine|comfortable|better|now|today|so"
    r"|really|very|totally|completely|absolutely|finally|both|with|hours?|whole|entire|week|weekend"
    r"|days?|km|two|three|four|five|six|much|happy|does|do|did|arch|support|pad|perfect|super"
    rf"|lovely|nice|ok|okay|long|time|did|usual|loops?|laps?|commute|{_BODY}|,)"
)
_FILL = rf"(?:any|a|an|of|the|my|his|her|our|kind|sort|signs?|trace|hint|in|either|{_BODY})"
_FILL_VERB = (
    r"(?:have|had|has|having|feel|felt|get|got|be|been|go|went|goes|is|was|were|are|notice)"
)
_TAIL = (
    rf"(?:at all|anywhere|today|now|whatsoever|this time"
    rf"|(?:on|during) (?:the|this|any|that) (?:long )?rides?"
    rf"|(?:all|this|last) (?:week|month|day|ride)|the (?:whole|entire) (?:ride|time|way|day|week)"
    rf"|(?:in|at|under) (?:my|the|his|her|either|both) {_BODY})"
)
_ANYMORE = r"(?:any ?more|any longer|no more|no longer)"
_REST = (
    r"(?:(?!\b(?:D|not?|never|for|when|while|as|at|on|in|sitting|seated|standing|first|least|after"
    r"|before|during|minutes?|hours?|if|only|far|kind|sort|exactly|more|less|worse|really|well"
    r"|without|sprint\w*|climb\w*|flat|went|now there|there (?:is|was|are|were))\b).)*"
)
_MORE = rf"(?: (?:,|and) {_REST})?"
_NEG = (
    rf"(?:(?:no|zero|without|neither|none of|free of)(?: {_FILL})*"
    rf"|not (?:a|one) (?:peep|squeak|murmur|word|complaint) (?:from|out of)(?: {_FILL})*"
    rf"|(?:not|never)(?: (?:{_FILL}|{_FILL_VERB}))*|nothing(?: {_FILL_VERB})*(?: (?:to|that))?)"
)
_NO_MORE = r"(?:no (?:drama|fuss|bother)|nothing(?: like that| of the (?:kind|sort))?)"
_ABSENT = (
    rf"(?:{_LEAD} )*?(?:{_NEG} D(?: {_BODY})?"
    rf"(?:(?: ,(?: {_FILL})* D)*(?: ,)? (?:or|nor)(?: {_FILL})* D)?"
    rf"(?:(?: ,| and| or| nor| , and)? {_NEG} D)*(?:(?: ,| and| , and)? {_NO_MORE})*"
    rf"|D free(?: (?:rides?|{_BODY}))?)(?: {_TAIL})*{_MORE}"
)
_OVER = (
    rf"(?:{_LEAD} )*?(?:"
    rf"D(?: and D)?(?: (?:in|at|under) (?:my|the|his|her) {_BODY})?"
    r"(?: (?:i|that i) had(?: before)?)?(?: (?:has|have|had|is|are|was|were))?"
    r"(?: (?:all|now|completely|totally|finally|also))*"
    r" (?:gone|disappeared|vanished|went|history)"
    r"(?: (?:away|completely|now|totally|at last|for good|altogether))*"
    rf"|(?:no more|no longer|not longer)(?: {_FILL})* D(?: {_BODY})?(?: {_TAIL})*"
    rf"|{_NEG} D {_ANYMORE}(?: {_TAIL})*"
    rf"){_MORE}"
)


def _form(clause: str, dangers: list[_Danger]) -> str:
    """Return ``absent`` or ``over`` where the whole clause plainly says so, else nothing."""
    parts, at = [], 0
    for danger in dangers:
        parts += [clause[at : danger.start], "D"]
        at = danger.stop
    text = " ".join("".join([*parts, clause[at:]]).split())
    text = re.sub(r"^(?:,|and) |(?: ,| and)+$", "", text)
    if re.fullmatch(_OVER, text):
        return "over"
    return "absent" if re.fullmatch(_ABSENT, text) else ""


def _plain(text: str) -> str:
    """Return plain lower-case words; marks that end a clause as `.`, commas as words."""
    text = unicodedata.normalize("NFKD", text).lower().replace("’", "'").replace("´", "'")
    text = "".join(mark for mark in text if not unicodedata.combining(mark))
    text = re.sub(r"([a-z])\1{2,}", r"\1", text)
    text = re.sub(r"\bcan'?t\b|\bcannot\b", "can not", text)
    text = re.sub(r"\bwon'?t\b", "will not", text)
    text = re.sub(
        r"\b(do|does|did|is|was|were|has|have|had|could|would|should|are)n'?t\b", r"\1 not", text
    )
    text = re.sub(r"'(?:s|m|re|ve|d|ll)\b", " ", text)
    text = re.sub(r"(?<=\w)-(?=\w)", " ", text)
    text = re.sub(r"[.;:!?\n()/–—]+| - ", " . ", text)
    text = re.sub(r"[^a-z,. ]+", " ", text).replace(",", " , ")
    return " ".join(text.split())


def _clauses(plain: str) -> list[str]:
    """Return the clauses of plain text."""
    parts = re.split(r"\.|\bbut\b|\bhowever\b|\bthough\b|\balthough\b", plain)
    return [part.strip() for part in parts if part.strip(" ,")]
