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
                  worse ride they stop, until somebody has read them again (`as_said`); parts of
                  which nothing was understood are named
    a word alone  a clinician's word may be logged by itself; no ride is opened with it
    corrections   a later entry stands in the place of an earlier one; nothing is rewritten
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from insole.errors import PlanError
from insole.record.limits import Limits
from insole.record.plan import Plan, fingerprint
from insole.record.questions import AT_A_STOP, WHEN_LOOSE, dated
from insole.trials.entry import Said, Trial
from insole.trials.entry_checks import around, check, cleaned, refuse_unanswered
from insole.trials.next_step import next_step
from insole.trials.picks import SLIPS, Observation, picked, plainly
from insole.trials.red_flags import Stop, asked, not_asked, stops, unread
from insole.trials.set_up import set_up
from insole.trials.words import left_over, observed

__all__ = ["judge", "last_stop", "open_stop", "quoted"]

FIRST_RIDE = "first ride at most 1 h, easy and near home"


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
    said = cleaned(said)
    earlier, later = around(said, log)
    check(plan, said, earlier, later, log)
    refuse_unanswered(plan, earlier)
    flags = asked(said.flags)
    picks = [picked(pick) for pick in said.felt]
    slips = any(plainly(pick) == SLIPS for pick in said.felt)
    stop = stops(
        said.text, flags | ({"slipping": "yes"} if slips else {}), better=said.answer == "better"
    )
    found = _united(picks, observed(said.text, said.place))
    base = _entry(plan, said, log, found, flags)
    if stop:
        return Trial(
            **base,
            stopped=[*stop.health, *stop.mechanical],
            health=bool(stop.health),
            words=_stop_sentences(stop),
        )
    lifted = _lifted(said, log)
    if said.is_word_only:
        return _word_only(base, open_stop(earlier), said)
    if waiting := _waiting(
        plan, said, [*earlier, *later]
    ):  # a later stop stands whatever is corrected
        return Trial(**base, stopped=[waiting[0]], words=[waiting[1], *lifted])
    if said.answer is None:
        words = [
            f"plan {plan.version} is on trial: {FIRST_RIDE}; answer it with what was felt, "
            "the red flags, and whether it was better, the same or worse"
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
    strange = [] if said.as_said else unread(said.text)
    if strange and not picks and said.answer == "worse":
        stopped = [f"not read: {quoted(strange)}"]
        return Trial(
            **base,
            stopped=stopped,
            words=[
                f"stop: {stopped[0]}; the ride was worse, and "
                "it may be a picture of pain: ask what is meant before anything is changed or "
                f"ridden on, and log it again in the place of trial {len(log) + 1}"
            ],
        )
    if strange and not picks:
        return Trial(**base, words=[_unread_words(strange, len(log) + 1)])
    step, words = next_step(plan, said, found, earlier, limits)
    if (left := left_over(said.text, said.place)) and not said.as_said:
        words.append(
            f"not understood: {quoted(left)}; ask what is meant: if it is of shoe, cleat, pad or "
            f"weight, log it again in the place of trial {len(log) + 1} with picks from the list"
        )
    return Trial(**base, step=step, words=words + lifted)


def _entry(
    plan: Plan,
    said: Said,
    log: Sequence[Trial],
    found: Sequence[Observation],
    flags: dict[str, str],
) -> dict[str, Any]:
    """Return what is logged whatever follows from it."""
    return {
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
        "as_said": said.as_said,
        "ridden": not said.is_word_only,
    }


def _lifted(said: Said, log: Sequence[Trial]) -> list[str]:
    """Return a sentence when a correction takes a stop out of force."""
    was = next((t for t in log if t.number == said.corrects), None)
    if was is None or not was.stopped:
        return []
    return [
        f"this lifts the stop of trial {was.number} ({quoted(was.stopped)}), because "
        f"'{said.because.strip()}': only if that was a slip of the pen; else log the stop again"
    ]


def _united(*sources: Sequence[Observation]) -> list[Observation]:
    """Return the observations of all sources once each, what was picked first."""
    found: dict[tuple[str, float | None], Observation] = {}
    for one in (one for source in sources for one in source):
        found.setdefault((one.id + ("" if one.by is None else one.move), one.by), one)
    return list(found.values())


def _not_asked_words(open_ones: Sequence[str], number: int) -> str:
    return (
        f"not asked: {', '.join(open_ones)}; no step is given before the red flags are asked: ask "
        f"them, and log it again in the place of trial {number} with an answer for each"
    )


def _unread_words(strange: Sequence[str], number: int) -> str:
    return (
        f"not read: {quoted(strange)}; it may be a picture of pain, so no step is given: ask what "
        f"is meant, and log it again in the place of trial {number} with picks from the list"
    )


def _stop_sentences(stop: Stop) -> list[str]:
    """Return what to do at a stop, as every paper says it; never a step."""
    words = []
    if stop.health:
        words.append(
            f"stop: the rider said {quoted(stop.health)}; ask a clinician before any further "
            f"ride or step, and {AT_A_STOP}"
        )
    if stop.mechanical:
        words.append(
            f"stop: the rider said {quoted(stop.mechanical)}; {WHEN_LOOSE}; no step is proposed"
        )
    return words


def _word_only(base: dict[str, Any], stop: Trial | None, said: Said) -> Trial:
    """Return the entry of a clinician's word that stands by itself."""
    if stop is None:
        return Trial(**base, words=["no stop was open: the clinician's word is kept beside it"])
    if dated(said.clinician) < stop.date:
        raise PlanError(
            f"the clinician's word of {dated(said.clinician)} is older than the stop of trial "
            f"{stop.number}, {stop.date}; ask again, and record the word of that day or later"
        ).asking("clinician")
    return Trial(
        **base,
        words=[
            f"the stop of trial {stop.number} ({quoted(stop.stopped)}) is open no longer: plan "
            "and make go on as that word says, the first ride easy, short and near home"
        ],
    )


def quoted(words: Sequence[str]) -> str:
    """Return words of a rider as quotes, parted by commas."""
    return ", ".join(f"'{word}'" for word in words)


def last_stop(trials: Sequence[Trial]) -> tuple[Trial | None, str]:
    """Return the last stop of pain, numbness or a wound, and the clinician's word that ended it.

    A word ends it that was logged after it and is not older; none: it is still open. An open one
    comes before any that is ended.

    Parameters
    ----------
    trials : sequence of Trial
        Those in force, see :func:`insole.trials.entry.in_force`.
    """
    ended: list[tuple[Trial, str]] = []
    for stop in (t for t in reversed(trials) if t.stopped and t.health):
        later = (t.clinician for t in trials if t.number > stop.number and t.clinician)
        ended.append((stop, next((word for word in later if dated(word) >= stop.date), "")))
    # one that was logged in another's place stands before stops that a word has ended
    still = next((one for one in ended if not one[1]), None)
    return still or (ended[0] if ended else (None, ""))


def open_stop(trials: Sequence[Trial]) -> Trial | None:
    """Return the last stop as for :func:`last_stop`, unless a clinician's word has ended it."""
    stop, word = last_stop(trials)
    return None if word else stop


def _waiting(plan: Plan, said: Said, earlier: Sequence[Trial]) -> tuple[str, str] | None:
    """Return why a stop still stands and what it waits for, or None."""
    stop = open_stop(earlier)
    if stop is None or max(dated(said.clinician), dated(plan.clinician)) >= stop.date:
        return None
    return f"no clinician's word since the stop of trial {stop.number}", (
        f"trial {stop.number} stopped at {quoted(stop.stopped)}: no ride and no step until a "
        "clinician's word of that day or later is recorded, with name and date"
    )
