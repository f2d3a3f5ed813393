"""A trial: what the rider said of one plan, and the one step that follows from it.

    Plan + what was said + earlier trials -> judge -> Trial (with a Step, or why there is none)

Rules
    one step      on one thing, never two; a step keeps every other wish as it was
    order         shoe fit, cleat, arch pad, wedge: of several complaints the first one counts
    answered      nothing is proposed while an earlier plan's trial has no answer
    no gain       after three steps without a clear gain: back to the baseline as ridden
    red flags     six short questions after every ride; one that was not asked gives no step, a yes
                  stops: pain, numbness or a wound is a clinician's matter, and the next step waits
                  for a clinician's word. Free text can add a stop and never takes one away
    not read      words that are neither comfort nor danger give no step by themselves, and after a
                  worse ride they stop
    corrections   a later entry stands in the place of an earlier one; nothing is rewritten
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import Any, Literal

from pydantic import Field

from footscan import typed
from insole.errors import PlanError, RefusedError
from insole.record.limits import Limits
from insole.record.plan import Plan, fingerprint
from insole.record.questions import named_and_dated
from insole.trials.red_flags import FLAGS, Stop, asked, not_asked, stops, unread
from insole.trials.set_up import changes, set_up
from insole.trials.steps import Record, Sides, Step, move
from insole.trials.words import (
    OBSERVATIONS,
    PICKS,
    PLACES,
    SLIPS,
    THINGS,
    Observation,
    observed,
    picked,
)

__all__ = ["Said", "Step", "Trial", "in_force", "judge", "understood_words"]

LONGEST = 2000  # letters of free text: what is longer is not a sentence of a rider
REVIEW = "keep this plan and review it after 3 to 5 rides or 2 weeks"
FIRST_RIDE = "first ride at most 1 h, easy and near home"

Answer = Literal["better", "same", "worse"]


class Trial(Record):
    """What the rider said of one plan on one day; without an answer the trial is still open."""

    number: int
    case: str
    plan: int = Field(description="version of the plan")
    fingerprint: str
    date: str = Field(description="as typed, YYYY-MM-DD")
    side: Sides = "both"
    said: str = ""
    place: str = ""
    answer: Answer | None = None
    understood: list[str] = Field(default=[], description="observations, in words")
    stopped: list[str] = Field(default=[], description="stop words found")
    health: bool = Field(default=False, description="a stop word of pain, numbness or a wound")
    clinician: str = ""
    set_up: dict[str, dict[str, Any]] = Field(description="what each foot was set up with")
    step: Step | None = None
    words: list[str] = Field(default=[], description="sentences for the fitter")
    flags: dict[str, str] = Field(
        default={}, description="red flags asked: yes or no; the others were not asked"
    )
    felt: list[str] = Field(default=[], description="picked from the list")
    corrects: int | None = Field(default=None, description="the trial that this one stands for")
    because: str = Field(default="", description="what was wrong with that one")


class Said(Record):
    """What is logged: picks, the rider's words, red flags, side, answer and the date as typed."""

    text: str = ""
    side: Sides = "both"
    place: str = ""
    answer: Answer | None = None
    date: str
    clinician: str = ""
    flags: dict[str, str] = Field(default={})
    felt: list[str] = Field(default=[])
    corrects: int | None = None
    because: str = ""


def in_force(log: Sequence[Trial]) -> list[Trial]:
    """Return the trials that hold, in their order: a corrected one gives way to its correction."""
    standing: dict[int, Trial] = {}
    place: dict[int, int] = {}
    for one in log:
        at = one.number if one.corrects is None else place.get(one.corrects, one.corrects)
        place[one.number] = at
        standing[at] = one
    return [standing[at] for at in sorted(standing)]


