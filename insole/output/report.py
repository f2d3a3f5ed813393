"""The two papers of a plan: the bench page for the workshop, the plan page for a person.

    Plan, Parts -> write_bench_page -> PDF, one A4 page: every number that hands need
    Plan, Parts -> write_plan_page  -> PDF, A4: what was measured, planned, left out, and why

Numbers on the bench page are 12 pt. When notes or overrides are long, spacing shrinks first and
then the tail runs over to a second page; the numbers stay on the first.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from insole.errors import OutputError
from insole.output.template import MM, fonts, save_bytes, taper_words, turn_words
from insole.parts.material_file import default_materials
from insole.parts.materials import Materials, amount
from insole.parts.part import Part
from insole.planning.plan import (
    ContactCase,
    FootPlan,
    NoteLevel,
    PadPlan,
    Plan,
    Quantity,
    ThicknessRow,
    WedgePlace,
    WedgePlan,
    fingerprint,
)

__all__ = ["write_bench_page", "write_plan_page"]

PAGE = (210.0, 297.0)
MARGIN = 10.0  # mm
LABEL = 22.0  # mm, the column of row names
NUMBERS_PT = 12.0  # what a person reads at arm's length over the bench
SMALL_PT = 8.6
RULE = (0.55, 0.55, 0.55)
STOP_WORDS = (
    "new pain in foot, knee, hip or back; numbness; tingling; cramp; blister; wound; slipping;"
    " cannot release"
)
TRIAL_WORDS = (
    "5–10 min easy, 5 min steady seated, one minute standing. First road ride at most 1 h, easy and"
    " near home; review after 3–5 rides or 2 weeks. Three steps without a clear gain: back to"
    " baseline."
)
STATION_HEAD = ("heel", "arch", "ball", "toes")
LEVEL_WORDS = {
    NoteLevel.REFUSE: "Refused",
    NoteLevel.WARN: "Mind",
    NoteLevel.INFO: "Note",
}
# notes that have their own place on the bench page
ELSEWHERE = frozenset(
    {"under-bolts", "under-before-riding", "saddle", "saddle-differs", "not-asked"}
)
LISTED = 9  # a longer list in a shoe file, such as an outline, is counted, not printed
MAIN_CAUTION = "Foot pain calls for clinical advice."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """How closely the bench page is set: share of the full gaps, letter size of the words."""

    gap: float
    small: float


FITS = (
    _Fit(gap=1.0, small=SMALL_PT),
    _Fit(gap=0.8, small=SMALL_PT),
    _Fit(gap=0.7, small=8.4),
    _Fit(gap=0.55, small=8.2),
    _Fit(gap=0.45, small=7.6),
    _Fit(gap=0.45, small=7.2),
)


def write_bench_page(path: str | Path, plan: Plan, parts: Sequence[Part]) -> None:
    """Write the page that lies on the bench: pad, wedge, cleat, thickness, work, trial, sign-off.

    Parameters
    ----------
    path : path-like
        PDF to write, A4; replaced as a whole or not at all.
    plan : Plan
        Both feet side by side; a foot that is not planned is said to be so.
    parts : sequence of Part
        Worn parts; listed with their material so that nothing is left on the printer.

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
        story = _bench_story(plan, parts, fit)
        if _height(story) <= room:
            break
    save_bytes(path, _build(story, plan, f"Bench page, {plan.case}, plan {plan.version}"))


def write_plan_page(
    path: str | Path,
    plan: Plan,
    parts: Sequence[Part] = (),
    materials: Materials | None = None,
) -> None:
    """Write the plan for a person to read: scans, measures, shoe, parts, reasons, what is missing.

    Parameters
    ----------
    path : path-like
        PDF to write, A4; replaced as a whole or not at all.
    plan : Plan
        Measures are given ± one standard deviation.
    parts : sequence of Part
        Worn parts; listed with volume and mass.
    materials : Materials, optional
        What they are made of; None takes the default table.

    Raises
    ------
    insole.errors.OutputError
        The plan has no foot, or the file cannot be written.
    """
    if not plan.feet:
        raise OutputError("the plan has no foot, so there is no page to write: plan one first")
    fonts()
    story = [
        *_plan_head(plan),
        _placement_image(plan),
        *_planned_section(plan),
        *_part_section(parts, materials or default_materials()),
        *_contact_section(plan),
        *_measure_section(plan),
        *_missing_section(plan),
        *_shoe_section(plan),
        *_note_section(plan),
        *_caution_section(plan),
    ]
    save_bytes(path, _build(story, plan, f"Plan, {plan.case}, plan {plan.version}"))


# ---- bench page --------------------------------------------------------------------------


def _bench_story(plan: Plan, parts: Sequence[Part], fit: _Fit) -> list[Any]:
    """Return the flowables of the bench page, numbers first."""
    return [
        _bench_head(plan),
        _gap(1.5 * fit.gap),
        _numbers_table(plan, fit),
        _gap(2.0 * fit.gap),
        _stop_box(plan, fit),
        _gap(2.0 * fit.gap),
        _work_and_bolts(plan, parts, fit),
        _gap(2.0 * fit.gap),
        _trial_table(fit),
        _gap(2.0 * fit.gap),
        _sign_off(),
        _gap(1.5 * fit.gap),
        *_bench_tail(plan, fit),
    ]


