"""A form in two pieces: what holds them, where the joint lies, and what it gives to mould over."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon
from shapely.affinity import scale, translate

from footscan.scan import Side
from insole.errors import OutputError, PartError
from insole.output import contents, folder, long_parts
from insole.output.first_page import making_of
from insole.output.made import Run, made_parts
from insole.output.print import plates
from insole.output.readme import routes
from insole.output.settings import Settings, folder_name
from insole.output.takes import takes
from insole.parts import build
from insole.parts import form as forms
from insole.parts.form_parting import part_form
from insole.parts.form_upper import FormWish, tender_of
from insole.parts.part import Part
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.readback.parted import check_form
from insole.record import stock
from insole.record.plan import Plan
from insole.shoe.shoe import parse
from insole.workflow import making as workflow
from tests import feet
from tests.insole.test_form import heights

BED = (220.0, 220.0)
WISH = FormWish()
SMALL = Settings(papers=("a4",), bed=BED, form=WISH, long_parts="two-pieces")
SPOT = (125.0, 12.0)
GAP = 0.2
SHOE = {
    "name": "level",
    "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
    "bed": {"drop": 0},
}


@lru_cache(maxsize=1)
def plan() -> Plan:
    wishes = PlanWishes(both=FootWish.of(tender=(SPOT,)), case="demo-7")
    return planner.plan(
        feet.analytic(side="left"), feet.analytic(side="right"), parse(SHOE), wishes
    )


@lru_cache(maxsize=1)
def whole() -> tuple[Part, ...]:
    return tuple(forms.forms(plan(), WISH))


@lru_cache(maxsize=2)
def pieces(side: str) -> tuple[Part, Part]:
    mould = forms.Mould.of(getattr(plan(), side), plan(), WISH)
    return part_form(mould, GAP, lambda ring: plates.fits(ring, BED))


def shape_of(part: Part) -> Polygon:
    return Polygon(part.outline, part.holes)


@pytest.mark.parametrize("side", ["left", "right"])
def test_both_pieces_fit_hold_each_other_and_are_the_form(side: str) -> None:
    rear, front = (shape_of(piece) for piece in pieces(side))
    (form,) = (part for part in whole() if part.side.value == side)
    assert not plates.fits(form.outline, BED)
    assert all(plates.fits(piece.outline, BED) for piece in pieces(side))
    assert rear.distance(front) == pytest.approx(GAP, abs=0.01)
    assert rear.intersection(translate(front, 4.0)).area > 10.0  # it cannot be pulled off
    joint = pieces(side)[0].facts.joint
    lost = (
        GAP
        * LineString(joint.line * [1, -1 if side == "right" else 1])
        .intersection(shape_of(form))
        .length
    )
    teeth = 2.5 * 8.0  # the notch of the front piece takes half of that
    assert rear.area + front.area + lost == pytest.approx(shape_of(form).area, abs=teeth)
    assert joint.lost == pytest.approx(lost * joint.thick, rel=0.03)
    made = sum(piece.volume for piece in pieces(side)) + joint.lost
    assert made == pytest.approx(form.volume, rel=2e-3)
    for piece in pieces(side):
        assert build.check(piece) == []


def test_the_front_piece_of_the_other_foot_does_not_go_in() -> None:
    rear, other = shape_of(pieces("right")[0]), shape_of(pieces("left")[1])
    assert max(shape_of(pieces("right")[1]).intersection(rear).area, 0.0) < 0.01
    for image in (other, scale(other, 1, -1, origin=(0, 0))):
        meets = [
            rear.intersection(translate(image, 0.0, step)).area for step in np.arange(-10, 10.5)
        ]
        assert min(meets) > 20.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_surface_to_mould_over_is_that_of_the_whole_form(side: str) -> None:
    (form,) = (part for part in whole() if part.side.value == side)
    for piece in pieces(side):
        inner = shape_of(piece).buffer(-14.0)
        x, y = np.random.default_rng(4).uniform(inner.bounds[:2], inner.bounds[2:], (60, 2)).T
        points = np.column_stack([x, y])[shapely.contains_xy(inner, x, y)]
        assert len(points) > 20
        # a form is accurate to 0.1 mm
        assert heights(piece, points) == pytest.approx(heights(form, points), abs=0.05)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_joint_keeps_off_crest_and_tender_spots(side: str) -> None:
    foot = getattr(plan(), side)
    line = LineString(pieces(side)[0].facts.joint.line)
    (spot,) = tender_of(foot, plan())
    assert line.distance(Point(spot)) > 20.0
    assert line.distance(Point(foot.pad.crest.from_rear, foot.pad.crest.y)) > 20.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_each_piece_says_what_it_is(side: str) -> None:
    for piece, word in zip(pieces(side), ("REAR PIECE", "FRONT PIECE"), strict=True):
        assert {side.upper(), "FORM", word} <= set(piece.facts.engraved.texts)
        assert ">" in piece.facts.engraved.on_top
        x, y = piece.facts.notch
        medial = -1.0 if side == "right" else 1.0  # turned over; a left one mirrored on top
        assert y * medial > 0.0
        assert Polygon(shape_of(piece).convex_hull).contains(Point(x, y))


def test_a_form_is_parted_only_where_it_must_and_may_be() -> None:
    for settings in (
        replace(SMALL, bed=(400.0, 400.0)),
        replace(SMALL, long_parts=""),
        replace(SMALL, long_parts="whole"),
        replace(SMALL, long_parts="three-quarter"),
    ):
        assert long_parts.parted_forms(plan(), whole(), settings) == list(whole())
    form = whole()[0]
    assert "two pieces to glue" in long_parts.ways_out(form, replace(SMALL, long_parts=""))
    assert "as you chose" in long_parts.ways_out(form, replace(SMALL, long_parts="whole"))
    with pytest.raises(PartError, match="cannot be parted so that both pieces fit the printer"):
        long_parts.parted_forms(plan(), whole(), replace(SMALL, bed=(150.0, 130.0)))


def test_the_folder_has_both_pieces_and_says_how_they_are_glued(tmp_path: Path) -> None:
    one = plan().model_copy(update={"left": None})
    parts = [part for part in workflow.checked_parts(one, SMALL) if "form" in part.name.split("-")]
    assert [part.label for part in parts] == ["right-form-rear-piece", "right-form-front-piece"]
    assert all(part.side is Side.RIGHT for part in parts)
    writers = [i for i in contents.items(one, parts, SMALL) if i.path.startswith("print")]
    place = folder.write(one, parts, tmp_path, settings=SMALL, writers=writers)
    names = {p.name for p in (place / "print").iterdir()}
    assert names == {
        f"{stem}-demo-7-v1.{kind}"
        for kind, stems in (
            ("3mf", ("form-rear-piece-right", "form-front-piece-right")),
            ("stl", ("right-form-rear-piece", "right-form-front-piece")),
        )
        for stem in stems
    }
    text = " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    for words in ("The form is in two pieces", "sand it flush", "0.2 mm left for the glue"):
        assert words in text
    assert "fits no printer" not in text
    assert "needs a printer bed" not in text


def joints() -> tuple[dict[str, Any], dict[str, float]]:
    """Return what the manifest says of both pieces of the right form, and their volumes, cm3."""
    both = pieces("right")
    records = {p.label: {"joint": p.facts.joint.record(p.facts.piece)} for p in both}
    return records, {p.label: (p.volume - p.facts.engraved.volume) / 1000.0 for p in both}


def test_a_reader_holds_both_pieces_against_the_whole_form() -> None:
    records, volumes = joints()
    check_form("right", records, volumes)
    check_form("left", records, volumes)  # of which there is none
    rear, front = records
    with pytest.raises(OutputError, match="not in a rear and a front piece"):
        check_form("right", {rear: records[rear]}, volumes)
    with pytest.raises(OutputError, match="not in a rear and a front piece"):
        check_form("right", {rear: records[front], front: records[rear]}, volumes)
    moved = records[front]["joint"] | {"gap": 0.3}
    with pytest.raises(OutputError, match="two different joints"):
        check_form("right", records | {front: {"joint": moved}}, volumes)
    with pytest.raises(OutputError, match="cm³ together"):
        check_form("right", records, volumes | {front: 0.95 * volumes[front]})


def test_a_base_that_fits_no_printer_may_be_cut_along_the_template(tmp_path: Path) -> None:
    one = plan().model_copy(update={"left": None})
    (base,) = (part for part in build.all_parts(one) if part.name == "base")
    assert "sheet of 1.5 mm along the full-size template" in long_parts.ways_out(base, SMALL)
    (paper := tmp_path / "paper").mkdir()
    (paper / f"template-a4-{folder_name(one)}.pdf").touch()
    for bed, tools in (((400.0, 400.0), []), (BED, ["knife, 1.5 mm sheet"])):
        printer = stock.Printer(name="one", bed=bed)
        settings = replace(SMALL, bed=bed, stock=stock.Stock(printers=(printer,)))
        run = Run(one, made_parts(one, [base], settings), settings, print)
        making = making_of(run)
        (route,) = (row for row in routes(making) if row.startswith("right-base"))
        assert ("have this printed (fits no printer here" in route) == bool(tools)
        found = takes(making, settings, tmp_path, run.made.parts[0])
        assert [take.machine for take in found] == tools
        assert not any(take.made for take in found)
