"""The contoured bed: follows the sole, stays off the ball, holds its wedge, is one closed part."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
import shapely
import trimesh

from footscan.scan import Side
from insole.errors import PlanError
from insole.output.papers.gauges import gauges_of
from insole.parts import build
from insole.parts.contour import CONTOUR, contoured_bed
from insole.parts.part import as_worn
from insole.planning import planner
from insole.planning.planner import FootWish, PlanWishes, describe_change
from insole.planning.support.contour import plate_of
from insole.planning.support.tops import ContourShape
from insole.record.limits import default_limits
from insole.record.material_file import default_materials
from insole.record.plan import FootPlan
from insole.shoe.shoe import parse
from tests import feet
from tests.insole.test_form import heights

LIMITS = default_limits()
LEVEL_BED = {"heights": {line: [5.0] * 5 for line in ("medial", "midline", "lateral")}}
SHOE = parse(
    {
        "name": "level",
        "bed": LEVEL_BED,
        "inside": {"length": 285, "ball_width": 104, "heel_width": 72},
        "stock_insole": {"kept": False, "thickness": {"heel": 6, "arch": 6, "ball": 6, "toes": 5}},
    }
)


@lru_cache(maxsize=16)
def planned(side: str = "right", length: float = 260.0, arch: float = 13.0, **wish) -> FootPlan:
    foot = feet.analytic(side=side, length=length, arch=arch)
    shoe = (
        SHOE
        if length < 275
        else parse(
            SHOE.record() | {"inside": {"length": length + 15, "ball_width": 118, "heel_width": 80}}
        )
    )
    wish = {"contoured": "three-quarter", "support_level": 0.8} | wish
    pair = (foot, None) if side == "left" else (None, foot)
    return planner.plan(*pair, shoe, PlanWishes(both=FootWish.of(**wish))).feet[0]


@lru_cache(maxsize=1)
def raised() -> FootPlan:
    """Return a bed in a shoe whose floor rises to the heel."""
    rows = {line: [14.0, 12.0, 8.0, 5.0, 5.0] for line in ("medial", "midline", "lateral")}
    shoe = parse(SHOE.record() | {"bed": {"heights": rows}})
    wish = PlanWishes(both=FootWish.of(contoured="three-quarter", support_level=0.8))
    return planner.plan(None, feet.analytic(side="right", arch=13.0), shoe, wish).feet[0]


def thickness(foot: FootPlan, x, y) -> np.ndarray:
    return ContourShape(foot.contour).inside(np.atleast_1d(x), np.atleast_1d(y))


def formula_gap(foot: FootPlan, x, y, arch: float = 13.0) -> np.ndarray:
    """Return the formula's sole above a level bed at places of the bed frame, mm."""
    pose = np.array(foot.seating.foot_to_bed)
    points = np.column_stack([x, y, np.full(len(x), pose[2, 3])])
    places = points @ np.linalg.inv(pose)[:3, :3].T + np.linalg.inv(pose)[:3, 3]
    return feet.analytic_sole(places[:, 0], places[:, 1], arch=arch)


def test_it_takes_the_place_of_base_pad_and_inside_shims():
    foot = planned(contoured="full", forefoot=1.0)
    assert foot.pad is None
    assert foot.wedges == []
    assert [w.net for w in foot.contour.posting] == [1.0]
    assert foot.contour.posting[0].thick_side == "big-toe side"


@pytest.mark.parametrize("level", [0.2, 0.4, 0.6, 0.8, 1.0])
def test_the_arch_is_filled_to_the_level(level):
    foot = planned(support_level=level)
    contour = foot.contour
    assert contour.support_level == level
    gap = contour.gap_at_crest.value
    assert (gap - contour.residual_gap.value) / gap == pytest.approx(level, abs=0.03)
    x, y = np.array([contour.crest.from_rear]), np.array([contour.crest.y])
    assert thickness(foot, x, y)[0] == pytest.approx(contour.crest.height, abs=0.1)
    assert formula_gap(foot, x, y)[0] == pytest.approx(gap, abs=0.5)
    assert abs(contour.crest.from_rear - foot.landmarks["arch_apex"][0]) <= 5.0


