"""Files of one kind, written and read without the rest of their folder: quick."""

from __future__ import annotations

import json
from fnmatch import fnmatch
from pathlib import Path

import pytest

from insole.errors import OutputError
from insole.output import contents
from insole.output.ink import MM, drawn, write
from insole.output.papers import bench
from insole.output.settings import Settings, folder_name
from insole.parts.build import all_parts
from insole.readback import carved, full_size, papers, solids
from insole.readback.cut import check_drawing
from insole.readback.drawings import read_drawing, same_drawing
from insole.readback.folder import _sheet
from insole.readback.pages import read_pages
from insole.readback.paper_numbers import check_numbers, check_spots, check_thickness
from insole.readback.told import Told
from insole.readback.workshop import check_cards, check_measures
from insole.record.plan import fingerprint, to_json
from tests.plans import sample_plan


@pytest.mark.parametrize(
    "kind",
    [
        "paper/template-*",
        "paper/section-gauges-*",
        "paper/bench-page-*",
        "paper/report-*",
        "paper/plan-*",
        "cut/left-*",
        "cut/right-foot-*",
        "cut/sheet-*",
        "print/*.stl",
    ],
)
def test_what_is_written_alone_says_what_the_plan_says(tmp_path: Path, kind: str) -> None:
    plan = sample_plan(under=True)
    tag, seal = folder_name(plan), fingerprint(plan)
    told = Told.of(json.loads(to_json(plan)), tag, {})
    for folder in ("paper", "cut/parts", "print", "pictures"):
        (tmp_path / folder).mkdir(parents=True)
    written = [
        item
        for item in contents.items(plan, all_parts(plan), Settings(papers=("a4",)))
        if fnmatch(item.path, kind)
    ]
    assert written
    for item in written:
        item.write(tmp_path / item.path)
    for path in sorted(tmp_path.glob(kind)):
        match path.name.partition("-")[0], path.suffix:
            case "template", _:
                full_size.check_template(path, told)
            case "section", _:
                full_size.check_gauges(path, told, seal)
            case "bench", _:
                papers.check_pair_paper(path, told, seal)
            case "report" | "plan", _:
                papers.check_pair_paper(path, told, seal)
                pages = read_pages(path)
                check_measures(path.name, " ".join(page.text for page in pages), told)
                check_cards(path.name, pages, told, told.pieces)
            case _, ".dxf":
                check_drawing(read_drawing(path), _sheet(path, told, 0.0), told)
            case _, ".svg":
                twin = read_drawing(path.with_suffix(".dxf"))
                assert same_drawing(read_drawing(path), twin)
            case _, ".stl":
                label = path.stem.removesuffix(f"-{tag}")
                header, corners = solids.read_stl(path)
                solids.check_mesh(path, header, corners, label, told)
                carved.check_carving(path, corners, label, told, by_hand="")


@pytest.mark.parametrize(("back", "words"), [(5.0, "Move 5.0 mm back"), (-3.0, "3.0 mm forward")])
def test_a_cleat_with_a_mark_is_told_from_both(tmp_path: Path, back: float, words: str) -> None:
    """4 mm behind the first head is 2.5 mm ahead of the mark; which way it moves is read."""
    plan = sample_plan(sides=("right",))
    told = {"mark": "middle of the slot", "from_mark": 2.5, "back": back}
    foot = plan.right.model_copy(update={"cleat": plan.right.cleat.model_copy(update=told)})
    path = tmp_path / "bench.pdf"
    bench.write_bench_page(path, plan.model_copy(update={"right": foot}), ())
    text = read_pages(path)[0].text
    for said in (words, "Axle 2.5 mm ahead of middle of the slot", "= 4.0 mm behind MTH1"):
        assert said in text
    check_numbers("bench", text, foot.model_dump(mode="json"))
    other = foot.model_copy(update={"cleat": foot.cleat.model_copy(update={"back": -back})})
    with pytest.raises(OutputError, match="cleat is said to move"):
        check_numbers("bench", text, other.model_dump(mode="json"))


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((("3.4 2.9 middle", "2.6 2.2 middle"),), "2.6 mm is not the RIGHT foot's thickness"),
        ((("little-toe side 2.6", "little-toe side 3.4"),), "3.4 mm is not the RIGHT foot's"),
        ((("12 mm towards little", "12 mm towards big"),), "no tender spot 12 mm towards big"),
        ((("110 mm from rear", "112 mm from rear"),), "no tender spot .* at 112 mm"),
        ((("/9 little-toe", "/9"),), "RIGHT foot's dowels are drilled at 100/12, 130/9"),
        ((("100/12", "100/12 little-toe"),), "dowels are drilled at 100/12 little-toe"),
        ((("100/12, ", ""),), "dowels are drilled at 130/9 little-toe"),
    ],
)
def test_sides_of_the_bed_tender_spots_and_dowels_on_the_bench_page(
    tmp_path: Path, words: tuple[tuple[str, str], ...], sentence: str
) -> None:
    """Which side each lies on, and where along the foot."""
    plan = sample_plan(sides=("right",))
    foot, told = plan.right, {"heel": (3.4, 2.6), "ball": (2.9, 2.2)}
    rows = [
        row.model_copy(update=dict(zip(("medial", "lateral"), told[row.station], strict=True)))
        if row.station in told
        else row
        for row in foot.thickness
    ]
    base = foot.base.model_copy(update={"dowels": [(100.0, 12.0), (130.0, -9.0)]})
    foot = foot.model_copy(update={"thickness": rows, "base": base})
    wishes = {**plan.wishes, "right": {"tender": [[110.0, -12.0]]}}
    path = tmp_path / "bench.pdf"
    bench.write_bench_page(path, plan.model_copy(update={"right": foot, "wishes": wishes}), ())
    text, record = read_pages(path)[0].text, foot.model_dump(mode="json")

    def check(text: str) -> None:
        check_thickness("bench", text, record)
        check_spots("bench", text, record, wishes["right"]["tender"])

    check(text)
    for before, after in words:
        assert before in text
        text = text.replace(before, after)
    with pytest.raises(OutputError, match=sentence):
        check(text)


def test_numbers_one_above_the_other_are_two_words(tmp_path: Path) -> None:
    """The PDF library joins 1 and the 2 above it to 12; holes for dowels are numbered like that."""
    path = tmp_path / "numbers.pdf"
    with drawn(path, "numbers", (100.0, 100.0)) as canvas:
        canvas.scale(MM, MM)
        for words, x, y in (("1", 20.0, 40.0), ("2", 20.0, 44.0), ("12", 60.0, 20.0)):
            write(canvas, x, y, words, 2.5)
    page = read_pages(path)[0]
    for word, y in (("1", 40.0), ("2", 44.0)):
        (box,) = page.places(word)
        assert box[:2] == pytest.approx([20.0, y], abs=0.5)