def _bench_head(plan: Plan) -> Any:
    """Return the title line: case, plan, shoe, date."""
    shoe = escape(plan.shoe_name) if plan.shoe_name else "no shoe given: trial only"
    date = escape(plan.date) if plan.date else "date: ________________"
    left = _p(f"<b>Bench page</b> · {escape(plan.case)} · plan {plan.version}", 15.0)
    right = _p(f"{shoe}<br/>{date}", 9.5, align="right")
    return _table([[left, right]], [118.0, 72.0], lines=False, pad=0.0)


def _numbers_table(plan: Plan, fit: _Fit) -> Any:
    """Return the table of all numbers, left foot and right foot in columns."""
    wide = (PAGE[0] - 2 * MARGIN - LABEL) / 2
    rows: list[list[Any]] = [["", *(_p(f"<b>{side}</b>", 17.0) for side in ("LEFT", "RIGHT"))]]
    for name, words in (
        ("pad", _pad_cell),
        ("wedge", _wedge_cell),
        ("cleat", _cleat_cell),
        ("thickness<br/>mm", lambda foot: _thickness_cell(foot, wide)),
        ("saddle", _saddle_cell),
    ):
        cells = [
            [_p("not planned", NUMBERS_PT)] if foot is None and name == "pad"
            else [] if foot is None else words(foot)
            for foot in (plan.left, plan.right)
        ]  # fmt: skip
        rows.append([_p(f"<b>{name}</b>", 9.0), *cells])
    both = _smaller_change(plan)
    if both:
        rows.append(["", _p(both, NUMBERS_PT), ""])
    table = _table(rows, [LABEL, wide, wide], pad=1.3 * fit.gap)
    if both:
        table.setStyle([("SPAN", (1, len(rows) - 1), (2, len(rows) - 1))])
    return table


def _pad_cell(foot: FootPlan) -> list[Any]:
    """Return size, crest, turn and ends of the pad."""
    pad = foot.pad
    if pad is None:
        return [_p("no pad", NUMBERS_PT), _p(escape(foot.no_pad_because), SMALL_PT)]
    long, wide = _extent(pad)
    lines = [
        _p(f"<b>{escape(pad.name)}</b>", NUMBERS_PT),
        _p(f"{pad.crest.height:.1f} mm high, {long:.0f} × {wide:.0f} mm", NUMBERS_PT),
        _p(f"Crest {pad.crest.from_rear:.1f} mm from rear edge", NUMBERS_PT),
        _p(f"and {pad.crest.from_medial:.1f} mm from medial edge", NUMBERS_PT),
        _p(_capital(turn_words(pad.turn)), NUMBERS_PT),
        _p(f"Edges end at {pad.rear_edge:.1f} and {pad.front_edge:.1f} mm", NUMBERS_PT),
    ]
    if any(abs(step) > 0.05 for step in pad.shift):
        lines.append(_p(f"Moved by hand: {_shift_words(pad.shift)}", SMALL_PT))
    return lines


def _wedge_cell(foot: FootPlan) -> list[Any]:
    """Return each shim with degrees, thick edge in words and mm, and where it runs."""
    lines: list[Any] = []
    for wedge in foot.wedges:
        kind = "varus" if wedge.net > 0 else "valgus"
        tapers = taper_words(wedge)
        lines += [
            _p(f"<b>{_capital(wedge.place.value)} {_signed(wedge.net)}° {kind}</b>", NUMBERS_PT),
            _p(f"Thick on {wedge.thick_side}: {wedge.thick_edge:.1f} mm", NUMBERS_PT),
            _p(f"From {wedge.full_from:.0f} to {wedge.full_to:.0f} mm from rear edge", NUMBERS_PT),
            _p(f"{_capital(tapers)}; thin edge {wedge.edge:.1f} mm; {wedge.width:.0f} mm wide"
               + (f"; {_signed(wedge.remainder)}° left by rounding, not made"
                  if abs(wedge.remainder) > 0.005 else ""), SMALL_PT),
        ]  # fmt: skip
    if not foot.wedges:
        lines.append(_p("no shim", NUMBERS_PT))
        for place, why in foot.no_wedge_because.items():
            lines.append(_p(f"{_capital(escape(place))}: {escape(why)}", SMALL_PT))
    return lines


def _cleat_cell(foot: FootPlan) -> list[Any]:
    """Return the axle's place against the ball marks, yaw and float."""
    cleat = foot.cleat
    if cleat is None:
        return [_p("as ridden: leave it", NUMBERS_PT)]
    lines = [
        _p(f"Axle {_behind(cleat.from_ball_mark)} ball mark"
           f" <font size='{SMALL_PT}'>(MTH1)</font>", NUMBERS_PT),
        _p(f"and {_behind(cleat.from_mth5)} MTH5", NUMBERS_PT),
        _p(f"{_capital(_yaw_words(cleat.yaw))}; {_float_words(cleat.float_range)}", NUMBERS_PT),
    ]  # fmt: skip
    return lines


def _thickness_cell(foot: FootPlan, wide: float) -> list[Any]:
    """Return a small table: heel, arch, ball, toes; before and after."""
    rows: dict[str, ThicknessRow] = {row.station: row for row in foot.thickness}
    if not rows:
        return [_p("not worked out", NUMBERS_PT)]
    head = ["", *(_p(name, 9.0, align="center") for name in STATION_HEAD)]
    before, after = [_p("before", 9.0)], [_p("after", 9.0)]
    for name in STATION_HEAD:
        row = rows.get(name)
        was = "–" if row is None or row.before is None else f"{row.before:.1f}"
        now = "–" if row is None else f"{row.after:.1f}"
        before.append(_p(was, NUMBERS_PT, align="center"))
        after.append(_p(f"<b>{now}</b>", NUMBERS_PT, align="center"))
    column = (wide - 4.0 - 15.0) / 4
    cell = [_table([head, before, after], [15.0, *[column] * 4], lines=False, pad=0.4)]
    cell[0].setStyle([("VALIGN", (0, 0), (-1, -1), "MIDDLE")])
    if any(row.before is None for row in rows.values()):
        cell.append(_p("–: the insole taken out was not measured", SMALL_PT))
    return cell


