"""Soles seen from below, foam impressions, legs cut low and few points are still feet."""

from __future__ import annotations

import feet
import numpy as np
import pytest
import trimesh

from footscan import pipeline
from footscan.errors import PoseError
from footscan.finding import hollow, outward
from footscan.foot import vertex_normals
from footscan.measuring.measures import Measure
from footscan.pipeline import Options, measure_scan
from footscan.scan import Kind, Load, Scan, Side, Unit
from footscan.specimen import made_up as specimen
from footscan.specimen.made_up import Shape
from footscan.specimen.scanner import ScannerSpec

ABOVE = ("instep_height", "instep_girth", "ball_girth", "arch_height_index")


@pytest.fixture(scope="module")
def foot() -> specimen.Specimen:
    """A standing left foot, on a coarse grid for speed."""
    return specimen.build(Shape(side=Side.LEFT, length=262.0, breadth=98.0, cell=2.0))


@pytest.fixture(scope="module")
def right() -> specimen.Specimen:
    """A hanging right foot with a high arch."""
    return specimen.build(Shape(load=Load.NONE, arch_height=23.0, forefoot_deg=5.0, cell=2.0))


def seen(scan: Scan, kind: Kind | None = None) -> pipeline._Found:
    return pipeline._found(scan, Options(kind=kind), None)


def up_of(scan: Scan, turned: Scan) -> np.ndarray:
    """Return where the z axis of `scan` went in `turned`, its copy moved rigidly and scaled."""
    a = scan.vertices - scan.vertices.mean(axis=0)
    b = turned.vertices - turned.vertices.mean(axis=0)
    up = np.linalg.lstsq(a, b, rcond=None)[0][2]
    return up / np.linalg.norm(up)


def check(found: pipeline._Found, side: Side, up: np.ndarray) -> None:
    """Side and up are right, and the other side is clearly worse (the limit to tell is 1.08)."""
    best, other = found.matches
    assert best.side is side
    assert best.core < 0.95 * pipeline.NOT_A_FOOT
    assert other.cost > 1.25 * best.cost
    assert best.rotation[2] @ up > np.cos(np.radians(15))


@pytest.mark.parametrize("kind", [None, Kind.SOLE], ids=["not stated", "stated"])
@pytest.mark.parametrize(("side", "limit_deg"), [(Side.LEFT, 60.0), (Side.RIGHT, 80.0)])
def test_side_and_up_of_a_sole_alone(foot, right, side, limit_deg, kind):
    sole = feet.sole_only(foot if side is Side.LEFT else right, limit_deg=limit_deg, noise=0.15)
    scan = feet.turned(sole, int(limit_deg))
    check(seen(scan, kind), side, up_of(sole, scan))


def test_file_s_winding_does_not_turn_a_sole_into_the_other_foot(right):
    scan = feet.turned(feet.sole_only(right), 3)
    inside_out = Scan(vertices=scan.vertices, faces=scan.faces[:, ::-1])
    a, b = seen(scan), seen(inside_out)
    assert a.matches[0].side is b.matches[0].side is Side.RIGHT
    assert a.matches[0].cost == pytest.approx(b.matches[0].cost, rel=1e-6)


def test_sole_alone_is_measured_and_its_top_is_not(foot):
    """Breadths lie on the skin that was seen; the specimen knows them to 0.1 mm.

    A sheet that ends at 80 degrees lacks what 1 - sin(80 deg) of the border's radius leaves:
    0.2 mm at a radius of 12 mm; the coarse grid takes as much again, at either end.
    """
    measured = measure_scan(
        feet.turned(feet.sole_only(foot, limit_deg=80.0), 4, factor=0.1), Options(load=Load.HALF)
    )
    assert (measured.facts.kind, measured.facts.side) == ("sole", "left")
    assert measured.facts.unit is Unit.CM
    truth, values = foot.truth.measures, measured.measures
    assert values["foot_length"].value == pytest.approx(truth["foot_length"], abs=1.0)
    assert values["foot_breadth"].value == pytest.approx(truth["foot_breadth"], abs=1.5)
    assert values["arch_apex_height"].value == pytest.approx(truth["arch_apex_height"], abs=0.6)
    for name in ABOVE:
        assert values[name].value is None
        assert "sole" in values[name].reason
    assert not {"toes-cut", "heel-cut"} & {f.code for f in measured.report.findings}


