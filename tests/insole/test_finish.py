"""Bevels, ventilation holes, nozzles and the workshop's own stock: where, which side, how much."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon

from insole import cli
from insole.errors import OutputError, PartError, PlanError
from insole.output import folder, takes
from insole.output.cut import cutting
from insole.output.made import MadeParts, Run, made_parts, recorded, size_words
from insole.output.papers.template import write_template
from insole.output.readme import Making
from insole.output.settings import Settings
from insole.parts import bevel, build, engraving, solids
from insole.parts.base import base
from insole.parts.build import all_parts
from insole.parts.contour import contoured_bed
from insole.parts.facts import Vents
from insole.parts.finish import BevelWish, Finish, bevel_wish, vent_wish
from insole.parts.pad import arch_pad
from insole.parts.part import Mark, Part, as_worn
from insole.parts.vents import vented
from insole.planning.support.metatarsal import drop_of
from insole.readback.vents import check_vents
from insole.record import workshop
from insole.record.limits import default_limits
from insole.record.plan import FootPlan
from tests import papers
from tests.on_trial import made
from tests.plans import sample_foot, sample_plan

WISH = Finish(bevel=BevelWish(width=1.0, angle=45.0), vents=vent_wish("3@12"))


@lru_cache(maxsize=2)
def foot_of(side: str) -> FootPlan:
    return sample_foot(side, length=270.0, wedges=())


@lru_cache(maxsize=2)
def base_of(side: str) -> Part:
    return as_worn(base(foot_of(side), "demo", WISH))


# ------------------------------------------------------------------ bevel


def test_a_bevel_takes_what_the_formula_says():
    """Of a rectangle: the height times the ring's area, that shrinks by 8 mm² a millimetre in."""
    long, wide, thick, wish = 100.0, 60.0, 3.0, BevelWish(width=2.0, angle=30.0)
    shape = shapely.box(0, 0, long, wide)
    perimeter, high = 2 * (long + wide), 2.0 * math.tan(math.radians(30.0))
    off = high * (perimeter * 2.0 / 2 - 8 * 2.0**2 / 6)
    made = bevel.bevelled(solids.prism(shape, 0.0, thick), shape, wish)
    # along the diagonal of a sharp corner the mesh is cut a tenth deeper: 0.4 mm³ each
    assert made.volume() == pytest.approx(long * wide * thick - off, abs=2.0)
    assert bevel.volume(shape, wish) == pytest.approx(off, rel=2e-3)
    for z, inset in ((0.0 + 1e-4, 2.0), (high / 2, 1.0), (high + 0.01, 0.0)):
        cut = solids.region_above(made, z)
        wanted = shapely.box(inset, inset, long - inset, wide - inset)
        assert cut.symmetric_difference(wanted).area < 3.0


@pytest.mark.parametrize("side", ["right", "left"])
def test_a_base_is_bevelled_on_the_shoe_side_and_stays_sound(side):
    part = base_of(side)
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(part.volume - part.facts.engraved.volume, rel=2e-4)
    solid = solids.solid_of(part.vertices, part.faces)
    whole = Polygon(part.outline, part.holes)
    low, high = (solids.region_above(solid, z) for z in (0.45, 1.1))
    assert high.symmetric_difference(whole).area < 1.0  # the foot side keeps its outline
    inner = whole.intersection(Polygon(part.outline).buffer(-0.55))
    assert low.symmetric_difference(inner).area < 0.02 * whole.length
    assert build.check(part) == []
    inside = Polygon(part.outline).buffer(-1.0)
    assert all(inside.covers(engraving.mark_shape(m)) for m in part.marks if m.face == "shoe")
    assert part.solid_volume == pytest.approx(
        part.volume + 1.0 * 1.0 / 2 * whole.exterior.length, rel=0.01
    )


def test_a_bevel_that_leaves_too_little_says_how_much_goes():
    with pytest.raises(PartError, match=r"at least 0\.4 mm must stay; give 1\.1@45") as no:
        base(foot_of("right"), "x", Finish(bevel=BevelWish(width=2.0, angle=45.0)))
    assert no.value.asks == ("bevel",)
    text = re.search(r"give (\S+) or less", str(no.value))[1]
    bevel.check_bevel(bevel_wish(text), 1.5, 0.4, "base")
    wide = Finish(bevel=BevelWish(width=1.0, angle=45.0), nozzles={"base-pp": 0.6})
    with pytest.raises(PartError, match=r"at least 0\.6 mm must stay; give 0\.9@45"):
        base(foot_of("right"), "x", wide)


