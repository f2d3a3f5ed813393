"""The base: plate, notch, placement grid and heel rim."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from shapely import LineString, Polygon

from insole.errors import PartError
from insole.parts import build, solids
from insole.parts.base import base, rim_height
from insole.parts.engraving import mark_shape
from insole.parts.part import Part, as_worn
from insole.record.plan import FootPlan
from insole.record.planned_parts import WedgePlace
from tests.plans import sample_foot

FOOT = sample_foot()
WHOLE = Polygon(FOOT.base.outline)
WEDGES = ((WedgePlace.FOREFOOT, 2.0), (WedgePlace.HEEL, -2.0), (WedgePlace.UNDER, 1.0))


def changed(foot: FootPlan, **changes: object) -> FootPlan:
    return foot.model_copy(update={"base": foot.base.model_copy(update=changes)})


def mesh_of(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


def test_plate_is_area_times_thickness() -> None:
    part = base(FOOT, "demo")
    wanted = Polygon(part.outline).area * 1.5
    assert part.volume == pytest.approx(wanted)
    assert mesh_of(part).volume == pytest.approx(wanted, rel=1e-5)
    assert part.solid is not None
    solid = part.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(wanted, rel=1.5e-4)  # its sides stand on arcs
    assert set(np.round(part.vertices[:, 2], 6)) == {0.0, 1.5}


@pytest.mark.parametrize("trim", [0.0, 3.0])
def test_medial_notch_survives_trimming(trim: float) -> None:
    """What is left of the notch after the allowance is cut away is still 2 mm deep."""
    part = base(changed(FOOT, trim_allowance=trim), "demo")
    trimmed = WHOLE.buffer(-trim)
    bite = trimmed.difference(Polygon(part.outline))
    assert bite.area > 3.0
    assert bite.centroid.y > 25.0  # on the medial edge
    depth = max(trimmed.exterior.distance(shapely.Point(p)) for p in bite.exterior.coords)
    assert depth > 2.0
    x0, _, x1, _ = bite.bounds
    assert bite.centroid.x < (x0 + x1) / 2  # steep toward the heel: front and rear tell apart
    pad = Polygon(FOOT.pad.outline)  # type: ignore[union-attr]
    assert pad.distance(bite) > 1.0


def test_grid_lies_in_the_arch_zone_only() -> None:
    part = base(FOOT, "demo")
    for layer in ("grid", "axis"):
        points = np.vstack(part.lines[layer])
        half_tick = 1.3
        assert points[:, 0].min() > FOOT.base.grid_from - half_tick
        assert points[:, 0].max() < FOOT.base.grid_to + half_tick
        assert WHOLE.buffer(-1.9).covers(shapely.MultiPoint(points))


def test_grid_is_a_rule_of_three_and_fifteen_millimetres() -> None:
    part = base(FOOT, "demo")
    across = [line for line in part.lines["grid"] if np.ptp(line[:, 1]) > 20]
    np.testing.assert_allclose(sorted(line[0, 0] for line in across), [90, 105, 120, 135, 150, 165])
    axis_ticks = sorted(
        line[0, 0]
        for line in part.lines["grid"]
        if np.ptp(line[:, 0]) < 0.1 and np.abs(line[:, 1]).max() < 1.3
    )
    np.testing.assert_allclose(np.diff(axis_ticks), 3.0)
    texts = [mark.text for mark in part.marks if mark.face == "foot"]
    assert texts == ["90", "105", "120", "135", "150", "165"]
    for mark in part.marks:
        if mark.face == "foot":  # the number stands just ahead of its line
            assert 0 < mark.x - float(mark.text) < 6.0


def test_cross_hair_marks_the_crest() -> None:
    part = base(FOOT, "demo")
    along, across, circle = part.lines["crest"]
    centre = LineString(along).intersection(LineString(across))
    assert (centre.x, centre.y) == pytest.approx((128.0, 8.0), abs=0.25)  # the dome's crest
    assert np.linalg.norm(circle - (centre.x, centre.y), axis=1) == pytest.approx(3.5)
    np.testing.assert_allclose(part.lines["pad"][0][:-1], FOOT.pad.outline)  # type: ignore[union-attr]


def test_with_dowels_the_crest_is_a_cross_that_no_socket_meets_in_a_ring() -> None:
    assert len(base(FOOT, "demo").lines["crest"]) == 3
    part = base(changed(FOOT, dowels=[(132.0, 8.0), (120.0, 8.0)], thickness=2.5), "demo")
    along, across = part.lines["crest"]
    assert len(along) == len(across) == 2


def shim_lines(part: Part, pad: bool = True) -> shapely.MultiLineString:
    return shapely.MultiLineString([LineString(line) for line in part.lines["pad"][int(pad) :]])


@pytest.mark.parametrize("pad_height", [10.0, None])
def test_lines_of_shims_are_drawn_where_a_shim_ends_and_is_full(pad_height: float | None) -> None:
    """Each inside shim has its stations across the bed; the one under the shoe has none."""
    foot = sample_foot(pad_height=pad_height, wedges=WEDGES)
    part = base(foot, "demo")
    drawn = shim_lines(part, pad_height is not None)
    assert WHOLE.buffer(-1.9).covers(drawn)
    for wedge in foot.wedges[:2]:
        shape = Polygon(wedge.outline)
        ends = (wedge.full_from - wedge.taper_rear, wedge.full_to + wedge.taper_front)
        for x in (*ends, wedge.full_from, wedge.full_to):
            cut = shape.intersection(LineString([(x, -100), (x, 100)]))
            if 1.0 < x - shape.bounds[0] and 1.0 < shape.bounds[2] - x:
                # 2 mm of border at each end, more where the edge is oblique
                assert drawn.intersection(cut.buffer(0.01)).length > cut.length - 6.0
    under = sample_foot(pad_height=pad_height, wedges=WEDGES[2:])
    assert len(base(under, "demo").lines.get("pad", ())) == int(pad_height is not None)


def test_lines_of_shims_are_cut_into_the_foot_face_and_letters_keep_clear_of_them() -> None:
    part, plain = (as_worn(base(sample_foot(wedges=w), "demo")) for w in (WEDGES, ()))
    mesh = mesh_of(part)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(part.volume - part.facts.engraved.volume, rel=1e-4)
    drawn = shim_lines(part)
    section, without = (
        solids.region_above(solids.solid_of(p.vertices, p.faces), 1.35) for p in (part, plain)
    )
    taken = without.difference(section).area
    assert 0.7 * 0.6 * drawn.length < taken < 0.6 * drawn.length + 5.0  # some lie on the grid
    assert part.facts.engraved.paper_only == ()
    ink = shapely.union_all([mark_shape(mark) for mark in part.marks if mark.face == "shoe"])
    assert ink.distance(drawn) > 0.5
    assert build.check(part) == []


def test_lines_of_shims_keep_off_a_heel_rim() -> None:
    foot = changed(sample_foot(wedges=WEDGES), heel_cup=8.0)
    part = base(foot, "demo")
    points = np.vstack(part.lines["pad"][1:])
    assert rim_height(foot.base, WHOLE, *points.T).max() < 0.02
    assert mesh_of(as_worn(part)).is_watertight


def test_grooves_leave_the_least_thickness() -> None:
    """1.5 mm takes 0.3 mm, 1.35 mm takes 0.15 mm, 1.2 mm takes none; 1.2 mm always stays."""
    for thickness, depth in ((1.5, 0.3), (1.35, 0.15), (1.2, 0.0), (2.0, 0.3)):
        part = as_worn(base(sample_foot(thickness=thickness), "demo"))
        assert part.facts.groove_depth == pytest.approx(depth)
        solid = solids.solid_of(part.vertices, part.faces)
        plan = Polygon(part.outline)
        under = solids.region_above(solid, max(thickness - depth - 0.02, 0.6))
        assert under.area == pytest.approx(plan.area, rel=1e-4)
        if depth:
            cut = plan.area - solids.region_above(solid, thickness - depth / 2).area
            assert cut > 400.0  # lines 0.6 mm wide, about 900 mm of them


def test_no_pad_no_pad_lines() -> None:
    part = base(sample_foot(pad_height=None, wedges=()), "demo")
    assert "pad" not in part.lines
    assert "crest" not in part.lines
    assert part.lines["grid"]


@pytest.mark.parametrize("height", [4.0, 10.0])
def test_heel_rim_rises_by_its_height_and_fades_out(height: float) -> None:
    part = base(changed(FOOT, heel_cup=height), "demo")
    mesh = mesh_of(part)
    assert mesh.is_watertight
    assert part.vertices[:, 2].max() == pytest.approx(1.5 + height, abs=0.02)
    ahead = part.vertices[part.vertices[:, 0] > FOOT.base.grid_from + 0.1]
    assert ahead[:, 2].max() == pytest.approx(1.5, abs=1e-3)
    bowl = np.array([[60.0, 0.0], [40.0, 0.0]])
    np.testing.assert_allclose(rim_height(changed(FOOT, heel_cup=height).base, WHOLE, *bowl.T), 0.0)
    assert mesh.volume == pytest.approx(part.volume, rel=2e-3)
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    down = normal[:, 2] < -0.1 * np.linalg.norm(normal, axis=1)
    assert np.all(corners[down][:, :, 2] < 1e-6)  # nothing hangs over: prints without support


def test_heel_rim_has_a_boundary_solid() -> None:
    part = base(changed(FOOT, heel_cup=10.0), "demo")
    assert part.solid is not None
    solid = part.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(part.volume, rel=1e-3)
    assert solid.BoundingBox().zmax == pytest.approx(11.5, abs=0.1)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"thickness": 0.0}, "no thickness"),
        ({"outline": [(0, 0), (100, 50), (100, 0), (0, 50)]}, "base crosses itself; trace it"),
        ({"outline": [(0, 0), (100, 50)]}, "needs at least 3 points"),
    ],
)
def test_bases_that_cannot_be_made_say_why(changes: dict[str, object], message: str) -> None:
    with pytest.raises(PartError, match=message) as caught:
        base(changed(FOOT, **changes), "demo")
    assert caught.value.part == "base"