def judge(plan: Plan, said: Said, earlier: Sequence[Trial], *, limits: Limits) -> Trial:
    """Return the trial to log, with the one step that follows from it.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    said : Said
        Without an answer the trial is opened, to be answered after the ride.
    earlier : sequence of Trial
        The log so far, oldest first.
    limits : Limits
        Step sizes and limits.

    Raises
    ------
    PlanError
        Date, place, side or text cannot be used, or the log is another case's.
    RefusedError
        An earlier plan's trial has not been answered yet.
    """
    log = list(earlier)
    said = _cleaned(said)
    earlier, later = _around(said, log)
    _check(plan, said, earlier, log)
    _refuse_unanswered(plan, earlier)
    flags = asked(said.flags)
    picks = [picked(pick) for pick in said.felt]
    slips = any(" ".join(pick.lower().split()) == SLIPS for pick in said.felt)
    stop = stops(
        said.text, flags | ({"slipping": "yes"} if slips else {}), better=said.answer == "better"
    )
    found = _united(picks, observed(said.text, said.place))
    base: dict[str, Any] = {
        "number": len(log) + 1,
        "case": plan.case,
        "plan": plan.version,
        "fingerprint": fingerprint(plan),
        "date": said.date,
        "side": said.side,
        "said": said.text.strip(),
        "place": said.place,
        "answer": said.answer,
        "understood": [o.text for o in found],
        "clinician": said.clinician.strip(),
        "set_up": {foot.side: set_up(foot) for foot in plan.feet},
        "flags": flags,
        "felt": [pick.strip() for pick in said.felt],
        "corrects": said.corrects,
        "because": said.because.strip(),
    }
    if stop:
        return Trial(
            **base,
            stopped=[*stop.health, *stop.mechanical],
            health=bool(stop.health),
            words=_stop_sentences(stop, said, plan, earlier),
        )
    lifted = _lifted(said, log)
    if waiting := _waiting(said, [*earlier, *later]):  # a later stop stands whatever is corrected
        return Trial(**base, stopped=[waiting[0]], words=[waiting[1], *lifted])
    if said.answer is None:
        words = [
            f"plan {plan.version} is on trial: {FIRST_RIDE}; answer it with --felt or --said, "
            "the red flags, and --better, --same or --worse"
        ]
        return Trial(**base, words=words + lifted)
    if later:
        words = [
            f"trial {said.corrects} is corrected; trial {later[-1].number} has followed, so "
            "the next step comes from that one"
        ]
        return Trial(**base, words=words + lifted)
    if open_ones := not_asked(flags):
        return Trial(**base, words=[_not_asked_words(open_ones, len(log) + 1)])
    strange = unread(said.text)
    if strange and not picks and said.answer == "worse":
        stopped = [f"not read: {_quoted(strange)}"]
        return Trial(
            **base,
            stopped=stopped,
            words=[
                f"stop: {stopped[0]}; the ride was worse, and "
                "it may be a picture of pain: ask what is meant before anything is changed or "
                f"ridden on, and log it again with --corrects {len(log) + 1}"
            ],
        )
    if strange and not picks:
        return Trial(**base, words=[_unread_words(strange, len(log) + 1)])
    step, words = _next(plan, said, found, earlier, limits)
    if strange:
        words.append(f"not read in the free text: {_quoted(strange)}; read it again yourself")
    return Trial(**base, step=step, words=words + lifted)


def _cleaned(said: Said) -> Said:
    """Return what is logged as clean lines."""
    try:
        return said.model_copy(
            update={
                "text": typed.words(said.text, "what was said", LONGEST),
                "clinician": typed.line(said.clinician, "the clinician's word"),
                "because": typed.words(said.because, "what was wrong with the trial"),
                "felt": [typed.line(pick, "a pick of --felt") for pick in said.felt],
            }
        )
    except ValueError as error:
        raise PlanError(str(error)) from None


def _lifted(said: Said, log: Sequence[Trial]) -> list[str]:
    """Return a sentence when a correction takes a stop out of force."""
    was = next((t for t in log if t.number == said.corrects), None)
    if was is None or not was.stopped:
        return []
    return [
        f"this lifts the stop of trial {was.number} ({_quoted(was.stopped)}), because "
        f"'{said.because.strip()}': only if that was a slip of the pen; else log the stop again"
    ]


