"""The plan page, read back from the PDF with another library."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.errors import OutputError
from insole.output import phrases
from insole.output.papers import plan_page as report
from insole.record.material_file import default_materials
from insole.record.plan import CleatPlan
from insole.record.planned_contact import ContactCase, ContactFigures, ContactPlan
from insole.record.values import Note, NoteLevel, Quantity
from tests.papers import EDGE_MM, PAGE_MM, changed, every, letters, pdfium, plan_page, words
from tests.plans import sample_plan


def test_plan_page_gives_measures_with_unit_spread_and_difference(tmp_path: Path) -> None:
    plan = sample_plan()
    document = plan_page(tmp_path, plan)
    text = every(document)
    left, right = (foot.measures["ball_girth"] for foot in plan.feet)
    sd = (left.sd**2 + right.sd**2) ** 0.5  # independent errors
    difference = f"−{right.value - left.value:.1f} ± {sd:.1f} mm"
    assert f"ball girth {left.value:.1f} ± 1.6 mm {right.value:.1f} ± 1.6 mm {difference}" in text
    assert "ball line angle 72.0 ± 1.5° 72.0 ± 1.5° alike" in text
    assert "arch index (midfoot share of the footprint) 0.230 ± 0.020" in text


def test_plan_page_says_what_is_missing_and_why(tmp_path: Path) -> None:
    text = every(plan_page(tmp_path, sample_plan()))
    assert "forefoot angle (left and right): the floor flattens the forefoot" in text
    for phrase in (
        "What was planned, and why",
        "What bound it: front edge stays 10 mm behind",
        "fill not above 80 % of the gap",
        "gap of 12.5 ± 1.5 mm",
        "One step up: 11.5 mm",
        "Wish 2.4° varus, the shoe keeps 0°, 0.4° varus left by rounding",
        "Mind, left and right: The cant of the bed was not measured",
        "invented-left.ply",
        "fit for making",
        "standing on both feet",
        "demo road shoe 43",
        "inside length 278",
        "Foot pain calls for clinical advice",
        "Answered no: diabetes; loss of feeling",
    ):
        assert phrase in text, phrase


def test_plan_page_says_every_wish_and_that_there_was_none(tmp_path: Path) -> None:
    plan = sample_plan()
    head = "Wishes (lengths in mm, angles in degrees, levels as shares of the gap):"
    said = every(plan_page(tmp_path, plan))
    assert f"{head} forefoot 2; heel 2; support level 0.8." in said
    none = every(plan_page(tmp_path, plan.model_copy(update={"wishes": {}})))
    assert f"{head} none stated, which is not a wish of zero." in none


def test_plan_page_starts_with_a_picture_and_says_its_pages(tmp_path: Path) -> None:
    document = plan_page(tmp_path, sample_plan())
    assert f"page 1 of {len(document)}" in words(document[0])
    assert len(document) <= 3
    kinds = [item.type for item in document[0].get_objects()]
    assert pdfium.raw.FPDF_PAGEOBJ_IMAGE in kinds


def test_very_many_reasons_break_over_pages(tmp_path: Path) -> None:
    plan = sample_plan()
    pad = plan.left.pad.model_copy(update={"reasons": [f"reason {k} of many" for k in range(200)]})
    text = every(plan_page(tmp_path, changed(plan, "left", pad=pad)))
    assert all(f"reason {k} of many" in text for k in range(200))


def contact(load: float, **given: Any) -> ContactPlan:
    def figures(area: float, heel: float) -> ContactFigures:
        return ContactFigures(
            area=area,
            share={"heel": heel, "big toe": 1 - heel},
            pad_share=0.0,
            pad_peak=0.0,
            peak={"heel": 91.2, "big toe": 33.7},
            pad_gradient=0.0,
            ball_gradient=0.0,
            tilt=(0.0, 0.0),
            centre=(100.0, 0.0),
        )

    return ContactPlan(
        body_mass=Quantity(value=71.0, unit="kg", reason="as given"),
        cases=[
            ContactCase(
                case="standing",
                load=load,
                before=figures(98.4, 0.62),
                after=figures(107.7, 0.57),
                **given,
            ),
            ContactCase(case="pedalling", load=load, reason="the axle is off the sole"),
        ],
        notes=["comparison of one bed with another"],
    )


def test_plan_page_compares_contact_without_and_with_the_parts(tmp_path: Path) -> None:
    plan = changed(sample_plan(), "left", contact=contact(348.1))
    plan = changed(plan, "right", contact=contact(348.1, ankle=-1.5))
    text = every(plan_page(tmp_path, plan))
    for wanted in (
        "Contact without → with the parts",
        "Standing, 348 N",
        "contact area 98 → 108 cm²",
        "sole held at −1.5°",
        "62 → 57",
        "38 → 43",
        "91 → 91",
        "not worked out, see below",
        "Body mass 71 kg (as given)",
        "The axle is off the sole",
    ):
        assert wanted in text or wanted.lower() in text.lower(), wanted
    bare = every(plan_page(tmp_path, sample_plan()))
    assert "Contact without" not in bare


def test_spread_is_one_standard_deviation_and_never_nothing(tmp_path: Path) -> None:
    """The record's band is 95 %, so 1.96 standard deviations; a spread of 0.04 mm is not said."""
    plan = sample_plan()
    seating = plan.left.seating.model_copy(update={"band": 3.92})
    change = Quantity(value=-1.5, sd=0.04, reason="stack -1.5 mm")
    text = every(plan_page(tmp_path, changed(plan, "left", seating=seating, saddle_change=change)))
    assert "gap known to ± 2.0 mm" in text
    assert "Saddle 1.5 mm down. Stack −1.5 mm." in text
    assert not re.search(r"± 0\.0(?!\d)", text)