@pytest.mark.parametrize(
    ("side", "depth", "rim", "block", "kind"),
    [
        (Side.LEFT, 45.0, 60.0, 0.0, Kind.IMPRESSION),
        (Side.RIGHT, 25.0, 30.0, 30.0, None),
        (Side.LEFT, 35.0, 45.0, 0.0, None),
    ],
    ids=["deep, stated", "shallow, with outer walls", "not stated"],
)
def test_impression_is_cut_out_of_its_block(foot, right, side, depth, rim, block, kind):
    body = foot if side is Side.LEFT else right
    foam = feet.impression(body, depth=depth, rim=rim, block=block, noise=0.15, cell=2.0)
    scan = feet.turned(foam, int(depth))
    found = seen(scan, kind)
    check(found, side, up_of(foam, scan))
    assert found.kind is Kind.IMPRESSION
    # no point of the rim or the block is left, and all of the sole is
    inside = hollow.cut_out(foam, hollow.find_rim(foam.vertices))
    assert len(inside.vertices) == pytest.approx(len(found.scan.vertices), rel=0.005)
    assert inside.vertices[:, 2].max() < depth - 1.0
    skin, _ = feet.worn(body)
    low, high = skin[:, :2].min(axis=0), skin[:, :2].max(axis=0)
    assert (inside.vertices[:, :2] > low - 4.0).all()
    assert (inside.vertices[:, :2] < high + 4.0).all()
    assert np.ptp(inside.vertices[:, 0]) > 0.97 * np.ptp(skin[:, 0])


def test_impression_gives_the_foot_that_made_it(foot):
    """The hollow's wall is the sole itself: same arch, same length, nothing mirrored.

    Foam keeps the widest part that passed and is gridded at 1.5 mm: sizes read large by up to a
    cell at either end.
    """
    scan = feet.turned(feet.impression(foot, noise=0.1), 7)
    measured = measure_scan(scan, Options(kind=Kind.IMPRESSION, load=Load.HALF))
    truth, values = foot.truth.measures, measured.measures
    assert (measured.facts.kind, measured.facts.side) == ("impression", "left")
    assert measured.facts.points == len(scan.vertices)
    assert -0.5 < values["foot_length"].value - truth["foot_length"] < 3.0
    assert -0.5 < values["foot_breadth"].value - truth["foot_breadth"] < 3.0
    assert values["arch_apex_height"].value == pytest.approx(truth["arch_apex_height"], abs=1.5)
    # pose and points: the sole lies on the scan's own points, in scanner coordinates
    back = measured.foot.to_scanner(measured.foot.vertices)
    distance = trimesh.proximity.ProximityQuery(
        trimesh.Trimesh(scan.vertices, scan.faces, process=False)
    ).vertex(back)[0]
    assert np.percentile(distance, 99) < 0.01
    assert all(isinstance(m, Measure) for m in values.values())


def test_sole_with_a_couch_behind_it_is_a_sole(right):
    """The same points as an impression, wound the other way: the couch faces the scanner."""
    foam = feet.impression(right, depth=40.0, cell=2.0)
    found = seen(feet.turned(Scan(vertices=foam.vertices, faces=foam.faces[:, ::-1]), 8))
    assert found.kind is Kind.SOLE
    assert found.matches[0].side is Side.RIGHT


def test_no_rim_is_seen_where_there_is_none(foot):
    whole, faces = feet.worn(foot)
    for scan in (Scan(vertices=whole, faces=faces), feet.sole_only(foot), feet.leg_cut(foot, 30.0)):
        assert hollow.find_rim(scan.vertices) is None


def test_block_without_a_foot_in_it_is_refused():
    x, y = np.meshgrid(np.arange(0.0, 360, 3), np.arange(0.0, 200, 3), indexing="ij")
    away = np.hypot(x - 180, y - 100)
    z = -np.sqrt(np.clip(70.0**2 - away**2, 0, None)) * 0.5
    index = np.arange(z.size).reshape(z.shape)
    a, b, c, d = (
        k.ravel() for k in (index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:])
    )
    scan = Scan(
        vertices=np.stack([x, y, z], axis=-1).reshape(-1, 3),
        faces=np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]),
    )
    with pytest.raises(PoseError, match=r"no impression of a foot was found.*rim around it"):
        measure_scan(scan, Options(kind=Kind.IMPRESSION))


@pytest.mark.parametrize(
    ("side", "height"), [(Side.LEFT, 25.0), (Side.RIGHT, 25.0), (Side.LEFT, 40.0)]
)
def test_leg_cut_low_is_a_foot(foot, right, side, height):
    cut = feet.leg_cut(foot if side is Side.LEFT else right, height)
    scan = feet.turned(cut, 9)
    check(seen(scan), side, up_of(cut, scan))


def test_low_cut_is_said_and_is_no_clipped_toe(foot):
    measured = measure_scan(feet.turned(feet.leg_cut(foot, 27.0), 11), Options())
    codes = {f.code for f in measured.report.findings}
    assert "leg-low" in codes
    assert not {"toes-cut", "heel-cut"} & codes


