"""The bench page, read back from the PDF with another library."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from footscan.scan import Side
from insole.errors import OutputError
from insole.output.papers import bench as bench_page
from insole.output.papers import plan_page as report
from insole.output.papers.bench_notes import bench_words, row_of, warnings
from insole.parts.part import Part
from insole.planning import planner
from insole.planning.wishes import FootWish, PlanWishes
from insole.record.limits import default_limits
from insole.record.plan import CleatPlan, FootPlan, Plan, ThicknessRow
from insole.record.planned_parts import WedgePlace
from insole.record.values import Note, NoteLevel, Override, Quantity
from insole.shoe.shoe import parse
from tests import feet
from tests.papers import (
    EDGE_MM,
    MM,
    PAGE_MM,
    bench,
    changed,
    column,
    every,
    letters,
    plan_page,
    words,
)
from tests.plans import SHOE, sample_foot, sample_plan

STIFF = SHOE | {"shell": {"stiffness": "rigid"}}


def sizes_of(page: Any, phrase: str) -> tuple[float, float]:
    """Return smallest letter of a phrase in points, and its height on the sheet, mm."""
    seen = letters(page)
    at = "".join(char for char, _, _ in seen).index(phrase.replace(" ", ""))
    span = seen[at : at + len(phrase.replace(" ", ""))]
    return min(size for _, size, _ in span), min(box[1] for _, _, box in span)


def warned(plan: Plan, side: str, *notes: tuple[str, str]) -> Plan:
    found = [Note(code=code, level=NoteLevel.WARN, text=text) for code, text in notes]
    return changed(plan, side, notes=found)


def test_two_load_cases_of_one_warning_share_its_lines() -> None:
    """Only where nothing else differs; a number that does keeps both."""
    takes = "in the model the shim takes {} cm² of contact"
    notes = [
        ("contact-less-standing", f"standing: {takes.format(6)}"),
        ("contact-less-pedalling", f"pedalling: {takes.format(6)}"),
    ]
    foot = warned(sample_plan(), "right", *notes).right
    assert warnings(foot, "wedge") == [f"Standing and pedalling: {takes.format(6)}"]
    notes[1] = ("contact-less-pedalling", f"pedalling: {takes.format(4)} #3")
    foot = warned(sample_plan(), "right", *notes).right
    assert warnings(foot, "wedge") == [
        f"Standing: {takes.format(6)}",
        f"Pedalling: {takes.format(4)} #3",
    ]


def test_one_page_with_every_number_in_its_column(tmp_path: Path) -> None:
    plan = sample_plan(under=True)
    document = bench(tmp_path, plan)
    assert len(document) == 1
    for foot in plan.feet:
        text, crest = column(document[0], foot.side), foot.pad.crest
        wanted = [
            foot.pad.name.capitalize(),
            f"{crest.height:.1f} mm high",
            f"Crest {crest.from_rear:.1f} from rear",
            f"{crest.from_medial:.1f} mm from big-toe edge",
            "Turn 3°, front to the big toe",
            f"nds {foot.pad.rear_edge:.1f} and {foot.pad.front_edge:.1f} mm from rear",
            "Fills 80 %",
            f"{foot.pad.residual_gap.value:.1f} ± 1.5 mm left open",
            "Axle 4.0 mm behind MTH1",
            "MTH1 ± 1.6 mm: feel and mark it",
            "Nose 3° to big-toe side",
            "1.5 ± 0.5 mm up",
            "before " + " ".join(f"{row.before:.1f}" for row in foot.thickness),
            "after " + " ".join(f"{row.after:.1f}" for row in foot.thickness),
        ]
        for wedge in foot.wedges:
            wanted.append(f"Thick on {wedge.thick_side}: {wedge.thick_edge:.1f} mm")
            if wedge.place is not WedgePlace.UNDER:
                start, stop = (pick(x for x, _ in wedge.outline) for pick in (min, max))
                wanted.append(f"Part {start:.0f}–{stop:.0f}, full height {wedge.full_from:.0f}–")
        for phrase in wanted:
            assert phrase in text, (foot.side, phrase)
        assert foot.side.upper() in text
    assert "Under the shoe 1° valgus" in column(document[0], "right")
    assert "Under the shoe 1°" not in column(document[0], "left")


def test_numbers_are_12_points(tmp_path: Path) -> None:
    page = bench(tmp_path, sample_plan())[0]
    for phrase in (
        "128.0",
        "26.8 mm",
        "1.5 ± 0.5 mm",
        "Thick on big-toe",
        "4.0 mm behind",
        "10.0 mm",
        "162–212 mm",
        "Turn 3°",
    ):
        assert sizes_of(page, phrase)[0] >= 11.99, phrase


def test_warnings_are_large_in_their_column_and_above_the_signatures(tmp_path: Path) -> None:
    said = {
        "pad-humps": "humps 3.8 and 3.0 mm high: feel rims, or cut between",
        "thick-ball": "little-toe side of the ball: 1.3 mm thicker than the old insole",
        "unheard-of": "a warning that nobody has shortened",
    }
    page = bench(tmp_path, warned(sample_plan(), "right", *said.items()))[0]
    _, names = sizes_of(page, "fitter ____")
    for phrase in (
        "Humps 3.8 and 3.0 mm",
        "1.3 mm thicker than the old insole",
        "A warning that nobody has shortened",
    ):
        size, height = sizes_of(page, phrase)
        assert size >= 9.99, phrase
        assert height > names, phrase
        assert phrase in column(page, "right")
        assert phrase not in column(page, "left")


def test_a_warning_stands_with_the_thing_that_it_concerns(tmp_path: Path) -> None:
    """Pad before wedge before thickness, as on the page."""
    said = {
        "wedge-first-ray": "first ray checked: no pain",
        "crest-off-apex": "crest 16 mm behind the arch apex: ask about it",
    }
    plan = warned(sample_plan(), "right", *said.items())
    text = column(bench(tmp_path, plan)[0], "right")
    marks = [
        "Medium 10",
        "Crest 16 mm behind the arch apex",
        "Inside forefoot 2° varus",
        "First ray checked",
        "before",
    ]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)


def test_sections_that_hands_need_are_there(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    for phrase in (
        "Order of work",
        "Each trial",
        "1 baseline: ride it as it is",
        "contact even",
        "Foot pain calls for clinical advice",
        "Stop, and take back the last step",
        "cannot release",
        "fitter ____",
        "rider ____",
        "date ____",
        "Not asked (which is not a no): pain while riding",
    ):
        assert phrase in text, phrase
    assert "no wish" not in text
    assert "EU 2017/745" not in text


def test_what_comes_first_has_a_box_and_stands_above_all_numbers(tmp_path: Path) -> None:
    plan = sample_plan().model_copy(update={"answers": {"riding_pain": "yes"}})
    page = bench(tmp_path, plan)[0]
    text = words(page)
    assert "☐ First: riding pain answered yes: before any part goes in, check shoe width" in text
    assert text.index("First: riding pain") < text.index("LEFT")
    assert sizes_of(page, "First: riding pain")[0] >= 9.99


def test_overrides_clinician_and_yes_answers_are_printed_on_both_papers(tmp_path: Path) -> None:
    over = Override(limit="sum at the ball 6°", who="K. Fitter", why="rode it before", when="2 May")
    plan = sample_plan().model_copy(
        update={
            "overrides": [over],
            "clinician": "a named clinician, 2 May",
            "answers": {"diabetes": "yes", "night_pain": "not asked", "wound": "no"},
        }
    )
    for document in (bench(tmp_path, plan), plan_page(tmp_path, plan)):
        text = every(document)
        assert "sum at the ball 6°. By K. Fitter, 2 May: rode it before" in text
        assert "Clinician's word: a named clinician, 2 May" in text
        assert "Answered yes: diabetes" in text
        assert "Not asked (which is not a no): night pain" in text
        assert "no): wound" not in text


def test_many_open_questions_are_counted_here_and_named_on_the_plan_page(tmp_path: Path) -> None:
    answers = {f"question_{k}": "not asked" for k in range(12)} | {"wound": "no"}
    plan = sample_plan().model_copy(update={"answers": answers})
    text = words(bench(tmp_path, plan)[0])
    assert "12 of 13 questions, named on the plan page" in text
    assert "question 7" not in text
    assert "question 7" in every(plan_page(tmp_path, plan))


def test_many_notes_run_over_and_the_numbers_stay(tmp_path: Path) -> None:
    notes = [
        Note(
            code=f"n{k}",
            level=NoteLevel.WARN,
            text=f"note number {k}: " + "a long sentence about the bed " * 6,
        )
        for k in range(40)
    ]
    document = bench(tmp_path, changed(sample_plan(under=True), "right", notes=notes))
    assert len(document) > 1
    text = every(document)
    for phrase in ("Crest 128.0", "after 4.0", "Stop, and take back", "fitter ____"):
        assert phrase in text, phrase
    assert all(f"ote number {k}:" in text for k in range(40))
    assert f"page 1 of {len(document)}" in words(document[0])
    assert "continued" in words(document[1])


def test_notes_that_ask_for_nothing_stay_on_the_plan_page(tmp_path: Path) -> None:
    note = Note(code="level-start", text="no support level was wished: 80 % for a first trial")
    plan = changed(sample_plan(), "left", notes=[note])
    assert "no support level" not in words(bench(tmp_path, plan)[0])
    assert "no support level" in every(plan_page(tmp_path, plan))


# ---- cleat and saddle ----


@pytest.mark.parametrize(
    ("back", "phrase"),
    [
        (5.0, "Move 5.0 mm back"),
        (-2.5, "Move 2.5 mm forward"),
        (0.0, "Stays where it was ridden"),
        (None, "Place as ridden not given: measure it first"),
    ],
)
def test_cleat_starts_from_the_mark_and_says_the_move(
    tmp_path: Path, back: float | None, phrase: str
) -> None:
    cleat = CleatPlan(
        from_ball_mark=-3.0,
        from_mth5=17.7,
        yaw=0.0,
        float_range=6.0,
        back=back,
        mark="front edge of the rear bolt slot",
        from_mark=2.3,
    )
    page = bench(tmp_path, changed(sample_plan(), "left", cleat=cleat))[0]
    text = column(page, "left")
    first = "Axle 2.3 mm ahead of front edge of the rear bolt slot"
    assert text.index(first) < text.index(phrase) < text.index("= 3.0 mm behind MTH1 ± 1.6 mm")
    assert sizes_of(page, "2.3 mm ahead of")[0] >= 11.99


@pytest.mark.parametrize(
    ("left", "right", "use", "asks"),
    [
        (1.5, 2.5, "use the smaller change, 1.5 mm up", False),
        (-4.0, -1.0, "use the smaller change, 1.0 mm down", False),
        (1.0, -1.0, "leave the saddle", False),
        (5.0, 1.0, "use the smaller change, 1.0 mm up", True),
    ],
)
def test_one_saddle_takes_the_smaller_change(
    tmp_path: Path, left: float, right: float, use: str, asks: bool
) -> None:
    """The smaller in size; none where one leg asks up and the other down."""
    plan = changed(sample_plan(), "left", saddle_change=Quantity(value=left))
    plan = changed(plan, "right", saddle_change=Quantity(value=right))
    text = words(bench(tmp_path, plan)[0])
    assert f"One saddle, two legs: {use}" in text
    assert ("ask before moving it" in text) == asks


def test_two_legs_that_agree_need_no_choice(tmp_path: Path) -> None:
    assert "two legs" not in words(bench(tmp_path, sample_plan())[0])


def test_saddle_has_no_spread_of_nothing_and_says_what_it_hangs_on(tmp_path: Path) -> None:
    reason = "stack -0.5 mm; holds only if the cleat stays where it was"
    change = Quantity(value=-1.5, sd=0.04, reason=reason)
    text = column(bench(tmp_path, changed(sample_plan(), "left", saddle_change=change))[0], "left")
    assert "Saddle ________ mm 1.5 mm down if the cleat stays" in text
    # 5 mm times the cosine of 73.5 less 15 degrees
    assert f"per 5 mm further back: saddle {5 * math.cos(math.radians(58.5)):.1f} mm down" in text
    assert not re.search(r"± 0\.0(?!\d)", text)
    assert "−" not in text.split("Saddle")[1][:20]


@pytest.mark.parametrize(
    ("whole", "said"),
    [
        (-1.9, [-1.9]),  # cleat -2.6, base -0.5, wedge +1.2: nobody sets half a millimetre
        (0.75, []),  # cleat 0.05: all of it is below a saddle's step
        (2.6, [2.6]),  # cleat 1.9, base -0.5, wedge +1.2
        (-3.1, [-3.1]),
    ],
)
def test_saddle_moves_of_the_steps_add_up_to_the_whole(
    tmp_path: Path, whole: float, said: list[float]
) -> None:
    """Ball 3.5 mm before; base 1.5 and cover 1.5 mm make -0.5, a shim of 1.2 mm at the middle +1.2,
    the cleat the rest."""
    rows = [ThicknessRow(station="ball", before=3.5, after=4.2)]
    plan = sample_plan()
    for side in ("left", "right"):
        plan = changed(plan, side, thickness=rows, saddle_change=Quantity(value=whole, sd=0.4))
    text = words(bench(tmp_path, plan)[0])
    moves = [
        float(size) * (1 if way == "up" else -1)
        for size, way in re.findall(r"Saddle ([\d.]+) mm (up|down)\.", text)
    ]
    assert moves == pytest.approx(said)


def test_a_saddle_that_moves_twice_by_its_step_or_more_is_said_twice(tmp_path: Path) -> None:
    """The shim lifts the middle by 2.2 mm, the base lowers by 0.5, the cleat makes up -3.6."""
    rows = [ThicknessRow(station="ball", before=3.5, after=5.2)]
    plan = sample_plan()
    for side in ("left", "right"):
        plan = changed(plan, side, thickness=rows, saddle_change=Quantity(value=-1.9, sd=0.4))
    text = words(bench(tmp_path, plan)[0])
    moves = [
        float(size) * (1 if way == "up" else -1)
        for size, way in re.findall(r"Saddle ([\d.]+) mm (up|down)\.", text)
    ]
    assert moves == pytest.approx([-3.6, 1.7])
    assert sum(moves) == pytest.approx(-1.9)


# ---- order of work ----


def test_one_order_of_work_with_a_trial_in_each_row(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    steps = [
        "1 baseline",
        "2 shoe",
        "3 cleat",
        "4 base and pad",
        "5a wedge LEFT",
        "5b wedge RIGHT",
        "6 baseline again",
    ]
    places = [text.index(f"☐ {step}") for step in steps]
    assert places == sorted(places)
    assert text.count("☐+ ☐= ☐−") == len(steps)


def test_steps_name_their_side_and_only_what_is_there(tmp_path: Path) -> None:
    """Left: heel shim and no pad; right: forefoot shim and pad."""
    plan = changed(sample_plan(), "left", pad=None, no_pad_because="no pad was wished")
    text = words(bench(tmp_path, plan)[0])
    assert "base LEFT and RIGHT, pad RIGHT:" in text
    assert "5a wedge LEFT: LEFT inside heel: base, shim, cover" in text
    assert "5b wedge RIGHT: RIGHT inside forefoot: base, shim, pad over the shim's" in text
    padless = changed(plan, "right", pad=None, no_pad_because="no pad was wished")
    assert "base, shim, cover" in words(bench(tmp_path, padless)[0])
    bare = sample_plan(pad_height=None, wedges=False)
    for side in ("left", "right"):
        bare = changed(bare, side, cleat=None)
    text = words(bench(tmp_path, bare)[0])
    for absent in ("wedge:", "and pad", "cleat:", "crest on its cross"):
        assert absent not in text, absent
    assert "4 baseline again" in text


def test_cover_is_a_part_a_step_and_in_the_table(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    thick = default_limits().value("thickness.cover")
    assert f"cover {thick:g} mm (not supplied)" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "cover on" in text
    assert "with cover" in text


def test_words_that_a_part_cannot_carry_are_listed(tmp_path: Path) -> None:
    part = Part(
        name="arch-pad",
        side=Side.LEFT,
        worn=True,
        vertices=np.zeros((0, 3)),
        faces=np.zeros((0, 3), dtype=int),
        outline=np.zeros((0, 2)),
        volume=1.0,
        material="trial-eva",
        facts={"paper_only": ("SHOE SIDE", "ARCH PAD")},
    )
    text = words(bench(tmp_path, sample_plan(), [part])[0])
    assert "write on by hand: SHOE SIDE, ARCH PAD" in text
    assert "kit pads from the kit, or print the file" in text  # the sample's pads are of a kit


# ---- pad ----


def test_tender_spot_is_under_the_pad_of_its_foot(tmp_path: Path) -> None:
    plan = sample_plan().model_copy(update={"wishes": {"left": {"tender": [[135.0, 15.0]]}}})
    page = bench(tmp_path, plan)[0]
    assert "Tender spot: 135 mm from rear, 15 mm towards big toe: keep free" in column(page, "left")
    assert "Tender" not in column(page, "right")


def test_a_foot_scanned_in_the_air_gives_a_trial_height(tmp_path: Path) -> None:
    plan = changed(sample_plan(), "left", load="none")
    text = [column(bench(tmp_path, plan)[0], side) for side in ("left", "right")]
    assert "trial height ± 2 mm" in text[0]  # the gap's ± 1.5 mm, to the millimetre
    assert "trial height" not in text[1]


def test_a_pad_of_the_kit_has_one_size(tmp_path: Path) -> None:
    plan = sample_plan()
    pad = plan.left.pad.model_copy(update={"name": "kit pad 9 high, 64 long, 40 wide"})
    plan = changed(plan, "left", pad=pad)
    assert pad.crest.height == 9.0
    text = column(bench(tmp_path, plan)[0], "left")
    assert "Kit pad 9 high, 64 long, 40 wide" in text
    assert "×" not in text.split("Parts")[0]
    assert "9.0 mm high" not in text
    scanned = changed(plan, "left", pad=pad.model_copy(update={"source": "scan", "name": "pad"}))
    (low_x, low_y), (high_x, high_y) = (f(np.array(pad.outline), axis=0) for f in (np.min, np.max))
    size = f"{high_x - low_x:.0f} × {high_y - low_y:.0f} mm"
    assert size in column(bench(tmp_path, scanned)[0], "left")


def test_a_pair_of_one_wedge_is_one_step(tmp_path: Path) -> None:
    plan = sample_plan()
    same = plan.left.wedges
    text = words(bench(tmp_path, changed(plan, "right", wedges=same))[0])
    assert "5 wedge:" in text
    assert "5a wedge" not in text
    assert "5b wedge" not in text


def test_drill_line_of_dowels(tmp_path: Path) -> None:
    """A base of 2.4 mm keeps 1.2 mm under a hole."""
    spots = [(117.0, 9.0), (141.0, -3.0)]
    plan = sample_plan()
    base = plan.left.base.model_copy(update={"dowels": spots, "thickness": 2.4})
    page = bench(tmp_path, changed(plan, "left", base=base))[0]
    text = column(page, "left")
    assert "Dowels: drill 4.3 mm at 117/9, 141/3 little-toe" in text
    assert "pad 2.0, base 1.2 mm deep" in text
    assert "Dowels" not in column(page, "right")


# ---- thickness ----


def test_thickness_is_told_at_both_sides_where_they_differ(tmp_path: Path) -> None:
    rows = [
        ThicknessRow(station="heel", before=4.5, after=3.0, medial=3.0, lateral=3.0),
        ThicknessRow(station="arch", before=5.0, after=9.9),
        ThicknessRow(station="ball", before=3.5, after=5.1, medial=4.0, lateral=6.3),
        ThicknessRow(station="toes", before=3.0, after=3.0, medial=3.0, lateral=3.0),
    ]
    text = column(bench(tmp_path, changed(sample_plan(), "left", thickness=rows))[0], "left")
    wanted = "before 4.5 5.0 3.5 3.0 big-toe side 4.0 middle 3.0 9.9 5.1 3.0 little-toe side 6.3"
    assert wanted in text
    # 35 % of the breadth to each side of its middle, which is a little off the centreline
    foot = sample_plan().left
    x = (foot.landmarks["mth1"][0] + foot.landmarks["mth5"][0]) / 2
    ring = shapely.Polygon(foot.base.outline)
    _, low, _, high = ring.intersection(shapely.LineString([(x, -99.0), (x, 99.0)])).bounds
    big, little = (f"{0.35 * (high - low) + s * (low + high) / 2:.0f}" for s in (1, -1))
    assert f"Sides, mm from centreline: ball {big}" in text
    assert big == little or f"{little} to little toe" in text


def test_unmeasured_thickness_is_a_dash_with_its_reason(tmp_path: Path) -> None:
    rows = [
        ThicknessRow(station=name, before=None, after=2.5)
        for name in ("heel", "arch", "ball", "toes")
    ]
    text = column(bench(tmp_path, changed(sample_plan(), "left", thickness=rows))[0], "left")
    assert "before – – – –" in text
    assert "was not measured" in text


# ---- bolts ----


def test_every_bolt_has_its_length_and_the_other_foot_its_old_ones(tmp_path: Path) -> None:
    """Thickness over a plane: thin edge + tan(angle) times the way from it; bolts 12 mm before.

    The sample's pattern has a bolt ahead in the middle and two 18 mm to either side; the thin
    edge of a -1° shim is its medial one. Short screws are sold as 12, 16, 20 mm (ISO 888, value
    from memory).
    """
    plan = sample_plan(under=True)
    page = bench(tmp_path, plan)[0]
    text = column(page, "right")
    shim = plan.right.wedges[-1]
    sides = [y for _, y in shim.outline]
    middle = (min(sides) + max(sides)) / 2
    for name, y in (("front", 0.0), ("rear, big-toe side", 18.0), ("rear, little-toe side", -18.0)):
        added = shim.edge + math.tan(math.radians(1.0)) * (max(sides) - middle - y)
        row = f"{name} 12 {added:.1f} {12 + added:.1f} 16, cut {16 - 12 - added:.1f}"
        assert row in text, row
    assert "LEFT: old bolts" in column(page, "left")
    assert f"{shim.thick_edge + 12:.1f}" not in text  # the shim's edges carry no bolt
    assert "CLEAT SIDE down, plain face to the sole" in text
    assert f"full height {shim.full_from:.0f}" not in text


def test_bolts_without_a_measured_pattern_are_told_by_the_plan(tmp_path: Path) -> None:
    plan = warned(sample_plan(under=True), "right", ("under-bolts", "each as long as it needs"))
    text = column(bench(tmp_path, plan.model_copy(update={"shoe": None}))[0], "right")
    assert "each as long as it needs" in text


# ---- bench wording ----


@pytest.mark.parametrize(
    ("code", "short", "markup"),
    [
        (
            "fit-heel-width",
            "heel width tight: 3.2 ± 1.0 mm short",
            "<b>Heel width tight</b>: 3.2 ± 1.0 mm short",
        ),
        (
            "wedge-first-ray",
            "first ray checked: no pain & not stiff",
            "☐ <b>First ray checked</b>: no pain &amp; not stiff",
        ),
        (
            "contact-less-pedalling",
            "model, pedalling: contact 95 → 76 cm²",
            "Model, pedalling: contact 95 → 76 cm²",
        ),
        ("thick-ball", "", "Another sentence &amp; shape"),
    ],
)
def test_the_bench_reads_the_short_wording_or_the_whole(code: str, short: str, markup: str) -> None:
    note = Note(code=code, level=NoteLevel.WARN, text="another sentence & shape", short=short)
    assert bench_words(note) == markup


def test_a_short_wording_says_no_other_number_than_the_long_one() -> None:
    """All of them, on feet and shoes that call for most: two shims, a low heel, no bed known."""
    seen = set()
    for foot in warned_feet():
        for note in foot.notes:
            if not note.short or note.code.startswith("fit-"):  # there it is a difference
                continue
            seen.add(note.code)
            numbers = [set(re.findall(r"\d+(?:\.\d+)?", t)) for t in (note.short, note.text)]
            assert numbers[0] <= numbers[1], note
    assert {"no-shoe", "medial-side", "wedge-first-ray", "wedge-no-shoe"} <= seen
    assert any(code.startswith("wedge.") for code in seen)


def warned_feet() -> list[FootPlan]:
    """Return feet planned so that many rules speak."""
    plans = []
    for side in ("left", "right"):
        foot = feet.analytic(side=side, arch=15.0)
        pair = (foot, None) if side == "left" else (None, foot)
        for shoe in (None, parse(STIFF)):
            for net in (2.5, -2.5):
                both = FootWish(forefoot=net, support_level=0.8)
                plans.append(planner.plan(*pair, shoe, PlanWishes(both=both)))
    return [foot for plan in plans for foot in plan.feet]


def test_a_tight_shoe_says_how_much_is_missing() -> None:
    """Wanted at least less what is there: by hand from the sentence's own figures."""
    narrow = parse(STIFF | {"inside": {"length": 285, "ball_width": 80, "heel_width": 50}})
    foot = feet.analytic(side="right")
    notes = planner.plan(None, foot, narrow, PlanWishes()).right.notes
    (note,) = [n for n in notes if n.code == "fit-ball-width"]
    room, least = (
        float(re.search(p, note.text)[1]) for p in (r"tight: ([+-][\d.]+)", r"wanted ([-\d.]+)")
    )
    assert f"ball width tight: {least - room:.1f} ± " in note.short


