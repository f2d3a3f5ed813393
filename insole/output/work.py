"""The order of work: one list, in which every change is made, ridden and judged by itself.

    Plan, Parts -> preparation, table_of_work, bolt_table -> tables of the bench page

Baseline, shoe, cleat, base and pad, wedge, baseline again. The saddle follows each step by its own
share, so that no trial mixes two changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from insole.errors import PlanError
from insole.output.long_parts import joint_words
from insole.output.made import short_way
from insole.output.papers.bench_notes import warnings
from insole.output.papers.flow import WIDE, gap, paragraph, table
from insole.output.phrases import change, merged, noted, words
from insole.output.readme import MOULDED
from insole.parts.facts import CoverFacts
from insole.parts.form_upper import FORMS
from insole.parts.part import Part
from insole.planning.cleat import Bolt, bolts, setback_change
from insole.planning.wedge_rules import SCREWS_MM, bolt_name
from insole.record.least import counts
from insole.record.limits import of_plan
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.tables import Table
from insole.shoe.parts import CleatSlots, read_slots

__all__ = [
    "bolt_table",
    "one_saddle",
    "only_if_it_stays",
    "per_setback",
    "preparation",
    "saddle_difference",
    "steps",
    "table_of_work",
    "under_feet",
]

NUMBERS_PT, ACT_PT = 12.0, 10.0
SETBACK_MM = 5.0
TRIAL_COLUMNS = (15.0, 15.0, 15.0, 15.0, 11.0, 22.0)  # mm
TRIAL_WORDS = (
    "<b>Each trial</b> 5–10 min easy, 5 min steady seated, 1 min standing. First road ride at most"
    " 1 h, easy and near home; then bolts to torque again. Review after 3–5 rides or 2 weeks. Three"
    " steps without a clear gain: back to baseline."
)
PREPARE = (
    "<b>Before trimming</b> ☐ template: both rulers 100 mm ☐ parts against this page: side,"
    " face{edge}{copy}. Trim toe and outer edge"
    " first; trimming heel or big-toe edge moves the zeros. <b>Thickness</b> ¹ at the crest ² in"
    " the middle of the ball line. <b>Saddle</b> along the seat tube."
)
COPY = " ☐ crest and shim lines from the template onto the base"
LAYERS = "base, shim, {pad}cover; double-sided tape"


def preparation(plan: Plan, parts: Sequence[Part], size: float, space: float) -> Any:
    """Return what lies ready and what comes before the first cut."""
    joint = joint_words(parts)
    lines = [f"<b>Parts</b> {_part_words(plan, parts)}.", *([f"<b>{joint}</b>"] if joint else [])]
    bases = any(foot.contour is None for foot in plan.feet)
    edge = ", thick edge" if any(foot.tilts for foot in plan.feet) else ""
    lines.append(PREPARE.format(copy=COPY if bases else "", edge=edge))
    cell = [paragraph(line, size) for line in lines]
    return table([[cell]], [WIDE], lines=False, pad=0.6 * space)


def _part_words(plan: Plan, parts: Sequence[Part]) -> str:
    """Return the parts that must lie on the bench, by side, with what is not supplied."""
    from_kit = {f.side for f in plan.feet if f.pad is not None and f.pad.source == "kit"}
    sides: dict[str, list[str]] = {}
    for part in parts:
        name = words(part.name)
        if part.name == "arch-pad" and part.side.value in from_kit:
            name = "kit pad"
        if part.way is not None:
            name += f" ({short_way(part)})"
        by_hand = part.facts.engraved.paper_only
        if by_hand:
            name += f" (write on by hand: {', '.join(by_hand)})"
        sides.setdefault(part.side.value, []).append(name)
    count = "2\N{NO-BREAK SPACE}×\N{NO-BREAK SPACE}" if len(plan.feet) == 2 else ""
    thick = f"{of_plan(plan).value('thickness.cover'):g}\N{NO-BREAK SPACE}mm"
    cut = any(isinstance(part.facts, CoverFacts) for part in parts)
    cover = [] if cut else [f"{count}cover {thick} (not supplied)"]
    said = [f"<b>{side.upper()}</b> {escape(', '.join(names))}" for side, names in sides.items()]
    kit = ["kit pads from the kit, or print the file"] if from_kit else []
    moulded = [f"form: {MOULDED}"] if any(part.name in FORMS for part in parts) else []
    return "; ".join([*said, *kit, *moulded, *cover])


# ---- steps -------------------------------------------------------------------------------


def table_of_work(plan: Plan, size: float, space: float) -> Any:
    """Return the steps with the boxes of the trial that follows each."""
    first = WIDE - sum(TRIAL_COLUMNS)
    small = min(size, 8.4)
    heads = (
        "<b>Order of work</b>, one change each, then its trial",
        *("contact even", "lump: where", "heel slips", "toes free", "knee path"),
        "better +, worse −",
    )
    rows = [[paragraph(words, small) for words in heads]]
    pair = " ".join(f"☐{foot.side[0].upper()}" for foot in plan.feet)
    boxes = [pair, "", pair, pair, "", "☐+  ☐=  ☐−"]
    found = steps(plan)
    for number, (name, done) in zip(_numbers([name for name, _ in found]), found, strict=True):
        text = f"☐ <b>{number} {name}</b>{': ' if done else ''}{done}"
        rows.append([paragraph(text, size), *(paragraph(box, size) for box in boxes)])
    whole = table(
        [*rows, [paragraph(TRIAL_WORDS, size)]], [first, *TRIAL_COLUMNS], pad=0.25 + 0.5 * space
    )
    whole.setStyle([("SPAN", (0, len(rows)), (-1, len(rows)))])
    return whole


def steps(plan: Plan) -> list[tuple[str, str]]:
    """Return name and work of each step that this plan needs, as markup."""
    moves = _saddle_moves(plan)
    found = [("baseline", "ride it as it is"), ("shoe", _shoe_step(plan))]
    cleats = [foot for foot in plan.feet if foot.cleat is not None]
    if cleats:
        new = "" if under_feet(plan) else "old bolts, "
        found.append(
            (
                f"cleat{_of(plan, cleats)}",
                f"{_cleat_mark(cleats)}; toe to wheel, heel to crank ≥ 5 mm; {new}maker's torque,"
                f" ten clip-ins and releases a foot on a stand.{moves['cleat']}",
            )
        )
    found.append(_base_step(plan, moves["base"]))
    for feet in _wedge_turns(plan):
        name = "wedge" if feet == [f for f in plan.feet if f.wedges] else f"wedge{_of(plan, feet)}"
        found.append((name, _wedge_step(plan, feet, moves[_turn_name(feet)])))
    return [*found, ("baseline again", "once, to be sure of the gain")]


def _cleat_mark(feet: Sequence[FootPlan]) -> str:
    """Return what a cleat is set by: the shoe's mark, or the joint of the big toe as felt."""
    marked = all(foot.cleat is not None and foot.cleat.from_mark is not None for foot in feet)
    return "to its mark" if marked else "by the joint of the big toe, felt and marked on the shoe"


