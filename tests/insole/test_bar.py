"""The calibration bar, and print files made larger by what it measured."""

from __future__ import annotations

import json
import re
import zipfile
from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from footscan.scan import Side
from insole import cli
from insole.errors import OutputError, PlanError
from insole.output import contents, folder
from insole.output.print import printing, threemf
from insole.output.print.bar import bar_words, write_bar
from insole.output.print.plates import lay_out
from insole.output.settings import Settings
from insole.parts import bar as bars
from insole.parts import solids
from insole.parts.bar import calibration_bar
from insole.parts.build import all_parts
from insole.record import material_file as table_of
from tests.insole.test_printing import prism
from tests.plans import sample_plan

MEASURED = "[wedge-tpu]\nmeasured = [99.4, 99.5, 19.9]\n"
FACTORS = (100 / 99.4, 100 / 99.5, 20 / 19.9)
ROUND = 2e-6  # factors are rounded to six digits


def own(tmp_path: Path, text: str = MEASURED) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def bar() -> bars.Bar:
    return calibration_bar("wedge-tpu")


def chord(bar: bars.Bar, start: tuple[float, float, float], along: int) -> tuple[float, float]:
    """Return where a thin rod along an axis enters and leaves the bar."""
    low, size = np.array(start, float) - 0.005, np.full(3, 0.01)
    low[along], size[along] = -10.0, 200.0
    rod = manifold3d.Manifold.cube(size).translate(low)
    met = (solids.solid_of(bar.vertices, bar.faces) ^ rod).bounding_box()
    return float(met[along]), float(met[3 + along])


def test_calliper_faces_are_a_hundred_millimetres_apart(bar):
    """Across the letters and beside them, above the bevel: what the jaws of a calliper find."""
    for height in (1.5, 3.0, 5.0):
        for beside in (3.0, 8.0, 13.0):
            assert chord(bar, (0, beside, height), 0) == pytest.approx((0.0, 100.0), abs=1e-3)
            assert chord(bar, (beside, 0, height), 1) == pytest.approx((0.0, 100.0), abs=1e-3)


def test_the_post_stands_twenty_above_both_arms(bar):
    post, arms = (
        chord(bar, (1.0, 1.0, 0), 2)[1],
        [chord(bar, place, 2)[1] for place in ((50.0, 1.0, 0), (99.0, 15.0, 0), (1.0, 50.0, 0))],
    )
    assert [post - top for top in arms] == pytest.approx([20.0] * 3, abs=1e-3)


def test_a_squashed_first_layer_keeps_away_from_the_jaws(bar):
    at_bed = [chord(bar, (0, 8.0, 0.01), 0), chord(bar, (8.0, 0, 0.01), 1)]
    for low, high in at_bed:
        assert low == pytest.approx(bars.BEVEL_MM, abs=0.02)
        assert high == pytest.approx(100.0 - bars.BEVEL_MM, abs=0.02)


def test_the_bar_is_closed_and_has_its_volume(bar):
    mesh = trimesh.Trimesh(bar.vertices, bar.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(bar.volume, rel=1e-4)
    # without letters and bevel: two arms and the corner 6 mm high, the post 20 mm
    plain = 16 * (100 + 84) * 6 + 16 * 16 * 20
    assert mesh.volume == pytest.approx(plain, rel=0.02)
    assert mesh.volume < plain


def test_sizes_axes_and_material_are_cut_into_the_top(bar):
    assert set(bar.engraved) == {"X 100", "Y 100", "Z 20", ">", "WEDGE-TPU"}
    solid = solids.solid_of(bar.vertices, bar.faces)
    arms = shapely.box(0, 0, 100, 16).union(shapely.box(0, 0, 16, 100))
    ink = arms.difference(solids.region_above(solid, bars.ARM_MM - 0.2)).area
    assert 100 < ink < 400  # letters 6 mm high, some 20 mm2 each


def test_a_long_word_gets_smaller_letters_or_none():
    assert "FINAL-CORK-RUBBER" not in calibration_bar("final-cork-rubber").engraved
    assert "X 100" in calibration_bar("final-cork-rubber").engraved


@pytest.mark.parametrize("suffix", [".3mf", ".stl"])
def test_files_read_back_with_another_library(tmp_path, bar, suffix):
    path = tmp_path / f"bar{suffix}"
    write_bar(path, bar)
    found = trimesh.load(path, force="mesh", process=False)
    assert np.ptp(found.vertices, axis=0) == pytest.approx([100.0, 100.0, 26.0], abs=1e-3)
    assert found.volume == pytest.approx(bar.volume, rel=1e-4)
    again = path.read_bytes()
    write_bar(path, bar)
    assert path.read_bytes() == again


def test_a_file_of_that_name_is_not_lost(tmp_path, bar):
    path = tmp_path / "bar.stl"
    path.write_text("notes", encoding="utf-8")
    with pytest.raises(OutputError, match="is there with other content"):
        write_bar(path, bar)
    assert path.read_text("utf-8") == "notes"


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("bar.step", r"written as \.3mf or \.stl"),
        ("no/such/bar.stl", "cannot be written"),
    ],
)
def test_other_places_and_endings_are_said(tmp_path, bar, name, match):
    with pytest.raises(OutputError, match=match):
        write_bar(tmp_path / name, bar)


