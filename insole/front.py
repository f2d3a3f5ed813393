"""What ``import insole`` offers: measured feet to a plan, parts, a folder of files, a trial.

plan -> Plan -> build -> Built (parts of each side); make -> the folder; fit; log_trial

The same functions stand behind the command line and the desk: same plan, same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from insole.errors import OutputError, PlanError

if TYPE_CHECKING:
    from footscan.results import MeasuredFoot
    from insole.output.folder import Settings
    from insole.parts.part import Part
    from insole.planning.fit import FitResult
    from insole.record.plan import Override, Plan
    from insole.trials.trial import Trial

__all__ = [
    "Built",
    "BuiltPart",
    "build",
    "fit",
    "log_trial",
    "make",
    "plan",
    "read_plan",
    "sources_of",
]

Sided = float | Mapping[str, float]  # one number for both feet, or {"left": ..., "right": ...}
SidedPair = tuple[float, float] | Mapping[str, tuple[float, float]]
SidedWord = str | Mapping[str, str]
EXPORTS = (".stl", ".3mf", ".step")


def plan(
    *,
    left: MeasuredFoot | None = None,
    right: MeasuredFoot | None = None,
    shoe: str | Path | None = None,
    support: Sided | None = None,
    shift: SidedPair | None = None,
    turn: Sided | None = None,
    forefoot: Sided | None = None,
    heel: Sided | None = None,
    under: Sided | None = None,
    contoured: SidedWord | None = None,
    more: Mapping[str, Any] | None = None,
    case: str = "case",
    version: int = 1,
    date: str = "",
    body_mass: float | None = None,
    confirm_zero: bool = False,
    answers: Mapping[str, str] | None = None,
    clinician: str = "",
    overrides: Sequence[Override] = (),
    limits: str | Path | None = None,
    without_arch: bool = False,
    stated: Mapping[str, Any] | None = None,
) -> Plan:
    """Return the plan for one or two measured feet.

    Parameters
    ----------
    left, right : MeasuredFoot or None
        From :func:`footscan.measure`; at least one.
    shoe : path or None
        Shoe file; None plans on a flat bed, which the plan says.
    support : float or {"left": float, "right": float}
        Pad top over the gap under the arch, 1 touches. None: eased by the contact model.
    shift, turn : sided
        Pad moved by hand, (forward, medial) mm; turned, degrees, + front medially.
    forefoot, heel, under : sided
        Wedges in degrees, + big-toe side up (varus). No wish is not a wish of zero.
    contoured : str or sided
        ``"three-quarter"`` or ``"full"``: a bed in one piece in place of base, pad, inside shims.
    more : mapping or None
        Other wishes by their names in :class:`insole.planning.planner.FootWish`, each for both
        feet or sided.
    case, version, date : str, int, str
        Pseudonym, number of the plan, date as typed.
    body_mass : float or None
        kg, for the comparison of pressure.
    confirm_zero, without_arch : bool
        A wedge of zero is meant; shims and a flat base only.
    answers, clinician, overrides
        Answers to the questions before parts, a clinician's "NAME, YYYY-MM-DD", limits passed.
    limits : path or None
        The workshop's own limits file.
    stated : mapping or None
        What was stated of the scans, as options of the command, for the record; None takes the
        load from the feet.

    Raises
    ------
    footscan.errors.FootscanError
        Unusable input, or refused for safety or limits; one sentence says why.

    Examples
    --------
    >>> plan()
    Traceback (most recent call last):
    insole.errors.PlanError: a plan needs at least one measured foot; give left=, right= or both
    """
    from insole.planning import planner
    from insole.record import limits as bounds
    from insole.shoe import shoe as shoes

    if left is None and right is None:
        raise PlanError("a plan needs at least one measured foot; give left=, right= or both")
    wished = {
        "support_level": support, "shift": shift, "turn": turn, "forefoot": forefoot,
        "heel": heel, "under": under, "contoured": contoured, **(more or {}),
    }  # fmt: skip
    of = {side: planner.FootWish(**values) for side, values in _by_side(wished).items()}
    wishes = planner.PlanWishes(
        both=of["both"], left=of["left"], right=of["right"],
        case=case, version=version, date=date, body_mass=body_mass, confirm_zero=confirm_zero,
    )  # fmt: skip
    sources = sources_of([f for f in (left, right) if f is not None], shoe, limits, without_arch)
    if stated is not None:
        sources = {k: v for k, v in sources.items() if k != "stated"} | (
            {"stated": dict(stated)} if stated else {}
        )
    return planner.plan(
        left,
        right,
        shoes.load(shoe) if shoe is not None else None,
        wishes,
        answers=answers,
        clinician=clinician,
        overrides=overrides,
        without_arch=without_arch,
        limits=bounds.load(limits) if limits is not None else None,
        sources=sources,
    )


def sources_of(
    feet: Sequence[MeasuredFoot],
    shoe: str | Path | None = None,
    limits: str | Path | None = None,
    without_arch: bool = False,
) -> dict[str, Any]:
    """Return what a plan records of its files and of what was stated, as options of the command."""
    named = {"shoe": shoe, "limits": limits}
    sources: dict[str, Any] = {k: Path(v).name for k, v in named.items() if v is not None}
    loads = {foot.facts.load for foot in feet}
    stated: dict[str, Any] = {}
    if len(loads) == 1 and loads != {"unknown"}:
        stated["--load"] = loads.pop()
    if without_arch:
        stated["--without-arch"] = True
    return sources | ({"stated": stated} if stated else {})


def _by_side(wished: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the wishes common to both feet, and each foot's own."""
    from dataclasses import fields

    from insole.planning.planner import FootWish

    known = {field.name for field in fields(FootWish)}
    table: dict[str, dict[str, Any]] = {"both": {}, "left": {}, "right": {}}
    for name, value in wished.items():
        if name not in known:
            raise PlanError(f"there is no wish {name!r}; the wishes are {', '.join(sorted(known))}")
        given = value if isinstance(value, Mapping) else {"both": value}
        for side, one in given.items():
            if side not in table:
                raise PlanError(f"{name} is given for {side!r}; say left, right or both")
            if one is None:
                continue
            numbers = one if isinstance(one, tuple) else (one,)
            if any(isinstance(n, float) and not math.isfinite(n) for n in numbers):
                raise PlanError(f"{name} must be a finite number, got {one!r}")
            table[side][name] = one
    return table


