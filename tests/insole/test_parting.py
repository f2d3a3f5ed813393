"""A bed in two pieces: behind the ball, with keys that hold and let nothing else in, one whole."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon
from shapely.affinity import scale, translate

from footscan.pipeline import Options
from insole import cli
from insole.errors import OutputError, PartError, PlanError
from insole.output import long_parts
from insole.output.papers.first_sheet import fitting_size
from insole.output.print import plates
from insole.output.settings import Settings
from insole.parts import build
from insole.parts.contour import CONTOUR, FRONT, REAR
from insole.parts.finish import Finish, vent_wish
from insole.parts.part import Part, as_worn
from insole.parts.parting import Parted, part_bed, wholes
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes
from insole.planning.support.tops import ContourShape
from insole.readback import parted as reader
from insole.readback.vents import check_vents
from insole.record import stock
from insole.record.limits import default_limits
from insole.record.plan import Plan, to_json
from insole.workflow import making
from insole.workflow.request import Shots
from tests import feet, papers
from tests.insole.test_contour import SHOE

GAP = 0.2
SMALL = Settings(papers=("a4",), bed=(200.0, 200.0), long_parts="two-pieces")


@lru_cache(maxsize=2)
def plan_of(side: str) -> Plan:
    foot = feet.analytic(side=side, length=260.0)
    wish = PlanWishes(both=FootWish.of(contoured="full", support_level=0.8), case="demo-7")
    return planner.plan(*((foot, None) if side == "left" else (None, foot)), SHOE, wish)


@lru_cache(maxsize=2)
def pair_of(side: str) -> Parted:
    foot = plan_of(side).feet[0]
    return part_bed(foot, "demo-7", gap=GAP, limits=default_limits())


@lru_cache(maxsize=2)
def worn_of(side: str) -> tuple[Part, Part]:
    two = pair_of(side)
    return as_worn(two.rear), as_worn(two.front)


@lru_cache(maxsize=1)
def whole_parts() -> list[Part]:
    return build.all_parts(plan_of("right"))


def shape_of(part: Part) -> Polygon:
    return Polygon(part.outline, part.holes)


# ------------------------------------------------------------------ the joint


@pytest.mark.parametrize("side", ["right", "left"])
def test_both_pieces_and_the_gap_are_the_whole(side):
    two = pair_of(side)
    made = 0.0
    for part in (two.rear, two.front):
        mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(part.volume, rel=2e-3)
        made += part.volume
    joint = two.joint
    assert made + joint.lost + joint.notched == pytest.approx(joint.whole, rel=1e-3)
    # the gap, by hand: its width along the joint times the bed's thickness there
    foot = plan_of(side).feet[0]
    inside = shapely.LineString(joint.line).intersection(Polygon(foot.contour.outline))
    assert joint.lost == pytest.approx(GAP * inside.length * joint.thick, rel=0.05)


def test_the_joint_lies_behind_the_ball_in_the_thick_part():
    two, foot = pair_of("right"), plan_of("right").feet[0]
    ball = min(foot.landmarks[n][0] for n in ("metatarsale_tibiale", "metatarsale_fibulare"))
    keys = shape_of(two.front).bounds[0]
    assert two.joint.station <= ball - 20.0
    assert keys > foot.contour.crest.from_rear + 4.0
    shape = ContourShape(foot.contour)
    ring = Polygon(foot.contour.outline)
    row = shapely.LineString([(two.joint.station, -99.0), (two.joint.station, 99.0)])
    y = np.linspace(*np.array(row.intersection(ring.buffer(-2.0)).bounds)[[1, 3]], 40)
    here = shape.inside(np.full(40, two.joint.station), y).mean()
    ahead = shape.inside(np.full(40, ball), y).mean()
    assert here > ahead + 1.0


def test_the_gap_is_the_same_all_along():
    rear, front = (shape_of(part) for part in (pair_of("right").rear, pair_of("right").front))
    two = pair_of("right")
    ring = Polygon(plan_of("right").feet[0].contour.outline)
    line = shapely.LineString(two.joint.line).intersection(ring.buffer(-1.0))
    for x, y in shapely.get_coordinates(line.segmentize(1.0)):
        spot = shapely.Point(x, y)
        assert rear.distance(spot) == pytest.approx(GAP / 2, abs=0.02)
        assert front.distance(spot) == pytest.approx(GAP / 2, abs=0.02)
    assert rear.distance(front) == pytest.approx(GAP, abs=0.02)


@pytest.mark.parametrize(("side", "medial"), [("right", 1.0), ("left", -1.0)])
def test_the_larger_key_is_on_the_big_toe_side(side, medial):
    """Worn, a right part's big-toe side is at +y and a left part's at -y."""
    _, front = worn_of(side)
    x = front.facts.joint.station - 6.0
    cut = shape_of(front).intersection(shapely.LineString([(x, -99.0), (x, 99.0)]))
    keys = sorted(shapely.get_parts(cut), key=lambda piece: piece.length)
    assert len(keys) == 2
    assert keys[1].length > keys[0].length + 4.0
    assert (keys[1].centroid.y - keys[0].centroid.y) * medial > 15.0
    # the front piece reaches further back than its shoulders: keys point to the heel
    assert shape_of(front).bounds[0] == pytest.approx(front.facts.joint.station - 12, abs=0.5)


def test_nothing_but_its_own_piece_goes_in():
    for side, other in (("right", "left"), ("left", "right")):
        rear, front = (shape_of(part) for part in worn_of(side))
        assert rear.intersection(front).area == pytest.approx(0.0, abs=1e-6)
        assert rear.intersection(translate(front, 4.0)).area > 10.0  # held: it is wider behind
        _, foreign = worn_of(other)
        wrong = (
            scale(front, 1.0, -1.0, origin=(0.0, 0.0)),  # turned over
            shape_of(foreign),
            scale(shape_of(foreign), 1.0, -1.0, origin=(0.0, 0.0)),
        )
        for piece in wrong:
            least = min(
                rear.intersection(translate(piece, 0.0, step)).area
                for step in np.arange(-8.0, 8.1, 0.5)
            )
            assert least > 10.0


def test_each_piece_says_side_arrow_piece_and_case():
    for side in ("right", "left"):
        rear, front = worn_of(side)
        assert set(rear.facts.engraved.texts) == {
            ">",
            side.upper(),
            "REAR PIECE",
            "SHOE SIDE",
            "DEMO-7",
        }
        assert set(front.facts.engraved.texts) == {
            ">",
            side.upper(),
            "FRONT PIECE",
            "SHOE SIDE",
            "DEMO-7",
        }
        assert (rear.label, front.label) == (f"{side}-{REAR}", f"{side}-{FRONT}")
        arrows = [m for part in (rear, front) for m in part.marks if m.text == ">"]
        assert [m.turn for m in arrows] == [0.0, 0.0]
        for part in (rear, front):  # the notch of each tells the side
            assert not [s for s in build.check(part) if "underside follows" not in s]
            assert (part.facts.notch[1] > 0) == (side == "right")
        assert rear.facts.crest is not None
        assert front.facts.crest is None


def test_holes_keep_off_the_joint_and_go_through_both_pieces():
    foot = plan_of("right").feet[0]
    wish = Finish(vents=vent_wish("3@12"))
    two = part_bed(foot, "x", gap=GAP, limits=default_limits(), finish=wish)
    record = json.loads(foot.model_dump_json())
    for part in (two.rear, two.front):
        spots = [tuple(place) for place in part.facts.vents.places]
        assert spots
        assert len(part.holes) == len(spots)
        outer = Polygon(part.outline)
        for spot in map(shapely.Point, spots):
            assert outer.exterior.distance(spot) >= 1.5 + 5.0
        check_vents(part.label, spots, 3.0, part.outline.tolist(), record)
        mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
        assert mesh.is_watertight
        assert mesh.euler_number == 2 - 2 * len(spots)  # each hole goes through


def test_the_crest_is_the_whole_beds():
    rear, _ = worn_of("right")
    crest = plan_of("right").feet[0].contour.crest
    assert rear.facts.crest.height == crest.height


def test_both_pieces_fit_or_it_is_said_which_printer_it_takes():
    foot, limits = plan_of("right").feet[0], default_limits()

    def on(bed):
        return part_bed(
            foot, "x", gap=GAP, limits=limits, fits=lambda ring: plates.fits(ring, (bed, bed))
        )

    two = pair_of("right")
    for part in (two.rear, two.front):
        assert plates.fits(part.outline, (180.0, 180.0))
    with pytest.raises(PartError, match="cannot be parted so that both pieces fit the printer"):
        on(110.0)
    with pytest.raises(PartError, match=r"a glue gap of 2 mm is not possible; give 0\.05 to 0\.6"):
        part_bed(foot, "x", gap=2.0, limits=limits)


def test_the_cover_is_of_the_glued_bed():
    (whole,) = wholes(worn_of("right"))
    ring = Polygon(plan_of("right").feet[0].contour.outline)
    assert whole.name == CONTOUR
    assert Polygon(whole.outline).symmetric_difference(ring).area < 60.0  # two notches


# ------------------------------------------------------------------ what is said, what is chosen


def test_unchosen_the_bed_and_the_ways_out_are_named():
    plan = plan_of("right")
    parts = whole_parts()
    settings = Settings(bed=(200.0, 200.0))
    assert long_parts.parted(plan, parts, settings) == parts
    (bed,) = parts
    need, ways = long_parts.need_words(bed, settings), long_parts.ways_out(bed, settings)
    size = np.ptp(np.array(bed.outline), axis=0) + 10.0
    assert f"needs a printer bed of {np.ceil(size[0]):g} x {np.ceil(size[1]):g} mm" in need
    square = float(re.search(r"turned on the plate one of (\d+) x \1 mm", need)[1])
    assert plates.fits(bed.outline, (square + 1, square + 1))
    assert not plates.fits(bed.outline, (square - 1, square - 1))
    assert "yours is 200 x 200 mm" in need
    for way in ("two pieces to glue", "as a three-quarter bed", "printed whole on a larger"):
        assert way in ways


def test_a_bed_that_fits_turned_is_left_whole():
    plan = plan_of("right")
    parts = whole_parts()
    for settings in (
        Settings(bed=(240.0, 240.0), long_parts="two-pieces"),
        Settings(bed=(200.0, 200.0), long_parts="whole"),
        Settings(bed=(200.0, 200.0), long_parts="two-pieces", chosen={"bed": "final-eva"}),
    ):
        assert long_parts.parted(plan, parts, settings) == parts


def test_every_printer_of_the_stock_is_tried(tmp_path):
    """The largest bed by area may be too short: a long narrow one takes the bed."""
    path = tmp_path / "stock.toml"
    path.write_text(
        '[[printer]]\nname = "square"\nbed = [215, 215]\n[[printer]]\nname = "long"\n'
        'bed = [320, 130]\n[long_parts]\nhow = "two-pieces"\nglue_gap = 0.3\n',
        encoding="utf-8",
    )
    settings = Settings().with_stock(path).with_finish()
    assert (settings.long_parts, settings.glue_gap) == ("two-pieces", 0.3)
    assert settings.with_finish(long_parts="whole", glue_gap=0.1).glue_gap == 0.1
    assert long_parts.too_long(plan_of("right"), settings) == []
    from insole.output.contents import bed_of

    assert bed_of(whole_parts(), settings) == (320.0, 130.0)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('how = "halves"', "long_parts.how is one of two-pieces, three-quarter, whole"),
        ("glue_gap = 3", r"long_parts.glue_gap wants 0.05 to 0.6, got 3"),
        ('hov = "whole"', r"\[long_parts\] has an unknown key 'hov'; did you mean 'how'"),
    ],
)
def test_a_slip_in_the_stock_file_is_one_sentence(tmp_path, text, sentence):
    path = tmp_path / "stock.toml"
    path.write_text(f"[long_parts]\n{text}\n", encoding="utf-8")
    with pytest.raises(PlanError, match=sentence):
        stock.read(path)


def test_three_quarters_of_a_plan_on_file_names_the_command(tmp_path, capsys):
    path = tmp_path / "plan.json"
    path.write_bytes(to_json(plan_of("right")).encode())
    words = ["make", str(path), "--out", str(tmp_path / "out"), "--bed", "200x200"]
    assert cli.main([*words, "--long-parts", "three-quarter"]) == 4
    said = capsys.readouterr().err
    command = re.search(r"plan anew with: (solewright plan .*?); then make that plan", said)[1]
    assert "--contoured three-quarter" in command
    assert "full" not in command
    assert not (tmp_path / "out").exists()


def test_the_check_of_a_made_part_compares_the_glued_bed():
    shots = Shots(files=(Path("part.stl"),), options=Options())
    with pytest.raises(PlanError, match=r"compares the glued bed, as part contoured-bed"):
        making.check_made_part(shots, plan_of("right"), f"right-{REAR}")
    assert "compared glued, as the whole" in making.GLUED


# ------------------------------------------------------------------ the folder


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("parted")
    return making.make(plan_of("right"), out, settings=SMALL)


def test_first_page_and_manifest_know_both_pieces(place):
    text = " ".join((place / "READ-ME-FIRST.txt").read_text(encoding="utf-8").split())
    station = pair_of("right").joint.station
    for word, other in (("rear", "front"), ("front", "rear")):
        assert f"{word} piece of the bed, glued to the {other} piece with a gap of 0.2 mm" in text
        assert f"right-bed-{word}-piece: make this: print/base-pp-demo-7-v1.3mf" in text
    assert f"joint {station:.0f} mm from the rear edge" in text
    assert "Glue the two pieces of a bed" in text
    assert "contoured-bed" not in text.partition("Order of work")[0]
    manifest = json.loads((place / "manifest.json").read_text(encoding="utf-8"))
    assert set(manifest["parts"]) == {f"right-{REAR}", f"right-{FRONT}"}
    assert manifest["settings"]["wished"] == {"long_parts": "two-pieces", "glue_gap": 0.2}
    assert manifest["parts"][f"right-{FRONT}"]["joint"]["piece"] == "front"


def test_print_files_hold_both_pieces(place):
    from insole.output.print.threemf import meshes_3mf

    (file,) = (place / "print").glob("*.3mf")
    meshes = meshes_3mf(file)
    assert set(meshes) == {f"right-{REAR}", f"right-{FRONT}"}
    for points, _ in meshes.values():
        assert (points.min(axis=0) >= 0).all()
        assert (points[:, :2].max(axis=0) <= 200.0).all()
    assert {p.name for p in (place / "print").glob("*.stl")} == {
        f"right-{name}-demo-7-v1.stl" for name in (REAR, FRONT)
    }


def test_papers_know_the_joint(place):
    station = f"{pair_of('right').joint.station:.0f} mm"
    bench = papers.every(papers.pdfium.PdfDocument(place / "paper/bench-page-demo-7-v1.pdf"))
    assert f"Bed in two pieces, glued first: joint RIGHT {station} from rear, gap 0.2 mm" in bench
    assert "RIGHT bed rear piece (base-pp), bed front piece (base-pp)" in bench
    template = papers.every(papers.pdfium.PdfDocument(place / "paper/template-a4-demo-7-v1.pdf"))
    assert "Joint of the two pieces" in template
    pieces = papers.every(papers.pdfium.PdfDocument(place / "paper/pieces-demo-7-v1.pdf"))
    assert "nothing is cut here" in pieces
    assert "RIGHT bed front piece" in pieces


def test_the_page_in_pictures_names_a_file_for_each_machine(place):
    document = papers.pdfium.PdfDocument(place / "READ-ME-FIRST.pdf")
    lines = document[0].get_textpage().get_text_bounded().splitlines()
    named = [line.strip() for line in lines if line.startswith(("print/", "paper/", "cut/"))]
    assert named.count("print/base-pp-demo-7-v1.3mf") == 2  # each in one line, unbroken
    assert f"print/right-{REAR}-demo-7-v1.stl" in named
    assert all((place / name).is_file() for name in named)
    assert "printer 200 x 200 mm:" in [line.strip() for line in lines]
    pictures = [
        o for o in document[0].get_objects() if o.type == papers.pdfium.raw.FPDF_PAGEOBJ_IMAGE
    ]
    assert len(pictures) == 2
    said = papers.letters(document[0])
    for left, low, right, high in (np.array(o.get_bounds()) * papers.MM for o in pictures):
        beside = [b[0] - right for _, _, b in said if low < b[1] < high and b[2] > left]
        assert min(beside) > 2.0  # mm: no letter lies on the part


def test_a_long_file_name_gets_smaller_letters():
    name = f"print/right-bed-front-piece-{'w' * 60}-v12.stl"
    assert fitting_size("print/a.stl", 90.0) == 2.9
    assert 1.6 <= fitting_size(name, 90.0) < 2.9


# ------------------------------------------------------------------ read back


def records() -> dict[str, Any]:
    two = pair_of("right")
    return {
        f"right-{part.name}": {"joint": part.facts.joint.record(part.facts.piece)}
        for part in (two.rear, two.front)
    }


def judged(change) -> None:
    found = records()
    two, foot = pair_of("right"), json.loads(plan_of("right").feet[0].model_dump_json())
    volumes = {f"right-{p.name}": p.volume / 1000.0 for p in (two.rear, two.front)}
    change(found, volumes)
    reader.check_joint(foot, found, volumes)


def both(key, value):
    def change(found, volumes):
        for record in found.values():
            old = record["joint"][key]
            record["joint"][key] = value(old) if callable(value) else value

    return change


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (both("gap", 2.0), "has a glue gap of 2 mm"),
        (both("line", lambda line: [[x + 40.0, y] for x, y in line]), "the ball line begins at"),
        (both("line", lambda line: [[130.0, -60.0], [130.0, 60.0]]), "do not hold each other"),
        (both("whole_cm3", lambda old: old * 1.1), "the whole less the gap"),
        (lambda found, volumes: found.pop(f"right-{FRONT}"), "not in a rear and a front piece"),
        (
            lambda found, volumes: found[f"right-{FRONT}"]["joint"].update(gap=0.3),
            "two different joints",
        ),
    ],
)
def test_a_joint_that_is_not_right_is_refused(change, sentence):
    judged(lambda found, volumes: None)
    with pytest.raises(OutputError, match=sentence):
        judged(change)


def test_a_symmetrical_joint_is_refused():
    def change(found, volumes):
        x = pair_of("right").joint.station
        line = [(x, -60), (x, -8), (x - 12, -12), (x - 12, 12), (x, 8), (x, 60)]
        both("line", line)(found, volumes)

    with pytest.raises(OutputError, match="goes in turned over"):
        judged(change)


def test_pieces_of_the_other_foot_are_refused(place, tmp_path):
    """A folder whose pieces are mirrored does not get through."""
    import shutil

    from insole import readback

    copy_ = tmp_path / place.name
    shutil.copytree(place, copy_)
    (file,) = (copy_ / "print").glob(f"*{FRONT}*.stl")
    data = bytearray(file.read_bytes())
    kind = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    rows = np.frombuffer(bytes(data[84:]), kind).copy()
    rows["corners"][..., 1] *= -1.0
    rows["corners"] = rows["corners"][:, ::-1]
    file.write_bytes(bytes(data[:84]) + rows.tobytes())
    with pytest.raises(OutputError, match=r"mirror image|does not lie|covers"):
        readback.check(copy_)