def test_words_give_lines_that_the_materials_file_takes(tmp_path, bar):
    lines = "\n".join(line for line in bar_words(bar) if line.startswith(("[", "measured")))
    assert table_of.load(own(tmp_path, lines))["wedge-tpu"].scale == (1.0, 1.0, 1.0)


# ------------------------------------------------------------------ what it measured


def test_factors_are_wanted_over_measured(tmp_path):
    assert table_of.load(own(tmp_path))["wedge-tpu"].scale == pytest.approx(FACTORS, abs=ROUND)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("measured = [96.0, 99.5, 19.9]", r"96 mm along x where 100 mm .* factor of 1\.042"),
        ("measured = [99.4, 103.5, 19.9]", r"along y .* 0\.966 outside 0\.97 to 1\.03"),
        ("measured = [99.4, 99.5, 99.9]", "along z where 20 mm"),
        ("measured = [99.4, 99.5]", "three lengths"),
        ("measured = [99.4, 99.5, 0]", "three lengths"),
        ("measured = [99.4, 99.5, nan]", "measured that is none"),
        ("measured = 99.4", "three lengths"),
    ],
)
def test_what_no_plastic_gives_is_refused(tmp_path, text, match):
    with pytest.raises(PlanError, match=match):
        table_of.load(own(tmp_path, f"[wedge-tpu]\n{text}\n"))


def test_what_is_cut_does_not_shrink(tmp_path):
    with pytest.raises(PlanError, match="is cut, not printed"):
        table_of.load(own(tmp_path, "[trial-eva]\nmeasured = [99.4, 99.5, 19.9]\n"))


def test_stl_and_3mf_are_scaled_and_read_back_against_it(tmp_path):
    part, wrong = prism(), (FACTORS[0], 1.0, FACTORS[2])
    printing.write_stl(tmp_path / "a.stl", part, FACTORS)
    found = trimesh.load(tmp_path / "a.stl", force="mesh")
    assert found.extents == pytest.approx(np.array([60, 30, 4]) * FACTORS, abs=1e-3)
    printing.read_back_stl(tmp_path / "a.stl", part, FACTORS)
    paths = threemf.write_3mf(tmp_path / "a.3mf", [part], title="t", plan_id="p", scale=FACTORS)
    threemf.read_back_3mf(paths, [part], FACTORS)
    model = zipfile.ZipFile(paths[0]).read("3D/3dmodel.model").decode()
    assert re.search(r"Scaled by 1\.0060 × 1\.0050 × 1\.0050 along x, y, z", model)
    with pytest.raises(OutputError, match="another shape"):
        printing.read_back_stl(tmp_path / "a.stl", part, wrong)
    with pytest.raises(OutputError, match="another shape"):
        printing.read_back_stl(tmp_path / "a.stl", part)
    with pytest.raises(OutputError, match="another shape"):
        threemf.read_back_3mf(paths, [part], wrong)


def test_a_part_turned_on_the_plate_is_scaled_along_the_printers_axes(tmp_path):
    """150 mm long on a bed 100 mm wide: it lies along y, and y's factor counts for its length."""
    long = prism()
    mesh = trimesh.creation.extrude_polygon(shapely.box(0, 0, 150, 30), 4.0)
    part = replace(long, vertices=np.array(mesh.vertices), faces=np.array(mesh.faces))
    scale = (1.02, 1.01, 1.0)
    (path,) = threemf.write_3mf(
        tmp_path / "a.3mf", [part], title="t", plan_id="p", bed=(100.0, 200.0), scale=scale
    )
    ((vertices, _),) = threemf.meshes_3mf(path).values()
    assert np.ptp(vertices, axis=0) == pytest.approx([30 * 1.02, 150 * 1.01, 4.0], abs=1e-3)
    assert (vertices[:, :2] > 0).all()
    assert (vertices[:, :2] < [100.0, 200.0]).all()
    threemf.read_back_3mf(path, [part], scale)


