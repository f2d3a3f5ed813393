"""The questions before parts, and the cautions that every paper carries.

    answers (yes, no, not asked) + a clinician's word -> decide -> what may be made, with notes

Two grades: a *stop* allows no parts until a named clinician's word and its date are recorded;
an *advise* allows parts, with its note always printed. What nobody asked is "not asked", never
"no".
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from footscan import typed
from insole.errors import PlanError, RefusedError
from insole.record.tables import read_toml
from insole.record.values import Note, NoteLevel

__all__ = [
    "AT_A_STOP",
    "CAUTIONS",
    "QUESTIONS",
    "SHORT_CAUTION",
    "WHEN_LOOSE",
    "Question",
    "as_toml",
    "dated",
    "decide",
    "named_and_dated",
    "of_whom",
    "read",
    "refuse_ahead",
    "refuse_others",
    "stops_in",
]

ANSWERS = ("yes", "no", "not asked")


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question to the rider: stable id, grade, our wording."""

    id: str
    grade: Literal["stop", "advise"]
    text: str


def _stop(name: str, text: str) -> Question:
    return Question(id=name, grade="stop", text=text)


QUESTIONS: tuple[Question, ...] = (
    _stop("diabetes", "Do you have diabetes, whether or not you feel everything in your feet?"),
    _stop("loss_of_feeling", "Is there any place on your feet where you feel less or nothing?"),
    _stop("poor_circulation", "Have you been told that the blood flow to your feet is poor?"),
    _stop("cold_pale_foot", "Is one foot cold and pale at the moment?"),
    _stop("wound", "Is there a wound, a sore or an ulcer on either foot?"),
    _stop("hot_swollen_foot", "Is either foot hot, swollen or red?"),
    _stop("calf_swelling", "Is one calf swollen?"),
    _stop("cannot_bear_weight", "Is there a foot that you cannot put your full weight on?"),
    _stop("night_pain", "Do your feet hurt at night or while you rest?"),
    _stop(
        "lasting_numbness",
        "Are your feet numb off the bike, or still numb half an hour after a ride?",
    ),
    _stop("recent_injury", "Have you had an injury or an operation of foot or leg lately?"),
    _stop("inflammatory_disease", "Do you have an inflammatory joint disease that is active?"),
    _stop("growing_foot", "Is the rider a child, or are the feet still growing?"),
    _stop("leg_length", "Is a difference in leg length being treated?"),
    _stop("prescribed_insoles", "Do you wear insoles that were prescribed?"),
    Question(
        id="riding_pain",
        grade="advise",
        text="Do your feet hurt, burn or go numb while you ride, and only then?",
    ),
)

SHORT_CAUTION = "A fitting aid, not a diagnosis; foot pain calls for clinical advice."

AT_A_STOP = "take the parts out: back to the set-up as ridden before any part"
WHEN_LOOSE = "do not ride on, check closure, bolts, float and release on a stand"

CAUTIONS: tuple[str, ...] = (
    "This is a fitting aid: it measures and makes parts, it does not diagnose or treat.",
    "Foot pain calls for clinical advice.",
    "No gain in power and no protection from injury is claimed; a review of studies found "
    "neither shown (Yeo & Bonanno 2014).",
    "Insoles made to a prescription can be regulated medical devices (EU 2017/745 Art. 2(3); "
    "21 CFR 890.3475): follow local rules and licensed practice.",
    "Grinding and cutting foam makes dust and fumes: extract them and wear a mask; never put "
    "chlorinated foam under a laser.",
    "A part under the shoe carries the rider: check bolt length and torque, and test the "
    "release on a stand before riding.",
    f"First ride easy, short and near home; at new pain, numbness, tingling or cramp stop and "
    f"{AT_A_STOP}.",
)

_SAME_DAY = "this needs care on the same day"
_PAIN_ADVICE = (
    "foot pain calls for clinical advice; check shoe width, closure tension and cleat first, and "
    "refer if it is not clearly better after 3 trials or 4 weeks"
)


def stops_in(answers: Mapping[str, str]) -> list[str]:
    """Return the questions whose yes stops, and that were answered so, in their order."""
    return [q.id for q in QUESTIONS if q.grade == "stop" and _plain(answers.get(q.id, "")) == "yes"]


