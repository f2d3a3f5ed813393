"""The arch pad against the formula of its dome, mesh and boundary solid."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon

from insole.errors import PartError
from insole.parts import outlines, solids
from insole.parts.pad import arch_pad
from insole.parts.part import as_worn
from insole.planning.support.tops import spline_of
from insole.record.plan import FootPlan
from insole.record.values import HeightGrid
from tests.plans import CREST, bed_ring, dome_heights, dome_volume, sample_foot, sample_pad


def with_pad(**changes: Any) -> FootPlan:
    foot = sample_foot()
    assert foot.pad is not None
    return foot.model_copy(update={"pad": foot.pad.model_copy(update=changes)})


def mesh_of(part: Any) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def test_volume_is_the_integral_of_the_dome() -> None:
    """The polygon of 180 points encloses 0.02 % less than the curve; the notch takes a few mm3."""
    part = arch_pad(sample_foot(), "demo")
    notch = 1.5 * 4.0 * 1.2  # its box times the dome's height there, an upper bound
    assert dome_volume() * (1 - 5e-4) - notch < part.volume < dome_volume()
    assert mesh_of(part).volume == pytest.approx(part.volume, rel=5e-4)


def test_integral_of_a_paraboloid_over_a_disc() -> None:
    """pi r2 h / 2 for h (1 - d2/r2); a polygon of 720 points is 1.3e-5 short."""
    disc = Polygon(
        [
            (20 * math.cos(t), 20 * math.sin(t))
            for t in np.linspace(0, 2 * math.pi, 720, endpoint=False)
        ]
    )
    found = solids.integral(disc, lambda x, y: 6.0 * (1 - (x**2 + y**2) / 400.0))
    assert found == pytest.approx(math.pi * 400 * 6 / 2, rel=1e-4)


def test_top_follows_the_formula_and_bottom_is_flat() -> None:
    """Mesh 0.02 mm from the spline; a 2 mm grid of heights reproduces the dome to 0.01 mm."""
    part = arch_pad(sample_foot(), "demo")
    error = solids.chord_error(
        part.vertices, part.faces, lambda x, y: np.maximum(dome_heights(x, y), 0.4)
    )
    assert error < 0.03
    assert part.facts.chord_error <= 0.02
    corners = part.vertices[part.faces]
    low = corners[(corners[:, :, 2] == 0).all(axis=1)]
    spread = np.cross(low[:, 1] - low[:, 0], low[:, 2] - low[:, 0])[:, 2]
    assert -spread.sum() / 2 == pytest.approx(Polygon(part.outline).area, rel=1e-5)
    assert part.vertices[:, 2].max() == pytest.approx(10.0, abs=0.02)


def test_edge_is_vertical_and_low() -> None:
    """Away from the notch the wall along the outline is as high as the plan's edge."""
    part = arch_pad(sample_foot(), "demo")
    rim = Polygon(sample_foot().pad.outline).exterior  # type: ignore[union-attr]
    on_rim = shapely.distance(shapely.points(part.vertices[:, :2]), rim) < 1e-3
    heights = part.vertices[on_rim, 2]
    assert heights.max() < 0.5
    assert part.facts.edge_most < 0.45


def test_surface_below_the_edge_is_raised_to_it() -> None:
    foot = sample_foot()
    assert foot.pad is not None
    low = [[z - 0.3 for z in row] for row in foot.pad.top.z]
    part = arch_pad(with_pad(top=foot.pad.top.model_copy(update={"z": low})), "demo")
    mesh = mesh_of(part)
    assert mesh.is_watertight
    section = solids.region_above(solids.solid_of(part.vertices, part.faces), 0.4 - 0.002)
    assert section.area == pytest.approx(Polygon(part.outline).area, rel=1e-3)
    assert mesh.volume == pytest.approx(part.volume, rel=5e-4)


def test_outline_need_not_be_star_shaped() -> None:
    """A horseshoe under an even slope: no centre sees all of it."""
    t = np.linspace(-2.4, 2.4, 60)
    outer = np.column_stack([130 + 34 * np.cos(t), 34 * np.sin(t)])
    inner = np.column_stack([130 + 16 * np.cos(t[::-1]), 16 * np.sin(t[::-1])])
    x = 90 + 4.0 * np.arange(22)
    z = np.repeat((2.0 + 0.05 * (x - 90))[:, None], 22, axis=1)
    foot = with_pad(
        outline=[tuple(p) for p in np.vstack([outer, inner]).tolist()],
        top=HeightGrid(x0=90.0, y0=-44.0, step=4.0, z=z.tolist()),
    )
    part = arch_pad(foot, "demo")
    shape = Polygon(part.outline)
    exact = shape.area * (2.0 + 0.05 * (shape.centroid.x - 90))  # plane over a polygon
    mesh = mesh_of(part)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(exact, rel=1e-4)
    assert part.volume == pytest.approx(exact, rel=1e-4)


def test_notch_is_medial_and_steep_towards_the_heel() -> None:
    part = arch_pad(sample_foot(), "demo")
    x, y = part.facts.notch
    whole = Polygon(sample_foot().pad.outline)  # type: ignore[union-attr]
    missing = whole.difference(Polygon(part.outline))
    assert missing.contains(shapely.Point(x, y))
    assert y > whole.centroid.y
    x0, _, x1, _ = missing.bounds
    assert missing.centroid.x < (x0 + x1) / 2  # a sawtooth, deep at its rear end


