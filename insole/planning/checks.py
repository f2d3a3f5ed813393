"""What a plan is refused for before anything is placed: the scan, the overrides, the heel's rim."""

from __future__ import annotations

from collections.abc import Sequence

from footscan import typed
from footscan.errors import ScanQualityError
from footscan.quality.pair import pair_findings
from footscan.results import NO_SCALE, MeasuredFoot, Severity, Verdict
from footscan.scan import Side
from insole.errors import PlanError
from insole.record.limits import Limits
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.values import Override

__all__ = ["check_overrides", "check_pair", "check_rim", "check_scan"]


def check_scan(measured: MeasuredFoot, side: Side, without_arch: bool) -> None:
    """Refuse a scan that is not fit for making, or of the other foot."""
    if measured.foot.side is not side:
        raise PlanError(
            f"the scan {measured.facts.file} given for the {side} foot shows a "
            f"{measured.foot.side} foot; swap the scans or state the side"
        )
    report = measured.report
    if report.verdict is Verdict.MAKING or (report.verdict is Verdict.MEASURING and without_arch):
        return
    why = "; ".join(_clause(f.text) for f in report.deciding) or "see its findings"
    scale = [f for f in report.deciding if f.code in NO_SCALE]  # no other scan mends that
    again = [f.advice for f in report.deciding if f.advice and f not in scale][:1]
    wanted = [*again, *(f.advice for f in scale)] or ["scan it again"]
    advice = "; ".join(_clause(one) for one in wanted)
    if report.verdict is Verdict.MEASURING:
        said, choice = (
            "is fit for measuring only",
            ", or plan without the arch: shims and a flat base only",
        )
    else:
        said, choice = "must be taken again", ""
    raise ScanQualityError(
        f"{measured.facts.file} {said} and nothing was made: {why}; {advice}{choice}", report
    ).asking(*(["foot_length"] if scale else []), *(["without_arch"] if choice else []))


def check_pair(left: MeasuredFoot, right: MeasuredFoot) -> None:
    """Refuse two scans that contradict each other: one of them is mirrored, or its scale is off."""
    against = [f for f in pair_findings(left, right) if f.severity is not Severity.NOTE]
    if not against:
        return
    why = "; ".join(_clause(f.text) for f in against)
    raise ScanQualityError(
        f"{left.facts.file} and {right.facts.file} contradict each other and nothing was made: "
        f"{why}; {_clause(against[0].advice)}; measure both feet by hand and state both lengths",
        left.report,
    ).asking("foot_length")


def check_rim(wedges: Sequence[WedgePlan], limits: Limits) -> None:
    """Refuse a heel shim on a base with a heel rim: they want the same place."""
    rim = limits.value("base.heel_cup")
    if rim > 0 and any(wedge.place is WedgePlace.HEEL for wedge in wedges):
        raise PlanError(
            f"a wedge inside the heel does not lie inside a heel rim of {rim:g} mm; set "
            "base.heel_cup to 0 in the limits file, or wedge under the shoe"
        )


def _clause(sentence: str) -> str:
    """Return a sentence as a clause of a longer one."""
    text = sentence.strip().rstrip(".")
    return text[:1].lower() + text[1:]


def check_overrides(overrides: Sequence[Override], limits: Limits) -> None:
    """Refuse an override of a limit that there is not, or one that nobody signed."""
    for override in overrides:
        if override.limit not in limits:
            raise PlanError(f"there is no limit called '{override.limit}' to override")
        for name in ("who", "why", "when"):
            said = getattr(override, name)
            if wrong := typed.fault(said):
                raise PlanError(f"the override's {name} {wrong}; type it as one short plain line")
            if not said.strip():
                raise PlanError(
                    f"the override of {override.limit} does not say {name}; record who, "
                    "why and when"
                )