def _numbers(names: Sequence[str]) -> list[str]:
    """Return the steps' numbers; wedges of two kinds are 5a and 5b."""
    wedges = [name for name in names if name.startswith("wedge")]
    found: list[str] = []
    number = 0
    for name in names:
        number += 0 if name in wedges[1:] else 1
        letter = "ab"[wedges.index(name)] if name in wedges and len(wedges) > 1 else ""
        found.append(f"{number}{letter}")
    return found


def _wedge_turns(plan: Plan) -> list[list[FootPlan]]:
    """Return which feet get their shims in one step: both at once only where they are alike."""
    feet = [foot for foot in plan.feet if foot.wedges]
    kinds = [{(wedge.place, wedge.net) for wedge in foot.wedges} for foot in feet]
    if len(feet) == 2 and kinds[0] != kinds[1]:
        return [[foot] for foot in feet]
    return [feet] if feet else []


def _turn_name(feet: Sequence[FootPlan]) -> str:
    return " ".join(["wedge", *(foot.side for foot in feet)])


def _of(plan: Plan, feet: Sequence[FootPlan]) -> str:
    """Return which feet a step is for, if not all."""
    names = " and ".join(foot.side.upper() for foot in feet)
    return "" if len(feet) == len(plan.feet) == 2 else f" {names}"


def _shoe_step(plan: Plan) -> str:
    tight = [foot for foot in plan.feet if warnings(foot, "shoe")]
    names = " and ".join(foot.side.upper() for foot in tight)
    return f"closure, width; {names} tight, see above" if tight else "closure, width"