def _around(said: Said, log: Sequence[Trial]) -> tuple[list[Trial], list[Trial]]:
    """Return the trials that hold before and after the entry; after it only for a correction."""
    if said.corrects is None:
        return in_force(log), []
    if not 1 <= said.corrects <= len(log):
        raise PlanError(
            f"there is no trial {said.corrects} to correct; the log holds {len(log)} of them"
        )
    if not said.because.strip():
        raise PlanError(
            f'say what was wrong with trial {said.corrects}: --because "typed for the other rider"'
        )
    holding = in_force(log)
    at = next((k for k, one in enumerate(holding) if one.number == said.corrects), None)
    if at is None:
        raise PlanError(
            f"trial {said.corrects} was corrected already; correct the entry that stands for it"
        )
    return holding[:at], holding[at + 1 :]


def _united(*sources: Sequence[Observation]) -> list[Observation]:
    """Return the observations of all sources once each, what was picked first."""
    found: dict[tuple[str, float | None], Observation] = {}
    for one in (one for source in sources for one in source):
        found.setdefault((one.id + ("" if one.by is None else one.move), one.by), one)
    return list(found.values())


def _not_asked_words(open_ones: Sequence[str], number: int) -> str:
    return (
        f"not asked: {', '.join(open_ones)}; no step is given before the red flags are asked: log "
        f'it again with --corrects {number} --because "flags asked" and --no-red-flags, or '
        "--flag NAME=yes or no for each"
    )


def _unread_words(strange: Sequence[str], number: int) -> str:
    return (
        f"not read: {_quoted(strange)}; it may be a picture of pain, so no step is given: ask what "
        f'is meant, and log it again with --corrects {number} --because "asked" and --felt from '
        "the list (solewright trial --words)"
    )


# ---- checks ------------------------------------------------------------------------------


def _check(plan: Plan, said: Said, earlier: Sequence[Trial], log: Sequence[Trial]) -> None:
    if said.because.strip() and said.corrects is None:
        raise PlanError("--because says what was wrong with an earlier trial; add --corrects N")
    corrected = next((t for t in log if t.number == said.corrects), None)
    if corrected is not None and (corrected.case, corrected.plan) != (plan.case, plan.version):
        raise PlanError(
            f"trial {corrected.number} is of plan {corrected.plan} of {corrected.case!r}; correct "
            "it with that plan"
        )
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", said.date) or not _is_date(said.date):
        raise PlanError(f"{said.date!r} is not a date; give it as YYYY-MM-DD")
    if earlier and earlier[-1].case != plan.case:
        raise PlanError(
            f"this log is of the case {earlier[-1].case!r}, the plan of {plan.case!r}; give each "
            "case a log of its own"
        )
    if earlier and said.date < earlier[-1].date:
        raise PlanError(
            f"{said.date} lies before the log's last trial of {earlier[-1].date}; trials are "
            "logged in their order: if that date is a slip, log trial "
            f"{earlier[-1].number} anew with --corrects {earlier[-1].number}"
        )
    if earlier and plan.version < earlier[-1].plan:
        raise PlanError(
            f"plan {plan.version} is older than plan {earlier[-1].plan}, the last one on trial; "
            "plan it anew under a new version to try it again"
        )
    if said.place and said.place not in PLACES:
        raise PlanError(f"there is no place {said.place!r}; give one of {', '.join(PLACES)}")
    planned = [foot.side for foot in plan.feet]
    if said.side != "both" and said.side not in planned:
        raise PlanError(f"the {said.side} foot is not in this plan; it plans {planned[0]} only")
    if said.clinician and not named_and_dated(said.clinician):
        raise PlanError("a clinician's word needs name and date: 'NAME, YYYY-MM-DD'")


