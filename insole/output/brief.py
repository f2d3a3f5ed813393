"""A plan in twenty lines at most: what a fitter reads before anything is made.

    Plan -> brief -> lines: verdict; per foot support, effect, wedge, cleat; saddle; what to
    watch; the next step

Nothing is worked out here. What does not fit stands in the whole text (``--full``) and on paper;
the last line of the watch list counts it. Warnings that call for care are never left out.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from insole.output import work
from insole.output.phrases import LOAD_CASE, behind, change, paper, yaw_words
from insole.output.places import eased_words
from insole.planning.thickness import asked, cant_known
from insole.record.least import counts
from insole.record.plan import FootPlan, Plan
from insole.record.planned_contact import EffectCase, EffectPlan
from insole.record.planned_parts import WedgePlace
from insole.record.questions import SHORT_CAUTION
from insole.record.values import Note, NoteLevel

__all__ = ["LINES", "brief"]

LINES = 20  # of a plan for a pair
WIDE = 112  # of a warning, before it is cut at a clause
CARE = frozenset(
    {
        "hand-foot-length",
        "hand-hallux",
        "hand-leg-length",
        "own-limits",
        "riding-pain",
        "same-day-care",
        "stop-cleared",
        "wedge-first-ray",
    }
)  # never cut
SHOWN = frozenset({"effect", "kit-little", "not-asked", "saddle"})  # said by a line of their own
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def brief(plan: Plan, then: str = "", more: str = "on paper") -> list[str]:
    """Return a plan in lines, no more than `LINES` unless care asks for more.

    Parameters
    ----------
    plan : Plan
    then : str
        The next step, in words; empty leaves the line out.
    more : str
        Where the rest is said that has no room here.
    """
    rows = [*_head(plan)]
    for foot in plan.feet:
        rows += _foot(foot)
    rows += _saddle(plan)
    end = [f"Next: {then}"] if then else []
    end.append(SHORT_CAUTION)
    care, watch = _watch(plan)
    room = max(LINES - len(rows) - len(end) - len(care), 1)
    if len(watch) > room:
        count = len(watch) - (room - 1)
        watch = [*watch[: room - 1], f"  {count} more: {more}"]
    return [*rows, *care, *watch, *end]


def _head(plan: Plan) -> list[str]:
    """Return case, shoe and verdict."""
    shoe = plan.shoe_name or "no shoe"
    rows = [f"Plan {plan.case} v{plan.version} – {shoe}"]
    refused = any(note.level is NoteLevel.REFUSE for note in _notes(plan))
    if refused:
        verdict = "not to be made: see what to watch"
    elif not plan.shoe_name:
        verdict = "for a trial only: without a shoe the bed is taken as flat"
    else:
        verdict = "can be made"
    passed = [f"{over.limit} by {over.who}" for over in plan.overrides]
    if passed:
        verdict += f"; limits passed on purpose: {', '.join(passed)}"
    open_ones = [name for name, answer in plan.answers.items() if answer == "not asked"]
    if open_ones:
        verdict += f"; {len(open_ones)} of {len(plan.answers)} questions not asked"
    return [*rows, f"Verdict: {verdict}"]


def _foot(foot: FootPlan) -> list[str]:
    """Return one foot: support, what it does, wedges, cleat."""
    rows = [f"{foot.side.upper()} {_support(foot)}"]
    if foot.effect is not None:
        doubt = any(note.code == "kit-little" for note in foot.notes)
        shims = any(wedge.place is not WedgePlace.UNDER for wedge in foot.wedges)
        posted = foot.contour is not None and foot.contour.posting
        alone = " without the wedge" if posted else " without the shim" if shims else ""
        word = "not recommended, " if doubt else ""
        rows.append(f"  effect{alone}: {word}{_effect(foot.effect, eased_words(foot))}")
    rows += [
        f"  wedge {asked(wedge, cant_known=cant_known(foot, wedge))}, thick on the "
        f"{wedge.thick_side} ({wedge.thick_edge:.1f} mm)"
        for wedge in foot.tilts
    ]
    rows += [
        f"  no wedge {place}: {_headline(why)}"
        for place, why in foot.no_wedge_because.items()
        if not why.startswith("no wish")  # what nobody wished is no news
    ]
    rows += [f"  {note.short}" for note in foot.notes if note.code == "tender-spot"]
    cleat = foot.cleat
    if cleat is not None:
        mark = cleat.mark if cleat.from_mark is not None else "MTH1 (the joint of the big toe)"
        place = cleat.from_ball_mark if cleat.from_mark is None else cleat.from_mark
        turn = f", {yaw_words(cleat.yaw)}" if counts(cleat.yaw, "cleat turn") else ""
        rows.append(f"  cleat: axle {behind(place)} {mark}{turn}")
    return rows


def _support(foot: FootPlan) -> str:
    made = foot.contour or foot.pad
    if made is None:
        return f"no support: {foot.no_pad_because}"
    crest = made.crest
    name = (
        foot.contour.name
        if foot.contour is not None
        else ("arch pad" if foot.pad is None or foot.pad.source == "scan" else foot.pad.name)
    )
    kind = "thick at the crest" if foot.contour is not None else "high"
    return (
        f"{name}: {crest.height:.1f} mm {kind}, crest {crest.from_rear:.0f} mm from the rear "
        f"edge, {crest.from_medial:.0f} mm from the medial edge"
    )


def _effect(does: EffectPlan, eased: str = "") -> str:
    """Return what a support does, silent about what stays; the midfoot's is a share of the load."""
    aimed = eased or f"{100 * does.wished:.0f} % aimed at"
    parts = [f"fills {100 * does.reached:.0f} % of the gap ({aimed})"]
    parts += [f"{case.case}: {_case(case)}" for case in does.cases]
    if not does.cases:
        parts.append("the contact model gives no figures")
    return ("next to nothing; " if does.little else "") + "; ".join(parts)