def test_nowhere_above_the_sole_and_in_full_contact_at_the_heel():
    foot = planned(support_level=1.0)
    x, y = (
        g.ravel()
        for g in np.meshgrid(
            np.arange(12.0, 150.0, 2.0), np.arange(-40.0, 40.0, 2.0), indexing="ij"
        )
    )
    inner = shapely.contains_xy(shapely.Polygon(foot.contour.outline).buffer(-6.0), x, y)
    x, y = x[inner], y[inner]
    over, gap = thickness(foot, x, y) - foot.contour.plate, formula_gap(foot, x, y)
    assert (over - gap).max() < 0.5  # 1 mm cells and the low-pass of 15 mm
    heel = x < foot.landmarks["pternion"][0] + 0.18 * 260.0
    low = gap < 4.0
    assert np.abs(over - gap)[heel & low].max() < 0.5


def test_the_plate_is_never_thinner_behind_the_front():
    for material, plate in (("base-pp", 1.2), ("final-tpu", 2.0), ("final-eva", 3.0)):
        foot = planned(contour_material=material)
        assert foot.contour.plate == plate
        x, y = (
            g.ravel()
            for g in np.meshgrid(
                np.arange(10.0, 110.0, 3.0), np.arange(-25.0, 26, 3), indexing="ij"
            )
        )
        made = thickness(foot, x, y)
        assert made[made > 0].min() >= plate - 0.1


def test_the_plate_goes_by_what_a_material_is_and_not_by_its_name():
    """A workshop's own foam is named as it likes; what nobody knows counts as foam."""
    table = default_materials()
    named = {"soft-50": "final-eva", "tpuffer": "base-pp", "evaluation": "final-tpu"}
    for name, like in named.items():
        own = replace(table[like], name=name)
        assert plate_of(own, LIMITS) == plate_of(table[like], LIMITS)
    assert plate_of(None, LIMITS) == 3.0


def test_three_quarters_end_thin_behind_the_ball_line_and_fit_a_printer():
    for length in (260.0, 300.0):
        foot = planned(length=length)
        ring = np.array(foot.contour.outline)
        t, f = (
            np.array(foot.landmarks[n][:2]) for n in ("metatarsale_tibiale", "metatarsale_fibulare")
        )
        along = (t - f) / np.linalg.norm(t - f)
        behind = along[0] * (ring[:, 1] - f[1]) - along[1] * (ring[:, 0] - f[0])
        assert behind.min() >= 10.0 + 1.96 * feet.LANDMARK_SD - 0.5
        assert np.ptp(ring[:, 0]) <= 220.0
        front = ring[behind < behind.min() + 1.5]
        inward = front - [1.0, 0.0]
        assert thickness(foot, *inward.T).max() <= 1.4  # 0.4 at the end, 25 degrees from there
        assert foot.contour.forefoot == 0.0


def test_full_length_has_a_flat_forefoot_without_contour_under_the_heads():
    foot = planned(contoured="full")
    heads = np.array([foot.landmarks[f"mth{k}"][:2] for k in range(1, 6)])
    inside = thickness(foot, *heads.T)
    assert inside == pytest.approx(foot.contour.forefoot, abs=0.05)
    ball, toes = (row for row in foot.thickness if row.station in ("ball", "toes"))
    assert ball.after == pytest.approx(1.5 + 1.5, abs=0.01)  # forefoot and cover
    assert toes.after == ball.after


@pytest.mark.parametrize(("net", "higher"), [(2.0, "medial"), (-2.0, "lateral")])
def test_a_wedge_is_built_in_on_the_side_that_the_plan_says(net, higher):
    """Across the ball the faces differ by the angle: w tan a, medial side up for +."""
    foot = planned(contoured="full", forefoot=net)
    wedge = foot.contour.posting[0]
    x = (wedge.full_from + wedge.full_to) / 2
    medial, lateral = thickness(foot, [x, x], [25.0, -25.0])
    rise = 50.0 * math.tan(math.radians(abs(wedge.net)))
    assert abs(medial - lateral) == pytest.approx(rise, abs=0.1)
    assert (medial > lateral) == (higher == "medial")
    assert wedge.thick_side == ("big-toe side" if net > 0 else "little-toe side")


@pytest.mark.parametrize(
    ("wish", "match"),
    [
        ({"contoured": "half"}, "three-quarter or full"),
        ({"cup": 5.0}, "give 6 to 14 mm"),
        ({"cup": 15.0}, "give 6 to 14 mm"),
        ({"metatarsal": 7.0}, "metatarsal pad cannot be 7 mm"),
        ({"forefoot": 1.0}, "cannot hold a forefoot wedge"),
    ],
)
def test_wishes_that_no_bed_can_hold_are_refused(wish, match):
    with pytest.raises(PlanError, match=match):
        planned(**wish)