def _is_date(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _refuse_unanswered(plan: Plan, earlier: Sequence[Trial]) -> None:
    """Refuse another plan's trial while the last one is open."""
    if not earlier:
        return
    last = earlier[-1]
    if last.answer is None and not last.stopped and last.plan != plan.version:
        raise RefusedError(
            f"the trial of plan {last.plan} from {last.date} has not been answered; log what the "
            f"rider said of it before plan {plan.version} is tried"
        )


def _stop_sentences(stop: Stop, said: Said, plan: Plan, earlier: Sequence[Trial]) -> list[str]:
    """Return what to do at a stop; never a step."""
    words = []
    if stop.health:
        words.append(
            f"stop: the rider said {_quoted(stop.health)}; ask a clinician before any further "
            f"ride or step, and {_undone(said, plan, earlier)}"
        )
    if stop.mechanical:
        words.append(
            f"stop: the rider said {_quoted(stop.mechanical)}; do not ride on, check closure, "
            "bolts, float and release on a stand; no step is proposed"
        )
    return words


def _undone(said: Said, plan: Plan, earlier: Sequence[Trial]) -> str:
    """Return what is taken out of the shoe at a stop, and what goes back into it."""
    last = next((t for t in reversed(earlier) if t.plan != plan.version), None)
    parts = "take the parts out"
    if last is None:
        return f"{parts}: back to the set-up as ridden before any part"
    feet = [foot for foot in plan.feet if said.side in ("both", foot.side)]
    if any(changes(plan.model_copy(update={"feet": [foot]}), last.set_up) for foot in feet):
        return f"{parts}: back to the set-up of plan {last.plan}"
    foot = "both feet were" if len(feet) > 1 else f"the {feet[0].side} foot was"
    return (
        f"{parts} and put none of plan {last.plan} back: {foot} set up the same there; back to "
        "the set-up as ridden before any part"
    )


def _quoted(words: Sequence[str]) -> str:
    return ", ".join(f"'{word}'" for word in words)


def _last_plan(plan: Plan, earlier: Sequence[Trial]) -> int | None:
    return next((t.plan for t in reversed(earlier) if t.plan != plan.version), None)


# ---- the step ----------------------------------------------------------------------------


def _next(
    plan: Plan,
    said: Said,
    found: Sequence[Observation],
    earlier: Sequence[Trial],
    limits: Limits,
) -> tuple[Step | None, list[str]]:
    """Return the next step, or why there is none."""
    changed = _changes(plan, earlier)
    if len(changed) > 1:
        back = f"; go back to plan {_last_plan(plan, earlier)}" if said.answer == "worse" else ""
        return None, [
            f"{len(changed)} things changed since the last trial ({', '.join(changed)}): what the "
            f"rider says cannot be put down to one of them, so no step is proposed{back}"
        ]
    if said.answer == "worse" and (step := _back(plan, earlier)):
        return step, [f"{step.words}: {step.because}"]
    if _without_gain(plan, said, earlier) >= limits.value("trial.steps_without_gain"):
        return None, [
            f"{limits.value('trial.steps_without_gain'):g} steps brought no clear gain: back to "
            "the baseline as ridden, and check shoe width, closure and cleat before another plan"
        ]
    if not found:
        return None, [_nothing_said(said, earlier)]
    return _from_words(plan, said, found, limits)


def _waiting(said: Said, earlier: Sequence[Trial]) -> tuple[str, str] | None:
    """Return why a stop still stands and what it waits for, or None."""
    stop = next((t for t in reversed(earlier) if t.stopped and t.health), None)
    if stop is None or said.clinician:
        return None
    after = [t for t in earlier if t.number > stop.number]
    if any(t.clinician for t in after):
        return None
    return f"no clinician's word since the stop of trial {stop.number}", (
        f"trial {stop.number} stopped at {_quoted(stop.stopped)}: no ride and no step until a "
        "clinician's word is recorded with --clinician 'NAME, YYYY-MM-DD'"
    )


def _nothing_said(said: Said, earlier: Sequence[Trial]) -> str:
    if said.answer == "better":
        return f"better, and nothing asks for a change: {REVIEW}"
    if said.answer == "worse":
        return (
            "worse, and no earlier step to take back: back to the baseline as ridden, and ask "
            "what is felt and where"
        )
    return (
        "the same, and nothing that was said points to one thing: ask whether contact is even, "
        "where a lump is felt, and about heel, toes and knee; name the place with --place"
    )


def _changes(plan: Plan, earlier: Sequence[Trial]) -> list[str]:
    """Return what changed in the set-up since the last trial of another plan."""
    last = next((t for t in reversed(earlier) if t.plan != plan.version), None)
    return changes(plan, last.set_up) if last is not None else []


def _back(plan: Plan, earlier: Sequence[Trial]) -> Step | None:
    """Return the last step taken back, when this plan carried one out."""
    last = next((t for t in reversed(earlier) if t.plan != plan.version), None)
    done = last.step if last is not None else None
    if last is None or done is None or done.undoes or not _changes(plan, earlier):
        return None
    return Step(
        thing=done.thing,
        move="back",
        side=done.side,
        wishes=done.before,
        before=done.wishes,
        undoes=True,
        words=f"take the last step back ({done.words})",
        because=f"the rider found plan {plan.version} worse than plan {last.plan}",
    )


def _without_gain(plan: Plan, said: Said, earlier: Sequence[Trial]) -> int:
    """Return how many steps in a row were carried out without a clear gain, this one included."""
    answers: dict[int, str] = {t.plan: t.answer for t in earlier if t.answer is not None}
    answers[plan.version] = str(said.answer)
    stepped = [t.plan for t in earlier if t.step is not None]
    count = 0
    for version in sorted(answers, reverse=True):
        if not any(v < version for v in stepped) or answers[version] == "better":
            break
        count += 1
    return count


def _from_words(
    plan: Plan, said: Said, found: Sequence[Observation], limits: Limits
) -> tuple[Step | None, list[str]]:
    """Return the step for the first complaint in the order of work."""
    first = next(thing for thing in THINGS if any(o.thing == thing for o in found))
    mine = [o for o in found if o.thing == first]
    later = [o.text for o in found if (o.thing, o.move) != (mine[0].thing, mine[0].move)]
    words = [f"left for later: {'; '.join(later)}"] if later else []
    ways = {(o.move, o.sign) for o in mine}
    if any((move, -sign) in ways for move, sign in ways if move):
        return None, [f"said both ways ({'; '.join(o.text for o in mine)}): ask again, and where"]
    chosen = mine[0]
    if first == "shoe":
        return None, [
            f"{chosen.text}: shoe fit comes first; try closure, another stock insole or another "
            "size or width before any other step",
            *words,
        ]
    feet = [foot for foot in plan.feet if said.side in ("both", foot.side)]
    moves = {foot.side: move(plan, foot, chosen, limits) for foot in feet}
    for one in moves.values():
        if one.wish is None:
            return None, [f"{chosen.text}, but {one.words}: no step is proposed", *words]
    alike = len({one.words for one in moves.values()}) == 1
    reasons = [one.words if alike else f"{foot} {one.words}" for foot, one in moves.items()]
    side = said.side if len(feet) > 1 or said.side != "both" else feet[0].side
    step = Step(
        thing=chosen.thing,
        move=chosen.move,
        side=side,
        because=chosen.text,
        wishes={name: one.wish for name, one in moves.items() if one.wish is not None},
        before={name: one.was for name, one in moves.items()},
        words=f"{side if side != 'both' else 'both feet'}: {'; '.join(dict.fromkeys(reasons))}",
    )
    return step, [f"{step.words}, because {chosen.text}", *words]


def understood_words() -> list[str]:
    """Return what may be picked with --felt, the red flags, and short words that --said takes."""
    meanings = {name: picked(name).text for name in PICKS}
    meanings[SLIPS] += "; a red flag, and stops"
    meanings |= {
        f"N mm {way}": f"the rider wants the pad N mm {way}"
        for way in ("forward", "back", "in", "out")
    }
    return [
        "to pick with --felt:",
        *(f"  {name:26} {text}" for name, text in meanings.items()),
        "red flags, to answer with --flag NAME=yes or no:",
        *(f"  {flag.id:26} {flag.text}" for flag in FLAGS),
        "to write into --said:",
        *(f"  {o.id:26} {o.text}" for o in OBSERVATIONS),
    ]
