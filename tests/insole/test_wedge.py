"""Wedge shims against W = L w2 tan(angle) / 2 and the planes they are made of."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely import Polygon

from insole.errors import PartError
from insole.parts import breps, solids
from insole.parts.engraving import fit_marks, mark_shape
from insole.parts.part import Mark, Part, as_worn
from insole.parts.wedge import grind_lines, planes, shim, volume
from insole.record.planned_parts import WedgePlace, WedgePlan
from tests.plans import SHOE, bed_ring, sample_foot, sample_wedge

FOOT = sample_foot()
TAN2 = math.tan(math.radians(2.0))


def prism_wedge(net: float = 2.0, **changes: Any) -> WedgePlan:
    """Return a ramp 60 mm long and 80 mm wide without skives."""
    wedge = sample_wedge(bed_ring(), WedgePlace.FOREFOOT, net)
    values: dict[str, Any] = {
        "outline": [(100.0, -40.0), (160.0, -40.0), (160.0, 40.0), (100.0, 40.0)],
        "full_from": 100.0,
        "full_to": 160.0,
        "taper_rear": 0.0,
        "taper_front": 0.0,
        "edge": 0.5,
    }
    return wedge.model_copy(update={**values, **changes})


def mesh_of(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.vertices, part.faces, process=False)


@pytest.mark.parametrize(
    ("width", "angle", "rise"),
    [(80, 1, 1.396), (80, 2, 2.794), (80, 3, 4.193), (80, 5, 6.999), (100, 2, 3.492)],
)
def test_rise_is_width_times_tangent(width: float, angle: float, rise: float) -> None:
    """Rises from h = w tan(angle), computed apart, to the third digit."""
    half = width / 2
    box = [(100.0, -half), (160.0, -half), (160.0, half), (100.0, half)]
    part = shim(FOOT, prism_wedge(angle, outline=box), "demo")
    assert part.facts.thick_edge - 0.5 == pytest.approx(rise, abs=0.006)  # facts: 2 digits
    assert np.ptp(part.vertices[part.vertices[:, 2] > 0.25, 2]) == pytest.approx(rise, abs=1e-3)


def test_prism_of_two_degrees_holds_what_the_formula_says() -> None:
    """80 x 60 mm at 2 degrees: 6704.8 mm3 over the plate of the thin edge."""
    wedge = prism_wedge()
    whole = Polygon(wedge.outline)
    roof = planes(wedge, whole)
    wanted = 0.5 * 80**2 * TAN2 * 60 + 0.5 * 80 * 60
    assert wanted - 0.5 * 80 * 60 == pytest.approx(6704.8, abs=0.1)
    assert volume(whole, roof) == pytest.approx(wanted, rel=1e-12)
    vertices, faces = solids.arrays(solids.under_planes(whole, roof), "prism")
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    # heights lie on a lattice of 1/4096 mm: half of that over a mean height of 1.9 mm
    assert mesh.volume == pytest.approx(wanted, rel=7e-5)
    solid = breps.under_planes(np.array(wedge.outline), roof, (), "prism")
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("place", "net"),
    [
        (WedgePlace.FOREFOOT, 2.0),
        (WedgePlace.FOREFOOT, -3.0),
        (WedgePlace.HEEL, 2.0),
        (WedgePlace.HEEL, -1.0),
        (WedgePlace.UNDER, 1.0),
    ],
)
def test_mesh_solid_and_quadrature_agree(place: WedgePlace, net: float) -> None:
    wedge = sample_wedge(bed_ring(), place, net)
    part = shim(FOOT, wedge, "demo", SHOE)
    shape = Polygon(part.outline, part.holes)
    roof = planes(wedge, Polygon(wedge.outline))
    lowest = solids.integral(
        shape, lambda x, y: np.min([a * x + b * y + c for a, b, c in roof], axis=0)
    )
    assert part.volume == pytest.approx(lowest, rel=2e-4)  # scan lines 0.1 mm apart
    mesh = mesh_of(part)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(part.volume, rel=2e-5)
    assert part.solid is not None
    solid = part.solid()
    assert solid.isValid()
    assert solid.Volume() == pytest.approx(part.volume, rel=1e-4)  # its sides stand on arcs


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("net", [2.0, -2.0])
def test_ramp_tilts_by_the_net_angle_towards_the_right_side(side: str, net: float) -> None:
    """Varus is thick on the medial side: +y on a right part, -y on a left one."""
    foot = sample_foot(side, wedges=((WedgePlace.FOREFOOT, net),))
    part = as_worn(shim(foot, foot.wedges[0], "demo"))
    corners = part.vertices[part.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    ramp = (normal[:, 2] > 0.5 * area) & (np.abs(normal[:, 0]) < 1e-3 * area)
    mean = normal[ramp].sum(axis=0)
    tilt = math.degrees(math.atan2(-mean[1], mean[2]))  # + rises towards +y
    assert tilt == pytest.approx(net if side == "right" else -net, abs=0.01)
    assert abs(mean[0]) < 1e-4 * mean[2]
    assert part.facts.words.startswith("2° varus" if net > 0 else "2° valgus")


@pytest.mark.parametrize("place", [WedgePlace.FOREFOOT, WedgePlace.HEEL])
def test_boundary_solid_of_a_left_shim_lies_where_its_mesh_lies(place: WedgePlace) -> None:
    """Toe end ahead and big toe on the right: neither shim lies evenly about an axis."""
    foot = sample_foot("left", wedges=((place, 2.0),))
    part = as_worn(shim(foot, foot.wedges[0], "demo"))
    assert part.solid is not None
    box = part.solid().BoundingBox(1e-3)
    low, high = part.vertices.min(axis=0), part.vertices.max(axis=0)
    assert low[0] + high[0] > 20.0
    assert abs(low[1] + high[1]) > 1.0
    np.testing.assert_allclose((box.xmin, box.ymin, box.zmin), low, atol=0.1)
    np.testing.assert_allclose((box.xmax, box.ymax, box.zmax), high, atol=0.1)


def test_full_angle_between_the_stations_and_thin_ends() -> None:
    wedge = sample_wedge(bed_ring(), WedgePlace.FOREFOOT, 2.0)
    plan = Polygon(wedge.outline)
    roof = planes(wedge, plan)

    def top(x: float, y: float) -> float:
        return min(a * x + b * y + c for a, b, c in roof)

    _, low, _, _ = plan.bounds
    for x in (162.0, 187.0, 212.0):
        for y in (low, 0.0, 40.0):
            assert top(x, y) == pytest.approx(0.5 + (y - low) * TAN2)
    for y in (low, 0.0, 40.0):
        assert top(137.0, y) == pytest.approx(0.5)
        assert top(232.0, y) == pytest.approx(0.5)
    assert top(149.5, 46.0) == pytest.approx(0.5 + (wedge.thick_edge - 0.5) / 2, abs=0.02)


def test_thick_edge_is_the_one_on_the_plan() -> None:
    """Plan and part both round to 0.01 mm."""
    for place, net in ((WedgePlace.FOREFOOT, 2.0), (WedgePlace.HEEL, -3.0)):
        wedge = sample_wedge(bed_ring(), place, net)
        part = shim(FOOT, wedge, "demo")
        assert part.facts.thick_edge == pytest.approx(wedge.thick_edge, abs=0.011)
        assert part.vertices[:, 2].max() == pytest.approx(part.facts.thick_edge, abs=0.01)


def test_grind_lines_lie_on_their_level_half_a_millimetre_apart() -> None:
    wedge = sample_wedge(bed_ring(), WedgePlace.FOREFOOT, 2.0)
    plan = Polygon(wedge.outline)
    roof = planes(wedge, plan)
    levels, lines = grind_lines(plan, roof)
    # 0.5 mm is the thin edge itself and 3.7 mm the thick one: 1.0 to 3.5 lie between
    assert sorted(set(levels)) == [1.0, 1.5, 2.0, 2.5, 3.0, 3.5]
    for level, line in zip(levels, lines, strict=True):
        at = np.vstack([line, (line[1:] + line[:-1]) / 2])
        tops = np.min([at @ [a, b] + c for a, b, c in roof], axis=0)
        np.testing.assert_allclose(tops, level, atol=1e-6)
        assert plan.buffer(1e-6).covers(shapely.LineString(line))


def test_under_shoe_shim_has_slots_where_the_pattern_was_measured() -> None:
    wedge = sample_wedge(bed_ring(), WedgePlace.UNDER, -1.0)
    part = as_worn(shim(sample_foot("left"), wedge, "demo", SHOE))
    mesh = mesh_of(part)
    assert mesh.euler_number == 2 - 2 * 3  # three holes through
    assert len(part.holes) == 3
    middle = np.mean([[157.0, -32.0], [223.0, 32.0]], axis=0)
    centres = sorted(tuple(Polygon(hole).centroid.coords[0]) for hole in part.holes)
    wanted = sorted((middle[0] + x, -(middle[1] + y)) for x, y in SHOE["cleat"]["holes"])
    np.testing.assert_allclose(centres, wanted, atol=1e-6)
    for hole in part.holes:
        np.testing.assert_allclose(np.ptp(hole, axis=0), (10.0 + 5.5, 5.5), atol=0.05)
        assert not shapely.is_ccw(shapely.linearrings(hole))
    assert "CLEAT SIDE" in part.facts.engraved.texts


def test_a_slot_lies_on_the_side_of_the_shoe_on_which_its_bolt_was_measured(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One bolt towards the big toe, none opposite: +y of a right part."""
    monkeypatch.setattr("insole.parts.wedge._marks", lambda *_: ())  # its words are not asked here
    wedge = sample_wedge(bed_ring(), WedgePlace.UNDER, -1.0)
    part = shim(FOOT, wedge, "demo", {"cleat": {"holes": [[17.0, 0.0], [-11.0, 18.0]]}})
    centres = sorted(Polygon(hole).centroid.coords[0] for hole in part.holes)
    np.testing.assert_allclose(centres, [(190.0 - 11.0, 18.0), (190.0 + 17.0, 0.0)], atol=1e-6)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("net", [1.0, -1.0])
