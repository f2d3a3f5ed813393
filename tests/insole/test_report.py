"""Bench page and plan page, read back from the PDF with another library."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.errors import OutputError
from insole.output import report
from insole.planning.plan import (
    ContactCase,
    ContactFigures,
    ContactPlan,
    Note,
    NoteLevel,
    Override,
    Plan,
    Quantity,
    ThicknessRow,
    WedgePlace,
)
from tests.plans import sample_foot, sample_plan

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 reads the PDFs back")

MM = 25.4 / 72.0
PAGE_MM = (210.0, 297.0)
EDGE_MM = 7.0  # a desk printer reaches to within 8 mm; descenders get 1 mm


def bench(tmp_path: Path, plan: Plan) -> Any:
    path = tmp_path / "bench.pdf"
    report.write_bench_page(path, plan, [])
    return pdfium.PdfDocument(path.read_bytes())


def plan_page(tmp_path: Path, plan: Plan) -> Any:
    path = tmp_path / "plan.pdf"
    report.write_plan_page(path, plan)
    return pdfium.PdfDocument(path.read_bytes())


def words(page: Any) -> str:
    return " ".join(page.get_textpage().get_text_bounded().split())


def column(page: Any, side: str) -> str:
    """Return what stands in a foot's column (the table's rule is 117 mm from the left)."""
    left, right = (10.0, 116.0) if side == "left" else (116.0, 200.0)
    area = {"left": left / MM, "right": right / MM, "bottom": 0.0, "top": PAGE_MM[1] / MM}
    return " ".join(page.get_textpage().get_text_bounded(**area).split())


def letters(page: Any) -> list[tuple[str, float, np.ndarray]]:
    """Return character, size in points and box in mm of every visible letter."""
    text, raw, found = page.get_textpage(), pdfium.raw, []
    for k in range(text.count_chars()):
        box = np.array(text.get_charbox(k)) * MM
        char = chr(raw.FPDFText_GetUnicode(text.raw, k))
        if box[2] > box[0] and char.strip():
            found.append((char, raw.FPDFText_GetFontSize(text.raw, k), box))
    return found


def changed(plan: Plan, side: str, **changes: Any) -> Plan:
    foot = getattr(plan, side).model_copy(update=changes)
    return plan.model_copy(update={side: foot})


def test_bench_page_is_one_page_with_every_number_in_its_column(tmp_path: Path) -> None:
    plan = sample_plan(under=True)
    document = bench(tmp_path, plan)
    assert len(document) == 1
    for foot in plan.feet:
        text, crest = column(document[0], foot.side), foot.pad.crest
        wanted = [
            foot.pad.name,
            f"{crest.height:.1f} mm high",
            f"Crest {crest.from_rear:.1f} mm from rear edge",
            f"{crest.from_medial:.1f} mm from medial edge",
            "Turn 3°, front to the big toe",
            f"Edges end at {foot.pad.rear_edge:.1f} and {foot.pad.front_edge:.1f} mm",
            "Axle 4.0 mm behind ball mark",
            "20.0 mm ahead of MTH5",
            "Yaw 3.0°, front medial; float 6°",
            "+1.5 ± 0.5 mm, up",
            "before " + " ".join(f"{row.before:.1f}" for row in foot.thickness),
            "after " + " ".join(f"{row.after:.1f}" for row in foot.thickness),
        ]
        for wedge in foot.wedges:
            wanted.append(f"Thick on {wedge.thick_side}: {wedge.thick_edge:.1f} mm")
            wanted.append(f"From {wedge.full_from:.0f} to {wedge.full_to:.0f} mm")
        for phrase in wanted:
            assert phrase in text, (foot.side, phrase)
        assert foot.side.upper() in text
    assert "Under the shoe −1° valgus" in column(document[0], "right")
    assert "Under the shoe −1°" not in column(document[0], "left")
    assert f"old bolt + 2.0 to {plan.right.wedges[-1].thick_edge:.1f} mm" in words(document[0])


def test_numbers_of_the_bench_page_are_12_points(tmp_path: Path) -> None:
    page = bench(tmp_path, sample_plan())[0]
    seen = letters(page)
    text = "".join(char for char, _, _ in seen)
    for phrase in ("128.0mmfromrearedge", "26.8mmfrommedialedge", "Edgesendat", "+1.5±0.5mm",
                   "Thickonbig-toeside", "Axle4.0mmbehind", "mmhigh"):  # fmt: skip
        at = text.index(phrase)
        assert min(size for _, size, _ in seen[at : at + len(phrase)]) >= 11.99, phrase


def test_sections_that_hands_need_are_there(tmp_path: Path) -> None:
    text = words(bench(tmp_path, sample_plan())[0])
    for phrase in ("Order of work", "Bolts", "Trial", "baseline as ridden", "contact even",
                   "Foot pain calls for clinical advice", "Stop, and take back the last step",
                   "cannot release", "fitter ____", "rider ____", "date ____",
                   "Not asked (which is not a no): pain while riding",
                   "One saddle, two legs"):  # fmt: skip
        assert phrase in text, phrase


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
        text = " ".join(words(page) for page in document)
        assert "sum at the ball 6°. By K. Fitter, 2 May: rode it before" in text
        assert "Clinician's word: a named clinician, 2 May" in text
        assert "Answered yes: diabetes" in text
        assert "Not asked (which is not a no): night pain" in text
        assert "no): wound" not in text


def test_long_notes_run_over_and_the_numbers_stay(tmp_path: Path) -> None:
    notes = [
        Note(code=f"n{k}", level=NoteLevel.WARN if k == 37 else NoteLevel.INFO,
             text=f"note number {k}: " + "a long sentence about the bed " * 6)
        for k in range(40)
    ]  # fmt: skip
    document = bench(tmp_path, sample_plan(under=True).model_copy(update={"notes": notes}))
    assert len(document) > 1
    first = words(document[0])
    for phrase in ("Edges end at", "after 4.0", "One saddle", "Stop, and take back", "fitter ____",
                   "note number 37:"):  # the grave note comes first  # fmt: skip
        assert phrase in first, phrase
    every = " ".join(words(page) for page in document)
    assert all(f"note number {k}:" in every for k in range(40))
    assert f"page 1 of {len(document)}" in first
    assert "continued" in words(document[1])


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
        assert long in column(document[0], "left").replace(" ", "").replace("\ufffe", "")


def test_letters_do_not_lie_on_each_other(tmp_path: Path) -> None:
    """Middles of letters are apart by at least a quarter of a letter's height."""
    for page in [*bench(tmp_path, sample_plan(under=True)), *plan_page(tmp_path, sample_plan())]:
        seen = [(size, (box[:2] + box[2:]) / 2) for char, size, box in letters(page)
                if char not in "_."]  # fmt: skip
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
    assert "Inside forefoot −2° valgus" in text
    assert "Thick on little-toe side" in text


