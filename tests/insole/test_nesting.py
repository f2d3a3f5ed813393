"""Nested sheets: apart, inside, the right way round, the same each time; too large is said."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from footscan.scan import Array, Side
from insole.cli import cli
from insole.errors import OutputError, PlanError
from insole.output.cut import cutting, labels, nesting, sheets
from insole.output.cut.nesting import MARGIN, NestedSheet, Nesting, nest
from insole.output.cut.written import Style
from insole.parts.build import all_parts
from insole.parts.facts import BaseFacts, Facts, LayerFacts
from insole.parts.part import Mark, Part
from insole.readback.cut import parts_drawn
from insole.readback.drawings import read_drawing
from tests.insole.test_cutting import rings_in
from tests.insole.test_printing import prism
from tests.plans import sample_plan

ezdxf: Any = pytest.importorskip("ezdxf", reason="ezdxf reads the drawings back")

# boxes are rounded up to 0.01 mm, files to 1e-5 mm, paths are thinned by up to 0.005 mm
ROUNDING = 0.02


def star(radii: list[float], label: int, side: Side = Side.LEFT) -> Part:
    """Return a part whose outline is star-shaped, with a name of its own."""
    t = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    ring = np.array(radii)[:, None] * np.column_stack([np.cos(t), np.sin(t)])
    facts = Facts(thickness=4.0)
    return replace(
        prism(side), name=f"piece-{label}", outline=ring, holes=(), lines={}, marks=(), facts=facts
    )


def written(nested: Nesting, place: Path, kerf: float, suffix: str = ".dxf") -> list[Path]:
    """Write every sheet and read it back."""
    paths = []
    for sheet in nested.sheets:
        paths.append(place / f"{sheet.name}{suffix}")
        sheets.write(paths[-1], sheet, kerf=kerf, note="x")
        sheets.read_back(paths[-1], sheet, kerf=kerf)
    return paths


def shapes_in(path: Path, sheet: NestedSheet) -> list[shapely.Polygon]:
    """Return the cut regions of a file, in the order of the sheet's parts; y up from 0."""
    rings = rings_in(path)
    if path.suffix == ".svg":
        rings = [ring + [0, sheet.size[1]] for ring in rings]  # noqa: RUF005
    found = []
    for placed in sheet.placed:
        n = len(placed.part.holes)
        found.append(shapely.Polygon(rings[n], rings[:n]))
        rings = rings[n + 1 :]
    assert rings == []
    return found


def least_distance(shapes: list[shapely.Polygon]) -> float:
    """Return the least distance between any two shapes, by trying every pair."""
    pairs = [a.distance(b) for k, a in enumerate(shapes) for b in shapes[:k]]
    return min(pairs, default=math.inf)


@pytest.fixture(scope="module")
def pair() -> list[Part]:
    return all_parts(sample_plan(under=True))


RINGS = st.lists(st.lists(st.floats(8.0, 60.0), min_size=4, max_size=12), min_size=1, max_size=6)