def test_a_scaled_part_that_no_longer_fits_says_so(tmp_path):
    part = prism()  # 60 x 30 mm and 5 mm kept free on each side
    (plate,) = lay_out([part], (70.5, 70.5))
    assert plate.fits
    (path,) = threemf.write_3mf(
        tmp_path / "a.3mf", [part], title="t", plan_id="p", bed=(70.5, 40.5), scale=(1.03, 1.03, 1)
    )
    assert "larger than the bed" in zipfile.ZipFile(path).read("3D/3dmodel.model").decode()


def test_parts_are_laid_out_in_the_room_that_is_left_before_they_grow(tmp_path):
    settings = Settings(bed=(200.0, 150.0), materials=table_of.load(own(tmp_path)))
    part = replace(prism(), material="wedge-tpu")
    assert contents.bed_for([part], settings) == pytest.approx(
        (200.0 * 99.4 / 100, 150.0 * 99.5 / 100)
    )
    plain = Settings(bed=(200.0, 150.0))
    assert contents.bed_for([part], plain) == (200.0, 150.0)


def test_only_print_files_of_that_material_are_scaled(tmp_path):
    plan = sample_plan(sides=("right",))
    parts = [part for part in all_parts(plan) if part.name != "base"]

    def writers(settings: Settings) -> list[contents.Item]:
        return [
            item
            for item in contents.items(plan, parts, settings)
            if item.path.startswith("print/") or item.path.endswith("side-up-demo-0001-v1.dxf")
        ]

    plain = Settings()
    scaled = Settings(materials=table_of.load(own(tmp_path)))
    places = [
        folder.write(plan, parts, tmp_path / name, settings=how, writers=writers(how))
        for name, how in (("plain", plain), ("scaled", scaled))
    ]
    files = [
        {p.relative_to(place).as_posix(): p for p in place.rglob("*") if p.is_file()}
        for place in places
    ]
    same = {name for name in files[0] if files[0][name].read_bytes() == files[1][name].read_bytes()}
    changed = {
        "READ-ME-FIRST.txt",
        "manifest.json",
        "print/wedge-tpu-demo-0001-v1.3mf",
        "print/right-forefoot-shim-demo-0001-v1.stl",
    }
    assert files[0].keys() - same == changed
    sizes = [
        trimesh.load(f["print/right-forefoot-shim-demo-0001-v1.stl"], force="mesh").extents
        for f in files
    ]
    assert sizes[1] / sizes[0] == pytest.approx(FACTORS, abs=1e-4)
    readme = " ".join(files[1]["READ-ME-FIRST.txt"].read_text(encoding="utf-8").split())
    assert "Scaled by 1.0060 × 1.0050 × 1.0050 along x, y, z" in readme
    manifest = json.loads(files[1]["manifest.json"].read_text(encoding="utf-8"))
    assert manifest["settings"]["scaled"] == {"wedge-tpu": pytest.approx(list(FACTORS), abs=ROUND)}


def test_a_scaled_left_part_is_still_not_taken_for_a_right_one(tmp_path):
    left, right = prism(Side.LEFT), replace(prism(), side=Side.LEFT)
    printing.write_stl(tmp_path / "a.stl", right, FACTORS)
    with pytest.raises(OutputError, match="mirrored"):
        printing.read_back_stl(tmp_path / "a.stl", left, FACTORS)


# ------------------------------------------------------------------ command line


def test_the_command_writes_the_bar_and_says_what_to_do(tmp_path, capsys):
    out = tmp_path / "bar.3mf"
    assert cli.main(["bar", "--material", "wedge-tpu", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "measured = [100.00, 100.00, 20.00]" in said
    assert out.exists()


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("wedge-tup", "no material called 'wedge-tup'"),
        ("trial-eva", "cut or ground, not printed"),
    ],
)
def test_a_material_without_a_bar_is_refused(tmp_path, capsys, name, match):
    out = tmp_path / "bar.3mf"
    assert cli.main(["bar", "--material", name, "--out", str(out)]) == 3
    assert match in capsys.readouterr().err
    assert not out.exists()