def test_no_pad_no_wedge_no_cleat_say_so(tmp_path: Path) -> None:
    plan = sample_plan(pad_height=None, wedges=False)
    plan = changed(plan, "left", cleat=None, saddle_change=None, thickness=[])
    text = column(bench(tmp_path, plan)[0], "left")
    for phrase in ("no pad", "no pad was wished", "no shim", "no wish, so no shim",
                   "as ridden: leave it", "not worked out", "no change worked out"):  # fmt: skip
        assert phrase in text, phrase


def test_a_single_foot_leaves_the_other_column_empty(tmp_path: Path) -> None:
    page = bench(tmp_path, sample_plan(sides=("right",)))[0]
    assert "not planned" in column(page, "left")
    assert "Crest" not in column(page, "left")
    assert "Crest" in column(page, "right")


def test_unmeasured_thickness_is_a_dash_with_its_reason(tmp_path: Path) -> None:
    rows = [ThicknessRow(station=name, before=None, after=2.5)
            for name in ("heel", "arch", "ball", "toes")]  # fmt: skip
    text = column(bench(tmp_path, changed(sample_plan(), "left", thickness=rows))[0], "left")
    assert "before – – – –" in text
    assert "was not measured" in text


@pytest.mark.parametrize(
    ("left", "right", "use", "asks"),
    [(1.5, 2.5, "+1.5 mm", False), (-4.0, -1.0, "−1.0 mm", False), (1.0, -1.0, "0.0 mm", False),
     (5.0, 1.0, "+1.0 mm", True)],
)  # fmt: skip
def test_one_saddle_takes_the_smaller_change(
    tmp_path: Path, left: float, right: float, use: str, asks: bool
) -> None:
    """The smaller in size; none where one leg asks up and the other down."""
    plan = changed(sample_plan(), "left", saddle_change=Quantity(value=left))
    plan = changed(plan, "right", saddle_change=Quantity(value=right))
    text = words(bench(tmp_path, plan)[0])
    assert f"use the smaller change, {use}" in text
    assert ("more than 3 mm" in text) == asks


def test_plan_page_gives_measures_with_unit_spread_and_difference(tmp_path: Path) -> None:
    plan = sample_plan()
    document = plan_page(tmp_path, plan)
    text = " ".join(words(page) for page in document)
    left, right = (foot.measures["ball_girth"] for foot in plan.feet)
    sd = (left.sd**2 + right.sd**2) ** 0.5  # independent errors
    difference = f"−{right.value - left.value:.1f} ± {sd:.1f} mm"
    assert f"ball girth {left.value:.1f} ± 1.6 mm {right.value:.1f} ± 1.6 mm {difference}" in text
    assert "ball line angle 72.0 ± 1.5° 72.0 ± 1.5° 0.0 ± 2.1°" in text
    assert "arch index 0.230 ± 0.020" in text


