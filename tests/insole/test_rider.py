"""The report, read back with another library: feet on their sides, one scale, plain words."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from insole.errors import OutputError
from insole.output.papers import pages, pressure_figures
from insole.output.papers import report as rider
from insole.output.papers.shades import HEIGHTS, PRESSURES, coloured
from insole.parts.build import all_parts
from insole.record.plan import Plan, from_json, to_json
from insole.record.planned_contact import ContactCase, ContactFigures, ContactPlan, PressureMap
from insole.record.values import HeightGrid, Note, NoteLevel, Quantity
from tests.papers import EDGE_MM, MM, PAGE_MM, changed, column, every, letters, pdfium, words
from tests.plans import sample_plan

LEAST_PT = 7.0
DPI = 60
ARCH = 22.0  # mm, of the invented sole 50 mm medial of the centreline


def sole() -> HeightGrid:
    """Return a sole that rises as (1 + y / 50) / 2 towards the big toe, amid the length only."""
    x, y = np.arange(-15.0, 297.0, 3.0), np.arange(-66.0, 67.0, 3.0)
    along = np.exp(-(((x - 130.0) / 45.0) ** 2))
    across = np.clip(1.0 + y / 50.0, 0.0, 2.0) / 2.0
    return HeightGrid(x0=-15.0, y0=-66.0, step=3.0, z=(ARCH * np.outer(along, across)).tolist())


def figures(area: float) -> ContactFigures:
    return ContactFigures(
        area=area,
        share={"heel": 0.6, "midfoot": 0.1, "forefoot": 0.3},
        peak={"heel": 120.0, "midfoot": 20.0, "forefoot": 90.0},
        pad_share=0.05,
        pad_peak=12.0,
        pad_gradient=0.5,
        ball_gradient=2.0,
        tilt=(0.5, 0.2),
        centre=(100.0, 0.0),
    )


def contact(kpa: int, maps: bool = True) -> ContactPlan:
    """Return one spot of `kpa` without the parts, half as much with them; medial, at the ball."""

    def spot(value: int) -> PressureMap | None:
        row = " ".join(["0"] * 10 + [str(value)] * 4)
        return PressureMap(x0=190.0, y0=-20.0, step=4.0, rows=[row] * 4) if maps else None

    cases = [
        ContactCase(
            case=name,
            load=300.0,
            centre=(110.0, 0.0),
            before=figures(70.0),
            after=figures(74.0),
            before_map=spot(kpa),
            after_map=spot(kpa // 2),
        )
        for name in ("standing", "pedalling")
    ]
    mass = Quantity(value=60.0, unit="kg", reason="as given")
    return ContactPlan(body_mass=mass, cases=cases)


def full(**how: Any) -> Plan:
    """Return the sample plan with soles on a flat bed and pressure maps."""
    plan = sample_plan(**how).model_copy(update={"shoe": None})
    for foot, kpa in zip(plan.feet, (90, 150), strict=False):
        plan = changed(plan, foot.side, sole=sole(), contact=contact(kpa))
    return plan


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return written(tmp_path_factory.mktemp("report"), full(under=True), parts=True)


def written(folder: Path, plan: Plan, parts: bool = False) -> Any:
    path = folder / "report.pdf"
    rider.write_report(path, plan, all_parts(plan) if parts else ())
    return pdfium.PdfDocument(path.read_bytes())


def rendered(page: Any) -> np.ndarray:
    """Return a page's pixels, shape (rows, columns, 3)."""
    return np.asarray(page.render(scale=DPI / 72).to_pil().convert("RGB")).astype(float)


def is_near(picture: np.ndarray, colour: Any, within: float = 14.0) -> np.ndarray:
    return np.abs(picture - np.asarray(colour)).max(axis=2) < within


def at_mm(pixel: Any) -> Any:
    return np.asarray(pixel) * 25.4 / DPI


# ---- pages ---------------------------------------------------------------------------------


def test_three_pages_of_a4_that_read_back(report: Any, tmp_path: Path) -> None:
    assert len(report) == 3
    for page in report:
        assert np.array(page.get_size()) * MM == pytest.approx(PAGE_MM, abs=0.05)
    rider.write_report(tmp_path / "r.pdf", full())
    pages.read_back(tmp_path / "r.pdf")


def test_letters_are_large_enough_and_on_the_paper(report: Any) -> None:
    """Letters of pictures are set on a canvas in mm, so sizes are read from their boxes too."""
    for page in report:
        for char, _, box in letters(page):
            left, bottom, right, top = box
            assert left >= EDGE_MM
            assert right <= PAGE_MM[0] - EDGE_MM, char
            assert bottom >= EDGE_MM
            if char in "HLBM":  # capitals of the font are 0.73 of its size high
                assert (top - bottom) / MM >= 0.70 * LEAST_PT, char


