"""Shims and pads built up from sheet, and the lines along which a blank is ground."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from shapely import Polygon

from insole.errors import PartError
from insole.output.cut.checked import read_back_dxf
from insole.output.cut.cutting import part_strokes
from insole.output.cut.nesting import blanks
from insole.output.cut.written import write_dxf
from insole.parts import laminations, solids
from insole.parts.base import base
from insole.parts.facts import Facts
from insole.parts.laminations import layers, sheets_for
from insole.parts.pad import arch_pad
from insole.parts.part import Part, as_worn
from insole.parts.wedge import planes, shim
from insole.record.planned_parts import WedgePlace
from tests.insole.test_dowels import made
from tests.insole.test_pad_surface import planned, wished
from tests.plans import bed_ring, sample_foot, sample_wedge


def heel(side: str = "right", net: float = 3.0) -> Part:
    wedge = sample_wedge(bed_ring(), WedgePlace.HEEL, net)
    return as_worn(shim(sample_foot(side), wedge, "demo"))


@pytest.mark.parametrize(
    ("height", "wanted"),
    [
        (3.0, [1.0, 1.0, 1.0]),
        (3.3, [1.0, 1.0, 1.0, 0.5]),
        (3.5, [1.0, 1.0, 1.0, 0.5]),
        (3.51, [1.0, 1.0, 1.0, 1.0]),
        (0.4, [0.5]),
    ],
)
def test_coarse_sheets_lie_below_and_reach_the_top(height: float, wanted: list[float]) -> None:
    assert sheets_for(height) == wanted


@pytest.mark.parametrize(("net", "side"), [(3.0, "right"), (-2.0, "right"), (3.0, "left")])
def test_layers_of_a_shim_end_on_its_analytic_planes(net: float, side: str) -> None:
    """Area of each layer against the outline cut by the plane at its underside, 0.2 %: points
    of a contour that add less than 0.01 mm are dropped."""
    part = heel(side, net)
    wedge = sample_wedge(bed_ring(), WedgePlace.HEEL, net)
    flip = [1.0, -1.0 if side == "left" else 1.0]
    plan = Polygon(part.outline * flip)
    x0, x1 = wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front
    ends = shapely.box(x0, -99, x1, 99)
    roof = planes(wedge, Polygon(wedge.outline).intersection(ends))
    stack = layers(part)
    thick, usual = [p.facts.thickness for p in stack], sheets_for(part.facts.thick_edge)
    # where the usual top is a mere strip, thin sheets go lower
    assert thick in (usual, sorted(usual))
    for layer in stack:
        z = layer.facts.underside
        wanted = plan
        for a, b, c in roof:  # a ramp falls across, a skive along: each ends on a straight line
            at = (z - c) / (a + b)
            wanted = wanted.intersection(
                shapely.box(*((-999, at) if b else (at, -999)), 999, 999)
                if a + b > 0
                else shapely.box(-999, -999, *((999, at) if b else (at, 999)))
            )
        assert Polygon(layer.outline, layer.holes).area == pytest.approx(wanted.area, rel=2e-3)
        assert layer.volume == pytest.approx(
            Polygon(layer.outline, layer.holes).area * layer.facts.thickness
        )


@pytest.mark.parametrize("name", ["shim", "pad", "left pad"])
def test_a_stack_holds_the_part_and_stands_proud_by_one_step_at_most(name: str) -> None:
    """Seen at many places: top of the stack over top of the part is 0 to the stated step."""
    part = heel() if name == "shim" else planned("low" if name == "left pad" else "usual")[1]
    stack = layers(part)
    step = stack[0].facts.step_error
    assert {p.facts.thickness for p in stack[:-1]} <= {1.0, 0.5}
    assert step == max(p.facts.thickness for p in stack) <= 3.0
    assert stack[0].facts.lost == 0.0
    solid = solids.solid_of(part.vertices, part.faces)
    levels = np.arange(0.05, float(part.vertices[:, 2].max()), 0.05)
    rng = np.random.default_rng(1)
    low, high = np.array(part.outline).min(axis=0), np.array(part.outline).max(axis=0)
    at = rng.uniform(low, high, (3000, 2))
    at = at[shapely.contains_xy(Polygon(part.outline).buffer(-0.1), *at.T)]
    deep = levels[levels > 0.45]  # letters are cut in from below
    count = sum(shapely.contains_xy(solids.region_above(solid, z), *at.T).astype(int) for z in deep)
    top = np.where(count > 0, 0.45 + 0.05 * count, 0.45)
    piled = np.zeros(len(at))
    for layer in stack:
        there = shapely.contains_xy(Polygon(layer.outline, layer.holes).buffer(1e-6), *at.T)
        piled[there] = layer.facts.underside + layer.facts.thickness
    assert (piled > top - 0.06).mean() > 0.98  # all but pieces too small to glue, at the side
    assert (piled - top < step + 0.06).all()


def test_layers_say_their_place_and_carry_the_next_outline() -> None:
    stack = layers(planned("usual")[1], tag="demo-v1")
    assert stack[0].label.rstrip("1").rstrip("0") == "right-arch-pad-layer-"
    assert stack[0].facts.layers == stack[-1].facts.layer
    step = max(layer.facts.thickness for layer in stack)
    assert f"steps of at most {step:g} mm stand proud" in stack[0].facts.words
    for below, above in pairwise(stack):
        if above.facts.layer == below.facts.layer + 1:
            drawn = shapely.union_all([Polygon(line) for line in below.lines["next"]])
            assert drawn.symmetric_difference(Polygon(above.outline)).area < 1.0
            assert Polygon(below.outline).buffer(0.01).covers(Polygon(above.outline))
    assert not stack[-1].lines
    for layer in stack:
        assert layer.facts.label == (f"R PAD {layer.facts.layer}/{len(stack)}", "demo-v1")
        pen = [s for s in part_strokes(layer, title=False) if s.layer == "PEN"]
        plan = Polygon(layer.outline[:, ::-1] * [-1.0, 1.0])  # toes up, seen from above
        assert pen
        assert plan.covers(shapely.MultiLineString([s.points for s in pen]))


def test_layers_are_cut_from_sheet_of_their_thickness(tmp_path: object) -> None:
    stack = layers(heel())
    thick = {thickness for _, thickness, _ in blanks(stack)}
    assert thick == {p.facts.thickness for p in stack}
    path = tmp_path / "layers.dxf"  # type: ignore[operator]
    write_dxf(path, stack)
    read_back_dxf(path, parts=stack)


def test_sockets_go_through_the_layers_that_they_reach() -> None:
    """2 mm deep: two layers of 1 mm have three holes each, the third has none."""
    _, parts = made(side="right")
    pad = next(part for part in parts if part.name == "arch-pad")
    counts = {layer.facts.layer: len(layer.holes) for layer in layers(pad)}
    assert [counts[k] for k in (1, 2, 3)] == [3, 3, 0]


def test_what_is_not_built_up_is_refused() -> None:
    with pytest.raises(PartError, match="right-base is not built up from sheet; cut it in one"):
        layers(as_worn(base(sample_foot(), "demo")))
    with pytest.raises(ValueError, match="not worn"):
        layers(arch_pad(sample_foot(), "demo"))
    with pytest.raises(ValueError, match="fine <= coarse"):
        layers(heel(), coarse=0.5, fine=1.0)


def test_small_pieces_are_left_out() -> None:
    part = heel()
    assert [p for p in layers(part, least=(1e5, 10.0)) if p.facts.layer > 1] == []
    assert [p for p in layers(part, least=(200.0, 200.0)) if p.facts.layer > 1] == []
    assert len(layers(part)) > 1


def cone() -> Part:
    """60 mm radius and 10.6 mm height, from a formula: at 10 mm its radius is 3.4 mm, 36 mm2 and
    too small; at 9 mm it is 9.1 mm, 258 mm2."""
    import trimesh

    made = trimesh.creation.cone(radius=60.0, height=10.6, sections=720)
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    ring = 60.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    return replace(
        heel(),
        name="arch-pad",
        vertices=np.array(made.vertices),
        marks=(),
        holes=(),
        faces=np.array(made.faces),
        outline=ring,
        facts=Facts(),
        lines={},
    )


def test_a_stack_that_lost_its_top_says_how_much() -> None:
    stack = layers(cone(), tops=())
    assert len(stack) == 10
    assert {layer.facts.left_out for layer in stack} == {1}
    assert {layer.facts.lost for layer in stack} == {1.0}
    assert {layer.facts.layers for layer in stack} == {10}


def test_a_thicker_sheet_ends_a_stack_whose_top_would_be_a_crumb() -> None:
    stack = layers(cone())
    assert [layer.facts.thickness for layer in stack] == [1.0] * 9 + [2.0]
    assert {layer.facts.left_out for layer in stack} == {0}
    assert {layer.facts.lost for layer in stack} == {0.0}
    racked = layers(cone(), sheets=(6.0, 3.0, 2.0), tops=(2.0, 3.0, 6.0))
    assert [layer.facts.thickness for layer in racked] == [6.0, 3.0, 2.0]  # top 258 mm2


@pytest.mark.parametrize("name", ["usual", "hollow"])
def test_grind_lines_of_a_pad_lie_on_their_level(name: str) -> None:
    """On the wished surface to 0.02 mm of height, whole millimetres, and none is missing."""
    foot, part = planned(name)
    assert foot.pad is not None
    levels = part.facts.levels["grind"]
    flip = [1.0, -1.0 if foot.side == "left" else 1.0]
    assert len(levels) == len(part.lines["grind"])
    assert sorted(set(levels)) == [float(k) for k in range(1, math.ceil(part.facts.height))]
    for level, line in zip(levels, part.lines["grind"], strict=True):
        height, _ = wished(foot.pad, *(line * flip).T)
        np.testing.assert_allclose(height, level, atol=0.02)


def test_a_folder_with_layers_nests_them_instead_of_blanks() -> None:
    """Whole shims stay on the sheets of each foot; one by one and nested there are layers."""
    from insole.output.contents import items
    from insole.output.settings import Settings
    from insole.parts.build import all_parts
    from tests.plans import sample_plan

    plan = sample_plan()
    parts = all_parts(plan)
    paths = {
        wish: [item.path for item in items(plan, parts, Settings(layers=wish))]
        for wish in (False, True)
    }
    alone = {
        wish: {p.split("/")[-1] for p in paths[wish] if p.startswith("cut/parts/")}
        for wish in paths
    }
    assert not any("layer" in name for name in alone[False])
    for part in parts:
        named = [name for name in alone[True] if name.startswith(f"{part.label}-")]
        built = [name for name in named if f"{part.label}-layer-" in name]
        assert built if part.name in laminations.LAYERED else not built
        assert len(named) == len(layers(part)) if built else len(named) == 1
    assert any("-1mm-" in path for path in paths[True] if path.startswith("cut/sheet"))