@dataclass(frozen=True, slots=True)
class BuiltPart:
    """One part as it is worn, to look at and to write.

    Attributes
    ----------
    part : Part
        Mesh (mm, worn frame, +x forward, z = 0 towards the shoe), outline, marks, facts.
    plan : Plan
        The plan it was built from.
    """

    part: Part
    plan: Plan

    @property
    def name(self) -> str:
        """``base``, ``arch-pad``, ``forefoot-shim`` and so on."""
        return self.part.name

    @property
    def volume(self) -> float:
        """Volume before engraving, mm3."""
        return self.part.volume

    def write(self, path: str | Path) -> Path:
        """Write the part as ``.stl``, ``.3mf`` or ``.step``, read it back, and return the path.

        Raises
        ------
        insole.errors.OutputError
            The ending is another one, the file cannot be written or does not read back the same.
        """
        from insole.output.print import printing, step, threemf
        from insole.record.plan import fingerprint

        path = Path(path)
        kind = path.suffix.lower()
        if kind not in EXPORTS:
            raise OutputError(f"{path.name}: a part is written as {', '.join(EXPORTS)}")
        try:
            if kind == ".stl":
                printing.write_stl(path, self.part)
                printing.read_back_stl(path, self.part)
            elif kind == ".3mf":
                written = threemf.write_3mf(
                    path, [self.part], title=f"{self.plan.case}, version {self.plan.version}",
                    plan_id=fingerprint(self.plan),
                )  # fmt: skip
                threemf.read_back_3mf(written, [self.part])
                return written[0]
            else:
                step.write_step(path, self.part)
                step.read_back_step(path, self.part)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise OutputError(f"{path.name} cannot be written: {reason}; choose a path") from None
        return path