@pytest.mark.parametrize("writer", [bench, plan_page])
def test_long_words_are_neither_clipped_nor_run_into_the_other_foot(
    tmp_path: Path, writer: Any
) -> None:
    """Every letter on the sheet; on the bench page none crosses the rule between the feet."""
    plan = sample_plan(under=True, case="a-case-name-of-forty-letters-and-more-1")
    long = "padwithoutspaces" * 8
    pad = plan.left.pad.model_copy(update={"name": long, "material": long})
    plan = changed(plan, "left", pad=pad, scan_file=long + ".ply", verdict=long)
    plan = plan.model_copy(update={"shoe_name": long})
    document = writer(tmp_path, plan)
    for page in document:
        boxes = np.array([box for _, _, box in letters(page)])
        assert boxes.min() > EDGE_MM
        assert (boxes[:, 2] < PAGE_MM[0] - EDGE_MM).all()
        assert (boxes[:, 3] < PAGE_MM[1] - EDGE_MM).all()
    if writer is bench:
        assert long in column(document[0], "left").lower().replace(" ", "").replace("\ufffe", "")


def test_letters_do_not_lie_on_each_other(tmp_path: Path) -> None:
    """Middles of letters are apart by at least a quarter of a letter's height."""
    for page in [*bench(tmp_path, sample_plan(under=True)), *plan_page(tmp_path, sample_plan())]:
        seen = [
            (size, (box[:2] + box[2:]) / 2) for char, size, box in letters(page) if char not in "_."
        ]
        middles = np.array([middle for _, middle in seen])
        sizes = np.array([size for size, _ in seen]) * MM
        gaps = np.linalg.norm(middles[:, None] - middles[None], axis=2)
        np.fill_diagonal(gaps, np.inf)
        assert (gaps.min(axis=1) > 0.2 * sizes).all()