def _case(case: EffectCase) -> str:
    said = []
    if counts(case.area[1] - case.area[0], "contact"):
        said.append(f"contact {case.area[0]:.0f} → {case.area[1]:.0f} cm²")
    if counts(case.midfoot_share[1] - case.midfoot_share[0], "share"):
        was, now = (100 * share for share in case.midfoot_share)
        said.append(f"midfoot {was:.0f} → {now:.0f} %")
    return ", ".join(said) or "no change"


def _saddle(plan: Plan) -> list[str]:
    """Return the one saddle change; nothing below its least step."""
    known = [
        foot.saddle_change.value
        for foot in plan.feet
        if foot.saddle_change is not None and foot.saddle_change.value is not None
    ]
    if not known or len(known) < len(plan.feet):
        return []
    use = work.one_saddle(known)
    if not counts(use, "saddle"):
        return []
    stays = any(work.only_if_it_stays(foot) for foot in plan.feet)
    return [f"Saddle: {change(use)}{', if the cleat stays where it was' if stays else ''}"]


def _notes(plan: Plan) -> list[Note]:
    return [*plan.notes, *(note for foot in plan.feet for note in foot.notes)]


def _watch(plan: Plan) -> tuple[list[str], list[str]]:
    """Return warnings that call for care, whole, and the others, a line each, both feet in one."""
    care: dict[str, list[str]] = {}
    found: dict[str, list[tuple[str, str]]] = {}
    every = [("", note) for note in plan.notes]
    every += [(foot.side, note) for foot in plan.feet for note in foot.notes]
    every.sort(key=lambda item: item[1].level is not NoteLevel.REFUSE)
    for side, note in every:
        if note.level is NoteLevel.INFO or note.code in SHOWN:
            continue
        if note.code in CARE:
            care.setdefault(note.text, []).append(side)
            continue
        text = _headline(note)
        code = LOAD_CASE.sub("case", note.code)
        pattern = f"{code} {NUMBER.sub('#', LOAD_CASE.sub('case', text))}"
        found.setdefault(pattern, []).append((side, text))
    mind = [f"Mind: {_sided(sides, text)}" for text, sides in care.items()]
    groups = [group for items in found.values() for group in _pairs(items)]
    return mind, [f"Watch: {_both(items)}" for items in groups]


def _pairs(items: Sequence[tuple[str, str]]) -> list[list[tuple[str, str]]]:
    """Return what one line can say: both feet, or one foot's two cases; of four, foot by foot."""
    if len(items) <= 2:
        return [list(items)]
    sides = dict.fromkeys(side for side, _ in items)
    return [[item for item in items if item[0] == side] for side in sides]


def _both(items: Sequence[tuple[str, str]]) -> str:
    """Return one line for a note that both feet or cases carry, numbers beside each other."""
    texts = list(dict.fromkeys(text for _, text in items))
    text = texts[0]
    if len(texts) == 2:  # alike but for their numbers, or the case
        other = iter(NUMBER.findall(texts[1]))
        cases = list(dict.fromkeys(case for text in texts for case in LOAD_CASE.findall(text)))
        text = LOAD_CASE.sub(" and ".join(cases), text, count=1)

        def beside(number: re.Match[str]) -> str:
            second = next(other, number[0])
            return number[0] if second == number[0] else f"{number[0]}/{second}"

        text = NUMBER.sub(beside, text)
    return _sided([side for side, _ in items], text)


def _sided(sides: Sequence[str], text: str) -> str:
    """Return a sentence with the feet that it is of."""
    who = " and ".join(dict.fromkeys(filter(None, sides)))
    return f"{who}: {text}" if who else text


def _headline(note: Note | str) -> str:
    """Return a sentence without typed options; where it is long, in its short wording or cut."""
    text = paper(note if isinstance(note, str) else note.text).strip().rstrip(".")
    if len(text) <= WIDE:
        return text
    if isinstance(note, Note) and note.short:
        return paper(note.short).strip().rstrip(".")
    cuts = [at for mark in ("; ", ": ", ", ") if (at := text.rfind(mark, 40, WIDE)) > 0]
    return f"{text[: max(cuts)] if cuts else text[:WIDE].rsplit(' ', 1)[0]} …"
