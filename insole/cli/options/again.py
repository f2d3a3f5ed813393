"""A plan as the command that plans it again: its files, what was stated, wishes and answers.

Plan (+ Step of a trial) -> options -> the arguments of ``solewright plan``
"""

from __future__ import annotations

import glob
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from insole.cli.options.scans import NONE

if TYPE_CHECKING:
    from insole.record.plan import Plan
    from insole.trials.entry import Trial
    from insole.trials.steps import Step

__all__ = ["already_planned", "located", "options", "step_below", "step_options"]

# notes on a wedge that is more than a first ride takes
_FIRST_LESS = frozenset(
    f"wedge.{name}"
    for name in (
        "forefoot.warn_deg",
        "forefoot.warn_mm",
        "heel.warn_deg",
        "heel.warn_mm",
        "under.warn_deg",
        "sum_warn",
    )
) | {"wedge-first-trial"}

WEDGES = ("forefoot", "heel", "under")
_OPTIONS = {
    "support_level": "--support",
    "shift": "--shift-pad",
    "turn": "--turn-pad",
    "pad_source": "--pad-source",
    "tender": "--tender",
    "medial_edge": "--medial-edge",
    "relief": "--relief",
    "contoured": "--contoured",
    "cup": "--cup",
    "metatarsal": "--metatarsal",
    "metatarsal_behind": "--metatarsal-behind",
    "contour_material": "--contour-material",
    "forefoot": "--forefoot",
    "heel": "--heel",
    "under": "--under",
    "cleat_offset": "--cleat",
    "cleat_before": "--cleat-before",
    "cleat_yaw": "--cleat-yaw",
    "ankle": "--ankle",
}


def options(
    plan: Plan,
    step: Step | None = None,
    *,
    scans: Sequence[str] = (),
    shoe: str = "",
    against: str = "",
    version: int | None = None,
) -> list[str]:
    """Return the arguments of ``solewright`` that plan the step: all else stays as wished.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    step : Step, optional
        From :func:`insole.trials.trial.judge`; None plans the same once more.
    scans, shoe, against : str
        Files to name; scans and shoe default to the names in the plan, which does not know
        their folders, and to a word in capitals where an older plan has no name.
    version : int, optional
        Of the next plan; None is the one that follows.
    """
    sources = plan.sources
    arguments = ["plan", *(scans or dict.fromkeys(foot.scan_file for foot in plan.feet))]
    if plan.shoe is not None:
        arguments += ["--shoe", shoe or sources.get("shoe") or "SHOE-FILE"]
    # dowels thicken the base by themselves: no file says so
    by_dowels = {"base.thickness"} if plan.wishes.get("dowels") else set()
    if sources.get("limits") or set(plan.limits) - by_dowels:
        arguments += ["--limits", sources.get("limits") or "LIMITS-FILE"]
    if sources.get("by_hand"):
        arguments += ["--by-hand", sources["by_hand"]]
    for option, stated in sources.get("stated", {}).items():
        for value in stated if isinstance(stated, list) else [stated]:
            said = NONE if value is None else f"{value}"
            arguments += [option] if value is True else [option, said]
    arguments += ["--case", plan.case, "--version", str(version or plan.version + 1)]
    if against:
        arguments += ["--against", against]
    wishes = {name: dict(plan.wishes.get(name, {})) for name in ("both", "left", "right")}
    for side, changed in (step.wishes if step is not None else {}).items():
        wishes[side] |= changed
    for name, wished in wishes.items():
        head = "" if name == "both" else f"{name}="
        for wish, value in wished.items():
            arguments += _option(wish, value, head)
    # a step that ends at no wedge is a zero that is meant
    ends = (value for new in (step.wishes if step else {}).values() for value in new.items())
    if plan.wishes.get("confirm_zero") or any(w in WEDGES and value == 0 for w, value in ends):
        arguments.append("--confirm-zero")
    if plan.wishes.get("dowels"):
        arguments.append("--dowels")
    if plan.wishes.get("body_mass") is not None:
        arguments += ["--body-mass", f"{plan.wishes['body_mass']:g}"]
    if plan.wishes.get("kit"):
        arguments += ["--kit", sources.get("kit") or "KIT-FILE"]
    if against and any(answer != "not asked" for answer in plan.answers.values()):
        arguments += ["--answers", against]  # a clinician's word stands there as well
    else:
        for question, answer in plan.answers.items():
            if answer != "not asked":
                arguments += ["--answer", f"{question}={answer}"]
        if plan.clinician:
            arguments += ["--clinician", plan.clinician]
    for over in plan.overrides:
        arguments += ["--override", ";".join((over.limit, over.who, over.why, over.when))]
    return arguments


