"""The one step that follows from a trial, or why there is none.

    Plan + Said + observations + earlier trials -> next_step -> Step, sentences for the fitter

Several changes since the last trial, worse rides and steps without a gain come before complaints;
of several complaints the first in the order of work counts.
"""

from __future__ import annotations

from collections.abc import Sequence

from insole.record.limits import Limits
from insole.record.plan import Plan
from insole.trials.entry import Said, Trial
from insole.trials.picks import THINGS, Observation
from insole.trials.set_up import changes, same
from insole.trials.steps import Step, move
from insole.trials.words import named_foot

__all__ = ["last_other", "next_step"]

REVIEW = "keep this plan and review it after 3 to 5 rides or 2 weeks"


def last_other(plan: Plan, earlier: Sequence[Trial]) -> Trial | None:
    """Return the last trial of another plan than this one, if there is one."""
    return next((t for t in reversed(earlier) if t.plan != plan.version), None)


def next_step(
    plan: Plan,
    said: Said,
    found: Sequence[Observation],
    earlier: Sequence[Trial],
    limits: Limits,
) -> tuple[Step | None, list[str]]:
    """Return the next step, or why there is none."""
    changed = _changes(plan, earlier)
    if len(changed) > 1:
        last = last_other(plan, earlier)  # it is what they changed against
        back = f"; go back to plan {last.plan}" if last and said.answer == "worse" else ""
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
    foot = named_foot(said.text)
    if foot not in ("", said.side) and len(plan.feet) > 1 and not said.as_said:
        stated = "both feet" if said.side == "both" else f"the {said.side} one"
        return None, [
            f"the words name the {foot} foot, and {stated} would be changed: log it again in the "
            f"place of this trial, of the {foot} foot alone or in words that name each foot meant"
        ]
    return _from_words(plan, said, found, limits)


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
        "where a lump is felt, and about heel, toes and knee; name the place"
    )


def _changes(plan: Plan, earlier: Sequence[Trial]) -> list[str]:
    """Return what changed in the set-up since the last trial of another plan."""
    last = last_other(plan, earlier)
    return changes(plan, last.set_up) if last is not None else []


def _back(plan: Plan, earlier: Sequence[Trial]) -> Step | None:
    """Return the last step taken back, when this plan carried one out."""
    last = last_other(plan, earlier)
    done = last.step if last is not None else None
    if last is None or done is None or done.undoes or not _changes(plan, earlier):
        return None
    if not _carried_out(plan, done):  # what made it worse is something else
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


def _carried_out(plan: Plan, step: Step) -> bool:
    """Return whether a plan holds the wishes of a step, for both feet or for each."""
    planned = [foot.side for foot in plan.feet]
    for side, wishes in step.wishes.items():
        for foot in planned if side == "both" else [side]:
            own = {**plan.wishes.get("both", {}), **plan.wishes.get(foot, {})}
            if any(not same(own.get(name), value) for name, value in wishes.items()):
                return False
    return True


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
