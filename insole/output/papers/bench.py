"""The bench page: every number that hands need, on one A4 page.

    Plan, Parts -> write_bench_page -> PDF

Left and right stand in columns. Numbers are 12 pt, warnings 10 pt and in the row and column of the
thing that they concern, so that both can be read over the bench; reasons and legal text are on the
plan page. What no part may go in before stands first, with a box to tick.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from insole.errors import OutputError
from insole.output import work
from insole.output.ink import MM, fonts, save_bytes
from insole.output.papers.bench_notes import plan_warnings, warnings
from insole.output.papers.bench_support import pad_lines
from insole.output.papers.bench_thickness import thickness_lines
from insole.output.papers.bench_type import ACT_PT, COLUMN, WORDS_PT, act, big, mixed
from insole.output.papers.flow import (
    MAIN_CAUTION,
    MARGIN,
    PAGE,
    RULE,
    WIDE,
    build,
    gap,
    height,
    paragraph,
    table,
)
from insole.output.phrases import answers, behind, capital, change, override, paper
from insole.parts.part import Part
from insole.record.least import counts
from insole.record.plan import FootPlan, Plan
from insole.record.planned_parts import WedgePlace, WedgePlan
from insole.record.questions import AT_A_STOP, WHEN_LOOSE

__all__ = ["write_bench_page"]

STOP_PT = 8.6
MANY = 4  # more open questions than this are counted here and named on the plan page
STOP_WORDS = "new pain in foot, knee, hip or back; numbness; tingling; cramp; blister; wound"
PAIN = (
    "before any part goes in, check shoe width, closure and cleat. Not clearly better after 3"
    " trials or 4 weeks: to a clinician."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """How closely the page is set.

    Share of the full gaps; letter size of the plain words; whether what is said of one thing
    starts at one height for both feet, or each foot's column runs on by itself.
    """

    gap: float
    words: float
    level: bool = True


FITS = (
    _Fit(gap=1.0, words=WORDS_PT),
    _Fit(gap=0.7, words=WORDS_PT),
    _Fit(gap=0.5, words=8.6),
    _Fit(gap=0.8, words=WORDS_PT, level=False),
    _Fit(gap=0.6, words=8.8, level=False),
    _Fit(gap=0.5, words=8.6, level=False),
    _Fit(gap=0.3, words=8.2, level=False),
    _Fit(gap=0.1, words=8.0, level=False),
)


def write_bench_page(path: str | Path, plan: Plan, parts: Sequence[Part]) -> None:
    """Write the page that lies on the bench: shoe, cleat, pad, wedge, thickness, work, sign-off.

    Parameters
    ----------
    path : path-like
        PDF to write, A4; replaced as a whole or not at all.
    plan : Plan
        Both feet side by side; a foot that is not planned is said to be so.
    parts : sequence of Part
        Worn parts; listed so that nothing is left on the printer.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot, or the file cannot be written.
    """
    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no bench page: plan one first")
    fonts()
    room = (PAGE[1] - 2 * MARGIN - 2.5) * MM
    for fit in FITS:
        story = _story(plan, parts, fit)
        if height(story) <= room:
            break
    else:  # it runs over anyhow: then with air, and in letters that can be read
        story = _story(plan, parts, FITS[1])
    save_bytes(path, build(story, plan, f"Bench page, {plan.case}, plan {plan.version}"))


def _story(plan: Plan, parts: Sequence[Part], fit: _Fit) -> list[Any]:
    """Return the flowables of the page: what comes first, numbers, work, stop note, names."""
    space = gap(1.6 * fit.gap)
    first = _first_box(plan, fit)
    return [
        _head(plan),
        gap(max(0.8 * fit.gap, 0.6)),  # the line for the date stays clear of the box
        *([first, space] if first else []),
        _numbers(plan, fit),
        space,
        work.preparation(plan, parts, fit.words, fit.gap),
        work.table_of_work(plan, fit.words, fit.gap),
        space,
        _stop_box(plan, fit),
        _sign_off(),
    ]


def _head(plan: Plan) -> Any:
    """Return the title line: case, plan, shoe, date."""
    shoe = escape(plan.shoe_name) if plan.shoe_name else "no shoe given: trial only"
    date = escape(plan.date) if plan.date else "date: ________________"
    left = paragraph(f"<b>Bench page</b> · {escape(plan.case)} · plan {plan.version}", 15.0)
    right = paragraph(f"{shoe}<br/>{date}", 9.5, align="right")
    return table([[left, right]], [118.0, 72.0], lines=False, pad=0.0)


def _first_box(plan: Plan, fit: _Fit) -> Any:
    """Return what stands before all work, each with a box to tick; None for nothing."""
    rows = []
    yes = answers(plan, "yes")
    if "riding pain" in yes:
        rows.append(f"<b>☐ First: riding pain</b> answered yes: {PAIN}")
    others = [name for name in yes if name != "riding pain"]
    if others or plan.clinician:
        said = f"<b>Answered yes: {escape('; '.join(others))}.</b> " if others else ""
        by = f"Clinician's word: {escape(plan.clinician)}." if plan.clinician else ""
        rows.append(f"☐ {said}{by}")
    rows += [f"☐ {escape(paper(note.text))}" for note in plan.notes if note.code == "same-day-care"]
    rows += [override(over) for over in plan.overrides]
    rows += plan_warnings(plan)
    open_ones = answers(plan, "not asked")
    if open_ones:
        named = escape("; ".join(open_ones))
        if len(open_ones) > MANY:
            named = f"{len(open_ones)} of {len(plan.answers)} questions, named on the plan page"
        rows.append(f"<b>☐ Not asked (which is not a no):</b> {named}.")
    return _box(rows, ACT_PT, fit) if rows else None


def _box(rows: list[str], size: float, fit: _Fit) -> Any:
    cell = [paragraph(row, size) for row in rows]
    framed = table([[cell]], [WIDE], lines=False, pad=0.4 + 0.7 * fit.gap)
    framed.setStyle([("BOX", (0, 0), (-1, -1), 1.2, (0, 0, 0))])
    return framed


def _numbers(plan: Plan, fit: _Fit) -> Any:
    """Return the table of all numbers, left foot and right foot in columns."""
    rows: list[list[Any]] = [
        [paragraph(f"<b>{side}</b>", 14.0, leading=1.05) for side in ("LEFT", "RIGHT")]
    ]
    cells: tuple[tuple[str, Callable[[Plan, FootPlan], list[Any]]], ...] = (
        ("shoe", lambda _, foot: []),
        ("cleat", _cleat),
        ("pad", pad_lines),
        ("wedge", _wedge),
        ("thickness", thickness_lines),
        ("saddle", _saddle),
        ("mind", lambda _, foot: []),
    )
    for name, cell in cells:
        pair = [
            [] if foot is None else cell(plan, foot) + [act(line) for line in warnings(foot, name)]
            for foot in (plan.left, plan.right)
        ]
        if name == "cleat":
            pair = [cell or [big("not planned")] for cell in pair]
        if any(pair):
            rows.append(pair)
    if not fit.level:
        rows = [rows[0], [_run_on(cells, fit) for cells in zip(*rows[1:], strict=True)]]
    both = _smaller_change(plan)
    if both:
        rows.append([big(both), ""])
    whole = table(rows, [COLUMN, COLUMN], pad=0.3 + 0.8 * fit.gap)
    if both:
        whole.setStyle([("SPAN", (0, len(rows) - 1), (1, len(rows) - 1))])
    return whole


def _run_on(cells: Sequence[list[Any]], fit: _Fit) -> list[Any]:
    """Return the cells of one foot below each other, parted by hairlines."""
    from reportlab.lib.colors import toColor
    from reportlab.platypus import HRFlowable

    space = (0.4 + 0.8 * fit.gap) * MM
    found: list[Any] = []
    for cell in filter(None, cells):
        rule = HRFlowable(
            width="100%", thickness=0.4, color=toColor(RULE), spaceBefore=space, spaceAfter=space
        )
        found += [rule, *cell] if found else cell
    return found


def _cleat(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return the axle's place from a mark that can be found again, the move, then the joint."""
    cleat = foot.cleat
    if cleat is None:
        return [big("Cleat as ridden: leave it")]
    straight = not counts(cleat.yaw, "cleat turn")
    marked = cleat.from_mark is not None
    place = cleat.from_ball_mark if cleat.from_mark is None else cleat.from_mark
    mark = escape(cleat.mark) if marked else "MTH1"
    lines = [big(f"Axle <b>{behind(place)}</b> {mark}{', nose straight' * straight}")]
    if cleat.back is None:
        lines.append(act("<b>Place as ridden not given: measure it first</b>"))
    elif not counts(cleat.back, "cleat"):
        lines.append(big("Stays where it was ridden"))
    else:
        way = "back" if cleat.back > 0 else "forward"
        lines.append(big(f"<b>Move {abs(cleat.back):.1f} mm {way}</b>"))
    if not straight:
        side = "big-toe" if cleat.yaw > 0 else "little-toe"
        lines.append(mixed(f"{{Nose {abs(cleat.yaw):g}°}} to {side} side of the midline"))
    sd = foot.landmark_sd.get("mth1")
    unsure = f" ± {sd:.1f} mm" if sd else ""
    joint = f"= {behind(cleat.from_ball_mark)} MTH1{unsure}" if marked else f"MTH1{unsure}"
    lines.append(act(f"{joint}: feel and mark it"))
    return lines