def _saddle_cell(foot: FootPlan) -> list[Any]:
    """Return the saddle change in mm with the way to move it."""
    change = foot.saddle_change
    if change is None:
        return [_p("no change worked out", NUMBERS_PT)]
    if change.value is None:
        return [_p("not known", NUMBERS_PT), _p(escape(change.reason), SMALL_PT)]
    way = "up" if change.value > 0.05 else "down" if change.value < -0.05 else "leave"
    return [_p(f"{_amount(change, sign=True)}, {way}", NUMBERS_PT)]


def _smaller_change(plan: Plan) -> str:
    """Return which saddle change to use for two legs, or nothing to say."""
    values = {
        foot.side: foot.saddle_change.value
        for foot in plan.feet
        if foot.saddle_change is not None and foot.saddle_change.value is not None
    }
    if len(values) < 2:
        return ""
    apart = abs(values["left"] - values["right"])
    use = min(values.values(), key=abs) if values["left"] * values["right"] > 0 else 0.0
    words = f"One saddle, two legs: use the smaller change, <b>{_signed(use, 1)} mm</b>"
    if apart > 3.0:
        words += f". <b>The legs differ by {apart:.1f} mm, more than 3 mm: ask before moving it</b>"
    return words


def _stop_box(plan: Plan, fit: _Fit) -> Any:
    """Return the framed stop note with cautions, answers and overrides that nobody may miss."""
    rows = [
        f"<b>{MAIN_CAUTION} Stop, and take back the last step, at:</b> {STOP_WORDS}."
        " Numbness during a ride also undoes the last step.",
    ]
    yes, unasked = _answers(plan, "yes"), _answers(plan, "not asked")
    if yes:
        rows.append(f"<b>Answered yes:</b> {escape('; '.join(yes))}.")
    if plan.clinician:
        rows.append(f"<b>Clinician's word:</b> {escape(plan.clinician)}.")
    if unasked:
        rows.append(f"<b>Not asked (which is not a no):</b> {escape('; '.join(unasked))}.")
    for over in plan.overrides:
        rows.append(
            f"<b>Limit passed on purpose:</b> {escape(over.limit)}. By {escape(over.who)},"
            f" {escape(over.when)}: {escape(over.why)}."
        )
    wide = PAGE[0] - 2 * MARGIN
    table = _table([[[_p(row, fit.small) for row in rows]]], [wide], lines=False, pad=1.2 * fit.gap)
    table.setStyle([("BOX", (0, 0), (-1, -1), 1.2, (0, 0, 0))])
    return table


def _work_and_bolts(plan: Plan, parts: Sequence[Part], fit: _Fit) -> Any:
    """Return the order of work with boxes, and what the bolts ask for."""
    half = (PAGE[0] - 2 * MARGIN) / 2
    left = [_p("<b>Order of work</b>", fit.small)]
    steps = [f"{k}. {words}" for k, words in enumerate(_work_steps(plan), 1)]
    left += [_p(step, fit.small, bullet="☐") for step in steps]
    if parts:
        left += [_gap(1.0 * fit.gap), _p(f"<b>Parts</b> {escape(_part_words(parts))}.", fit.small)]
    right = [_p("<b>Bolts</b>", fit.small)]
    right += [_p(f"<b>{words}</b>", NUMBERS_PT) for words in _bolt_lengths(plan)]
    right += [_p(line, fit.small) for line in _bolt_lines(plan)]
    right += [_gap(1.0 * fit.gap), _p(f"<b>Trial</b> {TRIAL_WORDS}", fit.small)]
    return _table([[left, right]], [half, half], pad=1.0 * fit.gap)


def _work_steps(plan: Plan) -> list[str]:
    """Return the steps that this plan needs, in the order that keeps each one checkable."""
    places = {wedge.place for foot in plan.feet for wedge in foot.wedges}
    pads = any(foot.pad is not None for foot in plan.feet)
    steps = [
        "Hold each part to this page: LEFT or RIGHT, face, thick edge.",
        "Check both rulers of the template (100 mm), then cut.",
        "Old insole out, base in; trim until it lies flat.",
    ]
    if places - {WedgePlace.UNDER}:
        steps.append("Shim in, thick edge as above; seat the foot again.")
    if pads:
        steps.append("Pad: crest on the cross, front edge on its mark; tape.")
    if WedgePlace.UNDER in places:
        steps.append("Shim under the shoe: no gap above 0.3 mm; bolts as beside.")
    if any(foot.cleat is not None for foot in plan.feet):
        steps.append("Cleat to its mark; toe to wheel, heel to crank ≥ 5 mm.")
    steps += [
        "Fingertip over the cover: no step above 0.2 mm.",
        "Measure heel, arch, ball, toes against the table.",
        "Saddle by the number above, then the trial.",
    ]
    return steps


def _part_words(parts: Sequence[Part]) -> str:
    """Return the parts that must lie on the bench, by side."""
    sides: dict[str, list[str]] = {}
    for part in parts:
        sides.setdefault(part.side.value, []).append(_words(part.name))
    return "; ".join(f"{side.upper()} {', '.join(names)}" for side, names in sides.items())


