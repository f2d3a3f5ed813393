"""The workshop's stock: read, refused, and what parts are made of with it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from insole.errors import OutputError, PlanError, RefusedError
from insole.output.cut.layers import LASER, CutLayer
from insole.output.first_page import making_of, written_page
from insole.output.made import Run, made_parts, recorded, size_words, to_buy, way_words
from insole.output.settings import Settings
from insole.parts.build import all_parts
from insole.parts.materials import of_part
from insole.parts.part import Part
from insole.readback import figures
from insole.readback.told import Told
from insole.record import stock
from insole.record.plan import Plan, fingerprint, to_json
from tests.plans import sample_plan

WORKSHOP = """
[[sheet]]
material = "trial-eva"
thickness = [3, 6]
size = [500, 300]
[[sheet]]
material = "base-pp"
thickness = 1.5
size = [700, 500]
[[printer]]
name = "small"
bed = [180, 180]
materials = ["wedge-tpu"]
[[printer]]
name = "large"
bed = [300, 300]
nozzle = 0.6
materials = ["base-pa12"]
[[block]]
material = "final-eva"
size = [320, 130, 45]
[cutter]
kerf = 0.15
[parts]
shim = "wedge-eva"
[layers]
least_area = 3
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "stock.toml"
    path.write_text(WORKSHOP, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def plan() -> Plan:
    return sample_plan()


@pytest.fixture(scope="module")
def parts(plan: Plan) -> list[Part]:
    return all_parts(plan)


def test_a_stock_file_is_read(file: Path) -> None:
    found = stock.read(file)
    assert found.thicknesses("trial-eva") == (3.0, 6.0)
    assert found.size("trial-eva", 6.0) == (500.0, 300.0)
    assert found.size("trial-eva", 5.0) is None
    assert found.bed("wedge-tpu") == (180.0, 180.0)
    assert found.bed("base-pa12") == (300.0, 300.0)
    assert found.bed("base-pp") is None
    assert found.kerf == 0.15
    assert found.blocks["final-eva"] == ((320.0, 130.0, 45.0),)
    assert found.least_area == 3.0


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[[sheet]]", "[sheet]", "is not valid TOML"),
        ("size = [500, 300]", "size = [500]", "a sheet wants its size, 2 lengths in mm"),
        ("thickness = [3, 6]", "thickness = [3, -6]", r"sheet.thickness wants 0.2 to 60, got -6"),
        ("thickness = [3, 6]", "thick = [3, 6]", "unknown key 'thick'; did you mean 'thickness'"),
        ("kerf = 0.15", "kerf = 'fine'", r"cutter.kerf wants 0 to 5, got 'fine'"),
        ('shim = "wedge-eva"', "shim = 3", r"\[parts\] names materials by their word"),
        ('shim = "wedge-eva"', 'wedge = "wedge-eva"', r"\[parts\] has an unknown key 'wedge'"),
        ("kerf = 0.15", "zzz = 1", r"\[cutter\] has an unknown key 'zzz'; use kerf"),
        ("bed = [180, 180]", "bed = 180", "a printer wants its bed, 2 lengths in mm"),
        ("[cutter]", "[cuter]", "the file has an unknown key 'cuter'; did you mean 'cutter'"),
    ],
)
def test_a_slip_in_the_file_is_one_sentence(
    tmp_path: Path, old: str, new: str, sentence: str
) -> None:
    path = tmp_path / "stock.toml"
    path.write_text(WORKSHOP.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(PlanError, match=sentence) as caught:
        stock.read(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["pad"], "'pad' is not KIND=NAME"),
        (["pads=final-eva"], "did you mean pad?"),
        (["pad=final-evaa"], "the nearest is 'final-eva'"),
        (["pad=zzz"], "choose one of trial-eva, trial-tpu"),
    ],
)
def test_a_material_that_is_none(words: list[str], sentence: str) -> None:
    with pytest.raises(PlanError, match=sentence):
        Settings().with_stock(None, words)


def test_what_is_typed_goes_before_the_stock(file: Path) -> None:
    kept = Settings(kerf=0.3, bed=(250.0, 250.0), sheet=(300.0, 200.0))
    usual = kept.with_stock(file)
    assert (usual.kerf, usual.bed_of("wedge-tpu")) == (0.15, (180.0, 180.0))
    typed = kept.with_stock(file, ["shim=wedge-tpu"], typed={"kerf", "bed", "sheet"})
    assert (typed.kerf, typed.bed_of("wedge-tpu")) == (0.3, (250.0, 250.0))
    assert typed.stock is not None
    assert typed.stock.size("trial-eva", 3.0) == (300.0, 200.0)
    assert (usual.chosen["shim"], typed.chosen["shim"]) == ("wedge-eva", "wedge-tpu")


