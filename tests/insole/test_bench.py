"""The bench page, read back from the PDF with another library."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import footscan
import insole
from insole.errors import OutputError
from insole.output.papers import bench as bench_page
from insole.output.papers import plan_page as report
from insole.output.papers.bench_notes import bench_words, row_of, warnings
from insole.output.places import highest_place
from insole.parts.build import all_parts
from insole.planning import planner
from insole.planning.wishes import FootWish, PlanWishes
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace
from insole.record.values import Note, NoteLevel, Override
from insole.shoe.shoe import parse
from tests import feet
from tests.bench_pages import sizes_of, warned
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

SIDES = ("left", "right")
STIFF = SHOE | {"shell": {"stiffness": "rigid"}}


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
        "Stop and take the parts out: back to the set-up as ridden before any part",
        "a pedal that does not let go: do not ride on",
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
    for phrase in ("Crest 128.0", "after 4.0", "Stop and take the parts out", "fitter ____"):
        assert phrase in text, phrase
    assert all(f"ote number {k}:" in text for k in range(40))
    assert f"page 1 of {len(document)}" in words(document[0])
    assert "continued" in words(document[1])


def test_notes_that_ask_for_nothing_stay_on_the_plan_page(tmp_path: Path) -> None:
    note = Note(code="level-start", text="no support level was wished: 80 % for a first trial")
    plan = changed(sample_plan(), "left", notes=[note])
    assert "no support level" not in words(bench(tmp_path, plan)[0])
    assert "no support level" in every(plan_page(tmp_path, plan))


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
                both = FootWish.of(forefoot=net, support_level=0.8)
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


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_highest_place_of_a_pad_is_named_where_it_is_not_the_crest(tmp_path, side):
    """A side that stands passes the crest: with 5 mm more at one node towards the big toe."""
    plan = sample_plan()
    assert "Highest" not in words(bench(tmp_path, plan)[0])
    pad = getattr(plan, side).pad
    grid = pad.top
    high = np.array(grid.z)
    x, y = pad.crest.from_rear - 8.0, (pad.crest.y or 8.0) + 10.0
    gx = grid.x0 + grid.step * np.arange(high.shape[0])
    gy = grid.y0 + grid.step * np.arange(high.shape[1])
    bump = np.exp(-((gx[:, None] - x) ** 2 + (gy[None, :] - y) ** 2) / (2 * 6.0**2))
    top = grid.model_copy(update={"z": (high + 6.0 * bump).tolist()})
    found = highest_place(pad.model_copy(update={"top": top}))
    page = words(bench(tmp_path, changed(plan, side, pad=pad.model_copy(update={"top": top})))[0])
    assert f"Highest {found[2]:.1f} mm at {found[0]:.0f} from rear, to the big-toe side" in page
    assert page.count("Highest") == 1
    assert found[2] > pad.crest.height + 1


def test_the_page_of_the_sample_is_one_sheet(tmp_path: Path) -> None:
    """As the guide's first command makes it, its parts listed: with a wedge and nothing asked."""
    scans = Path(__file__).parents[2] / "sample_scans"
    found = {side: footscan.measure(scans / f"larch_{side}.ply", load="half") for side in SIDES}
    shoe = scans / "shoe.toml"
    plan = insole.plan(**found, shoe=shoe, case="larch", forefoot={"right": 2.0})
    document = bench(tmp_path, plan, all_parts(plan))
    assert len(document) == 1
    text = words(document[0])
    assert "page 1 of 1" in text
    assert "forefoot shim" in text