def _base_step(plan: Plan, saddle: str) -> tuple[str, str]:
    """Return the step in which base and pad go in, which is one change."""
    pads = [foot for foot in plan.feet if foot.pad is not None]
    whole = [foot for foot in plan.feet if foot.contour is not None]
    kept = bool(((plan.shoe or {}).get("stock_insole") or {}).get("kept"))
    what = "contoured bed" if len(whole) == len(plan.feet) else "base"
    old = f"{what} onto the old insole" if kept else f"old insole out, {what} in"
    pad = "; pad: crest on its cross, tape" if pads else ""
    domes = [foot for foot in plan.feet if foot.metatarsal is not None]
    if domes:
        pad += f"; metatarsal pad{_of(plan, domes)}: behind the heads felt, on its cross, tape"
    table_words = "" if any(foot.wedges for foot in plan.feet) else "; measure against the table"
    text = (
        f"{old}, trimmed until flat{pad}; cover on, no step above 0.2 mm under a fingertip"
        f"{table_words}.{saddle}"
    )
    both = " LEFT and RIGHT" if len(plan.feet) == 2 else ""
    name = "base and pad" if len(pads) == len(plan.feet) else f"base{both}, pad{_of(plan, pads)}"
    return (name if pads else what), text


def _wedge_step(plan: Plan, mine: Sequence[FootPlan], saddle: str) -> str:
    """Return what is done with each shim, by side; what is bolted on comes first."""
    said = []
    for place in (WedgePlace.UNDER, WedgePlace.FOREFOOT, WedgePlace.HEEL):
        feet = [f for f in mine if any(w.place is place for w in f.wedges)]
        if feet:
            names = " and ".join(foot.side.upper() for foot in feet)
            how = ": its bolts, torque, ten clip-ins" if place is WedgePlace.UNDER else ""
            said.append(f"<b>{names}</b> {place.value}{how}")
    inside = [f for f in mine if any(w.place is not WedgePlace.UNDER for w in f.wedges)]
    pad = "pad over the shim's thin end, " if any(foot.pad for foot in inside) else ""
    if any(f.metatarsal and w.place is WedgePlace.FOREFOOT for f in inside for w in f.wedges):
        pad += "metatarsal pad onto the shim, "
    layers = f": {LAYERS.format(pad=pad)}" if inside else ""
    return (
        f"{'; '.join(said)}{layers}. Foot back in, heel to the rear, closed as before; measure"
        f" against the table.{saddle}"
    )


# ---- saddle ------------------------------------------------------------------------------


def one_saddle(values: Sequence[float]) -> float:
    """Return the change for one saddle: the smaller, none where the legs ask for both ways."""
    if min(values) * max(values) <= 0 and len(values) > 1:
        return 0.0
    return min(values, key=abs)


def saddle_difference(plan: Plan) -> float:
    """Return how far the legs may differ before somebody is asked, mm."""
    return of_plan(plan).value("thickness.saddle_difference")


def only_if_it_stays(foot: FootPlan) -> bool:
    """Return whether a saddle change holds only for a cleat that is not moved."""
    change_of, cleat = foot.saddle_change, foot.cleat
    return (
        change_of is not None
        and change_of.value is not None
        and cleat is not None
        and cleat.back is None
        and "only if the cleat stays" in change_of.reason
    )


def per_setback(plan: Plan) -> str:
    """Return how the saddle follows a cleat that is moved back, in words."""
    limits = of_plan(plan)
    stated = ((plan.shoe or {}).get("bike") or {}).get("seat_tube_angle")
    tube = limits.value("cleat.seat_tube") if stated is None else float(stated)
    step = setback_change(SETBACK_MM, tube, limits.value("cleat.foot_pitch"))
    return f"per {SETBACK_MM:g} mm further back: saddle {change(step)}"


def _saddle_moves(plan: Plan) -> dict[str, str]:
    """Return how the saddle follows each step, in words; the moves add up to the whole change.

    The saddle follows the sum of what was changed so far, the smaller of the two legs, so that
    the last step ends where the plan does. No step is smaller than a saddle can be set.
    """
    turns = _wedge_turns(plan)
    names = ["cleat", "base", *map(_turn_name, turns)]
    moves, at = dict.fromkeys(names, ""), 0.0
    shares = {foot.side: _shares(plan, foot) for foot in plan.feet}
    known = {side: share for side, share in shares.items() if share is not None}
    if not known:
        return moves
    stops: list[tuple[str, float]] = []
    on: set[str] = set()
    for k, name in enumerate(names):
        on |= {foot.side for foot in turns[k - 2]} if k > 1 else set()
        done = [
            sum(share[: min(k + 1, 2)]) + (share[2] if side in on else 0.0)
            for side, share in known.items()
        ]
        to = one_saddle(done)
        if counts(to - at, "saddle"):
            stops.append((name, to))
            at = to
    while stops:  # the last one ends where the plan does, or it is none
        name, _ = stops.pop()
        start = stops[-1][1] if stops else 0.0
        if counts(to - start, "saddle"):
            stops.append((name, to))
            break
    start = 0.0
    for name, end in stops:
        said = f"Saddle {change(end - start)}.".replace(" ", "\N{NO-BREAK SPACE}")
        moves[name], start = f" <b>{said}</b>", end
    return moves