def test_parts_are_made_of_what_is_in_the_rack(file: Path, plan: Plan, parts: list[Part]) -> None:
    settings = Settings().with_stock(file)
    made = made_parts(plan, parts, settings)
    by_label = {part.label: part for part in made.parts}
    pad, shim = by_label["left-arch-pad"], by_label["right-forefoot-shim"]
    assert pad.way is not None
    assert pad.way.how == "layers"  # no sheet of the rack is as thick
    assert set(pad.way.sheets) <= {3.0, 6.0}
    assert sum(pad.way.sheets) >= pad.vertices[:, 2].max() - 0.02
    assert {layer.facts.thickness for layer in made.layers["left-arch-pad"]} == set(pad.way.sheets)
    assert shim.material == "wedge-eva"
    lacks = to_buy(made, (), settings)
    assert not lacks  # no sheet was laid out
    from insole.output.cut import nesting

    sheets = nesting.nest(made.pieces, size=settings.sheet, kerf=0.15, stock=settings.stock).sheets
    lacks = to_buy(made, sheets, settings)
    wedge = [text for text in lacks.values() if "to buy: wedge-eva sheet" in text]
    assert wedge
    assert all("none of it" in text for text in wedge)
    assert not any("trial-eva" in text for text in lacks.values())
    assert {sheet.size for sheet in sheets if sheet.material == "trial-eva"} == {(500.0, 300.0)}


def test_who_has_no_printer_is_told_which_sheet_will_do(file: Path) -> None:
    file.write_text(WORKSHOP.split("[[printer]]")[0], encoding="utf-8")
    settings = Settings().with_stock(file)
    plan = sample_plan(under=True)
    made = made_parts(plan, all_parts(plan), settings)
    found = to_buy(made, (), settings)
    assert found["print: left-heel-shim"] == (
        "no printer of the stock prints wedge-tpu: have left-heel-shim printed from its STL, or "
        "choose a material that is cut for the shim: wedge-eva"
    )


def test_who_has_a_laser_and_no_printer_reads_colours_and_what_is_printed_elsewhere(
    file: Path, tmp_path: Path
) -> None:
    file.write_text(WORKSHOP.split("[[printer]]")[0] + "[cutter]\nkerf = 0.1\n", encoding="utf-8")
    settings = replace(Settings().with_stock(file), laser_colours=True)
    plan = sample_plan()
    (tmp_path / "cut").mkdir()

    def page(settings: Settings) -> str:
        run = Run(plan, made_parts(plan, all_parts(plan), settings), settings, print)
        return " ".join(written_page(run, making_of(run), tmp_path).split())

    text = page(settings)
    assert re.search(r"Have [\w, -]*left-heel-shim[\w, -]* printed elsewhere", text)
    assert "Print left-" not in text
    said = re.search(r"red is (\w+), blue (\w+), black (\w+), green (\w+), grey (\w+)", text)
    assert said is not None
    colours = ((255, 0, 0), (0, 0, 255), (0, 0, 0), (0, 160, 0), (128, 128, 128))
    assert [LASER[CutLayer(name)].rgb for name in said.groups()] == list(colours)
    assert "red is" not in page(replace(settings, laser_colours=False))


def test_a_chosen_material_is_made_and_said(plan: Plan, parts: list[Part]) -> None:
    settings = Settings().with_stock(None, {"pad": "final-tpu", "base": "base-eva"})
    made = made_parts(plan, parts, settings)
    pad = next(part for part in made.parts if part.name == "arch-pad")
    base = next(part for part in made.parts if part.name == "base")
    assert (pad.material, way_words(pad)) == ("final-tpu", "printed")
    assert (base.material, way_words(base)) == ("base-eva", "cut from 1.5 mm sheet")
    assert "model of contact took trial-eva" in made.notes[f"material: {pad.label}"]
    crest = pad.facts.crest.height
    assert size_words(pad).startswith(f"{crest:.1f} mm high at the crest")


def test_a_material_in_a_wrong_place_is_refused(plan: Plan, parts: list[Part]) -> None:
    settings = Settings().with_stock(None, {"shim": "trial-eva"})
    made = made_parts(plan, parts, settings)
    shim = next(part for part in made.parts if "shim" in part.name)
    with pytest.raises(RefusedError, match="a softer one gives way"):
        of_part(shim, settings.materials)