@pytest.mark.parametrize(
    ("reader", "text", "sentence"),
    [
        (bevel_wish, "wide", "a bevel is WIDTH or WIDTH@DEGREES"),
        (bevel_wish, "2@80", "cannot be 80 degrees steep; give 20 to 70"),
        (vent_wish, "6", "cannot be 6 mm wide; give 1.5 to 4 mm"),
        (vent_wish, "3@90", "cannot stand 90 mm apart; give 7.5 to 40 mm"),
        (vent_wish, "3@-4", "holes are DIAMETER or DIAMETER@DISTANCE"),
    ],
)
def test_a_slip_in_a_wish_is_one_sentence(reader, text, sentence):
    with pytest.raises(PlanError, match=re.escape(sentence)) as no:
        reader(text)
    assert "\n" not in str(no.value)


# ------------------------------------------------------------------ holes


def test_holes_keep_off_heel_ball_crest_pad_and_border():
    part, foot = base_of("right"), foot_of("right")
    spots = np.array(part.facts.vents.places)
    assert len(spots) > 10
    ring = Polygon(foot.base.outline)
    assert spots[:, 0].min() - 1.5 >= 0.28 * 278.0
    for k in range(1, 6):
        head = np.array(foot.landmarks[f"mth{k}"][:2])
        assert np.hypot(*(spots - head).T).min() >= 20.0 + 1.5
    crest = np.array([foot.pad.crest.from_rear, 8.0])
    assert np.hypot(*(spots - crest).T).min() >= 20.0
    pad = Polygon(foot.pad.outline)
    for spot in map(shapely.Point, spots):
        assert spot.distance(pad) >= 1.5 + 2.0 - 1e-6
        assert spot.distance(ring.exterior) >= 1.5 + 8.0 - 1e-6
    apart = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    assert apart[apart > 0].min() == pytest.approx(12.0, abs=0.01)


def test_holes_keep_off_what_will_be_trimmed_too():
    """8 mm from the border as it is worn; the trim allowance comes on top."""
    foot = foot_of("right")
    loose = foot.model_copy(update={"base": foot.base.model_copy(update={"trim_allowance": 6.0})})
    part = as_worn(base(loose, "demo", WISH))
    places, ring = part.facts.vents.places, Polygon(foot.base.outline).exterior
    assert len(places) > 5
    assert min(shapely.Point(spot).distance(ring) for spot in places) >= 1.5 + 8.0 + 6.0 - 1e-6
    record, near = json.loads(loose.model_dump_json()), base_of("right").facts.vents.places
    with pytest.raises(OutputError, match="in the border"):  # as if nothing were trimmed
        check_vents("right-base", list(near), 3.0, foot.base.outline, record)


def test_a_left_base_has_the_mirrored_holes_in_mesh_and_cut_file():
    left, right = (base_of(side) for side in ("left", "right"))
    one = np.array(sorted(map(tuple, np.array(left.facts.vents.places) * [1.0, -1.0])))
    assert one == pytest.approx(np.array(sorted(right.facts.vents.places)), abs=1e-6)
    for part in (left, right):
        solid = solids.solid_of(part.vertices, part.faces)
        region = solids.region_above(solid, 1.3)
        assert not any(region.contains(shapely.Point(spot)) for spot in part.facts.vents.places)
        rings = cutting.cut_rings(part)  # toes up: a place (x, y) lies at (-y, x)
        middles = sorted(
            tuple(np.round(Polygon(ring).centroid.coords[0], 2).tolist()) for ring in rings[:-1]
        )
        wanted = sorted((round(-y, 2), round(x, 2)) for x, y in part.facts.vents.places)
        assert np.array(middles) == pytest.approx(np.array(wanted), abs=0.011)
        record = recorded(part, Settings().materials)
        assert np.array(sorted(record["vents"])) == pytest.approx(
            np.array(sorted(right.facts.vents.places)), abs=2e-3
        )  # in the bed frame, both feet alike


def test_tender_spots_stay_without_a_hole():
    foot, hole = foot_of("right"), base_of("right").facts.vents.places[0]
    ring = Polygon(foot.base.outline)
    _, spots = vented(foot, WISH.vents, ring, tender=(hole,), limits=default_limits())
    assert np.hypot(*(np.array(spots) - hole).T).min() >= 10.0