def _under_shims(plan: Plan) -> list[tuple[FootPlan, WedgePlan]]:
    return [(foot, wedge) for foot in plan.feet for wedge in foot.wedges
            if wedge.place is WedgePlace.UNDER]  # fmt: skip


def _bolt_lengths(plan: Plan) -> list[str]:
    """Return how much longer the bolts over a shim under the shoe must be."""
    return [f"{foot.side.upper()}: old bolt + {wedge.edge:.1f} to {wedge.thick_edge:.1f} mm"
            for foot, wedge in _under_shims(plan)]  # fmt: skip


def _bolt_lines(plan: Plan) -> list[str]:
    """Return what bolts ask for."""
    lines = [
        f"<b>{head.upper()}</b> {escape(text)}."
        for head, text in _merged(("", foot.side, note.text) for foot, _ in _under_shims(plan)
                                  for note in foot.notes if note.code == "under-bolts")
    ]  # fmt: skip
    lines += [f"{foot.side.upper()}: above 2°, angled washers."
              for foot, wedge in _under_shims(plan) if abs(wedge.net) > 2.0]  # fmt: skip
    turns = (
        "Each by the shim at that bolt. Turns in the thread: not fewer than before, at least 5"
        " (M5 × 0.8: 4 mm); the bolt may touch neither the bottom of its hole nor the footbed."
    )
    if _under_shims(plan):
        return [
            *(lines or [turns]),
            "Torque of the maker, again after the first ride. Ten clip-ins and releases a foot on"
            " a stand; float still free.",
        ]
    if any(foot.cleat is not None for foot in plan.feet):
        return ["No shim under the shoe: old bolts. Torque of the maker, again after the first"
                " ride. Ten clip-ins and releases a foot on a stand."]  # fmt: skip
    return ["No bolt is touched."]


def _trial_table(fit: _Fit) -> Any:
    """Return boxes for one change at a time, baseline first and once again."""
    head = ["<b>Trial</b>, one change each", "contact even<br/>L / R", "lump: where",
            "heel slips", "toes free", "knee path", "better / same / worse"]  # fmt: skip
    rows = [[_p(words, fit.small - 0.6) for words in head]]
    boxes = ["☐ L  ☐ R", "", "☐ L  ☐ R", "☐ L  ☐ R", "", "☐      ☐      ☐"]
    for step in ("baseline as ridden", "shoe fit, closure", "cleat", "arch pad", "wedge",
                 "baseline again"):  # fmt: skip
        rows.append([_p(step, fit.small), *(_p(box, fit.small) for box in boxes)])
    return _table(rows, [40.0, 25.0, 30.0, 24.0, 24.0, 20.0, 27.0], pad=0.75 * fit.gap)


def _sign_off() -> Any:
    """Return lines for names and date, written by hand."""
    cells = [_p(f"{who} ______________________", 9.0) for who in ("fitter", "maker", "rider")]
    cells.append(_p("date ______________", 9.0))
    return _table([cells], [50.0, 50.0, 50.0, 40.0], lines=False, pad=1.0)


def _bench_tail(plan: Plan, fit: _Fit) -> list[Any]:
    """Return notes and cautions, the first to move to a second page; the gravest stay longest."""
    notes = _all_notes(plan, without=ELSEWHERE)
    notes += _merged(
        ("Cleat", foot.side, text) for foot in plan.feet if foot.cleat is not None
        for text in foot.cleat.notes
    )  # fmt: skip
    lines = [_p(f"<b>{head}</b> {escape(text)}.", fit.small - 0.4) for head, text in notes]
    info = LEVEL_WORDS[NoteLevel.INFO]
    grave = sum(1 for head, _ in notes if not head.startswith((info, "Cleat")))
    words = " ".join(caution for caution in plan.cautions if caution != MAIN_CAUTION)
    return [*lines[:grave], _p(escape(words), fit.small - 0.6), *lines[grave:]]


# ---- plan page ---------------------------------------------------------------------------


def _plan_head(plan: Plan) -> list[Any]:
    """Return title, tool, and the scans with load and verdict."""
    tool = " ".join(plan.tool.get(key, "") for key in ("name", "version"))
    date = escape(plan.date) if plan.date else "date: ______________"
    head = _table(
        [[_p(f"<b>Plan</b> · {escape(plan.case)} · plan {plan.version}", 16.0),
          _p(f"{date}<br/>{escape(tool)} · {fingerprint(plan)}", 8.0, align="right")]],
        [120.0, 70.0], lines=False, pad=0.0,
    )  # fmt: skip
    rows = [[_p(f"<b>{name}</b>") for name in ("foot", "scan", "load", "verdict", "arch lowered")]]
    for foot in plan.feet:
        rows.append([
            _p(f"<b>{foot.side.upper()}</b>"),
            _p(f"{escape(foot.scan_file)} <font size='6.5'>{foot.scan_sha256[:12]}</font>"),
            _p(escape(_load_words(foot.load))),
            _p(escape(foot.verdict)),
            _p(f"{foot.seating.lowered:.1f} mm, gap known to ± {foot.seating.band:.1f} mm"),
        ])  # fmt: skip
    for side in ("left", "right"):
        if getattr(plan, side) is None:
            rows.append([_p(f"<b>{side.upper()}</b>"), _p("not planned"), "", "", ""])
    return [head, _gap(2), _table(rows, [16.0, 64.0, 38.0, 34.0, 38.0], pad=0.8), _gap(2)]


