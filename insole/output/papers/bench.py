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

import numpy as np

from insole.errors import OutputError
from insole.output import work
from insole.output.ink import MM, fonts, save_bytes
from insole.output.papers.bench_notes import plan_warnings, warnings
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
from insole.output.phrases import (
    answers,
    behind,
    capital,
    change,
    extent,
    override,
    paper,
    shift_words,
    spread_words,
)
from insole.output.places import tender_spots, turn_words
from insole.parts.part import Part
from insole.planning.dowels import PAD_DEPTH_MM, SOCKET_MM, base_depth
from insole.planning.thickness import SIDE_SHARE, TOES_SHARE
from insole.record.least import counts
from insole.record.limits import of_plan
from insole.record.plan import ContourPlan, FootPlan, Plan, ThicknessRow, WedgePlace, WedgePlan
from insole.record.rings import edges_at

__all__ = ["write_bench_page"]

NUMBERS_PT = 12.0  # what a person reads at arm's length over the bench
ACT_PT = 10.0  # what must be acted on, at 40 cm
WORDS_PT = 9.0
STOP_PT = 8.6
COLUMN = WIDE / 2
SAME_MM = 0.05  # what one decimal does not tell apart
MANY = 4  # more open questions than this are counted here and named on the plan page
STOP_WORDS = (
    "new pain in foot, knee, hip or back; numbness; tingling; cramp; blister; wound; slipping;"
    " cannot release"
)
STATIONS = ("heel", "arch", "ball", "toes")
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
        gap(0.8 * fit.gap),
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
        ("pad", _pad),
        ("wedge", _wedge),
        ("thickness", _thickness),
        ("saddle", _saddle),
        ("mind", lambda _, foot: []),
    )
    for name, cell in cells:
        pair = [
            [] if foot is None else cell(plan, foot) + [_act(line) for line in warnings(foot, name)]
            for foot in (plan.left, plan.right)
        ]
        if name == "cleat":
            pair = [cell or [_big("not planned")] for cell in pair]
        if any(pair):
            rows.append(pair)
    if not fit.level:
        rows = [rows[0], [_run_on(cells, fit) for cells in zip(*rows[1:], strict=True)]]
    both = _smaller_change(plan)
    if both:
        rows.append([_big(both), ""])
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


def _big(text: str) -> Any:
    return paragraph(text, NUMBERS_PT, leading=1.15)


def _act(text: str) -> Any:
    return paragraph(text, ACT_PT, leading=1.15)


def _mixed(text: str) -> Any:
    """Return a line of words whose figures, set in braces, are larger than they."""
    text = text.replace("{", f"<font size='{NUMBERS_PT:g}'>").replace("}", "</font>")
    return paragraph(text, WORDS_PT, leading=1.53)