def _option(wish: str, value: Any, head: str) -> list[str]:
    """Return one wish as the option that states it."""
    if wish == "pad":
        if value:
            return []
        return ["--no-pad-for", head.rstrip("=")] if head else ["--no-pad"]
    if wish == "tender":
        return [text for spot in value for text in ("--tender", f"{head}{_pair(spot)}")]
    if wish == "support_level":
        return ["--support", f"{head}{100 * value:g}"]
    if wish == "shift":
        return ["--shift-pad", f"{head}{_pair(value)}"]
    text = value if isinstance(value, str) else f"{value:g}"
    return [_OPTIONS[wish], f"{head}{text}"]


def _pair(value: Sequence[float]) -> str:
    return ",".join(f"{v:g}" for v in value)


def step_options(plan: Plan, trial: Trial, against: Path, version: int | None = None) -> list[str]:
    """Return the arguments that plan a trial's step; none when there is no step."""
    if trial.step is None:
        return []
    names = {foot.scan_file for foot in plan.feet}
    names |= {name for name in plan.sources.values() if isinstance(name, str)}
    return [
        located(word) if word in names else word
        for word in options(plan, trial.step, against=str(against), version=version)
    ]


def step_below(plan: Plan, path: Path, out: Path) -> list[str]:
    """Return the arguments that plan each wedge that is more than a first ride takes a step less.

    Parameters
    ----------
    plan : Plan
    path : Path
        Of its record, which holds the answers as well.
    out : Path
        Folder that the plan was written to.

    Returns
    -------
    list of str
        Empty where no wedge is too much.
    """
    from insole.record.limits import of_plan
    from insole.record.planned_parts import WedgePlace
    from insole.trials.steps import Step

    names = {WedgePlace.FOREFOOT: "forefoot", WedgePlace.HEEL: "heel", WedgePlace.UNDER: "under"}
    size = of_plan(plan).value("wedge.step")
    wishes: dict[str, dict[str, Any]] = {}
    for foot in plan.feet:
        if not foot.tilts or not any(note.code in _FIRST_LESS for note in foot.notes):
            continue
        most = max(foot.tilts, key=lambda wedge: abs(wedge.net))
        less = most.cant_kept + math.copysign(max(abs(most.net) - size, 0.0), most.net)
        wishes[foot.side] = {names[most.place]: round(less, 3)}
    if not wishes:
        return []
    if len(wishes) == len(plan.feet) and len({str(wish) for wish in wishes.values()}) == 1:
        alike = next(iter(wishes.values()))
        if not any(plan.wishes.get(side, {}).keys() & alike.keys() for side in wishes):
            wishes = {"both": alike}
    step = Step(
        thing="wedge", move="less", side="both", wishes=wishes, before={}, words="", because=""
    )
    words = [located(word) for word in options(plan, step, against=str(path))]
    return words if out == Path("plans") else [*words, "--out", str(out)]


def already_planned(plan: Plan, step: Step, later: Sequence[Plan]) -> Plan | None:
    """Return the plan among `later` ones whose wishes are those of the step, if there is one."""
    sides = ("both", "left", "right")
    wanted = {side: dict(plan.wishes.get(side, {})) for side in sides}
    for side, changed in step.wishes.items():
        wanted[side] |= changed
    wanted = {side: {k: _plain(v) for k, v in wish.items()} for side, wish in wanted.items()}
    for other in later:
        found = {
            side: {k: _plain(v) for k, v in dict(other.wishes.get(side, {})).items()}
            for side in sides
        }
        if found == wanted and other.shoe == plan.shoe:
            return other
    return None


def _plain(value: Any) -> Any:
    return (
        [float(v) for v in value]
        if isinstance(value, list | tuple) and value and isinstance(value[0], int | float)
        else value
    )


def located(name: str) -> str:
    """Return where a file of that name lies: here, in one folder here or beside; else its name."""
    if Path(name).exists():
        return name
    for here in (Path(), Path("..")):
        found = [*here.glob(glob.escape(name)), *here.glob(f"*/{glob.escape(name)}")]
        found = [path for path in found if path.is_file()]
        if len(found) == 1:
            return str(found[0])
    return name