def test_a_deeper_cup_is_deeper():
    shallow, deep = (planned(cup=depth) for depth in (6.0, 12.0))
    x, y = (g.ravel() for g in np.meshgrid(np.arange(3.0, 45.0), np.arange(-34.0, 35.0)))
    rims = [thickness(foot, x, y).max() - foot.contour.plate for foot in (shallow, deep)]
    assert rims[0] == pytest.approx(6.0, abs=1.0)
    # the formula's flank ends soon above 6 mm; rounding the rim takes most of what is above
    assert rims[1] > rims[0] + 0.3


def test_a_built_in_wedge_goes_on_to_the_border_of_the_bed():
    """A shim ends a millimetre inside the base; a bed that did so had a gutter along its edge."""
    foot = planned(contoured="full", forefoot=-2.0)
    wedge = foot.contour.posting[0]
    x = np.linspace(wedge.full_from + 5.0, wedge.full_to - 5.0, 7)
    ring = shapely.Polygon(foot.contour.outline)
    rows = [ring.intersection(shapely.LineString([(a, -90.0), (a, 90.0)])).bounds for a in x]
    edge = np.array([row[1] for row in rows])
    slope = math.tan(math.radians(2.0))
    rim, inside = (thickness(foot, x, edge + way) for way in (0.3, 5.0))
    assert rim - inside == pytest.approx(4.7 * slope, abs=0.15)


def test_a_metatarsal_pad_lies_behind_the_heads_and_never_under_one():
    plain, domed = planned(contoured="full"), planned(contoured="full", metatarsal=5.0)
    x, y = np.meshgrid(np.arange(120.0, 230.0), np.arange(-45.0, 45.0), indexing="ij")
    more = thickness(domed, x.ravel(), y.ravel()) - thickness(plain, x.ravel(), y.ravel())
    more = more.reshape(x.shape)
    assert more.max() == pytest.approx(5.0, abs=0.3)
    i, j = np.unravel_index(more.argmax(), more.shape)
    middle = np.mean([domed.landmarks[f"mth{k}"][:2] for k in (2, 3, 4)], axis=0)
    assert 5.0 <= middle[0] - x[i, j] <= 12.0
    for k in range(1, 6):
        head = np.round(domed.landmarks[f"mth{k}"][:2])
        assert abs(more[int(head[0] - 120), int(head[1] + 45)]) < 0.6


def test_the_plan_says_first_what_it_does():
    foot = planned()
    assert foot.notes[0].code in ("effect",)
    assert foot.effect.words in foot.notes[0].text
    pedalling = next(c for c in foot.effect.cases if c.case == "pedalling")
    assert pedalling.midfoot_share[1] > pedalling.midfoot_share[0]
    standing = next(c for c in foot.effect.cases if c.case == "standing")
    assert standing.heel_peak[1] < standing.heel_peak[0]


def test_changes_are_said_in_words():
    foot = feet.analytic()
    plans = [
        planner.plan(None, foot, SHOE, PlanWishes(both=FootWish.of(support_level=0.8, **wish)))
        for wish in ({}, {"contoured": "full"}, {"contoured": "three-quarter", "cup": 12.0})
    ]
    words = describe_change(plans[0], plans[1])
    assert any("a pad on a base before, contoured bed, full length now" in w for w in words)
    words = describe_change(plans[1], plans[2])
    assert any("full before, three-quarter now" in w for w in words)
    assert any("heel cup: 10 mm before, 12 mm now" in w for w in words)


@pytest.mark.parametrize("length", ["three-quarter", "full"])
def test_the_part_is_closed_of_its_side_and_volume(length):
    for side in ("left", "right"):
        foot = planned(side=side, contoured=length)
        part = as_worn(contoured_bed(foot, "demo"))
        assert part.name == CONTOUR
        mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
        assert mesh.is_watertight
        assert mesh.volume == pytest.approx(part.volume - part.facts.engraved.volume, rel=2e-3)
        assert part.vertices[:, 2].min() == pytest.approx(0.0, abs=0.05)
        assert {side.upper(), "CONTOURED BED", "SHOE SIDE", "DEMO", ">"} == set(
            part.facts.engraved.texts
        )
        # the arch side is higher: to the left of a right foot seen from above, and mirrored
        crest = np.abs(part.vertices[:, 0] - foot.contour.crest.from_rear) < 2.0
        high = part.vertices[crest][part.vertices[crest][:, 2].argmax()]
        assert (high[1] > 0) == (part.side is Side.RIGHT)
        assert [s for s in build.check(part) if "underside follows" not in s] == []