@pytest.mark.parametrize("share", [0.28, 0.5])
def test_a_workshops_own_limits_keep_the_heel_free_of_holes(share):
    plan = sample_plan(wedges=False).model_copy(update={"limits": {"vents.heel_free": share}})
    for part in all_parts(plan, WISH):
        if part.name == "base":
            x = np.array(part.outline)[:, 0]
            spots = np.array(part.facts.vents.places)
            first = (spots[:, 0].min() - 1.5 - x.min()) / np.ptp(x)
            assert share - 0.01 <= first < share + 0.06


def test_no_hole_goes_through_the_metatarsal_pad_of_a_bed():
    foot = made(1, contoured="full", metatarsal=5.0).right
    marks = {name: np.array(at) for name, at in foot.landmarks.items()}
    dome = drop_of(marks, 5.0, None, default_limits())
    spots = np.array(contoured_bed(foot, "demo", WISH).facts.vents.places)
    assert len(spots)
    assert (dome.at(*spots.T) == 0.0).all()
    flat = made(1, contoured="full").right
    assert (dome.at(*np.array(contoured_bed(flat, "demo", WISH).facts.vents.places).T) > 0.5).any()


@pytest.mark.parametrize(
    ("spot", "words"),
    [
        ((30.0, 0.0), "under the heel"),
        ((198.0, 33.0), "under the ball"),
        ((130.0, 8.0), "under the arch crest"),
        ((160.0, 35.0), "in the border"),
        ((105.0, -8.0), "under a pad"),
    ],
)
def test_a_hole_in_a_loaded_zone_is_refused_when_read_back(spot, words):
    foot = json.loads(foot_of("right").model_dump_json())
    foot["pad"]["crest"]["y"] = 8.0
    good = [tuple(place) for place in base_of("right").facts.vents.places]
    check_vents("right-base", good, 3.0, foot["base"]["outline"], foot)
    with pytest.raises(OutputError, match=words):
        check_vents("right-base", [*good, spot], 3.0, foot["base"]["outline"], foot)


def test_a_part_without_room_for_holes_is_named():
    part = replace(
        base_of("left"), facts=replace(base_of("left").facts, vents=Vents(places=(), diameter=4.0))
    )
    run = Run(sample_plan(), MadeParts(parts=(part, base_of("right"))), Settings(), print)
    folder._note_vents(run)
    assert list(run.notes) == ["vents: left-base"]
    assert "left-base has no room for ventilation holes" in run.notes["vents: left-base"]


# ------------------------------------------------------------------ on paper


def test_papers_say_and_draw_bevel_holes_and_cover(tmp_path):
    plan = sample_plan(sides=("right",), wedges=False)
    settings = Settings(cover_pattern=4.0)
    made = made_parts(plan, [base_of("right")], settings)
    words = size_words(made.parts[0])
    assert "underside's edge bevelled 1 mm wide at 45 degrees all round, 0.5 mm" in words
    count = len(base_of("right").facts.vents.places)
    assert f"{count} ventilation holes of 3 mm" in words
    assert not re.search(r"\b(left|right)\b", words)  # a side's word on paper is a side
    path = tmp_path / "template.pdf"
    write_template(path, plan, made.worn)
    document = papers.pdfium.PdfDocument(path.read_bytes())
    text = papers.every(document)
    for said in ("Ventilation holes", f"{count} of 3 mm", "Edge", "Cover", "cover: cut here"):
        assert said in text
    above = [page for page in document if "SEEN FROM ABOVE" in papers.words(page)]
    below = [page for page in document if "SEEN FROM BELOW" in papers.words(page)]
    assert all("bevel ends here" in papers.words(page) for page in below)
    assert not any("bevel ends here" in papers.words(page) for page in above)