def test_words_of_a_shim_too_thin_to_cut_them_in_stand_at_its_thick_edge(
    side: str, net: float
) -> None:
    """A strip 20 mm wide, 1 mm thick at most: paper alone says which edge is the thick one."""
    box = [(100.0, -10.0), (160.0, -10.0), (160.0, 10.0), (100.0, 10.0)]
    thick = "big-toe side" if net > 0 else "little-toe side"
    wedge = prism_wedge(net, outline=box, thick_side=thick)
    part = as_worn(shim(sample_foot(side), wedge, "demo"))
    assert "THICK EDGE" in part.facts.engraved.paper_only
    words = next(mark for mark in part.marks if mark.text == "THICK EDGE")
    high = part.vertices[part.vertices[:, 2].argmax()]
    assert (words.y > 0) == (high[1] > 0) == ((net > 0) == (side == "right"))
    assert abs(words.y) == pytest.approx(5.0)  # 5 mm from the edge


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("place", "net"),
    [(WedgePlace.FOREFOOT, 1.0), (WedgePlace.FOREFOOT, -3.0), (WedgePlace.HEEL, -2.0)],
)
def test_marks_keep_off_edges_and_the_thick_edge_is_named_along_it(
    side: str, place: WedgePlace, net: float
) -> None:
    """5 mm from every edge, which is bevelled; the words 5 to 8 mm off theirs, parallel to it."""
    foot = sample_foot(side, wedges=((place, net),))
    part = as_worn(shim(foot, foot.wedges[0], "DEMO-0001"))
    assert part.facts.engraved.paper_only == ()
    edge = Polygon(part.outline).exterior
    shapes = {mark.text: mark_shape(mark) for mark in part.marks}
    assert min(edge.distance(shape) for shape in shapes.values()) > 4.99
    words = shapes.pop("THICK EDGE")
    assert edge.distance(words) <= 8.0
    assert all(words.distance(other) > 1.0 for other in shapes.values())
    medial = net > 0
    thick_up = medial == (side == "right")  # worn: a right part's medial side is at +y
    assert (words.centroid.y > Polygon(part.outline).centroid.y) == thick_up
    mark = next(mark for mark in part.marks if mark.text == "THICK EDGE")
    x0, _, x1, _ = words.bounds
    ends = []
    for x in (x0, x1):
        cut = edge.intersection(shapely.LineString([(x, -200), (x, 200)])).bounds
        ends.append((x, cut[3] if thick_up else cut[1]))
    chord = math.degrees(math.atan2(ends[1][1] - ends[0][1], ends[1][0] - ends[0][0]))
    assert mark.turn == pytest.approx(chord, abs=2.0)