def _shares(plan: Plan, foot: FootPlan) -> tuple[float, float, float] | None:
    """Return what cleat, base and wedge ask of the saddle, mm; None where it is not known."""
    whole = foot.saddle_change
    ball = next((row for row in foot.thickness if row.station == "ball"), None)
    if whole is None or whole.value is None or ball is None or ball.before is None:
        return None
    under = sum((w.edge + w.thick_edge) / 2 for w in foot.wedges if w.place is WedgePlace.UNDER)
    kept = bool(((plan.shoe or {}).get("stock_insole") or {}).get("kept"))
    flat = foot.base.thickness + of_plan(plan).value("thickness.cover")
    base = flat - (0.0 if kept else ball.before)
    cleat = whole.value - (ball.after - ball.before + under)
    if foot.contour is not None:  # wedges inside the shoe are built into it
        base = whole.value - cleat - under
    return cleat, base, whole.value - cleat - base


# ---- bolts -------------------------------------------------------------------------------


def under_feet(plan: Plan) -> list[FootPlan]:
    """Return the feet with a shim under the shoe."""
    return [f for f in plan.feet if any(w.place is WedgePlace.UNDER for w in f.wedges)]


def bolt_table(plan: Plan, foot: FootPlan, wedge: WedgePlan, wide: float) -> list[Any]:
    """Return a table of the bolts over a shim under the shoe, each by its name.

    Without a hole pattern in the plan's shoe, the plan's own sentence on the bolts.
    """
    slots = _slots(plan)
    if slots is None or not slots.holes:
        said = merged(("", "", noted(n)) for n in foot.notes if n.code == "under-bolts")
        text = escape(said[0][1]) if said else "Each bolt longer by the shim at that bolt"
        return [paragraph(text, ACT_PT)]
    limits = of_plan(plan)
    heads = ("bolt, mm", "old", "shim", "needs", "buy")
    rows = [[paragraph(name, 9.0) for name in heads]]
    for bolt in bolts(slots, wedge, limits):
        name = bolt_name(bolt.x, bolt.y).replace(" bolt on the", ",").replace(" bolt", "")
        old = "–" if slots.bolt_length is None else f"{slots.bolt_length:g}"
        needs = "old + shim" if bolt.length is None else f"<b>{bolt.length:.1f}</b>"
        rows.append(
            [
                paragraph(name, 9.0, leading=1.0),
                *(
                    paragraph(cell, NUMBERS_PT, leading=1.0)
                    for cell in (old, f"{bolt.added:.1f}", needs)
                ),
                paragraph(_buy(bolt), ACT_PT, leading=1.0),
            ]
        )
    columns = (10.0, 12.0, 13.0, 23.0)
    small = table(rows, [wide - 3.0 - sum(columns), *columns], lines=False, pad=0.1)
    small.setStyle([("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    turns = limits.value("wedge.under.bolt_turns")
    rule = (
        f"Thread as before or more, at least {turns:g} turns ({turns * slots.thread_pitch:.1f} mm);"
        " no bolt bottoms out or reaches the footbed"
    )
    return [small, gap(0.6), paragraph(rule, 9.0)]


def _slots(plan: Plan) -> CleatSlots | None:
    try:
        return read_slots(Table((plan.shoe or {}).get("cleat") or {}, "shoe", "cleat."))
    except PlanError:
        return None


def _buy(bolt: Bolt) -> str:
    """Return the next length in which short screws are sold, and what to cut off it."""
    if bolt.length is None:
        return ""
    sold = next((size for size in SCREWS_MM if size >= bolt.length - 0.05), None)
    if sold is None:
        return "made to measure"
    over = sold - bolt.length
    return f"{sold:g}, cut {over:.1f}" if over > 0.3 else f"{sold:g}"
