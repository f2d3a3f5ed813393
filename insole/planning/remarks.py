"""Notes that no single rule of planning owns: the shoe's room, the kit, the workshop's limits."""

from __future__ import annotations

from footscan.results import MeasuredFoot, Verdict
from footscan.scan import Side
from insole.planning import fit, fit_stations
from insole.record.limits import Limits, default_limits
from insole.record.planned_contact import ContactPlan, EffectPlan
from insole.record.planned_parts import PadPlan
from insole.record.values import Note, NoteLevel
from insole.shoe.shoe import Shoe

__all__ = ["fit_notes", "kit_doubt", "limit_notes", "without_figures"]


def fit_notes(
    left: MeasuredFoot | None, right: MeasuredFoot | None, shoe: Shoe, limits: Limits
) -> dict[Side, list[Note]]:
    """Return per foot what the shoe's room says: tight places as warnings, the others in one."""
    (result,) = fit.rank(left, right, [shoe], limits)
    found = {}
    for foot in result.feet:
        tight = [s for s in foot.stations if s.word == "tight"]
        notes = [
            Note(
                code=f"fit-{s.station.replace(' ', '-')}",
                level=NoteLevel.WARN,
                text=f"shoe: {s.text}",
                short=_tight(s),
            )
            for s in tight
        ]
        words = [
            f"{word} at {', '.join(foot.words(word))}"
            for word in ("snug", "loose", "not known")
            if foot.words(word)
        ]
        found[foot.side] = [*notes, Note(code="fit", text=f"shoe: {'; '.join(words)}")]
    return found


def _tight(station: fit_stations.StationFit) -> str:
    """Return how much a shoe is too tight where: what is wanted at least less what is there."""
    if station.room is None:
        return ""
    less = station.least - station.room
    short = f"{station.station} tight: {less:.1f} ± {station.sd:.1f} mm short"
    return f"{short}, try on" if station.close else short


def kit_doubt(pad: PadPlan | None, does: EffectPlan | None) -> list[Note]:
    """Return that a pad of the kit which does next to nothing is not recommended."""
    if pad is None or pad.source != "kit" or does is None or not does.little:
        return []
    return [
        Note(
            code="kit-little",
            level=NoteLevel.WARN,
            text=(
                f"{pad.name} is not recommended: plan the pad from the scan, take another kit, or "
                "none"
            ),
        )
    ]


def limit_notes(limits: Limits) -> list[Note]:
    """Return one note on the limits that are the workshop's own."""
    usual = default_limits()
    own = [f"{x.name} {x} (usual {usual[x.name]}): {x.reason}" for x in limits.by_workshop]
    text = f"planned with limits of the workshop: {'; '.join(own)}"
    short = "planned with limits of the workshop's own: read them on the plan page"
    return [Note(code="own-limits", level=NoteLevel.WARN, text=text, short=short)] if own else []


def without_figures(contact: ContactPlan, measured: MeasuredFoot) -> ContactPlan:
    """Return a contact plan with no figures, and why: the sole was not seen, or not used.

    A flat plane in place of the sole touches everywhere: its areas and peaks are the plane's.
    """
    why = "planned without the arch: how the sole rests cannot be said"
    report = measured.report
    if report.verdict is not Verdict.MAKING and report.deciding:
        why = f"the sole was not seen: {report.deciding[0].text.rstrip('.').lower()}"
    cases = [
        case.model_copy(
            update={
                "before": None,
                "after": None,
                "before_map": None,
                "after_map": None,
                "notes": [],
                "reason": why,
            }
        )
        for case in contact.cases
    ]
    return contact.model_copy(update={"cases": cases, "notes": []})