def test_what_was_made_stands_in_the_column_of_its_foot(report: Any) -> None:
    """Only the left foot has a heel wedge, only the right one a wedge under shoe and ball."""
    left, right = (column(report[0], side) for side in ("left", "right"))
    assert "Wedge under the heel, 2°: 2.9 mm thick at the big-toe side" in left
    assert "9.0 mm high at its crest" in left
    assert "10.0 mm high at its crest" in right
    assert "Wedge between shoe and cleat, 1°" in right
    assert "thick at the little-toe side" in right
    assert "under the heel" not in right
    assert "shoe and cleat" not in left
    assert "LEFT heel shim" in column(report[2], "left")
    assert "RIGHT under shoe shim" in column(report[2], "right")
    for side in ("left", "right"):
        assert column(report[2], side).count("☐ made ☐ checked ☐ fitted") >= 3


def test_differences_carry_unit_and_spread_and_are_marked_beyond_two_sd(report: Any) -> None:
    """268.0 against 270.0 mm, 0.6 mm each: 2.0 is beyond 2 x 0.85; girth 1.9 within 2 x 2.3."""
    text = words(report[0])
    assert "length 268.0 ± 0.6 mm 270.0 ± 0.6 mm −2.0 ± 0.8 mm right larger" in text
    assert "girth round the ball 245.2 ± 1.6 mm 247.1 ± 1.6 mm −1.9 ± 2.3 mm not clear" in text


def test_rider_reads_stop_words_and_cautions_and_no_promise(report: Any) -> None:
    text = every(report)
    for phrase in (
        "new pain in foot, knee, hip or back",
        "numbness",
        "a pedal that does not let go: do not ride on",
        "at most 1 h, easy and near home",
        "Foot pain calls for clinical advice.",
        "not a clinical figure",
        "fitter ____",
        "maker ____",
    ):
        assert phrase in text, phrase
    for caution in full().cautions:  # they name what is not promised
        text = text.replace(caution, "")
    promised = r"prevent|improv|reliev|relief|cure|heal\b|watt|faster|optim|diagnos|therap|protect"
    assert re.findall(promised, text.lower()) == []


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    plan = full()
    files = [tmp_path / f"{k}.pdf" for k in range(2)]
    for file in files:
        rider.write_report(file, plan, all_parts(plan))
    assert files[0].read_bytes() == files[1].read_bytes()


# ---- maps ----------------------------------------------------------------------------------


def test_arch_is_bright_towards_the_big_toe_and_feet_look_at_each_other(report: Any) -> None:
    """Brightest on the medial side: at the right of the left foot, at the left of the right."""
    picture = rendered(report[0])
    top, bottom = (int(mm / 25.4 * DPI) for mm in (25.0, 160.0))
    picture = picture[top:bottom]
    half = picture.shape[1] // 2
    for left, way in ((0, 1.0), (half, -1.0)):
        part = picture[:, left : left + half]
        low = np.nonzero(is_near(part, HEIGHTS[0]))[1]
        high = np.nonzero(is_near(part, HEIGHTS[-1], 40.0))[1]
        assert len(low) > 200
        assert len(high) > 30
        assert way * at_mm(np.mean(high) - np.mean(low)) > 8.0


def test_arch_is_where_the_plan_says_along_the_foot(tmp_path: Path) -> None:
    """The invented arch peaks 130 mm from the rear edge: at a scale of 1 : 2, 65 mm up."""
    plan = full(sides=("right",), wedges=False, pad_height=None)
    picture = rendered(written(tmp_path, plan)[0])
    picture = picture[int(25 / 25.4 * DPI) : int(166 / 25.4 * DPI), int(95 / 25.4 * DPI) :]
    bed = np.nonzero(is_near(picture, (242, 242, 240), 3.0))[0]  # the base's rim beside the foot
    high = np.nonzero(is_near(picture, HEIGHTS[-1], 40.0))[0]
    assert at_mm(bed.max() - np.mean(high)) == pytest.approx(65.0, abs=4.0)
    assert at_mm(np.ptp(bed)) == pytest.approx(278.0 / 2, abs=3.0)