def test_a_mark_that_lies_well_stays_and_one_that_does_not_is_moved() -> None:
    region = shapely.box(0, 0, 80, 40)
    well = Mark(text="HERE", x=40.0, y=20.0, size=6.0, turn=17.0)
    off = Mark(text="THERE", x=5.0, y=39.0, size=5.0)
    placed, left = fit_marks(region, (well, off))
    assert left == ()
    assert well in placed
    moved = next(mark for mark in placed if mark.text == "THERE")
    assert region.covers(mark_shape(moved))
    assert mark_shape(moved).distance(mark_shape(well)) > 0.4


def test_unknown_pattern_is_drilled_as_measured() -> None:
    wedge = sample_wedge(bed_ring(), WedgePlace.UNDER, -1.0)
    part = shim(FOOT, wedge, "demo")
    assert part.holes == ()
    assert "drill to the shoe's own pattern" in part.facts.holes


@pytest.mark.parametrize(
    ("holes", "message"),
    [
        ([[30.0, 0.0]], "less than 3 mm of the under-shoe-shim"),
        ([[0.0, 90.0]], "less than 3 mm of the under-shoe-shim"),
    ],
)
def test_holes_off_the_plate_are_refused(holes: list[list[float]], message: str) -> None:
    wedge = sample_wedge(bed_ring(), WedgePlace.UNDER, -1.0)
    with pytest.raises(PartError, match=message):
        shim(FOOT, wedge, "demo", {"cleat": {"holes": holes}})


@pytest.mark.parametrize(
    ("wedge", "message"),
    [
        (prism_wedge(net=2.0).model_copy(update={"net": 0.0}), "of 0° cannot be made"),
        (prism_wedge().model_copy(update={"thick_side": "little-toe side"}), "thick edge is on"),
        (prism_wedge(full_from=300.0, full_to=340.0), "lies off its outline"),
        (prism_wedge(full_to=100.0), "no thin edge or no length"),
        (prism_wedge(edge=0.0), "no thin edge or no length"),
    ],
)
def test_wedges_that_contradict_themselves_say_why(wedge: WedgePlan, message: str) -> None:
    with pytest.raises(PartError, match=message) as caught:
        shim(FOOT, wedge, "demo")
    assert caught.value.part == "forefoot-shim"
