"""Cut files as machines like them: arcs, no crumbs, nothing engraved on a cut, numbers in lines."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely

from footscan.scan import Side
from insole.output.cut import cutting, layers, written
from insole.output.cut.checked import read_back_dxf
from insole.output.cut.labels import level_numbers
from insole.output.cut.layers import seen
from insole.parts.build import all_parts
from insole.parts.curves import LEAST, arcs_of, thinned
from insole.parts.part import Part
from insole.readback.drawings import read_drawing
from tests.plans import bed_ring, sample_plan


@pytest.fixture(scope="module")
def right() -> list[Part]:
    return [part for part in all_parts(sample_plan(under=True)) if part.side is Side.RIGHT]


def ring_of(shape: shapely.Polygon) -> np.ndarray:
    return np.array(shape.exterior.coords)[:-1]


def test_a_slot_is_two_lines_and_two_half_circles() -> None:
    slot = shapely.LineString([(0, 0), (12, 0)]).buffer(2.6, quad_segs=16)
    rows = arcs_of(ring_of(slot))
    assert len(rows) == 4
    assert sorted(np.abs(rows[:, 2])) == pytest.approx([0, 0, 1, 1], abs=1e-6)
    for (x, y, bulge), (to_x, to_y, _) in pairwise([*rows, rows[0]]):
        long = np.hypot(to_x - x, to_y - y)
        assert long == pytest.approx(5.2 if bulge else 12.0, abs=1e-6)


def test_a_square_keeps_its_corners_and_a_circle_has_none() -> None:
    square = ring_of(shapely.box(0, 0, 30, 20))
    assert arcs_of(square)[:, 2].tolist() == [0.0] * 4
    circle = arcs_of(ring_of(shapely.Point(3, 4).buffer(5.0, quad_segs=24)))
    assert len(circle) <= 3
    assert all(circle[:, 2] != 0.0)
    assert 4 * np.arctan(np.abs(circle[:, 2])).sum() == pytest.approx(2 * np.pi, abs=1e-3)


@pytest.mark.parametrize("radius", [15.0, 18.0, 40.0])
def test_corners_of_a_pad_are_arcs(tmp_path: Path, right: list[Part], radius: float) -> None:
    """Plans hold their outlines every 1.5 mm: on 15 mm radius a chord is 0.019 mm off the arc."""
    count = round(2 * np.pi * radius / 1.5)
    ring = ring_of(shapely.Point(60, 0).buffer(radius, quad_segs=round(count / 4)))
    assert (arcs_of(ring)[:, 2] != 0).all()
    assert len(arcs_of(ring)) <= 3
    pad = next(part for part in right if part.name == "arch-pad")
    path = tmp_path / "round.dxf"
    written.write_dxf(path, [replace(pad, outline=ring, holes=(), lines={}, marks=())])
    found = read_back_dxf(path, [replace(pad, outline=ring, holes=(), lines={}, marks=())])
    assert found[pad.label] == pytest.approx(np.pi * radius**2, rel=1e-3)


def test_an_outline_is_few_arcs_within_two_hundredths(tmp_path: Path, right: list[Part]) -> None:
    base = next(part for part in right if part.name == "base")
    path = tmp_path / "base.dxf"
    written.write_dxf(path, [base])
    (entity,) = [e for e in ezdxf.readfile(path).modelspace() if e.dxf.layer == "CUT"]
    rows = np.array(entity.get_points("xyb"))
    assert len(rows) < len(bed_ring()) / 2
    assert (rows[:, 2] != 0).mean() > 0.3  # coarse chords of the made-up toes stay chords
    drawn = shapely.Polygon(read_drawing(path).layers["CUT"][0].points)
    wanted = cutting.wanted_shape(base)
    move = np.array(drawn.bounds[:2]) - np.array(wanted.bounds[:2])
    wanted = shapely.transform(wanted, lambda points: points + move)
    apart = shapely.hausdorff_distance(drawn.boundary, wanted.boundary, densify=0.0005)
    assert apart <= 0.025  # 0.02 of the arcs, and how the two boxes are laid on each other


def test_short_segments_go_and_ends_stay() -> None:
    line = np.array([(0, 0), (0.01, 0), (1, 0), (1.02, 0), (1.04, 0)], dtype=float)
    assert thinned(line, closed=False).tolist() == [[0, 0], [1.04, 0]]
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0.02)], dtype=float)
    assert len(thinned(square, closed=True)) == 4


@pytest.mark.parametrize("face", ["foot", "shoe"])
def test_nothing_is_engraved_on_a_line_to_cut_and_nothing_is_a_crumb(
    right: list[Part], face: layers.Face
) -> None:
    for part in right:
        strokes = cutting.part_strokes(part, face=face, title=False)
        border = shapely.union_all(
            [shapely.LinearRing(s.points).buffer(0.2) for s in strokes if s.layer == "CUT"]
        )
        for stroke in cutting.in_order(strokes):
            steps = np.hypot(*np.diff(stroke.points, axis=0).T)
            assert steps.min() >= LEAST - 1e-9, (part.label, stroke.layer)
            if stroke.layer == "ENGRAVE":
                assert shapely.LineString(stroke.points).intersection(border).length < 0.01


def test_what_lies_on_a_line_to_cut_is_left_out_of_the_engraving(right: list[Part]) -> None:
    base = next(part for part in right if part.name == "base")
    along = np.vstack([base.outline, base.outline[:1]])
    inside = ring_of(shapely.Polygon(base.outline).buffer(-20.0))
    drawn = replace(base, lines={"pad": (along, inside, inside[::-1])}, marks=())
    engraved = [
        shapely.LineString(s.points)
        for s in cutting.part_strokes(drawn, title=False)
        if s.layer == "ENGRAVE"
    ]
    once = shapely.LinearRing(seen(inside, "foot")).length
    assert sum(line.length for line in engraved) <= once + 0.1  # neither the border nor twice
    assert sum(line.length for line in engraved) > 0.6 * once  # the label takes a part of it


def test_a_number_stands_in_its_own_line_and_in_no_other(right: list[Part]) -> None:
    pad = next(part for part in right if part.name == "arch-pad")
    whole = shapely.Polygon(seen(pad.outline, "foot"))
    lines = [shapely.LineString(seen(line, "foot")) for line in pad.lines["grind"]]
    found = level_numbers(pad, whole, "foot")
    assert len(found) >= 0.6 * len(lines)
    for number in found:
        ink = shapely.MultiLineString(number.strokes)
        assert ink.centroid.distance(lines[number.line]) < 0.5
        others = [line for k, line in enumerate(lines) if k != number.line]
        assert all(ink.distance(line) > 0.3 for line in others)
    strokes = cutting.part_strokes(pad, title=False)
    kept = {s.points.tobytes() for s in strokes if s.layer == "GRIND"}
    for number in found:
        if number.strokes[0].tobytes() in kept:  # the line is broken for it
            ink = shapely.MultiLineString(number.strokes)
            mine = {line.tobytes() for line in number.strokes}
            rest = [
                shapely.LineString(s.points)
                for s in strokes
                if s.layer == "GRIND" and s.points.tobytes() not in mine
            ]
            assert all(ink.distance(line) > 0.1 for line in rest)


def test_an_old_dxf_and_pure_colours(tmp_path: Path, right: list[Part]) -> None:
    old, new = tmp_path / "old.dxf", tmp_path / "new.dxf"
    written.write_dxf(old, right, style=written.Style(dxf="R12", laser=True))
    written.write_dxf(new, right, style=written.Style(laser=True))
    assert re.search(r"\$ACADVER\s+1\s+AC1009", old.read_text("utf-8"))
    areas = [read_back_dxf(path, right) for path in (old, new)]
    assert areas[0] == pytest.approx(areas[1])
    shapes = [read_drawing(path).layers for path in (old, new)]
    assert shapes[0].keys() == shapes[1].keys()
    for name, mine in shapes[0].items():
        for a, b in zip(mine, shapes[1][name], strict=True):
            np.testing.assert_allclose(a.points, b.points, atol=1e-4)
    colours = {e.dxf.name: e.rgb for e in ezdxf.readfile(new).layers if e.dxf.name in layers.LAYERS}
    assert colours["CUT"] == (255, 0, 0)
    assert colours["ENGRAVE"] == (0, 0, 255)
    assert colours["PEN"] == (0, 0, 0)
    assert {e.dxf.name: e.color for e in ezdxf.readfile(old).layers}["CUT"] == 1
    svg = tmp_path / "x.svg"
    written.write_svg(svg, right, style=written.Style(laser=True))
    assert '<g id="CUT" fill="none" stroke="#ff0000"' in svg.read_text("utf-8")