def spots(page: Any) -> list[tuple[float, float, np.ndarray]]:
    """Return place (mm from left, from above) and colour of each spot of pressure."""
    from scipy import ndimage

    picture = rendered(page)
    legend = int(at_row(page, "pressure in the model") / 25.4 * DPI) - 4
    picture[legend:] = 255.0
    picture[: int(at_row(page, "How the sole rests") / 25.4 * DPI)] = 255.0
    strong = (picture.max(axis=2) - picture.min(axis=2)) > 60
    labels, count = ndimage.label(ndimage.binary_opening(strong, iterations=2))
    found = []
    for row, col in ndimage.center_of_mass(strong, labels, range(1, count + 1)):
        found.append((at_mm(col), at_mm(row), picture[int(row), int(col)]))
    return sorted(found)


def at_row(page: Any, text: str) -> float:
    """Return how far below the upper edge a text begins, mm."""
    search = page.get_textpage().search(text)
    index, _ = search.get_next()
    return PAGE_MM[1] - page.get_textpage().get_charbox(index)[3] * MM


def test_pressure_maps_share_one_scale_and_lie_on_the_medial_side(report: Any) -> None:
    """90 → 45 kPa at the left, 150 → 75 at the right, all on a scale to 160 kPa."""
    plan = full(under=True)
    assert pressure_figures.highest(plan) == 160.0
    found = spots(report[1])
    assert len(found) == 8
    values = (90, 45, 90, 45, 150, 75, 150, 75)
    for (_, _, colour), value in zip(found, values, strict=True):
        wanted = coloured(np.array([[float(value)]]), 160.0, PRESSURES)[0, 0]
        assert np.abs(colour - wanted).max() < 12.0
    # spots lie 26 mm medial of the centreline, a base's borders 46 mm medial, 48 mm lateral of it
    picture = rendered(report[1])
    for k, (x, y, _) in enumerate(found):
        line = picture[int(y * DPI / 25.4)]
        grey = at_mm(np.nonzero((line.max(axis=1) < 235) & (np.ptp(line, axis=1) < 12))[0])
        left_of, right_of = x - grey[grey < x].max(), grey[grey > x].min() - x
        medial, lateral = (right_of, left_of) if k < 4 else (left_of, right_of)
        assert 2.5 * medial < lateral
    left = [x for x, _, _ in found[:4]]
    right = [x for x, _, _ in found[4:]]
    assert np.mean(left) + np.mean(right) == pytest.approx(PAGE_MM[0], abs=2.0)  # mirror images


def test_a_legend_has_a_number_for_either_end(report: Any) -> None:
    text = words(report[1])
    assert re.search(r"0 20 40 60 80 100 120 140 160", text)


def test_colours_are_even_steps_of_lightness() -> None:
    """Luminance (ITU-R BT.709 weights) rises or falls all along: maps survive a grey printer."""
    for table, way in ((HEIGHTS, 1.0), (PRESSURES, -1.0)):
        grey = table @ (0.2126, 0.7152, 0.0722)
        assert (way * np.diff(grey) > 2.0).all()
    ends = coloured(np.array([[0.0, 5.0, 10.0, np.nan]]), 10.0, HEIGHTS)[0]
    assert ends.tolist() == [[0, 34, 78], [125, 124, 120], [254, 232, 56], [255, 255, 255]]


def test_sections_name_the_mm_of_pad_gap_and_base(report: Any) -> None:
    left, right = (column(report[1], side) for side in ("left", "right"))
    assert "LEFT across, 128 mm from the rear edge" in left
    assert "gap 11.2 ± 1.5 mm = pad 9.0 mm + left open 2.2 ± 1.5 mm" in left
    assert "gap 12.5 ± 1.5 mm = pad 10.0 mm + left open 2.5 ± 1.5 mm" in right
    assert left.index("little-toe side") < left.index("big-toe side")
    assert right.index("big-toe side") < right.index("little-toe side")


def test_a_section_is_as_high_as_the_plan_says(tmp_path: Path) -> None:
    """The pad, 278 mm of base being the yardstick: 10 mm high at its crest, nothing stretched."""
    plan = full(sides=("right",), wedges=False)
    page = written(tmp_path, plan)[1]
    dpi = 200
    picture = np.asarray(page.render(scale=dpi / 72).to_pil().convert("RGB")).astype(float)
    first = int(at_row(page, "RIGHT along") / 25.4 * dpi)
    picture = picture[first : first + int(40 / 25.4 * dpi)]
    pad = np.nonzero(is_near(picture, (158, 204, 235), 4.0))
    base = is_near(picture, (204, 204, 199), 4.0)
    base = np.nonzero(base & (base.sum(axis=1) > 500)[:, None])  # not the rims of letters
    scale = np.ptp(base[1]) / 276.0
    line = 0.25 / 25.4 * dpi  # half of the lines above and below hides that much of the fill
    assert (np.ptp(pad[0]) + 1 + line) / scale == pytest.approx(10.0, abs=0.4)  # two pixels
    ring = np.array(plan.right.pad.outline)
    assert np.ptp(pad[1]) / scale == pytest.approx(np.ptp(ring[:, 0]), abs=4.0)