def test_a_workshop_without_machines_gets_no_files_for_them(
    tmp_path: Path, plan: Plan, parts: list[Part]
) -> None:
    from insole.output.contents import items

    path = tmp_path / "knife.toml"
    path.write_text(
        '[[sheet]]\nmaterial = "trial-eva"\nthickness = 3\nsize = [300, 200]\n', encoding="utf-8"
    )
    settings = replace(Settings(papers=("a4",)), layers=True).with_stock(path)
    paths = [item.path for item in items(plan, parts, settings)]
    assert not any(path.startswith("cut/") or path.endswith(".3mf") for path in paths)
    assert any(path.startswith("paper/pieces-") for path in paths)
    assert not any(path.endswith(".stl") for path in paths)  # all of it comes from sheet
    # with a mill the pads' too, and a cover's for nobody
    milled = replace(settings, cover_pattern=5.0, stock=None)
    paths = [item.path for item in items(plan, parts, milled) if item.path.endswith(".stl")]
    assert any("arch-pad" in path for path in paths)
    assert not any("cover" in path for path in paths)


def test_a_workshop_of_printers_alone_prints_its_pads_and_says_so(
    tmp_path: Path, plan: Plan, parts: list[Part]
) -> None:
    path = tmp_path / "printer.toml"
    path.write_text('[[printer]]\nname = "one"\nbed = [300, 300]\n', encoding="utf-8")
    made = made_parts(plan, parts, Settings().with_stock(path))
    pads = [part for part in made.parts if part.name == "arch-pad"]
    assert [(pad.material, way_words(pad)) for pad in pads] == [("trial-tpu", "printed")] * 2
    said = made.notes["material: left-arch-pad"]
    assert "of trial-tpu, since the stock has neither sheet nor block but a printer" in said
    assert "the plan's model of contact took trial-eva" in said
    # chosen by name, or where there is a sheet, a cutter or a printer of other things: as planned
    chosen = made_parts(plan, parts, Settings().with_stock(path, ["pad=trial-eva"]))
    assert {p.material for p in chosen.parts if p.name == "arch-pad"} == {"trial-eva"}
    for more in ('materials = ["base-pp"]\n', "[cutter]\nkerf = 0.1\n"):
        path.write_text(f'[[printer]]\nname = "one"\nbed = [300, 300]\n{more}', encoding="utf-8")
        made = made_parts(plan, parts, Settings().with_stock(path))
        assert {p.material for p in made.parts if p.name == "arch-pad"} == {"trial-eva"}


def test_one_sheet_is_a_blank_to_grind_and_no_stack(plan: Plan, parts: list[Part]) -> None:
    rack = stock.Rack(material="trial-eva", thicknesses=(12.0, 15.0), size=(600.0, 400.0))
    settings = replace(Settings(layers=True), stock=stock.Stock(racks=(rack,)))
    made = made_parts(plan, parts, settings)
    pads = [part for part in made.parts if part.name == "arch-pad"]
    assert [way_words(pad) for pad in pads] == ["ground from 12 mm sheet"] * 2
    assert not made.layers.keys() & {pad.label for pad in pads}
    assert {pad.label for pad in pads} <= {piece.label for piece in made.pieces}


@pytest.mark.parametrize("layers", [True, False])
def test_what_is_ground_has_its_heights_on_the_face_that_stays(
    tmp_path: Path, plan: Plan, parts: list[Part], layers: bool
) -> None:
    """Seen from below the notch is on the other side; the lines are those of the top."""
    from insole.output.papers import pieces
    from insole.readback.full_size import check_pieces
    from insole.readback.pages import read_pages
    from insole.readback.workshop import check_layers

    settings = replace(Settings(), layers=layers)
    made = made_parts(plan, [part for part in parts if part.name == "arch-pad"], settings)
    below = pieces.undersides(made)
    assert [part.label for part in below] == ["left-arch-pad", "right-arch-pad"]
    for part in below:
        top = next(one for one in parts if one.label == part.label)
        assert part.lines["under"] == top.lines["grind"]
        assert part.facts.levels["under"] == top.facts.levels["grind"]
    path = tmp_path / "pieces-x.pdf"
    told = Told.of(json.loads(to_json(plan)), "x")
    pieces.write_pieces(path, plan, pieces.pieces_on_paper(made), below)
    check_pieces(path, told, fingerprint(plan))
    # 1 mm sheets of trial EVA, and what the uppermost needs, from below
    records = {
        label: {"how": "layers", "material": "trial-eva", "sheets": [*[1.0] * 8, top]}
        for label, top in (("left-arch-pad", 1.5), ("right-arch-pad", 2.0))
    }
    text = " ".join(page.text for page in read_pages(path))
    assert ("LEFT arch pad layer 9 1.5 mm trial-eva, 9 of 9 from below" in text) == layers
    check_layers(path.name, text, records)
    if layers:
        stacks = {part.label: list(part.way.sheets) for part in made.parts}
        assert stacks == {label: record["sheets"] for label, record in records.items()}
    mirrored = [replace(part, outline=part.outline * [1, -1]) for part in below]
    pieces.write_pieces(path, plan, pieces.pieces_on_paper(made), mirrored)
    with pytest.raises(OutputError, match="mirror image"):
        check_pieces(path, told, fingerprint(plan))


