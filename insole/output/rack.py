"""A flat part whose thickness is not in the rack: what can be done with the sheets that are.

Plan, MadeParts, Settings -> with_rack -> a sentence for each such sheet, for the first page
"""

from __future__ import annotations

from insole.output.made import MadeParts
from insole.output.settings import Settings
from insole.parts.facts import BaseFacts, CoverFacts
from insole.parts.part import Part
from insole.record.limits import of_plan
from insole.record.plan import Plan

__all__ = ["with_rack"]

SAME_MM = 0.01
GRIND_MM = 1.5  # of a whole sheet, evenly: more is not done by hand; common practice, no source


def with_rack(plan: Plan, made: MadeParts, settings: Settings) -> dict[str, str]:
    """Return what can be done about flat parts whose sheet is not in the rack, a sentence a sheet.

    Only bases and covers: everything else is ground or built up from what is there. Nothing
    without a stock, nor where the rack holds no sheet of that material.
    """
    lacking: dict[tuple[str, str, float], list[Part]] = {}
    for part in made.parts:
        key = _limit(part)
        if settings.stock is None or not key or part.way is None or part.way.how != "cut":
            continue
        (wanted,), there = part.way.sheets, settings.stock.thicknesses(part.material)
        if there and min(abs(t - wanted) for t in there) > SAME_MM:
            lacking.setdefault((part.material, key, wanted), []).append(part)
    found: dict[str, str] = {}
    for (material, key, wanted), parts in lacking.items():
        assert settings.stock is not None
        there = settings.stock.thicknesses(material)
        ways = _ground(parts[0], wanted, there, settings)
        free = parts[0].facts.sockets is None  # a thinner base would hold no dowels
        if able := tuple(t for t in there if free or t > wanted):
            ways.append(_anew(plan, parts, key, able))
        labels = " and ".join(part.label for part in parts)
        found[f"rack: {material} {wanted:g}"] = (
            f"for {labels} of {material} the rack lacks a sheet of {wanted:g} mm: "
            f"{'; or '.join(['buy it', *ways])}"
        )
    return found


def _limit(part: Part) -> str:
    """Return the planning limit that says how thick a flat part is."""
    if isinstance(part.facts, BaseFacts):
        return "base.thickness"
    return "thickness.cover" if isinstance(part.facts, CoverFacts) else ""


def _ground(part: Part, wanted: float, there: tuple[float, ...], settings: Settings) -> list[str]:
    """Return how a thicker sheet becomes as thin; nothing where none can be ground evenly."""
    hardness = settings.materials.find(part.material).hardness
    thicker = [t for t in there if wanted < t <= wanted + GRIND_MM]
    soft = hardness is not None and hardness.unit == "Shore A"  # sheet of a plastic melts
    if not thicker or not soft or not isinstance(part.facts, BaseFacts):
        return []
    return [f"grind {min(thicker):g} mm from the rack down to {wanted:g} mm all over, then cut it"]


def _anew(plan: Plan, parts: list[Part], key: str, there: tuple[float, ...]) -> str:
    """Return with which limit the parts are planned of a sheet that is there, and what it costs."""
    wanted = parts[0].facts.thickness or 0.0
    nearest = min(there, key=lambda t: (abs(t - wanted), t))
    more = nearest - wanted
    text = (
        f"plan anew with {key} = {nearest:g} in your limits file and take {nearest:g} mm from the "
        f"rack: the foot then lies {abs(more):g} mm {'higher' if more > 0 else 'lower'} all over"
    )
    rows = [row for p in parts for row in getattr(plan, p.side.value).thickness]
    over = [row.after - row.before + more for row in rows if row.station == "ball" and row.before]
    if more < 0 or not over:
        return text
    most, worst = of_plan(plan).value("thickness.ball_refuse"), round(max(over), 1)
    what = "which is refused: the most is" if worst > most else "where the most is"
    high = f"{abs(worst):.1f} mm {'above' if worst > 0 else 'below'}" if worst else "level with"
    return f"{text}, at the middle of the ball {high} the insole taken out, {what} {most:g} mm"