def _placement_image(plan: Plan) -> Any:
    """Return the placement picture as an image across the page."""
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image

    from insole.output.pictures import placement_png

    data = placement_png(plan, dpi=170)
    wide, high = ImageReader(io.BytesIO(data)).getSize()
    scale = min((PAGE[0] - 2 * MARGIN) * MM / wide, 150.0 * MM / high)
    return Image(io.BytesIO(data), width=wide * scale, height=high * scale)


def _planned_section(plan: Plan) -> list[Any]:
    """Return what is made and why: a row a topic, a column a foot."""
    half = (PAGE[0] - 2 * MARGIN) / 2
    rows: list[list[Any]] = [[_p(f"<b>{side}</b>", 10.0) for side in ("LEFT", "RIGHT")]]
    for topic in (_pad_words, _shim_words, _base_words, _cleat_words, _seating_words):
        cells = [[] if foot is None else topic(foot) for foot in (plan.left, plan.right)]
        if topic is _pad_words:
            cells = [cell or ["Not planned."] for cell in cells]
        if any(cells):
            rows.append([[_p(line) for line in cell] for cell in cells])
    table = _table(rows, [half, half], pad=0.7)
    table.splitInRow = 1
    return [_head("What was planned, and why"), table]


def _part_section(parts: Sequence[Part], materials: Materials) -> list[Any]:
    """Return a table of the parts with material, volume and estimated mass."""
    if not parts:
        return []
    rows = [[_p(f"<b>{head}</b>") for head in ("Part", "Material", "Volume and mass")]]
    for part in parts:
        material = materials.find(part.material)
        rows.append([
            _p(escape(f"{part.side.value.upper()} {_words(part.name)}")),
            _p(escape(f"{material.name}: {material.words}")),
            _p(escape(str(amount(part, material)))),
        ])  # fmt: skip
    wide = PAGE[0] - 2 * MARGIN
    return [
        _head("Parts and what they take"),
        _table(rows, [0.25 * wide, 0.4 * wide, 0.35 * wide], pad=0.5),
        _p("Masses are estimates from density, walls and infill of the material table."),
    ]


def _base_words(foot: FootPlan) -> list[str]:
    """Return the base's thickness, where its outline came from, and rims."""
    base = foot.base
    words = f"<b>Base</b> {base.thickness:.1f} mm, {escape(base.source)}"
    if base.trim_allowance:
        words += f", trim allowance {base.trim_allowance:.1f} mm"
    if base.heel_cup:
        words += f", heel rim {base.heel_cup:.1f} mm"
    return [f"{words}; {escape(base.material)}."]


def _cleat_words(foot: FootPlan) -> list[str]:
    """Return the cleat's place and the saddle change."""
    lines = []
    if foot.cleat is not None:
        cleat = foot.cleat
        lines.append(
            f"<b>Cleat</b> axle {_behind(cleat.from_ball_mark)} MTH1, {_behind(cleat.from_mth5)}"
            f" MTH5, {_yaw_words(cleat.yaw)}; {_float_words(cleat.float_range)}."
        )
        lines += [f"– {escape(note)}" for note in cleat.notes]
    if foot.saddle_change is not None:
        change = foot.saddle_change
        words = _amount(change, sign=True) if change.value is not None else "not known"
        lines.append(f"<b>Saddle</b> {words}. {escape(_sentence(change.reason))}")
    return lines


def _seating_words(foot: FootPlan) -> list[str]:
    """Return how the foot was placed in the shoe."""
    seating = foot.seating
    roll = _signed(seating.roll, 1)
    words = f"<b>Seating</b> arch lowered {seating.lowered:.1f} mm, roll {roll}°."
    return [words, *(f"– {escape(note)}" for note in seating.notes)]


def _pad_words(foot: FootPlan) -> list[str]:
    """Return a pad's size, place, gap, reasons and binding rules."""
    pad = foot.pad
    if pad is None:
        return [f"<b>No arch pad.</b> {escape(_sentence(foot.no_pad_because))}"]
    source = "from the kit" if pad.source == "kit" else "made from the scan"
    lines = [
        f"<b>Arch pad: {escape(pad.name)}</b> ({source}, {escape(pad.material)}),"
        f" {pad.crest.height:.1f} mm high at its crest, {pad.crest.from_rear:.1f} mm from the"
        f" base's rear edge and {pad.crest.from_medial:.1f} mm from its medial edge;"
        f" {turn_words(pad.turn)}; edges end at {pad.rear_edge:.1f} and {pad.front_edge:.1f} mm.",
        f"Wished to fill {100 * pad.support_level:.0f} % of a gap of {_amount(pad.gap_at_crest)};"
        f" left open at the crest: {_amount(pad.residual_gap)}.",
    ]
    lines += [f"– {escape(reason)}" for reason in pad.reasons]
    if pad.binding:
        lines.append(f"<b>What bound it:</b> {escape('; '.join(pad.binding))}.")
    lines += [escape(_sentence(step)) for step in (pad.step_up, pad.step_down) if step]
    if any(abs(step) > 0.05 for step in pad.shift):
        lines.append(f"Moved by hand: {_shift_words(pad.shift)}.")
    return lines