def test_the_first_page_names_the_workshops_machines(tmp_path):
    path = tmp_path / "stock.toml"
    path.write_text(
        '[[printer]]\nname = "tall one"\nbed = [300, 300]\nmaterials = ["wedge-tpu"]\n'
        '[[sheet]]\nmaterial = "base-pp"\nthickness = 1.5\nsize = [600, 400]\n'
        "[cutter]\nkerf = 0.1\n",
        encoding="utf-8",
    )
    plan = sample_plan(sides=("right",))
    settings = Settings().with_stock(path)
    parts = made_parts(plan, [base_of("right")], settings).parts
    making = Making(plan=plan, parts=parts, materials=settings.materials, tag="x", stocked=True)
    for name in ("cut/parts/right-base-x.dxf", "paper/template-a4-x.pdf", "print/right-base-x.stl"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    found = takes.takes(making, settings, tmp_path, parts[0])
    assert (found[0].machine, found[0].file, found[0].made) == (
        "cutter, this part alone",
        "cut/parts/right-base-x.dxf",
        True,
    )
    assert ("knife", "paper/template-a4-x.pdf") in [(t.machine, t.file) for t in found]
    assert ("a printer elsewhere", "print/right-base-x.stl") in [(t.machine, t.file) for t in found]
    assert [t.made for t in found] == [True] + [False] * (len(found) - 1)


def test_pads_and_beds_may_be_milled_from_a_block_bases_and_shims_may_not(tmp_path):
    path = tmp_path / "stock.toml"
    path.write_text(
        '[[printer]]\nbed = [300, 300]\n[[block]]\nmaterial = "final-eva"\nsize = [320, 130, 45]\n',
        encoding="utf-8",
    )
    plan = sample_plan(sides=("right",))
    settings = Settings().with_stock(path)
    parts = made_parts(plan, all_parts(plan), settings).parts
    making = Making(plan=plan, parts=parts, materials=settings.materials, tag="x", stocked=True)
    milled = set()
    for part in parts:
        stl = tmp_path / f"print/{part.label}-x.stl"
        stl.parent.mkdir(exist_ok=True)
        stl.write_bytes(b"x")
        found = takes.takes(making, settings, tmp_path, part)
        milled |= {part.name for take in found if take.machine == "mill"}
    assert {part.name for part in parts} == {"base", "arch-pad", "forefoot-shim"}
    assert milled == {"arch-pad"}


# ------------------------------------------------------------------ nozzle, stock at home


def test_a_wide_nozzle_wants_thicker_edges_and_larger_letters(tmp_path):
    path = tmp_path / "stock.toml"
    path.write_text(
        '[[printer]]\nname = "fast"\nbed = [300, 300]\nnozzle = 1.1\n', encoding="utf-8"
    )
    finish = Settings().with_stock(path).finish
    assert finish.nozzle("base-pp") == 1.1
    assert Finish().nozzle("base-pp") == 0.4
    assert engraving.least_letter(0.4) == engraving.MIN_LETTER_MM
    least = engraving.least_letter(1.1)
    stem = np.ptp(
        np.array(engraving.mark_shape(Mark(text="I", x=0.0, y=0.0, size=least, turn=90.0)).bounds)[
            [1, 3]
        ]
    )
    assert stem >= 1.2 * 1.1 - 0.02  # the stroke of an I, across
    foot = foot_of("right")
    pad = as_worn(arch_pad(foot, "demo"), nozzle=1.1)
    assert all(m.size >= least - 1e-9 for m in pad.marks if m.text in pad.facts.engraved.texts)
    usual = as_worn(arch_pad(foot, "demo"))
    assert min(m.size for m in usual.marks if m.text in usual.facts.engraved.texts) < least
    (said,) = [s for s in build.check(usual, nozzle=0.6) if "edge" in s]
    assert (
        "its edge of 0.4 mm is too thin for printing from a filament with a nozzle of 0.6" in said
    )
    assert not [s for s in build.check(usual) if "edge" in s]


def test_the_workshops_own_stock_is_found_and_can_be_left_aside(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv(workshop.VARIABLE, str(tmp_path))
    assert workshop.own_file("stock") is None
    (tmp_path / "stock.toml").write_text("[cuter]\nkerf = 0.1\n", encoding="utf-8")
    assert workshop.own_file("stock") == tmp_path / "stock.toml"
    plan = str(tmp_path / "none.json")
    assert cli.main(["make", plan]) != 0
    assert "stock.toml: the file has an unknown key 'cuter'" in capsys.readouterr().err
    assert cli.main(["make", plan, "--no-stock"]) != 0
    said = capsys.readouterr().err
    assert "cuter" not in said
    assert "none.json cannot be read" in said
    named = tmp_path / "other.toml"
    named.write_text("[cutter]\nkerf = 0.1\n", encoding="utf-8")
    assert cli.main(["make", plan, "--stock", str(named)]) != 0  # named: the own one is not read
    assert "cuter" not in capsys.readouterr().err