def decide(
    answers: Mapping[str, str], clinician: str = ""
) -> tuple[dict[str, str], tuple[Note, ...]]:
    """Return every question's answer, and the notes to print.

    Parameters
    ----------
    answers : mapping of str to str
        ``yes``, ``no`` or ``not asked`` by question id; a missing id is ``not asked``.
    clinician : str
        Name and date of a clinician's word, ``"NAME, YYYY-MM-DD"``, or empty.

    Returns
    -------
    (dict of str to str, tuple of Note)
        All ids, in the order of the questions.

    Raises
    ------
    insole.errors.PlanError
        An id or an answer that does not exist; lists the valid ones.
    insole.errors.RefusedError
        A stop question was answered yes and no clinician's name and date are given.
    """
    known = {q.id: q for q in QUESTIONS}
    if wrong := typed.fault(clinician):
        raise PlanError(f"the clinician's word {wrong}; type it as one short plain line")
    for name, answer in answers.items():
        _check(name, answer, known)
    full = {q.id: _plain(answers.get(q.id, "not asked")) for q in QUESTIONS}
    stops = stops_in(full)
    urgent = _same_day(full)
    named = named_and_dated(clinician)
    if stops and not named:
        raise RefusedError(_refusal(stops, urgent, clinician))
    notes = [_warn("same-day-care", text) for text in urgent]
    if stops:
        text = f"answered yes: {_listed(stops)}; parts on the word of {clinician.strip()}"
        notes.append(_warn("stop-cleared", text))
    if full["riding_pain"] == "yes":
        notes.append(_warn("riding-pain", f"pain or numbness while riding: {_PAIN_ADVICE}"))
    open_ones = [q.id for q in QUESTIONS if full[q.id] == "not asked"]
    if open_ones:
        text = f"not asked: {_listed(open_ones)}; ask before parts are worn"
        notes.append(_warn("not-asked", text))
    return full, tuple(notes)


def read(path: str | Path) -> tuple[dict[str, str], str]:
    """Return answers and the clinician's word from a small TOML file.

    The file holds ``case`` and ``date`` (see :func:`of_whom`), ``clinician = "NAME,
    YYYY-MM-DD"`` (all of them may be left out) and a table ``[answers]`` with question ids; values
    are "yes", "no", "not asked", or true and false.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, or holds something else.
    """
    path = Path(path)
    data = read_toml(path, "answers")
    for key in data:
        if key not in ("case", "date", "clinician", "answers"):
            raise PlanError(
                f"{path.name}: {key} is not a key of an answers file; it holds case, date, "
                "clinician and a table [answers]"
            )
    clinician, table = data.get("clinician", ""), data.get("answers", {})
    if not isinstance(clinician, str):
        raise PlanError(f'{path.name}: clinician must be a text such as "NAME, 2026-05-31"')
    if not isinstance(table, dict):
        raise PlanError(f"{path.name}: answers must be a table, [answers]")
    known = {q.id: q for q in QUESTIONS}
    answers = {}
    for name, value in table.items():
        answer = ("yes" if value else "no") if isinstance(value, bool) else value
        try:
            _check(name, answer, known)
        except PlanError as error:
            raise PlanError(f"{path.name}: {error}") from None
        answers[name] = _plain(str(answer))
    return answers, clinician.strip()


def of_whom(path: str | Path) -> tuple[str, str]:
    """Return the case and the day, YYYY-MM-DD, that an answers file names; empty in older ones.

    Raises
    ------
    insole.errors.PlanError
        The file cannot be read, or one of both is no such text.
    """
    path = Path(path)
    data = read_toml(path, "answers")
    case, day = data.get("case", ""), data.get("date", "")
    day = day.isoformat() if isinstance(day, date) else day
    if not isinstance(case, str) or typed.fault(case):
        raise PlanError(f"{path.name}: case must be a pseudonym as one short plain line")
    if not isinstance(day, str) or (day and not _is_day(day)):
        raise PlanError(f"{path.name}: date must be a day, YYYY-MM-DD")
    return case.strip(), day


def refuse_others(path: str | Path, case: str) -> None:
    """Refuse an answers file that names another case than `case`; one that names none passes.

    Raises
    ------
    insole.errors.RefusedError
        The answers are another rider's.
    """
    named, day = of_whom(path)
    if named and named != case:
        when = f", asked on {day}" if day else ""
        raise RefusedError(
            f"{Path(path).name} holds the answers of {named!r}{when}, and the plan is of {case!r}: "
            "give that rider's own file, or ask the questions of this one"
        ).asking("case", "answers")