def test_the_printer_is_told_where_it_wants_supports():
    """A level underside lies on the plate; under a bed that rises to the heel the rest hangs."""
    from insole.output import readme
    from insole.record.material_file import default_materials
    from insole.record.plan import Plan

    high = parse(
        SHOE.record()
        | {
            "bed": {
                "heights": {
                    line: [14.0, 12.0, 8.0, 5.0, 5.0] for line in ("medial", "midline", "lateral")
                }
            }
        }
    )
    said = {}
    for name, shoe in (("level", SHOE), ("raised", high)):
        foot = feet.analytic(side="right", arch=13.0)
        wish = PlanWishes(both=FootWish.of(contoured="three-quarter", support_level=0.8))
        plan = planner.plan(None, foot, shoe, wish)
        assert isinstance(plan, Plan)
        part = contoured_bed(plan.feet[0], "demo")
        making = readme.Making(plan=plan, parts=[part], materials=default_materials(), tag="x")
        (said[name],) = readme.print_rows(making)
        if name == "raised":
            mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
            down = mesh.face_normals[:, 2] < -math.sin(math.radians(50.0))
            off = mesh.triangles[:, :, 2].max(axis=1) > 0.3
            area = mesh.area_faces[down & off].sum() / 100
            told = re.search(r"with supports from the plate under (\d+) cm² of it", said[name])
            assert float(told[1]) == pytest.approx(area, rel=0.03)
            assert area > 50.0
    assert "underside down, without supports" in said["level"]
    assert not any("flat side down" in text for text in said.values())


def test_a_left_bed_is_the_mirrored_right_one():
    left, right = (as_worn(contoured_bed(planned(side=s), "demo")) for s in ("left", "right"))
    assert np.array(left.outline)[:, 1].max() == pytest.approx(-np.array(right.outline)[:, 1].min())
    assert {"grind", "crest"} <= {word for word, lines in left.lines.items() if lines}
    for word in [word for word, lines in left.lines.items() if lines]:
        one = np.concatenate(left.lines[word]) * [1.0, -1.0]
        other = np.concatenate(right.lines[word])
        assert np.allclose(one[np.lexsort(one.T)], other[np.lexsort(other.T)], atol=1e-6)
    assert left.facts.notch[1] == pytest.approx(-right.facts.notch[1])


def test_the_boundary_solid_has_smooth_faces_and_the_same_volume():
    part = contoured_bed(planned(), "demo")
    solid = part.solid()
    assert solid.isValid()
    kinds = [face.geomType() for face in solid.Faces()]
    assert kinds.count("BSPLINE") == 2
    points, corners = solid.tessellate(0.02, 0.1)
    mesh = trimesh.Trimesh([p.toTuple() for p in points], corners)
    assert mesh.volume == pytest.approx(part.volume, rel=3e-3)


def test_gauges_carry_the_parts_heights():
    foot = planned()
    gauges = gauges_of(foot)
    assert [g.name for g in gauges] == ["heel", "arch, at the crest", "behind the ball"]
    part = contoured_bed(foot, "demo")
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    for gauge in gauges:
        inner = slice(4, -4)
        for y, z in zip(gauge.y[inner], gauge.z[inner], strict=True):
            near = np.hypot(mesh.vertices[:, 0] - gauge.station, mesh.vertices[:, 1] - y) < 0.9
            tops = mesh.vertices[near & (mesh.vertices[:, 2] > z - 3.0)]
            if len(tops):
                assert np.abs(tops[:, 2] - z).min() < 0.6


def test_gauges_of_a_bed_on_a_raised_floor_stand_on_its_lowest_place():
    """The card's bench line is the plate that the part lies on, and not the shoe's heel."""
    part = contoured_bed(raised(), "demo")
    assert np.ptp(np.array(raised().contour.bottom.z)) > 3.0
    for gauge in gauges_of(raised()):
        inner = slice(6, -6)
        points = np.column_stack([np.full_like(gauge.y, gauge.station), gauge.y])[inner]
        assert heights(part, points) == pytest.approx(gauge.z[inner], abs=0.3)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_mark_of_the_crest_crosses_at_the_crest(side):
    """Two strokes, 16 mm long, their middles on the crest: a left bed's at the mirrored place."""
    foot = planned(side=side)
    crest = foot.contour.crest
    part = as_worn(contoured_bed(foot, "demo"))
    along, across = part.lines["crest"]
    for line, way in ((along, (16.0, 0.0)), (across, (0.0, 16.0))):
        assert np.abs(line[1] - line[0]) == pytest.approx(way)
        place = [crest.from_rear, crest.y if side == "right" else -crest.y]
        assert line.mean(axis=0) == pytest.approx(place)