def test_plan_page_says_what_is_missing_and_why(tmp_path: Path) -> None:
    text = " ".join(words(page) for page in plan_page(tmp_path, sample_plan()))
    assert "forefoot angle (left and right): the floor flattens the forefoot" in text
    for phrase in ("What was planned, and why", "What bound it: front edge stays 10 mm behind",
                   "fill not above 80 % of the gap", "gap of 12.5 ± 1.5 mm", "One step up: 11.5 mm",
                   "Wish +2.4°, the shoe keeps 0°, +0.4° left by rounding",
                   "Mind, left and right: The cant of the bed was not measured",
                   "invented-left.ply", "fit for making", "standing on both feet",
                   "demo road shoe 43", "inside length 278", "Foot pain calls for clinical advice",
                   "Answered no: diabetes; loss of feeling"):  # fmt: skip
        assert phrase in text, phrase


def test_plan_page_is_two_pages_with_a_picture(tmp_path: Path) -> None:
    document = plan_page(tmp_path, sample_plan())
    assert len(document) == 2
    kinds = [item.type for item in document[0].get_objects()]
    assert pdfium.raw.FPDF_PAGEOBJ_IMAGE in kinds


def test_no_shoe_is_said_on_both_papers(tmp_path: Path) -> None:
    plan = sample_plan().model_copy(update={"shoe": None, "shoe_name": ""})
    assert "no shoe given: trial only" in words(bench(tmp_path, plan)[0])
    text = " ".join(words(page) for page in plan_page(tmp_path, plan))
    assert "No shoe given" in text


def test_very_many_reasons_break_over_pages(tmp_path: Path) -> None:
    plan = sample_plan()
    pad = plan.left.pad.model_copy(update={"reasons": [f"reason {k} of many" for k in range(200)]})
    text = " ".join(words(page) for page in plan_page(tmp_path, changed(plan, "left", pad=pad)))
    assert all(f"reason {k} of many" in text for k in range(200))


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    for writer in (lambda path: report.write_bench_page(path, sample_plan(), []),
                   lambda path: report.write_plan_page(path, sample_plan())):  # fmt: skip
        files = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
        for file in files:
            writer(file)
        assert files[0].read_bytes() == files[1].read_bytes()


def test_a_plan_without_feet_is_refused(tmp_path: Path) -> None:
    empty = sample_plan(sides=())
    with pytest.raises(OutputError, match="no foot, so there is no bench page"):
        report.write_bench_page(tmp_path / "b.pdf", empty, [])
    with pytest.raises(OutputError, match="no foot, so there is no page"):
        report.write_plan_page(tmp_path / "p.pdf", empty)
    assert list(itertools.chain(tmp_path.iterdir())) == []


def contact(load: float, **given: Any) -> ContactPlan:
    def figures(area: float, heel: float) -> ContactFigures:
        return ContactFigures(
            area=area, share={"heel": heel, "big toe": 1 - heel}, pad_share=0.0, pad_peak=0.0,
            peak={"heel": 91.2, "big toe": 33.7}, pad_gradient=0.0, ball_gradient=0.0,
            tilt=(0.0, 0.0), centre=(100.0, 0.0),
        )  # fmt: skip

    return ContactPlan(
        body_mass=Quantity(value=71.0, unit="kg", reason="as given"),
        cases=[
            ContactCase(case="standing", load=load, before=figures(98.4, 0.62),
                        after=figures(107.7, 0.57), **given),
            ContactCase(case="pedalling", load=load, reason="the axle is off the sole"),
        ],
        notes=["comparison of one bed with another"],
    )  # fmt: skip


def test_plan_page_compares_contact_without_and_with_the_parts(tmp_path: Path) -> None:
    plan = changed(sample_plan(), "left", contact=contact(348.1))
    plan = changed(plan, "right", contact=contact(348.1, ankle=-1.5))
    text = " ".join(words(page) for page in plan_page(tmp_path, plan))
    for wanted in ("Contact without → with the parts", "Standing, 348 N",
                   "contact area 98 → 108 cm²", "sole held at −1.5°", "62 → 57", "38 → 43",
                   "91 → 91", "not worked out, see below", "Body mass 71 kg (as given)",
                   "The axle is off the sole"):  # fmt: skip
        assert wanted in text or wanted.lower() in text.lower(), wanted
    bare = " ".join(words(page) for page in plan_page(tmp_path, sample_plan()))
    assert "Contact without" not in bare