def test_leg_up_to_the_calf_is_no_hindrance():
    """A leg of 300 mm is longer than the foot: the longest extent is then no foot length."""
    tall = specimen.build(Shape(leg_height=190.0, cell=2.5))
    vertices, faces = feet.worn(tall)
    rim = vertices[vertices[:, 2] > 186.0]
    middle, radius = rim.mean(axis=0), np.ptp(rim[:, 1]) / 2
    calf = trimesh.creation.cylinder(radius=radius, height=110.0, sections=48).subdivide()
    calf.apply_translation([middle[0], middle[1], 245.0])
    scan = Scan(
        vertices=np.vstack([vertices, calf.vertices]),
        faces=np.vstack([faces, calf.faces + len(vertices)]),
    )
    check(seen(feet.turned(scan, 12)), Side.RIGHT, up_of(scan, feet.turned(scan, 12)))


@pytest.mark.parametrize(
    ("points", "faces", "floor"),
    [(1200, True, 45.0), (1200, False, 45.0), (5000, True, 45.0), (1200, False, 0.0)],
)
def test_few_points_are_enough(foot, points, faces, floor):
    spec = ScannerSpec(
        points=points, faces=faces, floor=floor, noise=0.2, turn_deg=None, shift=None
    )
    found = seen(specimen.scan(foot, spec, np.random.default_rng(points)))
    assert found.matches[0].side is Side.LEFT
    assert found.matches[0].core < 0.8 * pipeline.NOT_A_FOOT
    assert (found.sketch.floor is not None) is (floor > 0)


def half(mesh, share: float = 0.5) -> Scan:
    """Return the lower part of a body, an open bowl."""
    while len(mesh.vertices) < 4000:
        mesh = mesh.subdivide()
    z = mesh.vertices[:, 2]
    low = z < z.min() + share * np.ptp(z)
    return Scan(vertices=mesh.vertices, faces=mesh.faces[low[mesh.faces].all(axis=1)])


def ellipsoid(*radii: float):
    mesh = trimesh.creation.icosphere(subdivisions=5)
    mesh.apply_scale(radii)
    return mesh


@pytest.mark.parametrize(
    ("scan", "kind"),
    [
        (half(ellipsoid(135, 50, 40)), None),
        (half(ellipsoid(135, 50, 40)), Kind.IMPRESSION),
        (half(ellipsoid(135, 50, 25)), Kind.SOLE),
        (half(ellipsoid(130, 130, 130)), Kind.SOLE),
        (half(trimesh.creation.box((270, 100, 60)).subdivide_to_size(8)), Kind.SOLE),
    ],
    ids=["shoe-like", "shoe-like hollow", "flatter", "bowl", "tray"],
)
def test_open_shells_are_no_soles(scan, kind):
    with pytest.raises(PoseError, match=r"no foot|no impression of a foot") as caught:
        measure_scan(feet.turned(scan, 13), Options(kind=kind))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("limit_deg", [60.0, 85.0])
def test_normals_of_bare_points_of_a_sole_point_down(right, limit_deg):
    """Compared with the mesh they came from; in the clefts between toes some may turn."""
    sole = feet.sole_only(right, limit_deg=limit_deg, top=60.0)
    truth = vertex_normals(sole.vertices, sole.faces)
    found = outward.point_normals(sole.vertices)
    assert (np.einsum("ij,ij->i", truth, found) > 0).mean() > 0.95
    given = outward.point_normals(sole.vertices, -truth)  # a file may have them inside out
    assert (np.einsum("ij,ij->i", truth, given) > 0).mean() > 0.95


def test_bare_points_of_a_sole_are_told_or_asked_about(foot, right):
    for body, side, seed in ((foot, Side.LEFT, 14), (right, Side.RIGHT, 15)):
        sole = feet.sole_only(body, noise=0.2)
        best, other = seen(feet.turned(sole, seed, points=True), Kind.SOLE).matches
        assert best.side is side or other.cost < 1.08 * best.cost


@pytest.mark.parametrize("name", ["heel_breadth", "heel_breadth_max"])
def test_a_heel_cut_below_its_widest_place_has_no_breadth(foot, name):
    low, high = (
        measure_scan(feet.leg_cut(foot, height), Options(load=Load.HALF, side=foot.shape.side))
        for height in (32.0, 46.0)
    )
    assert low.measures[name].value is None
    assert "where the heel is widest" in low.measures[name].reason
    assert high.measures[name].value == pytest.approx(foot.truth.measures[name], abs=0.6)
