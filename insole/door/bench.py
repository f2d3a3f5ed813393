"""Feet and a shoe on the bench: plan, change a wish, plan again.

    MeasuredFoot (left, right) + shoe, kit, limits -> Bench -> plan, replan, follow -> Plan

Files are read once and feet are never measured again; a foot whose wishes stayed the same is not
planned again either, so that a pad follows the hand that moves it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict, Unpack

from insole.door.wishes import OF_A_SCAN, Wishes, changed, check_names, tupled, wishes_in, wishes_of
from insole.errors import PlanError
from insole.planning import fit as fitting
from insole.planning import planner
from insole.planning.support import kit as kits
from insole.record import by_hand as hand_tables
from insole.record import limits as limit_tables
from insole.record import questions
from insole.record.values import Override
from insole.shoe import shoe as shoes_
from insole.workflow.keeping import NO_NAME

if TYPE_CHECKING:
    from footscan.results import MeasuredFoot
    from insole.planning.fit import FitResult
    from insole.planning.planner import PlanWishes
    from insole.planning.support.kit import Kit
    from insole.record.limits import Limits
    from insole.record.plan import Plan
    from insole.shoe.shoe import Shoe
    from insole.trials.entry import Trial

__all__ = ["Asked", "Bench", "Terms", "fit", "plan"]


class Terms(TypedDict, total=False):
    """What a plan stands on beside the wishes.

    answers
        Answers to the questions before parts, by id (``yes``, ``no``, ``not asked``), or the path
        of an answers file.
    clinician
        A clinician's word, ``"NAME, YYYY-MM-DD"``: wanted after a stop answer.
    overrides
        Limits passed on purpose: :class:`insole.Override`, or ``"LIMIT;WHO;WHY;WHEN"``.
    without_arch
        Shims and a flat base only, for scans that show no arch.
    by_hand
        The file of what was measured by hand.
    """

    answers: Mapping[str, str] | str | Path
    clinician: str
    overrides: Sequence[Override | str]
    without_arch: bool
    by_hand: str | Path


class Asked(Wishes, Terms, total=False):
    """All that :meth:`Bench.plan` takes: wishes and terms."""


class Bench:
    """Measured feet and a shoe, to be planned as often as wished.

    Parameters
    ----------
    left, right : MeasuredFoot, optional
        From ``footscan.measure``; at least one for a plan.
    shoe : path or Shoe, optional
        None: a flat bed, and the plan says so.
    kit, limits : path or Kit, path or Limits, optional
        The workshop's own pads and limits.

    Raises
    ------
    insole.PlanError
        No foot, or a file that cannot be used.
    """

    def __init__(
        self,
        *,
        left: MeasuredFoot | None = None,
        right: MeasuredFoot | None = None,
        shoe: str | Path | Shoe | None = None,
        kit: str | Path | Kit | None = None,
        limits: str | Path | Limits | None = None,
    ) -> None:
        if left is None and right is None:
            raise PlanError("there is no foot to plan for; give left=, right= or both")
        self.left, self.right = left, right
        self.limits = (
            limit_tables.load(limits)
            if isinstance(limits, str | Path)
            else (limits or limit_tables.default_limits())
        )
        self.shoe = shoes_.load(shoe) if isinstance(shoe, str | Path) else shoe
        self.kit = kits.load(kit, self.limits) if isinstance(kit, str | Path) else kit
        named = {"shoe": shoe, "kit": kit, "limits": limits}
        self._files = {
            name: Path(file).name for name, file in named.items() if isinstance(file, str | Path)
        }
        self._hand: Path | None = None
        self._memory = planner.Memory()

    def plan(self, **asked: Unpack[Asked]) -> Plan:
        """Return the plan for these wishes.

        Parameters
        ----------
        **asked : Asked
            See :class:`Wishes` and :class:`Terms`.

        Raises
        ------
        footscan.ScanQualityError
            A scan is not fit for making; carries its report.
        insole.PlanError
            A wish, an answer or an override cannot be used.
        insole.RefusedError
            A stop answer without a clinician's word, or a limit passed without an override.
        """
        wishes, terms = _parted(asked)
        return self._plan(wishes_of(wishes, self.kit), terms)

    def replan(self, plan: Plan, **asked: Unpack[Asked]) -> Plan:
        """Return `plan` with the wishes named here in place of its own, and all else kept.

        A value for both feet takes the place of each foot's own wish; a mapping changes the feet
        that it names; None takes a wish back. The version stays unless one is given.

        Raises
        ------
        As for :meth:`plan`.
        """
        wishes, terms = _parted(asked)
        return self._plan(changed(wishes_in(plan, self.kit), wishes), self._terms_in(plan) | terms)

    def follow(self, plan: Plan, trial: Trial, **asked: Unpack[Asked]) -> Plan:
        """Return the next plan: the one step that a trial proposes, and all else kept.

        Parameters
        ----------
        plan : Plan
            The plan that was ridden.
        trial : Trial
            From :func:`insole.log_trial` or :func:`insole.propose`, of that plan.
        **asked : Asked
            What is to be changed besides; the version is the next one unless given.

        Raises
        ------
        insole.PlanError
            The trial is of another plan, or proposes no step; says why.
        insole.RefusedError
            The trial is a stop.
        """
        from insole.door.riding import step_in

        step = step_in(plan, trial)
        wishes, terms = _parted(asked)
        base = wishes_in(plan, self.kit)
        feet = {
            foot: getattr(base, foot).but(**{k: tupled(v) for k, v in own.items()})
            for foot, own in step.wishes.items()
        }
        base = replace(base, **feet, version=plan.version + 1, date="")
        return self._plan(changed(base, wishes), self._terms_in(plan) | terms)

    def fit(self, shoes: Sequence[str | Path | Shoe]) -> list[FitResult]:
        """Return the shoes ranked for these feet, best first; see :func:`insole.fit`."""
        return fit(left=self.left, right=self.right, shoes=shoes, limits=self.limits)

    def _plan(self, wishes: PlanWishes, terms: Mapping[str, Any]) -> Plan:
        answers = terms.get("answers") or {}
        clinician = terms.get("clinician") or ""
        if isinstance(answers, str | Path):
            if wishes.case != NO_NAME:
                questions.refuse_others(answers, wishes.case)
            answers, named = questions.read(answers)
            clinician = clinician or named
        without_arch = bool(terms.get("without_arch"))
        sources = self._sources(without_arch)
        hand = None
        if terms.get("by_hand"):
            self._hand = Path(terms["by_hand"])
            hand = hand_tables.read(self._hand)
            stated = {"stated": sources.pop("stated")} if "stated" in sources else {}
            sources |= {"by_hand": self._hand.name, **stated}
        return planner.plan(
            self.left,
            self.right,
            self.shoe,
            wishes,
            terms=planner.Terms(
                answers=answers,
                clinician=clinician,
                overrides=tuple(_override(one) for one in terms.get("overrides") or ()),
                without_arch=without_arch,
                sources=sources,
            ),
            limits=self.limits,
            memory=self._memory,
            hand=hand,
        )

    def _terms_in(self, plan: Plan) -> dict[str, Any]:
        """Return the terms that a plan stands on."""
        terms = {
            "answers": {k: answer for k, answer in plan.answers.items() if answer != "not asked"},
            "clinician": plan.clinician,
            "overrides": plan.overrides,
            "without_arch": bool(plan.sources.get("stated", {}).get("--without-arch")),
        }
        if self._hand is not None and plan.sources.get("by_hand") == self._hand.name:
            terms["by_hand"] = self._hand
        return terms

    def _sources(self, without_arch: bool) -> dict[str, object]:
        """Return the files and what was stated of the scans, as the command line records them."""
        feet = [foot for foot in (self.left, self.right) if foot is not None]
        stated: dict[str, object] = {}
        for name in OF_A_SCAN:
            found = [foot.stated.get(name) for foot in feet]
            if not any(found):
                continue
            option = f"--{name.replace('_', '-')}"
            if name == "side":  # told from the scan or not: it is that foot's
                stated[option] = [str(foot.foot.side) for foot in feet]
            elif name == "foot_length":
                stated[option] = found
            elif name == "landmark":
                stated[option] = _marks(found, [foot.stated.get("by_eye") or () for foot in feet])
            else:
                stated[option] = found[0] if all(one == found[0] for one in found) else found
        if without_arch:
            stated["--without-arch"] = True
        return {**self._files, **({"stated": stated} if stated else {})}


def plan(
    *,
    left: MeasuredFoot | None = None,
    right: MeasuredFoot | None = None,
    shoe: str | Path | Shoe | None = None,
    kit: str | Path | Kit | None = None,
    limits: str | Path | Limits | None = None,
    **asked: Unpack[Asked],
) -> Plan:
    """Return the plan for one or two measured feet in a shoe.

    Parameters
    ----------
    left, right : MeasuredFoot, optional
        At least one.
    shoe : path or Shoe, optional
        None: a flat bed sized to the longer foot, and the plan says so.
    kit, limits : path or Kit, path or Limits, optional
        The workshop's own pads and limits.
    **asked : Asked
        Wishes (``support=0.8``, ``forefoot={"right": 2}``, ``shift_pad=(3, -2)`` ..) and terms
        (``answers``, ``clinician``, ``overrides``, ``without_arch``): see :class:`Wishes`,
        :class:`Terms`. Lengths mm, angles degrees, + is medial side up.

    Returns
    -------
    Plan
        Every number with its reason; ``plan.left``, ``plan.right``, ``plan.notes``,
        ``plan.write("plan.json")``. All placements are in the bed frame: origin at the rear end of
        the base's outline, +x forward, +y medial, +z up, mm.

    Raises
    ------
    As for :meth:`Bench.plan`.
    """
    return Bench(left=left, right=right, shoe=shoe, kit=kit, limits=limits).plan(**asked)


def fit(
    *,
    left: MeasuredFoot | None = None,
    right: MeasuredFoot | None = None,
    shoes: Sequence[str | Path | Shoe],
    limits: str | Path | Limits | None = None,
) -> list[FitResult]:
    """Return the shoes ranked for one or two feet, best first, with room and reasons.

    Parameters
    ----------
    left, right : MeasuredFoot, optional
        At least one.
    shoes : sequence of path or Shoe
        At least one.
    limits : path or Limits, optional
        The workshop's own limits.

    Raises
    ------
    insole.PlanError
        No foot, no shoe, or a file that cannot be used.
    """
    if left is None and right is None:
        raise PlanError("there is no foot to fit; give left=, right= or both")
    if isinstance(shoes, str | Path) or not shoes:
        raise PlanError("shoes= wants a list of shoe files or shoes, one at the least")
    bounds = (
        limit_tables.load(limits)
        if isinstance(limits, str | Path)
        else (limits or limit_tables.default_limits())
    )
    beds = [shoes_.load(one) if isinstance(one, str | Path) else one for one in shoes]
    return fitting.rank(left, right, beds, bounds)


def _parted(asked: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the wishes and the terms in what was asked."""
    check_names(asked, list(Terms.__annotations__))
    terms = {name: asked[name] for name in Terms.__annotations__ if name in asked}
    return {name: value for name, value in asked.items() if name not in terms}, terms


def _override(one: Override | str) -> Override:
    if isinstance(one, Override):
        return one
    parts = [part.strip() for part in one.split(";")]
    if len(parts) != 4 or not all(parts):
        raise PlanError(f"an override wants LIMIT;WHO;WHY;WHEN, all four filled, got {one!r}")
    return Override(limit=parts[0], who=parts[1], why=parts[2], when=parts[3])


def _marks(found: Sequence[Any], by_eye: Sequence[Any]) -> list[str]:
    """Return the landmarks set by hand as the command line writes them."""
    return [
        f"{f'{number}:' if len(found) > 1 else ''}{name}={','.join(f'{v:g}' for v in xyz)}"
        + (",eye" if name in eyes else "")
        for number, (marks, eyes) in enumerate(zip(found, by_eye, strict=True), 1)
        for name, xyz in (marks or {}).items()
    ]