def _wedge(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return each shim with degrees, thick edge in words and mm, and where it runs."""
    lines: list[Any] = []
    for wedge in foot.wedges:
        kind = "varus" if wedge.net > 0 else "valgus"
        lines += [
            big(f"<b>{capital(wedge.place.value)} {abs(wedge.net):g}° {kind}</b>"),
            big(f"Thick on {wedge.thick_side}: {wedge.thick_edge:.1f} mm"),
        ]
        lines += _under(plan, foot, wedge) if wedge.place is WedgePlace.UNDER else _inside(wedge)
    whys = [
        act(f"{capital(escape(place))}: {escape(paper(why))}")
        for place, why in foot.no_wedge_because.items()
        if not why.startswith("no wish")
    ]
    under = any(wedge.place is WedgePlace.UNDER for wedge in foot.wedges)
    bolted = "" if under or not work.under_feet(plan) else f"{foot.side.upper()}: old bolts"
    built = foot.contour.posting if foot.contour is not None else []
    lines = [
        *(big(f"<b>{capital(w.place.value)} {w.words}, built into the bed</b>") for w in built),
        *lines,
    ]
    own = float(((plan.shoe or {}).get("shell") or {}).get("cant_forefoot") or 0.0)
    if own and not lines:
        whys.append(act(f"The shoe's own {abs(own):g}° {'varus' if own > 0 else 'valgus'} stays"))
    if not lines:
        return [big(f"No shim{f'; {bolted}' if bolted else ''}"), *whys]
    return [*lines, *whys, *([big(bolted)] if bolted else [])]


def _inside(wedge: WedgePlan) -> list[Any]:
    """Return where a shim inside the shoe runs."""
    start, stop = (pick(x for x, _ in wedge.outline) for pick in (min, max))
    small = f"thin edge {wedge.edge:.1f} mm; {wedge.width:.0f} mm wide"
    if abs(wedge.remainder) > 0.005:
        kind = "varus" if wedge.remainder > 0 else "valgus"
        small += f"; {abs(wedge.remainder):g}° {kind} not made"
    return [
        mixed(
            f"Part {{{start:.0f}–{stop:.0f}}}, full height"
            f" {{{wedge.full_from:.0f}–{wedge.full_to:.0f} mm}} from rear"
        ),
        paragraph(capital(small), WORDS_PT),
    ]


def _under(plan: Plan, foot: FootPlan, wedge: WedgePlan) -> list[Any]:
    """Return how a shim under the shoe goes on, and its bolts."""
    placed = (
        "By its bolt slots under the cleat, arrow forward, CLEAT SIDE down, plain face to the sole"
    )
    return [act(placed), *work.bolt_table(plan, foot, wedge, COLUMN)]


def _saddle(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return the saddle change in mm with its way, and what it hangs on."""
    found = foot.saddle_change
    if found is None:
        return [big("Saddle: no change worked out")]
    if found.value is None:
        return [mixed(f"{{Saddle change not known:}} {escape(paper(found.reason))}")]
    if work.only_if_it_stays(foot):  # the figure waits for the place that was not given
        return [
            mixed("{Saddle ________ mm}"),
            act(f"{change(found.value, found.sd)} if the cleat stays; {work.per_setback(plan)}"),
        ]
    return [mixed(f"{{Saddle {change(found.value, found.sd)}}}")]


def _smaller_change(plan: Plan) -> str:
    """Return which saddle change to use for two legs that differ, or nothing to say."""
    changes = [foot.saddle_change for foot in plan.feet if foot.saddle_change is not None]
    found = [q.value for q in changes if q.value is not None]
    if len(found) < 2 or change(found[0]) == change(found[1]):
        return ""
    if any(work.only_if_it_stays(foot) for foot in plan.feet):
        return ""  # no firm figure to choose from yet
    apart = abs(found[0] - found[1])
    use = work.one_saddle(found)
    said = "<b>leave the saddle</b>"
    if counts(use, "saddle"):
        said = f"use the smaller change, <b>{change(use)}</b>"
    if apart > work.saddle_difference(plan):
        said += f". <b>They differ by {apart:.1f} mm: ask before moving it</b>"
    return f"One saddle, two legs: {said}"


def _stop_box(plan: Plan, fit: _Fit) -> Any:
    """Return the framed stop note."""
    row = (
        f"<b>{MAIN_CAUTION} Stop and {AT_A_STOP}, at:</b> {STOP_WORDS}."
        f" At slipping, or a pedal that does not let go: {WHEN_LOOSE}."
    )
    return _box([row], STOP_PT, fit)


def _sign_off() -> Any:
    """Return lines for names and date, written by hand."""
    cells = [paragraph(f"{who} ____________________", 9.0) for who in ("fitter", "maker", "rider")]
    cells.append(paragraph("date ______________", 9.0))
    return table([cells], [50.0, 50.0, 50.0, 40.0], lines=False, pad=1.2)