@dataclass(frozen=True, slots=True)
class BuiltFoot:
    """The parts of one foot; a part that the plan does not ask for is None."""

    parts: tuple[BuiltPart, ...]

    def __iter__(self) -> Iterator[BuiltPart]:
        """Yield the parts, base first."""
        return iter(self.parts)

    def find(self, name: str) -> BuiltPart | None:
        """Return the part of that name, such as ``"heel-shim"``."""
        return next((one for one in self.parts if one.name == name), None)

    @property
    def base(self) -> BuiltPart | None:
        """The flat base."""
        return self.find("base")

    @property
    def pad(self) -> BuiltPart | None:
        """The arch pad."""
        return self.find("arch-pad")

    @property
    def bed(self) -> BuiltPart | None:
        """The contoured bed in one piece."""
        return self.find("contoured-bed")

    @property
    def forefoot_shim(self) -> BuiltPart | None:
        """The wedge inside the shoe under the forefoot."""
        return self.find("forefoot-shim")

    @property
    def heel_shim(self) -> BuiltPart | None:
        """The wedge inside the shoe under the heel."""
        return self.find("heel-shim")

    @property
    def under_shoe_shim(self) -> BuiltPart | None:
        """The wedge between shoe and cleat."""
        return self.find("under-shoe-shim")


@dataclass(frozen=True, slots=True)
class Built:
    """The parts of a plan, by side; a foot that was not planned has none."""

    left: BuiltFoot
    right: BuiltFoot

    def __iter__(self) -> Iterator[BuiltPart]:
        """Yield all parts, left first."""
        yield from self.left
        yield from self.right


def build(plan: Plan) -> Built:
    """Return the parts of a plan, checked as they are before they are made.

    Raises
    ------
    insole.errors.PartError
        A part cannot be made as a closed solid.
    insole.errors.RefusedError
        A stop answer stands without a clinician's word.
    """
    from insole import workflow
    from insole.output.folder import Settings
    from insole.record.questions import decide

    decide(plan.answers, plan.clinician)
    made = [BuiltPart(part, plan) for part in workflow.checked_parts(plan, Settings())]
    return Built(
        *(
            BuiltFoot(tuple(one for one in made if one.part.side.value == side))
            for side in ("left", "right")
        )
    )


def make(plan: Plan, out: str | Path, *, settings: Settings | None = None) -> Path:
    """Write every file of a plan below `out`, read them back, and return the new folder.

    Byte for byte what ``solewright make`` writes; see :func:`insole.workflow.make`.
    """
    from insole import workflow

    return workflow.make(plan, Path(out), settings=settings)


def read_plan(path: str | Path) -> Plan:
    """Return the plan in a file; see :func:`insole.workflow.read_plan`."""
    from insole import workflow

    return workflow.read_plan(Path(path))


def fit(
    shoes: Sequence[str | Path],
    *,
    left: MeasuredFoot | None = None,
    right: MeasuredFoot | None = None,
    limits: str | Path | None = None,
) -> list[FitResult]:
    """Return the shoes of some shoe files ranked for the feet, best first.

    Raises
    ------
    insole.errors.PlanError
        No foot, no shoe, or a shoe file that cannot be read.
    """
    from insole.planning import fit as fitting
    from insole.record import limits as bounds
    from insole.shoe import shoe

    own = bounds.load(limits) if limits is not None else bounds.default_limits()
    return fitting.rank(left, right, [shoe.load(path) for path in shoes], own)


def log_trial(
    plan: Plan,
    log: str | Path,
    *,
    date: str,
    answer: Literal["better", "same", "worse"] | None = None,
    felt: Sequence[str] = (),
    said: str = "",
    side: Literal["left", "right", "both"] = "both",
    flags: Mapping[str, str] | None = None,
    clinician: str = "",
) -> Trial:
    """Log what a rider felt of a plan, and return the trial with the one step that follows.

    Parameters
    ----------
    plan : Plan
        The plan that was ridden.
    log : path
        A ``.json`` file, or the folder of a case or of cases.
    date : str
        Day of the ride, YYYY-MM-DD.
    answer, felt, said, side
        Better, same or worse; picks of the list; the rider's words; which foot.
    flags : mapping of str to str
        The six red flags as asked: yes or no. One that was not asked gives no step.
    clinician : str
        "NAME, YYYY-MM-DD", needed for a further step after a stop.

    Raises
    ------
    footscan.errors.FootscanError
        It cannot be logged; the log is then as it was.
    """
    from insole import workflow
    from insole.trials.trial import Said

    words = Said(
        text=said, side=side, answer=answer, date=date, clinician=clinician,
        flags=dict(flags or {}), felt=list(felt),
    )  # fmt: skip
    return workflow.log_trial(plan, words, Path(log))