def test_markup_in_names_is_printed_as_it_is(tmp_path: Path) -> None:
    plan = sample_plan(case="r&d <b>7</b>")
    for document in (bench(tmp_path, plan), plan_page(tmp_path, plan)):
        assert "r&d <b>7</b>" in words(document[0])


def test_wedge_signs_are_told_in_words(tmp_path: Path) -> None:
    foot = sample_foot("right", wedges=((WedgePlace.FOREFOOT, -2.0),))
    plan = sample_plan().model_copy(update={"right": foot})
    text = column(bench(tmp_path, plan)[0], "right")
    assert "Inside forefoot 2° valgus" in text
    assert "Thick on little-toe side" in text


def test_no_pad_no_wedge_no_cleat_say_so(tmp_path: Path) -> None:
    plan = sample_plan(pad_height=None, wedges=False)
    plan = changed(plan, "left", cleat=None, saddle_change=None, thickness=[])
    text = column(bench(tmp_path, plan)[0], "left")
    for phrase in (
        "No pad: no pad was wished",
        "No shim",
        "as ridden: leave it",
        "not worked out",
        "no change worked out",
    ):
        assert phrase in text, phrase


def test_a_single_foot_leaves_the_other_column_empty(tmp_path: Path) -> None:
    page = bench(tmp_path, sample_plan(sides=("right",)))[0]
    assert "not planned" in column(page, "left")
    assert "Crest" not in column(page, "left")
    assert "Crest" in column(page, "right")