def as_toml(
    answers: Mapping[str, str], clinician: str = "", *, case: str = "", day: str = ""
) -> str:
    """Return the text of an answers file, which :func:`read` reads back; unasked ones are noted.

    Raises
    ------
    insole.errors.PlanError
        An id or an answer that does not exist.
    """
    known = {q.id: q for q in QUESTIONS}
    for name, answer in answers.items():
        _check(name, answer, known)
    rows = ["# Answers to the questions before parts; what is missing here was not asked.", ""]
    named = {"case": case.strip(), "date": day.strip()}
    rows += [
        f"{key} = {json.dumps(text, ensure_ascii=False)}" for key, text in named.items() if text
    ]
    if clinician.strip():
        rows += [f"clinician = {json.dumps(clinician.strip(), ensure_ascii=False)}", ""]
    rows.append("[answers]")
    for question in QUESTIONS:
        answer = _plain(answers.get(question.id, "not asked"))
        rows += [f"# {question.text}", f'{question.id} = "{answer}"']
    return "\n".join(rows) + "\n"


def _check(name: str, answer: object, known: Mapping[str, Question]) -> None:
    if name not in known:
        near = difflib.get_close_matches(str(name), list(known), n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise PlanError(
            f"there is no question called {str(name)[:40]!r}; {hint}the questions are "
            f"{', '.join(known)}"
        )
    if not isinstance(answer, str) or _plain(answer) not in ANSWERS:
        raise PlanError(
            f"the answer to {name} is {str(answer)[:40]!r}, but must be one of {', '.join(ANSWERS)}"
        )


def _plain(answer: str) -> str:
    plain = " ".join(answer.lower().split())
    return {"y": "yes", "n": "no"}.get(plain, plain)


def named_and_dated(clinician: str) -> bool:
    """Return whether a clinician's word holds a name and a real date, YYYY-MM-DD."""
    found = re.search(r"\b\d{4}-\d{2}-\d{2}\b", clinician)
    if not found or not _is_day(found.group()):
        return False
    name = clinician.replace(found.group(), "")
    return len(re.findall(r"[^\W\d_]", name)) >= 2


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def dated(clinician: str) -> str:
    """Return the date in a clinician's word, YYYY-MM-DD; nothing when it has none."""
    found = re.search(r"\b\d{4}-\d{2}-\d{2}\b", clinician)
    return found.group() if found and named_and_dated(clinician) else ""


def refuse_ahead(day: str, today: date, what: str) -> None:
    """Refuse a day that lies ahead of today.

    Parameters
    ----------
    day : str
        YYYY-MM-DD; anything else passes, other checks speak of it.
    today : date
        Where the program runs.
    what : str
        Of what the day is: "the ride", "the clinician's word".

    Raises
    ------
    insole.errors.PlanError
        The day lies in the future.
    """
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) and day > today.isoformat():
        raise PlanError(
            f"{day!r} lies in the future, today is {today.isoformat()}; give the day of {what}"
        )


def _same_day(full: Mapping[str, str]) -> list[str]:
    """Return a sentence for each combination that cannot wait."""
    urgent = []
    if full["hot_swollen_foot"] == "yes" and full["loss_of_feeling"] == "yes":
        urgent.append(f"a hot, swollen or red foot with loss of feeling: {_SAME_DAY}")
    if full["cold_pale_foot"] == "yes":
        urgent.append(f"a cold, pale foot: {_SAME_DAY}")
    return urgent


def _refusal(stops: list[str], urgent: list[str], clinician: str) -> str:
    """Return the one sentence that refuses parts."""
    lead = "; ".join(urgent) + "; " if urgent else ""
    given = f" ({clinician.strip()!r} does not hold both)" if clinician.strip() else ""
    return (
        f"{lead}no parts can be made: answered yes to {_listed(stops)}; ask a clinician and "
        f"record name and date as 'NAME, YYYY-MM-DD'{given}"
    )


def _listed(ids: list[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in ids)


def _warn(code: str, text: str) -> Note:
    return Note(code=code, level=NoteLevel.WARN, text=text)