def test_a_cover_is_the_base_and_its_allowance(plan: Plan, parts: list[Part]) -> None:
    import shapely

    made = made_parts(plan, parts, Settings(cover_pattern=5.0))
    covers = [part for part in made.parts if part.name == "cover"]
    assert [part.label for part in covers] == ["left-cover", "right-cover"]
    for part in covers:
        of = next(base for base in parts if base.label == f"{part.side.value}-base")
        shape, base = shapely.Polygon(part.outline), shapely.Polygon(of.outline)
        assert shape.contains(base)
        assert 4.9 < shape.exterior.distance(base.exterior) < 5.1
        assert shape.area > base.buffer(5.0).area - 1.0  # the notch has no twin in it
        assert (part.material, part.facts.darts) == ("cover-foam", 0)
        assert way_words(part) == "cut from 1.5 mm sheet"
        assert "5 mm larger all round: glue, then trim" in size_words(part)


def test_a_cover_of_a_cup_has_darts_in_its_allowance_only(parts: list[Part]) -> None:
    import shapely

    from insole.parts.cover import cover

    base = next(part for part in parts if part.name == "base")
    cupped = replace(base, facts=replace(base.facts, heel_cup=10.0))
    made = cover(cupped, 6.0, 1.5, "cover-foam")
    assert made.facts.darts >= 6
    shape, whole = shapely.Polygon(made.outline), shapely.Polygon(base.outline)
    assert shape.contains(whole.buffer(1.0))
    gone = whole.buffer(6.0).difference(shape)
    length = float(whole.bounds[2] - whole.bounds[0])
    for dart in (piece for piece in shapely.get_parts(gone) if piece.area > 2.0):
        share = (dart.centroid.x - whole.bounds[0]) / length
        assert share < 0.32  # at the heel


def test_a_stack_whose_top_is_too_small_to_glue_is_recorded_as_lower(
    file: Path, plan: Plan, parts: list[Part]
) -> None:
    """Of sheets of 3 mm a dome of 10 mm ends at 9: its top would be a crumb."""
    file.write_text(
        file.read_text("utf-8").replace("thickness = [3, 6]", "thickness = [3]"), encoding="utf-8"
    )
    settings = Settings().with_stock(file)
    pad = next(part for part in parts if part.label == "right-arch-pad")
    (made,) = made_parts(plan, [pad], settings).parts
    record = recorded(made, settings.materials)
    assert (sum(record["sheets"]), record["lower"]) == (9.0, pytest.approx(1.0, abs=0.02))
    told = Told.of(json.loads(to_json(plan)), "x")
    told = replace(told, pieces={made.label: told.pieces[made.label]})  # that part alone
    meshes = {made.label: made.vertices[made.faces]}
    figures.check_records({"parts": {made.label: record}}, meshes, told)
    with pytest.raises(OutputError, match="the layers of right-arch-pad are 9 mm high together"):
        figures.check_records({"parts": {made.label: {**record, "lower": 0.0}}}, meshes, told)


def test_a_script_s_usual_size_goes_before_the_stock_as_well(
    file: Path, plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for is asked for, whatever its value: as on the command line."""
    import insole
    from insole.door import making as door

    class Seen(Exception):
        pass

    def seen(*_: object, settings: Settings, **__: object) -> None:
        raise Seen(settings)

    monkeypatch.setattr(door.making, "make", seen)
    for asked, kerf, bed in (
        ({"bed": (220.0, 220.0), "kerf": 0.0}, 0.0, (220.0, 220.0)),
        ({}, 0.15, (180.0, 180.0)),
    ):
        with pytest.raises(Seen) as caught:
            insole.make(plan, tmp_path, thick_edges_checked=True, stock=file, **asked)
        (settings,) = caught.value.args
        assert (settings.kerf, settings.bed_of("wedge-tpu")) == (kerf, bed)