# ---- what may be missing -------------------------------------------------------------------


def older(plan: Plan, version: int) -> Plan:
    """Return the plan as that schema would have kept it."""
    return from_json(to_json(plan.model_copy(update={"schema_version": version})))


def test_an_older_plan_says_what_it_lacks(tmp_path: Path) -> None:
    second = written(tmp_path, older(full(), 2))
    text = every(second)
    assert "Left and right foot: No heights of the sole" in text
    assert "No pressure maps: the plan was made by an earlier version" in text
    assert "70 → 74" in text
    assert "Heel, % of the load 60 → 60" in text
    first = every(written(tmp_path, older(full(), 1)))
    assert "No heights of the sole" in first
    assert "70 → 74" not in first


def test_one_foot_stands_on_its_own_side(tmp_path: Path) -> None:
    for side, other in (("left", "right"), ("right", "left")):
        document = written(tmp_path, full(sides=(side,)), parts=True)
        assert len(document) == 3
        mine, theirs = column(document[0], side), column(document[0], other)
        assert "Arch apex" in mine
        assert "Arch apex" not in theirs
        assert f"{other} foot: not planned" in theirs
        assert f"Measures, {side.upper()}" in words(document[0])
        assert "left − right" not in words(document[0])


def test_no_pad_no_wedge_no_shoe_no_parts(tmp_path: Path) -> None:
    plan = full(wedges=False, pad_height=None)
    document = written(tmp_path, plan)
    text = every(document)
    assert "No arch pad. No pad was wished." in text
    assert "No wedge." in text
    assert "above a flat bed" in text
    assert "128 mm from the rear edge (arch apex)" in text
    assert "to tick off" not in text


def test_a_tender_spot_a_shoe_and_a_warning_of_the_model_are_said(tmp_path: Path) -> None:
    plan = full()
    said = "standing: in the model the contact area shrinks from 70 to 60 cm² with the parts"
    short = "model, standing: contact 70 → 60 cm²"
    note = Note(code="contact-less-standing", level=NoteLevel.WARN, text=said, short=short)
    plan = changed(plan, "right", notes=[note])
    plan = plan.model_copy(
        update={
            "wishes": {"left": {"tender": [[100.0, -25.0]]}},
            "shoe": {
                "name": "any",
                "inside": {"length": 278.0, "ball_width": 96.0, "heel_width": 66.0},
                "bed": {"drop": 14.0},
            },
            "shoe_name": "A & B <shoe>",
        }
    )
    document = written(tmp_path, plan)
    assert "Tender spot, 100 mm from the rear edge, 25 mm towards the little toe" in (
        column(document[0], "left")
    )
    assert "Tender spot" not in column(document[0], "right")
    assert "A & B <shoe>" in words(document[0])
    assert "above the shoe's bed" in words(document[0])
    assert "RIGHT Model, standing: contact 70 → 60 cm²" in words(document[1])


def test_a_plan_without_feet_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no foot, so there is no report"):
        rider.write_report(tmp_path / "r.pdf", sample_plan(sides=()))
    assert list(tmp_path.iterdir()) == []


def test_the_thick_edge_is_marked_on_its_side_of_either_face(report: Any) -> None:
    """Left heel wedge, thick at the big toe: right of its foot side, left of its shoe side."""
    images = [obj for obj in report[2].get_objects() if obj.type == pdfium.raw.FPDF_PAGEOBJ_IMAGE]
    assert len(images) == 14  # two faces of seven parts
    picture = rendered(report[2])
    start = int(at_row(report[2], "LEFT heel shim") / 25.4 * DPI)
    rows = picture[start : start + int(20 / 25.4 * DPI), : int(60 / 25.4 * DPI)]
    bars = np.nonzero(is_near(rows, (194, 84, 0), 30.0))[1]
    assert 15.0 < at_mm(bars.min()) < at_mm(bars.max()) < 45.0
    assert at_mm(np.ptp(bars)) < 9.0  # both bars stand between the two views


def test_a_report_takes_less_than_a_second(tmp_path: Path) -> None:
    """All files of a pair shall be there within ten seconds; processor time, best of two."""
    plan = full(under=True)
    parts, took = all_parts(plan), []
    for _ in range(2):
        start = time.process_time()
        rider.write_report(tmp_path / "r.pdf", plan, parts)
        took.append(time.process_time() - start)
    assert min(took) < 1.0