def _cleat(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return the axle's place from a mark that can be found again, the move, then the joint."""
    cleat = foot.cleat
    if cleat is None:
        return [_big("Cleat as ridden: leave it")]
    straight = not counts(cleat.yaw, "cleat turn")
    marked = cleat.from_mark is not None
    place = cleat.from_ball_mark if cleat.from_mark is None else cleat.from_mark
    mark = escape(cleat.mark) if marked else "MTH1"
    lines = [_big(f"Axle <b>{behind(place)}</b> {mark}{', nose straight' * straight}")]
    if cleat.back is None:
        lines.append(_act("<b>Place as ridden not given: measure it first</b>"))
    elif not counts(cleat.back, "cleat"):
        lines.append(_big("Stays where it was ridden"))
    else:
        way = "back" if cleat.back > 0 else "forward"
        lines.append(_big(f"<b>Move {abs(cleat.back):.1f} mm {way}</b>"))
    if not straight:
        side = "big-toe" if cleat.yaw > 0 else "little-toe"
        lines.append(_mixed(f"{{Nose {abs(cleat.yaw):g}°}} to {side} side of the midline"))
    sd = foot.landmark_sd.get("mth1")
    unsure = f" ± {sd:.1f} mm" if sd else ""
    joint = f"= {behind(cleat.from_ball_mark)} MTH1{unsure}" if marked else f"MTH1{unsure}"
    lines.append(_act(f"{joint}: feel and mark it"))
    return lines


def _pad(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return size, crest, turn, ends and fill of the pad, and the spots that it keeps free."""
    pad = foot.pad
    spots = [
        _act(f"<b>Tender spot:</b> {x:g} mm from rear, {_side_words(y)}: keep free")
        for x, y in tender_spots(plan, foot.side)
    ]
    if foot.contour is not None:
        return [*_contour(foot.contour), _act(_effect_words(foot)), *spots]
    spots = [*_metatarsal(foot), *spots]
    if pad is None:
        why = escape(paper(foot.no_pad_because))
        return [_mixed(f"<b>{{No pad:}}</b> {why}"), *spots]
    long, wide = extent(pad)
    known = f"{pad.crest.height:g} high" in pad.name
    size = [] if known else [f"{{{pad.crest.height:.1f} mm}} high"]
    if _bed_unsure(plan, foot) and pad.gap_at_crest.sd:
        size.append(f"trial height {{± {pad.gap_at_crest.sd:.0f} mm}}")
    # a pad of the kit has its own size in its name
    whole = f"{{{long:.0f} × {wide:.0f} mm}}, ends" if pad.source == "scan" else "Ends"
    name = escape(capital(pad.name.removesuffix(" from the scan")))
    lines = [
        _mixed(f"<b>{{{name}{':' * bool(size)}}}</b> {', '.join(size)}"),
        _mixed(
            f"Crest {{{pad.crest.from_rear:.1f}}} from rear,"
            f" {{{pad.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        _mixed(f"{whole} {{{pad.rear_edge:.1f}}} and {{{pad.front_edge:.1f} mm}} from rear"),
    ]
    if abs(pad.turn) >= SAME_MM:
        lines.append(_big(capital(turn_words(pad.turn))))
    if any(abs(step) > SAME_MM for step in pad.shift):
        lines.append(_act(f"Moved by hand: {shift_words(pad.shift)}"))
    if pad.medial_height is not None and pad.medial_height > pad.edge + SAME_MM:
        lines.append(_mixed(f"Big-toe side stands, up to {{{pad.medial_height:.1f} mm}}"))
    fill = [_act(_fill_words(foot)), _act(_effect_words(foot))]
    return [*lines, *_drill(foot), *(fill if foot.effect else fill[:1]), *spots]


def _metatarsal(foot: FootPlan) -> list[Any]:
    """Return height, crest and turn of a metatarsal pad, if there is one."""
    dome = foot.metatarsal
    if dome is None:
        return []
    return [
        _mixed(
            f"<b>{{Metatarsal pad:}}</b> {{{dome.height:.1f} mm}} high, crest"
            f" {{{dome.crest.from_rear:.1f}}} from rear,"
            f" {{{dome.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        _act(f"{dome.behind:g} mm behind heads 2 to 4, {turn_words(dome.turn)}"),
    ]


def _contour(contour: ContourPlan) -> list[Any]:
    """Return length, crest, cup and ends of a contoured bed, and what is built in."""
    lines = [
        _mixed(
            f"<b>{{{capital(contour.name)}:}}</b> {{{contour.crest.height:.1f} mm}} thick at"
            " the crest"
        ),
        _mixed(
            f"Crest {{{contour.crest.from_rear:.1f}}} from rear,"
            f" {{{contour.crest.from_medial:.1f} mm}} from big-toe edge"
        ),
        _mixed(
            f"Heel cup {{{contour.cup:g} mm}}, plate {{{contour.plate:g} mm}}, front end"
            f" {{{contour.front_edge:.0f} mm}} from rear"
        ),
    ]
    if contour.metatarsal:
        lines.append(_act(f"Metatarsal pad {contour.metatarsal:g} mm high behind heads 2 to 4"))
    lines += [_act(f"Built in: {wedge.place.value} {wedge.words}") for wedge in contour.posting]
    gap, left = contour.gap_at_crest, contour.residual_gap
    if gap.value and left.value is not None:
        share = 100 * (gap.value - left.value) / gap.value
        lines.append(
            _act(f"Fills {share:.0f} %, {left.value:.1f}{spread_words(left.sd)} mm left open")
        )
    return lines


def _effect_words(foot: FootPlan) -> str:
    """Return what the support does, in one line."""
    if foot.effect is None:
        return ""
    words = [
        f"{case.case} midfoot {100 * case.midfoot_share[0]:.0f}→{100 * case.midfoot_share[1]:.0f} %"
        f" of the load, contact {case.area[0]:.0f}→{case.area[1]:.0f} cm²"
        for case in foot.effect.cases
        if case.case == "pedalling"
    ]
    said = "; ".join(words) or "no figures"
    if foot.effect.little:
        return f"<b>Does next to nothing</b> in the model: {said}; see the plan"
    return f"Model: {said}"


def _drill(foot: FootPlan) -> list[Any]:
    """Return where the holes for dowels are drilled and how deep, if there are any."""
    base = foot.base
    if not base.dowels:
        return []
    places = ", ".join(f"{x:g}/{abs(y):g}{'' if y >= 0 else ' little-toe'}" for x, y in base.dowels)
    return [
        _act(
            f"<b>Dowels</b>: drill {SOCKET_MM:g} mm at {places} (mm from rear/mm to big-toe side"
            f" of the centreline); pad {PAD_DEPTH_MM:.1f}, base"
            f" {base_depth(base.thickness):.1f} mm deep"
        )
    ]


def _side_words(y: float) -> str:
    """Return a place across the base, mm medial of its centreline, in words."""
    if abs(y) < SAME_MM:
        return "on the centreline"
    return f"{abs(y):g} mm towards {'big' if y > 0 else 'little'} toe"


def _bed_unsure(plan: Plan, foot: FootPlan) -> bool:
    """Return whether the gap under the arch was half guessed: foot in the air, or bed not known."""
    codes = {note.code for note in foot.notes}
    return (
        foot.load in ("none", "unknown")
        or plan.shoe is None
        or bool(codes & {"no-shoe", "drop-only"})
    )


def _fill_words(foot: FootPlan) -> str:
    """Return how much of the gap the pad fills and what it leaves open."""
    pad = foot.pad
    if pad is None or pad.residual_gap.value is None or not pad.gap_at_crest.value:
        return "Gap under the arch not known"
    left = pad.residual_gap
    share = 100 * pad.crest.height / pad.gap_at_crest.value
    return f"Fills {share:.0f} %, {left.value:.1f}{spread_words(left.sd)} mm left open"


def _wedge(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return each shim with degrees, thick edge in words and mm, and where it runs."""
    lines: list[Any] = []
    for wedge in foot.wedges:
        kind = "varus" if wedge.net > 0 else "valgus"
        lines += [
            _big(f"<b>{capital(wedge.place.value)} {abs(wedge.net):g}° {kind}</b>"),
            _big(f"Thick on {wedge.thick_side}: {wedge.thick_edge:.1f} mm"),
        ]
        lines += _under(plan, foot, wedge) if wedge.place is WedgePlace.UNDER else _inside(wedge)
    whys = [
        _act(f"{capital(escape(place))}: {escape(paper(why))}")
        for place, why in foot.no_wedge_because.items()
        if not why.startswith("no wish")
    ]
    under = any(wedge.place is WedgePlace.UNDER for wedge in foot.wedges)
    bolted = "" if under or not work.under_feet(plan) else f"{foot.side.upper()}: old bolts"
    if not foot.wedges:
        return [_big(f"No shim{f'; {bolted}' if bolted else ''}"), *whys]
    return [*lines, *whys, *([_big(bolted)] if bolted else [])]


def _inside(wedge: WedgePlan) -> list[Any]:
    """Return where a shim inside the shoe runs."""
    start, stop = (pick(x for x, _ in wedge.outline) for pick in (min, max))
    small = f"thin edge {wedge.edge:.1f} mm; {wedge.width:.0f} mm wide"
    if abs(wedge.remainder) > 0.005:
        kind = "varus" if wedge.remainder > 0 else "valgus"
        small += f"; {abs(wedge.remainder):g}° {kind} not made"
    return [
        _mixed(
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
    return [_act(placed), *work.bolt_table(plan, foot, wedge, COLUMN)]


def _thickness(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return heel, arch, ball, toes before and after; both sides of the bed where they differ."""
    rows: dict[str, ThicknessRow] = {row.station: row for row in foot.thickness}
    if not rows:
        return [_big("Thickness not worked out")]
    found = [rows.get(name) for name in STATIONS]
    names = ["before", "after"]
    values = [[row and row.before for row in found], [row and row.after for row in found]]
    apart = [row if row is not None and _differs(row) else None for row in found]
    if any(apart):
        names = ["before", "big-toe side", "middle", "little-toe side"]
        values.insert(1, [row and row.medial for row in apart])
        values.append([row and row.lateral for row in apart])
    lines = [
        [
            paragraph("mm, with cover", 8.4),
            *(
                paragraph(name, WORDS_PT, align="center")
                for name in ("heel", "arch¹", "ball²", "toes")
            ),
        ]
    ]
    for name, some in zip(names, values, strict=True):
        empty = "" if name.endswith("side") else "–"
        bold = ("", "") if name == "before" else ("<b>", "</b>")
        cells = [empty if value is None else f"{value:.1f}" for value in some]
        lines.append(
            [
                paragraph(name, WORDS_PT, leading=1.0),
                *(
                    paragraph(cell.join(bold), NUMBERS_PT, align="center", leading=1.0)
                    for cell in cells
                ),
            ]
        )
    column = (COLUMN - 3.0 - 27.0) / 4
    small = table(lines, [27.0, *[column] * 4], lines=False, pad=0.1)
    small.setStyle([("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LEFTPADDING", (0, 0), (0, -1), 0)])
    said = [small, gap(0.6)]
    if any(apart):
        places = _side_places(plan, foot, [row for row in apart if row is not None])
        said += [paragraph(places, WORDS_PT)] if places else []
    if any(row.before is None for row in rows.values()):
        said.append(paragraph("–: the insole taken out was not measured", WORDS_PT))
    return said


def _side_places(plan: Plan, foot: FootPlan, rows: Sequence[ThicknessRow]) -> str:
    """Return how far from the centreline the sides of the bed in the table lie, as planned."""
    ring, foot_x = np.array(foot.base.outline), np.array(foot.foot_outline)[:, 0]
    rear, long = float(foot_x.min()), float(np.ptp(foot_x))
    at = {
        "heel": rear + of_plan(plan).value("seating.heel_seat") * long,
        "toes": rear + TOES_SHARE * long,
    }
    if {"mth1", "mth5"} <= foot.landmarks.keys():
        at["ball"] = (foot.landmarks["mth1"][0] + foot.landmarks["mth5"][0]) / 2
    said = []
    for row in rows:
        if row.station not in at:
            continue
        low, high = (float(y[0]) for y in edges_at(ring, at[row.station]))
        big = f"{low + (1 - SIDE_SHARE) * (high - low):.0f}"
        little = f"{-(low + SIDE_SHARE * (high - low)):.0f}"
        both = big if big == little else f"{big} to big toe, {little} to little toe"
        said.append(f"{row.station} {both}")
    return f"Sides, mm from centreline: {'; '.join(said)}" if said else ""


def _differs(row: ThicknessRow) -> bool:
    """Return whether the two sides of the bed are not as thick as its middle."""
    return any(
        side is not None and counts(side - row.after, "thickness")
        for side in (row.medial, row.lateral)
    )


def _saddle(plan: Plan, foot: FootPlan) -> list[Any]:
    """Return the saddle change in mm with its way, and what it hangs on."""
    found = foot.saddle_change
    if found is None:
        return [_big("Saddle: no change worked out")]
    if found.value is None:
        return [_mixed(f"{{Saddle change not known:}} {escape(paper(found.reason))}")]
    if work.only_if_it_stays(foot):  # the figure waits for the place that was not given
        return [
            _mixed("{Saddle ________ mm}"),
            _act(f"{change(found.value, found.sd)} if the cleat stays; {work.per_setback(plan)}"),
        ]
    return [_mixed(f"{{Saddle {change(found.value, found.sd)}}}")]


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
        f"<b>{MAIN_CAUTION} Stop, and take back the last step, at:</b> {STOP_WORDS}."
        " Numbness during a ride also undoes the last step."
    )
    return _box([row], STOP_PT, fit)


def _sign_off() -> Any:
    """Return lines for names and date, written by hand."""
    cells = [paragraph(f"{who} ____________________", 9.0) for who in ("fitter", "maker", "rider")]
    cells.append(paragraph("date ______________", 9.0))
    return table([cells], [50.0, 50.0, 50.0, 40.0], lines=False, pad=1.2)