@pytest.mark.parametrize(("side", "hand"), [("right", 1.0), ("left", -1.0)])
def test_the_cross_is_turned_with_the_dome(side: str, hand: float) -> None:
    """Toe end turned to the medial side by 12 degrees: its long line points to the dome's tip."""
    foot = sample_foot(side)
    turned = sample_pad(bed_ring(), turn=12.0)
    assert turned.outline[0][1] > CREST[1]  # the tip, in the design frame: +y is medial
    part = as_worn(arch_pad(foot.model_copy(update={"pad": turned}), "demo"))
    rear, front = part.lines["crest"][0]
    angle = math.degrees(math.atan2(front[1] - rear[1], front[0] - rear[0]))
    assert angle == pytest.approx(12.0 * hand, abs=1e-6)
    tip = np.array(turned.outline[0]) * (1.0, hand) - (rear + front) / 2
    assert math.degrees(math.atan2(tip[1], tip[0])) == pytest.approx(12.0 * hand, abs=1.0)


def test_spline_passes_through_the_heights() -> None:
    pad = sample_foot().pad
    assert pad is not None
    spline = spline_of(pad.top)
    assert spline.ev(pad.top.x0 + 6 * pad.top.step, pad.top.y0 + 9 * pad.top.step) == pytest.approx(
        pad.top.z[6][9], abs=1e-9
    )


def test_boundary_solid_is_the_dome() -> None:
    """Volume within 0.1 %, and points on its top at most 0.1 mm from the formula."""
    part = arch_pad(sample_foot(), "demo")
    assert part.solid is not None
    solid = part.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(part.volume, rel=1e-3)
    corners, _ = solid.tessellate(0.01, 0.1)
    points = np.array([corner.toTuple() for corner in corners])
    top = points[points[:, 2] > 0.6]
    inside = shapely.contains_xy(Polygon(part.outline).buffer(-1e-3), *top[:, :2].T)
    assert inside.sum() > 100
    assert np.abs(dome_heights(*top[:, :2].T) - top[:, 2]).max() < 0.1


def test_boundary_solid_reads_back_from_step(tmp_path: Any) -> None:
    from cadquery import Workplane, exporters, importers

    part = arch_pad(sample_foot(), "demo")
    assert part.solid is not None
    exporters.export(Workplane(part.solid()), str(tmp_path / "pad.step"))
    read = importers.importStep(str(tmp_path / "pad.step")).val()
    assert read.isValid()
    assert read.ShapeType() == "Solid"
    assert read.Volume() == pytest.approx(part.volume, rel=1e-3)


def test_boundary_solid_where_heights_dip_and_end_at_the_outline() -> None:
    """Refitted with the floor: still within 0.1 mm of what the mesh follows."""
    foot = sample_foot()
    assert foot.pad is not None
    low = [[z - 0.3 for z in row] for row in foot.pad.top.z]
    part = arch_pad(with_pad(top=foot.pad.top.model_copy(update={"z": low})), "demo")
    assert part.solid is not None
    solid = part.solid()
    corners, _ = solid.tessellate(0.01, 0.1)
    points = np.array([corner.toTuple() for corner in corners])
    wanted = np.maximum(dome_heights(*points[:, :2].T) - 0.3, 0.4)
    assert np.abs(points[:, 2] - wanted)[points[:, 2] > 0.01].max() < 0.1
    assert solid.Volume() == pytest.approx(part.volume, rel=3e-3)


def test_notch_is_left_out_where_it_does_not_fit() -> None:
    narrow = Polygon([(0, 0), (30, 0), (30, 2), (0, 2)])
    shape, notch = outlines.notched(narrow, 10.0, depth=3.0, length=6.0)
    assert notch is None
    assert shape.equals(narrow)
    shape, notch = outlines.notched(narrow, 28.0, depth=0.5, length=6.0)
    assert notch is None


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"outline": [(0.0, 0.0), (1.0, 0.0)]}, "needs at least 3 points"),
        ({"outline": [(90, 0), (150, 20), (150, 0), (90, 20)]}, "crosses itself; trace it again"),
        ({"outline": [(90, 0), (91, 0), (91, 1)]}, "encloses almost nothing"),
        ({"outline": [(90, 0), (float("nan"), 9), (91, 1)]}, "no numbers"),
        ({"top": HeightGrid(x0=0, y0=0, step=2, z=[[1.0] * 4] * 3)}, "at least 4 by 4"),
        ({"top": HeightGrid(x0=0, y0=0, step=2, z=[[1.0] * 5] * 3 + [[1.0] * 4])}, "full grid"),
        ({"top": HeightGrid(x0=0, y0=0, step=2, z=[[math.inf] * 5] * 5)}, "no numbers"),
        ({"top": HeightGrid(x0=0, y0=0, step=2, z=[[1.0] * 5] * 5)}, "do not cover its outline"),
    ],
)
def test_pads_that_cannot_be_made_say_why(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(PartError, match=message) as caught:
        arch_pad(with_pad(**changes), "demo")
    assert caught.value.part == "arch-pad"


def test_a_foot_without_pad_has_none_to_make() -> None:
    with pytest.raises(PartError, match="no pad for the right foot"):
        arch_pad(sample_foot(pad_height=None), "demo")