def _shim_words(foot: FootPlan) -> list[str]:
    """Return each shim's sum (wish, shoe, rounding) and shape, and why there is none elsewhere."""
    lines = []
    for wedge in foot.wedges:
        lines += [
            f"<b>Shim {wedge.place}: {'−' if wedge.net < 0 else '+'}{wedge.words}.</b> Wish"
            f" {_signed(wedge.wish)}°, the shoe keeps {_signed(wedge.cant_kept)}°,"
            f" {_signed(wedge.remainder)}° left by rounding.",
            f"{wedge.thick_edge:.1f} mm at the thick edge, {wedge.edge:.1f} mm at the thin one,"
            f" {wedge.width:.0f} mm wide; full {wedge.full_from:.0f}–{wedge.full_to:.0f} mm from"
            f" the rear edge, {taper_words(wedge)}; {escape(wedge.material)}.",
            *(f"– {escape(reason)}" for reason in wedge.reasons),
        ]
    for place, why in foot.no_wedge_because.items():
        lines.append(f"<b>No shim {escape(place)}.</b> {escape(_sentence(why))}")
    return lines


def _contact_section(plan: Plan) -> list[Any]:
    """Return contact without and with the parts, standing and pedalling, left beside right."""
    feet = [(foot, foot.contact) for foot in plan.feet if foot.contact is not None]
    if not feet:
        return []
    heads = [f"<b>{foot.side.upper()}</b> {what}" for foot, _ in feet for what in
             ("share of load, %", "peak, kPa")]  # fmt: skip
    rows = [[_p("<b>load case, region</b>"), *(_p(head) for head in heads)]]
    spans = []
    for name in ("standing", "pedalling"):
        spans += [("SPAN", (k, len(rows)), (k + 1, len(rows))) for k in range(1, len(heads), 2)]
        cases = [next((c for c in contact.cases if c.case == name), None) for _, contact in feet]
        rows += _contact_rows(name, cases)
    wide, first = PAGE[0] - 2 * MARGIN, 38.0
    table = _table(rows, [first, *[(wide - first) / len(heads)] * len(heads)], pad=0.35)
    table.setStyle(spans)
    mass = feet[0][1].body_mass
    said = dict.fromkeys(note for _, contact in feet for note in contact.notes)
    said |= dict.fromkeys(
        f"{foot.side} foot, {case.case}: {words}"
        for foot, contact in feet
        for case in contact.cases
        for words in (*case.notes, *([case.reason] if case.reason else []))
    )
    head = f"Body mass {mass.value:g} kg ({escape(mass.reason)}). "
    lines = head + " ".join(escape(_sentence(words)) for words in said)
    return [_head("Contact without → with the parts"), table, _p(lines, 7.4)]


def _contact_rows(name: str, cases: list[ContactCase | None]) -> list[list[Any]]:
    """Return the rows of one load case: area first, then a row a region."""
    loads = {f"{case.load:.0f} N" for case in cases if case is not None}
    top: list[Any] = [_p(f"<b>{_capital(name)}</b>, {', '.join(loads)}")]
    regions: dict[str, None] = {}
    for case in cases:
        if case is None or case.before is None or case.after is None:
            top += [_p("not worked out, see below"), ""]
            continue
        area = f"contact area {case.before.area:.0f} → {case.after.area:.0f} cm²"
        area += "" if case.ankle is None else f", sole held at {_signed(case.ankle) or 0}°"
        top += [_p(area), ""]
        regions |= dict.fromkeys(case.after.share)
    rows = [top]
    for region in regions:
        row: list[Any] = [_p(region, 8.0)]
        for case in cases:
            if case is None or case.before is None or case.after is None:
                row += ["", ""]
                continue
            was, now = case.before, case.after
            row.append(_p(f"{100 * was.share[region]:.0f} → {100 * now.share[region]:.0f}", 8.0))
            row.append(_p(f"{was.peak[region]:.0f} → {now.peak[region]:.0f}", 8.0))
        rows.append(row)
    return rows


def _measure_section(plan: Plan) -> list[Any]:
    """Return the table of measures that could be had, left against right."""
    names = list(dict.fromkeys(name for foot in plan.feet for name in foot.measures))
    rows = [[_p(f"<b>{head}</b>") for head in ("measure", "left", "right", "left − right")]]
    for name in names:
        pair = [foot.measures.get(name) if foot else None for foot in (plan.left, plan.right)]
        if all(item is None or item.value is None for item in pair):
            continue
        cells = ["–" if q is None or q.value is None else _amount(q) for q in pair]
        rows.append([_p(_words(name)), *(_p(cell) for cell in cells), _p(_difference(*pair))])
    table = _table(rows, [70.0, 40.0, 40.0, 40.0], pad=0.35)
    table.repeatRows = 1
    return [_head("Measures, ± one standard deviation"), table]


def _difference(left: Quantity | None, right: Quantity | None) -> str:
    """Return left minus right with its standard deviation, or nothing."""
    if left is None or right is None or left.value is None or right.value is None:
        return ""
    sd = None
    if left.sd is not None and right.sd is not None:
        sd = (left.sd**2 + right.sd**2) ** 0.5
    return _amount(Quantity(value=left.value - right.value, unit=left.unit, sd=sd), sign=True)