def test_no_switch_of_the_command_line_and_no_key_of_a_material_on_paper(tmp_path: Path) -> None:
    note = Note(code="standing-edge", text="an edge of 9 mm (--medial-edge 9) raises it by 1.2 mm")
    plan = changed(sample_plan(), "left", notes=[note])
    text = every(plan_page(tmp_path, plan))
    assert "an edge of 9 mm raises it by 1.2 mm" in text
    assert "--" not in text
    for foot in plan.feet:
        assert foot.pad is not None
        assert default_materials().find(foot.pad.material).words in text
        assert foot.pad.material not in text


def test_shoe_is_set_against_the_foot(tmp_path: Path) -> None:
    """Shoe of the sample: inside length 278 mm, heel 66 mm; feet 268 and 270 mm."""
    tight = Note(
        code="fit-heel-width",
        level=NoteLevel.WARN,
        text="shoe: heel width tight: -3.9 ± 1.96 mm (wanted -2 to 5 mm)",
    )
    plan = changed(sample_plan(), "left", notes=[tight])
    plan = changed(plan, "right", notes=[Note(code="fit", text="shoe: snug at heel width, length")])
    text = every(plan_page(tmp_path, plan))
    left, right = (foot.measures["heel_breadth_max"].value for foot in plan.feet)
    row = f"heel width 66.0 {left:.1f} ± 0.8 {66 - left:+.1f} {right:.1f} ± 0.8 {66 - right:+.1f}"
    assert f"{row} left tight, right snug".replace("-", "−") in text
    assert "length 278.0 268.0 ± 0.6 +10.0 270.0 ± 0.6 +8.0" in text
    assert "heel width tight: −3.9 ± 1.0 mm" in text  # 1.96 mm at 95 % is 1.0 mm


def test_cleat_is_told_from_the_mark_and_each_way_once(tmp_path: Path) -> None:
    cleat = CleatPlan(
        from_ball_mark=-4.0,
        from_mth5=20.0,
        yaw=-3.0,
        float_range=6.0,
        mark="middle of the lower slot",
        from_mark=2.3,
        back=5.0,
    )
    plan = changed(sample_plan(), "left", cleat=cleat)
    text = every(plan_page(tmp_path, plan))
    for phrase in (
        "axle 2.3 mm ahead of middle of the lower slot: 4.0 mm behind MTH1",
        "joint known to ± 1.6 mm",
        "Moves 5.0 mm back",
        "nose 3° to the little-toe side of the shoe's midline; float 6°",
        "Shim inside forefoot: 2° varus, thick on the big-toe side",
    ):
        assert phrase in text, phrase


def test_rows_stay_whole_and_the_title_of_a_page_stands_clear(tmp_path: Path) -> None:
    """A topic of 30 lines that the first page has no room for starts on the second."""
    plan = sample_plan()
    reasons = [f"reason {k} of thirty" for k in range(30)]
    wedge = plan.left.wedges[0].model_copy(update={"reasons": reasons})
    document = plan_page(tmp_path, changed(plan, "left", wedges=[wedge]))
    shown = [{k for k in range(30) if f"reason {k} of thirty" in words(page)} for page in document]
    assert sorted(map(len, shown)) == [0] * (len(shown) - 1) + [30]
    for page in list(document)[1:]:
        tops = np.array([box[3] for _, _, box in letters(page)])
        title = tops > tops.max() - 3.5
        assert tops[title].min() - tops[~title].max() > 2.0


def test_names_of_authors_are_glossed(tmp_path: Path) -> None:
    plan = sample_plan()
    measures = {**plan.left.measures, "staheli": Quantity(value=0.7, unit="", sd=0.03)}
    text = every(plan_page(tmp_path, changed(plan, "left", measures=measures)))
    assert "Staheli (footprint index: arch over heel) 0.700 ± 0.030" in text


@pytest.mark.parametrize(
    ("said", "paper"),
    [
        ("-0.5 mm on 2026-11-20", "−0.5 mm on 2026-11-20"),
        ("left asks for +0.0 mm, use -0.0 mm", "left asks for 0.0 mm, use 0.0 mm"),
        ("uncertain by a further ±3 mm", "uncertain by up to 3 mm more"),
        ("edge of 9 mm (--medial-edge 9) there", "edge of 9 mm there"),
    ],
)
def test_sentences_as_they_stand_on_paper(said: str, paper: str) -> None:
    assert phrases.paper(said) == paper


def test_long_words_stay_on_the_sheet(tmp_path: Path) -> None:
    long = "padwithoutspaces" * 8
    plan = sample_plan(case="a-case-name-of-forty-letters-and-more-1")
    pad = plan.left.pad.model_copy(update={"name": long, "material": long})
    plan = changed(plan, "left", pad=pad, scan_file=long + ".ply", verdict=long)
    for page in plan_page(tmp_path, plan.model_copy(update={"shoe_name": long})):
        boxes = np.array([box for _, _, box in letters(page)])
        assert boxes.min() > EDGE_MM
        assert (boxes[:, 2] < PAGE_MM[0] - EDGE_MM).all()
        assert (boxes[:, 3] < PAGE_MM[1] - EDGE_MM).all()


def test_a_plan_without_feet_has_no_page(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no foot, so there is no page"):
        report.write_plan_page(tmp_path / "p.pdf", sample_plan(sides=()))
    assert list(tmp_path.iterdir()) == []