@settings(max_examples=10, deadline=None)
@given(rings=RINGS, kerf=st.sampled_from([0.0, 0.2, 0.4]), wide=st.floats(150, 600))
def test_random_parts_keep_their_distance_and_stay_inside(
    rings: list[list[float]], kerf: float, wide: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    parts = [star(radii, k) for k, radii in enumerate(rings)]
    nested = nest(parts, size=(wide, 300.0), kerf=kerf)
    on = [placed.part.label for sheet in nested.sheets for placed in sheet.placed]
    assert sorted([*on, *nested.left_out]) == sorted(part.label for part in parts)
    place = tmp_path_factory.mktemp("nest")
    for path, sheet in zip(written(nested, place, kerf), nested.sheets, strict=True):
        shapes = shapes_in(path, sheet)
        assert least_distance(shapes) >= 2 * kerf + 3.0 - ROUNDING
        inside = shapely.box(MARGIN, MARGIN, wide - MARGIN, 300.0 - MARGIN).buffer(ROUNDING)
        for shape, placed in zip(shapes, sheet.placed, strict=True):
            assert inside.covers(shape)
            # a round offset is the least one; a mitre adds no more than some kerf2 per corner
            least = shapely.Polygon(placed.part.outline).buffer(kerf / 2).area
            assert least * 0.999 <= shape.area <= least * 1.001 + 24 * 2.25 * kerf**2


def test_the_kerf_is_in_path_and_distance(tmp_path: Path) -> None:
    """Discs of 30 mm at a kerf of 0.4: paths of 30.4 mm, apart by at least 2 x 0.4 + 3 mm."""
    parts = [star([15.0] * 360, k) for k in range(6)]
    nested = nest(parts, size=(150.0, 150.0), kerf=0.4)
    (path,) = written(nested, tmp_path, 0.4)
    shapes = shapes_in(path, nested.sheets[0])
    for shape in shapes:
        assert np.subtract(shape.bounds[2:], shape.bounds[:2]) == pytest.approx(30.4, abs=0.012)
    assert 3.8 - ROUNDING <= least_distance(shapes) <= 3.8 + ROUNDING  # close, not only apart


@pytest.mark.parametrize("size", [(600.0, 400.0), (420.0, 297.0), (310.0, 240.0)])
def test_a_pair_lies_on_its_sheets(tmp_path: Path, pair: list[Part], size: Any) -> None:
    nested = nest(pair, size=size, kerf=0.2)
    assert nested.left_out == {}
    assert {p.part.label for s in nested.sheets for p in s.placed} == {p.label for p in pair}
    for suffix in (".dxf", ".svg"):
        paths = written(nested, tmp_path, 0.2, suffix)
        for path, sheet in zip(paths, nested.sheets, strict=True):
            assert {p.part.material for p in sheet.placed} == {sheet.material}
            assert all(np.ptp(p.part.vertices[:, 2]) <= sheet.thickness for p in sheet.placed)
            assert least_distance(shapes_in(path, sheet)) >= 3.4 - ROUNDING


@pytest.mark.parametrize("style", ["R2010", "R12"])
def test_a_narrow_sheet_still_says_what_it_is(
    tmp_path: Path, pair: list[Part], style: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Words beside the ruler are smaller on a narrow sheet: its last tick was read as one of them.

    What is said shrinks before the letters do, but never case and face.
    """
    said = {}
    for wide in (600.0, 300.0, 250.0, 140.0, 124.0):
        for sheet in nest(pair[:1], size=(wide, 400.0)).sheets:
            path = tmp_path / f"{wide:g}.dxf"
            sheets.write(path, sheet, note="rider-v1", style=Style(dxf=style))
            _, rows = parts_drawn(read_drawing(path), titled=False)
            (said[wide],) = [row.text for row in rows]
    whole = f"RIDER-V1 {pair[0].material.upper()} "
    assert all(text.startswith(whole) and "FOOT SIDE UP" in text for text in said.values())
    ruled = [wide for wide, text in said.items() if text.endswith("RULER 100 MM")]
    assert ruled == [600.0, 300.0, 250.0]
    assert caplog.text == ""  # nor does the library speak of what R12 cannot hold


def test_parts_on_a_sheet_are_turned_but_never_mirrored(tmp_path: Path, pair: list[Part]) -> None:
    """The notch tells: with the arrow up and the foot side up, a left part has it at its right."""
    nested = nest(pair, size=(420.0, 297.0))
    turns = set()
    for path, sheet in zip(written(nested, tmp_path, 0.0), nested.sheets, strict=True):
        doc = ezdxf.readfile(path)
        assert not doc.audit().errors
        for shape, placed in zip(shapes_in(path, sheet), sheet.placed, strict=True):
            turns.add(placed.turn)
            part = placed.part
            arrow = forward(doc, shape)
            left_of_arrow = np.array([-arrow[1], arrow[0]])
            x, y = part.facts.notch
            notch = placed.at(np.array([[-y, x]]))[0]  # toes up: forward is y, left is x < 0
            assert shape.exterior.distance(shapely.Point(notch)) < 3.0
            middle = np.array(shape.envelope.centroid.coords[0])
            assert ((notch - middle) @ left_of_arrow > 0) == (part.side is Side.RIGHT)
    assert any(abs(turn) > 45 for turn in turns)  # else nothing was turned at all


def forward(doc: Any, shape: shapely.Polygon) -> Array:
    """Return the direction of the arrow to the toes that lies in a shape, read from the file."""
    arrows = []
    for line in doc.modelspace().query('LWPOLYLINE[layer=="PEN"]'):
        points = np.array(line.get_points("xy"))
        shaft = np.linalg.norm(points[-1] - points[0])
        if len(points) == 2 and shaft > 9.0 and shape.contains(shapely.Point(points[0])):
            arrows.append((points[1] - points[0]) / shaft)
    assert len(arrows) == 1
    return np.asarray(arrows[0])


def test_letters_on_a_turned_part_read_as_written(tmp_path: Path, pair: list[Part]) -> None:
    """Each pen stroke of the sheet is one of the part's own, turned and shifted: no mirror."""
    nested = nest(pair, size=(420.0, 297.0))
    for sheet in nested.sheets:
        drawn = [s for s in sheets.draw(sheet).strokes if s.layer == "PEN"]
        for placed in sheet.placed:
            own = cutting.part_strokes(placed.part, title=False)
            own = [s.points for s in own if s.layer == "PEN"]
            mine = [s.points for s in drawn if s.part == placed.part.label]
            flat, laid = np.concatenate(own), np.concatenate(mine)
            # the best fit that may mirror is a turn: determinant +1, nothing left over
            u, _, vt = np.linalg.svd((flat - flat.mean(axis=0)).T @ (laid - laid.mean(axis=0)))
            fit = (flat - flat.mean(axis=0)) @ u @ vt
            assert np.linalg.det(u @ vt) == pytest.approx(1.0)
            np.testing.assert_allclose(fit, laid - laid.mean(axis=0), atol=1e-6)
            assert -45 <= placed.turn <= 135  # never upside down


def test_the_side_is_told_on_a_part_too_small_for_a_label(tmp_path: Path) -> None:
    nested = nest([star([4.0] * 60, 1)], size=(150.0, 150.0))
    drawn = sheets.draw(nested.sheets[0]).strokes
    assert any(stroke.layer == "NOTE" and stroke.part == "left-piece-1" for stroke in drawn)


@pytest.mark.parametrize("side", list(Side))
def test_a_note_tells_the_side_only_where_the_marks_do_not(side: Side) -> None:
    """A disc 8 mm wide: a mark of its own side is enough, one of the other side is not."""
    small = star([4.0] * 60, 1, side)
    told = {}
    for word in (side, side.other):
        mark = Mark(text=word.value.upper(), x=0.0, y=0.0, size=2.0, face="foot")
        nested = nest([replace(small, marks=(mark,))], size=(150.0, 150.0))
        drawn = sheets.draw(nested.sheets[0]).strokes
        told[word] = any(s.layer == "NOTE" and s.part == small.label for s in drawn)
    assert told == {side: False, side.other: True}


def test_layers_of_one_part_are_told_apart_on_the_sheet() -> None:
    """Two layers of one shape: with the number the pen strokes differ, and only by that."""
    layers = [replace(star([25.0] * 60, k), name=f"arch-pad-layer-{k}") for k in (1, 7)]
    drawn = [cutting.part_strokes(layer, title=False) for layer in layers]
    pens = [[s.points.tolist() for s in strokes if s.layer == "PEN"] for strokes in drawn]
    assert pens[0] != pens[1]
    assert [labels.side_words(layer) for layer in layers] == ["L PAD 1", "L PAD 7"]
    assert labels.side_words(star([25.0] * 60, 3)) == "L PIECE 3"
    heel = replace(
        layers[0],
        name="heel-shim-layer-02b",
        facts=LayerFacts(layer=2, layers=11, underside=0.0, step_error=1.0),
    )
    assert labels.side_words(heel) == "L HEEL 2B/11"


@pytest.mark.parametrize("name", ["arch-pad", "heel-shim", "under-shoe-shim", "forefoot-shim"])
def test_a_small_piece_carries_its_label_on_the_pen_layer(name: str) -> None:
    """22 x 30 mm, narrower than the longest full words: short words, all inside the cut line."""
    ring = np.array([(0.0, -11.0), (30.0, -11.0), (30.0, 11.0), (0.0, 11.0)])
    part = replace(star([9.0] * 60, 1), name=name, outline=ring)
    strokes = cutting.part_strokes(part, title=False)
    pen = [s.points for s in strokes if s.layer == "PEN"]
    shafts = [line for line in pen if len(line) == 2 and np.ptp(line[:, 1]) > 9.0]
    assert len(shafts) == 1
    assert shafts[0][1, 1] > shafts[0][0, 1]  # to the toes
    cut = shapely.Polygon(strokes[-1].points)
    assert cut.buffer(-0.5).covers(shapely.MultiLineString(pen))


def test_no_grind_line_or_number_runs_through_a_label(pair: list[Part]) -> None:
    """1 mm stays free round each letter, also where a label had to be written over lines."""
    for part in pair:
        strokes = cutting.part_strokes(part, title=False)
        pen, grind = (
            shapely.MultiLineString([s.points for s in strokes if s.layer == layer])
            for layer in ("PEN", "GRIND")
        )
        assert grind.is_empty or pen.distance(grind) > 0.9


def test_a_part_too_large_is_left_out_with_one_sentence(pair: list[Part]) -> None:
    nested = nest(pair, size=(200.0, 200.0))
    assert set(nested.left_out) == {"left-base", "right-base"}
    sentence = nested.left_out["left-base"]
    assert "left-base is" in sentence
    assert "give a larger sheet" in sentence
    assert "cut/parts/" in sentence
    on = {placed.part.label for sheet in nested.sheets for placed in sheet.placed}
    assert on == {part.label for part in pair} - {"left-base", "right-base"}


def test_a_long_part_lies_slanted_where_that_is_the_only_way(tmp_path: Path) -> None:
    """A bar of 240 x 20 mm in a room of 200 x 200 mm: (240 + 20) / sqrt(2) = 184 mm at 45°."""
    bar = replace(
        star([1.0] * 4, 1), outline=np.array([(0, 0), (240, 0), (240, 20), (0, 20)], dtype=float)
    )
    nested = nest([bar], size=(220.0, 220.0))
    written(nested, tmp_path, 0.0)
    assert not nested.left_out
    assert abs(nested.sheets[0].placed[0].turn % 90) > 20


def test_more_parts_than_fit_take_more_sheets(tmp_path: Path) -> None:
    """Squares of 60 mm, 3 mm apart, in a room of 130 mm: four to a sheet (2 x 60 + 3 = 123)."""
    square = np.array([(0, 0), (60, 0), (60, 60), (0, 60)], dtype=float)
    parts = [replace(star([1.0] * 4, k), outline=square) for k in range(9)]
    nested = nest(parts, size=(150.0, 150.0))
    written(nested, tmp_path, 0.0)
    assert sorted(len(sheet.placed) for sheet in nested.sheets) == [1, 4, 4]
    assert [(sheet.number, sheet.count) for sheet in nested.sheets] == [(1, 3), (2, 3), (3, 3)]
    full = max(nested.sheets, key=lambda sheet: len(sheet.placed))
    assert full.waste == pytest.approx(1 - 4 * 60**2 / 123**2, abs=2e-3)
    words = (
        f"123 x 123 mm, {100 * 123**2 / 150**2:.0f} % of the sheet; cut off as one piece, 5 % of "
        "it is waste"
    )
    assert words in full.words


def test_materials_and_thicknesses_do_not_share_a_sheet() -> None:
    def block(label: int, height: float, **facts: float) -> Part:
        part = star([20.0] * 40, label)
        vertices = part.vertices * [1, 1, height / np.ptp(part.vertices[:, 2])]
        return replace(part, vertices=vertices, facts=Facts(**facts))

    thin, thick = block(1, 1.5, thickness=1.5), block(2, 2.0, thickness=2.0)
    low, near, high = block(3, 3.0), block(4, 6.2), block(5, 7.1)
    other = replace(block(6, 3.0), material="other")
    found = nesting.blanks([thin, thick, low, near, high, other])
    kinds = {(material, t): {p.name for p in mine} for material, t, mine in found}
    material = thin.material
    assert kinds == {
        (material, 1.5): {"piece-1"},
        (material, 2.0): {"piece-2"},
        (material, 3.0): {"piece-3"},
        (material, 8.0): {"piece-4", "piece-5"},  # the thinnest that is sold for either
        ("other", 3.0): {"piece-6"},
    }


def test_what_does_not_come_from_sheet_is_said() -> None:
    cup = replace(star([20.0] * 40, 1), facts=BaseFacts(thickness=1.5, heel_cup=12.0))
    tall = star([20.0] * 40, 2)
    tall = replace(tall, facts=Facts(), vertices=tall.vertices * [1, 1, 30])
    left_out = nest([cup, tall], size=(300.0, 300.0)).left_out
    assert "heel cup" in left_out["left-piece-1"]
    assert "mm high" in left_out["left-piece-2"]


def test_a_sheet_that_is_all_margin_is_refused(pair: list[Part]) -> None:
    with pytest.raises(PlanError, match="all margin"):
        nest(pair, size=(20.0, 300.0))


def test_a_part_that_is_not_worn_is_refused() -> None:
    with pytest.raises(ValueError, match="as_worn"):
        nest([replace(star([20.0] * 40, 1), worn=False)], size=(300.0, 300.0))


@pytest.mark.parametrize("size", ["600", "600x", "20x400", "AxB"])
def test_a_sheet_size_that_is_none_is_refused(size: str) -> None:
    said = CliRunner().invoke(cli, ["make", "plan.json", "--sheet", size])
    assert said.exit_code == 2
    assert "--sheet wants two sizes in mm" in said.output


# ------------------------------------------------------------------ reading back


def moved(sheet: NestedSheet, k: int, by: tuple[float, float]) -> NestedSheet:
    """Return the sheet with one part in another place."""
    placed = list(sheet.placed)
    x, y = placed[k].shift
    placed[k] = replace(placed[k], shift=(x + by[0], y + by[1]))
    return replace(sheet, placed=tuple(placed))


@pytest.fixture
def two() -> NestedSheet:
    (sheet,) = nest([star([20.0] * 90, k) for k in range(2)], size=(200.0, 150.0)).sheets
    return sheet


@pytest.mark.parametrize("suffix", [".dxf", ".svg"])
def test_parts_that_come_too_near_do_not_read_back(
    tmp_path: Path, two: NestedSheet, suffix: str
) -> None:
    towards = np.subtract(two.placed[0].shift, two.placed[1].shift)
    by = 0.2 * towards / np.linalg.norm(towards)  # 2.8 mm instead of 3
    near = moved(two, 1, (float(by[0]), float(by[1])))
    path = tmp_path / f"x{suffix}"
    sheets.write(path, near)
    with pytest.raises(OutputError, match="nearer than 3 mm"):
        sheets.read_back(path, near)


def test_a_part_over_the_margin_does_not_read_back(tmp_path: Path, two: NestedSheet) -> None:
    out = moved(two, 0, (-0.1, 0.0))
    sheets.write(tmp_path / "x.dxf", out)
    with pytest.raises(OutputError, match="over the margin"):
        sheets.read_back(tmp_path / "x.dxf", out)


def test_a_part_in_another_place_does_not_read_back(tmp_path: Path, two: NestedSheet) -> None:
    sheets.write(tmp_path / "x.dxf", moved(two, 0, (0.5, 0.0)))
    with pytest.raises(OutputError, match="another shape or mirrored"):
        sheets.read_back(tmp_path / "x.dxf", two)


def test_a_missing_part_does_not_read_back(tmp_path: Path, two: NestedSheet) -> None:
    sheets.write(tmp_path / "x.dxf", replace(two, placed=two.placed[:1]))
    with pytest.raises(OutputError, match="without all rings"):
        sheets.read_back(tmp_path / "x.dxf", two)
    sheets.write(tmp_path / "y.dxf", two)
    with pytest.raises(OutputError, match="belong to no part"):
        sheets.read_back(tmp_path / "y.dxf", replace(two, placed=two.placed[:1]))


# ------------------------------------------------------------------ the same each time

CODE = """
import sys
from pathlib import Path
from tests.insole.test_nesting import write_stars
write_stars(Path(sys.argv[1]))
"""


def write_stars(place: Path) -> None:
    """Write sheets of parts of which many are alike."""
    parts = [star([10.0 + k, 30.0, 12.0, 20.0 + 2 * k], k) for k in range(12)]
    for sheet in nest(parts, size=(220.0, 120.0), kerf=0.2).sheets:
        for suffix in (".dxf", ".svg"):
            sheets.write(place / f"{sheet.name}{suffix}", sheet, kerf=0.2)


def test_the_same_parts_give_the_same_bytes(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    for place in (here, there):
        place.mkdir()
    write_stars(here)
    # of the hashes by which sets are walked; this process has one of its own
    seed = "0" if os.environ.get("PYTHONHASHSEED") == "4711" else "4711"
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONHASHSEED": seed}
    subprocess.run([sys.executable, "-c", CODE, str(there)], check=True, env=env)
    found = [{path.name: path.read_bytes() for path in place.iterdir()} for place in (here, there)]
    assert found[0] == found[1]
    assert len(found[0]) >= 4