def _missing_section(plan: Plan) -> list[Any]:
    """Return what could not be measured, each with its reason."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for foot in plan.feet:
        for name, item in foot.measures.items():
            if item.value is None:
                reasons.setdefault((name, item.reason or "no reason given"), []).append(foot.side)
    if not reasons:
        return []
    lines = [
        _p(f"<b>{_words(name)}</b> ({' and '.join(sides)}): {escape(why)}.")
        for (name, why), sides in reasons.items()
    ]
    return [_head("Not measurable from these scans, and why"), *lines]


def _shoe_section(plan: Plan) -> list[Any]:
    """Return the shoe as it was read, and the fitter's wishes."""
    if plan.shoe is None:
        shoe = "No shoe given: a plain flat bed; parts are for a trial only."
    else:
        known = {key: value for key, value in plan.shoe.items() if key != "name"}
        shoe = "; ".join(_flat_words(known)) + ". Lengths in mm, angles in degrees."
    wishes = "; ".join(_flat_words(plan.wishes)) or "none stated, which is not a wish of zero"
    name = f"<b>{escape(plan.shoe_name)}</b>: " if plan.shoe_name else ""
    return [
        _head("Shoe and wishes"),
        _p(name + escape(shoe)),
        _p(
            f"<b>Wishes</b> (lengths in mm, angles in degrees, levels as shares of the gap):"
            f" {escape(wishes)}."
        ),
    ]


def _flat_words(record: Any, name: str = "") -> list[str]:
    """Return a nested record as 'name value' phrases."""
    if isinstance(record, dict):
        return [
            words
            for key, value in record.items()
            for words in _flat_words(value, f"{name} {_words(str(key))}".strip())
        ]
    if isinstance(record, list | tuple):
        if len(record) > LISTED:
            return [f"{name} {len(record)} entries".strip()]
        nested = any(isinstance(item, list | tuple | dict) for item in record)
        items = (", ".join(_flat_words(item)) for item in record)
        return [f"{name} {', '.join(f'({item})' if nested else item for item in items)}".strip()]
    if record is None:
        return [f"{name} not given".strip()]
    if isinstance(record, bool):
        return [f"{name} {'yes' if record else 'no'}".strip()]
    words = f"{record:g}".replace("-", "−") if isinstance(record, float) else f"{record}"
    return [f"{name} {words}".strip()]


def _note_section(plan: Plan) -> list[Any]:
    """Return the notes, gravest first."""
    notes = _all_notes(plan, without={"not-asked"})  # the questions have their own section
    if not notes:
        return []
    lines = [_p(f"<b>{_capital(head)}</b> {escape(text)}.") for head, text in notes]
    return [_head("Notes"), *lines]


def _caution_section(plan: Plan) -> list[Any]:
    """Return answers, clinician, overrides and cautions."""
    lines = []
    for answer, head in (("yes", "Answered yes"), ("not asked", "Not asked (which is not a no)"),
                         ("no", "Answered no")):  # fmt: skip
        found = _answers(plan, answer)
        if found:
            lines.append(f"<b>{head}:</b> {escape('; '.join(found))}.")
    if plan.clinician:
        lines.append(f"<b>Clinician's word:</b> {escape(plan.clinician)}.")
    for over in plan.overrides:
        lines.append(
            f"<b>Limit passed on purpose:</b> {escape(over.limit)}. By {escape(over.who)},"
            f" {escape(over.when)}: {escape(over.why)}."
        )
    cautions = list(dict.fromkeys([MAIN_CAUTION, *plan.cautions]))
    lines += [f"<b>{escape(cautions[0])}</b> {escape(' '.join(cautions[1:]))}"]
    return [_head("Questions and cautions"), *(_p(line) for line in lines)]


# ---- words -------------------------------------------------------------------------------


def _amount(q: Quantity, *, sign: bool = False) -> str:
    """Return value, standard deviation and unit: ``12.5 ± 1.5 mm``."""
    if q.value is None:
        return f"not known ({escape(q.reason)})" if q.reason else "not known"
    places = 1 if q.unit in ("mm", "deg", "%") else 3
    unit = {"deg": "°", "mm": " mm", "": ""}.get(q.unit, f" {q.unit}")
    value = _signed(q.value, places) if sign else f"{q.value:.{places}f}"
    spread = "" if q.sd is None else f" ± {q.sd:.{places}f}"
    return f"{value}{spread}{unit}"


def _signed(value: float, places: int | None = None) -> str:
    """Return `value` with its sign, a true minus, and no sign on zero."""
    text = f"{value:+g}" if places is None else f"{value:+.{places}f}"
    return text.lstrip("+-") if float(text) == 0 else text.replace("-", "−")


def _behind(value: float) -> str:
    """Return a place along the foot in words: ``4.0 mm behind``."""
    if abs(value) < 0.05:
        return "level with"
    return f"{abs(value):.1f} mm {'ahead of' if value > 0 else 'behind'}"


def _yaw_words(yaw: float) -> str:
    """Return the cleat's yaw in words, degrees about +z."""
    if abs(yaw) < 0.05:
        return "yaw 0°"
    return f"yaw {abs(yaw):.1f}°, front {'medial' if yaw > 0 else 'lateral'}"


def _float_words(degrees: float | None) -> str:
    return "float not given" if degrees is None else f"float {degrees:g}°"


def _shift_words(shift: tuple[float, float]) -> str:
    """Return a pad's shift by hand: ``3 mm forward, 2 mm lateral``."""
    names = (("forward", "back"), ("medial", "lateral"))
    words = [
        f"{abs(step):g} mm {plus if step > 0 else minus}"
        for step, (plus, minus) in zip(shift, names, strict=True)
        if abs(step) > 0.05
    ]
    return ", ".join(words)


def _extent(pad: PadPlan) -> tuple[float, float]:
    """Return a pad's length and width along and across the bed, mm."""
    x, y = zip(*pad.outline, strict=True)
    return max(x) - min(x), max(y) - min(y)


def _answers(plan: Plan, wanted: str) -> list[str]:
    return [_words(name) for name, answer in plan.answers.items() if answer == wanted]