def test_no_shoe_is_said_on_both_papers(tmp_path: Path) -> None:
    plan = sample_plan().model_copy(update={"shoe": None, "shoe_name": ""})
    assert "no shoe given: trial only" in words(bench(tmp_path, plan)[0])
    text = every(plan_page(tmp_path, plan))
    assert "No shoe given" in text


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    for writer in (
        lambda path: bench_page.write_bench_page(path, sample_plan(), []),
        lambda path: report.write_plan_page(path, sample_plan()),
    ):
        files = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
        for file in files:
            writer(file)
        assert files[0].read_bytes() == files[1].read_bytes()


def test_a_plan_without_feet_is_refused(tmp_path: Path) -> None:
    empty = sample_plan(sides=())
    with pytest.raises(OutputError, match="no foot, so there is no bench page"):
        bench_page.write_bench_page(tmp_path / "b.pdf", empty, [])
    with pytest.raises(OutputError, match="no foot, so there is no page"):
        report.write_plan_page(tmp_path / "p.pdf", empty)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("code", "row"),
    [
        ("kit-little", "pad"),
        ("hand-hallux", "wedge"),
        ("hand-tilt-wedge", "wedge"),
        ("hand-ball-girth", "mind"),
        ("hand-leg-length", "mind"),
    ],
)
def test_warnings_of_kit_and_hand_stand_where_the_work_is(code: str, row: str) -> None:
    assert row_of(code) == row