def _all_notes(plan: Plan, without: Collection[str] = ()) -> list[tuple[str, str]]:
    """Return level and text of every note, gravest first, feet named."""
    every = [("", note) for note in plan.notes]
    every += [(foot.side, note) for foot in plan.feet for note in foot.notes]
    every.sort(key=lambda item: list(LEVEL_WORDS).index(item[1].level))
    return _merged(
        (LEVEL_WORDS[note.level], side, note.text) for side, note in every
        if note.code not in without
    )  # fmt: skip


def _merged(notes: Iterable[tuple[str, str, str]]) -> list[tuple[str, str]]:
    """Return head and text of (word, side, text), a text that both feet share only once."""
    sides: dict[tuple[str, str], list[str]] = {}
    for word, side, text in notes:
        sides.setdefault((word, text), []).append(side)
    return [
        (", ".join(filter(None, (word, " and ".join(filter(None, who))))) + ":", text.rstrip("."))
        for (word, text), who in sides.items()
    ]


def _load_words(load: str) -> str:
    words = {
        "none": "no load", "seated": "seated", "half": "standing on both feet",
        "full": "standing on one leg",
    }  # fmt: skip
    return words.get(load, "load not known")


def _words(name: str) -> str:
    return name.replace("_", " ").replace("-", " ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    """Return `text` as a sentence, or nothing."""
    return _capital(text).rstrip(".") + "." if text else ""


# ---- flowables ---------------------------------------------------------------------------


def _p(text: str, size: float = 8.4, *, align: str = "left", bullet: str | None = None) -> Any:
    """Return a paragraph; `text` may hold markup, so user text is escaped before."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        name=f"p{size}{align}", fontName=fonts()[0], fontSize=size, leading=1.22 * size,
        alignment={"left": 0, "center": 1, "right": 2}[align], bulletFontName=fonts()[0],
        bulletFontSize=size, leftIndent=1.4 * size if bullet else 0.0,
    )  # fmt: skip
    return Paragraph(text, style, bulletText=bullet)


def _head(text: str) -> Any:
    """Return a section head."""
    from reportlab.platypus import KeepTogether

    return KeepTogether([_gap(2.4), _p(f"<b>{text}</b>", 10.5), _gap(0.8)])


def _gap(mm: float) -> Any:
    from reportlab.platypus import Spacer

    return Spacer(1, mm * MM)


def _table(
    rows: list[list[Any]], widths: Iterable[float], *, lines: bool = True, pad: float = 1.0
) -> Any:
    """Return a table with hairlines between rows; `widths` and `pad` in mm."""
    from reportlab.platypus import Table

    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), pad * MM),
        ("BOTTOMPADDING", (0, 0), (-1, -1), pad * MM),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5 * MM),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1.0 * MM),
    ]
    if lines:
        style += [
            ("LINEABOVE", (0, 0), (-1, 0), 0.8, (0, 0, 0)),
            ("LINEBELOW", (0, 0), (-1, -2), 0.4, RULE),
            ("LINEBELOW", (0, -1), (-1, -1), 0.8, (0, 0, 0)),
            ("LINEBEFORE", (1, 0), (-1, -1), 0.4, RULE),
        ]
    return Table(rows, colWidths=[width * MM for width in widths], style=style)


def _height(story: list[Any]) -> float:
    """Return the height of `story` in points."""
    wide = (PAGE[0] - 2 * MARGIN) * MM
    return float(sum(item.wrap(wide, 10000.0)[1] for item in story))


def _build(story: list[Any], plan: Plan, title: str) -> bytes:
    """Return the PDF of `story` with a foot line on each page."""
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    class Numbered(Canvas):  # type: ignore[misc]
        """A canvas that holds its pages until it knows how many there are."""

        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self.held: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self.held.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, state in enumerate(self.held, 1):
                held, count = self.held, len(self.held)
                self.__dict__.update(state)
                self.held = held
                _foot_line(self, plan, title, number, count)
                Canvas.showPage(self)
            Canvas.save(self)

    buffer = io.BytesIO()
    frame = Frame(
        MARGIN * MM, (MARGIN + 2.0) * MM, (PAGE[0] - 2 * MARGIN) * MM,
        (PAGE[1] - 2 * MARGIN - 2.0) * MM, 0, 0, 0, 0,
    )  # fmt: skip
    document = BaseDocTemplate(
        buffer, pagesize=(PAGE[0] * MM, PAGE[1] * MM), title=title, invariant=1,
        creator=" ".join(plan.tool.get(key, "") for key in ("name", "version")).strip(),
    )  # fmt: skip
    document.addPageTemplates(PageTemplate(frames=[frame]))
    document.build(story, canvasmaker=Numbered)
    return buffer.getvalue()


def _foot_line(canvas: Any, plan: Plan, title: str, number: int, count: int) -> None:
    """Write case, plan, page and the caution below a page; the title above one that continues."""
    canvas.setFillColorRGB(0, 0, 0)
    canvas.setFont(fonts()[0], 7.0)
    words = f"{plan.case} · plan {plan.version} · {fingerprint(plan)} · page {number} of {count}"
    canvas.drawString(MARGIN * MM, 8.2 * MM, words)
    canvas.drawRightString((PAGE[0] - MARGIN) * MM, 8.2 * MM, MAIN_CAUTION)
    if number > 1:
        canvas.drawString(MARGIN * MM, (PAGE[1] - 9.6) * MM, f"{title}, continued")
